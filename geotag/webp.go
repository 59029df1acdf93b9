package geotag

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
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
	exif, xmp []riffChunk
	manifest  bool
	// end is the end of the file by its header, which may not be that of the file
	// on disk.
	end int64
}

// scanWebP lists the chunks of concern. It reads the eight bytes that start each
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
		if c.data()+c.n > scan.end {
			return scan, fmt.Errorf("%w: the chunk %q at offset %d needs %d bytes, the header says %d", ErrCorrupt, c.typ, pos, c.data()+c.n, scan.end)
		}
		if c.data()+c.n > src.size {
			return scan, fmt.Errorf("%w: the chunk %q at offset %d needs %d bytes, the file has %d", ErrTruncated, c.typ, pos, c.data()+c.n, src.size)
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

// note takes up one chunk.
func (s *webpScan) note(src *source, c riffChunk) error {
	// head returns the first n bytes of the data.
	head := func(n int64) ([]byte, error) {
		if c.n < n {
			return nil, fmt.Errorf("%w: a chunk %q of %d bytes at offset %d", ErrCorrupt, c.typ, c.n, c.off)
		}
		return src.window(c.data(), int(n))
	}
	switch c.typ {
	case webpExtended:
		if c.off != riffHeader {
			return fmt.Errorf("%w: a chunk %s at offset %d, where it is first or not there", ErrCorrupt, c.typ, c.off)
		}
		b, err := head(vp8xSize)
		if err != nil {
			return err
		}
		s.extended, s.flags = &c, b[0]
		s.width, s.height = 1+uint24(b[4:]), 1+uint24(b[7:])
	case webpLossy:
		if s.width != 0 {
			s.image = &c
			break
		}
		// RFC 6386 section 9.1: a frame tag, a start code, and 14 bits each of
		// width and height.
		b, err := head(10)
		if err != nil {
			return err
		}
		if b[0]&1 != 0 || string(b[3:6]) != "\x9D\x01\x2A" {
			return fmt.Errorf("%w: the image data at offset %d start with no key frame", ErrCorrupt, c.off)
		}
		s.width = int(binary.LittleEndian.Uint16(b[6:])) & 0x3FFF
		s.height = int(binary.LittleEndian.Uint16(b[8:])) & 0x3FFF
		s.image = &c
	case webpLossless:
		if s.width != 0 {
			s.image = &c
			break
		}
		// RFC 9649 section 3.4: a signature, 14 bits each of width and height less
		// one, and whether there is alpha.
		b, err := head(5)
		if err != nil {
			return err
		}
		if b[0] != 0x2F {
			return fmt.Errorf("%w: the image data at offset %d start with no signature", ErrCorrupt, c.off)
		}
		v := binary.LittleEndian.Uint32(b[1:])
		s.width, s.height = 1+int(v&0x3FFF), 1+int(v>>14&0x3FFF)
		s.alpha = v>>28&1 == 1
		s.image = &c
	case webpFrame:
		s.image = &c
	case webpExif:
		s.exif = append(s.exif, c)
	case webpXMP:
		s.xmp = append(s.xmp, c)
	case webpManifest:
		s.manifest = true
	}
	if len(s.exif)+len(s.xmp) > maxWebPItems {
		return fmt.Errorf("%w: more than %d chunks of metadata", ErrCorrupt, maxWebPItems)
	}
	return nil
}

func uint24(b []byte) int { return int(b[0]) | int(b[1])<<8 | int(b[2])<<16 }

// content returns the data of a chunk; the slice is good until the next window.
func (c *riffChunk) content(src *source) ([]byte, error) {
	if c.n > maxExif {
		return nil, fmt.Errorf("%w: %q at offset %d: it is %d bytes long; %d are read at most", errChunk, c.typ, c.off, c.n, maxExif)
	}
	return src.window(c.data(), int(c.n))
}

var webpContainer = container{
	name:       "webp",
	extensions: []string{".webp"},
	sniff: func(head []byte) bool {
		return len(head) >= riffHeader && string(head[:4]) == "RIFF" && string(head[8:riffHeader]) == "WEBP"
	},
	read:   readWebP,
	exif:   exifOfWebP,
	plan:   planWebP,
	signed: signedWebP,
}

// readWebP reads the first Exif block, the first XMP packet and the dimensions.
// Both may stand behind the image data, as is usual, so the chunks are followed
// to the end; the image data are not read. Metadata that the flags of VP8X don't
// announce are read all the same.
func readWebP(src *source) (*Tag, error) {
	scan, scanErr := scanWebP(src)
	if scanErr != nil && !errors.Is(scanErr, ErrTruncated) && !errors.Is(scanErr, ErrCorrupt) {
		return nil, scanErr
	}
	t := &Tag{Width: scan.width, Height: scan.height}
	if scanErr != nil {
		if scan.exif == nil && scan.xmp == nil && scan.image == nil {
			return nil, scanErr
		}
		t.warn(WarnTruncated, "WebP", "%v", scanErr)
	}
	var x *xmpProps
	for i, c := range scan.exif {
		if i > 0 {
			t.warn(WarnDuplicate, "Exif", "a second Exif chunk at offset %d; the first is taken", c.off)
			continue
		}
		b, err := exifInRIFF(src, &c)
		if errors.Is(err, errChunk) {
			t.warn(WarnCorrupt, "Exif", "%v", err)
		} else if err != nil {
			return nil, err
		} else {
			readExif(t, b)
		}
	}
	for i, c := range scan.xmp {
		if i > 0 {
			t.warn(WarnDuplicate, "XMP", "a second XMP packet at offset %d; the first is taken", c.off)
			continue
		}
		b, err := c.content(src)
		if errors.Is(err, errChunk) {
			t.warn(WarnCorrupt, "XMP", "%v", err)
		} else if err != nil {
			return nil, err
		} else {
			x = readXMP(t, b)
		}
	}
	t.settle(x)
	return t, nil
}

// exifInRIFF returns the Exif block of a chunk.
func exifInRIFF(src *source, c *riffChunk) ([]byte, error) {
	at, err := tiffStart(src, c.data(), c.n)
	if err != nil {
		return nil, err
	}
	b, err := c.content(src)
	if err != nil {
		return nil, err
	}
	return b[at:], nil
}

// exifOfWebP finds the first Exif block.
func exifOfWebP(src *source) ([]byte, error) {
	scan, err := scanWebP(src)
	if scan.exif == nil {
		return nil, err
	}
	b, err := exifInRIFF(src, &scan.exif[0])
	if errors.Is(err, errChunk) {
		return nil, fmt.Errorf("%w: %w", ErrCorrupt, err)
	}
	return b, err
}

// signedWebP reports whether a WebP file carries a C2PA manifest store. The chunk
// has no other use.
func signedWebP(src *source) (bool, error) {
	scan, err := scanWebP(src)
	return err == nil && scan.manifest, err
}

// planWebP works out the splices that make the edit in a WebP file: in its Exif
// chunk, or a new one after the image data, and in every XMP packet that states
// a position. A simple file becomes an extended one, which is the only form that
// has metadata.
func planWebP(src *source, e Edit, p *Patch) error {
	scan, err := scanWebP(src)
	if err != nil {
		return err
	}
	if len(scan.exif) > 1 {
		return fmt.Errorf("%w: there are two Exif chunks, at offsets %d and %d, and which of them a reader takes is not known", ErrUnsafe, scan.exif[0].off, scan.exif[1].off)
	}
	version := version23
	for i := range scan.exif {
		c := &scan.exif[i]
		at, err := tiffStart(src, c.data(), c.n)
		if err != nil {
			return err
		}
		err = c.plan(src, p, at, func(block []byte) ([]Splice, error) {
			plan, err := planBlock(block, e)
			if err != nil {
				return nil, err
			}
			version = plan.version
			return plan.splices, nil
		})
		if err != nil {
			return err
		}
	}
	if len(scan.exif) == 0 {
		block, err := newExif(e)
		if err != nil {
			return err
		}
		chunk := encodeRIFF(webpExif, block)
		if scan.image.pad < scan.image.n&1 {
			chunk = append([]byte{0}, chunk...) // the padding that was forgotten
		}
		p.Splices = append(p.Splices, Splice{Off: scan.image.end(), New: chunk})
	}
	fields := e.xmpFields(version)
	for i := range scan.xmp {
		err := scan.xmp[i].plan(src, p, 0, func(packet []byte) ([]Splice, error) {
			splices, notes, err := planXMP(packet, fields)
			p.Notes = append(p.Notes, notes...)
			return splices, err
		})
		if err != nil {
			return err
		}
	}
	if p.Empty() {
		return nil
	}
	if scan.extended == nil {
		p.Splices = append(p.Splices, Splice{Off: riffHeader, New: scan.extendedHeader()})
	} else if flags := scan.announce(); flags != scan.flags {
		p.replace(scan.extended.data(), []byte{scan.flags}, []byte{flags})
	}
	n := p.SizeAfter() - p.SizeBefore
	if scan.end+n-8 > maxRIFF {
		return fmt.Errorf("%w: the file would be longer than 4 GiB", ErrNoRoom)
	}
	p.replace(4, binary.LittleEndian.AppendUint32(nil, uint32(scan.end-8)), binary.LittleEndian.AppendUint32(nil, uint32(scan.end-8+n)))
	if n != 0 && scan.end < src.size {
		p.Notes = append(p.Notes, fmt.Sprintf("%d bytes follow the image and move by %d", src.size-scan.end, n))
	}
	return nil
}

// announce are the flags of VP8X for a file that has Exif.
func (s *webpScan) announce() byte {
	flags := s.flags | webpHasExif
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

// plan appends to p the change of a chunk: what edit makes of its data from at
// on, and the length and the padding that follow from it.
func (c *riffChunk) plan(src *source, p *Patch, at int, edit func(content []byte) ([]Splice, error)) error {
	b, err := c.content(src)
	if errors.Is(err, errChunk) {
		return fmt.Errorf("%w: %w", ErrCorrupt, err)
	}
	if err != nil {
		return err
	}
	splices, err := edit(bytes.Clone(b[at:]))
	if err != nil || len(splices) == 0 {
		return err
	}
	n := c.n + int64(growth(splices))
	if n > maxExif {
		return fmt.Errorf("%w: the chunk %q would need %d bytes, of at most %d", ErrNoRoom, c.typ, n, maxExif)
	}
	p.replace(c.off+4, binary.LittleEndian.AppendUint32(nil, uint32(c.n)), binary.LittleEndian.AppendUint32(nil, uint32(n)))
	p.move(splices, c.data()+int64(at))
	switch end := c.data() + c.n; {
	case c.pad > n&1:
		old, err := src.window(end, 1)
		if err != nil {
			return err
		}
		p.replace(end, bytes.Clone(old), nil)
	case c.pad < n&1:
		p.Splices = append(p.Splices, Splice{Off: end, New: []byte{0}})
	}
	return nil
}
