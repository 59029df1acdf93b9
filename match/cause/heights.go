package cause

import (
	"context"
	"fmt"
	"math"

	"example.com/phototie/match"
)

// HeightReference is the cause height-reference: altitudes differ from the
// heights of the points by the same tens of metres, as those above the ellipsoid
// differ from those above the geoid. It moves no tag. Only photos count whose tag
// states an altitude and whose point has a height.
func HeightReference() Cause {
	const (
		// Vertical over horizontal deviation: 13 m and 8 m at 95 % in the GPS SPS
		// Performance Standard, 5th edition (2020), as deviations.
		ratio = (13 / 1.96) / (8 / 2.4477)
		// Geoid heights lie between -107 and 86 m (EGM2008, from memory). What is
		// below the least is noise, the height of the camera, or a slope.
		least, greatest = 8, 115
	)
	return known{name: "height-reference", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		var out []Hypothesis
		differences := func(in []int) (at []int, dh []float64) {
			for _, i := range in {
				p := &e.Photos[i]
				if p.Tag == nil || p.Tag.Altitude == nil || p.Point < 0 || p.Void || !finite(p.Tag.Altitude.Metres) {
					continue
				}
				if h := e.Points[p.Point].Height; h != nil {
					at = append(at, i)
					dh = append(dh, p.Tag.Altitude.Metres-p.height-*h)
				}
			}
			return at, dh
		}
		deviation := func(i int) float64 { return ratio * math.Hypot(e.Photos[i].Sigma, 1) }
		add := func(at []int, dh []float64, m float64, scope Scope, cost float64) {
			if math.Abs(m) < least || math.Abs(m) > greatest {
				return
			}
			h := Hypothesis{Changes: make([]Change, len(e.Photos)), Coherent: true, Scope: scope, Free: 1, Least: 5, Cost: cost}
			for k, i := range at {
				s := deviation(i)
				// The likelihood with the shift over that without, with a share of
				// altitudes that are anything within a kilometre.
				l := func(d float64) float64 {
					return logAdd(math.Log(0.98/(s*math.Sqrt(2*math.Pi)))-d*d/(2*s*s), math.Log(0.02/1000))
				}
				h.Changes[i] = Change{Height: m, LogP: l(dh[k]-m) - l(dh[k])}
			}
			h.Words = func(f *Found, e *Evidence) (string, string) {
				se := deviation(at[0]) / math.Sqrt(f.Weight.Independent)
				f.Params = []Param{{Name: "height", Value: m, Unit: "m", StdErr: &se}}
				return fmt.Sprintf("%s: %s %s %s of the points, as if from another height reference", f.Who(),
						pick(len(f.photos), "the altitude is", "the altitudes are"), metres(math.Abs(m)),
						map[bool]string{true: "above the heights", false: "below the heights"}[m > 0]),
					"find out whether altitudes and heights are above the ellipsoid or the geoid; no tie depends on it"
			}
			out = append(out, h)
		}
		e.groupsOf(func(in []int, of int) {
			if at, dh := differences(in); len(at) >= 5 {
				add(at, dh, medianOf(dh), ScopeAll, math.Log(float64(of)))
			}
		})
		// Photos here and there.
		everybody := make([]int, len(e.Photos))
		for i := range everybody {
			everybody[i] = i
		}
		at, dh := differences(everybody)
		var far []match.Vector
		for k, i := range at {
			if d := math.Abs(dh[k]); d > least && d > 4*deviation(i) {
				far = append(far, match.Vector{E: dh[k]})
			}
		}
		if len(far) >= 5 {
			if m, n := mode(far, 2.5*deviation(at[0])); n >= 5 {
				add(at, dh, m.E, ScopeRuns|ScopeSome, 0)
			}
		}
		return out, nil
	}}
}
