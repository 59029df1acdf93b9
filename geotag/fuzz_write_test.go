package geotag

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math"
	"testing"

	"example.com/phototie/geotag/internal/samples"
)

// FuzzRewrite corrects whatever image comes. It is refused with one of the
// errors documented, or written so that the position reads back, taking it back
// gives the identical bytes, and a second run changes nothing. No image may lead
// to a patch that fails the writer's own check.
func FuzzRewrite(f *testing.F) {
	seed := func(img []byte) {
		f.Add(img, quay.Lat, quay.Lon, false)
		f.Add(img, -quay.Lat, -quay.Lon, true)
	}
	for _, s := range samples.All(f) {
		if s.Whole != nil && len(s.Whole) < 12000 {
			seed(s.Whole)
		}
	}
	for _, s := range samples.Corrupt(f) {
		seed(s.Raw)
	}
	for _, order := range orders {
		img := samples.Splice(handheld(order, handheldGPS(order)))
		seed(img)
		seed(insertXMP(img, xmpPacket(descriptionStart+`exif:GPSLatitude="1,2N" exif:GPSDestLatitude="1,2N"/>`, 20)))
		seed(insertXMP(samples.Plain(), xmpPacket(descriptionStart+"><exif:GPSLatitude>1,2N</exif:GPSLatitude>\n<exif:GPSLongitude/></rdf:Description>", -1)))
		index := append([]byte("MPF\x00"), tiffBlock(order, []rec{{tag: 0xB002, typ: 7, count: 32, value: make([]byte, 32)}})...)
		binary.BigEndian.PutUint16(index[len(index)-8:], 300)
		seed(samples.Insert(img, 0xE2, index))
	}
	f.Fuzz(func(t *testing.T, img []byte, lat, lon float64, camera bool) {
		e := Edit{Lat: lat, Lon: lon, HPositioningError: 0.02}
		if camera {
			e.Meaning = CameraPosition
		}
		saved := bytes.Clone(img)
		out, p, err := Rewrite(img, e)
		if !bytes.Equal(img, saved) {
			t.Fatal("the image handed in was changed")
		}
		if err != nil {
			for _, known := range []error{ErrFormat, ErrTruncated, ErrCorrupt, ErrNoRoom, ErrSigned, ErrUnsafe, ErrEdit} {
				if errors.Is(err, known) {
					return
				}
			}
			t.Fatal(err)
		}
		back, err := p.Reverse().ApplyBytes(out)
		if err != nil || !bytes.Equal(back, img) {
			t.Fatalf("the reverse patch does not give the old image: %v", err)
		}
		if _, again, err := Rewrite(out, e); err != nil || !again.Empty() {
			t.Fatalf("the second run: %+v, %v", again, err)
		}
		tag, err := ReadBytes(out)
		if err != nil {
			t.Fatal(err)
		}
		pos := tag.Position
		if camera {
			pos = tag.Destination.Position
		}
		if math.Abs(pos.Lat-lat) > millimetre || math.Abs(pos.Lon-lon) > millimetre {
			t.Fatalf("at %v, want %v, %v", pos, lat, lon)
		}
	})
}
