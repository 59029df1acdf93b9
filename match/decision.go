package match

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
)

// Ruling is what somebody decided about a photo. The strings are stable.
type Ruling string

// The rulings. About a point without photos only the last two can be given.
const (
	// RulingShows: the photo shows Decision.Point, whatever the links say.
	RulingShows Ruling = "shows"
	// RulingNoPoint: it shows no point of the survey.
	RulingNoPoint Ruling = "no-point"
	// RulingAgain: it is to be taken again.
	RulingAgain Ruling = "take-again"
	// RulingLeave: it stays as it is, and nothing is written into it.
	RulingLeave Ruling = "leave"
)

// Rulings lists the rulings.
var Rulings = []Ruling{RulingShows, RulingNoPoint, RulingAgain, RulingLeave}

// Decision is what somebody who looked at a photo decided about it. It overrules
// the links, and the findings that it covers count as accepted, until what it rests
// on has changed: then it is stale, and does nothing but say so.
type Decision struct {
	// Photo is the whole name of the photo. It is empty for a decision about a
	// Point that lacks photos.
	Photo string `json:"photo,omitempty"`
	// Point is the point that the photo shows, for RulingShows.
	Point  string `json:"point,omitempty"`
	Ruling Ruling `json:"ruling"`
	// By says who decided, When on which day or at what time (RFC 3339), and Why
	// what for; that may be empty.
	By   string `json:"by"`
	When string `json:"when"`
	Why  string `json:"why,omitempty"`
	// Covers are the kinds of finding that were on show, besides those that the
	// ruling itself answers.
	Covers []FindingCode `json:"covers,omitempty"`
	// SHA256 is that of the photo's file, in hex. It is for the caller to compare.
	SHA256 string `json:"sha256,omitempty"`
	// Basis is a digest of the photo's tag, the points near it and its links, as
	// Result.Basis gives it. At is where Point was.
	Basis string   `json:"basis,omitempty"`
	At    *grid.EN `json:"at,omitempty"`
	// Probability is that of a Point which was proposed, and RunnerUp the next best
	// one with its own; 0 and empty where nothing was proposed.
	Probability         float64 `json:"probability,omitempty"`
	RunnerUp            string  `json:"runner_up,omitempty"`
	RunnerUpProbability float64 `json:"runner_up_probability,omitempty"`
	// Line is its line in its file; 0 where it has none.
	Line int `json:"line,omitempty"`
	// Stale says why it no longer holds. The caller says so where the bytes of the
	// photo are others, and Check where anything else is.
	Stale string `json:"stale,omitempty"`
	// Now is the SHA-256 of a photo that was corrected since: its tag and what is near
	// that then need not be the same. It is empty for others.
	Now string `json:"-"`
}

// holds reports whether there is a decision that is not stale.
func (d *Decision) holds() bool { return d != nil && d.Stale == "" }

// rules reports whether there is a decision of that ruling that is not stale.
func (d *Decision) rules(r Ruling) bool { return d.holds() && d.Ruling == r }

// String says who decided what, when and why.
func (d *Decision) String() string {
	return words.Decision(string(d.Ruling), d.Point, d.By, d.When, d.Why)
}

// answers are the kinds of finding that a ruling is the answer to.
var answers = map[Ruling][]FindingCode{
	RulingShows: {FindingGross, FindingOver, FindingNoTag, FindingBadTag, FindingCoarse, FindingNoTie, FindingManyPoints, FindingNoPoint,
		FindingContradicted, FindingDoubted, FindingInferred},
	RulingNoPoint: {FindingNoTie, FindingManyPoints, FindingNoPoint, FindingNoTag},
	RulingAgain:   {FindingTooFew, FindingPointWithoutPhoto},
	RulingLeave:   {FindingTooFew, FindingPointWithoutPhoto},
}

// accepts reports whether a decision holds and covers a kind of finding.
func (d *Decision) accepts(code FindingCode) bool {
	return d.holds() && code != FindingAgain && (slices.Contains(d.Covers, code) || slices.Contains(answers[d.Ruling], code))
}

// finding is what a decision itself gives rise to: that it is stale, or that
// something is to be taken again.
func (d *Decision) finding() (Finding, bool) {
	var f Finding
	switch {
	case d == nil || d.Stale == "" && d.Ruling != RulingAgain:
		return f, false
	case d.Stale != "":
		f = NewFinding(FindingStale, Fact{Name: "decision", Text: d.String()}, because(d.Stale))
	default:
		f = NewFinding(FindingAgain, Fact{Name: "decision", Text: d.String()})
	}
	f.Photo, f.Point, f.Line = d.Photo, d.Point, 0
	return f, true
}

// nearCount is how many points near its tag a decision about a photo rests on.
const nearCount = 5

// basis is a digest of a photo's tag, of the points near it and of its links, in
// three parts.
func basis(p *PhotoResult, points []Point, listed []string) string {
	tag := "none"
	if t := p.Tag; t != nil {
		tag = fmt.Sprint(t.Position != nil)
		if at := t.Position; at != nil {
			tag = fmt.Sprintf("%.8f %.8f %s", at.Lat, at.Lon, t.MapDatum)
		}
		if t.Taken != nil {
			tag += " " + t.Taken.Time.Format("2006-01-02 15:04:05.999")
		}
	}
	var near []string
	for _, j := range NearPoints(p, points, nearCount) {
		near = append(near, fmt.Sprintf("%q %.3f %.3f", points[j].ID, points[j].E, points[j].N))
	}
	listed = slices.Sorted(slices.Values(listed))
	part := func(s string) string {
		sum := sha256.Sum256([]byte(s))
		return hex.EncodeToString(sum[:6])
	}
	return part(tag) + "-" + part(strings.Join(near, "\n")) + "-" + part(strings.Join(slices.Compact(listed), "\n"))
}

// NearPoints gives the places of the n points nearest to a photo's tag, the
// nearest first; none where the tag is not on the grid.
func NearPoints(p *PhotoResult, points []Point, n int) []int {
	if p.OnGrid == nil {
		return nil
	}
	type far struct {
		point int
		d2    float64
	}
	var best []far
	for j := range points {
		e, north := points[j].E-p.OnGrid.E, points[j].N-p.OnGrid.N
		x := far{j, e*e + north*north}
		if math.IsNaN(x.d2) || len(best) == n && x.d2 >= best[n-1].d2 {
			continue
		}
		at, _ := slices.BinarySearchFunc(best, x, func(a, b far) int { return cmp.Or(cmp.Compare(a.d2, b.d2), cmp.Compare(a.point, b.point)) })
		best = slices.Insert(best[:min(len(best), n-1)], min(at, n-1), x)
	}
	out := make([]int, len(best))
	for k := range best {
		out[k] = best[k].point
	}
	return out
}

// Basis gives what decisions about some photos rest on, for Decision.Basis. photos
// are their places in Photos, links those that the job was checked with.
func (r *Result) Basis(photos []int, links []Link) ([]string, error) {
	names := make([]string, len(r.Photos))
	for i := range r.Photos {
		names[i] = r.Photos[i].Name
	}
	of, _, err := SortLinks(names, links)
	if err != nil {
		return nil, err
	}
	points := make([]Point, len(r.Points))
	for j := range r.Points {
		points[j] = r.Points[j].Point
	}
	out := make([]string, len(photos))
	for k, i := range photos {
		var ids []string
		for _, l := range of[i] {
			ids = append(ids, strings.TrimSpace(l.Point))
		}
		out[k] = basis(&r.Photos[i], points, ids)
	}
	return out, nil
}

// decide puts the decisions that hold in the place of what links say, and returns
// those that belong to no photo.
func (c *checker) decide(photos []PhotoResult, names *photoNames, t *ties) []Decision {
	if len(c.opt.Decisions) == 0 {
		return nil
	}
	var others []Decision
	t.decided = make([]*Decision, len(photos))
	for _, d := range c.opt.Decisions {
		i, ok := names.exact[d.Photo]
		if !ok {
			if d.Photo != "" && d.Stale == "" {
				d.Stale = "the job has no photo of this name"
			}
			if d.Stale == "" {
				d.Stale = c.moved(&d)
			}
			others = append(others, d)
			continue
		}
		if d.Stale == "" {
			d.Stale = c.stale(&d, &photos[i], t.byPhoto[i])
		}
		photos[i].Decision = &d
		if d.Stale != "" {
			continue
		}
		switch t.decided[i] = &d; d.Ruling {
		case RulingShows:
			// What links say of that point beyond its id holds on.
			same := slices.DeleteFunc(slices.Clone(t.byPhoto[i]), func(l listed) bool { return strings.TrimSpace(l.link.Point) != d.Point })
			t.byPhoto[i], t.ambiguous[i] = append(same, listed{link: Link{Photo: d.Photo, Point: d.Point}}), nil
		case RulingNoPoint:
			t.byPhoto[i], t.ambiguous[i] = nil, nil
		}
	}
	return others
}

// agrees says whether the decision is what the links to the points of these ids say.
func (d *Decision) agrees(ids []string) bool {
	return d.Ruling == RulingNoPoint && len(ids) == 0 ||
		d.Ruling == RulingShows && len(ids) > 0 && !slices.ContainsFunc(ids, func(id string) bool { return id != d.Point })
}

// stale says what has changed since a decision about a photo was made.
func (c *checker) stale(d *Decision, p *PhotoResult, links []listed) string {
	var ids []string
	for _, l := range links {
		ids = append(ids, strings.TrimSpace(l.link.Point))
	}
	was, is := strings.Split(d.Basis, "-"), strings.Split(basis(p, c.points, ids), "-")
	switch {
	case len(was) != len(is):
		return "it does not say what it rests on"
	case was[0] != is[0] && d.Now == "":
		return "the photo's tag is another now"
	case was[1] != is[1] && d.Now == "":
		return "the points near the photo's tag are others now, or lie elsewhere"
	case was[2] != is[2] && !d.agrees(ids):
		return "the links say something else of the photo now"
	}
	return c.moved(d)
}

// moved says that the point of a decision is not where it was.
func (c *checker) moved(d *Decision) string {
	if d.Point == "" {
		return ""
	}
	j, ok := c.pointByID[d.Point]
	switch {
	case !ok:
		return fmt.Sprintf("the survey has no point %q", d.Point)
	case d.At == nil:
		return "it does not say where its point was"
	case !(math.Hypot(c.points[j].E-d.At.E, c.points[j].N-d.At.N) < 0.002):
		return fmt.Sprintf("point %s lies elsewhere now", d.Point)
	}
	return ""
}

// settled marks the findings that a decision covers, and adds what decisions
// themselves give rise to.
func (r *Result) settled(findings []Finding) []Finding {
	of := map[string]*Decision{}
	var more []Finding
	take := func(key string, d *Decision) {
		if f, ok := d.finding(); ok {
			more = append(more, f)
		}
		of[key] = d
	}
	for i := range r.Photos {
		if d := r.Photos[i].Decision; d != nil {
			take(d.Photo, d)
		}
	}
	for i := range r.decided {
		d := &r.decided[i]
		take("\x00"+d.Point, d)
	}
	if len(of) == 0 {
		return findings
	}
	for i := range findings {
		f := &findings[i]
		if d := of[cmp.Or(f.Photo, "\x00"+f.Point)]; d.accepts(f.Code) {
			f.Decision = d
		}
	}
	return append(findings, more...)
}
