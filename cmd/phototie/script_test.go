package main

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/ledger"
	"example.com/phototie/match/report"
)

// program is the real command, built once for all tests that run it. It is
// built without the race detector, which the packages' own tests have, so that
// drawing and checking the example job does not take minutes.
var program string

// searches is where the program keeps what PROJ found, for all tests.
var searches string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "phototie-test-")
	if err != nil {
		panic(err)
	}
	if keeps, ok := os.LookupEnv(secondSystem); ok {
		fmt.Println(openSecond(keeps))
		os.Exit(0)
	}
	program, searches = filepath.Join(dir, "phototie"), filepath.Join(dir, "cache")
	built, err := exec.Command("go", "env", "GOCACHE").Output()
	if err != nil {
		panic(err)
	}
	os.Setenv("GOCACHE", strings.TrimSpace(string(built)))
	os.Setenv("XDG_CACHE_HOME", searches) // not the user's own, in which only what is built stays
	if out, err := exec.Command("go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "building the program: %v\n%s", err, out)
		os.Exit(1)
	}
	code := m.Run()
	os.RemoveAll(dir)
	os.Exit(code)
}

// example is the port's example job, drawn once for all tests that need one.
var example = sync.OnceValues(func() (string, error) {
	dir := filepath.Join(filepath.Dir(program), "example")
	if out, err := exec.Command(program, "demo", dir).CombinedOutput(); err != nil {
		return "", fmt.Errorf("drawing the example job: %w\n%s", err, out)
	}
	return dir, nil
})

// copyExample puts the example job into a new folder.
func copyExample(dir string) error {
	from, err := example()
	if err != nil {
		return err
	}
	return os.CopyFS(dir, os.DirFS(from))
}

// The scripts run the real command, each in a folder of its own.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:           "testdata/script",
		UpdateScripts: os.Getenv("PHOTOTIE_UPDATE_SCRIPTS") != "",
		Setup: func(e *testscript.Env) error {
			e.Setenv("XDG_CACHE_HOME", searches)
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"phototie": func(ts *testscript.TestScript, neg bool, args []string) {
				if err := ts.Exec(program, args...); (err != nil) != neg {
					ts.Fatalf("phototie %q: %v", args, err)
				}
			},
			"example": func(ts *testscript.TestScript, neg bool, args []string) {
				if neg || len(args) != 1 {
					ts.Fatalf("usage: example DIR")
				}
				ts.Check(copyExample(ts.MkAbs(args[0])))
			},
			"photo":   photo,
			"sums":    sums,
			"schema":  schema,
			"narrow":  narrow,
			"breaks":  breaks,
			"renamed": renamed,
			"joined":  joined,
			"zip":     zipped,
		},
	})
}

// photo FILE [LAT LON [DATUM]] writes a small JPEG, with a tag where a position is given.
func photo(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 || len(args) == 2 || len(args) > 4 {
		ts.Fatalf("usage: photo FILE [LAT LON [DATUM]]")
	}
	var b bytes.Buffer
	ts.Check(jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 16, 12)), nil))
	out := b.Bytes()
	if len(args) > 1 {
		var e geotag.Edit
		_, err := fmt.Sscan(args[1]+" "+args[2], &e.Lat, &e.Lon)
		ts.Check(err)
		e.HPositioningError, e.ProcessingMethod = 3, "GPS"
		e.MapDatum = strings.Join(args[3:], "")
		out, _, err = geotag.Rewrite(out, e)
		ts.Check(err)
	}
	name := ts.MkAbs(args[0])
	ts.Check(os.MkdirAll(filepath.Dir(name), 0o755))
	ts.Check(os.WriteFile(name, out, 0o644))
}

// sums DIR OUT writes the SHA-256 of every photo below DIR to OUT; with !, it is
// an error if they equal OUT's present ones.
func sums(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: sums DIR OUT")
	}
	var lines []string
	dir := ts.MkAbs(args[0])
	ts.Check(filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		text, err := os.ReadFile(p)
		rel, _ := filepath.Rel(dir, p)
		lines = append(lines, fmt.Sprintf("%x %q", sha256.Sum256(text), rel))
		return err
	}))
	sort.Strings(lines)
	text := strings.Join(lines, "\n") + "\n"
	if neg {
		if ts.ReadFile(args[1]) == text {
			ts.Fatalf("the photos of %s are the same as before", args[0])
		}
		return
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), []byte(text), 0o644))
}

// schema NAME FILE holds a JSON document to its schema.
func schema(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: schema NAME FILE")
	}
	c := jsonschema.NewCompiler()
	files, err := fs.Glob(report.Schemas(), "*.json")
	ts.Check(err)
	for _, f := range files {
		text, err := fs.ReadFile(report.Schemas(), f)
		ts.Check(err)
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		ts.Check(err)
		ts.Check(c.AddResource("mem:///"+f, doc)) // not a file: the folder may have any name
	}
	s, err := c.Compile("mem:///" + args[0])
	ts.Check(err)
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(ts.ReadFile(args[1])))
	ts.Check(err)
	if err := s.Validate(doc); (err != nil) != neg {
		ts.Fatalf("%s against %s: %v", args[1], args[0], err)
	}
}

// narrow FILE fails where a line of FILE is wider than 100 columns.
func narrow(ts *testscript.TestScript, neg bool, args []string) {
	for _, line := range strings.Split(ts.ReadFile(args[0]), "\n") {
		if n := len([]rune(line)); n > report.Width {
			ts.Fatalf("%d columns: %s", n, line)
		}
	}
}

// breaks FILE N cuts a file off after N bytes.
func breaks(ts *testscript.TestScript, neg bool, args []string) {
	var n int64
	_, err := fmt.Sscan(args[1], &n)
	ts.Check(err)
	ts.Check(os.Truncate(ts.MkAbs(args[0]), n))
}

// joined OUT FILE... writes the texts of files one after the other to OUT.
func joined(ts *testscript.TestScript, neg bool, args []string) {
	var text strings.Builder
	for _, f := range args[1:] {
		text.WriteString(ts.ReadFile(f))
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(text.String()), 0o644))
}

// zip FILE DIR makes a ZIP of what is in DIR.
func zipped(ts *testscript.TestScript, neg bool, args []string) {
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	ts.Check(w.AddFS(os.DirFS(ts.MkAbs(args[1]))))
	ts.Check(w.Close())
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b.Bytes(), 0o644))
}

// renamed FILE gives a photo a name with a line feed in it.
func renamed(ts *testscript.TestScript, neg bool, args []string) {
	name := ts.MkAbs(args[0])
	ts.Check(os.Rename(name, filepath.Join(filepath.Dir(name), "two\nlines 写真.jpg")))
}

// What a user can put right is exit code 2, the rest 3.
func TestExitCodes(t *testing.T) {
	for _, c := range []struct {
		err  error
		want bool
	}{
		{usagef("x"), true},
		{fmt.Errorf("a: %w", geotag.ErrNoRoom), true},
		{&fs.PathError{Op: "open", Path: "p", Err: fs.ErrNotExist}, true},
		{&ledger.LineError{Line: 3, Err: ledger.ErrDamaged}, true},
		{fmt.Errorf("a: %w", ledger.ErrExists), true},
		{errors.New("something else"), false},
	} {
		if got := isInput(c.err); got != c.want {
			t.Errorf("isInput(%v) = %v", c.err, got)
		}
	}
}

// failing panics when it is written to.
type failing struct{}

func (failing) Write([]byte) (int, error) { panic("no more paper") }

// A panic is exit code 3, and says where it was.
func TestPanicIsInternal(t *testing.T) {
	var errs strings.Builder
	if code := run(t.Context(), []string{"help", "findings"}, failing{}, &errs); code != exitInternal {
		t.Errorf("exit code %d", code)
	}
	if s := errs.String(); !strings.Contains(s, "internal error: no more paper") || !strings.Contains(s, "goroutine") {
		t.Error(s)
	}
}
