package dataset

import (
	"bytes"
	"cmp"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"

	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/pointfile"
)

// Proposal is a file of the dataset as the causes found would have it: to be
// looked at, and put in the place of the old one by whoever answers for the job.
type Proposal struct {
	// File is its path in the dataset's folder.
	File string
	// Text is the whole file. All but what is proposed is as it was, byte by byte.
	Text []byte
	// Changes is the number of rows, or keys, that differ; of decisions, all.
	Changes int
	// Decisions says that it is a file of decisions that nobody has made yet.
	Decisions bool
}

// Propose writes out what the causes propose for the links file, the points file
// and the settings, and what Proposed has as a file of decisions, and changes nothing. What can't be put into a file is told in the notes, in
// words: links that the points file itself lists, points of a file that is not
// delimited text on the job's own grid. The error is that of reading the files,
// or that one of them no longer is what it was when it was checked.
func (c *Checked) Propose(ctx context.Context) (files []Proposal, notes []string, err error) {
	if c.Explanation == nil {
		return nil, nil, nil
	}
	files, notes, err = c.d.propose(c.Explanation, c.SurveyRead, c.decided())
	if err != nil {
		return nil, notes, err
	}
	rows, err := c.Proposed(ctx)
	if err != nil || len(rows) == 0 {
		return files, notes, err
	}
	var text bytes.Buffer
	err = WriteDecisions(&text, rows)
	return append(files, Proposal{File: cmp.Or(c.d.settings.Links.Decisions, DecisionsFile), Text: text.Bytes(), Changes: len(rows), Decisions: true}), notes, err
}

func (d *Dataset) propose(ex *cause.Explanation, how SurveyRead, decided map[string]bool) (files []Proposal, notes []string, err error) {
	read := how.Points
	links := map[int]match.Link{}
	points := map[int]match.Point{}
	var settings []cause.Setting
	note := func(format string, args ...any) { notes = append(notes, fmt.Sprintf(format, args...)) }
	for i := range ex.Causes {
		f := ex.Causes[i].Fix
		if f == nil {
			continue
		}
		for _, l := range f.Links {
			switch other, twice := links[l.Line]; {
			case decided[l.Photo]:
			case l.Line == 0:
				note("%s: it is the points file that lists the photo; let it be listed for %s there", l.Photo, l.Point)
			case twice && other.Point != l.Point:
				note("%s: two causes propose different points; the proposal has %s, the other is %s", l.Photo, other.Point, l.Point)
			default:
				links[l.Line] = l
			}
		}
		for _, p := range f.Points {
			points[p.Line] = p
		}
		settings = append(settings, f.Settings...)
	}
	if len(links) > 0 {
		p, err := d.proposeLinks(links)
		switch {
		case err == nil:
			files = append(files, p)
		case how.Links != nil:
			note("%d photos should be tied otherwise, but %s is no table of a photo and a point a row (%s); the JSON document has them", len(links), how.Links.File, how.Links.Layout)
		default:
			return nil, notes, err
		}
	}
	if len(points) > 0 {
		if why := read.unwritable(points); why != "" {
			note("%d points should have other coordinates, but %s; the JSON document has them", len(points), why)
		} else {
			p, err := d.proposePoints(read, points)
			if err != nil {
				return nil, notes, err
			}
			files = append(files, p)
		}
	}
	if len(settings) > 0 {
		p, err := d.proposeSettings(settings)
		if err != nil {
			return nil, notes, err
		}
		files = append(files, p)
	}
	return files, notes, nil
}

func (d *Dataset) proposeLinks(links map[int]match.Link) (Proposal, error) {
	set := d.settings.Links
	// The table settles the separator and the columns.
	t, err := openTable(d.fsys, set.File, set.Separator, set.Columns, set.headings(), []string{"photo", "point"}, []string{"photo", "point"})
	if err != nil {
		return Proposal{}, err
	}
	comma, photo, point := t.r.Comma, t.at["photo"], t.at["point"]
	if err := t.closer.Close(); err != nil {
		return Proposal{}, err
	}
	return d.rewrite(set.File, comma, func(line int, row []string) (map[int]string, bool) {
		l, ok := links[line]
		if !ok || len(row) <= max(photo, point) {
			return nil, ok
		}
		// The row names the photo in one of the ways in which a link may.
		if of, _, err := match.SortLinks([]string{l.Photo}, []match.Link{{Photo: row[photo]}}); err != nil || len(of[0]) == 0 {
			return nil, true
		}
		delete(links, line)
		return map[int]string{point: l.Point}, true
	}, func() int { return len(links) })
}

// unwritable says why points can't be changed in the points file; empty if they
// can.
func (read *PointsRead) unwritable(points map[int]match.Point) string {
	switch {
	case read.Format != pointfile.Delimited:
		return fmt.Sprintf("%s is %s", read.File, read.Format)
	case read.Layout.Separator == " ":
		return fmt.Sprintf("the columns of %s are parted by blanks", read.File)
	case read.From != nil:
		return fmt.Sprintf("those of %s are converted from %s", read.File, read.From.Name)
	case read.Axes == pointfile.Geographic:
		return fmt.Sprintf("%s has longitudes and latitudes", read.File)
	}
	if _, ok := points[0]; ok {
		return "some have no line of their own"
	}
	return ""
}

func (d *Dataset) proposePoints(read *PointsRead, points map[int]match.Point) (Proposal, error) {
	layout := read.Layout
	id := slices.Index(layout.Columns, "id")
	// A file may count to the west and to the south.
	axis := func(plus, minus string) (column int, sign float64) {
		if i := slices.Index(layout.Columns, minus); i >= 0 {
			return i, -1
		}
		return slices.Index(layout.Columns, plus), 1
	}
	e, eSign := axis("easting", "westing")
	n, nSign := axis("northing", "southing")
	number := func(v, sign float64) string {
		s := strconv.FormatFloat(v*sign+0, 'f', -1, 64)
		return strings.Replace(s, ".", layout.Decimal, 1)
	}
	return d.rewrite(read.File, rune(layout.Separator[0]), func(line int, row []string) (map[int]string, bool) {
		p, ok := points[line]
		if !ok || len(row) <= max(e, n, id) || strings.TrimSpace(row[id]) != p.ID {
			return nil, ok
		}
		delete(points, line)
		return map[int]string{e: number(p.E, eSign), n: number(p.N, nSign)}, true
	}, func() int { return len(points) })
}

// errChanged says that a file is not what was checked.
var errChanged = errors.New("the file is no longer what was checked; check again")

// rewrite changes fields of a delimited file. change is asked for each row that
// begins on a line, and returns the new texts of fields by their index, and
// whether it wanted the row; left tells how many rows it has not come by.
func (d *Dataset) rewrite(file string, comma rune, change func(line int, row []string) (map[int]string, bool), left func() int) (Proposal, error) {
	whole, err := fs.ReadFile(d.fsys, file)
	if err != nil {
		return Proposal{}, fmt.Errorf("%s: %w", file, bare(err))
	}
	text := bytes.TrimPrefix(whole, []byte(bom))
	starts := []int{0}
	for i, b := range text {
		if b == '\n' {
			starts = append(starts, i+1)
		}
	}
	type edit struct {
		from, to int
		text     string
	}
	var edits []edit
	p := Proposal{File: file}
	reader := func(text []byte) *csv.Reader {
		r := csv.NewReader(bytes.NewReader(text))
		r.Comma, r.FieldsPerRecord, r.TrimLeadingSpace = comma, -1, comma != '\t'
		return r
	}
	var want [][]string
	r := reader(text)
	for {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return Proposal{}, fmt.Errorf("%s: %w", file, err)
		}
		line, _ := r.FieldPos(0)
		fields, wanted := change(line, row)
		if wanted && fields == nil {
			return Proposal{}, fmt.Errorf("%s, line %d: %w", file, line, errChanged)
		}
		changed := false
		for i, s := range fields {
			if strings.TrimSpace(row[i]) == s {
				continue
			}
			fl, col := r.FieldPos(i)
			from := starts[fl-1] + col - 1
			to := from + fieldLength(text[from:], comma)
			edits = append(edits, edit{from, to, quoted(s, comma)})
			row[i], changed = s, true
		}
		if changed {
			p.Changes++
		}
		want = append(want, row)
	}
	if n := left(); n > 0 {
		return Proposal{}, fmt.Errorf("%s: %d rows are not there any more: %w", file, n, errChanged)
	}
	slices.SortFunc(edits, func(a, b edit) int { return cmp.Compare(a.from, b.from) })
	out := slices.Clone(whole[:len(whole)-len(text)])
	at := 0
	for _, e := range edits {
		out = append(append(out, text[at:e.from]...), e.text...)
		at = e.to
	}
	out = append(out, text[at:]...)
	// The new file must read as the old one with the changes made.
	got, err := reader(bytes.TrimPrefix(out, []byte(bom))).ReadAll()
	if err != nil || !reflect.DeepEqual(got, want) {
		return Proposal{}, fmt.Errorf("%s: the changes can't be written into the text as it stands (%v)", file, err)
	}
	p.Text = out
	return p, nil
}

// fieldLength is how many bytes a field takes that begins at the start of text,
// quotes included.
func fieldLength(text []byte, comma rune) int {
	if len(text) > 0 && text[0] == '"' {
		for i := 1; i < len(text); i++ {
			if text[i] != '"' {
				continue
			}
			if i+1 < len(text) && text[i+1] == '"' {
				i++
				continue
			}
			return i + 1
		}
		return len(text)
	}
	for i, b := range text {
		if rune(b) == comma || b == '\n' || b == '\r' {
			return i
		}
	}
	return len(text)
}

// quoted is a text as a field of delimited text.
func quoted(s string, comma rune) string {
	var b strings.Builder
	w := csv.NewWriter(&b)
	w.Comma = comma
	// A second field keeps an empty first one from being quoted; a strings.Builder
	// takes everything.
	_ = w.Write([]string{s, ""})
	w.Flush()
	return strings.TrimSuffix(b.String(), string(comma)+"\n")
}

func (d *Dataset) proposeSettings(settings []cause.Setting) (Proposal, error) {
	text, err := fs.ReadFile(d.fsys, SettingsFile)
	if err != nil {
		return Proposal{}, fmt.Errorf("%s: %w", SettingsFile, bare(err))
	}
	p := Proposal{File: SettingsFile, Text: text}
	for _, s := range settings {
		if p.Text, err = setTOML(p.Text, s.Key, s.Value); err != nil {
			return Proposal{}, fmt.Errorf("%s: %s = %s: %w", SettingsFile, s.Key, s.Value, err)
		}
		p.Changes++
	}
	return p, nil
}

// tomlValue is a value in TOML's notation without the blanks around it. What comes
// behind a value, such as a comment, would come again each time the value is set.
func tomlValue(s string) (string, error) {
	s = strings.Trim(s, " \t")
	var p unstable.Parser
	p.Reset([]byte("v = " + s))
	if p.NextExpression() {
		// Of a list the parser gives no length.
		if r := p.Expression().Value().Raw; r.Length > 0 && int(r.Length) != len(s) {
			return "", fmt.Errorf("%q is more than a value", s)
		}
	}
	return s, p.Error()
}

// setTOML sets a key, with its table as in "grid.crs", to a value in TOML's
// notation, and leaves the rest of the text as it is. The error is that the text
// does not allow it, such as a table written inline that lacks the key.
func setTOML(text []byte, key, value string) ([]byte, error) {
	body := bytes.TrimPrefix(text, []byte(bom))
	mark := text[:len(text)-len(body)]
	path, err := tomlKey(key)
	if err != nil {
		return nil, err
	}
	if value, err = tomlValue(value); err != nil {
		return nil, err
	}
	at, err := findTOML(body, path)
	if err != nil {
		return nil, err
	}
	out := at.set(body, path, value)
	if err := differs(body, out, path, value); err != nil {
		return nil, err
	}
	return slices.Concat(mark, out), nil
}

// tomlPlace is where a key stands in a text, or where it would.
type tomlPlace struct {
	from, to int // its value; both 0 where it is not there
	end      int // the end of the last entry of its table; -1 where there is none
}

// findTOML finds a key. Entries of arrays of tables are none of it.
func findTOML(text []byte, path []string) (tomlPlace, error) {
	at := tomlPlace{end: -1}
	var table []string
	foreign := false // inside an array of tables
	var p unstable.Parser
	p.Reset(text)
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table, foreign = keys(e.Key()), e.Kind == unstable.ArrayTable
		case unstable.KeyValue:
			if foreign || !slices.Equal(append(slices.Clone(table), keys(e.Key())...), path) {
				break
			}
			r := e.Value().Raw
			if r.Length == 0 {
				return at, errors.New("its present value can't be told from the text around it")
			}
			at.from, at.to = int(r.Offset), int(r.Offset+r.Length)
		default:
			continue
		}
		if !foreign && len(path) > 1 && slices.Equal(table, path[:len(path)-1]) {
			at.end = max(at.end, lastRaw(e))
		}
	}
	return at, p.Error()
}

// set gives the text with the key set: in its place, behind the last line of its
// table, or in a new table at the end.
func (at tomlPlace) set(text []byte, path []string, value string) []byte {
	newline := "\n"
	if bytes.Contains(text, []byte("\r\n")) {
		newline = "\r\n"
	}
	if at.to > 0 {
		return slices.Concat(text[:at.from], []byte(value), text[at.to:])
	}
	names := make([]string, len(path))
	for i, k := range path {
		names[i] = bareKey(k)
	}
	last := len(names) - 1
	line := names[last] + " = " + value + newline
	cut := len(text)
	if at.end >= 0 {
		if i := bytes.IndexByte(text[at.end:], '\n'); i >= 0 {
			cut = at.end + i + 1
		}
	} else {
		line = newline + "[" + strings.Join(names[:last], ".") + "]" + newline + line
	}
	if cut > 0 && text[cut-1] != '\n' {
		line = newline + line
	}
	return slices.Concat(text[:cut], []byte(line), text[cut:])
}

// differs makes sure that a new text says what the old one says, but for a key that
// has a value.
func differs(old, new []byte, path []string, value string) error {
	var was, is, val map[string]any
	if err := toml.Unmarshal(old, &was); err != nil {
		return err
	}
	if err := toml.Unmarshal([]byte("v = "+value), &val); err != nil {
		return err
	}
	at, last := was, len(path)-1
	for _, k := range path[:last] {
		next, ok := at[k].(map[string]any)
		if !ok {
			if at[k] != nil {
				return fmt.Errorf("%q is no table", k)
			}
			next = map[string]any{}
			at[k] = next
		}
		at = next
	}
	at[path[last]] = val["v"]
	if err := toml.Unmarshal(new, &is); err != nil || !reflect.DeepEqual(is, was) {
		return fmt.Errorf("the text as it stands has no room for it; set it by hand (%v)", err)
	}
	return nil
}

// lastRaw is where the text of an expression reaches, as far as its nodes say.
func lastRaw(e *unstable.Node) int {
	end := int(e.Raw.Offset + e.Raw.Length)
	for it := e.Children(); it.Next(); {
		end = max(end, lastRaw(it.Node()))
	}
	return end
}

// tomlKey takes a dotted key apart.
func tomlKey(key string) ([]string, error) {
	var p unstable.Parser
	p.Reset([]byte(key + " = 0"))
	if !p.NextExpression() || p.Expression().Kind != unstable.KeyValue {
		return nil, fmt.Errorf("%q is no key of TOML", key)
	}
	return keys(p.Expression().Key()), nil
}

func keys(it unstable.Iterator) []string {
	var out []string
	for it.Next() {
		out = append(out, string(it.Node().Data))
	}
	return out
}

// bareKey writes a part of a key, in quotes where it needs them.
func bareKey(k string) string {
	for _, r := range k {
		if !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '_' || r == '-') {
			return basic(k)
		}
	}
	if k == "" {
		return basic(k)
	}
	return k
}

// basic is a basic string of TOML. The escapes of JSON are among those of TOML.
func basic(s string) string {
	text, err := json.Marshal(s)
	if err != nil {
		panic(err) // a string always has a JSON text
	}
	return string(text)
}
