package dataset

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

const minimal = "[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n"

// plane is a grid that has no frames: enough for points that are on it.
type plane struct{ unit grid.Unit }

func (p plane) Grid() grid.Grid { return grid.Grid{Name: "test plane", Code: "TEST:1", Unit: p.unit} }

func (plane) ToGrid(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	return nil, errors.New("no frames here")
}

func (plane) FromGrid(ctx context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	return nil, errors.New("no frames here")
}

// onPlane opens the plane, whatever the definition.
func onPlane(string, grid.OpenOptions) (grid.Projection, error) { return plane{grid.Metre}, nil }

// readOn reads a points file onto a plane.
func readOn(fsys fs.FS, s PointSettings, unit grid.Unit) ([]match.Point, error) {
	d := &Dataset{settings: Settings{Points: s}, fsys: fsys, open: onPlane, proj: plane{unit}}
	got, _, _, err := d.Points(context.Background())
	return got, err
}

// points reads text as a points file with the settings added to the minimal ones.
func points(t *testing.T, text string, s PointSettings) ([]match.Point, error) {
	t.Helper()
	s.File = "points.csv"
	return readOn(fstest.MapFS{"points.csv": {Data: []byte(text)}}, s, grid.Metre)
}

// Column orders as data collectors export them: common practice, no source.
func TestPointsColumnOrders(t *testing.T) {
	want := match.Point{ID: "B-01", EN: grid.EN{E: 714312.2, N: 558204.75}, Code: "BOL", Desc: "cast bollard"}
	for _, c := range []struct {
		name, text string
		s          PointSettings
	}{
		{"header", "id,easting,northing,code,description\nB-01,714312.2,558204.75,BOL,cast bollard\n", PointSettings{}},
		{"header in capitals, own column, other order", "Code;Northing;Crew;Easting;Point ID;Desc\nBOL;558204.75;two;714312.2;B-01;cast bollard\n", PointSettings{Separator: ";"}},
		{"P,N,E,C,D without header", "B-01,558204.75,714312.2,BOL,cast bollard\n", PointSettings{Columns: []string{"P", "N", "E", "C", "D"}}},
		{"P,E,N,C,D without header", "B-01,714312.2,558204.75,BOL,cast bollard\n", PointSettings{Columns: []string{"P", "E", "N", "C", "D"}}},
		{"columns and header that agree", "P,E,N,C,D\nB-01,714312.2,558204.75,BOL,cast bollard\n", PointSettings{Columns: []string{"id", "easting", "northing", "code", "description"}}},
		{"a column passed over", "B-01,x,714312.2,558204.75,BOL,cast bollard\n", PointSettings{Columns: []string{"id", "-", "easting", "northing", "code", "description"}}},
		{"byte order mark and CRLF", "\uFEFFid,easting,northing,code,description\r\nB-01,714312.2,558204.75,BOL,cast bollard\r\n", PointSettings{}},
		{"tabs", "id\teasting\tnorthing\tcode\tdescription\nB-01\t714312.2\t558204.75\tBOL\tcast bollard\n", PointSettings{Separator: "\t"}},
		{"decimal comma", "id;easting;northing;code;description\nB-01;714312,2;558204,75;BOL;cast bollard\n", PointSettings{Separator: ";", Decimal: ","}},
		{"quotes, blanks and blank rows", "id,easting,northing,code,description\n\n \"B-01\" , 714312.2 , 558204.75 ,BOL,\"cast bollard\"\n,,,,\n", PointSettings{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := points(t, strings.Replace(c.text, " \"B-01\" ", "\"B-01\"", 1), c.s)
			if err != nil {
				t.Fatal(err)
			}
			if len(got) != 1 {
				t.Fatalf("%d points, want 1", len(got))
			}
			p := got[0]
			p.Line = 0
			if p != want {
				t.Errorf("got %+v, want %+v", p, want)
			}
		})
	}
}

func TestPointsHeightTimeAccuracy(t *testing.T) {
	got, err := points(t, "id,e,n,z,observed,sigma_e,sigma_n,cov_en\nA,1,2,10,2026-06-03T09:15:00+01:00,0.02,0.03,0.0001\nB,1,2,,,,,\n",
		PointSettings{HeightUnit: "ft"})
	if err != nil {
		t.Fatal(err)
	}
	if h := got[0].Height; h == nil || math.Abs(*h-3.048) > 1e-12 {
		t.Errorf("height %v, want 3.048 m (10 international feet)", h)
	}
	if want := time.Date(2026, 6, 3, 8, 15, 0, 0, time.UTC); !got[0].Observed.Equal(want) {
		t.Errorf("observed %v, want %v", got[0].Observed, want)
	}
	if c := got[0].Cov; c == nil || math.Abs(c[0]-4e-4) > 1e-12 || math.Abs(c[1]-1e-4) > 1e-12 || math.Abs(c[2]-9e-4) > 1e-12 {
		t.Errorf("covariance %v, want 0.0004 0.0001 0.0009", c)
	}
	if got[1].Height != nil || got[1].Cov != nil || !got[1].Observed.IsZero() {
		t.Errorf("empty cells became values: %+v", got[1])
	}
}

// Sigmas in the file are in the grid's unit, the covariance in square metres.
func TestPointsSigmaInFeet(t *testing.T) {
	got, err := readOn(fstest.MapFS{"p": {Data: []byte("id,e,n,sigma\nA,1,2,0.1\n")}}, PointSettings{File: "p"}, grid.USSurveyFoot)
	if err != nil {
		t.Fatal(err)
	}
	want := math.Pow(0.1*1200/3937, 2)
	if c := got[0].Cov; c == nil || math.Abs(c[0]-want) > 1e-15 || c[1] != 0 || c[0] != c[2] {
		t.Errorf("covariance %v, want %v on the diagonal", c, want)
	}
}

// Each bad points file must give errors that name file, line and column (where
// there is one) and say what to do.
func TestPointsProblems(t *testing.T) {
	head := "id,easting,northing\n"
	for _, c := range []struct {
		name, text string
		s          PointSettings
		want       []string
	}{
		{"empty file", "", PointSettings{}, []string{"points.csv: the file is empty"}},
		{"header only", head, PointSettings{}, []string{"no points in it"}},
		{"no header", "B-01,714312.2,558204.75\n", PointSettings{}, []string{"points.csv:1", "no column for id, easting, northing", `"B-01"`, "columns = "}},
		{"x and y", "id,x,y\nA,1,2\n", PointSettings{}, []string{"no column for easting, northing"}},
		{"duplicate id", head + "A,1,2\nB,3,4\nA,5,6\n", PointSettings{}, []string{`points.csv:4:1: point id "A" stands already in line 2`}},
		{"no id", head + ",1,2\n", PointSettings{}, []string{"points.csv:2:1: the point has no id"}},
		{"letter O", head + "A,7143O2.2,5\n", PointSettings{}, []string{`points.csv:2:3: easting "7143O2.2" is not a number`}},
		{"not finite", head + "A,NaN,Inf\n", PointSettings{}, []string{"points.csv:2:3", "points.csv:2:7"}},
		{"hexadecimal", head + "A,0x1p4,1\n", PointSettings{}, []string{"points.csv:2:3"}},
		{"overflow", head + "A,1e999,1\n", PointSettings{}, []string{"points.csv:2:3"}},
		{"decimal comma unquoted", head + "A,714312,20,558204,75\n", PointSettings{}, []string{"points.csv:2: 5 fields where 3 are due", `decimal = ","`}},
		{"decimal comma quoted", head + "A,\"714312,20\",\"558204,75\"\n", PointSettings{}, []string{"points.csv:2:3", `points.decimal = ","`}},
		{"decimal point where a comma is said", "id;easting;northing\nA;1.5;2,5\n", PointSettings{Separator: ";", Decimal: ","}, []string{"points.csv:2:3"}},
		{"ragged", head + "A,1\nB,1,2\n", PointSettings{}, []string{"points.csv:2: 2 fields where 3 are due"}},
		{"open quote", head + "A,\"1,2\n", PointSettings{}, []string{"points.csv:", `""`}},
		{"UTF-16", "\xff\xfe<\x00d\x00", PointSettings{}, []string{"UTF-16", "save it as UTF-8"}},
		{"two eastings", "id,easting,east,northing\n", PointSettings{}, []string{"columns 2 and 3 both say easting"}},
		{"unknown column in settings", "A,1,2\n", PointSettings{Columns: []string{"id", "weight", "n"}}, []string{`"weight" is not a column known here`}},
		{"header against settings", "id,northing,easting\nA,1,2\n", PointSettings{Columns: []string{"P", "E", "N"}}, []string{`the header says "northing" where columns in phototie.toml says "E"`}},
		{"bad time", "id,e,n,time\nA,1,2,yesterday\n", PointSettings{}, []string{`points.csv:2:7: time "yesterday"`, "2026-06-03"}},
		{"negative sigma", "id,e,n,sigma\nA,1,2,-1\n", PointSettings{}, []string{"sigma is negative"}},
		{"impossible covariance", "id,e,n,sigma_e,sigma_n,cov_en\nA,1,2,1,1,5\n", PointSettings{}, []string{"not one of real measurements"}},
		{"all at once", head + "A,x,2\nA,1,y\n", PointSettings{}, []string{"points.csv:2:3", "points.csv:3:1", "points.csv:3:5"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := points(t, c.text, c.s)
			if err == nil {
				t.Fatalf("no error, %d points", len(got))
			}
			for _, w := range c.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("error does not say %q:\n%v", w, err)
				}
			}
			var p *Problem
			if !errors.As(err, &p) {
				t.Errorf("error is no *Problem: %T", err)
			}
		})
	}
	_, err := readOn(fstest.MapFS{}, PointSettings{File: "points.csv"}, grid.Metre)
	if err == nil || !strings.Contains(err.Error(), "points.csv: there is no such file") {
		t.Errorf("missing file: %v", err)
	}
}

func TestPointsManyProblemsAreCut(t *testing.T) {
	_, err := points(t, "id,e,n\n"+strings.Repeat("A,x,1\n", 50), PointSettings{})
	if n := strings.Count(err.Error(), "\n") + 1; n != maxProblems+1 || !strings.Contains(err.Error(), "more problems") {
		t.Errorf("%d lines of errors, want %d and how many more", n, maxProblems+1)
	}
}

func TestLinks(t *testing.T) {
	got, _, err := readLinks(fstest.MapFS{"l": {Data: []byte("Photo,Point\nphotos/a.jpg,A\nphotos/b.jpg,\n")}}, LinkSettings{File: "l"})
	if err != nil || len(got) != 1 || got[0] != (match.Link{Photo: "photos/a.jpg", Point: "A", Line: 2}) {
		t.Errorf("got %+v, %v", got, err)
	}
	_, _, err = readLinks(fstest.MapFS{"l": {Data: []byte("Photo,Point\n,A\n")}}, LinkSettings{File: "l"})
	if err == nil || !strings.Contains(err.Error(), "l:2:1: the row names no photo") {
		t.Errorf("row without a photo: %v", err)
	}
}

// The names that photos had before they were renamed, tied or not.
func TestLinksOriginals(t *testing.T) {
	read := func(text string) ([]match.Link, map[string]string, error) {
		return readLinks(fstest.MapFS{"l": {Data: []byte(text)}}, LinkSettings{File: "l"})
	}
	links, originals, err := read("photo,point,original\np/1.jpg,A,day1/x.jpg\np/1.jpg,B,day1/x.jpg\np/2.jpg,,day2/x.jpg\np/3.jpg,A,\n")
	if err != nil || len(links) != 3 || !maps.Equal(originals, map[string]string{"p/1.jpg": "day1/x.jpg", "p/2.jpg": "day2/x.jpg"}) {
		t.Errorf("got %+v, %v, %v", links, originals, err)
	}
	_, _, err = read("photo,point,original\np/1.jpg,A,x.jpg\np/1.jpg,B,y.jpg\n")
	if err == nil || !strings.Contains(err.Error(), `l:3:11: photo "p/1.jpg" has two original names`) {
		t.Errorf("two originals: %v", err)
	}
}

// Settings written are read back as they were, whatever they hold.
func TestWriteSettings(t *testing.T) {
	for _, text := range []string{
		minimal,
		minimal + "[budget]\nstandoff_m = 0\nhandheld_m = 3.5\n[frame]\nepoch = 2020.5\nforbid = ['a', \"b\\nc\"]\n[frame.datums]\n'LOCAL 3' = 'EPSG:4230'\n",
		"[grid]\ncrs = 'EPSG:2157'\n[points]\nfile = 'p.csv'\ncolumns = ['P', '-', 'E', 'N']\nseparator = \"\\t\"\n[points.fields]\n'ü \"x\"' = '-'\n[links]\nfile = 'l.csv'\nonly = true\n[photos]\nfolder = 'a/b'\n",
		minimal + "[site]\nname = ''\ncontrol = 'c.csv'\naccuracy_m = 0.0\n[heights]\npoints = 'geoid'\nseparation_m = 0.0\n",
		minimal + "[site]\nunit = 'ft'\ndirection = 'base-to-site'\n[site.similarity]\ntarget_origin = { e = 1.0, n = 1e300 }\nscale = 3.28\nrotation_deg = 90\n",
	} {
		s, err := parseSettings([]byte(text))
		if err != nil {
			t.Fatalf("%s\n%v", text, err)
		}
		rewritten(t, s)
	}
	s, err := parseSettings([]byte(minimal))
	if err != nil {
		t.Fatal(err)
	}
	if got := rewritten(t, s); strings.Contains(got, "budget") || strings.Contains(got, "[]") {
		t.Errorf("what goes without saying is said:\n%s", got)
	}
	s.Links.File = "../links.csv"
	if err := WriteSettings(io.Discard, s); err == nil || !strings.Contains(err.Error(), "leads out") {
		t.Errorf("a path that leads out: %v", err)
	}
}

// rewritten writes settings and compares what is read back.
func rewritten(t *testing.T, s Settings) string {
	t.Helper()
	var b strings.Builder
	if err := WriteSettings(&b, s); err != nil {
		t.Fatal(err)
	}
	back, err := parseSettings([]byte(b.String()))
	if err != nil {
		t.Fatalf("%s\n%v", b.String(), err)
	}
	// What a text can't tell apart: none and empty.
	want, err1 := keysOf(s)
	got, err2 := keysOf(back)
	if err1 != nil || err2 != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%s\nreads back as %+v, want %+v (%v, %v)", b.String(), back, s, err1, err2)
	}
	return b.String()
}

func TestSettingsProblems(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"no grid", "[points]\nfile=\"p\"\n", "which grid the points are in"},
		{"no points", "[grid]\ncrs=\"EPSG:2157\"\n", "does not name the points file"},
		{"unknown key", minimal + "[budget]\nhandhold = 3\n", `phototie.toml:6:1: unknown key "budget.handhold"; did you mean "budget.handheld_m"?`},
		{"unknown table", minimal + "[budgets]\nhandheld_m = 3\n", `unknown key "budgets"; did you mean "budget"?`},
		{"unknown key in a table of the user's words", minimal + "[photo_requirements.codes.BMK]\nmin_photo = 1\n", `did you mean "photo_requirements.codes.BMK.min_photos"?`},
		{"unknown key near none", minimal + "[ties]\npolicy = \"next\"\n", `unknown key "ties.policy"; known are ties.field_order, ties.weigh, ties.infer_untied, ties.threshold`},
		{"near value", minimal + "[ties]\nfield_order = \"point-than-photo\"\n", `did you mean "point-then-photo"?`},
		{"wrong type", minimal + "[budget]\nhandheld_m = \"5 m\"\n", "phototie.toml:6:"},
		{"not TOML", "[grid\n", "phototie.toml:1:"},
		{"path out", strings.Replace(minimal, "points.csv", "../points.csv", 1), `points.file = "../points.csv" leads out of the dataset's folder`},
		{"absolute path", minimal + "[photos]\nfolder = \"/photos\"\n", "leads out"},
		{"backslashes", minimal + "[photos]\nfolder = 'a\\b'\n", "forward slashes"},
		{"decimal comma, separator comma", minimal + "decimal = \",\"\nseparator = \",\"\n", "points.decimal is a comma, and so is the separator"},
		{"separator", minimal + "separator = \"::\"\n", "can't stand between columns"},
		{"height unit", minimal + "height_unit = \"cubit\"\n", "not a unit known here"},
		{"epoch", minimal + "[frame]\nepoch = 26.5\n", "is not a year"},
		{"ballpark without a figure", minimal + "[frame]\nallow_ballpark = true\n", "needs a figure"},
		{"field order", minimal + "[ties]\nfield_order = \"last\"\n", `there is no field order "last"`},
		{"threshold", minimal + "[ties]\ninfer_untied = true\nthreshold = 95\n", "ties.threshold = 95 makes no sense"},
		{"threshold of nothing", minimal + "[ties]\nthreshold = 0.9\n", "only with ties.infer_untied"},
		{"weigh and infer", minimal + "[ties]\ninfer_untied = true\nweigh = false\n", "ties.weigh = false leaves out"},
		{"budget", minimal + "[budget]\nconfidence = 95.0\n", "[budget]"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := parseSettings([]byte(c.text))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v, want one that says %q", err, c.want)
			}
		})
	}
	_, err := OpenFS(fstest.MapFS{}, nil, onPlane)
	if err == nil || !strings.Contains(err.Error(), "phototie.toml: there is no such file") || !strings.Contains(err.Error(), "[grid]") {
		t.Errorf("missing settings: %v", err)
	}
}

func TestSettingsDefaultsAndBudget(t *testing.T) {
	s, err := parseSettings([]byte("\uFEFF" + minimal + "[budget]\nstandoff_m = 0\nhandheld_m = 3.5\n"))
	if err != nil {
		t.Fatal(err)
	}
	if s.Photos.Folder != "photos" {
		t.Errorf("photo folder %q", s.Photos.Folder)
	}
	b, def := match.Budget(s.Budget.BudgetSettings), match.DefaultBudget()
	if b.Standoff != 0 || b.Handheld != 3.5 {
		t.Errorf("settings did not take: %+v", b)
	}
	if opt := s.options().Ties; opt != (match.TieOptions{}) {
		t.Errorf("without [ties] they are weighed as %+v", opt)
	}
	b.Standoff, b.Handheld = def.Standoff, def.Handheld
	if b != def {
		t.Errorf("keys left out did not keep their defaults: %+v, want %+v", b, def)
	}
}

// write lays a folder out for a test.
func write(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		name = filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestPhotosAreAllAccountedFor(t *testing.T) {
	dir := write(t, map[string]string{
		"phototie.toml":                  minimal,
		"photos/zero.jpg":                "",
		"photos/text.JPG":                "this is no photo\n",
		"photos/deep/er/with space.jpeg": "x",
		"photos/ünïcode\nline.jpg":       "x",
		"photos/raw.dng":                 "II*\x00",
		"photos/notes.txt":               "not a photo",
		"photos/.hidden.jpg":             "x",
		"photos/.thumbs/a.jpg":           "x",
		"elsewhere/a.jpg":                "x",
		"target/a.jpg":                   "x",
	})
	outside := write(t, map[string]string{"secret.jpg": "x", "more/a.jpg": "x"})
	for link, to := range map[string]string{
		"inside.jpg": "text.JPG", "escape.jpg": filepath.Join(outside, "secret.jpg"), "folder": "../target", "gone.jpg": "nowhere.jpg",
		"outside": filepath.Join(outside, "more"),
	} {
		if err := os.Symlink(to, filepath.Join(dir, "photos", link)); err != nil {
			t.Skip("no symbolic links here:", err)
		}
	}
	d, err := Open(t.Context(), dir, onPlane)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	names, err := d.PhotoNames(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{ // photo: what its error says
		"photos/zero.jpg": "empty", "photos/text.JPG": "not an image", "photos/deep/er/with space.jpeg": "not an image",
		"photos/ünïcode\nline.jpg": "not an image", "photos/raw.dng": "cut off",
		"photos/inside.jpg": "not an image", "photos/escape.jpg": "path escapes", "photos/folder": "symbolic link to a folder", "photos/gone.jpg": "no such file",
		"photos/outside": "symbolic link that leads out of the dataset's folder",
	}
	got := map[string]bool{}
	for p, err := range d.Photos(context.Background(), names) {
		if err != nil {
			t.Fatal(err)
		}
		got[p.Name] = true
		if w, ok := want[p.Name]; !ok {
			t.Errorf("unexpected photo %q", p.Name)
		} else if p.Err == nil || !strings.Contains(p.Err.Error(), w) {
			t.Errorf("%q: error %v, want one that says %q", p.Name, p.Err, w)
		}
	}
	for name := range want {
		if !got[name] {
			t.Errorf("photo %q is not accounted for", name)
		}
	}
	if !errors.Is(d.ReadPhoto("photos/text.JPG").Err, geotag.ErrFormat) {
		t.Error("a text file named .JPG is not ErrFormat")
	}
}

func TestPhotosStopWhenAskedTo(t *testing.T) {
	files := map[string]string{"phototie.toml": minimal}
	for i := range 200 {
		files["photos/"+strings.Repeat("x", i+1)+".jpg"] = "x"
	}
	d, err := Open(t.Context(), write(t, files), onPlane)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	names, err := d.PhotoNames(ctx)
	if err != nil || len(names) != 200 {
		t.Fatal(len(names), err)
	}
	seen := 0
	var last error
	for _, err := range d.Photos(ctx, names) {
		if err != nil {
			last = err
			break
		}
		if seen++; seen == 3 {
			cancel()
		}
	}
	if !errors.Is(last, context.Canceled) {
		t.Errorf("after %d photos the sequence ended with %v, want context.Canceled", seen, last)
	}
	for range d.Photos(context.Background(), names) {
		break // an early break must not hang or panic
	}
}

// A panic while a photo is read is the caller's to recover from, not the end of the process.
func TestPhotosPanic(t *testing.T) {
	d := new(Dataset)
	defer func() {
		if p := recover(); p != "planted" {
			t.Errorf("recovered %v", p)
		}
	}()
	for range d.photos(t.Context(), []string{"a", "b", "c"}, 2, func(name string) match.Photo {
		if name == "b" {
			panic("planted")
		}
		return match.Photo{Name: name}
	}) {
	}
	t.Error("the photos are read all the same")
}

func TestOpenRefusals(t *testing.T) {
	if _, err := Open(t.Context(), filepath.Join(t.TempDir(), "nothing"), onPlane); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing folder: %v", err)
	}
	d, err := Open(t.Context(), write(t, map[string]string{"phototie.toml": minimal}), onPlane)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	if _, err := d.PhotoNames(context.Background()); err == nil || !strings.Contains(err.Error(), `photo folder "photos" is not there`) {
		t.Errorf("missing photo folder: %v", err)
	}
}

func FuzzPoints(f *testing.F) {
	f.Add("id,easting,northing\nA,1,2\n", "", "")
	f.Add("\uFEFFP;E;N\r\nA;1,5;2\r\n", ";", ",")
	f.Add("A,\"1\n,2\",3", ",", ".")
	f.Fuzz(func(t *testing.T, text, sep, dec string) {
		if sep != "" && !validSeparator(sep) || dec != "" && dec != "." && dec != "," {
			return
		}
		pts, err := points(t, text, PointSettings{Separator: sep, Decimal: dec})
		if err != nil {
			return
		}
		seen := map[string]bool{}
		for _, p := range pts {
			if p.ID == "" || seen[p.ID] || math.IsNaN(p.E+p.N) || math.IsInf(p.E, 0) || math.IsInf(p.N, 0) || p.Line < 1 {
				t.Errorf("a bad point came through: %+v", p)
			}
			seen[p.ID] = true
		}
	})
}

func FuzzSettings(f *testing.F) {
	f.Add([]byte(minimal))
	f.Add([]byte(minimal + "[budget]\nconfidence = 0.9\n[frame]\ndatum=\"TOKYO\"\nepoch=2020.5\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := parseSettings(text)
		if err == nil && (s.Grid.CRS == "" || strings.HasPrefix(s.Points.File, "..") || match.Budget(s.Budget.BudgetSettings).Validate() != nil) {
			t.Errorf("bad settings came through: %+v", s)
		}
		if err == nil {
			rewritten(t, s)
		}
	})
}

func FuzzLinks(f *testing.F) {
	f.Add("photo,point\na.jpg,A\n")
	f.Add("photo,point,original,to point,offset e,offset n,offset bearing,offset distance\na.jpg,A,b.jpg,B,,,,\nc.jpg,A,,,1.5,-2,,\nd.jpg,A,,,,,30,0.1\ne.jpg,A,,,,,,4\n")
	f.Fuzz(func(t *testing.T, text string) {
		links, _, err := readLinks(fstest.MapFS{"l": {Data: []byte(text)}}, LinkSettings{File: "l"})
		for _, l := range links {
			if err == nil && (l.Photo == "" || l.Point == "") {
				t.Errorf("an empty link came through: %+v", l)
			}
		}
		if err != nil {
			return
		}
		var rows []LinkRow
		for _, l := range links {
			l.Line = len(rows) + 2
			rows = append(rows, LinkRow{Link: l})
		}
		var b bytes.Buffer
		if err := WriteLinks(&b, rows); err != nil {
			t.Fatal(err)
		}
		again, _, err := readLinks(fstest.MapFS{"l": {Data: b.Bytes()}}, LinkSettings{File: "l"})
		for i, l := range again {
			if l.Line = i + 2; err != nil || !reflect.DeepEqual(l, rows[i].Link) {
				t.Errorf("%+v became %+v, %v", rows[i].Link, l, err)
			}
		}
		if len(again) != len(rows) {
			t.Errorf("%d links became %d, %v", len(rows), len(again), err)
		}
	})
}
