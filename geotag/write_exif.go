package geotag

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	exif "github.com/dsoprea/go-exif/v3"
	exifcommon "github.com/dsoprea/go-exif/v3/common"

	"example.com/phototie/geotag/internal/ifd"
)

// Pointers between the directories of an Exif block, Exif 2.32 section 4.6.3,
// and the tags that say where a thumbnail's data are.
const (
	pointerExif        = 0x8769
	pointerGPS         = 0x8825
	pointerInterop     = 0xA005
	pointerSubIFDs     = 0x014A
	tagStripOffsets    = 0x0111
	tagStripByteCounts = 0x0117
	tagThumbOffset     = 0x0201
	tagThumbLength     = 0x0202
	typeIFD            = 13 // TIFF technical note 1: a Long that points to a directory
)

// maxDirs bounds the directories of one block: the first, Exif, GPS,
// interoperability and thumbnail ones are five.
const maxDirs = 64

// blockPlan is the change of an Exif block.
type blockPlan struct {
	// splices are relative to the block's start, in order. One that lengthens or
	// shortens the block is at its end.
	splices []Splice
	// growth is by how much the block gets longer.
	growth int
	// version is the GPSVersionID after the change.
	version [4]byte
}

// planBlock works out how the edit is written into an Exif block. All bytes of
// the block keep their place and value, with two exceptions: the pointer to
// the GPS directory (or the header's to the first directory), and a GPS
// directory that already stands, with its values, at the very end of the block,
// as an earlier correction leaves it; that one is replaced where it is, so that
// repeated corrections don't add up.
func planBlock(data []byte, e Edit) (*blockPlan, error) {
	b, err := ifd.Parse(data)
	if err != nil {
		return nil, fmt.Errorf("%w: Exif block: %w", ErrCorrupt, err)
	}
	first, err := b.Dir(b.First)
	if err != nil {
		return nil, fmt.Errorf("%w: first Exif directory: %w", ErrCorrupt, err)
	}
	slot, old, err := gpsDir(b, first)
	if err != nil {
		return nil, err
	}
	var entries []ifd.Entry
	var oldVersion []byte
	if old != nil {
		entries = old.Entries
		if v := old.Find(gpsVersionID); v != nil {
			oldVersion = b.Value(v)
		}
	}
	p := &blockPlan{version: gpsVersion(oldVersion)}
	set, drop := e.gpsFields(b.Order, p.version)
	if says(b, entries, set, drop) {
		return p, nil
	}

	// Kept entries are carried over as the 12 bytes they are: a value that
	// doesn't fit into them stays where it is.
	var kept []ifd.Entry
	for _, x := range entries {
		if !slices.Contains(drop, x.Tag) && !slices.ContainsFunc(set, func(f gpsField) bool { return f.tag == x.Tag }) {
			kept = append(kept, x)
		}
	}
	known, err := survey(b, kept)
	if err != nil {
		return nil, err
	}
	start := len(data) + len(data)&1 // directories begin at even offsets
	reuse := old != nil && ownsTail(b, old, known)
	if reuse {
		start = old.Pos
	}
	out := make([]byte, start-min(start, len(data)))
	if slot == nil {
		// The first directory has no room for one more entry where it is. Its
		// copy has; the values stay, and so does the old directory, unused.
		at := start
		out = append(out, withPointer(b, first, uint32(at+2+(len(first.Entries)+1)*ifd.EntrySize+4))...)
		p.splices = append(p.splices, splice32(b, 4, uint32(at)))
		start += len(out) - (at - len(data))
	} else if !reuse {
		p.splices = append(p.splices, splice32(b, slot.Pos+8, uint32(start)))
	}
	var next uint32
	if old != nil {
		next = old.Next
	}
	out = append(out, encodeGPS(b, start, set, kept, reuse, next)...)
	tail := Splice{Off: int64(len(data)), New: out}
	if reuse {
		tail.Off, tail.Old = int64(start), bytes.Clone(data[start:])
	}
	p.splices = append(p.splices, tail)
	p.growth = len(tail.New) - len(tail.Old)
	if err := known.clear(uint64(len(data)), uint64(len(data)+max(p.growth, 0))); err != nil {
		return nil, err
	}
	return p, nil
}

// splice32 is the change of the 32 bits at pos of a block.
func splice32(b *ifd.Block, pos int, v uint32) Splice {
	n := make([]byte, 4)
	b.Order.PutUint32(n, v)
	return Splice{Off: int64(pos), Old: bytes.Clone(b.Data[pos : pos+4]), New: n}
}

// gpsDir finds the GPS directory of a block and the entry that points to it.
// Both are nil where the first directory has no such entry, and the directory
// is nil where the entry is there and points to none (0).
func gpsDir(b *ifd.Block, first *ifd.Dir) (slot *ifd.Entry, dir *ifd.Dir, err error) {
	for i := range first.Entries {
		x := &first.Entries[i]
		if x.Tag != pointerGPS {
			continue
		}
		if slot != nil {
			return nil, nil, fmt.Errorf("%w: the first Exif directory points to two GPS directories, at offsets %d and %d", ErrCorrupt, rawOffset(b, slot), rawOffset(b, x))
		}
		if x.Type != ifd.Long || x.Count != 1 {
			return nil, nil, fmt.Errorf("%w: the pointer to the GPS directory has type %d and count %d where type %d and count 1 are due", ErrCorrupt, x.Type, x.Count, ifd.Long)
		}
		slot = x
	}
	if slot == nil || rawOffset(b, slot) == 0 {
		return slot, nil, nil
	}
	dir, err = b.Dir(rawOffset(b, slot))
	if err != nil {
		return nil, nil, fmt.Errorf("%w: GPS directory: %w", ErrCorrupt, err)
	}
	return slot, dir, nil
}

// rawOffset is the last four bytes of an entry as an offset.
func rawOffset(b *ifd.Block, x *ifd.Entry) uint32 { return b.Order.Uint32(b.Data[x.Pos+8:]) }

// says reports whether a GPS directory already holds each field of set once and
// as it is to be, and nothing that is to be dropped.
func says(b *ifd.Block, entries []ifd.Entry, set []gpsField, drop []uint16) bool {
	found := 0
	for i := range entries {
		x := &entries[i]
		if slices.Contains(drop, x.Tag) {
			return false
		}
		for _, f := range set {
			if f.tag != x.Tag {
				continue
			}
			if x.Type != f.typ || x.Count != f.count || !bytes.Equal(b.Value(x), f.value) {
				return false
			}
			found++
		}
	}
	return found == len(set)
}

// withPointer returns the first directory with an entry for the GPS directory
// at gps, in its place by the order of tags.
func withPointer(b *ifd.Block, first *ifd.Dir, gps uint32) []byte {
	at := len(first.Entries)
	for i, x := range first.Entries {
		if x.Tag > pointerGPS {
			at = i
			break
		}
	}
	n := len(first.Entries) + 1
	out := make([]byte, 2+n*ifd.EntrySize+4)
	b.Order.PutUint16(out, uint16(n))
	w := out[2:]
	for i := range n {
		switch {
		case i < at:
			copy(w, b.Data[first.Entries[i].Pos:][:ifd.EntrySize])
		case i == at:
			b.Order.PutUint16(w, pointerGPS)
			b.Order.PutUint16(w[2:], ifd.Long)
			b.Order.PutUint32(w[4:], 1)
			b.Order.PutUint32(w[8:], gps)
		default:
			copy(w, b.Data[first.Entries[i-1].Pos:][:ifd.EntrySize])
		}
		w = w[ifd.EntrySize:]
	}
	b.Order.PutUint32(w, first.Next)
	return out
}

// encodeGPS lays out a GPS directory for offset pos: the entries ascending by
// tag, the pointer to a next directory, and the values that don't fit into the
// entries, in the entries' order and each at an even offset. Kept entries stay
// as they are, unless moveKept says that their values at or after pos make way;
// those are laid out anew.
func encodeGPS(b *ifd.Block, pos int, set []gpsField, kept []ifd.Entry, moveKept bool, next uint32) []byte {
	type item struct {
		tag   uint16
		raw   []byte // the 12 bytes
		value []byte // what goes out of line; nil where nothing does
	}
	items := make([]item, 0, len(set)+len(kept))
	for i := range kept {
		x := &kept[i]
		it := item{tag: x.Tag, raw: bytes.Clone(b.Data[x.Pos:][:ifd.EntrySize])}
		if moveKept && outOfLine(x) && x.ValuePos >= pos {
			it.value = b.Value(x)
		}
		items = append(items, it)
	}
	for _, f := range set {
		raw := make([]byte, ifd.EntrySize)
		b.Order.PutUint16(raw, f.tag)
		b.Order.PutUint16(raw[2:], f.typ)
		b.Order.PutUint32(raw[4:], f.count)
		it := item{tag: f.tag, raw: raw}
		if len(f.value) <= 4 {
			copy(raw[8:], f.value)
		} else {
			it.value = f.value
		}
		items = append(items, it)
	}
	slices.SortStableFunc(items, func(a, b item) int { return cmp.Compare(a.tag, b.tag) })

	out := make([]byte, 2, 2+len(items)*ifd.EntrySize+4+256)
	b.Order.PutUint16(out, uint16(len(items)))
	at := pos + 2 + len(items)*ifd.EntrySize + 4
	var values []byte
	for _, it := range items {
		if it.value != nil {
			if len(values)&1 == 1 {
				values = append(values, 0)
			}
			b.Order.PutUint32(it.raw[8:], uint32(at+len(values)))
			values = append(values, it.value...)
		}
		out = append(out, it.raw...)
	}
	var n [4]byte
	b.Order.PutUint32(n[:], next)
	return append(append(out, n[:]...), values...)
}

// outOfLine reports whether an entry's value stands outside of its 12 bytes.
func outOfLine(x *ifd.Entry) bool { return x.Sound && x.ValueLen > 4 }

// extent is a run of a block that something in it lays claim to.
type extent struct {
	off, end uint64
	what     string
	gps      bool // the GPS directory or a value of it
	// guess: the type of the entry is unknown, so its last four bytes may or may
	// not be an offset, to one byte or more.
	guess bool
}

// extents are what the directories of a block, all but the makers' notes, lay
// claim to.
type extents []extent

// clear reports an error where a claim reaches beyond the block's n bytes into
// what is to be appended up to end: a reader would then take the new bytes for
// the old value.
func (ex extents) clear(n, end uint64) error {
	for _, x := range ex {
		if !x.guess && x.end > n && x.off < end && end > n {
			return fmt.Errorf("%w: Exif block: %s should be at offset %d to %d, but the block ends at %d; what is written there would be taken for it", ErrCorrupt, x.what, x.off, x.end, n)
		}
	}
	return nil
}

// survey walks the directories of a block and lists what they claim. Of the GPS
// directory it lists the directory and the kept entries' values. Directories
// that loop or share a place are an error; those that can't be read are not,
// since nothing is written to them.
func survey(b *ifd.Block, kept []ifd.Entry) (extents, error) {
	var ex extents
	seen := map[uint32]string{}
	type job struct {
		off   uint32
		name  string
		chain int // 1 for the first directory, 2 for the next; 0 for others
		gps   bool
	}
	todo := []job{{b.First, "the first directory", 1, false}}
	for len(todo) > 0 {
		j := todo[0]
		todo = todo[1:]
		if was, ok := seen[j.off]; ok {
			return nil, fmt.Errorf("%w: Exif block: %s and %s are both at offset %d, a loop", ErrCorrupt, was, j.name, j.off)
		}
		seen[j.off] = j.name
		if len(seen) > maxDirs {
			return nil, fmt.Errorf("%w: Exif block: more than %d directories", ErrCorrupt, maxDirs)
		}
		d, err := b.Dir(j.off)
		if err != nil {
			if j.off >= 8 {
				// Not there, or reaching beyond the block, by its own count.
				end := uint64(j.off) + 2
				if end <= uint64(len(b.Data)) {
					end += uint64(b.Order.Uint16(b.Data[j.off:])) * ifd.EntrySize
				}
				ex = append(ex, extent{off: uint64(j.off), end: end, what: j.name})
			}
			continue
		}
		end := uint64(d.Pos) + 2 + uint64(len(d.Entries))*ifd.EntrySize
		if d.NextPos != 0 {
			end += 4
		}
		ex = append(ex, extent{off: uint64(d.Pos), end: end, what: j.name, gps: j.gps})
		values := d.Entries
		if j.gps {
			values = kept
		}
		for i := range values {
			x := &values[i]
			off := uint64(rawOffset(b, x))
			what := fmt.Sprintf("the value of tag 0x%04x in %s", x.Tag, j.name)
			switch size := uint64(ifd.Size(x.Type)) * uint64(x.Count); {
			case size > 4:
				ex = append(ex, extent{off: off, end: off + size, what: what, gps: j.gps})
			case size == 0 && x.Type != typeIFD:
				ex = append(ex, extent{off: off, end: off + 1, what: what, guess: true})
			}
		}
		if j.gps {
			continue
		}
		ex = append(ex, data(b, d, tagThumbOffset, tagThumbLength, "the thumbnail in "+j.name)...)
		ex = append(ex, data(b, d, tagStripOffsets, tagStripByteCounts, "a strip of the image in "+j.name)...)
		for i := range d.Entries {
			x := &d.Entries[i]
			switch x.Tag {
			case pointerExif:
				todo = append(todo, subdirs(b, x, func(off uint32) job { return job{off: off, name: "the Exif directory"} })...)
			case pointerGPS:
				todo = append(todo, subdirs(b, x, func(off uint32) job { return job{off: off, name: "the GPS directory of " + j.name, gps: j.chain == 1} })...)
			case pointerInterop:
				todo = append(todo, subdirs(b, x, func(off uint32) job { return job{off: off, name: "the interoperability directory"} })...)
			case pointerSubIFDs:
				todo = append(todo, subdirs(b, x, func(off uint32) job { return job{off: off, name: "a subdirectory of " + j.name} })...)
			}
		}
		if j.chain > 0 && d.Next != 0 {
			todo = append(todo, job{off: d.Next, name: fmt.Sprintf("directory %d of the chain", j.chain+1), chain: j.chain + 1})
		}
	}
	return ex, nil
}

// subdirs returns what an entry points to, at most maxDirs directories.
func subdirs[T any](b *ifd.Block, x *ifd.Entry, at func(off uint32) T) []T {
	var out []T
	if x.Type == typeIFD && x.Count == 1 {
		if off := rawOffset(b, x); off != 0 {
			out = append(out, at(off))
		}
		return out
	}
	for i := range int(min(x.Count, maxDirs)) {
		if off, ok := b.Uint(x, i); ok && off != 0 {
			out = append(out, at(off))
		}
	}
	return out
}

// data lists the runs of image data that a pair of tags in d describes.
func data(b *ifd.Block, d *ifd.Dir, offsets, lengths uint16, what string) extents {
	o, l := d.Find(offsets), d.Find(lengths)
	if o == nil || l == nil {
		return nil
	}
	var ex extents
	for i := range int(min(o.Count, l.Count)) {
		off, ok1 := b.Uint(o, i)
		n, ok2 := b.Uint(l, i)
		if !ok1 || !ok2 {
			break
		}
		if n > 0 {
			ex = append(ex, extent{off: uint64(off), end: uint64(off) + uint64(n), what: what})
		}
	}
	return ex
}

// ownsTail reports whether a GPS directory and its values are the last thing in
// the block, laid out exactly as encodeGPS does it, and nothing else known
// claims a byte there. Every byte from the directory to the block's end is then
// accounted for by the directory, and by it alone.
func ownsTail(b *ifd.Block, d *ifd.Dir, known extents) bool {
	if d.NextPos == 0 || d.Pos&1 == 1 {
		return false
	}
	at := d.NextPos + 4
	for i := range d.Entries {
		x := &d.Entries[i]
		if off := uint64(rawOffset(b, x)); !x.Sound {
			// Nothing of it is here, unless it starts here.
			if off >= uint64(d.Pos) && off < uint64(len(b.Data)) {
				return false
			}
			continue
		}
		if !outOfLine(x) || x.ValuePos < d.Pos {
			if outOfLine(x) && x.ValuePos+x.ValueLen > d.Pos {
				return false
			}
			continue
		}
		if at&1 == 1 {
			if at >= len(b.Data) || b.Data[at] != 0 {
				return false
			}
			at++
		}
		if x.ValuePos != at {
			return false
		}
		at += x.ValueLen
	}
	if at != len(b.Data) {
		return false
	}
	for _, x := range known {
		if !x.gps && x.end > uint64(d.Pos) && x.off < uint64(len(b.Data)) {
			return false
		}
	}
	return true
}

// newExif builds an Exif block that says what the edit asks for, for an image
// that has none.
func newExif(e Edit) ([]byte, error) {
	block, err := newBlock()
	if err != nil {
		return nil, err
	}
	plan, err := planBlock(block, e)
	if err != nil {
		return nil, err
	}
	p := Patch{SizeBefore: int64(len(block)), Splices: plan.splices}
	return p.ApplyBytes(block)
}

// newBlock builds an Exif block for an image that has none: a first directory
// with a GPS directory, which says nothing yet but its version.
func newBlock() ([]byte, error) {
	mapping, err := exifcommon.NewIfdMappingWithStandard()
	if err != nil {
		return nil, fmt.Errorf("building an Exif block: %w", err)
	}
	index := exif.NewTagIndex()
	order := binary.BigEndian
	gps := exif.NewIfdBuilder(mapping, index, exifcommon.IfdGpsInfoStandardIfdIdentity, order)
	version := exif.NewIfdBuilderTagValueFromBytes(version23[:])
	root := exif.NewIfdBuilder(mapping, index, exifcommon.IfdStandardIfdIdentity, order)
	err = errors.Join(
		gps.Add(exif.NewBuilderTag(exifcommon.IfdGpsInfoStandardIfdIdentity.UnindexedString(), gpsVersionID, exifcommon.TypeByte, version, order)),
		root.AddChildIb(gps),
	)
	if err != nil {
		return nil, fmt.Errorf("building an Exif block: %w", err)
	}
	block, err := exif.NewIfdByteEncoder().EncodeToExif(root)
	if err != nil {
		return nil, fmt.Errorf("building an Exif block: %w", err)
	}
	return block, nil
}
