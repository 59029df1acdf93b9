package site

import (
	"fmt"

	"example.com/phototie/grid"
)

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

// difference is site height minus base height.
func (v Vertical) difference(at grid.EN) float64 {
	return v.Offset + v.SlopeE*(at.E-v.Origin.E) + v.SlopeN*(at.N-v.Origin.N)
}

// SiteHeight returns the site height that belongs to a base height at a place
// in site coordinates.
func (v Vertical) SiteHeight(base float64, at grid.EN) float64 { return base + v.difference(at) }

// BaseHeight returns the base height that belongs to a site height at a place
// in site coordinates. It is the inverse of SiteHeight.
func (v Vertical) BaseHeight(site float64, at grid.EN) float64 { return site - v.difference(at) }

// maxSlope is the steepest plane taken: geoids stay below some 0.0005.
const maxSlope = 0.1

// Validate reports a parameter that is not finite and a slope that no two
// height systems have between them (over 0.1).
func (v Vertical) Validate() error {
	if !finite(v.Offset, v.SlopeE, v.SlopeN, v.Origin.E, v.Origin.N) {
		return fmt.Errorf("vertical: offset %v, slopes E %v N %v, origin E %v N %v: %w", v.Offset, v.SlopeE, v.SlopeN, v.Origin.E, v.Origin.N, grid.ErrNotFinite)
	}
	if s := max(v.SlopeE, -v.SlopeE, v.SlopeN, -v.SlopeN); s > maxSlope {
		return fmt.Errorf("vertical: a slope of %v is over %v: slopes are heights per length, so 5 ppm is 0.000005", s, maxSlope)
	}
	return nil
}
