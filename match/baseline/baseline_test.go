package baseline

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.com/phototie/match"
	"example.com/phototie/match/problem"
)

const sound = `version = 1

[[accept]]
code = "tag-over-budget"
photo = "photos/a.jpg"
point = "B12"
reason = "across the basin"
by = "office"
expires = 2027-03-31

[[accept]] # a point of its own
code = "point-without-photo"
point = 'L06'
reason = """
under
[[water]]"""
expires = 2026-12-31
`

func TestParse(t *testing.T) {
	b, err := Parse("b.toml", []byte(sound))
	if err != nil {
		t.Fatal(err)
	}
	want := []Entry{
		{"tag-over-budget", "photos/a.jpg", "B12", "", 0, "across the basin", "office", Date{2027, 3, 31}, 3, "", ""},
		{"point-without-photo", "", "L06", "", 0, "under\n[[water]]", "", Date{2026, 12, 31}, 11, "", ""},
	}
	if !reflect.DeepEqual(b.Entries, want) {
		t.Errorf("got  %+v\nwant %+v", b.Entries, want)
	}
	if b, err := Parse("b.toml", []byte("version = 1\n")); err != nil || len(b.Entries) != 0 {
		t.Errorf("an empty baseline: %+v %v", b, err)
	}
	// An inline array has no lines to tell.
	b, err = Parse("b.toml", []byte("version = 1\naccept = [{code='c', reason='r', expires=2027-01-01}]\n"))
	if err != nil || len(b.Entries) != 1 || b.Entries[0].Line != 0 {
		t.Errorf("inline: %+v %v", b, err)
	}
}

// What is wrong is told with file, line and remedy, all at once.
func TestParseRefuses(t *testing.T) {
	swap := func(old, new string) string {
		if !strings.Contains(sound, old) {
			t.Fatalf("the text has no %q", old)
		}
		return strings.Replace(sound, old, new, 1)
	}
	for _, c := range []struct{ text, want string }{
		{"", "b.toml: the version of the baseline is 0"},
		{swap("version = 1", "version = 2"), "the version of the baseline is 2"},
		{swap("reason = \"across the basin\"\n", ""), `b.toml:3: the entry for tag-over-budget of photo "photos/a.jpg", point "B12" has no reason; say why`},
		{swap(`"across the basin"`, `" "`), "b.toml:3: the entry"},
		{swap("expires = 2027-03-31\n", ""), "b.toml:3: the entry for tag-over-budget of photo \"photos/a.jpg\", point \"B12\" does not expire"},
		{swap("2027-03-31", "2027-03"), "b.toml:9:"},
		{swap("2027-03-31", "2027-02-31"), "b.toml:9:19: impossible date"},
		{swap("2027-03-31", `"2027-02-31"`), "b.toml:9:11: impossible date"},
		{swap("2027-03-31", `"soon"`), "b.toml:9:"},
		{swap("code = \"tag-over-budget\"\n", ""), "b.toml:3: the entry has no code"},
		{swap("tag-over-budget", "tag-over-buget"), `b.toml:3: there is no finding "tag-over-buget"; did you mean "tag-over-budget"?`},
		{swap("reason = \"across", "raison = \"across"), `b.toml:7:1: unknown key "accept.raison"; did you mean "reason"?`},
		{swap("version = 1", "version = 1\nversion = 1"), "b.toml:"},
		{sound + sound[strings.Index(sound, "[["):], `b.toml:18: an entry for tag-over-budget of photo "photos/a.jpg", point "B12" stands already in line 3`},
		{"version = 1\n\xff", "b.toml:2"},
	} {
		_, err := Parse("b.toml", []byte(c.text))
		var p *problem.Problem
		if err == nil || !strings.Contains(err.Error(), c.want) || !errors.As(err, &p) {
			t.Errorf("got %v, want %q", err, c.want)
		}
	}
	many := "version = 1\n" + strings.Repeat("[[accept]]\ncode='c'\nexpires=2027-01-01\n", 30)
	_, err := Parse("b.toml", []byte(many))
	if err == nil || !strings.Contains(err.Error(), "b.toml: and 39 more problems") {
		t.Errorf("many problems: %v", err)
	}
}

func finding(code match.FindingCode, photo, point string) match.Finding {
	return match.Finding{Code: code, Severity: match.SeverityWarning, Photo: photo, Point: point, Message: "m", Remedy: "r"}
}

func TestApply(t *testing.T) {
	b, err := Parse("b.toml", []byte(sound))
	if err != nil {
		t.Fatal(err)
	}
	over := finding("tag-over-budget", "photos/a.jpg", "B12")
	gross := finding("tag-gross", "photos/a.jpg", "B12")
	moved := finding("tag-over-budget", "photos/a.jpg", "B13")
	bare := finding("point-without-photo", "", "L06")

	// Only the finding of the kind about the photo and the point is accepted, on
	// the last day too.
	o := b.Apply([]match.Finding{over, gross, moved, bare, over}, Date{2026, 12, 31})
	if len(o.Kept) != 2 || !reflect.DeepEqual(o.Kept, []match.Finding{gross, moved}) || len(o.Accepted) != 3 || !reflect.DeepEqual(o.Accepted[0].Finding, over) || o.Accepted[1].Entry.Point != "L06" || o.Expired != nil || o.Unused != nil {
		t.Errorf("%+v", o)
	}
	// What has run out counts again, says so, and is listed once.
	o = b.Apply([]match.Finding{bare, over, bare}, Date{2027, 1, 1})
	if len(o.Kept) != 2 || !strings.HasSuffix(o.Kept[0].Message, "; accepted until 2026-12-31 (under\n[[water]])") || o.Kept[0].Severity != bare.Severity ||
		len(o.Expired) != 1 || o.Expired[0].Line != 11 || len(o.Accepted) != 1 {
		t.Errorf("%+v", o)
	}
	// What accepts nothing is a note.
	o = b.Apply([]match.Finding{over}, Date{2027, 3, 31})
	if len(o.Unused) != 1 || len(o.Kept) != 1 || o.Kept[0].Code != match.FindingUnusedAcceptance || o.Kept[0].Severity != match.SeverityNote || o.Kept[0].Line != 11 || o.Kept[0].Point != "L06" {
		t.Errorf("%+v", o)
	}
	// Nothing is lost and nothing made up: what goes in comes out once.
	if o := Without([]match.Finding{over}); len(o.Kept) != 1 || o.Accepted != nil {
		t.Errorf("%+v", o)
	}
}

// TestWide: a wide entry accepts what its stars and its limit allow, behind those
// about just one finding, and none of the findings where there are more.
func TestWide(t *testing.T) {
	head := "version = 1\n"
	entry := func(keys string) string {
		return "[[accept]]\ncode = \"tag-over-budget\"\nreason = \"fog\"\nexpires = 2027-01-01\n" + keys + "\n"
	}
	photos := []string{"day1/a.jpg", "day1/b.jpg", "day1/sub/c.jpg", "day2/a.jpg", "day1/*"}
	var all []match.Finding
	for _, p := range photos {
		all = append(all, finding("tag-over-budget", p, "B1"))
	}
	all = append(all, finding("tag-gross", "day1/a.jpg", "B1"))
	for _, c := range []struct {
		keys string
		want string // one letter for each finding: a accepted, k kept
	}{
		{`photo = "day1/*"`, "aakkak"},
		{`photo = "day1/**"`, "aaakak"},
		{`photo = "**"`, "aaaaak"},
		{`photo = "*"`, "kkkkkk"},
		{`point = "B*"`, "aaaaak"},
		{`point = "C*"`, "kkkkkk"},
		{`photo = "day?/a.jpg"`, "kkkkkk"},
		{`photo = "day1/[ab].jpg"`, "kkkkkk"},
		{`photo = "day1/a.jpg"`, "kkkkkk"}, // the point is another
		{"most = 5", "aaaaak"},
		{"most = 4", "kkkkkk"},
		{"most = 2\nphoto = \"day2/*\"", "kkkakk"},
		{"most = 2\nphoto = \"day1/**\"", "kkkkkk"},
		// One about just a finding goes before, and does not count for the other.
		{"most = 1\npoint = \"B1\"\nphoto = \"day1/*.jpg\"\n" + entry("photo = \"day1/a.jpg\"\npoint = \"B1\""), "aakkkk"},
	} {
		b, err := Parse("b.toml", []byte(head+entry(c.keys)))
		if err != nil {
			t.Fatal(c.keys, err)
		}
		o := b.Apply(all, Date{2026, 12, 1})
		got := []byte(strings.Repeat("k", len(all)))
		for _, a := range o.Accepted {
			got[slices.IndexFunc(all, func(f match.Finding) bool { return f.Photo == a.Photo && f.Code == a.Code })] = 'a'
		}
		if string(got) != c.want {
			t.Errorf("%s: %s, not %s", c.keys, got, c.want)
		}
		kept := 0
		for _, f := range o.Kept {
			if f.Code != match.FindingUnusedAcceptance {
				kept++
			}
		}
		if kept+len(o.Accepted) != len(all) {
			t.Errorf("%s: %d kept, %d accepted of %d", c.keys, kept, len(o.Accepted), len(all))
		}
	}
	b, err := Parse("b.toml", []byte(head+entry("most = 2")))
	if err != nil {
		t.Fatal(err)
	}
	if o := b.Apply(all, Date{2026, 12, 1}); !strings.HasSuffix(o.Kept[0].Message, "; one of 5, of which at most 2 are accepted (fog)") {
		t.Error(o.Kept[0].Message)
	}
	// A starter lists no name that would be taken for more than itself.
	if s, left := Starter(Without(all), Date{2027, 1, 1}); len(left) != 1 || len(s.Entries) != len(all)-1 {
		t.Errorf("%+v, left %+v", s.Entries, left)
	}
	for keys, want := range map[string]string{
		"most = -1":                          "at most -1 findings",
		`most = "5"`:                         "most a number without",
		strings.Repeat(entry("most = 1"), 1): "stands already",
	} {
		if _, err := Parse("b.toml", []byte(head+entry("most = 1")+entry(keys))); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", keys, err)
		}
	}
	var many strings.Builder
	for i := range mostWide + 1 {
		many.WriteString(entry(fmt.Sprintf("photo = \"%d*\"", i)))
	}
	if _, err := Parse("b.toml", []byte(head+many.String())); err == nil || !strings.Contains(err.Error(), "merge some") {
		t.Error(err)
	}
}

func TestDate(t *testing.T) {
	for _, c := range []struct {
		a, b  Date
		after bool
	}{
		{Date{2026, 1, 2}, Date{2026, 1, 1}, true}, {Date{2026, 1, 1}, Date{2026, 1, 1}, false}, {Date{2026, 2, 1}, Date{2026, 1, 31}, true},
		{Date{2027, 1, 1}, Date{2026, 12, 31}, true}, {Date{2026, 12, 31}, Date{2027, 1, 1}, false}, {Date{2026, 1, 31}, Date{2026, 2, 1}, false},
	} {
		if got := c.a.After(c.b); got != c.after {
			t.Errorf("%v after %v: %v", c.a, c.b, got)
		}
	}
	late := time.Date(2026, 6, 3, 23, 30, 0, 0, time.FixedZone("", -5*3600))
	if d := DateOf(late); d.String() != "2026-06-03" {
		t.Errorf("the day in its own zone is %v", d)
	}
}

// A starter is refused until its reasons are written, and then accepts all that
// it was made of.
func TestStarter(t *testing.T) {
	over := finding("tag-over-budget", "photos/a.jpg", "B12")
	bad := finding("photo-untied", "photos/\xff.jpg", "")
	old, err := Parse("b.toml", []byte(sound))
	if err != nil {
		t.Fatal(err)
	}
	o := old.Apply([]match.Finding{over, finding("tag-gross", "photos/b.jpg", "B1"), finding("tag-gross", "photos/b.jpg", "B1"), bad}, Date{2026, 6, 3})
	b, left := Starter(o, Date{2026, 9, 1})
	if len(left) != 1 || !reflect.DeepEqual(left[0], bad) || len(b.Entries) != 2 || b.Entries[0].Reason != "across the basin" {
		t.Fatalf("%+v, left %+v", b, left)
	}
	var text bytes.Buffer
	if err := b.Write(&text); err != nil {
		t.Fatal(err)
	}
	_, err = Parse("b.toml", text.Bytes())
	if !strings.Contains(text.String(), "\n# m\n[[accept]]\n") {
		t.Errorf("the entry does not say what it accepts:\n%s", text.String())
	}
	if err == nil || strings.Count(err.Error(), "has no reason") != 1 {
		t.Errorf("a starter without reasons: %v\n%s", err, text.String())
	}
	filled, err := Parse("b.toml", bytes.ReplaceAll(text.Bytes(), []byte(`reason = ""`), []byte(`reason = "seen"`)))
	if err != nil {
		t.Fatal(err)
	}
	if o := filled.Apply([]match.Finding{over, finding("tag-gross", "photos/b.jpg", "B1")}, Date{2026, 6, 3}); len(o.Kept) != 0 || len(o.Accepted) != 2 {
		t.Errorf("%+v", o)
	}
	if err := (&Baseline{Entries: []Entry{{Code: "c", Photo: "\xff", Reason: "r"}}}).Write(&text); err == nil {
		t.Error("a name that is not UTF-8 was written")
	}
}

// What is written is read back as it was, whatever the names.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 5).Draw(t, "entries")
		var b Baseline
		seen := map[key]bool{}
		for range n {
			e := Entry{
				Code:    match.FindingCode(rapid.StringMatching(`[a-z-]{1,12}`).Draw(t, "code")),
				Photo:   rapid.String().Draw(t, "photo"),
				Point:   rapid.String().Draw(t, "point"),
				Reason:  rapid.StringMatching(`[a-z\[\]"'\\]([a-z \n\t"'\\#=]*[a-z])?`).Draw(t, "reason"),
				Remark:  rapid.String().Draw(t, "remark"),
				Expires: Date{rapid.IntRange(1, 9999).Draw(t, "y"), time.Month(rapid.IntRange(1, 12).Draw(t, "m")), rapid.IntRange(1, 28).Draw(t, "d")},
			}
			if !seen[e.key()] {
				seen[e.key()] = true
				b.Entries = append(b.Entries, e)
			}
		}
		var text bytes.Buffer
		if err := b.Write(&text); err != nil {
			t.Fatal(err)
		}
		got, err := Parse("b.toml", text.Bytes())
		if err != nil {
			t.Fatalf("%v\n%s", err, text.String())
		}
		line := 0
		for i := range got.Entries {
			if l := got.Entries[i].Line; l <= line {
				t.Fatalf("entry %d is on line %d, after one on line %d\n%s", i, l, line, text.String())
			} else {
				line = l
			}
			got.Entries[i].Line = 0
			b.Entries[i].Remark = ""
		}
		if len(got.Entries) != len(b.Entries) || len(b.Entries) > 0 && !reflect.DeepEqual(got.Entries, b.Entries) {
			t.Fatalf("got  %+v\nwant %+v\n%s", got.Entries, b.Entries, text.String())
		}
	})
}

// Any text ends in a baseline or in an error.
func FuzzParse(f *testing.F) {
	f.Add([]byte(sound))
	f.Add([]byte("version = 1\naccept = [{code='c'}]\n"))
	f.Add([]byte("\xef\xbb\xbfversion = 1"))
	f.Fuzz(func(t *testing.T, text []byte) {
		b, err := Parse("b.toml", text)
		if (b == nil) == (err == nil) {
			t.Fatalf("%v, %v", b, err)
		}
		if err != nil {
			return
		}
		for _, e := range b.Entries {
			if e.Code == "" || e.Reason == "" || e.Expires.IsZero() {
				t.Errorf("%+v was let through", e)
			}
		}
		var out bytes.Buffer
		if err := b.Write(&out); err != nil {
			t.Fatal(err)
		}
		if again, err := Parse("b.toml", out.Bytes()); err != nil || len(again.Entries) != len(b.Entries) {
			t.Errorf("%v\n%s", err, out.String())
		}
	})
}
