package cause

import (
	"context"
	"math"

	"example.com/phototie/match"
)

const (
	// verticalRatio is that of the vertical deviation to the horizontal one: 13 m and
	// 8 m at 95 % in the GPS SPS Performance Standard, 5th edition (2020).
	verticalRatio = (13 / 1.96) / (8 / 2.4477)
	// Geoid heights lie between -107 and 86 m (EGM2008, from memory). What is below
	// the least is noise, the height of the camera, or a slope.
	leastHeight, greatestHeight = 8, 115
)

// heightReference: altitudes differ from the heights of the points by the same tens
// of metres, as those above the ellipsoid differ from those above the geoid. It
// moves no tag. Only photos count whose tag states an altitude and whose point has
// a height.
func heightReference(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	var out []Hypothesis
	deviation := func(i int) float64 { return verticalRatio * math.Hypot(e.Photos[i].Sigma, 1) }
	add := func(at []int, dh []float64, m float64, scope Scope, cost float64) {
		if math.Abs(m) < leastHeight || math.Abs(m) > greatestHeight {
			return
		}
		h := changes(e)
		h.Coherent, h.Scope, h.Free, h.Least, h.Cost = true, scope, 1, 5, cost
		h.Params = []Param{{Name: "height", Value: m, Unit: "m", sigma: deviation(at[0])}}
		for k, i := range at {
			s := deviation(i)
			// The likelihood with the shift over that without, with a share of
			// altitudes that are anything within a kilometre.
			l := func(d float64) float64 {
				return logAdd(math.Log(0.98/(s*math.Sqrt(2*math.Pi)))-d*d/(2*s*s), math.Log(0.02/1000))
			}
			h.Changes[i] = Change{Height: m, LogP: l(dh[k]-m) - l(dh[k])}
		}
		out = append(out, h)
	}
	e.groupsOf(func(in []int, of int) {
		if at, dh := e.heights(in); len(at) >= 5 {
			add(at, dh, medianOf(dh), ScopeAll, math.Log(float64(of)))
		}
	})
	// Photos here and there.
	at, dh := e.heights(e.walks.all)
	var far []match.Vector
	for k, i := range at {
		if d := math.Abs(dh[k]); d > leastHeight && d > 4*deviation(i) {
			far = append(far, match.Vector{E: dh[k]})
		}
	}
	if len(far) >= 5 {
		if m, n := mode(far, 2.5*deviation(at[0])); n >= 5 {
			add(at, dh, m.E, ScopeRuns|ScopeSome, 0)
		}
	}
	return out, nil
}

// heights returns the photos of a set whose tag states an altitude and whose point
// has a height, and the differences in metres.
func (e *Evidence) heights(in []int) (at []int, dh []float64) {
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
