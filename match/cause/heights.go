package cause

import (
	"context"
	"fmt"
	"math"
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
	return known{"height-reference", func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		var out []Hypothesis
		e.groupsOf(func(in []int, of int) {
			var at []int
			var dh []float64
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
			if len(at) < 5 {
				return
			}
			m := medianOf(dh)
			if math.Abs(m) < least || math.Abs(m) > greatest {
				return
			}
			h := Hypothesis{Changes: make([]Change, len(e.Photos)), Coherent: true, Scope: ScopeAll, Free: 1}
			for k, i := range at {
				s := ratio * math.Hypot(e.Photos[i].Sigma, 1)
				// The likelihood with the shift over that without, with a share of
				// altitudes that are anything within a kilometre.
				l := func(d float64) float64 {
					return logAdd(math.Log(0.98/(s*math.Sqrt(2*math.Pi)))-d*d/(2*s*s), math.Log(0.02/1000))
				}
				h.Changes[i] = Change{Height: m, LogP: l(dh[k]-m) - l(dh[k])}
			}
			h.Cost = math.Log(float64(of))
			n := e.independent(at, false)
			se := spread(dh, m) / math.Sqrt(n)
			h.Params = []Param{{Name: "height", Value: m, Unit: "m", StdErr: &se}}
			h.Words = func(f *Found, e *Evidence) (string, string) {
				way := "above"
				if m < 0 {
					way = "below"
				}
				return fmt.Sprintf("%s: the altitudes are %s %s the heights of the points, as if from another height reference", f.Who(), metres(math.Abs(m)), way),
					"find out whether altitudes and heights are above the ellipsoid or the geoid; no tie depends on it"
			}
			out = append(out, h)
		})
		return out, nil
	}}
}
