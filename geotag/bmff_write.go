package geotag

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
)

// itemMove is an item whose new bytes go to the end of the file.
type itemMove struct {
	id    uint64
	bytes []byte
}

// bmffWriter works out the change of an image in boxes. An item of Exif or XMP that
// keeps its length changes where it is. One that doesn't is written anew into a
// box mdat at the end of the file, and its entry in iloc leads there; all else
// keeps its place, and so do the old bytes, unused. An Exif item that an earlier
// correction put at the end is replaced there.
//
// A file without an Exif item gets one, for which its meta box has to grow: what
// follows moves, and all places that iloc states move along. That is done only
// where no box is known or suspected to hold other places, as those of films and
// sequences do; else the error is ErrUnsafe.
//
// Before the plan is handed out, it is read back: each item that isn't Exif or
// XMP of the picture must be in bytes that no splice touches.
type bmffWriter struct {
	src     *source
	file    *bmffFile
	m       *bmffMeta
	loc     locations // as it is to be
	added   uint64    // the id of an Exif item that is new
	changed []uint64  // the items whose bytes change
	moves   []itemMove
	splices []Splice
}

// check refuses files that can't be written to, and notes the places of the items.
func (w *bmffWriter) check() (err error) {
	m := w.m
	if m == nil || m.primary == 0 || m.iinf.kind == "" || m.iloc.kind == "" {
		return fmt.Errorf("%w: the file has no list of items with a picture among them, to which a position could be added", ErrUnsafe)
	}
	was := m.b[m.iloc.data:m.iloc.end]
	if w.loc, err = decodeLocations(was); err == nil && !bytes.Equal(w.loc.encode(), was) {
		err = fmt.Errorf("%w: iloc has more in it than is known of", ErrUnsafe)
	}
	return err
}

// insert plans an Exif item.
func (w *bmffWriter) insert(block []byte, _ *Patch) error {
	w.added = w.m.lastID + 1
	w.moves = append(w.moves, itemMove{w.added, append(make([]byte, 4), block...)})
	return nil
}

// insertXMP refuses: readers differ in how they find the packet of a picture that
// had none.
func (w *bmffWriter) insertXMP([]byte, *Patch) error {
	return fmt.Errorf("%w: the image has no XMP packet, and none is put into this format", ErrUnsafe)
}

// rewrite plans the change of an item.
func (h itemHolder) rewrite(src *source, _ *Patch, edit func([]byte) ([]Splice, error)) error {
	old, at, err := h.item(src)
	if err != nil {
		return err
	}
	old = bytes.Clone(old)
	splices, err := edit(old[at:])
	if err != nil || len(splices) == 0 {
		return err
	}
	var now []byte
	if h.exif {
		if now, err = applied(old[at:], splices); err == nil {
			now = append(old[:at:at], now...)
		}
	} else {
		now, err = refit(old, splices)
	}
	if err != nil {
		return err
	}
	h.w.replace(h.id, old, now)
	return nil
}

// finish plans what moves, and proves that nothing else changes.
func (w *bmffWriter) finish(_ *source, _ xmpEdit, p *Patch) error {
	if len(w.moves) > 0 {
		if err := w.append(); err != nil {
			return err
		}
	}
	slices.SortStableFunc(w.splices, func(a, b Splice) int {
		return cmp.Or(cmp.Compare(a.Off, b.Off), cmp.Compare(len(a.Old), len(b.Old)))
	})
	p.Splices = append(p.Splices, w.splices...)
	if len(w.splices) == 0 {
		return nil
	}
	return w.prove(p)
}

// replace plans the change of an item: where it is, if that is of the same length
// and no other item is in those bytes, and else at the file's end.
func (w *bmffWriter) replace(id uint64, old, now []byte) {
	w.changed = append(w.changed, id)
	spans, err := w.m.spans(w.m.loc.find(id), w.src.size)
	if len(old) != len(now) || err != nil || w.shared(id, spans) {
		w.moves = append(w.moves, itemMove{id, now})
		return
	}
	for _, s := range spans {
		n := int(s.end - s.off)
		if d := difference(s.off, old[:n], now[:n]); len(d.Old) > 0 {
			w.splices = append(w.splices, d)
		}
		old, now = old[n:], now[n:]
	}
}

// shared reports whether bytes of spans, which are those of item id, belong to
// another item or twice to it, or are not certain to be its own.
func (w *bmffWriter) shared(id uint64, spans []span) bool {
	own := 0
	for i := range w.m.loc.items {
		it := &w.m.loc.items[i]
		others, err := w.m.spans(it, w.src.size)
		if err != nil {
			continue // they are elsewhere, or the file is refused where it matters
		}
		for _, o := range others {
			for _, s := range spans {
				if o.overlaps(s) {
					if it.id != id {
						return true
					}
					own++
				}
			}
		}
	}
	return own != len(spans)
}

// holdsPlaces reports whether a box at the top level may hold places of bytes in the
// file other than those of items.
func (x *bmffBox) holdsPlaces() bool {
	return !slices.Contains([]string{"ftyp", "meta", "mdat", "free", "skip", "wide"}, x.kind) && x.user != manifestBox
}

// append plans what goes to the end of the file: the items that move, the last of
// which is the Exif item.
func (w *bmffWriter) append() error {
	slices.SortStableFunc(w.moves, func(a, b itemMove) int { // Exif was first
		return cmp.Compare(w.isExif(a.id), w.isExif(b.id))
	})
	base, old, err := w.tail()
	if err != nil {
		return err
	}
	grow := 0
	if w.added != 0 {
		if grow, err = w.addItem(); err != nil {
			return err
		}
		for i := range w.loc.items {
			if err := w.shift(&w.loc.items[i], uint64(grow)); err != nil {
				return err
			}
		}
	}
	var out []byte
	for _, mv := range w.moves {
		if len(mv.bytes) > math.MaxUint32-8 {
			return fmt.Errorf("%w: an item of %d bytes", ErrNoRoom, len(mv.bytes))
		}
		if err := w.place(w.loc.find(mv.id), uint64(base+int64(grow)+int64(len(out))+8), len(mv.bytes)); err != nil {
			return err
		}
		out = append(out, newBox("mdat", mv.bytes)...)
	}
	w.splices = append(w.splices, Splice{Off: base, Old: old, New: out})
	iloc, now := w.m.b[w.m.iloc.data:w.m.iloc.end], w.loc.encode()
	at := w.m.box.off + w.m.iloc.data
	if w.added == 0 {
		w.splices = append(w.splices, difference(at, iloc, now))
	} else {
		w.splices = append(w.splices, Splice{Off: at, Old: bytes.Clone(iloc), New: now})
	}
	return nil
}

// tail is where new boxes go, and what makes way for them there: nothing, or the box
// of an earlier correction. A last box that states no length gets one, so that it does
// not take in what follows.
func (w *bmffWriter) tail() (base int64, old []byte, err error) {
	for _, it := range w.m.loc.items {
		if it.reference != 0 || it.method() != inFile {
			continue
		}
		if slices.ContainsFunc(w.m.loc.parts[it.from:it.to], func(p itemPart) bool { return p.length == 0 }) {
			return 0, nil, fmt.Errorf("%w: item %d goes on to the end of the file, so nothing can be put there", ErrUnsafe, it.id)
		}
	}
	if err := w.m.beyond(w.src.size); err != nil {
		return 0, nil, err // what is appended would be taken for it
	}
	last := w.file.boxes[len(w.file.boxes)-1]
	n := last.end - last.off
	switch {
	case w.ownsTail(last):
		b, err := w.src.window(last.off, int(n))
		return last.off, bytes.Clone(b), err
	case last.open && n > math.MaxUint32:
		return 0, nil, fmt.Errorf("%w: the last box, %q, states no length and is too long to state one", ErrNoRoom, last.kind)
	case last.open:
		w.splices = append(w.splices, Splice{Off: last.off, Old: make([]byte, 4), New: binary.BigEndian.AppendUint32(nil, uint32(n))})
	}
	return w.src.size, nil, nil
}

// isExif is 1 for the Exif item and 0 for others.
func (w *bmffWriter) isExif(id uint64) int {
	if id == w.added || slices.ContainsFunc(w.m.items, func(it metaItem) bool { return it.id == id && it.exif }) {
		return 1
	}
	return 0
}

// ownsTail reports whether the file's last box is an mdat with the Exif item that
// moves, and nothing else. Of a file with tracks, whose places in mdat are not known,
// it isn't known.
func (w *bmffWriter) ownsTail(last bmffBox) bool {
	id := w.moves[len(w.moves)-1].id
	if last.kind != "mdat" || last.open || last.end-last.off > maxExifItem+bmffHeader || w.isExif(id) == 0 || id == w.added ||
		slices.ContainsFunc(w.file.boxes, func(x bmffBox) bool { return x.holdsPlaces() }) {
		return false
	}
	own, err := w.m.spans(w.m.loc.find(id), w.src.size)
	if err != nil || w.shared(id, own) {
		return false
	}
	at := last.data
	for _, s := range own { // one piece after the other
		if s.off != at {
			return false
		}
		at = s.end
	}
	return at == last.end
}

// most is the largest number that a field of so many bytes holds.
func most(field int) uint64 { return 1<<(8*field) - 1 }

// place makes item it n bytes at offset at of the file.
func (w *bmffWriter) place(it *located, at uint64, n int) error {
	l, parts := &w.loc, w.loc.parts[it.from:it.to]
	if it.how &^= 15; !l.put(it, parts, at, uint64(n), it.id == w.added && l.items[0].base != 0) { // in the file
		return fmt.Errorf("%w: iloc has fields of %d, %d and %d bytes for base, offset and length of item %d, which don't hold offset %d and length %d", ErrNoRoom, l.base(), l.offset(), l.length(), it.id, at, n)
	}
	return nil
}

// put says in the fields of an item where it is, and false where they don't hold that.
// A file that says it all by the base goes on so: there are readers that look at
// nothing else.
func (l *locations) put(it *located, parts []itemPart, at, n uint64, byBase bool) bool {
	count := uint64(len(parts))
	if count == 0 || n < count || l.length() == 0 {
		return false
	}
	switch {
	case (byBase || it.base != 0) && count == 1 && parts[0].off == 0 && at <= most(l.base()):
		it.base = at
	case it.base > at || at+n-it.base > most(l.offset()):
		if it.base = 0; l.offset() == 0 {
			it.base = at
		}
	}
	for i := range parts {
		parts[i].off, parts[i].length = at-it.base, n/count
		at += n / count
	}
	parts[count-1].length += n % count
	return it.base <= most(l.base()) && !slices.ContainsFunc(parts, func(p itemPart) bool { return p.off > most(l.offset()) || p.length > most(l.length()) })
}

// shift moves what an item has after the meta box by grow bytes.
func (w *bmffWriter) shift(it *located, grow uint64) error {
	if it.reference != 0 || it.method() != inFile || it.id == w.added {
		return nil
	}
	l, parts := &w.loc, w.loc.parts[it.from:it.to]
	spans, err := w.m.spans(it, w.src.size)
	if err != nil {
		return err
	}
	box := span{w.m.box.off, w.m.box.end}
	behind := func(s span) bool { return s.off >= box.end }
	switch {
	case slices.ContainsFunc(spans, box.overlaps):
		return fmt.Errorf("%w: item %d is inside the meta box, which has to grow", ErrUnsafe, it.id)
	case !slices.ContainsFunc(spans, behind):
		return nil
	case !slices.ContainsFunc(spans, func(s span) bool { return !behind(s) }) && l.base() > 0 && it.base+grow <= min(most(l.base()), math.MaxInt64):
		it.base += grow
		return nil
	}
	for i := range parts {
		if !behind(spans[i]) {
			continue
		}
		if parts[i].off += grow; parts[i].off > most(l.offset()) {
			return fmt.Errorf("%w: iloc has no field for where item %d would move to, offset %d", ErrNoRoom, it.id, parts[i].off)
		}
	}
	return nil
}

// metaGrower plans what the meta box grows by.
type metaGrower struct {
	*bmffWriter
	grow int // of meta
}

// put plans the change of bytes at off of the meta box.
func (g *metaGrower) put(off int64, old, now []byte) {
	g.splices = append(g.splices, Splice{Off: g.m.box.off + off, Old: bytes.Clone(old), New: now})
}

// add plans new bytes at the end of a box, and its length.
func (g *metaGrower) add(x bmffBox, b []byte) error {
	if len(b) > 0 {
		g.put(x.end, nil, b)
	}
	return g.resize(x, len(b))
}

// resize plans the length of a box that grows by n.
func (g *metaGrower) resize(x bmffBox, n int) error {
	b := g.m.b[x.off:]
	g.grow += n
	size := x.end - x.off + int64(n)
	switch {
	case binary.BigEndian.Uint32(b) == 1:
		g.put(x.off+8, b[8:16], binary.BigEndian.AppendUint64(nil, uint64(size)))
	case size > math.MaxUint32:
		return fmt.Errorf("%w: the box %q", ErrNoRoom, x.kind)
	default:
		g.put(x.off, b[:4], binary.BigEndian.AppendUint32(nil, uint32(size)))
	}
	return nil
}

// addItem plans the entries in iinf, iloc and iref of an Exif item that is about
// the picture, and the lengths of the boxes that grow. It returns by how much meta
// grows.
func (w *bmffWriter) addItem() (grow int, err error) {
	m, id := w.m, w.added
	for _, x := range w.file.boxes {
		if x.holdsPlaces() {
			return 0, fmt.Errorf("%w: there is no Exif item yet; room for one would move the image data, of which the box %q at offset %d may hold places", ErrUnsafe, x.kind, x.off)
		}
	}
	if m.open || m.box.open {
		return 0, fmt.Errorf("%w: there is no Exif item yet, and a box that would have to grow for one states no length", ErrUnsafe)
	}
	if w.loc.find(id) != nil || id > math.MaxUint32 {
		return 0, fmt.Errorf("%w: no number is left for a new item", ErrNoRoom)
	}
	g := metaGrower{bmffWriter: w}
	for _, add := range []func() error{g.addInfo, g.addPlace, g.addReference} {
		if err := add(); err != nil {
			return 0, err
		}
	}
	grow = g.grow
	return grow, g.resize(bmffBox{kind: "meta", end: int64(len(m.b))}, grow)
}

// newBox lays out a box of at most 4 GiB.
func newBox(kind string, data []byte) []byte {
	b := append(binary.BigEndian.AppendUint32(nil, uint32(8+len(data))), kind...)
	return append(b, data...)
}

// addInfo plans an entry in iinf that isn't shown, and the count.
func (g *metaGrower) addInfo() error {
	m, long := g.m, g.added > math.MaxUint16
	head := []byte{2, 0, 0, 1}
	if long {
		head[0] = 3
	}
	infe := newBox("infe", append(appendID(head, g.added, long), "\x00\x00Exif\x00"...))
	version, _, f := m.full(m.iinf)
	at, size := m.iinf.end-int64(len(f.b)), wide(version > 0)
	n := f.take(size)
	if f.short || n+1 == 1<<(8*size) {
		return fmt.Errorf("%w: iinf lists %d items", ErrNoRoom, n)
	}
	g.put(at, m.b[at:][:size], appendID(nil, n+1, version > 0))
	return g.add(m.iinf, infe)
}

// addPlace makes room for the item in iloc, where its place is filled in when it is
// known.
func (g *metaGrower) addPlace() error {
	l := &g.loc
	if l.version < 2 && (g.added > math.MaxUint16 || len(l.items) == math.MaxUint16) {
		return fmt.Errorf("%w: iloc has 16 bits for the numbers of its items", ErrNoRoom)
	}
	before, n := len(l.encode()), len(l.parts)
	l.parts = append(l.parts, itemPart{})
	l.items = append(l.items, located{id: g.added, from: n, to: n + 1})
	return g.resize(g.m.iloc, len(l.encode())-before)
}

// addReference plans what the item is about.
func (g *metaGrower) addReference() error {
	m, long := g.m, g.added > math.MaxUint16
	describes := func(long bool) []byte {
		return newBox("cdsc", appendID(append(appendID(nil, g.added, long), 0, 1), m.primary, long))
	}
	if m.iref.kind == "" {
		head := []byte{0, 0, 0, 0}
		if long = long || m.primary > math.MaxUint16; long {
			head[0] = 1
		}
		ref := newBox("iref", append(head, describes(long)...))
		g.put(int64(len(m.b)), nil, ref)
		g.grow += len(ref)
		return nil
	}
	version, _, _ := m.full(m.iref)
	if version == 0 && long {
		return fmt.Errorf("%w: iref has 16 bits for the numbers of items", ErrNoRoom)
	}
	return g.add(m.iref, describes(version > 0))
}

// appendID appends an item's number of 16 or 32 bits.
func appendID(b []byte, id uint64, long bool) []byte {
	f := fields{b: b, writing: true}
	f.num(&id, wide(long))
	return f.b
}

// prove reads the file as the patch would make it and reports an error unless
// each item that was there is still there, in the same number of pieces, and,
// if it isn't one of those that change, its bytes are the same: they come from
// where they were, and no splice touches them.
func (w *bmffWriter) prove(p *Patch) error {
	sortSplices(p)
	if err := p.Check(); err != nil {
		return fmt.Errorf("%w: %w", errOthers, err)
	}
	result := newSource(p.Through(w.src), p.SizeAfter())
	defer result.release()
	after, err := openBMFF(result, true)
	if err != nil {
		return fmt.Errorf("%w: %w", errOthers, err)
	}
	more := 0
	if w.added != 0 {
		more = 1
	}
	was, now := w.m.loc.items, after.meta.loc.items
	if len(now) != len(was)+more || after.meta.primary != w.m.primary || len(after.meta.items) != len(w.m.items)+more {
		return fmt.Errorf("%w: %d items, were %d", errOthers, len(now), len(was))
	}
	for i := range was {
		if err := w.proveItem(p, after.meta, &was[i], &now[i]); err != nil {
			return err
		}
	}
	return nil
}

var errOthers = errors.New("the correction was worked out but would change other items, so it is not made")

// proveItem is prove for one item, before and after.
func (w *bmffWriter) proveItem(p *Patch, after *bmffMeta, was, now *located) error {
	if was.id != now.id || was.to-was.from != now.to-now.from {
		return fmt.Errorf("%w: item %d is not item %d", errOthers, now.id, was.id)
	}
	from, err := w.m.spans(was, w.src.size)
	if slices.Contains(w.changed, was.id) || err != nil {
		return nil // it is meant to change, or in another file, or nowhere
	}
	to, err := after.spans(now, p.SizeAfter())
	if err != nil {
		return fmt.Errorf("%w: %w", errOthers, err)
	}
	for j, s := range from {
		if x := p.touches(s); x != nil {
			return fmt.Errorf("%w: item %d, at offset %d to %d, is made of what has to change at offset %d", ErrCorrupt, was.id, s.off, s.end, x.Off)
		}
		if n := p.shift(s.off); to[j] != (span{s.off + n, s.end + n}) {
			return fmt.Errorf("%w: item %d is at %v, should be at %v + %d", errOthers, was.id, to[j], s, n)
		}
	}
	return nil
}

// touches is the first splice that changes bytes of s, nil for none. An insertion
// changes only what it is inside of.
func (p *Patch) touches(s span) *Splice {
	for i := range p.Splices {
		x := &p.Splices[i]
		if x.Off < s.end && x.Off+int64(len(x.Old)) > s.off && (len(x.Old) > 0 || x.Off > s.off) {
			return x
		}
	}
	return nil
}
