package grid

import (
	"context"
	"errors"
	"fmt"
	"math"
)

// HeightSurface is the surface that a height counts from.
type HeightSurface int

const (
	// HeightUnknown: nobody said what the height counts from. It can't be
	// compared with any other.
	HeightUnknown HeightSurface = iota
	// HeightEllipsoid: an ellipsoidal height h, as GNSS measures it, along the
	// normal of the ellipsoid of a geodetic frame.
	HeightEllipsoid
	// HeightGeoid: a height H above a geoid, or a levelled one: orthometric,
	// normal, above mean sea level. h = H + N with the geoid height N, the height
	// of that surface above the ellipsoid.
	HeightGeoid
)

var heightSurfaces = [...]string{"unknown", "ellipsoid", "geoid"}

// String returns "unknown", "ellipsoid" or "geoid".
func (s HeightSurface) String() string {
	if s < 0 || int(s) >= len(heightSurfaces) {
		return fmt.Sprintf("HeightSurface(%d)", int(s))
	}
	return heightSurfaces[s]
}

// MarshalText writes the surface as String does.
func (s HeightSurface) MarshalText() ([]byte, error) {
	if s < 0 || int(s) >= len(heightSurfaces) {
		return nil, fmt.Errorf("there is no height surface %d", int(s))
	}
	return []byte(heightSurfaces[s]), nil
}

// UnmarshalText reads what MarshalText writes.
func (s *HeightSurface) UnmarshalText(text []byte) error {
	for i, name := range heightSurfaces {
		if string(text) == name {
			*s = HeightSurface(i)
			return nil
		}
	}
	return fmt.Errorf("height surface %q: want unknown, ellipsoid or geoid", text)
}

// HeightRef says what a height counts from. The zero value says that it is not
// known.
type HeightRef struct {
	Surface HeightSurface `json:"surface"`
	// VerticalCRS is the vertical system of a HeightGeoid: a code ("EPSG:5731"),
	// the registry's name ("Malin Head height") or the name without "height"
	// ("EGM96"). It leads to the ellipsoid by the registry's geoid models, whose
	// files must be installed.
	VerticalCRS string `json:"vertical_crs,omitempty"`
	// Separation is a constant geoid height N in metres for the whole job; it
	// stands instead of a geoid model. It is negative where the geoid lies below
	// the ellipsoid, as in most of North America.
	Separation *float64 `json:"separation_m,omitempty"`
	// SeparationAccuracy is how good Separation is, in metres; 0 where that is
	// not stated.
	SeparationAccuracy float64 `json:"separation_accuracy_m,omitempty"`
	// Frame names the geodetic frame of the ellipsoid that a HeightEllipsoid or a
	// Separation counts from, as a datum name or a code ("ETRS89",
	// "EPSG:6319"). Empty means the grid's own frame for a point, and the frame
	// of the fix for a tag. A frame without ellipsoidal heights (OSGB36, NAD27)
	// needs another one here.
	Frame string `json:"frame,omitempty"`
	// Site says that the height is a site system's own. The rest then describes
	// the base heights that the system's vertical part leads to.
	Site bool `json:"site,omitempty"`
}

// String says it in words, for messages: "height above EGM96", "ellipsoidal
// height in ETRS89".
func (r HeightRef) String() string {
	var s string
	switch r.Surface {
	case HeightEllipsoid:
		s = "ellipsoidal height"
		if r.Frame != "" {
			s += " in " + r.Frame
		}
	case HeightGeoid:
		s = "height above a geoid"
		switch {
		case r.Separation != nil:
			s = fmt.Sprintf("height above a geoid %.3f m from the ellipsoid", *r.Separation)
			if r.Frame != "" {
				s += " of " + r.Frame
			}
		case r.VerticalCRS != "":
			s = "height above " + r.VerticalCRS
		}
	default:
		s = "height above an unknown surface"
	}
	if r.Site {
		s = "site height tied to " + s
	}
	return s
}

// Validate reports a reference that contradicts itself or that is not finite.
// It returns no error for what is only unknown: that is up to a Heighter.
func (r HeightRef) Validate() error {
	switch {
	case r.Surface < HeightUnknown || r.Surface > HeightGeoid:
		return fmt.Errorf("height reference: there is no surface %d", int(r.Surface))
	case r.Surface != HeightGeoid && (r.VerticalCRS != "" || r.Separation != nil):
		return fmt.Errorf("height reference: a vertical system or a separation belongs to a height above a geoid, not to one above surface %q", r.Surface)
	case r.Separation != nil && r.VerticalCRS != "":
		return errors.New("height reference: give a vertical system or a constant separation, not both")
	case r.Separation != nil && !(math.Abs(*r.Separation) <= maxSeparation):
		return fmt.Errorf("height reference: a separation of %v: want metres between -%d and %d, as no geoid is farther from its ellipsoid", *r.Separation, maxSeparation, maxSeparation)
	case !(r.SeparationAccuracy >= 0) || math.IsInf(r.SeparationAccuracy, 0):
		return fmt.Errorf("height reference: a separation good to %v m: want 0 or a positive length", r.SeparationAccuracy)
	}
	return nil
}

// maxSeparation is more than any geoid height in metres: EGM2008 keeps between
// -107 and 86 (common practice, no source).
const maxSeparation = 150

// Height is a height with its reference.
type Height struct {
	// Metres is the height in metres, upwards positive.
	Metres float64 `json:"metres"`
	// Ref is what it counts from.
	Ref HeightRef `json:"ref"`
}

// HeightPlacement is a height brought to the ellipsoid.
type HeightPlacement struct {
	// Metres is the ellipsoidal height in metres, in the frame asked for.
	Metres float64 `json:"metres"`
	// Accuracy is the stated accuracy of the steps in metres, 1 standard
	// deviation as the registry has it; nil where a step states none.
	Accuracy *float64 `json:"accuracy_m"`
	// Steps name what was done, in order: a geoid model, a constant, a change of
	// frame. Empty where the height was asked for as it is.
	Steps []string `json:"steps,omitempty"`
	// Notes are what a user should know, as in Operation.
	Notes []string `json:"notes,omitempty"`
	// Err says why there is no height: a *HeightError, ErrOutside, ErrNotFinite
	// or an error of the engine. Metres means nothing then.
	Err error `json:"-"`
}

// Heighter is implemented by a Projection that can bring heights to the
// ellipsoid. Methods are safe for concurrent use. As in Projection, an
// item that can't be done has its own Err and the returned error is for
// failures of the whole call.
type Heighter interface {
	// EllipsoidalHeights returns the ellipsoidal heights of places on the grid in
	// geographic frames: heights[i] at at[i] in frames[i]. Two frames differ in
	// height as they do in position: NAD83(2011) and ITRF2014 by more than a
	// metre.
	EllipsoidalHeights(ctx context.Context, at []EN, heights []Height, frames []Frame) ([]HeightPlacement, error)
	// FixHeights returns the ellipsoidal heights of fixes in the fixes' own
	// frames: heights[i] at fixes[i]. Fix.Height is not read.
	FixHeights(ctx context.Context, fixes []Fix, heights []Height) ([]HeightPlacement, error)
}

// Why a height can't be brought to the ellipsoid. A HeightError wraps one of
// these.
var (
	// ErrHeightUnknown: what the height counts from is not stated.
	ErrHeightUnknown = errors.New("what the height counts from is not known")
	// ErrGeoidUnknown: the height counts from a geoid but neither a model nor a
	// separation is stated.
	ErrGeoidUnknown = errors.New("which geoid the height counts from is not known")
	// ErrGeoidMissing: the geoid model is known, but its file is not installed.
	ErrGeoidMissing = errors.New("the geoid model is not installed")
	// ErrNoGeoid: the registry ties the vertical system to no ellipsoid here.
	ErrNoGeoid = errors.New("no geoid model leads from the vertical system to the ellipsoid here")
	// ErrNoHeightFrame: the frame has no ellipsoidal heights, or is not known.
	ErrNoHeightFrame = errors.New("the frame has no ellipsoidal heights")
	// ErrNoHeightOperation: the height is ellipsoidal, but nothing better than a
	// ballpark operation transforms it from its frame to the one asked for.
	ErrNoHeightOperation = errors.New("no operation transforms the height between the frames")
	// ErrNoHeights: the projection can't do heights at all.
	ErrNoHeights = errors.New("the projection can't bring heights to the ellipsoid")
)

// HeightError says why a height can't be brought to the ellipsoid.
type HeightError struct {
	// Ref is the reference of the height.
	Ref HeightRef
	// Reason is the error that it wraps, one of those above.
	Reason error
	// Missing are the files that would be needed.
	Missing []MissingFile
	// Message says what is wrong and what to do about it.
	Message string
}

// Error says what is wrong and what to do about it.
func (e *HeightError) Error() string { return e.Message }

// Unwrap returns Reason.
func (e *HeightError) Unwrap() error { return e.Reason }

// HeightPair is a tag and its point with their heights.
type HeightPair struct {
	// Fix is the position and the frame of the tag.
	Fix Fix
	// Tag is the height of the tag.
	Tag Height
	// At is the point on the grid.
	At EN
	// Point is the height of the point.
	Point Height
}

// HeightDiscrepancy is the difference between the height of a tag and that of
// its point, both brought to the ellipsoid of the tag's frame.
type HeightDiscrepancy struct {
	// DH is tag minus point in metres.
	DH float64 `json:"d_h_m"`
	// Tag and Point are the two ellipsoidal heights.
	Tag   HeightPlacement `json:"tag"`
	Point HeightPlacement `json:"point"`
	// Accuracy is that of the steps on both sides in metres, the root of the sum
	// of the squares; nil where a step states none.
	Accuracy *float64 `json:"accuracy_m"`
	// Err says why there is no comparison; the rest means nothing then.
	Err error `json:"-"`
}

// CompareHeights compares the heights of tags with those of their points. Each
// pair is brought to the ellipsoid of the tag's frame, at the tag's epoch. A pair
// whose references don't allow it has its own Err, which says why; the two
// heights are never taken to count from the same surface without being told.
//
// The result is in the order of the pairs. The returned error is for failures
// of the whole call, a projection that can do no heights among them
// ([ErrNoHeights]).
func CompareHeights(ctx context.Context, proj Projection, pairs []HeightPair) ([]HeightDiscrepancy, error) {
	h, ok := proj.(Heighter)
	if !ok {
		return nil, fmt.Errorf("compare heights: %w", ErrNoHeights)
	}
	fixes, tags := make([]Fix, len(pairs)), make([]Height, len(pairs))
	at, points, frames := make([]EN, len(pairs)), make([]Height, len(pairs)), make([]Frame, len(pairs))
	for i, p := range pairs {
		fixes[i], tags[i], at[i], points[i], frames[i] = p.Fix, p.Tag, p.At, p.Point, p.Fix.Frame
	}
	tag, err := h.FixHeights(ctx, fixes, tags)
	if err != nil {
		return nil, fmt.Errorf("compare heights: %w", err)
	}
	point, err := h.EllipsoidalHeights(ctx, at, points, frames)
	if err != nil {
		return nil, fmt.Errorf("compare heights: %w", err)
	}
	if len(tag) != len(pairs) || len(point) != len(pairs) {
		return nil, fmt.Errorf("compare heights: the projection returned %d and %d heights for %d pairs", len(tag), len(point), len(pairs))
	}
	out := make([]HeightDiscrepancy, len(pairs))
	for i := range out {
		d := &out[i]
		d.Tag, d.Point = tag[i], point[i]
		switch {
		case d.Tag.Err != nil:
			d.Err = fmt.Errorf("height of the tag: %w", d.Tag.Err)
		case d.Point.Err != nil:
			d.Err = fmt.Errorf("height of the point: %w", d.Point.Err)
		default:
			d.DH = d.Tag.Metres - d.Point.Metres
			if a, b := d.Tag.Accuracy, d.Point.Accuracy; a != nil && b != nil {
				both := math.Hypot(*a, *b)
				d.Accuracy = &both
			}
		}
	}
	return out, nil
}
