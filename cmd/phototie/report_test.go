//go:build unix

package main

import (
	"io"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// What is no ordinary file is written to, and not replaced: a pipe stays one.
func TestWriteWholePipe(t *testing.T) {
	name := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(name, 0o600); err != nil {
		t.Skip(err)
	}
	got := make(chan string, 1)
	go func() {
		b, err := os.ReadFile(name)
		if err != nil {
			b = []byte(err.Error())
		}
		got <- string(b)
	}()
	if err := writeWhole(name, func(w io.Writer) error { _, err := io.WriteString(w, "a record"); return err }); err != nil {
		t.Fatal(err)
	}
	if s := <-got; s != "a record" {
		t.Errorf("the pipe gave %q", s)
	}
	if info, err := os.Lstat(name); err != nil || info.Mode()&os.ModeNamedPipe == 0 {
		t.Errorf("the pipe is now %v, %v", info.Mode(), err)
	}
}

// A write that fails leaves the file that was there, and nothing else.
func TestWriteWholeFails(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "record.html")
	if err := os.WriteFile(name, []byte("old"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := writeWhole(name, func(w io.Writer) error { return io.ErrShortWrite }); err == nil {
		t.Error("no error")
	}
	if b, err := os.ReadFile(name); err != nil || string(b) != "old" {
		t.Errorf("%q, %v", b, err)
	}
	if es, err := os.ReadDir(dir); err != nil || len(es) != 1 {
		t.Errorf("the folder has %v, %v", es, err)
	}
}
