package report

import (
	"fmt"
	"maps"
	"math"
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
	type size struct{ long, short int }
	var sizes []size
	var blur []float64
	worst, best := math.MaxInt, 0
	n, undecoded := 0, 0
	for i := range r.Photos {
		m := pictures.Of(&r.Photos[i].Photo)
		if m == nil {
			continue
		}
		n++
		sizes = append(sizes, size{max(m.Width, m.Height), min(m.Width, m.Height)})
		if m.Undecoded != "" {
			undecoded++
		}
		if m.Quality != nil {
			worst, best = min(worst, m.Quality.Low), max(best, m.Quality.High)
		}
		if m.Blur != nil {
			blur = append(blur, *m.Blur)
		}
	}
	if n == 0 {
		return "not measured: only the number and the names of photos were looked at"
	}
	text := words.Count(n) + " measured"
	if left := len(r.Photos) - n; left > 0 {
		text += ", " + words.Count(left) + " not"
	}
	if undecoded > 0 {
		text += fmt.Sprintf(", %s of them by the header alone", words.Count(undecoded))
	}
	slices.SortFunc(sizes, func(a, b size) int { return a.long*a.short - b.long*b.short })
	sides := func(s size) string { return fmt.Sprintf("%d x %d", s.long, s.short) }
	if lo, hi := sides(sizes[0]), sides(sizes[n-1]); lo == hi {
		text += ": " + lo
	} else {
		text += fmt.Sprintf(": %s to %s", lo, hi)
	}
	switch {
	case best == 0:
	case worst == best:
		text += fmt.Sprintf(", JPEG quality %d", best)
	default:
		text += fmt.Sprintf(", JPEG quality %d to %d", worst, best)
	}
	if len(blur) > 0 {
		slices.Sort(blur)
		text += fmt.Sprintf(", blur %.1f to %.1f px (median %.1f)", blur[0], blur[len(blur)-1], median(blur))
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
	if r.MinPhotos != d.MinPhotos {
		if r.MinPhotos > 0 {
			out = append(out, words.Plural(r.MinPhotos, "photo")+" a point")
		} else if d.MinPhotos > 0 {
			out = append(out, "any number of photos")
		}
	}
	if r.MinLongSide != d.MinLongSide || r.MinShortSide != d.MinShortSide {
		if r.MinLongSide > 0 || r.MinShortSide > 0 {
			out = append(out, fmt.Sprintf("%d x %d pixels", max(r.MinLongSide, r.MinShortSide, 0), max(r.MinShortSide, 0)))
		} else if d.MinLongSide > 0 || d.MinShortSide > 0 {
			out = append(out, "any size")
		}
	}
	if r.MinQuality != d.MinQuality {
		if r.MinQuality > 0 {
			out = append(out, fmt.Sprintf("JPEG quality %d", r.MinQuality))
		} else if d.MinQuality > 0 {
			out = append(out, "any JPEG quality")
		}
	}
	if r.MaxBlur != d.MaxBlur {
		if r.MaxBlur > 0 {
			out = append(out, fmt.Sprintf("blur up to %.3g px", r.MaxBlur))
		} else if d.MaxBlur > 0 {
			out = append(out, "any blur")
		}
	}
	if r.MaxClipped != d.MaxClipped {
		if r.MaxClipped > 0 {
			out = append(out, fmt.Sprintf("up to %.3g %% black or white", 100*r.MaxClipped))
		} else if d.MaxClipped > 0 {
			out = append(out, "any exposure")
		}
	}
	return strings.Join(out, ", ")
}
