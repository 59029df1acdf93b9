package demo_test

import (
	"context"
	"fmt"
	"log"
	"math"
	"os"

	"example.com/phototie/grid"
	"example.com/phototie/match/dataset/demo"
)

// plane stands in for a projection engine: a plane that touches the globe at
// the quay. Programs pass one of package grid/crs, or their own.
type plane struct{}

const lat0, lon0, e0, n0 = 52.188, -6.680, 690256.0, 604844.0

var metresPerDegree = [2]float64{111270, 111270 * math.Cos(lat0*math.Pi/180)}

func (plane) Grid() grid.Grid { return grid.Grid{Code: "EPSG:2157", Unit: grid.Metre} }

func (plane) FromGrid(_ context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	out := make([]grid.FixPlacement, len(at))
	for i, p := range at {
		out[i].LatLon = grid.LatLon{
			Lat: lat0 + (p.N-n0)/metresPerDegree[0],
			Lon: lon0 + (p.E-e0)/metresPerDegree[1],
		}
		out[i].Frame = frames[i]
	}
	return out, nil
}

func (plane) ToGrid(_ context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	out := make([]grid.Placement, len(fixes))
	for i, f := range fixes {
		out[i].EN = grid.EN{
			E: e0 + (f.Lon-lon0)*metresPerDegree[1],
			N: n0 + (f.Lat-lat0)*metresPerDegree[0],
		}
	}
	return out, nil
}

// An example job is made in memory, with the truth about what is wrong in it,
// and is drawn only when it is written.
func Example() {
	ctx := context.Background()
	job, err := demo.PortVelland(ctx, plane{}, 1)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s: %d photos\n", job.Name, len(job.Photos))
	for _, t := range job.Planted {
		fmt.Printf("%-18s %d\n", t.Kind, len(t.Photos))
	}
	// Output:
	// Port Velland: 150 photos
	// late-run           10
	// frozen-fix         6
	// flipped-longitude  4
	// no-tag             2
	// undersized         1
	// blurred            1
}

func ExampleWrite() {
	ctx := context.Background()
	job, err := demo.PortVelland(ctx, plane{}, 1)
	if err != nil {
		log.Fatal(err)
	}
	if err := os.Mkdir("velland", 0o777); err != nil {
		log.Fatal(err)
	}
	root, err := os.OpenRoot("velland")
	if err != nil {
		log.Fatal(err)
	}
	defer root.Close()
	err = demo.Write(ctx, root, job, func(done, total int) {
		fmt.Fprintf(os.Stderr, "\r%d of %d", done, total)
	})
	if err != nil {
		log.Fatal(err)
	}
}
