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
	w := dirWriter{b: b, whole: whole, move: move, first: first, old: new(ifd.Dir)}
	if err := w.findGPS(); err != nil {
		return nil, err
	}
	var oldVersion []byte
	if v := w.old.Find(gpsVersionID); v != nil {
		oldVersion = b.Value(v)
	}
	p := &blockPlan{version: gpsVersion(oldVersion)}
	var drop []uint16
	w.set, drop = e.fields(b.Order, p.version)
	w.same = says(b, w.old.Entries, w.set, drop)
	if w.same && move == nil {
		return p, nil
	}
	// Kept entries are carried over as the 12 bytes they are: a value that
	// doesn't fit into them stays where it is.
	for _, x := range w.old.Entries {
		if !slices.Contains(drop, x.Tag) && settingOf(w.set, x.Tag) == nil {
			w.kept = append(w.kept, x)
		}
	}
	known, err := w.survey()
	if err != nil {
		return nil, err
	}
	w.write(known)
	p.splices, err = w.appended(known)
	return p, err
}

// appended are the splices with what is laid out at the end, in order. Nothing may lay
// claim to what comes after the block.
func (w *dirWriter) appended(known extents) ([]Splice, error) {
	size, end := w.b.Len(), w.base+len(w.out)
	if int64(w.base)+int64(len(w.out)) > math.MaxUint32 {
		return nil, fmt.Errorf("%w: the block would reach to byte %d, and its offsets have 32 bits", ErrNoRoom, end)
	}
	all := append(w.splices, Splice{Off: int64(w.base), Old: bytes.Clone(w.b.Bytes(w.base, size-w.base)), New: w.out})
	slices.SortFunc(all, func(a, b Splice) int { return cmp.Compare(a.Off, b.Off) })
	if err := known.clear(uint64(size), uint64(max(size, end))); err != nil {
		return nil, err
	}
	return all, w.b.Err()
}

// dirWriter works out the new GPS directory of a block.
type dirWriter struct {
	b     *ifd.Block
	whole bool   // a TIFF file
	move  *moved // nil for none
	first *ifd.Dir
	// slot is the pointer to the GPS directory, nil where there is none; old is that
	// directory, without a place where there is none.
	slot *ifd.Entry
	old  *ifd.Dir
	same bool // old says what it should
	set  []gpsField
	kept []ifd.Entry
	// The new bytes: from base on, up to the end of the block or beyond, and
	// splices before.
	base    int
	out     []byte
	splices []Splice
}

// even makes the next byte of out one at an even offset, where directories and
// values begin, and returns the offset.
func (w *dirWriter) even() int {
	if (w.base+len(w.out))&1 == 1 {
		w.out = append(w.out, 0)
	}
	return w.base + len(w.out)
}

// write lays out what is new: after the block, or in place of the GPS directory
// where that is at its end.
func (w *dirWriter) write(known extents) {
	size, gone := w.b.Len(), math.MaxInt
	w.base = size
	reuse := w.old.Pos != 0 && !w.same && size-w.old.Pos <= ifd.MaxValue && ownsTail(w.b, w.old, known)
	if reuse {
		w.base, gone = w.old.Pos, w.old.Pos
	}
	movedTo := 0
	if m := w.move; m != nil {
		movedTo = w.even()
		w.out = append(w.out, m.value...)
		if w.slot != nil { // else the copy of the first directory has it
			entry := Splice{Off: int64(m.entry.Pos) + 4, Old: bytes.Clone(w.b.Bytes(m.entry.Pos+4, 8)), New: make([]byte, 8)}
			m.patch(w.b, entry.New, movedTo)
			w.splices = append(w.splices, entry)
		}
	}
	if w.same {
		return
	}
	if at := w.even(); w.slot == nil {
		// The first directory has no room for one more entry where it is. Its
		// copy has; the values stay, and so does the old directory, unused.
		gps := at + 2 + (len(w.first.Entries)+1)*ifd.EntrySize + 4
		w.out = append(w.out, encodeDir(w.b, at, withPointer(w.b, w.first, uint32(gps), w.move, movedTo), w.first.Next)...)
		w.splices = append(w.splices, splice32(w.b, 4, uint32(at)))
	} else if !reuse || at != w.old.Pos {
		w.splices = append(w.splices, splice32(w.b, w.slot.Pos+8, uint32(at)))
	}
	w.out = append(w.out, encodeDir(w.b, w.even(), w.gpsItems(gone), w.old.Next)...)
}

// splice32 is the change of the 32 bits at pos of a block.
func splice32(b *ifd.Block, pos int, v uint32) Splice {
	n := make([]byte, 4)
	b.Order.PutUint32(n, v)
	return Splice{Off: int64(pos), Old: bytes.Clone(b.Bytes(pos, len(n))), New: n}
}

// findGPS finds the GPS directory of a block and the entry that points to it. The
// pointer may be of another type than LONG where it leaves no doubt, see
// exifReader.pointer.
func (w *dirWriter) findGPS() error {
	for i := range w.first.Entries {
		x := &w.first.Entries[i]
		if x.Tag != pointerGPS {
			continue
		}
		if w.slot != nil {
			return fmt.Errorf("%w: the first directory points to two GPS directories, at offsets %d and %d", ErrCorrupt, w.slot.Offset, x.Offset)
		}
		if x.Type != ifd.Long && x.Type != ifd.IFD && x.Type != ifd.SLong || x.Count != 1 {
			return fmt.Errorf("%w: the pointer to the GPS directory, at offset %d, has type %s and count %d where LONG and 1 are due", ErrCorrupt, x.Pos, ifd.TypeName(x.Type), x.Count)
		}
		w.slot = x
	}
	if w.slot == nil || w.slot.Offset == 0 {
		return nil
	}
	if err := w.b.ReadDir(w.old, w.slot.Offset); err != nil {
		return fmt.Errorf("%w: GPS directory: %w", ErrCorrupt, err)
	}
	return nil
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
		if f := settingOf(set, x.Tag); f != nil {
			if x.Type != f.typ || x.Count != f.count || !bytes.Equal(b.Value(x), f.value) {
				return false
			}
			found++
		}
	}
	return found == len(set)
}

// settingOf is the field of a tag, nil where there is none.
func settingOf(set []gpsField, tag uint16) *gpsField {
	if i := slices.IndexFunc(set, func(f gpsField) bool { return f.tag == tag }); i >= 0 {
		return &set[i]
	}
	return nil
}

// dirItem is an entry of a directory that is laid out.
type dirItem struct {
	tag   uint16
	raw   []byte // the 12 bytes
	value []byte // what goes out of line; nil where nothing does
}

// carried is an entry as it is.
func carried(b *ifd.Block, x *ifd.Entry) dirItem {
	return dirItem{tag: x.Tag, raw: bytes.Clone(b.Bytes(x.Pos, ifd.EntrySize))}
}

func (f gpsField) item(order binary.ByteOrder) dirItem {
	it := dirItem{tag: f.tag, raw: make([]byte, ifd.EntrySize)}
	order.PutUint16(it.raw, f.tag)
	order.PutUint16(it.raw[2:], f.typ)
	order.PutUint32(it.raw[4:], f.count)
	if len(f.value) > 4 {
		it.value = f.value
	} else {
		copy(it.raw[8:], f.value)
	}
	return it
}

// withPointer lists the entries of the first directory with one for the GPS directory
// at gps, in its place by the order of tags, and with the entry of what moves, if
// anything, pointing to movedTo.
func withPointer(b *ifd.Block, first *ifd.Dir, gps uint32, move *moved, movedTo int) []dirItem {
	var items []dirItem
	for i := range first.Entries {
		x := &first.Entries[i]
		it := carried(b, x)
		if move != nil && x.Pos == move.entry.Pos {
			move.patch(b, it.raw[4:], movedTo)
		}
		items = append(items, it)
	}
	pointer := gpsField{tag: pointerGPS, typ: ifd.Long, count: 1, value: make([]byte, 4)}
	b.Order.PutUint32(pointer.value, gps)
	return inserted(items, pointer.item(b.Order))
}

// inserted is a directory with one more entry, in its place by the order of tags.
func inserted(items []dirItem, it dirItem) []dirItem {
	at := slices.IndexFunc(items, func(other dirItem) bool { return other.tag > it.tag })
	if at < 0 {
		at = len(items)
	}
	return slices.Insert(items, at, it)
}

// gpsItems lists the entries of the new GPS directory, ascending by tag. Kept entries
// stay as they are, but for values at offset gone and after it, which make way and are
// laid out anew.
func (w *dirWriter) gpsItems(gone int) []dirItem {
	var items []dirItem
	for i := range w.kept {
		it := carried(w.b, &w.kept[i])
		if x := &w.kept[i]; outOfLine(x) && x.ValuePos >= gone {
			it.value = w.b.Value(x)
		}
		items = append(items, it)
	}
	for _, f := range w.set {
		items = append(items, f.item(w.b.Order))
	}
	slices.SortStableFunc(items, func(a, b dirItem) int { return cmp.Compare(a.tag, b.tag) })
	return items
}

// encodeDir lays out a directory for offset pos: the entries, the pointer to a next
// directory, and the values that don't fit into the entries, in the entries' order and
// each at an even offset.
func encodeDir(b *ifd.Block, pos int, items []dirItem, next uint32) []byte {
	order := b.Order.(binary.AppendByteOrder)
	out := order.AppendUint16(nil, uint16(len(items)))
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
	return append(order.AppendUint32(out, next), values...)
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

// surveyor walks the directories of a block.
type surveyor struct {
	*dirWriter
	from    uint64 // what ends before is of no concern
	touched []span // what is going to be overwritten
	found   extents
	clash   error // of a claim to touched bytes
	todo    []surveyed
}

// surveyed is a directory on a surveyor's way.
type surveyed struct {
	off   uint32
	name  string
	chain int // 1 for the first directory, 2 for the next; 0 for others
	gps   bool
}

// surveyor knows where the end of the block starts, and what is going to be overwritten.
func (w *dirWriter) surveyor() surveyor {
	s := surveyor{dirWriter: w, from: uint64(w.b.Len()), touched: []span{{4, 8}}}
	if w.old.Pos != 0 {
		s.from = uint64(w.old.Pos)
	}
	if w.slot != nil {
		s.touched[0] = span{int64(w.slot.Pos) + 8, int64(w.slot.Pos) + ifd.EntrySize}
	}
	if w.move != nil {
		s.touched = append(s.touched, span{int64(w.move.entry.Pos) + 4, int64(w.move.entry.Pos) + ifd.EntrySize})
	}
	return s
}

// survey walks the directories of the block, and lists what they claim at its end.
// Of the GPS directory it lists the directory and the kept entries' values.
// Directories that loop or share a place are an error, as is a claim to bytes that
// are going to be overwritten; directories that can't be read are not, since nothing
// is written to them. In a TIFF file what the file is too short for is an error too.
func (w *dirWriter) survey() (extents, error) {
	s := w.surveyor()
	most := maxDirs
	if w.whole {
		most = maxPages
	}
	seen := map[uint32]string{}
	s.todo = []surveyed{{off: w.b.First, name: "the first directory", chain: 1}}
	for len(s.todo) > 0 {
		j := s.todo[0]
		s.todo = s.todo[1:]
		if was, ok := seen[j.off]; ok {
			return nil, fmt.Errorf("%w: %s and %s are both at offset %d, a loop", ErrCorrupt, was, j.name, j.off)
		}
		seen[j.off] = j.name
		if len(seen) > most {
			return nil, fmt.Errorf("%w: more than %d directories", ErrCorrupt, most)
		}
		if err := s.directory(j); err != nil {
			return nil, err
		}
	}
	for _, x := range s.found {
		if size := w.b.Len(); s.clash == nil && w.whole && x.part && x.end > uint64(size) {
			return nil, fmt.Errorf("%w: %s should be at offset %d to %d, but the file ends at %d", ErrTruncated, x.what, x.off, x.end, size)
		}
	}
	return s.found, s.clash
}

func (s *surveyor) touches(off, end uint64) bool {
	return slices.ContainsFunc(s.touched, func(t span) bool { return off < uint64(t.end) && end > uint64(t.off) })
}

func (s *surveyor) claim(x extent) {
	if s.clash == nil && !x.guess && s.touches(x.off, x.end) {
		s.clash = fmt.Errorf("%w: %s, at offset %d to %d, is made of a pointer that has to change", ErrCorrupt, x.what, x.off, x.end)
	}
	if x.end > s.from {
		s.found = append(s.found, x)
	}
}

// directory lists what one directory claims, and puts those that it points to on
// the way.
func (s *surveyor) directory(j surveyed) error {
	d, err := s.b.Dir(j.off)
	if err != nil {
		if j.off >= 8 {
			// Not there, or reaching beyond the block, by its own count.
			end := uint64(j.off) + 2
			if count := s.b.Bytes(int(j.off), 2); count != nil {
				end += uint64(s.b.Order.Uint16(count)) * ifd.EntrySize
			}
			s.claim(extent{off: uint64(j.off), end: end, what: j.name, part: true})
		}
		return nil
	}
	end := uint64(d.Pos) + 2 + uint64(len(d.Entries))*ifd.EntrySize
	if d.NextPos != 0 {
		end += 4
	}
	if here := (extent{off: uint64(d.Pos), end: end, what: j.name, gps: j.gps, part: true}); j.chain != 1 {
		s.claim(here)
	} else if end > s.from { // it is what the pointers are in
		s.found = append(s.found, here)
	}
	if j.gps {
		s.values(j, s.kept)
		return nil
	}
	s.values(j, d.Entries)
	for _, pair := range imageData {
		if err := s.imageData(d, pair.offsets, pair.lengths, pair.what+j.name); err != nil {
			return err
		}
	}
	s.follow(j, d)
	return nil
}

// values lists the values of entries of a directory.
func (s *surveyor) values(j surveyed, entries []ifd.Entry) {
	for i := range entries {
		x := &entries[i]
		off := uint64(x.Offset)
		size := uint64(ifd.Size(x.Type)) * uint64(x.Count)
		if size > 0 && size <= 4 || size == 0 && x.Type == ifd.IFD || off+max(size, 1) <= s.from && !s.touches(off, off+size) {
			continue
		}
		s.claim(extent{
			off: off, end: off + max(size, 1), guess: size == 0, gps: j.gps && size > 0,
			what: fmt.Sprintf("the value of tag 0x%04x in %s", x.Tag, j.name),
		})
	}
}

// follow puts the directories that d points to on the way.
func (s *surveyor) follow(j surveyed, d *ifd.Dir) {
	for i := range d.Entries {
		x := &d.Entries[i]
		var to surveyed
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
		for _, to.off = range subdirs(s.b, x, maxDirs) {
			s.todo = append(s.todo, to)
		}
	}
	if j.chain > 0 && d.Next != 0 {
		s.todo = append(s.todo, surveyed{off: d.Next, name: fmt.Sprintf("directory %d of the chain", j.chain+1), chain: j.chain + 1})
	}
}

// subdirs returns where the directories are that an entry points to, most of them
// at most.
func subdirs(b *ifd.Block, x *ifd.Entry, most int) []uint32 {
	if x.Type == ifd.SLong && x.Count == 1 && x.Offset != 0 {
		return []uint32{x.Offset}
	}
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

// imageData lists the runs of image data that a pair of tags in d describes.
func (s *surveyor) imageData(d *ifd.Dir, offsets, lengths uint16, what string) error {
	o, l := d.Find(offsets), d.Find(lengths)
	if o == nil || l == nil || !o.Sound || !l.Sound {
		return nil
	}
	if max(o.ValueLen, l.ValueLen) > ifd.MaxValue {
		return fmt.Errorf("%w: %s: %d pieces; no more than %d bytes of their offsets are read", ErrUnsafe, what, o.Count, ifd.MaxValue)
	}
	for i := range int(min(o.Count, l.Count)) {
		off, ok1 := s.b.Uint(o, i)
		if n, ok2 := s.b.Uint(l, i); ok1 && ok2 && n > 0 {
			s.claim(extent{off: uint64(off), end: uint64(off) + uint64(n), what: what, part: true})
		}
	}
	return nil
}

// ownsTail reports whether a GPS directory and its values are the last thing in
// the block, laid out exactly as encodeDir does it, and nothing else known
// claims a byte there. Every byte from the directory to the block's end is then
// accounted for by the directory, and by it alone.
func ownsTail(b *ifd.Block, d *ifd.Dir, known extents) bool {
	pos, size := uint64(d.Pos), uint64(b.Len())
	claimed := func(x extent) bool { return !x.gps && x.end > pos && x.off < size }
	return d.NextPos != 0 && d.Pos&1 == 0 && !slices.ContainsFunc(known, claimed) && fillsTail(b, d, pos, size)
}

// fillsTail is ownsTail for the layout.
func fillsTail(b *ifd.Block, d *ifd.Dir, pos, size uint64) bool {
	at := d.NextPos + 4
	for i := range d.Entries {
		x := &d.Entries[i]
		off, end := uint64(x.Offset), uint64(x.Offset) // where it is, if it is not known how long it is
		if x.Sound {
			off, end = uint64(x.ValuePos), uint64(x.ValuePos+x.ValueLen)
		}
		switch {
		case x.Sound && !outOfLine(x), off < pos && end <= pos, !x.Sound && off >= size:
			continue // it is elsewhere
		case !x.Sound || off < pos:
			return false
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
	return at == b.Len()
}

// newExif builds an Exif block that says what the edit asks for, for an image
// that has none: a first directory with a GPS directory.
func newExif(e Edit) ([]byte, error) {
	mapping, err := exifcommon.NewIfdMappingWithStandard()
	if err != nil {
		return nil, fmt.Errorf("building an Exif block: %w", err)
	}
	index, order, id := exif.NewTagIndex(), binary.BigEndian, exifcommon.IfdGpsInfoStandardIfdIdentity
	gps := exif.NewIfdBuilder(mapping, index, id, order)
	version := exif.NewIfdBuilderTagValueFromBytes(version23[:])
	root := exif.NewIfdBuilder(mapping, index, exifcommon.IfdStandardIfdIdentity, order)
	err = errors.Join(
		gps.Add(exif.NewBuilderTag(id.UnindexedString(), gpsVersionID, exifcommon.TypeByte, version, order)),
		root.AddChildIb(gps),
	)
	if err != nil {
		return nil, fmt.Errorf("building an Exif block: %w", err)
	}
	block, err := exif.NewIfdByteEncoder().EncodeToExif(root)
	if err != nil {
		return nil, fmt.Errorf("building an Exif block: %w", err)
	}
	plan, err := planBlock(block, e)
	if err != nil {
		return nil, err
	}
	return applied(block, plan.splices)
}
