package cause

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"

	"example.com/phototie/grid"
)

// most is the greatest number of causes that one search accepts.
const most = 12

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
}

// family is what a cause undoes nothing of: its own name, or that of the pair of
// causes of which one is the reverse of the other.
func (s *search) family(cause int) string {
	if k, ok := s.causes[cause].(known); ok && k.family != "" {
		return k.family
	}
	return s.causes[cause].Name()
}

// trail is a sequence of accepted candidates with what is left after them.
type trail struct {
	steps []candidate
	start *Evidence
	left  *Evidence
	total float64
}

type search struct {
	causes []Cause
	prior  float64 // cost of having tried that many causes
	min    float64
}

// changed returns the evidence with a hypothesis applied to photos; points are
// those that move, of the hypothesis's Points.
func (e *Evidence) changed(ctx context.Context, h *Hypothesis, photos, points []int) (*Evidence, error) {
	c := e.clone()
	for _, j := range points {
		c.Points[j].EN = h.Points[j]
	}
	var again []int
	for _, i := range photos {
		if h.Changes == nil {
			continue
		}
		ch := &h.Changes[i]
		p := &c.Photos[i]
		if p.Void || !ch.concerns() {
			continue
		}
		if ch.Void {
			p.Void, p.D, p.Out = true, nil, false
			if !ch.Shows && (e.Photos[i].D != nil || e.Photos[i].Out) {
				p.logp = ch.LogP
			}
			continue
		}
		if ch.At != nil || ch.Datum != nil {
			if ch.At != nil {
				at := *ch.At
				p.At = &at
			}
			if ch.Datum != nil {
				p.Frame.Datum = *ch.Datum
			}
			if p.At != nil && p.At.Valid() {
				again = append(again, i)
			}
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
	}
	if len(again) > 0 {
		fixes := make([]grid.Fix, len(again))
		for k, i := range again {
			fixes[k] = c.Photos[i].Fix()
		}
		placed, err := c.Place(ctx, fixes)
		if err != nil {
			return nil, err
		}
		for k, i := range again {
			p := &c.Photos[i]
			p.replaced = true
			p.OnGrid, p.op = nil, nil
			if q := placed[k]; q.Err == nil && finite(q.E) && finite(q.N) && (q.Op == nil || !q.Op.Ballpark || c.Input.Options.AllowBallpark) {
				en := q.EN
				p.OnGrid, p.op = &en, q.Op
			}
		}
	}
	if len(points) > 0 {
		c.refresh(nil)
	} else {
		c.refresh(photos)
	}
	return c, nil
}

// item is a set of photos that are concerned together.
type item struct {
	photos []int
	point  int       // for a hypothesis about points
	gains  []float64 // of each photo
	gain   float64   // of all
}

// items lists what a hypothesis may concern with the gain of each.
func (e *Evidence) items(family string, h *Hypothesis, trial *Evidence) []item {
	gain := func(i int) (float64, bool) {
		a, b := &e.Photos[i], &trial.Photos[i]
		if a.Void {
			return 0, false
		}
		g := b.logp - a.logp
		if h.Changes == nil {
			return g, a.Point >= 0 && (a.D != nil || a.Out)
		}
		ch := &h.Changes[i]
		switch {
		case ch.Shows:
			return ch.LogP, ch.concerns()
		case ch.Void:
			return g, ch.concerns()
		case !ch.concerns() && h.Points == nil, b.D == nil && a.D == nil && !a.Out:
			return 0, false
		}
		return g + ch.LogP, true
	}
	var out []item
	add := func(photos []int, point int) {
		it := item{point: point}
		for _, i := range photos {
			// What a cause has explained it does not explain again, or it could
			// take back what it did.
			if e.told[telling{family, i}] {
				continue
			}
			if g, ok := gain(i); ok {
				it.photos = append(it.photos, i)
				it.gains = append(it.gains, g)
				it.gain += g
			}
		}
		if len(it.photos) > 0 {
			out = append(out, it)
		}
	}
	switch {
	case h.Items != nil:
		for _, s := range h.Items {
			add(s, -1)
		}
	case h.Points != nil:
		tied := make([][]int, len(e.Points))
		for i := range e.Photos {
			if j := e.Photos[i].Point; j >= 0 {
				tied[j] = append(tied[j], i)
			}
		}
		for j := range tied {
			if _, ok := h.Points[j]; ok {
				add(tied[j], j)
			}
		}
	default:
		for i := range e.Photos {
			add([]int{i}, -1)
		}
	}
	return out
}

// logChoose is the logarithm of the number of ways to choose m of n.
func logChoose(n, m int) float64 {
	lg := func(v int) float64 { l, _ := math.Lgamma(float64(v) + 1); return l }
	return lg(n) - lg(m) - lg(n-m)
}

// best finds the set of photos that a hypothesis concerns best; nil where it
// gains nowhere.
func (s *search) best(ctx context.Context, e *Evidence, cause int, h *Hypothesis) (top, whole *candidate, err error) {
	var everybody, everywhere []int
	for i := range e.Photos {
		everybody = append(everybody, i)
	}
	for j := range e.Points {
		if _, ok := h.Points[j]; ok {
			everywhere = append(everywhere, j)
		}
	}
	trial, err := e.changed(ctx, h, everybody, everywhere)
	if err != nil {
		return nil, nil, err
	}
	trial.settle()
	items := e.items(s.family(cause), h, trial)
	if len(items) == 0 {
		return nil, nil, nil
	}
	// consider weighs one set of items. The cost of having chosen each for itself
	// goes with its gain, photo by photo.
	consider := func(set []int, cost, chosen float64) {
		c := &candidate{cause: cause, hyp: h, all: len(set) == len(items), items: len(set)}
		for _, k := range set {
			it := &items[k]
			c.photos = append(c.photos, it.photos...)
			if it.point >= 0 {
				c.points = append(c.points, it.point)
			}
			for x, i := range it.photos {
				if it.gains[x] != 0 {
					c.gains = append(c.gains, gained{i, it.gains[x]})
				}
			}
			c.weight.Gain += it.gain
		}
		if len(c.gains) == 0 || len(c.photos) < h.Least {
			return
		}
		sum, n := e.temper(h, c.gains)
		cost += h.Cost + float64(h.Free)/2*math.Log(math.Max(n, math.E)) + chosen*n/float64(len(c.gains))
		if h.Rate == 0 {
			cost += s.prior
		}
		c.weight.Independent, c.weight.Penalty, c.weight.Score = n, cost, sum-cost
		if top == nil || c.weight.Score > top.weight.Score {
			top = c
		}
		if c.all && (whole == nil || c.weight.Score > whole.weight.Score) {
			whole = c
		}
	}
	scope := h.Scope
	if scope == 0 {
		scope = ScopeAny
	}
	kind := 0.0 // what it takes to say which kind of set
	if scope != ScopeAll {
		kind = math.Log(4)
	}
	if scope&ScopeAll != 0 {
		all := make([]int, len(items))
		for k := range items {
			all[k] = k
		}
		consider(all, 0, 0)
	}
	if scope&ScopeGroups != 0 {
		s.groups(e, items, func(set []int, of int) { consider(set, kind+math.Log(float64(of)), 0) })
	}
	if scope&ScopeRuns != 0 {
		orders := itemOrders(e, h, items)
		for _, o := range orders {
			if set := bestRun(items, o); len(set) > 0 {
				consider(set, kind+math.Log(float64(len(orders)))+2*math.Log(float64(len(o)))-math.Ln2, 0)
			}
		}
	}
	if scope&ScopeSome != 0 {
		s.some(h, items, func(set []int) {
			if h.Rate > 0 {
				consider(set, -float64(len(set))*math.Log(h.Rate), 0)
			} else {
				consider(set, kind, logChoose(len(items), len(set))+math.Log(float64(len(items)+1)))
			}
		})
	}
	for _, c := range []*candidate{top, whole} {
		if c == nil || c == whole && c == top {
			continue
		}
		c.complete(e)
	}
	if top != nil && top == whole {
		top.complete(e)
	}
	return top, whole, nil
}

// temper scales the gains of photos to those that count, outing by outing, and
// returns their sum and how many count. Where a hypothesis is not about what
// photos have in common, each that is far out counts for itself, but for those of
// the same minute; yet no more count than of all the outing for what they have in
// common, so that hypotheses of both kinds compare. Photos that are concerned at
// a given rate are not held to that, since their number is paid for.
func (e *Evidence) temper(h *Hypothesis, gains []gained) (sum, count float64) {
	of := make(map[outing][]gained)
	var order []outing
	for _, g := range gains {
		if h.Changes != nil && h.Changes[g.photo].Shows {
			sum += g.gain
			count++
			continue
		}
		o := e.Photos[g.photo].outing()
		if of[o] == nil {
			order = append(order, o)
		}
		of[o] = append(of[o], g)
	}
	var photos []int
	for _, o := range order {
		photos = photos[:0]
		gain := 0.0
		for _, g := range of[o] {
			photos = append(photos, g.photo)
			gain += g.gain
		}
		n := e.independent(photos, !h.Coherent)
		if !h.Coherent && h.Rate == 0 {
			n = math.Min(n, e.walks.whole[o])
		}
		count += n
		sum += gain * n / float64(len(photos))
	}
	return sum, count
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

// groups yields the items of each camera, day and camera's day, of which there
// are more than one, with the number of groups of that kind.
func (s *search) groups(e *Evidence, items []item, yield func(set []int, of int)) {
	type key struct{ camera, day string }
	for _, of := range []func(*Photo) key{
		func(p *Photo) key { return key{camera: p.Camera} },
		func(p *Photo) key { return key{day: p.Day} },
		func(p *Photo) key { return key{p.Camera, p.Day} },
	} {
		sets := make(map[key][]int)
		var keys []key
		for k := range items {
			q := of(&e.Photos[items[k].photos[0]])
			if _, ok := sets[q]; !ok {
				keys = append(keys, q)
			}
			sets[q] = append(sets[q], k)
		}
		if len(keys) < 2 {
			continue
		}
		for _, q := range keys {
			yield(sets[q], len(keys))
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
		of[items[k].photos[0]] = k
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
func (s *search) some(h *Hypothesis, items []item, yield func(set []int)) {
	share := h.Rate
	if share == 0 {
		share = 0.1
	}
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

// alongside adds the points that no photo is tied to where those around them in
// the list move: all where all do.
func (e *Evidence) alongside(h *Hypothesis, points []int, all bool) []int {
	in := make(map[int]bool, len(points))
	for _, j := range points {
		in[j] = true
	}
	tied := make(map[int]bool)
	for i := range e.Photos {
		if j := e.Photos[i].Point; j >= 0 {
			tied[j] = true
		}
	}
	var out []int
	for j := range e.Points {
		if _, ok := h.Points[j]; !ok {
			continue
		}
		if in[j] || all {
			out = append(out, j)
			continue
		}
		if tied[j] {
			continue
		}
		near, votes := 0, 0
		for d := 1; d < len(e.Points) && near < 2; d++ {
			for _, k := range []int{j - d, j + d} {
				if k >= 0 && k < len(e.Points) && tied[k] {
					near++
					if in[k] {
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

// look returns the best candidate of a cause, and the best that concerns all it
// could, where that is another. With params only hypotheses count whose chosen
// figures are the same.
func (s *search) look(ctx context.Context, e *Evidence, cause int, params []Param) (top, all *candidate, err error) {
	c := s.causes[cause]
	hyps, err := c.Propose(ctx, e)
	if err != nil {
		return nil, nil, fmt.Errorf("explain: cause %s: %w", c.Name(), err)
	}
	for x := range hyps {
		h := &hyps[x]
		if h.Changes != nil && len(h.Changes) != len(e.Photos) {
			return nil, nil, fmt.Errorf("explain: cause %s proposes changes for %d photos of %d", c.Name(), len(h.Changes), len(e.Photos))
		}
		if params != nil && !alike(h.Params, params) {
			continue
		}
		b, whole, err := s.best(ctx, e, cause, h)
		if err != nil {
			return nil, nil, err
		}
		if b != nil && (top == nil || b.weight.Score > top.weight.Score) {
			top = b
		}
		if whole != nil && (all == nil || whole.weight.Score > all.weight.Score) {
			all = whole
		}
	}
	if top != nil && top.all {
		all = nil
	}
	return top, all, nil
}

// propose returns the best candidate of each cause, the best first, and of those
// that do not concern all they could, further candidates that do.
func (s *search) propose(ctx context.Context, e *Evidence) (out, more []candidate, err error) {
	for k := range s.causes {
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		top, all, err := s.look(ctx, e, k, nil)
		if err != nil {
			return nil, nil, err
		}
		if top != nil {
			out = append(out, *top)
		}
		if all != nil && 2*len(all.photos) > len(e.Photos) {
			more = append(more, *all)
		}
	}
	by := func(a, b candidate) int { return cmp.Compare(b.weight.Score, a.weight.Score) }
	slices.SortStableFunc(out, by)
	slices.SortStableFunc(more, by)
	return out, more, nil
}

// accept returns the trail with one more step.
func (s *search) accept(ctx context.Context, t trail, c candidate) (trail, error) {
	left, err := t.left.changed(ctx, c.hyp, c.photos, c.points)
	if err != nil {
		return t, err
	}
	left.learn()
	left.told = maps.Clone(left.told)
	if left.told == nil {
		left.told = make(map[telling]bool, len(c.photos))
	}
	for _, i := range c.photos {
		left.told[telling{s.family(c.cause), i}] = true
	}
	out := trail{steps: append(slices.Clone(t.steps), c), start: t.start, left: left}
	out.sum()
	return out, nil
}

// sum works out the score of all steps together, photo by photo. Steps that are
// about what photos have in common, or concern many, count by the independent
// photos of all of them: a shift cut in two is no more certain. What they gain
// is what the photos end up with, since what each step gains depends on what noise
// is learned before it. The others count among themselves: what two steps make of
// the same photos counts once.
func (t *trail) sum() {
	t.total = 0
	var single []gained
	common := make(map[int]bool)
	rest := make(map[int]float64) // to be added to what common photos end up with
	// What is common in one step of a cause is so in all of them.
	broad := make(map[int]bool)
	for k := range t.steps {
		if c := &t.steps[k]; c.many(t.left) || c.hyp.Coherent || c.hyp.Rate == 0 && 5*len(c.gains) > len(t.left.Photos) {
			broad[c.cause] = true
		}
	}
	for k := range t.steps {
		c := &t.steps[k]
		if c.hyp.Changes != nil && c.hyp.Changes[c.photos[0]].Shows {
			t.total += c.weight.Score
			continue
		}
		if c.many(t.left) {
			_, n := t.left.temper(&Hypothesis{Coherent: true}, c.gains)
			t.total -= c.weight.Penalty * n / float64(len(c.gains))
		} else {
			t.total -= c.weight.Penalty
		}
		if broad[c.cause] {
			for _, g := range c.gains {
				common[g.photo] = true
				if c.hyp.Changes != nil {
					if ch := &c.hyp.Changes[g.photo]; !ch.Void {
						rest[g.photo] += ch.LogP
					}
				}
			}
			continue
		}
		single = append(single, c.gains...)
		for _, g := range c.gains {
			rest[g.photo] -= g.gain
			if ch := &c.hyp.Changes; *ch != nil && !(*ch)[g.photo].Void {
				rest[g.photo] += (*ch)[g.photo].LogP
			}
		}
	}
	var whole []gained
	for i := range t.left.Photos {
		if common[i] {
			whole = append(whole, gained{i, t.left.Photos[i].logp - t.start.Photos[i].logp + rest[i]})
		}
	}
	v, _ := t.left.temper(&Hypothesis{Coherent: true}, whole)
	w, _ := t.left.temper(&Hypothesis{Rate: 1}, joint(single))
	t.total += v + w
}

// joint adds up the gains of each photo.
func joint(g []gained) []gained {
	slices.SortStableFunc(g, func(a, b gained) int { return cmp.Compare(a.photo, b.photo) })
	var out []gained
	for _, x := range g {
		if k := len(out) - 1; k >= 0 && out[k].photo == x.photo {
			out[k].gain += x.gain
		} else {
			out = append(out, x)
		}
	}
	return out
}

// many says that far more photos are concerned than the hypothesis's rate
// foresees, so that something else may be behind it.
func (c *candidate) many(e *Evidence) bool {
	return c.hyp.Rate > 0 && float64(c.items) > 4*c.hyp.Rate*float64(len(e.Photos))+6
}

// follow accepts the best candidates one after another.
func (s *search) follow(ctx context.Context, t trail) (trail, error) {
	for len(t.steps) < most {
		cands, _, err := s.propose(ctx, t.left)
		if err != nil {
			return t, err
		}
		if len(cands) == 0 || cands[0].weight.Score <= s.min {
			break
		}
		if t, err = s.accept(ctx, t, cands[0]); err != nil {
			return t, err
		}
	}
	return t, nil
}

// reaches says that three quarters of the photos that a step concerns are within
// budget after all, or hardly over it: noise correlates, and a run may lie in a
// bad spell.
func (t *trail) reaches(c *candidate) bool {
	n, in := 0, 0
	for _, i := range c.photos {
		p := &t.left.Photos[i]
		if p.Void || !c.moves(i) {
			continue
		}
		n++
		if p.D != nil && p.beyond() < 1.4*p.Threshold {
			in++
		}
	}
	return float64(in) >= 0.75*float64(n)
}

// moves says that a step moves what a photo is judged by.
func (c *candidate) moves(i int) bool {
	if c.hyp.Points != nil {
		return true
	}
	ch := &c.hyp.Changes[i]
	return ch.Void || ch.At != nil || ch.Datum != nil || ch.Move != nil || ch.Tie != nil || ch.Where != nil || ch.Blur != nil
}

// settled says that the causes of a trail bring their photos back, and that no
// photos are left that noise can't explain.
func (t *trail) settled() bool {
	for k := range t.steps {
		if !t.reaches(&t.steps[k]) {
			return false
		}
	}
	far, n := 0, 0
	for i := range t.left.Photos {
		p := &t.left.Photos[i]
		if p.D != nil || p.Out {
			n++
			if p.Out && (p.D == nil || p.beyond() > 2*p.Threshold) {
				far++
			}
		}
	}
	return float64(far) <= 0.02*float64(n)
}

// again looks for the causes of steps once more, one after the other, on fresh
// evidence: each with the figures and the set of photos that are best then. A
// step that gains nothing any more is left out.
func (s *search) again(ctx context.Context, e *Evidence, steps []candidate) (trail, error) {
	t := trail{start: e, left: e}
	for _, c := range steps {
		top, all, err := s.look(ctx, t.left, c.cause, c.hyp.Params)
		if err != nil {
			return t, err
		}
		if c.all && all != nil && 10*len(all.photos) >= 9*len(c.photos) {
			top = all
		}
		if top == nil || top.weight.Score <= s.min && !top.all {
			continue
		}
		if t, err = s.accept(ctx, t, *top); err != nil {
			return t, err
		}
	}
	return t, nil
}

// tidy returns the trail with the steps that concern most photos first, so that
// trails compare, unless that leaves more unexplained.
func (s *search) tidy(ctx context.Context, e *Evidence, t trail) (trail, error) {
	steps := slices.Clone(t.steps)
	slices.SortStableFunc(steps, func(a, b candidate) int { return cmp.Compare(len(b.photos), len(a.photos)) })
	if len(steps) < 2 {
		return t, nil
	}
	u, err := s.again(ctx, e, steps)
	if err != nil {
		return t, err
	}
	if u, err = s.follow(ctx, u); err != nil {
		return t, err
	}
	if t.settled() && !u.settled() {
		return t, nil
	}
	return u, nil
}

// prune drops steps that do not bring their photos back, and those without which
// the rest explains as well.
func (s *search) prune(ctx context.Context, e *Evidence, t trail) (trail, error) {
	for k := 0; k < len(t.steps); {
		rest := slices.Delete(slices.Clone(t.steps), k, k+1)
		without, err := s.again(ctx, e, rest)
		if err != nil {
			return t, err
		}
		if !t.reaches(&t.steps[k]) || len(t.steps) > 1 && without.total >= t.total {
			t, k = without, 0
			continue
		}
		k++
	}
	return t, nil
}

// alternatives is how many other first steps are followed, up to three times as
// many where none so far leads to a good end.
const alternatives = 8

// run finds the causes.
func (s *search) run(ctx context.Context, e *Evidence) (trail, error) {
	start := trail{start: e, left: e}
	cands, more, err := s.propose(ctx, e)
	if err != nil || len(cands) == 0 {
		return start, err
	}
	from := func(c candidate) (trail, error) {
		t, err := s.accept(ctx, start, c)
		if err != nil {
			return start, err
		}
		if t, err = s.follow(ctx, t); err != nil {
			return start, err
		}
		if t, err = s.tidy(ctx, e, t); err != nil {
			return start, err
		}
		if debug {
			t.dump(s)
		}
		return t, nil
	}
	best := start
	if cands[0].weight.Score > s.min {
		if best, err = from(cands[0]); err != nil {
			return start, err
		}
		cands = cands[1:]
	}
	good := best.settled()
	tried := 0
	for _, c := range slices.Concat(more, cands) {
		if c.weight.Score <= s.min {
			// A first step that is wrong by itself may be right with a second one,
			// where it concerns all; and a figure that was fitted may stand for two
			// causes that need none.
			fitted := slices.ContainsFunc(best.steps, func(c candidate) bool { return c.hyp.Free > 0 })
			if good && !fitted || c.hyp.Free > 0 || !c.all || 10*len(c.photos) < 9*len(e.Photos) {
				continue
			}
		}
		if tried++; tried > alternatives && (good || tried > 3*alternatives) {
			break
		}
		t, err := from(c)
		if err != nil {
			return start, err
		}
		if ok := t.settled(); t.total > 0 && (ok && !good || ok == good && t.total > best.total) {
			best, good = t, ok
		}
	}
	if best, err = s.vary(ctx, e, best); err != nil {
		return start, err
	}
	return s.prune(ctx, e, best)
}

// vary tries the other choices of a cause, another foot or another datum, in
// chains where a fitted figure may have made up for the wrong one.
func (s *search) vary(ctx context.Context, e *Evidence, t trail) (trail, error) {
	if len(t.steps) < 2 || !slices.ContainsFunc(t.steps, func(c candidate) bool { return c.hyp.Free > 0 }) {
		return t, nil
	}
	for k := range t.steps {
		before, err := s.again(ctx, e, t.steps[:k])
		if err != nil {
			return t, err
		}
		hyps, err := s.causes[t.steps[k].cause].Propose(ctx, before.left)
		if err != nil {
			return t, err
		}
		for x := range hyps {
			if hyps[x].Free > 0 || alike(hyps[x].Params, t.steps[k].hyp.Params) {
				continue
			}
			// What comes after it has to be found anew.
			u, err := s.again(ctx, e, append(slices.Clone(t.steps[:k]), candidate{cause: t.steps[k].cause, hyp: &hyps[x]}))
			if err != nil {
				return t, err
			}
			for _, c := range t.steps {
				if c.hyp.Free > 0 || c.cause == t.steps[k].cause || len(u.steps) == 0 {
					continue
				}
				top, _, err := s.look(ctx, u.left, c.cause, c.hyp.Params)
				if err != nil {
					return t, err
				}
				if top != nil && top.weight.Score > s.min {
					if u, err = s.accept(ctx, u, *top); err != nil {
						return t, err
					}
				}
			}
			if u, err = s.follow(ctx, u); err != nil {
				return t, err
			}
			if u.settled() && u.total > t.total {
				return u, nil
			}
		}
	}
	// A fitted figure may stand for a cause that needs none.
	for k := range t.steps {
		if t.steps[k].hyp.Free == 0 {
			continue
		}
		before, err := s.again(ctx, e, t.steps[:k])
		if err != nil {
			return t, err
		}
		cands, more, err := s.propose(ctx, before.left)
		if err != nil {
			return t, err
		}
		for _, c := range slices.Concat(cands, more) {
			if c.hyp.Free > 0 || c.weight.Score <= s.min || 2*len(c.photos) < len(t.steps[k].photos) {
				continue
			}
			u, err := s.accept(ctx, before, c)
			if err != nil {
				return t, err
			}
			if u, err = s.follow(ctx, u); err != nil {
				return t, err
			}
			if u.settled() && u.total > t.total {
				return u, nil
			}
		}
	}
	return t, nil
}

// alike says that the chosen figures of two hypotheses are the same.
func alike(a, b []Param) bool {
	return slices.EqualFunc(a, b, func(a, b Param) bool { return a.Name == b.Name && a.Text == b.Text })
}

var debug = os.Getenv("PHOTOTIE_DEBUG") != ""

func (t *trail) dump(s *search) {
	sum, e, n := 0.0, 0.0, 0.0
	for i := range t.left.Photos {
		p := &t.left.Photos[i]
		sum += p.logp
		if p.D != nil {
			e += p.D.E / float64(len(t.left.Photos))
			n += p.D.N / float64(len(t.left.Photos))
		}
	}
	fmt.Printf("trail %.1f settled %v logp %.1f mean %.2f %.2f mix %.3v stance %v\n", t.total, t.settled(), sum, e, n, t.left.mix, t.left.Photos[0].noise.stance)
	for _, c := range t.steps {
		fmt.Printf("   %s %d photos: gain %.1f n %.1f penalty %.1f score %.1f free %d %v\n", s.causes[c.cause].Name(), len(c.photos), c.weight.Gain, c.weight.Independent, c.weight.Penalty, c.weight.Score, c.hyp.Free, c.hyp.Params)
	}
}
