package site

import (
	"errors"
	"math"
	"testing"

	"example.com/phototie/grid"
)

// North Carolina, zone 3200 of the State Plane Coordinate System of 1983. The
// scale factor on the central parallel, 0.999872591882, is the zone constant in
// Appendix A of NOAA Manual NOS NGS 5, and 20 906 000 ft its radius (both from
// memory; the constant was reproduced from the two standard parallels on the
// GRS 80 ellipsoid). The rest is arithmetic, by hand:
//
//	height factor at 500 ft      20906000 / 20906500     = 0.9999760840
//	combined factor              0.9998725919 x 0.9999760840 = 0.9998486789
//	1000 ft on the ground        999.8487 ft on the grid
func TestStatePlane(t *testing.T) {
	hf, err := HeightFactor(500, 20906000)
	if err != nil || math.Abs(hf-0.9999760840) > 5e-11 {
		t.Errorf("height factor %.12f, %v", hf, err)
	}
	k, err := CombinedFactor(0.999872591882, hf)
	if err != nil || math.Abs(k-0.9998486789) > 5e-11 {
		t.Errorf("combined factor %.12f, %v", k, err)
	}
	if got := 1000 * k; math.Abs(got-999.8486789) > 5e-8 {
		t.Errorf("grid distance %.8f", got)
	}
	if got := PPM(k); math.Abs(got+151.3211) > 1e-3 {
		t.Errorf("%v ppm", got)
	}
	// The same radius in metres, and the rule of thumb that 1 ppm is 6.37 m.
	if math.Abs(MeanRadius/0.3048-20906000) > 1000 {
		t.Errorf("mean radius %v ft", MeanRadius/0.3048)
	}
	if hf, _ := HeightFactor(6.372, MeanRadius); math.Abs(PPM(hf)+1) > 1e-5 {
		t.Errorf("6.372 m up is %v ppm", PPM(hf))
	}
}

func TestFactorErrors(t *testing.T) {
	nan := math.NaN()
	for _, v := range [][2]float64{{nan, 1}, {0, 0}, {0, -5}, {-10, 10}, {0, math.Inf(1)}} {
		if f, err := HeightFactor(v[0], v[1]); err == nil {
			t.Errorf("height %v over radius %v gave %v", v[0], v[1], f)
		}
	}
	for _, v := range [][2]float64{{0, 1}, {-1, -1}, {1, nan}, {1e300, 1e300}} {
		if f, err := CombinedFactor(v[0], v[1]); err == nil {
			t.Errorf("%v x %v gave %v", v[0], v[1], f)
		}
	}
}

func TestFactorsAt(t *testing.T) {
	g := &gauss{}
	at, err := g.project(grid.LatLon{Lat: 53.35, Lon: -6.2})
	if err != nil {
		t.Fatal(err)
	}
	f, err := FactorsAt(g, at, 100, 0)
	if err != nil {
		t.Fatal(err)
	}
	own, _ := g.Factors(at)
	if f.PointScale != own.PointScale || f.Radius != g.Grid().Ellipsoid.GaussianRadius(53.35) || f.Height != 100 {
		t.Errorf("%+v", f)
	}
	if want := own.PointScale * f.Radius / (f.Radius + 100); math.Abs(f.CombinedFactor-want) > 1e-15 {
		t.Errorf("combined factor %v, want %v", f.CombinedFactor, want)
	}
	if f, err := FactorsAt(g, at, 100, 6.3e6); err != nil || f.Radius != 6.3e6 {
		t.Errorf("%+v, %v", f, err)
	}
	if _, err := FactorsAt(nil, at, 0, 0); err == nil {
		t.Error("no projection, no error")
	}
	if _, err := FactorsAt(g, at, math.NaN(), 0); err == nil {
		t.Error("no height, no error")
	}
	g.fail = errors.New("broken")
	if _, err := FactorsAt(g, at, 0, 0); !errors.Is(err, g.fail) {
		t.Errorf("error %v", err)
	}
}
