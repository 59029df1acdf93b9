package pixels

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"math"

	"golang.org/x/image/tiff"
	"golang.org/x/image/webp"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/internal/jpegdct"
)

// format is one way in which images are coded.
type format struct {
	name string
	// decode decodes an image whose header is known. It may do so at a smaller scale at
	// which the longer side still has the pixels that are wanted.
	decode func(r io.Reader, hd header, side int) (image.Image, error)
	// config reads what the header says.
	config func(io.Reader) (header, error)
	// jumps: the decoder reads here and there, and is given an io.ReaderAt.
	jumps bool
	// most is how many pixels a byte of the file can hold at most; 0 where there
	// is no telling.
	most int64
}

var (
	formatJPEG = &format{name: "JPEG", decode: decodeJPEG, config: jpegdct.ReadHeader,
		// The shortest code of a block of 8 x 8 is a bit, in the first scan of its
		// component.
		most: 64 * 8}
	formatPNG = &format{name: "PNG", decode: whole(png.Decode), config: sized(png.DecodeConfig),
		// A pixel takes a bit at least, and deflate (RFC 1951) makes of two bits 258
		// bytes at most.
		most: 8 * 1032}
	formatWebP = &format{name: "WebP", decode: whole(decodeWebP), config: sized(webp.DecodeConfig)}
	// A fax code gives a row for a bit, so that there is no telling.
	formatTIFF = &format{name: "TIFF", decode: whole(tiff.Decode), config: sized(tiff.DecodeConfig), jumps: true}
)

// header is what is known of an image before its pixels: the size, and of a JPEG its
// table of quantiser steps.
type header = jpegdct.Header

// sized is a header of a size alone.
func sized(config func(io.Reader) (image.Config, error)) func(io.Reader) (header, error) {
	return func(r io.Reader) (header, error) {
		c, err := config(r)
		return header{Width: c.Width, Height: c.Height}, err
	}
}

// ErrNoDecoder: the image is of a format, or of a kind in its format, whose tag is
// read and whose pixels nothing here decodes: HEIF, AVIF, DNG and raw files, films,
// some kinds of PNG and TIFF. Nothing is wrong with it. Errors that wrap it are
// geotag.ErrFormat too.
var ErrNoDecoder = errors.New("no decoder for its pixels is built in")

// noDecoder is ErrNoDecoder with what the image is.
type noDecoder struct{ what string }

func (e noDecoder) Error() string { return ErrNoDecoder.Error() + " (" + e.what + ")" }

// Is makes it both errors.
func (e noDecoder) Is(target error) bool { return target == ErrNoDecoder || target == geotag.ErrFormat }

// unsupported is the error for a decoder's error where the image is
// of a kind that it doesn't know; else nil. JPEG's are not among them.
func unsupported(err error) error {
	var ofPNG png.UnsupportedError
	var ofTIFF tiff.UnsupportedError
	switch {
	case errors.As(err, &ofPNG):
		return noDecoder{"PNG with " + string(ofPNG)}
	case errors.As(err, &ofTIFF):
		return noDecoder{"TIFF with " + string(ofTIFF)}
	}
	return nil
}

// jumper is a source whose decoder reads here and there.
type jumper struct {
	*source
	at *io.SectionReader
}

func (j jumper) ReadAt(b []byte, off int64) (int, error) {
	return j.note(func() (int, error) { return j.at.ReadAt(b, off) })
}

// reader is src as the decoder wants it; r is the file.
func (f *format) reader(src *source, r io.ReaderAt, size int64) io.Reader {
	if f.jumps {
		return jumper{src, io.NewSectionReader(r, 0, size)}
	}
	return src
}

// detect tells by the first bytes how an image is coded.
func detect(r io.ReaderAt, size int64) (*format, error) {
	var head [30]byte
	n, err := r.ReadAt(head[:], 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	clear(head[n:])
	switch {
	case bytes.HasPrefix(head[:], []byte("\x89PNG\r\n\x1a\n")):
		return formatPNG, nil
	case string(head[:4]) == "RIFF" && string(head[8:12]) == "WEBP":
		// RFC 9649 section 2.7.1: the flags of an extended file.
		if string(head[12:16]) == "VP8X" && head[20]&0x02 != 0 {
			return nil, noDecoder{"an animation"}
		}
		return formatWebP, nil
	case bytes.HasPrefix(head[:], []byte("\xFF\xD8")):
		return formatJPEG, nil
	}
	tag, err := geotag.Read(r, size)
	if err != nil {
		return nil, err
	}
	if tag.Container != "tiff" {
		return nil, noDecoder{tag.Container}
	}
	return formatTIFF, nil
}

// readCoding finds out how an image is coded and reads its header.
func readCoding(ctx context.Context, r io.ReaderAt, size int64) (*format, header, error) {
	f, err := detect(r, size)
	if err != nil {
		return nil, header{}, err
	}
	src := &source{ctx: ctx, r: io.NewSectionReader(r, 0, size)}
	hd, err := f.config(f.reader(src, r, size))
	switch {
	case src.err != nil:
		err = src.err
	case unsupported(err) != nil:
		err = unsupported(err)
	case err != nil && src.ended && !errors.As(err, new(jpeg.FormatError)):
		err = fmt.Errorf("%w: it ends inside its header", geotag.ErrTruncated)
	case err != nil:
		err = fmt.Errorf("%w: %w", geotag.ErrCorrupt, err)
	case hd.Width <= 0 || hd.Height <= 0:
		err = fmt.Errorf("%w: %d x %d pixels are declared", geotag.ErrCorrupt, hd.Width, hd.Height)
	}
	return f, hd, err
}

// whole is a decoder that knows one scale.
func whole(decode func(io.Reader) (image.Image, error)) func(io.Reader, header, int) (image.Image, error) {
	return func(r io.Reader, _ header, _ int) (image.Image, error) { return decode(r) }
}

func decodeJPEG(r io.Reader, hd header, side int) (image.Image, error) {
	if d := divisor(hd.Width, hd.Height, side); d > 1 {
		return jpegdct.Decode(r, d)
	}
	return jpeg.Decode(r)
}

// divisor is the greatest of 8, 4 and 2 by which a side still has the pixels that are
// wanted, else 1.
func divisor(w, h, side int) int {
	for _, d := range []int{8, 4, 2} {
		if max(w, h) >= d*side {
			return d
		}
	}
	return 1
}

// decodeWebP decodes a WebP image. What is coded with loss is in the narrow range
// of ITU-R BT.601, 16 to 235 and 16 to 240 (RFC 6386, section 9.2), which the
// decoder leaves as it is; it is spread to the full range of JFIF.
func decodeWebP(r io.Reader) (image.Image, error) {
	img, err := webp.Decode(r)
	if err != nil {
		return nil, err
	}
	var m *image.YCbCr
	switch i := img.(type) {
	case *image.YCbCr:
		m = i
	case *image.NYCbCrA:
		m = &i.YCbCr // as it is without its transparency
	default:
		return img, nil
	}
	var luma, chroma [256]uint8
	for v := range luma {
		luma[v] = uint8(min(max(math.Round(float64(v-16)*255/219), 0), 255))
		chroma[v] = uint8(min(max(math.Round(128+float64(v-128)*255/224), 0), 255))
	}
	for i, v := range m.Y {
		m.Y[i] = luma[v]
	}
	for _, p := range [][]uint8{m.Cb, m.Cr} {
		for i, v := range p {
			p[i] = chroma[v]
		}
	}
	return m, nil
}
