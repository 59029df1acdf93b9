package sim_test

import (
	"context"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"

	"example.com/phototie/match"
	"example.com/phototie/match/sim"
)

// Honest sets are judged honestly: 95 % within, none gross but by chance.
func TestCleanIsWithin(t *testing.T) {
	if testing.Short() {
		t.Skip("statistics take a while")
	}
	const sets = 60
	within, judged, gross := 0, 0, 0
	var shares []float64
	for seed := range uint64(sets) {
		cfg := sim.Default()
		cfg.Seed = seed
		res, err := newSet(t, cfg).Check(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		within += res.Counts[match.Within]
		judged += len(res.Photos)
		gross += res.Counts[match.Gross]
		shares = append(shares, float64(res.Counts[match.Within])/float64(len(res.Photos)))
	}
	share := float64(within) / float64(judged)
	// The noise correlates, so that the sets scatter more than a binomial; what
	// they scatter by says how well the mean is known.
	spread := stat.StdDev(shares, nil)
	if tolerance := 4 * spread / math.Sqrt(sets); math.Abs(share-0.95) > tolerance+0.001 {
		t.Errorf("%.2f %% of honest photos are within, want 95 %% (+- %.2f)", 100*share, 100*tolerance)
	}
	if binomial := math.Sqrt(0.95 * 0.05 / 200); spread < 1.2*binomial {
		t.Errorf("the share within scatters by %.4f from set to set, hardly more than independent photos do (%.4f)", spread, binomial)
	}
	if gross > 2 {
		t.Errorf("%d gross photos in %d honest sets", gross, sets)
	}
}

// steady is noise without swing, bursts and drift.
func steady() sim.Config {
	cfg := sim.Default()
	cfg.Noise = sim.Noise{Radius95: 5, SwingTime: time.Minute, Time: 150 * time.Second, DriftTime: time.Hour,
		MultipathFactor: 1, MultipathTime: time.Minute, Stated: sim.StatedNone}
	return cfg
}

// errs returns the errors of many photos, east and north, with their sigmas and
// the time since the photo before (0 for the first of a set).
func errs(t *testing.T, cfg sim.Config, sets int) (v []match.Vector, sigma, since []float64) {
	t.Helper()
	for seed := range uint64(sets) {
		cfg.Seed = 1000 + seed
		set := newSet(t, cfg)
		for i, tr := range set.Truth {
			v = append(v, tr.Noise)
			sigma = append(sigma, tr.Sigma)
			if i == 0 {
				since = append(since, 0)
			} else {
				since = append(since, tr.Taken.Sub(set.Truth[i-1].Taken).Seconds())
			}
		}
	}
	return v, sigma, since
}

// The radius of steady noise is what Radius95 says, and it correlates along time
// as Time and DriftShare say.
func TestNoise(t *testing.T) {
	for _, c := range []struct {
		name       string
		share      float64 // of drift
		fast, slow float64 // correlation times in seconds
	}{
		{"steady", 0, 150, 1200},
		{"drift", 0.5, 150, 1200},
	} {
		cfg := steady()
		cfg.Noise.DriftShare, cfg.Noise.DriftTime = c.share, 20*time.Minute
		v, sigma, since := errs(t, cfg, 200)
		inside, product, square, expected, pairs := 0, 0.0, 0.0, 0.0, 0.0
		for i, d := range v {
			if math.Abs(sigma[i]-5/2.4477) > 1e-4 { // circular-error tables
				t.Fatalf("sigma %v", sigma[i])
			}
			if math.Hypot(d.E, d.N) <= 5 {
				inside++
			}
			if since[i] > 0 {
				product += d.E*v[i-1].E + d.N*v[i-1].N
				square += d.E*d.E + d.N*d.N
				expected += (1-c.share)*math.Exp(-since[i]/c.fast) + c.share*math.Exp(-since[i]/c.slow)
				pairs++
			}
		}
		if share := float64(inside) / float64(len(v)); math.Abs(share-0.95) > 0.01 {
			t.Errorf("%s: %.2f %% within the 95 %% radius", c.name, 100*share)
		}
		if got, want := product/square, expected/pairs; math.Abs(got-want) > 0.01 {
			t.Errorf("%s: neighbours correlate by %.3f, want %.3f", c.name, got, want)
		}
	}
}

// Bursts take the share of time that they should, in spells of the length that
// they should, and the error is then as much larger.
func TestMultipath(t *testing.T) {
	cfg := steady()
	cfg.Noise.MultipathShare, cfg.Noise.MultipathFactor, cfg.Noise.MultipathTime = 0.2, 4, 5*time.Minute
	v, sigma, since := errs(t, cfg, 200)
	quiet := 5 / 2.4477
	bursts, ends, quietSum, burstSum, spell := 0.0, 0.0, 0.0, 0.0, 0.0
	for i := range v {
		d2 := (v[i].E*v[i].E + v[i].N*v[i].N) / 2
		switch {
		case math.Abs(sigma[i]-quiet) < 1e-4:
			quietSum += d2
			if since[i] > 0 && sigma[i-1] > 2*quiet {
				ends++
			}
		case math.Abs(sigma[i]-4*quiet) < 1e-3:
			burstSum += d2
			bursts++
			spell += since[i]
		default:
			t.Fatalf("sigma %v", sigma[i])
		}
	}
	n := float64(len(v))
	if math.Abs(bursts/n-0.2) > 0.02 {
		t.Errorf("%.1f %% of photos in bursts, want 20 %%", 100*bursts/n)
	}
	if ratio := math.Sqrt(burstSum / bursts / (quietSum / (n - bursts))); math.Abs(ratio-4) > 0.3 {
		t.Errorf("bursts are %.2f times as noisy, want 4", ratio)
	}
	// Seen every half minute or so, a spell between two looks is missed.
	if mean := spell / ends; mean < 240 || mean > 400 {
		t.Errorf("a burst lasts %.0f s, want 300", mean)
	}
}

// What tags state of their own error.
func TestStated(t *testing.T) {
	cfg := sim.Default()
	for _, stated := range []sim.Stated{sim.StatedTrue, sim.StatedFlat, sim.StatedNone} {
		cfg.Noise.Stated = stated
		set := newSet(t, cfg)
		differ := false
		for i, p := range set.Photos {
			h, sigma := p.Tag.HPositioningError, set.Truth[i].Sigma
			if (h == nil) != (stated == sim.StatedNone) {
				t.Fatalf("%s: the tag states %v", stated, h)
			}
			if h == nil {
				continue
			}
			differ = differ || *h != *set.Photos[0].Tag.HPositioningError
			// 1.5152: the first row of the table of thresholds, 68.27 %.
			if stated == sim.StatedTrue && math.Abs(*h-1.5152*sigma) > 1e-3*sigma {
				t.Errorf("states %v with a sigma of %v", *h, sigma)
			}
			// 5 m at 95 % are 3.1 m at 68.27 %.
			if stated == sim.StatedFlat && *h != 3.1 {
				t.Errorf("states %v, want 3.1", *h)
			}
		}
		if differ != (stated == sim.StatedTrue) {
			t.Errorf("%s: the figures differ: %v", stated, differ)
		}
	}
}
