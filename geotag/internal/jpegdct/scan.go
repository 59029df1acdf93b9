package jpegdct

import "slices"

// scan is what a scan header says (T.81, B.2.3).
type scan struct {
	comps []*component
	// from and to are the band of coefficients, low and high the bit positions of
	// successive approximation.
	from, to  int
	high, low uint
	run       int // of blocks without further coefficients (EOBRUN)
}

// scan reads a scan header and the data after it.
func (d *decoder) scan(data []byte) error {
	if d.comps == nil {
		return format("missing SOF marker")
	}
	s, err := d.scanHeader(data)
	if err != nil {
		return err
	}
	d.scanned = true
	d.bits = bits{r: d.r}
	blocks, across, units := s.unit()
	for n := range units {
		if n > 0 && d.interval > 0 && n%d.interval == 0 {
			if err := d.restart(s, n/d.interval-1); err != nil {
				return err
			}
		}
		for _, b := range blocks {
			if err := d.block(s, b.c, n%across*b.dx+b.x, n/across*b.dy+b.y); err != nil {
				return err
			}
		}
	}
	d.bits.leave()
	return d.bits.spent()
}

// place is a block of a component in the first unit, and how far on it is in the next
// one across and down.
type place struct {
	c            *component
	x, y, dx, dy int
}

// unit has the blocks of a unit: those of all components that belong together, or one
// where the scan has one component (T.81, A.2), and how many units are across and in all.
func (s *scan) unit() (blocks []place, across, units int) {
	c := s.comps[0]
	if len(s.comps) == 1 {
		return []place{{c, 0, 0, 1, 1}}, c.wide, c.wide * c.high
	}
	across, units = c.across/c.h, c.across/c.h*(c.down/c.v)
	for _, c := range s.comps {
		for k := range c.h * c.v {
			blocks = append(blocks, place{c, k % c.h, k / c.h, c.h, c.v})
		}
	}
	return blocks, across, units
}

func (d *decoder) scanHeader(data []byte) (*scan, error) {
	if len(data) < 6 || len(data) != 4+2*int(data[0]) || data[0] > 4 {
		return nil, format("SOS has wrong length")
	}
	n := int(data[0])
	s := &scan{from: int(data[1+2*n]), to: int(data[2+2*n]), high: uint(data[3+2*n] >> 4), low: uint(data[3+2*n] & 15)}
	blocks := 0
	for i := range n {
		at := slices.IndexFunc(d.comps, func(c component) bool { return c.id == data[1+2*i] })
		if at < 0 || slices.Contains(s.comps, &d.comps[at]) {
			return nil, format("unknown or repeated component selector")
		}
		c := &d.comps[at]
		if c.dc, c.ac = data[2+2*i]>>4, data[2+2*i]&15; c.dc > 3 || c.ac > 3 {
			return nil, format("bad Td or Ta value")
		}
		c.last = 0
		blocks += c.h * c.v
		s.comps = append(s.comps, c)
	}
	if n > 1 && blocks > 10 {
		return nil, format("total sampling factors too large")
	}
	if !d.progressive {
		s.from, s.to, s.high, s.low = 0, 63, 0, 0
	}
	if !s.sound(d.progressive) {
		return nil, format("bad spectral selection or successive approximation")
	}
	for _, c := range s.comps {
		ac := &d.huff[1][c.ac]
		if s.from == 0 && s.high == 0 && !d.huff[0][c.dc].ok || s.to > 0 && !ac.ok {
			return nil, format("uninitialized Huffman table")
		}
		if !d.progressive && ac.skip == nil {
			ac.makeSkip()
		}
	}
	return s, nil
}

// sound says whether band and bit positions are such as T.81, G.1.1.1 allows.
func (s *scan) sound(progressive bool) bool {
	if s.from > s.to || s.to > 63 || s.low > 13 || s.high != 0 && s.high != s.low+1 {
		return false
	}
	if s.from == 0 {
		return s.to == 0 || !progressive
	}
	return len(s.comps) == 1
}

// restart reads the marker that has to follow right after what an interval asked for.
func (d *decoder) restart(s *scan, want int) error {
	b := &d.bits
	if err := b.spent(); err != nil {
		return err
	}
	b.more()
	switch {
	case b.err != nil:
		return b.err
	case len(b.data) > 0 || b.n-b.pad >= 8 || b.marker != byte(rst0+want%8):
		return format("bad RST marker")
	}
	b.acc, b.n, b.pad, b.marker, s.run = 0, 0, 0, 0, 0
	for _, c := range s.comps {
		c.last = 0
	}
	return nil
}

// block reads what a scan has of a block at x, y of a component.
func (d *decoder) block(s *scan, c *component, x, y int) error {
	if d.progressive {
		coef := (*[64]int16)(c.coef[64*(y*c.across+x):])
		if s.high == 0 {
			return d.firstPass(s, c, coef)
		}
		return d.refine(s, c, coef)
	}
	var coef [64]int16
	if err := d.sequential(c, &coef); err != nil {
		return err
	}
	d.transform(c, &coef, x, y)
	return nil
}

var errCode = format("bad Huffman code")

// sequential reads a block of a sequential scan (T.81, F.2.2). Coefficients that the
// scale has no use for are read and dropped.
func (d *decoder) sequential(c *component, coef *[64]int16) error {
	b := &d.bits
	t, ok := b.next(&d.huff[0][c.dc])
	if !ok || t > 16 {
		return errCode
	}
	c.last += b.receive(uint(t))
	coef[0] = int16(c.last)
	if err := b.alternating(&d.huff[1][c.ac], coef, d.coefs); err != nil || b.n >= b.pad {
		return err
	}
	return b.spent()
}

// alternating reads the AC coefficients of a block, of which those up to coefs are kept,
// and the others passed over. A code and the bits that follow it are at most 32.
func (b *bits) alternating(ac *huffman, coef *[64]int16, coefs int) error {
	acc, n := b.acc, b.n
	for k := 1; k < 64; {
		if n < 32 {
			b.acc, b.n = acc, n
			b.fill()
			acc, n = b.acc, b.n
		}
		if k >= coefs {
			if x := ac.skip[acc>>(64-skipBits)]; x != 0 && k+int(x>>5&31) < 64 {
				acc <<= x & 31
				n -= int(x & 31)
				if k += int(x >> 10); k < 64 && n >= 32 {
					if x := ac.skip[acc>>(64-skipBits)]; x != 0 && k+int(x>>5&31) < 64 {
						acc <<= x & 31
						n -= int(x & 31)
						k += int(x >> 10)
					}
				}
				continue
			}
		}
		x := ac.look[acc>>(64-lookBits)]
		if x == 0 {
			if x = ac.long(acc); x == 0 {
				return errCode
			}
		}
		rest := acc << (x & 63)
		acc <<= x >> 8 & 63
		n -= int(x >> 8 & 63)
		size := uint(x >> 16 & 15)
		k += int(x >> 20)
		switch {
		case size > 0 && k < coefs:
			coef[k&63] = int16(extend(uint32(rest>>((64-size)&63)), size))
		case size == 0 && x>>16 != 0xf0:
			k = 64
		}
		k++
	}
	b.acc, b.n = acc, n
	return nil
}

// firstPass reads what a progressive scan has first of a band (T.81, G.1.2.1 and
// G.1.2.2).
func (d *decoder) firstPass(s *scan, c *component, coef *[64]int16) error {
	b := &d.bits
	k := s.from
	if k == 0 {
		t, ok := b.next(&d.huff[0][c.dc])
		if !ok || t > 16 {
			return errCode
		}
		c.last += b.receive(uint(t))
		coef[0] = int16(c.last << s.low)
		return b.spent()
	}
	if s.run > 0 {
		s.run--
		return nil
	}
	for ac := &d.huff[1][c.ac]; k <= s.to; k++ {
		v, ok := b.next(ac)
		if !ok {
			return errCode
		}
		run, size := int(v>>4), uint(v&15)
		if size == 0 && run < 15 {
			s.run = b.endOfBand(run) - 1
			break
		}
		if k += run; size == 0 || k > 63 {
			continue
		}
		coef[k] = int16(b.receive(size) << s.low)
	}
	return b.spent()
}

// endOfBand reads over how many blocks the band has no more coefficients (T.81,
// G.1.2.2).
func (b *bits) endOfBand(run int) int {
	if run == 0 {
		return 1
	}
	return 1<<run + int(b.take(uint(run)))
}

// refine reads one more bit of a band (T.81, G.1.2.1 and G.1.2.3).
func (d *decoder) refine(s *scan, c *component, coef *[64]int16) error {
	b := &d.bits
	delta := int16(1) << s.low
	if s.from == 0 {
		if b.bit() {
			coef[0] |= delta
		}
		return b.spent()
	}
	k := s.from
	for ac := &d.huff[1][c.ac]; s.run == 0 && k <= s.to; k++ {
		v, ok := b.next(ac)
		if !ok {
			return errCode
		}
		run, size := int(v>>4), v&15
		var z int16
		switch {
		case size == 1:
			if z = delta; !b.bit() {
				z = -delta
			}
		case size > 1:
			return format("unexpected Huffman code")
		case run < 15:
			s.run = b.endOfBand(run)
		}
		if s.run > 0 {
			break
		}
		if k = b.correct(coef, k, s.to, run, delta); k > s.to {
			if z != 0 {
				return format("too many coefficients")
			}
			break
		}
		if z != 0 {
			coef[k] = z
		}
	}
	if s.run > 0 {
		s.run--
		b.correct(coef, k, s.to, -1, delta)
	}
	return b.spent()
}

// correct reads a bit for each coefficient that is not zero, until it has passed
// over skip zeros (all where it is negative), and returns where it stopped.
func (b *bits) correct(coef *[64]int16, k, to, skip int, delta int16) int {
	for ; k <= to; k++ {
		if coef[k] == 0 {
			if skip == 0 {
				return k
			}
			skip--
			continue
		}
		if !b.bit() {
			continue
		}
		if coef[k] > 0 {
			coef[k] += delta
		} else {
			coef[k] -= delta
		}
	}
	return k
}
