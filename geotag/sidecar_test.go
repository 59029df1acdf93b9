package geotag

import (
	"bytes"
	"cmp"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.com/phototie/geotag/geotagtest"
)

// sidecars are packets as files: as this package writes them, as an XMP toolkit
// lays them out, with other prefixes, with nothing in them.
func sidecars(tb testing.TB) map[string]string {
	tb.Helper()
	p, err := NewSidecar(quay2)
	if err != nil {
		tb.Fatal(err)
	}
	made, err := p.ApplyBytes(nil)
	if err != nil {
		tb.Fatal(err)
	}
	const dc = `<rdf:Description rdf:about="uuid:1" xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:tiff="http://ns.adobe.com/tiff/1.0/" tiff:Make="Velland Instruments" tiff:Model="QH-3" tiff:Orientation="6">
   <dc:subject><rdf:Bag><rdf:li>BM1</rdf:li></rdf:Bag></dc:subject>
  </rdf:Description>`
	return map[string]string{
		"made":        string(made),
		"attributes":  xmpPacket(oldXMP, 300),
		"no padding":  xmpPacket(oldXMP, -1),
		"elements":    xmpPacket(descriptionStart+">\n <exif:GPSLatitude>1,2N</exif:GPSLatitude>\n <exif:GPSLongitude>4,5.6E</exif:GPSLongitude>\n <exif:GPSStatus>A</exif:GPSStatus></rdf:Description>", 1000),
		"no tag":      xmpPacket("\n  "+dc+"\n ", 1000),
		"tight":       xmpPacket("\n  "+dc+"\n ", 3),
		"date":        "\uFEFF" + `<?xml version="1.0" encoding="UTF-8"?>` + "\n" + xmpPacket(descriptionStart+`exif:DateTimeOriginal="2026-03-17T10:32:00.25+00:00" exif:GPSAltitude="571/10" exif:GPSAltitudeRef="0" exif:GPSVersionID="2.4.0.0"/>`, -1),
		"empty rdf":   `<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="` + nsRDF + `" /></x:xmpmeta>`,
		"no rdf in":   `<r:RDF xmlns:r="` + nsRDF + `"></r:RDF>`,
		"other name":  `<?xml version="1.0"?><r:RDF xmlns:r="` + nsRDF + `"><r:Description r:about="" xmlns:e="` + nsExif + `" e:GPSDOP="3/2"/></r:RDF>`,
		"destination": xmpPacket(descriptionStart+`exif:GPSLatitude="1,2N" exif:GPSLongitude="4,5.6E" exif:GPSDestLatitude="1,3N" exif:GPSDestLongitude="4,5E" exif:GPSDestBearing="1/2" exif:GPSDestBearingRef="T" exif:GPSDestDistance="3/1000" exif:GPSDestDistanceRef="K"/>`, 300),
	}
}

// The edit is in the packet afterwards, all else of it stays, it keeps its length
// where the padding allows, and the way back gives the identical bytes.
func TestSidecarRewrite(t *testing.T) {
	for name, s := range sidecars(t) {
		for _, e := range []Edit{quay, {Meaning: CameraPosition, Lat: quay.Lat, Lon: quay.Lon}} {
			out, p := mustRewrite(t, []byte(s), e)
			tag := mustRead(t, out)
			got := tag.Position
			if e.Meaning == CameraPosition {
				got = tag.Destination.Position
			} else if tag.HPositioningError == nil || *tag.HPositioningError != quay.HPositioningError || tag.MapDatum != "WGS-84" || tag.ProcessingMethod != "SURVEY" || tag.DOP != nil {
				t.Errorf("%s: %+v", name, tag)
			}
			if math.Abs(got.Lat-e.Lat) > millimetre || math.Abs(got.Lon-e.Lon) > millimetre || tag.Container != "xmp" {
				t.Errorf("%s: at %v", name, got)
			}
			if !bytes.Equal(unpatch(t, p, out), []byte(s)) {
				t.Errorf("%s: the reverse patch does not give the old file", name)
			}
			if padded := strings.Contains(s, strings.Repeat(" ", 290)) || name == "made"; padded && (name != "attributes" && name != "destination") && len(out) != len(s) {
				t.Errorf("%s: %d bytes, was %d", name, len(out), len(s))
			}
			if !strings.Contains(s, "QH-3") {
				continue
			}
			if tag.Make != "Velland Instruments" || tag.Model != "QH-3" || tag.Orientation != 6 || !slices.Equal(tag.Texts.Keywords, []string{"BM1"}) {
				t.Errorf("%s: %+v", name, tag)
			}
			// An insertion, and the padding: nothing else.
			i := bytes.Index(out, []byte("<rdf:Description rdf:about=\"uuid:1\" xmlns:dc"))
			if i < 0 || !strings.Contains(s, string(out[i:bytes.Index(out, []byte("</x:xmpmeta>"))])) || !bytes.Contains(out[:i], []byte(`rdf:about="uuid:1" xmlns:exif`)) {
				t.Errorf("%s: %s", name, out)
			}
		}
	}
}

func TestSidecarRead(t *testing.T) {
	all := sidecars(t)
	tag := mustRead(t, []byte(all["date"]))
	when := time.Date(2026, 3, 17, 10, 32, 0, 250e6, time.UTC)
	if tag.Taken == nil || !tag.Taken.HasOffset || !tag.Taken.Time.Equal(when) || tag.Position != nil {
		t.Errorf("%+v", tag)
	}
	if out, _ := mustRewrite(t, []byte(all["date"]), quay); !bytes.Contains(out, []byte(`GPSVersionID="2.4.0.0"`)) {
		t.Errorf("the version went back: %s", out)
	}
	d := mustRead(t, []byte(all["destination"])).Destination
	if d == nil || d.Position == nil || d.Bearing == nil || d.Bearing.Degrees != 0.5 || d.Distance == nil || *d.Distance != 3 {
		t.Errorf("%+v", d)
	}
	for what, c := range map[string]struct {
		text string
		err  error
	}{
		"other XML":  {`<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document/></kml>`, ErrFormat},
		"cut off":    {all["attributes"][:200], ErrTruncated},
		"not XML":    {"<?xpacket begin=''?><x:xmpmeta></y>", ErrCorrupt},
		"too large":  {"<?xpacket ?>" + strings.Repeat(" ", maxSidecar), ErrCorrupt},
		"a document": {"<?xml version='1.0'?><!DOCTYPE x><x/>", ErrCorrupt},
	} {
		if _, err := ReadBytes([]byte(c.text)); !errors.Is(err, c.err) {
			t.Errorf("%s: %v", what, err)
		}
		if _, _, err := Rewrite([]byte(c.text), quay); !errors.Is(err, c.err) {
			t.Errorf("%s: correcting: %v", what, err)
		}
	}
	wide := utf16Bytes(little().order, all["attributes"])
	if tag, err := ReadBytes(wide); err != nil || tag.Position == nil {
		t.Errorf("UTF-16: %+v, %v", tag, err)
	}
	if _, _, err := Rewrite(wide, quay); !errors.Is(err, ErrUnsafe) {
		t.Errorf("UTF-16: %v", err)
	}
}

// Cut off anywhere before the end of what it describes, a side-car is an error.
func TestSidecarCut(t *testing.T) {
	for name, s := range sidecars(t) {
		end := strings.LastIndex(s, "RDF")
		for n := 0; n < end; n += 7 {
			if _, err := ReadBytes([]byte(s[:n])); !AboutImage(err) {
				t.Errorf("%s cut at %d: %v", name, n, err)
			}
			if _, _, err := Rewrite([]byte(s[:n]), quay); !AboutImage(err) {
				t.Errorf("%s cut at %d: corrected: %v", name, n, err)
			}
		}
	}
}

// A general metadata library reads what was written into side-cars, those that it
// made itself of real photos among them.
func TestSidecarJudge(t *testing.T) {
	exiv2 := tool(t, "exiv2")
	dir := t.TempDir()
	all := sidecars(t)
	made := 0
	for _, s := range geotagtest.Photos(t) {
		if made == 8 {
			break
		}
		f := filepath.Join(dir, "photo.jpg")
		if err := os.WriteFile(f, s.Raw, 0o600); err != nil {
			t.Fatal(err)
		}
		side := filepath.Join(dir, "photo.xmp")
		os.Remove(side)
		if err := exec.Command(exiv2, "-q", "-f", "-eX", f).Run(); err != nil {
			continue // exiv2 warns of some
		}
		if b, err := os.ReadFile(side); err == nil && bytes.Contains(b, []byte("rdf:RDF")) {
			all[s.Name] = string(b)
			made++
		}
	}
	if made < 8 {
		t.Errorf("only %d side-cars of exiv2's", made)
	}
	properties := func(name string, b []byte) (rest []string, position string) {
		f := filepath.Join(dir, "judged.xmp")
		if err := os.WriteFile(f, b, 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(exiv2, "-q", "-PXkv", f).Output()
		if err != nil && len(out) > 0 {
			t.Errorf("%s: exiv2: %v", name, err)
		}
		for line := range strings.Lines(string(out)) {
			if strings.HasPrefix(line, "Xmp.exif.GPS") {
				if fields := strings.Fields(line); len(fields) > 1 {
					position += fields[0][len("Xmp.exif."):] + "=" + fields[1] + " "
				}
			} else {
				rest = append(rest, line)
			}
		}
		slices.Sort(rest)
		return rest, position
	}
	for name, s := range all {
		if strings.Contains(s, "<r:RDF") {
			continue // exiv2 takes such a file for none, before or after
		}
		out, _, err := Rewrite([]byte(s), quay)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		before, _ := properties(name, []byte(s))
		after, position := properties(name, out)
		if !slices.Equal(before, after) {
			t.Errorf("%s: exiv2 says other things than before: %.300q, %.300q", name, after, before)
		}
		for _, want := range []string{"GPSLatitude=53,20.502740733N ", "GPSLongitude=6,15.023925933W ", "GPSMapDatum=WGS-84 ", "GPSHPositioningError=140/10000 ", "GPSProcessingMethod=SURVEY "} {
			if strings.Count(position, want) != 1 {
				t.Errorf("%s: exiv2 says %q, which lacks %q", name, position, want)
			}
		}
	}
}

func TestNewSidecar(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := Edit{
			Lat: rapid.Float64Range(-90, 90).Draw(t, "lat"), Lon: rapid.Float64Range(-180, 180).Draw(t, "lon"),
			HPositioningError: rapid.Float64Range(0.0001, 1000).Draw(t, "error"),
			ProcessingMethod:  rapid.StringMatching(`([A-Z"'<&]{1,12})?`).Draw(t, "method"),
		}
		p, err := NewSidecar(e)
		if errors.Is(err, ErrEdit) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		file, err := p.ApplyBytes(nil)
		if err != nil {
			t.Fatal(err)
		}
		tag, err := ReadBytes(file)
		if err != nil || len(tag.Warnings) > 0 || math.Abs(tag.Position.Lat-e.Lat) > millimetre || math.Abs(tag.Position.Lon-e.Lon) > millimetre || tag.ProcessingMethod != cmp.Or(e.ProcessingMethod, defaultMethod) {
			t.Fatalf("%+v, %v", tag, err)
		}
		if back, err := p.Reverse().ApplyBytes(file); err != nil || len(back) != 0 {
			t.Fatal(back, err)
		}
	})
	if _, err := NewSidecar(Edit{Lat: 91}); !errors.Is(err, ErrEdit) {
		t.Error(err)
	}
}

// What a photo and its side-car say together.
func TestWithSidecar(t *testing.T) {
	le := orders["II"]
	photo := mustRead(t, geotagtest.Splice(handheld(le, handheldGPS(le))))
	side := func(e Edit) *Tag {
		p, err := NewSidecar(e)
		if err != nil {
			t.Fatal(err)
		}
		b, err := p.ApplyBytes(nil)
		if err != nil {
			t.Fatal(err)
		}
		return mustRead(t, b)
	}
	surveyed, receiver := quay, quay
	receiver.ProcessingMethod = "GPS"
	for _, c := range []struct {
		what     string
		side     *Tag
		position float64
		warns    []string
	}{
		{"a survey's", side(surveyed), quay.Lat, nil},
		{"a receiver's", side(receiver), quay.Lat, []string{"exif-xmp-conflict exif:GPSLatitude"}},
		{"without a position", mustRead(t, []byte(sidecars(t)["no tag"])), photo.Position.Lat, nil},
	} {
		saved := *photo
		m := photo.WithSidecar(c.side)
		if math.Abs(m.Position.Lat-c.position) > millimetre || m.Model != "QH-3" || m.Taken == nil || m.Altitude == nil {
			t.Errorf("%s: %+v", c.what, m)
		}
		if (m.DOP == nil) != (c.side.Position != nil) {
			t.Errorf("%s: DOP %v", c.what, m.DOP)
		}
		wantCodes(t, m, c.warns...)
		if saved.Position != photo.Position || len(photo.Texts.Keywords) != 0 {
			t.Errorf("%s: the photo's tag was changed", c.what)
		}
	}
}

// TestSidecarComment: a comment before the packet is legal XML (XML 1.0, section 2.8),
// and no error.
func TestSidecarComment(t *testing.T) {
	whole := []byte(xmpPacket(xmpHere, 200))
	want := mustRead(t, whole)
	img := append([]byte("<!-- written by hand, on the quay -->\n"), whole...)
	tag := mustRead(t, img)
	if tag.Container != "xmp" || tag.Position == nil || *tag.Position != *want.Position {
		t.Errorf("%+v", tag)
	}
	out, _ := mustRewrite(t, img, quay)
	if got := mustRead(t, out).Position; got == nil || math.Abs(got.Lat-quay.Lat) > 1e-8 || !bytes.HasPrefix(out, []byte("<!-- written by hand")) {
		t.Errorf("%+v %.80q", got, out)
	}
}
