package match

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"example.com/phototie/grid"
)

// cloud draws n correlated discrepancies about a shift.
func cloud(n int, shift Vector, src *rand.Rand) []Vector {
	d := make([]Vector, n)
	for i := range d {
		a, b := src.NormFloat64(), src.NormFloat64()
		d[i] = Vector{E: shift.E + 3*a + b, N: shift.N + 0.5*a - 2*b}
	}
	return d
}

func columns(d []Vector) (e, n []float64) {
	for _, v := range d {
		e, n = append(e, v.E), append(n, v.N)
	}
	return e, n
}

// TestSetAgainstGonum compares means, covariance and root mean squares with
// gonum's stat, for a set far from the origin, where sums of squares would
// cancel.
func TestSetAgainstGonum(t *testing.T) {
	d := cloud(500, Vector{E: 1e6, N: -2e6}, rand.New(rand.NewPCG(1, 1)))
	s := NewSetStats(grid.Foot, d, 30, 0.95)
	e, n := columns(d)
	data := mat.NewDense(len(d), 2, nil)
	data.SetCol(0, e)
	data.SetCol(1, n)
	var cov mat.SymDense
	stat.CovarianceMatrix(&cov, data, nil)
	for _, c := range []struct {
		what      string
		got, want float64
		tol       float64
	}{
		{"mean E", s.Mean.E, stat.Mean(e, nil), 1e-15},
		{"mean N", s.Mean.N, stat.Mean(n, nil), 1e-15},
		{"cov EE", s.Cov[0], cov.At(0, 0), 1e-8},
		{"cov EN", s.Cov[1], cov.At(0, 1), 1e-8},
		{"cov NN", s.Cov[2], cov.At(1, 1), 1e-8},
		{"RMSE E", s.RMSEE, math.Sqrt(stat.MomentAbout(2, e, 0, nil)), 1e-13},
		{"RMSE N", s.RMSEN, math.Sqrt(stat.MomentAbout(2, n, 0, nil)), 1e-13},
		{"RMSE r", s.RMSER, math.Hypot(s.RMSEE, s.RMSEN), 1e-15},
	} {
		if rel(c.got, c.want) > c.tol {
			t.Errorf("%s: got %v, gonum %v", c.what, c.got, c.want)
		}
	}
	if s.Unit != grid.Foot || s.N != 500 {
		t.Errorf("unit %v, n %d", s.Unit, s.N)
	}
}

// TestNSSDA: the rules of FGDC-STD-007.3-1998, 3.2.2 and appendix 3-A. The
// figures are arithmetic with the standard's factors; the command's test carries a
// worked example through.
func TestNSSDA(t *testing.T) {
	// 2.4477 is the circular 95 % factor and 1.7308 the same over sqrt(2).
	if f := rayleighFactor(0.95); math.Round(f*1e4) != 24477 || math.Round(f/math.Sqrt2*1e4) != 17308 {
		t.Errorf("factors %v, %v", f, f/math.Sqrt2)
	}
	for _, c := range []struct {
		n    int
		e, m float64
		want float64
		why  string
	}{
		{20, 1, 1, 1.7308 * math.Sqrt2, ""},
		{19, 1, 1, 0, "asks for 20 check points"},
		{1, 1, 1, 0, "asks for 20"},
		{100, 3, 5, 2.4477 * 4, ""}, // the ratio of exactly 0.6
		{100, 5, 3, 2.4477 * 4, ""},
		{100, 0.59, 1, 0, "is 0.59"},
		{100, 0, 2, 0, "is 0.00"},
		{100, 0, 0, 0, ""},
	} {
		var s SetStats
		s.points(slices.Repeat([]Vector{{c.e, c.m}}, c.n), 0.5)
		if c.why != "" && s.NSSDA != nil || !strings.Contains(s.NSSDAWhy, c.why) || c.why == "" && (s.NSSDA == nil || math.Abs(*s.NSSDA-c.want) > 1e-4*c.want) {
			t.Errorf("n %d, RMSE %v and %v: %v %q, want %v %q", c.n, c.e, c.m, s.NSSDA, s.NSSDAWhy, c.want, c.why)
		}
		r := math.Hypot(c.e, c.m)
		if p := s.CheckPoints; p.N != c.n || rel(p.DRMS2, 2*r) > 1e-12 && r > 0 || (p.Total != nil) != (c.n >= 30) || p.Total != nil && rel(*p.Total, math.Hypot(r, 0.5)) > 1e-12 {
			t.Errorf("n %d, RMSE %v and %v: %+v", c.n, c.e, c.m, p)
		}
	}
	// Of circular errors half lie within CEP, 68.27 % within R68 and 95 % within NSSDA.
	src := rand.New(rand.NewPCG(3, 3))
	d := make([]Vector, 20000)
	for i := range d {
		d[i] = Vector{src.NormFloat64(), src.NormFloat64()}
	}
	s := NewSetStats(grid.Metre, d, 0, 0.95)
	for _, c := range []struct{ radius, share float64 }{{*s.CheckPoints.CEP, 0.5}, {*s.CheckPoints.R68, 0.6827}, {*s.NSSDA, 0.95}} {
		inside := 0
		for _, v := range d {
			if math.Hypot(v.E, v.N) <= c.radius {
				inside++
			}
		}
		if lo, hi := BinomialInterval(inside, len(d), 0.9999); lo > c.share || hi < c.share {
			t.Errorf("%v holds %d of %d, want %v", c.radius, inside, len(d), c.share)
		}
	}
}

// TestCheckPoints: the photos of a point count as one check point with their mean, and
// blunders count. Points of the same name at other places are other points.
func TestCheckPoints(t *testing.T) {
	tally := NewTally(grid.Metre, Budget{})
	add := func(point string, at float64, d Vector, p float64) {
		tally.adjusted = nil
		tally.s.Judged = append(tally.s.Judged, judged{P: p, DE: d.E, DN: d.N, Within: p > 0.05, Point: point, E: at, Survey: 0.3})
	}
	for i := range 20 {
		for k := range 3 { // their mean is 3, 4
			add("A", float64(i), Vector{3 + float64(k-1), 4 - float64(k-1)}, 0.5)
		}
	}
	all, honest := tally.Sets()
	c := all.CheckPoints
	if all.N != 60 || c == nil || c.N != 20 || rel(c.RMSEE, 3) > 1e-12 || rel(c.RMSER, 5) > 1e-12 || rel(*all.NSSDA, 2.4477*3.5) > 1e-12 || rel(c.Survey, 0.3*math.Sqrt2) > 1e-12 || honest != nil {
		t.Errorf("%+v, %+v", all, c)
	}
	add("B", 0, Vector{3000, 4000}, 0)
	all, honest = tally.Sets()
	if c = all.CheckPoints; c.N != 21 || c.RMSER < 1000 || honest == nil || honest.NSSDA != nil || honest.CheckPoints != nil || honest.NSSDAWhy == "" {
		t.Errorf("with a blunder: %+v, without it %+v", c, honest)
	}
}

// TestHotelling: example 5.1 of Johnson and Wichern, Applied Multivariate
// Statistical Analysis (from memory): three observations, mean (8, 6), tested
// against (9, 5), T² = 7/9. The p-value against gonum's F.
func TestHotelling(t *testing.T) {
	var d []Vector
	for _, v := range [][2]float64{{6, 9}, {10, 6}, {8, 3}} {
		d = append(d, Vector{E: v[0] - 9, N: v[1] - 5})
	}
	s := NewSetStats(grid.Metre, d, 0, 0.95)
	if *s.Cov != [3]float64{4, -3, 9} {
		t.Fatalf("covariance %v, the book has 4, -3, 9", *s.Cov)
	}
	if s.Shift == nil || math.Abs(s.Shift.T2-7.0/9) > 1e-12 || s.Shift.DF != 1 {
		t.Fatalf("shift %+v, the book has T² = 7/9", s.Shift)
	}
	for _, n := range []int{3, 4, 10, 1000} {
		for _, shift := range []float64{0, 0.2, 2, 20} {
			s := NewSetStats(grid.Metre, cloud(n, Vector{E: shift}, rand.New(rand.NewPCG(8, uint64(n)))), 0, 0.95)
			want := distuv.F{D1: 2, D2: float64(n - 2)}.Survival(s.Shift.F)
			if math.Abs(s.Shift.P-want) > 1e-10 {
				t.Errorf("n %d, shift %v: p %v, gonum %v", n, shift, s.Shift.P, want)
			}
		}
	}
	for _, c := range []struct {
		d   []Vector
		why string
	}{
		{d[:1], "1 independent visit;"},
		{d[:2], "2 independent visits;"},
		{[]Vector{{1, 1}, {1, 1}, {1, 1}}, "the same"},
		{[]Vector{{1, 1}, {2, 2}, {5, 5}}, "one line"},
	} {
		if s := NewSetStats(grid.Metre, c.d, 0, 0.95); s.Shift != nil || !strings.Contains(s.ShiftWhy, c.why) {
			t.Errorf("%v: %+v %q", c.d, s.Shift, s.ShiftWhy)
		}
	}
}

// TestShiftLevel: without a shift 5 % of the test's p-values are below 0.05, whether
// photos are taken one by one with standoffs in random directions, in bursts that
// share their errors, or carried by a frame that is off for all of them; and the
// interval of the share over budget holds the true one.
func TestShiftLevel(t *testing.T) {
	inFull(t)
	const trials = 4000
	for _, c := range []struct {
		name             string
		burst, visits    int
		rho, standoff, f float64
	}{
		{"one by one", 1, 12, 0, 2, 0},
		{"bursts of three", 3, 20, 0.6, 0, 0},
		{"bursts of six", 6, 10, 0.9, 0, 0},
		{"a frame off by 1 m", 1, 60, 0, 0, 1},
		{"bursts and a frame", 3, 8, 0.6, 0, 0.3},
	} {
		src := rand.New(rand.NewPCG(6, 28))
		below, missed := 0, 0
		for range trials {
			var photos []judged
			over := 0
			off := Vector{c.f * src.NormFloat64(), c.f * src.NormFloat64()}
			for v := range c.visits {
				common := Vector{src.NormFloat64(), src.NormFloat64()}
				for b := range c.burst {
					sin, cos := math.Sincos(src.Float64() * 2 * math.Pi)
					e := math.Sqrt(c.rho)*common.E + math.Sqrt(1-c.rho)*src.NormFloat64()
					n := math.Sqrt(c.rho)*common.N + math.Sqrt(1-c.rho)*src.NormFloat64()
					j := judged{DE: off.E + e + c.standoff*sin, DN: off.N + n + c.standoff*cos, Within: math.Hypot(e, n) < 2, Time: float64(1 + 2*visitSeconds*v + b)}
					if photos = append(photos, j); !j.Within {
						over++
					}
				}
			}
			visits := gather(photos, visited, sameVisit)
			if len(visits) != c.visits {
				t.Fatalf("%s: %d visits", c.name, len(visits))
			}
			if shift, _ := shiftTest(means(visits), c.f); shift.P < 0.05 {
				below++
			}
			o := newOverShare(over, len(photos), len(visits), 0.05)
			if share := math.Exp(-2); o.Low > share || o.High < share {
				missed++
			}
		}
		t.Logf("%s: %.3f below 0.05, %.3f of intervals missed", c.name, float64(below)/trials, float64(missed)/trials)
		if p := float64(below) / trials; p < 0.04 || p > 0.06 {
			t.Errorf("%s: without a shift %.3f have p < 0.05", c.name, p)
		}
		if p := float64(missed) / trials; p > 0.06 {
			t.Errorf("%s: %.3f of the 95 %% intervals miss the share", c.name, p)
		}
	}
}

func TestEllipse(t *testing.T) {
	k := rayleighFactor(0.95)
	for _, c := range []struct {
		cov          [3]float64
		major, minor float64
		bearing      float64 // NaN for undefined
	}{
		{[3]float64{9, 0, 4}, 3, 2, 90},
		{[3]float64{4, 0, 9}, 3, 2, 0},
		{[3]float64{2.5, 1.5, 2.5}, 2, 1, 45},
		{[3]float64{2.5, -1.5, 2.5}, 2, 1, 135},
		{[3]float64{4, 0, 4}, 2, 2, math.NaN()},
		{[3]float64{0, 0, 0}, 0, 0, math.NaN()},
		{[3]float64{1, 1, 1}, math.Sqrt2, 0, 45},
		{[3]float64{1e300, 0, 1e-300}, 1e150, 1e-150, 90},
	} {
		e := newEllipse(c.cov, 0.95)
		if math.Abs(e.SemiMajor-k*c.major) > 1e-12*k*c.major || math.Abs(e.SemiMinor-k*c.minor) > 1e-7*k*max(c.minor, c.major*1e-7) {
			t.Errorf("%v: axes %v, %v; want %v, %v", c.cov, e.SemiMajor, e.SemiMinor, k*c.major, k*c.minor)
		}
		if e.Bearing.Defined() == math.IsNaN(c.bearing) || e.Bearing.Defined() && math.Abs(e.Bearing.Degrees()-c.bearing) > 1e-9 {
			t.Errorf("%v: bearing %v, want %v", c.cov, e.Bearing, c.bearing)
		}
	}
	// It holds its share of a large normal set.
	const n = 20000
	d := cloud(n, Vector{E: 5}, rand.New(rand.NewPCG(2, 7)))
	s := NewSetStats(grid.Metre, d, 0, 0.95)
	inv := newEllipticNoise(*s.Cov, 0)
	inside := 0
	for _, v := range d {
		if inv.mahalanobis(v.E-s.Mean.E, v.N-s.Mean.N) <= k {
			inside++
		}
	}
	if lo, hi := BinomialInterval(inside, n, 0.9999); lo > 0.95 || hi < 0.95 {
		t.Errorf("the 95 %% ellipse holds %d of %d", inside, n)
	}
}

// TestBinomialInterval: closed forms, tables, and gonum's binomial.
func TestBinomialInterval(t *testing.T) {
	for _, c := range []struct {
		k, n      int
		low, high float64
		source    string
	}{
		{0, 10, 0, 0.3085, "closed form 1 - 0.025^(1/10)"},
		{10, 10, 0.6915, 1, "the same mirrored"},
		{1, 10, 0.0025, 0.4450, "statistical tables, from memory"},
		{5, 10, 0.1871, 0.8129, "statistical tables, from memory"},
	} {
		lo, hi := BinomialInterval(c.k, c.n, 0.95)
		if math.Abs(lo-c.low) > 5e-5 || math.Abs(hi-c.high) > 5e-5 {
			t.Errorf("%d of %d: %.4f to %.4f, want %.4f to %.4f (%s)", c.k, c.n, lo, hi, c.low, c.high, c.source)
		}
	}
	// At the ends of the interval the tails of the binomial are 2.5 % each.
	for _, c := range [][2]int{{1, 2}, {3, 20}, {50, 1000}, {5000, 100000}, {99999, 100000}} {
		k, n := float64(c[0]), float64(c[1])
		lo, hi := BinomialInterval(c[0], c[1], 0.95)
		if p := 1 - (distuv.Binomial{N: n, P: lo}).CDF(k-1); math.Abs(p-0.025) > 1e-8 {
			t.Errorf("%v of %v: P(K >= k) at the low end is %v", k, n, p)
		}
		if p := (distuv.Binomial{N: n, P: hi}).CDF(k); math.Abs(p-0.025) > 1e-8 {
			t.Errorf("%v of %v: P(K <= k) at the high end is %v", k, n, p)
		}
		if p, want := newOverShare(c[0], c[1], c[1], 0.05).P, 1-(distuv.Binomial{N: n, P: 0.05}).CDF(k-1); math.Abs(p-want) > 1e-10 {
			t.Errorf("%v of %v: P(K >= k) %v, gonum %v", k, n, p, want)
		}
	}
	if lo, hi := BinomialInterval(0, 0, 0.95); lo != 0 || hi != 1 {
		t.Errorf("no trials: %v to %v", lo, hi)
	}
	for _, c := range [][2]int{{-1, 3}, {4, 3}} {
		if lo, _ := BinomialInterval(c[0], c[1], 0.95); !math.IsNaN(lo) {
			t.Errorf("%v: %v", c, lo)
		}
	}
	if newOverShare(0, 10, 10, 0.05).P != 1 {
		t.Error("none or more are certain")
	}
}

// TestGeometricMedian: geometry that is known. Of four corners of a convex
// quadrilateral it is where the diagonals cross; of an equilateral triangle its
// centre; of a triangle with an angle of 120 degrees or more that corner.
func TestGeometricMedian(t *testing.T) {
	for _, c := range []struct {
		name string
		d    []Vector
		want Vector
	}{
		{"one", []Vector{{3, 4}}, Vector{3, 4}},
		{"same", []Vector{{3, 4}, {3, 4}, {3, 4}}, Vector{3, 4}},
		{"quadrilateral", []Vector{{0, 0}, {10, 10}, {0, 4}, {4, 0}}, Vector{2, 2}},
		{"equilateral", []Vector{{0, 0}, {2, 0}, {1, math.Sqrt(3)}}, Vector{1, 1 / math.Sqrt(3)}},
		{"blunt", []Vector{{-10, 0}, {0, 1}, {10, 0}}, Vector{0, 1}},
		{"majority", []Vector{{1, 1}, {1, 1}, {1, 1}, {500, 3}, {-20, 9000}}, Vector{1, 1}},
		{"on a line", []Vector{{0, 0}, {1, 1}, {5, 5}}, Vector{1, 1}},
	} {
		got := geometricMedian(c.d)
		if math.Hypot(got.E-c.want.E, got.N-c.want.N) > 1e-6 {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
	// It turns with the axes, also where an angle of a triangle is 120 degrees but for
	// little.
	turns := func(t interface{ Fatalf(string, ...any) }, d []Vector, angle float64) {
		sin, cos := math.Sincos(angle)
		turned := make([]Vector, len(d))
		for i, v := range d {
			turned[i] = Vector{E: v.E*cos - v.N*sin, N: v.E*sin + v.N*cos}
		}
		a, b := robust(d), robust(turned)
		if math.Hypot(a.Centre.E*cos-a.Centre.N*sin-b.Centre.E, a.Centre.E*sin+a.Centre.N*cos-b.Centre.N) > 1e-5 || rel(a.Spread, b.Spread) > 1e-4 {
			t.Fatalf("%+v, turned %+v", a, b)
		}
	}
	src := rand.New(rand.NewPCG(7, 7))
	for range 3000 {
		turns(t, cloud(3, Vector{}, src), 2*math.Pi*src.Float64())
	}
	rapid.Check(t, func(t *rapid.T) {
		d := cloud(rapid.IntRange(3, 60).Draw(t, "n"), Vector{}, rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1)))
		turns(t, d, rapid.Float64Range(0, 2*math.Pi).Draw(t, "angle"))
	})
}

// TestRobust: a third of gross errors, all to one side, does not carry the
// centre away, and without them the spread is the standard deviation.
func TestRobust(t *testing.T) {
	src := rand.New(rand.NewPCG(5, 5))
	d := make([]Vector, 20000)
	for i := range d {
		d[i] = Vector{E: 1 + 3*src.NormFloat64(), N: 2 + 3*src.NormFloat64()}
	}
	clean := robust(d)
	if math.Hypot(clean.Centre.E-1, clean.Centre.N-2) > 0.1 || math.Abs(clean.Spread-3) > 0.06 {
		t.Errorf("clean: %+v, want centre 1, 2 and spread 3", clean)
	}
	for i := range d[:6000] {
		d[i] = Vector{E: 1e7, N: 1e7}
	}
	if foul := robust(d); math.Hypot(foul.Centre.E-1, foul.Centre.N-2) > 3 || foul.Spread > 9 {
		t.Errorf("a third gross: %+v", foul)
	}
}

// TestHolm: worked by hand from the definition, p-values in and out of order.
func TestHolm(t *testing.T) {
	for _, c := range []struct{ p, want []float64 }{
		{nil, []float64{}},
		{[]float64{0.2}, []float64{0.2}},
		{[]float64{0.01, 0.04, 0.03, 0.005}, []float64{0.03, 0.06, 0.06, 0.02}},
		{[]float64{0.5, 0.5, 0.9}, []float64{1, 1, 1}},
		{[]float64{0, 1e-300, 1}, []float64{0, 2e-300, 1}},
	} {
		got := Holm(c.p)
		if len(got) != len(c.want) {
			t.Fatalf("%v: %v", c.p, got)
		}
		for i := range got {
			if rel(got[i], c.want[i]) > 1e-12 {
				t.Errorf("%v: %v, want %v", c.p, got, c.want)
			}
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SliceOfN(rapid.Float64Range(0, 1), 1, 50).Draw(t, "p")
		adj := Holm(p)
		for i := range p {
			if adj[i] < p[i] || adj[i] > 1 {
				t.Fatalf("p %v adjusted to %v", p[i], adj[i])
			}
			for j := range p {
				if p[i] < p[j] && adj[i] > adj[j] {
					t.Fatalf("order lost: %v, %v to %v, %v", p[i], p[j], adj[i], adj[j])
				}
			}
		}
	})
}

// TestSetIsJSON: no set gives a NaN or an infinity, however odd it is.
func TestSetIsJSON(t *testing.T) {
	if NewSetStats(grid.Metre, nil, 0, 0.95) != nil {
		t.Error("statistics of nothing")
	}
	src := rand.New(rand.NewPCG(9, 9))
	for _, d := range [][]Vector{
		{{0, 0}}, {{1, 2}}, {{1, 2}, {1, 2}}, {{0, 0}, {0, 0}, {0, 0}, {0, 0}},
		{{1e7, -1e7}, {1e-9, 0}, {0, 1e-9}}, {{1, 0}, {2, 0}, {3, 0}}, slices.Repeat([]Vector{{4, 4}}, 30),
		cloud(25, Vector{E: 1e7}, src),
	} {
		for _, over := range []int{0, len(d)} {
			if _, err := json.Marshal(NewSetStats(grid.Metre, d, over, 0.95)); err != nil {
				t.Errorf("%v: %v", d, err)
			}
		}
	}
}
