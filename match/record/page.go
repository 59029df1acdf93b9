package record

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/palette"
	"example.com/phototie/match/internal/words"
)

//go:embed record.css
var ownStyles string

// styles are the record's own and those of the verdicts, from the palette.
var styles = func() string {
	var b strings.Builder
	b.WriteString(ownStyles)
	for _, v := range match.Verdicts {
		l := palette.Of[v]
		fmt.Fprintf(&b, ".v.%s { color: %s; border: %dpx %s %s; }\n.v.%s::before { content: \"%s\"; content: \"%s\" / \"\"; }\n",
			v, l.Ink, l.BorderWidth, l.Border, l.Ink, v, l.Mark, l.Mark)
	}
	return b.String()
}()

//go:embed record.js
var script string

//go:embed record.tmpl
var pageText string

var tmpl = template.Must(template.New("record").Funcs(template.FuncMap{
	"verdict": func() any { return verdictNames },
}).Parse(pageText))

var verdictNames = []string{"within", "over", "gross", "unjudged"}

// scriptHash is what the page's policy lets run: this script and no other.
var scriptHash = func() string {
	h := sha256.Sum256([]byte(script))
	return base64.StdEncoding.EncodeToString(h[:])
}()

// head is what a page begins with.
type head struct {
	Title, Heading string
	Policy         string
	CSS            template.CSS
	Style          template.CSS
	Date           string
	Nav            []link
	Pages          []link
}

// policy forbids a page everything but its own styles, script and pictures.
func policy() string {
	return "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-" + scriptHash + "'; base-uri 'none'; form-action 'none'"
}

type foot struct {
	Tool, Date string
	JS         template.JS
}

func (d *doc) foot() foot {
	return foot{Tool: words.Safe(d.in.Tool), Date: words.Safe(d.in.Date), JS: template.JS(script)}
}

func (d *doc) head(heading string) head {
	h := head{Title: d.title, Heading: heading, Policy: policy(), CSS: template.CSS(styles), Date: words.Safe(d.in.Date)}
	return h
}

type filterView struct {
	Codes []string
	What  string
	Sheet bool
}

// overview is all that stands before the sheets.
type overview struct {
	Summary      summaryView
	Looked       bool
	Causes       []causeView
	Plan         figure
	Plots        []figure
	Look         []chunk[lookRow]
	LookMore     string
	HasCauses    bool
	Findings     []findingRow
	FindingsMore string
}

func (d *doc) overview() overview {
	v := overview{Summary: d.summary(), Looked: d.in.Causes != nil, Causes: d.causeViews(), HasCauses: len(d.in.Causes) > 0, Plan: d.plan(), Plots: d.plots()}
	rows, more := d.lookRows()
	v.Look, v.LookMore = chunks(rows, "Photos that somebody should look at, the gross ones first", "Photos to look at, rows", func(r lookRow) string { return r.Photo.Text }), more
	v.Findings, v.FindingsMore = d.otherFindings()
	return v
}

// whole writes everything as one page.
func (d *doc) whole(w io.Writer, pics *pictures) error {
	h := d.head("Photo record")
	h.Nav = []link{{"#summary", "Summary"}, {"#causes", "Causes"}, {"#plan", "Plan"}, {"#plots", "Discrepancies"}, {"#look", "To look at"}, {"#register", "Register"}, {"#sheets", "Sheets"}}
	if err := tmpl.ExecuteTemplate(w, "top", h); err != nil {
		return err
	}
	if err := tmpl.ExecuteTemplate(w, "overview", d.overview()); err != nil {
		return err
	}
	all := make([]int, len(d.sheets))
	for i := range all {
		all[i] = i
	}
	if err := tmpl.ExecuteTemplate(w, "filter", filterView{Codes: d.codes(all), What: "register and sheets", Sheet: true}); err != nil {
		return err
	}
	if err := tmpl.ExecuteTemplate(w, "register", d.register()); err != nil {
		return err
	}
	if err := tmpl.ExecuteTemplate(w, "sheets-top", len(d.sheets)); err != nil {
		return err
	}
	for _, s := range all {
		if err := d.sheet(w, s, 0, pics); err != nil {
			return err
		}
	}
	if err := tmpl.ExecuteTemplate(w, "sheets-bottom", nil); err != nil {
		return err
	}
	return tmpl.ExecuteTemplate(w, "bottom", d.foot())
}

// index writes the first page of a record in a folder.
func (d *doc) index(w io.Writer) error {
	h := d.head("Photo record")
	h.Nav = []link{{"#summary", "Summary"}, {"#causes", "Causes"}, {"#plan", "Plan"}, {"#plots", "Discrepancies"}, {"#look", "To look at"}, {"#register", "Register"}}
	h.Pages = d.pageLinks(-1)
	if err := tmpl.ExecuteTemplate(w, "top", h); err != nil {
		return err
	}
	if err := tmpl.ExecuteTemplate(w, "overview", d.overview()); err != nil {
		return err
	}
	all := make([]int, len(d.sheets))
	for i := range all {
		all[i] = i
	}
	if err := tmpl.ExecuteTemplate(w, "filter", filterView{Codes: d.codes(all), What: "register"}); err != nil {
		return err
	}
	if err := tmpl.ExecuteTemplate(w, "register", d.register()); err != nil {
		return err
	}
	return tmpl.ExecuteTemplate(w, "bottom", d.foot())
}

// pageLinks are the pages of sheets by the points they begin and end with; the
// one that they stand on has no address.
func (d *doc) pageLinks(from int) []link {
	var out []link
	name := func(s int) string {
		if k := d.sheets[s].point; k >= 0 {
			return words.Safe(d.r.Points[k].ID)
		}
		return "without a point"
	}
	for p, sheets := range d.pages {
		l := link{pageFile(p + 1), name(sheets[0])}
		if last := name(sheets[len(sheets)-1]); last != l.Text {
			l.Text += " to " + last
		}
		if p == from {
			l.Href = ""
		}
		out = append(out, l)
	}
	return out
}

// sheetPage writes one page of sheets of a record in a folder.
func (d *doc) sheetPage(w io.Writer, p int, pics *pictures) error {
	pages := d.pageLinks(p)
	h := d.head("Sheets " + pages[p].Text)
	h.Nav = []link{{IndexFile, "Summary and register"}}
	h.Pages = pages
	if err := tmpl.ExecuteTemplate(w, "top", h); err != nil {
		return err
	}
	if err := tmpl.ExecuteTemplate(w, "filter", filterView{Codes: d.codes(d.pages[p]), What: "sheets of this page", Sheet: true}); err != nil {
		return err
	}
	if err := tmpl.ExecuteTemplate(w, "sheets-top", len(d.pages[p])); err != nil {
		return err
	}
	for _, s := range d.pages[p] {
		if err := d.sheet(w, s, p, pics); err != nil {
			return err
		}
	}
	if err := tmpl.ExecuteTemplate(w, "sheets-bottom", nil); err != nil {
		return err
	}
	return tmpl.ExecuteTemplate(w, "bottom", d.foot())
}

// sheet writes one sheet.
func (d *doc) sheet(w io.Writer, s, page int, pics *pictures) error {
	if err := tmpl.ExecuteTemplate(w, "sheet-top", d.sheetView(s)); err != nil {
		return err
	}
	for _, i := range d.sheets[s].photos {
		pic, picErr, err := pics.next()
		if err != nil {
			return err
		}
		if err := tmpl.ExecuteTemplate(w, "photo", d.photoView(i, page, pic, picErr)); err != nil {
			return err
		}
		d.done++
		if d.in.Progress != nil {
			d.in.Progress(d.done, len(d.r.Photos))
		}
	}
	return tmpl.ExecuteTemplate(w, "sheet-bottom", nil)
}
