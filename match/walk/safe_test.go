package walk_test

import (
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.com/phototie/grid"
	"example.com/phototie/match/walk"
)

// anyJob draws a job with no regard to any model: points anywhere, tags at their
// points, beside them, at others or copied, times that fit or do not, links and names
// right, wrong or missing, errors that are stated too small or too large.
func anyJob(t *rapid.T) ([]walk.Photo, []walk.Point) {
	start := time.Date(2026, 5, 4, 7, 0, 0, 0, time.UTC)
	spacing := rapid.Float64Range(1, 40).Draw(t, "spacing")
	points := make([]walk.Point, rapid.IntRange(2, 12).Draw(t, "points"))
	timed := rapid.Bool().Draw(t, "timed")
	for i := range points {
		points[i].EN = grid.EN{E: 5e5 + spacing*(float64(i)+rapid.Float64Range(-0.4, 0.4).Draw(t, "e")), N: 6e6 + spacing*rapid.Float64Range(-1, 1).Draw(t, "n")}
		if timed {
			points[i].Observed = start.Add(time.Duration(i) * time.Minute)
		}
	}
	photos := make([]walk.Photo, rapid.IntRange(1, 30).Draw(t, "photos"))
	sigma := rapid.Float64Range(0.3, 8).Draw(t, "sigma")
	stated := sigma * rapid.Float64Range(0.3, 3).Draw(t, "stated")
	late := rapid.IntRange(-1, 1).Draw(t, "late")
	for i := range photos {
		p := &photos[i]
		shows := min(len(points)-1, i*len(points)/len(photos))
		at := rapid.IntRange(0, len(points)-1).Draw(t, "at")
		if rapid.IntRange(0, 5).Draw(t, "astray") > 0 {
			at = shows
		}
		err := func() float64 { return sigma * rapid.Float64Range(-2.5, 2.5).Draw(t, "error") }
		p.Pos = &grid.EN{E: points[at].E + err(), N: points[at].N + err()}
		if i > 0 && rapid.IntRange(0, 7).Draw(t, "copied") == 0 {
			p.Pos = photos[rapid.IntRange(0, i-1).Draw(t, "of")].Pos
		}
		p.Sigma, p.Within = stated, 2.4477*stated
		if rapid.IntRange(0, 3).Draw(t, "clock") > 0 {
			p.Time, p.Zoned = start.Add(time.Duration(i*60*len(points)/len(photos))*time.Second), true
		}
		switch rapid.IntRange(0, 7).Draw(t, "link") {
		case 0:
		case 1:
			p.Listed = []int{rapid.IntRange(0, len(points)-1).Draw(t, "linked")}
		default:
			p.Listed = []int{max(0, min(len(points)-1, shows+late))}
		}
		if rapid.IntRange(0, 7).Draw(t, "name") == 0 {
			p.Named = []int{rapid.IntRange(0, len(points)-1).Draw(t, "named")}
		}
	}
	return photos, points
}

func far(p *walk.Photo, q walk.Point) float64 { return math.Hypot(p.Pos.E-q.E, p.Pos.N-q.N) }

// TestSafety: whatever a job is like, no photo within the budget of its linked point
// is said to show none, and no link is contradicted, or called more likely wrong than
// right, for a point that the photo's tag is further from, that its name does not say
// and that was surveyed no nearer to its time, unless at least two photos of the same
// run are out at their listed points and within at the others, and more than the other
// way round.
func TestSafety(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		photos, points := anyJob(t)
		ties, err := walk.Decode(context.Background(), photos, points, walk.Params{})
		if err != nil {
			t.Fatal(err)
		}
		// The most that the learnt scale and shift widen the budget by.
		scale := 1.0
		var shift float64
		for _, s := range ties.Shifts {
			scale = max(scale, s.Noise.Scale)
			shift = max(shift, math.Hypot(s.E, s.N))
		}
		order := make([]int, len(photos))
		for i := range order {
			order[i] = i
		}
		at := func(i int) time.Time { // of the photo, or of the one before it
			for ; i > 0 && photos[i].Time.IsZero(); i-- {
			}
			return photos[i].Time
		}
		slices.SortStableFunc(order, func(a, b int) int { return at(a).Compare(at(b)) })
		accused := func(i int) bool {
			return ties.Photos[i].Status != walk.Unlisted && ties.Photos[i].Listed != ties.Photos[i].Point
		}
		for place, i := range order {
			p, tie := &photos[i], ties.Photos[i]
			if tie.Listed == walk.None {
				continue
			}
			if far(p, points[tie.Listed]) <= p.Within && tie.Point == walk.None {
				t.Fatalf("photo %d is within the budget of point %d and said to show none: %+v", i, tie.Listed, tie)
			}
			if tie.ListedProbability >= 0.5 || tie.Point == walk.None || tie.Status == walk.Contradicted && tie.Point == tie.Listed {
				continue
			}
			worse := far(p, points[tie.Point]) > far(p, points[tie.Listed])
			if !worse || slices.Contains(p.Named, tie.Point) || !p.Time.IsZero() && !points[0].Observed.IsZero() {
				continue // its own name or time may speak for it
			}
			if tie.Stale && far(p, points[tie.Listed]) > p.Within {
				continue // a repeated tag says nothing but that it is at its listed point
			}
			better := 0
			for step := -1; step <= 1; step += 2 {
				for k := place; k >= 0 && k < len(order) && (accused(order[k]) || ties.Photos[order[k]].Status == walk.Unlisted); k += step {
					q, other := &photos[order[k]], ties.Photos[order[k]]
					if !accused(order[k]) || other.Point == walk.None || step > 0 && k == place {
						continue
					}
					if far(q, points[other.Point]) <= scale*q.Within+shift && far(q, points[other.Listed]) > q.Within-shift {
						better++
					}
				}
			}
			if better < 2 {
				t.Fatalf("photo %d: tag %.1f m from point %d and %.1f m from %d, which is listed; %d others of its run bear it out: %+v",
					i, far(p, points[tie.Point]), tie.Point, far(p, points[tie.Listed]), tie.Listed, better, tie)
			}
		}
	})
}

// TestRepeatsTellNothing: where scattered photos have one tag, where that lies makes no
// difference to any tie.
func TestRepeatsTellNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		photos, points := anyJob(t)
		if len(photos) < 6 {
			return
		}
		for i := range photos {
			photos[i].Listed = []int{i * len(points) / len(photos)}
		}
		var copies []int
		for i := 0; i < len(photos); i += 2 {
			copies = append(copies, i)
		}
		decode := func(at grid.EN) *walk.Ties {
			for _, i := range copies {
				photos[i].Pos = &at
			}
			ties, err := walk.Decode(context.Background(), photos, points, walk.Params{})
			if err != nil {
				t.Fatal(err)
			}
			return ties
		}
		one, two := decode(grid.EN{E: 5e5 + 300, N: 6e6 + 100}), decode(grid.EN{E: 5e5 - 2000, N: 6e6 + 90})
		for i := range photos {
			a, b := one.Photos[i], two.Photos[i]
			if i%2 == 0 && (!a.Stale || a.Repeats == walk.None) {
				t.Fatalf("photo %d has the tag of others and passes for sound: %+v", i, a)
			}
			if i%2 == 1 && (a.Point != b.Point || math.Abs(a.Probability-b.Probability) > 1e-6) {
				t.Fatalf("photo %d: %+v, with the copies elsewhere %+v", i, a, b)
			}
		}
	})
}

// TestRepeats: what is named as a repetition, and what chance may have made.
func TestRepeats(t *testing.T) {
	start := time.Date(2026, 5, 4, 7, 0, 0, 0, time.UTC)
	points := []walk.Point{{}, {EN: grid.EN{E: 30}}, {EN: grid.EN{E: 60}}, {EN: grid.EN{E: 90}}}
	for name, c := range map[string]struct {
		at     []float64 // E of each photo
		linked []int
		step   float64
		stale  []bool
		named  bool
	}{
		"frozen":              {[]float64{1, 1, 1, 91}, []int{0, 1, 2, 3}, 0.01, []bool{false, true, true, false}, true},
		"scattered":           {[]float64{1, 32, 1, 91}, []int{0, 1, 2, 3}, 0.01, []bool{true, false, true, false}, true},
		"steps of 5 m":        {[]float64{0, 30, 0, 90}, []int{0, 1, 0, 3}, 5, []bool{false, false, false, false}, false},
		"steps, one by one":   {[]float64{0, 0, 60, 90}, []int{0, 0, 2, 3}, 5, []bool{false, true, false, false}, false},
		"steps and far apart": {[]float64{0, 0, 0, 90}, []int{0, 1, 3, 3}, 0.5, []bool{false, true, true, false}, true},
	} {
		photos := make([]walk.Photo, len(c.at))
		for i, e := range c.at {
			photos[i] = walk.Photo{Time: start.Add(time.Duration(i) * 5 * time.Minute), Zoned: true, Pos: &grid.EN{E: e}, Sigma: 3, Step: c.step, Listed: []int{c.linked[i]}}
		}
		ties, err := walk.Decode(context.Background(), photos, points, walk.Params{})
		if err != nil {
			t.Fatal(err)
		}
		for i, tie := range ties.Photos {
			if tie.Stale != c.stale[i] || (tie.Repeats != walk.None) != (c.named && c.at[i] == c.at[0]) {
				t.Errorf("%s, photo %d: stale %v, repeats %d", name, i, tie.Stale, tie.Repeats)
			}
		}
	}
}
