package cause

import (
	"context"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// A reading is what a tag should read where it was written in a wrong way; false
// where it can't have been.
type reading struct {
	cause  string
	params []Param
	read   func(at grid.LatLon) (grid.LatLon, bool)
}

// each reads latitude and longitude alike; NaN where a value can't have been
// written so.
func each(f func(float64) float64) func(grid.LatLon) (grid.LatLon, bool) {
	return func(at grid.LatLon) (grid.LatLon, bool) {
		to := grid.LatLon{Lat: f(at.Lat), Lon: f(at.Lon)}
		return to, to.Valid()
	}
}

// readings are the wrong ways of writing a position. Latitude and longitude are
// exchanged with their signs, or under the references of each other.
var readings = []reading{
	{"swapped-lat-lon", nil, func(at grid.LatLon) (grid.LatLon, bool) { return grid.LatLon{Lat: at.Lon, Lon: at.Lat}, true }},
	{"swapped-lat-lon", []Param{{Name: "references", Text: "kept"}}, func(at grid.LatLon) (grid.LatLon, bool) {
		return grid.LatLon{Lat: math.Copysign(at.Lon, at.Lat), Lon: math.Copysign(at.Lat, at.Lon)}, math.Signbit(at.Lat) != math.Signbit(at.Lon)
	}},
	{"flipped-latitude", nil, func(at grid.LatLon) (grid.LatLon, bool) { return grid.LatLon{Lat: -at.Lat, Lon: at.Lon}, at.Lat != 0 }},
	{"flipped-longitude", nil, func(at grid.LatLon) (grid.LatLon, bool) { return grid.LatLon{Lat: at.Lat, Lon: -at.Lon}, at.Lon != 0 }},
	{"minutes-as-decimals", []Param{{Name: "notation", Text: "DD MM.m"}}, each(func(v float64) float64 {
		deg, frac := math.Modf(v)
		if math.Abs(frac) >= 0.6 {
			return math.NaN()
		}
		return deg + frac*100/60
	})},
	{"minutes-as-decimals", []Param{{Name: "notation", Text: "DD MM SS.s"}}, each(func(v float64) float64 {
		deg, frac := math.Modf(v)
		min, rest := math.Modf(frac * 100)
		if math.Abs(min) >= 60 || math.Abs(rest) >= 0.6 {
			return math.NaN()
		}
		return deg + min/60 + rest*100/3600
	})},
	{"decimals-as-minutes", nil, each(func(v float64) float64 {
		deg, frac := math.Modf(v)
		return deg + frac*60/100
	})},
}

// reread proposes that tags were written in one of the ways of a cause.
func reread(cause string) func(context.Context, *Evidence) ([]Hypothesis, error) {
	return func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		return priced(e.reread(cause, 0, nil)), nil
	}
}

// reread lists the ways of a cause that change the tags. Photos without a position
// that have a warning join the first one, with logP as its evidence.
func (e *Evidence) reread(cause string, logP float64, warned func(geotag.Warning) bool) []Hypothesis {
	var out []Hypothesis
	for _, r := range readings {
		if r.cause != cause {
			continue
		}
		h := Hypothesis{Params: r.params, Changes: make([]Change, 0, len(e.Photos))}
		if cause == "flipped-latitude" || cause == "flipped-longitude" {
			h.Params = e.reference(cause == "flipped-latitude")
		}
		for i := range e.Photos {
			p := &e.Photos[i]
			switch {
			case p.Void:
			case p.At != nil:
				if at, ok := r.read(*p.At); ok && at.Valid() && at != *p.At {
					h.Changes = append(h.Changes, Change{Photo: i, At: &at})
				}
			case warned != nil && len(out) == 0 && p.Tag != nil && p.Tag.Position == nil && slices.ContainsFunc(p.Tag.Warnings, warned):
				h.Changes = append(h.Changes, Change{Photo: i, Void: true, Shows: true, LogP: logP})
			}
		}
		if len(h.Changes) > 0 {
			out = append(out, h)
		}
	}
	return out
}

// swappedLatLon: latitude and longitude are exchanged. A longitude beyond 90
// degrees that is written as a latitude leaves a tag without position and is known
// by the warning, where the job lies at that longitude.
func swappedLatLon(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	own, ok := e.geographic()
	return priced(e.reread("swapped-lat-lon", 10, func(w geotag.Warning) bool {
		v, err := strconv.ParseFloat(strings.Fields(w.Detail + " x")[0], 64)
		return ok && math.Abs(own.Lon) > 90 && w.Code == geotag.WarnOutOfRange && w.Field == "GPSLatitude" && err == nil && math.Abs(v-math.Abs(own.Lon)) < 2
	})), nil
}

// decimalsAsMinutes: decimals of a degree are written as minutes: 52.19 degrees as
// 52 19. Where that makes 60 minutes or more the tag has no position, and is known
// by the warning.
func decimalsAsMinutes(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	return e.reread("decimals-as-minutes", 8, func(w geotag.Warning) bool {
		return w.Code == geotag.WarnOutOfRange && (w.Field == "GPSLatitude" || w.Field == "GPSLongitude") && strings.HasPrefix(w.Detail, "minutes")
	}), nil
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

// reference is that of the job's latitudes or longitudes; none where it is not known.
func (e *Evidence) reference(latitude bool) []Param {
	at, ok := e.geographic()
	if !ok {
		return nil
	}
	ref := map[bool]string{true: "E", false: "W"}[at.Lon >= 0]
	if latitude {
		ref = map[bool]string{true: "N", false: "S"}[at.Lat >= 0]
	}
	return []Param{{Name: "reference", Text: ref}}
}

// byWarning proposes what the reading of the image tells by itself.
func byWarning(e *Evidence, is func(p *Photo) bool, params ...Param) ([]Hypothesis, error) {
	h := Hypothesis{Scope: ScopeSome, Rate: 0.02, Params: params}
	for i := range e.Photos {
		if p := &e.Photos[i]; p.Tag != nil && !p.Void && p.At == nil && is(p) {
			h.Changes = append(h.Changes, Change{Photo: i, Void: true, Shows: true, LogP: 12})
		}
	}
	if len(h.Changes) == 0 {
		return nil, nil
	}
	return []Hypothesis{h}, nil
}

func hasWarning(p *Photo, code geotag.WarningCode, fields ...string) bool {
	return slices.ContainsFunc(p.Tag.Warnings, func(w geotag.Warning) bool {
		return w.Code == code && (len(fields) == 0 || slices.Contains(fields, w.Field))
	})
}

// dropped proposes that a latitude or a longitude has lost its reference, so that
// the tag has no position.
func dropped(field string) func(context.Context, *Evidence) ([]Hypothesis, error) {
	return func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		return byWarning(e, func(p *Photo) bool {
			return hasWarning(p, geotag.WarnMissingRef, field) || hasWarning(p, geotag.WarnBadRef, field)
		}, e.reference(field == "GPSLatitudeRef")...)
	}
}

// nullIsland: latitude and longitude are 0, which a receiver without a fix writes.
func nullIsland(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	return byWarning(e, func(p *Photo) bool {
		at := p.Tag.Position
		return hasWarning(p, geotag.WarnNullIsland) || at != nil && at.Lat == 0 && at.Lon == 0
	})
}

// zeroRationals: the position is made of numbers over 0.
func zeroRationals(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	return byWarning(e, func(p *Photo) bool {
		return hasWarning(p, geotag.WarnZeroDenominator, "GPSLatitude", "GPSLongitude")
	})
}

// datums are those to try, the likely ones first: of datums that come out alike
// the first is named.
func (e *Evidence) datums() []string {
	d := e.Input.Datums
	if d == nil {
		if at, ok := e.geographic(); ok {
			d = defaultDatums(at)
		}
	}
	var out []string
	for _, name := range append([]string{"WGS-84", e.Input.Result.Grid.Frame}, d...) {
		if name != "" && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	return out
}

// deviation is the standard deviation per axis of coordinate operations by their
// stated accuracies, which the budget reads as 68.27 % radii; 0 without any.
func deviation(ops ...*grid.Operation) float64 {
	sum := 0.0
	for _, op := range ops {
		if op != nil && op.Accuracy != nil {
			sum = math.Hypot(sum, match.RadiusSigma(*op.Accuracy, 0.6827))
		}
	}
	return sum
}

// shifts keeps the shifts of candidates, to leave out what is the same as one
// before or too small to be looked at.
type shifts struct {
	least float64
	seen  []match.Vector
}

func (s *shifts) fresh(v match.Vector) bool {
	if math.Hypot(v.E, v.N) < s.least || slices.ContainsFunc(s.seen, func(t match.Vector) bool { return math.Hypot(v.E-t.E, v.N-t.N) < s.least/4 }) {
		return false
	}
	s.seen = append(s.seen, v)
	return true
}

// shiftParams are a shift in metres that was not fitted.
func shiftParams(v match.Vector) []Param {
	return []Param{{Name: "shift east", Value: v.E, Unit: "m"}, {Name: "shift north", Value: v.N, Unit: "m"}}
}

// tagDatum: the tags are in another datum than they state. Datums that only a
// ballpark operation leads from are not tried.
func tagDatum(ctx context.Context, e *Evidence) ([]Hypothesis, error) {
	k := slices.IndexFunc(e.Photos, func(p Photo) bool { return p.OnGrid != nil && p.Point >= 0 && !p.Void })
	if k < 0 || !e.troubled() {
		return nil, nil
	}
	p := &e.Photos[k] // to try a frame on
	seen := shifts{least: material * e.threshold()}
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
		if !seen.fresh(s) {
			continue
		}
		h := Hypothesis{Coherent: true, Predicts: true, Accuracy: deviation(q.Op)}
		for i := range e.Photos {
			if q := &e.Photos[i]; q.At != nil && !q.Void && q.Frame.Datum != d {
				h.Changes = append(h.Changes, Change{Photo: i, Datum: &d})
			}
		}
		h.Params = append([]Param{{Name: "datum", Text: d}, {Name: "stated", Text: p.Frame.Datum}}, shiftParams(s)...)
		raw := p.Tag.MapDatum
		h.Fix = func(f *Found, e *Evidence) *Fix {
			switch {
			case f.Group.Kind != GroupAll:
				return nil // the settings hold for all photos
			case raw == "":
				return &Fix{Settings: []Setting{{"frame.datum", strconv.Quote(d), "the tags state no datum and are in " + d}}}
			}
			return &Fix{Settings: []Setting{{"frame.datums." + strconv.Quote(raw), strconv.Quote(d), "the tags state " + raw + " and are in " + d}}}
		}
		out = append(out, h)
	}
	return priced(out), nil
}

// Bounds in metres of what a common shift is: a base on wrong coordinates, a datum
// that is not known. A smaller one may be a crew that keeps to one side of the points;
// what lies further off is a reason not to write, and as likely another site's points;
// beyond leastGrid it is another grid. Common practice, no source.
const (
	leastShift    = 10
	farthestShift = 200
	leastGrid     = 20_000
)

// commonShift: all tags, or those of a camera or a day, are off by the same for no
// reason known: a datum that was not tried, a base station on wrong coordinates, an
// offset set in the app.
func commonShift(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	var out []Hypothesis
	least := math.Max(leastShift, material*e.threshold())
	// add is the hypothesis that photos, out of those listed, share the shift s.
	add := func(at []int, s match.Vector, cost float64) {
		size := math.Hypot(s.E, s.N)
		if size < least || size > farthestShift {
			return
		}
		h := Hypothesis{Changes: make([]Change, len(at)), Coherent: true, Scope: ScopeAll, Free: 2, MinPhotos: 5}
		for k, i := range at {
			h.Changes[k] = Change{Photo: i, Move: &s}
		}
		sigma := e.Photos[at[0]].noise.sigma
		// The direction is any, and the logarithm of the size uniform between that of
		// sigma and of the most that it can be: what the standard error leaves of that
		// is the rest of the cost, with what BIC counts.
		h.Cost = cost + math.Max(0, math.Log(size*size*math.Log(farthestShift/sigma)/(sigma*sigma)))
		h.Params = shiftParams(s)
		h.Params[0].sigma, h.Params[1].sigma = sigma, sigma
		out = append(out, h)
	}
	for _, g := range e.walks.groups {
		if at, ds := e.offsets(g.photos, false); len(at) >= 5 {
			add(at, centre(ds, e.Photos[at[0]].noise.sigma), math.Log(float64(g.of)))
		}
	}
	return out, nil
}

// steps are the coarse steps, in degrees, that tags are rounded to, the coarsest first.
var steps = geotag.RoundSteps()

// metresPerDegree is a degree of a great circle on a sphere of the earth's mean radius.
const metresPerDegree = 6371008.8 * math.Pi / 180

// onStep says that the photo's position is written in a step, in degrees.
func (p *Photo) onStep(step float64) bool {
	return (&geotag.Position{Lat: p.At.Lat, Lon: p.At.Lon, Step: p.digits()}).OnStep(step)
}

// roundedTags: latitude and longitude are rounded, or cut off, to a step that is
// coarse beside the budget.
func roundedTags(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	on, out, tags := make([][2][]Change, len(steps)), make([]int, len(steps)), 0
	for i := range e.Photos {
		p := &e.Photos[i]
		if p.At == nil || p.Void || p.blur != nil {
			continue
		}
		tags++
		written := e.written[p.Camera]
		for k, s := range steps {
			if s/2*metresPerDegree < 0.75*p.Threshold {
				break // as all finer ones
			}
			// Where all tags of a camera are on a coarse step, some are on others too.
			if !p.onStep(s) || written >= steps[len(steps)-1] && written != s {
				continue
			}
			chance := roundChance(s, math.Max(written, p.digits()))
			if chance < leastRound {
				continue
			}
			half := match.Vector{E: s / 2 * metresPerDegree * math.Cos(p.At.Lat*math.Pi/180), N: s / 2 * metresPerDegree}
			cut := &match.Vector{E: -math.Copysign(half.E, p.At.Lon), N: -math.Copysign(half.N, p.At.Lat)}
			on[k][0] = append(on[k][0], Change{Photo: i, Blur: &half, LogP: chance})
			on[k][1] = append(on[k][1], Change{Photo: i, Blur: &half, LogP: chance, Move: cut})
			if p.Out {
				out[k]++
			}
		}
	}
	var all []Hypothesis
	for k, s := range steps {
		for how, changes := range on[k] {
			if out[k] < 2 {
				continue
			}
			chosen := logChoose(tags, len(changes)) / float64(len(changes))
			for i := range changes { // of many tags chance puts some on a step
				changes[i].LogP -= chosen
			}
			all = append(all, Hypothesis{
				Changes: changes, MinPhotos: 2, Cost: math.Log(float64(len(steps))) + math.Ln2,
				Params: []Param{{Name: "step", Value: s, Unit: "deg"}, {Name: "step north", Value: s * metresPerDegree, Unit: "m"}, {Name: "how", Text: [...]string{"rounded", "cut off"}[how]}},
			})
		}
	}
	return all, nil
}

// digits is what the digits of a photo's position resolve, in degrees; 0 where that is
// not known.
func (p *Photo) digits() float64 {
	if p.Tag == nil || p.Tag.Position == nil {
		return 0
	}
	return p.Tag.Position.Step
}

// learnSteps sets the step, in degrees, that each camera writes nearly all its positions in;
// none where that is neither of steps nor a hundredth of one.
func (e *Evidence) learnSteps() {
	for camera, photos := range e.walks.seq {
		for _, by := range []float64{1, 100} {
			for _, s := range steps {
				if e.written[camera] == 0 && e.allOn(photos, s/by) {
					e.written[camera] = s / by
				}
			}
		}
	}
}

// allOn says that nine in ten of photos' positions and more are written in a step.
func (e *Evidence) allOn(photos []int, step float64) bool {
	off := 0
	for _, i := range photos {
		if p := &e.Photos[i]; p.At != nil && !p.onStep(step) {
			if off++; 10*off > len(photos) {
				return false
			}
		}
	}
	return true
}

// rounds says that a camera's tags are written in a step that is coarse beside the
// standard deviation of a photo by its budget, which makes errors larger than stated.
func (e *Evidence) rounds(camera string, sigma float64) bool {
	return e.written[camera]*metresPerDegree/math.Sqrt(12) > sigma
}

// leastRound is the least evidence for a tag to be called rounded: one in a hundred of
// those that the camera writes is on the step by chance.
const leastRound = 4.6

// roundChance is the evidence, in nats, that a position on a step is no chance, where
// the camera writes all its positions in another. By chance hardly any place is at a
// round figure, unless all are at figures nearly as round.
func roundChance(step, written float64) float64 {
	const most = 6
	if written == 0 || written >= step {
		return most
	}
	return math.Min(most, 2*math.Log(step/written))
}

// sameTag is a set of photos whose tags repeat one, figure by figure.
type sameTag struct {
	photos []int // in the order of time
	from   int   // the photo whose own tag it is; -1 where that can't be told
	// run says that they follow one another and are of one camera.
	run bool
}

// alike sorts photos by what their tags read, in the order of time.
func (e *Evidence) alike() []sameTag {
	of := make(map[grid.LatLon]int)
	var out []sameTag
	last := make(map[string]grid.LatLon) // of each camera
	for _, i := range e.walks.all {
		p := &e.Photos[i]
		if p.Tag == nil || p.Tag.Position == nil {
			continue
		}
		at := grid.LatLon{Lat: p.Tag.Position.Lat, Lon: p.Tag.Position.Lon}
		k, ok := of[at]
		if !ok {
			k = len(out)
			of[at] = k
			out = append(out, sameTag{run: true, from: -1})
		}
		s := &out[k]
		s.run = s.run && (!ok || last[p.Camera] == at && p.Camera == e.Photos[s.photos[0]].Camera)
		s.photos = append(s.photos, i)
		last[p.Camera] = at
	}
	return slices.DeleteFunc(out, func(s sameTag) bool { return len(s.photos) < 2 })
}

// off is by how many times the budget a tag is off, but for what its outing has in
// common; 0 where it has no discrepancy. A tag that says itself that it is no good is
// off by what others allow.
func (e *Evidence) off(p *Photo, usual float64) float64 {
	allowed := math.Min(p.Threshold, 3*usual)
	switch {
	case p.D != nil:
		c := e.shared[p.outing]
		return math.Hypot(p.D.E-p.noise.expected.E-c.E, p.D.N-p.noise.expected.N-c.N) / allowed
	case p.coarse != nil && p.Point >= 0:
		at := &e.Points[p.Point]
		return math.Hypot(p.coarse.E-at.E, p.coarse.N-at.N) * e.unit / allowed
	}
	return 0
}

// repeated marks the photos whose tags say nothing, since they repeat that of a
// photo of a minute before or more, and returns those that a cause is named for: all
// that are stale in a frozen run, and of scattered ones those that are out, and
// further than most photos with tags of their own. A fix some seconds old is not stale.
func (e *Evidence) repeated() []sameTag {
	usual, sets := e.threshold(), e.alike()
	alike := make(map[int]bool)
	for _, s := range sets {
		for _, i := range s.photos {
			alike[i] = true
		}
	}
	var others []float64
	for i := range e.Photos {
		if p := &e.Photos[i]; p.D != nil && !alike[i] {
			others = append(others, e.off(p, usual))
		}
	}
	if len(others) > 0 {
		usual *= math.Max(1, 2*medianOf(others))
	}
	var named []sameTag
	for _, s := range sets {
		apart := e.apart(s.photos)
		stale, bad := e.stale(&s, usual, apart)
		if len(stale) == 0 || !apart {
			continue
		}
		for _, i := range s.photos {
			e.Photos[i].repeats = true
		}
		if bad {
			s.photos = stale
			named = append(named, s)
		}
	}
	return named
}

// apart says that a fifth of photos with the same tag and more are of points further
// from the middle of all than what the digits of the tag leave open.
func (e *Evidence) apart(photos []int) bool {
	var east, north []float64
	for _, i := range photos {
		if j := e.Photos[i].Point; j >= 0 {
			east, north = append(east, e.Points[j].E*e.unit), append(north, e.Points[j].N*e.unit)
		}
	}
	if len(east) < 2 {
		return false
	}
	at, step, far := grid.EN{E: medianOf(east), N: medianOf(north)}, e.Photos[photos[0]].Tag.Position.Coarseness()*metresPerDegree, 0
	for k := range east {
		if math.Hypot(east[k]-at.E, north[k]-at.N) > 2*step {
			far++
		}
	}
	return 5*far >= len(east)
}

// stale returns the photos whose tag is not their own, and whether they are so far out that a
// cause is to be named; ten times the budget off is no fresh fix. It sets whose tag it is.
func (e *Evidence) stale(s *sameTag, usual float64, apart bool) (stale []int, bad bool) {
	first := &e.Photos[s.photos[0]]
	fine := first.Tag.Position.Coarseness()*metresPerDegree < 0.5
	// Of a run that is off from the start, not even the first has a fix of its own.
	if s.run && e.off(first, usual) <= 2 {
		s.from = s.photos[0]
	}
	out := 0
	for _, i := range s.photos {
		p, off := &e.Photos[i], e.off(&e.Photos[i], usual)
		fresh := off <= 10 && !p.Time.IsZero() && !first.Time.IsZero() && p.Time.Sub(first.Time).Abs() < time.Minute
		frozen := s.run && i != s.from && (!fresh || len(stale) > 0) && (apart || fine)
		if !frozen && (s.run || off <= 1) {
			if s.from < 0 && off > 0 {
				s.from = i
			}
			continue
		}
		stale = append(stale, i)
		if off > 1 {
			out++
		}
		bad = bad || off > 2
	}
	if bad = bad || out > 2; bad && s.run && s.from >= 0 {
		stale = s.photos[1:] // the receiver had stopped by the first of them
	}
	return stale, bad
}

// frozenFix: photos one after another carry the tag of the first: the receiver had
// lost its fix, and the app went on writing the last one.
func frozenFix(_ context.Context, e *Evidence) ([]Hypothesis, error) { return e.repeating(true), nil }

// repeatedTag: photos here and there carry the same tag, which was copied or is no
// fix of theirs.
func repeatedTag(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	return e.repeating(false), nil
}

func (e *Evidence) repeating(run bool) []Hypothesis {
	return append(e.repeatingOf(run, false), e.repeatingOf(run, true)...)
}

// repeatingOf is the hypothesis of tags that can be judged, or of those too coarse to.
func (e *Evidence) repeatingOf(run, coarse bool) []Hypothesis {
	h := Hypothesis{Scope: ScopeSome, Rate: 0.005}
	for _, s := range e.same {
		s.photos = slices.DeleteFunc(slices.Clone(s.photos), func(i int) bool { return coarse != (e.Photos[i].coarse != nil) })
		// Photos of one point, once their links are mended, may have like tags.
		if len(s.photos) == 0 || s.run != run || !run && !e.apart(s.photos) {
			continue
		}
		for _, i := range s.photos {
			// By chance a fix repeats to within what its digits resolve, or a decimetre.
			p := &e.Photos[i]
			repeats := -2 * math.Log(math.Max(0.1, p.Tag.Position.Coarseness()*metresPerDegree))
			if coarse {
				repeats += math.Log(2 * math.Pi * p.Sigma * p.Sigma) // against any place within its own error
			}
			h.Changes = append(h.Changes, Change{Photo: i, Void: true, Shows: coarse, LogP: repeats})
		}
		h.Items = append(h.Items, s.photos)
		if s.from >= 0 {
			h.Params = append(h.Params, Param{Name: "tag of", Text: e.Photos[s.from].Name})
		}
	}
	if len(h.Items) == 0 {
		return nil
	}
	return []Hypothesis{h}
}
