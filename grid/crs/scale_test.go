package crs

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.com/phototie/grid"
)

// On grids that are not conformal a short vector is as long as the geodesic in
// its own direction, by the indicatrix; the grid's length is not, and the mean
// point scale is not enough. Reference: PROJ's geodesics, which are
// GeographicLib's. EPSG:3857 at 53 N shows 10 m as 16.6, EPSG:6933 (cylindrical
// equal area) stretches one way and shrinks the other, EPSG:3035 is an azimuthal
// equal area and EPSG:5070 an Albers grid; 2157 and 25832 are conformal.
func TestTrueDistance(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for _, tt := range []struct {
		code      string
		at        grid.LatLon
		conformal bool
	}{
		{"EPSG:3857", grid.LatLon{Lat: 53, Lon: -6}, false}, {"EPSG:6933", grid.LatLon{Lat: 53, Lon: -6}, false},
		{"EPSG:3035", grid.LatLon{Lat: 38, Lon: -9}, false}, {"EPSG:5070", grid.LatLon{Lat: 25.5, Lon: -81}, false},
		{"EPSG:2157", grid.LatLon{Lat: 53, Lon: -6}, true}, {"EPSG:25832", grid.LatLon{Lat: 48, Lon: 12}, true},
	} {
		c := open(t, tt.code)
		en, err := c.ToPlane([]grid.LatLon{tt.at})
		if err != nil {
			t.Fatal(err)
		}
		f, err := c.Factors(en[0])
		if err != nil {
			t.Fatal(err)
		}
		// Pseudo-Mercator's two scales differ by the ellipsoid's flattening only.
		if spread := f.MaxScale/f.MinScale - 1; tt.conformal && spread > 1e-8 || !tt.conformal && spread < 1e-3 {
			t.Errorf("%s: scales from %v to %v", tt.code, f.MinScale, f.MaxScale)
		}
		for range 20 {
			angle := 2 * math.Pi * r.Float64()
			dE, dN := 10*math.Sin(angle), 10*math.Cos(angle)
			to := grid.EN{E: en[0].E + dE, N: en[0].N + dN}
			g, err := c.Geodesic(en[0], to)
			if err != nil {
				t.Fatal(err)
			}
			// The scale changes by some 1e-6 over the 10 m.
			if v := f.True(dE, dN); math.Abs(math.Hypot(v.E, v.N)-g.Distance) > 1e-4 {
				t.Errorf("%s, bearing %.0f: %v m, geodesic %v m", tt.code, angle*180/math.Pi, v, g.Distance)
			}
			d, err := grid.Compare(c, to, en[0], grid.CompareOptions{Height: new(float64)})
			if err != nil || d.True == nil || math.Abs(d.True.Distance-g.Distance) > 1e-4 {
				t.Fatalf("%s: %+v, %v", tt.code, d, err)
			}
			// At height 0 the ground distance is the ellipsoid's, in each direction.
			if math.Abs(d.Ground.Distance*c.Grid().Unit.Metres-g.Distance) > 1e-4 {
				t.Errorf("%s: ground distance %v, geodesic %v", tt.code, d.Ground.Distance, g.Distance)
			}
		}
	}
}
