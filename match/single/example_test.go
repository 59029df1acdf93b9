package single_test

import (
	"bytes"
	"context"
	"fmt"
	"log"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/single"
)

// One photo of bollard B01: how far off its tag is, and the photo with the surveyed
// position.
func Example() {
	itm, err := crs.Open("EPSG:2157") // Irish Transverse Mercator
	if err != nil {
		log.Fatal(err)
	}
	photo := handheld() // a JPEG image
	b01 := match.Point{ID: "B01", EN: grid.EN{E: 690242.043, N: 604873.007}}

	res, err := single.Check(context.Background(), itm, "IMG_1.jpg", bytes.NewReader(photo), int64(len(photo)), b01, single.Options{})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s, %.1f m off, bearing %.0f\n", res.Verdict, res.Discrepancy.Distance, res.Discrepancy.Bearing.Degrees())
	var corrected bytes.Buffer
	if err := res.Write(&corrected); err != nil {
		log.Fatal(err)
	}
	fmt.Println(len(res.Patch.Splices), "places changed")
	// Output:
	// within, 1.3 m off, bearing 45
	// 2 places changed
}

// handheld is a photo with a tag of 3 m.
func handheld() []byte {
	img, _, err := geotag.Rewrite(geotagtest.Plain(), geotag.Edit{Lat: 52.188271, Lon: -6.680190, HPositioningError: 3, ProcessingMethod: "GPS"})
	if err != nil {
		log.Fatal(err)
	}
	return img
}
