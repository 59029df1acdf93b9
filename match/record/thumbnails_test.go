package record_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/match/record"
)

func photoFS(files map[string][]byte) fs.FS {
	m := fstest.MapFS{}
	for name, b := range files {
		m[name] = &fstest.MapFile{Data: b}
	}
	return m
}

func mustPicture(t *testing.T, f func(context.Context, string) (record.Picture, error), name string) (record.Picture, image.Image) {
	t.Helper()
	p, err := f(t.Context(), name)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	m, err := jpeg.Decode(bytes.NewReader(p.JPEG))
	if err != nil {
		t.Fatal(err)
	}
	if b := m.Bounds(); b.Dx() != p.Width || b.Dy() != p.Height {
		t.Errorf("%s: %d by %d pixels, said to be %d by %d", name, b.Dx(), b.Dy(), p.Width, p.Height)
	}
	return p, m
}

// exifBlock is a TIFF structure with an orientation and, where thumb is given, a
// thumbnail.
func exifBlock(orientation int, thumb []byte) []byte {
	le := binary.LittleEndian
	b := append([]byte("II*\x00"), 8, 0, 0, 0)
	entry := func(tag, typ uint16, v uint32) {
		b = le.AppendUint16(b, tag)
		b = le.AppendUint16(b, typ)
		b = le.AppendUint32(b, 1)
		b = le.AppendUint32(b, v)
	}
	b = le.AppendUint16(b, 1)
	entry(0x0112, 3, uint32(orientation))
	if thumb == nil {
		return le.AppendUint32(b, 0)
	}
	second := 8 + 2 + 12 + 4
	b = le.AppendUint32(b, uint32(second))
	b = le.AppendUint16(b, 2)
	entry(0x0201, 4, uint32(second+2+24+4))
	entry(0x0202, 4, uint32(len(thumb)))
	b = le.AppendUint32(b, 0)
	return append(b, thumb...)
}

// withExif puts an Exif segment into a JPEG.
func withExif(img, block []byte) []byte {
	return geotagtest.Insert(img, 0xE1, append([]byte("Exif\x00\x00"), block...))
}

func jpegOf(tb testing.TB, m image.Image) []byte {
	tb.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 90}); err != nil {
		tb.Fatal(err)
	}
	return b.Bytes()
}

// quarters has a colour in each corner: red at the top left, green at the top
// right, blue at the bottom left, white at the bottom right.
func quarters(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{255, 0, 0, 255}
			switch {
			case x >= w/2 && y >= h/2:
				c = color.RGBA{255, 255, 255, 255}
			case x >= w/2:
				c = color.RGBA{0, 255, 0, 255}
			case y >= h/2:
				c = color.RGBA{0, 0, 255, 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

func name(c color.Color) string {
	r, g, b, _ := c.RGBA()
	on := func(v uint32) string {
		if v > 0x8000 {
			return "1"
		}
		return "0"
	}
	return map[string]string{"100": "red", "010": "green", "001": "blue", "111": "white", "000": "black"}[on(r)+on(g)+on(b)]
}

// corners names the colours of the corners, from the top left clockwise.
func corners(m image.Image) string {
	b := m.Bounds()
	var out []string
	for _, p := range []image.Point{{b.Dx() / 8, b.Dy() / 8}, {b.Dx() * 7 / 8, b.Dy() / 8}, {b.Dx() * 7 / 8, b.Dy() * 7 / 8}, {b.Dx() / 8, b.Dy() * 7 / 8}} {
		out = append(out, name(m.At(p.X, p.Y)))
	}
	return strings.Join(out, " ")
}

// The eight orientations of the Exif standard (CIPA DC-008, Orientation): what
// the 0th row and the 0th column of the stored image are.
func TestOrientation(t *testing.T) {
	img := jpegOf(t, quarters(400, 300))
	small := jpegOf(t, quarters(160, 120))
	for o, want := range map[int]string{
		1: "red green white blue",
		2: "green red blue white",
		3: "white blue red green",
		4: "blue white green red",
		5: "red blue white green",
		6: "blue red green white",
		7: "white green red blue",
		8: "green white blue red",
	} {
		files := photoFS(map[string][]byte{"drawn.jpg": withExif(img, exifBlock(o, nil)), "embedded.jpg": withExif(img, exifBlock(o, small))})
		for _, c := range []struct {
			name     string
			embedded bool
			w, h     int
		}{{"drawn.jpg", false, 320, 240}, {"embedded.jpg", true, 160, 120}} {
			p, m := mustPicture(t, record.Thumbnails(files, record.ThumbnailOptions{Embedded: c.embedded}), c.name)
			w, h := c.w, c.h
			if o >= 5 {
				w, h = h, w
			}
			if got := corners(m); got != want || p.Width != w || p.Height != h {
				t.Errorf("orientation %d, %s: %s, %d by %d; want %s, %d by %d", o, c.name, got, p.Width, p.Height, want, w, h)
			}
		}
	}
}

// ImageMagick draws real camera files alike, and puts each orientation upright
// the same way. (The real files at hand all lie upright.)
func TestUprightAsOthers(t *testing.T) {
	convert, err := exec.LookPath("convert")
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip("ImageMagick is not there")
	}
	files := map[string][]byte{}
	var names []string
	add := func(name string, b []byte) {
		if len(names) < 18 {
			files[name], names = b, append(names, name)
		}
	}
	for o := 1; o <= 8; o++ {
		add(fmt.Sprintf("orientation %d", o), withExif(jpegOf(t, quarters(400, 300)), exifBlock(o, nil)))
	}
	for _, s := range geotagtest.Photos(t) {
		if tag, err := geotag.ReadBytes(s.Raw); err == nil && tag.Position != nil && len(s.Raw) < 1<<20 {
			add(s.Name, s.Raw)
		}
	}
	thumbnail := record.Thumbnails(photoFS(files), record.ThumbnailOptions{Size: 64})
	compared := 0
	for _, name := range names {
		p, err := thumbnail(t.Context(), name)
		if err != nil {
			t.Logf("%s: %v", name, err)
			continue
		}
		cmd := exec.Command(convert, "jpeg:-", "-auto-orient", "-colorspace", "sRGB", "-filter", "Triangle", "-resize", "64x64>", "png:-")
		cmd.Stdin = bytes.NewReader(files[name])
		out, err := cmd.Output()
		if err != nil {
			t.Logf("%s: convert: %v", name, err)
			continue
		}
		want, err := png.Decode(bytes.NewReader(out))
		if err != nil {
			t.Fatal(err)
		}
		got, err := jpeg.Decode(bytes.NewReader(p.JPEG))
		if err != nil {
			t.Fatal(err)
		}
		if got.Bounds().Size() != want.Bounds().Size() {
			t.Errorf("%s: %v, ImageMagick makes %v", name, got.Bounds(), want.Bounds())
			continue
		}
		diff := 0.0
		for y := range p.Height {
			for x := range p.Width {
				r, g, b, _ := got.At(x, y).RGBA()
				r2, g2, b2, _ := want.At(x, y).RGBA()
				diff += math.Abs(float64(r)-float64(r2)) + math.Abs(float64(g)-float64(g2)) + math.Abs(float64(b)-float64(b2))
			}
		}
		diff /= float64(3*p.Width*p.Height) * 257
		if diff > 12 { // of 255; the quarters turned another way give 100 and more
			t.Errorf("%s: %.1f levels apart on average", name, diff)
		}
		compared++
	}
	t.Logf("%d compared", compared)
	if compared < 12 {
		t.Errorf("only %d compared", compared)
	}
}

// The bars of a thumbnail with other proportions than its image are cut off.
func TestEmbeddedBars(t *testing.T) {
	img := jpegOf(t, quarters(320, 180))
	bars := image.NewRGBA(image.Rect(0, 0, 160, 120))
	draw.Draw(bars, image.Rect(0, 15, 160, 105), quarters(160, 90), image.Point{}, draw.Src)
	files := photoFS(map[string][]byte{"p.jpg": withExif(img, exifBlock(1, jpegOf(t, bars)))})
	p, m := mustPicture(t, record.Thumbnails(files, record.ThumbnailOptions{Embedded: true}), "p.jpg")
	if p.Width != 160 || p.Height != 90 || corners(m) != "red green white blue" {
		t.Errorf("%d by %d, %s", p.Width, p.Height, corners(m))
	}
}

// A thumbnail that can't be used gives way to the image itself.
func TestEmbeddedBroken(t *testing.T) {
	img := jpegOf(t, quarters(400, 300))
	for name, thumb := range map[string][]byte{
		"tiny":   jpegOf(t, quarters(16, 12)),
		"cut":    jpegOf(t, quarters(160, 120))[:300],
		"absent": nil,
	} {
		files := photoFS(map[string][]byte{"p.jpg": withExif(img, exifBlock(1, thumb))})
		p, _ := mustPicture(t, record.Thumbnails(files, record.ThumbnailOptions{Embedded: true}), "p.jpg")
		if p.Width != 320 || p.Height != 240 {
			t.Errorf("%s: %d by %d", name, p.Width, p.Height)
		}
	}
}

// claims changes the dimensions that a JPEG's frame header states.
func claims(img []byte, w, h uint16) []byte {
	out := bytes.Clone(img)
	for i := 2; i+9 < len(out) && out[i] == 0xFF; {
		if out[i+1] == 0xC0 {
			binary.BigEndian.PutUint16(out[i+5:], h)
			binary.BigEndian.PutUint16(out[i+7:], w)
			return out
		}
		i += 2 + int(binary.BigEndian.Uint16(out[i+2:]))
	}
	panic("no frame header")
}

func TestThumbnailErrors(t *testing.T) {
	img := jpegOf(t, quarters(40, 30))
	var tall bytes.Buffer
	if err := png.Encode(&tall, image.NewGray(image.Rect(0, 0, 4000, 4000))); err != nil {
		t.Fatal(err)
	}
	files := photoFS(map[string][]byte{
		"bomb.jpg":  claims(img, 60000, 60000),
		"bomb.png":  tall.Bytes(),
		"phone.hei": []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"),
		"empty.jpg": nil,
		"cut.jpg":   img[:len(img)/2],
		"text.jpg":  []byte("no image at all, but some text"),
		"dir/a":     nil,
	})
	opt := record.ThumbnailOptions{MaxPixels: 1e6}
	for _, c := range []struct {
		name string
		want error
	}{
		{"bomb.jpg", record.ErrTooLarge},
		{"bomb.png", record.ErrTooLarge},
		{"phone.hei", record.ErrNotDrawn},
		{"text.jpg", record.ErrNotDrawn},
		{"empty.jpg", record.ErrNotDrawn},
		{"cut.jpg", nil},
		{"gone.jpg", fs.ErrNotExist},
		{"../up.jpg", nil},
		{"dir", nil},
	} {
		_, err := record.Thumbnails(files, opt)(t.Context(), c.name)
		if err == nil || c.want != nil && !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		} else if strings.Contains(err.Error(), c.name) {
			t.Errorf("%s: the error %q repeats the name", c.name, err)
		}
	}
	if _, err := record.Thumbnails(files, record.ThumbnailOptions{MaxTime: time.Nanosecond})(t.Context(), "bomb.png"); !errors.Is(err, record.ErrTooSlow) {
		t.Errorf("no time: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := record.Thumbnails(files, record.ThumbnailOptions{})(ctx, "bomb.png"); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// Real photos of many makers become pictures.
func TestThumbnailRealPhotos(t *testing.T) {
	files := map[string][]byte{}
	for _, s := range geotagtest.Photos(t) {
		files[s.Name] = s.Raw
	}
	drawn := 0
	f := record.Thumbnails(photoFS(files), record.ThumbnailOptions{Embedded: true})
	for name := range files {
		p, err := f(t.Context(), name)
		if err != nil {
			t.Logf("%s: %v", name, err)
			continue
		}
		if max(p.Width, p.Height) > 320 || len(p.JPEG) > 60_000 {
			t.Errorf("%s: %d by %d pixels, %d bytes", name, p.Width, p.Height, len(p.JPEG))
		}
		drawn++
	}
	if drawn < len(files)*3/4 {
		t.Errorf("%d of %d drawn", drawn, len(files))
	}
}

// A photo of 12 million pixels, drawn, from its own thumbnail, and the floor: the
// decoding alone.
func BenchmarkThumbnail(b *testing.B) {
	m := image.NewYCbCr(image.Rect(0, 0, 4000, 3000), image.YCbCrSubsampleRatio420)
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range m.Y {
		x, y := i%4000, i/4000
		m.Y[i] = uint8(x/20+y/30) + uint8(rng.Uint32()>>28)
	}
	img := withExif(jpegOf(b, m), exifBlock(6, picture(160, 120, 2).JPEG))
	files := photoFS(map[string][]byte{"p.jpg": img})
	for _, c := range []struct {
		name string
		f    func() error
	}{
		{"drawn", func() error {
			_, err := record.Thumbnails(files, record.ThumbnailOptions{})(b.Context(), "p.jpg")
			return err
		}},
		{"embedded", func() error {
			_, err := record.Thumbnails(files, record.ThumbnailOptions{Embedded: true})(b.Context(), "p.jpg")
			return err
		}},
		{"floor", func() error { _, err := jpeg.Decode(bytes.NewReader(img)); return err }},
	} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				if err := c.f(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
