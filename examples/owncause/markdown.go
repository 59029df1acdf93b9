package main

import (
	"bufio"
	"fmt"
	"io"
	"path"
	"strings"
	"unicode"

	"example.com/phototie/match"
	"example.com/phototie/match/cause"
)

// markdown writes a job as a list for each point, in CommonMark: a box to tick for
// each photo, with what was found about it below. What comes of files is escaped.
func markdown(w io.Writer, name string, res *match.Result, why *cause.Explanation) error {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "# Photos of %s\n\n", text(name))
	fmt.Fprintf(b, "%d photos of %d points, on %s: %d within budget, %d over, %d gross, %d unjudged.\n",
		len(res.Photos), len(res.Points), text(res.Grid.Name), res.Counts[match.Within], res.Counts[match.Over], res.Counts[match.Gross], res.Counts[match.Unjudged])

	because := map[string][]string{} // causes by photo
	if len(why.Causes) > 0 {
		fmt.Fprint(b, "\n## Causes\n\n")
	}
	for i := range why.Causes {
		f := &why.Causes[i]
		fmt.Fprintf(b, "%d. **%s**: %s. %s.\n", i+1, text(f.Name), text(f.Summary), text(f.Remedy))
		for _, p := range f.Params {
			if p.StdErr != nil {
				fmt.Fprintf(b, "   - %s %.2f ± %.2f %s\n", text(p.Name), p.Value, *p.StdErr, text(p.Unit))
			}
		}
		for _, p := range f.Photos {
			because[p] = append(because[p], f.Name)
		}
	}
	found := map[string][]match.Finding{}
	for _, f := range res.Findings() {
		found[f.Photo] = append(found[f.Photo], f)
	}
	for point, photos := range res.ByPoint() {
		if point == nil {
			fmt.Fprint(b, "\n## Photos without a point\n\n")
		} else {
			fmt.Fprintf(b, "\n## %s\n\n", text(strings.Join(strings.Fields(point.ID+" "+point.Code+" "+point.Desc), " ")))
			fmt.Fprintf(b, "E %.3f N %.3f %s\n\n", point.E, point.N, text(res.Grid.Unit.Symbol))
			if len(photos) == 0 {
				fmt.Fprintln(b, "No photo.")
			}
		}
		for _, p := range photos {
			tick := " "
			if p.Verdict == match.Within && len(because[p.Name]) == 0 {
				tick = "x"
			}
			fmt.Fprintf(b, "- [%s] %s: %s", tick, text(path.Base(p.Name)), p.Verdict)
			if d := p.Discrepancy; d != nil {
				fmt.Fprintf(b, ", %.2f %s off", d.Distance, text(d.Unit.Symbol))
				if d.Bearing.Defined() {
					fmt.Fprintf(b, " at %.0f°", d.Bearing.Degrees())
				}
			}
			if c := because[p.Name]; len(c) > 0 {
				fmt.Fprintf(b, " (%s)", text(strings.Join(c, ", ")))
			}
			fmt.Fprintln(b)
			for _, f := range found[p.Name] {
				fmt.Fprintf(b, "  - %s: %s; %s\n", f.Severity, text(f.Message), text(f.Remedy))
			}
		}
	}
	return b.Flush()
}

// text makes words stand for themselves inside a line of Markdown: every sign that could
// mean something there is escaped (CommonMark 0.31, section 2.4), and what can't be seen,
// or would end the line, is a blank.
func text(s string) string {
	var b strings.Builder
	for _, r := range strings.ToValidUTF8(s, "\uFFFD") {
		switch {
		case !unicode.IsPrint(r):
			r = ' '
		case strings.ContainsRune("\\`*_{}[]<>()#.|~&:@$", r):
			// Dots and colons too, which addresses are made of.
			b.WriteByte('\\')
		}
		b.WriteRune(r)
	}
	return b.String()
}
