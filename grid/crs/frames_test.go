package crs

import (
	"fmt"
	"math"
	"testing"

	"example.com/phototie/grid"
)

// helmert is a time-dependent transformation of geocentric coordinates, with its
// published parameters: metres, milliseconds of arc, parts per billion, and the
// same for a year. Rotations are in the position vector convention.
type helmert struct {
	t, r   [3]float64
	s      float64
	dt, dr [3]float64
	ds     float64
	epoch  float64
}

// shift carries a position on GRS 80 and returns metres east, north, up. It is
// computed here from the parameters, not by PROJ.
func (h helmert) shift(p grid.LatLon, epoch float64) (east, north, up float64) {
	years := epoch - h.epoch
	if h.epoch == 0 {
		years = 0
	}
	const mas, ppb = math.Pi / 180 / 3600e3, 1e-9
	var t, r [3]float64
	for i := range 3 {
		t[i] = h.t[i] + h.dt[i]*years
		r[i] = (h.r[i] + h.dr[i]*years) * mas
	}
	s := (h.s + h.ds*years) * ppb
	const a, f = 6378137.0, 1 / 298.257222101
	const e2 = f * (2 - f)
	sinLat, cosLat := math.Sincos(p.Lat * math.Pi / 180)
	sinLon, cosLon := math.Sincos(p.Lon * math.Pi / 180)
	nu := a / math.Sqrt(1-e2*sinLat*sinLat)
	x, y, z := nu*cosLat*cosLon, nu*cosLat*sinLon, nu*(1-e2)*sinLat
	dx := t[0] + s*x - r[2]*y + r[1]*z
	dy := t[1] + s*y + r[2]*x - r[0]*z
	dz := t[2] + s*z - r[1]*x + r[0]*y
	east = -sinLon*dx + cosLon*dy
	north = -sinLat*cosLon*dx - sinLat*sinLon*dy + cosLat*dz
	up = cosLat*cosLon*dx + cosLat*sinLon*dy + sinLat*dz
	return east, north, up
}

// coordinateFrame turns the rotations of the other convention round.
func (h helmert) coordinateFrame() helmert {
	for i := range 3 {
		h.r[i], h.dr[i] = -h.r[i], -h.dr[i]
	}
	return h
}

// Published parameters.
var (
	// ICSM, GDA2020 Technical Manual: ITRF2014 to GDA2020, the Australian plate
	// motion model, milliseconds of arc a year, coordinate frame convention.
	itrf2014ToGDA2020 = helmert{dr: [3]float64{1.50379, 1.18346, 1.20716}, epoch: 2020}.coordinateFrame()
	// The same: GDA94 to GDA2020.
	gda94ToGDA2020 = helmert{t: [3]float64{0.06155, -0.01087, -0.04019}, r: [3]float64{-39.4924, -32.7221, -32.8979}, s: -9.994}.coordinateFrame()
	// EUREF Technical Note 1: ITRF2014 to ETRF2000, epoch 2010.0, position vector.
	itrf2014ToETRF2000 = helmert{t: [3]float64{0.0547, 0.0522, -0.0741}, dt: [3]float64{0.0001, 0.0001, -0.0019},
		r: [3]float64{1.701, 10.290, -16.632}, dr: [3]float64{0.081, 0.490, -0.792}, s: 2.12, ds: 0.11, epoch: 2010}
	// NOAA, National Geodetic Survey: ITRF2014 to NAD83(2011), epoch 2010.0,
	// coordinate frame convention, in the digits of EPSG:8970.
	itrf2014ToNAD83 = helmert{t: [3]float64{1.0053, -1.9092, -0.5416}, dt: [3]float64{0.0008, -0.0006, -0.0014},
		r: [3]float64{26.7814, -0.4203, 10.9321}, dr: [3]float64{0.0667, -0.7574, -0.0513}, s: 0.37, ds: -0.07, epoch: 2010}.coordinateFrame()
	// ITRF2020 to ITRF2014 as the ITRF product centre publishes it, epoch 2015.0
	// (from memory; EPSG:9991 has it the
	// other way round): -1.4, -0.9, 1.4 mm and 0, -0.1, 0.2 mm a year, -0.42 ppb.
	itrf2020ToITRF2014 = helmert{t: [3]float64{-0.0014, -0.0009, 0.0014}, dt: [3]float64{0, -0.0001, 0.0002}, s: -0.42, epoch: 2015}
)

// The realisations that surveys name, against the published parameters: the tag
// must move by what they say, and the operation must be no ballpark one.
func TestPublishedFrames(t *testing.T) {
	tests := []struct {
		definition, datum string
		at                grid.LatLon
		epoch             float64
		steps             []helmert
		accuracy          float64 // at most
	}{
		{"EPSG:7855", "ITRF2014", grid.LatLon{Lat: -37.9, Lon: 144.4}, 2024.5, []helmert{itrf2014ToGDA2020}, 0.05},
		{"EPSG:7855", "ITRF2020", grid.LatLon{Lat: -37.9, Lon: 144.4}, 2024.5, []helmert{itrf2020ToITRF2014, itrf2014ToGDA2020}, 0.05},
		{"EPSG:7855", "", grid.LatLon{Lat: -37.9, Lon: 144.4}, 2024.5, []helmert{itrf2014ToGDA2020}, 0.05},
		{"EPSG:7855", "GDA94", grid.LatLon{Lat: -37.9, Lon: 144.4}, 0, []helmert{gda94ToGDA2020}, 0.05},
		{"EPSG:7855", "GDA2020", grid.LatLon{Lat: -37.9, Lon: 144.4}, 0, nil, 0},
		{"EPSG:25832", "ITRF2014", grid.LatLon{Lat: 51, Lon: 9}, 2024.5, []helmert{itrf2014ToETRF2000}, 0.11},
		{"EPSG:25832", "ITRF2020", grid.LatLon{Lat: 51, Lon: 9}, 2024.5, []helmert{itrf2020ToITRF2014, itrf2014ToETRF2000}, 0.11},
		{"EPSG:25832", "WGS-84", grid.LatLon{Lat: 51, Lon: 9}, 2024.5, []helmert{itrf2014ToETRF2000}, 0.11},
		// Members of the ETRS89 ensemble differ by less than the registry's 0.1 m.
		{"EPSG:25832", "ETRS89", grid.LatLon{Lat: 51, Lon: 9}, 0, nil, 0.1},
		{"EPSG:25832", "ETRF2000", grid.LatLon{Lat: 51, Lon: 9}, 2024.5, nil, 0.1},
		{"EPSG:25832", "ETRF2014", grid.LatLon{Lat: 51, Lon: 9}, 2024.5, nil, 0.1},
		{"EPSG:6543", "ITRF2014", grid.LatLon{Lat: 35.1, Lon: -79}, 2024.5, []helmert{itrf2014ToNAD83}, 0.02},
		{"EPSG:6543", "ITRF2020", grid.LatLon{Lat: 35.1, Lon: -79}, 2024.5, []helmert{itrf2020ToITRF2014, itrf2014ToNAD83}, 0.02},
		{"EPSG:6543", "WGS84", grid.LatLon{Lat: 35.1, Lon: -79}, 2024.5, []helmert{itrf2014ToNAD83}, 0.02},
		{"EPSG:6543", "NAD83(2011)", grid.LatLon{Lat: 35.1, Lon: -79}, 0, nil, 0},
		{"EPSG:2193", "NZGD2000", grid.LatLon{Lat: -41, Lon: 174}, 0, nil, 0},
	}
	for _, tt := range tests {
		name := fmt.Sprintf("%s from %q", tt.definition, tt.datum)
		c := open(t, tt.definition)
		own, err := c.ToPlane([]grid.LatLon{tt.at})
		if err != nil {
			t.Fatal(err)
		}
		f, err := c.Factors(own[0])
		if err != nil {
			t.Fatal(err)
		}
		var east, north float64
		for _, h := range tt.steps {
			e, n, _ := h.shift(tt.at, tt.epoch)
			east, north = east+e, north+n
		}
		sin, cos := math.Sincos(f.Convergence * math.Pi / 180)
		unit := c.Grid().Unit.Metres
		p := toGrid(t, c, fix(tt.at.Lat, tt.at.Lon, tt.datum, tt.epoch))[0]
		if p.Err != nil || p.Op.Ballpark {
			t.Errorf("%s: %+v, %+v", name, p, p.Op)
			continue
		}
		// 0.2 mm for WGS 84 and GRS 80, which differ by 0.1 mm in the semi-minor
		// axis.
		near(t, name+": E", (p.E-own[0].E)*unit, f.PointScale*(east*cos-north*sin), 2e-4)
		near(t, name+": N", (p.N-own[0].N)*unit, f.PointScale*(east*sin+north*cos), 2e-4)
		if a := p.Op.Accuracy; a == nil || *a > tt.accuracy {
			t.Errorf("%s: accuracy of %s is %v", name, p.Op.Name, a)
		}
	}
}

// The same against cs2cs, where cs2cs finds a way that keeps to realisations.
func TestFramesAgainstCs2cs(t *testing.T) {
	for _, tt := range []struct {
		definition, datum, source string
		lat, lon, epoch           float64
	}{
		{"EPSG:6543", "ITRF2014", "EPSG:9000", 35.1, -79, 2024.5},
		{"EPSG:6543", "ITRF2020", "EPSG:9990", 35.1, -79, 2024.5},
		{"EPSG:6543", "WGS 84 (G2139)", "EPSG:9755", 35.1, -79, 2024.5},
		{"EPSG:6543", "NAD83(2011)", "EPSG:6318", 35.1, -79, 2024.5},
		{"EPSG:28355", "", "EPSG:9755", -37.9, 144.4, 2024.5},
		{"EPSG:28355", "GDA2020", "EPSG:7844", -37.9, 144.4, 2024.5},
		{"EPSG:7855", "", "EPSG:9755", -37.9, 144.4, 2024.5},
		{"EPSG:7855", "ITRF2020", "EPSG:9990", -37.9, 144.4, 2024.5},
		{"EPSG:7855", "GDA94", "EPSG:4283", -37.9, 144.4, 2024.5},
		{"EPSG:25832", "ETRF2000", "EPSG:9067", 51, 9, 2024.5},
		{"EPSG:25832", "ETRF2014", "EPSG:9069", 51, 9, 2024.5},
		{"EPSG:2193", "NZGD2000", "EPSG:4167", -41, 174, 2024.5},
	} {
		c := open(t, tt.definition)
		want := runTool(t, [][]float64{{tt.lat, tt.lon, 0, tt.epoch}}, "cs2cs", "-f", "%.9f", tt.source, tt.definition)[0]
		if tt.definition == "EPSG:2193" { // northing first
			want[0], want[1] = want[1], want[0]
		}
		p := toGrid(t, c, fix(tt.lat, tt.lon, tt.datum, tt.epoch))[0]
		if p.Err != nil {
			t.Error(p.Err)
			continue
		}
		near(t, tt.definition+" from "+tt.datum+": E", p.E, want[0], 1e-4)
		near(t, tt.definition+" from "+tt.datum+": N", p.N, want[1], 1e-4)
	}
}

// The deformation model of New Zealand states no accuracy and is a file of its
// own. Without it, the tag must not pass for anything better than 2 m, and the
// file must be named.
func TestNewZealand(t *testing.T) {
	c := open(t, "EPSG:2193")
	const file = "nz_linz_nzgd2000-20180701.json"
	for _, datum := range []string{"", "ITRF2014"} {
		p := toGrid(t, c, fix(-41, 174, datum, 2024.5))[0]
		if p.Err != nil || p.Op.Accuracy != nil && *p.Op.Accuracy < 2 {
			t.Fatalf("%+v %+v", p, p.Op)
		}
		plan, err := c.plan(datum)
		if err != nil {
			t.Fatal(err)
		}
		if len(plan.missing) > 0 && !hasNote(p.Op, "projsync --file "+file) {
			t.Errorf("from %q: notes %q", datum, p.Op.Notes)
		}
	}
}
