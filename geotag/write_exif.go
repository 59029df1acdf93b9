package geotag

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
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
	tagTileOffsets     = 0x0144
	tagTileByteCounts  = 0x0145
	tagThumbOffset     = 0x0201
	tagThumbLength     = 0x0202
)

// maxDirs bounds the directories of one block: the first, Exif, GPS,
// interoperability and thumbnail ones are five.
const maxDirs = 64

// maxPages bounds the directories of a whole TIFF file, which may have a page in
// each.
const maxPages = 4096

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
	p, err := planDirectories(b, e, false, nil)
	if err != nil {
		return nil, fmt.Errorf("in the Exif block: %w", err)
	}
	return p, nil
}

// moved is a value of the first directory that doesn't fit any more where it is,
// and goes to the end of the block.
type moved struct {
	entry *ifd.Entry // of bytes
	value []byte
}

// patch writes the new length and place of the value into the last eight bytes
// of its entry.
func (m *moved) patch(b *ifd.Block, entry []byte, at int) {
	b.Order.PutUint32(entry, uint32(len(m.value)))
	b.Order.PutUint32(entry[4:], uint32(at))
}

// planDirectories is planBlock for a block that is an Exif block or a whole TIFF
// file. It also moves one value of the first directory, where move is not nil.
func planDirectories(b *ifd.Block, e Edit, whole bool, move *moved) (*blockPlan, error) {
	first, err := b.Dir(b.First)
	if err != nil {
		return nil, fmt.Errorf("%w: first directory: %w", ErrCorrupt, err)
	}
	slot, old, err := gpsDir(b, first, whole)
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
	same := says(b, entries, set, drop)
	if same && move == nil {
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
	size := b.Len()
	from := size // only what reaches beyond is of concern
	if old != nil {
		from = old.Pos
	}
	most := maxDirs
	if whole {
		most = maxPages
	}
	// What is going to be overwritten: no value may be made of it.
	touched := []span{{4, 8}}
	if slot != nil {
		touched[0] = span{int64(slot.Pos) + 8, int64(slot.Pos) + ifd.EntrySize}
	}
	if move != nil {
		touched = append(touched, span{int64(move.entry.Pos) + 4, int64(move.entry.Pos) + ifd.EntrySize})
	}
	known, err := survey(b, kept, uint64(from), most, touched)
	if err != nil {
		return nil, err
	}
	for _, x := range known {
		if whole && x.part && x.end > uint64(size) {
			return nil, fmt.Errorf("%w: %s should be at offset %d to %d, but the file ends at %d", ErrTruncated, x.what, x.off, x.end, size)
		}
	}
	// The new bytes come to stand behind the block, or in place of the directory
	// that is at its end.
	reuse := old != nil && !same && size-old.Pos <= ifd.MaxValue && ownsTail(b, old, known)
	base, gone := size, math.MaxInt
	if reuse {
		base, gone = old.Pos, old.Pos
	}
	var out []byte
	even := func() int { // directories and values begin at even offsets
		if (base+len(out))&1 == 1 {
			out = append(out, 0)
		}
		return base + len(out)
	}
	movedTo := 0
	if move != nil {
		movedTo = even()
		out = append(out, move.value...)
		if slot != nil {
			entry := Splice{Off: int64(move.entry.Pos) + 4, Old: bytes.Clone(b.Bytes(move.entry.Pos+4, 8)), New: make([]byte, 8)}
			move.patch(b, entry.New, movedTo)
			p.splices = append(p.splices, entry)
		}
	}
	if !same {
		if slot == nil {
			// The first directory has no room for one more entry where it is. Its
			// copy has; the values stay, and so does the old directory, unused.
			at := even()
			out = append(out, withPointer(b, first, uint32(at+2+(len(first.Entries)+1)*ifd.EntrySize+4), move, movedTo)...)
			p.splices = append(p.splices, splice32(b, 4, uint32(at)))
		} else if at := even(); !reuse || at != old.Pos {
			p.splices = append(p.splices, splice32(b, slot.Pos+8, uint32(at)))
		}
		var next uint32
		if old != nil {
			next = old.Next
		}
		out = append(out, encodeGPS(b, even(), set, kept, gone, next)...)
	}
	if int64(base)+int64(len(out)) > math.MaxUint32 {
		return nil, fmt.Errorf("%w: the block would reach to byte %d, and its offsets have 32 bits", ErrNoRoom, base+len(out))
	}
	p.splices = append(p.splices, Splice{Off: int64(base), Old: bytes.Clone(b.Bytes(base, size-base)), New: out})
	slices.SortFunc(p.splices, func(a, b Splice) int { return cmp.Compare(a.Off, b.Off) })
	p.growth = base + len(out) - size
	if err := known.clear(uint64(size), uint64(size+max(p.growth, 0))); err != nil {
		return nil, err
	}
	return p, b.Err()
}

// splice32 is the change of the 32 bits at pos of a block.
func splice32(b *ifd.Block, pos int, v uint32) Splice {
	n := make([]byte, 4)
	b.Order.PutUint32(n, v)
	return Splice{Off: int64(pos), Old: bytes.Clone(b.Bytes(pos, len(n))), New: n}
}

// gpsDir finds the GPS directory of a block and the entry that points to it.
// Both are nil where the first directory has no such entry, and the directory
// is nil where the entry is there and points to none (0). The pointer may be of
// TIFF's own type for one in a whole file, but not in an Exif block, where the
// standard doesn't allow it and readers don't follow it.
func gpsDir(b *ifd.Block, first *ifd.Dir, whole bool) (slot *ifd.Entry, dir *ifd.Dir, err error) {
	for i := range first.Entries {
		x := &first.Entries[i]
		if x.Tag != pointerGPS {
			continue
		}
		if slot != nil {
			return nil, nil, fmt.Errorf("%w: the first directory points to two GPS directories, at offsets %d and %d", ErrCorrupt, slot.Offset, x.Offset)
		}
		if x.Type != ifd.Long && !(whole && x.Type == ifd.IFD) || x.Count != 1 {
			return nil, nil, fmt.Errorf("%w: the pointer to the GPS directory has type %d and count %d where type %d and count 1 are due", ErrCorrupt, x.Type, x.Count, ifd.Long)
		}
		slot = x
	}
	if slot == nil || slot.Offset == 0 {
		return slot, nil, nil
	}
	dir, err = b.Dir(slot.Offset)
	if err != nil {
		return nil, nil, fmt.Errorf("%w: GPS directory: %w", ErrCorrupt, err)
	}
	return slot, dir, nil
}

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
// at gps, in its place by the order of tags, and with the entry of what moves, if
// anything, pointing to movedTo.
func withPointer(b *ifd.Block, first *ifd.Dir, gps uint32, move *moved, movedTo int) []byte {
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
	carry := func(x *ifd.Entry) {
		copy(w, b.Bytes(x.Pos, ifd.EntrySize))
		if move != nil && x.Pos == move.entry.Pos {
			move.patch(b, w[4:], movedTo)
		}
	}
	for i := range n {
		switch {
		case i < at:
			carry(&first.Entries[i])
		case i == at:
			b.Order.PutUint16(w, pointerGPS)
			b.Order.PutUint16(w[2:], ifd.Long)
			b.Order.PutUint32(w[4:], 1)
			b.Order.PutUint32(w[8:], gps)
		default:
			carry(&first.Entries[i-1])
		}
		w = w[ifd.EntrySize:]
	}
	b.Order.PutUint32(w, first.Next)
	return out
}

// encodeGPS lays out a GPS directory for offset pos: the entries ascending by
// tag, the pointer to a next directory, and the values that don't fit into the
// entries, in the entries' order and each at an even offset. Kept entries stay
// as they are, but for values at offset gone and after it, which make way and are
// laid out anew.
func encodeGPS(b *ifd.Block, pos int, set []gpsField, kept []ifd.Entry, gone int, next uint32) []byte {
	type item struct {
		tag   uint16
		raw   []byte // the 12 bytes
		value []byte // what goes out of line; nil where nothing does
	}
	items := make([]item, 0, len(set)+len(kept))
	for i := range kept {
		x := &kept[i]
		it := item{tag: x.Tag, raw: bytes.Clone(b.Bytes(x.Pos, ifd.EntrySize))}
		if outOfLine(x) && x.ValuePos >= gone {
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
	// part: a directory or image data, without which the file is cut off.
	part bool
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
			return fmt.Errorf("%w: %s should be at offset %d to %d, but all ends at %d; what is written there would be taken for it", ErrCorrupt, x.what, x.off, x.end, n)
		}
	}
	return nil
}

// survey walks the directories of a block, most of them at most, and lists what
// they claim that reaches beyond offset from. Of the GPS directory it lists the
// directory and the kept entries' values. Directories that loop or share a place
// are an error, as is a claim to bytes that are touched; directories that can't be
// read are not, since nothing is written to them.
func survey(b *ifd.Block, kept []ifd.Entry, from uint64, most int, touched []span) (extents, error) {
	var ex extents
	var clash error
	touches := func(off, end uint64) bool {
		return slices.ContainsFunc(touched, func(t span) bool { return off < uint64(t.end) && end > uint64(t.off) })
	}
	claim := func(x extent) {
		if clash == nil && !x.guess && touches(x.off, x.end) {
			clash = fmt.Errorf("%w: %s, at offset %d to %d, is made of a pointer that has to change", ErrCorrupt, x.what, x.off, x.end)
		}
		if x.end > from {
			ex = append(ex, x)
		}
	}
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
			return nil, fmt.Errorf("%w: %s and %s are both at offset %d, a loop", ErrCorrupt, was, j.name, j.off)
		}
		seen[j.off] = j.name
		if len(seen) > most {
			return nil, fmt.Errorf("%w: more than %d directories", ErrCorrupt, most)
		}
		d, err := b.Dir(j.off)
		if err != nil {
			if j.off >= 8 {
				// Not there, or reaching beyond the block, by its own count.
				end := uint64(j.off) + 2
				if count := b.Bytes(int(j.off), 2); count != nil {
					end += uint64(b.Order.Uint16(count)) * ifd.EntrySize
				}
				claim(extent{off: uint64(j.off), end: end, what: j.name, part: true})
			}
			continue
		}
		end := uint64(d.Pos) + 2 + uint64(len(d.Entries))*ifd.EntrySize
		if d.NextPos != 0 {
			end += 4
		}
		if here := (extent{off: uint64(d.Pos), end: end, what: j.name, gps: j.gps, part: true}); j.chain != 1 {
			claim(here)
		} else if end > from { // it is what the pointers are in
			ex = append(ex, here)
		}
		values := d.Entries
		if j.gps {
			values = kept
		}
		for i := range values {
			x := &values[i]
			off := uint64(x.Offset)
			size := uint64(ifd.Size(x.Type)) * uint64(x.Count)
			if size > 0 && size <= 4 || size == 0 && x.Type == ifd.IFD || off+max(size, 1) <= from && !touches(off, off+size) {
				continue
			}
			what := fmt.Sprintf("the value of tag 0x%04x in %s", x.Tag, j.name)
			if size > 0 {
				claim(extent{off: off, end: off + size, what: what, gps: j.gps})
			} else {
				claim(extent{off: off, end: off + 1, what: what, guess: true})
			}
		}
		if j.gps {
			continue
		}
		for _, pair := range imageData {
			if err := data(b, d, pair.offsets, pair.lengths, pair.what+j.name, claim); err != nil {
				return nil, err
			}
		}
		for i := range d.Entries {
			x := &d.Entries[i]
			var to job
			switch x.Tag {
			case pointerExif:
				to.name = "the Exif directory"
			case pointerGPS:
				to.name, to.gps = "the GPS directory of "+j.name, j.chain == 1
			case pointerInterop:
				to.name = "the interoperability directory"
			case pointerSubIFDs:
				to.name = "a subdirectory of " + j.name
			default:
				continue
			}
			for _, to.off = range subdirs(b, x, maxDirs) {
				todo = append(todo, to)
			}
		}
		if j.chain > 0 && d.Next != 0 {
			todo = append(todo, job{off: d.Next, name: fmt.Sprintf("directory %d of the chain", j.chain+1), chain: j.chain + 1})
		}
	}
	return ex, clash
}

// subdirs returns where the directories are that an entry points to, most of them
// at most.
func subdirs(b *ifd.Block, x *ifd.Entry, most int) []uint32 {
	var out []uint32
	for i := range int(min(x.Count, uint32(most))) {
		if off, ok := b.Uint(x, i); ok && off != 0 {
			out = append(out, off)
		}
	}
	return out
}

// imageData are the pairs of tags that say where image data are.
var imageData = []struct {
	offsets, lengths uint16
	what             string
}{
	{tagThumbOffset, tagThumbLength, "the thumbnail in "},
	{tagStripOffsets, tagStripByteCounts, "a strip of the image in "},
	{tagTileOffsets, tagTileByteCounts, "a tile of the image in "},
}

// data claims the runs of image data that a pair of tags in d describes.
func data(b *ifd.Block, d *ifd.Dir, offsets, lengths uint16, what string, claim func(extent)) error {
	o, l := d.Find(offsets), d.Find(lengths)
	if o == nil || l == nil || !o.Sound || !l.Sound {
		return nil
	}
	if max(o.ValueLen, l.ValueLen) > ifd.MaxValue {
		return fmt.Errorf("%w: %s: %d pieces; no more than %d bytes of their offsets are read", ErrUnsafe, what, o.Count, ifd.MaxValue)
	}
	off, ok1 := b.Uints(o)
	n, ok2 := b.Uints(l)
	if !ok1 || !ok2 {
		return nil
	}
	for i := range min(len(off), len(n)) {
		if n[i] > 0 {
			claim(extent{off: uint64(off[i]), end: uint64(off[i]) + uint64(n[i]), what: what, part: true})
		}
	}
	return nil
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
		if off := uint64(x.Offset); !x.Sound {
			// Nothing of it is here, unless it starts here.
			if off >= uint64(d.Pos) && off < uint64(b.Len()) {
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
			if pad := b.Bytes(at, 1); pad == nil || pad[0] != 0 {
				return false
			}
			at++
		}
		if x.ValuePos != at {
			return false
		}
		at += x.ValueLen
	}
	if at != b.Len() {
		return false
	}
	for _, x := range known {
		if !x.gps && x.end > uint64(d.Pos) && x.off < uint64(b.Len()) {
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
