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
	// NSSDA is the horizontal accuracy at 95 % of FGDC-STD-007.3-1998; nil with
	// fewer than the 20 photos that the standard asks for, or where it has no
	// formula. NSSDAWhy then says which.
	NSSDA    *float64 `json:"nssda,omitempty"`
	NSSDAWhy string   `json:"nssda_why,omitempty"`

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
	// Shift tests whether Mean differs from 0; nil with fewer than three photos
	// or without spread in some direction. ShiftWhy then says which.
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

// ShiftTest is Hotelling's one-sample test that the mean discrepancy is 0. It
// takes the discrepancies as independent and their mean as normal, which the
// random directions of the standoff do not disturb with more than a few photos.
// Source: H. Hotelling, The generalization of Student's ratio, 1931 (from memory).
type ShiftTest struct {
	// T2 is N m'S⁻¹m with mean m and covariance S.
	T2 float64 `json:"t2"`
	// F is T2 (N-2) / (2 (N-1)), with 2 and DF degrees of freedom; DF is N-2.
	F  float64 `json:"f"`
	DF int     `json:"df"`
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
	// Low and High are the Clopper-Pearson interval of the share at Confidence.
	Low        float64 `json:"low"`
	High       float64 `json:"high"`
	Confidence float64 `json:"confidence"`
	// Expected is the share that honest noise gives: 1 - the budget's confidence.
	Expected float64 `json:"expected"`
	// P is the probability of Over or more photos with that share.
	P float64 `json:"p"`
}

// intervalConfidence is the confidence of the binomial interval.
const intervalConfidence = 0.95

// NewSetStats computes the statistics of a set of discrepancies (tag minus point,
// in unit), over of which are over the budget. confidence is the budget's, for
// the ellipse and the share expected over it. The order of the discrepancies
// makes no difference, not in the last bit. It returns nil for an empty set, and
// for one with a discrepancy that is not finite.
func NewSetStats(unit grid.Unit, d []Vector, over int, confidence float64) *SetStats {
	if len(d) == 0 {
		return nil
	}
	d = slices.Clone(d)
	slices.SortFunc(d, func(a, b Vector) int { return cmp.Or(cmp.Compare(a.E, b.E), cmp.Compare(a.N, b.N)) })
	e, n := axis{x: make([]float64, len(d))}, axis{x: make([]float64, len(d))}
	for i, v := range d {
		if !finite(v.E) || !finite(v.N) {
			return nil
		}
		e.x[i], n.x[i] = v.E, v.N
	}
	e.scale()
	n.scale()
	s := &SetStats{N: len(d), Unit: unit, Over: newOverShare(over, len(d), 1-confidence)}
	s.Mean = Vector{E: e.mean(), N: n.mean()}
	s.RMSEE, s.RMSEN = e.rms(), n.rms()
	s.RMSER = math.Hypot(s.RMSEE, s.RMSEN)
	if v, why := nssda(len(d), s.RMSEE, s.RMSEN); why == "" {
		s.NSSDA = &v
	} else {
		s.NSSDAWhy = why
	}
	if len(d) > 1 {
		c := [3]float64{e.cov(e), e.cov(n), n.cov(n)}
		if finite(c[0]) && finite(c[1]) && finite(c[2]) {
			s.Cov = &c
			s.Ellipse = newEllipse(c, confidence)
		}
	}
	s.Shift, s.ShiftWhy = hotelling(len(d), s.Mean, s.Cov)
	if r := robust(d); finite(r.Centre.E) && finite(r.Centre.N) && finite(r.Spread) {
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

// nssdaMin is the number of check points that FGDC-STD-007.3-1998 asks for.
const nssdaMin = 20

// nssda returns the horizontal accuracy at 95 % by FGDC-STD-007.3-1998, 3.2.1
// and appendix 3-A, or why there is none. With equal root mean squares it is
// 1.7308 RMSE_r; where their ratio is 0.6 or more, 2.4477 x 0.5 (RMSE_E +
// RMSE_N), which is the same for equal ones. Below 0.6 it gives no formula.
func nssda(n int, rmseE, rmseN float64) (float64, string) {
	if n < nssdaMin {
		return 0, fmt.Sprintf("%s; FGDC-STD-007.3-1998 asks for %d or more", words.Plural(n, "photo"), nssdaMin)
	}
	lo, hi := min(rmseE, rmseN), max(rmseE, rmseN)
	switch {
	case lo == hi:
		return 1.7308 * math.Hypot(rmseE, rmseN), ""
	case lo >= 0.6*hi:
		return 2.4477 * 0.5 * (rmseE + rmseN), ""
	}
	return 0, fmt.Sprintf("RMSE_E and RMSE_N have the ratio %.2f; FGDC-STD-007.3-1998 has no formula below 0.6", lo/hi)
}

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

func hotelling(n int, m Vector, cov *[3]float64) (*ShiftTest, string) {
	switch {
	case n < 3:
		return nil, fmt.Sprintf("%s; a test for a common shift needs 3", words.Plural(n, "photo"))
	case cov == nil:
		return nil, shiftTooLarge
	}
	scale := math.Sqrt(max(cov[0], cov[2]))
	if scale == 0 {
		return nil, "all discrepancies are the same, so nothing tells a shift from noise"
	}
	c := [3]float64{cov[0] / scale / scale, cov[1] / scale / scale, cov[2] / scale / scale}
	det := c[0]*c[2] - c[1]*c[1]
	if !(det > 1e-12) {
		return nil, "the discrepancies lie on one line, so nothing tells a shift across it from noise"
	}
	x, y := m.E/scale, m.N/scale
	t2 := float64(n) * (c[2]*x*x - 2*c[1]*x*y + c[0]*y*y) / det
	df := n - 2
	f := t2 * float64(df) / (2 * float64(n-1))
	if math.IsInf(f, 0) || math.IsNaN(f) {
		return nil, shiftTooLarge
	}
	// P(F > f) with 2 and df degrees of freedom has the closed form
	// (1 + 2f/df)^(-df/2).
	p := math.Exp(-float64(df) / 2 * math.Log1p(2*f/float64(df)))
	return &ShiftTest{T2: t2, F: f, DF: df, P: p}, ""
}

func newOverShare(k, n int, expected float64) OverShare {
	o := OverShare{Over: k, N: n, Confidence: intervalConfidence, Expected: expected}
	o.Share = float64(k) / float64(n)
	o.Low, o.High = BinomialInterval(k, n, intervalConfidence)
	o.P = binomialUpper(k, n, expected)
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
	half := (1 - confidence) / 2
	low, high = 0, 1
	if k > 0 {
		low = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(half)
	}
	if k < n {
		high = distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(1 - half)
	}
	return low, high
}

// binomialUpper is the probability of k or more successes in n trials, by the
// incomplete beta function, which keeps its accuracy in the tail.
func binomialUpper(k, n int, p float64) float64 {
	if k <= 0 {
		return 1
	}
	return mathext.RegIncBeta(float64(k), float64(n-k+1), p)
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

// geometricMedian iterates as Weiszfeld does, with the step of Vardi and Zhang
// where the iterate is one of the data. Source: Y. Vardi and C.-H. Zhang, The
// multivariate L1-median and associated data depth, 2000 (from memory). It
// starts from the medians of the axes and stops when a step is below a billionth
// of the median distance, or after 1000 steps, of which each lowers the sum.
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
	scale := median(slices.Clone(dist))
	if scale == 0 {
		scale = slices.Max(dist)
	}
	if scale == 0 {
		return c
	}
	// A datum this close to the iterate counts as being at it.
	here := 1e-12 * scale
	for range 1000 {
		var sumW, sumE, sumN, pullE, pullN float64
		at := 0
		for _, v := range d {
			dE, dN := v.E-c.E, v.N-c.N
			r := math.Hypot(dE, dN)
			if r <= here {
				at++
				continue
			}
			w := 1 / r
			sumW += w
			sumE += w * dE
			sumN += w * dN
			pullE += dE / r
			pullN += dN / r
		}
		if sumW == 0 {
			return c
		}
		stepE, stepN := sumE/sumW, sumN/sumW
		if at > 0 {
			pull := math.Hypot(pullE, pullN)
			if pull <= float64(at) {
				return c // the data here hold it
			}
			k := 1 - float64(at)/pull
			stepE *= k
			stepN *= k
		}
		c.E += stepE
		c.N += stepN
		if math.Hypot(stepE, stepN) <= 1e-9*scale {
			break
		}
	}
	return c
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
