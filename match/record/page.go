package record

import (
	_ "embed"
	"html/template"
	"io"
	"iter"
	"slices"

	pages "example.com/phototie/match/internal/page"
	"example.com/phototie/match/internal/words"
)

//go:embed record.css
var ownStyles string

// styles are the record's own and those of the verdicts, from the palette.
var styles = ownStyles + pages.Verdicts()

//go:embed record.js
var script string

//go:embed record.tmpl
var pageText string

var tmpl = template.Must(template.New("record").Funcs(template.FuncMap{
	"verdict": func() any { return verdictNames },
}).Parse(pageText))

var verdictNames = []string{"within", "over", "gross", "unjudged"}

// page is a page of a record: all of it, the first page of a folder, or some sheets.
type page struct {
	Title, Heading string
	Policy         string
	CSS            template.CSS
	Date, Tool     string
	Nav, Pages     []link
	// Overview and Register are on the first page, Sheets on all but the first page of
	// a folder.
	Overview *overview
	Filter   filterView
	Register []chunk[registerRow]
	Sheets   iter.Seq[sheetView]
	Photos   bool // there are sheets
	JS       template.JS
}

// policy forbids a page everything but its own styles, script and pictures.
var policy = pages.Policy(script)

type filterView struct {
	Codes []string
	What  string
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
	Quality      []measureRow
}

func (d *doc) overview() *overview {
	v := &overview{Summary: d.summary(), Looked: d.in.Causes != nil, Causes: d.causeViews(), HasCauses: len(d.in.Causes) > 0, Plan: d.plan(), Plots: d.plots()}
	rows, more := d.lookRows()
	v.Look, v.LookMore = chunks(rows, "Photos that somebody should look at, the gross ones first", "Photos to look at, rows", func(r lookRow) string { return r.Photo.Text }), more
	v.Findings, v.FindingsMore = d.otherFindings()
	v.Quality = measures(d.r)
	return v
}

// write writes a page with a search in some sheets.
func (d *doc) write(w io.Writer, p page, what string, sheets []int) error {
	p.Title, p.Policy, p.CSS, p.JS = d.title, policy, template.CSS(styles), template.JS(script)
	p.Date, p.Tool = words.Safe(d.in.Date), words.Safe(d.in.Tool)
	p.Filter = filterView{d.codes(sheets), what}
	p.Photos = len(sheets) > 0
	if err := tmpl.ExecuteTemplate(w, "page", p); d.err == nil {
		return err
	}
	return d.err
}

// all are all sheets.
func (d *doc) all() []int {
	out := make([]int, len(d.sheets))
	for i := range out {
		out[i] = i
	}
	return out
}

// contents are the sections of the first page.
var contents = []link{{"#summary", "Summary"}, {"#causes", "Causes"}, {"#plan", "Plan"}, {"#plots", "Discrepancies"}, {"#look", "To look at"}, {"#register", "Register"}}

// whole writes everything as one page.
func (d *doc) whole(w io.Writer, pics *pictures) error {
	nav := append(slices.Clone(contents), link{"#sheets", "Sheets"})
	return d.write(w, page{Heading: "Photo record", Nav: nav, Overview: d.overview(), Register: d.register(), Sheets: d.views(d.all(), 0, pics)}, "register and sheets", d.all())
}

// index writes the first page of a record in a folder.
func (d *doc) index(w io.Writer) error {
	return d.write(w, page{Heading: "Photo record", Nav: contents, Pages: d.pageLinks(-1), Overview: d.overview(), Register: d.register()}, "register", d.all())
}

// sheetPage writes one page of sheets of a record in a folder.
func (d *doc) sheetPage(w io.Writer, p int, pics *pictures) error {
	pages := d.pageLinks(p)
	return d.write(w, page{Heading: "Sheets " + pages[p].Text, Nav: []link{{IndexFile, "Summary and register"}}, Pages: pages, Sheets: d.views(d.pages[p], p, pics)},
		"sheets of this page", d.pages[p])
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

// views yields sheets as a page is written, with their photos as their pictures are
// drawn. It ends early where that fails, and leaves the error in d.
func (d *doc) views(sheets []int, page int, pics *pictures) iter.Seq[sheetView] {
	return func(yield func(sheetView) bool) {
		for _, s := range sheets {
			v := d.sheetView(s)
			v.Photos = d.photoViews(d.sheets[s].photos, page, pics)
			if d.err != nil || !yield(v) {
				return
			}
		}
	}
}

func (d *doc) photoViews(photos []int, page int, pics *pictures) iter.Seq[photoView] {
	return func(yield func(photoView) bool) {
		for _, i := range photos {
			pic, picErr, err := pics.next()
			if err != nil {
				d.err = err
				return
			}
			if !yield(d.photoView(i, page, pic, picErr)) {
				return
			}
			d.done++
			if d.in.Progress != nil {
				d.in.Progress(d.done, len(d.r.Photos))
			}
		}
	}
}
