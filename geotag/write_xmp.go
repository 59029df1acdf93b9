package geotag

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Namespaces of an XMP packet.
const (
	nsRDF    = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
	nsExif   = "http://ns.adobe.com/exif/1.0/" // XMP specification part 2
	nsExifEX = "http://cipa.jp/exif/1.0/"      // CIPA DC-010
	nsTerms  = "http://purl.org/dc/terms/"
)

// provenance, in nsTerms, is where C2PA leaves the address of a manifest outside the
// image (C2PA technical specification, "Embedding a reference to an external
// manifest"; from memory). The name is Dublin Core's and has other uses.
const provenance = "provenance"

// xmpEdit is what an Edit makes of the position properties of a packet.
type xmpEdit struct {
	// set gives the new values of properties that stand in the packet.
	set map[string]string
	// drop lists the properties to be removed.
	drop []string
	// whole lists the properties that have to be there where one of anchors is,
	// so that no half of a position stays.
	whole, anchors []string
	// insert says that whole has to be there in any case.
	insert bool
}

// xmpFields is fields for XMP. With insert the packet is to state the tag, whether it
// did or not.
func (e Edit) xmpFields(version [4]byte, insert bool) xmpEdit {
	set, drop := e.fields(binary.BigEndian, version)
	x := xmpEdit{set: map[string]string{}, insert: insert}
	for _, f := range set {
		name := gpsNames[f.tag]
		x.set[name] = f.xmp
		switch f.tag {
		case gpsLatitudeRef, gpsLongitudeRef, gpsDestLatitudeRef, gpsDestLongitudeRef:
			continue // not in the specification, but written by some
		case gpsVersionID, gpsProcessingMethod, gpsHPositioningError:
			if !insert {
				continue
			}
		case gpsMapDatum:
			if !insert && sameDatum(f.xmp, defaultDatum) {
				continue
			}
		default:
			x.anchors = append(x.anchors, name)
		}
		x.whole = append(x.whole, name)
	}
	for _, tag := range drop {
		x.drop = append(x.drop, gpsNames[tag])
	}
	return x
}

// names reports whether any property that the edit changes is named in text.
func (x xmpEdit) names(text []byte) bool {
	for name := range x.set {
		if bytes.Contains(text, []byte(name)) {
			return true
		}
	}
	return slices.ContainsFunc(x.drop, func(name string) bool { return bytes.Contains(text, []byte(name)) })
}

const xmlSpace = " \t\r\n"

// tagName returns the name in a start tag, with its prefix.
func tagName(tag []byte) []byte {
	name := bytes.TrimPrefix(tag, []byte("<"))
	if i := bytes.IndexAny(name, xmlSpace+"/>"); i >= 0 {
		name = name[:i]
	}
	return name
}

// attributes finds where n attributes are in a start tag that an XML decoder has
// found well-formed. The tag starts at offset base.
func attributes(tag []byte, n, base int) ([]xmpAttr, error) {
	all := make([]xmpAttr, 0, n)
	at := 1 + len(tagName(tag))
	// next passes over white space, and says whether one of chars is there.
	next := func(chars string) bool {
		at = len(tag) - len(trimSpace(tag[at:]))
		return at < len(tag) && strings.IndexByte(chars, tag[at]) >= 0
	}
	for {
		a := xmpAttr{off: int32(base + at)}
		if next("/>") && len(all) == n {
			return all, nil
		}
		name := bytes.IndexAny(tag[at:], xmlSpace+"=")
		if name <= 0 || len(all) == n {
			return nil, errors.New("they can't be told apart")
		}
		if at += name; !next("=") {
			return nil, errors.New("one without a value")
		}
		if at++; !next("\"'") {
			return nil, errors.New("one without quotes")
		}
		quote := tag[at]
		at++
		value := bytes.IndexByte(tag[at:], quote)
		if value < 0 {
			return nil, errors.New("one without its closing quote")
		}
		a.inner = int32(base + at)
		at += value + 1
		a.innerEnd, a.end = int32(base+at-1), int32(base+at)
		all = append(all, a)
	}
}

// xmpWriter works out the change of one packet.
type xmpWriter struct {
	packet  []byte
	edit    xmpEdit
	here    map[string]bool // the properties that are set and stand there
	anchor  *xmpProperty    // the first of the edit's anchors that stands there
	splices []Splice
}

// planXMP works out the change of a packet, as splices relative to its start.
// Only the bytes of the values concerned change. The packet keeps its length
// where its padding allows.
func planXMP(packet []byte, x xmpEdit) (splices []Splice, notes []string, err error) {
	scan, err := scanXMP(packet)
	if err != nil {
		// Not XML, or not in UTF-8. Without a position there is no harm in it.
		plain := bytes.ReplaceAll(packet, []byte{0}, nil) // UTF-16 without its high bytes
		if x.names(packet) || x.names(plain) {
			return nil, nil, fmt.Errorf("%w: the XMP packet names a position, but can't be read: %v", ErrCorrupt, err)
		}
		return nil, []string{fmt.Sprintf("the XMP packet can't be read and is left as it is: %v", err)}, nil
	}
	if scan.provenance {
		notes = append(notes, "XMP names a provenance record (dcterms:provenance); if that is bound to the image's bytes, the correction breaks it")
	}
	w := xmpWriter{packet: packet, edit: x, here: map[string]bool{}}
	for i := range scan.properties {
		if err := w.property(&scan.properties[i]); err != nil {
			return nil, nil, err
		}
	}
	if w.anchor != nil {
		w.complete()
	} else if x.insert {
		off, end, text, err := scan.insertion(packet, x, w.here)
		if err != nil {
			return nil, nil, err
		}
		w.replace(off, end, text)
	}
	if len(w.splices) == 0 {
		return nil, notes, nil
	}
	return w.ordered(scan), notes, nil
}

// ordered returns the splices in order, with the padding cut by what they add. What is
// inserted where something else is taken away comes first.
func (w *xmpWriter) ordered(scan *xmpResource) []Splice {
	slices.SortStableFunc(w.splices, func(a, b Splice) int {
		return cmp.Or(cmp.Compare(a.Off, b.Off), cmp.Compare(len(a.Old), len(b.Old)))
	})
	if s, ok := pad(w.packet, scan, growth(w.splices)); ok {
		w.splices = append(w.splices, s)
	}
	return w.splices
}

func (w *xmpWriter) replace(off, end int, text string) {
	if string(w.packet[off:end]) != text {
		w.splices = append(w.splices, Splice{Off: int64(off), Old: bytes.Clone(w.packet[off:end]), New: []byte(text)})
	}
}

// property changes a property where it stands, if the edit is about it.
func (w *xmpWriter) property(p *xmpProperty) error {
	value, set := w.edit.set[p.name]
	drop := slices.Contains(w.edit.drop, p.name)
	if !set && !drop {
		return nil
	}
	if !p.simple {
		return fmt.Errorf("%w: the XMP property %s:%s is not plain text", ErrUnsafe, p.prefix, p.name)
	}
	if set {
		w.here[p.name] = true
		if w.anchor == nil && slices.Contains(w.edit.anchors, p.name) {
			w.anchor = p
		}
	}
	switch {
	case drop && p.attribute:
		w.replace(p.off, p.end, "")
	case drop:
		w.replace(p.space, p.end, "")
	case strings.TrimSpace(p.value) == value:
	case p.innerEnd == p.end: // an empty element tag
		tag := strings.TrimRight(strings.TrimSuffix(string(w.packet[p.off:p.end]), "/>"), xmlSpace)
		w.replace(p.off, p.end, tag+">"+escape(value)+"</"+p.prefix+":"+p.name+">")
	default:
		w.replace(p.inner, p.innerEnd, escape(value))
	}
	return nil
}

// complete adds, after the anchor and in its form, what has to be there with it.
func (w *xmpWriter) complete() {
	a := w.anchor
	var add strings.Builder
	for _, name := range w.edit.whole {
		switch {
		case w.here[name]:
		case a.attribute:
			fmt.Fprintf(&add, ` %s:%s="%s"`, a.prefix, name, escape(w.edit.set[name]))
		default:
			fmt.Fprintf(&add, "%s<%s:%s>%s</%[2]s:%[3]s>", w.packet[a.space:a.off], a.prefix, name, escape(w.edit.set[name]))
		}
	}
	w.replace(a.end, a.end, add.String())
}

// insertion works out where a packet takes up properties that it has none of, and
// the text with those of whole that are not here: an rdf:Description of their
// own, of the same resource, before those that there are.
func (s *xmpResource) insertion(packet []byte, x xmpEdit, here map[string]bool) (off, end int, text string, err error) {
	var b strings.Builder
	fmt.Fprintf(&b, ` xmlns:exif="%s"`, nsExif)
	for _, name := range x.whole {
		if !here[name] {
			fmt.Fprintf(&b, ` exif:%s="%s"`, name, escape(x.set[name]))
		}
	}
	return s.describe(packet, b.String()+"/>")
}

// describe works out where a packet takes up an rdf:Description of its resource, and
// the text with it; rest is what follows rdf:about in it.
func (s *xmpResource) describe(packet []byte, rest string) (off, end int, text string, err error) {
	if s.rdfName == "" {
		return 0, 0, "", fmt.Errorf("%w: the packet describes nothing: it has no rdf:RDF", ErrCorrupt)
	}
	// The prefix rdf is declared again, in case the packet has another.
	text = fmt.Sprintf(`<rdf:Description xmlns:rdf="%s" rdf:about="%s"`, nsRDF, s.about) + rest
	switch {
	case s.described >= 0:
		return s.described, s.described, text + s.indent, nil
	case packet[s.rdf+1] == '/':
		return s.rdf, s.rdf, text, nil
	}
	tag := string(packet[s.rdf:s.rdfEnd])
	return s.rdf, s.rdfEnd, strings.TrimRight(strings.TrimSuffix(tag, "/>"), xmlSpace) + ">" + text + "</" + s.rdfName + ">", nil
}

// growth is by how much splices lengthen what they change.
func growth(splices []Splice) int {
	n := 0
	for _, s := range splices {
		n += len(s.New) - len(s.Old)
	}
	return n
}

// pad is the change of a packet's padding that makes up for n bytes more (or
// less) before it. The last byte of the padding, mostly a line's end, stays.
func pad(packet []byte, scan *xmpResource, n int) (Splice, bool) {
	end := scan.padEnd - 1
	if n == 0 || end < scan.pad || n > end-scan.pad {
		return Splice{}, false
	}
	if n < 0 {
		return Splice{Off: int64(end), New: bytes.Repeat([]byte{' '}, -n)}, true
	}
	return Splice{Off: int64(end - n), Old: bytes.Clone(packet[end-n : end])}, true
}

// escape writes printable characters as XML text that may also stand in quotes.
func escape(s string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;", "'", "&apos;").Replace(s)
}
