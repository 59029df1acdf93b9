package geotag

import (
	"errors"
	"fmt"
	"math"
)

// Meaning says what a corrected position stands for. It is the user's choice
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

// String gives the names used in settings and records.
func (m Meaning) String() string {
	switch m {
	case SubjectPosition:
		return "subject"
	case CameraPosition:
		return "camera"
	}
	return fmt.Sprintf("Meaning(%d)", int(m))
}

// Edit is a new geotag to be written.
type Edit struct {
	Meaning Meaning
	// Lat and Lon are the surveyed position in degrees, in the frame MapDatum
	// names.
	Lat, Lon float64
	// MapDatum is written as GPSMapDatum; empty writes "WGS-84".
	MapDatum string
	// HPositioningError is the accuracy of the surveyed position in metres,
	// written as GPSHPositioningError. Must be positive for SubjectPosition;
	// not used for CameraPosition, where the tag stays the handheld's.
	HPositioningError float64
	// ProcessingMethod is written as GPSProcessingMethod for SubjectPosition;
	// empty writes "SURVEY".
	ProcessingMethod string
	// Bearing (degrees from true north, [0, 360)) and Distance (metres) lead
	// from the camera to the point, for CameraPosition; nil leaves them out.
	Bearing, Distance *float64
	// AllowSigned permits the change of an image that carries a signed
	// provenance manifest, whose signature the change breaks.
	AllowSigned bool
}

// check reports what makes the edit impossible to write, wrapping ErrEdit.
func (e Edit) check() error {
	switch {
	case e.Meaning != SubjectPosition && e.Meaning != CameraPosition:
		return fmt.Errorf("%w: the meaning is %v; use SubjectPosition or CameraPosition", ErrEdit, e.Meaning)
	case !(math.Abs(e.Lat) <= 90):
		return fmt.Errorf("%w: latitude %v is not within -90 to 90 degrees", ErrEdit, e.Lat)
	case !(math.Abs(e.Lon) <= 180):
		return fmt.Errorf("%w: longitude %v is not within -180 to 180 degrees", ErrEdit, e.Lon)
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
	// ErrEdit: the Edit itself makes no sense.
	ErrEdit = errors.New("the new tag is not valid")
)
