package words

import (
	"fmt"
	"math"
	"strings"
	"time"

	"example.com/phototie/grid"
)

// Link is what the evidence says about which point a photo shows.
type Link struct {
	// Point is the point that it is linked to, or tied to without a link. Correct is
	// the probability that the link is right.
	Point   string
	Correct float64
	// Shows is the point found, with its probability; empty for none.
	Shows       string
	Probability float64
	Evidence    []string
}

func (l Link) shows() string {
	if l.Shows == "" {
		return "no point of the survey"
	}
	return l.Shows
}

// Contradicted says that the link is as good as certainly wrong.
func (l Link) Contradicted() string {
	return fmt.Sprintf("the link to %s is probably wrong (probability correct %s): the photo shows %s (probability %s); %s",
		l.Point, Percent(l.Correct), l.shows(), Percent(l.Probability), strings.Join(l.Evidence, "; "))
}

// Doubtful says that the link is more probably wrong than right.
func (l Link) Doubtful() string {
	return fmt.Sprintf("the link to %s is in doubt (probability correct %s): the photo may show %s (probability %s); %s",
		l.Point, Percent(l.Correct), l.shows(), Percent(l.Probability), strings.Join(l.Evidence, "; "))
}

// Inferred says that the photo has no link and was tied by the evidence.
func (l Link) Inferred() string {
	return fmt.Sprintf("no link; it shows %s (probability %s): %s", l.Point, Percent(l.Probability), strings.Join(l.Evidence, "; "))
}

// Remedy says what to do about a link that is doubtful or wrong.
func (l Link) Remedy() string {
	if l.Shows == "" {
		return "look at the photo: if it shows no point, take the link out"
	}
	return fmt.Sprintf("look at the photo: if it shows %s, mend the link", l.Shows)
}

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
		return []string{"tag " + Metres(nearest) + " off, too far to tell by"}
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
		return Span(d) + " behind"
	}
	return Span(d) + " ahead of"
}

// relative words a time after the survey of a point.
func relative(d time.Duration, id string) string {
	switch {
	case d.Abs() < time.Second:
		return fmt.Sprintf("as %s was surveyed", id)
	case d < 0:
		return fmt.Sprintf("%s before %s was surveyed", Span(d), id)
	}
	return fmt.Sprintf("%s after %s was surveyed", Span(d), id)
}
