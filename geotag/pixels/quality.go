package pixels

import "fmt"

// Quality places the quantisation table of an image's brightness on the scale of
// 1 to 100 that JPEG encoders use most: that of the Independent JPEG Group, by
// which the example table of ITU-T T.81 (table K.1) is multiplied by
//
//	5000/q percent for q below 50, and 200 - 2q percent from there on,
//
// in whole percents, rounded, and kept between 1 and 255. 50 is the example
// table itself, 75 half of it, of which T.81 says that the image is then nearly
// indistinguishable from the original. (Formula and remark from memory; the tests
// hold the formula against image/jpeg and libjpeg.)
//
// Cameras use tables of their own. Such a table has no place on the scale, and is
// given none: Low and High then say between which places it lies.
type Quality struct {
	// Low is the best quality whose standard table is nowhere finer than the
	// image's: all its steps are at least as fine as at Low. It is 0 for a table
	// that is somewhere coarser than even quality 1 is.
	Low int `json:"low"`
	// High is the lowest quality whose standard table is nowhere coarser than
	// the image's. Low and High are equal where the image has a standard table.
	High int `json:"high"`
}

// Exact reports whether the table is a standard one, of quality Low.
func (q Quality) Exact() bool { return q.Low == q.High }

// String gives "85", or "60 to 92" for a table that is none of the standard ones.
func (q Quality) String() string {
	if q.Exact() {
		return fmt.Sprint(q.Low)
	}
	return fmt.Sprintf("%d to %d", q.Low, q.High)
}

// annexK is table K.1 of ITU-T T.81, row by row.
var annexK = [64]int{
	16, 11, 10, 16, 24, 40, 51, 61,
	12, 12, 14, 19, 26, 58, 60, 55,
	14, 13, 16, 24, 40, 57, 69, 56,
	14, 17, 22, 29, 51, 87, 80, 62,
	18, 22, 37, 56, 68, 109, 103, 77,
	24, 35, 55, 64, 81, 104, 113, 92,
	49, 64, 78, 87, 103, 121, 120, 101,
	72, 92, 95, 98, 112, 100, 103, 99,
}

// zigzag has the place, row by row, of each step in the order of a file: figure 5
// of ITU-T T.81.
var zigzag = diagonals(8)

// diagonals lists the places of a square of n by n, counted row by row, along its
// diagonals, to and fro.
func diagonals(n int) []int {
	var order []int
	for s := range 2*n - 1 {
		for i := range s + 1 {
			x, y := i, s-i
			if s%2 == 1 {
				x, y = y, x
			}
			if x < n && y < n {
				order = append(order, y*n+x)
			}
		}
	}
	return order
}

// step is the standard step for the i-th coefficient in zigzag order.
func step(q, i int) int {
	percent := 200 - 2*q
	if q < 50 {
		percent = 5000 / q
	}
	return min(max((annexK[zigzag[i]]*percent+50)/100, 1), 255)
}

// quality places a table in zigzag order. Its steps must not be 0.
func quality(table *[64]uint16) Quality {
	out := Quality{Low: 100, High: 1}
	for i, v := range table {
		// Standard steps do not grow with the quality.
		for out.Low > 0 && step(out.Low, i) < int(v) {
			out.Low--
		}
		for out.High < 100 && step(out.High, i) > int(v) {
			out.High++
		}
	}
	return out
}
