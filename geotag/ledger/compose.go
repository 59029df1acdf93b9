package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"

	"example.com/phototie/geotag"
)

// composed is what patches, one after the other, make of a source: runs of it, in
// their order, and bytes of their own. So a photo is read once, however often it
// was corrected.
type composed []run

// run is n bytes of the source from off on, or the bytes of text.
type run struct {
	off, n int64
	text   []byte // nil for the source's
}

// compose puts the reverse patches of a way together, one at a time, and proves that
// each fits the bytes that it is for.
func (l *Ledger) compose(way []entry, src *source) (composed, error) {
	c := composed{{n: src.info.Size()}}
	for _, e := range way {
		rec, err := l.at(e)
		if err != nil {
			return nil, err
		}
		if c, err = c.apply(rec.Reverse, src); err != nil {
			return nil, fmt.Errorf("can't be rebuilt from line %d: %w", e.line, err)
		}
	}
	return c, nil
}

// apply is what a patch makes of c.
func (c composed) apply(p *geotag.Patch, src io.ReaderAt) (composed, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	c = slices.Clone(c)
	var out composed
	var pos int64 // in c, as far as it was taken
	for _, s := range p.Splices {
		kept, ok := c.take(s.Off - pos)
		old, ok2 := c.take(int64(len(s.Old)))
		if !ok || !ok2 {
			return nil, fmt.Errorf("%w: it is too short", geotag.ErrPatchMismatch)
		}
		if same, err := old.is(s.Old, src); err != nil {
			return nil, err
		} else if !same {
			return nil, fmt.Errorf("%w: they differ at offset %d", geotag.ErrPatchMismatch, s.Off)
		}
		pos = s.Off + int64(len(s.Old))
		out = out.join(kept...)
		if len(s.New) > 0 {
			out = out.join(run{n: int64(len(s.New)), text: s.New})
		}
	}
	for _, r := range c {
		pos += r.n
	}
	if pos != p.SizeBefore {
		return nil, fmt.Errorf("%w: %d bytes long, not %d", geotag.ErrPatchMismatch, pos, p.SizeBefore)
	}
	return out.join(c...), nil
}

// take cuts n bytes off the start of c; ok is false where there are not as many.
func (c *composed) take(n int64) (runs composed, ok bool) {
	for n > 0 && len(*c) > 0 {
		r := (*c)[0]
		if r.n <= n {
			*c = (*c)[1:]
		} else {
			rest := run{off: r.off + n, n: r.n - n}
			if r.text != nil {
				rest = run{n: r.n - n, text: r.text[n:]}
				r.text = r.text[:n]
			}
			r.n = n
			(*c)[0] = rest
		}
		n -= r.n
		runs = append(runs, r)
	}
	return runs, n <= 0
}

// is reports whether runs are these bytes, as many as they are.
func (c composed) is(want []byte, src io.ReaderAt) (bool, error) {
	for _, r := range c {
		b := r.text
		if b == nil {
			b = make([]byte, r.n)
			if _, err := src.ReadAt(b, r.off); err != nil {
				return false, err
			}
		}
		if !bytes.Equal(b, want[:r.n]) {
			return false, nil
		}
		want = want[r.n:]
	}
	return true, nil
}

// join appends runs, and makes one of two that follow each other.
func (c composed) join(runs ...run) composed {
	for _, r := range runs {
		if i := len(c) - 1; i >= 0 && r.text == nil && c[i].text == nil && c[i].off+c[i].n == r.off {
			c[i].n += r.n
		} else {
			c = append(c, r)
		}
	}
	return c
}

// write copies src to w as it is composed, and reads src to its end.
func (c composed) write(w io.Writer, src io.Reader) error {
	var pos int64
	for _, r := range c {
		if r.text != nil {
			if _, err := w.Write(r.text); err != nil {
				return err
			}
			continue
		}
		_, err := io.CopyN(io.Discard, src, r.off-pos)
		if err == nil {
			_, err = io.CopyN(w, src, r.n)
		}
		if errors.Is(err, io.EOF) {
			return fmt.Errorf("%w: it became shorter", ErrChanged)
		}
		if err != nil {
			return err
		}
		pos = r.off + r.n
	}
	_, err := io.Copy(io.Discard, src)
	return err
}
