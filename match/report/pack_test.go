package report

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"
	"time"

	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
)

// packing is a delivery with everything in it that there can be.
func packing() Pack {
	const sum = "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"
	return Pack{Job: "Quay", Into: "out", Packed: true, Tool: "phototie 1", Time: time.Date(2026, 6, 3, 9, 15, 0, 0, time.UTC), Template: "{point}_{n}",
		Position: "subject", Only: match.DefaultOnly, FailOn: "warning", DespiteFindings: true, Accepted: 2,
		Standing: []match.Finding{
			{Code: match.FindingNoTag, Severity: match.SeverityWarning, Photo: "photos/B_1.jpg", Point: "B", Message: "the image has no position", Remedy: "look"},
			{Code: match.FindingUnknownPhoto, Severity: match.SeverityError, Point: "C", Message: "the job has no photo of this name", Remedy: "mend"}},
		Delivery: &PackedCheck{Counts: map[match.Verdict]int{match.Within: 1, match.Over: 0, match.Gross: 0, match.Unjudged: 3}, Standing: []match.Finding{}},
		Photos: []PackedPhoto{
			{Photo: "photos/A_1.jpg", Source: "photos/=x.jpg", Original: "day1/x.jpg", Point: "A", Verdict: match.Within, Outcome: dataset.Corrected, Sidecar: "photos/A_1.xmp", Before: sum, After: sum, Notes: []string{"n"}},
			{Photo: "photos/B_1.jpg", Source: "photos/y.jpg", Point: "B", Verdict: match.Unjudged, Outcome: dataset.Refused, Why: "it is signed", Before: sum, After: sum},
			{Photo: "photos/untied/z.jpg", Source: "photos/z.jpg", Verdict: match.Unjudged, Outcome: dataset.Left, Why: "=no link", Before: sum, After: sum}}}
}

func TestPackText(t *testing.T) {
	text := func(p Pack, list bool) string {
		var b strings.Builder
		p.All, p.Next = list, []string{"do this"}
		if err := Print(&b, FormatText, p); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	p := packing()
	got := text(p, true)
	for _, want := range []string{"out: 3 photos, 1 corrected, 0 unchanged, 1 left alone, 1 refused; 1 without a\n  point\n",
		"packed despite findings: the job has 2 findings at or above warning: 1\n  link-photo-unknown, 1 tag-missing\n",
		"photos/A_1.jpg", "photos/=x.jpg", "refused photos/B_1.jpg: it is signed", "Next\n  do this"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is missing in\n%s", want, got)
		}
	}
	p.Packed = false
	if got := text(p, false); !strings.HasPrefix(got, "not packed\nthe job has 2 findings at or above warning\n  error link-photo-unknown C: the job has no photo of this name\n  warning tag-missing photos/B_1.jpg: the image") {
		t.Errorf("not packed:\n%s", got)
	}
	p.Delivery.Standing, p.Standing = p.Standing[:1], nil
	if got := text(p, false); !strings.Contains(got, "the delivery has, and the job has not, 1 finding at or above") {
		t.Errorf("the delivery alone:\n%s", got)
	}
	p.DryRun = true
	if got := text(p, true); !strings.HasPrefix(got, "3 photos to be packed\n") {
		t.Errorf("dry run:\n%s", got)
	}
}

func TestPackCSV(t *testing.T) {
	var b bytes.Buffer
	if err := Print(&b, FormatCSV, packing()); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil || len(rows) != 4 {
		t.Fatal(rows, err)
	}
	if rows[1][0] != "photos/A_1.jpg" || rows[1][1] != "photos/=x.jpg" || rows[3][8] != "'=no link" {
		t.Errorf("%q", rows)
	}
}
