package walk

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"
)

// chain is the photos of one camera in order of time.
type chain struct {
	camera string
	all    []Photo
	photos []int32
	stale  []bool
	clk    clock
	whole  bool // no photos were left out
	// work is memory for runs of the chain, made by the first of them.
	work work
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
		lls[i], err = m.run(ctx, &chains[i], ties.Photos, nil)
		return err
	})
	if err != nil {
		return nil, err
	}
	for i := range chains {
		c := &chains[i]
		ties.LogLikelihood += lls[i]
		c.neighbours(ties.Photos)
		if c.clk.common.Photos > 0 {
			ties.Shifts = append(ties.Shifts, c.clk.common)
		}
		if c.timed() {
			ties.Clocks = append(ties.Clocks, c.clk.Clock)
		}
	}
	ties.Rates = m.rates
	return ties, nil
}

// eachOf calls f for each of n cameras, on all processors; what one camera's walk
// says does not depend on another's. The error is one of f's, which are all the
// context's.
func eachOf(n int, f func(i int) error) error {
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i := range n {
		g.Go(func() error { return f(i) })
	}
	return g.Wait()
}

func checkInput(photos []Photo, points []Point) error {
	for i := range points {
		if p := &points[i]; !finite(p.E) || !finite(p.N) {
			return fmt.Errorf("walk: point %d has E %v, N %v: coordinates have to be finite", i, p.E, p.N)
		}
	}
	for i := range photos {
		p := &photos[i]
		if p.Pos != nil && (!finite(p.Pos.E) || !finite(p.Pos.N)) {
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
			out = append(out, chain{camera: cam, all: photos, whole: true})
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
		slices.SortStableFunc(c.photos, func(a, b int32) int {
			switch {
			case at[a] < at[b]:
				return -1
			case at[a] > at[b]:
				return 1
			}
			return 0
		})
		c.stale = make([]bool, len(c.photos))
		var before *Photo
		for k, i := range c.photos {
			p := &photos[i]
			if p.Pos == nil {
				continue
			}
			c.stale[k] = before != nil && math.Hypot(p.Pos.E-before.Pos.E, p.Pos.N-before.Pos.N) < same
			before = p
		}
	}
	return out
}

// same is the distance in metres below which two tags are one.
const same = 0.001

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
	s := &chain{camera: c.camera, all: c.all, clk: c.clk}
	n := most / stretch
	for b := range n {
		from := b * (len(c.photos) - stretch) / (n - 1)
		s.photos = append(s.photos, c.photos[from:from+stretch]...)
		s.stale = append(s.stale, c.stale[from:from+stretch]...)
	}
	return s
}

// learn estimates clocks and rates: first by the links, names and nearest points,
// then by a first decoding.
func (m *model) learn(ctx context.Context, chains []chain, ties []Tie) error {
	counted := make([]counts, len(chains))
	err := eachOf(len(chains), func(i int) error {
		c := &chains[i]
		s := c.sample()
		s.clk.common = m.shared(s)
		s.clk = m.estimate(s, func(k int) int {
			p := &s.all[s.photos[k]]
			switch {
			case len(p.Listed) == 1:
				return p.Listed[0]
			case len(p.Named) == 1:
				return p.Named[0]
			case p.Pos != nil && !s.stale[k]:
				var near [1]int32
				if m.index.nearest(p.Pos.E-s.clk.common.E, p.Pos.N-s.clk.common.N, m.gate(p), near[:]) == 1 {
					return int(near[0])
				}
			}
			return None
		})
		if _, err := m.run(ctx, s, ties, &counted[i]); err != nil {
			return err
		}
		counted[i].names(s, ties)
		c.clk = m.estimate(s, func(k int) int {
			if t := &ties[s.photos[k]]; t.Probability > 0.9 {
				return t.Point
			}
			return None
		})
		return nil
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
		m.prepare()
	}
	return nil
}

// counts is how often links were wrong and where walks went, as a first decoding
// expects it. They are sums of probabilities.
type counts struct {
	// link has the passages of a link's class to the next one's.
	link                       [classes][classes]float64
	named, misnamed            float64
	photos, none               float64
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
	n.photos, n.none = n.photos+o.photos, n.none+o.none
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
	priorPhotos = 100
	priorLinks  = 500
)

// rates brings the counts and the stated rates together.
func (n *counts) rates(r *Rates, p Params) {
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

// work is the memory of one run. It serves for the next one of the same chain.
type work struct {
	from    []int32 // of each photo, where its candidates begin
	cand    []int32
	forward []float64 // log, for each state: candidates and one more for each photo
	free    []float64 // the same with all links struck out
	back    []uint8   // Viterbi's predecessor
	// Of a short chain the slots of all photos and the weights of all pairs are
	// kept for the way back; of a long one they are worked out twice.
	kept   []slot
	pairs  []float64
	pairAt []int32 // of each photo, where the pairs with the one before begin
}

// short is the length of chains of which all is kept: a few megabytes.
const short = 2048

// at returns where the states of photo k begin and end.
func (w *work) at(k int) (lo, hi int) { return int(w.from[k]) + k, int(w.from[k+1]) + k + 1 }

// candidates returns those of photo k.
func (w *work) candidates(k int) []int32 { return w.cand[w.from[k]:w.from[k+1]] }

// run decodes one chain into ties and returns the log-likelihood. It adds to
// learned, where that is not nil, how often what is to be expected.
func (m *model) run(ctx context.Context, c *chain, ties []Tie, learned *counts) (float64, error) {
	n := len(c.photos)
	if n == 0 {
		return 0, nil
	}
	w := &c.work
	if w.from == nil {
		w.from, w.cand = make([]int32, n+1), make([]int32, 0, 8*n)
	}
	w.cand, w.pairs = w.cand[:0], w.pairs[:0]
	for k, i := range c.photos {
		if k%1024 == 0 && ctx.Err() != nil {
			return 0, ctx.Err()
		}
		w.cand = m.candidates(&c.all[i], c.stale[k], &c.clk, w.cand)
		w.from[k+1] = int32(len(w.cand))
	}
	total := len(w.cand) + n
	w.forward, w.free, w.back = sized(w.forward, total), sized(w.free, total), sized(w.back, total)

	// Of two photos in a row the slots are never the same.
	var ring [2]slot
	keep := n <= short
	if keep {
		if w.kept == nil {
			w.kept, w.pairAt = make([]slot, n), make([]int32, n)
		} else {
			clear(w.kept)
		}
	}
	fill := func(k int) *slot {
		b := &ring[k&1]
		if keep {
			b = &w.kept[k]
		}
		m.fill(b, &c.all[c.photos[k]], w.candidates(k), c.stale[k], &c.clk)
		return b
	}

	// Forward, with Viterbi beside it.
	var vit, next, lin, vlin, flin [maxStates]float64
	b := fill(0)
	lo, _ := w.at(0)
	for k := range b.n {
		base := m.begin(b, k)
		w.free[lo+k] = math.Log(base * b.named[k])
		w.forward[lo+k] = math.Log(base * m.shift[unlisted][b.cls[k]] * b.worth[k])
		vit[k] = w.forward[lo+k]
	}
	var t step
	for k := 1; k < n; k++ {
		if k%1024 == 0 && ctx.Err() != nil {
			return 0, ctx.Err()
		}
		a := b
		b = fill(k)
		m.prepareStep(&t, a, b)
		if keep {
			w.pairAt[k] = int32(len(w.pairs))
		}
		plo, phi := w.at(k - 1)
		top, vtop := exps(w.forward[plo:phi], lin[:]), exps(vit[:a.n], vlin[:])
		ftop := exps(w.free[plo:phi], flin[:])
		lo, _ := w.at(k)
		for s := range b.n {
			var sum, free, best float64
			from := 0
			row := b.cls[s]
			for j := range a.n {
				if !keep && lin[j] == 0 && vlin[j] == 0 && flin[j] == 0 {
					continue
				}
				p := m.pair(&t, j, s)
				if keep {
					w.pairs = append(w.pairs, p)
				}
				free += flin[j] * p
				p *= m.shift[a.cls[j]][row]
				sum += lin[j] * p
				if v := vlin[j] * p; v > best {
					best, from = v, j
				}
			}
			w.forward[lo+s] = top + math.Log(sum) + math.Log(b.worth[s])
			w.free[lo+s] = ftop + math.Log(free) + math.Log(b.named[s])
			next[s] = vtop + math.Log(best) + math.Log(b.worth[s])
			w.back[lo+s] = uint8(from)
		}
		vit = next
	}

	// Backward. now is the logarithm of all that follows, and nowFree the same with
	// all links struck out.
	lo, hi := w.at(n - 1)
	ll := logSum(w.forward[lo:hi])
	state := 0
	for s := range b.n {
		if vit[s] > vit[state] {
			state = s
		}
	}
	var now, nowFree, nextFree [maxStates]float64
	for k := n - 1; k >= 0; k-- {
		if k%1024 == 0 && ctx.Err() != nil {
			return 0, ctx.Err()
		}
		lo, hi := w.at(k)
		m.settle(&ties[c.photos[k]], c, k, b, w.forward[lo:hi], now[:], w.free[lo:hi], nowFree[:], state)
		if k == 0 {
			break
		}
		state = int(w.back[lo+state])
		a := b
		var pairs []float64
		if keep {
			b = &w.kept[k-1]
			pairs = w.pairs[w.pairAt[k]:]
		} else {
			b = fill(k - 1)
			m.prepareStep(&t, b, a)
		}
		top, ftop := exps(now[:a.n], lin[:]), exps(nowFree[:a.n], flin[:])
		for s := range a.n {
			lin[s] *= a.worth[s]
			flin[s] *= a.named[s]
		}
		plo, _ := w.at(k - 1)
		for j := range b.n {
			var sum, free float64
			row := &m.shift[b.cls[j]]
			var before float64
			if learned != nil {
				before = math.Exp(w.forward[plo+j] + top - ll)
			}
			for s := range a.n {
				if lin[s] == 0 && flin[s] == 0 {
					continue
				}
				var p float64
				if keep {
					p = pairs[s*b.n+j]
				} else {
					p = m.pair(&t, j, s)
				}
				free += flin[s] * p
				p *= lin[s] * row[a.cls[s]]
				sum += p
				if learned != nil {
					learned.pass(m, b, j, a, s, before*p)
				}
			}
			next[j] = top + math.Log(sum)
			nextFree[j] = ftop + math.Log(free)
		}
		now, nowFree = next, nextFree
	}
	return ll, nil
}

// sized is a slice of n things, of which no one says what they are.
func sized[T any](s []T, n int) []T { return slices.Grow(s[:0], n)[:n] }

// exps sets out to exp(in - max) and returns the max.
func exps(in, out []float64) float64 {
	top := math.Inf(-1)
	for _, v := range in {
		top = max(top, v)
	}
	for k, v := range in {
		out[k] = math.Exp(v - top)
	}
	return top
}

// logSum is the logarithm of the sum of exponentials.
func logSum(in []float64) float64 {
	top := slices.Max(in)
	var sum float64
	for _, v := range in {
		sum += math.Exp(v - top)
	}
	return top + math.Log(sum)
}

// settle works out a photo's tie from what was before and what follows.
func (m *model) settle(t *Tie, c *chain, k int, s *slot, forward, now, free, nowFree []float64, path int) {
	photo := &c.all[c.photos[k]]
	var post, bare [maxStates]float64
	for j := range s.n {
		post[j] = forward[j] + now[j]
		bare[j] = free[j] + nowFree[j]
	}
	norm, normFree := logSum(post[:s.n]), logSum(bare[:s.n])
	best, second := -1, -1
	for j := range s.n {
		post[j] = math.Exp(post[j] - norm)
		switch {
		case best < 0 || post[j] > post[best]:
			best, second = j, best
		case second < 0 || post[j] > post[second]:
			second = j
		}
	}
	*t = Tie{
		Point: int(s.pt[best]), Probability: post[best],
		RunnerUp: None, Path: int(s.pt[path]), Listed: None,
		Status: Unlisted, Shift: shifts[s.cls[best]], Stale: c.stale[k],
	}
	if second >= 0 {
		t.RunnerUp, t.RunnerUpProbability, t.RunnerUpOK = int(s.pt[second]), post[second], true
	}
	listed := -1
	for _, l := range photo.Listed {
		if j := slices.Index(s.pt[:s.n], int32(l)); j >= 0 && (listed < 0 || post[j] > post[listed]) {
			listed = j
		}
	}
	if listed >= 0 {
		t.ListedProbability = post[listed]
		t.Unlinked = math.Exp(bare[listed] - normFree)
		if len(photo.Listed) == 1 {
			t.Listed = photo.Listed[0]
		}
		switch {
		case post[listed] <= 1-m.p.Certain:
			t.Status = Contradicted
		case post[listed] >= m.p.Certain && t.Unlinked >= 0.5 && len(photo.Listed) == 1:
			t.Status = Confirmed
		default:
			t.Status = Doubtful
		}
	}
	rival := second
	if listed >= 0 && listed != best {
		rival = listed
	}
	if rival < 0 {
		return
	}
	e := Evidence{Against: int(s.pt[rival])}
	ratio := func(a, b float64) float64 { return math.Log(a) - math.Log(b) }
	e.Position = ratio(s.marg[best], s.marg[rival])
	e.Time = ratio(m.arrival(s, best), m.arrival(s, rival))
	e.Named = ratio(s.named[best], s.named[rival])
	first := &m.shift[unlisted]
	e.Listed = ratio(s.listed[best]*first[s.cls[best]], s.listed[rival]*first[s.cls[rival]])
	e.Walk = forward[best] + now[best] - forward[rival] - now[rival] - e.Position - e.Time - e.Named - e.Listed
	t.Evidence = e
}

// arrival is the density of a photo's time by itself.
func (m *model) arrival(s *slot, k int) float64 {
	f := 1 / m.p.Between.Seconds()
	if s.enter[k] >= 0 {
		return (1-m.p.StrayTime)*s.enter[k] + m.p.StrayTime*f
	}
	return f
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
