package pointfile

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
)

// table splits delimited text into rows of fields. Blank rows are passed over.
type table struct {
	csv *csv.Reader
	// For runs of blanks:
	br   *bufio.Reader
	line int
	row  []string
	cols []int
	// most, where not 0, is the number of fields of a row of which the last is a
	// text that may hold blanks.
	most int
}

func newTable(br *bufio.Reader, sep string, most int, reuse bool) *table {
	if sep == " " {
		return &table{br: br, most: most}
	}
	r := csv.NewReader(br)
	r.Comma = rune(sep[0])
	r.FieldsPerRecord = -1
	r.ReuseRecord = reuse
	r.TrimLeadingSpace = sep != "\t"
	return &table{csv: r}
}

// read returns the next row and its line. The row holds until the next call.
func (t *table) read() ([]string, int, error) {
	for {
		row, err := t.csvOrBlanks()
		if err != nil {
			return nil, t.line, err
		}
		for _, f := range row {
			if strings.TrimSpace(f) != "" {
				return row, t.line, nil
			}
		}
	}
}

func (t *table) csvOrBlanks() ([]string, error) {
	if t.csv == nil {
		return t.blanks()
	}
	row, err := t.csv.Read()
	if err == nil {
		t.line, _ = t.csv.FieldPos(0)
	}
	return row, err
}

// column gives the byte column of a field of the present row.
func (t *table) column(i int) int {
	if t.csv == nil {
		return t.cols[i]
	}
	_, c := t.csv.FieldPos(i)
	return c
}

// blanks reads a row whose fields have runs of blanks or tabs between them. A
// field that starts with a quote goes to the closing one.
func (t *table) blanks() ([]string, error) {
	text, err := t.br.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) {
		return nil, &csv.ParseError{StartLine: t.line + 1, Line: t.line + 1, Column: 1, Err: errLongLine}
	}
	if err != nil && (len(text) == 0 || !errors.Is(err, io.EOF)) {
		return nil, err
	}
	t.line++
	s := string(bytes.TrimRight(text, "\r\n"))
	t.row, t.cols = t.row[:0], t.cols[:0]
	for i := 0; ; {
		for i < len(s) && (s[i] == ' ' || s[i] == '\t') {
			i++
		}
		if i == len(s) {
			return t.row, nil
		}
		t.cols = append(t.cols, i+1)
		start := i
		if s[i] == '"' {
			j := i + 1
			var b strings.Builder
			for {
				k := strings.IndexByte(s[j:], '"')
				if k < 0 {
					return nil, &csv.ParseError{StartLine: t.line, Line: t.line, Column: i + 1, Err: csv.ErrQuote}
				}
				b.WriteString(s[j : j+k])
				j += k + 1
				if j < len(s) && s[j] == '"' {
					b.WriteByte('"')
					j++
					continue
				}
				break
			}
			if j < len(s) && s[j] != ' ' && s[j] != '\t' {
				return nil, &csv.ParseError{StartLine: t.line, Line: t.line, Column: j + 1, Err: csv.ErrQuote}
			}
			t.row = append(t.row, b.String())
			i = j
			continue
		}
		if t.most > 0 && len(t.row) == t.most-1 {
			t.row = append(t.row, strings.TrimRight(s[start:], " \t"))
			return t.row, nil
		}
		for i < len(s) && s[i] != ' ' && s[i] != '\t' {
			i++
		}
		t.row = append(t.row, s[start:i])
	}
}

var errLongLine = errors.New("the line is too long")

// delimited reads the points of delimited text.
type delimited struct {
	in     *input
	t      *table
	rows   *rowReader
	layout *Layout
	axes   Axes
	at     [nColumns]int // index+1
	x, y   column
}

func (r *Reader) openDelimited(in *input, opt Options) error {
	in.most = maxRow
	in.skipBOM()
	sample, err := in.Peek(sampleSize)
	if err != nil && !errors.Is(err, io.EOF) {
		return &Problem{File: r.header.File, What: err.Error()}
	}
	l, err := sniff(r.header.File, sample, errors.Is(err, io.EOF), opt)
	if err != nil {
		return err
	}
	r.header.Format = Delimited
	r.header.Layout = &l
	d := &delimited{in: in, layout: &l, x: colEasting, y: colNorthing}
	for i, name := range l.Columns {
		for c := range nColumns {
			if columnNames[c] == name {
				d.at[c] = i + 1
			}
		}
	}
	for c := range nColumns {
		if i := d.at[c]; i > 0 {
			if l.Header {
				r.met(c, "column %d %q", i, strings.TrimSpace(l.names[i-1]))
			} else {
				r.met(c, "column %d", i)
			}
		}
	}
	for _, n := range l.Notes {
		r.notes.plain("%s", n)
	}
	r.setCRS("", opt)
	if d.at[colLongitude] > 0 {
		d.x, d.y = colLongitude, colLatitude
		if opt.CRS == "" {
			return &Problem{File: r.header.File, Line: 1, What: "the points are longitudes and latitudes, and nothing says of which system", Remedy: `say which (points.crs = "EPSG:4258", for instance)`}
		}
		r.header.Axes = Geographic
	} else if r.header.Axes == Unstated {
		r.header.Axes = Plane
	} else if r.header.Axes == Geographic {
		return &Problem{File: r.header.File, Line: 1, What: fmt.Sprintf("the columns are easting and northing, but %s is a system of longitudes and latitudes", clip(opt.CRS)), Remedy: "name the projected system, or call the columns longitude and latitude"}
	}
	d.axes = r.header.Axes
	d.rows = r.rows(opt)
	d.rows.delimited, d.rows.decimal = true, l.Decimal
	most := 0
	if l.Separator == " " && restOfLine(l.Columns) {
		most = len(l.Columns)
	}
	d.t = newTable(bufio.NewReaderSize(onlyReader{in}, sampleSize), l.Separator, most, true)
	if l.Header {
		if _, _, err := d.t.read(); err != nil {
			return d.syntax(err)
		}
	}
	r.src = d
	return nil
}

// onlyReader hides all but Read, so that a decoder can't go round its bound.
type onlyReader struct{ in *input }

func (r onlyReader) Read(p []byte) (int, error) {
	n, err := r.in.Read(p)
	r.in.ends = r.in.ends[:0] // the table counts lines by itself
	return n, err
}

func (d *delimited) Close() error { return d.in.file.Close() }

func (d *delimited) syntax(err error) error {
	var pe *csv.ParseError
	switch {
	case errors.Is(err, io.EOF):
		return err
	case errors.Is(err, errTooLarge):
		return &Problem{File: d.rows.file, Line: d.t.line, What: "a row after this line does not end", Remedy: "look for a quote that is not closed"}
	case errors.As(err, &pe):
		return &Problem{File: d.rows.file, Line: pe.Line, Column: pe.Column, What: pe.Err.Error(), Remedy: `write a quote inside a quoted text as ""`}
	}
	return &Problem{File: d.rows.file, Line: d.t.line, What: err.Error()}
}

func (d *delimited) next() (Record, error) {
	fields, line, err := d.t.read()
	if err != nil {
		return Record{}, d.syntax(err)
	}
	d.in.done()
	r := row{rowReader: d.rows, rec: Record{Line: line, Where: onLine(line)}}
	if len(fields) != len(d.layout.Columns) {
		remedy := "every row needs the same columns"
		if len(fields) > len(d.layout.Columns) {
			switch d.layout.Separator {
			case ",":
				remedy = `if numbers have a decimal comma, separate the columns by ";" and set points.decimal = "," and points.separator = ";"; put texts with commas in "quotes"`
			default:
				remedy = `put a text that holds the separator in "quotes"`
			}
		}
		r.add(-1, remedy, "%d fields where %d are due", len(fields), len(d.layout.Columns))
		return r.done()
	}
	r.at = func(c column) int {
		if d.at[c] == 0 {
			return 0
		}
		return d.t.column(d.at[c] - 1)
	}
	var v cells
	for c := range nColumns {
		if i := d.at[c]; i > 0 {
			v[c] = fields[i-1]
		}
	}
	x, y := r.num(d.x, strings.TrimSpace(v[d.x])), r.num(d.y, strings.TrimSpace(v[d.y]))
	var z *float64
	if text := strings.TrimSpace(v[colHeight]); text != "" {
		h := r.num(colHeight, text)
		z = &h
	}
	r.position(x, y, z, d.axes)
	r.fill(&v)
	return r.done()
}
