package cause

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// moving is a hypothesis that points belong elsewhere.
func moving(e *Evidence, to func(grid.EN) grid.EN) Hypothesis {
	h := Hypothesis{Points: make(map[int]grid.EN, len(e.Points)), Least: 2}
	for j := range e.Points {
		if at := to(e.Points[j].EN); finite(at.E) && finite(at.N) {
			h.Points[j] = at
		}
	}
	return h
}

// whose says in words which points are concerned, with the photos tied to them.
func (f *Found) whose(e *Evidence) string {
	if len(f.Points) == len(e.Points) {
		return "all " + plural(len(f.Points), "point")
	}
	return plural(len(f.Points), "point") + " (" + list(f.Points) + ")"
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

// SwappedEN is the cause swapped-en: easting and northing are exchanged in the
// list of points.
func SwappedEN() Cause {
	return known{name: "swapped-en", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		h := moving(e, func(at grid.EN) grid.EN { return grid.EN{E: at.N, N: at.E} })
		h.Words = func(f *Found, e *Evidence) (string, string) {
			return fmt.Sprintf("easting and northing of %s are exchanged in the list", f.whose(e)),
				"name the columns of the points file the other way round, or take the corrected rows"
		}
		h.Fix = corrected
		return []Hypothesis{h}, nil
	}}
}

// scaled is a cause in the list that multiplies all coordinates.
func scaled(name string, factors func(e *Evidence) []Param, words func(f *Found, e *Evidence, by string) (string, string)) Cause {
	return known{name: name, family: "unit", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		var out []Hypothesis
		fs := factors(e)
		for _, p := range fs {
			move := math.Hypot(e.centre.E, e.centre.N) * math.Abs(p.Value-1) * e.unit
			if move < material*e.threshold() {
				continue
			}
			h := moving(e, func(at grid.EN) grid.EN { return grid.EN{E: at.E * p.Value, N: at.N * p.Value} })
			h.Coherent = true
			h.Scope, h.Least = ScopeAll|ScopeGroups|ScopeRuns, 8
			h.Cost = math.Log(float64(len(fs)))
			h.Params = []Param{p}
			h.Words = func(f *Found, e *Evidence) (string, string) { return words(f, e, p.Text) }
			h.Fix = corrected
			out = append(out, h)
		}
		return out, nil
	}}
}

// WrongFeet is the cause wrong-feet: the coordinates of the points were worked
// out with the international foot where the US survey foot was due, or the
// reverse. It shows only where coordinates are large: 2 ft in a million.
func WrongFeet() Cause {
	const us, international = 1200.0 / 3937.0, 0.3048 // EPSG:9003 and EPSG:9002
	return scaled("wrong-feet", func(e *Evidence) []Param {
		return []Param{
			{Name: "factor", Value: us / international, Text: "international feet were used for US survey feet"},
			{Name: "factor", Value: international / us, Text: "US survey feet were used for international feet"},
		}
	}, func(f *Found, e *Evidence, by string) (string, string) {
		return fmt.Sprintf("the coordinates of %s are in the wrong feet: %s", f.whose(e), by),
			"export the list with the right foot, or take the corrected rows"
	})
}

// feet are the feet that coordinates come in.
var feet = []grid.Unit{grid.Foot, grid.USSurveyFoot}

// FeetForMetres is the cause feet-for-metres: the coordinates of the points are
// in feet and were taken for metres, or whatever larger unit the grid has.
func FeetForMetres() Cause {
	return scaled("feet-for-metres", func(e *Evidence) []Param {
		var out []Param
		for _, u := range feet {
			out = append(out, Param{Name: "factor", Value: u.Metres, Text: u.Name})
		}
		return out
	}, func(f *Found, e *Evidence, by string) (string, string) {
		return fmt.Sprintf("the coordinates of %s are in feet (%s) and were taken for metres", f.whose(e), by),
			"export the list in the grid's unit, or take the corrected rows"
	})
}

// MetresForFeet is the cause metres-for-feet: the reverse of feet-for-metres.
func MetresForFeet() Cause {
	return scaled("metres-for-feet", func(e *Evidence) []Param {
		var out []Param
		for _, u := range feet {
			out = append(out, Param{Name: "factor", Value: 1 / u.Metres, Text: u.Name})
		}
		return out
	}, func(f *Found, e *Evidence, by string) (string, string) {
		return fmt.Sprintf("the coordinates of %s are in metres and were taken for feet (%s)", f.whose(e), by),
			"export the list in the grid's unit, or take the corrected rows"
	})
}

// zoneFamily is a row of projected systems in the EPSG registry whose codes count
// with the zones.
type zoneFamily struct{ first, last int }

// Sources: EPSG registry (from memory; the tests open neighbours of each).
var zoneFamilies = []zoneFamily{
	{32601, 32660}, {32701, 32760}, // WGS 84 / UTM
	{25828, 25838},                 // ETRS89 / UTM
	{23028, 23038},                 // ED50 / UTM
	{26901, 26923}, {26701, 26722}, // NAD83 and NAD27 / UTM
	{28348, 28358}, {7846, 7859}, // MGA94 and MGA2020
	{31466, 31469}, // DHDN / 3-degree Gauss-Kruger
	{28402, 28432}, // Pulkovo 1942 / Gauss-Kruger, 6 degrees
	{6669, 6687},   // JGD2011 / Japan Plane Rectangular
	{31965, 31985}, // SIRGAS 2000 / UTM
}

// neighbourCodes returns the codes of the zones beside that of a code, none for
// systems that are not known to come in zones.
func neighbourCodes(code string) []string {
	number, ok := strings.CutPrefix(code, "EPSG:")
	n, err := strconv.Atoi(number)
	if !ok || err != nil {
		return nil
	}
	var out []string
	for _, f := range zoneFamilies {
		if n < f.first || n > f.last {
			continue
		}
		for _, c := range []int{n - 1, n + 1} {
			// Zones 1 and 60 of UTM are neighbours too.
			if c < f.first || c > f.last {
				if f.last-f.first != 59 {
					continue
				}
				c = f.first + (c-f.first+60)%60
			}
			out = append(out, "EPSG:"+strconv.Itoa(c))
		}
	}
	return out
}

// utm are the families of UTM zones by datum: the code of a zone is that of zone 0
// plus its number. Source: EPSG registry (from memory; the tests open some of each).
var utm = []struct {
	zero, first, last int
	south             bool
}{
	{32600, 1, 60, false}, {32700, 1, 60, true}, // WGS 84
	{32200, 1, 60, false}, {32300, 1, 60, true}, // WGS 72
	{25800, 28, 38, false},                       // ETRS89
	{23000, 28, 38, false},                       // ED50
	{26900, 1, 23, false}, {26700, 1, 22, false}, // NAD83, NAD27
	{31954, 11, 22, false}, {31960, 17, 25, true}, // SIRGAS 2000
	{28300, 48, 58, true}, {7800, 46, 59, true}, // MGA94, MGA2020
	{20200, 48, 58, true}, {20300, 48, 58, true}, // AGD66, AGD84 / AMG
}

// planes are further families, of which the n-th codes are the same plane on
// other datums.
var planes = [][]zoneFamily{
	{{6669, 6687}, {2443, 2461}, {30161, 30179}}, // Japan: JGD2011, JGD2000, Tokyo
}

// siblingCodes returns the codes of the same plane on other datums.
func siblingCodes(code string) []string {
	number, ok := strings.CutPrefix(code, "EPSG:")
	n, err := strconv.Atoi(number)
	if !ok || err != nil {
		return nil
	}
	var out []string
	for _, f := range utm {
		zone := n - f.zero
		if zone < f.first || zone > f.last {
			continue
		}
		for _, g := range utm {
			if g.zero != f.zero && g.south == f.south && zone >= g.first && zone <= g.last {
				out = append(out, "EPSG:"+strconv.Itoa(g.zero+zone))
			}
		}
	}
	for _, family := range planes {
		for _, f := range family {
			if n < f.first || n > f.last {
				continue
			}
			for _, g := range family {
				if c := g.first + n - f.first; g != f && c <= g.last {
					out = append(out, "EPSG:"+strconv.Itoa(c))
				}
			}
		}
	}
	return out
}

// siblings opens the same plane on other datums.
func (e *Evidence) siblings() []grid.Projection {
	if e.Input.Open == nil {
		return nil
	}
	var out []grid.Projection
	for _, code := range siblingCodes(e.Input.Result.Grid.Code) {
		if p, err := e.Input.Open(code); err == nil {
			out = append(out, p)
		}
	}
	return out
}

// neighbours opens the grids beside the job's.
func (e *Evidence) neighbours() []grid.Projection {
	out := append([]grid.Projection(nil), e.Input.Neighbours...)
	if e.Input.Open == nil {
		return out
	}
	for _, code := range neighbourCodes(e.Input.Result.Grid.Code) {
		// No such system is no neighbour.
		if p, err := e.Input.Open(code); err == nil {
			out = append(out, p)
		}
	}
	return out
}

// NeighbouringZone is the cause neighbouring-zone: the coordinates of the points
// are in the zone beside that of the grid.
func NeighbouringZone() Cause {
	return known{name: "neighbouring-zone", propose: func(ctx context.Context, e *Evidence) ([]Hypothesis, error) {
		if !e.troubled() {
			return nil, nil
		}
		var out []Hypothesis
		for _, other := range e.neighbours() {
			h, _, err := e.remember(ctx, other)
			if err != nil {
				return nil, err
			}
			if h == nil {
				continue
			}
			g := other.Grid()
			name := g.Name
			if g.Code != "" {
				name = fmt.Sprintf("%s (%s)", g.Name, g.Code)
			}
			h.Params = []Param{{Name: "grid", Text: name}}
			h.Words = func(f *Found, e *Evidence) (string, string) {
				return fmt.Sprintf("the coordinates of %s are those of the neighbouring zone, %s", f.whose(e), name),
					"name that grid in the settings, or take the corrected rows"
			}
			h.Fix = func(f *Found, e *Evidence) *Fix {
				if g.Code != "" && len(f.points) == len(e.Points) {
					return &Fix{Settings: []Setting{{"grid.crs", strconv.Quote(g.Code), "the points are in the neighbouring zone"}}}
				}
				return corrected(f, e)
			}
			out = append(out, *h)
		}
		return priced(out), nil
	}}
}

// troubled says that so many photos of the job or of an outing are out that noise
// alone doesn't put them there, and costly hypotheses are worth a look.
func (e *Evidence) troubled() bool {
	type count struct{ out, n int }
	var all count
	outings := make(map[outing]count)
	for i := range e.Photos {
		if p := &e.Photos[i]; p.D != nil || p.Out {
			c := outings[p.outing()]
			c.n++
			all.n++
			if p.Out {
				c.out++
				all.out++
			}
			outings[p.outing()] = c
		}
	}
	for _, c := range outings {
		if c.out >= 5 && 4*c.out > c.n {
			return true
		}
	}
	return 8*all.out > all.n
}

// carried is the hypothesis that the points are on another grid, with the
// operations that carried the first of them off that grid and onto the job's; nil
// where they can't be.
func carried(ctx context.Context, e *Evidence, other grid.Projection) (*Hypothesis, [2]*grid.Operation, error) {
	var ops [2]*grid.Operation
	if len(e.Points) == 0 {
		return nil, ops, nil
	}
	at := make([]grid.EN, len(e.Points))
	frames := make([]grid.Frame, len(e.Points))
	epoch := e.epoch()
	for j := range e.Points {
		at[j], frames[j] = e.Points[j].EN, grid.Frame{Datum: "WGS-84", Epoch: epoch}
	}
	// One point tells whether there is a way at all.
	places, err := other.FromGrid(ctx, at[:1], frames[:1])
	if err == nil && len(places) == 1 && places[0].Err == nil {
		places, err = other.FromGrid(ctx, at, frames)
	}
	if err != nil {
		return nil, ops, fmt.Errorf("carrying points off %s: %w", other.Grid().Name, err)
	}
	var fixes []grid.Fix
	var of []int
	for j, p := range places {
		if p.Err == nil && p.LatLon.Valid() && (p.Op == nil || !p.Op.Ballpark) {
			fixes = append(fixes, grid.Fix{LatLon: p.LatLon, Frame: frames[j]})
			of = append(of, j)
			ops[0] = p.Op
		}
	}
	if len(fixes) == 0 {
		return nil, ops, nil
	}
	h, err := placedPoints(ctx, e, fixes, of)
	if err != nil || h == nil {
		return nil, ops, err
	}
	first, err := e.Place(ctx, fixes[:1])
	if err != nil {
		return nil, ops, err
	}
	ops[1] = first[0].Op
	return h, ops, nil
}

// remember is carried, from memory where it was asked for before. The hypothesis
// may be changed.
func (e *Evidence) remember(ctx context.Context, other grid.Projection) (*Hypothesis, float64, error) {
	g := other.Grid()
	key := g.Name + g.Code + e.sign()
	h, ok := e.memory.points[key]
	if !ok {
		var ops [2]*grid.Operation
		var err error
		if h, ops, err = carried(ctx, e, other); err != nil {
			return nil, 0, err
		}
		if h != nil {
			// The accuracy of the way is kept as a parameter until it is wanted.
			acc := 0.0
			for _, op := range ops {
				if op != nil && op.Accuracy != nil {
					acc = math.Hypot(acc, *op.Accuracy)
				}
			}
			h.Params = []Param{{Value: acc}}
		}
		e.memory.points[key] = h
	}
	if h == nil {
		return nil, 0, nil
	}
	c := *h
	c.Points = maps.Clone(h.Points)
	return &c, h.Params[0].Value, nil
}

// placedPoints is the hypothesis that points belong where fixes are.
func placedPoints(ctx context.Context, e *Evidence, fixes []grid.Fix, of []int) (*Hypothesis, error) {
	placed, err := e.Place(ctx, fixes)
	if err != nil {
		return nil, err
	}
	h := Hypothesis{Points: make(map[int]grid.EN, len(of)), Scope: ScopeAll | ScopeGroups | ScopeRuns, Least: 8, Coherent: true}
	for k, p := range placed {
		if p.Err == nil && finite(p.E) && finite(p.N) && (p.Op == nil || !p.Op.Ballpark) {
			h.Points[of[k]] = p.EN
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

// PointDatum is the cause point-datum: the coordinates of the points are of the
// grid's projection, but of another datum: those of the same plane on another one,
// where Input.Open opens it, or latitudes and longitudes of another datum that
// were projected as they are, for which the projection has to be a
// grid.Geodesist.
func PointDatum() Cause {
	return known{name: "point-datum", propose: func(ctx context.Context, e *Evidence) ([]Hypothesis, error) {
		if len(e.Points) == 0 || !e.troubled() {
			return nil, nil
		}
		least := material * e.threshold()
		var shifts []match.Vector
		var out []Hypothesis
		// known says that a candidate is too small to matter, or the same as one
		// before.
		known := func(s match.Vector) bool {
			for _, t := range shifts {
				if math.Hypot(s.E-t.E, s.N-t.N) < least/4 {
					return true
				}
			}
			shifts = append(shifts, s)
			return math.Hypot(s.E, s.N) < least
		}
		add := func(h *Hypothesis, accuracy float64, s match.Vector, datum string, crs grid.Grid) {
			// Points that move by -s leave tags off by -s.
			if left, cost := e.slack(accuracy, match.Vector{E: -s.E, N: -s.N}); left != nil {
				h.Free, h.Cost = 2, cost
				for j, at := range h.Points {
					h.Points[j] = grid.EN{E: at.E + left.E/e.unit, N: at.N + left.N/e.unit}
				}
			}
			// It is rarer than tags in another datum, which comes out the same where
			// that is the grid's own.
			h.Cost += math.Ln2
			h.Params = []Param{
				{Name: "datum", Text: datum},
				{Name: "shift east", Value: s.E, Unit: "m"}, {Name: "shift north", Value: s.N, Unit: "m"},
			}
			h.Words = func(f *Found, e *Evidence) (string, string) {
				return fmt.Sprintf("the coordinates of %s are in %s and not in %s, which puts them %s out", f.whose(e), datum, e.Input.Result.Grid.Frame, metres(math.Hypot(s.E, s.N))),
					"name the grid on that datum in the settings, or take the corrected rows"
			}
			h.Fix = func(f *Found, e *Evidence) *Fix {
				if crs.Code != "" && len(f.points) == len(e.Points) {
					return &Fix{Settings: []Setting{{"grid.crs", strconv.Quote(crs.Code), "the points are in " + crs.Name}}}
				}
				return corrected(f, e)
			}
			out = append(out, *h)
		}
		for _, other := range e.siblings() {
			h, accuracy, err := e.remember(ctx, other)
			if err != nil {
				return nil, err
			}
			if h == nil {
				continue
			}
			j := slices.Min(slices.Collect(maps.Keys(h.Points)))
			s := match.Vector{E: (e.Points[j].E - h.Points[j].E) * e.unit, N: (e.Points[j].N - h.Points[j].N) * e.unit}
			if !known(s) {
				add(h, accuracy, s, other.Grid().Frame, other.Grid())
			}
		}
		g, ok := e.Input.Proj.(grid.Geodesist)
		if !ok {
			return priced(out), nil
		}
		own := make([]grid.LatLon, len(e.Points))
		for j := range e.Points {
			ll, err := g.Geographic(e.Points[j].EN)
			if err != nil || !ll.Valid() {
				continue // no place on earth: NaN below
			}
			own[j] = ll
		}
		epoch := e.epoch()
		for _, d := range e.datums() {
			if d == e.Input.Result.Grid.Frame {
				continue
			}
			var fixes []grid.Fix
			var of []int
			for j, ll := range own {
				if ll != (grid.LatLon{}) {
					fixes = append(fixes, grid.Fix{LatLon: ll, Frame: grid.Frame{Datum: d, Epoch: epoch}})
					of = append(of, j)
				}
			}
			if len(fixes) == 0 {
				break
			}
			first, err := e.Place(ctx, fixes[:1])
			if err != nil {
				return nil, err
			}
			q := first[0]
			if q.Err != nil || q.Op != nil && q.Op.Ballpark {
				continue
			}
			was := e.Points[of[0]]
			s := match.Vector{E: (was.E - q.E) * e.unit, N: (was.N - q.N) * e.unit}
			if known(s) {
				continue
			}
			h, err := placedPoints(ctx, e, fixes, of)
			if err != nil {
				return nil, err
			}
			if h != nil {
				add(h, accuracyOf(q.Op), s, d, grid.Grid{})
			}
		}
		return priced(out), nil
	}}
}

// priced adds to each of several hypotheses what it cost to try that many.
func priced(hyps []Hypothesis) []Hypothesis {
	for k := range hyps {
		hyps[k].Cost += math.Log(float64(len(hyps)))
	}
	return hyps
}

// GroundAsGrid is the cause ground-as-grid: the coordinates of the points are
// distances on the ground laid off from an origin, and were taken for grid
// coordinates, so that the discrepancy grows with the distance from there. The
// scale is fitted, and the origin too where it is not that of the grid.
func GroundAsGrid() Cause {
	return known{name: "ground-as-grid", propose: func(_ context.Context, e *Evidence) ([]Hypothesis, error) {
		if !e.troubled() {
			return nil, nil
		}
		var out []Hypothesis
		e.groupsOf(func(in []int, of int) {
			at, _ := e.offsets(in, false)
			if len(at) < 8 {
				return
			}
			// The points of the group, and those that no photo is tied to.
			ours := make(map[int]bool)
			if of == 1 {
				for j := range e.Points {
					ours[j] = true
				}
			}
			for _, i := range at {
				ours[e.Photos[i].Point] = true
			}
			n := e.independent(at, false)
			for _, about := range []*grid.EN{nil, {}} {
				o, b, se := fitScale(e, at, about)
				f := 1 / (1 + b)
				// Heights to some 6 km and the scale of any grid in use: a few thousandths.
				if !(math.Abs(b) > 1e-5 && math.Abs(b) < 5e-2) || math.Abs(b) < 3*se {
					continue
				}
				h := moving(e, func(p grid.EN) grid.EN { return grid.EN{E: p.E + b*(p.E-o.E), N: p.N + b*(p.N-o.N)} })
				maps.DeleteFunc(h.Points, func(j int, _ grid.EN) bool { return !ours[j] })
				h.Coherent, h.Scope, h.Free, h.Least = true, ScopeAll, 1, 8
				h.Cost = math.Log(2*float64(of)) + math.Max(0, math.Log(math.Abs(b)*math.Log(5e-2/1e-5)/(se*math.Sqrt(n))))
				h.Params = []Param{{Name: "factor", Value: f, StdErr: &se}}
				sigma := e.Photos[at[0]].Sigma
				where := "the grid's origin"
				if about == nil {
					h.Free = 3
					// The origin is anywhere within the size of the job or so; further
					// away it is worth the shift that it puts the job off by.
					away := math.Hypot(o.E-e.centre.E, o.N-e.centre.N) * e.unit
					size := math.Max(math.Max(e.extent(), away)*math.Abs(b), sigma)
					h.Cost += 2 * math.Log(size/sigma)
					if away > 2*e.extent() {
						h.Cost += math.Log(math.Log(halfTurn / sigma))
					}
					unit := e.Input.Result.Grid.Unit.Symbol
					h.Params = append(h.Params, Param{Name: "origin east", Value: o.E, Unit: unit}, Param{Name: "origin north", Value: o.N, Unit: unit})
					where = fmt.Sprintf("E %.0f, N %.0f", o.E, o.N)
				}
				h.Words = func(fd *Found, e *Evidence) (string, string) {
					return fmt.Sprintf("the coordinates of %s are ground distances from %s taken for grid ones: factor %.6f", fd.whose(e), where, f),
						"bring them to the grid by the scale factor of the site, or describe the site system"
				}
				h.Fix = corrected
				out = append(out, h)
			}
		})
		return out, nil
	}}
}

// extent is the diagonal of the box of the points in metres.
func (e *Evidence) extent() float64 {
	lo, hi := grid.EN{E: math.Inf(1), N: math.Inf(1)}, grid.EN{E: math.Inf(-1), N: math.Inf(-1)}
	for j := range e.Points {
		p := e.Points[j]
		lo.E, lo.N = math.Min(lo.E, p.E), math.Min(lo.N, p.N)
		hi.E, hi.N = math.Max(hi.E, p.E), math.Max(hi.N, p.N)
	}
	if len(e.Points) == 0 {
		return 0
	}
	return math.Hypot(hi.E-lo.E, hi.N-lo.N) * e.unit
}

// fitScale fits D = b (p - origin) to the photos by weighted least squares, with
// weights 1/(1 + (r / 3 sigma)²) so that a minority does not count; the origin
// is fitted too where about is nil. It returns the origin, b, and b's standard
// error by the number of independent photos.
func fitScale(e *Evidence, at []int, about *grid.EN) (o grid.EN, b, se float64) {
	w := make([]float64, len(at))
	for k := range w {
		w[k] = 1
	}
	c := e.centre
	if about != nil {
		c = *about
	}
	var a match.Vector
	n := e.independent(at, false)
	for range 15 {
		// Unknowns a (where about is nil) and b: D = a + b q, q = p - c in metres.
		var sw, sq2 float64
		var sq, sd match.Vector
		var sqd float64
		for k, i := range at {
			p := &e.Photos[i]
			q := match.Vector{E: (e.Points[p.Point].E - c.E) * e.unit, N: (e.Points[p.Point].N - c.N) * e.unit}
			d := match.Vector{E: p.D.E - p.noise.expected.E, N: p.D.N - p.noise.expected.N}
			sw += w[k]
			sq.E, sq.N = sq.E+w[k]*q.E, sq.N+w[k]*q.N
			sd.E, sd.N = sd.E+w[k]*d.E, sd.N+w[k]*d.N
			sq2 += w[k] * (q.E*q.E + q.N*q.N)
			sqd += w[k] * (q.E*d.E + q.N*d.N)
		}
		if about == nil {
			den := sq2 - (sq.E*sq.E+sq.N*sq.N)/sw
			b = (sqd - (sq.E*sd.E+sq.N*sd.N)/sw) / den
			a = match.Vector{E: (sd.E - b*sq.E) / sw, N: (sd.N - b*sq.N) / sw}
			se = math.Sqrt(sw / den)
		} else {
			b = sqd / sq2
			se = math.Sqrt(sw / sq2)
		}
		se *= e.Photos[at[0]].Sigma / math.Sqrt(n)
		for k, i := range at {
			p := &e.Photos[i]
			q := match.Vector{E: (e.Points[p.Point].E - c.E) * e.unit, N: (e.Points[p.Point].N - c.N) * e.unit}
			r := math.Hypot(p.D.E-p.noise.expected.E-a.E-b*q.E, p.D.N-p.noise.expected.N-a.N-b*q.N) / (3 * p.Sigma)
			w[k] = 1 / (1 + r*r)
		}
	}
	o = c
	if about == nil && b != 0 {
		o = grid.EN{E: c.E - a.E/b/e.unit, N: c.N - a.N/b/e.unit}
	}
	return o, b, se
}
