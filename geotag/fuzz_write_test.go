package geotag

import (
	"bytes"
	"encoding/binary"
	"math"
	"reflect"
	"slices"
	"testing"

	"example.com/phototie/geotag/geotagtest"
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
	for _, s := range geotagtest.All(f) {
		if s.Whole != nil && len(s.Whole) < 12000 {
			seed(s.Whole)
		}
	}
	for _, s := range geotagtest.Corrupt(f) {
		seed(s.Raw)
	}
	for _, order := range orders {
		img := geotagtest.Splice(handheld(order, handheldGPS(order)))
		seed(img)
		seed(insertXMP(img, xmpPacket(descriptionStart+`exif:GPSLatitude="1,2N" exif:GPSDestLatitude="1,2N"/>`, 20)))
		seed(insertXMP(geotagtest.Plain(), xmpPacket(descriptionStart+"><exif:GPSLatitude>1,2N</exif:GPSLatitude>\n<exif:GPSLongitude/></rdf:Description>", -1)))
		index := append([]byte("MPF\x00"), tiffBlock(order, []rec{{tag: 0xB002, typ: 7, count: 32, value: make([]byte, 32)}})...)
		binary.BigEndian.PutUint16(index[len(index)-8:], 300)
		seed(geotagtest.Insert(img, 0xE2, index))
	}
	for _, s := range sidecars(f) {
		seed([]byte(s))
	}
	for _, img := range rasterVariants(f) {
		seed(img)
	}
	for _, variants := range []map[string][]byte{tiffVariants(), bmffVariants(f)} {
		for _, img := range variants {
			seed(img)
		}
	}
	f.Fuzz(checkRewrite)
}

// FuzzRewriteBlock corrects an image with whatever Exif block comes.
func FuzzRewriteBlock(f *testing.F) {
	for _, s := range geotagtest.All(f) {
		if s.Block != nil && len(s.Block) < 12000 {
			f.Add(s.Block, quay.Lat, quay.Lon, false)
		}
	}
	for _, order := range orders {
		for _, camera := range []bool{false, true} {
			f.Add(handheld(order, handheldGPS(order)), quay.Lat, quay.Lon, camera)
			f.Add(tiffBlock(order, []rec{{tag: 0x8825, typ: 4, count: 1, dir: handheldGPS(order)}}), quay.Lat, quay.Lon, camera)
		}
	}
	f.Fuzz(func(t *testing.T, block []byte, lat, lon float64, camera bool) {
		if len(block) > 65533-6 {
			t.Skip()
		}
		checkRewrite(t, geotagtest.Splice(block), lat, lon, camera)
	})
}

// FuzzRewriteXMP corrects images with whatever XMP packet comes, in containers whose
// checksums a change by chance would break, and the packet as a side-car file.
func FuzzRewriteXMP(f *testing.F) {
	for _, inside := range []string{
		descriptionStart + `exif:GPSLatitude="1,2N" exif:GPSLongitude='4,5.6E' exif:GPSDOP="1/1"/>`,
		descriptionStart + "> <exif:GPSLatitude>1,2N</exif:GPSLatitude>\n<exif:GPSLongitude/> <exif:GPSStatus>A</exif:GPSStatus></rdf:Description>",
		descriptionStart + `exif:GPSDestLatitude="1,2N" exif:GPSDestBearing="1/2"/>`,
		descriptionStart + `exif:GPSMapDatum="&#x41;&amp;" xmlns:exifEX="http://cipa.jp/exif/1.0/" exifEX:GPSLatitude="1,2S"/>`,
	} {
		for _, padding := range []int{-1, 0, 5, 100} {
			f.Add(xmpPacket(inside, padding), quay.Lat, quay.Lon, padding == 5)
		}
	}
	img := geotagtest.Splice(handheld(binary.BigEndian, handheldGPS(binary.BigEndian)))
	raster := plainPNG(f, testChunk("eXIf", handheld(binary.BigEndian, handheldGPS(binary.BigEndian))), nil)
	at := bytes.Index(raster, []byte("IDAT")) - 4
	start, end := raster[:at:at], raster[at:]
	f.Fuzz(func(t *testing.T, packet string, lat, lon float64, camera bool) {
		if len(packet) > 65533-len(xmpName) {
			t.Skip()
		}
		checkRewrite(t, insertXMP(img, packet), lat, lon, camera)
		plain := testChunk("iTXt", []byte("XML:com.adobe.xmp\x00\x00\x00\x00\x00"+packet))
		checkRewrite(t, slices.Concat(start, plain, end), lat, lon, camera)
		short := testChunk("iTXt", append([]byte("XML:com.adobe.xmp\x00\x01\x00\x00\x00"), deflated([]byte(packet))...))
		checkRewrite(t, slices.Concat(start, short, end), lat, lon, camera)
		checkRewrite(t, []byte(packet), lat, lon, camera)
	})
}

// checkRewrite corrects an image and checks what FuzzRewrite promises.
func checkRewrite(t *testing.T, img []byte, lat, lon float64, camera bool) {
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
		if !AboutImage(err) {
			t.Fatal(err)
		}
		return
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
	before, err := ReadBytes(img)
	if err != nil {
		t.Fatalf("it was written, and can't be read: %v", err)
	}
	pos := tag.Position
	if camera {
		pos = tag.Destination.Position
		if tag.Destination.Bearing != nil || tag.Destination.Distance != nil {
			t.Fatalf("a bearing or a distance that the edit has not: %+v", tag.Destination)
		}
	} else if tag.MapDatum != "WGS-84" || tag.ProcessingMethod != "SURVEY" || tag.HPositioningError == nil || *tag.HPositioningError != 0.02 {
		t.Fatalf("the tag is %+v", tag)
	}
	if math.Abs(pos.Lat-lat) > millimetre || math.Abs(pos.Lon-lon) > millimetre {
		t.Fatalf("at %v, want %v, %v", pos, lat, lon)
	}
	// What the edit does not reach is as it was.
	rest := func(t *Tag) Tag {
		return Tag{Container: t.Container, SubjectDistance: t.SubjectDistance, Speed: t.Speed, Taken: t.Taken, Make: t.Make, Model: t.Model, Serial: t.Serial,
			Software: t.Software, ExifVersion: t.ExifVersion, Width: t.Width, Height: t.Height, Orientation: t.Orientation, Texts: t.Texts}
	}
	if a, b := rest(before), rest(tag); !reflect.DeepEqual(a, b) {
		t.Fatalf("now %+v; was %+v", b, a)
	}
}
