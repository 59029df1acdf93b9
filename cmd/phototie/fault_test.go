package main

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.com/phototie/geotag/ledger"
)

// runProgram runs the program and returns what it printed, both streams together, and
// its exit code.
func runProgram(t *testing.T, args ...string) (string, int) {
	t.Helper()
	cmd := exec.Command(program, args...)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	err := cmd.Run()
	if exit := (*exec.ExitError)(nil); err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return out.String(), cmd.ProcessState.ExitCode()
}

// inMemory is a folder that is quick to sync, where the system has one.
func inMemory(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp(memory(), "phototie-fault-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// contents reads all files of a folder, by their paths in it.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	err := filepath.WalkDir(dir, func(p string, e os.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err
		}
		b, err := os.ReadFile(p)
		all[strings.TrimPrefix(p, dir+string(filepath.Separator))] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// TestTwoCorrections: while one run corrects a folder, another one and a restore
// are refused with a message that says what to do, and nothing is touched.
func TestTwoCorrections(t *testing.T) {
	dir := inMemory(t)
	killJob(t, dir)
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	l, err := ledger.Open(root, "the first run")
	if err != nil {
		t.Fatal(err)
	}
	before := contents(t, dir)
	for _, args := range [][]string{{"correct", "--in-place", dir}, {"restore", dir}} {
		out, code := runProgram(t, args...)
		if code != 2 || !strings.Contains(out, "in use by another run") || !strings.Contains(out, "wait until it is done") {
			t.Errorf("%s: exit %d: %s", args[0], code, out)
		}
	}
	after := contents(t, dir)
	for name, text := range before {
		if after[name] != text {
			t.Errorf("%s was changed", name)
		}
	}
	if len(after) != len(before) {
		t.Errorf("%d files became %d", len(before), len(after))
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if out, code := runProgram(t, "correct", "--in-place", dir); code != 0 {
		t.Errorf("the lock is gone, and yet: exit %d: %s", code, out)
	}
}

// TestNoRoom: where the system lets no file grow beyond a few blocks, as a quota
// or a full disk would, correct says which photo it could not write and why,
// leaves every photo whole, and goes on from there once there is room.
func TestNoRoom(t *testing.T) {
	sh, err := exec.LookPath("sh")
	if err != nil {
		t.Skip(err)
	}
	dir := inMemory(t)
	job := filepath.Join(dir, "job")
	if err := os.Mkdir(job, 0o755); err != nil {
		t.Fatal(err)
	}
	killJob(t, job)
	before := contents(t, filepath.Join(job, "photos"))
	limited := func(args ...string) (string, int) {
		t.Helper()
		// Blocks of 512 or 1,024 bytes, by the shell: room for a photo, and for the
		// ledger until it has some ten lines.
		cmd := exec.Command(sh, append([]string{"-c", `ulimit -f 16 && exec "$0" "$@"`, program}, args...)...)
		out, err := cmd.CombinedOutput()
		if exit := (*exec.ExitError)(nil); err != nil && !errors.As(err, &exit) {
			t.Fatal(err)
		}
		return string(out), cmd.ProcessState.ExitCode()
	}
	out, code := limited("correct", "--in-place", job)
	if code == 0 || !strings.Contains(out, "file too large") || !strings.Contains(out, "photos/") {
		t.Errorf("exit %d: %s", code, out)
	}
	now := contents(t, filepath.Join(job, "photos"))
	corrected := 0
	for name, text := range now {
		switch {
		case before[name] == "":
			t.Errorf("%s is left behind", name)
		case before[name] != text:
			corrected++
		}
	}
	if corrected == 0 || corrected == len(before) {
		t.Errorf("%d of %d photos corrected: the limit did not come in between", corrected, len(before))
	}
	if out, code := runProgram(t, "correct", "--in-place", job); code != 0 {
		t.Errorf("with room again: exit %d: %s", code, out)
	}
	if out, code := runProgram(t, "restore", job); code != 0 {
		t.Errorf("restore: exit %d: %s", code, out)
	}
	for name, text := range contents(t, filepath.Join(job, "photos")) {
		if text != before[name] {
			t.Errorf("%s was not restored", name)
		}
	}
}
