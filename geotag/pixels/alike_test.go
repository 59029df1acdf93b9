package pixels

import (
	"bytes"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// stroke draws a line of a width with round ends.
func stroke(m *image.RGBA, x0, y0, x1, y1, width float64, c color.RGBA) {
	for y := int(min(y0, y1) - width); y <= int(max(y0, y1)+width); y++ {
		for x := int(min(x0, x1) - width); x <= int(max(x0, x1)+width); x++ {
			fx, fy, dx, dy := float64(x)-x0, float64(y)-y0, x1-x0, y1-y0
			t := min(1, max(0, (fx*dx+fy*dy)/(dx*dx+dy*dy)))
			if math.Hypot(fx-t*dx, fy-t*dy) <= width/2 {
				m.SetRGBA(x, y, c)
			}
		}
	}
}

// arrow and note draw as people do on a photo. Lengths are shares of its width.
func arrow(m *image.RGBA, width float64, c color.RGBA) {
	w, h := float64(m.Rect.Dx()), float64(m.Rect.Dy())
	stroke(m, 0.2*w, 0.3*h, 0.5*w, 0.55*h, width*w, c)
	stroke(m, 0.5*w, 0.55*h, 0.47*w, 0.48*h, width*w, c)
	stroke(m, 0.5*w, 0.55*h, 0.44*w, 0.54*h, width*w, c)
}

func note(m *image.RGBA, paper, ink color.RGBA) {
	w, h := float64(m.Rect.Dx()), float64(m.Rect.Dy())
	draw.Draw(m, image.Rect(int(0.5*w), int(0.1*h), int(0.9*w), int(0.25*h)), image.NewUniform(paper), image.Point{}, draw.Src)
	for i := range 8 {
		stroke(m, (0.52+0.04*float64(i))*w, 0.13*h, (0.55+0.04*float64(i))*w, 0.22*h, 0.008*w, ink)
	}
	arrow(m, 0.006, ink)
}

// resized is an image brought to a share of its size.
func resized(img image.Image, by float64) image.Image {
	y, cb, cr := components(img)
	out := image.NewYCbCr(image.Rect(0, 0, int(math.Round(float64(y.w)*by)), int(math.Round(float64(y.h)*by))), image.YCbCrSubsampleRatio444)
	for i, p := range []plane{y, cb, cr} {
		to := [][]uint8{out.Y, out.Cb, out.Cr}[i]
		for j, v := range p.resample(out.Rect.Dx(), out.Rect.Dy()).pix {
			to[j] = uint8(v + 0.5) // no padding at 4:4:4
		}
	}
	return out
}

func previewOf(img image.Image) *Preview {
	y, cb, cr := components(img)
	return newPreview(y.resample(y.w, y.h), cb, cr)
}

// TestAlike makes copies of real photos, marks some of them up, and looks for the
// pairs among all of them.
func TestAlike(t *testing.T) {
	t.Parallel()
	var names []string
	var images []image.Image
	for _, p := range realPhotos(t) {
		names, images = append(names, p.name), append(images, p.small)
	}
	red, yellow, white := color.RGBA{230, 20, 20, 255}, color.RGBA{255, 230, 0, 255}, color.RGBA{255, 255, 255, 255}
	black := color.RGBA{0, 0, 0, 255}
	drawn := func(f func(m *image.RGBA)) func(image.Image) image.Image {
		return func(img image.Image) image.Image {
			m := image.NewRGBA(image.Rect(0, 0, img.Bounds().Dx(), img.Bounds().Dy()))
			draw.Draw(m, m.Rect, img, img.Bounds().Min, draw.Src)
			f(m)
			return resized(m, 0.7)
		}
	}
	kinds := []struct {
		name   string
		make   func(image.Image) image.Image
		marked bool
		// found is how many of all are recognised for what they are at least; the
		// rest must still be found related, but for missed.
		found, missed int
	}{
		{"quality 40", func(m image.Image) image.Image { return m }, false, len(names), 0},
		{"reduced", func(m image.Image) image.Image { return resized(m, 0.37) }, false, len(names) - 5, 0},
		{"thin red arrow", drawn(func(m *image.RGBA) { arrow(m, 0.003, red) }), true, len(names) / 2, 0},
		{"red arrow", drawn(func(m *image.RGBA) { arrow(m, 0.006, red) }), true, len(names) * 3 / 4, 0},
		{"white arrow", drawn(func(m *image.RGBA) { arrow(m, 0.006, white) }), true, len(names) * 3 / 4, 0},
		{"yellow note", drawn(func(m *image.RGBA) { note(m, yellow, red) }), true, len(names), 0},
		{"white note", drawn(func(m *image.RGBA) { note(m, white, black) }), true, len(names) - 1, 0},
	}
	var all []*Preview
	for _, m := range images {
		all = append(all, previewOf(m))
	}
	for _, k := range kinds {
		for _, m := range images {
			copied, err := jpeg.Decode(bytes.NewReader(encode(t, k.make(m), 75)))
			if k.name == "quality 40" {
				copied, err = jpeg.Decode(bytes.NewReader(encode(t, m, 40)))
			}
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, previewOf(copied))
		}
	}
	n := len(names)
	found, related := make([]int, len(kinds)), make([]int, len(kinds))
	for p := range Alike(all) {
		if p.First >= p.Second {
			t.Fatalf("pair %d, %d", p.First, p.Second)
		}
		if p.First%n != p.Second%n {
			t.Errorf("%s and %s are taken for one picture: %+v", names[p.First%n], names[p.Second%n], p)
		}
		if p.First >= n {
			continue // two copies
		}
		k := p.Second/n - 1
		related[k]++
		if kinds[k].marked && p.Likeness == DrawnOn && p.Drawn == 2 || !kinds[k].marked && p.Likeness == Same {
			found[k]++
		}
		if p.Likeness == DrawnOn && (p.Drawn == 1 || !kinds[k].marked) {
			t.Errorf("%s, %s: %+v", names[p.First], kinds[k].name, p)
		}
	}
	for k, kind := range kinds {
		t.Logf("%-15s %d of %d related, %d recognised", kind.name, related[k], n, found[k])
		if found[k] < kind.found || related[k] < n-kind.missed {
			t.Errorf("%s: %d of %d related, %d recognised; want %d and %d", kind.name, related[k], n, found[k], n-kind.missed, kind.found)
		}
	}
}

// TestPairs compares with trying all pairs, on hashes that are close on purpose.
func TestPairs(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, within := range []int{0, 1, 3, 4, 7, 8, 11, 12, 15} {
		hashes := []Hash{}
		for range 60 {
			h := Hash(rng.Uint64())
			hashes = append(hashes, h)
			for range rng.IntN(4) {
				near := h
				for range rng.IntN(within + 3) {
					near ^= 1 << rng.IntN(64)
				}
				hashes = append(hashes, near)
			}
		}
		hashes = append(hashes, hashes[0], hashes[0])
		var want, got [][2]int
		for i := range hashes {
			for j := i + 1; j < len(hashes); j++ {
				if hashes[i].Distance(hashes[j]) <= within {
					want = append(want, [2]int{i, j})
				}
			}
		}
		for i, j := range pairs(hashes, within) {
			got = append(got, [2]int{i, j})
		}
		if !slices.IsSortedFunc(got, func(a, b [2]int) int { return a[0] - b[0] }) {
			t.Errorf("within %d: not in order", within)
		}
		slices.SortFunc(got, func(a, b [2]int) int { return slices.Compare(a[:], b[:]) })
		if !slices.Equal(got, want) {
			t.Errorf("within %d: %d pairs, want %d", within, len(got), len(want))
		}
	}
	for range pairs([]Hash{1, 1, 1}, 3) {
		break // must be allowed
	}
	defer func() {
		if recover() == nil {
			t.Error("no panic for 16")
		}
	}()
	pairs(nil, 16)
}

func TestEvenPicturesHaveNoHash(t *testing.T) {
	m := image.NewGray(image.Rect(0, 0, 80, 60))
	for i := range m.Pix {
		m.Pix[i] = uint8(128 + i%3)
	}
	got := mustMeasure(t, encode(t, m, 90))
	if got.Hash != nil || got.Preview == nil || got.Blur != nil {
		t.Errorf("%+v", got)
	}
	if d := Compare(got.Preview, got.Preview); d.Likeness != Same || d.Share != 0 {
		t.Errorf("%+v", d)
	}
}

// TestCompareIsSymmetric swaps the two pictures.
func TestCompareIsSymmetric(t *testing.T) {
	a := scene(300, 200)
	b := image.NewRGBA(a.Rect)
	copy(b.Pix, a.Pix)
	arrow(b, 0.01, color.RGBA{255, 0, 0, 255})
	p, q := previewOf(a), previewOf(b)
	d, e := Compare(p, q), Compare(q, p)
	if d.Likeness != DrawnOn || d.Drawn != 2 || e.Drawn != 1 || d.Share != e.Share || d.Median != e.Median {
		t.Errorf("%+v, %+v", d, e)
	}
}
