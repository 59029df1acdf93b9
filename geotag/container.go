package geotag

import (
	"fmt"
	"io"
)

// container is one image format. A further format is one more file with a value
// of this type, and one more line in containers.
type container struct {
	name string
	// sniff recognises the format by the first bytes of an image (at least 32
	// where the image has as many).
	sniff func(head []byte) bool
	// read reads the tag; it reads no more of src than the header.
	read func(src *source) (*Tag, error)
	// plan works out the change that makes the edit.
	plan func(src *source, e Edit) (*Patch, error)
}

// containers are the formats known, in the order they are tried.
var containers = []container{jpegContainer}

// Extensions returns the file name extensions, in lower case with the dot, of
// the image formats that Read and Plan know.
func Extensions() []string { return []string{".jpg", ".jpeg", ".jpe", ".jfif"} }

// sniff finds the container of an image.
func sniff(src *source) (*container, error) {
	head, err := src.window(0, int(min(32, src.size)))
	if err != nil {
		return nil, err
	}
	for i := range containers {
		if containers[i].sniff(head) {
			return &containers[i], nil
		}
	}
	if src.size == 0 {
		return nil, fmt.Errorf("%w: the file is empty", ErrFormat)
	}
	return nil, fmt.Errorf("%w: it starts with % x", ErrFormat, head[:min(len(head), 8)])
}

// Read reads the tag of an image of size bytes. It reads the header only: one
// read of 64 KiB for nearly all photos. What the header states but can't be
// believed is in the Tag's Warnings; the error is ErrFormat, ErrTruncated,
// ErrCorrupt or one of r, wrapped.
//
// A file that is cut off or damaged only behind the metadata gives the Tag, with
// WarnTruncated: what it says is as good as it was.
func Read(r io.ReaderAt, size int64) (*Tag, error) {
	src := newSource(r, size)
	defer src.release()
	return read(src)
}

// ReadBytes is Read of an image in memory. The Tag shares no memory with img,
// of which the header is enough, though the Tag then has WarnTruncated.
func ReadBytes(img []byte) (*Tag, error) { return read(newBytesSource(img)) }

func read(src *source) (*Tag, error) {
	c, err := sniff(src)
	if err != nil {
		return nil, err
	}
	t, err := c.read(src)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.name, err)
	}
	t.Container = c.name
	return t, nil
}

// Plan works out the smallest change of an image of size bytes that makes the
// edit, and changes nothing itself. The Patch is empty where the image already
// says what the edit asks for. All bytes outside the Patch's splices stay as
// they are. The error is ErrFormat, ErrTruncated, ErrCorrupt, ErrNoRoom,
// ErrSigned, ErrUnsafe, ErrEdit or one of r, wrapped.
func Plan(r io.ReaderAt, size int64, e Edit) (*Patch, error) {
	src := newSource(r, size)
	defer src.release()
	c, err := sniff(src)
	if err != nil {
		return nil, err
	}
	if err := e.check(); err != nil {
		return nil, err
	}
	p, err := c.plan(src, e)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.name, err)
	}
	return p, nil
}
