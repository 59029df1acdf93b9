package report

import (
	"fmt"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/internal/words"
)

// Frames is the JSON document of the operations that lead from the frames of a
// job's tags to its grid. Its text tells which there are, how good they are, which is
// used and why, and what to install for a better one.
type Frames struct {
	Head
	Dataset string             `json:"dataset"`
	Grid    grid.Grid          `json:"grid"`
	Uses    []dataset.FrameUse `json:"frames"`
	// Assumptions are what the budget takes for want of better figures.
	Assumptions []match.Assumption `json:"assumptions"`
	// For the text: what stands above it, how the survey was read, and whether every
	// operation is listed.
	Title string `json:"-"`
	Facts []Fact `json:"-"`
	All   bool   `json:"-"`
}

func (f Frames) document() any {
	f.Head = Head{"phototie-frames", jsonVersion}
	for i := range f.Uses {
		if f.Uses[i].Candidates == nil {
			f.Uses[i].Candidates = []grid.Candidate{}
		}
	}
	return f
}

func (f Frames) text(p *printer) {
	g := f.Grid
	p.printf("%s\n", words.Safe(f.Title))
	p.field("grid", "%s", words.Grid(g))
	for _, fact := range f.Facts {
		p.field(fact.Name, "%s", fact.Text)
	}
	if g.FrameEpoch != 0 {
		p.field("frame", "%s, kept at epoch %.2f", words.Safe(g.Frame), g.FrameEpoch)
	}
	for _, u := range f.Uses {
		p.frame(u, g.Unit, f.All)
	}
	p.printf("\nWhat the budget takes for want of better figures (by job or by device)\n")
	for _, a := range f.Assumptions {
		p.para(2, 4, "%s = %.4g: %s. %s", a.Key, a.Value, a.Means, a.Source)
	}
}

func (p *printer) frame(u dataset.FrameUse, unit grid.Unit, all bool) {
	datum := u.Frame.Datum
	if datum == "" {
		datum = "no map datum, which is taken for WGS 84"
	}
	epoch := "an unknown epoch"
	if u.Frame.Epoch != 0 {
		epoch = fmt.Sprintf("epoch %.2f", u.Frame.Epoch)
	}
	p.printf("\n")
	p.para(0, 2, "From %s at %s (%s)", words.Safe(datum), epoch, words.Plural(u.Tags, "tag"))
	if u.Err != "" {
		p.para(2, 2, "%s", words.Safe(u.Err))
		return
	}
	left := 0
	for i, c := range u.Candidates {
		if !all && i >= shortList/4 && c.Chosen == 0 {
			left++
			continue
		}
		p.candidate(i+1, c, unit)
	}
	if len(u.Candidates) == 0 {
		p.printf("  no operation leads to the grid\n")
	}
	if left > 0 {
		p.printf("  … and %s more; --all lists every one\n", words.Count(left))
	}
	if u.Delivered != nil {
		p.para(2, 4, "%s", deliveredFact(*u.Delivered, unit).Text)
	}
	if files, command := grid.FilesToInstall(u.Candidates); command != "" {
		p.printf("  better operations lack %s here; to install:\n    %s\n", words.Plural(len(files), "file"), strings.ReplaceAll(words.Safe(command), " && ", " && \\\n    "))
	}
}

func (p *printer) candidate(n int, c grid.Candidate, u grid.Unit) {
	mark, state := " ", []string{}
	if c.Chosen > 0 {
		mark = "*"
	}
	switch {
	case c.Ballpark:
		state = append(state, "BALLPARK")
	case c.Accuracy == nil:
		state = append(state, "accuracy not stated")
	default:
		state = append(state, words.Stated(*c.Accuracy, u))
	}
	if c.TimeDependent {
		state = append(state, "by epoch")
	}
	if c.Excluded {
		state = append(state, "ruled out by the settings")
	}
	if !c.Usable {
		state = append(state, "NOT USABLE HERE")
	}
	name := c.Name
	if len(c.Codes) > 0 {
		name += " [" + strings.Join(c.Codes, ", ") + "]"
	}
	p.printf("%s %2d  %s\n", mark, n, p.wrap(strings.Join(state, ", ")+": "+name, 6, 6))
	if c.Why != "" {
		p.para(6, 6, "%s", c.Why)
	}
	for _, m := range c.Missing {
		where := ""
		if m.Package != "" {
			where = " of " + m.Package
		}
		p.para(6, 8, "missing: %s%s; to install it: %s", m.Name, where, m.Install)
	}
	for _, note := range c.Notes {
		p.para(6, 8, "%s", note)
	}
}
