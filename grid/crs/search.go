package crs

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"example.com/phototie/grid"
)

// clues are what is known, and the methods that read it.
type clues grid.Clues

// ranked is a system with what it is weighed by.
type ranked struct {
	grid.RankedSystem

	c      *CRS
	signs  [2]float64
	usual  bool    // no foot, or the foot that is in use there
	close  bool    // within the rule's reach of the likeliest
	inside bool    // the middle of the fixes is in the area of use
	size   float64 // of the area of use, in square degrees
	age    frameAge
	plane  []grid.EN // fixes, in metres
	points []grid.EN
}

// Limits of a search.
const (
	// searchBox is how far from the fixes the area of use of a system may be, in
	// degrees: zones are used beyond their edge.
	searchBox = 3.0
	// searchFar is how far apart the middle of the points and of the fixes may be
	// before frames are taken into account, in metres: frames differ by up to a
	// kilometre and a half.
	searchFar = 1500
	// searchFixes and searchPoints are how many are looked at; more are thinned out.
	searchFixes, searchPoints = 200, 5000
	// tellApart is the least difference of two scores by which handheld fixes tell
	// systems apart: odds of 100.
	tellApart = 4.6
	// ruleReach is how far systems may be apart, in metres, for the rule to decide
	// between them; beyond it the likelier one comes first.
	ruleReach = 3.0
	// commonOffset is how far all fixes may be off together, in metres, besides what
	// the operation states.
	commonOffset = 15.0
	// unknownFrame is the standard deviation of the offset between frames with no
	// known operation, in metres.
	unknownFrame = 200.0
)

// ErrNoFixes: nothing says where the points are.
var ErrNoFixes = errors.New("no positions to find the system by")

// Search finds the registry's projected systems, units and orders of the two
// numbers that put points among fixes, best first. The list is empty where none
// does: the coordinates are then those of a site system, or the points are not where
// the fixes are.
//
// Systems are weighed by likelihood, with fixes off in common and blunders among
// them (see plane). Those within odds of 100 of the best can't be told apart by
// handheld fixes: realisations of one datum, for instance. Among these, as far as
// they are within 3 m of the best, the order is that of a rule: the system's own unit
// before another, and of two feet the US survey foot in the United States and the
// international one elsewhere; then a frame with a known operation; then an area of
// use that has the fixes in it; then the smaller area; then the newer frame (the
// later year in its name, the higher code); then axes in the order of the numbers;
// then the lower code.
//
// A system is taken where it explains the fixes so much better than chance that none of
// some thousand readings would by chance.
func Search(ctx context.Context, known grid.Clues) ([]grid.RankedSystem, error) {
	if known.Within > 0 {
		return clues(known).hints(ctx)
	}
	return clues(known).search(ctx, math.Log(1e5))
}

// hints lists the systems that put the points nearest to the fixes, by the rule of
// Search among those that put them as near as frames differ.
func (q clues) hints(ctx context.Context) ([]grid.RankedSystem, error) {
	found, err := q.around(ctx, q.Within)
	found = slices.DeleteFunc(found, func(r ranked) bool { return !r.OwnUnit || r.NorthFirst || r.WestSouth })
	if err != nil || len(found) == 0 {
		return nil, err
	}
	nearest := slices.MinFunc(found, func(a, b ranked) int { return cmp.Compare(a.Distance, b.Distance) }).Distance
	step := func(r ranked) float64 { return math.Floor((r.Distance - nearest) / searchFar) }
	slices.SortFunc(found, func(a, b ranked) int { return cmp.Or(cmp.Compare(step(a), step(b)), byRule(a, b)) })
	var out []grid.RankedSystem
	for _, r := range found {
		out = append(out, r.RankedSystem)
	}
	return out, nil
}

// Fitting finds the readings, as Search does, that put one pair of numbers at a fix, the
// likeliest first. One fix is little to go by: they are hints for somebody who knows
// that the two belong together, and no finding.
func Fitting(ctx context.Context, at [2]float64, fix grid.Fix) ([]grid.RankedSystem, error) {
	return clues{Coordinates: [][2]float64{at}, Fixes: []grid.Fix{fix}, Pairs: []int{0}}.search(ctx, 0)
}

// search is Search with the least score of what is taken.
func (q clues) search(ctx context.Context, least float64) ([]grid.RankedSystem, error) {
	if len(q.Fixes) == 0 || len(q.Coordinates) == 0 {
		return nil, ErrNoFixes
	}
	q = q.thin()
	found, err := q.around(ctx, searchFar)
	if err != nil {
		return nil, err
	}
	var weighed []ranked
	frames := map[string]*framed{}
	for _, f := range found {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		frame := f.c.grid.Frame
		if frames[frame] == nil {
			frames[frame] = q.onFrame(ctx, f.c)
		}
		if r, ok := q.weigh(f, frames[frame]); ok && r.Score > least {
			weighed = append(weighed, r)
		}
	}
	var out []grid.RankedSystem
	for _, r := range rank(weighed) {
		out = append(out, r.RankedSystem)
	}
	return out, nil
}

// thin leaves as many fixes and points as are looked at, evenly; points that a fix
// left belongs to stay.
func (q clues) thin() clues {
	if q.Pairs == nil {
		q.Pairs = slices.Repeat([]int{-1}, len(q.Fixes))
	}
	out := clues{}
	index := map[int]int{}
	keep := func(k int) int {
		if k < 0 || k >= len(q.Coordinates) {
			return -1
		}
		if _, ok := index[k]; !ok {
			index[k] = len(out.Coordinates)
			out.Coordinates = append(out.Coordinates, q.Coordinates[k])
		}
		return index[k]
	}
	for i := range min(len(q.Fixes), searchFixes) {
		j := i * len(q.Fixes) / min(len(q.Fixes), searchFixes)
		if q.Fixes[j].Valid() {
			out.Fixes = append(out.Fixes, q.Fixes[j])
			out.Pairs = append(out.Pairs, keep(q.Pairs[j]))
		}
	}
	n := min(len(q.Coordinates), searchPoints)
	for i := range n {
		keep(i * len(q.Coordinates) / n)
	}
	return out
}

// uses reports whether a unit is usual in an area: of the two feet, the survey foot in
// the USA and the international one elsewhere.
func (a area) uses(u grid.Unit) bool {
	return u != grid.Foot && u != grid.USSurveyFoot || (u == grid.USSurveyFoot) == strings.Contains(a.name, "(USA)")
}

// around lists the systems in use near the fixes in every reading of the numbers
// that brings the middle of the points near the middle of the fixes: as far away as the
// points extend, and far metres. The Distance is that of the two.
func (q clues) around(ctx context.Context, far float64) ([]ranked, error) {
	lats, lons := make([]float64, len(q.Fixes)), make([]float64, len(q.Fixes))
	for i, f := range q.Fixes {
		lats[i], lons[i] = f.Lat, f.Lon
	}
	if len(q.Fixes) == 0 {
		return nil, fmt.Errorf("%w: none is a latitude and a longitude", ErrNoFixes)
	}
	middle := grid.LatLon{Lat: median(lats), Lon: median(lons)}
	r := openRegistry()
	defer r.close()
	wide := searchBox / max(0.1, math.Cos(middle.Lat*math.Pi/180))
	list := r.projected(bounds{wrap(middle.Lon - wide), middle.Lat - searchBox, wrap(middle.Lon + wide), middle.Lat + searchBox})
	first, second := make([]float64, len(q.Coordinates)), make([]float64, len(q.Coordinates))
	for i, x := range q.Coordinates {
		first[i], second[i] = x[0], x[1]
	}
	mid := [2]float64{median(first), median(second)}
	spread := [2]float64{extent(first), extent(second)}
	var out []ranked
	for _, l := range list {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		c, err := Open(l.code)
		if err != nil { // axes that are no easting and northing, a method PROJ lacks
			continue
		}
		at, err := c.ToPlane([]grid.LatLon{{Lat: middle.Lat, Lon: wrap(middle.Lon - c.ownMeridian)}})
		if err != nil {
			continue
		}
		own, age := c.grid.Unit, frameAge{}
		for _, x := range c.readings() {
			east, north := x.split(mid)
			reach := far + max(spread[0], spread[1])*x.Unit.Metres
			x.Distance = math.Hypot(east*x.Unit.Metres-at[0].E*own.Metres, north*x.Unit.Metres-at[0].N*own.Metres)
			if !(x.Distance <= reach) {
				continue
			}
			x.Definition, x.Name, x.c = l.code, l.name, c
			x.usual = l.area.uses(x.Unit)
			x.size, x.inside = l.area.size(), l.area.contains(middle.Lat, middle.Lon)
			if age.code == 0 {
				age = r.frameAge(l.code)
			}
			x.age = age
			out = append(out, x)
		}
	}
	return out, nil
}

// readings are the ways to read numbers as coordinates of a system.
func (c *CRS) readings() []ranked {
	signs := [][2]float64{{1, 1}}
	if c.plane.eastSign < 0 || c.plane.northSign < 0 {
		signs = append(signs, [2]float64{c.plane.eastSign, c.plane.northSign})
	}
	units := []grid.Unit{c.grid.Unit}
	for _, u := range []grid.Unit{grid.Metre, grid.Foot, grid.USSurveyFoot} {
		if u != c.grid.Unit {
			units = append(units, u)
		}
	}
	var out []ranked
	for i, u := range units {
		for k, s := range signs {
			for _, north := range []bool{false, true} {
				out = append(out, ranked{RankedSystem: grid.RankedSystem{Unit: u, OwnUnit: i == 0, NorthFirst: north, WestSouth: k > 0}, signs: s})
			}
		}
	}
	return out
}

// split takes a pair of numbers as easting and northing, in the unit of the reading.
func (r *ranked) split(x [2]float64) (east, north float64) {
	if r.NorthFirst {
		x[0], x[1] = x[1], x[0]
	}
	return r.signs[0] * x[0], r.signs[1] * x[1]
}

// framed is the fixes in a geodetic frame.
type framed struct {
	at []grid.LatLon
	// offset is the standard deviation of the offset of all for each axis, in metres.
	offset float64
	// accuracy is what the operation states, in metres.
	accuracy float64
	// rough says that no operation leads to the frame.
	rough bool
}

// onFrame transforms the fixes into the frame of a system, by the operations that a
// job on it would use; where there are none, as they are.
func (q clues) onFrame(ctx context.Context, c *CRS) *framed {
	placed, err := c.ToGrid(ctx, q.Fixes)
	at := make([]grid.EN, len(placed))
	worst, failed := 0.0, 0
	for i, p := range placed {
		if p.Err != nil || p.Op == nil || p.Op.Ballpark {
			at[i] = grid.EN{E: math.NaN(), N: math.NaN()}
			failed++
			continue
		}
		if at[i] = p.EN; p.Op.Accuracy != nil {
			worst = max(worst, *p.Op.Accuracy)
		}
	}
	if err == nil && 2*failed < len(placed) {
		if back, err := c.fromPlane(ctx, at); err == nil {
			return &framed{at: back, accuracy: worst, offset: math.Hypot(sharedOffset, worst/2.4477)} // 95 % radius to one axis
		}
	}
	f := &framed{rough: true, offset: unknownFrame}
	for _, fix := range q.Fixes {
		f.at = append(f.at, grid.LatLon{Lat: fix.Lat, Lon: wrap(fix.Lon - c.ownMeridian)})
	}
	return f
}

// weigh says how well a reading explains the fixes, and whether it does for half of them.
func (q clues) weigh(r ranked, f *framed) (ranked, bool) {
	at, _ := r.c.ToPlane(f.at) // those outside come out as NaN
	own := r.c.grid.Unit.Metres
	var pairs []int
	for i, p := range at {
		if finite(p.E, p.N) {
			r.plane = append(r.plane, grid.EN{E: p.E * own, N: p.N * own})
			pairs = append(pairs, q.Pairs[i])
		}
	}
	if len(r.plane) < (len(q.Fixes)+1)/2 {
		return r, false
	}
	for _, x := range q.Coordinates {
		e, n := r.split(x)
		r.points = append(r.points, grid.EN{E: e * r.Unit.Metres, N: n * r.Unit.Metres})
	}
	l := newPlane(r.plane, r.points, func(i int) int { return pairs[i] }, f.offset).like()
	if !f.rough && math.Hypot(l.dE, l.dN) > commonOffset+f.accuracy {
		return r, false
	}
	r.Score, r.Distance, r.Rough = l.score, l.distance, f.rough
	r.Near = float64(l.near) / float64(len(q.Fixes))
	return r, r.Near >= 0.5
}

// rank puts readings in order: by score, and those that can't be told from the
// best by the rule.
func rank(all []ranked) []ranked {
	slices.SortFunc(all, func(a, b ranked) int { return cmp.Or(cmp.Compare(b.Score, a.Score), byRule(a, b)) })
	if len(all) == 0 {
		return nil
	}
	best := all[0].Score
	n := 0
	for n < len(all) && best-all[n].Score <= tellApart {
		all[n].Alike = true
		n++
	}
	for i := range all[:n] {
		all[i].close = apart(&all[0], &all[i]) <= ruleReach
	}
	slices.SortStableFunc(all[:n], func(a, b ranked) int {
		if !a.close || !b.close {
			return truth(a.close, b.close)
		}
		return byRule(a, b)
	})
	for i := range all {
		all[i].Apart = apart(&all[0], &all[i])
	}
	return all
}

// byRule orders systems that fixes can't tell apart.
func byRule(a, b ranked) int {
	return cmp.Or(
		truth(a.OwnUnit, b.OwnUnit),
		truth(a.usual, b.usual),
		truth(!a.Rough, !b.Rough),
		truth(a.inside, b.inside),
		compareSize(a.size, b.size),
		a.age.compare(b.age),
		truth(a.natural(), b.natural()),
		cmp.Compare(codeOf(a.Definition), codeOf(b.Definition)),
		truth(!a.NorthFirst, !b.NorthFirst),
	)
}

// truth puts what is true first.
func truth(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// compareSize compares areas of use; those within a tenth are equal.
func compareSize(a, b float64) int {
	if math.Abs(a-b) <= 0.1*max(a, b) {
		return 0
	}
	return cmp.Compare(a, b)
}

// natural says that the numbers are in the order and the sense of the system's own
// axes.
func (r *ranked) natural() bool {
	p := r.c.plane
	return r.NorthFirst == (p.east != 0) && r.signs == [2]float64{p.eastSign, p.northSign}
}

// apart is the median distance between the points of two readings on the ground, in
// metres: how differently the two put them beside the same fixes.
func apart(a, b *ranked) float64 {
	n := min(len(a.plane), len(b.plane))
	if n == 0 || len(a.points) != len(b.points) {
		return math.NaN()
	}
	// Each point's place is told by the fix nearest to it in a: on both planes the
	// same place, so the two differences from it can be compared.
	var d []float64
	for i, p := range a.points {
		k := 0
		for j := range n {
			if distance(a.plane[j], p) < distance(a.plane[k], p) {
				k = j
			}
		}
		q := b.points[i]
		d = append(d, math.Hypot(p.E-a.plane[k].E-q.E+b.plane[k].E, p.N-a.plane[k].N-q.N+b.plane[k].N))
		if len(d) == searchFixes {
			break
		}
	}
	return median(d)
}

func distance(a, b grid.EN) float64 { return math.Hypot(a.E-b.E, a.N-b.N) }

// median is the middle value; extent is half the range between the fifth and the
// ninety-fifth percentile. Both leave the values as they are.
func median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	return s[len(s)/2]
}

func extent(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	return (s[len(s)*19/20] - s[len(s)/20]) / 2
}

// size is the area of a box of latitudes and longitudes, in square degrees of the
// equator.
func (b bounds) size() float64 {
	width := b.east - b.west
	if width < 0 {
		width += 360
	}
	return width * (math.Sin(b.north*math.Pi/180) - math.Sin(b.south*math.Pi/180)) * 180 / math.Pi
}

// frameAge tells newer frames from older ones: by the year in the name, 2011 of
// NAD83(2011) and 1989 of ETRS89, then by the code, as the registry's grow.
type frameAge struct{ year, code int }

func (r *registry) frameAge(system string) frameAge {
	o := r.create(system)
	if o == nil {
		return frameAge{}
	}
	if o = o.base(); o == nil {
		return frameAge{}
	}
	age := frameAge{code: codeOf(o.code())}
	for _, m := range yearInName.FindAllStringSubmatch(o.name(), -1) {
		year, _ := strconv.Atoi(cmp.Or(m[1], "19"+m[2])) // digits, by the pattern
		age.year = max(age.year, year)
	}
	return age
}

var yearInName = regexp.MustCompile(`((?:19|20)\d\d)|[A-Z ](\d\d)\b`)

// compare puts the newer first.
func (a frameAge) compare(b frameAge) int {
	return cmp.Or(cmp.Compare(b.year, a.year), cmp.Compare(b.code, a.code))
}

// codeOf is the number of a registry code, 0 for none.
func codeOf(code string) int {
	_, number, _ := strings.Cut(code, ":")
	n, err := strconv.Atoi(number)
	if err != nil {
		return 0
	}
	return n
}
