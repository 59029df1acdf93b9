package report

import (
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
)

// Systems is the JSON document of systems that were looked up, as schema/crs-1.json
// describes it.
type Systems struct {
	Head
	Words []string `json:"words"` // those that every system goes by
	// Near is the place that brings those in use there to the front; nil for none.
	Near    *grid.LatLon        `json:"near,omitempty"`
	Systems []grid.ListedSystem `json:"systems"` // best first
	// All has the text list every system, and not the first 20.
	All bool `json:"-"`
}

func (s Systems) document() any {
	s.Head = Head{"phototie-crs", jsonVersion}
	if s.Systems == nil {
		s.Systems = []grid.ListedSystem{}
	}
	return s
}

func (s Systems) text(p *printer) {
	n := len(s.Systems)
	if !s.All {
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
}
