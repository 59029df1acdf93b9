package site

import (
	"fmt"
	"math"

	"example.com/phototie/grid"
)

// MeanRadius is the mean radius of the earth in metres for height factors where
// a local one is not called for (20 906 000 ft). Source: NOAA Manual NOS NGS 5,
// State Plane Coordinate System of 1983, section 4 (from memory). Across the
// United States a local radius changes the factor by less than 1 ppm at 2000 m.
const MeanRadius = 6372000.0

// HeightFactor returns R / (R + h), the ratio of a distance on the ellipsoid to
// the same at ellipsoidal height h, for a radius R; both are in metres, or in
// any other unit they share. It is also called the elevation factor.
//
// The height is the ellipsoidal one, h = H + N with the orthometric height H and
// the geoid height N. A factor from H alone is off by N/R: 4.7 ppm for a geoid
// 30 m from the ellipsoid.
//
// Source: NOAA Manual NOS NGS 5, section 4 (from memory).
func HeightFactor(h, radius float64) (float64, error) {
	if !finite(h, radius) || radius <= 0 || radius+h <= 0 {
		return 0, fmt.Errorf("height factor: height %v over a radius of %v: want a positive radius, such as %.0f m, and a height in the same unit", h, radius, MeanRadius)
	}
	return radius / (radius + h), nil
}

// CombinedFactor returns point scale x height factor: grid distance / ground
// distance for a short line at one place.
func CombinedFactor(pointScale, heightFactor float64) (float64, error) {
	k := pointScale * heightFactor
	if !finite(k) || pointScale <= 0 || heightFactor <= 0 {
		return 0, fmt.Errorf("combined factor: point scale %v, height factor %v: want two positive numbers near 1", pointScale, heightFactor)
	}
	return k, nil
}

// PointFactors are the factors between grid, ellipsoid and ground at one place.
type PointFactors struct {
	// PointScale is grid / ellipsoid.
	PointScale float64 `json:"point_scale"`
	// HeightFactor is ellipsoid / ground.
	HeightFactor float64 `json:"height_factor"`
	// CombinedFactor is grid / ground.
	CombinedFactor float64 `json:"combined_factor"`
	// Height is the ellipsoidal height in metres that was given.
	Height float64 `json:"height_m"`
	// Radius is the radius in metres that was used.
	Radius float64 `json:"radius_m"`
}

// MeasuredProjection is a projection that can also measure on its ellipsoid.
type MeasuredProjection interface {
	grid.Projection
	grid.Geodesist
}

// FactorsAt returns the factors at a place on the grid of p for an ellipsoidal
// height in metres. A radius of 0 takes the Gaussian mean radius of the grid's
// ellipsoid at the place, as grid.Compare does. The combined factor at the
// project point is what a GroundScale is made of.
func FactorsAt(p MeasuredProjection, at grid.EN, height, radius float64) (PointFactors, error) {
	fail := func(err error) (PointFactors, error) {
		return PointFactors{}, fmt.Errorf("factors at E %v N %v: %w", at.E, at.N, err)
	}
	if p == nil {
		return fail(fmt.Errorf("there is no projection"))
	}
	f, err := p.Factors(at)
	if err != nil {
		return fail(err)
	}
	if radius == 0 {
		own, err := p.Geographic(at)
		if err != nil {
			return fail(err)
		}
		radius = p.Grid().Ellipsoid.GaussianRadius(own.Lat)
	}
	hf, err := HeightFactor(height, radius)
	if err != nil {
		return fail(err)
	}
	k, err := CombinedFactor(f.PointScale, hf)
	if err != nil {
		return fail(err)
	}
	return PointFactors{PointScale: f.PointScale, HeightFactor: hf, CombinedFactor: k, Height: height, Radius: radius}, nil
}

// PPM returns a factor as its distance from 1 in parts per million, as job
// sheets have it: 0.999872 is -128 ppm.
func PPM(factor float64) float64 { return (factor - 1) * 1e6 }

// signedDegrees brings an angle into (-180, 180].
func signedDegrees(a float64) float64 {
	a = math.Remainder(a, 360)
	if a == -180 {
		return 180
	}
	return a + 0 // no minus zero
}
