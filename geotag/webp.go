package geotag

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"
)

// Chunks of a WebP file, RFC 9649 section 2, and C2PA's.
const (
	webpExtended = "VP8X"
	webpLossy    = "VP8 "
	webpLossless = "VP8L"
	webpFrame    = "ANMF"
	webpExif     = "EXIF"
	webpXMP      = "XMP "
	webpManifest = "C2PA" // C2PA technical specification, "Embedding manifests into RIFF"
)

// Flags of VP8X, RFC 9649 section 2.7.1.
const (
	webpHasXMP   = 0x04
	webpHasExif  = 0x08
	webpHasAlpha = 0x10
)

const (
	riffHeader   = 12         // "RIFF", a length and "WEBP"
	maxRIFF      = 1<<32 - 10 // what the length field may say, RFC 9649 section 2.4
	vp8xSize     = 10
	maxWebPItems = 64 // chunks with an Exif block, a packet or a manifest
)

// riffChunk is one chunk of a RIFF file.
type riffChunk struct {
	typ string
	off int64 // of the type
	n   int64 // the length of the data
	pad int64 // 1 where a byte of padding follows
}

func (c *riffChunk) String() string { return fmt.Sprintf("chunk %q at offset %d", c.typ, c.off) }

func (c *riffChunk) data() int64 { return c.off + 8 }

// end is the offset after the data and the padding.
func (c *riffChunk) end() int64 { return c.data() + c.n + c.pad }

// webpScan is what the chunks of a WebP file are.
type webpScan struct {
	width, height int
	alpha         bool
	// extended is the chunk VP8X; nil in a simple file.
	extended *riffChunk
	flags    byte // of extended
	// image is the last chunk with image data; nil where there is none.
	image     *riffChunk
	exif, xmp []*riffChunk
	manifest  bool
	// added are the flags of what is planned to be inserted.
	added byte
	// end is the end of the file by its header, which may not be that of the file
	// on disk.
	end int64
}

// scanWebP lists the relevant chunks. It reads the eight bytes that start each
// chunk and the start of the image data. With an error it still returns what it
// found before, all of it wholly inside the image.
func scanWebP(src *source) (*webpScan, error) {
	scan := new(webpScan)
	b, err := src.window(0, riffHeader)
	if err != nil {
		return scan, err
	}
	if string(b[:4]) != "RIFF" || string(b[8:]) != "WEBP" {
		return scan, fmt.Errorf("%w: no header of WebP", ErrFormat)
	}
	scan.end = 8 + int64(binary.LittleEndian.Uint32(b[4:]))
	limit := min(scan.end, src.size)
	for pos := int64(riffHeader); pos < limit; {
		if limit-pos < 8 && scan.end <= src.size {
			return scan, fmt.Errorf("%w: %d bytes at offset %d are no chunk", ErrCorrupt, limit-pos, pos)
		}
		if b, err = src.window(pos, 8); err != nil {
			return scan, err
		}
		c := riffChunk{typ: string(b[:4]), off: pos, n: int64(binary.LittleEndian.Uint32(b[4:]))}
		if err := c.fits(scan.end, src.size); err != nil {
			return scan, err
		}
		// The last byte of padding is forgotten by some programs.
		if c.n&1 == 1 && c.data()+c.n < limit {
			c.pad = 1
		}
		if err := scan.note(src, c); err != nil {
			return scan, err
		}
		pos = c.end()
	}
	if scan.end > src.size {
		return scan, fmt.Errorf("%w: the header says %d bytes, the file has %d", ErrTruncated, scan.end, src.size)
	}
	if scan.image == nil {
		return scan, fmt.Errorf("%w: there are no image data", ErrCorrupt)
	}
	return scan, nil
}

// fits reports an error where a chunk goes beyond the end by the header or that of the
// file.
func (c *riffChunk) fits(end, size int64) error {
	switch need := c.data() + c.n; {
	case need > end:
		return fmt.Errorf("%w: the %v needs %d bytes, the header says %d", ErrCorrupt, c, need, end)
	case need > size:
		return fmt.Errorf("%w: the %v needs %d bytes, the file has %d", ErrTruncated, c, need, size)
	}
	return nil
}

// note records one chunk.
func (s *webpScan) note(src *source, c riffChunk) error {
	switch c.typ {
	case webpExtended:
		if c.off != riffHeader {
			return fmt.Errorf("%w: a chunk %s at offset %d, where it is first or not there", ErrCorrupt, c.typ, c.off)
		}
		b, err := c.head(src, vp8xSize)
		if err != nil {
			return err
		}
		s.extended, s.flags = &c, b[0]
		s.width, s.height = 1+uint24(b[4:]), 1+uint24(b[7:])
	case webpLossy, webpLossless:
		if s.width == 0 {
			if err := s.bitstream(src, &c); err != nil {
				return err
			}
		}
		s.image = &c
	case webpFrame:
		s.image = &c
	case webpExif:
		s.exif = append(s.exif, &c)
	case webpXMP:
		s.xmp = append(s.xmp, &c)
	case webpManifest:
		s.manifest = true
	}
	if len(s.exif)+len(s.xmp) > maxWebPItems {
		return fmt.Errorf("%w: more than %d chunks of metadata", ErrCorrupt, maxWebPItems)
	}
	return nil
}

// head returns the first n bytes of the data.
func (c *riffChunk) head(src *source, n int64) ([]byte, error) {
	if c.n < n {
		return nil, fmt.Errorf("%w: a chunk %q of %d bytes at offset %d", ErrCorrupt, c.typ, c.n, c.off)
	}
	return src.window(c.data(), int(n))
}

// bitstream reads the dimensions, which the first bytes of image data hold.
func (s *webpScan) bitstream(src *source, c *riffChunk) error {
	if c.typ == webpLossless {
		// RFC 9649 section 3.4: a signature, 14 bits each of width and height less
		// one, and whether there is alpha.
		b, err := c.head(src, 5)
		if err != nil {
			return err
		}
		if b[0] != 0x2F {
			return fmt.Errorf("%w: the image data at offset %d start with no signature", ErrCorrupt, c.off)
		}
		v := binary.LittleEndian.Uint32(b[1:])
		s.width, s.height, s.alpha = 1+int(v&0x3FFF), 1+int(v>>14&0x3FFF), v>>28&1 == 1
		return nil
	}
	// RFC 6386 section 9.1: a frame tag, a start code, and 14 bits each of width and
	// height.
	b, err := c.head(src, 10)
	if err != nil {
		return err
	}
	if b[0]&1 != 0 || string(b[3:6]) != "\x9D\x01\x2A" {
		return fmt.Errorf("%w: the image data at offset %d start with no key frame", ErrCorrupt, c.off)
	}
	s.width = int(binary.LittleEndian.Uint16(b[6:])) & 0x3FFF
	s.height = int(binary.LittleEndian.Uint16(b[8:])) & 0x3FFF
	return nil
}

func uint24(b []byte) int { return int(b[0]) | int(b[1])<<8 | int(b[2])<<16 }

// content returns the packet in a chunk, or the Exif block; the slice is good until the
// next window.
func (c *riffChunk) content(src *source) ([]byte, error) {
	if c.n > maxExif {
		return nil, fmt.Errorf("%w: the %v is %d bytes long; %d are read at most", errHolder, c, c.n, maxExif)
	}
	b, err := src.window(c.data(), int(c.n))
	if c.typ == webpExif {
		b = b[tiffStart(b):]
	}
	return b, err
}

var webpContainer = container{
	name:       "webp",
	title:      "WebP",
	extensions: []string{".webp"},
	sniff: func(head []byte) bool {
		return len(head) >= riffHeader && string(head[:4]) == "RIFF" && string(head[8:riffHeader]) == "WEBP"
	},
	find: findWebP,
}

// findWebP finds the Exif blocks, the XMP packets and the dimensions. Both may stand
// after the image data, as is usual, so the chunks are followed to the end; the
// image data are not read. Metadata that the flags of VP8X don't announce are read
// all the same.
func findWebP(src *source, _ bool) (*layout, error) {
	scan, err := scanWebP(src)
	l := &layout{width: scan.width, height: scan.height, pixels: scan.image != nil, signed: scan.manifest, file: scan}
	for _, c := range scan.exif {
		l.exif = append(l.exif, c)
	}
	for _, c := range scan.xmp {
		l.xmp = append(l.xmp, c)
	}
	return l, err
}

// insert plans a chunk with an Exif block after the image data.
func (s *webpScan) insert(block []byte, p *Patch) error {
	s.added |= webpHasExif
	s.after(s.image, encodeRIFF(webpExif, block), p)
	return nil
}

// insertXMP plans a chunk with an XMP packet after the image data and the Exif block.
func (s *webpScan) insertXMP(packet []byte, p *Patch) error {
	s.added |= webpHasXMP
	at := s.image
	for _, c := range s.exif {
		if c.off > at.off {
			at = c
		}
	}
	s.after(at, encodeRIFF(webpXMP, packet), p)
	return nil
}

// after plans chunks after another.
func (s *webpScan) after(c *riffChunk, chunk []byte, p *Patch) {
	if c.pad < c.n&1 && !slices.ContainsFunc(p.Splices, func(o Splice) bool { return o.Off == c.end() }) {
		chunk = append([]byte{0}, chunk...) // the padding that was forgotten
	}
	p.Splices = append(p.Splices, Splice{Off: c.end(), New: chunk})
}

// finish brings the header into line. A simple file becomes an extended one, which
// is the only form that has metadata.
func (s *webpScan) finish(src *source, _ xmpEdit, p *Patch) error {
	if p.Empty() {
		return nil
	}
	if s.extended == nil {
		p.Splices = append(p.Splices, Splice{Off: riffHeader, New: s.extendedHeader()})
	} else if flags := s.announce(); flags != s.flags {
		p.replace(s.extended.data(), []byte{s.flags}, []byte{flags})
	}
	n := p.SizeAfter() - p.SizeBefore
	if s.end+n-8 > maxRIFF {
		return fmt.Errorf("%w: the file would be longer than 4 GiB", ErrNoRoom)
	}
	p.replace(4, binary.LittleEndian.AppendUint32(nil, uint32(s.end-8)), binary.LittleEndian.AppendUint32(nil, uint32(s.end-8+n)))
	p.noteTrailer(src.size - s.end)
	return nil
}

// announce are the flags of VP8X for what the file has and gets.
func (s *webpScan) announce() byte {
	flags := s.flags | s.added
	if len(s.exif) > 0 {
		flags |= webpHasExif
	}
	if len(s.xmp) > 0 {
		flags |= webpHasXMP
	}
	return flags
}

// extendedHeader is the chunk VP8X that makes a simple file an extended one.
func (s *webpScan) extendedHeader() []byte {
	flags := s.announce()
	if s.alpha {
		flags |= webpHasAlpha
	}
	w, h := s.width-1, s.height-1
	return encodeRIFF(webpExtended, []byte{flags, 0, 0, 0, byte(w), byte(w >> 8), byte(w >> 16), byte(h), byte(h >> 8), byte(h >> 16)})
}

// encodeRIFF lays out a chunk.
func encodeRIFF(typ string, data []byte) []byte {
	b := binary.LittleEndian.AppendUint32([]byte(typ), uint32(len(data)))
	b = append(b, data...)
	if len(data)&1 == 1 {
		b = append(b, 0)
	}
	return b
}

// rewrite plans the change of a chunk, and of its length and padding.
func (c *riffChunk) rewrite(src *source, p *Patch, edit func([]byte) ([]Splice, error)) error {
	b, err := c.content(src)
	if err != nil {
		return err
	}
	splices, err := edit(bytes.Clone(b))
	if err != nil || len(splices) == 0 {
		return err
	}
	n := c.n + int64(growth(splices))
	if n > maxExif {
		return fmt.Errorf("%w: the chunk %q would need %d bytes, of at most %d", ErrNoRoom, c.typ, n, maxExif)
	}
	end := c.data() + c.n
	p.replace(c.off+4, binary.LittleEndian.AppendUint32(nil, uint32(c.n)), binary.LittleEndian.AppendUint32(nil, uint32(n)))
	p.move(splices, end-int64(len(b)))
	pad, err := src.window(end, int(c.pad))
	if err == nil && c.pad != n&1 {
		p.replace(end, bytes.Clone(pad), make([]byte, n&1))
	}
	return err
}
