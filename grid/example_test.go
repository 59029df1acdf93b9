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

// flat is a projection whose heights are ellipsoidal, 50 m above its geoid; package
// grid/crs has real ones.
type flat struct{ grid.Projection }

func (flat) EllipsoidalHeights(_ context.Context, _ []grid.EN, heights []grid.Height, _ []grid.Frame) ([]grid.HeightPlacement, error) {
	return lifted(heights), nil
}

func (flat) FixHeights(_ context.Context, _ []grid.Fix, heights []grid.Height) ([]grid.HeightPlacement, error) {
	return lifted(heights), nil
}

func lifted(heights []grid.Height) []grid.HeightPlacement {
	out := make([]grid.HeightPlacement, len(heights))
	for i, h := range heights {
		switch h.Ref.Surface {
		case grid.HeightEllipsoid:
			out[i].Metres = h.Metres
		case grid.HeightGeoid:
			out[i].Metres = h.Metres + 50
		default:
			out[i].Err = &grid.HeightError{Ref: h.Ref, Reason: grid.ErrHeightUnknown, Message: "what it counts from is not stated"}
		}
	}
	return out
}

// A tag 56.1 m above the ellipsoid and a point levelled to 4.3 m, where the geoid
// is 50 m above the ellipsoid. By hand: 56.1 - (4.3 + 50) = 1.8 m. The same tag
// without a reference is not compared.
func ExampleCompareHeights() {
	point := grid.Height{Metres: 4.3, Ref: grid.HeightRef{Surface: grid.HeightGeoid}}
	result, err := grid.CompareHeights(context.Background(), flat{}, []grid.HeightPair{
		{Tag: grid.Height{Metres: 56.1, Ref: grid.HeightRef{Surface: grid.HeightEllipsoid}}, Point: point},
		{Tag: grid.Height{Metres: 56.1}, Point: point},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, d := range result {
		if d.Err != nil {
			fmt.Println(d.Err)
			continue
		}
		fmt.Printf("dH %+.1f m\n", d.DH)
	}
	// Output:
	// dH +1.8 m
	// height of the tag: what it counts from is not stated
}
