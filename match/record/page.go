package record

import (
	_ "embed"
	"encoding/base64"
	"fmt"
	"html"
	"html/template"
	"io"
	"iter"
	"slices"
	"strings"
	"unicode/utf8"

	"example.com/phototie/match"
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
	"verdict": func() any { return worstFirst },
	"file":    fileName,
	"data":    dataURL,
}).Parse(pageText))

// fileName lets a path break after its slashes, and never within the end of its
// last part: nobody can read an ending that is cut in two.
func fileName(name string) template.HTML {
	at := max(strings.LastIndexByte(name, '/')+1, len(name)-14)
	for at < len(name) && !utf8.RuneStart(name[at]) {
		at++
	}
	return template.HTML(strings.ReplaceAll(html.EscapeString(name[:at]), "/", "/<wbr>") + `<span class="end">` + html.EscapeString(name[at:]) + "</span>")
}

// page is a page of a record: all of it, the first page of a folder, or some sheets.
type page struct {
	Title, Heading string
	Class          string
	Policy         string
	Block          facts
	Logo           Picture
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

// dataURL has a picture in the page itself.
func dataURL(p Picture) template.URL {
	return template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(p.JPEG))
}

type filterView struct {
	Codes []string
	What  string
}

// overview is all that stands before the sheets, and the annex behind them.
type overview struct {
	Summary      summaryView
	Checks       []Check
	Causes       []causeView
	NoCause      string
	Plans        []figure
	Plots        []figure
	NoPlots      string
	Look         []chunk[lookRow]
	LookMore     string
	NoLook       string
	HasCauses    bool
	Findings     []findingRow
	FindingsMore string
	Facts        facts
	Quality      []measureRow
}

func (d *doc) overview() *overview {
	v := &overview{Summary: d.summary(), Checks: d.checks(), Causes: d.causeViews(), HasCauses: len(d.in.Causes) > 0, NoCause: d.noCause(), Plans: d.plans(), Facts: d.jobFacts()}
	if v.Plots = d.plots(); v.Plots == nil {
		v.NoPlots = "There is nothing to plot: " + d.judgedSay() + "."
	}
	rows, more := d.lookRows()
	v.Look, v.LookMore = chunks(rows, "Photos that somebody should look at, the gross ones first", "Photos to look at, rows", func(r lookRow) string { return r.Photo.Text }), more
	v.NoLook = "Nothing: every photo is within budget, and nothing speaks against a tie."
	if len(d.r.Photos) == 0 {
		v.NoLook = "The job has no photos."
	}
	v.Findings, v.FindingsMore = d.otherFindings()
	v.Quality = measures(d.r)
	return v
}

// checks are what somebody answers for, with its words made safe.
func (d *doc) checks() []Check {
	out := make([]Check, len(d.in.Checks))
	for i, c := range d.in.Checks {
		out[i] = Check{words.Safe(c.By), words.Safe(c.When), words.Safe(c.What), words.Safe(c.Why)}
	}
	return out
}

// judged is how many photos were judged.
func (d *doc) judged() int { return len(d.r.Photos) - d.r.Counts[match.Unjudged] }

// judgedSay says how many photos were judged.
func (d *doc) judgedSay() string {
	n := d.judged()
	if n == 0 {
		return "no photo was judged"
	}
	return fmt.Sprintf("%s %s judged", words.Plural(n, "photo"), words.Pick(n, "was", "were"))
}

// noCause says why no cause is told; it is empty where one is.
func (d *doc) noCause() string {
	switch {
	case len(d.in.Causes) > 0:
		return ""
	case d.in.Causes == nil:
		return "No causes were looked for in this record."
	case d.judged() == 0:
		return "No photo was judged, so there is nothing that a cause could explain."
	case d.r.Counts[match.Over]+d.r.Counts[match.Gross] == 0:
		return "No photo is over the budget, so there is nothing that a cause could explain."
	}
	return "No cause was found that explains what is out better than chance does."
}

// filled fills in what all pages have.
func (d *doc) filled(p page) page {
	p.Title, p.Date, p.Tool, p.Logo = d.title, words.Safe(d.in.Date), words.Safe(d.in.Tool), d.in.Logo
	for _, f := range d.in.Block {
		p.Block.add(words.Safe(f.Name), words.Safe(f.Text))
	}
	return p
}

// write writes a page with a search in some sheets.
func (d *doc) write(w io.Writer, p page, what string, sheets []int) error {
	p = d.filled(p)
	p.Policy, p.CSS, p.JS = policy, template.CSS(styles), template.JS(script)
	p.Filter = filterView{d.codes(sheets), what}
	if d.in.Layout == LayoutContact {
		p.Class = "contact"
	}
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
var contents = []link{{"#summary", "Summary"}, {"#causes", "Causes"}, {"#look", "To look at"}, {"#plan", "Plan"}, {"#register", "Register"}, {"#annex", "Annex"}}

// whole writes everything as one page.
func (d *doc) whole(w io.Writer, pics *pictures) error {
	nav := slices.Insert(slices.Clone(contents), len(contents)-1, link{"#sheets", "Sheets"})
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
