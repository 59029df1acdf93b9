package dataset

import (
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"io"
	"math"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"example.com/phototie/geotag/ledger"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/suggest"
	"example.com/phototie/match/walk"
)

// DecisionsFile is what a file of decisions is called where the settings name none.
const DecisionsFile = "decisions.csv"

// decisionNames are the columns of a decisions file, in order. e and n are where the
// point was, in the grid's unit.
var decisionNames = []string{"photo", "decision", "point", "by", "when", "why", "covers", "sha256", "basis", "e", "n", "probability", "runner_up", "runner_up_probability"}

// decisionColumns are the headings understood in a decisions file.
var decisionColumns = func() map[string]string {
	out := map[string]string{}
	for _, n := range decisionNames {
		out[strings.ReplaceAll(n, "_", "")] = n
	}
	return out
}()

// mostDecisions is how many decisions a job has at most: some 600 bytes each.
const mostDecisions = 500_000

// WriteDecisions writes decisions as a decisions file has them. Those that nobody has
// made yet, without By, are for somebody to look at: a job is refused that has them.
func WriteDecisions(w io.Writer, decisions []match.Decision) error {
	rows := [][]string{decisionNames}
	for _, d := range decisions {
		rows = append(rows, DecisionRow(d))
	}
	return csv.NewWriter(w).WriteAll(rows)
}

// DecisionHeader is the first row of a decisions file.
func DecisionHeader() []string { return slices.Clone(decisionNames) }

// DecisionRow is a decision as a row of such a file.
func DecisionRow(d match.Decision) []string {
	number := func(v float64) string {
		if v == 0 {
			return ""
		}
		return strconv.FormatFloat(v, 'f', 4, 64)
	}
	covers := make([]string, len(d.Covers))
	for i, c := range d.Covers {
		covers[i] = string(c)
	}
	e, n := "", ""
	if d.At != nil {
		e, n = strconv.FormatFloat(d.At.E, 'f', 4, 64), strconv.FormatFloat(d.At.N, 'f', 4, 64)
	}
	return []string{d.Photo, string(d.Ruling), d.Point, d.By, d.When, d.Why, strings.Join(covers, " "), d.SHA256, d.Basis, e, n,
		number(d.Probability), d.RunnerUp, number(d.RunnerUpProbability)}
}

// decisions reads the decisions file, and says which of its rows are about photos
// whose bytes are others now.
func (d *Dataset) decisions(ctx context.Context) ([]match.Decision, error) {
	file := d.settings.Links.Decisions
	if file == "" {
		return nil, nil
	}
	t, err := openTable(d.fsys, file, ",", nil, decisionColumns, decisionNames, []string{"photo", "decision", "point", "by", "when", "sha256", "basis"})
	if err != nil {
		return nil, err
	}
	defer t.closer.Close()
	var out []match.Decision
	seen := map[string]int{}
	for t.next() {
		one := t.decision()
		key := one.Photo
		if key == "" {
			key = "\x00" + one.Point
		}
		if first, ok := seen[key]; ok {
			t.ps.add(t.line, 0, "keep the one that holds", "a decision about %q stands already in line %d", clip(strings.TrimPrefix(key, "\x00")), first)
			continue
		}
		seen[key] = t.line
		if out = append(out, one); len(out) > mostDecisions {
			return nil, &Problem{File: file, Line: t.line, What: fmt.Sprintf("there are more than %d decisions", mostDecisions), Remedy: "split the job"}
		}
	}
	if err := t.ps.err(); err != nil {
		return nil, err
	}
	return out, d.rebind(ctx, out)
}

// raw is the text of a column in the present row as it is: names of photos may begin
// or end with a blank.
func (t *table) raw(col string) string { return t.row[t.at[col]] }

// decision is the present row of a decisions file; what is wrong with it is among the
// problems.
func (t *table) decision() match.Decision {
	d := match.Decision{Photo: t.raw("photo"), Point: t.get("point"), Ruling: match.Ruling(t.get("decision")), By: t.get("by"), When: t.get("when"), Why: t.get("why"),
		SHA256: strings.ToLower(t.get("sha256")), Basis: t.get("basis"), RunnerUp: t.get("runner_up"), Line: t.line}
	for _, c := range strings.Fields(t.get("covers")) {
		d.Covers = append(d.Covers, match.FindingCode(c))
	}
	var known []string
	for _, r := range match.Rulings {
		known = append(known, string(r))
	}
	const copied = "take the row as phototie decide or phototie check --propose wrote it"
	bad := func(col, remedy, format string, args ...any) {
		t.ps.add(t.line, t.column(col), remedy, format, args...)
	}
	switch {
	case !slices.Contains(match.Rulings, d.Ruling):
		bad("decision", "write one of "+strings.Join(known, ", "), "%q is no decision%s", clip(string(d.Ruling)), suggest.Nearest(string(d.Ruling), known...))
	case d.By == "" || d.When == "":
		bad("by", "look at the photo, and write who decided and when; phototie decide does that", "nobody has made this decision yet: by or when is empty")
	case !isDay(d.When):
		bad("when", "write it as 2027-03-31, or with a time as 2027-03-31T10:00:00Z", "%q is no day", clip(d.When))
	case d.Photo == "" && (d.Point == "" || d.Ruling != match.RulingAgain && d.Ruling != match.RulingLeave):
		bad("photo", copied, "the row names no photo")
	case d.Ruling == match.RulingShows && d.Point == "":
		bad("point", "name the point, or write no-point", "the row does not say which point the photo shows")
	case d.Photo != "" && (d.SHA256 == "" || d.Basis == ""):
		bad("sha256", copied, "the row does not say what it rests on: sha256 or basis is empty")
	}
	const digits = "write it with digits and a dot"
	e, n := t.figure("e", -math.MaxFloat64, math.MaxFloat64, digits), t.figure("n", -math.MaxFloat64, math.MaxFloat64, digits)
	if e != nil && n != nil {
		d.At = &grid.EN{E: *e, N: *n}
	}
	for col, to := range map[string]*float64{"probability": &d.Probability, "runner_up_probability": &d.RunnerUpProbability} {
		if v := t.figure(col, 0, 1, copied); v != nil {
			*to = *v
		}
	}
	return d
}

func isDay(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	if err != nil {
		_, err = time.Parse(time.RFC3339, s)
	}
	return err == nil
}

// digests gives the SHA-256 of files in hex, several at a time; empty for those that
// can't be read.
func (d *Dataset) digests(ctx context.Context, names []string) ([]string, error) {
	out := make([]string, len(names))
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i, name := range names {
		g.Go(func() error {
			if err := ctx.Err(); err != nil || name == "" {
				return err
			}
			f, err := d.fsys.Open(name)
			if err != nil {
				return nil //nolint // it has no bytes to rest on
			}
			defer f.Close()
			h := sha256.New()
			if _, err := io.Copy(h, f); err == nil {
				out[i] = hex.EncodeToString(h.Sum(nil))
			}
			return nil
		})
	}
	return out, g.Wait()
}

// rebind holds decisions against the bytes of their photos. What the ledger has on
// record as a correction of those bytes is no change.
func (d *Dataset) rebind(ctx context.Context, decisions []match.Decision) error {
	names := make([]string, len(decisions))
	of := map[string][]ledger.Record{}
	for i := range decisions {
		names[i] = decisions[i].Photo
		of[names[i]] = nil
	}
	sums, err := d.digests(ctx, names)
	if err != nil {
		return err
	}
	if d.root != nil {
		for rec, err := range ledger.Read(d.root) {
			if err != nil {
				return err
			}
			photo := rec.Photo
			if p := rec.Reason[reasonPhoto]; p != "" {
				photo = p
			}
			if _, ok := of[photo]; ok {
				of[photo] = append(of[photo], rec)
			}
		}
	}
	for i := range decisions {
		one := &decisions[i]
		if one.Photo == "" {
			continue
		}
		known := sums[i] == one.SHA256
		for _, rec := range of[one.Photo] {
			if rec.Action != ledger.ActionCorrect && rec.Action != ledger.ActionCopy {
				continue
			}
			switch {
			case rec.Photo != one.Photo && known: // the side-car that has the tag of a raw photo
				one.Now = sums[i]
			case rec.Before == one.SHA256 || one.Now != "" && rec.Before == one.Now:
				one.Now = rec.After
			}
		}
		switch {
		case known || sums[i] != "" && one.Now == sums[i]:
		case sums[i] == "":
			one.Stale = "the photo is not there, or can't be read"
		default:
			one.Stale = "the bytes of the photo are others now"
		}
	}
	return nil
}

// decided are the photos that somebody decided about.
func (c *Checked) decided() map[string]bool {
	out := map[string]bool{}
	for i := range c.Photos {
		if d := c.Photos[i].Decision; d != nil && d.Stale == "" {
			out[d.Photo] = true
		}
	}
	return out
}

// Decisions are those that hold.
func (c *Checked) Decisions() []match.Decision {
	var out []match.Decision
	for i := range c.Photos {
		if d := c.Photos[i].Decision; d != nil && d.Stale == "" {
			out = append(out, *d)
		}
	}
	for _, d := range c.opt.Decisions {
		if d.Photo == "" {
			out = append(out, d)
		}
	}
	return out
}

// Bind has decisions about photos and points of the job rest on what these are now.
func (c *Checked) Bind(ctx context.Context, decisions []match.Decision) error {
	at := make(map[string]int, len(c.Photos))
	for i := range c.Photos {
		at[c.Photos[i].Name] = i
	}
	points := make(map[string]grid.EN, len(c.Points))
	for i := range c.Points {
		points[c.Points[i].ID] = c.Points[i].EN
	}
	var names []string
	var photos, of []int
	for k := range decisions {
		d := &decisions[k]
		if en, ok := points[d.Point]; ok {
			d.At = &en
		}
		if i, ok := at[d.Photo]; ok {
			names, photos, of = append(names, d.Photo), append(photos, i), append(of, k)
		}
	}
	sums, err := c.d.digests(ctx, names)
	if err != nil {
		return err
	}
	rests, err := c.Basis(photos, c.Links)
	for k := range rests {
		decisions[of[k]].SHA256, decisions[of[k]].Basis = sums[k], rests[k]
	}
	return err
}

// Proposed are the decisions that causes and the weighing of ties propose, and that
// nobody has made yet: links that a cause has otherwise, those that are contradicted
// or doubtful, and points found for photos without one. They lack By and When.
func (c *Checked) Proposed(ctx context.Context) ([]match.Decision, error) {
	fixed := map[string]match.Decision{}
	if c.Explanation != nil {
		for _, one := range c.Explanation.Causes {
			if one.Fix == nil {
				continue
			}
			for _, l := range one.Fix.Links {
				fixed[l.Photo] = match.Decision{Photo: l.Photo, Ruling: match.RulingShows, Point: l.Point, Why: one.Summary}
			}
		}
	}
	var out []match.Decision
	decided := c.decided()
	for i := range c.Photos {
		p := &c.Photos[i]
		d, ok := fixed[p.Name]
		if !ok {
			d, ok = c.weighed(p)
		}
		if !ok || decided[p.Name] {
			continue
		}
		if f := p.Inference; f != nil && f.Point == d.Point {
			d.Probability, d.RunnerUp, d.RunnerUpProbability = f.Probability, f.RunnerUp, f.RunnerUpProbability
		}
		out = append(out, d)
	}
	return out, c.Bind(ctx, out)
}

// weighed is the decision that the weighing of ties proposes for a photo.
func (c *Checked) weighed(p *match.PhotoResult) (match.Decision, bool) {
	f := p.Inference
	if f == nil {
		return match.Decision{}, false
	}
	d := match.Decision{Photo: p.Name, Ruling: match.RulingShows, Point: f.Point, Why: strings.Join(f.Evidence, "; ")}
	if f.Point == "" {
		d.Ruling = match.RulingNoPoint
	}
	switch inferred := p.Tie != nil && slices.Contains(p.Tie.Evidence, match.EvidenceInferred); {
	case inferred, p.Tie == nil && f.Point != "":
		return d, f.Probability >= 0.5
	case p.Tie == nil || p.Tie.Point == f.Point:
		return d, false
	}
	return d, f.Link == walk.Contradicted || f.Link == walk.Doubtful && *f.LinkProbability < 0.5
}
