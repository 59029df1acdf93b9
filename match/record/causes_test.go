package record

import (
	"slices"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
)

func TestExplained(t *testing.T) {
	if got := Explained(&cause.Explanation{}, grid.Metre); got == nil || len(got) != 0 {
		t.Errorf("no causes give %#v", got)
	}
	before, after, se := 10.2, 2.77, .31
	got := Explained(&cause.Explanation{Causes: []cause.Found{{
		Name: "common-shift", Summary: "all tags are off alike", Remedy: "ask for the frame", Photos: []string{"a.jpg", "b.jpg"}, Points: []string{"P1"}, Moves: true,
		Params: []cause.Param{{Name: "shift east", Value: -4.25, Unit: "m", StdErr: &se}, {Name: "datum", Text: "TOKYO"}, {Name: "factor", Value: 0.3048}},
		Before: cause.Tally{Counts: map[match.Verdict]int{match.Over: 1, match.Gross: 1}, Median: &before},
		After:  cause.Tally{Counts: map[match.Verdict]int{match.Within: 2}, Median: &after},
		Fix: &cause.Fix{Settings: []cause.Setting{{Key: "frame.datum", Value: `"TOKYO"`, Why: "the tags say none"}},
			Links: []match.Link{{Photo: "a.jpg", Point: "P2", Line: 7}}, Points: make([]match.Point, 2)},
	}}}, grid.Metre)
	want := []string{
		"Judged 1 over, 1 gross (median distance 10.2\u00a0m); with all causes accounted for, 2 within (median distance 2.8\u00a0m).",
		"Fitted or chosen: shift east −4.25\u00a0m, standard error 0.31\u00a0m; datum TOKYO; factor 0.3048.",
		"Points concerned: P1.",
		`Proposed in the settings: frame.datum = "TOKYO" (the tags say none).`,
		"Proposed in the links: a.jpg to P2 (line 7).",
		"Proposed in the points: 2 rows to be corrected.",
	}
	if len(got) != 1 || got[0].Name != "common shift" || !slices.Equal(got[0].Details, want) || len(got[0].Photos) != 2 {
		t.Errorf("%q", got)
	}
}
