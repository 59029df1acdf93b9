package sim_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/sim"
)

var (
	_ grid.Projection = (*sim.Plane)(nil)
	_ grid.Geodesist  = (*sim.Plane)(nil)
)

func newPlane(t *testing.T, origin grid.LatLon, at grid.EN, unit grid.Unit) *sim.Plane {
	t.Helper()
	p, err := sim.NewPlane(origin, at, unit)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Property: onto the plane and back is the same place, to far below 0.1 mm.
func TestPlaneRoundTrip(t *testing.T) {
	ctx := context.Background()
	rng := rand.New(rand.NewPCG(1, 1))
	for range 200 {
		origin := grid.LatLon{Lat: 170*rng.Float64() - 85, Lon: 360*rng.Float64() - 180}
		unit := []grid.Unit{grid.Metre, grid.Foot, grid.USSurveyFoot}[rng.IntN(3)]
		shift := match.Vector{E: 300 * rng.NormFloat64(), N: 300 * rng.NormFloat64()}
		p := newPlane(t, origin, grid.EN{E: 1e6 * rng.NormFloat64(), N: 1e6 * rng.NormFloat64()}, unit).Zone(rng.IntN(3)-1).WithDatum("OLD", shift)
		var fixes []grid.Fix
		for range 20 {
			fixes = append(fixes, grid.Fix{
				LatLon: grid.LatLon{Lat: 179*rng.Float64() - 89.5, Lon: 359*rng.Float64() - 179.5},
				Frame:  grid.Frame{Datum: []string{"", "WGS-84", "OLD"}[rng.IntN(3)]},
			})
		}
		on, err := p.ToGrid(ctx, fixes)
		if err != nil {
			t.Fatal(err)
		}
		at, frames := make([]grid.EN, len(on)), make([]grid.Frame, len(on))
		for i := range on {
			at[i], frames[i] = on[i].EN, fixes[i].Frame
		}
		back, err := p.FromGrid(ctx, at, frames)
		if err != nil {
			t.Fatal(err)
		}
		for i, b := range back {
			if errors.Is(b.Err, grid.ErrOutside) && frames[i].Datum == "OLD" {
				continue // shifted across the seam or a pole
			}
			dLon := math.Remainder(b.Lon-fixes[i].Lon, 360)
			if on[i].Err != nil || b.Err != nil || math.Abs(b.Lat-fixes[i].Lat) > 1e-10 || math.Abs(dLon) > 1e-10 || b.Op == nil {
				t.Errorf("%v becomes %v %v and that %v %v", fixes[i], on[i].EN, on[i].Err, b.LatLon, b.Err)
			}
		}
	}
}

// Near the origin the plane is as long and as wide as the ellipsoid, by its own
// geodesics; those are held against GeographicLib below.
func TestPlaneIsTrueToScale(t *testing.T) {
	p := sim.DefaultPlane()
	o := grid.EN{E: 500000, N: 5780000}
	for bearing := 0.0; bearing < 360; bearing += 15 {
		sin, cos := math.Sincos(bearing * math.Pi / 180)
		for _, d := range []float64{1, 100, 1000, 10000} {
			g, err := p.Geodesic(o, grid.EN{E: o.E + d*sin, N: o.N + d*cos})
			if err != nil {
				t.Fatal(err)
			}
			// The scale grows with the distance north or south: by tan(lat)/R.
			if tolerance := 1e-4 + d*d*2e-7*2; math.Abs(g.Distance-d) > tolerance {
				t.Errorf("%v m at %v degrees are %.4f m", d, bearing, g.Distance)
			}
			if turn := math.Abs(math.Remainder(g.Azimuth-bearing, 360)); turn > 1e-3+d*2e-5 {
				t.Errorf("%v m at %v degrees have the azimuth %v", d, bearing, g.Azimuth)
			}
			f, err := p.Factors(grid.EN{E: o.E + d*sin, N: o.N + d*cos})
			if err != nil || f.Convergence != 0 || math.Abs(f.PointScale-1) > d*1.1e-7+1e-12 {
				t.Errorf("factors %v (%v) at %v m", f, err, d)
			}
		}
	}
}

// Factors are what small steps of the geodesic show.
func TestPlaneFactors(t *testing.T) {
	p := newPlane(t, grid.LatLon{Lat: 40}, grid.EN{}, grid.USSurveyFoot)
	for _, at := range []grid.EN{{}, {E: 1e6, N: 3e6}, {E: -4e7, N: -4e7}, {N: 1.5e7}} {
		f, err := p.Factors(at)
		if err != nil {
			t.Fatal(err)
		}
		e, err1 := p.Geodesic(at, grid.EN{E: at.E + 10, N: at.N})
		n, err2 := p.Geodesic(at, grid.EN{E: at.E, N: at.N + 10})
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		step := 10 * grid.USSurveyFoot.Metres
		if want := math.Sqrt(step / e.Distance * step / n.Distance); math.Abs(f.PointScale/want-1) > 1e-5 {
			t.Errorf("at %v: point scale %v, want %v", at, f.PointScale, want)
		}
	}
}

// Geodesics of published or computed value.
func TestPlaneGeodesic(t *testing.T) {
	p := newPlane(t, grid.LatLon{}, grid.EN{}, grid.Metre)
	at := func(lat, lon float64) grid.EN {
		placed, err := p.ToGrid(context.Background(), []grid.Fix{{LatLon: grid.LatLon{Lat: lat, Lon: lon}}})
		if err != nil || placed[0].Err != nil {
			t.Fatal(err, placed[0].Err)
		}
		return placed[0].EN
	}
	// Source: the documentation of GeographicLib, JFK to LHR.
	g, err := p.Geodesic(at(40.6, -73.8), at(51.6, -0.5))
	if err != nil || math.Abs(g.Distance-5551759.400) > 0.001 || math.Abs(g.Azimuth-51.19888) > 0.00001 {
		t.Errorf("JFK to LHR: %v, %v", g, err)
	}
	if g, err := p.Geodesic(at(10, 20), at(10, 20)); err != nil || g.Distance != 0 {
		t.Errorf("no distance: %v, %v", g, err)
	}
	if g, err := p.Geodesic(at(0, 0), at(0, 179.9)); !errors.Is(err, sim.ErrAntipodal) {
		t.Errorf("nearly antipodal: %v, %v", g, err)
	}
	if _, err := p.Geodesic(at(0, 0), grid.EN{E: 1e9}); !errors.Is(err, grid.ErrOutside) {
		t.Errorf("off the plane: %v", err)
	}

	// GeographicLib's solver of the inverse problem, as an oracle.
	if _, err := exec.LookPath("GeodSolve"); err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	rng := rand.New(rand.NewPCG(2, 2))
	var in strings.Builder
	var got []grid.Geodesic
	for len(got) < 300 {
		a := grid.LatLon{Lat: 178*rng.Float64() - 89, Lon: 360*rng.Float64() - 180}
		b := grid.LatLon{Lat: 178*rng.Float64() - 89, Lon: 360*rng.Float64() - 180}
		if len(got)%2 == 0 { // metres apart
			b = grid.LatLon{Lat: a.Lat + 1e-4*rng.NormFloat64(), Lon: a.Lon + 1e-4*rng.NormFloat64()}
		}
		if b.Lon > 180 || b.Lon < -180 {
			continue
		}
		g, err := p.Geodesic(at(a.Lat, a.Lon), at(b.Lat, b.Lon))
		if errors.Is(err, sim.ErrAntipodal) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, g)
		fmt.Fprintf(&in, "%.15f %.15f %.15f %.15f\n", a.Lat, a.Lon, b.Lat, b.Lon)
	}
	cmd := exec.Command("GeodSolve", "-i", "-p", "10")
	cmd.Stdin = strings.NewReader(in.String())
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	for i, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		var az, far, dist float64
		if _, err := fmt.Sscan(line, &az, &far, &dist); err != nil {
			t.Fatal(err)
		}
		g := got[i]
		// The azimuth of a line of metres is as good as its ends are.
		turn := 1e-7 + 1e-5/max(dist, 1e-3)
		if math.Abs(g.Distance-dist) > 1e-4 || math.Abs(math.Remainder(g.Azimuth-az, 360)) > turn ||
			math.Abs(math.Remainder(g.BackAzimuth-far-180, 360)) > turn {
			t.Errorf("geodesic %d: %v, want %s", i, g, line)
		}
	}
}

func TestPlaneErrors(t *testing.T) {
	for _, c := range []struct {
		origin grid.LatLon
		at     grid.EN
		unit   grid.Unit
	}{
		{grid.LatLon{Lat: 86}, grid.EN{}, grid.Metre},
		{grid.LatLon{Lat: math.NaN()}, grid.EN{}, grid.Metre},
		{grid.LatLon{}, grid.EN{E: math.Inf(1)}, grid.Metre},
		{grid.LatLon{}, grid.EN{}, grid.Unit{}},
	} {
		if p, err := sim.NewPlane(c.origin, c.at, c.unit); err == nil {
			t.Errorf("NewPlane(%v) = %v", c, p)
		}
	}
	ctx := context.Background()
	p := sim.DefaultPlane()
	var unknown *grid.UnknownDatumError
	placed, err := p.ToGrid(ctx, []grid.Fix{
		{Frame: grid.Frame{Datum: "OLD"}},
		{LatLon: grid.LatLon{Lat: 91}},
		{LatLon: grid.LatLon{Lat: 52, Lon: -6}},
	})
	if err != nil || !errors.As(placed[0].Err, &unknown) || !errors.Is(placed[1].Err, grid.ErrOutside) || placed[2].Err != nil {
		t.Errorf("placements %v, %v", placed, err)
	}
	back, err := p.FromGrid(ctx, []grid.EN{{}, {N: 1e9}}, []grid.Frame{{Datum: "OLD"}, {}})
	if err != nil || !errors.As(back[0].Err, &unknown) || !errors.Is(back[1].Err, grid.ErrOutside) {
		t.Errorf("placements %v, %v", back, err)
	}
	if _, err := p.FromGrid(ctx, []grid.EN{{}}, nil); err == nil {
		t.Error("a position without a frame")
	}
	done, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := p.ToGrid(done, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
