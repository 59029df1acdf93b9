package match

import (
	"context"
	"math"

	"example.com/phototie/grid"
	"example.com/phototie/match/walk"
)

// Index finds the nearest of many points on the grid. It is safe for concurrent use. The
// zero Index is of no use: NewIndex makes one.
type Index struct {
	points []Point
	cells  *walk.Index // nil where there are few points
}

// few is the number of points up to which measuring to all of them is as quick as
// to look for those nearby: see BenchmarkNearest.
const few = 200

// NewIndex indexes points. It keeps them: don't change them while it is in use.
// Points whose coordinates aren't finite are never found.
func NewIndex(points []Point) *Index {
	x := &Index{points: points}
	if len(points) <= few {
		return x
	}
	at := make([]grid.EN, len(points))
	for i, p := range points {
		at[i] = p.EN
	}
	x.cells = walk.NewIndex(at)
	return x
}

// Nearest returns, for each grid position, the point nearest to it with the
// distance on the grid; nil where there are no points or the position is not
// finite. Of points at the same distance it is the first. The error is the
// context's.
func (x *Index) Nearest(ctx context.Context, at []grid.EN) ([]*Neighbour, error) {
	out := make([]*Neighbour, len(at))
	for i, p := range at {
		if i%1024 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		best := nearest{at: p, point: -1, dist: math.Inf(1)}
		if x.cells == nil {
			for j := range x.points {
				best.consider(j, x.points[j].EN)
			}
		} else {
			x.cells.Closest(p, func(j int) { best.consider(j, x.points[j].EN) })
		}
		if best.point >= 0 && !math.IsInf(best.dist, 0) {
			out[i] = &Neighbour{Point: x.points[best.point].ID, Distance: best.dist}
		}
	}
	return out, nil
}

// nearest is the nearest point to a position as far as is known.
type nearest struct {
	at    grid.EN
	point int
	dist  float64
}

// consider looks at point j.
func (n *nearest) consider(j int, p grid.EN) {
	e, north := p.E-n.at.E, p.N-n.at.N
	// Most are further off, which their square tells at less cost. The factor is for
	// its rounding; where it is no number, Hypot has to tell.
	if e*e+north*north > n.dist*n.dist*(1+1e-12) {
		return
	}
	if d := math.Hypot(e, north); d < n.dist || d == n.dist && j < n.point {
		n.point, n.dist = j, d
	}
}
