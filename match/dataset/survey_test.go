package dataset_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/grid/site"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset"
)

// lay writes a job's files. Names that end in .jpg get a photo with the tag that
// their text gives as "lat lon", or none.
func lay(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		data := []byte(text)
		if strings.HasSuffix(name, ".jpg") {
			data = photo(t, text)
		}
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func photo(t *testing.T, at string) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 8, 8)), nil); err != nil {
		t.Fatal(err)
	}
	if at == "" {
		return b.Bytes()
	}
	e := geotag.Edit{HPositioningError: 3}
	if _, err := fmt.Sscan(at, &e.Lat, &e.Lon); err != nil {
		t.Fatal(err)
	}
	out, _, err := geotag.Rewrite(b.Bytes(), e)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// job opens the dataset and its grid.
func job(t *testing.T, dir string) (*dataset.Dataset, error) {
	t.Helper()
	d, err := dataset.Open(t.Context(), dir, crs.OpenGrid)
	if err == nil {
		t.Cleanup(func() { d.Close() })
	}
	return d, err
}

// points reads a job's points and links.
func points(t *testing.T, dir string) ([]match.Point, []match.Link, dataset.SurveyRead, error) {
	t.Helper()
	d, err := job(t, dir)
	if err != nil {
		return nil, nil, dataset.SurveyRead{}, err
	}
	return d.Points(context.Background())
}

// wantProblem wants an error that is a *Problem and says all of want.
func wantProblem(t *testing.T, err error, want ...string) {
	t.Helper()
	if err == nil {
		t.Fatal("no error")
	}
	var p *dataset.Problem
	if !errors.As(err, &p) {
		t.Errorf("no *Problem but %T", err)
	}
	for _, w := range want {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("the error does not say %q:\n%v", w, err)
		}
	}
}

const itm = "[grid]\ncrs = \"EPSG:2157\"\n"

// The points of these tests, in Irish Transverse Mercator.
const quay = "id,easting,northing,height,code,photos\nB-01,690242.125,604876.500,4.250,BOL,\"q1.jpg;q2.jpg\"\nB-02,690262.250,604878.750,4.125,BOL,\n"

// Files written by GDAL: every format that it writes, and one system that is not
// the job's. RFC 7946 and GPX are in WGS 84, so there the points come back only
// as well as two operations agree; see TestGeographicPointsMoveWithTheirEpoch.
func TestPointsOfEveryFormat(t *testing.T) {
	ogr := tool(t, "ogr2ogr")
	dir := t.TempDir()
	src := filepath.Join(dir, "src.csv")
	if err := os.WriteFile(src, []byte(quay), 0o644); err != nil {
		t.Fatal(err)
	}
	make := func(name string, args ...string) string {
		t.Helper()
		out := filepath.Join(dir, name)
		args = append([]string{"-oo", "X_POSSIBLE_NAMES=easting", "-oo", "Y_POSSIBLE_NAMES=northing", "-oo", "Z_POSSIBLE_NAMES=height", "-oo", "AUTODETECT_TYPE=NO"}, args...)
		args = append(args, out, src)
		if msg, err := exec.Command(ogr, args...).CombinedOutput(); err != nil {
			t.Fatalf("ogr2ogr %v: %v\n%s", args, err, msg)
		}
		text, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	landxml := `<?xml version="1.0"?><LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2" date="2026-06-03" time="09:00:00">
<Units><Metric areaUnit="squareMeter" linearUnit="meter" volumeUnit="cubicMeter" temperatureUnit="celsius" pressureUnit="HPA"/></Units>
<CoordinateSystem name="ITM" epsgCode="2157"/>
<CgPoints><CgPoint name="B-01" code="BOL">604876.500 690242.125 4.250</CgPoint><CgPoint name="B-02" code="BOL">604878.750 690262.250 4.125</CgPoint></CgPoints></LandXML>`
	within := func(m float64) func(p match.Point, e, n float64) bool {
		return func(p match.Point, e, n float64) bool { return math.Hypot(p.E-e, p.N-n) <= m }
	}
	for _, c := range []struct {
		name, file, text string
		near             func(p match.Point, e, n float64) bool
		links            int
		says             string
	}{
		{"delimited", "p.csv", quay, within(0), 2, ""},
		{"semicolons and decimal commas", "p.txt", "id;easting;northing;height\nB-01;690242,125;604876,500;4,250\nB-02;690262,250;604878,750;4,125\n", within(0), 0, ""},
		{"GeoJSON with a crs member", "p.geojson", make("a.geojson", "-f", "GeoJSON", "-a_srs", "EPSG:2157"), within(1e-6), 2, ""},
		{"GeoPackage", "p.gpkg", make("a.gpkg", "-f", "GPKG", "-a_srs", "EPSG:2157"), within(1e-9), 2, ""},
		{"LandXML", "p.xml", landxml, within(0), 0, ""},
		{"RFC 7946", "p.json", make("b.geojson", "-f", "GeoJSON", "-s_srs", "EPSG:2157", "-t_srs", "EPSG:4326", "-lco", "RFC7946=YES", "-lco", "COORDINATE_PRECISION=10"), within(0.01), 2, "stated"},
		{"GPX", "p.gpx", make("b.gpx", "-f", "GPX", "-s_srs", "EPSG:2157", "-t_srs", "EPSG:4326", "-sql", "select id as name from src"), within(0.01), 0, "stated"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, links, reading, err := points(t, lay(t, map[string]string{
				"phototie.toml": itm + "[points]\nfile = \"" + c.file + "\"\n", c.file: c.text}))
			if err != nil {
				t.Fatal(err)
			}
			if len(got) != 2 || got[0].ID != "B-01" || got[1].ID != "B-02" {
				t.Fatalf("got %+v", got)
			}
			if !c.near(got[0], 690242.125, 604876.5) || !c.near(got[1], 690262.25, 604878.75) {
				t.Errorf("got %.6f %.6f and %.6f %.6f", got[0].E, got[0].N, got[1].E, got[1].N)
			}
			if len(links) != c.links || c.links > 0 && links[1] != (match.Link{Photo: "q2.jpg", Point: "B-01"}) {
				t.Errorf("links %+v, want %d", links, c.links)
			}
			p := reading.Points
			if p.Count != 2 || p.File != c.file || p.Links != c.links {
				t.Errorf("the reading says %+v", p)
			}
			if (len(p.Operations) > 0) != (c.says != "") {
				t.Errorf("operations %v", p.Operations)
			}
		})
	}
}

// tool finds an external program, or skips.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	return path
}

// ETRS89 moves with Eurasia, about 2.5 cm a year since 1989 (EUREF), so a point
// in WGS 84 of 2025 lies some 0.9 m from the same numbers taken as ETRS89.
func TestGeographicPointsMoveWithTheirEpoch(t *testing.T) {
	const text = `{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"id":"A"%s},"geometry":{"type":"Point","coordinates":[-6.68,52.188]}}]}`
	read := func(settings, properties string) match.Point {
		t.Helper()
		got, _, _, err := points(t, lay(t, map[string]string{
			"phototie.toml": itm + "[points]\nfile = \"p.json\"\n" + settings, "p.json": fmt.Sprintf(text, properties)}))
		if err != nil {
			t.Fatal(err)
		}
		return got[0]
	}
	null := read("", "")
	by := read("epoch = 2025.4\n", "")
	timed := read("", `,"observed":"2025-05-27T00:00:00Z"`)
	if d := math.Hypot(by.E-null.E, by.N-null.N); d < 0.7 || d > 1.1 {
		t.Errorf("%.3f m between the point with an epoch and without, want some 0.9 m", d)
	}
	if d := math.Hypot(timed.E-by.E, timed.N-by.N); d > 0.001 {
		t.Errorf("%.4f m between the epoch of the settings and that of the observation", d)
	}
}

// What a file says of its system and unit must agree with the job's.
func TestPointsSystemAndUnit(t *testing.T) {
	gj := func(code string) string {
		return `{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::` + code + `"}},"features":[{"type":"Feature","properties":{"id":"A"},"geometry":{"type":"Point","coordinates":[690242.125,604876.5]}}]}`
	}
	xml := func(unit string) string {
		return `<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2"><Units><Imperial linearUnit="` + unit + `"/></Units><CgPoints><CgPoint name="A">700000 1000000</CgPoint></CgPoints></LandXML>`
	}
	const scale = "[site]\nname = \"quay\"\n[site.ground_scale]\norigin = { e = 690000.0, n = 604000.0 }\nsite_origin = { e = 10000.0, n = 4000.0 }\ncombined_factor = 0.9999\n"
	for _, c := range []struct {
		name, settings, file, text string
		e                          float64 // 0: an error
		want                       []string
	}{
		{"the job's system", "", "p.json", gj("2157"), 690242.125, nil},
		{"another system", "", "p.json", gj("29903"), 0, []string{"p.json: the file says that its points are in EPSG:29903 (TM75 / Irish Grid)", "EPSG:2157 (IRENET95", `points.crs = "grid"`}},
		{"another system, overruled", "crs = \"grid\"\n", "p.json", gj("29903"), 690242.125, []string{"taken to be on the job's grid"}},
		{"no plane system", "", "p.json", gj("5731"), 0, []string{"p.json: ", "EPSG:5731"}},
		{"settings against the grid", "crs = \"EPSG:29903\"\n", "p.csv", "id,e,n\nA,690242.125,604876.5\n", 0, []string{"points.crs says that the points are in EPSG:29903", "make the two agree"}},
		{"base of a site system", scale, "p.json", gj("2157"), 0, []string{"the base of the site system quay", "take [site] out"}},
		{"base of a site system, overruled", "crs = \"grid\"\n" + scale, "p.json", gj("2157"), 690242.125, nil},
		{"unit of the file", "", "p.xml", xml("USSurveyFoot"), 0, []string{"the file says that its coordinates are in US survey foot units", "in metre units", `points.unit`, `"ftUS"`}},
		{"unit converted", "unit = \"ftUS\"\n", "p.xml", xml("USSurveyFoot"), 1000000 * 1200. / 3937, nil},
		{"unit overruled", "unit = \"ft\"\n", "p.xml", xml("USSurveyFoot"), 304800, []string{"it is taken to be in foot"}},
		{"longitudes with a unit", "unit = \"ft\"\n", "p.json", strings.Replace(gj("4326"), "690242.125,604876.5", "-6.68,52.188", 1), 0, []string{"longitudes and latitudes", "leave points.unit out"}},
		{"longitudes of a system by name", "crs = \"EPSG:4258\"\n", "p.csv", "id,lon,lat\nA,-6.68,52.188\n", 690256.6, nil},
		{"longitudes of an unknown frame", "crs = \"EPSG:4979999\"\n", "p.csv", "id,lon,lat\nA,-6.68,52.188\n", 0, []string{`point "A" can't be transformed to the grid`, "EPSG:4979999"}},
		{"own headings", "[points.fields]\nRechts = \"easting\"\nHoch = \"northing\"\n", "p.csv", "id;Rechts;Hoch\nA;690242,125;604876,5\n", 690242.125, nil},
		{"time zone", "time_zone = \"Europe/Dublin\"\n", "p.csv", "id,e,n,time\nA,690242.125,604876.5,2026-06-03 10:15:00\n", 690242.125, nil},
		{"no time zone", "", "p.csv", "id,e,n,time\nA,690242.125,604876.5,2026-06-03 10:15:00\n", 0, []string{"p.csv:2:", "points.time_zone"}},
		{"ids in two features", "", "p.json", strings.Replace(gj("2157"), `"features":[`, `"features":[{"type":"Feature","properties":{"id":"A"},"geometry":{"type":"Point","coordinates":[690242,604876]}},`, 1), 0, []string{`point id "A" stands already in`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, _, reading, err := points(t, lay(t, map[string]string{
				"phototie.toml": itm + "[points]\nfile = \"" + c.file + "\"\n" + c.settings, c.file: c.text}))
			if c.e == 0 {
				wantProblem(t, err, c.want...)
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			// A metre where an operation was at work, else the digits of the file.
			tol := 1e-6
			if len(reading.Points.Operations) > 0 {
				tol = 1
			}
			if math.Abs(got[0].E-c.e) > tol && math.Abs(got[0].N-c.e) > tol {
				t.Errorf("got E %.6f N %.6f, want %.6f", got[0].E, got[0].N, c.e)
			}
			for _, w := range c.want {
				if !strings.Contains(strings.Join(reading.Points.Notes, "\n"), w) {
					t.Errorf("the notes don't say %q: %q", w, reading.Points.Notes)
				}
			}
		})
	}
}

// Heights have a unit of their own.
func TestMixedUnits(t *testing.T) {
	for _, c := range []struct {
		settings string
		want     float64
	}{
		{"", 100 * 1200. / 3937}, {"height_unit = \"m\"\n", 100}, {"unit = \"m\"\n", 100}, {"unit = \"m\"\nheight_unit = \"ft\"\n", 30.48},
	} {
		got, _, _, err := points(t, lay(t, map[string]string{
			"phototie.toml": "[grid]\ncrs = \"EPSG:6543\"\n[points]\nfile = \"p.csv\"\n" + c.settings, "p.csv": "id,e,n,h\nA,300000,200000,100\n"}))
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(*got[0].Height-c.want) > 1e-12 {
			t.Errorf("%q: height %v m, want %v", c.settings, *got[0].Height, c.want)
		}
	}
}

// A text without a header: the grid's area does not tell its columns apart, but
// the photos' tags do.
func TestColumnsToldApartByTags(t *testing.T) {
	files := map[string]string{
		"phototie.toml": itm + "[points]\nfile = \"p.txt\"\n",
		"p.txt":         "B-01 604876.500 690242.125 4.25 BOL\nB-02 604878.750 690262.250 4.13 BOL\n",
		"photos/1.jpg":  "52.1883 -6.6801",
	}
	got, _, reading, err := points(t, lay(t, files))
	if err != nil {
		t.Fatal(err)
	}
	if got[0].E != 690242.125 || got[0].N != 604876.5 {
		t.Errorf("got %+v", got[0])
	}
	if all := strings.Join(reading.Points.Notes, "\n"); !strings.Contains(all, "northing") || !strings.Contains(all, "tags") {
		t.Errorf("nothing is said of how: %q", all)
	}
	delete(files, "photos/1.jpg")
	_, _, _, err = points(t, lay(t, files))
	wantProblem(t, err, "p.txt:1: ", "points.columns")
}

// The usual mistakes with coordinates, at a place in North Carolina: the error
// must show the likely mistake, and what is no mistake must pass.
func TestPlausible(t *testing.T) {
	proj, err := crs.Open("EPSG:6543")
	if err != nil {
		t.Fatal(err)
	}
	tag := grid.LatLon{Lat: 35.6, Lon: -82.3}
	placed, err := proj.ToGrid(context.Background(), []grid.Fix{{LatLon: tag}})
	if err != nil || placed[0].Err != nil {
		t.Fatal(err, placed[0].Err)
	}
	at := placed[0].EN
	const foot = 1200. / 3937
	at2 := func(f func(e, n float64) (float64, float64)) string {
		var b strings.Builder
		b.WriteString("id,easting,northing\n")
		for i, d := range [][2]float64{{0, 0}, {50, 20}, {120, -40}, {200, 90}} {
			e, n := f(at.E+d[0], at.N+d[1])
			fmt.Fprintf(&b, "P%d,%.3f,%.3f\n", i, e, n)
		}
		return b.String()
	}
	same := func(e, n float64) (float64, float64) { return e, n }
	inMetres := func(e, n float64) (float64, float64) { return e * foot, n * foot }
	swapped := func(e, n float64) (float64, float64) { return n, e }
	both := func(e, n float64) (float64, float64) { return n * foot, e * foot }
	for _, c := range []struct {
		name, settings, tag string
		points              func(e, n float64) (float64, float64)
		want                []string
		finding             bool
	}{
		{"right", "", "35.6 -82.3", same, nil, false},
		{"right, without tags", "", "", same, nil, false},
		{"metres on a grid in feet", "", "35.6 -82.3", inMetres, []string{"p.csv: the points lie ", " km from the photos' tags", "in the unit metre instead of US survey foot they lie among them", `points.unit = "m"`, "grid.crs"}, false},
		{"metres, and the settings say so", "unit = \"m\"\n", "35.6 -82.3", inMetres, nil, false},
		{"feet taken for metres", "unit = \"m\"\n", "35.6 -82.3", same, []string{"in the unit US survey foot instead of metre they lie among them", "take points.unit out"}, false},
		{"swapped", "", "35.6 -82.3", swapped, []string{"with eastings and northings swapped they lie among them", "points.columns"}, false},
		{"swapped and in metres", "", "35.6 -82.3", both, []string{"in the unit metre instead of US survey foot, and with eastings and northings swapped, they lie among them", "points.columns", "points.unit"}, false},
		{"tags of another place", "", "35.6 82.3", same, nil, true},
		{"metres, without tags", "", "", inMetres, []string{"outside the area of use of EPSG:6543", "metre instead of US survey foot they lie inside"}, false},
		{"nowhere, without tags", "", "", func(e, n float64) (float64, float64) { return e + 9e7, n - 9e7 }, nil, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, err := job(t, lay(t, map[string]string{
				"phototie.toml": "[grid]\ncrs = \"EPSG:6543\"\n[points]\nfile = \"p.csv\"\n" + c.settings, "p.csv": at2(c.points), "photos/1.jpg": c.tag, "photos/2.jpg": c.tag}))
			if err != nil {
				t.Fatal(err)
			}
			res, err := d.Check(context.Background(), dataset.CheckOptions{})
			if c.want != nil {
				wantProblem(t, err, c.want...)
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			var far bool
			for _, f := range res.Findings() {
				far = far || f.Code == match.FindingFar
			}
			if far != c.finding {
				t.Errorf("findings %v, want one that the points are far: %v", res.Findings(), c.finding)
			}
		})
	}
}

// A site system by its parameters is the one that package site makes of the same
// definition.
func TestSiteParameters(t *testing.T) {
	base, err := crs.Open("EPSG:2157")
	if err != nil {
		t.Fatal(err)
	}
	similarity := &site.Similarity{Origin: grid.EN{E: 690000, N: 604000}, Scale: 0.9999, Rotation: 1.5}
	for _, c := range []struct {
		name, text string
		def        site.Definition
	}{
		{"similarity", "[site]\nname = \"s\"\ndirection = \"site-to-base\"\n[site.similarity]\ntarget_origin = { e = 690000, n = 604000 }\nscale = 0.9999\nrotation_deg = 1.5\n",
			site.Definition{Name: "s", Unit: grid.Metre, Direction: site.SiteToBase, Similarity: similarity}},
		{"in feet, from the base", "[site]\nname = \"s\"\nunit = \"ft\"\ndirection = \"base-to-site\"\nkind = \"affine\"\n[site.affine]\na0 = -2263779.5\na1 = 3.28\na2 = 0.0\nb0 = -1981627.3\nb1 = 0.0\nb2 = 3.28\n",
			site.Definition{Name: "s", Unit: grid.Foot, Direction: site.BaseToSite, Affine: &site.Affine{A0: -2263779.5, A1: 3.28, B0: -1981627.3, B2: 3.28}}},
		{"ground scale with heights", "[site]\nname = \"s\"\n[site.ground_scale]\norigin = { e = 690000.0, n = 604000.0 }\nsite_origin = { e = 1000.0, n = 500.0 }\ncombined_factor = 0.99995\n[site.vertical]\noffset = 57.1\n",
			site.Definition{Name: "s", Unit: grid.Metre, GroundScale: &site.GroundScale{Origin: grid.EN{E: 690000, N: 604000}, SiteOrigin: grid.EN{E: 1000, N: 500}, CombinedFactor: 0.99995}, Vertical: &site.Vertical{Offset: 57.1}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, err := job(t, lay(t, map[string]string{"phototie.toml": itm + "[points]\nfile = \"p.csv\"\n" + c.text}))
			if err != nil {
				t.Fatal(err)
			}
			want, err := site.New(base, c.def)
			if err != nil {
				t.Fatal(err)
			}
			fix := []grid.Fix{{LatLon: grid.LatLon{Lat: 52.188, Lon: -6.68}, Frame: grid.Frame{Epoch: 2025.4}}}
			a, err1 := d.Projection().ToGrid(context.Background(), fix)
			b, err2 := want.ToGrid(context.Background(), fix)
			if err1 != nil || err2 != nil || a[0].Err != nil || a[0].EN != b[0].EN {
				t.Errorf("got %+v %v, want %+v %v", a[0].EN, err1, b[0].EN, err2)
			}
			if a[0].E > 1e5 {
				t.Errorf("%v are no site coordinates", a[0].EN)
			}
		})
	}
}

// control is a similarity by hand: site (0,0) at base (690000, 604000), turned by
// 90 degrees (site north is base east), scale 1.
const control = "id,site_e,site_n,base_e,base_n,sigma,site_h,base_h\nC1,0,0,690000.000,604000.000,0.01,10.00,67.00\nC2,0,500,690500.004,604000.002,0.01,11.00,68.00\nC3,400,0,690000.003,603599.996,0.01,12.00,69.01\nC4,400,500,690499.998,603599.999,0.01,13.00,69.99\nC5,200,250,690250.001,603800.004,0.01,14.00,71.00\nC6,100,450,690449.997,603900.001,0.01,15.00,72.00\n"

func TestSiteFitted(t *testing.T) {
	d, err := job(t, lay(t, map[string]string{
		"phototie.toml": itm + "[points]\nfile = \"p.csv\"\n[site]\nname = \"quay\"\ncontrol = \"c.csv\"\nfit_heights = \"constant\"\n", "c.csv": control}))
	if err != nil {
		t.Fatal(err)
	}
	r := d.Site()
	if r.Kind != "similarity" || r.Plane.Pairs != 6 || r.Plane.S0 == nil || *r.Plane.S0 < 0.1 || *r.Plane.S0 > 1.5 || len(r.Plane.Suspects) > 0 {
		t.Errorf("the fit says %+v", r.Plane)
	}
	if s := r.Definition.Similarity; math.Abs(s.Rotation-90) > 0.01 || math.Abs(s.Scale-1) > 1e-4 {
		t.Errorf("similarity %+v, want a rotation of 90 degrees and a scale of 1", s)
	}
	if v := r.Definition.Vertical; v == nil || math.Abs(v.Offset+57) > 0.01 {
		t.Errorf("vertical %+v, want an offset of -57 m", v)
	}
	if w := r.Plane.Worst(); w.Length > 0.01 || w.Length == 0 {
		t.Errorf("worst residual %+v", w)
	}
	placed, err := d.Projection().FromGrid(context.Background(), []grid.EN{{E: 200, N: 250}}, []grid.Frame{{}})
	if err != nil || placed[0].Err != nil {
		t.Fatal(err, placed[0].Err)
	}
	base, _ := crs.Open("EPSG:2157")
	back, err := base.ToGrid(context.Background(), []grid.Fix{placed[0].Fix})
	if err != nil || math.Hypot(back[0].E-690250, back[0].N-603800) > 0.01 {
		t.Errorf("site (200, 250) is base %v, want 690250 603800", back[0].EN)
	}

	// One pair with a blunder of 0.4 m is a finding.
	d, err = job(t, lay(t, map[string]string{
		"phototie.toml": itm + "[points]\nfile = \"p.csv\"\n[site]\ncontrol = \"c.csv\"\n", "c.csv": strings.Replace(control, "690250.001", "690250.401", 1),
		"p.csv": "id,e,n\nA,200,250\n", "photos/1.jpg": ""}))
	if err != nil {
		t.Fatal(err)
	}
	res, err := d.Check(context.Background(), dataset.CheckOptions{})
	if err != nil {
		t.Fatal(err)
	}
	f := slices.DeleteFunc(res.Findings(), func(f match.Finding) bool { return f.Photo != "" || f.Point != "" })
	if len(f) != 1 || f[0].Code != match.FindingControl || !strings.Contains(f[0].Message, "C5") {
		t.Errorf("findings %+v, want C5", f)
	}
}

// Control without standard errors is judged too: a fit over the survey's tolerance
// is an error, and one with a scale that no survey has is refused. Three pairs of
// a 400 m job on the ground, coordinates of the base rounded to 0.01 m; 0.9 m on
// one easting makes a scale of 0.998 in the similarity.
func TestSiteBlunderWithoutSigmas(t *testing.T) {
	pairs := func(blunder float64) string {
		return fmt.Sprintf("id,site_e,site_n,base_e,base_n\nC1,0,0,%.2f,604000.00\nC2,0,500,690000.00,604500.00\nC3,400,0,690400.00,604000.00\n", 690000+blunder)
	}
	fit := func(settings string, blunder float64) ([]match.Finding, error) {
		d, err := job(t, lay(t, map[string]string{
			"phototie.toml": itm + "[points]\nfile = \"p.csv\"\n[site]\ncontrol = \"c.csv\"\n" + settings, "c.csv": pairs(blunder),
			"p.csv": "id,e,n\nA,200,250\n", "photos/1.jpg": ""}))
		if err != nil {
			return nil, err
		}
		s, err := d.Survey(context.Background())
		if err != nil {
			return nil, err
		}
		return s.Options.Survey, nil
	}
	if f, err := fit("", 0); err != nil || len(f) != 0 {
		t.Errorf("good control: %+v, %v", f, err)
	}
	if _, err := fit("", 9); err == nil || !strings.Contains(err.Error(), "the scale comes out as") {
		t.Errorf("9 m: %v", err)
	}
	if f, err := fit("", 0.9); err != nil || len(f) != 1 || f[0].Severity != match.SeverityError || !strings.Contains(f[0].Message, "over the tolerance of 0.05 m") {
		t.Errorf("0.9 m: %+v, %v", f, err)
	}
	if f, err := fit("tolerance_m = 1.0\n", 0.9); err != nil || len(f) != 0 {
		t.Errorf("with 1 m tolerated: %+v, %v", f, err)
	}
	if f, err := fit("scale = 1.0\n", 0.9); err != nil || len(f) != 2 || f[1].Severity != match.SeverityError {
		t.Errorf("scale held: %+v, %v", f, err)
	}
}

func TestSiteProblems(t *testing.T) {
	sim := "[site.similarity]\ntarget_origin = { e = 690000.0, n = 604000.0 }\nscale = 0.9999\nrotation_deg = 1.5\n"
	for _, c := range []struct {
		name, text, control string
		want                []string
	}{
		{"nothing", "[site]\n", "", []string{"phototie.toml: [site] says neither"}},
		{"no direction", "[site]\n" + sim, "", []string{"phototie.toml: [site]", "no direction", "site-to-base"}},
		{"a parameter is missing", "[site]\ndirection = \"site-to-base\"\n" + strings.Replace(sim, "scale = 0.9999\n", "", 1), "", []string{`similarity: "scale" is missing`}},
		{"an unknown parameter", "[site]\ndirection = \"site-to-base\"\n" + sim + "skale = 1.0\n", "", []string{`key "skale" is not known`}},
		{"half an origin", "[site]\ndirection = \"site-to-base\"\n" + strings.Replace(sim, ", n = 604000.0", "", 1), "", []string{`target_origin: "n" is missing`}},
		{"two transforms", "[site]\ndirection = \"site-to-base\"\n" + sim + "[site.ground_scale]\ncombined_factor = 1.0\n", "", []string{"more than one transform: similarity, ground-scale"}},
		{"kind", "[site]\nkind = \"helmert\"\n", "", []string{`kind = "helmert"`, "ground-scale"}},
		{"kind against parameters", "[site]\ndirection = \"site-to-base\"\nkind = \"affine\"\n" + sim, "", []string{`kind is "affine"`}},
		{"unit", "[site]\nunit = \"yd\"\n", "", []string{`unit = "yd"`}},
		{"unit against scale", "[site]\nunit = \"ft\"\ndirection = \"site-to-base\"\n" + sim, "", []string{"phototie.toml: [site]", "one of the units or the direction is wrong"}},
		{"fit keys without control", "[site]\nreject_outliers = true\ndirection = \"site-to-base\"\n" + sim, "", []string{"reject_outliers is for a fit"}},
		{"parameters and control", "[site]\ncontrol = \"c.csv\"\n" + sim, control, []string{"parameters and the control"}},
		{"control leads out", "[site]\ncontrol = \"../c.csv\"\n", "", []string{`site.control = "../c.csv" leads out`}},
		{"no control", "[site]\ncontrol = \"c.csv\"\n", "", []string{"c.csv: there is no such file"}},
		{"no columns", "[site]\ncontrol = \"c.csv\"\n", "id,e,n\nA,1,2\n", []string{"c.csv:1: no column for site_e, site_n, base_e, base_n", "sigma"}},
		{"not a number", "[site]\ncontrol = \"c.csv\"\n", strings.Replace(control, "604000.002", "6040OO.002", 1), []string{`c.csv:3:21: base_n "6040OO.002" is not a number`}},
		{"pair twice", "[site]\ncontrol = \"c.csv\"\n", strings.Replace(control, "C2", "C1", 1), []string{`c.csv:3:1: control pair "C1" stands already in line 2`}},
		{"negative sigma", "[site]\ncontrol = \"c.csv\"\n", strings.Replace(control, "0.01", "-0.01", 1), []string{"c.csv:2:", "sigma is negative"}},
		{"one pair", "[site]\ncontrol = \"c.csv\"\n", strings.Join(strings.SplitAfter(control, "\n")[:2], ""), []string{"c.csv: "}},
		{"pairs on a line for an affine", "[site]\ncontrol = \"c.csv\"\nkind = \"affine\"\n", "id,site_e,site_n,base_e,base_n\nA,0,0,690000,604000\nB,100,0,690100,604000\nC,200,0,690200,604000\nD,300,0,690300,604000\n", []string{"c.csv: ", "line"}},
		{"swapped control", "[site]\ncontrol = \"c.csv\"\nkind = \"affine\"\n", "id,site_e,site_n,base_e,base_n\nA,0,0,690000,604000\nB,0,100,690100,604000\nC,200,0,690000,604200\nD,300,50,690050,604300\n", []string{"c.csv: ", "swapped"}},
		{"no heights", "[site]\ncontrol = \"c.csv\"\nfit_heights = \"plane\"\n", "id,site_e,site_n,base_e,base_n\nA,0,0,690000,604000\nB,0,100,690100,604000\n", []string{"c.csv:1: there are no heights to fit"}},
		{"ground scale without an origin", "[site]\ncontrol = \"c.csv\"\nkind = \"ground-scale\"\n", control, []string{`"origin" is missing`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			files := map[string]string{"phototie.toml": itm + "[points]\nfile = \"p.csv\"\n" + c.text}
			if c.control != "" {
				files["c.csv"] = c.control
			}
			_, err := job(t, lay(t, files))
			wantProblem(t, err, c.want...)
		})
	}
}

// The ground scale is fitted about the project point.
func TestSiteGroundScaleFitted(t *testing.T) {
	_, err := job(t, lay(t, map[string]string{
		"phototie.toml": itm + "[points]\nfile = \"p.csv\"\n[site]\ncontrol = \"c.csv\"\nkind = \"ground-scale\"\n[site.ground_scale]\norigin = { e = 690000.0, n = 604000.0 }\n",
		"c.csv":         "id;site_e;site_n;base_e;base_n\nA;1000;1000;690000;604000\nB;2000;1000;690999,9;604000\nC;1000;3000;690000;605999,8\n"}))
	if err == nil {
		t.Fatal("a decimal comma was read as something else")
	}
	wantProblem(t, err, `site.decimal = ","`)
	d, err := job(t, lay(t, map[string]string{
		"phototie.toml": itm + "[points]\nfile = \"p.csv\"\n[site]\ncontrol = \"c.csv\"\ndecimal = \",\"\nkind = \"ground-scale\"\n[site.ground_scale]\norigin = { e = 690000.0, n = 604000.0 }\n",
		"c.csv":         "id;site_e;site_n;base_e;base_n\nA;1000;1000;690000;604000\nB;2000;1000;690999,9;604000\nC;1000;3000;690000;605999,8\n"}))
	if err != nil {
		t.Fatal(err)
	}
	if g := d.Site().Definition.GroundScale; math.Abs(g.CombinedFactor-0.9999) > 1e-9 || math.Abs(g.SiteOrigin.E-1000) > 1e-6 {
		t.Errorf("ground scale %+v, want 0.9999 about 1000, 1000", g)
	}
}

// The links that points list join those of the links file.
func TestLinksFromPoints(t *testing.T) {
	files := map[string]string{
		"phototie.toml": itm + "[points]\nfile = \"p.csv\"\n[links]\nfile = \"l.csv\"\n",
		"p.csv":         "id,e,n,photos\nA,690242,604876,photos/1.jpg;photos/2.jpg\nB,690262,604878,\n", "l.csv": "photo;point\nphotos/1.jpg;A\nphotos/3.jpg;B\n",
		"photos/1.jpg": "52.18829 -6.68020", "photos/2.jpg": "52.18829 -6.68020", "photos/3.jpg": "52.18831 -6.67991"}
	d, err := job(t, lay(t, files))
	if err != nil {
		t.Fatal(err)
	}
	res, err := d.Check(context.Background(), dataset.CheckOptions{})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"A", "A", "B"}
	for i, p := range res.Photos {
		if p.Tie == nil || p.Tie.Point != want[i] {
			t.Errorf("%s is tied to %+v, want %s", p.Name, p.Tie, want[i])
		}
	}
	if d, err = job(t, lay(t, map[string]string{"phototie.toml": files["phototie.toml"] + "only = true\n", "p.csv": files["p.csv"], "l.csv": files["l.csv"],
		"photos/1.jpg": files["photos/1.jpg"], "photos/2.jpg": files["photos/2.jpg"], "photos/3.jpg": files["photos/3.jpg"]})); err != nil {
		t.Fatal(err)
	}
	if res, err = d.Check(context.Background(), dataset.CheckOptions{}); err != nil {
		t.Fatal(err)
	}
	if res.Photos[1].Tie != nil || res.Photos[0].Tie == nil {
		t.Errorf("with links.only the ties are %+v and %+v, want that of the links file alone", res.Photos[0].Tie, res.Photos[1].Tie)
	}
}

// The same photos on three grids of one place: NAD83(2011), which an operation of
// 0.01 m leads to, NAD83 by one of metres, and NAD27 without NADCON's file. Most tags are
// over what the first allows, and none is over what the last does: each grid fails all the
// same, and says why. Accuracies: EPSG registry, by projinfo. Web Mercator is out of scale:
// 1.2339 along the meridian and 1.2285 along the parallel, by proj -S.
func TestSamePhotosOnCoarseGrids(t *testing.T) {
	const epoch = 2026.4
	for code, coarse := range map[string]bool{"EPSG:6543": false, "EPSG:2264": true, "EPSG:32019": true, "EPSG:3857": false} {
		proj, err := crs.Open(code)
		if err != nil {
			t.Fatal(err)
		}
		files := map[string]string{"phototie.toml": fmt.Sprintf("[grid]\ncrs = %q\n[points]\nfile = \"p.csv\"\n[links]\nfile = \"l.csv\"\n[frame]\nepoch = %v\n", code, epoch)}
		survey, links := "id,easting,northing\n", "photo,point\n"
		for i := range 40 {
			tag := grid.LatLon{Lat: 35.6 + float64(i/8)*0.001, Lon: -82.3 + float64(i%8)*0.001}
			placed, err := proj.ToGrid(context.Background(), []grid.Fix{{LatLon: tag, Frame: grid.Frame{Epoch: epoch}}})
			if err != nil || placed[0].Err != nil {
				t.Fatal(err, placed[0].Err)
			}
			off := float64(1-i%2*2) * 7 / proj.Grid().Unit.Metres
			survey += fmt.Sprintf("P%d,%.3f,%.3f\n", i, placed[0].E, placed[0].N+off)
			links += fmt.Sprintf("%d.jpg,P%d\n", i, i)
			files[fmt.Sprintf("photos/%d.jpg", i)] = fmt.Sprintf("%.9f %.9f", tag.Lat, tag.Lon)
		}
		files["p.csv"], files["l.csv"] = survey, links
		d, err := job(t, lay(t, files))
		if err != nil {
			t.Fatal(err)
		}
		res, err := d.Check(context.Background(), dataset.CheckOptions{Causes: []cause.Cause{}})
		if err != nil {
			t.Fatal(err)
		}
		got, scale := map[match.FindingCode]string{}, 0.0
		for _, f := range res.Findings() {
			if f.Photo == "" {
				got[f.Code] = f.Message
				scale += f.Facts.Value("scale")
			}
		}
		t.Log(code, res.Counts, got)
		if web := code == "EPSG:3857"; web != (math.Abs(scale-1.2339) < 0.002) {
			t.Errorf("%s: scale %v", code, scale)
		} else if _, ok := got[match.FindingOverShare]; !ok && !web {
			t.Errorf("%s: %v: passes", code, res.Counts)
		}
		if message := got[match.FindingFrameCoarse]; (message != "") != coarse || coarse && !strings.Contains(message, "good to") {
			t.Errorf("%s: frame-coarse %q", code, message)
		}
	}
}
