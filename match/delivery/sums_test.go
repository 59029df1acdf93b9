package delivery

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
)

// The manifest is what GNU sha256sum itself writes, and takes back, whatever files
// are called.
func TestSumsAgainstSha256sum(t *testing.T) {
	bin, err := exec.LookPath("sha256sum")
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip("sha256sum is not installed")
	}
	dir := t.TempDir()
	names := []string{"a.txt", "b c", "empty", `back\slash`, "two\nlines", "ret\rurn", "-dash", "*star", "ünï", "sub/x", "sub/y\\\n\r"}
	for _, n := range names {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(dir, n)), 0o755); err != nil {
			t.Fatal(err)
		}
		text := n
		if n == "empty" {
			text = ""
		}
		if err := os.WriteFile(filepath.Join(dir, n), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var got strings.Builder
	last := 0
	if err := WriteSums(t.Context(), &got, os.DirFS(dir), func(done, total int) {
		if last++; done != last || total != len(names) {
			t.Errorf("progress %d of %d", done, total)
		}
	}); err != nil {
		t.Fatal(err)
	}
	slices.Sort(names)
	cmd := exec.Command(bin, append([]string{"--"}, names...)...)
	cmd.Dir = dir
	want, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if got.String() != string(want) {
		t.Errorf("got\n%s\nsha256sum writes\n%s", got.String(), want)
	}
	if err := os.WriteFile(filepath.Join(dir, SumsFile), []byte(got.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	verify := func() error {
		cmd := exec.Command(bin, "-c", "--strict", "--quiet", SumsFile)
		cmd.Dir = dir
		return cmd.Run()
	}
	if err := verify(); err != nil {
		t.Error(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "sub/y\\\n\r"), []byte("other"), 0o644); err != nil {
		t.Fatal(err)
	}
	if verify() == nil {
		t.Error("a changed file was not noticed")
	}
	// The manifest itself is not in it.
	var again strings.Builder
	if err := WriteSums(t.Context(), &again, os.DirFS(dir), nil); err != nil || strings.Contains(again.String(), SumsFile) {
		t.Error(again.String(), err)
	}
}

func TestSumsErrors(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := WriteSums(ctx, &strings.Builder{}, fstest.MapFS{"a": {}}, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	var pe *fs.PathError
	if err := WriteSums(t.Context(), &strings.Builder{}, fstest.MapFS{"a": {Mode: fs.ModeSymlink}}, nil); !errors.As(err, &pe) {
		t.Errorf("a link: %v", err)
	}
}
