package report

import (
	"bytes"
	"encoding/json"
	"runtime"
	"slices"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset"
)

// A Check document that is written photo by photo has the bytes of one that is
// written as a whole, whatever is in it and whatever is left out.
func TestDocumentByPhotos(t *testing.T) {
	whole := func(doc *Check) []byte {
		var b bytes.Buffer
		enc := json.NewEncoder(jsonEscapes{&b})
		enc.SetEscapeHTML(false)
		enc.SetIndent("", "  ")
		if err := enc.Encode(doc); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	for kind, r := range results(t) {
		findings := r.Findings()
		docs := []*Check{NewCheck("<\u202ejob>", r, baseline.Without(findings)), NewCheck("", r, baseline.Outcome{})}
		full := NewCheck("job", r, baseline.Outcome{Kept: findings, Accepted: []baseline.Accepted{{Finding: match.Finding{Code: "c", Message: "m"}}}})
		full.Explanation, full.Survey = &cause.Explanation{}, &dataset.SurveyRead{}
		bare := NewCheck("job", r, baseline.Without(nil))
		bare.Photos = nil
		other := *full
		other.Format, other.Version, other.Photos = "other", 7, slices.Clone(full.Photos)[:min(1, len(full.Photos))]
		for i, doc := range append(docs, full, bare, &other) {
			var b bytes.Buffer
			if err := Document(&b, doc); err != nil {
				t.Fatal(err)
			}
			if want := whole(doc); !bytes.Equal(b.Bytes(), want) {
				t.Errorf("%s, document %d:\n%s\nwant\n%s", kind, i, b.Bytes(), want)
			}
		}
	}
}

// counted counts what is written.
type counted int

func (c *counted) Write(p []byte) (int, error) { *c += counted(len(p)); return len(p), nil }

// Writing the document of many photos does not hold its text.
func TestDocumentHoldsLittle(t *testing.T) {
	r := job(t, grid.Metre)
	many := *r
	for len(many.Photos) < 5000 {
		many.Photos = append(many.Photos, r.Photos...)
	}
	doc := NewCheck("job", &many, baseline.Outcome{})
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	var n counted
	if err := Document(&n, doc); err != nil {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&after)
	// What a photo's text takes is given back before the next one; the text as a
	// whole would be there in one piece.
	if grown := int64(after.Sys) - int64(before.Sys); n < 5<<20 || grown > int64(n) {
		t.Errorf("%d bytes written, and the memory grew by %d", n, grown)
	}
}
