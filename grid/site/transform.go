package site

import (
	"cmp"
	"fmt"
	"math"

	"example.com/phototie/grid"
)

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

// Affine returns the same transform as EPSG method 9624.
func (s Similarity) Affine() Affine {
	sin, cos := math.Sincos(s.Rotation * math.Pi / 180)
	c, d := s.Scale*cos, s.Scale*sin
	return Affine{A0: s.Origin.E, A1: c, A2: d, B0: s.Origin.N, B1: -d, B2: c}
}

func (s Similarity) validate() error {
	if !grid.Finite(s.Origin.E, s.Origin.N, s.Rotation) {
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

// Forward transforms a position from the source to the target.
func (a Affine) Forward(p grid.EN) grid.EN {
	return grid.EN{E: a.A0 + a.A1*p.E + a.A2*p.N, N: a.B0 + a.B1*p.E + a.B2*p.N}
}

// Inverse transforms a position from the target to the source, by the rule of
// Cramer with D = A1 B2 - A2 B1. It undoes Forward to the rounding of float64,
// some 1e-9 m at coordinates of six million.
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

func (a Affine) det() float64 { return a.A1*a.B2 - a.A2*a.B1 }

// MeanScale returns the square root of |A1 B2 - A2 B1|: the scale of areas made
// a scale of lengths, in target units per source unit. For a similarity it is
// the scale in every direction.
func (a Affine) MeanScale() float64 { return math.Sqrt(math.Abs(a.det())) }

// NorthBearing returns the bearing on the target grid of the source's north
// axis, in degrees in (-180, 180].
func (a Affine) NorthBearing() float64 { return math.Atan2(a.A2, a.B2) * 180 / math.Pi }

// mirrors reports whether the transform turns the plane over, as it does where
// eastings and northings of one side are swapped.
func (a Affine) mirrors() bool { return a.det() < 0 }

// scales returns the largest and the smallest scale over all directions: the
// singular values of the matrix.
func (a Affine) scales() (large, small float64) {
	p := math.Hypot(a.A1+a.B2, a.A2-a.B1) / 2
	q := math.Hypot(a.A1-a.B2, a.A2+a.B1) / 2
	return p + q, math.Abs(p - q)
}

func (a Affine) validate() error {
	if !grid.Finite(a.A0, a.A1, a.A2, a.B0, a.B1, a.B2) {
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
// with k the combined factor and u the ratio of the units. North is the same on
// both. The combined factor at a place is that of [grid.GroundDistance].
//
// The offset that is often taken off ground coordinates, so that nobody takes
// them for grid coordinates, is the difference of the two origins. Common practice
// in engineering surveys.
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
	// UnitRatio is u, the length of one site unit in base units. 0 means 1,
	// and New fills a 0 in from the two units.
	UnitRatio float64 `json:"unit_ratio,omitempty"`
}

// Affine returns the transform from the site to the base grid as EPSG method 9624.
func (g GroundScale) Affine() Affine {
	k := g.scale()
	return Affine{A0: g.Origin.E - k*g.SiteOrigin.E, A1: k, B0: g.Origin.N - k*g.SiteOrigin.N, B2: k}
}

func (g GroundScale) scale() float64 { return g.CombinedFactor * cmp.Or(g.UnitRatio, 1) }

// validate: the limits of the combined factor leave room for any projection in use
// at any height on earth.
func (g GroundScale) validate() error {
	if !grid.Finite(g.Origin.E, g.Origin.N, g.SiteOrigin.E, g.SiteOrigin.N) {
		return fmt.Errorf("ground scale: origin E %v N %v, site origin E %v N %v: %w", g.Origin.E, g.Origin.N, g.SiteOrigin.E, g.SiteOrigin.N, grid.ErrNotFinite)
	}
	if !(g.CombinedFactor > 1./3 && g.CombinedFactor < 3) {
		return fmt.Errorf("ground scale: combined factor %v: want grid distance / ground distance in one unit, such as 0.99984 (from 1/3 to 3); the ratio of the units goes into the unit ratio", g.CombinedFactor)
	}
	if !(g.UnitRatio >= 0) || !grid.Finite(g.UnitRatio) {
		return fmt.Errorf("ground scale: unit ratio %v: want the length of one site unit in base units, or 0 to leave it to the units", g.UnitRatio)
	}
	if k := g.scale(); !(k >= minScale && k <= maxScale) {
		return fmt.Errorf("ground scale: unit ratio %v: no two units of length are that far apart", g.UnitRatio)
	}
	return nil
}

// Vertical ties heights of the site to heights of the base:
//
//	site height = base height + Offset + SlopeE (E - origin E) + SlopeN (N - origin N)
//
// with E and N in site coordinates. Zero slopes make it a constant; otherwise
// it is an inclined plane, which over a site takes up the slope of the geoid.
//
// Both heights and the offset are in the site's unit, and upwards is positive.
// Slopes are heights per length, so they have no unit: 5 ppm is 0.000005. What
// the base height counts from (the ellipsoid, a geoid model) is what it counted
// from when the plane was found; the value doesn't know.
//
// It is the plane form of EPSG method 1046, "Vertical Offset and Slope", whose
// slopes are angles in seconds of arc along the meridian and the parallel.
type Vertical struct {
	// Offset is site height minus base height at Origin.
	Offset float64 `json:"offset"`
	// SlopeE is the growth of that difference for one unit to the east.
	SlopeE float64 `json:"slope_e"`
	// SlopeN is the growth of that difference for one unit to the north.
	SlopeN float64 `json:"slope_n"`
	// Origin is where the offset holds, in site coordinates.
	Origin grid.EN `json:"origin"`
}

// Difference returns site height minus base height at a place in site coordinates.
func (v Vertical) Difference(at grid.EN) float64 {
	return v.Offset + v.SlopeE*(at.E-v.Origin.E) + v.SlopeN*(at.N-v.Origin.N)
}

// maxSlope is the steepest plane taken: geoids stay below some 0.0005.
const maxSlope = 0.1

func (v Vertical) validate() error {
	if !grid.Finite(v.Offset, v.SlopeE, v.SlopeN, v.Origin.E, v.Origin.N) {
		return fmt.Errorf("vertical: offset %v, slopes E %v N %v, origin E %v N %v: %w", v.Offset, v.SlopeE, v.SlopeN, v.Origin.E, v.Origin.N, grid.ErrNotFinite)
	}
	if s := max(v.SlopeE, -v.SlopeE, v.SlopeN, -v.SlopeN); s > maxSlope {
		return fmt.Errorf("vertical: a slope of %v is over %v: slopes are heights per length, so 5 ppm is 0.000005", s, maxSlope)
	}
	return nil
}
