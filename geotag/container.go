package geotag

import (
	"fmt"
	"io"
)

// container is one image format. A further format is one more file with a value
// of this type, and that value's name in containers.
type container struct {
	// name is what Tag.Container and errors call the format.
	name string
	// extensions are the file name extensions of the format, in lower case with
	// the dot.
	extensions []string
	// sniff recognises the format by the first bytes of an image (at least 32
	// where the image has as many).
	sniff func(head []byte) bool
	// read reads the tag; Container is name where it leaves that open. It reads no
	// more of src than the header.
	read func(src *source) (*Tag, error)
	// exif finds the Exif block that read reads, a TIFF structure, for the
	// thumbnail in it. The slice is good until the next window of src; it is nil
	// where there is no block. A container without Exif blocks has no exif.
	exif func(src *source) ([]byte, error)
	// plan appends to p the splices that make the edit, in any order, and notes on
	// them. It adds none where the image says already what the edit asks for. The
	// edit is known to be sound and to suit what read says of the image; whether
	// the image is signed, and whether the result reads back, is not its concern.
	plan func(src *source, e Edit, p *Patch) error
	// bare says that the format is a packet by itself: the position stands in XMP
	// and nowhere else.
	bare bool
	// signed reports whether the image carries a C2PA manifest store; nil where the
	// format has no place for one.
	signed func(src *source) (bool, error)
}

// containers are the formats known, in the order they are tried.
var containers = []*container{&jpegContainer, &pngContainer, &webpContainer, &tiffContainer, &bmffContainer, &sidecarContainer}

// Extensions returns the file name extensions, in lower case with the dot, of
// the image formats that Read and Plan know.
func Extensions() []string {
	var all []string
	for _, c := range containers {
		all = append(all, c.extensions...)
	}
	return all
}

// sniff finds the container of an image.
func sniff(src *source) (*container, error) {
	head, err := src.window(0, int(min(32, src.size)))
	if err != nil {
		return nil, err
	}
	for _, c := range containers {
		if c.sniff(head) {
			return c, nil
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
	if t.Container == "" {
		t.Container = c.name
	}
	return t, nil
}
