package pixels

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/png"
	"io"
	"math"
	"strings"
	"testing"

	"golang.org/x/image/tiff"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
)

// A kind of TIFF that the decoder doesn't know is not damaged: here CMYK, which
// PhotometricInterpretation 5 stands for (TIFF 6.0 section 16).
func TestTIFFKinds(t *testing.T) {
	img := lossless(t, scene(40, 30))["tiff"]
	i := bytes.Index(img, []byte{0x06, 0x01, 0x03, 0x00, 0x01, 0x00, 0x00, 0x00, 0x02})
	img[i+8] = 5
	if m, err := measure(img, Limits{}); m != nil || !errors.Is(err, ErrNoDecoder) || !strings.Contains(err.Error(), "TIFF") {
		t.Errorf("%+v, %v", m, err)
	}
}

// lossless encodes a picture in the formats that lose nothing.
func lossless(tb testing.TB, img image.Image) map[string][]byte {
	tb.Helper()
	var p, t, c bytes.Buffer
	if err := errors.Join(png.Encode(&p, img), tiff.Encode(&t, img, nil), tiff.Encode(&c, img, &tiff.Options{Compression: tiff.Deflate})); err != nil {
		tb.Fatal(err)
	}
	return map[string][]byte{"png": p.Bytes(), "tiff": t.Bytes(), "deflated tiff": c.Bytes()}
}

// A picture measures the same whatever it is stored in: here against JPEG at the
// best quality.
func TestFormatsAgree(t *testing.T) {
	pic := scene(700, 500)
	want := mustMeasure(t, encode(t, pic, 100))
	for name, img := range lossless(t, pic) {
		m := mustMeasure(t, img)
		if m.Width != 700 || m.Height != 500 || m.Quality != nil || m.Undecoded != "" || m.SHA256 == (Sum{}) {
			t.Errorf("%s: %+v", name, m)
			continue
		}
		if math.Abs(*m.Blur-*want.Blur) > 0.02 || math.Abs(m.Exposure.Mean-want.Exposure.Mean) > 0.005 {
			t.Errorf("%s: blur %v and %+v, want %v and %+v", name, *m.Blur, m.Exposure, *want.Blur, want.Exposure)
		}
		if d := Compare(m.Preview, want.Preview); d.Likeness != Same {
			t.Errorf("%s: %+v", name, d)
		}
	}
}

// Two exports of one photo by a common program are the same picture.
func TestFormatsReal(t *testing.T) {
	var first *Preview
	n := 0
	for _, s := range geotagtest.Files(t, "tif", "png") {
		if !strings.HasPrefix(s.Name, "sunrise") {
			continue
		}
		n++
		m := mustMeasure(t, s.Raw)
		if m.Undecoded != "" {
			t.Errorf("%s: %s", s.Name, m.Undecoded)
			continue
		}
		if first == nil {
			first = m.Preview
		}
		if d := Compare(first, m.Preview); d.Likeness != Same {
			t.Errorf("%s: %+v", s.Name, d)
		}
	}
	if n < 2 {
		t.Errorf("only %d files", n)
	}
}

// What nothing here decodes is told so, and is neither damaged nor unknown.
func TestNoDecoder(t *testing.T) {
	for _, s := range geotagtest.Files(t, "heic", "heif", "avif", "dng", "nef", "cr2") {
		m, err := measure(s.Raw, Limits{})
		if m != nil || !errors.Is(err, ErrNoDecoder) || !errors.Is(err, geotag.ErrFormat) || errors.Is(err, geotag.ErrCorrupt) {
			t.Errorf("%s: %+v, %v", s.Name, m, err)
		}
	}
}

func TestFormatsLimits(t *testing.T) {
	all := lossless(t, scene(300, 200))
	for name, img := range all {
		m, err := measure(img, Limits{MaxPixels: 300*200 - 1})
		if err != nil || m.Width != 300 || !strings.Contains(m.Undecoded, "limit") || m.Exposure != nil {
			t.Errorf("%s: %+v, %v", name, m, err)
		}
		whole := mustMeasure(t, img)
		// Cut anywhere, it is damaged, or measured where only metadata are gone.
		for n := 0; n < len(img); n += 1 + len(img)/100 {
			m, err := measure(img[:n], Limits{})
			if err != nil && !geotag.AboutImage(err) || errors.Is(err, ErrNoDecoder) {
				t.Errorf("%s at %d: %v", name, n, err)
			}
			if err == nil && m.Undecoded == "" && *m.Preview != *whole.Preview {
				t.Errorf("%s at %d: measured", name, n)
			}
		}
		if _, err := Measure(ended(), bytes.NewReader(img), int64(len(img)), Limits{}, nil); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v", name, err)
		}
		r := brokenAt{bytes.NewReader(img), int64(len(img) - 40)}
		if _, err := Measure(t.Context(), r, int64(len(img)), Limits{}, nil); !errors.Is(err, errBroken) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func ended() context.Context {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	return ctx
}

var errBroken = errors.New("the disk is broken")

type brokenAt struct {
	r  io.ReaderAt
	at int64
}

func (b brokenAt) ReadAt(p []byte, off int64) (int, error) {
	if off+int64(len(p)) > b.at {
		return 0, errBroken
	}
	return b.r.ReadAt(p, off)
}
