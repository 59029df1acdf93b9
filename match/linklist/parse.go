package linklist

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/net/html"
	"golang.org/x/net/html/atom"
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

// document is a list taken apart.
type document struct {
	kind  string
	root  *node
	table bool
	// sequential says that what stands above counts: in lines of text and in pages.
	sequential bool
	heads      map[string]string // headings by slot
}

func (d *document) heading(slot string) string {
	if h, ok := d.heads[slot]; ok {
		return h
	}
	return slot[strings.LastIndexByte(slot, '/')+1:]
}

// headings lists those that there are.
func (d *document) headings() string {
	var out []string
	for _, h := range d.heads {
		out = append(out, h)
	}
	if slices.Sort(out); len(out) == 0 {
		return "none"
	}
	return some(out)
}

// place names a slot.
func (d *document) place(slot string) string {
	head := d.heads[slot]
	switch {
	case !d.table:
		return slot
	case head != "":
		return "column " + slot + " (" + head + ")"
	}
	return "column " + slot
}

// counts says that a column counts the rows: 1, 2, 3.
func (d *document) counts(slot string) bool {
	last, n := 0, 0
	for _, row := range d.root.parts {
		for _, p := range row.parts {
			if p.slot != slot || row.heading || p.heading {
				continue
			}
			v, err := strconv.Atoi(strings.TrimSpace(p.text))
			if err != nil || n > 0 && v != last+1 {
				return false
			}
			last = v
			n++
		}
	}
	return n > 1
}

func (d *document) firstLine(slot string) int {
	for _, row := range d.root.parts {
		for _, p := range row.parts {
			if p.slot == slot && !row.heading && !p.heading {
				return p.line
			}
		}
	}
	return 0
}

// parse takes a list apart.
func parse(name string, data []byte, known *names) (*document, error) {
	if len(data) > maxText {
		return nil, &problem.Problem{File: name, What: fmt.Sprintf("it has %d bytes; a list may have %d", len(data), maxText), Remedy: "split it"}
	}
	text, err := decode(data)
	if err != nil {
		return nil, &problem.Problem{File: name, What: err.Error(), Remedy: "save it as UTF-8 text"}
	}
	start := strings.TrimLeft(text, " \t\r\n")
	var d *document
	switch {
	case strings.HasPrefix(start, "{") || strings.HasPrefix(start, "["):
		d, err = parseJSON(text, known)
		if err != nil { // a line such as "[K7] a.jpg"
			d, err = parseText(text, known)
		}
	case isHTML(start):
		d, err = parseHTML(text)
	case strings.HasPrefix(start, "<"):
		d, err = parseXML(text)
	case strings.ContainsRune(text, 0):
		err = errors.New("it is no text")
	default:
		d, err = parseText(text, known)
	}
	if err != nil {
		p := &problem.Problem{File: name, What: err.Error(), Remedy: "give a list as delimited text, HTML, XML or JSON"}
		var at *xml.SyntaxError
		if errors.As(err, &at) {
			p.Line = at.Line
		}
		return nil, p
	}
	return d, nil
}

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
	if l.line == 0 {
		l.line = 1
	}
	if offset > l.at {
		l.line += strings.Count(l.text[l.at:min(offset, len(l.text))], "\n")
		l.at = offset
	}
	return l.line
}

// parseText reads rows and lines.
func parseText(text string, known *names) (*document, error) {
	text = strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
	best, most := document{}, -1.0
	for _, comma := range []rune{'\t', ';', ',', '|', 0} {
		d, ok := split(text, comma)
		if !ok {
			continue
		}
		if score := d.whole(known); score > most {
			best, most = *d, score
		}
	}
	if most < 0 {
		return nil, errors.New("it is no text of rows or lines")
	}
	best.headRow(known)
	best.table = best.columns()
	best.sequential = true
	if !best.table {
		best.kind = "lines of text"
	}
	return &best, nil
}

// split takes text apart into rows of cells; comma 0 parts cells at two spaces or
// more.
func split(text string, comma rune) (*document, bool) {
	d := &document{kind: "table", root: &node{parts: []*node{}}, heads: map[string]string{}}
	row := func(line int, cells []string, at func(int) int) {
		n := &node{line: line, parts: []*node{}}
		for i, c := range cells {
			n.parts = append(n.parts, &node{line: at(i), text: c, slot: strconv.Itoa(i + 1)})
		}
		d.root.parts = append(d.root.parts, n)
	}
	if comma == 0 {
		for i, l := range strings.Split(text, "\n") {
			if strings.TrimSpace(l) == "" {
				continue
			}
			var cells []string
			for _, c := range strings.Split(l, "  ") {
				if c = strings.TrimSpace(c); c != "" {
					cells = append(cells, c)
				}
			}
			row(i+1, cells, func(int) int { return i + 1 })
		}
		return d, len(d.root.parts) > 0
	}
	if !strings.ContainsRune(text, comma) {
		return nil, false
	}
	r := csv.NewReader(strings.NewReader(text))
	r.Comma, r.FieldsPerRecord, r.LazyQuotes, r.TrimLeadingSpace = comma, -1, true, true
	for {
		cells, err := r.Read()
		if err == io.EOF {
			return d, len(d.root.parts) > 0
		}
		if err != nil {
			return nil, false
		}
		line, _ := r.FieldPos(0)
		row(line, cells, func(i int) int { l, _ := r.FieldPos(i); return l })
	}
}

// whole says how many cells are nothing but a known name, less what rows of one
// cell would be: the separator that parts names best is the right one.
func (d *document) whole(known *names) float64 {
	n := 0.0
	for _, row := range d.root.parts {
		for _, c := range row.parts {
			f := known.find(c.text)
			if len(f.photos) == 1 && f.photos[0].whole || len(f.points) == 1 && f.points[0].whole {
				n++
			}
		}
	}
	return n
}

// headRow takes the first row that has several texts, and the known words among
// them, as the headings.
func (d *document) headRow(known *names) {
	for i, row := range d.root.parts[:min(len(d.root.parts), 30)] {
		hits := 0
		for _, c := range row.parts {
			f := known.find(c.text)
			if len(f.photos) > 0 || len(f.points) > 0 && !pointWords[plain(c.text)] {
				hits = -1000
			}
			if w := plain(c.text); pointWords[w] || photoWords[w] {
				hits++
			}
		}
		if hits < 0 {
			return
		}
		if hits > 0 && len(row.parts) > 1 {
			for _, c := range row.parts {
				c.heading = true
				d.heads[c.slot] = strings.TrimSpace(c.text)
			}
			row.heading = true
			for _, above := range d.root.parts[:i] {
				above.heading = true
			}
			return
		}
	}
}

// columns says whether most rows have as many cells.
func (d *document) columns() bool {
	counts := map[int]int{}
	most := 0
	for _, row := range d.root.parts {
		n := len(row.parts)
		if counts[n]++; n > 1 {
			most = max(most, counts[n])
		}
	}
	return 2*most > len(d.root.parts)
}

// parseJSON takes an object or array as a group; a key is a part of the group of its
// value, as in {"K7": ["a.jpg"]}.
func parseJSON(text string, known *names) (*document, error) {
	dec := json.NewDecoder(strings.NewReader(text))
	dec.UseNumber()
	lines := &lineOf{text: text}
	d := &document{kind: "JSON", heads: map[string]string{}}
	var value func(slot string, depth int) (*node, error)
	value = func(slot string, depth int) (*node, error) {
		if depth > maxDepth {
			return nil, fmt.Errorf("it nests over %d deep", maxDepth)
		}
		tok, err := dec.Token()
		if err != nil {
			return nil, err
		}
		n := &node{line: lines.count(int(dec.InputOffset())), slot: slot}
		switch t := tok.(type) {
		case json.Delim:
			n.parts = []*node{}
			for dec.More() {
				inner := slot
				var key *node
				if t == '{' {
					k, err := dec.Token()
					if err != nil {
						return nil, err
					}
					name, ok := k.(string)
					if !ok {
						return nil, errors.New("a key is no text")
					}
					inner = slot + "/" + name
					key = &node{line: lines.count(int(dec.InputOffset())), text: name, slot: slot + "/key"}
					d.heads[inner] = name
				}
				v, err := value(inner, depth+1)
				if err != nil {
					return nil, err
				}
				if key != nil && (v.parts != nil || known.pair(key.text, v.text)) {
					v = &node{line: key.line, parts: []*node{key, v}}
				}
				n.parts = append(n.parts, v)
			}
			_, err = dec.Token()
			return n, err
		case string:
			n.text = t
		case json.Number:
			n.text = t.String()
		}
		return n, nil
	}
	root, err := value("", 0)
	if err != nil {
		return nil, err
	}
	d.root = &node{parts: []*node{root}}
	if root.parts != nil {
		d.root = root
	}
	return d, nil
}

// parseXML takes an element as a group of its attributes, texts and elements.
func parseXML(text string) (*document, error) {
	dec := xml.NewDecoder(strings.NewReader(text))
	dec.Strict = true
	lines := &lineOf{text: text}
	d := &document{kind: "XML", root: &node{parts: []*node{}}, heads: map[string]string{}}
	stack := []*node{d.root}
	path := []string{""}
	for {
		tok, err := dec.Token()
		if err == io.EOF {
			return d, nil
		}
		if err != nil {
			return nil, err
		}
		top := stack[len(stack)-1]
		slot := path[len(path)-1]
		line := lines.count(int(dec.InputOffset()))
		switch t := tok.(type) {
		case xml.StartElement:
			if len(stack) > maxDepth {
				return nil, fmt.Errorf("it nests over %d deep", maxDepth)
			}
			n := &node{line: line, parts: []*node{}}
			inner := slot + "/" + t.Name.Local
			for _, a := range t.Attr {
				n.parts = append(n.parts, &node{line: line, text: a.Value, slot: inner + "/" + a.Name.Local})
			}
			top.parts = append(top.parts, n)
			stack, path = append(stack, n), append(path, inner)
		case xml.EndElement:
			stack, path = stack[:len(stack)-1], path[:len(path)-1]
		case xml.CharData:
			if s := strings.TrimSpace(string(t)); s != "" {
				top.parts = append(top.parts, &node{line: line, text: s, slot: slot})
			}
		}
	}
}

func isHTML(start string) bool {
	head := strings.ToLower(start[:min(len(start), 2000)])
	return strings.HasPrefix(head, "<!doctype html") || strings.Contains(head, "<html") || strings.HasPrefix(head, "<table") || strings.HasPrefix(head, "<ul") || strings.HasPrefix(head, "<body")
}

// parseHTML reads the rows of tables, and the rest of a page as lines: a block
// element is a line.
func parseHTML(text string) (*document, error) {
	page, err := html.Parse(strings.NewReader(text))
	if err != nil {
		return nil, err
	}
	d := &document{kind: "HTML", root: &node{parts: []*node{}}, heads: map[string]string{}}
	rows := 0
	for n := range page.Descendants() {
		if n.DataAtom == atom.Tr {
			rows++
		}
	}
	w := &page2lines{doc: d}
	w.walk(page, 0)
	w.flush()
	d.kind, d.sequential = "HTML", true
	if rows > 1 {
		d.kind, d.table = "HTML table", true
	}
	return d, nil
}

// page2lines makes lines of a page.
type page2lines struct {
	doc  *document
	text strings.Builder
	line int
	held map[int]span // cells that reach down, by column
}

type span struct {
	node *node
	rows int
}

// lines breaks are the elements that begin a line of their own.
var blockElements = map[atom.Atom]bool{atom.P: true, atom.Div: true, atom.Li: true, atom.H1: true, atom.H2: true, atom.H3: true, atom.H4: true,
	atom.H5: true, atom.H6: true, atom.Dt: true, atom.Dd: true, atom.Br: true, atom.Section: true, atom.Article: true, atom.Figure: true,
	atom.Figcaption: true, atom.Ul: true, atom.Ol: true, atom.Dl: true, atom.Body: true, atom.Table: true, atom.Caption: true}

func (w *page2lines) flush() {
	if s := strings.TrimSpace(w.text.String()); s != "" {
		w.line++
		w.doc.root.parts = append(w.doc.root.parts, &node{line: w.line, parts: []*node{{line: w.line, text: s}}})
	}
	w.text.Reset()
}

func (w *page2lines) walk(n *html.Node, depth int) {
	if depth > maxDepth {
		return
	}
	switch {
	case n.Type == html.TextNode:
		w.text.WriteString(strings.Join(strings.Fields(n.Data), " ") + " ")
		return
	case n.DataAtom == atom.Script || n.DataAtom == atom.Style || n.DataAtom == atom.Head:
		return
	case n.DataAtom == atom.Img:
		for _, a := range n.Attr {
			if a.Key == "src" || a.Key == "alt" {
				w.text.WriteString(" " + a.Val + " ")
			}
		}
		return
	case n.DataAtom == atom.Tr:
		w.flush()
		w.row(n, depth)
		return
	case n.DataAtom == atom.Table:
		w.flush()
		w.held = map[int]span{}
	}
	if blockElements[n.DataAtom] {
		w.flush()
	}
	for c := range n.ChildNodes() {
		w.walk(c, depth+1)
	}
	if blockElements[n.DataAtom] {
		w.flush()
	}
	if n.DataAtom == atom.A {
		for _, a := range n.Attr {
			if a.Key == "href" {
				w.text.WriteString(" " + a.Val + " ")
			}
		}
	}
}

// row makes a row of a table's, with the cells that reach down into it.
func (w *page2lines) row(tr *html.Node, depth int) {
	w.line++
	row := &node{line: w.line, parts: []*node{}}
	col := 1
	headings := true
	reach := func() {
		for w.held[col].rows > 0 {
			s := w.held[col]
			row.parts = append(row.parts, &node{line: w.line, text: s.node.text, slot: strconv.Itoa(col)})
			w.held[col] = span{s.node, s.rows - 1}
			col++
		}
	}
	for c := range tr.ChildNodes() {
		if c.DataAtom != atom.Td && c.DataAtom != atom.Th {
			continue
		}
		reach()
		headings = headings && c.DataAtom == atom.Th
		cell := &page2lines{doc: &document{root: &node{}}}
		cell.walk(&html.Node{Type: html.ElementNode, FirstChild: c.FirstChild, LastChild: c.LastChild}, depth+1)
		cell.flush()
		var texts []string
		for _, l := range cell.doc.root.parts {
			for _, p := range l.parts {
				texts = append(texts, p.text)
			}
		}
		n := &node{line: w.line, text: strings.Join(texts, "; "), slot: strconv.Itoa(col)}
		row.parts = append(row.parts, n)
		for _, a := range c.Attr {
			if k, err := strconv.Atoi(strings.TrimSpace(a.Val)); err == nil && k > 1 && k < 10_000 {
				switch a.Key {
				case "rowspan":
					w.held[col] = span{n, k - 1}
				case "colspan":
					col += k - 1
				}
			}
		}
		col++
	}
	reach()
	if headings && len(row.parts) > 0 {
		row.heading = true
		for _, p := range row.parts {
			p.heading = true
			w.doc.heads[p.slot] = p.text
		}
	}
	w.doc.root.parts = append(w.doc.root.parts, row)
}
