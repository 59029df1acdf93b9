package match

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"example.com/phototie/grid"
)

// plane is a projection in pure Go for the tests: a tangent cylinder about a
// sphere, good near its origin, turned by rot degrees so that grid north is not
// true north. It knows WGS 84, a frame "SHIFTED" 100 m further east with a real
// operation, and a frame "ROUGH" that only a ballpark operation leads from.
type plane struct {
	origin   grid.LatLon
	e0, n0   float64 // of the origin, in metres
	unit     grid.Unit
	rot      float64 // convergence everywhere, degrees
	accuracy float64 // of the operation from WGS 84; 0 stands for none stated
	fail     error   // of every call
}

func newPlane() *plane {
	return &plane{origin: grid.LatLon{Lat: 53.3, Lon: -6.2}, e0: 700000, n0: 700000, unit: grid.Metre, accuracy: 0.5}
}

const earth = 6371008.8

var errTooFar = errors.New("too far from the origin")

func (p *plane) Grid() grid.Grid {
	return grid.Grid{Name: "tangent plane", Unit: p.unit, Frame: "WGS 84", Ellipsoid: grid.Ellipsoid{Name: "sphere", SemiMajor: earth}}
}

func (p *plane) turn(x, y, deg float64) (float64, float64) {
	sin, cos := math.Sincos(deg * math.Pi / 180)
	return x*cos - y*sin, x*sin + y*cos
}

func (p *plane) forward(ll grid.LatLon) grid.EN {
	x := earth * math.Cos(p.origin.Lat*math.Pi/180) * (ll.Lon - p.origin.Lon) * math.Pi / 180
	y := earth * (ll.Lat - p.origin.Lat) * math.Pi / 180
	// Grid bearings are azimuths less the convergence: turn counter-clockwise.
	x, y = p.turn(x, y, p.rot)
	return grid.EN{E: (p.e0 + x) / p.unit.Metres, N: (p.n0 + y) / p.unit.Metres}
}

func (p *plane) inverse(at grid.EN) grid.LatLon {
	x, y := p.turn(at.E*p.unit.Metres-p.e0, at.N*p.unit.Metres-p.n0, -p.rot)
	return grid.LatLon{
		Lat: p.origin.Lat + y/earth*180/math.Pi,
		Lon: p.origin.Lon + x/(earth*math.Cos(p.origin.Lat*math.Pi/180))*180/math.Pi,
	}
}

func (p *plane) operation(f grid.Frame) (op *grid.Operation, shift float64, err error) {
	op = &grid.Operation{Source: f.Datum}
	if p.accuracy > 0 {
		op.Accuracy = &p.accuracy
	}
	switch strings.ToUpper(f.Datum) {
	case "", "WGS-84":
		op.Name = "tangent plane"
		return op, 0, nil
	case "SHIFTED":
		op.Name = "shift, then tangent plane"
		return op, 100, nil
	case "ROUGH":
		op.Name, op.Ballpark, op.Accuracy = "ballpark, then tangent plane", true, nil
		return op, 0, nil
	}
	return nil, 0, &grid.UnknownDatumError{Datum: f.Datum}
}

func (p *plane) ToGrid(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	if p.fail != nil {
		return nil, p.fail
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	out := make([]grid.Placement, len(fixes))
	for i, f := range fixes {
		op, shift, err := p.operation(f.Frame)
		if err != nil {
			out[i].Err = err
			continue
		}
		if math.Abs(f.Lat-p.origin.Lat) > 5 || math.Abs(f.Lon-p.origin.Lon) > 80 {
			out[i].Err = grid.ErrOutside
			continue
		}
		out[i].EN, out[i].Op = p.forward(f.LatLon), op
		out[i].E += shift / p.unit.Metres
	}
	return out, nil
}

func (p *plane) FromGrid(ctx context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	if p.fail != nil {
		return nil, p.fail
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if len(at) != len(frames) {
		return nil, fmt.Errorf("%d positions, %d frames", len(at), len(frames))
	}
	out := make([]grid.FixPlacement, len(at))
	for i, en := range at {
		op, shift, err := p.operation(frames[i])
		if err != nil {
			out[i].Err = err
			continue
		}
		en.E -= shift / p.unit.Metres
		ll := p.inverse(en)
		if math.Abs(ll.Lat-p.origin.Lat) > 5 || math.Abs(ll.Lon-p.origin.Lon) > 20 {
			out[i].Err = errTooFar
			continue
		}
		out[i].LatLon, out[i].Frame, out[i].Op = ll, frames[i], op
	}
	return out, nil
}

// geodesist is a plane that can also measure on its sphere.
type geodesist struct{ *plane }

func (g geodesist) Geodesic(a, b grid.EN) (grid.Geodesic, error) {
	d := math.Hypot(b.E-a.E, b.N-a.N) * g.unit.Metres
	az := math.Mod(math.Atan2(b.E-a.E, b.N-a.N)*180/math.Pi+g.rot+720, 360)
	return grid.Geodesic{Distance: d, Azimuth: az, BackAzimuth: math.Mod(az+180, 360)}, nil
}

func (g geodesist) Factors(grid.EN) (grid.Factors, error) {
	return grid.Factors{Convergence: g.rot, PointScale: 1}, nil
}

func (g geodesist) Geographic(at grid.EN) (grid.LatLon, error) { return g.inverse(at), nil }
