package demo

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
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

// entry is an entry of a directory: its tag (CIPA DC-008), its type (TIFF 6.0, section
// 2) and its value, of an even length where it takes more than 4 bytes, so that the ones
// after it stay on word boundaries as the format asks for.
type entry struct {
	tag, typ uint16
	value    []byte
}

const (
	typeByte, typeASCII, typeShort, typeLong = 1, 2, 3, 4
	typeRational, typeUndefined, typeSigned  = 5, 7, 10
)

// typeSize is how many bytes a value of a type takes.
var typeSize = map[uint16]int{typeByte: 1, typeASCII: 1, typeShort: 2, typeLong: 4, typeRational: 8, typeUndefined: 1, typeSigned: 8}

// ascii is a text, with a second NUL where its length would be odd.
func ascii(tag uint16, s string) entry {
	b := append([]byte(s), 0)
	if len(b) > 4 && len(b)%2 == 1 {
		b = append(b, 0)
	}
	return entry{tag, typeASCII, b}
}

func undefined(tag uint16, s string) entry { return entry{tag, typeUndefined, []byte(s)} }
func short(tag, v uint16) entry            { return entry{tag, typeShort, order.AppendUint16(nil, v)} }
func long(tag uint16, v uint32) entry      { return entry{tag, typeLong, order.AppendUint32(nil, v)} }

// rational has pairs of numerator and denominator.
func rational(tag uint16, v ...uint32) entry {
	var b []byte
	for _, x := range v {
		b = order.AppendUint32(b, x)
	}
	return entry{tag, typeRational, b}
}

// optional is a text that is left out where it is empty.
func optional(s string, e entry) directory {
	if s == "" {
		return nil
	}
	return directory{e}
}

// directory is a directory of entries, which are in ascending order.
type directory []entry

// at is where the value of a tag stands, counted from the directory's start, and size
// where the directory ends. Values of up to 4 bytes stand in their entries.
func (d directory) at(tag uint16) int {
	n := 2 + 12*len(d) + 4
	for _, e := range d {
		if e.tag == tag {
			break
		}
		if len(e.value) > 4 {
			n += len(e.value)
		}
	}
	return n
}

func (d directory) size() int { return d.at(math.MaxUint16) }

// set puts an offset in the place of one that was not known.
func (d directory) set(tag uint16, offset int) {
	i := slices.IndexFunc(d, func(e entry) bool { return e.tag == tag })
	d[i] = long(tag, uint32(offset))
}

// write writes the directory as it stands at an offset of the block.
func (d directory) write(offset, next int) []byte {
	b := order.AppendUint16(nil, uint16(len(d)))
	var values []byte
	for _, e := range d {
		b = order.AppendUint16(order.AppendUint16(b, e.tag), e.typ)
		b = order.AppendUint32(b, uint32(len(e.value)/typeSize[e.typ]))
		if len(e.value) <= 4 {
			b = append(append(b, e.value...), make([]byte, 4-len(e.value))...)
			continue
		}
		b = order.AppendUint32(b, uint32(offset+2+12*len(d)+4+len(values)))
		values = append(values, e.value...)
	}
	return append(order.AppendUint32(b, uint32(next)), values...)
}

const (
	tagThumbnailOffset = 0x0201
	tagMakerNote       = 0x927c
	tagExifIFD         = 0x8769
	tagGPSIFD          = 0x8825
)

// exifBlock returns the Exif block (from the TIFF header on) of a w by h photo: four
// directories and the thumbnail. The offsets inside the maker's note count from the
// TIFF header, as those of many makers do.
func exifBlock(m meta, w, h int, thumbnail []byte) []byte {
	stamp, zone := m.taken.Format("2006:01:02 15:04:05"), m.taken.Format("-07:00")
	comment := "ASCII\x00\x00\x00" + m.comment
	if len(comment)%2 == 1 {
		comment += " "
	}
	photo := slices.Concat(directory{
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
		makerNote(m, 0),
	}, optional(m.comment, undefined(0x9286, comment)), directory{ // UserComment
		ascii(0x9291, fmt.Sprintf("%02d", m.taken.Nanosecond()/10_000_000)), // SubSecTimeOriginal
		undefined(0xa000, "0100"), // FlashpixVersion
		short(0xa001, 1),          // ColorSpace
		long(0xa002, uint32(w)),   // PixelXDimension
		long(0xa003, uint32(h)),   // PixelYDimension
		short(0xa405, focal35),    // FocalLengthIn35mmFilm
		ascii(0xa431, m.serial),   // BodySerialNumber
	})
	image := append(optional(m.description, ascii(0x010e, m.description)), // ImageDescription
		ascii(0x010f, "Quillfen Instruments"), // Make, of the invented handheld
		ascii(0x0110, "Quillfen Marker 7"),    // Model
		short(0x0112, 1),                      // Orientation
		rational(0x011a, 72, 1),               // XResolution
		rational(0x011b, 72, 1),               // YResolution
		short(0x0128, 2),                      // ResolutionUnit
		ascii(0x0131, "Quillfen field 4.2.0"), // Software
		ascii(0x0132, stamp),                  // DateTime
		short(0x0213, 1),                      // YCbCrPositioning
		long(tagExifIFD, 0),
	)
	var fix []byte
	if m.gps != nil {
		image = append(image, long(tagGPSIFD, 0))
	}
	small := directory{
		short(0x0103, 6),        // Compression
		rational(0x011a, 72, 1), // XResolution
		rational(0x011b, 72, 1), // YResolution
		short(0x0128, 2),        // ResolutionUnit
		long(tagThumbnailOffset, 0),
		long(0x0202, uint32(len(thumbnail))), // JPEGInterchangeFormatLength
	}
	const first = 8 // behind the header
	photoAt := first + image.size()
	end := photoAt + photo.size()
	image.set(tagExifIFD, photoAt)
	if m.gps != nil {
		image.set(tagGPSIFD, end)
		fix = m.gps.entries().write(end, 0)
		end += len(fix)
	}
	small.set(tagThumbnailOffset, end+small.size())
	photo[slices.IndexFunc(photo, func(e entry) bool { return e.tag == tagMakerNote })] = makerNote(m, photoAt+photo.at(tagMakerNote))
	return slices.Concat([]byte("II*\x00\x08\x00\x00\x00"), image.write(first, end), photo.write(photoAt, 0), fix, small.write(end, 0), thumbnail)
}

// entries are those of the GPS directory.
func (g *gps) entries() directory {
	version := entry{0x0000, typeByte, []byte{2, 3, 0, 0}} // GPSVersionID
	f := g.fix
	if f == nil {
		return directory{version, ascii(0x0009, "V")} // GPSStatus
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
	return directory{
		version,
		ascii(0x0001, ref(f.lat, "S", "N")),                         // GPSLatitudeRef
		rational(0x0002, sexagesimal(f.lat)...),                     // GPSLatitude
		ascii(0x0003, lonRef),                                       // GPSLongitudeRef
		rational(0x0004, sexagesimal(f.lon)...),                     // GPSLongitude
		{0x0005, typeByte, []byte(ref(f.altitude, "\x01", "\x00"))}, // GPSAltitudeRef
		rational(0x0006, scaled(math.Abs(f.altitude), 10), 10),      // GPSAltitude
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

// makerNote is the private record of the invented handheld, to be stored at an offset
// of the Exif block: the magic, then a directory whose values are found by offsets from
// the TIFF header. A program that moves the note without knowing its insides breaks it,
// which is what makers' notes are feared for.
func makerNote(m meta, at int) entry {
	var battery []byte
	for i := range 12 {
		battery = order.AppendUint16(battery, uint16(4120-7*i-m.number/2))
	}
	tilt := int32(-12)
	note := directory{
		ascii(0x0001, "Quillfen private record"),
		long(0x0002, uint32(m.number)),
		ascii(0x0003, "receiver QR-9 fw 2.11.7"),
		{0x0004, typeShort, battery},
		{0x0005, typeSigned, rational(0, uint32(tilt), 100, 981, 100, 7, 100).value},
	}
	return undefined(tagMakerNote, makerNoteMagic+string(note.write(at+len(makerNoteMagic), 0)))
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
