package crs

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

// system is one CRS of the world test, with what the EPSG registry says about
// its axes, written down by hand so that the reading of axes is tested too.
type system struct {
	code, base string
	// axes are the directions of the two axes as in "ne", or which one is
	// easting on polar systems: "EN", "NE".
	axes string
	unit float64 // metres
	// box to draw points from: south, west, north, east.
	box [4]float64
}

const ftUS = 1200.0 / 3937.0

// The boxes are the areas of use in the EPSG registry, roughly.
var systems = []system{
	// Transverse Mercator.
	{"EPSG:2157", "EPSG:4173", "en", 1, [4]float64{51.4, -10.5, 55.4, -5.4}},
	{"EPSG:27700", "EPSG:4277", "en", 1, [4]float64{49.8, -8.8, 60.9, 1.9}},
	{"EPSG:31467", "EPSG:4314", "ne", 1, [4]float64{47.3, 7.5, 55, 10.5}},
	{"EPSG:2053", "EPSG:4148", "ws", 1, [4]float64{-33, 28, -22, 30}},
	{"EPSG:22275", "EPSG:4222", "ws", 1, [4]float64{-31, 14, -28, 16.5}},
	{"EPSG:2193", "EPSG:4167", "ne", 1, [4]float64{-47, 166.5, -34, 178.5}},
	{"EPSG:28355", "EPSG:4283", "en", 1, [4]float64{-50, 144, -10, 150}},
	{"EPSG:7855", "EPSG:7844", "en", 1, [4]float64{-50, 144, -10, 150}},
	{"EPSG:25832", "EPSG:4258", "en", 1, [4]float64{38, 6, 83, 12}},
	{"EPSG:32733", "EPSG:4326", "en", 1, [4]float64{-80, 12, 0, 18}},
	{"EPSG:6677", "EPSG:6668", "ne", 1, [4]float64{34, 138, 37, 141}},
	{"EPSG:2180", "EPSG:9702", "ne", 1, [4]float64{49, 14, 55, 24}},
	{"EPSG:3067", "EPSG:4258", "en", 1, [4]float64{58, 19, 70, 32}},
	{"EPSG:2393", "EPSG:4123", "ne", 1, [4]float64{59, 19, 70, 31}},
	{"EPSG:31983", "EPSG:4674", "en", 1, [4]float64{-33, -48, 0, -42}},
	{"EPSG:2326", "EPSG:4611", "ne", 1, [4]float64{22.1, 113.7, 22.6, 114.5}},
	{"EPSG:3414", "EPSG:4757", "ne", 1, [4]float64{1.1, 103.5, 1.5, 104.1}},
	{"EPSG:5179", "EPSG:4737", "ne", 1, [4]float64{33, 124, 39, 131}},
	{"EPSG:4526", "EPSG:4490", "ne", 1, [4]float64{22, 112.5, 45, 115.5}},
	{"EPSG:2136", "EPSG:4168", "en", 0.304799710181509, [4]float64{4.7, -3.2, 11.1, 1.2}}, // Gold Coast foot
	{"EPSG:2100", "EPSG:4121", "en", 1, [4]float64{34.9, 19.6, 41.7, 28.2}},
	// Lambert conic conformal, one and two parallels.
	{"EPSG:2263", "EPSG:4269", "en", ftUS, [4]float64{40.5, -74.2, 41.3, -71.9}},
	{"EPSG:6543", "EPSG:6318", "en", ftUS, [4]float64{33.9, -84.3, 36.5, -75.4}},
	{"EPSG:32040", "EPSG:4267", "en", ftUS, [4]float64{27.8, -105, 30.7, -93.8}},
	{"EPSG:24200", "EPSG:4242", "en", 1, [4]float64{17.6, -78.4, 18.6, -76.2}},
	{"EPSG:2154", "EPSG:4171", "en", 1, [4]float64{41.2, -9.8, 51.5, 10.3}},
	{"EPSG:27572", "EPSG:4807", "en", 1, [4]float64{42.3, -6.9, 51.1, 7.3}}, // longitudes from Paris
	{"EPSG:3034", "EPSG:4258", "ne", 1, [4]float64{33, -16, 71, 39}},
	{"EPSG:31370", "EPSG:4313", "en", 1, [4]float64{49.5, 2.5, 51.5, 6.4}},
	{"EPSG:31287", "EPSG:4312", "ne", 1, [4]float64{46.4, 9.5, 49, 17.1}},
	// Krovak: the same map counted two ways.
	{"EPSG:5514", "EPSG:4156", "en", 1, [4]float64{47.7, 12.1, 51, 22.5}},
	{"EPSG:5513", "EPSG:4156", "sw", 1, [4]float64{47.7, 12.1, 51, 22.5}},
	// Stereographic: polar and oblique.
	{"EPSG:3031", "EPSG:4326", "EN", 1, [4]float64{-90, -180, -60, 180}},
	{"EPSG:3413", "EPSG:4326", "EN", 1, [4]float64{60, -180, 90, 180}},
	{"EPSG:5041", "EPSG:4326", "EN", 1, [4]float64{60, -180, 90, 180}},
	{"EPSG:32661", "EPSG:4326", "NE", 1, [4]float64{60, -180, 90, 180}},
	{"EPSG:28992", "EPSG:4289", "en", 1, [4]float64{50.8, 3.2, 53.7, 7.2}},
	{"EPSG:31700", "EPSG:4317", "ne", 1, [4]float64{43.6, 20.3, 48.3, 30}},
	// Oblique Mercator.
	{"EPSG:2056", "EPSG:4150", "en", 1, [4]float64{45.8, 6, 47.8, 10.5}},
	{"EPSG:29873", "EPSG:4298", "en", 1, [4]float64{0.9, 109.6, 7.4, 119.3}},
	{"EPSG:3375", "EPSG:4742", "en", 1, [4]float64{1.2, 99.6, 6.7, 104.6}},
	{"EPSG:26931", "EPSG:4269", "en", 1, [4]float64{54.6, -141, 60.3, -130}},
	{"EPSG:23700", "EPSG:4237", "en", 1, [4]float64{45.8, 16.2, 48.6, 22.9}},
	// Mercator, across the 180th meridian too.
	{"EPSG:3395", "EPSG:4326", "en", 1, [4]float64{-80, -180, 84, 180}},
	{"EPSG:3832", "EPSG:4326", "en", 1, [4]float64{-60, 98, 66, 278}},
	{"EPSG:3857", "EPSG:4326", "en", 1, [4]float64{-85, -180, 85, 180}},
	// Equal area: azimuthal, conic, cylindrical and world maps.
	{"EPSG:3035", "EPSG:4258", "ne", 1, [4]float64{33, -16, 71, 39}},
	{"EPSG:5070", "EPSG:4269", "en", 1, [4]float64{24.4, -124.8, 49.4, -66.9}},
	{"EPSG:3577", "EPSG:4283", "en", 1, [4]float64{-43.7, 112.8, -9.8, 153.7}},
	{"EPSG:6933", "EPSG:4326", "en", 1, [4]float64{-86, -180, 86, 180}},
	{"EPSG:8857", "EPSG:4326", "en", 1, [4]float64{-90, -180, 90, 180}},
	// Others.
	{"EPSG:28193", "EPSG:4281", "en", 1, [4]float64{29.4, 34.1, 33.6, 35.7}},             // Cassini-Soldner
	{"EPSG:30200", "EPSG:4302", "en", 0.201166195164, [4]float64{9.8, -62.1, 11.5, -60}}, // the same, in Clarke's links
	{"EPSG:5880", "EPSG:4674", "en", 1, [4]float64{-35.7, -74, 7, -26}},                  // polyconic
	{"EPSG:27200", "EPSG:4272", "en", 1, [4]float64{-47.3, 166.4, -34.1, 178.6}},         // New Zealand Map Grid
	{"EPSG:3068", "EPSG:4314", "ne", 1, [4]float64{52.3, 13, 52.7, 13.8}},                // Cassini-Soldner, northing first
}

// orient turns the two numbers of a CRS into E, N.
func (s system) orient(a, b float64) grid.EN {
	switch s.axes {
	case "en", "EN":
		return grid.EN{E: a, N: b}
	case "ne", "NE":
		return grid.EN{E: b, N: a}
	case "ws":
		return grid.EN{E: -a, N: -b}
	case "sw":
		return grid.EN{E: -b, N: -a}
	}
	panic("axes " + s.axes)
}

func (s system) points(n int) []grid.LatLon {
	rng := rand.New(rand.NewPCG(20260511, 2))
	out := make([]grid.LatLon, n)
	for i := range out {
		out[i].Lat = s.box[0] + rng.Float64()*(s.box[2]-s.box[0])
		out[i].Lon = wrap(s.box[1] + rng.Float64()*(s.box[3]-s.box[1]))
	}
	return out
}

// Coordinates agree with cs2cs to 0.1 mm, and go back to where they came from.
func TestWorldAgainstCs2cs(t *testing.T) {
	if len(systems) < 40 {
		t.Fatalf("%d systems", len(systems))
	}
	for _, s := range systems {
		t.Run(strings.ReplaceAll(s.code, ":", ""), func(t *testing.T) {
			c := open(t, s.code)
			near(t, "unit", c.Grid().Unit.Metres, s.unit, 1e-14)
			if c.Grid().Code != s.code {
				t.Errorf("code %s", c.Grid().Code)
			}
			at := s.points(1000)
			in := make([][]float64, len(at))
			for i, p := range at {
				in[i] = []float64{p.Lat, p.Lon} // degrees, also where the base system counts in grads
			}
			want := runTool(t, in, "cs2cs", "-f", "%.9f", s.base, s.code)
			got, err := c.ToPlane(at)
			if err != nil {
				t.Fatal(err)
			}
			worst := 0.0
			for i := range got {
				if len(want[i]) < 2 {
					t.Fatalf("cs2cs has no answer for %v", at[i])
				}
				w := s.orient(want[i][0], want[i][1])
				d := math.Hypot(got[i].E-w.E, got[i].N-w.N) * s.unit
				if !(d <= 1e-4) {
					t.Fatalf("%v: got %v, cs2cs %v, %.6f m apart", at[i], got[i], w, d)
				}
				worst = max(worst, d)
			}
			back, err := c.FromPlane(got)
			if err != nil {
				t.Fatal(err)
			}
			again, err := c.ToPlane(back)
			if err != nil {
				t.Fatal(err)
			}
			for i := range again {
				if d := math.Hypot(again[i].E-got[i].E, again[i].N-got[i].N) * s.unit; !(d <= 1e-5) {
					t.Fatalf("%v: %v comes back as %v and goes to %v, %.6f m apart", at[i], got[i], back[i], again[i], d)
				}
			}
			t.Logf("largest difference from cs2cs %.2g mm", worst*1000)
		})
	}
}

// Geodesics between places on the grid agree with GeodSolve to 1 um and, for
// the azimuths, to 1e-6 degrees beyond 1 m and 1e-9 degrees beyond 1 km.
func TestWorldAgainstGeodSolve(t *testing.T) {
	for _, s := range systems {
		t.Run(strings.ReplaceAll(s.code, ":", ""), func(t *testing.T) {
			c := open(t, s.code)
			rng := rand.New(rand.NewPCG(20260511, 3))
			from := s.points(1000)
			to := make([]grid.LatLon, len(from))
			for i, p := range from {
				// From a centimetre to 100 km, all scales alike.
				m := 0.01 * math.Pow(10, 7*rng.Float64())
				sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
				to[i].Lat = max(s.box[0], min(s.box[2], p.Lat+m*cos/111e3))
				to[i].Lon = p.Lon
				if w := math.Cos(p.Lat * math.Pi / 180); w > 0.01 {
					to[i].Lon = p.Lon + m*sin/111e3/w
				}
				if s.box[3] <= 180 { // stay on the map, and on its side of the seam
					to[i].Lon = max(s.box[1], min(s.box[3], to[i].Lon))
				}
				to[i].Lon = wrap(to[i].Lon)
			}
			a, err := c.ToPlane(from)
			if err != nil {
				t.Fatal(err)
			}
			b, err := c.ToPlane(to)
			if err != nil {
				t.Fatal(err)
			}
			// The grid positions are what is given; their latitudes and longitudes
			// are checked against cs2cs above.
			if from, err = c.FromPlane(a); err != nil {
				t.Fatal(err)
			}
			if to, err = c.FromPlane(b); err != nil {
				t.Fatal(err)
			}
			in := make([][]float64, len(a))
			for i := range a {
				in[i] = []float64{from[i].Lat, from[i].Lon, to[i].Lat, to[i].Lon}
			}
			e := c.Grid().Ellipsoid
			flattening := "0"
			if e.InverseFlattening != 0 {
				flattening = fmt.Sprintf("1/%.17g", e.InverseFlattening)
			}
			want := runTool(t, in, "GeodSolve", "-i", "-p", "10", "-e", fmt.Sprintf("%.17g", e.SemiMajor), flattening)
			for i := range a {
				g, err := c.Geodesic(a[i], b[i])
				if err != nil {
					t.Fatal(err)
				}
				azimuth, onward, distance := want[i][0], want[i][1], want[i][2]
				if !(math.Abs(g.Distance-distance) <= 1e-6) {
					t.Fatalf("%v to %v: distance %.9f, GeodSolve %.9f", from[i], to[i], g.Distance, distance)
				}
				limit := math.Inf(1)
				switch {
				case distance > 1000:
					limit = 1e-9
				case distance > 1:
					limit = 1e-6
				}
				// Azimuths this close to a pole turn with the last digit of the longitude.
				if math.Abs(from[i].Lat) > 89.99 || math.Abs(to[i].Lat) > 89.99 {
					continue
				}
				if d := math.Abs(math.Remainder(g.Azimuth-azimuth, 360)); !(d <= limit) {
					t.Fatalf("%v to %v, %.3f m: azimuth %.12f, GeodSolve %.12f", from[i], to[i], distance, g.Azimuth, azimuth)
				}
				if d := math.Abs(math.Remainder(g.BackAzimuth-onward-180, 360)); !(d <= limit) {
					t.Fatalf("%v to %v, %.3f m: back azimuth %.12f, GeodSolve onwards %.12f", from[i], to[i], distance, g.BackAzimuth, onward)
				}
			}
		})
	}
}

// FromGrid undoes ToGrid to 0.1 mm, in every system, from several datums and
// with and without an epoch, and by the same operation.
func TestRoundTrip(t *testing.T) {
	ctx := context.Background()
	stated := []grid.Frame{{Datum: "TOKYO"}, {Datum: "ETRS89"}, {Datum: "NAD27"}, {Datum: "ED50", Epoch: 2010}, {Datum: "ITRF2014", Epoch: 2026.1}}
	for k, s := range systems {
		c := open(t, s.code)
		places := s.points(150)
		frames := []grid.Frame{{}, {Datum: "WGS-84", Epoch: 2024.5}}
		// Planning takes a tenth of a second for each datum: each of them for two systems,
		// and with PHOTOTIE_FULL=1 for each third system, which decides nothing more.
		every := 6
		if os.Getenv("PHOTOTIE_FULL") != "" {
			every = 3
		}
		if k%every == 0 {
			frames = append(frames, stated[k/every%len(stated)])
		}
		fixes := make([]grid.Fix, len(places))
		for i, p := range places {
			p.Lon = wrap(p.Lon + c.ownMeridian)
			fixes[i] = grid.Fix{LatLon: p, Frame: frames[i%len(frames)]}
		}
		there, err := c.ToGrid(ctx, fixes)
		if err != nil {
			t.Fatal(err)
		}
		var at []grid.EN
		var in []grid.Frame
		for i := range there {
			if there[i].Err != nil {
				t.Fatalf("%s %+v: %v", s.code, fixes[i], there[i].Err)
			}
			at, in = append(at, there[i].EN), append(in, fixes[i].Frame)
		}
		back, err := c.FromGrid(ctx, at, in)
		if err != nil {
			t.Fatal(err)
		}
		again := make([]grid.Fix, len(back))
		for i := range back {
			if back[i].Err != nil {
				t.Fatalf("%s %v: %v", s.code, at[i], back[i].Err)
			}
			if back[i].Frame != in[i] {
				t.Fatalf("frame %v comes back as %v", in[i], back[i].Frame)
			}
			again[i] = back[i].Fix
			if there[i].Op != back[i].Op {
				t.Errorf("%s %v: there by\n%s\nback by\n%s", s.code, fixes[i], there[i].Op.Name, back[i].Op.Name)
			}
			// On the ground; near a pole a degree of longitude is nothing.
			north := (back[i].Lat - fixes[i].Lat) * 111.32e3
			east := math.Remainder(back[i].Lon-fixes[i].Lon, 360) * 111.32e3 * math.Cos(fixes[i].Lat*math.Pi/180)
			if d := math.Hypot(north, east); !(d <= 1e-4) {
				t.Errorf("%s %+v: comes back as %v, %.6f m away (%s)", s.code, fixes[i], back[i].LatLon, d, there[i].Op.Name)
			}
		}
		onceMore, err := c.ToGrid(ctx, again)
		if err != nil {
			t.Fatal(err)
		}
		for i := range onceMore {
			if d := math.Hypot(onceMore[i].E-at[i].E, onceMore[i].N-at[i].N) * s.unit; !(d <= 1e-4) {
				t.Errorf("%s %v: goes to %v, %.6f m away", s.code, at[i], onceMore[i].EN, d)
			}
		}
	}
}
