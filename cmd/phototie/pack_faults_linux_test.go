package main

import (
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Calls that the kernel fails (by strace, which puts the errors there): a disk
// that is full, a sync that does not come through, a rename that can't be done.
// Each ends the pack with an error and leaves nothing.
func TestPackFaults(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	dir := packJob(t)
	out := filepath.Join(dir, "out")
	for _, c := range []struct {
		name string
		args []string
		want string
	}{
		{"a sync early", []string{"-e", "trace=fsync", "-e", "inject=fsync:error=EIO:when=2"}, "input/output error"},
		{"a sync among the photos", []string{"-e", "trace=fsync", "-e", "inject=fsync:error=ENOSPC:when=10"}, "no space left"}, // of each thread, of which there are some twenty
		{"making a folder", []string{"-e", "trace=mkdirat", "-e", "inject=mkdirat:error=ENOSPC:when=2"}, "no space left"},
		{"the last rename", []string{"-P", out, "-e", "trace=rename,renameat,renameat2", "-e", "inject=rename,renameat,renameat2:error=EACCES"}, "permission denied"},
	} {
		t.Run(c.name, func(t *testing.T) {
			pack := packCommand(dir)
			cmd := exec.Command(strace, append(append([]string{"-f", "-o", os.DevNull}, c.args...), pack.Args...)...)
			cmd.Dir = dir
			text, err := cmd.CombinedOutput()
			if strings.Contains(string(text), "ptrace") || strings.Contains(string(text), "PTRACE") {
				t.Skipf("tracing is not permitted here: %s", text)
			}
			if err == nil || !strings.Contains(string(text), c.want) {
				t.Errorf("%v, want %q:\n%s", err, c.want, text)
			}
			if _, err := os.Lstat(out); !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("there is a delivery: %v", err)
			}
			if left := leftovers(t, dir); len(left) > 0 {
				t.Errorf("it left %q", left)
			}
		})
	}
}
