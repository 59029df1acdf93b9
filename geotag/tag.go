package geotag

import (
	"iter"
	"time"
)

// Tag is what an image says about where, when and with what it was taken.
// A field that the image does not carry, or carries as nonsense, is nil (or
// empty); nonsense also leaves a Warning. Nothing here is guessed.
type Tag struct {
	// Container is the image format: "jpeg", "png", "webp", "tiff", "dng", "heif",
	// "avif", "raw" for a raw file of a maker's own format, or "xmp" for a side-car
	// file.
	Container string `json:"container"`

	// Position is the geotag, the Exif one where it is sound and else the XMP
	// one; nil where there is none that is plausible.
	Position *Position `json:"position,omitempty"`
	// XMPPosition is the position in the XMP packet, where there is one.
	XMPPosition *Position `json:"xmp_position,omitempty"`
	// Altitude is the height the image states; see AltitudeRef for what above.
	Altitude *Altitude `json:"altitude,omitempty"`
	// HPositioningError is GPSHPositioningError: the horizontal error in metres.
	// The Exif standard states no confidence level for it.
	HPositioningError *float64 `json:"h_positioning_error_m,omitempty"`
	// DOP is GPSDOP: the horizontal dilution of precision in a two-dimensional
	// measurement, the position dilution in a three-dimensional one.
	DOP *float64 `json:"dop,omitempty"`
	// MeasureMode is GPSMeasureMode: 2 or 3 dimensional, 0 where not stated.
	MeasureMode int `json:"measure_mode,omitempty"`
	// Status is GPSStatus: "A" measurement in progress, "V" interrupted.
	Status string `json:"status,omitempty"`
	// Speed is GPSSpeed, the receiver's speed over ground, in metres per second.
	Speed *float64 `json:"speed_mps,omitempty"`
	// MapDatum is GPSMapDatum as written, without trailing spaces.
	MapDatum string `json:"map_datum,omitempty"`
	// ProcessingMethod is the text of GPSProcessingMethod.
	ProcessingMethod string `json:"processing_method,omitempty"`
	// Differential says that GPSDifferential states a corrected fix.
	Differential bool `json:"differential,omitempty"`
	// Direction is where the camera looked: GPSImgDirection.
	Direction *Direction `json:"direction,omitempty"`
	// Destination is the place the image shows, where the GPSDest tags give it.
	Destination *Destination `json:"destination,omitempty"`
	// SubjectDistance is the distance to the subject in metres.
	SubjectDistance *float64 `json:"subject_distance_m,omitempty"`

	// GPSTime is GPSDateStamp with GPSTimeStamp: UTC by the standard.
	GPSTime *time.Time `json:"gps_time,omitempty"`
	// Taken is DateTimeOriginal, with sub-seconds.
	Taken *Taken `json:"taken,omitempty"`

	Make        string `json:"make,omitempty"`
	Model       string `json:"model,omitempty"`
	Serial      string `json:"serial,omitempty"`
	Software    string `json:"software,omitempty"`
	ExifVersion string `json:"exif_version,omitempty"`
	// Width and Height are the pixel dimensions of the coded image; 0 where the
	// header read did not reach them.
	Width  int `json:"width,omitempty"`
	Height int `json:"height,omitempty"`
	// Orientation is the Exif orientation 1 to 8; 0 where not stated.
	Orientation int `json:"orientation,omitempty"`

	// Texts are the places where crews and apps leave a point's id.
	Texts Texts `json:"texts"`

	// Warnings list what is there but implausible, or contradicts itself.
	Warnings []Warning `json:"warnings,omitempty"`
}

// When is when the image was taken: by the camera's clock, else by the time of the fix;
// zero where it states neither, and of a nil Tag.
func (t *Tag) When() time.Time {
	switch {
	case t == nil:
	case t.Taken != nil && !t.Taken.Time.IsZero():
		return t.Taken.Time
	case t.GPSTime != nil:
		return *t.GPSTime
	}
	return time.Time{}
}

// Position is a geographic position as an image states it.
type Position struct {
	// Lat and Lon are in degrees, north and east positive, in the frame of the
	// image's map datum.
	Lat float64 `json:"lat"`
	Lon float64 `json:"lon"`
	// Step is the resolution of the coordinates in degrees: the coarser of the
	// steps that the last rational of latitude and longitude can express. It is
	// what rounding alone can move the position by.
	Step float64 `json:"step_deg"`
	// Source says where the position stands: SourceExif or SourceXMP.
	Source string `json:"source"`
}

// The values of Position.Source.
const (
	SourceExif = "exif"
	SourceXMP  = "xmp"
)

// AltitudeRef says what an altitude is measured from.
type AltitudeRef int

// The meanings of GPSAltitudeRef. Up to Exif 2.32 the standard knows only "sea
// level" and below it (values 0 and 1), and many devices write an ellipsoidal
// height all the same; from Exif 3.0 (CIPA DC-008-2023) values 0 and 1 are the
// ellipsoidal surface, 2 and 3 sea level. So 0 and 1 in an older image are
// ambiguous, and are reported so. (The table of Exif 3.0 is from memory.)
const (
	// AltitudeUnstated: no GPSAltitudeRef in the image.
	AltitudeUnstated AltitudeRef = iota
	// AltitudeAmbiguous: stated as sea level by a standard older than Exif 3.0.
	AltitudeAmbiguous
	// AltitudeEllipsoidal: above the ellipsoid, by Exif 3.0.
	AltitudeEllipsoidal
	// AltitudeSeaLevel: above mean sea level, by Exif 3.0.
	AltitudeSeaLevel
)

var altitudeRefs = []string{"unstated", "ambiguous", "ellipsoidal", "sea-level"}

// String returns the word used in JSON: "unstated", "ambiguous", "ellipsoidal"
// or "sea-level".
func (r AltitudeRef) String() string { return wordOf(r, altitudeRefs) }

// MarshalText writes the word of String; an unknown value is an error.
func (r AltitudeRef) MarshalText() ([]byte, error) { return marshalWord(r, altitudeRefs) }

// UnmarshalText reads what MarshalText writes.
func (r *AltitudeRef) UnmarshalText(text []byte) error { return unmarshalWord(r, text, altitudeRefs) }

// Altitude is a height as an image states it.
type Altitude struct {
	// Metres is the signed height, negative below the reference.
	Metres float64 `json:"metres"`
	// Ref says what it is measured from.
	Ref AltitudeRef `json:"ref"`
}

// Direction is an image or destination direction.
type Direction struct {
	// Degrees is in [0, 360).
	Degrees float64 `json:"degrees"`
	// Magnetic says that it counts from magnetic north, not from true north.
	Magnetic bool `json:"magnetic"`
}

// Destination is the place an image shows, from the GPSDest tags.
type Destination struct {
	Position *Position  `json:"position,omitempty"`
	Bearing  *Direction `json:"bearing,omitempty"`
	// Distance is in metres.
	Distance *float64 `json:"distance_m,omitempty"`
}

// Taken is a camera's local time.
type Taken struct {
	// Time is the time stated. Where HasOffset is false its location is UTC only
	// for want of a better one: the clock reading is right, the instant unknown.
	Time time.Time `json:"time"`
	// HasOffset says that the image fixes the zone: by OffsetTimeOriginal, or by
	// OffsetTime where DateTime, which that belongs to, reads the same as
	// DateTimeOriginal.
	HasOffset bool `json:"has_offset"`
}

// Texts are the free texts of an image in which an id may stand.
type Texts struct {
	// ImageDescription and UserComment are the Exif tags.
	ImageDescription string `json:"image_description,omitempty"`
	UserComment      string `json:"user_comment,omitempty"`
	// Keywords are those of XPKeywords, split at semicolons, and of dc:subject
	// in the XMP packet, each once.
	Keywords []string `json:"keywords,omitempty"`
	// Title, Subject and Comment are XPTitle, XPSubject and XPComment.
	Title   string `json:"title,omitempty"`
	Subject string `json:"subject,omitempty"`
	Comment string `json:"comment,omitempty"`
	// XMPTitle and XMPDescription are dc:title and dc:description in the XMP
	// packet, in the default language.
	XMPTitle       string `json:"xmp_title,omitempty"`
	XMPDescription string `json:"xmp_description,omitempty"`
}

// All yields every text that is there with the name of the field it stands in,
// "ImageDescription" or "dc:title" for instance. Keywords come one at a time
// under the name "Keywords".
func (t *Texts) All() iter.Seq2[string, string] {
	return func(yield func(string, string) bool) {
		for _, f := range [...]struct{ name, text string }{
			{"ImageDescription", t.ImageDescription},
			{"UserComment", t.UserComment},
			{"XPTitle", t.Title},
			{"XPSubject", t.Subject},
			{"XPComment", t.Comment},
			{"dc:title", t.XMPTitle},
			{"dc:description", t.XMPDescription},
		} {
			if f.text != "" && !yield(f.name, f.text) {
				return
			}
		}
		for _, k := range t.Keywords {
			if !yield("Keywords", k) {
				return
			}
		}
	}
}

// A WarningCode names a kind of Warning. The strings are stable.
type WarningCode string

// The kinds of warning.
const (
	// WarnZeroDenominator: a rational such as 0/0 where a number is due.
	WarnZeroDenominator WarningCode = "zero-denominator"
	// WarnOutOfRange: latitude beyond 90, longitude beyond 180, minutes or
	// seconds of 60 or more, a direction beyond 360, a time that no clock shows.
	WarnOutOfRange WarningCode = "out-of-range"
	// WarnMissingRef: a coordinate without its hemisphere.
	WarnMissingRef WarningCode = "missing-reference"
	// WarnBadRef: a hemisphere that is none of N, S, E, W.
	WarnBadRef WarningCode = "bad-reference"
	// WarnNullIsland: exactly 0, 0, what a receiver without a fix writes.
	WarnNullIsland WarningCode = "null-island"
	// WarnIncomplete: one coordinate without the other, a date without a time.
	WarnIncomplete WarningCode = "incomplete"
	// WarnWrongType: a tag whose type or count is not the standard's.
	WarnWrongType WarningCode = "wrong-type"
	// WarnConflict: Exif and XMP state positions further apart than their steps.
	WarnConflict WarningCode = "exif-xmp-conflict"
	// WarnCorrupt: a directory, an offset or a packet that can't be followed.
	WarnCorrupt WarningCode = "corrupt"
	// WarnDuplicate: a tag that stands twice; the first is taken.
	WarnDuplicate WarningCode = "duplicate"
	// WarnAmbiguous: a value that reads in more than one way, such as degrees
	// with a fraction that minutes follow.
	WarnAmbiguous WarningCode = "ambiguous"
	// WarnCharset: a text that isn't in the encoding it states.
	WarnCharset WarningCode = "charset"
	// WarnTruncated: the file ends, or stops making sense, after the metadata
	// that was read and before the image data.
	WarnTruncated WarningCode = "truncated"
	// WarnUnread: the format may hold a position, and geotag does not read it.
	WarnUnread WarningCode = "unread"
)

// Warning is something an image states that can't be used as it stands.
type Warning struct {
	Code WarningCode `json:"code"`
	// Field is the Exif or XMP name concerned, "GPSLatitude" for instance.
	Field string `json:"field"`
	// Detail says in words what was found.
	Detail string `json:"detail"`
}

// String is code, field and detail, with colons between.
func (w Warning) String() string { return string(w.Code) + ": " + w.Field + ": " + w.Detail }
