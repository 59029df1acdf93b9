package field

import (
	"context"
	"errors"
	"math"
	"strings"

	"example.com/phototie/grid"
)

const degree = math.Pi / 180

// A datum is an ellipsoid with its place beside WGS 84: three translations in
// metres that are added to reach WGS 84. Sources: EPSG registry, one mean
// transformation each (from memory); those of plates that move are for 2026.
type datum struct {
	name       string
	a, rf      float64
	dx, dy, dz float64
	accuracy   float64
}

var datums = map[string]datum{
	"WGS84":       {"WGS 84", 6378137, 298.257223563, 0, 0, 0, 0.1},
	"ETRS89":      {"ETRS89", 6378137, 298.257222101, -0.54, 0.74, 0.37, 0.1},
	"IRENET95":    {"IRENET95", 6378137, 298.257222101, -0.54, 0.74, 0.37, 0.1},
	"ED50":        {"ED50", 6378388, 297, -87, -98, -121, 5},
	"OSGB36":      {"OSGB36", 6377563.396, 299.3249646, 375, -111, 431, 5},
	"PULKOVO1942": {"Pulkovo 1942", 6378245, 298.3, 28, -130, -95, 5},
	"GDA2020":     {"GDA2020", 6378137, 298.257222101, 0, 0, 0, 0.1},
	"GDA94":       {"GDA94", 6378137, 298.257222101, -1.02, -0.12, 1.25, 0.1},
	"AGD66":       {"AGD66", 6378160, 298.25, -133, -48, 148, 5},
	"SIRGAS2000":  {"SIRGAS 2000", 6378137, 298.257222101, 0, 0, 0, 0.1},
	"SAD69":       {"SAD69", 6378160, 298.25, -57, 1, -41, 5},
	"JGD2011":     {"JGD2011", 6378137, 298.257222101, 0, 0, 0, 0.1},
	"TOKYO":       {"Tokyo", 6377397.155, 299.1528128, -148, 507, 685, 5},
	"NAD83(2011)": {"NAD83(2011)", 6378137, 298.257222101, -1, 1.9, 0.52, 0.1},
	"NAD83":       {"NAD83", 6378137, 298.257222101, -1, 1.9, 0.52, 1},
	"NAD27":       {"NAD27", 6378206.4, 294.9786982, -8, 160, 176, 5},
}

// named finds a datum by the name that an image or a caller gives it.
func named(name string) (datum, bool) {
	if name == "" {
		name = "WGS84"
	}
	d, ok := datums[strings.ToUpper(strings.NewReplacer(" ", "", "-", "").Replace(name))]
	return d, ok
}

func (d datum) e2() float64 { f := 1 / d.rf; return f * (2 - f) }

// shift takes a position to another datum, with ellipsoidal height 0 on both.
// Source: geocentric translations, IOGP Guidance Note 7-2 (from memory).
func (d datum) shift(p grid.LatLon, to datum) grid.LatLon {
	if d == to {
		return p
	}
	sp, cp := math.Sincos(p.Lat * degree)
	sl, cl := math.Sincos(p.Lon * degree)
	nu := d.a / math.Sqrt(1-d.e2()*sp*sp)
	x := nu*cp*cl + d.dx - to.dx
	y := nu*cp*sl + d.dy - to.dy
	z := nu*(1-d.e2())*sp + d.dz - to.dz
	h := math.Hypot(x, y)
	lat := math.Atan2(z, h*(1-to.e2()))
	for range 6 {
		s := math.Sin(lat)
		lat = math.Atan2(z+to.e2()*to.a/math.Sqrt(1-to.e2()*s*s)*s, h)
	}
	return grid.LatLon{Lat: lat / degree, Lon: math.Atan2(y, x) / degree}
}

// plane is a transverse Mercator or a Lambert conic conformal grid on a datum.
// It implements grid.Projection and grid.Geodesist.
type plane struct {
	code, name string
	datum      datum
	unit       grid.Unit
	lat0, lon0 float64 // degrees
	fe, fn     float64 // metres
	// k0 is the scale on the central meridian, 0 for the conic; n0 the northing of
	// lat0 without false origin.
	k0, n0 float64
	conic
	// Sites are drawn between two latitudes and so many degrees off lon0.
	south, north, reach float64
	// zones are the codes of the planes beside it, older that of the same plane on
	// an older datum, oldDatum; empty for none.
	zones           []string
	older, oldDatum string
}

// conic has the standard parallels in degrees, and what follows from them.
type conic struct{ lat1, lat2, n, f, rho0 float64 }

// sites are the codes that jobs are drawn on, planes the grids by their codes.
// Parameters: EPSG registry, held to PROJ by the tests.
var (
	sites  = []string{"EPSG:2157", "EPSG:25832", "EPSG:25833", "EPSG:7856", "EPSG:31983", "EPSG:6677", "EPSG:6455", "EPSG:6405", "EPSG:6588", "EPSG:6420"}
	planes = map[string]*plane{}
)

func init() {
	utm := func(code, name, dat string, lon0, south, north float64) *plane {
		fn := 0.0
		if north < 0 {
			fn = 10000000
		}
		return &plane{code: code, name: name, datum: datums[dat], lon0: lon0, k0: 0.9996, fe: 500000, fn: fn, south: south, north: north, reach: 2}
	}
	japan := func(code, name, dat string, lon0 float64) *plane {
		return &plane{code: code, name: name + " / Japan Plane Rectangular CS " + map[bool]string{true: "VIII", false: "IX"}[lon0 == 138.5], datum: datums[dat],
			lat0: 36, lon0: lon0, k0: 0.9999, south: 35.2, north: 37, reach: 0.8}
	}
	nad83 := datums["NAD83(2011)"]
	for _, p := range []*plane{
		{code: "EPSG:2157", name: "IRENET95 / Irish Transverse Mercator", datum: datums["IRENET95"], lat0: 53.5, lon0: -8, k0: 0.99982, fe: 600000, fn: 750000,
			south: 51.8, north: 55, reach: 1.8, oldDatum: "ED50"},
		utm("EPSG:25831", "ETRS89 / UTM zone 31N", "ETRS89", 3, 47.5, 70).reaching(2.5),
		utm("EPSG:25832", "ETRS89 / UTM zone 32N", "ETRS89", 9, 47.5, 70).reaching(2.5).beside("EPSG:25831", "EPSG:25833").on("EPSG:23032", "ED50"),
		utm("EPSG:25833", "ETRS89 / UTM zone 33N", "ETRS89", 15, 47.5, 70).reaching(2.5).beside("EPSG:25832", "EPSG:25834").on("EPSG:23033", "ED50"),
		utm("EPSG:25834", "ETRS89 / UTM zone 34N", "ETRS89", 21, 47.5, 70),
		utm("EPSG:23032", "ED50 / UTM zone 32N", "ED50", 9, 47.5, 70),
		utm("EPSG:23033", "ED50 / UTM zone 33N", "ED50", 15, 47.5, 70),
		utm("EPSG:7856", "GDA2020 / MGA zone 56", "GDA2020", 153, -37, -28).beside("EPSG:7855").on("EPSG:20256", "AGD66"),
		utm("EPSG:7855", "GDA2020 / MGA zone 55", "GDA2020", 147, -37, -28),
		utm("EPSG:20256", "AGD66 / AMG zone 56", "AGD66", 153, -37, -28),
		utm("EPSG:31982", "SIRGAS 2000 / UTM zone 22S", "SIRGAS2000", -51, -24, -15),
		utm("EPSG:31983", "SIRGAS 2000 / UTM zone 23S", "SIRGAS2000", -45, -24, -15).reaching(2.2).beside("EPSG:31982", "EPSG:31984").on("EPSG:29193", "SAD69"),
		utm("EPSG:31984", "SIRGAS 2000 / UTM zone 24S", "SIRGAS2000", -39, -24, -15),
		utm("EPSG:29193", "SAD69 / UTM zone 23S", "SAD69", -45, -24, -15),
		japan("EPSG:6677", "JGD2011", "JGD2011", 139.0+5.0/6).beside("EPSG:6676").on("EPSG:30169", "TOKYO"),
		japan("EPSG:6676", "JGD2011", "JGD2011", 138.5),
		japan("EPSG:30169", "Tokyo", "TOKYO", 139.0+5.0/6),
		{code: "EPSG:6455", name: "NAD83(2011) / Illinois East (ftUS)", datum: nad83, unit: grid.USSurveyFoot, lat0: 36 + 2.0/3, lon0: -88 - 1.0/3, k0: 0.999975,
			fe: 300000.0000000001, south: 38, north: 42.3, reach: 0.6, oldDatum: "NAD27", zones: []string{"EPSG:6457"}},
		{code: "EPSG:6457", name: "NAD83(2011) / Illinois West (ftUS)", datum: nad83, unit: grid.USSurveyFoot, lat0: 36 + 2.0/3, lon0: -90 - 1.0/6, k0: 0.999941177,
			fe: 700000, south: 38, north: 42, reach: 0.6},
		{code: "EPSG:6405", name: "NAD83(2011) / Arizona Central (ft)", datum: nad83, unit: grid.Foot, lat0: 31, lon0: -111 - 11.0/12, k0: 0.9999,
			fe: 213360, south: 31.8, north: 36.5, reach: 0.8, oldDatum: "NAD27"},
		{code: "EPSG:6588", name: "NAD83(2011) / Texas South Central (ftUS)", datum: nad83, unit: grid.USSurveyFoot, lat0: 27 + 50.0/60, lon0: -99,
			fe: 600000, fn: 4000000, conic: conic{lat1: 30 + 17.0/60, lat2: 28 + 23.0/60}, south: 28.2, north: 30.3, reach: 3, oldDatum: "NAD27"},
		{code: "EPSG:6420", name: "NAD83(2011) / California zone 3 (ftUS)", datum: nad83, unit: grid.USSurveyFoot, lat0: 36.5, lon0: -120.5,
			fe: 2000000, fn: 500000, conic: conic{lat1: 38 + 26.0/60, lat2: 37 + 4.0/60}, south: 37.1, north: 38.4, reach: 1.4, oldDatum: "NAD27"},
	} {
		if p.unit.Metres == 0 {
			p.unit = grid.Metre
		}
		p.prepare()
		planes[p.code] = p
	}
}

func (p *plane) reaching(degrees float64) *plane  { p.reach = degrees; return p }
func (p *plane) beside(zones ...string) *plane    { p.zones = zones; return p }
func (p *plane) on(older, oldDatum string) *plane { p.older, p.oldDatum = older, oldDatum; return p }

// open finds a grid by its code, as cause.Input.Open asks for it.
func open(code string) (grid.Projection, error) {
	if p := planes[code]; p != nil {
		return p, nil
	}
	return nil, errors.New("no such grid here: " + code)
}

func (p *plane) prepare() {
	if p.k0 != 0 {
		x := p.mercator(grid.LatLon{Lat: p.lat0, Lon: p.lon0})
		p.n0 = x.N
		return
	}
	m := func(lat float64) float64 {
		s, c := math.Sincos(lat * degree)
		return c / math.Sqrt(1-p.datum.e2()*s*s)
	}
	t1, t2 := p.isometric(p.lat1), p.isometric(p.lat2)
	p.n = math.Log(m(p.lat1)/m(p.lat2)) / (t2 - t1)
	p.f = m(p.lat1) / p.n * math.Exp(p.n*t1)
	p.rho0 = p.datum.a * p.f * math.Exp(-p.n*p.isometric(p.lat0))
}

// isometric is the isometric latitude of a latitude in degrees.
func (p *plane) isometric(lat float64) float64 {
	e, s := math.Sqrt(p.datum.e2()), math.Sin(lat*degree)
	return math.Atanh(s) - e*math.Atanh(e*s)
}

// latitude is the inverse of isometric.
func (p *plane) latitude(q float64) float64 {
	e, s := math.Sqrt(p.datum.e2()), math.Tanh(q)
	for range 12 {
		s = math.Tanh(q + e*math.Atanh(e*s))
	}
	return math.Asin(s) / degree
}

// krueger are the coefficients of Krüger's series to the fourth order in n.
// Source: L. Krüger, Konforme Abbildung des Erdellipsoids in der Ebene, 1912
// (from memory).
func (p *plane) krueger() (radius float64, forward, inverse [4]float64) {
	n := 1 / (2*p.datum.rf - 1)
	n2, n3, n4 := n*n, n*n*n, n*n*n*n
	forward = [4]float64{n/2 - 2*n2/3 + 5*n3/16 + 41*n4/180, 13*n2/48 - 3*n3/5 + 557*n4/1440, 61*n3/240 - 103*n4/140, 49561 * n4 / 161280}
	inverse = [4]float64{n/2 - 2*n2/3 + 37*n3/96 - n4/360, n2/48 + n3/15 - 437*n4/1440, 17*n3/480 - 37*n4/840, 4397 * n4 / 161280}
	return p.datum.a / (1 + n) * (1 + n2/4 + n4/64), forward, inverse
}

// mercator is the transverse Mercator plane in metres without false origin.
func (p *plane) mercator(at grid.LatLon) grid.EN {
	r, c, _ := p.krueger()
	t := math.Sinh(p.isometric(at.Lat))
	s, co := math.Sincos(math.Remainder(at.Lon-p.lon0, 360) * degree)
	xi, eta := math.Atan2(t, co), math.Atanh(s/math.Hypot(1, t))
	x, y := xi, eta
	for i, a := range c {
		k := float64(2 * (i + 1))
		x += a * math.Sin(k*xi) * math.Cosh(k*eta)
		y += a * math.Cos(k*xi) * math.Sinh(k*eta)
	}
	return grid.EN{E: p.k0 * r * y, N: p.k0 * r * x}
}

// project takes a position on the plane's own datum to the grid; ok is false
// beyond what the series holds for.
func (p *plane) project(at grid.LatLon) (en grid.EN, ok bool) {
	away := math.Remainder(at.Lon-p.lon0, 360)
	var m grid.EN
	if p.k0 != 0 {
		m = p.mercator(at)
		m.N -= p.n0
		ok = math.Abs(away) < 60 && math.Abs(at.Lat) < 89
	} else {
		rho := p.datum.a * p.f * math.Exp(-p.n*p.isometric(at.Lat))
		s, c := math.Sincos(p.n * away * degree)
		m = grid.EN{E: rho * s, N: p.rho0 - rho*c}
		ok = math.Abs(at.Lat) < 89
	}
	u := p.unit.Metres
	return grid.EN{E: (m.E + p.fe) / u, N: (m.N + p.fn) / u}, ok
}

// Geographic is the inverse of the projection alone; see grid.Geodesist.
func (p *plane) Geographic(at grid.EN) (grid.LatLon, error) {
	e, n := at.E*p.unit.Metres-p.fe, at.N*p.unit.Metres-p.fn
	var ll grid.LatLon
	if p.k0 != 0 {
		r, _, c := p.krueger()
		xi, eta := (n+p.n0)/(p.k0*r), e/(p.k0*r)
		x, y := xi, eta
		for i, b := range c {
			k := float64(2 * (i + 1))
			x -= b * math.Sin(k*xi) * math.Cosh(k*eta)
			y -= b * math.Cos(k*xi) * math.Sinh(k*eta)
		}
		ll = grid.LatLon{Lat: p.latitude(math.Asinh(math.Sin(x) / math.Hypot(math.Sinh(y), math.Cos(x)))), Lon: p.lon0 + math.Atan2(math.Sinh(y), math.Cos(x))/degree}
	} else {
		q := -math.Log(math.Hypot(e, p.rho0-n)/(p.datum.a*p.f)) / p.n
		ll = grid.LatLon{Lat: p.latitude(q), Lon: p.lon0 + math.Atan2(e, p.rho0-n)/p.n/degree}
	}
	ll.Lon = math.Remainder(ll.Lon, 360)
	if back, ok := p.project(ll); !ok || math.Hypot(back.E-at.E, back.N-at.N) > 0.001 || !ll.Valid() {
		return ll, grid.ErrOutside
	}
	return ll, nil
}

// Factors works convergence and scale out from a step of some metres northwards.
func (p *plane) Factors(at grid.EN) (grid.Factors, error) {
	ll, err := p.Geographic(at)
	if err != nil {
		return grid.Factors{}, err
	}
	const step = 1e-6 / degree
	a, _ := p.project(grid.LatLon{Lat: ll.Lat - step, Lon: ll.Lon})
	b, _ := p.project(grid.LatLon{Lat: ll.Lat + step, Lon: ll.Lon})
	s := math.Sin(ll.Lat * degree)
	meridian := p.datum.a * (1 - p.datum.e2()) / math.Pow(1-p.datum.e2()*s*s, 1.5)
	return grid.Factors{Convergence: -math.Atan2(b.E-a.E, b.N-a.N) / degree,
		PointScale: math.Hypot(b.E-a.E, b.N-a.N) * p.unit.Metres / (2 * step * degree * meridian)}, nil
}

// Geodesic is the straight line on the grid brought to the ellipsoid by the scale
// and the convergence at its ends and its middle: exact to millimetres over the
// kilometres of a job, and rough beyond some hundred.
func (p *plane) Geodesic(a, b grid.EN) (grid.Geodesic, error) {
	fa, err := p.Factors(a)
	fm, errM := p.Factors(grid.EN{E: (a.E + b.E) / 2, N: (a.N + b.N) / 2})
	fb, errB := p.Factors(b)
	if err := errors.Join(err, errM, errB); err != nil {
		return grid.Geodesic{}, err
	}
	d := math.Hypot(b.E-a.E, b.N-a.N) * p.unit.Metres * (1/fa.PointScale + 4/fm.PointScale + 1/fb.PointScale) / 6
	bearing := math.Atan2(b.E-a.E, b.N-a.N) / degree
	turn := func(deg float64) float64 { return math.Mod(deg+720, 360) }
	return grid.Geodesic{Distance: d, Azimuth: turn(bearing + fa.Convergence), BackAzimuth: turn(bearing + 180 + fb.Convergence)}, nil
}

func (p *plane) Grid() grid.Grid {
	return grid.Grid{Name: p.name, Code: p.code, Unit: p.unit, Frame: p.datum.name,
		Ellipsoid: grid.Ellipsoid{Name: p.datum.name, SemiMajor: p.datum.a, InverseFlattening: p.datum.rf}}
}

func (p *plane) operation(d datum) *grid.Operation {
	acc := math.Max(p.datum.accuracy, d.accuracy)
	return &grid.Operation{Name: d.name + " to " + p.name, Source: d.name, Accuracy: &acc}
}

// ToGrid implements grid.Projection.
func (p *plane) ToGrid(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	out := make([]grid.Placement, len(fixes))
	ops := map[string]*grid.Operation{}
	for i, f := range fixes {
		d, ok := named(f.Datum)
		if !ok {
			out[i].Err = &grid.UnknownDatumError{Datum: f.Datum}
			continue
		}
		if out[i].EN, ok = p.project(d.shift(f.LatLon, p.datum)); !ok {
			out[i].Err = grid.ErrOutside
			continue
		}
		if ops[d.name] == nil {
			ops[d.name] = p.operation(d)
		}
		out[i].Op = ops[d.name]
	}
	return out, ctx.Err()
}

// FromGrid implements grid.Projection.
func (p *plane) FromGrid(ctx context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	out := make([]grid.FixPlacement, len(at))
	for i, en := range at {
		d, ok := named(frames[i].Datum)
		if !ok {
			out[i].Err = &grid.UnknownDatumError{Datum: frames[i].Datum}
			continue
		}
		ll, err := p.Geographic(en)
		out[i] = grid.FixPlacement{Fix: grid.Fix{LatLon: p.datum.shift(ll, d), Frame: frames[i]}, Op: p.operation(d), Err: err}
	}
	return out, ctx.Err()
}

// wgs84 is where a place on the grid lies for a handheld.
func (p *plane) wgs84(at grid.EN) grid.LatLon {
	ll, _ := p.Geographic(at)
	return p.datum.shift(ll, datums["WGS84"])
}
