package walk

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"example.com/phototie/match/suggest"
)

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

// statedFieldOrders are the words of the field orders that are stated.
func statedFieldOrders() []string { return slices.Clone(fieldOrders[1:]) }

// String returns the word, "" where the order is unstated.
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
	return fmt.Errorf("walk: there is no field order %q%s", text, suggest.Nearest(string(text), statedFieldOrders()...))
}

// Params are the stated priors of the model. They are plain figures; the zero
// Params defaults to DefaultParams. To change one, start from that. The doc of the
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
	// JumpLength is the distance that most jumps stay below, metres; 0 defaults to
	// five times the spacing of the points.
	JumpLength float64
	// Roam is how far from the photo before a photo without a point is taken, metres;
	// 0 defaults to one and a half times the spacing of the points, and 15 m at least.
	Roam float64

	// Sigma is taken for photos that have none: metres per axis.
	Sigma float64
	// Slack multiplies the standard deviations of tags, where they are known to
	// say too little or too much.
	Slack float64
	// Correlation is the time over which the error of a tag stays alike where Fixed;
	// 0 for errors that are independent. Else it is learnt.
	Correlation time.Duration
	// WideShare is the share of tags whose error is WideFactor times as large as
	// stated, and WildShare the share of those that say nothing, being anywhere
	// within WildRadius metres and more.
	WideShare, WideFactor float64
	WildShare, WildRadius float64

	// Dwell is the mean time between photos of one point, and Between that from
	// the last photo of a point to the first one of the next.
	Dwell, Between time.Duration
	// OtherTime is the share of photos taken at another time than their point
	// was surveyed.
	OtherTime float64

	// Certain is the probability of being right from which on a link is confirmed,
	// and Contradict that down from which it is contradicted.
	Certain, Contradict float64
	// Candidates is the least number of points nearest to the tag that are weighed
	// for a photo, apart from those that links, names and times suggest. Points
	// closer than the noise are weighed all, up to the largest number, 14.
	Candidates int
	// Fixed takes the rates of link errors and of moves as they are, and the noise
	// too: errors are as large as stated and have no offset. Else estimates start there.
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

		NoPoint: 0.03,
		Stay:    0.45, Next: 0.40, Previous: 0.04, Jump: 0.09,

		Sigma:       3.23, // 4.9 m at 68.27 %
		Slack:       1,
		Correlation: 150 * time.Second,
		WideShare:   0.05, WideFactor: 3,
		WildShare: 0.005, WildRadius: 1000,

		Dwell:     20 * time.Second,
		Between:   80 * time.Second,
		OtherTime: 0.03,

		Certain:    0.95,
		Contradict: 0.01,
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
	for i, v := range [...]float64{p.LinkError, p.RunStart, p.NameError, p.NoPoint, p.WideShare, p.WildShare, p.OtherTime, p.Contradict} {
		field := [...]string{"LinkError", "RunStart", "NameError", "NoPoint", "WideShare", "WildShare", "OtherTime", "Contradict"}[i]
		check(v > 0 && v < 0.5, field, v, "a probability above 0 and below 0.5")
	}
	for i, v := range [...]float64{p.Stay, p.Next, p.Previous, p.Jump, p.Sigma, p.WildRadius} {
		check(v > 0 && v < 1e9, [...]string{"Stay", "Next", "Previous", "Jump", "Sigma", "WildRadius"}[i], v, "a figure above 0")
	}
	check(p.FieldOrder >= OrderUnstated && p.FieldOrder <= LinkedLater, "FieldOrder", int(p.FieldOrder), "one of the fieldOrders")
	check(p.RunEnd > 0 && p.RunEnd < 1, "RunEnd", p.RunEnd, "a probability between 0 and 1")
	check(p.JumpLength >= 0 && p.JumpLength < 1e9, "JumpLength", p.JumpLength, "metres, 0 or more")
	check(p.Roam >= 0 && p.Roam < 1e9, "Roam", p.Roam, "metres, 0 or more")
	check(p.Slack >= 0.1 && p.Slack < 100, "Slack", p.Slack, "a factor, for instance 1.1")
	check(p.Correlation >= 0, "Correlation", p.Correlation, "a time, 0 or more")
	check(p.WideFactor >= 1 && p.WideFactor < 1000, "WideFactor", p.WideFactor, "1 to 1000")
	check(p.Dwell > 0, "Dwell", p.Dwell, "a time above 0")
	check(p.Between > 0, "Between", p.Between, "a time above 0")
	check(p.Certain > 0.5 && p.Certain < 1, "Certain", p.Certain, "a probability between 0.5 and 1")
	check(p.Candidates >= 1 && p.Candidates <= maxNearest, "Candidates", p.Candidates, fmt.Sprintf("1 to %d", maxNearest))
	return errors.Join(errs...)
}
