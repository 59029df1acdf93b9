package crs

import (
	"cmp"
	"math"
	"slices"

	"example.com/phototie/grid"
)

// The model that weighs a plane: a position lies at the point that it belongs to,
// off by an error of its own and by an offset that all positions share. Errors have
// the heavy tails of Student's t with four degrees of freedom in two dimensions; a
// share of the positions belongs to another point than is said, and a share to none.
// What a receiver's errors are like: package match/noise. The shares are common
// practice, no source.
const (
	tailDegrees = 4.0
	// wrongPair is the share of stated pairs that are wrong, and astrayShare that of
	// positions that are at no point.
	wrongPair   = 0.08
	astrayShare = 0.07
	// sharedOffset is the standard deviation of the common offset of a session, in
	// metres for each axis.
	sharedOffset = 2.0
	// margin is what is added to the extent of the points for the area that a
	// position is in where no point explains it, in metres.
	margin = 1000
	// reach is how far a point may be from a position to explain it, in metres.
	reach = 150
)

// spreads are the standard deviations for each axis that are tried, in metres.
var spreads = []float64{1.5, 3, 6, 12}

// sighting is a position with the points that may explain it.
type sighting struct {
	paired bool
	// dE, dN are position minus point in metres. Where paired, the first is that of
	// the stated pair.
	dE, dN []float64
}

// plane is what is known of positions and points on one plane, in metres.
type plane struct {
	sightings []sighting
	points    int
	// area is where a position may be that belongs to no point, in square metres.
	area float64
	// offset is the standard deviation of the common offset for each axis.
	offset float64
}

// likeness is how well a plane explains the positions.
type likeness struct {
	// score is the logarithm of the likelihood over that of positions that have
	// nothing to do with the points, at the best spread and offset.
	score float64
	// near is how many positions are at a point, as far as the model goes, and
	// distance their median distance from it in metres, the offset included.
	near     int
	distance float64
	dE, dN   float64 // the offset
}

// newPlane relates positions to points, both on the plane in metres. pair gives
// the point that a position is said to belong to, or -1.
func newPlane(positions, points []grid.EN, pair func(int) int, offset float64) plane {
	west, south, east, north := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, p := range points {
		west, east = min(west, p.E), max(east, p.E)
		south, north = min(south, p.N), max(north, p.N)
	}
	m := plane{points: len(points), area: (east - west + 2*margin) * (north - south + 2*margin), offset: offset}
	far := reach + 3*offset
	byNorth := slices.Clone(points)
	slices.SortFunc(byNorth, func(a, b grid.EN) int { return cmp.Compare(a.N, b.N) })
	for i, at := range positions {
		var s sighting
		add := func(p grid.EN) { s.dE, s.dN = append(s.dE, at.E-p.E), append(s.dN, at.N-p.N) }
		if k := pair(i); k >= 0 {
			s.paired = true
			add(points[k])
		}
		from, _ := slices.BinarySearchFunc(byNorth, at.N-far, func(p grid.EN, n float64) int { return cmp.Compare(p.N, n) })
		for _, p := range byNorth[from:] {
			if p.N > at.N+far {
				break
			}
			if math.Abs(at.E-p.E) <= far {
				add(p)
			}
		}
		m.sightings = append(m.sightings, s)
	}
	return m
}

// density is that of an error of dE, dN, for each square metre.
func density(dE, dN, spread float64) float64 {
	x := 1 + (dE*dE+dN*dN)/(tailDegrees*spread*spread)
	return 1 / (2 * math.Pi * spread * spread * x * x * x) // -(degrees/2 + 1) = -3
}

// like finds the spread and the offset that explain the positions best.
func (m plane) like() likeness {
	best := likeness{score: math.Inf(-1)}
	for _, start := range m.starts() {
		for _, spread := range spreads {
			if l := m.settle(start, spread); l.score > best.score {
				best = l
			}
		}
	}
	return best
}

// settle improves an offset by expectation and maximisation (A. Dempster, N. Laird
// and D. Rubin, Maximum Likelihood from Incomplete Data via the EM Algorithm,
// Journal of the Royal Statistical Society B 39, 1977): what is at which point by
// the offset, then the offset by that.
func (m plane) settle(at grid.EN, spread float64) (l likeness) {
	const rounds = 12
	for range rounds {
		l = likeness{dE: at.E, dN: at.N, score: -(at.E*at.E + at.N*at.N) / (2 * m.offset * m.offset)}
		var weight, sumE, sumN float64
		var distances []float64
		for _, s := range m.sightings {
			p, w, e, n, d := m.explain(s, at, spread)
			l.score += math.Log(p * m.area)
			weight, sumE, sumN = weight+w, sumE+e, sumN+n
			if d >= 0 {
				distances = append(distances, d)
			}
		}
		if l.near = len(distances); l.near > 0 {
			slices.Sort(distances)
			l.distance = distances[l.near/2]
		}
		prior := spread * spread / (m.offset * m.offset)
		next := grid.EN{E: sumE / (weight + prior), N: sumN / (weight + prior)}
		if math.Hypot(next.E-at.E, next.N-at.N) < 0.01 {
			break
		}
		at = next
	}
	return l
}

// explain returns the density of a position, the weight and the weighted sums that
// it gives to the offset, and its distance from the point that explains it best, -1
// where none does better than chance.
func (m plane) explain(s sighting, offset grid.EN, spread float64) (p, weight, sumE, sumN, distance float64) {
	p = astrayShare / m.area
	chance, most := p, 0.0
	distance = -1
	for k := range s.dE {
		share := (1 - astrayShare) / float64(m.points)
		if s.paired {
			share *= wrongPair
			if k == 0 {
				share = (1 - astrayShare) * (1 - wrongPair)
			}
		}
		dE, dN := s.dE[k]-offset.E, s.dN[k]-offset.N
		q := share * density(dE, dN, spread)
		p += q
		// The weight of an error in the tails is less, as in the robust mean that
		// Student's t leads to.
		w := q * (tailDegrees + 2) / (tailDegrees + (dE*dE+dN*dN)/(spread*spread))
		weight, sumE, sumN = weight+w, sumE+w*s.dE[k], sumN+w*s.dN[k]
		if q > most {
			most, distance = q, math.Hypot(s.dE[k], s.dN[k])
		}
	}
	if most < chance {
		distance = -1
	}
	return p, weight / p, sumE / p, sumN / p, distance
}

// starts are the offsets to begin with: none; and where the offset may be large,
// what most differences agree on.
func (m plane) starts() []grid.EN {
	out := []grid.EN{{}}
	const cell = 8 // metres
	if m.offset < 2*cell {
		return out
	}
	votes := map[[2]int]float64{}
	for _, s := range m.sightings {
		n := len(s.dE)
		if s.paired {
			n = 1
		}
		for k := range n {
			votes[[2]int{int(math.Floor(s.dE[k] / cell)), int(math.Floor(s.dN[k] / cell))}] += 1 / float64(n)
		}
	}
	type cellOf = [2]int
	var top cellOf
	most := 0.0
	for c := range votes {
		sum := 0.0
		for e := -1; e <= 1; e++ {
			for n := -1; n <= 1; n++ {
				sum += votes[cellOf{c[0] + e, c[1] + n}]
			}
		}
		if sum > most || sum == most && slices.Compare(c[:], top[:]) < 0 {
			most, top = sum, c
		}
	}
	return append(out, grid.EN{E: (float64(top[0]) + 0.5) * cell, N: (float64(top[1]) + 0.5) * cell})
}
