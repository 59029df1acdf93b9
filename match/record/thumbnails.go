package record

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"io/fs"
	"math"
	"time"

	"golang.org/x/image/draw"
	"golang.org/x/sync/semaphore"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/pixels"
)

// ThumbnailOptions say how Thumbnails makes pictures. The zero value draws them
// from the photos, 320 pixels along the longer side.
type ThumbnailOptions struct {
	// Size is the longer side in pixels; 0 defaults to 320. A smaller image keeps
	// its size.
	Size int
	// MaxBytes is how long a picture may be; one that is longer is drawn smaller. 0
	// is as long as it comes.
	MaxBytes int
	// Embedded takes the thumbnail that the camera put into the photo, where there
	// is one. It costs next to nothing, but it is small (160 by 120 pixels as a
	// rule), and nothing says that it still shows what the image does. To prove that, of
	// a larger preview too, the photo has to be decoded at its size: of 12 megapixels that
	// takes 45 ms, and drawing the picture from what is decoded 4.
	Embedded bool
	// MaxPixels is the number of pixels above which an image is not decoded, nor
	// all those decoded at once; 0 defaults to 128 million. Decoding takes up to 4
	// bytes of memory a pixel, for a progressive JPEG image 8.
	MaxPixels int
	// MaxTime is how long the decoding of one image may take; 0 defaults to 30
	// seconds.
	MaxTime time.Duration
}

// Errors of Thumbnails, besides those of the file system and of decoding.
var (
	// ErrTooLarge: the image has more pixels than MaxPixels.
	ErrTooLarge = errors.New("the image is too large to be drawn small")
	// ErrTooSlow: decoding took longer than MaxTime.
	ErrTooSlow = errors.New("drawing the image small took too long")
	// ErrNotDrawn: the image is in a format that can't be decoded here.
	ErrNotDrawn = errors.New("images of this format can't be drawn here")
)

// quality is that of the pictures as JPEG.
const quality = 75

// largestFile is how much of a file is read into memory where its file system
// gives no random access.
const largestFile = 256 << 20

// Thumbnails returns a function for Input.Thumbnail that makes small upright
// pictures from the photos of a file system: JPEG, PNG, TIFF and WebP images
// that go by the names in the result. It may be used by many goroutines.
func Thumbnails(files fs.FS, opt ThumbnailOptions) func(ctx context.Context, photo string) (Picture, error) {
	t := newThumbnailer(files, opt)
	return t.picture
}

func newThumbnailer(files fs.FS, opt ThumbnailOptions) thumbnailer {
	if opt.Size <= 0 {
		opt.Size = 320
	}
	if opt.MaxPixels <= 0 {
		opt.MaxPixels = 128e6
	}
	if opt.MaxTime <= 0 {
		opt.MaxTime = 30 * time.Second
	}
	return thumbnailer{files, opt, semaphore.NewWeighted(int64(opt.MaxPixels))}
}

type thumbnailer struct {
	files fs.FS
	opt   ThumbnailOptions
	room  *semaphore.Weighted // pixels that may be decoded at once
}

func (t *thumbnailer) picture(ctx context.Context, photo string) (Picture, error) {
	f, err := t.files.Open(photo)
	if err != nil {
		return Picture{}, unnamed(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return Picture{}, unnamed(err)
	}
	if !info.Mode().IsRegular() {
		return Picture{}, errors.New("it is no ordinary file")
	}
	size := info.Size()
	r, ok := f.(io.ReaderAt)
	if !ok {
		all, err := io.ReadAll(io.LimitReader(f, largestFile))
		if err != nil {
			return Picture{}, unnamed(err)
		}
		r, size = bytes.NewReader(all), int64(len(all))
	}
	// A photo whose metadata can't be read may still be drawn, as it lies.
	orientation, declared := 1, int64(0)
	tag, err := geotag.Read(r, size)
	if err == nil && tag.Orientation != 0 {
		orientation = tag.Orientation
	}
	if err == nil {
		declared = int64(tag.Width) * int64(tag.Height)
	}
	if t.opt.Embedded && tag != nil {
		if p, ok := t.embedded(ctx, r, size, tag, orientation); ok {
			return p, nil
		}
	}
	m, err := t.decode(ctx, r, size, declared, orientation)
	if err != nil {
		return Picture{}, err
	}
	return t.opt.fit(m)
}

// fit encodes a picture, in a smaller size where it would be too long.
func (o ThumbnailOptions) fit(m *image.RGBA) (Picture, error) {
	for {
		p, err := encode(m)
		b := m.Bounds()
		long := max(b.Dx(), b.Dy())
		if err != nil || o.MaxBytes == 0 || len(p.JPEG) <= o.MaxBytes || long < 64 {
			return p, err
		}
		// Bytes grow somewhat slower than pixels.
		k := math.Sqrt(float64(o.MaxBytes) / float64(len(p.JPEG)))
		w, h := fitted(b.Dx(), b.Dy(), min(int(float64(long)*k*0.95), long-8))
		small := image.NewRGBA(image.Rect(0, 0, w, h))
		draw.BiLinear.Scale(small, small.Bounds(), m, b, draw.Src, nil)
		m = small
	}
}

// unnamed drops the path from an error of the file system: the record names the
// photo.
func unnamed(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// embedded is the picture from the photo's own thumbnail, if that can be used.
// What is wrong with it does not matter: the photo itself is there.
func (t *thumbnailer) embedded(ctx context.Context, r io.ReaderAt, size int64, tag *geotag.Tag, orientation int) (Picture, bool) {
	small, err := geotag.Thumbnail(r, size)
	if err != nil {
		return Picture{}, false
	}
	cfg, format, err := image.DecodeConfig(bytes.NewReader(small))
	if err != nil || format != "jpeg" || cfg.Width < 64 || cfg.Height < 48 {
		return Picture{}, false
	}
	m, err := t.decode(ctx, bytes.NewReader(small), int64(len(small)), int64(cfg.Width)*int64(cfg.Height), 1)
	if err != nil {
		return Picture{}, false
	}
	m = turn(unbar(m, tag.Width, tag.Height), orientation)
	p, err := t.opt.fit(m)
	return p, err == nil
}

// unbar cuts the bars off a thumbnail that has other proportions than its image:
// cameras centre the image in it. Common practice, no source.
func unbar(m *image.RGBA, width, height int) *image.RGBA {
	if width <= 0 || height <= 0 {
		return m
	}
	b := m.Bounds()
	want, has := float64(width)/float64(height), float64(b.Dx())/float64(b.Dy())
	w, h := b.Dx(), b.Dy()
	switch {
	case want > has*1.03:
		h = max(1, int(math.Floor(float64(w)/want)))
	case want < has/1.03:
		w = max(1, int(math.Floor(float64(h)*want)))
	default:
		return m
	}
	at := image.Pt(b.Min.X+(b.Dx()-w)/2, b.Min.Y+(b.Dy()-h)/2)
	return m.SubImage(image.Rectangle{at, at.Add(image.Pt(w, h))}).(*image.RGBA)
}

// decode decodes an image, of as many pixels as are declared, or 0, and draws it small
// and upright.
func (t *thumbnailer) decode(ctx context.Context, r io.ReaderAt, size, declared int64, orientation int) (*image.RGBA, error) {
	weight := int64(t.opt.MaxPixels)
	if declared > 0 {
		weight = min(weight, declared)
	}
	if err := t.room.Acquire(ctx, weight); err != nil {
		return nil, err
	}
	defer t.room.Release(weight)
	ctx, done := context.WithTimeoutCause(ctx, t.opt.MaxTime, ErrTooSlow)
	defer done()
	src, err := pixels.Decode(ctx, r, size, t.opt.Size, pixels.Limits{MaxPixels: int64(t.opt.MaxPixels)})
	switch {
	case errors.Is(err, pixels.ErrTooLarge):
		return nil, fmt.Errorf("%w: %w", ErrTooLarge, err)
	case errors.Is(err, geotag.ErrFormat):
		return nil, ErrNotDrawn
	case err != nil:
		return nil, err
	}
	return t.opt.small(src, orientation), nil
}

// small draws an image small and upright.
func (o ThumbnailOptions) small(src image.Image, orientation int) *image.RGBA {
	w, h := fitted(src.Bounds().Dx(), src.Bounds().Dy(), o.Size)
	var scaler draw.Scaler = draw.BiLinear
	if m, ok := src.(*image.YCbCr); ok {
		src, scaler = reduced(m, src.Bounds().Dx()/w), draw.ApproxBiLinear // to less than half
	}
	b := src.Bounds()
	dst := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(dst, dst.Bounds(), image.White, image.Point{}, draw.Src)
	scaler.Scale(dst, dst.Bounds(), src, b, draw.Over, nil)
	return turn(dst, orientation)
}

// reduced has the means of n by n pixels, which takes a tenth of the time that a kernel as
// wide does.
func reduced(m *image.YCbCr, n int) *image.YCbCr {
	if b := m.Rect; n < 2 || b.Min != (image.Point{}) {
		return m
	}
	out := image.NewYCbCr(image.Rect(0, 0, (m.Rect.Dx()+n-1)/n, (m.Rect.Dy()+n-1)/n), m.SubsampleRatio)
	reduce(out.Y, out.YStride, m.Y, m.YStride, m.Rect.Dx(), m.Rect.Dy(), n)
	w, h := m.CStride, len(m.Cb)/m.CStride
	reduce(out.Cb, out.CStride, m.Cb, m.CStride, w, h, n)
	reduce(out.Cr, out.CStride, m.Cr, m.CStride, w, h, n)
	return out
}

// reduce does so with a plane of w by h pixels.
func reduce(dst []uint8, dstStride int, src []uint8, stride, w, h, n int) {
	sums := make([]int, dstStride)
	for y := range len(dst) / dstStride {
		clear(sums)
		rows := min(n, h-y*n)
		for r := y * n; r < y*n+rows; r++ {
			for x := range sums {
				for _, v := range src[r*stride+min(x*n, w) : r*stride+min(x*n+n, w)] {
					sums[x] += int(v)
				}
			}
		}
		for x, s := range sums {
			if area := rows * (min(x*n+n, w) - min(x*n, w)); area > 0 {
				dst[y*dstStride+x] = uint8((s + area/2) / area)
			}
		}
	}
}

// fitted is the size of an image whose longer side is at most size.
func fitted(w, h, size int) (int, int) {
	if long := max(w, h); long > size {
		k := float64(size) / float64(long)
		return max(1, int(math.Round(float64(w)*k))), max(1, int(math.Round(float64(h)*k)))
	}
	return w, h
}

// turn puts an image upright by its Exif orientation (CIPA DC-008, Orientation).
func turn(m *image.RGBA, orientation int) *image.RGBA {
	if orientation < 2 || orientation > 8 {
		return m
	}
	b := m.Bounds()
	w, h := b.Dx(), b.Dy()
	ow, oh := w, h
	if orientation >= 5 {
		ow, oh = h, w
	}
	out := image.NewRGBA(image.Rect(0, 0, ow, oh))
	for y := range h {
		for x := range w {
			tx, ty := pixels.Upright(orientation, x, y, w, h)
			out.SetRGBA(tx, ty, m.RGBAAt(b.Min.X+x, b.Min.Y+y))
		}
	}
	return out
}

func encode(m *image.RGBA) (Picture, error) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
		return Picture{}, err
	}
	return Picture{JPEG: b.Bytes(), Width: m.Bounds().Dx(), Height: m.Bounds().Dy()}, nil
}
