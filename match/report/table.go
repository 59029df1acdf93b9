package report

import (
	"fmt"
	"io"
	"strings"

	"github.com/rivo/uniseg"

	"example.com/phototie/match/internal/words"
)

// Width is the number of columns that text output keeps to.
const Width = 100

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

// table writes rows under heads, each column as wide as it needs, within Width.
// What does not fit is cut with an ellipsis, in the widest column first.
func table(w io.Writer, cols []column, rows [][]string) error {
	widths := make([]int, len(cols))
	total := 2 * (len(cols) - 1)
	for i, c := range cols {
		widths[i] = uniseg.StringWidth(c.head)
		for _, r := range rows {
			widths[i] = max(widths[i], uniseg.StringWidth(r[i]))
		}
		widths[i] = min(widths[i], max(c.most, uniseg.StringWidth(c.head)))
		total += widths[i]
	}
	for ; total > Width; total-- {
		widths[shrinks(cols, widths)]--
	}
	line := func(cells []string) error {
		var b strings.Builder
		for i, c := range cols {
			if i > 0 {
				b.WriteString("  ")
			}
			b.WriteString(pad(fit(cells[i], widths[i], c.path), widths[i], c.right))
		}
		_, err := fmt.Fprintln(w, strings.TrimRight(b.String(), " "))
		return err
	}
	heads := make([]string, len(cols))
	for i, c := range cols {
		heads[i] = c.head
	}
	if err := line(heads); err != nil {
		return err
	}
	for _, r := range rows {
		if err := line(r); err != nil {
			return err
		}
	}
	return nil
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

// wrap breaks text into lines of at most Width columns, to be printed behind
// first columns that are taken; every line but the first starts with indent.
func wrap(text string, first int, indent string) string { return wrapTo(Width, text, first, indent) }

func wrapTo(width int, text string, first int, indent string) string {
	var b strings.Builder
	used := first
	for i, word := range strings.Fields(text) {
		n := uniseg.StringWidth(word)
		switch {
		case i == 0:
		case used+1+n > width:
			b.WriteString("\n" + indent)
			used = uniseg.StringWidth(indent)
		default:
			b.WriteByte(' ')
			used++
		}
		b.WriteString(word)
		used += n
	}
	return b.String()
}
