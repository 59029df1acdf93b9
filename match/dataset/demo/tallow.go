package demo

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"example.com/phototie/grid"
)

// The grid of Tallow Creek.
const tallowCode = "EPSG:6543"

// TallowCreek makes the job of the footbridges of Tallow Creek, an invented
// stream in the west of North Carolina: the four corner posts of three
// footbridges, 12 points, and 30 photos of one morning. Nothing is planted in
// it. Points are on the grid in US survey feet; the photos' metadata is metric,
// as Exif is.
//
// proj must be of EPSG:6543, NAD83(2011) / North Carolina (ftUS), else the
// error is ErrGrid.
func TallowCreek(ctx context.Context, proj grid.Projection, seed uint64) (*Job, error) {
	if err := checkGrid(proj.Grid(), tallowCode, grid.USSurveyFoot); err != nil {
		return nil, err
	}
	rng := rand.New(rand.NewPCG(seed, 0x7a1104))
	p := tallowPlan(rng)
	shots := p.walk(rng)
	if err := locate(ctx, proj, shots); err != nil {
		return nil, err
	}
	job := &Job{Name: p.name, Photos: p.photos(shots, seed)}
	job.Settings = []byte(tallowSettings)
	if err := job.lists(p, false); err != nil {
		return nil, err
	}
	job.ReadMe = []byte(tallowReadMe)
	return job, nil
}

const tallowSettings = `# Tallow Creek footbridges. An invented example: see README.txt.

[grid]
crs = "EPSG:6543"    # NAD83(2011) / North Carolina, US survey feet

[points]
file = "points.csv"  # the first line names the columns

[links]
file = "links.csv"

[photos]
folder = "photos"

[budget]             # in metres, whatever the unit of the grid
confidence = 0.95
handheld_m = 4.9
handheld_confidence = 0.68
standoff_m = 2.0
point_sigma_m = 0.015
`

const tallowReadMe = `Tallow Creek footbridges
========================

An example job for phototie. The place, the crew and the instruments are
invented; nothing here is a survey of anything.

12 points: the corner posts of three timber footbridges over the creek (T11 to
T14, T21 to T24, T31 to T34; the first digit is the bridge). North Carolina
state plane grid of NAD83(2011) in US survey feet (EPSG:6543): eastings,
northings and heights in points.csv are in feet. They are grid coordinates, not
ground coordinates.

  phototie.toml   the settings
  points.csv      the surveyed points
  links.csv       which photo shows which point
  photos/         30 photos of one morning

Nothing is planted: every photo is linked to the point that it shows, and every
tag is off by no more than the noise that its handheld admits to. A budget at
95 % is meant to find about one sound photo in twenty over it.
`

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
		{1012412.60, 702318.44, 17, 1}, {1012668.12, 702190.73, 342, 2}, {1013001.95, 702244.08, 28, 3},
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
