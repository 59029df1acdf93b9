package demo

import (
	"image"
	"image/color"
	"math"

	"golang.org/x/image/draw"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// vec is a place in the frame of a scene, in metres: x along the quay (or the
// bridge), y to the right of it seen from above, z up.
type vec struct{ x, y, z float64 }

func (a vec) add(b vec) vec           { return vec{a.x + b.x, a.y + b.y, a.z + b.z} }
func (a vec) sub(b vec) vec           { return vec{a.x - b.x, a.y - b.y, a.z - b.z} }
func (a vec) mul(k float64) vec       { return vec{a.x * k, a.y * k, a.z * k} }
func (a vec) dot(b vec) float64       { return a.x*b.x + a.y*b.y + a.z*b.z }
func (a vec) norm() float64           { return math.Sqrt(a.dot(a)) }
func (a vec) unit() vec               { return a.mul(1 / a.norm()) }
func lerp(a, b vec, t float64) vec    { return a.add(b.sub(a).mul(t)) }
func mix(a, b, t float64) float64     { return a + (b-a)*t }
func clamp(v, lo, hi float64) float64 { return min(max(v, lo), hi) }

// The camera of the invented handheld: a 27 mm equivalent focal length.
const (
	focal35     = 27
	fullWidth   = 1024
	fullHeight  = 768
	smallWidth  = 320
	smallHeight = 240
	focalRatio  = focal35 / 36.0 // focal length per image width, on 36 mm film
)

// view is a camera in a scene, without roll.
type view struct {
	at vec
	// turn is the direction of view from the x axis towards the y axis and pitch
	// its elevation, both in radians.
	turn, pitch float64
}

// canvas draws a scene seen through a camera.
type canvas struct {
	img            *image.RGBA
	w, h           float64
	focal          float64 // pixels
	cam            vec
	fwd, right, up vec
	pitch          float64
	sun            vec // unit vector towards the sun
	ras            vector.Rasterizer
	bold, plain    *sfnt.Font
	buf            sfnt.Buffer
}

func newCanvas(w, h int) (*canvas, error) {
	bold, err := sfnt.Parse(gobold.TTF)
	if err != nil {
		return nil, err
	}
	plain, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		return nil, err
	}
	return &canvas{
		img: image.NewRGBA(image.Rect(0, 0, w, h)), w: float64(w), h: float64(h),
		focal: focalRatio * float64(w),
		bold:  bold, plain: plain,
	}, nil
}

// look turns the camera.
func (c *canvas) look(v view) {
	st, ct := math.Sincos(v.turn)
	sp, cp := math.Sincos(v.pitch)
	c.cam, c.pitch = v.at, v.pitch
	c.fwd = vec{ct * cp, st * cp, sp}
	c.right = vec{-st, ct, 0}
	c.up = vec{-ct * sp, -st * sp, cp}
}

// near is the distance of the near clipping plane in metres.
const near = 0.08

type pt struct{ x, y float64 }

// see transforms a place into the camera's frame: right, up, forward.
func (c *canvas) see(p vec) vec {
	d := p.sub(c.cam)
	return vec{d.dot(c.right), d.dot(c.up), d.dot(c.fwd)}
}

func (c *canvas) onImage(q vec) pt {
	return pt{c.w/2 + c.focal*q.x/q.z, c.h/2 - c.focal*q.y/q.z}
}

// horizon is the row of the horizon.
func (c *canvas) horizon() float64 { return c.h/2 + c.focal*math.Tan(c.pitch) }

// rgb is an opaque colour, and rgba one with an opacity in [0, 1].
func rgb(hex uint32) color.NRGBA { return rgba(hex, 1) }

func rgba(hex uint32, a float64) color.NRGBA {
	return color.NRGBA{uint8(hex >> 16), uint8(hex >> 8), uint8(hex), uint8(math.Round(a * 255))}
}

// tone scales a colour's brightness.
func tone(c color.NRGBA, k float64) color.NRGBA {
	f := func(v uint8) uint8 { return uint8(clamp(math.Round(float64(v)*k), 0, 255)) }
	return color.NRGBA{f(c.R), f(c.G), f(c.B), c.A}
}

// blend mixes two colours.
func blend(a, b color.NRGBA, t float64) color.NRGBA {
	f := func(p, q uint8) uint8 { return uint8(math.Round(mix(float64(p), float64(q), t))) }
	return color.NRGBA{f(a.R, b.R), f(a.G, b.G), f(a.B, b.B), f(a.A, b.A)}
}

// lit shades a colour by the light on a face with the given unit normal.
func (c *canvas) lit(col color.NRGBA, normal vec) color.NRGBA {
	return tone(col, 0.66+0.42*max(0, normal.dot(c.sun))+0.06*normal.z)
}

// poly fills a plane polygon.
func (c *canvas) poly(col color.NRGBA, ps ...vec) {
	q := make([]vec, len(ps), len(ps)+1)
	clip := false
	for i, p := range ps {
		q[i] = c.see(p)
		clip = clip || q[i].z < near
	}
	if clip {
		q = clipNear(q)
	}
	flat := make([]pt, len(q))
	for i, p := range q {
		flat[i] = c.onImage(p)
	}
	c.fill(col, flat)
}

func clipNear(in []vec) []vec {
	var out []vec
	for i, a := range in {
		b := in[(i+1)%len(in)]
		if a.z >= near {
			out = append(out, a)
		}
		if (a.z >= near) != (b.z >= near) {
			out = append(out, lerp(a, b, (near-a.z)/(b.z-a.z)))
		}
	}
	return out
}

// fill fills a polygon on the image, clipped to it.
func (c *canvas) fill(col color.NRGBA, p []pt) {
	p = clipTo(p, func(q pt) float64 { return q.x })
	p = clipTo(p, func(q pt) float64 { return c.w - q.x })
	p = clipTo(p, func(q pt) float64 { return q.y })
	p = clipTo(p, func(q pt) float64 { return c.h - q.y })
	if len(p) < 3 {
		return
	}
	c.contours(col, [][]pt{p})
}

// clipTo keeps the part of a polygon where f is not negative. f is linear.
func clipTo(in []pt, f func(pt) float64) []pt {
	var out []pt
	for i, a := range in {
		b := in[(i+1)%len(in)]
		fa, fb := f(a), f(b)
		if fa >= 0 {
			out = append(out, a)
		}
		if (fa >= 0) != (fb >= 0) {
			t := fa / (fa - fb)
			out = append(out, pt{mix(a.x, b.x, t), mix(a.y, b.y, t)})
		}
	}
	return out
}

// contours fills closed contours by the non-zero rule. What lies outside the
// image is left out.
func (c *canvas) contours(col color.NRGBA, cs [][]pt) {
	lo, hi := pt{math.Inf(1), math.Inf(1)}, pt{math.Inf(-1), math.Inf(-1)}
	for _, ps := range cs {
		for _, p := range ps {
			lo = pt{min(lo.x, p.x), min(lo.y, p.y)}
			hi = pt{max(hi.x, p.x), max(hi.y, p.y)}
		}
	}
	box := image.Rect(int(math.Floor(lo.x)), int(math.Floor(lo.y)), int(math.Ceil(hi.x)), int(math.Ceil(hi.y)))
	part := box.Intersect(c.img.Rect)
	if part.Empty() || box.Dx() > 4*int(c.w) || box.Dy() > 4*int(c.h) {
		return
	}
	c.ras.Reset(box.Dx(), box.Dy())
	for _, ps := range cs {
		for i, p := range ps {
			x, y := float32(p.x-float64(box.Min.X)), float32(p.y-float64(box.Min.Y))
			if i == 0 {
				c.ras.MoveTo(x, y)
			} else {
				c.ras.LineTo(x, y)
			}
		}
		c.ras.ClosePath()
	}
	if part == box {
		c.ras.Draw(c.img, box, image.NewUniform(col), image.Point{})
		return
	}
	mask := image.NewAlpha(image.Rect(0, 0, box.Dx(), box.Dy()))
	c.ras.Draw(mask, mask.Rect, image.Opaque, image.Point{})
	draw.DrawMask(c.img, part, image.NewUniform(col), image.Point{}, mask, part.Min.Sub(box.Min), draw.Over)
}

// rows fills the rows from y0 on, before y1, each in one colour.
func (c *canvas) rows(y0, y1 float64, colour func(y float64) color.NRGBA) {
	for y := max(0, int(math.Ceil(y0))); y < int(math.Ceil(min(y1, c.h))); y++ {
		col := colour(float64(y))
		row := c.img.Pix[y*c.img.Stride:][:4*c.img.Rect.Dx()]
		for i := 0; i < len(row); i += 4 {
			row[i], row[i+1], row[i+2], row[i+3] = col.R, col.G, col.B, 255
		}
	}
}

// box draws a box that is parallel to the axes.
func (c *canvas) box(col color.NRGBA, lo, hi vec) {
	corner := [2]vec{lo, hi}
	for side, n := range []vec{{x: -1}, {x: 1}, {y: -1}, {y: 1}, {z: -1}, {z: 1}} {
		var face [4]vec
		for i, at := range [4][2]int{{0, 0}, {1, 0}, {1, 1}, {0, 1}} {
			// The two axes in the face go round its corners, the third stays.
			p := [3]int{side % 2, at[0], at[1]}
			x, y, z := p[(3-side/2)%3], p[(4-side/2)%3], p[(5-side/2)%3]
			face[i] = vec{corner[x].x, corner[y].y, corner[z].z}
		}
		if c.cam.sub(face[0]).dot(n) > 0 {
			c.poly(c.lit(col, n), face[:]...)
		}
	}
}

// disc fills an ellipse at o spanned by the half axes u and v.
func (c *canvas) disc(col color.NRGBA, o, u, v vec) {
	const n = 28
	var ps [n]vec
	for i := range ps {
		s, k := math.Sincos(2 * math.Pi * float64(i) / n)
		ps[i] = o.add(u.mul(k)).add(v.mul(s))
	}
	c.poly(col, ps[:]...)
}

// ring is one circle of a solid of revolution.
type ring struct {
	r, along float64
	col      color.NRGBA
}

// turned draws a convex-enough solid of revolution about the unit axis from o;
// u and v are unit vectors across it. Rings go along the axis.
func (c *canvas) turned(o, axis, u, v vec, rings []ring) {
	const n = 32
	dir := func(i int) vec {
		s, k := math.Sincos(2 * math.Pi * float64(i) / n)
		return u.mul(k).add(v.mul(s))
	}
	for j := 1; j < len(rings); j++ {
		a, b := rings[j-1], rings[j]
		for i := range n {
			d0, d1 := dir(i), dir(i+1)
			p := [4]vec{
				o.add(axis.mul(a.along)).add(d0.mul(a.r)), o.add(axis.mul(a.along)).add(d1.mul(a.r)),
				o.add(axis.mul(b.along)).add(d1.mul(b.r)), o.add(axis.mul(b.along)).add(d0.mul(b.r)),
			}
			slope := vec{b.along - a.along, a.r - b.r, 0} // outward, along
			if slope.norm() == 0 {
				continue
			}
			slope = slope.unit()
			normal := d0.add(d1).unit().mul(slope.x).add(axis.mul(slope.y))
			mid := lerp(lerp(p[0], p[2], 0.5), lerp(p[1], p[3], 0.5), 0.5)
			if c.cam.sub(mid).dot(normal) > 0 {
				c.poly(c.lit(b.col, normal), p[:]...)
			}
		}
	}
}

// outline returns the contours of a text in units of the em, the baseline at 0
// and y up, and its width.
func (c *canvas) outline(f *sfnt.Font, s string) (cs [][]pt, width float64, err error) {
	const ppem = 256
	size := fixed.I(ppem)
	at := func(p fixed.Point26_6) pt {
		return pt{width + float64(p.X)/64/ppem, -float64(p.Y) / 64 / ppem}
	}
	for _, r := range s {
		g, err := f.GlyphIndex(&c.buf, r)
		if err != nil {
			return nil, 0, err
		}
		segs, err := f.LoadGlyph(&c.buf, g, size, nil)
		if err != nil {
			return nil, 0, err
		}
		var cur []pt
		for _, sg := range segs {
			switch sg.Op {
			case sfnt.SegmentOpMoveTo:
				if cur != nil {
					cs = append(cs, cur)
				}
				cur = []pt{at(sg.Args[0])}
			case sfnt.SegmentOpLineTo:
				cur = append(cur, at(sg.Args[0]))
			case sfnt.SegmentOpQuadTo:
				a, b, e := cur[len(cur)-1], at(sg.Args[0]), at(sg.Args[1])
				for i := 1; i <= 5; i++ {
					t := float64(i) / 5
					cur = append(cur, pt{
						mix(mix(a.x, b.x, t), mix(b.x, e.x, t), t),
						mix(mix(a.y, b.y, t), mix(b.y, e.y, t), t),
					})
				}
			case sfnt.SegmentOpCubeTo:
				cur = append(cur, at(sg.Args[2])) // the Go fonts have none
			}
		}
		if cur != nil {
			cs = append(cs, cur)
		}
		adv, err := f.GlyphAdvance(&c.buf, g, size, font.HintingNone)
		if err != nil {
			return nil, 0, err
		}
		width += float64(adv) / 64 / ppem
	}
	return cs, width, nil
}

// letter paints a text on a plane: o is the middle of the baseline, u and v the
// unit vectors to the right and up, size the em in metres. A text wider than
// limit metres is made smaller.
func (c *canvas) letter(f *sfnt.Font, col color.NRGBA, s string, o, u, v vec, size, limit float64) error {
	cs, width, err := c.outline(f, s)
	if err != nil {
		return err
	}
	size = min(size, limit/width)
	for _, ps := range cs {
		for i, p := range ps {
			q := c.see(o.add(u.mul((p.x - width/2) * size)).add(v.mul(p.y * size)))
			if q.z < near {
				return nil
			}
			ps[i] = c.onImage(q)
		}
	}
	c.contours(col, cs)
	return nil
}

// caption writes a line into the lower left corner of the image.
func (c *canvas) caption(s string) error {
	em := c.h / 36
	cs, width, err := c.outline(c.plain, s)
	if err != nil {
		return err
	}
	x, y := em*0.8, c.h-em*0.9
	c.fill(rgba(0x101418, 0.55), []pt{{0, y - em*1.1}, {x + width*em + em*0.8, y - em*1.1}, {x + width*em + em*0.8, c.h}, {0, c.h}})
	for _, ps := range cs {
		for i, p := range ps {
			ps[i] = pt{x + p.x*em, y - p.y*em}
		}
	}
	c.contours(rgb(0xf2f0e8), cs)
	return nil
}

// soften blurs an image with three passes of a box, which comes close to a
// Gaussian of the given standard deviation in pixels.
func soften(img *image.RGBA, sigma float64) {
	// The variance of three boxes of width 2r+1 is ((2r+1)^2-1)/4.
	r := int(math.Round((math.Sqrt(4*sigma*sigma+1) - 1) / 2))
	if r < 1 {
		return
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	line := make([]uint8, max(w, h))
	pass := func(pix []uint8, n, stride int) {
		var sum int
		get := func(i int) int { return int(pix[min(max(i, 0), n-1)*stride]) }
		for i := -r; i <= r; i++ {
			sum += get(i)
		}
		for i := range n {
			line[i] = uint8(sum / (2*r + 1))
			sum += get(i+r+1) - get(i-r)
		}
		for i := range n {
			pix[i*stride] = line[i]
		}
	}
	for range 3 {
		for ch := range 3 {
			for y := range h {
				pass(img.Pix[y*img.Stride+ch:], w, 4)
			}
			for x := range w {
				pass(img.Pix[4*x+ch:], h, img.Stride)
			}
		}
	}
}
