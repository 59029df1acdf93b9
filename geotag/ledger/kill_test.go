package ledger

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
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

// write puts the old photos into dir.
func (j *job) write(t testing.TB, dir string) {
	t.Helper()
	for i, n := range j.names {
		p := filepath.Join(dir, filepath.FromSlash(n))
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
		case err == nil && bytes.Equal(b, j.old[i]):
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
		l.trace = func(s, _ string) {
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
	p := &pending{step: step{Change: c}}
	defer p.release()
	if l.prepare(ctx, p); p.err != nil {
		return p.err
	}
	group := []*pending{p}
	if l.place(group) != 1 {
		return p.err
	}
	p.unchanged = func() error { return nil }
	if l.look(ctx, group) == 1 {
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

// finish runs correct to its end and then restore, and lists what is not as
// required: every photo new, then every photo back to its first bytes.
func (j *job) finish(t *testing.T, dir string) (faults []string) {
	t.Helper()
	if w := startWorker(t, "correct", dir, ""); w.end(t) {
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

// TestKill kills correct at random moments, and restore too, and looks at every
// photo after every kill. PHOTOTIE_FULL=1 asks for a thousand kills and more.
func TestKill(t *testing.T) {
	switch {
	case os.Getenv("PHOTOTIE_FULL") != "":
		testKill(t, 1000, 200)
	case testing.Short():
		testKill(t, 20, 5)
	default:
		testKill(t, 100, 20)
	}
}

func testKill(t *testing.T, corrects, restores int) {
	const seed = 20240611
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	j := newJob(jobSize)
	dir := quickDir(t)
	j.write(t, dir)

	// How long a run takes when nobody kills it.
	w := startWorker(t, "correct", dir, "")
	if w.end(t) {
		t.Fatal("worker was killed by something else")
	}
	full := time.Since(w.start)
	if faults := j.finish(t, dir); faults != nil {
		t.Fatal(strings.Join(faults, "\n"))
	}

	kill := func(what string, goal, wanted int) (kills, rounds int) {
		seen := map[int]bool{} // numbers of corrected photos at a kill
		last := jobSize - goal
		scale := full / 10 // several kills before a run gets through
		for kills < wanted {
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
			if n != goal && kills < wanted {
				continue
			}
			rounds++
			if faults := j.finish(t, dir); faults != nil {
				t.Fatalf("%s, round %d:\n%s", what, rounds, strings.Join(faults, "\n"))
			}
			// All old again: start afresh.
			if err := os.Remove(filepath.Join(dir, FileName)); err != nil {
				t.Fatal(err)
			}
			if what == "restore" {
				w := startWorker(t, "correct", dir, "")
				w.end(t)
			}
			last = jobSize - goal
		}
		if len(seen) < min(wanted, jobSize)/3 {
			t.Errorf("%s: only %d different numbers of corrected photos in %d kills: not random enough", what, len(seen), kills)
		}
		return kills, rounds
	}
	kills, rounds := kill("correct", jobSize, corrects)
	t.Logf("a full run takes %v; killed correct %d times in %d rounds", full, kills, rounds)
	w = startWorker(t, "correct", dir, "")
	w.end(t)
	kills, rounds = kill("restore", 0, restores)
	t.Logf("killed restore %d times in %d rounds", kills, rounds)
}

// TestKillAtEachStage leaves nothing to chance: the worker kills itself between
// any two steps of its 150th photo.
func TestKillAtEachStage(t *testing.T) {
	j := newJob(jobSize)
	for _, tt := range []struct {
		stage     string
		corrected int
		temps     int // left behind
		records   int
	}{
		{"created", 149, 1, 149},
		{"synced", 149, 1, 149},
		{"recorded", 149, 1, 150},
		{"renamed", 150, 0, 150},
		{"done", 150, 0, 150},
	} {
		t.Run(tt.stage, func(t *testing.T) {
			dir := quickDir(t)
			j.write(t, dir)
			if !startWorker(t, "correct", dir, tt.stage+" 150").end(t) {
				t.Fatal("the worker was not killed")
			}
			n, broken := j.check(dir)
			if broken != nil || n != tt.corrected {
				t.Errorf("%d corrected, want %d; broken: %q", n, tt.corrected, broken)
			}
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
			if err != nil || len(temps) != tt.temps || records != tt.records {
				t.Errorf("%d temporary files, %d records, %v; want %d, %d", len(temps), records, err, tt.temps, tt.records)
			}
			if faults := j.finish(t, dir); faults != nil {
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
		faults := j.finish(t, dir)
		if faults == nil {
			t.Error("a photo renamed before its record was written was not missed by restore")
		}
		t.Logf("caught: %s", strings.Join(faults, "; "))
	})
}
