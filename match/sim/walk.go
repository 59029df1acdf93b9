package sim

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// The streams of the generator: what is drawn for one purpose does not move
// what is drawn for another, so that planting a blunder changes nothing else.
const (
	streamPoints = iota + 1
	streamWalk
	streamNoise
	streamTags
	streamPlants
	streamOrder
	streamScenario
)

// tagStep is the step that tags are written in, in degrees: a ten-thousandth of
// an arc second, 3 mm.
const tagStep = 1 / 3.6e7

// shot is a photo while a set is being drawn.
type shot struct {
	leg, camera, day int // from 0
	number           int // of its camera, from 1
	point            int // -1 for none
	linked           int
	id               string // the id that stands in name or text
	taken            time.Time
	stood            grid.EN
	facing           float64 // grid bearing from the camera to the point, degrees
	away             float64 // distance in metres
	read             reading
	tagged           grid.EN
	clean            geotag.Position
	tag              *geotag.Tag
	named, texted    bool
	planted          []Kind
	chosen           bool // by a plant that chooses
}

// leg is the walk of one crew on one day.
type leg struct {
	day         int
	cameras     []int
	first, last int // points, last exclusive
	// track is where the crew was when.
	track []fix
	shots []int // in the order in which they were taken
}

type fix struct {
	at time.Time
	en grid.EN
}

// where returns where a crew was; before and after its walk it stands.
func (l *leg) where(t time.Time) grid.EN {
	i, _ := slices.BinarySearchFunc(l.track, t, func(f fix, t time.Time) int { return f.at.Compare(t) })
	switch {
	case i == 0:
		return l.track[0].en
	case i == len(l.track):
		return l.track[i-1].en
	}
	a, b := l.track[i-1], l.track[i]
	share := t.Sub(a.at).Seconds() / b.at.Sub(a.at).Seconds()
	return grid.EN{E: a.en.E + share*(b.en.E-a.en.E), N: a.en.N + share*(b.en.N-a.en.N)}
}

// drawing is a set while it is being drawn.
type drawing struct {
	cfg    Config
	proj   grid.Projection
	unit   float64 // metres in a grid unit
	points []match.Point
	survey []match.Point
	listed []match.Point // points before any blunder
	legs   []leg
	legOf  []int // of each point
	shots  []shot
	plants *rand.Rand
	out    []Planted // photos by shot
}

func (c Config) stream(n uint64) *rand.Rand { return rand.New(rand.NewPCG(c.Seed, n)) }

// New draws a set. The errors are those of Validate, of the projection, a day
// that has not enough hours, and a Plant that there is no place for.
func New(cfg Config) (*Set, error) {
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	d := &drawing{cfg: cfg, proj: cfg.Projection, plants: cfg.stream(streamPlants)}
	if p, ok := cfg.plane(); ok {
		d.proj = p
		if cfg.At == (grid.EN{}) {
			d.cfg.At = p.at
		}
	}
	d.unit = d.proj.Grid().Unit.Metres
	d.layOut()
	if err := d.walk(); err != nil {
		return nil, err
	}
	if err := d.tags(); err != nil {
		return nil, err
	}
	d.listed = slices.Clone(d.points)
	for i, p := range cfg.Plants {
		if err := d.plant(p); err != nil {
			return nil, fmt.Errorf("sim: plant %d (%s): %w", i+1, p.Kind, err)
		}
	}
	return d.set()
}

// move returns a place so many metres away in grid units.
func (d *drawing) move(from grid.EN, e, n float64) grid.EN {
	return grid.EN{E: from.E + e/d.unit, N: from.N + n/d.unit}
}

func (d *drawing) metres(a, b grid.EN) float64 { return math.Hypot(a.E-b.E, a.N-b.N) * d.unit }

func uniform(rng *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }

func seconds(s float64) time.Duration {
	return time.Duration(math.Round(s*100)) * 10 * time.Millisecond
}

// polar returns the vector of a length at a grid bearing in degrees.
func polar(length, bearing float64) (e, n float64) {
	sin, cos := math.Sincos(bearing * math.Pi / 180)
	return length * sin, length * cos
}

// layOut places the points.
func (d *drawing) layOut() {
	c, rng := d.cfg, d.cfg.stream(streamPoints)
	places := make([]grid.EN, c.Points)
	heading := uniform(rng, 0, 360)
	var letter, code string
	switch c.Layout {
	case Line:
		letter, code = "B", "bollard"
		at := c.At
		for i := range places {
			places[i] = at
			heading += 2 * rng.NormFloat64()
			at = d.along(at, c.Spacing*uniform(rng, 0.9, 1.1), heading)
		}
	case Plots:
		letter, code = "G", "peg"
		cols := int(math.Ceil(math.Sqrt(float64(c.Points))))
		for i := range places {
			row, col := i/cols, i%cols
			if row%2 == 1 {
				col = cols - 1 - col
			}
			e, n := polar(float64(col)*c.Spacing, heading)
			f, o := polar(float64(row)*c.Spacing, heading+90)
			places[i] = d.along(d.move(c.At, e+f, n+o), 0.05*c.Spacing*rng.Float64(), uniform(rng, 0, 360))
		}
	case Road:
		letter, code = "R", "marker"
		at := c.At
		for i := range places {
			side := 90.0
			if rng.IntN(2) == 0 {
				side = -90
			}
			places[i] = d.along(at, uniform(rng, 2, 6), heading+side)
			heading += 4 * rng.NormFloat64()
			at = d.along(at, c.Spacing*(0.4+0.6*rng.ExpFloat64()), heading)
		}
	}
	digits := max(3, len(fmt.Sprint(c.Points)))
	d.points = make([]match.Point, c.Points)
	d.survey = make([]match.Point, c.Points)
	level := 60.0
	for i, en := range places {
		p := match.Point{ID: fmt.Sprintf("%s%0*d", letter, digits, i+1), EN: en, Code: code, Line: i + 2}
		if c.Heights {
			level += 0.1 * rng.NormFloat64()
			h := math.Round(1000*level) / 1000
			p.Height = &h
		}
		d.survey[i] = p
		// As the survey has it.
		p.EN = d.move(en, c.PointSigma*rng.NormFloat64(), c.PointSigma*rng.NormFloat64())
		p.E, p.N = toMM(p.E), toMM(p.N)
		d.points[i] = p
	}
}

// toMM rounds a coordinate to a thousandth of the unit, as lists of points have it.
func toMM(v float64) float64 { return math.Round(v*1000) / 1000 }

func (d *drawing) along(from grid.EN, length, bearing float64) grid.EN {
	e, n := polar(length, bearing)
	return d.move(from, e, n)
}

// longest is how long a crew's day may be.
const longest = 16 * time.Hour

// walk sends the crews out. It sets the times of observation.
func (d *drawing) walk() error {
	c, rng := d.cfg, d.cfg.stream(streamWalk)
	counts, wild := d.counts(rng)
	crews := c.Cameras
	if c.Together {
		crews = 1
	}
	receivers := make([]*receiver, c.Cameras)
	for i := range receivers {
		receivers[i] = newReceiver(c.Noise)
	}
	d.legOf = make([]int, c.Points)
	for day := range c.Days {
		for crew := range crews {
			part := day*crews + crew
			l := leg{day: day,
				first: part * c.Points / (c.Days * crews),
				last:  (part + 1) * c.Points / (c.Days * crews)}
			if c.Together {
				for cam := range c.Cameras {
					l.cameras = append(l.cameras, cam)
				}
			} else {
				l.cameras = []int{crew}
			}
			if l.first == l.last {
				continue
			}
			d.legs = append(d.legs, l)
		}
	}
	for k := range d.legs {
		l := &d.legs[k]
		begin := c.Start.UTC().AddDate(0, 0, l.day).Add(seconds(uniform(rng, 0, 300)))
		end := d.walkLeg(k, begin, counts, wild, rng)
		if end.Sub(begin) > longest {
			return &ConfigError{"Days", c.Days, fmt.Sprintf("more days, cameras or speed: day %d of camera %d lasts %.0f h",
				l.day+1, l.cameras[0]+1, end.Sub(begin).Hours())}
		}
	}
	// The receivers read along time, each for itself.
	noise := c.stream(streamNoise)
	numbers := make([]int, c.Cameras)
	for k := range d.legs {
		for _, i := range d.legs[k].shots {
			s := &d.shots[i]
			numbers[s.camera]++
			s.number = numbers[s.camera]
			s.read = receivers[s.camera].read(s.taken, noise)
			s.tagged = d.move(s.stood, s.read.err.E, s.read.err.N)
		}
	}
	return nil
}

// counts shares the photos out: how many each point gets, and how many are taken
// on the way to it that show none.
func (d *drawing) counts(rng *rand.Rand) (counts, wild []int) {
	c := d.cfg
	counts, wild = make([]int, c.Points), make([]int, c.Points)
	none := int(math.Round(float64(c.Photos) * c.NoPointShare))
	for range none {
		wild[rng.IntN(c.Points)]++
	}
	showing := c.Photos - none
	for i := range counts {
		counts[i] = showing / c.Points
	}
	for _, i := range rng.Perm(c.Points)[:showing%c.Points] {
		counts[i]++
	}
	// Some points get a photo of another's.
	for range c.Points / 3 {
		if i := rng.IntN(c.Points); counts[i] > 1 {
			counts[i]--
			counts[rng.IntN(c.Points)]++
		}
	}
	return counts, wild
}

// before is how many of a point's photos are taken before it is observed.
func (c *Config) before(photos int, rng *rand.Rand) int {
	switch c.FieldOrder {
	case PhotoThenPoint:
		return photos
	case IDEntered, LinkedLater:
		if photos > 0 && rng.Float64() < 0.3 {
			return 1
		}
	}
	return 0
}

// walkLeg takes the photos of one leg and returns when it is over.
func (d *drawing) walkLeg(k int, now time.Time, counts, wild []int, rng *rand.Rand) time.Time {
	c, l := d.cfg, &d.legs[k]
	at := d.survey[l.first].EN
	stop := func(en grid.EN) { l.track = append(l.track, fix{now, en}) }
	stop(at)
	take := func(taken time.Time, point int, stood grid.EN, facing, away float64) {
		s := shot{leg: k, day: l.day, camera: l.cameras[0], point: point, linked: point,
			taken: taken, stood: stood, facing: facing, away: away}
		if len(l.cameras) > 1 {
			s.camera = l.cameras[rng.IntN(len(l.cameras))]
		}
		if point >= 0 {
			s.id = d.points[point].ID
			s.named = rng.Float64() < c.NameShare
			s.texted = rng.Float64() < c.TextShare
			if c.FieldOrder == LinkedLater || rng.Float64() < c.NoLinkShare {
				s.linked = -1
			}
		}
		l.shots = append(l.shots, len(d.shots))
		d.shots = append(d.shots, s)
	}
	side := uniform(rng, 0, 360) // the side that the crew stands on
	for j := l.first; j < l.last; j++ {
		d.legOf[j] = k
		goal := d.survey[j].EN
		// Overviews on the way.
		for w := range wild[j] {
			share := float64(w+1) / float64(wild[j]+1)
			place := d.along(grid.EN{E: at.E + share*(goal.E-at.E), N: at.N + share*(goal.N-at.N)},
				c.Spacing*uniform(rng, 0.5, 1.5), uniform(rng, 0, 360))
			now = now.Add(seconds(d.metres(l.track[len(l.track)-1].en, place)/c.Speed + uniform(rng, 3, 10)))
			stop(place)
			take(now, -1, place, 0, 0)
			now = now.Add(seconds(uniform(rng, 3, 8)))
			stop(place)
		}
		now = now.Add(seconds(d.metres(l.track[len(l.track)-1].en, goal)/c.Speed + uniform(rng, 2, 5)))
		at = goal
		stop(goal)
		before := c.before(counts[j], rng)
		photo := func() {
			facing := side + 30*rng.NormFloat64()
			away := c.Standoff * uniform(rng, 5./6, 7./6)
			take(now, j, d.along(goal, -away, facing), math.Mod(facing+720, 360), away)
		}
		for range before {
			now = now.Add(seconds(uniform(rng, 6, 20)))
			photo()
		}
		now = now.Add(seconds(uniform(rng, 15, 45)))
		observed := now.Truncate(time.Second)
		d.points[j].Observed, d.survey[j].Observed = observed, observed
		for range counts[j] - before {
			now = now.Add(seconds(uniform(rng, 6, 20)))
			photo()
		}
		now = now.Add(seconds(uniform(rng, 5, 20)))
		stop(goal)
	}
	return now
}

// tags writes the tag of each shot.
func (d *drawing) tags() error {
	c, rng := d.cfg, d.cfg.stream(streamTags)
	at := make([]grid.EN, len(d.shots))
	frames := make([]grid.Frame, len(d.shots))
	for i := range d.shots {
		s := &d.shots[i]
		at[i] = s.tagged
		frames[i] = grid.Frame{Datum: c.Datum, Epoch: grid.Epoch(s.taken)}
	}
	places, err := d.fromGrid(d.proj, at, frames)
	if err != nil {
		return err
	}
	zone := time.FixedZone("", int(c.Zone.Seconds()))
	for i := range d.shots {
		s := &d.shots[i]
		s.clean = geotag.Position{Lat: toStep(places[i].Lat, tagStep), Lon: toStep(places[i].Lon, tagStep), Step: tagStep, Source: geotag.SourceExif}
		pos := s.clean
		t := &geotag.Tag{
			Container: "jpeg", Position: &pos, MapDatum: c.Datum,
			Make: "Simulated", Model: "handheld", Serial: fmt.Sprintf("SIM-%04d", s.camera+1),
			ExifVersion: "0300", Width: 4000, Height: 3000, Orientation: 1,
		}
		if s.read.stated > 0 {
			v := s.read.stated
			t.HPositioningError = &v
		}
		if c.GPSTime {
			v := s.taken.Truncate(time.Second)
			t.GPSTime = &v
		}
		clock := s.taken
		if s.camera < len(c.ClockOffsets) {
			clock = clock.Add(c.ClockOffsets[s.camera])
		}
		t.Taken = stamp(clock, zone, c.OffsetStated)
		if c.Heights {
			ground := *d.survey[max(s.point, 0)].Height
			t.Altitude = &geotag.Altitude{Metres: math.Round(100*(ground+1.5+s.read.height)) / 100, Ref: c.AltitudeRef}
		}
		if s.texted {
			t.Texts.ImageDescription = s.id
		}
		if s.point >= 0 && rng.Float64() < c.DirectionShare {
			if err := d.sight(s, t, rng); err != nil {
				return err
			}
		}
		s.tag = t
	}
	return nil
}

// sight writes the direction and the distance of what a shot shows, off by the budget's
// deviation along and across the line of sight.
func (d *drawing) sight(s *shot, t *geotag.Tag, rng *rand.Rand) error {
	spread := s.away * match.DefaultBudget().DirectionSigma * math.Pi / 180
	e, n := polar(s.away, s.facing)
	e, n = e+spread*rng.NormFloat64(), n+spread*rng.NormFloat64()
	dist := math.Round(100*math.Hypot(e, n)) / 100
	deg := math.Atan2(e, n) * 180 / math.Pi
	if g, ok := d.proj.(grid.Geodesist); ok {
		f, err := g.Factors(s.stood)
		if err != nil {
			return fmt.Errorf("sim: convergence at E %.3f N %.3f: %w", s.stood.E, s.stood.N, err)
		}
		deg += f.Convergence
	}
	t.Direction = &geotag.Direction{Degrees: grid.NewBearing(deg).Degrees()}
	t.SubjectDistance = &dist
	return nil
}

// stamp is what a clock of a zone shows.
func stamp(t time.Time, zone *time.Location, stated bool) *geotag.Taken {
	local := t.In(zone)
	if !stated {
		local = time.Date(local.Year(), local.Month(), local.Day(), local.Hour(), local.Minute(), local.Second(), local.Nanosecond(), time.UTC)
	}
	return &geotag.Taken{Time: local, HasOffset: stated}
}

func toStep(v, step float64) float64 { return math.Round(v/step) * step }

// fromGrid transforms places to geographic positions; any that fails is an error.
func (d *drawing) fromGrid(proj grid.Projection, at []grid.EN, frames []grid.Frame) ([]grid.LatLon, error) {
	placed, err := proj.FromGrid(context.Background(), at, frames)
	out := make([]grid.LatLon, len(placed))
	for i, p := range placed {
		out[i] = p.LatLon
		err = cmp.Or(err, sound(p.Err, p.Op, p.Valid()))
	}
	return out, transformed(err, len(placed), len(at))
}

// toGrid transforms fixes to a grid; any that fails is an error.
func (d *drawing) toGrid(proj grid.Projection, fixes []grid.Fix) ([]grid.EN, error) {
	placed, err := proj.ToGrid(context.Background(), fixes)
	out := make([]grid.EN, len(placed))
	for i, p := range placed {
		out[i] = p.EN
		err = cmp.Or(err, sound(p.Err, p.Op, grid.Finite(p.E, p.N)))
	}
	return out, transformed(err, len(placed), len(fixes))
}

// sound looks at the result of one transformation.
func sound(err error, op *grid.Operation, valid bool) error {
	switch {
	case err != nil:
		return err
	case op != nil && op.Ballpark:
		return fmt.Errorf("there is only a ballpark operation (%s); the truth would not be known", op.Name)
	case !valid:
		return errors.New("the projection gives no valid position")
	}
	return nil
}

// transformed is the error of a transformation that gave n positions for want.
func transformed(err error, n, want int) error {
	if err == nil && n != want {
		err = fmt.Errorf("the projection returned %d positions for %d", n, want)
	}
	if err != nil {
		return fmt.Errorf("transforming positions: %w", err)
	}
	return nil
}

// name is the photo's path.
func (s *shot) name() string {
	var b strings.Builder
	fmt.Fprintf(&b, "day%d/%s/%s%04d", s.day+1, letters(s.camera), strings.ToUpper(letters(s.camera)), s.number)
	if s.named {
		b.WriteString("_" + s.id)
	}
	b.WriteString(".jpg")
	return b.String()
}

// letters counts a, b, ... z, aa, ab and so on.
func letters(n int) string {
	s := ""
	for n++; n > 0; n = (n - 1) / 26 {
		s = string(rune('a'+(n-1)%26)) + s
	}
	return s
}

// set puts the drawing together.
func (d *drawing) set() (*Set, error) {
	c := d.cfg
	order := make([]int, len(d.shots))
	for i := range order {
		order[i] = i
	}
	if c.Shuffle {
		c.stream(streamOrder).Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
	} else {
		slices.SortFunc(order, func(i, j int) int {
			a, b := &d.shots[i], &d.shots[j]
			switch {
			case a.day != b.day:
				return a.day - b.day
			case a.camera != b.camera:
				return a.camera - b.camera
			}
			return a.number - b.number
		})
	}
	s := &Set{
		Config: d.cfg, Projection: d.proj, Points: d.points, Survey: d.survey,
		Links:  make([]match.Link, 0, len(order)),
		Photos: make([]match.Photo, len(order)),
		Truth:  make([]Truth, len(order)),
	}
	at := make([]int, len(order)) // photo of each shot
	for k, i := range order {
		at[i] = k
		sh := &d.shots[i]
		s.Photos[k] = match.Photo{Name: sh.name(), Tag: sh.tag}
		if sh.linked >= 0 {
			s.Links = append(s.Links, match.Link{Photo: s.Photos[k].Name, Point: d.points[sh.linked].ID, Line: len(s.Links) + 2})
		}
		s.Truth[k] = Truth{
			Point: sh.point, Linked: sh.linked, Camera: sh.camera + 1, Day: sh.day + 1,
			Taken: sh.taken, Stood: sh.stood, Sigma: sh.read.sigma, Noise: sh.read.err,
			Clean: sh.clean, Planted: sh.planted,
		}
	}
	for _, p := range d.out {
		for i, sh := range p.Photos {
			p.Photos[i] = at[sh]
		}
		s.Planted = append(s.Planted, p)
	}
	return s, d.moved(s)
}
