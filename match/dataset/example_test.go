package dataset_test

import (
	"bytes"
	"context"
	"fmt"
	"log"
	"testing/fstest"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match/dataset"
)

// A dataset can lie in any file system. This one has points in ground
// coordinates: scaled about a project point by a combined factor.
func Example() {
	d, err := dataset.OpenFS(fstest.MapFS{
		"phototie.toml": {Data: []byte(`
[grid]
crs = "EPSG:6543"
[site]
name = "Tallow Creek ground"
[site.ground_scale]
origin = { e = 1012600.0, n = 702250.0 }
site_origin = { e = 12600.0, n = 2250.0 }
combined_factor = 0.99979872
[points]
file = "points.txt"
`)},
		"points.txt": {Data: []byte("Pt;Easting;Northing\nT11;12410,091;2319,207\n")},
	}, nil, crs.OpenGrid)
	if err != nil {
		log.Fatal(err)
	}
	defer d.Close()
	points, _, reading, err := d.Points(context.Background())
	if err != nil {
		log.Fatal(err)
	}
	own := d.Projection().Grid()
	fmt.Println(reading.Points.Layout)
	fmt.Printf("%s on %s: E %.3f N %.3f %s\n", points[0].ID, own.Name, points[0].E, points[0].N, own.Unit.Symbol)
	// Output:
	// separated by semicolons, decimal comma, a header
	// T11 on Tallow Creek ground: E 12410.091 N 2319.207 ftUS
}

// The settings of a set need not be a file: here a program has them, and the photos of a
// bucket, say.
func ExampleOpenFS() {
	photo, _, err := geotag.Rewrite(geotagtest.Plain(), geotag.Edit{Lat: 52.188271, Lon: -6.680190, HPositioningError: 3, ProcessingMethod: "GPS"})
	if err != nil {
		log.Fatal(err)
	}
	bucket := fstest.MapFS{
		"photos/1.jpg": {Data: photo},
		"points.csv":   {Data: []byte("id,easting,northing\nB01,690242.043,604873.007\nB02,690262.120,604878.790\n")},
		"links.csv":    {Data: []byte("photo,point\n1.jpg,B01\n")},
	}
	s := dataset.DefaultSettings()
	s.Grid.CRS, s.Points.File, s.Links.File = "EPSG:2157", "points.csv", "links.csv"
	var text bytes.Buffer
	if err := dataset.WriteSettings(&text, s); err != nil {
		log.Fatal(err)
	}
	d, err := dataset.OpenFS(bucket, text.Bytes(), crs.OpenGrid)
	if err != nil {
		log.Fatal(err)
	}
	defer d.Close()
	job, err := d.Check(context.Background(), dataset.CheckOptions{})
	if err != nil {
		log.Fatal(err)
	}
	for _, p := range job.Photos {
		fmt.Printf("%s of %s: %s, %.1f m\n", p.Name, p.Tie.Point, p.Verdict, p.Discrepancy.Distance)
	}
	// Output: photos/1.jpg of B01: within, 1.3 m
}
