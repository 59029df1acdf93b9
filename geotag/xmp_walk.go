package geotag

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// xmpProperty is one simple GPS property of a packet's resource, and where it
// stands.
type xmpProperty struct {
	prefix, name string
	value        string
	attribute    bool
	// off to end is the whole of it: the attribute with the space before it, or
	// the element from its start tag to its end tag.
	off, end int
	// inner to innerEnd is the value as written. Of an empty element tag they
	// are both end.
	inner, innerEnd int
	// space is where the white space before an element begins.
	space int
	// simple is false where the value is not plain text.
	simple bool
}

// xmpResource is what a packet says.
type xmpResource struct {
	value [xmpNone]string
	has   [xmpNone]bool
	// subject are the items of dc:subject.
	subject []string
	// duplicate lists the properties that stand more than once.
	duplicate []xmpKey
	// resource says that there is an rdf:RDF.
	resource bool

	// What follows is for a correction, and is found by scanXMP only.

	properties []xmpProperty // those whose names start with GPS
	labels     []xmpProperty // dc:title, dc:description and dc:subject; no values
	// provenance: there is a dcterms:provenance, which names a record elsewhere.
	provenance bool
	// pad to padEnd is the white space before the closing xpacket instruction,
	// which is there to be used up; both are 0 where there is none.
	pad, padEnd int
	// described is where the first rdf:Description of the resource starts, -1
	// where there is none, indent the white space before it, and about its
	// rdf:about as written.
	described     int
	indent, about string
	// rdf to rdfEnd is the end tag of rdf:RDF, or an empty element tag; rdfName is
	// its name as written. They are 0 and empty where there is none.
	rdf, rdfEnd int
	rdfName     string
}

func (x *xmpResource) set(p xmpKey, v []byte) {
	switch {
	case p == xmpNone:
	case x.has[p]:
		if len(x.duplicate) < xmpMaxAgain {
			x.duplicate = append(x.duplicate, p)
		}
	default:
		x.value[p], x.has[p] = string(bytes.TrimSpace(v)), true
	}
}

// parseXMP reads the properties of a packet in UTF-8. It takes those of the
// packet's own rdf:Description elements, as attributes or as elements, and not
// those of structures inside, such as places that the photo mentions.
func parseXMP(p []byte) (*xmpResource, error) { return walkXMP(p, false) }

// scanXMP is parseXMP with what a correction needs to know. It reads on to the end
// of the packet.
func scanXMP(packet []byte) (*xmpResource, error) {
	body := bytes.TrimRight(packet, "\x00")
	if len(body) > xmpMaxSize {
		return nil, fmt.Errorf("a packet of %d bytes; %d are read at most", len(body), xmpMaxSize)
	}
	x, err := walkXMP(body, true)
	if err != nil {
		return nil, err
	}
	if i := bytes.LastIndex(body, []byte("<?xpacket")); x.rdfName != "" && i >= x.rdfEnd && bytes.Contains(body[i:], []byte("end=")) {
		x.pad, x.padEnd = len(bytes.TrimRight(body[:i], xmlSpace)), i
	}
	return x, nil
}

func walkXMP(p []byte, scan bool) (*xmpResource, error) {
	if err := xmpBounded(p); err != nil {
		return nil, err
	}
	s := newXMPScanner(p)
	defer s.release()
	if x, err := xmpProperties(s.next, p, scan); err == nil {
		return x, nil
	}
	// Not plain XML, or nothing that can be taken: encoding/xml says what is wrong.
	return xmpProperties(xmlTokens(p, scan), p, scan)
}

// xmlTokens gives the tokens of a packet as encoding/xml reads it. With scan it says
// where attributes are; without, the text may have been in UTF-16.
func xmlTokens(p []byte, scan bool) func(*xmpToken) error {
	d := xml.NewDecoder(bytes.NewReader(p))
	d.CharsetReader = func(charset string, r io.Reader) (io.Reader, error) {
		if !scan && strings.HasPrefix(strings.ToLower(charset), "utf-16") {
			return r, nil
		}
		return nil, fmt.Errorf("encoding %q where UTF-8 is due", charset)
	}
	return func(t *xmpToken) error {
		for {
			off := int(d.InputOffset())
			tok, err := d.Token()
			if err != nil {
				return err
			}
			*t = xmpToken{off: off, end: int(d.InputOffset())}
			switch tok := tok.(type) {
			case xml.Directive:
				return errors.New("a document type declaration, which is not followed")
			case xml.StartElement:
				t.kind, t.name = xmpStart, qName{tok.Name.Space, []byte(tok.Name.Local)}
				t.raw = tagName(p[off:t.end])
				if !scan {
					t.attrs = make([]xmpAttr, len(tok.Attr))
				} else if t.attrs, err = attributes(p[off:t.end], len(tok.Attr), off); err != nil {
					return fmt.Errorf("the attributes at byte %d: %w", off, err)
				}
				for i, a := range tok.Attr {
					t.attrs[i].name, t.attrs[i].value = qName{a.Name.Space, []byte(a.Name.Local)}, []byte(a.Value)
				}
				return nil
			case xml.EndElement:
				t.kind, t.name = xmpEnd, qName{tok.Name.Space, []byte(tok.Name.Local)}
				return nil
			case xml.CharData:
				t.kind, t.text = xmpText, tok
				return nil
			}
		}
	}
}

// xmpWalker reads the properties of a packet token by token.
type xmpWalker struct {
	*xmpResource
	p      []byte
	scan   bool // for a correction too
	depth  int
	level  int  // the depth of rdf:RDF, 0 outside
	first  bool // the first one
	inside bool // an rdf:Description of rdf:RDF
	blank  span // the last white space between tags, of a scan
	// The property element that it is in.
	prop      xmpKey
	gps       *xmpProperty
	label     *xmpProperty // prop, if it is one of a label
	text      []byte       // its own, or that of the list item
	lang      string       // of the list item
	items     int          // list items so far
	choice    string       // the item of the default language, or the first
	isDefault bool
}

// Depths below rdf:RDF of what is read.
const (
	xmpAtDescription = 1 // rdf:Description
	xmpAtProperty    = 2 // a property
	xmpAtItem        = 4 // an item of its list
)

// xmpProperties reads the properties of the packet p, of which next gives the tokens.
func xmpProperties(next func(*xmpToken) error, p []byte, scan bool) (*xmpResource, error) {
	w := xmpWalker{xmpResource: &xmpResource{described: -1}, p: p, scan: scan, prop: xmpNone}
	var tok xmpToken
	for {
		err := next(&tok)
		if err == io.EOF {
			if w.depth == 0 {
				return w.xmpResource, nil
			}
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return nil, err
		}
		switch tok.kind {
		case xmpStart:
			w.depth++
			w.start(&tok)
		case xmpText:
			w.chars(&tok)
		case xmpEnd:
			w.end(&tok)
			if w.level == 0 && w.resource && !scan {
				return w.xmpResource, nil // what follows is padding
			}
			w.depth--
		}
		if w.depth > xmpMaxDepth {
			return nil, fmt.Errorf("elements nested more than %d deep", xmpMaxDepth)
		}
		if len(w.properties) > xmpMaxAgain {
			return nil, fmt.Errorf("more than %d GPS properties", xmpMaxAgain)
		}
	}
}

// chars handles text.
func (w *xmpWalker) chars(t *xmpToken) {
	if (w.prop != xmpNone || w.gps != nil) && (w.depth == w.level+xmpAtProperty || w.depth == w.level+xmpAtItem) {
		w.text = append(w.text, t.text...)
	}
	if w.scan && len(bytes.TrimSpace(t.text)) == 0 {
		w.blank = span{int64(t.off), int64(t.end)}
	}
}

// space is where the white space before off begins.
func (w *xmpWalker) space(off int) int {
	if int(w.blank.end) == off {
		return int(w.blank.off)
	}
	return off
}

// lang is the language that a start tag states.
func (t *xmpToken) lang() (lang string) {
	for _, a := range t.attrs {
		if a.name.is(nsXML, "lang") {
			lang = string(a.value)
		}
	}
	return lang
}

// start handles a start tag.
func (w *xmpWalker) start(t *xmpToken) {
	if w.gps != nil {
		w.gps.simple = false
	}
	switch {
	case w.level == 0:
		if t.name.is(nsRDF, "RDF") {
			w.level, w.first = w.depth, !w.resource
			if w.first {
				w.resource, w.rdf, w.rdfEnd, w.rdfName = true, t.off, t.end, string(t.raw)
			}
		}
	case w.depth == w.level+xmpAtDescription:
		if w.inside = t.name.is(nsRDF, "Description"); w.inside {
			w.description(t)
		}
	case w.depth == w.level+xmpAtProperty && w.inside:
		w.open(t)
	case w.prop != xmpNone && w.depth == w.level+xmpAtItem && t.name.is(nsRDF, "li"):
		w.text, w.lang = w.text[:0], t.lang()
	}
}

// open handles the start tag of a property.
func (w *xmpWalker) open(t *xmpToken) {
	w.prop = xmpKeyOf(t.name)
	w.text, w.items, w.choice, w.isDefault = w.text[:0], 0, "", false
	w.provenance = w.provenance || t.name.is(nsTerms, provenance)
	if w.scan && w.prop >= xmpTitle && w.prop < xmpNone {
		w.label = &xmpProperty{prefix: t.prefix(), name: string(t.name.local), off: t.off, inner: t.end, space: w.space(t.off)}
	}
	if w.scan && t.name.isGPS() {
		w.gps = &xmpProperty{
			prefix: t.prefix(), name: string(t.name.local), off: t.off, inner: t.end, space: w.space(t.off),
			// rdf:resource, rdf:parseType and the like make it something else.
			simple: !slices.ContainsFunc(t.attrs, func(a xmpAttr) bool { return a.name.space == nsRDF }),
		}
	}
}

// description handles the start tag of an rdf:Description of the resource, with
// the properties that are its attributes.
func (w *xmpWalker) description(t *xmpToken) {
	first := w.described < 0
	if first {
		w.described = t.off
		if w.scan {
			w.indent = string(w.p[w.space(t.off):t.off])
		}
	}
	for i := range t.attrs {
		a := &t.attrs[i]
		w.set(xmpKeyOf(a.name), a.value)
		if !w.scan {
			continue
		}
		w.provenance = w.provenance || a.name.is(nsTerms, provenance)
		if k := xmpKeyOf(a.name); k >= xmpTitle && k < xmpNone && len(w.labels) <= xmpMaxAgain {
			w.labels = append(w.labels, xmpProperty{name: string(a.name.local), attribute: true, off: int(a.off), end: int(a.end), inner: int(a.inner), innerEnd: int(a.innerEnd)})
		}
		if first && a.name.is(nsRDF, "about") {
			w.about = string(w.p[a.inner:a.innerEnd])
		}
		if a.name.isGPS() {
			prefix, _ := cutPrefix(trimSpace(w.p[a.off:a.end]))
			w.properties = append(w.properties, xmpProperty{
				prefix: string(prefix), name: string(a.name.local), value: string(a.value), attribute: true, simple: true,
				off: int(a.off), end: int(a.end), inner: int(a.inner), innerEnd: int(a.innerEnd),
			})
		}
	}
}

// end handles an end tag.
func (w *xmpWalker) end(t *xmpToken) {
	switch {
	case w.level == 0:
	case w.depth == w.level:
		w.level = 0
		if w.first && t.off < t.end {
			w.rdf, w.rdfEnd = t.off, t.end
		}
	case w.depth == w.level+xmpAtDescription:
		w.inside = false
	case w.prop != xmpNone && w.depth == w.level+xmpAtItem && t.name.is(nsRDF, "li"):
		w.item()
	case w.depth == w.level+xmpAtProperty && w.inside:
		w.property(t)
	}
}

// item handles the end tag of a list item.
func (w *xmpWalker) item() {
	item := string(bytes.TrimSpace(w.text))
	w.text = w.text[:0]
	if w.prop == xmpSubject {
		w.subject = append(w.subject, item)
	} else if w.items == 0 || w.lang == "x-default" && !w.isDefault {
		w.choice, w.isDefault = item, w.lang == "x-default"
	}
	w.items++
}

// property handles the end tag of a property.
func (w *xmpWalker) property(t *xmpToken) {
	switch {
	case w.items > 0 && w.prop != xmpSubject:
		w.set(w.prop, []byte(w.choice))
	case w.prop != xmpSubject:
		w.set(w.prop, w.text)
	case w.items == 0 && len(bytes.TrimSpace(w.text)) != 0:
		w.subject = append(w.subject, string(w.text)) // not a list, as it should be
	}
	w.prop = xmpNone
	if w.label != nil && len(w.labels) <= xmpMaxAgain {
		w.label.innerEnd, w.label.end = t.off, t.end
		w.labels = append(w.labels, *w.label)
	}
	w.label = nil
	if w.gps != nil {
		w.gps.value, w.gps.innerEnd, w.gps.end = string(w.text), t.off, t.end
		w.properties = append(w.properties, *w.gps)
		w.gps = nil
	}
}
