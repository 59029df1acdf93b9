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
	f, err := site.FactorsAt(nc, at, 152.4, site.MeanRadius)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(f.PointScale-0.999872591882) > 2e-10 || math.Abs(f.CombinedFactor-0.999848678) > 2e-9 {
		t.Errorf("%+v", f)
	}
	own, err := nc.Factors(at)
	if err != nil || math.Abs(own.Convergence-1.5*0.577170255241) > 1e-8 {
		t.Errorf("convergence %v, want %v (%v)", own.Convergence, 1.5*0.577170255241, err)
	}

	// Ground coordinates about that point, turned by nothing: distances on the
	// site are distances on the ground.
	ground := site.NewGroundScale(at, f.CombinedFactor, grid.EN{E: 2e6, N: 5e5})
	p, err := site.New(nc, site.Definition{Name: "Tallow Creek ground", Unit: grid.USSurveyFoot, GroundScale: &ground})
	if err != nil {
		t.Fatal(err)
	}
	point := grid.EN{E: at.E - 2e6, N: at.N - 5e5}
	h := 152.4
	d, err := grid.Compare(p, grid.EN{E: point.E + 30, N: point.N - 40}, point, grid.CompareOptions{Height: &h, Radius: site.MeanRadius})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(d.Distance-50) > 1e-6 || math.Abs(d.Ground.Distance-50) > 1e-6 || math.Abs(*d.Convergence-own.Convergence) > 1e-9 {
		t.Errorf("%+v, ground %+v", d, d.Ground)
	}
	if ellipsoidal := 50 * f.HeightFactor * grid.USSurveyFoot.Metres; math.Abs(d.Geodesic.Distance-ellipsoidal) > 1e-5 {
		t.Errorf("geodesic %v m, want %v", d.Geodesic.Distance, ellipsoidal)
	}
}

// Site -> WGS 84 -> site through PROJ, for site systems in other units, turned
// and skewed: below 0.1 mm.
func TestRoundTripPROJ(t *testing.T) {
	itm, err := crs.Open("EPSG:2157")
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(31, 32))
	for _, def := range []site.Definition{
		{Name: "quay", Unit: grid.Metre, Direction: site.SiteToBase, Similarity: &site.Similarity{Origin: grid.EN{E: 719190, N: 734240}, Scale: 0.99987, Rotation: 35}},
		{Name: "quay in feet", Unit: grid.Foot, Direction: site.BaseToSite, Similarity: &site.Similarity{Origin: grid.EN{E: -2e6, N: -2e6}, Scale: 3.2812, Rotation: -35}},
		{Name: "plant", Unit: grid.Metre, Direction: site.SiteToBase, Affine: &site.Affine{A0: 719190, A1: 0.8, A2: 0.6001, B0: 734240, B1: -0.6, B2: 0.8001}},
	} {
		p, err := site.New(itm, def)
		if err != nil {
			t.Fatal(err)
		}
		s := p.(*site.GeodesicSystem)
		var at []grid.EN
		frames := make([]grid.Frame, 200)
		for i := range frames {
			at = append(at, s.FromBase(grid.EN{E: 719190 + 2000*r.Float64(), N: 734240 + 2000*r.Float64()}))
			frames[i] = grid.Frame{Datum: "WGS-84", Epoch: 2024.5}
		}
		fixes, err := s.FromGrid(t.Context(), at, frames)
		if err != nil {
			t.Fatal(err)
		}
		var back []grid.Fix
		for _, f := range fixes {
			if f.Err != nil {
				t.Fatal(f.Err)
			}
			back = append(back, f.Fix)
		}
		again, err := s.ToGrid(t.Context(), back)
		if err != nil {
			t.Fatal(err)
		}
		for i, a := range again {
			if d := math.Hypot(a.E-at[i].E, a.N-at[i].N) * def.Unit.Metres; a.Err != nil || d > 1e-4 {
				t.Errorf("%s: %v came back %v m off (%v)", def.Name, at[i], d, a.Err)
			}
		}
	}
}
