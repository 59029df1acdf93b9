package record_test

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/jpeg"
	"io/fs"
	"sync/atomic"
	"testing"
	"testing/fstest"

	"example.com/phototie/geotag/pixels"
	"example.com/phototie/match/record"
)

// opens counts how often files are opened.
type opens struct {
	fs.FS
	n atomic.Int32
}

func (o *opens) Open(name string) (fs.File, error) {
	o.n.Add(1)
	return o.FS.Open(name)
}

// A gallery makes the pictures that Thumbnails makes, opens no photo twice, and none
// that it was shown while its pixels were measured.
func TestGallery(t *testing.T) {
	m := image.NewRGBA(image.Rect(0, 0, 2000, 1500))
	for i := range m.Pix {
		m.Pix[i] = uint8(i/4%251) ^ uint8(i>>13)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	photo := b.Bytes()
	files := &opens{FS: fstest.MapFS{"p.jpg": {Data: photo}}}
	opt := record.ThumbnailOptions{Size: 640}
	want, err := record.Thumbnails(files, opt)(t.Context(), "p.jpg")
	if err != nil {
		t.Fatal(err)
	}
	for _, seen := range []bool{false, true} {
		g, err := record.NewGallery(files, opt)
		if err != nil {
			t.Fatal(err)
		}
		defer g.Close()
		expect := int32(1)
		if seen {
			expect = 0
			see := func(img image.Image, orientation int) { g.See("p.jpg", img, orientation) }
			if _, err := pixels.Measure(t.Context(), bytes.NewReader(photo), int64(len(photo)), pixels.Limits{}, see); err != nil {
				t.Fatal(err)
			}
		}
		files.n.Store(0)
		for range 2 {
			p, err := g.Picture(t.Context(), "p.jpg")
			if err != nil || !bytes.Equal(p.JPEG, want.JPEG) || p.Width != want.Width || p.Height != want.Height {
				t.Errorf("seen %v: %v, %d bytes of %d x %d, want %d of %d x %d", seen, err, len(p.JPEG), p.Width, p.Height, len(want.JPEG), want.Width, want.Height)
			}
		}
		small, err := g.Smaller(t.Context(), "p.jpg", 320, 9000)
		if cfg, bad := jpeg.DecodeConfig(bytes.NewReader(small.JPEG)); err != nil || bad != nil || cfg.Width > 320 || cfg.Width != small.Width || len(small.JPEG) > 9000 {
			t.Errorf("seen %v: the smaller picture: %v, %v, %d bytes of %d x %d", seen, err, bad, len(small.JPEG), small.Width, small.Height)
		}
		if n := files.n.Load(); n != expect {
			t.Errorf("seen %v: the photo was opened %d times, want %d", seen, n, expect)
		}
	}
	g, err := record.NewGallery(files, opt)
	if err != nil {
		t.Fatal(err)
	}
	defer g.Close()
	turned := image.NewRGBA(image.Rect(0, 0, 400, 200))
	turned.Set(0, 0, color.White)
	g.See("turned", turned, 6)
	if p, err := g.Picture(context.Background(), "turned"); err != nil || p.Width != 200 || p.Height != 400 {
		t.Errorf("a turned one: %v, %d x %d", err, p.Width, p.Height)
	}
	g.Keep("kept", want)
	if p, err := g.Picture(t.Context(), "kept"); err != nil || !bytes.Equal(p.JPEG, want.JPEG) || p.Width != want.Width || p.Height != want.Height {
		t.Errorf("one that was kept: %v, %d x %d", err, p.Width, p.Height)
	}
	if _, err := g.Picture(t.Context(), "none"); err == nil {
		t.Error("a photo that is not there has a picture")
	}
}
