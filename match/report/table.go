package report

import (
	"fmt"
	"io"
	"strings"

	"github.com/rivo/uniseg"

	"example.com/phototie/match/internal/words"
)

// Width is the number of columns that text keeps to where its writer has no method
// Columns() int, as one that is a terminal may have.
const Width = 80

// printer writes what is safe to print, within its width, and keeps the first error
// of writing.
type printer struct {
	w     io.Writer
	width int
	err   error
}

func newPrinter(w io.Writer) *printer {
	p := &printer{w: w, width: Width}
	if t, ok := w.(interface{ Columns() int }); ok && t.Columns() > 0 {
		p.width = max(40, t.Columns())
	}
	return p
}

func (p *printer) printf(format string, args ...any) {
	if p.err == nil {
		_, p.err = io.WriteString(p.w, words.SafeLines(fmt.Sprintf(format, args...)))
	}
}

// para writes a text wrapped to the width: its first line behind indent blanks, the
// others behind hang.
func (p *printer) para(indent, hang int, format string, args ...any) {
	p.printf("%s%s\n", strings.Repeat(" ", indent), p.wrap(fmt.Sprintf(format, args...), indent, hang))
}

// line writes a text on one line, cut at its end where it does not fit.
func (p *printer) line(indent int, format string, args ...any) {
	p.printf("%s%s\n", strings.Repeat(" ", indent), fit(fmt.Sprintf(format, args...), p.width-indent, false))
}

// field writes a fact behind its name, wrapped under itself.
func (p *printer) field(name, format string, args ...any) {
	const width = 10
	p.printf("%s %s\n", pad(name, width-1, false), p.wrap(fmt.Sprintf(format, args...), width, width))
}

// next lists what to do next.
func (p *printer) next(todo []string) {
	if len(todo) > 0 {
		p.printf("\nNext\n")
	}
	for _, n := range todo {
		p.para(2, 2, "%s", n)
	}
}

// Plain makes a text of one or more lines, such as the message of an error that
// repeats what a file or a name says, fit for a terminal: all that acts on one, but
// for line feeds and tabs, is written as Go escapes.
func Plain(text string) string { return words.SafeLines(text) }

// fit cuts s to w columns: the front goes where keepEnd is set (of a path the
// end tells most), else the end.
func fit(s string, w int, keepEnd bool) string {
	if uniseg.StringWidth(s) <= w {
		return s
	}
	var parts []string
	g := uniseg.NewGraphemes(s)
	for g.Next() {
		parts = append(parts, g.Str())
	}
	used := 1 // the ellipsis
	if keepEnd {
		i := len(parts)
		for i > 0 && used+uniseg.StringWidth(parts[i-1]) <= w {
			i--
			used += uniseg.StringWidth(parts[i])
		}
		tail := strings.Join(parts[i:], "")
		if slash := strings.IndexByte(tail, '/'); slash >= 0 && slash < len(tail)/3 {
			tail = tail[slash:] // whole folder names read better
		}
		return "…" + tail
	}
	i := 0
	for i < len(parts) && used+uniseg.StringWidth(parts[i]) <= w {
		used += uniseg.StringWidth(parts[i])
		i++
	}
	return strings.Join(parts[:i], "") + "…"
}

// pad fills s up to w columns, on the left where right is set.
func pad(s string, w int, right bool) string {
	fill := strings.Repeat(" ", max(0, w-uniseg.StringWidth(s)))
	if right {
		return fill + s
	}
	return s + fill
}

// column describes a column of a text table.
type column struct {
	head  string
	right bool // numbers stand at the right
	path  bool // cut at the front where too long
	most  int  // the most columns it may take
}

// table writes rows under heads, each column as wide as it needs, within the width.
// What does not fit is cut with an ellipsis, in the widest column first.
func (p *printer) table(indent int, cols []column, rows [][]string) {
	widths := make([]int, len(cols))
	total := indent + 2*(len(cols)-1)
	for i, c := range cols {
		widths[i] = uniseg.StringWidth(c.head)
		for _, r := range rows {
			widths[i] = max(widths[i], uniseg.StringWidth(r[i]))
		}
		widths[i] = min(widths[i], max(c.most, uniseg.StringWidth(c.head)))
		total += widths[i]
	}
	for ; total > p.width; total-- {
		widths[shrinks(cols, widths)]--
	}
	heads := make([]string, len(cols))
	for i, c := range cols {
		heads[i] = c.head
	}
	for _, cells := range append([][]string{heads}, rows...) {
		var b strings.Builder
		for i, c := range cols {
			if i > 0 {
				b.WriteString("  ")
			}
			b.WriteString(pad(fit(cells[i], widths[i], c.path), widths[i], c.right))
		}
		p.printf("%s%s\n", strings.Repeat(" ", indent), strings.TrimRight(b.String(), " "))
	}
}

// shortPath is how far a path is cut before other columns are.
const shortPath = 24

// shrinks chooses the column that gives up a place: a path that is longer than
// shortPath, else the widest.
func shrinks(cols []column, widths []int) int {
	widest := 0
	for i := range widths {
		if cols[i].path && widths[i] > shortPath {
			return i
		}
		if widths[i] > widths[widest] {
			widest = i
		}
	}
	return widest
}

// wrap breaks text into lines within the width, to be printed behind first columns
// that are taken; every line but the first starts with hang blanks. A figure stays
// with its unit.
func (p *printer) wrap(text string, first, hang int) string {
	var b strings.Builder
	used := first
	tokens := strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == '\n' || r == '\t' })
	for i := 0; i < len(tokens); i++ {
		word := tokens[i]
		for i+1 < len(tokens) && together(tokens[i], tokens[i+1]) {
			i++
			word += " " + tokens[i]
		}
		n := uniseg.StringWidth(word)
		switch {
		case b.Len() == 0:
		case used+1+n > p.width:
			b.WriteString("\n" + strings.Repeat(" ", hang))
			used = hang
		default:
			b.WriteByte(' ')
			used++
		}
		b.WriteString(word)
		used += n
	}
	return b.String()
}

// together reports whether two words may not be parted: a figure and its unit, a
// sign and its figure.
func together(a, b string) bool {
	if a == "<" || a == ">" || a == "p" && len(b) == 1 {
		return true
	}
	if a[len(a)-1] < '0' || a[len(a)-1] > '9' {
		return false
	}
	switch strings.TrimRight(b, ".,;:)") {
	case "%", "m", "km", "ft", "ftUS", "s", "min", "h", "px", "days":
		return true
	}
	return false
}
