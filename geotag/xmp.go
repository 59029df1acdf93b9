package geotag

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"
)

// Namespaces, XMP specification part 1 and XML 1.0.
const (
	nsDC   = "http://purl.org/dc/elements/1.1/"
	nsTIFF = "http://ns.adobe.com/tiff/1.0/"
	nsXML  = "http://www.w3.org/XML/1998/namespace"
)

// Bounds of a packet. A JPEG segment holds 64 KiB; other containers more.
const (
	xmpMaxSize  = 4 << 20
	xmpMaxDepth = 64
	// xmpMaxMarkup bounds the tags and attributes: what is made of each takes many
	// times its bytes.
	xmpMaxMarkup = 100_000
	// xmpMaxAgain bounds how often properties stand in a packet more than once: no
	// more are told of, and such a packet is not corrected.
	xmpMaxAgain = 1 << 10
)

// xmpBounded says where a packet has more tags and attributes than are read.
func xmpBounded(p []byte) error {
	if bytes.Count(p, []byte("<"))+bytes.Count(p, []byte("=")) > xmpMaxMarkup {
		return fmt.Errorf("a packet of more than %d tags and attributes", xmpMaxMarkup)
	}
	return nil
}

// xmpKey is one of the properties that are read.
type xmpKey int

const (
	xmpNone xmpKey = iota
	xmpLatitude
	xmpLatitudeRef
	xmpLongitude
	xmpLongitudeRef
	xmpAltitude
	xmpAltitudeRef
	xmpTimeStamp
	xmpMapDatum
	xmpHPositioningError
	xmpDOP
	xmpProcessingMethod
	xmpImgDirection
	xmpImgDirectionRef
	xmpDestLatitude
	xmpDestLatitudeRef
	xmpDestLongitude
	xmpDestLongitudeRef
	xmpDestBearing
	xmpDestBearingRef
	xmpDestDistance
	xmpDestDistanceRef
	xmpDateTimeOriginal
	xmpExifVersion
	xmpMake
	xmpModel
	xmpOrientation
	xmpTitle
	xmpDescription
	xmpSubject
	xmpKeys // how many
)

var xmpNames = [xmpKeys]string{
	"", "exif:GPSLatitude", "exif:GPSLatitudeRef", "exif:GPSLongitude", "exif:GPSLongitudeRef",
	"exif:GPSAltitude", "exif:GPSAltitudeRef", "exif:GPSTimeStamp", "exif:GPSMapDatum",
	"exif:GPSHPositioningError", "exif:GPSDOP", "exif:GPSProcessingMethod",
	"exif:GPSImgDirection", "exif:GPSImgDirectionRef",
	"exif:GPSDestLatitude", "exif:GPSDestLatitudeRef", "exif:GPSDestLongitude", "exif:GPSDestLongitudeRef",
	"exif:GPSDestBearing", "exif:GPSDestBearingRef", "exif:GPSDestDistance", "exif:GPSDestDistanceRef",
	"exif:DateTimeOriginal", "exif:ExifVersion", "tiff:Make", "tiff:Model", "tiff:Orientation",
	"dc:title", "dc:description", "dc:subject",
}

// xmpKeyOf tells which property an element or attribute name is.
func xmpKeyOf(n qName) xmpKey {
	switch n.space {
	case nsExif, nsExifEX:
		for p := xmpLatitude; p <= xmpExifVersion; p++ {
			if xmpNames[p][len("exif:"):] == string(n.local) {
				return p
			}
		}
	case nsTIFF:
		for p := xmpMake; p <= xmpOrientation; p++ {
			if xmpNames[p][len("tiff:"):] == string(n.local) {
				return p
			}
		}
	case nsDC:
		switch string(n.local) {
		case "title":
			return xmpTitle
		case "description":
			return xmpDescription
		case "subject":
			return xmpSubject
		}
	}
	return xmpNone
}

// xmpMentions are local names one of which a packet of interest holds. XML
// offers no other way to write a name, so that a packet without them needs no
// parsing.
var xmpMentions = [][]byte{[]byte("GPS"), []byte("subject"), []byte("title"), []byte("description")}

// readXMP reads a packet into what it says of the position, and the texts into
// t. Whatever is wrong with it becomes a warning of t, and then nothing of the
// packet is used.
func readXMP(t *Tag, packet []byte) *xmpResource {
	p, utf16, err := xmpUTF8(packet)
	if utf16 {
		t.warn(WarnCharset, "XMP", "the packet is in UTF-16 where UTF-8 is due")
	}
	if err != nil {
		t.warn(WarnCorrupt, "XMP", "%v", err)
		return nil
	}
	found := false
	for _, m := range xmpMentions {
		found = found || bytes.Contains(p, m)
	}
	if !found {
		return nil
	}
	x, err := parseXMP(p)
	if err != nil {
		t.warn(WarnCorrupt, "XMP", "%v", err)
		return nil
	}
	x.texts(t)
	return x
}

// texts reads the texts of a packet into t, and tells what stands twice.
func (x *xmpResource) texts(t *Tag) {
	for _, d := range x.duplicate {
		t.warn(WarnDuplicate, xmpNames[d], "the property stands twice; the first is taken")
	}
	for _, k := range x.subject {
		t.addKeyword(k)
	}
	t.Texts.XMPTitle = x.value[xmpTitle]
	t.Texts.XMPDescription = x.value[xmpDescription]
}

// xmpUTF8 returns the packet in UTF-8 without byte order mark and padding.
func xmpUTF8(p []byte) (utf8 []byte, wasUTF16 bool, err error) {
	if len(p) > xmpMaxSize {
		return nil, false, fmt.Errorf("a packet of %d bytes; %d are read at most", len(p), xmpMaxSize)
	}
	var order binary.ByteOrder
	switch {
	case bytes.HasPrefix(p, []byte("\xEF\xBB\xBF")):
		p = p[3:]
	case bytes.HasPrefix(p, []byte("\xFE\xFF")):
		order, p = binary.BigEndian, p[2:]
	case bytes.HasPrefix(p, []byte("\xFF\xFE")):
		order, p = binary.LittleEndian, p[2:]
	case bytes.HasPrefix(p, []byte("\x00<")):
		order = binary.BigEndian
	case bytes.HasPrefix(p, []byte("<\x00")):
		order = binary.LittleEndian
	}
	if order == nil {
		return bytes.TrimRight(p, "\x00"), false, nil
	}
	if len(p)%2 != 0 {
		return nil, true, errors.New("an odd number of bytes where UTF-16 is due")
	}
	u := make([]uint16, len(p)/2)
	for i := range u {
		u[i] = order.Uint16(p[2*i:])
	}
	return bytes.TrimRight([]byte(string(utf16.Decode(u))), "\x00"), true, nil
}

// xmpPosition makes a position of a packet's coordinates; nil where there is
// none to be believed. lat is the latitude's property, which its reference, the
// longitude and that one's reference follow.
func xmpPosition(t *Tag, x *xmpResource, lat xmpKey) *Position {
	lon := lat + 2
	if !x.has[lat] && !x.has[lon] {
		return nil
	}
	if !x.has[lat] {
		t.warn(WarnIncomplete, xmpNames[lat], "there is a longitude and no latitude")
		return nil
	}
	if !x.has[lon] {
		t.warn(WarnIncomplete, xmpNames[lon], "there is a latitude and no longitude")
		return nil
	}
	y, yOK := parseXMPCoordinate(t, xmpNames[lat], x.value[lat], x.value[lat+1], "NS", 90)
	z, zOK := parseXMPCoordinate(t, xmpNames[lon], x.value[lon], x.value[lon+1], "EW", 180)
	if !yOK || !zOK {
		return nil
	}
	// A bare decimal is north or east only where its partner shows that signs
	// are in use.
	signed := y.signed || z.signed
	for _, c := range []struct {
		xmpCoordinateValue
		field string
	}{{y, xmpNames[lat]}, {z, xmpNames[lon]}} {
		if c.bare && !signed {
			t.warn(WarnMissingRef, c.field, "a decimal without a sign or a letter, so that the hemisphere is unknown")
			yOK = false
		}
	}
	if !yOK {
		return nil
	}
	if y.deg == 0 && z.deg == 0 {
		t.warn(WarnNullIsland, xmpNames[lat], "latitude and longitude are exactly 0, which a receiver without a fix writes")
		return nil
	}
	return &Position{Lat: y.deg, Lon: z.deg, Step: max(y.step, z.step), Source: SourceXMP}
}

// xmpCoordinateValue is one coordinate. Bare says that it had neither sign nor
// letter, signed that it had a sign.
type xmpCoordinateValue struct {
	deg, step    float64
	bare, signed bool
}

// parseXMPCoordinate reads "DDD,MM,SSk" or "DDD,MM.mmk", k one of the letters
// (XMP specification part 2, GPSCoordinate). Decimal degrees, with a letter or
// a sign, are not the standard's and leave a warning.
func parseXMPCoordinate(t *Tag, field, s, ref, letters string, limit float64) (c xmpCoordinateValue, ok bool) {
	if s == "" {
		t.warn(WarnIncomplete, field, "the property is empty")
		return c, false
	}
	num, sign, ok := c.hemisphere(s, ref, letters)
	if !ok {
		t.warn(WarnBadRef, field, "%q ends in neither %c nor %c", s, letters[0], letters[1])
		return c, false
	}
	parts := strings.Split(num, ",")
	if len(parts) > 3 {
		t.warn(WarnWrongType, field, "%q has more than degrees, minutes and seconds", s)
		return c, false
	}
	c.step = 1
	for i, p := range parts {
		v, decimals, good := parseDecimal(p)
		switch {
		case !good:
			t.warn(WarnWrongType, field, "%q is no coordinate", s)
			return c, false
		case decimals > 0 && i < len(parts)-1:
			t.warn(WarnAmbiguous, field, "%s in %q have a fraction, yet %s follow", sexagesimalUnits[i], s, sexagesimalUnits[i+1])
			return c, false
		case i > 0 && v >= 60:
			t.warn(WarnOutOfRange, field, "%s in %q are 60 or more", sexagesimalUnits[i], s)
			return c, false
		}
		c.deg += v / unit60[i]
		c.step = math.Pow10(-decimals) / unit60[i]
	}
	switch {
	case c.deg > limit:
		t.warn(WarnOutOfRange, field, "%q is beyond %g degrees", s, limit)
		return c, false
	case len(parts) == 1 || c.signed:
		t.warn(WarnWrongType, field, "%q where degrees, minutes and a letter are due", s)
	case c.bare:
		t.warn(WarnMissingRef, field, "%q has no letter, so that the hemisphere is unknown", s)
		return c, false
	}
	if c.deg != 0 {
		c.deg *= sign
	}
	return c, true
}

// hemisphere takes the letter, or the sign, off a coordinate that is not empty. ref is
// the letter of a property of its own. ok is false where it ends in something else.
func (c *xmpCoordinateValue) hemisphere(s, ref, letters string) (num string, sign float64, ok bool) {
	last := s[len(s)-1]
	switch i := strings.IndexByte(letters, last); {
	case i >= 0:
		return strings.TrimSpace(s[:len(s)-1]), 1 - 2*float64(i), true
	case last < '0' || last > '9':
		return "", 0, false
	case s[0] == '+':
		c.signed = true
		return s[1:], 1, true
	case s[0] == '-':
		c.signed = true
		return s[1:], -1, true
	case len(ref) == 1 && strings.Contains(letters, ref):
		return s, 1 - 2*float64(strings.Index(letters, ref)), true
	}
	c.bare = true
	return s, 1, true
}

// parseDecimal reads digits with at most one point, and counts the decimals.
func parseDecimal(s string) (v float64, decimals int, ok bool) {
	whole, frac, _ := strings.Cut(s, ".")
	if whole == "" || strings.Trim(whole+frac, "0123456789") != "" || len(s) > 32 {
		return 0, 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, len(frac), err == nil
}

// parseXMPNumber reads a rational "n/d", as XMP has it, or a decimal.
func parseXMPNumber(s string) (v float64, zeroDen, ok bool) {
	n, d, frac := strings.Cut(s, "/")
	v, _, ok = parseDecimal(n)
	if !frac || !ok {
		return v, false, ok
	}
	den, _, ok := parseDecimal(d)
	if !ok {
		return 0, false, false
	}
	if den == 0 {
		return 0, true, true
	}
	return v / den, false, true
}

// xmpNumber reads a number in [lo, hi] with warnings; nil where there is none.
func xmpNumber(t *Tag, x *xmpResource, p xmpKey, lo, hi float64) *float64 {
	if !x.has[p] {
		return nil
	}
	v, zero, ok := parseXMPNumber(x.value[p])
	switch {
	case !ok:
		t.warn(WarnWrongType, xmpNames[p], "%q is no number", x.value[p])
	case zero:
		t.warn(WarnZeroDenominator, xmpNames[p], "%s", x.value[p])
	case v < lo || v > hi:
		t.warn(WarnOutOfRange, xmpNames[p], "%g is not in %g to %g", v, lo, hi)
	default:
		return &v
	}
	return nil
}

// compare warns where two positions of one photo differ.
func (t *Tag) compare(nameA string, a *Position, nameB string, b *Position) {
	dLat := math.Abs(a.Lat - b.Lat)
	dLon := math.Abs(math.Remainder(a.Lon-b.Lon, 360))
	// Either may have been rounded or cut off. The slack is for the binary
	// fractions of the two.
	if tol := a.Step + b.Step + 1e-12; dLat > tol || dLon > tol {
		t.warn(WarnConflict, xmpNames[xmpLatitude], "%s says %.8f %.8f, %s %.8f %.8f", nameA, a.Lat, a.Lon, nameB, b.Lat, b.Lon)
	}
}

// settle puts the Exif and the XMP position together. Where only the XMP one is
// sound, what goes with it comes from the packet too as far as the Exif block
// doesn't state it.
func (t *Tag) settle(x *xmpResource) {
	if x == nil {
		return
	}
	t.XMPPosition = xmpPosition(t, x, xmpLatitude)
	if t.XMPPosition == nil {
		return
	}
	if t.Position != nil {
		t.compare("Exif", t.Position, "XMP", t.XMPPosition)
		return
	}
	p := *t.XMPPosition
	t.Position = &p
	if t.Altitude == nil {
		t.Altitude = xmpAltitudeOf(t, x)
	}
	if t.HPositioningError == nil {
		t.HPositioningError = xmpPositive(t, x, xmpHPositioningError, maxHError)
	}
	if t.DOP == nil {
		t.DOP = xmpPositive(t, x, xmpDOP, math.MaxUint32)
	}
	t.MapDatum = cmp.Or(t.MapDatum, x.value[xmpMapDatum])
	t.ProcessingMethod = cmp.Or(t.ProcessingMethod, x.value[xmpProcessingMethod])
	if t.Direction == nil {
		t.Direction = xmpDirection(t, x, xmpImgDirection)
	}
	if t.GPSTime == nil && x.has[xmpTimeStamp] {
		// ISO 8601 by XMP; a time without a zone is not an instant.
		when, err := time.Parse(time.RFC3339Nano, x.value[xmpTimeStamp])
		if err != nil || when.Year() < firstGPS {
			t.warn(WarnOutOfRange, xmpNames[xmpTimeStamp], "%q is no time in UTC or with a zone", x.value[xmpTimeStamp])
		} else {
			when = when.UTC()
			t.GPSTime = &when
		}
	}
}

// xmpPositive is xmpNumber above 0.
func xmpPositive(t *Tag, x *xmpResource, p xmpKey, hi float64) *float64 {
	if v := xmpNumber(t, x, p, 0, hi); v != nil && *v > 0 {
		return v
	}
	return nil
}

func xmpAltitudeOf(t *Tag, x *xmpResource) *Altitude {
	v := xmpNumber(t, x, xmpAltitude, 0, maxAltitude)
	if v == nil {
		return nil
	}
	if !x.has[xmpAltitudeRef] {
		return &Altitude{Metres: *v}
	}
	version := t.ExifVersion
	if version == "" {
		version = x.value[xmpExifVersion]
	}
	if n, ok := digits(x.value[xmpAltitudeRef]); ok && n <= 3 {
		if a, ok := altitudeBy(*v, uint32(n), version); ok && a.Metres >= minAltitude {
			return &a
		}
	}
	t.warn(WarnBadRef, xmpNames[xmpAltitudeRef], "%q is none of 0 to 3, or the height is below all seas", x.value[xmpAltitudeRef])
	return nil
}

// xmpDirection reads an angle, whose reference is the property after p.
func xmpDirection(t *Tag, x *xmpResource, p xmpKey) *Direction {
	v := xmpNumber(t, x, p, 0, 360)
	if v == nil {
		return nil
	}
	if *v == 360 {
		*v = 0
	}
	switch ref := x.value[p+1]; ref {
	case "T", "M":
		return &Direction{Degrees: *v, Magnetic: ref == "M"}
	case "":
		t.warn(WarnMissingRef, xmpNames[p+1], "there is no reference, so that whether true or magnetic north is meant is unknown")
	default:
		t.warn(WarnBadRef, xmpNames[p+1], "%q is none of T, M", ref)
	}
	return nil
}
