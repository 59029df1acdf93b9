package geotagtest

import (
	"bytes"
	"image/jpeg"
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
