package site

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"example.com/phototie/grid"
)

// point is a pair as the adjustment sees it: where it is, and what is observed
// there. For heights the observed value is target.E, site minus base.
type point struct {
	id                   string
	at, target           grid.EN
	siteSigma, baseSigma float64
}

func planePoints(pairs []ControlPair) []point {
	out := make([]point, len(pairs))
	for i, p := range pairs {
		out[i] = point{id: p.ID, at: p.Site, target: p.Base, siteSigma: p.SiteSigma, baseSigma: p.BaseSigma}
	}
	return out
}

func heightPoints(pairs []HeightPair) []point {
	out := make([]point, len(pairs))
	for i, p := range pairs {
		out[i] = point{id: p.ID, at: p.At, target: grid.EN{E: p.Site - p.Base}, siteSigma: p.SiteSigma, baseSigma: p.BaseSigma}
	}
	return out
}

// frame is where the adjustment is computed: site coordinates about centre in
// units of length, observed values about target. Six-digit coordinates would
// otherwise eat half of the digits.
type frame struct {
	centre, target grid.EN
	length         float64
}

func (f frame) local(p grid.EN) grid.EN {
	return grid.EN{E: (p.E - f.centre.E) / f.length, N: (p.N - f.centre.N) / f.length}
}

// observed are the observed values of a point about the frame's target.
func (f frame) observed(p point) [2]float64 {
	return [2]float64{p.target.E - f.target.E, p.target.N - f.target.N}
}

// parameter is a Parameter with its derivatives by the local unknowns.
type parameter struct {
	name     string
	value    float64
	unit     string
	jacobian []float64
}

// model is a linear model of T, or one that is linear about a first solution.
type model[T any] struct {
	name string
	// params is the number of unknowns, minPairs of pairs that determine them.
	params, minPairs int
	// width asks for control that is not on a line; level asks for none at all.
	width, level bool
	axes         []string
	// about is the fixed point of the model, for one that has it.
	about *frame
	// first makes a model that is not linear so, about a first solution; nil for
	// one that is linear.
	first func(points []point, sigma []float64, c frame) linear
	// linear is the design of a model that is linear.
	linear linear
	// finish turns the local unknowns into the parameters. start is that of the
	// design.
	finish func(beta []float64, start float64, c frame) (T, []parameter)
	// usable reports parameters that no system can have; nil takes any. A blunder
	// may bend them far before it is found, so it only asks for a way back.
	usable func(T) error
}

// linear is the design of a model: the rows of the design matrix at a local
// position, one per axis, and what the model gives there with all unknowns 0
// (nil for nothing). start is the value that it was made linear about.
type linear struct {
	rows  func(local grid.EN) [][]float64
	known func(local grid.EN) [2]float64
	start float64
}

// value is what the model gives at a local position, less the frame's target.
func (l linear) value(beta []float64, x grid.EN) [2]float64 {
	var out [2]float64
	if l.known != nil {
		out = l.known(x)
	}
	for k, row := range l.rows(x) {
		out[k] += floats.Dot(row, beta)
	}
	return out
}

func planeModel[T any](name string, params, minPairs int) *model[T] {
	return &model[T]{name: name, params: params, minPairs: minPairs, axes: []string{"E", "N"}}
}

func (m *model[T]) plane() bool { return len(m.axes) == 2 }

func (m *model[T]) geometry(format string, args ...any) error {
	return &GeometryError{m.name + ": " + fmt.Sprintf(format, args...)}
}

// check refuses input that can't be fitted whatever the geometry.
func (m *model[T]) check(points []point) error {
	seen := map[string]bool{}
	for i, p := range points {
		fail := func(format string, args ...any) error {
			return fmt.Errorf("%s: pair %s: %w", m.name, p.id, fmt.Errorf(format, args...))
		}
		switch size := max(math.Abs(p.at.E), math.Abs(p.at.N), math.Abs(p.target.E), math.Abs(p.target.N)); {
		case p.id == "":
			return fmt.Errorf("%s: pair %d has no id", m.name, i+1)
		case seen[p.id]:
			return fmt.Errorf("%s: pair %s comes twice; give repeated measurements their own ids, or their mean", m.name, p.id)
		case !grid.Finite(p.at.E, p.at.N, p.target.E, p.target.N):
			return fail("%w", grid.ErrNotFinite)
		case size > maxCoordinate:
			return fail("a coordinate of %.3g is no place on earth in any unit", size)
		}
		seen[p.id] = true
		for _, s := range []float64{p.siteSigma, p.baseSigma} {
			if s != 0 && !(s >= minSigma && s <= maxCoordinate) {
				return fail("a standard error of %.3g is not one that a survey has: want a positive length, or 0 where it is not known", s)
			}
		}
	}
	if len(points) < m.minPairs {
		return m.geometry("%d control pairs are too few: it needs %d, and one more to be checked", len(points), m.minPairs)
	}
	return nil
}

// sigmas returns the standard error of each point's observations, in the unit of
// the residuals, and whether they are known.
func (m *model[T]) sigmas(points []point, opt FitOptions) ([]float64, bool, error) {
	scale := 1.0
	if m.plane() {
		scale = medianScale(points)
	}
	out := make([]float64, len(points))
	missing := ""
	known := false
	for i, p := range points {
		out[i] = math.Hypot(p.baseSigma, scale*p.siteSigma)
		out[i] = cmp.Or(out[i], opt.Sigma)
		if out[i] == 0 {
			missing = p.id
			out[i] = 1
		} else {
			known = true
		}
	}
	if known && missing != "" {
		return nil, false, fmt.Errorf("%s: pair %s has no standard error while others have: state one for every pair, a common one, or none", m.name, missing)
	}
	return out, known, nil
}

// medianScale is the median ratio of base and site distances between pairs. It
// only serves to bring the site's standard errors to the base, so it must be
// about right with a bad pair among them. Of many pairs it takes a sample.
func medianScale(points []point) float64 {
	n := len(points)
	step := max(1, n/40)
	var ratios []float64
	for i := 0; i < n; i += step {
		for j := i + 1; j < n; j += step {
			if s := distance(points[j].at, points[i].at); s > 0 {
				ratios = append(ratios, distance(points[j].target, points[i].target)/s)
			}
		}
	}
	if len(ratios) == 0 {
		return 1
	}
	slices.Sort(ratios)
	return ratios[len(ratios)/2]
}

func distance(a, b grid.EN) float64 { return math.Hypot(a.E-b.E, a.N-b.N) }

// mean is the mean of positions; differences to the first keep the sums small.
func mean(points []point, of func(point) grid.EN) grid.EN {
	o := of(points[0])
	e, n := make([]float64, len(points)), make([]float64, len(points))
	for i, p := range points {
		e[i], n[i] = of(p).E-o.E, of(p).N-o.N
	}
	return grid.EN{E: o.E + stat.Mean(e, nil), N: o.N + stat.Mean(n, nil)}
}

// place chooses the frame and refuses control that is in one place or on a line.
func (m *model[T]) place(points []point) (frame, error) {
	c := frame{length: 1}
	if m.about != nil {
		c.centre, c.target = m.about.centre, m.about.target
	} else {
		c.centre = mean(points, func(p point) grid.EN { return p.at })
		c.target = mean(points, func(p point) grid.EN { return p.target })
	}
	if m.level {
		return c, nil
	}
	// The singular values of the places about the centre are the spread along and
	// across the longest direction.
	places := mat.NewDense(len(points), 2, nil)
	size, sigma := 0.0, 0.0
	for i, p := range points {
		places.SetRow(i, []float64{p.at.E - c.centre.E, p.at.N - c.centre.N})
		size = max(size, math.Abs(p.at.E), math.Abs(p.at.N))
		if m.plane() {
			sigma = max(sigma, p.siteSigma)
		}
	}
	root := math.Sqrt(float64(len(points)))
	c.length = mat.Norm(places, 2) / root
	if c.length <= max(1e-9*size, 3*sigma, math.SmallestNonzeroFloat64) {
		what := "the control pairs are all in one place on the site"
		if m.about != nil {
			what = "the control pairs are all at the project point"
		}
		return frame{}, m.geometry("%s (spread %.3g): it needs pairs well apart", what, c.length)
	}
	if !m.width {
		return c, nil
	}
	var svd mat.SVD
	if !svd.Factorize(places, mat.SVDThin) {
		return frame{}, errors.New(m.name + ": the singular values of the places did not converge")
	}
	var v mat.Dense
	svd.VTo(&v)
	if s := svd.Values(nil); s[0] > maxCondition*s[1] {
		b := math.Mod(grid.BearingOf(v.At(0, 0), v.At(1, 0)).Degrees(), 180)
		return frame{}, m.geometry("the control is nearly on a line: %.4g along the bearing %.1f° and %.3g across, a ratio over %.4g: it needs a pair well off the line", s[0]/root, b, s[1]/root, maxCondition)
	}
	return c, nil
}

// solution is that of a weighted least-squares problem, by singular values of
// the design: A = U S V', unknowns V S⁻¹ U' l, cofactors V S⁻² V', and cofactors
// of the residuals 1 - U U'. Source of the adjustment and its tests: Baarda, A
// testing procedure for use in geodetic networks (1968), and Ghilani, Adjustment
// Computations; both from memory.
type solution struct {
	beta      []float64
	cofactors *mat.SymDense
	condition float64
	u         mat.Dense
}

func solve(design *mat.Dense, rhs *mat.VecDense) (*solution, bool) {
	var svd mat.SVD
	if !svd.Factorize(design, mat.SVDThin) {
		return nil, false
	}
	var s solution
	var v mat.Dense
	values := svd.Values(nil)
	svd.UTo(&s.u)
	svd.VTo(&v)
	s.condition = values[0] / values[len(values)-1]
	v.Apply(func(_, j int, x float64) float64 { return x / values[j] }, &v)
	var ul, beta mat.VecDense
	ul.MulVec(s.u.T(), rhs)
	beta.MulVec(&v, &ul)
	s.beta = beta.RawVector().Data
	s.cofactors = mat.NewSymDense(len(values), nil)
	s.cofactors.SymOuterK(1, &v)
	return &s, true
}

// redundancy is the cofactor of two residuals, in units of their standard error.
func (s *solution) redundancy(a, b int) float64 {
	r := -floats.Dot(s.u.RawRowView(a), s.u.RawRowView(b))
	if a == b {
		r++
	}
	return r
}

// variance is that of a linear function of the unknowns, in cofactors.
func (s *solution) variance(row []float64) float64 {
	x := mat.NewVecDense(len(row), row)
	return max(mat.Inner(x, s.cofactors, x), 0)
}

// adjusted is a Fit with what it was computed from.
type adjusted[T any] struct {
	Fit[T]
	*solution
	linear
	frame frame
	sigma []float64
	// resid are the residuals in units of their standard error, by pair and axis.
	resid []float64
	// unit is what cofactors are scaled by to be standard errors, widened by
	// widen for few degrees of freedom.
	unit, widen float64
}

// misfit is transformed minus given at a point, one value per axis.
func (a *adjusted[T]) misfit(p point) [2]float64 {
	is, want := a.value(a.beta, a.frame.local(p.at)), a.frame.observed(p)
	return [2]float64{is[0] - want[0], is[1] - want[1]}
}

// split puts per-axis values into the fields they belong in.
func (m *model[T]) split(v []float64) (dE, dN, dH float64) {
	if m.plane() {
		return v[0], v[1], 0
	}
	return 0, 0, v[0]
}

// adjust is one least-squares adjustment, with its residuals tested.
func (m *model[T]) adjust(points []point, opt FitOptions) (*adjusted[T], error) {
	if len(points) < m.minPairs {
		return nil, m.geometry("%d control pairs are too few: it needs %d", len(points), m.minPairs)
	}
	c, err := m.place(points)
	if err != nil {
		return nil, err
	}
	sigma, known, err := m.sigmas(points, opt)
	if err != nil {
		return nil, err
	}
	fit := &adjusted[T]{frame: c, sigma: sigma, linear: m.linear}
	if m.first != nil {
		fit.linear = m.first(points, sigma, c)
	}
	if err := m.solve(fit, points); err != nil {
		return nil, err
	}
	var params []parameter
	fit.Params, params = m.finish(fit.beta, fit.start, c)
	if m.usable != nil {
		if err := m.usable(fit.Params); err != nil {
			return nil, m.geometry("the base coordinates of the control give no usable parameters (%v): are they all in one place, or on a line?", err)
		}
	}
	for _, p := range params {
		if !grid.Finite(p.value) {
			return nil, m.geometry("%s comes out as %v: check the size of the coordinates", p.name, p.value)
		}
	}
	fit.DegreesOfFreedom = len(points)*len(m.axes) - m.params
	fit.SigmaKnown, fit.Significance, fit.Condition = known, opt.Significance, fit.condition
	m.test(fit, points, opt)
	m.errors(fit, params, opt)
	return fit, nil
}

// solve sets up the equations and solves them.
func (m *model[T]) solve(fit *adjusted[T], points []point) error {
	q, c := len(m.axes), fit.frame
	design := mat.NewDense(q*len(points), m.params, nil)
	rhs := mat.NewVecDense(q*len(points), nil)
	none := make([]float64, m.params)
	for i, p := range points {
		x := c.local(p.at)
		want, is := c.observed(p), fit.value(none, x)
		for k, row := range fit.rows(x) {
			floats.ScaleTo(design.RawRowView(q*i+k), 1/fit.sigma[i], row)
			rhs.SetVec(q*i+k, (want[k]-is[k])/fit.sigma[i])
		}
	}
	var ok bool
	if fit.solution, ok = solve(design, rhs); !ok {
		return errors.New(m.name + ": the singular values did not converge")
	}
	// Weights may spread the singular values further than the geometry does; what
	// is refused here is a matrix that float64 can't solve.
	if !(fit.condition < 1e9) {
		return m.geometry("the condition number of the equations is %.3g: the control that carries the weight does not determine the model; check the standard errors and the places", fit.condition)
	}
	for i, p := range points {
		r := fit.misfit(p)
		for k := range q {
			fit.resid = append(fit.resid, r[k]/fit.sigma[i])
		}
	}
	return nil
}

// test computes S0, the statistic of each observation and the suspects.
func (m *model[T]) test(fit *adjusted[T], points []point, opt FitOptions) {
	dof := fit.DegreesOfFreedom
	fit.Test, fit.widen = StatisticW, 1
	if !fit.SigmaKnown {
		fit.Test = StatisticTau
	}
	exact := false
	if sum := floats.Dot(fit.resid, fit.resid); dof > 0 {
		s0 := math.Sqrt(sum / float64(dof))
		fit.S0 = &s0
		if fit.SigmaKnown || dof > len(m.axes) { // otherwise no culprit can be told
			fit.Critical = critical(fit.Test, opt.Significance, dof)
		}
		if fit.SigmaKnown {
			fit.Global = &GlobalTest{ChiSquare: sum, P: distuv.ChiSquared{K: float64(dof)}.Survival(sum)}
		} else {
			fit.unit = s0
			fit.widen = distuv.StudentsT{Sigma: 1, Nu: float64(dof)}.Quantile(0.975) / distuv.UnitNormal.Quantile(0.975)
			exact = s0 <= 64*0x1p-52*largest(points)
		}
	} else {
		fit.note(Fact{Kind: FactUnchecked, Pairs: ids(points), Limit: float64(m.params)})
	}
	if fit.SigmaKnown {
		fit.unit = 1
	}
	if exact {
		fit.Critical = nil
		fit.note(Fact{Kind: FactExact})
	}
	m.observations(fit, points, opt, dof > 0 && !exact)
	fit.Suspects = m.suspects(fit, points)
}

// observations writes out each observation, with its statistics where they can be tested.
func (m *model[T]) observations(fit *adjusted[T], points []point, opt FitOptions, tested bool) {
	q := len(m.axes)
	shift := distuv.UnitNormal.Quantile(1-opt.Significance/2) + distuv.UnitNormal.Quantile(opt.Power)
	for n, v := range fit.resid {
		i, r := n/q, min(max(fit.redundancy(n, n), 0), 1)
		o := Observation{ID: points[i].id, Axis: m.axes[n%q], Residual: v * fit.sigma[i], Sigma: fit.sigma[i], Redundancy: r}
		if r > unchecked && tested {
			if fit.unit > 0 {
				w := v / (fit.unit * math.Sqrt(r))
				o.Statistic = &w
			}
			if fit.SigmaKnown {
				d := shift * fit.sigma[i] / math.Sqrt(r)
				o.Detectable = &d
			}
		}
		fit.Observations = append(fit.Observations, o)
	}
}

func largest(points []point) float64 {
	size := 0.0
	for _, p := range points {
		size = max(size, math.Abs(p.target.E), math.Abs(p.target.N), math.Abs(p.at.E), math.Abs(p.at.N))
	}
	return size
}

func ids(points []point) []string {
	out := make([]string, len(points))
	for i, p := range points {
		out[i] = p.id
	}
	return out
}

// errors computes the standard errors of the parameters, and the precision of
// what is transformed with them. Where nothing is known of the errors and
// nothing is redundant, the tolerance stands in for the precision.
func (m *model[T]) errors(fit *adjusted[T], params []parameter, opt FitOptions) {
	for _, p := range params {
		out := Parameter{Name: p.name, Value: p.value, Unit: p.unit}
		if fit.SigmaKnown || fit.DegreesOfFreedom > 0 {
			e := fit.unit * math.Sqrt(fit.variance(p.jacobian))
			out.StdErr = &e
		}
		fit.Parameters = append(fit.Parameters, out)
	}
	scale := fit.unit * fit.widen * opt.metres(m.plane())
	if !fit.SigmaKnown && fit.DegreesOfFreedom == 0 {
		scale = opt.Tolerance
	}
	fit.Precision = precision(fit.frame, func(x grid.EN) float64 {
		sum := 0.0
		for _, row := range fit.rows(x) {
			sum += fit.variance(row)
		}
		return sum * scale * scale
	})
}

// critical returns the two-sided critical value of a statistic, nil where the
// redundancy gives none. τ follows from Student's t with one degree of freedom
// less: τ = t sqrt(f) / sqrt(f - 1 + t²). Source: Pope, The statistics of
// residuals and the detection of outliers, NOAA Technical Report NOS 65 NGS 1
// (1976), from memory.
func critical(test Statistic, significance float64, dof int) *float64 {
	p := 1 - significance/2
	if test == StatisticW {
		z := distuv.UnitNormal.Quantile(p)
		return &z
	}
	if dof < 2 {
		return nil
	}
	f := float64(dof)
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: f - 1}.Quantile(p)
	tau := t * math.Sqrt(f) / math.Sqrt(f-1+t*t)
	return &tau
}
