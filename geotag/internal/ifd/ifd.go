package ifd

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
)

// Types of values, TIFF 6.0 and Exif.
const (
	Byte      = 1
	ASCII     = 2
	Short     = 3
	Long      = 4
	Rational  = 5
	Undefined = 7
	SLong     = 9
	IFD       = 13  // TIFF technical note 1: a Long that points to a directory
	UTF8      = 129 // Exif 3.0
)

var types = [...]struct {
	name string
	size int
}{
	Byte: {"BYTE", 1}, ASCII: {"ASCII", 1}, Short: {"SHORT", 2}, Long: {"LONG", 4}, Rational: {"RATIONAL", 8},
	6: {"SBYTE", 1}, Undefined: {"UNDEFINED", 1}, 8: {"SSHORT", 2}, SLong: {"SLONG", 4}, 10: {"SRATIONAL", 8},
	11: {"FLOAT", 4}, 12: {"DOUBLE", 8}, IFD: {"IFD", 4}, UTF8: {"UTF-8", 1},
}

// Size returns the length in bytes of one value of type t, 0 if t is unknown.
func Size(t uint16) int {
	if int(t) < len(types) {
		return types[t].size
	}
	return 0
}

// TypeName returns the standard's name of type t, its number if t is unknown.
func TypeName(t uint16) string {
	if Size(t) == 0 {
		return strconv.Itoa(int(t))
	}
	return types[t].name
}

// EntrySize is the length of one directory entry.
const EntrySize = 12

// ErrCorrupt is wrapped by every error of this package.
var ErrCorrupt = errors.New("damaged directory structure")

// Magic is the number that stands after the byte order in a TIFF header, TIFF
// 6.0 section 2.
const Magic = 42

// Bounds of a block that is read as it is needed. One in memory is bounded by
// its own length.
const (
	// MaxEntries is how many entries a directory may have. Images have dozens.
	MaxEntries = 4096
	// MaxValue is the longest value in bytes that Value returns.
	MaxValue = 4 << 20
)

// Block is a TIFF structure.
type Block struct {
	// Data is the structure, or the start of one that is read as it is needed.
	Data  []byte
	Order binary.ByteOrder
	// First is the offset of the first directory.
	First uint32

	big  bool // Order is big-endian
	size uint64
	load func(off int64, n int) ([]byte, error) // nil where Data is all
	err  error
}

// Entry is one entry of a directory.
type Entry struct {
	Tag, Type uint16
	Count     uint32
	// Pos is the offset in the block of the entry's 12 bytes.
	Pos int
	// Offset is the last four of them as a number: where the value is, if it is
	// longer than that.
	Offset uint32
	// ValuePos and ValueLen say where the value's bytes are. Sound is false
	// where they would lie outside the block or the type is unknown.
	ValuePos, ValueLen int
	Sound              bool
	inline             [4]byte // the last four of the 12
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
	b := &Block{Data: data, size: uint64(len(data))}
	if err := b.header(Magic); err != nil {
		return nil, err
	}
	return b, nil
}

// Open reads the header of a block of size bytes that is read as it is needed:
// head is its start, which is kept and not changed, and load returns n bytes at
// off, good until it is called the next time. It is called only for bytes inside
// the block that are not in head. The number after the byte order must be one of
// magic. A block longer than memory can be is an error.
func Open(size int64, head []byte, load func(off int64, n int) ([]byte, error), magic ...uint16) (*Block, error) {
	if uint64(size) > math.MaxInt {
		return nil, fmt.Errorf("%w: %d bytes are more than can be counted here", ErrCorrupt, size)
	}
	b := &Block{Data: head, size: uint64(size), load: load}
	if err := b.header(magic...); err != nil {
		return nil, err
	}
	return b, nil
}

func (b *Block) header(magic ...uint16) error {
	if len(b.Data) < 8 {
		return fmt.Errorf("%w: %d bytes are too few for a header", ErrCorrupt, len(b.Data))
	}
	switch string(b.Data[:2]) {
	case "II":
		b.Order = binary.LittleEndian
	case "MM":
		b.Order, b.big = binary.BigEndian, true
	default:
		return fmt.Errorf("%w: byte order %q is neither II nor MM", ErrCorrupt, b.Data[:2])
	}
	if m := b.uint16(b.Data[2:]); !slices.Contains(magic, m) {
		return fmt.Errorf("%w: the header says %d where %d is due", ErrCorrupt, m, magic[0])
	}
	b.First = b.uint32(b.Data[4:])
	return nil
}

// uint16 is Order.Uint16 without the cost of a call through an interface.
func (b *Block) uint16(v []byte) uint16 {
	if b.big {
		return binary.BigEndian.Uint16(v)
	}
	return binary.LittleEndian.Uint16(v)
}

func (b *Block) uint32(v []byte) uint32 {
	if b.big {
		return binary.BigEndian.Uint32(v)
	}
	return binary.LittleEndian.Uint32(v)
}

// Len is the length of the block in bytes.
func (b *Block) Len() int { return int(b.size) }

// Err is the first error of the function given to Open, nil where there was
// none. After one, what the block returns is not to be relied on.
func (b *Block) Err() error { return b.err }

// peek returns n bytes at off, good until the next call; nil where they are not
// in the block or can't be read.
func (b *Block) peek(off uint64, n int) []byte {
	if n < 0 || off > b.size || uint64(n) > b.size-off {
		return nil
	}
	if off+uint64(n) <= uint64(len(b.Data)) {
		return b.Data[off : off+uint64(n) : off+uint64(n)]
	}
	if b.load == nil || b.err != nil {
		return nil
	}
	v, err := b.load(int64(off), n)
	if err != nil {
		b.err = err
		return nil
	}
	return v
}

// Bytes returns n bytes at off, which may be part of the block; nil where they
// are not in it, can't be read, or are more than MaxValue of a block that is
// read as it is needed.
func (b *Block) Bytes(off, n int) []byte {
	if off < 0 || b.load != nil && n > MaxValue {
		return nil
	}
	v := b.peek(uint64(off), n)
	if v != nil && uint64(off)+uint64(n) > uint64(len(b.Data)) {
		v = bytes.Clone(v)
	}
	return v
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

// count is the number of entries that a directory says it has.
func (b *Block) count(off uint32) (int, error) {
	if off < 8 || uint64(off)+2 > b.size {
		return 0, fmt.Errorf("%w: a directory at offset %d of %d", ErrCorrupt, off, b.size)
	}
	v := b.peek(uint64(off), 2)
	if v == nil {
		return 0, b.err
	}
	return int(b.uint16(v)), nil
}

// ReadDir is Dir into a d that may hold an earlier directory, whose memory it
// uses again. After an error d is not to be used.
func (b *Block) ReadDir(d *Dir, off uint32) error {
	count, err := b.count(off)
	if err != nil {
		return err
	}
	end := uint64(off) + 2 + uint64(count)*EntrySize
	if end > b.size {
		return fmt.Errorf("%w: %d entries at offset %d need %d bytes of %d", ErrCorrupt, count, off, end, b.size)
	}
	if b.load != nil && count > MaxEntries {
		return fmt.Errorf("%w: %d entries at offset %d, more than %d", ErrCorrupt, count, off, MaxEntries)
	}
	n := count * EntrySize
	if end+4 <= b.size {
		n += 4 // the pointer to the next directory
	}
	raw := b.peek(uint64(off)+2, n)
	if raw == nil {
		return b.err
	}
	*d = Dir{Pos: int(off), Entries: slices.Grow(d.Entries[:0], count)[:count]}
	for i := range d.Entries {
		w := raw[i*EntrySize:][:EntrySize]
		d.Entries[i] = Entry{
			Tag:    b.uint16(w),
			Type:   b.uint16(w[2:]),
			Count:  b.uint32(w[4:]),
			Pos:    int(off) + 2 + i*EntrySize,
			Offset: b.uint32(w[8:]),
			inline: [4]byte(w[8:]),
		}
		e := &d.Entries[i]
		size := uint64(Size(e.Type)) * uint64(e.Count)
		at := uint64(e.Pos) + 8
		if size > 4 {
			at = uint64(e.Offset)
		}
		if Size(e.Type) != 0 && at+size <= b.size {
			e.ValuePos, e.ValueLen, e.Sound = int(at), int(size), true
		}
	}
	if end+4 <= b.size {
		d.NextPos = int(end)
		d.Next = b.uint32(raw[count*EntrySize:])
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
	for off := b.First; off != 0; {
		if slices.Contains(at, off) {
			return at, fmt.Errorf("%w: the chain of directories comes back to offset %d", ErrCorrupt, off)
		}
		if len(at) == maxChain {
			return at, fmt.Errorf("%w: more than %d directories in a chain", ErrCorrupt, maxChain)
		}
		count, err := b.count(off)
		if err != nil {
			return at, err
		}
		at = append(at, off)
		end := uint64(off) + 2 + uint64(count)*EntrySize
		if end+4 > b.size {
			return at, nil // no room for a pointer: the chain ends here
		}
		next := b.peek(end, 4)
		if next == nil {
			return at, b.err
		}
		off = b.uint32(next)
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

// Value returns the bytes of e's value, nil where they are not sound, or more
// than MaxValue of a block that is read as it is needed. The slice may be part
// of the block.
func (b *Block) Value(e *Entry) []byte {
	if !e.Sound {
		return nil
	}
	if b.load != nil && e.ValueLen <= len(e.inline) {
		return e.inline[:e.ValueLen:e.ValueLen]
	}
	return b.Bytes(e.ValuePos, e.ValueLen)
}

// item returns the i-th value of an entry, good until the next call.
func (b *Block) item(e *Entry, i int) []byte {
	size := Size(e.Type)
	if !e.Sound || size == 0 || i < 0 || i >= e.ValueLen/size {
		return nil
	}
	if e.ValueLen <= len(e.inline) {
		return e.inline[i*size:][:size]
	}
	return b.peek(uint64(e.ValuePos+i*size), size)
}

// Uint returns the i-th value of an entry of type Byte, Short, Long or IFD.
func (b *Block) Uint(e *Entry, i int) (uint32, bool) {
	v := b.item(e, i)
	switch {
	case v == nil:
	case e.Type == Byte:
		return uint32(v[0]), true
	case e.Type == Short:
		return uint32(b.uint16(v)), true
	case e.Type == Long || e.Type == IFD:
		return b.uint32(v), true
	}
	return 0, false
}

// Rational returns the i-th value of an entry of type Rational.
func (b *Block) Rational(e *Entry, i int) (num, den uint32, ok bool) {
	v := b.item(e, i)
	if v == nil || e.Type != Rational {
		return 0, 0, false
	}
	return b.uint32(v), b.uint32(v[4:]), true
}
