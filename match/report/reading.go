package report

import (
	"fmt"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/grid/site"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/pointfile"
)

// Fact is something about a job that stands in the head of a text: a name of at
// most nine letters, and what there is to say.
type Fact struct{ Name, Text string }

// SurveyFacts words how the survey's side of a dataset was understood, for a
// user to confirm: the site system with what its control says, and the points
// file with its layout. Lengths are in the unit of the job.
func SurveyFacts(r dataset.SurveyRead, u grid.Unit) []Fact {
	var out []Fact
	if r.Site != nil {
		out = append(out, siteFacts(*r.Site)...)
	}
	if r.Points != nil {
		out = append(out, Fact{"points", pointsFact(*r.Points, u)})
	}
	if l := r.Links; l != nil {
		out = append(out, Fact{"links", fmt.Sprintf("%s: %s; %d taken, %s without a point", l.File, l.Layout, l.Links, words.Plural(l.Untied, "photo"))})
	}
	return out
}

// mattering is how far off in metres a reading has to be to be reported.
const mattering = 0.1

// deliveredFact words the frame of corrected tags.
func deliveredFact(d match.Delivered, u grid.Unit) Fact {
	text := "corrected tags are in " + words.Safe(d.Source)
	if m := d.Misread; m != nil && m.Off >= mattering {
		text += fmt.Sprintf("; read as %s they are %s off, which their GPSHPositioningError covers (frame.delivered)", words.Safe(m.As), words.InUnit(m.Off, u))
	}
	return Fact{"delivered", text}
}

func siteFacts(s dataset.SiteRead) []Fact {
	d := s.Definition
	text := "site system on " + s.Base.Name
	if s.Base.Code != "" {
		text += " (" + s.Base.Code + ")"
	}
	text += ": " + parameters(d)
	switch {
	case d.Accuracy != nil:
		text += "; good to " + words.Stated(*d.Accuracy, d.Unit)
	case d.Precision != nil:
		text += fmt.Sprintf("; good to %s in the middle of its control, less outside", words.Stated(d.Precision.AtCentre, d.Unit))
	}
	out := []Fact{{"site", text}}
	if s.Plane != nil {
		out = append(out, fitFacts("site system", s.Control, *s.Plane)...)
	}
	if s.Heights != nil {
		out = append(out, fitFacts("site heights", s.Control, *s.Heights)...)
	}
	return out
}

// parameters words the parameters of a site system.
func parameters(d site.Definition) string {
	var s string
	switch {
	case d.Similarity != nil:
		s = fmt.Sprintf("similarity %s, scale %.9f, rotation %.6f°", d.Direction, d.Similarity.Scale, d.Similarity.Rotation)
	case d.Affine != nil:
		s = fmt.Sprintf("affine %s, mean scale %.9f, north turned by %.6f°", d.Direction, d.Affine.MeanScale(), d.Affine.NorthBearing())
	case d.GroundScale != nil:
		s = fmt.Sprintf("ground scale, combined factor %.9f (%+.1f ppm)", d.GroundScale.CombinedFactor, 1e6*(d.GroundScale.CombinedFactor-1))
	}
	switch v := d.Vertical; {
	case v == nil:
	case v.SlopeE == 0 && v.SlopeN == 0:
		s += fmt.Sprintf("; heights by a constant of %+.3f %s", v.Offset, d.Unit.Symbol)
	default:
		s += fmt.Sprintf("; heights by an inclined plane of %+.3f %s, %+.1f ppm to the east and %+.1f ppm to the north", v.Offset, d.Unit.Symbol, 1e6*v.SlopeE, 1e6*v.SlopeN)
	}
	return s
}

// fitFacts words a fit: its residuals and what is to be doubted.
func fitFacts(what, control string, f dataset.FitRead) []Fact {
	u := f.Unit
	text := fmt.Sprintf("%s fitted from %s of %s", what, words.Plural(f.Pairs, "pair"), words.Safe(control))
	switch {
	case f.S0 == nil:
		text += ", NOT CHECKED: there are no more pairs than the fit needs"
	case f.SigmaKnown:
		text += fmt.Sprintf(", standard error of unit weight %.2f", *f.S0)
		if f.P != nil && *f.P < 0.05 {
			text += fmt.Sprintf(" (residuals as large come by chance in %s fits: the stated standard errors are too small, or a pair is bad)", words.Chance(*f.P))
		}
	default:
		text += fmt.Sprintf(", standard error of a coordinate %s", length(*f.S0, u))
	}
	if w := f.Worst(); f.S0 != nil && w.ID != "" {
		text += fmt.Sprintf(", worst residual %s at %s", length(w.Length, u), words.Safe(w.ID))
	}
	out := []Fact{{"control", text}}
	for _, r := range f.Removed {
		out = append(out, Fact{"control", fmt.Sprintf("%s was TAKEN OUT of the fit: %s", words.Safe(r.ID), suspicion(r.Suspect, u))})
	}
	for i, s := range f.Suspects {
		if i > 0 {
			break // only the first is to be trusted: a blunder bends the fit for the rest
		}
		text := fmt.Sprintf("SUSPECT %s: %s", words.Safe(s.ID), suspicion(s, u))
		if len(s.Rivals) > 0 {
			text += "; as likely it is " + words.Safe(strings.Join(s.Rivals, ", "))
		}
		out = append(out, Fact{"control", text + "; check its coordinates on both sides"})
	}
	for _, n := range f.Notes {
		out = append(out, Fact{"control", words.Safe(n)})
	}
	return out
}

func suspicion(s site.Suspect, u grid.Unit) string {
	by := fmt.Sprintf("E %+.3f  N %+.3f %s", s.DE, s.DN, u.Symbol)
	if s.Axis == "H" {
		by = fmt.Sprintf("%+.3f %s", s.DH, u.Symbol)
	}
	return fmt.Sprintf("it is out by %s against the others (test statistic %.1f)", by, s.Statistic)
}

// length writes a small length with its unit.
func length(v float64, u grid.Unit) string { return fmt.Sprintf("%.3f %s", v, u.Symbol) }

// pointsFact words how the points file was understood.
func pointsFact(p dataset.PointsRead, u grid.Unit) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: ", words.Safe(p.File))
	for _, n := range p.Notes { // first, since a line may be cut short
		b.WriteString(words.Safe(n) + "; ")
	}
	b.WriteString(words.Plural(p.Count, "point") + ", ")
	if p.Layout != nil {
		b.WriteString(p.Layout.String())
	} else {
		b.WriteString(string(p.Format))
	}
	if p.Layer != "" {
		fmt.Fprintf(&b, ", layer %s", words.Safe(p.Layer))
	}
	switch {
	case p.Axes == pointfile.Geographic || len(p.Operations) > 0:
		fmt.Fprintf(&b, ", longitudes and latitudes in %s", words.Safe(p.CRS))
	case p.From != nil:
		fmt.Fprintf(&b, ", converted from the unit %s", p.From.Name)
	}
	for i, c := range p.Columns {
		if i == 0 {
			b.WriteString("; ")
		} else {
			b.WriteString(", ")
		}
		b.WriteString(c.Name)
		if !saysSo(c) {
			b.WriteString(" from " + words.Safe(c.From))
		}
	}
	for _, op := range p.Operations {
		fmt.Fprintf(&b, "; put on the grid from %s by %s, %s", op.Source, op.Name, words.Accuracy(op, u))
		for _, n := range op.Notes {
			b.WriteString("; " + n)
		}
	}
	if p.HeightUnit != nil {
		fmt.Fprintf(&b, "; heights in the unit %s", words.UnitName(*p.HeightUnit))
	}
	if p.Links > 0 {
		fmt.Fprintf(&b, "; the points list %s", words.Plural(p.Links, "photo"))
	}
	return b.String()
}

// saysSo reports whether the place that a column comes from bears its name.
func saysSo(c pointfile.Column) bool {
	_, heading, ok := strings.Cut(c.From, `"`)
	return ok && pointfile.Key(strings.TrimSuffix(heading, `"`)) == pointfile.Key(c.Name)
}
