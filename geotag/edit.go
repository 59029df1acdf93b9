package geotag

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Meaning says what a corrected position is. It is the user's choice
// and is recorded with every correction.
type Meaning int

const (
	// SubjectPosition: the tag becomes the surveyed point's position, which is
	// what deliverables of survey jobs ask for.
	SubjectPosition Meaning = iota
	// CameraPosition: the tag stays where the camera was, and the surveyed point
	// becomes the destination (GPSDestLatitude, GPSDestLongitude,
	// GPSDestBearing, GPSDestDistance).
	CameraPosition
)

var meanings = []string{"subject", "camera"}

// String gives the names used in settings and records.
func (m Meaning) String() string { return wordOf(m, meanings) }

// MarshalText gives the name; a Meaning without one is an error.
func (m Meaning) MarshalText() ([]byte, error) { return marshalWord(m, meanings) }

// UnmarshalText reads a name that MarshalText gives.
func (m *Meaning) UnmarshalText(text []byte) error { return unmarshalWord(m, text, meanings) }

// wordOf is the word for a value that is an index of words.
func wordOf[T ~int](v T, words []string) string {
	if v < 0 || int(v) >= len(words) {
		return fmt.Sprintf("%T(%d)", v, int(v))[len("geotag."):]
	}
	return words[v]
}

func marshalWord[T ~int](v T, words []string) ([]byte, error) {
	if v < 0 || int(v) >= len(words) {
		return nil, fmt.Errorf("%w: %s has no name", ErrEdit, wordOf(v, words))
	}
	return []byte(words[v]), nil
}

func unmarshalWord[T ~int](v *T, text []byte, words []string) error {
	i := slices.Index(words, string(text))
	if i < 0 {
		return fmt.Errorf("%w: %q is none of %s", ErrEdit, text, strings.Join(words, ", "))
	}
	*v = T(i)
	return nil
}

// Edit is a new geotag to be written.
//
// With SubjectPosition it writes GPSLatitude, GPSLongitude and their references,
// GPSMapDatum, GPSProcessingMethod, GPSHPositioningError and a GPSVersionID of
// 2.3 or later, and removes what described the old fix: GPSSatellites,
// GPSStatus, GPSMeasureMode, GPSDOP and GPSDifferential. With CameraPosition it
// writes or removes the GPSDest tags of position, bearing and distance. All
// other tags stay: date and time, altitude, image direction, speed and track,
// area. Coordinates are rounded to a microsecond of arc, 0.03 mm.
//
// In XMP the same properties are changed where they stand, and none are brought
// into a packet that states no position, or no destination. A multi-picture
// index has its offsets and its first length corrected where images move.
//
// What a correction doesn't reach: the old directory's bytes stay in the block,
// where no reader looks; copies of the position in a maker's own notes or XMP
// properties, in a thumbnail's own metadata or in IPTC stay as they are; and an
// absolute offset in a maker's note to something after the image is not known,
// so it is not moved along (see Patch.Notes).
type Edit struct {
	Meaning Meaning `json:"meaning"`
	// Lat and Lon are the surveyed position in degrees, in the frame MapDatum
	// names.
	Lat float64 `json:"lat"`
	Lon float64 `json:"lon"`
	// MapDatum is written as GPSMapDatum, printable ASCII; it defaults to
	// "WGS-84". For CameraPosition it must be the image's own (one that states
	// none is WGS 84), because Exif has one datum for both positions, and nothing
	// is written.
	MapDatum string `json:"map_datum,omitempty"`
	// HPositioningError is the accuracy of the surveyed position in metres,
	// written as GPSHPositioningError. Must be positive for SubjectPosition, and
	// is written as 0.1 mm where it is less; not used for CameraPosition, where
	// the tag stays the handheld's.
	HPositioningError float64 `json:"h_positioning_error_m,omitempty"`
	// ProcessingMethod is written as GPSProcessingMethod for SubjectPosition;
	// printable ASCII; empty writes "SURVEY".
	ProcessingMethod string `json:"processing_method,omitempty"`
	// Bearing (degrees from true north, [0, 360)) and Distance (metres) lead
	// from the camera to the point, for CameraPosition; nil leaves them out, and
	// removes those of an older destination. Not used for SubjectPosition.
	Bearing  *float64 `json:"bearing_deg,omitempty"`
	Distance *float64 `json:"distance_m,omitempty"`
	// AllowSigned permits the change of an image that carries a signed
	// provenance manifest, whose signature the change breaks.
	AllowSigned bool `json:"allow_signed,omitempty"`
}

// check reports what makes the edit impossible to write, wrapping ErrEdit.
func (e Edit) check() error {
	lat, _ := arc(e.Lat, "NS")
	lon, _ := arc(e.Lon, "EW")
	_, _, fits := metresRational(e.HPositioningError)
	var bearing, distance float64
	if e.Bearing != nil {
		bearing = *e.Bearing
	}
	if e.Distance != nil {
		distance = *e.Distance
	}
	_, _, reaches := kilometresRational(distance)
	subject := e.Meaning == SubjectPosition
	for _, c := range []struct {
		ok   bool
		what string
		v    any
	}{
		{subject || e.Meaning == CameraPosition, "the meaning is %v; use SubjectPosition or CameraPosition", e.Meaning},
		{math.Abs(e.Lat) <= 90, "latitude %v is not within -90 to 90 degrees", e.Lat},
		{math.Abs(e.Lon) <= 180, "longitude %v is not within -180 to 180 degrees", e.Lon},
		{lat != 0 || lon != 0, "%v is what a receiver without a fix writes, so it is not read as a position", "0, 0"},
		{!subject || e.HPositioningError > 0 && !math.IsInf(e.HPositioningError, 0), "the accuracy of the surveyed position is %v m; it must be positive", e.HPositioningError},
		{!subject || fits, "an accuracy of %v m does not fit GPSHPositioningError", e.HPositioningError},
		{subject || bearing >= 0 && bearing < 360, "bearing %v is not within 0 to 360 degrees", bearing},
		{subject || distance >= 0, "distance %v m is negative", distance},
		{subject || reaches, "a distance of %v m does not fit GPSDestDistance", distance},
	} {
		if !c.ok {
			return fmt.Errorf("%w: "+c.what, ErrEdit, c.v)
		}
	}
	return cmp.Or(checkText("map datum", e.MapDatum), checkText("processing method", e.ProcessingMethod))
}

// maxText is the longest map datum or processing method; longer ones are
// mistakes and would eat the metadata block's room.
const maxText = 256

func checkText(what, s string) error {
	if len(s) > maxText {
		return fmt.Errorf("%w: the %s is %d characters long, more than %d", ErrEdit, what, len(s), maxText)
	}
	if strings.TrimSpace(s) != s {
		return fmt.Errorf("%w: the %s %q starts or ends with a space", ErrEdit, what, s)
	}
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			return fmt.Errorf("%w: the %s %q has a character that ASCII, the only one allowed there, has not", ErrEdit, what, s)
		}
	}
	return nil
}

// Errors of reading and writing. All are wrapped with the details.
var (
	// ErrFormat: not an image of a container that geotag knows.
	ErrFormat = errors.New("not an image format that phototie knows")
	// ErrTruncated: the image ends before its header does.
	ErrTruncated = errors.New("the image is cut off")
	// ErrCorrupt: the structure contradicts itself, so nothing can be written
	// to it safely.
	ErrCorrupt = errors.New("the image's structure is damaged")
	// ErrNoRoom: the metadata block is at its format's limit (64 KiB in a JPEG).
	ErrNoRoom = errors.New("no room left in the metadata block")
	// ErrSigned: the image carries a signed provenance manifest (C2PA) and the
	// edit does not allow to break it.
	ErrSigned = errors.New("the image carries a signed provenance manifest, which the correction would break")
	// ErrUnsafe: the structure is sound, but in a form that can't be changed
	// without the risk of harm to the rest of it: two Exif blocks, a position in
	// extended XMP.
	ErrUnsafe = errors.New("the metadata is in a form that can't be changed safely")
	// ErrEdit: the Edit itself makes no sense, or asks of this image what it
	// can't hold (a destination where there is no camera position).
	ErrEdit = errors.New("the new tag is not valid")
)

// imageErrors are those above.
var imageErrors = []error{ErrFormat, ErrTruncated, ErrCorrupt, ErrNoRoom, ErrUnsafe, ErrSigned, ErrRaw, ErrEdit}

// AboutImage reports whether an error of this package is about the image or the
// edit, and not about the system they are on: it wraps one of the errors above.
func AboutImage(err error) bool {
	return slices.ContainsFunc(imageErrors, func(known error) bool { return errors.Is(err, known) })
}
