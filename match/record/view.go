package record

import (
	"cmp"
	"fmt"
	"html/template"
	"iter"
	"math"
	"path"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/walk"
)

// doc is a record being written: the job with what its pages need to find their
// way in it.
type doc struct {
	in      *Input
	r       *match.Result
	title   string
	split   bool
	byPoint map[string]int // index in r.Points
	sheets  []sheet
	pages   [][]int // the sheets of each page; one page where not split
	order   []int   // photos in the order in which they are written
	done    int     // photos written
	err     error   // that ended the drawing of pictures
	where   []place // of each photo
	home    []int   // sheet of each point
	causes  [][]int // causes that concern each photo
	changes map[string][]*Change
	// findings are all there are, ofPhoto those about photos as pictures by the
	// name, tooFew those about points with too few photos by the id.
	findings []match.Finding
	ofPhoto  map[string][]match.Finding
	tooFew   map[string]match.Finding
	// toLookAt says of each photo whether somebody should look at it, doubts what is
	// said of the tags of some.
	toLookAt []bool
	look     int // how many they are
	doubts   map[string][]string
}

// sheet is a sheet of photos: those of a point, or some that have none.
type sheet struct {
	id     string
	point  int // index in r.Points; -1 for photos without a point
	part   int // of the sheets without a point, from 1
	photos []int
	page   int
}

// place says where a photo stands.
type place struct {
	sheet, number int
}

func newDoc(in *Input) *doc {
	r := in.Result
	d := &doc{in: in, r: r, title: words.Safe(in.Title), byPoint: make(map[string]int, len(r.Points)),
		where: make([]place, len(r.Photos)), home: make([]int, len(r.Points)),
		causes: make([][]int, len(r.Photos)), changes: make(map[string][]*Change)}
	if d.title == "" {
		d.title = "Untitled job"
	}
	d.collect()
	for i := range r.Points {
		d.byPoint[r.Points[i].ID] = i
	}
	named := make(map[string]int, len(r.Photos))
	for i := range r.Photos {
		named[r.Photos[i].Name] = i
	}
	d.layOut()
	for c := range in.Causes {
		for _, name := range in.Causes[c].Photos {
			if i, ok := named[name]; ok && !slices.Contains(d.causes[i], c) {
				d.causes[i] = append(d.causes[i], c)
			}
		}
	}
	for i := range in.Changes {
		c := &in.Changes[i]
		d.changes[c.Photo] = append(d.changes[c.Photo], c)
	}
	return d
}

// layOut makes the sheets: one for each point, with or without photos, then those of
// photos without a point.
func (d *doc) layOut() {
	of := make([][]int, len(d.r.Points))
	var untied []int
	for i := range d.r.Photos {
		p := &d.r.Photos[i]
		if p.Tie != nil {
			if k, ok := d.byPoint[p.Tie.Point]; ok {
				of[k] = append(of[k], i)
				continue
			}
		}
		untied = append(untied, i)
	}
	add := func(s sheet) {
		for n, i := range s.photos {
			d.where[i] = place{len(d.sheets), n + 1}
		}
		d.order = append(d.order, s.photos...)
		d.sheets = append(d.sheets, s)
	}
	for k, photos := range of {
		d.home[k] = len(d.sheets)
		add(sheet{id: fmt.Sprintf("point-%d", k+1), point: k, photos: photos})
	}
	part := 0
	for chunk := range slices.Chunk(untied, untiedPerSheet) {
		part++
		add(sheet{id: fmt.Sprintf("without-point-%d", part), point: -1, part: part, photos: chunk})
	}
}

// place lays the sheets out on pages of about n photos.
func (d *doc) place(n int) {
	on := n
	for i := range d.sheets {
		s := &d.sheets[i]
		if on >= n || on > 0 && on+len(s.photos) > n+n/4 {
			d.pages = append(d.pages, nil)
			on = 0
		}
		on += max(len(s.photos), 1)
		s.page = len(d.pages) - 1
		d.pages[s.page] = append(d.pages[s.page], i)
	}
}

// bare says that no photo is tied to a point.
func (d *doc) bare(k int) bool { return len(d.sheets[d.home[k]].photos) == 0 }

// to is the address of an anchor on the page of a sheet, seen from a page: the
// number of a page of sheets, or -1 for the index.
func (d *doc) to(from, s int, anchor string) string {
	if !d.split || d.sheets[s].page == from {
		return "#" + anchor
	}
	return pageFile(d.sheets[s].page+1) + "#" + anchor
}

// photoID is the anchor of a photo.
func photoID(i int) string { return fmt.Sprintf("photo-%d", i+1) }

// causeLink is the address of a cause.
func (d *doc) causeLink(from, c int) string {
	a := fmt.Sprintf("#cause-%d", c+1)
	if d.split && from >= 0 {
		return IndexFile + a
	}
	return a
}

// link is an address with its text.
type link struct {
	Href, Text string
}

// fact is a term with what there is to say about it, one paragraph each.
type fact struct {
	Term string
	Text []string
	Link *link
	Note string
	Sums [][2]string
	Wide bool
	// Found marks a finding.
	Found bool
}

// facts are what there is to say of something.
type facts []fact

// add adds a term with what there is to say about it; nothing where that is nothing.
func (fs *facts) add(term string, text ...string) {
	if len(text) > 0 {
		*fs = append(*fs, fact{Term: term, Text: text})
	}
}

// --- the summary ---

type verdictRow struct {
	Verdict                        match.Verdict
	Count, Share, Median, Greatest string
	Meaning                        string
}

type summaryView struct {
	State, Left string // of the positions
	Lead        string
	Says        []string
	Rows        []verdictRow
	Bar         template.HTML
	HasPhoto    bool
}

// meanings says what a verdict means.
var meanings = map[match.Verdict]string{
	match.Within:   "no further from its point than the budget allows",
	match.Over:     "further than the budget allows",
	match.Gross:    "so much further that handheld noise can\u2019t explain it",
	match.Unjudged: "nothing to judge, with the reason",
}

func (d *doc) summary() summaryView {
	r := d.r
	n := len(r.Photos)
	v := summaryView{HasPhoto: n > 0, Bar: shareBar(r), Lead: d.lead(), Says: slices.Concat(d.judgedSays(), d.requiredSays())}
	v.State, v.Left = d.state()
	if k := len(r.UnmatchedLinks); k > 0 {
		v.Says = append(v.Says, fmt.Sprintf("%s %s to no photo of the job.", words.Plural(k, "link"), words.Pick(k, "leads", "lead")))
	}
	u := r.Grid.Unit
	by := r.ByVerdict()
	slices.SortStableFunc(by, func(a, b match.VerdictSummary) int {
		return slices.Index(worstFirst, a.Verdict) - slices.Index(worstFirst, b.Verdict)
	})
	for _, sum := range by {
		row := verdictRow{Verdict: sum.Verdict, Count: words.Count(sum.Photos), Meaning: meanings[sum.Verdict], Share: "–", Median: "–", Greatest: "–"}
		if n > 0 {
			row.Share = percent(sum.Share)
		}
		if !math.IsNaN(sum.Median) {
			row.Median, row.Greatest = withUnit(sum.Median, u), withUnit(sum.Greatest, u)
		}
		v.Rows = append(v.Rows, row)
	}
	return v
}

// state says how many photos of how many points there are and in which state their
// positions are, and why some are as they were taken.
func (d *doc) state() (state, left string) {
	state = words.Plural(len(d.r.Photos), "photo") + " of " + words.Plural(len(d.r.Points), "point")
	if len(d.in.Changes) == 0 {
		return state + "; positions as taken.", ""
	}
	corrected := 0
	var why []string
	for _, cs := range d.changes {
		c := cs[len(cs)-1]
		switch {
		case c.Left != "":
			why = append(why, words.Safe(c.Left))
		case c.restored:
		default:
			corrected++
		}
	}
	state += fmt.Sprintf("; %s corrected", words.Plural(corrected, "position"))
	if n := len(d.r.Photos) - corrected; n > 0 {
		state += fmt.Sprintf("; %s as taken", words.Count(n))
	}
	slices.Sort(why) // the changes come in any order
	if len(why) > 0 {
		left = "As taken: " + listed(words.Commonest(why)) + "."
	}
	return state + ".", left
}

// lead says how many photos are to be looked at.
func (d *doc) lead() string {
	look, n := d.look, len(d.r.Photos)
	switch {
	case n == 0:
		return "The job has no photos."
	case look > 0:
		return fmt.Sprintf("%s of %s %s to be looked at.", words.Count(look), words.Plural(n, "photo"), words.Pick(look, "is", "are"))
	case n == 1:
		return "The one photo is within the budget."
	}
	return fmt.Sprintf("All %s are within the budget, and nothing speaks against a tie.", words.Plural(n, "photo"))
}

// judgedSays sums up how photos were judged and tied.
func (d *doc) judgedSays() (says []string) {
	r := d.r
	if r.Set != nil && r.Set.Over.N >= fewestPlotted {
		o := r.Set.Over
		more := " Noise alone puts so many there in "
		if o.P < 0.01 {
			more = " That is more than noise explains: noise alone puts so many there in "
		}
		says = append(says, fmt.Sprintf("Of the %s judged, %s %s over the budget or gross, %s; noise alone puts about %s there.%s%s.",
			words.Plural(o.N, "photo"), words.Count(o.Over), words.Pick(o.Over, "is", "are"), percent(o.Share), percent(o.Expected), more, chance(o.P)+" jobs"))
	}
	var unjudged []string
	doubted := 0
	for i := range r.Photos {
		p := &r.Photos[i]
		if p.Verdict == match.Unjudged {
			unjudged = append(unjudged, words.Reason(string(p.Reason)))
		}
		if contested(p) {
			doubted++
		}
	}
	if n := len(unjudged); n > 0 {
		why := words.Commonest(unjudged)
		list := why[0].Text
		if len(why) > 1 {
			list = listed(why)
		}
		says = append(says, fmt.Sprintf("%s could not be judged: %s.", words.Plural(n, "photo"), list))
	}
	if doubted > 0 {
		says = append(says, fmt.Sprintf("%s probably %s another point than the one linked, by tag, time and the photos before and after.",
			words.Plural(doubted, "photo"), words.Pick(doubted, "shows", "show")))
	}
	bare := 0
	for i := range r.Points {
		if _, told := d.tooFew[r.Points[i].ID]; d.bare(i) && !told {
			bare++
		}
	}
	if bare > 0 {
		says = append(says, fmt.Sprintf("%s %s no photo.", words.Plural(bare, "point"), words.Pick(bare, "has", "have")))
	}
	return says
}

// listed writes texts with how often they came: "blurred (3), too small (1)".
func listed(cs []words.Counted) string {
	out := make([]string, len(cs))
	for i, c := range cs {
		out[i] = fmt.Sprintf("%s (%s)", c.Text, words.Count(c.N))
	}
	return strings.Join(out, ", ")
}

// jobFacts are the frame, the budget and the set in figures.
func (d *doc) jobFacts() facts {
	r := d.r
	u := r.Grid.Unit
	var out facts
	out.add("Grid", words.Grid(r.Grid))
	tied, with := r.Tied()
	out.add("Photos", fmt.Sprintf("%s, %s of them tied to a point", words.Count(len(r.Photos)), words.Count(tied)))
	out.add("Points", fmt.Sprintf("%s, %s of them with a photo", words.Count(len(r.Points)), words.Count(with)))
	if lo, hi, conf, ok := r.Thresholds(); ok {
		text := withUnit(lo, u)
		if t := withUnit(hi, u); t != text {
			text = length(lo) + " to " + t
		}
		out.add("Allowed", fmt.Sprintf("%s at %g%s%%, by what each photo and point states", text, 100*conf, nbsp))
	}
	out.addSet(r)
	wide := func(term string, text []string) {
		if len(text) > 0 {
			out = append(out, fact{Term: term, Text: text, Wide: true})
		}
	}
	wide("Tags carried by", operations(r))
	var cameras []string
	for i := range r.Cameras {
		c := &r.Cameras[i]
		if len(c.Summary) == 0 {
			continue
		}
		if len(cameras) == mostCameras {
			cameras = append(cameras, fmt.Sprintf("and %s more", words.Count(len(r.Cameras)-i)))
			break
		}
		name := words.Safe(c.Camera)
		if name == "" {
			name = "not named"
		}
		cameras = append(cameras, name+": "+words.Safe(strings.Join(c.Summary, "; ")))
	}
	wide("Cameras", cameras)
	if slices.ContainsFunc(d.in.Changes, func(c Change) bool { return c.Before != c.After }) {
		wide("Corrected positions", []string{"They are in the photos' metadata. " + words.InPicture})
	}
	for _, f := range d.in.Facts {
		wide(title(words.Safe(f.Name)), []string{words.Safe(f.Text)})
	}
	return out
}

// addSet adds the statistics of the judged photos.
func (fs *facts) addSet(r *match.Result) {
	if n := r.Written; n > 0 {
		fs.add("Written", fmt.Sprintf("%s written from the points, which %s in no statistics", words.Plural(n, "tag was", "tags were"), words.Pick(n, "is", "are")))
	}
	s, which := r.Noise()
	if s == nil {
		return
	}
	u := r.Grid.Unit
	fs.add("Set", fmt.Sprintf("the %s %s", words.Plural(s.N, "photo"), which))
	rm := fmt.Sprintf("east %s, north %s, radial %s", length(s.RMSEE), length(s.RMSEN), withUnit(s.RMSER, u))
	fs.add("RMSE", rm)
	if c := s.Robust; c != nil && s.N > 1 { // one photo has no spread
		fs.add("Robust centre", fmt.Sprintf("tag minus point: %s east, %s north; spread %s per axis", offset(c.Centre.E, u), offset(c.Centre.N, u), withUnit(c.Spread, u)))
	}
	if s.Shift != nil {
		fs.add("Common shift", fmt.Sprintf("tag minus point: %s east, %s north over %s; noise alone makes one as large in %s jobs (Hotelling)", offset(s.Shift.Mean.E, u), offset(s.Shift.Mean.N, u), words.Plural(s.Shift.Visits, "visit"), chance(s.Shift.P)))
	}
	if e := s.Ellipse; e != nil {
		t := fmt.Sprintf("half axes %s and %s at %g%s%%", length(e.SemiMajor), withUnit(e.SemiMinor, u), 100*e.Confidence, nbsp)
		if e.Bearing.Defined() {
			t += fmt.Sprintf(", the long one along %.0f°", e.Bearing.Degrees())
		}
		fs.add("Error ellipse", t)
	}
}

// measureRow is a measure of the annex, in words.
type measureRow struct {
	match.Measure
	Result, Level string
}

// measures words the measures of positional accuracy.
func measures(r *match.Result) []measureRow {
	var rows []measureRow
	for _, m := range r.Quality {
		row := measureRow{Measure: m, Level: "none set"}
		switch {
		case m.Result == nil:
			row.Result = "not stated: " + m.Why
		case m.Unit == r.Grid.Unit.Symbol:
			row.Result = withUnit(*m.Result, r.Grid.Unit)
		default:
			row.Result = percent(*m.Result)
		}
		if m.Level != nil && m.Conforms != nil {
			row.Level = percent(*m.Level) + ", " + map[bool]string{true: "met", false: "not met"}[*m.Conforms]
		}
		rows = append(rows, row)
	}
	return rows
}

// title makes the first letter a capital.
func title(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if r == utf8.RuneError {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// mostCameras is how many cameras are listed.
const mostCameras = 12

// contested says that the evidence is against a photo's link.
func contested(p *match.PhotoResult) bool {
	f := p.Inference
	return p.Tie != nil && f != nil && f.LinkProbability != nil &&
		(f.Link == walk.Contradicted || f.Link == walk.Doubtful && *f.LinkProbability < 0.5)
}

// shows words which point a photo shows by all the evidence.
func shows(f *match.Inference) string {
	if f.Point == "" {
		return "no point"
	}
	return words.Safe(f.Point)
}

// likely writes a probability that is near 0 or 1 as a bound.
func likely(p float64) string { return together(words.Percent(p)) }

// operations words the operations that transformed tags to the grid, the commonest
// first.
func operations(r *match.Result) []string {
	text := map[*grid.Operation]string{}
	var all []string
	for i := range r.Photos {
		op := r.Photos[i].Operation
		if op == nil {
			continue
		}
		if _, ok := text[op]; !ok {
			t := words.Safe(op.Name) + ", from " + words.Safe(op.Source)
			switch {
			case op.Ballpark:
				t += ". A ballpark operation, which may be hundreds of metres out"
			default:
				t += "; " + together(words.Accuracy(op, r.Grid.Unit))
			}
			for _, n := range op.Notes {
				t += "; " + words.Safe(n)
			}
			text[op] = t
		}
		all = append(all, text[op])
	}
	var out []string
	for _, c := range words.Commonest(all) {
		out = append(out, words.Plural(c.N, "tag")+": "+c.Text)
	}
	return out
}

// --- causes ---

type causeView struct {
	ID, Name, Summary, Remedy string
	Details                   []string
	Count                     string
	Photos                    []link
	More                      string
}

// mostLinks is how many photos of a cause are linked to.
const mostLinks = 60

func (d *doc) causeViews() []causeView {
	of := make([][]int, len(d.in.Causes))
	for i := range d.r.Photos {
		for _, c := range d.causes[i] {
			of[c] = append(of[c], i)
		}
	}
	out := make([]causeView, len(d.in.Causes))
	for c := range out {
		in := &d.in.Causes[c]
		v := causeView{ID: fmt.Sprintf("cause-%d", c+1), Name: title(words.Safe(in.Name)), Summary: title(words.Safe(in.Summary)), Remedy: title(words.Safe(in.Remedy)), Count: words.Plural(len(in.Photos), "photo")}
		for _, t := range in.Details {
			v.Details = append(v.Details, words.Safe(t))
		}
		for k, i := range of[c] {
			if k == mostLinks {
				v.More = fmt.Sprintf("and %s more", words.Count(len(of[c])-mostLinks))
				break
			}
			v.Photos = append(v.Photos, link{d.to(-1, d.where[i].sheet, photoID(i)), words.Safe(path.Base(d.r.Photos[i].Name))})
		}
		out[c] = v
	}
	return out
}

// --- what is to be looked at ---

type lookRow struct {
	Verdict              match.Verdict
	Photo, Point         link
	Code, Query          string
	Distance, Bearing    string
	Allowed, Chance, Say string
	Causes               []link
}

// chunk is a table, or a part of one that is too long for browsers to lay out
// at once.
type chunk[T any] struct {
	Caption string
	Rows    []T
	Chunk   bool // it is a part
}

// chunkRows is how many rows a part of a table has.
const chunkRows = 250

// chunks cuts rows into parts. A table that is short enough is one part.
func chunks[T any](rows []T, caption, part string, name func(T) string) []chunk[T] {
	if len(rows) == 0 {
		return nil
	}
	if len(rows) <= 2*chunkRows {
		return []chunk[T]{{Caption: caption, Rows: rows}}
	}
	var out []chunk[T]
	for c := range slices.Chunk(rows, chunkRows) {
		n := len(out)*chunkRows + 1
		out = append(out, chunk[T]{Chunk: true, Rows: c, Caption: fmt.Sprintf("%s %s to %s of %s, from %s to %s",
			part, words.Count(n), words.Count(n+len(c)-1), words.Count(len(rows)), name(c[0]), name(c[len(c)-1]))})
	}
	return out
}

// mostRows is how many rows of photos to look at are listed.
const mostRows = 2000

func (d *doc) lookRows() (rows []lookRow, more string) {
	n := 0
	for _, v := range worstFirst {
		for i := range d.r.Photos {
			if d.r.Photos[i].Verdict != v || !d.toLookAt[i] {
				continue
			}
			if n++; n <= mostRows {
				rows = append(rows, d.lookRow(i))
			}
		}
	}
	if n > mostRows {
		more = fmt.Sprintf("%s more are on their sheets.", words.Count(n-mostRows))
	}
	return rows, more
}

func (d *doc) lookRow(i int) lookRow {
	u, p, w := d.r.Grid.Unit, &d.r.Photos[i], d.where[i]
	row := lookRow{Verdict: p.Verdict, Photo: link{d.to(-1, w.sheet, photoID(i)), words.Safe(p.Name)}, Query: query(p.Name)}
	if k := d.sheets[w.sheet].point; k >= 0 {
		pt := &d.r.Points[k]
		row.Point = link{d.to(-1, w.sheet, d.sheets[w.sheet].id), words.Safe(pt.ID)}
		row.Code, row.Query = words.Safe(pt.Code), query(pt.ID, pt.Code, pt.Desc, p.Name)
	}
	if p.Discrepancy != nil {
		row.Distance, row.Bearing = withUnit(p.Discrepancy.Distance, u), bearing(p.Discrepancy.Bearing)
		if p.Allowance != nil {
			row.Allowed = withUnit(p.Allowance.Threshold/u.Metres, u)
		}
	}
	if p.PAdjusted != nil {
		row.Chance = chance(*p.P)
	}
	var say []string
	if p.Verdict == match.Unjudged {
		say = append(say, words.Reason(string(p.Reason)))
	}
	if contested(p) {
		say = append(say, fmt.Sprintf("probably shows %s (%s)", shows(p.Inference), likely(p.Inference.Probability)))
	} else if s := nearer(p, u); s != "" {
		say = append(say, s)
	}
	row.Say = strings.Join(slices.Concat(say, d.amiss(i), d.doubts[p.Name]), "; ")
	for _, c := range d.causes[i] {
		row.Causes = append(row.Causes, link{d.causeLink(-1, c), words.Safe(d.in.Causes[c].Name)})
	}
	return row
}

// nearer says which point is nearer to the tag than the tied one.
func nearer(p *match.PhotoResult, u grid.Unit) string {
	n := p.Nearest
	if n == nil || p.Tie != nil && n.Point == p.Tie.Point {
		return ""
	}
	return fmt.Sprintf("nearest to the tag is %s at %s", words.Safe(n.Point), withUnit(n.Distance, u))
}

type findingRow struct {
	Severity, Subject, Message, Remedy string
}

// otherFindings are those that neither the table of photos nor the register nor the
// sheets show.
func (d *doc) otherFindings() (rows []findingRow, more string) {
	n := 0
	for _, f := range d.findings {
		if asPicture(f) {
			continue
		}
		switch f.Code {
		case match.FindingGross, match.FindingOver, match.FindingNoTag, match.FindingNoTie, match.FindingPointWithoutPhoto, match.FindingMetadata,
			match.FindingContradicted, match.FindingDoubted, match.FindingInferred, match.FindingCause:
			continue
		}
		if n++; n > mostRows {
			continue
		}
		subject := cmp.Or(f.Photo, f.Point, "the job")
		if f.Line > 0 {
			subject += fmt.Sprintf(" (line %d)", f.Line)
		}
		rows = append(rows, findingRow{string(f.Severity), words.Safe(subject), words.Safe(f.Message), words.Safe(f.Remedy)})
	}
	if n > mostRows {
		more = fmt.Sprintf("%s more are left out here.", words.Count(n-mostRows))
	}
	return rows, more
}

// --- the register ---

type registerRow struct {
	ID, Code, Desc string
	Link           string // empty where there is no sheet
	Photos         string
	Verdicts       []verdictCount
	Look           bool
	Tokens, Query  string
	Greatest       string
	Lacks          string // of the photos required
}

// worstFirst are the verdicts in the order in which they matter.
var worstFirst = []match.Verdict{match.Gross, match.Over, match.Unjudged, match.Within}

type verdictCount struct {
	Verdict match.Verdict
	Count   string
}

func (d *doc) register() []chunk[registerRow] {
	var out []registerRow
	row := func(s int) registerRow {
		v := registerRow{Photos: words.Count(len(d.sheets[s].photos)), Link: d.to(-1, s, d.sheets[s].id)}
		n := map[match.Verdict]int{}
		greatest := -1.0
		names := []string{}
		for _, i := range d.sheets[s].photos {
			p := &d.r.Photos[i]
			n[p.Verdict]++
			v.Look = v.Look || d.toLookAt[i]
			if p.Discrepancy != nil {
				greatest = max(greatest, p.Discrepancy.Distance)
			}
			names = append(names, path.Base(p.Name))
		}
		var tokens []string
		for _, verdict := range worstFirst {
			if n[verdict] > 0 {
				v.Verdicts = append(v.Verdicts, verdictCount{verdict, words.Count(n[verdict])})
				tokens = append(tokens, string(verdict))
			}
		}
		v.Tokens = strings.Join(tokens, " ")
		if greatest >= 0 {
			v.Greatest = withUnit(greatest, d.r.Grid.Unit)
		}
		v.Query = query(names...)
		return v
	}
	for k := range d.r.Points {
		p := &d.r.Points[k]
		v := row(d.home[k])
		if d.bare(k) {
			v.Tokens, v.Look = "none", true
		}
		if f, ok := d.tooFew[p.ID]; ok {
			v.Look, v.Lacks = true, words.Safe(f.Message)
		}
		v.ID, v.Code, v.Desc = words.Safe(p.ID), words.Safe(p.Code), words.Safe(p.Desc)
		v.Query = query(p.ID, p.Code, p.Desc) + " " + v.Query
		out = append(out, v)
	}
	for s := len(d.r.Points); s < len(d.sheets); s++ {
		v := row(s)
		v.ID = "Photos without a point"
		if d.withoutPoint() > 1 {
			v.ID += fmt.Sprintf(", %d", d.sheets[s].part)
		}
		out = append(out, v)
	}
	return chunks(out, "Every point with its photos", "Rows", func(r registerRow) string { return r.ID })
}

// withoutPoint is the number of sheets of photos that have no point.
func (d *doc) withoutPoint() int { return len(d.sheets) - len(d.r.Points) }

// query is the text that a search looks into.
func query(parts ...string) string {
	return strings.ToLower(words.Safe(strings.Join(parts, " ")))
}

// codes lists the codes of the points on some sheets, sorted.
func (d *doc) codes(sheets []int) []string {
	var out []string
	for _, s := range sheets {
		if k := d.sheets[s].point; k >= 0 && d.r.Points[k].Code != "" {
			out = append(out, words.Safe(d.r.Points[k].Code))
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// --- sheets ---

type sheetView struct {
	Photos                iter.Seq[photoView]
	ID, Title, Desc, Code string
	Query                 string
	Facts                 facts
	Sketch                template.HTML
	Count                 string
	HasPoint              bool
	None                  string // said where there is no photo
}

func (d *doc) sheetView(s int) sheetView {
	sh := &d.sheets[s]
	v := sheetView{ID: sh.id, Count: words.Plural(len(sh.photos), "photo")}
	if sh.point < 0 {
		v.Title = "Photos without a point"
		if d.withoutPoint() > 1 {
			v.Title += fmt.Sprintf(", %d of %d", sh.part, d.withoutPoint())
		}
		v.Facts.add("Photos", words.Count(len(sh.photos)))
		return v
	}
	p := &d.r.Points[sh.point]
	u := d.r.Grid.Unit
	v.HasPoint = true
	if len(sh.photos) == 0 {
		v.None = "No photo is tied to this point."
	}
	v.Title, v.Desc, v.Code = words.Safe(p.ID), words.Safe(p.Desc), words.Safe(p.Code)
	v.Query = query(p.ID, p.Code, p.Desc)
	if p.Code != "" {
		v.Facts.add("Code", words.Safe(p.Code))
	}
	position := []string{"not known"}
	if grid.Finite(p.EN.E, p.EN.N) {
		position = []string{signs(fmt.Sprintf("E %.3f", p.E)), signs(fmt.Sprintf("N %.3f", p.N)) + nbsp + u.Symbol}
	}
	v.Facts.add("Grid position", position...)
	if p.Height != nil {
		h := d.in.HeightUnit
		if h.Metres == 0 {
			h = u
		}
		v.Facts.add("Height", signs(fmt.Sprintf("%.3f", *p.Height/h.Metres))+nbsp+h.Symbol)
	}
	if d.in.Geographic != nil {
		f := fact{Term: "Geographic", Note: words.Safe(d.r.Grid.Frame)}
		if at, err := d.in.Geographic(p.EN); err != nil {
			f.Text = []string{"not known: " + words.Safe(err.Error())}
		} else {
			f.Text = strings.Split(latLon(at.Lat, at.Lon, 5), " ")
		}
		v.Facts = append(v.Facts, f)
	}
	sigma := func(i int) string { return stated(math.Sqrt(max(0, p.Cov[i])), u) }
	switch {
	case p.Cov != nil && p.Cov[0] == p.Cov[2] && p.Cov[1] == 0:
		v.Facts.add("Survey accuracy", sigma(0)+" per axis (standard deviation)")
	case p.Cov != nil:
		v.Facts.add("Survey accuracy", sigma(0)+" east, "+sigma(2)+" north (standard deviations)")
	case d.r.Budget.PointSigma > 0:
		v.Facts.add("Survey accuracy", stated(d.r.Budget.PointSigma, u)+" per axis, by the budget")
	}
	if f, ok := d.tooFew[p.ID]; ok {
		v.Facts = append(facts{{Term: title(string(f.Severity)), Found: true, Text: []string{title(words.Safe(f.Message)) + "."}}}, v.Facts...)
	}
	if !p.Observed.IsZero() {
		v.Facts.add("Observed", p.Observed.Format("2006-01-02 15:04:05 -07:00"))
	}
	v.Sketch = d.sketch(s)
	return v
}

type photoView struct {
	ID, Name, Base string
	Point, Brief   string
	Look           bool
	Number         int
	Verdict        match.Verdict
	Query          string
	Picture        Picture
	Alt, NoImg     string
	Link           string
	Facts, Changes facts
	Causes         []link
}

func (d *doc) photoView(i, page int, pic Picture, picErr error) photoView {
	p := &d.r.Photos[i]
	u := d.r.Grid.Unit
	w := d.where[i]
	name := words.Safe(p.Name)
	v := photoView{ID: photoID(i), Name: name, Base: words.Safe(path.Base(p.Name)), Number: w.number, Verdict: p.Verdict, Query: query(p.Name, p.Original)}
	v.Alt = "Photo " + v.Base
	v.Look, v.Brief = d.toLookAt[i], brief(p, u)
	if k := d.sheets[w.sheet].point; k >= 0 {
		v.Point = words.Safe(d.r.Points[k].ID)
		v.Alt += ", tied to " + v.Point
	}
	switch {
	case picErr != nil:
		v.NoImg = "No picture: " + words.Safe(picErr.Error())
	case len(pic.JPEG) > 0:
		v.Picture = pic
	}
	if d.in.PhotoLink != nil {
		v.Link = d.in.PhotoLink(p.Name)
	}
	v.Facts = slices.Concat(d.foundFacts(i), showsFacts(p), d.nearestFact(p, page), judgedFacts(p, u), tagFacts(p, u), tieFacts(p, u), pictureFacts(p), noteFacts(p))
	for _, c := range d.changes[p.Name] {
		v.Changes = append(v.Changes, changeFact(c))
	}
	for _, c := range d.causes[i] {
		v.Causes = append(v.Causes, link{d.causeLink(page, c), words.Safe(d.in.Causes[c].Name)})
	}
	return v
}

// brief is a photo in a line: how far off, how far it may be, and when it was taken.
func brief(p *match.PhotoResult, u grid.Unit) string {
	var parts []string
	if x := p.Discrepancy; x != nil {
		at := withUnit(x.Distance, u)
		if x.Bearing.Defined() {
			at += " to " + wind(x.Bearing.Degrees())
		}
		if p.Allowance != nil {
			at += ", allowed " + withUnit(p.Allowance.Threshold/u.Metres, u)
		}
		parts = append(parts, at)
	} else if p.Verdict == match.Unjudged {
		parts = append(parts, words.Reason(string(p.Reason)))
	}
	if t := p.Tag; t != nil && t.Taken != nil {
		parts = append(parts, t.Taken.Time.Format("2006-01-02 15:04"))
	}
	return strings.Join(parts, " · ")
}

// tagFacts are what the image says: when and where it was taken, and which way.
func tagFacts(p *match.PhotoResult, u grid.Unit) (out facts) {
	if p.Original != "" {
		out.add("Came as", words.Safe(p.Original))
	}
	if t := p.Tag; t != nil {
		if t.Taken != nil {
			out.add("Taken", clock(t.Taken))
		} else if t.GPSTime != nil {
			out.add("Taken", stamp(*t.GPSTime)+", by GNSS")
		}
		if t.Direction != nil {
			out.add("Looking", direction(t.Direction))
		}
		if t.Position != nil {
			out.add("Tag", latLon(t.Position.Lat, t.Position.Lon, 2)+tagDatum(t, u))
		}
	}
	return out
}

// judgedFacts are the discrepancy and what it was held against.
func judgedFacts(p *match.PhotoResult, u grid.Unit) (out facts) {
	if x := p.Discrepancy; x != nil {
		out.add("Discrepancy", fmt.Sprintf("%s, bearing %s; %s east, %s north", withUnit(x.Distance, u), bearing(x.Bearing), offset(x.DE, u), offset(x.DN, u)))
		if a := p.Allowance; a != nil {
			out.add("Allowed", fmt.Sprintf("%s at %g%s%%, made of %s", withUnit(a.Threshold/u.Metres, u), 100*a.Confidence, nbsp, made(a, u)))
			if a.Expected != nil {
				out.add("Judged", fmt.Sprintf("%s from where the image says that the camera stood", withUnit(a.Judged/u.Metres, u)))
			}
		}
		if p.PAdjusted != nil && p.P != nil {
			out.add("By chance", "noise alone puts "+chance(*p.P)+" tags as far off, and one among all so far in "+chance(*p.PAdjusted)+" jobs")
		}
	} else if p.Why != "" {
		out.add("Not judged", words.Safe(p.Why))
	}
	return out
}

// showsFacts say which point the photo shows where that is not the linked one.
func showsFacts(p *match.PhotoResult) (out facts) {
	if f := p.Inference; contested(p) {
		text := []string{fmt.Sprintf("probably %s (%s); probability that the link is correct %s", shows(f), likely(f.Probability), likely(*f.LinkProbability))}
		for _, e := range f.Evidence {
			text = append(text, words.Safe(e))
		}
		out.add("Shows", text...)
	} else if f != nil && p.Tie == nil && f.Point != "" {
		out.add("Shows", fmt.Sprintf("perhaps %s (%s)", shows(f), likely(f.Probability)))
	}
	return out
}

// nearestFact names the point nearest to the tag where that is another one.
func (d *doc) nearestFact(p *match.PhotoResult, page int) []fact {
	if nearer(p, d.r.Grid.Unit) == "" {
		return nil
	}
	f := fact{Term: "Nearest point", Text: []string{withUnit(p.Nearest.Distance, d.r.Grid.Unit) + " from the tag:"}}
	f.Link = &link{Text: words.Safe(p.Nearest.Point)}
	if k, ok := d.byPoint[p.Nearest.Point]; ok {
		f.Link.Href = d.to(page, d.home[k], d.sheets[d.home[k]].id)
	}
	return []fact{f}
}

// tieFacts are what the tie rests on.
func tieFacts(p *match.PhotoResult, u grid.Unit) (out facts) {
	if t := p.Tie; t != nil {
		var ev []string
		if s := t.In(u); s != "" {
			ev = append(ev, "it shows "+words.Safe(s))
		}
		for _, e := range t.Evidence {
			if s, ok := evidenceWords[e]; ok {
				e = s
			}
			ev = append(ev, words.Safe(e))
		}
		text := strings.Join(ev, ", ")
		if t.Line > 0 {
			text += fmt.Sprintf(", line %d", t.Line)
		}
		if f := p.Inference; f != nil && f.Link == walk.Confirmed && f.LinkProbability != nil {
			text += fmt.Sprintf("; confirmed (%s)", likely(*f.LinkProbability))
		}
		if text != "" {
			out.add("Tie", text)
		}
	}
	if d := p.Decision; d != nil {
		text := words.Safe(d.String())
		if d.Stale != "" {
			text += "; that no longer holds: " + words.Safe(d.Stale)
		}
		out.add("Decision", text)
	}
	return out
}

// noteFacts are the notes on a photo, its allowance and its metadata.
func noteFacts(p *match.PhotoResult) (out facts) {
	notes := slices.Clone(p.Notes)
	if p.Allowance != nil {
		notes = append(notes, p.Allowance.Notes...)
	}
	if p.Tag != nil {
		for _, w := range p.Tag.Warnings {
			notes = append(notes, w.Field+": "+w.Detail)
		}
	}
	for k, n := range notes {
		notes[k] = words.Safe(n)
	}
	out.add("Notes", notes...)
	return out
}

// chance writes the probability of chance.
func chance(p float64) string { return strings.ReplaceAll(words.Chance(p), " ", nbsp) }

// made lists what an allowance is made of.
func made(a *match.Allowance, u grid.Unit) string {
	parts, _, _ := strings.Cut(a.In(u), " -> ")
	return words.Safe(parts)
}

// changeFact words a correction.
func changeFact(c *Change) fact {
	f := fact{Term: "Correction", Text: []string{words.Safe(c.What)}}
	if !c.Time.IsZero() {
		f.Text[0] += ", " + stamp(c.Time)
	}
	switch {
	case c.Was != "" && c.Is != "":
		f.Text = append(f.Text, "was "+words.Safe(c.Was)+"; is "+words.Safe(c.Is))
	case c.Was != "":
		f.Text = append(f.Text, "was "+words.Safe(c.Was))
	case c.Is != "":
		f.Text = append(f.Text, "is "+words.Safe(c.Is))
	}
	for _, n := range c.Notes {
		f.Text = append(f.Text, words.Safe(n))
	}
	if c.Before != "" {
		f.Sums = append(f.Sums, [2]string{"SHA-256 before", words.Safe(c.Before)})
	}
	if c.After != "" {
		f.Sums = append(f.Sums, [2]string{"SHA-256 after", words.Safe(c.After)})
	}
	return f
}

// tagDatum words the datum and the error that a tag states.
func tagDatum(t *geotag.Tag, u grid.Unit) string {
	s := ""
	if t.MapDatum != "" {
		s = " (" + words.Safe(t.MapDatum) + ")"
	}
	if t.HPositioningError != nil {
		s += ", error " + stated(*t.HPositioningError, u)
	}
	return s
}
