package cause

import (
	"cmp"
	"context"
	"math"
	"slices"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// stop is a point where a crew was.
type stop struct {
	at    time.Time
	point int
}

// stops returns the points that photos of a set are tied to, in the order of
// observation.
func (e *Evidence) stops(photos []int) []stop {
	seen := make(map[int]bool)
	var out []stop
	for _, i := range photos {
		j := e.Photos[i].Point
		if j < 0 || seen[j] || e.Points[j].Observed.IsZero() {
			continue
		}
		seen[j] = true
		out = append(out, stop{e.Points[j].Observed, j})
	}
	slices.SortFunc(out, func(a, b stop) int { return a.at.Compare(b.at) })
	return out
}

// onFoot is how fast crews walk, in metres per second. Common practice, no source.
const onFoot = 1.2

// route is where a crew was when.
type route struct {
	stops []stop
	pace  float64 // metres per second
}

// routeOf returns the route of the crew that took photos. A crew whose points are
// further apart than it could walk in between drives.
func (e *Evidence) routeOf(photos []int) route {
	w := route{e.stops(photos), onFoot}
	var v []float64
	for k := 1; k < len(w.stops); k++ {
		a, b := w.stops[k-1], w.stops[k]
		pa, pb := e.Points[a.point].EN, e.Points[b.point].EN
		if gap := b.at.Sub(a.at); gap < longBreak {
			v = append(v, math.Hypot(pb.E-pa.E, pb.N-pa.N)*e.unit/math.Max(gap.Seconds()-60, 5))
		}
	}
	if len(v) > 0 {
		w.pace = math.Max(onFoot, medianOf(v))
	}
	return w
}

// longBreak is a gap between observations that parts two outings.
const longBreak = 2 * time.Hour

// whereabouts returns where a crew was at a time: at a point from half a minute before
// its observation until it has to leave for the next one, or between the two.
func (e *Evidence) whereabouts(w route, t time.Time) grid.EN {
	stops := w.stops
	k, _ := slices.BinarySearchFunc(stops, t, func(s stop, t time.Time) int { return s.at.Compare(t) })
	switch {
	case k == 0:
		return e.Points[stops[0].point].EN
	case k == len(stops):
		return e.Points[stops[k-1].point].EN
	}
	a, b := stops[k-1], stops[k]
	pa, pb := e.Points[a.point].EN, e.Points[b.point].EN
	if b.at.Sub(a.at) > longBreak {
		// Between two outings a crew is nowhere: at the nearer in time.
		if t.Sub(a.at) < b.at.Sub(t) {
			return pa
		}
		return pb
	}
	arrive := b.at.Add(-35 * time.Second)
	need := math.Hypot(pb.E-pa.E, pb.N-pa.N) * e.unit / w.pace
	need = math.Min(need, math.Max(1, arrive.Sub(a.at).Seconds()))
	share := 1 - arrive.Sub(t).Seconds()/need
	share = math.Max(0, math.Min(1, share))
	return grid.EN{E: pa.E + share*(pb.E-pa.E), N: pa.N + share*(pb.N-pa.N)}
}

// usualLag is how long after its point's observation a photo is taken, in seconds.
const usualLag = 10.0

// trackOffset: the tags were taken from a track of the crew with a clock that was
// off, so that each shows where the crew was some time before or after. It needs
// photos with times and points with times of observation.
func trackOffset(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	var out []Hypothesis
	// The crew that a camera walks with: the points that its photos are tied to.
	routes := make(map[string]route)
	for _, c := range e.walks.cameras {
		routes[c] = e.routeOf(e.walks.seq[c])
	}
	for _, g := range e.walks.groups {
		out = append(out, e.tracks(routes, g.photos, ScopeAll, math.Log(float64(g.of)))...)
	}
	return append(out, e.tracks(routes, e.walks.groups[0].photos, ScopeRuns|ScopeSome, 0)...), nil
}

// tracks proposes offsets of a track's clock for photos of a set.
func (e *Evidence) tracks(routes map[string]route, in []int, scope Scope, cost float64) []Hypothesis {
	var at, moved []int
	var lag []float64
	for _, i := range in {
		p := &e.Photos[i]
		if p.D == nil || p.where != nil || p.repeats || p.Time.IsZero() || e.Points[p.Point].Observed.IsZero() || len(routes[p.Camera].stops) < 3 {
			continue
		}
		at = append(at, i)
		if p.Out {
			moved = append(moved, i)
		}
		if p.Out || scope == ScopeAll {
			lag = append(lag, p.Time.Sub(e.Points[p.Point].Observed).Seconds())
		}
	}
	if len(moved) < 5 || scope == ScopeAll && 10*len(moved) < len(at) {
		return nil
	}
	late := medianOf(lag)
	dev := spread(lag, late)
	// A clock that is off has all photos lag alike, and wrong links do not.
	if dev > 60 {
		return nil
	}
	consider := func(shift, offset, cost float64) Hypothesis {
		h := Hypothesis{Coherent: true, Scope: scope, Free: 1, MinPhotos: 5, Cost: cost}
		h.Params = []Param{{Name: "offset", Value: offset, Unit: "s", sigma: dev}}
		for _, i := range at {
			p, ch := &e.Photos[i], Change{Photo: i}
			if shift == 0 {
				// The times have to lag as the cause says, and not as usual.
				lag := p.Time.Sub(e.Points[p.Point].Observed).Seconds()
				ch.LogP = lagged(lag-late) - lagged(lag-usualLag)
			}
			own := e.Points[p.Point].EN
			for _, dt := range []float64{-24, -12, 0, 12, 24} {
				en := e.whereabouts(routes[p.Camera], p.Time.Add(time.Duration((shift+dt)*float64(time.Second))))
				ch.Where = append(ch.Where, match.Vector{E: (en.E - own.E) * e.unit, N: (en.N - own.N) * e.unit})
			}
			h.Changes = append(h.Changes, ch)
		}
		return h
	}
	var out []Hypothesis
	// The clock's error is in the photos' times too: then these fit the track and not
	// the observations.
	if math.Abs(late-usualLag) > 30 {
		out = append(out, consider(0, late-usualLag, cost))
	}
	// Or the track's clock was off alone: then the times fit the observations.
	if math.Abs(late-usualLag) < 60 {
		if s, tried := bestShift(e, moved, routes); s != 0 {
			out = append(out, consider(s, s, cost+math.Log(float64(tried))))
		}
	}
	return out
}

// lagged is the logarithm of the likelihood of a lag that differs from the usual
// one by so many seconds: half a minute or so as a rule, and anything at times.
func lagged(s float64) float64 {
	const dev = 40
	return logAdd(-s*s/(2*dev*dev), -4)
}

// bestShift finds by how many seconds the tags lag behind the times of photos:
// the shift whose places along the walk are nearest to the tags, or to some of many; 0
// where none helps.
func bestShift(e *Evidence, at []int, routes map[string]route) (best float64, tried int) {
	sum := func(shift, most float64) float64 {
		total := 0.0
		for k := 0; k < len(at) && total < most; k += max(1, len(at)/2000) {
			p := &e.Photos[at[k]]
			own := e.Points[p.Point].EN
			en := e.whereabouts(routes[p.Camera], p.Time.Add(time.Duration(shift*float64(time.Second))))
			d := math.Hypot(p.D.E-(en.E-own.E)*e.unit, p.D.N-(en.N-own.N)*e.unit) / (2 * p.Sigma)
			total += math.Log1p(d * d)
		}
		return total
	}
	least := sum(0, math.Inf(1))
	try := func(s float64) {
		tried++
		if v := sum(s, least); v < least {
			least, best = v, s
		}
	}
	for s := 15.0; s <= 600; s += 15 {
		try(s)
		try(-s)
	}
	for s := 1800.0; s <= 14*3600; s += 1800 {
		try(s)
		try(-s)
	}
	return best, tried
}

// ticking is a set of photos of one camera whose clock is off by the same.
type ticking struct {
	photos []int
	// off is the clock minus the true time in seconds, and se its standard error.
	off, se float64
	// against says what tells: "fixes" or "observations". first is the instant of
	// the first photo by that.
	against string
	first   time.Time
	// either says that the zone of the clock is not known and another one, with
	// another offset, is nearly as likely: or is that offset.
	either bool
	or     float64
	// exact is the error for fixes that are as old as the quarter least so.
	exact float64
}

// clockErrors sorts the photos of a camera by what its clock shows minus the time
// of its fixes: each set has three photos or more within four seconds, or within
// half a minute where fixes are older than that.
func clockErrors(e *Evidence, camera string) []ticking {
	var photos []int
	var off []float64
	var last time.Time
	for _, i := range e.walks.seq[camera] {
		p := &e.Photos[i]
		if p.Clock.IsZero() || p.Tag.GPSTime == nil || p.Tag.GPSTime.Equal(last) {
			continue // a repeated fix has the time of the first
		}
		last = *p.Tag.GPSTime
		photos = append(photos, i)
		off = append(off, p.Clock.Sub(last).Seconds())
	}
	order := make([]int, len(photos))
	for k := range order {
		order[k] = k
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(off[a], off[b]) })
	var out []ticking
	for a := 0; a < len(order); {
		b := a + 1
		for b < len(order) && off[order[b]]-off[order[b-1]] < 4 {
			b++
		}
		if b-a >= 3 {
			t := ticking{against: "fixes"}
			var v []float64
			for _, k := range order[a:b] {
				t.photos = append(t.photos, photos[k])
				v = append(v, off[k])
			}
			t.off, t.exact = medianOf(v), v[len(v)/4]
			t.se = math.Hypot(0.5, spread(v, t.off)/math.Sqrt(float64(len(v))))
			slices.Sort(t.photos)
			t.first = *e.Photos[t.photos[0]].Tag.GPSTime
			if zone := e.zoneOf(&t); zone != 0 {
				t.off, t.exact = t.off-zone, t.exact-zone
			}
			out = append(out, t)
		}
		a = b
	}
	return out
}

// zoneOf is the zone in seconds that a clock is set to where its images do not state
// it: of those in use about the job, the one that leaves the least error, since
// small errors are more usual. Zones are whole hours but for some countries; the
// other zone within an hour and a half is kept as the alternative.
func (e *Evidence) zoneOf(t *ticking) float64 {
	stated := true
	for _, i := range t.photos {
		stated = stated && e.Photos[i].Tag.Taken.HasOffset
	}
	if stated {
		return 0
	}
	step := 3600.0
	at, ok := e.geographic()
	if ok && oddZone(at) {
		step = 900
	}
	zone := step * math.Round(t.off/step)
	if ok {
		// No zone in use is further than three and a half hours from the sun's.
		sun := at.Lon * 240
		zone = math.Max(step*math.Ceil((sun-12600)/step), math.Min(step*math.Floor((sun+12600)/step), zone))
	}
	rest := t.off - zone
	if step == 3600 && math.Abs(rest) > 900 {
		t.either, t.or = true, rest-math.Copysign(step, rest)
	}
	return zone
}

// oddZone says that a place is in a country whose zone is not a whole hour: Iran and
// its neighbours to Myanmar, central Australia, Newfoundland, the Marquesas, the
// Chathams and Lord Howe. Boxes about them, from memory of the IANA database.
func oddZone(at grid.LatLon) bool {
	for _, b := range [...][4]float64{ // south, west, north, east
		{5, 44, 40, 102}, {-39, 127, -10, 142}, {46, -60, 61, -52}, {-12, -142, -7, -137}, {-45, -178, -43, -175}, {-32, 158, -31, 160},
	} {
		if at.Lat >= b[0] && at.Lon >= b[1] && at.Lat <= b[2] && at.Lon <= b[3] {
			return true
		}
	}
	return false
}

// leapOf is by how many seconds GPS time was ahead of UTC at a time. Source: IERS
// Bulletin C (from memory).
func leapOf(t time.Time) float64 {
	since := []time.Time{
		time.Date(2006, 1, 1, 0, 0, 0, 0, time.UTC), // 14 s
		time.Date(2009, 1, 1, 0, 0, 0, 0, time.UTC), // 15 s
		time.Date(2012, 7, 1, 0, 0, 0, 0, time.UTC), // 16 s
		time.Date(2015, 7, 1, 0, 0, 0, 0, time.UTC), // 17 s
		time.Date(2017, 1, 1, 0, 0, 0, 0, time.UTC), // 18 s
	}
	n := 13.0
	for _, s := range since {
		if !t.Before(s) {
			n++
		}
	}
	return n
}

// shown is a hypothesis from what images state, which moves no tag.
func shown(photos []int) Hypothesis {
	h := Hypothesis{Changes: make([]Change, len(photos)), Scope: ScopeAll, MinPhotos: 3}
	for k, i := range photos {
		h.Changes[k] = Change{Photo: i, Shows: true, LogP: 5}
	}
	return h
}

// leapSeconds: the time of the fixes is GPS time where the standard asks for UTC,
// ahead of the camera's clock by the leap seconds. It moves no tag. Only the times of
// fixes can show it, and only of two cameras or more: the clock of one may be slow by
// as much.
func leapSeconds(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	var all []int
	cameras := 0
	for _, c := range e.walks.cameras {
		errs := clockErrors(e, c)
		for _, t := range errs {
			// To within what whole seconds leave.
			if t.either || math.Abs(-t.exact-leapOf(t.first)) >= 0.8 {
				return nil, nil
			}
			all = append(all, t.photos...)
		}
		if len(errs) > 0 {
			cameras++
		}
	}
	if cameras < 2 {
		return nil, nil
	}
	h := shown(all)
	h.Params = []Param{{Name: "offset", Value: leapOf(*e.Photos[all[0]].Tag.GPSTime), Unit: "s"}}
	return []Hypothesis{h}, nil
}

// rollover is the period of the GPS week number in seconds, after which a receiver
// that does not know better writes dates that are years off.
const rollover = 1024 * 7 * 86400.0

func (t ticking) rolled() bool { return math.Abs(math.Abs(t.off)-rollover) < 86400 }

// dateRollover: the dates of fixes are 1024 weeks off. It moves no tag.
func dateRollover(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	var out []Hypothesis
	for _, c := range e.walks.cameras {
		for _, t := range clockErrors(e, c) {
			if t.rolled() {
				h := shown(t.photos)
				h.Params = []Param{{Name: "offset", Value: -math.Copysign(rollover, t.off), Unit: "s"}}
				out = append(out, h)
			}
		}
	}
	return out, nil
}

// leastClock is the least error of a clock that is named, in seconds: cameras are
// commonly off by less.
const leastClock = 45

// clockOffset: a camera's clock is off, as its fixes tell, or as the times of
// observation and another camera beside it do. A zone that the images don't state is
// none. It moves no tag, but ties made by time would be wrong.
func clockOffset(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	var out []Hypothesis
	for _, c := range e.walks.cameras {
		errs := clockErrors(e, c)
		if len(errs) == 0 {
			errs = e.observedOff(c)
		}
		for _, t := range errs {
			if math.Abs(t.off) < math.Max(leastClock, 4*t.se) || t.rolled() {
				continue
			}
			h := shown(t.photos)
			h.Params = []Param{{Name: "offset", Value: t.off, Unit: "s", StdErr: &t.se}, {Name: "against", Text: t.against}}
			if t.either {
				h.Params = append(h.Params, Param{Name: "or, in another zone", Value: t.or, Unit: "s"})
			}
			out = append(out, h)
		}
	}
	return out, nil
}

// observedOff is by how much a camera's clock differs from the observations of the
// points that its photos are tied to, where the images state no time of the fix. A
// crew may follow the survey hours later: only a camera of the same crew, which has
// photos of the same points about the time of their observation, tells.
func (e *Evidence) observedOff(camera string) []ticking {
	t := ticking{against: "observations"}
	var off, beside []float64
	ours := make(map[int]bool)
	for _, i := range e.walks.seq[camera] {
		if lag, ok := e.lag(i); ok && e.Photos[i].Tag.GPSTime == nil {
			t.photos = append(t.photos, i)
			off = append(off, lag)
			ours[e.Photos[i].Point] = true
		}
	}
	for i := range e.Photos {
		if lag, ok := e.lag(i); ok && e.Photos[i].Camera != camera && ours[e.Photos[i].Point] {
			beside = append(beside, lag)
		}
	}
	if len(off) < 10 || len(beside) < 5 {
		return nil
	}
	t.off = medianOf(off)
	usual := medianOf(beside)
	dev, rest := spread(off, t.off), spread(beside, usual)
	// A wider spread is that of photos taken on another visit.
	if dev > 300 || rest > 120 || math.Abs(usual) > 300 {
		return nil
	}
	t.off -= usual
	t.se = math.Hypot(30, math.Hypot(dev/math.Sqrt(float64(len(off))), rest/math.Sqrt(float64(len(beside)))))
	t.off -= e.zoneOf(&t)
	return []ticking{t}
}

// lag is how long after the observation of its point a photo was taken by its clock,
// in seconds.
func (e *Evidence) lag(i int) (float64, bool) {
	p := &e.Photos[i]
	if p.Clock.IsZero() || p.Point < 0 || e.Points[p.Point].Observed.IsZero() {
		return 0, false
	}
	return p.Clock.Sub(e.Points[p.Point].Observed).Seconds(), true
}
