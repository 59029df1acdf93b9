package report

import (
	"bytes"
	"context"
	"errors"
	"io"
	"testing"
	"unicode"
	"unicode/utf8"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/ledger"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/pictures"
)

var errRefused = errors.New("the job is refused")

// hostileWriters writes a job of whose texts are all s in every text format.
func hostileWriters(s string) (map[string]*bytes.Buffer, error) {
	points := []match.Point{{ID: s + "1", Code: s, Desc: s, Line: 2}, {ID: s + "2", EN: grid.EN{E: 40}, Code: s, Line: 3}, {ID: s + "3", EN: grid.EN{E: 80}}}
	var photos []match.Photo
	var links []match.Link
	for i := range 6 {
		t := tagAt(float64(i%2)*40, 3)
		t.MapDatum, t.Make, t.Model = s, s, s
		t.Warnings = append(t.Warnings, geotag.Warning{Code: geotag.WarnConflict, Field: s, Detail: s}, geotag.Warning{Field: s, Detail: s})
		p := match.Photo{Name: s + string(rune('a'+i)), Original: s, Tag: t}
		if i == 5 {
			p.Tag, p.Err = nil, errors.New(s)
		}
		photos = append(photos, p)
		if i != 4 {
			links = append(links, match.Link{Photo: p.Name, Point: points[(i/2)%2].ID, Line: i + 2})
		}
	}
	links = append(links, match.Link{Photo: s + "gone", Point: s, Line: 60})
	res, err := match.Check(context.Background(), plane{grid.Metre}, points, links, match.All(photos),
		match.Options{Requirements: &pictures.Requirements{Default: pictures.CodeRule{MinPhotos: 3}}})
	if err != nil {
		return nil, errRefused // ids that no job may have
	}
	at, err := match.Locate(context.Background(), plane{grid.Metre}, res, match.Options{})
	if err != nil {
		return nil, err
	}
	o := outcome(res)
	ex := &cause.Explanation{Causes: []cause.Found{{Name: "clock", Summary: s, Remedy: s, Fix: &cause.Fix{
		Links: []match.Link{{Photo: s, Point: s}}, Settings: []cause.Setting{{Key: s, Value: s, Why: s}}}}}}
	facts := []Fact{{"site", s}}
	next := []string{s}
	change := dataset.Change{Correction: match.Correction{Photo: s, Point: s, Why: s}, Outcome: dataset.Refused, Notes: []string{s}}
	corrected := Correct{Dataset: s, All: true, Next: next, Changes: []dataset.Change{change, {Correction: match.Correction{Photo: s}, Outcome: dataset.Corrected, Notes: []string{s}}}}
	pack := Pack{All: true, Next: next, Job: s, Into: s, Standing: res.Findings(), Photos: []PackedPhoto{{Photo: s, Source: s, Point: s, Outcome: dataset.Refused, Why: s}}}
	packed := pack
	packed.Packed = true
	restored := Restore{Dataset: s, Photos: []ledger.Outcome{{Photo: s, Status: ledger.Changed, Notes: []string{s}}}}
	uses := []dataset.FrameUse{{Frame: grid.Frame{Datum: s}, Tags: 1, Err: s},
		{Frame: grid.Frame{Datum: s}, Candidates: []grid.Candidate{{Operation: grid.Operation{Name: s, Notes: []string{s}}, Why: s, Missing: []grid.MissingFile{{Name: s, Package: s, Install: s}}}}}}
	frames := Frames{Dataset: s, Title: s, Grid: res.Grid, Uses: uses, Assumptions: res.Budget.Assumptions(), Facts: facts, All: true}
	out := map[string]*bytes.Buffer{}
	for name, write := range map[string]func(io.Writer) error{
		"text": func(w io.Writer) error {
			return Text(w, res, TextOptions{Title: s, Facts: facts, Outcome: &o, Explanation: ex, Next: next})
		},
		"all": func(w io.Writer) error {
			return Text(w, res, TextOptions{Title: s, Facts: facts, All: true, Outcome: &o, Explanation: ex, Next: next})
		},
		"summary": func(w io.Writer) error { return Summary(w, res, o, SummaryOptions{Title: s, Baseline: s}) },
		"compare": func(w io.Writer) error {
			return Print(w, FormatText, Compare{Grid: res.Grid, Photo: res.Photos[0], All: true})
		},
		"csv":           func(w io.Writer) error { return CSV(w, res) },
		"json":          func(w io.Writer) error { return Document(w, NewCheck(s, res, o)) },
		"geojson":       func(w io.Writer) error { return GeoJSON(w, s, res, at) },
		"kml":           func(w io.Writer) error { return KML(w, s, res, at) },
		"sarif":         func(w io.Writer) error { return SARIF(w, s, s, res, o, Files{Root: s, Points: s, Links: s}) },
		"junit":         func(w io.Writer) error { return JUnit(w, s, res, o, match.SeverityNote) },
		"correct":       func(w io.Writer) error { return Print(w, FormatText, corrected) },
		"correct, csv":  func(w io.Writer) error { return Print(w, FormatCSV, corrected) },
		"correct, json": func(w io.Writer) error { return Print(w, FormatJSON, corrected) },
		"restore":       func(w io.Writer) error { return Print(w, FormatText, restored) },
		"restore, csv":  func(w io.Writer) error { return Print(w, FormatCSV, restored) },
		"pack":          func(w io.Writer) error { return Print(w, FormatText, pack) },
		"packed":        func(w io.Writer) error { return Print(w, FormatText, packed) },
		"pack, csv":     func(w io.Writer) error { return Print(w, FormatCSV, pack) },
		"pack, json":    func(w io.Writer) error { return Print(w, FormatJSON, pack) },
		"frames":        func(w io.Writer) error { return Print(w, FormatText, frames) },
		"frames, json":  func(w io.Writer) error { return Print(w, FormatJSON, frames) },
	} {
		out[name] = new(bytes.Buffer)
		if err := write(out[name]); err != nil {
			return nil, errors.Join(errors.New(name), err)
		}
	}
	return out, nil
}

// Nothing that is written acts on what shows it, whatever the names, the ids, the
// metadata and the errors of a job say.
func FuzzWriters(f *testing.F) {
	for _, s := range []string{"B\u202e03", "a\x1b[2J", "\xff\x9b", "A\u2066\u2028\u200f", "x\r\ny\tz", "\U000e0041\u00ad\ufeff", "</script>\u0000"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if len(s) > 200 {
			return
		}
		written, err := hostileWriters(s)
		if err == errRefused {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		for name, b := range written {
			if !utf8.Valid(b.Bytes()) {
				t.Errorf("%s is not UTF-8", name)
			}
			for _, r := range b.String() {
				if r != '\n' && r != '\t' && (unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || r == '\u2028' || r == '\u2029') {
					t.Errorf("%s has %U of %q in it", name, r, s)
					break
				}
			}
		}
	})
}
