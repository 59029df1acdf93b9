package crs

import (
	"os"
	"syscall"
	"testing"
)

// redirectStderr sends file descriptor 2 to a file until restore is called.
func redirectStderr(t *testing.T, to *os.File) (restore func()) {
	t.Helper()
	saved, err := syscall.Dup(2)
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.Dup3(int(to.Fd()), 2, 0); err != nil {
		t.Fatal(err)
	}
	return func() {
		if err := syscall.Dup3(saved, 2, 0); err != nil {
			t.Error(err)
		}
		if err := syscall.Close(saved); err != nil {
			t.Error(err)
		}
	}
}

// PROJ has a habit of writing to stderr.
func TestSilence(t *testing.T) {
	read, write, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	restore := redirectStderr(t, write)
	for _, d := range []string{"EPSG:999999", "+proj=nothing", `PROJCS["x"]`, "EPSG:5017", "x"} {
		_, err = Open(d)
		if err == nil {
			t.Errorf("Open(%q) works", d)
		}
	}
	restore()
	write.Close()
	var said [1000]byte
	n, _ := read.Read(said[:])
	if n > 0 {
		t.Errorf("PROJ said %q", said[:n])
	}
}
