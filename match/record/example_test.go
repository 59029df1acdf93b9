package record_test

import (
	"bytes"
	"context"
	"fmt"
	"log"
	"os"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/record"
)

// A record of one bollard and its photo, from values in memory. A program that
// has the photos as files gives record.Thumbnails their folder.
func Example() {
	ctx := context.Background()
	proj := quay{grid.Metre} // a projection of the program's own; package grid/crs has one
	herr := 3.1
	tag := &geotag.Tag{Position: &geotag.Position{Lat: 52.18831, Lon: -6.68021, Step: 1e-7}, HPositioningError: &herr}
	res, err := match.Check(ctx, proj,
		[]match.Point{{ID: "BO-01", EN: grid.EN{E: 0.4, N: 0.2}, Code: "BOL", Desc: "bollard"}},
		[]match.Link{{Photo: "photos/0001.jpg", Point: "BO-01"}},
		match.All([]match.Photo{{Name: "photos/0001.jpg", Tag: tag}}), match.Options{})
	if err != nil {
		log.Fatal(err)
	}

	var page bytes.Buffer
	err = record.Write(ctx, &page, record.Input{
		Title:      "Port Velland, quay furniture survey",
		Result:     res,
		Geographic: proj.latLon,
		Thumbnail:  record.Thumbnails(os.DirFS("no-such-job"), record.ThumbnailOptions{}),
	})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(bytes.Contains(page.Bytes(), []byte("The one photo is within the budget.")))
	fmt.Println(bytes.Contains(page.Bytes(), []byte("No picture: no such file")))
	// Output:
	// true
	// true
}
