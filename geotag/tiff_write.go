package geotag

import (
	"bytes"
	"fmt"

	"example.com/phototie/geotag/internal/ifd"
)

// xmpRoom is the white space that is put into an XMP packet which moves, so that
// later changes find room where it is. The XMP specification part 1 section 7.3.2
// recommends 2 to 4 KB.
const xmpRoom = 2 << 10

// planTIFF works out the change of a TIFF or DNG file. Such a file is an Exif
// block with image data in it: the new GPS directory goes to the end, with a copy
// of the first directory before it where that has no place for the pointer, and
// one pointer changes. An XMP packet that states a position changes where it is
// if its white space allows, and else moves to the end too. Other pages and
// subdirectories stay as they are, where they are.
//
// All directories are walked first, to know that nothing lays claim to what is
// appended: of a file with thousands of pages each page's directory is read, and
// the list of its strips.
func planTIFF(src *source, e Edit, p *Patch) (signed bool, err error) {
	f, err := openTIFF(src)
	if err != nil {
		return false, err
	}
	if f.form == nameRaw {
		return false, ErrRaw
	}
	plan, err := planDirectories(f.b, e, true, nil)
	if err != nil {
		return false, err
	}
	move, in, notes, err := f.planXMP(e.xmpFields(plan.version, false))
	if err != nil {
		return false, err
	}
	p.Notes = append(p.Notes, notes...)
	p.Splices = append(p.Splices, in...)
	if move != nil {
		if plan, err = planDirectories(f.b, e, true, move); err != nil {
			return false, err
		}
	}
	p.Splices = append(p.Splices, plan.splices...)
	return f.first.Find(tagManifest) != nil, f.b.Err()
}

// packet is the XMP packet of the entry e, the only one.
func (f *tiffFile) packet(e *ifd.Entry) ([]byte, error) {
	for i := range f.first.Entries {
		if other := &f.first.Entries[i]; other.Tag == tagXMP && other.Pos != e.Pos {
			return nil, fmt.Errorf("%w: the first directory has two XMP packets, and which of them a reader takes is not known", ErrUnsafe)
		}
	}
	if !e.Sound || e.Type != ifd.Byte && e.Type != ifd.Undefined || e.ValueLen > xmpMaxSize {
		return nil, fmt.Errorf("%w: the XMP packet, %d of type %s at offset %d, can't be read, so whether it states a position is not known", ErrUnsafe, e.Count, ifd.TypeName(e.Type), e.Offset)
	}
	old := f.b.Value(e)
	if old == nil {
		return nil, f.b.Err()
	}
	return old, nil
}

// planXMP works out the change of the XMP packet: splices where it is, or its
// move.
func (f *tiffFile) planXMP(x xmpEdit) (move *moved, splices []Splice, notes []string, err error) {
	e := f.xmp()
	if e == nil {
		return nil, nil, nil, nil
	}
	old, err := f.packet(e)
	if err != nil {
		return nil, nil, nil, err
	}
	in, notes, err := planXMP(old, x)
	if err != nil || len(in) == 0 {
		return nil, nil, notes, err
	}
	packet, err := refit(old, in)
	if err != nil {
		return nil, nil, nil, err
	}
	if len(packet) > len(old) {
		return &moved{entry: e, value: packet}, nil, notes, nil
	}
	return nil, []Splice{difference(int64(e.ValuePos), old, packet)}, notes, nil
}

// refit makes a change of an XMP packet. The result has the old length if the white
// space in or after the packet allows, and is longer by xmpRoom than it needs to be
// if not.
func refit(old []byte, splices []Splice) ([]byte, error) {
	packet, err := applied(old, splices)
	if err != nil {
		return nil, err
	}
	// What follows the packet is no part of it: zeros, or white space.
	fill := []byte{' '}
	if bytes.HasSuffix(old, []byte{0}) {
		fill = []byte{0}
		packet = bytes.TrimRight(packet, "\x00")
	}
	if len(packet) > len(old) {
		packet = packet[:max(len(bytes.TrimRight(packet, xmlSpace)), len(old))]
	}
	if n := len(old) - len(packet); n >= 0 {
		return append(packet, bytes.Repeat(fill, n)...), nil
	}
	room := bytes.Repeat([]byte{' '}, xmpRoom)
	at := len(packet)
	if scan, err := scanXMP(packet); err == nil && scan.padEnd > scan.pad {
		at = scan.padEnd - 1
	}
	return append(append(packet[:at:at], room...), packet[at:]...), nil
}

// difference is the change of a run of bytes at off into one of the same length,
// from the first byte that differs to the last.
func difference(off int64, old, now []byte) Splice {
	from, to := 0, len(old)
	for from < to && old[from] == now[from] {
		from++
	}
	for to > from && old[to-1] == now[to-1] {
		to--
	}
	return Splice{Off: off + int64(from), Old: bytes.Clone(old[from:to]), New: bytes.Clone(now[from:to])}
}
