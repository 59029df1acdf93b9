package cause

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Links are wrong for a share of photos. Common practice, no source.
const (
	wrongShare = 0.01
	swapShare  = 0.004
)

// sequences returns orders in which the points may have been walked, each a list
// of indexes: by the times of observation, all together and those of each
// camera's own points; by the list; and as the links come along.
func (e *Evidence) sequences() [][]int {
	var out [][]int
	add := func(s []int) {
		if len(s) > 1 && !slices.ContainsFunc(out, func(o []int) bool { return slices.Equal(o, s) }) {
			out = append(out, s)
		}
	}
	var observed, all []int
	for j := range e.Points {
		all = append(all, j)
		if !e.Points[j].Observed.IsZero() {
			observed = append(observed, j)
		}
	}
	slices.SortStableFunc(observed, func(a, b int) int { return e.Points[a].Observed.Compare(e.Points[b].Observed) })
	add(observed)
	if len(e.walks.cameras) > 1 {
		// A point is of the camera that most photos tied to it are from; without
		// photos, of the one that has the nearest point.
		votes := make([]map[string]int, len(e.Points))
		for i := range e.Photos {
			if p := &e.Photos[i]; p.Point >= 0 {
				if votes[p.Point] == nil {
					votes[p.Point] = make(map[string]int)
				}
				votes[p.Point][p.Camera]++
			}
		}
		owner := make([]string, len(e.Points))
		for j, v := range votes {
			for _, c := range e.walks.cameras {
				if v[c] > v[owner[j]] {
					owner[j] = c
				}
			}
		}
		for j := range owner {
			if votes[j] != nil {
				continue
			}
			best := math.Inf(1)
			for k := range owner {
				if votes[k] == nil {
					continue
				}
				if d := math.Hypot(e.Points[k].E-e.Points[j].E, e.Points[k].N-e.Points[j].N); d < best {
					best, owner[j] = d, owner[k]
				}
			}
		}
		order := observed
		if len(order) < len(all) {
			order = all
		}
		// All cameras' own walks, one after the other.
		var own []int
		for _, c := range e.walks.cameras {
			for _, j := range order {
				if owner[j] == c {
					own = append(own, j)
				}
			}
		}
		add(own)
	}
	add(all)
	var linked []int
	seen := make(map[int]bool)
	for _, c := range e.walks.cameras {
		for _, i := range e.walks.seq[c] {
			if j := e.Photos[i].Point; j >= 0 && !seen[j] {
				seen[j] = true
				linked = append(linked, j)
			}
		}
	}
	add(linked)
	return out
}

// tied proposes the links that a tie cause comes to.
func tied(f *Found, e *Evidence) *Fix {
	fix := &Fix{}
	for _, i := range f.photos {
		t := f.hyp.Changes[i].Tie
		if t == nil {
			continue
		}
		l := match.Link{Photo: e.Photos[i].Name, Point: e.Points[*t].ID}
		if r := e.Input.Result.Photos[i].Tie; r != nil {
			l.Line = r.Line
		}
		fix.Links = append(fix.Links, l)
	}
	return fix
}

// LateRun is the cause late-run: the photos of a run are tied to the point after
// the one that they show, in the order of the walk.
func LateRun() Cause { return shiftedRun("late-run", -1, "late", "before") }

// EarlyRun is the cause early-run: the photos of a run are tied to the point
// before the one that they show.
func EarlyRun() Cause { return shiftedRun("early-run", 1, "early", "after") }

func shiftedRun(name string, by int, way, to string) Cause {
	return known{name: name, propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		var out []Hypothesis
		seqs := e.sequences()
		for _, s := range seqs {
			next := make(map[int]int, len(s))
			for k, j := range s {
				if q := k + by; q >= 0 && q < len(s) {
					next[j] = s[q]
				}
			}
			h := Hypothesis{Changes: make([]Change, len(e.Photos)), Scope: ScopeRuns, Least: 3}
			n := 0
			for i := range e.Photos {
				p := &e.Photos[i]
				if p.Point < 0 || p.D == nil || p.retied || p.where != nil {
					continue
				}
				if j, ok := next[p.Point]; ok && e.tells(p, j) {
					h.Changes[i].Tie = &j
					n++
				}
			}
			if n == 0 {
				continue
			}
			for _, c := range e.walks.cameras {
				h.Order = append(h.Order, e.walks.seq[c])
			}
			if len(e.walks.cameras) > 1 {
				h.Order = append(h.Order, e.walks.all)
			}
			h.Cost = math.Log(float64(len(seqs)))
			h.Params = []Param{{Name: "points", Value: float64(by)}}
			h.Words = func(f *Found, e *Evidence) (string, string) {
				return fmt.Sprintf("%s %s tied one point %s", f.Who(), f.be(), way),
					fmt.Sprintf("tie each to the point %s in the walk; the proposed links do", to)
			}
			h.Fix = tied
			out = append(out, h)
		}
		return out, nil
	}}
}

// SwappedTies is the cause swapped-ties: of two photos, one after the other or
// close to it, each has the link of the other.
func SwappedTies() Cause {
	return known{name: "swapped-ties", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		type pair struct {
			a, b int
			gain float64
		}
		var pairs []pair
		const reach = 6 // photos apart
		for _, c := range append([]string{""}, e.walks.cameras...) {
			if c == "" && len(e.walks.cameras) == 1 {
				continue
			}
			w := e.Walk(c)
			for x, i := range w {
				a := &e.Photos[i]
				if !a.Out || a.D == nil || a.retied || a.where != nil {
					continue
				}
				for y := max(0, x-reach); y < min(len(w), x+reach+1); y++ {
					b := &e.Photos[w[y]]
					if y == x || b.D == nil || !e.tells(a, b.Point) || !e.tells(b, a.Point) || b.Point == a.Point || b.retied || b.where != nil || b.Out && y < x {
						continue
					}
					g := e.tieGain(a, b.Point) + e.tieGain(b, a.Point) - math.Log(math.Abs(float64(y-x)))
					if g > 0 {
						pairs = append(pairs, pair{i, w[y], g})
					}
				}
			}
		}
		slices.SortStableFunc(pairs, func(p, q pair) int { return cmp.Compare(q.gain, p.gain) })
		h := Hypothesis{Changes: make([]Change, len(e.Photos)), Scope: ScopeSome, Rate: swapShare}
		taken := make(map[int]bool)
		partner := make(map[int]int)
		for _, p := range pairs {
			if taken[p.a] || taken[p.b] {
				continue
			}
			taken[p.a], taken[p.b] = true, true
			partner[p.a], partner[p.b] = p.b, p.a
			ta, tb := e.Photos[p.b].Point, e.Photos[p.a].Point
			h.Changes[p.a].Tie, h.Changes[p.b].Tie = &ta, &tb
			h.Changes[p.b].LogP = -math.Log(math.Max(1, math.Abs(float64(e.walks.rank[p.a]-e.walks.rank[p.b]))))
			h.Items = append(h.Items, []int{p.a, p.b})
		}
		if len(h.Items) == 0 {
			return nil, nil
		}
		h.Words = func(f *Found, e *Evidence) (string, string) {
			if len(f.photos) == 2 {
				return fmt.Sprintf("%s and %s have each other's link", e.Photos[f.photos[0]].Name, e.Photos[f.photos[1]].Name),
					"exchange the links; the proposed ones do"
			}
			return fmt.Sprintf("%d pairs of photos have each other's link: %s", len(f.photos)/2, list(f.Photos)),
				"exchange the links of each pair; the proposed ones do"
		}
		h.Fix = tied
		return []Hypothesis{h}, nil
	}}
}

// tells says that a photo's tag can tell its point from another: one that is
// rounded tells only points apart that are further from each other than its step.
func (e *Evidence) tells(p *Photo, point int) bool {
	if p.blur == nil {
		return true
	}
	a, b := e.Points[p.Point].EN, e.Points[point].EN
	return math.Hypot(a.E-b.E, a.N-b.N)*e.unit > 2*math.Hypot(p.blur.E, p.blur.N)
}

// tieGain is the gain of tying a photo to another point.
func (e *Evidence) tieGain(p *Photo, point int) float64 {
	if p.OnGrid == nil {
		return 0
	}
	at := e.Points[point].EN
	v := match.Vector{E: (p.OnGrid.E-at.E)*e.unit - p.move.E, N: (p.OnGrid.N-at.N)*e.unit - p.move.N}
	l, _ := p.noise.logP(v, p.blur, &e.mix)
	return l - p.logp
}

// WrongTie is the cause wrong-tie: single photos are tied to a wrong point. The
// tag says which is right where it lies at another point; at the points before
// and after in the walk it is more likely than elsewhere.
func WrongTie() Cause {
	return known{name: "wrong-tie", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		beside := make(map[int][]int)
		for _, s := range e.sequences() {
			for k, j := range s {
				if k > 0 {
					beside[j] = append(beside[j], s[k-1])
				}
				if k+1 < len(s) {
					beside[j] = append(beside[j], s[k+1])
				}
			}
		}
		h := Hypothesis{Changes: make([]Change, len(e.Photos)), Scope: ScopeSome, Rate: wrongShare}
		n := 0
		for i := range e.Photos {
			p := &e.Photos[i]
			if !p.Out || p.D == nil || p.OnGrid == nil || p.where != nil || p.retied {
				continue
			}
			at := grid.EN{E: p.OnGrid.E - p.move.E/e.unit, N: p.OnGrid.N - p.move.N/e.unit}
			best, gain, cost := -1, 0.0, 0.0
			for _, j := range e.near(at, 2*p.Threshold) {
				if j == p.Point || !e.tells(p, j) {
					continue
				}
				c := math.Log(2 * float64(len(e.Points)))
				if slices.Contains(beside[p.Point], j) {
					c = math.Log(4)
				}
				if g := e.tieGain(p, j) - c; g > gain {
					best, gain, cost = j, g, c
				}
			}
			if best < 0 {
				continue
			}
			h.Changes[i].Tie, h.Changes[i].LogP = &best, -cost
			n++
		}
		if n == 0 {
			return nil, nil
		}
		h.Words = func(f *Found, e *Evidence) (string, string) {
			if len(f.photos) == 1 {
				i := f.photos[0]
				return fmt.Sprintf("%s is tied to %s, and its tag is at %s", e.Photos[i].Name, e.Points[e.Photos[i].Point].ID, e.Points[*f.hyp.Changes[i].Tie].ID),
					"look at the photo, and tie it to the point that it shows; the proposed link takes the tag's word"
			}
			return fmt.Sprintf("%s are tied to points that their tags are not at, and lie at others: %s", f.Who(), list(f.Photos)),
				"look at the photos, and tie each to the point that it shows; the proposed links take the tags' word"
		}
		h.Fix = tied
		return []Hypothesis{h}, nil
	}}
}
