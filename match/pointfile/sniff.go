package pointfile

import (
	"bufio"
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// separators are what may stand between columns, the least ambiguous first; the
// blank means runs of blanks.
const separators = "\t;|, "

// sampleSize is how much of a text is looked at to work out its layout, and
// sampleRows how many rows of that.
const (
	sampleSize = 64 << 10
	sampleRows = 200
)

// Layout is how delimited text is laid out: a plain value, safe for concurrent use. The
// zero Layout has no columns.
type Layout struct {
	// Separator stands between columns: "," ";" "\t" "|", or " " for runs of blanks.
	Separator string `json:"separator"`
	// Decimal is the decimal sign, "." or ",".
	Decimal string `json:"decimal"`
	// Header says that the first row names the columns.
	Header bool `json:"header"`
	// Columns names the columns in order, with the names of ColumnNames, "-" for
	// one that is passed over. It can be given as Options.Columns.
	Columns []string `json:"columns"`
	// Notes say what was worked out, for a user to confirm.
	Notes []string `json:"notes,omitempty"`

	// names are the headings, where there is a header.
	names []string
}

// String tells separator, decimal sign and header.
func (l Layout) String() string {
	sep := map[string]string{",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars", " ": "blanks"}[l.Separator]
	dec := map[string]string{",": "comma"}[l.Decimal]
	head := map[bool]string{true: "a header", false: "no header"}[l.Header]
	return fmt.Sprintf("separated by %s, decimal %s, %s", sep, cmp.Or(dec, "point"), head)
}

// candidate is one way to split the sample.
type candidate struct {
	sep    string
	rows   [][]string
	fields int // the most common number of fields
	fit    int // rows that have it
	fewest int // the smallest number of fields
	err    error
}

// restOfLine reports whether the last of columns between blanks is a text, which
// goes to the end of the line and may hold blanks itself.
func restOfLine(names []string) bool {
	last := names[len(names)-1]
	return last == columnNames[colDesc] || last == skip
}

// like returns the data rows that have the common number of fields.
func (c *candidate) like(from int) [][]string {
	return slices.DeleteFunc(slices.Clone(c.rows[min(from, len(c.rows)):]), func(r []string) bool { return len(r) != c.fields })
}

// sniffer works out the layout of one sample.
type sniffer struct {
	file   string
	opt    Options
	fields fieldMap
}

func (s *sniffer) problem(remedy, format string, args ...any) error {
	return &Problem{File: s.file, Line: 1, What: fmt.Sprintf(format, args...), Remedy: remedy}
}

// sniff works out how delimited text is laid out, from its first 64 KiB; whole says
// that this is all of it. What opt states is taken as it is.
//
// The separator is the one that splits the rows alike and leaves numbers where
// numbers are due. A first row whose headings are understood is a header. Without
// one, the id comes first unless that column can't be one, easting and northing
// stand side by side (common practice, no source), and which is which is told by
// Options.East and Options.North: if both orders fit, or none, or if nothing is
// known of the area, the error is a *Problem that asks for the columns. The
// tighter the area, the more often it can be told: the box around the photos' own
// tags serves better than the area of use of the grid.
func sniff(file string, sample []byte, whole bool, opt Options, fields fieldMap) (Layout, error) {
	s := sniffer{file, opt, fields}
	bareCR := bytes.IndexByte(sample, '\r') >= 0 && bytes.IndexByte(sample, '\n') < 0
	if !whole { // the last line is cut off
		sample = sample[:bytes.LastIndexByte(sample, '\n')+1]
	}
	switch empty := len(bytes.TrimSpace(sample)) == 0; {
	case bareCR:
		return Layout{}, s.problem("save it with LF or CRLF line ends", "the lines end with a bare CR")
	case empty && whole:
		return Layout{}, &Problem{File: file, What: "the file is empty", Remedy: "it needs at least one row"}
	case empty:
		return Layout{}, s.problem("give delimited text, one point a line", "the first line is longer than %d KiB", sampleSize>>10)
	}
	var cands []candidate
	for _, sep := range s.separators() {
		cands = append(cands, split(sample, string(sep), whole))
	}
	if len(opt.Columns) > 0 {
		return s.given(cands)
	}
	for i := range cands {
		if l, ok, err := s.headed(&cands[i]); ok || err != nil {
			return l, err
		}
	}
	return s.headless(cands)
}

// separators are those that may be meant.
func (s *sniffer) separators() string {
	if s.opt.Separator == "" && s.opt.Decimal == "," {
		return strings.ReplaceAll(separators, ",", "")
	}
	return cmp.Or(s.opt.Separator, separators)
}

// split splits the sample by one separator.
func split(sample []byte, sep string, whole bool) candidate {
	c := candidate{sep: sep}
	t := newTable(bufio.NewReader(bytes.NewReader(sample)), sep, 0, false)
	for len(c.rows) < sampleRows {
		row, _, err := t.read()
		if err != nil {
			if !errors.Is(err, io.EOF) && (whole || len(c.rows) == 0) {
				c.err = err
			}
			break
		}
		c.rows = append(c.rows, slices.Clone(row))
	}
	counts := map[int]int{}
	for _, r := range c.rows {
		n := len(r)
		counts[n]++
		if c.fewest == 0 || n < c.fewest {
			c.fewest = n
		}
		if counts[n] > c.fit || counts[n] == c.fit && n > c.fields {
			c.fields, c.fit = n, counts[n]
		}
	}
	return c
}

// given takes the columns that the user names; a header may be there all the same.
func (s *sniffer) given(cands []candidate) (Layout, error) {
	names, err := s.named()
	if err != nil {
		return Layout{}, err
	}
	c, err := s.suits(cands, names)
	if err != nil {
		return Layout{}, err
	}
	l := Layout{Separator: c.sep, Columns: names}
	if first := c.rows[0]; len(first) == len(names) {
		l.Header = s.saysThese(first, names)
		if !l.Header {
			if err := s.disagree(first, names); err != nil {
				return Layout{}, err
			}
			if l.Header = wordsForNumbers(first, names) && len(c.rows) > 1; l.Header {
				l.note("the first row, %s, is taken for a header", quoteAll(first))
			}
		}
		if l.Header {
			l.names = first
		}
	}
	return s.withDecimal(l, c)
}

// named reads Options.Columns.
func (s *sniffer) named() ([]string, error) {
	names := make([]string, len(s.opt.Columns))
	var at [nColumns]int // counted from 1
	for i, n := range s.opt.Columns {
		names[i] = skip
		if k := Key(n); k == "" || k == skip {
			continue
		}
		c, ok := s.fields.look(n)
		if !ok {
			c, ok = headings[Key(n)]
		}
		if !ok {
			return nil, s.problem(`use "-" for a column to pass over; the known ones are `+strings.Join(columnNames[:], ", "), "points.columns: %q is not a column known here", n)
		}
		if at[c] > 0 {
			return nil, s.problem(`use "-" for the one to pass over`, "points.columns: the %s and the %s column are both said to be the %s", nth(at[c]), nth(i+1), columnNames[c])
		}
		at[c] = i + 1
		names[i] = columnNames[c]
	}
	return names, s.required(names, `name them too: points.columns = ["id", "easting", "northing", …], with "-" for a column to pass over`, "points.columns names")
}

// suits finds the way to split the rows that gives as many columns as are named.
func (s *sniffer) suits(cands []candidate, names []string) (*candidate, error) {
	var c *candidate
	for i := range cands {
		if cands[i].fields == len(names) && (c == nil || cands[i].fit > c.fit) {
			c = &cands[i]
		}
	}
	last := &cands[len(cands)-1]
	// Where the separator is given, every row will say what is wrong with it.
	if c == nil && (last.sep == " " && restOfLine(names) && last.fewest >= len(names) || len(cands) == 1) {
		c = last
	}
	if c == nil {
		got := listAll(cands, ", ", func(c candidate) string { return fmt.Sprintf("%q gives %d", c.sep, c.fields) })
		return nil, s.problem("name every column, with \"-\" for one to pass over, or set points.separator", "no separator splits the rows into the %d columns named: %s", len(names), got)
	}
	if c.err != nil && len(c.rows) == 0 {
		return nil, s.syntax(c.err)
	}
	return c, nil
}

// saysThese reports whether a row is a header with the columns named.
func (s *sniffer) saysThese(row, names []string) bool {
	for i, f := range row {
		if col, ok := s.fields.look(f); names[i] != skip && (!ok || columnNames[col] != names[i]) {
			return false
		}
	}
	return true
}

// disagree tells of a first row that is a header, but not of the columns named.
func (s *sniffer) disagree(first, names []string) error {
	for i, f := range first {
		if isCoordinate(names[i]) && (isNumber(f, ".") || isNumber(f, ",")) {
			return nil // the row is data
		}
	}
	for i, f := range first {
		if c, ok := s.fields.look(f); ok && names[i] != skip && columnNames[c] != names[i] {
			return s.problem("make the two agree, or leave points.columns out", "the header says %q where columns in phototie.toml says %q", clip(f), clip(strings.TrimSpace(s.opt.Columns[i])))
		}
	}
	return nil
}

// isCoordinate reports whether a column of this name is a coordinate of the
// position.
func isCoordinate(name string) bool {
	return slices.Contains(columnNames[colEasting:colLatitude+1], name)
}

// wordsForNumbers reports whether a row has words where the coordinates are due.
func wordsForNumbers(row, names []string) bool {
	for i, f := range row {
		if isCoordinate(names[i]) && (strings.TrimSpace(f) == "" || strings.ContainsAny(f, "0123456789")) {
			return false
		}
	}
	return true
}

// headed takes a first row whose headings name the columns that are needed.
func (s *sniffer) headed(c *candidate) (Layout, bool, error) {
	if len(c.rows) == 0 {
		return Layout{}, false, nil
	}
	first := c.rows[0]
	l := Layout{Separator: c.sep, Header: true, Columns: s.meanings(first), names: first}
	// A column W beside eastings is something else, the width for instance.
	for _, two := range [][2]column{{colEasting, colWesting}, {colNorthing, colSouthing}} {
		if i := slices.Index(l.Columns, columnNames[two[1]]); i >= 0 && slices.Contains(l.Columns, columnNames[two[0]]) {
			l.Columns[i] = skip
		}
	}
	if s.required(l.Columns, "", "") != nil {
		return Layout{}, false, nil
	}
	// Headings of one letter could be data: "p 1 2".
	for i, name := range l.Columns {
		if isCoordinate(name) && (isNumber(first[i], ".") || isNumber(first[i], ",")) {
			return Layout{}, false, nil
		}
	}
	if err := s.unambiguous(&l); err != nil {
		return Layout{}, false, err
	}
	l, err := s.withDecimal(l, c)
	return l, err == nil, err
}

// unambiguous reports columns that mean the same, and the user's own names for
// columns that are not there.
func (s *sniffer) unambiguous(l *Layout) error {
	for i, name := range l.Columns {
		if j := slices.Index(l.Columns, name); name != skip && j != i {
			one, two := strings.TrimSpace(l.names[j]), strings.TrimSpace(l.names[i])
			return s.problem(fmt.Sprintf(`say which one is meant, for instance points.fields = { "%s" = "%s" }, or rename the other`, two, name),
				"columns %d and %d both say %s (%q and %q)", j+1, i+1, name, one, two)
		}
	}
	for name := range s.opt.Fields {
		if !slices.ContainsFunc(l.names, func(f string) bool { return Key(f) == Key(name) }) {
			return s.problem("name a heading that is there: "+quoteAll(l.names), "points.fields: there is no column %q", name)
		}
	}
	return nil
}

// meanings gives the names of the columns that the headings of a row mean.
func (s *sniffer) meanings(row []string) []string {
	names := make([]string, len(row))
	for i, f := range row {
		names[i] = skip
		if c, ok := s.fields.look(f); ok {
			names[i] = columnNames[c]
		}
	}
	return names
}

// columnsApart are those that no file has side by side.
var columnsApart = []struct {
	these, those []column
	what         string
}{
	{[]column{colLongitude, colLatitude}, []column{colEasting, colWesting, colNorthing, colSouthing}, "eastings or northings and longitudes or latitudes"},
	{[]column{colEasting}, []column{colWesting}, "eastings and westings"},
	{[]column{colNorthing}, []column{colSouthing}, "northings and southings"},
}

// required reports the columns that are missing.
func (s *sniffer) required(names []string, remedy, who string) error {
	has := func(list []column) bool {
		return slices.ContainsFunc(list, func(c column) bool { return slices.Contains(names, columnNames[c]) })
	}
	for _, a := range columnsApart {
		if has(a.these) && has(a.those) {
			return s.problem(`pass over the one that is not meant, with points.fields = { … = "-" }`, "%s %s too", who, a.what)
		}
	}
	need := [][]column{{colID}, {colEasting, colWesting}, {colNorthing, colSouthing}}
	if has([]column{colLongitude, colLatitude}) {
		need = [][]column{{colID}, {colLongitude}, {colLatitude}}
	}
	var missing []string
	for _, either := range need {
		if !has(either) {
			missing = append(missing, columnNames[either[0]])
		}
	}
	if len(missing) > 0 {
		return s.problem(remedy, "%s no column for %s", who, strings.Join(missing, ", "))
	}
	return nil
}

// thousands is a number that may have a comma between thousands or before the
// decimals.
var thousands = regexp.MustCompile(`^[+-]?[1-9][0-9]{0,2}(,[0-9]{3})+$`)

// withDecimal finds the decimal sign from the coordinates.
func (s *sniffer) withDecimal(l Layout, c *candidate) (Layout, error) {
	l.Decimal = cmp.Or(s.opt.Decimal, ".")
	if s.opt.Decimal != "" || l.Separator == "," {
		return l, nil
	}
	comma, thousand, point := c.signs(l)
	switch {
	case comma > point:
		l.Decimal = ","
	case thousand > 0 && comma == 0 && point == 0:
		// 558,204 may be 558.204 or 558204.
		return l, s.problem(`set points.decimal = "," if it is a decimal sign, or write the numbers without it`, "the commas in the numbers may stand before decimals or between thousands")
	}
	return l, nil
}

// signs counts the coordinates with a comma before decimals, with one that may stand
// between thousands, and with a point.
func (c *candidate) signs(l Layout) (comma, thousand, point int) {
	rows := c.rows
	if l.Header {
		rows = rows[1:]
	}
	for _, row := range rows {
		for i, f := range row[:min(len(row), len(l.Columns))] {
			switch {
			case !isCoordinate(l.Columns[i]):
			case thousands.MatchString(f):
				thousand++
			case strings.Contains(f, ",") && isNumber(f, ","):
				comma++
			case strings.Contains(f, "."):
				point++
			}
		}
	}
	return comma, thousand, point
}

// isNumber is ParseNumber for a guess: a decimal sign needs a digit behind it.
func isNumber(text, decimal string) bool {
	text = strings.TrimSpace(text)
	if strings.HasSuffix(text, decimal) {
		return false
	}
	_, err := ParseNumber(text, decimal)
	return err == nil
}

// kind is what a column of a headless text holds.
type kind struct {
	numbers  bool // every cell that is not empty, of one at least
	fraction bool // some cell has decimals
	empty    bool // some cell
	unique   bool
	blanks   bool // some cell has blanks inside
	times    bool
	in       [2]bool // all cells within East, within North
	first    string  // the first cell that is not empty
}

// numeric reports whether each cell has a number.
func (k kind) numeric() bool { return k.numbers && !k.empty }

func (k kind) canBeID() bool { return !k.empty && k.unique && !(k.numbers && k.fraction) && !k.times }

func (s *sniffer) kinds(rows [][]string, fields int, decimal string) []kind {
	out := make([]kind, fields)
	for i := range out {
		out[i] = s.kind(rows, i, decimal)
	}
	return out
}

func (s *sniffer) kind(rows [][]string, column int, decimal string) kind {
	k := kind{numbers: true, unique: true, times: true, in: [2]bool{s.opt.East.known(), s.opt.North.known()}}
	seen := map[string]bool{}
	for _, row := range rows {
		f := strings.TrimSpace(row[column])
		if f == "" {
			k.empty = true
			continue
		}
		k.first = cmp.Or(k.first, f)
		k.unique = k.unique && !seen[f]
		seen[f] = true
		k.blanks = k.blanks || strings.ContainsAny(f, " \t")
		if _, err := parseTime(f, time.UTC, DayMonth); err != nil {
			k.times = false
		}
		if !isNumber(f, decimal) {
			k.numbers = false
			continue
		}
		v, _ := ParseNumber(f, decimal)
		k.fraction = k.fraction || v != math.Trunc(v) || strings.Contains(f, decimal)
		k.in[0] = k.in[0] && s.opt.East.contains(v)
		k.in[1] = k.in[1] && s.opt.North.contains(v)
	}
	if k.first == "" {
		return kind{empty: true}
	}
	return k
}

// guess is a headless reading of a candidate.
type guess struct {
	Layout
	key string // id, easting and northing of the first row: what matters
}

// guesses reads each candidate, and tells why the first one can't be read.
func (s *sniffer) guesses(cands []candidate) (found []guess, first error) {
	for i := range cands {
		c := &cands[i]
		if c.fields < 3 || c.fit*4 < len(c.rows)*3 {
			continue
		}
		for _, dec := range []string{".", ","} {
			if dec != cmp.Or(s.opt.Decimal, dec) || dec == "," && c.sep == "," {
				continue
			}
			g, ok, err := s.columns(c, dec)
			first = cmp.Or(first, err)
			if ok && !slices.ContainsFunc(found, func(o guess) bool { return o.key == g.key }) {
				found = append(found, g)
			}
		}
	}
	return found, first
}

// headless works out the columns of a text that has no header.
func (s *sniffer) headless(cands []candidate) (Layout, error) {
	found, first := s.guesses(cands)
	switch {
	case len(found) == 1:
		return found[0].Layout, nil
	case len(found) > 1:
		return Layout{}, s.problem("set points.separator and points.decimal", "the rows can be split in more than one way: as %q or as %q", found[0].key, found[1].key)
	case first != nil:
		return Layout{}, first
	}
	for _, c := range cands {
		if c.err != nil && c.fields >= 3 || c.err != nil && len(cands) == 1 {
			return Layout{}, s.syntax(c.err)
		}
	}
	best := slices.MaxFunc(cands, func(a, b candidate) int { return a.fields*a.fit - b.fields*b.fit })
	if len(best.rows) == 0 {
		return Layout{}, s.problem("give delimited text, one point a row", "no rows can be read")
	}
	return Layout{}, s.problem(`give the text a header such as "id,easting,northing,height,code,description", or name points.separator and points.columns`,
		"the first row is not a header known here, and no separator shows an id and two coordinates; the row says %s", clip(strings.Join(best.rows[0], " ")))
}

// syntax tells of rows that can't be split.
func (s *sniffer) syntax(err error) error {
	if p := badQuote(s.file, err); p != nil {
		return p
	}
	return err
}

const nameColumns = `name the columns in order, for instance points.columns = ["id", "easting", "northing", "height", "code", "description"], or give the text a header`

// headlessTable is a text without a header whose columns are to be named.
type headlessTable struct {
	*sniffer
	kinds []kind
	Layout
}

// hasHeader reports whether the first row stands over a table of points.
func (s *sniffer) hasHeader(c *candidate, dec string) bool {
	rest := c.like(1)
	return len(c.rows) > 1 && len(c.rows[0]) == c.fields && len(rest) > 0 && numeric(s.kinds(rest, c.fields, dec)) >= 2
}

// columns tries to name the columns of one candidate. ok is false where the
// candidate is no table of points, err says why one that is can't be named.
func (s *sniffer) columns(c *candidate, dec string) (g guess, ok bool, err error) {
	rows := c.like(0)
	t := headlessTable{s, s.kinds(rows, c.fields, dec), Layout{Separator: c.sep, Decimal: dec, Columns: slices.Repeat([]string{skip}, c.fields)}}
	if numeric(t.kinds) < 2 {
		if s.hasHeader(c, dec) {
			return g, false, s.unknownHeader(c.rows[0])
		}
		return g, false, nil
	}
	if !s.opt.East.known() || !s.opt.North.known() {
		return g, false, t.refuse("", "so no column for id, easting, northing is known, and without the grid's area easting and northing can't be told apart")
	}
	e, n, err := t.findPosition()
	if err != nil {
		return g, false, err
	}
	id, err := t.findID()
	if err != nil {
		return g, false, err
	}
	t.note("eastings and northings were told apart by the grid's area: easting in column %d, northing in column %d", e+1, n+1)
	if z := max(e, n) + 1; z < c.fields && t.free(z) && t.kinds[z].numbers && t.kinds[z].fraction {
		t.Columns[z] = "height"
		t.note("column %d, the number after them, is taken for the height", z+1)
	}
	t.nameRest()
	return guess{t.Layout, strings.Join([]string{rows[0][id], rows[0][e], rows[0][n]}, " ")}, true, nil
}

// numeric counts the columns that have a number in each row.
func numeric(kinds []kind) (n int) {
	for _, k := range kinds {
		if k.numeric() {
			n++
		}
	}
	return n
}

// refuse tells why the columns can't be named.
func (t *headlessTable) refuse(remedy, format string, args ...any) error {
	first := listAll(t.kinds, " ", func(k kind) string { return strconv.Quote(clip(k.first)) })
	return t.problem(nameColumns+remedy, "the text has no header, %s; the first row says %s", fmt.Sprintf(format, args...), first)
}

// free reports whether a column has no name yet.
func (t *headlessTable) free(i int) bool { return t.Columns[i] == skip }

// findPosition names the two columns side by side that are easting and northing.
func (t *headlessTable) findPosition() (e, n int, err error) {
	type pair struct{ e, n int }
	var pairs []pair
	idFirst := t.kinds[0].canBeID()
	for i := range len(t.kinds) - 1 {
		a, b := t.kinds[i], t.kinds[i+1]
		if !a.numeric() || !b.numeric() || idFirst && i == 0 {
			continue
		}
		if a.in[0] && b.in[1] {
			pairs = append(pairs, pair{i, i + 1})
		}
		if b.in[0] && a.in[1] {
			pairs = append(pairs, pair{i + 1, i})
		}
	}
	switch len(pairs) {
	case 0:
		return 0, 0, t.refuse("; if the points are on another grid, name that one (grid.crs)", "and no two columns side by side hold eastings from %.0f to %.0f and northings from %.0f to %.0f",
			t.opt.East.Min, t.opt.East.Max, t.opt.North.Min, t.opt.North.Max)
	case 1:
		p := pairs[0]
		t.Columns[p.e], t.Columns[p.n] = "easting", "northing"
		return p.e, p.n, nil
	}
	return 0, 0, t.refuse("", "and more than one pair of columns can be easting and northing: columns %d and %d, or %d and %d",
		pairs[0].e+1, pairs[0].n+1, pairs[1].e+1, pairs[1].n+1)
}

// findID names the id: the first column, or the only one that can be.
func (t *headlessTable) findID() (int, error) {
	id := -1
	for i, k := range t.kinds {
		if !t.free(i) || !k.canBeID() || id == 0 {
			continue
		}
		if id > 0 {
			return 0, t.refuse("", "and columns %d and %d can both be the id", id+1, i+1)
		}
		id = i
	}
	if id < 0 {
		return 0, t.refuse("", "and no column can be the id: each has an empty cell, a value twice, or decimals")
	}
	t.Columns[id] = "id"
	return id, nil
}

// nameRest names the columns of times and texts, and notes what is not read.
func (t *headlessTable) nameRest() {
	var texts []int
	for i, k := range t.kinds {
		switch {
		case !t.free(i) || k.first == "":
		case k.numbers:
			t.note("column %d holds numbers (%s) and is passed over", i+1, clip(k.first))
		case !k.times:
			texts = append(texts, i)
		case !slices.Contains(t.Columns, "observed"):
			t.Columns[i] = "observed"
			t.note("column %d is taken for the time of observation", i+1)
		}
	}
	switch {
	case len(texts) == 1:
		t.Columns[texts[0]] = "description"
		texts = nil
	case len(texts) > 1 && !t.kinds[texts[0]].blanks:
		t.Columns[texts[0]], t.Columns[texts[1]] = "code", "description"
		texts = texts[2:]
	}
	for _, i := range texts {
		t.note("column %d holds text (%s) and is passed over", i+1, clip(t.kinds[i].first))
	}
}

func (l *Layout) note(format string, args ...any) {
	l.Notes = append(l.Notes, fmt.Sprintf(format, args...))
}

// unknownHeader tells of a first row that is a header, but not one known here.
func (s *sniffer) unknownHeader(first []string) error {
	err := s.required(s.meanings(first), "say what they mean, as in points.fields = { \"X\" = \"easting\" }, or name the columns in order; the columns there are: "+strings.Join(columnNames[:], ", "), "the header has")
	if p := (*Problem)(nil); errors.As(err, &p) {
		p.What += "; it says " + quoteAll(first)
	}
	return err
}

// listAll writes a list for a message, no more than its first twelve.
func listAll[T any](list []T, sep string, text func(T) string) string {
	var out []string
	for _, v := range list[:min(len(list), 12)] {
		out = append(out, text(v))
	}
	if len(list) > len(out) {
		out[len(out)-1] += " …"
	}
	return strings.Join(out, sep)
}

func quoteAll(row []string) string {
	return listAll(row, " ", func(f string) string { return strconv.Quote(clip(f)) })
}

func nth(n int) string {
	if n%10 > 3 || n%100/10 == 1 {
		return fmt.Sprintf("%dth", n)
	}
	return fmt.Sprintf("%d%s", n, [...]string{"th", "st", "nd", "rd"}[n%10])
}
