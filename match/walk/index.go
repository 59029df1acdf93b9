package walk

import (
	"cmp"
	"math"
	"slices"

	"github.com/golang/geo/r3"
	"github.com/golang/geo/s2"

	"example.com/phototie/grid"
)

// index finds the points near a place on the plane. The plane is laid onto one
// face of the S2 cube, small and in its middle, so that the cells of S2 are
// nearly squares and their ids follow a Hilbert curve. Points are sorted by it; a
// search looks into the four cells about one corner.
type index struct {
	e0, n0, scale float64
	ids           []s2.CellID // sorted
	of            []int32     // point of each
	points        []Point
	// spacing is the median distance from a point to the nearest other one, over
	// a sample; 0 with fewer than two points.
	spacing float64
	// wide and high are the extent of the points, metres.
	wide, high float64
}

// face is how much of the half width of the cube's face the points may take.
const face = 0.1

// edge is a lower bound of the width of a cell of level 0 in the coordinate u of
// the face: the projection's derivative is 4/3 in the middle and grows outwards.
const edge = 4.0 / 3

func newIndex(points []Point) *index {
	x := &index{points: points, ids: make([]s2.CellID, 0, len(points)), of: make([]int32, 0, len(points))}
	if len(points) == 0 {
		return x
	}
	loE, hiE, loN, hiN := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, p := range points {
		loE, hiE = min(loE, p.E), max(hiE, p.E)
		loN, hiN = min(loN, p.N), max(hiN, p.N)
	}
	x.e0, x.n0 = loE+(hiE-loE)/2, loN+(hiN-loN)/2
	x.wide, x.high = hiE-loE, hiN-loN
	x.scale = max(x.wide, x.high, 1) / 2 / face
	type entry struct {
		id s2.CellID
		of int32
	}
	all := make([]entry, len(points))
	for i, p := range points {
		all[i] = entry{x.cell(p.E, p.N), int32(i)}
	}
	slices.SortFunc(all, func(a, b entry) int {
		return cmp.Or(cmp.Compare(a.id, b.id), int(a.of-b.of))
	})
	for _, e := range all {
		x.ids = append(x.ids, e.id)
		x.of = append(x.of, e.of)
	}
	x.measure()
	return x
}

// cell is the leaf cell of a place; places far outside are taken at the rim.
func (x *index) cell(e, n float64) s2.CellID {
	u := max(-0.9, min(0.9, (e-x.e0)/x.scale))
	v := max(-0.9, min(0.9, (n-x.n0)/x.scale))
	return s2.CellFromPoint(s2.Point{Vector: r3.Vector{X: 1, Y: u, Z: v}}).ID()
}

// within calls yield for all points whose distance is at most radius, and some
// further ones, in no order.
func (x *index) within(e, n, radius float64, yield func(j int32, d2 float64)) {
	if len(x.ids) == 0 {
		return
	}
	r2 := radius * radius
	add := func(lo, hi int) {
		for k := lo; k < hi; k++ {
			j := x.of[k]
			de, dn := x.points[j].E-e, x.points[j].N-n
			if d2 := de*de + dn*dn; d2 <= r2 {
				yield(j, d2)
			}
		}
	}
	// Cells of at least twice the radius: then the four about the nearest corner
	// cover the circle.
	level := int(math.Floor(math.Log2(edge * x.scale / (2 * radius))))
	if level < 2 || len(x.ids) <= 16 {
		add(0, len(x.ids))
		return
	}
	level = min(level, 29)
	for _, c := range x.cell(e, n).VertexNeighbors(level) {
		lo, _ := slices.BinarySearch(x.ids, c.RangeMin())
		hi := lo
		for last := c.RangeMax(); hi < len(x.ids) && x.ids[hi] <= last; hi++ {
		}
		add(lo, hi)
	}
}

// nearest fills near with the points nearest to a place, closest first, of those
// within radius, and returns how many there are. The search begins with the
// spacing of the points and widens.
func (x *index) nearest(e, n, radius float64, near []int32) int {
	if len(near) == 0 || len(x.ids) == 0 {
		return 0
	}
	var dist [maxNearest + 1]float64
	r := radius
	if x.spacing > 0 {
		r = min(radius, 1.5*x.spacing)
	}
	for {
		found := 0
		x.within(e, n, r, func(j int32, d2 float64) {
			if found == len(near) && (d2 > dist[found-1] || d2 == dist[found-1] && j > near[found-1]) {
				return
			}
			if found < len(near) {
				found++
			}
			k := found - 1
			for ; k > 0 && (dist[k-1] > d2 || dist[k-1] == d2 && near[k-1] > j); k-- {
				dist[k], near[k] = dist[k-1], near[k-1]
			}
			dist[k], near[k] = d2, j
		})
		if found == len(near) || r >= radius {
			return found
		}
		r = min(radius, 2*r)
	}
}

// measure finds the spacing of the points, over a sample of some 300.
func (x *index) measure() {
	if len(x.points) < 2 {
		return
	}
	size := 2 * face * x.scale
	step := max(1, len(x.points)/300)
	// Half as far as points evenly spread over a line would be.
	guess := size / float64(len(x.points)) / 2
	var d []float64
	for i := 0; i < len(x.points); i += step {
		p := x.points[i]
		for r := guess; ; r *= 2 {
			best := math.Inf(1)
			x.within(p.E, p.N, r, func(j int32, d2 float64) {
				if int(j) != i && d2 < best {
					best = d2
				}
			})
			if !math.IsInf(best, 1) {
				best = math.Sqrt(best)
				d = append(d, best)
				guess = max(best, size/float64(len(x.points))/2) // of the next
				break
			}
			if r > 4*size {
				break
			}
		}
	}
	if len(d) > 0 {
		slices.Sort(d)
		x.spacing = d[len(d)/2]
	}
}

// crowd is the mean, over a sample of the points, of the sum of the jump kernel
// over all points: how many points share a jump.
func (x *index) crowd(length float64) float64 {
	step := max(1, len(x.points)/100)
	var sum, n float64
	for i := 0; i < len(x.points); i += step {
		p := x.points[i]
		x.within(p.E, p.N, 4*length, func(j int32, d2 float64) { sum += jumpKernel(d2, length) })
		n++
	}
	if n == 0 {
		return 1
	}
	return max(1, sum/n)
}

// jumpKernel falls with the distance of a jump: (1 + d²/L²)^-2.
func jumpKernel(d2, length float64) float64 {
	q := 1 + d2/(length*length)
	return 1 / (q * q)
}

// Index finds the nearest of many points on a plane. It holds them in the cells of
// S2, so that a search among them costs about the same however many there are; from
// far outside it has to measure to all of them. It is safe for concurrent use.
// The zero Index is of no use: NewIndex makes one.
type Index struct {
	cells *index
	of    []int // of each point in the cells, its number
	loose []int // points too far off for cells
}

// NewIndex indexes points by plane coordinates in any one unit. Those that aren't
// finite are left out.
func NewIndex(points []grid.EN) *Index {
	x := &Index{}
	var in []Point
	for i, p := range points {
		switch far := max(math.Abs(p.E), math.Abs(p.N)); {
		case far <= farthest:
			in = append(in, Point{EN: p})
			x.of = append(x.of, i)
		case grid.Finite(p.E, p.N):
			x.loose = append(x.loose, i)
		}
	}
	x.cells = newIndex(in)
	return x
}

// Spacing is the median distance from a point to the nearest other one, over a sample
// and in the unit of the coordinates; 0 with fewer than two points.
func (x *Index) Spacing() float64 { return x.cells.spacing }

// farthest is the largest coordinate that goes into cells, more than any grid on
// earth has in any unit: one beyond would leave the others too few of them.
const farthest = 1e9

// Closest calls yield for the numbers of some points, among which are all that are
// nearest to a place; for none where the place is not finite.
func (x *Index) Closest(at grid.EN, yield func(j int)) {
	if !grid.Finite(at.E, at.N) {
		return
	}
	for _, j := range x.loose {
		yield(j)
	}
	if len(x.of) == 0 {
		return
	}
	c := x.cells
	// The widest circle of which the cells are less than everything.
	widest := edge * c.scale / 8
	for r := max(1.5*c.spacing, 1e-4*c.scale); r <= widest; r *= 2 {
		best := math.Inf(1)
		c.within(at.E, at.N, r, func(_ int32, d2 float64) { best = min(best, d2) })
		if math.IsInf(best, 1) {
			continue
		}
		// A little more than the distance, for its rounding.
		r = max(math.Sqrt(best)*(1+1e-9), 1e-9*c.scale)
		c.within(at.E, at.N, r, func(j int32, _ float64) { yield(x.of[j]) })
		return
	}
	for _, j := range x.of {
		yield(j)
	}
}

// area is that in which photos of the points may be taken, in square metres: the
// rectangle about the points with a margin, or the circles of that radius about each
// of them where those are less.
func (x *index) area(margin float64) float64 {
	circles := math.Pi * margin * margin
	if len(x.points) == 0 {
		return circles
	}
	return min((x.wide+2*margin)*(x.high+2*margin), float64(len(x.points))*circles)
}
