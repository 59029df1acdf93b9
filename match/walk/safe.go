package walk

import (
	"context"
	"math"
	"slices"

	"example.com/phototie/match/noise"
)

// What the model finds is held against rules that do not rest on it, so that a job
// unlike any it was made for accuses nobody. See the package's doc.

// enoughOwn is how much photos of a run have to say for another point themselves,
// all together, in nats; and enoughOut how many of them have to be out at their
// listed points and within at the others for those that say nothing: choices.
const (
	enoughOwn = 6
	enoughOut = 2
)

// enoughJump is by how many nats wrong links have to explain a run better than a jump of
// the receiver, and pairJump where it is of two points, which one jump of the length of the
// way between them and the next suits as well, and times and names say little: choices.
const (
	enoughJump = 2
	pairJump   = 6
)

// within says that the budget has a tag within at a point, be it for the shift that
// all tags have or not, or would have if tags were as wrong as they are seen to be.
func (m *model) within(p *Photo, j int, cam *camera) bool {
	if p.Pos == nil || j == None {
		return false
	}
	t, _ := m.photoTime(p)
	off := cam.shift(t)
	reach := p.Within
	if reach == 0 {
		s2, _ := m.variance(p, &camera{times: 1}, 0)
		reach = math.Sqrt(-2 * math.Log(1-0.95) * s2)
	}
	// What is within but for the last digit is within.
	reach *= max(1, cam.times) * (1 + 1e-6)
	q := &m.points[j]
	de, dn := p.Pos.E-q.E, p.Pos.N-q.N
	return math.Hypot(de, dn) <= reach || math.Hypot(de-off.E, dn-off.N) <= reach
}

// stated is within for errors as they are stated.
func (m *model) stated(p *Photo, j int) bool { return m.within(p, j, &camera{times: 1}) }

// keepSafe bars states. A photo that is within the budget of the point that its link
// lists shows a point; and one that is guarded shows none that explains it hardly
// better than the link does.
func (m *model) keepSafe(s *slot, p *Photo, cam *camera, guarded bool) {
	if !s.linked {
		return
	}
	for _, j := range p.Listed {
		if m.within(p, j, cam) {
			s.listed[0] = 0
		}
	}
	if !guarded {
		return
	}
	listed := -1
	for _, l := range p.Listed {
		if k := slices.Index(s.pt[:s.n], int32(l)); k >= 0 && (listed < 0 || m.alone(s, k, cam) > m.alone(s, listed, cam)) {
			listed = k
		}
	}
	if listed < 0 {
		return
	}
	need := m.alone(s, listed, cam) * math.Exp(enoughOwn)
	for k := range s.n {
		if !slices.Contains(p.Listed, int(s.pt[k])) && m.alone(s, k, cam) < need {
			s.listed[k] = 0
		}
	}
}

// alone is what a photo's tag, time and name say for a state. Of its time only what
// the photo before does not say counts.
func (m *model) alone(s *slot, k int, cam *camera) float64 {
	return s.marg[k] * math.Pow(m.arrival(s, k), 1-cam.lasting) * s.named[k]
}

// own is what a photo's tag, time and name say for one state against that of its
// link, whichever says less: the tag with the shift of all tags taken off and its
// error as it is seen to be, or the tag as it is.
func (m *model) own(p *Photo, s *slot, best, listed int, e *Evidence, cam *camera) (own, rest float64) {
	position := e.Position
	// A tag that repeats another one says nothing, but that it is at its listed point.
	if p.Pos != nil && best > 0 && (s.pos || m.within(p, int(s.pt[listed]), cam)) {
		s2, _ := m.variance(p, &camera{times: 1}, 0)
		d2 := func(k int) float64 {
			q := &m.points[s.pt[k]]
			return (p.Pos.E-q.E)*(p.Pos.E-q.E) + (p.Pos.N-q.N)*(p.Pos.N-q.N)
		}
		position = min(position, (d2(listed)-d2(best))/(2*s2))
	}
	named := e.Named
	if named > 0 && (best == 0 || !slices.Contains(p.Named, int(s.pt[best]))) {
		named = 0 // a name that says neither point speaks for none of them
	}
	rest = (1-cam.lasting)*e.Time + named
	return position + rest, rest
}

// block is a run of photos whose links seem wrong, as places in a chain.
type block struct{ lo, hi int }

// blocks lists the runs in part of a chain. Photos without a link break no run.
func (c *chain) blocks(ties []Tie) []block {
	var out []block
	open := false
	for k, i := range c.photos {
		switch t := &ties[i]; {
		case t.Status == Unlisted:
		case len(c.all[i].Listed) > 0 && slices.Contains(c.all[i].Listed, t.Point):
			open = false
		case open:
			out[len(out)-1].hi = k + 1
		default:
			out, open = append(out, block{k, k + 1}), true
		}
	}
	return out
}

// smooth is the time in seconds over which receivers smooth; errors of photos that
// are less apart are alike, whatever the others of a camera say. Source: the
// autocorrelation of recorded errors, 0.78 and 0.52 over 30 s.
const smooth = 40

// displaced are the photos of a run whose tags tell, by what these are off by at their
// listed points and at the others: a receiver that jumped, or a frame that is another,
// puts them off alike.
type displaced struct {
	photos        float64
	points        map[int]bool // listed
	listed, other mean
	s2, rho, says float64 // sums of variances, of correlations, and of what times and names say
}

// mean is the sum of vectors and that of their squares.
type mean struct{ e, n, square float64 }

func (a *mean) add(e, n float64) { a.e, a.n, a.square = a.e+e, a.n+n, a.square+e*e+n*n }

// of is the square of the mean of n vectors, and the sum of squares about it.
func (a *mean) of(n float64) (mean2, scatter float64) {
	mean2 = (a.e*a.e + a.n*a.n) / (n * n)
	return mean2, max(0, a.square-n*mean2)
}

// add adds a photo.
func (d *displaced) add(m *model, c *chain, p *Photo, t *Tie) {
	at, _ := m.photoTime(p)
	off := c.cam.shift(at)
	l := &m.points[t.Listed]
	e, n := p.Pos.E-off.E, p.Pos.N-off.N
	d.listed.add(e-l.E, n-l.N)
	if t.Point != None {
		o := &m.points[t.Point]
		d.other.add(e-o.E, n-o.N)
	}
	s2, _ := m.variance(p, &c.cam, off.StdErr)
	d.photos, d.s2, d.rho = d.photos+1, d.s2+s2, d.rho+m.correlation(&c.cam, smooth)
	if d.points == nil {
		d.points = make(map[int]bool)
	}
	d.points[t.Listed] = true
	if t.Evidence.Against == t.Listed {
		d.says += (1-c.cam.lasting)*t.Evidence.Time + t.Evidence.Named
	}
}

// jumped says that a receiver that jumped, and stayed so for the run, is as good an
// explanation as links that are wrong. A jump puts all tags off by the same from their
// listed points, by a vector with the density of Student's t with one degree of freedom;
// wrong links leave what tags have in common at the other points to noise.
func (d *displaced) jumped(m *model) bool {
	if d.photos == 0 {
		return false
	}
	v, rho := d.s2/d.photos, min(d.rho/d.photos, 0.9)
	atListed, scatterListed := d.listed.of(d.photos)
	atOther, scatterOther := d.other.of(d.photos)
	alone := v * (rho + (1-rho)/d.photos)
	reach := m.p.WideFactor * m.p.WideFactor * v
	links := -math.Log(2*math.Pi*alone) - atOther/(2*alone)
	jump := -math.Log(2*math.Pi*reach) - 1.5*math.Log1p(atListed/reach)
	need := float64(enoughJump)
	if len(d.points) == 2 && d.says < enoughOwn {
		need = pairJump
	}
	return links-jump+(scatterListed-scatterOther)/(2*v*(1-rho))+d.says < need
}

// alike says that tags of photos of two points or more are off by so much the same that
// it is no chance: they show their points, and something is wrong with the tags.
func (d *displaced) alike() bool {
	_, scatter := d.listed.of(max(d.photos, 1))
	return len(d.points) > 1 && scatter < 2*4*d.s2
}

// testimony is what the photos of a run of wrong links say themselves.
type testimony struct {
	// all and inside are by how many nats it is for other points, of all of them and of
	// those that are within at their listed points.
	all, inside float64
	visits      int  // with photos that are out at their listed points and within at the others
	out         *Tie // the last of those
	// better are those photos, and worse those the other way round.
	better, worse int
	// moved and bare are the tags of photos that seem to show other points, and none.
	moved, bare displaced
}

// witnesses sum up what photos of a run say besides what places has: as much as there are
// independent ones among them.
type witnesses struct {
	photos, independent, own float64
	last                     *Photo
}

func (w *witnesses) add(m *model, p *Photo, own float64) {
	fresh := 1.0
	if w.last != nil {
		gap := m.p.Dwell.Seconds()
		if !p.Time.IsZero() && !w.last.Time.IsZero() {
			gap = p.Time.Sub(w.last.Time).Seconds()
		}
		rho := math.Exp(-math.Abs(gap) / smooth)
		fresh = (1 - rho) / (1 + rho)
	}
	w.photos, w.own, w.independent, w.last = w.photos+1, w.own+own, w.independent+fresh, p
}

func (w *witnesses) says() float64 { return w.own / max(w.photos, 1) * w.independent }

// beside is how many photos to both sides of a run show how errors go on.
const beside = 8

// tells says that where the tag of a photo is tells its listed point from another.
func tells(p *Photo, t *Tie) bool {
	return p.Pos != nil && !t.Stale && t.Point != None && t.Listed != None
}

// places is by how many nats the tags of photos of a run are better explained by the points
// that they seem to show than by their links, all together: slow errors put many tags
// off alike, but no error comes and goes as suddenly as links do. It goes by
// what is learnt of the camera and by what is known of any, whichever says less; by the
// first alone where that is not enough with what more is said.
func (m *model) places(c *chain, ties []Tie, b block, of func(p *Photo, t *Tie) bool, more float64) float64 {
	var listed, other []noise.Residual
	found := false
	for k := max(0, b.lo-beside); k < min(len(c.photos), b.hi+beside); k++ {
		p, t := &c.all[c.photos[k]], &ties[c.photos[k]]
		in := k >= b.lo && k < b.hi
		if t.Status == Unlisted || !tells(p, t) || in && !of(p, t) || !in && t.Point != t.Listed {
			continue
		}
		found = found || in
		at, ok := m.photoTime(p)
		if !ok {
			at = math.NaN()
		}
		_, handheld := m.variance(p, &camera{times: 1}, 0)
		r := noise.Residual{Time: at, Sigma: math.Sqrt(handheld), Standoff: p.Standoff}
		e, n := p.Pos.E-c.cam.baseE, p.Pos.N-c.cam.baseN
		r.E, r.N = e-m.points[t.Listed].E, n-m.points[t.Listed].N
		listed = append(listed, r)
		r.E, r.N = e-m.points[t.Point].E, n-m.points[t.Point].N
		other = append(other, r)
	}
	if !found {
		return 0
	}
	least := math.Inf(1)
	for _, l := range []*noise.Model{c.cam.noise, unknown()} {
		if l != nil && least+more >= enoughOwn {
			least = min(least, l.LogLikelihood(other)-l.LogLikelihood(listed))
		}
	}
	return least
}

// hear takes the testimony of a run.
func (m *model) hear(c *chain, ties []Tie, b block) *testimony {
	w := new(testimony)
	var all, inside witnesses
	for _, i := range c.photos[b.lo:b.hi] {
		t, p := &ties[i], &c.all[i]
		if t.Status == Unlisted {
			continue
		}
		near, own := m.stated(p, t.Listed), t.own
		if tells(p, t) {
			own = t.rest
		}
		all.add(m, p, own)
		if near {
			inside.add(m, p, own)
		}
		if p.Pos != nil && !t.Stale && t.Listed != None {
			w.place(m, c, p, t, near)
		}
	}
	w.all, w.inside = all.says(), inside.says()
	w.all += m.places(c, ties, b, func(*Photo, *Tie) bool { return true }, w.all)
	w.inside += m.places(c, ties, b, func(p *Photo, t *Tie) bool { return m.stated(p, t.Listed) }, w.inside)
	return w
}

// place takes up where a tag lies; near says that it is within at its listed point.
func (w *testimony) place(m *model, c *chain, p *Photo, t *Tie, near bool) {
	if t.Point == None {
		w.bare.add(m, c, p, t)
	} else {
		w.moved.add(m, c, p, t)
	}
	at, other := m.within(p, t.Listed, &c.cam), m.within(p, t.Point, &c.cam)
	if other && !near {
		if w.out == nil || w.out.Listed != t.Listed || w.out.Point != t.Point {
			w.visits++
		}
		w.out = t
	}
	switch {
	case other && !at:
		w.better++
	case at && !other:
		w.worse++
	}
}

// verdict says of which photos of the run the links may be called wrong: of those that
// speak for it themselves, or of those too that do not, and of those that are within at
// their listed points.
func (w *testimony) verdict(m *model) (points, none, silent, inside bool) {
	enough := w.all >= enoughOwn
	points, none = enough && !w.moved.jumped(m), enough && !w.bare.alike()
	silent = w.better >= enoughOut && w.better > w.worse
	inside = w.visits > enoughOut || w.inside >= enoughOwn
	return points, none, silent, inside
}

// guards bars what is not safe in a run and says whether it did.
func (m *model) guards(c *chain, ties []Tie, b block) bool {
	points, none, silent, inside := m.hear(c, ties, b).verdict(m)
	found := false
	for k := b.lo; k < b.hi; k++ {
		p, t := &c.all[c.photos[k]], &ties[c.photos[k]]
		if t.Status == Unlisted || t.ListedProbability >= 0.5 || c.guard[k] {
			continue
		}
		safe := points
		if t.Point == None {
			safe = none
		}
		if safe && (t.own >= 0 || silent) && (inside || !m.stated(p, t.Listed)) {
			continue
		}
		c.guard[k], found = true, true
	}
	return found
}

// about is how many photos to both sides of a run are decoded again with it, and tries how
// often that is done.
const (
	about = 100
	tries = 5
)

// makeSafe decodes what is not safe again, with that barred, until all is. What is barred
// is not told, so that what the last round still finds is not told either.
func (m *model) makeSafe(ctx context.Context, c *chain, ties []Tie) error {
	c.guard = make([]bool, len(c.photos))
	heard := make(map[block]bool)
	for round := 0; ; round++ {
		spans := m.bar(c, ties, heard)
		if len(spans) == 0 || round == tries {
			break
		}
		for _, b := range spans {
			if err := m.again(ctx, c, ties, b); err != nil {
				return err
			}
		}
	}
	for k, i := range c.photos {
		if t := &ties[i]; c.guard[k] && t.Status != Unlisted {
			t.Status = Doubtful
		}
	}
	return nil
}

// bar bars what is not safe, and returns the parts of the chain to decode again. A run that
// was heard, and about which nothing was decoded again since, has no more to say.
func (m *model) bar(c *chain, ties []Tie, heard map[block]bool) (spans []block) {
	blocks := c.blocks(ties)
	barred := make([]bool, len(blocks))
	_ = eachOf(len(blocks), func(i int) error { // which has none
		barred[i] = !heard[blocks[i]] && m.guards(c, ties, blocks[i])
		return nil
	})
	for i, b := range blocks {
		if !barred[i] {
			continue
		}
		if n := len(spans); n == 0 || b.lo-about > spans[n-1].hi {
			spans = append(spans, block{lo: max(0, b.lo-about)})
		}
		spans[len(spans)-1].hi = min(len(c.photos), b.hi+about)
	}
	clear(heard)
	for i, n := 0, 0; i < len(blocks); i++ {
		for n < len(spans) && spans[n].hi <= blocks[i].lo-beside {
			n++
		}
		heard[blocks[i]] = n == len(spans) || blocks[i].hi+beside <= spans[n].lo
	}
	return spans
}

// again decodes part of a chain again.
func (m *model) again(ctx context.Context, c *chain, ties []Tie, b block) error {
	if b.lo == 0 && b.hi == len(c.photos) {
		_, err := m.run(ctx, c, ties, nil)
		return err
	}
	part := &chain{camera: c.camera, all: c.all, cam: c.cam, photos: c.photos[b.lo:b.hi], stale: c.stale[b.lo:b.hi], guard: c.guard[b.lo:b.hi]}
	if c.repeat != nil {
		part.repeat = c.repeat[b.lo:b.hi]
	}
	part.work = c.spare
	_, err := m.run(ctx, part, ties, nil)
	c.spare = part.work
	return err
}
