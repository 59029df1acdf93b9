package cause

import (
	"cmp"
	"math"
	"slices"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// material is the least that a shift has to be, as a share of what the budget
// allows, to be looked at.
const material = 0.4

// threshold is the median of what the budget allows.
func (e *Evidence) threshold() float64 {
	var v []float64
	for i := range e.Photos {
		if p := &e.Photos[i]; p.Point >= 0 && p.Threshold > 0 {
			v = append(v, p.Threshold)
		}
	}
	if len(v) == 0 {
		return math.Inf(1)
	}
	return medianOf(v)
}

// offsets returns the photos of a set that have a discrepancy, and what is left
// of it beside where the image says the camera stood; only those out where
// wanted.
func (e *Evidence) offsets(in []int, out bool) (at []int, ds []match.Vector) {
	for _, i := range in {
		if p := &e.Photos[i]; p.D != nil && (p.Out || !out) {
			at = append(at, i)
			ds = append(ds, match.Vector{E: p.D.E - p.noise.expected.E, N: p.D.N - p.noise.expected.N})
		}
	}
	return at, ds
}

// mode returns the middle of the place where most of ds lie within a radius, and
// how many do. Of many ds only some are tried for the place.
func mode(ds []match.Vector, radius float64) (match.Vector, int) {
	const tries = 200
	var best match.Vector
	most := 0
	for k := 0; k < len(ds); k += max(1, len(ds)/tries) {
		c := ds[k]
		n := 0
		for range 3 { // the mean of those near moves towards the middle
			var e, m float64
			n = 0
			for _, d := range ds {
				if math.Hypot(d.E-c.E, d.N-c.N) <= radius {
					n++
					e += d.E
					m += d.N
				}
			}
			if n == 0 {
				break
			}
			c = match.Vector{E: e / float64(n), N: m / float64(n)}
		}
		if n > most {
			most, best = n, c
		}
	}
	return best, most
}

// centre is a mean that a minority far out doesn't move: the median of each axis,
// refined with weights 1/(1 + (d / 3 sigma)²).
func centre(ds []match.Vector, sigma float64) match.Vector {
	es, ns := make([]float64, len(ds)), make([]float64, len(ds))
	for k, d := range ds {
		es[k], ns[k] = d.E, d.N
	}
	c := match.Vector{E: medianOf(es), N: medianOf(ns)}
	for range 10 {
		var w, e, n float64
		for _, d := range ds {
			q := math.Hypot(d.E-c.E, d.N-c.N) / (3 * sigma)
			v := 1 / (1 + q*q)
			w, e, n = w+v, e+v*d.E, n+v*d.N
		}
		c = match.Vector{E: e / w, N: n / w}
	}
	return c
}

// extent is the diagonal of the box of the points in metres.
func (e *Evidence) extent() float64 {
	lo, hi := grid.EN{E: math.Inf(1), N: math.Inf(1)}, grid.EN{E: math.Inf(-1), N: math.Inf(-1)}
	for j := range e.Points {
		p := e.Points[j]
		lo.E, lo.N = math.Min(lo.E, p.E), math.Min(lo.N, p.N)
		hi.E, hi.N = math.Max(hi.E, p.E), math.Max(hi.N, p.N)
	}
	if len(e.Points) == 0 {
		return 0
	}
	return math.Hypot(hi.E-lo.E, hi.N-lo.N) * e.unit
}

// fitScale fits D = b (p - origin) to the photos by weighted least squares, with
// weights 1/(1 + (r / 3 sigma)²) so that a minority does not count; the origin
// is fitted too where about is nil. It returns the origin, b, and b's standard
// error by the number of independent photos.
func fitScale(e *Evidence, at []int, about *grid.EN) (o grid.EN, b, se float64) {
	c := e.centre
	if about != nil {
		c = *about
	}
	w, qs, ds := make([]float64, len(at)), make([]match.Vector, len(at)), make([]match.Vector, len(at))
	for k, i := range at {
		p := &e.Photos[i]
		w[k], qs[k] = 1, match.Vector{E: (e.Points[p.Point].E - c.E) * e.unit, N: (e.Points[p.Point].N - c.N) * e.unit}
		ds[k] = match.Vector{E: p.D.E - p.noise.expected.E, N: p.D.N - p.noise.expected.N}
	}
	var a match.Vector
	n := e.independent(at)
	for range 15 {
		// Unknowns a (where about is nil) and b: D = a + b q, q = p - c in metres.
		var sw, sq2 float64
		var sq, sd match.Vector
		var sqd float64
		for k, q := range qs {
			d := ds[k]
			sw += w[k]
			sq.E, sq.N = sq.E+w[k]*q.E, sq.N+w[k]*q.N
			sd.E, sd.N = sd.E+w[k]*d.E, sd.N+w[k]*d.N
			sq2 += w[k] * (q.E*q.E + q.N*q.N)
			sqd += w[k] * (q.E*d.E + q.N*d.N)
		}
		if about == nil {
			den := sq2 - (sq.E*sq.E+sq.N*sq.N)/sw
			b = (sqd - (sq.E*sd.E+sq.N*sd.N)/sw) / den
			a = match.Vector{E: (sd.E - b*sq.E) / sw, N: (sd.N - b*sq.N) / sw}
			se = math.Sqrt(sw / den)
		} else {
			b = sqd / sq2
			se = math.Sqrt(sw / sq2)
		}
		se *= e.Photos[at[0]].noise.sigma / math.Sqrt(n)
		for k, i := range at {
			r := math.Hypot(ds[k].E-a.E-b*qs[k].E, ds[k].N-a.N-b*qs[k].N) / (3 * e.Photos[i].noise.sigma)
			w[k] = 1 / (1 + r*r)
		}
	}
	o = c
	if about == nil && b != 0 {
		o = grid.EN{E: c.E - a.E/b/e.unit, N: c.N - a.N/b/e.unit}
	}
	return o, b, se
}

// troubled says that so many photos of the job or of an outing are out that noise
// alone doesn't put them there, and costly hypotheses are worth a look.
func (e *Evidence) troubled() bool {
	type count struct{ out, n int }
	var all count
	outings := make([]count, len(e.walks.outings))
	for i := range e.Photos {
		if p := &e.Photos[i]; p.D != nil || p.Out {
			c := &outings[p.outing]
			c.n++
			all.n++
			if p.Out {
				c.out++
				all.out++
			}
		}
	}
	for _, c := range outings {
		if c.out >= 5 && 4*c.out > c.n {
			return true
		}
	}
	return 8*all.out > all.n
}

// independent returns how many independent photos a set counts for in a mean: the
// variance of one over that of the mean. An error has a part that is new in each
// photo, one that correlates by exp(-t/tau), of which photos with gaps t between them
// count for 1 + the sum of tanh(t/2tau), and one that a day's photos have in common;
// cameras have nothing in common. Photos without a time count as 30 s apart.
func (e *Evidence) independent(set []int) float64 { return e.effective(set, 1) }

// effective is independent for a hypothesis that what a day's photos have in common,
// and slow errors, could make up for by a share only: those beside the set would show
// them too. With no share only errors of a minute or so are in common.
func (e *Evidence) effective(set []int, share float64) float64 {
	camera := func(i int) int { return e.walks.camera[e.Photos[i].outing] }
	by := func(i, j int) int {
		return cmp.Or(cmp.Compare(camera(i), camera(j)), cmp.Compare(e.walks.rank[i], e.walks.rank[j]))
	}
	if !slices.IsSortedFunc(set, by) {
		set = slices.SortedFunc(slices.Values(set), by)
	}
	total := 0.0
	for len(set) > 0 {
		n := 1
		for n < len(set) && camera(set[n]) == camera(set[0]) {
			n++
		}
		photos := set[:n]
		set = set[n:]
		m, ok := e.models[e.Photos[photos[0]].Camera]
		if !ok {
			m = defaultCorrelation
		}
		slow, fast, days := 1.0, 1.0, 1.0
		tau := m.Time.Seconds()
		for x := 1; x < len(photos); x++ {
			a, b := &e.Photos[photos[x-1]], &e.Photos[photos[x]]
			if a.Day != b.Day {
				days++
			}
			gap := 30 * float64(e.walks.rank[photos[x]]-e.walks.rank[photos[x-1]])
			if !a.Time.IsZero() && !b.Time.IsZero() {
				gap = math.Abs(b.Time.Sub(a.Time).Seconds())
			}
			if share > 0 {
				slow += math.Tanh(gap / (2 * tau))
			}
			if share != 1 {
				fast += math.Tanh(gap / (2 * math.Min(tau, minute)))
			}
		}
		if share == 0 {
			total += fast
			continue
		}
		day := m.DayShare * share
		total += 1 / (m.White/float64(len(photos)) + (1-m.White-day)*(share/slow+(1-share)/fast) + day/days)
	}
	return total
}

// minute is the time in seconds after which errors are new to a photo that is out for
// itself, or whose neighbours are not.
const minute = 45

func medianOf(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	n := len(s)
	if n == 0 {
		return math.NaN()
	}
	if n%2 == 1 {
		return s[n/2]
	}
	return (s[n/2-1] + s[n/2]) / 2
}

// spread is a robust standard deviation: 1.4826 times the median distance from
// the median, which is that of a normal sample.
func spread(v []float64, median float64) float64 {
	d := make([]float64, len(v))
	for i, x := range v {
		d[i] = math.Abs(x - median)
	}
	return 1.4826 * medianOf(d)
}
