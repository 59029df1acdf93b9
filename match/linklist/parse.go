package linklist

import (
	"bytes"
	"cmp"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"example.com/phototie/match/problem"
)

// maxText is how long a list may be, in bytes, and maxDepth how deep its parts may
// nest.
const (
	maxText  = 32 << 20
	maxDepth = 64
)

// parse takes a list apart, and says what kind it is of.
func parse(name string, data []byte, known *names) (root *node, kind string, err error) {
	if len(data) > maxText {
		return nil, "", &problem.Problem{File: name, What: fmt.Sprintf("it has %d bytes; a list may have %d", len(data), maxText), Remedy: "split it"}
	}
	text, err := decode(data)
	if err != nil {
		return nil, "", &problem.Problem{File: name, What: err.Error(), Remedy: "save it as UTF-8 text"}
	}
	text = strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
	start := strings.TrimSpace(text)
	switch {
	case jsonStart.MatchString(start):
		kind = "JSON"
		root, err = parseJSON(text, known)
	case isHTML(start):
		kind = "HTML"
		root, err = parseHTML(text)
	case strings.HasPrefix(start, "<"):
		kind = "XML"
		root, err = parseXML(text)
	case strings.ContainsRune(text, 0):
		err = errors.New("it is no text")
	default:
		root, kind = parseText(text, known)
	}
	if err != nil {
		p := &problem.Problem{File: name, What: err.Error(), Remedy: "give a list as delimited text, HTML, XML or JSON"}
		var at *syntaxError
		if errors.As(err, &at) {
			p.Line = at.line
		}
		return nil, "", p
	}
	return root, kind, nil
}

// jsonStart tells JSON from lines such as "[K7] a.jpg" and "[[photo]]".
var jsonStart = regexp.MustCompile(`^(?:\{|(?:\[\s*)+[{"\]]|\[\s*\[\s*-?\d)`)

// syntaxError is an error at a line.
type syntaxError struct {
	error
	line int
}

func (e *syntaxError) Unwrap() error { return e.error }

// decode makes UTF-8 of a text: by its byte order mark, else as UTF-8 if it is
// that, else as Windows-1252.
func decode(data []byte) (string, error) {
	switch {
	case bytes.HasPrefix(data, []byte{0xff, 0xfe}), bytes.HasPrefix(data, []byte{0xfe, 0xff}):
		out, err := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewDecoder().Bytes(data)
		return string(out), err
	case utf8.Valid(data):
		return strings.TrimPrefix(string(data), "\uFEFF"), nil
	}
	out, err := charmap.Windows1252.NewDecoder().Bytes(data)
	return string(out), err
}

// lineOf counts lines up to byte offsets that grow.
type lineOf struct {
	text     string
	at, line int
}

func (l *lineOf) count(offset int) int {
	l.line = cmp.Or(l.line, 1)
	if offset > l.at {
		l.line += strings.Count(l.text[l.at:min(offset, len(l.text))], "\n")
		l.at = offset
	}
	return l.line
}

// jsonReader reads JSON.
type jsonReader struct {
	*json.Decoder
	lines *lineOf
	known *names
}

// parseJSON takes an object or array as a group; a key that is a name is a part of
// the group of its value, as in {"K7": ["a.jpg"]}. Several values may follow each
// other.
func parseJSON(text string, known *names) (*node, error) {
	r := &jsonReader{json.NewDecoder(strings.NewReader(text)), &lineOf{text: text}, known}
	r.UseNumber()
	root := &node{parts: []*node{}}
	for {
		n, err := r.value("", false, 0)
		switch {
		case err == io.EOF:
			if len(root.parts) == 1 && root.parts[0].parts != nil {
				return root.parts[0], nil
			}
			return root, nil
		case err != nil:
			return nil, &syntaxError{err, r.lines.count(r.errorAt(err, text))}
		}
		root.parts = append(root.parts, n)
	}
}

func (r *jsonReader) errorAt(err error, text string) int {
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return len(text)
	}
	return int(r.InputOffset())
}

// token returns the next token with its line. The end is unexpected within a value.
func (r *jsonReader) token(depth int) (json.Token, int, error) {
	tok, err := r.Token()
	if err == io.EOF && depth > 0 {
		err = io.ErrUnexpectedEOF
	}
	return tok, r.lines.count(int(r.InputOffset())), err
}

// value reads a value; row says that it is in an array of arrays, whose elements are
// columns.
func (r *jsonReader) value(slot string, row bool, depth int) (*node, error) {
	if depth > maxDepth {
		return nil, fmt.Errorf("it nests over %d deep", maxDepth)
	}
	tok, line, err := r.token(depth)
	if err != nil {
		return nil, err
	}
	n := &node{line: line, slot: slot}
	switch t := tok.(type) {
	case json.Delim:
		n.parts = []*node{}
		for r.More() {
			var v *node
			if t == '{' {
				v, err = r.member(slot, depth)
			} else if row {
				v, err = r.value(slot+"/"+strconv.Itoa(len(n.parts)+1), true, depth+1)
			} else {
				v, err = r.value(slot, true, depth+1)
			}
			if err != nil {
				return nil, err
			}
			n.parts = append(n.parts, v)
		}
		_, _, err = r.token(depth + 1)
		return n, err
	case string:
		n.text = t
	case json.Number:
		n.text = t.String()
	}
	return n, nil
}

// member reads a key and its value.
func (r *jsonReader) member(slot string, depth int) (*node, error) {
	tok, line, err := r.token(depth + 1)
	if err != nil {
		return nil, err
	}
	name, _ := tok.(string)
	key := &node{line: line, text: name, slot: slot + "/key"}
	f := r.known.find(name)
	named := len(f.photos)+len(f.points) > 0
	if named {
		name = "*"
	}
	v, err := r.value(slot+"/"+name, false, depth+1)
	if err != nil {
		return nil, err
	}
	if v.parts != nil || named && r.known.pair(key.text, v.text) {
		return &node{line: line, parts: []*node{key, v}}, nil
	}
	return v, nil
}

// parseXML takes an element as a group of its attributes, texts and elements.
func parseXML(text string) (*node, error) {
	dec := xml.NewDecoder(strings.NewReader(text))
	dec.CharsetReader = func(_ string, r io.Reader) (io.Reader, error) { return r, nil } // it is UTF-8 by now
	lines := &lineOf{text: text}
	stack := []*node{{parts: []*node{}}}
	for {
		tok, err := dec.Token()
		top := stack[len(stack)-1]
		line := lines.count(int(dec.InputOffset()))
		switch t := tok.(type) {
		case nil:
			if err == io.EOF {
				return stack[0], nil
			}
			return nil, &syntaxError{err, line}
		case xml.StartElement:
			if len(stack) > maxDepth {
				return nil, fmt.Errorf("it nests over %d deep", maxDepth)
			}
			n := &node{line: line, parts: []*node{}, slot: top.slot + "/" + t.Name.Local}
			for _, a := range t.Attr {
				n.parts = append(n.parts, &node{line: line, text: a.Value, slot: n.slot + "/" + a.Name.Local})
			}
			top.parts = append(top.parts, n)
			stack = append(stack, n)
		case xml.EndElement:
			stack = stack[:len(stack)-1]
		case xml.CharData:
			if s := strings.TrimSpace(string(t)); s != "" {
				top.parts = append(top.parts, &node{line: line, text: s, slot: top.slot})
			}
		}
	}
}
