package crs

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"example.com/phototie/grid"
)

// Options are the caller's own choices for a CRS. The zero value leaves
// everything to the rules of the package comment.
//
// A selector in Only or Forbid names operations: it is the registry code of one
// of their steps ("EPSG:8970"), or a part of the operation's name ("ITRF2014 to
// NAD83(2011) (1)", "null geographic offset", "ballpark"). Letters may be of
// either case. A code counts whole, so EPSG:897 doesn't select EPSG:8970.
type Options struct {
	// Only forces the choice: nothing but operations that one of the selectors
	// names is used, in the usual order where there are several. A fix that none
	// of them can carry gets an error, and no other operation. An operation that
	// is forced is used outside its area of use too, with a note, unless it reads
	// a grid file.
	Only []string
	// Forbid rules out every operation that one of the selectors names.
	Forbid []string
	// Datums are the datum names of tags that the selectors are checked against
	// when the CRS is opened; none means WGS 84 as broadcast alone. A selector
	// that names no operation from any of them is an [*OperationError].
	Datums []string
	// Folders are searched for grid files and geoid models before the folders
	// that PROJ searches.
	Folders []string
	// Vertical names the vertical system of heights whose reference is a geoid
	// but names none, by code or by name. Empty takes the vertical part of a
	// compound definition ("EPSG:2157+5731").
	Vertical string
}

// OperationError reports selectors that name no operation, or that leave none.
type OperationError struct {
	// Grid is the name of the grid.
	Grid string
	// Datum is the datum of the tags.
	Datum string
	// Selectors are the ones at fault.
	Selectors []string
	// Reason is ErrNoSuchOperation, ErrAllExcluded or ErrNotRunnable.
	Reason error
	// Candidates are the operations that there are, with no positions counted.
	Candidates []grid.Candidate
}

// What can be wrong with a choice of operations.
var (
	// ErrNoSuchOperation: a selector names no operation between the frames.
	ErrNoSuchOperation = errors.New("no operation goes by that name or code")
	// ErrAllExcluded: the selectors leave no operation.
	ErrAllExcluded = errors.New("the choice of operations leaves none")
	// ErrNotRunnable: what is left needs files that are not installed.
	ErrNotRunnable = errors.New("the chosen operation needs files that are not installed")
)

// Error names the selectors and lists what there is, with codes, accuracies and
// what to install.
func (e *OperationError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "from %s to %s: %v", datumText(e.Datum), e.Grid, e.Reason)
	if len(e.Selectors) > 0 {
		fmt.Fprintf(&b, " (%s)", strings.Join(e.Selectors, ", "))
	}
	for i, c := range e.Candidates {
		switch {
		case i == 0:
			b.WriteString("; there are: ")
		case i == mostListed:
			fmt.Fprintf(&b, "; and %d more", len(e.Candidates)-mostListed)
			return b.String()
		default:
			b.WriteString("; ")
		}
		b.WriteString(candidateText(c))
	}
	return b.String()
}

// mostListed is how many candidates a message names; the error holds them all.
const mostListed = 8

// Unwrap returns Reason.
func (e *OperationError) Unwrap() error { return e.Reason }

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
		s += ", needs " + lacking([]grid.MissingFile{m}) + "; " + m.Install
	}
	return s
}

func (o Options) clone() Options {
	o.Only, o.Forbid = slices.Clone(o.Only), slices.Clone(o.Forbid)
	o.Datums, o.Folders = slices.Clone(o.Datums), slices.Clone(o.Folders)
	return o
}

// selectors are all of them, for a message.
func (o Options) selectors() []string {
	var out []string
	for _, s := range o.Only {
		out = append(out, "only "+s)
	}
	for _, s := range o.Forbid {
		out = append(out, "not "+s)
	}
	return out
}

func (o Options) validate() error {
	for _, s := range append(slices.Clone(o.Only), o.Forbid...) {
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
		for _, code := range w.codes() {
			if strings.EqualFold(code, selector) {
				return true
			}
		}
		return false
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
func (p *plan) choose(o Options) {
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
	for _, d := range datums {
		p, err := c.plan(d)
		if p == nil {
			return err
		}
		if p.unknown {
			return &grid.UnknownDatumError{Datum: d}
		}
		plans = append(plans, p)
	}
	var idle []string
	for _, s := range append(slices.Clone(o.Only), o.Forbid...) {
		if !slices.ContainsFunc(plans, func(p *plan) bool { return p.names(s) }) && !slices.Contains(idle, s) {
			idle = append(idle, s)
		}
	}
	if len(idle) > 0 {
		return &OperationError{Grid: c.grid.Name, Datum: datums[0], Selectors: idle, Reason: ErrNoSuchOperation, Candidates: plans[0].candidates(nil, false)}
	}
	for _, p := range plans {
		if p.err == nil {
			return nil
		}
	}
	return plans[0].err
}

// names reports whether a selector names any way of the plan.
func (p *plan) names(selector string) bool {
	for _, ways := range [][]way{p.ways, p.missing, p.excluded} {
		for i := range ways {
			if selects(selector, &ways[i]) {
				return true
			}
		}
	}
	return false
}
