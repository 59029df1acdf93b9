package jpegdct

import "math"

// The low frequencies of a block are transformed back to fewer points: coefficient u
// adds c(u)/2 cos((2x+1)uπ/2n) to point x of n, c(0) = 1/√2 and else 1. With n = 8
// that is T.81, A.3.3; a basis function keeps its height when it is sampled more
// coarsely, and a constant block is its DC coefficient over 8 at every size.
var (
	half   = float32(math.Sqrt2 / 4) // c(0)/2, and cos(π/4)/2
	cosPi8 = float32(math.Cos(math.Pi/8) / 2)
	sinPi8 = float32(math.Sin(math.Pi/8) / 2) // cos(3π/8)/2
)

func two(a, b float32) (x0, x1 float32) {
	a, b = a*half, b*half
	return a + b, a - b
}

func four(a, b, c, d float32) (x0, x1, x2, x3 float32) {
	even0, even1 := (a+c)*half, (a-c)*half
	odd0, odd1 := b*cosPi8+d*sinPi8, b*sinPi8-d*cosPi8
	return even0 + odd0, even1 + odd1, even1 - odd1, even0 - odd0
}

func clamp(v float32) byte { return byte(min(max(int(v+128.5), 0), 255)) }

// transform writes a block's pixels.
func (d *decoder) transform(c *component, coef *[64]int16, x, y int) {
	q := &d.quant[c.table]
	out := c.pix[y*d.size*c.stride+x*d.size:]
	value := func(k int) float32 { return float32(int32(coef[k]) * int32(q[k])) }
	switch d.size {
	case 1:
		out[0] = clamp(value(0) / 8)
	case 2:
		a, b := two(value(0), value(1)) // the upper row's
		e, f := two(value(2), value(4))
		p, r := two(a, e)
		s, t := two(b, f)
		out[0], out[1] = clamp(p), clamp(s)
		out[c.stride], out[c.stride+1] = clamp(r), clamp(t)
	case 4:
		var in [16]float32
		rest := int16(0)
		for at, k := range coarse {
			v := coef[k&63]
			in[at] = float32(int32(v) * int32(q[k&63]))
			if k > 0 {
				rest |= v
			}
		}
		if rest == 0 {
			v := clamp(in[0] / 8)
			for i := range 4 {
				copy(out[i*c.stride:][:4], []byte{v, v, v, v})
			}
			return
		}
		for v := 0; v < 16; v += 4 {
			in[v], in[v+1], in[v+2], in[v+3] = four(in[v], in[v+1], in[v+2], in[v+3])
		}
		for x := range 4 {
			a, b, e, f := four(in[x], in[4+x], in[8+x], in[12+x])
			out[x], out[c.stride+x], out[2*c.stride+x], out[3*c.stride+x] = clamp(a), clamp(b), clamp(e), clamp(f)
		}
	}
}

// coarse gives for each of the 4 by 4 lowest coefficients its place in the order of the
// file.
var coarse = func() (out [16]uint8) {
	for k, at := range zigzag {
		if u, v := at&7, at>>3; u < 4 && v < 4 {
			out[4*v+u] = uint8(k)
		}
	}
	return out
}()
