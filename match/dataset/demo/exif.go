package demo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	exif "github.com/dsoprea/go-exif/v3"
	exifcommon "github.com/dsoprea/go-exif/v3/common"
)

// meta is what goes into the Exif block of a photo, apart from its pixels.
type meta struct {
	serial      string
	number      int
	description string // ImageDescription, ASCII; empty leaves it out
	comment     string // UserComment, ASCII; empty leaves it out
	taken       time.Time
	gps         *gps // nil leaves the GPS directory out
}

// gps is the GPS directory.
type gps struct {
	fix       *fix // nil where the receiver had none: no coordinates are written
	eastRef   bool // write E whatever the sign of the longitude
	direction float64
}

// fix is what the receiver reported.
type fix struct {
	lat, lon  float64 // degrees
	altitude  float64 // metres above sea level
	dop, herr float64
	time      time.Time
}

var order = binary.LittleEndian

// entry is an entry of a directory. Its tag is a number (CIPA DC-008), since the
// dictionary of go-exif does not have all of them.
type entry struct {
	tag   uint16
	typ   exifcommon.TagTypePrimitive
	value []byte
}

// ascii is a text. Values that are stored apart get an even length, a second NUL
// where needed, so that the ones after them stay on word boundaries as the TIFF
// format asks for.
func ascii(tag uint16, s string) entry {
	b := append([]byte(s), 0)
	if len(b) > 4 && len(b)%2 == 1 {
		b = append(b, 0)
	}
	return entry{tag, exifcommon.TypeAscii, b}
}

func undefined(tag uint16, s string) entry {
	return entry{tag, exifcommon.TypeUndefined, []byte(s)}
}

func short(tag, v uint16) entry {
	return entry{tag, exifcommon.TypeShort, order.AppendUint16(nil, v)}
}

func long(tag uint16, v uint32) entry {
	return entry{tag, exifcommon.TypeLong, order.AppendUint32(nil, v)}
}

// rational has pairs of numerator and denominator.
func rational(tag uint16, v ...uint32) entry {
	var b []byte
	for _, x := range v {
		b = order.AppendUint32(b, x)
	}
	return entry{tag, exifcommon.TypeRational, b}
}

// optional is a text that is left out where it is empty.
func optional(s string, e entry) []entry {
	if s == "" {
		return nil
	}
	return []entry{e}
}

// directory builds a directory of entries, which must be in ascending order, and
// of others within it.
func directory(m *exifcommon.IfdMapping, id *exifcommon.IfdIdentity, entries []entry, within ...*exif.IfdBuilder) (*exif.IfdBuilder, error) {
	ib := exif.NewIfdBuilder(m, exif.NewTagIndex(), id, order)
	for _, e := range entries {
		if err := ib.Add(exif.NewBuilderTag(id.UnindexedString(), e.tag, e.typ, exif.NewIfdBuilderTagValueFromBytes(e.value), order)); err != nil {
			return nil, err
		}
	}
	for _, c := range within {
		if err := ib.AddChildIb(c); err != nil {
			return nil, err
		}
	}
	return ib, nil
}

// exifBlock returns the Exif block (from the TIFF header on) of a w by h photo.
//
// Two values depend on where the builder puts things: the offset of the
// thumbnail, which follows the directories, and the offsets inside the maker's
// note, which count from the TIFF header as those of many makers do. So the
// block is built twice; its layout is the same both times. The thumbnail is not
// set with SetThumbnail, which writes a quarter of the thumbnail's length as the
// count of its offset, where the standard has 1.
func exifBlock(m meta, w, h int, thumbnail []byte) ([]byte, error) {
	first, err := buildExif(m, w, h, 0, 0, uint32(len(thumbnail)))
	if err != nil {
		return nil, fmt.Errorf("demo: building Exif: %w", err)
	}
	note := bytes.Index(first, []byte(makerNoteMagic))
	if note < 0 {
		return nil, errors.New("demo: the maker's note is not in the Exif block built")
	}
	block, err := buildExif(m, w, h, uint32(note), uint32(len(first)), uint32(len(thumbnail)))
	if err != nil {
		return nil, fmt.Errorf("demo: building Exif: %w", err)
	}
	if len(block) != len(first) || bytes.Index(block, []byte(makerNoteMagic)) != note {
		return nil, errors.New("demo: the Exif block changed its layout between two builds")
	}
	return append(block, thumbnail...), nil
}

const (
	tagThumbnailOffset = 0x0201
	tagMakerNote       = 0x927c
)

func buildExif(m meta, w, h int, noteAt, thumbAt, thumbLen uint32) ([]byte, error) {
	im, err := exifcommon.NewIfdMappingWithStandard()
	if err != nil {
		return nil, err
	}
	stamp, zone := m.taken.Format("2006:01:02 15:04:05"), m.taken.Format("-07:00")
	comment := "ASCII\x00\x00\x00" + m.comment
	if len(comment)%2 == 1 {
		comment += " "
	}
	sub, err := directory(im, exifcommon.IfdExifStandardIfdIdentity, slices.Concat([]entry{
		rational(0x829a, 1, uint32(320+20*(m.number%9))), // ExposureTime
		rational(0x829d, 18, 10),                         // FNumber
		short(0x8827, uint16(50+10*(m.number%4))),        // PhotographicSensitivity
		undefined(0x9000, "0232"),                        // ExifVersion
		ascii(0x9003, stamp),                             // DateTimeOriginal
		ascii(0x9004, stamp),                             // DateTimeDigitized
		ascii(0x9010, zone),                              // OffsetTime
		ascii(0x9011, zone),                              // OffsetTimeOriginal
		undefined(0x9101, "\x01\x02\x03\x00"),            // ComponentsConfiguration
		rational(0x920a, 43, 10),                         // FocalLength
		undefined(tagMakerNote, string(makerNote(m, noteAt))),
	}, optional(m.comment, undefined(0x9286, comment)), []entry{ // UserComment
		ascii(0x9291, fmt.Sprintf("%02d", m.taken.Nanosecond()/10_000_000)), // SubSecTimeOriginal
		undefined(0xa000, "0100"), // FlashpixVersion
		short(0xa001, 1),          // ColorSpace
		long(0xa002, uint32(w)),   // PixelXDimension
		long(0xa003, uint32(h)),   // PixelYDimension
		short(0xa405, focal35),    // FocalLengthIn35mmFilm
		ascii(0xa431, m.serial),   // BodySerialNumber
	}))
	if err != nil {
		return nil, err
	}
	children := []*exif.IfdBuilder{sub}
	if m.gps != nil {
		gps, err := directory(im, exifcommon.IfdGpsInfoStandardIfdIdentity, m.gps.entries())
		if err != nil {
			return nil, err
		}
		children = append(children, gps)
	}
	root, err := directory(im, exifcommon.IfdStandardIfdIdentity, append(optional(m.description, ascii(0x010e, m.description)), // ImageDescription
		ascii(0x010f, "Quillfen Instruments"), // Make, of the invented handheld
		ascii(0x0110, "Quillfen Marker 7"),    // Model
		short(0x0112, 1),                      // Orientation
		rational(0x011a, 72, 1),               // XResolution
		rational(0x011b, 72, 1),               // YResolution
		short(0x0128, 2),                      // ResolutionUnit
		ascii(0x0131, "Quillfen field 4.2.0"), // Software
		ascii(0x0132, stamp),                  // DateTime
		short(0x0213, 1),                      // YCbCrPositioning
	), children...)
	if err != nil {
		return nil, err
	}
	thumb, err := directory(im, exifcommon.Ifd1StandardIfdIdentity, []entry{
		short(0x0103, 6),        // Compression
		rational(0x011a, 72, 1), // XResolution
		rational(0x011b, 72, 1), // YResolution
		short(0x0128, 2),        // ResolutionUnit
		long(tagThumbnailOffset, thumbAt),
		long(0x0202, thumbLen), // JPEGInterchangeFormatLength
	})
	if err != nil {
		return nil, err
	}
	if err := root.SetNextIb(thumb); err != nil {
		return nil, err
	}
	payload, err := exif.NewIfdByteEncoder().EncodeToExifPayload(root)
	if err != nil {
		return nil, err
	}
	header, err := exif.BuildExifHeader(order, exif.ExifDefaultFirstIfdOffset)
	return append(header, payload...), err
}

// entries are those of the GPS directory.
func (g *gps) entries() []entry {
	version := entry{0x0000, exifcommon.TypeByte, []byte{2, 3, 0, 0}} // GPSVersionID
	f := g.fix
	if f == nil {
		return []entry{version, ascii(0x0009, "V")} // GPSStatus
	}
	ref := func(v float64, below, above string) string {
		if v < 0 {
			return below
		}
		return above
	}
	lonRef := ref(f.lon, "W", "E")
	if g.eastRef {
		lonRef = "E"
	}
	utc := f.time.UTC()
	return []entry{
		version,
		ascii(0x0001, ref(f.lat, "S", "N")),     // GPSLatitudeRef
		rational(0x0002, sexagesimal(f.lat)...), // GPSLatitude
		ascii(0x0003, lonRef),                   // GPSLongitudeRef
		rational(0x0004, sexagesimal(f.lon)...), // GPSLongitude
		{0x0005, exifcommon.TypeByte, []byte(ref(f.altitude, "\x01", "\x00"))},                    // GPSAltitudeRef
		rational(0x0006, scaled(math.Abs(f.altitude), 10), 10),                                    // GPSAltitude
		rational(0x0007, uint32(utc.Hour()), 1, uint32(utc.Minute()), 1, uint32(utc.Second()), 1), // GPSTimeStamp
		ascii(0x0009, "A"),                                 // GPSStatus
		ascii(0x000a, "3"),                                 // GPSMeasureMode
		rational(0x000b, scaled(f.dop, 100), 100),          // GPSDOP
		ascii(0x0010, "T"),                                 // GPSImgDirectionRef
		rational(0x0011, scaled(g.direction, 10)%3600, 10), // GPSImgDirection
		ascii(0x0012, "WGS-84"),                            // GPSMapDatum
		undefined(0x001b, "ASCII\x00\x00\x00GPS\x00"),      // GPSProcessingMethod
		ascii(0x001d, utc.Format("2006:01:02")),            // GPSDateStamp
		rational(0x001f, scaled(f.herr, 10), 10),           // GPSHPositioningError
	}
}

// secondsScale is the denominator of the arc seconds in the tags: a thousandth,
// 3 cm on the ground.
const secondsScale = 1000

// sexagesimal returns the absolute value of an angle as three rationals of
// whole degrees, whole minutes and seconds.
func sexagesimal(deg float64) []uint32 {
	n := uint32(math.Round(math.Abs(deg) * 3600 * secondsScale))
	return []uint32{
		n / (3600 * secondsScale), 1,
		n / (60 * secondsScale) % 60, 1,
		n % (60 * secondsScale), secondsScale,
	}
}

func scaled(v float64, by float64) uint32 { return uint32(math.Round(v * by)) }

// makerNoteMagic begins the maker's note of the invented handheld.
const makerNoteMagic = "QUILLFEN\x00\x01"

// makerNote returns the private record of the invented handheld, to be stored at
// offset at of the Exif block: the magic, then a directory in the TIFF manner
// whose values are found by offsets from the TIFF header. A program that moves
// the note without knowing its insides breaks it, which is what makers' notes
// are feared for.
func makerNote(m meta, at uint32) []byte {
	var battery []byte
	for i := range 12 {
		battery = order.AppendUint16(battery, uint16(4120-7*i-m.number/2))
	}
	tilt := int32(-12)
	fields := []entry{
		ascii(0x0001, "Quillfen private record"),
		long(0x0002, uint32(m.number)),
		ascii(0x0003, "receiver QR-9 fw 2.11.7"),
		{0x0004, exifcommon.TypeShort, battery},
		{0x0005, exifcommon.TypeSignedRational, rational(0, uint32(tilt), 100, 981, 100, 7, 100).value},
	}
	note := order.AppendUint16([]byte(makerNoteMagic), uint16(len(fields)))
	data := at + uint32(len(note)+12*len(fields)+4)
	var values []byte
	for _, e := range fields {
		note = order.AppendUint16(note, e.tag)
		note = order.AppendUint16(note, uint16(e.typ))
		note = order.AppendUint32(note, uint32(len(e.value)/e.typ.Size()))
		if len(e.value) == 4 {
			note = append(note, e.value...)
			continue
		}
		note = order.AppendUint32(note, data+uint32(len(values)))
		values = append(values, e.value...)
	}
	note = order.AppendUint32(note, 0)
	return append(note, values...)
}

// withExif puts an Exif block into a JPEG, straight after its first marker.
func withExif(jpeg, block []byte) ([]byte, error) {
	const head = "Exif\x00\x00"
	size := 2 + len(head) + len(block)
	if size > math.MaxUint16 {
		return nil, fmt.Errorf("demo: the Exif block of %d bytes does not fit into a JPEG segment", len(block))
	}
	if len(jpeg) < 2 || jpeg[0] != 0xff || jpeg[1] != 0xd8 {
		return nil, errors.New("demo: the drawn image is not a JPEG")
	}
	out := make([]byte, 0, len(jpeg)+2+size)
	out = append(out, 0xff, 0xd8, 0xff, 0xe1)
	out = binary.BigEndian.AppendUint16(out, uint16(size))
	out = append(out, head...)
	out = append(out, block...)
	return append(out, jpeg[2:]...), nil
}
