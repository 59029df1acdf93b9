package geotag

import (
	"bytes"
	"errors"
	"io"
	"strconv"
	"strings"
	"sync"
	"unicode/utf8"
)

// xmpToken is what of a packet concerns reading: a start tag, an end tag or text.
// Its slices are good until the next token.
type xmpToken struct {
	kind     xmpTokenKind
	off, end int       // where it stands; nowhere for the end of an empty element tag
	name     qName     // of a tag
	raw      []byte    // the name of a start tag as written
	attrs    []xmpAttr // of a start tag
	text     []byte    // of a text
}

func (t *xmpToken) prefix() string {
	prefix, _ := cutPrefix(t.raw)
	return string(prefix)
}

type xmpTokenKind byte

const (
	xmpStart xmpTokenKind = iota
	xmpEnd
	xmpText
)

// qName is a name in a namespace. The space is that of a namespace which is read
// from, and otherwise no matter what.
type qName struct {
	space string
	local []byte
}

func (n qName) is(space, local string) bool { return n.space == space && string(n.local) == local }

// isGPS says whether it is the name of a GPS property.
func (n qName) isGPS() bool {
	return (n.space == nsExif || n.space == nsExifEX) && bytes.HasPrefix(n.local, []byte("GPS"))
}

// xmpAttr is an attribute, and where it stands: off to end with the space before it,
// inner to innerEnd the value as written.
type xmpAttr struct {
	name                      qName
	value                     []byte
	off, end, inner, innerEnd int32
}

// errXMPUnusual: the scanner leaves the packet to encoding/xml.
var errXMPUnusual = errors.New("more than the plain XML that packets are")

// What the scanner takes in: attributes of one tag, and namespaces at a time, each
// of which a name is looked up in. Real packets have up to some hundred, and up to
// some thirty.
const (
	maxXMPAttributes = 1024
	maxXMPSpaces     = 128
)

// xmpScanner gives the tokens of a packet in the XML that nearly all packets are
// written in, many times faster than encoding/xml does. It knows no errors: of
// what it is not sure of, well-formed or not, it says errXMPUnusual, and then
// encoding/xml has the say from the start. What it does give is what encoding/xml
// would have given.
type xmpScanner struct {
	p       []byte // what is left
	size    int    // of the packet
	open    []xmpOpen
	spaces  []xmpSpace
	attrs   []xmpAttr
	decoded []byte // the values of this token that are not as written
	empty   bool   // the last start tag was an end tag too
}

// xmpOpen is an element that is open.
type xmpOpen struct {
	raw    []byte // its name as written
	name   qName
	spaces int // how many namespaces were declared outside of it
}

// xmpSpace is a namespace as declared.
type xmpSpace struct {
	prefix []byte
	space  string
}

// Classes of bytes, by what is to be done where one stands in a value or a text.
const (
	xmlReference = 1 << iota // & or a carriage return: it isn't as written
	xmlIllegal               // what may not be there
	xmlBracket               // ]: perhaps the end of CDATA, where there is none
	xmlHigh                  // no ASCII
	xmlNameByte
)

var xmlClass = func() (class [256]byte) {
	for i := range class {
		switch c := byte(i); {
		case c == '&', c == '\r':
			class[c] = xmlReference
		case c == '<', c < ' ' && c != '\t' && c != '\n':
			class[c] = xmlIllegal
		case c == ']':
			class[c] = xmlBracket
		case c >= utf8.RuneSelf:
			class[c] = xmlHigh
		case '0' <= c && c <= '9', 'A' <= c && c <= 'Z', 'a' <= c && c <= 'z', c == '_', c == '-', c == '.', c == ':':
			class[c] = xmlNameByte
		}
	}
	return class
}()

// scanners are for the next packet, with room for what most have.
var scanners = sync.Pool{New: func() any {
	return &xmpScanner{open: make([]xmpOpen, 0, 8), spaces: make([]xmpSpace, 0, 24), attrs: make([]xmpAttr, 0, 48)}
}}

func newXMPScanner(p []byte) *xmpScanner {
	s := scanners.Get().(*xmpScanner)
	*s = xmpScanner{p: p, size: len(p), open: s.open[:0], spaces: s.spaces[:0], attrs: s.attrs[:0], decoded: s.decoded[:0]}
	return s
}

// release gives it back. No token of it may be in use any more.
func (s *xmpScanner) release() {
	s.p = nil
	scanners.Put(s)
}

// endTag reads an end tag, which closes the element opened last.
func (s *xmpScanner) endTag(t *xmpToken, off int) error {
	n, last := bytes.IndexByte(s.p, '>'), len(s.open)-1
	if n < 0 || last < 0 || !bytes.HasPrefix(s.p[2:n], s.open[last].raw) || len(trimSpace(s.p[2+len(s.open[last].raw):n])) > 0 {
		return errXMPUnusual
	}
	s.p = s.p[n+1:]
	return s.end(t, off)
}

// next reads the next token into t; io.EOF where there is none.
func (s *xmpScanner) next(t *xmpToken) error {
	s.decoded = s.decoded[:0]
	if s.empty {
		s.empty = false
		return s.end(t, s.at(s.p))
	}
	for len(s.p) > 0 {
		off := s.at(s.p)
		switch {
		case s.p[0] != '<':
			return s.chars(t, off)
		case bytes.HasPrefix(s.p, []byte("</")):
			return s.endTag(t, off)
		case len(s.p) > 1 && (s.p[1] == '?' || s.p[1] == '!'):
			if !s.skip() {
				return errXMPUnusual
			}
		default:
			return s.start(t)
		}
	}
	if len(s.open) > 0 {
		return errXMPUnusual
	}
	return io.EOF
}

// chars reads a text.
func (s *xmpScanner) chars(t *xmpToken, off int) error {
	n := bytes.IndexByte(s.p, '<')
	if n < 0 {
		n = len(s.p)
	}
	text, ok := s.text(s.p[:n], false)
	if !ok {
		return errXMPUnusual
	}
	s.p = s.p[n:]
	t.kind, t.off, t.end, t.text = xmpText, off, off+n, text
	return nil
}

// skip passes over the declaration, an instruction or a comment.
func (s *xmpScanner) skip() bool {
	switch {
	case bytes.HasPrefix(s.p, []byte(xmlDeclaration)):
		s.p = s.p[len(xmlDeclaration):]
	case s.p[1] == '?':
		name, rest := xmlName(s.p[2:])
		n := bytes.Index(rest, []byte("?>"))
		if name == nil || n < 0 || string(name) == "xml" {
			return false
		}
		s.p = rest[n+2:]
	case bytes.HasPrefix(s.p, []byte("<!--")):
		n := bytes.Index(s.p[4:], []byte("--"))
		if n < 0 || !bytes.HasPrefix(s.p[4+n:], []byte("-->")) {
			return false
		}
		s.p = s.p[4+n+3:]
	default:
		return false
	}
	return true
}

// xmlDeclaration is the only one that the scanner knows.
const xmlDeclaration = `<?xml version="1.0" encoding="UTF-8"?>`

// at is the offset in the packet of what is left of it.
func (s *xmpScanner) at(left []byte) int { return s.size - len(left) }

// end ends the innermost element, whose end tag is at off.
func (s *xmpScanner) end(t *xmpToken, off int) error {
	last := len(s.open) - 1
	t.kind, t.off, t.end, t.name = xmpEnd, off, s.at(s.p), s.open[last].name
	s.spaces, s.open = s.spaces[:s.open[last].spaces], s.open[:last]
	return nil
}

// start reads a start tag.
func (s *xmpScanner) start(t *xmpToken) error {
	off := s.at(s.p)
	raw, p := xmlName(s.p[1:])
	if raw == nil {
		return errXMPUnusual
	}
	s.attrs = s.attrs[:0]
	outside := len(s.spaces)
	for {
		before := s.at(p)
		p = trimSpace(p)
		if bytes.HasPrefix(p, []byte(">")) {
			s.p = p[1:]
			break
		}
		if bytes.HasPrefix(p, []byte("/>")) {
			s.empty, s.p = true, p[2:]
			break
		}
		var ok bool
		if p, ok = s.attribute(p, before); !ok {
			return errXMPUnusual
		}
	}
	// A namespace may be declared after the names that are in it. The default one
	// is not for attributes.
	for i := range s.attrs {
		n := &s.attrs[i].name
		if prefix, local := cutPrefix(n.local); prefix != nil {
			*n = qName{s.space(prefix), local}
		}
	}
	prefix, local := cutPrefix(raw)
	name := qName{s.space(prefix), local}
	s.open = append(s.open, xmpOpen{raw, name, outside})
	t.kind, t.off, t.end, t.name, t.raw, t.attrs = xmpStart, off, s.at(s.p), name, raw, s.attrs
	return nil
}

// attribute reads an attribute, before which there is white space from off on, or
// the declaration of a namespace.
func (s *xmpScanner) attribute(p []byte, off int) (rest []byte, ok bool) {
	name, p := xmlName(p)
	p = trimSpace(p)
	if name == nil || !bytes.HasPrefix(p, []byte("=")) {
		return nil, false
	}
	p = trimSpace(p[1:])
	if len(p) == 0 || p[0] != '"' && p[0] != '\'' {
		return nil, false
	}
	inner := int32(s.at(p) + 1)
	n := bytes.IndexByte(p[1:], p[0])
	if n < 0 {
		return nil, false
	}
	value, ok := s.text(p[1:1+n], true)
	if !ok || len(s.attrs) == maxXMPAttributes || len(s.spaces) == maxXMPSpaces {
		return nil, false
	}
	end := inner + int32(n)
	a := xmpAttr{name: qName{local: name}, value: value, off: int32(off), end: end + 1, inner: inner, innerEnd: end}
	switch prefix, local := cutPrefix(name); {
	case string(prefix) == "xmlns":
		s.spaces = append(s.spaces, xmpSpace{local, knownSpace(value)})
	case string(name) == "xmlns":
		s.spaces = append(s.spaces, xmpSpace{nil, knownSpace(value)})
	default:
		s.attrs = append(s.attrs, a)
	}
	return p[n+2:], true
}

// space is the namespace of a prefix; nil is the prefix of the default one.
func (s *xmpScanner) space(prefix []byte) string {
	switch string(prefix) {
	case "xml":
		return nsXML
	case "xmlns":
		return ""
	}
	for i := len(s.spaces) - 1; i >= 0; i-- {
		if bytes.Equal(s.spaces[i].prefix, prefix) {
			return s.spaces[i].space
		}
	}
	return ""
}

// knownSpace is a namespace that is read from, and empty for any other.
func knownSpace(uri []byte) string {
	for _, known := range []string{nsRDF, nsExif, nsExifEX, nsTIFF, nsDC, nsXML, nsTerms} {
		if string(uri) == known {
			return known
		}
	}
	return ""
}

// xmlName cuts a name in ASCII off b, with one colon inside at most; nil where
// there is none.
func xmlName(b []byte) (name, rest []byte) {
	n, colons := 0, 0
	for ; n < len(b) && xmlClass[b[n]] == xmlNameByte; n++ {
		if b[n] == ':' {
			colons++
		}
	}
	name, rest = b[:n], b[n:]
	if n == 0 || b[0] <= '9' || b[0] == ':' || b[n-1] == ':' || colons > 1 ||
		len(rest) > 0 && xmlClass[rest[0]] == xmlHigh { // then it goes on
		return nil, b
	}
	return name, rest
}

// trimSpace passes over white space, of which there is mostly little.
func trimSpace(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\n' || b[0] == '\t' || b[0] == '\r') {
		b = b[1:]
	}
	return b
}

// cutPrefix cuts the prefix off a name; nil where there is none.
func cutPrefix(name []byte) (prefix, local []byte) {
	if i := bytes.IndexByte(name, ':'); i >= 0 {
		return name[:i], name[i+1:]
	}
	return nil, name
}

// text is what is meant by a text as written, or by a value in quotes.
func (s *xmpScanner) text(b []byte, quoted bool) (text []byte, ok bool) {
	var class byte
	for _, c := range b {
		class |= xmlClass[c]
	}
	switch {
	case class&xmlIllegal != 0,
		class&xmlBracket != 0 && !quoted && bytes.Contains(b, []byte("]]>")),
		class&xmlHigh != 0 && (!utf8.Valid(b) || bytes.Contains(b, []byte("\uFFFE")) || bytes.Contains(b, []byte("\uFFFF"))):
		return nil, false
	case class&xmlReference == 0:
		return b, true
	}
	from := len(s.decoded)
	for {
		n := bytes.IndexAny(b, "&\r")
		if n < 0 {
			s.decoded = append(s.decoded, b...)
			return s.decoded[from:], true
		}
		s.decoded, b = append(s.decoded, b[:n]...), b[n:]
		if b[0] == '\r' {
			s.decoded, b = append(s.decoded, '\n'), bytes.TrimPrefix(b[1:], []byte("\n"))
			continue
		}
		n = bytes.IndexByte(b[:min(len(b), 10)], ';')
		if n < 0 {
			return nil, false
		}
		r, ok := xmlReferred(string(b[1:n]))
		if !ok {
			return nil, false
		}
		s.decoded, b = utf8.AppendRune(s.decoded, r), b[n+1:]
	}
}

// xmlNames are the references to characters by name.
var xmlNames = map[string]rune{"amp": '&', "lt": '<', "gt": '>', "quot": '"', "apos": '\''}

// xmlReferred is the character of a reference: one of XML's five names, or a number
// that is plainly a character's.
func xmlReferred(ref string) (r rune, ok bool) {
	if r, ok := xmlNames[ref]; ok {
		return r, true
	}
	number, ok := strings.CutPrefix(ref, "#")
	base := 10
	if hex, ok := strings.CutPrefix(number, "x"); ok {
		number, base = hex, 16
	}
	n, err := strconv.ParseUint(number, base, 16)
	plain := n == '\t' || n == '\n' || n == '\r' || n >= ' ' && n < 0xD800
	return rune(n), ok && err == nil && plain
}
