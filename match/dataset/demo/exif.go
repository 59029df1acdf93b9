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

// The invented handheld.
const (
	handheldMake     = "Quillfen Instruments"
	handheldModel    = "Quillfen Marker 7"
	handheldSoftware = "Quillfen field 4.2.0"
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

// Exif tag numbers (CIPA DC-008) that the builder is fed with. They are given
// as numbers, since the dictionary of go-exif does not have all of them.
const (
	tagImageDescription = 0x010e
	tagMake             = 0x010f
	tagModel            = 0x0110
	tagOrientation      = 0x0112
	tagXResolution      = 0x011a
	tagYResolution      = 0x011b
	tagResolutionUnit   = 0x0128
	tagSoftware         = 0x0131
	tagDateTime         = 0x0132
	tagYCbCrPositioning = 0x0213

	tagCompression     = 0x0103
	tagThumbnailOffset = 0x0201
	tagThumbnailLength = 0x0202

	tagExposureTime       = 0x829a
	tagFNumber            = 0x829d
	tagISO                = 0x8827
	tagExifVersion        = 0x9000
	tagDateTimeOriginal   = 0x9003
	tagDateTimeDigitized  = 0x9004
	tagOffsetTime         = 0x9010
	tagOffsetTimeOriginal = 0x9011
	tagComponents         = 0x9101
	tagFocalLength        = 0x920a
	tagMakerNote          = 0x927c
	tagUserComment        = 0x9286
	tagSubSecTimeOriginal = 0x9291
	tagFlashpixVersion    = 0xa000
	tagColorSpace         = 0xa001
	tagPixelXDimension    = 0xa002
	tagPixelYDimension    = 0xa003
	tagFocalLength35      = 0xa405
	tagBodySerialNumber   = 0xa431

	tagGPSVersionID         = 0x0000
	tagGPSLatitudeRef       = 0x0001
	tagGPSLatitude          = 0x0002
	tagGPSLongitudeRef      = 0x0003
	tagGPSLongitude         = 0x0004
	tagGPSAltitudeRef       = 0x0005
	tagGPSAltitude          = 0x0006
	tagGPSTimeStamp         = 0x0007
	tagGPSStatus            = 0x0009
	tagGPSMeasureMode       = 0x000a
	tagGPSDOP               = 0x000b
	tagGPSImgDirectionRef   = 0x0010
	tagGPSImgDirection      = 0x0011
	tagGPSMapDatum          = 0x0012
	tagGPSProcessingMethod  = 0x001b
	tagGPSDateStamp         = 0x001d
	tagGPSHPositioningError = 0x001f
)

var order = binary.LittleEndian

// directory feeds an IfdBuilder. Entries must be added in ascending order.
type directory struct {
	ib   *exif.IfdBuilder
	path string
	err  error
}

func newDirectory(m *exifcommon.IfdMapping, ti *exif.TagIndex, id *exifcommon.IfdIdentity) *directory {
	return &directory{ib: exif.NewIfdBuilder(m, ti, id, order), path: id.UnindexedString()}
}

func (d *directory) add(tag uint16, typ exifcommon.TagTypePrimitive, value []byte) {
	if d.err != nil {
		return
	}
	d.err = d.ib.Add(exif.NewBuilderTag(d.path, tag, typ, exif.NewIfdBuilderTagValueFromBytes(value), order))
}

// ascii adds a text. Values that are stored apart get an even length, a second
// NUL where needed, so that the ones after them stay on word boundaries as the
// TIFF format asks for.
func (d *directory) ascii(tag uint16, s string) {
	b := append([]byte(s), 0)
	if len(b) > 4 && len(b)%2 == 1 {
		b = append(b, 0)
	}
	d.add(tag, exifcommon.TypeAscii, b)
}

func (d *directory) bytes(tag uint16, b ...byte) { d.add(tag, exifcommon.TypeByte, b) }

func (d *directory) undefined(tag uint16, b []byte) {
	d.add(tag, exifcommon.TypeUndefined, b)
}

func (d *directory) short(tag, v uint16) {
	d.add(tag, exifcommon.TypeShort, order.AppendUint16(nil, v))
}

func (d *directory) long(tag uint16, v uint32) {
	d.add(tag, exifcommon.TypeLong, order.AppendUint32(nil, v))
}

// rational adds pairs of numerator and denominator.
func (d *directory) rational(tag uint16, v ...uint32) {
	var b []byte
	for _, x := range v {
		b = order.AppendUint32(b, x)
	}
	d.add(tag, exifcommon.TypeRational, b)
}

func (d *directory) child(c *directory) {
	if d.err == nil {
		d.err = c.err
	}
	if d.err == nil {
		d.err = d.ib.AddChildIb(c.ib)
	}
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
		return nil, err
	}
	note := bytes.Index(first, []byte(makerNoteMagic))
	if note < 0 {
		return nil, errors.New("demo: the maker's note is not in the Exif block built")
	}
	block, err := buildExif(m, w, h, uint32(note), uint32(len(first)), uint32(len(thumbnail)))
	if err != nil {
		return nil, err
	}
	if len(block) != len(first) || bytes.Index(block, []byte(makerNoteMagic)) != note {
		return nil, errors.New("demo: the Exif block changed its layout between two builds")
	}
	return append(block, thumbnail...), nil
}

func buildExif(m meta, w, h int, noteAt, thumbAt, thumbLen uint32) ([]byte, error) {
	im, err := exifcommon.NewIfdMappingWithStandard()
	if err != nil {
		return nil, fmt.Errorf("demo: building Exif: %w", err)
	}
	ti := exif.NewTagIndex()

	const stamp = "2006:01:02 15:04:05"
	zone := m.taken.Format("-07:00")

	sub := newDirectory(im, ti, exifcommon.IfdExifStandardIfdIdentity)
	sub.rational(tagExposureTime, 1, uint32(320+20*(m.number%9)))
	sub.rational(tagFNumber, 18, 10)
	sub.short(tagISO, uint16(50+10*(m.number%4)))
	sub.undefined(tagExifVersion, []byte("0232"))
	sub.ascii(tagDateTimeOriginal, m.taken.Format(stamp))
	sub.ascii(tagDateTimeDigitized, m.taken.Format(stamp))
	sub.ascii(tagOffsetTime, zone)
	sub.ascii(tagOffsetTimeOriginal, zone)
	sub.undefined(tagComponents, []byte{1, 2, 3, 0})
	sub.rational(tagFocalLength, 43, 10)
	sub.undefined(tagMakerNote, makerNote(m, noteAt))
	if m.comment != "" {
		text := "ASCII\x00\x00\x00" + m.comment
		if len(text)%2 == 1 {
			text += " "
		}
		sub.undefined(tagUserComment, []byte(text))
	}
	sub.ascii(tagSubSecTimeOriginal, fmt.Sprintf("%02d", m.taken.Nanosecond()/10_000_000))
	sub.undefined(tagFlashpixVersion, []byte("0100"))
	sub.short(tagColorSpace, 1)
	sub.long(tagPixelXDimension, uint32(w))
	sub.long(tagPixelYDimension, uint32(h))
	sub.short(tagFocalLength35, focal35)
	sub.ascii(tagBodySerialNumber, m.serial)

	root := newDirectory(im, ti, exifcommon.IfdStandardIfdIdentity)
	if m.description != "" {
		root.ascii(tagImageDescription, m.description)
	}
	root.ascii(tagMake, handheldMake)
	root.ascii(tagModel, handheldModel)
	root.short(tagOrientation, 1)
	root.rational(tagXResolution, 72, 1)
	root.rational(tagYResolution, 72, 1)
	root.short(tagResolutionUnit, 2)
	root.ascii(tagSoftware, handheldSoftware)
	root.ascii(tagDateTime, m.taken.Format(stamp))
	root.short(tagYCbCrPositioning, 1)
	root.child(sub)
	if m.gps != nil {
		root.child(gpsDirectory(im, ti, m.gps))
	}

	thumb := newDirectory(im, ti, exifcommon.Ifd1StandardIfdIdentity)
	thumb.short(tagCompression, 6)
	thumb.rational(tagXResolution, 72, 1)
	thumb.rational(tagYResolution, 72, 1)
	thumb.short(tagResolutionUnit, 2)
	thumb.long(tagThumbnailOffset, thumbAt)
	thumb.long(tagThumbnailLength, thumbLen)

	if err := errors.Join(root.err, thumb.err, root.ib.SetNextIb(thumb.ib)); err != nil {
		return nil, fmt.Errorf("demo: building Exif: %w", err)
	}
	payload, err := exif.NewIfdByteEncoder().EncodeToExifPayload(root.ib)
	if err != nil {
		return nil, fmt.Errorf("demo: building Exif: %w", err)
	}
	header, err := exif.BuildExifHeader(order, exif.ExifDefaultFirstIfdOffset)
	if err != nil {
		return nil, fmt.Errorf("demo: building Exif: %w", err)
	}
	return append(header, payload...), nil
}

func gpsDirectory(im *exifcommon.IfdMapping, ti *exif.TagIndex, g *gps) *directory {
	d := newDirectory(im, ti, exifcommon.IfdGpsInfoStandardIfdIdentity)
	d.bytes(tagGPSVersionID, 2, 3, 0, 0)
	f := g.fix
	if f == nil {
		d.ascii(tagGPSStatus, "V")
		return d
	}
	latRef, lonRef := "N", "E"
	if f.lat < 0 {
		latRef = "S"
	}
	if f.lon < 0 && !g.eastRef {
		lonRef = "W"
	}
	altRef := byte(0)
	if f.altitude < 0 {
		altRef = 1
	}
	utc := f.time.UTC()
	d.ascii(tagGPSLatitudeRef, latRef)
	d.rational(tagGPSLatitude, sexagesimal(f.lat)...)
	d.ascii(tagGPSLongitudeRef, lonRef)
	d.rational(tagGPSLongitude, sexagesimal(f.lon)...)
	d.bytes(tagGPSAltitudeRef, altRef)
	d.rational(tagGPSAltitude, scaled(math.Abs(f.altitude), 10), 10)
	d.rational(tagGPSTimeStamp, uint32(utc.Hour()), 1, uint32(utc.Minute()), 1, uint32(utc.Second()), 1)
	d.ascii(tagGPSStatus, "A")
	d.ascii(tagGPSMeasureMode, "3")
	d.rational(tagGPSDOP, scaled(f.dop, 100), 100)
	d.ascii(tagGPSImgDirectionRef, "T")
	d.rational(tagGPSImgDirection, scaled(g.direction, 10)%3600, 10)
	d.ascii(tagGPSMapDatum, "WGS-84")
	d.undefined(tagGPSProcessingMethod, []byte("ASCII\x00\x00\x00GPS\x00"))
	d.ascii(tagGPSDateStamp, utc.Format("2006:01:02"))
	d.rational(tagGPSHPositioningError, scaled(f.herr, 10), 10)
	return d
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
	type entry struct {
		tag, typ uint16
		count    uint32
		value    []byte
	}
	text := func(tag uint16, s string) entry {
		b := append([]byte(s), 0)
		n := uint32(len(b))
		if len(b)%2 == 1 {
			b = append(b, 0)
		}
		return entry{tag, 2, n, b}
	}
	var battery []byte
	for i := range 12 {
		battery = order.AppendUint16(battery, uint16(4120-7*i-m.number/2))
	}
	entries := []entry{
		text(0x0001, "Quillfen private record"),
		{0x0002, 4, 1, order.AppendUint32(nil, uint32(m.number))},
		text(0x0003, "receiver QR-9 fw 2.11.7"),
		{0x0004, 3, 12, battery},
		{0x0005, 10, 3, slices.Concat(srational(-12, 100), srational(981, 100), srational(7, 100))},
	}
	note := []byte(makerNoteMagic)
	data := at + uint32(len(note)+2+12*len(entries)+4)
	note = order.AppendUint16(note, uint16(len(entries)))
	var values []byte
	for _, e := range entries {
		note = order.AppendUint16(note, e.tag)
		note = order.AppendUint16(note, e.typ)
		note = order.AppendUint32(note, e.count)
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

func srational(n, d int32) []byte {
	return order.AppendUint32(order.AppendUint32(nil, uint32(n)), uint32(d))
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
