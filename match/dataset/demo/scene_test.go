package demo

import (
	"bytes"
	"image"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"testing"
)

// TestPlateInPicture looks, for many seeds and without drawing, whether each
// photo has its plate and its point in the picture, large enough to be read and
// clear of the caption.
func TestPlateInPicture(t *testing.T) {
	c, err := newCanvas(fullWidth, fullHeight)
	if err != nil {
		t.Fatal(err)
	}
	for seed := range uint64(30) {
		for _, j := range []*Job{velland(t, seed), tallow(t, seed)} {
			for i := range j.Photos {
				p := &j.Photos[i]
				c.look(p.scene.view)
				box := plateBox(c, p)
				if !box.In(image.Rect(20, 20, fullWidth-20, fullHeight-52)) {
					t.Errorf("seed %d: the plate of %s (%s) is at %v", seed, p.Name, p.Shows, box)
				}
				if box.Dy() < 85 || box.Dx() < 85 {
					t.Errorf("seed %d: the plate of %s (%s) has %v pixels", seed, p.Name, p.Shows, box.Size())
				}
				q := c.see(p.scene.target)
				at := c.onImage(q)
				if q.z < near || at.x < 40 || at.x > fullWidth-40 || at.y < 10 || at.y > fullHeight-52 {
					t.Errorf("seed %d: the point of %s (%s) is at %.0f, %.0f", seed, p.Name, p.Shows, at.x, at.y)
				}
			}
		}
	}
}

func plateBox(c *canvas, p *Photo) image.Rectangle {
	b, _ := p.scene.board()
	lo, hi := pt{math.Inf(1), math.Inf(1)}, pt{math.Inf(-1), math.Inf(-1)}
	for _, q := range b.corners(0.01) {
		at := c.onImage(c.see(q))
		lo, hi = pt{min(lo.x, at.x), min(lo.y, at.y)}, pt{max(hi.x, at.x), max(hi.y, at.y)}
	}
	return image.Rect(int(lo.x), int(lo.y), int(math.Ceil(hi.x)), int(math.Ceil(hi.y)))
}

// sharpness is the mean square of the Laplacian of the brightness.
func sharpness(img image.Image, in image.Rectangle) float64 {
	grey := func(x, y int) float64 {
		r, g, b, _ := img.At(x, y).RGBA()
		return (0.299*float64(r) + 0.587*float64(g) + 0.114*float64(b)) / 257
	}
	var sum float64
	for y := in.Min.Y; y < in.Max.Y; y++ {
		for x := in.Min.X; x < in.Max.X; x++ {
			l := grey(x-1, y) + grey(x+1, y) + grey(x, y-1) + grey(x, y+1) - 4*grey(x, y)
			sum += l * l
		}
	}
	return sum / float64(in.Dx()*in.Dy())
}

func TestSizesAndBlur(t *testing.T) {
	j := velland(t, 1)
	bad := planted(t, j)
	decode := func(p *Photo) image.Image {
		img, err := jpeg.Decode(bytes.NewReader(jpegOf(t, p)))
		if err != nil {
			t.Fatalf("%s: %v", p.Name, err)
		}
		return img
	}
	seen := 0
	for i := range j.Photos {
		p := &j.Photos[i]
		switch bad[p.Name] {
		case Undersized:
			seen++
			if got := decode(p).Bounds().Size(); got != image.Pt(smallWidth, smallHeight) {
				t.Errorf("the small photo has %v", got)
			}
		case Blurred:
			seen++
			img := decode(p)
			sound := *p
			sound.scene.blur = 0
			c, err := newCanvas(fullWidth, fullHeight)
			if err != nil {
				t.Fatal(err)
			}
			c.look(p.scene.view)
			box := plateBox(c, p)
			was, is := sharpness(decode(&sound), box), sharpness(img, box)
			if is > was/50 || was < 100 {
				t.Errorf("the blurred plate has sharpness %.2f, before it was blurred %.2f", is, was)
			}
			if img.Bounds().Size() != image.Pt(fullWidth, fullHeight) {
				t.Errorf("the blurred photo has %v", img.Bounds().Size())
			}
		}
	}
	if seen != 2 {
		t.Errorf("%d of the two photos looked at", seen)
	}
}

// TestSoftenIsGaussian blurs a white dot and compares the spread with the
// standard deviation asked for.
func TestSoftenIsGaussian(t *testing.T) {
	const n = 121
	for _, sigma := range []float64{3, 6, 11} {
		img := image.NewRGBA(image.Rect(0, 0, n, n))
		for i := range img.Pix {
			img.Pix[i] = 0
		}
		// A block, so that rounding to bytes keeps enough of it.
		const half = 8
		for y := n/2 - half; y <= n/2+half; y++ {
			for x := n/2 - half; x <= n/2+half; x++ {
				img.Pix[y*img.Stride+4*x] = 255
			}
		}
		soften(img, sigma)
		var w, v float64
		for y := range n {
			for x := range n {
				k := float64(img.Pix[y*img.Stride+4*x])
				w += k
				v += k * float64((x-n/2)*(x-n/2))
			}
		}
		block := float64((2*half+1)*(2*half+1)-1) / 12
		if got := math.Sqrt(v/w - block); math.Abs(got-sigma) > 0.15*sigma {
			t.Errorf("sigma %v spreads by %.2f", sigma, got)
		}
	}
}

// TestFillStaysInside holds the clipping of polygons against the rasteriser's idea of
// inside: what fill paints is inside the image and inside the polygon.
func TestFillStaysInside(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	c, err := newCanvas(64, 48)
	if err != nil {
		t.Fatal(err)
	}
	for range 500 {
		clear(c.img.Pix)
		at := func() pt { return pt{rng.Float64()*400 - 170, rng.Float64()*400 - 170} }
		a, b, d := at(), at(), at()
		c.fill(rgb(0xffffff), []pt{a, b, d})
		side := func(p, q, r pt) float64 { return (q.x-p.x)*(r.y-p.y) - (q.y-p.y)*(r.x-p.x) }
		s := math.Copysign(1, side(a, b, d))
		for y := range 48 {
			for x := range 64 {
				m := pt{float64(x) + 0.5, float64(y) + 0.5}
				e := min(
					s*side(a, b, m)/math.Hypot(b.x-a.x, b.y-a.y),
					s*side(b, d, m)/math.Hypot(d.x-b.x, d.y-b.y),
					s*side(d, a, m)/math.Hypot(a.x-d.x, a.y-d.y))
				v := c.img.Pix[y*c.img.Stride+4*x]
				if e > 1 && v < 250 || e < -1 && v > 5 {
					t.Fatalf("triangle %v %v %v: pixel %d, %d is %d, and %.2f inside", a, b, d, x, y, v, e)
				}
			}
		}
	}
}
