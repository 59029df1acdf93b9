package report

import (
	"fmt"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/internal/words"
)

// causes lists what explains the photos that are out, before any photo: many
// bad tags with one cause are one entry.
func (p *printer) causes(ex *cause.Explanation, all bool) {
	if ex == nil || len(ex.Causes) == 0 {
		return
	}
	p.printf("\nCauses (%s)\n", words.Count(len(ex.Causes)))
	for i := range ex.Causes {
		f := &ex.Causes[i]
		p.printf("  %s\n", wrap(fmt.Sprintf("%s: %s", f.Name, words.Safe(f.Summary)), 2, "    "))
		p.printf("    %s\n", wrap(fmt.Sprintf("now %s; with the cause accounted for %s", tally(f.Before), tally(f.After)), 4, "    "))
		p.printf("    %s\n", wrap(words.Safe(f.Remedy), 4, "    "))
		if all {
			p.printf("    %s\n", wrap(fmt.Sprintf("evidence %.1f, after a penalty of %.1f for what was tried (natural logarithms)", f.Weight.Score, f.Weight.Penalty), 4, "    "))
		}
		p.proposal(f.Fix, all)
	}
	if n := len(ex.Unexplained); n > 0 || all {
		p.printf("  %s\n", wrap(fmt.Sprintf("%s over budget without a cause; about %.0f are to be expected of noise alone", words.Plural(n, "photo"), ex.Expected), 2, "    "))
	}
}

// proposal lists what a cause proposes to change, cut short unless all is wanted.
func (p *printer) proposal(f *cause.Fix, all bool) {
	if f == nil {
		return
	}
	most := alike
	if all {
		most = len(f.Links)
	}
	for i, l := range f.Links {
		if i == most {
			p.printf("    … and %s more rows; --all lists them, --format json has them too\n", words.Count(len(f.Links)-i))
			break
		}
		p.printf("    %s\n", wrap(fmt.Sprintf("links, line %d: %s,%s", l.Line, words.Safe(l.Photo), words.Safe(l.Point)), 4, "      "))
	}
	if n := len(f.Points); n > 0 {
		p.printf("    %s of the points file would change; --format json has them\n", words.Plural(n, "row"))
	}
	for _, s := range f.Settings {
		p.printf("    %s\n", wrap(fmt.Sprintf("settings: %s = %s (%s)", s.Key, s.Value, words.Safe(s.Why)), 4, "      "))
	}
}

// tally words how photos are judged: "2 gross, 8 over, median 10.2 m".
func tally(t cause.Tally) string {
	var parts []string
	for _, v := range []match.Verdict{match.Gross, match.Over, match.Within, match.Unjudged} {
		if n := t.Counts[v]; n > 0 {
			parts = append(parts, fmt.Sprintf("%s %s", words.Count(n), v))
		}
	}
	if t.Median != nil {
		parts = append(parts, "median "+words.Metres(*t.Median))
	}
	return strings.Join(parts, ", ")
}
