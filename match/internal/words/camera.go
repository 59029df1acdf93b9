package words

import (
	"fmt"
	"math"
	"time"

	"example.com/phototie/grid"
)

// Clock is how a camera's clock compares with the survey's. Times are camera minus
// survey.
type Clock struct {
	Photos int
	// Used says that its times tell ties.
	Used bool
	// Zone is what a time zone explains, Rest what is left; Ahead says that the
	// rest is the clock's, not when the crew takes its photos.
	Zone, Rest time.Duration
	Ahead      bool
	// StdErr is the standard error of the two, Spread the mean absolute difference
	// of single photos.
	StdErr, Spread time.Duration
	// Fixes is camera minus time of the fixes; nil where images have no such time.
	Fixes *time.Duration
}

// leap is by how much GPS time is ahead of UTC since 2017. Source: IERS Bulletin
// C 52 and those after it, which announced no further leap second (from memory).
const leap = 18.0

// Sentences puts it into words.
func (c Clock) Sentences() []string {
	var out []string
	switch {
	case !c.Used && c.Photos > 0:
		out = append(out, "its times follow no pattern beside those of the survey, and were not used")
	case c.Used:
		s := fmt.Sprintf("its photos are taken %s by its clock", relative(c.Rest, "the point"))
		if c.Ahead {
			s = fmt.Sprintf("its clock is %s the survey's", ahead(c.Rest))
		}
		s += fmt.Sprintf(" (standard error %s, %s, single ones %s off on average)", span(c.StdErr), Plural(c.Photos, "photo"), span(c.Spread))
		if c.Zone != 0 {
			s = fmt.Sprintf("its clock reads %s the survey's by a time zone; with that taken off, ", ahead(c.Zone)) + s
		}
		out = append(out, s)
	}
	if c.Fixes == nil {
		return out
	}
	g := c.Fixes.Seconds()
	switch rest := g - 900*math.Round(g/900); {
	case math.Abs(rest+leap) <= 3:
		out = append(out, "the times of its fixes are 18 s ahead of its clock, as they are where GPS time is written for UTC")
	case math.Abs(rest) > 60 || !c.Used && math.Abs(g) > 60:
		out = append(out, fmt.Sprintf("its clock is %s the times of its fixes", ahead(*c.Fixes)))
	}
	return out
}

// Shift says by how much all tags of a camera are off; lengths in metres.
func Shift(e, n, stdErr float64, photos int, u grid.Unit) string {
	return fmt.Sprintf("its tags are %s off as a whole, %s (standard error %s, %s)",
		InUnit(math.Hypot(e, n), u), EastNorth(e/u.Metres, n/u.Metres, u), InUnit(stdErr, u), Plural(photos, "photo"))
}
