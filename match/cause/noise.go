package cause

import (
	"math"

	"example.com/phototie/match"
)

// The noise model. A tag's place about where it is expected has the density
//
//	(1 - stray) * sum of w_k N(s_k sigma) + stray * 1 / (2 pi (d² + sigma²) L)
//
// per square metre. N is the circular normal density of the budget, with the
// standoff in an unknown direction for half the photos, and for the other half in
// the one that the crew keeps to on that outing, which is learned too. The s_k let
// photos be noisier than they state, for a while or all of them; their shares w_k
// are learned camera by camera from the photos that are near their points. The last
// term is for photos that are out for no known reason: the logarithm of the distance
// is uniform between sigma and half the girth of the earth, which makes L the
// logarithm of that range.
const (
	stray    = 0.005
	halfTurn = 2e7 // metres
)

// swells are the factors s_k, and swellPrior the photos that each starts with.
var (
	swells     = [...]float64{1, 1.5, 2.2, 3.3}
	swellPrior = [...]float64{20, 1, 0.2, 0.05}
)

// mix are the shares w_k.
type mix [len(swells)]float64

// shares makes counts into shares.
func (m mix) shares() *mix {
	sum := 0.0
	for _, v := range m {
		sum += v
	}
	for k := range m {
		m[k] /= sum
	}
	return &m
}

// law is by what a tag is off its expected place by chance, in metres.
type law struct {
	mix             *mix
	sigma, standoff float64
	expected        match.Vector
	cov             *[3]float64
	// stance is where the crew stood as a rule on that outing, relative to the
	// point; nil where that is not known.
	stance *match.Vector
}

// square is the square of the Mahalanobis distance without the standoff, and the
// logarithm of the square root of the determinant, with all deviations times s.
func (n *law) square(v match.Vector, s, r float64) (q, logDet float64) {
	if n.cov == nil {
		q = (v.E*v.E + v.N*v.N) / (n.sigma * n.sigma * s * s)
		return q, 2 * math.Log(n.sigma*s)
	}
	// The standoff as a variance, which is near enough where axes differ.
	a, b, c := n.cov[0]*s*s+r*r/2, n.cov[1]*s*s, n.cov[2]*s*s+r*r/2
	det := a*c - b*b
	return (c*v.E*v.E - 2*b*v.E*v.N + a*v.N*v.N) / det, math.Log(det) / 2
}

// density returns the logarithm of the density per square metre of a tag off its
// expected place by v, where noise is s times that of the budget.
func (n *law) density(v match.Vector, s float64) float64 {
	v.E -= n.expected.E
	v.N -= n.expected.N
	q, logDet := n.square(v, s, n.standoff)
	if n.cov != nil || n.standoff == 0 {
		return -log2Pi - logDet - q/2
	}
	r := n.standoff / (n.sigma * s)
	ring := -log2Pi - logDet - (q+r*r)/2 + logI0(math.Sqrt(q)*r)
	if n.stance == nil {
		return ring
	}
	// Half the photos are taken from the usual side, give or take.
	v.E -= n.stance.E
	v.N -= n.stance.N
	w := n.sigma*n.sigma*s*s + n.standoff*n.standoff*stanceSpread
	side := -math.Log(2*math.Pi*w) - (v.E*v.E+v.N*v.N)/(2*w)
	return logAdd(ring, side) - math.Ln2
}

// swell is the root mean square of the swells of the camera, and spread the standard
// deviation per axis with it.
func (n *law) swell() float64 {
	v := 0.0
	for k, s := range swells {
		v += n.mix[k] * s * s
	}
	return math.Sqrt(v)
}

func (n *law) spread() float64 {
	s := n.swell()
	return math.Sqrt(s*s*n.sigma*n.sigma + n.standoff*n.standoff/2)
}

// stanceSpread is the variance per axis of where a crew stands on its usual side,
// as a share of the square of the standoff: that of some 30 degrees either way.
const stanceSpread = 0.15

// blurred is density where the place is off by a uniform error besides, of the
// given half widths.
func (n *law) blurred(v match.Vector, s float64, half match.Vector) float64 {
	v.E -= n.expected.E
	v.N -= n.expected.N
	sd := math.Sqrt(n.sigma*n.sigma*s*s + n.standoff*n.standoff/2)
	axis := func(d, h float64) float64 {
		p := (math.Erf((d+h)/(sd*math.Sqrt2)) - math.Erf((d-h)/(sd*math.Sqrt2))) / 2
		return math.Log(max(p, 1e-300)) - math.Log(2*h)
	}
	return axis(v.E, half.E) + axis(v.N, half.N)
}

// lost is the logarithm of the density of a tag a distance out for no known
// reason.
func (n *law) lost(d float64) float64 {
	return math.Log(stray) - math.Log(2*math.Pi*(d*d+n.sigma*n.sigma)*math.Log(halfTurn/n.sigma))
}

// chances are the densities of a tag's place for each swell and for no known reason,
// as shares of the exponential of top.
type chances struct {
	top, lost float64
	of        mix
}

// chances works out the densities of a tag off by v.
func (n *law) chances(v match.Vector, blur *match.Vector) chances {
	far := math.Hypot(v.E-n.expected.E, v.N-n.expected.N)
	lost := n.lost(far)
	if blur == nil && n.cov == nil && far-n.standoff > 15*swells[len(swells)-1]*n.sigma {
		return chances{top: lost, lost: 1} // too far for any noise
	}
	c := chances{top: lost}
	var l mix
	for k, s := range swells {
		if blur == nil {
			l[k] = n.density(v, s)
		} else {
			l[k] = n.blurred(v, s, *blur)
		}
		c.top = max(c.top, l[k])
	}
	c.lost = math.Exp(lost - c.top)
	for k := range l {
		c.of[k] = (1 - stray) * math.Exp(l[k]-c.top)
	}
	return c
}

// mixed returns the logarithm of the density with the shares of the swells, and how
// likely each swell is.
func (c *chances) mixed(m *mix) (float64, mix) {
	var share mix
	sum := c.lost
	for k := range share {
		share[k] = m[k] * c.of[k]
		sum += share[k]
	}
	for k := range share {
		share[k] /= sum
	}
	return c.top + math.Log(sum), share
}

// logP returns the logarithm of the density of a tag off by v.
func (n *law) logP(v match.Vector, blur *match.Vector) float64 {
	c := n.chances(v, blur)
	l, _ := c.mixed(n.mix)
	return l
}

func logAdd(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if math.IsInf(a, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
}

// log2Pi is the logarithm of 2 pi.
const log2Pi = 1.8378770664093454836

// expI0 returns exp(a) times the modified Bessel function of the first kind of order 0
// of x, which is at least 0, to 2e-7. Source: Abramowitz and Stegun, 9.8.1 and 9.8.2.
func expI0(a, x float64) float64 {
	if x < 3.75 {
		t := x / 3.75
		t *= t
		return math.Exp(a) * (1 + t*(3.5156229+t*(3.0899424+t*(1.2067492+t*(0.2659732+t*(0.0360768+t*0.0045813))))))
	}
	t := 3.75 / x
	return math.Exp(a+x) / math.Sqrt(x) * (0.39894228 + t*(0.01328592+t*(0.00225319+t*(-0.00157565+
		t*(0.00916281+t*(-0.02057706+t*(0.02635537+t*(-0.01647633+t*0.00392377))))))))
}

// logI0 returns the logarithm of the function.
func logI0(x float64) float64 {
	if x < 3.75 {
		return math.Log(expI0(0, x))
	}
	return x + math.Log(expI0(-x, x))
}
