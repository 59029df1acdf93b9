package sim_test

import (
	"context"
	"testing"

	"example.com/phototie/match"
	"example.com/phototie/match/sim"
)

func TestClean(t *testing.T) {
	within, judged := 0, 0
	for seed := range uint64(50) {
		cfg := sim.Default()
		cfg.Seed = seed
		set, err := sim.New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		res, err := set.Check(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		within += res.Counts[match.Within]
		judged += len(set.Photos)
	}
	if share := float64(within) / float64(judged); share < 0.94 || share > 0.96 {
		t.Errorf("%.2f %% of %d honest photos are within, want 95 %%", 100*share, judged)
	}
}
