package pointfile

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"

	"golang.org/x/text/encoding/htmlindex"
)

// xmlStream reads a document token by token, with the names of the open elements.
type xmlStream struct {
	*Reader
	in  *input
	dec *xml.Decoder
	// open are the elements that enclose the present place, the root first.
	open []string
}

// mostTag is how many bytes a start tag may take: its attributes take many times
// the memory.
const mostTag = 1 << 20

var errLongTag = fmt.Errorf("one tag takes more than %d MiB", mostTag>>20)

// byteGuard hands single bytes to the XML decoder, with the bound of input and one
// for tags.
type byteGuard struct {
	in *input
	// tag is how many bytes the present tag has, 0 outside; quote ends the
	// attribute's value within it that has begun.
	tag   int
	quote byte
}

func (g *byteGuard) ReadByte() (byte, error) {
	if g.in.read-g.in.mark > maxItem {
		return 0, errTooLarge
	}
	b, err := g.in.Reader.ReadByte()
	g.in.read++
	switch {
	case g.tag == 0:
		if b == '<' {
			g.tag = 1
		}
		return b, err
	case g.tag == 1 && (b == '!' || b == '?'): // a comment, or the like
		g.tag = 0
		return b, err
	case g.quote != 0:
		if b == g.quote {
			g.quote = 0
		}
	case b == '"' || b == '\'':
		g.quote = b
	case b == '>':
		g.tag = 0
		return b, err
	}
	if g.tag++; g.tag > mostTag {
		return 0, errLongTag
	}
	return b, err
}

func (g *byteGuard) Read(p []byte) (int, error) {
	n, err := g.in.Read(p)
	g.in.ends = g.in.ends[:0] // the decoder counts lines by itself
	return n, err
}

func newXMLStream(r *Reader, in *input) *xmlStream {
	in.skipBOM()
	s := &xmlStream{Reader: r, in: in, dec: xml.NewDecoder(&byteGuard{in: in})}
	s.dec.CharsetReader = func(label string, r io.Reader) (io.Reader, error) {
		enc, err := htmlindex.Get(label)
		if err != nil {
			return nil, s.problem(s.line(), "save the file as UTF-8", "character encoding %q is not known", clip(label))
		}
		return enc.NewDecoder().Reader(r), nil
	}
	return s
}

var errDeep = fmt.Errorf("elements are nested more than %d deep", mostDeep)

// mostDeep is how deep elements may be nested.
const mostDeep = 256

// next returns the next start, end or text; the rest is passed over. After a
// start element its own name is the last of open, after an end element it is
// gone. The token holds until the next call.
func (s *xmlStream) next() (xml.Token, error) {
	for {
		tok, err := s.dec.Token()
		if err != nil {
			return nil, err
		}
		s.in.done()
		switch t := tok.(type) {
		case xml.StartElement:
			if len(s.open) >= mostDeep {
				return nil, errDeep
			}
			s.open = append(s.open, t.Name.Local)
			return tok, nil
		case xml.EndElement:
			s.open = s.open[:len(s.open)-1]
			return tok, nil
		case xml.CharData:
			return tok, nil
		}
	}
}

// start returns the next start element.
func (s *xmlStream) start() (xml.StartElement, error) {
	for {
		tok, err := s.next()
		if err != nil {
			return xml.StartElement{}, err
		}
		if e, ok := tok.(xml.StartElement); ok {
			return e, nil
		}
	}
}

// parent is the element that encloses the present one.
func (s *xmlStream) parent() string {
	if len(s.open) < 2 {
		return ""
	}
	return s.open[len(s.open)-2]
}

func (s *xmlStream) line() int {
	line, _ := s.dec.InputPos()
	return line
}

func (s *xmlStream) Close() error { return s.in.file.Close() }

// explain tells where the XML text is broken.
func (s *xmlStream) explain(err error) error {
	var se *xml.SyntaxError
	var p *Problem
	switch {
	case errors.As(err, &p):
		return p
	case errors.As(err, &se) && strings.Contains(se.Msg, "unexpected EOF"):
		return s.problem(se.Line, "the file is cut off: copy or export it again", "the XML text ends too early")
	case errors.As(err, &se):
		return s.problem(se.Line, "mend the XML text, or export it again", "%s", clip(se.Msg))
	case errors.Is(err, errDeep):
		return s.problem(s.line(), "mend the XML text, or export it again", "%v", err)
	case errors.Is(err, errTooLarge), errors.Is(err, errLongTag):
		return s.problem(s.line(), "split it", "%v", err)
	}
	return s.problem(s.line(), "save the file as UTF-8", "%s", strings.TrimPrefix(err.Error(), "xml: "))
}

// attr returns an attribute that has no name space; empty where there is none.
func attr(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Space == "" && a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

func (r *Reader) openXML(fsys fs.FS, in *input, opt Options) error {
	s := newXMLStream(r, in)
	root, err := s.start()
	switch {
	case errors.Is(err, io.EOF):
		return s.problem(1, "give a LandXML or a GPX file", "the XML text has no element")
	case err != nil:
		return s.explain(err)
	}
	root = root.Copy()
	switch root.Name.Local {
	case "LandXML":
		return s.openLandXML(fsys, root, opt)
	case "gpx":
		s.openGPX(root, opt)
		return nil
	}
	return s.problem(s.line(), "give the points as LandXML 1.2 or GPX 1.1", "the XML text is a %q, which is neither LandXML nor GPX", clip(root.Name.Local))
}
