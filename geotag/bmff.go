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
			form = cmp.Or(form, nameHEIF)
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
	primary uint64
	// items are those of metadata, in their order.
	items []metaItem
	// lastID is the largest id of an item.
	lastID uint64
	loc    locations
}

// metaItem is an item of Exif or XMP.
type metaItem struct {
	id   uint64
	exif bool // else XMP
	// encoding is how it is compressed, protected whether it is encrypted.
	encoding  string
	protected bool
	// describes are the items it is about.
	describes []uint64
}

// fields are numbers one after the other, most significant byte first, that are read
// from the start of b or written to its end.
type fields struct {
	b       []byte
	writing bool
	short   bool // there were too few to read
}

var errShortBox = fmt.Errorf("%w: a box ends inside one of its fields", ErrCorrupt)

// err says that there were too few.
func (f *fields) err() error {
	if f.short {
		return errShortBox
	}
	return nil
}

// take reads a number of n bytes, 8 at most.
func (f *fields) take(n int) (v uint64) {
	if f.short = f.short || len(f.b) < n; f.short {
		return 0
	}
	for _, b := range f.b[:n] {
		v = v<<8 | uint64(b)
	}
	f.b = f.b[n:]
	return v
}

// num reads a number of n bytes into v, or writes it.
func (f *fields) num(v *uint64, n int) {
	if !f.writing {
		*v = f.take(n)
		return
	}
	for n--; n >= 0; n-- {
		f.b = append(f.b, byte(*v>>(8*n)))
	}
}

// wide is the length of an item's number, or a count of items.
func wide(long bool) int {
	if long {
		return 4
	}
	return 2
}

func (f *fields) id(long bool) uint64 { return f.take(wide(long)) }

// full reads the version and the flags that the data of some boxes start with.
func (m *bmffMeta) full(x bmffBox) (version byte, flags uint32, f *fields) {
	f = &fields{b: m.b[x.data:x.end]}
	return byte(f.take(1)), uint32(f.take(3)), f
}

// in visits the boxes at the end of x that f has not read.
func (m *bmffMeta) in(x bmffBox, f *fields, visit func(bmffBox) error) error {
	if f.short {
		return errShortBox
	}
	for off := x.end - int64(len(f.b)); off < x.end; {
		c, err := parseBox(m.b[off:x.end], off, x.end, ErrCorrupt)
		if err == nil {
			m.open = m.open || c.open
			err = visit(c)
		}
		if err != nil {
			return err
		}
		off = c.end
	}
	return nil
}

func readMeta(src *source, box bmffBox) (*bmffMeta, error) {
	n := box.end - box.off
	if n > maxMeta {
		return nil, fmt.Errorf("%w: a meta box of %d bytes; %d are read at most", ErrCorrupt, n, maxMeta)
	}
	b, err := src.lasting(box.off, int(n))
	if err != nil {
		return nil, err
	}
	m := &bmffMeta{box: box, b: b}
	own := bmffBox{kind: "meta", data: box.data - box.off, end: n}
	_, _, f := m.full(own)
	if err := m.in(own, f, m.note); err != nil {
		return nil, fmt.Errorf("meta: %w", err)
	}
	if m.iinf.kind != "" {
		version, _, f := m.full(m.iinf)
		f.id(version > 0) // how many
		if err := m.in(m.iinf, f, m.readEntry); err != nil {
			return nil, fmt.Errorf("iinf: %w", err)
		}
	}
	if m.iref.kind != "" {
		version, _, f := m.full(m.iref)
		if err := m.in(m.iref, f, func(x bmffBox) error { return m.readReference(x, version > 0) }); err != nil {
			return nil, fmt.Errorf("iref: %w", err)
		}
	}
	if m.iloc.kind != "" {
		if m.loc, err = decodeLocations(m.b[m.iloc.data:m.iloc.end]); err != nil {
			return nil, fmt.Errorf("iloc: %w", err)
		}
	}
	return m, nil
}

// note records a box of the meta box.
func (m *bmffMeta) note(x bmffBox) error {
	if x.kind == "pitm" {
		version, _, f := m.full(x)
		m.primary = f.id(version > 0)
		return f.err()
	}
	at := map[string]*bmffBox{"iinf": &m.iinf, "iloc": &m.iloc, "iref": &m.iref, "idat": &m.idat, "iprp": &m.iprp}[x.kind]
	if at == nil {
		return nil
	}
	if at.kind != "" {
		return fmt.Errorf("%w: meta has two boxes %q", ErrCorrupt, x.kind)
	}
	*at = x
	return nil
}

// readEntry reads an entry of iinf and takes it up if it is an item of metadata,
// ISO/IEC 14496-12 section 8.11.6. Entries of versions 0 and 1 have no type, and HEIF
// doesn't use them.
func (m *bmffMeta) readEntry(x bmffBox) error {
	if x.kind != "infe" {
		return nil
	}
	version, _, f := m.full(x)
	item := metaItem{id: f.id(version > 2)}
	m.lastID = max(m.lastID, item.id)
	if version < 2 {
		return f.err()
	}
	item.protected = f.take(2) != 0
	switch string(binary.BigEndian.AppendUint32(nil, uint32(f.take(4)))) {
	case "Exif":
		item.exif = true
	case "mime":
		// Name, content type and encoding, each up to a zero.
		texts := bytes.SplitN(f.b, []byte{0}, 4)
		if len(texts) < 2 || string(texts[1]) != xmpType {
			return nil
		}
		if len(texts) > 2 {
			item.encoding = string(texts[2])
		}
	default:
		return f.err()
	}
	if len(m.items) == maxMetaItems {
		return fmt.Errorf("%w: more than %d items of Exif and XMP", ErrCorrupt, maxMetaItems)
	}
	m.items = append(m.items, item)
	return nil
}

// readReference finds what an item of metadata describes, ISO/IEC 14496-12 section
// 8.11.12, and 23008-12 for "cdsc".
func (m *bmffMeta) readReference(x bmffBox, long bool) error {
	if x.kind != "cdsc" {
		return nil
	}
	f := fields{b: m.b[x.data:x.end]}
	from := f.id(long)
	n := f.take(2)
	i := slices.IndexFunc(m.items, func(it metaItem) bool { return it.id == from })
	if i < 0 {
		return f.err()
	}
	for ; n > 0 && !f.short; n-- {
		// One is enough, of which the picture is of most concern.
		if to := f.id(long); to == m.primary || m.items[i].describes == nil {
			m.items[i].describes = []uint64{to}
		}
	}
	return f.err()
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
	version, flags uint64
	// sizes has four bits each for the lengths in bytes of the fields of places,
	// lengths, bases and indices.
	sizes uint64
	items []located
	parts []itemPart
}

func (l *locations) offset() int { return int(l.sizes >> 12) }
func (l *locations) length() int { return int(l.sizes >> 8 & 15) }
func (l *locations) base() int   { return int(l.sizes >> 4 & 15) }

// index is 0 for version 0, which has no such field.
func (l *locations) index() int {
	if l.version == 0 {
		return 0
	}
	return int(l.sizes & 15)
}

// located says where an item is.
type located struct {
	id uint64
	// how has the construction method in its last four bits, and what is reserved
	// before them.
	how       uint64
	reference uint64 // 0 for this file
	base      uint64
	// from and to are its parts in locations.parts.
	from, to int
}

func (l *located) method() int { return int(l.how & 15) }

// itemPart is one extent of an item.
type itemPart struct{ index, off, length uint64 }

// decodeLocations reads the content of an iloc box.
func decodeLocations(d []byte) (l locations, err error) {
	f := fields{b: d}
	err = cmp.Or(l.code(&f), f.err())
	return l, err
}

// encode writes the content of an iloc box.
func (l *locations) encode() []byte {
	f := fields{writing: true}
	_ = l.code(&f) // of what was read
	return f.b
}

// code reads the content of an iloc box, or writes it.
func (l *locations) code(f *fields) error {
	f.num(&l.version, 1)
	f.num(&l.flags, 3)
	f.num(&l.sizes, 2)
	if l.version > 2 {
		return fmt.Errorf("%w: its version is %d", ErrCorrupt, l.version)
	}
	for _, n := range []int{l.offset(), l.length(), l.base(), l.index()} {
		if n != 0 && n != 4 && n != 8 {
			return fmt.Errorf("%w: fields of %d bytes", ErrCorrupt, n)
		}
	}
	count := uint64(len(l.items))
	f.num(&count, wide(l.version == 2))
	if few := min(count, 256); !f.writing {
		l.items, l.parts = make([]located, 0, few), make([]itemPart, 0, few)
	}
	for i := range int(count) {
		if f.short {
			break
		}
		if !f.writing {
			l.items = append(l.items, located{from: len(l.parts), to: len(l.parts)})
		}
		if err := l.codeItem(f, &l.items[i]); err != nil {
			return err
		}
	}
	return nil
}

func (l *locations) codeItem(f *fields, it *located) error {
	f.num(&it.id, wide(l.version == 2))
	if l.version > 0 {
		f.num(&it.how, 2)
	}
	f.num(&it.reference, 2)
	f.num(&it.base, l.base())
	n := uint64(it.to - it.from)
	f.num(&n, 2)
	if n > 1 && l.index()+l.offset()+l.length() == 0 {
		return fmt.Errorf("%w: item %d has %d extents without any place or length", ErrCorrupt, it.id, n)
	}
	if !f.writing {
		if len(l.items) > maxLocated || len(l.parts)+int(n) > maxLocated {
			return fmt.Errorf("%w: more than %d items or extents", ErrCorrupt, maxLocated)
		}
		it.to += int(n)
		l.parts = append(l.parts, make([]itemPart, n)...)
	}
	for i := it.from; i < it.to && !f.short; i++ {
		f.num(&l.parts[i].index, l.index())
		f.num(&l.parts[i].off, l.offset())
		f.num(&l.parts[i].length, l.length())
	}
	return nil
}

// find is the place of an item, nil where there is none.
func (l *locations) find(id uint64) *located {
	i := slices.IndexFunc(l.items, func(it located) bool { return it.id == id })
	if i < 0 {
		return nil
	}
	return &l.items[i]
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

// data reads an item of at most most bytes. The slice is good until the next window.
func (m *bmffMeta) data(src *source, id uint64, most int64) ([]byte, error) {
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
	if len(spans) == 1 {
		return src.window(spans[0].off, int(n))
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
// says how far after itself, ISO/IEC 23008-12 annex A.2.1.
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
	sizes := map[uint64]*fields{} // of pictures, by the number of the property
	var n uint64
	done := errors.New("it is found, or can't be")
	property := func(x bmffBox) error {
		if n++; n == 1<<15 {
			return done
		}
		if x.kind == "ispe" {
			_, _, sizes[n] = m.full(x)
		}
		return nil
	}
	_ = m.in(m.iprp, &fields{b: m.b[m.iprp.data:m.iprp.end]}, func(x bmffBox) error {
		switch x.kind {
		case "ipco":
			return m.in(x, &fields{b: m.b[x.data:x.end]}, property)
		case "ipma":
			if size := m.sized(x, sizes); size != nil {
				width, height = int(min(size.take(4), math.MaxInt32)), int(min(size.take(4), math.MaxInt32))
				return done
			}
		}
		return nil
	})
	return width, height
}

// sized finds the size of the picture among the properties that a box ipma says are
// its own.
func (m *bmffMeta) sized(x bmffBox, sizes map[uint64]*fields) *fields {
	version, flags, f := m.full(x)
	n, last := 1, uint64(0x7F) // the first bit says whether it is essential
	if flags&1 != 0 {
		n, last = 2, 0x7FFF
	}
	for items := f.take(4); items > 0 && !f.short; items-- {
		ours := f.id(version > 0) == m.primary
		for count := f.take(1); count > 0 && !f.short; count-- {
			if size := sizes[f.take(n)&last]; ours && size != nil {
				return size
			}
		}
	}
	return nil
}
