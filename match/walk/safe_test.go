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
// difference to any tie, as long as it is within no budget of a linked point: there none shows
// no point, be the scale ten times as stated.
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
		one, two := decode(grid.EN{E: 5e5 + 3000, N: 6e6 + 100}), decode(grid.EN{E: 5e5 - 2000, N: 6e6 + 90})
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

// TestInsideIsSafe: two links that are swapped, with photos between them that are within
// the budget of their points, contradict none of those: not by the weight of what others
// of the run say. Tags lie between their own points and those before, as they do where a
// receiver lags.
func TestInsideIsSafe(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		spacing, lag := rapid.Float64Range(6, 11).Draw(t, "spacing"), rapid.Float64Range(0.2, 0.65).Draw(t, "lag")
		points := make([]walk.Point, 14)
		photos := make([]walk.Photo, len(points))
		const sigma = 4.0
		for i := range points {
			points[i].EN = grid.EN{E: 5e5 + spacing*float64(i), N: 6e6}
			at := grid.EN{E: points[i].E - lag*spacing, N: 6e6 + rapid.Float64Range(-2, 2).Draw(t, "n")}
			photos[i] = walk.Photo{Pos: &at, Sigma: sigma, Within: 2.4477 * sigma, Listed: []int{i}, Time: time.Unix(int64(1e9+60*i), 0), Zoned: true}
		}
		a, b := 5, 5+rapid.IntRange(2, 4).Draw(t, "apart")
		photos[a].Listed, photos[b].Listed = []int{b}, []int{a}
		ties, err := walk.Decode(context.Background(), photos, points, walk.Params{})
		if err != nil {
			t.Fatal(err)
		}
		for i, tie := range ties.Photos {
			if i != a && i != b && tie.Status == walk.Contradicted {
				t.Fatalf("photo %d is %.1f m from its point, %.1f m is within, and two others are out: %+v", i, far(&photos[i], points[i]), photos[i].Within, tie)
			}
		}
	})
}

// TestJump: a receiver that jumps for a while accuses no links. Points stand in a row,
// all links are right, and the tags of some photos in a row are moved by one vector.
// Where links are contradicted for points that are all as far along, what tags have in
// common there is as near to 0 as the rule of the package's doc has it: with v the
// variance, r and a the mean errors at the listed points and at the others,
// a²/v <= 3 ln(1 + r²/9v) + 2 ln 9 - 4. And links of tags that lie together where no
// points are, are not contradicted at all.
func TestJump(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		spacing, away := rapid.Float64Range(8, 14).Draw(t, "spacing"), rapid.Bool().Draw(t, "away")
		points := make([]walk.Point, 16)
		for i := range points {
			points[i].EN = grid.EN{E: 5e5 + spacing*float64(i), N: 6e6}
		}
		params := walk.DefaultParams()
		params.Fixed, params.Correlation = true, time.Duration(rapid.IntRange(0, 300).Draw(t, "correlation"))*time.Second
		params.RunStart, params.RunEnd = 0.2, 0.05 // wrong links are common
		const sigma = 2.5
		jump := grid.EN{E: -spacing * rapid.Float64Range(0.7, 1.7).Draw(t, "jump"), N: rapid.Float64Range(3, 8).Draw(t, "aside")}
		from, to := rapid.IntRange(2, 8).Draw(t, "from"), rapid.IntRange(4, 8).Draw(t, "length")
		if to += from; away {
			jump.N += 40
		}
		photos := make([]walk.Photo, len(points))
		for i := range photos {
			at := grid.EN{E: points[i].E + rapid.Float64Range(-2, 2).Draw(t, "e"), N: points[i].N + rapid.Float64Range(-2, 2).Draw(t, "n")}
			if i >= from && i < to {
				at.E, at.N = at.E+jump.E, at.N+jump.N
			}
			photos[i] = walk.Photo{Pos: &at, Sigma: sigma, Within: 2.4477 * sigma, Listed: []int{i}, Time: time.Unix(int64(1e9+40*i), 0), Zoned: true}
		}
		ties, err := walk.Decode(context.Background(), photos, points, params)
		if err != nil {
			t.Fatal(err)
		}
		var r, a grid.EN
		n, contradicted, alike := 0.0, false, true
		for i, tie := range ties.Photos {
			if tie.Point == i {
				continue
			}
			contradicted = contradicted || tie.Status == walk.Contradicted
			if away || tie.Point == walk.None {
				alike = false
				continue
			}
			p, q := photos[i].Pos, points[tie.Point]
			r.E, r.N, a.E, a.N, n = r.E+p.E-points[i].E, r.N+p.N-points[i].N, a.E+p.E-q.E, a.N+p.N-q.N, n+1
			alike = alike && tie.Point-i == ties.Photos[from].Point-from
		}
		if !contradicted {
			return
		}
		if away {
			t.Fatalf("tags that lie together, away from all points, contradict links: %+v", ties.Photos)
		}
		rr, aa := (r.E*r.E+r.N*r.N)/(n*n*sigma*sigma), (a.E*a.E+a.N*a.N)/(n*n*sigma*sigma)
		if alike && aa > 3*math.Log1p(rr/9)+2*math.Log(9)-4 {
			t.Fatalf("links are contradicted though a jump is as likely: %.1f and %.1f deviations off; %+v", math.Sqrt(rr), math.Sqrt(aa), ties.Photos)
		}
	})
}
