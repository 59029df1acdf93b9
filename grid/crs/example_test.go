package crs_test

import (
	"context"
	"fmt"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
)

// A tag is transformed to the grid of the survey and held against its point.
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
	// Output: EPSG:4326 (WGS 84) is geographic (degrees); give the projected system that the points are in, for instance EPSG:2157; phototie crs WORDS lists systems
}

// The null transformation is forced, against the better judgement of the package:
// 2 m for the transformation, which has those of the ensemble in it.
func ExampleOpenGrid() {
	nc, err := crs.OpenGrid("EPSG:6543", grid.OpenOptions{Only: []string{"EPSG:9774"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	placed, err := nc.ToGrid(context.Background(), []grid.Fix{{
		LatLon: grid.LatLon{Lat: 35.1, Lon: -79},
		Frame:  grid.Frame{Epoch: 2024.5},
	}})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("E %.2f N %.2f %s\n", placed[0].E, placed[0].N, nc.Grid().Unit.Symbol)
	fmt.Printf("good to %.1f m\n", *placed[0].Op.Accuracy)
	// Output:
	// E 2000000.00 N 491322.65 ftUS
	// good to 2.0 m
}

// What leads from WGS 84 to the grid, for the points of a job.
func ExampleCRS_Candidates() {
	nc, err := crs.Open("EPSG:6543")
	if err != nil {
		fmt.Println(err)
		return
	}
	points := []grid.EN{{E: 2000000, N: 600000}, {E: 2000150, N: 599920}}
	list, err := nc.Candidates(context.Background(), points, grid.Frame{Datum: "WGS-84", Epoch: 2024.5})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, c := range list {
		fmt.Printf("%v, %.2f m, for %d of %d points\n", c.Codes, *c.Accuracy, c.Chosen, len(points))
	}
	// Output:
	// [EPSG:9757 EPSG:8970], 0.01 m, for 2 of 2 points
	// [EPSG:9774], 2.00 m, for 0 of 2 points
}

// A bench mark at 4.300 m above the local datum, where the office gives 55.700 m
// for the geoid above the ellipsoid of ETRS89. By hand: h = 4.300 + 55.700 m.
func ExampleCRS_EllipsoidalHeights() {
	itm, err := crs.Open("EPSG:2157")
	if err != nil {
		fmt.Println(err)
		return
	}
	separation := 55.7
	h, err := itm.EllipsoidalHeights(context.Background(),
		[]grid.EN{{E: 719190.762, N: 734243.694}},
		[]grid.Height{{Metres: 4.3, Ref: grid.HeightRef{Surface: grid.HeightGeoid, Separation: &separation, SeparationAccuracy: 0.02, Frame: "ETRS89"}}},
		[]grid.Frame{{Datum: "ETRS89"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f m, good to %.2f m\n", h[0].Metres, *h[0].Accuracy)
	// Output: 60.000 m, good to 0.02 m
}

// Points of a job on a state plane in US survey feet that do not lie among its
// tags: what else may the coordinates be in?
func ExampleCRS_Alternatives() {
	nc, err := crs.Open("EPSG:6543")
	if err != nil {
		fmt.Println(err)
		return
	}
	list, err := nc.Alternatives(context.Background(), grid.LatLon{Lat: 35.5, Lon: -80})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, u := range grid.PlausibleUnits(nc.Grid().Unit, list) {
		fmt.Println(u.Name)
	}
	// Output:
	// US survey foot
	// metre
	// foot
}

// Coordinates in an unknown system are found by rough positions of the same points.
func ExampleSearch() {
	points := [][2]float64{{715830, 734697}, {716010, 734720}, {715905, 734880}, {716120, 734590}}
	tags := []grid.LatLon{{Lat: 53.3498, Lon: -6.2603}, {Lat: 53.3500, Lon: -6.2576}, {Lat: 53.3514, Lon: -6.2591}, {Lat: 53.3488, Lon: -6.2560}}
	clues := grid.Clues{Coordinates: points, Pairs: []int{0, 1, 2, 3}}
	for _, at := range tags {
		clues.Fixes = append(clues.Fixes, grid.Fix{LatLon: at})
	}
	found, err := crs.Search(context.Background(), clues)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(found[0].Definition, found[0].Name, "in", found[0].Unit.Name)
	// Output:
	// EPSG:2157 IRENET95 / Irish Transverse Mercator in metre
}

func ExampleLookup() {
	found, err := crs.Lookup(context.Background(), []string{"itm"}, &grid.LatLon{Lat: 53.35, Lon: -6.26})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(found[0].Definition, found[0].Name)
	// Output:
	// EPSG:2157 IRENET95 / Irish Transverse Mercator
}
