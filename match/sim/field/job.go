package field

import (
	"cmp"
	"context"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Config says what a job is to be like; what it leaves open is drawn.
type Config struct {
	// Photos is about how many photos there are.
	Photos int
	// Layout is one of Layouts, Noise one of Noises.
	Layout, Noise string
	// Blunders are what is planted, of Blunders; "two" plants two of them.
	Blunders []string
}

// Job is a job in memory with its truth.
type Job struct {
	Seed    uint64
	Grid    grid.Projection
	Points  []match.Point
	Links   []match.Link
	Photos  []match.Photo
	Options match.Options
	// Open opens other grids, as cause.Input.Open does.
	Open  func(definition string) (grid.Projection, error)
	Truth Truth

	rng     *rand.Rand
	plane   *plane
	cameras []*camera
	shots   []shot
	places  []vec // of the points, from origin
	walks   [][]int
	origin  grid.EN
	links   []string // one a photo; empty for none
	trees   []tree
	side    vec // from where photos are taken; zero for any
}

// Truth is what nobody is told of a job.
type Truth struct {
	Layout string   `json:"layout"`
	Noise  []string `json:"noise"`
	Stated []string `json:"stated"`
	// Timing is how photos follow the survey, Crews the number of crews that take
	// photos, Returns says that they came back to points.
	Timing  string `json:"timing"`
	Crews   int    `json:"crews"`
	Returns bool   `json:"returns"`
	// Standoff is the distance in metres that photos are taken from, and
	// StandoffKnown says that the settings have it.
	Standoff      float64 `json:"standoff_m"`
	StandoffKnown bool    `json:"standoff_known"`
	// Wild is the number of tags, blunders left out, whose error is more than four
	// times the radius (68 %) that it should have been judged by.
	Wild   int          `json:"wild"`
	Photos []PhotoTruth `json:"photos"`
	Plants []Plant      `json:"plants,omitempty"`
}

// What a photo shows where it is no point.
const (
	ShowsNone = "none"
	ShowsSite = "site"
)

// PhotoTruth is the truth of one photo, in the order of Job.Photos.
type PhotoTruth struct {
	// Shows is "point", ShowsNone or ShowsSite, and Point the id of the point.
	Shows string `json:"shows"`
	Point string `json:"point,omitempty"`
	// Camera is where it was taken from, on the grid; Error is the tag's distance
	// from there in metres before any blunder, and Radius what it should be judged
	// by: the radius (68 %) of the fix.
	Camera grid.EN `json:"camera"`
	Error  float64 `json:"error_m"`
	Radius float64 `json:"radius_m"`
	// Altered says that its tag or its link was altered by a plant.
	Altered bool `json:"altered,omitempty"`
}

// Layouts are the ways in which points lie.
var Layouts = []string{"line", "serpentine", "clusters", "grid", "street", "scatter"}

type camera struct {
	serial, model string
	receiver
	crew int
	// clock is camera minus true time in seconds at the start, drift what it gains
	// in a second.
	clock, drift     float64
	zoned, gps       bool
	counter, restart int
	naming           string
	settle           float64 // seconds that the crew stands before it takes a photo
	folder           string
	constant         float64
}

type shot struct {
	camera int
	t      float64 // seconds from the first survey
	point  int     // index, nothing or wholeSite
	visit  int     // index in the crew's walk
	stand  vec
	fix    vec
	sigma  float64
	fixed  float64 // when the fix was taken
}

// What a shot shows where it is no point.
const (
	nothing   = -1
	wholeSite = -2
)

// New draws the job of a seed. The same seed and Config give the same job.
func New(seed uint64, cfg Config) *Job {
	h := fnv.New64a()
	fmt.Fprint(h, cfg.Blunders)
	j := &Job{Seed: seed, rng: rand.New(rand.NewPCG(seed, h.Sum64())), Open: open}
	j.layOut(&cfg)
	j.walk(cfg)
	j.fix()
	j.write(cfg)
	for _, b := range cfg.Blunders {
		j.plant(b)
	}
	j.list()
	return j
}

// Blunders are the names of what can be planted, in order.
func Blunders() []string {
	names := []string{}
	for _, b := range blunders {
		names = append(names, b.name)
	}
	return append(names, "two")
}

// chance draws a yes with a probability.
func (j *Job) chance(p float64) bool { return j.rng.Float64() < p }

func pick[T any](rng *rand.Rand, of []T) T { return of[rng.IntN(len(of))] }

// layOut draws the grid, the site and the points.
func (j *Job) layOut(cfg *Config) {
	rng := j.rng
	fit := slices.DeleteFunc(slices.Clone(sites), func(code string) bool {
		return slices.ContainsFunc(blunders, func(b blunder) bool {
			return b.on != nil && slices.Contains(cfg.Blunders, b.name) && !b.on(planes[code])
		})
	})
	j.plane = planes[pick(rng, fit)]
	p := j.plane
	j.Grid = p
	j.origin, _ = p.project(grid.LatLon{Lat: between(rng, p.south, p.north), Lon: p.lon0 + between(rng, -p.reach, p.reach)})
	if cfg.Photos == 0 {
		cfg.Photos = []int{6, 12, 20, 36, 60, 100, 200, 500}[min(7, int(8*math.Pow(rng.Float64(), 1.2)))]
	}
	j.Truth.Layout = cmp.Or(cfg.Layout, pick(rng, Layouts))
	n := max(3, int(float64(cfg.Photos)/between(rng, 1.1, 2.5)))
	spacing := decade(rng, 4, 60)
	at := j.spots(n, spacing)
	sin, cos := math.Sincos(rng.Float64() * 2 * math.Pi)
	for i := range at {
		j.places = append(j.places, at[i].turned(sin, cos))
	}
	for range 2 + n/12 {
		j.trees = append(j.trees, tree{pick(rng, j.places), spacing * between(rng, 1, 3)})
	}
	j.number()
}

// spots draws where points are, in the order in which one walks them.
func (j *Job) spots(n int, spacing float64) []vec {
	rng := j.rng
	side := int(math.Ceil(math.Sqrt(float64(n) / between(rng, 0.4, 2))))
	var heading float64
	var last, centre vec
	spot := map[string]func(i int) vec{
		"line": func(i int) vec { // a road that winds
			if heading += 0.15 * rng.NormFloat64(); i == 0 {
				return vec{}
			}
			s, c := math.Sincos(heading)
			return last.plus(vec{c, s}.times(spacing * between(rng, 0.5, 1.5)))
		},
		"serpentine": func(i int) vec {
			row, col := i/side, i%side
			if row%2 == 1 {
				col = side - 1 - col
			}
			return vec{float64(col), float64(row)}.times(spacing).plus(normal(rng).times(spacing * 0.08))
		},
		"grid": func(i int) vec { // every row from the same side
			return vec{float64(i % side), float64(i / side)}.times(spacing)
		},
		"clusters": func(i int) vec {
			if i == 0 || j.chance(0.2) {
				centre = centre.plus(around(rng).times(spacing * between(rng, 3, 10)))
			}
			return centre.plus(normal(rng).times(spacing * 0.4))
		},
		"street": func(i int) vec { // one side out, the other back
			along, across := i, 0.0
			if i >= (n+1)/2 {
				along, across = n-1-i, between(rng, 0.9, 1.1)*max(6, spacing/2)
			}
			return vec{float64(along) * spacing, across}.plus(normal(rng).times(spacing * 0.1))
		},
		"scatter": func(int) vec { return vec{rng.Float64(), rng.Float64()}.times(spacing * math.Sqrt(float64(n))) },
	}[j.Truth.Layout]
	at := make([]vec, n)
	for i := range at {
		last = spot(i)
		at[i] = last
	}
	if j.Truth.Layout == "scatter" {
		return nearestWalk(at)
	}
	return at
}

// number gives the points ids and codes.
func (j *Job) number() {
	rng := j.rng
	format := pick(rng, []string{"%[1]d", "P%[1]d", "%[2]s%02[1]d", "%[2]s-%04[1]d", "%[2]s%[1]d"})
	first := pick(rng, []int{1, 1, 100, 1000, 417})
	codes := []string{"BOL", "LAD", "DR", "SV", "LP"}
	code := pick(rng, codes)
	for i, v := range j.places {
		if j.chance(0.1) {
			code = pick(rng, codes)
		}
		id := strings.Split(fmt.Sprintf(format, first+i, code), "%!")[0] // formats may leave the code out
		j.Points = append(j.Points, match.Point{ID: id, EN: j.at(v), Code: code, Line: i + 2})
	}
}

// nearestWalk orders points as one walks them: on to the nearest not yet seen.
func nearestWalk(at []vec) []vec {
	for i := 1; i < len(at); i++ {
		k := i
		for l := i; l < len(at); l++ {
			if at[l].to(at[i-1]) < at[k].to(at[i-1]) {
				k = l
			}
		}
		at[i], at[k] = at[k], at[i]
	}
	return at
}

// at is the place on the grid of a place on the site, to tenths of millimetres.
func (j *Job) at(v vec) grid.EN {
	u := j.plane.unit.Metres
	return grid.EN{E: math.Round((j.origin.E+v.E/u)*1e4) / 1e4, N: math.Round((j.origin.N+v.N/u)*1e4) / 1e4}
}

// timings are how photos may follow the survey.
var timings = []string{"after", "before", "follow", "reverse", "by-id", "later"}

// walk draws crews, cameras and who takes which photo when.
func (j *Job) walk(cfg Config) {
	rng, t := j.rng, &j.Truth
	n := len(j.places)
	t.Timing = pick(rng, timings)
	t.Crews = 1
	if n >= 16 && j.chance(0.3) {
		t.Crews = 2 + rng.IntN(2)
	}
	t.Returns = j.chance(0.35)
	if t.Standoff = decade(rng, 0.5, 6); j.chance(0.1) {
		t.Standoff = between(rng, 6, 15)
	}
	if j.side = around(rng); !j.chance(0.5) {
		j.side = vec{} // from anywhere
	}
	for crew, surveyed := range j.surveys(t.Crews) {
		visits := j.visits(surveyed)
		j.take(crew, visits, j.newCameras(cfg, crew), float64(cfg.Photos)/float64(n)*0.8)
	}
}

// visits are those of the crew that takes the photos of what another, or itself,
// surveyed.
func (j *Job) visits(surveyed []visit) []visit {
	rng := j.rng
	visits := slices.Clone(surveyed)
	atOnce, start := false, 0.0
	switch j.Truth.Timing {
	case "follow":
		start = between(rng, 300, 5400)
	case "reverse":
		slices.Reverse(visits)
		start = between(rng, 7200, 20000)
	case "by-id":
		slices.SortStableFunc(visits, func(a, b visit) int { return cmp.Compare(a.point, b.point) })
		start = between(rng, 7200, 20000)
	case "later":
		start = 86400*float64(1+rng.IntN(5)) + between(rng, -3600, 7200)
	default:
		atOnce = true
	}
	if j.Truth.Returns {
		visits = j.comeBack(visits)
	}
	if !atOnce || j.Truth.Returns {
		j.timed(visits, start, atOnce)
	}
	return visits
}

// take has a crew take photos on its visits, more of them about at each.
func (j *Job) take(crew int, visits []visit, cams []int, more float64) {
	rng := j.rng
	settle := between(rng, 5, 20)
	for _, k := range cams {
		c := j.cameras[k]
		c.settle, c.interval = settle, min(c.interval, settle)
	}
	cam := pick(rng, cams)
	first := true
	var last shot
	// shoot takes a photo, at the earliest when they can be there.
	shoot := func(t float64, point, visit int, stand vec) float64 {
		if !first {
			t = max(t, last.t+2)
			if last.point != point || point < 0 {
				t = max(t, last.t+2+last.stand.to(stand)/1.5+settle)
			}
		}
		first, last = false, shot{camera: cam, t: t, point: point, visit: visit, stand: stand}
		j.shots = append(j.shots, last)
		return t
	}
	j.walks = append(j.walks, nil)
	for k, v := range visits {
		j.walks[crew] = append(j.walks[crew], v.point)
		if j.chance(0.15) {
			cam = pick(rng, cams)
		}
		here, wait := j.places[v.point], between(rng, 8, 40)
		t := v.t + wait
		if j.Truth.Timing == "before" {
			t = v.t - between(rng, 8, 40)
		}
		for range 1 + min(3, int(rng.ExpFloat64()*more)) {
			side := around(rng)
			if j.side != (vec{}) {
				side = j.side.plus(normal(rng).times(0.3))
			}
			t = shoot(t, v.point, k, here.plus(side.times(j.Truth.Standoff*between(rng, 0.5, 1.1)))) + between(rng, 2, 12)
		}
		if j.chance(0.04) { // something on the way that nobody surveyed
			t = shoot(t, nothing, k, here.plus(around(rng).times(between(rng, 3, 30))))
		}
		if k == 0 && j.chance(0.4) || k == len(visits)-1 && j.chance(0.2) {
			shoot(t, wholeSite, k, here.plus(around(rng).times(between(rng, 5, 40))))
		}
	}
}

type visit struct {
	point int
	t     float64
}

// surveys draws the visits of the survey crews, and when they observed.
func (j *Job) surveys(crews int) [][]visit {
	rng := j.rng
	n := len(j.places)
	out := make([][]visit, crews)
	for c := range out {
		for i := c * n / crews; i < (c+1)*n/crews; i++ {
			out[c] = append(out[c], visit{point: i})
		}
		if j.Truth.Timing == "by-id" { // every other point on the way out, the rest on the way back
			slices.SortStableFunc(out[c], func(a, b visit) int { return cmp.Compare(a.point%2, b.point%2) })
			slices.Reverse(out[c][(len(out[c])+1)/2:])
		}
		j.timed(out[c], between(rng, 0, 900), false)
	}
	if j.chance(0.55) { // else nobody wrote down when points were observed
		for _, visits := range out {
			for _, v := range visits {
				j.Points[v.point].Observed = j.instant(v.t).Truncate(time.Second)
			}
		}
	}
	return out
}

// timed walks through visits from a time on. With keep, first visits of points stay
// at the time they have where the walk allows.
func (j *Job) timed(visits []visit, start float64, keep bool) {
	rng := j.rng
	speed, busy := between(rng, 0.8, 1.6), decade(rng, 6, 90)
	t := start
	seen := map[int]bool{}
	for i := range visits {
		v := &visits[i]
		if i > 0 {
			t += 15 + j.places[v.point].to(j.places[visits[i-1].point])/speed + busy*between(rng, 0.5, 1.6)
		}
		if keep && !seen[v.point] {
			t = max(t, v.t)
		}
		seen[v.point] = true
		v.t = t
	}
}

// comeBack adds visits to points that were seen before: some on the way, some when
// all is done.
func (j *Job) comeBack(visits []visit) []visit {
	rng := j.rng
	var out []visit
	share := between(rng, 0.02, 0.15)
	for i, v := range visits {
		out = append(out, v)
		if i > 1 && j.chance(share) {
			out = append(out, visits[rng.IntN(i)])
		}
	}
	if j.chance(0.6) {
		for range 1 + rng.IntN(1+len(visits)/6) {
			out = append(out, pick(rng, visits))
		}
	}
	return out
}

// newCameras draws the cameras of a crew.
func (j *Job) newCameras(cfg Config, crew int) []int {
	rng := j.rng
	count := 1
	if j.Truth.Crews == 1 {
		count += rng.IntN(3) * rng.IntN(2)
	}
	var mine []int
	for range count {
		k := len(j.cameras)
		c := &camera{receiver: newReceiver(rng, cmp.Or(cfg.Noise, pick(rng, Noises))), crew: crew,
			serial: fmt.Sprintf("%s-%06d", pick(rng, []string{"QM7", "HT", "R2"}), rng.IntN(1e6)), model: pick(rng, []string{"FieldPad 7", "Quay One", "TR-20"}),
			clock: between(rng, -20, 20), drift: between(rng, -1, 1) / 86400, zoned: j.chance(0.5), gps: j.chance(0.6), counter: 1 + rng.IntN(900)}
		if j.chance(0.15) {
			c.serial = ""
		}
		if j.chance(0.12) {
			c.restart = 1 + rng.IntN(60)
		}
		c.naming = pick(rng, []string{"counter", "counter", "counter", "clock", "clock", "id", "random"})
		c.folder = "photos/"
		if k > 0 || j.Truth.Crews > 1 || j.chance(0.3) {
			c.folder = fmt.Sprintf("photos/c%d/", k+1)
		}
		c.constant = []float64{3, 4, 5, 10, 65}[min(4, int(c.sigma*radius68*between(rng, 0.3, 1.1)))]
		if c.series == "sirf2" && j.chance(0.5) {
			c.stated, c.constant = "constant", 2.6 // as the receiver of that series states
		}
		j.cameras = append(j.cameras, c)
		mine = append(mine, k)
		j.Truth.Noise = append(j.Truth.Noise, c.kind)
		j.Truth.Stated = append(j.Truth.Stated, c.stated)
	}
	return mine
}

// fix walks each crew's track and has the receivers of its cameras along.
func (j *Job) fix() {
	slices.SortStableFunc(j.shots, func(a, b shot) int { return cmp.Compare(a.t, b.t) })
	for crew := range j.Truth.Crews {
		var session []*shot
		for i := range j.shots {
			s := &j.shots[i]
			if j.cameras[s.camera].crew != crew {
				continue
			}
			if n := len(session); n > 0 && s.t-session[n-1].t >= 2700 { // a pause ends a session
				j.receive(crew, session)
				session = nil
			}
			session = append(session, s)
		}
		j.receive(crew, session)
	}
}

// receive gives the shots of a crew's session their fixes.
func (j *Job) receive(crew int, session []*shot) {
	if len(session) == 0 {
		return
	}
	start, track := j.track(session)
	for k, c := range j.cameras {
		if c.crew != crew {
			continue
		}
		fixes, sigma := c.session(j.rng, track, j.trees)
		for _, s := range session {
			if s.camera != k {
				continue
			}
			at := int(s.t - start)
			s.fix, s.sigma, s.fixed = fixes[at], sigma[at], s.t
			if c.interval > 1 {
				s.fixed = start + float64(at-at%int(c.interval))
			}
		}
	}
}

// track is where a crew is each second, from half a minute before the first photo:
// it stands still for some seconds before a photo and walks on after.
func (j *Job) track(shots []*shot) (start float64, at []vec) {
	start = shots[0].t - 30
	for k, s := range shots {
		if k == 0 {
			for float64(len(at)) <= s.t-start {
				at = append(at, s.stand)
			}
			continue
		}
		before := shots[k-1]
		arrive := max(before.t+1, s.t-j.cameras[s.camera].settle)
		leave := min(before.t+3, arrive)
		for now := start + float64(len(at)); now <= s.t; now++ {
			w := 1.0
			if now < arrive {
				w = max(0, (now-leave)/(arrive-leave))
			}
			at = append(at, before.stand.times(1-w).plus(s.stand.times(w)))
		}
	}
	return start, at
}

// instant is the time in UTC of a second of the job; work starts at eight.
func (j *Job) instant(t float64) time.Time {
	zone := math.Round(j.plane.lon0 / 15)
	return time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC).Add(time.Duration((t - zone*3600) * float64(time.Second)))
}

// linked draws the share of photos of a point that a link says it of.
func (j *Job) linked(cfg Config) float64 {
	share := 1.0
	if j.chance(0.3) {
		share = between(j.rng, 0.5, 0.97)
	}
	if j.chance(0.12) && len(cfg.Blunders) == 0 {
		share = 0
	}
	return share
}

// write makes photos with names, tags and links of the shots.
func (j *Job) write(cfg Config) {
	names := map[string]bool{}
	count := map[int]int{}
	linked := j.linked(cfg)
	type row struct {
		photo match.Photo
		truth PhotoTruth
		link  string
		shot  shot
	}
	rows := make([]row, 0, len(j.shots))
	for _, s := range j.shots {
		c := j.cameras[s.camera]
		clock := j.local(c, s.t)
		id, truth := "", PhotoTruth{Shows: ShowsNone, Camera: j.at(s.stand), Error: s.fix.to(s.stand), Radius: s.sigma * radius68}
		switch {
		case s.point >= 0:
			id = j.Points[s.point].ID
			truth.Shows, truth.Point = "point", id
		case s.point == wholeSite:
			truth.Shows = ShowsSite
		}
		name := j.name(c, count[s.camera], clock, id)
		count[s.camera]++
		for k := 2; names[name]; k++ {
			name = strings.TrimSuffix(name, ".jpg") + fmt.Sprintf("-%d.jpg", k)
		}
		names[name] = true
		r := row{photo: match.Photo{Name: name, Tag: j.tag(c, s, clock)}, truth: truth, shot: s}
		if truth.Error > 4*truth.Radius {
			j.Truth.Wild++
		}
		if id != "" && j.chance(linked) {
			r.link = id
		}
		rows = append(rows, r)
	}
	slices.SortFunc(rows, func(a, b row) int { return cmp.Compare(a.photo.Name, b.photo.Name) })
	for i, r := range rows {
		j.Photos = append(j.Photos, r.photo)
		j.Truth.Photos = append(j.Truth.Photos, r.truth)
		j.links = append(j.links, r.link)
		j.shots[i] = r.shot
	}
	j.Options.Budget = match.DefaultBudget()
	j.Truth.StandoffKnown = true
	if j.chance(0.7) {
		j.Options.Budget.Standoff = math.Max(1, math.Round(j.Truth.Standoff))
	} else if j.Truth.Standoff > 3 {
		j.Truth.StandoffKnown = false
	}
}

// local is what a camera's clock shows, in UTC by its zone.
func (j *Job) local(c *camera, t float64) time.Time {
	zone := time.FixedZone("", int(math.Round(j.plane.lon0/15))*3600)
	return j.instant(t + c.clock + c.drift*t).Truncate(time.Second).In(zone)
}

func (j *Job) name(c *camera, k int, clock time.Time, id string) string {
	folder := c.folder
	if c.restart > 0 && k >= c.restart {
		folder += "101/" // the counter restarts with a new folder
		k -= c.restart
	} else if c.restart > 0 {
		folder += "100/"
		k += c.counter
	} else {
		k += c.counter
	}
	switch c.naming {
	case "clock":
		return folder + clock.Format("20060102_150405") + ".jpg"
	case "id":
		if id != "" {
			return folder + fmt.Sprintf("%s_%04d.jpg", id, k)
		}
	case "random":
		return folder + fmt.Sprintf("%08x.jpg", j.rng.Uint32())
	}
	return folder + fmt.Sprintf("IMG_%04d.jpg", k)
}

// position is a place in degrees as a camera writes it.
func position(ll grid.LatLon, step float64) *geotag.Position {
	return &geotag.Position{Lat: math.Round(ll.Lat/step) * step, Lon: math.Round(ll.Lon/step) * step, Step: step, Source: geotag.SourceExif}
}

// tag is what the camera writes for a shot.
func (j *Job) tag(c *camera, s shot, clock time.Time) *geotag.Tag {
	t := &geotag.Tag{Container: "jpeg", ExifVersion: "0232", Make: "Velland", Model: c.model, Serial: c.serial,
		Position: position(j.plane.wgs84(j.at(s.fix)), c.step)}
	shown := clock
	if !c.zoned {
		_, off := clock.Zone()
		shown = clock.Add(time.Duration(off) * time.Second).UTC()
	}
	t.Taken = &geotag.Taken{Time: shown, HasOffset: c.zoned}
	if c.gps {
		at := j.instant(s.fixed).Truncate(time.Second)
		t.GPSTime = &at
	}
	r := s.sigma * radius68
	switch c.stated {
	case "honest", "optimistic":
		r = math.Round(r/c.optimism*math.Exp(0.1*j.rng.NormFloat64())*1000) / 1000
		t.HPositioningError = &r
	case "constant":
		r = c.constant
		t.HPositioningError = &r
	case "dilution":
		dop := math.Max(0.7, math.Round(s.sigma*math.Sqrt2/match.DefaultBudget().UserRangeError*10)/10)
		t.DOP = &dop
	}
	return t
}

// list writes the links out.
func (j *Job) list() {
	for i, l := range j.links {
		if l != "" {
			j.Links = append(j.Links, match.Link{Photo: j.Photos[i].Name, Point: l, Line: len(j.Links) + 2})
		}
	}
}

// Check judges the job.
func (j *Job) Check(ctx context.Context) (*match.Result, error) {
	return match.Check(ctx, j.Grid, j.Points, j.Links, match.All(j.Photos), j.Options)
}
