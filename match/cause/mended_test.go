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
	inFull(t)
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
	inFull(t)
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

// TestNamedAllTheSame: blunders that went unnamed though little else was wrong: a tower's
// position that states itself to be coarse, tags rounded to a step that nobody had listed,
// two links exchanged that were called two wrong ones, and a wrong link where the standoff
// was not as set.
func TestNamedAllTheSame(t *testing.T) {
	inFull(t)
	for _, c := range []struct {
		seed           uint64
		blunder, named string
	}{
		{5004, "tower-position", "repeated-tag"},
		{5014, "rounded-tags", "rounded-tags"},
		{5091, "swapped-ties", "swapped-ties"},
		{5009, "swapped-ties", "swapped-ties"},
		{5005, "wrong-tie", "wrong-tie"},
	} {
		_, _, x := fieldJob(t, c.seed, field.Config{Blunders: []string{c.blunder}})
		if len(x.Causes) != 1 || x.Causes[0].Name != c.named {
			t.Errorf("seed %d: %s was planted, %d causes were found: %+v", c.seed, c.blunder, len(x.Causes), x.Causes)
		}
	}
}

// TestAllOfAFrozenRun: the photos of the first minute of a frozen run carry no fix of their
// own either.
func TestAllOfAFrozenRun(t *testing.T) {
	inFull(t)
	j, _, x := fieldJob(t, 5013, field.Config{Blunders: []string{"frozen-fix"}})
	for _, f := range x.Causes {
		if f.Name != "frozen-fix" {
			continue
		}
		for _, p := range j.Truth.Plants[0].Photos {
			if !slices.Contains(f.Photos, p) {
				t.Errorf("%s is not among the photos of the run", p)
			}
		}
		return
	}
	t.Error("the run is not named")
}

// TestConfirmedLinksAreNotExchanged: fixes that lagged behind a crew on points 5 m apart
// lay at the points before, and a confirmed visit was said to have the next one's links.
func TestConfirmedLinksAreNotExchanged(t *testing.T) {
	if _, _, x := fieldJob(t, 26, field.Config{}); len(x.Causes) > 0 {
		t.Errorf("an honest job has %+v", x.Causes)
	}
}
