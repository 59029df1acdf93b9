package pixels_test

import (
	"testing"

	"example.com/phototie/geotag/pixels"
)

// CIPA DC-008, Orientation, says which visual sides the 0th row and the 0th column are.
func TestUpright(t *testing.T) {
	const w, h = 5, 3
	for orientation, sides := range map[int][2]string{
		0: {"top", "left"}, 1: {"top", "left"}, 2: {"top", "right"}, 3: {"bottom", "right"}, 4: {"bottom", "left"},
		5: {"left", "top"}, 6: {"right", "top"}, 7: {"right", "bottom"}, 8: {"left", "bottom"}, 9: {"top", "left"},
	} {
		ow, oh := w, h
		if orientation >= 5 && orientation <= 8 {
			ow, oh = h, w
		}
		at := func(side string, x, y int) bool {
			return map[string]bool{"top": y == 0, "bottom": y == oh-1, "left": x == 0, "right": x == ow-1}[side]
		}
		seen := map[[2]int]bool{}
		for x := range w {
			for y := range h {
				u, v := pixels.Upright(orientation, x, y, w, h)
				if seen[[2]int{u, v}] || u < 0 || v < 0 || u >= ow || v >= oh {
					t.Errorf("orientation %d: %d, %d goes to %d, %d, which is taken or outside", orientation, x, y, u, v)
				}
				seen[[2]int{u, v}] = true
				if at(sides[0], u, v) != (y == 0) || at(sides[1], u, v) != (x == 0) {
					t.Errorf("orientation %d: %d, %d goes to %d, %d, row 0 is the %s and column 0 the %s", orientation, x, y, u, v, sides[0], sides[1])
				}
			}
		}
	}
}
