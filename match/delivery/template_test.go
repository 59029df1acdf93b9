package delivery

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"path"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
	"pgregory.net/rapid"
)

func parse(t testing.TB, text string) *Template {
	t.Helper()
	tmpl, err := ParseTemplate(text)
	if err != nil {
		t.Fatal(err)
	}
	return tmpl
}

func TestParseTemplateRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"":                          "is empty",
		"photo":                     "would name all photos the same",
		"{code}/photo":              "would name all photos the same",
		"{pt}":                      "no placeholder {pt}; known are {point}, {n}",
		"{pont}":                    `no placeholder {pont}; did you mean "{point}"?`,
		"{}":                        "no placeholder {}",
		"{point":                    "a brace has no other",
		"point}":                    "a brace has no other",
		"{{point}}":                 "a brace has no other",
		"{point}}":                  "a brace has no other",
		"../{point}":                "begins with a dot",
		"{code}/../../{n}":          "begins with a dot",
		"./{point}":                 "begins with a dot",
		".{point}":                  "begins with a dot",
		"{point}.":                  "end with a dot",
		"a./{point}":                "end with a dot",
		"/{point}":                  "is empty",
		"{point}/":                  "is empty",
		"a//{point}":                "is empty",
		"a/b/c/d/e/{n}":             "more than 4 folders",
		`a\{point}`:                 "can't stand in a file's name",
		"c:{point}":                 "can't stand in a file's name",
		"{point} {n}":               "can't stand in a file's name",
		"{point}\x00{n}":            "can't stand in a file's name",
		"{point}\xff":               "can't stand in a file's name",
		"{point}\u202e{n}":          "can't stand in a file's name",
		"{nnnnnnn}":                 "no placeholder",
		"u\u0308{point}":            "can't stand in a file's name", // not in form C
		"{point}{" + "n" + "}{date": "a brace has no other",
	} {
		if _, err := ParseTemplate(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

func day(d, h, m, s int) time.Time { return time.Date(2025, 5, d, h, m, s, 0, time.UTC) }

func TestNames(t *testing.T) {
	photos := []Named{
		{Path: "photos/day1/IMG_2.JPG", Tied: true, Point: "B01", Code: "BOL", Taken: day(20, 9, 30, 0), Camera: "QM7-1"},
		{Path: "photos/day1/IMG_1.JPG", Tied: true, Point: "B01", Code: "BOL", Taken: day(20, 9, 31, 5), Camera: "QM7-1"},
		{Path: "photos/day1/IMG_3.png", Tied: true, Point: "B01", Code: "BOL"},
		{Path: "photos/a.jpg", Tied: true, Point: "P 1/2", Taken: day(21, 0, 0, 0)},
		{Path: "photos/b.jpg", Tied: true, Point: "P-1-2", Taken: day(21, 0, 0, 0)},
		{Path: "photos/c.jpg", Tied: true, Point: "../../etc", Code: "..", Camera: "a/b"},
		{Path: "photos/d.jpg", Tied: true, Point: "CON"},
		{Path: "photos/e.jpg", Tied: true, Point: ".hidden"},
		{Path: "photos/f.jpg", Tied: true, Point: "b01", Taken: day(20, 9, 30, 0)},
		{Path: "photos/day1/loose.jpg"}, {Path: "photos/day2/Loose.JPG"},
		{Path: "p/x.jpg", Original: "first/y.tif"},
	}
	for _, c := range []struct {
		template string
		want     []string
	}{
		{DefaultTemplate, []string{"B01_1_2025-05-20.JPG", "B01_2_2025-05-20.JPG", "B01_3_undated.png", "P-1-2-2_1_2025-05-21.jpg", "P-1-2_1_2025-05-21.jpg",
			"_-..-etc_1_undated.jpg", "CON_1_undated.jpg", "_hidden_1_undated.jpg", "b01-2_1_2025-05-20.jpg", "untied/loose.jpg", "untied/Loose-2.JPG", "untied/y.jpg"}},
		{"{code}/{point}", []string{"BOL/B01-2.JPG", "BOL/B01.JPG", "BOL/B01-3.png", "uncoded/P-1-2-2.jpg", "uncoded/P-1-2.jpg",
			"_/_-..-etc.jpg", "uncoded/_CON.jpg", "uncoded/_hidden.jpg", "uncoded/b01-2.jpg", "untied/loose.jpg", "untied/Loose-2.JPG", "untied/y.jpg"}},
		{"{camera}-{name}-{time}-{nnn}", []string{"QM7-1-IMG_2-093000-001.JPG", "QM7-1-IMG_1-093105-002.JPG", "unnamed-IMG_3-untimed-003.png", "unnamed-a-000000-001.jpg", "unnamed-b-000000-001.jpg",
			"a-b-c-untimed-001.jpg", "unnamed-d-untimed-001.jpg", "unnamed-e-untimed-001.jpg", "unnamed-f-093000-001.jpg", "untied/loose.jpg", "untied/Loose-2.JPG", "untied/y.jpg"}},
	} {
		got := parse(t, c.template).Names(photos)
		for i, p := range photos {
			if got[p.Path] != c.want[i] {
				t.Errorf("%s: %s is named %q, want %q", c.template, p.Path, got[p.Path], c.want[i])
			}
		}
	}
}

// A raw photo and the image taken with it may share a stem, two photos not: their
// side-car files would be one.
func TestNamesStems(t *testing.T) {
	got := parse(t, "{point}").Names([]Named{
		{Path: "d/1.NEF", Tied: true, Point: "A"}, {Path: "d/1.JPG", Tied: true, Point: "A"},
		{Path: "d/2.NEF", Tied: true, Point: "A"}, {Path: "d/3.jpg", Tied: true, Point: "A"}, {Path: "e/1.CR2", Tied: true, Point: "A"},
	})
	want := map[string]string{"d/1.NEF": "A.NEF", "d/1.JPG": "A.JPG", "d/2.NEF": "A-2.NEF", "d/3.jpg": "A-3.jpg", "e/1.CR2": "A-4.CR2"}
	if !maps.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

// One spelling a folder, and none that is the untied photos' own.
func TestNamesFolders(t *testing.T) {
	got := parse(t, "{code}/{name}").Names([]Named{
		{Path: "1.jpg", Tied: true, Point: "A", Code: "Tree"}, {Path: "2.jpg", Tied: true, Point: "B", Code: "TREE"},
		{Path: "3.jpg", Tied: true, Point: "C", Code: "Untied"}, {Path: "4.jpg"},
	})
	want := map[string]string{"1.jpg": "Tree/1.jpg", "2.jpg": "Tree/2.jpg", "3.jpg": "Untied_/3.jpg", "4.jpg": "untied/4.jpg"}
	if !maps.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

// unsafe says what makes a path unfit for one of the systems.
func unsafe(name string) string {
	if !utf8.ValidString(name) || !norm.NFC.IsNormalString(name) {
		return "its text"
	}
	if path.IsAbs(name) || path.Clean(name) != name || len(name) > 600 {
		return "its path"
	}
	for e := range strings.SplitSeq(name, "/") {
		before, _, _ := strings.Cut(e, ".")
		switch {
		case e == "" || e[0] == '.' || strings.HasSuffix(e, ".") || strings.TrimSpace(e) != e || len(e) > 150:
			return "the element " + e
		case strings.ContainsAny(e, "<>:\"\\|?*\x00"):
			return "a character of " + e
		case slices.Contains([]string{"con", "prn", "aux", "nul", "com1", "lpt9"}, strings.ToLower(before)):
			return "a device's name"
		}
		for _, r := range e {
			if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r == utf8.RuneError {
				return fmt.Sprintf("the character %U", r)
			}
		}
	}
	return ""
}

// sound holds names against what every system wants.
func sound(t interface {
	Helper()
	Errorf(string, ...any)
}, tmpl *Template, photos []Named) {
	t.Helper()
	got := tmpl.Names(photos)
	if len(got) != len(photos) {
		t.Errorf("%d names for %d photos", len(got), len(photos))
	}
	seen := map[string]string{}
	folders := map[string]string{}
	for _, p := range photos {
		name := got[p.Path]
		if why := unsafe(name); why != "" {
			t.Errorf("%s: %+q for %+q is unsafe: %s", tmpl, name, p.Path, why)
		}
		// Windows and macOS, in turn: names that are alike in capitals or small letters.
		for _, key := range []string{"u" + strings.ToUpper(name), "l" + strings.ToLower(name), "d" + strings.ToLower(norm.NFD.String(name))} {
			if other, ok := seen[key]; ok {
				t.Errorf("%s: %+q and %+q have the same name %+q", tmpl, p.Path, other, name)
			}
			seen[key] = p.Path
		}
		for dir := path.Dir(name); dir != "."; dir = path.Dir(dir) {
			if other, ok := folders[strings.ToLower(dir)]; ok && other != dir {
				t.Errorf("%s: the folders %+q and %+q are one on some systems", tmpl, dir, other)
			}
			folders[strings.ToLower(dir)] = dir
		}
		if p.Tied == strings.HasPrefix(strings.ToLower(name), UntiedFolder+"/") {
			t.Errorf("%s: %+q, tied %v, is at %+q", tmpl, p.Path, p.Tied, name)
		}
		if !strings.HasSuffix(p.Path, path.Ext(name)) {
			t.Errorf("%s: %+q lost its extension in %+q", tmpl, p.Path, name)
		}
	}
	shuffled := slices.Clone(photos)
	rand.New(rand.NewPCG(1, 2)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	if again := tmpl.Names(shuffled); !maps.Equal(got, again) {
		t.Errorf("%s: another order gives other names:\n%v\n%v", tmpl, got, again)
	}
}

// awkward are texts that some system minds in a name.
var awkward = []string{"", " ", ".", "..", "../..", "/", `\`, "a/b", "CON", "con.x", "aux", "COM1", "NUL.", "a.", "a ", ".a", "-", "A", "a", "B01", "b01",
	"ü", "u\u0308", "Ü", "ß", "ss", "SS", "ſ", "K", "K", "İ", "ı", "i", "I", "\u202ea", "a\x00b", "a\nb", "\xff", "\xfe", "\ufffd", "e\u200d", "❤\ufe0f", "❤",
	"untied", "UNTIED", "untied_", strings.Repeat("x", 300), strings.Repeat("x", 301), strings.Repeat("é", 200), strings.Repeat("e\u0301", 99), strings.Repeat("\u0301", 200), "a:b", "a*", "a-2", "a-3", "{n}", "%", "~", "日本"}

func TestNamesAlwaysSound(t *testing.T) {
	text := rapid.OneOf(rapid.SampledFrom(awkward), rapid.String(), rapid.StringN(0, 3, 8))
	literal := rapid.SampledFrom([]string{"", "_", "-", "a", "x.y", "/", "ü"})
	placeholder := rapid.SampledFrom([]string{"{point}", "{n}", "{nn}", "{date}", "{time}", "{code}", "{camera}", "{name}"})
	times := rapid.SampledFrom([]time.Time{{}, day(20, 9, 0, 0), day(20, 9, 0, 1), day(21, 0, 0, 0).In(time.FixedZone("", 3600))})
	ext := rapid.SampledFrom([]string{".jpg", ".JPG", ".dng"})
	rapid.Check(t, func(t *rapid.T) {
		var tmpl *Template
		for tmpl == nil {
			var b strings.Builder
			for range rapid.IntRange(1, 4).Draw(t, "parts") {
				b.WriteString(literal.Draw(t, "text") + placeholder.Draw(t, "placeholder") + literal.Draw(t, "text"))
			}
			tmpl, _ = ParseTemplate(b.String())
		}
		var photos []Named
		seen := map[string]bool{}
		for i := range rapid.IntRange(1, 25).Draw(t, "photos") {
			p := Named{Path: fmt.Sprintf("photos/%d/%s%s", i%3, strings.ReplaceAll(text.Draw(t, "name"), "/", "_"), ext.Draw(t, "ext")),
				Tied: rapid.IntRange(0, 4).Draw(t, "tied") > 0, Point: text.Draw(t, "point"), Code: text.Draw(t, "code"), Taken: times.Draw(t, "taken"), Camera: text.Draw(t, "camera")}
			if !seen[p.Path] {
				seen[p.Path] = true
				photos = append(photos, p)
			}
		}
		sound(t, tmpl, photos)
	})
}

// Photos and points by the thousand that would all be called the same get their
// numbers in time that grows with them, not with their square.
func TestManyOfOneName(t *testing.T) {
	const n = 5_000
	var photos []Named
	for i := range n {
		photos = append(photos, Named{Path: fmt.Sprintf("photos/%d/a.jpg", i), Tied: true, Point: "A"},
			Named{Path: fmt.Sprintf("untied/%d/a.jpg", i)},
			Named{Path: fmt.Sprintf("ids/%d/a.jpg", i), Tied: true, Point: strings.Repeat("x", 100) + fmt.Sprint(i)})
	}
	// Beside as many that are all called something else.
	apart := slices.Clone(photos)
	for i := range apart {
		apart[i].Tied, apart[i].Point = true, fmt.Sprint(i)
	}
	took := func(photos []Named) (map[string]string, time.Duration) {
		start := time.Now()
		got := parse(t, "{point}").Names(photos)
		return got, time.Since(start)
	}
	_, want := took(apart)
	got, is := took(photos)
	if is > 30*want {
		t.Errorf("%d names took %v, as many that are apart %v", len(got), is, want)
	}
	seen := map[string]bool{}
	for _, name := range got {
		seen[strings.ToLower(name)] = true
	}
	if len(seen) != 3*n || got["photos/0/a.jpg"] != "A.jpg" || !seen[fmt.Sprintf("untied/a-%d.jpg", n)] {
		t.Errorf("%d names of %d", len(seen), 3*n)
	}
}

// The photos of two points never share what {point} stands for.
func TestPointsStayApart(t *testing.T) {
	var photos []Named
	for i, id := range awkward {
		photos = append(photos, Named{Path: fmt.Sprintf("%d.jpg", i), Tied: true, Point: id})
	}
	label := labels(photos)
	seen := map[string]string{}
	for _, id := range awkward {
		key := strings.ToLower(strings.ToUpper(label[id]))
		if other, ok := seen[key]; ok && other != id {
			t.Errorf("points %+q and %+q are both %+q", id, other, label[id])
		}
		seen[key] = id
	}
	if label["B01"] != "B01" || label["日本"] != "日本" {
		t.Errorf("plain ids are changed: %q, %q", label["B01"], label["日本"])
	}
}

func FuzzTemplate(f *testing.F) {
	for _, text := range []string{DefaultTemplate, "{code}/{point}_{nn}", "{camera}/{date}/{time}-{name}", "{{n}}", "../{n}"} {
		f.Add(text, "B01", "b01", "a.jpg")
	}
	f.Add("{point}", "CON", "../x", "a\x00.jpg")
	f.Fuzz(func(t *testing.T, text, one, two, name string) {
		tmpl, err := ParseTemplate(text)
		if err != nil {
			return
		}
		name = strings.ReplaceAll(name, "/", "_")
		sound(t, tmpl, []Named{
			{Path: "p/1" + name + ".jpg", Tied: true, Point: one, Code: two, Camera: name},
			{Path: "p/2" + name + ".jpg", Tied: true, Point: two, Code: one, Camera: one},
			{Path: "p/3" + name + ".JPG", Tied: true, Point: two, Code: one, Camera: one, Original: name},
			{Path: "q/" + name + ".jpg"}, {Path: "r/" + name + ".jpg"},
		})
	})
}
