package site

import (
	"fmt"
	"math"

	"example.com/phototie/grid"
)

// Transform carries plane positions from a source system to a target system and
// back. Similarity, Affine and GroundScale are plain values that satisfy it.
//
// Which of the two is the site is not the transform's business: a Definition
// says it. All three are affine, and Inverse undoes Forward to the rounding of
// float64 (some 1e-9 m at coordinates of six million).
type Transform interface {
	// Forward carries a position from the source to the target.
	Forward(source grid.EN) grid.EN
	// Inverse carries a position from the target to the source.
	Inverse(target grid.EN) grid.EN
	// Affine returns the same transform by its six affine parameters.
	Affine() Affine
	// Validate reports what makes the parameters useless: a number that is not
	// finite, a scale that can't be one, axes that fall together.
	Validate() error
}

// The scale of a transform between two plane systems stays between these: no
// two units of length that surveys come in are further apart.
const (
	minScale = 1e-6
	maxScale = 1e6
)

// Similarity is the plane similarity transformation, EPSG method 9621:
//
//	Et = T0E + Es M cos θ + Ns M sin θ
//	Nt = T0N - Es M sin θ + Ns M cos θ
//
// with source (Es, Ns) and target (Et, Nt).
//
// Sign of the rotation, as EPSG has it: θ is the angle by which the axes of the
// source must be turned, counter-clockwise positive, to fall on the axes of the
// target. Said as a surveyor would: θ is the bearing, on the target grid, of the
// source's north axis. So grid bearing on the target = bearing on the source + θ.
//
// Source: IOGP Guidance Note 7-2, "Similarity transformation".
type Similarity struct {
	// Origin is the source's origin (0, 0) expressed in the target, in target
	// units (EPSG parameters 8621 and 8622).
	Origin grid.EN `json:"target_origin"`
	// Scale is M, the length of one source unit expressed in target units (EPSG
	// parameter 1061). It holds the ratio of the two units: from US survey feet
	// on the ground to a grid in metres it is near 0.3048.
	Scale float64 `json:"scale"`
	// Rotation is θ in degrees (EPSG parameter 8614).
	Rotation float64 `json:"rotation_deg"`
}

// matrix returns M cos θ and M sin θ.
func (s Similarity) matrix() (c, d float64) {
	sin, cos := math.Sincos(s.Rotation * math.Pi / 180)
	return s.Scale * cos, s.Scale * sin
}

// Forward carries a position from the source to the target.
func (s Similarity) Forward(p grid.EN) grid.EN {
	c, d := s.matrix()
	return grid.EN{E: s.Origin.E + p.E*c + p.N*d, N: s.Origin.N - p.E*d + p.N*c}
}

// Inverse carries a position from the target to the source:
//
//	Es = ((Et - T0E) cos θ - (Nt - T0N) sin θ) / M
//	Ns = ((Et - T0E) sin θ + (Nt - T0N) cos θ) / M
func (s Similarity) Inverse(p grid.EN) grid.EN {
	sin, cos := math.Sincos(s.Rotation * math.Pi / 180)
	dE, dN := p.E-s.Origin.E, p.N-s.Origin.N
	return grid.EN{E: (dE*cos - dN*sin) / s.Scale, N: (dE*sin + dN*cos) / s.Scale}
}

// Inverted returns the similarity that leads from the target to the source.
func (s Similarity) Inverted() Similarity {
	return Similarity{Origin: s.Inverse(grid.EN{}), Scale: 1 / s.Scale, Rotation: 0 - s.Rotation}
}

// Affine returns the same transform as EPSG method 9624.
func (s Similarity) Affine() Affine {
	c, d := s.matrix()
	return Affine{A0: s.Origin.E, A1: c, A2: d, B0: s.Origin.N, B1: -d, B2: c}
}

// Validate reports a parameter that is not finite and a scale outside 1e-6 to 1e6.
func (s Similarity) Validate() error {
	if !finite(s.Origin.E, s.Origin.N, s.Rotation) {
		return fmt.Errorf("similarity: origin E %v N %v, rotation %v: %w", s.Origin.E, s.Origin.N, s.Rotation, grid.ErrNotFinite)
	}
	if !(s.Scale >= minScale && s.Scale <= maxScale) {
		return fmt.Errorf("similarity: scale %v: want the length of one source unit in target units, such as 0.99984 (from %v to %v)", s.Scale, minScale, maxScale)
	}
	return nil
}

// Affine is the affine parametric transformation, EPSG method 9624:
//
//	Et = A0 + A1 Es + A2 Ns
//	Nt = B0 + B1 Es + B2 Ns
//
// with A0 and B0 in target units and the others in target units per source unit.
// Source: IOGP Guidance Note 7-2, "Affine parametric transformation".
type Affine struct {
	A0 float64 `json:"a0"`
	A1 float64 `json:"a1"`
	A2 float64 `json:"a2"`
	B0 float64 `json:"b0"`
	B1 float64 `json:"b1"`
	B2 float64 `json:"b2"`
}

// Forward carries a position from the source to the target.
func (a Affine) Forward(p grid.EN) grid.EN {
	return grid.EN{E: a.A0 + a.A1*p.E + a.A2*p.N, N: a.B0 + a.B1*p.E + a.B2*p.N}
}

// Inverse carries a position from the target to the source, by the rule of
// Cramer with D = A1 B2 - A2 B1.
func (a Affine) Inverse(p grid.EN) grid.EN {
	d := a.det()
	dE, dN := p.E-a.A0, p.N-a.B0
	return grid.EN{E: (a.B2*dE - a.A2*dN) / d, N: (a.A1*dN - a.B1*dE) / d}
}

// Inverted returns the affine transform that leads from the target to the source.
func (a Affine) Inverted() Affine {
	d := a.det()
	o := a.Inverse(grid.EN{})
	return Affine{A0: o.E, A1: a.B2 / d, A2: -a.A2 / d, B0: o.N, B1: -a.B1 / d, B2: a.A1 / d}
}

// Affine returns a itself.
func (a Affine) Affine() Affine { return a }

func (a Affine) det() float64 { return a.A1*a.B2 - a.A2*a.B1 }

// scaled multiplies the linear part.
func (a Affine) scaled(k float64) Affine {
	a.A1, a.A2, a.B1, a.B2 = k*a.A1, k*a.A2, k*a.B1, k*a.B2
	return a
}

// MeanScale returns the square root of |A1 B2 - A2 B1|: the scale of areas made
// a scale of lengths, in target units per source unit. For a similarity it is
// the scale in every direction.
func (a Affine) MeanScale() float64 { return math.Sqrt(math.Abs(a.det())) }

// NorthBearing returns the bearing on the target grid of the source's north
// axis, in degrees in (-180, 180].
func (a Affine) NorthBearing() float64 { return math.Atan2(a.A2, a.B2) * 180 / math.Pi }

// Mirrors reports whether the transform turns the plane over, as it does where
// eastings and northings of one side are swapped.
func (a Affine) Mirrors() bool { return a.det() < 0 }

// scales returns the largest and the smallest scale over all directions: the
// singular values of the matrix.
func (a Affine) scales() (large, small float64) {
	p := math.Hypot(a.A1+a.B2, a.A2-a.B1) / 2
	q := math.Hypot(a.A1-a.B2, a.A2+a.B1) / 2
	return p + q, math.Abs(p - q)
}

// Validate reports a parameter that is not finite, a scale outside 1e-6 to 1e6
// in any direction, and axes that nearly fall together.
func (a Affine) Validate() error {
	if !finite(a.A0, a.A1, a.A2, a.B0, a.B1, a.B2) {
		return fmt.Errorf("affine: A0 %v A1 %v A2 %v B0 %v B1 %v B2 %v: %w", a.A0, a.A1, a.A2, a.B0, a.B1, a.B2, grid.ErrNotFinite)
	}
	large, small := a.scales()
	if !(small >= minScale && large <= maxScale) || small < 1e-6*large {
		return fmt.Errorf("affine: the scale runs from %.3g to %.3g with the direction, so there is no way back: check A1, A2, B1, B2", small, large)
	}
	return nil
}

// GroundScale scales a grid about a project point, so that distances computed
// from site coordinates are distances on the ground:
//
//	grid E = origin E + k u (site E - site origin E)
//	grid N = origin N + k u (site N - site origin N)
//
// with k the combined factor and u the ratio of the units. Its source is the
// site and its target the base grid: Forward goes from the ground to the grid.
// North is the same on both.
//
// The offset that is often taken off ground coordinates, so that nobody takes
// them for grid coordinates, is the difference of the two origins; see
// NewGroundScale. Common practice in engineering surveys.
type GroundScale struct {
	// Origin is the project point on the base grid, in base units.
	Origin grid.EN `json:"origin"`
	// SiteOrigin is the same point in site coordinates, in site units.
	SiteOrigin grid.EN `json:"site_origin"`
	// CombinedFactor is k, grid distance / ground distance: point scale factor x
	// height factor, with no unit. Some offices hand out its reciprocal, the
	// ground factor; a project above the ellipsoid under a scale factor below 1
	// has a combined factor below 1.
	CombinedFactor float64 `json:"combined_factor"`
	// UnitRatio is u, the length of one site unit in base units. 0 stands for 1,
	// and New fills a 0 in from the two units.
	UnitRatio float64 `json:"unit_ratio,omitempty"`
}

// NewGroundScale returns the ground scaling about a project point where site
// and base grid have the same unit: the site coordinates are those of the grid
// scaled about the point, less truncation. A zero truncation leaves the project
// point with the same coordinates on both.
func NewGroundScale(origin grid.EN, combinedFactor float64, truncation grid.EN) GroundScale {
	return GroundScale{
		Origin:         origin,
		SiteOrigin:     grid.EN{E: origin.E - truncation.E, N: origin.N - truncation.N},
		CombinedFactor: combinedFactor,
		UnitRatio:      1,
	}
}

func (g GroundScale) scale() float64 {
	if g.UnitRatio == 0 {
		return g.CombinedFactor
	}
	return g.CombinedFactor * g.UnitRatio
}

// Forward carries a position from the site to the base grid.
func (g GroundScale) Forward(p grid.EN) grid.EN {
	k := g.scale()
	return grid.EN{E: g.Origin.E + k*(p.E-g.SiteOrigin.E), N: g.Origin.N + k*(p.N-g.SiteOrigin.N)}
}

// Inverse carries a position from the base grid to the site.
func (g GroundScale) Inverse(p grid.EN) grid.EN {
	k := g.scale()
	return grid.EN{E: g.SiteOrigin.E + (p.E-g.Origin.E)/k, N: g.SiteOrigin.N + (p.N-g.Origin.N)/k}
}

// Affine returns the same transform as EPSG method 9624.
func (g GroundScale) Affine() Affine {
	k := g.scale()
	return Affine{A0: g.Origin.E - k*g.SiteOrigin.E, A1: k, B0: g.Origin.N - k*g.SiteOrigin.N, B2: k}
}

// Validate reports a parameter that is not finite, a combined factor outside
// 1/3 to 3 and a scale outside 1e-6 to 1e6. The limits of the factor leave room
// for any projection in use at any height on earth.
func (g GroundScale) Validate() error {
	if !finite(g.Origin.E, g.Origin.N, g.SiteOrigin.E, g.SiteOrigin.N) {
		return fmt.Errorf("ground scale: origin E %v N %v, site origin E %v N %v: %w", g.Origin.E, g.Origin.N, g.SiteOrigin.E, g.SiteOrigin.N, grid.ErrNotFinite)
	}
	if !(g.CombinedFactor > 1./3 && g.CombinedFactor < 3) {
		return fmt.Errorf("ground scale: combined factor %v: want grid distance / ground distance in one unit, such as 0.99984 (from 1/3 to 3); the ratio of the units goes into the unit ratio", g.CombinedFactor)
	}
	if !(g.UnitRatio >= 0) || !finite(g.UnitRatio) {
		return fmt.Errorf("ground scale: unit ratio %v: want the length of one site unit in base units, or 0 to leave it to the units", g.UnitRatio)
	}
	if k := g.scale(); !(k >= minScale && k <= maxScale) {
		return fmt.Errorf("ground scale: unit ratio %v: no two units of length are that far apart", g.UnitRatio)
	}
	return nil
}

func finite(v ...float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
