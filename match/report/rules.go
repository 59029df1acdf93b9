package report

import (
	"cmp"
	"slices"

	"example.com/phototie/match"
)

// rulesFor returns the kinds of finding, and behind them one for each other code
// that occurs among the findings, in the order of the codes.
func rulesFor(findings ...[]match.Finding) []match.FindingKind {
	all := match.FindingKinds()
	n := len(all)
	for _, fs := range findings {
		for _, f := range fs {
			if !slices.ContainsFunc(all, func(k match.FindingKind) bool { return k.Code == f.Code }) {
				all = append(all, match.FindingKind{Code: f.Code, Severity: f.Severity, Title: string(f.Code), Text: "A finding of the kind " + string(f.Code) + "."})
			}
		}
	}
	slices.SortFunc(all[n:], func(a, b match.FindingKind) int { return cmp.Compare(a.Code, b.Code) })
	return all
}
