package ledger

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"example.com/phototie/geotag"
)

// Errors of correcting and copying. All are wrapped with the photo's name and
// the details; in each case the photo has its old bytes.
var (
	// ErrName: not a path that can name a photo below the root.
	ErrName = errors.New("not a usable photo path")
	// ErrNotRegular: the photo is a symbolic link, a folder or a device.
	ErrNotRegular = errors.New("not a regular file")
	// ErrChanged: the photo is not, or no longer, the one the change was made for.
	ErrChanged = errors.New("the photo was changed by something else")
	// ErrExists: the place of a copy is taken by a file that this ledger did not
	// put there.
	ErrExists = errors.New("there is another file already, which phototie did not write")
	// ErrSameFile: a copy would overwrite its own source.
	ErrSameFile = errors.New("the copy and its source are the same file")
)

// Change is what is to be done to a photo.
type Change struct {
	// Photo is the slash-separated path below the root.
	Photo string
	// Source is the path of the source of a copy below its own folder; empty where
	// it is the same.
	Source string
	// Patch is the change of its bytes. Where it is nil or empty there is
	// nothing to correct.
	Patch *geotag.Patch
	// Before is the SHA-256 (hex) of the bytes that Patch was made from. Where
	// it is not empty, a photo with other bytes gives ErrChanged; without it
	// only the size and the bytes that the patch replaces are compared.
	Before string
	// Meaning says what the new position stands for.
	Meaning geotag.Meaning
	// Reason goes into the record: the point's id, the verdict and so on.
	Reason map[string]string
}

// source is the path that a copy is made from.
func (c *Change) source() string {
	if c.Source == "" {
		return c.Photo
	}
	return c.Source
}

// Result is what became of a photo.
type Result struct {
	// Written is false where there was nothing to do, and then nothing was
	// written, neither to the photo nor to the ledger.
	Written bool
	// Record is what the ledger now says; the zero Record where Written is
	// false.
	Record Record
	// Notes are sentences on what could not be carried over to the new file,
	// such as its owner, or on hard links that keep the old bytes.
	Notes []string
}

// Correct applies a change to a photo in place. The package comment gives the
// order of the work. On an error the photo has its old bytes, with one
// exception that the error names: the rename was done and the folder could not
// be synced after it.
func (l *Ledger) Correct(ctx context.Context, c Change) (Result, error) {
	if c.Source != "" {
		return Result{}, fmt.Errorf("photo %q: %w: a correction in place has no other source", c.Photo, ErrName)
	}
	return l.run(ctx, c.Photo, func() (Result, error) {
		if c.empty() {
			_, err := lstatRegular(l.root, c.Photo)
			return Result{}, err
		}
		src, err := openSource(l.root, c.Photo)
		if err != nil {
			return Result{}, err
		}
		defer src.Close()
		tmp, err := l.stage(ctx, src, c.Photo, c.apply)
		if err != nil {
			return Result{}, err
		}
		defer tmp.discard()
		if err := c.expect(tmp.before.sum); err != nil {
			return Result{}, err
		}
		if tmp.before.sum == tmp.after.sum {
			return Result{}, tmp.discard()
		}
		notes, err := tmp.attributes(src, true)
		if err != nil {
			return Result{}, err
		}
		rec := l.record(ActionCorrect, c, tmp)
		if err := l.commit(ctx, tmp, rec, src.unchanged); err != nil {
			return Result{}, err
		}
		return Result{Written: true, Record: rec, Notes: notes}, nil
	})
}

// CorrectInto writes the corrected copy of a photo of another folder to the
// ledger's folder, under the same path unless Change.Source says otherwise, and
// leaves the original alone. With an empty
// patch it copies the photo as it is.
//
// A file that is there already and equals the result is left as it is. One that
// differs is replaced only where nothing can be lost: where it has the source's
// bytes, or bytes that this ledger has on record for the photo. Otherwise the
// error wraps ErrExists.
func (l *Ledger) CorrectInto(ctx context.Context, from *os.Root, c Change) (Result, error) {
	return l.correctInto(ctx, rootFolder{from}, c)
}

func (l *Ledger) correctInto(ctx context.Context, from folder, c Change) (Result, error) {
	if err := checkName(c.source()); err != nil {
		return Result{}, err
	}
	return l.run(ctx, c.Photo, func() (Result, error) {
		src, err := openSource(from, c.source())
		if err != nil {
			return Result{}, err
		}
		defer src.Close()
		there, err := l.root.Lstat(c.Photo)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			there = nil
		case err != nil:
			return Result{}, err
		case os.SameFile(there, src.info):
			return Result{}, fmt.Errorf("%w: choose another folder, or correct in place", ErrSameFile)
		case !there.Mode().IsRegular():
			return Result{}, fmt.Errorf("%w: there is something else at the copy's place", ErrExists)
		default:
			same, err := l.replaceable(ctx, src, c)
			if same || err != nil {
				return Result{}, err
			}
			if err := src.rewind(); err != nil {
				return Result{}, err
			}
		}
		if err := makeDirs(l.root, path.Dir(c.Photo)); err != nil {
			return Result{}, err
		}
		tmp, err := l.stage(ctx, src, c.Photo, c.apply)
		if err != nil {
			return Result{}, err
		}
		defer tmp.discard()
		if err := c.expect(tmp.before.sum); err != nil {
			return Result{}, err
		}
		notes, err := tmp.attributes(src, false)
		if err != nil {
			return Result{}, err
		}
		rec := l.record(ActionCopy, c, tmp)
		unchanged := func() error {
			if err := src.unchanged(); err != nil {
				return err
			}
			now, err := l.root.Lstat(c.Photo)
			if there == nil && errors.Is(err, fs.ErrNotExist) {
				return nil
			}
			if err != nil {
				return err
			}
			if there == nil || !sameState(there, now) {
				return fmt.Errorf("%w: it appeared or changed during the copy", ErrExists)
			}
			return nil
		}
		if err := l.commit(ctx, tmp, rec, unchanged); err != nil {
			return Result{}, err
		}
		return Result{Written: true, Record: rec, Notes: notes}, nil
	})
}

// Create writes a file that is not there yet, such as the side-car of a photo: c's
// Photo is its path and c's Patch makes it of nothing. The record says that the
// file was created, and Restore removes it. A file that is there already and
// equals the result is left as it is; one with other bytes is replaced where this
// ledger has those on record, and gives ErrExists otherwise.
func (l *Ledger) Create(ctx context.Context, c Change) (Result, error) {
	return l.run(ctx, c.Photo, func() (Result, error) {
		if c.empty() || c.Patch.SizeBefore != 0 {
			return Result{}, errors.New("the patch makes no file of nothing")
		}
		there, err := l.vacant(ctx, c)
		if errors.Is(err, errSame) {
			return Result{}, nil
		}
		if err != nil {
			return Result{}, err
		}
		if err := makeDirs(l.root, path.Dir(c.Photo)); err != nil {
			return Result{}, err
		}
		tmp, err := l.stage(ctx, strings.NewReader(""), c.Photo, c.apply)
		if err != nil {
			return Result{}, err
		}
		defer tmp.discard()
		if err := tmp.finish(); err != nil {
			return Result{}, err
		}
		rec := l.record(ActionCorrect, c, tmp)
		rec.Created = true
		unchanged := func() error {
			now, err := l.root.Lstat(c.Photo)
			switch {
			case there == nil && errors.Is(err, fs.ErrNotExist):
				return nil
			case err != nil && !errors.Is(err, fs.ErrNotExist):
				return err
			case err != nil, there == nil, !sameState(there, now):
				return fmt.Errorf("%w: it appeared or changed just now", ErrExists)
			}
			return nil
		}
		if err := l.commit(ctx, tmp, rec, unchanged); err != nil {
			return Result{}, err
		}
		return Result{Written: true, Record: rec}, nil
	})
}

// errSame: the file is what it is to be.
var errSame = errors.New("the file is there already")

// vacant reports whether a file can be created: nil where there is none, else
// what is there and may be replaced. The error is errSame or ErrExists.
func (l *Ledger) vacant(ctx context.Context, c Change) (fs.FileInfo, error) {
	src, err := openSource(l.root, c.Photo)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer src.Close()
	want := newMeter()
	if err := c.apply(want, strings.NewReader("")); err != nil {
		return nil, err
	}
	have := newMeter()
	if _, err := io.Copy(have, src.reader(ctx)); err != nil {
		return nil, err
	}
	switch sum := have.sum(); {
	case sum == want.sum():
		return nil, errSame
	case l.history(c.Photo).knows(sum):
		return src.info, nil
	}
	return nil, fmt.Errorf("%w: it was to be created; look what it is, and run again", ErrExists)
}

// CopyInto copies a photo of another folder as it is, under the rules of
// CorrectInto.
func (l *Ledger) CopyInto(ctx context.Context, from *os.Root, photo string) (Result, error) {
	return l.CorrectInto(ctx, from, Change{Photo: photo})
}

// run checks the name, claims the photo and puts its name to the error.
func (l *Ledger) run(ctx context.Context, photo string, f func() (Result, error)) (Result, error) {
	if err := checkName(photo); err != nil {
		return Result{}, err
	}
	end, err := l.begin(ctx, photo)
	if err != nil {
		return Result{}, fmt.Errorf("photo %q: %w", photo, err)
	}
	defer end()
	if err := ctx.Err(); err != nil {
		return Result{}, fmt.Errorf("photo %q: %w", photo, context.Cause(ctx))
	}
	res, err := f()
	if err != nil {
		return Result{}, fmt.Errorf("photo %q: %w", photo, err)
	}
	return res, nil
}

// replaceable compares the file at the copy's place with what the change would
// put there: same where it is that already, an error where it must stay.
func (l *Ledger) replaceable(ctx context.Context, src *source, c Change) (same bool, err error) {
	before, after := newMeter(), newMeter()
	if err := c.apply(after, io.TeeReader(src.reader(ctx), before)); err != nil {
		return false, err
	}
	dst, err := openSource(l.root, c.Photo)
	if err != nil {
		return false, err
	}
	defer dst.Close()
	have := newMeter()
	if _, err := io.Copy(have, dst.reader(ctx)); err != nil {
		return false, err
	}
	switch sum := have.sum(); {
	case sum == after.sum():
		return true, c.expect(before.sum())
	case sum == before.sum(), l.history(c.Photo).knows(sum):
		return false, nil
	}
	return false, fmt.Errorf("%w: move it away, or choose another folder", ErrExists)
}

func (c *Change) empty() bool { return c.Patch == nil || c.Patch.Empty() }

// apply is Patch.Apply, and a plain copy where there is no patch.
func (c *Change) apply(w io.Writer, r io.Reader) error {
	if c.empty() {
		_, err := io.Copy(w, r)
		return err
	}
	err := c.Patch.Apply(w, r)
	if errors.Is(err, geotag.ErrPatchMismatch) {
		return fmt.Errorf("%w since it was read: %w", ErrChanged, err)
	}
	return err
}

// expect compares the source's digest with the one that the caller knows.
func (c *Change) expect(before digest) error {
	if c.Before == "" || c.Before == before.String() {
		return nil
	}
	return fmt.Errorf("%w since it was read: SHA-256 %s, expected %s", ErrChanged, before, c.Before)
}

func (l *Ledger) record(a Action, c Change, tmp *staged) Record {
	rec := Record{
		Version:    Version,
		Time:       l.now().UTC().Truncate(time.Millisecond),
		Tool:       l.tool,
		Action:     a,
		Photo:      c.Photo,
		Source:     c.Source,
		Before:     tmp.before.sum.String(),
		After:      tmp.after.sum.String(),
		SizeBefore: tmp.before.size,
		SizeAfter:  tmp.after.size,
		Reason:     c.Reason,
	}
	if c.empty() {
		rec.Reverse = &geotag.Patch{SizeBefore: tmp.after.size}
	} else {
		rec.Meaning = c.Meaning.String()
		rec.Reverse = c.Patch.Reverse()
	}
	return rec
}

// checkName refuses what can't name a photo: paths that leave the root or could
// do so on this system, and the ledger's own files.
func checkName(name string) error {
	if !fs.ValidPath(name) || name == "." {
		return fmt.Errorf("photo %q: %w: it must be UTF-8, relative, slash-separated and without \"..\"", name, ErrName)
	}
	if _, err := filepath.Localize(name); err != nil {
		return fmt.Errorf("photo %q: %w on this system", name, ErrName)
	}
	base := path.Base(name)
	if isTemp(base) || strings.EqualFold(base, FileName) || strings.EqualFold(base, lockName) {
		return fmt.Errorf("photo %q: %w: it is a file of phototie's own", name, ErrName)
	}
	return nil
}

func lstatRegular(root folder, name string) (fs.FileInfo, error) {
	fi, err := root.Lstat(name)
	if err != nil {
		return nil, err
	}
	switch {
	case fi.Mode()&fs.ModeSymlink != 0:
		return nil, fmt.Errorf("%w but a symbolic link: name the file that it leads to", ErrNotRegular)
	case !fi.Mode().IsRegular():
		return nil, fmt.Errorf("%w but %s", ErrNotRegular, fi.Mode().Type())
	}
	return fi, nil
}

// source is an open photo and what its file was like when it was opened.
type source struct {
	file
	root folder
	path string
	info fs.FileInfo
}

func openSource(root folder, name string) (*source, error) {
	before, err := lstatRegular(root, name)
	if err != nil {
		return nil, err
	}
	f, err := root.OpenFile(name, os.O_RDONLY, 0)
	if err != nil {
		return nil, err
	}
	fi, err := f.Stat()
	if err == nil && !os.SameFile(before, fi) {
		err = ErrChanged
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	// The times of before: opening may change the time of access.
	return &source{file: f, root: root, path: name, info: before}, nil
}

func (s *source) rewind() error {
	_, err := s.Seek(0, io.SeekStart)
	return err
}

// reader reads the photo until the context is done.
func (s *source) reader(ctx context.Context) io.Reader { return ctxReader{ctx, s.file} }

type ctxReader struct {
	ctx context.Context
	r   io.Reader
}

func (c ctxReader) Read(p []byte) (int, error) {
	if c.ctx.Err() != nil {
		return 0, context.Cause(c.ctx)
	}
	return c.r.Read(p)
}

// unchanged reports ErrChanged where the photo is no longer the file that was
// opened, or was written to.
func (s *source) unchanged() error {
	now, err := s.root.Lstat(s.path)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: it is gone", ErrChanged)
	}
	if err != nil {
		return err
	}
	if !sameState(s.info, now) {
		return fmt.Errorf("%w while phototie was at it: run again", ErrChanged)
	}
	return nil
}

// sameState compares identity, size, time and mode of two looks at a file.
func sameState(a, b fs.FileInfo) bool {
	return os.SameFile(a, b) && a.Size() == b.Size() && a.ModTime().Equal(b.ModTime()) && a.Mode() == b.Mode()
}

// meter takes the SHA-256 and the length of what is written to it.
type meter struct {
	hash.Hash
	n int64
}

func newMeter() *meter { return &meter{Hash: sha256.New()} }

func (m *meter) Write(p []byte) (int, error) {
	m.n += int64(len(p))
	return m.Hash.Write(p)
}

func (m *meter) sum() (d digest) {
	m.Sum(d[:0])
	return d
}

// content identifies bytes.
type content struct {
	sum  digest
	size int64
}

// staged is a finished temporary file beside its photo.
type staged struct {
	l             *Ledger
	file          file   // nil once closed
	path          string // "" once renamed or removed
	photo         string
	before, after content
}

// stage reads the source once through transform into a temporary file in the
// folder of photo.
func (l *Ledger) stage(ctx context.Context, src io.Reader, photo string, transform func(io.Writer, io.Reader) error) (*staged, error) {
	name := path.Join(path.Dir(photo), tempPrefix+rand.Text()+tempSuffix)
	f, err := l.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, fmt.Errorf("can't write in its folder: %w", err)
	}
	t := &staged{l: l, file: f, path: name, photo: photo}
	l.mark("created", photo)
	before, after := newMeter(), newMeter()
	err = transform(io.MultiWriter(f, after), io.TeeReader(ctxReader{ctx, src}, before))
	if err != nil {
		return nil, errors.Join(err, t.discard())
	}
	t.before, t.after = content{before.sum(), before.n}, content{after.sum(), after.n}
	return t, nil
}

// discard removes the temporary file, where it is still there.
func (t *staged) discard() error {
	var err error
	if t.file != nil {
		err = t.file.Close()
		t.file = nil
	}
	if t.path != "" {
		err = errors.Join(err, t.l.root.Remove(t.path))
		t.path = ""
	}
	return err
}

// attributes gives the temporary file the source's mode, owner (in place only),
// extended attributes and times, syncs it and closes it.
func (t *staged) attributes(src *source, inPlace bool) (notes []string, err error) {
	notes, err = carryOver(t.file, src.file, src.info, inPlace)
	if err != nil {
		return nil, err
	}
	if err := t.l.root.Chtimes(t.path, accessTime(src.info), src.info.ModTime()); err != nil {
		if inPlace {
			return nil, fmt.Errorf("can't keep its times: %w", err)
		}
		notes = append(notes, fmt.Sprintf("its times could not be kept: %v", err))
	}
	return notes, t.sync()
}

// finish gives the temporary file of something new the usual mode and syncs it.
func (t *staged) finish() error {
	if err := t.file.Chmod(0o644); err != nil {
		return err
	}
	return t.sync()
}

// sync syncs the temporary file and closes it.
func (t *staged) sync() error {
	if err := t.file.Sync(); err != nil {
		return err
	}
	err := t.file.Close()
	t.file = nil
	t.l.mark("synced", t.photo)
	return err
}

// commit puts the record on disk and the temporary file in the photo's place.
func (l *Ledger) commit(ctx context.Context, t *staged, rec Record, unchanged func() error) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if err := unchanged(); err != nil {
		return err
	}
	if err := l.append(rec); err != nil {
		return err
	}
	l.mark("recorded", t.photo)
	if err := unchanged(); err != nil {
		return err
	}
	if err := l.root.Rename(t.path, t.photo); err != nil {
		return err
	}
	t.path = ""
	l.mark("renamed", t.photo)
	if err := syncDir(l.root, path.Dir(t.photo)); err != nil {
		return fmt.Errorf("the photo has its new bytes, but its folder could not be synced, so that a power cut may still undo it: %w", err)
	}
	l.mark("done", t.photo)
	return nil
}

// mark is where tests look in.
func (l *Ledger) mark(stage, photo string) {
	if l.trace != nil {
		l.trace(stage, photo)
	}
}

// makeDirs makes a folder and those above it, and syncs each new one into its
// parent.
func makeDirs(root folder, dir string) error {
	if dir == "." {
		return nil
	}
	fi, err := root.Stat(dir)
	if err == nil {
		if !fi.IsDir() {
			return fmt.Errorf("%s is not a folder", dir)
		}
		return nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := makeDirs(root, path.Dir(dir)); err != nil {
		return err
	}
	if err := root.Mkdir(dir, 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	return syncDir(root, path.Dir(dir))
}
