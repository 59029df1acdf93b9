package walk

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"example.com/phototie/grid"
)

// chain is the photos of one camera in order of time.
type chain struct {
	camera string
	all    []Photo
	photos []int32
	stale  []bool  // the tag is evidence for nothing
	repeat []int32 // the first photo with the same tag, where that is no chance; nil for none
	guard  []bool  // ties that explain the photo worse than its link are barred; nil for none
	cam    camera
	// work is memory for runs of the chain, made by the first of them.
	work work
	// spare is that for runs of parts of it.
	spare work
}

// Decode finds the most probable tie of each photo, how probable it is, and what
// the runner-up is. Photos may come in any order; those of one camera are put in
// order of time, and a photo without a time keeps its place after the one before
// it. The work is proportional to the number of photos times the square of the
// candidates of one, and nearly so to the number of points.
//
// The errors are those of Params.Validate, of positions and figures that aren't
// finite or are negative, of indexes that lead to no point, and the context's.
func Decode(ctx context.Context, photos []Photo, points []Point, params Params) (*Ties, error) {
	if params == (Params{}) {
		params = DefaultParams()
	}
	if err := params.Validate(); err != nil {
		return nil, err
	}
	if err := checkInput(photos, points); err != nil {
		return nil, err
	}
	m := newModel(points, photos, params)
	chains := m.chains(photos)
	ties := &Ties{Photos: make([]Tie, len(photos))}
	if err := m.learn(ctx, chains, ties.Photos); err != nil {
		return nil, err
	}
	lls := make([]float64, len(chains))
	err := eachOf(len(chains), func(i int) (err error) {
		if lls[i], err = m.run(ctx, &chains[i], ties.Photos, nil); err != nil {
			return err
		}
		return m.makeSafe(ctx, &chains[i], ties.Photos)
	})
	if err != nil {
		return nil, err
	}
	for i := range chains {
		c := &chains[i]
		ties.LogLikelihood += lls[i]
		c.neighbours(ties.Photos)
		if c.cam.found > 0 {
			ties.Shifts = append(ties.Shifts, c.common())
		}
		if c.timed() {
			ties.Clocks = append(ties.Clocks, c.cam.Clock)
		}
	}
	return ties, nil
}

// eachOf calls f for each of n cameras, on all processors; what one camera's walk
// says does not depend on another's. The error is one of f's, which are all the
// context's. Where f panics, eachOf does.
func eachOf(n int, f func(i int) error) error {
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	panicked := make([]any, n)
	for i := range n {
		g.Go(func() error {
			defer func() { panicked[i] = recover() }()
			return f(i)
		})
	}
	err := g.Wait()
	for _, p := range panicked {
		if p != nil {
			panic(p)
		}
	}
	return err
}

func checkInput(photos []Photo, points []Point) error {
	for i := range points {
		if p := &points[i]; !grid.Finite(p.E, p.N) {
			return fmt.Errorf("walk: point %d has E %v, N %v: coordinates have to be finite", i, p.E, p.N)
		}
	}
	for i := range photos {
		p := &photos[i]
		if p.Pos != nil && (!grid.Finite(p.Pos.E, p.Pos.N)) {
			return fmt.Errorf("walk: photo %d has its tag at E %v, N %v: coordinates have to be finite", i, p.Pos.E, p.Pos.N)
		}
		if !(p.Sigma >= 0 && p.Sigma < 1e9) || !(p.Standoff >= 0 && p.Standoff < 1e9) {
			return fmt.Errorf("walk: photo %d has the standard deviation %v and the standoff %v: want metres, 0 or more", i, p.Sigma, p.Standoff)
		}
		for _, l := range [...][]int{p.Listed, p.Named} {
			for _, j := range l {
				if j < 0 || j >= len(points) {
					return fmt.Errorf("walk: photo %d names point %d of %d", i, j, len(points))
				}
			}
		}
	}
	return nil
}

// chains sorts photos by camera and time.
func (m *model) chains(photos []Photo) []chain {
	of := make(map[string]int)
	var out []chain
	for i := range photos {
		cam := photos[i].Camera
		k, ok := of[cam]
		if !ok {
			k = len(out)
			of[cam] = k
			out = append(out, chain{camera: cam, all: photos})
		}
		out[k].photos = append(out[k].photos, int32(i))
	}
	at := make([]float64, len(photos))
	for k := range out {
		c := &out[k]
		last := math.Inf(-1)
		for _, i := range c.photos {
			if t, ok := m.photoTime(&photos[i]); ok {
				last = t
			}
			at[i] = last
		}
		slices.SortStableFunc(c.photos, func(a, b int32) int { return cmp.Compare(at[a], at[b]) })
		m.repeats(c)
	}
	return out
}

// endGap is the time without a photo, in seconds, that parts sessions.
const endGap = 1200

// ends says that photo k begins or ends a session.
func (c *chain) ends(k int) bool {
	if k == 0 || k == len(c.photos)-1 {
		return true
	}
	at := func(k int) time.Time { return c.all[c.photos[k]].Time }
	gap := func(a, b time.Time) bool { return !a.IsZero() && !b.IsZero() && b.Sub(a).Seconds() > endGap }
	return gap(at(k-1), at(k)) || gap(at(k), at(k+1))
}

func (c *chain) timed() bool {
	return slices.ContainsFunc(c.photos, func(i int32) bool { return !c.all[i].Time.IsZero() })
}

// stretch and most say how much of a long chain is taken to learn from: that
// many photos in a row, and that many in all.
const (
	stretch = 500
	most    = 20_000
)

// sample is the part of a chain to learn from; the chain itself where it is short.
func (c *chain) sample() *chain {
	if len(c.photos) <= most {
		return c
	}
	s := &chain{camera: c.camera, all: c.all, cam: c.cam}
	n := most / stretch
	for b := range n {
		from := b * (len(c.photos) - stretch) / (n - 1)
		s.photos = append(s.photos, c.photos[from:from+stretch]...)
		s.stale = append(s.stale, c.stale[from:from+stretch]...)
	}
	return s
}

// learn estimates clocks, noise and rates: first by the links, names and nearest
// points, then by what the decoding before finds.
func (m *model) learn(ctx context.Context, chains []chain, ties []Tie) error {
	samples := make([]*chain, len(chains))
	for round := range rounds {
		counted := make([]counts, len(chains))
		err := eachOf(len(chains), func(i int) error {
			if round == 0 {
				s := chains[i].sample()
				m.learnNoise(s, s.said)
				m.estimate(s, func(k int) int { return m.guess(s, k) })
				samples[i] = s
			}
			return m.learnFrom(ctx, samples[i], ties, &counted[i], samples[i].said)
		})
		if err != nil {
			return err
		}
		if !m.p.Fixed {
			var n counts
			for i := range counted {
				n.add(&counted[i])
			}
			n.rates(&m.rates, m.p)
			m.linked = (n.linked + priorLinked) / (n.photos - n.none + priorShown)
			m.prepare()
		}
	}
	return eachOf(len(chains), func(i int) error {
		err := m.doubt(ctx, samples[i], ties)
		chains[i].cam = samples[i].cam
		return err
	})
}

// rounds is how often the job is decoded to learn from.
const rounds = 2

// learnFrom decodes a chain and learns from that, and from what is said, of its camera.
func (m *model) learnFrom(ctx context.Context, s *chain, ties []Tie, counted *counts, said func(k int) int) error {
	if _, err := m.run(ctx, s, ties, counted); err != nil {
		return err
	}
	counted.names(s, ties)
	decoded := func(k int) int {
		if t := &ties[s.photos[k]]; t.Probability > 0.9 {
			return t.Point
		}
		return None
	}
	m.learnNoise(s, func(k int) int {
		if j := said(k); j != None {
			return j
		}
		return decoded(k)
	})
	m.estimate(s, decoded)
	return nil
}

// Of a camera's photos the share trusted, fewTrusted at least, is taken to have right links;
// others may spoil noise, from the share spoilt on, that seems worse than stated: choices.
const trusted, fewTrusted, spoilt, worse = 0.35, 6, 0.2, 1.2

// doubt learns a camera's noise anew where wrong links may make its tags seem bad: from the
// photos nearest to their points, and then from what is decoded with that. See the doc.
func (m *model) doubt(ctx context.Context, s *chain, ties []Tie) error {
	other := s.cam
	if m.p.Fixed || other.times < worse {
		return nil
	}
	off := make([]float64, len(s.photos)) // in standard deviations
	for k, i := range s.photos {
		off[k] = math.Inf(1)
		if p, j := &s.all[i], s.said(k); j != None && p.Pos != nil && !s.stale[k] {
			s2, _ := m.variance(p, &camera{times: 1}, 0)
			off[k] = math.Hypot(p.Pos.E-m.points[j].E, p.Pos.N-m.points[j].N) / math.Sqrt(s2)
		}
	}
	near := slices.Sorted(slices.Values(off))
	told, _ := slices.BinarySearch(near, math.Inf(1))
	n := int(trusted * float64(told))
	if n < fewTrusted {
		return nil
	}
	m.learnNoise(s, func(k int) int {
		if off[k] < near[n] {
			return s.said(k)
		}
		return None
	})
	if 2*s.cam.times > other.times {
		s.cam = other
		return nil
	}
	if err := m.learnFrom(ctx, s, ties, new(counts), func(int) int { return None }); err != nil {
		return err
	}
	better, err := m.run(ctx, s, ties, nil)
	if err != nil {
		return err
	}
	wrong := 0.0
	for k, i := range s.photos {
		if !math.IsInf(off[k], 1) && ties[i].Point != s.said(k) {
			wrong++
		}
	}
	s.cam, other = other, s.cam
	before, err := m.run(ctx, s, ties, nil)
	if better > before+enoughOwn && wrong > spoilt*float64(told) {
		s.cam = other
	}
	return err
}

// said is the point that the link of photo k lists or, without a link, its name.
func (c *chain) said(k int) int {
	p := &c.all[c.photos[k]]
	switch {
	case len(p.Listed) == 1:
		return p.Listed[0]
	case len(p.Listed) == 0 && len(p.Named) == 1:
		return p.Named[0]
	}
	return None
}

// guess is the point that a photo is taken to show before anything is decoded.
func (m *model) guess(c *chain, k int) int {
	p := &c.all[c.photos[k]]
	j := c.said(k)
	if j == None && p.Pos != nil && !c.stale[k] {
		t, _ := m.photoTime(p)
		off := c.cam.shift(t)
		s2, _ := m.variance(p, &c.cam, off.StdErr)
		var near [1]int32
		if m.index.nearest(p.Pos.E-off.E, p.Pos.N-off.N, m.gate(s2), near[:]) == 1 {
			j = int(near[0])
		}
	}
	return j
}

// counts is how often links were wrong and where walks went, as a first decoding
// expects it. They are sums of probabilities.
type counts struct {
	// link has the passages of a link's class to the next one's.
	link                       [classes][classes]float64
	named, misnamed            float64
	photos, none, linked       float64 // linked counts those that show a point
	stay, next, previous, jump float64
}

// add adds what another camera's photos say.
func (n *counts) add(o *counts) {
	for i := range n.link {
		for j := range n.link[i] {
			n.link[i][j] += o.link[i][j]
		}
	}
	n.named, n.misnamed = n.named+o.named, n.misnamed+o.misnamed
	n.photos, n.none, n.linked = n.photos+o.photos, n.none+o.none, n.linked+o.linked
	n.stay, n.next, n.previous, n.jump = n.stay+o.stay, n.next+o.next, n.previous+o.previous, n.jump+o.jump
}

// pass counts a passage from state j of a to state k of b, of probability p.
func (n *counts) pass(m *model, a *slot, j int, b *slot, k int, p float64) {
	n.link[a.cls[j]][b.cls[k]] += p
	n.photos += p
	if k == 0 {
		n.none += p
		return
	}
	if b.linked {
		n.linked += p
	}
	if j == 0 {
		return
	}
	switch d := b.rank[k] - a.rank[j]; {
	case d == 0:
		n.stay += p
	case d > 0 && int(d) < len(passBy):
		n.next += p
	case d < 0 && int(-d) < len(passBy):
		n.previous += p
	default:
		n.jump += p
	}
}

// names counts the ids in names and metadata that are not the point's.
func (n *counts) names(c *chain, ties []Tie) {
	for _, i := range c.photos {
		if t := &ties[i]; len(c.all[i].Named) > 0 && t.Point != None {
			n.named++
			if !slices.Contains(c.all[i].Named, t.Point) {
				n.misnamed++
			}
		}
	}
}

// priorPhotos is how many photos the stated rates count as much as, and
// priorLinks how many links: wrong ones are few, and one job says little of them.
const (
	priorPhotos = 40
	priorLinks  = 500
)

// rates brings the counts and the stated rates together.
func (n *counts) rates(r *rates, p Params) {
	mix := func(prior, count, of, weight float64) float64 {
		return (prior*weight + count) / (weight + of)
	}
	few := func(v float64) float64 { return min(max(v, 1e-4), 0.3) }
	sum := func(row [classes]float64) float64 { return row[right] + row[late] + row[early] + row[other] }
	began := n.link[right]
	r.LinkError = few(mix(p.LinkError, began[other], sum(began), priorLinks))
	r.RunStart = few(mix(p.RunStart, began[late]+began[early], sum(began), priorLinks))
	in := sum(n.link[late]) + sum(n.link[early])
	ends := in - n.link[late][late] - n.link[early][early]
	r.RunEnd = min(0.6, max(0.02, mix(p.RunEnd, ends, in, priorPhotos/5)))
	r.NameError = min(0.5, max(p.NameError/3, mix(p.NameError, n.misnamed, n.named, priorPhotos/5)))
	r.NoPoint = few(mix(p.NoPoint, n.none, n.photos, priorPhotos))
	moves := n.stay + n.next + n.previous + n.jump
	all := p.Stay + p.Next + p.Previous + p.Jump
	r.Stay = mix(p.Stay/all, n.stay, moves, priorPhotos)
	r.Next = mix(p.Next/all, n.next, moves, priorPhotos)
	r.Previous = mix(p.Previous/all, n.previous, moves, priorPhotos)
	r.Jump = mix(p.Jump/all, n.jump, moves, priorPhotos)
}

// neighbours fills in Before and After.
func (c *chain) neighbours(ties []Tie) {
	for lo := 0; lo < len(c.photos); {
		hi := lo + 1
		s := ties[c.photos[lo]].Shift
		for hi < len(c.photos) && ties[c.photos[hi]].Shift == s {
			hi++
		}
		if s == ShiftLate || s == ShiftEarly {
			for k := lo; k < hi; k++ {
				t := &ties[c.photos[k]]
				t.Before, t.After = k-lo, hi-1-k
			}
		}
		lo = hi
	}
}
