package geotag

import (
	"bytes"
	"cmp"
	"compress/zlib"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"strings"
)

// insert plans a chunk with an Exif block before the image data.
func (s *pngScan) insert(block []byte, p *Patch) error {
	p.Splices = append(p.Splices, Splice{Off: s.data, New: encodeChunk(pngExif, block)})
	return nil
}

// insertXMP plans a chunk with an XMP packet before the image data (PNG, Third Edition,
// section 11.3.4.4 has iTXt; XMP specification part 3 the keyword).
func (s *pngScan) insertXMP(packet []byte, p *Patch) error {
	p.Splices = append(p.Splices, Splice{Off: s.data, New: encodeChunk(pngIText, append([]byte(keywordXMP+"\x00\x00\x00\x00\x00"), packet...))})
	return nil
}

// finish notes what moves.
func (s *pngScan) finish(src *source, _ xmpEdit, p *Patch) error {
	p.noteTrailer(src.size - s.end)
	return nil
}

// noteTrailer notes that n bytes follow the image, if they do and if they move.
func (p *Patch) noteTrailer(n int64) {
	if moves := p.SizeAfter() - p.SizeBefore; moves != 0 && n > 0 {
		p.Notes = append(p.Notes, fmt.Sprintf("%d bytes follow the image and move by %d", n, moves))
	}
}

// encodeChunk lays out a chunk.
func encodeChunk(typ string, data []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(append(b, typ...), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

// rewrite plans the change of a carrier, and of its length and checksum. A text that
// is compressed is compressed anew.
func (c *carrier) rewrite(src *source, p *Patch, edit func(content []byte) ([]Splice, error)) error {
	data, err := chunkData(src, &c.pngChunk)
	if err != nil {
		return err
	}
	data = bytes.Clone(data)
	content, profile, err := c.decode(data)
	if err != nil {
		return fmt.Errorf("%w: the %v: %w", errHolder, c, err)
	}
	splices, err := edit(bytes.Clone(content))
	if err != nil || len(splices) == 0 {
		return err
	}
	at := len(data) - len(content)
	if c.raw || c.compressed {
		if content, err = applied(content, splices); err == nil {
			content, err = c.encode(content, profile)
		}
		if err != nil {
			return err
		}
		at, splices = c.at, []Splice{{Old: data[c.at:], New: content}}
	}
	change := Patch{SizeBefore: c.n}
	change.move(splices, int64(at))
	after, err := change.ApplyBytes(data)
	if err != nil {
		return err
	}
	if len(after) > maxExif {
		return fmt.Errorf("%w: the chunk %s would need %d bytes, of at most %d", ErrNoRoom, c.typ, len(after), maxExif)
	}
	is := encodeChunk(c.typ, data)
	becomes := encodeChunk(c.typ, after)
	p.replace(c.off, is[:4], becomes[:4])
	p.move(change.Splices, c.data())
	p.replace(c.crc(), is[len(is)-4:], becomes[len(becomes)-4:])
	return nil
}

// replace appends the change of some bytes, if it is one.
func (p *Patch) replace(off int64, is, becomes []byte) {
	if !bytes.Equal(is, becomes) {
		p.Splices = append(p.Splices, Splice{Off: off, Old: is, New: becomes})
	}
}

// encode writes content as the data of the carrier hold it, from c.at on.
func (c *carrier) encode(content []byte, profile string) ([]byte, error) {
	if c.raw {
		content = encodeRawProfile(profile, content)
	}
	if !c.compressed {
		return content, nil
	}
	var b bytes.Buffer
	z, err := zlib.NewWriterLevel(&b, zlib.BestCompression)
	if err != nil {
		return nil, err
	}
	_, err = z.Write(content)
	err = cmp.Or(err, z.Close())
	return b.Bytes(), err
}

// encodeRawProfile writes an Exif block as rawProfile reads it, 36 bytes a line.
func encodeRawProfile(name string, block []byte) []byte {
	block = append([]byte(exifSignature+"\x00"), block...)
	var b strings.Builder
	fmt.Fprintf(&b, "\n%s\n%8d", name, len(block))
	for i := 0; i < len(block); i += 36 {
		b.WriteString("\n" + hex.EncodeToString(block[i:min(i+36, len(block))]))
	}
	b.WriteByte('\n')
	return []byte(b.String())
}
