package pixels

import (
	"bytes"
	"image"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// gaussian blurs with a Gaussian of standard deviation s pixels.
func gaussian(p picture, s float64) picture {
	k := int(math.Ceil(3 * s))
	weights := make([]float32, 2*k+1)
	var sum float32
	for i := range weights {
		weights[i] = float32(math.Exp(-float64((i-k)*(i-k)) / (2 * s * s)))
		sum += weights[i]
	}
	for i := range weights {
		weights[i] /= sum
	}
	out := picture{slices.Clone(p.pix), p.w, p.h}
	line := make([]float32, max(p.w, p.h)+2*k)
	along := func(n, start, step int) {
		for i := range n + 2*k {
			line[i] = out.pix[start+step*min(max(i-k, 0), n-1)]
		}
		for i := range n {
			var v float32
			for j, w := range weights {
				v += w * line[i+j]
			}
			out.pix[start+step*i] = v
		}
	}
	for y := range p.h {
		along(p.w, y*p.w, 1)
	}
	for x := range p.w {
		along(p.h, x, p.w)
	}
	return out
}

// shaken is the mean along a line of a length in pixels and a slope.
func shaken(p picture, length, angle float64) picture {
	out := newPicture(p.w, p.h)
	n := int(math.Ceil(length))
	at := func(i, n int) int { return min(max(i, 0), n-1) }
	for i := range n {
		t := ((float64(i)+0.5)/float64(n) - 0.5) * length
		dx, dy := int(math.Round(t*math.Cos(angle))), int(math.Round(t*math.Sin(angle)))
		for y := range p.h {
			from, to := p.row(at(y+dy, p.h)), out.row(y)
			for x := range to {
				to[x] += from[at(x+dx, p.w)] / float32(n)
			}
		}
	}
	return out
}

// taken puts noise of a standard deviation in levels on a picture and codes it in
// JPEG, as a camera does behind its lens.
func taken(tb testing.TB, p picture, noise float64, quality int) picture {
	rng := rand.New(rand.NewPCG(3, 4))
	img := image.NewGray(image.Rect(0, 0, p.w, p.h))
	for i, v := range p.pix {
		img.Pix[i] = uint8(min(max(float64(v)+noise*rng.NormFloat64()+0.5, 0), 255))
	}
	back, err := jpeg.Decode(bytes.NewReader(encode(tb, img, quality)))
	if err != nil {
		tb.Fatal(err)
	}
	y, _, _ := components(back)
	return y.resample(p.w, p.h)
}

// TestBlurSeparates blurs real photos and looks at how the measure tells them from
// themselves. The figures are those of the package documentation.
func TestBlurSeparates(t *testing.T) {
	t.Parallel()
	var sharp []float64
	blurred := map[string][]float64{}
	names := []string{"gauss 2", "gauss 3", "shake 10", "shake 20"}
	for _, p := range realPhotos(t) {
		b, ok := blur(p.y)
		if !ok {
			t.Errorf("%s: no edges", p.name)
			continue
		}
		if isOneOf(p.name, unsharp) {
			if b < SharpBlur {
				t.Errorf("%s is unsharp to the eye, and its blur is %.2f", p.name, b)
			}
			continue
		}
		sharp = append(sharp, b)
		// A photo of 350 pixels is blurred by as much of its width.
		by := float64(max(p.y.w, p.y.h)) / blurSide
		for i, v := range []picture{
			gaussian(p.y, 2*by), gaussian(p.y, 3*by), shaken(p.y, 10*by, 0), shaken(p.y, 20*by, 0.5),
		} {
			b, ok := blur(taken(t, v, 2, 80))
			if !ok {
				b = math.Inf(1) // so blurred that no edge is left
			}
			blurred[names[i]] = append(blurred[names[i]], b)
		}
	}
	slices.Sort(sharp)
	t.Logf("%d sharp photos: %.2f to %.2f", len(sharp), sharp[0], sharp[len(sharp)-1])
	if sharp[len(sharp)-1] > SharpBlur {
		t.Errorf("a sharp photo is at %.2f", sharp[len(sharp)-1])
	}
	for _, c := range []struct {
		name       string
		found, auc float64 // at least
	}{
		{"gauss 2", 0.6, 0.98}, {"gauss 3", 0.95, 0.99}, {"shake 10", 0.4, 0.97}, {"shake 20", 0.8, 0.99},
	} {
		found, wins := 0, 0.0
		for _, b := range blurred[c.name] {
			if b > SharpBlur {
				found++
			}
			for _, s := range sharp {
				if b > s {
					wins++
				}
			}
		}
		share := float64(found) / float64(len(sharp))
		auc := wins / float64(len(sharp)*len(sharp))
		t.Logf("%-9s %2d of %d above %v; area under the ROC curve %.3f", c.name, found, len(sharp), SharpBlur, auc)
		if share < c.found || auc < c.auc {
			t.Errorf("%s: %.2f found, area %.3f; want %.2f and %.3f", c.name, share, auc, c.found, c.auc)
		}
	}
}

// TestSpread holds the measure against its own definition: an edge under a
// Gaussian has the spread of that Gaussian, and one pixel more of it in variance
// for the smoothing.
func TestSpread(t *testing.T) {
	for _, angle := range []float64{0, math.Pi / 2, math.Pi / 4, -math.Pi / 4} {
		for _, s := range []float64{2, 3, 5} {
			p := newPicture(400, 400)
			for y := range p.h {
				for x := range p.w {
					d := (float64(x)-200)*math.Cos(angle) + (float64(y)-200)*math.Sin(angle)
					p.pix[y*p.w+x] = float32(40 + 170*0.5*math.Erfc(-d/(s*math.Sqrt2)))
				}
			}
			p = smooth(p)
			dx, dy := int(math.Round(math.Cos(angle))), int(math.Round(math.Sin(angle)))
			got, ok := spread(p, tile{100, 100, 300, 300}, dx, dy)
			if want := math.Sqrt(s*s + 1); !ok || math.Abs(got-want) > 0.05*want {
				t.Errorf("angle %.2f, deviation %v: spread %.3f, want %.3f", angle, s, got, want)
			}
		}
	}
}

// A caption that stays sharp must not make a blurred photo sharp.
func TestCaption(t *testing.T) {
	y, _, _ := components(scene(1280, 960))
	p := gaussian(y.resample(512, 384), 7)
	for row := 355; row < 380; row++ {
		for x := 8; x < 250; x++ {
			p.pix[row*512+x] = float32(60 + 180*(x/5%2))
		}
	}
	if b, ok := blur(p); !ok || b < 2*SharpBlur {
		t.Errorf("blur %.2f", b)
	}
}

func TestNoEdges(t *testing.T) {
	for _, size := range []image.Point{{1, 1}, {2, 9}, {5, 5}, {512, 1}, {300, 200}} {
		p := newPicture(size.X, size.Y)
		for i := range p.pix {
			p.pix[i] = 100 + float32(i%size.X)/10
		}
		if b, ok := blur(p); ok {
			t.Errorf("%v: blur %v", size, b)
		}
	}
}
