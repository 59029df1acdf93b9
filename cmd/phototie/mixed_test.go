package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/image/tiff"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
)

// mixedJob writes a job of photos in every format that is written, of a raw photo with
// a side-car and of one without into dir, each five times.
func mixedJob(t *testing.T, dir string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Join(dir, "photos"), 0o755); err != nil {
		t.Fatal(err)
	}
	put := func(name string, data []byte) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, filepath.FromSlash(name)), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	images := drawn(t, 0)
	for _, ext := range []string{"webp", "heic", "avif"} {
		for _, s := range geotagtest.Files(t, ext) {
			if _, _, err := geotag.Rewrite(s.Raw, geotag.Edit{Lat: 52, Lon: -6, HPositioningError: 1}); err == nil && (images[ext] == nil || len(s.Raw) < len(images[ext])) {
				images[ext] = s.Raw
			}
		}
	}
	links := "photo,point\n"
	for i := range 5 {
		e := geotag.Edit{Lat: 52.188271, Lon: -6.680190 + float64(i)*1e-8, HPositioningError: 3, ProcessingMethod: "GPS"}
		for ext, img := range images {
			photo, _, err := geotag.Rewrite(img, e)
			if err != nil {
				t.Fatalf("%s: %v", ext, err)
			}
			name := fmt.Sprintf("photos/%d.%s", i, ext)
			put(name, photo)
			links += name + ",A\n"
		}
		side, err := geotag.NewSidecar(e)
		if err != nil {
			t.Fatal(err)
		}
		for _, raw := range []string{"raf", "cr3"} {
			name := fmt.Sprintf("photos/raw%s%d.%s", raw, i, raw)
			put(name, append(map[string][]byte{"raf": []byte("FUJIFILMCCD-RAW 0201"), "cr3": []byte("\x00\x00\x00\x18ftypcrx ")}[raw], fmt.Sprint(" photo ", i)...))
			links += name + ",A\n"
		}
		put(fmt.Sprintf("photos/rawraf%d.xmp", i), side.Splices[0].New)
	}
	put("links.csv", []byte(links))
	put("points.csv", []byte("id,easting,northing\nA,690242.043,604873.007\n"))
	put("phototie.toml", []byte("[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n"))
}

// drawn is an image with a dot of some brightness, in the formats that can be encoded.
func drawn(t *testing.T, dot uint8) map[string][]byte {
	t.Helper()
	gray := image.NewGray(image.Rect(0, 0, 64, 48))
	gray.Pix[1000] = dot
	var j, p, f bytes.Buffer
	if err := errors.Join(jpeg.Encode(&j, gray, nil), png.Encode(&p, gray), tiff.Encode(&f, gray, nil)); err != nil {
		t.Fatal(err)
	}
	return map[string][]byte{"jpg": j.Bytes(), "png": p.Bytes(), "tif": f.Bytes()}
}

// A mixedCommand is a command that writes, run in the folder that has the job as job.
type mixedCommand struct {
	name string
	args []string
	// before has what is done before each run.
	before []string
	// written is the folder whose photos the command writes.
	written string
}

var mixedCommands = []mixedCommand{
	{"in place", []string{"correct", "--in-place", "--only", "within,unjudged", "job"}, nil, "job/photos"},
	{"restore", []string{"restore", "job"}, []string{"correct", "--in-place", "--only", "within,unjudged", "job"}, "job/photos"},
	{"into", []string{"correct", "--into", "copies", "--only", "within,unjudged", "job"}, nil, "copies/photos"},
	{"pack", []string{"pack", "--into", "out", "--pictures", "none", "--fail-on", "never", "--only", "within,unjudged", "job"}, nil, "out"},
}

// mixed is a folder with a mixedJob, for one command.
type mixed struct {
	mixedCommand
	dir string
	// old and new are what is in the written folder before and after an undisturbed
	// run; nothing where there is no file.
	old, new map[string][sha256.Size]byte
	// took is how long the writing took, and kill ends the command that runs.
	took time.Duration
	kill func() error
}

func newMixed(t *testing.T, c mixedCommand, dir string) *mixed {
	t.Helper()
	m := &mixed{mixedCommand: c, dir: dir}
	m.reset(t)
	m.old = m.sums(t)
	if out, code := m.disturb(t, func(ended <-chan struct{}) {
		start := time.Now()
		<-ended
		m.took = time.Since(start)
	}); code != 0 {
		t.Fatalf("%v: exit %d: %s", c.args, code, out)
	}
	if m.new = m.sums(t); len(m.new) < 40 || fmt.Sprint(m.new) == fmt.Sprint(m.old) {
		t.Fatalf("%v wrote too little: %d files", c.args, len(m.new))
	}
	return m
}

// disturb runs the command, and f once that has begun to write.
func (m *mixed) disturb(t *testing.T, f func(ended <-chan struct{})) (string, int) {
	t.Helper()
	traces := func() (n int64) {
		for _, pattern := range []string{"job/*.jsonl", "copies/*.jsonl", ".*"} {
			found, _ := filepath.Glob(filepath.Join(m.dir, pattern)) // the pattern is sound
			for _, name := range found {
				if info, err := os.Stat(name); err == nil {
					n += 1 + info.Size()
				}
			}
		}
		return n
	}
	before := traces()
	cmd := exec.CommandContext(t.Context(), program, m.args...)
	cmd.Dir = m.dir
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	m.kill = cmd.Process.Kill
	ended := make(chan struct{})
	go func() {
		_ = cmd.Wait() // its state says all
		close(ended)
	}()
	for waiting := true; waiting && traces() == before; {
		select {
		case <-ended:
			waiting = false
		case <-time.After(200 * time.Microsecond):
		}
	}
	f(ended)
	<-ended
	return out.String(), cmd.ProcessState.ExitCode()
}

// reset lays the job anew.
func (m *mixed) reset(t *testing.T) {
	t.Helper()
	for _, name := range []string{"job", "copies", "out"} {
		if err := os.RemoveAll(filepath.Join(m.dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	mixedJob(t, filepath.Join(m.dir, "job"))
	if m.before != nil {
		cmd := exec.Command(program, m.before...)
		cmd.Dir = m.dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v: %v: %s", m.before, err, out)
		}
	}
}

// tornLine is what a run says of a record that a kill cut off, where nothing is lost.
var tornLine = regexp.MustCompile(`the ledger's last line was cut off after \d+ bytes; what is left of it is in phototie-ledger\.torn; the photo that it names was not touched, or has another record`)

// complete runs the command undisturbed, and makes sure that all is new then.
func (m *mixed) complete(t *testing.T, when string) {
	t.Helper()
	// A pack makes no delivery over another, and leaves alone what it did not finish.
	for _, name := range append(leftovers(t, m.dir), filepath.Join(m.dir, "out")) {
		if err := os.RemoveAll(name); err != nil {
			t.Fatal(err)
		}
	}
	out, code := m.disturb(t, func(<-chan struct{}) {})
	if code == 1 && tornLine.MatchString(out) {
		// The kill came within the write of a record: the run says so, and asks to be looked at.
		out, code = m.disturb(t, func(<-chan struct{}) {})
	}
	if code != 0 {
		t.Errorf("%s: the run after %s: exit %d: %s", m.name, when, code, out)
	}
	if new := m.whole(t, "after "+when); new != len(m.new) {
		t.Errorf("%s: the run after %s: %d of %d", m.name, when, new, len(m.new))
	}
}

// sums are the digests of the photos and side-cars that the command writes.
func (m *mixed) sums(t *testing.T) map[string][sha256.Size]byte {
	t.Helper()
	all := map[string][sha256.Size]byte{}
	root := filepath.Join(m.dir, filepath.FromSlash(m.written))
	err := filepath.WalkDir(root, func(p string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil || !e.Type().IsRegular() || strings.HasPrefix(e.Name(), ".") || !isMixed(p) {
			return err
		}
		b, err := os.ReadFile(p)
		if errors.Is(err, fs.ErrNotExist) {
			return nil // it was renamed just now
		}
		rel, rerr := filepath.Rel(root, p)
		all[rel] = sha256.Sum256(b)
		return cmp.Or(err, rerr)
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func isMixed(file string) bool {
	ext := strings.ToLower(filepath.Ext(file))
	return ext == geotag.SidecarExtension || slices.Contains(geotag.Extensions(), ext)
}

// whole makes sure that each photo is wholly old or wholly new, and counts the new.
func (m *mixed) whole(t *testing.T, when string) (new int) {
	t.Helper()
	now := m.sums(t)
	for name, sum := range now {
		switch old, had := m.old[name]; {
		case sum == m.new[name]:
			new++
		case !had || sum != old:
			t.Errorf("%s: %s: %s is neither old nor new", m.name, when, name)
		}
	}
	for name := range m.old {
		_, here := now[name]
		if _, stays := m.new[name]; stays && !here {
			t.Errorf("%s: %s: %s is gone", m.name, when, name)
		}
	}
	return new
}

// watch looks at the photos until the context is done, as a program would that shows
// them, and returns how often it looked. What others put there is known by its sum.
func (m *mixed) watch(ctx context.Context, t *testing.T, others ...[sha256.Size]byte) func() int {
	var wg sync.WaitGroup
	looked := 0
	wg.Go(func() {
		for ctx.Err() == nil {
			looked++
			time.Sleep(time.Millisecond)
			for name, sum := range m.sums(t) {
				if old, had := m.old[name]; sum != m.new[name] && (!had || sum != old) && !slices.Contains(others, sum) {
					t.Errorf("%s: somebody who looks on saw %s neither old nor new", m.name, name)
				}
			}
		}
	})
	return func() int { wg.Wait(); return looked }
}

// Photos in all formats are killed at random moments of each command that writes, with
// somebody looking on: each is wholly old or wholly new, and the next run completes
// what the killed one began. PHOTOTIE_FULL=1 asks for 250 kills of each.
func TestKilledMixed(t *testing.T) {
	if testing.Short() {
		t.Skip("many processes take a while")
	}
	kills := 2
	if os.Getenv("PHOTOTIE_FULL") != "" {
		kills = 250
	}
	const seed = 20261130
	for i, c := range mixedCommands {
		m := newMixed(t, c, inMemory(t))
		rng := rand.New(rand.NewPCG(seed, uint64(i)))
		midway, looks := 0, 0
		for n := range kills {
			m.reset(t)
			ctx, done := context.WithCancel(t.Context())
			looked := m.watch(ctx, t)
			m.disturb(t, func(<-chan struct{}) {
				time.Sleep(time.Duration(rng.Int64N(int64(m.took))))
				_ = m.kill() // it may be done
			})
			done()
			looks += looked()
			when := fmt.Sprintf("kill %d (seed %d)", n, seed)
			if new := m.whole(t, when); new > 0 && new < len(m.new) {
				midway++
			}
			m.complete(t, when)
		}
		t.Logf("%s: %d kills, %d with the work half done; the files were looked at %d times", m.name, kills, midway, looks)
	}
}

// A photo is replaced while a command writes, at a random moment, with somebody looking
// on: what was put there stays, and is never written over by what was made of the photo
// before. PHOTOTIE_FULL=1 asks for 250 of each.
func TestSwappedMixed(t *testing.T) {
	if testing.Short() {
		t.Skip("many processes take a while")
	}
	swaps := 2
	if os.Getenv("PHOTOTIE_FULL") != "" {
		swaps = 250
	}
	const seed = 20261130
	for i, c := range mixedCommands {
		m := newMixed(t, c, inMemory(t))
		rng := rand.New(rand.NewPCG(seed, uint64(i)))
		refused := 0
		for n := range swaps {
			m.reset(t)
			ext := []string{"jpg", "png", "tif"}[rng.IntN(3)]
			name := fmt.Sprintf("%d.%s", rng.IntN(5), ext)
			photo, spare := filepath.Join(m.dir, "job", "photos", name), filepath.Join(m.dir, "spare")
			other, _, err := geotag.Rewrite(drawn(t, 255)[ext], geotag.Edit{Lat: 52.1882715, Lon: -6.6801905, HPositioningError: 4, ProcessingMethod: "GPS"})
			if err == nil {
				err = os.WriteFile(spare, other, 0o644)
			}
			if err != nil {
				t.Fatal(err)
			}
			swap := func(<-chan struct{}) {
				time.Sleep(time.Duration(rng.Int64N(int64(m.took))))
				if err := os.Rename(spare, photo); err != nil {
					t.Error(err)
				}
			}
			ctx, done := context.WithCancel(t.Context())
			looked := m.watch(ctx, t, sha256.Sum256(other))
			out, code := m.disturb(t, swap)
			done()
			looked()
			if code > 1 || code == 1 && !strings.Contains(out, "changed") && !strings.Contains(out, "judged") {
				t.Errorf("%s: swap %d (seed %d) of %s: exit %d: %s", m.name, n, seed, name, code, out)
			} else if code == 1 {
				refused++
			}
			now, err := os.ReadFile(photo)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(now, other) {
				t.Errorf("%s: swap %d (seed %d) of %s: what was put there was written over", m.name, n, seed, name)
			}
			if out := filepath.Join(m.dir, "out"); m.name == "pack" && exists(out) {
				wholeDelivery(t, out)
			}
		}
		t.Logf("%s: %d swaps, %d refused", m.name, swaps, refused)
	}
}

func exists(name string) bool { _, err := os.Lstat(name); return err == nil }
