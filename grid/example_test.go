package grid_test

import (
	"context"
	"errors"
	"fmt"

	"example.com/phototie/grid"
)

// quay is the least that Compare asks of a projection: a plane in metres. The
// PROJ-backed one in package grid/crs does the rest.
type quay struct{}

func (quay) Grid() grid.Grid { return grid.Grid{Name: "Port Velland quay", Unit: grid.Metre} }

func (quay) ToGrid(context.Context, []grid.Fix) ([]grid.Placement, error) {
	return nil, errors.New("the quay grid has no geographic frame")
}

func (quay) FromGrid(context.Context, []grid.EN, []grid.Frame) ([]grid.FixPlacement, error) {
	return nil, errors.New("the quay grid has no geographic frame")
}

// A tag is held against the bollard that the photo shows.
func Example() {
	tag := grid.EN{E: 712344.10, N: 731020.55}
	bollard := grid.EN{E: 712346.874, N: 731018.592}
	d, err := grid.Compare(quay{}, tag, bollard, grid.CompareOptions{Resolution: 0.01})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("dE %.3f dN %.3f\n", d.DE, d.DN)
	fmt.Printf("%.3f %s at %s (%s)\n", d.Distance, d.Unit.Symbol, d.Bearing.DMS(0), d.Bearing.Quadrant(0))
	// Output:
	// dE -2.774 dN 1.958
	// 3.395 m at 305°12'57" (N 54°47'03" W)
}

func ExampleParseQuadrant() {
	b, err := grid.ParseQuadrant("N 54-42-38.82 W")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(b)
	// Output: 305°17'21.18"
}
