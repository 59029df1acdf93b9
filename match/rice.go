package match

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
)

// The distance of a handheld's tag from the point it shows is Rice distributed
// where the camera stands a known distance r off the point in an unknown
// direction and the tag's error is normal with the same standard deviation s
// in both axes. All lengths of one call are in one unit, whichever it is.

// MarcumQ1 returns Marcum's Q function of order 1,
//
//	Q1(a, b) = ∫ from b to ∞ of x exp(-(x²+a²)/2) I0(ax) dx,
//
// the probability that a standard normal plane vector with its mean at distance
// a from the origin lies further than b from it. a and b are pure numbers, 0 or
// more; anything else gives NaN. The relative error stays below 1e-12, in the
// far tail too, until the value itself underflows to 0.
//
// Source of the definition: J. I. Marcum, A statistical theory of target
// detection by pulsed radar, 1960 (from memory). Where both arguments are small,
// as for photos of a job, it is summed as a mixture of Poisson probabilities; else
// it is integrated by Gauss-Legendre panels over the part of the density that
// counts.
func MarcumQ1(a, b float64) float64 {
	if !(a >= 0) || !(b >= 0) {
		return math.NaN()
	}
	switch {
	case math.IsInf(b, 1):
		if math.IsInf(a, 1) {
			return math.NaN()
		}
		return 0
	case math.IsInf(a, 1):
		return 1
	case a == 0:
		return math.Exp(-b * b / 2)
	case belowBody(a, b):
		return 1 - lowerTail(a, b)
	}
	return upperTail(a, b)
}

// marcumP1 is 1 - Q1(a, b), with its own relative accuracy in the lower tail.
func marcumP1(a, b float64) float64 {
	switch {
	case a == 0:
		return -math.Expm1(-b * b / 2)
	case belowBody(a, b):
		return lowerTail(a, b)
	}
	return 1 - upperTail(a, b)
}

// belowBody says that b lies below the body of the distribution, so that the
// lower tail is the one to integrate.
func belowBody(a, b float64) bool { return b < math.Hypot(a, 1) }

// upperTail is Q1(a, b) for b at or above the body, and lowerTail is 1 - Q1(a, b)
// for b below it; a > 0.
func upperTail(a, b float64) float64 {
	if a <= mixtureUpTo && b <= mixtureUpTo {
		return poissonMixture(a*a/2, b*b/2, 0)
	}
	return riceUpper(a, b)
}

func lowerTail(a, b float64) float64 {
	if a <= mixtureUpTo && b <= mixtureUpTo {
		return poissonMixture(b*b/2, a*a/2, 1)
	}
	return riceLower(a, b)
}

// mixtureUpTo keeps the exponents of the mixture so small that their rounding
// costs no more than 1e-13, and its terms in number below len(inverses).
const mixtureUpTo = 24

// poissonMixture returns the probability that a Poisson variable of mean x is at
// least skip (0 or 1) larger than one of mean y,
//
//	sum over k of exp(-x) x^k/k! times exp(-y) (1 + y + ... + y^(k-skip)/(k-skip)!),
//
// whose terms are all positive, so that it is as good in the tails. With x = a²/2,
// y = b²/2 and skip 0 it is Q1(a, b); with them exchanged and skip 1 it is
// 1 - Q1(a, b). Source: the square of the distance has a noncentral chi-squared
// distribution of two degrees of freedom, Abramowitz and Stegun 26.4.25, with the
// central ones as sums of Poisson terms, 26.4.21.
func poissonMixture(x, y float64, skip int) float64 {
	p := math.Exp(-x)        // exp(-x) x^k/k!
	term, within := 1.0, 1.0 // y^j/j! and its sum
	var sum float64
	if skip == 0 {
		sum = p
	}
	// From here on a term is at most half the one before, and what is left out at
	// the end no more than the last one.
	falls := x + math.Sqrt(x*x+2*x*y)
	for k := 1; k < len(inverses); k++ {
		p *= x * inverses[k]
		if j := k - skip; j > 0 {
			term *= y * inverses[j]
			within += term
		}
		add := p * within
		sum += add
		if float64(k) >= falls && add <= 1e-17*sum {
			break
		}
	}
	return min(sum*math.Exp(-y), 1)
}

// inverses holds 1/k. For arguments of mixtureUpTo a mixture takes fewer than 900.
var inverses = func() (t [1024]float64) {
	for k := 1; k < len(t); k++ {
		t[k] = 1 / float64(k)
	}
	return t
}()

// riceDensity is the density at x for unit deviation. t is x - a, which callers
// know better than the subtraction gives it.
func riceDensity(a, x, t float64) float64 {
	z := a * x
	if z > hankelFrom {
		return x * hankelI0(z) * math.Exp(-t*t/2)
	}
	return x * seriesI0(z) * math.Exp(-z-t*t/2)
}

// tail is the fall of the exponent at which a tail is cut: exp(-38) = 3e-17.
const tail = 38

// riceUpper integrates the density from b up, for b at or above the body.
func riceUpper(a, b float64) float64 {
	d := b - a
	if d > 40 {
		return 0 // below exp(-800): underflows
	}
	// With t = x - a >= d > 0 the density falls like exp(-t²/2). Where a is small
	// the factor x I0e(ax) still grows; the last term allows for that.
	length := math.Sqrt(d*d+2*tail) - d + 1/(1+d)
	return integrate(a, b, d, length)
}

// riceLower integrates the density from 0 to b, for b below the body.
func riceLower(a, b float64) float64 {
	d := b - a
	if d < -40 {
		return 0
	}
	low := min(d, 0)
	from := -math.Sqrt(low*low + 2*tail)
	if from <= -a {
		return integrate(a, 0, -a, b)
	}
	return integrate(a, a+from, from, d-from)
}

// panelNodes is the number of nodes of a panel. A panel spans at most
// panelWidth standard deviations and a fifth of the cut of a tail.
const (
	panelNodes = 20
	panelWidth = 2.5
)

var legendre = sync.OnceValues(func() (x, w []float64) {
	x, w = make([]float64, panelNodes), make([]float64, panelNodes)
	quad.Legendre{}.FixedLocations(x, w, 0, 1)
	return x, w
})

// integrate integrates the density over a length from x, where t = x - a.
func integrate(a, x, t, length float64) float64 {
	nodes, weights := legendre()
	n := max(4, int(math.Ceil(length/panelWidth)))
	h := length / float64(n)
	var sum float64
	for i := range n {
		left := float64(i) * h
		for k, u := range nodes {
			sum += weights[k] * riceDensity(a, x+left+u*h, t+left+u*h)
		}
	}
	return min(sum*h, 1)
}

// The modified Bessel function I0 is the ascending series, whose terms are all
// positive, up to hankelFrom, and Hankel's asymptotic expansion above, whose
// smallest term is below exp(-60) there. Source: Abramowitz and Stegun, Handbook
// of Mathematical Functions, 9.6.12 and 9.7.1.
const hankelFrom = 30

// hankelI0 returns exp(-z) I0(z) for large z.
func hankelI0(z float64) float64 {
	term, sum := 1.0, 1.0
	q := 1 / (8 * z)
	for k := 1.0; k < 60; k++ {
		next := term * (2*k - 1) * (2*k - 1) / k * q
		if next >= term || next < 1e-17*sum {
			break
		}
		term = next
		sum += term
	}
	return sum / math.Sqrt(2*math.Pi*z)
}

// seriesI0 returns I0(z) for small z.
func seriesI0(z float64) float64 {
	term, sum := 1.0, 1.0
	q := z * z / 4
	for k := 1; k < len(invSquares); k++ {
		term *= q * invSquares[k]
		sum += term
		if term < 1e-17*sum {
			break
		}
	}
	return sum
}

// invSquares holds 1/k². The series needs fewer than 80 terms for z <= 30.
var invSquares = func() (t [128]float64) {
	for k := 1; k < len(t); k++ {
		t[k] = 1 / float64(k*k)
	}
	return t
}()

// RiceSurvival returns the probability that the distance is larger than x, with
// standoff r and standard deviation s per axis: Q1(r/s, x/s). With s = 0 the
// distance is r for certain. A negative or undefined argument gives NaN.
func RiceSurvival(x, r, s float64) float64 { return rice(x, r, s, MarcumQ1, 1) }

// RiceCDF returns the probability that the distance is at most x, with standoff
// r and standard deviation s per axis: 1 - Q1(r/s, x/s), accurate in the lower
// tail as RiceSurvival is in the upper one. See there for the special cases.
func RiceCDF(x, r, s float64) float64 { return rice(x, r, s, marcumP1, 0) }

// rice is f(r/s, x/s); where the distance is r for certain, below if x is less than
// that and else 1 - below.
func rice(x, r, s float64, f func(a, b float64) float64, below float64) float64 {
	if !riceArgs(x, r, s) {
		return math.NaN()
	}
	a, b := r/s, x/s
	switch {
	case s != 0 && !math.IsInf(a, 1) && !math.IsInf(b, 1):
		return f(a, b)
	case x < r:
		return below
	}
	return 1 - below
}

func riceArgs(x, r, s float64) bool {
	return x >= 0 && r >= 0 && s >= 0 && !math.IsInf(r, 1) && !math.IsInf(s, 1)
}

// RiceQuantile returns the distance that is not exceeded with probability p, for
// standoff r and standard deviation s per axis. With r = 0 it is the closed form
// s sqrt(-2 ln(1-p)) of circular-error tables. It gives 0 for p = 0 and +Inf for
// p = 1 (r where s is 0), and NaN for arguments outside their range.
func RiceQuantile(p, r, s float64) float64 {
	if !riceArgs(0, r, s) || !(p >= 0 && p <= 1) {
		return math.NaN()
	}
	a := r / s
	switch {
	case s == 0 || math.IsInf(a, 1):
		return r
	case p == 0:
		return 0
	case p == 1:
		return math.Inf(1)
	case a == 0:
		return s * rayleighFactor(p)
	}
	return s * marcumQuantile(p, a)
}

// rayleighFactor is the radius of probability p in units of the standard
// deviation per axis, sqrt(-2 ln(1-p)).
func rayleighFactor(p float64) float64 { return math.Sqrt(-2 * math.Log1p(-p)) }

// marcumQuantile solves 1 - Q1(a, x) = p for x, 0 < p < 1, a > 0.
func marcumQuantile(p, a float64) float64 {
	// The distance is no less than the Rayleigh distance in distribution, and no
	// more than a plus it: triangle inequality and monotony of Q1 in a.
	lo, hi := rayleighFactor(p), a+rayleighFactor(p)
	return solveTail(p, lo, hi,
		func(x float64) float64 { return MarcumQ1(a, x) },
		func(x float64) float64 { return marcumP1(a, x) },
		func(x float64) float64 { return riceDensity(a, x, x-a) })
}

// solveTail finds x in [lo, hi] at which the distribution with the given
// survival function, distribution function and density reaches p. It takes
// Newton steps on the logarithm of the smaller tail and falls back on halving
// the bracket.
func solveTail(p, lo, hi float64, survival, cdf, density func(float64) float64) float64 {
	upper := p >= 0.5
	var goal float64
	if upper {
		goal = math.Log1p(-p)
	} else {
		goal = math.Log(p)
	}
	x := lo + (hi-lo)/2
	for range 200 {
		var prob, g, slope float64
		if upper {
			prob = survival(x)
			g = goal - math.Log(prob) // grows with x
		} else {
			prob = cdf(x)
			g = math.Log(prob) - goal // grows with x
		}
		if g == 0 {
			return x
		}
		if g > 0 {
			hi = x
		} else {
			lo = x
		}
		slope = density(x) / prob
		next := x - g/slope
		newton := next > lo && next < hi
		if !newton {
			next = lo + (hi-lo)/2
		}
		// Newton's steps square their error, measured in deviations: after one this
		// small there is nothing left. The halving steps get here only in the end.
		if math.Abs(next-x) <= 1e-8*min(x, 1) && newton || next == lo || next == hi {
			return next
		}
		x = next
	}
	return x
}
