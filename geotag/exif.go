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

// firstFields are tags of the first directory, TIFF 6.0 and Exif (CIPA DC-008) table
// 4. The XP tags are common practice, no source.
var firstFields = []exifField{
	{tag: 0x010E, name: "ImageDescription", text: func(r *exifReader) *string { return &r.t.Texts.ImageDescription }},
	{tag: 0x010F, name: "Make", text: func(r *exifReader) *string { return &r.t.Make }},
	{tag: 0x0110, name: "Model", text: func(r *exifReader) *string { return &r.t.Model }},
	{tag: 0x0112, name: "Orientation", read: func(r *exifReader, e *ifd.Entry, name string) {
		if v, ok := r.uint(e, name); ok && (v < 1 || v > 8) {
			r.warn(WarnOutOfRange, name, "%d is none of 1 to 8", v)
		} else {
			r.t.Orientation = int(v)
		}
	}},
	{tag: 0x0131, name: "Software", text: func(r *exifReader) *string { return &r.t.Software }},
	{tag: 0x0132, name: "DateTime", text: func(r *exifReader) *string { return &r.dateTime }},
	{tag: pointerExif, name: "ExifTag", read: func(r *exifReader, e *ifd.Entry, name string) { r.exif = r.pointer(e, name) }},
	{tag: pointerGPS, name: "GPSTag", read: func(r *exifReader, e *ifd.Entry, name string) { r.gps = r.pointer(e, name) }},
	{tag: 0x9C9B, name: "XPTitle", read: func(r *exifReader, e *ifd.Entry, name string) { r.t.Texts.Title = r.xp(e, name) }},
	{tag: 0x9C9C, name: "XPComment", read: func(r *exifReader, e *ifd.Entry, name string) { r.t.Texts.Comment = r.xp(e, name) }},
	{tag: 0x9C9E, name: "XPKeywords", read: func(r *exifReader, e *ifd.Entry, name string) {
		for k := range strings.SplitSeq(r.xp(e, name), ";") {
			r.t.addKeyword(k)
		}
	}},
	{tag: 0x9C9F, name: "XPSubject", read: func(r *exifReader, e *ifd.Entry, name string) { r.t.Texts.Subject = r.xp(e, name) }},
}

// exifFields are tags of the Exif directory, Exif tables 7 and 8.
var exifFields = []exifField{
	{tag: 0x9000, name: "ExifVersion", read: func(r *exifReader, e *ifd.Entry, name string) {
		if v := r.b.Value(e); len(v) == 4 {
			r.t.ExifVersion = strings.ToValidUTF8(string(bytes.TrimRight(v, " \x00")), "\uFFFD")
		} else {
			r.unsound(e, name, "4 characters")
		}
	}},
	{tag: 0x9003, name: "DateTimeOriginal", text: func(r *exifReader) *string { return &r.original }},
	{tag: 0x9010, name: "OffsetTime", text: func(r *exifReader) *string { return &r.offset }},
	{tag: 0x9011, name: "OffsetTimeOriginal", text: func(r *exifReader) *string { return &r.offsetOriginal }},
	{tag: 0x9206, name: "SubjectDistance", read: func(r *exifReader, e *ifd.Entry, name string) {
		// A numerator of 0 is "unknown" and one of 2^32-1 "infinity", Exif table 8
		// (from memory).
		if num, _, ok := r.b.Rational(e, 0); !ok || num != 0 && num != math.MaxUint32 {
			r.t.SubjectDistance = r.rational(e, name, 0, maxDistance)
		}
	}},
	{tag: 0x9286, name: "UserComment", read: func(r *exifReader, e *ifd.Entry, name string) { r.t.Texts.UserComment = r.coded(e, name) }},
	{tag: 0x9291, name: "SubSecTimeOriginal", text: func(r *exifReader) *string { return &r.subSec }},
	{tag: 0xA002, name: "PixelXDimension", read: func(r *exifReader, e *ifd.Entry, name string) { r.width = r.pixels(e, name) }},
	{tag: 0xA003, name: "PixelYDimension", read: func(r *exifReader, e *ifd.Entry, name string) { r.height = r.pixels(e, name) }},
	{tag: 0xA431, name: "BodySerialNumber", text: func(r *exifReader) *string { return &r.t.Serial }},
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
	when, ok := parseTime(r.original, "0000:00:00 00:00:00")
	if !ok {
		r.warn(WarnOutOfRange, "DateTimeOriginal", "%q is no date and time", r.original)
		return
	}
	if s := strings.TrimSpace(r.subSec); s != "" {
		// What is beyond nanoseconds is cut off.
		ns, ok := digits((s + "00000000")[:9])
		if _, all := digits(s); ok && all {
			when = when.Add(time.Duration(ns))
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
	loc, ok := parseOffset(strings.TrimSpace(zone))
	if !ok {
		r.warn(WarnOutOfRange, field, "%q is no offset from UTC", zone)
		return
	}
	_, offset := when.In(loc).Zone()
	r.t.Taken.Time = when.Add(-time.Duration(offset) * time.Second).In(loc)
	r.t.Taken.HasOffset = true
}

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
	r.warn(WarnWrongType, field, "%d of type %s where %s should be", e.Count, ifd.TypeName(e.Type), due)
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
		r.warn(WarnWrongType, field, "a pointer of type %s where LONG is due", ifd.TypeName(e.Type))
	}
	return e.Offset
}

// pixels reads the length of a side.
func (r *exifReader) pixels(e *ifd.Entry, field string) int {
	v, _ := r.uint(e, field)
	return int(min(v, math.MaxInt32))
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
	if !e.Sound || !slices.Contains([]uint16{ifd.Undefined, ifd.ASCII, ifd.Byte, ifd.UTF8}, e.Type) {
		r.unsound(e, field, "a coded text")
		return ""
	}
	v := r.value(e, field)
	if e.Type != ifd.Undefined {
		r.warn(WarnWrongType, field, "type %s where UNDEFINED is due", ifd.TypeName(e.Type))
	}
	if len(bytes.Trim(v, " \x00")) == 0 {
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
		return r.uncoded(rest, field, true)
	}
	if text := bytes.TrimRight(v, " \x00"); e.Type == ifd.ASCII && string(text) == "ASCII" {
		return "" // the code and nothing after it
	}
	return r.uncoded(v, field, false)
}

// uncoded reads a text in an unstated character code, which may have its place or not.
func (r *exifReader) uncoded(text []byte, field string, placed bool) string {
	text = bytes.TrimRight(text, " \x00")
	if !utf8.Valid(text) || bytes.IndexByte(text, 0) >= 0 {
		r.warn(WarnCharset, field, "%d bytes in an unstated character code, which are not decoded", len(text))
		return ""
	}
	if !placed {
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

// parseTime reads a time in UTC: "YYYY:MM:DD", of which the layout is "0000:00:00", or
// that with " HH:MM:SS". Some devices have hyphens in the date.
func parseTime(s, layout string) (t time.Time, ok bool) {
	n, ok := numbers(strings.Replace(strings.TrimRight(s, " "), "-", ":", 2), layout)
	if !ok {
		return t, false
	}
	t = time.Date(n[0], time.Month(n[1]), n[2], n[3], n[4], n[5], 0, time.UTC)
	year, month, day := t.Date()
	hour, minute, second := t.Clock()
	return t, year > 0 && [6]int{year, int(month), day, hour, minute, second} == n // no 31 April
}

// numbers reads the numbers of a text that has a digit where layout has 0, and else
// is equal to layout.
func numbers(s, layout string) (n [6]int, ok bool) {
	if len(s) != len(layout) {
		return n, false
	}
	at := 0
	for i := range len(s) {
		switch digit := s[i] - '0'; {
		case layout[i] != '0':
			at++
			if s[i] != layout[i] {
				return n, false
			}
		case digit > 9:
			return n, false
		default:
			n[at] = 10*n[at] + int(digit)
		}
	}
	return n, true
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

// parseOffset reads "+01:00", "-03:30" or "Z". Zones are in use from -12:00 to
// +14:00.
func parseOffset(s string) (*time.Location, bool) {
	if s == "Z" {
		return time.UTC, true
	}
	n, ok := numbers(strings.TrimLeft(s, "+-"), "00:00")
	if !ok || len(s) != len("+00:00") || n[1] > 59 || n[0]*60+n[1] > 14*60 {
		return nil, false
	}
	seconds := n[0]*3600 + n[1]*60
	if s[0] == '-' {
		seconds = -seconds
	}
	return time.FixedZone(s, seconds), true
}
