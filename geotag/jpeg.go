package geotag

import (
	"bytes"
	"fmt"
)

// JPEG markers, ITU-T T.81 table B.1.
const (
	markerTEM  = 0x01
	markerSOF0 = 0xC0
	markerDHT  = 0xC4
	markerJPG  = 0xC8
	markerDAC  = 0xCC
	markerRST0 = 0xD0
	markerRST7 = 0xD7
	markerSOI  = 0xD8
	markerEOI  = 0xD9
	markerSOS  = 0xDA
	markerAPP0 = 0xE0
	markerAPP1 = 0xE1
	markerAPP2 = 0xE2
	markerAPPB = 0xEB
)

// maxSegment is the longest payload of a segment: its length field counts
// itself and has 16 bits.
const maxSegment = 65535 - 2

// Signatures at the start of a segment's payload.
const (
	exifSignature   = "Exif\x00"                               // and one pad byte, 0 by the standard
	xmpSignature    = "http://ns.adobe.com/xap/1.0/\x00"       // XMP specification part 3
	xmpExtSignature = "http://ns.adobe.com/xmp/extension/\x00" // the same, extended XMP
	mpfSignature    = "MPF\x00"                                // CIPA DC-007
	jumbfSignature  = "JP"                                     // ISO/IEC 19566-5 annex D
	exifHeader      = len(exifSignature) + 1                   // to the TIFF header
)

// maxStray is how many bytes that belong to no segment are passed over between
// two of them before the file counts as damaged. Decoders pass over any number.
const maxStray = 4096

// maxSegments bounds the number of segments before the image data. A multi-part
// ICC profile has up to 255, extended XMP and JUMBF as many as they need.
const maxSegments = 4096

// segment is one marker segment of a JPEG header.
type segment struct {
	marker byte
	// off is the offset of the 0xFF that starts the marker. Fill bytes before it
	// belong to the gap between the segments.
	off int64
	// data is the offset of the payload, after the two length bytes; n is the
	// payload's length. Markers that stand alone (SOI, EOI) have none.
	data int64
	n    int
	// head is the start of the payload, for telling what the segment is.
	head [36]byte
}

// end is the offset just after the segment.
func (s *segment) end() int64 { return s.data + int64(s.n) }

func (s *segment) starts(marker byte, signature string) bool {
	return s.marker == marker && s.n >= len(signature) && string(s.head[:len(signature)]) == signature
}

// isExif asks for the pad byte's place but not for its value, which some
// cameras leave unset.
func (s *segment) isExif() bool   { return s.starts(markerAPP1, exifSignature) && s.n >= exifHeader }
func (s *segment) isXMP() bool    { return s.starts(markerAPP1, xmpSignature) }
func (s *segment) isXMPExt() bool { return s.starts(markerAPP1, xmpExtSignature) }
func (s *segment) isMPF() bool    { return s.starts(markerAPP2, mpfSignature) }
func (s *segment) isJUMBF() bool  { return s.starts(markerAPPB, jumbfSignature) }

// isSOF reports whether the segment is a frame header, which holds the pixel
// dimensions.
func (s *segment) isSOF() bool {
	switch s.marker {
	case markerDHT, markerJPG, markerDAC:
		return false
	}
	return s.marker >= markerSOF0 && s.marker <= 0xCF
}

// standsAlone reports whether a marker has no length and no payload.
func standsAlone(m byte) bool {
	return m == markerTEM || m >= markerRST0 && m <= markerEOI
}

// scanJPEG lists the segments from SOI up to and including SOS (or EOI). It
// looks at the first bytes of each payload and reads none of them whole. With
// an error it still returns the segments found before it, each of them wholly
// inside the image.
//
// Fill bytes between segments are the standard's; up to maxStray other bytes
// there are passed over, as decoders do, and show as a gap between the end of
// one segment and the start of the next.
func scanJPEG(src *source) ([]segment, error) {
	b, err := src.window(0, 2)
	if err != nil {
		return nil, err
	}
	if b[0] != 0xFF || b[1] != markerSOI {
		return nil, fmt.Errorf("%w: no start of image marker", ErrFormat)
	}
	segs := make([]segment, 1, 16)
	segs[0] = segment{marker: markerSOI, data: 2}
	pos := int64(2)
	for len(segs) < maxSegments {
		marker, off, err := nextMarker(src, pos)
		if err != nil {
			return segs, err
		}
		s := segment{marker: marker, off: off, data: off + 2}
		if !standsAlone(marker) {
			b, err := src.window(off+2, 2)
			if err != nil {
				return segs, err
			}
			n := int(b[0])<<8 | int(b[1])
			if n < 2 {
				return segs, fmt.Errorf("%w: the segment at offset %d says it is %d bytes long", ErrCorrupt, off, n)
			}
			s.data, s.n = off+4, n-2
			if s.end() > src.size {
				return segs, fmt.Errorf("%w: the segment at offset %d needs %d bytes, the file has %d", ErrTruncated, off, s.end(), src.size)
			}
			b, err = src.window(s.data, min(s.n, len(s.head)))
			if err != nil {
				return segs, err
			}
			copy(s.head[:], b)
		}
		segs = append(segs, s)
		if marker == markerSOS || marker == markerEOI {
			return segs, nil
		}
		pos = s.end()
	}
	return segs, fmt.Errorf("%w: more than %d segments before the image data", ErrCorrupt, maxSegments)
}

// nextMarker finds the first marker at or after pos.
func nextMarker(src *source, pos int64) (marker byte, off int64, err error) {
	for off = pos; off-pos <= maxStray; {
		b, err := src.window(off, 2)
		if err != nil {
			return 0, 0, err
		}
		if b[0] == 0xFF && b[1] != 0xFF && b[1] != 0x00 {
			return b[1], off, nil
		}
		// On to the next 0xFF.
		b, err = src.window(off+1, int(min(maxStray, src.size-off-1)))
		if err != nil {
			return 0, 0, err
		}
		i := bytes.IndexByte(b, 0xFF)
		if i < 0 {
			i = len(b)
		}
		off += 1 + int64(i)
	}
	return 0, 0, fmt.Errorf("%w: no segment follows at offset %d", ErrCorrupt, pos)
}

var jpegContainer = container{
	name:       "jpeg",
	title:      "JPEG",
	extensions: []string{".jpg", ".jpeg", ".jpe", ".jfif"},
	sniff: func(head []byte) bool {
		return len(head) >= 2 && head[0] == 0xFF && head[1] == markerSOI && (len(head) == 2 || head[2] == 0xFF)
	},
	find: findJPEG,
}

// segmentHolder is a segment that holds an Exif block or an XMP packet.
type segmentHolder struct {
	*segment
	what string
	skip int // the signature before it
}

func (s segmentHolder) String() string { return fmt.Sprintf("segment at offset %d", s.off) }

func (s segmentHolder) content(src *source) ([]byte, error) {
	return src.window(s.data+int64(s.skip), s.n-s.skip)
}

// jpegFile are the segments of a JPEG's header.
type jpegFile []segment

// findJPEG finds the Exif segments, the XMP packets and the frame header. Extended
// XMP, which holds what didn't fit into the packet, is not read.
func findJPEG(src *source, _ bool) (*layout, error) {
	segs, err := scanJPEG(src)
	l := &layout{file: jpegFile(segs)}
	for i := range segs {
		s := &segs[i]
		if i > 0 {
			if err := l.gap(src, segs[i-1].end(), s.off); err != nil {
				return nil, err
			}
		}
		switch {
		case s.isExif():
			l.exif = append(l.exif, segmentHolder{s, "Exif", exifHeader})
		case s.isXMP():
			l.xmp = append(l.xmp, segmentHolder{s, "XMP", len(xmpSignature)})
		case s.isJUMBF():
			b, err := src.window(s.data, min(s.n, jumbfHeader+maxManifestHead))
			if err != nil {
				return nil, err
			}
			l.signed = l.signed || isManifest(b[min(len(b), jumbfHeader):])
		case s.isSOF() && s.n >= 5 && l.width == 0:
			// ITU-T T.81 B.2.2: precision, lines, samples per line. The lines may
			// be 0 here and stated after the image data.
			l.height = int(s.head[1])<<8 | int(s.head[2])
			l.width = int(s.head[3])<<8 | int(s.head[4])
		}
	}
	return l, err
}

// gap warns of bytes between segments that are no fill bytes.
func (l *layout) gap(src *source, from, to int64) error {
	if to <= from {
		return nil
	}
	b, err := src.window(from, int(to-from))
	if err != nil {
		return err
	}
	if len(bytes.Trim(b, "\xff")) > 0 {
		l.warn(WarnCorrupt, "JPEG", "%d bytes at offset %d belong to no segment", to-from, from)
	}
	return nil
}
