package cause_test

import (
	"slices"
	"testing"

	"example.com/phototie/match/sim/field"
)

// Blunders of links and of feet, on jobs of the second generator: each job in which one
// could be told gets its name and no neighbour's, on its own photos, with a score above
// the bar beside all others. The seeds are for study; what the rates are on others
// stands in the package's doc.
func TestNamesWhatItShouldAndNotItsNeighbours(t *testing.T) {
	inFull(t)
	last := uint64(9304)
	if full() {
		last = 9320
	}
	for _, c := range []struct {
		blunder string
		missed  int // of those that could be told
		// precise says that the photos named have to be those concerned: a list that was
		// renumbered puts others out by a point too.
		precise bool
		// but is the job that has another's name beside its own, in which all links of a camera
		// that went up a straight street are a point late: a shift by a point explains it too.
		but uint64
	}{
		{"late-run", 0, true, 0},
		{"early-run", 0, true, 0},
		{"swapped-ties", 1, true, 0},
		{"wrong-tie", 1, true, 0},
		{"renumbered-points", 0, false, 9301},
		{"wrong-feet", 2, true, 0},
	} {
		t.Run(c.blunder, func(t *testing.T) {
			told, missed := 0, 0
			for seed := uint64(9301); seed <= last; seed++ {
				j, _, x := fieldJob(t, seed, field.Config{Photos: 60, Blunders: []string{c.blunder}})
				p := j.Truth.Plants[0]
				named := false
				for _, f := range x.Causes {
					switch {
					case slices.Contains([]string{"accuracy-understated", "standoff-understated"}, f.Name):
						continue
					case seed == c.but && f.Name == "common-shift":
						continue
					case !slices.Contains(p.Causes, f.Name):
						t.Errorf("seed %d: %s: %s", seed, f.Name, f.Summary)
						continue
					}
					named = true
					if !(f.Weight.Score > 5) {
						t.Errorf("seed %d: %s has a score of %.1f", seed, f.Name, f.Weight.Score)
					}
					for _, name := range f.Photos {
						if c.precise && !slices.Contains(p.Photos, name) {
							t.Errorf("seed %d: %s concerns %s", seed, f.Name, name)
						}
					}
				}
				if p.Detectable {
					told++
					if !named {
						missed++
						t.Logf("seed %d is missed", seed)
					}
				}
			}
			if missed > c.missed {
				t.Errorf("%d of %d missed", missed, told)
			}
		})
	}
}
