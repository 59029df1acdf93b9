package report

import (
	"fmt"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
)

// Compare is the JSON document of one photo held against one position, as
// schema/compare-1.json describes it. Its text tells the discrepancy, the budget that it
// was held against, and the verdict; with All to the millimetre and the second, and what
// else belongs to it.
type Compare struct {
	Head
	Grid  grid.Grid         `json:"grid"`
	Photo match.PhotoResult `json:"photo"`
	// Fits are systems, units and orders of the axes in which the coordinates would be
	// at the tag, where they are far from it.
	Fits []grid.RankedSystem `json:"would_fit,omitempty"`
	All  bool                `json:"-"`
}

func (c Compare) document() any {
	c.Head = Head{CompareFormat, jsonVersion}
	return c
}

func (c Compare) table() ([]string, [][]string) { return photoTable(c.result()) }

// result is the photo as a job of its own.
func (c Compare) result() *match.Result {
	return &match.Result{Grid: c.Grid, Photos: []match.PhotoResult{c.Photo}}
}

func (c Compare) text(p *printer) {
	ph, all, r := c.Photo, c.All, c.result()
	u := r.Grid.Unit
	length, bearing := words.Distance, roughly
	if all {
		length, bearing = millimetres, seconds
	}
	p.field("photo", "%s", words.Safe(ph.Name))
	p.field("grid", "%s", words.Grid(r.Grid))
	if t := ph.Tag; t != nil && t.Position != nil && all {
		p.field("tag", "%.8f° %.8f° as written", t.Position.Lat, t.Position.Lon)
	}
	if t := ph.Tag; t != nil && t.Direction != nil && all {
		north := "true"
		if t.Direction.Magnetic {
			north = "magnetic"
		}
		p.field("looking", "%s from %s north, as written", words.Degrees(t.Direction.Degrees), north)
	}
	for _, text := range frames(r, true) {
		p.field("frame", "%s", text)
	}
	if d := ph.Discrepancy; d != nil {
		p.field("point", "E %.3f  N %.3f %s", ph.OnGrid.E-d.DE, ph.OnGrid.N-d.DN, u.Symbol)
	}
	if at := ph.OnGrid; at != nil && all {
		p.field("on grid", "E %.3f  N %.3f %s", at.E, at.N, u.Symbol)
	} else if at != nil {
		p.field("on grid", "E %.1f  N %.1f %s", at.E, at.N, u.Symbol)
	}
	if d := ph.Discrepancy; d != nil {
		p.field("tag-point", "dE %s  dN %s", signed(d.DE, length(d.DE, u)), signed(d.DN, length(d.DN, u)))
		p.field("distance", "%s on the grid", length(d.Distance, u))
		p.field("bearing", "%s grid, from the point to the tag", bearing(d.Bearing))
		if g := d.Ground; g != nil {
			p.field("ground", "%s (combined factor %.8f at height %s, radius %s)", length(g.Distance, u), g.CombinedFactor, words.InUnit(g.Height, u), words.InUnit(g.Radius, u))
		}
		if g := d.Geodesic; g != nil {
			p.field("geodesic", "%s, azimuth %s", length(g.Distance/u.Metres, u), bearing(g.Azimuth))
		}
		if d.Convergence != nil && d.PointScale != nil && all {
			p.field("here", "convergence %s, point scale factor %.8f", grid.FormatAngle(*d.Convergence, 1), *d.PointScale)
		}
	}
	if a := ph.Allowance; a != nil {
		p.field("budget", "%s", a.In(u))
		for _, n := range a.Notes {
			p.field("", "%s", n)
		}
	}
	p.field("verdict", "%s", ph.Verdict)
	if ph.Why != "" {
		p.field("", "%s", words.Safe(ph.Why))
	}
	if ph.P != nil {
		p.field("", "noise alone puts %s tags as far off", words.Chance(*ph.P))
	}
	if t := ph.Tag; t != nil {
		for _, warn := range t.Warnings {
			p.field("note", "%s", words.Safe(warn.String()))
		}
	}
	for i, s := range c.Fits {
		label := ""
		if i == 0 {
			label = "would fit"
		}
		p.field(label, "%s", wouldFit(s, c.Grid))
	}
}

// wouldFit words the way in which coordinates would be at the tag: what differs from how they
// were read on the grid g.
func wouldFit(s grid.RankedSystem, g grid.Grid) string {
	var how []string
	if s.Definition != g.Code {
		how = append(how, fmt.Sprintf("in %s (%s)", s.Name, s.Definition))
	}
	if s.NorthFirst {
		how = append(how, "with northing and easting swapped")
	}
	if s.WestSouth {
		how = append(how, "as westing and southing")
	}
	if !s.OwnUnit {
		how = append(how, "with the numbers in the unit "+s.Unit.Name)
	}
	return words.Distance(s.Distance, grid.Metre) + " from the tag " + strings.Join(how, ", ")
}

// millimetres writes a length to the thousandth of its unit.
func millimetres(v float64, u grid.Unit) string { return fixed(v, 3) + " " + u.Symbol }

// signed is a length with a plus where it has no minus.
func signed(v float64, text string) string {
	if v < 0 {
		return text
	}
	return "+" + text
}

const noBearing = "undefined (the positions are the same within their resolution)"

// roughly writes a bearing in whole degrees, seconds to the second both ways; or that
// there is none.
func roughly(b grid.Bearing) string {
	if !b.Defined() {
		return noBearing
	}
	return words.Degrees(b.Degrees())
}

func seconds(b grid.Bearing) string {
	if !b.Defined() {
		return noBearing
	}
	return b.DMS(0) + " (" + b.Quadrant(0) + ")"
}
