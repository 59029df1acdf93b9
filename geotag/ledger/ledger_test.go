package ledger

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"example.com/phototie/geotag"
)

func newRoot(t testing.TB) (*os.Root, string) {
	t.Helper()
	dir := t.TempDir()
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { root.Close() })
	return root, dir
}

func open(t testing.TB, root *os.Root) *Ledger {
	t.Helper()
	l, err := Open(root, "test 1")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func writeFile(t testing.TB, dir, name, text string) {
	t.Helper()
	p := filepath.Join(dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(p, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func readFile(t testing.TB, dir, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func sum(s string) string {
	d := sha256.Sum256([]byte(s))
	return hex.EncodeToString(d[:])
}

// replace is the patch that replaces the first old in text.
func replace(t testing.TB, text, old, new string) *geotag.Patch {
	t.Helper()
	at := strings.Index(text, old)
	if at < 0 {
		t.Fatalf("no %q in %q", old, text)
	}
	return &geotag.Patch{SizeBefore: int64(len(text)), Splices: []geotag.Splice{{Off: int64(at), Old: []byte(old), New: []byte(new)}}}
}

// tree is every file below dir with its bytes, link target and times.
func tree(t testing.TB, dir string) map[string]string {
	t.Helper()
	m := map[string]string{}
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil {
			return err
		}
		fi, err := d.Info()
		if err != nil {
			return err
		}
		var b []byte
		if fi.Mode()&fs.ModeSymlink != 0 {
			to, lerr := os.Readlink(p)
			b, err = []byte(to), lerr
		} else if filepath.Base(rel) != lockName {
			b, err = os.ReadFile(p)
		} else {
			return nil
		}
		m[filepath.ToSlash(rel)] = fmt.Sprintf("%v %v %s", fi.Mode(), fi.ModTime().UnixNano(), b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func sameTree(t testing.TB, dir string, want map[string]string) {
	t.Helper()
	got := tree(t, dir)
	for _, n := range slices.Sorted(maps.Keys(got)) {
		if got[n] != want[n] {
			t.Errorf("%s: %.200q, before %.200q", n, got[n], want[n])
		}
	}
	for n := range want {
		if _, ok := got[n]; !ok {
			t.Errorf("%s is gone", n)
		}
	}
}

func outcomes(t testing.TB, l *Ledger, names []string, dryRun bool) map[string]Outcome {
	t.Helper()
	m := map[string]Outcome{}
	for out, err := range l.Restore(context.Background(), names, dryRun) {
		if err != nil {
			t.Fatal(err)
		}
		if out.Status == Incomplete {
			continue
		}
		if _, dup := m[out.Photo]; dup {
			t.Errorf("%s twice", out.Photo)
		}
		m[out.Photo] = out
	}
	return m
}

const (
	text1 = "image header, tag 53.1 N 6.2 W, maker's note, pixels"
	text2 = "image header, tag 53.10042 N 6.20017 W, maker's note, pixels"
)

func TestCorrectAndRestore(t *testing.T) {
	root, dir := newRoot(t)
	writeFile(t, dir, "p/1.jpg", text1)
	path := filepath.Join(dir, "p", "1.jpg")
	taken := time.Date(2024, 6, 11, 9, 8, 7, 123456700, time.UTC)
	if err := os.Chtimes(path, taken.Add(time.Hour), taken); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o444); err != nil {
		t.Fatal(err)
	}
	look := func() string {
		fi, err := os.Lstat(path)
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprint(fi.Mode(), fi.ModTime().UTC())
	}
	was := look()

	l := open(t, root)
	if _, err := os.Lstat(filepath.Join(dir, FileName)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a ledger file before the first record: %v", err)
	}
	at := time.Date(2024, 7, 1, 12, 0, 0, 0, time.UTC)
	l.now = func() time.Time { return at }
	patch := replace(t, text1, "53.1 N 6.2 W", "53.10042 N 6.20017 W")
	res, err := l.Correct(t.Context(), Change{Photo: "p/1.jpg", Patch: patch, Before: sum(text1), Meaning: geotag.CameraPosition, Reason: map[string]string{"point": "BM1"}})
	if err != nil {
		t.Fatal(err)
	}
	if got := readFile(t, dir, "p/1.jpg"); got != text2 {
		t.Errorf("corrected: %q", got)
	}
	if got := look(); got != was {
		t.Errorf("mode and time %s, before %s", got, was)
	}
	rec := res.Record
	if !res.Written || len(res.Notes) != 1 || !strings.Contains(res.Notes[0], "write-protected (mode 0444)") || rec.Before != sum(text1) || rec.After != sum(text2) || rec.Meaning != "camera" ||
		rec.Reason["point"] != "BM1" || rec.Tool != "test 1" || !rec.Time.Equal(at) || rec.SizeBefore != int64(len(text1)) || rec.SizeAfter != int64(len(text2)) {
		t.Errorf("%+v", res)
	}

	// A second run changes nothing.
	before := tree(t, dir)
	res, err = l.Correct(t.Context(), Change{Photo: "p/1.jpg", Patch: &geotag.Patch{}})
	if err != nil || res.Written {
		t.Errorf("second run: %+v, %v", res, err)
	}
	res, err = l.Correct(t.Context(), Change{Photo: "p/1.jpg", Patch: replace(t, text2, "53.1", "53.1")})
	if err != nil || res.Written {
		t.Errorf("a patch that changes nothing: %+v, %v", res, err)
	}
	sameTree(t, dir, before)

	out := outcomes(t, l, nil, true)["p/1.jpg"]
	if out.Status != Restored || out.Was != sum(text2) || out.Now != sum(text1) || out.First != sum(text1) || out.Steps != 1 {
		t.Errorf("dry run: %+v", out)
	}
	sameTree(t, dir, before)

	out = outcomes(t, l, nil, false)["p/1.jpg"]
	if out.Status != Restored || out.Now != sum(text1) || readFile(t, dir, "p/1.jpg") != text1 || look() != was {
		t.Errorf("restore: %+v, %s", out, look())
	}
	before = tree(t, dir)
	out = outcomes(t, l, nil, false)["p/1.jpg"]
	if out.Status != Original || out.Steps != 0 {
		t.Errorf("second restore: %+v", out)
	}
	sameTree(t, dir, before)

	// After the restore it can be corrected and restored again, also by a new
	// process.
	if _, err := l.Correct(t.Context(), Change{Photo: "p/1.jpg", Patch: patch}); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	l = open(t, root)
	if r := l.Repairs(); r.Torn != nil || r.Temps != nil || r.Unread != nil {
		t.Errorf("repairs %+v", r)
	}
	if out := outcomes(t, l, nil, false)["p/1.jpg"]; out.Status != Restored || readFile(t, dir, "p/1.jpg") != text1 {
		t.Errorf("restore again: %+v", out)
	}
	var actions []Action
	for rec, err := range l.Records() {
		if err != nil {
			t.Fatal(err)
		}
		actions = append(actions, rec.Action)
	}
	if want := []Action{ActionCorrect, ActionRestore, ActionCorrect, ActionRestore}; !slices.Equal(actions, want) {
		t.Errorf("records %v, want %v", actions, want)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Lstat(filepath.Join(dir, lockName)); runtime.GOOS != "windows" && !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the lock file stays: %v", err)
	}
}

// TestFormatByHand restores a photo with nothing but the package comment's
// description of the file: JSON maps, base64 and slices of bytes.
func TestFormatByHand(t *testing.T) {
	root, dir := newRoot(t)
	writeFile(t, dir, "1.jpg", text1)
	l := open(t, root)
	p := replace(t, text1, "53.1 N", "53.10042 N")
	p.Splices = append(p.Splices, geotag.Splice{Off: int64(strings.Index(text1, ", pixels")), New: []byte(" (more)")})
	if _, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: p}); err != nil {
		t.Fatal(err)
	}
	ledger := readFile(t, dir, FileName)
	if strings.Count(ledger, "\n") != 1 || !strings.HasSuffix(ledger, "\n") {
		t.Fatalf("not one line: %q", ledger)
	}
	var rec map[string]any
	if err := json.Unmarshal([]byte(ledger), &rec); err != nil {
		t.Fatal(err)
	}
	photo := readFile(t, dir, "1.jpg")
	if rec["version"] != 1.0 || rec["photo"] != "1.jpg" || rec["after"] != sum(photo) || rec["size_after"] != float64(len(photo)) {
		t.Fatalf("%v", rec)
	}
	splices := rec["reverse"].(map[string]any)["splices"].([]any)
	for _, s := range slices.Backward(splices) { // from the end, so that offsets stay
		s := s.(map[string]any)
		bytesOf := func(key string) string {
			b, err := base64.StdEncoding.DecodeString(s[key].(string))
			if err != nil {
				t.Fatal(err)
			}
			return string(b)
		}
		off := int(s["off"].(float64))
		old := bytesOf("old")
		if photo[off:off+len(old)] != old {
			t.Fatalf("no %q at %d", old, off)
		}
		photo = photo[:off] + bytesOf("new") + photo[off+len(old):]
	}
	if photo != text1 || rec["before"] != sum(photo) {
		t.Errorf("came back as %q", photo)
	}
}

// TestOrder: the record is synced before the rename, and the photo is whole and
// unlocked for readers at each step.
func TestOrder(t *testing.T) {
	root, dir := newRoot(t)
	writeFile(t, dir, "1.jpg", text1)
	l := open(t, root)
	var seen []string
	l.trace = func(stage, photo string) {
		records := 0
		for _, err := range Read(root) {
			if err != nil {
				t.Error(err)
			}
			records++
		}
		state := "old"
		switch got := readFile(t, dir, photo); got {
		case text1:
		case text2:
			state = "new"
		default:
			t.Errorf("%s: %q", stage, got)
		}
		seen = append(seen, fmt.Sprintf("%s %s %d", stage, state, records))
	}
	if _, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: replace(t, text1, "53.1 N 6.2 W", "53.10042 N 6.20017 W")}); err != nil {
		t.Fatal(err)
	}
	want := []string{"created old 0", "synced old 0", "recorded old 1", "renamed new 1", "done new 1"}
	if !slices.Equal(seen, want) {
		t.Errorf("got  %q\nwant %q", seen, want)
	}
}

func TestRestoreChains(t *testing.T) {
	correct := func(t *testing.T, l *Ledger, dir, old, new string) {
		t.Helper()
		res, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: replace(t, readFile(t, dir, "1.jpg"), old, new)})
		if err != nil || !res.Written {
			t.Fatal(res, err)
		}
	}
	for _, tt := range []struct {
		name string
		do   func(t *testing.T, l *Ledger, dir string)
		want Outcome // Status, Steps
		left string
	}{
		{"three corrections", func(t *testing.T, l *Ledger, dir string) {
			correct(t, l, dir, "0", "11")
			correct(t, l, dir, "1", "222")
			correct(t, l, dir, "2", "3")
		}, Outcome{Status: Restored, Steps: 3}, "tag 0"},
		{"there and back", func(t *testing.T, l *Ledger, dir string) {
			correct(t, l, dir, "0", "1")
			correct(t, l, dir, "1", "0")
		}, Outcome{Status: Original}, "tag 0"},
		{"round in a circle", func(t *testing.T, l *Ledger, dir string) {
			correct(t, l, dir, "0", "1")
			correct(t, l, dir, "1", "2")
			correct(t, l, dir, "2", "1")
		}, Outcome{Status: Restored, Steps: 1}, "tag 0"},
		{"changed afterwards", func(t *testing.T, l *Ledger, dir string) {
			correct(t, l, dir, "0", "1")
			writeFile(t, dir, "1.jpg", "cropped, tag 1")
		}, Outcome{Status: Changed}, "cropped, tag 1"},
		{"changed between", func(t *testing.T, l *Ledger, dir string) {
			correct(t, l, dir, "0", "1")
			writeFile(t, dir, "1.jpg", "cropped, tag 1")
			correct(t, l, dir, "1", "2")
		}, Outcome{Status: Partly, Steps: 1}, "cropped, tag 1"},
		{"changed between, twice", func(t *testing.T, l *Ledger, dir string) {
			correct(t, l, dir, "0", "1")
			writeFile(t, dir, "1.jpg", "cropped, tag 1")
			correct(t, l, dir, "1", "2")
			outcomes(t, l, nil, false)
		}, Outcome{Status: Partly}, "cropped, tag 1"},
		{"put back by hand", func(t *testing.T, l *Ledger, dir string) {
			correct(t, l, dir, "0", "1")
			writeFile(t, dir, "1.jpg", "tag 0")
		}, Outcome{Status: Original}, "tag 0"},
		{"removed", func(t *testing.T, l *Ledger, dir string) {
			correct(t, l, dir, "0", "1")
			if err := os.Remove(filepath.Join(dir, "1.jpg")); err != nil {
				t.Fatal(err)
			}
		}, Outcome{Status: Missing}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			root, dir := newRoot(t)
			writeFile(t, dir, "1.jpg", "tag 0")
			l := open(t, root)
			tt.do(t, l, dir)
			before := tree(t, dir)
			dry := outcomes(t, l, nil, true)["1.jpg"]
			sameTree(t, dir, before)
			out := outcomes(t, l, nil, false)["1.jpg"]
			if out.Status != tt.want.Status || out.Steps != tt.want.Steps || out.First != sum("tag 0") {
				t.Errorf("%+v", out)
			}
			if fmt.Sprint(dry) != fmt.Sprint(out) {
				t.Errorf("dry run said %+v", dry)
			}
			if tt.left == "" {
				return
			}
			if got := readFile(t, dir, "1.jpg"); got != tt.left || out.Now != sum(got) {
				t.Errorf("left %q, said %s", got, out.Now)
			}
		})
	}
}

func TestRestoreNamed(t *testing.T) {
	root, dir := newRoot(t)
	l := open(t, root)
	for _, n := range []string{"1.jpg", "2.jpg", "3.jpg"} {
		writeFile(t, dir, n, n+" tag 0")
		if _, err := l.Correct(t.Context(), Change{Photo: n, Patch: replace(t, n+" tag 0", "tag 0", "tag 1")}); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Remove(filepath.Join(dir, "3.jpg")); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "3.jpg"), 0o755); err != nil {
		t.Fatal(err)
	}
	var got []string
	for out, err := range l.Restore(t.Context(), []string{"9.jpg", "3.jpg", "../x", "1.jpg"}, false) {
		got = append(got, fmt.Sprint(out.Photo, " ", out.Status, " ", errors.Is(err, ErrNotRegular), errors.Is(err, ErrName)))
	}
	want := []string{"9.jpg unrecorded false false", "3.jpg failed true false", "../x failed false true", "1.jpg restored false false"}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	if readFile(t, dir, "1.jpg") != "1.jpg tag 0" || readFile(t, dir, "2.jpg") != "2.jpg tag 1" {
		t.Error("the wrong photo was restored")
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	n := 0
	for out, err := range l.Restore(ctx, nil, false) {
		if n++; out.Status != Failed || !errors.Is(err, context.Canceled) {
			t.Errorf("%+v, %v", out, err)
		}
	}
	if n != 1 {
		t.Errorf("%d outcomes after the context was done", n)
	}
}

// TestRestoreDamagedPatch: a reverse patch that was tampered with restores
// nothing wrong.
func TestRestoreDamagedPatch(t *testing.T) {
	root, dir := newRoot(t)
	writeFile(t, dir, "1.jpg", "tag abc")
	l := open(t, root)
	if _, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: replace(t, "tag abc", "abc", "def")}); err != nil {
		t.Fatal(err)
	}
	l.Close()
	text := readFile(t, dir, FileName)
	bad := strings.Replace(text, base64.StdEncoding.EncodeToString([]byte("abc")), base64.StdEncoding.EncodeToString([]byte("abd")), 1)
	if bad == text {
		t.Fatal("nothing to damage")
	}
	writeFile(t, dir, FileName, bad)
	l = open(t, root)
	for _, dry := range []bool{true, false} {
		for out, err := range l.Restore(t.Context(), nil, dry) {
			le := (*LineError)(nil)
			if out.Status != Failed || !errors.Is(err, ErrDamaged) || !errors.As(err, &le) || le.Line != 1 || out.Now != out.Was {
				t.Errorf("%+v, %v", out, err)
			}
		}
		if got := readFile(t, dir, "1.jpg"); got != "tag def" {
			t.Errorf("the photo is now %q", got)
		}
	}
}

func TestInto(t *testing.T) {
	from, src := newRoot(t)
	root, dst := newRoot(t)
	writeFile(t, src, "a/b/1.jpg", text1)
	writeFile(t, src, "a/2.jpg", "no change")
	when := time.Date(2020, 1, 2, 3, 4, 5, 0, time.UTC)
	if err := os.Chtimes(filepath.Join(src, "a", "b", "1.jpg"), when, when); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(filepath.Join(src, "a", "b", "1.jpg"), 0o440); err != nil {
		t.Fatal(err)
	}
	originals := tree(t, src)
	l := open(t, root)
	c := Change{Photo: "a/b/1.jpg", Patch: replace(t, text1, "53.1 N 6.2 W", "53.10042 N 6.20017 W")}
	run := func() (written []bool) {
		t.Helper()
		res, err := l.CorrectInto(t.Context(), from, c)
		if err != nil {
			t.Fatal(err)
		}
		written = append(written, res.Written)
		res, err = l.CorrectInto(t.Context(), from, Change{Photo: "a/2.jpg"})
		if err != nil {
			t.Fatal(err)
		}
		sameTree(t, src, originals)
		return append(written, res.Written)
	}
	if got := run(); !got[0] || !got[1] {
		t.Errorf("first run: %v", got)
	}
	if readFile(t, dst, "a/b/1.jpg") != text2 || readFile(t, dst, "a/2.jpg") != "no change" {
		t.Error("wrong copies")
	}
	want, _ := os.Stat(filepath.Join(src, "a", "b", "1.jpg"))
	if got, err := os.Stat(filepath.Join(dst, "a", "b", "1.jpg")); err != nil || got.Mode() != want.Mode() || !got.ModTime().Equal(when) {
		t.Errorf("the copy's mode and time: %v, %v", got, err)
	}
	copies := tree(t, dst)
	if got := run(); got[0] || got[1] {
		t.Errorf("second run: %v", got)
	}
	sameTree(t, dst, copies)

	// A copy of ours may be replaced: other correction, then none, then one.
	c.Patch = replace(t, text1, "53.1 N", "53.2 N")
	if got := run(); !got[0] || got[1] {
		t.Errorf("other correction: %v", got)
	}
	c.Patch = nil
	if got := run(); !got[0] || readFile(t, dst, "a/b/1.jpg") != text1 {
		t.Errorf("no correction: %v", got)
	}
	c.Patch = replace(t, text1, "53.1 N", "53.3 N")
	if got := run(); !got[0] {
		t.Errorf("a correction again: %v", got)
	}

	// Someone else's file may not.
	writeFile(t, dst, "a/2.jpg", "retouched")
	if _, err := l.CorrectInto(t.Context(), from, Change{Photo: "a/2.jpg"}); !errors.Is(err, ErrExists) || readFile(t, dst, "a/2.jpg") != "retouched" {
		t.Errorf("a foreign file: %v", err)
	}
	if _, err := l.CorrectInto(t.Context(), from, Change{Photo: "a/2.jpg", Patch: replace(t, "no change", "no", "a")}); !errors.Is(err, ErrExists) {
		t.Errorf("a foreign file: %v", err)
	}
	// One with the source's own bytes can be: nothing is lost.
	writeFile(t, src, "3.jpg", "tag 0")
	writeFile(t, dst, "3.jpg", "tag 0")
	if res, err := l.CorrectInto(t.Context(), from, Change{Photo: "3.jpg", Patch: replace(t, "tag 0", "0", "1")}); err != nil || !res.Written {
		t.Errorf("over a copy of the source: %+v, %v", res, err)
	}

	// Copies restore to their sources' bytes.
	out := outcomes(t, l, nil, false)
	if out["a/b/1.jpg"].Status != Restored || readFile(t, dst, "a/b/1.jpg") != text1 {
		t.Errorf("%+v", out["a/b/1.jpg"])
	}
	if out["a/2.jpg"].Status != Changed || out["3.jpg"].Status != Restored {
		t.Errorf("%+v", out)
	}
}

// A copy may have another name than its source, and records may do without the
// time: then the same work gives the same bytes.
func TestIntoOtherName(t *testing.T) {
	from, src := newRoot(t)
	writeFile(t, src, "day 1/IMG_1.JPG", text1)
	writeFile(t, src, "day 1/IMG_2.JPG", "no change")
	var ledgers []string
	for range 2 {
		root, dst := newRoot(t)
		l := open(t, root)
		l.SetClock(func() time.Time { return time.Time{} })
		res, err := l.CorrectInto(t.Context(), from, Change{Photo: "photos/A_1.JPG", Source: "day 1/IMG_1.JPG", Patch: replace(t, text1, "53.1 N 6.2 W", "53.10042 N 6.20017 W")})
		if err != nil || !res.Written || res.Record.Source != "day 1/IMG_1.JPG" {
			t.Fatal(res, err)
		}
		if _, err := l.CorrectInto(t.Context(), from, Change{Photo: "photos/A_2.JPG", Source: "day 1/IMG_2.JPG"}); err != nil {
			t.Fatal(err)
		}
		if readFile(t, dst, "photos/A_1.JPG") != text2 || readFile(t, dst, "photos/A_2.JPG") != "no change" {
			t.Error("wrong copies")
		}
		text := readFile(t, dst, FileName)
		if strings.Contains(text, `"time"`) || !strings.Contains(text, `"source":"day 1/IMG_2.JPG"`) {
			t.Errorf("ledger:\n%s", text)
		}
		ledgers = append(ledgers, text)
		for o, err := range l.Restore(t.Context(), nil, false) {
			if err != nil || o.Status != Restored && o.Status != Original {
				t.Errorf("%+v, %v", o, err)
			}
		}
		if readFile(t, dst, "photos/A_1.JPG") != text1 {
			t.Error("the copy was not taken back to its source's bytes")
		}
	}
	if ledgers[0] != ledgers[1] {
		t.Error("the same work gave two ledgers")
	}
	root, dst := newRoot(t)
	l := open(t, root)
	for _, source := range []string{"../x.jpg", "/x.jpg", "a//b.jpg", "a\xff.jpg", FileName} {
		if _, err := l.CorrectInto(t.Context(), from, Change{Photo: "x.jpg", Source: source}); !errors.Is(err, ErrName) {
			t.Errorf("source %q: %v", source, err)
		}
	}
	writeFile(t, dst, "x.jpg", text1)
	if _, err := l.Correct(t.Context(), Change{Photo: "x.jpg", Source: "y.jpg"}); !errors.Is(err, ErrName) {
		t.Errorf("a correction in place of another photo: %v", err)
	}
}

func TestIntoChangedSource(t *testing.T) {
	from, src := newRoot(t)
	root, dst := newRoot(t)
	l := open(t, root)
	for _, text := range []string{"tag 0", "cropped, tag 0"} {
		writeFile(t, src, "1.jpg", text)
		if _, err := l.CorrectInto(t.Context(), from, Change{Photo: "1.jpg", Patch: replace(t, text, "0", "1")}); err != nil {
			t.Fatal(err)
		}
	}
	// The copy's original is the source it was made from last.
	if out := outcomes(t, l, nil, false)["1.jpg"]; out.Status != Restored || readFile(t, dst, "1.jpg") != "cropped, tag 0" {
		t.Errorf("%+v", out)
	}
}

func TestIntoItself(t *testing.T) {
	root, dir := newRoot(t)
	writeFile(t, dir, "1.jpg", "tag 0")
	l := open(t, root)
	same, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer same.Close()
	for _, p := range []*geotag.Patch{nil, replace(t, "tag 0", "0", "1")} {
		if _, err := l.CorrectInto(t.Context(), same, Change{Photo: "1.jpg", Patch: p}); !errors.Is(err, ErrSameFile) {
			t.Errorf("got %v", err)
		}
	}
	if readFile(t, dir, "1.jpg") != "tag 0" {
		t.Error("in place by accident")
	}
}

// TestRefusals: each leaves the whole folder as it was.
func TestRefusals(t *testing.T) {
	outside := t.TempDir()
	writeFile(t, outside, "o.jpg", "tag 0")
	root, dir := newRoot(t)
	writeFile(t, dir, "1.jpg", "tag 0")
	writeFile(t, dir, "sub.jpg/2.jpg", "tag 0")
	writeFile(t, dir, "sub/2.jpg", "tag 0")
	links := map[string]string{"in.jpg": "1.jpg", "out.jpg": filepath.Join(outside, "o.jpg"), "outdir": outside, "updir": "../" + filepath.Base(outside)}
	for n, to := range links {
		if err := os.Symlink(to, filepath.Join(dir, n)); err != nil {
			t.Skipf("no symbolic links here: %v", err)
		}
	}
	l := open(t, root)
	patch := replace(t, "tag 0", "0", "1")
	before, beyond := tree(t, dir), tree(t, outside)
	for _, tt := range []struct {
		name string
		c    Change
		want error // nil: any
		text string
	}{
		{"missing", Change{Photo: "none.jpg", Patch: patch}, fs.ErrNotExist, "none.jpg"},
		{"missing, nothing to do", Change{Photo: "none.jpg"}, fs.ErrNotExist, "none.jpg"},
		{"folder", Change{Photo: "sub.jpg", Patch: patch}, ErrNotRegular, "sub.jpg"},
		{"no photo", Change{Photo: "notes.txt", Patch: patch}, ErrName, "neither"},
		{"hidden folder", Change{Photo: ".git/1.jpg", Patch: patch}, ErrName, "hidden"},
		{"link", Change{Photo: "in.jpg", Patch: patch}, ErrNotRegular, "symbolic link"},
		{"link, nothing to do", Change{Photo: "in.jpg"}, ErrNotRegular, "symbolic link"},
		{"link out", Change{Photo: "out.jpg", Patch: patch}, ErrNotRegular, "symbolic link"},
		{"through a link out", Change{Photo: "outdir/o.jpg", Patch: patch}, nil, "escapes"},
		{"through a link up", Change{Photo: "updir/o.jpg", Patch: patch}, nil, "escapes"},
		{"parent", Change{Photo: "../o.jpg", Patch: patch}, ErrName, ".."},
		{"parent inside", Change{Photo: "sub/../1.jpg", Patch: patch}, ErrName, ".."},
		{"absolute", Change{Photo: filepath.ToSlash(filepath.Join(outside, "o.jpg")), Patch: patch}, ErrName, "o.jpg"},
		{"empty", Change{Patch: patch}, ErrName, ""},
		{"dot", Change{Photo: ".", Patch: patch}, ErrName, ""},
		{"zero byte", Change{Photo: "1\x00.jpg", Patch: patch}, ErrName, ""},
		{"not UTF-8", Change{Photo: "1\xff.jpg", Patch: patch}, ErrName, "UTF-8"},
		{"the ledger", Change{Photo: FileName, Patch: patch}, ErrName, "own"},
		{"the lock", Change{Photo: "sub/" + lockName, Patch: patch}, ErrName, "own"},
		{"temporary", Change{Photo: "sub/.phototie-ABCDEFGHIJKLMNOPQRSTUVWXYZ.tmp", Patch: patch}, ErrName, "own"},
		{"other digest", Change{Photo: "1.jpg", Patch: patch, Before: sum("tag 7")}, ErrChanged, sum("tag 0")},
		{"other bytes", Change{Photo: "1.jpg", Patch: replace(t, "tag 9", "9", "1")}, geotag.ErrPatchMismatch, "offset 4"},
		{"other bytes, as changed", Change{Photo: "1.jpg", Patch: replace(t, "tag 9", "9", "1")}, ErrChanged, "1.jpg"},
		{"other size", Change{Photo: "1.jpg", Patch: replace(t, "tag 0 and so on", "0", "1")}, geotag.ErrPatchMismatch, "15"},
		{"bad patch", Change{Photo: "1.jpg", Patch: &geotag.Patch{SizeBefore: 5, Splices: []geotag.Splice{{Off: 9}}}}, nil, "does not fit"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			res, err := l.Correct(t.Context(), tt.c)
			if err == nil || tt.want != nil && !errors.Is(err, tt.want) || !strings.Contains(err.Error(), tt.text) || res.Written {
				t.Errorf("%+v, %v", res, err)
			}
			if err != nil && !strings.HasPrefix(err.Error(), fmt.Sprintf("photo %q: ", tt.c.Photo)) {
				t.Errorf("the error does not name the photo: %v", err)
			}
			sameTree(t, dir, before)
			sameTree(t, outside, beyond)
		})
	}
	t.Run("copy over a link", func(t *testing.T) {
		from, src := newRoot(t)
		writeFile(t, src, "out.jpg", "tag 0")
		writeFile(t, src, "outdir/n.jpg", "tag 0")
		if _, err := l.CorrectInto(t.Context(), from, Change{Photo: "out.jpg"}); !errors.Is(err, ErrExists) {
			t.Errorf("got %v", err)
		}
		if _, err := l.CorrectInto(t.Context(), from, Change{Photo: "outdir/n.jpg"}); err == nil || !strings.Contains(err.Error(), "escapes") {
			t.Errorf("got %v", err)
		}
		sameTree(t, dir, before)
		sameTree(t, outside, beyond)
	})
	t.Run("context", func(t *testing.T) {
		ctx, cancel := context.WithCancelCause(t.Context())
		stop := errors.New("stop")
		cancel(stop)
		if _, err := l.Correct(ctx, Change{Photo: "1.jpg", Patch: patch}); !errors.Is(err, stop) {
			t.Errorf("got %v", err)
		}
		for _, stage := range []string{"created", "synced"} {
			ctx, cancel := context.WithCancelCause(t.Context())
			l.trace = func(s, _ string) {
				if s == stage {
					cancel(stop)
				}
			}
			if _, err := l.Correct(ctx, Change{Photo: "1.jpg", Patch: patch}); !errors.Is(err, stop) {
				t.Errorf("%s: %v", stage, err)
			}
			sameTree(t, dir, before)
		}
		l.trace = nil
	})
}

// TestChangedMeanwhile: someone else writes while the photo is being corrected.
func TestChangedMeanwhile(t *testing.T) {
	for _, stage := range []string{"created", "synced", "recorded"} {
		for name, meddle := range map[string]func(t *testing.T, path string){
			"grown": func(t *testing.T, path string) {
				f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
				if err != nil {
					t.Fatal(err)
				}
				if _, err := f.WriteString("!"); err != nil {
					t.Fatal(err)
				}
				f.Close()
			},
			"replaced": func(t *testing.T, path string) {
				fi, err := os.Stat(path)
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(path+".new", []byte("tag 9"), 0o644); err != nil {
					t.Fatal(err)
				}
				if err := os.Chtimes(path+".new", fi.ModTime(), fi.ModTime()); err != nil {
					t.Fatal(err)
				}
				if err := os.Rename(path+".new", path); err != nil {
					t.Fatal(err)
				}
			},
			"touched": func(t *testing.T, path string) {
				if err := os.Chtimes(path, time.Time{}, time.Unix(1, 0)); err != nil {
					t.Fatal(err)
				}
			},
			"removed": func(t *testing.T, path string) {
				if err := os.Remove(path); err != nil {
					t.Fatal(err)
				}
			},
		} {
			t.Run(stage+" "+name, func(t *testing.T) {
				if runtime.GOOS == "windows" && (name == "removed" || name == "replaced") {
					t.Skip("an open file can't be replaced from outside on Windows")
				}
				root, dir := newRoot(t)
				writeFile(t, dir, "1.jpg", "tag 0")
				l := open(t, root)
				var then map[string]string
				l.trace = func(s, _ string) {
					if s == stage {
						meddle(t, filepath.Join(dir, "1.jpg"))
						then = tree(t, dir)
					}
				}
				_, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: replace(t, "tag 0", "0", "1")})
				if !errors.Is(err, ErrChanged) {
					t.Errorf("got %v", err)
				}
				for n := range then {
					if isTemp(n) {
						delete(then, n)
					}
				}
				sameTree(t, dir, then)
			})
		}
	}
	t.Run("the copy's place is taken", func(t *testing.T) {
		from, src := newRoot(t)
		root, dst := newRoot(t)
		writeFile(t, src, "1.jpg", "tag 0")
		l := open(t, root)
		l.trace = func(s, _ string) {
			if s == "synced" {
				writeFile(t, dst, "1.jpg", "mine")
			}
		}
		if _, err := l.CorrectInto(t.Context(), from, Change{Photo: "1.jpg"}); !errors.Is(err, ErrExists) || readFile(t, dst, "1.jpg") != "mine" {
			t.Errorf("got %v", err)
		}
	})
}

func TestNames(t *testing.T) {
	names := []string{"with space.jpg", "Ångström/日本 – 1.jpg", "emoji 📷.jpg", "a'b;$(c)&<d>.jpg", ".hidden.jpg", strings.Repeat("n", 200) + ".jpg"}
	if runtime.GOOS != "windows" {
		names = append(names, "new\nline.jpg", "tab\tquote\".jpg", `back\slash.jpg`, "line\u2028sep.jpg", "ctrl\x01\x7f.jpg", "-f.jpg", "* ?.jpg")
	}
	for _, n := range names {
		t.Run(fmt.Sprintf("%q", n), func(t *testing.T) {
			from, src := newRoot(t)
			writeFile(t, src, n, "tag 0")
			into, dst := newRoot(t)
			l := open(t, into)
			if _, err := l.CorrectInto(t.Context(), from, Change{Photo: n, Patch: replace(t, "tag 0", "0", "1")}); err != nil || readFile(t, dst, n) != "tag 1" {
				t.Fatal(err)
			}
			l.Close()
			l = open(t, from)
			if _, err := l.Correct(t.Context(), Change{Photo: n, Patch: replace(t, "tag 0", "0", "1")}); err != nil || readFile(t, src, n) != "tag 1" {
				t.Fatal(err)
			}
			l.Close()
			if text := readFile(t, src, FileName); strings.Count(text, "\n") != 1 {
				t.Errorf("more than one line: %q", text)
			}
			l = open(t, from)
			if got := l.Photos(); !slices.Equal(got, []string{n}) {
				t.Errorf("photos %q", got)
			}
			if out := outcomes(t, l, nil, false)[n]; out.Status != Restored || readFile(t, src, n) != "tag 0" {
				t.Errorf("%+v", out)
			}
		})
	}
}

func TestLock(t *testing.T) {
	root, dir := newRoot(t)
	l := open(t, root)
	if _, err := Open(root, ""); !errors.Is(err, ErrLocked) || !strings.Contains(err.Error(), dir) {
		t.Errorf("got %v", err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Errorf("closed twice: %v", err)
	}
	writeFile(t, dir, "1.jpg", "tag 0")
	if _, err := l.Correct(t.Context(), Change{Photo: "1.jpg"}); !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
	for _, err := range l.Records() {
		if !errors.Is(err, ErrClosed) {
			t.Errorf("records after Close: %v", err)
		}
	}
	// A lock file left by a kill is no lock.
	writeFile(t, dir, lockName, "")
	open(t, root).Close()
	// A folder that was moved away can't be locked by its old name.
	if err := os.Rename(dir, dir+"moved"); err == nil {
		if _, err := Open(root, ""); err == nil || !strings.Contains(err.Error(), "no longer leads to it") {
			t.Errorf("a moved folder: %v", err)
		}
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(root, ""); err == nil || !strings.Contains(err.Error(), "no longer leads to it") {
			t.Errorf("a moved folder and another in its place: %v", err)
		}
		if err := errors.Join(os.Remove(dir), os.Rename(dir+"moved", dir)); err != nil {
			t.Fatal(err)
		}
	}
	// A lock file that leads away is refused.
	if err := os.Symlink(filepath.Join(t.TempDir(), "x"), filepath.Join(dir, lockName)); err == nil {
		if _, err := Open(root, ""); err == nil {
			t.Error("a lock outside the root")
		}
	}
}

// TestLockRace: of many that take and drop the lock at once, never two hold it,
// although the lock file comes and goes.
func TestLockRace(t *testing.T) {
	_, dir := newRoot(t)
	var holders, taken atomic.Int32
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			root, err := os.OpenRoot(dir)
			if err != nil {
				t.Error(err)
				return
			}
			defer root.Close()
			for range 500 {
				lock, err := takeLock(rootFolder{root})
				if errors.Is(err, ErrLocked) {
					continue
				}
				if err != nil {
					t.Error(err)
					return
				}
				taken.Add(1)
				if holders.Add(1) > 1 {
					t.Error("two hold the lock")
				}
				time.Sleep(50 * time.Microsecond) // let the others run into it
				holders.Add(-1)
				if err := dropLock(rootFolder{root}, lock); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	if taken.Load() == 0 {
		t.Error("nobody ever got the lock")
	}
}

// TestTornLine cuts the ledger off at every byte of its last line, as a kill
// while writing does.
func TestTornLine(t *testing.T) {
	root, dir := newRoot(t)
	writeFile(t, dir, "1.jpg", "tag 0")
	l := open(t, root)
	if _, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: replace(t, "tag 0", "0", "1")}); err != nil {
		t.Fatal(err)
	}
	l.Close()
	first := readFile(t, dir, FileName)
	whole := first + first
	try := func(name, text string, records int, torn int64, left string) {
		t.Helper()
		writeFile(t, dir, FileName, text)
		n := 0
		for _, err := range Read(root) {
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			n++
		}
		if got := readFile(t, dir, FileName); got != text || n != records {
			t.Fatalf("%s: Read gave %d records, file %q", name, n, got)
		}
		l, err := Open(root, "")
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		defer l.Close()
		if got := readFile(t, dir, FileName); got != left || tornBytes(l) != torn {
			t.Fatalf("%s: torn %d, file %q", name, tornBytes(l), got)
		}
		if torn > 0 { // and it is kept
			if got := readFile(t, dir, TornName); got != text[len(text)-int(torn):]+"\n" && got != text[len(text)-int(torn):] {
				t.Fatalf("%s: kept %q", name, got)
			}
			if err := os.Remove(filepath.Join(dir, TornName)); err != nil {
				t.Fatal(err)
			}
		}
		n = 0
		for _, err := range l.Records() {
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			n++
		}
		if n != records {
			t.Fatalf("%s: %d records", name, n)
		}
		if out := outcomes(t, l, nil, true)["1.jpg"]; out.Status != Restored && records > 0 {
			t.Fatalf("%s: %+v", name, out)
		}
	}
	for cut := range len(first) - 1 {
		try(fmt.Sprintf("cut at %d", cut), whole[:len(first)+cut], 1, int64(cut), first)
	}
	// Only the line feed is missing: the record is whole and is kept.
	try("no line feed", whole[:len(whole)-1], 2, 0, whole)
	// What some file systems leave after a power cut.
	try("zeros", first+strings.Repeat("\x00", 300), 1, 300, first)
	try("zeros and the end of a line", first+strings.Repeat("\x00", 100)+first[100:], 1, int64(len(first)), first)
	try("only a torn line", first[:20], 0, 20, "")
	try("empty", "", 0, 0, "")
	try("blank lines", "\n"+first+"\r\n \n"+first+"\n", 2, 0, "\n"+first+"\r\n \n"+first+"\n")
}

func TestDamagedLedger(t *testing.T) {
	good := goodLine + "\n"
	for _, tt := range []struct {
		name, text string
		want       error
		line       int
	}{
		{"middle", good + "{oops}\n" + good, ErrDamaged, 2},
		{"middle after a blank", good + "\n{oops}\n" + good, ErrDamaged, 3},
		{"zeros in the middle", good + "\x00\x00\n" + good, ErrDamaged, 2},
		{"last but whole", good + good + "{\"version\":1}\n", ErrDamaged, 3},
		{"a text file", "Dear diary,\nno ledger\n", ErrDamaged, 1},
		{"newer", good + strings.Replace(good, `"version":1`, `"version":2`, 1), ErrVersion, 2},
		{"newer without line feed", good + strings.Replace(goodLine, `"version":1`, `"version":2`, 1), ErrVersion, 2},
	} {
		t.Run(tt.name, func(t *testing.T) {
			root, dir := newRoot(t)
			writeFile(t, dir, FileName, tt.text)
			before := tree(t, dir)
			_, err := Open(root, "")
			le := (*LineError)(nil)
			if !errors.Is(err, tt.want) || !errors.As(err, &le) || le.Line != tt.line || !strings.Contains(err.Error(), fmt.Sprintf("%s:%d: ", FileName, tt.line)) {
				t.Errorf("Open: %v", err)
			}
			var last error
			for _, err := range Read(root) {
				last = err
			}
			if !errors.Is(last, tt.want) {
				t.Errorf("Read: %v", last)
			}
			sameTree(t, dir, before)
			// Open let go of the lock.
			writeFile(t, dir, FileName, "")
			open(t, root)
		})
	}
	t.Run("not a file", func(t *testing.T) {
		root, dir := newRoot(t)
		if err := os.Mkdir(filepath.Join(dir, FileName), 0o755); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(root, ""); err == nil || !strings.Contains(err.Error(), "not a regular file") {
			t.Errorf("got %v", err)
		}
	})
}

// TestLedgerTakenAway: once the file is not the one opened, nothing is changed
// any more, as the records would be lost.
func TestLedgerTakenAway(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("an open file can't be removed from outside on Windows")
	}
	for name, take := range map[string]func(path string) error{
		"removed":  os.Remove,
		"emptied":  func(p string) error { return os.Truncate(p, 0) },
		"replaced": func(p string) error { return errors.Join(os.Remove(p), os.WriteFile(p, nil, 0o644)) },
	} {
		t.Run(name, func(t *testing.T) {
			root, dir := newRoot(t)
			writeFile(t, dir, "1.jpg", "tag 0")
			l := open(t, root)
			if _, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: replace(t, "tag 0", "0", "1")}); err != nil {
				t.Fatal(err)
			}
			if err := take(filepath.Join(dir, FileName)); err != nil {
				t.Fatal(err)
			}
			before := tree(t, dir)
			for range 2 {
				if _, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: replace(t, "tag 1", "1", "2")}); !errors.Is(err, ErrBroken) {
					t.Errorf("got %v", err)
				}
			}
			sameTree(t, dir, before)
		})
	}
}

func TestSweep(t *testing.T) {
	root, dir := newRoot(t)
	const temp = ".phototie-ABCDEFGHIJKLMNOPQRSTUVWXYZ.tmp"
	kept := []string{".phototie-abc.tmp", "x" + temp, temp + ".jpg", ".phototie-ABCDEFGHIJKLMNOPQRSTUVWXY1.tmp", "inner/" + temp, "inner/deep/" + temp}
	for _, n := range append([]string{temp, "a/b/" + temp}, kept...) {
		writeFile(t, dir, n, "x")
	}
	writeFile(t, dir, "inner/"+FileName, "")
	elsewhere := t.TempDir()
	writeFile(t, elsewhere, temp, "x")
	if err := os.Symlink(elsewhere, filepath.Join(dir, "link")); err == nil {
		kept = append(kept, "link/"+temp)
	}
	l := open(t, root)
	got := l.Repairs().Temps
	slices.Sort(got)
	if want := []string{temp, "a/b/" + temp}; !slices.Equal(got, want) {
		t.Errorf("removed %q, want %q", got, want)
	}
	for _, n := range kept {
		readFile(t, dir, n)
	}
}

// TestConcurrent corrects and restores from several goroutines, some for the
// same photo.
func TestConcurrent(t *testing.T) {
	root, dir := newRoot(t)
	j := newJob(40)
	j.write(t, dir)
	l := open(t, root)
	var wg sync.WaitGroup
	for g := range 8 {
		wg.Go(func() {
			for i := range j.names {
				i = (i + 5*(g/2)) % len(j.names) // two goroutines side by side
				_, err := l.Correct(t.Context(), Change{Photo: j.names[i], Patch: j.patches[i]})
				// The second comes too late for its patch.
				if err != nil && !errors.Is(err, ErrChanged) {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	if n, broken := j.check(dir); n != len(j.names) || broken != nil {
		t.Errorf("%d corrected, broken %q", n, broken)
	}
	n := 0
	for _, err := range l.Records() {
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	if n != len(j.names) {
		t.Errorf("%d records for %d corrections", n, len(j.names))
	}
	for range 4 {
		wg.Go(func() {
			for out, err := range l.Restore(t.Context(), nil, false) {
				if err != nil || out.Status != Restored && out.Status != Original {
					t.Errorf("%+v, %v", out, err)
				}
			}
		})
	}
	wg.Wait()
	if n, broken := j.check(dir); n != 0 || broken != nil {
		t.Errorf("%d not restored, broken %q", n, broken)
	}
}

// TestClockJumps: times in the ledger are for people to read. Whatever the clock
// says, the order of the lines is what counts.
func TestClockJumps(t *testing.T) {
	root, dir := newRoot(t)
	writeFile(t, dir, "1.jpg", "tag 0")
	clock := []time.Time{
		time.Date(2024, 6, 11, 8, 30, 0, 0, time.UTC),
		time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC), // before all photos
		time.Date(2038, 1, 19, 3, 14, 8, 0, time.UTC),
		time.Date(2024, 6, 11, 8, 29, 59, 0, time.FixedZone("", -12*3600)),
		{}, // the year 1
	}
	for i, at := range clock {
		l := open(t, root) // each in a run of its own, which reads the lines
		l.now = func() time.Time { return at }
		was := fmt.Sprintf("tag %d", i)
		if _, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: replace(t, was, was[4:], fmt.Sprint(i+1))}); err != nil {
			t.Fatal(err)
		}
		l.Close()
	}
	l := open(t, root)
	if out := outcomes(t, l, nil, false)["1.jpg"]; out.Status != Restored || out.Steps != len(clock) || readFile(t, dir, "1.jpg") != "tag 0" {
		t.Errorf("%+v", out)
	}
	var times []time.Time
	for rec, err := range l.Records() {
		if err != nil {
			t.Fatal(err)
		}
		times = append(times, rec.Time)
	}
	for i, at := range clock {
		if !times[i].Equal(at) {
			t.Errorf("record %d says %v, want %v", i, times[i], at)
		}
	}
}

func TestHardLink(t *testing.T) {
	root, dir := newRoot(t)
	writeFile(t, dir, "1.jpg", "tag 0")
	if err := os.Link(filepath.Join(dir, "1.jpg"), filepath.Join(dir, "other.jpg")); err != nil {
		t.Skipf("no hard links here: %v", err)
	}
	l := open(t, root)
	res, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: replace(t, "tag 0", "0", "1")})
	if err != nil || readFile(t, dir, "1.jpg") != "tag 1" || readFile(t, dir, "other.jpg") != "tag 0" {
		t.Fatal(err)
	}
	if runtime.GOOS != "windows" && (len(res.Notes) != 1 || !strings.Contains(res.Notes[0], "1 other hard link")) {
		t.Errorf("notes %q", res.Notes)
	}
}

func TestFolderLinkInside(t *testing.T) {
	root, dir := newRoot(t)
	writeFile(t, dir, "store/1.jpg", "tag 0")
	if err := os.Symlink("store", filepath.Join(dir, "photos")); err != nil {
		t.Skipf("no symbolic links here: %v", err)
	}
	l := open(t, root)
	if _, err := l.Correct(t.Context(), Change{Photo: "photos/1.jpg", Patch: replace(t, "tag 0", "0", "1")}); err != nil || readFile(t, dir, "store/1.jpg") != "tag 1" {
		t.Error(err)
	}
	if out := outcomes(t, l, nil, false)["photos/1.jpg"]; out.Status != Restored || readFile(t, dir, "store/1.jpg") != "tag 0" {
		t.Errorf("%+v", out)
	}
}

func TestEmptyAndLargeFiles(t *testing.T) {
	big := string(bytes.Repeat([]byte("0123456789abcdef"), 1<<17)) // 2 MiB
	for _, tt := range []struct {
		name, text string
		patch      *geotag.Patch
	}{
		{"from nothing", "", &geotag.Patch{Splices: []geotag.Splice{{New: []byte("all new")}}}},
		{"to nothing", "all old", replace(t, "all old", "all old", "")},
		{"large", big, replace(t, big, "f0", strings.Repeat("tag", 30000))},
	} {
		t.Run(tt.name, func(t *testing.T) {
			root, dir := newRoot(t)
			writeFile(t, dir, "1.jpg", tt.text)
			l := open(t, root)
			want, err := tt.patch.ApplyBytes([]byte(tt.text))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: tt.patch}); err != nil || readFile(t, dir, "1.jpg") != string(want) {
				t.Fatal(err)
			}
			if out := outcomes(t, l, nil, false)["1.jpg"]; out.Status != Restored || readFile(t, dir, "1.jpg") != tt.text {
				t.Errorf("%+v", out)
			}
		})
	}
}

// tornBytes is the length of the line that Open cut off.
func tornBytes(l *Ledger) int64 {
	if t := l.Repairs().Torn; t != nil {
		return t.Bytes
	}
	return 0
}
