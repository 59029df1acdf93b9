package demo

import (
	"context"
	"math"

	"example.com/phototie/grid"
	"example.com/phototie/grid/site"
)

// tangent is a projection without PROJ: a plane that touches GRS 80 at an
// origin, turned by a convergence, good to millimetres over a kilometre and
// exactly invertible.
type tangent struct {
	grid   grid.Grid
	origin grid.LatLon
	at     grid.EN
	turn   float64 // degrees, grid north east of true north
}

const (
	semiMajor = 6378137.0
	ecc2      = 0.00669438002290
)

// radii returns the metres on the ground per degree of latitude and longitude.
func (p tangent) radii() (north, east float64) {
	s, c := math.Sincos(p.origin.Lat * math.Pi / 180)
	w := 1 - ecc2*s*s
	k := math.Pi / 180
	return k * semiMajor * (1 - ecc2) / math.Pow(w, 1.5), k * semiMajor / math.Sqrt(w) * c
}

func (p tangent) Grid() grid.Grid { return p.grid }

func (p tangent) ToGrid(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	north, east := p.radii()
	s, c := math.Sincos(p.turn * math.Pi / 180)
	out := make([]grid.Placement, len(fixes))
	for i, f := range fixes {
		n, e := (f.Lat-p.origin.Lat)*north/p.grid.Unit.Metres, (f.Lon-p.origin.Lon)*east/p.grid.Unit.Metres
		out[i] = grid.Placement{
			EN: grid.EN{E: p.at.E + e*c - n*s, N: p.at.N + e*s + n*c},
			Op: &grid.Operation{Name: "tangent plane"},
		}
	}
	return out, ctx.Err()
}

func (p tangent) FromGrid(ctx context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	north, east := p.radii()
	s, c := math.Sincos(p.turn * math.Pi / 180)
	out := make([]grid.FixPlacement, len(at))
	for i, q := range at {
		de, dn := q.E-p.at.E, q.N-p.at.N
		e, n := (de*c+dn*s)*p.grid.Unit.Metres, (-de*s+dn*c)*p.grid.Unit.Metres
		out[i] = grid.FixPlacement{
			Fix: grid.Fix{LatLon: grid.LatLon{Lat: p.origin.Lat + n/north, Lon: p.origin.Lon + e/east}, Frame: frames[i]},
			Op:  &grid.Operation{Name: "tangent plane"},
		}
	}
	return out, ctx.Err()
}

var (
	vellandPlane = tangent{
		grid:   grid.Grid{Name: "tangent plane for Port Velland", Code: "EPSG:2157", Unit: grid.Metre},
		origin: grid.LatLon{Lat: 52.188, Lon: -6.680}, at: grid.EN{E: 690256, N: 604844}, turn: 1.04,
	}
	tallowPlane = tangent{
		grid:   grid.Grid{Name: "tangent plane for Tallow Creek", Code: "EPSG:6543", Unit: grid.USSurveyFoot},
		origin: grid.LatLon{Lat: 35.634, Lon: -82.324}, at: grid.EN{E: 1012412, N: 702240}, turn: -1.9,
	}
	// tallowSite is the same plane in the ground coordinates of the job.
	tallowSite = onGround(tallowPlane, *tallowGround.GroundScale)
)

// onGround is a tangent plane seen from a ground scale on it.
func onGround(p tangent, g site.GroundScale) tangent {
	p.at = g.Affine().Inverse(p.at)
	p.grid.Unit.Metres *= g.CombinedFactor
	return p
}

// broken answers FromGrid as the test wants it to.
type broken struct {
	tangent
	spoil func([]grid.FixPlacement) ([]grid.FixPlacement, error)
}

func (p broken) FromGrid(ctx context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	out, err := p.tangent.FromGrid(ctx, at, frames)
	if err != nil {
		return nil, err
	}
	return p.spoil(out)
}
