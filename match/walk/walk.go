package walk

import (
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match/noise"
)

// None is the state in which a photo shows no surveyed point, and an index that is
// not there.
const None = -1

// Photo is what is known of one photo. All lengths are in metres.
type Photo struct {
	// Time is when the photo was taken by the camera's clock; zero where it is
	// not known. A clock whose zone is not known gives its reading as if it were
	// UTC, with Zoned false.
	Time time.Time
	// Zoned says that Time is an instant.
	Zoned bool
	// GPS is the time of the fix, UTC; zero where it is not known.
	GPS time.Time
	// Camera tells cameras apart. Each is a walk of its own.
	Camera string
	// Pos is the tag on the grid, moved to where the photo's subject should be
	// if the image says in which direction it lies; nil where there is none.
	Pos *grid.EN
	// Sigma is the standard deviation per axis of Pos about the subject, apart
	// from the standoff; 0 where it is not known.
	Sigma float64
	// Standoff is the distance from the camera to the subject where its
	// direction is not known, else 0.
	Standoff float64
	// Step is the step that the tag is written in, and Within the distance from a
	// point up to which the budget has it within; 0 where they are not known.
	Step, Within float64
	// Written is the tag's latitude and longitude as they stand in the image, to tell
	// tags that repeat one another; zero where they are not known.
	Written [2]float64
	// Overview says that its name or its texts call it a picture of the site.
	Overview bool
	// Listed are the points that the links list for the photo, and Named those
	// whose ids stand in its name or its metadata, as indexes of points. Both
	// are mostly of length 0 or 1. An id of a point that does not exist is left
	// out.
	Listed []int
	Named  []int
}

// Point is one surveyed point.
type Point struct {
	// EN is its position in metres.
	grid.EN
	// Observed is when it was surveyed; zero where that is not known.
	Observed time.Time
}

// Status says what became of a photo's link.
type Status string

// The statuses. The strings are stable.
const (
	// Confirmed: the link is right with a probability of Params.Certain or more,
	// and more likely right than not by what tags, times and names say without
	// any links.
	Confirmed Status = "confirmed"
	// Doubtful: it can't be told. The points may be closer than the noise, or
	// there may be nothing to tell by.
	Doubtful Status = "doubtful"
	// Contradicted: the link is right with a probability of at most
	// Params.Contradict, and what speaks against it is safe; see the package's doc.
	Contradicted Status = "contradicted"
	// Unlisted: there is no link.
	Unlisted Status = "none"
)

// Shift says how a link stands to the tie that was found.
type Shift string

// The shifts. The strings are stable.
const (
	// ShiftNone: the link lists the point found.
	ShiftNone Shift = "right"
	// ShiftLate: it lists one that comes after it in the walk, by three at most.
	ShiftLate Shift = "late"
	// ShiftEarly: it lists one that comes before it.
	ShiftEarly Shift = "early"
	// ShiftOther: it lists another one, or the photo shows no point.
	ShiftOther Shift = "other"
	// ShiftUnlisted: there is no link.
	ShiftUnlisted Shift = ""
)

// Evidence is what speaks for one tie against another: differences of
// log-likelihoods in natural logarithms (nats), by kind. They sum to the
// logarithm of the ratio of the two probabilities.
type Evidence struct {
	// Against is the other tie: the one listed where that is not the one found,
	// else the runner-up. None is the state without a point.
	Against int
	// Position is from the distances of the tag, Time from the time of the photo
	// and those of the survey, Listed from the link by itself, Named from ids in
	// names and metadata.
	Position, Time, Listed, Named float64
	// Walk is all the rest: what the photos before and after say by way of the
	// order of the walk, the error of their tags and the shift of their links.
	Walk float64
}

// Tie is what was found out about one photo.
type Tie struct {
	// Point is the point that the photo most probably shows, or None, and
	// Probability how probable that is given all the job has to say.
	Point       int
	Probability float64
	// RunnerUp is the next, None among them, and its probability; RunnerUpOK is
	// false where no other was weighed.
	RunnerUp            int
	RunnerUpProbability float64
	RunnerUpOK          bool
	// Listed is the point that the link lists; None where there is no link, or
	// links to several points.
	Listed int
	// Status and Shift are about the link.
	Status Status
	Shift  Shift
	// ListedProbability is the probability that the link is right, and Unlinked
	// that of the same point if all links of the job were struck out: what
	// tags, times and names say by themselves.
	ListedProbability float64
	Unlinked          float64
	// Evidence is for Point against another.
	Evidence Evidence
	// Before and After count the neighbouring photos of the same camera, in
	// order of time and without a gap, whose links are shifted as this one's is.
	// They are 0 where the link is right or missing.
	Before, After int
	// Site is the part of the probability of None that falls to a picture of the
	// site as a whole.
	Site float64
	// Stale says that the tag repeats another of its camera, so that its position
	// was not used.
	Stale bool
	// Repeats is the first photo with the same tag where chance can't have made the
	// two alike; None else. The first one of them all repeats itself.
	Repeats int

	// own is what the photo itself says for Point against the point listed, and rest
	// the part that does not come from where its tag is.
	own, rest float64
}

// Clock is what was found out about the clock of one camera.
type Clock struct {
	Camera string
	// Photos is the number of photos that it was estimated from.
	Photos int
	// Used says that the times of photos and of the survey agree well enough to
	// tell ties by them. The figures below are only good where it is true.
	Used bool
	// Offset is camera minus survey: the middle of the differences between the
	// time of a photo and the time its point was surveyed. It holds the clock's
	// error, the zone and the crew's habit of taking photos before or after.
	Offset time.Duration
	// StdErr is its standard error.
	StdErr time.Duration
	// Zone is the whole number of quarter hours in Offset that a zone explains;
	// 0 where the photos state their zone. Residual is Offset less Zone.
	Zone, Residual time.Duration
	// Scale is the mean absolute difference about Offset.
	Scale time.Duration
	// GPS is the middle of camera time less time of fix, GPSOK says that there
	// is one. GPS receivers that don't apply the leap seconds are 18 s ahead of
	// UTC (since 2017).
	GPS   time.Duration
	GPSOK bool
}

// Common is what the errors of one camera's tags have in common, as far as the
// links tell.
type Common struct {
	Camera string
	// Photos is the number of photos it was found from.
	Photos int
	// E and N are the mean shift in metres, and StdErr its standard error per axis:
	// the side that the crew stood on, the frame, or a blunder. Each session's was
	// taken off before tags were held against points.
	E, N, StdErr float64
	// Noise is the rest, as it was learnt.
	Noise *noise.Model
}

// Ties is the result of Decode.
type Ties struct {
	// Photos has one Tie for each photo, in order.
	Photos []Tie
	// Clocks has one Clock for each camera with photos that have a time, in order
	// of first appearance.
	Clocks []Clock
	// Shifts has one Common for each camera that has photos with a link and a tag,
	// in order of first appearance.
	Shifts []Common
	// LogLikelihood is the logarithm of the sum of the weights of all walks. Its
	// differences compare priors on the same job.
	LogLikelihood float64
}
