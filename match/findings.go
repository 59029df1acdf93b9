package match

import (
	"errors"
	"strings"

	"example.com/phototie/geotag"
	"example.com/phototie/match/internal/words"
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

// FindingCode names a kind of finding. The strings are stable.
type FindingCode string

// The kinds of finding.
const (
	// FindingGross: a discrepancy that handheld noise can't explain.
	FindingGross FindingCode = "tag-gross"
	// FindingOver: a discrepancy over budget.
	FindingOver FindingCode = "tag-over-budget"
	// FindingNoTag: a photo without a position.
	FindingNoTag FindingCode = "tag-missing"
	// FindingBadTag: a photo with a position that can't be believed.
	FindingBadTag FindingCode = "tag-unsound"
	// FindingConflict: Exif and XMP positions of one photo differ.
	FindingConflict FindingCode = "tag-conflict"
	// FindingMetadata: other metadata of a photo that can't be believed.
	FindingMetadata FindingCode = "metadata-unsound"
	// FindingUnreadable: a photo that can't be read.
	FindingUnreadable FindingCode = "photo-unreadable"
	// FindingNoTie: a photo that no link names.
	FindingNoTie FindingCode = "photo-untied"
	// FindingManyPoints: a photo that links tie to several points.
	FindingManyPoints FindingCode = "photo-several-points"
	// FindingNoPoint: a link to a point that the survey does not have.
	FindingNoPoint FindingCode = "link-point-unknown"
	// FindingStray: a link to a photo that the job does not have.
	FindingStray FindingCode = "link-photo-unknown"
	// FindingBare: a point without a photo.
	FindingBare FindingCode = "point-without-photo"
	// FindingNoFrame: a tag in a frame that can't be carried to the grid.
	FindingNoFrame FindingCode = "frame-unknown"
	// FindingBallpark: a tag that only a ballpark operation carries to the grid.
	FindingBallpark FindingCode = "frame-ballpark"
	// FindingCoarse: a tag that states so large an error that it tells no point.
	FindingCoarse FindingCode = "tag-too-coarse"
)

// Finding is something in a checked job that somebody should know.
type Finding struct {
	Code     FindingCode `json:"code"`
	Severity Severity    `json:"severity"`
	// Photo and Point name what it concerns; either may be empty.
	Photo string `json:"photo,omitempty"`
	Point string `json:"point,omitempty"`
	// Line is the line of the link concerned, or of the point where no link is;
	// 0 where neither has one.
	Line    int    `json:"line,omitempty"`
	Message string `json:"message"`
	// Remedy says what to do next.
	Remedy string `json:"remedy"`
}

// Findings lists what somebody should know about a checked job: photos in
// their order, then links that lead nowhere, then points without a photo or with
// too few. What Options.Requirements find is among them, with what they say of the
// whole job at the end, and then come those of Options.Survey.
func (r *Result) Findings() []Finding {
	var out []Finding
	for i := range r.Photos {
		out = append(out, r.photoFindings(&r.Photos[i])...)
		out = append(out, r.pictures.Photos[r.Photos[i].Name]...)
	}
	for _, s := range r.Strays {
		f := FindingStray.finding(s.Why)
		f.Photo, f.Point, f.Line = s.Photo, s.Link.Point, s.Line
		out = append(out, f)
	}
	for _, p := range r.Points {
		if f, ok := r.pictures.Points[p.ID]; ok {
			out = append(out, f) // it says, too, where there is none at all
			continue
		}
		if len(p.Photos) == 0 {
			f := FindingBare.finding("no photo is tied to the point")
			f.Point, f.Line = p.ID, p.Line
			out = append(out, f)
		}
	}
	out = append(out, r.pictures.Job...)
	return append(out, r.survey...)
}

// photoFindings lists what is to be known about one photo of a job, but for its
// picture.
func (r *Result) photoFindings(p *PhotoResult) []Finding {
	base := Finding{Photo: p.Name}
	if p.Tie != nil {
		base.Point, base.Line = p.Tie.Point, p.Tie.Line
	}
	var out []Finding
	add := func(code FindingCode, message, remedy string) {
		f := code.finding(message)
		f.Photo, f.Point, f.Line = base.Photo, base.Point, base.Line
		if remedy != "" {
			f.Remedy = remedy
		}
		out = append(out, f)
	}
	switch p.Verdict {
	case Gross, Over:
		off := p.off()
		code := FindingOver
		if p.Verdict == Gross {
			code = FindingGross
		}
		add(code, off.Message(), off.Remedy())
	case Unjudged:
		switch p.Reason {
		case ReasonUnreadable:
			remedy := ""
			if errors.Is(p.Err, geotag.ErrFormat) {
				remedy = "get the photo again from the device, in a format that can be read, or a raw one with its side-car file"
			}
			add(FindingUnreadable, p.Why, remedy)
		case ReasonNoTag:
			add(FindingNoTag, p.Why, "")
		case ReasonBadTag:
			add(FindingBadTag, p.Why, "")
		case ReasonNoFrame:
			add(FindingNoFrame, p.Why, "")
		case ReasonBallpark:
			add(FindingBallpark, p.Why, "")
		case ReasonCoarse:
			add(FindingCoarse, p.Why, "")
		}
	}
	tie := p.TieReason
	if tie == "" {
		tie = p.Reason
	}
	switch tie {
	case ReasonNoTie:
		add(FindingNoTie, r.untied(p), "")
	case ReasonNoPoint:
		add(FindingNoPoint, p.Why, "")
	case ReasonManyPoints:
		add(FindingManyPoints, p.Why, "")
	}
	p.tieFindings(add)
	if p.Tag != nil {
		for _, w := range p.Tag.Warnings {
			switch {
			case w.Code == geotag.WarnConflict && w.Field == "side-car":
				add(FindingConflict, w.Field+" "+w.Detail, "correct the side-car in the same step as the photo, or remove it")
			case w.Code == geotag.WarnConflict:
				add(FindingConflict, w.Field+": "+w.Detail, "")
			case p.Reason == ReasonBadTag && strings.HasPrefix(w.Field, "GPSL"):
				// Said already, as the reason.
			default:
				add(FindingMetadata, w.String(), "")
			}
		}
	}
	return out
}

// untied words a photo without a tie, with the nearest point as a hint.
func (r *Result) untied(p *PhotoResult) string {
	if p.Nearest == nil {
		return p.Why
	}
	return p.Why + "; " + words.Nearest(p.Nearest.Point, p.Nearest.Distance, r.Grid.Unit)
}

// ToLookAt gives the places of the photos that somebody should look at, in their
// order: those that are not within budget, and those about which a finding is a
// warning or worse.
func (r *Result) ToLookAt() []int {
	told := map[string]bool{}
	for _, f := range r.Findings() {
		if f.Photo != "" && f.Severity.AtLeast(SeverityWarning) {
			told[f.Photo] = true
		}
	}
	var out []int
	for i := range r.Photos {
		if r.Photos[i].Verdict != Within || told[r.Photos[i].Name] {
			out = append(out, i)
		}
	}
	return out
}

// finding is a finding of this kind with its usual severity and remedy.
func (c FindingCode) finding(message string) Finding {
	k, _ := c.Kind()
	return Finding{Code: c, Severity: k.Severity, Message: message, Remedy: k.Remedy}
}

// off is what there is to say of a tag that is off its point.
func (p *PhotoResult) off() words.Off {
	d, a := p.Discrepancy, p.Allowance
	o := words.Off{Unit: d.Unit, Distance: d.Distance, Allowed: a.Threshold / d.Unit.Metres, Bearing: d.Bearing, Confidence: a.Confidence}
	if a.Expected != nil {
		v := a.Judged / d.Unit.Metres
		o.FromCamera = &v
	}
	if n := p.Nearest; n != nil && n.Point != p.Tie.Point && n.Distance < d.Distance {
		o.Nearer, o.NearerDistance = n.Point, n.Distance
	}
	return o
}
