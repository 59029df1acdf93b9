package geotag

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
)

// planJPEG works out the splices that make the edit in a JPEG: in its Exif
// block, in its XMP packet where that states a position, and in its
// multi-picture index where the rest makes images move.
func planJPEG(src *source, e Edit) (*Patch, error) {
	segs, err := scanJPEG(src)
	if err != nil {
		return nil, err
	}
	before, err := readJPEG(src)
	if err != nil {
		return nil, err
	}
	if e.Meaning == CameraPosition {
		if before.Position == nil || before.Position.Source != SourceExif {
			return nil, fmt.Errorf("%w: the image has no sound Exif position that could stay the camera's; use SubjectPosition", ErrEdit)
		}
		if !sameDatum(before.MapDatum, e.MapDatum) {
			return nil, fmt.Errorf("%w: the destination is in datum %q, but the image's own is %q, and Exif has one for both", ErrEdit, e.datum(), cmp.Or(before.MapDatum, defaultDatum))
		}
	}
	p := &Patch{SizeBefore: src.size}
	version, err := planExifSegment(src, segs, e, p)
	if err != nil {
		return nil, err
	}
	if err := planXMPSegments(src, segs, e.xmpFields(version), p); err != nil {
		return nil, err
	}
	sortSplices(p)
	if p.Empty() {
		p.Notes = nil
		return p, nil
	}
	signed, err := hasManifest(src, segs)
	if err != nil {
		return nil, err
	}
	if signed {
		if !e.AllowSigned {
			return nil, ErrSigned
		}
		p.Notes = append(p.Notes, "the correction breaks the signature of the provenance manifest (C2PA)")
	}
	if p.SizeAfter() != p.SizeBefore {
		if err := planMoves(src, segs, p); err != nil {
			return nil, err
		}
	}
	if err := verify(src, before, e, p); err != nil {
		return nil, err
	}
	return p, nil
}

func sortSplices(p *Patch) {
	slices.SortStableFunc(p.Splices, func(a, b Splice) int { return cmp.Compare(a.Off, b.Off) })
}

// payload returns a copy of a segment's payload.
func (s *segment) payload(src *source) ([]byte, error) {
	b, err := src.window(s.data, s.n)
	if err != nil {
		return nil, err
	}
	return bytes.Clone(b), nil
}

// resize appends to p the change of a segment's length field.
func (s *segment) resize(p *Patch, growth int, what string) error {
	if growth == 0 {
		return nil
	}
	if s.n+growth > maxSegment {
		return fmt.Errorf("%w: the %s segment holds %d bytes and would need %d, of at most %d", ErrNoRoom, what, s.n, s.n+growth, maxSegment)
	}
	p.Splices = append(p.Splices, Splice{
		Off: s.data - 2,
		Old: binary.BigEndian.AppendUint16(nil, uint16(s.n+2)),
		New: binary.BigEndian.AppendUint16(nil, uint16(s.n+2+growth)),
	})
	return nil
}

// planExifSegment appends to p what makes the edit in the Exif segment, or a
// whole new one, and returns the GPSVersionID that the image then has.
func planExifSegment(src *source, segs []segment, e Edit, p *Patch) (version [4]byte, err error) {
	var in *segment
	for i := range segs {
		if !segs[i].isExif() {
			continue
		}
		if in != nil {
			return version, fmt.Errorf("%w: there are two Exif blocks, at offsets %d and %d, and which of them a reader takes is not known", ErrUnsafe, in.off, segs[i].off)
		}
		in = &segs[i]
	}
	if in == nil {
		return version23, insertExif(segs, e, p)
	}
	payload, err := in.payload(src)
	if err != nil {
		return version, err
	}
	plan, err := planBlock(payload[exifHeader:], e)
	if err != nil {
		return version, err
	}
	if err := in.resize(p, plan.growth, "Exif"); err != nil {
		return version, err
	}
	for _, s := range plan.splices {
		s.Off += in.data + int64(exifHeader)
		p.Splices = append(p.Splices, s)
	}
	return plan.version, nil
}

// insertExif appends to p a new Exif segment. It stands first, where the Exif
// standard wants it, or after the JFIF segments where those have that place.
func insertExif(segs []segment, e Edit, p *Patch) error {
	block, err := newBlock()
	if err != nil {
		return err
	}
	plan, err := planBlock(block, e)
	if err != nil {
		return err
	}
	full := Patch{SizeBefore: int64(len(block)), Splices: plan.splices}
	block, err = full.ApplyBytes(block)
	if err != nil {
		return err
	}
	at := segs[0].end()
	for _, s := range segs[1:] {
		if s.marker != markerAPP0 {
			break
		}
		at = s.end()
	}
	n := exifHeader + len(block)
	if n > maxSegment {
		return fmt.Errorf("%w: the Exif segment would need %d bytes, of at most %d", ErrNoRoom, n, maxSegment)
	}
	seg := binary.BigEndian.AppendUint16([]byte{0xFF, markerAPP1}, uint16(n+2))
	seg = append(append(append(seg, exifSignature...), 0), block...)
	p.Splices = append(p.Splices, Splice{Off: at, New: seg})
	return nil
}

// planXMPSegments appends to p what brings XMP into line.
func planXMPSegments(src *source, segs []segment, x xmpEdit, p *Patch) error {
	for i := range segs {
		s := &segs[i]
		if !s.isXMP() {
			continue
		}
		payload, err := s.payload(src)
		if err != nil {
			return err
		}
		splices, notes, err := planXMP(payload[len(xmpSignature):], x)
		if err != nil {
			return err
		}
		p.Notes = append(p.Notes, notes...)
		if err := s.resize(p, growth(splices), "XMP"); err != nil {
			return err
		}
		for _, c := range splices {
			c.Off += s.data + int64(len(xmpSignature))
			p.Splices = append(p.Splices, c)
		}
	}
	found, err := extendedNames(src, segs, x)
	if err != nil {
		return err
	}
	if found {
		return fmt.Errorf("%w: the extended XMP names a position; changing that would break the digest it is known by", ErrUnsafe)
	}
	return nil
}

// Extended XMP, XMP specification part 3 section 1.1.3.1: after the signature
// come a digest, the full length and the offset of this part.
const (
	xmpExtDigest = 32
	xmpExtHeader = xmpExtDigest + 4 + 4
)

// extendedNames reports whether the extended XMP names a property that the edit
// changes, also across the border between two of its parts.
func extendedNames(src *source, segs []segment, x xmpEdit) (bool, error) {
	type part struct {
		digest string
		off    uint32
		text   []byte
	}
	var parts []part
	for i := range segs {
		if !segs[i].isXMPExt() {
			continue
		}
		payload, err := segs[i].payload(src)
		if err != nil {
			return false, err
		}
		body := payload[len(xmpExtSignature):]
		if len(body) < xmpExtHeader {
			continue // nothing in it
		}
		parts = append(parts, part{
			string(body[:xmpExtDigest]),
			binary.BigEndian.Uint32(body[xmpExtDigest+4:]),
			body[xmpExtHeader:],
		})
	}
	slices.SortStableFunc(parts, func(a, b part) int {
		return cmp.Or(cmp.Compare(a.digest, b.digest), cmp.Compare(a.off, b.off))
	})
	const longest = 32 // no property name is longer
	var tail []byte
	for _, p := range parts {
		text := append(tail, p.text...)
		if x.names(text) {
			return true, nil
		}
		tail = bytes.Clone(text[max(0, len(text)-longest):])
	}
	return false, nil
}

// JUMBF, ISO/IEC 19566-5, and the type of the superbox that holds a manifest
// store, C2PA technical specification section 11.1.4.
const manifestUUID = "c2pa\x00\x11\x00\x10\x80\x00\x00\xAA\x00\x38\x9B\x71"

// hasManifest reports whether the image carries a C2PA manifest store.
func hasManifest(src *source, segs []segment) (bool, error) {
	for i := range segs {
		if !segs[i].isJUMBF() {
			continue
		}
		payload, err := segs[i].payload(src)
		if err != nil {
			return false, err
		}
		if isManifest(payload) {
			return true, nil
		}
	}
	return false, nil
}

// isManifest reports whether the payload of a JUMBF segment starts a manifest
// store: "JP", box instance (2 bytes), packet number (4), then a superbox whose
// first box, the description, has the manifest store's type.
func isManifest(payload []byte) bool {
	const head = 2 + 2 + 4
	if len(payload) < head {
		return false
	}
	body, ok := box(payload[head:], "jumb")
	if !ok {
		return false
	}
	desc, ok := box(body, "jumd")
	return ok && bytes.HasPrefix(desc, []byte(manifestUUID))
}

// box returns what follows the header of the box that b starts with, up to b's
// end at most, if it is of the type wanted.
func box(b []byte, want string) ([]byte, bool) {
	if len(b) < 8 || string(b[4:8]) != want {
		return nil, false
	}
	head := 8
	if binary.BigEndian.Uint32(b) == 1 { // a 64-bit length follows
		head = 16
	}
	if len(b) < head {
		return nil, false
	}
	return b[head:], true
}

// planMoves completes a patch that changes the image's length: it keeps
// multi-picture indexes right, and notes what moves.
func planMoves(src *source, segs []segment, p *Patch) error {
	var indexes []Splice
	for i := range segs {
		if !segs[i].isMPF() {
			continue
		}
		payload, err := segs[i].payload(src)
		if err != nil {
			return err
		}
		splices, err := planMPF(payload, segs[i].data, p)
		if err != nil {
			return err
		}
		indexes = append(indexes, splices...)
	}
	p.Splices = append(p.Splices, indexes...)
	sortSplices(p)

	last := &segs[len(segs)-1]
	end, err := imageEnd(src, last)
	if err != nil {
		return err
	}
	moves := p.SizeAfter() - p.SizeBefore
	switch {
	case end < 0:
		p.Notes = append(p.Notes, "the image data have no end marker")
	case end < src.size && indexes != nil:
		p.Notes = append(p.Notes, fmt.Sprintf("%d bytes follow the first image and move by %d; the multi-picture index is kept right", src.size-end, moves))
	case end < src.size:
		p.Notes = append(p.Notes, fmt.Sprintf("%d bytes follow the image and move by %d; an absolute offset to them, such as a maker's note may hold, would no longer be right", src.size-end, moves))
	}
	return nil
}

// imageEnd returns the offset just after the image's end marker, -1 where there
// is none. last is the segment that scanJPEG ended with. It reads the image
// data, but holds no more than a window of them.
func imageEnd(src *source, last *segment) (int64, error) {
	pos := last.end()
	if last.marker == markerEOI {
		return pos, nil
	}
	escaped := false // the last byte was 0xFF
	for pos < src.size {
		b, err := src.window(pos, int(min(chunk, src.size-pos)))
		if err != nil {
			return 0, err
		}
		i := 0
	window:
		for i < len(b) {
			if !escaped {
				n := bytes.IndexByte(b[i:], 0xFF)
				if n < 0 {
					i = len(b)
					break
				}
				i += n + 1
				escaped = true
				continue
			}
			m := b[i]
			i++
			escaped = m == 0xFF // a fill byte: the marker is still to come
			switch {
			case m == 0xFF || m == 0 || m != markerEOI && standsAlone(m):
				// A stuffed byte or a restart: the image data go on.
			case m == markerEOI:
				return pos + int64(i), nil
			default: // the tables or the header of a further scan
				if src.size-pos-int64(i) < 2 {
					return -1, nil
				}
				if b, err = src.window(pos+int64(i), 2); err != nil {
					return 0, err
				}
				i += max(2, int(binary.BigEndian.Uint16(b)))
				break window
			}
		}
		pos += int64(i)
	}
	return -1, nil
}

// readerAt is a source as an io.ReaderAt.
type readerAt struct{ src *source }

func (r readerAt) ReadAt(b []byte, off int64) (int, error) {
	n := int(max(0, min(int64(len(b)), r.src.size-off)))
	w, err := r.src.window(off, n)
	if err != nil {
		return 0, err
	}
	copy(b, w)
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

// metresPerDegree is a bound from above for the length of a degree of latitude,
// or of longitude on the equator, on any ellipsoid in use.
const metresPerDegree = 111_700

// verify reads the image as the patch would make it and reports an error unless
// it says what the edit asks for, and all the rest that it said before. It
// guards against mistakes in this package: no image leads to it.
func verify(src *source, before *Tag, e Edit, p *Patch) error {
	fail := func(format string, args ...any) error {
		return fmt.Errorf("the correction was worked out but does not read back, so it is not made: "+format, args...)
	}
	if err := p.Check(); err != nil {
		return fail("%v", err)
	}
	result := newSource(patched{readerAt{src}, p}, p.SizeAfter())
	defer result.release()
	after, err := readJPEG(result)
	if err != nil {
		return fail("%v", err)
	}
	a, b := *after, *before
	near := func(what string, got *Position) error {
		const millimetre = 0.001
		if got == nil {
			return fail("there is no %s", what)
		}
		if d := max(math.Abs(got.Lat-e.Lat), math.Abs(got.Lon-e.Lon)) * metresPerDegree; !(d <= millimetre) {
			return fail("the %s is %v, %v where %v, %v is due", what, got.Lat, got.Lon, e.Lat, e.Lon)
		}
		return nil
	}
	if e.Meaning == CameraPosition {
		if a.Destination == nil {
			return fail("there is no destination")
		}
		if err := near("destination", a.Destination.Position); err != nil {
			return err
		}
		a.Destination, b.Destination = nil, nil
	} else {
		if err := near("position", a.Position); err != nil {
			return err
		}
		if a.Position.Source != SourceExif {
			return fail("the Exif position is not sound")
		}
		if b.Position != nil && b.Position.Source == SourceXMP {
			// With the position, the reader took these from XMP too, where they
			// still are.
			a.Altitude, a.Direction, a.GPSTime = nil, nil, nil
			b.Altitude, b.Direction, b.GPSTime = nil, nil, nil
		}
		if a.XMPPosition != nil {
			if err := near("XMP position", a.XMPPosition); err != nil {
				return err
			}
		}
		a.Position, a.XMPPosition, a.HPositioningError, a.MapDatum, a.ProcessingMethod = nil, nil, nil, "", ""
		b.Position, b.XMPPosition, b.HPositioningError, b.MapDatum, b.ProcessingMethod = nil, nil, nil, "", ""
		b.DOP, b.MeasureMode, b.Status = nil, 0, ""
	}
	a.Warnings, b.Warnings = nil, nil
	x, y := reflect.ValueOf(a), reflect.ValueOf(b)
	for i := range x.NumField() {
		if !reflect.DeepEqual(x.Field(i).Interface(), y.Field(i).Interface()) {
			return fail("%s changed", x.Type().Field(i).Name)
		}
	}
	return nil
}

// Rewrite is Plan and Patch.Apply for an image in memory: it returns the image
// with the edit made, and the patch that made it. img is left alone; where
// there is nothing to change, the result is a copy of it. The errors are those
// of Plan.
func Rewrite(img []byte, e Edit) ([]byte, *Patch, error) {
	p, err := Plan(bytes.NewReader(img), int64(len(img)), e)
	if err != nil {
		return nil, nil, err
	}
	out, err := p.ApplyBytes(img)
	if err != nil {
		return nil, nil, err
	}
	return out, p, nil
}
