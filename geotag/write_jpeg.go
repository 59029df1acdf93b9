package geotag

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"
)

// planJPEG works out the splices that make the edit in a JPEG: in its Exif
// block, in its XMP packet where that states a position, and in its
// multi-picture index where the rest makes images move.
func planJPEG(src *source, e Edit, p *Patch) error {
	segs, err := scanJPEG(src)
	if err != nil {
		return err
	}
	version, err := planExifSegment(src, segs, e, p)
	if err != nil {
		return err
	}
	if err := planXMPSegments(src, segs, e.xmpFields(version), p); err != nil {
		return err
	}
	if p.SizeAfter() == p.SizeBefore {
		return nil
	}
	sortSplices(p) // planMoves asks where bytes come to lie
	return planMoves(src, segs, p)
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
	p.move(plan.splices, in.data+int64(exifHeader))
	return plan.version, nil
}

// insertExif appends to p a new Exif segment. It stands first, where the Exif
// standard wants it, or after the JFIF segments where those have that place.
func insertExif(segs []segment, e Edit, p *Patch) error {
	block, err := newExif(e)
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
	packets := 0
	for i := range segs {
		s := &segs[i]
		if !s.isXMP() {
			continue
		}
		if packets++; packets > maxCarriers {
			return fmt.Errorf("%w: more than %d XMP packets", ErrUnsafe, maxCarriers)
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
		p.move(splices, s.data+int64(len(xmpSignature)))
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

// signedJPEG reports whether a JPEG carries a C2PA manifest store.
func signedJPEG(src *source) (bool, error) {
	segs, err := scanJPEG(src)
	if err != nil {
		return false, err
	}
	for i := range segs {
		if !segs[i].isJUMBF() {
			continue
		}
		payload, err := segs[i].payload(src)
		if err != nil {
			return false, err
		}
		if len(payload) >= jumbfHeader && isManifest(payload[jumbfHeader:]) {
			return true, nil
		}
	}
	return false, nil
}

// jumbfHeader is what stands before the box in a JUMBF segment: "JP", the box
// instance (2 bytes) and the packet number (4).
const jumbfHeader = 2 + 2 + 4

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
