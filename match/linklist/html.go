package linklist

import (
	"net/url"
	"regexp"
	"strconv"
	"strings"

	"golang.org/x/net/html"
	"golang.org/x/net/html/atom"
)

// blocks are the elements that stand on lines of their own, with their depth: what
// follows a heading belongs to it.
var blocks = func() map[atom.Atom]int {
	out := map[atom.Atom]int{}
	for _, a := range []atom.Atom{atom.P, atom.Div, atom.Li, atom.Dd, atom.Section, atom.Article, atom.Figure, atom.Figcaption, atom.Ul, atom.Ol, atom.Dl,
		atom.Html, atom.Body, atom.Main, atom.Header, atom.Footer, atom.Nav, atom.Aside, atom.Address, atom.Blockquote, atom.Pre, atom.Details, atom.Summary, atom.Form, atom.Center,
		atom.Table, atom.Caption, atom.Thead, atom.Tbody, atom.Tfoot, atom.Tr, atom.Td, atom.Th} {
		out[a] = body
	}
	for i, a := range []atom.Atom{atom.H1, atom.H2, atom.H3, atom.H4, atom.H5, atom.H6, atom.Dt} {
		out[a] = i + 1
	}
	return out
}()

var firstElement = regexp.MustCompile(`<([a-z][a-z0-9]*)[\s/>]`)

// isHTML tells a page, or a piece of one, from XML.
func isHTML(start string) bool {
	head := strings.ToLower(start[:min(len(start), 2000)])
	if !strings.HasPrefix(head, "<") {
		return false
	}
	if strings.HasPrefix(head, "<!doctype html") || strings.Contains(head, "<html") {
		return true
	}
	m := firstElement.FindStringSubmatch(head)
	return m != nil && !strings.HasPrefix(head, "<?xml") && blocks[atom.Lookup([]byte(m[1]))] > 0
}

// lineKey is an attribute that tells the parser's tree where an element began.
const lineKey = "data-line-of-list"

// numbered writes into each start tag the line that it is in.
func numbered(text string) string {
	z := html.NewTokenizer(strings.NewReader(text))
	var out strings.Builder
	for line := 1; ; {
		kind := z.Next()
		if kind == html.ErrorToken {
			return out.String()
		}
		raw := string(z.Raw())
		// The name as it is written: the tokenizer's may be longer, as it replaces zeros.
		n := strings.IndexAny(raw, " \t\n\f\r/>")
		if n > 0 && (kind == html.StartTagToken || kind == html.SelfClosingTagToken) {
			out.WriteString(raw[:n] + " " + lineKey + "=" + strconv.Itoa(line) + " " + raw[n:])
		} else {
			out.WriteString(raw)
		}
		line += strings.Count(raw, "\n")
	}
}

// parseHTML makes a tree of the blocks of a page, and of the rows of its tables.
func parseHTML(text string) (*node, error) {
	root, err := html.Parse(strings.NewReader(numbered(text)))
	if err != nil {
		return nil, err
	}
	p := &page{line: 1}
	return p.block(root, "", 0), nil
}

type page struct {
	line, tables int
}

// block is what a block element holds: a leaf of text, or a group of blocks.
func (p *page) block(n *html.Node, slot string, depth int) *node {
	b := &blockOf{page: p, slot: slot, deep: depth}
	if depth < maxDepth {
		for c := range n.ChildNodes() {
			b.visit(c)
		}
	}
	b.flush()
	out := nest(b.parts)
	if len(out.parts) == 1 {
		return out.parts[0]
	}
	return out
}

// blockOf is a block being read.
type blockOf struct {
	*page
	slot  string
	deep  int
	parts []item
	text  strings.Builder
	began int // the line of the text
}

func (b *blockOf) add(n *node, depth int) { b.parts = append(b.parts, item{n, depth, false}) }

func (b *blockOf) flush() {
	if s := strings.Join(strings.Fields(b.text.String()), " "); s != "" {
		b.add(&node{line: b.began, text: s, slot: b.slot}, body)
	}
	b.text.Reset()
}

func (b *blockOf) write(s string) {
	trimmed := strings.TrimLeft(s, " \t\n")
	if trimmed != "" && strings.TrimSpace(b.text.String()) == "" {
		b.began = b.line + strings.Count(s[:len(s)-len(trimmed)], "\n")
	}
	b.text.WriteString(s)
}

func (b *blockOf) visit(n *html.Node) {
	if n.Type == html.TextNode {
		b.write(n.Data)
		b.line += strings.Count(n.Data, "\n")
		return
	}
	if l, err := strconv.Atoi(attr(n, lineKey)); err == nil {
		b.line = l
	}
	depth, block := blocks[n.DataAtom]
	switch {
	case n.DataAtom == atom.Script || n.DataAtom == atom.Style || n.DataAtom == atom.Head || n.Type == html.CommentNode:
	case n.DataAtom == atom.Br || n.DataAtom == atom.Hr:
		b.flush()
	case n.DataAtom == atom.Img:
		b.write(" " + file(attr(n, "src")) + " " + attr(n, "alt") + " ")
	case n.DataAtom == atom.Table && !holds(n, atom.Table):
		b.flush()
		b.table(n)
	case block:
		b.flush()
		b.add(b.block(n, b.slot, b.deep+1), depth)
	default:
		for c := range n.ChildNodes() {
			b.visit(c)
		}
		if f := file(attr(n, "href")); f != "" {
			b.write(" " + f + " ")
		}
	}
}

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

// file is the image file that a link leads to, if it is one.
func file(link string) string {
	u, err := url.Parse(strings.ReplaceAll(link, `\`, "/"))
	if err != nil || !isImage(lower(u.Path)) {
		return ""
	}
	return u.Path
}

func holds(n *html.Node, a atom.Atom) bool {
	for d := range n.Descendants() {
		if d.DataAtom == a {
			return true
		}
	}
	return false
}

// table adds a table's caption and its rows.
func (b *blockOf) table(n *html.Node) {
	b.tables++
	t := &tableOf{page: b.page, deep: b.deep, held: map[int]span{}}
	if b.tables > 1 {
		t.name = "table " + strconv.Itoa(b.tables) + " "
	}
	out := &node{line: b.line, order: rows, parts: []*node{}}
	for d := range n.Descendants() {
		switch d.DataAtom {
		case atom.Caption:
			b.add(b.block(d, b.slot, b.deep+1), body)
		case atom.Tr:
			out.parts = append(out.parts, t.row(d))
		}
	}
	b.add(out, body)
}

// tableOf is a table being read.
type tableOf struct {
	*page
	name string
	deep int
	held map[int]span // cells that reach down, by column
}

// maxColumns is in how many columns cells may reach down, and maxSpan how far: a
// short text could make a large table.
const (
	maxColumns = 100
	maxSpan    = 1000
)

type span struct {
	node *node
	rows int
}

// row makes a row, with the cells that reach down into it. A row of header cells only
// has the headings.
func (t *tableOf) row(tr *html.Node) *node {
	if l, err := strconv.Atoi(attr(tr, lineKey)); err == nil {
		t.line = l
	}
	row := &node{line: t.line, parts: []*node{}, heading: !holds(tr, atom.Td)}
	col := 1
	reach := func() {
		for ; t.held[col].rows > 0; col++ {
			s := t.held[col]
			row.parts = append(row.parts, s.node)
			t.held[col] = span{s.node, s.rows - 1}
		}
	}
	for c := range tr.ChildNodes() {
		if c.DataAtom != atom.Td && c.DataAtom != atom.Th {
			continue
		}
		reach()
		slot := t.name + "column " + strconv.Itoa(col)
		n := t.block(c, slot, t.deep+1)
		if len(n.parts) == 0 {
			n.slot = slot // maybe empty
			n.parts = nil
		}
		row.parts = append(row.parts, n)
		if col <= maxColumns {
			t.held[col] = span{n, spans(c, "rowspan") - 1}
		}
		col += spans(c, "colspan")
	}
	reach()
	return row
}

func spans(cell *html.Node, key string) int {
	k, err := strconv.Atoi(strings.TrimSpace(attr(cell, key)))
	if err != nil {
		return 1
	}
	return min(max(k, 1), maxSpan)
}
