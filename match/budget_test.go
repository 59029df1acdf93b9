package match

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distmv"
	"gonum.org/v1/gonum/stat/distuv"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

func ptr[T any](v T) *T { return &v }

// exactOp is an operation that adds nothing to the budget.
var exactOp = &grid.Operation{Name: "exact", Accuracy: ptr(0.0)}

func TestAllowanceBreakdown(t *testing.T) {
	a, err := DefaultBudget().Allowance(&geotag.Tag{HPositioningError: ptr(3.1)}, Point{ID: "B7"}, exactOp, AllowanceOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := a.String(), "3.1 m handheld, 0.02 m survey, 2 m standoff -> 6.3 m at 95 %"; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	// By hand: s = hypot(3.1/1.4142, 0.02) = 2.1921, r/s = 0.9124, and the table's
	// rows for 0.5 and 1 bracket R/s.
	if ratio := a.Threshold / a.Sigma; ratio < 2.5917 || ratio > 2.9398 {
		t.Errorf("threshold / sigma = %.4f, outside the rows of the table for r/s 0.5 and 1", ratio)
	}
	if math.Abs(a.Sigma-2.1921) > 1e-3 {
		t.Errorf("sigma %.4f, want 2.1921", a.Sigma)
	}
}

// TestAllowanceHandheld: the order of the sources of the handheld's noise, and
// that what can't be believed is noted and passed over.
func TestAllowanceHandheld(t *testing.T) {
	b := DefaultBudget()
	class := 4.9 / 1.1774
	for _, c := range []struct {
		name   string
		tag    *geotag.Tag
		sigma  float64
		source string
		note   string
	}{
		{"no tag", nil, class, "device class 4.9 m taken as a 50 % radius", ""},
		{"class", &geotag.Tag{}, class, "device class 4.9 m", ""},
		{"error", &geotag.Tag{HPositioningError: ptr(3.1), DOP: ptr(1.5)}, 3.1 / math.Sqrt2, "GPSHPositioningError 3.1 m taken as a 63.21 % radius", ""},
		{"dop", &geotag.Tag{DOP: ptr(1.5)}, 1.5 * 5.9 / math.Sqrt2, "GPSDOP 1.5 x user range error 5.9 m", ""},
		{"good geometry is no good receiver", &geotag.Tag{DOP: ptr(0.6)}, class, "GPSDOP 0.6 makes no less of it", ""},
		{"zero error", &geotag.Tag{HPositioningError: ptr(0.0), DOP: ptr(2.0)}, 2 * 5.9 / math.Sqrt2, "GPSDOP 2", "GPSHPositioningError is 0 m"},
		{"absurd both", &geotag.Tag{HPositioningError: ptr(math.NaN()), DOP: ptr(math.Inf(1))}, class, "device class", "GPSDOP is +Inf"},
		{"negative", &geotag.Tag{HPositioningError: ptr(-4.0)}, class, "device class", "GPSHPositioningError is -4 m"},
		{"old fix", &geotag.Tag{Status: "V"}, class, "device class", "interrupted"},
		{"coarse", &geotag.Tag{Position: &geotag.Position{Step: 1.0 / 3600}}, class, "device class", "steps of 30.9 m"},
	} {
		t.Run(c.name, func(t *testing.T) {
			a, err := b.Allowance(c.tag, Point{}, exactOp, AllowanceOptions{})
			if err != nil {
				t.Fatal(err)
			}
			h := a.Components[0]
			if h.Name != ComponentHandheld || rel(h.Sigma, c.sigma) > 1e-4 || !strings.Contains(h.Source, c.source) {
				t.Errorf("got %+v, want sigma %.4f from %q", h, c.sigma, c.source)
			}
			notes := strings.Join(a.Notes, "\n")
			if c.note == "" && notes != "" || !strings.Contains(notes, c.note) {
				t.Errorf("notes %q, want %q", notes, c.note)
			}
		})
	}
	b.UserRangeError = 0
	a, err := b.Allowance(&geotag.Tag{DOP: ptr(1.5)}, Point{}, exactOp, AllowanceOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(a.Components[0].Source, "device class") {
		t.Errorf("a user range error of 0 has to leave GPSDOP unused; got %q", a.Components[0].Source)
	}
}

// TestDefaultsAgree: 4.9 m is quoted without a confidence. Taken for the median of a
// circular error it makes 4.9 sqrt(ln 0.05 / ln 0.5) = 10.19 m at 95 % (closed form), which
// is not less than the 8 m of the GPS SPS Performance Standard, 5th edition (2020); and
// a dilution of 1 makes what the device class has.
func TestDefaultsAgree(t *testing.T) {
	b := DefaultBudget()
	s := RadiusSigma(b.Handheld, b.HandheldConfidence)
	if r := s * rayleighFactor(0.95); math.Abs(r-4.9*math.Sqrt(math.Log(0.05)/math.Log(0.5))) > 1e-9 || r < 8 {
		t.Errorf("the device class makes %.2f m at 95 %%", r)
	}
	if d := rel(b.UserRangeError/math.Sqrt2, s); d > 0.01 {
		t.Errorf("a dilution of 1 differs from the device class by %.1f %%", d*100)
	}
	if err := b.Validate(); err != nil {
		t.Error(err)
	}
}

func TestAllowanceFrame(t *testing.T) {
	b := DefaultBudget()
	find := func(a Allowance) Component {
		for _, c := range a.Components {
			if c.Name == ComponentFrame {
				return c
			}
		}
		return Component{}
	}
	op := &grid.Operation{Name: "A to B", Accuracy: ptr(1.0)}
	a, err := b.Allowance(nil, Point{}, op, AllowanceOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if c := find(a); rel(c.Sigma, 1/1.5152) > 1e-4 || c.Stated != 1 || !strings.Contains(c.Source, `"A to B", 1 m taken as a 68.27 % radius`) {
		t.Errorf("accuracy of 1 m: %+v", c)
	}
	b.FrameSigma = 0.3
	if a, err = b.Allowance(nil, Point{}, op, AllowanceOptions{}); err != nil {
		t.Fatal(err)
	}
	if c := find(a); rel(c.Sigma, math.Hypot(1/1.5152, 0.3)) > 1e-4 {
		t.Errorf("with 0.3 m of the frame: %+v", c)
	}
	for name, op := range map[string]*grid.Operation{
		"no operation": nil,
		"no accuracy":  {Name: "A to B"},
		"bad accuracy": {Name: "A to B", Accuracy: ptr(-1.0)},
	} {
		a, err := b.Allowance(nil, Point{}, op, AllowanceOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if c := find(a); c.Sigma != 0.3 || len(a.Notes) != 1 || !strings.Contains(a.Notes[0], "accuracy") {
			t.Errorf("%s: %+v, notes %q", name, c, a.Notes)
		}
	}
	rough := &grid.Operation{Name: "rough", Ballpark: true}
	if _, err := b.Allowance(nil, Point{}, rough, AllowanceOptions{}); err == nil || !strings.Contains(err.Error(), "BallparkSigma") {
		t.Errorf("a ballpark operation without a figure: %v", err)
	}
	if a, err = b.Allowance(nil, Point{}, rough, AllowanceOptions{BallparkSigma: 80}); err != nil {
		t.Fatal(err)
	}
	if c := find(a); rel(c.Sigma, math.Hypot(80, 0.3)) > 1e-12 {
		t.Errorf("ballpark: %+v", c)
	}
}

// TestKnownDirection: a photo taken 10 m south of the point, looking due north,
// has its tag 10 m south; grid north turned 2 degrees shows in the expectation.
func TestKnownDirection(t *testing.T) {
	b := DefaultBudget()
	tag := &geotag.Tag{Direction: &geotag.Direction{Degrees: 0}, SubjectDistance: ptr(10.0)}
	a, err := b.Allowance(tag, Point{}, exactOp, AllowanceOptions{Convergence: ptr(0.0)})
	if err != nil {
		t.Fatal(err)
	}
	if a.Expected == nil || math.Abs(a.Expected.E) > 1e-12 || math.Abs(a.Expected.N+10) > 1e-12 || a.Standoff != 0 {
		t.Fatalf("looking north from 10 m: expected %+v, standoff %v", a.Expected, a.Standoff)
	}
	if p := a.Judge(0, -10); p != 1 || a.Judged != 0 {
		t.Errorf("where expected: p %v, judged %v", p, a.Judged)
	}
	north := a.Judge(0, 10)
	if math.Abs(a.Judged-20) > 1e-12 || north >= 0.05 {
		t.Errorf("on the wrong side: p %v, judged %v", north, a.Judged)
	}
	if !strings.Contains(a.String(), "10 m away in the known direction") {
		t.Error(a.String())
	}
	// The true direction 0 is the grid bearing -2 where the convergence is 2.
	if a, err = b.Allowance(tag, Point{}, exactOp, AllowanceOptions{Convergence: ptr(2.0)}); err != nil {
		t.Fatal(err)
	}
	want := Vector{E: 10 * math.Sin(2*math.Pi/180), N: -10 * math.Cos(2*math.Pi/180)}
	if math.Hypot(a.Expected.E-want.E, a.Expected.N-want.N) > 1e-12 {
		t.Errorf("convergence 2: expected %+v, want %+v", *a.Expected, want)
	}
	for name, c := range map[string]struct {
		dir      geotag.Direction
		dist     float64
		conv     *float64
		note     string
		standoff float64
	}{
		"magnetic":       {geotag.Direction{Magnetic: true}, 10, ptr(0.0), "magnetic north", 10},
		"no convergence": {geotag.Direction{}, 10, nil, "convergence", 10},
		"far":            {geotag.Direction{}, 500, ptr(0.0), "more than the 20 m", b.Standoff},
		"nowhere":        {geotag.Direction{}, 0, ptr(0.0), "SubjectDistance is 0 m", b.Standoff},
		"infinity":       {geotag.Direction{}, math.Inf(1), ptr(0.0), "SubjectDistance is +Inf m", b.Standoff},
		"no direction":   {geotag.Direction{Degrees: math.NaN()}, 10, ptr(0.0), "can't be believed", 10},
	} {
		tag := &geotag.Tag{Direction: &c.dir, SubjectDistance: &c.dist}
		a, err := b.Allowance(tag, Point{}, exactOp, AllowanceOptions{Convergence: c.conv})
		if err != nil {
			t.Fatal(err)
		}
		if a.Expected != nil || a.Standoff != c.standoff || len(a.Notes) != 1 || !strings.Contains(a.Notes[0], c.note) {
			t.Errorf("%s: expected %v, standoff %v, notes %q", name, a.Expected, a.Standoff, a.Notes)
		}
	}
}

// TestDistanceWithoutDirection: a photo taken 8 m from its point, nobody knows in
// which direction, is off by 8 m and the noise: the distance is Rice distributed
// (Rice, Mathematical analysis of random noise, 1945), and of a million drawn the
// share over the threshold is what the confidence leaves. A distance below the
// budget's standoff may be the focus on something nearer, and narrows nothing.
func TestDistanceWithoutDirection(t *testing.T) {
	b := DefaultBudget()
	a, err := b.Allowance(&geotag.Tag{SubjectDistance: ptr(8.0)}, Point{}, exactOp, AllowanceOptions{Convergence: ptr(0.0)})
	if err != nil || a.Standoff != 8 || a.Expected != nil || len(a.Notes) != 0 {
		t.Fatalf("%+v, %v", a, err)
	}
	r := rand.New(rand.NewPCG(8, 1945))
	over := 0
	const n = 1_000_000
	for range n {
		sin, cos := math.Sincos(2 * math.Pi * r.Float64())
		if math.Hypot(8*cos+a.Sigma*r.NormFloat64(), 8*sin+a.Sigma*r.NormFloat64()) > a.Threshold {
			over++
		}
	}
	if share := float64(over) / n; math.Abs(share-0.05) > 0.001 {
		t.Errorf("%v are over the threshold of %v m", share, a.Threshold)
	}
	near, err := b.Allowance(&geotag.Tag{SubjectDistance: ptr(0.5)}, Point{}, exactOp, AllowanceOptions{})
	if err != nil || near.Standoff != b.Standoff {
		t.Errorf("half a metre: standoff %v, %v", near.Standoff, err)
	}
}

// TestCovarianceIsChiSquared: without a standoff the p-value of a discrepancy is
// gonum's chi-square survival of gonum's squared Mahalanobis distance.
func TestCovarianceIsChiSquared(t *testing.T) {
	b := DefaultBudget()
	b.Standoff, b.Handheld, b.HandheldConfidence = 0, 1, 1-math.Exp(-0.5) // sigma 1
	point := Point{ID: "P", Cov: &[3]float64{9, 2.5, 1}}
	a, err := b.Allowance(nil, point, exactOp, AllowanceOptions{})
	if err != nil {
		t.Fatal(err)
	}
	cov := mat.NewSymDense(2, []float64{10, 2.5, 2.5, 2})
	if *a.Cov != [3]float64{10, 2.5, 2} {
		t.Fatalf("covariance %v", *a.Cov)
	}
	chi := distuv.ChiSquared{K: 2}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		t.Fatal("covariance is not positive definite")
	}
	var largest float64
	for i := range 72 {
		sin, cos := math.Sincos(float64(i) * math.Pi / 36)
		for _, d := range []float64{0.1, 1, 4, 9, 30} {
			z := mat.NewVecDense(2, []float64{d * sin, d * cos})
			var w mat.VecDense
			if err := chol.SolveVecTo(&w, z); err != nil {
				t.Fatal(err)
			}
			m2 := mat.Dot(z, &w)
			p := a.Judge(d*sin, d*cos)
			if rel(p, chi.Survival(m2)) > 1e-11 {
				t.Errorf("d %v at %d: p %v, chi-square %v", d, i*5, p, chi.Survival(m2))
			}
			if within := a.Judged <= a.Threshold; within != (p >= 1-b.Confidence) {
				t.Errorf("d %v at %d: judged %v, threshold %v, p %v", d, i*5, a.Judged, a.Threshold, p)
			}
		}
		largest = max(largest, a.Threshold)
	}
	fresh, err := b.Allowance(nil, point, exactOp, AllowanceOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if fresh.Threshold < largest || rel(fresh.Threshold, largest) > 2e-3 {
		t.Errorf("before judging: threshold %v, the largest of all directions is %v", fresh.Threshold, largest)
	}
}

// TestElliptic compares noise with a covariance on top of a standoff with draws
// from gonum's bivariate normal, and a circular covariance with Rice.
func TestElliptic(t *testing.T) {
	inFull(t)
	for _, r := range []float64{0, 0.7, 3, 40} {
		e := newEllipticNoise([3]float64{4, 0, 4}, r)
		for _, p := range []float64{0.1, 0.5, 0.95, 0.9999} {
			if d := rel(e.quantile(p)*2, RiceQuantile(p, r, 2)); d > 1e-12 {
				t.Errorf("circular, standoff %v, p %v: relative difference %.1e from Rice", r, p, d)
			}
		}
	}
	cov := [3]float64{9, -3.5, 2}
	src := rand.New(rand.NewPCG(4, 2))
	normal, ok := distmv.NewNormal([]float64{0, 0}, mat.NewSymDense(2, []float64{9, -3.5, -3.5, 2}), src)
	if !ok {
		t.Fatal("not positive definite")
	}
	for _, r := range []float64{0, 0.5, 2, 8} {
		e := newEllipticNoise(cov, r)
		limit := e.quantile(0.95)
		if d := rel(e.survival(limit), 0.05); d > 1e-11 {
			t.Errorf("standoff %v: the quantile has p %v", r, e.survival(limit))
		}
		const n = 50000
		inside := 0
		var z [2]float64
		for range n {
			normal.Rand(z[:])
			sin, cos := math.Sincos(src.Float64() * 2 * math.Pi)
			if e.mahalanobis(z[0]+r*sin, z[1]+r*cos) <= limit {
				inside++
			}
		}
		if lo, hi := BinomialInterval(inside, n, 0.9999); lo > 0.95 || hi < 0.95 {
			t.Errorf("standoff %v: %d of %d inside the 95 %% ellipse, interval %.4f to %.4f", r, inside, n, lo, hi)
		}
	}
	// Long and thin: the mean over directions still has to converge.
	e := newEllipticNoise([3]float64{1e6, 0, 1e-4}, 5)
	var sum float64
	const n = 2_000_000
	for i := range n {
		sin, cos := math.Sincos((float64(i) + 0.5) / n * math.Pi / 2)
		sum += MarcumQ1(5*math.Hypot(cos/1e3, sin/1e-2), 3)
	}
	if d := rel(e.survival(3), sum/n); d > 1e-5 {
		t.Errorf("thin ellipse: %v, by brute force %v", e.survival(3), sum/n)
	}
}

func TestValidateNamesFields(t *testing.T) {
	if err := (Budget{}).Validate(); err == nil {
		t.Fatal("the zero Budget is no budget to judge by")
	}
	raw, err := json.Marshal(DefaultBudget())
	if err != nil {
		t.Fatal(err)
	}
	var fields map[string]float64
	if err := json.Unmarshal(raw, &fields); err != nil {
		t.Fatal(err)
	}
	if len(fields) != 14 {
		t.Errorf("%d fields; does Validate know them all?", len(fields))
	}
	for field := range fields {
		for _, bad := range []float64{-1, 1e300} {
			fields := map[string]float64{field: bad}
			raw, err := json.Marshal(fields)
			if err != nil {
				t.Fatal(err)
			}
			b := DefaultBudget()
			if err := json.Unmarshal(raw, &b); err != nil {
				t.Fatal(err)
			}
			var be *BudgetError
			if err := b.Validate(); !errors.As(err, &be) || be.Field != field || be.Value != bad || !strings.Contains(err.Error(), field) {
				t.Errorf("%s %v: %v", field, bad, err)
			}
		}
	}
	b := DefaultBudget()
	b.Confidence, b.Standoff = math.NaN(), math.Inf(1)
	err = b.Validate()
	if err == nil || !strings.Contains(err.Error(), "confidence is NaN") || !strings.Contains(err.Error(), "standoff_m is +Inf") {
		t.Errorf("two bad figures: %v", err)
	}
	if _, err := b.Allowance(nil, Point{}, exactOp, AllowanceOptions{}); err == nil {
		t.Error("Allowance took a budget that is none")
	}
	for _, c := range [][3]float64{{-1, 0, 1}, {1, 2, 1}, {math.NaN(), 0, 1}, {1e9, 0, 1}} {
		if _, err := DefaultBudget().Allowance(nil, Point{ID: "Q", Cov: &c}, exactOp, AllowanceOptions{}); err == nil || !strings.Contains(err.Error(), `"Q"`) {
			t.Errorf("covariance %v: %v", c, err)
		}
	}
}

func FuzzAllowance(f *testing.F) {
	f.Add(0.95, 4.9, 3.1, 1.5, 2.0, 0.02, 0.0001, 0.0, 0.0004, 45.0, 5.0, 3.0, 4.0)
	f.Add(0.5, 0.001, 0.001, 0.0, 1e6, 0.0, 1e6, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
	f.Fuzz(func(t *testing.T, conf, handheld, herr, dop, standoff, sigma, cee, cen, cnn, dir, dist, dE, dN float64) {
		b := DefaultBudget()
		b.Confidence, b.Handheld, b.Standoff, b.PointSigma = conf, handheld, standoff, sigma
		tag := &geotag.Tag{HPositioningError: &herr, DOP: &dop, Direction: &geotag.Direction{Degrees: dir}, SubjectDistance: &dist}
		for _, cov := range []*[3]float64{nil, {cee, cen, cnn}} {
			a, err := b.Allowance(tag, Point{ID: "P", Cov: cov}, exactOp, AllowanceOptions{Convergence: ptr(1.0)})
			if err != nil {
				continue
			}
			if !(a.Threshold > 0) || math.IsInf(a.Threshold, 0) || !(a.Sigma > 0) {
				t.Fatalf("threshold %v, sigma %v", a.Threshold, a.Sigma)
			}
			if math.IsNaN(dE) || math.IsNaN(dN) || math.Hypot(dE, dN) > 1e9 {
				continue
			}
			p := a.Judge(dE, dN)
			if !(p >= 0 && p <= 1+1e-12) || !(a.Threshold > 0) {
				t.Fatalf("p %v, threshold %v, judged %v", p, a.Threshold, a.Judged)
			}
			// Away from the limit itself, the two ways to say "within" agree.
			if within := a.Judged <= a.Threshold; within != (p >= 1-b.Confidence) && rel(p, 1-b.Confidence) > 1e-6 {
				t.Fatalf("judged %v, threshold %v, but p %v at confidence %v", a.Judged, a.Threshold, p, b.Confidence)
			}
			if _, err := json.Marshal(a); err != nil {
				t.Fatal(err)
			}
			_ = a.String()
		}
	})
}
