package match

import (
	"context"
	"fmt"
	"math"

	"github.com/golang/geo/s1"
	"github.com/golang/geo/s2"

	"example.com/phototie/grid"
)

// Index finds points by place. It holds many of them in the cells of a sphere (S2),
// so that the cost of a search hardly grows with their number, and measures on the
// grid. An Index may be used by many goroutines.
type Index struct {
	proj   grid.Projection
	frame  grid.Frame
	points []Point
	shapes *s2.ShapeIndex
	// byEdge has the point's number for each edge of the indexed shape.
	byEdge []int
	// loose are the points that can't be carried onto the sphere; they are
	// looked at in every search.
	loose []int
}

// slack is how much further than the closest on the sphere a point may be to be
// measured on the grid. Distances on the sphere, taken from ellipsoidal
// latitudes, are false by up to 0.7 % depending on the direction.
const slack = 1.02

// NewIndex indexes points that lie on the grid of proj. The search compares
// scales in one place only, so any conformal projection is good; a grid whose
// scale differs with the direction by more than 1 % may have another point
// nearest than the one found. The error is that of proj.FromGrid, or the context's.
func NewIndex(ctx context.Context, proj grid.Projection, points []Point) (*Index, error) {
	x := &Index{proj: proj, points: points, shapes: s2.NewShapeIndex()}
	if len(points) <= few {
		return x, ctx.Err()
	}
	at := make([]grid.EN, len(points))
	for i, p := range points {
		at[i] = p.EN
	}
	placed, err := x.locate(ctx, at)
	if err != nil {
		return nil, fmt.Errorf("index of points: %w", err)
	}
	var vertices s2.PointVector
	for i, p := range placed {
		if p == nil {
			x.loose = append(x.loose, i)
			continue
		}
		vertices = append(vertices, *p)
		x.byEdge = append(x.byEdge, i)
	}
	x.shapes.Add(&vertices)
	x.shapes.Build()
	return x, nil
}

// locate carries grid positions onto the sphere; nil where that can't be done.
func (x *Index) locate(ctx context.Context, at []grid.EN) ([]*s2.Point, error) {
	out := make([]*s2.Point, len(at))
	if len(at) == 0 {
		return out, nil
	}
	// Points and tags go through one frame, so it does not matter which.
	frames := make([]grid.Frame, len(at))
	for i := range frames {
		frames[i] = x.frame
	}
	placed, err := x.proj.FromGrid(ctx, at, frames)
	if err != nil {
		return nil, err
	}
	if len(placed) != len(at) {
		return nil, fmt.Errorf("the projection returned %d positions for %d", len(placed), len(at))
	}
	for i, p := range placed {
		if p.Err == nil && p.LatLon.Valid() {
			v := s2.PointFromLatLng(s2.LatLngFromDegrees(p.Lat, p.Lon))
			out[i] = &v
		}
	}
	return out, nil
}

// Nearest returns, for each grid position, the point nearest to it with the
// distance on the grid; nil where there are no points or the position is not
// finite. Of points at the same distance it is the first. The error is that of
// the projection's FromGrid, or the context's.
func (x *Index) Nearest(ctx context.Context, at []grid.EN) ([]*Neighbour, error) {
	out := make([]*Neighbour, len(at))
	if len(x.points) == 0 {
		return out, nil
	}
	search := x.search()
	var placed []*s2.Point
	if search != nil {
		var err error
		if placed, err = x.locate(ctx, at); err != nil {
			return nil, fmt.Errorf("nearest point: %w", err)
		}
	}
	for i := range at {
		if i%1024 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		best := nearest{at: at[i], point: -1, dist: math.Inf(1)}
		if search == nil || placed[i] == nil {
			// Few points, or not on the sphere: measure to every point.
			for j := range x.points {
				best.consider(j, x.points[j].EN)
			}
		} else {
			search.candidates(*placed[i], func(j int) { best.consider(j, x.points[j].EN) })
			for _, j := range x.loose {
				best.consider(j, x.points[j].EN)
			}
		}
		if best.point >= 0 && !math.IsInf(best.dist, 0) {
			out[i] = &Neighbour{Point: x.points[best.point].ID, Distance: best.dist}
		}
	}
	return out, nil
}

// few is the number of points up to which measuring to all of them is quicker than
// the index: see BenchmarkNearest.
const few = 1000

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

// search is a series of searches of one goroutine.
type search struct {
	x *Index
	// closest gives the closest on the sphere, and near all within a limit, which is
	// set through its options for each search: a new query would have to get to know
	// the index anew.
	closest, near *s2.EdgeQuery
	limit         *s2.EdgeQueryOptions
}

// search is nil where no index is needed.
func (x *Index) search() *search {
	if len(x.points) <= few {
		return nil
	}
	limit := s2.NewClosestEdgeQueryOptions()
	return &search{
		x:       x,
		closest: s2.NewClosestEdgeQuery(x.shapes, s2.NewClosestEdgeQueryOptions().MaxResults(1)),
		near:    s2.NewClosestEdgeQuery(x.shapes, limit),
		limit:   limit,
	}
}

// candidates yields the points among which the nearest to p is.
func (s *search) candidates(p s2.Point, yield func(int)) {
	if len(s.x.byEdge) == 0 {
		return
	}
	target := s2.NewMinDistanceToPointTarget(p)
	closest := s.closest.FindEdges(target)
	if len(closest) == 0 {
		return
	}
	// The nanometre is what unit vectors of float64 resolve.
	limit := closest[0].Distance().Angle()*slack + s1.Angle(1e-15)
	s.limit.DistanceLimit(s1.ChordAngleFromAngle(min(limit, math.Pi)).Successor())
	for _, r := range s.near.FindEdges(target) {
		yield(s.x.byEdge[r.EdgeID()])
	}
}
