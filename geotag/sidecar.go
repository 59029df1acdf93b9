package geotag

import (
	"bytes"
	"cmp"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
)

// SidecarExtension is the file name extension of an XMP side-car file, which
// holds what is to be said of a photo in a format that is left alone, the raw
// formats of cameras above all. Such a file is no image, and its extension is none
// of Extensions.
const SidecarExtension = ".xmp"

// maxSidecar is the longest side-car that is read.
const maxSidecar = xmpMaxSize

var sidecarContainer = container{
	name: "xmp",
	bare: true,
	sniff: func(head []byte) bool {
		for _, mark := range []string{"\xEF\xBB\xBF", "\xFE\xFF", "\xFF\xFE"} {
			head = bytes.TrimPrefix(head, []byte(mark))
		}
		head = bytes.TrimLeft(bytes.ReplaceAll(head, []byte{0}, nil), xmlSpace) // in UTF-16 too
		if bytes.HasPrefix(head, []byte("<?xpacket")) || bytes.HasPrefix(head, []byte("<?xml")) || bytes.HasPrefix(head, []byte("<!--")) {
			return true
		}
		name := string(tagName(head))
		return bytes.HasPrefix(head, []byte("<")) && (strings.HasSuffix(name, ":xmpmeta") || strings.HasSuffix(name, ":RDF"))
	},
	read: readSidecar,
	plan: planSidecar,
}

// sidecarPacket reads the whole of a side-car.
func sidecarPacket(src *source) ([]byte, error) {
	if src.size > maxSidecar {
		return nil, fmt.Errorf("%w: a side-car of %d bytes; %d are read at most", ErrCorrupt, src.size, maxSidecar)
	}
	return src.window(0, int(src.size))
}

// readSidecar reads an XMP packet that is a file by itself. Beyond what is read
// of a packet in an image it reads what only an Exif block tells of those:
// destination, DateTimeOriginal, make, model and orientation.
func readSidecar(src *source) (*Tag, error) {
	b, err := sidecarPacket(src)
	if err != nil {
		return nil, err
	}
	t := new(Tag)
	packet, utf16, err := xmpUTF8(b)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrCorrupt, err)
	}
	if utf16 {
		t.warn(WarnCharset, "XMP", "the packet is in UTF-16 where UTF-8 is due")
	}
	x, err := parseXMP(packet)
	var syntax *xml.SyntaxError
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF), errors.As(err, &syntax) && strings.Contains(syntax.Msg, "unexpected EOF"):
		return nil, fmt.Errorf("%w: %w", ErrTruncated, err)
	case err != nil:
		return nil, fmt.Errorf("%w: %w", ErrCorrupt, err)
	case !x.resource:
		return nil, fmt.Errorf("%w: it is XML, but no XMP: there is no rdf:RDF", ErrFormat)
	}
	x.texts(t)
	t.ExifVersion = x.value[xmpExifVersion]
	t.Make, t.Model = x.value[xmpMake], x.value[xmpModel]
	r := xmpReader{t, x}
	t.Orientation = r.orientation()
	t.Taken = r.taken()
	t.settle(x)
	dest := Destination{
		Position: r.position(gpsDestLatitude),
		Bearing:  r.direction(gpsDestBearing),
		Distance: r.distance(gpsDestDistance),
	}
	if dest != (Destination{}) {
		t.Destination = &dest
	}
	return t, nil
}

// orientation reads tiff:Orientation, 0 for none.
func (r *xmpReader) orientation() int {
	n, ok := digits(r.x.value[xmpOrientation])
	if r.x.has[xmpOrientation] && (!ok || n < 1 || n > 8) {
		r.warn(WarnOutOfRange, xmpNames[xmpOrientation], "%q is none of 1 to 8", r.x.value[xmpOrientation])
		return 0
	}
	return n
}

// taken reads exif:DateTimeOriginal: ISO 8601, to the second or finer, with a
// zone or without (XMP specification part 1, section 8.2.1.2).
func (r *xmpReader) taken() *Taken {
	s := r.x.value[xmpDateTimeOriginal]
	if s == "" {
		return nil
	}
	for i, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04Z07:00", "2006-01-02T15:04:05", "2006-01-02T15:04"} {
		if when, err := time.Parse(layout, s); err == nil && when.Year() > 0 {
			return &Taken{Time: when, HasOffset: i < 2}
		}
	}
	r.warn(WarnOutOfRange, xmpNames[xmpDateTimeOriginal], "%q is no date and time", s)
	return nil
}

// planSidecar works out the splices that make the edit in a side-car: the
// properties that stand in it change where they are, and those that don't are
// added. The packet keeps its length where its padding allows.
func planSidecar(src *source, e Edit, p *Patch) (signed bool, err error) {
	b, err := sidecarPacket(src)
	if err != nil {
		return false, err
	}
	packet := bytes.Clone(b)
	if _, utf16, err := xmpUTF8(packet); err != nil || utf16 {
		return false, fmt.Errorf("%w: the packet is in UTF-16; write it in UTF-8, which XMP in a file is due to be in", ErrUnsafe)
	}
	scan, err := scanXMP(packet)
	if err != nil {
		return false, fmt.Errorf("%w: %w", ErrCorrupt, err)
	}
	splices, notes, err := planXMP(packet, e.xmpFields(scan.version(), true))
	if err != nil {
		return false, err
	}
	p.Notes = append(p.Notes, notes...)
	p.move(splices, 0)
	return false, nil
}

// version is the GPSVersionID that a packet has after a correction.
func (s *xmpResource) version() [4]byte {
	var old []byte
	for _, p := range s.properties {
		if p.name != "GPSVersionID" {
			continue
		}
		old = old[:0]
		for part := range strings.SplitSeq(strings.TrimSpace(p.value), ".") {
			n, ok := digits(part)
			if !ok || n > 255 {
				return version23
			}
			old = append(old, byte(n))
		}
	}
	return gpsVersion(old)
}

// NewSidecar works out the side-car of a photo that has none, as a Patch of
// nothing: its SizeBefore is 0, and ApplyBytes(nil) gives the file. The same edit
// gives the same bytes. The error wraps ErrEdit.
func NewSidecar(e Edit) (*Patch, error) {
	if err := e.check(); err != nil {
		return nil, err
	}
	if err := e.suits(new(Tag), true); err != nil {
		return nil, err
	}
	line := strings.Repeat(" ", 99) + "\n"
	empty := []byte("<?xpacket begin=\"\uFEFF\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n" +
		"<x:xmpmeta xmlns:x=\"adobe:ns:meta/\">\n <rdf:RDF xmlns:rdf=\"" + nsRDF + "\"/>\n</x:xmpmeta>\n" +
		strings.Repeat(line, xmpRoom/len(line)) + "<?xpacket end=\"w\"?>")
	scan, err := scanXMP(empty)
	if err != nil {
		return nil, fmt.Errorf("building a side-car: %w", err)
	}
	off, end, text, err := scan.insertion(empty, e.xmpFields(version23, true), nil)
	if err != nil {
		return nil, fmt.Errorf("building a side-car: %w", err)
	}
	file := slices.Concat(empty[:off], []byte(text), empty[end:])
	_, again, err := Rewrite(file, e)
	if err == nil && !again.Empty() {
		err = errors.New("a second run would change it")
	}
	if err != nil {
		return nil, fmt.Errorf("building a side-car: it does not read back: %w", err)
	}
	return &Patch{Splices: []Splice{{New: file}}}, nil
}

// WithSidecar puts what a photo's side-car says together with what the photo
// itself says: t is the photo's tag, side that of the side-car, and both are left
// alone. A position in the side-car goes before the photo's own, with its
// accuracy, datum and method, because the side-car is where such a photo is
// corrected, and what programs that read it take: common practice, no source.
// What else the photo states stays, and the side-car adds what it doesn't.
//
// XMPPosition is the side-car's position. Where it differs from the photo's own
// the result has WarnConflict, unless the side-car's processing method says that
// its position is no receiver's: then it is meant to differ.
func (t *Tag) WithSidecar(side *Tag) *Tag {
	m := *t
	m.Warnings = slices.Concat(t.Warnings, side.Warnings)
	m.Texts.Keywords = slices.Clone(t.Texts.Keywords)
	for _, k := range side.Texts.Keywords {
		m.addKeyword(k)
	}
	m.Texts.XMPTitle = cmp.Or(side.Texts.XMPTitle, t.Texts.XMPTitle)
	m.Texts.XMPDescription = cmp.Or(side.Texts.XMPDescription, t.Texts.XMPDescription)
	m.Make, m.Model = cmp.Or(t.Make, side.Make), cmp.Or(t.Model, side.Model)
	m.Orientation = cmp.Or(t.Orientation, side.Orientation)
	m.Taken = cmp.Or(t.Taken, side.Taken)
	m.GPSTime = cmp.Or(t.GPSTime, side.GPSTime)
	m.Altitude = cmp.Or(t.Altitude, side.Altitude)
	m.Direction = cmp.Or(t.Direction, side.Direction)
	m.Destination = cmp.Or(side.Destination, t.Destination)
	if side.Position == nil {
		return &m
	}
	m.Position, m.XMPPosition = side.Position, side.Position
	m.HPositioningError, m.DOP = side.HPositioningError, side.DOP
	m.MeasureMode, m.Status = side.MeasureMode, side.Status
	m.MapDatum, m.ProcessingMethod, m.Differential = side.MapDatum, side.ProcessingMethod, side.Differential
	m.Warnings = slices.DeleteFunc(m.Warnings, func(w Warning) bool { return w.Code == WarnUnread })
	if t.Position != nil && !side.surveyed() {
		m.compare("the photo", t.Position, "the side-car", side.Position)
	}
	return &m
}

// surveyed reports whether a tag names a method that is none of those that Exif
// has for what receivers find (CIPA DC-008, GPSProcessingMethod).
func (t *Tag) surveyed() bool {
	switch t.ProcessingMethod {
	case "", "GPS", "CELLID", "WLAN":
		return false
	}
	return true
}
