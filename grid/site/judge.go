package site

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/floats"

	"example.com/phototie/grid"
)

// FactKind is what a Fact says.
type FactKind string

// The facts of a fit.
const (
	// FactUnchecked: there are no more observations than unknowns, Limit of them,
	// so nothing checks the pairs.
	FactUnchecked FactKind = "unchecked"
	// FactUnlocatable: the control checks itself, but without any one pair it no
	// longer would. So a bad pair among Pairs shows, and can't be located.
	FactUnlocatable FactKind = "outlier-not-locatable"
	// FactOverTolerance: no standard errors are stated, and the residuals of Pairs
	// are over the survey's tolerance: Value is the largest in metres, Limit the
	// tolerance.
	FactOverTolerance FactKind = "over-tolerance"
	// FactOverErrors: the residuals are larger than the stated standard errors
	// allow: Value is S0, which should be near 1, Limit the probability of one as
	// large.
	FactOverErrors FactKind = "over-stated-errors"
	// FactExact: the residuals are at the rounding of the coordinates.
	FactExact FactKind = "exact"
	// FactSwapped: the pairs fit far better with eastings and northings of one
	// side swapped: S0 is Limit as they are, and Value then.
	FactSwapped FactKind = "axes-swapped"
	// FactMirrored: the fitted transform mirrors the plane.
	FactMirrored FactKind = "mirrored"
	// FactOutlierRivals: the first of Pairs is an outlier and was not rejected,
	// since any other of them may as well be.
	FactOutlierRivals FactKind = "outlier-rivals"
	// FactOutlierLimit: the pair was not rejected since Limit have been.
	FactOutlierLimit FactKind = "outlier-limit"
	// FactOutlierNeeded: the pair was not rejected since the rest does not
	// determine the model, for the Reason given.
	FactOutlierNeeded FactKind = "outlier-needed"
)

// Fact is something that the user of a fit should know.
type Fact struct {
	Kind FactKind `json:"kind"`
	// Pairs are the ids of the pairs concerned.
	Pairs []string `json:"pairs,omitempty"`
	// Value and Limit are the figures, as the kind says.
	Value float64 `json:"value,omitempty"`
	Limit float64 `json:"limit,omitempty"`
	// Reason is an error in words.
	Reason string `json:"reason,omitempty"`
}

// Fails reports whether the control does not fit: what is transformed with these
// parameters is not to be relied upon.
func (f Fact) Fails() bool {
	switch f.Kind {
	case FactOverTolerance, FactOverErrors, FactSwapped, FactMirrored:
		return true
	}
	return false
}

// String says the fact in a sentence, with lengths in metres.
func (f Fact) String() string { return f.In(grid.Metre) }

// In says it with lengths in a unit.
func (f Fact) In(u grid.Unit) string {
	list := strings.Join(f.Pairs, ", ")
	switch f.Kind {
	case FactUnchecked:
		return fmt.Sprintf("There is no redundancy: %d pairs just determine the %.0f parameters, so nothing checks them.", len(f.Pairs), f.Limit)
	case FactUnlocatable:
		return fmt.Sprintf("A bad pair among %d can't be located: without any one of them nothing checks the rest. One more pair would tell.", len(f.Pairs))
	case FactOverTolerance:
		return fmt.Sprintf("The control does not fit: residuals of up to %.3f %s (%s) are over the tolerance of %s.", f.Value/u.Metres, u.Symbol, list, stated(f.Limit, u))
	case FactOverErrors:
		return fmt.Sprintf("The control does not fit as well as it states: the standard error of unit weight is %.2f and should be near 1 (probability %.1g).", f.Value, f.Limit)
	case FactExact:
		return "The residuals are at the rounding of the coordinates: the pairs agree exactly, so there is nothing to test. Was one side computed from the other?"
	case FactSwapped:
		return fmt.Sprintf("With eastings and northings of the site swapped, S0 falls from %.3g to %.3g: are the columns swapped on one side?", f.Limit, f.Value)
	case FactMirrored:
		return "The fitted transform mirrors the plane: are eastings and northings swapped on one side?"
	case FactOutlierRivals:
		return fmt.Sprintf("Pair %s was not rejected: %s may as well be the bad one. More control would tell them apart.", f.Pairs[0], strings.Join(f.Pairs[1:], ", "))
	case FactOutlierLimit:
		return fmt.Sprintf("Pair %s was not rejected: %.0f rejected is the limit that was set. With so many bad pairs look for a common cause first.", list, f.Limit)
	case FactOutlierNeeded:
		return fmt.Sprintf("Pair %s was not rejected: without it the control does not determine the model (%s).", list, f.Reason)
	}
	return string(f.Kind)
}

func (f *Fit[T]) note(fact Fact) { f.Facts = append(f.Facts, fact) }

// Fails reports whether the control does not fit: a pair is suspect, or one of
// the facts says so.
func (f Fit[T]) Fails() bool {
	return len(f.Suspects) > 0 || slices.ContainsFunc(f.Facts, Fact.Fails)
}

// judge holds a fit against the tolerance and against what a survey can have.
func (m *model[T]) judge(fit *adjusted[T], points []point, opt FitOptions) error {
	if q, dof := len(m.axes), fit.DegreesOfFreedom; dof > 0 && dof <= q {
		fit.note(Fact{Kind: FactUnlocatable, Pairs: ids(points)})
	}
	metres := opt.metres(m.plane())
	if !fit.SigmaKnown {
		over := Fact{Kind: FactOverTolerance, Limit: opt.Tolerance}
		for _, r := range fit.Residuals() {
			if length := r.Length * metres; length > opt.Tolerance {
				over.Pairs, over.Value = append(over.Pairs, r.ID), max(over.Value, length)
			}
		}
		if over.Pairs != nil {
			fit.note(over)
		}
	} else if g := fit.Global; g != nil && g.P < opt.Significance {
		fit.note(Fact{Kind: FactOverErrors, Value: *fit.S0, Limit: g.P})
	}
	if opt.Base == nil || !m.plane() {
		return nil
	}
	return m.plausible(fit, affineOf(fit.Params), points, opt)
}

// affineOf gives the plane parameters of a fit as those of an affine transform.
func affineOf(params any) Affine {
	if p, ok := params.(interface{ Affine() Affine }); ok {
		return p.Affine()
	}
	return params.(Affine)
}

// What a scale may be off the point scale of the base grid, besides what the
// tolerance makes of it: a height of 9 km on the ground makes 0.14 %. And what
// the axes of an affine transform may differ by.
const (
	scaleRoom = 0.002
	skewRoom  = 0.01
)

// ImplausibleError reports control whose fit has a scale or a rotation that no
// survey has. Find it by errors.As.
type ImplausibleError struct {
	// Quantity is what is implausible: "scale", "skew" or "rotation".
	Quantity string
	text     string
}

// Error says what comes out, what a survey could have, and which pairs fit the
// others worst, as far as it can be told.
func (e *ImplausibleError) Error() string { return e.text }

// plausible refuses a scale that is not the grid's own, but for the height of
// the ground, and a rotation where the site's coordinates are the grid's own,
// less a round number, but for the convergence.
func (m *model[T]) plausible(fit *adjusted[T], a Affine, points []point, opt FitOptions) error {
	fail := func(quantity string, value, low, high float64) error {
		if value >= low && value <= high {
			return nil
		}
		s := fmt.Sprintf("%s: the %s comes out as %.5g, where a survey on this grid has %.5g to %.5g: check the coordinates of the control on both sides, the units and the grid", m.name, quantity, value, low, high)
		sep := "; "
		for _, suspect := range fit.Suspects {
			s, sep = s+sep+suspect.ID, ", "
		}
		if len(fit.Suspects) > 0 {
			s += " fits the others worst"
		}
		return &ImplausibleError{quantity, s}
	}
	about := mean(points, func(p point) grid.EN { return p.target })
	if m.about != nil {
		about = m.about.target
	}
	local := grid.Factors{PointScale: 1}
	slack := skewRoom // how far off the point scale may be that is not known
	if geo, ok := opt.Base.(grid.Geodesist); ok {
		if f, err := geo.Factors(about); err == nil {
			local, slack = f, 0
		}
	}
	lengths := make([]float64, len(points))
	for i, p := range points {
		lengths[i] = distance(p.target, about)
	}
	byTolerance := opt.Tolerance / (floats.Norm(lengths, 2) / math.Sqrt(float64(len(points))) * opt.metres(true))
	units := opt.siteMetres() / opt.metres(true)
	large, small := a.scales()
	room := scaleRoom + slack + byTolerance
	if err := fail("scale", a.MeanScale()/units, local.PointScale*(1-room), local.PointScale*(1+room)); err != nil {
		return err
	}
	if err := fail("skew", large/small-1, 0, skewRoom+2*byTolerance); err != nil || slack > 0 || !roundOffset(points, units) {
		return err
	}
	// The convergence either way, and grid north.
	turn := rotationRoom + byTolerance*180/math.Pi
	for _, north := range []float64{0, local.Convergence, -local.Convergence} {
		if math.Abs(a.NorthBearing()-north) <= turn {
			return nil
		}
	}
	return fail("rotation", a.NorthBearing(), -turn, turn)
}

// rotationRoom is what a rotation in degrees may be off where there should be
// none, and round what coordinates are truncated by.
const (
	rotationRoom = 0.05
	round        = 50000
	roundRoom    = 500
)

// roundOffset reports whether the site's coordinates are those of the base less
// a multiple of 50 000 units, as coordinates on the ground are made: all within
// 500 units of it, which is by chance in one of 2,500 systems.
func roundOffset(points []point, units float64) bool {
	for _, p := range points {
		for _, d := range []float64{p.target.E/units - p.at.E, p.target.N/units - p.at.N} {
			if math.Abs(math.Remainder(d, round)) > roundRoom {
				return false
			}
		}
	}
	return true
}

// Precision says how good a position is that a fitted transform leads to. With
// the distance from Centre in site coordinates, dE and dN, its standard error in
// metres, both axes together, is
//
//	sqrt(AtCentre² + EE dE² + 2 EN dE dN + NN dN²)
//
// from the law of propagation of errors: smallest in the middle of the control
// and growing outside it. The error of the position itself comes on top. Where
// no standard errors were stated it rests on the residuals, and is widened for
// few degrees of freedom so that 95 % are within 1.96 times of it (Student's t).
type Precision struct {
	Centre   grid.EN `json:"centre"`
	AtCentre float64 `json:"at_centre_m"`
	EE       float64 `json:"ee"`
	EN       float64 `json:"en"`
	NN       float64 `json:"nn"`
}

// At returns the standard error in metres at a place in site coordinates.
func (p Precision) At(site grid.EN) float64 {
	dE, dN := site.E-p.Centre.E, site.N-p.Centre.N
	return math.Sqrt(max(p.AtCentre*p.AtCentre+p.EE*dE*dE+2*p.EN*dE*dN+p.NN*dN*dN, 0))
}

// precision finds the parts of a variance that is a quadratic function of local
// coordinates, from its values at six places.
func precision(c frame, variance func(local grid.EN) float64) *Precision {
	at := func(e, n float64) float64 { return variance(grid.EN{E: e, N: n}) }
	o, e, w, n, s, ne := at(0, 0), at(1, 0), at(-1, 0), at(0, 1), at(0, -1), at(1, 1)
	ee, nn := (e+w)/2-o, (n+s)/2-o
	ge, gn := (e-w)/2, (n-s)/2
	en := (ne - o - ge - gn - ee - nn) / 2
	// The lowest place is where the gradient g + 2 H x is 0.
	var x grid.EN
	if det := ee*nn - en*en; det > 1e-12*max(ee, nn)*max(ee, nn) {
		x = grid.EN{E: (en*gn - nn*ge) / (2 * det), N: (en*ge - ee*gn) / (2 * det)}
	}
	l := c.length
	return &Precision{
		Centre:   grid.EN{E: c.centre.E + x.E*l, N: c.centre.N + x.N*l},
		AtCentre: math.Sqrt(max(o+(ge*x.E+gn*x.N)/2, 0)),
		EE:       ee / l / l, EN: en / l / l, NN: nn / l / l,
	}
}
