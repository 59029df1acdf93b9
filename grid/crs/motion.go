package crs

import (
	"fmt"
	"math"
	"strings"

	"example.com/phototie/grid"
)

// aligned is a frame that is a realisation of the ITRF at an epoch, and keeps
// that epoch while its plate moves on.
type aligned struct {
	itrf string
	// plate is the one that it is on; where the model has none, rate is how fast the
	// ground moves in the ITRF there, in metres a year, at most.
	plate string
	rate  float64
}

// plates are the rotations of plates in the ITRF, in milliseconds of arc a year about
// the axes. Source: Z. Altamimi et al., ITRF2014 plate motion model (2017), table 1, as
// PROJ's file ITRF2014 has them.
var plates = map[string][3]float64{
	"NOAM": {0.024, -0.694, -0.063}, "NUBI": {0.099, -0.614, 0.733}, "PCFC": {-0.409, 1.047, -2.169}, "SOAM": {-0.270, -0.301, -0.140},
}

// metresPerMas is the length of a millisecond of arc on the mean sphere.
const metresPerMas = 6371008.8 * math.Pi / 180 / 3.6e6

// speed is how fast a plate moves at a place, against another one or, without it, in
// the ITRF, in metres a year on a sphere.
func speed(plate, against string, lat, lon float64) float64 {
	w, o := plates[plate], plates[against]
	for i := range w {
		w[i] -= o[i]
	}
	sinLat, cosLat := math.Sincos(lat * math.Pi / 180)
	sinLon, cosLon := math.Sincos(lon * math.Pi / 180)
	r := [3]float64{cosLat * cosLon, cosLat * sinLon, sinLat}
	x, y, z := w[1]*r[2]-w[2]*r[1], w[2]*r[0]-w[0]*r[2], w[0]*r[1]-w[1]*r[0]
	return metresPerMas * math.Sqrt(x*x+y*y+z*z)
}

// frameEpochs are the epochs that coordinates in a frame are kept at, by the
// frame's name in the registry. Source: EPSG registry, frame reference and anchor
// epochs (from memory; PROJ 9.1 has none of them in its database).
var frameEpochs = map[string]float64{
	"NAD83(2011)": 2010, "NAD83(PA11)": 2010, "NAD83(MA11)": 2010, "NAD83(CSRS)": 2010,
	"GDA94": 1994, "GDA2020": 2020, "NZGD2000": 2000, "ETRS89": 1989, "IRENET95": 1995, "ISN2016": 2016.5,
	"JGD2011": 2011.395, "JGD2000": 1997, "SIRGAS 2000": 2000.4, "Hartebeesthoek94": 1994,
	"China Geodetic Coordinate System 2000": 2000, "GDM2000": 2000, "KGD2002": 2002, "TWD97": 1997, "Macao 2008": 2008.38,
	"SRGI2013": 2012, "Mexico ITRF2008": 2010, "Mexico ITRF92": 1988,
}

// alignedFrames are those that the registry has no operation to, or only a
// ballpark one, and that are the ITRF all the same. Rates off the plates of the
// model: velocities of permanent stations there (common knowledge, rounded up; no source).
var alignedFrames = map[string]aligned{
	"China Geodetic Coordinate System 2000": {"ITRF97", "", 0.04},
	"GDM2000":                               {"ITRF2000", "", 0.04},
	"Hartebeesthoek94":                      {"ITRF91", "NUBI", 0},
	"KGD2002":                               {"ITRF2000", "", 0.035},
	"TWD97":                                 {"ITRF94", "", 0.08},
	"Macao 2008":                            {"ITRF2005", "", 0.04},
	"SIRGAS 2000":                           {"ITRF2000", "SOAM", 0},
	"SRGI2013":                              {"ITRF2008", "", 0.07},
	"Mexico ITRF2008":                       {"ITRF2008", "", 0.03},
	"Mexico ITRF92":                         {"ITRF92", "", 0.03},
}

// alignedAccuracy is how well two realisations of the ITRF agree at one epoch,
// in metres, the older ones included.
const alignedAccuracy = 0.1

// deforming is a place where the ground moves against a frame that is fixed to
// its plate.
type deforming struct {
	frame, place string
	bounds
	rate           float64 // metres a year at most; 0 on the plate of the model that is named
	plate, against string
}

// deformingZones are the boxes round plate boundaries. Rates that the plate motion
// model does not have: relative motion of the plates there (MORVEL: DeMets, Gordon and Argus, Geologically current plate
// motions, 2010; from memory, rounded up). A box is coarse: inside it the ground
// may move less.
var deformingZones = []deforming{
	{"NAD83(2011)", "coastal California", bounds{-122, 32, -115.2, 35.5}, 0, "PCFC", "NOAM"},
	{"NAD83(2011)", "coastal California", bounds{-125, 35.5, -120.3, 38.5}, 0, "PCFC", "NOAM"},
	{"NAD83(2011)", "coastal California", bounds{-125, 38.5, -122.5, 40.8}, 0, "PCFC", "NOAM"},
	{"NAD83(2011)", "the coast of the Pacific Northwest", bounds{-125, 40.8, -122.5, 49.5}, 0.015, "", ""},
	{"NAD83(2011)", "southern Alaska", bounds{-170, 54, -130, 61.5}, 0.05, "", ""},
	{"NAD83(CSRS)", "the coast of British Columbia", bounds{-134, 48, -122.5, 55}, 0.015, "", ""},
	{"ETRS89", "Greece and the Aegean", bounds{19, 34.5, 30, 41.5}, 0.04, "", ""},
	{"JGD2011", "Japan", bounds{122, 24, 149, 46}, 0.09, "", ""},
	{"JGD2000", "Japan", bounds{122, 24, 149, 46}, 0.09, "", ""},
	{"NZGD2000", "New Zealand", bounds{166, -48, 179, -34}, 0.05, "", ""},
	{"SIRGAS 2000", "the Andes", bounds{-82, -56, -66, 12}, 0.04, "", ""},
}

// unknownYears is the age that is taken where the date of a photo is not known.
const unknownYears = 30

// moving says what the ground has moved since the epoch of the grid's frame and no
// operation takes into account; nil for none.
func (p *plan) moving(w *way, key remark) *grid.Motion {
	if p.frameEpoch == 0 || w.deforms {
		return nil
	}
	m := &grid.Motion{FrameEpoch: p.frameEpoch, Years: unknownYears}
	if p.drifts(w) {
		a := alignedFrames[p.frame]
		m.Rate, m.Place = a.rate, "a plate that moves in the ITRF"
		if w, ok := plates[a.plate]; ok { // where it is fastest
			m.Rate = metresPerMas * math.Sqrt(w[0]*w[0]+w[1]*w[1]+w[2]*w[2])
		}
	}
	if key.zone >= 0 {
		z := &p.zones[key.zone]
		if m.Rate, m.Place = z.rate, z.place; z.plate != "" {
			m.Rate = max(speed(z.plate, z.against, z.south, z.west), speed(z.plate, z.against, z.north, z.west))
		}
	}
	if m.Rate == 0 {
		return nil
	}
	if key.year != 0 {
		m.Years = math.Abs(float64(key.year) + 1 - p.frameEpoch) // the end of the year
	}
	m.Metres = m.Rate * m.Years
	return m
}

// drifts reports whether a way takes a tag to be in the grid's frame, or in WGS 84
// without its realisation, though that frame is the ITRF at another epoch.
func (p *plan) drifts(w *way) bool { return p.aligned && (w.taken || w.viaEnsemble) }

// settle finds what is known of the motion in the grid's frame.
func (p *plan) settle(frameName string) {
	p.frame = frameName
	p.frameEpoch = frameEpochs[p.frame]
	_, p.aligned = alignedFrames[p.frame]
	for _, z := range deformingZones {
		if z.frame == p.frame {
			p.zones = append(p.zones, z)
		}
	}
}

// takeAligned makes a real path of a ballpark one to a frame that is the ITRF at
// an epoch: copying coordinates is right there but for what the plate has moved.
func (p *plan) takeAligned(path *path, from string) bool {
	a, ok := alignedFrames[p.frame]
	if !ok || !path.ballpark {
		return false
	}
	path.ballpark = false
	for i, s := range path.steps {
		if s.ballpark() {
			source, _, _ := strings.Cut(from, ",")
			path.steps[i].name = fmt.Sprintf("%s taken as %s, which is %s at %.1f", source, s.to, a.itrf, p.frameEpoch)
			path.steps[i].accuracy = alignedAccuracy
		}
	}
	return true
}
