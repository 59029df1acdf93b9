package pointfile

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"regexp"
	"slices"
	"strconv"
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
		var row []string
		var err error
		if t.csv == nil {
			row, err = t.blanks()
		} else if row, err = t.csv.Read(); err == nil {
			t.line, _ = t.csv.FieldPos(0)
		}
		if err != nil || slices.ContainsFunc(row, func(f string) bool { return strings.TrimSpace(f) != "" }) {
			return row, t.line, err
		}
	}
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
	for rest := strings.TrimLeft(s, " \t"); rest != ""; rest = strings.TrimLeft(rest, " \t") {
		at := len(s) - len(rest) + 1
		last := t.most > 0 && len(t.row) == t.most-1
		field, after, ok := cutField(rest, last)
		if !ok {
			return nil, &csv.ParseError{StartLine: t.line, Line: t.line, Column: at, Err: csv.ErrQuote}
		}
		t.row, t.cols, rest = append(t.row, field), append(t.cols, at), after
	}
	return t.row, nil
}

var quotedField = regexp.MustCompile(`^"((?:[^"]|"")*)"(?:[ \t]|$)`)

// cutField cuts the first field off a text; the last goes to the end of it. ok is
// false where a quote is not closed, or something follows it.
func cutField(s string, last bool) (field, rest string, ok bool) {
	if s[0] == '"' {
		m := quotedField.FindStringSubmatch(s)
		if m == nil {
			return "", "", false
		}
		return strings.ReplaceAll(m[1], `""`, `"`), s[len(m[1])+2:], true
	}
	if last {
		return strings.TrimRight(s, " \t"), "", true
	}
	i := strings.IndexAny(s+" ", " \t")
	return s[:i], s[i:], true
}

var errLongLine = errors.New("the line is too long")

// delimited reads the points of delimited text.
type delimited struct {
	*Reader
	in     *input
	t      *table
	layout *Layout
	at     [nColumns]int // index+1
	x, y   column
}

// findColumns finds which columns of the layout are where.
func (d *delimited) findColumns() {
	for c := range nColumns {
		i := slices.Index(d.layout.Columns, columnNames[c])
		if i < 0 {
			continue
		}
		d.at[c] = i + 1
		name := ""
		if d.layout.Header {
			name = strings.TrimSpace(d.layout.names[i])
		}
		d.met(c, "column "+strconv.Itoa(i+1), name)
	}
}

func (r *Reader) openDelimited(in *input, opt Options) error {
	in.most = maxRow
	in.skipBOM()
	sample, err := in.Peek(sampleSize)
	if err != nil && !errors.Is(err, io.EOF) {
		return r.problem(0, "", "%v", err)
	}
	l, err := sniff(r.header.File, sample, errors.Is(err, io.EOF), opt, r.fields)
	if err != nil {
		return err
	}
	r.header.Format = Delimited
	r.header.Layout = &l
	r.decimal = l.Decimal
	d := &delimited{Reader: r, in: in, layout: &l, x: colEasting, y: colNorthing}
	d.findColumns()
	for _, n := range l.Notes {
		r.notes.plain("%s", n)
	}
	if err := d.system(opt); err != nil {
		return err
	}
	most := 0
	if l.Separator == " " && restOfLine(l.Columns) {
		most = len(l.Columns)
	}
	d.t = newTable(bufio.NewReaderSize(onlyReader{in}, sampleSize), l.Separator, most, true)
	if l.Header {
		if _, _, err := d.t.read(); err != nil {
			return d.explain(err)
		}
	}
	r.src = d
	return nil
}

// system settles the system of the file and which columns have the position.
func (d *delimited) system(opt Options) error {
	d.setCRS("", opt)
	switch {
	case d.at[colLongitude] > 0 && opt.CRS == "":
		return d.problem(1, `say which (points.crs = "EPSG:4258", for instance)`, "the points are longitudes and latitudes, and nothing says of which system")
	case d.at[colLongitude] > 0:
		d.x, d.y = colLongitude, colLatitude
		d.header.Axes = Geographic
	case d.header.Axes == Geographic:
		return d.problem(1, "name the projected system, or call the columns longitude and latitude", "the columns are easting and northing, but %s is a system of longitudes and latitudes", clip(opt.CRS))
	default:
		d.header.Axes = Plane
		if d.at[colWesting] > 0 {
			d.x = colWesting
		}
		if d.at[colSouthing] > 0 {
			d.y = colSouthing
		}
		if d.x == colWesting || d.y == colSouthing {
			d.notes.plain("westings and southings change their sign, since a grid counts to the east and to the north")
		}
	}
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

// explain tells where the text is broken.
func (d *delimited) explain(err error) error {
	if errors.Is(err, errTooLarge) {
		return d.problem(d.t.line, "look for a quote that is not closed", "a row after this line does not end")
	}
	if p := badQuote(d.header.File, err); p != nil {
		return p
	}
	return d.problem(d.t.line, "", "%v", err)
}

// badQuote makes a Problem of an error of the table, nil of others.
func badQuote(file string, err error) *Problem {
	var pe *csv.ParseError
	if !errors.As(err, &pe) {
		return nil
	}
	return &Problem{File: file, Line: pe.Line, Column: pe.Column, What: pe.Err.Error(), Remedy: `write a quote inside a quoted text as ""`}
}

func (d *delimited) next() (Record, error) {
	fields, line, err := d.t.read()
	if err != nil {
		return Record{}, err
	}
	d.in.done()
	r := row{Reader: d.Reader, rec: Record{Line: line, Where: onLine(line)}}
	if len(fields) != len(d.layout.Columns) {
		remedy := "every row needs the same columns"
		if len(fields) > len(d.layout.Columns) {
			remedy = `put a text that holds the separator in "quotes"`
			if d.layout.Separator == "," {
				remedy = `if numbers have a decimal comma, separate the columns by ";" and set points.decimal = "," and points.separator = ";"; put texts with commas in "quotes"`
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
	if d.x == colWesting {
		x = 0 - x // and not -x, which is -0 for 0
	}
	if d.y == colSouthing {
		y = 0 - y
	}
	r.position(x, y, r.height(v[colHeight]))
	r.fill(&v)
	return r.done()
}
