package geotagtest

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/jpeg"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

const (
	goexif    = "github.com/rwcarlsen/goexif"
	imagemeta = "github.com/bep/imagemeta"
	goExif    = "github.com/dsoprea/go-exif/v3"
	goImage   = "golang.org/x/image"
)

// exifSignature is what stands before the TIFF header in an APP1 segment.
const exifSignature = "Exif\x00\x00"

// Sample is one file.
type Sample struct {
	// Name is the file's base name.
	Name string
	// Raw is the file as it is.
	Raw []byte
	// Block is the TIFF structure without the Exif signature; nil where the file
	// has none.
	Block []byte
	// Whole is a complete JPEG with the block in an APP1 segment right after the
	// start of image; nil where Block is nil.
	Whole []byte
}

// dirs remembers where modules are.
var dirs sync.Map // of module: func() (string, error)

// dir is a module's folder in the module cache.
func dir(module string) (string, error) {
	find, _ := dirs.LoadOrStore(module, sync.OnceValues(func() (string, error) {
		list := func() (string, error) {
			out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", module).Output()
			return strings.TrimSpace(string(out)), err
		}
		d, err := list()
		if err == nil && d == "" { // known, but not in the cache yet
			if err = exec.Command("go", "mod", "download", module).Run(); err == nil {
				d, err = list()
			}
		}
		return d, err
	}))
	return find.(func() (string, error))()
}

// All returns the samples in the order of their names, each a copy of the
// caller's own. It skips the test where the module can't be had, unless
// PHOTOTIE_REQUIRE_TOOLS is set: then the test fails.
func All(tb testing.TB) []Sample {
	tb.Helper()
	return load(tb, goexif, filepath.Join("exif", "samples"))
}

// Corrupt returns files that are damaged on purpose: a loop of directories, a
// count of 2^32-1 and a tag far larger than the file.
func Corrupt(tb testing.TB) []Sample {
	tb.Helper()
	return load(tb, goexif, filepath.Join("exif", "corrupt"))
}

// Photos returns whole photos as cameras and phones wrote them, many of them with
// a position: those of the test data of two metadata readers. The largest are
// left out.
func Photos(tb testing.TB) []Sample {
	tb.Helper()
	var all []Sample
	for _, from := range []struct{ module, sub string }{
		{imagemeta, "testdata/images"}, {imagemeta, "testdata/images/metadata-extractor"}, {goExif, "assets"},
	} {
		all = append(all, load(tb, from.module, filepath.FromSlash(from.sub))...)
	}
	return slices.DeleteFunc(all, func(s Sample) bool { return !strings.HasPrefix(string(s.Raw), "\xff\xd8\xff") })
}

// Files returns the files, of whatever format, whose names end in one of the
// extensions ("png" or ".png", in any case): those of the test data of a
// metadata reader, which are of cameras and phones or exported by common
// programs, and those of an image decoder, which mostly have no metadata. Whether
// a name tells the truth is not looked at. A format of which there is no file
// fails the test.
func Files(tb testing.TB, extensions ...string) []Sample {
	tb.Helper()
	var all []Sample
	for _, from := range []struct{ module, sub string }{
		{imagemeta, "testdata/images"}, {imagemeta, "testdata/images/bep"}, {imagemeta, "testdata/images/metadata-extractor"}, {goImage, "testdata"},
	} {
		all = append(all, load(tb, from.module, filepath.FromSlash(from.sub))...)
	}
	is := func(s Sample, ext string) bool {
		return strings.EqualFold(filepath.Ext(s.Name), "."+strings.TrimPrefix(ext, "."))
	}
	for _, ext := range extensions {
		if !slices.ContainsFunc(all, func(s Sample) bool { return is(s, ext) }) {
			tb.Fatalf("no sample is a %s file", ext)
		}
	}
	return slices.DeleteFunc(all, func(s Sample) bool {
		return !slices.ContainsFunc(extensions, func(ext string) bool { return is(s, ext) })
	})
}

// maxSample is the size in bytes above which a file is left out.
const maxSample = 8 << 20

func load(tb testing.TB, module, sub string) []Sample {
	tb.Helper()
	d, err := dir(module)
	if err != nil || d == "" {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			tb.Fatalf("module %s: directory %q, %v", module, d, err)
		}
		tb.Skipf("module %s is not at hand: %v", module, err)
	}
	files, err := os.ReadDir(filepath.Join(d, sub))
	if err != nil {
		tb.Fatal(err)
	}
	var all []Sample
	for _, f := range files {
		if info, err := f.Info(); err != nil || info.Size() > maxSample || !f.Type().IsRegular() {
			continue
		}
		raw, err := os.ReadFile(filepath.Join(d, sub, f.Name()))
		if err != nil {
			tb.Fatal(err)
		}
		s := Sample{Name: f.Name(), Raw: raw, Block: Block(raw)}
		if s.Block != nil {
			s.Whole = Splice(s.Block)
		}
		all = append(all, s)
	}
	if len(all) == 0 {
		tb.Fatalf("no samples in %s of %s", sub, module)
	}
	return all
}

// Block returns a copy of the TIFF structure in the first Exif segment of a
// JPEG, or of a file that is an Exif segment's payload; nil where there is none
// or it is cut off.
func Block(raw []byte) []byte {
	if bytes.HasPrefix(raw, []byte(exifSignature)) {
		return bytes.Clone(raw[len(exifSignature):])
	}
	if !bytes.HasPrefix(raw, []byte{0xFF, 0xD8}) {
		return nil
	}
	for p := 2; p+4 <= len(raw) && raw[p] == 0xFF && raw[p+1] != 0xDA; {
		n := int(binary.BigEndian.Uint16(raw[p+2:]))
		if n < 2 || p+2+n > len(raw) {
			return nil
		}
		payload := raw[p+4 : p+2+n]
		if raw[p+1] == 0xE1 && bytes.HasPrefix(payload, []byte(exifSignature)) {
			return bytes.Clone(payload[len(exifSignature):])
		}
		p += 2 + n
	}
	return nil
}

// Splice returns a complete JPEG of Plain's image with the TIFF block in an
// Exif segment right after the start of image. The block must be below 64 KiB.
func Splice(block []byte) []byte {
	payload := append([]byte(exifSignature), block...)
	return Insert(Plain(), 0xE1, payload)
}

// Insert returns a copy of the JPEG img with one more segment, right after the
// start of image.
func Insert(img []byte, marker byte, payload []byte) []byte {
	if len(payload) > 65533 {
		panic("samples: a segment holds 65533 bytes at most")
	}
	n := len(payload) + 2
	out := append([]byte{0xFF, 0xD8, 0xFF, marker, byte(n >> 8), byte(n)}, payload...)
	return append(out, img[2:]...)
}

// Plain returns a complete baseline JPEG of 48 by 32 pixels without metadata.
func Plain() []byte { return bytes.Clone(plain()) }

var plain = sync.OnceValue(func() []byte {
	img := image.NewRGBA(image.Rect(0, 0, 48, 32))
	for y := range 32 {
		for x := range 48 {
			img.Set(x, y, color.RGBA{uint8(5 * x), uint8(7 * y), uint8(x * y), 255})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		panic(err) // a buffer takes all
	}
	return b.Bytes()
})
