package geotag

import (
	"fmt"

	"example.com/phototie/geotag/internal/ifd"
)

// Tags of the index directory of the Multi-Picture Format, CIPA DC-007 section
// 5.2.3.
const (
	mpfEntryTag  = 0xB002
	mpfEntrySize = 16
	// Offsets within an entry.
	mpfEntryLength = 4
	mpfEntryOffset = 8
)

// planMPF works out how a multi-picture index has to change with p, whose
// splices are all that else changes in the image. Its images' offsets count
// from the index's own header, so they change only where images and index move
// apart; the length of the first image, which holds the metadata, grows with
// them. at is where the payload of the index's segment starts. The splices are
// of the image, and of the same length before and after.
func planMPF(payload []byte, at int64, p *Patch) ([]Splice, error) {
	header := len(mpfSignature)
	b, x, err := mpfImages(payload[header:])
	if x == nil {
		return nil, err
	}
	v := b.Value(x)
	if v == nil || len(v)%mpfEntrySize != 0 {
		return nil, fmt.Errorf("%w: multi-picture index: its list of images has type %d and count %d", ErrCorrupt, x.Type, x.Count)
	}
	base := at + int64(header)
	var out []Splice
	change := func(pos int, v int64) error {
		if v < 0 || v > 1<<32-1 {
			return fmt.Errorf("%w: multi-picture index: %d does not fit into 32 bits", ErrNoRoom, v)
		}
		s := splice32(b, pos, uint32(v))
		if string(s.Old) != string(s.New) {
			s.Off += base
			out = append(out, s)
		}
		return nil
	}
	for i := 0; i < len(v); i += mpfEntrySize {
		length := int64(b.Order.Uint32(v[i+mpfEntryLength:]))
		offset := int64(b.Order.Uint32(v[i+mpfEntryOffset:]))
		pos := x.ValuePos + i
		// Offset 0 is the first image, which starts where the file does.
		start := int64(0)
		if offset != 0 {
			start = base + offset
			if err := change(pos+mpfEntryOffset, offset+p.shift(start)-p.shift(base)); err != nil {
				return nil, err
			}
		}
		if length != 0 {
			if err := change(pos+mpfEntryLength, length+p.shift(start+length)-p.shift(start)); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

// mpfImages finds the list of images in a multi-picture index; nil where the index is
// an attribute directory only, which has no offsets.
func mpfImages(index []byte) (*ifd.Block, *ifd.Entry, error) {
	b, err := ifd.Parse(index)
	if err != nil {
		return nil, nil, fmt.Errorf("%w: multi-picture index: %w", ErrCorrupt, err)
	}
	d, err := b.Dir(b.First)
	if err != nil {
		return nil, nil, fmt.Errorf("%w: multi-picture index: %w", ErrCorrupt, err)
	}
	return b, d.Find(mpfEntryTag), nil
}
