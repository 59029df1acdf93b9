package report

import (
	"io"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
)

// Systems is the JSON document of systems that were looked up, as schema/crs-1.json
// describes it.
type Systems struct {
	Format  string   `json:"format"`
	Version int      `json:"version"`
	Words   []string `json:"words"` // those that every system goes by
	// Near is the place that brings those in use there to the front; nil for none.
	Near    *grid.LatLon        `json:"near,omitempty"`
	Systems []grid.ListedSystem `json:"systems"` // best first
}

// SystemsJSON writes what was looked up as one Systems document.
func SystemsJSON(w io.Writer, s Systems) error {
	s.Format, s.Version = "phototie-crs", jsonVersion
	if s.Systems == nil {
		s.Systems = []grid.ListedSystem{}
	}
	return Document(w, s)
}

// SystemsText writes what was looked up as a table, the first 20 where all is not set.
func SystemsText(w io.Writer, s Systems, all bool) error {
	p := newPrinter(w)
	n := len(s.Systems)
	if !all {
		n = min(n, 20)
	}
	var rows [][]string
	for _, x := range s.Systems[:n] {
		area, _, _ := strings.Cut(x.Area.Name, ".")
		if x.Near {
			area = "* " + area
		}
		rows = append(rows, []string{x.Definition, x.Unit.Symbol, x.Name, area})
	}
	p.table(0, []column{{head: "crs", most: 12}, {head: "unit", most: 8}, {head: "name", most: 60}, {head: "used in", most: 18}}, rows)
	if left := len(s.Systems) - n; left > 0 {
		p.printf("… and %s more; --all lists every one, more words fewer\n", words.Count(left))
	}
	if s.Near != nil {
		p.printf("* the place asked for is in the area\n")
	}
	return p.err
}
