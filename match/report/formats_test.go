package report

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"math"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rivo/uniseg"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"pgregory.net/rapid"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/internal/palette"
	"example.com/phototie/match/internal/words"
)

// tool finds a program that the tests read back with.
func tool(t *testing.T, name string) string {
	t.Helper()
	p, err := exec.LookPath(name)
	if err != nil {
		missing(t, name+" is not installed")
	}
	return p
}

// missing skips the test, or fails it where everything has to be there.
func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
		t.Fatal(what)
	}
	t.Skip(what)
}

// moduleFile reads a file of a published Go module, which is no dependency: the
// tests want a schema that it carries.
func moduleFile(t *testing.T, module, name string) []byte {
	t.Helper()
	cmd := exec.Command("go", "mod", "download", "-json", module)
	cmd.Dir = t.TempDir()
	out, err := cmd.Output()
	var info struct{ Dir, Error string }
	if err2 := json.Unmarshal(out, &info); err != nil || err2 != nil || info.Dir == "" {
		missing(t, fmt.Sprintf("module %s can't be had: %v %v %s", module, err, err2, info.Error))
	}
	text, err := os.ReadFile(filepath.Join(info.Dir, filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// output runs a program and returns what it prints. What it has to say about the
// input besides is an error.
func output(t *testing.T, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(tool(t, name), args...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil || stderr.Len() > 0 {
		t.Fatalf("%s %q: %v\n%s", name, args, err, stderr.String())
	}
	return string(out)
}

// write puts bytes into a file of the test's own folder.
func write(t *testing.T, name string, text []byte) string {
	t.Helper()
	name = filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(name, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

// awkward are names that mean something to one format or another.
var awkward = []string{
	"photos/[click](http://x.invalid/)/{0}#?%41 <b>&\"'.jpg",
	"photos/a:b/..c/]]>.jpg",
	"photos/\xff.jpg",
	"photos/]](x).jpg",
	"@photos/\x00\x07\u202e.jpg",
	"C:/x.jpg",
	nasty,
}

// hostile is a job whose names and ids are awkward.
func hostile(t *testing.T, unit grid.Unit) *match.Result {
	t.Helper()
	points := []match.Point{
		{ID: `</name><script>alert("1")</script>&`, EN: grid.EN{E: 0, N: 0}, Code: "<b>", Desc: "]]>&amp; 'quoted' \"twice\"", Line: 2},
		{ID: "=1+1", EN: grid.EN{E: 40, N: 0}, Line: 3},
	}
	var photos []match.Photo
	var links []match.Link
	for i, name := range awkward {
		photos = append(photos, match.Photo{Name: name, Tag: tagAt(float64(i*i), 3)})
		links = append(links, match.Link{Photo: name, Point: points[i%2].ID, Line: i + 2})
	}
	links = append(links, match.Link{Photo: "<gone>&.jpg", Point: "=1+1", Line: 60})
	res, err := match.Check(context.Background(), plane{unit}, points, links, match.All(photos), match.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// results are the jobs that every format is tried on.
func results(t *testing.T) map[string]*match.Result {
	t.Helper()
	empty, err := match.Check(context.Background(), plane{grid.Metre}, nil, nil, match.All(nil), match.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return map[string]*match.Result{"job": job(t, grid.Metre), "job in feet": job(t, grid.USSurveyFoot), "hostile": hostile(t, grid.Metre), "empty": empty}
}

func located(t *testing.T, r *match.Result) *match.Located {
	t.Helper()
	at, err := match.Locate(context.Background(), plane{r.Grid.Unit}, r, match.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// outcome is the findings of a job with two of them accepted, one acceptance run
// out and one of no use.
func outcome(r *match.Result) baseline.Outcome {
	findings := append(r.Findings(), match.Finding{Code: match.FindingFar, Severity: match.SeverityWarning, Message: "the points are far", Remedy: "look"},
		match.Finding{Code: "x-of-tomorrow", Severity: match.SeverityNote, Message: "a kind that is not listed", Remedy: "list it"})
	b := baseline.Baseline{Entries: []baseline.Entry{{Code: "tag-gross", Photo: "photos/not here.jpg", Reason: "r", Expires: baseline.Date{Year: 2030, Month: 1, Day: 1}, Line: 4}}}
	for i, f := range findings {
		if i < 3 {
			e := baseline.Entry{Code: f.Code, Photo: f.Photo, Point: f.Point, Reason: "seen [by eye](http://x.invalid) </b> {1}", By: "office", Expires: baseline.Date{Year: 2025 + min(i, 1), Month: 12, Day: 31}}
			b.Entries = append(b.Entries, e)
		}
	}
	return b.Apply(findings, baseline.Date{Year: 2026, Month: 6, Day: 1})
}

var files = Files{Root: "deliveries/quay", Points: "points.csv", Links: "links & more.csv", Settings: "phototie.toml", Baseline: "accepted.toml"}

// formats writes a job in every format.
var formats = map[string]func(*bytes.Buffer, *testing.T, *match.Result) error{
	"geojson": func(b *bytes.Buffer, t *testing.T, r *match.Result) error { return GeoJSON(b, "job", r, located(t, r)) },
	"kml":     func(b *bytes.Buffer, t *testing.T, r *match.Result) error { return KML(b, "job", r, located(t, r)) },
	"sarif": func(b *bytes.Buffer, t *testing.T, r *match.Result) error {
		return SARIF(b, "job", "v1.2.3", r, outcome(r), files)
	},
	"junit": func(b *bytes.Buffer, t *testing.T, r *match.Result) error {
		return JUnit(b, "job", r, outcome(r), match.SeverityWarning)
	},
	"gpkg": func(b *bytes.Buffer, t *testing.T, r *match.Result) error {
		return GeoPackage(context.Background(), b, r, GeoPackageOptions{Time: time.Unix(1.7e9, 0)})
	},
	"json": func(b *bytes.Buffer, t *testing.T, r *match.Result) error {
		return Document(b, NewCheck("job", r, outcome(r)))
	},
	"summary": func(b *bytes.Buffer, t *testing.T, r *match.Result) error {
		return Summary(b, r, outcome(r), SummaryOptions{Title: "job", FailOn: match.SeverityError, Baseline: "b"})
	},
}

// The same job gives the same bytes.
func TestFormatsAreReproducible(t *testing.T) {
	for kind, r := range results(t) {
		for name, f := range formats {
			var a, b bytes.Buffer
			if err := errors.Join(f(&a, t, r), f(&b, t, r)); err != nil {
				t.Errorf("%s of %s: %v", name, kind, err)
			}
			if !bytes.Equal(a.Bytes(), b.Bytes()) || a.Len() == 0 {
				t.Errorf("%s of %s: %d and %d bytes, not the same", name, kind, a.Len(), b.Len())
			}
		}
	}
}

func TestFormatsTellErrorsOfWriting(t *testing.T) {
	r := job(t, grid.Metre)
	at := located(t, r)
	o := outcome(r)
	for name, err := range map[string]error{
		"geojson": GeoJSON(&brokenWriter{}, "x", r, at), "geojson, later": GeoJSON(&brokenWriter{3}, "x", r, at),
		"kml": KML(&brokenWriter{}, "x", r, at), "kml, later": KML(&brokenWriter{1}, "x", r, at),
		"junit": JUnit(&brokenWriter{}, "x", r, o, ""), "junit, later": JUnit(&brokenWriter{1}, "x", r, o, ""),
		"sarif":   SARIF(&brokenWriter{}, "x", "", r, o, Files{}),
		"gpkg":    GeoPackage(context.Background(), &brokenWriter{}, r, GeoPackageOptions{}),
		"summary": Summary(&brokenWriter{4}, r, o, SummaryOptions{}),
	} {
		if err == nil {
			t.Errorf("%s: an error of writing went unnoticed", name)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := GeoPackage(ctx, &bytes.Buffer{}, r, GeoPackageOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// readable is a name as a text in JSON can hold it.
func readable(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

// feature is what another reader makes of a feature.
type feature map[string]string

// features reads a layer with GDAL: the attributes by name, the geometry as WKT.
func features(t *testing.T, file string, layer ...string) []feature {
	t.Helper()
	args := append([]string{"-f", "CSV", "/vsistdout/", file}, layer...)
	rows, err := csv.NewReader(strings.NewReader(output(t, "ogr2ogr", append(args, "-lco", "GEOMETRY=AS_WKT", "-unsetFid")...))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []feature
	if len(rows) == 0 {
		return nil
	}
	for _, row := range rows[1:] {
		f := feature{}
		for i, h := range rows[0] {
			if i < len(row) {
				f[h] = row[i]
			}
		}
		out = append(out, f)
	}
	return out
}

// coordinates are the numbers of a WKT geometry.
func coordinates(t *testing.T, wkt string) []float64 {
	t.Helper()
	var out []float64
	for _, s := range strings.FieldsFunc(wkt[strings.IndexByte(wkt, '(')+1:], func(r rune) bool { return strings.ContainsRune(" ,()", r) }) {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatalf("%q: %v", wkt, err)
		}
		out = append(out, v)
	}
	return out
}

// near fails where a geometry is not the one wanted, to a tolerance.
func near(t *testing.T, what, wkt, kind string, tolerance float64, want ...float64) {
	t.Helper()
	if !strings.HasPrefix(wkt, kind) {
		t.Errorf("%s: geometry %q, want a %s", what, wkt, kind)
		return
	}
	got := coordinates(t, wkt)
	if strings.Contains(wkt, " Z") { // KML has heights, 0 here
		got = slices.DeleteFunc(got, func(v float64) bool { return v == 0 })
	}
	if len(got) != len(want) {
		t.Errorf("%s: %q, want %v", what, wkt, want)
		return
	}
	for i := range want {
		if math.Abs(got[i]-want[i]) > tolerance {
			t.Errorf("%s: %q, want %v", what, wkt, want)
			return
		}
	}
}

// GDAL finds every point, photo and vector where it is.
func TestGeoJSONReadByGDAL(t *testing.T) {
	for kind, r := range results(t) {
		at := located(t, r)
		var b bytes.Buffer
		if err := GeoJSON(&b, kind, r, at); err != nil {
			t.Fatal(err)
		}
		if kind == "empty" {
			var doc struct {
				Type     string
				Features []any
			}
			if err := json.Unmarshal(b.Bytes(), &doc); err != nil || doc.Type != "FeatureCollection" || doc.Features == nil || len(doc.Features) != 0 {
				t.Errorf("an empty job: %v\n%s", err, b.String())
			}
			continue
		}
		fs := features(t, write(t, "x.geojson", b.Bytes()))
		vs := vectors(r)
		if len(fs) != len(r.Points)+len(r.Photos)+len(vs) {
			t.Fatalf("%s: %d features for %d points, %d photos, %d vectors", kind, len(fs), len(r.Points), len(r.Photos), len(vs))
		}
		for i, p := range r.Points {
			f := fs[i]
			near(t, "point "+p.ID, f["WKT"], "POINT", 1e-9, at.Points[i].Lon, at.Points[i].Lat)
			if f["kind"] != "point" || f["point"] != p.ID || f["description"] != p.Desc {
				t.Errorf("%s: point %q comes back as %v", kind, p.ID, f)
			}
		}
		for i := range r.Photos {
			p, f := &r.Photos[i], fs[len(r.Points)+i]
			if f["kind"] != "tag" || f["verdict"] != string(p.Verdict) || f["reason"] != string(p.Reason) {
				t.Errorf("%s: photo %q comes back as %v", kind, p.Name, f)
			}
			// A zero byte ends a string for GDAL.
			if want := readable(p.Name); !strings.Contains(want, "\x00") && f["photo"] != want {
				t.Errorf("%s: photo %q comes back as %q", kind, want, f["photo"])
			}
			if p.OnGrid == nil || p.Reason == match.ReasonBallpark {
				if f["WKT"] != "" {
					t.Errorf("%s: photo %q has no place, and is at %s", kind, p.Name, f["WKT"])
				}
				continue
			}
			near(t, "tag of "+p.Name, f["WKT"], "POINT", 1e-9, at.Tags[i].Lon, at.Tags[i].Lat)
			near(t, "tag of "+p.Name+" as written", f["WKT"], "POINT", 2e-9, p.Tag.Position.Lon, p.Tag.Position.Lat)
		}
		for i, v := range vs {
			f := fs[len(r.Points)+len(r.Photos)+i]
			near(t, "vector", f["WKT"], "LINESTRING", 1e-9, at.Points[v.point].Lon, at.Points[v.point].Lat, at.Tags[v.photo].Lon, at.Tags[v.photo].Lat)
			if d, err := strconv.ParseFloat(f["distance"], 64); err != nil || math.Abs(d-r.Photos[v.photo].Discrepancy.Distance) > 1e-4 {
				t.Errorf("distance %q, want %v", f["distance"], r.Photos[v.photo].Discrepancy.Distance)
			}
		}
	}
}

// Feature ids are unique, and numbers are such as JSON has.
func TestGeoJSONMembers(t *testing.T) {
	r := hostile(t, grid.Metre)
	var b bytes.Buffer
	if err := GeoJSON(&b, "<job>", r, located(t, r)); err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Type, Format, Dataset string
		Version               int
		Grid                  grid.Grid
		Features              []struct {
			ID         string
			Type       string
			Properties map[string]any
		}
	}
	if err := json.Unmarshal(b.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	if doc.Format != GeoJSONFormat || doc.Version != 1 || doc.Dataset != "<job>" || doc.Grid.Unit != grid.Metre {
		t.Errorf("%+v", doc)
	}
	ids := map[string]bool{}
	for _, f := range doc.Features {
		if ids[f.ID] || f.Type != "Feature" || f.Properties == nil {
			t.Errorf("feature %q: %+v", f.ID, f)
		}
		ids[f.ID] = true
	}
}

func TestSplit(t *testing.T) {
	for _, c := range []struct {
		from, to grid.LatLon
		want     string
	}{
		{grid.LatLon{Lat: 1, Lon: -6}, grid.LatLon{Lat: 2, Lon: 6}, `{"type":"LineString","coordinates":[[-6,1],[6,2]]}`},
		{grid.LatLon{Lat: 10, Lon: 170}, grid.LatLon{Lat: 20, Lon: -170}, `{"type":"MultiLineString","coordinates":[[[170,10],[180,15]],[[-180,15],[-170,20]]]}`},
		{grid.LatLon{Lat: 10, Lon: -179}, grid.LatLon{Lat: 14, Lon: 178}, `{"type":"MultiLineString","coordinates":[[[-179,10],[-180,11.333333333]],[[180,11.333333333],[178,14]]]}`},
		{grid.LatLon{Lat: 1, Lon: 180}, grid.LatLon{Lat: 1, Lon: -180}, `{"type":"MultiLineString","coordinates":[[[180,1],[180,1]],[[-180,1],[-180,1]]]}`},
		{grid.LatLon{Lat: math.NaN(), Lon: math.NaN()}, grid.LatLon{}, `null`},
	} {
		text, err := marshal(line(c.from, c.to))
		if err != nil || string(text) != c.want {
			t.Errorf("%s %v, want %s", text, err, c.want)
		}
	}
}

// The schema of OASIS as a published module carries it for its own tests.
const (
	sarifModule     = "github.com/securego/gosec/v2@v2.30.0"
	sarifSchemaFile = "report/sarif/testdata/sarif-schema-2.1.0.json"
)

func sarifSchemaOf(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(moduleFile(t, sarifModule, sarifSchemaFile)))
	if err != nil {
		t.Fatal(err)
	}
	if id := doc.(map[string]any)["id"]; id != sarifSchema {
		t.Errorf("the schema is %v, and the documents name %s", id, sarifSchema)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("mem:///sarif.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("mem:///sarif.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestSARIFFollowsTheSchema(t *testing.T) {
	s := sarifSchemaOf(t)
	for kind, r := range results(t) {
		for _, f := range []Files{files, {}} {
			var b bytes.Buffer
			if err := SARIF(&b, kind, "v1", r, outcome(r), f); err != nil {
				t.Fatal(err)
			}
			if err := validate(t, s, b.Bytes()); err != nil {
				t.Errorf("%s: %v", kind, err)
			}
			// The check can fail.
			if bad := bytes.Replace(b.Bytes(), []byte(`"level": "`), []byte(`"level": "very `), 1); validate(t, s, bad) == nil {
				t.Error("a level that there isn't was let through")
			}
			if bad := bytes.Replace(b.Bytes(), []byte(`"results"`), []byte(`"resultz"`), 1); validate(t, s, bad) == nil {
				t.Error("a property that there isn't was let through")
			}
		}
	}
}

// sarifLog is what the tests read of SARIF; encoding/json takes names in any case.
type sarifLog struct {
	Runs []struct {
		Tool struct {
			Driver struct{ Rules []struct{ ID string } }
		}
		Results []struct {
			RuleID       string
			RuleIndex    int
			Level        string
			Message      struct{ Text string }
			Locations    []sarifLocation
			Related      []sarifLocation   `json:"relatedLocations"`
			Fingerprints map[string]string `json:"partialFingerprints"`
			Suppressions *[]struct{ Kind string }
		}
	}
}

type sarifLocation struct {
	Physical *struct {
		Artifact struct{ URI string } `json:"artifactLocation"`
		Region   *struct{ StartLine int }
	} `json:"physicalLocation"`
}

// What the schema can't say: indices, places, fingerprints, suppressions.
func TestSARIFSays(t *testing.T) {
	for kind, r := range results(t) {
		o := outcome(r)
		var b bytes.Buffer
		if err := SARIF(&b, kind, "v1", r, o, files); err != nil {
			t.Fatal(err)
		}
		var doc sarifLog
		if err := json.Unmarshal(b.Bytes(), &doc); err != nil {
			t.Fatal(err)
		}
		run := doc.Runs[0]
		if len(run.Results) != len(o.Kept)+len(o.Accepted) {
			t.Fatalf("%s: %d results for %d and %d findings", kind, len(run.Results), len(o.Kept), len(o.Accepted))
		}
		prints := map[string]bool{}
		photos := map[string]bool{}
		for _, p := range r.Photos {
			photos[p.Name] = true
		}
		for i, res := range run.Results {
			var f match.Finding
			if i < len(o.Kept) {
				f = o.Kept[i]
			} else {
				f = o.Accepted[i-len(o.Kept)].Finding
			}
			if res.RuleID != string(f.Code) || run.Tool.Driver.Rules[res.RuleIndex].ID != res.RuleID || res.Level != string(f.Severity) {
				t.Errorf("%s: %+v for %+v", kind, res, f)
			}
			print := res.Fingerprints["phototieFinding/v1"]
			if len(print) != 32 || prints[print] {
				t.Errorf("%s: fingerprint %q of %+v", kind, print, f)
			}
			prints[print] = true
			if strings.Contains(res.Message.Text, "](") && !strings.Contains(res.Message.Text, `\](`) {
				t.Errorf("a message with a link in it: %q", res.Message.Text)
			}
			if (res.Suppressions != nil) != (len(o.Accepted) > 0) || res.Suppressions != nil && (len(*res.Suppressions) == 1) != (i >= len(o.Kept)) {
				t.Errorf("%s: suppressions %v of result %d", kind, res.Suppressions, i)
			}
			// Where it is.
			if len(res.Locations) != 1 || f.Photo+f.Point != "" && res.Locations[0].Physical == nil {
				t.Errorf("%s: %+v is nowhere", kind, f)
				continue
			}
			place := ""
			if p := res.Locations[0].Physical; p != nil {
				u, err := url.Parse(p.Artifact.URI)
				if err != nil || u.IsAbs() || u.Host != "" || u.RawQuery != "" || u.Fragment != "" {
					t.Errorf("%s: URI %q: %v", kind, p.Artifact.URI, err)
					continue
				}
				place = u.Path
				if p.Region != nil {
					place += fmt.Sprintf(":%d", p.Region.StartLine)
				}
			}
			var want string
			switch {
			case f.Code == match.FindingUnusedAcceptance:
				want = "accepted.toml:4"
			case photos[f.Photo]:
				// Dots of a path that goes up are part of names here.
				want = "deliveries/quay/" + f.Photo
				if f.Line > 0 {
					u := url.URL{Path: want}
					if len(res.Related) != 1 || res.Related[0].Physical.Artifact.URI != u.String() {
						t.Errorf("%s: related to %+v, want the photo %s", kind, res.Related, want)
					}
					want = fmt.Sprintf("deliveries/quay/links & more.csv:%d", f.Line)
				}
			case f.Photo != "":
				want = fmt.Sprintf("deliveries/quay/links & more.csv:%d", f.Line)
			case f.Point != "":
				want = fmt.Sprintf("deliveries/quay/points.csv:%d", f.Line)
			default:
				want = "deliveries/quay/phototie.toml"
			}
			if place != want {
				t.Errorf("%s: %s is at %q, want %q", kind, f.Code, place, want)
			}
		}
	}
}

// The rules are all kinds of finding, and behind them what else occurs.
func TestRules(t *testing.T) {
	got := rulesFor([]match.Finding{{Code: "z"}, {Code: "a"}, {Code: "z"}, {Code: match.FindingGross}})
	if n := len(match.FindingKinds()); len(got) != n+2 || got[n].Code != "a" || got[n+1].Code != "z" {
		t.Errorf("%d rules, want two more than %d", len(got), n)
	}
	if got := pascal("link-photo-unknown"); got != "LinkPhotoUnknown" {
		t.Errorf("pascal: %q", got)
	}
}

func TestMessage(t *testing.T) {
	for _, c := range []struct{ s, want string }{
		{"plain [frame.datums] words", "plain [frame.datums] words"},
		{"see [it](http://x)", `see \[it\](http://x)`},
		{"{0}", "{{0}}"},
		{"a\nb", `a\nb`},
	} {
		if got := message(c.s); got != c.want {
			t.Errorf("message(%q) = %q, want %q", c.s, got, c.want)
		}
	}
}

// The counts of a JUnit document are right, every photo is a case, and cases
// fail just as the gate does.
func TestJUnit(t *testing.T) {
	for kind, r := range results(t) {
		for _, failOn := range []match.Severity{"", match.SeverityError, match.SeverityWarning, match.SeverityNote} {
			o := outcome(r)
			var b bytes.Buffer
			if err := JUnit(&b, kind, r, o, failOn); err != nil {
				t.Fatal(err)
			}
			var doc junitDoc
			if err := xml.Unmarshal(b.Bytes(), &doc); err != nil {
				t.Fatal(err)
			}
			cases, failures := 0, 0
			names := map[string]int{}
			for _, s := range doc.Suites {
				failed, skipped := 0, 0
				for _, c := range s.Cases {
					if strings.HasPrefix(s.Name, "photos ") {
						names[c.Name]++
					}
					if c.Failure != nil {
						failed++
						if c.Failure.Message == "" || c.Failure.Text == "" || c.Failure.Type == "" || c.Skipped != nil {
							t.Errorf("%s: %+v", kind, c)
						}
					}
					if c.Skipped != nil {
						skipped++
					}
					if s.Name == "photos unjudged" && c.Failure == nil && c.Skipped == nil {
						t.Errorf("%s: an unjudged photo passes: %+v", kind, c)
					}
				}
				if s.Tests != len(s.Cases) || s.Failures != failed || s.Skipped != skipped {
					t.Errorf("%s: suite %s counts %d, %d, %d for %d cases, %d failures, %d skipped", kind, s.Name, s.Tests, s.Failures, s.Skipped, len(s.Cases), failed, skipped)
				}
				cases += s.Tests
				failures += s.Failures
			}
			if doc.Tests != cases || doc.Failures != failures {
				t.Errorf("%s: %d tests, %d failures; counted %d, %d", kind, doc.Tests, doc.Failures, cases, failures)
			}
			for _, p := range r.Photos {
				if names[words.Safe(p.Name)] != 1 {
					t.Errorf("%s: photo %q is %d cases", kind, p.Name, names[words.Safe(p.Name)])
				}
			}
			fails := failOn != "" && slices.ContainsFunc(o.Kept, func(f match.Finding) bool { return f.Severity.AtLeast(failOn) })
			if fails != (failures > 0) {
				t.Errorf("%s, failing on %q: %d failures where the gate fails: %v", kind, failOn, failures, fails)
			}
		}
	}
}

func TestXMLIsWellFormed(t *testing.T) {
	for kind, r := range results(t) {
		for _, name := range []string{"junit", "kml"} {
			var b bytes.Buffer
			if err := formats[name](&b, t, r); err != nil {
				t.Fatal(err)
			}
			output(t, "xmllint", "--noout", "--nonet", write(t, "x.xml", b.Bytes()))
			if strings.Contains(b.String(), "<script>") || strings.Contains(b.String(), "<b>") {
				t.Errorf("%s of %s lets markup through", name, kind)
			}
		}
	}
}

// kmlModule is a Go library for KML that carries the schema of the OGC.
const kmlModule = "github.com/twpayne/go-kml/v3@v3.2.1"

// The KML follows the schema of OGC 07-147r2. The two schemas that it imports,
// for authors and addresses, are stood in for, since no file here uses them.
func TestKMLFollowsTheSchema(t *testing.T) {
	dir := t.TempDir()
	put := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	xsd := string(moduleFile(t, kmlModule, "xsd/ogckml22.xsd"))
	cut := func(from, to string) string {
		i := strings.Index(xsd, from)
		if i < 0 {
			t.Fatalf("the schema has no %q", from)
		}
		rest := xsd[i+len(from):]
		return rest[:strings.Index(rest, to)]
	}
	for _, c := range []struct{ space, file, elements string }{
		{"http://www.w3.org/2005/Atom", "atom.xsd", `<element name="author"/><element name="link"/>`},
		{"urn:oasis:names:tc:ciq:xsdschema:xAL:2.0", "xal.xsd", `<element name="AddressDetails"/>`},
	} {
		put(c.file, `<schema xmlns="http://www.w3.org/2001/XMLSchema" targetNamespace="`+c.space+`">`+c.elements+`</schema>`)
		tag := cut(`<import namespace="`+c.space+`"`, `>`)
		location := tag[strings.Index(tag, `"`)+1 : strings.LastIndex(tag, `"`)]
		xsd = strings.Replace(xsd, location, c.file, 1)
	}
	put("kml.xsd", xsd)
	for kind, r := range results(t) {
		var b bytes.Buffer
		if err := KML(&b, kind, r, located(t, r)); err != nil {
			t.Fatal(err)
		}
		lint := func(text []byte) ([]byte, error) {
			return exec.Command(tool(t, "xmllint"), "--noout", "--nonet", "--schema", filepath.Join(dir, "kml.xsd"), write(t, "x.kml", text)).CombinedOutput()
		}
		if out, err := lint(b.Bytes()); err != nil {
			t.Errorf("%s: %v\n%.2000s", kind, err, out)
		}
		if _, err := lint(bytes.Replace(b.Bytes(), []byte("<open>1</open>"), []byte("<opened>1</opened>"), 1)); err == nil {
			t.Error("an element that there isn't was let through")
		}
	}
}

func TestKMLReadByGDAL(t *testing.T) {
	for kind, r := range results(t) {
		if kind == "empty" {
			continue
		}
		at := located(t, r)
		var b bytes.Buffer
		if err := KML(&b, kind, r, at); err != nil {
			t.Fatal(err)
		}
		file := write(t, "x.kml", b.Bytes())
		points := features(t, file, "points")
		if len(points) != len(r.Points) {
			t.Fatalf("%s: %d points, want %d", kind, len(points), len(r.Points))
		}
		for i, f := range points {
			near(t, kind+" "+r.Points[i].ID, f["WKT"], "POINT", 1e-9, at.Points[i].Lon, at.Points[i].Lat)
			if f["Name"] != words.Safe(r.Points[i].ID) || strings.ContainsAny(f["Description"], "<>") {
				t.Errorf("%s: %v", kind, f)
			}
		}
		tags := features(t, file, "tags")
		if len(tags) != len(r.Photos) {
			t.Fatalf("%s: %d photos, want %d", kind, len(tags), len(r.Photos))
		}
		for i, f := range tags {
			p := &r.Photos[i]
			if f["Name"] != palette.Of[p.Verdict].Mark+" "+words.Safe(p.Name) || strings.ContainsAny(f["Description"], "<>") {
				t.Errorf("%s: %v", kind, f)
			}
			if at.Tags[i].Valid() {
				near(t, p.Name, f["WKT"], "POINT", 1e-9, at.Tags[i].Lon, at.Tags[i].Lat)
			} else if f["WKT"] != "" {
				t.Errorf("%s: %s is at %s", kind, p.Name, f["WKT"])
			}
		}
		if n := len(features(t, file, "vectors")); n != len(vectors(r)) {
			t.Errorf("%s: %d vectors, want %d", kind, n, len(vectors(r)))
		}
	}
}

// A summary is short whatever there is to say, and ends with the result.
func TestSummary(t *testing.T) {
	for kind, r := range results(t) {
		o := outcome(r)
		for i := range 30 {
			o.Kept = append(o.Kept, match.Finding{Code: match.FindingCode(fmt.Sprintf("made-up-kind-%d", i)), Severity: match.SeverityWarning, Photo: nasty, Message: "m"})
		}
		for _, o := range []baseline.Outcome{o, outcome(r), {}} {
			for _, failOn := range []match.Severity{"", match.SeverityError, match.SeverityNote} {
				var b bytes.Buffer
				if err := Summary(&b, r, o, SummaryOptions{Title: nasty, FailOn: failOn, Baseline: "accepted.toml"}); err != nil {
					t.Fatal(err)
				}
				lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
				if len(lines) > SummaryLines {
					t.Errorf("%s: %d lines\n%s", kind, len(lines), b.String())
				}
				for _, l := range lines {
					if uniseg.StringWidth(l) > Width {
						t.Errorf("%s: %d columns: %s", kind, uniseg.StringWidth(l), l)
					}
				}
				fails := failOn != "" && slices.ContainsFunc(o.Kept, func(f match.Finding) bool { return f.Severity.AtLeast(failOn) })
				last := lines[len(lines)-1]
				if want := map[bool]string{true: "FAILED: ", false: "PASSED: "}[fails]; failOn != "" && !strings.HasPrefix(last, want) || failOn == "" && !strings.HasPrefix(last, "not gated") {
					t.Errorf("%s, failing on %q: the last line is %q", kind, failOn, last)
				}
			}
		}
	}
}

// The text leaves out what is accepted, and says so.
func TestTextWithBaseline(t *testing.T) {
	r := job(t, grid.Metre)
	o := outcome(r)
	var b bytes.Buffer
	if err := Text(&b, r, TextOptions{Outcome: &o, All: true}); err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(b.String()), " ")
	for _, want := range []string{"Accepted (2 findings, 1 entry run out) accepted tag-conflict photos/ok01.jpg A: seen [by eye]", "{1} (office, until 2026-12-31)",
		"run out tag-conflict photos/ok00.jpg A: seen", "; accepted until 2025-12-31 (seen"} {
		if !strings.Contains(text, want) {
			t.Errorf("the text does not say %q:\n%s", want, b.String())
		}
	}
	for _, l := range strings.Split(b.String(), "\n") {
		if uniseg.StringWidth(l) > Width {
			t.Errorf("%d columns: %s", uniseg.StringWidth(l), l)
		}
	}
}

// A JSON document with a baseline follows its schema too.
func TestCheckJSONWithBaseline(t *testing.T) {
	r := job(t, grid.Metre)
	o := outcome(r)
	var b bytes.Buffer
	if err := Document(&b, NewCheck("job", r, o)); err != nil {
		t.Fatal(err)
	}
	if err := validate(t, strict(t, "check-1.json"), b.Bytes()); err != nil {
		t.Error(err)
	}
	var doc struct {
		Accepted []struct {
			Code     string
			Accepted struct{ Reason, Expires string }
		}
	}
	if err := json.Unmarshal(b.Bytes(), &doc); err != nil || len(doc.Accepted) != len(o.Accepted) || doc.Accepted[0].Accepted.Expires != o.Accepted[0].Entry.Expires.String() {
		t.Errorf("%+v %v", doc, err)
	}
}

// Whatever photos and points are called, XML and JSON stay well-formed and keep
// each to its place, and a URI leads to the name it was made of.
func TestNamesProperty(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		name := rapid.OneOf(rapid.String(), rapid.Map(rapid.SliceOf(rapid.Byte()), func(b []byte) string { return string(b) }), rapid.SampledFrom(awkward))
		photo, point := "photos/"+name.Draw(rt, "photo")+".jpg", "P"+strings.TrimSpace(name.Draw(rt, "point"))
		photos := []match.Photo{{Name: photo, Tag: tagAt(50, 0)}}
		res, err := match.Check(context.Background(), plane{grid.Metre}, []match.Point{{ID: point}}, []match.Link{{Photo: photo, Point: point, Line: 2}}, match.All(photos), match.Options{})
		if err != nil {
			rt.Skip(err) // an id with spaces around it
		}
		o := baseline.Without(res.Findings())
		at := located(t, res)
		var geo, kml, junit, sarif bytes.Buffer
		if err := errors.Join(GeoJSON(&geo, name.Draw(rt, "dataset"), res, at), KML(&kml, photo, res, at), JUnit(&junit, photo, res, o, match.SeverityNote), SARIF(&sarif, photo, "", res, o, files)); err != nil {
			rt.Fatal(err)
		}
		var k kmlDoc
		var j junitDoc
		var s sarifLog
		if err := errors.Join(xml.Unmarshal(kml.Bytes(), &k), xml.Unmarshal(junit.Bytes(), &j), json.Unmarshal(sarif.Bytes(), &s)); err != nil {
			rt.Fatal(err)
		}
		if !json.Valid(geo.Bytes()) || bytes.Count(geo.Bytes(), []byte("\n")) != 5 {
			rt.Errorf("GeoJSON:\n%s", geo.String())
		}
		if f := k.Document.Folders; len(f) != 3 || len(f[1].Placemarks) != 1 || f[1].Placemarks[0].Name != palette.Of[res.Photos[0].Verdict].Mark+" "+words.Safe(photo) {
			rt.Errorf("KML: %+v", f)
		}
		if j.Tests != 2 {
			rt.Errorf("JUnit: %d tests", j.Tests)
		}
		for _, r := range s.Runs[0].Results {
			u, err := url.Parse(r.Related[0].Physical.Artifact.URI)
			if err != nil || u.Path != "deliveries/quay/"+photo || u.RawQuery != "" || u.Fragment != "" || u.IsAbs() {
				rt.Errorf("URI %q of %q: %v", r.Related[0].Physical.Artifact.URI, photo, err)
			}
		}
	})
}
