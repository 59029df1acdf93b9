package record

import (
	"fmt"
	"slices"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/internal/words"
)

// Explained words the causes of an explanation for Input.Causes, u being the unit of
// the grid. It gives an
// empty list, not nil, where none was found.
func Explained(ex *cause.Explanation, u grid.Unit) []Cause {
	out := make([]Cause, 0, len(ex.Causes))
	for i := range ex.Causes {
		f := &ex.Causes[i]
		c := Cause{Name: strings.ReplaceAll(f.Name, "-", " "), Summary: f.Summary, Remedy: f.Remedy, Photos: slices.Clone(f.Photos)}
		if f.Moves {
			c.Details = append(c.Details, fmt.Sprintf("Judged %s; with all causes accounted for, %s.", tally(f.Before, u), tally(f.After, u)))
		}
		if len(f.Params) > 0 {
			params := make([]string, len(f.Params))
			for i, p := range f.Params {
				params[i] = param(p)
			}
			c.Details = append(c.Details, "Fitted or chosen: "+strings.Join(params, "; ")+".")
		}
		if len(f.Points) > 0 {
			c.Details = append(c.Details, "Points concerned: "+words.List(f.Points, 12)+".")
		}
		if f.Fix != nil {
			c.Details = append(c.Details, fixes(f.Fix)...)
		}
		out = append(out, c)
	}
	return out
}

// param words a figure that was fitted or chosen.
func param(p cause.Param) string {
	if p.Text != "" {
		return p.Name + " " + p.Text
	}
	unit := ""
	if p.Unit != "" {
		unit = nbsp + p.Unit
	}
	if p.StdErr != nil {
		return signs(fmt.Sprintf("%s %.4g%s, standard error %.2g%s", p.Name, p.Value, unit, *p.StdErr, unit))
	}
	return signs(fmt.Sprintf("%s %.6g%s", p.Name, p.Value, unit))
}

// tally words verdict counts with the median distance.
func tally(t cause.Tally, unit grid.Unit) string {
	var parts []string
	for _, v := range match.Verdicts {
		if n := t.Counts[v]; n > 0 {
			parts = append(parts, fmt.Sprintf("%s %s", words.Count(n), v))
		}
	}
	s := strings.Join(parts, ", ")
	if t.Median != nil {
		s += fmt.Sprintf(" (median distance %s)", together(words.InUnit(*t.Median, unit)))
	}
	return s
}

// fixes words what a proposal would change.
func fixes(f *cause.Fix) []string {
	var out []string
	for _, s := range f.Settings {
		out = append(out, fmt.Sprintf("Proposed in the settings: %s = %s (%s).", s.Key, s.Value, s.Why))
	}
	if len(f.Links) > 0 {
		rows := make([]string, len(f.Links))
		for i, l := range f.Links {
			rows[i] = fmt.Sprintf("%s to %s", l.Photo, l.Point)
			if l.Line > 0 {
				rows[i] += fmt.Sprintf(" (line %d)", l.Line)
			}
		}
		out = append(out, "Proposed in the links: "+words.List(rows, 12)+".")
	}
	if n := len(f.Points); n > 0 {
		out = append(out, fmt.Sprintf("Proposed in the points: %s to be corrected.", words.Plural(n, "row")))
	}
	return out
}
