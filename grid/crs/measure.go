package crs

import (
	"fmt"
	"math"

	"github.com/twpayne/go-proj/v11"

	"example.com/phototie/grid"
)

// Geographic returns the position of a place on the grid in the grid's own
// geodetic frame; see [CRS.FromPlane].
func (c *CRS) Geographic(at grid.EN) (grid.LatLon, error) {
	p, err := c.FromPlane([]grid.EN{at})
	if err != nil {
		return grid.LatLon{}, err
	}
	return p[0], nil
}

// Geodesic returns the geodesic from a to b, both on the grid, on the ellipsoid
// of the grid's own frame. PROJ computes it with the routines of GeographicLib
// (C. F. F. Karney, Algorithms for geodesics, Journal of Geodesy 87, 2013).
// Between two equal places it has no length, and its azimuths say nothing.
func (c *CRS) Geodesic(a, b grid.EN) (grid.Geodesic, error) {
	p, err := c.FromPlane([]grid.EN{a, b})
	if err != nil {
		return grid.Geodesic{}, err
	}
	return c.geodesic(p[0], p[1])
}

func (c *CRS) geodesic(a, b grid.LatLon) (g grid.Geodesic, err error) {
	err = c.withWorker(func(w *worker) error {
		op, err := w.operation(c.ellipsoid)
		if err != nil {
			return fmt.Errorf("ellipsoid of %s: %w", c.grid.Name, err)
		}
		const rad = math.Pi / 180
		s, forward, onward := op.Geod(proj.Coord{a.Lon * rad, a.Lat * rad}, proj.Coord{b.Lon * rad, b.Lat * rad})
		g = grid.Geodesic{Distance: s, Azimuth: turn(forward), BackAzimuth: turn(onward + 180)}
		return nil
	})
	return g, err
}

// turn brings an azimuth into [0, 360).
func turn(azimuth float64) float64 { return grid.NewBearing(azimuth).Degrees() }

// stencil is the step of the numerical derivatives in degrees, some 600 m on
// the ground. With five points the error of the method is of the order of 1e-16
// and that of rounding 1e-11.
const stencil = 1e-4 * 180 / math.Pi

// Factors returns convergence and scales at a place on the grid.
//
// They come from the derivatives of easting and northing along the meridian and
// the parallel, by the five-point formula (Abramowitz and Stegun, 25.3.6), so
// they follow the CRS as it is defined, its axes and units included. With M and
// N the radii of curvature in the meridian and the prime vertical:
//
//	convergence      = -atan2(dE/dlat, dN/dlat)
//	meridional scale = hypot(dE/dlat, dN/dlat) / M
//	parallel scale   = hypot(dE/dlon, dN/dlon) / (N cos lat)
//	point scale      = sqrt(meridional scale x parallel scale)
//
// and the largest and smallest scale from the same derivatives, by
// [grid.Indicatrix].
//
// Source: J. P. Snyder, Map Projections, a Working Manual (USGS Professional
// Paper 1395), section 4. Within a kilometre or so of a pole the meridian is
// followed at that distance from it. The error wraps [grid.ErrOutside] where the
// projection does not hold the place or its surroundings.
func (c *CRS) Factors(at grid.EN) (grid.Factors, error) {
	p, err := c.Geographic(at)
	if err != nil {
		return grid.Factors{}, err
	}
	lat := max(min(p.Lat, 90-2*stencil), -90+2*stencil)
	var around [8]grid.LatLon
	for i, k := range [4]float64{-2, -1, 1, 2} {
		around[i] = grid.LatLon{Lat: lat + k*stencil, Lon: p.Lon}
		around[4+i] = grid.LatLon{Lat: lat, Lon: wrap(p.Lon + k*stencil)}
	}
	around[0].Lat, around[3].Lat = max(around[0].Lat, -90), min(around[3].Lat, 90)
	en, err := c.ToPlane(around[:])
	if err != nil {
		return grid.Factors{}, fmt.Errorf("around position E %v N %v: %w", at.E, at.N, err)
	}
	eLat, nLat, err := derivative(en[:4])
	if err == nil {
		var eLon, nLon float64
		if eLon, nLon, err = derivative(en[4:]); err == nil {
			return c.factors(lat, eLat, nLat, eLon, nLon), nil
		}
	}
	return grid.Factors{}, fmt.Errorf("position E %v N %v on %s: %w", at.E, at.N, c.grid.Name, err)
}

func (c *CRS) factors(lat, eLat, nLat, eLon, nLon float64) grid.Factors {
	sin, cos := math.Sincos(lat * math.Pi / 180)
	var e2 float64
	if rf := c.grid.Ellipsoid.InverseFlattening; rf != 0 {
		e2 = (2 - 1/rf) / rf
	}
	t := 1 - e2*sin*sin
	prime := c.grid.Ellipsoid.SemiMajor / math.Sqrt(t)
	meridian := prime * (1 - e2) / t
	unit := c.grid.Unit.Metres
	h := math.Hypot(eLat, nLat) * unit / meridian
	k := math.Hypot(eLon, nLon) * unit / (prime * cos)
	// Grid metres for a metre to the true north, and for one to the east.
	eNorth, nNorth := eLat*unit/meridian, nLat*unit/meridian
	eEast, nEast := eLon*unit/(prime*cos), nLon*unit/(prime*cos)
	f := grid.Factors{
		Convergence: -math.Atan2(eLat, nLat)*180/math.Pi + 0,
		PointScale:  math.Sqrt(h * k),
	}
	f.MaxScale, f.MinScale, f.MaxBearing = grid.Indicatrix(eEast*eEast+eNorth*eNorth, eEast*nEast+eNorth*nNorth, nEast*nEast+nNorth*nNorth)
	return f
}

// derivative returns dE and dN per radian from four positions around a place. A
// seam of the map between them, where the map is torn, gives an error.
func derivative(p []grid.EN) (e, n float64, err error) {
	const h = stencil * math.Pi / 180
	wideE, wideN := (p[3].E-p[0].E)/(4*h), (p[3].N-p[0].N)/(4*h)
	nearE, nearN := (p[2].E-p[1].E)/(2*h), (p[2].N-p[1].N)/(2*h)
	e, n = (4*nearE-wideE)/3, (4*nearN-wideN)/3
	if math.Hypot(wideE-nearE, wideN-nearN) > 1e-3*math.Hypot(e, n) {
		return 0, 0, fmt.Errorf("the map is not smooth here: %w", grid.ErrOutside)
	}
	return e, n, nil
}
