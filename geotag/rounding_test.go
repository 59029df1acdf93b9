package geotag_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"example.com/phototie/geotag"
)

// The steps are what positions are rounded to by hand: common practice, no source.
func TestRoundSteps(t *testing.T) {
	steps := geotag.RoundSteps()
	if !slices.IsSortedFunc(steps, func(a, b float64) int {
		if a > b {
			return -1
		}
		return 1
	}) {
		t.Errorf("not the coarsest first, or one twice: %v", steps)
	}
	for name, want := range map[string]float64{
		"a tenth of a degree": 0.1, "a minute": 1. / 60, "half a minute": 1. / 120, "ten seconds": 1. / 360,
		"a second": 1. / 3600, "a tenth of a minute": 1. / 600, "four decimals": 1e-4, "half of three": 5e-4,
	} {
		if !slices.ContainsFunc(steps, func(s float64) bool { return math.Abs(s/want-1) < 1e-9 }) {
			t.Errorf("%s is not among the steps", name)
		}
	}
	steps[0] = 0 // the caller's own
	if geotag.RoundSteps()[0] == 0 {
		t.Error("what one caller does to the steps the next one sees")
	}
}

func TestCoarseness(t *testing.T) {
	for _, c := range []struct {
		name       string
		lat, lon   float64
		step, want float64
	}{
		{"as written", 52.1234567, 4.7654321, 1e-7, 1e-7},
		{"a second", 52 + 11./60 + 7./3600, 4 + 31./60 + 13./3600, 1e-7, 1. / 3600},
		{"a second, written with six decimals", 52.185278, 4.520278, 1e-6, 1. / 3600},
		{"three decimals", 52.123, -4.767, 1e-7, 1e-3},
		{"one axis alone is not rounded", 52.123, 4.7654321, 1e-7, 1e-7},
		{"digits that are coarser than all steps", 52, 5, 1, 1},
		{"digits that are not much finer than a fifth of a second", 52.00006, 4.00006, 1e-5, 1e-5},
		{"digits of unknown step", 52.1234567, 4.7654321, 0, 0},
	} {
		p := geotag.Position{Lat: c.lat, Lon: c.lon, Step: c.step}
		if got := p.Coarseness(); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// What is rounded to a step lies on it, and is as coarse at least; what is written to seven
// decimals lies on none but by a chance of one in some thousands.
func TestCoarsenessOfRounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		step := rapid.SampledFrom(geotag.RoundSteps()).Draw(t, "step")
		round := func(v float64) float64 { return math.Round(v/step) * step }
		p := geotag.Position{
			Lat: round(rapid.Float64Range(-80, 80).Draw(t, "lat")), Lon: round(rapid.Float64Range(-180, 180).Draw(t, "lon")),
			Step: rapid.SampledFrom([]float64{0, 1e-8, 1e-7}).Draw(t, "digits"),
		}
		if !p.OnStep(step) || p.Coarseness() < step {
			t.Fatalf("%+v: on the step of %v: %v, coarseness %v", p, step, p.OnStep(step), p.Coarseness())
		}
	})
	rng := rand.New(rand.NewPCG(1, 1))
	coarse := 0
	for range 20_000 {
		p := geotag.Position{Lat: 160*rng.Float64() - 80, Lon: 360*rng.Float64() - 180, Step: 1e-7}
		if p.Coarseness() > 1e-7 {
			coarse++
		}
	}
	if coarse > 20 {
		t.Errorf("%d of 20,000 lie on a step", coarse)
	}
}

func ExamplePosition_Coarseness() {
	p := geotag.Position{Lat: 53.341667, Lon: -6.25, Step: 1e-6} // 53° 20' 30", 6° 15'
	fmt.Printf("%.4f degrees\n", p.Coarseness())
	// Output: 0.0083 degrees
}
