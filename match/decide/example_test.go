package decide_test

import (
	"fmt"

	"example.com/phototie/match/decide"
)

func ExampleRetakeFormat() {
	format, err := decide.RetakeFormat("again.gpx")
	fmt.Println(format, err)
	_, err = decide.RetakeFormat("again.doc")
	fmt.Println(err)
	// Output:
	// gpx <nil>
	// again.doc: end its name in .html, .csv, .gpx or .geojson
}
