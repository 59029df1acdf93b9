package ledger

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"sync"
	"syscall"

	"example.com/phototie/geotag"
)

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

func temporaryName(photo string) string {
	return path.Join(path.Dir(photo), tempPrefix+rand.Text()+tempSuffix)
}

// temporary makes an empty temporary file in the folder of a photo.
func (l *Ledger) temporary(photo string) (*staged, error) {
	name := temporaryName(photo)
	f, err := l.root.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		if errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EROFS) {
			return nil, fmt.Errorf("%w: %w", ErrFolder, err)
		}
		return nil, fmt.Errorf("can't write in its folder: %w", err)
	}
	l.mark("created", photo)
	return &staged{l: l, file: f, path: name, photo: photo}, nil
}

// stage makes the temporary file of a step and syncs it.
func (l *Ledger) stage(ctx context.Context, p *pending, inPlace bool) error {
	if p.src != nil && !p.empty() {
		if err := changed(p.Patch.Fits(p.src, p.src.info.Size())); err != nil {
			return err
		}
	}
	t, err := l.temporary(p.Photo)
	if err != nil {
		return err
	}
	p.staged = t
	switch {
	case p.src == nil:
		err = t.pour(ctx, strings.NewReader(""), p.apply)
	case l.share(t, p):
		err = t.splice(ctx, p)
	case p.empty():
		err = t.pour(ctx, p.src.file, nil)
	default:
		err = t.pour(ctx, p.src.file, p.apply)
	}
	if err != nil {
		return err
	}
	if err := p.expect(t.before.sum); err != nil {
		return err
	}
	// After all reading, which may change the time of access.
	if p.src == nil {
		err = t.file.Chmod(0o644)
	} else {
		p.notes, err = t.attributes(p.src, inPlace)
	}
	if err != nil {
		return err
	}
	return t.sync()
}

// changed says of a patch's mismatch what it means for a photo.
func changed(err error) error {
	if errors.Is(err, geotag.ErrPatchMismatch) {
		return fmt.Errorf("%w since it was read: %w", ErrChanged, err)
	}
	return err
}

// chunkSize is how much is read, hashed and written at a time, in bytes: it fits
// the cache of a processor.
const chunkSize = 256 << 10

var chunks = sync.Pool{New: func() any { return new([chunkSize]byte) }}

// pageSize is the length of the pages that files and memory are kept in. To write other
// than whole ones costs a file system more: 3 % of all of a correction on ext4.
const pageSize = 4096

// pour reads the source once, through transform where that is not nil, into the
// temporary file and takes both digests on the way. As they need every byte here, a
// copy made by the system (copy_file_range) would spare nothing: measured on ext4,
// it takes longer than to write what is read anyway.
func (t *staged) pour(ctx context.Context, src io.Reader, transform func(io.Writer, io.Reader) error) error {
	src = ctxReader{ctx, src}
	out := newSink(t.file)
	var before *meter
	var err error
	if transform == nil {
		_, err = out.ReadFrom(src)
	} else {
		before = newMeter()
		err = transform(out, io.TeeReader(src, before))
	}
	if eerr := out.end(); err == nil {
		err = eerr
	}
	if err != nil {
		return err
	}
	t.after = content{out.sum(), out.meter.n}
	t.before = t.after
	if before != nil {
		t.before = content{before.sum(), before.n}
	}
	return nil
}

// sink writes to a file, and takes the digest of what it writes. A patch moves what
// comes after it by some bytes. So that the system need not copy to odd places, neither
// in reading nor in writing, every read goes to the begin of a page of memory, and every
// write to that of a page of the file: what is over is held back for the next one. end
// must be called, and only then is all written, and are the digest and the length there.
type sink struct {
	*meter
	file file
	err  error // of the first write that failed; nothing is written after it
	buf  *piece
}

// piece is what is written in one go: n bytes in buf from pageSize on, and before
// them those held back from the piece before.
type piece struct {
	buf     [pageSize + chunkSize]byte
	n, held int
}

var pieces = sync.Pool{New: func() any { return new(piece) }}

func newSink(f file) *sink {
	k := &sink{meter: newMeter(), file: f, buf: pieces.Get().(*piece)}
	k.buf.n, k.buf.held = 0, 0
	return k
}

// end writes what is left.
func (k *sink) end() error {
	err := k.flush(true)
	pieces.Put(k.buf)
	return err
}

// flush writes what is there, whole pages of it but at the end.
func (k *sink) flush(end bool) error {
	if k.err != nil {
		return k.err
	}
	p := k.buf
	all := p.buf[pageSize-p.held : pageSize+p.n]
	now := len(all)
	if !end {
		now -= now % pageSize
	}
	if now > 0 {
		if _, k.err = k.file.Write(all[:now]); k.err != nil {
			return k.err
		}
	}
	k.meter.Write(p.buf[pageSize:][:p.n])
	p.n, p.held = 0, len(all)-now
	copy(p.buf[pageSize-p.held:], all[now:])
	return nil
}

// put notes that n bytes were put into the piece.
func (k *sink) put(n int) error {
	if k.buf.n += n; k.buf.n == chunkSize {
		return k.flush(false)
	}
	return nil
}

func (k *sink) Write(b []byte) (n int, err error) {
	for n < len(b) {
		m := copy(k.buf.buf[pageSize+k.buf.n:], b[n:])
		n += m
		if err := k.put(m); err != nil {
			return n, err
		}
	}
	return n, nil
}

// ReadFrom is what io.Copy calls.
func (k *sink) ReadFrom(r io.Reader) (n int64, err error) {
	if k.buf.n > 0 {
		if err := k.flush(false); err != nil {
			return 0, err
		}
	}
	for {
		m, err := r.Read(k.buf.buf[pageSize+k.buf.n:])
		n += int64(m)
		if perr := k.put(m); perr != nil {
			return n, perr
		}
		if errors.Is(err, io.EOF) {
			return n, nil
		}
		if err != nil {
			return n, err
		}
	}
}

// share has the file system make the temporary file of a source by sharing its
// blocks, where it can and where the change moves no byte that is kept.
func (l *Ledger) share(t *staged, p *pending) bool {
	return (p.empty() || staysPut(p.Patch)) && l.clone(t.file, p.src.file) == nil
}

// splice writes the patch into a temporary file that has all of the source, and
// proves the result against the source.
func (t *staged) splice(ctx context.Context, p *pending) error {
	patch := p.Patch
	if p.empty() {
		patch = &geotag.Patch{SizeBefore: p.src.info.Size()}
	}
	var shift int64
	for _, s := range patch.Splices {
		if _, err := t.file.WriteAt(s.New, s.Off+shift); err != nil {
			return err
		}
		shift += int64(len(s.New)) - int64(len(s.Old))
	}
	if shift < 0 {
		if err := t.file.Truncate(patch.SizeAfter()); err != nil {
			return err
		}
	}
	return t.prove(ctx, p.src, patch)
}

// staysPut reports whether every byte that the patch keeps stays at its offset.
func staysPut(p *geotag.Patch) bool {
	return !slices.ContainsFunc(p.Splices, func(s geotag.Splice) bool {
		return len(s.Old) != len(s.New) && s.Off+int64(len(s.Old)) < p.SizeBefore
	})
}

// prove reads source and temporary file in step and takes both digests: what the
// patch keeps must be the same in both, and what it replaces must be what it
// says. So the copy is right whoever made it, and the source was not written to
// meanwhile.
func (t *staged) prove(ctx context.Context, src *source, p *geotag.Patch) error {
	v := prover{ctx: ctx, src: src, dst: t.file, same: len(p.Splices) == 0, before: newMeter(), after: newMeter(),
		one: chunks.Get().(*[chunkSize]byte), two: chunks.Get().(*[chunkSize]byte)}
	defer chunks.Put(v.one)
	defer chunks.Put(v.two)
	for _, s := range p.Splices {
		if err := v.kept(s.Off - v.before.n); err != nil {
			return err
		}
		if err := v.run(src, v.before, s.Old); err != nil {
			return err
		}
		if err := v.run(t.file, v.after, s.New); err != nil {
			return err
		}
	}
	if err := v.kept(p.SizeBefore - v.before.n); err != nil {
		return err
	}
	info, err := t.file.Stat()
	if err != nil {
		return err
	}
	if info.Size() != v.after.n {
		return fmt.Errorf("%w while it was copied, or the copy went wrong: it has %d bytes, not %d", ErrChanged, info.Size(), v.after.n)
	}
	t.after = content{v.after.sum(), v.after.n}
	t.before = content{v.before.sum(), v.before.n}
	if v.same {
		t.before = t.after
	}
	return nil
}

// prover compares a source with its copy, as far as both meters have come.
type prover struct {
	ctx           context.Context
	src, dst      io.ReaderAt
	same          bool // no byte is to differ, so that one digest is enough
	before, after *meter
	one, two      *[chunkSize]byte
}

func (v *prover) differ(off int64) error {
	return fmt.Errorf("%w while it was copied, or the copy went wrong: they differ at offset %d", ErrChanged, off)
}

// kept reads n bytes that must be the same in both.
func (v *prover) kept(n int64) error {
	for n > 0 {
		if v.ctx.Err() != nil {
			return context.Cause(v.ctx)
		}
		k := min(n, chunkSize)
		a, b := v.one[:k], v.two[:k]
		if err := readAt(v.src, a, v.before.n); err != nil {
			return err
		}
		if err := readAt(v.dst, b, v.after.n); err != nil {
			return err
		}
		if !bytes.Equal(a, b) {
			return v.differ(v.before.n)
		}
		if v.same {
			v.after.Write(b)
			v.before.n = v.after.n
		} else {
			var wg sync.WaitGroup
			wg.Go(func() { v.after.Write(b) })
			v.before.Write(a)
			wg.Wait()
		}
		n -= k
	}
	return nil
}

// run reads a run that must be want.
func (v *prover) run(r io.ReaderAt, m *meter, want []byte) error {
	for len(want) > 0 {
		b := v.one[:min(len(want), chunkSize)]
		if err := readAt(r, b, m.n); err != nil {
			return err
		}
		if !bytes.Equal(b, want[:len(b)]) {
			return v.differ(m.n)
		}
		m.Write(b)
		want = want[len(b):]
	}
	return nil
}

// readAt fills b. An end that comes too early is a change.
func readAt(r io.ReaderAt, b []byte, off int64) error {
	n, err := r.ReadAt(b, off)
	if n == len(b) {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		return fmt.Errorf("%w: it became shorter while it was copied", ErrChanged)
	}
	return err
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
// extended attributes and times.
func (t *staged) attributes(src *source, inPlace bool) (notes []string, err error) {
	notes, err = carryOver(t.file, src.file, src.info, inPlace)
	if err != nil {
		return nil, err
	}
	if mode := src.info.Mode().Perm(); inPlace && mode&0o222 == 0 {
		notes = append(notes, fmt.Sprintf("it was write-protected (mode %04o), and was replaced; its new file is write-protected too", mode))
	}
	if err := t.l.root.Chtimes(t.path, accessTime(src.info), src.info.ModTime()); err != nil {
		if inPlace {
			return nil, fmt.Errorf("can't keep its times: %w", err)
		}
		notes = append(notes, fmt.Sprintf("its times could not be kept: %v", err))
	}
	return notes, nil
}

// carryMode gives dst those bits of the mode that info has. Where the system denies
// that, it is a note, and in place an error.
func carryMode(dst file, info fs.FileInfo, inPlace bool, bits fs.FileMode) (notes []string, err error) {
	fresh, err := dst.Stat()
	if mode := info.Mode() & bits; err == nil && fresh.Mode()&bits != mode {
		if err = dst.Chmod(mode); err != nil && !inPlace {
			return []string{fmt.Sprintf("its mode could not be kept: %v", err)}, nil
		}
	}
	if err != nil {
		return nil, fmt.Errorf("can't keep its mode: %w", err)
	}
	return nil, nil
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
