package geotag

import (
	"bytes"
	"errors"
	"image"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/phototie/geotag/geotagtest"
)

var quayLabel = Label{Title: "B01", Description: "B01 BOL Bollard <cast iron> & \"cap\"", Keywords: []string{"B01", "BOL"}}

// labelled plans and makes a label, and checks what holds of every one: the image that
// was handed in stays, the reverse patch gives it back byte for byte, and a second run
// changes nothing. It returns nil where the image can't take it.
func labelled(t *testing.T, img []byte, l Label) []byte {
	t.Helper()
	saved := bytes.Clone(img)
	p, err := PlanLabel(bytes.NewReader(img), int64(len(img)), l)
	if !bytes.Equal(img, saved) {
		t.Fatal("the image handed in was changed")
	}
	if err != nil {
		if !AboutImage(err) {
			t.Fatal(err)
		}
		return nil
	}
	out, err := p.ApplyBytes(img)
	if err != nil {
		t.Fatal(err)
	}
	back, err := p.Reverse().ApplyBytes(out)
	if err != nil || !bytes.Equal(back, img) {
		t.Fatalf("the reverse patch does not give the old image: %v", err)
	}
	if again, err := PlanLabel(bytes.NewReader(out), int64(len(out)), l); err != nil || !again.Empty() {
		t.Fatalf("the second run: %+v, %v", again, err)
	}
	return out
}

// images are images of every format, real ones among them.
func images(tb testing.TB) map[string][]byte {
	all := map[string][]byte{"jpeg plain": geotagtest.Plain()}
	for _, s := range geotagtest.All(tb) {
		if s.Whole != nil {
			all["jpeg "+s.Name] = s.Whole
		}
	}
	maps.Copy(all, rasterVariants(tb))
	maps.Copy(all, tiffVariants())
	maps.Copy(all, bmffVariants(tb))
	return all
}

// A label is read back, and nothing else changes: the pixels, the tag, what the
// photographer wrote.
func TestLabel(t *testing.T) {
	done := map[string]int{}
	for name, img := range images(t) {
		t.Run(name, func(t *testing.T) {
			before, err := ReadBytes(img)
			if err != nil {
				return
			}
			out := labelled(t, img, quayLabel)
			if out == nil {
				return
			}
			after, err := ReadBytes(out)
			if err != nil {
				t.Fatal(err)
			}
			done[after.Container]++
			for _, f := range []struct{ was, is, want string }{
				{before.Texts.ImageDescription, after.Texts.ImageDescription, quayLabel.Description},
				{before.Texts.XMPTitle, after.Texts.XMPTitle, quayLabel.Title},
				{before.Texts.XMPDescription, after.Texts.XMPDescription, quayLabel.Description},
			} {
				if f.was != "" && f.is != f.was || f.was == "" && f.is != f.want {
					t.Errorf("was %q, is %q", f.was, f.is)
				}
			}
			if !slices.Contains(after.Texts.Keywords, "BOL") {
				t.Errorf("keywords %q", after.Texts.Keywords)
			}
			a, _, err1 := image.Decode(bytes.NewReader(img))
			b, _, err2 := image.Decode(bytes.NewReader(out))
			if (err1 == nil) != (err2 == nil) || err1 == nil && a.Bounds() != b.Bounds() {
				t.Errorf("decoding: %v, then %v", err1, err2)
			}
			// A position can be corrected afterwards, and the label stays.
			fixed, _, err := Rewrite(out, Edit{Lat: quay.Lat, Lon: quay.Lon, HPositioningError: 0.02})
			if _, _, was := Rewrite(img, Edit{Lat: quay.Lat, Lon: quay.Lon, HPositioningError: 0.02}); (err == nil) != (was == nil) {
				t.Fatalf("correcting: %v, before the label %v", err, was)
			}
			if err == nil && labelled(t, fixed, quayLabel) == nil {
				t.Error("a corrected image takes no label")
			}
			// What stands there is kept, unless it is to be replaced.
			other := Label{Title: "X", Description: "Y", Keywords: []string{"Z"}}
			if kept, err := ReadBytes(labelled(t, out, other)); err != nil || kept.Texts.XMPTitle != after.Texts.XMPTitle || !slices.Contains(kept.Texts.Keywords, "Z") {
				t.Errorf("kept: %+v, %v", kept.Texts, err)
			}
			other.Replace = true
			if over := labelled(t, out, other); over == nil {
				t.Error("not replaced")
			} else if now, err := ReadBytes(over); err != nil || now.Texts.XMPTitle != "X" || now.Texts.XMPDescription != "Y" || now.Texts.ImageDescription != "Y" || !slices.Contains(now.Texts.Keywords, "BOL") {
				t.Errorf("replaced: %+v, %v", now.Texts, err)
			}
		})
	}
	for _, c := range []string{"jpeg", "png", "webp", "tiff", "dng"} {
		if done[c] == 0 {
			t.Errorf("no %s was labelled: %v", c, done)
		}
	}
}

// What can't be written is refused, and what is not ASCII stays out of Exif.
func TestLabelRefused(t *testing.T) {
	img := geotagtest.Plain()
	for _, l := range []Label{{Title: "a\nb"}, {Description: " a"}, {Keywords: []string{"\xFF"}}, {Title: strings.Repeat("a", maxLabel+1)}} {
		if _, err := PlanLabel(bytes.NewReader(img), int64(len(img)), l); !errors.Is(err, ErrEdit) {
			t.Errorf("%.40v: %v", l, err)
		}
	}
	p, err := PlanLabel(bytes.NewReader(img), int64(len(img)), Label{Description: "Poller, Südkai"})
	if err != nil || len(p.Notes) != 1 {
		t.Fatalf("%+v, %v", p, err)
	}
	out, err := p.ApplyBytes(img)
	if err != nil {
		t.Fatal(err)
	}
	if tag, err := ReadBytes(out); err != nil || tag.Texts.XMPDescription != "Poller, Südkai" || tag.Texts.ImageDescription != "" {
		t.Errorf("%+v, %v", tag.Texts, err)
	}
}

// exiv2, libexif and ImageMagick read the label.
func TestLabelOracles(t *testing.T) {
	variants := rasterVariants(t)
	for name, img := range map[string][]byte{"a.jpg": geotagtest.Plain(), "b.png": variants["png none"], "c.webp": variants["webp lossy"], "d.jpg": geotagtest.Photos(t)[0].Whole} {
		out := labelled(t, img, quayLabel)
		if out == nil {
			t.Fatalf("%s was not labelled", name)
		}
		file := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(file, out, 0o644); err != nil {
			t.Fatal(err)
		}
		read := func(program string, args ...string) string {
			tool, err := exec.LookPath(program)
			if err != nil {
				if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
					t.Fatal(err)
				}
				t.Skipf("%s is not installed", program)
			}
			out, err := exec.Command(tool, append(args, file)...).CombinedOutput()
			if err != nil {
				t.Errorf("%s: %s: %v: %s", name, program, err, out)
			}
			return string(out)
		}
		tag, err := ReadBytes(out)
		if err != nil {
			t.Fatal(err)
		}
		said := read("exiv2", "-pa")
		for _, want := range []string{tag.Texts.XMPTitle, tag.Texts.XMPDescription, tag.Texts.ImageDescription, "B01, BOL"} {
			if !strings.Contains(said, want) {
				t.Errorf("%s: exiv2 does not read %q: %s", name, want, said)
			}
		}
		if strings.HasSuffix(name, ".jpg") {
			if said := read("exif", "-m", "-t", "0x010e"); !strings.Contains(said, tag.Texts.ImageDescription) {
				t.Errorf("%s: libexif reads %q", name, said)
			}
			if said := read("identify", "-format", "%[EXIF:ImageDescription]"); !strings.Contains(said, tag.Texts.ImageDescription) {
				t.Errorf("%s: ImageMagick reads %q", name, said)
			}
		} else {
			read("identify") // it may know of no such property here, but of no fault either
		}
		at := bytes.Index(out, []byte("<?xpacket begin"))
		end := bytes.Index(out, []byte("<?xpacket end"))
		xml := filepath.Join(t.TempDir(), "packet.xml")
		if err := os.WriteFile(xml, out[at:end+len("<?xpacket end='w'?>")], 0o644); err != nil {
			t.Fatal(err)
		}
		file = xml
		read("xmllint", "--noout")
	}
}

// FuzzLabel labels whatever comes.
func FuzzLabel(f *testing.F) {
	for _, img := range rasterVariants(f) {
		f.Add(img, "B01", "Bollard", false)
	}
	for _, img := range tiffVariants() {
		f.Add(img, "B01", "Bollard", true)
	}
	for _, dc := range []string{"<dc:subject/>", "<dc:subject><rdf:Bag/></dc:subject>", "<dc:subject><rdf:Bag><rdf:li>a</rdf:li></rdf:Bag></dc:subject>", "<dc:title>a</dc:title><dc:title>b</dc:title>"} {
		f.Add(insertXMP(geotagtest.Plain(), xmpPacket(descriptionStart+`xmlns:dc="`+nsDC+`">`+dc+"</rdf:Description>", 20)), "B01", "", true)
	}
	f.Fuzz(func(t *testing.T, img []byte, title, description string, replace bool) {
		labelled(t, img, Label{Title: title, Description: description, Keywords: []string{"K"}, Replace: replace})
	})
}
