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
	// more are reported, and such a packet is not corrected.
	xmpMaxAgain = 1 << 10
)

// xmpBounded says where a packet has more tags and attributes than are read.
func xmpBounded(p []byte) error {
	if bytes.Count(p, []byte("<"))+bytes.Count(p, []byte("=")) > xmpMaxMarkup {
		return fmt.Errorf("a packet of more than %d tags and attributes", xmpMaxMarkup)
	}
	return nil
}

// xmpKey is a property that is read: a tag of the GPS directory, which has the same
// name, or one of these.
type xmpKey int

const (
	xmpDateTimeOriginal xmpKey = gpsTags + iota
	xmpExifVersion
	xmpMake
	xmpModel
	xmpOrientation
	xmpTitle
	xmpDescription
	xmpSubject
	xmpNone // and how many there are
)

// xmpNames are the names of the properties, with the usual prefixes.
var xmpNames = func() (all [xmpNone]string) {
	for i, name := range gpsNames {
		all[i] = "exif:" + name
	}
	copy(all[gpsTags:], []string{"exif:DateTimeOriginal", "exif:ExifVersion", "tiff:Make", "tiff:Model", "tiff:Orientation",
		"dc:title", "dc:description", "dc:subject"})
	return all
}()

// xmpKeyOf tells which property an element or attribute name is.
func xmpKeyOf(n qName) xmpKey {
	find := func(from, to xmpKey, prefix string) xmpKey {
		for k := from; k < to; k++ {
			if xmpNames[k][len(prefix):] == string(n.local) {
				return k
			}
		}
		return xmpNone
	}
	switch n.space {
	case nsExif, nsExifEX:
		if k := find(0, xmpMake, "exif:"); k >= gpsTags || gpsUnreadXMP&(1<<k) == 0 {
			return k
		}
	case nsTIFF:
		return find(xmpMake, xmpTitle, "tiff:")
	case nsDC:
		return find(xmpTitle, xmpNone, "dc:")
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

// xmpReader interprets the properties of a packet into a Tag.
type xmpReader struct {
	*Tag
	x *xmpResource
}

// position reads a pair of coordinates; lat is the latitude's property.
func (r *xmpReader) position(lat xmpKey) *Position {
	y, yBare, ySigned := r.coordinate(lat, "NS", 90)
	z, zBare, zSigned := r.coordinate(lat+2, "EW", 180)
	// A bare decimal is north or east only where its partner shows that signs
	// are in use.
	for i, bare := range []bool{yBare, zBare} {
		if bare && y.stated && z.stated && !ySigned && !zSigned {
			r.warn(WarnMissingRef, xmpNames[lat+2*xmpKey(i)], "a decimal without a sign or a letter, so that the hemisphere is unknown")
			y.sound = false
		}
	}
	return r.Tag.position(SourceXMP, xmpNames[lat], xmpNames[lat+2], y, z)
}

// coordinate reads "DDD,MM,SSk" or "DDD,MM.mmk", k one of the letters
// (XMP specification part 2, GPSCoordinate). Decimal degrees, with a letter or
// a sign, are not the standard's and leave a warning: signed says that there was a
// sign, bare that there was neither.
func (r *xmpReader) coordinate(k xmpKey, letters string, limit float64) (a angle, bare, signed bool) {
	s, name := r.x.value[k], xmpNames[k]
	a.stated = r.x.has[k]
	if s == "" {
		if a.stated {
			r.warn(WarnIncomplete, name, "the property is empty")
		}
		return a, false, false
	}
	num, letter, signed := hemisphere(s, r.x.value[k-1], letters)
	if num == "" {
		r.warn(WarnBadRef, name, "%q ends in neither %c nor %c", s, letters[0], letters[1])
		return a, false, false
	}
	var dms dmsParts
	n := 0
	for part := range strings.SplitSeq(num, ",") {
		v, decimals, ok := parseDecimal(part)
		if !ok || n == len(dms) {
			r.warn(WarnWrongType, name, "%q is no coordinate", s)
			return a, false, false
		}
		dms[n].v, dms[n].step = v, math.Pow10(-decimals)
		n++
	}
	bare = letter == 0
	switch a = r.angle(name, &dms, n, limit); {
	case !a.sound:
	case n == 1 || signed:
		r.warn(WarnWrongType, name, "%q where degrees, minutes and a letter are due", s)
	case bare:
		r.warn(WarnMissingRef, name, "%q has no letter, so that the hemisphere is unknown", s)
		a.sound = false
	}
	bare = bare && a.sound
	return a.signed(cmp.Or(letter, letters[0]), letters[1]), bare, signed
}

// hemisphere takes the letter, or the sign, off a coordinate that is not empty. ref is
// the letter of a property of its own. The letter is 0 where there is none of all
// these; num is empty where s ends in something else.
func hemisphere(s, ref, letters string) (num string, letter byte, signed bool) {
	last := s[len(s)-1]
	switch {
	case strings.IndexByte(letters, last) >= 0:
		return strings.TrimSpace(s[:len(s)-1]), last, false
	case last < '0' || last > '9':
		return "", 0, false
	case s[0] == '+':
		return s[1:], letters[0], true
	case s[0] == '-':
		return s[1:], letters[1], true
	case len(ref) == 1 && strings.Contains(letters, ref):
		return s, ref[0], false
	}
	return s, 0, false
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
	return v / den, ok && den == 0, ok
}

// number reads a number in [lo, hi]; nil where there is none.
func (r *xmpReader) number(k xmpKey, lo, hi float64) *float64 {
	if !r.x.has[k] {
		return nil
	}
	v, zero, ok := parseXMPNumber(r.x.value[k])
	switch {
	case !ok:
		r.warn(WarnWrongType, xmpNames[k], "%q is no number", r.x.value[k])
	case zero:
		r.warn(WarnZeroDenominator, xmpNames[k], "%s", r.x.value[k])
	default:
		return r.within(xmpNames[k], v, lo, hi)
	}
	return nil
}

func (r *xmpReader) positive(k xmpKey, hi float64) *float64 {
	return r.Tag.positive(xmpNames[k], r.number(k, 0, hi))
}

// direction reads an angle with its reference, the property before it.
func (r *xmpReader) direction(k xmpKey) *Direction {
	if !r.x.has[k] {
		return nil
	}
	return direction(r.number(k, 0, 360), r.reference(xmpNames[k-1], r.x.value[k-1], "TM", trueOrMagnetic))
}

// distance reads a length in metres, whose unit is the property before it.
func (r *xmpReader) distance(k xmpKey) *float64 {
	if !r.x.has[k] {
		return nil
	}
	return scaled(r.number(k, 0, maxDistance), r.reference(xmpNames[k-1], r.x.value[k-1], "KMN", "the unit"))
}

func (r *xmpReader) altitude() *Altitude {
	v := r.number(gpsAltitude, 0, maxAltitude)
	if v == nil {
		return nil
	}
	ref := -1
	if r.x.has[gpsAltitudeRef] {
		n, ok := digits(r.x.value[gpsAltitudeRef])
		if !ok {
			r.warn(WarnBadRef, xmpNames[gpsAltitudeRef], "%q is none of 0 to 3", r.x.value[gpsAltitudeRef])
			return nil
		}
		ref = n
	}
	return r.Tag.altitude(xmpNames[gpsAltitude], *v, ref, cmp.Or(r.ExifVersion, r.x.value[xmpExifVersion]))
}

// gpsTime reads a time: ISO 8601 by XMP; one without a zone is not an instant.
func (r *xmpReader) gpsTime() *time.Time {
	if !r.x.has[gpsTimeStamp] {
		return nil
	}
	when, err := time.Parse(time.RFC3339Nano, r.x.value[gpsTimeStamp])
	if err != nil || when.Year() < firstGPS {
		r.warn(WarnOutOfRange, xmpNames[gpsTimeStamp], "%q is no time in UTC or with a zone", r.x.value[gpsTimeStamp])
		return nil
	}
	when = when.UTC()
	return &when
}

// compare warns where two positions of one photo differ.
func (t *Tag) compare(nameA string, a *Position, nameB string, b *Position) {
	dLat := math.Abs(a.Lat - b.Lat)
	dLon := math.Abs(math.Remainder(a.Lon-b.Lon, 360))
	// Either may have been rounded or cut off. The slack is for the binary
	// fractions of the two.
	if tol := a.Step + b.Step + 1e-12; dLat > tol || dLon > tol {
		t.warn(WarnConflict, xmpNames[gpsLatitude], "%s says %.8f %.8f, %s %.8f %.8f", nameA, a.Lat, a.Lon, nameB, b.Lat, b.Lon)
	}
}

// settle puts the Exif and the XMP position together. Where only the XMP one is
// sound, what goes with it comes from the packet too as far as the Exif block
// doesn't state it.
func (t *Tag) settle(x *xmpResource) {
	if x == nil {
		return
	}
	r := xmpReader{t, x}
	t.XMPPosition = r.position(gpsLatitude)
	if t.XMPPosition == nil {
		return
	}
	if t.Position != nil {
		t.compare("Exif", t.Position, "XMP", t.XMPPosition)
		return
	}
	p := *t.XMPPosition
	t.Position = &p
	orRead(&t.Altitude, r.altitude)
	orRead(&t.HPositioningError, func() *float64 { return r.positive(gpsHPositioningError, maxHError) })
	orRead(&t.DOP, func() *float64 { return r.positive(gpsDOP, math.MaxUint32) })
	t.MapDatum = cmp.Or(t.MapDatum, x.value[gpsMapDatum])
	t.ProcessingMethod = cmp.Or(t.ProcessingMethod, x.value[gpsProcessingMethod])
	t.Differential = t.Differential || x.value[gpsDifferential] == "1"
	orRead(&t.Direction, func() *Direction { return r.direction(gpsImgDirection) })
	orRead(&t.GPSTime, r.gpsTime)
}

// orRead sets v to what read reads where it is nil.
func orRead[T any](v **T, read func() *T) {
	if *v == nil {
		*v = read()
	}
}
