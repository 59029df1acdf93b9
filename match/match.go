package match

import (
	"math"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// Photo is one image of a job, with the tag read from it.
type Photo struct {
	// Name identifies the photo: its path inside the dataset, with slashes.
	Name string `json:"name"`
	// Original is the name that the photo had before it was renamed; empty where
	// it was not. What a name says counts by this one, since a name that was made
	// from a link is no evidence for the link: see NameAsTaken.
	Original string `json:"original,omitempty"`
	// Tag is what the image says; nil where it could not be read.
	Tag *geotag.Tag `json:"tag,omitempty"`
	// Err says why Tag is nil.
	Err error `json:"-"`
	// Pixels is what its coding and its pixels say, for Options.Requirements: a
	// *pixels.Measures of package geotag/pixels where those of match/pictures are
	// given; nil where they were not measured.
	Pixels any `json:"pixels,omitempty"`
	// PixelsErr says why Pixels is nil where they were to be measured. One that
	// wraps geotag.ErrFormat, as pixels.ErrNoDecoder does, accuses no photo.
	PixelsErr error `json:"-"`
}

// NameAsTaken is the name that the photo came with: Original, else Name. Ids in
// it, its folder and its endings count as evidence.
func (p *Photo) NameAsTaken() string {
	if p.Original != "" {
		return p.Original
	}
	return p.Name
}

// Point is one surveyed point.
type Point struct {
	ID string `json:"id"`
	// EN is the position on the job's grid, in the grid's unit.
	grid.EN
	// Height in metres; nil where the survey gave none.
	Height *float64 `json:"height_m,omitempty"`
	Code   string   `json:"code,omitempty"`
	Desc   string   `json:"description,omitempty"`
	// Observed is the time of the observation; zero where it is not known.
	Observed time.Time `json:"observed,omitzero"`
	// Cov is the covariance of E and N in square metres, in the order EE, EN,
	// NN; nil where the survey gave none and the budget's PointSigma holds.
	Cov *[3]float64 `json:"cov_m2,omitempty"`
	// Line is the line of the point in its file; 0 where it has none.
	Line int `json:"line,omitempty"`
}

// Link is a statement of the crew or the office that a photo shows a point.
type Link struct {
	Photo string `json:"photo"`
	Point string `json:"point"`
	// Line is the line of the link in its file; 0 where it has none.
	Line int `json:"line,omitempty"`
	// Aim says what it shows where that is not the point itself; else it is nil.
	Aim *Aim `json:"aim,omitempty"`
}

// Verdict is the judgement of one photo's discrepancy.
type Verdict string

// The verdicts.
const (
	// Within: the discrepancy is no larger than the budget allows.
	Within Verdict = "within"
	// Over: it is larger.
	Over Verdict = "over"
	// Gross: it is so much larger that, over all the photos judged, noise of the
	// handheld can't explain it.
	Gross Verdict = "gross"
	// Unjudged: there is nothing to judge, or no ground to judge it on.
	Unjudged Verdict = "unjudged"
)

// Verdicts lists the verdicts from the best to the worst, unjudged last.
var Verdicts = []Verdict{Within, Over, Gross, Unjudged}

// A Reason says why a photo is unjudged. The strings are stable.
type Reason string

// The reasons.
const (
	// ReasonUnreadable: the image could not be read.
	ReasonUnreadable Reason = "unreadable"
	// ReasonNoTag: the image has no position.
	ReasonNoTag Reason = "no-tag"
	// ReasonBadTag: the image has a position that can't be believed.
	ReasonBadTag Reason = "bad-tag"
	// ReasonNoTie: no link says which point the photo shows.
	ReasonNoTie Reason = "no-tie"
	// ReasonNoPoint: the link names a point that the survey does not have.
	ReasonNoPoint Reason = "no-such-point"
	// ReasonManyPoints: the links name more than one point for the photo.
	ReasonManyPoints Reason = "several-points"
	// ReasonNoFrame: the tag's datum is unknown, or can't be transformed to the grid.
	ReasonNoFrame Reason = "no-frame"
	// ReasonBallpark: only a ballpark operation leads from the tag's frame to
	// the grid, and the options do not allow it.
	ReasonBallpark Reason = "ballpark"
	// ReasonCoarse: the tag states so large an error that it could be at several
	// points. See Budget.Coarse.
	ReasonCoarse Reason = "too-coarse"
)

// What a Tie may rest on. The strings are stable.
const (
	// EvidenceListed: a link lists the photo with the point.
	EvidenceListed = "listed"
	// EvidenceFileName: the link's path is not the photo's, but ends alike, and
	// no other photo's does.
	EvidenceFileName = "file-name"
	// EvidenceIgnoringCase: they are alike but for upper and lower case.
	EvidenceIgnoringCase = "ignoring-case"
	// EvidenceDecided: somebody who looked at the photo decided so.
	EvidenceDecided = "decided"
	// EvidenceInferred: no link names the photo; the tie was inferred from its
	// tag, its time, the ids in it and the walk. See TieOptions.InferUntied.
	EvidenceInferred = "inferred"
)

// Tie is the link of a photo to a point, with its evidence.
type Tie struct {
	Point string `json:"point"`
	// Evidence is what the tie rests on: one or more of the Evidence constants.
	Evidence []string `json:"evidence"`
	// Line is the line of the link in its file; 0 where there is none.
	Line int `json:"line,omitempty"`
	// Aim says what the photo shows where that is not the point itself; else it is nil.
	Aim *Aim `json:"aim,omitempty"`
}

// Neighbour is a point near a tag.
type Neighbour struct {
	Point string `json:"point"`
	// Distance is from the tag to the point, in the grid's unit.
	Distance float64 `json:"distance"`
}

// PhotoResult is one photo with all that was found out about it.
type PhotoResult struct {
	Photo
	Verdict Verdict `json:"verdict"`
	// Reason and Why say, in a code and in words, why a photo is unjudged.
	Reason Reason `json:"reason,omitempty"`
	Why    string `json:"why,omitempty"`
	// TieReason says why a photo has no tie, where Reason says that it has
	// nothing to judge either; else it is empty.
	TieReason Reason `json:"tie_reason,omitempty"`
	// Tie is the point the photo was tied to, nil where there is none. A photo
	// may be tied and yet unjudged.
	Tie *Tie `json:"tie,omitempty"`
	// OnGrid is the tag on the grid, nil where it has none there.
	OnGrid *grid.EN `json:"tag_on_grid,omitempty"`
	// Operation is what transformed it there.
	Operation *grid.Operation `json:"operation,omitempty"`
	// Discrepancy is tag minus point, or minus the place that Tie.Aim has; nil unless both are on the grid.
	Discrepancy *grid.Discrepancy `json:"discrepancy,omitempty"`
	// Allowance is the budget for this photo, nil unless there is a Discrepancy.
	Allowance *Allowance `json:"allowance,omitempty"`
	// P is the probability of a discrepancy at least as large under the budget.
	// PAdjusted is the same with the handheld's part GrossScale times as large,
	// after Holm's correction for the number judged; the verdict Gross goes by it.
	P         *float64 `json:"p,omitempty"`
	PAdjusted *float64 `json:"p_adjusted,omitempty"`
	// GrossScale is by how many times the errors of the photo's camera may exceed
	// what it states before a photo is called gross: as the job tells, else
	// UnlearntGrossScale. 0 is taken for 1.
	GrossScale float64 `json:"gross_scale,omitempty"`
	// Height is the tag's altitude held against the point's height; nil unless the
	// photo is tied and both state one.
	Height *HeightDiscrepancy `json:"height,omitempty"`
	// Nearest is the point closest to the tag, nil where the tag is not on the
	// grid or there are no points. It is a hint and never a tie.
	Nearest *Neighbour `json:"nearest,omitempty"`
	// Inference is which point the photo shows by all the evidence there is. It is
	// nil where TieOptions.Off is set, and in a job of one point.
	Inference *Inference `json:"inference,omitempty"`
	// Decision is what somebody decided about the photo; nil where nobody did.
	Decision *Decision `json:"decision,omitempty"`
	// Notes are what else there is to know, in words.
	Notes []string `json:"notes,omitempty"`
}

// PointResult is one point and the photos that are tied to it.
type PointResult struct {
	Point
	// Photos are the names of the photos, in the order in which they came.
	Photos []string `json:"photos"`
}

// UnmatchedLink is a link that leads to no photo of the job, or to more than one.
type UnmatchedLink struct {
	Link
	Why string `json:"why"`
}

// Options are the settings of Check.
type Options struct {
	// Budget is the accuracy budget; the zero Budget defaults to DefaultBudget.
	Budget Budget
	// AllowBallpark lets photos be judged that only a ballpark operation transforms
	// to the grid; BallparkSigma (metres per axis) then goes into the budget
	// and has to be given.
	AllowBallpark bool
	BallparkSigma float64
	// Datum, where not empty, is taken for tags that state no map datum.
	Datum string
	// Datums says what a map datum is that the projection does not know by the
	// name that images state: {"LOCAL 3": "EPSG:4230"} for instance.
	Datums map[string]string
	// Epoch, where not 0, is the decimal year taken for photos that carry no time.
	Epoch float64
	// Delivered is the frame of corrected tags: a datum, OwnFrame for the grid's, and an
	// epoch that they are all at. Left out it is WGS 84, and the epoch of each photo.
	Delivered grid.Frame
	// Accuracy is by how many times the errors of a camera's tags are larger than they
	// state, by the camera's name as in Camera; cameras that are not named have 1.
	Accuracy map[string]float64
	// Devices says what differs for the tags of a device, by its serial number, make and
	// model, or model.
	Devices map[string]Device
	// Differential is the datum of tags that state corrections by SBAS, a base or a
	// network, and WGS 84 or no datum; empty leaves them in WGS 84.
	Differential string
	// PointResolution is the resolution of the points' coordinates in metres; 0
	// defaults to 1 mm. With the tag's own step it is what a discrepancy must
	// reach to have a bearing.
	PointResolution float64
	// Heights says what heights count from.
	Heights HeightOptions
	// Ties says how ties are weighed.
	Ties TieOptions
	// Requirements are what the photos must be as pictures; nil requires nothing.
	Requirements Requirements
	// Decisions overrule the links. There must be no two about a photo.
	Decisions []Decision
	// Survey are findings about the points and their grid that the caller has made
	// already. Result.Findings has them last.
	Survey []Finding
}

// Result is a checked job. Every photo, every point and every link given is
// accounted for in it. Its methods change nothing and are safe for concurrent use. The
// zero Result is a job without photos.
type Result struct {
	Grid grid.Grid `json:"grid"`
	// Budget is what the photos were judged by.
	Budget         Budget          `json:"budget"`
	Photos         []PhotoResult   `json:"photos"`
	Points         []PointResult   `json:"points"`
	UnmatchedLinks []UnmatchedLink `json:"strays"`
	// Counts has the number of photos of each verdict; all four are present.
	Counts map[Verdict]int `json:"counts"`
	// JobPhotos is how many photos the job has, where the Result is of some of them; see
	// Of.
	JobPhotos int `json:"photos_of_job,omitempty"`
	// Written is how many photos have a tag that was written from their point: it lies
	// on it to the tag's own step. Such tags are judged, and in no statistics.
	Written int `json:"written_from_points,omitempty"`
	// Set is what the judged photos say as a set, but for those that are Written; nil
	// where there are no others.
	Set *SetStats `json:"set,omitempty"`
	// SetWithoutGross is the same without the photos judged gross, which are not
	// noise and drown it; nil where there are none, or nothing else.
	SetWithoutGross *SetStats `json:"set_without_gross,omitempty"`
	// Quality has the measures of positional accuracy for a report by ISO 19157 or
	// ASPRS; none where Set is nil.
	Quality []Measure `json:"quality,omitempty"`
	// Cameras is what was found out about clocks and tags camera by camera.
	Cameras []Camera `json:"cameras,omitempty"`
	// Requirements are what was required of the photos, with nothing left open; nil
	// where nothing was.
	Requirements Requirements `json:"photo_requirements,omitempty"`
	// pictures is what they found.
	pictures PictureFindings
	// ofSet are those about all photos and their frames, survey is Options.Survey.
	ofSet, survey []Finding
	// decided are the decisions that belong to no photo.
	decided []Decision
}

// Thresholds is the range of the allowed distances of a job's photos, in the
// grid's unit, and the confidence that they hold for; ok is false where no photo
// was compared.
func (r *Result) Thresholds() (lo, hi, confidence float64, ok bool) {
	lo = math.Inf(1)
	for i := range r.Photos {
		if a := r.Photos[i].Allowance; a != nil {
			t := a.Threshold / r.Grid.Unit.Metres
			lo, hi, confidence, ok = min(lo, t), max(hi, t), a.Confidence, true
		}
	}
	return lo, hi, confidence, ok
}
