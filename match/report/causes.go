package report

import (
	"fmt"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/internal/words"
)

// causes lists what explains the photos that are out: many bad tags with one cause
// are one entry.
func (t *text) causes() {
	ex := t.opt.Explanation
	if ex == nil || len(ex.Causes) == 0 {
		return
	}
	t.printf("\nCauses (%s)\n", words.Count(len(ex.Causes)))
	for i := range ex.Causes {
		f := &ex.Causes[i]
		t.para(2, 4, "%s: %s (%s; then %s)", f.Name, words.Safe(f.Summary), tally(f.Before, t.u, t.opt.All), tally(f.After, t.u, t.opt.All))
		if t.opt.All {
			t.para(4, 4, "evidence %.1f, after a penalty of %.1f for what was tried (natural logarithms)", f.Weight.Score, f.Weight.Penalty)
		}
		t.proposal(f.Fix)
	}
}

// todo says what to do: about each cause, about each kind of error besides, and
// what the caller says.
func (t *text) todo() {
	var todo []string
	if ex := t.opt.Explanation; ex != nil {
		for i := range ex.Causes {
			todo = append(todo, ex.Causes[i].Name+": "+words.Safe(ex.Causes[i].Remedy))
		}
	}
	told := map[match.FindingCode]bool{}
	for _, f := range t.findings {
		if _, caused := t.of[f.Photo]; caused || told[f.Code] || f.Severity != match.SeverityError {
			continue
		}
		told[f.Code] = true
		todo = append(todo, string(f.Code)+": "+words.Safe(f.Remedy))
	}
	t.next(append(todo, t.opt.Next...))
}

// proposal lists what a cause proposes to change: the settings, and with
// TextOptions.All the rows of files too.
func (t *text) proposal(f *cause.Fix) {
	if f == nil {
		return
	}
	for _, s := range f.Settings {
		t.para(4, 6, "settings: %s = %s (%s)", s.Key, s.Value, words.Safe(s.Why))
	}
	if !t.opt.All {
		return
	}
	for _, l := range f.Links {
		t.para(4, 6, "links, line %d: %s,%s", l.Line, words.Safe(l.Photo), words.Safe(l.Point))
	}
	if n := len(f.Points); n > 0 {
		t.printf("    %s of the points file would change; --format json has them\n", words.Plural(n, "row"))
	}
}

// tally words how photos are judged: "2 gross, 8 over", with the median distance
// where that is wanted.
func tally(t cause.Tally, unit grid.Unit, distance bool) string {
	var parts []string
	for _, v := range []match.Verdict{match.Gross, match.Over, match.Within, match.Unjudged} {
		if n := t.Counts[v]; n > 0 {
			parts = append(parts, fmt.Sprintf("%s %s", words.Count(n), v))
		}
	}
	if t.Median != nil && distance {
		parts = append(parts, "median "+words.InUnit(*t.Median, unit))
	}
	return strings.Join(parts, ", ")
}
