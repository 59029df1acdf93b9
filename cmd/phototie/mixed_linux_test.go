package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// The disk becomes full in the middle of each command that writes, with photos in all
// formats: each is wholly old or wholly new, the message says what is wrong, and with
// room again the next run completes the work. PHOTOTIE_FULL=1 asks for 100 of each.
func TestFullDiskMixed(t *testing.T) {
	if testing.Short() {
		t.Skip("many processes take a while")
	}
	runs := 1
	if os.Getenv("PHOTOTIE_FULL") != "" {
		runs = 100
	}
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=64m"); err != nil {
		t.Skipf("mounting is not permitted here: %v", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	free := func() int64 {
		var st unix.Statfs_t
		if err := unix.Statfs(dir, &st); err != nil {
			t.Fatal(err)
		}
		return int64(st.Bavail) * st.Bsize
	}
	const seed = 20261130
	for i, c := range mixedCommands {
		m := newMixed(t, c, filepath.Join(dir, fmt.Sprint(i)))
		m.reset(t)
		empty := free()
		m.complete(t, "no run")
		need := max(empty-free(), 200_000) // of a correction in place, for temporary files
		rng := rand.New(rand.NewPCG(seed, uint64(i)))
		full := 0
		for n := range runs {
			m.reset(t)
			filler := filepath.Join(dir, "filler")
			if err := os.WriteFile(filler, make([]byte, free()-rng.Int64N(need)), 0o644); err != nil {
				t.Fatal(err)
			}
			ctx, done := context.WithCancel(t.Context())
			looked := m.watch(ctx, t)
			out, code := m.disturb(t, func(<-chan struct{}) {})
			done()
			looked()
			when := fmt.Sprintf("full disk %d (seed %d)", n, seed)
			new := m.whole(t, when)
			switch {
			case code == 0 && new != len(m.new):
				t.Errorf("%s: %s: exit 0 with %d of %d: %s", m.name, when, new, len(m.new), out)
			case code != 0 && !strings.Contains(out, "no space left"):
				t.Errorf("%s: %s: exit %d: %s", m.name, when, code, out)
			case code != 0:
				full++
			}
			if err := os.Remove(filler); err != nil {
				t.Fatal(err)
			}
			m.complete(t, when)
		}
		if full == 0 {
			t.Errorf("%s: the disk was never full", m.name)
		}
		t.Logf("%s: %d runs, %d with a full disk", m.name, runs, full)
		if err := os.RemoveAll(m.dir); err != nil {
			t.Fatal(err)
		}
	}
}
