package record_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/geotag/ledger"
	"example.com/phototie/match/record"
)

func openRoot(t *testing.T, dir string) *os.Root {
	t.Helper()
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { root.Close() })
	return root
}

// The ledger's corrections are told with the positions before and after.
func TestLedgerChanges(t *testing.T) {
	dir := t.TempDir()
	root := openRoot(t, dir)
	if got, err := record.LedgerChanges(root); err != nil || got != nil {
		t.Fatalf("without a ledger: %v, %v", got, err)
	}
	first := geotag.Edit{Lat: 52.1882, Lon: -6.6801, HPositioningError: 3}
	img, _, err := geotag.Rewrite(geotagtest.Plain(), first)
	if err != nil {
		t.Fatal(err)
	}
	files := map[string][]byte{"a.jpg": img, "b.jpg": geotagtest.Plain(), "c.jpg": img, "d.jpg": img, "e.jpg": img}
	l, err := ledger.Open(root, "test")
	if err != nil {
		t.Fatal(err)
	}
	correct := func(name string, e geotag.Edit, meaning geotag.Meaning) {
		t.Helper()
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		_, p, err := geotag.Rewrite(b, e)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.Do(t.Context(), ledger.Task{Change: ledger.Change{Photo: name, Patch: p, Meaning: meaning, Reason: map[string]string{"point": "BO-01"}}}); err != nil {
			t.Fatal(err)
		}
	}
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	second := geotag.Edit{Lat: 52.25, Lon: -6.5, HPositioningError: .02}
	for _, name := range []string{"a.jpg", "b.jpg", "c.jpg", "d.jpg"} {
		correct(name, second, geotag.SubjectPosition)
	}
	correct("e.jpg", geotag.Edit{Meaning: geotag.CameraPosition, Lat: 52.25, Lon: -6.5}, geotag.CameraPosition)
	for o, err := range l.Restore(context.Background(), []string{"c.jpg"}, false) {
		if err != nil {
			t.Fatal(o, err)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "d.jpg"), []byte("something else"), 0o644); err != nil {
		t.Fatal(err)
	}

	got, err := record.LedgerChanges(root)
	if err != nil {
		t.Fatal(err)
	}
	by := map[string]record.Change{}
	for _, c := range got {
		by[c.Photo] = c
	}
	const old, now = "52°11'17.520\"\u00a0N 6°40'48.360\"\u00a0W (WGS-84)", "52°15'00.000\"\u00a0N 6°30'00.000\"\u00a0W (WGS-84)"
	for _, c := range []struct{ photo, what, was, is string }{
		{"a.jpg", "the point’s position written (BO-01)", old, now},
		{"b.jpg", "the point’s position written (BO-01)", "without a position", now},
		{"c.jpg", "taken back to earlier bytes", "", ""},
		{"d.jpg", "the point’s position written (BO-01)", "", ""},
		{"e.jpg", "the point written as the destination, the camera’s position kept (BO-01)", old, old},
	} {
		g := by[c.photo]
		if g.What != c.what || g.Was != c.was || g.Is != c.is || g.Before == "" || g.After == "" || g.Time.IsZero() {
			t.Errorf("%s: %+v, want %+v", c.photo, g, c)
		}
	}
	if n := by["d.jpg"].Notes; len(n) != 1 || !strings.Contains(n[0], "compared") {
		t.Errorf("a photo that something else changed: %q", n)
	}
	// Other bytes of the same length are noticed too.
	b, err := os.ReadFile(filepath.Join(dir, "a.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "a.jpg"), make([]byte, len(b)), 0o644); err != nil {
		t.Fatal(err)
	}
	if got, err = record.LedgerChanges(root); err != nil || got[0].Was != "" || len(got[0].Notes) != 1 {
		t.Errorf("a photo of other bytes: %+v, %v", got[0], err)
	}
	// A damaged ledger is an error.
	if err := os.WriteFile(filepath.Join(dir, ledger.FileName), []byte("{}\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := record.LedgerChanges(root); err == nil {
		t.Error("a damaged ledger gives no error")
	}
}

// A side-car's correction counts as its photo's, also after restoring, and tells
// where it stands.
func TestLedgerChangesSidecar(t *testing.T) {
	dir := t.TempDir()
	root := openRoot(t, dir)
	l, err := ledger.Open(root, "test")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	p, err := geotag.NewSidecar(geotag.Edit{Lat: 52.25, Lon: -6.5, HPositioningError: .02})
	if err != nil {
		t.Fatal(err)
	}
	reason := map[string]string{"point": "BO-01", "photo": "photos/a.nef"}
	if _, err := l.Do(t.Context(), ledger.Task{Change: ledger.Change{Photo: "photos/a.xmp", Patch: p, Reason: reason}, New: true}); err != nil {
		t.Fatal(err)
	}
	got, err := record.LedgerChanges(root)
	if err != nil || len(got) != 1 || got[0].Photo != "photos/a.nef" || got[0].Was != "" || !strings.Contains(got[0].Is, "52") || !strings.Contains(got[0].What, "in its side-car a.xmp") {
		t.Errorf("%+v, %v", got, err)
	}
	for o, err := range l.Restore(t.Context(), nil, false) {
		if err != nil {
			t.Fatal(o, err)
		}
	}
	if got, err = record.LedgerChanges(root); err != nil || len(got) != 1 || got[0].Photo != "photos/a.nef" || !strings.Contains(got[0].What, "taken back") {
		t.Errorf("%+v, %v", got, err)
	}
}
