package geotag

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"

	"example.com/phototie/geotag/internal/ifd"
)

// The tags of the GPS directory, Exif (CIPA DC-008) table 15. A reference comes
// before its value, but for those of a coordinate, a latitude's before a longitude's.
const (
	gpsVersionID = iota
	gpsLatitudeRef
	gpsLatitude
	gpsLongitudeRef
	gpsLongitude
	gpsAltitudeRef
	gpsAltitude
	gpsTimeStamp
	gpsSatellites
	gpsStatus
	gpsMeasureMode
	gpsDOP
	gpsSpeedRef
	gpsSpeed
	gpsTrackRef
	gpsTrack
	gpsImgDirectionRef
	gpsImgDirection
	gpsMapDatum
	gpsDestLatitudeRef
	gpsDestLatitude
	gpsDestLongitudeRef
	gpsDestLongitude
	gpsDestBearingRef
	gpsDestBearing
	gpsDestDistanceRef
	gpsDestDistance
	gpsProcessingMethod
	gpsAreaInformation
	gpsDateStamp
	gpsDifferential
	gpsHPositioningError
	gpsTags // how many
)

// gpsNames are the names of the tags, in XMP too.
var gpsNames = [gpsTags]string{
	"GPSVersionID", "GPSLatitudeRef", "GPSLatitude", "GPSLongitudeRef", "GPSLongitude",
	"GPSAltitudeRef", "GPSAltitude", "GPSTimeStamp", "GPSSatellites", "GPSStatus",
	"GPSMeasureMode", "GPSDOP", "GPSSpeedRef", "GPSSpeed", "GPSTrackRef", "GPSTrack",
	"GPSImgDirectionRef", "GPSImgDirection", "GPSMapDatum", "GPSDestLatitudeRef",
	"GPSDestLatitude", "GPSDestLongitudeRef", "GPSDestLongitude", "GPSDestBearingRef",
	"GPSDestBearing", "GPSDestDistanceRef", "GPSDestDistance", "GPSProcessingMethod",
	"GPSAreaInformation", "GPSDateStamp", "GPSDifferential", "GPSHPositioningError",
}

// Masks of the tags that are not read.
const (
	gpsUnread uint32 = 1<<gpsVersionID | 1<<gpsSatellites | 1<<gpsTrackRef | 1<<gpsTrack |
		1<<gpsAreaInformation
	gpsUnreadXMP = gpsUnread | 1<<gpsStatus | 1<<gpsMeasureMode | 1<<gpsSpeedRef | 1<<gpsSpeed | 1<<gpsDateStamp
)

// metresPer are the units of lengths and, by the hour, of speeds: kilometres, the
// international mile (1959), and nautical miles (BIPM, The International System of
// Units, table 8).
var metresPer = map[byte]float64{'K': 1000, 'M': 1609.344, 'N': 1852}

// Bounds beyond which a number counts as nonsense. They are common sense, no
// source: no photo is taken lower, higher or with a larger error.
const (
	minAltitude = -12_000    // below the deepest trench
	maxAltitude = 100_000    // the edge of space
	maxHError   = 20_037_509 // half the way around the Earth
	maxDistance = maxHError  // over ground
	firstGPS    = 1980       // the year GPS time began
)

// gpsEntries are the entries of the GPS directory that are read, by their tags; nil
// where there is none.
type gpsEntries [gpsTags]*ifd.Entry

// find finds the entries in the GPS directory, and warns of those that are none.
func (g *gpsEntries) find(r *exifReader, d *ifd.Dir) {
	var bad unfound
	for i := range d.Entries {
		e := &d.Entries[i]
		switch {
		case e.Tag >= gpsTags || gpsUnread&(1<<e.Tag) != 0:
			bad.note(e)
		case g[e.Tag] != nil:
			r.warn(WarnDuplicate, gpsNames[e.Tag], "the tag stands twice; the first is taken")
		default:
			g[e.Tag] = e
		}
	}
	bad.warn(r, "GPS", "GPSTag")
}

// gpsDir reads the GPS directory.
func (r *exifReader) gpsDir(d *ifd.Dir) {
	var g gpsEntries
	g.find(r, d)
	t := r.t
	t.Position = r.position(&g, gpsLatitude)
	r.altitude(&g)
	t.HPositioningError = t.positive("GPSHPositioningError", r.number(&g, gpsHPositioningError, 0, maxHError))
	t.DOP = t.positive("GPSDOP", r.number(&g, gpsDOP, 0, math.MaxUint32))
	if c := r.letter(&g, gpsMeasureMode, "23"); c != 0 {
		t.MeasureMode = int(c - '0')
	}
	if c := r.letter(&g, gpsStatus, "AV"); c != 0 {
		t.Status = string(c)
	}
	if e := g[gpsMapDatum]; e != nil {
		t.MapDatum = r.text(e, "GPSMapDatum")
	}
	if e := g[gpsProcessingMethod]; e != nil {
		t.ProcessingMethod = r.coded(e, "GPSProcessingMethod")
	}
	if e := g[gpsDifferential]; e != nil {
		v, ok := r.uint(e, "GPSDifferential")
		t.Differential = ok && v == 1
	}
	if t.Speed = r.scaled(&g, gpsSpeed); t.Speed != nil {
		*t.Speed /= 3600 // it is by the hour
	}
	t.Direction = r.direction(&g, gpsImgDirection)
	dest := Destination{
		Position: r.position(&g, gpsDestLatitude),
		Bearing:  r.direction(&g, gpsDestBearing),
		Distance: r.scaled(&g, gpsDestDistance),
	}
	if dest != (Destination{}) {
		t.Destination = &dest
	}
	r.gpsTime(g[gpsDateStamp], g[gpsTimeStamp])
}

// angle is a coordinate as read.
type angle struct {
	deg, step     float64
	stated, sound bool
}

// dmsParts are degrees, minutes and seconds, or hours, minutes and seconds, as
// read: up to three numbers with the step of each.
type dmsParts [3]struct{ v, step float64 }

// perUnit is how many minutes and seconds a degree has.
var perUnit = [3]float64{1, 60, 3600}

var angleUnits = [3]string{"degrees", "minutes", "seconds"}

// angle puts the first n of degrees, minutes and seconds together. Each may have a
// fraction if what follows it is zero. The step is that of the one with a fraction,
// or the finest one.
func (t *Tag) angle(name string, s *dmsParts, n int, limit float64) angle {
	a := angle{step: math.Inf(1), stated: true}
	fraction := -1
	for i, x := range s[:n] {
		if i > 0 && x.v >= 60 {
			t.warn(WarnOutOfRange, name, "%s are %g, which is 60 or more", angleUnits[i], x.v)
			return a
		}
		if fraction >= 0 && x.v != 0 {
			t.warn(WarnAmbiguous, name, "%s have a fraction, yet %s follow", angleUnits[fraction], angleUnits[i])
			return a
		}
		a.deg += x.v / perUnit[i]
		if step := x.step / perUnit[i]; x.v != math.Trunc(x.v) {
			fraction, a.step = i, step
		} else if fraction < 0 {
			a.step = min(a.step, step)
		}
	}
	if a.sound = a.deg <= limit; !a.sound {
		t.warn(WarnOutOfRange, name, "%g degrees is beyond %g", a.deg, limit)
	}
	return a
}

// signed is an angle in the hemisphere of a letter, without negative zero.
func (a angle) signed(letter, negative byte) angle {
	if letter == negative && a.deg != 0 {
		a.deg = -a.deg
	}
	a.sound = a.sound && letter != 0
	return a
}

// position makes a position of coordinates whose fields have the names given; nil
// where there is none that is plausible.
func (t *Tag) position(source, latName, lonName string, lat, lon angle) *Position {
	switch {
	case lat.stated && !lon.stated:
		t.warn(WarnIncomplete, lonName, "there is a latitude and no longitude")
	case lon.stated && !lat.stated:
		t.warn(WarnIncomplete, latName, "there is a longitude and no latitude")
	case !lat.sound || !lon.sound:
	case lat.deg == 0 && lon.deg == 0:
		t.warn(WarnNullIsland, latName, "latitude and longitude are exactly 0, which a receiver without a fix writes")
	default:
		return &Position{Lat: lat.deg, Lon: lon.deg, Step: max(lat.step, lon.step), Source: source}
	}
	return nil
}

// position reads a pair of coordinates; lat is the tag of the latitude.
func (r *exifReader) position(g *gpsEntries, lat int) *Position {
	if g[lat] == nil && g[lat+2] == nil {
		return nil
	}
	return r.t.position(SourceExif, gpsNames[lat], gpsNames[lat+2],
		r.coordinate(g, lat, "NS", 90), r.coordinate(g, lat+2, "EW", 180))
}

// coordinate reads one coordinate with its reference.
func (r *exifReader) coordinate(g *gpsEntries, tag int, hemispheres string, limit float64) angle {
	e, name := g[tag], gpsNames[tag]
	if e == nil {
		return angle{}
	}
	letter := r.reference(g, tag, hemispheres, "the hemisphere")
	if e.Type != ifd.Rational || e.Count == 0 || e.Count > 3 || !e.Sound {
		r.unsound(e, name, "3 rationals")
		return angle{stated: true}
	}
	if e.Count < 3 {
		r.warn(WarnWrongType, name, "%d rationals where 3 are due; taken as degrees and minutes", e.Count)
	}
	var s dmsParts
	for i := range int(e.Count) {
		num, den, _ := r.b.Rational(e, i)
		if den == 0 {
			r.warn(WarnZeroDenominator, name, "%s are %d/0", angleUnits[i], num)
			return angle{stated: true}
		}
		s[i].v, s[i].step = float64(num)/float64(den), 1/float64(den)
	}
	return r.t.angle(name, &s, int(e.Count), limit).signed(letter, hemispheres[1])
}

// altitude reads the height and what it is measured from.
func (r *exifReader) altitude(g *gpsEntries) {
	v := r.number(g, gpsAltitude, 0, math.MaxUint32)
	if v == nil {
		return
	}
	ref := -1
	if e := g[gpsAltitudeRef]; e != nil {
		if e.Type != ifd.Byte || e.Count != 1 {
			r.unsound(e, "GPSAltitudeRef", "1 byte")
			return // above or below is unknown
		}
		n, _ := r.b.Uint(e, 0)
		ref = int(n)
	}
	r.t.Altitude = r.t.altitude("GPSAltitude", *v, ref, r.t.ExifVersion)
}

// altitude applies a GPSAltitudeRef, -1 for none. Exif 3.0 gave the values 0 and 1
// another meaning and added 2 and 3 (from memory), so that the version decides.
func (t *Tag) altitude(name string, metres float64, ref int, version string) *Altitude {
	a := Altitude{Metres: metres}
	switch {
	case ref > 3:
		t.warn(WarnBadRef, name+"Ref", "%d is none of 0 to 3", ref)
		return nil
	case ref >= 2:
		a.Ref = AltitudeSeaLevel
	case ref >= 0 && version >= "0300":
		a.Ref = AltitudeEllipsoidal
	case ref >= 0:
		a.Ref = AltitudeAmbiguous
	}
	if ref > 0 && ref%2 == 1 && metres != 0 {
		a.Metres = -metres
	}
	if a.Metres < minAltitude || a.Metres > maxAltitude {
		t.warn(WarnOutOfRange, name, "%g m", a.Metres)
		return nil
	}
	return &a
}

// direction reads an angle in [0, 360) with its reference.
func (r *exifReader) direction(g *gpsEntries, tag int) *Direction {
	if g[tag] == nil {
		return nil
	}
	return direction(r.number(g, tag, 0, 360), r.reference(g, tag, "TM", trueOrMagnetic))
}

const trueOrMagnetic = "whether true or magnetic north is meant"

// direction makes a direction of degrees and the letter of its reference; nil where
// one of them is missing.
func direction(degrees *float64, letter byte) *Direction {
	if degrees == nil || letter == 0 {
		return nil
	}
	return &Direction{Degrees: math.Mod(*degrees, 360), Magnetic: letter == 'M'}
}

// scaled reads a length, or a length per hour, in K (kilometres), M (miles) or N
// (nautical miles), as metres.
func (r *exifReader) scaled(g *gpsEntries, tag int) *float64 {
	if g[tag] == nil {
		return nil
	}
	return scaled(r.number(g, tag, 0, maxDistance), r.reference(g, tag, "KMN", "the unit"))
}

func scaled(v *float64, unit byte) *float64 {
	if v == nil || unit == 0 {
		return nil
	}
	*v *= metresPer[unit]
	return v
}

// number reads the one rational of an entry as a number in [lo, hi].
func (r *exifReader) number(g *gpsEntries, tag int, lo, hi float64) *float64 {
	if g[tag] == nil {
		return nil
	}
	return r.rational(g[tag], gpsNames[tag], lo, hi)
}

func (r *exifReader) rational(e *ifd.Entry, name string, lo, hi float64) *float64 {
	num, den, ok := r.b.Rational(e, 0)
	if !ok || e.Count != 1 {
		r.unsound(e, name, "1 rational")
		return nil
	}
	if den == 0 {
		r.warn(WarnZeroDenominator, name, "%d/0", num)
		return nil
	}
	return r.t.within(name, float64(num)/float64(den), lo, hi)
}

func (t *Tag) within(name string, v, lo, hi float64) *float64 {
	if v < lo || v > hi {
		t.warn(WarnOutOfRange, name, "%g is not in %g to %g", v, lo, hi)
		return nil
	}
	return &v
}

// positive is v where it is above 0: an error of exactly 0 is none that was measured.
func (t *Tag) positive(name string, v *float64) *float64 {
	if v != nil && *v == 0 {
		t.warn(WarnOutOfRange, name, "it is exactly 0")
		return nil
	}
	return v
}

// reference reads the reference of a tag, one of the letters; 0 where it isn't.
func (r *exifReader) reference(g *gpsEntries, tag int, letters, what string) byte {
	e, name, s := g[tag-1], gpsNames[tag-1], ""
	if e != nil {
		if e.Type != ifd.ASCII {
			r.unsound(e, name, "text")
			return 0
		}
		s = strings.TrimSpace(r.text(e, name))
	}
	return r.t.reference(name, s, letters, what)
}

func (t *Tag) reference(name, s, letters, what string) byte {
	if s == "" {
		t.warn(WarnMissingRef, name, "there is no reference, so that %s is unknown", what)
	}
	return t.oneOf(WarnBadRef, name, s, letters)
}

// letter reads a text that is empty or one of the letters; 0 where it isn't.
func (r *exifReader) letter(g *gpsEntries, tag int, letters string) byte {
	if g[tag] == nil {
		return 0
	}
	return r.t.oneOf(WarnOutOfRange, gpsNames[tag], r.text(g[tag], gpsNames[tag]), letters)
}

// oneOf is s where that is one of the letters, and else 0, with a warning unless it
// is empty.
func (t *Tag) oneOf(code WarningCode, name, s, letters string) byte {
	if len(s) == 1 && strings.Contains(letters, s) {
		return s[0]
	}
	if s != "" {
		t.warn(code, name, "%q is none of %s", s, strings.Join(strings.Split(letters, ""), ", "))
	}
	return 0
}

// gpsTime puts GPSDateStamp and GPSTimeStamp together; both may be nil.
func (r *exifReader) gpsTime(date, stamp *ifd.Entry) {
	if stamp == nil {
		if date != nil {
			r.warn(WarnIncomplete, "GPSTimeStamp", "there is a GPS date and no GPS time")
		}
		return
	}
	clock, clockOK := r.clock(stamp)
	if date == nil {
		r.warn(WarnIncomplete, "GPSDateStamp", "there is a GPS time and no GPS date")
		return
	}
	s := r.text(date, "GPSDateStamp")
	day, ok := parseTime(s, "0000:00:00")
	switch {
	case blank(s):
		if date.Sound && date.Type == ifd.ASCII {
			r.warn(WarnIncomplete, "GPSDateStamp", "the GPS date is empty")
		}
	case !ok || day.Year() < firstGPS:
		r.warn(WarnOutOfRange, "GPSDateStamp", "%q is no date of GPS", s)
	case clockOK:
		when := day.Add(clock)
		r.t.GPSTime = &when
	}
}

// clock reads hours, minutes and seconds. A leap second, 23:59:60, is the next
// day's first.
func (r *exifReader) clock(e *ifd.Entry) (time.Duration, bool) {
	const name = "GPSTimeStamp"
	if e.Type != ifd.Rational || e.Count != 3 || !e.Sound {
		r.unsound(e, name, "3 rationals")
		return 0, false
	}
	var v [3]time.Duration // in the unit, as 1e-9 of it
	for i := range v {
		num, den, _ := r.b.Rational(e, i)
		if den == 0 {
			r.warn(WarnZeroDenominator, name, "number %d of hours, minutes and seconds is %d/0", i+1, num)
			return 0, false
		}
		// num*1e9 is below 2^62.
		v[i] = time.Duration((uint64(num)*1e9 + uint64(den)/2) / uint64(den))
	}
	return r.clockOf(name, v)
}

// clockOf puts hours, minutes and seconds together, each as 1e-9 of the unit.
func (r *exifReader) clockOf(name string, v [3]time.Duration) (time.Duration, bool) {
	const one = time.Duration(1e9)
	seconds := 60 * one
	if v[0] == 23*one && v[1] == 59*one {
		seconds += one
	}
	if v[0] >= 24*one || v[1] >= 60*one || v[2] >= seconds {
		r.warn(WarnOutOfRange, name, "%g:%g:%g is no time of day", v[0].Seconds(), v[1].Seconds(), v[2].Seconds())
		return 0, false
	}
	if v[0]%one != 0 && v[1]+v[2] != 0 || v[1]%one != 0 && v[2] != 0 {
		r.warn(WarnAmbiguous, name, "hours or minutes have a fraction, yet more follows")
		return 0, false
	}
	return v[0]*3600 + v[1]*60 + v[2], true
}

// Defaults of an Edit.
const (
	defaultDatum  = "WGS-84" // the form Exif recommends
	defaultMethod = "SURVEY"
)

// arcStep is the unit of the seconds written: a microsecond of arc, 0.03 mm on
// the ground, so rounding moves a position by 0.015 mm at most along each axis.
const arcStep = 1_000_000

// arc is an angle in whole units of arcStep, and the letter of its hemisphere. Zero
// is never negative.
func arc(deg float64, hemispheres string) (n uint64, letter byte) {
	n = uint64(math.Round(math.Abs(deg) * 3600 * arcStep))
	if deg < 0 && n != 0 {
		return n, hemispheres[1]
	}
	return n, hemispheres[0]
}

// coordinate is an angle as Exif holds it: three rationals and a hemisphere. It
// is rounded as a whole before it is split, so no part of it reaches 60.
func coordinate(deg float64, hemispheres string) (dms [6]uint32, ref byte) {
	n, ref := arc(deg, hemispheres)
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
	n, ref := arc(deg, hemispheres)
	rest := n % (3600 * arcStep) * 1000 // in 1e-9 seconds, below 3.6e12
	minutes := (rest + 30) / 60         // in 1e-9 minutes, below 60e9
	return fmt.Sprintf("%d,%02d.%09d%c", n/(3600*arcStep), minutes/1e9, minutes%1e9, ref)
}

// fitted is v as a rational with the first of the denominators that fits; false where
// none does.
func fitted(v float64, denominators ...float64) (num, den uint32, ok bool) {
	for _, d := range denominators {
		if n := math.Round(v * d); n <= math.MaxUint32 {
			return uint32(n), uint32(d), true
		}
	}
	return 0, 0, false
}

// metresRational is a length in metres as a rational, to 0.1 mm where it fits
// and never zero.
func metresRational(m float64) (num, den uint32, ok bool) {
	num, den, ok = fitted(m, 1e4, 1e2, 1)
	return max(num, 1), den, ok
}

// kilometresRational is a length in metres as a rational of kilometres, to the
// millimetre where it fits.
func kilometresRational(m float64) (num, den uint32, ok bool) { return fitted(m/1000, 1e6, 1e3, 1) }

// bearingRational is a bearing in [0, 360) to 1e-5 degrees; what rounds up to a
// full circle is north.
func bearingRational(deg float64) (num, den uint32) {
	return uint32(math.Round(deg*1e5)) % 360e5, 1e5
}

// datum is the name that is written as GPSMapDatum.
func (e Edit) datum() string { return cmp.Or(e.MapDatum, defaultDatum) }

// sameDatum reports whether two datum names differ only in spelling, such as
// "WGS-84" and "WGS84". An empty name is WGS 84, see Edit.
func sameDatum(a, b string) bool {
	norm := func(s string) string {
		return strings.Map(func(r rune) rune {
			if unicode.IsLetter(r) || unicode.IsDigit(r) {
				return unicode.ToUpper(r)
			}
			return -1
		}, cmp.Or(s, defaultDatum))
	}
	return norm(a) == norm(b)
}

// gpsField is one tag of the GPS directory as it is to be.
type gpsField struct {
	tag, typ uint16
	count    uint32
	value    []byte // in the block's byte order
	xmp      string // as XMP has it
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

// gpsFields collects the tags that an edit writes.
type gpsFields struct {
	order binary.ByteOrder
	set   []gpsField
}

func (f *gpsFields) ascii(tag uint16, s string) {
	f.set = append(f.set, gpsField{tag, ifd.ASCII, uint32(len(s) + 1), append([]byte(s), 0), s})
}

func (f *gpsFields) rational(tag uint16, xmp string, v ...uint32) {
	var b []byte
	for _, x := range v {
		b = f.order.(binary.AppendByteOrder).AppendUint32(b, x)
	}
	f.set = append(f.set, gpsField{tag, ifd.Rational, uint32(len(v) / 2), b, cmp.Or(xmp, fmt.Sprintf("%d/%d", v[0], v[1]))})
}

// coordinates adds a position, of which lat is the latitude's tag.
func (f *gpsFields) coordinates(lat uint16, e Edit) {
	for i, c := range []struct {
		deg         float64
		hemispheres string
	}{{e.Lat, "NS"}, {e.Lon, "EW"}} {
		tag := lat + 2*uint16(i)
		dms, ref := coordinate(c.deg, c.hemispheres)
		f.ascii(tag-1, string(ref))
		f.rational(tag, xmpCoordinate(c.deg, c.hemispheres), dms[:]...)
	}
}

// fields lists what the edit writes into a GPS directory, ascending by tag,
// and the tags that must not stand in it any longer. version is the one that
// gpsVersion gave. The edit must have passed check.
func (e Edit) fields(order binary.ByteOrder, version [4]byte) (set []gpsField, drop []uint16) {
	f := gpsFields{order: order}
	if e.Meaning == CameraPosition {
		f.coordinates(gpsDestLatitude, e)
		if e.Bearing != nil {
			num, den := bearingRational(*e.Bearing)
			f.ascii(gpsDestBearingRef, "T")
			f.rational(gpsDestBearing, "", num, den)
		} else {
			drop = append(drop, gpsDestBearingRef, gpsDestBearing)
		}
		if e.Distance != nil {
			num, den, _ := kilometresRational(*e.Distance)
			f.ascii(gpsDestDistanceRef, "K")
			f.rational(gpsDestDistance, "", num, den)
		} else {
			drop = append(drop, gpsDestDistanceRef, gpsDestDistance)
		}
		return f.set, drop
	}
	f.set = append(f.set, gpsField{gpsVersionID, ifd.Byte, 4, version[:], fmt.Sprintf("%d.%d.%d.%d", version[0], version[1], version[2], version[3])})
	f.coordinates(gpsLatitude, e)
	f.ascii(gpsMapDatum, e.datum())
	method := cmp.Or(e.ProcessingMethod, defaultMethod)
	coded := []byte("ASCII\x00\x00\x00" + method)
	f.set = append(f.set, gpsField{gpsProcessingMethod, ifd.Undefined, uint32(len(coded)), coded, method})
	num, den, _ := metresRational(e.HPositioningError)
	f.rational(gpsHPositioningError, "", num, den)
	return f.set, []uint16{gpsSatellites, gpsStatus, gpsMeasureMode, gpsDOP, gpsDifferential}
}
