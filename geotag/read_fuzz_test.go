package geotag

import (
	"bytes"
	"errors"
	"math"
	"reflect"
	"testing"

	"example.com/phototie/geotag/geotagtest"
)

// believable fails the test where a tag states what no photo can.
func believable(t *testing.T, tag *Tag) {
	t.Helper()
	for _, p := range []*Position{tag.Position, tag.XMPPosition} {
		if p == nil {
			continue
		}
		if !(math.Abs(p.Lat) <= 90 && math.Abs(p.Lon) <= 180) || p.Lat == 0 && p.Lon == 0 || !(p.Step > 0 && p.Step <= 1) {
			t.Fatalf("%+v", *p)
		}
	}
	for name, v := range map[string]*float64{"error": tag.HPositioningError, "DOP": tag.DOP, "distance": tag.SubjectDistance, "speed": tag.Speed} {
		if v != nil && !(*v >= 0 && *v <= math.MaxFloat64) {
			t.Fatalf("%s %v", name, *v)
		}
	}
	if a := tag.Altitude; a != nil && !(a.Metres >= minAltitude && a.Metres <= maxAltitude) {
		t.Fatalf("%+v", *a)
	}
	if d := tag.Direction; d != nil && !(d.Degrees >= 0 && d.Degrees < 360) {
		t.Fatalf("%+v", *d)
	}
	if tag.Orientation < 0 || tag.Orientation > 8 || tag.Width < 0 || tag.Height < 0 {
		t.Fatalf("%+v", tag)
	}
	if len(tag.Warnings) > 10_000 {
		t.Fatalf("%d warnings", len(tag.Warnings))
	}
}

// Any bytes give a believable Tag or one of the errors, the same from a file as
// from memory.
func FuzzRead(f *testing.F) {
	for _, s := range geotagtest.All(f) {
		if len(s.Whole) < 12_000 { // small seeds are worked on faster
			f.Add(s.Raw)
			f.Add(s.Whole)
		}
	}
	f.Add(withXMP(little().position("N", []uint32{52, 1, 50, 1, 34, 1}, "E", []uint32{4, 1, 0, 1, 0, 1}).photo(), packet(description(xmpPlace, ""))))
	for _, s := range sidecars(f) {
		f.Add([]byte(s))
	}
	for _, img := range rasterVariants(f) {
		f.Add(img)
	}
	for _, variants := range []map[string][]byte{tiffVariants(), bmffVariants(f)} {
		for _, img := range variants {
			f.Add(img)
		}
	}
	f.Fuzz(func(t *testing.T, img []byte) {
		tag, err := ReadBytes(img)
		again, err2 := Read(bytes.NewReader(img), int64(len(img)))
		if (err == nil) != (err2 == nil) || !reflect.DeepEqual(tag, again) {
			t.Fatalf("%+v %v\n%+v %v", tag, err, again, err2)
		}
		if err != nil {
			if !errors.Is(err, ErrFormat) && !errors.Is(err, ErrTruncated) && !errors.Is(err, ErrCorrupt) {
				t.Fatal(err)
			}
			return
		}
		believable(t, tag)
	})
}

// Any packet gives a believable Tag, and a block of any bytes too.
func FuzzXMP(f *testing.F) {
	f.Add([]byte(packet(description(xmpPlace, ""))))
	f.Add([]byte(packet(description(`exif:GPSAltitude="29/1" exif:GPSAltitudeRef="1" exif:GPSImgDirection="1/2" exif:GPSImgDirectionRef="T"`,
		`<exif:GPSLatitude>59.5</exif:GPSLatitude><exif:GPSLongitude>-18</exif:GPSLongitude><dc:subject><rdf:Bag><rdf:li>a</rdf:li></rdf:Bag></dc:subject>`))))
	f.Add(utf16Bytes(byteOrder(big().order), `<rdf:RDF xmlns:rdf="`+nsRDF+`">`+description(xmpPlace, "")+`</rdf:RDF>`))
	f.Fuzz(func(t *testing.T, p []byte) {
		tag := new(Tag)
		tag.settle(readXMP(tag, p))
		believable(t, tag)
	})
}

func FuzzExif(f *testing.F) {
	for _, s := range geotagtest.All(f) {
		if len(s.Block) < 12_000 {
			f.Add(s.Block)
		}
	}
	f.Add(big().position("N", []uint32{52, 1, 50, 1, 34, 1}, "E", []uint32{4, 1, 0, 1, 0, 1}).bytes())
	f.Fuzz(func(t *testing.T, block []byte) {
		before := bytes.Clone(block)
		tag := new(Tag)
		tag.Width, tag.Height = readExif(tag, block)
		believable(t, tag)
		if !bytes.Equal(block, before) {
			t.Fatal("reading changed the block")
		}
	})
}
