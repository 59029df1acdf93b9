package dataset

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"

	"example.com/phototie/match/pointfile"
)

// bom is the byte order mark that some programs put before UTF-8 text.
const bom = "\uFEFF"

const noSuchFile = "there is no such file"

func validSeparator(s string) bool {
	switch s {
	case ",", ";", "\t", "|":
		return true
	}
	return false
}

// table reads delimited text row by row, by column name.
type table struct {
	ps     problems
	r      *csv.Reader
	in     *rowLimit
	closer io.Closer
	// want tells the columns known: a normalised heading to the column it means.
	want map[string]string
	// names are those columns in the order in which they are best listed.
	names []string
	// at is where each column stands.
	at     map[string]int
	fields int
	row    []string
	first  []string // a first row that is data, still to be handed out
	notes  []string // what was assumed
	line   int
}

// openTable opens a delimited file of names' columns. Where columns is nil the
// first row must be a header. Headings are looked up in want by their
// pointfile.Key. An empty separator is worked out from the first row.
func openTable(fsys fs.FS, file, separator string, columns []string, want map[string]string, names, required []string) (*table, error) {
	f, err := fsys.Open(file)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, &Problem{File: file, What: noSuchFile, Remedy: "put it into the dataset's folder or name the right one in " + SettingsFile}
		}
		return nil, &Problem{File: file, What: err.Error()}
	}
	in := &rowLimit{r: f}
	br := bufio.NewReaderSize(in, 64<<10)
	if b, err := br.Peek(len(bom)); err == nil && string(b) == bom {
		br.Discard(len(bom))
	}
	if b, _ := br.Peek(2); len(b) == 2 && (b[0] == 0xFF && b[1] == 0xFE || b[0] == 0xFE && b[1] == 0xFF) {
		f.Close()
		return nil, &Problem{File: file, Line: 1, What: "the text is UTF-16", Remedy: "save it as UTF-8"}
	}
	t := &table{ps: problems{file: file}, r: csv.NewReader(br), closer: f, in: in, want: want, names: names, at: map[string]int{}}
	if separator == "" {
		separator = t.sniff(br, len(columns))
	}
	t.r.Comma = []rune(separator)[0]
	t.r.FieldsPerRecord = -1
	t.r.ReuseRecord = true
	t.r.TrimLeadingSpace = t.r.Comma != '\t'
	if err := t.header(columns, required); err != nil {
		f.Close()
		return nil, err
	}
	return t, nil
}

// header works out which column is what: by the columns given, else by the first row.
func (t *table) header(columns, required []string) error {
	row, err := t.r.Read()
	t.in.done = t.r.InputOffset()
	if errors.Is(err, io.EOF) {
		return &Problem{File: t.ps.file, What: "the file is empty", Remedy: "it needs at least one row"}
	}
	if err != nil {
		return t.syntax(err)
	}
	t.line, _ = t.r.FieldPos(0)
	given := len(columns) > 0
	names := columns
	if !given {
		names = slices.Clone(row)
	}
	t.fields = len(names)
	if err := t.assign(names, given); err != nil {
		return err
	}
	// With columns given the first row is a header if it says nothing but names.
	headed := !given || !slices.ContainsFunc(row, func(f string) bool { return pointfile.Key(f) != "" && t.want[pointfile.Key(f)] == "" })
	if given && headed {
		if err := t.agrees(row, names); err != nil {
			return err
		}
	}
	if err := t.complete(required, row, given); err != nil {
		return err
	}
	switch {
	case headed:
	case t.wordsForNumbers(row):
		t.notes = append(t.notes, fmt.Sprintf("the first row of %s, %s, is taken for a header", t.ps.file, clipTo(fmt.Sprintf("%q", row), 200)))
	default:
		t.first = slices.Clone(row)
	}
	return nil
}

// assign says where each column stands. A name that is not known is the user's own
// where it is in the file, and an error where it is given in the settings.
func (t *table) assign(names []string, given bool) error {
	for i, n := range names {
		k := pointfile.Key(n)
		if k == "" || k == "-" {
			continue
		}
		col, ok := t.want[k]
		if !ok && given {
			return &Problem{File: SettingsFile, What: fmt.Sprintf("columns of %s: %q is not a column known here", t.ps.file, n),
				Remedy: `use "-" for a column to pass over; the known ones are ` + t.known()}
		}
		if !ok {
			continue
		}
		if before, dup := t.at[col]; dup {
			return &Problem{File: t.ps.file, Line: 1, What: fmt.Sprintf("columns %d and %d both say %s", before+1, i+1, col), Remedy: "rename the one that is not meant"}
		}
		t.at[col] = i
	}
	return nil
}

// agrees holds a header against the columns that the settings give.
func (t *table) agrees(row, names []string) error {
	for i, f := range row {
		if i >= len(names) || pointfile.Key(f) == "" || pointfile.Key(names[i]) == "-" {
			continue
		}
		if t.want[pointfile.Key(f)] != t.want[pointfile.Key(names[i])] {
			return &Problem{File: t.ps.file, Line: 1, Column: i + 1, What: fmt.Sprintf("the header says %q where columns in %s says %q", f, SettingsFile, names[i]),
				Remedy: "make the two agree, or drop columns from the settings"}
		}
	}
	return nil
}

// complete makes sure that no required column is missing.
func (t *table) complete(required, row []string, given bool) error {
	missing := slices.DeleteFunc(slices.Clone(required), func(c string) bool {
		_, ok := t.at[c]
		return ok
	})
	if len(missing) == 0 {
		return nil
	}
	what := "no column for " + strings.Join(missing, ", ")
	if !given {
		shown := make([]string, len(row))
		for i, f := range row {
			shown[i] = fmt.Sprintf("%q", clip(f))
		}
		what += "; the first row says " + clipTo(strings.Join(shown, " "), 200)
	}
	return &Problem{File: t.ps.file, Line: 1, What: what,
		Remedy: fmt.Sprintf("name them in a header, or in %s as columns = [\"id\", …]; the known ones are %s", SettingsFile, t.known())}
}

// wordsForNumbers reports whether a row has words where the coordinates of control
// pairs are due, so that it is a header in the user's own words.
func (t *table) wordsForNumbers(row []string) bool {
	found := false
	for _, c := range []string{"site_e", "site_n", "base_e", "base_n"} {
		i, ok := t.at[c]
		if !ok {
			continue
		}
		if i >= len(row) || strings.TrimSpace(row[i]) == "" || strings.ContainsAny(row[i], "0123456789") {
			return false
		}
		found = true
	}
	return found
}

// known lists the column names that the table understands.
func (t *table) known() string { return strings.Join(t.names, ", ") }

// sniff works out the separator from the first row: the one that gives as many
// columns as are named or, where none are named, the most headings that are
// understood. A comma wins where nothing does better.
func (t *table) sniff(br *bufio.Reader, columns int) string {
	head, _ := br.Peek(br.Size()) // a short file is all there is
	best, most := ",", 0
	for _, sep := range []string{",", ";", "\t", "|"} {
		r := csv.NewReader(bytes.NewReader(head))
		r.Comma = []rune(sep)[0]
		row, _ := r.Read() // none where it can't be read so
		n := 0
		for _, f := range row {
			if columns == 0 && t.want[pointfile.Key(f)] != "" || len(row) == columns {
				n++
			}
		}
		if n > most {
			best, most = sep, n
		}
	}
	return best
}

// next moves to the next row that is not blank. Rows of the wrong length are
// noted as problems and passed over.
func (t *table) next() bool {
	for {
		if t.first != nil {
			t.row, t.first = t.first, nil
		} else {
			row, err := t.r.Read()
			if errors.Is(err, io.EOF) {
				return false
			}
			if err != nil {
				t.ps.list = append(t.ps.list, t.syntax(err))
				return false
			}
			t.row = row
			t.line, _ = t.r.FieldPos(0)
			t.in.done = t.r.InputOffset()
		}
		blank := true
		for _, f := range t.row {
			if strings.TrimSpace(f) != "" {
				blank = false
				break
			}
		}
		if blank {
			continue
		}
		if len(t.row) != t.fields {
			remedy := "every row needs the same columns"
			if len(t.row) > t.fields && t.r.Comma == ',' {
				remedy = `if numbers have a decimal comma, separate the columns by ";" and set decimal = "," and separator = ";"; put texts with commas in "quotes"`
			}
			t.ps.add(t.line, 0, remedy, "%d fields where %d are due", len(t.row), t.fields)
			continue
		}
		return true
	}
}

// get returns the text of a column in the present row, trimmed; empty where the
// table lacks the column.
func (t *table) get(col string) string {
	i, ok := t.at[col]
	if !ok {
		return ""
	}
	return strings.TrimSpace(t.row[i])
}

// column gives the byte column at which col stands in the present row.
func (t *table) column(col string) int {
	i, ok := t.at[col]
	if !ok {
		return 0
	}
	_, c := t.r.FieldPos(i)
	return c
}

// maxRow bounds one row of a table, in bytes.
const maxRow = 1 << 20

// rowLimit reads a table and stops where a row gets too long, so that a file
// without line ends, or with a quote that nothing closes, does not fill the
// memory.
type rowLimit struct {
	r    io.Reader
	read int64
	done int64 // where the last whole row ended
}

var errLongRow = fmt.Errorf("a row takes more than %d KiB", maxRow>>10)

func (l *rowLimit) Read(p []byte) (int, error) {
	if l.read-l.done > maxRow {
		return 0, errLongRow
	}
	n, err := l.r.Read(p)
	l.read += int64(n)
	return n, err
}

func (t *table) syntax(err error) error {
	if errors.Is(err, errLongRow) {
		return &Problem{File: t.ps.file, Line: t.line + 1, What: errLongRow.Error(), Remedy: "look for a quote that is not closed; give delimited text, one row a line"}
	}
	var pe *csv.ParseError
	if errors.As(err, &pe) {
		return &Problem{File: t.ps.file, Line: pe.Line, Column: pe.Column, What: pe.Err.Error(), Remedy: `write a quote inside a quoted text as ""`}
	}
	return &Problem{File: t.ps.file, What: err.Error()}
}

func clip(s string) string { return clipTo(s, 40) }

func clipTo(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return string(r[:n-1]) + "…"
}
