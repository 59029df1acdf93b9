package pointfile

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"
)

// separators are what may stand between columns, the least ambiguous first; the
// blank stands for runs of blanks.
const separators = "\t;|, "

// sampleSize is how much of a text is looked at to work out its layout, and
// sampleRows how many rows of that.
const (
	sampleSize = 64 << 10
	sampleRows = 200
)

// Layout is how delimited text is laid out.
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
	dec, head := "point", "a header"
	if l.Decimal == "," {
		dec = "comma"
	}
	if !l.Header {
		head = "no header"
	}
	return fmt.Sprintf("separated by %s, decimal %s, %s", sep, dec, head)
}

// Sniff works out how delimited text is laid out, from its first 64 KiB. What
// opt states is taken as it is.
//
// The separator is the one that splits the rows alike and leaves numbers where
// numbers are due. A first row whose headings are understood is a header. Without
// one, the id comes first unless that column can't be one, easting and northing
// stand side by side (common practice, no source), and which is which is told by
// Options.East and Options.North: if both orders fit, or none, or if nothing is
// known of the area, the error is a *Problem that asks for the columns. The
// tighter the area, the more often it can be told: the box around the photos' own
// tags serves better than the area of use of the grid.
func Sniff(r io.Reader, opt Options) (Layout, error) {
	if err := opt.check(); err != nil {
		return Layout{}, err
	}
	br := bufio.NewReaderSize(r, sampleSize)
	sample, err := br.Peek(sampleSize)
	if err != nil && !errors.Is(err, io.EOF) {
		return Layout{}, err
	}
	return sniff("", bytes.TrimPrefix(sample, []byte(bom)), errors.Is(err, io.EOF), opt)
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
	var out [][]string
	for _, r := range c.rows[min(from, len(c.rows)):] {
		if len(r) == c.fields {
			out = append(out, r)
		}
	}
	return out
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

func sniff(file string, sample []byte, whole bool, opt Options) (Layout, error) {
	s := sniffer{file: file, opt: opt}
	var err error
	if s.fields, err = newFieldMap(opt.Fields); err != nil {
		return Layout{}, err
	}
	if bytes.IndexByte(sample, '\r') >= 0 && bytes.IndexByte(sample, '\n') < 0 {
		return Layout{}, s.problem("save it with LF or CRLF line ends", "the lines end with a bare CR")
	}
	if !whole {
		i := bytes.LastIndexByte(sample, '\n')
		if i < 0 {
			return Layout{}, s.problem("give delimited text, one point a line", "the first line is longer than %d KiB", sampleSize>>10)
		}
		sample = sample[:i+1]
	}
	if len(bytes.TrimSpace(sample)) == 0 {
		return Layout{}, &Problem{File: file, What: "the file is empty", Remedy: "it needs at least one row"}
	}
	var cands []candidate
	for _, sep := range separators {
		if opt.Separator == "" && (opt.Decimal == "," && sep == ',') {
			continue
		}
		if opt.Separator == "" || opt.Separator == string(sep) {
			cands = append(cands, split(sample, string(sep), whole))
		}
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
	names := make([]string, len(s.opt.Columns))
	var has [nColumns]int
	for i, n := range s.opt.Columns {
		names[i] = skip
		if k := Key(n); k == "" || k == skip {
			continue
		}
		c, ok := s.fields.look(n)
		if !ok {
			if c, ok = headings[Key(n)]; !ok {
				return Layout{}, s.problem(`use "-" for a column to pass over; the known ones are `+strings.Join(columnNames[:], ", "), "points.columns: %q is not a column known here", n)
			}
		}
		if has[c] > 0 {
			return Layout{}, s.problem(`use "-" for the one to pass over`, "points.columns: the %s and the %s column are both said to be the %s", nth(has[c]), nth(i+1), columnNames[c])
		}
		has[c] = i + 1
		names[i] = columnNames[c]
	}
	if err := s.required(func(c column) bool { return has[c] > 0 }, `name them too: points.columns = ["id", "easting", "northing", …], with "-" for a column to pass over`, "points.columns names"); err != nil {
		return Layout{}, err
	}
	var c *candidate
	for i := range cands {
		if cands[i].fields == len(names) && (c == nil || cands[i].fit > c.fit) {
			c = &cands[i]
		}
	}
	if i := len(cands) - 1; c == nil && cands[i].sep == " " && restOfLine(names) && cands[i].fewest >= len(names) {
		c = &cands[i]
	}
	if c == nil {
		if len(cands) == 1 { // the separator is given: every row will say what is wrong with it
			c = &cands[0]
		} else {
			got := make([]string, 0, len(cands))
			for _, c := range cands {
				got = append(got, fmt.Sprintf("%q gives %d", c.sep, c.fields))
			}
			return Layout{}, s.problem("name every column, with \"-\" for one to pass over, or set points.separator", "no separator splits the rows into the %d columns named: %s", len(names), strings.Join(got, ", "))
		}
	}
	if c.err != nil && len(c.rows) == 0 {
		return Layout{}, c.err
	}
	l := Layout{Separator: c.sep, Columns: names}
	if first := c.rows[0]; len(first) == len(names) {
		l.Header = true
		for i, f := range first {
			if col, ok := s.fields.look(f); names[i] != skip && (!ok || columnNames[col] != names[i]) {
				l.Header = false
			}
		}
		if l.Header {
			l.names = first
		} else if err := s.disagree(first, names); err != nil {
			return Layout{}, err
		} else if s.wordsForNumbers(first, names) && len(c.rows) > 1 {
			l.Header, l.names = true, first
			l.note("the first row, %s, is taken for a header", quoteAll(first))
		}
	}
	return s.withDecimal(l, c)
}

// disagree tells of a first row that is a header, but not of the columns named.
func (s *sniffer) disagree(first, names []string) error {
	for i, f := range first {
		switch names[i] {
		case "easting", "northing", "longitude", "latitude":
			if isNumber(f, ".") || isNumber(f, ",") {
				return nil // the row is data
			}
		}
	}
	for i, f := range first {
		if c, ok := s.fields.look(f); ok && names[i] != skip && columnNames[c] != names[i] {
			return s.problem("make the two agree, or leave points.columns out", "the header says %q where columns in phototie.toml says %q", clip(f), clip(strings.TrimSpace(s.opt.Columns[i])))
		}
	}
	return nil
}

// wordsForNumbers reports whether a row has words where the coordinates are due.
func (s *sniffer) wordsForNumbers(row, names []string) bool {
	for i, f := range row {
		switch names[i] {
		case "easting", "northing", "longitude", "latitude":
			if strings.TrimSpace(f) == "" || strings.ContainsAny(f, "0123456789") {
				return false
			}
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
	l := Layout{Separator: c.sep, Header: true, Columns: make([]string, len(first)), names: first}
	var at [nColumns]int
	var dup error
	for i, f := range first {
		l.Columns[i] = skip
		col, ok := s.fields.look(f)
		if !ok {
			continue
		}
		if at[col] > 0 {
			dup = s.problem(`say which one is meant, for instance points.fields = { "`+strings.TrimSpace(f)+`" = "`+columnNames[col]+`" }, or rename the other`,
				"columns %d and %d both say %s (%q and %q)", at[col], i+1, columnNames[col], strings.TrimSpace(first[at[col]-1]), strings.TrimSpace(f))
			continue
		}
		at[col] = i + 1
		l.Columns[i] = columnNames[col]
	}
	if s.required(func(c column) bool { return at[c] > 0 }, "", "") != nil {
		return Layout{}, false, nil
	}
	// Headings of one letter could be data: "p 1 2".
	for _, col := range []column{colEasting, colNorthing, colLongitude, colLatitude} {
		if at[col] > 0 && (isNumber(first[at[col]-1], ".") || isNumber(first[at[col]-1], ",")) {
			return Layout{}, false, nil
		}
	}
	if dup != nil {
		return Layout{}, false, dup
	}
	for name := range s.opt.Fields {
		if !slices.ContainsFunc(first, func(f string) bool { return Key(f) == Key(name) }) {
			return Layout{}, false, s.problem("name a heading that is there: "+quoteAll(first), "points.fields: there is no column %q", name)
		}
	}
	l, err := s.withDecimal(l, c)
	return l, err == nil, err
}

// required reports the columns that are missing.
func (s *sniffer) required(has func(column) bool, remedy, who string) error {
	pos := []column{colEasting, colNorthing}
	if has(colLongitude) || has(colLatitude) {
		if has(colEasting) || has(colNorthing) {
			return s.problem(`pass over the pair that is not meant, with points.fields = { … = "-" }`, "%s eastings or northings and longitudes or latitudes too", who)
		}
		pos = []column{colLongitude, colLatitude}
	}
	var missing []string
	for _, c := range append([]column{colID}, pos...) {
		if !has(c) {
			missing = append(missing, columnNames[c])
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
	l.Decimal = s.opt.Decimal
	if l.Decimal != "" {
		return l, nil
	}
	l.Decimal = "."
	if l.Separator == "," {
		return l, nil
	}
	from := 0
	if l.Header {
		from = 1
	}
	comma, thousand, other := 0, 0, 0
	for _, row := range c.rows[min(from, len(c.rows)):] {
		for i, f := range row {
			if i >= len(l.Columns) {
				break
			}
			switch l.Columns[i] {
			case "easting", "northing", "longitude", "latitude":
				switch {
				case thousands.MatchString(f):
					thousand++
				case strings.Contains(f, ",") && isNumber(f, ","):
					comma++
				case strings.Contains(f, "."):
					other++
				}
			}
		}
	}
	switch {
	case comma > other:
		l.Decimal = ","
	case thousand > 0 && comma == 0 && other == 0:
		// 558,204 may be 558.204 or 558204.
		return l, s.problem(`set points.decimal = "," if it is a decimal sign, or write the numbers without it`, "the commas in the numbers may stand before decimals or between thousands")
	}
	return l, nil
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
	numbers  bool // every cell that is not empty
	fraction bool // some cell has decimals
	empty    int
	unique   bool
	blanks   bool // some cell has blanks inside
	times    bool
	in       [2]bool // all cells within East, within North
	first    string
}

func (s *sniffer) kinds(rows [][]string, fields int, decimal string) []kind {
	out := make([]kind, fields)
	for i := range out {
		k := kind{numbers: true, unique: true, times: true, in: [2]bool{s.opt.East.known(), s.opt.North.known()}}
		seen := map[string]bool{}
		for _, row := range rows {
			f := strings.TrimSpace(row[i])
			if f == "" {
				k.empty++
				continue
			}
			if k.first == "" {
				k.first = f
			}
			if seen[f] {
				k.unique = false
			}
			seen[f] = true
			if strings.ContainsAny(f, " \t") {
				k.blanks = true
			}
			if _, err := parseTime(f, nil); err != nil && !errors.Is(err, errNoZone) {
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
		if k.empty == len(rows) {
			k = kind{empty: len(rows)}
		}
		k.numbers = k.numbers && k.empty < len(rows)
		out[i] = k
	}
	return out
}

// guess is a headless reading of a candidate.
type guess struct {
	Layout
	key string // id, easting and northing of the first row: what matters
}

// headless works out the columns of a text that has no header.
func (s *sniffer) headless(cands []candidate) (Layout, error) {
	var found []guess
	var first error
	for i := range cands {
		c := &cands[i]
		if c.fields < 3 || c.fit*4 < len(c.rows)*3 {
			continue
		}
		for _, dec := range []string{".", ","} {
			if s.opt.Decimal != "" && s.opt.Decimal != dec || dec == "," && c.sep == "," {
				continue
			}
			g, ok, err := s.columns(c, dec)
			if err != nil && first == nil {
				first = err
			}
			if ok && !slices.ContainsFunc(found, func(o guess) bool { return o.key == g.key }) {
				found = append(found, g)
			}
		}
	}
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

func (s *sniffer) syntax(err error) error {
	var pe *csv.ParseError
	if errors.As(err, &pe) {
		return &Problem{File: s.file, Line: pe.Line, Column: pe.Column, What: pe.Err.Error(), Remedy: `write a quote inside a quoted text as ""`}
	}
	return err
}

// columns tries to name the columns of one candidate. ok is false where the
// candidate is no table of points, err says why one that is can't be named.
func (s *sniffer) columns(c *candidate, dec string) (g guess, ok bool, err error) {
	rows := c.like(0)
	kinds := s.kinds(rows, c.fields, dec)
	numeric := func(kinds []kind) (out []int) {
		for i, k := range kinds {
			if k.numbers && k.empty == 0 {
				out = append(out, i)
			}
		}
		return out
	}
	nums := numeric(kinds)
	if len(nums) < 2 {
		if rest := c.like(1); len(c.rows) > 1 && len(c.rows[0]) == c.fields && len(rest) > 0 && len(numeric(s.kinds(rest, c.fields, dec))) >= 2 {
			return g, false, s.unknownHeader(c.rows[0])
		}
		return g, false, nil
	}
	const remedy = `name the columns in order, for instance points.columns = ["id", "easting", "northing", "height", "code", "description"], or give the text a header`
	show := func() string {
		var b strings.Builder
		for i, k := range kinds {
			if i > 0 {
				b.WriteString(" ")
			}
			fmt.Fprintf(&b, "%q", clip(k.first))
		}
		return b.String()
	}
	if !s.opt.East.known() || !s.opt.North.known() {
		return g, false, s.problem(remedy, "the text has no header, so no column for id, easting, northing is known, and without the grid's area easting and northing can't be told apart; the first row says %s", show())
	}
	canBeID := func(i int) bool {
		k := kinds[i]
		return k.empty == 0 && k.unique && !(k.numbers && k.fraction) && !k.times
	}
	idFirst := canBeID(0)
	type pair struct{ e, n int }
	var pairs []pair
	for _, e := range nums {
		for _, n := range []int{e - 1, e + 1} {
			if slices.Contains(nums, n) && kinds[e].in[0] && kinds[n].in[1] && !(idFirst && (e == 0 || n == 0)) {
				pairs = append(pairs, pair{e, n})
			}
		}
	}
	switch {
	case len(pairs) == 0:
		return g, false, s.problem(remedy+"; if the points are on another grid, name that one (grid.crs)", "the text has no header, and no two columns side by side hold eastings from %.0f to %.0f and northings from %.0f to %.0f; the first row says %s",
			s.opt.East.Min, s.opt.East.Max, s.opt.North.Min, s.opt.North.Max, show())
	case len(pairs) > 1:
		return g, false, s.problem(remedy, "the text has no header, and more than one pair of columns can be easting and northing: columns %d and %d, or %d and %d; the first row says %s",
			pairs[0].e+1, pairs[0].n+1, pairs[1].e+1, pairs[1].n+1, show())
	}
	p := pairs[0]
	names := make([]string, c.fields)
	for i := range names {
		names[i] = skip
	}
	names[p.e], names[p.n] = "easting", "northing"

	// The id: the first column, or the only one that can be.
	id := -1
	for i := range kinds {
		if names[i] != skip || !canBeID(i) {
			continue
		}
		if id >= 0 {
			return g, false, s.problem(remedy, "the text has no header, and columns %d and %d can both be the id; the first row says %s", id+1, i+1, show())
		}
		if id = i; i == 0 {
			break
		}
	}
	if id < 0 {
		return g, false, s.problem(remedy, "the text has no header, and no column can be the id: each has an empty cell, a value twice, or decimals; the first row says %s", show())
	}
	names[id] = "id"
	l := Layout{Separator: c.sep, Decimal: dec, Columns: names}
	l.note("eastings and northings were told apart by the grid's area: easting in column %d, northing in column %d", p.e+1, p.n+1)

	if z := max(p.e, p.n) + 1; z < c.fields && names[z] == skip && kinds[z].numbers && kinds[z].fraction {
		names[z] = "height"
		l.note("column %d, the number after them, is taken for the height", z+1)
	}
	var texts []int
	for i, k := range kinds {
		if names[i] != skip || k.empty == len(rows) {
			continue
		}
		switch {
		case k.numbers:
			l.note("column %d holds numbers (%s) and is passed over", i+1, clip(k.first))
		case k.times:
			if !slices.Contains(names, "observed") {
				names[i] = "observed"
				l.note("column %d is taken for the time of observation", i+1)
			}
		default:
			texts = append(texts, i)
		}
	}
	switch {
	case len(texts) == 1:
		names[texts[0]] = "description"
	case len(texts) > 1 && !kinds[texts[0]].blanks:
		names[texts[0]], names[texts[1]] = "code", "description"
		texts = texts[2:]
		for _, i := range texts {
			l.note("column %d holds text (%s) and is passed over", i+1, clip(kinds[i].first))
		}
	default:
		for _, i := range texts {
			l.note("column %d holds text (%s) and is passed over", i+1, clip(kinds[i].first))
		}
	}
	return guess{l, strings.Join([]string{rows[0][id], rows[0][p.e], rows[0][p.n]}, " ")}, true, nil
}

func (l *Layout) note(format string, args ...any) {
	l.Notes = append(l.Notes, fmt.Sprintf(format, args...))
}

// unknownHeader tells of a first row that is a header, but not one known here.
func (s *sniffer) unknownHeader(first []string) error {
	has := func(c column) bool {
		return slices.ContainsFunc(first, func(f string) bool { got, ok := s.fields.look(f); return ok && got == c })
	}
	err := s.required(has, "say what they mean, as in points.fields = { \"X\" = \"easting\" }, or name the columns in order; the columns there are: "+strings.Join(columnNames[:], ", "), "the header has")
	if err == nil {
		return nil
	}
	err.(*Problem).What += "; it says " + quoteAll(first)
	return err
}

func quoteAll(row []string) string {
	var b strings.Builder
	for i, f := range row {
		if i == 12 {
			b.WriteString(" …")
			break
		}
		if i > 0 {
			b.WriteString(" ")
		}
		fmt.Fprintf(&b, "%q", clip(f))
	}
	return b.String()
}

func nth(n int) string {
	switch {
	case n%100 >= 11 && n%100 <= 13:
	case n%10 == 1:
		return fmt.Sprintf("%dst", n)
	case n%10 == 2:
		return fmt.Sprintf("%dnd", n)
	case n%10 == 3:
		return fmt.Sprintf("%drd", n)
	}
	return fmt.Sprintf("%dth", n)
}
