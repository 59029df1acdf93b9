package demo

import (
	"image/color"
	"math"
	"math/rand/v2"
)

// face says whether an object hangs on the quay's face, where it is
// photographed from the boat, or stands on the deck.
func (o object) face() bool { return o == ladder || o == fender || o == outfall }

// board returns the plate beside the object, and the place that the camera is
// aimed at.
func (s *scene) board() (plate, vec) {
	side := 1.0
	if hash(int(s.chain*10), 77) < 0.5 {
		side = -1
	}
	t := s.target
	switch s.object {
	case bollard, benchMark:
		off, fore := 0.52*side, -0.28
		if s.object == benchMark {
			off, fore = 0.50*side, 0.10
		}
		return leaning(vec{t.x + off, t.y + fore, 0.21}, vec{x: -1}, vec{y: 1}, 0.30), vec{t.x + 0.35*off, t.y, 0.24}
	case ladder, fender, outfall:
		off, z, aim := 0.62*side, -0.78, -0.70
		if s.object == outfall {
			off, z, aim = 0.78*side, t.z+0.42, t.z+0.15
		}
		p := plate{mid: vec{t.x + off, 0.015, z}, u: vec{1, 0, 0}, v: vec{0, 0, 1}, w: 0.52, h: 0.36}
		return p, vec{t.x + 0.35*off, t.y, aim}
	default: // bridgePost
		off := 0.56 * side
		return leaning(vec{t.x - 0.14, t.y + off, 0.20}, vec{y: 1}, vec{x: 1}, 0.25), vec{t.x, t.y + 0.35*off, 0.45}
	}
}

// leaning is a plate on the ground that leans back by some radians.
func leaning(mid, right, back vec, lean float64) plate {
	return plate{mid: mid, u: right, v: back.mul(math.Sin(lean)).add(vec{z: math.Cos(lean)}), w: 0.46, h: 0.32}
}

func (s *scene) drawQuay(c *canvas, rng *rand.Rand) error {
	c.sky(rng)
	if s.object.face() {
		return s.drawFace(c, rng)
	}
	return s.drawDeck(c, rng)
}

// sea fills what is below the horizon with water.
func (s *scene) sea(c *canvas, rng *rand.Rand) {
	hz := c.horizon()
	c.rows(hz, c.h, func(y float64) color.NRGBA {
		// t is the slope of the line of sight: 0 at the horizon.
		t := clamp((y-hz)/c.focal/0.8, 0, 1)
		return blend(rgb(0xa3b6bb), rgb(0x2f4a52), math.Pow(t, 0.45))
	})
	if hz > c.h {
		return
	}
	for range 320 {
		d := math.Pow(rng.Float64(), 1.7) * (c.h - max(hz, 0))
		y := max(hz, 0) + d
		slope := (y - hz) / c.focal
		x := rng.Float64() * c.w
		long := c.focal * slope * (0.04 + 0.13*rng.Float64())
		col := rgba(0xd6e2e2, 0.16)
		if rng.Float64() < 0.55 {
			col = rgba(0x1d343c, 0.22)
		}
		c.blot(col, pt{x, y}, long, max(0.6, long*slope*0.16))
	}
}

// yawls lie at anchor off the quay, always at the same places.
func (s *scene) yawls(c *canvas) {
	for i := range 4 {
		at := vec{float64(60+170*i) - s.chain, 46 + 9*float64(i%3), s.water}
		upright := func(col color.NRGBA, outline ...pt) {
			ps := make([]vec, len(outline))
			for i, p := range outline {
				ps[i] = at.add(c.right.mul(p.x)).add(vec{z: p.y})
			}
			c.poly(col, ps...)
		}
		upright(rgb([]uint32{0xe9e6dc, 0x2d4154, 0x7a2f2a, 0xd9d4c4}[i]), pt{-3.6, 0.9}, pt{3.9, 1.05}, pt{3.1, 0}, pt{-3.1, 0})
		upright(rgb(0x5d4a37), pt{0.3, 1}, pt{0.42, 1}, pt{0.40, 9}, pt{0.32, 9})
		upright(rgb(0xe8e4d8), pt{0.2, 1.6}, pt{-2.9, 1.7}, pt{-2.8, 2.0}, pt{0.2, 2.0})
	}
}

func (s *scene) drawDeck(c *canvas, rng *rand.Rand) error {
	s.shore(c, rgb(0xa9b8c0), 0.045, 0.7)
	s.shore(c, rgb(0x8497a0), 0.028, 2.9)
	s.sea(c, rng)
	s.yawls(c)
	// The deck, its coping and its joints.
	concrete, coping := rgb(0xa7a39a), rgb(0xbab6ab)
	c.poly(c.lit(concrete, vec{z: 1}), vec{-60, -40, 0}, vec{60, -40, 0}, vec{60, -0.62, 0}, vec{-60, -0.62, 0})
	c.poly(c.lit(coping, vec{z: 1}), vec{-60, -0.62, 0}, vec{60, -0.62, 0}, vec{60, 0, 0}, vec{-60, 0, 0})
	first := math.Floor((s.chain-12)/1.2) * 1.2
	for i := range 20 {
		at := first + 1.2*float64(i)
		x := at - s.chain
		k := 0.94 + 0.10*hash(int(math.Round(at*10)), 3)
		c.poly(c.lit(tone(coping, k), vec{z: 1}), vec{x, -0.62, 0}, vec{x + 1.2, -0.62, 0}, vec{x + 1.2, 0, 0}, vec{x, 0, 0})
		c.poly(rgba(0x5b5850, 0.8), vec{x - 0.006, -0.62, 0}, vec{x + 0.006, -0.62, 0}, vec{x + 0.006, 0, 0}, vec{x - 0.006, 0, 0})
	}
	c.poly(rgba(0x5b5850, 0.9), vec{-60, -0.632, 0}, vec{60, -0.632, 0}, vec{60, -0.612, 0}, vec{-60, -0.612, 0})
	c.poly(rgba(0xd8d5cb, 0.7), vec{-60, -0.05, 0}, vec{60, -0.05, 0}, vec{60, 0, 0}, vec{-60, 0, 0})
	for x := math.Floor((s.chain-10)/3)*3 - s.chain; x < 10; x += 3 {
		c.poly(rgba(0x6a675f, 0.55), vec{x - 0.008, -20, 0}, vec{x + 0.008, -20, 0}, vec{x + 0.008, -0.62, 0}, vec{x - 0.008, -0.62, 0})
	}
	c.poly(rgba(0x6a675f, 0.45), vec{-60, -3.62, 0}, vec{60, -3.62, 0}, vec{60, -3.60, 0}, vec{-60, -3.60, 0})
	// A worn yellow line along the edge.
	for x := math.Floor((s.chain-8)/0.5)*0.5 - s.chain; x < 8; x += 0.5 {
		a := 0.35 + 0.5*hash(int(math.Round((x+s.chain)*2)), 9)
		c.poly(rgba(0xc9a63c, a), vec{x, -0.40, 0}, vec{x + 0.5, -0.40, 0}, vec{x + 0.5, -0.31, 0}, vec{x, -0.31, 0})
	}
	c.speckle(rng, 240, vec{-3.5, -2.6, 0}, vec{3.5, -0.02, 0}, 0.02, rgba(0x4a4842, 0.30), rgba(0xe6e2d6, 0.28))
	c.speckle(rng, 9, vec{-3, -2.4, 0}, vec{3, -0.3, 0}, 0.22, rgba(0x55524a, 0.12), rgba(0xd2cec2, 0.14))

	p, _ := s.board()
	t := s.target
	shadow := vec{-s.sun.x, -s.sun.y, 0}.mul(1 / max(0.25, s.sun.z))
	lay := func(q vec) vec { return vec{q.x + shadow.x*q.z, q.y + shadow.y*q.z, 0} }
	shade := rgba(0x2a2b2c, 0.34)
	var cast []vec
	for _, q := range p.corners(0.01) {
		cast = append(cast, lay(q))
	}
	c.poly(shade, cast...)

	switch s.object {
	case bollard:
		o := vec{t.x, t.y, 0}
		hand := vec{-shadow.y, shadow.x, 0}.unit().mul(0.24)
		top := lay(vec{t.x, t.y, 0.46})
		c.poly(shade, o.add(hand), top.add(hand), top.add(shadow.unit().mul(0.2)), top.sub(hand), o.sub(hand))
		c.drawBollard(o)
	case benchMark:
		c.drawBenchMark(vec{t.x, t.y, 0})
	}
	c.legs(p)
	return c.plate(p, s.id, s.place)
}

// legs puts the board on the ground.
func (c *canvas) legs(p plate) {
	for _, a := range []float64{-0.8, 0.8} {
		top := p.corner(a, -1)
		foot := vec{top.x, top.y, 0}
		w := p.u.mul(0.016)
		c.poly(rgb(0x3c4044), top.sub(w), top.add(w), foot.add(w), foot.sub(w))
	}
}

func (c *canvas) drawBollard(o vec) {
	iron, band, worn := rgb(0x3a3d40), rgb(0xe2ded0), rgb(0x565a5c)
	c.turned(o, vec{z: 1}, vec{x: 1}, vec{y: 1}, []ring{
		{0.36, 0, iron}, {0.36, 0.05, iron}, {0.24, 0.07, iron}, {0.20, 0.12, iron}, {0.185, 0.20, band},
		{0.19, 0.27, band}, {0.22, 0.32, iron}, {0.285, 0.36, iron}, {0.30, 0.40, worn}, {0.285, 0.44, worn},
		{0.22, 0.475, worn}, {0.12, 0.493, worn}, {0, 0.50, worn},
	})
	for i := range 8 {
		s, k := math.Sincos(2 * math.Pi * (float64(i) + 0.5) / 8)
		c.disc(rgb(0x8a6a50), o.add(vec{0.305 * k, 0.305 * s, 0.056}), vec{x: 0.022}, vec{y: 0.022})
	}
	c.disc(rgb(0xb9963f), o.add(vec{z: 0.502}), vec{x: 0.022}, vec{y: 0.022})
	c.disc(rgb(0x2a2a28), o.add(vec{z: 0.503}), vec{x: 0.006}, vec{y: 0.006})
}

func (c *canvas) drawBenchMark(o vec) {
	c.box(rgb(0x8f8d8a), o.add(vec{-0.24, -0.24, 0}), o.add(vec{0.24, 0.24, 0.14}))
	z := vec{z: 0.141}
	c.disc(rgb(0xb3382e), o.add(z), vec{x: 0.17}, vec{y: 0.17})
	c.disc(rgb(0x9a9895), o.add(z), vec{x: 0.14}, vec{y: 0.14})
	brass := rgb(0xc6a24a)
	c.turned(o, vec{z: 1}, vec{x: 1}, vec{y: 1}, []ring{
		{0.085, 0.14, brass}, {0.083, 0.155, brass}, {0.07, 0.170, brass}, {0.045, 0.180, brass}, {0, 0.185, brass},
	})
	for _, d := range []vec{{x: 0.05}, {y: 0.05}} {
		n := vec{-d.y, d.x, 0}.mul(0.07)
		top := o.add(vec{z: 0.186})
		c.poly(rgb(0x4a3c1c), top.sub(d).sub(n), top.add(d).sub(n), top.add(d).add(n), top.sub(d).add(n))
	}
}

func (s *scene) drawFace(c *canvas, rng *rand.Rand) error {
	s.sea(c, rng)
	t := s.target
	// The wall: coping, courses of stone, weed to the high-water mark.
	base := -4.4
	c.poly(rgb(0x4c4a45), vec{-40, 0, base}, vec{40, 0, base}, vec{40, 0, 0}, vec{-40, 0, 0})
	out := vec{y: 1}
	const joint = 0.012
	block := func(col color.NRGBA, x0, x1, z0, z1 float64) {
		c.poly(c.lit(col, out), vec{x0 + joint, 0, z0 + joint}, vec{x1 - joint, 0, z0 + joint}, vec{x1 - joint, 0, z1 - joint}, vec{x0 + joint, 0, z1 - joint})
	}
	for i := int(math.Floor((s.chain - 8) / 1.2)); float64(i)*1.2 < s.chain+8; i++ {
		x := float64(i)*1.2 - s.chain
		block(tone(rgb(0xbab6ab), 0.93+0.1*hash(i, 3)), x, x+1.2, -0.34, 0)
	}
	const high = -1.35 // the weed begins here
	for j := range 10 {
		z1 := -0.34 - 0.41*float64(j)
		z0 := z1 - 0.41
		shift := 0.9 * hash(j, 1)
		for i := int(math.Floor((s.chain-8)/0.9)) - 1; float64(i)*0.9 < s.chain+8; i++ {
			x0 := float64(i)*0.9 + shift + 0.3*hash(i, 100+j) - s.chain
			x1 := float64(i+1)*0.9 + shift + 0.3*hash(i+1, 100+j) - s.chain
			col := tone(blend(rgb(0x9c9688), rgb(0x868a8c), hash(i, 200+j)), 0.86+0.24*hash(i, 300+j))
			if z1 < high+0.3 {
				col = blend(col, rgb(0x485339), clamp((high+0.3-z1)*0.8, 0, 0.85)*(0.75+0.25*hash(i, 400+j)))
			}
			block(col, x0, x1, z0, z1)
		}
	}
	for range 110 {
		x, z := mix(-3, 3, rng.Float64()), mix(-3.9, -0.1, rng.Float64())
		r := 0.015 + 0.05*rng.Float64()
		col := rgba(0x3a3832, 0.16)
		switch {
		case z < high:
			col = rgba(0x39452b, 0.40)
		case rng.Float64() < 0.4:
			col = rgba(0xd3cfc2, 0.16)
		}
		c.disc(col, vec{x, 0.001, z}, vec{x: r}, vec{z: r * (0.5 + rng.Float64())})
	}

	p, _ := s.board()
	switch s.object {
	case ladder:
		s.drawLadder(c, t.x)
	case fender:
		s.drawFender(c, t.x)
	case outfall:
		s.drawOutfall(c, vec{t.x, 0, t.z})
	}
	c.poly(rgba(0x1d1e1e, 0.35), plate{mid: p.mid.add(vec{0.02, -0.01, -0.02}), u: p.u, v: p.v, w: p.w, h: p.h}.corners(0.014)...)
	if err := c.plate(p, s.id, s.place); err != nil {
		return err
	}
	s.drawNearWater(c, rng)
	return nil
}

// drawNearWater covers the foot of the wall with the water in front of it.
func (s *scene) drawNearWater(c *canvas, rng *rand.Rand) {
	z := s.water
	for i := range 14 {
		y0, y1 := 9*math.Pow(float64(i)/14, 2), 9*math.Pow(float64(i+1)/14, 2)
		col := blend(rgb(0x33443f), rgb(0x3c565d), clamp(y1/2.5, 0, 1))
		c.poly(col, vec{-30, y0, z}, vec{30, y0, z}, vec{30, y1, z}, vec{-30, y1, z})
	}
	c.poly(rgba(0xd7dfd9, 0.35), vec{-30, 0, z}, vec{30, 0, z}, vec{30, 0.02, z}, vec{-30, 0.02, z})
	for range 160 {
		o := vec{mix(-3.5, 3.5, rng.Float64()), 0.05 + 3*math.Pow(rng.Float64(), 1.3), z}
		col := rgba(0xb9cccb, 0.20)
		if rng.Float64() < 0.5 {
			col = rgba(0x16262a, 0.26)
		}
		r := 0.05 + 0.20*rng.Float64()
		c.disc(col, o, vec{x: r, y: r * 0.15}, vec{y: 0.018 + 0.03*rng.Float64()})
	}
}

func (s *scene) drawLadder(c *canvas, x float64) {
	steel, yellow := rgb(0x8e9496), rgb(0xcfa935)
	c.poly(rgba(0x1c1d1c, 0.22), vec{x - 0.14, 0.001, -4}, vec{x + 0.34, 0.001, -4}, vec{x + 0.34, 0.001, -0.05}, vec{x - 0.14, 0.001, -0.05})
	// Brackets first, then rungs, then the stringers in front.
	for _, z := range []float64{-0.5, -1.9, -3.3} {
		for _, k := range []float64{-1, 1} {
			c.box(steel, vec{x + k*0.24 - 0.02, 0, z - 0.03}, vec{x + k*0.24 + 0.02, 0.15, z + 0.03})
		}
	}
	for z := -3.9; z < 0.1; z += 0.30 {
		c.box(tone(steel, 1.08), vec{x - 0.23, 0.16, z - 0.014}, vec{x + 0.23, 0.19, z + 0.014})
	}
	for _, k := range []float64{-1, 1} {
		cx := x + k*0.245
		c.box(steel, vec{cx - 0.028, 0.145, -4}, vec{cx + 0.028, 0.205, -0.6})
		c.box(yellow, vec{cx - 0.028, 0.145, -0.6}, vec{cx + 0.028, 0.205, 0.55})
		c.box(yellow, vec{cx - 0.028, -0.45, 0.50}, vec{cx + 0.028, 0.205, 0.55})
	}
}

func (s *scene) drawFender(c *canvas, x float64) {
	rubber := rgb(0x35373a)
	c.poly(rgba(0x1c1d1c, 0.28), vec{x - 0.12, 0.001, -4}, vec{x + 0.42, 0.001, -4}, vec{x + 0.42, 0.001, -0.22}, vec{x - 0.12, 0.001, -0.22})
	for _, z := range []float64{-0.45, -1.5, -2.6, -3.6} {
		c.box(rgb(0x6d5a48), vec{x - 0.27, 0, z - 0.05}, vec{x + 0.27, 0.05, z + 0.05})
		for _, k := range []float64{-1, 1} {
			c.disc(rgb(0xa9a59b), vec{x + k*0.225, 0.052, z}, vec{x: 0.022}, vec{z: 0.022})
		}
	}
	// A D section: a half cylinder set upright on the face.
	const n = 14
	for i := range n {
		a0, a1 := math.Pi*float64(i)/n, math.Pi*float64(i+1)/n
		p := func(a, z float64) vec { return vec{x - 0.19*math.Cos(a), 0.05 + 0.26*math.Sin(a), z} }
		am := (a0 + a1) / 2
		normal := vec{-math.Cos(am), math.Sin(am), 0}
		if c.cam.sub(p(am, -1)).dot(normal) > 0 {
			c.poly(c.lit(rubber, normal), p(a0, -4), p(a1, -4), p(a1, -0.2), p(a0, -0.2))
		}
	}
	c.box(rgb(0xd8d3c4), vec{x - 0.12, 0.16, -0.2}, vec{x + 0.12, 0.24, -0.185})
}

func (s *scene) drawOutfall(c *canvas, o vec) {
	// The surveyed invert is o; the pipe's axis lies a radius above it.
	const r = 0.26
	mid := vec{o.x, 0, o.z + r}
	for j := range 6 {
		w := 0.20 + 0.02*float64(j)
		c.poly(rgba(0x2c2f22, 0.22), vec{o.x - w, 0.002, o.z - 0.02}, vec{o.x + w, 0.002, o.z - 0.02}, vec{o.x + 0.3*w, 0.002, -4}, vec{o.x - 0.5*w, 0.002, -4})
	}
	c.disc(c.lit(rgb(0xa5a196), vec{y: 1}), mid.add(vec{y: 0.004}), vec{x: r + 0.17}, vec{z: r + 0.17})
	pipe := rgb(0x6c6a66)
	c.turned(mid, vec{y: 1}, vec{x: 1}, vec{z: 1}, []ring{{r + 0.04, 0, pipe}, {r + 0.04, 0.24, pipe}})
	c.disc(c.lit(rgb(0x8b8881), vec{y: 1}), mid.add(vec{y: 0.24}), vec{x: r + 0.04}, vec{z: r + 0.04})
	c.disc(rgb(0x161819), mid.add(vec{y: 0.241}), vec{x: r}, vec{z: r})
	c.disc(rgba(0x3a4038, 0.9), mid.add(vec{0, 0.242, -r * 0.80}), vec{x: r * 0.55}, vec{z: r * 0.16})
	c.poly(rgba(0xc4d4d2, 0.55), mid.add(vec{-0.10, 0.25, -r * 0.86}), mid.add(vec{0.09, 0.25, -r * 0.86}), vec{o.x + 0.05, 0.42, s.water}, vec{o.x - 0.06, 0.42, s.water})
	c.poly(rgba(0xeef4f2, 0.5), mid.add(vec{-0.03, 0.255, -r * 0.86}), mid.add(vec{0.02, 0.255, -r * 0.86}), vec{o.x + 0.02, 0.43, s.water}, vec{o.x - 0.01, 0.43, s.water})
}
