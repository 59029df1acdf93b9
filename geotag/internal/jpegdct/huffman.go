package jpegdct

import (
	"bufio"
	"bytes"
	"encoding/binary"
)

// bits reads the bits of entropy coded data, in which 0xFF 0x00 is a byte 0xFF and
// 0xFF with another byte a marker, which ends it (T.81, B.1.1.5). What is asked for
// beyond a marker are zeros, and over says that there was more than fills a byte.
type bits struct {
	r      *bufio.Reader
	window []byte // what is buffered of r
	from   int    // the next byte in it
	data   []byte // of the window, the bytes that are meant
	at     int    // the next of them
	acc    uint64 // the next bit is the highest
	n      int    // how many are left; beyond them is a part of the next byte, or zeros
	pad    int    // how many of them are made up
	marker byte
	err    error
}

// fill reads until more than 56 bits are there.
func (b *bits) fill() {
	if b.at+8 > len(b.data) {
		b.more()
	}
	if b.at+8 <= len(b.data) {
		b.acc |= binary.BigEndian.Uint64(b.data[b.at:]) >> (b.n & 63)
		b.at += (63 - b.n) >> 3
		b.n |= 56
		return
	}
	for ; b.n <= 56; b.n += 8 {
		if b.at == len(b.data) {
			b.pad += 8
			continue
		}
		b.acc |= uint64(b.data[b.at]) << (56 - b.n)
		b.at++
	}
}

// ahead is how much data there is at least after more, but before a marker.
const ahead = 1 << 10

// more takes data out of the window.
func (b *bits) more() {
	b.data, b.at = b.data[:copy(b.data, b.data[b.at:])], 0
	for len(b.data) < ahead && b.marker == 0 && b.err == nil {
		w := b.window[b.from:min(b.from+ahead, len(b.window))]
		n := bytes.IndexByte(w, 0xff)
		if n < 0 {
			n = len(w)
		}
		b.data = append(b.data, w[:n]...)
		b.from += n
		b.one()
	}
}

// one takes a byte.
func (b *bits) one() {
	c := b.nextByte()
	escaped := c == 0xff
	for c == 0xff {
		c = b.nextByte()
	}
	switch {
	case b.err != nil:
	case !escaped:
		b.data = append(b.data, c)
	case c == 0:
		b.data = append(b.data, 0xff)
	default:
		b.marker = c
	}
}

// nextByte is the next byte of r; 0 where err says that there is none.
func (b *bits) nextByte() byte {
	if b.from == len(b.window) {
		b.leave()
		if _, b.err = b.r.Peek(1); b.err != nil {
			return 0
		}
		b.window, _ = b.r.Peek(b.r.Buffered()) // that can't fail, nor what leave does
	}
	b.from++
	return b.window[b.from-1]
}

// leave lets others read r on from the byte that is next.
func (b *bits) leave() {
	b.r.Discard(b.from)
	b.window, b.from = nil, 0
}

// spent is the error of a scan that asked for more than there is.
func (b *bits) spent() error {
	if b.n >= b.pad {
		return nil
	}
	if b.err != nil {
		return b.err
	}
	return format("short Huffman data")
}

func (b *bits) take(n uint) uint32 {
	v := uint32(b.acc >> (64 - n))
	b.acc <<= n
	b.n -= int(n)
	return v
}

// receive reads a number of n bits and extends its sign (T.81, F.2.2.1), n at most
// 16.
func (b *bits) receive(n uint) int32 {
	if n == 0 {
		return 0
	}
	return extend(b.take(n), n)
}

// extend gives a number of n bits its sign (T.81, F.2.2.1), without a branch.
func extend(v uint32, n uint) int32 {
	return int32(v) + (int32(v>>((n-1)&31))-1)&(1-1<<(n&31))
}

func (b *bits) bit() bool {
	if b.n < 1 {
		b.fill()
	}
	return b.take(1) != 0
}

// lookBits is how long codes are that one look finds, skipBits those passed over together.
const (
	lookBits = 9
	skipBits = 12
)

// huffman is a table (T.81, annex C and F.2.2.3).
type huffman struct {
	// look has the value << 16, the length of the code with what follows by the value's
	// low four bits << 8, and the length of the code; 0 for longer codes.
	look    [1 << lookBits]uint32
	skip    *skips // made when it is wanted
	values  [256]byte
	maxCode [17]int32 // -1 for lengths without codes
	index   [17]int32 // of a value of a length, less its code
	ok      bool
}

// build makes the table of how many codes each length has and their values, and
// says how many these are.
func (h *huffman) build(counts, values []byte) (int, error) {
	n := 0
	for _, c := range counts {
		n += int(c)
	}
	if n == 0 || n > 256 || n > len(values) {
		return 0, format("Huffman table has wrong length")
	}
	*h = huffman{ok: true}
	copy(h.values[:], values[:n])
	code, k := int32(0), int32(0)
	for length := 1; length <= 16; length++ {
		h.maxCode[length], h.index[length] = -1, k-code
		c := int32(counts[length-1])
		if code+c > 1<<length {
			return 0, format("bad Huffman table")
		}
		for range c {
			if length <= lookBits {
				first := code << (lookBits - length)
				for i := range int32(1) << (lookBits - length) {
					h.look[first+i] = entry(h.values[k], uint(length))
				}
			}
			code++
			k++
		}
		if c > 0 {
			h.maxCode[length] = code - 1
		}
		code <<= 1
	}
	return n, nil
}

func entry(v byte, length uint) uint32 {
	return uint32(v)<<16 | uint32(length+uint(v&15))<<8 | uint32(length)
}

// skips has for the next bits how many of them are coefficients that can be passed over
// together, how far the last of these stands behind the first << 5, and how far they lead
// on << 10: 63 where the block ends. It is 0 where the first code is longer.
type skips [1 << skipBits]uint16

// makeSkip makes the table of codes of AC coefficients.
func (h *huffman) makeSkip() {
	h.skip = new(skips)
	for i := range h.skip {
		acc := uint64(i) << (64 - skipBits)
		for length, places := 0, 0; length < skipBits && places < 32; {
			x := h.find(acc)
			if x == 0 || length+int(x&255) > skipBits {
				break
			}
			length += int(x >> 8 & 255)
			before := places
			if places += int(x>>20) + 1; x>>16&15 == 0 && x>>16 != 0xf0 {
				places = 63
			}
			h.skip[i] = uint16(length | before<<5 | places<<10)
			acc <<= x >> 8 & 63
		}
	}
}

// next reads a value; false for a code that the table does not have.
func (b *bits) next(h *huffman) (byte, bool) {
	if b.n < 32 {
		b.fill()
	}
	x := h.find(b.acc)
	b.take(uint(x & 255))
	return byte(x >> 16), x != 0
}

// find is look's entry for what comes next, or one made for a longer code; 0 where the
// table has no such code.
func (h *huffman) find(acc uint64) uint32 {
	if x := h.look[acc>>(64-lookBits)]; x != 0 {
		return x
	}
	return h.long(acc)
}

func (h *huffman) long(acc uint64) uint32 {
	for length := uint(lookBits + 1); length <= 16; length++ {
		code := int32(acc >> (64 - length))
		if code <= h.maxCode[length] {
			return entry(h.values[h.index[length]+code], length)
		}
	}
	return 0
}
