package cause

import (
	"cmp"
	"context"
	"maps"
	"math"
	"slices"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/walk"
)

// Links are wrong for a share of photos. Common practice, no source.
const (
	wrongShare = 0.01
	swapShare  = 0.004
	runShare   = 0.01
)

// ownWalks returns the points of all cameras' own walks, one after the other.
func (e *Evidence) ownWalks(order []int) (own []int) {
	owner := e.owners()
	for _, c := range e.walks.cameras {
		for _, j := range order {
			if owner[j] == c {
				own = append(own, j)
			}
		}
	}
	return own
}

// sequences returns orders in which the points may have been walked, each a list
// of indexes: by the times of observation, all together and those of each
// camera's own points; by the list; and as the links come along.
func (e *Evidence) sequences() [][]int {
	var out [][]int
	add := func(s []int) {
		s = e.along(s)
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
		order := observed
		if len(order) < len(all) {
			order = all
		}
		add(e.ownWalks(order))
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

// along returns a sequence in the direction in which photos go along it.
func (e *Evidence) along(s []int) []int {
	place := make(map[int]int, len(s))
	for k, j := range s {
		place[j] = k + 1
	}
	up := 0
	for _, c := range e.walks.cameras {
		last := 0
		for _, i := range e.walks.seq[c] {
			if k := place[e.Photos[i].Point]; k > 0 {
				if last > 0 {
					up += cmp.Compare(k, last)
				}
				last = k
			}
		}
	}
	if up < 0 {
		s = slices.Clone(s)
		slices.Reverse(s)
	}
	return s
}

// owners returns whose each point is: of the camera that most photos tied to it are
// from; without photos, of the one that has the nearest point.
func (e *Evidence) owners() []string {
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
		best := math.Inf(1)
		if votes[j] != nil {
			continue
		}
		for k := range owner {
			if votes[k] == nil {
				continue
			}
			if d := math.Hypot(e.Points[k].E-e.Points[j].E, e.Points[k].N-e.Points[j].N); d < best {
				best, owner[j] = d, owner[k]
			}
		}
	}
	return owner
}

// tied proposes the links that a tie cause comes to.
func tied(f *Found, e *Evidence) *Fix {
	fix := &Fix{}
	for _, i := range f.photos {
		t := f.hyp.change(i).Tie
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

// shiftedRun proposes that the photos of a run are tied to the point after the one
// that they show (by is -1), or before it (1): as the walk's inference has it, or visit
// by visit.
func shiftedRun(by int) func(context.Context, *Evidence) ([]Hypothesis, error) {
	return func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		beside := e.beside(by)
		var out []Hypothesis
		for _, w := range e.allWalks() {
			if h, ok := e.runAlong(w, beside, by); ok {
				out = append(out, h)
			}
		}
		out = priced(out)
		if h, ok := e.runsInferred(by); ok {
			out = append(out, h)
		}
		return out, nil
	}
}

// allWalks are the walks of all cameras, and that of all together.
func (e *Evidence) allWalks() [][]int {
	walks := [][]int{e.walks.all}
	if len(e.walks.cameras) > 1 {
		for _, c := range e.walks.cameras {
			walks = append(walks, e.walks.seq[c])
		}
	}
	return walks
}

// beside are the points that come after each point, by 1, or before it, by -1, in the
// orders in which points may have been walked.
func (e *Evidence) beside(by int) map[int][]int {
	out := make(map[int][]int)
	for _, s := range e.sequences() {
		for k, j := range s {
			if q := k + by; q >= 0 && q < len(s) && !slices.Contains(out[j], s[q]) {
				out[j] = append(out[j], s[q])
			}
		}
	}
	return out
}

// leastRun is the least number of photos that make a run.
const leastRun = 3

// shiftedLinks has what is the same for all hypotheses about shifted runs.
func shiftedLinks(by int) Hypothesis {
	return Hypothesis{MinPhotos: leastRun, Fix: tied, Params: []Param{{Name: "points", Value: float64(by)}}}
}

// linked says that a photo's link can be held against its tag.
func (p *Photo) linked() bool { return p.Point >= 0 && p.D != nil && p.where == nil && !p.retied }

// runAlong is the hypothesis that the photos of a run along a walk show the point that
// the visit before theirs is linked to (by is -1), or the visit after, or that comes
// beside their own in the order of the points.
func (e *Evidence) runAlong(walk []int, beside map[int][]int, by int) (Hypothesis, bool) {
	h := shiftedLinks(by)
	h.Changes = make([]Change, 0, len(walk))
	h.Scope, h.Cost, h.Order = ScopeRuns, math.Log(20), [][]int{walk} // runs of wrong links are rare
	visits := e.visits(walk, false, false)
	for k, v := range visits {
		at := e.Photos[v[0]].Point
		to, cost := -1, 0.0
		best := math.Inf(-1)
		try := func(j int, c float64) {
			gain := -c
			for _, i := range v {
				gain += e.tieGain(&e.Photos[i], j)
			}
			if gain > best {
				best, to, cost = gain, j, c
			}
		}
		if q := k + by; q >= 0 && q < len(visits) {
			try(e.Photos[visits[q][0]].Point, math.Ln2)
		}
		for _, j := range beside[at] {
			try(j, math.Log(2*float64(len(beside[at]))))
		}
		if to < 0 {
			continue
		}
		for _, i := range v {
			if p := &e.Photos[i]; e.tells(p, to) {
				h.Changes = append(h.Changes, Change{Photo: i, Tie: &to, LogP: e.timeGain(p, to) - cost/float64(len(v))})
			}
		}
	}
	return h, len(h.Changes) >= h.MinPhotos
}

// runs are the runs of photos whose links the walk's inference has as shifted: it
// contradicts some, and doubts the others. At either end there may be photos whose link
// it has wrong in another way: where a run begins, there is no telling by how much.
func (e *Evidence) runs(by int) [][]int {
	var out [][]int
	for _, c := range e.walks.cameras {
		visits := e.visits(e.walks.seq[c], false, true)
		has := func(k int, shifted bool) bool {
			return k >= 0 && k < len(visits) && slices.ContainsFunc(visits[k], func(i int) bool {
				p := &e.Photos[i]
				return p.hint.from == p.Point && (shifted && p.hint.shift == by || !shifted && p.hint.sure)
			})
		}
		for k := 0; k < len(visits); k++ {
			if !has(k, true) {
				continue
			}
			lo, hi := k, k+1
			for has(hi, true) {
				hi++
			}
			if has(lo-1, false) {
				lo--
			}
			if k = hi; has(hi, false) {
				hi++
			}
			run := slices.DeleteFunc(slices.Concat(visits[lo:hi]...), func(i int) bool { return e.Photos[i].hint.from != e.Photos[i].Point })
			sure := slices.ContainsFunc(run, func(i int) bool { return e.Photos[i].hint.sure })
			if len(run) >= leastRun && hi-lo > 1 && (sure || len(run) > 2*leastRun) {
				out = append(out, run)
			}
		}
	}
	return out
}

// runsInferred is the hypothesis that the runs are wrong whose links the walk's
// inference contradicts as shifted: it has chosen them, so that nothing is paid for
// that. Photos between them whose links it only doubts go along.
func (e *Evidence) runsInferred(by int) (Hypothesis, bool) {
	h := shiftedLinks(by)
	h.Scope, h.Rate = ScopeSome, runShare
	h.Items = e.runs(by)
	for _, run := range h.Items {
		first, sure := len(h.Changes), false
		for _, i := range run {
			p := &e.Photos[i]
			j := p.hint.point
			h.Changes = append(h.Changes, Change{Photo: i, Tie: &j, LogP: e.timeGain(p, j)})
			sure = sure || p.hint.sure
		}
		if !sure {
			h.Changes[first].LogP -= math.Log(100)
		}
	}
	return h, len(h.Items) > 0
}

// renumberedPoints: part of the list of points was numbered in the reverse order after
// the photos were linked, so that each link lists the mirror image of its point.
func renumberedPoints(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	best, ok := e.mirror()
	if !ok {
		return nil, nil
	}
	h := Hypothesis{Scope: ScopeAll | ScopeRuns, MinPhotos: leastMirrored, Fix: tied, Cost: math.Log(20) + math.Log(float64(len(e.Points)))}
	of := make([][]int, len(e.Points))
	for i := range e.Photos {
		p := &e.Photos[i]
		to := best - p.Point
		if !p.linked() || to < 0 || to >= len(e.Points) || to == p.Point || !e.tells(p, to) {
			continue
		}
		h.Changes = append(h.Changes, Change{Photo: i, Tie: &to, LogP: e.timeGain(p, to)})
		of[p.Point] = append(of[p.Point], i)
	}
	for _, photos := range of {
		if len(photos) > 0 {
			h.Items = append(h.Items, photos)
		}
	}
	return []Hypothesis{h}, nil
}

// mirror finds the sum of the places in the list of the points that photos are linked to
// and lie at, where most points have the same.
func (e *Evidence) mirror() (sum int, ok bool) {
	votes := make(map[int]map[int]bool) // linked points by that sum
	for i := range e.Photos {
		p := &e.Photos[i]
		if !p.Out || !p.linked() || p.OnGrid == nil || p.repeats {
			continue
		}
		at := grid.EN{E: p.OnGrid.E - p.move.E/e.unit, N: p.OnGrid.N - p.move.N/e.unit}
		if j, _ := e.NearestPoint(at, p.Threshold); j >= 0 && j != p.Point {
			if votes[p.Point+j] == nil {
				votes[p.Point+j] = make(map[int]bool)
			}
			votes[p.Point+j][p.Point] = true
		}
	}
	sums := slices.Sorted(maps.Keys(votes))
	if len(sums) == 0 {
		return 0, false
	}
	sum = slices.MaxFunc(sums, func(a, b int) int { return cmp.Compare(len(votes[a]), len(votes[b])) })
	return sum, len(votes[sum]) >= leastMirrored
}

// leastMirrored is the least number of points that show that a list was reversed.
const leastMirrored = 4

// hint is what the walk's inference says of a link that it contradicts or doubts.
type hint struct {
	shift       int // -1 for a link that is late, 1 for an early one, 0 for none
	from, point int
	sure        bool // that the link is contradicted
	confirmed   bool // that it is confirmed: neither single nor swapped links are found there
	// shared says that it is contradicted together with others: it is one of a run, or
	// of two that have each other's point.
	shared, run bool
}

// wrongLinkOf is the point that the photos of a visit are linked to; -1 where there is none
// or the link is right.
func (e *Evidence) wrongLinkOf(visits [][]int, k int) int {
	if k < 0 || k >= len(visits) || e.Photos[visits[k][0]].hint.confirmed {
		return -1
	}
	return e.Photos[visits[k][0]].Point
}

// gather looks for hints that belong together: shifts along a walk, where a link is
// late that the photos of the visit before should have had, and pairs.
func (e *Evidence) gather() {
	before, after := e.beside(-1), e.beside(1)
	for _, c := range e.walks.cameras {
		visits := e.visits(e.walks.seq[c], false, true)
		for k, v := range visits {
			for _, i := range v {
				h := &e.Photos[i].hint
				late, early := slices.Contains(before[h.from], h.point), slices.Contains(after[h.from], h.point)
				switch {
				case h.from < 0 || h.point == h.from:
				case h.point == e.wrongLinkOf(visits, k-1):
					h.shift = -1
				case h.point == e.wrongLinkOf(visits, k+1):
					h.shift = 1
				case late && !early:
					h.shift = -1
				case early && !late:
					h.shift = 1
				}
			}
		}
	}
	e.share()
}

// share marks the hints of runs and pairs.
func (e *Evidence) share() {
	for _, by := range []int{-1, 1} {
		for _, run := range e.runs(by) {
			for _, i := range run {
				e.Photos[i].hint.shared, e.Photos[i].hint.run = true, true
			}
		}
	}
	type pair struct{ from, to int }
	seen := make(map[pair]bool)
	for i := range e.Photos {
		if h := &e.Photos[i].hint; h.sure {
			seen[pair{h.from, h.point}] = true
		}
	}
	for i := range e.Photos {
		if h := &e.Photos[i].hint; h.sure && seen[pair{h.point, h.from}] {
			h.shared = true
		}
	}
}

// says that the inference contradicts a photo's link, and has a point in its place.
func (p *Photo) says(point int) bool {
	return p.hint.sure && p.hint.from == p.Point && p.hint.point == point
}

// hintOf reads the inference for a photo.
func (e *Evidence) hintOf(r *match.PhotoResult, from int) hint {
	inf := r.Inference
	if inf != nil && inf.Link == walk.Confirmed {
		return hint{from: -1, point: -1, confirmed: true}
	}
	if inf == nil || inf.Point == "" || inf.Link != walk.Contradicted && inf.Link != walk.Doubtful {
		return hint{from: -1, point: -1}
	}
	h := hint{from: from, point: e.points[inf.Point], sure: inf.Link == walk.Contradicted}
	if h.point == from {
		return hint{from: -1, point: -1} // it is only not certain
	}
	switch inf.Shift {
	case walk.ShiftLate:
		h.shift = -1
	case walk.ShiftEarly:
		h.shift = 1
	}
	return h
}

// timeGain is what the time of a photo says for another point than the tied one, by
// how the camera's clock stands to the survey's.
func (e *Evidence) timeGain(p *Photo, point int) float64 {
	if p.Tag == nil {
		return 0
	}
	c, ok := e.clocks[plainCamera(p.Tag)]
	a, b := e.Points[p.Point].Observed, e.Points[point].Observed
	if !ok || p.wall.IsZero() || a.IsZero() || b.IsZero() {
		return 0
	}
	l := func(lag float64) float64 {
		z := (lag - c.offset) / c.dev
		return logAdd(-z*z/2, -4)
	}
	return l(p.wall.Sub(b).Seconds()) - l(p.wall.Sub(a).Seconds())
}

// visits are the photos of a walk, one or several in a row that are tied to the same
// point; single says that each is one photo, and bare that photos without a place on the
// grid count.
func (e *Evidence) visits(walk []int, single, bare bool) [][]int {
	var out [][]int
	for _, i := range walk {
		p := &e.Photos[i]
		if !p.linked() && !(bare && p.Point >= 0 && !p.retied) {
			continue
		}
		if n := len(out); !single && n > 0 && e.Photos[out[n-1][0]].Point == p.Point {
			out[n-1] = append(out[n-1], i)
			continue
		}
		out = append(out, []int{i})
	}
	return out
}

// swap is that two photos, or all photos of two visits, have each other's link.
type swap struct {
	a, b []int
	gain float64
	sure bool // that the walk's inference contradicts all these links
}

// swapOf weighs a swap of photos that are so many photos or visits apart; false where
// nothing speaks for it.
func (e *Evidence) swapOf(a, b []int, apart int) (swap, bool) {
	pa, pb := e.Photos[a[0]].Point, e.Photos[b[0]].Point
	s := swap{a: a, b: b, gain: -math.Log(float64(apart)), sure: true}
	out := func(i int) bool { return e.Photos[i].Out }
	least := math.Inf(1)
	outA, outB := slices.ContainsFunc(a, out), slices.ContainsFunc(b, out)
	if pa == pb || !outA && !outB {
		return s, false
	}
	add := func(photos []int, to int) bool {
		// Photos of one visit have much of their errors in common.
		share := e.effective(photos, 0) / float64(len(photos))
		for _, i := range photos {
			p := &e.Photos[i]
			if p.hint.confirmed || !e.tells(p, to) {
				return false
			}
			s.sure = s.sure && p.says(to)
			g := e.tieGain(p, to)
			s.gain, least = s.gain+share*g, math.Min(least, g)
		}
		return true
	}
	if !add(a, pb) || !add(b, pa) {
		return s, false
	}
	// Where only the other's tags speak against links, those are right.
	return s, s.gain > 0 && (s.sure || s.gain > -math.Log(swapShare)) && (s.sure || outA && outB || len(a)+len(b) == 2 && least > 1.5)
}

// swapReach is how many photos or visits apart links are exchanged.
const swapReach = 6

// swaps lists what may be swapped along a walk, photo by photo or visit by visit.
func (e *Evidence) swaps(walk []int, single bool) []swap {
	var out []swap
	v := e.visits(walk, single, false)
	for x := range v {
		for y := x + 1; y < min(len(v), x+swapReach+1); y++ {
			if single || len(v[x])+len(v[y]) > 2 {
				if s, ok := e.swapOf(v[x], v[y], y-x); ok {
					out = append(out, s)
				}
			}
		}
	}
	return out
}

// swappedTies: of two photos, one after the other or close to it, each has the link
// of the other, or all photos taken on one visit to a point have those of another's.
func swappedTies(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	var pairs []swap
	for _, w := range e.allWalks() {
		pairs = append(pairs, append(e.swaps(w, true), e.swaps(w, false)...)...)
	}
	slices.SortStableFunc(pairs, func(p, q swap) int { return cmp.Compare(q.gain, p.gain) })
	h := Hypothesis{Scope: ScopeSome, Rate: swapShare, Fix: tied}
	swapped := make(map[int]bool)
	for _, p := range pairs {
		both := slices.Concat(p.a, p.b)
		if slices.ContainsFunc(both, func(i int) bool { return swapped[i] }) {
			continue
		}
		ta, tb := e.Photos[p.b[0]].Point, e.Photos[p.a[0]].Point
		for k, i := range both {
			to := &ta
			if k >= len(p.a) {
				to = &tb
			}
			ch := Change{Photo: i, Tie: to, LogP: e.timeGain(&e.Photos[i], *to)}
			if k == len(p.a) && p.sure {
				ch.LogP -= math.Log(swapShare) // the walk's inference has weighed that
			} else if k == len(p.a) {
				ch.LogP -= math.Log(math.Max(1, math.Abs(float64(e.walks.rank[p.a[0]]-e.walks.rank[i]))))
			}
			swapped[i], h.Changes = true, append(h.Changes, ch)
		}
		h.Items = append(h.Items, both)
	}
	if len(h.Items) == 0 {
		return nil, nil
	}
	return []Hypothesis{h}, nil
}

// tells says that a photo's tag can tell its point from another: one that repeats
// another photo's tells nothing, and one that is rounded only points apart that are
// further from each other than its step.
func (e *Evidence) tells(p *Photo, point int) bool {
	if p.repeats || p.blur == nil {
		return !p.repeats
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
	return p.noise.logP(v, p.blur) - p.logp + e.timeGain(p, point)
}

// besideRun says that a run of wrong links was found some photos from a photo: where it
// ends is not known that well, and no slip of its own is to be seen there.
func (e *Evidence) besideRun(p *Photo) bool {
	const few = 20
	seq, k := e.walks.seq[p.Camera], e.walks.rank[p.Index]
	late, early := e.told["late-run"], e.told["early-run"]
	return slices.ContainsFunc(seq[max(0, k-few):min(len(seq), k+few+1)], func(i int) bool {
		return late != nil && late[i] || early != nil && early[i]
	})
}

// wrongTie: single photos are tied to a wrong point. The tag says which is right
// where it lies at another point; at the points before and after in the walk it is
// more likely than elsewhere.
func wrongTie(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	before, after := e.beside(-1), e.beside(1)
	h := Hypothesis{Scope: ScopeSome, Rate: wrongShare, Fix: tied}
	for i := range e.Photos {
		p := &e.Photos[i]
		if !p.Out || p.OnGrid == nil || !p.linked() || p.hint.run || p.hint.confirmed || e.besideRun(p) {
			continue
		}
		at := grid.EN{E: p.OnGrid.E - p.move.E/e.unit, N: p.OnGrid.N - p.move.N/e.unit}
		best, gain, cost := -1, 0.0, 0.0
		for j := range e.near(at, 2*p.Threshold) {
			if j == p.Point || !e.tells(p, j) {
				continue
			}
			c := math.Log(2 * float64(len(e.Points)))
			if slices.Contains(before[p.Point], j) || slices.Contains(after[p.Point], j) {
				c = math.Log(4)
			}
			if p.says(j) && !p.hint.shared {
				c = math.Log(wrongShare) // the walk's inference has weighed that
			}
			c -= e.timeGain(p, j)
			if g := e.tieGain(p, j) - e.timeGain(p, j) - c; g > gain {
				best, gain, cost = j, g, c
			}
		}
		if best >= 0 {
			h.Changes = append(h.Changes, Change{Photo: i, Tie: &best, LogP: -cost})
		}
	}
	if len(h.Changes) == 0 {
		return nil, nil
	}
	for k := range h.Changes {
		if e.exchanged(&h, &h.Changes[k]) {
			h.Changes[k].LogP-- // two links that are each other's are one slip and not two
		}
	}
	return []Hypothesis{h}, nil
}

// exchanged says that a hypothesis gives a photo the link of another close to it in the
// walk, and that one its own.
func (e *Evidence) exchanged(h *Hypothesis, ch *Change) bool {
	p := &e.Photos[ch.Photo]
	seq, k := e.walks.seq[p.Camera], e.walks.rank[p.Index]
	return slices.ContainsFunc(seq[max(0, k-swapReach):min(len(seq), k+swapReach+1)], func(o int) bool {
		to := h.change(o).Tie
		return to != nil && *to == p.Point && e.Photos[o].Point == *ch.Tie
	})
}
