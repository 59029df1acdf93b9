package cause

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// candidate is a hypothesis with the set of photos that it concerns best.
type candidate struct {
	cause  int
	hyp    *Hypothesis
	photos []int
	points []int
	weight Weight
	// items is the number of items that the photos come in.
	items int
	// gains are those of the photos that gain or lose.
	gains []gained
	// all says that the set is the largest that there is.
	all bool
	// rivals are the names of causes that can't be told from it.
	rivals []string
}

// family is what a cause undoes nothing of: its own name, or that of the pair of
// causes of which one is the reverse of the other.
func (s *search) family(cause int) string {
	if k, ok := s.causes[cause].(known); ok && k.family != "" {
		return k.family
	}
	return s.causes[cause].Name()
}

type search struct {
	causes []Cause
	prior  float64 // cost of having tried that many causes
	min    float64
	// few says that the job has too few photos for all but what is evident; single
	// that so few of them are out that single links may be told to be wrong.
	few, single bool
	seen        []reached // the last that trails led to
}

// changed returns the evidence with a hypothesis applied to photos, which have yet to be
// weighed; points are those that move, of the hypothesis's Points.
func (e *Evidence) changed(ctx context.Context, h *Hypothesis, photos, points []int) (*Evidence, error) {
	c := *e
	c.Photos, c.nearest, c.looked = slices.Clone(e.Photos), new(cells), make(map[int]found)
	if len(points) > 0 {
		c.Points = slices.Clone(e.Points)
	}
	for _, j := range points {
		c.Points[j].EN = h.Points[j]
	}
	b := make([]Photo, len(photos))
	for k, i := range photos {
		b[k] = c.Photos[i]
	}
	if err := c.apply(ctx, h, b); err != nil {
		return nil, err
	}
	for k, i := range photos {
		c.Photos[i] = b[k]
	}
	for i := range c.Photos {
		if len(points) > 0 || has(photos, i) {
			c.hold(&c.Photos[i], nil)
		}
	}
	c.relink()
	return &c, nil
}

// apply makes the changes of a hypothesis to photos.
func (e *Evidence) apply(ctx context.Context, h *Hypothesis, photos []Photo) error {
	var again []*Photo
	for k := range photos {
		p := &photos[k]
		if ch := h.change(p.Index); !p.Void && ch.concerns() && p.apply(ch) {
			again = append(again, p)
		}
	}
	return e.replace(ctx, again)
}

// gains are those of the photos that a hypothesis concerns, in the order of index. It is
// tried on each outing by itself: where the crew stood on that is fitted anew.
func (e *Evidence) gains(ctx context.Context, h *Hypothesis) ([]gained, error) {
	var photos []int
	for k := range h.Changes {
		if ch := &h.Changes[k]; ch.concerns() && !e.Photos[ch.Photo].Void {
			photos = append(photos, ch.Photo)
		}
	}
	for j, tied := range e.tied {
		if _, ok := h.Points[j]; ok {
			photos = append(photos, tied...)
		}
	}
	if h.Points != nil {
		slices.Sort(photos)
		photos = slices.DeleteFunc(slices.Compact(photos), func(i int) bool { return e.Photos[i].Void })
	}
	out := make([]gained, len(photos))
	var b []Photo
	for _, part := range parted(photos, e.outing) {
		b = slices.Grow(b[:0], len(part))
		for _, k := range part {
			b = append(b, e.Photos[photos[k]])
		}
		if err := e.apply(ctx, h, b); err != nil {
			return nil, err
		}
		for x := range b {
			e.hold(&b[x], h.Points)
		}
		stance := e.stance(b[0].outing, b)
		for x, k := range part {
			b[x].stand(stance)
			e.weigh(&b[x], h.Points)
			out[k] = h.gain(&e.Photos[photos[k]], &b[x])
		}
	}
	return slices.DeleteFunc(out, func(g gained) bool { return g.photo < 0 }), nil
}

func (e *Evidence) outing(photo int) int { return int(e.Photos[photo].outing) }

// parted splits a list of photos by what they are of: into their places in it.
func parted(photos []int, of func(photo int) int) (parts [][]int) {
	known := make(map[int]int)
	part, last := -1, 0
	for k, i := range photos {
		if o := of(i); part < 0 || o != last {
			var ok bool
			if part, ok = known[o]; !ok {
				part = len(parts)
				known[o], parts = part, append(parts, nil)
			}
			last = o
		}
		parts[part] = append(parts[part], k)
	}
	return parts
}

// apply makes a change, and says whether the tag is to be placed anew.
func (p *Photo) apply(ch *Change) (again bool) {
	if ch.Void {
		if !ch.Shows && (p.D != nil || p.Out) {
			p.logp = ch.LogP
		}
		p.Void = true
		return false
	}
	if ch.At != nil {
		p.At = ch.At
	}
	if ch.Datum != nil {
		p.Frame.Datum = *ch.Datum
	}
	if ch.Move != nil {
		p.move.E += ch.Move.E
		p.move.N += ch.Move.N
	}
	if ch.Tie != nil {
		p.Point, p.replaced, p.retied = *ch.Tie, true, true
	}
	if ch.Where != nil {
		p.where = ch.Where
	}
	if ch.Blur != nil {
		p.blur = ch.Blur
	}
	p.height += ch.Height
	return (ch.At != nil || ch.Datum != nil) && p.At != nil && p.At.Valid()
}

// replace puts tags on the grid anew.
func (e *Evidence) replace(ctx context.Context, photos []*Photo) error {
	if len(photos) == 0 {
		return ctx.Err()
	}
	fixes := make([]grid.Fix, len(photos))
	for k, p := range photos {
		fixes[k] = p.Fix()
	}
	placed, err := e.Place(ctx, fixes)
	if err != nil {
		return err
	}
	ens := make([]grid.EN, len(photos))
	for k, p := range photos {
		p.replaced = true
		p.OnGrid, p.op = nil, nil
		if q := placed[k]; q.Err == nil && grid.Finite(q.E, q.N) && (q.Op == nil || !q.Op.Ballpark || e.Input.Options.AllowBallpark) {
			ens[k] = q.EN
			p.OnGrid, p.op = &ens[k], q.Op
		}
	}
	return nil
}

// item is a set of photos that are concerned together, with what each gains.
type item struct {
	photos []gained
	point  int     // for a hypothesis about points
	gain   float64 // of all
}

// gain is what a photo gains by a hypothesis; that of no photo where it is not concerned.
func (h *Hypothesis) gain(a, b *Photo) gained {
	ch, g := h.change(a.Index), gained{a.Index, b.logp - a.logp}
	switch {
	case ch.Shows:
		g.gain = ch.LogP
	case ch.Void:
	case b.D == nil && a.D == nil && !a.Out && h.Items != nil && ch.Tie != nil:
		g.gain = 0 // it goes along with others
	case b.D == nil && a.D == nil && !a.Out:
		g.photo = -1
	default:
		g.gain += ch.LogP
	}
	return g
}

// items lists what a hypothesis may concern with the gain of each. What a cause has
// explained it does not explain again, or it could take back what it did: that was told.
func (e *Evidence) items(h *Hypothesis, gains []gained, told []bool) []item {
	if told != nil {
		gains = slices.DeleteFunc(gains, func(g gained) bool { return told[g.photo] })
	}
	var out []item
	add := func(photos []gained, point int) {
		if len(photos) == 0 {
			return
		}
		it := item{photos: photos, point: point}
		for _, g := range photos {
			it.gain += g.gain
		}
		out = append(out, it)
	}
	of := func(photos []int) (set []gained) {
		for _, i := range photos {
			if k, ok := slices.BinarySearchFunc(gains, i, func(g gained, i int) int { return cmp.Compare(g.photo, i) }); ok {
				set = append(set, gains[k])
			}
		}
		return set
	}
	switch {
	case h.Items != nil:
		for _, s := range h.Items {
			add(of(s), -1)
		}
	case h.Points != nil:
		for j, tied := range e.tied {
			if _, ok := h.Points[j]; ok {
				add(of(tied), j)
			}
		}
	default:
		out = make([]item, 0, len(gains))
		for k := range gains {
			add(gains[k:k+1], -1)
		}
	}
	return out
}

// logChoose is the logarithm of the number of ways to choose m of n.
func logChoose(n, m int) float64 {
	lg := func(v int) float64 { l, _ := math.Lgamma(float64(v) + 1); return l }
	return lg(n) - lg(m) - lg(n-m)
}

// weighing looks for the set of items that a hypothesis concerns best.
type weighing struct {
	s     *search
	e     *Evidence
	cause int
	hyp   *Hypothesis
	items []item
	// before is how many photos the cause was accepted for already.
	before int
	// top is the best candidate so far, and whole the best that has all items.
	top, whole *candidate
	// photos and gains are room for those of the next one.
	photos []int
	gains  []gained
}

// consider weighs one set of items. The cost of having chosen each for itself goes
// with its gain, photo by photo.
func (w *weighing) consider(set []int, cost, chosen float64) {
	c := &candidate{cause: w.cause, hyp: w.hyp, all: len(set) == len(w.items), items: len(set), photos: w.photos[:0], gains: w.gains[:0]}
	for _, k := range set {
		it := &w.items[k]
		if it.point >= 0 {
			c.points = append(c.points, it.point)
		}
		for _, g := range it.photos {
			c.photos = append(c.photos, g.photo)
			if g.gain != 0 {
				c.gains = append(c.gains, g)
			}
		}
		c.weight.Gain += it.gain
	}
	w.photos, w.gains = c.photos, c.gains
	// Single links are wrong singly: many of them are something else.
	if len(c.gains) == 0 || len(c.photos) < w.hyp.MinPhotos || c.ties() && c.many(w.e, w.before) {
		return
	}
	sum, n := w.e.temper(w.hyp, c.gains)
	cost += w.hyp.Cost + float64(w.hyp.Free)/2*math.Log(math.Max(n, math.E)) + chosen*n/float64(len(c.gains))
	if w.hyp.Rate == 0 {
		cost += w.s.prior
	}
	c.weight.Independent, c.weight.Penalty, c.weight.Score = n, cost, sum-cost
	if better(w.top, c) == c || c.all && better(w.whole, c) == c {
		c.photos, c.gains = slices.Clone(c.photos), slices.Clone(c.gains)
	}
	w.top = better(w.top, c)
	if c.all {
		w.whole = better(w.whole, c)
	}
}

// better returns that of two candidates which has the greater score; a if neither has.
// Nil is none.
func better(a, b *candidate) *candidate {
	if a == nil || b != nil && b.weight.Score > a.weight.Score {
		return b
	}
	return a
}

// sets considers all sets that the hypothesis's scope allows.
func (w *weighing) sets() {
	h, scope := w.hyp, cmp.Or(w.hyp.Scope, ScopeAny)
	kind := 0.0 // what it takes to say which kind of set
	if scope != ScopeAll {
		kind = math.Log(4)
	}
	if scope&ScopeAll != 0 {
		all := make([]int, len(w.items))
		for k := range all {
			all[k] = k
		}
		w.consider(all, 0, 0)
	}
	if scope&ScopeGroups != 0 {
		first := make([]int, len(w.items))
		for k := range first {
			first[k] = w.items[k].photos[0].photo
		}
		w.e.groups(first, func(set []int, of int) { w.consider(set, kind+math.Log(float64(of)), 0) })
	}
	if scope&ScopeRuns != 0 {
		orders := itemOrders(w.e, h, w.items)
		for _, o := range orders {
			if set := bestRun(w.items, o); len(set) > 0 {
				w.consider(set, kind+math.Log(float64(len(orders)))+2*math.Log(float64(len(o)))-math.Ln2, 0)
			}
		}
	}
	if scope&ScopeSome != 0 {
		some(h, w.items, func(set []int) {
			if h.Rate > 0 {
				w.consider(set, -float64(len(set))*math.Log(h.Rate), 0)
			} else {
				w.consider(set, kind, logChoose(len(w.items), len(set))+math.Log(float64(len(w.items)+1)))
			}
		})
	}
}

// best finds the set of photos that a hypothesis concerns best, and the best
// candidate that concerns all it could; nil where it gains nowhere.
func (s *search) best(ctx context.Context, e *Evidence, cause int, h *Hypothesis) (top, whole *candidate, err error) {
	gains, err := e.gains(ctx, h)
	if err != nil {
		return nil, nil, err
	}
	told := e.told[s.family(cause)]
	w := weighing{s: s, e: e, cause: cause, hyp: h, items: e.items(h, gains, told)}
	for _, ok := range told {
		if ok {
			w.before++
		}
	}
	if len(w.items) == 0 {
		return nil, nil, nil
	}
	w.sets()
	if w.top != nil {
		w.top.complete(e)
	}
	if w.whole != nil && w.whole != w.top {
		w.whole.complete(e)
	}
	return w.top, w.whole, nil
}

// temper scales the gains of photos to those that count, outing by outing, and
// returns their sum and how many count. Photos that are concerned at a given rate
// count each for itself, but for those of the same minute, since their number is
// paid for.
func (e *Evidence) temper(h *Hypothesis, gains []gained) (sum, count float64) {
	photos, rest := make([]int, 0, len(gains)), make([]gained, 0, len(gains))
	for _, g := range gains {
		if h.change(g.photo).Shows {
			sum += g.gain
			count++
			continue
		}
		photos, rest = append(photos, g.photo), append(rest, g)
	}
	for _, part := range parted(photos, e.outing) {
		photos = photos[:0]
		gain := 0.0
		for _, k := range part {
			photos = append(photos, rest[k].photo)
			gain += rest[k].gain
		}
		// What a day has in common, and slow errors, would show in its other photos.
		alike := h.aligned(e, photos)
		share := alike * float64(len(photos)) / float64(max(len(photos), e.walks.tied[e.Photos[photos[0]].outing]))
		if h.Rate > 0 {
			share = 0
		}
		n := e.effective(photos, share)
		if h.Rate > 0 && h.change(photos[0]).Tie != nil {
			// An error that lasts does not part tags from their points in all directions.
			to := make(map[int]bool)
			for _, i := range photos {
				if tie := h.change(i).Tie; tie != nil {
					to[*tie] = true
				}
			}
			n += (1 - alike) * math.Max(0, float64(len(to))-n)
		}
		count += n
		sum += gain * n / float64(len(photos))
	}
	return sum, count
}

// aligned is how far a hypothesis moves photos alike, which an error of the day does
// too: 0 where moves have all directions, or ties all sorts of steps, and 1 where they
// are all the same.
func (h *Hypothesis) aligned(e *Evidence, photos []int) float64 {
	if h.alike > 0 {
		return h.alike
	}
	var moves, ties []match.Vector
	noise := 0.0
	for _, i := range photos {
		ch := h.change(i)
		switch p := &e.Photos[i]; {
		case ch.Blur != nil && p.D != nil:
			moves = append(moves, *p.D) // rounding has all directions
		case ch.Move != nil:
			moves = append(moves, *ch.Move)
		case ch.Tie != nil && p.Point >= 0:
			a, b := e.Points[p.Point], e.Points[*ch.Tie]
			ties = append(ties, match.Vector{E: (b.E - a.E) * e.unit, N: (b.N - a.N) * e.unit})
			noise += p.noise.spread() * p.noise.spread()
		default:
			return 1
		}
	}
	if len(moves) > 0 {
		var size float64
		for _, v := range moves {
			size += math.Hypot(v.E, v.N)
		}
		m, n := mean(moves), float64(len(moves))
		return math.Pow(math.Hypot(m.E, m.N)*n/math.Max(size, 1e-9), 2)
	}
	// By how much steps differ, beside what noise does.
	m, differ := mean(ties), 0.0
	for _, v := range ties {
		differ += (v.E-m.E)*(v.E-m.E) + (v.N-m.N)*(v.N-m.N)
	}
	return noise / (noise + differ)
}

func mean(vs []match.Vector) match.Vector {
	var m match.Vector
	for _, v := range vs {
		m.E, m.N = m.E+v.E/float64(len(vs)), m.N+v.N/float64(len(vs))
	}
	return m
}

// complete puts a candidate's photos in order and adds the points beside its own.
func (c *candidate) complete(e *Evidence) {
	slices.Sort(c.photos)
	if c.hyp.Points != nil {
		c.points = e.alongside(c.hyp, c.points, c.all)
	}
}

// gained is what one photo gains.
type gained struct {
	photo int
	gain  float64
}

// groups yields which of photos are of each camera, day and camera's day, of which there
// are more than one, with the number of groups of that kind.
func (e *Evidence) groups(photos []int, yield func(set []int, of int)) {
	for kind := range 3 {
		sets := parted(photos, func(i int) int {
			o := e.Photos[i].outing
			return [...]int{e.walks.camera[o], e.walks.day[o], int(o)}[kind]
		})
		for _, set := range sets {
			if len(sets) > 1 {
				yield(set, len(sets))
			}
		}
	}
}

// itemOrders returns the orders in which runs of items are looked for.
func itemOrders(e *Evidence, h *Hypothesis, items []item) [][]int {
	if h.Items != nil || h.Points != nil {
		o := make([]int, len(items))
		for k := range o {
			o[k] = k
		}
		return [][]int{o}
	}
	of := make([]int, len(e.Photos))
	for i := range of {
		of[i] = -1
	}
	for k := range items {
		of[items[k].photos[0].photo] = k
	}
	walks := h.Order
	if walks == nil {
		for _, c := range e.walks.cameras {
			walks = append(walks, e.walks.seq[c])
		}
	}
	var out [][]int
	for _, w := range walks {
		var o []int
		for _, i := range w {
			if of[i] >= 0 {
				o = append(o, of[i])
			}
		}
		if len(o) > 0 {
			out = append(out, o)
		}
	}
	return out
}

// bestRun returns the run of items with the greatest sum of gains.
func bestRun(items []item, order []int) []int {
	var best, sum float64
	from, to, start := 0, 0, 0
	for x, k := range order {
		if sum <= 0 {
			sum, start = 0, x
		}
		sum += items[k].gain
		if sum > best {
			best, from, to = sum, start, x+1
		}
	}
	return order[from:to]
}

// some yields sets of items chosen one by one.
func some(h *Hypothesis, items []item, yield func(set []int)) {
	share := cmp.Or(h.Rate, 0.1)
	cost := -math.Log(share)
	for range 3 {
		var set []int
		for k := range items {
			if items[k].gain > cost {
				set = append(set, k)
			}
		}
		if len(set) == 0 {
			return
		}
		yield(set)
		if h.Rate == 0 {
			share = math.Min(0.5, float64(len(set))/float64(len(items)))
		}
		cost = -math.Log(share)
	}
}

// has says that something is in a list that is in order.
func has(list []int, v int) bool {
	_, ok := slices.BinarySearch(list, v)
	return ok
}

// alongside adds the points that no photo is tied to where those around them in
// the list move: all where all do.
func (e *Evidence) alongside(h *Hypothesis, points []int, all bool) []int {
	tied := func(j int) bool { return len(e.tied[j]) > 0 }
	var out []int
	for j := range e.Points {
		if _, ok := h.Points[j]; !ok {
			continue
		}
		if all || has(points, j) {
			out = append(out, j)
			continue
		}
		if tied(j) {
			continue
		}
		near, votes := 0, 0
		for d := 1; d < len(e.Points) && near < 2; d++ {
			for _, k := range []int{j - d, j + d} {
				if k >= 0 && k < len(e.Points) && tied(k) {
					near++
					if has(points, k) {
						votes++
					}
				}
			}
		}
		if near > 0 && votes == near {
			out = append(out, j)
		}
	}
	return out
}

// tooFew says whether a job has enough photos and points to tell causes that need
// many, and if not, whether most photos are where they should be all the same.
func (e *Evidence) tooFew() (few, single bool) {
	const photos, points = 8, 4
	placed, out := 0, 0
	tied := make(map[int]bool)
	for i := range e.Photos {
		if p := &e.Photos[i]; p.Point >= 0 && p.At != nil {
			placed++
			tied[p.Point] = true
			if p.Out {
				out++
			}
		}
	}
	return placed < photos || len(tied) < points, 2*out < placed
}

// tried says whether a cause is looked for in a job of its size.
func (s *search) tried(cause int) bool {
	k, ok := s.causes[cause].(known)
	return !s.few || !ok || k.evident || s.single && (k.name == "wrong-tie" || k.name == "swapped-ties")
}

// look returns the best candidate of a cause, and the best that concerns all it
// could, where that is another. With params only hypotheses count whose chosen
// figures are the same.
func (s *search) look(ctx context.Context, e *Evidence, cause int, params []Param) (top, all *candidate, err error) {
	if !s.tried(cause) {
		return nil, nil, nil
	}
	if f, ok := e.looked[cause]; ok && f.answers(params) {
		return f.top, f.all, nil
	}
	hyps, err := s.hypotheses(ctx, e, cause)
	if err != nil {
		return nil, nil, err
	}
	f, err := s.weighed(ctx, e, cause, hyps, params)
	if err == nil && params == nil {
		e.looked[cause] = f
	}
	return f.top, f.all, err
}

// hypotheses are those that a cause proposes.
func (s *search) hypotheses(ctx context.Context, e *Evidence, cause int) ([]Hypothesis, error) {
	c := s.causes[cause]
	hyps, err := c.Propose(ctx, e)
	if err != nil {
		return nil, fmt.Errorf("explain: cause %s: %w", c.Name(), err)
	}
	for x := range hyps {
		h := &hyps[x]
		h.arrange()
		if n := len(h.Changes); n > 0 && (h.Changes[0].Photo < 0 || h.Changes[n-1].Photo >= len(e.Photos)) {
			return nil, fmt.Errorf("explain: cause %s proposes a change for photo %d or %d of %d", c.Name(), h.Changes[0].Photo, h.Changes[n-1].Photo, len(e.Photos))
		}
	}
	return hyps, nil
}

// weighed is what hypotheses of a cause come to.
func (s *search) weighed(ctx context.Context, e *Evidence, cause int, hyps []Hypothesis, params []Param) (f found, err error) {
	for x := range hyps {
		h := &hyps[x]
		if params != nil && !chosenAlike(h.Params, params) {
			continue
		}
		b, whole, err := s.best(ctx, e, cause, h)
		if err != nil {
			return found{}, err
		}
		f.top, f.all = better(f.top, b), better(f.all, whole)
		if whole.alternative(e) >= leastStop {
			f.better = append(f.better, whole)
		}
	}
	if f.top != nil && f.top.all {
		f.all = nil
	} else if f.top != nil && f.top.weight.Score <= s.min {
		// It is of no use but for its figures.
		f.top.photos, f.top.gains, f.top.hyp = nil, nil, &Hypothesis{Params: f.top.hyp.Params}
	}
	return f, nil
}

// answers says that what was found with any figures is what would be with some: where
// the best has these anyway.
func (f *found) answers(params []Param) bool {
	alike := func(c *candidate) bool { return c == nil || chosenAlike(c.hyp.Params, params) }
	return params == nil || f.top == nil || alike(f.top) && alike(f.all)
}

// chosenAlike says that the chosen figures of two hypotheses are the same.
func chosenAlike(a, b []Param) bool {
	return slices.EqualFunc(a, b, func(a, b Param) bool { return a.Name == b.Name && a.Text == b.Text })
}

// lookAll looks for all causes. They are asked one after another; what they propose is
// weighed meanwhile by the other processors.
func (s *search) lookAll(ctx context.Context, e *Evidence) error {
	type ending struct {
		found
		err      error
		panicked any
	}
	ends := make([]ending, len(s.causes))
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for k := range s.causes {
		if _, ok := e.looked[k]; ok || !s.tried(k) {
			continue
		}
		hyps, err := s.hypotheses(ctx, e, k)
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			ends[k].err = err
			break
		}
		g.Go(func() error {
			defer func() { ends[k].panicked = recover() }()
			ends[k].found, ends[k].err = s.weighed(ctx, e, k, hyps, nil)
			return nil
		})
	}
	_ = g.Wait() // the errors are in ends, in order
	for k := range ends {
		if ends[k].panicked != nil {
			panic(ends[k].panicked)
		}
		if ends[k].err != nil {
			return ends[k].err
		}
		if _, ok := e.looked[k]; !ok && s.tried(k) {
			e.looked[k] = ends[k].found
		}
	}
	return ctx.Err()
}

// propose returns the best candidate of each cause, the best first, and of those
// that do not concern all they could, further candidates that do.
func (s *search) propose(ctx context.Context, e *Evidence) (out, more []candidate, err error) {
	if err := s.lookAll(ctx, e); err != nil {
		return nil, nil, err
	}
	for k := range s.causes {
		f := e.looked[k]
		if f.top != nil {
			out = append(out, *f.top)
		}
		if f.all != nil && 2*len(f.all.photos) > len(e.Photos) {
			more = append(more, *f.all)
		}
	}
	by := func(a, b candidate) int { return cmp.Compare(b.weight.Score, a.weight.Score) }
	slices.SortStableFunc(out, by)
	slices.SortStableFunc(more, by)
	return out, more, nil
}
