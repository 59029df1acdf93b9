package geotagtest

import (
	"bytes"
	"image/jpeg"
	"regexp"
	"testing"

	"github.com/rwcarlsen/goexif/exif" // also keeps the module in go.mod
)

// A second reader, the samples' own module, must find the spliced block and a
// decoder the pixels.
func TestWhole(t *testing.T) {
	all := All(t)
	blocks := 0
	for _, s := range all {
		if s.Block == nil {
			t.Errorf("%s: no Exif block", s.Name)
			continue
		}
		blocks++
		x, err := exif.Decode(bytes.NewReader(s.Whole))
		if err != nil {
			t.Errorf("%s: %v", s.Name, err)
			continue
		}
		if !bytes.Equal(x.Raw, s.Block) {
			t.Errorf("%s: the block read back differs", s.Name)
		}
		if img, err := jpeg.Decode(bytes.NewReader(s.Whole)); err != nil {
			t.Errorf("%s: %v", s.Name, err)
		} else if b := img.Bounds(); b.Dx() != 48 || b.Dy() != 32 {
			t.Errorf("%s: %v", s.Name, b)
		}
	}
	// 57 photos and one bare block, counted in the module's directory.
	if blocks != 58 {
		t.Errorf("%d blocks, want 58", blocks)
	}
	if n := len(Corrupt(t)); n != 3 {
		t.Errorf("%d damaged files, want 3", n)
	}
}

// The files of each format must be those that their names say, by the signatures
// of the formats.
func TestFiles(t *testing.T) {
	for ext, signature := range map[string]string{
		"png": "^\u0089PNG\r\n\x1a\n", "webp": "^RIFF....WEBP",
		"heic": "^....ftyp", "heif": "^....ftyp", "avif": "^....ftyp",
		"tif": "^(II\\*\x00|MM\x00\\*)", "dng": "^II\\*\x00", "nef": "^MM\x00\\*", "cr2": "^II\\*\x00", "arw": "^II\\*\x00",
	} {
		re := regexp.MustCompile("(?s)" + signature)
		for _, s := range Files(t, ext) {
			// This one is no PNG: it starts with zeros.
			if s.Name != "largeexif.png" && !re.MatchString(string(latin1(s.Raw[:16]))) {
				t.Errorf("%s starts with % x", s.Name, s.Raw[:16])
			}
		}
	}
	if n := len(Files(t, ".PNG", "webp")); n < 7 {
		t.Errorf("%d PNG and WebP files", n)
	}
}

// latin1 makes a character of each byte.
func latin1(b []byte) []rune {
	var r []rune
	for _, c := range b {
		r = append(r, rune(c))
	}
	return r
}
