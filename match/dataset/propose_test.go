package dataset

import (
	"bytes"
	"encoding/csv"
	"errors"
	"reflect"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/pelletier/go-toml/v2"
	"pgregory.net/rapid"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/pointfile"
)

func linksFix(links ...match.Link) *cause.Explanation {
	return &cause.Explanation{Causes: []cause.Found{{Fix: &cause.Fix{Links: links}}}}
}

func TestProposeLinksKeepsEveryOtherByte(t *testing.T) {
	for _, c := range []struct{ name, settings, old, want string }{
		{"plain", "", "photo,point\nphotos/a.jpg,P1\nphotos/b.jpg,P2\n", "photo,point\nphotos/a.jpg,P1\nphotos/b.jpg,P9\n"},
		{"own columns, CRLF, mark, no last line end", "", bom + "note;point;photo\r\n\"x;\r\ny\"; P1 ;a.jpg\r\n;\"P \"\"2\"\"\";b.jpg",
			bom + "note;point;photo\r\n\"x;\r\ny\"; P1 ;a.jpg\r\n;P9;b.jpg"},
		{"tabs", "columns = [\"photo\", \"-\", \"point\"]\n", "a.jpg\t1\tP1\n\nb.jpg\t2\tP2\n", "a.jpg\t1\tP1\n\nb.jpg\t2\tP9\n"},
		{"another case of the extension", "", "photo,point\na.jpg,P1\nB.JPG,P2\n", "photo,point\na.jpg,P1\nB.JPG,P9\n"},
		{"empty point", "", "photo,point\na.jpg,P1\nb.jpg,\n", "photo,point\na.jpg,P1\nb.jpg,P9\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, err := OpenFS(fstest.MapFS{
				SettingsFile: {Data: []byte(minimal + "[links]\nfile = \"links.csv\"\n" + c.settings)},
				"links.csv":  {Data: []byte(c.old)},
			}, nil, onPlane)
			if err != nil {
				t.Fatal(err)
			}
			line := 0
			for i, l := range strings.Split(c.old, "\n") {
				if strings.Contains(strings.ToLower(l), "b.jpg") {
					line = i + 1
				}
			}
			files, notes, err := d.propose(linksFix(match.Link{Photo: "photos/b.jpg", Point: "P9", Line: line}), SurveyRead{}, nil)
			if err != nil || len(notes) != 0 || len(files) != 1 || files[0].Changes != 1 || files[0].File != "links.csv" {
				t.Fatalf("%+v, %v, %v", files, notes, err)
			}
			if got := string(files[0].Text); got != c.want {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
		})
	}
}

func TestProposeRefusesAnotherFile(t *testing.T) {
	open := func() *Dataset {
		d, err := OpenFS(fstest.MapFS{
			SettingsFile: {Data: []byte(minimal + "[links]\nfile = \"links.csv\"\n")},
			"links.csv":  {Data: []byte("photo,point\na.jpg,P1\n")},
		}, nil, onPlane)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	for _, l := range []match.Link{{Photo: "photos/b.jpg", Point: "P9", Line: 2}, {Photo: "photos/a.jpg", Point: "P9", Line: 3}, {Photo: "photos/aa.jpg", Point: "P9", Line: 2}} {
		if files, _, err := open().propose(linksFix(l), SurveyRead{}, nil); !errors.Is(err, errChanged) {
			t.Errorf("%+v: %v, %v", l, files, err)
		}
	}
	_, notes, err := open().propose(linksFix(match.Link{Photo: "photos/a.jpg", Point: "P9"}), SurveyRead{}, nil)
	if err != nil || len(notes) != 1 || !strings.Contains(notes[0], "points file") {
		t.Errorf("a link of the points file: %v, %v", notes, err)
	}
	_, notes, err = open().propose(linksFix(match.Link{Photo: "a.jpg", Point: "P8", Line: 2}, match.Link{Photo: "a.jpg", Point: "P9", Line: 2}), SurveyRead{}, nil)
	if err != nil || len(notes) != 1 || !strings.Contains(notes[0], "two causes") {
		t.Errorf("two proposals for one photo: %v, %v", notes, err)
	}
}

func TestProposePoints(t *testing.T) {
	fsys := fstest.MapFS{
		SettingsFile: {Data: []byte("[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n")},
		"points.csv": {Data: []byte("id;e;n;d\nP1;1,5;2,25;\"a;b\"\nP2;3;4;c\n")},
	}
	d, err := OpenFS(fsys, nil, onPlane)
	if err != nil {
		t.Fatal(err)
	}
	read := &PointsRead{Header: pointfile.Header{File: "points.csv", Format: pointfile.Delimited,
		Layout: &pointfile.Layout{Separator: ";", Decimal: ",", Header: true, Columns: []string{"id", "easting", "northing", "description"}}}}
	ex := func(p match.Point) *cause.Explanation {
		return &cause.Explanation{Causes: []cause.Found{{Fix: &cause.Fix{Points: []match.Point{p}}}}}
	}
	files, notes, err := d.propose(ex(match.Point{ID: "P1", EN: grid.EN{E: 2.25, N: 1.5}, Line: 2}), SurveyRead{Points: read}, nil)
	if want := "id;e;n;d\nP1;2,25;1,5;\"a;b\"\nP2;3;4;c\n"; err != nil || len(notes) != 0 || len(files) != 1 || string(files[0].Text) != want {
		t.Errorf("%v, %v, %v; want %q", files, notes, err, want)
	}
	if _, _, err := d.propose(ex(match.Point{ID: "P7", Line: 2}), SurveyRead{Points: read}, nil); !errors.Is(err, errChanged) {
		t.Errorf("another point on the line: %v", err)
	}
	read.From = &grid.Foot
	files, notes, err = d.propose(ex(match.Point{ID: "P1", Line: 2}), SurveyRead{Points: read}, nil)
	if err != nil || len(files) != 0 || len(notes) != 1 || !strings.Contains(notes[0], "converted") {
		t.Errorf("converted points: %v, %v, %v", files, notes, err)
	}
}

func TestSetTOML(t *testing.T) {
	for _, c := range []struct{ name, old, key, value, want string }{
		{"replaced, the comment stays", "[grid]\ncrs = \"EPSG:1\"  # ITM\n", "grid.crs", `"EPSG:2"`, "[grid]\ncrs = \"EPSG:2\"  # ITM\n"},
		{"into its table", "[frame]\nepoch = 2026.5 # x\n\n[points]\nfile = \"p\"\n", "frame.datum", `"D"`, "[frame]\nepoch = 2026.5 # x\ndatum = \"D\"\n\n[points]\nfile = \"p\"\n"},
		{"into an empty table at the end", "a = 1\n[frame]", "frame.datum", `"D"`, "a = 1\n[frame]\ndatum = \"D\"\n"},
		{"a table of its own, CRLF", "[points]\r\nfile = 'p'\r\n", "frame.datum", `"D"`, "[points]\r\nfile = 'p'\r\n\r\n[frame]\r\ndatum = \"D\"\r\n"},
		{"a quoted key", "[frame]\nepoch = 1.5\n", `frame.datums."LOCAL 3"`, `"EPSG:4230"`, "[frame]\nepoch = 1.5\n\n[frame.datums]\n\"LOCAL 3\" = \"EPSG:4230\"\n"},
		{"dotted", "frame.datum = 'a' # why\n", "frame.datum", `"D"`, "frame.datum = \"D\" # why\n"},
		{"no last line end", "[grid]\ncrs = 'x'", "grid.crs", `"y"`, "[grid]\ncrs = \"y\""},
		{"inline table has no room", "frame = {epoch = 1.5}\n", "frame.datum", `"D"`, ""},
		{"no table", "frame = 3\n", "frame.datum", `"D"`, ""},
		{"array of tables", "[[frame]]\ndatum = 'x'\n", "frame.datum", `"D"`, ""},
		{"not TOML", "[grid\n", "grid.crs", `"y"`, ""},
		{"value is no TOML", "[grid]\n", "grid.crs", `y"`, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := setTOML([]byte(c.old), c.key, c.value)
			if string(got) != c.want || (err == nil) != (c.want != "") {
				t.Errorf("got %q, %v\nwant %q", got, err, c.want)
			}
		})
	}
}

// Whatever the text, the outcome says what the old text says, and the new key.
func TestSetTOMLProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		doc := map[string]any{}
		for range rapid.IntRange(0, 5).Draw(t, "tables") {
			table := map[string]any{}
			for range rapid.IntRange(0, 4).Draw(t, "keys") {
				table[rapid.StringMatching(`[a-z ".é]{1,4}`).Draw(t, "key")] = rapid.OneOf(
					rapid.Just[any](true), rapid.Map(rapid.String(), func(s string) any { return s }),
					rapid.Map(rapid.Int64(), func(i int64) any { return i })).Draw(t, "value")
			}
			doc[rapid.StringMatching(`[a-z]{1,2}`).Draw(t, "table")] = table
		}
		old, err := toml.Marshal(doc)
		if err != nil {
			t.Skip(err)
		}
		table, key := rapid.StringMatching(`[a-z]{1,2}`).Draw(t, "in"), rapid.StringMatching(`[a-z ".é]{1,4}`).Draw(t, "set")
		out, err := setTOML(old, bareKey(table)+"."+bareKey(key), `"new"`)
		if err != nil {
			t.Fatalf("%q: %v", old, err)
		}
		if doc[table] == nil {
			doc[table] = map[string]any{}
		}
		doc[table].(map[string]any)[key] = "new"
		var got map[string]any
		if err := toml.Unmarshal(out, &got); err != nil || !reflect.DeepEqual(got, doc) {
			t.Fatalf("%q became %q: %v", old, out, err)
		}
	})
}

// Whatever stands in the fields, a row changed is the row asked for.
func TestProposeLinksProperty(t *testing.T) {
	field := rapid.StringMatching(`[a-z0-9 ",;.\n]{0,6}`)
	rapid.Check(t, func(t *rapid.T) {
		var b strings.Builder
		b.WriteString("note,photo,point\n")
		rows := rapid.IntRange(1, 5).Draw(t, "rows")
		for range rows {
			b.WriteString(quoted(field.Draw(t, "note"), ',') + ",a.jpg," + quoted(field.Draw(t, "point"), ',') + "\n")
		}
		d, err := OpenFS(fstest.MapFS{
			SettingsFile: {Data: []byte(minimal + "[links]\nfile = \"links.csv\"\n")},
			"links.csv":  {Data: []byte(b.String())},
		}, nil, onPlane)
		if err != nil {
			t.Fatal(err)
		}
		before, _, err := readLinks(d.fsys, d.settings.Links)
		if err != nil {
			t.Skip(err)
		}
		if len(before) == 0 {
			t.Skip("no row has a point")
		}
		line := before[len(before)-1].Line
		want := strings.TrimSpace(field.Draw(t, "new"))
		files, _, err := d.propose(linksFix(match.Link{Photo: "a.jpg", Point: want, Line: line}), SurveyRead{}, nil)
		if err != nil {
			t.Fatalf("%q: %v", b.String(), err)
		}
		d.fsys = fstest.MapFS{"links.csv": {Data: files[0].Text}}
		after, _, err := readLinks(d.fsys, d.settings.Links)
		if err != nil {
			t.Fatalf("%q became %q: %v", b.String(), files[0].Text, err)
		}
		before[len(before)-1].Point = want
		if want == "" {
			before = before[:len(before)-1]
		}
		if len(before) != len(after) {
			t.Fatalf("%q became %q", b.String(), files[0].Text)
		}
		for i := range before {
			if before[i].Point != after[i].Point {
				t.Fatalf("%q became %q", b.String(), files[0].Text)
			}
		}
	})
}

// FuzzSetTOML sets a key in whatever settings come. It is refused, or the text says
// what it said, but for the key.
func FuzzSetTOML(f *testing.F) {
	f.Add([]byte(minimal), "grid.crs", `"EPSG:29903"`)
	f.Add([]byte("\xEF\xBB\xBF[grid]\r\ncrs = '''a\r\n'''\r\n[points]\r\n"), "points.unit", `"ft"`)
	f.Add([]byte("grid = { crs = \"x\" }\n[[points]]\n"), "grid.unit.\"a b\"", "[1, 2]")
	f.Add([]byte("a.b = 1 # c"), "a.c", "1979-05-27T07:32:00Z")
	f.Add([]byte("a.b = 1"), "a.b", "\"x\" \t")
	f.Add([]byte("a.b = 1"), "a.b", "1 # one")
	f.Fuzz(func(t *testing.T, text []byte, key, value string) {
		saved := bytes.Clone(text)
		out, err := setTOML(text, key, value)
		if !bytes.Equal(text, saved) {
			t.Fatal("the text handed in was changed")
		}
		if err != nil {
			return
		}
		again, err := setTOML(out, key, value)
		if err == nil && !bytes.Equal(again, out) { // a list, once it is there, can't be told from what follows
			t.Fatalf("%q, and the second time %q", out, again)
		}
	})
}

// FuzzField writes whatever text as a field of delimited text and finds its end.
func FuzzField(f *testing.F) {
	for _, s := range []string{"", "a", `"`, "a,b;c\td", "\r", "x\ny", ` "a"`, "\ufeffa", `\.`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for _, comma := range ",;\t|" {
			text := quoted(s, comma)
			if n := fieldLength([]byte(text+string(comma)+"b\n"), comma); n != len(text) {
				t.Fatalf("%q is %q, of which %d bytes are a field", s, text, n)
			}
			r := csv.NewReader(strings.NewReader(text + string(comma) + "b\n"))
			r.Comma = comma
			row, err := r.Read()
			// A carriage return before a line feed is dropped by the reader.
			if want := strings.ReplaceAll(s, "\r\n", "\n"); err != nil || len(row) != 2 || row[0] != want {
				t.Fatalf("%q comes back as %q, %v", s, row, err)
			}
		}
	})
}

// A file that counts to the west and to the south gets its new coordinates that way.
func TestProposeWestings(t *testing.T) {
	fsys := fstest.MapFS{
		SettingsFile: {Data: []byte("[grid]\ncrs = \"EPSG:2053\"\n[points]\nfile = \"points.csv\"\n")},
		"points.csv": {Data: []byte("id,southing,westing\nP1,2.25,1.5\n")},
	}
	d, err := OpenFS(fsys, nil, onPlane)
	if err != nil {
		t.Fatal(err)
	}
	points, _, read, err := d.Points(t.Context())
	if err != nil || points[0].EN != (grid.EN{E: -1.5, N: -2.25}) {
		t.Fatal(points, err)
	}
	moved := match.Point{ID: "P1", EN: grid.EN{E: 0, N: -7}, Line: 2}
	files, _, err := d.propose(&cause.Explanation{Causes: []cause.Found{{Fix: &cause.Fix{Points: []match.Point{moved}}}}}, read, nil)
	if want := "id,southing,westing\nP1,7,0\n"; err != nil || len(files) != 1 || string(files[0].Text) != want {
		t.Errorf("%v, %v; want %q", files, err, want)
	}
}
