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

// density returns the density per square metre of a tag off its expected place by v,
// where noise is s times that of the budget; 0 far out.
func (n *law) density(v match.Vector, s float64) float64 {
	v.E -= n.expected.E
	v.N -= n.expected.N
	if n.cov != nil {
		// The standoff as a variance, which is near enough where axes differ.
		a, b, c := n.cov[0]*s*s+n.standoff*n.standoff/2, n.cov[1]*s*s, n.cov[2]*s*s+n.standoff*n.standoff/2
		det := a*c - b*b
		return math.Exp(-(c*v.E*v.E-2*b*v.E*v.N+a*v.N*v.N)/(2*det)) / (2 * math.Pi * math.Sqrt(det))
	}
	sigma := n.sigma * s
	d, r := math.Sqrt(v.E*v.E+v.N*v.N)/sigma, n.standoff/sigma
	ring := expI0(-(d*d+r*r)/2, d*r) / (2 * math.Pi * sigma * sigma)
	if n.stance == nil || r == 0 {
		return ring
	}
	// Half the photos are taken from the usual side, give or take.
	v.E -= n.stance.E
	v.N -= n.stance.N
	w := sigma*sigma + n.standoff*n.standoff*stanceSpread
	return (ring + math.Exp(-(v.E*v.E+v.N*v.N)/(2*w))/(2*math.Pi*w)) / 2
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
		return (math.Erf((d+h)/(sd*math.Sqrt2)) - math.Erf((d-h)/(sd*math.Sqrt2))) / (4 * h)
	}
	return axis(v.E, half.E) * axis(v.N, half.N)
}

// lost is the logarithm of the density of a tag a distance out for no known
// reason.
func (n *law) lost(d float64) float64 {
	return math.Log(stray) - math.Log(2*math.Pi*(d*d+n.sigma*n.sigma)*math.Log(halfTurn/n.sigma))
}

// chances are the densities of a tag's place for no known reason and for each swell.
type chances struct {
	lost float64
	of   mix
}

// chances works out the densities of a tag off by v.
func (n *law) chances(v match.Vector, blur *match.Vector) chances {
	far := math.Hypot(v.E-n.expected.E, v.N-n.expected.N)
	c := chances{lost: math.Exp(n.lost(far))}
	if blur == nil && n.cov == nil && far-n.standoff > 15*swells[len(swells)-1]*n.sigma {
		return c // too far for any noise
	}
	for k, s := range swells {
		if blur == nil {
			c.of[k] = (1 - stray) * n.density(v, s)
		} else {
			c.of[k] = (1 - stray) * n.blurred(v, s, *blur)
		}
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
	return math.Log(sum), share
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
