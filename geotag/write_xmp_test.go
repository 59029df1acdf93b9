package geotag

import (
	"bytes"
	"crypto/md5"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf16"

	"example.com/phototie/geotag/geotagtest"
)

// xmpPacket wraps the inside of an rdf:RDF into a packet with so much padding;
// a negative number leaves out the wrapper.
func xmpPacket(inside string, padding int) string {
	x := `<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">` + inside + `</rdf:RDF></x:xmpmeta>`
	if padding < 0 {
		return x
	}
	return "<?xpacket begin=\"\uFEFF\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n" + x + strings.Repeat(" ", padding) + "\n<?xpacket end=\"w\"?>"
}

// insertXMP adds a packet to an image.
func insertXMP(img []byte, packet string) []byte {
	return geotagtest.Insert(img, 0xE1, append([]byte(xmpName), packet...))
}

const xmpName = "http://ns.adobe.com/xap/1.0/\x00"

// packetOf returns the XMP packet of an image.
func packetOf(tb testing.TB, img []byte) string {
	tb.Helper()
	for _, p := range parts(tb, img) {
		if strings.HasPrefix(p.name, "E1 http") {
			return string(p.payload[len(xmpName):])
		}
	}
	return ""
}

const descriptionStart = `<rdf:Description rdf:about="" xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:dc="http://purl.org/dc/elements/1.1/" `

// The packet is spliced, never written anew: what comes out is given here to the
// byte, but for the padding.
func TestRewriteXMP(t *testing.T) {
	bearing, distance := 12.5, 3.2
	camera := Edit{Meaning: CameraPosition, Lat: quay.Lat, Lon: quay.Lon, Bearing: &bearing, Distance: &distance}
	bare := Edit{Meaning: CameraPosition, Lat: quay.Lat, Lon: quay.Lon}
	tokyo := quay
	tokyo.MapDatum, tokyo.ProcessingMethod = "TOKYO", `R&D <"RTK">`
	// quay as XMP has it.
	const lat, lon = "53,20.502740733N", "6,15.023925933W"
	for _, c := range []struct {
		name      string
		e         Edit
		old, want string
	}{
		{
			"attributes", quay,
			descriptionStart + `exif:GPSLatitude="53,20.5000N" exif:GPSLongitude='6,15.0250W'/>`,
			descriptionStart + `exif:GPSLatitude="` + lat + `" exif:GPSLongitude='` + lon + `'/>`,
		},
		{
			"what described the old fix goes", quay,
			descriptionStart + "exif:GPSLatitude = \"53,20.5000N\"\n  exif:GPSDOP=\"14/10\" exif:GPSStatus=\"A\"\n  exif:GPSAltitude=\"57/1\" exif:GPSLongitude=\"6,15.0250W\" exif:GPSMeasureMode=\"3\" exif:GPSSatellites=\"4\" exif:GPSDifferential=\"1\"></rdf:Description>",
			descriptionStart + "exif:GPSLatitude = \"" + lat + "\"\n  exif:GPSAltitude=\"57/1\" exif:GPSLongitude=\"" + lon + "\"></rdf:Description>",
		},
		{
			"elements", quay,
			descriptionStart + "dc:format='image/jpeg'>\n <exif:GPSLatitude>53,20.5000N</exif:GPSLatitude>\n <exif:GPSLongitude> 6,15.0250W </exif:GPSLongitude>\n <exif:GPSDOP>14/10</exif:GPSDOP>\n <exif:GPSTimeStamp>2026-03-17T10:31:59Z</exif:GPSTimeStamp>\n <exif:GPSStatus/>\n</rdf:Description>",
			descriptionStart + "dc:format='image/jpeg'>\n <exif:GPSLatitude>" + lat + "</exif:GPSLatitude>\n <exif:GPSLongitude>" + lon + "</exif:GPSLongitude>\n <exif:GPSTimeStamp>2026-03-17T10:31:59Z</exif:GPSTimeStamp>\n</rdf:Description>",
		},
		{
			"all the new fix says", quay,
			descriptionStart + `exif:GPSVersionID="2.2.0.0" exif:GPSLatitude="1,2N" exif:GPSLatitudeRef="S" exif:GPSLongitude="1,2E" exif:GPSLongitudeRef="E" exif:GPSMapDatum="TOKYO" exif:GPSHPositioningError="48/10" exif:GPSProcessingMethod="GPS"/>`,
			descriptionStart + `exif:GPSVersionID="2.3.0.0" exif:GPSLatitude="` + lat + `" exif:GPSLatitudeRef="N" exif:GPSLongitude="` + lon + `" exif:GPSLongitudeRef="W" exif:GPSMapDatum="WGS-84" exif:GPSHPositioningError="140/10000" exif:GPSProcessingMethod="SURVEY"/>`,
		},
		{
			"another prefix", quay,
			`<rdf:Description xmlns:g="http://ns.adobe.com/exif/1.0/" g:GPSLatitude="1,2N" g:GPSLongitude="1,2E"/>`,
			`<rdf:Description xmlns:g="http://ns.adobe.com/exif/1.0/" g:GPSLatitude="` + lat + `" g:GPSLongitude="` + lon + `"/>`,
		},
		{
			"half a position is made whole", quay,
			descriptionStart + `exif:GPSLongitude="1,2E"/>`,
			descriptionStart + `exif:GPSLongitude="` + lon + `" exif:GPSLatitude="` + lat + `"/>`,
		},
		{
			"a datum that is not the default is added, and escaped text", tokyo,
			descriptionStart + ">\n\t<exif:GPSLatitude>1,2N</exif:GPSLatitude>\n\t<exif:GPSLongitude/>\n\t<exif:GPSProcessingMethod>GPS</exif:GPSProcessingMethod></rdf:Description>",
			descriptionStart + ">\n\t<exif:GPSLatitude>" + lat + "</exif:GPSLatitude>\n\t<exif:GPSMapDatum>TOKYO</exif:GPSMapDatum>\n\t<exif:GPSLongitude>" + lon + "</exif:GPSLongitude>\n\t<exif:GPSProcessingMethod>R&amp;D &lt;&quot;RTK&quot;&gt;</exif:GPSProcessingMethod></rdf:Description>",
		},
		{
			"two descriptions", quay,
			descriptionStart + `exif:GPSLatitude="1,2N"/>` + "\n" + descriptionStart + `exif:GPSLongitude="1,2E"/>`,
			descriptionStart + `exif:GPSLatitude="` + lat + `"/>` + "\n" + descriptionStart + `exif:GPSLongitude="` + lon + `"/>`,
		},
		{
			"what tells of another thing stays", quay,
			`<rdf:Description xmlns:p="urn:invented:p" xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:n="urn:invented:n" n:GPSLatitude="4"><p:Ingredients><rdf:Bag><rdf:li rdf:parseType="Resource"><exif:GPSLatitude>1,2N</exif:GPSLatitude></rdf:li></rdf:Bag></p:Ingredients></rdf:Description>`,
			"",
		},
		{"no position", quay, descriptionStart + `dc:title="B-07"/>`, ""},
		{"no position to which a destination belongs", camera, descriptionStart + `exif:GPSLatitude="53,20.501667N" exif:GPSLongitude="6,15.025000W" exif:GPSDOP="14/10"/>`, ""},
		{
			"destination", camera,
			descriptionStart + `exif:GPSLatitude="53,20.501667N" exif:GPSDestLatitude="1,2N" exif:GPSDOP="14/10"/>`,
			descriptionStart + `exif:GPSLatitude="53,20.501667N" exif:GPSDestLatitude="` + lat + `" exif:GPSDestLongitude="` + lon + `" exif:GPSDestBearingRef="T" exif:GPSDestBearing="1250000/100000" exif:GPSDestDistanceRef="K" exif:GPSDestDistance="3200/1000000" exif:GPSDOP="14/10"/>`,
		},
		{
			"destination without the way there", bare,
			descriptionStart + `exif:GPSDestBearing="1/1" exif:GPSDestLatitude="1,2N" exif:GPSDestLongitude="1,2E" exif:GPSDestDistanceRef="N" exif:GPSDestDistance="7/1"/>`,
			descriptionStart + `exif:GPSDestLatitude="` + lat + `" exif:GPSDestLongitude="` + lon + `"/>`,
		},
		{
			"half a destination, and the way to an old one right after it", bare,
			descriptionStart + `exif:GPSDestLatitude="1,2N" exif:GPSDestBearing="1/1"/>`,
			descriptionStart + `exif:GPSDestLatitude="` + lat + `" exif:GPSDestLongitude="` + lon + `"/>`,
		},
		{
			"only the way to an old destination", bare,
			descriptionStart + `exif:GPSDestBearing="1/1"/>`,
			`<rdf:Description rdf:about="" xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:dc="http://purl.org/dc/elements/1.1/"/>`,
		},
	} {
		for _, padding := range []int{-1, 0, 7, 400} {
			img := insertXMP(geotagtest.Splice(handheld(binary.BigEndian, handheldGPS(binary.BigEndian))), xmpPacket(c.old, padding))
			want := c.want
			if want == "" {
				want = c.old
			}
			out, _ := mustRewrite(t, img, c.e)
			got := packetOf(t, out)
			if !strings.Contains(got, ">"+want+"</rdf:RDF>") {
				t.Errorf("%s, padding %d:\n%s\nwant\n%s", c.name, padding, got, want)
			}
			if old := packetOf(t, img); padding == 400 && len(got) != len(old) {
				t.Errorf("%s: the packet has %d bytes, had %d, in spite of its padding", c.name, len(got), len(old))
			}
			if c.want == "" && got != packetOf(t, img) {
				t.Errorf("%s: the packet changed", c.name)
			}
			for _, l := range imageLosses(t, img, out, "E1 http://ns.adobe.com/xap/1.0/") {
				t.Errorf("%s: %s", c.name, l)
			}
			for _, w := range mustRead(t, out).Warnings {
				if w.Code == WarnConflict {
					t.Errorf("%s: %v", c.name, w)
				}
			}
		}
	}
}

// A position only XMP has: Exif gets it, and XMP is brought into line.
func TestRewriteXMPOnly(t *testing.T) {
	for name, img := range map[string][]byte{
		"no Exif":         geotagtest.Plain(),
		"no position":     geotagtest.Splice(handheld(binary.LittleEndian, nil)),
		"unsound in Exif": geotagtest.Splice(handheld(binary.LittleEndian, handheldGPS(binary.LittleEndian)[2:])),
	} {
		img := insertXMP(img, xmpPacket(descriptionStart+`exif:GPSLatitude="53,20.5N" exif:GPSLongitude="6,15W" exif:GPSAltitude="571/10" exif:GPSAltitudeRef="0" exif:GPSImgDirection="10/1" exif:GPSImgDirectionRef="T"/>`, 50))
		if tag := mustRead(t, img); tag.Position == nil || tag.Position.Source != SourceXMP {
			t.Fatalf("%s: %v", name, tag.Position)
		}
		out, _ := mustRewrite(t, img, quay)
		tag := mustRead(t, out)
		for _, p := range []*Position{tag.Position, tag.XMPPosition} {
			if p == nil || math.Abs(p.Lat-quay.Lat) > millimetre || math.Abs(p.Lon-quay.Lon) > millimetre {
				t.Errorf("%s: %v", name, p)
			}
		}
		if tag.Position.Source != SourceExif {
			t.Errorf("%s: the position is not in Exif", name)
		}
	}
}

func TestRewriteXMPRefuses(t *testing.T) {
	img := geotagtest.Splice(handheld(binary.BigEndian, handheldGPS(binary.BigEndian)))
	extended := func(text string) []byte {
		digest := md5.Sum([]byte(text))
		guid := strings.ToUpper(hex.EncodeToString(digest[:]))
		out := insertXMP(img, xmpPacket(`<rdf:Description xmlns:xmpNote="http://ns.adobe.com/xmp/note/" xmpNote:HasExtendedXMP="`+guid+`"/>`, 10))
		// In two parts, cut in the middle, the second first.
		for _, cut := range [][2]int{{0, len(text) / 2}, {len(text) / 2, len(text)}} {
			p := []byte("http://ns.adobe.com/xmp/extension/\x00" + guid)
			p = binary.BigEndian.AppendUint32(p, uint32(len(text)))
			p = binary.BigEndian.AppendUint32(p, uint32(cut[0]))
			out = geotagtest.Insert(out, 0xE1, append(p, text[cut[0]:cut[1]]...))
		}
		return out
	}
	utf16be := func(s string) string {
		b := []byte{0xFE, 0xFF}
		for _, u := range utf16.Encode([]rune(s)) {
			b = binary.BigEndian.AppendUint16(b, u)
		}
		return string(b)
	}
	position := descriptionStart + `exif:GPSLatitude="1,2N" exif:GPSLongitude="1,2E"/>`
	for _, c := range []struct {
		name   string
		img    []byte
		want   error // nil where it is none of the correction's business
		reason string
	}{
		{"position in extended XMP", extended(strings.Repeat("x", 40) + "exif:GPSLatitude" + strings.Repeat("y", 40)), ErrUnsafe, "digest"},
		{"extended XMP without one", extended(strings.Repeat("x", 40) + "exif:GPS" + strings.Repeat("y", 40)), nil, ""},
		{"UTF-16", insertXMP(img, utf16be(xmpPacket(position, 10))), ErrCorrupt, "can't be read"},
		{"UTF-16 without a position", insertXMP(img, utf16be(xmpPacket("", 10))), nil, ""},
		{"not XML", insertXMP(img, "<x exif:GPSLatitude=1,2N"), ErrCorrupt, "can't be read"},
		{"not XML, no position", insertXMP(img, "\x01\x02"), nil, ""},
		{"a list", insertXMP(img, xmpPacket(descriptionStart+`><exif:GPSLatitude><rdf:Alt><rdf:li>1,2N</rdf:li></rdf:Alt></exif:GPSLatitude></rdf:Description>`, 10)), ErrUnsafe, "exif:GPSLatitude is not plain text"},
		{"a resource", insertXMP(img, xmpPacket(descriptionStart+`><exif:GPSLatitude rdf:resource="urn:invented:x"/></rdf:Description>`, 10)), ErrUnsafe, "exif:GPSLatitude is not plain text"},
		// 65,504 bytes are what a packet can have (XMP specification part 3).
		{"no room", insertXMP(img, xmpPacket(position+strings.Repeat(" ", 65504-len(xmpPacket(position, 0))), 0)), ErrNoRoom, "65533"},
		{"room in the padding", insertXMP(img, xmpPacket(position, 65504-len(xmpPacket(position, 0)))), nil, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.want == nil {
				out, _ := mustRewrite(t, c.img, quay)
				for _, l := range imageLosses(t, c.img, out, "E1 http://ns.adobe.com/xap/1.0/") {
					t.Error(l)
				}
				return
			}
			_, p, err := Rewrite(c.img, quay)
			if !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.reason) || p != nil {
				t.Errorf("%v; want %v with %q", err, c.want, c.reason)
			}
		})
	}
}

// A record outside the image can't be checked from here; it is mentioned.
func TestRewriteProvenance(t *testing.T) {
	img := geotagtest.Splice(handheld(binary.BigEndian, nil))
	for _, inside := range []string{
		`<rdf:Description xmlns:dcterms="http://purl.org/dc/terms/" dcterms:provenance="https://example.com/m"/>`,
		`<rdf:Description xmlns:dcterms="http://purl.org/dc/terms/"><dcterms:provenance>https://example.com/m</dcterms:provenance></rdf:Description>`,
	} {
		_, p := mustRewrite(t, insertXMP(img, xmpPacket(inside, 10)), quay)
		if len(p.Notes) != 1 || !strings.Contains(p.Notes[0], "provenance") {
			t.Errorf("notes %q", p.Notes)
		}
	}
}

// exiv2's XMP toolkit, an independent reader, finds the new values and the rest
// as it was.
func TestExiv2ReadsXMP(t *testing.T) {
	exiv2 := tool(t, "exiv2")
	inside := descriptionStart + "exif:GPSLatitude=\"53,20.5N\" exif:GPSDOP=\"14/10\" exif:GPSAltitude=\"571/10\">\n<exif:GPSLongitude>6,15W</exif:GPSLongitude><dc:subject><rdf:Bag><rdf:li>B-07</rdf:li></rdf:Bag></dc:subject></rdf:Description>"
	img := insertXMP(geotagtest.Splice(handheld(binary.BigEndian, handheldGPS(binary.BigEndian))), xmpPacket(inside, 30))
	out, _ := mustRewrite(t, img, quay)
	name := filepath.Join(t.TempDir(), "x.jpg")
	if err := os.WriteFile(name, out, 0o644); err != nil {
		t.Fatal(err)
	}
	got, err := exec.Command(exiv2, "-PXkv", name).Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := map[string]string{}
	for line := range strings.Lines(string(got)) {
		k, v, _ := strings.Cut(strings.TrimSpace(line), " ")
		lines[k] = strings.TrimSpace(v)
	}
	want := map[string]string{
		"Xmp.exif.GPSLatitude":  "53,20.502740733N",
		"Xmp.exif.GPSLongitude": "6,15.023925933W",
		"Xmp.exif.GPSAltitude":  "571/10",
		"Xmp.dc.subject":        "B-07",
	}
	for k, v := range want {
		if lines[k] != v {
			t.Errorf("%s is %q, want %q", k, lines[k], v)
		}
	}
	if len(lines) != len(want) {
		t.Errorf("%v", lines)
	}
	// The one sound value by hand: 53.34171234567 degrees, to a microsecond of arc.
	if math.Abs(53+20.502740733/60-quay.Lat) > 1.0/3600e6 {
		t.Error("the value expected is wrong")
	}
	if bytes.Equal(out, img) {
		t.Error("nothing changed")
	}
}
