package ledger

import (
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/phototie/geotag"
)

// ofNothing is the patch that makes text.
func ofNothing(text string) *geotag.Patch {
	return &geotag.Patch{Splices: []geotag.Splice{{New: []byte(text)}}}
}

// A file is created, corrected, taken back to not being there, and created again.
func TestCreate(t *testing.T) {
	root, dir := newRoot(t)
	const name, first, second = "photos/IMG_1.xmp", "the tag", "the new tag"
	ctx := context.Background()
	empty := sum("")
	l := open(t, root)
	c := Change{Photo: name, Patch: ofNothing(first), Reason: map[string]string{"point": "BM1"}}
	r, err := l.Create(ctx, c)
	if err != nil || !r.Written || !r.Record.Created || r.Record.Before != empty || r.Record.SizeBefore != 0 || r.Record.Action != ActionCorrect {
		t.Fatalf("%+v, %v", r, err)
	}
	if readFile(t, dir, name) != first {
		t.Error(readFile(t, dir, name))
	}
	if fi, err := os.Stat(filepath.Join(dir, name)); err != nil || fi.Mode().Perm()&0o444 != 0o444 {
		t.Error(fi.Mode(), err)
	}
	if r, err = l.Create(ctx, c); err != nil || r.Written {
		t.Errorf("again: %+v, %v", r, err)
	}
	if r, err = l.Correct(ctx, Change{Photo: name, Patch: replace(t, first, "the", "the new")}); err != nil || !r.Written || r.Record.Created {
		t.Errorf("%+v, %v", r, err)
	}
	// What is on record may be made anew; what isn't stays.
	if r, err = l.Create(ctx, Change{Photo: name, Patch: ofNothing("a third")}); err != nil || !r.Written {
		t.Errorf("%+v, %v", r, err)
	}
	if r, err = l.Create(ctx, Change{Photo: name, Patch: ofNothing(second)}); err != nil || !r.Written {
		t.Errorf("%+v, %v", r, err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}

	l = open(t, root)
	for _, dry := range []bool{true, false} {
		got := outcomes(t, l, nil, dry)[name]
		if got.Status != Restored || !got.Removed || got.Now != empty || got.Was != sum(second) || got.Steps != 1 {
			t.Errorf("dry %v: %+v", dry, got)
		}
		if _, err := os.Stat(filepath.Join(dir, name)); errors.Is(err, fs.ErrNotExist) == dry {
			t.Errorf("dry %v: %v", dry, err)
		}
	}
	if got := outcomes(t, l, nil, false)[name]; got.Status != Original || !got.Removed {
		t.Errorf("again: %+v", got)
	}
	if r, err = l.Create(ctx, c); err != nil || !r.Written {
		t.Errorf("after restoring: %+v, %v", r, err)
	}
	writeFile(t, dir, name, "something else")
	if got := outcomes(t, l, nil, false)[name]; got.Status != Changed || readFile(t, dir, name) != "something else" {
		t.Errorf("changed: %+v", got)
	}
	if _, err := l.Create(ctx, c); !errors.Is(err, ErrExists) {
		t.Error(err)
	}
	if _, err := l.Create(ctx, Change{Photo: "photos/other.xmp", Patch: &geotag.Patch{SizeBefore: 3, Splices: []geotag.Splice{{New: []byte("x")}}}}); err == nil {
		t.Error("a patch of a file that is there made one")
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(readFile(t, dir, FileName)) {
		var rec struct {
			Action  string
			Created bool
			Before  string
		}
		if err := json.Unmarshal([]byte(line), &rec); err != nil || rec.Created && (rec.Before != empty || rec.Action != "correct") {
			t.Errorf("%s: %v", line, err)
		}
	}
	if entries, err := os.ReadDir(filepath.Join(dir, "photos")); err != nil || len(entries) != 1 {
		t.Errorf("%v, %v", entries, err)
	}
}

// Something that appears between the look and the rename is not overwritten.
func TestCreateMeanwhile(t *testing.T) {
	for _, stage := range []string{"created", "synced", "recorded"} {
		root, dir := newRoot(t)
		l := open(t, root)
		l.trace = func(s, _ string) {
			if s == stage {
				writeFile(t, dir, "a.xmp", "appeared")
			}
		}
		if _, err := l.Create(context.Background(), Change{Photo: "a.xmp", Patch: ofNothing("made")}); !errors.Is(err, ErrExists) {
			t.Errorf("%s: %v", stage, err)
		}
		if got := readFile(t, dir, "a.xmp"); got != "appeared" {
			t.Errorf("%s: %q", stage, got)
		}
	}
}

// A record that says created and isn't is damaged.
func TestCreatedRecord(t *testing.T) {
	good := `{"version":1,"time":"2026-01-02T03:04:05Z","action":"correct","photo":"a.xmp","created":true,"before":"` + sum("") + `","after":"` + sum("x") + `","size_before":0,"size_after":1,"reverse":{"size_before":1,"splices":[{"off":0,"old":"eA==","new":""}]}}`
	if r, err := ParseRecord([]byte(good)); err != nil || !r.Created {
		t.Fatal(r, err)
	}
	for _, bad := range []string{
		strings.Replace(good, sum(""), sum("y"), 1),
		strings.Replace(good, `"correct"`, `"copy"`, 1),
		strings.NewReplacer(`"size_before":0`, `"size_before":1`, `"new":""`, `"new":"eQ=="`).Replace(good),
	} {
		if _, err := ParseRecord([]byte(bad)); !errors.Is(err, ErrDamaged) {
			t.Errorf("%v: %s", err, bad)
		}
	}
}
