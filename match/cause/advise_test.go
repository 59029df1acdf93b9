package cause_test

import (
	"strings"
	"testing"

	"example.com/phototie/match"
	"example.com/phototie/match/sim/field"
)

// TestOneRemedy: there is one thing to do about the tag and the link of a photo, that of
// its cause where one concerns it; and a point to look for is within the budget of the tag.
func TestOneRemedy(t *testing.T) {
	inFull(t)
	advised := map[string]int{}
	for _, blunder := range []string{"late-run", "swapped-ties", "frozen-fix", "flipped-longitude", "renumbered-points"} {
		_, res, x := fieldJob(t, 9302, field.Config{Photos: 80, Blunders: []string{blunder}})
		remedies := map[string]string{}
		photos := map[string]*match.PhotoResult{}
		for i := range res.Photos {
			photos[res.Photos[i].Name] = &res.Photos[i]
		}
		for _, f := range x.Advise(res.Findings()) {
			switch f.Code {
			case match.FindingGross, match.FindingOver, match.FindingDoubted, match.FindingContradicted:
			default:
				continue
			}
			advised[string(f.Code)]++
			if old, ok := remedies[f.Photo]; ok && old != f.Remedy {
				t.Errorf("%s: %s: %q and %q", blunder, f.Photo, old, f.Remedy)
			}
			remedies[f.Photo] = f.Remedy
			p := photos[f.Photo]
			if _, other, ok := strings.Cut(f.Remedy, "does it show "); ok {
				if n := p.Nearest; other != n.Point+" instead?" || n.Distance*p.Discrepancy.Unit.Metres > p.Allowance.Threshold {
					t.Errorf("%s: %s: %q, and the nearest point is %+v, allowed %.1f m", blunder, f.Photo, f.Remedy, n, p.Allowance.Threshold)
				}
			}
		}
		for _, c := range x.Causes {
			for _, name := range c.Photos {
				if r, ok := remedies[name]; ok && c.Moves && r != c.Remedy {
					t.Errorf("%s: %s has %q, and %s %q", blunder, name, r, c.Name, c.Remedy)
				}
			}
		}
	}
	if len(advised) < 3 {
		t.Errorf("too few kinds of findings to tell: %v", advised)
	}
}
