package ifd

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
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
	IFD       = 13  // TIFF technical note 1: a Long that points to a directory
	UTF8      = 129 // Exif 3.0
)

// Size returns the length in bytes of one value of type t, 0 if t is unknown.
func Size(t uint16) int {
	switch t {
	case Byte, ASCII, SByte, Undefined, UTF8:
		return 1
	case Short, SShort:
		return 2
	case Long, SLong, Float, IFD:
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
	d := new(Dir)
	if err := b.ReadDir(d, off); err != nil {
		return nil, err
	}
	return d, nil
}

// ReadDir is Dir into a d that may hold an earlier directory, whose memory it
// uses again. After an error d is not to be used.
func (b *Block) ReadDir(d *Dir, off uint32) error {
	n := uint64(len(b.Data))
	if off < 8 || uint64(off)+2 > n {
		return fmt.Errorf("%w: a directory at offset %d of %d", ErrCorrupt, off, n)
	}
	count := int(b.Order.Uint16(b.Data[off:]))
	end := uint64(off) + 2 + uint64(count)*EntrySize
	if end > n {
		return fmt.Errorf("%w: %d entries at offset %d need %d bytes of %d", ErrCorrupt, count, off, end, n)
	}
	*d = Dir{Pos: int(off), Entries: slices.Grow(d.Entries[:0], count)[:count]}
	for i := range d.Entries {
		p := int(off) + 2 + i*EntrySize
		d.Entries[i] = Entry{
			Tag:   b.Order.Uint16(b.Data[p:]),
			Type:  b.Order.Uint16(b.Data[p+2:]),
			Count: b.Order.Uint32(b.Data[p+4:]),
			Pos:   p,
		}
		e := &d.Entries[i]
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
	return nil
}

// maxChain bounds the directories that Chain follows. Exif has two.
const maxChain = 64

// Chain follows the pointers from the first directory to the next and the next
// and returns the offsets of the directories. It reads their lengths only. The
// error says where the chain leads outside the block, comes back to where it
// has been, or doesn't end; the offsets up to there are returned with it.
func (b *Block) Chain() ([]uint32, error) {
	var at []uint32
	n := uint64(len(b.Data))
	for off := b.First; off != 0; {
		if slices.Contains(at, off) {
			return at, fmt.Errorf("%w: the chain of directories comes back to offset %d", ErrCorrupt, off)
		}
		if len(at) == maxChain {
			return at, fmt.Errorf("%w: more than %d directories in a chain", ErrCorrupt, maxChain)
		}
		if off < 8 || uint64(off)+2 > n {
			return at, fmt.Errorf("%w: a directory at offset %d of %d", ErrCorrupt, off, n)
		}
		at = append(at, off)
		end := uint64(off) + 2 + uint64(b.Order.Uint16(b.Data[off:]))*EntrySize
		if end+4 > n {
			return at, nil // no room for a pointer: the chain ends here
		}
		off = b.Order.Uint32(b.Data[end:])
	}
	return at, nil
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

// Uint returns the i-th value of an entry of type Byte, Short, Long or IFD.
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
	case Long, IFD:
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
