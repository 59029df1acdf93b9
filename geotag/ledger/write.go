package ledger

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"example.com/phototie/geotag"
)

// Errors of correcting and copying. All are wrapped with the photo's name and
// the details; in each case the photo has its old bytes.
var (
	// ErrName: not a path that can name a photo below the root.
	ErrName = errors.New("not a usable photo path")
	// ErrFolder: no file can be made in the photo's folder.
	ErrFolder = errors.New("its folder may not be written to")
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
	// Judged, where not nil, is what os.Stat said of the photo, or of the source of a
	// copy, when the change was decided on. A photo that is not that file any more,
	// or was written to since, gives ErrChanged.
	Judged fs.FileInfo
	// Meaning says what the new position is.
	Meaning geotag.Meaning
	// Reason goes into the record: the point's id, the verdict and so on.
	Reason map[string]string
}

// source is the path that a copy is made from.
func (c *Change) source() string { return cmp.Or(c.Source, c.Photo) }

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
	// For is that of the Task, with an error too.
	For any
}

// Task is one change and the way to do it.
type Task struct {
	Change
	// From is the folder that the photo is copied from, which leaves the original alone;
	// with an empty patch the copy is as it is. Nil corrects the photo in place.
	//
	// A file that is there already and equals the result is left as it is. One that
	// differs is replaced only where nothing can be lost: where it has the source's bytes,
	// or bytes that this ledger has on record for the photo. Otherwise the error wraps
	// ErrExists.
	From *os.Root
	// New makes a file that is not there yet, such as the side-car of a photo: Patch makes
	// it of nothing, and From must be nil. The record says that the file was created, and
	// Restore removes it. What is there already is treated as with From.
	New bool
	// Follows leaves the task of a Bulk undone, with ErrSkipped, where the one before it
	// gave an error.
	Follows bool
	// For is given back in the Result, for the caller's own use.
	For any

	from folder // From, or what tests have in its place
}

// Do does one task. The package comment gives the order of the work. On an error the
// photo has its old bytes, with one exception that the error names: the rename was done
// and the folder could not be synced after it.
func (l *Ledger) Do(ctx context.Context, t Task) (Result, error) {
	p := &pending{Task: t}
	defer p.release()
	if p.claim(ctx, l); p.err == nil {
		l.prepare(ctx, p)
	}
	if p.err == nil {
		l.commit(ctx, []*pending{p})
	}
	return p.result()
}

// check refuses names that can't be used.
func (s *Task) check() error {
	if s.From != nil {
		s.from = rootFolder{s.From}
	}
	if err := checkName(s.Photo); err != nil {
		return err
	}
	if !s.empty() {
		if err := mayChange(s.Photo); err != nil {
			return err
		}
	}
	switch {
	case s.from != nil && s.New:
		return errors.New("what is made of nothing has no source")
	case s.from != nil && s.Source != "":
		if err := checkName(s.Source); err != nil {
			return fmt.Errorf("source %q: %w", s.Source, err)
		}
	case s.from == nil && s.Source != "":
		return fmt.Errorf("%w: only a copy has another source", ErrName)
	}
	return nil
}

// pending is a task on its way from the temporary file to the photo's place.
type pending struct {
	Task
	staged    *staged // nil where there is nothing to do
	src       *source // open until the release, so that nothing else gets its identity
	record    Record
	text      []byte      // of the record
	there     fs.FileInfo // what is to be replaced; nil where the place is free
	unchanged func() error
	notes     []string
	recorded  bool
	err       error         // why it is not done
	done      chan struct{} // closed when it is prepared; of a Bulk only
	end       func()        // gives the claim of the photo back
	free      func()        // gives the place among those of a Bulk back
}

// result is what became of the step.
func (p *pending) result() (Result, error) {
	if p.err != nil {
		return Result{For: p.For}, fmt.Errorf("photo %q: %w", p.Photo, p.err)
	}
	if p.staged == nil {
		return Result{For: p.For}, nil
	}
	return Result{Written: true, Record: p.record, Notes: p.notes, For: p.For}, nil
}

// claim checks the task's names and claims its photo.
func (p *pending) claim(ctx context.Context, l *Ledger) {
	if p.err = p.check(); p.err == nil {
		p.end, p.err = l.begin(ctx, p.Photo)
	}
}

// release releases what the step holds, once.
func (p *pending) release() {
	if p.staged != nil {
		// Where it can't be removed, the next Open does so.
		_ = p.staged.discard()
	}
	if p.src != nil {
		_ = p.src.Close() // read only: nothing to lose
		p.src = nil
	}
	for _, f := range []*func(){&p.end, &p.free} {
		if *f != nil {
			(*f)()
			*f = nil
		}
	}
}

// prepare does all of a step that changes no photo: what it makes is in a temporary
// file, synced.
func (l *Ledger) prepare(ctx context.Context, p *pending) {
	switch {
	case ctx.Err() != nil:
		p.err = context.Cause(ctx)
	case l.lock == nil:
		p.err = ErrReadOnly
	case p.New || p.from != nil:
		p.err = l.prepareFile(ctx, p)
	default:
		p.err = l.prepareCorrection(ctx, p)
	}
	if p.err != nil && p.staged != nil {
		p.err = errors.Join(p.err, p.staged.discard())
		p.staged = nil
	}
}

func (l *Ledger) prepareCorrection(ctx context.Context, p *pending) (err error) {
	if p.empty() {
		_, err := lstatRegular(l.root, p.Photo)
		return err
	}
	if err = p.open(l.root, p.Photo); err != nil {
		return err
	}
	p.there, p.unchanged = p.src.info, p.src.unchanged
	if err := l.stage(ctx, p, true); err != nil {
		return err
	}
	if p.staged.before.sum == p.staged.after.sum {
		err := p.staged.discard()
		p.staged = nil
		return err
	}
	p.record = l.record(ActionCorrect, p.Change, p.staged)
	return nil
}

// open opens the source of the change, which must be what the change was decided on.
func (p *pending) open(root folder, name string) (err error) {
	if p.src, err = openSource(root, name); err != nil {
		return err
	}
	if p.Judged != nil && !sameState(p.Judged, p.src.info) {
		return fmt.Errorf("%w since it was judged: check it again", ErrChanged)
	}
	return nil
}

// prepareFile prepares a copy, or a file that is made of nothing.
func (l *Ledger) prepareFile(ctx context.Context, p *pending) error {
	var from io.Reader = strings.NewReader("")
	if !p.New {
		if err := p.open(p.from, p.Change.source()); err != nil {
			return err
		}
		from = p.src.reader(ctx)
	} else if p.empty() || p.Patch.SizeBefore != 0 {
		return errors.New("the patch makes no file of nothing")
	}
	there, same, err := l.occupant(ctx, p, from)
	if same || err != nil {
		return err
	}
	if err := l.makeDirs(path.Dir(p.Photo)); err != nil {
		return err
	}
	p.there = there
	p.unchanged = func() error {
		if p.src != nil {
			if err := p.src.unchanged(); err != nil {
				return err
			}
		}
		return l.still(there, p.Photo)
	}
	if err := l.stage(ctx, p, false); err != nil {
		return err
	}
	action := ActionCopy
	if p.New {
		action = ActionCorrect
	}
	p.record = l.record(action, p.Change, p.staged)
	p.record.Created = p.New
	return nil
}

// still reports ErrExists where a file is no longer what it was, nil for none.
func (l *Ledger) still(was fs.FileInfo, name string) error {
	now, err := l.root.Lstat(name)
	switch {
	case was == nil && errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return err
	case err != nil, was == nil, !sameState(was, now):
		return fmt.Errorf("%w: it appeared or changed just now", ErrExists)
	}
	return nil
}

// occupant looks at the place of a file that is to be made of what from gives: there is
// what may be replaced, nil where the place is free, and same says that the file is
// there already. Otherwise the error is ErrExists. It reads the place's file and from
// only where there is one.
func (l *Ledger) occupant(ctx context.Context, p *pending, from io.Reader) (there fs.FileInfo, same bool, err error) {
	now, err := openSource(l.root, p.Photo)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, false, nil
	case errors.Is(err, ErrNotRegular):
		return nil, false, fmt.Errorf("%w: there is something else at its place", ErrExists)
	case err != nil:
		return nil, false, err
	}
	defer now.Close()
	if p.src != nil && os.SameFile(now.info, p.src.info) {
		return nil, false, fmt.Errorf("%w: choose another folder, or correct in place", ErrSameFile)
	}
	before, after := newMeter(), newMeter()
	if err := p.apply(after, io.TeeReader(from, before)); err != nil {
		return nil, false, err
	}
	have, err := now.digest(ctx)
	switch {
	case err != nil:
		return nil, false, err
	case have == after.sum():
		return nil, true, p.expect(before.sum())
	case have == before.sum() && !p.New, l.history(p.Photo).knows(have):
	default:
		return nil, false, fmt.Errorf("%w: move it away, or choose another folder", ErrExists)
	}
	if p.src != nil {
		err = p.src.rewind()
	}
	return now.info, false, err
}

func (c *Change) empty() bool { return c.Patch == nil || c.Patch.Empty() }

// apply is Patch.Apply, and a plain copy where there is no patch.
func (c *Change) apply(w io.Writer, r io.Reader) error {
	if c.empty() {
		_, err := io.Copy(w, r)
		return err
	}
	return changed(c.Patch.Apply(w, r))
}

// expect compares the source's digest with the one that the caller knows.
func (c *Change) expect(before digest) error {
	if c.Before == "" || c.Before == before.String() {
		return nil
	}
	return fmt.Errorf("%w since it was read: SHA-256 %s, expected %s", ErrChanged, before, c.Before)
}

// record is what the ledger will say of a change, but for the time.
func (l *Ledger) record(a Action, c Change, tmp *staged) Record {
	rec := Record{
		Version:    Version,
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
	switch {
	case a == ActionRestore:
	case c.empty():
		rec.Reverse = &geotag.Patch{SizeBefore: tmp.after.size}
	default:
		rec.Meaning = c.Meaning.String()
		rec.Reverse = c.Patch.Reverse()
	}
	return rec
}

// checkName refuses what can't name a photo: paths that leave the root or could
// do so on this system, and the ledger's own files.
func checkName(name string) error {
	if !fs.ValidPath(name) || name == "." {
		return fmt.Errorf("%w: it must be UTF-8, relative, slash-separated and without \"..\"", ErrName)
	}
	if _, err := filepath.Localize(name); err != nil {
		return fmt.Errorf("%w on this system", ErrName)
	}
	base := path.Base(name)
	if isTemp(base) || slices.ContainsFunc([]string{FileName, TornName, lockName}, func(own string) bool { return strings.EqualFold(base, own) }) {
		return fmt.Errorf("%w: it is a file of phototie's own", ErrName)
	}
	return nil
}

// mayChange refuses to change, or take back, what is no photo and no side-car by its
// name, and what is in a hidden folder: a ledger may come from anywhere.
func mayChange(name string) error {
	for part := range strings.SplitSeq(path.Dir(name), "/") {
		if part != "." && strings.HasPrefix(part, ".") {
			return fmt.Errorf("%w: the folder %s is hidden", ErrName, part)
		}
	}
	ext := strings.ToLower(path.Ext(name))
	if ext != geotag.SidecarExtension && !slices.Contains(extensions, ext) {
		return fmt.Errorf("%w: only photos and their side-cars are changed, and %q is the name of neither", ErrName, path.Base(name))
	}
	return nil
}

var extensions = geotag.Extensions()

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

// digest reads the whole photo, from where it is read.
func (s *source) digest(ctx context.Context) (digest, error) { return digestOf(s.reader(ctx)) }

func digestOf(r io.Reader) (digest, error) {
	m := newMeter()
	_, err := io.Copy(m, r)
	return m.sum(), err
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
		return errChangedMeanwhile
	}
	return nil
}

var errChangedMeanwhile = fmt.Errorf("%w while phototie was at it: run again", ErrChanged)

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

// mark is where tests look in.
func (l *Ledger) mark(stage, photo string) {
	if l.trace != nil {
		l.trace(stage, photo)
	}
}

// makeDirs makes a folder and those above it, and syncs each new one into its
// parent. One call at a time: a folder that another call has made, but not yet
// synced, would be taken for one that lasts.
func (l *Ledger) makeDirs(dir string) error {
	l.making.Lock()
	defer l.making.Unlock()
	return makeDirs(l.root, dir)
}

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
