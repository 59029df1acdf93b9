package sim

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Plane is a grid for simulations: an equirectangular projection of WGS 84 about
// an origin, with the radii of curvature there,
//
//	E = E0 + nu cos(lat0) (lon - lon0),  N = N0 + rho (lat - lat0),
//
// rho in the meridian and nu in the prime vertical. Both directions are closed
// forms, so that it needs no projection engine, and the whole earth but a seam
// has a place on it: a tag with a flipped reference too. Meridians are straight
// and point to grid north. Scale is true at the origin and within 0.3 % over
// 10 km about it, up to 60 degrees of latitude; it is not conformal further off.
//
// It implements grid.Projection and grid.Geodesist, is never changed once made,
// and may be used by many goroutines. Source: the equidistant cylindrical method
// of IOGP Guidance Note 7-2 with the meridian arc taken as linear (from memory).
type Plane struct {
	origin grid.LatLon
	at     grid.EN // of the origin, in the unit
	unit   grid.Unit
	perLon float64 // grid units in a degree of longitude
	perLat float64 // grid units in a degree of latitude
	datums map[string]match.Vector
}

// Defining constants of WGS 84. Source: EPSG:7030.
const (
	wgs84A = 6378137.0
	wgs84F = 1 / 298.257223563
)

var wgs84 = grid.Ellipsoid{Name: "WGS 84", SemiMajor: wgs84A, InverseFlattening: 298.257223563}

// NewPlane returns a plane in which origin has the coordinates at, in the unit.
// The origin may lie up to 85 degrees north or south.
func NewPlane(origin grid.LatLon, at grid.EN, unit grid.Unit) (*Plane, error) {
	switch {
	case !origin.Valid() || math.Abs(origin.Lat) > 85:
		return nil, fmt.Errorf("sim: origin of the plane at latitude %v, longitude %v: want a latitude from -85 to 85", origin.Lat, origin.Lon)
	case !grid.Finite(at.E, at.N):
		return nil, fmt.Errorf("sim: origin of the plane at E %v N %v: want finite coordinates", at.E, at.N)
	case !(unit.Metres > 0) || !grid.Finite(unit.Metres):
		return nil, fmt.Errorf("sim: unit %q of the plane has %v metres", unit.Name, unit.Metres)
	}
	rho, nu := radii(origin.Lat)
	deg := math.Pi / 180
	return &Plane{
		origin: origin, at: at, unit: unit,
		perLon: nu * math.Cos(origin.Lat*deg) * deg / unit.Metres,
		perLat: rho * deg / unit.Metres,
	}, nil
}

// DefaultPlane returns the plane that New takes where Config names none: metres,
// with its origin at 52.19 N 6.32 W. The coordinates there, E 500000 and N
// 5780000, are as large as those of a zone of 6 degrees are at that latitude, so
// that feet of the wrong kind make a difference. It knows three datums besides
// WGS 84: "LOCAL A" and "LOCAL B", which are some 130 m off, and "LOCAL C", 1.4 m.
func DefaultPlane() *Plane {
	p, err := NewPlane(grid.LatLon{Lat: 52.19, Lon: -6.32}, grid.EN{E: 500000, N: 5780000}, grid.Metre)
	if err != nil {
		panic(err) // constants
	}
	return p.
		WithDatum("LOCAL A", match.Vector{E: 87, N: -96}).
		WithDatum("LOCAL B", match.Vector{E: -120, N: 35}).
		WithDatum("LOCAL C", match.Vector{E: 1, N: -1})
}

// Zone returns the plane k zones of 6 degrees further east: the same false
// origin, with the origin's longitude moved.
func (p *Plane) Zone(k int) *Plane {
	q := *p
	q.origin.Lon = wrap(p.origin.Lon + 6*float64(k))
	return &q
}

// in returns the plane in another unit.
func (p *Plane) in(unit grid.Unit) *Plane {
	q, f := *p, p.unit.Metres/unit.Metres
	q.unit = unit
	q.at.E, q.at.N, q.perLon, q.perLat = p.at.E*f, p.at.N*f, p.perLon*f, p.perLat*f
	return &q
}

// WithDatum returns a plane that also knows a datum by a name, in which positions
// that are taken for WGS 84 come out shift off their true place, in metres.
func (p *Plane) WithDatum(name string, shift match.Vector) *Plane {
	q := *p
	q.datums = maps.Clone(p.datums)
	if q.datums == nil {
		q.datums = make(map[string]match.Vector)
	}
	q.datums[name] = shift
	return &q
}

// Datums returns the names of the datums that the plane knows besides WGS 84,
// sorted.
func (p *Plane) Datums() []string { return slices.Sorted(maps.Keys(p.datums)) }

// Grid describes the plane.
func (p *Plane) Grid() grid.Grid {
	return grid.Grid{
		Name: fmt.Sprintf("simulation plane about %.2f %.2f", p.origin.Lat, p.origin.Lon),
		Unit: p.unit, Ellipsoid: wgs84, Frame: "WGS 84",
	}
}

// shift returns where positions of a datum come out, in grid units.
func (p *Plane) shift(datum string) (grid.EN, error) {
	switch datum {
	case "", "WGS-84", "WGS 84", "WGS84", "EPSG:4326":
		return grid.EN{}, nil
	}
	if s, ok := p.datums[datum]; ok {
		return grid.EN{E: s.E / p.unit.Metres, N: s.N / p.unit.Metres}, nil
	}
	return grid.EN{}, &grid.UnknownDatumError{Datum: datum}
}

// ToGrid carries fixes onto the plane. Heights and epochs make no difference.
func (p *Plane) ToGrid(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	op := p.operation()
	out := make([]grid.Placement, len(fixes))
	for i, f := range fixes {
		s, err := p.shift(f.Datum)
		switch {
		case err != nil:
			out[i].Err = err
		case !f.Valid():
			out[i].Err = grid.ErrOutside
		default:
			en := p.forward(f.LatLon)
			out[i] = grid.Placement{EN: grid.EN{E: en.E - s.E, N: en.N - s.N}, Op: op}
		}
	}
	return out, nil
}

// FromGrid carries positions on the plane into geographic frames.
func (p *Plane) FromGrid(ctx context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if len(at) != len(frames) {
		return nil, fmt.Errorf("sim: %d positions with %d frames", len(at), len(frames))
	}
	op := p.operation()
	out := make([]grid.FixPlacement, len(at))
	for i, en := range at {
		out[i].Frame = frames[i]
		s, err := p.shift(frames[i].Datum)
		if err != nil {
			out[i].Err = err
			continue
		}
		if out[i].LatLon, err = p.Geographic(grid.EN{E: en.E + s.E, N: en.N + s.N}); err != nil {
			out[i].Err = err
			continue
		}
		out[i].Op = op
	}
	return out, nil
}

func (p *Plane) operation() *grid.Operation {
	exact := 0.0
	return &grid.Operation{Name: "simulation plane", Source: "WGS 84", Accuracy: &exact}
}

func (p *Plane) forward(ll grid.LatLon) grid.EN {
	return grid.EN{
		E: p.at.E + wrap(ll.Lon-p.origin.Lon)*p.perLon,
		N: p.at.N + (ll.Lat-p.origin.Lat)*p.perLat,
	}
}

// Geographic returns the position of a place on the plane; grid.ErrOutside where
// it lies beyond a pole or the seam opposite the origin.
func (p *Plane) Geographic(at grid.EN) (grid.LatLon, error) {
	dLon := (at.E - p.at.E) / p.perLon
	lat := p.origin.Lat + (at.N-p.at.N)/p.perLat
	if !(math.Abs(dLon) <= 180 && math.Abs(lat) <= 90) {
		return grid.LatLon{}, grid.ErrOutside
	}
	return grid.LatLon{Lat: lat, Lon: wrap(p.origin.Lon + dLon)}, nil
}

// Factors returns the convergence, which is 0 everywhere, and the geometric mean
// of the scales along meridian and parallel.
func (p *Plane) Factors(at grid.EN) (grid.Factors, error) {
	ll, err := p.Geographic(at)
	if err != nil {
		return grid.Factors{}, err
	}
	rho, nu := radii(ll.Lat)
	sin, cos := math.Sincos(ll.Lat * math.Pi / 180)
	if cos < 1e-12 || math.Abs(sin) == 1 {
		return grid.Factors{}, grid.ErrOutside
	}
	deg := math.Pi / 180 / p.unit.Metres
	h, k := p.perLat/(rho*deg), p.perLon/(nu*cos*deg)
	return grid.Factors{PointScale: math.Sqrt(h * k)}, nil
}

// ErrAntipodal is returned for a geodesic between nearly opposite places, for
// which the iteration does not settle.
var ErrAntipodal = errors.New("sim: the geodesic between nearly antipodal places is not computed")

// Geodesic returns the geodesic between two places of the plane, by Vincenty's
// inverse formula, good to a tenth of a millimetre. Source: T. Vincenty, Direct
// and inverse solutions of geodesics on the ellipsoid, Survey Review, 1975 (from
// memory; the tests hold it against values of GeographicLib).
func (p *Plane) Geodesic(a, b grid.EN) (grid.Geodesic, error) {
	la, err := p.Geographic(a)
	if err != nil {
		return grid.Geodesic{}, err
	}
	lb, err := p.Geographic(b)
	if err != nil {
		return grid.Geodesic{}, err
	}
	return geodesic(la, lb)
}

func geodesic(from, to grid.LatLon) (grid.Geodesic, error) {
	const (
		deg = math.Pi / 180
		f   = wgs84F
		b   = wgs84A * (1 - f)
	)
	l := wrap(to.Lon-from.Lon) * deg
	sinU1, cosU1 := math.Sincos(math.Atan((1 - f) * math.Tan(from.Lat*deg)))
	sinU2, cosU2 := math.Sincos(math.Atan((1 - f) * math.Tan(to.Lat*deg)))
	lambda := l
	for range 200 {
		sinL, cosL := math.Sincos(lambda)
		x, y := cosU2*sinL, cosU1*sinU2-sinU1*cosU2*cosL
		sinS := math.Hypot(x, y)
		if sinS == 0 && cosL > 0 {
			return grid.Geodesic{}, nil
		}
		cosS := sinU1*sinU2 + cosU1*cosU2*cosL
		sigma := math.Atan2(sinS, cosS)
		sinA := cosU1 * cosU2 * sinL / sinS
		cos2A := 1 - sinA*sinA
		cosM := 0.0 // on the equator
		if cos2A > 1e-14 {
			cosM = cosS - 2*sinU1*sinU2/cos2A
		}
		c := f / 16 * cos2A * (4 + f*(4-3*cos2A))
		next := l + (1-c)*f*sinA*(sigma+c*sinS*(cosM+c*cosS*(2*cosM*cosM-1)))
		if math.Abs(next) > math.Pi || math.IsNaN(next) {
			return grid.Geodesic{}, ErrAntipodal
		}
		done := math.Abs(next-lambda) < 1e-14
		lambda = next
		if !done {
			continue
		}
		u2 := cos2A * (wgs84A*wgs84A - b*b) / (b * b)
		ca := 1 + u2/16384*(4096+u2*(-768+u2*(320-175*u2)))
		cb := u2 / 1024 * (256 + u2*(-128+u2*(74-47*u2)))
		ds := cb * sinS * (cosM + cb/4*(cosS*(2*cosM*cosM-1)-cb/6*cosM*(4*sinS*sinS-3)*(4*cosM*cosM-3)))
		return grid.Geodesic{
			Distance:    b * ca * (sigma - ds),
			Azimuth:     grid.NewBearing(math.Atan2(x, y) / deg).Degrees(),
			BackAzimuth: grid.NewBearing(math.Atan2(cosU1*sinL, cosU1*sinU2*cosL-sinU1*cosU2)/deg + 180).Degrees(),
		}, nil
	}
	return grid.Geodesic{}, ErrAntipodal
}

// radii returns the radii of curvature in the meridian and the prime vertical at
// a latitude in degrees, in metres. Source: any geodesy textbook.
func radii(lat float64) (rho, nu float64) {
	const e2 = wgs84F * (2 - wgs84F)
	s := math.Sin(lat * math.Pi / 180)
	w := 1 - e2*s*s
	nu = wgs84A / math.Sqrt(w)
	return nu * (1 - e2) / w, nu
}

// wrap brings a longitude in degrees into [-180, 180].
func wrap(lon float64) float64 {
	if lon >= -180 && lon <= 180 {
		return lon
	}
	return math.Remainder(lon, 360)
}
