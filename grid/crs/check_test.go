package crs

import (
	"context"
	"math"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/twpayne/go-proj/v11"

	"example.com/phototie/grid"
)

// Worked examples: own-frame latitude and longitude to eastings and northings.
func TestPublishedProjections(t *testing.T) {
	tests := []struct {
		name, definition string
		at               grid.LatLon
		want             grid.EN
		tolerance        float64
	}{
		// Ordnance Survey, A guide to coordinate systems in Great Britain, annexe
		// C: Caister water tower.
		{"Caister", "EPSG:27700", grid.LatLon{Lat: dms(52, 39, 27.2531), Lon: dms(1, 43, 4.5177)}, grid.EN{E: 651409.903, N: 313177.270}, 0.0011},
		// ICSM, GDA94 Technical Manual, chapter 5 (from memory). Latitudes and
		// longitudes are known to 0.0001" here, so to 3 mm.
		{"Flinders Peak", "EPSG:28355", flinders, grid.EN{E: 273741.297, N: 5796489.777}, 0.0015},
		{"Buninyong", "EPSG:28355", buninyong, grid.EN{E: 228854.052, N: 5828259.038}, 0.0015},
		// IOGP Guidance Note 7-2, Lambert Conic Conformal (2SP): NAD27 / Texas
		// South Central, ftUS.
		{"LCC 2SP", "EPSG:32040", grid.LatLon{Lat: 28.5, Lon: -96}, grid.EN{E: 2963503.91, N: 254759.80}, 0.011},
		// IOGP Guidance Note 7-2, Lambert Conic Conformal (1SP): JAD69 / Jamaica
		// National Grid.
		{"LCC 1SP", "EPSG:24200", grid.LatLon{Lat: dms(17, 55, 55.80), Lon: -dms(76, 56, 37.26)}, grid.EN{E: 255966.58, N: 142493.51}, 0.011},
		// IOGP Guidance Note 7-2, Oblique Stereographic: Amersfoort / RD New.
		{"Oblique Stereographic", "EPSG:28992", grid.LatLon{Lat: 53, Lon: 6}, grid.EN{E: 196105.283, N: 557057.739}, 0.0011},
		// IOGP Guidance Note 7-2, Hotine Oblique Mercator (variant B): Timbalai
		// 1948 / RSO Borneo (m).
		{"Hotine", "EPSG:29873", grid.LatLon{Lat: dms(5, 23, 14.1129), Lon: dms(115, 48, 19.8196)}, grid.EN{E: 679245.73, N: 596562.78}, 0.011},
	}
	for _, tt := range tests {
		c := open(t, tt.definition)
		got, err := c.ToPlane([]grid.LatLon{tt.at})
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		near(t, tt.name+" E", got[0].E, tt.want.E, tt.tolerance)
		near(t, tt.name+" N", got[0].N, tt.want.N, tt.tolerance)
		back, err := c.FromPlane(got)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		near(t, tt.name+" latitude", back[0].Lat, tt.at.Lat, 1e-11)
		near(t, tt.name+" longitude", back[0].Lon, tt.at.Lon, 1e-11)
	}
}

var (
	flinders  = grid.LatLon{Lat: -dms(37, 57, 3.72030), Lon: dms(144, 25, 29.52440)}
	buninyong = grid.LatLon{Lat: -dms(37, 39, 10.15610), Lon: dms(143, 55, 35.38390)}
)

// The worked example of the GDA94 Technical Manual (ICSM, from memory), in all
// the quantities of a discrepancy: Flinders Peak is the point, Buninyong the
// tag.
func TestFlindersPeakToBuninyong(t *testing.T) {
	c := open(t, "EPSG:28355")
	h := 0.0
	tag, point := grid.EN{E: 228854.052, N: 5828259.038}, grid.EN{E: 273741.297, N: 5796489.777}
	d, err := grid.Compare(c, tag, point, grid.CompareOptions{Resolution: 0.001, Height: &h})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "dE", d.DE, -44887.245, 1e-6)
	near(t, "dN", d.DN, 31769.261, 1e-6)
	near(t, "plane distance", d.Distance, 54992.279, 0.0005)
	if got := d.Bearing.DMS(2); got != `305°17'21.18"` {
		t.Errorf("plane bearing %s", got)
	}
	near(t, "geodesic", d.Geodesic.Distance, 54972.271, 0.001)
	near(t, "azimuth", d.Geodesic.Azimuth.Degrees(), dms(306, 52, 5.37), 0.01/3600)
	near(t, "convergence", *d.Convergence, dms(1, 35, 3.65), 0.01/3600)
	// With the arc-to-chord correction that this package leaves out: 305 17 01.72.
	near(t, "azimuth - convergence", d.Geodesic.Azimuth.Degrees()-*d.Convergence, dms(305, 17, 1.72), 0.02/3600)
	// The same example: point scale factor at Flinders Peak 1.000 230 56 (from
	// memory).
	near(t, "point scale", *d.PointScale, 1.00023056, 1e-8)
	near(t, "ground distance", d.Ground.Distance, d.Distance / *d.PointScale, 1e-6)
}

// JFK to LHR: GeographicLib, documentation of GeodSolve.
func TestPublishedGeodesic(t *testing.T) {
	c := open(t, "EPSG:3395") // any grid on WGS 84
	g, err := c.geodesic(grid.LatLon{Lat: 40.6, Lon: -73.8}, grid.LatLon{Lat: 51.6, Lon: -0.5})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "distance", g.Distance, 5551759.400, 0.001)
	near(t, "azimuth", g.Azimuth, 51.19888, 0.00001)
	// "51.198882845579 107.821776735514 5551759.400319": the second is the
	// azimuth onwards.
	near(t, "back azimuth", g.BackAzimuth, 107.821776735514+180, 1e-9)
}

// At 40.7 N 74 W the null transformation is 1.2 m off: cs2cs gives the place by
// the time-dependent operation, and by the null one.
func TestEpochMattersInAmerica(t *testing.T) {
	c := open(t, "EPSG:6543")
	const lat, lon, epoch = 40.7, -74, 2024.5
	dated := runTool(t, [][]float64{{lat, lon, 0, epoch}}, "cs2cs", "-f", "%.9f", "EPSG:9755", "EPSG:6543")[0]
	null := runTool(t, [][]float64{{lat, lon}}, "cs2cs", "-f", "%.9f", "EPSG:4326", "EPSG:6543")[0]
	near(t, "difference east", dated[0]-null[0], 2.1, 0.1)
	near(t, "difference north", dated[1]-null[1], -3.5, 0.1)

	at := grid.LatLon{Lat: lat, Lon: lon}
	p, err := c.ToGrid(context.Background(), []grid.Fix{{LatLon: at, Frame: grid.Frame{Datum: "WGS-84", Epoch: epoch}}, {LatLon: at}})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range [][]float64{dated, null} {
		if p[i].Err != nil {
			t.Fatal(p[i].Err)
		}
		near(t, "E", p[i].E, want[0], 1e-4/0.3048)
		near(t, "N", p[i].N, want[1], 1e-4/0.3048)
		if p[i].Op.Ballpark || p[i].Op.Accuracy == nil {
			t.Errorf("operation %+v", p[i].Op)
		}
	}
	if a := *p[0].Op.Accuracy; a > 0.02 || !strings.Contains(p[0].Op.Source, "G2139") {
		t.Errorf("with an epoch: accuracy %v from %s", a, p[0].Op.Source)
	}
	if a := *p[1].Op.Accuracy; a < 2 || !hasNote(p[1].Op, "date of the photo is not known") {
		t.Errorf("without an epoch: accuracy %v, notes %q", a, p[1].Op.Notes)
	}
}

func hasNote(op *grid.Operation, text string) bool {
	return strings.Contains(strings.Join(op.Notes, "\n"), text)
}

// ETRS89 in Ireland, computed here from the published parameters and not by
// PROJ: EUREF Technical Note 1, relationship and transformation between the
// International and the European Terrestrial Reference Systems (Altamimi, 2018),
// ITRF2014 to ETRF2000, epoch 2010.0, position vector convention.
func TestEpochMattersInIreland(t *testing.T) {
	const lat, lon, epoch = 53.345, -6.21, 2026.4
	const mm, mas, ppb = 1e-3, math.Pi / 180 / 3600e3, 1e-9
	years := epoch - 2010.0
	tx, ty, tz := (54.7+0.1*years)*mm, (52.2+0.1*years)*mm, (-74.1-1.9*years)*mm
	scale := (2.12 + 0.11*years) * ppb
	rx, ry, rz := (1.701+0.081*years)*mas, (10.290+0.490*years)*mas, (-16.632-0.792*years)*mas

	const a, f = 6378137.0, 1 / 298.257222101
	const e2 = f * (2 - f)
	sinLat, cosLat := math.Sincos(lat * math.Pi / 180)
	sinLon, cosLon := math.Sincos(lon * math.Pi / 180)
	nu := a / math.Sqrt(1-e2*sinLat*sinLat)
	x, y, z := nu*cosLat*cosLon, nu*cosLat*sinLon, nu*(1-e2)*sinLat
	dx := tx + scale*x - rz*y + ry*z
	dy := ty + scale*y + rz*x - rx*z
	dz := tz + scale*z - ry*x + rx*y
	east := -sinLon*dx + cosLon*dy
	north := -sinLat*cosLon*dx - sinLat*sinLon*dy + cosLat*dz
	if d := math.Hypot(east, north); d < 0.7 || d > 1.0 {
		t.Fatalf("the two frames differ by %.3f m; some 0.8 m were expected", d)
	}

	c := open(t, "EPSG:2157")
	itm, err := c.ToPlane([]grid.LatLon{{Lat: lat, Lon: lon}})
	if err != nil {
		t.Fatal(err)
	}
	factors, err := c.Factors(itm[0])
	if err != nil {
		t.Fatal(err)
	}
	// From the ellipsoid onto the grid: turned by the convergence, scaled.
	sin, cos := math.Sincos(factors.Convergence * math.Pi / 180)
	wantE := itm[0].E + factors.PointScale*(east*cos-north*sin)
	wantN := itm[0].N + factors.PointScale*(east*sin+north*cos)

	p, err := c.ToGrid(context.Background(), []grid.Fix{{LatLon: grid.LatLon{Lat: lat, Lon: lon}, Frame: grid.Frame{Epoch: epoch}}})
	if err != nil || p[0].Err != nil {
		t.Fatal(err, p[0].Err)
	}
	// The operation starts from the ellipsoid WGS 84 and ends on GRS 80, which
	// is 0.1 mm of latitude here.
	near(t, "E", p[0].E, wantE, 1e-4)
	near(t, "N", p[0].N, wantN, 2e-4)
	op := p[0].Op
	if op.Ballpark || op.Accuracy == nil || *op.Accuracy < 0.1 || *op.Accuracy > 0.11 {
		t.Errorf("operation %+v", op)
	}
	for _, s := range []string{"ITRF2014 to ETRF2000", "ETRF2000 as ETRS89", "IRENET95 to ETRS89", "Irish Transverse Mercator"} {
		if !strings.Contains(op.Name, s) {
			t.Errorf("the operation's name %q lacks the step %q", op.Name, s)
		}
	}

	// The same in two runs of cs2cs.
	etrf := runTool(t, [][]float64{{lat, lon, 0, epoch}}, "cs2cs", "-f", "%.12f", "EPSG:9755", "EPSG:9067")[0]
	want := runTool(t, [][]float64{etrf[:2]}, "cs2cs", "-f", "%.9f", "EPSG:4258", "EPSG:2157")[0]
	near(t, "E by cs2cs", p[0].E, want[0], 1e-4)
	near(t, "N by cs2cs", p[0].N, want[1], 1e-4)
}

// Convergence and scale against the reference program proj, with its -V report,
// at five places in every system of the world test. EPSG:3857 has
// a test of its own, as proj takes the sphere for its factors; and the places
// keep off the poles, where the convergence turns with the last digit.
func TestFactorsAgainstProj(t *testing.T) {
	proj, projinfo := tool(t, "proj"), tool(t, "projinfo")
	patterns := make(map[string]*regexp.Regexp)
	for _, label := range []string{"Convergence", "Meridian scale (h)", "Parallel scale (k)"} {
		patterns[label] = regexp.MustCompile(`(?m)^` + regexp.QuoteMeta(label) + `\s*:\s*(?:.*\[ )?(-?[0-9.]+)`)
	}
	field := func(t *testing.T, report, label string) float64 {
		m := patterns[label].FindStringSubmatch(report)
		if m == nil {
			t.Fatalf("no %q in\n%s", label, report)
		}
		v, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	checked := 0
	for _, s := range systems {
		if s.code == "EPSG:3857" {
			continue // TestFactorsOfPseudoMercator
		}
		t.Run(strings.ReplaceAll(s.code, ":", ""), func(t *testing.T) {
			definition, err := exec.Command(projinfo, s.code, "-o", "PROJ", "-q", "--single-line").Output()
			if err != nil {
				t.Fatal(err)
			}
			args := []string{"-V"}
			for _, a := range strings.Fields(string(definition)) {
				switch {
				// The unit goes: proj would count it into the scale. So do the ties to
				// other frames, and the prime meridian: longitudes count from it here.
				case a == "+type=crs", strings.HasPrefix(a, "+units="), strings.HasPrefix(a, "+to_meter="), strings.HasPrefix(a, "+towgs84="),
					strings.HasPrefix(a, "+nadgrids="), strings.HasPrefix(a, "+pm="), strings.HasPrefix(a, "+axis="):
				default:
					args = append(args, a)
				}
			}
			at := s.points(5)
			var in strings.Builder
			for i := range at {
				at[i].Lat = max(min(at[i].Lat, 85), -85)
				in.WriteString(full(at[i].Lon) + " " + full(at[i].Lat) + "\n")
			}
			cmd := exec.Command(proj, args...)
			cmd.Stdin = strings.NewReader(in.String())
			out, err := cmd.Output()
			if err != nil {
				t.Fatalf("proj %v: %v", args, err)
			}
			reports := strings.Split(string(out), "Longitude: ")[1:]
			if len(reports) != len(at) {
				t.Fatalf("%d reports for %d places", len(reports), len(at))
			}
			c := open(t, s.code)
			en, err := c.ToPlane(at)
			if err != nil {
				t.Fatal(err)
			}
			for i, report := range reports {
				f, err := c.Factors(en[i])
				if err != nil {
					t.Fatal(err)
				}
				// proj has 8 digits.
				convergence := field(t, report, "Convergence")
				near(t, s.code+" convergence", math.Remainder(f.Convergence-convergence, 360), 0, 2e-7)
				h, k := field(t, report, "Meridian scale (h)"), field(t, report, "Parallel scale (k)")
				near(t, s.code+" scale", f.PointScale, math.Sqrt(h*k), 2e-8*max(1, f.PointScale))
				checked++
			}
		})
	}
	if want := 5 * (len(systems) - 1); checked != want {
		t.Errorf("%d places were checked, not %d", checked, want)
	}
}

// Where the axes turn, so does nothing that is measured: 5513 and 5514 are the
// same map, and convergence on a grid that counts westwards keeps its sign.
func TestFactorsFollowTheMap(t *testing.T) {
	at := grid.EN{E: -598000, N: -1160000}
	var got [2]grid.Factors
	for i, code := range []string{"EPSG:5513", "EPSG:5514"} {
		f, err := open(t, code).Factors(at)
		if err != nil {
			t.Fatal(err)
		}
		got[i] = f
	}
	near(t, "convergence", got[0].Convergence, got[1].Convergence, 1e-9)
	near(t, "scale", got[0].PointScale, got[1].PointScale, 1e-11)
	// East of the central meridian on the southern hemisphere grid north is west
	// of true north: negative.
	c := open(t, "EPSG:2053")
	en, err := c.ToPlane([]grid.LatLon{{Lat: -30, Lon: 30}})
	if err != nil {
		t.Fatal(err)
	}
	f, err := c.Factors(en[0])
	if err != nil {
		t.Fatal(err)
	}
	// Transverse Mercator, first term: (lon - lon0) sin(lat) = -0.5 degrees.
	near(t, "convergence of Lo29", f.Convergence, -0.5, 0.001)
}

// Web Mercator projects the ellipsoid by the formulas of the sphere, so it has
// one scale along the meridian and another along the parallel: a / (M cos lat)
// and a / (N cos lat), IOGP Guidance Note 7-2, Popular Visualisation Pseudo
// Mercator.
func TestFactorsOfPseudoMercator(t *testing.T) {
	c := open(t, "EPSG:3857")
	en, err := c.ToPlane([]grid.LatLon{{Lat: 53, Lon: 10}})
	if err != nil {
		t.Fatal(err)
	}
	f, err := c.Factors(en[0])
	if err != nil {
		t.Fatal(err)
	}
	sin, cos := math.Sincos(dms(53, 0, 0) * math.Pi / 180)
	const f84 = 1 / 298.257223563
	w := math.Sqrt(1 - f84*(2-f84)*sin*sin) // a/N = w, a/M = w³/(1-e²)
	near(t, "scale", f.PointScale, w*w/math.Sqrt(1-f84*(2-f84))/cos, 1e-10)
	near(t, "convergence", f.Convergence, 0, 1e-9)
}

func TestFactorsAtThePole(t *testing.T) {
	c := open(t, "EPSG:5041")
	en, err := c.ToPlane([]grid.LatLon{{Lat: 90, Lon: 0}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "E of the pole", en[0].E, 2e6, 1e-6)
	near(t, "N of the pole", en[0].N, 2e6, 1e-6)
	f, err := c.Factors(en[0])
	if err != nil {
		t.Fatal(err)
	}
	near(t, "scale at the pole", f.PointScale, 0.994, 1e-6) // EPSG:5041: scale at the natural origin
}

// PROJ's own array call is what ToGrid is measured against: the same pipeline,
// the same positions, in the same run.
func BenchmarkToGrid(b *testing.B) {
	const n = 10000
	c := open(b, "EPSG:2157")
	fixes := make([]grid.Fix, n)
	for i := range fixes {
		fixes[i] = grid.Fix{
			LatLon: grid.LatLon{Lat: 52 + 3*float64(i)/n, Lon: -9 + 3*float64(i%100)/100},
			Frame:  grid.Frame{Datum: "WGS-84", Epoch: 2024 + float64(i)/n},
		}
	}
	placed, err := c.ToGrid(context.Background(), fixes)
	if err != nil || placed[0].Err != nil {
		b.Fatal(err, placed[0].Err)
	}
	b.Run("phototie", func(b *testing.B) {
		for b.Loop() {
			if _, err := c.ToGrid(context.Background(), fixes); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/fix")
	})
	b.Run("proj", func(b *testing.B) {
		op, err := proj.NewContext().New(placed[0].Op.Definition)
		if err != nil {
			b.Fatal(err)
		}
		coords := make([]proj.Coord, n)
		for b.Loop() {
			for i, f := range fixes {
				coords[i] = proj.Coord{f.Lat, f.Lon, 0, f.Epoch}
			}
			if err := op.TransArray(proj.DirectionFwd, coords); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/fix")
	})
}

func BenchmarkOpen(b *testing.B) {
	for b.Loop() {
		mustOpen(b, "EPSG:2157")
	}
}

func BenchmarkCompare(b *testing.B) {
	c := open(b, "EPSG:2157")
	for b.Loop() {
		if _, err := grid.Compare(c, grid.EN{E: 719188, N: 734245.6}, grid.EN{E: 719190.7, N: 734243.7}, grid.CompareOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
