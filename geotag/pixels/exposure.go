package pixels

// Exposure tells how the brightness of an image's pixels is spread. Brightness is
// the Y of JFIF, 0 to 255.
type Exposure struct {
	// Black and White are the shares of pixels, 0 to 1, at the ends of the scale
	// (0 to 4, and 251 to 255), where nothing more can be told apart: blocked
	// shadows and blown lights. The four levels are for what JPEG coding strews
	// around a flat area.
	Black float64 `json:"black"`
	White float64 `json:"white"`
	// Mean is the mean brightness, 0 for black to 1 for white.
	Mean float64 `json:"mean"`
}

// clipLevels is how many levels at each end count as clipped.
const clipLevels = 5

func exposure(y plane) Exposure {
	var count [256]int
	for r := range y.h {
		for _, v := range y.pix[r*y.stride : r*y.stride+y.w] {
			count[v]++
		}
	}
	var e Exposure
	for v, n := range count {
		e.Mean += float64(v) / 255 * float64(n)
		if v < clipLevels {
			e.Black += float64(n)
		}
		if v > 255-clipLevels {
			e.White += float64(n)
		}
	}
	all := float64(y.w) * float64(y.h)
	return Exposure{e.Black / all, e.White / all, e.Mean / all}
}
