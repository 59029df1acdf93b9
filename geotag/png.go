package geotag

import (
	"bytes"
	"cmp"
	"compress/zlib"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"slices"
	"strconv"
	"sync"
)

// Signature and chunk types, W3C Portable Network Graphics (PNG) Specification,
// third edition, sections 5.2 and 11.
const (
	pngSignature = "\x89PNG\r\n\x1a\n"
	pngHeader    = "IHDR"
	pngData      = "IDAT"
	pngEnd       = "IEND"
	pngExif      = "eXIf"
	pngText      = "tEXt"
	pngZText     = "zTXt"
	pngIText     = "iTXt"
	pngFrame     = "fcTL" // of an animation
	pngManifest  = "caBX" // C2PA technical specification, "Embedding manifests into PNG"
)

// Keywords of text chunks. The first is XMP specification part 3, section 1.1.5;
// the others are how programs kept an Exif block before there was a chunk for
// it: common practice, no source.
const (
	keywordXMP     = "XML:com.adobe.xmp"
	keywordRawExif = "Raw profile type exif"
	keywordRawAPP1 = "Raw profile type APP1"
)

// Bounds of what is read of an image beside the headers of its chunks.
const (
	maxExif      = 16 << 20 // the longest Exif block, or chunk that holds one
	maxInflated  = 8 << 20  // what a compressed text may come to
	pngTextHead  = 256      // the keyword of a text chunk and what else precedes the text
	maxCarriers  = 64       // chunks with an Exif block, a packet or a manifest
	maxPNGLength = 1<<31 - 1
)

// pngChunk is one chunk of a PNG.
type pngChunk struct {
	typ string
	off int64 // of the length field
	n   int64 // the length of the data
}

func (c *pngChunk) data() int64 { return c.off + 8 }
func (c *pngChunk) crc() int64  { return c.off + 8 + c.n }
func (c *pngChunk) end() int64  { return c.off + 12 + c.n }

// carrier is a chunk that holds an Exif block or an XMP packet.
type carrier struct {
	pngChunk
	xmp bool // else Exif
	// raw says that the Exif block is written in hexadecimal, with a name and a
	// length before it.
	raw bool
	// at is where in the data the block, the packet or its compressed form starts.
	at         int
	compressed bool
}

func (c *pngChunk) String() string { return fmt.Sprintf("chunk %s at offset %d", c.typ, c.off) }

// pngScan is what the chunks of a PNG are.
type pngScan struct {
	width, height int
	carriers      []carrier
	manifests     int
	// data is where the image data begin; 0 where the scan didn't come to any.
	data int64
	// end is the offset after the last chunk; 0 where the scan didn't come to it.
	end int64
}

// scanPNG lists the relevant chunks. It reads the eight bytes that start each
// chunk, and the keywords of texts; the reads that takes are bounded by two for
// each hop bytes of the file. With an error it still returns what it found
// before, all of it wholly inside the image.
func scanPNG(src *source) (*pngScan, error) {
	scan := new(pngScan)
	b, err := src.window(0, len(pngSignature))
	if err != nil {
		return scan, err
	}
	if string(b) != pngSignature {
		return scan, fmt.Errorf("%w: no PNG signature", ErrFormat)
	}
	var c pngChunk
	for pos := int64(len(pngSignature)); ; {
		b, err := src.glance(pos, 8)
		if err != nil {
			return scan, err
		}
		if c.off, c.n = pos, int64(binary.BigEndian.Uint32(b)); c.typ != string(b[4:8]) {
			c.typ = string(b[4:8]) // most are as the one before
		}
		if err := c.check(b[4:8], src.size); err != nil {
			return scan, err
		}
		if err := scan.note(src, c); err != nil {
			return scan, err
		}
		if len(scan.carriers)+scan.manifests > maxCarriers {
			return scan, fmt.Errorf("%w: more than %d chunks of metadata", ErrCorrupt, maxCarriers)
		}
		if scan.end != 0 {
			return scan, nil
		}
		pos = c.end()
	}
}

// check reports what can't be a chunk of a file of size bytes.
func (c *pngChunk) check(typ []byte, size int64) error {
	switch {
	case !letters(typ):
		return fmt.Errorf("%w: no chunk starts at offset %d", ErrCorrupt, c.off)
	case c.n > maxPNGLength:
		return fmt.Errorf("%w: the %v says it is %d bytes long", ErrCorrupt, c, c.n)
	case c.end() > size:
		return fmt.Errorf("%w: the %v needs %d bytes, the file has %d", ErrTruncated, c, c.end(), size)
	case (c.off == int64(len(pngSignature))) != (c.typ == pngHeader):
		return fmt.Errorf("%w: a %v, where %s is first and once", ErrCorrupt, c, pngHeader)
	}
	return nil
}

// note records a chunk.
func (s *pngScan) note(src *source, c pngChunk) error {
	switch c.typ {
	case pngHeader:
		if c.n < 13 {
			return fmt.Errorf("%w: a header of %d bytes", ErrCorrupt, c.n)
		}
		b, err := src.window(c.data(), 8)
		if err != nil {
			return err
		}
		s.width = int(binary.BigEndian.Uint32(b) & maxPNGLength)
		s.height = int(binary.BigEndian.Uint32(b[4:]) & maxPNGLength)
	case pngData, pngFrame:
		s.data = cmp.Or(s.data, c.off)
	case pngExif:
		s.carriers = append(s.carriers, carrier{pngChunk: c})
	case pngText, pngZText, pngIText:
		t, ok, err := textCarrier(src, c)
		if ok {
			s.carriers = append(s.carriers, t)
		}
		return err
	case pngManifest:
		s.manifests++
	case pngEnd:
		if s.data == 0 {
			return fmt.Errorf("%w: it ends without image data", ErrCorrupt)
		}
		s.end = c.end()
	}
	return nil
}

// letters reports whether b is a chunk's type.
func letters(b []byte) bool {
	for _, c := range b {
		if c |= 0x20; c < 'a' || c > 'z' {
			return false
		}
	}
	return true
}

// tiffStart returns where in b an Exif block starts: after the signature of a JPEG's
// segment, which some programs put before it where no standard has it.
func tiffStart(b []byte) int {
	if len(b) >= exifHeader && string(b[:len(exifSignature)]) == exifSignature {
		return exifHeader
	}
	return 0
}

// textCarrier reports whether a text chunk holds relevant metadata.
func textCarrier(src *source, c pngChunk) (t carrier, ok bool, err error) {
	b, err := src.window(c.data(), int(min(c.n, pngTextHead)))
	if err != nil {
		return t, false, err
	}
	keyword, rest, _ := bytes.Cut(b, []byte{0})
	t = carrier{pngChunk: c, xmp: string(keyword) == keywordXMP, raw: string(keyword) == keywordRawExif || string(keyword) == keywordRawAPP1}
	head := t.textHead(rest)
	t.at = len(keyword) + 1 + head
	return t, (t.xmp || t.raw) && head >= 0 && t.at <= len(b), nil
}

// textHead is the length of what precedes the text after its keyword, -1 where it is not
// known how the text is kept; it sets compressed.
func (t *carrier) textHead(rest []byte) int {
	switch {
	case t.typ == pngText:
		return 0
	case t.typ == pngZText && len(rest) > 0 && rest[0] == 0: // compression method
		t.compressed = true
		return 1
	case t.typ == pngIText && len(rest) > 1 && rest[0] <= 1 && rest[0]&rest[1] == 0: // flag and method
		t.compressed = rest[0] == 1
		texts := bytes.SplitN(rest[2:], []byte{0}, 3) // language, translated keyword
		if len(texts) == 3 {
			return len(rest) - len(texts[2])
		}
	}
	return -1
}

// chunkData returns the data of a chunk after proving them by the checksum. The
// slice is good until the next window of src.
func chunkData(src *source, c *pngChunk) ([]byte, error) {
	if c.n > maxExif {
		return nil, fmt.Errorf("%w: the %v is %d bytes long; %d are read at most", errHolder, c, c.n, maxExif)
	}
	b, err := src.window(c.off+4, int(4+c.n+4))
	if err != nil {
		return nil, err
	}
	if crc32.ChecksumIEEE(b[:4+c.n]) != binary.BigEndian.Uint32(b[4+c.n:]) {
		return nil, fmt.Errorf("%w: the checksum of the %v is not that of its bytes", errHolder, c)
	}
	return b[4 : 4+c.n], nil
}

// content is the Exif block or the packet that a carrier holds.
func (c *carrier) content(src *source) ([]byte, error) {
	data, err := chunkData(src, &c.pngChunk)
	if err != nil {
		return nil, err
	}
	b, _, err := c.decode(data)
	if err != nil {
		return nil, fmt.Errorf("%w: the %v: %w", errHolder, c, err)
	}
	return b, nil
}

// decode returns the Exif block or the XMP packet in the data of a carrier, and the
// name of the profile that the block is written as. Where it stands in the data as it
// is, it is part of them.
func (c *carrier) decode(data []byte) (content []byte, profile string, err error) {
	b := data[c.at:]
	if c.compressed {
		if b, err = inflate(b); err != nil {
			return nil, "", err
		}
	}
	if c.raw {
		profile, b, err = rawProfile(b)
		return b, profile, err
	}
	if !c.xmp {
		b = b[tiffStart(b):]
	}
	return b, "", nil
}

// inflaters are for the next text.
var inflaters sync.Pool

// inflate decompresses a text, of which no more than maxInflated bytes may come.
func inflate(b []byte) ([]byte, error) {
	z, used := inflaters.Get().(io.Reader)
	var err error
	if used {
		err = z.(zlib.Resetter).Reset(bytes.NewReader(b), nil)
	} else {
		z, err = zlib.NewReader(bytes.NewReader(b))
	}
	out := bytes.NewBuffer(make([]byte, 0, min(4*len(b), chunk)))
	if err == nil {
		defer inflaters.Put(z)
		_, err = out.ReadFrom(io.LimitReader(z, maxInflated+1))
	}
	if err != nil {
		return nil, fmt.Errorf("it can't be decompressed: %w", err)
	}
	if out.Len() > maxInflated {
		return nil, fmt.Errorf("it decompresses to more than %d bytes", maxInflated)
	}
	return out.Bytes(), nil
}

// rawProfile reads an Exif block written in hexadecimal: a line's end, the
// profile's name on a line, the length in bytes on a line, and the digits on
// lines of any length. It returns the name and the block without its signature.
func rawProfile(b []byte) (name string, block []byte, err error) {
	bad := errors.New("it is no profile in hexadecimal")
	rest, ok := bytes.CutPrefix(b, []byte("\n"))
	if !ok {
		return "", nil, bad
	}
	line, rest, ok := bytes.Cut(rest, []byte("\n"))
	length, rest, ok2 := bytes.Cut(rest, []byte("\n"))
	n, err := strconv.Atoi(string(bytes.TrimSpace(length)))
	if !ok || !ok2 || err != nil || n < 0 {
		return "", nil, bad
	}
	digits := bytes.Map(func(r rune) rune {
		if r == '\n' || r == '\r' || r == ' ' {
			return -1
		}
		return r
	}, rest)
	block = make([]byte, hex.DecodedLen(len(digits)))
	if _, err := hex.Decode(block, digits); err != nil || len(block) != n {
		return "", nil, bad
	}
	return string(line), block[tiffStart(block):], nil
}

var pngContainer = container{
	name:       "png",
	title:      "PNG",
	extensions: []string{".png", ".apng"},
	sniff:      func(head []byte) bool { return bytes.HasPrefix(head, []byte(pngSignature)) },
	find:       findPNG,
}

// findPNG finds the Exif blocks, the XMP packets and the header. An Exif chunk goes
// before a block kept as text. Metadata may follow the image data, so the
// chunks are followed to the end; their data are not read.
func findPNG(src *source, _ bool) (*layout, error) {
	scan, err := scanPNG(src)
	l := &layout{width: scan.width, height: scan.height, pixels: scan.data != 0, signed: scan.manifests > 0, file: scan}
	for i := range scan.carriers {
		switch c := &scan.carriers[i]; {
		case c.xmp:
			l.xmp = append(l.xmp, c)
			if len(l.xmp) == 1 && c.typ != pngIText {
				l.warn(WarnWrongType, "XMP", "the packet stands in a chunk %s where %s is due", c.typ, pngIText)
			}
		case c.raw:
			l.exif = append(l.exif, c)
			l.copies++
		default:
			l.exif = slices.Insert(l.exif, len(l.exif)-l.copies, holder(c))
		}
	}
	return l, err
}
