package pixels

import (
	"image/color"
	"iter"
)

// previewSide is the number of cells along each side of a Preview.
const previewSide = 64

const previewCells = previewSide * previewSide

// Preview is a picture brought down to a square of 64 by 64 cells, whatever its
// proportions, and turned upright by its Exif orientation: the mean colour
// of each cell as red, green and blue, row by row. Copies of a picture have
// nearly the same preview, whatever their size, quality and orientation flag.
type Preview [previewCells * 3]uint8

// newPreview makes a preview of the brightness, which may be brought down
// already, and the colour differences.
func newPreview(y picture, cb, cr plane) *Preview {
	const n = previewSide
	l := y.resample(n, n)
	var blue, red picture
	if cb.w > 0 {
		blue, red = cb.resample(n, n), cr.resample(n, n)
	}
	var p Preview
	for i := range n * n {
		b, r := uint8(128), uint8(128)
		if blue.w > 0 {
			b, r = uint8(blue.pix[i]+0.5), uint8(red.pix[i]+0.5)
		}
		p[3*i], p[3*i+1], p[3*i+2] = color.YCbCrToRGB(uint8(l.pix[i]+0.5), b, r)
	}
	return &p
}

// Upright returns where the pixel at x, y of an image of w by h goes, from the top left,
// where that is turned as its Exif orientation asks for: 2 to 8; others leave it. Source:
// CIPA DC-008, Orientation.
func Upright(orientation, x, y, w, h int) (int, int) {
	if orientation >= 5 && orientation <= 8 {
		x, y, w, h = y, x, h, w
	}
	switch orientation {
	case 2, 6:
		x = w - 1 - x
	case 4, 8:
		y = h - 1 - y
	case 3, 7:
		x, y = w-1-x, h-1-y
	}
	return x, y
}

// upright turns a preview as the Exif orientation asks for.
func (p *Preview) upright(orientation int) *Preview {
	if orientation < 2 || orientation > 8 {
		return p
	}
	var out Preview
	for y := range previewSide {
		for x := range previewSide {
			u, v := Upright(orientation, x, y, previewSide, previewSide)
			copy(out[3*(v*previewSide+u):][:3], p[3*(y*previewSide+x):][:3])
		}
	}
	return &out
}

// Likeness says how two pictures are related.
type Likeness string

const (
	// Different: two pictures, or nothing that a preview can tell.
	Different Likeness = "different"
	// Same: one picture, saved twice perhaps, in two sizes or qualities.
	Same Likeness = "same"
	// Changed: one picture, but a part of it differs.
	Changed Likeness = "changed"
	// DrawnOn: one picture, and on one copy of it there is what looks like
	// drawing: strokes or notes in strong colours.
	DrawnOn Likeness = "drawn-on"
)

// Difference is what Compare finds.
type Difference struct {
	Likeness Likeness `json:"likeness"`
	// Median is the median over the cells of the largest difference in a colour,
	// in levels of 255.
	Median int `json:"median"`
	// Share is the share of cells, 0 to 1, that differ by more than copying
	// explains.
	Share float64 `json:"share"`
	// Drawn is, for DrawnOn, 1 where the first picture is the one that was drawn
	// on, and 2 where the second is; else 0.
	Drawn int `json:"drawn,omitempty"`
}

const (
	// copyMedian and copyRest are how far the previews of copies are apart at
	// most, in levels of 255: half of the cells and four in five.
	copyMedian = 6
	copyRest   = 12
	// leastChange is the level above which a cell may have changed.
	leastChange = 10
	// leastCells is how many cells a change has at least.
	leastCells = 8
	// mostChanged and mostDrawn are the largest shares of cells that can have
	// changed for the picture to be called the same one.
	mostChanged = 0.05
	mostDrawn   = 0.12
	// stays is the share of the changed cells that still differ where edges may
	// have moved by a cell, when a large part has changed. Boxes of text do; two
	// views of a place do not.
	stays = 0.65
	// rougher is by how much drawing disturbs a picture.
	rougher = 1.5
)

// Pair is two pictures of a list that are related.
type Pair struct {
	// First and Second are their places in the list; First is the lower one.
	First, Second int
	Difference
}

const (
	// alikeBits is how many bits the hashes of copies may differ in, or those of
	// a quarter of them, which drawing elsewhere leaves as they are.
	alikeBits = 7
)

// Alike yields the pairs of pictures that Compare finds related, each once. Not
// all pairs are compared, but those whose hashes, or those of one of their
// quarters, are close: see pairs for what that costs. So a pair may be missed where
// the drawing reaches into all quarters and changes the whole. A nil in the list is passed
// over.
func Alike(previews []*Preview) iter.Seq[Pair] {
	return func(yield func(Pair) bool) {
		compared := map[[2]int]bool{}
		for part := -1; part < 4; part++ {
			var hashes []Hash
			var of []int // where in previews
			for i, p := range previews {
				if p == nil {
					continue
				}
				hash := p.hash
				if part >= 0 {
					hash = func() (Hash, bool) { return p.quarter(part) }
				}
				if h, ok := hash(); ok {
					hashes, of = append(hashes, h), append(of, i)
				}
			}
			for i, j := range pairs(hashes, alikeBits) {
				pair := [2]int{of[i], of[j]}
				if compared[pair] {
					continue
				}
				compared[pair] = true
				d := Compare(previews[pair[0]], previews[pair[1]])
				if d.Likeness != Different && !yield(Pair{pair[0], pair[1], d}) {
					return
				}
			}
		}
	}
}

// Compare tells how two pictures are related. It finds copies in other sizes and
// qualities, and copies that were drawn or written on, over up to an eighth of
// the picture; not crops, nor turns that no orientation flag tells of, nor copies
// whose colours were changed throughout.
//
// Which of two was drawn on is told by its roughness: strokes differ from what is
// around them more than what they hide did. The same holds for a thing or a
// person that came into one of two pictures taken from a tripod, and for the
// stamp of a date; a preview can't tell them from drawing. Two such pictures
// without anything new in them are the Same.
func Compare(a, b *Preview) Difference {
	var count [256]int
	var diff [previewCells]uint8
	for i := range diff {
		for c := range 3 {
			v, w := a[3*i+c], b[3*i+c]
			diff[i] = max(diff[i], max(v, w)-min(v, w))
		}
		count[diff[i]]++
	}
	rest := quantile(&count, 0.8)
	limit := uint8(max(leastChange, min(255, 3*rest)))
	out := Difference{Likeness: Different, Median: quantile(&count, 0.5), Share: shareAbove(&count, limit)}
	if out.Median > copyMedian || rest > copyRest || out.Share > mostDrawn {
		return out
	}
	beyond := 0
	for i, d := range diff {
		if d > limit {
			if diff[i] = apart(a, b, i); diff[i] > limit {
				beyond++
			}
		}
	}
	switch {
	case out.Share > mostChanged && float64(beyond) < stays*out.Share*previewCells:
		return out // the camera moved
	case beyond < leastCells:
		out.Likeness = Same
		return out
	}
	switch f, s := a.seams(&diff, limit), b.seams(&diff, limit); {
	case f > rougher*s:
		out.Likeness, out.Drawn = DrawnOn, 1
	case s > rougher*f:
		out.Likeness, out.Drawn = DrawnOn, 2
	case out.Share <= mostChanged:
		out.Likeness = Changed
	}
	return out
}

// shareAbove is the share of the cells counted that are above a level.
func shareAbove(count *[256]int, level uint8) float64 {
	n := 0
	for _, c := range count[int(level)+1:] {
		n += c
	}
	return float64(n) / previewCells
}

// quantile is the level that a share of the cells counted stays at or below.
func quantile(count *[256]int, share float64) int {
	left := int(share * previewCells)
	for v, c := range count {
		if left -= c; left < 0 {
			return v
		}
	}
	return 255
}

// apart is how far a cell is in either picture from all that the other has in
// that cell and the eight around it, in the colour where it is furthest. A copy in
// another size has its edges a part of a cell aside, which does not count so.
func apart(a, b *Preview, cell int) uint8 {
	x, y := cell%previewSide, cell/previewSide
	out := 0
	for c := range 3 {
		lowA, highA, lowB, highB := uint8(255), uint8(0), uint8(255), uint8(0)
		for v := max(y-1, 0); v <= min(y+1, previewSide-1); v++ {
			for u := max(x-1, 0); u <= min(x+1, previewSide-1); u++ {
				i := 3*(v*previewSide+u) + c
				lowA, highA = min(lowA, a[i]), max(highA, a[i])
				lowB, highB = min(lowB, b[i]), max(highB, b[i])
			}
		}
		hereA, hereB := a[3*cell+c], b[3*cell+c]
		out = max(out, int(lowB)-int(hereA), int(hereA)-int(highB), int(lowA)-int(hereB), int(hereB)-int(highA))
	}
	return uint8(out)
}

// seams sums how far cells that changed are from cells beside them that did not.
func (p *Preview) seams(diff *[previewCells]uint8, limit uint8) float64 {
	sum := 0
	beside := func(i, j int) {
		if (diff[i] > limit) == (diff[j] > limit) {
			return
		}
		for c := range 3 {
			d := int(p[3*i+c]) - int(p[3*j+c])
			sum += max(d, -d)
		}
	}
	for i := range previewCells {
		if i%previewSide+1 < previewSide {
			beside(i, i+1)
		}
		if i+previewSide < previewCells {
			beside(i, i+previewSide)
		}
	}
	return float64(sum)
}
