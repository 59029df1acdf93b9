package report

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rivo/uniseg"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/ledger"
	"example.com/phototie/geotag/pixels"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/pictures"
)

// plane is a projection for tests: a tangent plane, in a unit of one's choice,
// with an ellipsoidal part.
type plane struct{ unit grid.Unit }

const (
	lat0, lon0 = 52.19, -6.68
	perDegree  = 111194.9266
)

var cos0 = math.Cos(lat0 * math.Pi / 180)

func (p plane) Grid() grid.Grid {
	return grid.Grid{Name: "Test plane", Code: "TEST:1", Unit: p.unit, Ellipsoid: grid.Ellipsoid{Name: "sphere", SemiMajor: 6371008.8}, Frame: "test"}
}

func (p plane) ToGrid(_ context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	accuracy := 0.1
	op := &grid.Operation{Name: "tangent plane", Source: "WGS 84", Accuracy: &accuracy}
	out := make([]grid.Placement, len(fixes))
	for i, f := range fixes {
		switch f.Datum {
		case "NOWHERE":
			out[i].Err = &grid.UnknownDatumError{Datum: f.Datum}
			continue
		case "BALLPARK":
			out[i].Op = &grid.Operation{Name: "ballpark", Source: "BALLPARK", Ballpark: true, Notes: []string{"install the grid xyz.tif"}}
		default:
			out[i].Op = op
		}
		out[i].E = (f.Lon - lon0) * perDegree * cos0 / p.unit.Metres
		out[i].N = (f.Lat - lat0) * perDegree / p.unit.Metres
	}
	return out, nil
}

func (p plane) FromGrid(_ context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	out := make([]grid.FixPlacement, len(at))
	for i, a := range at {
		out[i].Frame = frames[i]
		out[i].Lat = lat0 + a.N*p.unit.Metres/perDegree
		out[i].Lon = lon0 + a.E*p.unit.Metres/perDegree/cos0
		out[i].Op = &grid.Operation{Name: "tangent plane", Source: "WGS 84"}
	}
	return out, nil
}

// tagAt is a tag at a place of the plane, in metres.
func tagAt(e, n float64) *geotag.Tag {
	when := time.Date(2026, 5, 20, 8, 0, 0, 0, time.UTC)
	stated, dop, dist := 2.8, 1.2, 2.5
	pos := geotag.Position{Lat: lat0 + n/perDegree, Lon: lon0 + e/perDegree/cos0, Step: 2.8e-7, Source: "exif"}
	return &geotag.Tag{
		Container: "jpeg", Position: &pos, XMPPosition: &pos, HPositioningError: &stated, DOP: &dop, MeasureMode: 3, Status: "A",
		Altitude: &geotag.Altitude{Metres: 3, Ref: geotag.AltitudeAmbiguous}, MapDatum: "WGS-84", ProcessingMethod: "GPS",
		Direction: &geotag.Direction{Degrees: 12, Magnetic: true}, SubjectDistance: &dist,
		Destination: &geotag.Destination{Position: &pos, Bearing: &geotag.Direction{Degrees: 5}, Distance: &dist},
		GPSTime:     &when, Taken: &geotag.Taken{Time: when, HasOffset: true}, Make: "M", Model: "N", Serial: "1", Software: "s", ExifVersion: "0232",
		Width: 4, Height: 3, Orientation: 1,
		Texts:    geotag.Texts{ImageDescription: "A", UserComment: "c", Keywords: []string{"k"}, Title: "t", Subject: "s", Comment: "x"},
		Warnings: []geotag.Warning{{Code: geotag.WarnConflict, Field: "GPSLatitude", Detail: "3 m apart"}},
	}
}

// nasty are names and ids as they come.
const nasty = "photos/=cmd|' /C calc'!A0\n写真 café 🏗️ a very long file name that no column of a table will ever hold in one piece.jpg"

// job is a checked job that has every verdict, reason and kind of finding.
func job(t *testing.T, unit grid.Unit) *match.Result {
	t.Helper()
	h := 12.5
	points := []match.Point{
		{ID: "A", EN: grid.EN{E: 0, N: 0}, Height: &h, Code: "BOL", Desc: "bollard", Observed: time.Unix(1.7e9, 0).UTC(), Cov: &[3]float64{1e-4, 1e-5, 2e-4}, Line: 2},
		{ID: "=B", EN: grid.EN{E: 40, N: 0}, Line: 3},
		{ID: "bare", EN: grid.EN{E: 400, N: 0}, Line: 4},
	}
	var photos []match.Photo
	var links []match.Link
	add := func(name, point string, tag *geotag.Tag, err error) {
		photos = append(photos, match.Photo{Name: name, Tag: tag, Err: err})
		if point != "" {
			links = append(links, match.Link{Photo: name, Point: point, Line: len(links) + 2})
		}
	}
	for i := range 25 {
		add(fmt.Sprintf("photos/ok%02d.jpg", i), "A", tagAt(2*math.Sin(float64(i)), 2*math.Cos(float64(i))), nil)
	}
	links[10].Photo = "photos/ok10-marked.jpg" // as picture calls it
	add("photos/over.jpg", "A", tagAt(6, 2), nil)
	add(nasty, "=B", tagAt(4000, 3000), nil)
	add("photos/unreadable.jpg", "A", nil, fmt.Errorf("jpeg: %w", geotag.ErrTruncated))
	add("photos/notag.jpg", "A", &geotag.Tag{Container: "jpeg"}, nil)
	add("photos/badtag.jpg", "A", &geotag.Tag{Container: "jpeg", Warnings: []geotag.Warning{{Code: geotag.WarnZeroDenominator, Field: "GPSLatitude", Detail: "0/0"}}}, nil)
	add("photos/untied.jpg", "", tagAt(1, 1), nil)
	add("photos/nopoint.jpg", "Z9", tagAt(1, 1), nil)
	add("photos/two.jpg", "A", tagAt(1, 1), nil)
	links = append(links, match.Link{Photo: "photos/two.jpg", Point: "=B", Line: 90}, match.Link{Photo: "photos/gone.jpg", Point: "A", Line: 91})
	datum := tagAt(1, 1)
	datum.MapDatum = "NOWHERE"
	add("photos/datum.jpg", "A", datum, nil)
	ball := tagAt(1, 1)
	ball.MapDatum = "BALLPARK"
	add("photos/ballpark.jpg", "A", ball, nil)
	far, coarse := tagAt(1, 1), 1400.0
	far.HPositioningError = &coarse
	add("photos/coarse.jpg", "A", far, nil)
	picture(photos)
	res, err := match.Check(context.Background(), plane{unit}, points, links, match.All(photos), match.Options{Requirements: &pictures.Requirements{
		PerCode: map[string]pictures.CodeRule{"BOL": {MinPhotos: 99, MinQuality: 70}, "none such": {}}}})
	if err != nil {
		t.Fatal(err)
	}
	reasons := map[match.Reason]bool{}
	for _, p := range res.Photos {
		reasons[p.Reason] = true
	}
	for _, r := range []match.Reason{match.ReasonUnreadable, match.ReasonNoTag, match.ReasonBadTag, match.ReasonNoTie, match.ReasonNoPoint, match.ReasonManyPoints, match.ReasonNoFrame, match.ReasonBallpark, match.ReasonCoarse} {
		if !reasons[r] {
			t.Errorf("the test's job has no photo for reason %q", r)
		}
		if words.Reason(string(r)) == string(r) {
			t.Errorf("no words for reason %q", r)
		}
	}
	codes := map[match.FindingCode]bool{}
	for _, f := range res.Findings() {
		codes[f.Code] = true
		if f.Message == "" || f.Remedy == "" || f.Severity == "" {
			t.Errorf("a finding without words: %+v", f)
		}
	}
	for _, c := range []match.FindingCode{match.FindingGross, match.FindingOver, match.FindingNoTag, match.FindingBadTag, match.FindingConflict,
		match.FindingUnreadable, match.FindingNoTie, match.FindingManyPoints, match.FindingNoPoint, match.FindingUnknownPhoto, match.FindingPointWithoutPhoto,
		match.FindingNoFrame, match.FindingBallpark, match.FindingCoarse,
		match.FindingUndecodable, match.FindingUnmeasured, match.FindingTooSmall, match.FindingLowQuality, match.FindingQualityUnknown,
		match.FindingBlurred, match.FindingClipped, match.FindingOrientation, match.FindingIdentical, match.FindingMarkupAlone,
		match.FindingTooFew, match.FindingUnusedRule} {
		if !codes[c] {
			t.Errorf("the test's job has no finding of the kind %s", c)
		}
	}
	return res
}

// picture measures photos: some of them are at fault in every way that one photo by
// itself can be.
func picture(photos []match.Photo) {
	for i := range photos {
		p := &photos[i]
		if p.Tag == nil {
			continue
		}
		blur, hash := 1.2, pixels.Hash(0x0123456789abcdef)
		m := &pixels.Measures{Width: 1600, Height: 1200, Orientation: 1, SHA256: pixels.Sum{byte(i), byte(i >> 8), 1}, Quality: &pixels.Quality{Low: 85, High: 85},
			Exposure: &pixels.Exposure{Black: 0.01, White: 0.02, Mean: 0.5}, Blur: &blur, Hash: &hash}
		p.Pixels = m
		switch i {
		case 1:
			m.Width, m.Height = 320, 240
		case 2:
			m.Quality = &pixels.Quality{Low: 20, High: 30}
		case 3:
			m.Quality = &pixels.Quality{Low: 60, High: 80}
		case 4:
			blur = 4
		case 5:
			m.Exposure.White = 0.8
		case 6:
			m.Orientation = 6
		case 7:
			m.SHA256 = pictures.Of(&photos[0]).SHA256
		case 8:
			*m = pixels.Measures{Width: 1600, Height: 1200, SHA256: m.SHA256, Undecoded: "the image is cut off"}
		case 9:
			p.Pixels, p.PixelsErr = nil, fmt.Errorf("another kind of image: %w", geotag.ErrFormat)
		case 10:
			p.Name = strings.Replace(p.Name, ".jpg", "-marked.jpg", 1)
		}
	}
}

func TestTextFitsAndTellsAll(t *testing.T) {
	for _, unit := range []grid.Unit{grid.Metre, grid.USSurveyFoot} {
		for _, all := range []bool{false, true} {
			var b bytes.Buffer
			res := job(t, unit)
			if err := Text(&b, res, TextOptions{Title: nasty, All: all, Next: []string{strings.Repeat("do this then that ", 12)}}); err != nil {
				t.Fatal(err)
			}
			for _, line := range strings.Split(b.String(), "\n") {
				// The title is the user's own and is not cut.
				if w := uniseg.StringWidth(line); w > Width && !strings.Contains(line, "calc") {
					t.Errorf("%d columns: %q", w, line)
				}
				if strings.TrimRight(line, " ") != line {
					t.Errorf("trailing blanks: %q", line)
				}
			}
			text := strings.Join(strings.Fields(b.String()), " ")
			wants := []string{"gross", "over", "unjudged", "within", "points without a photo (1): bare", "can't be read (1): ", "no position in it (1): ",
				"its position is unsound (1): ", "not in the links (1): ", "the point was not surveyed (1): ", "linked to several points (1): ",
				"its datum is not usable (1): ", "only a ballpark operation (1): ", "too coarse to judge (1): ", "gone.jpg", "A BALLPARK OPERATION, which may be hundreds of metres out",
				"pictures 34 measured, 2 not, 1 of them by the header alone", "error A: 2", "frame-ballpark: install the grid that is missing"}
			if all {
				wants = append(wants, "install the grid xyz.tif", "note the job: the JPEG quality of", "note the job: there is a rule",
					"320 x 240 to 1600 x 1200, JPEG quality 20 to 85, blur 1.2 to 4.0 px (median 1.2)",
					"required 1024 x 768 pixels, JPEG quality 50, blur up to 1.7 px, up to 40 % black or white; BOL 99 photos a point, JPEG quality 70; none such the same")
			}
			for _, want := range wants {
				if !strings.Contains(text, want) {
					t.Errorf("all=%v: the text does not say %q:\n%s", all, want, b.String())
				}
			}
			if got := strings.Contains(text, "ok07.jpg A within"); got != all {
				t.Errorf("all=%v: a photo within budget listed: %v", all, got)
			}
		}
	}
}

func TestShortListSaysWhatItLeavesOut(t *testing.T) {
	var photos []match.Photo
	for i := range 60 {
		photos = append(photos, match.Photo{Name: fmt.Sprintf("p%d.jpg", i), Tag: tagAt(0, 0)})
	}
	res, err := match.Check(context.Background(), plane{grid.Metre}, []match.Point{{ID: "A"}}, nil, match.All(photos), match.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := Text(&b, res, TextOptions{}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "not in the links (60): p0.jpg, p1.jpg and 58 more") || strings.Count(b.String(), "\n") > 20 {
		t.Errorf("60 untied photos:\n%s", b.String())
	}
}

func TestFit(t *testing.T) {
	for _, c := range []struct {
		s, want string
		w       int
		end     bool
	}{
		{"short", "short", 5, false}, {"shorter", "shor…", 5, false}, {"shorter", "…rter", 5, true},
		{"photos/day1/quay/QA0008.jpg", "…/quay/QA0008.jpg", 20, true},
		{"写真写真", "写…", 4, false}, {"e\u0301e\u0301e\u0301", "e\u0301…", 2, false},
	} {
		if got := fit(c.s, c.w, c.end); got != c.want || uniseg.StringWidth(got) > c.w {
			t.Errorf("fit(%q, %d, %v) = %q, want %q", c.s, c.w, c.end, got, c.want)
		}
	}
	for _, c := range []struct{ s, want string }{{"a b", "a b"}, {"a\nb", `a\nb`}, {"a\x1b[31m", `a\x1b[31m`}, {"bad\xff", `bad\xff`}, {"quote\"\n", `quote"\n`}, {"\u202eevil", `\u202eevil`}} {
		if got := words.Safe(c.s); got != c.want {
			t.Errorf("words.Safe(%q) = %q, want %q", c.s, got, c.want)
		}
	}
}

// A reader of CSV gets every photo back, and no cell that starts a formula.
func TestCSV(t *testing.T) {
	var b bytes.Buffer
	res := job(t, grid.Metre)
	if err := CSV(&b, res); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != len(res.Photos)+1 {
		t.Fatalf("%d rows for %d photos", len(rows)-1, len(res.Photos))
	}
	for i, row := range rows[1:] {
		if row[0] != Cell(res.Photos[i].Name) {
			t.Errorf("row %d is of %q, want %q", i, row[0], res.Photos[i].Name)
		}
		for k, cell := range row {
			head := rows[0][k]
			text := head == "photo" || head == "point" || head == "nearest" || head == "why"
			if text && cell != "" && strings.ContainsRune("=+-@\t\r", rune(cell[0])) {
				t.Errorf("row %d, %s: %q would be a formula", i, head, cell)
			}
		}
	}
	if got := rows[27][1]; got != "'=B" {
		t.Errorf("point id %q, want '=B", got)
	}
}

// strict compiles the schemas with every object closed to fields that it does
// not describe, so that a field that nobody documented fails the test.
func strict(t *testing.T, name string) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	err := fs.WalkDir(Schemas(), ".", func(p string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		text, err := fs.ReadFile(Schemas(), p)
		if err != nil {
			return err
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		if err != nil {
			return fmt.Errorf("%s: %w", p, err)
		}
		closeObjects(doc)
		return c.AddResource("mem:///"+p, doc) // not a file: the folder may have any name
	})
	if err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("mem:///" + name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func closeObjects(v any) {
	switch v := v.(type) {
	case map[string]any:
		if _, ok := v["properties"]; ok && v["type"] == "object" {
			v["additionalProperties"] = false
		}
		for _, x := range v {
			closeObjects(x)
		}
	case []any:
		for _, x := range v {
			closeObjects(x)
		}
	}
}

func validate(t *testing.T, s *jsonschema.Schema, text []byte) error {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return s.Validate(doc)
}

func TestDocumentsFollowTheirSchemas(t *testing.T) {
	res := job(t, grid.Metre)
	var check, compare, correct, restore, packed bytes.Buffer
	if err := Document(&check, NewCheck("job", res, baseline.Without(res.Findings()))); err != nil {
		t.Fatal(err)
	}
	if err := Print(&compare, FormatJSON, Compare{Grid: res.Grid, Photo: res.Photos[25]}); err != nil {
		t.Fatal(err)
	}
	corrections, err := match.Corrections(context.Background(), plane{grid.Metre}, res, match.Options{}, match.Policy{Only: match.Verdicts})
	if err != nil {
		t.Fatal(err)
	}
	doc := Correct{Dataset: "job", Into: "out", Position: "subject"}
	moved := 1.5
	for i, c := range corrections {
		doc.Changes = append(doc.Changes, dataset.Change{Correction: c, Outcome: dataset.Corrected, From: res.Photos[0].Tag.Position, Moved: &moved, Sidecar: "s.xmp", Grows: 5, Before: "a", After: "b", Notes: []string{"n"}})
		if c.Edit == nil {
			doc.Changes[i].Outcome = dataset.Left
		}
	}
	if err := Print(&correct, FormatJSON, doc); err != nil {
		t.Fatal(err)
	}
	if err := Print(&restore, FormatJSON, Restore{Dataset: "job", Photos: []ledger.Outcome{{Photo: "p", Status: ledger.Restored, Was: "a", Now: "b", First: "b", Steps: 1, Removed: true, Notes: []string{"n"}}}}); err != nil {
		t.Fatal(err)
	}
	if err := Print(&packed, FormatJSON, packing()); err != nil {
		t.Fatal(err)
	}
	for _, d := range []struct {
		schema string
		text   []byte
	}{{"pack-1.json", packed.Bytes()}, {"check-1.json", check.Bytes()}, {"compare-1.json", compare.Bytes()}, {"correct-1.json", correct.Bytes()}, {"restore-1.json", restore.Bytes()}} {
		if err := validate(t, strict(t, d.schema), d.text); err != nil {
			t.Errorf("%s: %v", d.schema, err)
		}
	}

	// The check itself can fail: a field that is not described, and one that is
	// missing.
	var m map[string]any
	if err := json.Unmarshal(check.Bytes(), &m); err != nil {
		t.Fatal(err)
	}
	m["photos"].([]any)[0].(map[string]any)["surprise"] = 1
	bad, _ := json.Marshal(m)
	if validate(t, strict(t, "check-1.json"), bad) == nil {
		t.Error("a field that the schema does not describe was let through")
	}
	delete(m["photos"].([]any)[0].(map[string]any), "surprise")
	delete(m, "grid")
	bad, _ = json.Marshal(m)
	if validate(t, strict(t, "check-1.json"), bad) == nil {
		t.Error("a document without its grid was let through")
	}
}

// Operations are written once, and each photo says which was its own.
func TestOperationsAreShared(t *testing.T) {
	var b bytes.Buffer
	res := job(t, grid.Metre)
	if err := Document(&b, NewCheck("job", res, baseline.Without(res.Findings()))); err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Operations []grid.Operation
		Photos     []struct {
			Name      string
			Operation *int
		}
	}
	if err := json.Unmarshal(b.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	if len(doc.Operations) != 2 {
		t.Errorf("%d operations, want 2", len(doc.Operations))
	}
	for i, p := range doc.Photos {
		if want := res.Photos[i].Operation; (want == nil) != (p.Operation == nil) || want != nil && doc.Operations[*p.Operation].Name != want.Name {
			t.Errorf("%s: operation %v, want %v", p.Name, p.Operation, want)
		}
	}
}

func TestCompareText(t *testing.T) {
	res := job(t, grid.Metre)
	var b bytes.Buffer
	if err := Print(&b, FormatText, Compare{Grid: res.Grid, Photo: res.Photos[25], All: true}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"verdict   over", "looking   12° from magnetic north, as written", "distance  6.325 m on the grid", `bearing   71°33'54" (N 71°33'54" E)`, "handheld", "exif-xmp-conflict", "noise alone puts "} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the text does not say %q:\n%s", want, b.String())
		}
	}
}

type brokenWriter struct{ after int }

func (w *brokenWriter) Write(p []byte) (int, error) {
	if w.after--; w.after < 0 {
		return 0, errors.New("pipe closed")
	}
	return len(p), nil
}

// An error of writing is told, wherever it comes.
func TestWriteErrors(t *testing.T) {
	res := job(t, grid.Metre)
	for n := range 30 {
		if err := Text(&brokenWriter{n}, res, TextOptions{All: true}); err == nil {
			t.Errorf("Text: an error after %d writes went unnoticed", n)
		}
	}
	for _, d := range []Printed{Correct{}, Restore{}, Pack{}, Compare{Grid: res.Grid, Photo: res.Photos[0]}} {
		for _, f := range []Format{FormatText, FormatJSON, FormatCSV} {
			if Print(&brokenWriter{}, f, d) == nil {
				t.Errorf("%T, %s: an error of writing went unnoticed", d, f)
			}
		}
	}
	if CSV(&brokenWriter{}, res) == nil || Document(&brokenWriter{}, NewCheck("x", res, baseline.Without(nil))) == nil {
		t.Error("an error of writing went unnoticed")
	}
	if err := Print(&bytes.Buffer{}, FormatCSV, Frames{}); err == nil {
		t.Error("frames are no table, and were written as one")
	}
}

// The tables of a correction and a restoration have a row a photo, and no cell
// that starts a formula.
func TestCorrectAndRestoreCSV(t *testing.T) {
	moved := 1.5
	var b bytes.Buffer
	err := Print(&b, FormatCSV, Correct{Changes: []dataset.Change{
		{Correction: match.Correction{Photo: "=a.jpg", Point: "+B", Verdict: match.Within, Edit: &geotag.Edit{Lat: 52.1, Lon: -6.2}},
			Outcome: dataset.Corrected, From: &geotag.Position{Lat: 52, Lon: -6}, Moved: &moved, Grows: 252, Before: "aa", After: "bb"},
		{Correction: match.Correction{Photo: "b.jpg", Verdict: match.Unjudged, Why: "-no link"}, Outcome: dataset.Left},
	}})
	if err != nil {
		t.Fatal(err)
	}
	want := "photo,point,verdict,outcome,tag_lat,tag_lon,new_lat,new_lon,moved_m,grows_bytes,sha256_before,sha256_after,why\n" +
		"'=a.jpg,'+B,within,corrected,52.000000000,-6.000000000,52.100000000,-6.200000000,1.500,252,aa,bb,\n" +
		"b.jpg,,unjudged,left,,,,,,0,,,'-no link\n"
	if b.String() != want {
		t.Errorf("got\n%swant\n%s", b.String(), want)
	}
	b.Reset()
	if err := Print(&b, FormatCSV, Restore{Photos: []ledger.Outcome{{Photo: "@p.jpg", Status: ledger.Restored, Was: "a", Now: "b", First: "b", Steps: 2}}}); err != nil {
		t.Fatal(err)
	}
	if want := "photo,status,sha256_was,sha256_now,sha256_first,steps\n'@p.jpg,restored,a,b,b,2\n"; b.String() != want {
		t.Errorf("got\n%swant\n%s", b.String(), want)
	}
}

// The schema of the JSON documents lists the codes of the findings that there are.
func TestSchemaListsTheKinds(t *testing.T) {
	raw, err := fs.ReadFile(Schemas(), "common-1.json")
	if err != nil {
		t.Fatal(err)
	}
	var common struct {
		Defs struct {
			Code struct {
				AnyOf []struct{ Enum []match.FindingCode }
			} `json:"finding_code"`
		} `json:"$defs"`
	}
	if err := json.Unmarshal(raw, &common); err != nil {
		t.Fatal(err)
	}
	var want []match.FindingCode
	for _, k := range match.FindingKinds() {
		want = append(want, k.Code)
	}
	if got := common.Defs.Code.AnyOf[0].Enum; !slices.Equal(got, want) {
		t.Errorf("finding_code of common-1.json: %q, want the codes of match.FindingKinds: %q", got, want)
	}
}
