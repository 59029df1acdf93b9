package words

import (
	"fmt"
	"math"
	"strings"
	"time"

	"example.com/phototie/grid"
)

// Evidence is what speaks for a point that a photo may show, and against it.
type Evidence struct {
	// Listed are the points that links have the photo for, Named the points named
	// in its name or metadata, each with the place.
	Listed []string
	Named  []Named
	// Repeats says that the tag is that of the photo before, NoPosition that there
	// is none.
	Repeats, NoPosition bool
	// Rivals are the point found and the one held against it.
	Rivals []Rival
	Unit   grid.Unit
	// Clock is what is taken off the camera's times: camera minus survey.
	Clock time.Duration
	// Before and After are how many photos in a row are linked one point late with
	// this one, or Early.
	Before, After int
	Early         bool
	// Walk is how much the photos before and after speak for the point: the natural
	// logarithm of a likelihood ratio.
	Walk float64
}

// Named is a point whose id stands in a photo's name or metadata.
type Named struct{ Where, Point string }

// Rival is a point that a photo may show: how far the tag is from it, in the
// evidence's unit, and how long after its survey the photo was taken; nil where
// that is not known.
type Rival struct {
	Point    string
	Distance *float64
	Taken    *time.Duration
}

// farOff is the distance in metres from which on a tag tells nothing.
const farOff = 10_000

// Sentences puts the evidence into words, one clause each.
func (e Evidence) Sentences() []string {
	out := make([]string, 0, 6)
	if len(e.Listed) > 0 {
		out = append(out, "listed for "+strings.Join(e.Listed, " and "))
	} else {
		out = append(out, "no link")
	}
	for _, n := range e.Named {
		out = append(out, n.Where+" names "+n.Point)
	}
	switch {
	case e.Repeats:
		out = append(out, "the tag repeats the one of the photo before and was not used")
	case e.NoPosition:
		out = append(out, "no position to go by")
	default:
		out = append(out, e.distances()...)
	}
	var taken []string
	for _, r := range e.Rivals {
		if r.Taken != nil {
			taken = append(taken, relative(*r.Taken, r.Point))
		}
	}
	if len(taken) > 0 {
		s := "taken " + strings.Join(taken, " and ")
		if e.Clock != 0 {
			s += fmt.Sprintf(" (the camera's clock taken as %s the survey's)", ahead(e.Clock))
		}
		out = append(out, s)
	}
	if e.Before+e.After > 0 {
		out = append(out, fmt.Sprintf("%s are linked one point %s", e.run(), map[bool]string{true: "early", false: "late"}[e.Early]))
	}
	switch {
	case e.Walk >= 1:
		out = append(out, "the photos before and after agree")
	case e.Walk <= -1:
		out = append(out, "the photos before and after speak against it")
	}
	return out
}

func (e Evidence) distances() []string {
	var parts []string
	nearest := math.Inf(1)
	for _, r := range e.Rivals {
		if r.Distance != nil {
			nearest = min(nearest, *r.Distance*e.Unit.Metres)
			parts = append(parts, Distance(*r.Distance, e.Unit)+" from "+r.Point)
		}
	}
	switch {
	case len(parts) == 0:
		return nil
	case nearest > farOff:
		return []string{"tag " + InUnit(nearest, e.Unit) + " off, too far to tell by"}
	}
	return []string{"tag " + strings.Join(parts, " and ")}
}

// run names this photo and those beside it: "this and the next 3 photos".
func (e Evidence) run() string {
	beside := func(which string, n int) string {
		if n == 1 {
			return "the " + which + " photo"
		}
		return fmt.Sprintf("the %s %s photos", which, Count(n))
	}
	switch {
	case e.Before == 0:
		return "this and " + beside("next", e.After)
	case e.After == 0:
		return "this and " + beside("previous", e.Before)
	}
	return "this, " + beside("previous", e.Before) + " and " + beside("next", e.After)
}

func ahead(d time.Duration) string {
	if d < 0 {
		return span(d) + " behind"
	}
	return span(d) + " ahead of"
}

// relative words a time after the survey of a point.
func relative(d time.Duration, id string) string {
	switch {
	case d.Abs() < time.Second:
		return fmt.Sprintf("as %s was surveyed", id)
	case d < 0:
		return fmt.Sprintf("%s before %s was surveyed", span(d), id)
	}
	return fmt.Sprintf("%s after %s was surveyed", span(d), id)
}
