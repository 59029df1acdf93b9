package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"path"
	"slices"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/internal/words"
)

// TextOptions say how much Text tells.
type TextOptions struct {
	// Title stands on the first line: the dataset's name.
	Title string
	// Facts say how the job was read, behind the grid.
	Facts []Fact
	// All lists every photo, the ones within budget too, and leaves nothing out. Else
	// a job of 150 photos with three causes takes some 45 lines of 80 columns.
	All bool
	// Outcome has the findings that count and those that a baseline accepts; nil
	// defaults to the result's own, all of which count.
	Outcome *baseline.Outcome
	// Explanation has the causes of what is out; nil where none were looked for.
	Explanation *cause.Explanation
	// Next are hints on what to do next, one a line.
	Next []string
}

// alike is how many findings of one kind are listed without TextOptions.All, and
// shortList how many rows of photos.
const (
	alike     = 2
	shortList = 5
)

// Text writes a checked job for a person at a terminal, within the columns that w
// has: the verdicts and how many photos are to be looked at, what caused it, what
// to do, the photos by their cause, the set as a whole, and how the job was read.
func Text(w io.Writer, r *match.Result, opt TextOptions) error {
	t := text{printer: newPrinter(w), r: r, opt: opt, u: r.Grid.Unit, of: map[string]int{}}
	t.findings = r.Findings()
	if opt.Outcome != nil {
		t.findings = opt.Outcome.Kept
	}
	if ex := opt.Explanation; ex != nil {
		for i := len(ex.Causes) - 1; i >= 0; i-- {
			for _, name := range ex.Causes[i].Photos {
				t.of[name] = i
			}
		}
	}
	t.verdicts()
	t.causes()
	t.todo()
	t.look()
	t.set()
	t.accepted(opt)
	t.read()
	return t.err
}

// text is a checked job being written.
type text struct {
	*printer
	r        *match.Result
	opt      TextOptions
	u        grid.Unit
	findings []match.Finding
	// of is the cause of each photo that has one.
	of map[string]int
}

// few is how many of n are shown.
func (t *text) few(n, most int) int {
	if t.opt.All {
		return n
	}
	return min(n, most)
}

// counts says how many photos and points there are, and how many of them are tied.
func counts(r *match.Result) string {
	tied, with := r.Tied()
	part := ""
	if r.JobPhotos > 0 {
		part = of(len(r.Photos), r.JobPhotos, "photo") + ": "
	}
	return fmt.Sprintf("%s%s to look at, %s tied; %s of %s with a photo", part, of(len(r.ToLookAt()), len(r.Photos), "photo"), words.Count(tied),
		words.Count(with), words.Plural(len(r.Points), "point"))
}

// of is a number of all: "29 of 150 photos".
func of(n, all int, thing string) string {
	return words.Count(n) + " of " + words.Plural(all, thing)
}

func (t *text) verdicts() {
	title := ""
	if t.opt.Title != "" {
		title = words.Safe(t.opt.Title) + ": "
	}
	t.para(0, 2, "%s%s", title, counts(t.r))
	t.printf("\n")
	var rows [][]string
	for _, v := range t.r.ByVerdict() {
		row := []string{string(v.Verdict), words.Count(v.Photos), "", "", ""}
		if len(t.r.Photos) > 0 {
			row[2] = fmt.Sprintf("%.0f %%", 100*v.Share)
		}
		if !math.IsNaN(v.Median) {
			row[3], row[4] = words.Distance(v.Median, t.u), words.Distance(v.Greatest, t.u)
		}
		rows = append(rows, row)
	}
	t.table(0, []column{
		{head: "verdict", most: 10}, {head: "photos", right: true, most: 12}, {head: "share", right: true, most: 8},
		{head: "median distance", right: true, most: 16}, {head: "largest", right: true, most: 16},
	}, rows)
}

// group is some photos to look at for one reason.
type group struct {
	name   string
	photos []*match.PhotoResult
}

// groups are the photos that are not within budget by their cause, those without a
// cause last.
func (t *text) groups() (caused []group, rest, unjudged []*match.PhotoResult) {
	var by []group
	if ex := t.opt.Explanation; ex != nil {
		by = make([]group, len(ex.Causes))
		for i := range ex.Causes {
			by[i].name = ex.Causes[i].Name
		}
	}
	for i := range t.r.Photos {
		ph := &t.r.Photos[i]
		k, ok := t.of[ph.Name]
		switch {
		case ok:
			by[k].photos = append(by[k].photos, ph)
		case ph.Verdict == match.Unjudged:
			unjudged = append(unjudged, ph)
		case ph.Verdict != match.Within:
			rest = append(rest, ph)
		}
	}
	slices.SortStableFunc(rest, worstFirst)
	return slices.DeleteFunc(by, func(g group) bool { return len(g.photos) == 0 }), rest, unjudged
}

// worstFirst orders photos by verdict, and those of one verdict by their distance.
func worstFirst(a, b *match.PhotoResult) int {
	rank := map[match.Verdict]int{match.Gross: 0, match.Over: 1, match.Within: 2, match.Unjudged: 3}
	distance := func(p *match.PhotoResult) float64 {
		if p.Discrepancy == nil {
			return 0
		}
		return p.Discrepancy.Distance
	}
	return cmp.Or(cmp.Compare(rank[a.Verdict], rank[b.Verdict]), cmp.Compare(distance(b), distance(a)))
}

// judgedColumns are those of judgedRow.
var judgedColumns = []column{
	{head: "photo", path: true, most: 44}, {head: "point", most: 14}, {head: "verdict", most: 8},
	{head: "distance", right: true, most: 14}, {head: "bearing", right: true, most: 8},
	{head: "allowed", right: true, most: 10}, {head: "chance", right: true, most: 14}, {head: "", most: 18},
}

// look lists the photos and the points that somebody should look at: by their
// cause, then those without one, those that were not judged, and what else was
// found. With TextOptions.All the photos are listed as one table, the good ones too.
func (t *text) look() {
	caused, rest, unjudged := t.groups()
	said := t.others()
	if !t.opt.All && len(caused)+len(rest)+len(unjudged)+len(said) == 0 {
		return
	}
	t.printf("\nTo look at (%s)\n", words.Plural(len(t.r.ToLookAt()), "photo"))
	for _, g := range caused {
		t.para(2, 4, "%s (%s): %s", g.name, words.Count(len(g.photos)), t.names(g.photos, 3))
	}
	if len(unjudged) > 0 {
		t.unjudged(unjudged)
	}
	t.unexplained(rest)
	t.bare()
	t.other(said)
	if t.opt.All {
		var judged []*match.PhotoResult
		for i := range t.r.Photos {
			if ph := &t.r.Photos[i]; ph.Verdict != match.Unjudged {
				judged = append(judged, ph)
			}
		}
		slices.SortStableFunc(judged, worstFirst)
		t.printf("\n")
		t.rows("all photos judged", judged)
	}
}

// unexplained lists the photos that no cause explains: the gross ones as a table,
// those that are over budget by name, with how many of them noise explains.
func (t *text) unexplained(photos []*match.PhotoResult) {
	n := slices.IndexFunc(photos, func(p *match.PhotoResult) bool { return p.Verdict != match.Gross })
	if n < 0 {
		n = len(photos)
	}
	why := ""
	if t.opt.Explanation != nil {
		why = " without a cause"
	}
	if n > 0 {
		t.rows("gross"+why, photos[:n])
	}
	if over := photos[n:]; len(over) > 0 {
		noise := ""
		if t.opt.Explanation != nil {
			noise = fmt.Sprintf("; noise explains %.0f", t.opt.Explanation.Expected)
		}
		t.para(2, 4, "over%s (%s%s): %s", why, words.Count(len(over)), noise, t.names(over, 2))
	}
}

// bare lists the points without a photo.
func (t *text) bare() {
	var out []string
	for _, f := range t.findings {
		if f.Code == match.FindingPointWithoutPhoto {
			out = append(out, words.Safe(f.Point))
		}
	}
	if len(out) > 0 {
		t.para(2, 4, "points without a photo (%s): %s", words.Count(len(out)), words.List(out, t.few(len(out), shortList)))
	}
}

// rows lists judged photos as a table.
func (t *text) rows(why string, photos []*match.PhotoResult) {
	shown := t.few(len(photos), shortList)
	rows := make([][]string, shown)
	for i, ph := range photos[:shown] {
		rows[i] = judgedRow(t.r, ph)
	}
	t.para(2, 4, "%s (%s); grid bearings, from point to tag; chance of noise alone", why, words.Count(len(photos)))
	t.table(4, judgedColumns, rows)
	t.more(4, len(photos)-shown)
}

// more says how many are not listed.
func (t *text) more(indent, n int) {
	if n > 0 {
		t.line(indent, "… and %s more; --all lists every one", words.Count(n))
	}
}

// unjudged lists the photos that could not be judged, by the reason.
func (t *text) unjudged(photos []*match.PhotoResult) {
	for len(photos) > 0 {
		why := photos[0].Reason
		var same, other []*match.PhotoResult
		for _, ph := range photos {
			if ph.Reason == why {
				same = append(same, ph)
			} else {
				other = append(other, ph)
			}
		}
		t.para(2, 4, "%s (%s): %s", words.Reason(string(why)), words.Count(len(same)), t.names(same, 3))
		photos = other
	}
}

// names lists photos, the first of many.
func (t *text) names(photos []*match.PhotoResult, most int) string {
	out := make([]string, len(photos))
	for i, ph := range photos {
		switch out[i] = words.Safe(ph.Name); {
		case t.opt.All:
		case i > 0 && path.Dir(ph.Name) == path.Dir(photos[i-1].Name):
			out[i] = words.Safe(path.Base(ph.Name))
		default:
			out[i] = fit(out[i], shortPath, true)
		}
	}
	return words.List(out, max(most, t.few(len(out), most)))
}

// others are the findings that neither the causes nor the lists of photos tell.
func (t *text) others() []match.Finding {
	var said []match.Finding
	for _, f := range t.findings {
		_, caused := t.of[f.Photo]
		switch f.Code {
		case match.FindingControl, match.FindingFar, match.FindingCause:
			continue // how the job was read says it
		case match.FindingGross, match.FindingOver, match.FindingNoTag, match.FindingNoTie, match.FindingPointWithoutPhoto:
			continue // the lists say it
		}
		if !t.opt.All && (f.Severity == match.SeverityNote && f.Code != match.FindingUnusedAcceptance || caused) {
			continue
		}
		said = append(said, f)
	}
	return said
}

// other lists findings by their kind.
func (t *text) other(said []match.Finding) {
	of := map[match.FindingCode][]match.Finding{}
	var order []match.FindingCode
	for _, f := range said {
		if len(of[f.Code]) == 0 {
			order = append(order, f.Code)
		}
		of[f.Code] = append(of[f.Code], f)
	}
	for _, code := range order {
		list := of[code]
		for _, f := range list[:t.few(len(list), alike)] {
			if t.opt.All {
				t.para(2, 4, "%s %s: %s; %s", f.Severity, subject(f), words.Safe(f.Message), f.Remedy)
			} else {
				t.line(2, "%s %s: %s", f.Severity, fit(subject(f), shortPath, true), words.Safe(f.Message))
			}
		}
		if n := len(list) - t.few(len(list), alike); n > 0 {
			t.line(2, "… and %s more %s; --all lists every one", words.Count(n), code)
		}
	}
}

// subject is what a finding is about.
func subject(f match.Finding) string {
	return words.Safe(cmp.Or(f.Photo, f.Point, "the job"))
}

// judgedRow is the line of a judged photo; the last cell is what it shows beside the
// point, and the nearest point where that is another one.
func judgedRow(r *match.Result, ph *match.PhotoResult) []string {
	u, d := r.Grid.Unit, ph.Discrepancy
	row := []string{words.Safe(ph.Name), words.Safe(ph.Tie.Point), string(ph.Verdict), words.Distance(d.Distance, u), "-",
		words.Distance(ph.Allowance.Threshold/u.Metres, u), words.Chance(*ph.P), beside(ph.Tie)}
	if d.Bearing.Defined() {
		row[4] = words.Degrees(d.Bearing.Degrees())
	}
	if n := ph.Nearest; n != nil && n.Point != ph.Tie.Point {
		row[7] = strings.TrimSpace(row[7] + " near " + words.Safe(n.Point))
	}
	return row
}

// beside says that a photo shows a stretch, or something beside its point.
func beside(t *match.Tie) string {
	switch a := t.Aim; {
	case a == nil:
	case a.To != "":
		return "to " + words.Safe(a.To)
	case a.Offset != nil || a.Distance != nil:
		return "offset"
	case a.Bearing != nil:
		return words.Degrees(*a.Bearing) + " stated"
	}
	return ""
}

// set tells of the judged photos as a whole.
func (t *text) set() {
	s, which := t.r.Noise()
	if s == nil {
		if t.r.Written > 0 {
			t.printf("\n")
			t.para(0, 2, "No statistics: %s", written(t.r))
		}
		return
	}
	t.printf("\n")
	if o := t.r.Set.Over; t.opt.All || o.P < 0.01 {
		t.para(0, 2, "%s judged: %s over or gross, %.1f %% (%g %% interval of %s %.0f to %.0f %%); noise alone puts %.3g %% there", words.Plural(o.N, "photo"),
			words.Count(o.Over), 100*o.Share, o.Confidence*100, words.Plural(o.Visits, "visit"), 100*o.Low, 100*o.High, 100*o.Expected)
	}
	t.para(0, 2, "%s %s: RMSE radial %s (E %s, N %s)", words.Count(s.N), which, words.Distance(s.RMSER, t.u), words.Length(s.RMSEE), words.Length(s.RMSEN))
	if h := s.Shift; h != nil && (t.opt.All || h.P < 0.01) {
		t.para(2, 4, "common shift, tag minus point: %s over %s; noise alone makes one as large in %s jobs (Hotelling)", words.EastNorth(h.Mean.E, h.Mean.N, t.u), words.Plural(h.Visits, "visit"), words.Chance(h.P))
	}
	if c := s.Robust; c != nil && t.opt.All {
		t.para(2, 4, "centre, tag minus point: %s, spread %s per axis (robust)", words.EastNorth(c.Centre.E, c.Centre.N, t.u), words.Distance(c.Spread, t.u))
	}
	if t.opt.All || t.r.Set.NSSDA != nil {
		t.para(0, 2, "%s", checkPoints(t.r.Set))
	}
	if t.r.Written > 0 {
		t.para(2, 4, "left out: %s", written(t.r))
	}
	t.heights()
}

// checkPoints says how good tags are by the points.
func checkPoints(s *match.SetStats) string {
	c := s.CheckPoints
	text := words.Plural(c.N, "check point") + ": "
	if s.NSSDA == nil {
		return text + "no NSSDA (" + s.NSSDAWhy + ")"
	}
	return fmt.Sprintf("%sNSSDA %s at 95 %%, CEP %s (50 %%), 68 %% within %s, 2DRMS %s", text, words.Distance(*s.NSSDA, s.Unit),
		words.Distance(*c.CEP, s.Unit), words.Distance(*c.R68, s.Unit), words.Distance(c.DRMS2, s.Unit))
}

// written says how many tags say nothing of how good tags are.
func written(r *match.Result) string {
	return fmt.Sprintf("%s written from %s", words.Plural(r.Written, "tag was", "tags were"), words.Pick(r.Written, "its point", "their points"))
}

// read says how the job was read: the grid, the frames, the files, the pictures and
// the budget.
func (t *text) read() {
	more := ""
	if !t.opt.All {
		more = " (--all has it whole)"
	}
	t.printf("\nHow it was read%s\n", more)
	say := func(name, text string, whole bool) {
		label := "  " + pad(name, 10, false)
		if t.opt.All || whole {
			t.printf("%s%s\n", label, t.wrap(text, len(label), len(label)))
		} else {
			t.line(0, "%s%s", label, text)
		}
	}
	say("grid", words.Grid(t.r.Grid), false)
	for _, s := range frames(t.r, t.opt.All) {
		say("frame", s, strings.Contains(s, "BALLPARK"))
	}
	for _, f := range t.opt.Facts {
		say(f.Name, f.Text, f.Name == "control") // what is doubtful is never cut
	}
	for i, f := range PictureFacts(t.r) {
		if i == 0 || t.opt.All { // not what is required
			say(f.Name, f.Text, false)
		}
	}
	if lo, hi, conf, ok := t.r.Thresholds(); ok {
		say("budget", fmt.Sprintf("%s allowed at %g %%, by what each photo and point states", words.Range(lo, hi, t.u), conf*100), false)
	}
}

// frames says from which frames tags were transformed to the grid, and how well:
// one line a frame, or with chain one an operation, with its steps and its notes.
func frames(r *match.Result, chain bool) []string {
	type use struct {
		text        string
		count, odds int
	}
	var uses []use
	for i := range r.Photos {
		op := r.Photos[i].Operation
		if op == nil {
			continue
		}
		s := "from " + op.Source
		if chain {
			s = op.Source + " by " + op.Name
		}
		switch {
		case op.Ballpark:
			s += ": A BALLPARK OPERATION, which may be hundreds of metres out"
		default:
			s += ", " + words.Accuracy(op, r.Grid.Unit)
		}
		odd := 0
		if len(op.Notes) > 0 {
			odd = 1
			if chain {
				s += "; " + strings.Join(op.Notes, "; ")
			}
		}
		k := slices.IndexFunc(uses, func(u use) bool { return u.text == s })
		if k < 0 {
			k = len(uses)
			uses = append(uses, use{text: s})
		}
		uses[k].count++
		uses[k].odds += odd
	}
	slices.SortStableFunc(uses, func(a, b use) int { return b.count - a.count })
	out := make([]string, len(uses))
	for i, u := range uses {
		out[i] = u.text
		if !chain && u.odds > 0 {
			out[i] += fmt.Sprintf("; %s with notes", words.Count(u.odds))
		}
		if len(r.Photos) > 1 {
			out[i] = words.Plural(u.count, "tag") + " " + out[i]
		}
	}
	return out
}
