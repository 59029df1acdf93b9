package geotag

import (
	"errors"
	"fmt"
	"io"
)

// chunk is how much a source reads at once. It holds the whole header of nearly
// all photos.
const chunk = 64 << 10

// source hands out windows of an image and keeps the chunk it read last, so
// that walking a header costs one read.
type source struct {
	r    io.ReaderAt
	size int64
	buf  []byte
	off  int64 // where buf starts
}

func newSource(r io.ReaderAt, size int64) *source { return &source{r: r, size: size} }

// window returns n bytes at off. The slice is good until the next call. Bytes
// past the end of the image give ErrTruncated.
func (s *source) window(off int64, n int) ([]byte, error) {
	if off < 0 || n < 0 || off > s.size || int64(n) > s.size-off {
		return nil, fmt.Errorf("%w: %d bytes wanted at offset %d of %d", ErrTruncated, n, off, s.size)
	}
	if off >= s.off && off+int64(n) <= s.off+int64(len(s.buf)) {
		return s.buf[off-s.off:][:n:n], nil
	}
	want := min(int64(max(n, chunk)), s.size-off)
	if int64(cap(s.buf)) < want {
		s.buf = make([]byte, want)
	}
	s.buf = s.buf[:want]
	s.off = off
	got, err := s.r.ReadAt(s.buf, off)
	if got < n {
		s.buf = s.buf[:0]
		if err == nil || errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("%w: it ends at byte %d, not at %d", ErrTruncated, off+int64(got), s.size)
		}
		return nil, err
	}
	s.buf = s.buf[:got]
	return s.buf[:n:n], nil
}
