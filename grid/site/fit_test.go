package site

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"example.com/phototie/grid"
)

func (f Fit[T]) param(t testing.TB, name string) Parameter {
	t.Helper()
	for _, p := range f.Parameters {
		if p.Name == name {
			return p
		}
	}
	t.Fatalf("no parameter %q in %+v", name, f.Parameters)
	return Parameter{}
}

// stdErrAt is the standard error of one axis at a place, without what is added
// for few degrees of freedom.
func (f Fit[T]) stdErrAt(at grid.EN) float64 {
	s := f.Precision.At(at)
	if f.Observations[0].Axis != "H" {
		s /= math.Sqrt2
	}
	if !f.SigmaKnown {
		s *= distuv.UnitNormal.Quantile(0.975) / distuv.StudentsT{Sigma: 1, Nu: float64(f.DegreesOfFreedom)}.Quantile(0.975)
	}
	return s
}

// says joins the facts of a fit.
func (f Fit[T]) says() string {
	var out []string
	for _, x := range f.Facts {
		out = append(out, x.String())
	}
	return strings.Join(out, " ")
}

func agree(a, b, tol float64) bool { return math.Abs(a-b) <= tol }

// Ghilani, Adjustment Computations, "Two-dimensional conformal coordinate
// transformation", worked example with control points A, B and C (from memory;
// an exact rational solution gives the same figures to every digit quoted). The
// book has X = a x - b y + Tx, Y = b x + a y + Ty with a = -4.51249 ± 0.00058,
// b = -0.25371 ± 0.00058, Tx = 1050003.715 ± 0.123, Ty = 50542.131 ± 0.123,
// reference variance 0.0195, rotation 183°13'05.0", scale 4.51962. Its rotation is
// counted the other way from EPSG's.
func TestFitSimilarityPublished(t *testing.T) {
	f, err := FitSimilarity([]ControlPair{
		{ID: "A", Site: grid.EN{E: 121.622, N: -128.066}, Base: grid.EN{E: 1049422.40, N: 51089.20}},
		{ID: "B", Site: grid.EN{E: 141.228, N: 187.718}, Base: grid.EN{E: 1049413.95, N: 49659.30}},
		{ID: "C", Site: grid.EN{E: 175.802, N: 135.728}, Base: grid.EN{E: 1049244.95, N: 49884.95}},
	}, FitOptions{})
	if err != nil {
		t.Fatal(err)
	}
	p := f.Params.Affine()
	a, d := p.A1, p.A2
	if !agree(a, -4.51249, 5e-6) || !agree(-d, -0.25371, 5e-6) {
		t.Errorf("a %v, b %v", a, -d)
	}
	if !near(f.Params.Origin, grid.EN{E: 1050003.715, N: 50542.131}, 0.0006) {
		t.Errorf("origin %v", f.Params.Origin)
	}
	if !agree(f.Params.Scale, 4.51962, 5e-6) || !agree(signedDegrees(f.Params.Rotation+183+13./60+5.0/3600), 0, 0.06/3600) {
		t.Errorf("scale %v, rotation %v", f.Params.Scale, f.Params.Rotation)
	}
	for name, want := range map[string]float64{"target origin E": 0.123, "target origin N": 0.123, "scale": 0.00058} {
		p := f.param(t, name)
		if p.StdErr == nil || math.Abs(*p.StdErr-want) > want/100 {
			t.Errorf("standard error of %s %v, want %v", name, *p.StdErr, want)
		}
	}
	if got := *f.param(t, "rotation").StdErr; !agree(got, 0.0005764057/4.5196205*180/math.Pi, 1e-9) {
		t.Errorf("standard error of the rotation %v°", got)
	}
	if f.DegreesOfFreedom != 2 || !agree(*f.S0**f.S0, 0.0195, 0.00006) {
		t.Errorf("%d degrees of freedom, S0² %v", f.DegreesOfFreedom, *f.S0**f.S0)
	}
	for i, want := range []float64{0.004, -0.029, 0.101, -0.077, -0.105, 0.106} {
		if got := f.Observations[i].Residual; !agree(got, want, 0.0006) {
			t.Errorf("residual %s %s %v, want %v", f.Observations[i].ID, f.Observations[i].Axis, got, want)
		}
	}
}

// square is four pairs at the corners of a 100 m square that lie on the base
// turned by 90°, ten times as large: site (E, N) at base (1000 + 10 N, 2000 - 10 E).
// The error sits in the base easting of P1.
func square(blunder float64) []ControlPair {
	var out []ControlPair
	for i, s := range []grid.EN{{E: -50, N: -50}, {E: 50, N: -50}, {E: 50, N: 50}, {E: -50, N: 50}} {
		out = append(out, ControlPair{ID: fmt.Sprintf("P%d", i+1), Site: s, Base: grid.EN{E: 1000 + 10*s.N, N: 2000 - 10*s.E}})
	}
	out[0].Base.E += blunder
	return out
}

// An error of 0.08 m in one of eight coordinates of a square, by hand. With
// site coordinates (±50, ±50) the sum of E² + N² is 20 000, so
//
//	a = Σ(E Eb + N Nb) / 20000 changes by -50 x 0.08 / 20000 = -0.0002
//	b = Σ(N Eb - E Nb) / 20000 changes by the same
//	T0E changes by 0.08 / 4 = 0.02
//
// so at P1 the fit gives way by 0.02 + 0.01 + 0.01 = 0.04 in E: half of the error
// is seen, the redundancy is 1 - 1/4 - 1/4 = 0.5 everywhere, and
// Σv² = 0.5 x 0.08² = 0.0032, S0 = sqrt(0.0032 / 4) = 0.0283.
func TestFitSimilarityByHand(t *testing.T) {
	f, err := FitSimilarity(square(0.08), FitOptions{Sigma: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	p := f.Params.Affine()
	a, b := p.A1, p.A2
	if !agree(a, -0.0002, 1e-12) || !agree(b, 9.9998, 1e-12) || !near(f.Params.Origin, grid.EN{E: 1000.02, N: 2000}, 1e-9) {
		t.Errorf("a %v b %v origin %v", a, b, f.Params.Origin)
	}
	if o := f.Observations[0]; !agree(o.Residual, -0.04, 1e-9) || o.Axis != "E" || o.ID != "P1" {
		t.Errorf("%+v", o)
	}
	for _, o := range f.Observations {
		if !agree(o.Redundancy, 0.5, 1e-12) || !agree(*o.Detectable, 4.1321*0.01/math.Sqrt(0.5), 1e-5) {
			t.Errorf("%+v", o)
		}
	}
	// σ is stated, so S0 has no unit: 0.0283 / 0.01; w = -0.04 / (0.01 sqrt 0.5).
	if !agree(*f.S0, 2.8284271, 1e-6) || !agree(*f.Observations[0].Statistic, -5.6568542, 1e-6) || !agree(f.Global.ChiSquare, 32, 1e-6) {
		t.Errorf("S0 %v, w %v, chi square %v", *f.S0, *f.Observations[0].Statistic, f.Global.ChiSquare)
	}
	// Standard errors of the parameters from the stated σ: σ/sqrt(20000), σ/sqrt(4).
	if got := *f.param(t, "scale").StdErr; !agree(got, 0.01/math.Sqrt(20000), 1e-12) {
		t.Errorf("standard error of the scale %v", got)
	}
	if got := *f.param(t, "target origin E").StdErr; !agree(got, 0.005, 1e-12) {
		t.Errorf("standard error of the origin %v", got)
	}
	// And of a transformed position: σ sqrt(1/4 + (E² + N²)/20000).
	at := f.stdErrAt(grid.EN{E: 100, N: 100})
	if want := 0.01 * math.Sqrt(0.25+1); !agree(at, want, 1e-12) {
		t.Errorf("standard error at (100, 100) %v, want %v", at, want)
	}
	if len(f.Suspects) == 0 || f.Suspects[0].ID != "P1" || f.Suspects[0].Axis != "E" {
		t.Fatalf("suspects %+v", f.Suspects)
	}
	if s := f.Suspects[0]; !agree(s.DE, -0.08, 1e-9) || !agree(s.DN, 0, 1e-9) {
		t.Errorf("against the others %+v, want -0.08", s)
	}
	r := f.Residuals()
	if len(r) != 4 || r[0].ID != "P1" || !agree(r[0].DE, -0.04, 1e-9) || !agree(r[0].Length, math.Hypot(r[0].DE, r[0].DN), 0) {
		t.Errorf("residuals %+v", r)
	}
}

// A vertical plane by hand: heights at the corners of a 100 m square differ by
// 0.500, the one in the north-east by 0.540. The plane rises by 0.01 in the
// middle and by 0.02 over 100 m either way, and leaves ±0.01 at each corner.
func TestFitVerticalByHand(t *testing.T) {
	pairs := []HeightPair{
		{ID: "SW", At: grid.EN{E: 0, N: 0}, Base: 10, Site: 10.5}, {ID: "SE", At: grid.EN{E: 100, N: 0}, Base: 11, Site: 11.5},
		{ID: "NE", At: grid.EN{E: 100, N: 100}, Base: 12, Site: 12.54}, {ID: "NW", At: grid.EN{E: 0, N: 100}, Base: 13, Site: 13.5},
	}
	f, err := FitVerticalPlane(pairs, FitOptions{})
	if err != nil {
		t.Fatal(err)
	}
	v := f.Params
	if !agree(v.Offset, 0.51, 1e-12) || !agree(v.SlopeE, 0.0002, 1e-15) || !agree(v.SlopeN, 0.0002, 1e-15) || v.Origin != (grid.EN{E: 50, N: 50}) {
		t.Errorf("%+v", v)
	}
	for i, want := range []float64{-0.01, 0.01, -0.01, 0.01} {
		o := f.Observations[i]
		if !agree(o.Residual, want, 1e-12) || o.Axis != "H" || !agree(o.Redundancy, 0.25, 1e-12) {
			t.Errorf("%+v, want a residual of %v", o, want)
		}
	}
	if !agree(*f.S0, 0.02, 1e-12) || f.DegreesOfFreedom != 1 || f.Critical != nil {
		t.Errorf("S0 %v", *f.S0)
	}
	c, err := FitVerticalConstant(pairs, FitOptions{})
	if err != nil {
		t.Fatal(err)
	}
	// Mean 0.51, residuals 0.01 three times and -0.03; S0² = 0.0012 / 3.
	if !agree(c.Params.Offset, 0.51, 1e-12) || c.Params.SlopeE != 0 || !agree(*c.S0, 0.02, 1e-12) || !agree(*c.Parameters[0].StdErr, 0.01, 1e-12) {
		t.Errorf("%+v S0 %v", c.Params, *c.S0)
	}
	// A stated standard error twice as large counts a quarter: (3 x 0.5 + 0.54/4) / 3.25.
	for i := range pairs {
		pairs[i].SiteSigma = 0.01
	}
	pairs[2].SiteSigma, pairs[2].BaseSigma = 0.012, 0.016
	c, err = FitVerticalConstant(pairs, FitOptions{})
	if err != nil || !agree(c.Params.Offset, 1.635/3.25, 1e-12) || !agree(*c.Parameters[0].StdErr, 0.01/math.Sqrt(3.25), 1e-12) {
		t.Errorf("weighted %+v, %v", c.Params, err)
	}
}

// scatter draws n control places some kilometres wide about a far centre.
func scatter(r *rand.Rand, n int, centre grid.EN, size float64) []grid.EN {
	out := make([]grid.EN, n)
	for i := range out {
		out[i] = grid.EN{E: centre.E + (r.Float64()-0.5)*size, N: centre.N + (r.Float64()-0.5)*size}
	}
	return out
}

// observe makes pairs of the places, with noise of the stated standard errors on
// both sides.
func observe(r *rand.Rand, tr any, places []grid.EN, siteSigma, baseSigma float64) []ControlPair {
	out := make([]ControlPair, len(places))
	for i, p := range places {
		b := affineOf(tr).Forward(p)
		out[i] = ControlPair{ID: fmt.Sprintf("P%d", i+1), SiteSigma: siteSigma, BaseSigma: baseSigma,
			Site: grid.EN{E: p.E + siteSigma*r.NormFloat64(), N: p.N + siteSigma*r.NormFloat64()},
			Base: grid.EN{E: b.E + baseSigma*r.NormFloat64(), N: b.N + baseSigma*r.NormFloat64()}}
	}
	return out
}

// unknown takes the stated standard errors off.
func unknown(pairs []ControlPair) []ControlPair {
	out := slices.Clone(pairs)
	for i := range out {
		out[i].SiteSigma, out[i].BaseSigma = 0, 0
	}
	return out
}

// Planted parameters come back within three standard errors in 99 % of 1,000
// simulations, for every parameter of every model, at coordinates of six
// million. With standard errors from S0 and 12 or more degrees of freedom the
// share expected is 98.9 % (Student's t), so there the bound is 98 %. The mean of
// S0² and the share of flagged observations are held against theory as well.
func TestFitRecovers(t *testing.T) {
	const runs, siteSigma, baseSigma = 1000, 0.006, 0.008
	r := rand.New(rand.NewPCG(7, 8))
	sim := Similarity{Origin: grid.EN{E: 611267.2865, N: 6046512.9661}, Scale: 0.9997728332, Rotation: -44.5}
	skew := sim.Affine()
	skew.A1 *= 1.00012
	ground := GroundScale{Origin: grid.EN{E: 615000, N: 6050000}, SiteOrigin: grid.EN{E: 15000, N: 50000}, CombinedFactor: 0.99984, UnitRatio: 1}
	plane := Vertical{Offset: 1.2, SlopeE: 8e-6, SlopeN: -5e-6, Origin: grid.EN{E: 620000, N: 6040000}}

	within := map[string]int{}
	count := map[string]int{}
	var s2 []float64
	var tests, flagged int
	note := func(prefix string, params []Parameter, truth []float64) {
		for i, p := range params {
			key := prefix + " " + p.Name
			count[key]++
			if d := math.Abs(p.Value - truth[i]); d <= 3**p.StdErr {
				within[key]++
			}
		}
	}
	for range runs {
		places := scatter(r, 8, grid.EN{E: 620000, N: 6040000}, 3000)
		pairs := observe(r, sim, places, siteSigma, baseSigma)
		truth := []float64{sim.Origin.E, sim.Origin.N, sim.Scale, sim.Rotation}
		f, err := FitSimilarity(pairs, FitOptions{})
		if err != nil {
			t.Fatal(err)
		}
		note("similarity", f.Parameters, truth)
		s2 = append(s2, *f.S0**f.S0)
		for _, o := range f.Observations {
			tests++
			if math.Abs(*o.Statistic) > *f.Critical {
				flagged++
			}
		}
		if f, err = FitSimilarity(unknown(pairs), FitOptions{}); err != nil {
			t.Fatal(err)
		}
		note("similarity scaled by S0:", f.Parameters, truth)

		g, err := FitAffine(observe(r, skew, places, siteSigma, baseSigma), FitOptions{})
		if err != nil {
			t.Fatal(err)
		}
		note("affine", g.Parameters, []float64{skew.A0, skew.A1, skew.A2, skew.B0, skew.B1, skew.B2})

		near := scatter(r, 8, grid.EN{E: 15500, N: 51000}, 3000)
		h, err := FitGroundScale(observe(r, ground, near, siteSigma, baseSigma), ground.Origin, nil, FitOptions{})
		if err != nil {
			t.Fatal(err)
		}
		note("ground scale", h.Parameters, []float64{ground.CombinedFactor, ground.SiteOrigin.E, ground.SiteOrigin.N})
		if h, err = FitGroundScale(observe(r, ground, near, siteSigma, baseSigma), ground.Origin, &ground.SiteOrigin, FitOptions{}); err != nil {
			t.Fatal(err)
		}
		note("ground scale about a held point:", h.Parameters, []float64{ground.CombinedFactor})

		var heights []HeightPair
		for i, p := range places {
			b := 50 + 10*r.Float64()
			heights = append(heights, HeightPair{ID: fmt.Sprint(i), At: p, Base: b, Site: b + plane.Difference(p) + 0.01*r.NormFloat64(), SiteSigma: 0.01})
		}
		v, err := FitVerticalPlane(heights, FitOptions{})
		if err != nil {
			t.Fatal(err)
		}
		note("plane", v.Parameters, []float64{plane.Difference(v.Params.Origin), plane.SlopeE, plane.SlopeN})
	}
	for key, n := range count {
		need := runs * 99 / 100
		if strings.Contains(key, "S0") {
			need = runs * 98 / 100
		}
		if n != runs || within[key] < need {
			t.Errorf("%s: within three standard errors in %d of %d", key, within[key], n)
		}
	}
	mean := 0.0
	for _, s := range s2 {
		mean += s / float64(len(s2))
	}
	// S0² is chi-square over 12, so the mean over 1,000 runs spreads by sqrt(2/12/1000).
	if math.Abs(mean-1) > 4*math.Sqrt(2./12/runs) {
		t.Errorf("mean S0² %v, want 1", mean)
	}
	// 16,000 tests at 0.001 flag 16 on average.
	if flagged < 3 || flagged > 40 {
		t.Errorf("%d of %d observations flagged without a blunder, want about %d", flagged, tests, tests/1000)
	}
}

// The fit, its redundancies, w-tests and standard errors against gonum's QR on
// the plain design with the blunder as one more unknown (the mean shift model):
// w must be that blunder over its standard error. The design is not centred, so
// the coordinates are kept small here.
func TestFitAgainstMeanShift(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	for range 20 {
		places := scatter(r, 6, grid.EN{E: 300, N: -200}, 900)
		pairs := observe(r, randomAffine(r), places, 0, 0.01)
		for i := range pairs {
			pairs[i].BaseSigma = 0.005 + 0.02*r.Float64()
		}
		f, err := FitAffine(pairs, FitOptions{})
		if err != nil {
			t.Fatal(err)
		}
		// solve returns the unknowns and their standard errors, with columns added
		// for the observations in shift.
		solve := func(shift ...int) (x, e []float64) {
			a := mat.NewDense(12, 6+len(shift), nil)
			l := mat.NewVecDense(12, nil)
			for i, p := range pairs {
				w := 1 / p.BaseSigma
				a.SetRow(2*i, append([]float64{w, w * p.Site.E, w * p.Site.N, 0, 0, 0}, make([]float64, len(shift))...))
				a.SetRow(2*i+1, append([]float64{0, 0, 0, w, w * p.Site.E, w * p.Site.N}, make([]float64, len(shift))...))
				l.SetVec(2*i, w*p.Base.E)
				l.SetVec(2*i+1, w*p.Base.N)
			}
			for k, j := range shift {
				a.Set(j, 6+k, 1/pairs[j/2].BaseSigma)
			}
			var qr mat.QR
			qr.Factorize(a)
			var sol mat.VecDense
			if err := qr.SolveVecTo(&sol, false, l); err != nil {
				t.Fatal(err)
			}
			var n, q mat.Dense
			n.Mul(a.T(), a)
			if err := q.Inverse(&n); err != nil {
				var c mat.Condition
				if !errors.As(err, &c) {
					t.Fatal(err)
				}
			}
			for k := range 6 + len(shift) {
				x, e = append(x, sol.AtVec(k)), append(e, math.Sqrt(q.At(k, k)))
			}
			return x, e
		}
		x, e := solve()
		for k, p := range f.Parameters {
			if !agree(p.Value, x[k], 1e-7*(1+math.Abs(x[k]))) || !agree(*p.StdErr, e[k], 1e-6*e[k]) {
				t.Errorf("%s %v ± %v, want %v ± %v", p.Name, p.Value, *p.StdErr, x[k], e[k])
			}
		}
		total := 0.0
		for j, o := range f.Observations {
			x, e := solve(j)
			if !agree(*o.Statistic, -x[6]/e[6], 1e-5) {
				t.Errorf("w of %s %s %v, mean shift %v", o.ID, o.Axis, *o.Statistic, -x[6]/e[6])
			}
			if !agree(*o.Detectable, 4.1321*e[6], 1e-4*e[6]) {
				t.Errorf("detectable %v, want %v", *o.Detectable, 4.1321*e[6])
			}
			total += o.Redundancy
		}
		if !agree(total, float64(f.DegreesOfFreedom), 1e-9) {
			t.Errorf("redundancies add up to %v, want %d", total, f.DegreesOfFreedom)
		}
		// A wrong pair, held against the others: two shifts at once.
		pairs[2].Base.E += 3
		pairs[2].Base.N -= 2
		if f, err = FitAffine(pairs, FitOptions{}); err != nil {
			t.Fatal(err)
		}
		x, _ = solve(4, 5)
		i := slices.IndexFunc(f.Suspects, func(s Suspect) bool { return s.ID == "P3" })
		if i < 0 || !agree(f.Suspects[i].DE, -x[6], 1e-6) || !agree(f.Suspects[i].DN, -x[7], 1e-6) {
			t.Errorf("suspects %+v, want P3 with %v %v", f.Suspects, -x[6], -x[7])
		}
	}
}

// Every standard error from the fit itself: each observation is moved a little,
// and what that does to a parameter, times the standard error of the observation,
// adds up in squares. Weights are unequal, and origins far from the control, so
// that no correlation drops out.
func TestStdErrByPerturbation(t *testing.T) {
	r := rand.New(rand.NewPCG(33, 34))
	const step = 1e-3
	places := scatter(r, 6, grid.EN{E: 3000, N: 2000}, 900)
	pairs := observe(r, Similarity{Origin: grid.EN{E: 7000, N: 4000}, Scale: 0.9998}, places, 0, 0.01)
	for i := range pairs {
		pairs[i].BaseSigma = 0.002 + 0.03*r.Float64()
	}
	moved := func(i int, d float64) []ControlPair {
		out := slices.Clone(pairs)
		if i%2 == 0 {
			out[i/2].Base.E += d
		} else {
			out[i/2].Base.N += d
		}
		return out
	}
	heights := func(p []ControlPair) []HeightPair {
		var out []HeightPair
		for _, p := range p {
			out = append(out, HeightPair{ID: p.ID, At: p.Site, Site: 5 + p.Base.E/1e3, Base: 3, SiteSigma: p.BaseSigma / 1e3})
		}
		return out
	}
	at := grid.EN{E: 5000, N: 500}
	for name, fit := range map[string]func(p []ControlPair) ([]Parameter, error){
		"similarity": func(p []ControlPair) ([]Parameter, error) {
			f, err := FitSimilarity(p, FitOptions{})
			s := f.stdErrAt(at)
			q := affineOf(f.Params).Forward(at)
			return append(f.Parameters, Parameter{Name: "E there", Value: q.E, StdErr: &s}, Parameter{Name: "N there", Value: q.N, StdErr: &s}), err
		},
		"shift and rotation": func(p []ControlPair) ([]Parameter, error) {
			f, err := FitRigid(p, 0.9998, FitOptions{})
			return f.Parameters, err
		},
		"affine": func(p []ControlPair) ([]Parameter, error) {
			f, err := FitAffine(p, FitOptions{})
			s := f.stdErrAt(at)
			q := affineOf(f.Params).Forward(at)
			return append(f.Parameters, Parameter{Name: "E there", Value: q.E, StdErr: &s}, Parameter{Name: "N there", Value: q.N, StdErr: &s}), err
		},
		"ground scale": func(p []ControlPair) ([]Parameter, error) {
			f, err := FitGroundScale(p, grid.EN{E: 16000, N: 9000}, nil, FitOptions{Unit: grid.Unit{Metres: 0.5}})
			return f.Parameters, err
		},
		"ground scale, held": func(p []ControlPair) ([]Parameter, error) {
			f, err := FitGroundScale(p, grid.EN{E: 7000, N: 4000}, &grid.EN{}, FitOptions{Unit: grid.Unit{Metres: 0.5}})
			return f.Parameters, err
		},
		"plane": func(p []ControlPair) ([]Parameter, error) {
			f, err := FitVerticalPlane(heights(p), FitOptions{})
			s := f.stdErrAt(at)
			return append(f.Parameters, Parameter{Name: "H there", Value: f.Params.Difference(at), StdErr: &s}), err
		},
		"constant": func(p []ControlPair) ([]Parameter, error) {
			f, err := FitVerticalConstant(heights(p), FitOptions{})
			return f.Parameters, err
		},
	} {
		params, err := fit(pairs)
		if err != nil {
			t.Fatal(name, err)
		}
		variance := make([]float64, len(params))
		for i := range 2 * len(pairs) {
			up, err1 := fit(moved(i, step))
			down, err2 := fit(moved(i, -step))
			if err1 != nil || err2 != nil {
				t.Fatal(name, err1, err2)
			}
			for k := range params {
				d := (up[k].Value - down[k].Value) / (2 * step) * pairs[i/2].BaseSigma
				variance[k] += d * d
			}
		}
		for k, p := range params {
			if want := math.Sqrt(variance[k]); !agree(*p.StdErr, want, 1e-4*want) {
				t.Errorf("%s: standard error of %s %v, want %v", name, p.Name, *p.StdErr, want)
			}
		}
	}
}

// The critical values: 3.29 for 0.001 (Baarda), 1.96 for 0.05; τ for 0.05 from
// Pope's relation, which a sum over simulated residuals confirms below.
func TestCritical(t *testing.T) {
	for _, tt := range []struct{ alpha, want float64 }{{0.001, 3.2905}, {0.01, 2.5758}, {0.05, 1.9600}} {
		if got := *critical(StatisticW, tt.alpha, 3); !agree(got, tt.want, 5e-5) {
			t.Errorf("w at %v: %v, want %v", tt.alpha, got, tt.want)
		}
	}
	// Two degrees of freedom have a closed form: τ = sqrt(2) sin(π (1 - α) / 2).
	for _, alpha := range []float64{0.001, 0.05, 0.5} {
		if got, want := *critical(StatisticTau, alpha, 2), math.Sqrt2*math.Sin(math.Pi*(1-alpha)/2); !agree(got, want, 1e-9) {
			t.Errorf("τ at %v: %v, want %v", alpha, got, want)
		}
	}
	// With many degrees of freedom τ is w.
	if got := *critical(StatisticTau, 0.001, 100000); !agree(got, 3.2905, 1e-3) {
		t.Errorf("τ of many: %v", got)
	}
	if critical(StatisticTau, 0.001, 1) != nil {
		t.Error("one degree of freedom has a critical τ")
	}
	// τ of a real fit goes over its critical value as often as it should.
	r := rand.New(rand.NewPCG(11, 12))
	over, all := 0, 0
	for range 1500 {
		pairs := unknown(observe(r, catalonia, scatter(r, 5, grid.EN{}, 1000), 0, 0.01))
		f, err := FitSimilarity(pairs, FitOptions{Significance: 0.05})
		if err != nil || f.Test != StatisticTau {
			t.Fatal(f.Test, err)
		}
		for _, o := range f.Observations {
			all++
			if math.Abs(*o.Statistic) > *f.Critical {
				over++
			}
		}
	}
	if share := float64(over) / float64(all); math.Abs(share-0.05) > 0.008 {
		t.Errorf("τ over the critical value in %.4f, want 0.05", share)
	}
}

// An error of the minimal detectable size is found with the power it is stated
// for.
func TestPower(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 14))
	found := 0
	const runs = 2000
	places := scatter(r, 8, grid.EN{E: 5e5, N: 6e6}, 2000)
	for i := range runs {
		pairs := observe(r, catalonia, places, 0, 0.01)
		f, err := FitSimilarity(pairs, FitOptions{})
		if err != nil {
			t.Fatal(err)
		}
		k := i % 8
		pairs[k].Base.N += *f.Observations[2*k+1].Detectable
		if f, err = FitSimilarity(pairs, FitOptions{}); err != nil {
			t.Fatal(err)
		}
		if math.Abs(*f.Observations[2*k+1].Statistic) > *f.Critical {
			found++
		}
	}
	// 0.80, and its standard error over 2,000 runs is 0.009.
	if share := float64(found) / runs; math.Abs(share-0.8) > 0.036 {
		t.Errorf("found in %.3f, want 0.80", share)
	}
}

// Snooping takes the bad pairs out one by one, reports each, and leaves the
// parameters where they belong.
func TestReject(t *testing.T) {
	r := rand.New(rand.NewPCG(15, 16))
	truth := Similarity{Origin: grid.EN{E: 611000, N: 6046000}, Scale: 0.99977, Rotation: 44.5}
	for _, known := range []bool{true, false} {
		pairs := observe(r, truth, scatter(r, 12, grid.EN{E: 1000, N: 2000}, 800), 0, 0.01)
		pairs[3].Base.E += 9 // a digit misread
		pairs[7].Base.N -= 0.6
		if !known {
			pairs = unknown(pairs)
		}
		plain, err := FitSimilarity(pairs, FitOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if len(plain.Removed) != 0 || len(plain.Observations) != 24 || len(plain.Suspects) == 0 || plain.Suspects[0].ID != "P4" || len(plain.Suspects[0].Rivals) != 0 {
			t.Errorf("known %v: without snooping: removed %+v, suspects %+v", known, plain.Removed, plain.Suspects)
		}
		f, err := FitSimilarity(pairs, FitOptions{RejectOutliers: true})
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Removed) != 2 || f.Removed[0].ID != "P4" || f.Removed[1].ID != "P8" || f.Removed[1].Step != 2 {
			t.Fatalf("known %v: removed %+v, notes %v", known, f.Removed, f.Facts)
		}
		if a, b := f.Removed[0], f.Removed[1]; !agree(a.DE, -9, 0.05) || !agree(a.DN, 0, 0.05) || !agree(b.DN, 0.6, 0.05) || math.Abs(a.Statistic) <= a.Critical {
			t.Errorf("known %v: removed %+v", known, f.Removed)
		}
		if len(f.Suspects) != 0 || len(f.Observations) != 20 || f.DegreesOfFreedom != 16 {
			t.Errorf("known %v: left %+v", known, f.Suspects)
		}
		for i, want := range []float64{truth.Origin.E, truth.Origin.N, truth.Scale, truth.Rotation} {
			if p := f.Parameters[i]; math.Abs(p.Value-want) > 4**p.StdErr {
				t.Errorf("known %v: %s %v ± %v, want %v", known, p.Name, p.Value, *p.StdErr, want)
			}
		}
		few := append(slices.Clone(pairs[3:4]), pairs[7:11]...)
		if f, err = FitSimilarity(few, FitOptions{RejectOutliers: true}); err != nil || len(f.Removed) != 1 || len(f.Suspects) == 0 || !strings.Contains(f.says(), "limit") {
			t.Errorf("known %v: one of five: %+v, %v", known, f.Removed, f.Facts)
		}
	}
}

// Two blunders of the same size are both bad and don't shield each other: by the
// half-turn symmetry of the control both have the same statistics, to the digit.
func TestRejectTwins(t *testing.T) {
	var places []grid.EN
	for i := range 12 {
		sin, cos := math.Sincos(float64(i) * math.Pi / 6)
		places = append(places, grid.EN{E: 100 * sin, N: 100 * cos})
	}
	pairs := pairsAt(places...)
	pairs[1].Base.E += 0.5
	pairs[7].Base.E -= 0.5
	for _, sigma := range []float64{0.01, 0} {
		f, err := FitSimilarity(pairs, FitOptions{RejectOutliers: true, Sigma: sigma, Significance: 0.01})
		if err != nil {
			t.Fatal(err)
		}
		var ids []string
		for _, x := range f.Removed {
			ids = append(ids, x.ID)
		}
		slices.Sort(ids)
		if !slices.Equal(ids, []string{"P2", "P8"}) {
			t.Errorf("sigma %v: removed %v, suspects %+v, notes %v", sigma, ids, f.Suspects, f.Facts)
		}
	}
}

// The likelihood ratio of 20 that tells culprits apart: with a known standard
// error the gains must differ by 2 ln 20 = 5.99; without, the rests must have a
// ratio of 20^(2/f), which is 1.82 for ten degrees of freedom.
func TestRivals(t *testing.T) {
	for _, tt := range []struct {
		a, b, total float64
		dof         int
		known, want bool
	}{
		{20, 14.1, 30, 10, true, true},
		{20, 13.9, 30, 10, true, false},
		{20, 11.9, 30, 10, false, true},
		{20, 11.7, 30, 10, false, false},
		{30, 30, 30, 10, false, true},
		{30, 29, 30, 10, false, false},
	} {
		if got := rivals(tt.a, tt.b, tt.total, tt.dof, tt.known); got != tt.want {
			t.Errorf("%+v: %v", tt, got)
		}
	}
	// Four pairs and an affine transform leave one way to be wrong in each axis, so
	// no pair can be named.
	pairs := pairsAt(grid.EN{}, grid.EN{E: 100}, grid.EN{E: 90, N: 110}, grid.EN{N: 100})
	pairs[0].Base.E += 0.5
	f, err := FitAffine(pairs, FitOptions{RejectOutliers: true, Significance: 0.3})
	if err != nil || len(f.Removed) != 0 || len(f.Suspects) != 0 || !slices.Contains(f.kinds(), FactUnlocatable) {
		t.Errorf("removed %+v, suspects %+v, %v, %v", f.Removed, f.Suspects, f.Facts, err)
	}
}

// With three pairs a similarity can see that one is bad, but not which: every
// choice of two fits exactly. The test statistic of single coordinates still
// names one, by the accident of the direction. Nothing may be removed.
func TestRejectCannotTell(t *testing.T) {
	pairs := []ControlPair{
		{ID: "A", Site: grid.EN{E: 0, N: 0}, Base: grid.EN{E: 0, N: 0}, BaseSigma: 0.01},
		{ID: "B", Site: grid.EN{E: 100, N: 0}, Base: grid.EN{E: 100, N: 0.5}, BaseSigma: 0.01},
		{ID: "C", Site: grid.EN{E: 30, N: 80}, Base: grid.EN{E: 30, N: 80}, BaseSigma: 0.01},
	}
	f, err := FitSimilarity(pairs, FitOptions{RejectOutliers: true})
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Removed) != 0 || len(f.Suspects) == 0 || len(f.Suspects[0].Rivals) != 2 || !strings.Contains(f.says(), "may as well") {
		t.Errorf("removed %+v, suspects %+v, notes %v", f.Removed, f.Suspects, f.Facts)
	}
	if f.Global.P > 1e-6 {
		t.Errorf("the set passes with %v", f.Global.P)
	}
}

// A clean set is left alone, in 99 % of the cases with 16 tests of 0.001 each.
func TestRejectLeavesGoodPairs(t *testing.T) {
	r := rand.New(rand.NewPCG(19, 20))
	touched := 0
	for range 500 {
		f, err := FitSimilarity(observe(r, catalonia, scatter(r, 8, grid.EN{E: 5e5, N: 6e6}, 2000), 0.005, 0.01), FitOptions{RejectOutliers: true})
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Removed) > 0 {
			touched++
		}
	}
	if touched > 16 { // 1.6 % is 8; 16 is 2.8 standard errors more
		t.Errorf("a good pair was removed in %d of 500", touched)
	}
}

// Moving and turning the whole job changes no residual, statistic or scale: the
// computation does not depend on the size of the coordinates.
func TestFitInvariance(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 22))
	pairs := observe(r, Similarity{Scale: 0.9998, Rotation: 20}, scatter(r, 7, grid.EN{}, 500), 0.004, 0.007)
	a, err := FitSimilarity(pairs, FitOptions{})
	if err != nil {
		t.Fatal(err)
	}
	moved := slices.Clone(pairs)
	for i := range moved {
		moved[i].Site.E += 4e5
		moved[i].Site.N += 6e6
		moved[i].Base.E += 7e5
		moved[i].Base.N += 5e6
	}
	b, err := FitSimilarity(moved, FitOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range a.Observations {
		x, y := a.Observations[i], b.Observations[i]
		if !agree(x.Residual, y.Residual, 1e-8) || !agree(*x.Statistic, *y.Statistic, 1e-6) || !agree(x.Redundancy, y.Redundancy, 1e-9) {
			t.Errorf("%+v and %+v", x, y)
		}
	}
	if !agree(a.Params.Scale, b.Params.Scale, 1e-12) || !agree(a.Params.Rotation, b.Params.Rotation, 1e-9) {
		t.Errorf("%+v and %+v", a.Params, b.Params)
	}
	// The parameters carry the far coordinates to the same place.
	for i, p := range moved {
		want := a.Params.Affine().Forward(pairs[i].Site)
		want = grid.EN{E: want.E + 7e5, N: want.N + 5e6}
		if got := b.Params.Affine().Forward(p.Site); !near(got, want, 1e-7) {
			t.Errorf("%s goes to %v, want %v", p.ID, got, want)
		}
	}
	sa, sb := a.stdErrAt(grid.EN{E: 100, N: 900}), b.stdErrAt(grid.EN{E: 4e5 + 100, N: 6e6 + 900})
	if !agree(sa, sb, 1e-9) {
		t.Errorf("standard errors %v and %v", sa, sb)
	}
}

// Feet on the site, metres on the base: the standard errors of the site count in
// metres, and the ground scale's factor has no unit.
func TestFitUnits(t *testing.T) {
	r := rand.New(rand.NewPCG(23, 24))
	g := GroundScale{Origin: grid.EN{E: 500000, N: 200000}, SiteOrigin: grid.EN{E: 50000, N: 20000}, CombinedFactor: 0.99993, UnitRatio: 0.3048}
	pairs := observe(r, g, scatter(r, 9, grid.EN{E: 51000, N: 21000}, 5000), 0.02, 0)
	f, err := FitGroundScale(pairs, g.Origin, &g.SiteOrigin, FitOptions{Unit: grid.Unit{Metres: 0.3048}})
	if err != nil {
		t.Fatal(err)
	}
	if p := f.Parameters[0]; math.Abs(p.Value-g.CombinedFactor) > 4**p.StdErr || *p.StdErr > 1e-5 {
		t.Errorf("%+v", p)
	}
	for _, o := range f.Observations {
		if !agree(o.Sigma, 0.02*0.3048*0.99993, 1e-6) {
			t.Errorf("sigma %v m", o.Sigma)
		}
	}
	if *f.S0 < 0.5 || *f.S0 > 1.6 {
		t.Errorf("S0 %v", *f.S0)
	}
	s, err := FitSimilarity(pairs, FitOptions{})
	if err != nil || !agree(s.Params.Scale, 0.3048*0.99993, 1e-5) {
		t.Errorf("scale %v, %v", s.Params.Scale, err)
	}
	if _, err := New(&gauss{}, Definition{Name: "fitted", Unit: grid.Foot, Direction: SiteToBase, Similarity: &s.Params}); err != nil {
		t.Error(err)
	}
}

func pairsAt(places ...grid.EN) []ControlPair {
	var out []ControlPair
	for i, p := range places {
		out = append(out, ControlPair{ID: fmt.Sprintf("P%d", i+1), Site: p, Base: grid.EN{E: p.E + 500000, N: p.N + 6000000}})
	}
	return out
}

func TestFitRefuses(t *testing.T) {
	similarity := func(p []ControlPair, o FitOptions) error { _, err := FitSimilarity(p, o); return err }
	affine := func(p []ControlPair, o FitOptions) error { _, err := FitAffine(p, o); return err }
	ground := func(p []ControlPair, o FitOptions) error {
		_, err := FitGroundScale(p, grid.EN{E: 500000, N: 6000000}, &grid.EN{}, o)
		return err
	}
	plane := func(p []ControlPair, o FitOptions) error {
		var h []HeightPair
		for _, p := range p {
			h = append(h, HeightPair{ID: p.ID, At: p.Site, Site: 1, Base: 2})
		}
		_, err := FitVerticalPlane(h, o)
		return err
	}
	corner := []grid.EN{{}, {E: 100}, {E: 100, N: 100}, {N: 100}}
	edit := func(f func(p []ControlPair)) []ControlPair {
		p := pairsAt(corner...)
		f(p)
		return p
	}
	for _, tt := range []struct {
		name     string
		fit      func([]ControlPair, FitOptions) error
		pairs    []ControlPair
		opt      FitOptions
		geometry bool
		want     string
	}{
		{"none", similarity, nil, FitOptions{}, true, "needs 2"},
		{"one", similarity, pairsAt(grid.EN{}), FitOptions{}, true, "needs 2"},
		{"two for an affine", affine, pairsAt(corner[:2]...), FitOptions{}, true, "needs 3"},
		{"two for a plane", plane, pairsAt(corner[:2]...), FitOptions{}, true, "needs 3"},
		{"none for ground", ground, nil, FitOptions{}, true, "needs 1"},
		{"one place", similarity, pairsAt(grid.EN{E: 5e5, N: 6e6}, grid.EN{E: 5e5, N: 6e6}, grid.EN{E: 5e5, N: 6e6 + 1e-4}), FitOptions{}, true, "one place"},
		{"one place within its errors", similarity, edit(func(p []ControlPair) {
			for i := range p {
				p[i].SiteSigma = 50
			}
		}), FitOptions{}, true, "well apart"},
		{"at the project point", ground, pairsAt(grid.EN{}, grid.EN{}), FitOptions{}, true, "at the project point"},
		{"on a line", affine, pairsAt(grid.EN{}, grid.EN{E: 50, N: 50}, grid.EN{E: 100, N: 100}, grid.EN{E: 30, N: 30}), FitOptions{}, true, "bearing 45.0°"},
		{"nearly on a line", affine, pairsAt(grid.EN{}, grid.EN{E: 1000, N: -0.5}, grid.EN{E: 2000}, grid.EN{E: 3000, N: 0.2}), FitOptions{}, true, "off the line"},
		{"heights on a line", plane, pairsAt(grid.EN{}, grid.EN{N: 100}, grid.EN{N: 300}), FitOptions{}, true, "bearing 0.0°"},
		{"base on a line", affine, edit(func(p []ControlPair) {
			for i := range p {
				p[i].Base = grid.EN{E: p[i].Site.E, N: p[i].Site.E}
			}
		}), FitOptions{}, true, "base coordinates"},
		{"base in one place", similarity, edit(func(p []ControlPair) {
			for i := range p {
				p[i].Base = grid.EN{}
			}
		}), FitOptions{}, true, "base coordinates"},
		{"ground turned over", ground, edit(func(p []ControlPair) {
			for i := range p {
				p[i].Site = grid.EN{E: -p[i].Site.E, N: -p[i].Site.N}
			}
		}), FitOptions{}, true, "combined factor"},
		{"no id", similarity, edit(func(p []ControlPair) { p[1].ID = "" }), FitOptions{}, false, "pair 2 has no id"},
		{"id twice", similarity, edit(func(p []ControlPair) { p[1].ID = "P1" }), FitOptions{}, false, "P1 comes twice"},
		{"NaN", similarity, edit(func(p []ControlPair) { p[1].Site.E = math.NaN() }), FitOptions{}, false, "P2"},
		{"overflow", similarity, edit(func(p []ControlPair) { p[1].Site.E = 1e300 }), FitOptions{}, false, "no place on earth"},
		{"negative sigma", similarity, edit(func(p []ControlPair) { p[1].BaseSigma = -1 }), FitOptions{}, false, "P2"},
		{"tiny sigma", similarity, edit(func(p []ControlPair) {
			for i := range p {
				p[i].BaseSigma = 1e-320
			}
		}), FitOptions{}, false, "not one that a survey has"},
		{"some sigmas", similarity, edit(func(p []ControlPair) { p[1].BaseSigma = 1 }), FitOptions{}, false, "state one for every pair"},
		{"weights leave two on a line", affine, edit(func(p []ControlPair) {
			for i := range p {
				p[i].BaseSigma = []float64{1e-9, 1e-9, 1e9, 1e9}[i]
			}
		}), FitOptions{}, true, "carries the weight"},
		{"significance", similarity, pairsAt(corner...), FitOptions{Significance: 1}, false, "significance"},
		{"power", similarity, pairsAt(corner...), FitOptions{Power: -1}, false, "power"},
		{"sigma", similarity, pairsAt(corner...), FitOptions{Sigma: math.NaN()}, false, "standard error"},
	} {
		err := tt.fit(tt.pairs, tt.opt)
		var g *GeometryError
		if err == nil || !strings.Contains(err.Error(), tt.want) || errors.As(err, &g) != tt.geometry {
			t.Errorf("%s: %v, want an error with %q (geometry %v)", tt.name, err, tt.want, tt.geometry)
		}
	}
	if _, err := FitGroundScale(pairsAt(corner...), grid.EN{E: math.NaN()}, nil, FitOptions{}); err == nil {
		t.Error("a project point that is NaN, no error")
	}
	if _, err := FitGroundScale(pairsAt(corner...), grid.EN{}, nil, FitOptions{Unit: grid.Unit{Name: "none"}}); err == nil {
		t.Error("no unit ratio, no error")
	}
}

// The least that determines a model fits exactly, and says that nothing checks it.
func TestFitWithoutRedundancy(t *testing.T) {
	f, err := FitSimilarity(pairsAt(grid.EN{}, grid.EN{E: 100}), FitOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if f.S0 != nil || f.DegreesOfFreedom != 0 || f.Critical != nil || f.Global != nil || len(f.Facts) != 1 || f.Parameters[0].StdErr != nil {
		t.Errorf("%+v", f)
	}
	// The tolerance stands in for the errors: of two pairs in the middle, 0.05 m
	// sqrt(1/2) an axis.
	if got := f.Precision.At(grid.EN{E: 50}); !agree(got, 0.05, 1e-12) {
		t.Errorf("%v m from a tolerance of 0.05 m", got)
	}
	if _, err := json.Marshal(f); err != nil {
		t.Error(err)
	}
	// With stated standard errors the parameters have theirs all the same.
	if f, err = FitSimilarity(pairsAt(grid.EN{}, grid.EN{E: 100}), FitOptions{Sigma: 0.01}); err != nil || !agree(*f.param(t, "scale").StdErr, 0.01/math.Sqrt(5000), 1e-12) {
		t.Errorf("%+v, %v", f.Parameters, err)
	}
	for _, o := range f.Observations {
		if o.Statistic != nil || o.Detectable != nil || o.Redundancy > 1e-12 {
			t.Errorf("%+v", o)
		}
	}
}

// One side computed from the other leaves only rounding, which is no noise to
// test anything against.
func TestFitExact(t *testing.T) {
	var pairs []ControlPair
	for i, p := range scatter(rand.New(rand.NewPCG(25, 26)), 9, grid.EN{E: 5e5, N: 6e6}, 1000) {
		pairs = append(pairs, ControlPair{ID: fmt.Sprint(i), Site: p, Base: catalonia.Affine().Forward(p)})
	}
	f, err := FitSimilarity(pairs, FitOptions{RejectOutliers: true})
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Suspects)+len(f.Removed) != 0 || f.Critical != nil || len(f.Facts) != 1 || !strings.Contains(f.says(), "agree exactly") {
		t.Errorf("suspects %+v, notes %v", f.Suspects, f.Facts)
	}
	// The origin is six million metres from the control, so it hangs on the last
	// digits; where the control lands is what counts.
	for _, p := range pairs {
		if got := affineOf(f.Params).Forward(p.Site); !near(got, p.Base, 1e-7) {
			t.Errorf("%s at %v, want %v", p.ID, got, p.Base)
		}
	}
}

// Swapped columns are noticed.
func TestFitSwapped(t *testing.T) {
	r := rand.New(rand.NewPCG(27, 28))
	pairs := observe(r, catalonia, scatter(r, 6, grid.EN{}, 1000), 0, 0.01)
	if f, err := FitSimilarity(pairs, FitOptions{}); err != nil || len(f.Facts) != 0 {
		t.Errorf("notes without a swap: %v, %v", f.Facts, err)
	}
	for i := range pairs {
		pairs[i].Site.E, pairs[i].Site.N = pairs[i].Site.N, pairs[i].Site.E
	}
	f, err := FitSimilarity(pairs, FitOptions{})
	if err != nil || !f.Fails() || !strings.Contains(f.says(), "swapped") {
		t.Errorf("similarity: notes %v, %v", f.Facts, err)
	}
	g, err := FitAffine(pairs, FitOptions{})
	if err != nil || len(g.Facts) != 1 || !strings.Contains(g.says(), "mirrors") {
		t.Errorf("affine: notes %v, %v", g.Facts, err)
	}
}

// No input of finite or other numbers makes a fit panic or return a NaN.
func FuzzFit(f *testing.F) {
	f.Add(0.0, 0.0, 100.0, 0.0, 100.0, 100.0, 3.0, 90.0, 0.01, 5e5, true)
	f.Add(1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0, 0.0, 1e300, false)
	f.Add(0.0, 0.0, 0.0, 0.0, 1e-300, 0.0, 0.0, 1e300, 1e-320, 0.0, true)
	f.Fuzz(func(t *testing.T, a, b, c, d, e, g, h, i, sigma, shift float64, snoop bool) {
		places := []grid.EN{{E: a, N: b}, {E: c, N: d}, {E: e, N: g}, {E: h, N: i}, {E: a + i, N: c - h}}
		var pairs []ControlPair
		var heights []HeightPair
		for k, p := range places {
			pairs = append(pairs, ControlPair{ID: fmt.Sprint(k), Site: p, Base: grid.EN{E: p.N + shift, N: a*p.E - shift}, BaseSigma: sigma})
			heights = append(heights, HeightPair{ID: fmt.Sprint(k), At: p, Site: p.E * shift, Base: p.N, SiteSigma: sigma})
		}
		o := FitOptions{RejectOutliers: snoop}
		if f, err := FitSimilarity(pairs, o); err == nil {
			sound(t, f)
		}
		if f, err := FitAffine(pairs, o); err == nil {
			sound(t, f)
		}
		if f, err := FitGroundScale(pairs, places[0], nil, o); err == nil {
			sound(t, f)
		}
		if f, err := FitGroundScale(pairs, places[0], &places[1], o); err == nil {
			sound(t, f)
		}
		if f, err := FitVerticalPlane(heights, o); err == nil {
			sound(t, f)
		}
		if f, err := FitVerticalConstant(heights, o); err == nil {
			sound(t, f)
		}
	})
}

// sound checks that a fit can be written as JSON, which has no NaN, and that its
// redundancies are shares.
func sound[T any](t *testing.T, f Fit[T]) {
	t.Helper()
	if _, err := json.Marshal(f); err != nil {
		t.Fatalf("%v: %+v", err, f)
	}
	for _, o := range f.Observations {
		if !(o.Redundancy >= 0 && o.Redundancy <= 1) {
			t.Fatalf("%+v", o)
		}
	}
}

// The adjustment next to its floor: gonum's bare least squares by QR on the same
// matrix, without any of the tests.
func BenchmarkFit(b *testing.B) {
	r := rand.New(rand.NewPCG(29, 30))
	for _, n := range []int{6, 50, 500} {
		pairs := observe(r, catalonia, scatter(r, n, grid.EN{E: 5e5, N: 6e6}, 2000), 0, 0.01)
		b.Run(fmt.Sprintf("similarity/%d", n), func(b *testing.B) {
			for b.Loop() {
				if _, err := FitSimilarity(pairs, FitOptions{}); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(fmt.Sprintf("QR/%d", n), func(b *testing.B) {
			for b.Loop() {
				a := mat.NewDense(2*n, 4, nil)
				l := mat.NewVecDense(2*n, nil)
				for i, p := range pairs {
					a.SetRow(2*i, []float64{p.Site.E - 5e5, p.Site.N - 6e6, 1, 0})
					a.SetRow(2*i+1, []float64{p.Site.N - 6e6, 5e5 - p.Site.E, 0, 1})
					l.SetVec(2*i, p.Base.E-5e5)
					l.SetVec(2*i+1, p.Base.N-6e6)
				}
				var qr mat.QR
				var x mat.VecDense
				qr.Factorize(a)
				if err := qr.SolveVecTo(&x, false, l); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// Without a limit of one's own a third of the pairs may go, not more.
func TestRejectStops(t *testing.T) {
	r := rand.New(rand.NewPCG(35, 36))
	pairs := observe(r, catalonia, scatter(r, 12, grid.EN{E: 1000, N: 2000}, 800), 0, 0.01)
	for i, d := range []float64{40, 25, 16, 9, 5} {
		pairs[i].Base.E += d
	}
	f, err := FitSimilarity(pairs, FitOptions{RejectOutliers: true})
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Removed) != 4 || len(f.Suspects) == 0 || !strings.Contains(f.says(), "4 rejected is the limit") {
		t.Errorf("removed %+v, suspects %+v, notes %v", f.Removed, f.Suspects, f.Facts)
	}
}

// The residuals of heights have a size and no direction, and a bad height is
// found as a bad position is.
func TestRejectHeights(t *testing.T) {
	r := rand.New(rand.NewPCG(37, 38))
	var pairs []HeightPair
	for i, p := range scatter(r, 9, grid.EN{E: 5e5, N: 6e6}, 2000) {
		pairs = append(pairs, HeightPair{ID: fmt.Sprintf("BM%d", i+1), At: p, Base: 40, Site: 41.5 + 0.003*r.NormFloat64(), SiteSigma: 0.003})
	}
	pairs[4].Site += 0.1
	f, err := FitVerticalPlane(pairs, FitOptions{RejectOutliers: true})
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Removed) != 1 || f.Removed[0].ID != "BM5" || f.Removed[0].Axis != "H" || !agree(f.Removed[0].DH, -0.1, 0.02) {
		t.Fatalf("removed %+v", f.Removed)
	}
	for i, p := range f.Residuals() {
		if o := f.Observations[i]; p.Length != math.Abs(o.Residual) || p.ID != o.ID || p.DE != 0 || p.DN != 0 {
			t.Errorf("%+v for %+v", p, o)
		}
	}
}
