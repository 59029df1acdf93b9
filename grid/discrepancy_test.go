package grid

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"
	"time"
)

// plane is a Projection without an ellipsoid to measure on.
type plane struct{ unit Unit }

func (p plane) Grid() Grid {
	return Grid{Name: "test plane", Unit: p.unit, Ellipsoid: Ellipsoid{Name: "GRS 1980", SemiMajor: 6378137, InverseFlattening: 298.257222101}}
}
func (plane) ToGrid(context.Context, []Fix) ([]Placement, error) {
	return nil, errors.New("not needed here")
}
func (plane) FromGrid(context.Context, []EN, []Frame) ([]FixPlacement, error) {
	return nil, errors.New("not needed here")
}

// surface is a Geodesist that answers with what it holds.
type surface struct {
	plane
	line                Geodesic
	factors             Factors
	own                 LatLon
	lineErr, factorsErr error
	ownErr              error
}

func (s surface) Geodesic(a, b EN) (Geodesic, error) { return s.line, s.lineErr }
func (s surface) Factors(at EN) (Factors, error)     { return s.factors, s.factorsErr }
func (s surface) Geographic(at EN) (LatLon, error)   { return s.own, s.ownErr }

// The worked example of the GDA94 Technical Manual (ICSM, from memory):
// Flinders Peak to Buninyong on MGA94 zone 55.
var (
	flinders  = EN{E: 273741.297, N: 5796489.777}
	buninyong = EN{E: 228854.052, N: 5828259.038}
)

func TestComparePlane(t *testing.T) {
	d, err := Compare(plane{Metre}, buninyong, flinders, CompareOptions{Resolution: 0.001})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(d.DE+44887.245) > 1e-6 || math.Abs(d.DN-31769.261) > 1e-6 {
		t.Errorf("dE %v dN %v", d.DE, d.DN)
	}
	if math.Abs(d.Distance-54992.279) > 0.0005 {
		t.Errorf("distance %v, want 54992.279", d.Distance)
	}
	if got := d.Bearing.DMS(2); got != `305°17'21.18"` {
		t.Errorf("bearing %s", got)
	}
	if d.Unit != Metre || d.Geodesic != nil || d.Convergence != nil || d.PointScale != nil || d.Ground != nil {
		t.Errorf("a plane gave %+v", d)
	}
}

func TestCompareResolution(t *testing.T) {
	for _, tt := range []struct {
		dE, res float64
		defined bool
	}{{0.0099, 0.01, false}, {0.0101, 0.01, true}, {0, 0, false}, {1e-9, 0, true}} {
		d, err := Compare(surface{plane: plane{Metre}, factors: Factors{PointScale: 1}}, EN{E: tt.dE}, EN{}, CompareOptions{Resolution: tt.res})
		if err != nil || d.Bearing.Defined() != tt.defined || d.Geodesic.Azimuth.Defined() != tt.defined {
			t.Errorf("dE %v with resolution %v: bearing %v, azimuth %v, error %v", tt.dE, tt.res, d.Bearing, d.Geodesic.Azimuth, err)
		}
		if d.Distance != tt.dE {
			t.Errorf("distance %v", d.Distance)
		}
	}
}

func TestCompareGround(t *testing.T) {
	h := 1500.0
	s := surface{
		plane:   plane{USSurveyFoot},
		line:    Geodesic{Distance: 30.48, Azimuth: 91, BackAzimuth: 271},
		factors: Factors{Convergence: 1, PointScale: 0.9996},
		own:     LatLon{Lat: 40},
	}
	d, err := Compare(s, EN{E: 100}, EN{}, CompareOptions{Height: &h, Radius: 6372000})
	if err != nil {
		t.Fatal(err)
	}
	// Arithmetic: 100 / (0.9996 x 6372000/6373500) = 100.0635668...
	if want := 100 / (0.9996 * 6372000 / 6373500); math.Abs(d.Ground.Distance-want) > 1e-9 || math.Abs(want-100.06357) > 1e-5 {
		t.Errorf("ground distance %v, want %v", d.Ground.Distance, want)
	}
	if *d.Convergence != 1 || *d.PointScale != 0.9996 || d.Geodesic.Distance != 30.48 || d.Geodesic.Azimuth.Degrees() != 91 {
		t.Errorf("got %+v", d)
	}
	d, err = Compare(s, EN{E: 100}, EN{}, CompareOptions{Height: &h})
	if err != nil || math.Abs(d.Ground.Radius-s.Grid().Ellipsoid.GaussianRadius(40)) > 1e-6 || d.Ground.Height != h {
		t.Errorf("without a radius: %+v, %v", d.Ground, err)
	}
	d, err = Compare(s, EN{E: 100}, EN{}, CompareOptions{})
	if err != nil || d.Ground != nil {
		t.Errorf("without a height there is a ground distance: %+v, %v", d.Ground, err)
	}
}

func TestGaussianRadius(t *testing.T) {
	grs80 := Ellipsoid{SemiMajor: 6378137, InverseFlattening: 298.257222101}
	// At the pole the Gaussian radius is the polar radius of curvature c = a²/b,
	// 6399593.6259 m, and at the equator it is b, 6356752.3141 m (H. Moritz,
	// Geodetic Reference System 1980, derived constants).
	if got := grs80.GaussianRadius(90); math.Abs(got-6399593.6259) > 1e-4 {
		t.Errorf("pole: %v", got)
	}
	if got := grs80.GaussianRadius(0); math.Abs(got-6356752.3141) > 1e-4 {
		t.Errorf("equator: %v", got)
	}
	// IOGP Guidance Note 7-2, Oblique Stereographic, Amersfoort / RD New: the
	// conformal sphere at 52°09'22.178" on Bessel 1841 has R = 6382644.571 m.
	bessel := Ellipsoid{SemiMajor: 6377397.155, InverseFlattening: 299.15281}
	if got := bessel.GaussianRadius(52 + 9/60. + 22.178/3600); math.Abs(got-6382644.571) > 0.001 {
		t.Errorf("Amersfoort: %v, want 6382644.571", got)
	}
	if got := (Ellipsoid{SemiMajor: 6371000}).GaussianRadius(33); got != 6371000 {
		t.Errorf("sphere: %v", got)
	}
}

func TestCompareErrors(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	boom := errors.New("boom")
	good := surface{plane: plane{Metre}, factors: Factors{PointScale: 1}, own: LatLon{Lat: 1}}
	h := 10.0
	with := func(f func(*surface)) surface { s := good; f(&s); return s }
	for name, tt := range map[string]struct {
		p          Projection
		tag, point EN
		opt        CompareOptions
		want       string
		plane      bool
	}{
		"no projection":    {want: "no projection"},
		"tag NaN":          {p: good, tag: EN{E: nan}, want: "tag E NaN"},
		"point infinite":   {p: good, point: EN{N: inf}, want: "point E 0 N +Inf"},
		"difference":       {p: good, tag: EN{E: math.MaxFloat64}, point: EN{E: -math.MaxFloat64}, want: "not a finite number"},
		"resolution":       {p: good, opt: CompareOptions{Resolution: -1}, want: "resolution -1"},
		"resolution NaN":   {p: good, opt: CompareOptions{Resolution: nan}, want: "resolution NaN"},
		"radius":           {p: good, opt: CompareOptions{Radius: -1}, want: "radius -1"},
		"height NaN":       {p: good, tag: EN{E: 1}, opt: CompareOptions{Height: &nan}, want: "height NaN", plane: true},
		"below the centre": {p: good, tag: EN{E: 1}, opt: CompareOptions{Height: ptr(-7e6)}, want: "height factor", plane: true},
		"geodesic fails":   {p: with(func(s *surface) { s.lineErr = boom }), tag: EN{E: 1}, want: "boom", plane: true},
		"factors fail":     {p: with(func(s *surface) { s.factorsErr = boom }), tag: EN{E: 1}, want: "boom", plane: true},
		"latitude fails":   {p: with(func(s *surface) { s.ownErr = boom }), tag: EN{E: 1}, opt: CompareOptions{Height: &h}, want: "boom", plane: true},
		"scale of zero":    {p: with(func(s *surface) { s.factors.PointScale = 0 }), tag: EN{E: 1}, opt: CompareOptions{Height: &h}, want: "point scale", plane: true},
	} {
		d, err := Compare(tt.p, tt.tag, tt.point, tt.opt)
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: error %v, want %q", name, err, tt.want)
		}
		if tt.plane && (d.Distance != 1 || d.Geodesic != nil) || !tt.plane && d != (Discrepancy{}) {
			t.Errorf("%s: discrepancy %+v", name, d)
		}
	}
	if _, err := Compare(good, EN{E: nan}, EN{}, CompareOptions{}); !errors.Is(err, ErrNotFinite) {
		t.Errorf("error %v is not ErrNotFinite", err)
	}
}

func ptr[T any](v T) *T { return &v }

func TestDiscrepancyJSON(t *testing.T) {
	d, err := Compare(plane{Foot}, EN{E: 3, N: 4}, EN{}, CompareOptions{Resolution: 10})
	if err != nil {
		t.Fatal(err)
	}
	got, err := json.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"d_e":3,"d_n":4,"distance":5,"unit":{"name":"foot","symbol":"ft","metres":0.3048},"bearing_deg":null}`
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	var back Discrepancy
	if err := json.Unmarshal(got, &back); err != nil || back != d {
		t.Errorf("reads back as %+v, %v", back, err)
	}
}

func TestEpoch(t *testing.T) {
	for _, tt := range []struct {
		t    time.Time
		want float64
	}{
		{time.Time{}, 0},
		{time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC), 2024},
		{time.Date(2024, 7, 2, 0, 0, 0, 0, time.UTC), 2024.5},  // 183 of 366 days
		{time.Date(2023, 7, 2, 12, 0, 0, 0, time.UTC), 2023.5}, // 182.5 of 365 days
		{time.Date(2023, 12, 31, 23, 59, 59, 0, time.UTC), 2024 - 1/31536000.},
		{time.Date(2024, 1, 1, 1, 0, 0, 0, time.FixedZone("", 3600)), 2024},
	} {
		if got := Epoch(tt.t); math.Abs(got-tt.want) > 1e-9 {
			t.Errorf("Epoch(%v) = %v, want %v", tt.t, got, tt.want)
		}
	}
}
