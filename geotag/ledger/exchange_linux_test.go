package ledger

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// lastMoment gives a photo's place to another file at the last moment: in the call that
// replaces the photo, after every look at it.
type lastMoment struct {
	folder
	arrive func()
}

func (w *lastMoment) now() {
	if w.arrive != nil {
		w.arrive()
		w.arrive = nil
	}
}

func (w *lastMoment) Rename(from, to string) error {
	w.now()
	return w.folder.Rename(from, to)
}

func (w *lastMoment) move(from, to string, swap bool) error {
	w.now()
	return w.folder.move(from, to, swap)
}

// TestLastMoment: what is put into a photo's place in the very moment before it is
// replaced, or removed, stays there as it is, and the error says so.
func TestLastMoment(t *testing.T) {
	const name, old, other = "day/1.jpg", "tag 0 of the photo", "tag 0 of another one"
	patch := replace(t, old, "tag 0", "tag 1")
	restore := func(l *Ledger) error {
		for o, err := range l.Restore(t.Context(), nil, false) {
			if err != nil {
				return err
			}
			if o.Status == Changed {
				return errors.New(strings.Join(o.Notes, "; "))
			}
		}
		return nil
	}
	for _, c := range []struct {
		name   string
		before func(t *testing.T, l *Ledger) // without anybody else
		work   func(t *testing.T, l *Ledger) error
		empty  bool // the place is
	}{
		{name: "in place", work: func(t *testing.T, l *Ledger) error {
			_, err := l.Correct(t.Context(), Change{Photo: name, Patch: patch})
			return err
		}},
		{name: "into a free place", empty: true, work: func(t *testing.T, l *Ledger) error {
			from, dir := newRoot(t)
			writeFile(t, dir, name, old)
			_, err := l.CorrectInto(t.Context(), from, Change{Photo: name, Patch: patch})
			return err
		}},
		{name: "restore", before: func(t *testing.T, l *Ledger) {
			if _, err := l.Correct(t.Context(), Change{Photo: name, Patch: patch}); err != nil {
				t.Fatal(err)
			}
		}, work: func(t *testing.T, l *Ledger) error { return restore(l) }},
		{name: "restore of what was created", empty: true, before: func(t *testing.T, l *Ledger) {
			if _, err := l.Create(t.Context(), Change{Photo: name, Patch: ofNothing("tag 1")}); err != nil {
				t.Fatal(err)
			}
		}, work: func(t *testing.T, l *Ledger) error { return restore(l) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			root, dir := newRoot(t)
			if !c.empty {
				writeFile(t, dir, name, old)
			}
			w := &lastMoment{folder: rootFolder{root}}
			l, err := openIn(w, "")
			if err != nil {
				t.Fatal(err)
			}
			defer l.Close()
			if c.before != nil {
				c.before(t, l)
			}
			if err := w.folder.move("none", "nor this", false); errors.Is(err, errors.ErrUnsupported) {
				t.Skip("this file system can't exchange files")
			}
			w.arrive = func() {
				writeFile(t, dir, "spare", other)
				if err := os.Rename(filepath.Join(dir, "spare"), filepath.Join(dir, name)); err != nil {
					t.Error(err)
				}
			}
			err = c.work(t, l)
			if err == nil || w.arrive != nil {
				t.Errorf("no error, arrived %v", w.arrive == nil)
			}
			if got, err := os.ReadFile(filepath.Join(dir, name)); err != nil || string(got) != other {
				t.Errorf("there is %q, %v", got, err)
			}
			if temps := leftTemps(t, dir); temps != nil {
				t.Errorf("%q is left", temps)
			}
		})
	}
}

// TestMove: two files are swapped, and a free place is taken only while it is free.
func TestMove(t *testing.T) {
	root, dir := newRoot(t)
	writeFile(t, dir, "a/1", "one")
	writeFile(t, dir, "a/2", "two")
	r := rootFolder{root}
	switch err := r.move("a/1", "a/2", true); {
	case errors.Is(err, errors.ErrUnsupported):
		t.Skip("this file system can't exchange files")
	case err != nil || readFile(t, dir, "a/1") != "two" || readFile(t, dir, "a/2") != "one":
		t.Error(err)
	}
	if err := r.move("a/1", "a/2", false); !errors.Is(err, fs.ErrExist) {
		t.Error(err)
	}
	if err := r.move("a/1", "a/3", true); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
	if err := r.move("a/1", "a/3", false); err != nil || readFile(t, dir, "a/3") != "two" {
		t.Error(err)
	}
}
