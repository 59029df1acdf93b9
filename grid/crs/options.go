package crs

import (
	"fmt"
	"os"
	"slices"
	"strings"

	"example.com/phototie/grid"
)

// operationError names the selectors at fault and lists what there is, with
// codes, accuracies and what to install.
func (c *CRS) operationError(datum string, selectors []string, reason error, p *plan) *grid.OperationError {
	candidates := p.candidates(nil, false)
	text := fmt.Sprintf("from %s to %s: %v", datumText(datum), c.grid.Name, reason)
	if len(selectors) > 0 {
		text += " (" + strings.Join(selectors, ", ") + ")"
	}
	sep := "; there are: "
	for _, x := range candidates[:min(len(candidates), mostListed)] {
		text, sep = text+sep+candidateText(x), "; "
	}
	if more := len(candidates) - mostListed; more > 0 {
		text += fmt.Sprintf("; and %d more", more)
	}
	return &grid.OperationError{Grid: c.grid.Name, Datum: datum, Selectors: selectors, Reason: reason, Candidates: candidates, Message: text}
}

// mostListed is how many candidates a message names; the error holds them all.
const mostListed = 8

// datumText names the datum of a tag for a message.
func datumText(datum string) string {
	if normaliseDatum(datum) == broadcast {
		return "WGS 84"
	}
	return datum
}

// candidateText says in a few words which operation a candidate is.
func candidateText(c grid.Candidate) string {
	s := c.Name
	if len(c.Codes) > 0 {
		s += " [" + strings.Join(c.Codes, ", ") + "]"
	}
	switch {
	case c.Ballpark:
		s += ", ballpark"
	case c.Accuracy == nil:
		s += ", accuracy not stated"
	default:
		s += fmt.Sprintf(", %.2g m", *c.Accuracy)
	}
	for _, m := range c.Missing {
		s += ", needs " + lacking([]grid.MissingFile{m})
	}
	return s
}

// clone copies the options, so that the caller may change theirs.
func clone(o grid.OpenOptions) grid.OpenOptions {
	o.Only, o.Forbid = slices.Clone(o.Only), slices.Clone(o.Forbid)
	o.Datums, o.Folders = slices.Clone(o.Datums), slices.Clone(o.Folders)
	return o
}

// selectors are all of them, for a message.
func selectors(o grid.OpenOptions) []string {
	var out []string
	for _, s := range o.Only {
		out = append(out, "only "+s)
	}
	for _, s := range o.Forbid {
		out = append(out, "not "+s)
	}
	return out
}

func validate(o grid.OpenOptions) error {
	for _, s := range slices.Concat(o.Only, o.Forbid) {
		if len(strings.TrimSpace(s)) < 3 {
			return fmt.Errorf("operation %q: give the code of an operation, such as EPSG:8970, or three letters of its name or more", s)
		}
	}
	for _, f := range o.Folders {
		if f == "" || strings.ContainsRune(f, 0) || strings.ContainsRune(f, os.PathListSeparator) {
			return fmt.Errorf("folder %q of grid files: give the path of one folder", f)
		}
		if info, err := os.Stat(f); err != nil {
			return fmt.Errorf("folder of grid files: %w", err)
		} else if !info.IsDir() {
			return fmt.Errorf("folder %s of grid files is no folder", f)
		}
	}
	return nil
}

// selects reports whether a selector names a way.
func selects(selector string, w *way) bool {
	selector = strings.TrimSpace(selector)
	if codePattern.MatchString(selector) {
		return slices.ContainsFunc(w.codes(), func(code string) bool { return strings.EqualFold(code, selector) })
	}
	return strings.Contains(strings.ToLower(w.title()), strings.ToLower(selector))
}

// codes are the registry codes of the steps that change the frame.
func (w *way) codes() []string {
	var out []string
	for _, s := range w.steps {
		if s.code != "" && !s.conversion && !slices.Contains(out, s.code) {
			out = append(out, s.code)
		}
	}
	return out
}

// choose takes out of a plan what the caller's choice rules out.
func (p *plan) choose(o grid.OpenOptions) {
	if len(o.Only)+len(o.Forbid) == 0 {
		return
	}
	keep := func(ways []way) []way {
		var kept []way
		for i := range ways {
			w := &ways[i]
			if len(o.Only) > 0 && !slices.ContainsFunc(o.Only, func(s string) bool { return selects(s, w) }) {
				w.exclusion = "another operation is forced"
			}
			for _, s := range o.Forbid {
				if selects(s, w) {
					w.exclusion = fmt.Sprintf("it is forbidden (%s)", s)
				}
			}
			if w.exclusion == "" {
				kept = append(kept, *w)
			} else {
				p.excluded = append(p.excluded, *w)
			}
		}
		return kept
	}
	p.ways, p.missing = keep(p.ways), keep(p.missing)
}

// checkSelectors makes the plans that the selectors are checked against, and
// reports a selector that names nothing, or a choice that leaves nothing.
func (c *CRS) checkSelectors() error {
	o := c.options
	if len(o.Only)+len(o.Forbid) == 0 {
		return nil
	}
	datums := o.Datums
	if len(datums) == 0 {
		datums = []string{""}
	}
	var plans []*plan
	var errs []error
	for _, d := range datums {
		p, err := c.plan(d)
		switch {
		case p == nil:
			return err
		case p.unknown:
			return &grid.UnknownDatumError{Datum: d}
		}
		plans, errs = append(plans, p), append(errs, err)
	}
	var idle []string
	for _, s := range slices.Concat(o.Only, o.Forbid) {
		if !slices.ContainsFunc(plans, func(p *plan) bool { return p.names(s) }) && !slices.Contains(idle, s) {
			idle = append(idle, s)
		}
	}
	if len(idle) > 0 {
		return c.operationError(datums[0], idle, grid.ErrNoSuchOperation, plans[0])
	}
	if slices.Contains(errs, nil) {
		return nil
	}
	return errs[0]
}

// names reports whether a selector names any way of the plan.
func (p *plan) names(selector string) bool {
	return slices.ContainsFunc(slices.Concat(p.ways, p.missing, p.excluded), func(w way) bool { return selects(selector, &w) })
}
