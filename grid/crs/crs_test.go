package crs

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"

	"example.com/phototie/grid"
)

func TestOpenErrors(t *testing.T) {
	tests := []struct {
		definition string
		reason     error
		message    string
	}{
		{"", ErrEmpty, "for instance EPSG:2157"},
		{" \t\n", ErrEmpty, "for instance EPSG:2157"},
		{"EPSG:4326", ErrNotProjected, "EPSG:4326 (WGS 84) is geographic (degrees); give the projected system that the points are in, for instance EPSG:2157"},
		{"epsg:4979", ErrNotProjected, "is geographic"},
		{"EPSG:4978", ErrNotProjected, "is geocentric"},
		{"EPSG:5773", ErrNotProjected, "EPSG:5773 (EGM96 height) is vertical only"},
		{"EPSG:9518", ErrNotProjected, "is geographic"}, // WGS 84 + EGM2008 height, a compound
		{"EPSG:999999", ErrUnknownCRS, "EPSG:999999 is not a code that the installed registry (PROJ "},
		{"EPSG:7030", ErrUnknownCRS, "check the number"}, // an ellipsoid
		{"EPSG:8049", ErrUnknownCRS, ""},                 // an operation
		{"NOBODY:2157", ErrUnknownCRS, "check the number"},
		{"urn:ogc:def:crs:EPSG::0", ErrUnknownCRS, "check the number"},
		{"2157", ErrUnknownCRS, "write EPSG:2157"},
		{"somewhere over the rainbow", ErrUnknownCRS, "give an EPSG code"},
		{"+proj=longlat +datum=WGS84", ErrNotProjected, "is geographic"},
		{"+proj=nothing", ErrUnknownCRS, "PROJ can't read this string"},
		{"+proj=utm +zone=99", ErrUnknownCRS, "PROJ can't read this string"},
		{"+proj=pipeline +step +proj=utm +zone=29", ErrUnknownCRS, "a pipeline is an operation"},
		{`PROJCS["x"]`, ErrUnknownCRS, "no valid coordinate reference system"},
		{`PROJCRS["a`, ErrUnknownCRS, "no valid coordinate reference system"},
		{`ENGCRS["site",EDATUM["peg 1"],CS[Cartesian,2],AXIS["(E)",east],AXIS["(N)",north],LENGTHUNIT["metre",1]]`, ErrNotProjected, "local engineering system"},
		{`{"type": "ProjectedCRS"}`, ErrUnknownCRS, "no valid coordinate reference system"},
		{"EPSG:2157\x00", ErrUnknownCRS, "zero byte"},
		{strings.Repeat("x", 100_000), ErrUnknownCRS, "100000 bytes"},
		{"EPSG:5017", ErrNotProjected, "PROJ can't compute this map projection"}, // Bonne (South Orientated)
	}
	for _, tt := range tests {
		c, err := Open(tt.definition)
		var de *DefinitionError
		if c != nil || !errors.As(err, &de) {
			t.Errorf("Open(%.60q) = %v, %v; want a *DefinitionError", tt.definition, c, err)
			continue
		}
		if !errors.Is(err, tt.reason) || !strings.Contains(err.Error(), tt.message) || de.Definition != tt.definition {
			t.Errorf("Open(%.60q): %v (%v), want %q (%v)", tt.definition, err, de.Reason, tt.message, tt.reason)
		}
		if strings.ContainsAny(err.Error(), "\n\x00") || len(err.Error()) > 500 {
			t.Errorf("Open(%.60q): the message does not fit a line: %q", tt.definition, err)
		}
	}
}

func TestOpenForms(t *testing.T) {
	itm := open(t, "EPSG:2157")
	at := grid.LatLon{Lat: 53.345, Lon: -6.21}
	want, err := itm.ToPlane([]grid.LatLon{at})
	if err != nil {
		t.Fatal(err)
	}
	for _, definition := range []string{
		"epsg:2157", " EPSG:2157\n", "urn:ogc:def:crs:EPSG::2157", "EPSG:2157+5731", "IRENET95 / Irish Transverse Mercator",
		"irenet95 / irish transverse mercator", itm.WKT(),
		"+proj=tmerc +lat_0=53.5 +lon_0=-8 +k=0.99982 +x_0=600000 +y_0=750000 +ellps=GRS80 +units=m",
		"+proj=tmerc +lat_0=53.5 +lon_0=-8 +k=0.99982 +x_0=600000 +y_0=750000 +ellps=GRS80 +towgs84=0,0,0 +units=m +type=crs",
		`PROJCS["site",GEOGCS["ETRS89",DATUM["European_Terrestrial_Reference_System_1989",SPHEROID["GRS 1980",6378137,298.257222101]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",53.5],PARAMETER["central_meridian",-8],PARAMETER["scale_factor",0.99982],PARAMETER["false_easting",600000],PARAMETER["false_northing",750000],UNIT["metre",1]]`,
	} {
		c, err := Open(definition)
		if err != nil {
			t.Error(err)
			continue
		}
		got, err := c.ToPlane([]grid.LatLon{at})
		if err != nil || math.Hypot(got[0].E-want[0].E, got[0].N-want[0].N) > 1e-6 {
			t.Errorf("%s: %v, %v; want %v", definition, got, err, want)
		}
	}
	g := itm.Grid()
	if g.Name != "IRENET95 / Irish Transverse Mercator" || g.Code != "EPSG:2157" || g.Frame != "IRENET95" || g.Unit != grid.Metre || g.Ellipsoid.Name != "GRS 1980" || g.Ellipsoid.SemiMajor != 6378137 || g.Ellipsoid.InverseFlattening != 298.257222101 {
		t.Errorf("grid %+v", g)
	}
	if s, w, n, e, ok := itm.AreaOfUse(); !ok || s != 51.39 || w != -10.56 || n != 55.43 || e != -5.34 {
		t.Errorf("area of use %v %v %v %v %v", s, w, n, e, ok)
	}
}

func TestUnits(t *testing.T) {
	for definition, want := range map[string]grid.Unit{
		"EPSG:2157": grid.Metre,
		"EPSG:2263": grid.USSurveyFoot,
		"EPSG:2222": grid.Foot, // NAD83 / Arizona East (ft)
		"EPSG:2136": {Name: "Gold Coast foot", Symbol: "Gold Coast foot", Metres: 0.304799710181509},
		"+proj=tmerc +ellps=GRS80 +to_meter=0.25 +type=crs": {Name: "unit of 0.25 m", Symbol: "unit of 0.25 m", Metres: 0.25},
	} {
		got := open(t, definition).Grid().Unit
		if math.Abs(got.Metres/want.Metres-1) < 1e-14 {
			got.Metres = want.Metres
		}
		if got != want {
			t.Errorf("%s: unit %+v, want %+v", definition, got, want)
		}
	}
}

// East is east and north is north, whatever the axes are: one step each way
// from the middle of the area of use.
func TestAxes(t *testing.T) {
	for _, code := range []string{"EPSG:31467", "EPSG:2053", "EPSG:2263", "EPSG:2193", "EPSG:5514", "EPSG:5513"} {
		c := open(t, code)
		south, west, north, east, ok := c.AreaOfUse()
		if !ok || west > east && code != "EPSG:2193" {
			t.Fatalf("%s: area of use %v %v %v %v", code, south, west, north, east)
		}
		lat, lon := (south+north)/2, (west+east)/2
		if west > east {
			lon = 173
		}
		p, err := c.ToPlane([]grid.LatLon{{Lat: lat, Lon: lon}, {Lat: lat, Lon: lon + 0.001}, {Lat: lat + 0.001, Lon: lon}})
		if err != nil {
			t.Fatal(err)
		}
		if dE, dN := p[1].E-p[0].E, p[1].N-p[0].N; !(dE > 0 && dE > 5*math.Abs(dN)) {
			t.Errorf("%s: a step to the east goes %v %v", code, dE, dN)
		}
		if dE, dN := p[2].E-p[0].E, p[2].N-p[0].N; !(dN > 0 && dN > 5*math.Abs(dE)) {
			t.Errorf("%s: a step to the north goes %v %v", code, dE, dN)
		}
	}
}

func TestReadPlaneAxes(t *testing.T) {
	a := func(name, direction string) axis {
		return axis{name: name, direction: direction, factor: 1, unit: "metre"}
	}
	for _, bad := range [][]axis{
		nil, {a("E", "east")}, {a("E", "east"), a("E", "east")}, {a("A", "north"), a("B", "north")}, {a("up", "up"), a("N", "north")},
		{a("NE", "north-east"), a("SE", "south-east")}, {a("E", "east"), {name: "N", direction: "north", factor: 0.3048, unit: "foot"}},
	} {
		if got, _, err := readPlaneAxes(bad); err == nil {
			t.Errorf("readPlaneAxes(%v) = %+v", bad, got)
		}
	}
}

func toGrid(t testing.TB, c *CRS, f ...grid.Fix) []grid.Placement {
	t.Helper()
	p, err := c.ToGrid(context.Background(), f)
	if err != nil || len(p) != len(f) {
		t.Fatal(len(p), err)
	}
	return p
}

func fix(lat, lon float64, datum string, epoch float64) grid.Fix {
	return grid.Fix{LatLon: grid.LatLon{Lat: lat, Lon: lon}, Frame: grid.Frame{Datum: datum, Epoch: epoch}}
}

// Methods that PROJ 9.1 can't compute, each with the version that can. Source: the
// registry's own codes of methods, and PROJ's release notes: Modified Krovak came
// with 9.4.0, and none of the others up to 9.5.1.
func TestMethodsThatPROJLacks(t *testing.T) {
	for code, want := range map[string][2]string{
		"EPSG:5515":  {"Krovak Modified (EPSG:1042)", "PROJ 9.4.0 and later"},
		"EPSG:5516":  {"Krovak Modified (North Orientated) (EPSG:1043)", "PROJ 9.4.0 and later"},
		"EPSG:3173":  {"Lambert Conic Conformal (West Orientated) (EPSG:9826)", "no version up to"},
		"EPSG:22700": {"Lambert Conic Near-Conformal (EPSG:9817)", "no version up to"},
		"EPSG:2986":  {"Polar Stereographic (variant C) (EPSG:9830)", "no version up to"},
		"EPSG:22300": {"Tunisia Mining Grid (EPSG:9816)", "no version up to"},
	} {
		_, err := Open(code)
		if err == nil {
			t.Logf("%s: the installed PROJ has it", code)
			continue
		}
		for _, text := range []string{want[0] + " is not in the installed version (PROJ ", ", EPSG v", want[1]} {
			if !errors.Is(err, ErrNotProjected) || !strings.Contains(err.Error(), text) {
				t.Errorf("%s: %v; want %q in it", code, err, text)
			}
		}
	}
}

func TestDatumNames(t *testing.T) {
	r := openRegistry()
	defer r.close()
	for name, want := range map[string]string{
		"": broadcast, "WGS-84": broadcast, "WGS84": broadcast, "WGS 84": broadcast, "wgs-84\x00\x00": broadcast, " Wgs_84 ": broadcast,
		"WGS 1984": broadcast, "World Geodetic System 1984": broadcast, "EPSG:4326": broadcast, "epsg: 4326": broadcast,
		"PZ-90.11": "PZ90.11", "--": "--", "Tokyo": "TOKYO",
	} {
		if got := normaliseDatum(name); got != want {
			t.Errorf("normaliseDatum(%q) = %q, want %q", name, got, want)
		}
	}
	for name, want := range map[string]string{
		"TOKYO": "EPSG:4301", "NAD27": "EPSG:4267", "NAD-83": "EPSG:4269", "ED50": "EPSG:4230", "OSGB36": "EPSG:4277", "OSGB 1936": "EPSG:4277",
		"ETRS89": "EPSG:4258", "GDA94": "EPSG:4283", "GDA2020": "EPSG:7844", "JGD2000": "EPSG:4612", "JGD2011": "EPSG:6668",
		"PZ-90": "EPSG:4740", "PZ-90.02": "EPSG:9474", "PZ-90.11": "EPSG:9475", "CGCS2000": "EPSG:4490", "WGS-72": "EPSG:4322",
		"NAD83(2011)": "EPSG:6318", "ITRF2014": "EPSG:9000", "Hong Kong 1980": "EPSG:4611", "WGS 84 (G1762)": "EPSG:9057",
		"EPSG:4258": "EPSG:4258", "pulkovo-1942": "EPSG:4284",
		"CH1903": "EPSG:4149", "CH1903+": "EPSG:4150",
		"SIRGAS": "", "GCJ-02": "", "Atlantis 1900": "", "EPSG:": "", "EPSG:x": "", "EPSG:99999999999": "", "%": "", "84": "", strings.Repeat("A", 1000): "",
	} {
		if got := r.datumCode(name); got != want {
			t.Errorf("datumCode(%q) = %q, want %q", name, got, want)
		}
	}
	for name, code := range datumCodes {
		if normaliseDatum(name) != name {
			t.Errorf("the key %q is not normalised", name)
		}
		f := r.frame(code)
		if f == nil {
			t.Errorf("%s: the registry has no geographic CRS %s", name, code)
			continue
		}
	}
}

func TestUnknownDatum(t *testing.T) {
	c := open(t, "EPSG:2157")
	for _, name := range []string{"GCJ-02", "my datum", "EPSG:2157", "EPSG:5773", "EPSG:123456", "--"} {
		p := toGrid(t, c, fix(53.3, -6.2, name, 2024), fix(53.3, -6.2, "", 2024))
		var unknown *grid.UnknownDatumError
		if !errors.As(p[0].Err, &unknown) || unknown.Datum != name || p[0].Op != nil {
			t.Errorf("%q: %v", name, p[0].Err)
		}
		if p[1].Err != nil {
			t.Errorf("%q spoils its neighbour: %v", name, p[1].Err)
		}
		back, err := c.FromGrid(context.Background(), []grid.EN{{E: 719000, N: 734000}}, []grid.Frame{{Datum: name}})
		if err != nil || !errors.As(back[0].Err, &unknown) {
			t.Errorf("FromGrid, %q: %v, %v", name, err, back)
		}
	}
}

// Tokyo to JGD2011 is some 450 m in Tokyo; the difference between the two is in
// every handbook on the change of 2002 (common practice, no source): about 12"
// of latitude and -12" of longitude.
func TestStatedDatum(t *testing.T) {
	c := open(t, "EPSG:6677")
	p := toGrid(t, c, fix(35.68, 139.76, "TOKYO", 0), fix(35.68, 139.76, "JGD2011", 0))
	for i := range p {
		if p[i].Err != nil || p[i].Op.Ballpark {
			t.Fatalf("%+v", p[i])
		}
	}
	near(t, "north", p[0].N-p[1].N, 12*30.8, 30)
	near(t, "east", p[0].E-p[1].E, -11.6*25.1, 30)

	// Outside its area of use a stated datum is still honoured, with a note.
	itm := open(t, "EPSG:2157")
	p = toGrid(t, itm, fix(53.3, -6.2, "TOKYO", 2024), fix(53.3, -6.2, "", 2024))
	if p[0].Err != nil || p[0].Op.Ballpark || !hasNote(p[0].Op, "outside the operation's area of use") {
		t.Fatalf("%+v %+v", p[0], p[0].Op)
	}
	if d := math.Hypot(p[0].E-p[1].E, p[0].N-p[1].N); d < 300 || d > 1500 {
		t.Errorf("Tokyo and WGS 84 differ by %v m in Ireland", d)
	}
}

func TestBallparkIsReported(t *testing.T) {
	c := open(t, "+proj=tmerc +lat_0=53.5 +lon_0=-8 +k=0.99982 +x_0=600000 +y_0=750000 +ellps=GRS80 +units=m")
	for _, datum := range []string{"", "TOKYO"} {
		p := toGrid(t, c, fix(53.3, -6.2, datum, 2024))[0]
		if p.Err != nil || !p.Op.Ballpark || p.Op.Accuracy != nil || !hasNote(p.Op, "ballpark") {
			t.Errorf("%q: %+v %+v", datum, p, p.Op)
		}
	}
	// The same projection with a datum is none.
	p := toGrid(t, open(t, "EPSG:2157"), fix(53.3, -6.2, "", 2024))[0]
	if p.Err != nil || p.Op.Ballpark || p.Op.Accuracy == nil {
		t.Errorf("%+v", p.Op)
	}
}

func TestMissingGridIsReported(t *testing.T) {
	c := open(t, "EPSG:27700")
	p, err := c.plan("")
	if err != nil {
		t.Fatal(err)
	}
	const file = "uk_os_OSTN15_NTv2_OSGBtoETRS.tif"
	missing := false
	for i := range p.missing {
		missing = missing || p.missing[i].path.missing[0].Name == file
	}
	got := toGrid(t, c, fix(52.66, 1.72, "", 2024))[0]
	if got.Err != nil || got.Op.Ballpark {
		t.Fatalf("%+v", got)
	}
	if !missing {
		if *got.Op.Accuracy > 0.2 {
			t.Errorf("with the grid file installed the accuracy is %v", *got.Op.Accuracy)
		}
		return
	}
	if !hasNote(got.Op, "projsync --file "+file) || !hasNote(got.Op, "PROJ_NETWORK=ON") {
		t.Errorf("notes %q", got.Op.Notes)
	}
	if a := *got.Op.Accuracy; a < 2 {
		t.Errorf("without the grid file the accuracy is %v", a)
	}
}

// PROJ takes a deformation model to be installed always. A plan must not: the
// ways in it can be run, and one that can't leaves the others.
func TestWaysCanBeRun(t *testing.T) {
	r := openRegistry()
	defer r.close()
	for _, code := range []string{"EPSG:2193", "EPSG:27200", "EPSG:27700"} {
		c := open(t, code)
		for _, datum := range []string{"", "ITRF2014"} {
			p, err := c.plan(datum)
			if err != nil {
				t.Fatal(err)
			}
			for i := range p.ways {
				o := r.create(p.ways[i].pipeline)
				if o == nil {
					t.Errorf("%s from %q: %s can't be run", code, datum, p.ways[i].title())
				}
			}
			for i := range p.missing {
				if len(p.missing[i].path.missing) == 0 {
					t.Errorf("%s from %q: %s misses nothing", code, datum, p.missing[i].title())
				}
			}
		}
	}
	if p := toGrid(t, open(t, "EPSG:27200"), fix(-44.9, 169.3, "ITRF2014", 2026.1))[0]; p.Err != nil || p.Op.Ballpark {
		t.Errorf("%+v %+v", p, p.Op)
	}
}

func TestBadFixes(t *testing.T) {
	c := open(t, "EPSG:2157")
	nan, inf := math.NaN(), math.Inf(1)
	p := toGrid(t, c, fix(91, 0, "", 0), fix(nan, 0, "", 0), fix(0, inf, "", 0), fix(0, 181, "", 0), fix(53, -6, "", 0))
	for i := range 4 {
		if !errors.Is(p[i].Err, grid.ErrOutside) || p[i].Op != nil {
			t.Errorf("fix %d: %v", i, p[i].Err)
		}
	}
	if p[4].Err != nil {
		t.Error(p[4].Err)
	}
	// Transverse Mercator has no place for a point a quarter of the world away
	// on the equator.
	if p := toGrid(t, c, fix(0, 82, "", 0))[0]; !errors.Is(p.Err, grid.ErrOutside) {
		t.Errorf("90 degrees away: %+v", p)
	}
	// Null island is far, but on the map.
	if p := toGrid(t, c, fix(0, 0, "", 2024))[0]; p.Err != nil || !hasNote(p.Op, "outside the operation's area of use") {
		t.Errorf("null island: %+v", p)
	}
	// Heights and epochs that are no numbers, or no credible ones, do no harm.
	for _, h := range []float64{0, 100, nan, inf} {
		f := fix(53, -6, "", 2024)
		f.Height = &h
		if p := toGrid(t, c, f)[0]; p.Err != nil || math.IsNaN(p.E) {
			t.Errorf("height %v: %+v", h, p)
		}
	}
	for _, epoch := range []float64{nan, inf, -1, 1904, 2150} {
		p := toGrid(t, c, fix(53, -6, "", epoch))[0]
		if p.Err != nil || !finite(p.E, p.N) || !hasNote(p.Op, "date of the photo is not known") {
			t.Errorf("epoch %v: %+v", epoch, p)
		}
	}

	if _, err := c.FromGrid(context.Background(), []grid.EN{{}}, nil); err == nil {
		t.Error("one position and no frame: no error")
	}
	back, err := c.FromGrid(context.Background(), []grid.EN{{E: nan}, {E: 1e30, N: 1e30}, {E: 719000, N: 734000}}, make([]grid.Frame, 3))
	if err != nil {
		t.Fatal(err)
	}
	if !errors.Is(back[0].Err, grid.ErrOutside) || !errors.Is(back[1].Err, grid.ErrOutside) || back[2].Err != nil {
		t.Errorf("%+v", back)
	}

	if en, err := c.ToPlane([]grid.LatLon{{Lat: 53, Lon: -8}, {Lat: 99}}); !errors.Is(err, grid.ErrOutside) || !math.IsNaN(en[1].E) || math.IsNaN(en[0].E) || !strings.Contains(err.Error(), "position 1") {
		t.Errorf("ToPlane: %v, %v", en, err)
	}
	if ll, err := c.FromPlane([]grid.EN{{E: nan}}); !errors.Is(err, grid.ErrOutside) || !math.IsNaN(ll[0].Lat) {
		t.Errorf("FromPlane: %v, %v", ll, err)
	}
	if _, err := c.Geodesic(grid.EN{E: nan}, grid.EN{}); !errors.Is(err, grid.ErrOutside) {
		t.Errorf("Geodesic: %v", err)
	}
	if _, err := c.Factors(grid.EN{N: inf}); !errors.Is(err, grid.ErrOutside) {
		t.Errorf("Factors: %v", err)
	}
}

// An empty job is no work and no error.
func TestNothing(t *testing.T) {
	c := open(t, "EPSG:2157")
	toGrid(t, c)
	if p, err := c.FromGrid(context.Background(), nil, nil); err != nil || len(p) != 0 {
		t.Error(p, err)
	}
}

// late is a context that is cancelled after it has been asked a few times.
type late struct {
	context.Context
	asked, limit int
}

func (l *late) Err() error {
	if l.asked++; l.asked > l.limit {
		return context.Canceled
	}
	return nil
}

func TestCancel(t *testing.T) {
	c := open(t, "EPSG:2157")
	fixes := make([]grid.Fix, 5*chunk)
	at, frames := make([]grid.EN, 5*chunk), make([]grid.Frame, 5*chunk)
	for i := range fixes {
		fixes[i] = fix(53, -8, "", 2024)
		at[i] = grid.EN{E: 600000, N: 700000}
	}
	for _, limit := range []int{0, 1, 3} {
		if p, err := c.ToGrid(&late{context.Background(), 0, limit}, fixes); !errors.Is(err, context.Canceled) || p != nil {
			t.Errorf("ToGrid cancelled after %d: %d placements, %v", limit, len(p), err)
		}
		if p, err := c.FromGrid(&late{context.Background(), 0, limit}, at, frames); !errors.Is(err, context.Canceled) || p != nil {
			t.Errorf("FromGrid cancelled after %d: %d placements, %v", limit, len(p), err)
		}
	}
}

// Many goroutines on two systems get what one gets. Run with -race.
func TestManyGoroutines(t *testing.T) {
	systems := []*CRS{open(t, "EPSG:2157"), open(t, "EPSG:31467")}
	places := []grid.Fix{fix(53.3, -6.2, "", 2024), fix(53.4, -7.2, "WGS-84", 0), fix(51.3, 9.2, "ETRS89", 0), fix(52, 8, "ED50", 2000), fix(95, 0, "", 0), fix(53, -6, "nowhere", 0)}
	want := make([][]grid.Placement, len(systems))
	for i, c := range systems {
		fresh := open(t, c.definition)
		want[i] = toGrid(t, fresh, places...)
	}
	var wg sync.WaitGroup
	failed := make(chan string, 1000)
	for g := range 16 {
		wg.Go(func() {
			for n := range 10 {
				i := (g + n) % len(systems)
				c := systems[i]
				got, err := c.ToGrid(context.Background(), places)
				if err != nil {
					failed <- err.Error()
					return
				}
				for k := range got {
					if got[k].EN != want[i][k].EN || (got[k].Err == nil) != (want[i][k].Err == nil) {
						failed <- fmt.Sprintf("%s %v: %v alone, %v in company", c.grid.Code, places[k], want[i][k], got[k])
					}
				}
				at := got[0].EN
				if _, err := c.FromGrid(context.Background(), []grid.EN{at}, []grid.Frame{{Epoch: 2024}}); err != nil {
					failed <- err.Error()
				}
				if _, err := grid.Compare(c, got[1].EN, at, grid.CompareOptions{}); err != nil {
					failed <- err.Error()
				}
				if n == 0 {
					if _, err := Open("EPSG:2263"); err != nil {
						failed <- err.Error()
					}
				}
			}
		})
	}
	wg.Wait()
	close(failed)
	for f := range failed {
		t.Error(f)
	}
}

// The workers keep a bounded number of operations, and still work after some
// have gone.
func TestManySystems(t *testing.T) {
	for i := range 2*maxOperations + 5 {
		c := open(t, fmt.Sprintf("+proj=tmerc +lon_0=%d +ellps=GRS80", i-60))
		p, err := c.ToPlane([]grid.LatLon{{Lat: 0, Lon: float64(i - 60)}})
		if err != nil || math.Abs(p[0].E) > 1e-6 {
			t.Fatal(p, err)
		}
	}
	workers.mu.Lock()
	defer workers.mu.Unlock()
	for _, w := range workers.idle[""] {
		if len(w.ops) > maxOperations {
			t.Errorf("a worker keeps %d operations", len(w.ops))
		}
	}
}

func FuzzOpen(f *testing.F) {
	for _, s := range []string{
		"EPSG:2157", "EPSG:4326", "+proj=utm +zone=29", "+proj=tmerc +ellps=GRS80 +towgs84=1,2,3", `PROJCS["x",GEOGCS["y",DATUM["z",SPHEROID["s",6378137,298]],PRIMEM["g",0],UNIT["degree",0.01745]],PROJECTION["Transverse_Mercator"],UNIT["metre",1]]`,
		`{"type":"ProjectedCRS","name":"x"}`, "urn:ogc:def:crs:EPSG::2157", "", "x", "EPSG:2157+5731",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		c, err := Open(s)
		if err != nil {
			if c != nil || err.Error() == "" {
				t.Fatalf("Open(%q) = %v, %q", s, c, err)
			}
			return
		}
		if u := c.Grid().Unit; !(u.Metres > 0) {
			t.Fatalf("Open(%q): unit %+v", s, u)
		}
		p, err := c.ToGrid(context.Background(), []grid.Fix{fix(53, -8, "", 2024)})
		if err != nil {
			t.Fatalf("%q: %v", s, err)
		}
		if p[0].Err == nil && (p[0].Op == nil || !finite(p[0].E, p[0].N)) {
			t.Fatalf("%q: %+v", s, p[0])
		}
	})
}

func FuzzDatum(f *testing.F) {
	for _, s := range []string{"", "WGS-84", "TOKYO", "EPSG:4258", "PZ-90.11", "x\x00", "NAD83(2011)", "100%", "'; --"} {
		f.Add(s)
	}
	c, err := Open("EPSG:2157")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, s string) {
		key := normaliseDatum(s)
		if again := normaliseDatum(key); again != key {
			t.Fatalf("%q normalises to %q, and that to %q", s, key, again)
		}
		p, err := c.ToGrid(context.Background(), []grid.Fix{fix(53, -8, s, 2024)})
		if err != nil {
			t.Fatal(err)
		}
		if p[0].Err == nil && (p[0].Op == nil || !finite(p[0].E, p[0].N)) {
			t.Fatalf("%q: %+v", s, p[0])
		}
	})
}

// TestSharedOut: many positions, which several workers share, come out as they do a
// few at a time.
func TestSharedOut(t *testing.T) {
	c := open(t, "EPSG:2157")
	n := 3*shareFrom + 17
	fixes, at, frames := make([]grid.Fix, n), make([]grid.EN, n), make([]grid.Frame, n)
	for i := range fixes {
		fixes[i] = fix(51.5+float64(i%400)/100, -10+float64(i%500)/100, [...]string{"", "WGS-84", "TM65", "ETRS89", "nowhere"}[i%5], 2024)
		if i%97 == 0 {
			fixes[i].Lat = 95
		}
		at[i] = grid.EN{E: 450000 + float64(i%300)*1000, N: 550000 + float64(i%400)*1000}
		frames[i] = fixes[i].Frame
	}
	placed, err := c.ToGrid(t.Context(), fixes)
	if err != nil {
		t.Fatal(err)
	}
	back, err := c.FromGrid(t.Context(), at, frames)
	if err != nil {
		t.Fatal(err)
	}
	carried := 0
	for lo := 0; lo < n; lo += 500 {
		hi := min(lo+500, n)
		few, err := c.ToGrid(t.Context(), fixes[lo:hi])
		if err != nil {
			t.Fatal(err)
		}
		fewBack, err := c.FromGrid(t.Context(), at[lo:hi], frames[lo:hi])
		if err != nil {
			t.Fatal(err)
		}
		for k := range few {
			i := lo + k
			if got, want := placed[i], few[k]; got.EN != want.EN || got.Op != want.Op || (got.Err == nil) != (want.Err == nil) {
				t.Fatalf("fix %d %v: %v, %v among few", i, fixes[i], got, want)
			}
			if got, want := back[i], fewBack[k]; got.LatLon != want.LatLon || got.Op != want.Op || (got.Err == nil) != (want.Err == nil) {
				t.Fatalf("position %d %v: %v, %v among few", i, at[i], got, want)
			}
			if placed[i].Err == nil && back[i].Err == nil {
				carried++
			}
		}
	}
	if carried < n/2 {
		t.Errorf("only %d of %d were carried", carried, n)
	}
}
