package noise

import (
	"cmp"
	"math"
	"runtime"
	"slices"
	"sync"
)

// Residual is one tag minus the point that its photo is taken to show, in metres
// on the ground.
type Residual struct {
	// Time is when it was taken, in seconds on any one clock; NaN where that is not
	// known, which counts as usualGap after the one before.
	Time float64
	// E and N are the error, east and north.
	E, N float64
	// Sigma is the standard deviation per axis that the budget has for the tag, the
	// standoff left out, and Standoff the distance from which the point is
	// photographed where its direction is not known.
	Sigma, Standoff float64
}

// Model is what is known of the errors of one camera's tags: a posterior
// distribution over the grid of the package's doc. A Model is never changed once
// made, and safe for concurrent use. The zero Model is of no use: Learn and Prior make one.
type Model struct {
	// Photos is how many residuals it was learnt from; 0 for the prior.
	Photos int
	// Scale is the factor on the stated standard deviations, as the posterior
	// median, and Low and High the ends of its 95 % interval.
	Scale, Low, High float64
	// White is the share of the variance that is new in each tag, and Time the
	// correlation time in seconds of the rest: posterior means, that of Time of
	// its logarithm.
	White, Time float64
	// HeavyTails is the probability that tails are heavier than normal ones.
	HeavyTails float64
	// Sessions are what the tags of each session have in common, in order of time.
	Sessions []Session
	// Independent is the effective number of independent photos: the mean variance
	// of a tag over that of the tags' mean.
	Independent float64

	cells []cell
}

// Session is what the tags from one time on, in seconds, have in common: their
// offset in metres, drawn towards 0 by its prior and told from slow errors as far as
// that can be, and its standard error per axis.
type Session struct{ From, E, N, StdErr float64 }

// cell is one place of the grid.
type cell struct {
	white, tau, scale float64
	tail              int // index of tails
	weight            float64
}

// tail is a distribution of errors: Student's t in two dimensions with so many
// degrees of freedom, drawn in so that its 68.27 % radius is that of a normal one.
type tail struct{ nu, shrink, prior float64 }

var tails = [...]tail{newTail(60, 0.6), newTail(4, 0.4)}

func newTail(nu, prior float64) tail {
	const q = 0.6827
	normal := -2 * math.Log(1-q)
	return tail{nu, normal / (nu * (math.Pow(1-q, -2/nu) - 1)), prior}
}

// The grid and its priors. The times span those of real receivers (smooth over 20
// to 40 s, slow over minutes); the rest is common practice, no source.
var (
	whites     = [...]float64{0, 0.1, 0.25, 0.5, 0.75, 1}
	whitePrior = [...]float64{0.15, 0.2, 0.2, 0.2, 0.1, 0.15}
	times      = [...]float64{15, 45, 150, 500, 2000}
)

const (
	// scaleSpread is the prior standard deviation of the logarithm of the scale.
	scaleSpread = 0.5
	// leastScale to mostScale is the range of scales, and coarse the ratio of
	// neighbours in the first grid and fine that in the second.
	leastScale, mostScale = 0.2, 10
	coarse, fine          = 1.35, 1.07
	// usualGap is the time between two photos where it is not known, and
	// sessionGap that after which a session begins anew.
	usualGap, sessionGap = 60, 3600
	// offsetSelf and offsetShare make the prior standard deviation of a session's
	// offset: so many metres, and so many times the deviation of a tag.
	offsetSelf, offsetShare = 1, 0.5
	// lost is the share of residuals that are no noise, from a blunder or a wrong
	// tie, and lostReach how far those reach, metres.
	lost, lostReach = 0.02, 40
	// most is the largest number of residuals to learn from, in stretches of so many.
	most, stretch = 600, 150
	// least is the share of the largest weight below which cells are dropped.
	least = 1e-3
	// farthest is an error in metres that no tag on earth can have.
	farthest = 1e8
)

// Prior is what is known of a camera before its photos are looked at.
func Prior() *Model {
	m := &Model{cells: wholeGrid()}
	for i := range m.cells {
		m.cells[i].weight = math.Exp(m.cells[i].logPrior())
	}
	m.settle(coarse)
	return m
}

// Learn works out the posterior of a camera from residuals in order of time. It
// goes by a sample where there are many. Residuals beyond all on earth are left out.
func Learn(residuals []Residual) *Model {
	r := sample(residuals)
	if len(r) == 0 {
		return Prior()
	}
	m := &Model{Photos: len(residuals)}
	// Again, finer, where the weight is.
	lo, hi := make(map[cell]float64), make(map[cell]float64)
	var keys, cells []cell
	for _, c := range weigh(wholeGrid(), r) {
		key := c.apart()
		if _, ok := lo[key]; !ok {
			lo[key] = c.scale
			keys = append(keys, key)
		}
		hi[key] = c.scale // grid has them in order
	}
	for _, c := range keys {
		for k := lo[c] / coarse; k <= hi[c]*coarse; k *= fine {
			at := c
			at.scale = k
			cells = append(cells, at)
		}
	}
	m.cells = weigh(cells, r)
	m.settle(fine)
	m.thin()
	m.sessions(r)
	return m
}

// sample leaves out what is no error on earth and takes a part of what is long.
func sample(all []Residual) []Residual {
	out := make([]Residual, 0, min(len(all), most))
	take := func(part []Residual) {
		for _, r := range part {
			if math.Hypot(r.E, r.N)+r.Sigma+r.Standoff < farthest {
				out = append(out, r)
			}
		}
	}
	if len(all) <= most {
		take(all)
		return out
	}
	n := most / stretch
	for b := range n {
		from := b * (len(all) - stretch) / (n - 1)
		take(all[from : from+stretch])
	}
	return out
}

// wholeGrid lists all cells, scales in order.
func wholeGrid() []cell {
	var out []cell
	lo, hi := math.Ceil(math.Log(leastScale)/math.Log(coarse)), math.Floor(math.Log(mostScale)/math.Log(coarse))
	for _, w := range whites {
		for _, tau := range times {
			if w == 1 && tau != times[0] {
				continue // white noise has no time
			}
			for k := lo; k <= hi; k++ {
				for t := range tails {
					out = append(out, cell{white: w, tau: tau, scale: math.Pow(coarse, k), tail: t})
				}
			}
		}
	}
	return out
}

func (c *cell) logPrior() float64 {
	l := math.Log(tails[c.tail].prior)
	for i, w := range whites {
		if w == c.white {
			l += math.Log(whitePrior[i])
		}
	}
	if c.white != 1 {
		l -= math.Log(float64(len(times)))
	}
	z := math.Log(c.scale) / scaleSpread
	return l - z*z/2 - math.Log(scaleSpread*math.Sqrt(2*math.Pi))
}

// apart is a cell without its scale and weight.
func (c cell) apart() cell {
	c.scale, c.weight = 0, 0
	return c
}

// weigh works out the posterior weights of cells, and drops those that are as good as none.
func weigh(cells []cell, r []Residual) (out []cell) {
	logs := make([]float64, len(cells))
	var all sync.WaitGroup
	for n, p := runtime.GOMAXPROCS(0), 0; p < n; p++ {
		all.Go(func() {
			var f filter
			for i := p * len(cells) / n; i < (p+1)*len(cells)/n; i++ {
				f.start(&cells[i], r)
				f.ended = f.ended[:0]
				logs[i] = f.run(r) + cells[i].logPrior()
			}
		})
	}
	all.Wait()
	top := slices.Max(logs)
	for i, l := range logs {
		if w := math.Exp(l - top); w >= least {
			c := cells[i]
			c.weight = w
			out = append(out, c)
		}
	}
	return out
}

// settle normalises the weights of cells whose scales are a ratio apart and works
// out what they come to.
func (m *Model) settle(ratio float64) {
	var sum, logTime, slow float64
	for i := range m.cells {
		sum += m.cells[i].weight
	}
	logs := make([]float64, len(m.cells))
	for i := range m.cells {
		c := &m.cells[i]
		logs[i] = math.Log(c.scale)
		c.weight /= sum
		m.White += c.weight * c.white
		if c.tail > 0 {
			m.HeavyTails += c.weight
		}
		slow += c.weight * (1 - c.white)
		logTime += c.weight * (1 - c.white) * math.Log(c.tau)
	}
	if slow > 0 {
		m.Time = math.Exp(logTime / slow)
	}
	m.Low, m.Scale, m.High = m.quantile(0.025, ratio, logs), m.quantile(0.5, ratio, logs), m.quantile(0.975, ratio, logs)
}

// quantile is that of the scale (logs, a cell). Each takes the room between it and the next.
func (m *Model) quantile(p, ratio float64, logs []float64) float64 {
	step, lo, hi := math.Log(ratio), math.Log(leastScale), math.Log(mostScale)
	for range 40 {
		mid := (lo + hi) / 2
		var below float64
		for i := range m.cells {
			below += m.cells[i].weight * min(max((mid-logs[i])/step+0.5, 0), 1)
		}
		if below < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return math.Exp(lo)
}

// enough is how many cells a model keeps for what is asked of it later.
const enough = 24

// thin keeps the heaviest cells, spread over the scales by merging those that
// differ in scale only.
func (m *Model) thin() {
	merged := make(map[cell]int)
	var out []cell
	for _, c := range m.cells {
		key := c.apart()
		i, ok := merged[key]
		if !ok {
			merged[key] = len(out)
			c.scale = math.Log(c.scale) * c.weight
			out = append(out, c)
			continue
		}
		out[i].scale += math.Log(c.scale) * c.weight
		out[i].weight += c.weight
	}
	for i := range out {
		out[i].scale = math.Exp(out[i].scale / out[i].weight)
	}
	slices.SortFunc(out, func(a, b cell) int { return cmp.Compare(b.weight, a.weight) })
	m.cells = out[:min(len(out), enough)]
	var sum float64
	for _, c := range m.cells {
		sum += c.weight
	}
	for i := range m.cells {
		m.cells[i].weight /= sum
	}
}

// Correlation is that of the errors of two tags a time in seconds apart, what the
// session has in common left out: from 1 - White down to 0, and 1 for one and the
// same tag is not meant.
func (m *Model) Correlation(seconds float64) float64 {
	if math.IsNaN(seconds) {
		seconds = usualGap
	}
	var rho float64
	for i := range m.cells {
		c := &m.cells[i]
		rho += c.weight * (1 - c.white) * math.Exp(-math.Abs(seconds)/c.tau)
	}
	return rho
}

// LogLikelihood is the logarithm of the probability density of residuals, in order
// of time, under what is known of the camera.
func (m *Model) LogLikelihood(residuals []Residual) float64 {
	var f filter
	logs := make([]float64, len(m.cells))
	for i := range m.cells {
		f.start(&m.cells[i], residuals)
		logs[i] = f.run(residuals) + math.Log(m.cells[i].weight)
	}
	top := slices.Max(logs)
	var sum float64
	for _, l := range logs {
		sum += math.Exp(l - top)
	}
	return top + math.Log(sum)
}

// Mean is the best estimate of what residuals, in order of time, have in common,
// with its standard error per axis. Slow errors count for what they are, so that
// the standard error does not fall with the number of photos alone. As good as
// nothing is assumed of the mean beforehand. independent is how many independent
// photos would have told it as well. All are 0 without residuals.
func (m *Model) Mean(residuals []Residual) (e, n, stdErr, independent float64) {
	if len(residuals) == 0 {
		return 0, 0, 0, 0
	}
	centred := slices.Clone(residuals)
	me := median(centred, func(r *Residual) *float64 { return &r.E })
	mn := median(centred, func(r *Residual) *float64 { return &r.N })
	var v float64
	var f filter
	for i := range m.cells {
		c := &m.cells[i]
		f.start(c, centred)
		f.offsetVar, f.one = 400*f.offsetVar, true
		f.run(centred)
		e, n = e+c.weight*f.b[0], n+c.weight*f.b[1]
		v += c.weight * f.bb
		independent += c.weight * f.total / float64(f.n) / f.bb
	}
	return me + e, mn + n, math.Sqrt(v), min(max(independent, 1), float64(len(residuals)))
}

// median takes the median of one figure off all residuals and returns it.
func median(r []Residual, of func(*Residual) *float64) float64 {
	v := make([]float64, len(r))
	for i := range r {
		v[i] = *of(&r[i])
	}
	slices.Sort(v)
	m := v[len(v)/2]
	for i := range r {
		*of(&r[i]) -= m
	}
	return m
}

// sessions works out what each session has in common.
func (m *Model) sessions(r []Residual) {
	var f filter
	for i := range m.cells {
		c := &m.cells[i]
		f.start(c, r)
		f.ended = f.ended[:0]
		f.run(r)
		f.endSession(f.from)
		if i == 0 {
			m.Sessions = make([]Session, len(f.ended))
		}
		for k, s := range f.ended {
			t := &m.Sessions[k]
			t.From = s.From
			t.E, t.N, t.StdErr = t.E+c.weight*s.E, t.N+c.weight*s.N, t.StdErr+c.weight*s.StdErr
		}
	}
	_, _, _, m.Independent = m.Mean(r)
	m.Independent *= max(1, float64(m.Photos)/float64(len(r)))
}

// Offset is what the tags of the session of a time have in common; the first
// session's before it, and nothing where no residual told it.
func (m *Model) Offset(seconds float64) Session {
	if len(m.Sessions) == 0 {
		return Session{}
	}
	k := len(m.Sessions) - 1
	for k > 0 && !(m.Sessions[k].From <= seconds) {
		k--
	}
	return m.Sessions[k]
}

// filter is Kalman's for one cell. Both axes have the same variances. The state is
// the slow error s in units of the tag's deviation, and the offset b in metres.
type filter struct {
	c          *cell
	h0, r0     float64 // of the slow error and of the white one, for a deviation of 1
	shrink     float64
	offsetVar  float64
	one        bool // one offset for all sessions
	s, b       [2]float64
	ss, sb, bb float64
	n          int
	from       float64 // when the session began
	ended      []Session
	total      float64 // of variances, the offset left out
	phis       []float64
	phiTau     float64
	phiOf      *Residual
}

func (f *filter) start(c *cell, r []Residual) {
	k2 := c.scale * c.scale
	f.c = c
	f.shrink = tails[c.tail].shrink
	f.h0, f.r0 = c.scale*math.Sqrt(1-c.white), k2*c.white
	var mean float64
	for i := range r {
		mean += k2*r[i].Sigma*r[i].Sigma + r[i].Standoff*r[i].Standoff/2
	}
	f.offsetVar = offsetSelf*offsetSelf + offsetShare*offsetShare*mean/float64(max(len(r), 1))
	f.one = false
	if len(r) == 0 || f.phiTau == c.tau && f.phiOf == &r[0] && len(f.phis) == len(r) {
		return
	}
	f.phiTau, f.phiOf = c.tau, &r[0]
	f.phis = slices.Grow(f.phis[:0], len(r))[:len(r)]
	last := math.NaN()
	for i := range r {
		gap := r[i].Time - last
		if math.IsNaN(gap) {
			gap = usualGap
		}
		if !math.IsNaN(r[i].Time) {
			last = r[i].Time
		}
		if f.phis[i] = math.Exp(-math.Abs(gap) / c.tau); math.Abs(gap) > sessionGap {
			f.phis[i] = -1
		}
	}
}

// run goes through the residuals and returns the logarithm of their density.
func (f *filter) run(r []Residual) float64 {
	if len(r) == 0 {
		return 0
	}
	ll, product := 0.0, 1.0
	nu := tails[f.c.tail].nu
	f.ss, f.sb, f.bb = 1, 0, f.offsetVar
	f.s, f.b = [2]float64{}, [2]float64{}
	f.n, f.total, f.from = 0, 0, r[0].Time
	for i := range r {
		phi := f.phis[i]
		if i > 0 {
			if phi < 0 {
				phi = 0
				if !f.one {
					f.endSession(r[i].Time)
					f.b, f.bb = [2]float64{}, f.offsetVar
				}
			}
			f.s[0], f.s[1] = phi*f.s[0], phi*f.s[1]
			f.ss, f.sb = phi*phi*f.ss+1-phi*phi, phi*f.sb
		}
		h := f.h0 * r[i].Sigma
		white := f.r0*r[i].Sigma*r[i].Sigma + r[i].Standoff*r[i].Standoff/2 + 1e-4
		f.n++
		f.total += h*h + white
		hs, hb := h*f.ss+f.sb, h*f.sb+f.bb
		v := h*hs + hb + white
		de, dn := r[i].E-h*f.s[0]-f.b[0], r[i].N-h*f.s[1]-f.b[1]
		d2 := (de*de + dn*dn)
		tv := v * f.shrink
		q := d2 / tv
		in := (1 - lost) / (2 * math.Pi * tv) * power(1/(1+q/nu), int(nu/2)+1)
		o := 1 + d2/(lostReach*lostReach)
		out := lost / (math.Pi * lostReach * lostReach * o * o)
		if product *= in + out; product < 1e-250 {
			ll, product = ll+math.Log(product), 1
		}
		// What lies far out moves the state less.
		trust := in / (in + out) * min(1, (nu+2)/(nu+q))
		if trust < 1e-9 {
			continue
		}
		wide := v / trust
		ks, kb := hs/wide, hb/wide
		f.s[0], f.s[1] = f.s[0]+ks*de, f.s[1]+ks*dn
		f.b[0], f.b[1] = f.b[0]+kb*de, f.b[1]+kb*dn
		f.ss, f.sb, f.bb = f.ss-ks*hs, f.sb-ks*hb, f.bb-kb*hb
	}
	return ll + math.Log(product)
}

// endSession notes the session that ends where the next one begins.
func (f *filter) endSession(next float64) {
	f.ended = append(f.ended, Session{From: f.from, E: f.b[0], N: f.b[1], StdErr: math.Sqrt(f.bb)})
	f.from = next
}

// power is x to the power of n.
func power(x float64, n int) float64 {
	y := 1.0
	for ; n > 0; n >>= 1 {
		if n&1 == 1 {
			y *= x
		}
		x *= x
	}
	return y
}
