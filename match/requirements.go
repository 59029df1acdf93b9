package match

// Requirements are what the photos of a job must be as pictures: large, sharp,
// enough of them for each point. Package match/pictures has an implementation; this
// package decodes no images.
type Requirements interface {
	// Validate reports what can't be required.
	Validate() error
	// Resolved has the requirements with nothing left open; they go into the Result.
	Resolved() Requirements
	// Check holds the photos of a checked job against them.
	Check(res *Result) PictureFindings
}

// PictureFindings are findings about photos as pictures: by the name of the photo,
// by the id of the point, and about the job as a whole.
type PictureFindings struct {
	Photos map[string][]Finding
	Points map[string]Finding
	Job    []Finding
}

// The kinds of finding about photos as pictures; see Requirements.
const (
	// FindingUndecodable: a photo whose pixels can't be had.
	FindingUndecodable FindingCode = "photo-undecodable"
	// FindingUnmeasured: photos of kinds whose pixels are not decoded here. It is
	// one finding for the whole job.
	FindingUnmeasured FindingCode = "photo-unmeasured"
	// FindingTooSmall: a photo of fewer pixels than required.
	FindingTooSmall FindingCode = "photo-too-small"
	// FindingLowQuality: a photo compressed more strongly than allowed.
	FindingLowQuality FindingCode = "photo-low-quality"
	// FindingQualityUnknown: photos whose quality can't be held against what is
	// required. It is one finding for the whole job.
	FindingQualityUnknown FindingCode = "photo-quality-unknown"
	// FindingBlurred: a photo that is blurred, or shows no edges at all.
	FindingBlurred FindingCode = "photo-blurred"
	// FindingClipped: a photo with too much of it plain black or white.
	FindingClipped FindingCode = "photo-clipped"
	// FindingOrientation: a photo that is upright only for programs that heed its
	// orientation flag, or that its flag shows mirrored.
	FindingOrientation FindingCode = "photo-orientation"
	// FindingIdentical: a photo that is the same file as another, byte by byte.
	FindingIdentical FindingCode = "photo-identical"
	// FindingNearDuplicate: a photo that shows the same picture as another.
	FindingNearDuplicate FindingCode = "photo-near-duplicate"
	// FindingMarkup: a marked-up copy (arrows, notes) and its original.
	FindingMarkup FindingCode = "photo-markup-pair"
	// FindingMarkupAlone: a marked-up copy whose original is not there.
	FindingMarkupAlone FindingCode = "photo-markup-without-original"
	// FindingTooFew: a point with fewer photos than its code requires.
	FindingTooFew FindingCode = "point-too-few-photos"
	// FindingUnusedRule: a rule for a code that no point has.
	FindingUnusedRule FindingCode = "requirement-unused"
)

// PhotoFindingCodes lists the kinds of finding about photos as pictures.
var PhotoFindingCodes = []FindingCode{FindingUndecodable, FindingUnmeasured, FindingTooSmall, FindingLowQuality, FindingQualityUnknown, FindingBlurred, FindingClipped, FindingOrientation, FindingIdentical, FindingNearDuplicate, FindingMarkup, FindingMarkupAlone, FindingTooFew, FindingUnusedRule}
