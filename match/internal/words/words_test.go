package words

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"example.com/phototie/grid"
)

func TestFigures(t *testing.T) {
	foot := grid.Unit{Name: "foot", Symbol: "ft", Metres: 0.3048}
	for _, c := range []struct{ got, want string }{
		{Count(0), "0"}, {Count(-1234), "-1234"}, {Count(12345), "12\u202f345"}, {Count(-1234567), "-1\u202f234\u202f567"},
		{Plural(0, "photo"), "0 photos"}, {Plural(1, "photo"), "1 photo"}, {Plural(2, "photo"), "2 photos"},
		{Plural(1, "entry", "entries"), "1 entry"}, {Plural(20000, "entry", "entries"), "20\u202f000 entries"},
		{Length(0), "0.00"}, {Length(-0.123), "-0.12"}, {Length(0.994), "0.99"}, {Length(0.996), "1.0"}, {Length(11.54), "11.5"}, {Length(99.96), "100"},
		{Length(999.96), "1000"}, {Length(-12345.6), "-12\u202f346"}, {Length(3e12), "3e+12"},
		{Distance(12345, foot), "12\u202f345 ft"}, {InUnit(9999.4, grid.Unit{}), "9999 m"}, {Distance(915503, grid.Metre), "916 km"}, {InUnit(3.048, grid.Foot), "10.0 ft"},
		{Range(5.84, 5.841, grid.Metre), "5.8 m"}, {Range(5.8, 11.5, grid.Metre), "5.8 to 11.5 m"}, {Range(5, 20000, grid.Metre), "5.0 m to 20.0 km"},
		{Chance(1), "most"}, {Chance(0.446), "4 in 10"}, {Chance(0.05), "1 in 20"}, {Chance(0.0123), "1 in 81"}, {Chance(2.1e-5), "1 in 48\u202f000"}, {Chance(0), "no"},
		{Stated(0.1, grid.Metre), "0.1 m"}, {Stated(4.5, grid.Foot), "15 ft (4.5 m)"}, {Stated(0.0123, grid.Foot), "0.04 ft (0.012 m)"}, {Figure(999), "999"},
		{UnitName(grid.Foot), "international foot"}, {UnitName(grid.USSurveyFoot), "US survey foot"}, {Degrees(359.7), "0°"}, {Degrees(71.6), "72°"},
		{Percent(0), "< 0.1 %"}, {Percent(0.05), "5.0 %"}, {Percent(0.5), "50 %"}, {Percent(0.995), "99.5 %"}, {Percent(1), "> 99.9 %"},
		{Clip("abcdefgh", 5), "abcd…"}, {strings.Join(Wrap("a bc  def toolong x", 4), "/"), "a bc/def/toolong/x"}, {TOML("a\"\\\n\u202e\U000e0041"), `"a\"\\\n\u202E\U000E0041"`},
		{Day("2025-05-21"), "21 May 2025"}, {Day("soon"), "soon"},
		{List(nil, 4), ""}, {List([]string{"A"}, 4), "A"}, {List([]string{"A", "B", "C", "D"}, 4), "A, B, C and D"},
		{List(strings.Fields("A B C D E F"), 4), "A, B, C and 3 more"},
		{Shift(3, -4, 0.5, 12, grid.Metre), "its tags are 5.0 m off as a whole, E +3.0, N -4.0 m (standard error 0.50 m, 12 photos)"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}

func TestSpan(t *testing.T) {
	for _, c := range []struct {
		d    time.Duration
		want string
	}{
		{0, "as B1 was surveyed"}, {-900 * time.Millisecond, "as B1 was surveyed"},
		{40 * time.Second, "40 s after B1 was surveyed"}, {-119 * time.Second, "119 s before B1 was surveyed"},
		{2 * time.Minute, "2 min after B1 was surveyed"}, {200 * time.Second, "3 min 20 s after B1 was surveyed"},
		{3600 * time.Second, "1 h after B1 was surveyed"}, {7500 * time.Second, "2 h 5 min after B1 was surveyed"},
		{7199 * time.Second, "2 h after B1 was surveyed"}, {-80 * time.Hour, "3 days before B1 was surveyed"},
	} {
		if got := relative(c.d, "B1"); got != c.want {
			t.Errorf("%v: %q, want %q", c.d, got, c.want)
		}
	}
}

func TestEvidence(t *testing.T) {
	near, far, after := 3.5, 31.25, 40*time.Second
	e := Evidence{Listed: []string{"QW17"}, Named: []Named{{"the file name", "QW16"}}, Unit: grid.Metre,
		Rivals: []Rival{{"QW16", &near, &after}, {"QW17", &far, nil}}, After: 3, Walk: 4}
	want := "listed for QW17; the file name names QW16; tag 3.5 m from QW16 and 31.2 m from QW17; taken 40 s after QW16 was surveyed; " +
		"this and the next 3 photos are linked one point late; the photos before and after agree"
	if got := strings.Join(e.Sentences(), "; "); got != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
	for _, c := range []struct {
		before, after int
		want          string
	}{
		{0, 1, "this and the next photo are"}, {1, 0, "this and the previous photo are"}, {2, 1, "this, the previous 2 photos and the next photo are"},
	} {
		e.Before, e.After, e.Early = c.before, c.after, true
		if got := strings.Join(e.Sentences(), "; "); !strings.Contains(got, c.want+" linked one point early") {
			t.Errorf("%s: want %s", got, c.want)
		}
	}
}

// figures are facts for tests: numbers and texts by name, all lengths in metres.
type figures map[string]any

func (f figures) Has(name string) bool { _, ok := f[name]; return ok }
func (f figures) Unit(string) string   { return "m" }

func (f figures) Value(name string) float64 {
	v, _ := f[name].(float64)
	return v
}

func (f figures) Text(name string) string {
	if ts := f.Texts(name); len(ts) > 0 {
		return ts[0]
	}
	return ""
}

func (f figures) Texts(name string) []string {
	switch v := f[name].(type) {
	case string:
		return []string{v}
	case []string:
		return v
	}
	return nil
}

func TestFindings(t *testing.T) {
	for _, c := range []struct {
		code, message, remedy string
		facts                 figures
	}{
		{"link-contradicted", "the link to QW17 is probably wrong (probability correct < 0.1 %): the photo shows QW16 (probability > 99.9 %); no link; no", "look at the photo: if it shows QW16, mend the link",
			figures{"linked point": "QW17", "probability correct": 0.0001, "point shown": "QW16", "probability": 0.9999, "evidence": []string{"no link", "no"}}},
		{"link-doubtful", "the link to QW17 is in doubt (probability correct 30 %): the photo may show no point of the survey (probability 60 %); no", "look at the photo: if it shows no point, take the link out",
			figures{"linked point": "QW17", "probability correct": 0.3, "probability": 0.6, "evidence": "no"}},
		{"point-too-few-photos", "0 of 2 photos required for code MH; not counted: 1 a copy of another, 2 blurred", "",
			figures{"photos": 0.0, "photos required": 2.0, "code": "MH", "not counted": []string{"blurred", "a copy of another", "blurred"}}},
		{"photo-markup-pair", "it looks like a marked-up copy of a.jpg: 2.0 % of it differ. Doubtful, as only the pixels say so; this one is tied to A, the other to B", "keep the tie that is right for both",
			figures{"other photo": "a.jpg", "known by": "pixels", "pixels that differ": 2.0, "point": "A", "other point": "B"}},
		{"photo-markup-pair", "by its name it is a marked-up copy of a.jpg; their pixels were not compared", "deliver both, if it is", figures{"other photo": "a.jpg", "known by": "name"}},
		{"of-another-program", "as it says", "", figures{"why": "as it says"}},
	} {
		if message, remedy := Finding(c.code, c.facts); message != c.message || remedy != c.remedy {
			t.Errorf("%s: %q, %q", c.code, message, remedy)
		}
	}
}

// Every sentence can be filled in, with facts and without, of one photo and of several.
func TestSentences(t *testing.T) {
	full := figures{}
	for _, m := range regexp.MustCompile(`\.[A-Z][a-zA-Z]* "([^"]+)"`).FindAllStringSubmatch(sentencesText, -1) {
		full[m[1]] = 1.5
		if m[1] == "known by" || m[1] == "not counted" || strings.HasSuffix(m[1], "evidence") {
			full[m[1]] = []string{"name", "pixels"}
		}
	}
	for _, facts := range []figures{full, {}} {
		for _, photos := range [][]string{{"a.jpg"}, {"a.jpg", "b.jpg"}, {"a.jpg", "b.jpg", "c.jpg", "d.jpg"}} {
			c := Cause{Facts: facts, Photos: photos, LinkTo: "B1"}
			for _, s := range sentences().Templates() {
				say(strings.TrimSuffix(s.Name(), "!"), causeWords{c, finding{facts}})
			}
		}
	}
	for name, parts := range map[string]int{"tag-gross": 2, "tag-over-budget": 2, "late-run": 2, "baseline-unused": 1} {
		for i := range parts {
			if sentences().Lookup(name+"!"[:i]) == nil {
				t.Errorf("%s has no part %d", name, i)
			}
		}
	}
}

func TestSafe(t *testing.T) {
	for in, want := range map[string]string{
		"BM 7 – Größe, 写真 🏗️": "BM 7 – Größe, 写真 🏗️", // letters of any script, and emoji with a selector
		"👩\u200d🔧":            "👩\u200d🔧",            // a joiner makes one emoji of two
		"a\x1b[2Jb":           `a\x1b[2Jb`,
		"a\u202eb\u2066":      `a\u202eb\u2066`,
		"a\nb\tc\r":           `a\nb\tc\r`,
		"a\u2028b\x85":        `a\u2028b\x85`,
		"a\ufeffb\u00ad":      `a\ufeffb\u00ad`,
		"a\xffb\u0085":        `a\xffb\u0085`,
		"a\U000e0041b":        `a\U000e0041b`,
	} {
		if got := Safe(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
	if got, want := SafeLines("a\n\tb\u202e\r"), "a\n\tb"+`\u202e\r`; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// What is made safe has nothing that acts, keeps the rest, and is JSON still where
// it was.
func FuzzSafe(f *testing.F) {
	for _, s := range []string{"", "a\x1b", "\u202e\xff", "\U000e0041\U0001f3d7\ufe0f", "\\n\n\u2028"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := Safe(s)
		for _, r := range got {
			if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || r == '\u2028' || r == '\u2029' {
				t.Fatalf("%q has %U", got, r)
			}
		}
		if !utf8.ValidString(got) || Safe(got) != got || len(got) < utf8.RuneCountInString(s) {
			t.Fatalf("%q of %q", got, s)
		}
		if lines := SafeLines(s); strings.Count(lines, "\n") != strings.Count(s, "\n") {
			t.Fatalf("%q of %q", lines, s)
		}
		text, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		var back, want string
		safe := SafeJSON(string(text))
		if err := json.Unmarshal([]byte(safe), &back); err != nil {
			t.Fatalf("%s: %v", safe, err)
		}
		if err := json.Unmarshal(text, &want); err != nil || back != want {
			t.Fatalf("%q became %q", want, back)
		}
		for _, r := range safe {
			if acts(r) {
				t.Fatalf("%s has %U", safe, r)
			}
		}
	})
}

func ExampleFinding() {
	message, remedy := Finding("tag-gross", figures{"distance": 14.23, "allowed": 5.839, "confidence": 95.0, "bearing": 250.0, "nearest point": "QW18", "nearest distance": 3.1})
	fmt.Println(message)
	fmt.Println(remedy)
	// Output:
	// the tag is 14.2 m from the point on grid bearing 250°; 5.8 m allowed at 95 %; nearest to the tag is QW18 at 3.1 m
	// look at the photo: does it show QW18 instead?
}
