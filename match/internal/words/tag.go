package words

import (
	"fmt"

	"example.com/phototie/grid"
)

// Off is a tag that is off its point. Lengths are in Unit.
type Off struct {
	Unit              grid.Unit
	Distance, Allowed float64
	Bearing           grid.Bearing
	// Confidence is that of Allowed, as a share.
	Confidence float64
	// FromCamera is the distance from where the image says that the camera stood;
	// nil where it does not say.
	FromCamera *float64
	// Nearer is another point that is nearer to the tag, with its distance; empty
	// for none.
	Nearer         string
	NearerDistance float64
}

// Message says how far off the tag is.
func (o Off) Message() string {
	s := fmt.Sprintf("the tag is %s from the point", Distance(o.Distance, o.Unit))
	if o.Bearing.Defined() {
		s += ", bearing " + o.Bearing.DMS(0)
	}
	if o.FromCamera != nil {
		s += fmt.Sprintf(", and %s from where the image says the camera stood", Distance(*o.FromCamera, o.Unit))
	}
	s += fmt.Sprintf("; %s allowed at %g %%", Distance(o.Allowed, o.Unit), o.Confidence*100)
	if o.Nearer != "" {
		s += "; " + Nearest(o.Nearer, o.NearerDistance, o.Unit)
	}
	return s
}

// Remedy says what to do about it.
func (o Off) Remedy() string {
	if o.Nearer != "" {
		return fmt.Sprintf("look at the photo: does it show %s instead?", o.Nearer)
	}
	return "look at the photo: is it the point, and was the fix fresh?"
}

// Nearest says which point is nearest to a tag.
func Nearest(point string, distance float64, u grid.Unit) string {
	return fmt.Sprintf("nearest to the tag is %s at %s", point, Distance(distance, u))
}
