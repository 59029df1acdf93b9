package site

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"example.com/phototie/grid"
)

// ControlPair is a control point known in both systems.
type ControlPair struct {
	// ID names the point; it must be there and be unique within a fit.
	ID string `json:"id"`
	// Site is the point in site coordinates, Base on the base grid.
	Site grid.EN `json:"site"`
	Base grid.EN `json:"base"`
	// SiteSigma and BaseSigma are the standard errors of one coordinate, in the
	// unit of their side. Both 0 leaves the pair to FitOptions.Sigma.
	SiteSigma float64 `json:"site_sigma,omitempty"`
	BaseSigma float64 `json:"base_sigma,omitempty"`
}

// HeightPair is a control point whose height is known in both systems.
type HeightPair struct {
	// ID names the point; it must be there and be unique within a fit.
	ID string `json:"id"`
	// At is the point in site coordinates.
	At grid.EN `json:"at"`
	// Site and Base are its two heights, in the site's unit.
	Site float64 `json:"site"`
	Base float64 `json:"base"`
	// SiteSigma and BaseSigma are the standard errors of the heights, in the
	// site's unit. Both 0 leaves the pair to FitOptions.Sigma.
	SiteSigma float64 `json:"site_sigma,omitempty"`
	BaseSigma float64 `json:"base_sigma,omitempty"`
}

// FitOptions says how a fit is computed, tested and judged. The zero value weighs
// all pairs alike, takes no standard error for known, rejects nothing, and takes
// metres on both sides.
type FitOptions struct {
	// Base is the grid that base coordinates are on. It gives their unit, and where
	// it is a grid.Geodesist what a survey's scale and rotation can be: others are
	// an [*ImplausibleError]. Without it base coordinates are in metres.
	Base grid.Projection
	// Unit is the unit of site coordinates; the zero value takes that of Base.
	Unit grid.Unit
	// Tolerance is the largest residual of a pair in metres that a survey takes;
	// it judges pairs that state no standard errors. 0 takes 0.05 (common practice,
	// no source).
	Tolerance float64
	// Sigma is the standard error of one coordinate of a pair that states none,
	// both sides together, in the unit that residuals are in. 0 means that it is
	// not known.
	Sigma float64
	// Significance is the two-sided significance of the test of one observation;
	// 0 takes 0.001, which is Baarda's choice and gives a critical value of 3.29.
	Significance float64
	// Power is the power that the minimal detectable error is stated for; 0 takes
	// 0.80, which with 0.001 gives Baarda's 4.13.
	Power float64
	// RejectOutliers takes out bad pairs: the one with the largest test statistic,
	// then a new fit, until none is over the critical value. Every removal is
	// reported. It stops, and says so, where another pair might as well be the bad
	// one, where the rest would no longer do, and at a third of them.
	RejectOutliers bool
}

// Defaults of FitOptions, and bounds.
const (
	defaultTolerance    = 0.05
	defaultSignificance = 0.001
	defaultPower        = 0.80
	// maxCondition is the largest ratio taken between the spread of the control along its
	// longest direction and across it, for models that need width.
	maxCondition = 1000.0
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

func (o FitOptions) withDefaults(name string) (FitOptions, error) {
	o.Tolerance = cmp.Or(o.Tolerance, defaultTolerance)
	o.Significance = cmp.Or(o.Significance, defaultSignificance)
	o.Power = cmp.Or(o.Power, defaultPower)
	fail := func(format string, args ...any) (FitOptions, error) {
		return o, fmt.Errorf("%s: %w", name, fmt.Errorf(format, args...))
	}
	switch {
	case !(o.Tolerance > 0 && o.Tolerance <= maxAccuracy):
		return fail("tolerance %v: want metres, such as 0.05", o.Tolerance)
	case !(o.Significance > 0 && o.Significance < 1):
		return fail("significance %v: want a probability between 0 and 1, such as 0.001", o.Significance)
	case !(o.Power > 0 && o.Power < 1):
		return fail("power %v: want a probability between 0 and 1, such as 0.8", o.Power)
	case o.Sigma != 0 && !(o.Sigma >= minSigma && o.Sigma <= maxCoordinate):
		return fail("standard error %v: want a positive length, or 0 where it is not known", o.Sigma)
	case !(o.metres(true) > 0 && o.siteMetres() > 0) || !grid.Finite(o.metres(true), o.siteMetres()):
		return fail("units of %v and %v metres: want positive lengths", o.metres(true), o.siteMetres())
	}
	return o, nil
}

// metres is the length of the unit of residuals: the base's on the plane, and
// the site's for heights.
func (o FitOptions) metres(plane bool) float64 {
	if !plane {
		return o.siteMetres()
	}
	if o.Base == nil {
		return 1
	}
	return o.Base.Grid().Unit.Metres
}

func (o FitOptions) siteMetres() float64 {
	if o.Unit == (grid.Unit{}) {
		return o.metres(true)
	}
	return o.Unit.Metres
}

// Statistic names the test of a single observation.
type Statistic string

const (
	// StatisticW is Baarda's w = v / (σ sqrt(r)), standard normal where there is
	// no blunder. It needs standard errors that are known beforehand.
	StatisticW Statistic = "w"
	// StatisticTau is Pope's τ = v / (S0 sqrt(q r)), for standard errors that are
	// not known beforehand; q is the cofactor, which is 1 here.
	StatisticTau Statistic = "tau"
)

// Parameter is one fitted parameter.
type Parameter struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	// StdErr is its standard error, in the same unit: from the stated standard
	// errors where they are known, else scaled by S0. Nil where there are neither,
	// in a fit without redundancy.
	StdErr *float64 `json:"std_err"`
	// Unit is "base", "site", "base/site", "deg" or "" for a pure number.
	Unit string `json:"unit"`
}

// Observation is one observation equation: a coordinate of a pair, or a height.
type Observation struct {
	// ID and Axis say which: Axis is "E", "N" or "H".
	ID   string `json:"id"`
	Axis string `json:"axis"`
	// Residual is v = transformed minus given, on the base grid in base units; for
	// heights it is the fitted site height minus the given one.
	Residual float64 `json:"residual"`
	// Sigma is the standard error that the observation was weighed with; 1 where
	// it is not known.
	Sigma float64 `json:"sigma"`
	// Redundancy is the share r, from 0 to 1, of an error in this observation that
	// shows up in its own residual. Over a fit they add up to the degrees of
	// freedom.
	Redundancy float64 `json:"redundancy"`
	// Statistic is w or τ; nil where nothing checks the observation (r is 0).
	Statistic *float64 `json:"statistic"`
	// Detectable is the minimal detectable error in this observation at the stated
	// significance and power, δ0 σ / sqrt(r), in the unit of the residual; nil
	// where nothing checks it or standard errors are not known.
	Detectable *float64 `json:"detectable"`
}

// PairResidual is the residual of one pair: transformed minus given.
type PairResidual struct {
	ID string  `json:"id"`
	DE float64 `json:"d_e"`
	DN float64 `json:"d_n"`
	// Length is hypot(DE, DN).
	Length float64 `json:"length"`
}

// Suspect is a pair with a test statistic over the critical value.
type Suspect struct {
	ID string `json:"id"`
	// Axis is the axis with the larger statistic, and Statistic that statistic.
	Axis      string  `json:"axis"`
	Statistic float64 `json:"statistic"`
	// DE and DN (DH for heights) hold the pair against the fit of all the others:
	// transformed minus given. A blunder shows here at its full size, with the sign
	// turned over. DE and DN are 0 for heights.
	DE float64 `json:"d_e"`
	DN float64 `json:"d_n"`
	DH float64 `json:"d_h,omitempty"`
	// Rivals of the first suspect are pairs that may as well be the bad one: with
	// one of them at fault instead, the observations are at least 1/20 as likely.
	// Pairs that stay over the critical value without the first suspect are bad in
	// their own right and not among its rivals. Later suspects list none.
	Rivals []string `json:"rivals,omitempty"`
}

// Removal is a pair that was rejected as an outlier. DE, DN and DH in it hold the pair
// against the final fit.
type Removal struct {
	// Step counts from 1.
	Step int `json:"step"`
	Suspect
	// Critical is the critical value that the statistic was over.
	Critical float64 `json:"critical"`
}

// GlobalTest holds S0 against the stated standard errors.
type GlobalTest struct {
	// ChiSquare is the weighted sum of the squared residuals.
	ChiSquare float64 `json:"chi_square"`
	// P is the probability of a sum as large or larger where the stated standard
	// errors hold and no pair is bad.
	P float64 `json:"p"`
}

// Fit is the outcome of a least-squares fit of T to control pairs. T is
// Similarity, Affine, GroundScale or Vertical.
type Fit[T any] struct {
	// Params are the fitted parameters, ready for a Definition. The plane ones
	// lead from the site to the base.
	Params T `json:"params"`
	// Parameters are the same one by one, with standard errors.
	Parameters []Parameter `json:"parameters"`
	// Observations are in the order of the pairs, E before N; removed pairs are
	// not among them.
	Observations []Observation `json:"observations"`
	// DegreesOfFreedom is the number of observations less that of parameters.
	DegreesOfFreedom int `json:"degrees_of_freedom"`
	// S0 is the standard error of unit weight, sqrt(Σ(v/σ)² / degrees of freedom).
	// With stated standard errors it has no unit and should be near 1; without, it
	// is the standard error of one coordinate, in the unit of the residuals. Nil
	// without redundancy.
	S0 *float64 `json:"s0"`
	// SigmaKnown says whether standard errors were stated.
	SigmaKnown bool `json:"sigma_known"`
	// Test names the statistic of the observations; Critical is its two-sided
	// critical value at Significance, nil where there is too little redundancy.
	Test         Statistic `json:"test"`
	Significance float64   `json:"significance"`
	Critical     *float64  `json:"critical"`
	// Global is nil where standard errors are not known or nothing is redundant.
	Global *GlobalTest `json:"global,omitempty"`
	// Condition is the condition number of the scaled, weighted design matrix.
	Condition float64 `json:"condition"`
	// Suspects are the pairs over the critical value, the largest statistic first.
	// Only the first is to be trusted: a blunder also bends the fit for the rest.
	Suspects []Suspect `json:"suspects,omitempty"`
	// Removed are the pairs that were rejected, in that order.
	Removed []Removal `json:"removed,omitempty"`
	// Facts are what else the user should know about this fit.
	Facts []Fact `json:"facts,omitempty"`
	// Precision is how good what it leads to is, for a Definition.
	Precision *Precision `json:"precision"`
}

// Residuals returns the residuals pair by pair. For heights DE and DN are 0 and
// Length is the size of the residual.
func (f Fit[T]) Residuals() []PairResidual {
	var out []PairResidual
	for _, o := range f.Observations {
		if len(out) == 0 || out[len(out)-1].ID != o.ID {
			out = append(out, PairResidual{ID: o.ID})
		}
		p := &out[len(out)-1]
		switch o.Axis {
		case "E":
			p.DE = o.Residual
		case "N":
			p.DN = o.Residual
		default:
			p.Length = math.Abs(o.Residual)
			continue
		}
		p.Length = math.Hypot(p.DE, p.DN)
	}
	return out
}

// GeometryError reports control that does not determine the model. Find it by errors.As.
type GeometryError struct{ text string }

// Error says what was to be fitted, what is wrong and what is needed.
func (e *GeometryError) Error() string { return e.text }

// FitSimilarity fits a similarity from the site to the base grid, by least
// squares on the base coordinates:
//
//	Eb = T0E + a Es + b Ns
//	Nb = T0N - b Es + a Ns,   M = sqrt(a² + b²), θ = atan2(b, a)
//
// It needs two pairs at different places, and three or more to be checked by
// anything. Pairs are weighed by 1/σ² with σ² = base² + (M site²), the error of
// a coordinate of either side taken to be round and the pairs independent.
//
// Source: Ghilani, Adjustment Computations, "Two-dimensional conformal
// coordinate transformation"; the equations are linear, so nothing is iterated.
func FitSimilarity(pairs []ControlPair, opt FitOptions) (Fit[Similarity], error) {
	m := planeModel[Similarity]("similarity", 4, 2)
	m.usable = Similarity.validate
	m.linear.rows = func(x grid.EN) [][]float64 {
		return [][]float64{{x.E, x.N, 1, 0}, {x.N, -x.E, 0, 1}}
	}
	m.finish = func(beta []float64, _ float64, c frame) (Similarity, []parameter) {
		a, b := beta[0]/c.length, beta[1]/c.length
		scale := math.Hypot(a, b)
		s := Similarity{
			Origin: grid.EN{
				E: c.target.E + beta[2] - a*c.centre.E - b*c.centre.N,
				N: c.target.N + beta[3] + b*c.centre.E - a*c.centre.N,
			},
			Scale:    scale,
			Rotation: math.Atan2(b, a) * 180 / math.Pi,
		}
		l := c.length
		return s, []parameter{
			{"target origin E", s.Origin.E, "base", []float64{-c.centre.E / l, -c.centre.N / l, 1, 0}},
			{"target origin N", s.Origin.N, "base", []float64{-c.centre.N / l, c.centre.E / l, 0, 1}},
			{"scale", s.Scale, "base/site", []float64{a / scale / l, b / scale / l, 0, 0}},
			{"rotation", s.Rotation, "deg", []float64{-b / scale / scale / l * 180 / math.Pi, a / scale / scale / l * 180 / math.Pi, 0, 0}},
		}
	}
	return m.fitUnmirrored(pairs, opt)
}

// FitRigid fits a shift and a rotation from the site to the base grid, with the
// scale held: 1, or the combined factor of the job (grid distance / ground
// distance in one unit). It needs two pairs, and three or more to be checked.
// Weights are as for FitSimilarity.
//
// The rotation is that of the least squares,
//
//	θ = atan2(Σ w (Ns Eb - Es Nb), Σ w (Es Eb + Ns Nb))
//
// about the weighted centres. Source: Schönemann, A generalized solution of the
// orthogonal Procrustes problem, Psychometrika 31 (1966), for the plane; from
// memory.
func FitRigid(pairs []ControlPair, scale float64, opt FitOptions) (Fit[Similarity], error) {
	m := planeModel[Similarity]("shift and rotation", 3, 2)
	if !(scale > 1./3 && scale < 3) {
		return Fit[Similarity]{}, fmt.Errorf("%s: scale %v: want grid distance / ground distance in one unit, such as 1 or 0.99984", m.name, scale)
	}
	held := scale * opt.siteMetres() / opt.metres(true)
	m.first = func(points []point, sigma []float64, c frame) linear {
		var at, target grid.EN
		sum := 0.0
		for i, p := range points {
			x, y, w := c.local(p.at), c.observed(p), 1/sigma[i]/sigma[i]
			sum += w
			at.E, at.N, target.E, target.N = at.E+w*x.E, at.N+w*x.N, target.E+w*y[0], target.N+w*y[1]
		}
		var sin, cos float64
		for i, p := range points {
			x, y, w := c.local(p.at), c.observed(p), 1/sigma[i]/sigma[i]
			x.E, x.N, y[0], y[1] = x.E-at.E/sum, x.N-at.N/sum, y[0]-target.E/sum, y[1]-target.N/sum
			sin += w * (x.N*y[0] - x.E*y[1])
			cos += w * (x.E*y[0] + x.N*y[1])
		}
		theta := math.Atan2(sin, cos)
		sin, cos = math.Sincos(theta)
		k := held * c.length
		turned := func(x grid.EN) [2]float64 { return [2]float64{k * (cos*x.E + sin*x.N), k * (cos*x.N - sin*x.E)} }
		return linear{start: theta, known: turned, rows: func(x grid.EN) [][]float64 {
			v := turned(x)
			return [][]float64{{v[1], 1, 0}, {-v[0], 0, 1}}
		}}
	}
	m.finish = func(beta []float64, theta float64, c frame) (Similarity, []parameter) {
		s := Similarity{Scale: held, Rotation: (theta + beta[0]) * 180 / math.Pi}
		centre := s.Affine().Forward(c.centre) // with the origin at 0
		s.Origin = grid.EN{E: c.target.E + beta[1] - centre.E, N: c.target.N + beta[2] - centre.N}
		return s, []parameter{
			{"target origin E", s.Origin.E, "base", []float64{-centre.N, 1, 0}},
			{"target origin N", s.Origin.N, "base", []float64{centre.E, 0, 1}},
			{"rotation", s.Rotation, "deg", []float64{180 / math.Pi, 0, 0}},
		}
	}
	return m.fitUnmirrored(pairs, opt)
}

// fitUnmirrored fits a model that can't turn the plane over, and says so where
// the pairs fit far better with eastings and northings of the site swapped.
func (m *model[T]) fitUnmirrored(pairs []ControlPair, opt FitOptions) (Fit[T], error) {
	fit, err := m.fit(planePoints(pairs), opt)
	if err != nil || fit.S0 == nil {
		return fit, err
	}
	swapped := slices.Clone(pairs)
	for i, p := range pairs {
		swapped[i].Site = grid.EN{E: p.Site.N, N: p.Site.E}
	}
	opt, err = opt.withDefaults(m.name)
	if err != nil {
		return fit, err
	}
	if other, err := m.adjust(planePoints(swapped), opt); err == nil && other.S0 != nil && *other.S0 <= *fit.S0/10 {
		fit.note(Fact{Kind: FactSwapped, Value: *other.S0, Limit: *fit.S0})
	}
	return fit, nil
}

// FitAffine fits an affine transform from the site to the base grid, by least
// squares on the base coordinates; the observation equations are those of
// [Affine]. It needs three pairs that are not on a line, and four or more to be
// checked by anything. Weights are as for FitSimilarity, with the mean scale.
//
// An affinity found from few pairs often only soaks up their errors: hold its
// residuals against those of the similarity, and its A1 and B2, A2 and -B1 with
// their standard errors against each other.
//
// Source: Ghilani, Adjustment Computations, "Two-dimensional affine coordinate
// transformation".
func FitAffine(pairs []ControlPair, opt FitOptions) (Fit[Affine], error) {
	m := planeModel[Affine]("affine", 6, 3)
	m.width = true
	m.usable = Affine.validate
	m.linear.rows = func(x grid.EN) [][]float64 {
		return [][]float64{{x.E, x.N, 1, 0, 0, 0}, {0, 0, 0, x.E, x.N, 1}}
	}
	m.finish = func(beta []float64, _ float64, c frame) (Affine, []parameter) {
		l := c.length
		a := Affine{A1: beta[0] / l, A2: beta[1] / l, B1: beta[3] / l, B2: beta[4] / l}
		a.A0 = c.target.E + beta[2] - a.A1*c.centre.E - a.A2*c.centre.N
		a.B0 = c.target.N + beta[5] - a.B1*c.centre.E - a.B2*c.centre.N
		return a, []parameter{
			{"A0", a.A0, "base", []float64{-c.centre.E / l, -c.centre.N / l, 1, 0, 0, 0}},
			{"A1", a.A1, "base/site", []float64{1 / l, 0, 0, 0, 0, 0}},
			{"A2", a.A2, "base/site", []float64{0, 1 / l, 0, 0, 0, 0}},
			{"B0", a.B0, "base", []float64{0, 0, 0, -c.centre.E / l, -c.centre.N / l, 1}},
			{"B1", a.B1, "base/site", []float64{0, 0, 0, 1 / l, 0, 0}},
			{"B2", a.B2, "base/site", []float64{0, 0, 0, 0, 1 / l, 0}},
		}
	}
	fit, err := m.fit(planePoints(pairs), opt)
	if err == nil && fit.Params.mirrors() {
		fit.note(Fact{Kind: FactMirrored})
	}
	return fit, err
}

// FitGroundScale fits the combined factor of a ground scaling about a project
// point with given coordinates on the base grid. Where siteOrigin is nil the
// site coordinates of the project point are fitted too, which takes two pairs;
// otherwise they are held, which takes one pair away from the project point.
// Three or more are wanted for a check. Weights are as for FitSimilarity.
//
// North is held to be the same on both sides: a rotation of 10" moves a point by
// 5 mm over 100 m and shows up in the residuals. Fit a similarity to see it.
func FitGroundScale(pairs []ControlPair, origin grid.EN, siteOrigin *grid.EN, opt FitOptions) (Fit[GroundScale], error) {
	m := planeModel[GroundScale]("ground scale", 3, 2)
	for _, v := range []*grid.EN{&origin, siteOrigin} {
		if v != nil && !(math.Abs(v.E) <= maxCoordinate && math.Abs(v.N) <= maxCoordinate) {
			return Fit[GroundScale]{}, fmt.Errorf("%s: the project point at E %v N %v is no place on earth in any unit", m.name, v.E, v.N)
		}
	}
	unitRatio := opt.siteMetres() / opt.metres(true)
	m.usable = func(g GroundScale) error {
		if k := g.scale(); !(k >= minScale && k <= maxScale) {
			return fmt.Errorf("the combined factor comes out as %v", g.CombinedFactor)
		}
		return nil
	}
	m.linear.rows = func(x grid.EN) [][]float64 { return [][]float64{{x.E, 1, 0}, {x.N, 0, 1}} }
	if siteOrigin != nil {
		m.params, m.minPairs = 1, 1
		m.about = &frame{centre: *siteOrigin, target: origin}
		m.linear.rows = func(x grid.EN) [][]float64 { return [][]float64{{x.E}, {x.N}} }
	}
	m.finish = func(beta []float64, _ float64, c frame) (GroundScale, []parameter) {
		l := c.length
		k := beta[0] / l // base units per site unit
		g := GroundScale{Origin: origin, CombinedFactor: k / unitRatio, UnitRatio: unitRatio}
		factor := parameter{"combined factor", g.CombinedFactor, "", []float64{1 / l / unitRatio}}
		if siteOrigin != nil {
			g.SiteOrigin = *siteOrigin
			return g, []parameter{factor}
		}
		factor.jacobian = append(factor.jacobian, 0, 0)
		// origin = target + t + k (site origin - centre)
		dE, dN := origin.E-c.target.E-beta[1], origin.N-c.target.N-beta[2]
		g.SiteOrigin = grid.EN{E: c.centre.E + dE/k, N: c.centre.N + dN/k}
		return g, []parameter{
			factor,
			{"site origin E", g.SiteOrigin.E, "site", []float64{-dE / k / k / l, -1 / k, 0}},
			{"site origin N", g.SiteOrigin.N, "site", []float64{-dN / k / k / l, 0, -1 / k}},
		}
	}
	return m.fit(planePoints(pairs), opt)
}

// FitVerticalPlane fits an inclined plane to the differences of site and base
// heights, by least squares. It needs three pairs that are not on a line in
// plan, and four or more to be checked. The origin of the result is the middle
// of the control, rounded to a whole unit.
func FitVerticalPlane(pairs []HeightPair, opt FitOptions) (Fit[Vertical], error) {
	m := &model[Vertical]{name: "inclined plane", params: 3, minPairs: 3, width: true, axes: []string{"H"}}
	m.linear.rows = func(x grid.EN) [][]float64 { return [][]float64{{1, x.E, x.N}} }
	m.finish = func(beta []float64, _ float64, c frame) (Vertical, []parameter) {
		l := c.length
		v := Vertical{SlopeE: beta[1] / l, SlopeN: beta[2] / l, Origin: grid.EN{E: math.Round(c.centre.E), N: math.Round(c.centre.N)}}
		dE, dN := v.Origin.E-c.centre.E, v.Origin.N-c.centre.N
		v.Offset = c.target.E + beta[0] + v.SlopeE*dE + v.SlopeN*dN
		return v, []parameter{
			{"offset", v.Offset, "site", []float64{1, dE / l, dN / l}},
			{"slope E", v.SlopeE, "", []float64{0, 1 / l, 0}},
			{"slope N", v.SlopeN, "", []float64{0, 0, 1 / l}},
		}
	}
	return m.fit(heightPoints(pairs), opt)
}

// FitVerticalConstant fits a constant to the differences of site and base
// heights: their weighted mean. It needs one pair, and two or more to be checked.
func FitVerticalConstant(pairs []HeightPair, opt FitOptions) (Fit[Vertical], error) {
	m := &model[Vertical]{name: "vertical offset", params: 1, minPairs: 1, level: true, axes: []string{"H"}}
	m.linear.rows = func(grid.EN) [][]float64 { return [][]float64{{1}} }
	m.finish = func(beta []float64, _ float64, c frame) (Vertical, []parameter) {
		v := Vertical{Offset: c.target.E + beta[0], Origin: grid.EN{E: math.Round(c.centre.E), N: math.Round(c.centre.N)}}
		return v, []parameter{{"offset", v.Offset, "site", []float64{1}}}
	}
	return m.fit(heightPoints(pairs), opt)
}
