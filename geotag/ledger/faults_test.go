package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// failure is how an operation fails.
type failure string

const (
	// before: nothing is done.
	before failure = "before"
	// after: it is done all the same, as when a reply gets lost.
	after failure = "after"
	// half: a write gets half way; anything else fails as before.
	half failure = "half"
	// dead: it fails, and so does all that follows, as on a drive pulled out.
	dead failure = "dead"
)

// faults counts the operations of a folder and makes one of them fail.
type faults struct {
	mu   sync.Mutex
	n    int
	at   int    // 0: none
	op   string // where not empty, only operations of this kind count
	how  failure
	off  bool // let all pass, uncounted
	last string
	all  map[string]int // operations by kind
}

// kind is an operation with the random names taken out.
func kind(op string) string {
	verb, name, _ := strings.Cut(op, " ")
	if isTemp(path.Base(name)) {
		name = path.Join(path.Dir(name), "temp")
	}
	return verb + " " + name
}

var errFault = &fs.PathError{Op: "fault", Path: "here", Err: syscall.EIO}

// fails counts an operation and says whether it is to fail, and whether it is
// to be done.
func (f *faults) fails(op string) (fail, do bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.off {
		return false, true
	}
	if f.all != nil {
		f.all[kind(op)]++
	}
	if f.how == dead && f.last != "" {
		return true, false
	}
	if f.op != "" && kind(op) != f.op {
		return false, true
	}
	f.n++
	if f.at == 0 || f.n < f.at || f.n > f.at && f.how != dead {
		return false, true
	}
	if f.n == f.at {
		f.last = op
	}
	return true, f.how == after
}

// try does an operation or makes it fail.
func try(f *faults, op string, do func() error) error {
	fail, doit := f.fails(op)
	if !fail {
		return do()
	}
	if doit {
		do() //nolint:errcheck // its outcome is what gets lost
	}
	return errFault
}

// badFolder is a folder whose operations can fail.
type badFolder struct {
	folder
	f *faults
}

func (b badFolder) OpenFile(name string, flag int, perm fs.FileMode) (file, error) {
	var out file
	err := try(b.f, "open "+name, func() (err error) {
		out, err = b.folder.OpenFile(name, flag, perm)
		return err
	})
	if err != nil {
		if out != nil {
			out.Close()
		}
		return nil, err
	}
	return badFile{out, b.f, name}, nil
}

func (b badFolder) Lstat(name string) (fi fs.FileInfo, err error) {
	err = try(b.f, "lstat "+name, func() (err error) { fi, err = b.folder.Lstat(name); return err })
	return fi, err
}

func (b badFolder) Stat(name string) (fi fs.FileInfo, err error) {
	err = try(b.f, "stat "+name, func() (err error) { fi, err = b.folder.Stat(name); return err })
	return fi, err
}

func (b badFolder) Chtimes(name string, atime, mtime time.Time) error {
	return try(b.f, "chtimes "+name, func() error { return b.folder.Chtimes(name, atime, mtime) })
}

func (b badFolder) Mkdir(name string, perm fs.FileMode) error {
	return try(b.f, "mkdir "+name, func() error { return b.folder.Mkdir(name, perm) })
}

func (b badFolder) Remove(name string) error {
	return try(b.f, "remove "+name, func() error { return b.folder.Remove(name) })
}

func (b badFolder) Rename(from, to string) error {
	return try(b.f, "rename "+to, func() error { return b.folder.Rename(from, to) })
}

func (b badFolder) move(from, to string, swap bool) error {
	return try(b.f, "rename "+to, func() error { return b.folder.move(from, to, swap) })
}

type badFile struct {
	file
	f    *faults
	name string
}

func (b badFile) Read(p []byte) (n int, err error) {
	err = try(b.f, "read "+b.name, func() (err error) { n, err = b.file.Read(p); return err })
	if err == errFault {
		n = 0
	}
	return n, err
}

func (b badFile) ReadAt(p []byte, off int64) (n int, err error) {
	err = try(b.f, "read "+b.name, func() (err error) { n, err = b.file.ReadAt(p, off); return err })
	if err == errFault {
		n = 0
	}
	return n, err
}

func (b badFile) Write(p []byte) (int, error) {
	fail, do := b.f.fails("write " + b.name)
	switch {
	case !fail:
		return b.file.Write(p)
	case do:
		b.file.Write(p)
	case b.f.how == half:
		n, _ := b.file.Write(p[:len(p)/2])
		return n, errFault
	}
	return 0, errFault
}

func (b badFile) WriteAt(p []byte, off int64) (int, error) {
	fail, do := b.f.fails("write " + b.name)
	switch {
	case !fail:
		return b.file.WriteAt(p, off)
	case do:
		b.file.WriteAt(p, off)
	case b.f.how == half:
		n, _ := b.file.WriteAt(p[:len(p)/2], off)
		return n, errFault
	}
	return 0, errFault
}

func (b badFile) Seek(off int64, whence int) (n int64, err error) {
	err = try(b.f, "seek "+b.name, func() (err error) { n, err = b.file.Seek(off, whence); return err })
	return n, err
}

func (b badFile) ReadDir(n int) (list []fs.DirEntry, err error) {
	err = try(b.f, "read folder "+b.name, func() (err error) { list, err = b.file.ReadDir(n); return err })
	return list, err
}

func (b badFile) Stat() (fi fs.FileInfo, err error) {
	err = try(b.f, "stat open "+b.name, func() (err error) { fi, err = b.file.Stat(); return err })
	return fi, err
}

func (b badFile) Chmod(m fs.FileMode) error {
	return try(b.f, "chmod "+b.name, func() error { return b.file.Chmod(m) })
}

func (b badFile) Chown(u, g int) error {
	return try(b.f, "chown "+b.name, func() error { return b.file.Chown(u, g) })
}

func (b badFile) Truncate(n int64) error {
	return try(b.f, "truncate "+b.name, func() error { return b.file.Truncate(n) })
}

func (b badFile) Sync() error {
	return try(b.f, "sync "+b.name, func() error { return b.file.Sync() })
}

// Close closes in any case: the system does so too when it reports an error.
func (b badFile) Close() error {
	err := b.file.Close()
	return errors.Join(try(b.f, "close "+b.name, func() error { return nil }), err)
}

// TestEachOperationFails makes each operation on the file system fail in turn,
// in each of the ways, from opening the ledger to closing it. Whatever fails, the
// photo is wholly old or wholly new, the record of a new one is there, success is
// reported only where it is one, and afterwards the ledger opens, the work can be
// done again, and restore gives the first bytes.
func TestEachOperationFails(t *testing.T) {
	if testing.Short() {
		t.Skip("one photo at a time, on one goroutine; those of a Bulk are below")
	}
	const photo = "day/one/1.jpg"
	old := strings.Repeat("pixels ", 10000) + "tag 0"
	new := strings.Repeat("pixels ", 10000) + "tag 12"
	change := Change{Photo: photo, Patch: replace(t, old, "tag 0", "tag 12")}
	correct := func(t *testing.T, l *Ledger, _ folder) error {
		c := change
		if b, err := os.ReadFile(filepath.Join(l.root.Name(), photo)); err == nil && string(b) == new {
			c.Patch = nil // as one who plans it again would find
		}
		_, err := l.Correct(t.Context(), c)
		return err
	}
	// sharing has a file system that can share blocks.
	sharing := func(work func(*testing.T, *Ledger, folder) error) func(*testing.T, *Ledger, folder) error {
		return func(t *testing.T, l *Ledger, from folder) error {
			l.clone = wholly
			return work(t, l, from)
		}
	}
	into := func(t *testing.T, l *Ledger, from folder) error {
		_, err := l.correctInto(t.Context(), from, change)
		return err
	}
	restore := func(t *testing.T, l *Ledger, _ folder) error {
		var all error
		for out, err := range l.Restore(t.Context(), []string{photo}, false) {
			if all = errors.Join(all, err); err == nil && out.Status != Restored && out.Status != Original && out.Status != Incomplete {
				t.Fatalf("restore: %+v", out)
			}
		}
		return all
	}
	// once runs work on a ledger of the real folder.
	once := func(t *testing.T, root, from *os.Root, work func(*testing.T, *Ledger, folder) error) {
		t.Helper()
		l, err := Open(root, "")
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(work(t, l, rootFolder{from}), l.Close()); err != nil {
			t.Fatal(err)
		}
	}
	for _, sc := range []struct {
		name string
		// from and to are the bytes before and after; from is "" for no file.
		from, to string
		prepare  func(t *testing.T, dir string, root, from *os.Root)
		work     func(*testing.T, *Ledger, folder) error
	}{
		{"correct, the first", old, new, func(t *testing.T, dir string, _, _ *os.Root) {
			writeFile(t, dir, photo, old)
		}, correct},
		{"correct, after a kill", old, new, func(t *testing.T, dir string, _, _ *os.Root) {
			writeFile(t, dir, photo, old)
			writeFile(t, dir, FileName, goodLine+"\n"+goodLine[:80])
			writeFile(t, dir, "day/"+tempPrefix+strings.Repeat("A", tempRandom)+tempSuffix, "half")
		}, correct},
		{"correct, sharing blocks", old, new, func(t *testing.T, dir string, _, _ *os.Root) {
			writeFile(t, dir, photo, old)
		}, sharing(correct)},
		{"into, the first", "", new, func(*testing.T, string, *os.Root, *os.Root) {}, into},
		{"into, over the original", old, new, func(t *testing.T, dir string, root, from *os.Root) {
			once(t, root, from, func(t *testing.T, l *Ledger, from folder) error {
				_, err := l.correctInto(t.Context(), from, Change{Photo: photo})
				return err
			})
		}, into},
		{"restore", new, old, func(t *testing.T, dir string, root, from *os.Root) {
			writeFile(t, dir, photo, old)
			once(t, root, from, correct)
		}, restore},
	} {
		t.Run(sc.name, func(t *testing.T) {
			total := 0
			failed := map[string]bool{}
			for _, how := range []failure{"", before, after, half, dead} {
				for k := 1; ; k++ {
					f := &faults{how: how}
					if how != "" {
						f.at = k
					}
					dir, src := quickDir(t), quickDir(t)
					writeFile(t, src, photo, old)
					root, err := os.OpenRoot(dir)
					if err != nil {
						t.Fatal(err)
					}
					from, err := os.OpenRoot(src)
					if err != nil {
						t.Fatal(err)
					}
					sc.prepare(t, dir, root, from)
					fault := func(format string, args ...any) {
						t.Helper()
						t.Errorf("operation %d (%s) failing %s: %s", k, f.last, how, fmt.Sprintf(format, args...))
					}
					state := func() string {
						b, err := os.ReadFile(filepath.Join(dir, photo))
						if errors.Is(err, fs.ErrNotExist) && sc.from == "" {
							return ""
						}
						if got := string(b); err != nil || got != sc.from && got != sc.to {
							fault("the photo is neither old nor new: %d bytes, %v", len(b), err)
						}
						return string(b)
					}

					var werr error
					l, oerr := openIn(badFolder{rootFolder{root}, f}, "")
					if oerr == nil {
						werr = sc.work(t, l, badFolder{rootFolder{from}, f})
						got := state()
						switch {
						case werr == nil && got != sc.to:
							fault("success was reported, but the photo is old")
						case werr != nil && how != after && got == sc.to && !strings.Contains(werr.Error(), "new bytes"):
							fault("the photo is new, and the error does not say so: %v", werr)
						case werr != nil && !strings.Contains(werr.Error(), photo):
							fault("the error does not name the photo: %v", werr)
						}
						synced := strings.HasPrefix(f.last, "sync "+FileName) || strings.HasPrefix(f.last, "sync day/one/"+tempPrefix)
						if synced && how != after && (werr == nil || got == sc.to) {
							fault("it may not be on disk, and yet: %v, photo new: %v", werr, got == sc.to)
						}
						if (how == before || how == half) && !strings.HasPrefix(f.last, "remove ") {
							if temps, _ := filepath.Glob(filepath.Join(dir, "day", "one", tempPrefix+"*")); len(temps) > 0 {
								fault("%q is left", temps)
							}
						}
						// A fault that goes away: the same Ledger does it now, or says
						// that it is broken.
						if werr != nil && how != dead {
							f.off = true
							if err := sc.work(t, l, rootFolder{from}); err != nil && !errors.Is(err, ErrBroken) {
								fault("then, without a fault: %v", err)
							} else if got := state(); err == nil && got != sc.to {
								fault("then, without a fault, success was reported, but the photo is old")
							}
							f.off = false
						}
						if err := l.Close(); err != nil && !errors.Is(err, syscall.EIO) {
							fault("close: %v", err)
						}
						if err := l.lock.Unlock(); err != nil { // a fault may have kept Close from it
							t.Fatal(err)
						}
					}
					if how != "" && (oerr != nil || werr != nil) && !errors.Is(errors.Join(oerr, werr), syscall.EIO) && !errors.Is(errors.Join(oerr, werr), ErrBroken) {
						fault("the error hides its cause: %v", errors.Join(oerr, werr))
					}

					// What is on disk now, with a folder that works.
					got, recorded := state(), false
					for rec, err := range Read(root) {
						if err != nil {
							fault("the ledger can't be read: %v", err)
							break
						}
						recorded = recorded || rec.Photo == photo && rec.After == sum(sc.to)
					}
					if got == sc.to && !recorded {
						fault("the photo is new, but not on record")
					}
					once(t, root, from, sc.work)
					if got := state(); got != sc.to {
						fault("done again, the photo is old")
					}
					once(t, root, from, restore)
					if b, err := os.ReadFile(filepath.Join(dir, photo)); err != nil || string(b) != old {
						fault("restore left %d bytes, %v", len(b), err)
					}
					if b, err := os.ReadFile(filepath.Join(src, photo)); err != nil || string(b) != old {
						fault("the source is now %d bytes, %v", len(b), err)
					}
					for name := range tree(t, dir) {
						if isTemp(filepath.Base(name)) || filepath.Base(name) == lockName {
							fault("%s is left", name)
						}
					}
					root.Close()
					from.Close()
					os.RemoveAll(dir)
					os.RemoveAll(src)
					if how == "" {
						t.Logf("%d operations", f.n)
						break
					}
					if f.last == "" {
						total += k - 1
						break // all of them have failed in turn
					}
					op, name, _ := strings.Cut(f.last, " ")
					if isTemp(filepath.Base(name)) {
						name = "temp"
					}
					failed[op+" "+name] = true
				}
			}
			t.Logf("%d failures", total)
			// The steps that count all go through the folder that fails.
			for _, op := range []string{
				"open " + photo, "read " + photo, "open temp", "write temp", "chtimes temp", "sync temp", "close temp",
				"open " + FileName, "write " + FileName, "sync " + FileName, "rename " + photo, "open day/one", "sync day/one",
			} {
				if !failed[op] {
					t.Errorf("%s never failed; what did: %q", op, slices.Sorted(maps.Keys(failed)))
				}
			}
		})
	}
}

// TestEachOperationOfABulkFails makes each operation of a Bulk fail in turn, as
// TestEachOperationFails does for one photo: corrections, copies and a new file in
// three folders. The loop over the pairs goes on after the error, or ends there.
func TestEachOperationOfABulkFails(t *testing.T) {
	names := []string{"a/1.jpg", "a/2.jpg", "b/3.jpg", "b/3.xmp", "c/4.jpg", "a/5.jpg"}
	const old, new = "pixels, tag 0", "pixels, tag 12"
	was := func(i int) string { return []string{old, old, old, "", "", old}[i] }
	prepare := func(t *testing.T, dir, src string) {
		for i, name := range names {
			if was(i) != "" {
				writeFile(t, dir, name, was(i))
			}
		}
		writeFile(t, src, "c/4.jpg", old)
	}
	// steps are those that one plans who looks what is there.
	steps := func(dir string, from folder) (out []Task) {
		patch := replace(t, old, "tag 0", "tag 12")
		for i, name := range names {
			s := Task{Change: Change{Photo: name, Patch: patch}}
			switch b, err := os.ReadFile(filepath.Join(dir, name)); {
			case i == 3:
				s.Patch, s.New, s.Follows = ofNothing(new), true, true
			case i == 4:
				s.from = from
			case err == nil && string(b) == new:
				s.Patch = nil
			}
			out = append(out, s)
		}
		return out
	}
	state := func(t *testing.T, dir string, i int) (isNew bool) {
		t.Helper()
		b, err := os.ReadFile(filepath.Join(dir, names[i]))
		if errors.Is(err, fs.ErrNotExist) && was(i) == "" {
			return false
		}
		if got := string(b); err != nil || got != new && got != was(i) || got == "" {
			t.Errorf("%s is neither old nor new: %q, %v", names[i], b, err)
		}
		return string(b) == new
	}
	goroutines := runtime.NumGoroutine()
	// run does it all with one fault and gives the operations that there were.
	run := func(f *faults, ends bool) map[string]int {
		dir, src := quickDir(t), quickDir(t)
		defer os.RemoveAll(dir)
		defer os.RemoveAll(src)
		prepare(t, dir, src)
		root, err := os.OpenRoot(dir)
		if err != nil {
			t.Fatal(err)
		}
		defer root.Close()
		from, err := os.OpenRoot(src)
		if err != nil {
			t.Fatal(err)
		}
		defer from.Close()
		defer func() {
			if t.Failed() {
				t.Fatalf("operation %s, the %dth, failing %s; ends %v", f.op, f.at, f.how, ends)
			}
		}()
		l, err := openIn(badFolder{rootFolder{root}, f}, "")
		if err == nil {
			var errs []error
			for res, err := range l.Bulk(t.Context(), slices.Values(steps(dir, badFolder{rootFolder{from}, f}))) {
				i := len(errs)
				errs = append(errs, err)
				isNew := state(t, dir, i)
				switch {
				case err == nil && (!isNew || !res.Written || res.Record.Photo != names[i]):
					t.Errorf("%s: success was reported, %+v, photo new: %v", names[i], res, isNew)
				case err == nil:
				case f.last == "":
					t.Errorf("%s: %v without a fault", names[i], err)
				case isNew && f.how != after && !strings.Contains(err.Error(), "new bytes"):
					t.Errorf("the photo is new, and the error does not say so: %v", err)
				case !strings.Contains(err.Error(), names[i]):
					t.Errorf("the error does not name the photo: %v", err)
				case !errors.Is(err, syscall.EIO) && !errors.Is(err, ErrBroken) && !errors.Is(err, ErrSkipped):
					t.Errorf("the error hides its cause: %v", err)
				}
				if err != nil && ends {
					break
				}
			}
			if len(errs) < len(names) && !(ends && errs[len(errs)-1] != nil) {
				t.Errorf("%d pairs", len(errs))
			}
			// After an error only a folder's sync leaves more that is new.
			late := strings.HasSuffix(f.op, " a") || strings.HasSuffix(f.op, " b") || strings.HasSuffix(f.op, " c")
			for i := len(errs); i < len(names); i++ {
				if state(t, dir, i) && !late && f.how != dead {
					t.Errorf("%s was done after the error", names[i])
				}
			}
			if (f.how == before || f.how == half) && !strings.HasPrefix(f.op, "remove ") {
				if temps := leftTemps(t, dir); temps != nil {
					t.Errorf("%q is left", temps)
				}
			}
			f.off = true
			if err := l.Close(); err != nil && !errors.Is(err, syscall.EIO) {
				t.Errorf("close: %v", err)
			}
			if err := l.lock.Unlock(); err != nil {
				t.Fatal(err)
			}
		} else if f.last == "" {
			t.Fatal(err)
		}
		settled(t, goroutines)

		// What is on disk now, with a folder that works.
		on := recorded(t, root)
		order := -1
		for _, name := range on {
			i := slices.Index(names, name)
			if i <= order {
				t.Errorf("records in the order %q", on)
			}
			order = i
		}
		for i, name := range names {
			if state(t, dir, i) && !slices.Contains(on, name) {
				t.Errorf("%s is new, but not on record", name)
			}
		}
		l, err = Open(root, "")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		i := 0
		for _, err := range l.Bulk(t.Context(), slices.Values(steps(dir, rootFolder{from}))) {
			if err != nil || !state(t, dir, i) {
				t.Errorf("done again: %s: %v", names[i], err)
			}
			i++
		}
		for out, err := range l.Restore(t.Context(), nil, false) {
			if err != nil || out.Status != Restored {
				t.Errorf("restore: %+v, %v", out, err)
			}
		}
		for i, name := range names {
			if i != 4 && state(t, dir, i) || i == 4 && readFile(t, dir, name) != old {
				t.Errorf("%s is not restored", name)
			}
		}
		if temps := leftTemps(t, dir); temps != nil {
			t.Errorf("in the end, %q is left", temps)
		}
		return f.all
	}
	all := run(&faults{all: map[string]int{}}, false)
	total, hit := 0, 0
	for _, op := range slices.Sorted(maps.Keys(all)) {
		for nth := 1; nth <= all[op]; nth++ {
			for _, how := range []failure{before, after, half, dead} {
				if how == half && !strings.HasPrefix(op, "write ") {
					continue // as before
				}
				for _, ends := range []bool{false, true} {
					f := &faults{op: op, at: nth, how: how}
					run(f, ends)
					total++
					if f.last != "" {
						hit++
					}
				}
			}
		}
	}
	t.Logf("%d failures of %d planned", hit, total)
	for _, op := range []string{"read a/1.jpg", "open a/temp", "write a/temp", "sync a/temp", "chtimes a/temp", "write " + FileName, "sync " + FileName,
		"rename b/3.xmp", "rename c/4.jpg", "mkdir c", "sync .", "sync a", "sync b", "sync c"} {
		if all[op] == 0 {
			t.Errorf("no %s among %q", op, slices.Sorted(maps.Keys(all)))
		}
	}
}
