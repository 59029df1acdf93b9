package geotag

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"unicode"

	"example.com/phototie/geotag/internal/ifd"
)

// The tags of the GPS directory that a correction writes or drops, Exif 2.32
// (CIPA DC-008-2019) table 15.
const (
	gpsVersionID         = 0x00
	gpsLatitudeRef       = 0x01
	gpsLatitude          = 0x02
	gpsLongitudeRef      = 0x03
	gpsLongitude         = 0x04
	gpsSatellites        = 0x08
	gpsStatus            = 0x09
	gpsMeasureMode       = 0x0A
	gpsDOP               = 0x0B
	gpsMapDatum          = 0x12
	gpsDestLatitudeRef   = 0x13
	gpsDestLatitude      = 0x14
	gpsDestLongitudeRef  = 0x15
	gpsDestLongitude     = 0x16
	gpsDestBearingRef    = 0x17
	gpsDestBearing       = 0x18
	gpsDestDistanceRef   = 0x19
	gpsDestDistance      = 0x1A
	gpsProcessingMethod  = 0x1B
	gpsDifferential      = 0x1E
	gpsHPositioningError = 0x1F
)

// Defaults of an Edit.
const (
	defaultDatum  = "WGS-84" // the form Exif recommends
	defaultMethod = "SURVEY"
)

// arcStep is the unit of the seconds written: a microsecond of arc, 0.03 mm on
// the ground, so rounding moves a position by 0.015 mm at most along each axis.
const arcStep = 1_000_000

// arc is an angle in whole units of arcStep, and whether it is negative. Zero
// is never negative.
func arc(deg float64) (n uint64, neg bool) {
	n = uint64(math.Round(math.Abs(deg) * 3600 * arcStep))
	return n, deg < 0 && n != 0
}

// coordinate is an angle as Exif holds it: three rationals and a hemisphere. It
// is rounded as a whole before it is split, so no part of it reaches 60.
func coordinate(deg float64, hemispheres string) (dms [6]uint32, ref byte) {
	n, neg := arc(deg)
	ref = hemispheres[0]
	if neg {
		ref = hemispheres[1]
	}
	return [6]uint32{
		uint32(n / (3600 * arcStep)), 1,
		uint32(n / (60 * arcStep) % 60), 1,
		uint32(n % (60 * arcStep)), arcStep,
	}, ref
}

// xmpCoordinate is an angle as XMP holds it, "DDD,MM.mmk" (XMP specification
// part 2, GPSCoordinate). It is made from the rounded Exif value, and its nine
// decimals are finer than that, so the two don't contradict each other.
func xmpCoordinate(deg float64, hemispheres string) string {
	n, neg := arc(deg)
	ref := hemispheres[0]
	if neg {
		ref = hemispheres[1]
	}
	rest := n % (3600 * arcStep) * 1000 // in 1e-9 seconds, below 3.6e12
	minutes := (rest + 30) / 60         // in 1e-9 minutes, below 60e9
	return fmt.Sprintf("%d,%02d.%09d%c", n/(3600*arcStep), minutes/1e9, minutes%1e9, ref)
}

// metresRational is a length in metres as a rational, to 0.1 mm where it fits
// and never zero.
func metresRational(m float64) (num, den uint32, ok bool) {
	for _, den := range []float64{1e4, 1e2, 1} {
		if n := math.Round(m * den); n <= math.MaxUint32 {
			return uint32(max(n, 1)), uint32(den), true
		}
	}
	return 0, 0, false
}

// kilometresRational is a length in metres as a rational of kilometres, to the
// millimetre where it fits.
func kilometresRational(m float64) (num, den uint32, ok bool) {
	for _, den := range []float64{1e6, 1e3, 1} {
		if n := math.Round(m * den / 1000); n <= math.MaxUint32 {
			return uint32(n), uint32(den), true
		}
	}
	return 0, 0, false
}

// bearingRational is a bearing in [0, 360) to 1e-5 degrees; what rounds up to a
// full circle is north.
func bearingRational(deg float64) (num, den uint32) {
	return uint32(math.Round(deg*1e5)) % 360e5, 1e5
}

// datum is the name that is written as GPSMapDatum.
func (e Edit) datum() string {
	if e.MapDatum == "" {
		return defaultDatum
	}
	return e.MapDatum
}

// method is the text that is written as GPSProcessingMethod.
func (e Edit) method() string {
	if e.ProcessingMethod == "" {
		return defaultMethod
	}
	return e.ProcessingMethod
}

// sameDatum reports whether two datum names differ only in spelling, such as
// "WGS-84" and "WGS84". An empty name stands for WGS 84, see Edit.
func sameDatum(a, b string) bool {
	norm := func(s string) string {
		if s == "" {
			s = defaultDatum
		}
		return strings.Map(func(r rune) rune {
			if unicode.IsLetter(r) || unicode.IsDigit(r) {
				return unicode.ToUpper(r)
			}
			return -1
		}, s)
	}
	return norm(a) == norm(b)
}

// gpsField is one tag of the GPS directory as it is to be.
type gpsField struct {
	tag, typ uint16
	count    uint32
	value    []byte // in the block's byte order
}

// version23 is the version of the GPS directory in which GPSHPositioningError
// came (Exif 2.3).
var version23 = [4]byte{2, 3, 0, 0}

// gpsVersion is the GPSVersionID to be written where old stands (nil for none).
// It is raised to 2.3 and never lowered, because later versions give the
// altitude references other meanings.
func gpsVersion(old []byte) [4]byte {
	if len(old) == 4 && string(old) > string(version23[:]) && old[0] < 10 {
		return [4]byte(old)
	}
	return version23
}

// gpsFields lists what the edit writes into a GPS directory, ascending by tag,
// and the tags that must not stand in it any longer. version is the one that
// gpsVersion gave. The edit must have passed check.
func (e Edit) gpsFields(order binary.ByteOrder, version [4]byte) (set []gpsField, drop []uint16) {
	ascii := func(tag uint16, s string) {
		set = append(set, gpsField{tag, ifd.ASCII, uint32(len(s) + 1), append([]byte(s), 0)})
	}
	rational := func(tag uint16, v ...uint32) {
		b := make([]byte, 4*len(v))
		for i, x := range v {
			order.PutUint32(b[4*i:], x)
		}
		set = append(set, gpsField{tag, ifd.Rational, uint32(len(v) / 2), b})
	}
	lat, latRef := coordinate(e.Lat, "NS")
	lon, lonRef := coordinate(e.Lon, "EW")
	if e.Meaning == CameraPosition {
		ascii(gpsDestLatitudeRef, string(latRef))
		rational(gpsDestLatitude, lat[:]...)
		ascii(gpsDestLongitudeRef, string(lonRef))
		rational(gpsDestLongitude, lon[:]...)
		if e.Bearing != nil {
			num, den := bearingRational(*e.Bearing)
			ascii(gpsDestBearingRef, "T")
			rational(gpsDestBearing, num, den)
		} else {
			drop = append(drop, gpsDestBearingRef, gpsDestBearing)
		}
		if e.Distance != nil {
			num, den, _ := kilometresRational(*e.Distance)
			ascii(gpsDestDistanceRef, "K")
			rational(gpsDestDistance, num, den)
		} else {
			drop = append(drop, gpsDestDistanceRef, gpsDestDistance)
		}
		return set, drop
	}
	set = append(set, gpsField{gpsVersionID, ifd.Byte, 4, version[:]})
	ascii(gpsLatitudeRef, string(latRef))
	rational(gpsLatitude, lat[:]...)
	ascii(gpsLongitudeRef, string(lonRef))
	rational(gpsLongitude, lon[:]...)
	ascii(gpsMapDatum, e.datum())
	method := append([]byte("ASCII\x00\x00\x00"), e.method()...)
	set = append(set, gpsField{gpsProcessingMethod, ifd.Undefined, uint32(len(method)), method})
	num, den, _ := metresRational(e.HPositioningError)
	rational(gpsHPositioningError, num, den)
	return set, []uint16{gpsSatellites, gpsStatus, gpsMeasureMode, gpsDOP, gpsDifferential}
}
