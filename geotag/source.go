package geotag

import (
	"errors"
	"fmt"
	"io"
	"sync"
)

// chunk is how much of the start of an image a source reads at once. It holds
// the whole header of nearly all photos.
const chunk = 64 << 10

// hop is how much a source reads at least beyond the first chunk.
const hop = 4 << 10

// source hands out windows of an image. It keeps the first chunk, so that
// walking a header costs one read, and a second buffer for what lies beyond.
type source struct {
	r     io.ReaderAt
	size  int64
	first []byte // from offset 0; nil before the first read
	buf   []byte // from offset off
	off   int64
}

func newSource(r io.ReaderAt, size int64) *source { return &source{r: r, size: size} }

// newBytesSource is a source over an image in memory, without copying it.
func newBytesSource(img []byte) *source { return &source{size: int64(len(img)), first: img} }

// chunks are first chunks for reading the next image.
var chunks = sync.Pool{New: func() any { return new([chunk]byte) }}

// release gives the first chunk back. No window may be in use any more.
func (s *source) release() {
	if s.r != nil && cap(s.first) == chunk {
		chunks.Put((*[chunk]byte)(s.first[:chunk]))
	}
	s.first, s.buf = nil, nil
}

// window returns n bytes at off. The slice is good until the next call, or
// until release. Bytes past the end of the image give ErrTruncated.
func (s *source) window(off int64, n int) ([]byte, error) {
	if off < 0 || n < 0 || off > s.size || int64(n) > s.size-off {
		return nil, fmt.Errorf("%w: %d bytes wanted at offset %d of %d", ErrTruncated, n, off, s.size)
	}
	if s.first == nil && s.size > 0 && s.r != nil {
		b := chunks.Get().(*[chunk]byte)
		got, err := s.read(b[:min(chunk, s.size)], 0, min(n, chunk))
		if err != nil {
			chunks.Put(b)
			return nil, err
		}
		s.first = b[:got]
	}
	if end := off + int64(n); end <= int64(len(s.first)) {
		return s.first[off:end:end], nil
	}
	if off >= s.off && off+int64(n) <= s.off+int64(len(s.buf)) {
		return s.buf[off-s.off:][:n:n], nil
	}
	want := int(min(int64(max(n, hop)), s.size-off))
	if cap(s.buf) < want {
		s.buf = make([]byte, want)
	}
	got, err := s.read(s.buf[:want], off, n)
	s.buf, s.off = s.buf[:got], off
	if err != nil {
		return nil, err
	}
	return s.buf[:n:n], nil
}

// read fills b from off and wants n bytes at least.
func (s *source) read(b []byte, off int64, n int) (int, error) {
	got, err := s.r.ReadAt(b, off)
	if got >= n {
		return got, nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		return 0, fmt.Errorf("%w: it ends at byte %d, not at %d", ErrTruncated, off+int64(got), s.size)
	}
	return 0, err
}

// ReadAt makes a source an io.ReaderAt.
func (s *source) ReadAt(b []byte, off int64) (int, error) {
	w, err := s.window(off, int(max(0, min(int64(len(b)), s.size-off))))
	if n := copy(b, w); err != nil || n == len(b) {
		return n, err
	}
	return len(w), io.EOF
}
