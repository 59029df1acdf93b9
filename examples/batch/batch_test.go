package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/apache/beam/sdks/v2/go/pkg/beam"
	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/dataset/demo"
)

// The test binary is the program itself where this is set, so that it can be killed.
const asProgram = "PHOTOTIE_BATCH_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
	}
	beam.Init()
	code := m.Run()
	if bench.dir != "" {
		os.RemoveAll(bench.dir)
	}
	os.Exit(code)
}

const epoch = 1_800_000_000

var (
	allFiles = []string{"check.json", "check.csv", "check.geojson", "check.kml", "check.gpkg", "check.sarif", "check.xml", "check.txt", "record.html", "record.odt"}
	// made are the example jobs, drawn once, and the command.
	made = sync.OnceValues(func() (string, error) {
		dir, err := os.MkdirTemp("", "batch")
		if err != nil {
			return "", err
		}
		bench.dir = dir
		build := exec.Command("go", "build", "-ldflags", "-X main.release="+release, "-o", filepath.Join(dir, "phototie"), "./cmd/phototie")
		build.Dir = "../.."
		if out, err := build.CombinedOutput(); err != nil {
			return "", fmt.Errorf("%w: %s", err, out)
		}
		return dir, cmp.Or(draw(filepath.Join(dir, "jobs", "tallow"), "EPSG:6543", demo.TallowCreek), draw(filepath.Join(dir, "jobs", "velland"), "EPSG:2157", demo.PortVelland))
	})
	bench struct{ dir string }
)

func draw(dir, system string, job func(context.Context, grid.Projection, uint64) (*demo.Job, error)) error {
	proj, err := crs.Open(system)
	if err != nil {
		return err
	}
	drawn, err := job(context.Background(), proj, 1)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	return demo.Write(context.Background(), root, drawn, nil)
}

// jobs are the example jobs in a folder of the test's own, one of them with troubles of
// every kind.
func jobs(t *testing.T) (top, phototie string) {
	t.Helper()
	dir, err := made()
	if err != nil {
		t.Fatal(err)
	}
	top = t.TempDir()
	if err := os.CopyFS(top, os.DirFS(filepath.Join(dir, "jobs"))); err != nil {
		t.Fatal(err)
	}
	return top, filepath.Join(dir, "phototie")
}

func write(t *testing.T, name string, text []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, text, 0o644); err != nil {
		t.Fatal(err)
	}
}

func slurp(t *testing.T, name string) []byte {
	t.Helper()
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// troubled makes a job of which much can't be read: photos cut off, empty, of other
// formats, with side-cars that contradict them, copies, links to what is not there, and
// findings that are accepted.
func troubled(t *testing.T, top string) {
	t.Helper()
	job := filepath.Join(top, "year", "troubled")
	if err := os.CopyFS(job, os.DirFS(filepath.Join(top, "tallow"))); err != nil {
		t.Fatal(err)
	}
	var photos []string
	err := filepath.WalkDir(filepath.Join(job, "photos"), func(name string, e fs.DirEntry, err error) error {
		if path.Ext(name) == ".jpg" {
			photos = append(photos, name)
		}
		return err
	})
	if err != nil || len(photos) != 30 {
		t.Fatal(photos, err)
	}
	whole := slurp(t, photos[0])
	write(t, photos[1], whole[:300])
	write(t, photos[2], whole[:len(whole)/2])
	write(t, photos[3], nil)
	write(t, photos[4], []byte("no image at all"))
	write(t, photos[5], whole) // the same file as another
	at := filepath.Dir(photos[0])
	write(t, filepath.Join(at, "raw.NEF"), []byte("MM\x00*no raw file"))
	write(t, filepath.Join(at, "later.heic"), []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"))
	write(t, filepath.Join(at, "with.gif"), []byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;"))
	write(t, strings.TrimSuffix(photos[6], ".jpg")+".xmp", []byte("<x:xmpmeta xmlns:x='adobe:ns:meta/'><broken"))
	links := slurp(t, filepath.Join(job, "links.csv"))
	write(t, filepath.Join(job, "links.csv"), append(links, []byte("photos/gone.jpg,NOWHERE\n")...))
	settings := slurp(t, filepath.Join(job, "phototie.toml"))
	write(t, filepath.Join(job, "phototie.toml"), append(settings, []byte("\n[photo_requirements]\n")...))
}

var calls = regexp.MustCompile(`(?m)^  phototie (.+\n)+`)

// TestOneMachine: what is written of each job is what the command writes of it, byte by
// byte, and a job that can't be checked is in no other's way.
func TestOneMachine(t *testing.T) {
	top, phototie := jobs(t)
	troubled(t, top)
	want := t.TempDir()
	t.Setenv("SOURCE_DATE_EPOCH", fmt.Sprint(epoch))
	command := func(args ...string) {
		t.Helper()
		c := exec.Command(phototie, args...)
		c.Dir = top
		if out, err := c.CombinedOutput(); err != nil {
			t.Fatalf("%v: %v: %s", args, err, out)
		}
	}
	names := []string{"tallow", "velland", "year/troubled"}
	accepted := filepath.Join(top, "year/troubled/accepted.toml")
	os.Remove(accepted)
	exec.Command(phototie, "check", "--write-baseline", accepted, filepath.Join(top, "year/troubled")).Run()
	starter := slurp(t, accepted)
	write(t, accepted, bytes.ReplaceAll(starter[:bytes.LastIndex(starter, []byte("[[accept]]"))], []byte(`reason = ""`), []byte(`reason = "agreed"`)))
	for _, job := range names {
		args := []string{"check", "--fail-on", "never"}
		if job == "year/troubled" {
			args = append(args, "--baseline", job+"/accepted.toml")
		}
		for _, file := range allFiles {
			out := filepath.Join(want, job, file)
			os.MkdirAll(filepath.Dir(out), 0o755)
			if strings.HasPrefix(file, "record.") {
				command("report", "--out", out, job)
			} else {
				args = append(args, "--out", out)
			}
		}
		command(append(args, job)...)
	}
	write(t, filepath.Join(top, "broken", "phototie.toml"), []byte("[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\ncolumn = 3\n"))
	write(t, filepath.Join(top, "pointless", "phototie.toml"), slurp(t, filepath.Join(top, "velland", "phototie.toml")))
	write(t, filepath.Join(top, "pointless", "photos", "a.jpg"), slurp(t, filepath.Join(top, "tallow", "phototie.toml")))

	into := t.TempDir()
	a := asked{From: "file://" + top + "?metadata=skip&no_tmp_dir=true", Into: "file://" + into + "?metadata=skip&no_tmp_dir=true",
		Files: allFiles, FailOn: "never", Baseline: "accepted.toml", Time: time.Unix(epoch, 0).UTC(), Release: release}
	var out bytes.Buffer
	code, err := run(context.Background(), a, append(names, "broken/", "pointless", "absent"), &out)
	if err != nil {
		t.Fatal(err)
	}
	if code != 2 {
		t.Errorf("exit status %d with jobs that can't be checked", code)
	}
	for _, job := range names {
		for _, file := range allFiles {
			got, want := slurp(t, filepath.Join(into, job, folder, file)), slurp(t, filepath.Join(want, job, file))
			if file == "check.txt" { // the command says besides what to call next
				want = bytes.ReplaceAll(calls.ReplaceAll(want, nil), []byte("\nNext\n\n"), []byte("\n"))
			}
			if !bytes.Equal(got, want) {
				at := 0
				for at < min(len(got), len(want)) && got[at] == want[at] {
					at++
				}
				t.Errorf("%s %s: %d bytes, the command writes %d; from byte %d on:\n%.200s\nthe command:\n%.200s", job, file, len(got), len(want), at, got[at:], want[at:])
			}
		}
	}
	var lines []result
	for line := range bytes.Lines(out.Bytes()) {
		var r result
		if err := json.Unmarshal(line, &r); err != nil {
			t.Fatal(err)
		}
		lines = append(lines, r)
	}
	wrong := map[string]string{"absent": "phototie.toml", "broken": "column", "pointless": "points.csv"}
	if len(lines) != len(names)+len(wrong) {
		t.Errorf("%d lines:\n%s", len(lines), &out)
	}
	for _, r := range lines {
		if word := wrong[r.Job]; (r.Error != "") != (word != "") || !strings.Contains(r.Error, word) || r.Failed {
			t.Errorf("%+v: want an error with %q", r, word)
		}
	}
	left, err := filepath.Glob(filepath.Join(into, "*", folder, readings+"*"))
	if err != nil || slices.ContainsFunc(left, func(name string) bool { return !strings.Contains(name, "pointless") }) {
		t.Errorf("left behind: %v %v", left, err)
	}
	sameTotals(t, top, into, names)
	if a.FailOn = "error"; a.valid() != nil {
		t.Error(a.valid())
	}
	if code, err := run(context.Background(), a, names, io.Discard); err != nil || code != 1 {
		t.Errorf("with findings: exit status %d, %v", code, err)
	}
}

// sameTotals holds the totals against the tally of all photos at once.
func sameTotals(t *testing.T, top, into string, names []string) {
	t.Helper()
	ctx := context.Background()
	together := map[string]*match.Tally{}
	for _, job := range names {
		d, err := dataset.Open(ctx, filepath.Join(top, job), crs.OpenGrid)
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		c, err := d.Check(ctx, dataset.CheckOptions{Pixels: dataset.PixelsNever})
		if err != nil {
			t.Fatal(err)
		}
		u := c.Grid.Unit
		if together[u.Name] == nil {
			together[u.Name] = match.NewTally(u, c.Budget)
		}
		for i := range c.Photos {
			if err := together[u.Name].Add(&c.Photos[i]); err != nil {
				t.Fatal(err)
			}
		}
	}
	n := 0
	for line := range bytes.Lines(slurp(t, filepath.Join(into, totalsFile))) {
		var got total
		if err := json.Unmarshal(line, &got); err != nil {
			t.Fatal(err)
		}
		want := together[got.Set.Unit.Name]
		all, _ := want.Sets()
		a, _ := json.Marshal(total{got.Together, want.Len(), all})
		if !bytes.Equal(bytes.TrimSpace(line), a) {
			t.Errorf("totals:\n%sat once:\n%s", line, a)
		}
		n++
	}
	if n != len(together) || n != 2 {
		t.Errorf("%d totals, %d units", n, len(together))
	}
}

// store is a server that speaks S3, on the loopback interface only. fetched counts the
// requests for each object, and on is told of each.
func store(t *testing.T, on func(key string)) (url string, fetched func() map[string]int) {
	t.Helper()
	backend := s3mem.New()
	if err := backend.CreateBucket("jobs"); err != nil {
		t.Fatal(err)
	}
	h := gofakes3.New(backend).Server()
	var mu sync.Mutex
	count := map[string]int{}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if key := strings.TrimPrefix(r.URL.Path, "/jobs/"); r.Method == http.MethodGet && key != "" && !r.URL.Query().Has("list-type") {
			mu.Lock()
			count[key]++
			mu.Unlock()
			on(key)
		}
		h.ServeHTTP(w, r)
	}))
	t.Cleanup(srv.Close)
	t.Setenv("AWS_ACCESS_KEY_ID", "nobody")
	t.Setenv("AWS_SECRET_ACCESS_KEY", "nothing")
	t.Setenv("AWS_CONFIG_FILE", filepath.Join(t.TempDir(), "none"))
	t.Setenv("AWS_SHARED_CREDENTIALS_FILE", filepath.Join(t.TempDir(), "none"))
	t.Setenv("AWS_EC2_METADATA_DISABLED", "true")
	return fmt.Sprintf("s3://jobs?region=us-east-1&endpoint=%s&use_path_style=true", srv.URL), func() map[string]int {
		mu.Lock()
		defer mu.Unlock()
		was := maps.Clone(count)
		clear(count)
		return was
	}
}

// TestEnded: a run in an object store that is killed goes on where it was. No photo is
// fetched twice in a run, what was read is not read again, a job that is done is not
// done again until a file of it changes, and at no time is an output there in part.
func TestEnded(t *testing.T) {
	top, _ := jobs(t)
	var mu sync.Mutex
	var kill func()
	photos := 0
	isPhoto := func(key string) bool { return path.Ext(key) == ".jpg" }
	url, fetched := store(t, func(key string) {
		mu.Lock()
		defer mu.Unlock()
		if isPhoto(key) {
			if photos++; photos == 140 && kill != nil { // of 180, in chunks of 64, some of which are whole
				kill()
			}
		}
	})
	w := worker{Asked: asked{From: url, Into: url}}
	if err := w.Setup(t.Context()); err != nil {
		t.Fatal(err)
	}
	err := fs.WalkDir(os.DirFS(top), ".", func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		return w.from.WriteAll(t.Context(), name, slurp(t, filepath.Join(top, name)), nil)
	})
	if err != nil {
		t.Fatal(err)
	}
	program := func() error {
		c := exec.Command(os.Args[0], "-from", url, "-write", "check.json record.html", "-fail-on", "never")
		c.Env = append(os.Environ(), asProgram+"=1")
		var said bytes.Buffer
		c.Stdout, c.Stderr = &said, &said
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		mu.Lock()
		kill = func() { c.Process.Kill() }
		mu.Unlock()
		err := c.Wait()
		mu.Lock()
		kill = nil
		mu.Unlock()
		if err != nil && c.ProcessState.Exited() {
			t.Fatalf("%v: %s", err, &said)
		}
		return err
	}
	numbers := func(n map[string]int) (all, most int) {
		for key, k := range n {
			if isPhoto(key) {
				all, most = all+1, max(most, k)
			}
		}
		return all, most
	}
	if err := program(); err == nil {
		t.Fatal("it was not killed")
	}
	first, most := numbers(fetched())
	second := 0
	if err := program(); err != nil {
		t.Fatal(err)
	}
	n := fetched()
	second, most2 := numbers(n)
	t.Logf("fetched before the kill: %d photos, after: %d", first, second)
	if most > 1 || most2 > 1 {
		t.Errorf("a photo was fetched %d and %d times", most, most2)
	}
	if second >= 180-chunk/2 || first+second < 180 {
		t.Errorf("%d photos fetched, and %d in the second run", first, second)
	}
	// The same as in one go.
	a := asked{From: "file://" + top + "?metadata=skip&no_tmp_dir=true", Files: []string{"check.json", "record.html"}, FailOn: "never", Time: time.Now(), Release: release}
	if _, err := run(t.Context(), a, nil, io.Discard); err != nil {
		t.Fatal(err)
	}
	outputs := func() map[string][]byte {
		out := map[string][]byte{}
		for _, job := range []string{"tallow", "velland"} {
			for _, file := range append(a.Files, doneFile) {
				text, err := w.into.ReadAll(t.Context(), place(job, file))
				if err != nil {
					t.Fatal(err)
				}
				out[place(job, file)] = text
			}
		}
		return out
	}
	got := outputs()
	for name, text := range got {
		if path.Base(name) != doneFile && !bytes.Equal(text, slurp(t, filepath.Join(top, name))) {
			t.Errorf("%s differs from that of one go", name)
		}
	}
	fetched()
	if err := program(); err != nil {
		t.Fatal(err)
	}
	if n := fetched(); len(n) != 3 || !reflect.DeepEqual(outputs(), got) { // done.json of each, and jobs.jsonl
		t.Errorf("what is done was done again: %v", n)
	}
	fetched()
	if err := w.from.WriteAll(t.Context(), "tallow/links.csv", append(slurp(t, filepath.Join(top, "tallow/links.csv")), '\n'), nil); err != nil {
		t.Fatal(err)
	}
	if err := program(); err != nil {
		t.Fatal(err)
	}
	if again, _ := numbers(fetched()); again != 30 {
		t.Errorf("%d photos were fetched when the links of a job of 30 had changed", again)
	}
}

// TestReading: what is kept of a photo loses nothing.
func TestReading(t *testing.T) {
	top, _ := jobs(t)
	troubled(t, top)
	d, err := dataset.Open(t.Context(), filepath.Join(top, "year/troubled"), crs.OpenGrid)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	names, err := d.PhotoNames(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	one := d.Reader(t.Context(), dataset.CheckOptions{})
	faults, measured := 0, 0
	for _, name := range names {
		p := one(name)
		r, err := readingOf(p)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		text, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		var got reading
		if err := json.Unmarshal(text, &got); err != nil {
			t.Fatal(err)
		}
		q := got.photo()
		for _, e := range [][2]error{{p.Err, q.Err}, {p.PixelsErr, q.PixelsErr}} {
			if fmt.Sprint(e[0]) != fmt.Sprint(e[1]) || geotag.AboutImage(e[0]) && isFormat(e[0]) != isFormat(e[1]) {
				t.Errorf("%s: %v became %v", name, e[0], e[1])
			}
			if e[0] != nil {
				faults++
			}
		}
		if p.Pixels != nil {
			measured++
		}
		if !reflect.DeepEqual(p.Pixels, q.Pixels) {
			t.Errorf("%s: the measures differ", name)
		}
		a, _ := json.Marshal(p.Tag)
		if b, _ := json.Marshal(q.Tag); !bytes.Equal(a, b) {
			t.Errorf("%s:\n%s\n%s", name, a, b)
		}
	}
	if faults < 4 || measured < 20 {
		t.Errorf("%d faults, %d measured: the job has no trouble", faults, measured)
	}
	if _, err := readingOf(match.Photo{Err: io.ErrUnexpectedEOF}); err == nil {
		t.Error("a request that failed was taken for a fault of the photo")
	}
}

func isFormat(err error) bool { return errors.Is(err, geotag.ErrFormat) }

// TestRefused: what no job could be done with.
func TestRefused(t *testing.T) {
	good := asked{From: "file://" + t.TempDir(), FailOn: "error"}
	for name, change := range map[string]func(*asked){
		"no bucket": func(a *asked) { a.From = "" }, "no such store": func(a *asked) { a.From = "nowhere://" }, "fail-on": func(a *asked) { a.FailOn = "fatal" },
		"format": func(a *asked) { a.Files = []string{"check.pdf"} }, "path": func(a *asked) { a.Files = []string{"../check.json"} }, "done": func(a *asked) { a.Files = []string{doneFile} },
		"nothing there": func(a *asked) {},
	} {
		a := good
		change(&a)
		if _, err := run(t.Context(), a, nil, io.Discard); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, err := run(t.Context(), good, []string{"../other"}, io.Discard); err == nil {
		t.Error("a job outside the bucket")
	}
}
