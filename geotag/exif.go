package geotag

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"example.com/phototie/geotag/internal/ifd"
)

// Tags of the first directory, TIFF 6.0 and Exif (CIPA DC-008) table 4. The XP
// tags are common practice, no source.
const (
	tagImageDescription = 0x010E
	tagMake             = 0x010F
	tagModel            = 0x0110
	tagOrientation      = 0x0112
	tagSoftware         = 0x0131
	tagDateTime         = 0x0132
	tagXPTitle          = 0x9C9B
	tagXPComment        = 0x9C9C
	tagXPKeywords       = 0x9C9E
	tagXPSubject        = 0x9C9F
)

// Tags of the Exif directory, Exif tables 7 and 8.
const (
	tagExifVersion        = 0x9000
	tagDateTimeOriginal   = 0x9003
	tagOffsetTime         = 0x9010
	tagOffsetTimeOriginal = 0x9011
	tagSubjectDistance    = 0x9206
	tagUserComment        = 0x9286
	tagSubSecTimeOriginal = 0x9291
	tagPixelXDimension    = 0xA002
	tagPixelYDimension    = 0xA003
	tagBodySerialNumber   = 0xA431
)

// Tags of the GPS directory that are read and never written, Exif table 15. The
// others stand with the writing.
const (
	gpsAltitudeRef     = 5
	gpsAltitude        = 6
	gpsTimeStamp       = 7
	gpsSpeedRef        = 12
	gpsSpeed           = 13
	gpsTrackRef        = 14
	gpsTrack           = 15
	gpsImgDirectionRef = 16
	gpsImgDirection    = 17
	gpsAreaInformation = 28
	gpsDateStamp       = 29
)

// metresPer are the units of lengths and, by the hour, of speeds: kilometres, the
// international mile (1959), and nautical miles (BIPM, The International System of
// Units, table 8).
var metresPer = map[byte]float64{'K': 1000, 'M': 1609.344, 'N': 1852}

const secondsPerHour = 3600

// Bounds beyond which a number counts as nonsense. They are common sense, no
// source: no photo is taken lower, higher or with a larger error.
const (
	minAltitude = -12_000    // below the deepest trench
	maxAltitude = 100_000    // the edge of space
	maxHError   = 20_037_509 // half the way around the Earth
	firstGPS    = 1980       // the year GPS time began
	infinite    = 0xFFFFFFFF // numerator of SubjectDistance for "infinity"
	maxDistance = maxHError  // for distances over ground
)

// exifReader interprets one TIFF structure into a Tag.
type exifReader struct {
	t     *Tag
	b     *ifd.Block
	whole bool // the structure is a TIFF file, and no block in one
	// What the directories say that is put together later.
	exif, gps                                          uint32 // offsets, 0 for none
	width, height                                      int    // as the Exif directory states them
	dateTime, original, subSec, offset, offsetOriginal string
}

// readExif fills t from a TIFF structure: the first directory, the Exif and the
// GPS directory. It returns the pixel dimensions stated, 0 where there are none.
// Whatever is wrong with the structure becomes a warning. t keeps no part of
// block.
func readExif(t *Tag, block []byte) (width, height int) {
	r := exifReader{t: t}
	var err error
	if r.b, err = ifd.Parse(block); err != nil {
		r.warn(WarnCorrupt, "Exif", "%v", err)
		return 0, 0
	}
	d := dirs.Get().(*ifd.Dir)
	defer dirs.Put(d)
	if err := r.b.ReadDir(d, r.b.First); err != nil {
		r.warn(WarnCorrupt, "Exif", "%v", err)
		return 0, 0
	}
	if _, err := r.b.Chain(); err != nil {
		r.warn(WarnCorrupt, "Exif", "%v", err)
	}
	r.directories(d)
	return r.width, r.height
}

// dirs are directories for reading those of the next block into. They keep no part
// of the last one but numbers.
var dirs = sync.Pool{New: func() any { return new(ifd.Dir) }}

// directories reads the first directory, which d holds, and the Exif and the GPS
// directory. It uses d for them.
func (r *exifReader) directories(d *ifd.Dir) {
	r.fields(d, firstFields, "IFD0", "Exif")
	if r.exif != 0 && r.follow(d, r.exif, "ExifTag", r.b.First) {
		r.fields(d, exifFields, "Exif", "ExifTag")
		r.taken()
	}
	if r.gps != 0 && r.follow(d, r.gps, "GPSTag", r.b.First, r.exif) {
		r.gpsDir(d)
	}
}

// follow reads the directory at off into d, unless it is one of others.
func (r *exifReader) follow(d *ifd.Dir, off uint32, field string, others ...uint32) bool {
	if slices.Contains(others, off) {
		r.warn(WarnCorrupt, field, "it points to another directory, at offset %d: a loop", off)
		return false
	}
	if err := r.b.ReadDir(d, off); err != nil {
		r.warn(WarnCorrupt, field, "%v", err)
		return false
	}
	return true
}

func (r *exifReader) warn(code WarningCode, field, format string, args ...any) {
	r.t.warn(code, field, format, args...)
}

func (t *Tag) warn(code WarningCode, field, format string, args ...any) {
	t.Warnings = append(t.Warnings, Warning{code, field, fmt.Sprintf(format, args...)})
}

// exifField is a tag of the first or the Exif directory that is read: a plain text,
// which goes where text says, or what read makes of it.
type exifField struct {
	tag  uint16
	name string
	text func(r *exifReader) *string
	read func(r *exifReader, e *ifd.Entry, name string)
}

var firstFields = []exifField{
	{tag: tagImageDescription, name: "ImageDescription", text: func(r *exifReader) *string { return &r.t.Texts.ImageDescription }},
	{tag: tagMake, name: "Make", text: func(r *exifReader) *string { return &r.t.Make }},
	{tag: tagModel, name: "Model", text: func(r *exifReader) *string { return &r.t.Model }},
	{tag: tagOrientation, name: "Orientation", read: func(r *exifReader, e *ifd.Entry, name string) {
		if v, ok := r.uint(e, name); ok && (v < 1 || v > 8) {
			r.warn(WarnOutOfRange, name, "%d is none of 1 to 8", v)
		} else {
			r.t.Orientation = int(v)
		}
	}},
	{tag: tagSoftware, name: "Software", text: func(r *exifReader) *string { return &r.t.Software }},
	{tag: tagDateTime, name: "DateTime", text: func(r *exifReader) *string { return &r.dateTime }},
	{tag: pointerExif, name: "ExifTag", read: func(r *exifReader, e *ifd.Entry, name string) { r.exif = r.pointer(e, name) }},
	{tag: pointerGPS, name: "GPSTag", read: func(r *exifReader, e *ifd.Entry, name string) { r.gps = r.pointer(e, name) }},
	{tag: tagXPTitle, name: "XPTitle", read: func(r *exifReader, e *ifd.Entry, name string) { r.t.Texts.Title = r.xp(e, name) }},
	{tag: tagXPComment, name: "XPComment", read: func(r *exifReader, e *ifd.Entry, name string) { r.t.Texts.Comment = r.xp(e, name) }},
	{tag: tagXPKeywords, name: "XPKeywords", read: func(r *exifReader, e *ifd.Entry, name string) {
		for k := range strings.SplitSeq(r.xp(e, name), ";") {
			r.t.addKeyword(k)
		}
	}},
	{tag: tagXPSubject, name: "XPSubject", read: func(r *exifReader, e *ifd.Entry, name string) { r.t.Texts.Subject = r.xp(e, name) }},
}

var exifFields = []exifField{
	{tag: tagExifVersion, name: "ExifVersion", read: func(r *exifReader, e *ifd.Entry, name string) {
		if v := r.b.Value(e); len(v) == 4 {
			r.t.ExifVersion = strings.ToValidUTF8(string(bytes.TrimRight(v, " \x00")), "\uFFFD")
		} else {
			r.unsound(e, name, "4 characters")
		}
	}},
	{tag: tagDateTimeOriginal, name: "DateTimeOriginal", text: func(r *exifReader) *string { return &r.original }},
	{tag: tagOffsetTime, name: "OffsetTime", text: func(r *exifReader) *string { return &r.offset }},
	{tag: tagOffsetTimeOriginal, name: "OffsetTimeOriginal", text: func(r *exifReader) *string { return &r.offsetOriginal }},
	{tag: tagSubjectDistance, name: "SubjectDistance", read: func(r *exifReader, e *ifd.Entry, name string) {
		// A numerator of 0 is "unknown" and one of 2^32-1 "infinity", Exif table 8
		// (from memory).
		if num, _, ok := r.b.Rational(e, 0); !ok || num != 0 && num != infinite {
			r.t.SubjectDistance = r.number(e, name, 0, maxDistance)
		}
	}},
	{tag: tagUserComment, name: "UserComment", read: func(r *exifReader, e *ifd.Entry, name string) { r.t.Texts.UserComment = r.coded(e, name) }},
	{tag: tagSubSecTimeOriginal, name: "SubSecTimeOriginal", text: func(r *exifReader) *string { return &r.subSec }},
	{tag: tagPixelXDimension, name: "PixelXDimension", read: func(r *exifReader, e *ifd.Entry, name string) { r.width = r.pixels(e, name) }},
	{tag: tagPixelYDimension, name: "PixelYDimension", read: func(r *exifReader, e *ifd.Entry, name string) { r.height = r.pixels(e, name) }},
	{tag: tagBodySerialNumber, name: "BodySerialNumber", text: func(r *exifReader) *string { return &r.t.Serial }},
}

// fields reads a directory. field is the name that a warning of its other entries
// goes by.
func (r *exifReader) fields(d *ifd.Dir, fields []exifField, directory, field string) {
	var seen uint32 // a bit for each field
	var bad unfound
	for i := range d.Entries {
		e := &d.Entries[i]
		n := 0
		for n < len(fields) && fields[n].tag != e.Tag {
			n++
		}
		if n == len(fields) {
			bad.note(e)
			continue
		}
		f := &fields[n]
		switch {
		case seen&(1<<n) != 0:
			r.warn(WarnDuplicate, f.name, "the tag stands twice; the first is taken")
		case f.text != nil:
			*f.text(r) = r.text(e, f.name)
		default:
			f.read(r, e, f.name)
		}
		seen |= 1 << n
	}
	bad.warn(r, directory, field)
}

func (t *Tag) addKeyword(k string) {
	if k = strings.TrimSpace(k); k != "" && !slices.Contains(t.Texts.Keywords, k) {
		t.Texts.Keywords = append(t.Texts.Keywords, k)
	}
}

// taken puts together DateTimeOriginal, its fraction and its zone.
func (r *exifReader) taken() {
	if blank(r.original) {
		return // "unknown" by the standard
	}
	when, ok := parseDateTime(r.original)
	if !ok {
		r.warn(WarnOutOfRange, "DateTimeOriginal", "%q is no date and time", r.original)
		return
	}
	if s := strings.TrimSpace(r.subSec); s != "" {
		if ns, ok := parseSubSec(s); ok {
			when = when.Add(ns)
		} else {
			r.warn(WarnOutOfRange, "SubSecTimeOriginal", "%q is no fraction of a second", r.subSec)
		}
	}
	r.t.Taken = &Taken{Time: when}
	// OffsetTime belongs to DateTime, the time of the last change of the file.
	field, zone := "OffsetTimeOriginal", r.offsetOriginal
	if blank(zone) && r.original == r.dateTime {
		field, zone = "OffsetTime", r.offset
	}
	if blank(zone) {
		return
	}
	loc, ok := parseOffset(zone)
	if !ok {
		r.warn(WarnOutOfRange, field, "%q is no offset from UTC", zone)
		return
	}
	y, mo, d := when.Date()
	h, mi, s := when.Clock()
	r.t.Taken.Time = time.Date(y, mo, d, h, mi, s, when.Nanosecond(), loc)
	r.t.Taken.HasOffset = true
}

// gpsEntries are the entries of the GPS directory that are read, by their tags; nil
// where there is none.
type gpsEntries [gpsHPositioningError + 1]*ifd.Entry

// gpsDir reads the GPS directory.
func (r *exifReader) gpsDir(d *ifd.Dir) {
	var g gpsEntries
	var bad unfound
	for i := range d.Entries {
		e := &d.Entries[i]
		switch {
		case int(e.Tag) >= len(g) || gpsUnread&(1<<e.Tag) != 0:
			bad.note(e)
		case g[e.Tag] != nil:
			r.warn(WarnDuplicate, gpsNames[e.Tag], "the tag stands twice; the first is taken")
		default:
			g[e.Tag] = e
		}
	}
	bad.warn(r, "GPS", "GPSTag")
	t := r.t
	t.Position = r.position(&g, gpsLatitudeRef)
	r.altitude(g[gpsAltitude], g[gpsAltitudeRef])
	t.HPositioningError = r.positive(g[gpsHPositioningError], "GPSHPositioningError", maxHError)
	t.DOP = r.positive(g[gpsDOP], "GPSDOP", math.MaxUint32)
	if c := r.letter(g[gpsMeasureMode], "GPSMeasureMode", "23"); c != 0 {
		t.MeasureMode = int(c - '0')
	}
	if c := r.letter(g[gpsStatus], "GPSStatus", "AV"); c != 0 {
		t.Status = string(c)
	}
	if e := g[gpsMapDatum]; e != nil {
		t.MapDatum = r.text(e, "GPSMapDatum")
	}
	if e := g[gpsProcessingMethod]; e != nil {
		t.ProcessingMethod = r.coded(e, "GPSProcessingMethod")
	}
	if v := r.scaled(g[gpsSpeed], g[gpsSpeedRef], "GPSSpeed"); v != nil {
		*v /= secondsPerHour
		t.Speed = v
	}
	t.Direction = r.direction(g[gpsImgDirection], g[gpsImgDirectionRef], "GPSImgDirection")
	dest := Destination{
		Position: r.position(&g, gpsDestLatitudeRef),
		Bearing:  r.direction(g[gpsDestBearing], g[gpsDestBearingRef], "GPSDestBearing"),
		Distance: r.scaled(g[gpsDestDistance], g[gpsDestDistanceRef], "GPSDestDistance"),
	}
	if dest != (Destination{}) {
		t.Destination = &dest
	}
	r.gpsTime(g[gpsDateStamp], g[gpsTimeStamp])
}

// position reads a pair of coordinates; ref is the tag of the latitude's
// reference, which latitude, longitude's reference and longitude follow.
func (r *exifReader) position(g *gpsEntries, ref int) *Position {
	lat, lon := g[ref+1], g[ref+3]
	switch {
	case lat == nil && lon == nil:
		return nil
	case lat == nil:
		r.warn(WarnIncomplete, gpsNames[ref+1], "there is a longitude and no latitude")
	case lon == nil:
		r.warn(WarnIncomplete, gpsNames[ref+3], "there is a latitude and no longitude")
	}
	y, yStep, yOK := r.coordinate(lat, g[ref], gpsNames[ref+1], "NS", 90)
	x, xStep, xOK := r.coordinate(lon, g[ref+2], gpsNames[ref+3], "EW", 180)
	if !yOK || !xOK {
		return nil
	}
	if x == 0 && y == 0 {
		r.warn(WarnNullIsland, gpsNames[ref+1], "latitude and longitude are exactly 0, which a receiver without a fix writes")
		return nil
	}
	return &Position{Lat: y, Lon: x, Step: max(yStep, xStep), Source: SourceExif}
}

// coordinate reads one coordinate with its reference; e may be nil.
func (r *exifReader) coordinate(e, ref *ifd.Entry, field, hemispheres string, limit float64) (deg, step float64, ok bool) {
	if e == nil {
		return 0, 0, false
	}
	letter := r.reference(ref, field+"Ref", hemispheres, "the hemisphere")
	deg, step, ok = r.sexagesimal(e, field)
	if ok && deg > limit {
		r.warn(WarnOutOfRange, field, "%g degrees is beyond %g", deg, limit)
		ok = false
	}
	if !ok || letter == 0 {
		return 0, 0, false
	}
	if letter == hemispheres[1] && deg != 0 { // no negative zero
		deg = -deg
	}
	return deg, step, true
}

// sexagesimal reads degrees, minutes and seconds. Each may have a fraction if
// what follows it is zero. The step is that of the last rational with a
// fraction; without one, the finest that the denominators can express.
func (r *exifReader) sexagesimal(e *ifd.Entry, field string) (deg, step float64, ok bool) {
	if e.Type != ifd.Rational || e.Count == 0 || e.Count > 3 || !e.Sound {
		r.unsound(e, field, "3 rationals")
		return 0, 0, false
	}
	if e.Count < 3 {
		r.warn(WarnWrongType, field, "%d rationals where 3 are due; taken as degrees and minutes", e.Count)
	}
	step = math.Inf(1)
	unit := 1.0 // degrees in a degree, a minute, a second
	fraction := -1
	for i := range int(e.Count) {
		num, den, _ := r.b.Rational(e, i)
		if den == 0 {
			r.warn(WarnZeroDenominator, field, "%s are %d/0", sexagesimalUnits[i], num)
			return 0, 0, false
		}
		if i > 0 && uint64(num) >= 60*uint64(den) {
			r.warn(WarnOutOfRange, field, "%s are %d/%d, which is 60 or more", sexagesimalUnits[i], num, den)
			return 0, 0, false
		}
		if fraction >= 0 && num != 0 {
			r.warn(WarnAmbiguous, field, "%s have a fraction, yet %s follow", sexagesimalUnits[fraction], sexagesimalUnits[i])
			return 0, 0, false
		}
		deg += float64(num) / float64(den) / unit60[i]
		unit = 1 / unit60[i] / float64(den)
		if num%den != 0 {
			fraction, step = i, unit
		} else if fraction < 0 {
			step = min(step, unit)
		}
	}
	return deg, step, true
}

var (
	sexagesimalUnits = [3]string{"degrees", "minutes", "seconds"}
	unit60           = [3]float64{1, 60, 3600}
)

// altitude reads the height and what it is measured from.
func (r *exifReader) altitude(e, ref *ifd.Entry) {
	v := r.number(e, "GPSAltitude", 0, math.MaxUint32)
	if v == nil {
		return
	}
	a := Altitude{Metres: *v}
	if ref != nil {
		if ref.Type != ifd.Byte || ref.Count != 1 {
			r.unsound(ref, "GPSAltitudeRef", "1 byte")
			return // above or below is unknown
		}
		n, _ := r.b.Uint(ref, 0)
		var ok bool
		if a, ok = altitudeBy(*v, n, r.t.ExifVersion); !ok {
			r.warn(WarnBadRef, "GPSAltitudeRef", "%d is none of 0 to 3", n)
			return
		}
	}
	if a.Metres < minAltitude || a.Metres > maxAltitude {
		r.warn(WarnOutOfRange, "GPSAltitude", "%g m", a.Metres)
		return
	}
	r.t.Altitude = &a
}

// altitudeBy applies a GPSAltitudeRef. Exif 3.0 gave the values 0 and 1 another
// meaning and added 2 and 3 (from memory), so that the version decides.
func altitudeBy(metres float64, ref uint32, version string) (Altitude, bool) {
	if ref > 3 {
		return Altitude{}, false
	}
	a := Altitude{Metres: metres, Ref: AltitudeSeaLevel}
	if ref%2 == 1 && metres != 0 {
		a.Metres = -metres
	}
	if ref < 2 {
		a.Ref = AltitudeAmbiguous
		if version >= "0300" {
			a.Ref = AltitudeEllipsoidal
		}
	}
	return a, true
}

// direction reads an angle in [0, 360) with its reference; e may be nil.
func (r *exifReader) direction(e, ref *ifd.Entry, field string) *Direction {
	if e == nil {
		return nil
	}
	v := r.number(e, field, 0, 360)
	letter := r.reference(ref, field+"Ref", "TM", "whether true or magnetic north is meant")
	if v == nil || letter == 0 {
		return nil
	}
	if *v == 360 {
		*v = 0
	}
	return &Direction{Degrees: *v, Magnetic: letter == 'M'}
}

// scaled reads a length, or the length per hour, in K (kilometres), M (miles)
// or N (nautical miles), as metres; e may be nil.
func (r *exifReader) scaled(e, ref *ifd.Entry, field string) *float64 {
	if e == nil {
		return nil
	}
	v := r.number(e, field, 0, maxDistance)
	letter := r.reference(ref, field+"Ref", "KMN", "the unit")
	if v == nil || letter == 0 {
		return nil
	}
	*v *= metresPer[letter]
	return v
}

// reference reads a reference that is one of the letters; 0 where it isn't.
func (r *exifReader) reference(ref *ifd.Entry, field, letters, what string) byte {
	if ref == nil {
		r.warn(WarnMissingRef, field, "there is no reference, so that %s is unknown", what)
		return 0
	}
	if ref.Type != ifd.ASCII {
		r.unsound(ref, field, "text")
		return 0
	}
	s := strings.TrimSpace(r.text(ref, field))
	if s == "" {
		r.warn(WarnMissingRef, field, "the reference is empty, so that %s is unknown", what)
	}
	return r.t.oneOf(WarnBadRef, field, s, letters)
}

// letter reads a text that is empty or one of the letters; 0 where it isn't, or
// where e is nil.
func (r *exifReader) letter(e *ifd.Entry, field, letters string) byte {
	if e == nil {
		return 0
	}
	return r.t.oneOf(WarnOutOfRange, field, r.text(e, field), letters)
}

// oneOf is s where that is one of the letters, and else 0, with a warning unless it
// is empty.
func (t *Tag) oneOf(code WarningCode, field, s, letters string) byte {
	if len(s) == 1 && strings.Contains(letters, s) {
		return s[0]
	}
	if s != "" {
		t.warn(code, field, "%q is none of %s", s, strings.Join(strings.Split(letters, ""), ", "))
	}
	return 0
}

// gpsTime puts GPSDateStamp and GPSTimeStamp together; both may be nil.
func (r *exifReader) gpsTime(date, stamp *ifd.Entry) {
	if date == nil && stamp == nil {
		return
	}
	if stamp == nil {
		r.warn(WarnIncomplete, "GPSTimeStamp", "there is a GPS date and no GPS time")
		return
	}
	clock, clockOK := r.clock(stamp)
	if date == nil {
		r.warn(WarnIncomplete, "GPSDateStamp", "there is a GPS time and no GPS date")
		return
	}
	s := r.text(date, "GPSDateStamp")
	if blank(s) {
		if date.Sound && date.Type == ifd.ASCII {
			r.warn(WarnIncomplete, "GPSDateStamp", "the GPS date is empty")
		}
		return
	}
	day, ok := parseDate(s)
	if !ok || day.Year() < firstGPS {
		r.warn(WarnOutOfRange, "GPSDateStamp", "%q is no date of GPS", s)
		return
	}
	if !clockOK {
		return
	}
	when := day.Add(clock)
	r.t.GPSTime = &when
}

// clock reads hours, minutes and seconds. A leap second, 23:59:60, is the next
// day's first.
func (r *exifReader) clock(e *ifd.Entry) (time.Duration, bool) {
	const field = "GPSTimeStamp"
	if e.Type != ifd.Rational || e.Count != 3 || !e.Sound {
		r.unsound(e, field, "3 rationals")
		return 0, false
	}
	const one = time.Duration(1e9)
	var v [3]time.Duration // in the unit, as 1e-9 of it
	for i := range v {
		num, den, _ := r.b.Rational(e, i)
		if den == 0 {
			r.warn(WarnZeroDenominator, field, "%s are %d/0", clockUnits[i], num)
			return 0, false
		}
		// num*1e9 is below 2^62.
		v[i] = time.Duration((uint64(num)*1e9 + uint64(den)/2) / uint64(den))
	}
	leap := v[0] == 23*one && v[1] == 59*one && v[2] < 61*one
	switch {
	case v[0] >= 24*one || v[1] >= 60*one || v[2] >= 60*one && !leap:
		r.warn(WarnOutOfRange, field, "%g:%g:%g is no time of day", v[0].Seconds(), v[1].Seconds(), v[2].Seconds())
		return 0, false
	case v[0]%one != 0 && v[1]+v[2] != 0, v[1]%one != 0 && v[2] != 0:
		r.warn(WarnAmbiguous, field, "hours or minutes have a fraction, yet more follows")
		return 0, false
	}
	return v[0]*3600 + v[1]*60 + v[2], true
}

var clockUnits = [3]string{"hours", "minutes", "seconds"}

// gpsUnread has a bit for each tag of the GPS directory that isn't read.
const gpsUnread uint32 = 1<<gpsVersionID | 1<<gpsSatellites | 1<<gpsTrackRef | 1<<gpsTrack |
	1<<gpsAreaInformation | 1<<gpsDifferential

// unfound counts the entries that are not read and whose values can't be found.
type unfound struct {
	n     int
	first uint16
}

func (s *unfound) note(e *ifd.Entry) {
	if e.Sound {
		return
	}
	if s.n == 0 {
		s.first = e.Tag
	}
	s.n++
}

// warn makes one warning of them all.
func (s *unfound) warn(r *exifReader, directory, field string) {
	if s.n > 0 {
		r.warn(WarnCorrupt, field, "%d values of the directory %s lie outside the block or are of no known type, %s the first",
			s.n, directory, exifName(directory, s.first))
	}
}

// unsound warns of an entry that isn't what is due.
func (r *exifReader) unsound(e *ifd.Entry, field, due string) {
	if size := ifd.Size(e.Type); !e.Sound && size != 0 {
		r.warn(WarnCorrupt, field, "its value, %d of %d bytes, lies outside the block of %d bytes", e.Count, size, r.b.Len())
		return
	}
	r.warn(WarnWrongType, field, "%d of type %s where %s should be", e.Count, typeName(e.Type), due)
}

var typeNames = [...]string{"", "BYTE", "ASCII", "SHORT", "LONG", "RATIONAL", "SBYTE", "UNDEFINED", "SSHORT", "SLONG", "SRATIONAL", "FLOAT", "DOUBLE", "IFD"}

func typeName(t uint16) string {
	if t == ifd.UTF8 {
		return "UTF-8"
	}
	if t == 0 || int(t) >= len(typeNames) {
		return fmt.Sprintf("%d", t)
	}
	return typeNames[t]
}

// uint reads the one value of an entry of a whole-number type.
func (r *exifReader) uint(e *ifd.Entry, field string) (uint32, bool) {
	v, ok := r.b.Uint(e, 0)
	if !ok || e.Count != 1 {
		r.unsound(e, field, "1 whole number")
		return 0, false
	}
	return v, true
}

// pointer reads the place of a directory, 0 where there is none. LONG is due; other
// types that leave no doubt are followed too, as common readers do.
func (r *exifReader) pointer(e *ifd.Entry, field string) uint32 {
	if e.Type != ifd.SLong && e.Type != ifd.IFD || e.Count != 1 {
		v, _ := r.uint(e, field)
		return v
	}
	if e.Type == ifd.SLong || !r.whole { // a TIFF file may have IFD
		r.warn(WarnWrongType, field, "a pointer of type %s where LONG is due", typeName(e.Type))
	}
	return e.Offset
}

// pixels reads the length of a side.
func (r *exifReader) pixels(e *ifd.Entry, field string) int {
	v, _ := r.uint(e, field)
	return int(min(v, math.MaxInt32))
}

// number reads the one rational of an entry as a number in [lo, hi]; e may be nil.
func (r *exifReader) number(e *ifd.Entry, field string, lo, hi float64) *float64 {
	if e == nil {
		return nil
	}
	num, den, ok := r.b.Rational(e, 0)
	if !ok || e.Count != 1 {
		r.unsound(e, field, "1 rational")
		return nil
	}
	if den == 0 {
		r.warn(WarnZeroDenominator, field, "%d/0", num)
		return nil
	}
	v := float64(num) / float64(den)
	if v < lo || v > hi {
		r.warn(WarnOutOfRange, field, "%g is not in %g to %g", v, lo, hi)
		return nil
	}
	return &v
}

// positive is number above 0: an error of exactly 0 is none that was measured.
func (r *exifReader) positive(e *ifd.Entry, field string, hi float64) *float64 {
	v := r.number(e, field, 0, hi)
	if v != nil && *v == 0 {
		r.warn(WarnOutOfRange, field, "it is exactly 0")
		return nil
	}
	return v
}

// text reads a text up to its first NUL, without trailing spaces. Bytes that
// are not UTF-8, of which ASCII is a part, come out as U+FFFD with a warning.
func (r *exifReader) text(e *ifd.Entry, field string) string {
	if !e.Sound || e.Type != ifd.ASCII && e.Type != ifd.UTF8 {
		r.unsound(e, field, "text")
		return ""
	}
	return r.utf8(r.value(e, field), field)
}

// maxTextValue is the longest text that is read, as much as a JPEG can hold.
const maxTextValue = 64 << 10

// value is the value of a text that is sound; of one that is too long it is nil,
// with a warning.
func (r *exifReader) value(e *ifd.Entry, field string) []byte {
	if e.ValueLen > maxTextValue {
		r.warn(WarnOutOfRange, field, "a text of %d bytes; %d are read at most", e.ValueLen, maxTextValue)
		return nil
	}
	return r.b.Value(e)
}

func (r *exifReader) utf8(v []byte, field string) string {
	if i := bytes.IndexByte(v, 0); i >= 0 {
		v = v[:i]
	}
	v = bytes.TrimRight(v, " ")
	if !utf8.Valid(v) {
		r.warn(WarnCharset, field, "the text holds bytes that are neither ASCII nor UTF-8")
		return strings.ToValidUTF8(string(v), "\uFFFD")
	}
	return string(v)
}

// xp reads one of the XP tags: UTF-16, little-endian whatever the block's order.
func (r *exifReader) xp(e *ifd.Entry, field string) string {
	if !e.Sound || e.Type != ifd.Byte && e.Type != ifd.Undefined {
		r.unsound(e, field, "UTF-16 in bytes")
		return ""
	}
	v := r.value(e, field)
	if len(v)%2 != 0 {
		r.warn(WarnCharset, field, "an odd number of bytes where UTF-16 is due")
	}
	return r.utf16(v, binary.LittleEndian, field)
}

// coded reads a text with an 8 byte character code before it, as UserComment
// and GPSProcessingMethod have (Exif 4.6.5, table 9, from memory).
func (r *exifReader) coded(e *ifd.Entry, field string) string {
	switch e.Type {
	case ifd.Undefined, ifd.ASCII, ifd.Byte, ifd.UTF8:
	default:
		r.unsound(e, field, "a coded text")
		return ""
	}
	if !e.Sound {
		r.unsound(e, field, "a coded text")
		return ""
	}
	v := r.value(e, field)
	if e.Type != ifd.Undefined {
		r.warn(WarnWrongType, field, "type %s where UNDEFINED is due", typeName(e.Type))
	}
	text := bytes.TrimRight(v, " \x00")
	if len(bytes.Trim(text, " \x00")) == 0 {
		return ""
	}
	code, rest := string(v[:min(len(v), 8)]), v[min(len(v), 8):]
	switch code {
	case "ASCII\x00\x00\x00":
		return r.utf8(rest, field)
	case "UNICODE\x00":
		return r.unicode(rest, field)
	case "JIS\x00\x00\x00\x00\x00":
		if len(bytes.Trim(rest, " \x00")) != 0 {
			r.warn(WarnCharset, field, "%d bytes of JIS text, which is not decoded", len(rest))
		}
		return ""
	case "\x00\x00\x00\x00\x00\x00\x00\x00": // none stated
		text = bytes.TrimRight(rest, " \x00")
	default:
		if e.Type == ifd.ASCII && string(text) == "ASCII" {
			return "" // the code and nothing after it
		}
		code = ""
	}
	if !utf8.Valid(text) || bytes.IndexByte(text, 0) >= 0 {
		r.warn(WarnCharset, field, "%d bytes in an unstated character code, which are not decoded", len(text))
		return ""
	}
	if code == "" {
		r.warn(WarnCharset, field, "the text has no character code before it")
	}
	return string(text)
}

// unicode reads UTF-16 in the block's byte order, or in that of its byte order
// mark. Where every unit would be a control character's or a CJK one and the
// other order gives plain ASCII throughout, the order is the other one.
func (r *exifReader) unicode(v []byte, field string) string {
	if len(v)%2 != 0 {
		r.warn(WarnCharset, field, "an odd number of bytes where UTF-16 is due")
		v = v[:len(v)-1]
	}
	order := r.b.Order
	switch {
	case bytes.HasPrefix(v, []byte{0xFE, 0xFF}):
		order, v = binary.BigEndian, v[2:]
	case bytes.HasPrefix(v, []byte{0xFF, 0xFE}):
		order, v = binary.LittleEndian, v[2:]
	case swappedASCII(v, order):
		r.warn(WarnCharset, field, "UTF-16 in the byte order that the block doesn't have")
		if order == binary.ByteOrder(binary.BigEndian) {
			order = binary.LittleEndian
		} else {
			order = binary.BigEndian
		}
	}
	return r.utf16(v, order, field)
}

// swappedASCII reports whether v is ASCII text, two characters or more, in the
// byte order opposite to order.
func swappedASCII(v []byte, order binary.ByteOrder) bool {
	n := 0
	for ; len(v) >= 2; v = v[2:] {
		u := order.Uint16(v)
		if u == 0 {
			break
		}
		if c := u >> 8; u&0xFF != 0 || c < 0x20 || c > 0x7E {
			return false
		}
		n++
	}
	return n >= 2
}

func (r *exifReader) utf16(v []byte, order binary.ByteOrder, field string) string {
	u := make([]uint16, 0, len(v)/2)
	for ; len(v) >= 2; v = v[2:] {
		c := order.Uint16(v)
		if c == 0 {
			break
		}
		u = append(u, c)
	}
	s := strings.TrimRight(string(utf16.Decode(u)), " ")
	if strings.ContainsRune(s, utf8.RuneError) {
		r.warn(WarnCharset, field, "the text holds units that are no UTF-16")
	}
	return s
}

// blank reports whether a date or an offset is one of the standard's forms of
// "unknown": empty, or blanks with or without the colons.
func blank(s string) bool { return strings.Trim(s, " :") == "" }

// parseDateTime reads "YYYY:MM:DD HH:MM:SS" as a time in UTC.
func parseDateTime(s string) (time.Time, bool) {
	s = strings.TrimRight(s, " ")
	if len(s) != 19 || s[10] != ' ' || s[13] != ':' || s[16] != ':' {
		return time.Time{}, false
	}
	day, ok := parseDate(s[:10])
	h, ok1 := digits(s[11:13])
	m, ok2 := digits(s[14:16])
	sec, ok3 := digits(s[17:19])
	if !ok || !ok1 || !ok2 || !ok3 || h > 23 || m > 59 || sec > 59 {
		return time.Time{}, false
	}
	return day.Add(time.Duration(h*3600+m*60+sec) * time.Second), true
}

// parseDate reads "YYYY:MM:DD" as midnight in UTC. A hyphen may stand for the
// colon, as some devices have it.
func parseDate(s string) (time.Time, bool) {
	s = strings.TrimRight(s, " ")
	if len(s) != 10 || s[4] != s[7] || s[4] != ':' && s[4] != '-' {
		return time.Time{}, false
	}
	y, ok1 := digits(s[:4])
	m, ok2 := digits(s[5:7])
	d, ok3 := digits(s[8:])
	if !ok1 || !ok2 || !ok3 || y == 0 || m < 1 || m > 12 || d < 1 {
		return time.Time{}, false
	}
	day := time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC)
	return day, day.Day() == d // no 31 April
}

// digits reads a number of digits only.
func digits(s string) (int, bool) {
	n := 0
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
		n = 10*n + int(s[i]-'0')
	}
	return n, s != ""
}

// parseSubSec reads the digits after the decimal point of the seconds; those
// beyond nanoseconds are cut off.
func parseSubSec(s string) (time.Duration, bool) {
	ns, scale := time.Duration(0), time.Duration(1e8)
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
		ns += time.Duration(s[i]-'0') * scale
		scale /= 10
	}
	return ns, true
}

// parseOffset reads "+01:00", "-03:30" or "Z". Zones are in use from -12:00 to
// +14:00.
func parseOffset(s string) (*time.Location, bool) {
	s = strings.TrimSpace(s)
	if s == "Z" {
		return time.UTC, true
	}
	if len(s) != 6 || s[0] != '+' && s[0] != '-' || s[3] != ':' {
		return nil, false
	}
	h, ok1 := digits(s[1:3])
	m, ok2 := digits(s[4:])
	if !ok1 || !ok2 || m > 59 || h*60+m > 14*60 {
		return nil, false
	}
	sec := h*3600 + m*60
	if s[0] == '-' {
		sec = -sec
	}
	return time.FixedZone(s, sec), true
}

// gpsNames are the names of the GPS directory's tags.
var gpsNames = [...]string{
	"GPSVersionID", "GPSLatitudeRef", "GPSLatitude", "GPSLongitudeRef", "GPSLongitude",
	"GPSAltitudeRef", "GPSAltitude", "GPSTimeStamp", "GPSSatellites", "GPSStatus",
	"GPSMeasureMode", "GPSDOP", "GPSSpeedRef", "GPSSpeed", "GPSTrackRef", "GPSTrack",
	"GPSImgDirectionRef", "GPSImgDirection", "GPSMapDatum", "GPSDestLatitudeRef",
	"GPSDestLatitude", "GPSDestLongitudeRef", "GPSDestLongitude", "GPSDestBearingRef",
	"GPSDestBearing", "GPSDestDistanceRef", "GPSDestDistance", "GPSProcessingMethod",
	"GPSAreaInformation", "GPSDateStamp", "GPSDifferential", "GPSHPositioningError",
}
