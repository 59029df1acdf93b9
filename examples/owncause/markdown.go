package main

import (
	"io"
	"path"
	"strings"
	"text/template"
	"unicode"

	"example.com/phototie/match"
	"example.com/phototie/match/cause"
)

// page is a list for each point, in CommonMark: a box to tick for each photo, with
// what was found about it below.
var page = template.Must(template.New("").Funcs(template.FuncMap{"text": text, "base": path.Base, "value": func(p *float64) float64 { return *p }}).Parse(`# Photos of {{text .Name}}

{{len .Res.Photos}} photos of {{len .Res.Points}} points, on {{text .Res.Grid.Name}}: {{.Count "within"}} within budget, {{.Count "over"}} over, {{.Count "gross"}} gross, {{.Count "unjudged"}} unjudged.
{{with .Why.Causes}}
## Causes

{{range $i, $f := .}}{{$.Number $i}}. **{{text $f.Name}}**: {{text $f.Summary}}. {{text $f.Remedy}}.
{{range $f.Params}}{{if .StdErr}}   - {{text .Name}} {{printf "%.2f ± %.2f" .Value (value .StdErr)}} {{text .Unit}}
{{end}}{{end}}{{end}}{{end}}
{{- range $point, $photos := .Res.ByPoint}}
## {{if $point}}{{text ($.Title $point)}}

E {{printf "%.3f" $point.E}} N {{printf "%.3f" $point.N}} {{text $.Res.Grid.Unit.Symbol}}

{{if not $photos}}No photo.
{{end}}{{else}}Photos without a point

{{end}}{{range $photos}}- [{{if $.Sound .}}x{{else}} {{end}}] {{text (base .Name)}}: {{.Verdict}}
{{- with .Discrepancy}}, {{printf "%.2f" .Distance}} {{text .Unit.Symbol}} off{{if .Bearing.Defined}} at {{printf "%.0f°" .Bearing.Degrees}}{{end}}{{end}}
{{- with index $.Causes .Name}} ({{text .}}){{end}}
{{range index $.Findings .Name}}  - {{.Severity}}: {{text .Message}}; {{text .Remedy}}
{{end}}{{end}}{{end}}`))

// list is what page lists.
type list struct {
	Name string
	Res  *match.Result
	Why  *cause.Explanation
	// Causes and Findings are by photo.
	Causes   map[string]string
	Findings map[string][]match.Finding
}

func (l list) Count(v match.Verdict) int { return l.Res.Counts[v] }
func (l list) Number(i int) int          { return i + 1 }
func (l list) Title(p *match.PointResult) string {
	return strings.Join(strings.Fields(p.ID+" "+p.Code+" "+p.Desc), " ")
}
func (l list) Sound(p *match.PhotoResult) bool {
	return p.Verdict == match.Within && l.Causes[p.Name] == ""
}

// markdown writes a job as a list for each point. What comes of files is escaped.
func markdown(w io.Writer, name string, res *match.Result, why *cause.Explanation) error {
	l := list{name, res, why, map[string]string{}, map[string][]match.Finding{}}
	for _, f := range why.Causes {
		for _, p := range f.Photos {
			l.Causes[p] = strings.TrimPrefix(l.Causes[p]+", "+f.Name, ", ")
		}
	}
	for _, f := range res.Findings() {
		l.Findings[f.Photo] = append(l.Findings[f.Photo], f)
	}
	return page.Execute(w, l)
}

// text makes words stand for themselves inside a line of Markdown: every sign that could
// mean something there is escaped (CommonMark 0.31, section 2.4), and what can't be seen,
// or would end the line, is a blank.
func text(s string) string {
	var b strings.Builder
	for _, r := range strings.ToValidUTF8(s, "\uFFFD") {
		switch {
		case !unicode.IsPrint(r):
			r = ' '
		case strings.ContainsRune("\\`*_{}[]<>()#.|~&:@$", r):
			// Dots and colons too, which addresses are made of.
			b.WriteByte('\\')
		}
		b.WriteRune(r)
	}
	return b.String()
}
