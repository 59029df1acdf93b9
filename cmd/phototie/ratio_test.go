package main

import (
	"slices"
	"testing"
	"time"

	"github.com/twpayne/go-proj/v11"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
)

// ratio runs ours and its reference in turns, so that what else the machine does
// hits both, and reports the medians, their ratio and the goal for it.
func ratio(b *testing.B, goal float64, reference, ours func() error) {
	b.Helper()
	var refs, owns []time.Duration
	timed := func(f func() error) time.Duration {
		start := time.Now()
		if err := f(); err != nil {
			b.Fatal(err)
		}
		return time.Since(start)
	}
	for b.Loop() {
		refs = append(refs, timed(reference))
		owns = append(owns, timed(ours))
	}
	median := func(d []time.Duration) float64 {
		slices.Sort(d)
		return d[len(d)/2].Seconds() * 1000
	}
	ref, own := median(refs), median(owns)
	b.ReportMetric(0, "ns/op") // of both together: of no use
	b.ReportMetric(own, "ours-ms")
	b.ReportMetric(ref, "reference-ms")
	b.ReportMetric(own/ref, "ratio")
	b.ReportMetric(goal, "goal")
}

// Ratio holds the speeds that are promised against what they are promised by.
// make bench prints them as a table.
func BenchmarkRatio(b *testing.B) {
	b.Run("transform/proj-array", ratioTransform)
}

// ratioTransform: carrying fixes onto the grid, with the choice of an operation
// for each, against one array call of PROJ with the operation chosen already.
func ratioTransform(b *testing.B) {
	const n = 20000
	c, err := crs.Open("EPSG:2157")
	if err != nil {
		b.Fatal(err)
	}
	fixes := make([]grid.Fix, n)
	for i := range fixes {
		fixes[i] = grid.Fix{
			LatLon: grid.LatLon{Lat: 52 + 3*float64(i)/n, Lon: -9 + 3*float64(i%100)/100},
			Frame:  grid.Frame{Datum: "WGS-84", Epoch: 2024 + float64(i)/n},
		}
	}
	placed, err := c.ToGrid(b.Context(), fixes)
	if err != nil || placed[0].Err != nil {
		b.Fatal(err, placed[0].Err)
	}
	op, err := proj.NewContext().New(placed[0].Op.Definition)
	if err != nil {
		b.Fatal(err)
	}
	coords := make([]proj.Coord, n)
	ratio(b, 1/0.95, func() error {
		for i, f := range fixes {
			coords[i] = proj.Coord{f.Lat, f.Lon, 0, f.Epoch}
		}
		return op.TransArray(proj.DirectionFwd, coords)
	}, func() error {
		_, err := c.ToGrid(b.Context(), fixes)
		return err
	})
}
