package cause

import (
	"cmp"
	"context"
	"maps"
	"math"
	"slices"

	"example.com/phototie/match"
)

// most is the greatest number of causes that one search accepts.
const most = 12

// trail is a sequence of accepted candidates with what is left after them.
type trail struct {
	steps []candidate
	start *Evidence
	left  *Evidence
	total float64
}

// accept returns the trail with one more step.
func (s *search) accept(ctx context.Context, t trail, c candidate) (trail, error) {
	k := slices.IndexFunc(s.seen, func(r reached) bool { return r.from == t.left && r.hyp == c.hyp && slices.Equal(r.photos, c.photos) })
	if k < 0 {
		left, err := s.left(ctx, t.left, c)
		if err != nil {
			return t, err
		}
		if k = len(s.seen); k == mostKnown {
			clear(s.seen[0].left.looked) // what it has of hypotheses is large
			s.seen = s.seen[1:]
			k--
		}
		s.seen = append(s.seen, reached{t.left, c.hyp, c.photos, left})
	}
	r := s.seen[k]
	s.seen = append(slices.Delete(s.seen, k, k+1), r)
	out := trail{steps: append(slices.Clone(t.steps), c), start: t.start, left: r.left}
	out.sum()
	return out, nil
}

// reached is evidence that a step from other evidence led to: a hypothesis for photos.
type reached struct {
	from   *Evidence
	hyp    *Hypothesis
	photos []int
	left   *Evidence
}

// left is what evidence a step leaves: the same where another order of steps has led to it,
// as what causes come to on it may be known already.
func (s *search) left(ctx context.Context, from *Evidence, c candidate) (*Evidence, error) {
	left, err := from.changed(ctx, c.hyp, c.photos, c.points)
	if err != nil {
		return nil, err
	}
	left.learn()
	told := slices.Clone(left.told[s.family(c.cause)])
	if told == nil {
		told = make([]bool, len(left.Photos))
	}
	for _, i := range c.photos {
		told[i] = true
	}
	if left.told = maps.Clone(left.told); left.told == nil {
		left.told = make(map[string][]bool)
	}
	left.told[s.family(c.cause)] = told
	for _, r := range s.seen {
		if k := r.left; slices.EqualFunc(left.Points, k.Points, func(a, b match.Point) bool { return a.EN == b.EN }) && maps.EqualFunc(left.told, k.told, slices.Equal[[]bool]) &&
			slices.EqualFunc(left.Photos, k.Photos, func(a, b Photo) bool { return a.like(&b) }) {
			return k, nil
		}
	}
	return left, nil
}

// mostKnown is how many evidences are kept to be recognised.
const mostKnown = 6

// like says that causes have left two photos of one index the same.
func (p *Photo) like(q *Photo) bool {
	return p.Point == q.Point && p.logp == q.logp && p.move == q.move && p.height == q.height && p.Void == q.Void && p.Out == q.Out &&
		p.replaced == q.replaced && p.retied == q.retied && p.Frame == q.Frame && p.op == q.op && alike(p.At, q.At) && alike(p.OnGrid, q.OnGrid) &&
		alike(p.D, q.D) && alike(p.blur, q.blur) && alike(p.noise.mix, q.noise.mix) && alike(p.noise.stance, q.noise.stance) && slices.Equal(p.where, q.where)
}

func alike[T comparable](a, b *T) bool { return a == b || a != nil && b != nil && *a == *b }

// sum works out the score of all steps together, photo by photo. Steps that are
// about what photos have in common, or concern many, count by the independent
// photos of all of them: a shift cut in two is no more certain. What they gain
// is what the photos end up with, since what each step gains depends on what noise
// is learned before it. The others count among themselves: what two steps make of
// the same photos counts once.
func (t *trail) sum() {
	t.total = 0
	var single []gained
	alone := Hypothesis{Rate: 1}
	common := make(map[int]bool)
	rest := make(map[int]float64) // to be added to what common photos end up with
	// What is common in one step of a cause is so in all of them.
	broad := make(map[int]bool)
	for k := range t.steps {
		if c := &t.steps[k]; c.many(t.left, 0) || c.hyp.Coherent || c.hyp.Rate == 0 && 5*len(c.gains) > len(t.left.Photos) {
			broad[c.cause] = true
		}
	}
	for k := range t.steps {
		c := &t.steps[k]
		if c.hyp.change(c.photos[0]).Shows {
			t.total += c.weight.Score
			continue
		}
		if c.many(t.left, 0) {
			_, n := t.left.temper(&Hypothesis{Coherent: true}, c.gains)
			t.total -= c.weight.Penalty * n / float64(len(c.gains))
		} else {
			t.total -= c.weight.Penalty
		}
		if broad[c.cause] {
			for _, g := range c.gains {
				common[g.photo] = true
				if ch := c.hyp.change(g.photo); !ch.Void {
					rest[g.photo] += ch.LogP
				}
			}
			continue
		}
		single = append(single, c.gains...)
		for _, g := range c.gains {
			ch := c.hyp.change(g.photo)
			if c.ties() {
				alone.Changes = append(alone.Changes, Change{Photo: g.photo, Tie: ch.Tie})
			}
			rest[g.photo] -= g.gain
			if !ch.Void {
				rest[g.photo] += ch.LogP
			}
		}
	}
	together := Hypothesis{Coherent: true, alike: 0.01}
	for k := range t.steps {
		if c := &t.steps[k]; broad[c.cause] {
			together.alike = math.Max(together.alike, c.hyp.aligned(t.start, c.photos))
		}
	}
	var whole []gained
	for i := range t.left.Photos {
		if common[i] {
			whole = append(whole, gained{i, t.left.Photos[i].logp - t.start.Photos[i].logp + rest[i]})
		}
	}
	alone.arrange()
	v, _ := t.left.temper(&together, whole)
	w, _ := t.start.temper(&alone, joint(single))
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
func (c *candidate) many(e *Evidence, before int) bool {
	return c.hyp.Rate > 0 && float64(c.items+before) > 4*c.hyp.Rate*float64(len(e.Photos))+6
}

// ties says that a step is about links.
func (c *candidate) ties() bool { return c.hyp.change(c.photos[0]).Tie != nil }

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
	usual := 0.0
	if c.ties() {
		usual = 2.1 * t.usual(c.photos) // 95 % of what is as near as the others
	}
	for _, i := range c.photos {
		p := &t.left.Photos[i]
		if p.Void || !c.moves(i) {
			continue
		}
		n++
		if p.D == nil {
			continue
		}
		enough := math.Max(usual, 1.4*p.reach()+2*c.hyp.Accuracy)
		// From kilometres away, or off the grid, to some metres is no chance, be the noise
		// what it is.
		if d := t.start.Photos[i].D; c.hyp.Free == 0 && d != nil {
			enough = math.Max(enough, math.Min(3*p.reach(), math.Hypot(d.E-p.D.E, d.N-p.D.N)/2000))
		} else if c.hyp.Free == 0 && t.start.Photos[i].Out {
			enough = 3 * p.reach()
		}
		if p.beyond() < enough {
			in++
		}
	}
	return float64(in) >= 0.75*float64(n)
}

// reach is what the budget allows, or would if it knew how noisy the camera is.
func (p *Photo) reach() float64 { return p.Threshold * math.Max(1, p.noise.swell()) }

// moves says that a step moves what a photo is judged by.
func (c *candidate) moves(i int) bool {
	if c.hyp.Points != nil {
		return true
	}
	ch := c.hyp.change(i)
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
			if p.Out && (p.D == nil || p.beyond() > 2*p.reach()) {
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

// prune drops causes until each of the rest is needed: its score is what the
// explanation is better with it than the best without it, and has to be above the
// bar; it has to bring its photos back, and to make more of them better than worse.
// The worst is dropped first, since the others may need none once it is gone.
func (s *search) prune(ctx context.Context, e *Evidence, t trail) (trail, error) {
	for {
		worst, score := -1, math.Inf(1)
		var rest trail
		for k := range t.steps {
			steps := slices.Delete(slices.Clone(t.steps), k, k+1)
			without, err := s.again(ctx, e, steps)
			if err != nil {
				return t, err
			}
			c := &t.steps[k]
			c.weight.Score = t.total - without.total
			ok, err := t.holds(ctx, c, &without)
			if err != nil {
				return t, err
			}
			if !(ok && c.weight.Score > s.min) && c.weight.Score < score {
				worst, score, rest = k, c.weight.Score, without
			}
		}
		if worst < 0 {
			return t, nil
		}
		t = rest
	}
}

// holds says that a step may be reported: beside its score there is what it does to
// the photos.
func (t *trail) holds(ctx context.Context, c *candidate, without *trail) (bool, error) {
	better, worse := 0, 0
	for _, i := range c.photos {
		a, b := &t.left.Photos[i], &without.left.Photos[i]
		switch {
		case a.Void || b.Void || !c.moves(i):
		case a.logp > b.logp+0.1:
			better++
		case a.logp < b.logp-0.1:
			worse++
		}
	}
	// Single links are wrong singly, and not where far more is wrong.
	several := c.hyp.Items == nil && len(c.photos) > 3
	if c.ties() && c.hyp.Rate > 0 && (several || t.unexplained() > len(c.photos)) && !t.inferred(c) {
		return false, nil
	}
	if worse > better || !t.reaches(c) || !t.predicted(c) || c.hyp.Rate == 0 && c.ties() && !t.apart(c) && !t.inferred(c) {
		return false, nil
	}
	return t.sensible(ctx, c)
}

// inferred says that the walk's inference contradicts most links of a step, for the
// points that the step has.
func (t *trail) inferred(c *candidate) bool {
	n := 0
	for _, i := range c.photos {
		if t.start.Photos[i].says(*c.hyp.change(i).Tie) {
			n++
		}
	}
	return 2*n > len(c.photos)
}

// unexplained is how many photos are left far out.
func (t *trail) unexplained() int {
	n := 0
	for i := range t.left.Photos {
		if p := &t.left.Photos[i]; p.D != nil && p.beyond() > 1.5*p.reach() {
			n++
		}
	}
	return n
}

// apart says that a run of links leads to points that are far enough from those linked
// to be told by tags such as the other photos have.
func (t *trail) apart(c *candidate) bool {
	var moved []float64
	for _, i := range c.photos {
		a, b := t.start.Points[t.start.Photos[i].Point], t.start.Points[*c.hyp.change(i).Tie]
		moved = append(moved, math.Hypot(a.E-b.E, a.N-b.N)*t.start.unit)
	}
	return medianOf(moved) > math.Max(8, 2*t.usual(c.photos))
}

// usual is the median distance of the photos but those listed; 0 without any.
func (t *trail) usual(but []int) float64 {
	var far []float64
	for i := range t.left.Photos {
		if p := &t.left.Photos[i]; p.D != nil && !has(but, i) {
			far = append(far, p.beyond())
		}
	}
	if len(far) == 0 {
		return 0
	}
	return medianOf(far)
}

// predicted says that a hypothesis that predicts a shift leaves none: what the tags
// have in common afterwards is zero within its standard error, in size and
// direction.
func (t *trail) predicted(c *candidate) bool {
	if !c.hyp.Predicts {
		return true
	}
	m, v := t.left.meanShift(c.photos)
	v += c.hyp.Accuracy * c.hyp.Accuracy
	return m.E*m.E+m.N*m.N < chi99*v
}

// chi99 is the 99 % quantile of the chi-square distribution with 2 degrees of
// freedom.
const chi99 = 9.21

// meanShift is what the tags of a set are off by in common, and its variance per
// axis.
func (e *Evidence) meanShift(photos []int) (match.Vector, float64) {
	at, ds := e.offsets(photos, false)
	if len(at) == 0 {
		return match.Vector{}, math.Inf(1)
	}
	// The crew may keep to one side of the points, by half of the standoff or so.
	var sigma, side float64
	for _, i := range at {
		n := &e.Photos[i].noise
		sigma += n.spread() / float64(len(at))
		side += n.standoff / 2 / float64(len(at))
	}
	return centre(ds, sigma), sigma*sigma/e.independent(at) + side*side/2
}

// sensible says that a cause that moves the job as a whole moves it by no more than it
// is out, and by more than what is fitted beside it: two such causes that undo each other
// explain anything.
func (t *trail) sensible(ctx context.Context, c *candidate) (bool, error) {
	if !c.hyp.Coherent || 2*len(c.photos) < len(t.start.Photos) || !c.moves(c.photos[0]) {
		return true, nil
	}
	alone, err := t.start.changed(ctx, c.hyp, c.photos, c.points)
	if err != nil {
		return false, err
	}
	var before, moved []float64
	for _, i := range c.photos {
		if a, b := t.start.Photos[i].D, alone.Photos[i].D; a != nil && b != nil {
			before = append(before, math.Hypot(a.E, a.N))
			moved = append(moved, math.Hypot(b.E-a.E, b.N-a.N))
		}
	}
	return len(before) == 0 || medianOf(moved) < 2*medianOf(before) && 2*t.fitted(c) <= medianOf(moved), nil
}

// fitted is by how many metres other steps move the photos of a step at will. What is
// larger than the step itself makes up for anything that it predicts.
func (t *trail) fitted(c *candidate) (most float64) {
	for k := range t.steps {
		u := &t.steps[k]
		if u.cause == c.cause || u.hyp.Free == 0 || !overlap(c.photos, u.photos) {
			continue
		}
		if v := u.hyp.change(u.photos[0]).Move; v != nil {
			most = max(most, math.Hypot(v.E, v.N))
		}
	}
	return most
}

// worth is a trail's score but for how large errors are, with a little less for each step,
// so that of trails that are as good the simplest is taken.
func (t *trail) worth() float64 {
	w := t.total - 2*float64(len(t.steps))
	for k := range t.steps {
		c := &t.steps[k]
		if ch := c.hyp.change(c.photos[0]); ch.Accuracy > 0 || ch.Standoff > 0 {
			w -= c.weight.Score - 2 // what a step leaves that explains too little is larger
		}
	}
	return w
}

// alternatives is how many other first steps are followed, up to three times as
// many where none so far leads to a good end.
const alternatives = 8

// from follows a first step to its end.
func (s *search) from(ctx context.Context, start trail, c candidate) (trail, error) {
	t, err := s.accept(ctx, start, c)
	if err != nil {
		return start, err
	}
	if t, err = s.follow(ctx, t); err != nil {
		return start, err
	}
	return s.tidy(ctx, start.start, t)
}

// run finds the causes.
func (s *search) run(ctx context.Context, e *Evidence) (trail, error) {
	best := trail{start: e, left: e}
	trails, err := s.trails(ctx, best)
	if err != nil {
		return best, err
	}
	// Steps that may not be reported can make a trail look better than one of sound steps.
	slices.SortStableFunc(trails, func(a, b trail) int {
		switch {
		case a.beats(&b):
			return -1
		case b.beats(&a):
			return 1
		}
		return 0
	})
	for k := range trails {
		if !trails[k].beats(&best) {
			break
		}
		t, err := s.prune(ctx, e, trails[k])
		if err != nil {
			return best, err
		}
		if k == 0 || t.beats(&best) {
			best = t
		}
	}
	return s.compare(ctx, e, best)
}

// beats says that a trail leaves less unexplained than another, or as little and is worth
// more.
func (t *trail) beats(u *trail) bool {
	if a, b := t.settled(), u.settled(); a != b {
		return a
	}
	if a, b := t.worth(), u.worth(); math.Abs(a-b) > 1e-6 {
		return a > b
	}
	return t.total > u.total
}

// trails follows first steps to their ends.
func (s *search) trails(ctx context.Context, start trail) ([]trail, error) {
	cands, more, err := s.propose(ctx, start.left)
	if err != nil || len(cands) == 0 {
		return nil, err
	}
	var out []trail
	best := start
	if cands[0].weight.Score > s.min {
		if best, err = s.from(ctx, start, cands[0]); err != nil {
			return nil, err
		}
		out, cands = append(out, best), cands[1:]
	}
	good := best.settled()
	tried := 0
	for _, c := range slices.Concat(more, cands) {
		if c.weight.Score <= s.min && !s.hopeful(&c, &best, good) {
			continue
		}
		if tried++; tried > alternatives && (good || tried > 3*alternatives) {
			break
		}
		if good && slices.ContainsFunc(best.steps, func(u candidate) bool { return u.cause == c.cause && slices.Equal(u.photos, c.photos) }) {
			continue // another order of the same steps
		}
		t, err := s.from(ctx, start, c)
		if err != nil {
			return nil, err
		}
		if t.total > 0 {
			out = append(out, t)
			if t.beats(&best) {
				best, good = t, t.settled()
			}
		}
	}
	return out, nil
}

// hopeful says that a first step that is wrong by itself may be right with a second
// one: where it concerns all, and nothing is found yet, or with a figure fitted that
// may be two causes that need none.
func (s *search) hopeful(c *candidate, best *trail, good bool) bool {
	fitted := slices.ContainsFunc(best.steps, func(c candidate) bool { return c.hyp.Free > 0 })
	return (!good || fitted) && c.hyp.Free == 0 && c.all && 10*len(c.photos) >= 9*len(best.start.Photos)
}

// margin is by how many nats a cause has to be better than another to be told from
// it.
const margin = 3

// compare looks for causes that explain the photos of a step nearly as well. Where a
// shift that is fitted freely does, that is what can be said.
func (s *search) compare(ctx context.Context, e *Evidence, t trail) (trail, error) {
	for k := 0; k < len(t.steps); k++ {
		c := &t.steps[k]
		if !c.hyp.Coherent && !c.ties() {
			continue
		}
		without, err := s.again(ctx, e, slices.Delete(slices.Clone(t.steps), k, k+1))
		if err != nil {
			return t, err
		}
		cands, more, err := s.propose(ctx, without.left)
		if err != nil {
			return t, err
		}
		for _, r := range slices.Concat(cands, more) {
			name := s.causes[r.cause].Name()
			if r.cause == c.cause || slices.Contains(c.rivals, name) || r.weight.Score <= s.min || !overlap(c.photos, r.photos) {
				continue
			}
			u, err := s.accept(ctx, without, r)
			if err != nil {
				return t, err
			}
			if ok, err := u.holds(ctx, &u.steps[len(u.steps)-1], &without); err != nil {
				return t, err
			} else if !ok || u.total < t.total-margin {
				continue
			}
			if name == "common-shift" && t.chance(c) > unlikely {
				r.rivals = append(c.rivals, s.causes[c.cause].Name())
				r.weight.Score = u.total - without.total
				u.steps[len(u.steps)-1] = r
				if u, err = s.prune(ctx, e, u); err != nil {
					return t, err
				}
				t = u
				break
			}
			c.rivals = append(c.rivals, name)
		}
	}
	return t, nil
}

// unlikely is how rarely a shift of any other cause may come out as a hypothesis
// predicts for that to be named though a shift explains as much.
const unlikely = 0.04

// chance is how probable it is that a shift as large in any direction comes out as the
// hypothesis predicts, or with a scale that was fitted in its direction.
func (t *trail) chance(c *candidate) float64 {
	var size float64
	for _, i := range c.photos {
		if d := t.start.Photos[i].D; d != nil {
			size += math.Hypot(d.E, d.N) / float64(len(c.photos))
		}
	}
	_, v := t.left.meanShift(c.photos)
	if v += c.hyp.Accuracy * c.hyp.Accuracy; c.hyp.Predicts {
		return chi99 * v / (size * size)
	}
	return 3 * math.Sqrt(v) / (math.Pi * size)
}

// overlap says that two sets of photos, in order, are much the same.
func overlap(a, b []int) bool {
	both := 0
	for _, i := range b {
		if has(a, i) {
			both++
		}
	}
	return 5*both >= 4*max(len(a), len(b))
}
