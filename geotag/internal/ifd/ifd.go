// Package ifd walks the directories of a TIFF structure held in memory, as an
// Exif block is: it finds entries and the place of every value, and interprets
// nothing. It follows TIFF 6.0 section 2 and never reads outside the block.
package ifd

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// Types of values, TIFF 6.0 and Exif.
const (
	Byte      = 1
	ASCII     = 2
	Short     = 3
	Long      = 4
	Rational  = 5
	SByte     = 6
	Undefined = 7
	SShort    = 8
	SLong     = 9
	SRational = 10
	Float     = 11
	Double    = 12
	UTF8      = 129 // Exif 3.0
)

// Size returns the length in bytes of one value of type t, 0 if t is unknown.
func Size(t uint16) int {
	switch t {
	case Byte, ASCII, SByte, Undefined, UTF8:
		return 1
	case Short, SShort:
		return 2
	case Long, SLong, Float:
		return 4
	case Rational, SRational, Double:
		return 8
	}
	return 0
}

// EntrySize is the length of one directory entry.
const EntrySize = 12

// ErrCorrupt is wrapped by every error of this package.
var ErrCorrupt = errors.New("damaged directory structure")

// Block is a TIFF structure.
type Block struct {
	Data  []byte
	Order binary.ByteOrder
	// First is the offset of the first directory.
	First uint32
}

// Entry is one entry of a directory.
type Entry struct {
	Tag, Type uint16
	Count     uint32
	// Pos is the offset in the block of the entry's 12 bytes.
	Pos int
	// ValuePos and ValueLen say where the value's bytes are. Sound is false
	// where they would lie outside the block or the type is unknown.
	ValuePos, ValueLen int
	Sound              bool
}

// Dir is one directory.
type Dir struct {
	// Pos is the offset of its count.
	Pos     int
	Entries []Entry
	// NextPos is the offset of the pointer to the next directory, and Next what
	// it holds. NextPos is 0 where the block ends before it.
	NextPos int
	Next    uint32
}

// Parse reads the header of a block. It keeps data, and does not change it.
func Parse(data []byte) (*Block, error) {
	if len(data) < 8 {
		return nil, fmt.Errorf("%w: %d bytes are too few for a header", ErrCorrupt, len(data))
	}
	b := &Block{Data: data}
	switch string(data[:2]) {
	case "II":
		b.Order = binary.LittleEndian
	case "MM":
		b.Order = binary.BigEndian
	default:
		return nil, fmt.Errorf("%w: byte order %q is neither II nor MM", ErrCorrupt, data[:2])
	}
	if m := b.Order.Uint16(data[2:]); m != 42 {
		return nil, fmt.Errorf("%w: the header says %d where 42 is due", ErrCorrupt, m)
	}
	b.First = b.Order.Uint32(data[4:])
	return b, nil
}

// Dir reads the directory at off. Entries whose values lie outside the block
// are kept, with Sound false; a directory that itself doesn't fit is an error.
// Dir follows no pointers, so that loops are the caller's to notice.
func (b *Block) Dir(off uint32) (*Dir, error) {
	n := uint64(len(b.Data))
	if off < 8 || uint64(off)+2 > n {
		return nil, fmt.Errorf("%w: a directory at offset %d of %d", ErrCorrupt, off, n)
	}
	count := int(b.Order.Uint16(b.Data[off:]))
	end := uint64(off) + 2 + uint64(count)*EntrySize
	if end > n {
		return nil, fmt.Errorf("%w: %d entries at offset %d need %d bytes of %d", ErrCorrupt, count, off, end, n)
	}
	d := &Dir{Pos: int(off), Entries: make([]Entry, count)}
	for i := range d.Entries {
		p := int(off) + 2 + i*EntrySize
		e := &d.Entries[i]
		e.Pos = p
		e.Tag = b.Order.Uint16(b.Data[p:])
		e.Type = b.Order.Uint16(b.Data[p+2:])
		e.Count = b.Order.Uint32(b.Data[p+4:])
		size := uint64(Size(e.Type)) * uint64(e.Count)
		at := uint64(p) + 8
		if size > 4 {
			at = uint64(b.Order.Uint32(b.Data[p+8:]))
		}
		if Size(e.Type) != 0 && at+size <= n {
			e.ValuePos, e.ValueLen, e.Sound = int(at), int(size), true
		}
	}
	if end+4 <= n {
		d.NextPos = int(end)
		d.Next = b.Order.Uint32(b.Data[end:])
	}
	return d, nil
}

// Find returns the first entry of d with the tag, nil where there is none.
func (d *Dir) Find(tag uint16) *Entry {
	for i := range d.Entries {
		if d.Entries[i].Tag == tag {
			return &d.Entries[i]
		}
	}
	return nil
}

// Value returns the bytes of e's value, nil where they are not sound. The slice
// is part of the block.
func (b *Block) Value(e *Entry) []byte {
	if !e.Sound {
		return nil
	}
	return b.Data[e.ValuePos : e.ValuePos+e.ValueLen : e.ValuePos+e.ValueLen]
}

// Uint returns the i-th value of an entry of type Byte, Short or Long.
func (b *Block) Uint(e *Entry, i int) (uint32, bool) {
	v, size := b.Value(e), Size(e.Type)
	if i < 0 || size == 0 || (i+1)*size > len(v) {
		return 0, false
	}
	switch e.Type {
	case Byte:
		return uint32(v[i]), true
	case Short:
		return uint32(b.Order.Uint16(v[2*i:])), true
	case Long:
		return b.Order.Uint32(v[4*i:]), true
	}
	return 0, false
}

// Rational returns the i-th value of an entry of type Rational.
func (b *Block) Rational(e *Entry, i int) (num, den uint32, ok bool) {
	v := b.Value(e)
	if e.Type != Rational || i < 0 || (i+1)*8 > len(v) {
		return 0, 0, false
	}
	return b.Order.Uint32(v[8*i:]), b.Order.Uint32(v[8*i+4:]), true
}
