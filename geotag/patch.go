package geotag

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"sort"
)

// A Splice replaces one run of bytes by another.
type Splice struct {
	// Off is where the run starts in the source.
	Off int64 `json:"off"`
	// Old is what stands there and is to go. It may be empty (an insertion).
	Old []byte `json:"old"`
	// New is what comes in its place. It may be empty (a deletion).
	New []byte `json:"new"`
}

// Patch is a change of a file as a list of splices, with everything needed to
// take it back: all bytes outside the splices are carried over as they are.
// The zero Patch changes nothing.
type Patch struct {
	// SizeBefore is the length of the source in bytes.
	SizeBefore int64 `json:"size_before"`
	// Splices are in order of Off and don't overlap.
	Splices []Splice `json:"splices"`
	// Notes say in words what a user should know about the change and can't see
	// from the tag: a trailer that moves, a provenance record that is broken.
	Notes []string `json:"notes,omitempty"`
}

// ErrPatchMismatch is returned where a source is not the one a Patch was made for.
var ErrPatchMismatch = errors.New("the bytes are not the ones this patch was made for")

// Empty reports whether the patch changes nothing.
func (p *Patch) Empty() bool { return len(p.Splices) == 0 }

// SizeAfter is the length in bytes of what Apply writes.
func (p *Patch) SizeAfter() int64 {
	n := p.SizeBefore
	for _, s := range p.Splices {
		n += int64(len(s.New)) - int64(len(s.Old))
	}
	return n
}

// Check reports whether the splices are in order, apart and inside the source.
func (p *Patch) Check() error {
	var end int64
	for i, s := range p.Splices {
		if s.Off < end || s.Off > p.SizeBefore || int64(len(s.Old)) > p.SizeBefore-s.Off {
			return fmt.Errorf("patch: splice %d at offset %d does not fit", i, s.Off)
		}
		end = s.Off + int64(len(s.Old))
	}
	return nil
}

// Reverse returns the patch that takes p's result back to p's source. It has
// no notes.
func (p *Patch) Reverse() *Patch {
	r := &Patch{SizeBefore: p.SizeAfter()}
	var shift int64
	for _, s := range p.Splices {
		r.Splices = append(r.Splices, Splice{Off: s.Off + shift, Old: slices.Clone(s.New), New: slices.Clone(s.Old)})
		shift += int64(len(s.New)) - int64(len(s.Old))
	}
	return r
}

// Apply copies src to dst with the splices made. It returns ErrPatchMismatch,
// perhaps after part of the output is written, where src is not what the patch
// was made for; dst must then be thrown away.
func (p *Patch) Apply(dst io.Writer, src io.Reader) error {
	if err := p.Check(); err != nil {
		return err
	}
	var pos int64
	for _, s := range p.Splices {
		if _, err := io.CopyN(dst, src, s.Off-pos); err != nil {
			return short(err)
		}
		old := make([]byte, len(s.Old))
		if _, err := io.ReadFull(src, old); err != nil {
			return short(err)
		}
		if !bytes.Equal(old, s.Old) {
			return fmt.Errorf("%w: they differ at offset %d", ErrPatchMismatch, s.Off)
		}
		if _, err := dst.Write(s.New); err != nil {
			return err
		}
		pos = s.Off + int64(len(s.Old))
	}
	n, err := io.Copy(dst, src)
	if err != nil {
		return err
	}
	if pos+n != p.SizeBefore {
		return fmt.Errorf("%w: %d bytes long, not %d", ErrPatchMismatch, pos+n, p.SizeBefore)
	}
	return nil
}

// ApplyBytes is Apply in memory; src is left alone.
func (p *Patch) ApplyBytes(src []byte) ([]byte, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	// Before a length that a damaged patch may claim is made room for.
	if int64(len(src)) != p.SizeBefore {
		return nil, fmt.Errorf("%w: %d bytes long, not %d", ErrPatchMismatch, len(src), p.SizeBefore)
	}
	var b bytes.Buffer
	b.Grow(int(max(p.SizeAfter(), 0)))
	if err := p.Apply(&b, bytes.NewReader(src)); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// applied is what splices make of src.
func applied(src []byte, splices []Splice) ([]byte, error) {
	p := Patch{SizeBefore: int64(len(src)), Splices: splices}
	return p.ApplyBytes(src)
}

// shift is by how much p moves the byte that stands at off in the source.
func (p *Patch) shift(off int64) int64 {
	var n int64
	for _, s := range p.Splices {
		if s.Off+int64(len(s.Old)) > off {
			break
		}
		n += int64(len(s.New)) - int64(len(s.Old))
	}
	return n
}

// Through reads what Apply would write of the source r, without making it. That
// r is what the patch was made for is not looked at: p.Fits tells.
func (p *Patch) Through(r io.ReaderAt) io.ReaderAt {
	v := new(patched)
	add := func(r io.ReaderAt, off, n int64, kept bool) {
		if n > 0 {
			v.runs = append(v.runs, run{v.size, kept, io.NewSectionReader(r, off, n)})
			v.size += n
		}
	}
	var pos int64
	for _, s := range p.Splices {
		add(r, pos, s.Off-pos, true)
		add(bytes.NewReader(s.New), 0, int64(len(s.New)), false)
		pos = s.Off + int64(len(s.Old))
	}
	add(r, pos, p.SizeBefore-pos, true)
	return v
}

// Fits reports ErrPatchMismatch where a source of size bytes has another length
// or has not the bytes that the patch replaces, or an error of r.
func (p *Patch) Fits(r io.ReaderAt, size int64) error {
	if err := p.Check(); err != nil {
		return err
	}
	if size != p.SizeBefore {
		return fmt.Errorf("%w: %d bytes long, not %d", ErrPatchMismatch, size, p.SizeBefore)
	}
	for _, s := range p.Splices {
		old := make([]byte, len(s.Old))
		if _, err := r.ReadAt(old, s.Off); err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if !bytes.Equal(old, s.Old) {
			return fmt.Errorf("%w: they differ at offset %d", ErrPatchMismatch, s.Off)
		}
	}
	return nil
}

// patched is an image as a patch will make it: runs of the source and of new bytes.
type patched struct {
	runs []run
	size int64
}

// run is a run of bytes that starts at offset at; kept says that they are the source's.
type run struct {
	at   int64
	kept bool
	*io.SectionReader
}

// ReadAt reads what Apply would write at off.
func (v *patched) ReadAt(b []byte, off int64) (n int, err error) {
	for n < len(b) {
		at := off + int64(n)
		if at >= v.size {
			return n, io.EOF
		}
		i := sort.Search(len(v.runs), func(i int) bool { return v.runs[i].at > at }) - 1
		m, err := v.runs[i].ReadAt(b[n:], at-v.runs[i].at)
		if n += m; m == 0 {
			if err == nil || errors.Is(err, io.EOF) {
				err = io.ErrUnexpectedEOF // the source is shorter than the patch says
			}
			return n, err
		}
	}
	return n, nil
}

// short turns a source that ended early into the mismatch it is.
func short(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return fmt.Errorf("%w: it is too short", ErrPatchMismatch)
	}
	return err
}

// Then returns the patch of p's source that does what p and then q, a patch of p's
// result, do, with the notes of both. src is p's source, of which only what goes is
// read; the error is its own, or that a patch does not fit.
func (p *Patch) Then(src io.ReaderAt, q *Patch) (*Patch, error) {
	if err := errors.Join(p.Check(), q.Check()); err != nil {
		return nil, err
	}
	if q.SizeBefore != p.SizeAfter() {
		return nil, fmt.Errorf("%w: it is for %d bytes, and there are %d", ErrPatchMismatch, q.SizeBefore, p.SizeAfter())
	}
	// What q keeps is made of runs of the source and of what p puts there.
	out := &Patch{SizeBefore: p.SizeBefore, Notes: slices.Concat(p.Notes, q.Notes)}
	var lit []byte // new, and not yet placed
	var err error
	done := int64(0) // of the source
	flush := func(to int64) {
		if old := make([]byte, to-done); len(old)+len(lit) > 0 {
			if _, rerr := io.ReadFull(io.NewSectionReader(src, done, to-done), old); rerr != nil && err == nil {
				err = short(rerr)
			}
			out.Splices = append(out.Splices, Splice{Off: done, Old: old, New: lit})
		}
		lit = nil
	}
	keep := func(from, to int64) {
		for _, r := range p.Through(src).(*patched).runs {
			lo, hi := max(from, r.at), min(to, r.at+r.Size())
			switch _, off, _ := r.Outer(); {
			case lo >= hi:
			case r.kept:
				flush(off + lo - r.at)
				done = off + hi - r.at
			default:
				text := make([]byte, hi-lo)
				_, rerr := r.ReadAt(text, lo-r.at)
				lit, err = append(lit, text...), cmp.Or(err, rerr)
			}
		}
	}
	pos := int64(0)
	for _, s := range q.Splices {
		keep(pos, s.Off)
		lit = append(lit, s.New...)
		pos = s.Off + int64(len(s.Old))
	}
	keep(pos, q.SizeBefore)
	flush(p.SizeBefore)
	return out, err
}
