package geotag

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
)

// Bounds of what is read of a file of boxes.
const (
	// maxBoxes is how many boxes a file may have at its top level. Still images
	// have three to ten.
	maxBoxes = 1024
	// maxMeta is the longest meta box in bytes that is read. That of an image of
	// a hundred tiles with two colour profiles has 30 KB.
	maxMeta = 4 << 20
	// maxLocated bounds the items that iloc locates, and their extents.
	maxLocated = 1 << 17
	// maxMetaItems bounds the Exif and XMP items.
	maxMetaItems = 64
	// maxItemParts bounds the extents of an item that is read.
	maxItemParts = 256
	// maxExifItem is the longest Exif item in bytes that is read.
	maxExifItem = 8 << 20
)

// The forms of an image in boxes, as Tag.Container names them.
const (
	nameHEIF = "heif"
	nameAVIF = "avif"
)

// manifestBox is the type of the box that holds a C2PA manifest store, C2PA
// technical specification, embedding into BMFF.
const manifestBox = "\xd8\xfe\xc3\xd6\x1b\x0e\x48\x3c\x92\x97\x58\x28\x87\x7e\xc4\x81"

// xmpType is the content type of an XMP item, ISO/IEC 23008-12 annex A.3.
const xmpType = "application/rdf+xml"

// The ways of locating an item, ISO/IEC 14496-12 section 8.11.3.
const (
	inFile = 0
	inIdat = 1
)

var bmffContainer = container{
	name:       nameHEIF,
	title:      "HEIF",
	extensions: []string{".heic", ".heif", ".hif", ".avif"},
	sniff:      func(head []byte) bool { return bmffForm(head) != "" },
	find:       findBMFF,
}

// bmffForm tells by the brands in the first bytes of a file which form it has;
// it is empty where the file is no image in boxes.
func bmffForm(head []byte) string {
	if len(head) < 16 || string(head[4:8]) != "ftyp" {
		return ""
	}
	end := min(uint64(binary.BigEndian.Uint32(head)), uint64(len(head)))
	form := ""
	brand := func(b []byte) {
		switch string(b) {
		case "avif", "avis":
			form = nameAVIF
		case "heic", "heix", "heim", "heis", "hevc", "hevx", "hevm", "hevs", "mif1", "mif2", "msf1", "miaf":
			if form == "" {
				form = nameHEIF
			}
		}
	}
	brand(head[8:12])
	for at := 16; uint64(at)+4 <= end; at += 4 { // past the minor version
		brand(head[at : at+4])
	}
	return form
}

// bmffBox is a box, ISO/IEC 14496-12 section 4.2. Offsets are of the file, or of
// the bytes that the box was found in.
type bmffBox struct {
	kind string
	// off is where it starts, data where its header has ended, end where it ends.
	off, data, end int64
	// open: it states no length, and goes on to the end of what holds it.
	open bool
	// user is the type of a box of kind "uuid".
	user string
}

// bmffHeader is the longest header of a box: length, kind, a long length and a
// type of 16 bytes.
const bmffHeader = 8 + 8 + 16

// parseBox reads the header of a box at off, of which b has the first bytes, in
// something that ends at end. short is the error where that is too early.
func parseBox(b []byte, off, end int64, short error) (bmffBox, error) {
	if len(b) < 8 {
		return bmffBox{}, fmt.Errorf("%w: %d bytes at offset %d are too few for a box", short, len(b), off)
	}
	x := bmffBox{kind: string(b[4:8]), off: off, data: off + 8}
	size := uint64(binary.BigEndian.Uint32(b))
	switch size {
	case 0:
		x.open, size = true, uint64(end-off)
	case 1:
		if len(b) < 16 {
			return x, fmt.Errorf("%w: the box at offset %d ends inside its header", short, off)
		}
		size = binary.BigEndian.Uint64(b[8:])
		x.data += 8
	}
	if size < uint64(x.data-off) {
		return x, fmt.Errorf("%w: the box %q at offset %d says it is %d bytes long", ErrCorrupt, x.kind, off, size)
	}
	if size > uint64(end-off) {
		return x, fmt.Errorf("%w: the box %q at offset %d says it is %d bytes long, and there are %d", short, x.kind, off, size, end-off)
	}
	x.end = off + int64(size)
	if n := x.data - off; x.kind == "uuid" && int64(len(b)) >= n+16 {
		x.user = string(b[n : n+16])
	}
	return x, nil
}

// boxes lists the boxes of b from from to end.
func boxes(b []byte, from, end int64, most int) ([]bmffBox, error) {
	var all []bmffBox
	for off := from; off < end; {
		x, err := parseBox(b[off:end], off, end, ErrCorrupt)
		if err != nil {
			return all, err
		}
		if len(all) == most {
			return all, fmt.Errorf("%w: more than %d boxes", ErrCorrupt, most)
		}
		all = append(all, x)
		off = x.end
	}
	return all, nil
}

// bmffFile is a file of boxes.
type bmffFile struct {
	form  string
	boxes []bmffBox // at the top level, as far as they were looked at
	meta  *bmffMeta // nil where there is none
}

// openBMFF finds the meta box at a file's top level and reads it; with whole, it
// goes on to the file's last box. Each box on the way costs a read of some KiB
// unless it is in the first 64. An error comes with what was found before it.
func openBMFF(src *source, whole bool) (*bmffFile, error) {
	head, err := src.window(0, int(min(32, src.size)))
	if err != nil {
		return nil, err
	}
	f := &bmffFile{form: bmffForm(head)}
	for off := int64(0); off < src.size; {
		b, err := src.window(off, int(min(bmffHeader, src.size-off)))
		if err != nil {
			return f, err
		}
		x, err := parseBox(b, off, src.size, ErrTruncated)
		if err != nil {
			return f, err
		}
		if len(f.boxes) == maxBoxes {
			return f, fmt.Errorf("%w: more than %d boxes", ErrCorrupt, maxBoxes)
		}
		f.boxes = append(f.boxes, x)
		if x.kind == "meta" && f.meta == nil {
			if f.meta, err = readMeta(src, x); err != nil {
				return f, err
			}
			if !whole {
				return f, nil
			}
		}
		off = x.end
	}
	return f, nil
}

// bmffMeta is a meta box, ISO/IEC 14496-12 section 8.11.
type bmffMeta struct {
	box bmffBox
	b   []byte // all of it with its header
	// The boxes in it, with offsets in b; kind is empty where there is none.
	iinf, iloc, iref, idat, iprp bmffBox
	// open: a box in it, or in its iinf or iref, states no length.
	open bool
	// primary is the item that is the picture, 0 where none is named.
	primary uint32
	// items are those of metadata, in their order.
	items []metaItem
	// lastID is the largest id of an item.
	lastID uint32
	loc    locations
}

// metaItem is an item of Exif or XMP.
type metaItem struct {
	id   uint32
	exif bool // else XMP
	// encoding is how it is compressed, protected whether it is encrypted.
	encoding  string
	protected bool
	// describes are the items it is about.
	describes []uint32
}

// full reads the version and flags that the data of some boxes start with.
func (m *bmffMeta) full(x bmffBox) (version byte, rest []byte, err error) {
	d := m.b[x.data:x.end]
	if len(d) < 4 {
		return 0, nil, fmt.Errorf("%w: the box %q of %d bytes is too short", ErrCorrupt, x.kind, x.end-x.off)
	}
	return d[0], d[4:], nil
}

func readMeta(src *source, box bmffBox) (*bmffMeta, error) {
	n := box.end - box.off
	if n > maxMeta {
		return nil, fmt.Errorf("%w: a meta box of %d bytes; %d are read at most", ErrCorrupt, n, maxMeta)
	}
	b, err := src.window(box.off, int(n))
	if err != nil {
		return nil, err
	}
	m := &bmffMeta{box: box, b: bytes.Clone(b)}
	head := box.data - box.off
	if int64(len(m.b)) < head+4 {
		return nil, fmt.Errorf("%w: a meta box of %d bytes", ErrCorrupt, n)
	}
	in, err := boxes(m.b, head+4, int64(len(m.b)), maxBoxes)
	if err != nil {
		return nil, fmt.Errorf("meta: %w", err)
	}
	for _, x := range in {
		if err := m.note(x); err != nil {
			return nil, err
		}
	}
	if err := m.readInfo(); err != nil {
		return nil, fmt.Errorf("iinf: %w", err)
	}
	if err := m.readReferences(); err != nil {
		return nil, fmt.Errorf("iref: %w", err)
	}
	if m.iloc.kind != "" {
		if m.loc, err = decodeLocations(m.b[m.iloc.data:m.iloc.end]); err != nil {
			return nil, fmt.Errorf("iloc: %w", err)
		}
	}
	return m, nil
}

// note takes up a box of the meta box.
func (m *bmffMeta) note(x bmffBox) error {
	m.open = m.open || x.open
	var at *bmffBox
	switch x.kind {
	case "iinf":
		at = &m.iinf
	case "iloc":
		at = &m.iloc
	case "iref":
		at = &m.iref
	case "idat":
		at = &m.idat
	case "iprp":
		at = &m.iprp
	case "pitm":
		version, d, err := m.full(x)
		if err == nil {
			m.primary, _, err = itemID(d, version > 0)
		}
		return err
	default:
		return nil
	}
	if at.kind != "" {
		return fmt.Errorf("%w: meta has two boxes %q", ErrCorrupt, x.kind)
	}
	*at = x
	return nil
}

var errShortBox = fmt.Errorf("%w: a box ends inside one of its fields", ErrCorrupt)

// itemID reads an item's id of 16 or 32 bits.
func itemID(d []byte, long bool) (id uint32, rest []byte, err error) {
	switch {
	case long && len(d) >= 4:
		return binary.BigEndian.Uint32(d), d[4:], nil
	case !long && len(d) >= 2:
		return uint32(binary.BigEndian.Uint16(d)), d[2:], nil
	}
	return 0, nil, errShortBox
}

// readInfo finds the items of metadata, ISO/IEC 14496-12 section 8.11.6. Entries
// of versions 0 and 1 have no type, and HEIF doesn't use them.
func (m *bmffMeta) readInfo() error {
	if m.iinf.kind == "" {
		return nil
	}
	version, d, err := m.full(m.iinf)
	if err != nil {
		return err
	}
	count := 2
	if version > 0 {
		count = 4
	}
	if len(d) < count {
		return errShortBox
	}
	for off := m.iinf.end - int64(len(d)-count); off < m.iinf.end; {
		x, err := parseBox(m.b[off:m.iinf.end], off, m.iinf.end, ErrCorrupt)
		if err != nil {
			return err
		}
		off = x.end
		m.open = m.open || x.open
		if x.kind != "infe" {
			continue
		}
		if err := m.readEntry(x); err != nil {
			return err
		}
	}
	return nil
}

// readEntry reads an entry of iinf.
func (m *bmffMeta) readEntry(x bmffBox) error {
	version, d, err := m.full(x)
	if err != nil {
		return err
	}
	id, d, err := itemID(d, version > 2)
	if err != nil {
		return err
	}
	m.lastID = max(m.lastID, id)
	if version < 2 {
		return nil
	}
	if len(d) < 6 {
		return errShortBox
	}
	item := metaItem{id: id, protected: d[0]|d[1] != 0}
	switch string(d[2:6]) {
	case "Exif":
		item.exif = true
	case "mime":
		// Name, content type and encoding, each up to a zero.
		texts := bytes.SplitN(d[6:], []byte{0}, 4)
		if len(texts) < 2 || string(texts[1]) != xmpType {
			return nil
		}
		if len(texts) > 2 {
			item.encoding = string(texts[2])
		}
	default:
		return nil
	}
	if len(m.items) == maxMetaItems {
		return fmt.Errorf("%w: more than %d items of Exif and XMP", ErrCorrupt, maxMetaItems)
	}
	m.items = append(m.items, item)
	return nil
}

// readReferences finds what the items of metadata describe, ISO/IEC 14496-12
// section 8.11.12, and 23008-12 for "cdsc".
func (m *bmffMeta) readReferences() error {
	if m.iref.kind == "" {
		return nil
	}
	version, d, err := m.full(m.iref)
	if err != nil {
		return err
	}
	for off := m.iref.end - int64(len(d)); off < m.iref.end; {
		x, err := parseBox(m.b[off:m.iref.end], off, m.iref.end, ErrCorrupt)
		if err != nil {
			return err
		}
		off = x.end
		m.open = m.open || x.open
		if x.kind != "cdsc" {
			continue
		}
		d := m.b[x.data:x.end]
		from, d, err := itemID(d, version > 0)
		if err != nil {
			return err
		}
		if len(d) < 2 {
			return errShortBox
		}
		n := int(binary.BigEndian.Uint16(d))
		i := slices.IndexFunc(m.items, func(it metaItem) bool { return it.id == from })
		if i < 0 {
			continue
		}
		d = d[2:]
		for range n {
			var to uint32
			if to, d, err = itemID(d, version > 0); err != nil {
				return err
			}
			if to == m.primary { // the others are of no concern, however many
				m.items[i].describes = []uint32{to}
			} else if m.items[i].describes == nil {
				m.items[i].describes = []uint32{to}
			}
		}
	}
	return nil
}

// about lists the items of Exif, or of XMP, that are about the picture: those
// that say so, or those that don't say what they are about if none does.
func (m *bmffMeta) about(exif bool) []metaItem {
	var say, may []metaItem
	for _, it := range m.items {
		switch {
		case it.exif != exif:
		case m.primary != 0 && slices.Contains(it.describes, m.primary):
			say = append(say, it)
		case it.describes == nil || m.primary == 0:
			may = append(may, it)
		}
	}
	if say != nil {
		return say
	}
	return may
}

// aboutOthers lists the items of Exif that say they are about something else than the
// picture.
func (m *bmffMeta) aboutOthers() (all []metaItem) {
	for _, it := range m.items {
		if it.exif && it.describes != nil {
			all = append(all, it)
		}
	}
	return all
}

// locations are the content of an iloc box, ISO/IEC 14496-12 section 8.11.3.
type locations struct {
	version byte
	flags   [3]byte
	// The lengths in bytes of the fields.
	offset, length, base, index int
	items                       []located
	parts                       []itemPart
}

// located says where an item is.
type located struct {
	id uint32
	// how has the construction method in its last four bits, and what is reserved
	// before them.
	how       uint16
	reference uint16 // 0 for this file
	base      uint64
	// from and to are its parts in locations.parts.
	from, to int
}

func (l *located) method() int { return int(l.how & 15) }

// itemPart is one extent of an item.
type itemPart struct{ index, off, length uint64 }

// fieldReader takes numbers off the start of d. short says that there were too few.
type fieldReader struct {
	d     []byte
	short bool
}

// take takes a number of n bytes: 0, 2, 4 or 8.
func (r *fieldReader) take(n int) uint64 {
	if len(r.d) < n {
		r.short, r.d = true, nil
		return 0
	}
	var v uint64
	for _, b := range r.d[:n] {
		v = v<<8 | uint64(b)
	}
	r.d = r.d[n:]
	return v
}

// decodeLocations reads the content of an iloc box.
func decodeLocations(d []byte) (locations, error) {
	var l locations
	if len(d) < 6 {
		return l, errShortBox
	}
	l.version, l.flags = d[0], [3]byte(d[1:])
	if l.version > 2 {
		return l, fmt.Errorf("%w: its version is %d", ErrCorrupt, l.version)
	}
	l.offset, l.length, l.base = int(d[4]>>4), int(d[4]&15), int(d[5]>>4)
	if l.version > 0 {
		l.index = int(d[5] & 15)
	}
	for _, n := range []int{l.offset, l.length, l.base, l.index} {
		if n != 0 && n != 4 && n != 8 {
			return l, fmt.Errorf("%w: fields of %d bytes", ErrCorrupt, n)
		}
	}
	r := fieldReader{d: d[6:]}
	count := r.take(l.width())
	for i := uint64(0); i < count && !r.short; i++ {
		if err := l.decodeItem(&r); err != nil {
			return l, err
		}
	}
	if r.short {
		return l, errShortBox
	}
	return l, nil
}

// width is the length of an item's id, and of the count.
func (l *locations) width() int {
	if l.version == 2 {
		return 4
	}
	return 2
}

func (l *locations) decodeItem(r *fieldReader) error {
	it := located{id: uint32(r.take(l.width())), from: len(l.parts)}
	if l.version > 0 {
		it.how = uint16(r.take(2))
	}
	it.reference = uint16(r.take(2))
	it.base = r.take(l.base)
	n := int(r.take(2))
	if n > 1 && l.index+l.offset+l.length == 0 {
		return fmt.Errorf("%w: item %d has %d extents without any place or length", ErrCorrupt, it.id, n)
	}
	if len(l.items) == maxLocated || len(l.parts)+n > maxLocated {
		return fmt.Errorf("%w: more than %d items or extents", ErrCorrupt, maxLocated)
	}
	for range n {
		if r.short {
			break
		}
		l.parts = append(l.parts, itemPart{index: r.take(l.index), off: r.take(l.offset), length: r.take(l.length)})
	}
	it.to = len(l.parts)
	l.items = append(l.items, it)
	return nil
}

// find is the place of an item, nil where there is none.
func (l *locations) find(id uint32) *located {
	for i := range l.items {
		if l.items[i].id == id {
			return &l.items[i]
		}
	}
	return nil
}

// span is a run of bytes of a file.
type span struct{ off, end int64 }

func (s span) overlaps(o span) bool { return s.off < o.end && o.off < s.end }

// spans are where in the file an item's bytes are, in a file of size bytes. The
// error is errElsewhere, ErrTruncated or ErrCorrupt, wrapped.
func (m *bmffMeta) spans(it *located, size int64) ([]span, error) {
	start, end := int64(0), size
	switch {
	case it.reference != 0 || it.method() > inIdat:
		return nil, fmt.Errorf("%w (construction method %d, data reference %d)", errElsewhere, it.method(), it.reference)
	case it.method() == inIdat && m.idat.kind == "":
		return nil, fmt.Errorf("%w: item %d should be in a box idat, and there is none", ErrCorrupt, it.id)
	case it.method() == inIdat:
		start, end = m.box.off+m.idat.data, m.box.off+m.idat.end
	}
	all := make([]span, 0, it.to-it.from)
	for _, p := range m.loc.parts[it.from:it.to] {
		off := it.base + p.off
		if off < it.base || off > uint64(end-start) {
			return nil, fmt.Errorf("%w: item %d should be at offset %d of %d", ErrTruncated, it.id, off, end-start)
		}
		n := p.length
		if n == 0 { // the whole of it
			n = uint64(end-start) - off
		}
		if n > uint64(end-start)-off {
			return nil, fmt.Errorf("%w: item %d should be at offset %d to %d of %d", ErrTruncated, it.id, off, off+n, end-start)
		}
		all = append(all, span{start + int64(off), start + int64(off+n)})
	}
	return all, nil
}

// data reads an item of at most most bytes. The slice is the caller's.
func (m *bmffMeta) data(src *source, id uint32, most int64) ([]byte, error) {
	it := m.loc.find(id)
	if it == nil {
		return nil, fmt.Errorf("%w: item %d has no place", ErrCorrupt, id)
	}
	if it.to-it.from > maxItemParts {
		return nil, fmt.Errorf("%w: item %d is in %d pieces; %d are read at most", ErrCorrupt, id, it.to-it.from, maxItemParts)
	}
	spans, err := m.spans(it, src.size)
	if err != nil {
		return nil, err
	}
	var n int64
	for _, s := range spans {
		if n += s.end - s.off; n > most {
			return nil, fmt.Errorf("%w: item %d has more than the %d bytes that are read", ErrCorrupt, id, most)
		}
	}
	all := make([]byte, 0, n)
	for _, s := range spans {
		b, err := src.window(s.off, int(s.end-s.off))
		if err != nil {
			return nil, err
		}
		all = append(all, b...)
	}
	return all, nil
}

// exifStart is where in an Exif item the TIFF header is: a number of four bytes
// says how far behind itself, ISO/IEC 23008-12 annex A.2.1.
func exifStart(item []byte) (int, error) {
	if len(item) >= 4 {
		at := uint64(binary.BigEndian.Uint32(item)) + 4
		if at <= uint64(len(item)) && tiffOrder(item[at:]) != nil {
			return int(at), nil
		}
	}
	return 0, fmt.Errorf("%w: the Exif item does not say where in it the Exif block is", ErrCorrupt)
}

// itemHolder is an item with an Exif block or an XMP packet.
type itemHolder struct {
	metaItem
	w *bmffWriter
}

func (h itemHolder) String() string { return fmt.Sprintf("item %d", h.id) }

func (h itemHolder) content(src *source) ([]byte, error) {
	b, at, err := h.item(src)
	return b[at:], err
}

// item reads the item by one read per extent, and tells where in it the content
// starts.
func (h itemHolder) item(src *source) (b []byte, at int, err error) {
	if h.protected || h.encoding != "" {
		return nil, 0, fmt.Errorf("%w: item %d is encrypted or compressed (%q), %w", errHolder, h.id, h.encoding, errEncoded)
	}
	most := int64(xmpMaxSize)
	if h.exif {
		most = maxExifItem
	}
	b, err = h.w.m.data(src, h.id, most)
	if err == nil && h.exif {
		at, err = exifStart(b)
	}
	if errors.Is(err, ErrTruncated) || errors.Is(err, ErrCorrupt) || errors.Is(err, errElsewhere) {
		return nil, 0, fmt.Errorf("%w: %w", errHolder, err)
	}
	return b, at, err
}

// findBMFF finds the Exif and the XMP items of the picture: in the first 64 KiB, with
// the boxes at the file's start. Bounds: a meta box of maxMeta, an Exif item of
// maxExifItem and a packet of xmpMaxSize bytes, maxItemParts extents each.
func findBMFF(src *source, whole bool) (*layout, error) {
	f, err := openBMFF(src, whole)
	if err != nil {
		return nil, err
	}
	l := &layout{form: f.form, pixels: true}
	l.signed = slices.ContainsFunc(f.boxes, func(x bmffBox) bool { return x.user == manifestBox })
	m := f.meta
	w := &bmffWriter{src: src, file: f, m: m}
	l.file = w
	if whole {
		if err := w.check(); err != nil {
			return nil, err
		}
	}
	if m == nil {
		return l, nil // a sequence of images without anything to say about it
	}
	exif := m.about(true)
	if exif == nil {
		if exif = m.aboutOthers(); exif != nil && whole {
			return nil, fmt.Errorf("%w: the Exif block in item %d is about item %d, and there is none about the picture, item %d; which of two blocks a reader would take is not known", ErrUnsafe, exif[0].id, exif[0].describes[0], m.primary)
		}
		for _, it := range exif {
			l.warn(WarnAmbiguous, "Exif", "the block in item %d is about item %d and not about the picture, item %d; it is read, as there is no other", it.id, it.describes[0], m.primary)
		}
	}
	for _, it := range exif {
		l.exif = append(l.exif, itemHolder{it, w})
	}
	for _, it := range m.about(false) {
		l.xmp = append(l.xmp, itemHolder{it, w})
	}
	l.width, l.height = m.extent()
	if !whole { // else it is asked where it matters
		err = m.beyond(src.size)
	}
	return l, err
}

// beyond reports an error where an item reaches beyond a file of size bytes.
func (m *bmffMeta) beyond(size int64) error {
	for i := range m.loc.items {
		if _, err := m.spans(&m.loc.items[i], size); errors.Is(err, ErrTruncated) {
			return err
		}
	}
	return nil
}

// extent is the size in pixels of the picture by its properties, ISO/IEC 23008-12
// section 6.5.3; 0 where they don't say.
func (m *bmffMeta) extent() (width, height int) {
	if m.iprp.kind == "" || m.primary == 0 {
		return 0, 0
	}
	in, err := boxes(m.b, m.iprp.data, m.iprp.end, maxBoxes)
	if err != nil || len(in) == 0 || in[0].kind != "ipco" {
		return 0, 0
	}
	properties, err := boxes(m.b, in[0].data, in[0].end, 1<<15)
	if err != nil {
		return 0, 0
	}
	for _, x := range in[1:] {
		if x.kind != "ipma" {
			continue
		}
		if w, h, done := m.sized(x, properties); done {
			return w, h
		}
	}
	return 0, 0
}

// sized finds the size of the picture among the properties that a box ipma says are
// its own. done says that there is no use in looking at the next one.
func (m *bmffMeta) sized(x bmffBox, properties []bmffBox) (width, height int, done bool) {
	version, d, err := m.full(x)
	if err != nil {
		return 0, 0, true
	}
	size, last := 1, uint64(0x7F) // the first bit says whether it is essential
	if m.b[x.data+3]&1 != 0 {
		size, last = 2, 0x7FFF
	}
	id := 2
	if version > 0 {
		id = 4
	}
	r := fieldReader{d: d}
	for n := r.take(4); n > 0; n-- {
		ours := uint32(r.take(id)) == m.primary
		for count := r.take(1); count > 0 && !r.short; count-- {
			at := r.take(size) & last
			if !ours || at == 0 || at > uint64(len(properties)) || properties[at-1].kind != "ispe" {
				continue
			}
			if _, e, err := m.full(properties[at-1]); err == nil && len(e) >= 8 {
				return int(min(binary.BigEndian.Uint32(e), math.MaxInt32)), int(min(binary.BigEndian.Uint32(e[4:]), math.MaxInt32)), true
			}
		}
		if r.short {
			return 0, 0, true
		}
	}
	return 0, 0, false
}
