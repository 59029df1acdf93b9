package dataset_test

import (
	"context"
	"fmt"
	"log"
	"testing/fstest"

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
	}, crs.OpenGrid)
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
