package walk

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match/suggest"
)

// None stands for the state in which a photo shows no surveyed point, and for
// an index that is not there.
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

// FieldOrder is whether a photo is taken before or after its point is surveyed, and
// so which point an app would link it to in error: which slips of the links are to
// be expected, and on which side of the observation photos are taken.
type FieldOrder int

// The field orders.
const (
	// OrderUnstated: nothing is known.
	OrderUnstated FieldOrder = iota
	// PointThenPhoto: the point is surveyed, then photographed, and a photo is
	// linked to the point surveyed last. One taken too early gets the point before.
	PointThenPhoto
	// PhotoThenPoint: the photo comes first and is linked to the point surveyed
	// next. One taken too late gets the point after.
	PhotoThenPoint
	// IDEntered: the crew enters the point's id, in any order. Errors are slips: any
	// point nearby.
	IDEntered
	// LinkedLater: photos are linked in the office, if at all. Errors are as for
	// IDEntered.
	LinkedLater
)

var fieldOrders = [...]string{"", "point-then-photo", "photo-then-point", "id-entered", "linked-later"}

// FieldOrders are the words of the field orders that are stated.
func FieldOrders() []string { return slices.Clone(fieldOrders[1:]) }

// String returns the word of FieldOrders, "" where the order is unstated.
func (p FieldOrder) String() string {
	if p < 0 || int(p) >= len(fieldOrders) {
		return fmt.Sprintf("FieldOrder(%d)", int(p))
	}
	return fieldOrders[p]
}

// MarshalText writes the word of String; an unknown value is an error.
func (p FieldOrder) MarshalText() ([]byte, error) {
	if p < 0 || int(p) >= len(fieldOrders) {
		return nil, fmt.Errorf("walk: there is no field order %d", int(p))
	}
	return []byte(fieldOrders[p]), nil
}

// UnmarshalText reads what MarshalText writes.
func (p *FieldOrder) UnmarshalText(text []byte) error {
	for i, s := range fieldOrders {
		if s == string(text) {
			*p = FieldOrder(i)
			return nil
		}
	}
	return fmt.Errorf("walk: there is no field order %q%s", text, suggest.Nearest(string(text), FieldOrders()...))
}

// Params are the stated priors of the model. They are plain figures; the zero
// Params stands for DefaultParams. To change one, start from that. The doc of the
// package says where each of them enters.
type Params struct {
	// FieldOrder is whether photos come before or after the survey of their points.
	FieldOrder FieldOrder

	// LinkError is the probability that a link is wrong on its own.
	LinkError float64
	// RunStart is the probability that a run of links that are one point late or
	// early begins at a photo, and RunEnd the probability that it ends after one.
	RunStart, RunEnd float64
	// NameError is the probability that an id in a name or in the metadata is
	// not that of the point shown.
	NameError float64

	// NoPoint is the probability that a photo shows no surveyed point. The other
	// four are the relative frequencies with which the next photo shows the same
	// point, the next one of the walk, the previous one, or another.
	NoPoint                    float64
	Stay, Next, Previous, Jump float64
	// JumpLength is the distance that most jumps stay below, metres; 0 stands
	// for five times the spacing of the points.
	JumpLength float64
	// Roam is how far from points photos without one are taken, metres; 0 stands
	// for one and a half times the spacing of the points, and 15 m at least.
	Roam float64

	// Sigma is taken for photos that have none: metres per axis.
	Sigma float64
	// Slack multiplies the standard deviations of tags, where they are known to
	// say too little or too much.
	Slack float64
	// Correlation is the time over which the error of a tag stays alike.
	Correlation time.Duration
	// WideShare is the share of tags whose error is WideFactor times as large as
	// stated, and WildShare the share of those that say nothing, being anywhere
	// within WildRadius metres and more.
	WideShare, WideFactor float64
	WildShare, WildRadius float64

	// Dwell is the mean time between photos of one point, and Between that from
	// the last photo of a point to the first one of the next.
	Dwell, Between time.Duration
	// StrayTime is the share of photos taken at another time than their point
	// was surveyed.
	StrayTime float64
	// TimeScale is the mean of the absolute difference between the time of a
	// photo and that of the survey of its point, once the clock's offset is taken
	// off; 0 stands for the one that the job shows.
	TimeScale time.Duration

	// Certain is the probability from which on a tie is taken for told: a link is
	// confirmed at or above it, and contradicted at or below one minus it.
	Certain float64
	// Candidates is the least number of points nearest to the tag that are weighed
	// for a photo, apart from those that links, names and times suggest. Points
	// closer than the noise are weighed all, up to the largest number, 14.
	Candidates int
	// Fixed takes the rates of link errors and of moves as they are. Else they are
	// where the estimate starts from: moves count as much as 100 photos, and link
	// errors as 500.
	Fixed bool
}

// DefaultParams returns the priors that are taken where none are stated. They
// are common practice, with no source, except where said.
func DefaultParams() Params {
	return Params{
		LinkError: 0.01,
		RunStart:  0.012,
		RunEnd:    0.1,
		NameError: 0.03,

		NoPoint: 0.02,
		Stay:    0.45, Next: 0.40, Previous: 0.04, Jump: 0.09,

		Sigma:       3.23, // 4.9 m at 68.27 %, as match.DefaultBudget has it
		Slack:       1,
		Correlation: 150 * time.Second,
		WideShare:   0.05, WideFactor: 3,
		WildShare: 0.005, WildRadius: 1000,

		Dwell:     20 * time.Second,
		Between:   80 * time.Second,
		StrayTime: 0.03,

		Certain:    0.95,
		Candidates: 4,
	}
}

// Validate returns an error for every figure that makes no sense, joined.
func (p Params) Validate() error {
	var errs []error
	check := func(ok bool, field string, v any, want string) {
		if !ok {
			errs = append(errs, fmt.Errorf("walk: %s is %v: want %s", field, v, want))
		}
	}
	prob := func(field string, v float64) {
		check(v > 0 && v < 0.5, field, v, "a probability above 0 and below 0.5")
	}
	positive := func(field string, v float64) { check(v > 0 && v < 1e9, field, v, "a figure above 0") }
	check(p.FieldOrder >= OrderUnstated && p.FieldOrder <= LinkedLater, "FieldOrder", int(p.FieldOrder), "one of the fieldOrders")
	prob("LinkError", p.LinkError)
	prob("RunStart", p.RunStart)
	check(p.RunEnd > 0 && p.RunEnd < 1, "RunEnd", p.RunEnd, "a probability between 0 and 1")
	prob("NameError", p.NameError)
	prob("NoPoint", p.NoPoint)
	positive("Stay", p.Stay)
	positive("Next", p.Next)
	positive("Previous", p.Previous)
	positive("Jump", p.Jump)
	check(p.JumpLength >= 0 && p.JumpLength < 1e9, "JumpLength", p.JumpLength, "metres, 0 or more")
	check(p.Roam >= 0 && p.Roam < 1e9, "Roam", p.Roam, "metres, 0 or more")
	positive("Sigma", p.Sigma)
	check(p.Slack >= 0.1 && p.Slack < 100, "Slack", p.Slack, "a factor, for instance 1.1")
	check(p.Correlation >= 0, "Correlation", p.Correlation, "a time, 0 or more")
	prob("WideShare", p.WideShare)
	check(p.WideFactor >= 1 && p.WideFactor < 1000, "WideFactor", p.WideFactor, "1 to 1000")
	prob("WildShare", p.WildShare)
	positive("WildRadius", p.WildRadius)
	check(p.Dwell > 0, "Dwell", p.Dwell, "a time above 0")
	check(p.Between > 0, "Between", p.Between, "a time above 0")
	prob("StrayTime", p.StrayTime)
	check(p.TimeScale >= 0, "TimeScale", p.TimeScale, "a time, 0 or more")
	check(p.Certain > 0.5 && p.Certain < 1, "Certain", p.Certain, "a probability between 0.5 and 1")
	check(p.Candidates >= 1 && p.Candidates <= maxNearest, "Candidates", p.Candidates, fmt.Sprintf("1 to %d", maxNearest))
	return errors.Join(errs...)
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
	// 1 - Params.Certain.
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
	// Path is the photo's point, or None, on the most probable walk as a whole
	// (Viterbi's path). It may differ from Point.
	Path int
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
	// Stale says that the tag repeats the one of the photo before to the
	// millimetre, so that its position was not used.
	Stale bool
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

// Common is the shift that all tags of one camera have in common, as far as the
// links tell: the side that the crew stood on, the frame, or a blunder. It was
// taken off before tags were held against points.
type Common struct {
	Camera string
	// Photos is the number of photos it was found from.
	Photos int
	// E and N are the shift in metres, and StdErr its standard error per axis.
	E, N, StdErr float64
}

// Rates are the priors that were used in the end, after Params and the job.
type Rates struct {
	LinkError, RunStart, RunEnd, NameError, NoPoint float64
	Stay, Next, Previous, Jump                      float64
	// Spacing is the median distance from a point to the nearest other one,
	// JumpLength and Roam the lengths used, all in metres.
	Spacing, JumpLength, Roam float64
	// Ordered says that the points were taken in the order in which they were
	// surveyed, false that their list's order was taken.
	Ordered bool
}

// Ties is the result of Decode.
type Ties struct {
	// Photos has one Tie for each photo, in order.
	Photos []Tie
	// Clocks has one Clock for each camera with photos that have a time, in order
	// of first appearance.
	Clocks []Clock
	// Shifts has one Common for each camera that has enough photos with a link to
	// tell, in order of first appearance.
	Shifts []Common
	Rates  Rates
	// LogLikelihood is the logarithm of the sum of the weights of all walks. Its
	// differences compare priors on the same job.
	LogLikelihood float64
}

// finite says that v is a number.
func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
