package geotag_test

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"log"

	"example.com/phototie/geotag"
)

// A photo of mooring bollard B-07 gets the bollard's surveyed position, and then
// its old bytes back.
func ExampleRewrite() {
	var photo bytes.Buffer
	if err := jpeg.Encode(&photo, image.NewGray(image.Rect(0, 0, 64, 48)), nil); err != nil {
		log.Fatal(err)
	}
	corrected, patch, err := geotag.Rewrite(photo.Bytes(), geotag.Edit{
		Lat: 53.341712346, Lon: -6.250398765, // WGS 84
		HPositioningError: 0.014, // metres
	})
	if err != nil {
		log.Fatal(err)
	}
	tag, err := geotag.ReadBytes(corrected)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.9f %.9f, %s, good to %.3f m\n", tag.Position.Lat, tag.Position.Lon, tag.ProcessingMethod, *tag.HPositioningError)

	old, err := patch.Reverse().ApplyBytes(corrected)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println("restored:", bytes.Equal(old, photo.Bytes()))
	// Output:
	// 53.341712346 -6.250398765, SURVEY, good to 0.014 m
	// restored: true
}

// The tag stays the camera's, and the surveyed point becomes what the photo
// shows. Where nothing would change, the patch is empty.
func ExamplePlan() {
	var photo bytes.Buffer
	if err := jpeg.Encode(&photo, image.NewGray(image.Rect(0, 0, 64, 48)), nil); err != nil {
		log.Fatal(err)
	}
	// A handheld's tag, a few metres off.
	tagged, _, err := geotag.Rewrite(photo.Bytes(), geotag.Edit{Lat: 53.34169, Lon: -6.25044, HPositioningError: 4.8, ProcessingMethod: "GPS"})
	if err != nil {
		log.Fatal(err)
	}
	bearing, distance := 41.7, 3.4
	edit := geotag.Edit{
		Meaning: geotag.CameraPosition,
		Lat:     53.341712346, Lon: -6.250398765,
		Bearing: &bearing, Distance: &distance,
	}
	patch, err := geotag.Plan(bytes.NewReader(tagged), int64(len(tagged)), edit)
	if err != nil {
		log.Fatal(err)
	}
	var out bytes.Buffer
	if err := patch.Apply(&out, bytes.NewReader(tagged)); err != nil {
		log.Fatal(err)
	}
	tag, err := geotag.ReadBytes(out.Bytes())
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("camera at %.5f %.5f\n", tag.Position.Lat, tag.Position.Lon)
	fmt.Printf("%.1f m at %.1f degrees to %.9f %.9f\n", *tag.Destination.Distance, tag.Destination.Bearing.Degrees,
		tag.Destination.Position.Lat, tag.Destination.Position.Lon)

	again, err := geotag.Plan(bytes.NewReader(out.Bytes()), int64(out.Len()), edit)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println("nothing left to do:", again.Empty())
	// Output:
	// camera at 53.34169 -6.25044
	// 3.4 m at 41.7 degrees to 53.341712346 -6.250398765
	// nothing left to do: true
}

// What a correction changes, and that it can be taken back: the patch alone is
// enough for both ways.
func ExamplePatch() {
	var photo bytes.Buffer
	if err := jpeg.Encode(&photo, image.NewGray(image.Rect(0, 0, 64, 48)), nil); err != nil {
		log.Fatal(err)
	}
	patch, err := geotag.Plan(bytes.NewReader(photo.Bytes()), int64(photo.Len()), geotag.Edit{Lat: 53.341712346, Lon: -6.250398765, HPositioningError: 0.014})
	if err != nil {
		log.Fatal(err)
	}
	for _, s := range patch.Splices {
		fmt.Printf("at byte %d: %d bytes go, %d come\n", s.Off, len(s.Old), len(s.New))
	}
	fmt.Println("it fits:", patch.Fits(bytes.NewReader(photo.Bytes()), int64(photo.Len())) == nil)
	// The result can be read without being made.
	tag, err := geotag.Read(patch.Through(bytes.NewReader(photo.Bytes())), patch.SizeAfter())
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.9f %.9f\n", tag.Position.Lat, tag.Position.Lon)
	corrected, err := patch.ApplyBytes(photo.Bytes())
	if err != nil {
		log.Fatal(err)
	}
	back, err := patch.Reverse().ApplyBytes(corrected)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println("taken back:", bytes.Equal(back, photo.Bytes()))
	// Output:
	// at byte 2: 0 bytes go, 216 come
	// it fits: true
	// 53.341712346 -6.250398765
	// taken back: true
}

// The side-car of a raw photo that has none: an XMP packet that is a file.
func ExampleNewSidecar() {
	patch, err := geotag.NewSidecar(geotag.Edit{Lat: 53.341712346, Lon: -6.250398765, HPositioningError: 0.014})
	if err != nil {
		log.Fatal(err)
	}
	file, err := patch.ApplyBytes(nil)
	if err != nil {
		log.Fatal(err)
	}
	side, err := geotag.ReadBytes(file)
	if err != nil {
		log.Fatal(err)
	}
	photo := &geotag.Tag{Container: "raw", Model: "FIELD 2"}
	tag := photo.WithSidecar(side)
	fmt.Printf("%s: %.9f %.9f by %s\n", tag.Model, tag.Position.Lat, tag.Position.Lon, tag.ProcessingMethod)
	// Output:
	// FIELD 2: 53.341712346 -6.250398765 by SURVEY
}
