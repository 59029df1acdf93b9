package walk

import (
	"context"
	"math"
	"slices"
)

// work is the memory of one run. It serves for the next one, of whatever length.
type work struct {
	from    []int32 // of each photo, where its candidates begin
	cand    []int32
	forward []float64 // log, for each state: candidates and one more for each photo
	free    []float64 // the same with all links struck out
	// Of a short chain the slots of all photos and the weights of all pairs are
	// kept for the way back; of a long one they are worked out twice.
	kept   []slot
	pairs  []float64
	pairAt []int32 // of each photo, where the pairs with the one before begin
	crew   []int32 // of each photo, the point it most probably shows by itself
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
	if err := w.start(ctx, m, c); err != nil {
		return 0, err
	}
	p := pass{m: m, c: c, w: w, keep: n <= short, learned: learned}
	if err := p.forward(ctx); err != nil {
		return 0, err
	}
	return p.ll, p.backward(ctx, ties)
}

// start gathers the candidates of all photos and makes room.
func (w *work) start(ctx context.Context, m *model, c *chain) error {
	n := len(c.photos)
	if w.cand == nil {
		w.cand = make([]int32, 0, 8*n)
	}
	w.from, w.crew = sized(w.from, n+1), sized(w.crew, n)
	w.from[0], w.cand, w.pairs = 0, w.cand[:0], w.pairs[:0]
	for k, i := range c.photos {
		if k%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		at := len(w.cand)
		w.cand = m.candidates(&c.all[i], c.stale[k], &c.cam, w.cand)
		if p := &c.all[i]; len(p.Listed) == 0 && (p.Pos == nil || c.stale[k]) {
			w.cand = m.beside(c, k, w.cand, w.cand[w.from[max(k, 1)-1]:at], at)
		}
		w.from[k+1] = int32(len(w.cand))
	}
	total := len(w.cand) + n
	w.forward, w.free = sized(w.forward, total), sized(w.free, total)
	if n <= short {
		w.kept, w.pairAt = sized(w.kept, n), sized(w.pairAt, n)
		clear(w.kept)
	}
	return nil
}

// beside adds candidates to a photo that has neither a link nor a tag to go by: those
// of the photo before, the points that come next on the walk, and what the next photo
// is linked to or near. They begin at from.
func (m *model) beside(c *chain, k int, cand, before []int32, from int) []int32 {
	add := func(j int32) {
		if len(cand)-from < maxPoints && !slices.Contains(cand[from:], j) {
			cand = append(cand, j)
		}
	}
	next := func(j int32) {
		if r := int(m.route.rank[j]) + 1; r < len(m.points) {
			add(m.route.at[r])
		}
	}
	before = before[:min(len(before), 4)]
	for _, j := range before {
		add(j)
	}
	for _, j := range before {
		next(j)
	}
	if k+1 < len(c.photos) {
		p := &c.all[c.photos[k+1]]
		for _, j := range p.Listed[:min(1, len(p.Listed))] {
			add(int32(j))
		}
		if p.Pos != nil && !c.stale[k+1] {
			t, _ := m.photoTime(p)
			n := 0
			m.near(p, &c.cam, t, func(j int32) {
				if n++; n <= 4 {
					add(j)
				}
			})
		}
	}
	return cand
}

// pass is one way forward through a chain, and back.
type pass struct {
	m       *model
	c       *chain
	w       *work
	keep    bool
	learned *counts
	// Of two photos in a row the slots are never the same.
	ring [2]slot
	t    step
	ll   float64
}

func (p *pass) fill(k int) *slot {
	b := &p.ring[k&1]
	if p.keep {
		b = &p.w.kept[k]
	}
	p.m.fill(b, p.c, k, p.w.candidates(k))
	if b.last = None; k > 0 {
		b.last = p.w.crew[k-1]
	}
	p.w.crew[k] = p.m.crew(b)
	return b
}

// forward sums over all walks up to each photo.
func (p *pass) forward(ctx context.Context) error {
	m, w := p.m, p.w
	b := p.fill(0)
	for k := range b.n {
		base := m.begin(b, k)
		w.free[k] = math.Log(base * b.named[k])
		w.forward[k] = math.Log(base * m.shift[unlisted][b.cls[k]] * b.worth[k])
	}
	for k := 1; k < len(p.c.photos); k++ {
		if k%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		a := b
		b = p.fill(k)
		m.prepareStep(&p.t, a, b, &p.c.cam)
		p.ahead(k, a, b)
	}
	lo, hi := w.at(len(p.c.photos) - 1)
	p.ll = logSum(w.forward[lo:hi])
	return nil
}

// ahead goes from photo k - 1 to photo k.
func (p *pass) ahead(k int, a, b *slot) {
	m, w := p.m, p.w
	if p.keep {
		w.pairAt[k] = int32(len(w.pairs))
	}
	var lin, flin [maxStates]float64
	plo, phi := w.at(k - 1)
	top, ftop := exps(w.forward[plo:phi], lin[:]), exps(w.free[plo:phi], flin[:])
	lo, _ := w.at(k)
	for s := range b.n {
		var sum, free float64
		row := b.cls[s]
		for j := range a.n {
			if !p.keep && lin[j] == 0 && flin[j] == 0 {
				continue
			}
			f := m.pair(&p.t, j, s)
			if p.keep {
				w.pairs = append(w.pairs, f)
			}
			free += flin[j] * f
			sum += lin[j] * f * m.shift[a.cls[j]][row]
		}
		w.forward[lo+s] = top + math.Log(sum) + math.Log(b.worth[s])
		w.free[lo+s] = ftop + math.Log(free) + math.Log(b.named[s])
	}
}

// backward sums over all walks from each photo on, and settles the ties.
func (p *pass) backward(ctx context.Context, ties []Tie) error {
	m, w, c := p.m, p.w, p.c
	n := len(c.photos)
	b := &p.ring[(n-1)&1]
	if p.keep {
		b = &w.kept[n-1]
	}
	// now is the logarithm of all that follows, and nowFree the same with all links
	// struck out.
	var now, nowFree [maxStates]float64
	for k := n - 1; ; k-- {
		if k%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		lo, hi := w.at(k)
		m.settle(&ties[c.photos[k]], c, k, b, w.forward[lo:hi], now[:], w.free[lo:hi], nowFree[:])
		if k == 0 {
			return nil
		}
		a := b
		if p.keep {
			b = &w.kept[k-1]
		} else {
			b = p.fill(k - 1)
			m.prepareStep(&p.t, b, a, &c.cam)
		}
		p.behind(k, b, a, &now, &nowFree)
	}
}

// behind goes back from photo k, whose slot is a, to the one before.
func (p *pass) behind(k int, b, a *slot, now, nowFree *[maxStates]float64) {
	m, w := p.m, p.w
	var pairs []float64
	if p.keep {
		pairs = w.pairs[w.pairAt[k]:]
	}
	var lin, flin, next, nextFree [maxStates]float64
	top, ftop := exps(now[:a.n], lin[:]), exps(nowFree[:a.n], flin[:])
	for s := range a.n {
		lin[s] *= a.worth[s]
		flin[s] *= a.named[s]
	}
	plo, _ := w.at(k - 1)
	for j := range b.n {
		var sum, free, before float64
		row := &m.shift[b.cls[j]]
		if p.learned != nil {
			before = math.Exp(w.forward[plo+j] + top - p.ll)
		}
		for s := range a.n {
			if lin[s] == 0 && flin[s] == 0 {
				continue
			}
			var f float64
			if p.keep {
				f = pairs[s*b.n+j]
			} else {
				f = m.pair(&p.t, j, s)
			}
			free += flin[s] * f
			f *= lin[s] * row[a.cls[s]]
			sum += f
			if p.learned != nil {
				p.learned.pass(m, b, j, a, s, before*f)
			}
		}
		next[j] = top + math.Log(sum)
		nextFree[j] = ftop + math.Log(free)
	}
	*now, *nowFree = next, nextFree
}

// sized is a slice of n things with whatever stood in their places.
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
