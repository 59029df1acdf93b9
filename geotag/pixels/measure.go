package pixels

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"

	"example.com/phototie/geotag"
)

// DefaultMaxPixels is the limit of the zero Limits: 134 million
// pixels, above what the cameras of handhelds have today.
const DefaultMaxPixels = 1 << 27

// Limits bound what measuring one image may cost.
type Limits struct {
	// MaxPixels is the number of pixels up to which an image is decoded; 0 is
	// DefaultMaxPixels. Most photos take 1.5 to 3 bytes of memory a pixel; the
	// package documentation has those that take more.
	MaxPixels int64
}

// Sum is a SHA-256 digest. As text it is 64 hexadecimal digits.
type Sum [sha256.Size]byte

// String returns the digits.
func (s Sum) String() string { return hex.EncodeToString(s[:]) }

// MarshalText writes the digits.
func (s Sum) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (s *Sum) UnmarshalText(text []byte) error {
	if hex.DecodedLen(len(text)) != len(s) {
		return fmt.Errorf("a SHA-256 digest has %d digits, not %d", 2*len(s), len(text))
	}
	_, err := hex.Decode(s[:], text)
	return err
}

// Measures is what an image's coding and its pixels say. Where there is nothing
// to tell a figure by it is nil; nothing is guessed.
type Measures struct {
	// Width and Height are the pixels of the image as it is stored.
	Width  int `json:"width"`
	Height int `json:"height"`
	// Orientation is the Exif orientation, 1 to 8; 0 where none is stated or the
	// metadata can't be read.
	Orientation int `json:"orientation,omitempty"`
	// SHA256 is the digest of the whole file.
	SHA256 Sum `json:"sha256"`
	// Quality is that of the JPEG coding; nil where the header has no table for
	// the first component, and for other codings.
	Quality *Quality `json:"quality,omitempty"`

	// Undecoded says why there are no pixels to be measured: the image is cut off
	// or damaged, of a kind that the decoder of its format can't decode, or larger
	// than the limits. It is empty where the pixels were measured; else all that
	// follow here are nil.
	Undecoded string `json:"undecoded,omitempty"`
	// Unsupported says that this is no fault of the image: it is of a kind that
	// the decoder of its format does not know, or larger than the limits.
	Unsupported bool `json:"unsupported,omitempty"`
	// Exposure tells how bright the pixels are.
	Exposure *Exposure `json:"exposure,omitempty"`
	// Blur is how far edges are spread; see [Blur]. It is nil where the picture
	// has no edges: fog, a covered lens, or all of it far out of focus.
	Blur *float64 `json:"blur_px,omitempty"`
	// Hash is alike for pictures that look alike; nil where the picture is so even
	// that its hash would be noise.
	Hash *Hash `json:"hash,omitempty"`
	// Preview is the picture brought down to a small square, upright. It is not
	// written to JSON.
	Preview *Preview `json:"-"`
}

// Measure measures the image of size bytes in r: JPEG, PNG, TIFF, or WebP that is
// no animation; of an animated PNG the image that programs show which know no
// animation, and of a TIFF file the first page. The file is read once (TIFF twice)
// and decoded once, a large JPEG image at a smaller scale. No memory is
// taken for pixels that are more than the limits allow, or more than the file has
// bits for.
//
// An image whose pixels can't be decoded gives the measures of its header, and
// Undecoded says why. The error is geotag.ErrFormat, geotag.ErrTruncated or
// geotag.ErrCorrupt, wrapped, where not even the header can be read, or one of r
// or of the context. ErrNoDecoder accuses no image, and only says that it is of a
// kind that is not measured; it is geotag.ErrFormat too. A context that ends stops
// the decoder at its next read.
//
// A see that is not nil is shown the decoded image before it is measured, as it is stored,
// with its Exif orientation, so that nothing has to be decoded twice. Its longer side has
// 896 pixels or more, or all that there are. It is lost when see returns.
func Measure(ctx context.Context, r io.ReaderAt, size int64, lim Limits, see func(img image.Image, orientation int)) (*Measures, error) {
	form, hd, err := readCoding(ctx, r, size)
	if err != nil {
		return nil, err
	}
	m := &Measures{Width: hd.Width, Height: hd.Height}
	if hd.Table != [64]uint16{} {
		q := quality(&hd.Table)
		m.Quality = &q
	}
	if tag, err := geotag.Read(r, size); err == nil {
		m.Orientation = tag.Orientation
	}
	digest := sha256.New()
	src := &source{ctx: ctx, r: io.TeeReader(io.NewSectionReader(r, 0, size), digest)}
	var img image.Image
	if m.Undecoded, m.Unsupported = lim.refuse(form, hd, size); m.Undecoded == "" {
		var fault error
		// Twice the side that blur is measured at: see the package documentation for
		// what that changes.
		if img, fault = form.decode(form.reader(src, r, size), hd, decodedSide); fault != nil {
			if err := unsupported(fault); err != nil && src.err == nil {
				return nil, err
			}
			img = nil
			m.Undecoded, m.Unsupported = undecoded(fault, src.ended)
		}
	}
	if _, err := io.Copy(io.Discard, src); err != nil {
		return nil, err
	}
	if src.err != nil {
		return nil, src.err
	}
	digest.Sum(m.SHA256[:0])
	if img != nil {
		if see != nil {
			see(img, m.Orientation)
		}
		m.look(img)
	}
	return m, ctx.Err()
}

// refuse says why an image is not to be decoded, and whether that is no fault of it;
// it is empty where it may be decoded.
func (l Limits) refuse(form *format, hd header, size int64) (why string, unsupported bool) {
	w, h := int64(hd.Width), int64(hd.Height)
	if form == formatJPEG { // whole blocks
		w, h = (w+7)&^7, (h+7)&^7
	}
	if form.most > 0 && w*h/form.most > size {
		return fmt.Sprintf("%d bytes are too few for the %d x %d pixels that are declared", size, hd.Width, hd.Height), false
	}
	most := cmp.Or(l.MaxPixels, DefaultMaxPixels)
	if n := int64(hd.Width) * int64(hd.Height); n > most {
		return fmt.Sprintf("%d x %d pixels are more than the limit of %d", hd.Width, hd.Height, most), true
	}
	return "", false
}

// undecoded words an error of a decoder, and says whether it is no fault of the image.
// ended says that the decoder wanted more than there is.
func undecoded(err error, ended bool) (why string, unsupported bool) {
	var kind jpeg.UnsupportedError
	switch {
	case errors.As(err, &kind):
		return fmt.Sprintf("a kind of JPEG that can't be decoded here (%s)", string(kind)), true
	case ended:
		return "the image is cut off", false
	}
	return fmt.Sprintf("the image data is damaged (%v)", err), false
}

// ErrTooLarge: an image has more pixels than the limits allow, or declares more than
// its bytes can hold.
var ErrTooLarge = errors.New("the image is too large to be decoded")

// Decode decodes the image of size bytes in r, as [Measure] does, to be drawn: as it is
// stored, at the smallest scale at which its longer side still has side pixels, in whole
// where side is 0. JPEG is decoded at 1, 1/2, 1/4 or 1/8, other images at 1. Errors are
// those of Measure, ErrTooLarge, wrapped, or those of the decoder; where the context
// ends, its cause.
func Decode(ctx context.Context, r io.ReaderAt, size int64, side int, lim Limits) (image.Image, error) {
	form, hd, err := readCoding(ctx, r, size)
	if err != nil {
		return nil, err
	}
	if why, _ := lim.refuse(form, hd, size); why != "" {
		return nil, fmt.Errorf("%w: %s", ErrTooLarge, why)
	}
	if side <= 0 {
		side = max(hd.Width, hd.Height)
	}
	src := &source{ctx: ctx, r: io.NewSectionReader(r, 0, size)}
	img, err := form.decode(form.reader(src, r, size), hd, side)
	if src.err != nil {
		return nil, src.err // a decoder may have put it in other words
	}
	if unsupported(err) != nil {
		err = unsupported(err)
	}
	return img, err
}

// source remembers an error, which the decoder would wrap or lose, and whether the
// end was reached. It ends with its context.
type source struct {
	ctx   context.Context
	r     io.Reader
	err   error // other than the end
	ended bool
}

func (s *source) Read(b []byte) (int, error) {
	// A little at a time, so that an image that asks for much work by few bytes is
	// stopped too.
	return s.note(func() (int, error) { return s.r.Read(b[:min(len(b), 4096)]) })
}

func (s *source) note(read func() (int, error)) (int, error) {
	if s.err == nil {
		s.err = context.Cause(s.ctx)
	}
	if s.err != nil {
		return 0, s.err
	}
	n, err := read()
	if s.ended = err == io.EOF; err != nil && !s.ended {
		s.err = err
	}
	return n, err
}

// look measures the pixels.
func (m *Measures) look(img image.Image) {
	y, cb, cr := components(img)
	e := exposure(y)
	m.Exposure = &e
	w, h := fit(y.w, y.h, blurSide)
	small := y.resample(w, h)
	if b, ok := blur(small); ok {
		m.Blur = &b
	}
	m.Preview = newPreview(small, cb, cr).upright(m.Orientation)
	if h, ok := m.Preview.hash(); ok {
		m.Hash = &h
	}
}
