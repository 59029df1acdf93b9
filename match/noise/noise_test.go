package noise

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// drawn is a series of errors as the package's doc has them.
type drawn struct {
	n                  int
	gap, stated, sigma float64
	white, tau, offset float64
}

func (c drawn) series(rng *rand.Rand) []Residual {
	out := make([]Residual, c.n)
	var s [2]float64
	b := [2]float64{c.offset * rng.NormFloat64(), c.offset * rng.NormFloat64()}
	phi := 0.0
	for i := range out {
		for a := range s {
			s[a] = phi*s[a] + math.Sqrt(1-phi*phi)*rng.NormFloat64()
		}
		phi = math.Exp(-c.gap / c.tau)
		e := func(a int) float64 {
			return b[a] + c.sigma*(math.Sqrt(1-c.white)*s[a]+math.Sqrt(c.white)*rng.NormFloat64())
		}
		out[i] = Residual{Time: c.gap * float64(i), E: e(0), N: e(1), Sigma: c.stated}
	}
	return out
}

// inFull passes over what is slow and says nothing of goroutines, where the tests run
// under the race detector with -short.
func inFull(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("runs in full without -short")
	}
}

// TestLearnsWhatWasDrawn: the scale is inside its interval as often as that says,
// white noise is told from slow noise, and a slow error counts for few photos.
func TestLearnsWhatWasDrawn(t *testing.T) {
	inFull(t)
	for _, c := range []struct {
		drawn
		rho [2]float64 // range of the mean correlation from one photo to the next
		ind [2]float64 // range of the mean effective number
	}{
		{drawn{100, 20, 2, 2, 1, 1, 0}, [2]float64{0, 0.06}, [2]float64{75, 100}},
		{drawn{100, 20, 2, 4, 0, 150, 1}, [2]float64{0.8, 0.92}, [2]float64{5, 16}},
		{drawn{100, 40, 3, 2, 0.3, 150, 1}, [2]float64{0.4, 0.62}, [2]float64{12, 45}},
		{drawn{100, 40, 3, 3, 0, 2000, 1}, [2]float64{0.9, 1}, [2]float64{1, 10}},
	} {
		rng := rand.New(rand.NewPCG(1, uint64(c.tau)))
		const trials = 60
		inside := 0
		var rho, ind float64
		for range trials {
			m := Learn(c.series(rng))
			if true := c.sigma / c.stated; m.Low <= true && true <= m.High {
				inside++
			}
			rho += m.Correlation(c.gap) / trials
			ind += m.Independent / trials
		}
		t.Logf("%+v: scale inside in %d of %d, correlation %.2f, independent %.0f", c.drawn, inside, trials, rho, ind)
		if inside < trials*85/100 {
			t.Errorf("%+v: the scale is inside its interval in %d of %d", c.drawn, inside, trials)
		}
		if rho < c.rho[0] || rho > c.rho[1] {
			t.Errorf("%+v: correlation %.2f", c.drawn, rho)
		}
		if ind < c.ind[0] || ind > c.ind[1] {
			t.Errorf("%+v: independent %.0f", c.drawn, ind)
		}
	}
}

// TestMean: what a series has in common is within twice the standard error as
// often as that means, whether errors are white or slow.
func TestMean(t *testing.T) {
	inFull(t)
	for _, white := range []float64{0, 0.5, 1} {
		rng := rand.New(rand.NewPCG(2, uint64(8*white)))
		in, trials := 0, 100
		for range trials {
			r := drawn{80, 30, 3, 3, white, 150, 0}.series(rng)
			for i := range r {
				r[i].E += 7
			}
			e, _, se, _ := Learn(r).Mean(r)
			if math.Abs(e-7) < 2*se {
				in++
			}
		}
		if in < 85 {
			t.Errorf("white %v: the mean is within two standard errors in %d of %d", white, in, trials)
		}
	}
}

// TestBlundersTellNothing: a tenth of tags that are 30 m out, as links to wrong
// points make them, leave the scale as it is.
func TestBlundersTellNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	r := drawn{100, 40, 3, 3, 0.5, 60, 1}.series(rng)
	for i := range 10 {
		r[40+i].E += 30
	}
	if m := Learn(r); m.Scale > 1.25 {
		t.Errorf("%+v", m)
	}
}

func TestOddInput(t *testing.T) {
	nan := math.NaN()
	for _, r := range [][]Residual{
		nil,
		{{Time: nan, E: nan}},
		{{Time: nan, E: 1, Sigma: 3}, {Time: nan, E: 2, Sigma: 3}},
		{{Time: 1, E: 1e8, N: -1e8, Sigma: 1e-3}, {Time: 1e12, Sigma: 1e6}},
		{{Sigma: 0}, {Sigma: 0}},
	} {
		m := Learn(r)
		for _, v := range []float64{m.Scale, m.Low, m.High, m.White, m.Time, m.Offset(5).E, m.Offset(nan).StdErr, m.Independent, m.Correlation(30), m.Correlation(nan)} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%+v: %+v", r, m)
			}
		}
		if len(r) > 0 && !math.IsNaN(r[0].E) && math.IsNaN(m.LogLikelihood(r)) {
			t.Errorf("%+v: log-likelihood is not a number", r)
		}
	}
}

// A tablet that states 3 m per axis and is twice as bad, with errors that last for
// minutes: forty photos tell about as much as a handful of independent ones.
func ExampleLearn() {
	rng := rand.New(rand.NewPCG(5, 5))
	m := Learn(drawn{n: 40, gap: 30, stated: 3, sigma: 6, white: 0.1, tau: 150}.series(rng))
	fmt.Printf("tags are %.1f times as wrong as they state (95 %%: %.1f to %.1f), %.0f independent photos\n",
		m.Scale, m.Low, m.High, m.Independent)
	fmt.Printf("correlation %.2f over 30 s, %.2f over 10 min\n", m.Correlation(30), m.Correlation(600))
	// Output:
	// tags are 1.8 times as wrong as they state (95 %: 1.4 to 2.6), 5 independent photos
	// correlation 0.72 over 30 s, 0.05 over 10 min
}

func BenchmarkLearn(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	r := drawn{200, 40, 3, 3, 0.5, 60, 1}.series(rng)
	for b.Loop() {
		Learn(r)
	}
}
