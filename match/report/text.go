package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/internal/words"
)

// TextOptions say how much Text tells.
type TextOptions struct {
	// Title stands on the first line: the dataset's name.
	Title string
	// Facts stand behind the grid in the head.
	Facts []Fact
	// All lists every photo, the ones within budget too, and leaves nothing out.
	All bool
	// Outcome has the findings that count and those that a baseline accepts; nil
	// stands for the result's own, all of which count.
	Outcome *baseline.Outcome
	// Explanation has the causes of what is out; nil where none were looked for.
	Explanation *cause.Explanation
	// Next are hints on what to do next, one a line.
	Next []string
}

// alike is how many findings of one kind are listed without TextOptions.All.
const alike = 3

// shortList is how many rows of one kind are listed without TextOptions.All.
const shortList = 40

// Text writes a checked job for a person at a terminal, at most Width columns
// wide: the frame of reference, the verdicts, the set as a whole, and the
// photos, links and points that somebody should look at.
func Text(w io.Writer, r *match.Result, opt TextOptions) error {
	p := &printer{w: w}
	p.head(r, opt)
	p.verdicts(r)
	p.set(r)
	p.heights(r)
	p.causes(opt.Explanation, opt.All)
	p.photos(r, opt)
	p.findings(r, opt)
	p.accepted(opt)
	if len(opt.Next) > 0 {
		p.printf("\nNext\n")
		for _, n := range opt.Next {
			p.printf("  %s\n", wrap(n, 2, "  "))
		}
	}
	return p.err
}

// printer writes what is safe to print, and keeps the first error of writing.
type printer struct {
	w   io.Writer
	err error
}

func (p *printer) printf(format string, args ...any) {
	if p.err == nil {
		_, p.err = io.WriteString(p.w, words.SafeLines(fmt.Sprintf(format, args...)))
	}
}

func (p *printer) table(cols []column, rows [][]string) {
	if p.err == nil {
		p.err = table(p.w, cols, rows)
	}
}

// field writes a fact behind its name, wrapped under itself.
func (p *printer) field(name, format string, args ...any) {
	const width = 10
	p.printf("%s %s\n", pad(name, width-1, false), wrap(fmt.Sprintf(format, args...), width, strings.Repeat(" ", width)))
}

func (p *printer) head(r *match.Result, opt TextOptions) {
	if opt.Title != "" {
		p.printf("%s\n", words.Safe(opt.Title))
	}
	code := ""
	if r.Grid.Code != "" {
		code = " (" + r.Grid.Code + ")"
	}
	p.field("grid", "%s%s, %s", r.Grid.Name, code, r.Grid.Unit.Name)
	for _, f := range opt.Facts {
		p.field(f.Name, "%s", f.Text)
	}
	for _, u := range operations(r) {
		p.field("frame", "%s", u)
	}
	for _, f := range PictureFacts(r) {
		p.field(f.Name, "%s", f.Text)
	}
	if lo, hi, conf, ok := r.Thresholds(); ok {
		u := r.Grid.Unit
		p.field("budget", "%s allowed at %g %%, by what each photo and point states", words.Range(lo, hi, u), conf*100)
	}
}

// operations words the operations that carried tags to the grid, most used
// first.
func operations(r *match.Result) []string {
	type use struct {
		text  string
		count int
	}
	var uses []use
	for i := range r.Photos {
		op := r.Photos[i].Operation
		if op == nil {
			continue
		}
		text := op.Source + " by " + op.Name
		switch {
		case op.Ballpark:
			text += ": A BALLPARK OPERATION, which may be hundreds of metres out"
		case op.Accuracy == nil:
			text += ", accuracy not stated"
		default:
			text += fmt.Sprintf(", stated accuracy %.3g m", *op.Accuracy)
		}
		for _, n := range op.Notes {
			text += "; " + n
		}
		if k := slices.IndexFunc(uses, func(u use) bool { return u.text == text }); k >= 0 {
			uses[k].count++
		} else {
			uses = append(uses, use{text, 1})
		}
	}
	slices.SortStableFunc(uses, func(a, b use) int { return b.count - a.count })
	out := make([]string, len(uses))
	for i, u := range uses {
		out[i] = u.text
		if len(r.Photos) > 1 {
			out[i] = words.Plural(u.count, "tag") + ": " + u.text
		}
	}
	return out
}

func (p *printer) verdicts(r *match.Result) {
	tied := 0
	for i := range r.Photos {
		if r.Photos[i].Tie != nil {
			tied++
		}
	}
	bare := 0
	for _, pt := range r.Points {
		if len(pt.Photos) == 0 {
			bare++
		}
	}
	p.printf("\n%s, %s of them tied; %s, %s of them with a photo\n\n",
		words.Plural(len(r.Photos), "photo"), words.Count(tied), words.Plural(len(r.Points), "point"), words.Count(len(r.Points)-bare))
	var rows [][]string
	for _, v := range match.Verdicts {
		var d []float64
		for i := range r.Photos {
			if ph := &r.Photos[i]; ph.Verdict == v && ph.Discrepancy != nil {
				d = append(d, ph.Discrepancy.Distance)
			}
		}
		n := r.Counts[v]
		row := []string{string(v), words.Count(n), "", "", ""}
		if len(r.Photos) > 0 {
			row[2] = fmt.Sprintf("%.0f %%", 100*float64(n)/float64(len(r.Photos)))
		}
		if len(d) > 0 {
			slices.Sort(d)
			row[3] = words.Distance(median(d), r.Grid.Unit)
			row[4] = words.Distance(d[len(d)-1], r.Grid.Unit)
		}
		rows = append(rows, row)
	}
	p.table([]column{
		{head: "verdict", most: 10}, {head: "photos", right: true, most: 12}, {head: "share", right: true, most: 8},
		{head: "median distance", right: true, most: 16}, {head: "largest", right: true, most: 16},
	}, rows)
}

func (p *printer) set(r *match.Result) {
	if r.Set == nil {
		return
	}
	s, which := r.Set, "judged"
	if r.SetWithoutGross != nil {
		s, which = r.SetWithoutGross, "judged and not gross"
	}
	sym := s.Unit.Symbol
	p.printf("\nThe %s %s, as a set\n", words.Count(s.N), which)
	p.printf("  RMSE      E %s  N %s  radial %s %s", words.Length(s.RMSEE), words.Length(s.RMSEN), words.Length(s.RMSER), sym)
	if s.NSSDA != nil {
		p.printf("; NSSDA horizontal accuracy %s %s at 95 %%", words.Length(*s.NSSDA), sym)
	}
	p.printf("\n")
	if c := s.Robust; c != nil {
		p.printf("  centre    E %+.2f  N %+.2f %s, spread %s %s per axis (robust)\n", c.Centre.E, c.Centre.N, sym, words.Length(c.Spread), sym)
	}
	if s.Shift != nil {
		p.printf("  shift     mean E %+.2f  N %+.2f %s; as large by chance with %s (Hotelling)\n", s.Mean.E, s.Mean.N, sym, words.P(s.Shift.P))
	}
	o := r.Set.Over
	p.printf("  over      %d of all %d judged, %.1f %% (%g %% interval %.1f to %.1f %%); %.3g %% expected of noise alone\n",
		o.Over, o.N, 100*o.Share, o.Confidence*100, 100*o.Low, 100*o.High, 100*o.Expected)
}

// photos lists the judged photos, the worst verdict first, and then those that
// could not be judged.
func (p *printer) photos(r *match.Result, opt TextOptions) {
	rank := map[match.Verdict]int{match.Gross: 0, match.Over: 1, match.Within: 2}
	var judged, unjudged []*match.PhotoResult
	for i := range r.Photos {
		switch ph := &r.Photos[i]; {
		case ph.Verdict == match.Unjudged:
			unjudged = append(unjudged, ph)
		case opt.All || ph.Verdict != match.Within:
			judged = append(judged, ph)
		}
	}
	slices.SortStableFunc(judged, func(a, b *match.PhotoResult) int { return rank[a.Verdict] - rank[b.Verdict] })
	title := "Photos to look at"
	if opt.All {
		title = "Photos judged"
	}
	p.list(title, judged, opt, judgedRow, []column{
		{head: "photo", path: true, most: 44}, {head: "point", most: 14}, {head: "verdict", most: 8},
		{head: "distance", right: true, most: 14}, {head: "bearing", right: true, most: 8},
		{head: "allowed", right: true, most: 10}, {head: "p (adj)", right: true, most: 8}, {head: "", most: 48},
	}, r)
	p.list("Photos not judged", unjudged, opt, unjudgedRow, []column{
		{head: "photo", path: true, most: 44}, {head: "point", most: 14}, {head: "why", most: 30}, {head: "", most: 48},
	}, r)
}

// list writes a titled table of photos, cut to shortList unless all are wanted.
func (p *printer) list(title string, photos []*match.PhotoResult, opt TextOptions, row func(*match.Result, *match.PhotoResult) []string, cols []column, r *match.Result) {
	if len(photos) == 0 {
		return
	}
	shown := photos
	if !opt.All && len(shown) > shortList {
		shown = shown[:shortList]
	}
	rows := make([][]string, len(shown))
	for i, ph := range shown {
		rows[i] = row(r, ph)
	}
	p.printf("\n%s (%s)\n", title, words.Count(len(photos)))
	p.table(cols, rows)
	if left := len(photos) - len(shown); left > 0 {
		p.printf("… and %s more; --all lists every photo\n", words.Count(left))
	}
}

// judgedRow is the line of a judged photo; the last cell is the nearest point
// where that is another one.
func judgedRow(r *match.Result, ph *match.PhotoResult) []string {
	u, d := r.Grid.Unit, ph.Discrepancy
	row := []string{words.Safe(ph.Name), words.Safe(ph.Tie.Point), string(ph.Verdict), words.Distance(d.Distance, u), "-",
		words.Distance(ph.Allowance.Threshold/u.Metres, u), words.Probability(*ph.PAdjusted), ""}
	if d.Bearing.Defined() {
		row[4] = fmt.Sprintf("%.0f°", math.Mod(math.Round(d.Bearing.Degrees()), 360))
	}
	if n := ph.Nearest; n != nil && n.Point != ph.Tie.Point {
		row[7] = nearest(r, n)
	}
	return row
}

// unjudgedRow is the line of a photo that could not be judged.
func unjudgedRow(r *match.Result, ph *match.PhotoResult) []string {
	row := []string{words.Safe(ph.Name), "", reasonWords(ph.Reason), ""}
	if ph.Tie != nil {
		row[1] = words.Safe(ph.Tie.Point)
	} else if ph.Nearest != nil {
		row[3] = nearest(r, ph.Nearest)
	}
	return row
}

// nearest words the point nearest to a tag.
func nearest(r *match.Result, n *match.Neighbour) string {
	return fmt.Sprintf("nearest %s %s", words.Safe(n.Point), words.Distance(n.Distance, r.Grid.Unit))
}

// reasonWords says why a photo is unjudged, in a few words.
func reasonWords(r match.Reason) string {
	switch r {
	case match.ReasonUnreadable:
		return "can't be read"
	case match.ReasonNoTag:
		return "no position in it"
	case match.ReasonBadTag:
		return "position unsound"
	case match.ReasonNoTie:
		return "not in the links"
	case match.ReasonNoPoint:
		return "point not surveyed"
	case match.ReasonManyPoints:
		return "linked to several points"
	case match.ReasonNoFrame:
		return "datum not usable"
	case match.ReasonBallpark:
		return "only a ballpark operation"
	case match.ReasonCoarse:
		return "tag too coarse to judge"
	}
	return string(r)
}

// findings lists what the table of photos has no words for.
func (p *printer) findings(r *match.Result, opt TextOptions) {
	var said, all []match.Finding
	if opt.Outcome != nil {
		all = opt.Outcome.Kept
	} else {
		all = r.Findings()
	}
	for _, f := range all {
		switch f.Code {
		case match.FindingControl, match.FindingFar:
			continue // the head says all there is
		case match.FindingGross, match.FindingOver, match.FindingNoTag, match.FindingNoTie:
			continue // the table says all there is
		case match.FindingMetadata:
			if !opt.All {
				continue
			}
		case match.FindingBare:
			continue
		}
		said = append(said, f)
	}
	told := map[string]bool{} // points that a finding says to have no photo
	if len(said) > 0 {
		p.printf("\nFindings (%s)\n", words.Count(len(said)))
		of := map[match.FindingCode]int{}
		for _, f := range said {
			of[f.Code]++
			if !opt.All && of[f.Code] > alike {
				continue
			}
			subject := words.Safe(f.Photo)
			if subject == "" {
				subject = words.Safe(f.Point)
			}
			if subject == "" {
				subject = "the job"
			}
			if f.Code == match.FindingTooFew {
				told[f.Point] = true
			}
			p.printf("  %s\n", wrap(fmt.Sprintf("%s %s: %s; %s", f.Severity, subject, words.Safe(f.Message), f.Remedy), 2, "    "))
		}
		for _, f := range said {
			if n := of[f.Code]; !opt.All && n > alike {
				p.printf("  %s\n", wrap(fmt.Sprintf("… and %s more %s; --all lists every one", words.Count(n-alike), f.Code), 2, "    "))
				delete(of, f.Code)
			}
		}
	}
	var bare []string
	for _, pt := range r.Points {
		if len(pt.Photos) == 0 && !told[pt.ID] {
			bare = append(bare, words.Safe(pt.ID))
		}
	}
	if len(bare) > 0 {
		n := len(bare)
		if !opt.All && n > shortList {
			bare = append(bare[:shortList], "…")
		}
		p.printf("\nPoints without a photo (%s)\n  %s\n", words.Count(n), wrap(strings.Join(bare, " "), 2, "  "))
	}
}

// median of sorted values.
func median(d []float64) float64 {
	n := len(d)
	if n%2 == 1 {
		return d[n/2]
	}
	return (d[n/2-1] + d[n/2]) / 2
}
