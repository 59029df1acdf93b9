package demo

import (
	"cmp"
	"image/color"
	"math"
	"math/rand/v2"
	"slices"
)

// The footbridges: a timber deck on two beams, with posts and rails. The scene's
// x axis points across the bridge from the bank that the camera stands on, and
// the surveyed corner post is at s.target, at the left or the right of the deck.
const (
	bridgeWidth = 1.6
	bridgeBay   = 1.5
)

func (s *scene) drawBridge(c *canvas, rng *rand.Rand) error {
	left := s.target.y
	if left > 0 {
		left -= bridgeWidth
	}
	c.sky(rng)
	s.valley(c)
	creek(c, rng)
	bank(c, rng, left, left+bridgeWidth)
	s.deck(c, left, left+bridgeWidth)
	postsAndRails(c, left, left+bridgeWidth)
	// The mark on top of the post, and a painted ring around the post.
	t := s.target
	c.box(rgb(0xb3382e), vec{t.x - 0.077, t.y - 0.077, 0.70}, vec{t.x + 0.077, t.y + 0.077, 0.78})
	c.disc(rgb(0xc6a24a), vec{t.x, t.y, 0.903}, vec{x: 0.035}, vec{y: 0.035})
	c.disc(rgb(0x3a2f16), vec{t.x, t.y, 0.904}, vec{x: 0.008}, vec{y: 0.008})
	p, _ := s.board()
	c.legs(p)
	return c.plate(p, s.id, s.place)
}

// The far end of the bridge, the edge of the creek's cut, and the level of the
// ground, in metres.
const far, lip, ground = 11.0, 1.1, -0.12

var timber = rgb(0x8f7a5e)

// valley draws the meadows and the trees along the far side, at fixed bearings.
func (s *scene) valley(c *canvas) {
	hz := c.horizon()
	s.shore(c, rgb(0x8fa3a6), 0.10, 1.3)
	c.rows(hz, c.h, func(y float64) color.NRGBA {
		t := clamp((y-hz)/c.focal/0.8, 0, 1)
		return blend(rgb(0x93a06c), rgb(0x66743f), math.Sqrt(t))
	})
	for i := range 90 {
		b := float64(i) * 4
		d := math.Remainder(b-s.heading-s.view.turn*180/math.Pi, 360) * math.Pi / 180
		if math.Abs(d) > 0.9 {
			continue
		}
		x := c.w/2 + c.focal*math.Tan(d)
		high := c.focal * (0.05 + 0.06*hash(i, 5))
		for k := range 4 {
			dx := (hash(i, 20+k) - 0.5) * high
			c.blot(blend(rgb(0x4d6142), rgb(0x6a7a4c), hash(i, 30+k)), pt{x + dx, hz - high*(0.25+0.2*hash(i, 40+k))}, high*0.55, high*0.5)
		}
	}
}

// creek draws the creek in its cut: banks, then water.
func creek(c *canvas, rng *rand.Rand) {
	c.poly(rgb(0x7a6c52), vec{lip, -60, ground}, vec{far - lip, -60, ground}, vec{far - lip, 60, ground}, vec{lip, 60, ground})
	c.poly(rgb(0x8b7c60), vec{far - lip, -60, ground}, vec{far - lip, 60, ground}, vec{far - lip - 1.4, 60, -1.5}, vec{far - lip - 1.4, -60, -1.5})
	c.poly(rgb(0x55685f), vec{far - lip - 1.4, -60, -1.5}, vec{far - lip - 1.4, 60, -1.5}, vec{lip + 1.2, 60, -1.5}, vec{lip + 1.2, -60, -1.5})
	for range 90 {
		o := vec{mix(lip+1.4, far-lip-1.6, rng.Float64()), mix(-9, 9, rng.Float64()), -1.5}
		col := rgba(0xc9d6cb, 0.30)
		if rng.Float64() < 0.5 {
			col = rgba(0x2e3f39, 0.30)
		}
		c.disc(col, o, vec{y: 0.1 + 0.3*rng.Float64()}, vec{x: 0.02 + 0.04*rng.Float64()})
	}
}

// bank draws the grass before the bridge, and the gravel path to it.
func bank(c *canvas, rng *rand.Rand, left, right float64) {
	c.poly(rgb(0x66743f), vec{-9, -60, ground}, vec{lip, -60, ground}, vec{lip, 60, ground}, vec{-9, 60, ground})
	for range 420 {
		o := vec{mix(-2.6, lip, rng.Float64()), mix(-3.6, 3.6, rng.Float64()), ground}
		lean := vec{0.05 * (rng.Float64() - 0.5), 0.05 * (rng.Float64() - 0.5), 0.05 + 0.11*rng.Float64()}
		w := vec{y: 0.008}
		c.poly(blend(rgba(0x4f5d2c, 0.9), rgba(0x93a05a, 0.9), rng.Float64()), o.sub(w), o.add(w), o.add(lean))
	}
	c.poly(rgb(0xa79f8d), vec{-9, left + 0.1, ground + 0.01}, vec{0, left + 0.1, -0.01}, vec{0, right - 0.1, -0.01}, vec{-9, right - 0.1, ground + 0.01})
	c.speckle(rng, 200, vec{-2.6, left + 0.15, ground + 0.06}, vec{-0.05, right - 0.15, 0}, 0.016, rgba(0x5d574a, 0.5), rgba(0xd6cfbf, 0.5))
}

// deck draws beams and planks, from the far end on.
func (s *scene) deck(c *canvas, left, right float64) {
	for _, y := range []float64{left + 0.15, right - 0.15} {
		c.box(rgb(0x5d5142), vec{0.1, y - 0.1, -0.42}, vec{far, y + 0.1, -0.05})
	}
	for i := 73; i >= 0; i-- {
		x := 0.15 * float64(i)
		col := tone(timber, 0.88+0.22*hash(i, int(s.chain)))
		c.poly(c.lit(col, vec{z: 1}), vec{x + 0.006, left, 0}, vec{x + 0.144, left, 0}, vec{x + 0.144, right, 0}, vec{x + 0.006, right, 0})
	}
}

// postsAndRails draws them from the far end on.
func postsAndRails(c *canvas, left, right float64) {
	type piece struct {
		lo, hi vec
		col    color.NRGBA
	}
	var pieces []piece
	for _, y := range []float64{left, right} {
		for i := 0; float64(i)*bridgeBay <= far; i++ {
			x := float64(i) * bridgeBay
			half, top := 0.05, 1.02
			if i == 0 {
				half, top = 0.075, 0.90
			}
			pieces = append(pieces, piece{vec{x - half, y - half, -0.3}, vec{x + half, y + half, top}, timber})
			if float64(i+1)*bridgeBay <= far {
				for _, z := range []float64{0.45, 0.84} {
					pieces = append(pieces, piece{vec{x + half, y - 0.025, z}, vec{x + bridgeBay - 0.05, y + 0.025, z + 0.09}, tone(timber, 1.06)})
				}
			}
		}
	}
	gap := func(p piece) float64 { return lerp(p.lo, p.hi, 0.5).sub(c.cam).norm() }
	slices.SortStableFunc(pieces, func(a, b piece) int { return cmp.Compare(gap(b), gap(a)) })
	for _, p := range pieces {
		c.box(p.col, p.lo, p.hi)
	}
}
