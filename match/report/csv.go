package report

import (
	"encoding/csv"
	"io"
	"iter"
	"strconv"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/pictures"
)

// csvHead names the columns of CSV. Lengths are in the grid's unit, which the
// unit column names; bearings and coordinates of the tag in degrees. findings has
// the codes of what was found, with blanks between them. What follows was measured
// of the pixels: the quality is empty where the tables don't tell it, and clipped is
// the share, 0 to 1, that is plain black or white.
var csvHead = []string{"photo", "point", "verdict", "reason", "unit", "distance", "bearing", "d_e", "d_n", "allowed",
	"p", "p_adjusted", "tag_e", "tag_n", "tag_lat", "tag_lon", "nearest", "nearest_distance", "link_line", "why", "original",
	"findings", "width_px", "height_px", "jpeg_quality", "blur_px", "clipped"}

// CSV writes one row a photo, in the order of the result. Texts that a
// spreadsheet would take for a formula are preceded by an apostrophe.
func CSV(w io.Writer, r *match.Result) error {
	codes := codesByPhoto(r)
	return writeCSV(w, csvHead, func(yield func([]string) bool) {
		for i := range r.Photos {
			if !yield(csvRow(r.Grid.Unit, &r.Photos[i], codes[r.Photos[i].Name])) {
				return
			}
		}
	})
}

// writeCSV writes a header and rows.
func writeCSV(w io.Writer, head []string, rows iter.Seq[[]string]) error {
	out := csv.NewWriter(w)
	if err := out.Write(head); err != nil {
		return err
	}
	for row := range rows {
		if err := out.Write(row); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

func csvRow(unit grid.Unit, p *match.PhotoResult, codes []string) []string {
	row := map[string]string{
		"findings": strings.Join(codes, " "),
		"photo":    Cell(p.Name), "verdict": string(p.Verdict), "reason": string(p.Reason),
		"unit": unit.Symbol, "why": Cell(p.Why), "original": Cell(p.Original),
	}
	if t := p.Tie; t != nil {
		row["point"] = Cell(t.Point)
		if t.Line > 0 {
			row["link_line"] = strconv.Itoa(t.Line)
		}
	}
	if d := p.Discrepancy; d != nil {
		row["distance"], row["d_e"], row["d_n"] = fixed(d.Distance, 3), fixed(d.DE, 3), fixed(d.DN, 3)
		if d.Bearing.Defined() {
			row["bearing"] = fixed(d.Bearing.Degrees(), 4)
		}
	}
	if a := p.Allowance; a != nil {
		row["allowed"] = fixed(a.Threshold/unit.Metres, 3)
	}
	if p.P != nil {
		row["p"] = strconv.FormatFloat(*p.P, 'g', 6, 64)
	}
	if p.PAdjusted != nil {
		row["p_adjusted"] = strconv.FormatFloat(*p.PAdjusted, 'g', 6, 64)
	}
	if p.OnGrid != nil {
		row["tag_e"], row["tag_n"] = fixed(p.OnGrid.E, 3), fixed(p.OnGrid.N, 3)
	}
	if p.Tag != nil && p.Tag.Position != nil {
		row["tag_lat"], row["tag_lon"] = fixed(p.Tag.Position.Lat, 9), fixed(p.Tag.Position.Lon, 9)
	}
	if n := p.Nearest; n != nil {
		row["nearest"], row["nearest_distance"] = Cell(n.Point), fixed(n.Distance, 3)
	}
	if m := pictures.Of(&p.Photo); m != nil {
		row["width_px"], row["height_px"] = strconv.Itoa(m.Width), strconv.Itoa(m.Height)
		if m.Quality != nil && m.Quality.Exact() {
			row["jpeg_quality"] = strconv.Itoa(m.Quality.Low)
		}
		if m.Blur != nil {
			row["blur_px"] = fixed(*m.Blur, 2)
		}
		if m.Exposure != nil {
			row["clipped"] = fixed(m.Exposure.Black+m.Exposure.White, 4)
		}
	}
	cells := make([]string, len(csvHead))
	for i, h := range csvHead {
		cells[i] = row[h]
	}
	return cells
}

func fixed(v float64, decimals int) string { return strconv.FormatFloat(v, 'f', decimals, 64) }

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
