//go:build unix

package pointfile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Only regular files are opened: a named pipe that nobody writes into would wait
// for ever, and a device has no end.
func TestOnlyRegularFiles(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	if err := errors.Join(
		syscall.Mkfifo(in("pipe"), 0o644), os.Symlink("pipe", in("link")), os.Symlink("/dev/zero", in("device")), os.Mkdir(in("folder"), 0o755),
	); err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	for _, fsys := range []fs.FS{os.DirFS(dir), root.FS()} {
		for name, want := range map[string]string{"pipe": "a named pipe", "link": "a named pipe", "device": "a device", "folder": "a folder"} {
			if _, ok := fsys.(interface {
				Stat(string) (fs.FileInfo, error)
			}); !ok {
				t.Fatalf("%T has no Stat", fsys)
			}
			done := make(chan error, 1)
			go func() {
				_, err := Open(fsys, name, Options{})
				done <- err
			}()
			select {
			case err := <-done:
				var p *Problem
				outside := name == "device" && err != nil && strings.Contains(err.Error(), "escapes") // a root does not let it out
				if !errors.As(err, &p) || p.File != name || !outside && !strings.Contains(p.What, want) {
					t.Errorf("%T, %s: %v, want %q", fsys, name, err, want)
				}
			case <-time.After(10 * time.Second):
				t.Errorf("%T, %s: still waiting", fsys, name)
			}
		}
	}
}
