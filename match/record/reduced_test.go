package record

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"golang.org/x/image/draw"
)

// A picture that is drawn from means is the picture drawn from all pixels but for what
// the grain does.
func TestReduced(t *testing.T) {
	for _, ratio := range []image.YCbCrSubsampleRatio{image.YCbCrSubsampleRatio420, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio444} {
		for _, size := range []image.Point{{2000, 1500}, {501, 375}, {1501, 2003}, {1283, 31}} {
			rng := rand.New(rand.NewPCG(1, 2))
			m := image.NewYCbCr(image.Rectangle{Max: size}, ratio)
			across := make([]float64, m.YStride)
			for x := range across {
				across[x] = math.Sin(float64(x) / 90)
			}
			for i := range m.Y {
				x, y := i%m.YStride, i/m.YStride
				m.Y[i] = uint8(110 + 60*across[x]*across[y%len(across)] + 5*rng.NormFloat64())
				if (x/97+y/131)%3 == 0 {
					m.Y[i] += 50
				}
			}
			for i := range m.Cb {
				x, y := i%m.CStride, i/m.CStride
				m.Cb[i], m.Cr[i] = uint8(100+50*x/m.CStride), uint8(150-40*y*m.CStride/len(m.Cb))
			}
			got := ThumbnailOptions{Size: 320}.small(m, 1)
			want := image.NewRGBA(got.Rect)
			draw.BiLinear.Scale(want, want.Rect, m, m.Rect, draw.Src, nil)
			var sum, most float64
			for i := range want.Pix {
				d := math.Abs(float64(got.Pix[i]) - float64(want.Pix[i]))
				sum, most = sum+d/float64(len(want.Pix)), max(most, d)
			}
			if sum > 2 || most > 40 {
				t.Errorf("%v, %v: off by %.2f as a mean, %v at most", size, ratio, sum, most)
			}
		}
	}
}
