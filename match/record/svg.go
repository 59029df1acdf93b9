package record

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strconv"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/palette"
)

// figure is a drawing with what is said about it.
type figure struct {
	Class, Title string
	SVG          template.HTML
	// Key says that the marks stand under the drawing where it is small.
	Key     bool
	Caption []string
}

// svg is a drawing being made. Every text that goes into it is escaped here.
type svg struct{ b strings.Builder }

// f writes coordinates with a tenth of a pixel.
func f(v float64) string {
	s := strconv.FormatFloat(v, 'f', 1, 64)
	s = strings.TrimSuffix(s, ".0")
	if s == "-0" {
		return "0"
	}
	return s
}

// put writes markup in which %v stands for numbers, colours and text that is
// escaped already.
func (s *svg) put(format string, args ...any) {
	for i, a := range args {
		if v, ok := a.(float64); ok {
			args[i] = f(v)
		}
	}
	fmt.Fprintf(&s.b, format, args...)
}

// begin opens a drawing that reads as one picture; with links in it, as a group.
func (s *svg) begin(id string, w, h float64, class, title, desc string, links bool) {
	role := "img"
	if links {
		role = "group"
	}
	s.put(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %v %v" role="%v" aria-labelledby="%v-t %v-d"`, w, h, role, id, id)
	if class != "" {
		s.put(` class="%v"`, class)
	}
	s.put(`><title id="%v-t">%v</title><desc id="%v-d">%v</desc>`, id, html.EscapeString(title), id, html.EscapeString(desc))
}

func (s *svg) end() template.HTML {
	s.b.WriteString("</svg>")
	return template.HTML(s.b.String())
}

func (s *svg) line(x1, y1, x2, y2 float64, style string) {
	s.put(`<path d="M%v %vL%v %v" %v/>`, x1, y1, x2, y2, style)
}

func (s *svg) circle(x, y, r float64, style string) {
	s.put(`<circle cx="%v" cy="%v" r="%v" %v/>`, x, y, r, style)
}

func (s *svg) rect(x, y, w, h float64, style string) {
	s.put(`<rect x="%v" y="%v" width="%v" height="%v" %v/>`, x, y, w, h, style)
}

// text writes a text; anchor is start, middle or end.
func (s *svg) text(x, y float64, size float64, anchor, text, style string) {
	s.put(`<text x="%v" y="%v" font-size="%v" text-anchor="%v" %v>%v</text>`, x, y, size, anchor, style, html.EscapeString(text))
}

// Colours; those of the verdicts are the palette's.
const (
	ink  = "#16181a"
	soft = "#4d5257"
	pale = "#c9cdd1"
	wash = "#ececea"
)

// markStyle is how a verdict's marks are drawn, vectorStyle how its vectors are.
// Each has a shape of its own besides, and the lines differ in width and dash.
func markStyle(v match.Verdict) string {
	fill := palette.Of[v].Fill
	switch v {
	case match.Within:
		return `fill="#fff" stroke="` + fill + `" stroke-width="1.4"`
	case match.Unjudged:
		return `fill="none" stroke="` + fill + `" stroke-width="1.8"`
	}
	return `fill="` + fill + `" stroke="#fff" stroke-width=".6"`
}

func vectorStyle(v match.Verdict) string {
	if v == match.Unjudged {
		return lineStyle(v) + ` stroke-dasharray="2 2"`
	}
	return lineStyle(v)
}

func lineStyle(v match.Verdict) string {
	l := palette.Of[v]
	return fmt.Sprintf(`fill="none" stroke="%s" stroke-width="%s"`, l.Fill, f(l.Line))
}

// mark is the outline of a verdict's mark about a place: a circle, a triangle, a
// square or a cross.
func mark(v match.Verdict, x, y, r float64) string {
	switch v {
	case match.Within:
		return fmt.Sprintf("M%s %sa%s %s 0 1 0 %s 0a%s %s 0 1 0 %s 0z", f(x-r), f(y), f(r), f(r), f(2*r), f(r), f(r), f(-2*r))
	case match.Over:
		return fmt.Sprintf("M%s %sL%s %sL%s %sz", f(x), f(y-1.3*r), f(x+1.2*r), f(y+.85*r), f(x-1.2*r), f(y+.85*r))
	case match.Gross:
		return fmt.Sprintf("M%s %sh%sv%sh%sz", f(x-r), f(y-r), f(2*r), f(2*r), f(-2*r))
	}
	return fmt.Sprintf("M%s %sl%s %sM%s %sl%s %s", f(x-r), f(y-r), f(2*r), f(2*r), f(x-r), f(y+r), f(2*r), f(-2*r))
}

// marks gathers the marks of each verdict, so that a drawing of many photos is a
// few elements.
type marks map[match.Verdict]*strings.Builder

func (m marks) add(v match.Verdict, path string) {
	if m[v] == nil {
		m[v] = new(strings.Builder)
	}
	m[v].WriteString(path)
}

// draw draws all of them, the worst on top.
func (m marks) draw(s *svg, style func(match.Verdict) string) {
	for _, v := range []match.Verdict{match.Unjudged, match.Within, match.Over, match.Gross} {
		if b := m[v]; b != nil {
			s.put(`<path d="%v" %v/>`, b.String(), style(v))
		}
	}
}

// legend draws the marks with their words in a row and returns where it ends.
func (s *svg) legend(x, y, size float64, which []match.Verdict) float64 {
	for _, v := range which {
		s.put(`<path d="%v" %v/>`, mark(v, x+5, y-size*.35, 4.4), markStyle(v))
		s.text(x+14, y, size, "start", string(v), `fill="`+ink+`"`)
		x += 14 + float64(len(v))*size*.56 + 16
	}
	return x
}

// nice is the largest of 1, 2, 5 times a power of ten that is at most v.
func nice(v float64) float64 {
	if !(v > 0) || math.IsInf(v, 0) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{5, 2} {
		if m*p <= v*(1+1e-9) {
			return m * p
		}
	}
	return p
}

// ticks are the multiples of step from lo to hi.
func ticks(lo, hi, step float64) []float64 {
	var out []float64
	for k := math.Ceil(lo/step - 1e-9); k*step <= hi+1e-9*step && len(out) < 200; k++ {
		out = append(out, k*step)
	}
	return out
}

// tickLabel writes a tick with the decimals that its step needs.
func tickLabel(v, step float64) string {
	d := 0
	for s := step; d < 9 && math.Abs(s-math.Round(s)) > 1e-6*s; s *= 10 {
		d++
	}
	s := strconv.FormatFloat(v, 'f', d, 64)
	if s == "-0" {
		s = "0"
	}
	return signs(s)
}

// shareBar is the bar of verdict counts: each part has its mark and its count,
// and the parts differ in pattern.
func shareBar(r *match.Result) template.HTML {
	n := len(r.Photos)
	if n == 0 {
		return ""
	}
	const w, h = 1000.0, 34.0
	var words []string
	for _, v := range match.Verdicts {
		words = append(words, fmt.Sprintf("%d %s", r.Counts[v], v))
	}
	var s svg
	s.put(`<svg xmlns="http://www.w3.org/2000/svg" class="share" viewBox="0 0 %v %v" preserveAspectRatio="none" role="img" aria-label="%v">`, w, h, html.EscapeString(strings.Join(words, ", ")))
	over, unjudged := palette.Of[match.Over].Fill, palette.Of[match.Unjudged].Fill
	s.put(`<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path d="M0 0V7" stroke="%v" stroke-width="5"/></pattern>`+
		`<pattern id="dots" width="6" height="6" patternUnits="userSpaceOnUse"><circle cx="2" cy="2" r="1.2" fill="%v"/></pattern></defs>`, over, unjudged)
	fills := map[match.Verdict]string{match.Within: "#fff", match.Over: "url(#hatch)", match.Gross: palette.Of[match.Gross].Fill, match.Unjudged: "url(#dots)"}
	x := 1.0
	for _, v := range match.Verdicts {
		if r.Counts[v] == 0 {
			continue
		}
		part := (w - 2) * float64(r.Counts[v]) / float64(n)
		s.rect(x+1, 2, max(part-2, 1), h-4, `fill="`+fills[v]+`" stroke="`+palette.Of[v].Fill+`" stroke-width="2"`)
		x += part
	}
	return s.end()
}
