package cause_test

import (
	"slices"
	"testing"

	"example.com/phototie/match/sim/field"
	"example.com/phototie/match/walk"
)

// TestSlowErrorsAccuseNobody: a stretch under trees whose errors lasted for minutes, and a
// jump by the way from one point to the next, each had right links contradicted.
func TestSlowErrorsAccuseNobody(t *testing.T) {
	for _, seed := range []uint64{3000946, 9175} {
		j, res, _ := fieldJob(t, seed, field.Config{})
		for i, p := range res.Photos {
			if p.Tie != nil && p.Inference != nil && p.Tie.Point == j.Truth.Photos[i].Point && p.Inference.Link == walk.Contradicted {
				t.Errorf("seed %d: the link of %s to %s is right, and contradicted", seed, p.Name, p.Tie.Point)
			}
		}
	}
}

// TestUnsoundTrailsWinNothing: two datum shifts that undo each other once hid that errors
// are larger than stated, and a datum was named beside a fitted shift far larger than it.
func TestUnsoundTrailsWinNothing(t *testing.T) {
	for _, c := range []struct {
		seed    uint64
		blunder []string
		named   string
	}{
		{6142, nil, "accuracy-understated"},
		{4010005, []string{"neighbours-points"}, ""},
	} {
		_, _, x := fieldJob(t, c.seed, field.Config{Blunders: c.blunder})
		var names []string
		for _, f := range x.Causes {
			names = append(names, f.Name)
		}
		if c.named != "" && !slices.Contains(names, c.named) {
			t.Errorf("seed %d: %s is not among %v", c.seed, c.named, names)
		}
		for _, datum := range []string{"tag-datum", "point-datum"} {
			if slices.Contains(names, datum) {
				t.Errorf("seed %d: %s is among %v", c.seed, datum, names)
			}
		}
	}
}
