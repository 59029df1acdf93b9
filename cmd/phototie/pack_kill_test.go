package main

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

// packJob writes a job of many small photos, in memory where that can be, and
// returns the folder that holds it.
func packJob(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp(memory(), "phototie-pack-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	job := filepath.Join(dir, "job")
	if err := os.Mkdir(job, 0o755); err != nil {
		t.Fatal(err)
	}
	killJob(t, job)
	return dir
}

// packCommand packs the job of packJob.
func packCommand(dir string) *exec.Cmd {
	cmd := exec.Command(program, "pack", "--into", "out", "--pictures", "none", "--fail-on", "never", "job")
	cmd.Dir = dir
	return cmd
}

// leftovers lists what an unfinished pack left beside its place.
func leftovers(t *testing.T, dir string) []string {
	t.Helper()
	left, err := filepath.Glob(filepath.Join(dir, ".*"))
	if err != nil {
		t.Fatal(err)
	}
	return left
}

// wholeDelivery makes sure that a delivery has every file that its manifest lists,
// and no other, and returns the manifest.
func wholeDelivery(t *testing.T, dir string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "SHA256SUMS"))
	if err != nil {
		t.Fatalf("a delivery without its manifest: %v", err)
	}
	listed := map[string]string{}
	for line := range strings.Lines(string(text)) {
		sum, name, ok := strings.Cut(strings.TrimSuffix(line, "\n"), "  ")
		if !ok {
			t.Fatalf("manifest: %q", line)
		}
		listed[name] = sum
	}
	err = filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil || rel == "SHA256SUMS" {
			return err
		}
		text, err := os.ReadFile(p)
		if got := fmt.Sprintf("%x", sha256.Sum256(text)); listed[filepath.ToSlash(rel)] != got {
			t.Errorf("%s has %s, and the manifest says %q", rel, got, listed[filepath.ToSlash(rel)])
		}
		delete(listed, filepath.ToSlash(rel))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for name := range listed {
		t.Errorf("%s is in the manifest and not there", name)
	}
	return string(text)
}

// The real program, killed at random moments while it packs: there is no delivery
// by its name, or a whole one.
func TestKilledWhilePacking(t *testing.T) {
	if testing.Short() {
		t.Skip("many processes take a while")
	}
	dir := packJob(t)
	out := filepath.Join(dir, "out")
	start := time.Now()
	if text, err := packCommand(dir).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	whole := time.Since(start)
	first := wholeDelivery(t, out)
	n := 8
	if os.Getenv("PHOTOTIE_FULL") != "" {
		n = 200
	}
	const seed = 20261125
	rng := rand.New(rand.NewPCG(seed, 2))
	midway := 0
	for i := range n {
		if err := os.RemoveAll(out); err != nil {
			t.Fatal(err)
		}
		cmd := packCommand(dir)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(rng.Int64N(int64(whole))))
		_ = cmd.Process.Kill() // it may be done
		_ = cmd.Wait()
		if _, err := os.Lstat(out); err == nil {
			if wholeDelivery(t, out) != first {
				t.Fatalf("kill %d (seed %d): the delivery is another", i, seed)
			}
		} else if !errors.Is(err, fs.ErrNotExist) {
			t.Fatal(err)
		}
		for _, l := range leftovers(t, dir) {
			midway++
			if err := os.RemoveAll(l); err != nil {
				t.Fatal(err)
			}
		}
	}
	if midway == 0 {
		t.Errorf("none of %d kills came while the delivery was being made", n)
	}
	if err := os.RemoveAll(out); err != nil {
		t.Fatal(err)
	}
	if text, err := packCommand(dir).CombinedOutput(); err != nil {
		t.Fatalf("after the last kill: %v\n%s", err, text)
	}
	if wholeDelivery(t, out) != first {
		t.Error("the pack after the last kill gave another delivery")
	}
	t.Logf("%d kills, %d of them while the delivery was being made, which takes %v", n, midway, whole)
}

// Ended by an interrupt, a pack leaves nothing behind at all.
func TestInterruptedWhilePacking(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("no interrupts between processes")
	}
	dir := packJob(t)
	cmd := packCommand(dir)
	var said bytes.Buffer
	cmd.Stderr = &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(time.Minute); len(leftovers(t, dir)) == 0; {
		if time.Now().After(deadline) {
			t.Fatal("it did not begin")
		}
		time.Sleep(time.Millisecond)
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	err := cmd.Wait()
	if code := cmd.ProcessState.ExitCode(); code != exitInput || !strings.Contains(said.String(), "interrupt") && !strings.Contains(said.String(), "canceled") {
		t.Errorf("%v, exit code %d: %s", err, code, said.String())
	}
	if left := leftovers(t, dir); len(left) > 0 {
		t.Errorf("it left %q", left)
	}
	if _, err := os.Lstat(filepath.Join(dir, "out")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("there is a delivery: %v", err)
	}
}
