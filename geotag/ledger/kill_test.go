package ledger

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"example.com/phototie/geotag"
)

// The kill tests run this test binary again as a worker process, told by the
// environment what to do in which folder, and kill it with SIGKILL.
const (
	workerEnv = "PHOTOTIE_LEDGER_TEST_WORKER"
	folderEnv = "PHOTOTIE_LEDGER_TEST_FOLDER"
	stageEnv  = "PHOTOTIE_LEDGER_TEST_STAGE" // stage:count at which to kill oneself
)

func TestMain(m *testing.M) {
	if what := os.Getenv(workerEnv); what != "" {
		if err := work(what, os.Getenv(folderEnv), os.Getenv(stageEnv)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// job is a folder of photos with a known correction each.
type job struct {
	names    []string
	old, new [][]byte
	patches  []*geotag.Patch
}

// newJob makes n small photos up. Their patches have the shape of real ones: a
// pointer changed in place, and a directory inserted further on.
func newJob(n int) *job {
	j := &job{}
	for i := range n {
		r := rand.NewChaCha8([32]byte{7, byte(i), byte(i >> 8)})
		b := make([]byte, 1024+r.Uint64()%3072)
		dir := make([]byte, 180)
		r.Read(b) // never fails
		r.Read(dir)
		copy(b, "\xff\xd8\xff\xe1")
		p := &geotag.Patch{SizeBefore: int64(len(b)), Splices: []geotag.Splice{
			{Off: 40, Old: bytes.Clone(b[40:44]), New: []byte{^b[40], b[41], b[42], b[43]}},
			{Off: 600, New: dir},
		}}
		after, err := p.ApplyBytes(b)
		if err != nil {
			panic(err)
		}
		j.names = append(j.names, fmt.Sprintf("day%d/P%04d.jpg", i%3+1, i))
		j.old, j.new, j.patches = append(j.old, b), append(j.new, after), append(j.patches, p)
	}
	return j
}

// write puts the old photos into dir, those that are not to be made of nothing.
func (j *job) write(t testing.TB, dir string) {
	t.Helper()
	for i, n := range j.names {
		p := filepath.Join(dir, filepath.FromSlash(n))
		if j.old[i] == nil {
			continue
		}
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, j.old[i], 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// check counts the photos in dir that are new, and lists those that are neither
// old nor new.
func (j *job) check(dir string) (corrected int, broken []string) {
	for i, n := range j.names {
		b, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(n)))
		switch {
		case err == nil && bytes.Equal(b, j.new[i]):
			corrected++
		case err == nil && j.old[i] != nil && bytes.Equal(b, j.old[i]):
		case j.old[i] == nil && errors.Is(err, fs.ErrNotExist):
		default:
			broken = append(broken, fmt.Sprintf("%s: %d bytes, error %v", n, len(b), err))
		}
	}
	return corrected, broken
}

const jobSize = 300

// work is the worker process.
func work(what, dir, stage string) error {
	ctx := context.Background()
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	j := newJob(jobSize)
	if what == "one" { // TestSyncs
		return j.one(root)
	}
	if what == "four" { // TestBulkSyncs
		return j.four(root)
	}
	if what == "naive" {
		return j.naive(root)
	}
	l, err := Open(root, "kill test")
	if err != nil {
		return err
	}
	defer l.Close()
	if stage != "" {
		at, nth := "", 0
		if _, err := fmt.Sscanf(stage, "%s %d", &at, &nth); err != nil {
			return err
		}
		var mu sync.Mutex
		l.trace = func(s, _ string) {
			mu.Lock()
			defer mu.Unlock()
			if s != at {
				return
			}
			if nth--; nth == 0 {
				self, err := os.FindProcess(os.Getpid())
				if err == nil {
					err = self.Kill()
				}
				fmt.Fprintln(os.Stderr, "still alive:", err)
				time.Sleep(time.Minute)
			}
		}
	}
	fmt.Println("ready")
	switch what {
	case "correct", "late":
		for i, n := range j.names {
			c := Change{Photo: n, Patch: j.patches[i], Reason: map[string]string{"point": fmt.Sprint(i)}}
			b, err := root.ReadFile(n)
			if err != nil {
				return err
			}
			if bytes.Equal(b, j.new[i]) {
				c.Patch = &geotag.Patch{}
			}
			if what == "late" && !c.empty() {
				// The fault to be caught: renamed first, recorded after.
				err = late(l, c)
			} else {
				_, err = l.Correct(ctx, c)
			}
			if err != nil {
				return err
			}
		}
	case "bulk", "create":
		n := 0
		for _, err := range l.Bulk(ctx, j.tasks(root, what == "create")) {
			if err != nil {
				return err
			}
			n++
		}
		if n != len(j.names) {
			return fmt.Errorf("%d pairs", n)
		}
	case "restore":
		for out, err := range l.Restore(ctx, nil, false) {
			if err != nil {
				return err
			}
			if out.Status != Restored && out.Status != Original {
				return fmt.Errorf("%s: %s", out.Photo, out.Status)
			}
		}
	default:
		return fmt.Errorf("no such work: %s", what)
	}
	return nil
}

// tasks are the corrections of all photos as one plans them who looks what is
// there, or the creation of all as they are to be.
func (j *job) tasks(root *os.Root, create bool) iter.Seq[Task] {
	return func(yield func(Task) bool) {
		for i, n := range j.names {
			t := Task{Change: Change{Photo: n, Patch: j.patches[i], Reason: map[string]string{"point": fmt.Sprint(i)}}, New: create}
			if create {
				t.Patch = ofNothing(string(j.new[i]))
			} else if b, err := root.ReadFile(n); err == nil && bytes.Equal(b, j.new[i]) {
				t.Patch = nil
			}
			if !yield(t) {
				return
			}
		}
	}
}

// four corrects the first four photos of the job as one group, and tells of each
// pair.
func (j *job) four(root *os.Root) error {
	l, err := Open(root, "")
	if err != nil {
		return err
	}
	defer l.Close()
	together(l, 4, j.names[0])
	j.names = j.names[:4]
	i := 0
	for _, err := range l.Bulk(context.Background(), j.tasks(root, false)) {
		if err != nil {
			return err
		}
		fmt.Println("pair", j.names[i])
		i++
	}
	return nil
}

// one corrects the first photo of the job, which lies at p/1.jpg.
func (j *job) one(root *os.Root) error {
	l, err := Open(root, "")
	if err != nil {
		return err
	}
	defer l.Close()
	_, err = l.Correct(context.Background(), Change{Photo: "p/1.jpg", Patch: j.patches[0]})
	return err
}

// naive overwrites the photos in place, in small writes, with no ledger: the
// checks have to catch it.
func (j *job) naive(root *os.Root) error {
	fmt.Println("ready")
	for i, n := range j.names {
		f, err := root.OpenFile(n, os.O_WRONLY|os.O_TRUNC, 0)
		if err != nil {
			return err
		}
		for b := j.new[i]; len(b) > 0; {
			k := min(64, len(b))
			if _, err := f.Write(b[:k]); err != nil {
				return err
			}
			b = b[k:]
		}
		if err := f.Close(); err != nil {
			return err
		}
	}
	return nil
}

// late replaces the photo safely, but writes the record only then.
func late(l *Ledger, c Change) error {
	ctx := context.Background()
	p := &pending{Task: Task{Change: c}}
	defer p.release()
	if l.prepare(ctx, p); p.err != nil {
		return p.err
	}
	group := []*pending{p}
	if l.place(p) != nil {
		return p.err
	}
	p.unchanged = func() error { return nil }
	if l.look(ctx, p) == nil {
		l.enter(group)
	}
	return p.err
}

// worker is a worker process that has reported that it starts.
type worker struct {
	cmd    *exec.Cmd
	stderr bytes.Buffer
	start  time.Time
}

func startWorker(t *testing.T, what, dir, stage string) *worker {
	t.Helper()
	w := &worker{cmd: exec.Command(os.Args[0])}
	w.cmd.Env = append(os.Environ(), workerEnv+"="+what, folderEnv+"="+dir, stageEnv+"="+stage,
		"GORACE=atexit_sleep_ms=0") // the race detector would keep each worker for a second
	w.cmd.Stderr = &w.stderr
	out, err := w.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := w.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(out).ReadString('\n'); err != nil || line != "ready\n" {
		t.Fatalf("worker %s: %q, %v, %v\n%s", what, line, err, w.cmd.Wait(), &w.stderr)
	}
	w.start = time.Now()
	return w
}

// end waits for the worker and reports whether it was killed.
func (w *worker) end(t *testing.T) (killed bool) {
	t.Helper()
	err := w.cmd.Wait()
	var exit *exec.ExitError
	switch {
	case err == nil:
		return false
	case errors.As(err, &exit) && (exit.ExitCode() == -1 || w.stderr.Len() == 0):
		return true
	}
	t.Fatalf("worker: %v\n%s", err, &w.stderr)
	return false
}

// killAfter kills the worker after a time and reports whether it was still at
// work.
func (w *worker) killAfter(t *testing.T, d time.Duration) bool {
	t.Helper()
	time.Sleep(time.Until(w.start.Add(d)))
	if err := w.cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Fatal(err)
	}
	return w.end(t)
}

// quickDir is a folder in memory where there is one: what counts here is the
// order of the calls, and a real disk's syncs would only make the test slow.
// PHOTOTIE_LEDGER_TEST_DISK=1 uses the disk.
func quickDir(t testing.TB) string {
	t.Helper()
	if os.Getenv("PHOTOTIE_LEDGER_TEST_DISK") == "" {
		if dir, err := os.MkdirTemp("/dev/shm", "phototie"); err == nil {
			t.Cleanup(func() { os.RemoveAll(dir) })
			return dir
		}
	}
	return t.TempDir()
}

// finish runs the work to its end and then restore, and lists what is not as
// required: every photo new, then every photo back to its first bytes.
func (j *job) finish(t *testing.T, what, dir string) (faults []string) {
	t.Helper()
	if w := startWorker(t, what, dir, ""); w.end(t) {
		t.Fatal("worker was killed by something else")
	}
	n, broken := j.check(dir)
	if n != len(j.names) {
		faults = append(faults, fmt.Sprintf("a second run left %d of %d photos old", len(j.names)-n, len(j.names)))
	}
	faults = append(faults, broken...)
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	l, err := Open(root, "kill test")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if temps := l.Repairs().Temps; len(temps) > 0 {
		faults = append(faults, fmt.Sprintf("a second run left %q", temps))
	}
	for out, err := range l.Restore(t.Context(), nil, false) {
		if err != nil {
			t.Fatal(err)
		}
		if out.Status != Restored {
			faults = append(faults, fmt.Sprintf("restore: %s: %s", out.Photo, out.Status))
		}
	}
	if n, _ := j.check(dir); n != 0 {
		faults = append(faults, fmt.Sprintf("%d photos not restored", n))
	}
	return faults
}

// TestKill kills correct at random moments, one photo at a time, many at a time and
// where the photos are made of nothing, and restore too, and looks at every
// photo after every kill. PHOTOTIE_FULL=1 asks for a thousand kills and more.
func TestKill(t *testing.T) {
	switch {
	case os.Getenv("PHOTOTIE_FULL") != "":
		testKill(t, map[string]int{"correct": 1000, "bulk": 1000, "create": 1000, "restore": 200})
	case testing.Short():
		testKill(t, map[string]int{"correct": 10, "bulk": 10, "create": 5, "restore": 5})
	default:
		testKill(t, map[string]int{"correct": 40, "bulk": 40, "create": 20, "restore": 20})
	}
}

func testKill(t *testing.T, wanted map[string]int) {
	const seed = 20240611
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for _, what := range []string{"correct", "bulk", "create", "restore"} {
		j := newJob(jobSize)
		dir := quickDir(t)
		forth, goal := what, jobSize
		switch what {
		case "create":
			j.old = make([][]byte, jobSize)
		case "restore":
			forth, goal = "bulk", 0
		}
		j.write(t, dir)

		// How long a run takes when nobody kills it.
		w := startWorker(t, forth, dir, "")
		if w.end(t) {
			t.Fatal("worker was killed by something else")
		}
		full := time.Since(w.start)
		if faults := j.finish(t, forth, dir); faults != nil {
			t.Fatal(strings.Join(faults, "\n"))
		}
		if what == "restore" {
			startWorker(t, forth, dir, "").end(t)
		}

		seen := map[int]bool{} // numbers of corrected photos at a kill
		last := jobSize - goal
		scale := full / 10 // several kills before a run gets through
		kills, rounds := 0, 0
		for kills < wanted[what] {
			w := startWorker(t, what, dir, "")
			killed := w.killAfter(t, time.Duration(r.Int64N(int64(scale))))
			n, broken := j.check(dir)
			// The machine may be slower or faster now than when full was taken.
			switch {
			case killed:
				kills++
				if n == last {
					scale = scale*11/10 + time.Millisecond
				}
			default:
				scale = scale*7/10 + time.Millisecond
			}
			last = n
			if broken != nil {
				t.Fatalf("%s, kill %d: photos neither old nor new:\n%s", what, kills, strings.Join(broken, "\n"))
			}
			seen[n] = true
			if n != goal && kills < wanted[what] {
				continue
			}
			rounds++
			if faults := j.finish(t, forth, dir); faults != nil {
				t.Fatalf("%s, round %d:\n%s", what, rounds, strings.Join(faults, "\n"))
			}
			// All old again: start afresh.
			if err := os.Remove(filepath.Join(dir, FileName)); err != nil {
				t.Fatal(err)
			}
			if what == "restore" {
				startWorker(t, forth, dir, "").end(t)
			}
			last = jobSize - goal
		}
		if len(seen) < min(wanted[what], jobSize)/4 {
			t.Errorf("%s: only %d different numbers of corrected photos in %d kills: not random enough", what, len(seen), kills)
		}
		t.Logf("a full run of %s takes %v; killed %s %d times in %d rounds, at %d different numbers of photos", forth, full, what, kills, rounds, len(seen))
	}
}

// TestKillAtEachStage leaves nothing to chance: the worker kills itself between
// any two steps of its 150th photo.
func TestKillAtEachStage(t *testing.T) {
	if testing.Short() {
		t.Skip("TestKill has the same stages, and kills at any time")
	}
	j := newJob(jobSize)
	ahead := bulkAhead * runtime.GOMAXPROCS(0)
	for _, tt := range []struct {
		what, stage string
		// The least and the most: of a Bulk, others are on their way.
		corrected, temps, records [2]int
	}{
		{"correct", "created", [2]int{149, 149}, [2]int{1, 1}, [2]int{149, 149}},
		{"correct", "synced", [2]int{149, 149}, [2]int{1, 1}, [2]int{149, 149}},
		{"correct", "recorded", [2]int{149, 149}, [2]int{1, 1}, [2]int{150, 150}},
		{"correct", "renamed", [2]int{150, 150}, [2]int{0, 0}, [2]int{150, 150}},
		{"correct", "done", [2]int{150, 150}, [2]int{0, 0}, [2]int{150, 150}},
		{"bulk", "created", [2]int{150 - ahead, 149}, [2]int{1, ahead}, [2]int{150 - ahead, 150}},
		{"bulk", "synced", [2]int{150 - ahead, 149}, [2]int{1, ahead}, [2]int{150 - ahead, 150}},
		{"bulk", "recorded", [2]int{150 - ahead, 149}, [2]int{1, ahead}, [2]int{150, 150 + ahead}},
		{"bulk", "renamed", [2]int{150, 150}, [2]int{0, ahead}, [2]int{150, 150 + ahead}},
		{"bulk", "done", [2]int{150, 150 + ahead}, [2]int{0, ahead}, [2]int{150, 150 + ahead}},
	} {
		t.Run(tt.what+" "+tt.stage, func(t *testing.T) {
			dir := quickDir(t)
			j.write(t, dir)
			if !startWorker(t, tt.what, dir, tt.stage+" 150").end(t) {
				t.Fatal("the worker was not killed")
			}
			is := func(what string, n int, want [2]int) {
				t.Helper()
				if n < want[0] || n > want[1] {
					t.Errorf("%d %s, want %d to %d", n, what, want[0], want[1])
				}
			}
			n, broken := j.check(dir)
			if broken != nil {
				t.Errorf("broken: %q", broken)
			}
			is("corrected", n, tt.corrected)
			root, err := os.OpenRoot(dir)
			if err != nil {
				t.Fatal(err)
			}
			defer root.Close()
			records := 0
			for _, err := range Read(root) {
				if err != nil {
					t.Fatal(err)
				}
				records++
			}
			temps, err := filepath.Glob(filepath.Join(dir, "day*", tempPrefix+"*"))
			if err != nil {
				t.Fatal(err)
			}
			is("temporary files", len(temps), tt.temps)
			is("records", records, tt.records)
			if faults := j.finish(t, tt.what, dir); faults != nil {
				t.Error(strings.Join(faults, "\n"))
			}
		})
	}
}

// TestKillCheckCatches tests the tests above: workers that do it wrong have to
// be caught by the same checks.
func TestKillCheckCatches(t *testing.T) {
	j := newJob(jobSize)
	t.Run("overwriting in place", func(t *testing.T) {
		r := rand.New(rand.NewPCG(3, 3))
		for kill := range 40 {
			dir := quickDir(t)
			j.write(t, dir)
			w := startWorker(t, "naive", dir, "")
			w.killAfter(t, time.Duration(r.Int64N(int64(20*time.Millisecond))))
			if _, broken := j.check(dir); broken != nil {
				t.Logf("caught at kill %d: %s", kill+1, broken[0])
				return
			}
		}
		t.Error("40 kills of a worker that overwrites photos in place, and no broken photo was found")
	})
	t.Run("record after rename", func(t *testing.T) {
		dir := quickDir(t)
		j.write(t, dir)
		if !startWorker(t, "late", dir, "renamed 150").end(t) {
			t.Fatal("the worker was not killed")
		}
		faults := j.finish(t, "correct", dir)
		if faults == nil {
			t.Error("a photo renamed before its record was written was not missed by restore")
		}
		t.Logf("caught: %s", strings.Join(faults, "; "))
	})
}
