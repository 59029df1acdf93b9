package crs_test

import (
	"context"
	"strings"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
)

// What each question should find first: names and areas are those of the EPSG
// registry.
func TestLookup(t *testing.T) {
	for _, tt := range []struct {
		words string
		near  *grid.LatLon
		first string
	}{
		{"oregon north ft", nil, "EPSG:6559"},
		{"oregon north ft", &grid.LatLon{Lat: 45.5, Lon: -122.6}, "EPSG:6559"},
		{"itm", &grid.LatLon{Lat: 53.3, Lon: -6.2}, "EPSG:2157"},
		{"utm 29", &grid.LatLon{Lat: 53.3, Lon: -6.6}, "EPSG:2158"},
		{"2157", nil, "EPSG:2157"},
		{"EPSG:27700", nil, "EPSG:27700"},
		{"california zone 3 ftUS 2011", nil, "EPSG:6420"},
		{"lambert-93", nil, "EPSG:9794"},
	} {
		got, err := crs.Lookup(context.Background(), strings.Fields(tt.words), tt.near)
		if err != nil || len(got) == 0 {
			t.Errorf("%q: %d systems, %v", tt.words, len(got), err)
			continue
		}
		if got[0].Definition != tt.first {
			t.Errorf("%q: %s %s first, want %s", tt.words, got[0].Definition, got[0].Name, tt.first)
			for i, g := range got[:min(6, len(got))] {
				t.Logf("  %d %s %s (%s), %s", i, g.Definition, g.Name, g.Unit.Symbol, g.Area.Name)
			}
		}
	}
	got, err := crs.Lookup(context.Background(), []string{"utm", "29q"}, nil)
	if err != nil || len(got) != 0 {
		t.Errorf("utm 29q: %d systems, %v", len(got), err)
	}
}
