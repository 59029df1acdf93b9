package demo

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/grid/site"
)

// The grid that the ground coordinates of Tallow Creek stand on.
const tallowCode = "EPSG:6543"

// tallowGround is the site system of Tallow Creek. Its combined factor is the
// point scale factor of the grid at the project point, 0.99989479, times the
// height factor R / (R + h) = 0.99990392 for an ellipsoidal height of 612.3 m
// and a radius R of 6 372 000 m. The project point's grid coordinates less a
// million feet east and 700 000 feet north are its ground coordinates, so that
// nobody takes the one for the other.
var tallowGround = site.Definition{
	Name: "Tallow Creek ground", Unit: grid.USSurveyFoot,
	GroundScale: &site.GroundScale{
		Origin:         grid.EN{E: 1012600, N: 702250},
		SiteOrigin:     grid.EN{E: 12600, N: 2250},
		CombinedFactor: 0.99979872,
	},
}

// TallowCreek makes the job of the footbridges of Tallow Creek, an invented
// stream in the west of North Carolina: the four corner posts of three
// footbridges, 12 points, and 30 photos of one morning. Nothing is planted in
// it. Points are in ground coordinates in US survey feet: a site system on the
// state plane grid, whose parameters the settings give. The photos' metadata is
// metric, as Exif is.
//
// proj must be of the grid, EPSG:6543, NAD83(2011) / North Carolina (ftUS), else
// the error is ErrGrid. The job's own grid, which its points and cameras are on,
// is the site system.
func TallowCreek(ctx context.Context, proj grid.Projection, seed uint64) (*Job, error) {
	if err := checkGrid(proj.Grid(), tallowCode, grid.USSurveyFoot); err != nil {
		return nil, err
	}
	ground, err := site.New(proj, tallowGround)
	if err != nil {
		return nil, fmt.Errorf("demo: %w", err)
	}
	rng := rand.New(rand.NewPCG(seed, 0x7a1104))
	return tallowPlan(rng).job(ctx, ground, "tallow", seed, rng)
}

const tallowDeck = 642.3 // metres

func tallowPlan(rng *rand.Rand) *plan {
	zone := time.FixedZone("", -4*3600)
	p := &plan{
		name: "Tallow Creek", short: "TC", deck: tallowDeck, unit: grid.USSurveyFoot,
		sun:     grid.LatLon{Lat: 35.6, Lon: -82.3},
		days:    []time.Time{time.Date(2025, 6, 11, 9, 31, 0, 0, zone)},
		devices: []device{{letter: "QC", serial: "QM7-005108", folder: "creek", accuracy: 3.6, swing: 0.6}},
	}
	// Each bridge: the middle of its near end, and the bearing across.
	bridges := []struct {
		e, n, bearing float64
		chain         float64
	}{
		{12412.60, 2318.44, 17, 1}, {12668.12, 2190.73, 342, 2}, {13001.95, 2244.08, 28, 3},
	}
	const long = 11.0 // metres
	m := p.unit.Metres
	for k, b := range bridges {
		sn, cs := math.Sincos(b.bearing * math.Pi / 180)
		// Corners in the order of the walk: near left, near right, then over the
		// bridge and turned round. left is as seen from the corner's own bank.
		for c := range 4 {
			far := c >= 2
			x, bearing := 0.0, b.bearing
			if far {
				x, bearing = long, b.bearing+180
			}
			y := -bridgeWidth / 2
			if c%2 == 1 {
				y = bridgeWidth / 2
			}
			// y is to the right of the corner's own direction.
			right := y
			if far {
				right = -y
			}
			st := station{
				id:     fmt.Sprintf("T%d%d", k+1, c+1),
				code:   "FBP",
				desc:   fmt.Sprintf("Footbridge %d, corner post %d, bolt on top", k+1, c+1),
				object: bridgePost,
				at: grid.EN{
					E: b.e + (x*sn+right*cs)/m,
					N: b.n + (x*cs-right*sn)/m,
				},
				heading: math.Mod(bearing, 360), chain: b.chain,
				sigma:     0.015,
				target:    vec{0, y, 0.903},
				level:     tallowDeck - 1.9*float64(k) + 0.903,
				plateText: fmt.Sprintf("TALLOW CREEK  BRIDGE %d", k+1),
			}
			st.at.E = math.Round(1000*st.at.E+float64(rng.IntN(21)-10)) / 1000
			p.stations = append(p.stations, st)
			p.counts = append(p.counts, 2+len(p.stations)%2)
		}
	}
	return p
}
