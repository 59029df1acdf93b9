//go:build cgo

package field

import (
	"math"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
)

// The planes are those of the registry, as PROJ projects them. Source: PROJ, by
// way of package crs.
func TestPlanesArePROJs(t *testing.T) {
	for code, p := range planes {
		c, err := crs.Open(code)
		if err != nil {
			t.Fatal(err)
		}
		if g := c.Grid(); g.Unit != p.unit || math.Abs(g.Ellipsoid.SemiMajor-p.datum.a) > 1e-6 || math.Abs(g.Ellipsoid.InverseFlattening-p.datum.rf) > 1e-4 || g.Name != p.name {
			t.Errorf("%s: %+v against %+v", code, g, p.Grid())
		}
		for _, lat := range []float64{p.south, p.north} {
			for _, away := range []float64{-p.reach, 0.1, p.reach} {
				ll := grid.LatLon{Lat: lat, Lon: p.lon0 + away}
				want, err := c.ToPlane([]grid.LatLon{ll})
				if err != nil {
					t.Fatal(err)
				}
				got, ok := p.project(ll)
				if d := math.Hypot(got.E-want[0].E, got.N-want[0].N) * p.unit.Metres; !ok || d > 1e-3 {
					t.Errorf("%s at %v: %v, PROJ has %v, %.2g m", code, ll, got, want[0], d)
				}
				back, err := p.Geographic(got)
				if d := math.Hypot(back.Lat-ll.Lat, back.Lon-ll.Lon); err != nil || d > 1e-10 {
					t.Errorf("%s: %v comes back as %v (%v)", code, ll, back, err)
				}
				f, err := p.Factors(got)
				w, errW := c.Factors(got)
				if err != nil || errW != nil || math.Abs(f.Convergence-w.Convergence) > 1e-5 || math.Abs(f.PointScale-w.PointScale) > 1e-7 {
					t.Errorf("%s at %v: factors %+v, PROJ has %+v", code, ll, f, w)
				}
				on := grid.EN{E: got.E + 300, N: got.N - 500}
				g, err := p.Geodesic(got, on)
				v, errV := c.Geodesic(got, on)
				if err != nil || errV != nil || math.Abs(g.Distance-v.Distance) > 1e-4 || math.Abs(g.Azimuth-v.Azimuth) > 1e-3 {
					t.Errorf("%s at %v: geodesic %+v, PROJ has %+v", code, ll, g, v)
				}
			}
		}
	}
}
