package pixels

import (
	"bytes"
	"image"
	"image/jpeg"
	"math"
	"math/bits"
	"os"
	"testing"

	"golang.org/x/image/draw"
)

// A large photo is decoded at a smaller scale. On real photos, as they are and
// enlarged to what the cameras of handhelds have, sharp and blurred, that gives what
// the full decode gives: the same class of blur, exposure within 2 % of the pixels,
// and a preview that is the same picture. By default every third photo, and not the
// largest size: PHOTOTIE_FULL=1 has all.
func TestScaleTellsTheSame(t *testing.T) {
	compared := 0
	sides, step := []int{0, 1792}, 3 // 1792 is halved to the least that is left
	if os.Getenv("PHOTOTIE_FULL") != "" {
		sides, step = []int{0, 1792, 2600, 3584, 5200}, 1
	}
	for i, p := range realPhotos(t) {
		if i%step != 0 {
			continue
		}
		for _, side := range sides {
			data := p.raw
			if side > 0 {
				data = enlarge(t, p.raw, side)
			}
			cfg, err := jpeg.DecodeConfig(bytes.NewReader(data))
			if err != nil {
				t.Fatal(err)
			}
			if divisor(cfg.Width, cfg.Height, decodedSide) == 1 {
				continue
			}
			img, err := jpeg.Decode(bytes.NewReader(data))
			if err != nil {
				t.Fatal(err)
			}
			var full Measures
			full.look(img)
			got := mustMeasure(t, data)
			compared++
			if (got.Blur == nil) != (full.Blur == nil) || got.Blur != nil && math.Abs(*got.Blur-*full.Blur) > 0.1 {
				t.Errorf("%s %d: blur %v, in full %v", p.name, side, *got.Blur, *full.Blur)
			} else if got.Blur != nil && (*got.Blur > SharpBlur) != (*full.Blur > SharpBlur) {
				t.Errorf("%s %d: another class of blur: %v, in full %v", p.name, side, *got.Blur, *full.Blur)
			}
			if math.Abs(got.Exposure.Black-full.Exposure.Black) > 0.02 || math.Abs(got.Exposure.White-full.Exposure.White) > 0.02 || math.Abs(got.Exposure.Mean-full.Exposure.Mean) > 0.002 {
				t.Errorf("%s %d: exposure %+v, in full %+v", p.name, side, *got.Exposure, *full.Exposure)
			}
			if got.Hash == nil || full.Hash == nil {
				if (got.Hash == nil) != (full.Hash == nil) {
					t.Errorf("%s %d: hash %v, in full %v", p.name, side, got.Hash, full.Hash)
				}
			} else if n := bits.OnesCount64(uint64(*got.Hash ^ *full.Hash)); n > 2 {
				t.Errorf("%s %d: %d bits of the hash differ", p.name, side, n)
			}
			if c := Compare(got.Preview, full.Preview.upright(got.Orientation)); c.Likeness != Same {
				t.Errorf("%s %d: the preview is %v", p.name, side, c)
			}
		}
	}
	if compared < 5 {
		t.Errorf("only %d photos were decoded at a smaller scale", compared)
	}
}

// enlarge brings a photo to a longer side, with the detail that its pixels have.
func enlarge(t *testing.T, data []byte, side int) []byte {
	img, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	b := img.Bounds()
	n := max(b.Dx(), b.Dy())
	big := image.NewRGBA(image.Rect(0, 0, b.Dx()*side/n, b.Dy()*side/n))
	draw.ApproxBiLinear.Scale(big, big.Bounds(), img, b, draw.Src, nil)
	var out bytes.Buffer
	if err := jpeg.Encode(&out, big, &jpeg.Options{Quality: 92}); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}
