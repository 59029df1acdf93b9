package match_test

import (
	"context"
	"slices"
	"testing"

	"example.com/phototie/match"
	"example.com/phototie/match/sim"
	"example.com/phototie/match/walk"
)

// TestCheckOnWalks: over simulated walks of which a third of the links was
// forgotten, ties that are inferred are right as often as their threshold says,
// and of the late runs beside them the links are contradicted.
func TestCheckOnWalks(t *testing.T) {
	var inferred, right, untied, late, contradicted int
	for seed := range 20 {
		c := sim.Default()
		c.Seed = uint64(910_000 + seed)
		c.Spacing = 10
		c.Cameras = 2
		c.NoLinkShare, c.TextShare, c.NoPointShare = 0.33, 0.2, 0.02
		c.Plants = []sim.Plant{{Kind: sim.LateRun, Run: 8}}
		s, err := sim.New(c)
		if err != nil {
			t.Fatal(err)
		}
		opt := s.Options()
		opt.Ties.InferUntied = true
		res, err := match.Check(context.Background(), s.Projection, s.Points, s.Links, match.All(s.Photos), opt)
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range res.Photos {
			tr := s.Truth[i]
			switch {
			case tr.Linked >= 0:
				if slices.Contains(tr.Planted, sim.LateRun) {
					late++
					if r.Inference.Link == walk.Contradicted && r.Inference.Point == s.Points[tr.Point].ID {
						contradicted++
					}
				} else if r.Inference.Link == walk.Contradicted {
					t.Logf("seed %d: the right link of %s is contradicted: %q", c.Seed, r.Name, r.Inference.Evidence)
				}
			case r.Tie == nil:
				untied++
			default:
				inferred++
				if tr.Point >= 0 && r.Tie.Point == s.Points[tr.Point].ID {
					right++
				}
			}
		}
	}
	t.Logf("%d of %d inferred ties are right, %d photos were left untied; %d of %d late links contradicted", right, inferred, untied, contradicted, late)
	if inferred < 1000 || 100*right < 95*inferred || untied == 0 {
		t.Errorf("%d of %d inferred ties are right, %d photos were left untied", right, inferred, untied)
	}
	if 10*contradicted < 8*late {
		t.Errorf("%d of %d late links contradicted", contradicted, late)
	}
}
