package cause

import (
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

// pace is how fast crews walk, in metres per second. Common practice, no source.
const pace = 1.2

// where returns where a crew was at a time: at a point from half a minute before
// its observation until it has to leave for the next one, or between the two.
func (e *Evidence) whereabouts(stops []stop, t time.Time) grid.EN {
	k, _ := slices.BinarySearchFunc(stops, t, func(s stop, t time.Time) int { return s.at.Compare(t) })
	switch {
	case k == 0:
		return e.Points[stops[0].point].EN
	case k == len(stops):
		return e.Points[stops[k-1].point].EN
	}
	a, b := stops[k-1], stops[k]
	pa, pb := e.Points[a.point].EN, e.Points[b.point].EN
	arrive := b.at.Add(-35 * time.Second)
	need := math.Hypot(pb.E-pa.E, pb.N-pa.N) * e.unit / pace
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
	return known{"track-offset", func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		var out []Hypothesis
		e.groupsOf(func(in []int, of int) {
			var at []int
			moved := 0
			var lag []float64
			for _, i := range in {
				p := &e.Photos[i]
				if p.D == nil || p.where != nil || p.Time.IsZero() || e.Points[p.Point].Observed.IsZero() {
					continue
				}
				at = append(at, i)
				lag = append(lag, p.Time.Sub(e.Points[p.Point].Observed).Seconds())
				if p.Out {
					moved++
				}
			}
			if len(at) < 10 || moved < 5 || float64(moved) < 0.15*float64(len(at)) {
				return
			}
			// The crew that a set walks with: stops of all its photos, per camera.
			walks := make(map[string][]stop)
			for _, c := range e.walks.cameras {
				walks[c] = e.stops(e.walks.seq[c])
			}
			usual := 10.0 // photos are taken about the observation
			late := medianOf(lag)
			n := e.independent(at, false)
			se := spread(lag, late) / math.Sqrt(n)
			consider := func(shift, offset, cost float64) {
				h := Hypothesis{Changes: make([]Change, len(e.Photos)), Coherent: true, Scope: ScopeAll, Free: 1}
				for _, i := range at {
					p := &e.Photos[i]
					w := walks[p.Camera]
					if len(w) < 3 {
						continue
					}
					own := e.Points[p.Point].EN
					var places []match.Vector
					for _, dt := range []float64{-24, -12, 0, 12, 24} {
						en := e.whereabouts(w, p.Time.Add(time.Duration((shift+dt)*float64(time.Second))))
						places = append(places, match.Vector{E: (en.E - own.E) * e.unit, N: (en.N - own.N) * e.unit})
					}
					h.Changes[i].Where = places
				}
				h.Cost = cost + math.Log(float64(of))
				h.Params = []Param{{Name: "offset", Value: offset, Unit: "s", StdErr: &se}}
				h.Words = func(f *Found, e *Evidence) (string, string) {
					way := "later"
					if offset < 0 {
						way = "earlier"
					}
					return fmt.Sprintf("%s: the tags show where the crew was %s %s: they were taken from a track by a clock that was off", f.Who(), span(offset), way),
						fmt.Sprintf("take the tags from the track again with the clock set %s %s, or correct the photos; the ties hold", span(offset), map[bool]string{true: "back", false: "forward"}[offset > 0])
				}
				out = append(out, h)
			}
			// The clock's error is in the photos' times too: then these fit the track
			// and not the observations.
			if math.Abs(late-usual) > 30 {
				consider(0, late-usual, 0)
			}
			// Or the track's clock was off alone: then the times fit the observations.
			if math.Abs(late-usual) < 60 {
				if s, tried := bestShift(e, at, walks); s != 0 {
					consider(s, s, math.Log(float64(tried)))
				}
			}
		})
		return out, nil
	}}
}

// bestShift finds by how many seconds the tags lag behind the times of photos:
// the shift whose places along the walk are nearest to the tags. 0 stands for
// none that helps.
func bestShift(e *Evidence, at []int, walks map[string][]stop) (best float64, tried int) {
	sum := func(shift float64) float64 {
		total := 0.0
		for _, i := range at {
			p := &e.Photos[i]
			w := walks[p.Camera]
			if len(w) < 3 {
				continue
			}
			own := e.Points[p.Point].EN
			en := e.whereabouts(w, p.Time.Add(time.Duration(shift*float64(time.Second))))
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

// clockErrors is what a camera's clock shows minus the time of its fixes.
func clockErrors(e *Evidence, camera string) (photos []int, off []float64, stated bool) {
	stated = true
	for _, i := range e.walks.seq[camera] {
		p := &e.Photos[i]
		if p.Clock.IsZero() || p.Tag.GPSTime == nil {
			continue
		}
		photos = append(photos, i)
		off = append(off, p.Clock.Sub(*p.Tag.GPSTime).Seconds())
		stated = stated && p.Tag.Taken.HasOffset
	}
	return photos, off, stated
}

// steady keeps the photos whose clock error is that of most of a camera, and
// returns their median; nil where there is no such error. A zone that the images
// don't state is no error.
func steady(photos []int, off []float64, stated bool) ([]int, float64, float64) {
	if len(photos) < 3 {
		return nil, 0, 0
	}
	m := medianOf(off)
	var keep []int
	for k, i := range photos {
		if math.Abs(off[k]-m) < 4 {
			keep = append(keep, i)
		}
	}
	if 10*len(keep) < 6*len(photos) {
		return nil, 0, 0
	}
	s := spread(off, m)
	if !stated {
		m -= 900 * math.Round(m/900)
	}
	return keep, m, s
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

// LeapSeconds is the cause leap-seconds: the time of the fixes is GPS time where
// the standard asks for UTC, ahead of the camera's clock by the leap seconds. It
// moves no tag.
func LeapSeconds() Cause {
	return known{"leap-seconds", func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		var all []int
		for _, c := range e.walks.cameras {
			keep, m, _ := steady(clockErrors(e, c))
			if keep == nil {
				continue
			}
			// Fixes are up to a second or so old.
			leap := leapOf(*e.Photos[keep[0]].Tag.GPSTime)
			if d := -m - leap; d > -2 && d < 1 {
				all = append(all, keep...)
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
	return known{"clock-offset", func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		var out []Hypothesis
		for _, c := range e.walks.cameras {
			photos, off, stated := clockErrors(e, c)
			keep, m, s := steady(photos, off, stated)
			against := "the time of its fixes"
			if keep == nil {
				keep, m, s = observedOff(e, c)
				against = "the times of observation"
				if math.Abs(m) < 600 {
					continue
				}
			} else {
				leap := leapOf(*e.Photos[keep[0]].Tag.GPSTime)
				if d := -m - leap; math.Abs(m) < 30 || d > -2 && d < 1 {
					continue
				}
			}
			if keep == nil {
				continue
			}
			h := shown(e, keep)
			se := s / math.Sqrt(float64(len(keep)))
			h.Params = []Param{{Name: "offset", Value: m, Unit: "s", StdErr: &se}}
			h.Words = func(f *Found, e *Evidence) (string, string) {
				way := "ahead of"
				if m < 0 {
					way = "behind"
				}
				return fmt.Sprintf("%s: the camera's clock is %s %s %s", f.Who(), span(m), way, against),
					"set the clock; no tag depends on it, but allow for it where photos are tied by time"
			}
			out = append(out, h)
		}
		return out, nil
	}}
}

// observedOff is by how much a camera's clock differs from the observations of
// the points that its photos are tied to, where the images state no time of the
// fix.
func observedOff(e *Evidence, camera string) ([]int, float64, float64) {
	var photos []int
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
		photos = append(photos, i)
		off = append(off, v)
	}
	if len(photos) < 10 {
		return nil, 0, 0
	}
	m := medianOf(off)
	s := spread(off, m)
	if s > 300 {
		return nil, 0, 0 // the photos were taken on another visit
	}
	return photos, m, s
}
