package field

import (
	"embed"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
)

// vec is a place or a difference on the ground in metres, east and north.
type vec struct{ E, N float64 }

func (a vec) plus(b vec) vec          { return vec{a.E + b.E, a.N + b.N} }
func (a vec) times(k float64) vec     { return vec{a.E * k, a.N * k} }
func (a vec) to(b vec) float64        { return math.Hypot(a.E-b.E, a.N-b.N) }
func around(rng *rand.Rand) vec       { s, c := math.Sincos(rng.Float64() * 2 * math.Pi); return vec{s, c} }
func normal(rng *rand.Rand) vec       { return vec{rng.NormFloat64(), rng.NormFloat64()} }
func (a vec) turned(s, c float64) vec { return vec{a.E*c - a.N*s, a.E*s + a.N*c} }

// between draws evenly, and decade evenly in the logarithm.
func between(rng *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
func decade(rng *rand.Rand, lo, hi float64) float64  { return lo * math.Pow(hi/lo, rng.Float64()) }

// radius68 is the radius in standard deviations per axis that holds 68.27 %.
const radius68 = 1.5152

// Noises are the kinds of error that a handheld's fixes may have.
var Noises = []string{"white", "slow", "smooth", "lag", "cached", "canopy", "jumps", "tails", "quantised", "replay"}

// A receiver is the GNSS of one handheld.
type receiver struct {
	kind string
	// sigma is the standard deviation per axis in the open, metres, and tau the
	// time in seconds over which errors stay alike.
	sigma, tau float64
	// lag is the time constant of its filter, interval the time between fixes that
	// it hands to the camera; both in seconds.
	lag, interval float64
	// factor is how much worse fixes are under trees, and honest says that the
	// figure stated follows.
	factor float64
	honest bool
	// stated is how it states its error, and optimism what that is too small by.
	stated   string
	optimism float64
	// step is what latitude and longitude are rounded to, in degrees.
	step float64
	// series is the record that is replayed, offset the spread of its sessions.
	series string
	offset float64
}

func newReceiver(rng *rand.Rand, kind string) receiver {
	r := receiver{kind: kind, sigma: decade(rng, 0.8, 3.5), tau: decade(rng, 20, 7200), factor: 1, honest: true, optimism: 1}
	r.step = []float64{1e-7, 1.0 / 3600000, 1.0 / 360000, 1.0 / 600000, 1e-6}[rng.IntN(5)]
	switch kind {
	case "smooth":
		r.tau = decade(rng, 8, 40)
	case "lag":
		r.lag = decade(rng, 1, 8)
	case "cached":
		r.interval = decade(rng, 2, 20)
	case "canopy":
		r.factor, r.honest = between(rng, 2, 4), rng.Float64() < 0.7
		r.sigma = decade(rng, 0.8, 2)
	case "tails":
		r.sigma = decade(rng, 0.8, 2.5)
	case "quantised":
		r.step = []float64{1.0 / 60000, 1.0 / 36000, 1e-5}[rng.IntN(3)]
	case "replay":
		r.series = seriesNames[rng.IntN(len(seriesNames))]
		r.offset = between(rng, 0.8, 2)
		if r.series == "sirf2" {
			r.offset = 0 // its reference is from outside: the session's offset is in it
		}
		r.sigma = math.Hypot(spread(replayed[r.series]), r.offset)
	}
	if r.stated = stated(rng.Float64()); r.stated == "optimistic" {
		r.optimism = between(rng, 1.2, 2)
	}
	return r
}

// stated is how a receiver states its accuracy, by a draw from 0 to 1.
func stated(x float64) string {
	switch {
	case x < 0.45:
		return "honest"
	case x < 0.65:
		return "constant"
	case x < 0.78:
		return "missing"
	case x < 0.83:
		return "dilution"
	}
	return "optimistic"
}

// session draws what a receiver says each second while its bearer goes along a
// track: where it is, and its standard deviation per axis as it is.
func (r *receiver) session(rng *rand.Rand, track []vec, trees []tree) (fixes []vec, sigma []float64) {
	n := len(track)
	e := r.errors(rng, n)
	at := track
	if r.lag > 0 {
		at = make([]vec, n)
		k := 1 - math.Exp(-1/r.lag)
		for i, p := range track {
			if i == 0 {
				at[0] = p
				continue
			}
			at[i] = at[i-1].plus(p.plus(at[i-1].times(-1)).times(k))
		}
	}
	fixes, sigma = make([]vec, n), make([]float64, n)
	for i := range fixes {
		k := 1.0
		if r.factor > 1 && under(trees, track[i]) {
			k = r.factor
		}
		fixes[i] = at[i].plus(e[i].times(k)).plus(normal(rng).times(0.1))
		sigma[i] = r.sigma * k
		if !r.honest {
			sigma[i] = r.sigma
		}
	}
	if r.interval > 1 {
		for i := range fixes {
			j := i - i%int(r.interval)
			fixes[i], sigma[i] = fixes[j], sigma[j]
		}
	}
	return fixes, sigma
}

// errors draws n seconds of error in the open.
func (r *receiver) errors(rng *rand.Rand, n int) []vec {
	switch r.kind {
	case "white":
		e := make([]vec, n)
		for i := range e {
			e[i] = normal(rng).times(r.sigma)
		}
		return e
	case "smooth":
		return smooth(rng, n, r.sigma, r.tau)
	case "jumps":
		e := markov(rng, n, r.sigma, r.tau)
		for i := 0; i < n; {
			i += int(rng.ExpFloat64() * 600)
			jump := around(rng).times(r.sigma * between(rng, 2, 6))
			for end := min(n, i+int(rng.ExpFloat64()*60)); i < end; i++ {
				e[i] = e[i].plus(jump)
			}
		}
		return e
	case "tails":
		e := markov(rng, n, r.sigma, min(r.tau, 600))
		df, block := 3+rng.IntN(3), int(decade(rng, 1, 60))
		var k float64
		for i := range e {
			if i%block == 0 {
				chi := 0.0
				for range df {
					chi += math.Pow(rng.NormFloat64(), 2)
				}
				k = math.Sqrt(float64(df) / chi)
			}
			e[i] = e[i].times(k)
		}
		return e
	case "replay":
		return replay(rng, n, r.series, r.offset)
	}
	return markov(rng, n, r.sigma, r.tau)
}

// markov is a first-order Gauss-Markov process per axis, one value a second.
func markov(rng *rand.Rand, n int, sigma, tau float64) []vec {
	e := make([]vec, n)
	rho := math.Exp(-1 / tau)
	q := sigma * math.Sqrt(1-rho*rho)
	x := normal(rng).times(sigma)
	for i := range e {
		e[i] = x
		x = x.times(rho).plus(normal(rng).times(q))
	}
	return e
}

// smooth is the second-order process whose two time constants are tau: it has a
// rate that changes slowly, as a filter's output has.
func smooth(rng *rand.Rand, n int, sigma, tau float64) []vec {
	rho := math.Exp(-1 / tau)
	// The variance of x[t] = 2 rho x[t-1] - rho² x[t-2] + e: an autoregression with
	// a double root.
	q := sigma * math.Sqrt(math.Pow(1-rho*rho, 3)/(1+rho*rho))
	e := make([]vec, n)
	var x, y vec
	for i := -int(12 * tau); i < n; i++ {
		x = x.times(rho).plus(normal(rng).times(q))
		y = y.times(rho).plus(x)
		if i >= 0 {
			e[i] = y
		}
	}
	return e
}

// tree is a patch of the site where the sky is hidden.
type tree struct {
	at vec
	r  float64
}

func under(trees []tree, p vec) bool {
	for _, t := range trees {
		if t.at.to(p) < t.r {
			return true
		}
	}
	return false
}

//go:embed testdata/*.csv
var recorded embed.FS

// epoch is one line of a recorded series.
type epoch struct {
	t float64
	e vec
}

var (
	seriesNames = []string{"crescent", "sirf2", "station0759", "superstar2", "telit_he910", "ublox4", "ublox_f9p"}
	replayed    = func() map[string][]epoch {
		all := map[string][]epoch{}
		for _, name := range seriesNames {
			text, err := recorded.ReadFile("testdata/" + name + ".csv")
			if err != nil {
				panic(err)
			}
			for i, line := range strings.Fields(string(text))[1:] {
				var f [3]float64
				for k, s := range strings.Split(line, ",") {
					if f[k], err = strconv.ParseFloat(s, 64); err != nil {
						panic(fmt.Sprintf("testdata/%s.csv:%d: %v", name, i+2, err))
					}
				}
				all[name] = append(all[name], epoch{f[0], vec{f[1], f[2]}})
			}
		}
		return all
	}()
)

// spread is the root mean square of a series per axis.
func spread(s []epoch) float64 {
	sum := 0.0
	for _, x := range s {
		sum += x.e.E*x.e.E + x.e.N*x.e.N
	}
	return math.Sqrt(sum / float64(2*len(s)))
}

// replay walks through a recorded series at its own pace, from a place and in a
// direction drawn, turning back at its ends; axes are turned at random and a
// session's offset is added.
func replay(rng *rand.Rand, n int, name string, offset float64) []vec {
	s := replayed[name]
	sin, cos := math.Sincos(rng.Float64() * 2 * math.Pi)
	off := normal(rng).times(offset)
	length := s[len(s)-1].t
	e := make([]vec, n)
	start := rng.Float64() * 2 * length
	k := 0
	for i := range e {
		t := math.Mod(start+float64(i), 2*length)
		if t > length {
			t = 2*length - t
		}
		for k > 0 && s[k].t > t {
			k--
		}
		for k+2 < len(s) && s[k+1].t < t {
			k++
		}
		a, b := s[k], s[k+1]
		w := min(max((t-a.t)/(b.t-a.t), 0), 1)
		e[i] = a.e.times(1-w).plus(b.e.times(w)).turned(sin, cos).plus(off)
	}
	return e
}
