//go:build cgo

package sim_test

import (
	"context"
	"strings"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/sim"
)

// Another grid than the plane, by PROJ.
func TestForeignProjection(t *testing.T) {
	itm, err := crs.Open("EPSG:2157")
	if err != nil {
		t.Fatal(err)
	}
	cfg := sim.Default()
	cfg.Projection, cfg.At = itm, grid.EN{E: 690242, N: 604873}
	cfg.DirectionShare = 1
	set := newSet(t, cfg)
	res, err := set.Check(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if n := res.Counts[match.Within]; n < 170 {
		t.Errorf("%d of 200 within: %v", n, res.Counts)
	}
	// Points in the neighbouring zone are hundreds of kilometres off.
	utm29, err := crs.Open("EPSG:32629")
	if err != nil {
		t.Fatal(err)
	}
	utm30, err := crs.Open("EPSG:32630")
	if err != nil {
		t.Fatal(err)
	}
	cfg.Projection, cfg.At = utm29, grid.EN{E: 658000, N: 5785000}
	cfg.Plants = []sim.Plant{{Kind: sim.NeighbouringZone, Other: utm30}}
	set = newSet(t, cfg)
	for i, tr := range set.Truth {
		if tr.Moved < 300e3 || tr.Moved > 500e3 {
			t.Fatalf("photo %d: its point moved by %.0f m", i, tr.Moved)
		}
	}
	// The default of the kind is of the plane only.
	cfg.Plants[0].Other = nil
	if _, err := sim.New(cfg); err == nil || !strings.Contains(err.Error(), "needs Other") {
		t.Errorf("error %v", err)
	}
	// Tags in the European datum of 1950, read as what they state: some 100 to
	// 200 m off in Ireland.
	cfg.Plants = []sim.Plant{{Kind: sim.TagDatum, Datum: "EPSG:4230"}}
	set = newSet(t, cfg)
	for i, tr := range set.Truth {
		if tr.Moved < 80 || tr.Moved > 250 {
			t.Fatalf("photo %d: moved by %.0f m", i, tr.Moved)
		}
	}
}
