package intake

import (
	"testing"

	"example.com/phototie/grid"
)

// A reading in the foot that is not the system's own is asked about where the system's
// own foot puts the points at the tags too, some metres off; a system without a known
// operation is offered with those that have one.
func TestRivals(t *testing.T) {
	reading := func(u grid.Unit, own bool, near, apart float64) grid.RankedSystem {
		return grid.RankedSystem{Definition: "EPSG:6420", Unit: u, OwnUnit: own, Near: near, Apart: apart}
	}
	for _, tt := range []struct {
		name  string
		list  []grid.RankedSystem
		asks  bool
		count int
	}{
		{"both feet", []grid.RankedSystem{reading(grid.Foot, false, 1, 0), reading(grid.USSurveyFoot, true, 0.95, 3.9)}, true, 1},
		{"the other puts few at a point", []grid.RankedSystem{reading(grid.Foot, false, 1, 0), reading(grid.USSurveyFoot, true, 0.6, 3.9)}, false, 0},
		{"far apart", []grid.RankedSystem{reading(grid.Foot, false, 1, 0), reading(grid.USSurveyFoot, true, 1, 40)}, false, 1},
		{"the other is not the system's own", []grid.RankedSystem{reading(grid.Foot, false, 1, 0), reading(grid.USSurveyFoot, false, 1, 3.9)}, false, 1},
		{"metres", []grid.RankedSystem{reading(grid.Metre, false, 1, 0), reading(grid.USSurveyFoot, true, 1, 3.9)}, false, 1},
	} {
		r := &reader{ranked: tt.list}
		if asks, n := r.otherFoot(), len(r.rivals()); asks != tt.asks || n != tt.count {
			t.Errorf("%s: asks %v, %d rivals", tt.name, asks, n)
		}
	}
}
