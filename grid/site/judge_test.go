package site

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

// creek is three pairs of a job in feet on the ground, as offices have them:
// scaled about a project point, a round number taken off. The blunder is in the
// easting of the first.
func creek(factor, blunder float64) []ControlPair {
	g := newGroundScale(grid.EN{E: 2000000, N: 600000}, factor, grid.EN{E: 1750000, N: 500000})
	var out []ControlPair
	for i, p := range []grid.EN{{E: 250100, N: 100050}, {E: 250480, N: 99890}, {E: 250260, N: 100300}} {
		out = append(out, ControlPair{ID: fmt.Sprintf("C%d", i+1), Site: p, Base: g.Affine().Forward(p)})
	}
	// The base is read to 0.01 ft.
	for i := range out {
		b := &out[i].Base
		b.E, b.N = math.Round(b.E*100)/100, math.Round(b.N*100)/100
	}
	out[0].Base.E += blunder
	return out
}

// statePlane is a base in US survey feet with a point scale and a convergence that are
// the same everywhere.
type statePlane struct {
	gauss
	factors grid.Factors
}

func (statePlane) Grid() grid.Grid                                   { return grid.Grid{Name: "state plane", Unit: grid.USSurveyFoot} }
func (f *statePlane) Factors(grid.EN) (grid.Factors, error)          { return f.factors, nil }
func (*statePlane) Geographic(grid.EN) (grid.LatLon, error)          { return grid.LatLon{}, grid.ErrOutside }
func (*statePlane) Geodesic(_, _ grid.EN) (g grid.Geodesic, e error) { return g, grid.ErrOutside }

var stateGrid = &statePlane{factors: grid.Factors{Convergence: 1.2, PointScale: 0.99987}}

// kinds are the kinds of the facts of a fit.
func (f Fit[T]) kinds() []FactKind {
	var out []FactKind
	for _, x := range f.Facts {
		out = append(out, x.Kind)
	}
	return out
}

// A blunder of 3 ft among three pairs without standard errors: no test of single
// observations finds it, since two degrees of freedom leave τ no room (Pope's
// critical value is over its largest value). The residuals are over the
// tolerance, the scale is none that a survey has, and no pair can be named. The
// same pairs without the blunder fit.
func TestBlunderAmongThree(t *testing.T) {
	good, err := FitSimilarity(creek(0.9999, 0), FitOptions{Base: stateGrid})
	if err != nil || good.Fails() {
		t.Fatalf("good control: %v, %v", good.Facts, err)
	}
	if !slices.Equal(good.kinds(), []FactKind{FactUnlocatable}) {
		t.Errorf("good control: %v", good.Facts)
	}
	var implausible *ImplausibleError
	if _, err := FitSimilarity(creek(0.9999, 3), FitOptions{Base: stateGrid}); !errors.As(err, &implausible) || implausible.Quantity != "scale" {
		t.Errorf("a blunder of 3 ft gives %v", err)
	}
	// With the scale held it has nowhere to go but into the residuals.
	f, err := FitRigid(creek(0.9999, 3), 0.9999, FitOptions{})
	if err != nil || !f.Fails() {
		t.Errorf("scale held: %v, %v", f.Facts, err)
	}
	// Without a grid that tells what a scale can be, the residuals tell.
	bare, err := FitSimilarity(creek(0.9999, 3), FitOptions{Unit: grid.USSurveyFoot})
	if err != nil || !bare.Fails() || !slices.Contains(bare.kinds(), FactOverTolerance) || !slices.Contains(bare.kinds(), FactUnlocatable) {
		t.Errorf("no base: %v, %v", bare.Facts, err)
	}
	if over := bare.Facts[slices.Index(bare.kinds(), FactOverTolerance)]; over.Limit != 0.05 || over.Value < 0.05 || len(over.Pairs) == 0 {
		t.Errorf("%+v", over)
	}
}

// Two blunders of 0.5 m among eight pairs hide each other from the test of single
// observations; the tolerance sees them. A wider tolerance takes them.
func TestTwoBlundersAmongEight(t *testing.T) {
	r := rand.New(rand.NewPCG(101, 102))
	pairs := unknown(observe(r, catalonia, scatter(r, 8, grid.EN{E: 1000, N: 2000}, 800), 0, 0.01))
	pairs[1].Base.E += 0.5
	pairs[4].Base.N -= 0.5
	f, err := FitSimilarity(pairs, FitOptions{})
	if err != nil || !f.Fails() || len(f.Suspects) != 0 {
		t.Errorf("%v, suspects %v, %v", f.Facts, f.Suspects, err)
	}
	if f, err = FitSimilarity(pairs, FitOptions{Tolerance: 1}); err != nil || f.Fails() {
		t.Errorf("with 1 m: %v, %v", f.Facts, err)
	}
	// Stated standard errors judge by themselves, tolerance or not: S0 is some 40.
	if f, err = FitSimilarity(pairs, FitOptions{Sigma: 0.01, Tolerance: 1}); err != nil || !slices.Contains(f.kinds(), FactOverErrors) {
		t.Errorf("with 0.01 m stated: %v, %v", f.Facts, err)
	}
}

// How often a fit without a blunder fails: the tolerance of 0.05 m is five times
// the noise here, so never in 2,000 jobs; and with standard errors that are right
// by the significance of the tests, 0.001 an observation and 0.001 for all.
func TestHonestControlPasses(t *testing.T) {
	r := rand.New(rand.NewPCG(103, 104))
	const jobs = 2000
	bare, stated := 0, 0
	for range jobs {
		pairs := observe(r, catalonia, scatter(r, 5, grid.EN{E: 1000, N: 2000}, 800), 0, 0.01)
		f, err := FitSimilarity(pairs, FitOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if f.Fails() {
			stated++
		}
		g, err := FitSimilarity(unknown(pairs), FitOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if slices.ContainsFunc(g.Facts, Fact.Fails) {
			bare++
		}
	}
	// 10 observations and one sum: about 0.011 of the jobs.
	if bare != 0 || stated > 40 || stated < 5 {
		t.Errorf("%d of %d honest jobs over the tolerance, %d over stated errors", bare, jobs, stated)
	}
}

// A scale that no survey has, a skew, and a rotation of coordinates that are the
// grid's own less a round number. What surveys do have passes: ground at any
// height, coordinates from true north, a plant grid turned by any angle.
func TestPlausible(t *testing.T) {
	ground := func(factor float64) []ControlPair { return creek(factor, 0) }
	turned := func(degrees float64, from grid.EN) []ControlPair {
		pairs := creek(0.9999, 0)
		about := pairs[0].Site
		s := Similarity{Scale: 1, Rotation: degrees}
		for i := range pairs {
			p := &pairs[i].Site
			d := s.Affine().Inverse(grid.EN{E: p.E - about.E, N: p.N - about.N})
			*p = grid.EN{E: about.E + d.E - from.E, N: about.N + d.N - from.N}
		}
		return pairs
	}
	for _, tt := range []struct {
		name  string
		pairs []ControlPair
		want  string // the quantity refused
	}{
		{"on the ground at 200 m", ground(0.99984), ""},
		{"on the ground at 5000 m", ground(0.99987 * 6.372 / 6.377), ""},
		{"a combined factor turned over and more", ground(1.197), "scale"},
		{"metres as feet", ground(0.3048), "scale"},
		{"from true north", turned(1.2, grid.EN{}), ""},
		{"and the other way", turned(-1.2, grid.EN{}), ""},
		{"turned by what nothing explains", turned(-2.31, grid.EN{}), "rotation"},
		{"a plant grid", turned(37.4, grid.EN{E: 249000, N: 99000}), ""},
	} {
		_, err := FitSimilarity(tt.pairs, FitOptions{Base: stateGrid})
		var e *ImplausibleError
		if got := errors.As(err, &e); got != (tt.want != "") || got && e.Quantity != tt.want || !got && err != nil {
			t.Errorf("%s: %v, want %q", tt.name, err, tt.want)
		}
	}
	skewed := creek(0.9999, 0)
	skewed = append(skewed, ControlPair{ID: "C4", Site: grid.EN{E: 250000, N: 100200}, Base: creek(0.9999, 0)[0].Base})
	for i := range skewed {
		skewed[i].Base.E = 2000000 + 1.01*(skewed[i].Site.E-250000)
		skewed[i].Base.N = 600000 + 0.99*(skewed[i].Site.N-100000)
	}
	var e *ImplausibleError
	if _, err := FitAffine(skewed, FitOptions{Base: stateGrid}); !errors.As(err, &e) || e.Quantity != "skew" || !strings.Contains(err.Error(), "skew") {
		t.Errorf("skewed: %v", err)
	}
	if _, err := FitGroundScale(creek(1.197, 0), grid.EN{E: 2000000, N: 600000}, nil, FitOptions{Base: stateGrid}); !errors.As(err, &e) || e.Quantity != "scale" {
		t.Errorf("a combined factor of 1.197: %v", err)
	}
}

// A shift and a rotation with the scale held, by hand: a 100 m square turned by
// 30° about its middle and moved, an error of 0.08 m in one easting. Rotation by
// the error: Σ(dE cos θ ...) / Σ r² = at P1, 0.08 x (N' ) / 20000 with N' the
// distance of P1 north of the middle on the base.
func TestFitRigidByHand(t *testing.T) {
	truth := Similarity{Origin: grid.EN{E: 1000, N: 2000}, Scale: 0.9998, Rotation: 30}
	pairs := square(0)
	for i := range pairs {
		pairs[i].Base = truth.Affine().Forward(pairs[i].Site)
	}
	f, err := FitRigid(pairs, 0.9998, FitOptions{})
	if err != nil || !agree(f.Params.Rotation, 30, 1e-10) || f.Params.Scale != 0.9998 || !near(f.Params.Origin, truth.Origin, 1e-9) || f.DegreesOfFreedom != 5 {
		t.Fatalf("%+v, %d degrees of freedom, %v", f.Params, f.DegreesOfFreedom, err)
	}
	pairs[0].Base.E += 0.08
	if f, err = FitRigid(pairs, 0.9998, FitOptions{Sigma: 0.01}); err != nil {
		t.Fatal(err)
	}
	// P1 at (-50, -50) turned by 30° lies 50 (-cos 30 - sin 30) east and
	// 50 (-cos 30 + sin 30) north, times the scale.
	n := 0.9998 * 50 * (-math.Cos(math.Pi/6) + math.Sin(math.Pi/6))
	want := 0.08 * n / (0.9998 * 0.9998 * 20000) * 180 / math.Pi
	if got := f.Params.Rotation - 30; !agree(got, want, 1e-3*math.Abs(want)) {
		t.Errorf("rotation off by %v°, want %v°", got, want)
	}
	if !near(f.Params.Origin, grid.EN{E: 1000.02, N: 2000}, 1e-9) {
		t.Errorf("origin %v", f.Params.Origin)
	}
	if s := *f.param(t, "rotation").StdErr; !agree(s, 0.01/(0.9998*math.Sqrt(20000))*180/math.Pi, 1e-9) {
		t.Errorf("standard error of the rotation %v°", s)
	}
	if len(f.Suspects) == 0 || f.Suspects[0].ID != "P1" {
		t.Errorf("suspects %+v", f.Suspects)
	}
	// Feet on the site: 1 in feet is 0.3048 m.
	feet := square(0)
	for i := range feet {
		feet[i].Base = Similarity{Scale: 0.3048, Rotation: 200}.Affine().Forward(feet[i].Site)
	}
	if f, err = FitRigid(feet, 1, FitOptions{Unit: grid.Foot}); err != nil || !agree(math.Mod(f.Params.Rotation+360, 360), 200, 1e-9) || f.Params.Scale != 0.3048 {
		t.Errorf("%+v, %v", f.Params, err)
	}
	if _, err := FitRigid(pairs, 0, FitOptions{}); err == nil {
		t.Error("a scale of 0")
	}
}

// The precision of a fitted system is that of each place: a position 5 km off
// control that is 100 m wide is far worse than one in its middle, and what the
// system states of an operation follows. By hand as in TestFitSimilarityByHand:
// σ sqrt(2) sqrt(1/4 + d²/20000).
func TestPrecisionAtThePoints(t *testing.T) {
	f, err := FitSimilarity(square(0.001), FitOptions{Sigma: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range []float64{0, 50, 5000} {
		if got, want := f.Precision.At(grid.EN{E: d}), 0.01*math.Sqrt2*math.Sqrt(0.25+d*d/20000); !agree(got, want, 1e-9) {
			t.Errorf("%v m off: %v m, want %v", d, got, want)
		}
	}
	// Without stated errors, few degrees of freedom widen it: Student's t with 4
	// degrees is 2.776 at 95 %, and 1.96 the normal's (statistical tables).
	g, err := FitSimilarity(square(0.001), FitOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := g.Precision.At(grid.EN{}), *g.S0*math.Sqrt2/2*2.776/1.960; !agree(got, want, 1e-3*want) {
		t.Errorf("%v m in the middle, want %v", got, want)
	}
	own := 0.03
	base := tall{&gauss{}, &own}
	def := quay(SiteToBase)
	def.Accuracy, def.Precision = nil, &Precision{AtCentre: 0.012, EE: 1e-8, NN: 1e-8}
	s := mustNew(t, base, def)
	at := []grid.EN{{E: 1, N: 1}, {E: 2, N: 2}, {E: 5000, N: 0}}
	there, err := s.FromGrid(t.Context(), at, make([]grid.Frame, len(at)))
	if err != nil {
		t.Fatal(err)
	}
	fixes, err := s.ToGrid(t.Context(), []grid.Fix{there[0].Fix, there[1].Fix, there[2].Fix})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{0.015, 0.015, 0.7} { // rounded up: 0.012, 0.012, 0.5
		if op := fixes[i].Op; op == nil || op.Accuracy == nil || !agree(*op.Accuracy, math.Hypot(own, want), 1e-9) {
			t.Errorf("%v: %+v, want %v", at[i], op, math.Hypot(own, want))
		}
	}
	if fixes[0].Op != fixes[1].Op {
		t.Error("operations of one accuracy are not shared")
	}
}

// TestFactInFeet: what is over the tolerance is told in the survey's unit, with the
// tolerance as it is set beside it (1 US survey foot is 1200/3937 m, by definition).
func TestFactInFeet(t *testing.T) {
	f := Fact{Kind: FactOverTolerance, Pairs: []string{"C1"}, Value: 1200.0 / 3937, Limit: 0.05}
	for u, want := range map[grid.Unit]string{
		grid.Metre:        "residuals of up to 0.305 m (C1) are over the tolerance of 0.05 m.",
		grid.USSurveyFoot: "residuals of up to 1.000 ftUS (C1) are over the tolerance of 0.164 ftUS (0.05 m).",
	} {
		if got := f.In(u); !strings.HasSuffix(got, want) {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
