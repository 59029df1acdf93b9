package jpegdct

import (
	"bufio"
	"encoding/binary"
	"io"
)

// bits reads the bits of entropy coded data, in which 0xFF 0x00 is a byte 0xFF and
// 0xFF with another byte a marker, which ends it (T.81, B.1.1.5). What is asked for
// beyond a marker are zeros, and over says that there was more than fills a byte.
type bits struct {
	r      *bufio.Reader
	window []byte // what is buffered of r
	at     int    // the next byte in it
	acc    uint64 // the next bit is the highest
	n      int    // how many are left
	pad    int    // how many of them are made up
	marker byte
	err    error
}

// fill reads until at least 32 bits are there.
func (b *bits) fill() {
	for b.n <= 56 {
		if b.n <= 32 && b.at+4 <= len(b.window) && b.marker == 0 {
			if v := binary.BigEndian.Uint32(b.window[b.at:]); plain(v) {
				b.acc |= uint64(v) << (32 - b.n)
				b.n += 32
				b.at += 4
				continue
			}
		}
		if b.marker != 0 || b.err != nil {
			b.n += 8
			b.pad += 8
			continue
		}
		b.one()
	}
}

// plain says that none of four bytes is 0xFF.
func plain(v uint32) bool { return (^v-0x01010101)&v&0x80808080 == 0 }

// nextByte is the next byte of r.
func (b *bits) nextByte() (byte, error) {
	if b.at == len(b.window) {
		b.leave()
		if _, err := b.r.Peek(1); err != nil {
			return 0, err
		}
		b.window, _ = b.r.Peek(b.r.Buffered()) // that can't fail, nor what leave does
	}
	b.at++
	return b.window[b.at-1], nil
}

// leave lets others read r on from the byte that is next.
func (b *bits) leave() {
	b.r.Discard(b.at)
	b.window, b.at = nil, 0
}

// one reads a byte.
func (b *bits) one() {
	c, err := b.nextByte()
	if err == nil && c == 0xff {
		m := byte(0xff)
		for m == 0xff && err == nil {
			m, err = b.nextByte()
		}
		if err == nil && m != 0 {
			b.marker = m
			return
		}
	}
	if err != nil {
		b.err = err
		return
	}
	b.acc |= uint64(c) << (56 - b.n)
	b.n += 8
}

// spent is the error of a scan that asked for more than there is.
func (b *bits) spent() error {
	if b.n >= b.pad {
		return nil
	}
	if b.err != nil {
		if b.err == io.EOF {
			return io.ErrUnexpectedEOF
		}
		return b.err
	}
	return format("short Huffman data")
}

// reset forgets what is left of the last byte.
func (b *bits) reset() { b.acc, b.n, b.pad = 0, 0, 0 }

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
	if b.n < 16 {
		b.fill()
	}
	return extend(b.take(n), n)
}

// extend gives a number of n bits its sign (T.81, F.2.2.1).
func extend(v uint32, n uint) int32 {
	if v < 1<<(n-1) {
		return int32(v) - 1<<n + 1
	}
	return int32(v)
}

func (b *bits) bit() bool {
	if b.n < 1 {
		b.fill()
	}
	return b.take(1) != 0
}

// lookBits is how long the codes are that one look finds.
const lookBits = 9

// huffman is a table (T.81, annex C and F.2.2.3).
type huffman struct {
	// look has the value << 16, the length of the code with what follows by the value's
	// low four bits << 8, and the length of the code; 0 for longer codes.
	look    [1 << lookBits]uint32
	values  [256]byte
	minCode [17]int32
	maxCode [17]int32 // -1 for lengths without codes
	index   [17]int32 // of the first value of a length
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
		h.minCode[length], h.maxCode[length], h.index[length] = code, -1, k
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

// next reads a value; false for a code that the table does not have.
func (b *bits) next(h *huffman) (byte, bool) {
	if b.n < 32 {
		b.fill()
	}
	if x := h.look[b.acc>>(64-lookBits)]; x != 0 {
		b.take(uint(x & 255))
		return byte(x >> 16), true
	}
	v, length, ok := h.long(b.acc)
	b.take(length)
	return v, ok
}

// long finds the value of a code that look does not have.
func (h *huffman) long(acc uint64) (v byte, length uint, ok bool) {
	for length := uint(lookBits + 1); length <= 16; length++ {
		code := int32(acc >> (64 - length))
		if code <= h.maxCode[length] {
			return h.values[h.index[length]+code-h.minCode[length]], length, true
		}
	}
	return 0, 0, false
}
