//go:build cgo

package site_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/grid/site"
)

// North Carolina in US survey feet by PROJ. The published figures are the zone
// constants of NOAA Manual NOS NGS 5, Appendix A, zone NC 3200 (from memory): the
// scale factor 0.999872591882 on the central parallel 35.2517586002° and
// sin B0 = 0.577170255241, which times the difference of longitude is the
// convergence.
func TestStatePlanePROJ(t *testing.T) {
	nc, err := crs.Open("EPSG:6543")
	if err != nil {
		t.Fatal(err)
	}
	// 1.5° east of the central meridian, on the central parallel, in the grid's
	// own frame: found by walking back from the geographic position.
	at := grid.EN{E: 2e6 + 4.4e5, N: 5.5e5}
	want := grid.LatLon{Lat: 35.2517586002, Lon: -77.5}
	for range 20 {
		p, err := nc.Geographic(at)
		if err != nil {
			t.Fatal(err)
		}
		at.E += (want.Lon - p.Lon) * 298000
		at.N += (want.Lat - p.Lat) * 364000
	}
	// A ground height of 152.4 m over a radius of 6 372 000 m: height factor
	// 0.999976084, by hand.
	const meanRadius = 6372000 // NOAA Manual NOS NGS 5, section 4 (from memory)
	height := 152.4
	there, err := grid.Compare(nc, at, at, grid.CompareOptions{Height: &height, Radius: meanRadius})
	if err != nil {
		t.Fatal(err)
	}
	f := there.Ground
	if math.Abs(*there.PointScale-0.999872591882) > 2e-10 || math.Abs(f.CombinedFactor-0.999848678) > 2e-9 {
		t.Errorf("%v %+v", *there.PointScale, f)
	}
	own, err := nc.Factors(at)
	if err != nil || math.Abs(own.Convergence-1.5*0.577170255241) > 1e-8 {
		t.Errorf("convergence %v, want %v (%v)", own.Convergence, 1.5*0.577170255241, err)
	}

	// Ground coordinates about that point, turned by nothing: distances on the
	// site are distances on the ground.
	ground := newGroundScale(at, f.CombinedFactor, grid.EN{E: 2e6, N: 5e5})
	p, err := site.New(nc, site.Definition{Name: "Tallow Creek ground", Unit: grid.USSurveyFoot, GroundScale: &ground})
	if err != nil {
		t.Fatal(err)
	}
	point := grid.EN{E: at.E - 2e6, N: at.N - 5e5}
	d, err := grid.Compare(p, grid.EN{E: point.E + 30, N: point.N - 40}, point, grid.CompareOptions{Height: &height, Radius: meanRadius})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(d.Distance-50) > 1e-6 || math.Abs(d.Ground.Distance-50) > 1e-6 || math.Abs(*d.Convergence-own.Convergence) > 1e-9 {
		t.Errorf("%+v, ground %+v", d, d.Ground)
	}
	if ellipsoidal := 50 * (meanRadius / (meanRadius + height)) * grid.USSurveyFoot.Metres; math.Abs(d.Geodesic.Distance-ellipsoidal) > 1e-5 {
		t.Errorf("geodesic %v m, want %v", d.Geodesic.Distance, ellipsoidal)
	}
}

// Site -> WGS 84 -> site through PROJ, over the areas of use of grids of every
// kind, for site systems in other units, turned and skewed: below 0.1 mm.
func TestRoundTripPROJ(t *testing.T) {
	r := rand.New(rand.NewPCG(31, 32))
	worst := 0.0
	for _, code := range []string{
		"EPSG:2157",  // transverse Mercator
		"EPSG:31467", // northing first, another datum
		"EPSG:2053",  // westing and southing
		"EPSG:6543",  // conic, US survey feet
		"EPSG:28992", // oblique stereographic
		"EPSG:2056",  // oblique Mercator
		"EPSG:5514",  // Krovak
		"EPSG:2136",  // Gold Coast feet
		"EPSG:3035",  // equal area
		"EPSG:3413",  // polar
	} {
		base, err := crs.Open(code)
		if err != nil {
			t.Fatal(err)
		}
		south, west, north, east, ok := base.AreaOfUse()
		if !ok || west > east {
			t.Fatalf("%s: area of use %v %v %v %v", code, south, west, north, east)
		}
		unit := base.Grid().Unit.Metres
		// Sites of a kilometre all over the area of use.
		var middle []grid.LatLon
		for range 15 {
			middle = append(middle, grid.LatLon{Lat: south + (north-south)*r.Float64(), Lon: west + (east-west)*r.Float64()})
		}
		centres, err := base.ToPlane(middle)
		if err != nil {
			t.Fatal(err)
		}
		for i, at := range centres {
			k := unit * (0.999 + 0.002*r.Float64())
			turn := 720*r.Float64() - 360
			sin, cos := math.Sincos(turn * math.Pi / 180)
			there := site.Similarity{Origin: at, Scale: k / unit, Rotation: turn}
			back := site.Similarity{Origin: there.Affine().Inverse(grid.EN{}), Scale: 1 / there.Scale, Rotation: -turn}
			ground := newGroundScale(at, 0.9997, grid.EN{E: 10000, N: 5000})
			ground.UnitRatio = 0 // to be found from the units
			def := [...]site.Definition{
				{Name: "quay", Unit: grid.Metre, Direction: site.SiteToBase, Similarity: &site.Similarity{Origin: at, Scale: 1 / unit * 0.9999, Rotation: turn}},
				{Name: "turned over", Unit: base.Grid().Unit, Direction: site.BaseToSite, Similarity: &back},
				{Name: "plant", Unit: grid.Metre, Direction: site.SiteToBase, Affine: &site.Affine{A0: at.E, A1: cos / unit, A2: 1.0001 * sin / unit, B0: at.N, B1: -sin / unit, B2: 1.0002 * cos / unit}},
				{Name: "ground in feet", Unit: grid.Foot, GroundScale: &ground},
			}[i%4]
			p, err := site.New(base, def)
			if err != nil {
				t.Fatalf("%s: %v", code, err)
			}
			s := p.(*site.GeodesicSystem)
			var points []grid.EN
			frames := make([]grid.Frame, 20)
			for i := range frames {
				points = append(points, s.FromBase(grid.EN{E: at.E + 1000*(r.Float64()-0.5)/unit, N: at.N + 1000*(r.Float64()-0.5)/unit}))
				frames[i] = grid.Frame{Datum: "WGS-84", Epoch: 2024.5}
			}
			fixes, err := s.FromGrid(t.Context(), points, frames)
			if err != nil {
				t.Fatal(err)
			}
			var tags []grid.Fix
			for _, f := range fixes {
				if f.Err != nil {
					t.Fatalf("%s: %v", code, f.Err)
				}
				tags = append(tags, f.Fix)
			}
			again, err := s.ToGrid(t.Context(), tags)
			if err != nil {
				t.Fatal(err)
			}
			for i, a := range again {
				d := math.Hypot(a.E-points[i].E, a.N-points[i].N) * def.Unit.Metres
				worst = max(worst, d)
				if a.Err != nil || !(d <= 1e-4) {
					t.Errorf("%s, %s: %v came back %v m off (%v)", code, def.Name, points[i], d, a.Err)
				}
			}
		}
	}
	t.Logf("largest difference %.2g mm", worst*1000)
}

// A job in ground feet with heights above a geoid, by PROJ all the way: the
// constant separation of the base is named, and the accuracies add up.
// newGroundScale scales about a point, with some truncation taken off.
func newGroundScale(origin grid.EN, k float64, off grid.EN) site.GroundScale {
	return site.GroundScale{Origin: origin, SiteOrigin: grid.EN{E: origin.E - off.E, N: origin.N - off.N}, CombinedFactor: k, UnitRatio: 1}
}

func TestHeightsPROJ(t *testing.T) {
	nc, err := crs.Open("EPSG:6543")
	if err != nil {
		t.Fatal(err)
	}
	ground := newGroundScale(grid.EN{E: 2e6, N: 6e5}, 0.9999, grid.EN{E: 1750000, N: 500000})
	good, height := 0.03, 0.02
	p, err := site.New(nc, site.Definition{Name: "Tallow Creek ground", Unit: grid.USSurveyFoot, GroundScale: &ground, Accuracy: &good,
		Vertical: &site.Vertical{Offset: -100}, HeightAccuracy: &height})
	if err != nil {
		t.Fatal(err)
	}
	bridge := grid.EN{E: 260000, N: 98000}
	frame := grid.Frame{Datum: "WGS-84", Epoch: 2024.5}
	at, err := p.FromGrid(t.Context(), []grid.EN{bridge}, []grid.Frame{frame})
	if err != nil || at[0].Err != nil {
		t.Fatal(err, at[0].Err)
	}
	// NAD83(2011) to WGS 84 (G2139) is 0.01 m by the registry; 3 cm come on top.
	if a := at[0].Op.Accuracy; a == nil || math.Abs(*a-math.Hypot(good, 0.01)) > 1e-9 {
		t.Errorf("operation %+v", at[0].Op)
	}
	// The site's height is 100 ftUS below the base's. By hand: 150 ftUS on the
	// site are 250 ftUS = 76.2002 m above the geoid, which lies 32.5 m below the
	// ellipsoid of NAD83(2011): h = 43.7002 m there.
	n := -32.5
	ref := grid.HeightRef{Surface: grid.HeightGeoid, Separation: &n, SeparationAccuracy: 0.05, Site: true}
	own := grid.Frame{Datum: "NAD83(2011)"}
	h, err := p.(grid.Heighter).EllipsoidalHeights(t.Context(), []grid.EN{bridge, bridge}, []grid.Height{{Metres: 150 * grid.USSurveyFoot.Metres, Ref: ref}, {Metres: 150 * grid.USSurveyFoot.Metres, Ref: ref}}, []grid.Frame{own, frame})
	if err != nil || h[0].Err != nil || h[1].Err != nil {
		t.Fatal(err, h)
	}
	if math.Abs(h[0].Metres-43.70015) > 1e-4 || math.Abs(*h[0].Accuracy-math.Hypot(0.05, 0.02)) > 1e-9 {
		t.Errorf("%+v", h[0])
	}
	// Heights in WGS 84 are 1.37 m lower here (from NAD83(2011) by cs2cs,
	// TestEllipsoidalHeights of package crs).
	if d := h[0].Metres - h[1].Metres; d < 1.3 || d > 1.45 {
		t.Errorf("NAD83(2011) and WGS 84 differ by %v m", d)
	}
}
