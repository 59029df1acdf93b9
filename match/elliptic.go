package match

import "math"

// ellipticNoise is plane noise with a covariance, on top of a standoff in a
// random direction. Lengths are in the unit whose square the covariance is in.
type ellipticNoise struct {
	major, minor float64    // standard deviations along the principal axes
	inv          [3]float64 // inverse of the covariance: EE, EN, NN
	standoff     float64
}

// newEllipticNoise takes a covariance EE, EN, NN that is positive definite.
func newEllipticNoise(c [3]float64, standoff float64) ellipticNoise {
	// The principal variances: mean ± hypot(half the difference, EN).
	mean, dev := (c[0]+c[2])/2, math.Hypot((c[0]-c[2])/2, c[1])
	major := mean + dev
	// A covariance that is all but singular may lose its determinant to rounding.
	det := max(c[0]*c[2]-c[1]*c[1], 1e-15*c[0]*c[2])
	minor := det / major // without the cancellation of mean - dev
	return ellipticNoise{
		major:    math.Sqrt(major),
		minor:    math.Sqrt(minor),
		inv:      [3]float64{c[2] / det, -c[1] / det, c[0] / det},
		standoff: standoff,
	}
}

// mahalanobis returns sqrt(v'C⁻¹v).
func (e ellipticNoise) mahalanobis(x, y float64) float64 {
	q := e.inv[0]*x*x + 2*e.inv[1]*x*y + e.inv[2]*y*y
	return math.Sqrt(max(q, 0))
}

// survival is the probability of a Mahalanobis distance above m.
func (e ellipticNoise) survival(m float64) float64 {
	if e.standoff == 0 {
		return math.Exp(-m * m / 2)
	}
	return e.meanOverDirections(func(a float64) float64 { return MarcumQ1(a, m) })
}

func (e ellipticNoise) cdf(m float64) float64 {
	if e.standoff == 0 {
		return -math.Expm1(-m * m / 2)
	}
	return e.meanOverDirections(func(a float64) float64 { return marcumP1(a, m) })
}

// quantile is the Mahalanobis distance not exceeded with probability p.
func (e ellipticNoise) quantile(p float64) float64 {
	if e.standoff == 0 {
		return rayleighFactor(p)
	}
	// The mean over directions lies between its values in the best and the worst.
	lo := RiceQuantile(p, e.standoff/e.major, 1)
	hi := RiceQuantile(p, e.standoff/e.minor, 1)
	if hi-lo <= 1e-14*hi {
		return lo
	}
	return solveTail(p, lo, hi, e.survival, e.cdf, func(m float64) float64 {
		return e.meanOverDirections(func(a float64) float64 { return riceDensity(a, m, m-a) })
	})
}

// meanOverDirections averages f(a) over all directions of the standoff, where a
// is the standoff's Mahalanobis length in the direction. In the principal axes
// a(t) = r hypot(cos t / major, sin t / minor), of which a quarter turn says all.
// The trapezoidal rule converges geometrically, since the integrand is smooth and
// periodic: doubling the nodes squares the error. So when two means agree to
// 1e-8, the later is good to rounding.
func (e ellipticNoise) meanOverDirections(f func(a float64) float64) float64 {
	at := func(t float64) float64 {
		sin, cos := math.Sincos(t)
		return f(e.standoff * math.Hypot(cos/e.major, sin/e.minor))
	}
	const quarter = math.Pi / 2
	// Eight steps a quarter see any peak that noise of a job can have; a thin
	// ellipse needs more, and shows it.
	n := 4
	sum := (at(0) + at(quarter)) / 2
	for i := 1; i < n; i++ {
		sum += at(float64(i) / float64(n) * quarter)
	}
	mean := sum / float64(n)
	for n < 1<<14 {
		for i := range n {
			sum += at((float64(i) + 0.5) / float64(n) * quarter)
		}
		n *= 2
		next := sum / float64(n)
		done := math.Abs(next-mean) <= 1e-8*math.Abs(next)
		mean = next
		if done {
			break
		}
	}
	return mean
}
