package site

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

// gauss is a transverse Mercator projection of the sphere, in metres, as a base
// for the tests. Source: Snyder, Map Projections: A Working Manual, equations
// 8-1 to 8-7 (from memory); TestGauss holds it against PROJ.
type gauss struct {
	unit grid.Unit // metre where zero
	fail error
}

const (
	gaussRadius = 6371000.0
	gaussScale  = 0.99982
	gaussLon    = -8.0
	gaussE      = 600000.0
	gaussN      = 750000.0
)

func (g *gauss) metres() float64 {
	if g.unit.Metres == 0 {
		return 1
	}
	return g.unit.Metres
}

func (g *gauss) Grid() grid.Grid {
	u := g.unit
	if u.Metres == 0 {
		u = grid.Metre
	}
	return grid.Grid{Name: "Gauss on a sphere", Code: "TEST:1", Unit: u, Ellipsoid: grid.Ellipsoid{Name: "sphere", SemiMajor: gaussRadius}, Frame: "sphere"}
}

func (g *gauss) project(p grid.LatLon) (grid.EN, error) {
	if !p.Valid() || math.Abs(p.Lon-gaussLon) > 80 {
		return grid.EN{}, grid.ErrOutside
	}
	lat, dl := p.Lat*math.Pi/180, (p.Lon-gaussLon)*math.Pi/180
	b := math.Cos(lat) * math.Sin(dl)
	return grid.EN{
		E: (gaussE + gaussScale*gaussRadius*math.Atanh(b)) / g.metres(),
		N: (gaussN + gaussScale*gaussRadius*(math.Atan2(math.Tan(lat), math.Cos(dl))-53.5*math.Pi/180)) / g.metres(),
	}, nil
}

func (g *gauss) Geographic(p grid.EN) (grid.LatLon, error) {
	x := (p.E*g.metres() - gaussE) / gaussScale / gaussRadius
	d := (p.N*g.metres()-gaussN)/gaussScale/gaussRadius + 53.5*math.Pi/180
	if !(math.Abs(x) < 3 && math.Abs(d) < math.Pi/2) {
		return grid.LatLon{}, grid.ErrOutside
	}
	return grid.LatLon{
		Lat: math.Asin(math.Sin(d)/math.Cosh(x)) * 180 / math.Pi,
		Lon: gaussLon + math.Atan2(math.Sinh(x), math.Cos(d))*180/math.Pi,
	}, nil
}

func (g *gauss) Factors(p grid.EN) (grid.Factors, error) {
	if g.fail != nil {
		return grid.Factors{}, g.fail
	}
	ll, err := g.Geographic(p)
	if err != nil {
		return grid.Factors{}, err
	}
	lat, dl := ll.Lat*math.Pi/180, (ll.Lon-gaussLon)*math.Pi/180
	b := math.Cos(lat) * math.Sin(dl)
	return grid.Factors{Convergence: math.Atan(math.Tan(dl)*math.Sin(lat)) * 180 / math.Pi, PointScale: gaussScale / math.Sqrt(1-b*b)}, nil
}

func (g *gauss) Geodesic(a, b grid.EN) (grid.Geodesic, error) {
	p, err := g.Geographic(a)
	if err != nil {
		return grid.Geodesic{}, err
	}
	q, err := g.Geographic(b)
	if err != nil {
		return grid.Geodesic{}, err
	}
	rad := math.Pi / 180
	azimuth := func(p, q grid.LatLon) float64 {
		dl := (q.Lon - p.Lon) * rad
		y := math.Sin(dl) * math.Cos(q.Lat*rad)
		x := math.Cos(p.Lat*rad)*math.Sin(q.Lat*rad) - math.Sin(p.Lat*rad)*math.Cos(q.Lat*rad)*math.Cos(dl)
		return grid.NewBearing(math.Atan2(y, x) / rad).Degrees()
	}
	s, t := math.Sin((q.Lat-p.Lat)*rad/2), math.Sin((q.Lon-p.Lon)*rad/2)
	h := s*s + math.Cos(p.Lat*rad)*math.Cos(q.Lat*rad)*t*t
	return grid.Geodesic{Distance: 2 * gaussRadius * math.Asin(math.Sqrt(h)), Azimuth: azimuth(p, q), BackAzimuth: azimuth(q, p)}, nil
}

var gaussOp = &grid.Operation{Name: "none needed", Source: "sphere"}

func (g *gauss) ToGrid(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	out := make([]grid.Placement, len(fixes))
	for i, f := range fixes {
		if f.Datum == "TOKYO" {
			out[i].Err = &grid.UnknownDatumError{Datum: f.Datum}
			continue
		}
		out[i].Op = gaussOp
		out[i].EN, out[i].Err = g.project(f.LatLon)
	}
	return out, nil
}

func (g *gauss) FromGrid(ctx context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if len(at) != len(frames) {
		return nil, errors.New("as many frames as positions are needed")
	}
	out := make([]grid.FixPlacement, len(at))
	for i, p := range at {
		out[i].Op, out[i].Frame = gaussOp, frames[i]
		out[i].LatLon, out[i].Err = g.Geographic(p)
	}
	return out, nil
}

// flat is a base that can't measure on its ellipsoid.
type flat struct{ grid.Projection }

func TestGauss(t *testing.T) {
	g := &gauss{}
	points := []grid.EN{{E: -6.2, N: 53.35}, {E: -10, N: 51.5}, {E: -8, N: 55}}
	args := []string{"+proj=tmerc", "+R=6371000", "+k=0.99982", "+lon_0=-8", "+lat_0=53.5", "+x_0=600000", "+y_0=750000"}
	for i, want := range cct(t, points, args...) {
		got, err := g.project(grid.LatLon{Lat: points[i].N, Lon: points[i].E})
		if err != nil || !near(got, want, 1e-4) {
			t.Errorf("%v: %v, cct %v", points[i], got, want)
		}
	}
}

// quay is a site system as the tests use it: 35° turned, ground distances.
func quay(direction Direction) Definition {
	s := Similarity{Origin: grid.EN{E: 715000, N: 734000}, Scale: 0.99987, Rotation: 35}
	if direction == BaseToSite {
		s = inverted(s)
	}
	return Definition{Name: "quay", Unit: grid.Metre, Direction: direction, Similarity: &s,
		Vertical: &Vertical{Offset: 2.5, SlopeE: 3e-6, SlopeN: -4e-6, Origin: grid.EN{E: 1000, N: 500}}}
}

func mustNew(t *testing.T, base grid.Projection, d Definition) grid.Projection {
	t.Helper()
	p, err := New(base, d)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// systems are one of each kind, in several units.
func systems(t *testing.T) map[string]*GeodesicSystem {
	m := map[string]*GeodesicSystem{}
	add := func(name string, base grid.Projection, d Definition) {
		m[name] = mustNew(t, base, d).(*GeodesicSystem)
	}
	metres, feet := &gauss{}, &gauss{unit: grid.USSurveyFoot}
	add("similarity", metres, quay(SiteToBase))
	add("similarity, base to site", metres, quay(BaseToSite))
	add("affine", metres, Definition{Name: "affine", Unit: grid.Metre, Direction: SiteToBase,
		Affine: &Affine{A0: 715000, A1: 0.8, A2: 0.6, B0: 734000, B1: -0.6, B2: 0.8}})
	add("ground", feet, Definition{Name: "ground", Unit: grid.USSurveyFoot,
		GroundScale: ptr(newGroundScale(grid.EN{E: 2345000, N: 2408000}, 0.99991, grid.EN{E: 2000000, N: 2000000}))})
	add("ground, feet on metres", metres, Definition{Name: "mixed", Unit: grid.Foot,
		GroundScale: &GroundScale{Origin: grid.EN{E: 715000, N: 734000}, SiteOrigin: grid.EN{E: 50000, N: 20000}, CombinedFactor: 0.99991}})
	return m
}

func ptr[T any](v T) *T { return &v }

// geographic -> site -> geographic -> site, to far below 0.1 mm.
func TestSystemRoundTrip(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for name, s := range systems(t) {
		var fixes []grid.Fix
		var frames []grid.Frame
		for range 500 {
			f := grid.Fix{LatLon: grid.LatLon{Lat: 53.3 + r.Float64()/10, Lon: -6.3 + r.Float64()/10}, Frame: grid.Frame{Datum: "WGS-84", Epoch: 2024.5}}
			fixes, frames = append(fixes, f), append(frames, f.Frame)
		}
		there, err := s.ToGrid(t.Context(), fixes)
		if err != nil {
			t.Fatal(err)
		}
		var at []grid.EN
		for _, p := range there {
			at = append(at, p.EN)
			if p.Err != nil || p.Op == nil || p.Op.Name != "none needed + site system "+s.Grid().Name {
				t.Fatalf("%s: %+v", name, p)
			}
		}
		back, err := s.FromGrid(t.Context(), at, frames)
		if err != nil {
			t.Fatal(err)
		}
		for i, b := range back {
			// 1e-10° is 0.01 mm.
			if b.Err != nil || math.Abs(b.Lat-fixes[i].Lat) > 1e-10 || math.Abs(b.Lon-fixes[i].Lon) > 1e-10 || b.Frame != frames[i] {
				t.Errorf("%s: %+v came back as %+v", name, fixes[i], b)
			}
			if again := s.FromBase(s.ToBase(at[i])); !near(again, at[i], 1e-7) {
				t.Errorf("%s: %v by the base %v", name, at[i], again)
			}
		}
	}
	if gaussOp.Name != "none needed" {
		t.Error("the base's operation was changed")
	}
}

// Both directions of the same fit are one system.
func TestSystemDirection(t *testing.T) {
	a, b := mustNew(t, &gauss{}, quay(SiteToBase)).(*GeodesicSystem), mustNew(t, &gauss{}, quay(BaseToSite)).(*GeodesicSystem)
	p := grid.EN{E: 1234.5, N: 678.9}
	if !near(a.ToBase(p), b.ToBase(p), 1e-7) {
		t.Errorf("%v and %v", a.ToBase(p), b.ToBase(p))
	}
	fa, _ := a.Factors(p)
	fb, _ := b.Factors(p)
	if math.Abs(fa.Convergence-fb.Convergence) > 1e-9 || math.Abs(fa.PointScale-fb.PointScale) > 1e-12 {
		t.Errorf("%+v and %+v", fa, fb)
	}
}

// The convergence and scale of the site grid from first principles: a short step
// along the meridian and one along the parallel, seen on the site grid.
func TestSystemFactors(t *testing.T) {
	for name, s := range systems(t) {
		at := s.FromBase(mustProject(t, s.Base().(*gauss), grid.LatLon{Lat: 53.35, Lon: -6.2}))
		f, err := s.Factors(at)
		if err != nil {
			t.Fatal(err)
		}
		step := func(dLat, dLon float64) (bearing, scale float64) {
			a := s.FromBase(mustProject(t, s.Base().(*gauss), grid.LatLon{Lat: 53.35 - dLat, Lon: -6.2 - dLon}))
			b := s.FromBase(mustProject(t, s.Base().(*gauss), grid.LatLon{Lat: 53.35 + dLat, Lon: -6.2 + dLon}))
			length := 2 * gaussRadius * math.Pi / 180 * math.Hypot(dLat, dLon*math.Cos(53.35*math.Pi/180))
			return math.Atan2(b.E-a.E, b.N-a.N) * 180 / math.Pi, math.Hypot(b.E-a.E, b.N-a.N) * s.Grid().Unit.Metres / length
		}
		north, kn := step(1e-4, 0)
		_, ke := step(0, 1e-4)
		if d := signedDegrees(f.Convergence + north); math.Abs(d) > 1e-6 {
			t.Errorf("%s: convergence %v, true north is at %v on the site grid", name, f.Convergence, north)
		}
		if k := math.Sqrt(kn * ke); math.Abs(f.PointScale-k) > 1e-8 {
			t.Errorf("%s: point scale %v, want %v", name, f.PointScale, k)
		}
		if ll, err := s.Geographic(at); err != nil || math.Abs(ll.Lat-53.35) > 1e-10 || math.Abs(ll.Lon+6.2) > 1e-10 {
			t.Errorf("%s: geographic %v, %v", name, ll, err)
		}
	}
}

// An affine site system stretches in its own directions: a short vector on the
// site has the true distance of the geodesic between its ends. The reference is
// the geodesic of the base, which knows nothing of the affinity.
func TestSystemTrueDistance(t *testing.T) {
	def := Definition{Name: "skewed", Unit: grid.Foot, Direction: SiteToBase, Affine: &Affine{A0: 715000, A1: 0.29, A2: 0.05, B0: 734000, B1: -0.07, B2: 0.33}}
	s := mustNew(t, &gauss{}, def).(*GeodesicSystem)
	at := grid.EN{E: 1000, N: 2000}
	f, err := s.Factors(at)
	if err != nil {
		t.Fatal(err)
	}
	for angle := 0.; angle < 180; angle += 20 {
		sin, cos := math.Sincos(angle * math.Pi / 180)
		g, err := s.Geodesic(at, grid.EN{E: at.E + 100*sin, N: at.N + 100*cos})
		if err != nil {
			t.Fatal(err)
		}
		if v := f.True(100*sin, 100*cos); math.Abs(math.Hypot(v.E, v.N)*0.3048-g.Distance) > 1e-3 {
			t.Errorf("bearing %v: %v, geodesic %v m", angle, v, g.Distance)
		}
	}
}

func mustProject(t *testing.T, g *gauss, p grid.LatLon) grid.EN {
	t.Helper()
	en, err := g.project(p)
	if err != nil {
		t.Fatal(err)
	}
	return en
}

// grid.Compare on a ground system: the distance on the site is the distance on
// the ground, at the height the combined factor was made for.
func TestSystemCompare(t *testing.T) {
	g := &gauss{}
	origin := mustProject(t, g, grid.LatLon{Lat: 53.35, Lon: -6.2})
	there, err := grid.Compare(g, origin, origin, grid.CompareOptions{Height: ptr(120.0)})
	if err != nil {
		t.Fatal(err)
	}
	f := there.Ground
	s := mustNew(t, g, Definition{Name: "ground", Unit: grid.Metre, GroundScale: ptr(newGroundScale(origin, f.CombinedFactor, grid.EN{E: 700000, N: 700000}))})
	point := grid.EN{E: origin.E - 700000, N: origin.N - 700000}
	tag := grid.EN{E: point.E + 300, N: point.N + 400}
	d, err := grid.Compare(s, tag, point, grid.CompareOptions{Height: ptr(120.0)})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(d.Distance-500) > 1e-7 || math.Abs(d.Ground.Distance-500) > 2e-4 {
		t.Errorf("site %v, ground %v, want 500", d.Distance, d.Ground.Distance)
	}
	if math.Abs(d.Ground.CombinedFactor-1) > 1e-9 {
		t.Errorf("combined factor of the site %v, want 1", d.Ground.CombinedFactor)
	}
	if want := 500 * f.Radius / (f.Radius + 120); math.Abs(d.Geodesic.Distance-want) > 1e-3 {
		t.Errorf("geodesic %v, want %v", d.Geodesic.Distance, want)
	}
	if off := signedDegrees(d.Geodesic.Azimuth.Degrees() - *d.Convergence - d.Bearing.Degrees()); math.Abs(off) > 1e-3 {
		t.Errorf("azimuth %v - convergence %v is not bearing %v", d.Geodesic.Azimuth, *d.Convergence, d.Bearing)
	}
}

// Without a Geodesist as base the system is none, and Compare gives the plane.
func TestSystemPlainBase(t *testing.T) {
	p := mustNew(t, flat{&gauss{}}, quay(SiteToBase))
	if _, ok := p.(grid.Geodesist); ok {
		t.Fatal("the system promises what its base can't do")
	}
	d, err := grid.Compare(p, grid.EN{E: 3, N: 4}, grid.EN{}, grid.CompareOptions{})
	if err != nil || d.Distance != 5 || d.Geodesic != nil {
		t.Errorf("%+v, %v", d, err)
	}
}

func TestSystemErrorsPass(t *testing.T) {
	s := systems(t)["similarity"]
	out, err := s.ToGrid(t.Context(), []grid.Fix{{Frame: grid.Frame{Datum: "TOKYO"}}, {LatLon: grid.LatLon{Lat: math.NaN()}}})
	if err != nil {
		t.Fatal(err)
	}
	var unknown *grid.UnknownDatumError
	if !errors.As(out[0].Err, &unknown) || out[0].Op != nil || !errors.Is(out[1].Err, grid.ErrOutside) {
		t.Errorf("%+v", out)
	}
	back, err := s.FromGrid(t.Context(), []grid.EN{{E: math.NaN()}, {E: 1e300, N: 1e300}, {E: math.Inf(1), N: 0}}, make([]grid.Frame, 3))
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range back {
		if b.Err == nil {
			t.Errorf("%+v has no error", b)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := s.ToGrid(ctx, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if _, err := s.FromGrid(ctx, nil, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	short := mustNew(t, lossy{&gauss{}}, quay(SiteToBase))
	if _, err := short.ToGrid(t.Context(), make([]grid.Fix, 2)); err == nil {
		t.Error("a placement got lost without an error")
	}
	if _, err := short.FromGrid(t.Context(), make([]grid.EN, 2), make([]grid.Frame, 2)); err == nil {
		t.Error("a fix got lost without an error")
	}
}

// lossy is a broken base.
type lossy struct{ grid.Projection }

func (lossy) ToGrid(context.Context, []grid.Fix) ([]grid.Placement, error) { return nil, nil }
func (lossy) FromGrid(context.Context, []grid.EN, []grid.Frame) ([]grid.FixPlacement, error) {
	return nil, nil
}

func TestNewRefuses(t *testing.T) {
	sim := func(scale float64) *Similarity { return &Similarity{Scale: scale} }
	for _, tt := range []struct {
		name string
		def  Definition
		want string
	}{
		{"no name", Definition{Unit: grid.Metre, Direction: SiteToBase, Similarity: sim(1)}, "name"},
		{"no unit", Definition{Name: "x", Direction: SiteToBase, Similarity: sim(1)}, "unit"},
		{"nothing", Definition{Name: "x", Unit: grid.Metre, Direction: SiteToBase}, "0 transforms"},
		{"two", Definition{Name: "x", Unit: grid.Metre, Direction: SiteToBase, Similarity: sim(1), Affine: &Affine{A1: 1, B2: 1}}, "2 transforms"},
		{"no direction", Definition{Name: "x", Unit: grid.Metre, Similarity: sim(1)}, "no direction"},
		{"odd direction", Definition{Name: "x", Unit: grid.Metre, Direction: "up", Similarity: sim(1)}, `direction "up"`},
		{"ground backwards", Definition{Name: "x", Unit: grid.Metre, Direction: BaseToSite, GroundScale: &GroundScale{CombinedFactor: 1}}, "always leads"},
		{"feet for metres", Definition{Name: "x", Unit: grid.Foot, Direction: SiteToBase, Similarity: sim(0.9999)}, "one of the units"},
		{"direction turned over", Definition{Name: "x", Unit: grid.Foot, Direction: BaseToSite, Similarity: sim(0.3048)}, "one of the units"},
		{"mirror", Definition{Name: "x", Unit: grid.Metre, Direction: SiteToBase, Affine: &Affine{A2: 1, B1: 1}}, "mirrors"},
		{"bad vertical", Definition{Name: "x", Unit: grid.Metre, Direction: SiteToBase, Similarity: sim(1), Vertical: &Vertical{SlopeE: 3}}, "slope"},
		{"singular", Definition{Name: "x", Unit: grid.Metre, Direction: BaseToSite, Affine: &Affine{A1: 1}}, "no way back"},
	} {
		if _, err := New(&gauss{}, tt.def); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want an error with %q", tt.name, err, tt.want)
		}
	}
	if _, err := New(nil, quay(SiteToBase)); err == nil {
		t.Error("no base, no error")
	}
	if _, err := New(&gauss{unit: grid.Unit{Name: "none", Metres: -1}}, quay(SiteToBase)); err == nil {
		t.Error("no base unit, no error")
	}
}

// A system does not change when the definition it was made from does.
func TestSystemOwnsItsDefinition(t *testing.T) {
	d := quay(SiteToBase)
	s := mustNew(t, &gauss{}, d).(*GeodesicSystem)
	before := s.ToBase(grid.EN{E: 1})
	d.Similarity.Scale = 2
	s.Definition().Similarity.Scale = 3
	if s.ToBase(grid.EN{E: 1}) != before || s.Definition().Similarity.Scale != 0.99987 {
		t.Error("the system changed")
	}
	g := systems(t)["ground, feet on metres"].Definition().GroundScale
	if g.UnitRatio != 0.3048 {
		t.Errorf("unit ratio %v was not filled in", g.UnitRatio)
	}
}

const quayJSON = `{
  "name": "Port Velland quay grid",
  "unit": "m",
  "direction": "site-to-base",
  "similarity": {"target_origin": {"e": 715000, "n": 734000}, "scale": 0.99987, "rotation_deg": 35},
  "vertical": {"offset": 2.5, "slope_e": 3e-6, "slope_n": -4e-6, "origin": {"e": 1000, "n": 500}},
  "remarks": "fitted to six pairs"
}`

func TestParseDefinition(t *testing.T) {
	d, err := ParseDefinition([]byte(quayJSON))
	if err != nil {
		t.Fatal(err)
	}
	if d.Unit != grid.Metre || *d.Similarity != *quay(SiteToBase).Similarity || *d.Vertical != *quay(SiteToBase).Vertical || d.Remarks == "" {
		t.Errorf("%+v", d)
	}
	for name, s := range systems(t) {
		b, err := json.Marshal(s.Definition())
		if err != nil {
			t.Fatal(err)
		}
		again, err := ParseDefinition(b)
		if err != nil {
			t.Errorf("%s: %v in %s", name, err, b)
			continue
		}
		c, _ := json.Marshal(again)
		if string(b) != string(c) {
			t.Errorf("%s: %s came back as %s", name, b, c)
		}
	}
	replace := func(old, new string) string { return strings.Replace(quayJSON, old, new, 1) }
	for _, tt := range []struct{ name, in, want string }{
		{"empty", "", "unexpected end"},
		{"null", "null", "want an object"},
		{"list", "[]", "want an object"},
		{"trailing", quayJSON + "x", "invalid character"},
		{"no scale", replace(`"scale": 0.99987, `, ""), `similarity: "scale" is missing`},
		{"null scale", replace("0.99987", "null"), "scale is null"},
		{"text for scale", replace("0.99987", `"1"`), "scale"},
		{"no northing", replace(`, "n": 734000`, ""), `target_origin: "n" is missing`},
		{"capitals", replace(`"scale"`, `"Scale"`), `"Scale" is not known`},
		{"twice", replace(`"scale": 0.99987`, `"scale": 0.99987, "scale": 1`), "comes twice"},
		{"unknown", replace(`"remarks"`, `"note"`), `"note" is not known`},
		{"half a plane", replace(`"slope_n": -4e-6, `, ""), `"slope_n" is missing`},
		{"unit name", replace(`"m"`, `"chain"`), `"chain"`},
		{"unit object", replace(`"m"`, `{"name": "metre"}`), `"metres" is missing`},
		{"unit number", replace(`"m"`, `1`), "want an object"},
		{"direction", replace("site-to-base", "there"), `direction "there"`},
		{"affine", replace(`"similarity"`, `"affine": {"a0": 1, "a1": 1, "a2": 0, "b0": 0, "b1": 0}, "similarity"`), `"b2" is missing`},
		{"ground", replace(`"similarity"`, `"ground_scale": {"origin": {"e": 1, "n": 1}, "site_origin": {"e": 1, "n": 1}}, "similarity"`), `"combined_factor" is missing`},
	} {
		if _, err := ParseDefinition([]byte(tt.in)); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want an error with %q", tt.name, err, tt.want)
		}
	}
}

func FuzzParseDefinition(f *testing.F) {
	f.Add([]byte(quayJSON))
	f.Add([]byte(`{"name":"a","unit":"ftUS","direction":"base-to-site","affine":{"a0":1,"a1":1,"a2":0,"b0":0,"b1":0,"b2":1}}`))
	f.Add([]byte(`{"name":"g","unit":{"name":"foot","symbol":"ft","metres":0.3048},"ground_scale":{"origin":{"e":1,"n":2},"site_origin":{"e":3,"n":4},"combined_factor":0.9999}}`))
	f.Add([]byte(`{"name":"v","unit":"m","vertical":{"offset":1}}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := ParseDefinition(data)
		if err != nil {
			return
		}
		b, err := json.Marshal(d)
		if err != nil {
			t.Fatalf("%+v: %v", d, err)
		}
		again, err := ParseDefinition(b)
		if err != nil {
			t.Fatalf("%s was written and can't be read: %v", b, err)
		}
		if fmt.Sprintf("%+v", deref(again)) != fmt.Sprintf("%+v", deref(d)) {
			t.Fatalf("%s: %+v came back as %+v", b, d, again)
		}
		p, err := New(&gauss{}, d)
		if err != nil {
			return
		}
		s := p.(*GeodesicSystem)
		at := grid.EN{E: 100, N: 200}
		base := s.ToBase(at)
		// The digits that a position keeps are those of its coordinates.
		a := s.toBase
		large, small := a.scales()
		size := math.Abs(base.E) + math.Abs(base.N) + math.Abs(a.A0) + math.Abs(a.B0) + large*1000
		if g := d.GroundScale; g != nil {
			size += large * (math.Abs(g.SiteOrigin.E) + math.Abs(g.SiteOrigin.N))
			size += math.Abs(g.Origin.E) + math.Abs(g.Origin.N)
		}
		tol := 1e-13 * size / small * (large / small)
		if back := s.FromBase(base); !math.IsInf(tol, 0) && grid.Finite(base.E, base.N) && !near(back, at, tol+1e-9) {
			t.Fatalf("%s: %v by way of %v came back as %v (%g)", b, at, base, back, tol)
		}
		if _, err := s.Factors(at); err != nil && !errors.Is(err, grid.ErrOutside) {
			t.Fatal(err)
		}
	})
}

// deref flattens a definition so that it prints its values.
func deref(d Definition) []any {
	out := []any{d.Name, d.Unit, d.Direction, d.Remarks}
	if d.Similarity != nil {
		out = append(out, *d.Similarity)
	}
	if d.Affine != nil {
		out = append(out, *d.Affine)
	}
	if d.GroundScale != nil {
		out = append(out, *d.GroundScale)
	}
	if d.Vertical != nil {
		out = append(out, *d.Vertical)
	}
	return out
}

// keeper is a base that hands out the slice it holds.
type keeper struct {
	grid.Projection
	placed []grid.Placement
}

func (k keeper) ToGrid(context.Context, []grid.Fix) ([]grid.Placement, error) { return k.placed, nil }

// What the base returns is the base's own.
func TestSystemLeavesTheBaseAlone(t *testing.T) {
	k := keeper{&gauss{}, []grid.Placement{{EN: grid.EN{E: 715000, N: 734000}, Op: gaussOp}}}
	s := mustNew(t, k, quay(SiteToBase))
	for range 2 {
		out, err := s.ToGrid(t.Context(), make([]grid.Fix, 1))
		if err != nil || !near(out[0].EN, grid.EN{}, 1e-9) {
			t.Errorf("%+v, %v", out, err)
		}
	}
	if k.placed[0].Op != gaussOp || k.placed[0].E != 715000 {
		t.Error("the base's placement was changed")
	}
}
