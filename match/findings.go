package match

import (
	"errors"
	"fmt"
	"strings"

	"example.com/phototie/geotag"
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
)

// FindingCodes lists the kinds of finding, those of CheckPhotos last.
var FindingCodes = append([]FindingCode{FindingGross, FindingOver, FindingNoTag, FindingBadTag, FindingConflict, FindingMetadata, FindingUnreadable, FindingNoTie, FindingManyPoints, FindingNoPoint, FindingStray, FindingBare, FindingNoFrame, FindingBallpark, FindingContradicted, FindingDoubted, FindingInferred}, PhotoFindingCodes...)

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
// too few. What CheckPhotos finds is among them, with what it says of the whole job
// at the end, where Options.Requirements were given, and then those of
// Options.Survey.
func (r *Result) Findings() []Finding {
	var out []Finding
	for i := range r.Photos {
		out = append(out, r.photoFindings(&r.Photos[i])...)
		if r.pictures != nil {
			out = append(out, r.pictures.photos[r.Photos[i].Name]...)
		}
	}
	for _, s := range r.Strays {
		out = append(out, Finding{Code: FindingStray, Severity: SeverityError, Photo: s.Photo, Point: s.Link.Point, Line: s.Line,
			Message: s.Why, Remedy: "deliver the photo, or mend or remove the link"})
	}
	for _, p := range r.Points {
		if r.pictures != nil {
			if f, ok := r.pictures.points[p.ID]; ok {
				out = append(out, f) // it says, too, where there is none at all
				continue
			}
		}
		if len(p.Photos) == 0 {
			out = append(out, Finding{Code: FindingBare, Severity: SeverityNote, Point: p.ID, Line: p.Line,
				Message: "no photo is tied to the point", Remedy: "find its photo among the untied ones, or take one"})
		}
	}
	if r.pictures != nil {
		out = append(out, r.pictures.job...)
	}
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
	add := func(code FindingCode, sev Severity, message, remedy string) {
		f := base
		f.Code, f.Severity, f.Message, f.Remedy = code, sev, message, remedy
		out = append(out, f)
	}
	switch p.Verdict {
	case Gross, Over:
		d := p.Discrepancy
		sym := d.Unit.Symbol
		allowed := p.Allowance.Threshold / d.Unit.Metres
		msg := fmt.Sprintf("the tag is %.1f %s from the point, bearing %s; %.1f %s are allowed at %g %%",
			d.Distance, sym, d.Bearing.DMS(0), allowed, sym, p.Allowance.Confidence*100)
		if p.Allowance.Expected != nil {
			msg = fmt.Sprintf("the tag is %.1f %s from the point, bearing %s, and %.1f %s from where the image says the camera stood; %.1f %s are allowed at %g %%",
				d.Distance, sym, d.Bearing.DMS(0), p.Allowance.Judged/d.Unit.Metres, sym, allowed, sym, p.Allowance.Confidence*100)
		}
		remedy := "look at the photo: is it the point, and was the fix fresh?"
		if n := p.Nearest; n != nil && n.Point != p.Tie.Point && n.Distance < d.Distance {
			msg += fmt.Sprintf("; nearest to the tag is %s at %.1f %s", n.Point, n.Distance, sym)
			remedy = fmt.Sprintf("look at the photo: does it show %s instead?", n.Point)
		}
		if p.Verdict == Gross {
			add(FindingGross, SeverityError, msg, remedy)
		} else {
			add(FindingOver, SeverityWarning, msg, remedy)
		}
	case Unjudged:
		switch p.Reason {
		case ReasonUnreadable:
			remedy := "get the photo again from the device"
			if errors.Is(p.Err, geotag.ErrFormat) {
				remedy += ", in a format that can be read, or a raw one with its side-car file"
			}
			add(FindingUnreadable, SeverityError, p.Why, remedy)
		case ReasonNoTag:
			add(FindingNoTag, SeverityWarning, p.Why, "check the tie by eye; correcting with the verdict unjudged allowed writes the point's position")
		case ReasonBadTag:
			add(FindingBadTag, SeverityError, p.Why, "check the tie by eye; correcting with the verdict unjudged allowed writes the point's position")
		case ReasonNoFrame:
			add(FindingNoFrame, SeverityError, p.Why, "if you know the frame, name it in the settings under [frame.datums]")
		case ReasonBallpark:
			add(FindingBallpark, SeverityError, p.Why, "install the grid that is missing, or allow it with a figure ([frame] allow_ballpark, ballpark_sigma_m)")
		}
	}
	tie := p.TieReason
	if tie == "" {
		tie = p.Reason
	}
	switch tie {
	case ReasonNoTie:
		add(FindingNoTie, SeverityWarning, r.untied(p), "add a row for it to the links file")
	case ReasonNoPoint:
		add(FindingNoPoint, SeverityError, p.Why, "mend the id in the links file, or add the point")
	case ReasonManyPoints:
		add(FindingManyPoints, SeverityError, p.Why, "keep the link that is right")
	}
	p.tieFindings(add)
	if p.Tag != nil {
		for _, w := range p.Tag.Warnings {
			switch {
			case w.Code == geotag.WarnConflict && w.Field == "side-car":
				add(FindingConflict, SeverityWarning, w.Field+" "+w.Detail, "correct the side-car in the same step as the photo, or remove it")
			case w.Code == geotag.WarnConflict:
				add(FindingConflict, SeverityWarning, w.Field+": "+w.Detail, "correcting the photo makes the two agree")
			case p.Reason == ReasonBadTag && strings.HasPrefix(w.Field, "GPSL"):
				// Said already, as the reason.
			default:
				add(FindingMetadata, SeverityNote, w.String(), "nothing, unless the field matters to you")
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
	return fmt.Sprintf("%s; nearest to its tag is %s at %.1f %s", p.Why, p.Nearest.Point, p.Nearest.Distance, r.Grid.Unit.Symbol)
}
