package match

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// The table of the project's design, section 5: thresholds R_p / s for standoff
// r / s, made there by numerical integration of the Rice density. Its first row
// is the closed form, as printed in circular-error tables.
var thresholdTable = []struct {
	r    float64
	want [5]float64
}{
	{0, [5]float64{1.1774, 1.5152, 2.1460, 2.4477, 3.0349}},
	{0.5, [5]float64{1.2516, 1.6093, 2.2746, 2.5917, 3.2060}},
	{1, [5]float64{1.4755, 1.8769, 2.6019, 2.9398, 3.5845}},
	{2, [5]float64{2.2458, 2.6969, 3.4734, 3.8263, 4.4915}},
	{3, [5]float64{3.1652, 3.6290, 4.4197, 4.7772, 5.4494}},
	{5, [5]float64{5.0997, 5.5705, 6.3704, 6.7311, 7.4083}},
}

func TestThresholdTable(t *testing.T) {
	for _, row := range thresholdTable {
		for i, p := range []float64{0.50, 0.6827, 0.90, 0.95, 0.99} {
			// Any scale has to give the same ratio.
			for _, s := range []float64{1, 0.02, 3.7, 1e6} {
				got := RiceQuantile(p, row.r*s, s) / s
				if math.Round(got*1e4)/1e4 != row.want[i] {
					t.Errorf("r/s %v, p %v, s %v: got %.6f, want %.4f", row.r, p, s, got, row.want[i])
				}
			}
		}
	}
}

// rel is the relative difference.
func rel(got, want float64) float64 {
	if got == want {
		return 0
	}
	return math.Abs(got-want) / math.Abs(want)
}

// TestMarcumIsChiSquared compares with gonum's central chi-square: the squared
// length of a plane normal vector with mean a is a Poisson(a²/2) mixture of
// chi-squares with 2 + 2j degrees of freedom. All terms are positive, so the sum
// is as good as gonum's chi-square is, in both tails.
func TestMarcumIsChiSquared(t *testing.T) {
	for _, a := range []float64{1e-9, 0.01, 0.3, 1, 2, 3.3, 5, 8, 12} {
		for _, b := range []float64{1e-3, 0.1, 0.5, 1, 2, 3, 4.5, 6, 9, 13, 17} {
			pois := distuv.Poisson{Lambda: a * a / 2}
			var upper, lower float64
			for j := range 400 {
				w := math.Exp(pois.LogProb(float64(j)))
				c := distuv.ChiSquared{K: float64(2 + 2*j)}
				upper += w * c.Survival(b*b)
				lower += w * c.CDF(b*b)
			}
			// gonum's incomplete gamma is good to some 1e-13 where it is not tiny.
			if got := MarcumQ1(a, b); upper > 1e-12 && rel(got, upper) > 2e-12 || math.Abs(got-upper) > 1e-12 {
				t.Errorf("Q1(%v, %v) = %.17g, mixture %.17g, relative %.1e", a, b, got, upper, rel(got, upper))
			}
			if got := RiceCDF(b, a, 1); lower > 1e-12 && rel(got, lower) > 2e-12 || math.Abs(got-lower) > 1e-12 {
				t.Errorf("1 - Q1(%v, %v) = %.17g, mixture %.17g, relative %.1e", a, b, got, lower, rel(got, lower))
			}
		}
	}
}

// simpleI0e is exp(-z) I0(z) from its integral, Abramowitz and Stegun 9.6.16, by
// the trapezoidal rule, which converges geometrically on a whole period.
func simpleI0e(z float64) float64 {
	const n = 4000
	var sum float64
	for i := range n {
		half := math.Sin(math.Pi * float64(i) / n)
		sum += math.Exp(-2 * z * half * half)
	}
	return sum / n
}

func TestBesselI0e(t *testing.T) {
	// Abramowitz and Stegun, table 9.8: exp(-x) I0(x), ten digits (from memory:
	// I0(1) = 1.2660658778, I0(2) = 2.2795853024).
	for x, i0 := range map[float64]float64{1: 1.2660658778, 2: 2.2795853024} {
		if got := besselI0e(x) * math.Exp(x); math.Abs(got-i0) > 1e-10 {
			t.Errorf("I0(%v) = %.12f, want %.10f", x, got, i0)
		}
	}
	for _, z := range []float64{0, 1e-8, 0.1, 1, 5, 12, 20, 29.999, 30, 30.001, 50, 100, 700, 5000, 1e5} {
		if d := rel(besselI0e(z), simpleI0e(z)); d > 3e-14 {
			t.Errorf("besselI0e(%v): relative difference %.1e from its integral", z, d)
		}
	}
}

// TestMarcumIsIntegral compares with gonum's quadrature of the definition.
func TestMarcumIsIntegral(t *testing.T) {
	for _, c := range [][2]float64{{0.5, 1}, {1, 2.5}, {3, 4}, {6, 9}, {20, 18}, {20, 23}} {
		a, b := c[0], c[1]
		f := func(x float64) float64 { return x * simpleI0e(a*x) * math.Exp(-(x-a)*(x-a)/2) }
		var want float64
		if b > a {
			want = quad.Fixed(f, b, max(a, b)+12, 300, quad.Legendre{}, 0)
		} else {
			want = 1 - quad.Fixed(f, max(0, b-12), b, 300, quad.Legendre{}, 0)
		}
		if d := rel(MarcumQ1(a, b), want); d > 1e-12 {
			t.Errorf("Q1(%v, %v): relative difference %.1e from the integral", a, b, d)
		}
	}
}

// TestMixtureIsIntegral: the two ways in which the tails are worked out say the
// same to 1e-12 of each, up to where the first gives way to the second, and far
// below what the mean of a job can see.
func TestMixtureIsIntegral(t *testing.T) {
	check := func(t rapid.TB, a, b float64) {
		name, ours, integral := "upper", upperTail, riceUpper
		if belowBody(a, b) {
			name, ours, integral = "lower", lowerTail, riceLower
		}
		got, want := ours(a, b), integral(a, b)
		if want > 1e-200 && !(rel(got, want) < 1e-12) {
			t.Fatalf("a %v, b %v: %s tail %v, by the integral %v: relative difference %.1e", a, b, name, got, want, rel(got, want))
		}
	}
	for _, c := range [][2]float64{{mixtureUpTo, mixtureUpTo}, {mixtureUpTo, 1e-3}, {1e-9, mixtureUpTo}, {1e-300, 1}, {mixtureUpTo, mixtureUpTo - 1}} {
		check(t, c[0], c[1])
	}
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) float64 {
			if rapid.Bool().Draw(t, "small "+name) {
				return math.Exp(rapid.Float64Range(-8, 1).Draw(t, "ln "+name))
			}
			return rapid.Float64Range(1e-9, mixtureUpTo).Draw(t, name)
		}
		check(t, draw("a"), draw("b"))
	})
}

// TestMarcumIdentity: Q1(a, b) + Q1(b, a) = 1 + exp(-(a²+b²)/2) I0(ab). Source:
// M. Schwartz, W. R. Bennett, S. Stein, Communication Systems and Techniques,
// appendix A (from memory).
func TestMarcumIdentity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := math.Exp(rapid.Float64Range(-12, 14).Draw(t, "ln a"))
		b := a + rapid.Float64Range(-8, 8).Draw(t, "b-a")
		if b < 0 {
			b = -b
		}
		got := MarcumQ1(a, b) + MarcumQ1(b, a)
		want := 1 + math.Exp(-(a-b)*(a-b)/2)*besselI0e(a*b)
		if math.Abs(got-want) > 1e-12 {
			t.Fatalf("a %v, b %v: %.16f, want %.16f", a, b, got, want)
		}
	})
}

// TestMarcumFarOut: far from the origin the circle of radius b is all but a
// straight line, so that Q1(a, b) goes to the normal tail of b - a - 1/(2a).
func TestMarcumFarOut(t *testing.T) {
	for _, a := range []float64{1e4, 1e6, 1e9} {
		for _, d := range []float64{-6, -3, -1, 0, 1, 3, 6} {
			b := a + d
			want := distuv.UnitNormal.Survival(b - a - 1/(2*a))
			if got := MarcumQ1(a, b); math.Abs(got-want) > 2/a/a+1e-12 {
				t.Errorf("Q1(%v, a%+v) = %.15f, normal tail %.15f", a, d, got, want)
			}
		}
	}
	for _, c := range []struct{ a, b, want float64 }{
		{0, 0, 1}, {5, 0, 1}, {0, 3, math.Exp(-4.5)}, {1, math.Inf(1), 0}, {math.Inf(1), 1, 1}, {2, 1e3, 0}, {1e3, 2, 1},
	} {
		if got := MarcumQ1(c.a, c.b); got != c.want {
			t.Errorf("Q1(%v, %v) = %v, want %v", c.a, c.b, got, c.want)
		}
	}
	for _, c := range [][2]float64{{-1, 1}, {1, -1}, {math.NaN(), 1}, {1, math.NaN()}} {
		if got := MarcumQ1(c[0], c[1]); !math.IsNaN(got) {
			t.Errorf("Q1(%v, %v) = %v, want NaN", c[0], c[1], got)
		}
	}
}

// TestRayleigh compares the row without standoff with gonum's Weibull, of which
// Rayleigh is the case K = 2, Lambda = s sqrt(2), and its chi-square.
func TestRayleigh(t *testing.T) {
	const s = 2.3
	w := distuv.Weibull{K: 2, Lambda: s * math.Sqrt2}
	for _, x := range []float64{0, 0.01, 1, 5, 20, 60} {
		if d := rel(RiceSurvival(x, 0, s), w.Survival(x)); d > 1e-13 {
			t.Errorf("survival at %v: relative difference %.1e", x, d)
		}
		if d := rel(RiceCDF(x, 0, s), w.CDF(x)); d > 1e-13 {
			t.Errorf("distribution at %v: relative difference %.1e", x, d)
		}
	}
	for _, p := range []float64{0.01, 0.5, 0.95, 0.999} {
		if d := rel(RiceQuantile(p, 0, s), w.Quantile(p)); d > 1e-13 {
			t.Errorf("quantile at %v: relative difference %.1e", p, d)
		}
		if d := rel(rayleighFactor(p), math.Sqrt(distuv.ChiSquared{K: 2}.Quantile(p))); d > 1e-9 {
			t.Errorf("factor at %v: relative difference %.1e from chi-square", p, d)
		}
	}
}

func TestRiceEdges(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"no spread, inside", RiceSurvival(1, 2, 0), 1},
		{"no spread, at", RiceSurvival(2, 2, 0), 0},
		{"no spread, cdf", RiceCDF(2, 2, 0), 1},
		{"no spread, quantile", RiceQuantile(0.95, 2, 0), 2},
		{"nothing at all", RiceQuantile(0.95, 0, 0), 0},
		{"p 0", RiceQuantile(0, 2, 1), 0},
		{"p 1", RiceQuantile(1, 2, 1), inf},
		{"p above 1", RiceQuantile(1.1, 2, 1), nan},
		{"negative r", RiceQuantile(0.5, -2, 1), nan},
		{"negative s", RiceSurvival(1, 2, -1), nan},
		{"negative x", RiceCDF(-1, 2, 1), nan},
		{"infinite s", RiceCDF(1, 2, inf), nan},
		{"smallest s", RiceQuantile(0.95, 2, 5e-324), 2},
		{"NaN", RiceQuantile(nan, 2, 1), nan},
	} {
		if c.got != c.want && !(math.IsNaN(c.got) && math.IsNaN(c.want)) {
			t.Errorf("%s: got %v, want %v", c.what, c.got, c.want)
		}
	}
}

// TestQuantileInverts: the quantile of any probability has that probability, for
// a standoff of up to a million standard deviations.
func TestQuantileInverts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := math.Exp(rapid.Float64Range(-14, 14).Draw(t, "ln a"))
		var p float64
		if rapid.Bool().Draw(t, "upper") {
			p = 1 - math.Exp(rapid.Float64Range(-25, -0.7).Draw(t, "ln 1-p"))
		} else {
			p = math.Exp(rapid.Float64Range(-40, -0.7).Draw(t, "ln p"))
		}
		x := RiceQuantile(p, a, 1)
		// At a = 1e6 a step of x is 1e-10 deviations, which is the limit.
		tol := 1e-11 + 8e-16*a*40
		if p >= 0.5 {
			if d := rel(RiceSurvival(x, a, 1), 1-p); d > tol {
				t.Fatalf("a %v, p %v: x %v, relative difference %.1e", a, p, x, d)
			}
		} else if d := rel(RiceCDF(x, a, 1), p); d > tol {
			t.Fatalf("a %v, p %v: x %v, relative difference %.1e", a, p, x, d)
		}
	})
}

// TestThresholdMonotone: a larger standoff, spread or confidence never gives a
// smaller threshold.
func TestThresholdMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rapid.Float64Range(0, 50).Draw(t, "r")
		s := rapid.Float64Range(0.001, 50).Draw(t, "s")
		p := rapid.Float64Range(0.01, 0.9999).Draw(t, "p")
		base := RiceQuantile(p, r, s)
		const slip = 1 - 1e-12
		if x := RiceQuantile(p, r+rapid.Float64Range(0, 10).Draw(t, "dr"), s); x < base*slip {
			t.Fatalf("falls with r: %v to %v", base, x)
		}
		if x := RiceQuantile(p, r, s+rapid.Float64Range(0, 10).Draw(t, "ds")); p >= 0.5 && x < base*slip {
			t.Fatalf("falls with s: %v to %v", base, x)
		}
		if x := RiceQuantile(p+rapid.Float64Range(0, 0.9999-0.01).Draw(t, "dp")*(0.9999-p), r, s); x < base*slip {
			t.Fatalf("falls with p: %v to %v", base, x)
		}
	})
}

func FuzzRice(f *testing.F) {
	f.Add(0.95, 2.0, 1.0, 3.0)
	f.Add(0.5, 0.0, 1e-300, 1e300)
	f.Add(1-1e-16, 1e6, 1.0, 1e6)
	f.Fuzz(func(t *testing.T, p, r, s, x float64) {
		q := RiceQuantile(p, r, s)
		cdf, sf := RiceCDF(x, r, s), RiceSurvival(x, r, s)
		if !(p >= 0 && p <= 1) || !riceArgs(x, r, s) {
			return // NaN is the answer then; here it only must not panic
		}
		if !(q >= 0) {
			t.Errorf("quantile(%v, %v, %v) = %v", p, r, s, q)
		}
		if !(cdf >= 0 && cdf <= 1 && sf >= 0 && sf <= 1) || math.Abs(cdf+sf-1) > 1e-12 {
			t.Errorf("at %v, %v, %v: cdf %v, survival %v", x, r, s, cdf, sf)
		}
	})
}

func BenchmarkRiceQuantile(b *testing.B) {
	for b.Loop() {
		RiceQuantile(0.95, 2, 2.05)
	}
}

func BenchmarkMarcumQ1(b *testing.B) {
	for b.Loop() {
		MarcumQ1(1, 3)
	}
}

// besselI0e returns exp(-z) I0(z) for z >= 0.
func besselI0e(z float64) float64 {
	if z > hankelFrom {
		return hankelI0(z)
	}
	return seriesI0(z) * math.Exp(-z)
}
