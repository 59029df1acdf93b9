package geotag

import (
	"math"
	"slices"
)

// roundSteps is what RoundSteps returns.
var roundSteps = func() []float64 {
	var out []float64
	for _, unit := range []float64{1, 1. / 60, 1. / 3600} {
		for d := 0.01; d <= 1e5; d *= 10 {
			for _, part := range []float64{1, 2, 5} {
				times := math.Round(1e6/(d*part)) / 1e6
				if s := unit * times; s <= 0.1 && s >= 5e-5 && (times < 1 || math.Mod(60, times) == 0) {
					out = append(out, s)
				}
			}
		}
	}
	slices.Sort(out)
	slices.Reverse(out)
	return out
}()

// RoundSteps returns the steps, in degrees, that positions are rounded to beside the step
// of their digits, the coarsest first: one, two and five times a power of ten of degrees,
// minutes or seconds where that goes into the next larger unit, from 0.1 degrees down to
// some 5 m. Common practice, no source.
func RoundSteps() []float64 { return slices.Clone(roundSteps) }

// OnStep reports whether latitude and longitude are multiples of a step in degrees: to
// seven decimals, or to within half of Step where that is much less than the step asked for.
func (p *Position) OnStep(step float64) bool {
	within := 1e-7
	if v := 0.51 * p.Step; 20*v < step {
		within = max(within, v)
	}
	on := func(v float64) bool { return math.Abs(v-math.Round(v/step)*step) < within }
	return on(p.Lat) && on(p.Lon)
}

// Coarseness returns the step in degrees that the position was written in as far as it
// shows: the coarsest of [RoundSteps] that it lies on, or Step where that is coarser. Of
// positions in a step of 1e-4 degrees one in 25 lies on one of 5e-4 by chance, of those in
// 1e-7 hardly any on the finest.
func (p *Position) Coarseness() float64 {
	for _, s := range roundSteps {
		if s <= p.Step {
			break
		}
		if p.OnStep(s) {
			return s
		}
	}
	return p.Step
}
