package match

import (
	"cmp"
	"errors"
	"maps"
	"slices"
	"strings"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/walk"
)

// Severity orders findings by how much they matter. The names are SARIF's.
type Severity string

// The severities.
const (
	// SeverityError: the delivery would be wrong, or nothing can be said.
	SeverityError Severity = "error"
	// SeverityWarning: somebody should look.
	SeverityWarning Severity = "warning"
	// SeverityNote: worth knowing.
	SeverityNote Severity = "note"
)

// rank is 3 for an error, 2 for a warning, 1 for a note, else 0.
func (s Severity) rank() int {
	switch s {
	case SeverityError:
		return 3
	case SeverityWarning:
		return 2
	case SeverityNote:
		return 1
	}
	return 0
}

// AtLeast reports whether s matters as much as t or more.
func (s Severity) AtLeast(t Severity) bool { return s.rank() >= t.rank() }

// FindingCode names a kind of finding. The strings are stable. Codes of other
// programs start with "x-".
type FindingCode string

// Finding is something in a checked job that somebody should know.
type Finding struct {
	Code     FindingCode `json:"code"`
	Severity Severity    `json:"severity"`
	// Photo and Point name what it concerns; either may be empty.
	Photo string `json:"photo,omitempty"`
	Point string `json:"point,omitempty"`
	// Cause names the cause of what is out that the finding tells of; empty for others.
	Cause string `json:"cause,omitempty"`
	// Line is the line of the link concerned, or of the point where no link is;
	// 0 where neither has one.
	Line int `json:"line,omitempty"`
	// Message says what was found, and Remedy what to do next.
	Message string `json:"message"`
	Remedy  string `json:"remedy"`
	// Facts are the figures and names that Message states.
	Facts Facts `json:"facts,omitempty"`
	// Decision is the one that accepts the finding; nil where none does.
	Decision *Decision `json:"-"`
}

// NewFinding returns a finding of one of phototie's kinds, with its facts put into
// words and the severity that is usual for the kind. What it concerns is left for
// the caller to fill in. A program with findings of a kind of its own fills in a
// Finding instead.
func NewFinding(code FindingCode, facts ...Fact) Finding {
	k, _ := code.Kind()
	f := Finding{Code: code, Severity: k.Severity, Facts: facts}
	f.Message, f.Remedy = words.Finding(string(code), f.Facts)
	f.Remedy = cmp.Or(f.Remedy, k.Remedy)
	return f
}

// about says which photo a finding concerns, with its point.
func (f Finding) about(p *PhotoResult) Finding {
	f.Photo = p.Name
	if p.Tie != nil {
		f.Point, f.Line = p.Tie.Point, p.Tie.Line
	}
	return f
}

// Findings lists what somebody should know about a checked job: photos in
// their order, then links that lead nowhere, then points without a photo or with
// too few. What Options.Requirements find is among them, with what they say of the
// whole job at the end; then come those of the set and its frames, those of
// Options.Survey, and those of Options.Decisions.
func (r *Result) Findings() []Finding {
	var out []Finding
	for i := range r.Photos {
		out = append(out, r.photoFindings(&r.Photos[i])...)
		out = append(out, r.pictures.Photos[r.Photos[i].Name]...)
	}
	for _, s := range r.UnmatchedLinks {
		f := NewFinding(FindingUnknownPhoto, because(s.Why))
		f.Photo, f.Point, f.Line = s.Photo, s.Link.Point, s.Line
		out = append(out, f)
	}
	for _, p := range r.Points {
		if f, ok := r.pictures.Points[p.ID]; ok {
			out = append(out, f) // it says, too, where there is none at all
		} else if len(p.Photos) == 0 {
			f := NewFinding(FindingPointWithoutPhoto)
			f.Point, f.Line = p.ID, p.Line
			out = append(out, f)
		}
	}
	return r.settled(slices.Concat(out, r.pictures.Job, r.ofSet, r.survey))
}

// Of is the part of the Result that some photos have: they, the points they are tied
// to, the links of their names, and the findings about these and about the survey. They
// are judged as they were among all, and the statistics stay the whole job's.
func (r *Result) Of(photos map[string]bool) *Result {
	part := *r
	part.JobPhotos, part.ofSet, part.pictures.Job = len(r.Photos), nil, nil
	part.Photos, part.Counts = nil, maps.Clone(r.Counts)
	for _, p := range r.Photos {
		if photos[p.Name] {
			part.Photos = append(part.Photos, p)
		} else {
			part.Counts[p.Verdict]--
		}
	}
	theirs := func(name string) bool { return photos[name] }
	part.Points = slices.DeleteFunc(slices.Clone(r.Points), func(p PointResult) bool { return !slices.ContainsFunc(p.Photos, theirs) })
	part.UnmatchedLinks = slices.DeleteFunc(slices.Clone(r.UnmatchedLinks), func(l UnmatchedLink) bool { return !photos[l.Photo] })
	return &part
}

// ofReason are the kinds of finding about photos that are unjudged or have no tie.
var ofReason = map[Reason]FindingCode{
	ReasonUnreadable: FindingUnreadable,
	ReasonNoTag:      FindingNoTag,
	ReasonBadTag:     FindingBadTag,
	ReasonNoFrame:    FindingNoFrame,
	ReasonBallpark:   FindingBallpark,
	ReasonCoarse:     FindingCoarse,
	ReasonNoTie:      FindingNoTie,
	ReasonNoPoint:    FindingNoPoint,
	ReasonManyPoints: FindingManyPoints,
}

// photoFindings lists what is to be known about one photo of a job, but for its
// picture.
func (r *Result) photoFindings(p *PhotoResult) []Finding {
	var out []Finding
	add := func(code FindingCode, facts ...Fact) { out = append(out, NewFinding(code, facts...).about(p)) }
	code, tied := p.tieFacts()
	if p.Verdict == Gross || p.Verdict == Over {
		off := FindingOver
		if p.Verdict == Gross {
			off = FindingGross
		}
		add(off, p.off(code != "")...)
		if code != "" { // one thing to do about a photo
			out[0].Remedy = NewFinding(code, tied...).Remedy
		}
	}
	for _, reason := range []Reason{p.Reason, p.TieReason} {
		kind, ok := ofReason[reason]
		if !ok {
			continue
		}
		facts := Facts{because(p.Why)}
		switch {
		case kind == FindingNoTie && p.Nearest != nil:
			facts = append(facts, p.nearest(r.Grid.Unit)...)
		case kind == FindingUnreadable && errors.Is(p.Err, geotag.ErrFormat):
			facts = append(facts, Fact{Name: "unknown format", Text: "yes"})
		}
		add(kind, facts...)
	}
	if code != "" {
		add(code, tied...)
	}
	p.warnings(add)
	return out
}

// warnings adds what can't be believed of a photo's metadata.
func (p *PhotoResult) warnings(add func(FindingCode, ...Fact)) {
	if p.Tag == nil {
		return
	}
	for _, w := range p.Tag.Warnings {
		switch {
		case w.Code == geotag.WarnConflict:
			add(FindingConflict, Fact{Name: "field", Text: w.Field}, because(w.Detail))
		case p.Reason == ReasonBadTag && strings.HasPrefix(w.Field, "GPSL"):
			// Said already, as the reason.
		default:
			add(FindingMetadata, because(w.String()))
		}
	}
}

// because is the fact that says why.
func because(why string) Fact { return Fact{Name: "why", Text: why} }

// nearest are the facts about the point that is nearest to the tag.
func (p *PhotoResult) nearest(u grid.Unit) Facts {
	return Facts{{Name: "nearest point", Text: p.Nearest.Point}, {Name: "nearest distance", Value: p.Nearest.Distance, Unit: u.Symbol}}
}

// off are the facts about a tag that is off its point. The point that is nearest to the tag
// is one of them where it is within budget and the walk does not say which it is.
func (p *PhotoResult) off(told bool) Facts {
	d, a := p.Discrepancy, p.Allowance
	unit := d.Unit.Symbol
	out := Facts{{Name: "distance", Value: d.Distance, Unit: unit}}
	if p.Tie.offset() != (Vector{}) {
		out = append(out, Fact{Name: "place", Text: p.Tie.In(d.Unit)})
	}
	if d.Bearing.Defined() {
		out = append(out, Fact{Name: "bearing", Value: d.Bearing.Degrees(), Unit: "deg"})
	}
	if a.Expected != nil {
		out = append(out, Fact{Name: "distance from camera", Value: a.Judged / d.Unit.Metres, Unit: unit})
	}
	out = append(out, Fact{Name: "allowed", Value: a.Threshold / d.Unit.Metres, Unit: unit}, Fact{Name: "confidence", Value: a.Confidence * 100, Unit: "%"})
	if p.P != nil && p.PAdjusted != nil {
		out = append(out, Fact{Name: "chance", Value: *p.P}, Fact{Name: "chance among all", Value: *p.PAdjusted})
	}
	told = told || p.Inference != nil && p.Inference.Link == walk.Confirmed
	if n := p.Nearest; n != nil && !told && n.Point != p.Tie.Point && n.Distance*d.Unit.Metres <= a.Threshold {
		out = append(out, p.nearest(d.Unit)...)
	}
	return out
}

// ToLookAt gives the places of the photos that somebody should look at, in their
// order: those that are not within budget, and those about which a finding is a
// warning or worse, where no decision covers that.
func (r *Result) ToLookAt() []int {
	told := map[string]bool{}
	for _, f := range r.Findings() {
		if f.Photo != "" && f.Severity.AtLeast(SeverityWarning) && f.Decision == nil {
			told[f.Photo] = true
		}
	}
	var out []int
	for i := range r.Photos {
		if r.Photos[i].Verdict != Within && !r.Photos[i].Decision.holds() || told[r.Photos[i].Name] {
			out = append(out, i)
		}
	}
	return out
}
