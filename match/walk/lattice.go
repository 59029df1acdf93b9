package walk

import (
	"context"
	"math"
	"slices"
)

// work is the memory of one run. It serves for the next one, of whatever length.
type work struct {
	from       []int32 // of each photo, where its candidates begin
	cand, rest []int32 // rest is room for the later half of them
	// For each state, candidates and one more for each photo: the logarithm of the sum over
	// all walks up to it or, where the way back comes first, from it on; and the same with
	// all links struck out.
	sum, free []float64
}

// at returns where the states of photo k begin and end.
func (w *work) at(k int) (lo, hi int) { return int(w.from[k]) + k, int(w.from[k+1]) + k + 1 }

// candidates returns those of photo k.
func (w *work) candidates(k int) []int32 { return w.cand[w.from[k]:w.from[k+1]] }

// run decodes one chain into ties and returns the log-likelihood. It adds to
// learned, where that is not nil, how often what is to be expected.
func (m *model) run(ctx context.Context, c *chain, ties []Tie, learned *counts) (float64, error) {
	n, w := len(c.photos), &c.work
	if err := w.start(ctx, m, c); err != nil {
		return 0, err
	}
	// The ways forward and back meet in the middle, unless the one needs what the other comes to.
	half := (n + 1) / 2
	if learned != nil {
		half = n
	}
	ahead := pass{m: m, c: c, w: w, ties: ties, half: half, learned: learned}
	back := ahead
	back.k = n - 1
	for _, to := range [...][2]int{{half, half}, {n, 0}} {
		err := eachOf(2, func(i int) error {
			if i == 0 {
				return ahead.forward(ctx, to[0])
			}
			return back.backward(ctx, to[1])
		})
		if err != nil {
			return 0, err
		}
		back.ll = logSum(ahead.sum[:ahead.at.n])
	}
	return back.ll, nil
}

// start gathers the candidates of all photos and makes room.
func (w *work) start(ctx context.Context, m *model, c *chain) error {
	n := len(c.photos)
	half := n / 2 // and what follows does not ask for the candidates before
	for half < n && c.bare(half) {
		half++
	}
	w.from = sized(w.from, n+1)
	halves := [2][]int32{slices.Grow(w.cand[:0], 4*n), w.rest[:0]}
	err := eachOf(2, func(i int) error {
		cand, before := halves[i], 0
		for k := i * half; k < half+i*(n-half); k++ {
			if k%1024 == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
			at := len(cand)
			cand = m.candidates(&c.all[c.photos[k]], c.stale[k], &c.cam, cand)
			if c.bare(k) {
				cand = m.beside(c, k, cand, cand[before:at], at)
			}
			before, w.from[k+1] = at, int32(len(cand))
		}
		halves[i] = cand
		return nil
	})
	if err != nil {
		return err
	}
	for k := half + 1; k <= n; k++ {
		w.from[k] += int32(len(halves[0]))
	}
	w.cand, w.rest = append(halves[0], halves[1]...), halves[1]
	total := len(w.cand) + n
	w.sum, w.free = sized(w.sum, total), sized(w.free, total)
	return nil
}

// bare says that photo k has neither a link nor a tag to go by.
func (c *chain) bare(k int) bool {
	p := &c.all[c.photos[k]]
	return len(p.Listed) == 0 && (p.Pos == nil || c.stale[k])
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

// pass is one way through a chain, forward or back.
type pass struct {
	m       *model
	c       *chain
	w       *work
	ties    []Tie
	half    int // the first photo that the way back comes to first
	learned *counts
	ll      float64
	// Of three photos in a row the slots are never the same. at is that of the last photo
	// come to, with the logarithms of its sums, and next the one that the way back comes to.
	k         int
	ring      [3]slot
	at, next  *slot
	sum, free [maxStates]float64
	t         step
}

// meet keeps the sums of photo k where this way is the first to come to it, and else
// settles its tie with those of the other.
func (p *pass) meet(k int, b *slot, back bool) {
	lo, hi := p.w.at(k)
	up, down := [2][]float64{p.sum[:], p.free[:]}, [2][]float64{p.w.sum[lo:hi], p.w.free[lo:hi]}
	if back == (k >= p.half) {
		copy(down[0], up[0])
		copy(down[1], up[1])
		return
	}
	if back {
		up, down = down, up
	}
	p.m.settle(&p.ties[p.c.photos[k]], p.c, k, b, up[0], down[0], up[1], down[1])
}

func (p *pass) fill(k int) *slot {
	b := &p.ring[k%3]
	p.m.fill(b, p.c, k, p.w.candidates(k))
	b.last, b.crew = None, p.m.crew(b)
	return b
}

// forward sums over all walks up to each photo before one.
func (p *pass) forward(ctx context.Context, to int) error {
	for ; p.k < to; p.k++ {
		k := p.k
		if k%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		a, b := p.at, p.fill(k)
		if p.at = b; k == 0 {
			for j := range b.n {
				base := p.m.begin(b, j)
				p.free[j] = math.Log(base * b.named[j])
				p.sum[j] = math.Log(base * p.m.shift[unlisted][b.cls[j]] * b.worth[j])
			}
		} else {
			b.last = a.crew
			p.m.prepareStep(&p.t, a, b, &p.c.cam)
			p.ahead(a, b)
		}
		p.meet(k, b, false)
	}
	return nil
}

// ahead goes from one photo to the next.
func (p *pass) ahead(a, b *slot) {
	m := p.m
	var lin, flin [maxStates]float64
	top, ftop := exps(p.sum[:a.n], lin[:]), exps(p.free[:a.n], flin[:])
	for s := range b.n {
		var sum, free float64
		row := b.cls[s]
		for j := range a.n {
			if lin[j] == 0 && flin[j] == 0 {
				continue
			}
			f := m.pair(&p.t, j, s)
			free += flin[j] * f
			sum += lin[j] * f * m.shift[a.cls[j]][row]
		}
		p.sum[s] = top + math.Log(sum) + math.Log(b.worth[s])
		p.free[s] = ftop + math.Log(free) + math.Log(b.named[s])
	}
}

// backward sums over all walks from each photo on, down to one.
func (p *pass) backward(ctx context.Context, to int) error {
	for ; p.k >= to; p.k-- {
		k := p.k
		if k%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		a, b := p.at, p.next
		if b == nil {
			b = p.fill(k)
		}
		if k > 0 {
			p.next = p.fill(k - 1)
			b.last = p.next.crew
		}
		if p.at = b; a != nil {
			p.m.prepareStep(&p.t, b, a, &p.c.cam)
			p.behind(k, b, a)
		}
		p.meet(k, b, true)
	}
	return nil
}

// behind goes back to photo k, whose slot is b, from the one after.
func (p *pass) behind(k int, b, a *slot) {
	m, w := p.m, p.w
	var lin, flin [maxStates]float64
	top, ftop := exps(p.sum[:a.n], lin[:]), exps(p.free[:a.n], flin[:])
	for s := range a.n {
		lin[s] *= a.worth[s]
		flin[s] *= a.named[s]
	}
	lo, _ := w.at(k)
	for j := range b.n {
		var sum, free, before float64
		row := &m.shift[b.cls[j]]
		if p.learned != nil {
			before = math.Exp(w.sum[lo+j] + top - p.ll)
		}
		for s := range a.n {
			if lin[s] == 0 && flin[s] == 0 {
				continue
			}
			f := m.pair(&p.t, j, s)
			free += flin[s] * f
			f *= lin[s] * row[a.cls[s]]
			sum += f
			if p.learned != nil {
				p.learned.pass(m, b, j, a, s, before*f)
			}
		}
		p.sum[j] = top + math.Log(sum)
		p.free[j] = ftop + math.Log(free)
	}
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
