package geotag

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"example.com/phototie/geotag/internal/ifd"
)

// ErrNoThumbnail: the image carries no small picture of itself.
var ErrNoThumbnail = errors.New("the image has no thumbnail")

// Of the second directory, which describes the thumbnail, Exif (CIPA DC-008) table 5.
const (
	tagCompression  = 0x0103
	compressionJPEG = 6
)

// Thumbnail returns the thumbnail that an image of size bytes carries in its
// Exif block: a JPEG image, as it is stored, most often 160 by 120 pixels. It
// reads no more than the header. The thumbnail lies as the image's own pixels
// do, so that Tag.Orientation holds for it too; it may have black bars where the
// image's proportions are not 4 to 3. Nothing says that it shows what the image
// does: programs that change the image may have left it as it was.
//
// The error is ErrNoThumbnail where there is none or none in JPEG, and otherwise
// ErrFormat, ErrTruncated, ErrCorrupt or one of r, wrapped.
func Thumbnail(r io.ReaderAt, size int64) ([]byte, error) {
	src := newSource(r, size)
	defer src.release()
	c, err := sniff(src)
	if err != nil {
		return nil, err
	}
	if c.find == nil {
		return nil, fmt.Errorf("%w that is looked for in %s", ErrNoThumbnail, c.name)
	}
	block, err := c.exif(src)
	if err == nil && block == nil {
		return nil, ErrNoThumbnail
	}
	var t []byte
	if err == nil {
		t, err = exifThumbnail(block)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.name, err)
	}
	return bytes.Clone(t), nil
}

// exifThumbnail finds the thumbnail in a TIFF structure; the slice is part of it.
func exifThumbnail(block []byte) ([]byte, error) {
	b, d, err := thumbnailDir(block)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrCorrupt, err)
	}
	var start, length *ifd.Entry
	if d != nil {
		start, length = d.Find(tagThumbOffset), d.Find(tagThumbLength)
	}
	if start == nil || length == nil {
		return nil, ErrNoThumbnail // an uncompressed one, or none
	}
	if e := d.Find(tagCompression); e != nil {
		if v, ok := b.Uint(e, 0); ok && v != compressionJPEG {
			return nil, fmt.Errorf("%w in JPEG, but one of compression %d", ErrNoThumbnail, v)
		}
	}
	off, ok1 := b.Uint(start, 0)
	n, ok2 := b.Uint(length, 0)
	end := uint64(off) + uint64(n)
	switch {
	case !ok1 || !ok2 || end > uint64(len(block)):
		return nil, fmt.Errorf("%w: the thumbnail's place lies outside the Exif block", ErrCorrupt)
	case n == 0:
		return nil, ErrNoThumbnail
	case !jpegContainer.sniff(block[off:end]):
		return nil, fmt.Errorf("%w: the thumbnail is no JPEG image", ErrCorrupt)
	}
	return block[off:end], nil
}

// thumbnailDir reads the second directory, nil where there is none.
func thumbnailDir(block []byte) (*ifd.Block, *ifd.Dir, error) {
	b, err := ifd.Parse(block)
	if err != nil {
		return nil, nil, err
	}
	// An error of the chain after the second directory is none of the thumbnail's.
	at, err := b.Chain()
	if len(at) < 2 {
		return b, nil, err
	}
	d, err := b.Dir(at[1])
	return b, d, err
}
