package cause

import (
	"context"
	"math"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

const (
	// verticalRatio is that of the vertical deviation to the horizontal one: 13 m and
	// 8 m at 95 % in the GPS SPS Performance Standard, 5th edition (2020).
	verticalRatio = (13 / 1.96) / (8 / 2.4477)
	// Geoid heights lie between -107 and 86 m (EGM2008, from memory). What is below
	// the least is noise, the height of the camera, or a slope.
	leastHeight, greatestHeight = 8, 115
	// geoidWithin is how far in metres a constant may be off a geoid height beside its
	// standard error: cameras are held up to 2 m above points (common practice), EGM96
	// is good to 1 m (from memory).
	geoidWithin = 2.3
)

// heightReference: altitudes differ from the heights of the points by the same tens
// of metres, as those above the ellipsoid differ from those above the geoid. It
// moves no tag. Only photos count whose tag states an altitude and whose point has
// a height. Where what heights count from is known, they are compared on the
// ellipsoid, else as they are written.
func heightReference(ctx context.Context, e *Evidence) ([]Hypothesis, error) {
	var out []Hypothesis
	deviation := func(i int) float64 { return verticalRatio * math.Hypot(e.Photos[i].Sigma, 1) }
	add := func(at []int, dh []float64, m float64, scope Scope, cost float64) {
		if math.Abs(m) < leastHeight || math.Abs(m) > greatestHeight {
			return
		}
		h := Hypothesis{Changes: make([]Change, len(at)), Coherent: true, Scope: scope, Free: 1, MinPhotos: 5, Cost: cost}
		h.Params = []Param{{Name: "height", Value: m, Unit: "m", sigma: deviation(at[0])}}
		if !e.surfaces {
			h.Params = append(h.Params, Param{Name: "heights", Text: "as written"})
		}
		off := 2*deviation(at[0])/math.Sqrt(e.independent(at)) + geoidWithin
		if name, n, ok := e.geoid(ctx, at[0]); ok && math.Abs(math.Abs(m)-math.Abs(n)) <= off {
			h.Params = append(h.Params, Param{Name: "geoid", Text: name}, Param{Name: "geoid height", Value: n, Unit: "m"})
		}
		for k, i := range at {
			s := deviation(i)
			// The likelihood with the shift over that without, with a share of
			// altitudes that are anything within a kilometre.
			l := func(d float64) float64 {
				return logAdd(math.Log(0.98/(s*math.Sqrt(2*math.Pi)))-d*d/(2*s*s), math.Log(0.02/1000))
			}
			h.Changes[k] = Change{Photo: i, Height: m, LogP: l(dh[k]-m) - l(dh[k])}
		}
		out = append(out, h)
	}
	for _, g := range e.walks.groups {
		if at, dh := e.heights(g.photos); len(at) >= 5 {
			add(at, dh, medianOf(dh), ScopeAll, math.Log(float64(g.of)))
		}
	}
	// Photos here and there.
	at, dh := e.heights(e.walks.all)
	var far []match.Vector
	for k, i := range at {
		if math.Abs(dh[k]) > max(leastHeight, 4*deviation(i)) {
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
		if p.Tag == nil || p.Tag.Altitude == nil || p.Point < 0 || p.Void || !grid.Finite(p.Tag.Altitude.Metres) {
			continue
		}
		if h := e.Points[p.Point].Height; h != nil && p.compared == e.surfaces {
			at = append(at, i)
			dh = append(dh, p.Tag.Altitude.Metres-p.height-*h)
		}
	}
	return at, dh
}

// compare takes over by how much the altitude of a photo and the height of its point, as
// they are written, differ more than they do on the ellipsoid, where that is known.
func (e *Evidence) compare(p *Photo, r *match.PhotoResult) {
	if h := r.Height; h != nil && h.DH != nil && p.Point >= 0 && r.Tag.Altitude != nil && e.Points[p.Point].Height != nil {
		p.compared, e.surfaces = true, true
		p.height = r.Tag.Altitude.Metres - *e.Points[p.Point].Height - *h.DH
	}
}

// geoid is the height above the ellipsoid, where a photo was taken, of the surface that
// the settings name, else of EGM96: in metres, and not ok where no file has it.
func (e *Evidence) geoid(ctx context.Context, photo int) (name string, n float64, ok bool) {
	lift, can := e.Input.Proj.(grid.Heighter)
	if !can {
		return "", 0, false
	}
	o := &e.Input.Options.Heights
	for _, name := range []string{o.Points.VerticalCRS, o.TagSeaLevel, "EGM96"} {
		if name == "" {
			continue
		}
		at := []grid.Height{{Ref: grid.HeightRef{Surface: grid.HeightGeoid, VerticalCRS: name}}}
		if got, err := lift.FixHeights(ctx, []grid.Fix{e.Photos[photo].Fix()}, at); err == nil && got[0].Err == nil {
			return name, got[0].Metres, true
		}
	}
	return "", 0, false
}
