package match

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
)

// SetStats is what the discrepancies of many photos say as a set. Lengths are in
// Unit, the grid's own. Nothing is corrected for the standoff: it is part of the
// discrepancies and so of every figure here.
type SetStats struct {
	// N is the number of photos: all that were judged.
	N    int       `json:"n"`
	Unit grid.Unit `json:"unit"`

	// RMSEE, RMSEN and RMSER are the root mean squares of the discrepancies in
	// east, north and distance; RMSER² = RMSEE² + RMSEN². Source: FGDC-STD-007.3-1998.
	RMSEE float64 `json:"rmse_e"`
	RMSEN float64 `json:"rmse_n"`
	RMSER float64 `json:"rmse_r"`
	// NSSDA is the horizontal accuracy at 95 % of FGDC-STD-007.3-1998, of
	// CheckPoints; nil with fewer than the 20 points that the standard asks for, where
	// it has no formula, and where blunders are left out. NSSDAWhy then says which.
	NSSDA    *float64 `json:"nssda,omitempty"`
	NSSDAWhy string   `json:"nssda_why,omitempty"`
	// CheckPoints has the same by points; nil where blunders are left out.
	CheckPoints *CheckPoints `json:"check_points,omitempty"`

	// Mean is the mean discrepancy: the shift that the set has in common.
	Mean Vector `json:"mean"`
	// Cov is the sample covariance (divisor N-1) in square units, in the order
	// EE, EN, NN; nil for a single photo, and where squares of the discrepancies
	// are beyond all numbers.
	Cov *[3]float64 `json:"cov,omitempty"`
	// Ellipse is the error ellipse about Mean; nil without Cov.
	Ellipse *Ellipse `json:"ellipse,omitempty"`
	// Robust is the centre and the spread that a few gross errors can't move; nil
	// where differences of the discrepancies are beyond all numbers.
	Robust *Robust `json:"robust,omitempty"`
	// Shift tests whether the discrepancies have a shift in common; nil with fewer than
	// three visits or without spread in some direction. ShiftWhy then says which.
	Shift    *ShiftTest `json:"shift,omitempty"`
	ShiftWhy string     `json:"shift_why,omitempty"`
	// Over is the share of photos over the budget against the share expected.
	Over OverShare `json:"over"`
}

// Ellipse is the error ellipse of one discrepancy: the covariance's ellipse
// scaled by sqrt(chi-square quantile, 2 degrees of freedom), sqrt(-2 ln(1-p)).
// It takes the sample's covariance as the true one, so with few photos it is
// too small.
type Ellipse struct {
	// Confidence is the share of discrepancies it holds.
	Confidence float64 `json:"confidence"`
	// SemiMajor and SemiMinor are the half axes.
	SemiMajor float64 `json:"semi_major"`
	SemiMinor float64 `json:"semi_minor"`
	// Bearing is the grid bearing of the major axis in [0, 180); undefined where
	// the axes are equal.
	Bearing grid.Bearing `json:"bearing_deg"`
}

// Robust is a centre and a spread with a breakdown point of one half: moving
// less than half the discrepancies can't carry them away.
type Robust struct {
	// Centre is the geometric median: the place whose distances to all
	// discrepancies have the smallest sum. It turns with the axes, as the pair
	// of the medians does not.
	Centre Vector `json:"centre"`
	// Spread is a standard deviation per axis: the median distance from Centre,
	// divided by sqrt(2 ln 2) = 1.1774, the median of the circular normal.
	Spread float64 `json:"spread"`
}

// ShiftTest is Hotelling's one-sample test that the mean discrepancy is 0, of the
// means of independent visits: photos that a camera took within ten minutes share the
// slow errors of its receiver, and count as one. What the frame may be off is common
// to all and no shift: it is added to the covariance of the mean, with the degrees of
// freedom of Yao, which are Hotelling's where there is none. The means are taken as
// normal, which the random directions of the standoff do not disturb with more than
// a few visits. Sources: H. Hotelling, The generalization of Student's ratio, 1931; Y.
// Yao, An approximate degrees of freedom solution to the multivariate Behrens-Fisher
// problem, 1965 (both from memory).
type ShiftTest struct {
	// Visits is how many there are, and Mean the mean of theirs.
	Visits int    `json:"visits"`
	Mean   Vector `json:"mean"`
	// Frame is the standard deviation per axis of what the frame may be off.
	Frame float64 `json:"frame_sigma"`
	// T2 is m'(S/n + Frame² I)⁻¹m with the mean m and the covariance S of n visits.
	T2 float64 `json:"t2"`
	// F is T2 DF / (2 (DF+1)), with 2 and DF degrees of freedom; without Frame DF is n-2.
	F  float64 `json:"f"`
	DF float64 `json:"df"`
	// P is the probability of an F at least as large without a shift.
	P float64 `json:"p"`
}

// OverShare is the share of photos over the budget (gross ones among them).
type OverShare struct {
	// Over of N photos are over the budget.
	Over int `json:"over"`
	N    int `json:"n"`
	// Share is Over / N.
	Share float64 `json:"share"`
	// Visits is how many independent visits there are; see ShiftTest. Photos of one may
	// be out together, and count as one.
	Visits int `json:"visits"`
	// Low and High are the Clopper-Pearson interval of the share at Confidence, of as
	// many photos as there are visits.
	Low        float64 `json:"low"`
	High       float64 `json:"high"`
	Confidence float64 `json:"confidence"`
	// Expected is the share that honest noise gives: 1 - the budget's confidence.
	Expected float64 `json:"expected"`
	// P is the probability of such a share or a larger one of the visits.
	P float64 `json:"p"`
}

// intervalConfidence is the confidence of the binomial interval.
const intervalConfidence = 0.95

// NewSetStats computes the statistics of a set of discrepancies (tag minus point,
// in unit), over of which are over the budget, each of a point and a visit of its
// own; Tally.Sets knows better. confidence is the budget's, for the ellipse and the
// share expected over it. The order of the discrepancies makes no difference, not in
// the last bit. It returns nil for an empty set, and for one with a discrepancy that
// is not finite.
func NewSetStats(unit grid.Unit, d []Vector, over int, confidence float64) *SetStats {
	s := newSet(unit, d, confidence)
	if s != nil {
		d = slices.SortedFunc(slices.Values(d), Vector.compare)
		s.points(d, 0)
		s.Shift, s.ShiftWhy = shiftTest(d, 0)
		s.Over = newOverShare(over, len(d), len(d), 1-confidence)
	}
	return s
}

func (v Vector) compare(w Vector) int { return cmp.Or(cmp.Compare(v.E, w.E), cmp.Compare(v.N, w.N)) }

// newSet computes what does not depend on which photos belong together.
func newSet(unit grid.Unit, d []Vector, confidence float64) *SetStats {
	if len(d) == 0 {
		return nil
	}
	for _, v := range d {
		if !grid.Finite(v.E, v.N) {
			return nil
		}
	}
	d = slices.SortedFunc(slices.Values(d), Vector.compare)
	e, n := axes(d)
	s := &SetStats{N: len(d), Unit: unit}
	s.Mean = Vector{E: e.mean(), N: n.mean()}
	s.RMSEE, s.RMSEN = e.rms(), n.rms()
	s.RMSER = math.Hypot(s.RMSEE, s.RMSEN)
	if s.Cov = covariance(e, n); s.Cov != nil {
		s.Ellipse = newEllipse(*s.Cov, confidence)
	}
	if r := robust(d); grid.Finite(r.Centre.E, r.Centre.N, r.Spread) {
		s.Robust = &r
	}
	return s
}

// axis are the discrepancies along one axis, in units of a power of two of which the
// largest is about one: no sum of squares is too large, and nothing is rounded.
type axis struct {
	x   []float64
	exp int
}

// axes splits discrepancies into their axes.
func axes(d []Vector) (e, n axis) {
	for _, v := range d {
		e.x, n.x = append(e.x, v.E), append(n.x, v.N)
	}
	e.scale()
	n.scale()
	return e, n
}

// covariance is that of two axes, in the order EE, EN, NN; nil where there is none, or
// none that is a number.
func covariance(e, n axis) *[3]float64 {
	if len(e.x) < 2 {
		return nil
	}
	c := [3]float64{e.cov(e), e.cov(n), n.cov(n)}
	if !grid.Finite(c[0], c[1], c[2]) {
		return nil
	}
	return &c
}

func (a *axis) scale() {
	_, a.exp = math.Frexp(max(-slices.Min(a.x), slices.Max(a.x)))
	for i, v := range a.x {
		a.x[i] = math.Ldexp(v, -a.exp)
	}
}

func (a axis) mean() float64 { return math.Ldexp(stat.Mean(a.x, nil), a.exp) }

func (a axis) rms() float64 {
	return math.Ldexp(floats.Norm(a.x, 2)/math.Sqrt(float64(len(a.x))), a.exp)
}

func (a axis) cov(b axis) float64 { return math.Ldexp(stat.Covariance(a.x, b.x, nil), a.exp+b.exp) }

func newEllipse(c [3]float64, confidence float64) *Ellipse {
	k := rayleighFactor(confidence)
	e := &Ellipse{Confidence: confidence}
	// Scaled, so that squares of extreme lengths neither under- nor overflow.
	scale := max(c[0], c[2])
	if scale == 0 {
		return e // all discrepancies are the same
	}
	// The principal variances in closed form: mean ± hypot(half the difference, EN).
	ee, en, nn := c[0]/scale, c[1]/scale, c[2]/scale
	mean, dev := (ee+nn)/2, math.Hypot((ee-nn)/2, en)
	e.SemiMajor = k * math.Sqrt(mean+dev) * math.Sqrt(scale)
	e.SemiMinor = k * math.Sqrt(max(mean-dev, 0)) * math.Sqrt(scale)
	if dev > 1e-12*mean {
		// The major axis makes half the angle of (NN-EE, 2 EN) with north.
		deg := math.Atan2(2*en, nn-ee) / 2 * 180 / math.Pi
		if deg < 0 {
			deg += 180
		}
		e.Bearing = grid.NewBearing(deg)
	}
	return e
}

// shiftTooLarge is why there is no test where figures overflow.
const shiftTooLarge = "the discrepancies are too large for the test"

// shiftTest tests the means of visits for a shift that is not 0, where the frame may be
// off by a standard deviation per axis.
func shiftTest(d []Vector, frame float64) (*ShiftTest, string) {
	n := float64(len(d))
	if len(d) < 3 {
		return nil, fmt.Sprintf("%s; a test for a common shift needs 3", words.Plural(len(d), "independent visit"))
	}
	east, north := axes(d)
	cov := covariance(east, north)
	if cov == nil {
		return nil, shiftTooLarge
	}
	scale := math.Sqrt(max(cov[0], cov[2]))
	if scale == 0 {
		return nil, "all discrepancies are the same, so nothing tells a shift from noise"
	}
	c := [3]float64{cov[0] / scale / scale, cov[1] / scale / scale, cov[2] / scale / scale}
	if !(c[0]*c[2]-c[1]*c[1] > 1e-12) {
		return nil, "the discrepancies lie on one line, so nothing tells a shift across it from noise"
	}
	t := &ShiftTest{Visits: len(d), Mean: Vector{E: east.mean(), N: north.mean()}, Frame: frame}
	// a is the covariance of the mean, g = a⁻¹m.
	common := frame / scale * (frame / scale)
	a := [3]float64{c[0]/n + common, c[1] / n, c[2]/n + common}
	det := a[0]*a[2] - a[1]*a[1]
	x, y := t.Mean.E/scale, t.Mean.N/scale
	g := Vector{E: (a[2]*x - a[1]*y) / det, N: (a[0]*y - a[1]*x) / det}
	t.T2 = g.E*x + g.N*y
	// Of t.T2 the share own is of the visits' scatter, which alone is estimated.
	own := 1.0
	if common > 0 && t.T2 > 0 {
		own = (c[0]*g.E*g.E + 2*c[1]*g.E*g.N + c[2]*g.N*g.N) / n / t.T2
	}
	t.DF = min((n-1)/(own*own), 1e12) - 1
	t.F = t.T2 * t.DF / (2 * (t.DF + 1))
	if !grid.Finite(t.F, t.T2, t.DF) {
		return nil, shiftTooLarge
	}
	// P(F > f) with 2 and df degrees of freedom has the closed form
	// (1 + 2f/df)^(-df/2).
	t.P = math.Exp(-t.DF / 2 * math.Log1p(2*t.F/t.DF))
	return t, ""
}

// newOverShare is the share of k photos of n, which were taken in so many visits.
func newOverShare(k, n, visits int, expected float64) OverShare {
	o := OverShare{Over: k, N: n, Visits: visits, Share: float64(k) / float64(n), Confidence: intervalConfidence, Expected: expected, P: 1}
	v := float64(visits)
	o.Low, o.High = binomialInterval(o.Share*v, v, intervalConfidence)
	if k > 0 {
		o.P = mathext.RegIncBeta(o.Share*v, (1-o.Share)*v+1, expected)
	}
	return o
}

// BinomialInterval returns the exact interval of Clopper and Pearson for a
// probability of which k of n trials came true: quantiles of beta distributions.
// Source: C. J. Clopper and E. S. Pearson, The use of confidence or fiducial
// limits, 1934 (from memory). It gives 0, 1 where n is 0, and NaN unless
// 0 <= k <= n and confidence lies between 0 and 1.
func BinomialInterval(k, n int, confidence float64) (low, high float64) {
	if k < 0 || n < k || !(confidence > 0 && confidence < 1) {
		return math.NaN(), math.NaN()
	}
	return binomialInterval(float64(k), float64(n), confidence)
}

func binomialInterval(k, n, confidence float64) (low, high float64) {
	half := (1 - confidence) / 2
	low, high = 0, 1
	if k > 0 {
		low = distuv.Beta{Alpha: k, Beta: n - k + 1}.Quantile(half)
	}
	if k < n {
		high = distuv.Beta{Alpha: k + 1, Beta: n - k}.Quantile(1 - half)
	}
	return low, high
}

func robust(d []Vector) Robust {
	c := geometricMedian(d)
	dist := make([]float64, len(d))
	for i, v := range d {
		dist[i] = math.Hypot(v.E-c.E, v.N-c.N)
	}
	return Robust{Centre: c, Spread: median(dist) / rayleighFactor(0.5)}
}

// median sorts x and returns its median.
func median(x []float64) float64 {
	slices.Sort(x)
	n := len(x)
	if n%2 == 1 {
		return x[n/2]
	}
	return x[n/2-1] + (x[n/2]-x[n/2-1])/2
}

// geometricMedian is the place with the least sum of distances. It starts from the
// medians of the axes and steps as Weiszfeld does, or as Newton does where that leads
// lower, until a step is below a billionth of the median distance, or 1000 times. A
// datum is the median if the others pull it no more than it holds. Source: Y. Vardi
// and C.-H. Zhang, The multivariate L1-median and associated data depth, 2000 (from
// memory).
func geometricMedian(d []Vector) Vector {
	e, n := make([]float64, len(d)), make([]float64, len(d))
	for i, v := range d {
		e[i], n[i] = v.E, v.N
	}
	c := Vector{E: median(e), N: median(n)}
	dist := make([]float64, len(d))
	for i, v := range d {
		dist[i] = math.Hypot(v.E-c.E, v.N-c.N)
	}
	scale := cmp.Or(median(slices.Clone(dist)), slices.Max(dist))
	if scale == 0 {
		return c
	}
	// A datum this close counts as being at the place.
	here := 1e-12 * scale
	for range 1000 {
		p := pullOn(c, d, here)
		if p.held() {
			return c
		}
		if datum := d[p.nearest]; pullOn(datum, d, here).held() {
			return datum
		}
		next := p.step(c)
		if newton, ok := p.newton(c); ok && pullOn(newton, d, here).sum < pullOn(next, d, here).sum {
			next = newton
		}
		step := math.Hypot(next.E-c.E, next.N-c.N)
		if c = next; step <= 1e-9*scale {
			break
		}
	}
	return c
}

// pull is what data do to a place: each pulls it with the same force.
type pull struct {
	e, n          float64 // the force of those elsewhere, and
	w, ee, en, nn float64 // its slope: the sum of the weights 1/r, and of their parts along the axes
	sum           float64 // of the distances
	at            int     // how many data are at the place
	nearest       int     // of those elsewhere
}

func pullOn(c Vector, d []Vector, here float64) (p pull) {
	least := math.Inf(1)
	for i, v := range d {
		dE, dN := v.E-c.E, v.N-c.N
		r := math.Hypot(dE, dN)
		if r <= here {
			p.at++
			continue
		}
		if r < least {
			least, p.nearest = r, i
		}
		dE, dN = dE/r, dN/r
		p.e, p.n = p.e+dE, p.n+dN
		p.w, p.sum = p.w+1/r, p.sum+r
		p.ee, p.en, p.nn = p.ee+dN*dN/r, p.en-dE*dN/r, p.nn+dE*dE/r
	}
	return p
}

// held reports whether the data at the place hold it.
func (p pull) held() bool { return p.w == 0 || math.Hypot(p.e, p.n) <= float64(p.at) }

// step is Weiszfeld's, shortened by what holds it.
func (p pull) step(c Vector) Vector {
	k := (1 - float64(p.at)/math.Hypot(p.e, p.n)) / p.w
	return Vector{E: c.E + k*p.e, N: c.N + k*p.n}
}

// newton is Newton's step; none where it is not defined.
func (p pull) newton(c Vector) (Vector, bool) {
	det := p.ee*p.nn - p.en*p.en
	if p.at > 0 || det <= 0 {
		return c, false
	}
	return Vector{E: c.E + (p.nn*p.e-p.en*p.n)/det, N: c.N + (p.ee*p.n-p.en*p.e)/det}, true
}

// Holm returns the p-values adjusted for being the smallest of many by Holm's
// step-down procedure: adjusted values below a level are the hypotheses that are
// rejected with that probability, or less, of rejecting any true one. Whatever
// depends on what, the order of the values does not matter. Source: S. Holm, A
// simple sequentially rejective multiple test procedure, 1979 (from memory).
func Holm(p []float64) []float64 {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	adj := make([]float64, len(p))
	var sofar float64
	for rank, i := range order {
		sofar = max(sofar, min(1, p[i]*float64(len(p)-rank)))
		adj[i] = sofar
	}
	return adj
}
