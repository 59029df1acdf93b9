package linklist

import (
	"encoding/csv"
	"strconv"
	"strings"
	"unicode"
)

// parseText reads a table if a separator parts photos from their points, else lines.
func parseText(text string, known *names) (*node, string) {
	var best *node
	most := 0
	for _, comma := range []rune{'\t', ';', ',', '|', 0} {
		if t := split(text, comma); t != nil {
			if n := known.parted(t); n > most {
				best, most = t, n
			}
		}
	}
	if best == nil {
		return lines(text), "lines of text"
	}
	known.headRow(best)
	return best, "table"
}

// split takes text apart into rows of cells; comma 0 parts cells at two spaces or
// more. Rows without a letter or digit are left out.
func split(text string, comma rune) *node {
	root := &node{order: rows, parts: []*node{}}
	add := func(line int, cells []string) {
		n := &node{line: line, parts: []*node{}}
		for i, c := range cells {
			n.parts = append(n.parts, &node{line: line, text: c, slot: "column " + strconv.Itoa(i+1)})
		}
		if says(strings.Join(cells, "")) {
			root.parts = append(root.parts, n)
		}
	}
	if comma == 0 {
		for i, l := range strings.Split(text, "\n") {
			var cells []string
			for _, c := range strings.Split(l, "  ") {
				if c = strings.TrimSpace(c); c != "" {
					cells = append(cells, c)
				}
			}
			add(i+1, cells)
		}
		return root
	}
	if !strings.ContainsRune(text, comma) {
		return nil
	}
	r := csv.NewReader(strings.NewReader(text))
	r.Comma, r.FieldsPerRecord, r.LazyQuotes, r.TrimLeadingSpace = comma, -1, true, comma != '\t'
	for {
		cells, err := r.Read()
		if err != nil { // the end: quotes are lazy
			return root
		}
		line, _ := r.FieldPos(0)
		add(line, cells)
	}
}

// says says whether a text has a letter or digit.
func says(s string) bool {
	return strings.ContainsFunc(s, func(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) })
}

// parted says how well a table's columns part photos from points: the names that are
// cells, and whole lists of them; 0 if many rows have both in one cell.
func (n *names) parted(table *node) int {
	good, mixed, whole := 0, 0, 0
	for _, row := range table.parts {
		photos, points, both := false, false, false
		for _, c := range row.parts {
			f := n.find(c.text)
			photos, points = photos || len(f.photos) > 0, points || len(f.points) > 0
			both = both || len(f.photos) > 0 && len(f.points) > 0
			whole += f.whole(c.text)
		}
		switch {
		case both:
			mixed++
		case photos && points:
			good++
		}
	}
	if good == 0 || 10*mixed > good {
		return 0
	}
	return 1 + whole
}

// headRow takes the rows above the first that names something as titles and headings,
// if that names a photo.
func (n *names) headRow(table *node) {
	for i, row := range table.parts {
		photos, points := false, false
		for _, c := range row.parts {
			f := n.find(c.text)
			photos = photos || len(f.photos) > 0
			points = points || len(f.points) > 0 && !pointWords[plain(c.text)]
		}
		if photos {
			for _, above := range table.parts[:i] {
				above.heading = true
			}
		}
		if photos || points {
			return
		}
	}
}

// lines makes a tree of lines: those that are set in further than one above belong to
// it, as paragraphs do to a heading with #; and those of a paragraph belong together.
func lines(text string) *node {
	var all []item
	gap := false
	for i, l := range strings.Split(text, "\n") {
		if !says(l) {
			gap = true
			continue
		}
		all = append(all, item{&node{line: i + 1, text: strings.TrimSpace(l)}, depth(l), gap})
		gap = false
	}
	return nest(all)
}

// depth is how far a line is set in: headings with # least.
func depth(l string) int {
	mark := strings.TrimLeft(l, "#")
	if n := len(l) - len(mark); n > 0 && strings.HasPrefix(mark, " ") {
		return n
	}
	n := body
	for _, r := range l {
		switch r {
		case ' ', '>':
			n++
		case '\t':
			n += 8
		default:
			return n
		}
	}
	return n
}

// body is the depth of what is no heading by a mark or an element of its own.
const body = 10

// item is a part before it is known what it belongs to.
type item struct {
	*node
	depth int
	gap   bool // something empty stands before
}

// nest makes groups of parts of which some are set in below others.
func nest(all []item) *node {
	return grow(all, 0)
}

func grow(all []item, deep int) *node {
	var level []item
	for i := 0; i < len(all); {
		end := i + 1
		for end < len(all) && all[end].depth > all[i].depth && deep < maxDepth {
			end++
		}
		it := all[i]
		if end > i+1 {
			below := grow(all[i+1:end], deep+1)
			it.node = &node{line: it.line, order: sequence, headed: true, parts: append([]*node{it.node}, below.parts...)}
		}
		level = append(level, it)
		i = end
	}
	return paragraphs(level)
}

// paragraphs makes groups of parts that stand together, if there is more than one.
func paragraphs(level []item) *node {
	root := &node{order: sequence, parts: []*node{}}
	for i := 0; i < len(level); {
		end := i + 1
		for end < len(level) && !level[end].gap {
			end++
		}
		var parts []*node
		for _, it := range level[i:end] {
			parts = append(parts, it.node)
		}
		if len(parts) > 1 && (i > 0 || end < len(level)) {
			parts = []*node{{line: parts[0].line, order: sequence, parts: parts}}
		}
		root.parts = append(root.parts, parts...)
		i = end
	}
	if len(root.parts) > 0 {
		root.line = root.parts[0].line
	}
	return root
}
