package dataset

import (
	"errors"
	"io"
	"slices"
	"strings"
	"unicode"

	"example.com/phototie/geotag"
	"example.com/phototie/match"
)

// defaultLabel is the label where the settings have none.
var defaultLabel = LabelSettings{Title: "{point}", Description: "{point} {code} {description}", Keywords: []string{"{point}", "{code}"}}

// placeholders are those of a label.
var placeholders = []string{"{point}", "{code}", "{description}"}

// check reports what stands in braces and is no placeholder.
func (s LabelSettings) check(ps *problems) {
	for _, text := range append([]string{s.Title, s.Description}, s.Keywords...) {
		left := text
		for _, p := range placeholders {
			left = strings.ReplaceAll(left, p, "")
		}
		if strings.ContainsAny(left, "{}") {
			ps.add(0, 0, "use "+strings.Join(placeholders, ", "), "[label] has %q, with a placeholder that is not known", text)
		}
	}
}

// of is the label of a point.
func (s LabelSettings) of(p *match.Point) geotag.Label {
	if s.Title == "" && s.Description == "" && len(s.Keywords) == 0 {
		s = defaultLabel
	}
	fill := strings.NewReplacer("{point}", p.ID, "{code}", p.Code, "{description}", p.Desc)
	text := func(template string) string {
		plain := strings.Map(func(r rune) rune {
			if unicode.IsControl(r) || r == 0xFFFE || r == 0xFFFF {
				return ' '
			}
			return r
		}, fill.Replace(template))
		return strings.Join(strings.Fields(strings.ToValidUTF8(plain, "\uFFFD")), " ")
	}
	l := geotag.Label{Title: text(s.Title), Description: text(s.Description)}
	for _, k := range s.Keywords {
		if k = text(k); k != "" && !slices.Contains(l.Keywords, k) {
			l.Keywords = append(l.Keywords, k)
		}
	}
	return l
}

// labelOf is the label of a photo that is corrected; nil where none is asked for.
func (w *writing) labelOf() *geotag.Label {
	point := w.opt.points[w.cor.Point]
	if point == nil {
		return nil
	}
	l := w.c.d.settings.Label.of(point)
	l.Replace, l.AllowSigned = w.opt.Relabel, w.opt.Policy.AllowSigned
	return &l
}

// label adds to the patch of a photo what labels it. A photo that can't take the label
// gets the position alone, and a note says why.
func (w *writing) label() (notes []string, err error) {
	l := w.labelOf()
	switch {
	case l == nil:
		return nil, nil
	case w.file != w.p.Name:
		return []string{"not labelled: the position of a raw photo is in its side-car"}, nil
	}
	img, err := w.c.d.openImage(w.file)
	if err != nil {
		return nil, err
	}
	defer img.close()
	patch, err := geotag.PlanLabel(w.patch.Through(img.r), w.patch.SizeAfter(), *l)
	switch {
	case err != nil && geotag.AboutImage(err):
		return []string{"not labelled: " + err.Error()}, nil
	case err != nil:
		return nil, err
	}
	if w.patch, err = w.patch.Then(img.r, patch); errors.Is(err, io.ErrUnexpectedEOF) {
		return nil, ErrReplaced
	}
	w.labelled = !patch.Empty()
	return nil, err
}
