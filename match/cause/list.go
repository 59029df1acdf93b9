package cause

import (
	"context"
	"fmt"
	"maps"
	"math"
	"math/cmplx"
	"slices"
	"strconv"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// moving is a hypothesis that points belong elsewhere.
func moving(e *Evidence, to func(grid.EN) grid.EN) Hypothesis {
	h := Hypothesis{Points: make(map[int]grid.EN, len(e.Points)), MinPhotos: 2}
	for j := range e.Points {
		if at := to(e.Points[j].EN); grid.Finite(at.E, at.N) {
			h.Points[j] = at
		}
	}
	return h
}

// corrected proposes the rows of the points that a hypothesis moves.
func corrected(f *Found, e *Evidence) *Fix {
	fix := &Fix{}
	for _, j := range f.points {
		p := e.Points[j]
		at := f.hyp.Points[j]
		// To the thousandth, as lists of points have it.
		p.EN = grid.EN{E: math.Round(at.E*1000) / 1000, N: math.Round(at.N*1000) / 1000}
		fix.Points = append(fix.Points, p)
	}
	return fix
}

// setting proposes a setting where all points are concerned, and else their rows.
func setting(key, value, why string) func(f *Found, e *Evidence) *Fix {
	return func(f *Found, e *Evidence) *Fix {
		if value != "" && len(f.points) == len(e.Points) {
			return &Fix{Settings: []Setting{{key, strconv.Quote(value), why}}}
		}
		return corrected(f, e)
	}
}

// swappedEN: easting and northing are exchanged in the list of points.
func swappedEN(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	h := moving(e, func(at grid.EN) grid.EN { return grid.EN{E: at.N, N: at.E} })
	h.Fix = corrected
	return []Hypothesis{h}, nil
}

// scaled is the hypothesis that all coordinates are to be multiplied.
func scaled(e *Evidence, p Param) Hypothesis {
	h := moving(e, func(at grid.EN) grid.EN { return grid.EN{E: at.E * p.Value, N: at.N * p.Value} })
	h.Coherent, h.Scope, h.MinPhotos, h.Cost = true, ScopeAll|ScopeGroups|ScopeRuns, 8, math.Ln2
	h.Params, h.Fix = []Param{p}, corrected
	return h
}

// moved is how far the middle of the points is moved by a factor, in metres.
func (e *Evidence) moved(factor float64) float64 {
	return math.Hypot(e.centre.E, e.centre.N) * math.Abs(factor-1) * e.unit
}

// feet are the feet that coordinates come in, with the names that settings have.
var feet = [2]foot{{grid.Foot, "ft"}, {grid.USSurveyFoot, "ftUS"}}

type foot struct {
	unit    grid.Unit
	setting string
}

// footOf is which of feet a unit is; -1 for none.
func footOf(u grid.Unit) int {
	return slices.IndexFunc(feet[:], func(f foot) bool { return math.Abs(u.Metres/f.unit.Metres-1) < 1e-9 })
}

// leastFeet is the least that other feet have to move the points to be looked at, as
// a share of what the budget allows: no figure is fitted.
const leastFeet = 0.15

// wrongFeet: the coordinates of the points are in US survey feet and were taken for
// international ones, or the reverse; by the settings, or by a program that they went
// through on their way here, which puts them off the other way. It shows only where
// coordinates are large: 2 ft in a million. Where neither the grid nor the list is in
// feet it can't be.
func wrongFeet(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	taken := e.Input.PointUnit
	if !(taken.Metres > 0) {
		taken = e.Input.Result.Grid.Unit
	}
	k := footOf(taken)
	if k < 0 || e.moved(feet[1-k].unit.Metres/taken.Metres) < leastFeet*e.threshold() {
		return nil, nil
	}
	f, other := feet[k], feet[1-k]
	read := e.otherFeet(other.unit.Metres/f.unit.Metres, other, f)
	read.Fix = setting("points.unit", other.setting, "the points are in "+other.unit.Name+" and were read as "+f.unit.Name)
	if e.Input.PointUnit.Metres > 0 {
		read.Cost += math.Log(20) // somebody has said what they are in
	}
	converted := e.otherFeet(f.unit.Metres/other.unit.Metres, f, other)
	converted.Params = append(converted.Params, Param{Name: "before", Text: "converted"})
	converted.Fix = nil // no setting says so
	return priced([]Hypothesis{read, converted}), nil
}

// otherFeet is the hypothesis that the points are in some feet and were taken for the
// others.
func (e *Evidence) otherFeet(factor float64, in, taken foot) Hypothesis {
	h := scaled(e, Param{Name: "factor", Value: factor, Text: in.unit.Name})
	h.Predicts, h.Scope, h.Cost = true, ScopeAll|ScopeGroups, 0
	if e.moved(factor) < leastShift {
		h.Caution = 5 // a crew that keeps to one side comes out so too
		h.Cost += h.Caution
	}
	h.Params = append(h.Params, Param{Name: "taken for", Text: taken.unit.Name})
	return h
}

// inFeet: the coordinates of the points are in feet and were taken for metres, or whatever
// larger unit the grid has (power 1), or the reverse (-1).
func inFeet(power float64) func(context.Context, *Evidence) ([]Hypothesis, error) {
	return func(_ context.Context, e *Evidence) (out []Hypothesis, _ error) {
		for _, f := range feet {
			out = append(out, e.otherUnit(math.Pow(f.unit.Metres, power), f.unit.Name)...)
		}
		return out, nil
	}
}

func (e *Evidence) otherUnit(factor float64, name string) []Hypothesis {
	if e.moved(factor) < material*e.threshold() {
		return nil
	}
	return []Hypothesis{scaled(e, Param{Name: "factor", Value: factor, Text: name})}
}

// codeOf is the number of a code of the EPSG registry.
func codeOf(code string) (int, bool) {
	number, ok := strings.CutPrefix(code, "EPSG:")
	n, err := strconv.Atoi(number)
	return n, ok && err == nil
}

// besides are how far the codes of zones that lie beside one another may be apart: in
// the registry they count with the zones, with those of another unit between. Zones 1
// and 60 of UTM are neighbours too.
var besides = []int{-1, 1, -2, 2, -3, 3, -4, 4, -59, 59}

// zones opens the systems that are of the zones beside that of the grid, by the
// names that the registry has for them.
func (e *Evidence) zones() []grid.Projection {
	return e.once("zones", func() []grid.Projection {
		own := e.Input.Result.Grid
		n, ok := codeOf(own.Code)
		if !ok || e.Input.Open == nil {
			return e.Input.Neighbours
		}
		var out []grid.Projection
		for _, d := range besides {
			// No such system is none to try.
			if p, err := e.Input.Open("EPSG:" + strconv.Itoa(n+d)); err == nil && p.Grid().Unit.Metres == own.Unit.Metres && adjacent(own.Name, p.Grid().Name) {
				out = append(out, p)
			}
		}
		return append(out, e.Input.Neighbours...)
	})
}

// adjacent says that two names of systems differ by the zone, and that zones that
// have numbers count on: "ETRS89 / UTM zone 32N" and "ETRS89 / UTM zone 33N",
// "NAD83(2011) / Illinois East (ftUS)" and "NAD83(2011) / Illinois West (ftUS)".
func adjacent(a, b string) bool {
	x, y := strings.Fields(a), strings.Fields(b)
	from := 0
	for from < min(len(x), len(y)) && x[from] == y[from] {
		from++
	}
	to := 0
	for to < min(len(x), len(y))-from && x[len(x)-1-to] == y[len(y)-1-to] {
		to++
	}
	// The datum, a stroke and a word are the same; what differs is a word or two.
	if from < 3 || len(x)-from-to > 2 || len(y)-from-to > 2 || a == b {
		return false
	}
	if x[from-1] != "zone" || from >= min(len(x), len(y)) {
		return !slices.Contains(x, "zone")
	}
	number := func(s string) (int, string) {
		digits := strings.TrimRight(s, "NS")
		n, err := strconv.Atoi(digits)
		if err != nil {
			return -1, ""
		}
		return n, s[len(digits):]
	}
	n, north := number(x[from])
	m, south := number(y[from])
	d := max(n-m, m-n)
	return north == south && (n < 0 || m < 0 || d == 1 || d == 59)
}

// once keeps systems that were opened.
func (e *Evidence) once(key string, open func() []grid.Projection) []grid.Projection {
	if _, ok := e.memory.grids[key]; !ok {
		e.memory.grids[key] = open()
	}
	return e.memory.grids[key]
}

// families are rows of projected systems by datum: the code of a zone is that of zone 0
// plus its number. Those of a kind have the same planes: UTM north and south, and Japan's.
// Source: EPSG registry (from memory; the tests open some of each).
var families = []struct {
	zero, first, last int
	kind              string
}{
	{32600, 1, 60, "north"}, {32700, 1, 60, "south"}, // WGS 84
	{32200, 1, 60, "north"}, {32300, 1, 60, "south"}, // WGS 72
	{25800, 28, 38, "north"},                         // ETRS89
	{23000, 28, 38, "north"},                         // ED50
	{26900, 1, 23, "north"}, {26700, 1, 22, "north"}, // NAD83, NAD27
	{31954, 11, 22, "north"}, {31960, 17, 25, "south"}, // SIRGAS 2000
	{28300, 48, 58, "south"}, {7800, 46, 59, "south"}, // MGA94, MGA2020
	{20200, 48, 58, "south"}, {20300, 48, 58, "south"}, // AGD66, AGD84 / AMG
	{6668, 1, 19, "Japan"}, {2442, 1, 19, "Japan"}, {30160, 1, 19, "Japan"}, // JGD2011, JGD2000, Tokyo
}

// siblingCodes returns the codes of the same plane on other datums.
func siblingCodes(code string) []string {
	n, ok := codeOf(code)
	if !ok {
		return nil
	}
	var out []string
	for _, f := range families {
		zone := n - f.zero
		for _, g := range families {
			if zone >= f.first && zone <= f.last && g.zero != f.zero && g.kind == f.kind && zone >= g.first && zone <= g.last {
				out = append(out, "EPSG:"+strconv.Itoa(g.zero+zone))
			}
		}
	}
	return out
}

// siblings opens the same plane on other datums.
func (e *Evidence) siblings() []grid.Projection {
	return e.once("siblings", func() []grid.Projection {
		var out []grid.Projection
		for _, code := range siblingCodes(e.Input.Result.Grid.Code) {
			if e.Input.Open == nil {
				break
			}
			if p, err := e.Input.Open(code); err == nil {
				out = append(out, p)
			}
		}
		return out
	})
}

// neighbouringZone: the coordinates of the points are in the zone beside that of
// the grid.
func neighbouringZone(ctx context.Context, e *Evidence) ([]Hypothesis, error) {
	if !e.troubled() {
		return nil, nil
	}
	var out []Hypothesis
	for _, other := range e.zones() {
		h, err := e.remember(ctx, other, false)
		if err != nil {
			return nil, err
		}
		if h == nil {
			continue
		}
		g := other.Grid()
		h.Params = []Param{{Name: "grid", Text: g.Name}}
		if g.Code != "" {
			h.Params[0].Text += " (" + g.Code + ")"
		}
		h.Fix = setting("grid.crs", g.Code, "the points are in the neighbouring zone")
		out = append(out, *h)
	}
	return priced(out), nil
}

// transformed is the hypothesis that the points are on another grid; nil where they
// can't be. With null, latitudes and longitudes of WGS 84 were projected there as if
// they were of its own datum.
func transformed(ctx context.Context, e *Evidence, other grid.Projection, null bool) (*Hypothesis, error) {
	if len(e.Points) == 0 {
		return nil, nil
	}
	at := make([]grid.EN, len(e.Points))
	frames := make([]grid.Frame, len(e.Points))
	frame := grid.Frame{Datum: "WGS-84", Epoch: e.epoch()}
	for j := range e.Points {
		at[j], frames[j] = e.Points[j].EN, frame
		if null {
			frames[j].Datum = other.Grid().Frame
		}
	}
	// One point tells whether there is a way at all.
	places, err := other.FromGrid(ctx, at[:1], frames[:1])
	if err == nil && len(places) == 1 && places[0].Err == nil {
		places, err = other.FromGrid(ctx, at, frames)
	}
	if err != nil {
		return nil, fmt.Errorf("transforming points from %s: %w", other.Grid().Name, err)
	}
	fixes := make(map[int]grid.Fix)
	var off *grid.Operation
	for j, p := range places {
		if p.Err == nil && p.LatLon.Valid() && (p.Op == nil || !p.Op.Ballpark) {
			fixes[j], off = grid.Fix{LatLon: p.LatLon, Frame: frame}, p.Op
		}
	}
	return placedPoints(ctx, e, fixes, off)
}

// remember is transformed, from memory where it was asked for before. The
// hypothesis may be changed.
func (e *Evidence) remember(ctx context.Context, other grid.Projection, null bool) (*Hypothesis, error) {
	g := other.Grid()
	key := fmt.Sprint(g.Name, g.Code, null, keyOf(len(e.Points), func(j int) []float64 { return []float64{e.Points[j].E, e.Points[j].N} }))
	h, ok := e.memory.points[key]
	if !ok {
		var err error
		if h, err = transformed(ctx, e, other, null); err != nil {
			return nil, err
		}
		e.memory.points[key] = h
	}
	if h == nil {
		return nil, nil
	}
	c := *h
	return &c, nil
}

// placedPoints is the hypothesis that points belong where fixes are; off is the
// operation that led to those, where there was one.
func placedPoints(ctx context.Context, e *Evidence, fixes map[int]grid.Fix, off *grid.Operation) (*Hypothesis, error) {
	of := slices.Sorted(maps.Keys(fixes))
	list := make([]grid.Fix, len(of))
	for k, j := range of {
		list[k] = fixes[j]
	}
	placed, err := e.Place(ctx, list)
	if err != nil {
		return nil, err
	}
	h := Hypothesis{Points: make(map[int]grid.EN, len(of)), Scope: ScopeAll | ScopeGroups | ScopeRuns, MinPhotos: 8, Coherent: true, Predicts: true}
	for k, p := range placed {
		if p.Err == nil && grid.Finite(p.E, p.N) && (p.Op == nil || !p.Op.Ballpark) {
			h.Points[of[k]] = p.EN
			h.Accuracy = deviation(off, p.Op)
		}
	}
	if len(h.Points) == 0 {
		return nil, nil
	}
	return &h, nil
}

// epoch is the epoch of the first photo that has one.
func (e *Evidence) epoch() float64 {
	for i := range e.Photos {
		if v := e.Photos[i].Frame.Epoch; v != 0 {
			return v
		}
	}
	return 0
}

// pointDatum: the coordinates of the points are of the grid's projection, but of
// another datum: those of the same plane on another one, where Input.Open opens it;
// latitudes and longitudes of WGS 84 that were projected there as they are; or those
// of another datum that were projected here, for which the projection has to be a
// grid.Geodesist.
func pointDatum(ctx context.Context, e *Evidence) ([]Hypothesis, error) {
	if len(e.Points) == 0 || !e.troubled() {
		return nil, nil
	}
	seen := shifts{least: material * e.threshold()}
	var out []Hypothesis
	add := func(h *Hypothesis, datum, crs, why string) {
		if h == nil {
			return
		}
		j := slices.Min(slices.Collect(maps.Keys(h.Points)))
		s := match.Vector{E: (e.Points[j].E - h.Points[j].E) * e.unit, N: (e.Points[j].N - h.Points[j].N) * e.unit}
		if !seen.fresh(s) {
			return
		}
		// It is rarer than tags in another datum, which comes out the same where
		// that is the grid's own.
		h.Cost += math.Ln2
		h.Params = append([]Param{{Name: "datum", Text: datum}, {Name: "grid datum", Text: e.Input.Result.Grid.Frame}}, shiftParams(s)...)
		h.Fix = setting("grid.crs", crs, why)
		out = append(out, *h)
	}
	for _, other := range e.siblings() {
		g := other.Grid()
		for _, null := range []bool{false, true} {
			h, err := e.remember(ctx, other, null)
			if err != nil {
				return nil, err
			}
			crs := g.Code
			if null {
				crs = "" // no setting says so
			}
			add(h, g.Frame, crs, "the points are in "+g.Name)
		}
	}
	own := e.degrees()
	for _, d := range e.datums() {
		if d == e.Input.Result.Grid.Frame || len(own) == 0 {
			continue
		}
		fixes := make(map[int]grid.Fix, len(own))
		for j, ll := range own {
			fixes[j] = grid.Fix{LatLon: ll, Frame: grid.Frame{Datum: d, Epoch: e.epoch()}}
		}
		h, err := placedPoints(ctx, e, fixes, nil)
		if err != nil {
			return nil, err
		}
		add(h, d, "", "")
	}
	return priced(out), nil
}

// degrees are the points in latitude and longitude, where they have a place.
func (e *Evidence) degrees() map[int]grid.LatLon {
	g, ok := e.Input.Proj.(grid.Geodesist)
	if !ok {
		return nil
	}
	own := make(map[int]grid.LatLon, len(e.Points))
	for j := range e.Points {
		if ll, err := g.Geographic(e.Points[j].EN); err == nil && ll.Valid() {
			own[j] = ll
		}
	}
	return own
}

// groundAsGrid: the coordinates of the points are distances on the ground laid off
// from an origin, and were taken for grid coordinates, so that the discrepancy grows
// with the distance from there. The scale is fitted, and the origin too where it is
// not that of the grid.
func groundAsGrid(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	if !e.troubled() {
		return nil, nil
	}
	var out []Hypothesis
	for _, g := range e.walks.groups {
		at, _ := e.offsets(g.photos, false)
		if len(at) < 8 {
			continue
		}
		// The points of the group, and those that no photo is tied to.
		ours := make(map[int]bool)
		for _, i := range at {
			ours[e.Photos[i].Point] = true
		}
		for _, about := range []*grid.EN{nil, {}} {
			if h := e.ground(at, about); h != nil {
				h.Cost += math.Log(2 * float64(g.of))
				maps.DeleteFunc(h.Points, func(j int, _ grid.EN) bool { return g.of > 1 && !ours[j] })
				out = append(out, *h)
			}
		}
	}
	return out, nil
}

// ground fits the scale of ground distances from an origin, or with nil from any;
// nil where there is none.
func (e *Evidence) ground(at []int, about *grid.EN) *Hypothesis {
	o, b, se := fitScale(e, at, about)
	// Heights to some 6 km and the scale of any grid in use: a few thousandths.
	if !(math.Abs(b) > 1e-5 && math.Abs(b) < 5e-2) || math.Abs(b) < 3*se {
		return nil
	}
	h := moving(e, func(p grid.EN) grid.EN { return grid.EN{E: p.E + b*(p.E-o.E), N: p.N + b*(p.N-o.N)} })
	h.Coherent, h.Scope, h.Free, h.MinPhotos, h.Fix = true, ScopeAll, 1, 8, corrected
	h.Cost = math.Max(0, math.Log(math.Abs(b)*math.Log(5e-2/1e-5)/(se*math.Sqrt(e.independent(at)))))
	h.Params = []Param{{Name: "factor", Value: 1 / (1 + b), StdErr: &se}}
	if about != nil {
		return &h
	}
	sigma := e.Photos[at[0]].noise.sigma
	h.Free = 3
	// The origin is anywhere within the size of the job or so; further away it is
	// worth the shift that it puts the job off by.
	away := math.Hypot(o.E-e.centre.E, o.N-e.centre.N) * e.unit
	h.Cost += 2 * math.Log(math.Max(math.Max(e.extent(), away)*math.Abs(b), sigma)/sigma)
	if away > 2*e.extent() {
		h.Cost += math.Log(math.Log(halfTurn / sigma))
	}
	unit := e.Input.Result.Grid.Unit.Symbol
	h.Params = append(h.Params, Param{Name: "origin east", Value: o.E, Unit: unit}, Param{Name: "origin north", Value: o.N, Unit: unit})
	return &h
}

// wrongGrid: the tags lie so far from their points that grid.crs, or the list of
// points, must be another one. Another projection turns and scales the job too: a
// similarity is fitted.
func wrongGrid(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	at, ds := e.offsets(e.walks.all, false)
	if len(at) < 8 || len(e.told) > 0 {
		return nil, nil
	}
	far := make([]float64, len(ds))
	for k, d := range ds {
		far[k] = math.Hypot(d.E, d.N)
	}
	if medianOf(far) < leastGrid {
		return nil, nil
	}
	// D = a + b q with complex numbers, q = point - centre, weighted as in fitScale.
	q, d := make([]complex128, len(at)), make([]complex128, len(at))
	w := make([]float64, len(at))
	for k, i := range at {
		p := e.Points[e.Photos[i].Point]
		q[k] = complex((p.E-e.centre.E)*e.unit, (p.N-e.centre.N)*e.unit)
		d[k], w[k] = complex(ds[k].E, ds[k].N), 1
	}
	sigma := e.Photos[at[0]].noise.sigma
	var a, b complex128
	for range 15 {
		var sw, sqq float64
		var sq, sd, sqd complex128
		for k := range q {
			wk := complex(w[k], 0)
			sw, sq, sd = sw+w[k], sq+wk*q[k], sd+wk*d[k]
			sqq += w[k] * real(q[k]*cmplx.Conj(q[k]))
			sqd += wk * d[k] * cmplx.Conj(q[k])
		}
		den := sqq*sw - real(sq*cmplx.Conj(sq))
		if !(den > 1e-9*sqq*sw) {
			return nil, nil // all at one point
		}
		b = (sqd*complex(sw, 0) - sd*cmplx.Conj(sq)) / complex(den, 0)
		a = (sd - b*sq) / complex(sw, 0)
		for k := range q {
			r := cmplx.Abs(d[k]-a-b*q[k]) / (3 * sigma)
			w[k] = 1 / (1 + r*r)
		}
	}
	h := Hypothesis{Changes: make([]Change, len(at)), Coherent: true, Scope: ScopeAll, Free: 4, MinPhotos: 8}
	for k, i := range at {
		v := a + b*q[k]
		h.Changes[k] = Change{Photo: i, Move: &match.Vector{E: real(v), N: imag(v)}}
	}
	// As for a common shift, and a turn and a scale to a metre over the job.
	h.Cost = 2*math.Log(cmplx.Abs(a)/sigma) + math.Log(math.Log(halfTurn/sigma)) + 2*math.Log(math.Max(1, e.extent()/sigma))
	h.Params = shiftParams(match.Vector{E: real(a), N: imag(a)})
	return []Hypothesis{h}, nil
}
