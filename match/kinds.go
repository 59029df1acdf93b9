package match

import "slices"

// The kinds of finding about photos, links and points. FindingKinds says what each means.
const (
	FindingGross             FindingCode = "tag-gross"
	FindingOver              FindingCode = "tag-over-budget"
	FindingNoTag             FindingCode = "tag-missing"
	FindingBadTag            FindingCode = "tag-unsound"
	FindingConflict          FindingCode = "tag-conflict"
	FindingMetadata          FindingCode = "metadata-unsound"
	FindingUnreadable        FindingCode = "photo-unreadable"
	FindingNoTie             FindingCode = "photo-untied"
	FindingManyPoints        FindingCode = "photo-several-points"
	FindingNoPoint           FindingCode = "link-point-unknown"
	FindingUnknownPhoto      FindingCode = "link-photo-unknown"
	FindingPointWithoutPhoto FindingCode = "point-without-photo"
	FindingNoFrame           FindingCode = "frame-unknown"
	FindingBallpark          FindingCode = "frame-ballpark"
	FindingFrameCoarse       FindingCode = "frame-coarse"
	FindingFrameUnstated     FindingCode = "frame-unstated"
	FindingFootUnstated      FindingCode = "foot-unstated"
	FindingDifferential      FindingCode = "tag-differential"
	FindingCoarse            FindingCode = "tag-too-coarse"
	FindingContradicted      FindingCode = "link-contradicted"
	FindingDoubted           FindingCode = "link-doubtful"
	FindingInferred          FindingCode = "photo-tie-inferred"
)

// The kinds of finding about photos as pictures; see Requirements.
const (
	FindingUndecodable    FindingCode = "photo-undecodable"
	FindingUnmeasured     FindingCode = "photo-unmeasured"
	FindingTooSmall       FindingCode = "photo-too-small"
	FindingLowQuality     FindingCode = "photo-low-quality"
	FindingQualityUnknown FindingCode = "photo-quality-unknown"
	FindingBlurred        FindingCode = "photo-blurred"
	FindingClipped        FindingCode = "photo-clipped"
	FindingOrientation    FindingCode = "photo-orientation"
	FindingIdentical      FindingCode = "photo-identical"
	FindingNearDuplicate  FindingCode = "photo-near-duplicate"
	FindingMarkup         FindingCode = "photo-markup-pair"
	FindingMarkupAlone    FindingCode = "photo-markup-without-original"
	FindingTooFew         FindingCode = "point-too-few-photos"
	FindingUnusedRule     FindingCode = "requirement-unused"
)

// The kinds of finding about the job as a whole and about what is accepted.
const (
	FindingOverShare        FindingCode = "over-share"
	FindingHeights          FindingCode = "heights-off"
	FindingCause            FindingCode = "cause-found"
	FindingStop             FindingCode = "writing-stopped"
	FindingControl          FindingCode = "site-control-suspect"
	FindingFar              FindingCode = "points-far"
	FindingScale            FindingCode = "grid-scale"
	FindingUnusedAcceptance FindingCode = "baseline-unused"
	FindingStale            FindingCode = "decision-stale"
	FindingAgain            FindingCode = "take-again"
)

// FindingKind is what a kind of finding means.
type FindingKind struct {
	Code FindingCode
	// Severity is what findings of this kind usually have.
	Severity Severity
	// Title names the kind in a few words, Text says in a sentence or two what it
	// means, and Remedy what is usually done about it.
	Title, Text, Remedy string
}

// FindingKinds lists the kinds of finding, in the order in which they are
// documented.
func FindingKinds() []FindingKind { return slices.Clone(kinds) }

// Kind is the kind of finding that a code names; false for a code that is not
// phototie's.
func (c FindingCode) Kind() (FindingKind, bool) {
	for i := range kinds {
		if kinds[i].Code == c {
			return kinds[i], true
		}
	}
	return FindingKind{}, false
}

// AboutPicture reports whether a kind of finding is about photos as pictures.
func (c FindingCode) AboutPicture() bool {
	return slices.ContainsFunc(pictureKinds, func(k FindingKind) bool { return k.Code == c })
}

// kinds is the one table of the kinds of finding: what is printed of them, the
// rules of SARIF, the codes of the schema and the documentation come from it.
var kinds = slices.Concat(tieKinds, pictureKinds, surveyKinds)

// The kinds about photos, links and points.
var tieKinds = []FindingKind{
	{FindingGross, SeverityError, "Tag grossly off",
		"The tag lies so far from the point that, over all photos judged, noise of the handheld can't explain it. The tie, the tag or the frame is wrong.",
		"look at the photo: is it the point, and was the fix fresh?"},
	{FindingOver, SeverityNote, "Tag over budget",
		"The tag lies further from the point than the accuracy budget allows at the stated confidence. A small share of sound photos does.",
		"nothing, unless the photo does not show the point"},
	{FindingOverShare, SeverityWarning, "Too many tags over budget",
		"More photos are over budget than the noise of the handhelds explains, where photos that share an error count for what they tell. Links, points, the frame or the settings may be wrong.",
		"look for what the photos over budget have in common; where the camera or the place is worse than the settings say, set accuracy or the budget"},
	{FindingHeights, SeverityWarning, "Heights off as a whole",
		"The altitudes of the tags lie off the heights of the points by more than the vertical tolerance, as a whole. One of the two may count from another surface than the settings say: geoid and ellipsoid differ by up to 107 m.",
		"find out whether altitudes and heights count from the ellipsoid or the geoid, and mend [heights] in the settings; no tie depends on it"},
	{FindingCause, SeverityWarning, "Cause found",
		"Something explains why photos are out, or linked to the wrong points, or have wrong times. It is an error where points may be wrong as a whole, so that nothing is written.",
		"see the causes in the report"},
	{FindingStop, SeverityError, "Writing stopped",
		"The points, the grid or the settings may be wrong as a whole, and each corrected photo with them. Nothing is written until that is settled.",
		"look for another datum, unit, zone or base position; what is known to be so can be overruled when it is written"},
	{FindingNoTag, SeverityWarning, "No tag",
		"The image has no position, so nothing says that it was taken at the point.",
		"check the tie by eye; correcting with the verdict unjudged allowed writes the point's position"},
	{FindingBadTag, SeverityError, "Unsound tag",
		"The image has a position that can't be believed: a division by zero, a place that is not on earth, or exactly 0, 0.",
		"check the tie by eye; correcting with the verdict unjudged allowed writes the point's position"},
	{FindingConflict, SeverityWarning, "Conflicting tags",
		"The Exif and the XMP position of the image differ.",
		"correcting the photo makes the two agree"},
	{FindingMetadata, SeverityNote, "Unsound metadata",
		"A field of the image other than its position can't be believed.",
		"nothing, unless the field matters to you"},
	{FindingUnreadable, SeverityError, "Unreadable photo",
		"The file can't be read as an image.",
		"get the photo again from the device"},
	{FindingNoTie, SeverityWarning, "Photo without a point",
		"No link says which point the photo shows.",
		"add a link for it"},
	{FindingManyPoints, SeverityError, "Photo with several points",
		"Links tie the photo to more than one point.",
		"keep the link that is right"},
	{FindingNoPoint, SeverityError, "Unknown point",
		"A link names a point that the survey does not have.",
		"mend the id in the link, or add the point"},
	{FindingUnknownPhoto, SeverityError, "Unknown photo",
		"A link names a photo that the job does not have, or one of several.",
		"deliver the photo, or mend or remove the link"},
	{FindingPointWithoutPhoto, SeverityNote, "Point without a photo",
		"No photo is tied to the point.",
		"find its photo among the untied ones, or take one"},
	{FindingNoFrame, SeverityError, "Unknown frame",
		"The datum of the tag is not known, or can't be transformed to the grid of the points.",
		"if you know the frame, name it in the settings (frame.datums)"},
	{FindingBallpark, SeverityError, "Ballpark frame",
		"Only a ballpark operation leads from the frame of the tag to the grid. It may be out by hundreds of metres.",
		"install the grid that is missing, or allow it with a figure (frame.allow_ballpark, frame.ballpark_sigma_m)"},
	{FindingFrameCoarse, SeverityWarning, "Coarse frame",
		"The operation that transforms tags to the grid may be off by more than half of what the budget allows, or a better one lacks a file here, so that another machine judges otherwise. What a frame is off is common to the photos: it hides a shift of them all. It is a note where it matters to no verdict.",
		"name a better operation or frame in the settings (phototie frames lists them), or take a grid that one leads to"},
	{FindingFrameUnstated, SeverityWarning, "Frame without an accuracy",
		"The registry states no accuracy for the operation that transforms tags to the grid, so the budget has no part for the frame.",
		"set budget.frame_sigma_m to what the frame may be off, or name another operation (phototie frames lists them)"},
	{FindingFootUnstated, SeverityNote, "Foot unstated",
		"The grid is in feet, nothing says which foot the list of points is in, and tags as good as these can't tell the US survey foot from the international one here. Read in the wrong one, all points are off by the same, and so is each position that is written.",
		"ask whoever made the list, and state points.unit"},
	{FindingDifferential, SeverityNote, "Tags with differential corrections",
		"Photos state that their fix was corrected by SBAS, a base or a network. Such a fix is in the frame of the corrections, a regional one for RTK networks as a rule and a metre or two from WGS 84, which the photos were judged in. It is a warning where tags state less than a metre.",
		"name the frame of the corrections in frame.differential, or of one device in budget.devices.DEVICE.datum"},
	{FindingCoarse, SeverityWarning, "Tag too coarse",
		"The tag states so large an error that it could be at several points. It is not judged, and confirms no tie.",
		"check the tie by eye; correcting with the verdict unjudged allowed writes the point's position"},
	{FindingContradicted, SeverityError, "Contradicted link",
		"Tags, times, names and the walk are against the link: the photo as good as certainly shows another point, or none.",
		"look at the photo, and mend the link or take it out"},
	{FindingDoubted, SeverityWarning, "Doubtful link",
		"Tags, times, names and the walk make the link more likely wrong than right, without settling it.",
		"look at the photo, and mend the link if it is wrong"},
	{FindingInferred, SeverityNote, "Inferred tie",
		"No link names the photo; it was tied to a point by its tag, its time, the ids in it and the walk.",
		"look at the photo, and add a link for it"},
}

// The kinds about photos as pictures.
var pictureKinds = []FindingKind{
	{FindingUndecodable, SeverityError, "Undecodable photo",
		"The pixels of the photo can't be had: the file is cut off or damaged.",
		"open it in a viewer; if it is damaged, get it again from the device"},
	{FindingUnmeasured, SeverityNote, "Photos not measured",
		"The pixels of photos were not measured: their format, or their kind of it, is not decoded here, or they are too large for that.",
		"look by eye whether they are large and sharp enough"},
	{FindingTooSmall, SeverityWarning, "Photo too small",
		"The photo has fewer pixels than is required for the code of its point.",
		"get the original from the device, or take it again with the camera set to a larger image"},
	{FindingLowQuality, SeverityWarning, "Photo of low quality",
		"The photo was compressed more strongly than is allowed for the code of its point.",
		"get the original from the device: sending photos by messenger or mail often compresses them again"},
	{FindingQualityUnknown, SeverityNote, "JPEG quality unknown",
		"The quantisation tables of photos are none of the standard ones, and leave open whether they are good enough.",
		"look at one of them at full size"},
	{FindingBlurred, SeverityWarning, "Photo blurred",
		"Edges in the photo are spread by more than is allowed for the code of its point, or it has none.",
		"look at it at full size; if nothing can be read, take it again"},
	{FindingClipped, SeverityWarning, "Photo clipped",
		"More of the photo is plain black or white than is allowed for the code of its point.",
		"look whether the point can be made out; if not, take it again with the light behind you"},
	{FindingOrientation, SeverityNote, "Photo not upright",
		"The photo is upright only for programs that heed its orientation flag, or the flag shows it mirrored.",
		"nothing, unless the client's programs pass over the flag; then let it be turned without loss"},
	{FindingIdentical, SeverityWarning, "Same file twice",
		"The photo is the same file as another one, byte by byte.",
		"keep one of them"},
	{FindingNearDuplicate, SeverityNote, "Same picture twice",
		"The photo shows the same picture as another one.",
		"keep the larger one, or both if they are two photos"},
	{FindingMarkup, SeverityNote, "Marked-up copy",
		"The photo is a copy of another one that was drawn or written on.",
		"deliver both, if it is"},
	{FindingMarkupAlone, SeverityWarning, "Marked-up copy without its original",
		"The photo is a marked-up copy by its name, and its untouched original is not there.",
		"deliver the untouched original with it"},
	{FindingTooFew, SeverityError, "Too few photos",
		"The point has fewer usable photos than is required for its code.",
		"look among the untied and wrongly tied, or take more"},
	{FindingUnusedRule, SeverityNote, "Unused photo rule",
		"There is a rule for the photos of a code that no point has.",
		"mend the code, if it is misspelt"},
}

// The kinds about the survey's side and about what is accepted.
var surveyKinds = []FindingKind{
	{FindingControl, SeverityWarning, "Suspect control pair",
		"A control pair of the site system does not fit the others.",
		"check its coordinates on both sides"},
	{FindingFar, SeverityWarning, "Points far off",
		"The points lie far from the tags of the photos, or outside the area of use of the grid.",
		"check the grid that the settings name, and the points file"},
	{FindingScale, SeverityWarning, "Grid out of scale",
		"Distances on the grid differ from those on the ellipsoid by more than 1 %. Tags are judged by true distances all the same, but what is measured on the grid is wrong by as much.",
		"take a grid that is made for the place, as its state plane or UTM zone"},
	{FindingUnusedAcceptance, SeverityNote, "Unused acceptance",
		"The baseline accepts a finding that is not there.",
		"take the entry out of the baseline"},
	{FindingStale, SeverityWarning, "Stale decision",
		"What a decision rests on has changed since: the bytes of the photo, its tag, its links or the points. The decision does nothing.",
		"look at the photo and decide again"},
	{FindingAgain, SeverityWarning, "To be taken again",
		"Somebody decided that the photo, or one of the point, is to be taken again. Nothing is written into it.",
		"take it again, and put it in the place of the old one; phototie decide --retake lists all"},
}
