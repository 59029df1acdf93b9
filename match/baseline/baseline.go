package baseline

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/problem"
	"example.com/phototie/match/suggest"
)

// version is the version of the file format that is written, and the only one
// that is read.
const version = 1

// Date is a day of the calendar, without a time zone.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// DateOf returns the day of t in t's own time zone.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// String writes the day as RFC 3339 does: 2027-03-31.
func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day) }

// IsZero reports whether d is no day at all.
func (d Date) IsZero() bool { return d == Date{} }

// After reports whether d comes after e.
func (d Date) After(e Date) bool {
	if d.Year != e.Year {
		return d.Year > e.Year
	}
	if d.Month != e.Month {
		return d.Month > e.Month
	}
	return d.Day > e.Day
}

// MarshalText writes the day as String does.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// Entry is one acceptance.
type Entry struct {
	// Code, Photo, Point and Cause are those of the findings accepted, the last three
	// empty where the finding names none. In Photo and Point a star matches any
	// characters but a slash, and two for any characters. With a star or with Most the
	// entry is wide: what it leaves empty is not asked for.
	Code  match.FindingCode `json:"code"`
	Photo string            `json:"photo,omitempty"`
	Point string            `json:"point,omitempty"`
	Cause string            `json:"cause,omitempty"`
	// Max is how many findings the entry accepts; where there are more it accepts
	// none. 0 sets no limit.
	Max int `json:"most,omitempty"`
	// Reason says why. By says who; it may be empty.
	Reason string `json:"reason"`
	By     string `json:"by,omitempty"`
	// Expires is the last day on which the entry holds. It is zero for one that is a
	// decision about the photo: that holds until it is stale.
	Expires Date `json:"expires,omitzero"`
	// Line is the entry's first line in its file; 0 where it comes of none.
	Line int `json:"-"`
	// Remark is written as a comment above the entry, and not read.
	Remark string `json:"-"`
	// Decided is the day of the decision that the entry is; empty for those of a file.
	Decided string `json:"decided,omitempty"`
}

// Until says until when the entry holds, in words.
func (e *Entry) Until() string {
	if e.Decided != "" {
		return "as decided on " + e.Decided
	}
	return "until " + e.Expires.String()
}

// key is what an entry and a finding must have in common.
type key struct {
	code                match.FindingCode
	photo, point, cause string
}

func (e *Entry) key() key { return key{e.Code, e.Photo, e.Point, e.Cause} }

func keyOf(f match.Finding) key { return key{f.Code, f.Photo, f.Point, f.Cause} }

// Wide reports whether the entry has a star or Most, and may accept many findings.
func (e *Entry) Wide() bool { return e.Max > 0 || strings.Contains(e.Photo+e.Point, "*") }

// pattern is the expression that a name with stars stands for; nil for an empty one.
func pattern(name string) *regexp.Regexp {
	if name == "" {
		return nil
	}
	q := strings.ReplaceAll(regexp.QuoteMeta(name), `\*\*`, `(?s:.*)`)
	return regexp.MustCompile("^" + strings.ReplaceAll(q, `\*`, "[^/]*") + "$")
}

// accepter decides which entry accepts a finding: the one about just that, else the
// first wide one.
type accepter struct {
	exact map[key]int
	wide  []wideEntry
}

type wideEntry struct {
	index        int
	photo, point *regexp.Regexp
}

func (b *Baseline) accepter() accepter {
	a := accepter{exact: make(map[key]int, len(b.Entries))}
	for i := range b.Entries {
		e := &b.Entries[i]
		if e.Wide() {
			a.wide = append(a.wide, wideEntry{i, pattern(e.Photo), pattern(e.Point)})
		} else {
			a.exact[e.key()] = i
		}
	}
	return a
}

// find returns the index of the entry that accepts f, -1 for none.
func (a *accepter) find(entries []Entry, f match.Finding) int {
	if i, ok := a.exact[keyOf(f)]; ok {
		return i
	}
	for _, w := range a.wide {
		e := &entries[w.index]
		if e.Code == f.Code && (e.Cause == "" || e.Cause == f.Cause) && (w.photo == nil || w.photo.MatchString(f.Photo)) && (w.point == nil || w.point.MatchString(f.Point)) {
			return w.index
		}
	}
	return -1
}

// about words what an entry or a finding is about.
func (k key) about() string {
	s := string(k.code)
	if k.photo != "" {
		s += fmt.Sprintf(" of photo %q", k.photo)
	}
	if k.point != "" {
		s += fmt.Sprintf(", point %q", k.point)
	}
	if k.cause != "" {
		s += fmt.Sprintf(", cause %q", k.cause)
	}
	return s
}

// Baseline is a list of acceptances, no two of them about the same.
type Baseline struct {
	Entries []Entry
}

// document and row are the file.
type document struct {
	Version int64 `toml:"version"`
	Accept  []row `toml:"accept"`
}

type row struct {
	Code    string         `toml:"code"`
	Photo   string         `toml:"photo"`
	Point   string         `toml:"point"`
	Cause   string         `toml:"cause"`
	Max     int            `toml:"most"`
	Reason  string         `toml:"reason"`
	By      string         `toml:"by"`
	Expires toml.LocalDate `toml:"expires"`
}

// maxProblems is how many problems of one file are told.
const maxProblems = 20

// MaxBytes is how long the text of a baseline may be: some hundred thousand entries.
const MaxBytes = 16 << 20

// mostKey is how much of a key is told that is not known.
const mostKey = 60

// mostWide is how many wide entries a baseline may have: each finding is held against
// all of them.
const mostWide = 1000

// Parse reads the text of a baseline; name is the file's, for errors. Each thing
// wrong with it is a *problem.Problem with its line, all of them joined. An
// entry without a code, a reason or an expiry is an error, as are a code that is
// nearly one of the codes of match.FindingKinds, two entries about the same, a key
// that is not known, another version, and a text of more than MaxBytes.
func Parse(name string, text []byte) (*Baseline, error) {
	p := parsing{name: name}
	if len(text) > MaxBytes {
		p.bad(0, 0, "take entries out that have run out, or part the job", "the baseline is larger than %d MiB", MaxBytes>>20)
		return nil, p.err()
	}
	doc := p.decode(text)
	if len(p.problems) > 0 {
		return nil, p.err()
	}
	if doc.Version != version {
		p.bad(0, 0, fmt.Sprintf("write version = %d at the top", version), "the version of the baseline is %d, which is not known here", doc.Version)
	}
	lines := p.keys(text)
	if len(p.problems) > 0 {
		return nil, p.err()
	}
	if len(lines) != len(doc.Accept) {
		lines = make([]int, len(doc.Accept)) // an inline array has none
	}
	b := &Baseline{Entries: make([]Entry, 0, len(doc.Accept))}
	seen, wide := map[key]int{}, 0
	for i, r := range doc.Accept {
		e := Entry{Code: match.FindingCode(r.Code), Photo: r.Photo, Point: r.Point, Cause: r.Cause, Max: r.Max, Reason: strings.TrimSpace(r.Reason), By: strings.TrimSpace(r.By),
			Expires: Date{r.Expires.Year, time.Month(r.Expires.Month), r.Expires.Day},
			Line:    lines[i]}
		p.entry(e)
		if first, ok := seen[e.key()]; ok {
			p.bad(e.Line, 0, "keep one of the two", "an entry for %s stands already in line %d", e.key().about(), first)
			continue
		}
		if e.Wide() {
			wide++
		}
		seen[e.key()] = e.Line
		b.Entries = append(b.Entries, e)
	}
	if wide > mostWide {
		p.bad(0, 0, "merge some", "%d entries have a star or most, more than %d", wide, mostWide)
	}
	if len(p.problems) > 0 {
		return nil, p.err()
	}
	return b, nil
}

// parsing gathers what is wrong with a baseline.
type parsing struct {
	name     string
	problems []error
}

func (p *parsing) bad(line, col int, remedy, format string, args ...any) {
	p.problems = append(p.problems, &problem.Problem{File: p.name, Line: line, Column: col, What: fmt.Sprintf(format, args...), Remedy: remedy})
}

// err joins the problems, the first of many.
func (p *parsing) err() error {
	problems := p.problems
	if n := len(problems) - maxProblems; n > 0 {
		problems = append(problems[:maxProblems:maxProblems], fmt.Errorf("%s: and %d more problems", p.name, n))
	}
	return errors.Join(problems...)
}

// decode reads the TOML.
func (p *parsing) decode(text []byte) (doc document) {
	err := toml.Unmarshal(text, &doc)
	var de *toml.DecodeError
	switch {
	case err == nil:
	case errors.As(err, &de):
		line, col := de.Position()
		p.bad(line, col, "expires is a date without quotes: 2027-03-31, most a number without", "%s", strings.TrimPrefix(de.Error(), "toml: "))
	default:
		p.bad(0, 0, "", "%s", err)
	}
	return doc
}

// entry checks an entry by itself.
func (p *parsing) entry(e Entry) {
	near := nearestCode(string(e.Code))
	_, known := e.Code.Kind()
	switch {
	case e.Code == "":
		p.bad(e.Line, 0, `name the kind of finding, as in code = "tag-gross"`, "the entry has no code")
	case !known && near != "":
		p.bad(e.Line, 0, "phototie help findings lists the codes", "there is no finding %q%s", e.Code, near)
	}
	if e.Max < 0 {
		p.bad(e.Line, 0, "say how many findings are accepted at most, as in most = 5", "the entry for %s accepts at most %d findings", e.key().about(), e.Max)
	}
	if e.Reason == "" {
		p.bad(e.Line, 0, "say why it is accepted, as in reason = \"seen by eye: it shows the point\"", "the entry for %s has no reason", e.key().about())
	}
	if e.Expires.IsZero() {
		p.bad(e.Line, 0, "say until when, as in expires = 2027-03-31", "the entry for %s does not expire", e.key().about())
	}
}

// fileKeys and entryKeys are the keys that a baseline and an entry have.
var (
	fileKeys  = []string{"version", "accept"}
	entryKeys = []string{"code", "photo", "point", "cause", "most", "reason", "by", "expires"}
)

// nearestCode names the code of a finding that is nearest to one that is none;
// empty where none is near, as with the codes of other programs' findings.
func nearestCode(code string) string {
	var known []string
	for _, k := range match.FindingKinds() {
		known = append(known, string(k.Code))
	}
	near, ok := strings.CutPrefix(suggest.Nearest(code, known...), "; did")
	if !ok {
		return ""
	}
	return "; did" + near
}

// keys reports the keys that are not known in a text that can be decoded, and returns
// the lines of the heads of its entries.
func (p *parsing) keys(text []byte) (heads []int) {
	var u unstable.Parser
	u.Reset(text)
	line, at := 1, 0 // Shape counts from the start of the text each time
	// key looks at the key of a table or a pair; the decoder takes it in any case.
	key := func(n *unstable.Node, known []string, before string) int {
		var names []string
		for it := n.Key(); it.Next(); {
			k := it.Node()
			if names = append(names, string(k.Data)); len(names) == 1 {
				from := int(k.Raw.Offset)
				line, at = line+bytes.Count(text[at:from], []byte("\n")), from
			}
		}
		if !slices.ContainsFunc(known, func(s string) bool { return strings.EqualFold(s, names[0]) }) {
			near := known
			if before == "" {
				near = slices.Concat(fileKeys, entryKeys)
			}
			for i, k := range names {
				names[i] = k[:min(len(k), mostKey)]
			}
			p.bad(line, at-bytes.LastIndexByte(text[:at], '\n'), "an entry has code, photo, point, cause, most, reason, by and expires",
				"unknown key %q%s", before+strings.Join(names[:min(len(names), 4)], "."), suggest.Nearest(names[0], near...))
		}
		return line
	}
	known, before := fileKeys, ""
	for u.NextExpression() {
		switch e := u.Expression(); {
		case e.Kind != unstable.KeyValue: // [[accept]], and what is no key of the file
			heads = append(heads, key(e, fileKeys, ""))
			known, before = entryKeys, "accept."
		case key(e, known, before) > 0 && e.Value().Kind == unstable.Array:
			for it := e.Value().Children(); it.Next(); {
				for pair := it.Node().Children(); pair.Next(); {
					key(pair.Node(), entryKeys, "accept.")
				}
			}
		}
	}
	return heads
}

// Outcome is what a baseline makes of the findings of a job.
type Outcome struct {
	// Kept are the findings that count, in their order: those that no entry
	// accepts, and those whose acceptance has run out, which say so; after them a
	// note of kind FindingUnusedAcceptance for each entry that accepts nothing.
	Kept []match.Finding
	// Accepted are the findings that an entry accepts.
	Accepted []Accepted
	// Expired are the entries that have run out and whose findings are there
	// still, Unused those whose findings are not there.
	Expired []Entry
	Unused  []Entry
}

// Accepted is a finding with the entry that accepts it.
type Accepted struct {
	match.Finding
	// Entry is the entry that accepts it.
	Entry Entry `json:"accepted"`
}

// Without is the outcome where there is no baseline: every finding counts that no
// decision accepts.
func Without(findings []match.Finding) Outcome { return (*Baseline)(nil).Apply(findings, Date{}) }

// decided is a decision as an entry about a finding.
func decided(f match.Finding) Entry {
	d := f.Decision
	return Entry{Code: f.Code, Photo: f.Photo, Point: f.Point, Reason: d.String(), By: d.By, Decided: d.When}
}

// Apply holds findings against the baseline on a day. An entry accepts all
// findings of its kind about its photo and point, on its last day still; one about
// just a finding goes before a wide one, and of those the first. A decision accepts
// the findings that it covers, whatever the baseline says; a nil baseline
// accepts none.
func (b *Baseline) Apply(findings []match.Finding, today Date) Outcome {
	if b == nil {
		b = &Baseline{}
	}
	var o Outcome
	a := b.accepter()
	by := make([]int, len(findings))     // the entry that accepts each; -1 for none
	count := make([]int, len(b.Entries)) // of the findings that each would accept
	for i, f := range findings {
		if by[i] = a.find(b.Entries, f); by[i] >= 0 {
			count[by[i]]++
		}
	}
	told := make([]bool, len(b.Entries))
	for i, f := range findings {
		if f.Decision != nil {
			o.Accepted = append(o.Accepted, Accepted{f, decided(f)})
			continue
		}
		if by[i] < 0 {
			o.Kept = append(o.Kept, f)
			continue
		}
		e := b.Entries[by[i]]
		switch n := count[by[i]]; {
		case e.Max > 0 && n > e.Max:
			f.Message += words.MoreThanAccepted(e.Max, n, e.Reason)
		case !today.After(e.Expires):
			o.Accepted = append(o.Accepted, Accepted{f, e})
			continue
		default:
			if !told[by[i]] {
				told[by[i]] = true
				o.Expired = append(o.Expired, e)
			}
			f.Message += words.Expired(e.Expires.String(), e.Reason)
		}
		o.Kept = append(o.Kept, f)
	}
	for i, e := range b.Entries {
		if count[i] > 0 {
			continue
		}
		o.Unused = append(o.Unused, e)
		f := match.NewFinding(match.FindingUnusedAcceptance, match.Fact{Name: "accepted code", Text: string(e.Code)})
		f.Photo, f.Point, f.Cause, f.Line = e.Photo, e.Point, e.Cause, e.Line
		o.Kept = append(o.Kept, f)
	}
	return o
}

// Starter makes a baseline of the findings of an outcome: the entries that were
// of use as they are, and a new one for each kind of finding about each photo and
// point that counts, without a reason, to expire on the day given. Parse refuses
// it until somebody has written the reasons. What can't be written, since a name
// is not UTF-8 or has a star, which would accept more, is returned as left.
func Starter(o Outcome, expires Date) (b Baseline, left []match.Finding) {
	seen := map[key]bool{}
	for _, a := range o.Accepted {
		if k := a.Entry.key(); !seen[k] && a.Entry.Decided == "" {
			seen[k] = true
			b.Entries = append(b.Entries, a.Entry)
		}
	}
	for _, f := range o.Kept {
		k := keyOf(f)
		switch {
		case f.Code == match.FindingUnusedAcceptance || seen[k]:
		case !utf8.ValidString(f.Photo) || !utf8.ValidString(f.Point) || strings.Contains(f.Photo+f.Point, "*"):
			left = append(left, f)
		default:
			seen[k] = true
			b.Entries = append(b.Entries, Entry{Code: f.Code, Photo: f.Photo, Point: f.Point, Cause: f.Cause, Expires: expires, Remark: f.Message})
		}
	}
	return b, left
}

// head stands at the top of a written baseline.
const head = `# Findings that are known and accepted. Each entry needs a reason, and holds up to
# and including the day that it expires on; what has run out counts again.
version = %d
`

// Write writes the baseline as Parse reads it, the entries in their order.
func (b *Baseline) Write(w io.Writer) error {
	var out bytes.Buffer
	fmt.Fprintf(&out, head, version)
	for _, e := range b.Entries {
		fmt.Fprintln(&out)
		if e.Remark != "" {
			// As in a string, so that it stays one line of visible characters.
			q := words.TOML(strings.ToValidUTF8(e.Remark, "\uFFFD"))
			fmt.Fprintf(&out, "# %s\n", q[1:len(q)-1])
		}
		fmt.Fprintf(&out, "[[accept]]\n")
		for _, f := range []struct {
			name, value string
			always      bool
		}{{"code", string(e.Code), true}, {"photo", e.Photo, false}, {"point", e.Point, false}, {"cause", e.Cause, false}, {"reason", e.Reason, true}, {"by", e.By, false}} {
			if f.value == "" && !f.always {
				continue
			}
			if !utf8.ValidString(f.value) {
				return fmt.Errorf("baseline: the %s %q is not UTF-8, and a TOML file can't hold it", f.name, f.value)
			}
			fmt.Fprintf(&out, "%s = %s\n", f.name, words.TOML(f.value))
		}
		if e.Max != 0 {
			fmt.Fprintf(&out, "most = %d\n", e.Max)
		}
		fmt.Fprintf(&out, "expires = %s\n", e.Expires)
	}
	_, err := w.Write(out.Bytes())
	return err
}
