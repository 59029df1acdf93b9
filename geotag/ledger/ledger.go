package ledger

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"path"
	"slices"
	"strings"
	"sync"
	"time"
)

// lockName is the file that holds the advisory lock while a ledger is open.
const lockName = ".phototie-ledger.lock"

// Errors of opening and using a ledger. All are wrapped with the details.
var (
	// ErrLocked: another process (or this one) has the ledger open.
	ErrLocked = errors.New("the ledger is in use by another run")
	// ErrClosed: the ledger was closed.
	ErrClosed = errors.New("the ledger is closed")
	// ErrReadOnly: the ledger was opened by OpenRead.
	ErrReadOnly = errors.New("the ledger is open for reading only")
	// ErrBroken: an earlier write to the ledger file failed in a way that leaves
	// its end unknown, so nothing more is written through this Ledger.
	ErrBroken = errors.New("an earlier write to the ledger failed")
)

// Ledger is an open ledger of one folder. Its methods are safe for concurrent use; calls
// for one photo wait for each other. The zero Ledger is of no use: Open makes one.
type Ledger struct {
	root  folder
	tool  string
	now   func() time.Time
	trace func(stage, photo string) // tests only; nil otherwise
	clone func(dst, src file) error // cloneFile, but for tests
	lock  *lockFile                 // nil where nothing may be written

	repairs Repairs
	running sync.WaitGroup
	making  sync.Mutex // held while folders are made
	writing sync.Mutex // held while records are added, before mu

	mu     sync.Mutex // guards what follows
	file   file       // nil until the file exists
	size   int64      // length of its sound part
	lines  int
	last   digest // of the last line, nothing where there is none
	photos map[string]history
	order  []string // photos by first record
	busy   map[string]chan struct{}
	broken error
	closed bool
}

// history is what the ledger says of one photo.
type history []entry

// entry is a record without its patch, which stays on disk.
type entry struct {
	off           int64
	length        int
	line          int
	action        Action
	before, after digest
	created       bool
	// sizeBefore and sizeAfter are lengths in bytes.
	sizeBefore, sizeAfter int64
}

// knows reports whether d is a state that the ledger recorded.
func (h history) knows(d digest) bool {
	return slices.ContainsFunc(h, func(e entry) bool { return e.before == d || e.after == d })
}

// Repairs says what Open repaired after an interrupted run, and what the ledger has
// lost.
type Repairs struct {
	// Torn is a cut-off last line that was removed from the ledger, now or earlier
	// if its photo may have no way back; nil where there is none.
	Torn *Torn `json:"torn,omitempty"`
	// Gaps are lines before which records are missing: something removed them.
	Gaps []int `json:"gaps,omitempty"`
	// Temps are temporary files that were removed, as slash-separated paths.
	Temps []string `json:"temps,omitempty"`
	// Unread are folders that could not be searched for temporary files for want
	// of permission.
	Unread []string `json:"unread,omitempty"`
}

// AboutInput reports whether an error comes of the folder that was given or of what
// is in it, so that whoever gave it can put it right.
func AboutInput(err error) bool {
	var line *LineError
	return errors.As(err, &line) || slices.ContainsFunc([]error{ErrLocked, ErrBroken, ErrName, ErrNotRegular, ErrChanged, ErrExists, ErrSameFile},
		func(target error) bool { return errors.Is(err, target) })
}

// Open opens the ledger of a folder, takes the lock, and clears up after a run
// that was interrupted: see Repairs. The ledger file itself appears with the
// first record. Tool (program and version) goes into the records. The caller
// keeps root open until after Close, and calls Close.
//
// Errors wrap ErrLocked, ErrDamaged or ErrVersion (both in a *LineError), or
// are those of the file system.
func Open(root *os.Root, tool string) (*Ledger, error) {
	return openIn(rootFolder{root}, tool)
}

// OpenRead opens the ledger of a folder for Records and for dry runs of Restore:
// nothing is written, no lock is taken, and Repairs says what Open would repair.
// So it works in a read-only folder. All that would write gives ErrReadOnly.
func OpenRead(root *os.Root) (*Ledger, error) { return newLedger(rootFolder{root}, "", nil) }

func openIn(root folder, tool string) (*Ledger, error) {
	lock, err := takeLock(root)
	if err != nil {
		return nil, err
	}
	return newLedger(root, tool, lock)
}

func newLedger(root folder, tool string, lock *lockFile) (*Ledger, error) {
	l := &Ledger{
		root:   root,
		tool:   tool,
		now:    time.Now,
		clone:  cloneFile,
		lock:   lock,
		last:   nothing,
		photos: map[string]history{},
		busy:   map[string]chan struct{}{},
	}
	if err := l.load(); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// SetClock has the records of later calls carry the times that now gives, in
// place of the system's. The zero time leaves the time out, so that the same work
// gives the same bytes on any day. It must not be called while other calls run.
func (l *Ledger) SetClock(now func() time.Time) { l.now = now }

// SyncFolder makes it durable that files were put into a folder of root, or taken
// out of it. Where the system can't do that there is nothing to be done.
func SyncFolder(root *os.Root, dir string) error { return syncDir(rootFolder{root}, dir) }

// Close waits for the calls that are running and releases the lock. Further
// calls give ErrClosed.
func (l *Ledger) Close() error {
	l.mu.Lock()
	if l.closed {
		l.mu.Unlock()
		return nil
	}
	l.closed = true
	l.mu.Unlock()
	l.running.Wait()
	var err error
	if l.file != nil {
		err = l.file.Close()
	}
	return errors.Join(err, dropLock(l.root, l.lock))
}

// Repairs says what Open repaired.
func (l *Ledger) Repairs() Repairs { return l.repairs }

// Photos gives the photos that have a record, in the order of their first one.
func (l *Ledger) Photos() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.order)
}

// begin claims a photo for one call, waiting for a call that has it.
func (l *Ledger) begin(ctx context.Context, photo string) (end func(), err error) {
	for {
		l.mu.Lock()
		if l.closed {
			l.mu.Unlock()
			return nil, ErrClosed
		}
		other, busy := l.busy[photo]
		if !busy {
			done := make(chan struct{})
			l.busy[photo] = done
			l.running.Add(1)
			l.mu.Unlock()
			return func() {
				l.mu.Lock()
				delete(l.busy, photo)
				l.mu.Unlock()
				close(done)
				l.running.Done()
			}, nil
		}
		l.mu.Unlock()
		select {
		case <-other:
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		}
	}
}

// history is a copy of what is known of a photo, nil where there is nothing.
func (l *Ledger) history(photo string) history {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clip(l.photos[photo])
}

// line is one line of a ledger file.
type line struct {
	no   int
	off  int64
	text []byte // with its line feed, where it has one; good until the next line
	torn bool   // the last line, cut off by a kill or a power cut
	rec  Record // zero where the line is blank or torn
}

// lines reads the first size bytes of a ledger. It ends with the first error.
//
// The last line is torn where it lacks the line feed and is not whole JSON, or
// where it holds zero bytes, which JSON text never does: some file systems
// leave them after a power cut. Either way it was never reported as synced.
func lines(r io.Reader, size int64) iter.Seq2[line, error] {
	return func(yield func(line, error) bool) {
		sc := bufio.NewScanner(io.LimitReader(r, size))
		sc.Buffer(nil, maxLine)
		sc.Split(wholeLines)
		var ln line
		for sc.Scan() {
			ln = line{no: ln.no + 1, off: ln.off + int64(len(ln.text)), text: sc.Bytes()}
			var err error
			if ln.off+int64(len(ln.text)) == size {
				ln.torn = bytes.IndexByte(ln.text, 0) >= 0 || !ln.ended() && !json.Valid(ln.text)
			}
			if !ln.torn && len(bytes.TrimSpace(ln.text)) > 0 {
				if ln.rec, err = ParseRecord(ln.text); err != nil {
					err = &LineError{Line: ln.no, Err: err}
				}
			}
			if !yield(ln, err) || err != nil {
				return
			}
		}
		err := sc.Err()
		if errors.Is(err, bufio.ErrTooLong) {
			err = &LineError{Line: ln.no + 1, Err: fmt.Errorf("%w: the line is longer than %d bytes", ErrDamaged, maxLine)}
		}
		if err != nil {
			yield(ln, err)
		}
	}
}

// wholeLines is bufio.ScanLines with the lines' ends.
func wholeLines(data []byte, atEOF bool) (advance int, token []byte, err error) {
	if i := bytes.IndexByte(data, '\n'); i >= 0 {
		return i + 1, data[:i+1], nil
	}
	if atEOF && len(data) > 0 {
		return len(data), data, nil
	}
	return 0, nil, nil
}

func (l line) ended() bool { return l.text[len(l.text)-1] == '\n' }

// openFile opens the ledger file, or returns nil where there is none.
func openFile(root folder, flag int) (file, fs.FileInfo, error) {
	fi, err := root.Lstat(FileName)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, fmt.Errorf("ledger: %w", err)
	}
	if !fi.Mode().IsRegular() {
		return nil, nil, fmt.Errorf("ledger: %s in %s is not a regular file", FileName, root.Name())
	}
	f, err := root.OpenFile(FileName, flag, 0)
	if err != nil {
		return nil, nil, fmt.Errorf("ledger: %w", err)
	}
	fi, err = f.Stat()
	if err != nil {
		return nil, nil, fmt.Errorf("ledger: %w", errors.Join(err, f.Close()))
	}
	return f, fi, nil
}

// load reads the ledger file into the index, repairs its end and clears up.
func (l *Ledger) load() error {
	flag := os.O_RDWR | os.O_APPEND
	if l.lock == nil {
		flag = os.O_RDONLY
	}
	f, fi, err := openFile(l.root, flag)
	if err != nil {
		return err
	}
	var torn []byte
	if f != nil {
		l.file = f
		if torn, err = l.read(f, fi.Size()); err != nil {
			return err
		}
	}
	if err := l.mend(torn); err != nil {
		return err
	}
	return l.sweep()
}

// read reads the ledger file, and returns its last line if that is cut off.
func (l *Ledger) read(f file, size int64) (torn []byte, err error) {
	ended := true
	for ln, err := range lines(f, size) {
		if err != nil {
			return nil, err
		}
		if ln.torn {
			torn = bytes.Clone(ln.text)
			break
		}
		l.size, l.lines, ended = ln.off+int64(len(ln.text)), ln.no, ln.ended()
		if ln.rec.Version == 0 {
			continue
		}
		if ln.rec.Previous != "" && ln.rec.Previous != l.last.String() {
			l.repairs.Gaps = append(l.repairs.Gaps, ln.no)
		}
		l.last = lineSum(ln.text)
		l.index(ln.rec, ln.off, len(ln.text), ln.no)
	}
	if !ended && l.lock != nil {
		if _, err := f.Write([]byte{'\n'}); err != nil {
			return nil, fmt.Errorf("ledger: can't end the last line: %w", err)
		}
		if err := f.Sync(); err != nil {
			return nil, fmt.Errorf("ledger: %w", err)
		}
		l.size++
	}
	return torn, nil
}

// index notes a record; the caller has l.mu or the only reference.
func (l *Ledger) index(rec Record, off int64, length, no int) {
	h := l.photos[rec.Photo]
	e := entry{off: off, length: length, line: no, action: rec.Action, created: rec.Created, sizeBefore: rec.SizeBefore, sizeAfter: rec.SizeAfter}
	e.before, _ = parseDigest(rec.Before) // checked with the record
	e.after, _ = parseDigest(rec.After)
	if e.action == ActionRestore && !h.knows(e.before) {
		return // of a photo that is on record under another name
	}
	if h == nil {
		l.order = append(l.order, rec.Photo)
	}
	l.photos[rec.Photo] = append(h, e)
}

// cutBack cuts a file to a size and syncs it.
func cutBack(f file, size int64) error {
	if err := f.Truncate(size); err != nil {
		return err
	}
	return f.Sync()
}

// append writes the records of steps in one go and syncs them. After a failure the
// ledger is as it was, or l is broken.
func (l *Ledger) append(steps ...*pending) error {
	l.writing.Lock()
	defer l.writing.Unlock()
	// Nobody else changes these while writing is held.
	l.mu.Lock()
	out, size, last, broken := l.file, l.size, l.last, l.broken
	l.mu.Unlock()
	if broken != nil {
		return broken
	}
	if out == nil {
		var err error
		if out, err = l.create(); err != nil {
			return err
		}
	}
	// A record in a file that is no longer at its place would be lost.
	have, err := out.Stat()
	if err != nil {
		return fmt.Errorf("ledger: %w", err)
	}
	if there, err := l.root.Lstat(FileName); err != nil || !os.SameFile(have, there) || have.Size() != size {
		return l.fatal(fmt.Errorf("%s in %s was changed, moved or removed during the run", FileName, l.root.Name()))
	}
	var text []byte
	lengths := make([]int, len(steps))
	for i, p := range steps {
		line := chained(p.text, last)
		p.record.Previous = last.String()
		last = lineSum(line)
		lengths[i] = len(line)
		text = append(text, line...)
	}
	if _, err := out.Write(text); err != nil {
		// Such as a full disk: take the part that was written back.
		if terr := cutBack(out, size); terr != nil {
			return l.fatal(errors.Join(err, terr))
		}
		return fmt.Errorf("ledger: can't write the record: %w", err)
	}
	if err := out.Sync(); err != nil {
		// What is on disk after a failed sync can't be known.
		return l.fatal(err)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	for i, p := range steps {
		l.lines++
		l.index(p.record, l.size, lengths[i], l.lines)
		l.size += int64(lengths[i])
	}
	l.last = last
	return nil
}

// fatal makes the ledger one that nothing more is written to.
func (l *Ledger) fatal(err error) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.broken = fmt.Errorf("%w: %w", ErrBroken, err)
	return l.broken
}

// create makes the ledger file.
func (l *Ledger) create() (file, error) {
	out, err := l.root.OpenFile(FileName, os.O_RDWR|os.O_APPEND|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		err = fmt.Errorf("ledger: can't start it: %w", err)
		if _, serr := l.root.Lstat(FileName); serr == nil {
			// It came into being all the same, or by another hand.
			return nil, l.fatal(err)
		}
		return nil, err
	}
	l.mu.Lock()
	l.file = out
	l.mu.Unlock()
	if err := syncDir(l.root, "."); err != nil {
		return nil, l.fatal(err)
	}
	return out, nil
}

// at reads one record again.
func (l *Ledger) at(e entry) (Record, error) {
	text := make([]byte, e.length)
	if _, err := l.file.ReadAt(text, e.off); err != nil {
		return Record{}, fmt.Errorf("ledger: line %d: %w", e.line, err)
	}
	rec, err := ParseRecord(text)
	if err != nil {
		return Record{}, &LineError{Line: e.line, Err: err}
	}
	return rec, nil
}

// Records gives the records in the order they were written, up to the last one
// at the time of the call. It ends with the first error.
func (l *Ledger) Records() iter.Seq2[Record, error] {
	return func(yield func(Record, error) bool) {
		l.mu.Lock()
		if l.closed {
			l.mu.Unlock()
			yield(Record{}, ErrClosed)
			return
		}
		l.running.Add(1)
		file, size := l.file, l.size
		l.mu.Unlock()
		defer l.running.Done()
		if file != nil {
			records(io.NewSectionReader(file, 0, size), size, yield)
		}
	}
}

// Read gives the records of a folder's ledger without opening it: no lock is
// taken and nothing is written, so it works in a read-only folder and beside a
// run that is writing, whose unfinished last line is left out. A folder without
// a ledger has no records. It ends with the first error: a *LineError or one of
// the file system.
func Read(root *os.Root) iter.Seq2[Record, error] {
	return func(yield func(Record, error) bool) {
		f, fi, err := openFile(rootFolder{root}, os.O_RDONLY)
		if err != nil {
			yield(Record{}, err)
			return
		}
		if f == nil {
			return
		}
		records(f, fi.Size(), yield)
		f.Close() // read only: nothing to lose
	}
}

func records(r io.Reader, size int64, yield func(Record, error) bool) {
	for ln, err := range lines(r, size) {
		if err != nil {
			yield(Record{}, err)
		} else if ln.rec.Version != 0 && !yield(ln.rec, nil) {
			return
		}
	}
}

const (
	tempPrefix = ".phototie-"
	tempSuffix = ".tmp"
	tempRandom = 26 // length of crypto/rand.Text
)

// isTemp reports whether a file name is one that this package gives its
// temporary files.
func isTemp(base string) bool {
	s, ok := strings.CutPrefix(base, tempPrefix)
	if !ok {
		return false
	}
	if s, ok = strings.CutSuffix(s, tempSuffix); !ok || len(s) != tempRandom {
		return false
	}
	return strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567") == ""
}

// sweep removes the temporary files of an interrupted run.
func (l *Ledger) sweep() error {
	return l.walk(".", &l.repairs.Unread, func(name string) error {
		if !isTemp(path.Base(name)) {
			return nil
		}
		if l.lock != nil {
			if err := l.root.Remove(name); err != nil {
				return fmt.Errorf("ledger: can't remove a temporary file of an interrupted run: %w", err)
			}
		}
		l.repairs.Temps = append(l.repairs.Temps, name)
		return nil
	})
}

// walk visits the regular files from dir down, and adds folders that may not be read
// to unread. It leaves folders alone that have a ledger of their own, and does not
// follow links.
func (l *Ledger) walk(dir string, unread *[]string, visit func(name string) error) error {
	if dir != "." {
		if _, err := l.root.Lstat(path.Join(dir, FileName)); err == nil {
			return nil
		}
	}
	entries, err := readDir(l.root, dir)
	switch {
	case errors.Is(err, fs.ErrPermission):
		*unread = append(*unread, dir)
		return nil
	case dir != "." && errors.Is(err, fs.ErrNotExist):
		return nil // removed meanwhile
	case err != nil:
		return fmt.Errorf("ledger: can't look what is in the folder: %w", err)
	}
	for _, e := range entries {
		name := path.Join(dir, e.Name())
		switch {
		case e.IsDir():
			err = l.walk(name, unread, visit)
		case e.Type().IsRegular():
			err = visit(name)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func readDir(root folder, dir string) ([]fs.DirEntry, error) {
	d, err := root.OpenFile(dir, os.O_RDONLY, 0)
	if err != nil {
		return nil, err
	}
	entries, err := d.ReadDir(-1)
	return entries, cmp.Or(err, d.Close())
}
