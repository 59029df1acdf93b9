package crs_test

import (
	"context"
	"fmt"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
)

// A tag is carried onto the grid of the survey and held against its point.
func Example() {
	itm, err := crs.Open("EPSG:2157")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(itm.Grid().Name, "in", itm.Grid().Unit.Name)

	placed, err := itm.ToGrid(context.Background(), []grid.Fix{{
		LatLon: grid.LatLon{Lat: 53.3450, Lon: -6.2100},
		Frame:  grid.Frame{Datum: "WGS-84", Epoch: 2026.4},
	}})
	if err != nil {
		fmt.Println(err)
		return
	}
	tag := placed[0]
	if tag.Err != nil {
		fmt.Println(tag.Err)
		return
	}
	fmt.Printf("E %.1f N %.1f, good to %.1f m\n", tag.E, tag.N, *tag.Op.Accuracy)

	bollard := grid.EN{E: 719190.762, N: 734243.694}
	d, err := grid.Compare(itm, tag.EN, bollard, grid.CompareOptions{Resolution: 0.01})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f m at %.0f degrees\n", d.Distance, d.Bearing.Degrees())
	// Output:
	// IRENET95 / Irish Transverse Mercator in metre
	// E 719188.0 N 734245.6, good to 0.1 m
	// 3.4 m at 305 degrees
}

func ExampleOpen_errors() {
	_, err := crs.Open("EPSG:4326")
	fmt.Println(err)
	// Output: EPSG:4326 (WGS 84) is geographic (degrees); give the projected system that the points are in, for instance EPSG:2157
}
