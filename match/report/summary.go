package report

import (
	"cmp"
	"fmt"
	"io"
	"slices"

	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/internal/words"
)

// SummaryLines is the most lines that Summary writes.
const SummaryLines = 20

// SummaryOptions say what Summary can't tell from a Result.
type SummaryOptions struct {
	// Title is the dataset's name.
	Title string
	// FailOn is the least severity that fails the gate; empty for none.
	FailOn match.Severity
	// Baseline is the name of the baseline; empty where there is none.
	Baseline string
}

// Summary writes what a gate has found, for the log of a pipeline: at most
// SummaryLines lines, the last of which says whether the
// gate is passed, and why not.
func Summary(w io.Writer, r *match.Result, o baseline.Outcome, opt SummaryOptions) error {
	p := newPrinter(w)
	line := func(format string, args ...any) { p.line(0, format, args...) }

	line("%s: %s", words.Safe(opt.Title), counts(r))
	line("grid %s", words.Grid(r.Grid))
	line("within %s, over %s, gross %s, unjudged %s", words.Count(r.Counts[match.Within]), words.Count(r.Counts[match.Over]), words.Count(r.Counts[match.Gross]), words.Count(r.Counts[match.Unjudged]))
	if s, which := r.Noise(); s != nil {
		text := fmt.Sprintf("RMSE radial %s %s of the %s %s", words.Length(s.RMSER), s.Unit.Symbol, words.Count(s.N), which)
		if r.Written > 0 {
			text += "; left out: " + written(r)
		}
		line("%s", text)
		line("%s", checkPoints(r.Set))
	}
	if r.Requirements != nil {
		line("pictures: %s", measured(r))
	}
	p.kinds(o.Kept, SummaryLines-10, line)
	if opt.Baseline != "" {
		line("baseline %s: %s accepted, %s run out, %s unused", words.Safe(opt.Baseline),
			words.Plural(len(o.Accepted), "finding"), words.Plural(len(o.Expired), "entry", "entries"), words.Count(len(o.Unused)))
	}
	if opt.FailOn == "" {
		line("not gated: %s", words.Plural(len(o.Kept), "finding"))
		return p.err
	}
	failing := 0
	for _, f := range o.Kept {
		if f.Severity.AtLeast(opt.FailOn) {
			failing++
		}
	}
	if failing == 0 {
		line("PASSED: no finding at %s or above", opt.FailOn)
	} else {
		line("FAILED: %s at %s or above", words.Plural(failing, "finding"), opt.FailOn)
	}
	return p.err
}

// kinds writes a line for each kind of finding, the most severe first, in at
// most the given number of lines.
func (p *printer) kinds(findings []match.Finding, most int, line func(string, ...any)) {
	type kind struct {
		code     match.FindingCode
		severity match.Severity
		count    int
		first    string
	}
	var kinds []kind
	for _, f := range findings {
		i := slices.IndexFunc(kinds, func(k kind) bool { return k.code == f.Code && k.severity == f.Severity })
		if i < 0 {
			i = len(kinds)
			kinds = append(kinds, kind{f.Code, f.Severity, 0, words.Safe(cmp.Or(f.Photo, f.Point, f.Cause, f.Message))})
		}
		kinds[i].count++
	}
	slices.SortStableFunc(kinds, func(a, b kind) int {
		return cmp.Or(cmp.Compare(weight[a.severity], weight[b.severity]), cmp.Compare(b.count, a.count))
	})
	if len(kinds) == 0 {
		return
	}
	line("")
	shown := kinds
	if len(kinds) > most {
		shown = kinds[:most-1]
	}
	for _, k := range shown {
		head := fmt.Sprintf("%-7s %5s  %-22s ", k.severity, words.Count(k.count), k.code)
		more := ""
		if k.count > 1 {
			more = fmt.Sprintf(" and %s more", words.Count(k.count-1))
		}
		line("%s%s%s", head, fit(k.first, max(12, p.width-len([]rune(head))-len([]rune(more))), true), more)
	}
	if left := kinds[len(shown):]; len(left) > 0 {
		n := 0
		for _, k := range left {
			n += k.count
		}
		line("… and %s of %s kinds more", words.Plural(n, "finding"), words.Count(len(left)))
	}
	line("")
}

// weight orders severities, errors first.
var weight = map[match.Severity]int{match.SeverityError: 0, match.SeverityWarning: 1, match.SeverityNote: 2}

// accepted lists what a baseline accepts, and what it accepts no longer.
func (p *printer) accepted(opt TextOptions) {
	o := opt.Outcome
	if o == nil || len(o.Accepted) == 0 && len(o.Expired) == 0 {
		return
	}
	p.printf("\nAccepted (%s, %s run out)\n", words.Plural(len(o.Accepted), "finding"), words.Plural(len(o.Expired), "entry", "entries"))
	list := func(how string, entries []baseline.Entry) {
		for i, e := range entries {
			if !opt.All && i == alike {
				p.printf("  … and %s more %s; --all lists every one\n", words.Count(len(entries)-alike), how)
				return
			}
			about := string(e.Code)
			for _, name := range []string{e.Photo, e.Point} {
				if name != "" {
					about += " " + words.Safe(name)
				}
			}
			who := ""
			if e.By != "" {
				who = words.Safe(e.By) + ", "
			}
			p.para(2, 4, "%s %s: %s (%s%s)", how, about, words.Safe(e.Reason), who, words.Safe(e.Until()))
		}
	}
	accepted := make([]baseline.Entry, len(o.Accepted))
	for i, a := range o.Accepted {
		accepted[i] = a.Entry
	}
	list("accepted", accepted)
	list("run out", o.Expired)
}
