package report

import (
	"slices"

	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
)

// rule is what a kind of finding means, for formats that list their rules.
type rule struct {
	code match.FindingCode
	// level is the severity that findings of this kind usually have.
	level match.Severity
	// name is the kind in a few words, text in a sentence or two.
	name, text string
}

// rules are the kinds of finding in a fixed order. A kind that is not among them
// is listed behind them with its code for a name.
var rules = []rule{
	{match.FindingGross, match.SeverityError, "Tag grossly off",
		"The tag lies so far from the point that, over all photos judged, noise of the handheld can't explain it. The tie, the tag or the frame is wrong."},
	{match.FindingOver, match.SeverityWarning, "Tag over budget",
		"The tag lies further from the point than the accuracy budget allows at the stated confidence. A small share of sound photos does."},
	{match.FindingNoTag, match.SeverityWarning, "No tag",
		"The image has no position, so nothing says that it was taken at the point."},
	{match.FindingBadTag, match.SeverityError, "Unsound tag",
		"The image has a position that can't be believed: a division by zero, a place that is not on earth, or exactly 0, 0."},
	{match.FindingConflict, match.SeverityWarning, "Conflicting tags",
		"The Exif and the XMP position of the image differ."},
	{match.FindingMetadata, match.SeverityNote, "Unsound metadata",
		"A field of the image other than its position can't be believed."},
	{match.FindingUnreadable, match.SeverityError, "Unreadable photo",
		"The file can't be read as an image."},
	{match.FindingNoTie, match.SeverityWarning, "Photo without a point",
		"No link says which point the photo shows."},
	{match.FindingManyPoints, match.SeverityError, "Photo with several points",
		"Links tie the photo to more than one point."},
	{match.FindingNoPoint, match.SeverityError, "Unknown point",
		"A link names a point that the survey does not have."},
	{match.FindingStray, match.SeverityError, "Unknown photo",
		"A link names a photo that the job does not have, or one of several."},
	{match.FindingBare, match.SeverityNote, "Point without a photo",
		"No photo is tied to the point."},
	{match.FindingNoFrame, match.SeverityError, "Unknown frame",
		"The datum of the tag is not known, or can't be carried to the grid of the points."},
	{match.FindingBallpark, match.SeverityError, "Ballpark frame",
		"Only a ballpark operation leads from the frame of the tag to the grid. It may be out by hundreds of metres."},
	{match.FindingContradicted, match.SeverityError, "Contradicted link",
		"Tags, times, names and the walk are against the link: the photo as good as certainly shows another point, or none."},
	{match.FindingDoubted, match.SeverityWarning, "Doubtful link",
		"Tags, times, names and the walk make the link more likely wrong than right, without settling it."},
	{match.FindingInferred, match.SeverityNote, "Inferred tie",
		"No link names the photo; it was tied to a point by its tag, its time, the ids in it and the walk."},
	{match.FindingUndecodable, match.SeverityError, "Undecodable photo",
		"The pixels of the photo can't be had: the file is cut off or damaged."},
	{match.FindingUnmeasured, match.SeverityNote, "Photos not measured",
		"The pixels of photos were not measured: their format, or their kind of it, is not decoded here, or they are too large for that."},
	{match.FindingTooSmall, match.SeverityWarning, "Photo too small",
		"The photo has fewer pixels than is required for the code of its point."},
	{match.FindingLowQuality, match.SeverityWarning, "Photo of low quality",
		"The photo was compressed more strongly than is allowed for the code of its point."},
	{match.FindingQualityUnknown, match.SeverityNote, "JPEG quality unknown",
		"The quantisation tables of photos are none of the standard ones, and leave open whether they are good enough."},
	{match.FindingBlurred, match.SeverityWarning, "Photo blurred",
		"Edges in the photo are spread by more than is allowed for the code of its point, or it has none."},
	{match.FindingClipped, match.SeverityWarning, "Photo clipped",
		"More of the photo is plain black or white than is allowed for the code of its point."},
	{match.FindingOrientation, match.SeverityNote, "Photo not upright",
		"The photo is upright only for programs that heed its orientation flag, or the flag shows it mirrored."},
	{match.FindingIdentical, match.SeverityWarning, "Same file twice",
		"The photo is the same file as another one, byte by byte."},
	{match.FindingNearDuplicate, match.SeverityNote, "Same picture twice",
		"The photo shows the same picture as another one."},
	{match.FindingMarkup, match.SeverityNote, "Marked-up copy",
		"The photo is a copy of another one that was drawn or written on."},
	{match.FindingMarkupAlone, match.SeverityWarning, "Marked-up copy without its original",
		"The photo is a marked-up copy by its name, and its untouched original is not there."},
	{match.FindingTooFew, match.SeverityError, "Too few photos",
		"The point has fewer usable photos than is required for its code."},
	{match.FindingUnusedRule, match.SeverityNote, "Unused photo rule",
		"There is a rule for the photos of a code that no point has."},
	{dataset.FindingControl, match.SeverityWarning, "Suspect control pair",
		"A control pair of the site system does not fit the others."},
	{dataset.FindingFar, match.SeverityWarning, "Points far off",
		"The points lie far from the tags of the photos, or outside the area of use of the grid."},
	{baseline.FindingUnused, match.SeverityNote, "Unused acceptance",
		"The baseline accepts a finding that is not there."},
}

// rulesFor returns the rules, and behind them one for each other kind that
// occurs among the findings, in the order of its code.
func rulesFor(findings ...[]match.Finding) []rule {
	all := slices.Clone(rules)
	for _, fs := range findings {
		for _, f := range fs {
			if !slices.ContainsFunc(all, func(r rule) bool { return r.code == f.Code }) {
				all = append(all, rule{f.Code, f.Severity, string(f.Code), "A finding of the kind " + string(f.Code) + "."})
			}
		}
	}
	slices.SortFunc(all[len(rules):], func(a, b rule) int {
		if a.code < b.code {
			return -1
		}
		return 1
	})
	return all
}
