package words

import (
	"cmp"
	"math"
	"strings"
	"time"

	"example.com/phototie/grid"
)

// Cause is what was found to be wrong with photos, tags or points.
type Cause struct {
	// Name is the cause's, Facts its figures.
	Name  string
	Facts Facts
	// Photos are the photos concerned, and Group what they have in common.
	Photos []string
	Group  Group
	// Points are the points concerned; AllPoints says that these are all there are.
	Points    []string
	AllPoints bool
	// LinkTo is the point that a single photo should be linked to; empty for none.
	LinkTo string
	// Unit is that of the job; lengths in Facts are in metres.
	Unit grid.Unit
	// Rivals are causes that explain the photos nearly as well.
	Rivals []string
}

// Group describes photos: its kind is that of cause.Group.
type Group struct{ Kind, Camera, Day, From, To string }

// Sentences says what is wrong, and what to do. A cause without a sentence here is
// named, and has no remedy.
func (c Cause) Sentences() (summary, remedy string) {
	if summary, remedy, ok := say(c.Name, causeWords{c, finding{c.Facts}}); ok {
		return summary, remedy
	}
	return c.Who() + ": " + c.Name, ""
}

// Ambiguous is added to a summary where the job can't tell the cause from others;
// it is empty where there are none.
func (c Cause) Ambiguous() string {
	if len(c.Rivals) == 0 {
		return ""
	}
	return "; this job can't tell that from " + List(c.Rivals, 4)
}

// causeWords is a cause as the sentences write it.
type causeWords struct {
	Cause
	finding
}

// Shift is by how much the tags are off as fitted or predicted, Direction which way.
func (c causeWords) Shift() string {
	return InUnit(math.Hypot(c.Value("shift east"), c.Value("shift north")), c.Cause.Unit)
}

func (c causeWords) Direction() string {
	return "grid bearing " + Degrees(grid.BearingOf(c.Value("shift east"), c.Value("shift north")).Degrees())
}

// InUnit is the size of a length in the unit of the job, Interval the sizes that it may
// have.
func (c causeWords) InUnit(name string) string { return InUnit(math.Abs(c.Value(name)), c.Cause.Unit) }

func (c causeWords) Interval(name, within string) string {
	u := c.Cause.Unit
	if u.Metres == 0 {
		u = grid.Metre
	}
	size, w := math.Abs(c.Value(name)), c.Value(within)
	return Range((size-w)/u.Metres, (size+w)/u.Metres, u)
}

// Whose says which points are concerned.
func (c causeWords) Whose() string {
	if c.AllPoints {
		return "all " + Plural(len(c.Points), "point")
	}
	return Plural(len(c.Points), "point") + " (" + List(c.Points, 4) + ")"
}

// Pick is the word that goes with the number of photos, Sign the one with a figure's sign.
func (c causeWords) Pick(one, many string) string { return Pick(len(c.Photos), one, many) }

func (c causeWords) Sign(name, plus, minus string) string {
	if c.Value(name) < 0 {
		return minus
	}
	return plus
}

func (c causeWords) List(name string) string { return List(c.Texts(name), 4) }
func (c causeWords) Named() string           { return List(c.Photos, 4) }
func (c causeWords) Pairs() int              { return len(c.Photos) / 2 }
func (c causeWords) Single() bool            { return len(c.Photos) == 1 && c.LinkTo != "" }

// Span is a time that is given in seconds.
func (c causeWords) Span(name string) string {
	return span(time.Duration(c.Value(name) * float64(time.Second)))
}

// Feet is a foot in the plural.
func (c causeWords) Feet(name string) string {
	s, ok := strings.CutSuffix(c.Text(name), "foot")
	if !ok {
		return s
	}
	return cmp.Or(s, "international ") + "feet"
}

// Who says in words which photos are concerned: "the 66 photos of QM7-004417",
// "12 photos of QM7-004417 on 21 May 2025 from 09:11 to 09:26".
func (c Cause) Who() string {
	n := len(c.Photos)
	photos := Plural(n, "photo")
	g := c.Group
	of := ""
	if g.Camera != "" {
		of += " of " + g.Camera
	}
	if g.Day != "" {
		of += " on " + Day(g.Day)
	}
	switch g.Kind {
	case "all":
		if n == 1 {
			return "the only photo with a tag"
		}
		return "all " + photos
	case "camera", "day", "camera-day":
		return "the " + photos + of
	case "run":
		if g.From == g.To && g.From != "" {
			return photos + " in a row" + of + " at " + g.From
		}
		if g.From != "" {
			return photos + of + " from " + g.From + " to " + g.To
		}
		return photos + " in a row" + of
	}
	return photos + of
}
