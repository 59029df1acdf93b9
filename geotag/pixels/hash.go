package pixels

import (
	"fmt"
	"iter"
	"math"
	"math/bits"
	"slices"
	"strconv"
)

// Hash is a 64-bit perceptual hash: the signs of the coarse waves that a picture
// is made of. The brightness of its Preview is brought down to 32 by 32 cells and
// transformed by the two-dimensional cosine transform (DCT-II). Bit i tells
// whether coefficient i+1, counted along the diagonals from the constant one,
// which is left out, is above the median of the 64. A copy that is resized,
// coded again or drawn on has nearly the same bits; a picture of something else has
// about half of them different. A crop, or a turn that no orientation flag tells of,
// is something else too. (Common practice in finding copies of images; from memory.)
type Hash uint64

// Distance is the number of bits in which two hashes differ, 0 to 64.
func (h Hash) Distance(g Hash) int { return bits.OnesCount64(uint64(h ^ g)) }

// String returns 16 hexadecimal digits.
func (h Hash) String() string { return fmt.Sprintf("%016x", uint64(h)) }

// MarshalText writes the digits.
func (h Hash) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (h *Hash) UnmarshalText(text []byte) error {
	if len(text) != 16 {
		return fmt.Errorf("a hash has 16 digits, not %d", len(text))
	}
	v, err := strconv.ParseUint(string(text), 16, 64)
	*h = Hash(v)
	return err
}

const (
	hashSide = 32
	// evenLevels is the standard deviation of the brightness, in levels of 255,
	// below which a picture has no hash.
	evenLevels = 2
	// quarterLevels is the same for a quarter. It is larger, because all quarters
	// of smooth sky have much the same hash.
	quarterLevels = 8
)

// hashOrder is where the coefficients of the hash stand among the first 11 x 11.
const hashSquare = 11

var hashOrder = diagonals(hashSquare)[1:65]

// cosines has the waves: cosines[u][x].
var cosines = func() (c [hashSquare][hashSide]float64) {
	for u := range c {
		for x := range c[u] {
			c[u][x] = math.Cos(math.Pi * float64(u) * (float64(x) + 0.5) / hashSide)
		}
	}
	return c
}()

// hash returns the preview's hash. It is false where the picture is too even to
// have one: its brightness has a standard deviation below 2 levels.
func (p *Preview) hash() (Hash, bool) {
	var cells [hashSide][hashSide]float64
	for i := range previewCells {
		cells[i/previewSide/2][i%previewSide/2] += p.brightness(i) / 4
	}
	return hash(&cells, evenLevels)
}

// quarter is the hash of one quarter of the picture, 0 to 3 row by row. It is
// false for a quarter that is nearly even, as skies and water are.
func (p *Preview) quarter(q int) (Hash, bool) {
	var cells [hashSide][hashSide]float64
	for y := range hashSide {
		for x := range hashSide {
			cells[y][x] = p.brightness((q/2*hashSide+y)*previewSide + q%2*hashSide + x)
		}
	}
	return hash(&cells, quarterLevels)
}

// brightness is that of the i-th cell, by ITU-R BT.601 as in JFIF.
func (p *Preview) brightness(i int) float64 {
	return 0.299*float64(p[3*i]) + 0.587*float64(p[3*i+1]) + 0.114*float64(p[3*i+2])
}

// hash is false where the standard deviation of the cells is below even.
func hash(cells *[hashSide][hashSide]float64, even float64) (Hash, bool) {
	const all = hashSide * hashSide
	var sum, squares float64
	var rows [hashSide][hashSquare]float64
	for y := range cells {
		for x, v := range cells[y] {
			sum += v
			squares += v * v
			for u := range hashSquare {
				rows[y][u] += v * cosines[u][x]
			}
		}
	}
	if squares/all-(sum/all)*(sum/all) < even*even {
		return 0, false
	}
	var coef [64]float64
	for i, at := range hashOrder {
		u, v := at%hashSquare, at/hashSquare
		for y := range hashSide {
			coef[i] += rows[y][u] * cosines[v][y]
		}
	}
	sorted := coef
	slices.Sort(sorted[:])
	median := (sorted[31] + sorted[32]) / 2
	var h Hash
	for i, c := range coef {
		if c > median {
			h |= 1 << i
		}
	}
	return h, true
}

// chunks is into how many parts pairs takes a hash apart, each of 16 bits.
const chunks = 4

// maxPairDistance is the largest distance that pairs searches.
const maxPairDistance = 4*chunks - 1

// pairs yields the pairs i < j of hashes that differ in at most within bits, each
// once and in order of i, then of nothing in particular. within may be
// up to maxPairDistance; pairs panics otherwise.
//
// All such pairs are found, and not all pairs are tried: of four parts of 16
// bits, one at least differs in no more than a quarter of within. The hashes
// are sorted into tables by their parts, and for each hash the places
// are looked at that its parts can have gone to: 4 x 17 of them for a distance
// below 8, 4 x 137 below 12 and 4 x 697 below 16. The time grows with the number
// of hashes, as long as there are fewer than some 65,536 of them or they gather
// nowhere, and with the number of pairs.
func pairs(hashes []Hash, within int) iter.Seq2[int, int] {
	if within < 0 || within > maxPairDistance {
		panic(fmt.Sprintf("pixels: pairs within %d bits, not 0 to %d", within, maxPairDistance))
	}
	slack := within / chunks
	return func(yield func(int, int) bool) {
		var tables [chunks]table
		for c := range tables {
			tables[c] = newTable(hashes, c)
		}
		masks := flips(slack)
		for i, h := range hashes {
			for c := range tables {
				for _, m := range masks {
					for _, j := range tables[c].at(part(h, c) ^ m) {
						if int(j) <= i || h.Distance(hashes[j]) > within || earlier(h^hashes[j], c, slack) {
							continue
						}
						if !yield(i, int(j)) {
							return
						}
					}
				}
			}
		}
	}
}

// part takes every fourth bit from c on, so that each part has waves of all
// lengths.
func part(h Hash, c int) uint16 {
	var out uint16
	for i := range 16 {
		out |= uint16(h>>(4*i+c)&1) << i
	}
	return out
}

// earlier says that a difference was found by a part before the c-th already.
func earlier(diff Hash, c, slack int) bool {
	for b := range c {
		if bits.OnesCount16(part(diff, b)) <= slack {
			return true
		}
	}
	return false
}

// flips lists the words of 16 bits with at most n bits set.
func flips(n int) []uint16 {
	var out []uint16
	for w := range 1 << 16 {
		if bits.OnesCount16(uint16(w)) <= n {
			out = append(out, uint16(w))
		}
	}
	return out
}

// table sorts hashes by one part: those with part v are ids[start[v]:start[v+1]].
type table struct {
	start [1<<16 + 1]int32
	ids   []int32
}

func newTable(hashes []Hash, c int) table {
	t := table{ids: make([]int32, len(hashes))}
	for _, h := range hashes {
		t.start[int(part(h, c))+1]++
	}
	for v := range 1 << 16 {
		t.start[v+1] += t.start[v]
	}
	next := t.start
	for i, h := range hashes {
		v := part(h, c)
		t.ids[next[v]] = int32(i)
		next[v]++
	}
	return t
}

func (t *table) at(v uint16) []int32 { return t.ids[t.start[v]:t.start[int(v)+1]] }
