package geotag

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"
)

// finish refuses what extended XMP says of the position, and completes the patch
// where it changes the image's length.
func (f jpegFile) finish(src *source, x xmpEdit, p *Patch) error {
	found, err := f.extendedNames(src, x)
	if err != nil {
		return err
	}
	if found {
		return fmt.Errorf("%w: the extended XMP names a position, or what else is to be written; changing that would break the digest it is known by", ErrUnsafe)
	}
	if p.SizeAfter() == p.SizeBefore {
		return nil
	}
	sortSplices(p) // moves asks where bytes come to lie
	return f.moves(src, p)
}

// payload returns a copy of a segment's payload.
func (s *segment) payload(src *source) ([]byte, error) {
	b, err := src.window(s.data, s.n)
	if err != nil {
		return nil, err
	}
	return bytes.Clone(b), nil
}

// rewrite plans the change of what the segment holds, and of its length field.
func (s segmentHolder) rewrite(src *source, p *Patch, edit func([]byte) ([]Splice, error)) error {
	b, err := s.content(src)
	if err != nil {
		return err
	}
	splices, err := edit(bytes.Clone(b))
	if err != nil {
		return err
	}
	if n := s.n + growth(splices); n != s.n {
		if n > maxSegment {
			return fmt.Errorf("%w: the %s segment holds %d bytes and would need %d, of at most %d", ErrNoRoom, s.what, s.n, n, maxSegment)
		}
		p.replace(s.data-2, binary.BigEndian.AppendUint16(nil, uint16(s.n+2)), binary.BigEndian.AppendUint16(nil, uint16(n+2)))
	}
	p.move(splices, s.data+int64(s.skip))
	return nil
}

// insert plans a new Exif segment. It stands first, where the Exif standard wants it,
// or after the JFIF segments where those have that place.
func (f jpegFile) insert(block []byte, p *Patch) error {
	return f.segment("Exif", append([]byte(exifSignature+"\x00"), block...), p, func(s *segment) bool { return s.marker == markerAPP0 })
}

// insertXMP plans a new XMP segment, after those of JFIF and Exif.
func (f jpegFile) insertXMP(packet []byte, p *Patch) error {
	return f.segment("XMP", append([]byte(xmpSignature), packet...), p, func(s *segment) bool { return s.marker == markerAPP0 || s.isExif() })
}

// segment plans a new segment after those first ones that pass over holds for.
func (f jpegFile) segment(what string, payload []byte, p *Patch, pass func(*segment) bool) error {
	at := f[0].end()
	for i := range f[1:] {
		s := &f[1+i]
		if !pass(s) {
			break
		}
		at = s.end()
	}
	n := len(payload)
	if n > maxSegment {
		return fmt.Errorf("%w: the %s segment would need %d bytes, of at most %d", ErrNoRoom, what, n, maxSegment)
	}
	seg := binary.BigEndian.AppendUint16([]byte{0xFF, markerAPP1}, uint16(n+2))
	p.Splices = append(p.Splices, Splice{Off: at, New: append(seg, payload...)})
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
func (f jpegFile) extendedNames(src *source, x xmpEdit) (bool, error) {
	type part struct {
		digest string
		off    uint32
		text   []byte
	}
	var parts []part
	for i := range f {
		if !f[i].isXMPExt() {
			continue
		}
		payload, err := f[i].payload(src)
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

// jumbfHeader is what stands before the box in a JUMBF segment: "JP", the box
// instance (2 bytes) and the packet number (4).
const jumbfHeader = 2 + 2 + 4

// moves completes a patch that changes the image's length: it keeps
// multi-picture indexes right, and notes what moves.
func (f jpegFile) moves(src *source, p *Patch) error {
	var indexes []Splice
	for i := range f {
		if !f[i].isMPF() {
			continue
		}
		payload, err := f[i].payload(src)
		if err != nil {
			return err
		}
		splices, err := planMPF(payload, f[i].data, p)
		if err != nil {
			return err
		}
		indexes = append(indexes, splices...)
	}
	p.Splices = append(p.Splices, indexes...)

	last := &f[len(f)-1]
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
