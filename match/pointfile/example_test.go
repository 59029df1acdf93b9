package pointfile_test

import (
	"fmt"
	"log"
	"strings"
	"testing/fstest"

	"example.com/phototie/match/pointfile"
)

// The format and the meaning of the columns are told from the file.
func Example() {
	fsys := fstest.MapFS{"quay.geojson": {Data: []byte(`{"type": "FeatureCollection",
"crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::2157"}},
"features": [
{"type": "Feature", "properties": {"name": "B-01", "photos": "IMG_1.jpg; IMG_2.jpg"},
 "geometry": {"type": "Point", "coordinates": [714312.2, 558204.75]}},
{"type": "Feature", "properties": {"name": ""},
 "geometry": {"type": "Point", "coordinates": [714320.5, 558201.25]}}
]}`)}}
	r, err := pointfile.Open(fsys, "quay.geojson", pointfile.Options{})
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()
	fmt.Println(r.Header())
	for rec, err := range r.Records() {
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Println(rec.ID, rec.X, rec.Y, rec.Photos)
	}
	// Output:
	// quay.geojson: GeoJSON, in EPSG:2157; id from property "name", photos from property "photos"
	// B-01 714312.2 558204.75 [IMG_1.jpg IMG_2.jpg]
	// quay.geojson:6: feature 2: the point has no id; give the point an id
}

// Without a header, the box around the photos' tags tells easting from northing.
func ExampleLayout() {
	const text = "B-01 558204,75 714312,2 4,21 bollard\nB-02 558201,25 714320,5 4,25 bollard\n"
	r, err := pointfile.Open(fstest.MapFS{"quay.txt": {Data: []byte(text)}}, "quay.txt", pointfile.Options{
		East:  pointfile.Range{Min: 713000, Max: 716000},
		North: pointfile.Range{Min: 557000, Max: 560000},
	})
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()
	l := r.Header().Layout
	fmt.Println(l)
	fmt.Println(strings.Join(l.Columns, " "))
	// Output:
	// separated by blanks, decimal comma, no header
	// id northing easting height description
}

// What an export calls its columns can be looked up before the file is read.
func ExampleHeadings() {
	known := pointfile.Headings()
	for _, h := range []string{"Point ID", "North", "Elev.", "Remark"} {
		fmt.Printf("%s: %q\n", h, known[pointfile.Key(h)])
	}
	// Output:
	// Point ID: "id"
	// North: "northing"
	// Elev.: "height"
	// Remark: ""
}
