package site

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"gonum.org/v1/gonum/mat"
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

// parameter is a Parameter with its derivatives by the local unknowns.
type parameter struct {
	name     string
	value    float64
	unit     string
	jacobian []float64
}

// model is a linear model of T.
type model[T any] struct {
	name string
	// params is the number of unknowns, minPairs of pairs that determine them.
	params, minPairs int
	// width asks for control that is not on a line; level asks for none at all.
	width, level bool
	axes         []string
	// about is the fixed point of the model, for one that has it.
	about *frame
	// rows are the rows of the design matrix at a local position, one per axis.
	rows func(local grid.EN) [][]float64
	// finish turns the local unknowns into the parameters.
	finish func(beta []float64, c frame) (T, []parameter)
	// usable reports parameters that no system can have; nil takes any. A blunder
	// may bend them far before it is found, so it only asks for a way back.
	usable func(T) error
}

func planeModel[T any](name string, params, minPairs int) *model[T] {
	return &model[T]{name: name, params: params, minPairs: minPairs, axes: []string{"E", "N"}}
}

func (m *model[T]) plane() bool { return len(m.axes) == 2 }

func (m *model[T]) geometry(format string, args ...any) error {
	return &GeometryError{Model: m.name, Problem: fmt.Sprintf(format, args...)}
}

// Defaults of FitOptions.
const (
	defaultSignificance = 0.001
	defaultPower        = 0.80
	defaultCondition    = 1000.0
	// rivalLikelihood is how much likelier one culprit must make the observations
	// than another to be told from it; our own choice.
	rivalLikelihood = 20.0
	// unchecked is the redundancy below which an observation checks nothing.
	unchecked = 1e-6
	// maxCoordinate and minSigma keep the squares of what is computed far inside a
	// float64.
	maxCoordinate = 1e9
	minSigma      = 1e-9
)

func (o FitOptions) withDefaults() (FitOptions, error) {
	if o.Significance == 0 {
		o.Significance = defaultSignificance
	}
	if o.Power == 0 {
		o.Power = defaultPower
	}
	if o.MaxCondition == 0 {
		o.MaxCondition = defaultCondition
	}
	switch {
	case !(o.Significance > 0 && o.Significance < 1):
		return o, fmt.Errorf("significance %v: want a probability between 0 and 1, such as 0.001", o.Significance)
	case !(o.Power > 0 && o.Power < 1):
		return o, fmt.Errorf("power %v: want a probability between 0 and 1, such as 0.8", o.Power)
	case !(o.MaxCondition > 1):
		return o, fmt.Errorf("largest condition %v: want a ratio over 1, such as 1000", o.MaxCondition)
	case o.Sigma != 0 && !(o.Sigma >= minSigma && o.Sigma <= maxCoordinate):
		return o, fmt.Errorf("standard error %v: want a positive length, or 0 where it is not known", o.Sigma)
	case o.MaxRemoved < 0:
		return o, fmt.Errorf("at most %d pairs removed: want 0 or more", o.MaxRemoved)
	}
	return o, nil
}

// fit checks the input and fits, with or without the rejection of outliers.
func (m *model[T]) fit(points []point, opt FitOptions) (Fit[T], error) {
	opt, err := opt.withDefaults()
	if err != nil {
		return Fit[T]{}, fmt.Errorf("%s: %w", m.name, err)
	}
	if err := m.check(points); err != nil {
		return Fit[T]{}, err
	}
	limit := opt.MaxRemoved
	if limit == 0 {
		limit = max(1, len(points)/3)
	}
	kept := slices.Clone(points)
	var removed []Removal
	var gone []point
	for {
		fit, frame, err := m.adjust(kept, opt)
		if err != nil {
			return Fit[T]{}, err
		}
		stop := ""
		if len(fit.Suspects) > 0 {
			s := &fit.Suspects[0]
			i := slices.IndexFunc(kept, func(p point) bool { return p.id == s.ID })
			rest := slices.Delete(slices.Clone(kept), i, i+1)
			without, _, restErr := m.adjust(rest, opt)
			if restErr == nil {
				// A pair that stays over the critical value without the first one is bad in
				// its own right, and no rival.
				s.Rivals = slices.DeleteFunc(s.Rivals, func(id string) bool {
					return slices.ContainsFunc(without.Suspects, func(o Suspect) bool { return o.ID == id })
				})
			}
			switch {
			case !opt.RejectOutliers:
			case len(s.Rivals) > 0:
				stop = fmt.Sprintf("Pair %s was not removed: %s may as well be the bad one. More control would tell them apart.", s.ID, strings.Join(s.Rivals, ", "))
			case len(removed) == limit:
				stop = fmt.Sprintf("Pair %s was not removed: %d removed is the limit that was set. With so many bad pairs look for a common cause first.", s.ID, limit)
			case restErr != nil:
				stop = fmt.Sprintf("Pair %s was not removed: without it the control does not determine the model (%v).", s.ID, restErr)
			default:
				removed = append(removed, Removal{Step: len(removed) + 1, Suspect: *s, Critical: *fit.Critical})
				gone = append(gone, kept[i])
				kept = rest
				continue
			}
		}
		if stop != "" {
			fit.Notes = append(fit.Notes, stop)
		}
		for i, p := range gone {
			r := m.misfit(fit.local, frame, p)
			removed[i].DE, removed[i].DN, removed[i].DH = m.split(r)
		}
		fit.Removed = removed
		return fit.Fit, nil
	}
}

// check refuses input that can't be fitted whatever the geometry.
func (m *model[T]) check(points []point) error {
	seen := map[string]bool{}
	for i, p := range points {
		if p.id == "" {
			return fmt.Errorf("%s: pair %d has no id", m.name, i+1)
		}
		if seen[p.id] {
			return fmt.Errorf("%s: pair %s comes twice; give repeated measurements their own ids, or their mean", m.name, p.id)
		}
		seen[p.id] = true
		if !finite(p.at.E, p.at.N, p.target.E, p.target.N) {
			return fmt.Errorf("%s: pair %s: %w", m.name, p.id, grid.ErrNotFinite)
		}
		if size := max(math.Abs(p.at.E), math.Abs(p.at.N), math.Abs(p.target.E), math.Abs(p.target.N)); size > maxCoordinate {
			return fmt.Errorf("%s: pair %s: a coordinate of %.3g is no place on earth in any unit", m.name, p.id, size)
		}
		if !(p.siteSigma >= 0 && p.baseSigma >= 0) || !finite(p.siteSigma, p.baseSigma) {
			return fmt.Errorf("%s: pair %s: standard errors %v and %v: want positive lengths, or 0 where they are not known", m.name, p.id, p.siteSigma, p.baseSigma)
		}
		for _, s := range []float64{p.siteSigma, p.baseSigma} {
			if s != 0 && (s < minSigma || s > maxCoordinate) {
				return fmt.Errorf("%s: pair %s: a standard error of %.3g is not one that a survey has", m.name, p.id, s)
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
		if out[i] == 0 {
			out[i] = opt.Sigma
		}
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
			s := math.Hypot(points[j].at.E-points[i].at.E, points[j].at.N-points[i].at.N)
			if b := math.Hypot(points[j].target.E-points[i].target.E, points[j].target.N-points[i].target.N); s > 0 {
				ratios = append(ratios, b/s)
			}
		}
	}
	if len(ratios) == 0 {
		return 1
	}
	sort.Float64s(ratios)
	return ratios[len(ratios)/2]
}

// place chooses the frame and refuses control that is in one place or on a line.
func (m *model[T]) place(points []point, opt FitOptions) (frame, error) {
	n := float64(len(points))
	var c frame
	if m.about != nil {
		c = *m.about
	} else {
		// Differences to the first point keep the sums small.
		o, t := points[0].at, points[0].target
		for _, p := range points {
			c.centre.E += (p.at.E - o.E) / n
			c.centre.N += (p.at.N - o.N) / n
			c.target.E += (p.target.E - t.E) / n
			c.target.N += (p.target.N - t.N) / n
		}
		c.centre = grid.EN{E: o.E + c.centre.E, N: o.N + c.centre.N}
		c.target = grid.EN{E: t.E + c.target.E, N: t.N + c.target.N}
	}
	c.length = 1
	if m.level {
		return c, nil
	}
	size := 0.0
	var ee, nn, en, sigma float64
	for _, p := range points {
		dE, dN := p.at.E-c.centre.E, p.at.N-c.centre.N
		ee += dE * dE / n
		nn += dN * dN / n
		en += dE * dN / n
		size = max(size, math.Abs(p.at.E), math.Abs(p.at.N))
		if m.plane() {
			sigma = max(sigma, p.siteSigma)
		}
	}
	c.length = math.Sqrt(ee + nn)
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
	half := math.Hypot((ee-nn)/2, en)
	along := math.Sqrt((ee+nn)/2 + half)
	// The spread across is summed from the pairs: the difference of the two nearly
	// equal sums has no digits left where the control is on a line.
	direction := math.Atan2(2*en, nn-ee) / 2 // bearing of the long axis
	sin, cos := math.Sincos(direction)
	across := 0.0
	for _, p := range points {
		w := (p.at.E-c.centre.E)*cos - (p.at.N-c.centre.N)*sin
		across += w * w / n
	}
	across = math.Sqrt(across)
	if along > opt.MaxCondition*across {
		b := grid.NewBearing(math.Mod(direction*180/math.Pi+180, 180))
		return frame{}, m.geometry("the control is nearly on a line: %.4g along the bearing %.1f° and %.3g across, a ratio over %.4g: it needs a pair well off the line", along, b.Degrees(), across, opt.MaxCondition)
	}
	return c, nil
}

// adjusted is a Fit with the local unknowns it was made of.
type adjusted[T any] struct {
	Fit[T]
	local []float64
}

// value is the observed value of a point on an axis.
func (p point) value(axis int) float64 {
	if axis == 0 {
		return p.target.E
	}
	return p.target.N
}

// misfit is transformed minus given at a point, one value per axis.
func (m *model[T]) misfit(beta []float64, c frame, p point) []float64 {
	out := make([]float64, len(m.axes))
	for k, row := range m.rows(c.local(p.at)) {
		origin := point{target: c.target}.value(k)
		out[k] = origin - p.value(k)
		for j, a := range row {
			out[k] += a * beta[j]
		}
	}
	return out
}

// split hands per-axis values to the fields they belong in.
func (m *model[T]) split(v []float64) (dE, dN, dH float64) {
	if m.plane() {
		return v[0], v[1], 0
	}
	return 0, 0, v[0]
}

// adjust is one least-squares adjustment by singular values of the weighted
// design matrix: A = U S V', unknowns V S⁻¹ U' l, cofactors V S⁻² V', and
// redundancy 1 - |row of U|². Source of the adjustment and its tests: Baarda, A
// testing procedure for use in geodetic networks (1968), and Ghilani,
// Adjustment Computations; both from memory.
func (m *model[T]) adjust(points []point, opt FitOptions) (*adjusted[T], frame, error) {
	if len(points) < m.minPairs {
		return nil, frame{}, m.geometry("%d control pairs are too few: it needs %d", len(points), m.minPairs)
	}
	c, err := m.place(points, opt)
	if err != nil {
		return nil, frame{}, err
	}
	sigma, known, err := m.sigmas(points, opt)
	if err != nil {
		return nil, frame{}, err
	}
	q := len(m.axes)
	n := q * len(points)
	design := mat.NewDense(n, m.params, nil)
	rhs := mat.NewVecDense(n, nil)
	largest := 0.0
	for i, p := range points {
		for k, row := range m.rows(c.local(p.at)) {
			for j, a := range row {
				design.Set(q*i+k, j, a/sigma[i])
			}
			rhs.SetVec(q*i+k, (p.value(k)-point{target: c.target}.value(k))/sigma[i])
			largest = max(largest, math.Abs(p.value(k)), math.Abs(p.at.E), math.Abs(p.at.N))
		}
	}
	var svd mat.SVD
	if !svd.Factorize(design, mat.SVDThin) {
		return nil, frame{}, errors.New(m.name + ": the singular values did not converge")
	}
	s := svd.Values(nil)
	// Weights may spread the singular values further than the geometry does; what
	// is refused here is a matrix that float64 can't solve.
	condition := s[0] / s[len(s)-1]
	if !(condition < 1e9) {
		return nil, frame{}, m.geometry("the condition number of the equations is %.3g: the control that carries the weight does not determine the model; check the standard errors and the places", condition)
	}
	var u, v mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	var ul, beta mat.VecDense
	ul.MulVec(u.T(), rhs)
	for j := range s {
		ul.SetVec(j, ul.AtVec(j)/s[j])
	}
	beta.MulVec(&v, &ul)
	cof := mat.NewDense(m.params, m.params, nil)
	for a := range m.params {
		for b := range m.params {
			sum := 0.0
			for j := range s {
				sum += v.At(a, j) * v.At(b, j) / (s[j] * s[j])
			}
			cof.Set(a, b, sum)
		}
	}

	local := beta.RawVector().Data
	value, params := m.finish(local, c)
	if m.usable != nil {
		if err := m.usable(value); err != nil {
			return nil, frame{}, m.geometry("the base coordinates of the control give no usable parameters (%v): are they all in one place, or on a line?", err)
		}
	}
	for _, p := range params {
		if !finite(p.value) {
			return nil, frame{}, m.geometry("%s comes out as %v: check the size of the coordinates", p.name, p.value)
		}
	}
	fit := &adjusted[T]{local: local, Fit: Fit[T]{
		Params: value, DegreesOfFreedom: n - m.params, SigmaKnown: known,
		Significance: opt.Significance, Condition: condition, Test: StatisticW,
	}}
	if !known {
		fit.Test = StatisticTau
	}

	// Residuals in units of their standard error, and the residual cofactors of
	// each pair.
	resid := make([]float64, n)
	sum := 0.0
	for i, p := range points {
		for k, r := range m.misfit(local, c, p) {
			resid[q*i+k] = r / sigma[i]
			sum += resid[q*i+k] * resid[q*i+k]
		}
	}
	redundancy := func(a, b int) float64 {
		d := 0.0
		if a == b {
			d = 1
		}
		for j := range s {
			d -= u.At(a, j) * u.At(b, j)
		}
		return d
	}
	dof := fit.DegreesOfFreedom
	unit := 0.0 // what standard errors are scaled by; 0 where there is nothing
	if known {
		unit = 1
	}
	exact := false
	if dof > 0 {
		s0 := math.Sqrt(sum / float64(dof))
		fit.S0 = &s0
		if known {
			chi := distuv.ChiSquared{K: float64(dof)}
			fit.Global = &GlobalTest{ChiSquare: sum, P: chi.Survival(sum)}
		} else {
			unit = s0
			exact = s0 <= 64*0x1p-52*largest
		}
		fit.Critical = critical(fit.Test, opt.Significance, dof)
	} else {
		fit.Notes = append(fit.Notes, fmt.Sprintf("There is no redundancy: %d pairs just determine the %d parameters, so nothing checks them.", len(points), m.params))
	}
	if exact {
		fit.Critical = nil
		fit.Notes = append(fit.Notes, "The residuals are at the rounding of the coordinates: the pairs agree exactly, so there is nothing to test. Was one side computed from the other?")
	}

	shift := distuv.UnitNormal.Quantile(1-opt.Significance/2) + distuv.UnitNormal.Quantile(opt.Power)
	for i, p := range points {
		for k, axis := range m.axes {
			r := min(max(redundancy(q*i+k, q*i+k), 0), 1)
			o := Observation{ID: p.id, Axis: axis, Residual: resid[q*i+k] * sigma[i], Sigma: sigma[i], Redundancy: r}
			if r > unchecked && dof > 0 && !exact {
				if unit > 0 {
					w := resid[q*i+k] / (unit * math.Sqrt(r))
					o.Statistic = &w
				}
				if known {
					d := shift * sigma[i] / math.Sqrt(r)
					o.Detectable = &d
				}
			}
			fit.Observations = append(fit.Observations, o)
		}
	}
	fit.Suspects = m.suspects(fit, points, resid, redundancy, sigma)

	for _, p := range params {
		out := Parameter{Name: p.name, Value: p.value, Unit: p.unit}
		if unit > 0 || dof > 0 {
			e := unit * math.Sqrt(quadratic(cof, p.jacobian))
			out.StdErr = &e
		}
		fit.Parameters = append(fit.Parameters, out)
	}
	if unit > 0 || dof > 0 {
		rows := m.rows
		fit.predict = func(at grid.EN) []float64 {
			var out []float64
			for _, row := range rows(c.local(at)) {
				out = append(out, unit*math.Sqrt(quadratic(cof, row)))
			}
			return out
		}
	}
	return fit, c, nil
}

// quadratic returns row' Q row.
func quadratic(q *mat.Dense, row []float64) float64 {
	sum := 0.0
	for a := range row {
		for b := range row {
			sum += row[a] * q.At(a, b) * row[b]
		}
	}
	return max(sum, 0)
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

// suspects lists the pairs over the critical value, the first with its rivals.
//
// A pair at fault with an error of any size and direction brings the weighted
// sum of squares down by T = v' R⁻¹ v (Baarda's test of several dimensions), with
// v and R the pair's residuals and their cofactors in units of the standard
// error. So the ratio of the likelihoods of two culprits p and q is
// exp((Tp - Tq) / 2), and where the standard error is not known, with f degrees
// of freedom and Ω the sum, ((Ω - Tq) / (Ω - Tp))^(f/2).
func (m *model[T]) suspects(fit *adjusted[T], points []point, resid []float64, redundancy func(a, b int) float64, sigma []float64) []Suspect {
	if fit.Critical == nil {
		return nil
	}
	q := len(m.axes)
	gain := make([]float64, len(points))
	alone := make([][]float64, len(points))
	total := 0.0
	for i := range points {
		v := resid[q*i : q*i+q]
		alone[i] = solveSmall(q, func(a, b int) float64 { return redundancy(q*i+a, q*i+b) }, v)
		for k := range v {
			gain[i] += v[k] * alone[i][k]
			total += v[k] * v[k]
		}
	}
	var out []Suspect
	for i, p := range points {
		s := Suspect{ID: p.id}
		for k, axis := range m.axes {
			if w := fit.Observations[q*i+k].Statistic; w != nil && math.Abs(*w) > math.Abs(s.Statistic) {
				s.Statistic, s.Axis = *w, axis
			}
		}
		if math.Abs(s.Statistic) <= *fit.Critical {
			continue
		}
		for k := range alone[i] {
			alone[i][k] *= sigma[i]
		}
		s.DE, s.DN, s.DH = m.split(alone[i])
		out = append(out, s)
	}
	slices.SortStableFunc(out, func(a, b Suspect) int {
		switch x, y := math.Abs(a.Statistic), math.Abs(b.Statistic); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	if len(out) == 0 {
		return nil
	}
	first := &out[0]
	i := slices.IndexFunc(points, func(p point) bool { return p.id == first.ID })
	for j, other := range points {
		if j != i && rivals(gain[i], gain[j], total, fit.DegreesOfFreedom, fit.SigmaKnown) {
			first.Rivals = append(first.Rivals, other.id)
		}
	}
	return out
}

// rivals reports whether the culprit with the gain b explains the residuals
// nearly as well as the one with the gain a.
func rivals(a, b, total float64, dof int, known bool) bool {
	limit := math.Log(rivalLikelihood)
	if known {
		return (a-b)/2 < limit
	}
	restA, restB := max(total-a, 0), max(total-b, 0)
	floor := 1e-12 * total
	if restB <= floor {
		return true
	}
	if restA <= floor {
		return false
	}
	return float64(dof)/2*math.Log(restB/restA) < limit
}

// solveSmall solves R x = v for one or two unknowns, R symmetric and
// non-negative. Directions that R does not check are left out.
func solveSmall(q int, r func(a, b int) float64, v []float64) []float64 {
	if q == 1 {
		if r(0, 0) <= unchecked {
			return []float64{0}
		}
		return []float64{v[0] / r(0, 0)}
	}
	a, b, d := r(0, 0), r(0, 1), r(1, 1)
	half := math.Hypot((a-d)/2, b)
	mean := (a + d) / 2
	theta := math.Atan2(2*b, a-d) / 2 // direction of the larger eigenvalue
	sin, cos := math.Sincos(theta)
	out := []float64{0, 0}
	for _, e := range []struct{ value, x, y float64 }{{mean + half, cos, sin}, {mean - half, -sin, cos}} {
		if e.value > unchecked {
			f := (e.x*v[0] + e.y*v[1]) / e.value
			out[0] += f * e.x
			out[1] += f * e.y
		}
	}
	return out
}

// mirrorNote says so where the pairs fit far better with eastings and northings
// of the site swapped, which no similarity can do.
func (m *model[T]) mirrorNote(pairs []ControlPair, opt FitOptions, fit Fit[T]) string {
	if fit.S0 == nil {
		return ""
	}
	swapped := make([]ControlPair, len(pairs))
	for i, p := range pairs {
		p.Site.E, p.Site.N = p.Site.N, p.Site.E
		swapped[i] = p
	}
	opt, err := opt.withDefaults()
	if err != nil {
		return ""
	}
	other, _, err := m.adjust(planePoints(swapped), opt)
	if err != nil || other.S0 == nil || *other.S0 > *fit.S0/10 {
		return ""
	}
	return fmt.Sprintf("With eastings and northings of the site swapped, S0 falls from %.3g to %.3g: are the columns swapped on one side?", *fit.S0, *other.S0)
}
