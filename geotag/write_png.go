package geotag

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"strings"
)

// planPNG works out the splices that make the edit in a PNG: in every chunk that
// holds an Exif block, which is one, or one and a copy in text; and in every XMP
// packet that states a position. A text that is compressed is compressed anew.
// Where there is no Exif block a chunk with one is inserted before the image
// data.
func planPNG(src *source, e Edit, p *Patch) error {
	scan, err := scanPNG(src)
	if err != nil {
		return err
	}
	var chunk *carrier
	written := false
	version := version23
	for i := range scan.carriers {
		c := &scan.carriers[i]
		if c.xmp {
			continue
		}
		if c.typ == pngExif {
			if chunk != nil {
				return fmt.Errorf("%w: there are two Exif chunks, at offsets %d and %d, and which of them a reader takes is not known", ErrUnsafe, chunk.off, c.off)
			}
			chunk = c
		}
		var plan *blockPlan
		err := c.plan(src, p, func(block []byte) ([]Splice, error) {
			var err error
			if plan, err = planBlock(block, e); err != nil {
				return nil, err
			}
			return plan.splices, nil
		})
		switch {
		case err == nil:
			written = true
			if c.typ == pngExif || chunk == nil {
				version = plan.version
			}
		case c.raw && errors.Is(err, errChunk):
			p.Notes = append(p.Notes, fmt.Sprintf("an Exif block kept as text can't be read and is left as it is: %v", err))
		case errors.Is(err, errChunk):
			return fmt.Errorf("%w: %w", ErrCorrupt, err)
		default:
			return err
		}
	}
	if !written {
		block, err := newExif(e)
		if err != nil {
			return err
		}
		p.Splices = append(p.Splices, Splice{Off: scan.insert, New: encodeChunk(pngExif, block)})
	}
	fields := e.xmpFields(version)
	for i := range scan.carriers {
		c := &scan.carriers[i]
		if !c.xmp {
			continue
		}
		err := c.plan(src, p, func(packet []byte) ([]Splice, error) {
			splices, notes, err := planXMP(packet, fields)
			p.Notes = append(p.Notes, notes...)
			return splices, err
		})
		if errors.Is(err, errChunk) {
			// It may or may not name a position, and a reader may or may not mind
			// the damage.
			return fmt.Errorf("%w: %w", ErrCorrupt, err)
		}
		if err != nil {
			return err
		}
	}
	if n := p.SizeAfter() - p.SizeBefore; n != 0 && scan.end < src.size {
		p.Notes = append(p.Notes, fmt.Sprintf("%d bytes follow the image and move by %d", src.size-scan.end, n))
	}
	return nil
}

// encodeChunk lays out a chunk.
func encodeChunk(typ string, data []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(append(b, typ...), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

// plan appends to p the change of a carrier: what edit makes of its content, and
// the length and the checksum that follow from it.
func (c *carrier) plan(src *source, p *Patch, edit func(content []byte) ([]Splice, error)) error {
	b, err := c.read(src)
	if err != nil {
		return err
	}
	content := bytes.Clone(b)
	splices, err := edit(content)
	if err != nil || len(splices) == 0 {
		return err
	}
	data, err := chunkData(src, &c.pngChunk)
	if err != nil {
		return err
	}
	data = bytes.Clone(data)
	change := Patch{SizeBefore: c.n}
	if c.raw || c.compressed {
		whole := Patch{SizeBefore: int64(len(content)), Splices: splices}
		text, err := whole.ApplyBytes(content)
		if err != nil {
			return err
		}
		if text, err = c.encode(data, text); err != nil {
			return err
		}
		splices = []Splice{{Old: data[c.at:], New: text}}
	}
	change.move(splices, int64(c.at))
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
func (c *carrier) encode(data, content []byte) ([]byte, error) {
	if c.raw {
		text := data[c.at:]
		if c.compressed {
			var err error
			if text, err = inflate(text); err != nil {
				return nil, err
			}
		}
		name, _, err := rawProfile(text)
		if err != nil {
			return nil, err
		}
		content = encodeRawProfile(name, content)
	}
	if !c.compressed {
		return content, nil
	}
	var b bytes.Buffer
	z, err := zlib.NewWriterLevel(&b, zlib.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := z.Write(content); err != nil {
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
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

// signedPNG reports whether a PNG carries a C2PA manifest store. The chunk has no
// other use.
func signedPNG(src *source) (bool, error) {
	scan, err := scanPNG(src)
	if err != nil {
		return false, err
	}
	return len(scan.manifests) > 0, nil
}
