package geotag

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
)

// chunk is how much of the start of an image a source reads at once. It holds
// the whole header of nearly all photos.
const chunk = 64 << 10

// head is how much of it is read at first of a file of the system, which reads ahead by
// itself, and then no more than hop beyond what is wanted: many photos need the
// head only. Elsewhere a second read may be a second request to a server.
const head = 8 << 10

// hop is how much a source reads at least beyond the first chunk, and glance how much
// where no more may be wanted there.
const (
	hop    = 4 << 10
	glance = 64
)

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
func (s *source) window(off int64, n int) ([]byte, error) { return s.at(off, n, hop) }

// glance is window for a few bytes, of which no more may be wanted where they are far from
// those before.
func (s *source) glance(off int64, n int) ([]byte, error) {
	if off-s.off-int64(len(s.buf)) < hop {
		return s.at(off, n, hop)
	}
	return s.at(off, n, glance)
}

// lasting is window whose slice is good until release.
func (s *source) lasting(off int64, n int) ([]byte, error) {
	b, err := s.window(off, n)
	if off+int64(n) > int64(len(s.first)) {
		b = bytes.Clone(b)
	}
	return b, err
}

// at is window that reads at least so much beyond the first chunk.
func (s *source) at(off int64, n, least int) ([]byte, error) {
	if off < 0 || n < 0 || off > s.size || int64(n) > s.size-off {
		return nil, fmt.Errorf("%w: %d bytes wanted at offset %d of %d", ErrTruncated, n, off, s.size)
	}
	end := off + int64(n)
	if s.r != nil && int64(len(s.first)) < min(end, chunk) && (s.first == nil || off < chunk) {
		if err := s.start(end); err != nil {
			return nil, err
		}
	}
	if end <= int64(len(s.first)) {
		return s.first[off:end:end], nil
	}
	if off >= s.off && off+int64(n) <= s.off+int64(len(s.buf)) {
		return s.buf[off-s.off:][:n:n], nil
	}
	want := int(min(int64(max(n, least)), s.size-off))
	if cap(s.buf) < want {
		s.buf = make([]byte, max(want, hop))
	}
	got, err := s.read(s.buf[:want], off, n)
	s.buf, s.off = s.buf[:got], off
	if err != nil {
		return nil, err
	}
	return s.buf[:n:n], nil
}

// start reads the first chunk, or what it is to have up to end at least. Windows of what
// was read before stay good.
func (s *source) start(end int64) error {
	if s.first == nil {
		s.first = chunks.Get().(*[chunk]byte)[:0]
	}
	want := min(chunk, s.size)
	if _, local := s.r.(*os.File); local {
		want = min(max(head, end+hop), want)
	}
	had := len(s.first)
	got, err := s.read(s.first[had:want], int64(had), int(min(end, want))-had)
	s.first = s.first[:had+got]
	return err
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
