package report

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/pictures"
)

// PictureFacts words what was measured of the photos as pictures and what was
// required of them; none where nothing was required.
func PictureFacts(r *match.Result) []Fact {
	if r.Requirements == nil {
		return nil
	}
	return []Fact{{"pictures", measured(r)}, {"required", required(r.Requirements)}}
}

// measured words what was measured, from the least to the greatest.
func measured(r *match.Result) string {
	s := pictures.Summarize(r)
	if s.Measured == 0 {
		return "not measured: only the number and the names of photos were looked at"
	}
	text := words.Count(s.Measured) + " measured"
	if left := len(r.Photos) - s.Measured; left > 0 {
		text += ", " + words.Count(left) + " not"
	}
	if s.HeaderOnly > 0 {
		text += fmt.Sprintf(", %s of them by the header alone", words.Count(s.HeaderOnly))
	}
	text += fmt.Sprintf(": %d x %d", s.Smallest[0], s.Smallest[1])
	if s.Largest != s.Smallest {
		text += fmt.Sprintf(" to %d x %d", s.Largest[0], s.Largest[1])
	}
	switch {
	case s.Best == 0:
	case s.Worst == s.Best:
		text += fmt.Sprintf(", JPEG quality %d", s.Best)
	default:
		text += fmt.Sprintf(", JPEG quality %d to %d", s.Worst, s.Best)
	}
	if b := s.Blur; b != nil {
		text += fmt.Sprintf(", blur %.1f to %.1f px (median %.1f)", b[0], b[2], b[1])
	}
	return text
}

// required words the default rule, and by what the rules of codes differ.
func required(r match.Requirements) string {
	q, ok := r.(*pictures.Requirements)
	if !ok {
		return fmt.Sprint(r)
	}
	d := q.Default
	parts := []string{ruleWords(d, pictures.CodeRule{})}
	if parts[0] == "" {
		parts[0] = "nothing by default"
	}
	for _, code := range slices.Sorted(maps.Keys(q.PerCode)) {
		text := ruleWords(q.PerCode[code], d)
		if text == "" {
			text = "the same"
		}
		parts = append(parts, words.Safe(code)+" "+text)
	}
	return strings.Join(parts, "; ")
}

// ruleWords words what a rule requires that another one does not.
func ruleWords(r, d pictures.CodeRule) string {
	var out []string
	// add words a figure, which is 0 or less where nothing is required.
	add := func(v, other float64, required, any string) {
		if v > 0 && v != other {
			out = append(out, required)
		} else if v <= 0 && other > 0 {
			out = append(out, any)
		}
	}
	add(float64(r.MinPhotos), float64(d.MinPhotos), words.Plural(r.MinPhotos, "photo")+" a point", "any number of photos")
	switch {
	case r.MinLongSide == d.MinLongSide && r.MinShortSide == d.MinShortSide:
	case r.MinLongSide > 0 || r.MinShortSide > 0:
		out = append(out, fmt.Sprintf("%d x %d pixels", max(r.MinLongSide, r.MinShortSide, 0), max(r.MinShortSide, 0)))
	case d.MinLongSide > 0 || d.MinShortSide > 0:
		out = append(out, "any size")
	}
	add(float64(r.MinQuality), float64(d.MinQuality), fmt.Sprintf("JPEG quality %d", r.MinQuality), "any JPEG quality")
	add(r.MaxBlur, d.MaxBlur, fmt.Sprintf("blur up to %.3g px", r.MaxBlur), "any blur")
	add(r.MaxClipped, d.MaxClipped, fmt.Sprintf("up to %.3g %% black or white", 100*r.MaxClipped), "any exposure")
	return strings.Join(out, ", ")
}
