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

// Extensions are the file name extensions, in lower case with the dot, of the
// image formats that Read and Plan know.
var extensions = []string{".jpg", ".jpeg", ".jpe", ".jfif"}

// Extensions returns the file name extensions, in lower case with the dot, of
// the image formats that Read and Plan know.
func Extensions() []string { return append([]string(nil), extensions...) }

func open(r io.ReaderAt, size int64) (*container, *source, error) {
	src := newSource(r, size)
	head, err := src.window(0, int(min(32, size)))
	if err != nil {
		return nil, nil, err
	}
	for i := range containers {
		if containers[i].sniff(head) {
			return &containers[i], src, nil
		}
	}
	if size == 0 {
		return nil, nil, fmt.Errorf("%w: the file is empty", ErrFormat)
	}
	return nil, nil, fmt.Errorf("%w: it starts with % x", ErrFormat, head[:min(len(head), 8)])
}

// Read reads the tag of an image of size bytes. It reads the header only: one
// read of 64 KiB for nearly all photos. What the header states but can't be
// believed is in the Tag's Warnings; the error is ErrFormat, ErrTruncated,
// ErrCorrupt or one of r, wrapped.
func Read(r io.ReaderAt, size int64) (*Tag, error) {
	c, src, err := open(r, size)
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
// ErrSigned, ErrEdit or one of r, wrapped.
func Plan(r io.ReaderAt, size int64, e Edit) (*Patch, error) {
	c, src, err := open(r, size)
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
