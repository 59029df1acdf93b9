package cause

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// known is a cause of this package.
type known struct {
	name string
	// family, where not empty, is shared with the cause that is the reverse.
	family  string
	propose func(ctx context.Context, e *Evidence) ([]Hypothesis, error)
}

func (k known) Name() string { return k.name }

func (k known) Propose(ctx context.Context, e *Evidence) ([]Hypothesis, error) {
	return k.propose(ctx, e)
}

// rereading is a hypothesis that tags should read something else. read returns
// what; false leaves a photo out of it.
func rereading(e *Evidence, read func(p *Photo) (grid.LatLon, bool)) (Hypothesis, int) {
	h := Hypothesis{Changes: make([]Change, len(e.Photos))}
	n := 0
	for i := range e.Photos {
		p := &e.Photos[i]
		if p.At == nil || p.Void {
			continue
		}
		if at, ok := read(p); ok && at.Valid() && at != *p.At {
			h.Changes[i].At = &at
			n++
		}
	}
	return h, n
}

// SwappedLatLon is the cause swapped-lat-lon: latitude and longitude are
// exchanged, with their signs or under the references of each other. A longitude
// beyond 90 degrees that stands for a latitude leaves a tag without position and
// is known by the warning, where the job lies at that longitude.
func SwappedLatLon() Cause {
	return known{name: "swapped-lat-lon", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		words := func(f *Found, e *Evidence) (string, string) {
			return fmt.Sprintf("%s: latitude and longitude are exchanged", f.Who()),
				"exchange them in the app or the script that wrote the tags, or correct the photos"
		}
		var out []Hypothesis
		whole, n := rereading(e, func(p *Photo) (grid.LatLon, bool) { return grid.LatLon{Lat: p.At.Lon, Lon: p.At.Lat}, true })
		lost := 0
		if own, ok := e.geographic(); ok && math.Abs(own.Lon) > 90 {
			lost = warned(e, &whole, 10, func(w geotag.Warning) bool {
				v, err := strconv.ParseFloat(strings.Fields(w.Detail + " x")[0], 64)
				return w.Code == geotag.WarnOutOfRange && w.Field == "GPSLatitude" && err == nil && math.Abs(v-math.Abs(own.Lon)) < 2
			})
		}
		if n+lost > 0 {
			whole.Words, whole.Cost = words, math.Ln2
			out = append(out, whole)
		}
		kept, n := rereading(e, func(p *Photo) (grid.LatLon, bool) {
			return grid.LatLon{Lat: math.Copysign(p.At.Lon, p.At.Lat), Lon: math.Copysign(p.At.Lat, p.At.Lon)},
				math.Signbit(p.At.Lat) != math.Signbit(p.At.Lon)
		})
		if n > 0 {
			kept.Params = []Param{{Name: "references", Text: "kept"}}
			kept.Words, kept.Cost = words, math.Ln2
			out = append(out, kept)
		}
		return out, nil
	}}
}

// geographic is the place of the middle of the points in degrees, where the
// projection tells.
func (e *Evidence) geographic() (grid.LatLon, bool) {
	g, ok := e.Input.Proj.(grid.Geodesist)
	if !ok || len(e.Points) == 0 {
		return grid.LatLon{}, false
	}
	ll, err := g.Geographic(e.centre)
	return ll, err == nil && ll.Valid()
}

// FlippedLatitude is the cause flipped-latitude: the reference is N for S or S
// for N, or the sign was lost.
func FlippedLatitude() Cause {
	return flipped("flipped-latitude", "latitude", "N", "S", func(at grid.LatLon) grid.LatLon { at.Lat = -at.Lat; return at },
		func(at grid.LatLon) float64 { return at.Lat })
}

// FlippedLongitude is the cause flipped-longitude: the reference is E for W or W
// for E, or the sign was lost.
func FlippedLongitude() Cause {
	return flipped("flipped-longitude", "longitude", "E", "W", func(at grid.LatLon) grid.LatLon { at.Lon = -at.Lon; return at },
		func(at grid.LatLon) float64 { return at.Lon })
}

func flipped(name, what, pos, neg string, flip func(grid.LatLon) grid.LatLon, value func(grid.LatLon) float64) Cause {
	return known{name: name, propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		h, n := rereading(e, func(p *Photo) (grid.LatLon, bool) { return flip(*p.At), value(*p.At) != 0 })
		if n == 0 {
			return nil, nil
		}
		h.Words = func(f *Found, e *Evidence) (string, string) {
			is, be := pos, neg
			if value(*e.Photos[f.photos[0]].At) < 0 {
				is, be = neg, pos
			}
			return fmt.Sprintf("%s: the %s reference is %s where it should be %s", f.Who(), what, is, be),
				fmt.Sprintf("set the reference to %s, or correct the photos", be)
		}
		return []Hypothesis{h}, nil
	}}
}

// MinutesAsDecimals is the cause minutes-as-decimals: degrees and minutes, or
// degrees, minutes and seconds, are written one after the other as if they were
// decimals of a degree: 52 11.4 as 52.114.
func MinutesAsDecimals() Cause {
	return known{name: "minutes-as-decimals", family: "sexagesimal", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		words := func(what string) func(*Found, *Evidence) (string, string) {
			return func(f *Found, e *Evidence) (string, string) {
				return fmt.Sprintf("%s: %s were read as decimals of a degree", f.Who(), what),
					"convert them by deg + min/60 (+ sec/3600) where the tags are written, or correct the photos"
			}
		}
		var out []Hypothesis
		minutes := func(v float64) float64 {
			deg, frac := math.Modf(v)
			if math.Abs(frac) >= 0.6 {
				return math.NaN()
			}
			return deg + frac*100/60
		}
		seconds := func(v float64) float64 {
			deg, frac := math.Modf(v)
			min, rest := math.Modf(frac * 100)
			if math.Abs(min) >= 60 || math.Abs(rest) >= 0.6 {
				return math.NaN()
			}
			return deg + min/60 + rest*100/3600
		}
		for k, f := range []func(float64) float64{minutes, seconds} {
			h, n := rereading(e, func(p *Photo) (grid.LatLon, bool) {
				at := grid.LatLon{Lat: f(p.At.Lat), Lon: f(p.At.Lon)}
				return at, at.Valid()
			})
			if n == 0 {
				continue
			}
			h.Cost = math.Ln2
			h.Words = words([]string{"degrees and minutes", "degrees, minutes and seconds"}[k])
			h.Params = []Param{{Name: "notation", Text: []string{"DD MM.m", "DD MM SS.s"}[k]}}
			out = append(out, h)
		}
		return out, nil
	}}
}

// DecimalsAsMinutes is the cause decimals-as-minutes: decimals of a degree are
// written as minutes: 52.19 degrees as 52 19. Where that makes 60 minutes or more
// the tag has no position, and is known by the warning.
func DecimalsAsMinutes() Cause {
	return known{name: "decimals-as-minutes", family: "sexagesimal", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		f := func(v float64) float64 {
			deg, frac := math.Modf(v)
			return deg + frac*60/100
		}
		h, n := rereading(e, func(p *Photo) (grid.LatLon, bool) { return grid.LatLon{Lat: f(p.At.Lat), Lon: f(p.At.Lon)}, true })
		n += warned(e, &h, 8, func(w geotag.Warning) bool {
			return w.Code == geotag.WarnOutOfRange && (w.Field == "GPSLatitude" || w.Field == "GPSLongitude") && strings.HasPrefix(w.Detail, "minutes")
		})
		if n == 0 {
			return nil, nil
		}
		h.Words = func(f *Found, e *Evidence) (string, string) {
			return fmt.Sprintf("%s: decimals of a degree were read as minutes", f.Who()),
				"multiply the decimals by 60 to get minutes where the tags are written, or correct the photos"
		}
		return []Hypothesis{h}, nil
	}}
}

// warned adds the photos without a position that have a warning, which LogP is
// the evidence of.
func warned(e *Evidence, h *Hypothesis, logP float64, is func(geotag.Warning) bool) int {
	n := 0
	for i := range e.Photos {
		p := &e.Photos[i]
		if p.Tag == nil || p.Tag.Position != nil || p.Void || !slices.ContainsFunc(p.Tag.Warnings, is) {
			continue
		}
		h.Changes[i] = Change{Void: true, Shows: true, LogP: logP}
		n++
	}
	return n
}

// byWarning is a cause that the reading of the image tells.
func byWarning(name string, is func(p *Photo) bool, words func(f *Found, e *Evidence) (string, string)) Cause {
	return known{name: name, propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		h := Hypothesis{Changes: make([]Change, len(e.Photos)), Scope: ScopeSome, Rate: 0.02, Words: words}
		n := 0
		for i := range e.Photos {
			if p := &e.Photos[i]; p.Tag != nil && !p.Void && p.At == nil && is(p) {
				h.Changes[i] = Change{Void: true, Shows: true, LogP: 12}
				n++
			}
		}
		if n == 0 {
			return nil, nil
		}
		return []Hypothesis{h}, nil
	}}
}

func hasWarning(p *Photo, code geotag.WarningCode, fields ...string) bool {
	return slices.ContainsFunc(p.Tag.Warnings, func(w geotag.Warning) bool {
		return w.Code == code && (len(fields) == 0 || slices.Contains(fields, w.Field))
	})
}

// DroppedLatitudeRef is the cause dropped-latitude-ref: there is a latitude
// without a reference, so that the tag has no position.
func DroppedLatitudeRef() Cause { return dropped("dropped-latitude-ref", "latitude", "GPSLatitudeRef") }

// DroppedLongitudeRef is the cause dropped-longitude-ref.
func DroppedLongitudeRef() Cause {
	return dropped("dropped-longitude-ref", "longitude", "GPSLongitudeRef")
}

func dropped(name, what, field string) Cause {
	return byWarning(name, func(p *Photo) bool {
		return hasWarning(p, geotag.WarnMissingRef, field) || hasWarning(p, geotag.WarnBadRef, field)
	}, func(f *Found, e *Evidence) (string, string) {
		remedy := "set the reference"
		if at, ok := e.geographic(); ok {
			ref := map[bool]string{true: "N", false: "S"}[at.Lat >= 0]
			if what == "longitude" {
				ref = map[bool]string{true: "E", false: "W"}[at.Lon >= 0]
			}
			remedy = fmt.Sprintf("set the reference to %s, where the job is", ref)
		}
		return fmt.Sprintf("%s %s a %s without its reference, so that the hemisphere is unknown", f.Who(), f.have(), what),
			remedy + "; until then check the ties by eye"
	})
}

// NullIsland is the cause null-island: latitude and longitude are 0, which a
// receiver without a fix writes.
func NullIsland() Cause {
	return byWarning("null-island", func(p *Photo) bool {
		at := p.Tag.Position
		return hasWarning(p, geotag.WarnNullIsland) || at != nil && at.Lat == 0 && at.Lon == 0
	}, func(f *Found, e *Evidence) (string, string) {
		return fmt.Sprintf("%s: the tag reads 0, 0: the receiver had no fix", f.Who()),
			"wait for a fix before taking photos; check these ties by eye"
	})
}

// ZeroRationals is the cause zero-rationals: the position is made of numbers
// over 0.
func ZeroRationals() Cause {
	return byWarning("zero-rationals", func(p *Photo) bool {
		return hasWarning(p, geotag.WarnZeroDenominator, "GPSLatitude", "GPSLongitude")
	}, func(f *Found, e *Evidence) (string, string) {
		return fmt.Sprintf("%s: the position is written as 0/0: the receiver had no fix", f.Who()),
			"wait for a fix before taking photos; check these ties by eye"
	})
}

// material is the least that a shift has to be, as a share of what the budget
// allows, to be looked at.
const material = 0.4

// sample returns a photo to try a frame on.
func (e *Evidence) sample() *Photo {
	for i := range e.Photos {
		if p := &e.Photos[i]; p.OnGrid != nil && p.Point >= 0 && !p.Void {
			return p
		}
	}
	return nil
}

// threshold is the median of what the budget allows.
func (e *Evidence) threshold() float64 {
	var v []float64
	for i := range e.Photos {
		if p := &e.Photos[i]; p.Point >= 0 && p.Threshold > 0 {
			v = append(v, p.Threshold)
		}
	}
	if len(v) == 0 {
		return math.Inf(1)
	}
	return medianOf(v)
}

func (e *Evidence) datums() []string {
	d := e.Input.Datums
	if d == nil {
		if at, ok := e.geographic(); ok {
			d = DefaultDatums(at)
		}
	}
	// The likely ones first: of datums that come out alike the first is named.
	var out []string
	for _, name := range append([]string{"WGS-84", e.Input.Result.Grid.Frame}, d...) {
		if name != "" && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	return out
}

// accuracyOf is the accuracy stated for an operation in metres, 0 without one.
func accuracyOf(op *grid.Operation) float64 {
	if op == nil || op.Accuracy == nil {
		return 0
	}
	return *op.Accuracy
}

// slack is what a coordinate operation may leave: the shift in the mean of what
// remains of photos, where that is within twice the accuracy stated for the
// operation, and what it costs to have fitted it. Where the operation is as good
// as the tags there is none.
func (e *Evidence) slack(accuracy float64, s match.Vector) (left *match.Vector, cost float64) {
	everybody := make([]int, len(e.Photos))
	for i := range everybody {
		everybody[i] = i
	}
	at, ds := e.offsets(everybody, false)
	if len(at) < 5 {
		return nil, 0
	}
	sigma := e.Photos[at[0]].Sigma
	if accuracy < sigma/2 {
		return nil, 0
	}
	// s is what most are off by, if the hypothesis is right.
	for k := range ds {
		ds[k].E -= s.E
		ds[k].N -= s.N
	}
	m, n := mode(ds, 2.5*sigma)
	if size := math.Hypot(m.E, m.N); n < 5 || size > 2*accuracy || size < sigma/2 {
		return nil, 0
	}
	return &m, 2 * math.Log(math.Max(1, 2*accuracy/sigma))
}

// datumName is the frame in words.
func datumName(f grid.Frame) string {
	if f.Datum == "" {
		return "WGS 84 (nothing stated)"
	}
	return f.Datum
}

// TagDatum is the cause tag-datum: the tags are in another datum than they
// state. Datums that only a ballpark operation leads from are not tried.
func TagDatum() Cause {
	return known{name: "tag-datum", propose: func(ctx context.Context, e *Evidence) ([]Hypothesis, error) {
		p := e.sample()
		if p == nil || !e.troubled() {
			return nil, nil
		}
		least := material * e.threshold()
		var shifts []match.Vector // of the candidates kept, to leave out what is the same
		var out []Hypothesis
		for _, d := range e.datums() {
			fix := p.Fix()
			fix.Datum = d
			placed, err := e.Place(ctx, []grid.Fix{fix})
			if err != nil {
				return nil, err
			}
			q := placed[0]
			if q.Err != nil || q.Op != nil && q.Op.Ballpark {
				continue
			}
			s := match.Vector{E: (p.OnGrid.E - q.E) * e.unit, N: (p.OnGrid.N - q.N) * e.unit}
			if math.Hypot(s.E, s.N) < least || slices.ContainsFunc(shifts, func(t match.Vector) bool { return math.Hypot(s.E-t.E, s.N-t.N) < least/4 }) {
				continue
			}
			shifts = append(shifts, s)
			h := Hypothesis{Changes: make([]Change, len(e.Photos)), Coherent: true}
			// As stated minus as it should be is what the tags are off by.
			left, cost := e.slack(accuracyOf(q.Op), s)
			for i := range e.Photos {
				if q := &e.Photos[i]; q.At != nil && !q.Void && q.Frame.Datum != d {
					h.Changes[i].Datum, h.Changes[i].Move = &d, left
				}
			}
			if left != nil {
				h.Free, h.Cost = 2, cost
			}
			stated := datumName(p.Frame)
			raw := p.Tag.MapDatum
			h.Params = []Param{
				{Name: "datum", Text: d},
				{Name: "shift east", Value: s.E, Unit: "m"}, {Name: "shift north", Value: s.N, Unit: "m"},
			}
			h.Words = func(f *Found, e *Evidence) (string, string) {
				return fmt.Sprintf("%s: the tags are in %s and state %s, which puts them %s out", f.Who(), d, stated, metres(math.Hypot(s.E, s.N))),
					"set the datum of the handheld to WGS 84, and read these tags in " + d
			}
			h.Fix = func(f *Found, e *Evidence) *Fix {
				if f.Group.Kind != GroupAll {
					return nil // the settings hold for all photos
				}
				if raw == "" {
					return &Fix{Settings: []Setting{{"frame.datum", strconv.Quote(d), "the tags state no datum and are in " + d}}}
				}
				return &Fix{Settings: []Setting{{"frame.datums." + strconv.Quote(raw), strconv.Quote(d), "the tags state " + raw + " and are in " + d}}}
			}
			out = append(out, h)
		}
		return priced(out), nil
	}}
}

// groupsOf yields all photos, and those of each camera, day and camera's day
// where there are more than one, with the number of groups of that kind.
func (e *Evidence) groupsOf(yield func(in []int, of int)) {
	all := make([]int, len(e.Photos))
	for i := range all {
		all[i] = i
	}
	yield(all, 1)
	var items []item
	for _, i := range all {
		items = append(items, item{photos: []int{i}})
	}
	(&search{}).groups(e, items, yield)
}

// CommonShift is the cause common-shift: all tags, or those of a camera or a day,
// are off by the same for no reason known: another datum, a base station set up
// on wrong coordinates, an offset set in the app.
func CommonShift() Cause {
	return known{name: "common-shift", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		var out []Hypothesis
		least := material * e.threshold()
		// add is the hypothesis that photos, out of those listed, share the shift s.
		add := func(at []int, s match.Vector, scope Scope, cost float64) {
			size := math.Hypot(s.E, s.N)
			if size < least {
				return
			}
			h := Hypothesis{Changes: make([]Change, len(e.Photos)), Coherent: true, Scope: scope, Free: 2, Least: 5}
			for _, i := range at {
				h.Changes[i].Move = &s
			}
			sigma := e.Photos[at[0]].Sigma
			// The direction is any, and the logarithm of the size uniform between
			// that of sigma and of half the girth of the earth: what the standard
			// error leaves of that is the rest of the cost, with what BIC counts.
			h.Cost = cost + math.Max(0, math.Log(size*size*math.Log(halfTurn/sigma)/(sigma*sigma)))
			h.Words = func(f *Found, e *Evidence) (string, string) {
				se := sigma / math.Sqrt(f.Weight.Independent)
				f.Params = []Param{
					{Name: "shift east", Value: s.E, Unit: "m", StdErr: &se},
					{Name: "shift north", Value: s.N, Unit: "m", StdErr: &se},
				}
				return fmt.Sprintf("%s: %s %s from where %s should, in the direction %s", f.Who(), pick(len(f.photos), "the tag lies", "the tags lie"), metres(size),
						pick(len(f.photos), "it", "they"), grid.BearingOf(s.E, s.N).DMS(0)),
					"look for a datum, a base position or an offset that was set wrong; the ties hold"
			}
			out = append(out, h)
		}
		e.groupsOf(func(in []int, of int) {
			at, ds := e.offsets(in, false)
			if len(at) >= 5 {
				add(at, centre(ds, e.Photos[at[0]].Sigma), ScopeAll, math.Log(float64(of)))
			}
		})
		// Photos here and there that are off by the same.
		everybody := make([]int, len(e.Photos))
		for i := range everybody {
			everybody[i] = i
		}
		if at, ds := e.offsets(everybody, true); len(at) >= 5 {
			sigma := e.Photos[at[0]].Sigma
			m, n := mode(ds, 2.5*sigma)
			// A spell of bad reception looks like a small one.
			if n >= 5 && math.Hypot(m.E, m.N) > 2*e.threshold() {
				all, _ := e.offsets(everybody, false)
				add(all, m, ScopeRuns|ScopeSome, 0)
			}
		}
		return out, nil
	}}
}

// offsets returns the photos of a set that have a discrepancy, and what is left
// of it beside where the image says the camera stood; only those out where
// wanted.
func (e *Evidence) offsets(in []int, out bool) (at []int, ds []match.Vector) {
	for _, i := range in {
		if p := &e.Photos[i]; p.D != nil && (p.Out || !out) {
			at = append(at, i)
			ds = append(ds, match.Vector{E: p.D.E - p.noise.expected.E, N: p.D.N - p.noise.expected.N})
		}
	}
	return at, ds
}

// mode returns the middle of the place where most of ds lie within a radius, and
// how many do. Of many ds only some are tried for the place.
func mode(ds []match.Vector, radius float64) (match.Vector, int) {
	const tries = 200
	var best match.Vector
	most := 0
	for k := 0; k < len(ds); k += max(1, len(ds)/tries) {
		c := ds[k]
		n := 0
		for range 3 { // the mean of those near moves towards the middle
			var e, m float64
			n = 0
			for _, d := range ds {
				if math.Hypot(d.E-c.E, d.N-c.N) <= radius {
					n++
					e += d.E
					m += d.N
				}
			}
			if n == 0 {
				break
			}
			c = match.Vector{E: e / float64(n), N: m / float64(n)}
		}
		if n > most {
			most, best = n, c
		}
	}
	return best, most
}

// centre is a mean that a minority far out doesn't move: the median of each axis,
// refined with weights 1/(1 + (d / 3 sigma)²).
func centre(ds []match.Vector, sigma float64) match.Vector {
	es, ns := make([]float64, len(ds)), make([]float64, len(ds))
	for k, d := range ds {
		es[k], ns[k] = d.E, d.N
	}
	c := match.Vector{E: medianOf(es), N: medianOf(ns)}
	for range 10 {
		var w, e, n float64
		for _, d := range ds {
			q := math.Hypot(d.E-c.E, d.N-c.N) / (3 * sigma)
			v := 1 / (1 + q*q)
			w, e, n = w+v, e+v*d.E, n+v*d.N
		}
		c = match.Vector{E: e / w, N: n / w}
	}
	return c
}

// steps are the coarse steps, in degrees, that tags are rounded to.
var steps = []float64{
	0.1, 1. / 60, 0.01, 6. / 1000, 1. / 600, 0.001, 6. / 1e4, 1. / 3600, 1. / 6000, 0.0001, 6e-5,
}

// onStep says that a position is written in a step, in degrees.
func onStep(at grid.LatLon, step float64) bool {
	on := func(v float64) bool {
		k := v / step
		// Written with seven decimals or better.
		return math.Abs(k-math.Round(k))*step < 1e-7
	}
	return on(at.Lat) && on(at.Lon)
}

// isCoarse says that a position is written in any of the coarse steps.
func isCoarse(at grid.LatLon) bool {
	return slices.ContainsFunc(steps, func(s float64) bool { return onStep(at, s) })
}

// RoundedTags is the cause rounded-tags: latitude and longitude are rounded, or
// cut off, to a step that is coarse beside the budget.
func RoundedTags() Cause {
	return known{name: "rounded-tags", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		const perDegree = 6371008.8 * math.Pi / 180
		var all []Hypothesis
		for _, s := range steps {
			for _, cut := range []bool{false, true} {
				h := Hypothesis{Changes: make([]Change, len(e.Photos)), Least: 2}
				n, out := 0, 0
				for i := range e.Photos {
					p := &e.Photos[i]
					if p.At == nil || p.Void || p.blur != nil || !onStep(*p.At, s) {
						continue
					}
					half := match.Vector{E: s / 2 * perDegree * math.Cos(p.At.Lat*math.Pi/180), N: s / 2 * perDegree}
					if half.N < p.Sigma/2 {
						continue
					}
					n++
					// By chance hardly any place is at a round figure.
					c := &h.Changes[i]
					c.Blur, c.LogP = &half, 6
					if p.Out {
						out++
					}
					if cut {
						c.Move = &match.Vector{E: -math.Copysign(half.E, p.At.Lon), N: -math.Copysign(half.N, p.At.Lat)}
					}
				}
				if n == 0 || out < 2 {
					continue
				}
				h.Cost = math.Log(float64(len(steps))) + math.Ln2
				h.Params = []Param{{Name: "step", Value: s, Unit: "deg"}, {Name: "step north", Value: s * perDegree, Unit: "m"}}
				how := "rounded"
				if cut {
					how = "cut off"
				}
				h.Words = func(f *Found, e *Evidence) (string, string) {
					return fmt.Sprintf("%s: the tags are %s to steps of %s degrees, %s on the ground", f.Who(), how, strconv.FormatFloat(s, 'g', 3, 64), metres(s*perDegree)),
						"have the tags written with more decimals; for these photos no place is known any better"
				}
				all = append(all, h)
			}
		}
		return all, nil
	}}
}

// FrozenFix is the cause frozen-fix: photos carry the tag of an earlier one of the
// same camera, figure by figure, though taken at another point or a minute or
// more later: the receiver had lost its fix, and the app went on writing the last
// one.
func FrozenFix() Cause {
	return known{name: "frozen-fix", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		const minute = 60
		h := Hypothesis{Changes: make([]Change, len(e.Photos)), Scope: ScopeSome, Rate: 0.005}
		origins := make(map[int]int)
		for _, cam := range e.walks.cameras {
			var seq []int
			for _, i := range e.walks.seq[cam] {
				if p := &e.Photos[i]; p.Tag != nil && p.Tag.Position != nil {
					seq = append(seq, i)
				}
			}
			for a := 0; a < len(seq); {
				first := &e.Photos[seq[a]]
				b := a + 1
				for b < len(seq) && e.Photos[seq[b]].Tag.Position.Lat == first.Tag.Position.Lat && e.Photos[seq[b]].Tag.Position.Lon == first.Tag.Position.Lon {
					b++
				}
				run := seq[a:b]
				a = b
				if len(run) < 2 || first.Void || isCoarse(grid.LatLon{Lat: first.Tag.Position.Lat, Lon: first.Tag.Position.Lon}) {
					continue
				}
				var frozen []int
				apart := false
				for _, i := range run[1:] {
					p := &e.Photos[i]
					late := !p.Time.IsZero() && !first.Time.IsZero() && p.Time.Sub(first.Time).Seconds() > minute
					elsewhere := p.Point != first.Point && p.Point >= 0 && first.Point >= 0
					if late || elsewhere || len(frozen) > 0 {
						frozen = append(frozen, i)
						apart = apart || elsewhere || p.Out
					}
				}
				if len(frozen) == 0 || !apart {
					continue
				}
				for _, i := range frozen {
					// A fix of the receiver would repeat to within a decimetre by chance.
					h.Changes[i] = Change{Void: true, LogP: -2 * math.Log(0.1)}
					origins[i] = run[0]
				}
				h.Items = append(h.Items, frozen)
			}
		}
		if len(h.Items) == 0 {
			return nil, nil
		}
		h.Words = func(f *Found, e *Evidence) (string, string) {
			var names []string
			for _, i := range f.photos {
				if n := e.Photos[origins[i]].Name; !slices.Contains(names, n) {
					names = append(names, n)
				}
			}
			return fmt.Sprintf("%s %s the tag of %s: the receiver had no new fix", f.Who(), pick(len(f.photos), "carries", "carry"), list(names)),
				"take no account of these tags; check the ties by eye"
		}
		return []Hypothesis{h}, nil
	}}
}
