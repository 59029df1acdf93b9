package site

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

// near reports whether two positions agree to tol in each coordinate.
func near(a, b grid.EN, tol float64) bool {
	return math.Abs(a.E-b.E) <= tol && math.Abs(a.N-b.N) <= tol
}

// tool finds an external program, or skips the test; where the environment asks
// for every tool it fails instead.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatalf("%s is not installed and PHOTOTIE_REQUIRE_TOOLS is set", name)
		}
		t.Skipf("%s is not installed", name)
	}
	return path
}

// cct carries positions through PROJ's cct with the arguments.
func cct(t *testing.T, points []grid.EN, args ...string) []grid.EN {
	t.Helper()
	var in, stderr bytes.Buffer
	for _, p := range points {
		fmt.Fprintf(&in, "%.17g %.17g 0 0\n", p.E, p.N)
	}
	cmd := exec.Command(tool(t, "cct"), append([]string{"-d", "9"}, args...)...)
	cmd.Stdin, cmd.Stderr = &in, &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("cct %v: %v\n%s", args, err, stderr.String())
	}
	var res []grid.EN
	for line := range strings.Lines(string(out)) {
		f := strings.Fields(line)
		if len(f) < 2 {
			continue
		}
		e, err1 := strconv.ParseFloat(f[0], 64)
		n, err2 := strconv.ParseFloat(f[1], 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("cct wrote %q", line)
		}
		res = append(res, grid.EN{E: e, N: n})
	}
	if len(res) != len(points) {
		t.Fatalf("cct wrote %d positions for %d:\n%s", len(res), len(points), out)
	}
	return res
}

// IOGP Guidance Note 7-2, "Similarity transformation" (EPSG method 9621), worked
// example: ED50 / UTM zone 31N to ETRS89 / UTM zone 31N, EPSG transformation
// 5166 (from memory; the figures agree with one another).
var catalonia = Similarity{Origin: grid.EN{E: -129.549, N: -208.185}, Scale: 1.0000015504, Rotation: 1.56504 / 3600}

// inverted is the similarity back.
func inverted(s Similarity) Similarity {
	return Similarity{Origin: s.Affine().Inverse(grid.EN{}), Scale: 1 / s.Scale, Rotation: -s.Rotation}
}

// newGroundScale scales about a point, with some truncation taken off.
func newGroundScale(origin grid.EN, k float64, off grid.EN) GroundScale {
	return GroundScale{Origin: origin, SiteOrigin: grid.EN{E: origin.E - off.E, N: origin.N - off.N}, CombinedFactor: k, UnitRatio: 1}
}

func TestSimilarityIOGP(t *testing.T) {
	source, target := grid.EN{E: 300000, N: 4500000}, grid.EN{E: 299905.060, N: 4499796.515}
	if got := catalonia.Affine().Forward(source); !near(got, target, 0.0006) {
		t.Errorf("forward %v, want %v", got, target)
	}
	if got := catalonia.Affine().Inverse(target); !near(got, source, 0.0006) {
		t.Errorf("inverse %v, want %v", got, source)
	}
	if got := inverted(catalonia).Affine().Forward(target); !near(got, source, 0.0006) {
		t.Errorf("inverted %v, want %v", got, source)
	}
}

// The 3-4-5 triangle, by hand: source north lies at the bearing atan(3/4) on the
// target, so 100 along source north go 60 east and 80 north, and 100 along
// source east go 80 east and 60 south.
func TestSimilarityByHand(t *testing.T) {
	s := Similarity{Origin: grid.EN{E: 5000, N: 2000}, Scale: 1, Rotation: math.Atan2(3, 4) * 180 / math.Pi}
	for _, tt := range []struct{ source, target grid.EN }{
		{grid.EN{}, grid.EN{E: 5000, N: 2000}},
		{grid.EN{N: 100}, grid.EN{E: 5060, N: 2080}},
		{grid.EN{E: 100}, grid.EN{E: 5080, N: 1940}},
		{grid.EN{E: 100, N: 100}, grid.EN{E: 5140, N: 2020}},
	} {
		if got := s.Affine().Forward(tt.source); !near(got, tt.target, 1e-9) {
			t.Errorf("forward %v: %v, want %v", tt.source, got, tt.target)
		}
		if got := s.Affine().Inverse(tt.target); !near(got, tt.source, 1e-9) {
			t.Errorf("inverse %v: %v, want %v", tt.target, got, tt.source)
		}
	}
	if got := s.Affine().NorthBearing(); math.Abs(got-36.869897645844) > 1e-9 {
		t.Errorf("bearing of source north %v, want 36.8699", got)
	}
}

// IOGP Guidance Note 7-2, "P6 seismic bin grid (I = J+90°)" (EPSG method 9666),
// worked example: bin I=300, J=247 is at E 464855.62, N 5837055.90 (from memory;
// the arithmetic is reproduced here). It is an affine transform with axes of
// different scale, and the guidance note gives it as such.
func TestAffineIOGPBinGrid(t *testing.T) {
	const k, widthI, widthJ = 0.99984, 25.0, 12.5
	sin, cos := math.Sincos(20 * math.Pi / 180)
	a := Affine{A1: k * widthI * cos, A2: k * widthJ * sin, B1: -k * widthI * sin, B2: k * widthJ * cos}
	a.A0, a.B0 = 456781.0-a.A1-a.A2, 5836723.0-a.B1-a.B2 // bin (1, 1) is the origin
	want := grid.EN{E: 464855.62, N: 5837055.90}
	if got := a.Forward(grid.EN{E: 300, N: 247}); !near(got, want, 0.006) {
		t.Errorf("bin (300, 247) at %v, want %v", got, want)
	}
	if got := a.Inverse(want); !near(got, grid.EN{E: 300, N: 247}, 0.001) {
		t.Errorf("bin %v, want (300, 247)", got)
	}
}

// The Jamaican old grid to the national grid, EPSG transformation 10087 (method
// 9624), with the parameters of the EPSG dataset. PROJ reads them from its own
// copy of the dataset, so that this checks parameters and formula. The
// projection origin of the old grid, E 550000 ft N 400000 ft, falls near that of
// the new one, E 250000 m N 150000 m.
func TestAffineEPSG(t *testing.T) {
	a := Affine{A0: 82357.457, A1: 0.304794369, A2: 1.5417425e-05, B0: 28091.324, B1: -1.5417425e-05, B2: 0.304794369}
	p := []grid.EN{{E: 550000, N: 400000}, {E: 700000, N: 455000}, {E: 300000, N: 520000}}
	if got := a.Forward(p[0]); !near(got, grid.EN{E: 250000, N: 150000}, 0.6) {
		t.Errorf("projection origin at %v", got)
	}
	for i, want := range cct(t, p, "EPSG:10087") {
		if got := a.Forward(p[i]); !near(got, want, 1e-6) {
			t.Errorf("forward %v: %v, cct %v", p[i], got, want)
		}
	}
}

func randomSimilarity(r *rand.Rand) Similarity {
	return Similarity{
		Origin:   grid.EN{E: r.Float64()*1.4e6 - 7e5, N: r.Float64()*1.4e7 - 7e6},
		Scale:    math.Exp(r.Float64()*3 - 1.5),
		Rotation: r.Float64()*720 - 360,
	}
}

func randomAffine(r *rand.Rand) Affine {
	a := randomSimilarity(r).Affine()
	a.A1 *= 1 + r.Float64()/10
	a.A2 += a.MeanScale() * r.Float64() / 10
	return a
}

func randomGround(r *rand.Rand) GroundScale {
	return GroundScale{
		Origin:         grid.EN{E: r.Float64() * 1e6, N: r.Float64() * 6e6},
		SiteOrigin:     grid.EN{E: r.Float64() * 1e5, N: r.Float64() * 1e5},
		CombinedFactor: 0.999 + r.Float64()/500,
		UnitRatio:      []float64{0, 1, 0.3048, 1200. / 3937, 3937. / 1200}[r.IntN(5)],
	}
}

// PROJ's 2D Helmert transformation and its affine one, by its cct program, as
// independent references for random parameters.
func TestTransformsAgainstPROJ(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	var points []grid.EN
	for range 20 {
		points = append(points, grid.EN{E: r.Float64() * 1e6, N: r.Float64() * 6e6})
	}
	num := func(key string, v float64) string { return "+" + key + "=" + strconv.FormatFloat(v, 'g', 17, 64) }
	affine := func(a Affine) []string {
		return []string{"+proj=affine", num("xoff", a.A0), num("s11", a.A1), num("s12", a.A2), num("yoff", a.B0), num("s21", a.B1), num("s22", a.B2)}
	}
	check := func(name string, tr Affine, args []string) {
		for i, want := range cct(t, points, args...) {
			if got := tr.Forward(points[i]); !near(got, want, 1e-6) {
				t.Errorf("%s %+v: %v goes to %v, cct %v", name, tr, points[i], got, want)
			}
		}
		for i, want := range cct(t, points, append([]string{"-I"}, args...)...) {
			if got := tr.Inverse(points[i]); !near(got, want, 1e-5) {
				t.Errorf("%s %+v: back from %v to %v, cct %v", name, tr, points[i], got, want)
			}
		}
	}
	for range 3 {
		s := randomSimilarity(r)
		check("similarity", s.Affine(), []string{"+proj=helmert", num("x", s.Origin.E), num("y", s.Origin.N), num("s", s.Scale), num("theta", s.Rotation*3600)})
		a := randomAffine(r)
		check("affine", a, affine(a))
		g := randomGround(r)
		check("ground scale", g.Affine(), affine(g.Affine()))
	}
}

// Every way there and back, at coordinates of six million, to far below 0.1 mm.
func TestTransformRoundTrip(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 5000 {
		s, a, g := randomSimilarity(r), randomAffine(r), randomGround(r)
		for _, err := range []error{s.validate(), a.validate(), g.validate()} {
			if err != nil {
				t.Fatal(err)
			}
		}
		for _, tr := range []Affine{s.Affine(), a, g.Affine()} {
			p := grid.EN{E: r.Float64() * 1e6, N: r.Float64() * 6e6}
			q := tr.Forward(p)
			if back := tr.Inverse(q); !near(back, p, 1e-7) {
				t.Errorf("%+v: %v came back as %v", tr, p, back)
			}
		}
		p := grid.EN{E: r.Float64() * 1e6, N: r.Float64() * 6e6}
		if got := inverted(s).Affine().Forward(s.Affine().Forward(p)); !near(got, p, 1e-7) {
			t.Errorf("%+v inverted: %v, want %v", s, got, p)
		}
		if got := a.Inverted().Forward(a.Forward(p)); !near(got, p, 1e-7) {
			t.Errorf("%+v inverted: %v, want %v", a, got, p)
		}
		large, small := s.Affine().scales()
		if math.Abs(large-s.Scale) > 1e-9 || math.Abs(small-s.Scale) > 1e-9 || math.Abs(s.Affine().MeanScale()-s.Scale) > 1e-9 {
			t.Errorf("scales of %+v: %v to %v", s, large, small)
		}
		if d := signedDegrees(s.Affine().NorthBearing() - s.Rotation); math.Abs(d) > 1e-9 {
			t.Errorf("%+v: bearing of north off by %v°", s, d)
		}
	}
}

// Ground scaling by hand: 10 000 ft from the project point on the ground are
// 9 999 ft on the grid, and 250 000 ft are taken off.
func TestGroundScaleByHand(t *testing.T) {
	g := newGroundScale(grid.EN{E: 2000000, N: 600000}, 0.9999, grid.EN{E: 1750000, N: 500000})
	if g.SiteOrigin != (grid.EN{E: 250000, N: 100000}) {
		t.Errorf("site origin %v", g.SiteOrigin)
	}
	site, base := grid.EN{E: 260000, N: 98000}, grid.EN{E: 2009999, N: 598000.2}
	if got := g.Affine().Forward(site); !near(got, base, 1e-9) {
		t.Errorf("forward %v, want %v", got, base)
	}
	if got := g.Affine().Inverse(base); !near(got, site, 1e-9) {
		t.Errorf("inverse %v, want %v", got, site)
	}
	// The same ground in metres on a grid in feet.
	g.UnitRatio = 1 / 0.3048
	if got := g.Affine().Forward(grid.EN{E: 250304.8, N: 100000}); !near(got, grid.EN{E: 2000999.9, N: 600000}, 1e-6) {
		t.Errorf("304.8 m on the ground end at %v", got)
	}
}

func TestValidate(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, tt := range []struct {
		name string
		v    interface{ validate() error }
		want string
	}{
		{"scale 0", Similarity{}, "scale 0"},
		{"scale negative", Similarity{Scale: -1}, "scale -1"},
		{"scale NaN", Similarity{Scale: nan}, "scale NaN"},
		{"rotation", Similarity{Scale: 1, Rotation: inf}, "finite"},
		{"origin", Similarity{Scale: 1, Origin: grid.EN{N: nan}}, "finite"},
		{"affine zero", Affine{}, "no way back"},
		{"affine on a line", Affine{A1: 1, A2: 2, B1: 2, B2: 4}, "no way back"},
		{"affine NaN", Affine{A1: 1, B2: nan}, "finite"},
		{"ground factor", GroundScale{CombinedFactor: 0.3048}, "unit ratio"},
		{"ground factor 0", GroundScale{}, "combined factor 0"},
		{"ground ratio", GroundScale{CombinedFactor: 1, UnitRatio: -1}, "unit ratio"},
		{"ground ratio huge", GroundScale{CombinedFactor: 1, UnitRatio: 1e9}, "far apart"},
		{"ground origin", GroundScale{CombinedFactor: 1, Origin: grid.EN{E: inf}}, "finite"},
		{"slope in ppm", Vertical{SlopeE: 5}, "5 ppm is"},
		{"slope south", Vertical{SlopeN: -5}, "5 ppm is"},
		{"offset", Vertical{Offset: nan}, "finite"},
	} {
		err := tt.v.validate()
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want an error with %q", tt.name, err, tt.want)
		}
		if tt.want == "finite" && !errors.Is(err, grid.ErrNotFinite) {
			t.Errorf("%s: %v is no ErrNotFinite", tt.name, err)
		}
	}
}

// IOGP Guidance Note 7-2, "Vertical Offset and Slope" (EPSG method 1046), worked
// example: LN02 height 473.0 m at 47°20' N, 9°40' E is 472.69 m in EVRF2000, with
// A = -0.245 m at 46°55' N, 8°11' E and slopes of -0.210" along the meridian and
// -0.032" along the parallel (from memory; PROJ's vertoffset gives 472.6904).
// Lengths along meridian and parallel on the ellipsoid stand for N and E here.
func TestVerticalIOGP(t *testing.T) {
	rad := func(d float64) float64 { return d * math.Pi / 180 }
	const a, f = 6378137.0, 1 / 298.257222101
	e2 := f * (2 - f)
	lat0, lon0, lat, lon := rad(46+55./60), rad(8+11./60), rad(47+20./60), rad(9+40./60)
	w := 1 - e2*math.Sin(lat0)*math.Sin(lat0)
	rho, nu := a*(1-e2)/math.Pow(w, 1.5), a/math.Sqrt(w)
	v := Vertical{Offset: -0.245, SlopeN: rad(-0.210 / 3600), SlopeE: rad(-0.032 / 3600)}
	at := grid.EN{E: nu * (lon - lon0) * math.Cos(lat), N: rho * (lat - lat0)}
	got := 473.0 + v.Difference(at)
	if math.Abs(got-472.69) > 0.005 || math.Abs(got-472.6904) > 0.0001 {
		t.Errorf("height %.4f, want 472.69 (472.6904)", got)
	}
}

// By hand: 0.250 at the origin, falling 10 mm a kilometre to the east and rising
// 20 mm a kilometre to the north.
func TestVerticalByHand(t *testing.T) {
	v := Vertical{Offset: 0.250, SlopeE: -10e-6, SlopeN: 20e-6, Origin: grid.EN{E: 1000, N: 1000}}
	if got := 12 + v.Difference(grid.EN{E: 3000, N: 2000}); math.Abs(got-12.250) > 1e-12 {
		t.Errorf("2 km east and 1 km north: %v, want 12.250", got)
	}
	if got := 12 + v.Difference(grid.EN{E: 1000, N: 6000}); math.Abs(got-12.350) > 1e-12 {
		t.Errorf("5 km north: %v, want 12.350", got)
	}
}
