package grid

import (
	"encoding/json"
	"fmt"
	"math"
)

// Bearing is a direction in the plane or an azimuth on the ellipsoid: degrees
// clockwise from north in [0, 360), or undefined. The zero value is undefined,
// which is not the same as due north. Bearings compare with ==,
// and are plain values, safe for concurrent use.
type Bearing struct {
	deg     float64
	defined bool
}

// NewBearing returns the bearing of deg degrees clockwise from north, brought
// into [0, 360). It is undefined where deg is not finite.
func NewBearing(deg float64) Bearing {
	if !Finite(deg) {
		return Bearing{}
	}
	if deg = math.Mod(deg, 360); deg < 0 {
		deg += 360
	}
	if deg >= 360 || deg == 0 { // a tiny negative angle, or minus zero
		deg = 0
	}
	return Bearing{deg: deg, defined: true}
}

// BearingOf returns the plane bearing of the vector (dE, dN), atan2(dE, dN). It
// is undefined where the vector has no length or is not finite.
func BearingOf(dE, dN float64) Bearing {
	if (dE == 0 && dN == 0) || math.IsInf(dE, 0) || math.IsInf(dN, 0) {
		return Bearing{}
	}
	return NewBearing(math.Atan2(dE, dN) * 180 / math.Pi)
}

// Defined reports whether b is a direction at all.
func (b Bearing) Defined() bool { return b.defined }

// Degrees returns the bearing in degrees, in [0, 360), and NaN where it is
// undefined.
func (b Bearing) Degrees() float64 {
	if !b.defined {
		return math.NaN()
	}
	return b.deg
}

// undefinedText is an undefined bearing as text.
const undefinedText = "undefined"

// maxDecimals is the most decimals of a second that are written: beyond them a
// float64 has no more to say.
const maxDecimals = 9

// DMS returns the bearing as degrees, minutes and seconds with the given number
// of decimals of a second (0 to 9), for instance 305°17'21.18". Rounding
// carries: the seconds and minutes stay below 60 and the degrees below 360. An
// undefined bearing reads "undefined".
func (b Bearing) DMS(decimals int) string {
	if !b.defined {
		return undefinedText
	}
	decimals = clampDecimals(decimals)
	n := secondUnits(b.deg, decimals) % (360 * 3600 * pow10(decimals))
	return dms(n, decimals)
}

// Quadrant returns the bearing in quadrant notation, the acute angle from north
// or south towards east or west, with the given number of decimals of a second
// (0 to 9), for instance N 54°42'38.82" W. Due east and west are counted from
// north, due south towards the east. An undefined bearing reads "undefined".
func (b Bearing) Quadrant(decimals int) string {
	if !b.defined {
		return undefinedText
	}
	decimals = clampDecimals(decimals)
	quarter := 90 * 3600 * pow10(decimals)
	n := secondUnits(b.deg, decimals) % (4 * quarter)
	from, to := "N", "E"
	switch {
	case n <= quarter:
	case n <= 2*quarter:
		from, n = "S", 2*quarter-n
	case n < 3*quarter:
		from, to, n = "S", "W", n-2*quarter
	default:
		to, n = "W", 4*quarter-n
	}
	return from + " " + dms(n, decimals) + " " + to
}

// String returns the bearing as DMS does, with two decimals of a second.
func (b Bearing) String() string { return b.DMS(2) }

// MarshalJSON writes the degrees as a number, and null where undefined.
func (b Bearing) MarshalJSON() ([]byte, error) {
	if !b.defined {
		return []byte("null"), nil
	}
	return json.Marshal(b.deg)
}

// UnmarshalJSON reads a number of degrees in [0, 360], or null.
func (b *Bearing) UnmarshalJSON(data []byte) error {
	var deg *float64
	if err := json.Unmarshal(data, &deg); err != nil {
		return fmt.Errorf("bearing: want degrees as a number, or null: %w", err)
	}
	if deg == nil {
		*b = Bearing{}
		return nil
	}
	if *deg < 0 || *deg > 360 {
		return fmt.Errorf("bearing: %v degrees is outside 0 to 360", *deg)
	}
	*b = NewBearing(*deg)
	return nil
}

// FormatAngle returns a signed angle in degrees as degrees, minutes and seconds
// with the given number of decimals of a second (0 to 9), for instance
// -1°35'03.65". It is meant for convergences; a Bearing prints itself. An angle
// that is not finite, or too large to be one (beyond 10000 degrees), reads
// "undefined".
func FormatAngle(deg float64, decimals int) string {
	if math.IsNaN(deg) || math.Abs(deg) > 10000 {
		return undefinedText
	}
	decimals = clampDecimals(decimals)
	n := secondUnits(math.Abs(deg), decimals)
	if deg < 0 && n != 0 {
		return "-" + dms(n, decimals)
	}
	return dms(n, decimals)
}

func clampDecimals(d int) int { return min(max(d, 0), maxDecimals) }

func pow10(n int) int64 {
	p := int64(1)
	for range n {
		p *= 10
	}
	return p
}

// secondUnits returns an angle as a whole number of 10^-decimals seconds. The
// angle is split first, so that the multiplication costs no digits.
func secondUnits(deg float64, decimals int) int64 {
	whole, frac := math.Modf(deg)
	p := pow10(decimals)
	return int64(whole)*3600*p + int64(math.Round(frac*3600*float64(p)))
}

// dms writes n, a number of 10^-decimals seconds.
func dms(n int64, decimals int) string {
	p := pow10(decimals)
	whole, frac := n/p, n%p
	s := fmt.Sprintf("%d°%02d'%02d", whole/3600, whole/60%60, whole%60)
	if decimals > 0 {
		s += fmt.Sprintf(".%0*d", decimals, frac)
	}
	return s + `"`
}
