package decide

import (
	"bufio"
	"context"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"math"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"unicode/utf8"

	"golang.org/x/sync/errgroup"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/internal/page"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/record"
)

//go:embed decide.css
var styles string

//go:embed decide.js
var script string

//go:embed decide.html
var body string

// Options say how a page is made. The zero value is a page with the name of nothing.
type Options struct {
	// Title names the job, Tool the program and its version.
	Title, Tool string
	// Outcome are the findings of the job, with what is accepted; Today is the day that
	// this was held against.
	Outcome baseline.Outcome
	Today   baseline.Date
	// PhotoLink gives the address of a photo as seen from the page; nil gives none.
	PhotoLink func(photo string) string
	// Progress is told how many pictures are drawn; it may be nil.
	Progress dataset.Progress
}

// The parts of the page's data. Points are by their place in Points, and -1 is none.
type (
	pageData struct {
		Title  string      `json:"title"`
		Unit   string      `json:"unit"`
		Points []pagePoint `json:"points"`
		Items  []pageItem  `json:"items"`
		Runs   []pageRun   `json:"runs"`
		Kept   [][]string  `json:"kept"`   // rows of decisions about what is not on the page
		Header []string    `json:"header"` // of the decisions file
		ID     string      `json:"id"`
	}
	pagePoint struct {
		ID   string  `json:"id"`
		E    float64 `json:"e"`
		N    float64 `json:"n"`
		Code string  `json:"code,omitempty"`
		Desc string  `json:"desc,omitempty"`
	}
	pageItem struct {
		Photo    string        `json:"photo"`
		Point    int           `json:"point"`
		Label    string        `json:"label"`
		Verdict  match.Verdict `json:"verdict,omitempty"`
		Says     []pageSay     `json:"says"`
		Covers   string        `json:"covers"`
		Linked   int           `json:"linked"`
		Cands    []pageCand    `json:"cands"`
		Evidence []string      `json:"evidence"`
		Tag      *grid.EN      `json:"tag,omitempty"`
		Allowed  float64       `json:"allowed,omitempty"`
		Budget   string        `json:"budget,omitempty"`
		Taken    string        `json:"taken,omitempty"`
		SHA256   string        `json:"sha256"`
		Basis    string        `json:"basis"`
		Img      string        `json:"img,omitempty"`
		NoImg    string        `json:"noimg,omitempty"`
		Link     string        `json:"link,omitempty"`
		Before   *pagePhoto    `json:"before,omitempty"`
		After    *pagePhoto    `json:"after,omitempty"`
		Run      int           `json:"run"`
		Proposed *pageProposal `json:"proposed,omitempty"`
		// Refused says why nothing can be decided here.
		Refused string `json:"refused,omitempty"`
	}
	pageSay  struct{ Title, Text string }
	pageCand struct {
		Point       int      `json:"point"`
		Probability *float64 `json:"p,omitempty"`
		Distance    *float64 `json:"d,omitempty"`
	}
	pagePhoto struct {
		Label string `json:"label"`
		Point string `json:"point"`
		Img   string `json:"img,omitempty"`
	}
	pageProposal struct {
		Decision string  `json:"decision"`
		Point    int     `json:"point"`
		P        float64 `json:"p"`
		Runner   string  `json:"runner"`
		RunnerP  float64 `json:"runnerP"`
		Why      string  `json:"why"`
	}
	pageRun struct {
		Name    string `json:"name"`
		Summary string `json:"summary"`
	}
)

// making is a page being made.
type making struct {
	job           *dataset.Checked
	opt           Options
	q             *queue
	points        []match.Point
	byID          map[string]int
	before, after []int
	small         map[int]string // pictures of neighbours by photo
	data          pageData
}

// Write writes the page for a checked job, and returns how many photos and points
// need a decision. The error is that of w, of the context, or of reading the photos.
func Write(ctx context.Context, w io.Writer, job *dataset.Checked, opt Options) (int, error) {
	q, err := newQueue(ctx, job, opt.Outcome, opt.Today)
	if err != nil {
		return 0, err
	}
	m := &making{job: job, opt: opt, q: q, byID: map[string]int{}, small: map[int]string{}}
	m.before, m.after = neighbours(job.Photos)
	m.data = pageData{Title: words.Safe(opt.Title), Unit: job.Grid.Unit.Symbol, Points: []pagePoint{}, Runs: []pageRun{}, Kept: [][]string{}, Header: dataset.DecisionHeader()}
	for j := range job.Points {
		p := job.Points[j].Point
		m.points, m.byID[p.ID] = append(m.points, p), j
		m.data.Points = append(m.data.Points, pagePoint{ID: p.ID, E: p.E, N: p.N, Code: words.Safe(p.Code), Desc: words.Safe(p.Desc)})
	}
	for _, r := range q.runs {
		m.data.Runs = append(m.data.Runs, pageRun{r.name, words.Safe(r.summary)})
	}
	if err := m.items(ctx); err != nil {
		return 0, err
	}
	if err := m.pictures(ctx); err != nil {
		return 0, err
	}
	return len(q.items), m.write(w)
}

// write writes the page around its data.
func (m *making) write(w io.Writer) error {
	data, err := json.Marshal(m.data) // which escapes <, > and & so that nothing ends the script
	if err != nil {
		return err
	}
	b := bufio.NewWriterSize(w, 1<<16)
	title := html.EscapeString(m.data.Title)
	fmt.Fprintf(b, "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta http-equiv=\"Content-Security-Policy\" content=\"%s\">\n", html.EscapeString(page.Policy(script)))
	fmt.Fprintf(b, "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<meta name=\"referrer\" content=\"no-referrer\">\n<title>%s – %s</title>\n<style>%s%s</style>\n</head>\n<body>\n", title, Heading, styles, page.Verdicts())
	fmt.Fprintf(b, body, title, html.EscapeString(words.Safe(m.opt.Tool)))
	fmt.Fprintf(b, "<script type=\"application/json\" id=\"job\">%s</script>\n<script>%s</script>\n</body>\n</html>\n", data, script)
	return b.Flush()
}

// Heading ends the title of each page, which tells it from other files.
const Heading = "Decisions"

// SavedFile is what the page calls the file that it saves.
const SavedFile = "decisions.csv"

// items fills in what there is to say of each item, and what it rests on.
func (m *making) items(ctx context.Context) error {
	bound := make([]match.Decision, len(m.q.items))
	on := map[string]bool{}
	for k, it := range m.q.items {
		out := pageItem{Point: -1, Linked: -1, Run: it.run, Says: []pageSay{}, Cands: []pageCand{}, Evidence: []string{}}
		if it.photo >= 0 {
			m.photo(&out, it)
			bound[k].Photo = m.job.Photos[it.photo].Name
			on[bound[k].Photo] = true
		} else {
			out.Point, out.Label = it.point, "Point "+words.Safe(m.points[it.point].ID)
			on["\x00"+m.points[it.point].ID] = true
		}
		slices.SortStableFunc(it.findings, func(a, b match.Finding) int { return urgency[b.Code] - urgency[a.Code] })
		var covers []string
		for _, f := range it.findings {
			kind, _ := f.Code.Kind()
			out.Says = append(out.Says, pageSay{kind.Title, words.Safe(f.Message)})
			if f.Code != match.FindingStale && f.Code != match.FindingAgain {
				covers = append(covers, string(f.Code))
			}
		}
		for _, e := range it.expiring {
			out.Says = append(out.Says, pageSay{"Acceptance that runs out", words.Safe(fmt.Sprintf("%s is accepted %s: %s", e.Code, e.Until(), e.Reason))})
			covers = append(covers, string(e.Code))
		}
		if it.rank == urgency[match.FindingInferred] && len(out.Says) == 0 {
			out.Says = append(out.Says, pageSay{"Proposed", words.Safe(it.proposal.Why)})
		}
		slices.Sort(covers)
		out.Covers = strings.Join(slices.Compact(covers), " ")
		if p := it.proposal; p != nil {
			out.Proposed = &pageProposal{string(p.Ruling), m.place(p.Point), p.Probability, p.RunnerUp, p.RunnerUpProbability, words.Safe(p.Why)}
		}
		m.data.Items = append(m.data.Items, out)
	}
	if err := m.job.Bind(ctx, bound); err != nil {
		return err
	}
	for k := range bound {
		it := &m.data.Items[k]
		it.SHA256, it.Basis = bound[k].SHA256, bound[k].Basis
		if it.Photo != "" && it.SHA256 == "" && it.Refused == "" {
			it.Refused = "The file can’t be read, so that no decision can rest on it."
		}
		m.data.ID += it.Basis + it.SHA256
	}
	sum := sha256.Sum256([]byte(m.data.ID))
	m.data.ID = hex.EncodeToString(sum[:8])
	for _, d := range m.job.Decisions() {
		key := d.Photo
		if key == "" {
			key = "\x00" + d.Point
		}
		if !on[key] {
			m.data.Kept = append(m.data.Kept, dataset.DecisionRow(d))
		}
	}
	return nil
}

// place is where a point stands; -1 for none.
func (m *making) place(id string) int {
	if j, ok := m.byID[id]; ok {
		return j
	}
	return -1
}

// photo fills in what there is to say of a photo.
func (m *making) photo(out *pageItem, it *item) {
	p := &m.job.Photos[it.photo]
	out.Photo, out.Label, out.Verdict = p.Name, words.Safe(p.Name), p.Verdict
	if !utf8.ValidString(p.Name) || strings.Contains(p.Name, "\r") {
		out.Photo, out.Refused = words.Safe(p.Name), "The photo’s name can’t be written into a file of decisions; rename it."
	}
	if p.Tie != nil {
		out.Linked = m.place(p.Tie.Point)
	}
	out.Tag = p.OnGrid
	a := p.Allowance
	if a == nil && p.OnGrid != nil {
		// What the budget would allow at a point of no errors of its own.
		if got, err := m.job.Budget.Allowance(p.Tag, match.Point{}, p.Operation, match.AllowanceOptions{}); err == nil {
			a = &got
		}
	}
	if a != nil {
		out.Allowed, out.Budget = a.Threshold/m.job.Grid.Unit.Metres, words.Safe(a.String())
	}
	if at := p.Tag.When(); !at.IsZero() {
		out.Taken = at.Format("2006-01-02 15:04:05")
	}
	if f := p.Inference; f != nil {
		for _, e := range f.Evidence {
			out.Evidence = append(out.Evidence, words.Safe(e))
		}
	}
	m.candidates(out, p, it)
	if m.opt.PhotoLink != nil {
		out.Link = m.opt.PhotoLink(p.Name)
	}
	beside := func(i int) *pagePhoto {
		if i < 0 {
			return nil
		}
		n := &pagePhoto{Label: words.Safe(m.job.Photos[i].Name)}
		if t := m.job.Photos[i].Tie; t != nil {
			n.Point = words.Safe(t.Point)
		}
		m.small[i] = ""
		return n
	}
	out.Before, out.After = beside(m.before[it.photo]), beside(m.after[it.photo])
}

// mostCandidates is how many points are offered: one for each digit.
const mostCandidates = 9

// candidates are the points that a photo may show: the proposed one, the one found, the
// linked one, the next best, and those near the tag.
func (m *making) candidates(out *pageItem, p *match.PhotoResult, it *item) {
	add := func(j int, probability *float64) {
		at := slices.IndexFunc(out.Cands, func(c pageCand) bool { return c.Point == j })
		switch {
		case j < 0 || at < 0 && len(out.Cands) == mostCandidates:
			return
		case at >= 0:
			if out.Cands[at].Probability == nil {
				out.Cands[at].Probability = probability
			}
			return
		}
		c := pageCand{Point: j, Probability: probability}
		if p.OnGrid != nil {
			d := math.Hypot(m.points[j].E-p.OnGrid.E, m.points[j].N-p.OnGrid.N)
			c.Distance = &d
		}
		out.Cands = append(out.Cands, c)
	}
	if it.proposal != nil {
		add(m.place(it.proposal.Point), nil)
	}
	if f := p.Inference; f != nil {
		add(m.place(f.Point), &f.Probability)
		if p.Tie != nil {
			add(m.place(p.Tie.Point), f.LinkProbability)
		}
		add(m.place(f.RunnerUp), &f.RunnerUpProbability)
	}
	add(out.Linked, nil)
	for _, j := range match.NearPoints(p, m.points, 3) {
		add(j, nil)
	}
}

// The sizes of the pictures in pixels along the longer side, and how many bytes the
// larger ones take at most.
const (
	largeSize, smallSize = 1600, 120
	largeBytes           = 400_000
	smallBytes           = 3_000
)

// pictures draws the photos, as large as there is room for.
func (m *making) pictures(ctx context.Context) error {
	var large []int // items
	for k, it := range m.q.items {
		if it.photo >= 0 {
			large = append(large, k)
		}
	}
	// The pictures may be 18 MB together, which makes a page of some 27 MB at most.
	room := 18_000_000 - smallBytes*len(m.small)
	most := min(largeBytes, max(room/max(len(large), 1), 4_000))
	files := m.job.Dataset().FS()
	big := record.Thumbnails(files, record.ThumbnailOptions{Size: largeSize, MaxBytes: most})
	tiny := record.Thumbnails(files, record.ThumbnailOptions{Size: smallSize, MaxBytes: smallBytes, Embedded: true})
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	var done atomic.Int64
	total := len(large) + len(m.small)
	draw := func(f func(context.Context, string) (record.Picture, error), photo int, put func(img, no string)) {
		g.Go(func() error {
			pic, err := f(ctx, m.job.Photos[photo].Name)
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err != nil {
				put("", "No picture: "+words.Safe(err.Error()))
			} else {
				put("data:image/jpeg;base64,"+base64.StdEncoding.EncodeToString(pic.JPEG), "")
			}
			if m.opt.Progress != nil {
				m.opt.Progress(int(done.Add(1)), total)
			}
			return nil
		})
	}
	for _, k := range large {
		it := &m.data.Items[k]
		draw(big, m.q.items[k].photo, func(img, no string) { it.Img, it.NoImg = img, no })
	}
	small := make([]string, len(m.job.Photos))
	for i := range m.small {
		draw(tiny, i, func(img, _ string) { small[i] = img })
	}
	if err := g.Wait(); err != nil {
		return err
	}
	for _, k := range large {
		i := m.q.items[k].photo
		if n := m.data.Items[k].Before; n != nil {
			n.Img = small[m.before[i]]
		}
		if n := m.data.Items[k].After; n != nil {
			n.Img = small[m.after[i]]
		}
	}
	return nil
}
