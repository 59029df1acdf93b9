//go:build unix

package main

import (
	"archive/zip"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// What a ZIP was unpacked to goes, too, where the reader of the output goes first.
func TestReaderGoes(t *testing.T) {
	job, err := example()
	if err != nil {
		t.Fatal(err)
	}
	file, temp := filepath.Join(t.TempDir(), "job.zip"), t.TempDir()
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	z := zip.NewWriter(f)
	if err := z.AddFS(os.DirFS(job)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	f.Close()
	cmd := exec.Command(program, "check", "--pixels", "never", "--format", "json", file)
	cmd.Env = append(os.Environ(), "TMPDIR="+temp)
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdout = w
	r.Close()
	err = cmd.Run()
	w.Close()
	if code := cmd.ProcessState.ExitCode(); code != exitInput {
		t.Errorf("exit code %d, %v", code, err)
	}
	if left, err := os.ReadDir(temp); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
}
