package report

import (
	"cmp"
	"encoding/csv"
	"io"
	"strings"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
)

// csvHead names the columns of CSV; photoValues says what they have.
var csvHead = []string{"photo", "point", "verdict", "reason", "unit", "distance", "bearing", "d_e", "d_n", "allowed",
	"p", "p_adjusted", "tag_e", "tag_n", "tag_lat", "tag_lon", "nearest", "nearest_distance", "link_line", "why", "original",
	"findings", "width_px", "height_px", "jpeg_quality", "blur_px", "clipped", "shows",
	"code", "point_e", "point_n", "point_h", "taken", "camera"}

// CSV writes one row a photo, in the order of the result. Texts that a
// spreadsheet would take for a formula are preceded by an apostrophe.
func CSV(w io.Writer, r *match.Result) error {
	head, rows := photoTable(r)
	return writeCSV(w, head, rows)
}

func photoTable(r *match.Result) (head []string, rows [][]string) {
	codes := r.CodesOf()
	points := make(map[string]*match.PointResult, len(r.Points))
	for i := range r.Points {
		points[r.Points[i].ID] = &r.Points[i]
	}
	rows = make([][]string, len(r.Photos))
	for i := range r.Photos {
		texts := photoTexts(r.Grid.Unit, &r.Photos[i], codes[r.Photos[i].Name])
		shownIn(texts, r.Grid.Unit, &r.Photos[i], points)
		for _, name := range []string{"photo", "point", "nearest", "why", "original", "shows", "code", "camera"} {
			texts[name] = Cell(texts[name])
		}
		for _, name := range csvHead {
			rows[i] = append(rows[i], texts[name])
		}
	}
	return csvHead, rows
}

// shownIn adds what a spreadsheet needs beside a photo: its point's code and place, in
// the grid's unit u, when the photo was taken by the camera's clock (with the offset
// that it states, if any) and which camera took it.
func shownIn(texts map[string]string, u grid.Unit, p *match.PhotoResult, points map[string]*match.PointResult) {
	if p.Tie != nil && points[p.Tie.Point] != nil {
		pt := points[p.Tie.Point]
		texts["code"], texts["point_e"], texts["point_n"] = pt.Code, fixed(pt.E, 3), fixed(pt.N, 3)
		if pt.Height != nil {
			texts["point_h"] = fixed(*pt.Height/u.Metres, 3)
		}
	}
	if t := p.Tag; t != nil {
		texts["camera"] = cmp.Or(t.Serial, strings.TrimSpace(t.Make+" "+t.Model))
		if t.Taken != nil {
			layout := "2006-01-02T15:04:05"
			if t.Taken.HasOffset {
				layout = time.RFC3339
			}
			texts["taken"] = t.Taken.Time.Format(layout)
		}
	}
}

// writeCSV writes a header and rows.
func writeCSV(w io.Writer, head []string, rows [][]string) error {
	out := csv.NewWriter(w)
	if err := out.Write(head); err != nil {
		return err
	}
	return out.WriteAll(rows)
}

// Cell makes a text safe for a spreadsheet: a character that starts a formula at the
// beginning gets an apostrophe before it. So does one that stands after a semicolon,
// a tab or a line feed: a spreadsheet that takes those for the separator has a cell
// begin there. Source: OWASP, CSV Injection (from memory).
//
// What acts on a terminal, but for tabs and line feeds, becomes Go escapes: a table
// is looked at in terminals too.
func Cell(s string) string {
	s = words.SafeLines(s)
	var b strings.Builder
	start := true // of what may be a cell
	for _, r := range s {
		switch {
		case start && strings.ContainsRune("=+-@\t＝＋－＠", r):
			b.WriteByte('\'')
			start = r == '\t'
		case strings.ContainsRune(";\t\n", r):
			start = true
		case r != ' ' && r != '"':
			start = false
		}
		b.WriteRune(r)
	}
	return b.String()
}
