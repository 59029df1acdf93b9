package pixels

import (
	"math"
	"slices"
)

const (
	// blurSide is the longer side that images are brought down to before their
	// blur is measured.
	blurSide = 512
	// decodedSide is the longer side that a JPEG image keeps at least where it is
	// decoded at a smaller scale: a quarter of what most cameras have. The package
	// documentation has what that changes.
	decodedSide = 896
	// blurTile is about the side of the tiles that are measured one by one.
	blurTile = 32
	// blurMargin is the share of each side that is left out, for captions.
	blurMargin = 0.1
	// blurGradient is the root mean square slope, in levels per pixel, from which
	// on a tile has edges in it and not only noise.
	blurGradient = 2
	// blurQuantile is the share of the tiles, the sharpest, that decides.
	blurQuantile = 0.25
	// blurTiles is how many tiles with edges a direction must have to count,
	// unless none has as many.
	blurTiles = 4
)

// SharpBlur is the blur up to which an image is taken for sharp. It was chosen
// on the photos of two metadata readers' test data and on blurred copies of
// them; see the package documentation for the figures.
const SharpBlur = 1.7

// blur measures how far the edges of a picture are spread: see the package
// documentation. It is false where the picture has no edges to tell by.
func blur(p picture) (float64, bool) {
	p = smooth(p)
	directions := [4][2]int{{1, 0}, {0, 1}, {1, 1}, {1, -1}}
	var found [4][]float64
	for _, t := range tiles(p.w, p.h) {
		for d, to := range directions {
			if s, ok := spread(p, t, to[0], to[1]); ok {
				found[d] = append(found[d], s)
			}
		}
	}
	most := 0
	for _, f := range found {
		most = max(most, len(f))
	}
	if most == 0 {
		return 0, false
	}
	worst := 0.0
	for _, f := range found {
		if len(f) < min(blurTiles, most) {
			continue
		}
		slices.Sort(f)
		worst = max(worst, f[int(blurQuantile*float64(len(f)-1))])
	}
	return worst, true
}

// tile is a part of a picture: columns x0 to x1 and rows y0 to y1, ends left out.
type tile struct{ x0, y0, x1, y1 int }

// tiles cuts a picture up, without its margins and the pixels that have no
// neighbour.
func tiles(w, h int) []tile {
	mx, my := max(1, int(blurMargin*float64(w))), max(1, int(blurMargin*float64(h)))
	w, h = w-2*mx, h-2*my
	if w < 1 || h < 1 {
		return nil
	}
	nx, ny := max(1, (w+blurTile/2)/blurTile), max(1, (h+blurTile/2)/blurTile)
	out := make([]tile, 0, nx*ny)
	for j := range ny {
		for i := range nx {
			out = append(out, tile{mx + w*i/nx, my + h*j/ny, mx + w*(i+1)/nx, my + h*(j+1)/ny})
		}
	}
	return out
}

// spread is how far edges across the direction dx, dy are spread in a tile, in
// pixels. It is false where there are none.
//
// A step edge under a Gaussian of standard deviation s has the slope
// g(x) = exp(-x²/2s²) / (s sqrt(2π)), and the integrals of g² and g'² over x have
// the ratio 2s². So s is the square root of half the ratio of the squared first
// to the squared second differences, whatever the height of the edges.
func spread(p picture, t tile, dx, dy int) (float64, bool) {
	to := dy*p.w + dx
	var first, second float64
	for y := t.y0; y < t.y1; y++ {
		for x := t.x0; x < t.x1; x++ {
			i := y*p.w + x
			before, here, after := p.pix[i-to], p.pix[i], p.pix[i+to]
			g, l := float64(after-before), float64(after+before-2*here)
			first += g * g
			second += l * l
		}
	}
	long := float64(dx*dx + dy*dy)
	first /= 4 * long
	second /= long * long
	n := float64((t.x1 - t.x0) * (t.y1 - t.y0))
	if first < blurGradient*blurGradient*n || second == 0 {
		return 0, false
	}
	return math.Sqrt(first / second / 2), true
}

// smooth convolves a picture with 1 4 6 4 1 in both directions, a Gaussian of
// standard deviation 1, which takes away what noise and coding leave of the
// finest detail. Beyond its border a picture goes on as its last pixels.
func smooth(p picture) picture {
	at := func(i, n int) int { return min(max(i, 0), n-1) }
	across := newPicture(p.w, p.h)
	for y := range p.h {
		s, o := p.row(y), across.row(y)
		for x := range s {
			if x < 2 || x+2 >= len(s) {
				o[x] = (s[at(x-2, p.w)] + s[at(x+2, p.w)] + 4*(s[at(x-1, p.w)]+s[at(x+1, p.w)]) + 6*s[x]) / 16
				continue
			}
			o[x] = (s[x-2] + s[x+2] + 4*(s[x-1]+s[x+1]) + 6*s[x]) / 16
		}
	}
	out := newPicture(p.w, p.h)
	for y := range p.h {
		a, b, c, d, e := across.row(at(y-2, p.h)), across.row(at(y-1, p.h)), across.row(y), across.row(at(y+1, p.h)), across.row(at(y+2, p.h))
		o := out.row(y)
		for x := range o {
			o[x] = (a[x] + e[x] + 4*(b[x]+d[x]) + 6*c[x]) / 16
		}
	}
	return out
}
