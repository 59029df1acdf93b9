package pointfile

import (
	"errors"
	"io"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"
)

// tool finds a program that the tests measure themselves against.
func tool(t *testing.T, name string) string {
	t.Helper()
	p, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatalf("%s is not installed", name)
		}
		t.Skipf("%s is not installed", name)
	}
	return p
}

// readAll reads a whole file: the records, the problems of single points and the
// header after the end.
func readAll(fsys fs.FS, name string, opt Options) (recs []Record, problems []error, h Header, err error) {
	r, err := Open(fsys, name, opt)
	if err != nil {
		return nil, nil, h, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	for rec, err := range r.Records() {
		if err != nil {
			problems = append(problems, err)
			continue
		}
		recs = append(recs, rec)
	}
	return recs, problems, r.Header(), nil
}

func memory(text string) fs.FS { return fstest.MapFS{"points": {Data: []byte(text)}} }

// good reads a text that has nothing wrong with it.
func good(t *testing.T, text string, opt Options) ([]Record, Header) {
	t.Helper()
	recs, problems, h, err := readAll(memory(text), "points", opt)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Error(p)
	}
	return recs, h
}

func wantError(t *testing.T, text string, opt Options, want ...string) {
	t.Helper()
	_, problems, _, err := readAll(memory(text), "points", opt)
	joined := errors.Join(append(problems, err)...)
	if joined == nil {
		t.Fatalf("no error, want %q", want)
	}
	for _, w := range want {
		if !strings.Contains(joined.Error(), w) {
			t.Errorf("the error\n%v\ndoes not say %q", joined, w)
		}
	}
}

func wantNote(t *testing.T, h Header, want string) {
	t.Helper()
	for _, n := range h.Notes {
		if strings.Contains(n, want) {
			return
		}
	}
	t.Errorf("no note says %q; the notes are %q", want, h.Notes)
}

// places drops what says where a record stood, for comparisons.
func places(recs []Record) []Record {
	out := slices.Clone(recs)
	for i := range out {
		out[i].Line, out[i].Column, out[i].Where = 0, 0, ""
		out[i].Observed = out[i].Observed.UTC()
		if c := out[i].Cov; c != nil { // a sigma squared and back
			out[i].Cov = &[3]float64{round(c[0]), round(c[1]), round(c[2])}
		}
	}
	return out
}

func round(v float64) float64 { return math.Round(v*1e12) / 1e12 }

func ptr(v float64) *float64 { return &v }

// Port Velland, as the demo has it. IRENET95 / Irish Transverse Mercator.
const velland = `id,E,N,H,code,description,observed,sigma,photos
B-01,714312.2,558204.75,4.21,BOL,cast bollard,2026-06-03T09:15:00Z,0.02,IMG_1.jpg;IMG_2.jpg
B-02,714320.5,558201.25,4.25,BOL,"cast bollard, bent",2026-06-03T09:17:30+01:00,0.03,
OUT-7,714331.125,558190.5,-0.4,OUT,"outfall Ø300 ""north""",2026-06-03T10:00:00.250Z,0.015,"IMG_9, crop.jpg;IMG_10.jpg"
`

// vellandVRT makes GDAL read the table as points.
const vellandVRT = `<OGRVRTDataSource><OGRVRTLayer name="velland"><SrcDataSource relativeToVRT="1">velland.csv</SrcDataSource>
<GeometryType>wkbPoint25D</GeometryType><LayerSRS>EPSG:2157</LayerSRS>
<GeometryField encoding="PointFromColumns" x="E" y="N" z="H"/>
<Field name="id" type="String"/><Field name="code" type="String"/><Field name="description" type="String"/>
<Field name="observed" type="DateTime"/><Field name="sigma" type="Real"/><Field name="photos" type="String"/>
</OGRVRTLayer></OGRVRTDataSource>`

func vellandRecords() []Record {
	return []Record{
		{ID: "B-01", X: 714312.2, Y: 558204.75, Z: ptr(4.21), Code: "BOL", Desc: "cast bollard", Observed: time.Date(2026, 6, 3, 9, 15, 0, 0, time.UTC), Cov: &[3]float64{4e-4, 0, 4e-4}, Photos: []string{"IMG_1.jpg", "IMG_2.jpg"}},
		{ID: "B-02", X: 714320.5, Y: 558201.25, Z: ptr(4.25), Code: "BOL", Desc: "cast bollard, bent", Observed: time.Date(2026, 6, 3, 8, 17, 30, 0, time.UTC), Cov: &[3]float64{9e-4, 0, 9e-4}},
		{ID: "OUT-7", X: 714331.125, Y: 558190.5, Z: ptr(-0.4), Code: "OUT", Desc: `outfall Ø300 "north"`, Observed: time.Date(2026, 6, 3, 10, 0, 0, 250e6, time.UTC), Cov: &[3]float64{2.25e-4, 0, 2.25e-4}, Photos: []string{"IMG_9, crop.jpg", "IMG_10.jpg"}},
	}
}

func TestDelimitedVelland(t *testing.T) {
	got, h := good(t, velland, Options{})
	if want := vellandRecords(); !reflect.DeepEqual(places(got), want) {
		t.Errorf("got  %+v\nwant %+v", places(got), want)
	}
	if got[2].Line != 4 || got[2].Where != "line 4" {
		t.Errorf("the last record is at %d, %q; want line 4", got[2].Line, got[2].Where)
	}
	if h.Format != Delimited || h.CRS != "" || h.Axes != Plane || h.Layout == nil || !h.Layout.Header || h.Layout.Separator != "," {
		t.Errorf("header %+v", h)
	}
}

// Files written by GDAL, an independent program (ogr2ogr of gdal-bin), from one
// table.
func TestWrittenByGDAL(t *testing.T) {
	ogr := tool(t, "ogr2ogr")
	dir := t.TempDir()
	put := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	put("velland.csv", velland)
	put("velland.vrt", vellandVRT)
	run := func(t *testing.T, args ...string) {
		t.Helper()
		cmd := exec.Command(ogr, args...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("ogr2ogr %q: %v\n%s", args, err, out)
		}
	}
	fsys := os.DirFS(dir)
	// What GDAL itself has for the positions in WGS 84.
	run(t, "-f", "CSV", "-lco", "GEOMETRY=AS_XYZ", "-t_srs", "EPSG:4326", "wgs84.csv", "velland.vrt")
	wgs, _, _, err := readAll(fsys, "wgs84.csv", Options{CRS: "EPSG:4326", Fields: map[string]string{"X": "longitude", "Y": "latitude"}})
	if err != nil || len(wgs) != 3 {
		t.Fatalf("%d records in WGS 84, %v", len(wgs), err)
	}
	for _, c := range []struct {
		name   string
		args   []string
		file   string
		opt    Options
		format Format
		crs    string
		axes   Axes
		within float64 // degrees, for a file in WGS 84; 0 for one on the grid
		notZ   bool
	}{
		{name: "GeoJSON of 2008 with a crs member", args: []string{"-f", "GeoJSON"}, file: "a.geojson", format: GeoJSON, crs: "EPSG:2157"},
		{name: "GeoJSON, RFC 7946", args: []string{"-f", "GeoJSON", "-lco", "RFC7946=YES", "-t_srs", "EPSG:4326"}, file: "b.geojson", format: GeoJSON, crs: "OGC:CRS84", axes: Geographic, within: 1e-7},
		{name: "one feature a line", args: []string{"-f", "GeoJSONSeq", "-lco", "COORDINATE_PRECISION=12"}, file: "c.geojsonl", format: GeoJSONSeq, crs: "OGC:CRS84", axes: Geographic, within: 1e-10},
		{name: "text sequence, RFC 8142", args: []string{"-f", "GeoJSONSeq", "-lco", "RS=YES", "-lco", "COORDINATE_PRECISION=12"}, file: "d.geojsons", format: GeoJSONSeq, crs: "OGC:CRS84", axes: Geographic, within: 1e-10},
		{name: "GPX with extensions", args: []string{"-f", "GPX", "-dsco", "GPX_USE_EXTENSIONS=YES", "-t_srs", "EPSG:4326"}, file: "e.gpx", format: GPX, crs: "OGC:CRS84", axes: Geographic, within: 1e-10, notZ: true},
		{name: "GPX with its own elements", args: []string{"-f", "GPX", "-t_srs", "EPSG:4326", "-sql", `SELECT id AS name, code AS type, description AS "desc", observed AS "time" FROM velland`, "-dialect", "OGRSQL"}, file: "f.gpx", format: GPX, crs: "OGC:CRS84", axes: Geographic, within: 1e-10, notZ: true},
		{name: "GeoPackage", args: []string{"-f", "GPKG"}, file: "g.gpkg", format: GeoPackage, crs: "EPSG:2157", axes: Plane},
		{name: "GeoPackage of multipoints in WGS 84", args: []string{"-f", "GPKG", "-nlt", "MULTIPOINT25D", "-t_srs", "EPSG:4326"}, file: "h.gpkg", format: GeoPackage, crs: "EPSG:4326", axes: Geographic, within: 1e-10},
		{name: "delimited, semicolons", args: []string{"-f", "CSV", "-lco", "GEOMETRY=AS_XYZ", "-lco", "SEPARATOR=SEMICOLON"}, file: "i.csv", opt: Options{Fields: map[string]string{"X": "easting", "Y": "northing"}}, format: Delimited, axes: Plane},
		{name: "delimited, tabs", args: []string{"-f", "CSV", "-lco", "GEOMETRY=AS_XYZ", "-lco", "SEPARATOR=TAB"}, file: "j.csv", opt: Options{Fields: map[string]string{"X": "easting", "Y": "northing"}}, format: Delimited, axes: Plane},
	} {
		t.Run(c.name, func(t *testing.T) {
			run(t, append(c.args, c.file, "velland.vrt")...)
			got, problems, h, err := readAll(fsys, c.file, c.opt)
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range problems {
				t.Error(p)
			}
			if h.Format != c.format || h.CRS != c.crs || h.Axes != c.axes {
				t.Errorf("format %q, crs %q, axes %q; want %q, %q, %q", h.Format, h.CRS, h.Axes, c.format, c.crs, c.axes)
			}
			want := vellandRecords()
			if len(got) != len(want) {
				t.Fatalf("%d records, want %d", len(got), len(want))
			}
			got = places(got)
			for i := range want {
				if c.within > 0 {
					want[i].X, want[i].Y = wgs[i].X, wgs[i].Y
					if !(math.Abs(got[i].X-wgs[i].X) <= c.within && math.Abs(got[i].Y-wgs[i].Y) <= c.within) {
						t.Errorf("%s at %.12f %.12f, want %.12f %.12f", got[i].ID, got[i].X, got[i].Y, wgs[i].X, wgs[i].Y)
					}
					got[i].X, got[i].Y = wgs[i].X, wgs[i].Y
				}
				if c.notZ {
					want[i].Z = got[i].Z // this driver writes no third coordinate
				}
				if c.file == "f.gpx" { // no place for these two
					want[i].Cov, want[i].Photos = nil, nil
				}
				if c.format == GPX || c.format == Delimited { // written to the second
					want[i].Observed = want[i].Observed.Truncate(time.Second)
					got[i].Observed = got[i].Observed.Truncate(time.Second)
				}
			}
			if !reflect.DeepEqual(got, want) {
				t.Errorf("got  %+v\nwant %+v", got, want)
			}
		})
	}
}

func TestOpenRefuses(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"empty":       {"", "the file is empty"},
		"blank":       {" \n\n ", "the file is empty"},
		"UTF-16":      {"\xFF\xFE<\x00g\x00", "save it as UTF-8"},
		"ZIP":         {"PK\x03\x04....", "ZIP"},
		"shapefile":   {"\x00\x00\x27\x0a\x00\x00", "shapefile"},
		"binary":      {"abc\x00def", "no text"},
		"other XML":   {"<?xml version='1.0'?><kml/>", `a "kml", which is neither`},
		"not SQLite":  {"SQLite format 3\x00 and no more", "can't be read"},
		"JSON list":   {"[1,2]", "does not start with an object"},
		"other JSON":  {`{"a":1}`, "not GeoJSON"},
		"no features": {`{"type":"FeatureCollection"}`, "no features"},
		"bare point":  {`{"type":"Point","coordinates":[1,2]}`, "bare Point"},
		"one word":    {"hello", "not a header known here"},
	} {
		t.Run(name, func(t *testing.T) {
			wantError(t, c.text, Options{}, c.want)
		})
	}
	if _, err := Open(memory(""), "other", Options{}); err == nil || !strings.Contains(err.Error(), "other: there is no such file") {
		t.Errorf("a missing file gives %v", err)
	}
	var p *Problem
	if _, err := Open(memory("hello"), "points", Options{}); !errors.As(err, &p) || p.File != "points" || p.Remedy == "" {
		t.Errorf("%v is not a Problem with a remedy", err)
	}
}

func TestOptionsRefused(t *testing.T) {
	for want, opt := range map[string]Options{
		"can't stand between columns": {Separator: "x"},
		"no decimal sign":             {Decimal: "'"},
		"so is the separator":         {Decimal: ",", Separator: ","},
		`"PT" can't mean "colour"`:    {Fields: map[string]string{"PT": "colour"}},
		"more than one name means id": {Fields: map[string]string{"PT": "id", "NR": "id"}},
	} {
		if _, err := Open(memory(velland), "points", opt); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", opt, err, want)
		}
	}
}

// A failure to read is told, and not taken for the end.
func TestReadFailure(t *testing.T) {
	for _, text := range []string{velland + strings.Repeat("X,1,2,,,,,,\n", 20000), geoJSONOf(2000), landXMLOf(2000), gpxOf(2000)} {
		fsys := failing{memory(text), int64(len(text)) - 10}
		recs, problems, _, err := readAll(fsys, "points", Options{})
		if err := errors.Join(append(problems, err)...); err == nil || !strings.Contains(err.Error(), "disk on fire") {
			t.Errorf("%d records and %v", len(recs), err)
		}
	}
}

type failing struct {
	fs.FS
	after int64
}

func (f failing) Open(name string) (fs.File, error) {
	file, err := f.FS.Open(name)
	return &failingFile{file, f.after}, err
}

type failingFile struct {
	fs.File
	left int64
}

func (f *failingFile) Read(p []byte) (int, error) {
	if f.left <= 0 {
		return 0, errors.New("disk on fire")
	}
	n, err := f.File.Read(p[:min(int64(len(p)), f.left)])
	f.left -= int64(n)
	if err == io.EOF {
		return n, errors.New("disk on fire")
	}
	return n, err
}

// A range that is left early can be taken up again, and a closed reader yields
// nothing.
func TestRecordsResume(t *testing.T) {
	r, err := Open(memory(velland), "points", Options{})
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for range 5 {
		for rec, err := range r.Records() {
			if err != nil {
				t.Fatal(err)
			}
			ids = append(ids, rec.ID)
			break
		}
	}
	if got := strings.Join(ids, " "); got != "B-01 B-02 OUT-7" {
		t.Errorf("got %s", got)
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	for rec, err := range r.Records() {
		t.Errorf("a closed reader yields %v, %v", rec, err)
	}
}

func TestSplitPhotos(t *testing.T) {
	for text, want := range map[string][]string{
		"":                         nil,
		" ; ,":                     {","},
		"a.jpg":                    {"a.jpg"},
		"a.jpg, b.jpg,":            {"a.jpg", "b.jpg"},
		"a, b.jpg; c.jpg":          {"a, b.jpg", "c.jpg"},
		`["a.jpg", "b, c.jpg"]`:    {"a.jpg", "b, c.jpg"},
		`[ "a.jpg", null, "" ]`:    {"a.jpg"},
		"[draft] a.jpg;b.jpg":      {"[draft] a.jpg", "b.jpg"},
		"sub/dir/IMG 0001 (2).JPG": {"sub/dir/IMG 0001 (2).JPG"},
	} {
		if got, err := splitPhotos(text); err != nil || !slices.Equal(got, want) {
			t.Errorf("%q: %q, %v; want %q", text, got, err, want)
		}
	}
	if _, err := splitPhotos(`["a.jpg", b.jpg]`); err == nil {
		t.Error("a broken list is accepted")
	}
}

func TestParseNumber(t *testing.T) {
	for _, c := range []struct {
		text, decimal string
		want          float64
	}{
		{"1", ".", 1}, {"-0.5", ".", -0.5}, {"+12.", ".", 12}, {".5", "", 0.5}, {"1e3", ".", 1000}, {"-7", "", -7},
		{"714312,2", ",", 714312.2}, {"714312", ",", 714312}, {"714312.199999999953434", ".", 714312.2},
	} {
		if got, err := ParseNumber(c.text, c.decimal); err != nil || got != c.want {
			t.Errorf("%q: %v, %v; want %v", c.text, got, err, c.want)
		}
	}
	for _, c := range [][2]string{{"", "."}, {"-", "."}, {".", "."}, {"0x10", "."}, {"NaN", "."}, {"Inf", "."}, {"1e999", "."},
		{"1,5", "."}, {"1.5", ","}, {"1,234,567", ","}, {"1 000", "."}, {"1_000", "."}, {"--1", "."}, {"1.2.3", "."}, {"-.", "."}} {
		if got, err := ParseNumber(c[0], c[1]); err == nil {
			t.Errorf("%q with %q is taken for %v", c[0], c[1], got)
		}
	}
}

func TestParseTime(t *testing.T) {
	dublin := time.FixedZone("", 3600)
	want := time.Date(2026, 6, 3, 9, 15, 0, 0, time.UTC)
	for _, text := range []string{"2026-06-03T09:15:00Z", "2026-06-03T10:15:00+01:00", "2026-06-03 09:15:00Z", "2026/06/03 09:15:00+00", "2026/06/03 10:15:00+01", "2026-06-03T10:15:00+0100"} {
		if got, err := parseTime(text, nil, ""); err != nil || !got.Equal(want) {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"2026-06-03T10:15:00", "2026-06-03 10:15", "2026/06/03 10:15:00"} {
		if _, err := parseTime(text, nil, ""); !errors.Is(err, errNoZone) {
			t.Errorf("%q without a zone: %v", text, err)
		}
		if got, err := parseTime(text, dublin, ""); err != nil || !got.Equal(want) {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	// The clocks went back on 25 October 2026 and forward on 29 March (EU Directive
	// 2000/84/EC, article 3: the last Sundays).
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]error{
		"2026-10-25T02:30:00": errTwice, "2026-10-25T02:00:00": errTwice, "2026-10-25T02:59:59": errTwice,
		"2026-10-25T01:59:59": nil, "2026-10-25T03:00:00": nil, "2026-10-25T01:00:00": nil, "2026-10-25T04:00:00": nil,
		"2026-03-29T02:30:00": errNoSuchHour, "2026-03-29T01:59:59": nil, "2026-03-29T03:00:00": nil,
	} {
		if _, err := parseTime(text, berlin, ""); !errors.Is(err, want) || (want == nil) != (err == nil) {
			t.Errorf("%s in Berlin: %v, want %v", text, err, want)
		}
	}
	if _, err := parseTime("2026-06-03", dublin, ""); !errors.Is(err, errDate) {
		t.Errorf("a date: %v", err)
	}
	for _, text := range []string{"10:15", "yesterday", "2026-13-01T00:00:00Z", "20260603"} {
		if got, err := parseTime(text, dublin, ""); !errors.Is(err, errTime) {
			t.Errorf("%q is taken for %v, %v", text, got, err)
		}
	}
}

// OGC 09-048r5 and RFC 5165 give the forms; GDAL writes the first.
func TestCRSName(t *testing.T) {
	for name, want := range map[string]string{
		"urn:ogc:def:crs:EPSG::2157":                   "EPSG:2157",
		"urn:ogc:def:crs:EPSG:9.9.1:2157":              "EPSG:2157",
		"urn:ogc:def:crs:OGC:1.3:CRS84":                "OGC:CRS84",
		"http://www.opengis.net/def/crs/EPSG/0/2157":   "EPSG:2157",
		"http://www.opengis.net/def/crs/OGC/1.3/CRS84": "OGC:CRS84",
		"EPSG:2157":         "EPSG:2157",
		"urn:ogc:def:crs:x": "urn:ogc:def:crs:x",
	} {
		if got := crsName(name); got != want {
			t.Errorf("%s gives %s, want %s", name, got, want)
		}
	}
}

func TestAxesOf(t *testing.T) {
	for crs, want := range map[string]Axes{
		"EPSG:4326": Geographic, "OGC:CRS84": Geographic, "EPSG:2157": Unstated, "": Unstated,
		`PROJCS["x",GEOGCS["y"]]`:                    Plane,
		`GEOGCRS["x"]`:                               Geographic,
		`COMPD_CS["x",PROJCS["y",GEOGCS["z"]]]`:      Plane,
		`COMPOUNDCRS["x",GEOGCRS["z"],VERTCRS["h"]]`: Geographic,
		`BOUNDCRS[SOURCECRS[PROJCRS["x"]]]`:          Plane,
		`GEODCRS["geocentric"]`:                      Unstated,
		`COMPD_CS["x","y"]`:                          Unstated,
		`VERT_CS["height alone"]`:                    Unstated,
	} {
		if got := axesOf(crs); got != want {
			t.Errorf("%s is %q, want %q", crs, got, want)
		}
	}
}

func TestHeaderString(t *testing.T) {
	_, h := good(t, "P;N;E;Z\nB-01;558204,75;714312,2;4,21\n", Options{})
	want := `points: delimited text, separated by semicolons, decimal comma, a header, on the job's grid; id from column 1 "P", easting from column 3 "E", northing from column 2 "N", height from column 4 "Z"`
	if got := h.String(); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// A word is found wherever the buffer ends.
func TestContains(t *testing.T) {
	for _, n := range []int{0, 10, 256<<10 - 5, 256<<10 - 1, 256 << 10, 512<<10 - 10, 700 << 10} {
		text := strings.Repeat("x", n) + "needle"
		if found, err := contains(memory(text), "points", "pin", "needle"); !found || err != nil {
			t.Errorf("not found after %d bytes: %v", n, err)
		}
		if found, err := contains(memory(text), "points", "needles"); found || err != nil {
			t.Errorf("found what is not there after %d bytes: %v", n, err)
		}
	}
}
