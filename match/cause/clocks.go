package cause

import (
	"cmp"
	"context"
	"fmt"
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

// walk is where a crew was when.
type walk struct {
	stops []stop
	pace  float64 // metres per second
}

// walkOf returns the walk of the crew that took photos. A crew whose points are
// further apart than it could walk in between drives.
func (e *Evidence) walkOf(photos []int) walk {
	w := walk{e.stops(photos), onFoot}
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
func (e *Evidence) whereabouts(w walk, t time.Time) grid.EN {
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

// TrackOffset is the cause track-offset: the tags were taken from a track of the
// crew with a clock that was off, so that each shows where the crew was some time
// before or after. It needs photos with times and points with times of
// observation.
func TrackOffset() Cause {
	return known{name: "track-offset", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		var out []Hypothesis
		// The crew that a camera walks with: the points that its photos are tied to.
		walks := make(map[string]walk)
		for _, c := range e.walks.cameras {
			walks[c] = e.walkOf(e.walks.seq[c])
		}
		look := func(in []int, scope Scope, cost float64) {
			var at, moved []int
			var lag []float64
			for _, i := range in {
				p := &e.Photos[i]
				if p.D == nil || p.where != nil || p.Time.IsZero() || e.Points[p.Point].Observed.IsZero() || len(walks[p.Camera].stops) < 3 {
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
				return
			}
			const usual = 10.0 // photos are taken about the observation
			late := medianOf(lag)
			dev := spread(lag, late)
			consider := func(shift, offset, cost float64) {
				h := Hypothesis{Changes: make([]Change, len(e.Photos)), Coherent: true, Scope: scope, Free: 1, Least: 5, Cost: cost}
				for _, i := range at {
					p := &e.Photos[i]
					if shift == 0 {
						// The times have to lag as the cause says, and not as usual.
						lag := p.Time.Sub(e.Points[p.Point].Observed).Seconds()
						h.Changes[i].LogP = lagged(lag-late) - lagged(lag-usual)
					}
					own := e.Points[p.Point].EN
					for _, dt := range []float64{-24, -12, 0, 12, 24} {
						en := e.whereabouts(walks[p.Camera], p.Time.Add(time.Duration((shift+dt)*float64(time.Second))))
						h.Changes[i].Where = append(h.Changes[i].Where, match.Vector{E: (en.E - own.E) * e.unit, N: (en.N - own.N) * e.unit})
					}
				}
				h.Words = func(f *Found, e *Evidence) (string, string) {
					se := dev / math.Sqrt(f.Weight.Independent)
					f.Params = []Param{{Name: "offset", Value: offset, Unit: "s", StdErr: &se}}
					way, back := "later", "back"
					if offset < 0 {
						way, back = "earlier", "forward"
					}
					return fmt.Sprintf("%s: %s where the crew was %s %s: taken from a track by a clock that was off", f.Who(),
							pick(len(f.photos), "the tag shows", "the tags show"), span(offset), way),
						fmt.Sprintf("take the tags from the track again with the clock set %s %s, or correct the photos; the ties hold", span(offset), back)
				}
				out = append(out, h)
			}
			// The clock's error is in the photos' times too: then these fit the track
			// and not the observations.
			if math.Abs(late-usual) > 30 {
				consider(0, late-usual, cost)
			}
			// Or the track's clock was off alone: then the times fit the observations.
			if math.Abs(late-usual) < 60 {
				if s, tried := bestShift(e, moved, walks); s != 0 {
					consider(s, s, cost+math.Log(float64(tried)))
				}
			}
		}
		var everybody []int
		e.groupsOf(func(in []int, of int) {
			if of == 1 {
				everybody = in
			}
			look(in, ScopeAll, math.Log(float64(of)))
		})
		look(everybody, ScopeRuns|ScopeSome, 0)
		return out, nil
	}}
}

// lagged is the logarithm of the likelihood of a lag that differs from the usual
// one by so many seconds: half a minute or so as a rule, and anything at times.
func lagged(s float64) float64 {
	const dev = 40
	return logAdd(-s*s/(2*dev*dev), -4)
}

// bestShift finds by how many seconds the tags lag behind the times of photos:
// the shift whose places along the walk are nearest to the tags. 0 stands for
// none that helps.
func bestShift(e *Evidence, at []int, walks map[string]walk) (best float64, tried int) {
	sum := func(shift float64) float64 {
		total := 0.0
		for _, i := range at {
			p := &e.Photos[i]
			own := e.Points[p.Point].EN
			en := e.whereabouts(walks[p.Camera], p.Time.Add(time.Duration(shift*float64(time.Second))))
			d := math.Hypot(p.D.E-(en.E-own.E)*e.unit, p.D.N-(en.N-own.N)*e.unit) / (2 * p.Sigma)
			total += math.Log1p(d * d)
		}
		return total
	}
	least := sum(0)
	try := func(s float64) {
		tried++
		if v := sum(s); v < least {
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
	photos   []int
	off, dev float64 // seconds: the clock minus the time of the fix, and its spread
}

// clockErrors sorts the photos of a camera by what its clock shows minus the time
// of its fixes: each set has three photos or more within four seconds. A zone
// that the images don't state is no error and taken out, as quarters of an hour.
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
		for b < len(order) && off[order[b]]-off[order[a]] < 4 {
			b++
		}
		if b-a >= 3 {
			var t ticking
			var v []float64
			stated := true
			for _, k := range order[a:b] {
				t.photos = append(t.photos, photos[k])
				v = append(v, off[k])
				stated = stated && e.Photos[photos[k]].Tag.Taken.HasOffset
			}
			t.off = medianOf(v)
			t.dev = spread(v, t.off)
			if !stated {
				t.off -= 900 * math.Round(t.off/900)
			}
			out = append(out, t)
		}
		a = b
	}
	return out
}

// leap is by how many seconds GPS time was ahead of UTC from 2017 on, and leapOf
// by how many at a time. Source: IERS Bulletin C (from memory).
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
func shown(e *Evidence, photos []int) Hypothesis {
	h := Hypothesis{Changes: make([]Change, len(e.Photos)), Scope: ScopeAll, Least: 3}
	for _, i := range photos {
		h.Changes[i] = Change{Shows: true, LogP: 5}
	}
	return h
}

// isLeap says that a clock error is that of fixes in GPS time. Fixes are up to a
// second or so old.
func (t ticking) isLeap(e *Evidence) bool {
	d := -t.off - leapOf(*e.Photos[t.photos[0]].Tag.GPSTime)
	return d > -2.5 && d < 1
}

// LeapSeconds is the cause leap-seconds: the time of the fixes is GPS time where
// the standard asks for UTC, ahead of the camera's clock by the leap seconds. It
// moves no tag.
func LeapSeconds() Cause {
	return known{name: "leap-seconds", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		var all []int
		for _, c := range e.walks.cameras {
			for _, t := range clockErrors(e, c) {
				if t.isLeap(e) {
					all = append(all, t.photos...)
				}
			}
		}
		if len(all) == 0 {
			return nil, nil
		}
		leap := leapOf(*e.Photos[all[0]].Tag.GPSTime)
		h := shown(e, all)
		h.Params = []Param{{Name: "offset", Value: leap, Unit: "s"}}
		h.Words = func(f *Found, e *Evidence) (string, string) {
			return fmt.Sprintf("%s: the time of the fix is ahead of the clock by the %.0f leap seconds: it is GPS time and not UTC", f.Who(), leap),
				"no tag depends on it; allow for it where photos are tied by time"
		}
		return []Hypothesis{h}, nil
	}}
}

// ClockOffset is the cause clock-offset: a camera's clock is off by half a minute
// or more, as its fixes tell, or by ten minutes, as the times of observation
// tell. A zone that the images don't state is none. It moves no tag, but ties
// made by time would be wrong.
func ClockOffset() Cause {
	return known{name: "clock-offset", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		var out []Hypothesis
		add := func(t ticking, against string) {
			h := shown(e, t.photos)
			se := t.dev / math.Sqrt(float64(len(t.photos)))
			h.Params = []Param{{Name: "offset", Value: t.off, Unit: "s", StdErr: &se}}
			h.Words = func(f *Found, e *Evidence) (string, string) {
				way := "ahead of"
				if t.off < 0 {
					way = "behind"
				}
				return fmt.Sprintf("%s: the camera's clock is %s %s %s", f.Who(), span(t.off), way, against),
					"set the clock; no tag depends on it, but allow for it where photos are tied by time"
			}
			out = append(out, h)
		}
		for _, c := range e.walks.cameras {
			for _, t := range clockErrors(e, c) {
				if math.Abs(t.off) >= 30 && !t.isLeap(e) {
					add(t, "the time of its fixes")
				}
			}
			if t, ok := observedOff(e, c); ok && math.Abs(t.off) >= 600 {
				add(t, "the times of observation")
			}
		}
		return out, nil
	}}
}

// observedOff is by how much a camera's clock differs from the observations of
// the points that its photos are tied to, where the images state no time of the
// fix.
func observedOff(e *Evidence, camera string) (ticking, bool) {
	var t ticking
	var off []float64
	for _, i := range e.walks.seq[camera] {
		p := &e.Photos[i]
		if p.Clock.IsZero() || p.Point < 0 || e.Points[p.Point].Observed.IsZero() || p.Tag.GPSTime != nil {
			continue
		}
		v := p.Clock.Sub(e.Points[p.Point].Observed).Seconds()
		if !p.Tag.Taken.HasOffset {
			v -= 900 * math.Round(v/900)
		}
		t.photos = append(t.photos, i)
		off = append(off, v)
	}
	if len(t.photos) < 10 {
		return t, false
	}
	t.off = medianOf(off)
	t.dev = spread(off, t.off)
	// A wider spread is that of photos taken on another visit.
	return t, t.dev < 300
}
