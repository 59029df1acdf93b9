package report

import (
	"io"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
)

// CompareText writes the result of match.CompareOne on a grid for a person: every
// quantity of the discrepancy, the budget it was held against, and the verdict.
func CompareText(w io.Writer, g grid.Grid, ph match.PhotoResult) error {
	p := newPrinter(w)
	r := &match.Result{Grid: g, Photos: []match.PhotoResult{ph}}
	u := r.Grid.Unit
	p.field("photo", "%s", words.Safe(ph.Name))
	p.field("grid", "%s", gridName(r.Grid))
	if t := ph.Tag; t != nil && t.Position != nil {
		p.field("tag", "%.8f° %.8f° as written", t.Position.Lat, t.Position.Lon)
	}
	for _, text := range frames(r, true) {
		p.field("frame", "%s", text)
	}
	if ph.OnGrid != nil {
		p.field("on grid", "E %.3f  N %.3f %s", ph.OnGrid.E, ph.OnGrid.N, u.Symbol)
	}
	if d := ph.Discrepancy; d != nil {
		p.field("point", "E %.3f  N %.3f %s", ph.OnGrid.E-d.DE, ph.OnGrid.N-d.DN, u.Symbol)
		p.field("tag-point", "dE %+.3f  dN %+.3f %s", d.DE, d.DN, u.Symbol)
		p.field("distance", "%.3f %s on the grid", d.Distance, u.Symbol)
		if g := d.Ground; g != nil {
			p.field("ground", "%.3f %s (combined factor %.8f at %.1f m, radius %.0f m)", g.Distance, u.Symbol, g.CombinedFactor, g.Height, g.Radius)
		}
		p.field("bearing", "%s grid, from the point to the tag", bearing(d.Bearing))
		if g := d.Geodesic; g != nil {
			p.field("geodesic", "%.3f m, azimuth %s", g.Distance, bearing(g.Azimuth))
		}
		if d.Convergence != nil && d.PointScale != nil {
			p.field("here", "convergence %s, point scale factor %.8f", grid.FormatAngle(*d.Convergence, 1), *d.PointScale)
		}
	}
	if a := ph.Allowance; a != nil {
		p.field("budget", "%s", a.String())
		for _, n := range a.Notes {
			p.field("", "%s", n)
		}
	}
	p.field("verdict", "%s", ph.Verdict)
	if ph.Why != "" {
		p.field("", "%s", words.Safe(ph.Why))
	}
	if ph.P != nil {
		p.field("", "noise alone would put the tag as far off with %s", words.P(*ph.P))
	}
	if t := ph.Tag; t != nil {
		for _, warn := range t.Warnings {
			p.field("note", "%s", words.Safe(warn.String()))
		}
	}
	return p.err
}

// bearing writes a bearing both ways, or that there is none.
func bearing(b grid.Bearing) string {
	if !b.Defined() {
		return "undefined (the positions are the same within their resolution)"
	}
	return b.DMS(0) + " (" + b.Quadrant(0) + ")"
}
