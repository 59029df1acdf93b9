package demo

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"

	"golang.org/x/image/draw"
)

// An object is what a surveyed point stands on.
type object int

const (
	bollard object = iota
	ladder
	fender
	outfall
	benchMark
	bridgePost
)

// scene is all that the picture of one photo depends on.
type scene struct {
	object object
	id     string // painted on the plate
	place  string // the second line of the plate
	stamp  string // the caption
	// chain is the distance along the quay in metres, which fixes the pattern of
	// stones and joints and what stands in the background.
	chain float64
	// heading is the bearing of the x axis in degrees.
	heading float64
	// target is the surveyed point in the frame of the scene, whose z is 0 at the
	// deck.
	target vec
	view   view
	sun    vec
	water  float64 // level, below the deck: negative
	seed   uint64
	small  bool
	blur   float64 // standard deviation in pixels
}

const jpegQuality = 85

// JPEG draws the photo and returns the whole file, metadata included. It may be
// called by many goroutines at once and gives the same bytes each time.
func (p *Photo) JPEG() ([]byte, error) {
	img, err := p.scene.draw()
	if err != nil {
		return nil, fmt.Errorf("demo: drawing %s: %w", p.Name, err)
	}
	var pixels, thumb bytes.Buffer
	if err := jpeg.Encode(&pixels, img, &jpeg.Options{Quality: jpegQuality}); err != nil {
		return nil, fmt.Errorf("demo: coding %s: %w", p.Name, err)
	}
	small := image.NewRGBA(image.Rect(0, 0, 160, 120))
	draw.ApproxBiLinear.Scale(small, small.Rect, img, img.Rect, draw.Src, nil)
	if err := jpeg.Encode(&thumb, small, &jpeg.Options{Quality: 70}); err != nil {
		return nil, fmt.Errorf("demo: coding the thumbnail of %s: %w", p.Name, err)
	}
	return withExif(pixels.Bytes(), exifBlock(p.meta, img.Rect.Dx(), img.Rect.Dy(), thumb.Bytes()))
}

// Exif returns the photo's metadata alone, a TIFF file that has no image, nor a thumbnail.
func (p *Photo) Exif() []byte {
	w, h := p.scene.size()
	return exifBlock(p.meta, w, h, nil)
}

// size is that of the photo in pixels.
func (s *scene) size() (w, h int) {
	if s.small {
		return smallWidth, smallHeight
	}
	return fullWidth, fullHeight
}

func (s *scene) draw() (*image.RGBA, error) {
	c, err := newCanvas(s.size())
	if err != nil {
		return nil, err
	}
	c.look(s.view)
	c.sun = s.sun
	rng := rand.New(rand.NewPCG(s.seed, 0x5ce11e))
	if s.object == bridgePost {
		err = s.drawBridge(c, rng)
	} else {
		err = s.drawQuay(c, rng)
	}
	if err != nil {
		return nil, err
	}
	if s.blur > 0 {
		soften(c.img, s.blur)
	}
	// The handheld stamps the number onto the finished picture.
	if err := c.caption(s.stamp); err != nil {
		return nil, err
	}
	return c.img, nil
}

// plate is a lettered board.
type plate struct {
	mid  vec
	u, v vec // unit vectors to the right and up
	w, h float64
}

func (p plate) corner(a, b float64) vec {
	return p.mid.add(p.u.mul(a * p.w / 2)).add(p.v.mul(b * p.h / 2))
}

func (p plate) corners(grow float64) []vec {
	q := p
	q.w += 2 * grow
	q.h += 2 * grow
	return []vec{q.corner(-1, -1), q.corner(1, -1), q.corner(1, 1), q.corner(-1, 1)}
}

func (c *canvas) plate(p plate, id, place string) error {
	c.poly(rgb(0x23272b), p.corners(0.012)...)
	c.poly(rgb(0xf3f1e7), p.corners(0)...)
	c.poly(rgb(0x1d4a5c), p.corner(-1, 1), p.corner(1, 1), p.corner(1, 0.52), p.corner(-1, 0.52))
	if err := c.letter(c.plain, rgb(0xf3f1e7), place, p.corner(0, 0.66), p.u, p.v, p.h*0.15, p.w*0.9); err != nil {
		return err
	}
	if err := c.letter(c.bold, rgb(0x16181a), id, p.corner(0, -0.72), p.u, p.v, p.h*0.74, p.w*0.88); err != nil {
		return err
	}
	for _, x := range []float64{-0.93, 0.93} {
		for _, y := range []float64{-0.86, 0.86} {
			c.disc(rgb(0x6d7175), p.corner(x, y), p.u.mul(0.006), p.v.mul(0.006))
		}
	}
	return nil
}

// hash is a fixed pattern in [0, 1): the same stone has the same colour in each
// photo that shows it.
func hash(a, b int) float64 {
	x := uint64(a)*0x9e3779b97f4a7c15 ^ uint64(b)*0xc2b2ae3d27d4eb4f
	x ^= x >> 29
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 32
	return float64(x>>11) / (1 << 53)
}

// sky fills what is above the horizon, with clouds.
func (c *canvas) sky(rng *rand.Rand) {
	hz := c.horizon()
	c.rows(0, hz, func(y float64) color.NRGBA {
		t := clamp((hz-y)/c.focal/0.75, 0, 1)
		return blend(rgb(0xdde5e8), rgb(0x86a8c6), math.Sqrt(t))
	})
	for range 6 {
		x, y := rng.Float64()*c.w*1.2-c.w*0.1, hz-c.focal*(0.06+0.5*rng.Float64())
		long := c.w * (0.10 + 0.16*rng.Float64())
		for range 7 {
			dx, dy := (rng.Float64()-0.5)*long*1.5, (rng.Float64()-0.5)*long*0.09
			c.blot(rgba(0xf5f6f5, 0.17), pt{x + dx, y + dy}, long*(0.35+0.5*rng.Float64()), long*(0.035+0.05*rng.Float64()))
		}
	}
}

// blot fills an upright ellipse on the image.
func (c *canvas) blot(col color.NRGBA, o pt, rx, ry float64) {
	const n = 26
	var ps [n]pt
	for i := range ps {
		s, k := math.Sincos(2 * math.Pi * float64(i) / n)
		ps[i] = pt{o.x + rx*k, o.y + ry*s}
	}
	c.fill(col, ps[:])
}

// bearingAt returns the bearing in degrees that a column of the image looks to.
func (s *scene) bearingAt(c *canvas, x float64) float64 {
	return s.heading + (s.view.turn+math.Atan((x-c.w/2)/c.focal))*180/math.Pi
}

// shore draws far land along the horizon, the same from every photo of the job.
func (s *scene) shore(c *canvas, col color.NRGBA, height, phase float64) {
	hz := c.horizon()
	if hz < 0 {
		return
	}
	ps := []pt{{c.w, hz + 1}, {0, hz + 1}}
	for x := 0.0; x <= c.w; x += c.w / 80 {
		b := s.bearingAt(c, x) * math.Pi / 180
		e := 0.45*math.Sin(3*b+phase) + 0.3*math.Sin(7*b+2*phase) + 0.12*math.Sin(19*b-phase) + 0.06*math.Sin(41*b)
		ps = append(ps, pt{x, hz - c.focal*height*max(0, e+0.1)})
	}
	// The land may sink to the horizon in places, so the outline is not convex;
	// it stays inside the image's width, and contours clips the rest.
	c.contours(col, [][]pt{ps})
}

// speckle scatters flat spots over a horizontal patch.
func (c *canvas) speckle(rng *rand.Rand, n int, lo, hi vec, size float64, dark, light color.NRGBA) {
	for range n {
		o := vec{mix(lo.x, hi.x, rng.Float64()), mix(lo.y, hi.y, rng.Float64()), lo.z}
		r := size * (0.3 + rng.Float64())
		col := dark
		if rng.Float64() < 0.45 {
			col = light
		}
		t := rng.Float64() * math.Pi
		s, k := math.Sincos(t)
		c.disc(col, o, vec{r * k, r * s, 0}, vec{-0.5 * r * s, 0.5 * r * k, 0})
	}
}
