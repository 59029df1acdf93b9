package ledger

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"

	"example.com/phototie/geotag"
	"pgregory.net/rapid"
)

// drawPatch draws a patch for text.
func drawPatch(t *rapid.T, text []byte) *geotag.Patch {
	p := &geotag.Patch{SizeBefore: int64(len(text))}
	for at, n := 0, rapid.IntRange(0, 4).Draw(t, "splices"); n > 0 && at <= len(text); n-- {
		off := rapid.IntRange(at, len(text)).Draw(t, "off")
		end := rapid.IntRange(off, min(off+20, len(text))).Draw(t, "end")
		p.Splices = append(p.Splices, geotag.Splice{
			Off: int64(off),
			Old: bytes.Clone(text[off:end]),
			New: rapid.SliceOfN(rapid.Byte(), 0, 20).Draw(t, "new"),
		})
		at = end
	}
	return p
}

// TestChainsRestore: after any chain of corrections, restores and new openings
// of photos, in place and into another folder, restore gives the first bytes.
func TestChainsRestore(t *testing.T) {
	ctx := context.Background()
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "phototie")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(dir)
		for _, d := range []string{"src", "dst"} {
			if err := os.Mkdir(filepath.Join(dir, d), 0o755); err != nil {
				t.Fatal(err)
			}
		}
		src, err := os.OpenRoot(filepath.Join(dir, "src"))
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		dst, err := os.OpenRoot(filepath.Join(dir, "dst"))
		if err != nil {
			t.Fatal(err)
		}
		defer dst.Close()
		names := []string{"a.jpg", "b.jpg"}
		first := map[string][]byte{}
		for _, n := range names {
			first[n] = rapid.SliceOfN(rapid.Byte(), 0, 100).Draw(t, "photo")
			if err := src.WriteFile(n, first[n], 0o644); err != nil {
				t.Fatal(err)
			}
		}
		l, err := Open(dst, "")
		if err != nil {
			t.Fatal(err)
		}
		defer func() { l.Close() }()
		there := map[string]bool{}
		for range rapid.IntRange(1, 8).Draw(t, "steps") {
			n := rapid.SampledFrom(names).Draw(t, "name")
			switch what := rapid.IntRange(0, 5).Draw(t, "what"); {
			case what == 0:
				if err := l.Close(); err != nil {
					t.Fatal(err)
				}
				if l, err = Open(dst, ""); err != nil {
					t.Fatal(err)
				}
				if r := l.Repairs(); r.Torn != nil || r.Temps != nil {
					t.Fatalf("repairs %+v", r)
				}
			case what == 1 && there[n]:
				for out, err := range l.Restore(ctx, []string{n}, false) {
					if err != nil || out.Status != Restored && out.Status != Original {
						t.Fatalf("%+v, %v", out, err)
					}
				}
			case what <= 3 || !there[n]:
				p := drawPatch(t, first[n])
				if _, err := l.CorrectInto(ctx, src, Change{Photo: n, Patch: p}); err != nil {
					t.Fatal(err)
				}
				there[n] = true
				want, _ := p.ApplyBytes(first[n])
				if got, err := dst.ReadFile(n); err != nil || !bytes.Equal(got, want) {
					t.Fatalf("copy: %q, want %q, %v", got, want, err)
				}
			default:
				now, err := dst.ReadFile(n)
				if err != nil {
					t.Fatal(err)
				}
				p := drawPatch(t, now)
				if _, err := l.Correct(ctx, Change{Photo: n, Patch: p}); err != nil {
					t.Fatal(err)
				}
				want, _ := p.ApplyBytes(now)
				if got, err := dst.ReadFile(n); err != nil || !bytes.Equal(got, want) {
					t.Fatalf("correct: %q, want %q, %v", got, want, err)
				}
			}
		}
		for _, dry := range []bool{true, false} {
			for out, err := range l.Restore(ctx, nil, dry) {
				if err != nil || out.Status != Restored && out.Status != Original {
					t.Fatalf("%+v, %v", out, err)
				}
			}
		}
		for n := range there {
			if got, err := dst.ReadFile(n); err != nil || !bytes.Equal(got, first[n]) {
				t.Fatalf("%s came back as %q, was %q, %v", n, got, first[n], err)
			}
			if got, err := src.ReadFile(n); err != nil || !bytes.Equal(got, first[n]) {
				t.Fatalf("the original %s is now %q, was %q, %v", n, got, first[n], err)
			}
		}
	})
}
