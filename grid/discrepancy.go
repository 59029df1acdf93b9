package grid

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Discrepancy is the difference between a tag and its point, tag minus point.
// Lengths on the grid are in Unit; lengths on the ellipsoid in metres.
type Discrepancy struct {
	// DE and DN are tag minus point in easting and northing.
	DE float64 `json:"d_e"`
	DN float64 `json:"d_n"`
	// Distance is the plane distance, hypot(DE, DN).
	Distance float64 `json:"distance"`
	// Unit is the unit of DE, DN and Distance.
	Unit Unit `json:"unit"`
	// Bearing is the plane bearing from the point to the tag. It is undefined
	// where Distance is below the resolution of the coordinates.
	Bearing Bearing `json:"bearing_deg"`

	// The rest needs a Geodesist and is nil without one.

	// True is the difference in metres at true scale: the grid's divided by the
	// scale at the point, along each axis by its own where the grid is not
	// conformal. It is what a budget in metres judges.
	True *TrueDiscrepancy `json:"true,omitempty"`
	// Geodesic is the shortest line on the ellipsoid from the point to the tag.
	Geodesic *GeodesicLine `json:"geodesic,omitempty"`
	// Convergence is the meridian convergence at the point in degrees, from true
	// north to grid north, clockwise positive. The arc-to-chord correction,
	// which also parts azimuth from bearing, is left out.
	Convergence *float64 `json:"convergence_deg,omitempty"`
	// PointScale is the point scale factor at the point.
	PointScale *float64 `json:"point_scale,omitempty"`
	// Ground is the distance on the ground; nil also where no height was given.
	Ground *GroundDistance `json:"ground,omitempty"`
}

// TrueDiscrepancy is a difference at true scale, tag minus point in metres along
// the grid's axes.
type TrueDiscrepancy struct {
	DE       float64 `json:"d_e_m"`
	DN       float64 `json:"d_n_m"`
	Distance float64 `json:"distance_m"`
}

// GeodesicLine is the geodesic from a point to its tag.
type GeodesicLine struct {
	// Distance is its length on the ellipsoid in metres.
	Distance float64 `json:"distance_m"`
	// Azimuth is the azimuth at the point towards the tag, from true north. It is
	// undefined where the plane bearing is.
	Azimuth Bearing `json:"azimuth_deg"`
}

// GroundDistance is a grid distance brought to the ground: grid distance /
// (scale x height factor), with height factor = R / (R + h). The scale is that at
// the point, in the direction of the line where the grid is not conformal; over
// metres it holds for the whole line.
type GroundDistance struct {
	// Distance is in the grid's unit.
	Distance float64 `json:"distance"`
	// Height is the ellipsoidal height h in metres that was given.
	Height float64 `json:"height_m"`
	// Radius is the radius R in metres: the one that was given, or the Gaussian
	// mean radius at the point's latitude.
	Radius float64 `json:"radius_m"`
	// CombinedFactor is scale x height factor, grid distance / ground distance.
	CombinedFactor float64 `json:"combined_factor"`
}

// CompareOptions says how two positions are compared. The zero value gives
// every quantity but the ground distance.
type CompareOptions struct {
	// Resolution is the resolution of the coordinates in grid units. A distance
	// below it has no bearing. With 0 only two equal positions have none.
	Resolution float64
	// Height is the ellipsoidal height in metres at which the ground distance is
	// wanted; nil for no ground distance. The height is not assumed to be 0.
	Height *float64
	// Radius is the radius of the earth in metres for the height factor; 0 takes
	// the Gaussian mean radius of the grid's ellipsoid at the point's latitude.
	Radius float64
}

// ErrNotFinite is returned for a coordinate that is not a finite number.
var ErrNotFinite = errors.New("coordinate is not a finite number")

// Compare returns the discrepancy between a tag and its point, both on the grid
// of proj. The plane part is always there. Where proj is a [Geodesist] the
// ellipsoidal part is too; if that fails (the point may lie where the
// projection has no inverse), the plane part is returned together with the
// error. A position that is not finite gives [ErrNotFinite].
//
// Formulas: distance = hypot(dE, dN) and bearing = atan2(dE, dN), from plane
// trigonometry; the ground distance as GroundDistance says, common practice in
// engineering surveys.
func Compare(proj Projection, tag, point EN, opt CompareOptions) (Discrepancy, error) {
	d := Discrepancy{DE: tag.E - point.E, DN: tag.N - point.N}
	d.Distance = math.Hypot(d.DE, d.DN)
	switch {
	case proj == nil:
		return Discrepancy{}, errors.New("compare: there is no projection, so the unit of the coordinates is not known")
	case !Finite(d.Distance):
		return Discrepancy{}, fmt.Errorf("compare: tag E %v N %v, point E %v N %v: %w", tag.E, tag.N, point.E, point.N, ErrNotFinite)
	case !(opt.Resolution >= 0 && Finite(opt.Resolution)):
		return Discrepancy{}, fmt.Errorf("compare: resolution %v: want 0 or a positive length in grid units", opt.Resolution)
	case !(opt.Radius >= 0 && Finite(opt.Radius)):
		return Discrepancy{}, fmt.Errorf("compare: radius %v: want 0 or a positive length in metres", opt.Radius)
	}
	g := proj.Grid()
	d.Unit = g.Unit
	if d.Distance >= opt.Resolution {
		d.Bearing = BearingOf(d.DE, d.DN)
	}
	geo, ok := proj.(Geodesist)
	if !ok {
		return d, nil
	}
	return ellipsoidal(geo, g, d, tag, point, opt)
}

// ellipsoidal adds the ellipsoidal part to d.
func ellipsoidal(geo Geodesist, g Grid, d Discrepancy, tag, point EN, opt CompareOptions) (Discrepancy, error) {
	plane := d
	line, err := geo.Geodesic(point, tag)
	if err != nil {
		return plane, fmt.Errorf("compare: geodesic from the point to the tag: %w", err)
	}
	f, err := geo.Factors(point)
	if err != nil {
		return plane, fmt.Errorf("compare: convergence and point scale at the point: %w", err)
	}
	d.Geodesic = &GeodesicLine{Distance: line.Distance}
	if d.Bearing.Defined() {
		d.Geodesic.Azimuth = NewBearing(line.Azimuth)
	}
	d.Convergence = &f.Convergence
	d.PointScale = &f.PointScale
	own := f.True(d.DE, d.DN)
	length, metres := math.Hypot(own.E, own.N), g.Unit.Metres
	if f.PointScale > 0 {
		d.True = &TrueDiscrepancy{DE: own.E * metres, DN: own.N * metres, Distance: length * metres}
	}
	if opt.Height == nil {
		return d, nil
	}
	scale := f.PointScale
	if length > 0 {
		scale = d.Distance / length
	}
	if d.Ground, err = ground(geo, g, d.Distance, scale, point, opt); err != nil {
		return plane, fmt.Errorf("compare: %w", err)
	}
	return d, nil
}

// ground brings a grid distance of a scale to the ground.
func ground(geo Geodesist, g Grid, distance, scale float64, point EN, opt CompareOptions) (*GroundDistance, error) {
	h, r := *opt.Height, opt.Radius
	if r == 0 {
		own, err := geo.Geographic(point)
		if err != nil {
			return nil, fmt.Errorf("latitude of the point: %w", err)
		}
		r = g.Ellipsoid.GaussianRadius(own.Lat)
	}
	if !Finite(h) || !(r+h > 0 && r > 0) {
		return nil, fmt.Errorf("height %v m over a radius of %v m gives no height factor", h, r)
	}
	k := scale * r / (r + h)
	if !(k > 0) {
		return nil, fmt.Errorf("a point scale of %v gives no ground distance", scale)
	}
	return &GroundDistance{Distance: distance / k, Height: h, Radius: r, CombinedFactor: k}, nil
}

// Finite reports whether all are numbers: the difference of an infinity and itself is
// none.
func Finite(v ...float64) bool {
	return !slices.ContainsFunc(v, func(x float64) bool { return x-x != 0 })
}

// GaussianRadius returns the Gaussian mean radius of curvature in metres at a
// latitude in degrees, sqrt(M N) with M and N the radii in the meridian and in
// the prime vertical:
//
//	R = a sqrt(1 - e²) / (1 - e² sin² lat)
//
// Source: IOGP Guidance Note 7-2, "conformal sphere" of the oblique
// stereographic method, and any geodesy textbook.
func (e Ellipsoid) GaussianRadius(lat float64) float64 {
	var e2 float64
	if e.InverseFlattening != 0 {
		f := 1 / e.InverseFlattening
		e2 = f * (2 - f)
	}
	s := math.Sin(lat * math.Pi / 180)
	return e.SemiMajor * math.Sqrt(1-e2) / (1 - e2*s*s)
}
