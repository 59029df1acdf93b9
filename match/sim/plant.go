package sim

import (
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// A Kind names a kind of blunder. The strings are stable.
type Kind string

// Blunders of the tags. They concern every photo unless the Plant says which.
const (
	// SwappedLatLon: latitude and longitude are exchanged.
	SwappedLatLon Kind = "swapped-lat-lon"
	// FlippedLatitude and FlippedLongitude: the hemisphere reference is the other
	// one, which is also what becomes of a dropped one that software fills in.
	FlippedLatitude  Kind = "flipped-latitude"
	FlippedLongitude Kind = "flipped-longitude"
	// DroppedLatitudeRef and DroppedLongitudeRef: the reference is missing, so
	// that the tag has no position, and a warning.
	DroppedLatitudeRef  Kind = "dropped-latitude-ref"
	DroppedLongitudeRef Kind = "dropped-longitude-ref"
	// TagDatum: the tags are in another datum than they state: in Plant.Datum,
	// else shifted by Plant.Shift, by default (-75, 60) m.
	TagDatum Kind = "tag-datum"
	// CommonShift: all tags are off by Plant.Shift, by default (16, -12) m.
	CommonShift Kind = "common-shift"
	// MinutesAsDecimals: degrees and minutes, 52 11.4, are written as 52.114
	// degrees. DecimalsAsMinutes: 52.19 degrees is written as 52 19; where that
	// makes 60 minutes or more, the tag has no position, and a warning.
	MinutesAsDecimals Kind = "minutes-as-decimals"
	DecimalsAsMinutes Kind = "decimals-as-minutes"
	// RoundedTags: latitude and longitude are rounded to Plant.Step degrees, by
	// default 0.001. The tag states that step unless Plant.Hidden.
	RoundedTags Kind = "rounded-tags"
	// FrozenFix: the photos of a run, 8 by default, carry the fix of the photo
	// before the run: position, altitude, error and the time of the fix.
	FrozenFix Kind = "frozen-fix"
	// NullIsland: the position is 0, 0. ZeroRationals: it is made of 0/0. Either
	// leaves no position and a warning. By default a twentieth of the photos.
	NullIsland    Kind = "null-island"
	ZeroRationals Kind = "zero-rationals"
	// TrackOffset: the tags are not the handheld's but were taken from a track of
	// the crew, Plant.Offset later than the photo, by default 90 s.
	TrackOffset Kind = "track-offset"
	// ClockOffset: the camera's clock is ahead by Plant.Offset, by default 1 h.
	// No tag moves.
	ClockOffset Kind = "clock-offset"
	// LeapSeconds: the time of the fix is GPS time, 18 s ahead of UTC (Plant.Offset
	// for another figure). No tag moves.
	LeapSeconds Kind = "leap-seconds"
	// HeightReference: the altitudes are above another reference than they state,
	// by Plant.Height metres, by default 57.
	HeightReference Kind = "height-reference"
)

// Blunders of the points. They concern every point, or those of Plant.Day and
// Plant.Camera.
const (
	// SwappedEN: eastings and northings are exchanged.
	SwappedEN Kind = "swapped-en"
	// WrongFeet: feet of one kind are taken for the other: all coordinates are
	// Plant.Scale times too large, by default 0.999998, international for US
	// survey feet.
	WrongFeet Kind = "wrong-feet"
	// FeetForMetres: coordinates are in feet and taken in the grid's unit, or
	// Plant.Scale times too large. MetresForFeet is the reverse.
	FeetForMetres Kind = "feet-for-metres"
	MetresForFeet Kind = "metres-for-feet"
	// NeighbouringZone: the coordinates are of Plant.Other, by default the next
	// zone of a *Plane.
	NeighbouringZone Kind = "neighbouring-zone"
	// PointDatum: the coordinates are of another datum: those of Plant.Other,
	// else shifted by Plant.Shift, by default (-75, 60) m.
	PointDatum Kind = "point-datum"
	// GroundAsGrid: distances from the first point are Plant.Scale times too
	// large, by default 1.0004.
	GroundAsGrid Kind = "ground-as-grid"
)

// Blunders of the links.
const (
	// LateRun: the photos of a run, 8 by default, are linked to the point after
	// the one that they show, as the walk goes. EarlyRun: to the one before.
	LateRun  Kind = "late-run"
	EarlyRun Kind = "early-run"
	// SwappedTies: two photos, one taken after the other, of different points
	// have each other's link; Plant.Count such pairs, 1 by default.
	SwappedTies Kind = "swapped-ties"
	// WrongTie: a photo is linked to another point, any; 1 photo by default.
	WrongTie Kind = "wrong-tie"
)

// Plant says what blunder to plant, and where. Of the fields that choose photos,
// Rate, Count and Run exclude one another; a kind's default holds where all are
// 0. Photos chosen by one of them, or by a kind's default number, are not chosen
// twice. Fields that the kind has no use for have to be zero.
type Plant struct {
	Kind Kind

	// Camera and Day restrict it to one camera and one day, numbered from 1; 0
	// for all.
	Camera, Day int
	// Rate is the share of photos concerned, drawn at random; at least 1.
	Rate float64
	// Count is the number of photos concerned, drawn at random; of pairs for
	// SwappedTies.
	Count int
	// Run is the number of photos concerned, one after another on one day: of one
	// camera where the blunder is in the tags, of one crew where it is in the links.
	Run int

	// Shift is in metres, east and north.
	Shift match.Vector
	// Scale is a factor.
	Scale float64
	// Offset is a time.
	Offset time.Duration
	// Step is in degrees, Hidden hides it.
	Step   float64
	Hidden bool
	// Height is in metres.
	Height float64
	// Datum is a map datum that the projection knows.
	Datum string
	// Other is another grid.
	Other grid.Projection
	// Copied says that the id in the file name and in the text follows a wrong
	// link. Else it stays that of the point shown.
	Copied bool
}
