package sim

import (
	"math"
	"math/rand/v2"
	"time"

	"example.com/phototie/match"
)

// markov is a Gauss-Markov process of unit variance: values a time t apart
// correlate by exp(-t/tau).
type markov struct {
	tau    time.Duration
	value  float64
	last   time.Time
	primed bool
}

func (m *markov) at(t time.Time, rng *rand.Rand) float64 {
	n := rng.NormFloat64()
	if !m.primed {
		m.value, m.primed = n, true
	} else {
		rho := math.Exp(-math.Abs(t.Sub(m.last).Seconds()) / m.tau.Seconds())
		m.value = rho*m.value + math.Sqrt(1-rho*rho)*n
	}
	m.last = t
	return m.value
}

// telegraph is a state that is on for a share of the time, in spells of the mean
// duration: a two-state Markov process. The probability of being on a time t
// after a known state relaxes to the share by exp(-t/tau), with tau the spell
// times (1 - share).
type telegraph struct {
	share  float64
	spell  time.Duration
	on     bool
	last   time.Time
	primed bool
}

func (g *telegraph) at(t time.Time, rng *rand.Rand) bool {
	p := g.share
	if g.primed {
		now := 0.0
		if g.on {
			now = 1
		}
		tau := g.spell.Seconds() * (1 - g.share)
		p += (now - p) * math.Exp(-math.Abs(t.Sub(g.last).Seconds())/tau)
	}
	g.on, g.last, g.primed = rng.Float64() < p, t, true
	return g.on
}

// receiver is one handheld's GNSS.
type receiver struct {
	n                                Noise
	e, nn, slowE, slowN, swing, tall markov
	burst                            telegraph
}

func newReceiver(n Noise) *receiver {
	return &receiver{
		n: n,
		e: markov{tau: n.Time}, nn: markov{tau: n.Time}, tall: markov{tau: n.Time},
		slowE: markov{tau: n.DriftTime}, slowN: markov{tau: n.DriftTime},
		swing: markov{tau: n.SwingTime},
		burst: telegraph{share: n.MultipathShare, spell: n.MultipathTime},
	}
}

// reading is what a receiver makes of a moment.
type reading struct {
	// sigma is the true standard deviation per axis, stated the 68.27 % radius
	// that it gives, 0 for none.
	sigma, stated float64
	err           match.Vector
	height        float64
}

// factor68 is the 68.27 % radius over the standard deviation per axis.
var factor68 = 1 / match.RadiusSigma(1, 0.6827)

func (r *receiver) read(t time.Time, rng *rand.Rand) reading {
	quiet := match.RadiusSigma(r.n.Radius95, 0.95)
	sigma := quiet * math.Exp(r.n.Swing*r.swing.at(t, rng))
	if r.burst.at(t, rng) {
		sigma *= r.n.MultipathFactor
	}
	var out reading
	switch r.n.Stated {
	case StatedTrue:
		// Rounded as devices do, and then true to what is stated.
		out.stated = max(0.1, math.Round(10*sigma*factor68)/10)
		sigma = out.stated / factor68
	case StatedFlat:
		out.stated = max(0.1, math.Round(10*quiet*factor68)/10)
	}
	fast, slow := math.Sqrt(1-r.n.DriftShare), math.Sqrt(r.n.DriftShare)
	out.sigma = sigma
	out.err.E = sigma * (fast*r.e.at(t, rng) + slow*r.slowE.at(t, rng))
	out.err.N = sigma * (fast*r.nn.at(t, rng) + slow*r.slowN.at(t, rng))
	// 1.6: the ratio of 13 m vertical and 8 m horizontal at 95 % in the GPS SPS
	// Performance Standard, 5th edition (2020), taken over to the deviations.
	out.height = 1.6 * sigma * r.tall.at(t, rng)
	return out
}
