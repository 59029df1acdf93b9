package grid

import (
	"context"
	"errors"
	"fmt"
	"math"
)

// EN is a plane position: easting and northing, in the unit of the grid it
// belongs to. Easting grows to the east and northing to the north whatever
// axis order or axis direction the coordinate reference system defines;
// conversion happens at the edge, in the Projection.
type EN struct {
	E float64 `json:"e"`
	N float64 `json:"n"`
}

// LatLon is an ellipsoidal position in degrees, north and east positive. The
// geodetic frame is given by the context: a Fix names it, and where a grid
// speaks of its "own" LatLon it means the grid's base geographic system.
type LatLon struct {
	Lat float64 `json:"lat"`
	Lon float64 `json:"lon"`
}

// Valid reports whether p is a finite position with the latitude in [-90, 90]
// and the longitude in [-180, 180].
func (p LatLon) Valid() bool {
	return p.Lat >= -90 && p.Lat <= 90 && p.Lon >= -180 && p.Lon <= 180
}

// Unit is a unit of length and its size in metres.
type Unit struct {
	// Name is the unit's name, as EPSG spells it.
	Name string `json:"name"`
	// Symbol is the short form for tables: m, ft, ftUS.
	Symbol string `json:"symbol"`
	// Metres is the length of one unit in metres.
	Metres float64 `json:"metres"`
}

// The units that surveys come in. Sources: EPSG:9001, EPSG:9002 (0.3048 m by
// the 1959 agreement) and EPSG:9003 (1200/3937 m, US Coast and Geodetic Survey).
var (
	Metre        = Unit{Name: "metre", Symbol: "m", Metres: 1}
	Foot         = Unit{Name: "foot", Symbol: "ft", Metres: 0.3048}
	USSurveyFoot = Unit{Name: "US survey foot", Symbol: "ftUS", Metres: 1200.0 / 3937.0}
)

// Ellipsoid is an ellipsoid of revolution.
type Ellipsoid struct {
	Name string `json:"name"`
	// SemiMajor is the semi-major axis in metres.
	SemiMajor float64 `json:"semi_major_m"`
	// InverseFlattening is 1/f; 0 means a sphere.
	InverseFlattening float64 `json:"inverse_flattening"`
}

// Grid describes a plane coordinate system.
type Grid struct {
	// Name is the system's name, for instance "IRENET95 / Irish Transverse Mercator".
	Name string `json:"name"`
	// Code is its authority code, for instance "EPSG:2157"; empty where it has none.
	Code string `json:"code,omitempty"`
	// Unit is the unit of eastings and northings.
	Unit Unit `json:"unit"`
	// Ellipsoid is the ellipsoid of the grid's own geodetic frame.
	Ellipsoid Ellipsoid `json:"ellipsoid"`
	// Frame names the grid's own geodetic frame, for instance "IRENET95".
	Frame string `json:"frame"`
	// FrameEpoch is the decimal year that coordinates in the frame are kept at,
	// while the ground moves on; 0 where it is not known.
	FrameEpoch float64 `json:"frame_epoch,omitempty"`
}

// Frame says which geodetic frame a geographic position is in, and when.
type Frame struct {
	// Datum is the frame as the image states it (the text of GPSMapDatum, for
	// instance "WGS-84" or "TOKYO"). Empty means that nothing was stated, which
	// the Exif standard leaves open and a Projection takes as WGS 84.
	Datum string `json:"datum,omitempty"`
	// Epoch is the decimal year of the observation; 0 where it is not known.
	Epoch float64 `json:"epoch,omitempty"`
}

// Fix is a geographic position with the frame it was observed in.
type Fix struct {
	LatLon
	// Height is the ellipsoidal height in metres; nil where it is not known, or
	// only known above a geoid.
	Height *float64 `json:"height_m,omitempty"`
	Frame
}

// Operation is the coordinate operation that transformed a position from one
// frame into another, as the projection engine describes it.
type Operation struct {
	// Name is the engine's description of the operation.
	Name string `json:"name"`
	// Definition is its full definition (a PROJ pipeline, for instance).
	Definition string `json:"definition,omitempty"`
	// Source names the frame and realisation it started from.
	Source string `json:"source"`
	// Accuracy is the operation's stated accuracy in metres; nil where the
	// registry states none, which is not the same as a perfect one.
	Accuracy *float64 `json:"accuracy_m"`
	// Ballpark says that the engine found no real operation and only copied
	// coordinates between frames; the error may be hundreds of metres.
	Ballpark bool `json:"ballpark"`
	// Notes are what a user should know: a missing grid and what to install, an
	// assumption made for want of an epoch.
	Notes []string `json:"notes,omitempty"`
	// Better is an operation with a better stated accuracy that would be used here
	// if its files were installed: another machine may have them, and judge by
	// another frame. Nil where there is none.
	Better *BetterOperation `json:"better,omitempty"`
	// Motion is what the ground moves in the grid's frame and the operation leaves
	// out; Accuracy includes it. Nil where it is not known to move.
	Motion *Motion `json:"motion,omitempty"`
}

// BetterOperation is an operation that lacks files.
type BetterOperation struct {
	Name string `json:"name"`
	// Accuracy is its stated accuracy in metres.
	Accuracy *float64 `json:"accuracy_m"`
	// Missing are the files, each with how to install it.
	Missing []MissingFile `json:"missing"`
}

// Motion is a motion of the ground in the frame of a grid, whose coordinates are
// kept at an epoch.
type Motion struct {
	// FrameEpoch is that epoch, a decimal year.
	FrameEpoch float64 `json:"frame_epoch"`
	// Place names where it moves, and Rate is how fast, in metres a year at most.
	Place string  `json:"place"`
	Rate  float64 `json:"rate_m_per_year"`
	// Years is the time from FrameEpoch to the end of the year of the fix, and
	// Metres what the ground has moved in it at most.
	Years  float64 `json:"years"`
	Metres float64 `json:"metres"`
}

// Placement is a position transformed to the grid.
type Placement struct {
	EN
	// Op is the operation used; nil only where Err is set.
	Op *Operation
	// Err says why the position could not be transformed: an *UnknownDatumError,
	// ErrOutside or an error of the engine. EN is meaningless then.
	Err error
}

// FixPlacement is a grid position transformed back into a geographic frame.
type FixPlacement struct {
	Fix
	// Op is the operation used, in the direction from Fix to grid.
	Op *Operation
	// Err is as in Placement.
	Err error
}

// Projection ties geographic frames to one grid. Package grid/crs has one that
// is backed by PROJ; a program with a projection engine of its own implements
// these three methods. Methods are safe for concurrent use.
type Projection interface {
	// Grid describes the plane system.
	Grid() Grid
	// ToGrid transforms fixes to the grid. The result has one Placement per fix,
	// in order. A fix that can't be transformed has its own Err; the returned error
	// is for failures of the whole call, a cancelled context for instance.
	ToGrid(ctx context.Context, fixes []Fix) ([]Placement, error)
	// FromGrid transforms grid positions into geographic frames: at[i] into
	// frames[i]. It is the inverse of ToGrid to better than 0.1 mm.
	FromGrid(ctx context.Context, at []EN, frames []Frame) ([]FixPlacement, error)
}

// Factors are the local properties of a projection at one place.
type Factors struct {
	// Convergence is the meridian convergence in degrees: the angle from true
	// north to grid north, clockwise positive, so that grid bearing =
	// geodetic azimuth - convergence (arc-to-chord correction left out).
	Convergence float64 `json:"convergence_deg"`
	// PointScale is the ratio of a short distance on the grid to the same on the
	// ellipsoid. For a projection that is not conformal it is the geometric mean
	// of the scales along meridian and parallel.
	PointScale float64 `json:"point_scale"`
	// MaxScale and MinScale are the largest and the smallest scale over all
	// directions, the semi-axes of Tissot's indicatrix, and MaxBearing is the grid
	// bearing of the largest in degrees in [0, 180). On a conformal grid both are
	// PointScale. A Geodesist that leaves all three 0 says that its grid is
	// conformal.
	MaxScale   float64 `json:"max_scale,omitempty"`
	MinScale   float64 `json:"min_scale,omitempty"`
	MaxBearing float64 `json:"max_bearing_deg,omitempty"`
}

// True brings a short vector on the grid to true scale, in its own unit: each part
// along the axes of the indicatrix is divided by its scale. Over metres its length
// is the geodesic distance.
func (f Factors) True(dE, dN float64) EN {
	if f.MaxScale == 0 {
		return EN{E: dE / f.PointScale, N: dN / f.PointScale}
	}
	sin, cos := math.Sincos(f.MaxBearing * math.Pi / 180)
	along, across := (dE*sin+dN*cos)/f.MaxScale, (dE*cos-dN*sin)/f.MinScale
	return EN{E: along*sin + across*cos, N: along*cos - across*sin}
}

// Indicatrix returns the semi-axes of the ellipse with the matrix (ee en; en nn)
// of squares, and the bearing of the larger in degrees in [0, 180); 0 for a
// circle. Where the columns of a matrix M are what a unit to the true east and
// one to the true north become on a grid, M M' is that of Tissot's indicatrix.
// Source: J. P. Snyder, Map Projections, a Working Manual (USGS Professional
// Paper 1395), section 4.
func Indicatrix(ee, en, nn float64) (larger, smaller, bearing float64) {
	mean, half := (ee+nn)/2, math.Hypot((ee-nn)/2, en)
	larger, smaller = math.Sqrt(mean+half), math.Sqrt(max(mean-half, 0))
	if larger-smaller <= 1e-9*larger { // a circle, but for rounding
		mid := (larger + smaller) / 2
		return mid, mid, 0
	}
	b := 90 - math.Atan2(2*en, ee-nn)*90/math.Pi
	return larger, smaller, math.Mod(b+180, 180)
}

// Geodesic is a shortest line on the ellipsoid.
type Geodesic struct {
	// Distance is its length in metres.
	Distance float64 `json:"distance_m"`
	// Azimuth is the azimuth at the start, from true north, degrees in [0, 360).
	Azimuth float64 `json:"azimuth_deg"`
	// BackAzimuth is the azimuth at the far end of the line from there back to
	// the start, degrees in [0, 360).
	BackAzimuth float64 `json:"back_azimuth_deg"`
}

// Geodesist is implemented by a Projection that can also measure on the
// ellipsoid of its own frame.
type Geodesist interface {
	// Geodesic returns the geodesic from a to b, both on the grid.
	Geodesic(a, b EN) (Geodesic, error)
	// Factors returns convergence and point scale at a place on the grid.
	Factors(at EN) (Factors, error)
	// Geographic returns the position of a place on the grid in the grid's own
	// geodetic frame: the inverse of the map projection alone, without any
	// change of frame. Compare takes the latitude of the point from it.
	Geographic(at EN) (LatLon, error)
}

// ErrOutside is returned for a position that the grid's projection can't hold.
var ErrOutside = errors.New("position lies outside what the grid's projection can hold")

// UnknownDatumError reports a datum name that no frame is known for. The
// position is not used: taking it as WGS 84 would be a guess.
type UnknownDatumError struct {
	// Datum is the name as the image states it.
	Datum string
}

// Error names the datum.
func (e *UnknownDatumError) Error() string {
	return fmt.Sprintf("map datum %q is not one that phototie knows a frame for", e.Datum)
}
