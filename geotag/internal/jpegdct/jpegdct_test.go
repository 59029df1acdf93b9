package jpegdct_test

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"example.com/phototie/geotag/internal/jpegdct"
)

// scene draws a picture with edges, slopes and noise.
func scene(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	r := rand.New(rand.NewPCG(1, 2))
	for y := range h {
		for x := range w {
			v := 90 + 60*math.Sin(float64(x)/23)*math.Cos(float64(y)/31) + r.NormFloat64()*4
			if (x/37+y/53)%3 == 0 {
				v += 70
			}
			c := func(f float64) uint8 { return uint8(min(max(f, 0), 255)) }
			m.SetRGBA(x, y, color.RGBA{c(v), c(v * 0.8), c(220 - v), 255})
		}
	}
	return m
}

// level is the mean of an image's brightness over a box.
func level(m image.Image, x0, y0, x1, y1 int) float64 {
	sum, n := 0.0, 0.0
	for y := y0; y < y1; y++ {
		for x := x0; x < x1; x++ {
			r, g, b, _ := m.At(x, y).RGBA()
			sum += 0.299*float64(r>>8) + 0.587*float64(g>>8) + 0.114*float64(b>>8)
			n++
		}
	}
	return sum / n
}

// differ is the root mean square and the largest difference between an image and
// the means of what it was reduced from.
func differ(small, full image.Image, divisor int) (rms, most float64) {
	b := small.Bounds()
	n := 0.0
	for y := range b.Dy() {
		for x := range b.Dx() {
			x1, y1 := min((x+1)*divisor, full.Bounds().Dx()), min((y+1)*divisor, full.Bounds().Dy())
			if x1-x*divisor < divisor || y1-y*divisor < divisor {
				continue // the border goes beyond the image
			}
			d := math.Abs(level(small, x, y, x+1, y+1) - level(full, x*divisor, y*divisor, x1, y1))
			rms, most, n = rms+d*d, max(most, d), n+1
		}
	}
	return math.Sqrt(rms / n), most
}

// The standard library decodes the same data in full: pixels agree with the means of
// those that they cover, but for the frequencies that are left out.
func TestAgainstFullDecode(t *testing.T) {
	all := variants(t)
	for name, data := range all {
		want, err := jpeg.Decode(bytes.NewReader(data))
		if name == beyond { // the same coefficients in another order
			want, err = jpeg.Decode(bytes.NewReader(all["baseline"]))
		}
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for _, divisor := range []int{2, 4, 8} {
			b := want.Bounds()
			got, err := jpegdct.Decode(bytes.NewReader(data), divisor)
			if err != nil {
				t.Errorf("%s / %d: %v", name, divisor, err)
				continue
			}
			if g := got.Bounds(); g.Dx() != (b.Dx()+divisor-1)/divisor || g.Dy() != (b.Dy()+divisor-1)/divisor {
				t.Errorf("%s / %d: %v of %v", name, divisor, g, b)
			}
			if fmt.Sprintf("%T", got) != fmt.Sprintf("%T", want) {
				t.Errorf("%s / %d: %T, want %T", name, divisor, got, want)
			}
			rms, most := differ(got, want, divisor)
			if !(rms <= 1.6) || most > 16 {
				t.Errorf("%s / %d: differs by %.2f, at most %.1f levels", name, divisor, rms, most)
			}
			t.Logf("%s / %d: %.2f, %.1f", name, divisor, rms, most)
		}
	}
}

// beyond is a variant that the standard library of Go 1.26 refuses ("missing 0xff00
// sequence") and libjpeg decodes.
const beyond = "progressive restarts"

// variants are one picture in codings of the standard library and of ImageMagick.
func variants(t *testing.T) map[string][]byte {
	m := scene(203, 141)
	out := map[string][]byte{}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 92}); err != nil {
		t.Fatal(err)
	}
	out["baseline"] = bytes.Clone(b.Bytes())
	grey := image.NewGray(m.Bounds())
	for y := range m.Bounds().Dy() {
		for x := range m.Bounds().Dx() {
			grey.Set(x, y, m.At(x, y))
		}
	}
	b.Reset()
	if err := jpeg.Encode(&b, grey, nil); err != nil {
		t.Fatal(err)
	}
	out["grey"] = bytes.Clone(b.Bytes())
	convert, err := exec.LookPath("convert")
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		return out
	}
	dir := t.TempDir()
	from := filepath.Join(dir, "from.jpg")
	if err := os.WriteFile(from, out["baseline"], 0o644); err != nil {
		t.Fatal(err)
	}
	for name, args := range map[string][]string{
		"progressive":     {"-interlace", "JPEG", "-sampling-factor", "2x2"},
		"progressive 444": {"-interlace", "JPEG", "-sampling-factor", "1x1", "-quality", "97"},
		"422":             {"-sampling-factor", "2x1"},
		"440":             {"-sampling-factor", "1x2"},
		"411":             {"-sampling-factor", "4x1"},
		"410":             {"-sampling-factor", "4x2"},
		"low":             {"-quality", "20"},
		"CMYK":            {"-colorspace", "CMYK"},
		"RGB":             {"-colorspace", "RGB", "-set", "colorspace", "sRGB", "-sampling-factor", "1x1"},
	} {
		to := filepath.Join(dir, "to.jpg")
		if text, err := exec.Command(convert, append(append([]string{from}, args...), to)...).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v %s", name, err, text)
		}
		if out[name], err = os.ReadFile(to); err != nil {
			t.Fatal(err)
		}
	}
	jpegtran, err := exec.LookPath("jpegtran")
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		return out
	}
	for name, args := range map[string][]string{
		"restarts":          {"-restart", "3B"},
		"a restart a row":   {"-restart", "1"},
		beyond:              {"-progressive", "-restart", "5B"},
		"tables of its own": {"-optimize"},
	} {
		to := filepath.Join(dir, "to.jpg")
		if text, err := exec.Command(jpegtran, append(args, "-outfile", to, from)...).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v %s", name, err, text)
		}
		if out[name], err = os.ReadFile(to); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// What the standard library refuses is refused, wherever an image is cut; what is
// damaged never panics.
func TestDamage(t *testing.T) {
	for name, data := range variants(t) {
		if name == beyond {
			continue
		}
		for n := 0; n < len(data); n += 97 {
			_, full := jpeg.Decode(bytes.NewReader(data[:n]))
			_, err := jpegdct.Decode(bytes.NewReader(data[:n]), 4)
			if (err == nil) != (full == nil) {
				t.Errorf("%s cut at %d: %v, want %v", name, n, err, full)
			}
		}
	}
}

// A byte that nothing asked for before a restart marker is damage, wherever it is.
func TestRestart(t *testing.T) {
	data, ok := variants(t)["a restart a row"]
	if !ok {
		t.Skip("jpegtran is not there")
	}
	at := 0
	for marker := byte(0xd0); ; marker++ {
		next := bytes.Index(data[at:], []byte{0xff, marker})
		if next < 0 || marker > 0xd7 {
			break
		}
		at += next
		if _, err := jpegdct.Decode(bytes.NewReader(slices.Insert(bytes.Clone(data), at, 0)), 4); err == nil {
			t.Errorf("before the marker %x: no error", marker)
		}
	}
	if at == 0 {
		t.Error("there are no restart markers")
	}
}

func FuzzDecode(f *testing.F) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, scene(40, 30), nil); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes(), byte(1))
	f.Fuzz(func(t *testing.T, data []byte, scale byte) {
		if cfg, err := jpeg.DecodeConfig(bytes.NewReader(data)); err == nil && cfg.Width*cfg.Height > 1<<20 {
			return
		}
		want, full := jpeg.Decode(bytes.NewReader(data))
		divisor := 2 << (scale % 3)
		got, err := jpegdct.Decode(bytes.NewReader(data), divisor)
		if full != nil || err != nil {
			return
		}
		if g, b := got.Bounds(), want.Bounds(); g.Dx() != (b.Dx()+divisor-1)/divisor {
			t.Errorf("%v of %v / %d", g, b, divisor)
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, scene(4000, 3000), &jpeg.Options{Quality: 90}); err != nil {
		b.Fatal(err)
	}
	b.Logf("%d bytes", buf.Len())
	b.Run("full", func(b *testing.B) {
		for b.Loop() {
			if _, err := jpeg.Decode(bytes.NewReader(buf.Bytes())); err != nil {
				b.Fatal(err)
			}
		}
	})
	for _, divisor := range []int{2, 4, 8} {
		b.Run(fmt.Sprint(divisor), func(b *testing.B) {
			for b.Loop() {
				if _, err := jpegdct.Decode(bytes.NewReader(buf.Bytes()), divisor); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
