package pixels

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
)

// Real PNG and WebP files measure as what an independent program decodes them to,
// given to us as PNG.
func TestOtherFormats(t *testing.T) {
	convert := tool(t, "convert")
	dir := t.TempDir()
	n := 0
	for _, s := range geotagtest.Files(t, "png", "webp") {
		switch s.Name {
		case "sunrise.png", "sunrise.webp", "sunrise_lossless.webp", "sunrise_lossy.webp", "yellow_rose.lossy.webp", "issue-590.png", "video-001.png", "blue-purple-pink.lossy.webp":
		default:
			continue
		}
		n++
		name := filepath.Join(dir, s.Name)
		if err := os.WriteFile(name, s.Raw, 0o600); err != nil {
			t.Fatal(err)
		}
		decoded, err := exec.Command(convert, name, "-strip", "-depth", "8", "-alpha", "off", "PNG24:-").Output()
		if err != nil {
			t.Fatal(s.Name, err)
		}
		got, want := mustMeasure(t, s.Raw), mustMeasure(t, decoded)
		if got.Width != want.Width || got.Height != want.Height || got.Quality != nil || got.Blur == nil || got.Hash == nil {
			t.Errorf("%s: %+v, %+v", s.Name, got, want)
			continue
		}
		// The two decoders of lossy images differ in how they spread colours.
		if d := math.Abs(got.Exposure.Mean - want.Exposure.Mean); d > 0.004 {
			t.Errorf("%s: mean %.4f, ImageMagick's %.4f", s.Name, got.Exposure.Mean, want.Exposure.Mean)
		}
		if d := math.Abs(*got.Blur/(*want.Blur) - 1); d > 0.03 {
			t.Errorf("%s: blur %.3f, ImageMagick's %.3f", s.Name, *got.Blur, *want.Blur)
		}
		if d := got.Hash.Distance(*want.Hash); d > 3 {
			t.Errorf("%s: the hashes are %d apart", s.Name, d)
		}
	}
	if n != 8 {
		t.Errorf("%d files", n)
	}
}

// The Exif orientation holds for other formats too.
func TestOtherFormatsUpright(t *testing.T) {
	block := []byte("MM\x00*\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00\x00\x00\x00\x00")
	img := image.NewGray(image.Rect(0, 0, 64, 32))
	for i := range img.Pix {
		img.Pix[i] = uint8(4 * (i % 64))
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	chunk := binary.BigEndian.AppendUint32(nil, uint32(len(block)))
	chunk = append(append(chunk, "eXIf"...), block...)
	chunk = binary.BigEndian.AppendUint32(chunk, crc32.ChecksumIEEE(chunk[4:]))
	with := append(append(bytes.Clone(b.Bytes()[:33]), chunk...), b.Bytes()[33:]...)
	if m := mustMeasure(t, with); m.Orientation != 6 || m.Width != 64 || m.Height != 32 {
		t.Errorf("%+v", m)
	}
}

// What is not to be decoded is not, and no memory is taken for it.
func TestOtherFormatsRefused(t *testing.T) {
	var small bytes.Buffer
	if err := png.Encode(&small, image.NewRGBA(image.Rect(0, 0, 16, 16))); err != nil {
		t.Fatal(err)
	}
	declares := func(w, h uint32) []byte {
		img := bytes.Clone(small.Bytes())
		binary.BigEndian.PutUint32(img[16:], w)
		binary.BigEndian.PutUint32(img[20:], h)
		binary.BigEndian.PutUint32(img[29:], crc32.ChecksumIEEE(img[12:29]))
		return img
	}
	webp := func(chunks string) []byte {
		b := append([]byte("RIFF"), binary.LittleEndian.AppendUint32(nil, uint32(4+len(chunks)))...)
		return append(append(b, "WEBP"...), chunks...)
	}
	lossless := func(w, h uint32) string {
		return "VP8L\x06\x00\x00\x00\x2f" + string(binary.LittleEndian.AppendUint32(nil, (w-1)|(h-1)<<14)) + "\x00"
	}
	for _, c := range []struct {
		what, undecoded string
		img             []byte
		err             error
	}{
		{"too many", "more than the limit", append(declares(20_000, 20_000), make([]byte, 1<<20)...), nil},
		{"more than the file holds", "too few", declares(4000, 4000), nil},
		{"no end of data", "damaged", declares(17, 17), nil},
		{"cut off", "cut off", small.Bytes()[:60], nil},
		{"cut in the header", "", small.Bytes()[:20], geotag.ErrTruncated},
		{"no pixels", "", declares(0, 5), geotag.ErrCorrupt},
		{"webp too many", "more than the limit", webp(lossless(16384, 16384)), nil},
		{"webp cut in the header", "", webp(lossless(16, 16))[:24], geotag.ErrTruncated},
		{"webp nothing", "", webp("what\x00\x00\x00\x00"), geotag.ErrCorrupt},
		{"webp animation", "", webp("VP8X\x0a\x00\x00\x00\x02\x00\x00\x00\x0f\x00\x00\x0f\x00\x00"), geotag.ErrFormat},
		{"webp of two minds", "damaged", webp("VP8X\x0a\x00\x00\x00\x00\x00\x00\x00\x0f\x00\x00\x0f\x00\x00" + lossless(16384, 16384)), nil},
		{"TIFF without a directory", "", []byte("II*\x00\x08\x00\x00\x00"), geotag.ErrTruncated},
	} {
		m, err := measure(c.img, Limits{})
		switch {
		case c.err != nil:
			if !errors.Is(err, c.err) {
				t.Errorf("%s: %v", c.what, err)
			}
		case err != nil:
			t.Errorf("%s: %v", c.what, err)
		case !strings.Contains(m.Undecoded, c.undecoded) || m.Undecoded == "":
			t.Errorf("%s: %q", c.what, m.Undecoded)
		}
	}
}

// Each kind of PNG comes out with the brightness it has, whatever the decoder
// makes of it.
func TestPNGKinds(t *testing.T) {
	b := image.Rect(0, 0, 40, 30)
	fill := func(m interface {
		image.Image
		Set(x, y int, c color.Color)
	}) image.Image {
		for y := range 30 {
			for x := range 40 {
				m.Set(x, y, color.NRGBA{64, 128, 192, 255})
			}
		}
		return m
	}
	// ITU-R BT.601: 0.299 R + 0.587 G + 0.114 B.
	want := (0.299*64 + 0.587*128 + 0.114*192) / 255
	for _, m := range []image.Image{
		fill(image.NewGray(b)), fill(image.NewGray16(b)), fill(image.NewRGBA(b)), fill(image.NewNRGBA(b)), fill(image.NewNRGBA64(b)),
		fill(image.NewPaletted(b, color.Palette{color.NRGBA{64, 128, 192, 255}})),
	} {
		var out bytes.Buffer
		if err := png.Encode(&out, m); err != nil {
			t.Fatal(err)
		}
		if got := mustMeasure(t, out.Bytes()).Exposure.Mean; math.Abs(got-want) > 0.004 {
			t.Errorf("%T: %.4f, want %.4f", m, got, want)
		}
	}
}
