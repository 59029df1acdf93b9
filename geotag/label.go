package geotag

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"reflect"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"example.com/phototie/geotag/internal/ifd"
)

// Label is text that says what an image shows, in the standard properties that any
// viewer reads: dc:title, dc:description and dc:subject in the XMP packet (XMP
// specification part 1, section 8.3; the forms are those of ISO 16684-1) and
// ImageDescription in the Exif block (CIPA DC-008, which has ASCII there).
type Label struct {
	// Title and Description stand for dc:title and dc:description, Description for
	// ImageDescription too, if it is ASCII. An empty one is left alone.
	Title       string `json:"title,omitempty"`
	Description string `json:"description,omitempty"`
	// Keywords are added to those that are there.
	Keywords []string `json:"keywords,omitempty"`
	// Replace puts Title and Description in place of what the photographer wrote, which
	// is kept else.
	Replace bool `json:"replace,omitempty"`
	// AllowSigned permits the change of an image whose signed manifest it breaks.
	AllowSigned bool `json:"allow_signed,omitempty"`
}

// maxLabel is the longest text of a label in bytes.
const maxLabel = 2000

// check reports what can't be written.
func (l Label) check() error {
	for _, s := range append([]string{l.Title, l.Description}, l.Keywords...) {
		switch {
		case len(s) > maxLabel:
			return fmt.Errorf("%w: a text of %d bytes, more than %d", ErrEdit, len(s), maxLabel)
		case !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) || r == 0xFFFE || r == 0xFFFF }):
			return fmt.Errorf("%w: the text %q has characters that can't be written", ErrEdit, s)
		case s != strings.TrimSpace(s):
			return fmt.Errorf("%w: the text %q starts or ends with a space", ErrEdit, s)
		}
	}
	return nil
}

// PlanLabel works out the smallest change of an image of size bytes that labels it,
// and changes nothing itself; the promise is that of Plan, and so are the errors. Where
// the image says all of it, the Patch is empty. JPEG, PNG, WebP, TIFF and DNG take it;
// HEIF and AVIF only where they have an XMP packet, and raw files and side-cars not
// (ErrUnsafe, ErrRaw).
func PlanLabel(r io.ReaderAt, size int64, l Label) (*Patch, error) {
	return plan(r, size, l.check, func(c *container, src *source) (*Patch, error) { return c.label(src, l) })
}

// label is patch for a Label.
func (c *container) label(src *source, l Label) (*Patch, error) {
	before, err := c.tag(src)
	if err != nil {
		return nil, err
	}
	p := &Patch{SizeBefore: src.size}
	var signed bool
	switch {
	case c == &tiffContainer:
		signed, err = labelTIFF(src, l, before, p)
	case c.find == nil:
		err = fmt.Errorf("%w: labels are written into images, and this is none that can be", ErrUnsafe)
	default:
		signed, err = c.labelParts(src, l, before, p)
	}
	if err != nil {
		return nil, err
	}
	return p.settled(signed && !l.AllowSigned, func() error {
		after, err := c.after(src, p)
		if err == nil {
			err = l.stated(after, before)
		}
		if err != nil {
			return fmt.Errorf("the label was worked out but does not read back, so it is not written: %w", err)
		}
		return nil
	})
}

// stated reports an error unless after says what the label asks for, and all the rest
// that before said.
func (l Label) stated(after, before *Tag) error {
	a, b := *after, *before
	for _, f := range []struct{ name, was, is, want string }{
		{"dc:title", b.Texts.XMPTitle, a.Texts.XMPTitle, l.Title},
		{"dc:description", b.Texts.XMPDescription, a.Texts.XMPDescription, l.Description},
		{"ImageDescription", b.Texts.ImageDescription, a.Texts.ImageDescription, l.ascii()},
	} {
		if want := l.becomes(f.was, f.want); f.is != want {
			return fmt.Errorf("%s is %q where %q is due", f.name, f.is, want)
		}
	}
	for _, k := range append(slices.Clone(b.Texts.Keywords), l.Keywords...) {
		if !slices.Contains(a.Texts.Keywords, k) {
			return fmt.Errorf("the keyword %q is missing", k)
		}
	}
	a.Warnings, b.Warnings = nil, nil
	a.Texts.XMPTitle, a.Texts.XMPDescription, a.Texts.ImageDescription, a.Texts.Keywords = b.Texts.XMPTitle, b.Texts.XMPDescription, b.Texts.ImageDescription, b.Texts.Keywords
	if !reflect.DeepEqual(a, b) {
		return errors.New("something else changed")
	}
	return nil
}

// becomes is what a text is to be.
func (l Label) becomes(was, want string) string {
	if want == "" || was != "" && !l.Replace {
		return was
	}
	return want
}

// ascii is the description where Exif can hold it, else empty.
func (l Label) ascii() string {
	if strings.ContainsFunc(l.Description, func(r rune) bool { return r > '~' }) {
		return ""
	}
	return l.Description
}

// description is what ImageDescription is to be; empty where it stays.
func (l Label) description(t *Tag, p *Patch) string {
	if l.ascii() != l.Description {
		p.Notes = append(p.Notes, "the description is in XMP alone: Exif has ASCII only")
	}
	if want := l.becomes(t.Texts.ImageDescription, l.ascii()); want != t.Texts.ImageDescription {
		return want
	}
	return ""
}

// labelParts is planParts for a Label.
func (c *container) labelParts(src *source, l Label, before *Tag, p *Patch) (signed bool, err error) {
	at, err := c.find(src, true)
	if err != nil {
		return false, err
	}
	if len(at.exif) > 1 || len(at.xmp) > 1 {
		return false, fmt.Errorf("%w: there are two Exif blocks or XMP packets, and which of them a reader takes is not known", ErrUnsafe)
	}
	if text := l.description(before, p); text != "" {
		if err := at.describe(src, text, p); err != nil {
			return false, err
		}
	}
	if len(at.xmp) == 0 {
		packet, err := newPacket(l)
		if err == nil && packet != nil {
			err = at.file.insertXMP(packet, p)
		}
		if err != nil {
			return false, err
		}
	}
	for _, h := range at.xmp {
		if err := h.rewrite(src, p, func(packet []byte) ([]Splice, error) { return labelPacket(packet, l) }); err != nil {
			return false, ofImage(err)
		}
	}
	p.joined()
	names := xmpEdit{set: map[string]string{xmpNames[xmpTitle]: "", xmpNames[xmpDescription]: "", xmpNames[xmpSubject]: ""}}
	return at.signed, at.file.finish(src, names, p)
}

// describe writes ImageDescription into the Exif block, or a new one.
func (at *layout) describe(src *source, text string, p *Patch) error {
	if len(at.exif) == 0 {
		order := binary.BigEndian
		block := append([]byte("MM\x00\x2A"), 0, 0, 0, 8)
		f := gpsFields{order: order}
		f.ascii(tagImageDescription, text)
		return at.file.insert(append(block, encodeDir(&ifd.Block{Order: order}, len(block), []dirItem{f.set[0].item(order)}, 0)...), p)
	}
	return ofImage(at.exif[0].rewrite(src, p, func(block []byte) ([]Splice, error) {
		b, err := ifd.Parse(block)
		if err != nil {
			return nil, fmt.Errorf("%w: Exif block: %w", ErrCorrupt, err)
		}
		f := gpsFields{order: b.Order}
		f.ascii(tagImageDescription, text)
		return planFirst(b, f.set, false)
	}))
}

// joined puts together what is inserted at one place.
func (p *Patch) joined() {
	sortSplices(p)
	var out []Splice
	for _, s := range p.Splices {
		if n := len(out); n > 0 && out[n-1].Off == s.Off && len(out[n-1].Old)+len(s.Old) == 0 {
			out[n-1].New = slices.Concat(out[n-1].New, s.New)
			continue
		}
		out = append(out, s)
	}
	p.Splices = out
}

const tagImageDescription = 0x010E

// planFirst sets entries of the first directory of a block: a copy of the directory
// with them goes to the block's end, and one pointer changes. All else keeps its place
// and value, as with planDirectories, and so does the old directory, unused.
func planFirst(b *ifd.Block, set []gpsField, whole bool) ([]Splice, error) {
	first, err := b.Dir(b.First)
	if err != nil {
		return nil, fmt.Errorf("%w: first directory: %w", ErrCorrupt, err)
	}
	w := dirWriter{b: b, whole: whole, first: first, old: new(ifd.Dir)}
	if err := w.findGPS(); err != nil {
		return nil, err
	}
	w.kept = w.old.Entries
	w.slot, w.old = nil, new(ifd.Dir)
	known, err := w.survey()
	if err != nil {
		return nil, err
	}
	var items []dirItem
	for i := range first.Entries {
		x := &first.Entries[i]
		switch f := settingOf(set, x.Tag); {
		case f == nil:
			items = append(items, carried(b, x))
		case slices.ContainsFunc(items, func(it dirItem) bool { return it.tag == x.Tag }):
			return nil, fmt.Errorf("%w: tag 0x%04x stands twice in the first directory", ErrUnsafe, x.Tag)
		default:
			items = append(items, f.item(b.Order))
		}
	}
	for _, f := range set {
		if !slices.ContainsFunc(items, func(it dirItem) bool { return it.tag == f.tag }) {
			items = inserted(items, f.item(b.Order))
		}
	}
	w.base = b.Len()
	at := w.even()
	w.out = append(w.out, encodeDir(b, at, items, first.Next)...)
	w.splices = []Splice{splice32(b, 4, uint32(at))}
	return w.appended(known)
}

// labelTIFF labels a TIFF or DNG file, which is an Exif block with a packet in it.
func labelTIFF(src *source, l Label, before *Tag, p *Patch) (signed bool, err error) {
	f, err := openTIFF(src)
	if err != nil {
		return false, err
	}
	if f.form == nameRaw {
		return false, ErrRaw
	}
	set := gpsFields{order: f.b.Order}
	if text := l.description(before, p); text != "" {
		set.ascii(tagImageDescription, text)
	}
	packet, err := f.labelled(l)
	if err != nil {
		return false, err
	}
	if packet != nil {
		set.set = append(set.set, gpsField{tag: tagXMP, typ: ifd.Byte, count: uint32(len(packet)), value: packet})
	}
	if len(set.set) == 0 {
		return false, f.b.Err()
	}
	if p.Splices, err = planFirst(f.b, set.set, true); err != nil {
		return false, err
	}
	return f.first.Find(tagManifest) != nil, f.b.Err()
}

// labelled is the packet of a TIFF file with a label; nil where it stays.
func (f *tiffFile) labelled(l Label) ([]byte, error) {
	e := f.xmp()
	if e == nil {
		return newPacket(l)
	}
	old, err := f.packet(e)
	if err != nil || old == nil {
		return nil, err
	}
	in, err := labelPacket(old, l)
	if err != nil || len(in) == 0 {
		return nil, err
	}
	return refit(old, in)
}

// newPacket is an XMP packet with a label and room for more; nil where the label has
// nothing for it.
func newPacket(l Label) ([]byte, error) {
	const head = "<?xpacket begin=\"\uFEFF\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n<x:xmpmeta xmlns:x=\"adobe:ns:meta/\"><rdf:RDF xmlns:rdf=\"" + nsRDF + "\"></rdf:RDF></x:xmpmeta>\n"
	packet := []byte(head + strings.Repeat(strings.Repeat(" ", 99)+"\n", xmpRoom/100) + "<?xpacket end=\"w\"?>")
	splices, err := labelPacket(packet, l)
	if err != nil || len(splices) == 0 {
		return nil, err
	}
	return applied(packet, splices)
}

// missing lists the keywords, each once, that are not among those there are.
func (l *Label) missing(there []string) (missing []string) {
	for _, k := range l.Keywords {
		if k != "" && !slices.Contains(there, k) && !slices.Contains(missing, k) {
			missing = append(missing, k)
		}
	}
	return missing
}

// labelPacket works out the change of a packet, as splices relative to its start.
func labelPacket(packet []byte, l Label) ([]Splice, error) {
	scan, err := scanXMP(packet)
	if err != nil {
		return nil, fmt.Errorf("%w: the XMP packet can't be read: %v", ErrCorrupt, err)
	}
	if slices.ContainsFunc(scan.duplicate, func(k xmpKey) bool { return k >= xmpTitle }) || len(scan.labels) != len(slices.CompactFunc(slices.Clone(scan.labels), func(a, b xmpProperty) bool { return a.name == b.name })) {
		return nil, fmt.Errorf("%w: the title, the description or the keywords stand twice in the XMP packet", ErrUnsafe)
	}
	w := xmpWriter{packet: packet}
	var add strings.Builder
	for _, f := range []struct {
		key  xmpKey
		text string
	}{{xmpTitle, l.Title}, {xmpDescription, l.Description}} {
		if want := l.becomes(scan.value[f.key], f.text); want != scan.value[f.key] {
			w.text(scan, f.key, want, &add)
		}
	}
	if err := w.keywords(scan, l.missing(scan.subject), &add); err != nil {
		return nil, err
	}
	if add.Len() > 0 {
		off, end, text, err := scan.describe(packet, ` xmlns:dc="`+nsDC+`">`+add.String()+"</rdf:Description>")
		if err != nil {
			return nil, err
		}
		w.replace(off, end, text)
	}
	return w.ordered(scan), nil
}

// label finds where a property of the label stands.
func (x *xmpResource) label(k xmpKey) *xmpProperty {
	for i := range x.labels {
		if "dc:"+x.labels[i].name == xmpNames[k] {
			return &x.labels[i]
		}
	}
	return nil
}

// text writes a property with one text in the default language, where it stands or
// into add.
func (w *xmpWriter) text(scan *xmpResource, k xmpKey, text string, add *strings.Builder) {
	name := xmpNames[k]
	at := scan.label(k)
	if at != nil && at.attribute {
		w.replace(at.inner, at.innerEnd, escape(text))
		return
	}
	prefix := "dc"
	if at != nil {
		prefix = at.prefix
	}
	name = prefix + name[len("dc"):]
	element := fmt.Sprintf(`<%s><rdf:Alt xmlns:rdf="%s"><rdf:li xml:lang="x-default">%s</rdf:li></rdf:Alt></%[1]s>`, name, nsRDF, escape(text))
	if at != nil {
		w.replace(at.off, at.end, element)
		return
	}
	add.WriteString(element)
}

// keywords adds items to dc:subject, where it stands or in add.
func (w *xmpWriter) keywords(scan *xmpResource, missing []string, add *strings.Builder) error {
	if len(missing) == 0 {
		return nil
	}
	items := func(prefix string) string {
		var b strings.Builder
		for _, k := range missing {
			fmt.Fprintf(&b, "<%s:li>%s</%[1]s:li>", prefix, escape(k))
		}
		return b.String()
	}
	at := scan.label(xmpSubject)
	if at == nil {
		fmt.Fprintf(add, `<dc:subject><rdf:Bag xmlns:rdf="%s">%s</rdf:Bag></dc:subject>`, nsRDF, items("rdf"))
		return nil
	}
	// The last end tag in the element but its own is the list's.
	text := w.packet[at.off:at.innerEnd]
	end := bytes.LastIndex(text, []byte("</"))
	if at.attribute || end < 0 {
		return fmt.Errorf("%w: dc:subject is no list that can be added to", ErrUnsafe)
	}
	prefix, local, ok := strings.Cut(string(tagName(text[end+2:])), ":")
	if !ok || local != "Bag" && local != "Seq" {
		return fmt.Errorf("%w: dc:subject is no list that can be added to", ErrUnsafe)
	}
	w.replace(at.off+end, at.off+end, items(prefix))
	return nil
}
