package field

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Plant is a blunder that was planted.
type Plant struct {
	Blunder string `json:"blunder"`
	// Causes are the names of causes that say it, the first the best; none where
	// nothing that is known does.
	Causes []string `json:"causes"`
	// Photos are those concerned: with an altered tag or link, or linked to a point
	// that was moved.
	Photos []string `json:"photos"`
	// Size is the median in metres by which the difference between tag and linked
	// point of those photos was changed; 0 where only times were.
	Size float64 `json:"size_m"`
	// Detectable says that enough photos (two of exchanged links, one of single ones,
	// otherwise five) were put out by what can be told: 12 m, or twice the median
	// difference between tag and point before where that is more; or, of clocks, that
	// times can tell.
	Detectable bool `json:"detectable"`
	// Slight are those of Photos that were put out by less than that.
	Slight []string `json:"slight,omitempty"`
	// Amounts are the figures, by the name and in the unit that a cause gives them.
	Amounts map[string]float64 `json:"amounts,omitempty"`
	// Modulo is what nobody can tell amounts beyond: the hour, of a clock of unknown
	// zone; 0 for nothing.
	Modulo float64 `json:"modulo,omitempty"`
	// PointsMoved says that the list of points is wrong.
	PointsMoved bool `json:"points_moved,omitempty"`
}

// A blunder is a way of going wrong.
type blunder struct {
	name string
	// causes are the names of causes that say so.
	causes []string
	// on says which grids it can happen on; nil takes all.
	on func(p *plane) bool
	do func(j *Job, p *Plant)
}

// blunders has them all; functions that work on each tag or each point are put
// together by tagged and moved.
var blunders = []blunder{
	{"late-run", []string{"late-run"}, nil, func(j *Job, _ *Plant) { j.shiftRun(1) }},
	{"early-run", []string{"early-run"}, nil, func(j *Job, _ *Plant) { j.shiftRun(-1) }},
	{"swapped-ties", []string{"swapped-ties"}, nil, (*Job).swapTies},
	{"wrong-tie", []string{"wrong-tie"}, nil, (*Job).wrongTie},
	{"frozen-fix", repeats, nil, (*Job).freeze},
	{"copied-tags", repeats, nil, (*Job).copyTags},
	{"flipped-longitude", []string{"flipped-longitude"}, nil, tagged(func(_ *Job, p grid.LatLon) grid.LatLon { return grid.LatLon{Lat: p.Lat, Lon: -p.Lon} })},
	{"flipped-latitude", []string{"flipped-latitude"}, nil, tagged(func(_ *Job, p grid.LatLon) grid.LatLon { return grid.LatLon{Lat: -p.Lat, Lon: p.Lon} })},
	{"swapped-lat-lon", []string{"swapped-lat-lon"}, func(p *plane) bool { return math.Abs(p.lon0) < 80 },
		tagged(func(_ *Job, p grid.LatLon) grid.LatLon { return grid.LatLon{Lat: p.Lon, Lon: p.Lat} })},
	{"swapped-en", []string{"swapped-en"}, nil, func(j *Job, _ *Plant) { j.move(func(at grid.EN) grid.EN { return grid.EN{E: at.N, N: at.E} }) }},
	{"wrong-feet", []string{"wrong-feet"}, func(p *plane) bool { return p.unit != grid.Metre },
		func(j *Job, _ *Plant) { j.scale(grid.EN{}, pick(j.rng, []float64{0.999998, 1 / 0.999998})) }},
	{"feet-for-metres", []string{"feet-for-metres"}, func(p *plane) bool { return p.unit == grid.Metre }, func(j *Job, p *Plant) {
		factor := pick(j.rng, []float64{1 / 0.3048, 3937.0 / 1200})
		j.scale(grid.EN{}, factor)
		p.Amounts = map[string]float64{"factor": 1 / factor}
	}},
	{"point-datum", []string{"point-datum"}, older, (*Job).pointDatum},
	{"tag-datum", []string{"tag-datum"}, older, tagged(func(j *Job, p grid.LatLon) grid.LatLon { return datums["WGS84"].shift(p, datums[j.plane.oldDatum]) })},
	{"common-shift", []string{"common-shift"}, nil, (*Job).shift},
	{"neighbouring-zone", []string{"neighbouring-zone", "wrong-grid"}, func(p *plane) bool { return len(p.zones) > 0 }, (*Job).neighbourZone},
	{"clock-offset", []string{"clock-offset"}, nil, (*Job).offClock},
	{"decimal-minutes", []string{"decimals-as-minutes", "minutes-as-decimals"}, nil, (*Job).minutes},
	{"rounded-tags", []string{"rounded-tags"}, nil, func(j *Job, _ *Plant) { j.round(pick(j.rng, []float64{1.0 / 3600, 1.0 / 600, 5e-4, 1e-3})) }},
	{"ground-as-grid", []string{"ground-as-grid", "common-shift"}, nil, (*Job).ground},
	{"renumbered-points", []string{"late-run", "early-run", "wrong-tie", "renumbered-points"}, nil, (*Job).renumber},
	{"neighbours-points", nil, nil, (*Job).neighbourPoints},
	{"tower-position", repeats, nil, (*Job).tower},
	{"home-position", repeats, nil, (*Job).home},
	{"rolled-over-dates", []string{"clock-offset", "date-rollover", "rolled-over-dates"}, nil, (*Job).rollOver},
	{"privacy-rounding", []string{"rounded-tags"}, nil, func(j *Job, _ *Plant) { j.round(pick(j.rng, []float64{1e-2, 1e-3})) }},
}

// repeats are the names of causes that say that tags repeat another's.
var repeats = []string{"frozen-fix", "repeated-tag", "copied-tag"}

func older(p *plane) bool { return p.oldDatum != "" }

// tagged changes the positions of a camera's photos, or of a run of them.
func tagged(f func(j *Job, p grid.LatLon) grid.LatLon) func(*Job, *Plant) {
	return func(j *Job, _ *Plant) {
		for _, i := range j.some() {
			if at := j.Photos[i].Tag.Position; at != nil {
				j.retag(i, f(j, grid.LatLon{Lat: at.Lat, Lon: at.Lon}))
			}
		}
	}
}

// move changes the coordinates of all points.
func (j *Job) move(f func(at grid.EN) grid.EN) {
	for i := range j.Points {
		j.Points[i].EN = f(j.Points[i].EN)
	}
}

// scale multiplies distances from an origin.
func (j *Job) scale(o grid.EN, factor float64) {
	j.move(func(at grid.EN) grid.EN { return grid.EN{E: o.E + (at.E-o.E)*factor, N: o.N + (at.N-o.N)*factor} })
}

// plant plants a blunder and writes down what it did.
func (j *Job) plant(name string) {
	if name == "two" {
		a := pick(j.rng, []string{"common-shift", "point-datum", "flipped-longitude", "frozen-fix", "swapped-lat-lon", "clock-offset", "late-run"})
		b := pick(j.rng, []string{"late-run", "early-run", "swapped-ties", "wrong-tie", "frozen-fix"})
		k := slices.IndexFunc(blunders, func(x blunder) bool { return x.name == a })
		if a == b || a == "frozen-fix" && b == "late-run" || blunders[k].on != nil && !blunders[k].on(j.plane) {
			a = "common-shift"
		}
		j.plant(a)
		j.plant(b)
		return
	}
	k := slices.IndexFunc(blunders, func(b blunder) bool { return b.name == name })
	if k < 0 {
		panic("field: no such blunder: " + name)
	}
	p := Plant{Blunder: name, Causes: blunders[k].causes}
	if j.Truth.Timing == "reverse" && (name == "late-run" || name == "early-run") {
		p.Causes = []string{name, "early-run", "late-run"} // against the order of the survey one is the other
	}
	was := Job{Points: slices.Clone(j.Points), links: slices.Clone(j.links), plane: j.plane}
	for _, x := range j.Photos {
		t := *x.Tag
		was.Photos = append(was.Photos, match.Photo{Tag: &t})
	}
	blunders[k].do(j, &p)
	j.compare(&was, &p)
	j.Truth.Plants = append(j.Truth.Plants, p)
}

// compare writes down what a blunder changed.
func (j *Job) compare(was *Job, p *Plant) {
	before, after := was.differences(), j.differences()
	for i := range j.Points {
		p.PointsMoved = p.PointsMoved || was.Points[i].EN != j.Points[i].EN
	}
	var sizes, of, usual []float64 // of has that of each of p.Photos, 0 where it has no place before or after
	for i := range j.Photos {
		now, then := j.Photos[i].Tag, was.Photos[i].Tag
		altered := now.Position != then.Position || now.Taken != then.Taken || now.GPSTime != then.GPSTime || j.links[i] != was.links[i]
		j.Truth.Photos[i].Altered = j.Truth.Photos[i].Altered || altered
		if before[i] != nil {
			usual = append(usual, math.Hypot(before[i].E, before[i].N))
		}
		if !altered && (!p.PointsMoved || j.links[i] == "") {
			continue
		}
		p.Photos = append(p.Photos, j.Photos[i].Name)
		of = append(of, 0)
		switch {
		case after[i] == nil && now.Position == nil:
			of[len(of)-1] = 1e7
		case before[i] != nil && after[i] != nil:
			of[len(of)-1] = before[i].to(*after[i])
		default:
			continue
		}
		sizes = append(sizes, of[len(of)-1])
	}
	p.Size = median(sizes)
	if p.Blunder == "clock-offset" || p.Blunder == "rolled-over-dates" {
		return
	}
	enough := max(12, 2*median(usual))
	for i, size := range of {
		if size < enough {
			p.Slight = append(p.Slight, p.Photos[i])
		}
	}
	least := cmp.Or(map[string]int{"wrong-tie": 1, "swapped-ties": 2}[p.Blunder], 5)
	p.Detectable = p.Size >= enough && len(p.Photos) >= least
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	x = slices.Sorted(slices.Values(x))
	return x[len(x)/2]
}

// differences are tag minus linked point in metres, without the grid's scale; nil
// where either is missing.
func (j *Job) differences() []*vec {
	at := map[string]grid.EN{}
	for _, p := range j.Points {
		at[p.ID] = p.EN
	}
	out := make([]*vec, len(j.Photos))
	for i := range j.Photos {
		pos := j.Photos[i].Tag.Position
		to, ok := at[j.links[i]]
		if pos == nil || !ok {
			continue
		}
		if en, ok := j.plane.project(datums["WGS84"].shift(grid.LatLon{Lat: pos.Lat, Lon: pos.Lon}, j.plane.datum)); ok {
			u := j.plane.unit.Metres
			out[i] = &vec{(en.E - to.E) * u, (en.N - to.N) * u}
		} else {
			out[i] = &vec{1e7, 0}
		}
	}
	return out
}

// retag gives a photo another position.
func (j *Job) retag(i int, to grid.LatLon) {
	t := *j.Photos[i].Tag
	t.Position = position(to, t.Position.Step)
	j.Photos[i].Tag = &t
}

// inTime are the photos of a crew or, with one of its cameras, of that, in order;
// photos with an altered link or tag are left out.
func (j *Job) inTime(crew, camera int) []int {
	var out []int
	for i, s := range j.shots {
		if j.cameras[s.camera].crew == crew && (camera < 0 || s.camera == camera) && !j.Truth.Photos[i].Altered {
			out = append(out, i)
		}
	}
	slices.SortStableFunc(out, func(a, b int) int { return cmp.Compare(j.shots[a].t, j.shots[b].t) })
	return out
}

// run picks photos of one camera that follow one another, lo to hi of them, from a
// place drawn or, where first is 0, from the first.
func (j *Job) run(first, lo, hi int) []int {
	cam := pick(j.rng, j.shots).camera
	all := j.inTime(j.cameras[cam].crew, cam)
	n := min(len(all), lo+j.rng.IntN(max(1, hi-lo+1)))
	from := 0
	if first != 0 {
		from = j.rng.IntN(len(all) - n + 1)
	}
	return all[from : from+n]
}

// some picks the photos of a camera, or a run of them.
func (j *Job) some() []int {
	cam := pick(j.rng, j.shots).camera
	all := j.inTime(j.cameras[cam].crew, cam)
	if j.chance(0.6) || len(all) < 8 {
		return all
	}
	n := len(all)/4 + j.rng.IntN(len(all)/2)
	from := j.rng.IntN(len(all) - n)
	return all[from : from+n]
}

// shiftRun links a run of photos to the point after (by is 1) or before the one
// that they show, as their crew walked.
func (j *Job) shiftRun(by int) {
	crew := j.cameras[pick(j.rng, j.shots).camera].crew
	cam := -1
	if j.chance(0.4) {
		cam = pick(j.rng, j.shots).camera
		crew = j.cameras[cam].crew
	}
	var linked []int
	for _, i := range j.inTime(crew, cam) {
		if j.links[i] != "" {
			linked = append(linked, i)
		}
	}
	if len(linked) == 0 {
		return
	}
	n := min(len(linked), 4+j.rng.IntN(max(1, len(linked)/2)))
	from := j.rng.IntN(len(linked) - n + 1)
	walk := j.walks[crew]
	for _, i := range linked[from : from+n] {
		k := j.shots[i].visit + by
		for k >= 0 && k < len(walk) && walk[k] == j.shots[i].point {
			k += by
		}
		if k >= 0 && k < len(walk) {
			j.links[i] = j.Points[walk[k]].ID
		}
	}
}

// swapTies exchanges the links of photos that follow each other closely.
func (j *Job) swapTies(*Plant) {
	for range 1 + j.rng.IntN(3) {
		cam := pick(j.rng, j.shots).camera
		all := j.inTime(j.cameras[cam].crew, cam)
		for range 50 {
			if len(all) < 2 {
				break
			}
			k := j.rng.IntN(len(all) - 1)
			a, b := all[k], all[min(len(all)-1, k+1+j.rng.IntN(3))]
			right := func(i int) bool { return j.links[i] != "" && j.links[i] == j.Truth.Photos[i].Point }
			if right(a) && right(b) && j.links[a] != j.links[b] {
				j.links[a], j.links[b] = j.links[b], j.links[a]
				break
			}
		}
	}
}

// wrongTie links single photos to any other point, or to one a few numbers on.
func (j *Job) wrongTie(*Plant) {
	want := 1 + j.rng.IntN(min(3, 1+len(j.Photos)/12))
	for range 200 {
		i := j.rng.IntN(len(j.Photos))
		if j.links[i] == "" || j.links[i] != j.Truth.Photos[i].Point || j.Truth.Photos[i].Altered {
			continue
		}
		k := j.rng.IntN(len(j.Points))
		if j.chance(0.4) {
			k = (j.shots[i].point + 1 + j.rng.IntN(4)) % len(j.Points)
		}
		if k != j.shots[i].point {
			j.links[i] = j.Points[k].ID
			if want--; want == 0 {
				return
			}
		}
	}
}

// copyTag gives a photo the position of another, with what was stated of it.
func (j *Job) copyTag(from, to int, clock bool) {
	t, f := *j.Photos[to].Tag, j.Photos[from].Tag
	p := *f.Position
	t.Position, t.HPositioningError, t.DOP = &p, f.HPositioningError, f.DOP
	if clock && t.GPSTime != nil {
		t.GPSTime = f.GPSTime
	}
	j.Photos[to].Tag = &t
}

func (j *Job) freeze(*Plant) {
	run := j.run(1, 5, max(5, min(24, len(j.Photos)/3)))
	clock := j.chance(0.5)
	for _, i := range run[min(1, len(run)):] {
		j.copyTag(run[0], i, clock)
	}
}

func (j *Job) copyTags(*Plant) {
	from := j.rng.IntN(len(j.Photos))
	n := 3 + j.rng.IntN(max(1, len(j.Photos)/8))
	for _, i := range j.rng.Perm(len(j.Photos))[:min(n, len(j.Photos))] {
		if i != from {
			j.copyTag(from, i, false)
		}
	}
}

// shift is a base station on wrong coordinates.
func (j *Job) shift(p *Plant) {
	v := around(j.rng).times(decade(j.rng, 6, 80))
	u := j.plane.unit.Metres
	j.move(func(at grid.EN) grid.EN { return grid.EN{E: at.E + v.E/u, N: at.N + v.N/u} })
	p.Amounts = map[string]float64{"shift east": -v.E, "shift north": -v.N}
}

// neighbourZone has the points in the zone beside that of the grid.
func (j *Job) neighbourZone(*Plant) {
	to := planes[pick(j.rng, j.plane.zones)]
	j.move(func(at grid.EN) grid.EN {
		ll, _ := j.plane.Geographic(at)
		at, _ = to.project(ll)
		return at
	})
}

// ground has distances on the ground laid off from the grid's origin or a nearer one.
func (j *Job) ground(p *Plant) {
	factor := 1 + pick(j.rng, []float64{-1, 1})*between(j.rng, 1e-4, 4e-4)
	o := grid.EN{}
	if j.chance(0.4) {
		o = j.at(around(j.rng).times(between(j.rng, 5e3, 4e4)))
	}
	j.scale(o, factor)
	p.Amounts = map[string]float64{"factor": factor}
}

// neighbourPoints takes the point file of a like site nearby.
func (j *Job) neighbourPoints(*Plant) {
	far := around(j.rng).times(between(j.rng, 200, 3000))
	turn := around(j.rng)
	for i := range j.Points {
		j.Points[i].EN = j.at(j.places[i].turned(turn.E, turn.N).plus(far).plus(normal(j.rng).times(3)))
	}
}

// pointDatum puts the points on an older datum: projected as if they were on the
// grid's own, or on the same plane of the older one.
func (j *Job) pointDatum(*Plant) {
	to := datums[j.plane.oldDatum]
	plane := j.plane
	if p := planes[j.plane.older]; p != nil && j.chance(0.5) {
		plane = p
	}
	j.move(func(at grid.EN) grid.EN {
		ll, _ := j.plane.Geographic(at)
		at, _ = plane.project(j.plane.datum.shift(ll, to))
		return at
	})
}

// offClock puts a camera's clock off by 40 s to 3 h.
func (j *Job) offClock(p *Plant) {
	k := pick(j.rng, j.shots).camera
	c := j.cameras[k]
	s := math.Round(decade(j.rng, 40, 10800))
	if j.chance(0.5) {
		s = -s
	}
	for i := range j.Photos {
		if j.shots[i].camera == k {
			t := *j.Photos[i].Tag
			t.Taken = &geotag.Taken{Time: t.Taken.Time.Add(time.Duration(s) * time.Second), HasOffset: t.Taken.HasOffset}
			j.Photos[i].Tag = &t
		}
	}
	s += c.clock
	past := math.Inf(1) // what a zone can't explain
	surveyed := !j.Points[0].Observed.IsZero() && (j.Truth.Timing == "after" || j.Truth.Timing == "before")
	p.Amounts = map[string]float64{"offset": s}
	if !c.zoned {
		p.Modulo, past = 3600, math.Abs(math.Remainder(s, 900))
	}
	p.Detectable = c.gps && past > 60 || surveyed && math.Abs(s) > 660 && past > 120
}

// minutes writes decimals of a degree as minutes, or degrees and minutes as decimals.
// Of 60 minutes and more a reader makes no position, and says so.
func (j *Job) minutes(*Plant) {
	back := j.chance(0.5)
	for _, i := range j.some() {
		t := *j.Photos[i].Tag
		as := func(field string, deg float64) float64 {
			d, f := math.Modf(deg)
			if back {
				return d + f*0.6
			}
			if m := math.Abs(f * 100); m >= 60 {
				t.Warnings = append(slices.Clone(t.Warnings), geotag.Warning{Code: geotag.WarnOutOfRange, Field: field,
					Detail: fmt.Sprintf("minutes are %d/%d, which is 60 or more", int(m*1e5), int(1e5))})
			}
			return d + f/0.6
		}
		to := grid.LatLon{Lat: as("GPSLatitude", t.Position.Lat), Lon: as("GPSLongitude", t.Position.Lon)}
		if t.Position = position(to, t.Position.Step); len(t.Warnings) > 0 {
			t.Position = nil
		}
		j.Photos[i].Tag = &t
	}
}

// round rounds the positions of a camera's photos.
func (j *Job) round(step float64) {
	tagged(func(_ *Job, p grid.LatLon) grid.LatLon {
		return grid.LatLon{Lat: math.Round(p.Lat/step) * step, Lon: math.Round(p.Lon/step) * step}
	})(j, nil)
}

// home has the first photos carry the last position before the day began.
func (j *Job) home(*Plant) {
	home := j.plane.wgs84(j.at(around(j.rng).times(between(j.rng, 4e3, 4e4))))
	for _, i := range j.run(0, 4, max(4, len(j.Photos)/3)) {
		j.retag(i, home)
	}
}

// rollOver puts the time of a camera's fixes 1,024 weeks back or, where it writes
// none, its clock 20 years.
func (j *Job) rollOver(*Plant) {
	k := pick(j.rng, j.shots).camera
	for i := range j.Photos {
		if t := j.Photos[i].Tag; j.shots[i].camera == k && t.GPSTime != nil {
			back := t.GPSTime.AddDate(0, 0, -7*1024)
			t.GPSTime = &back
		} else if j.shots[i].camera == k {
			t.Taken = &geotag.Taken{Time: t.Taken.Time.AddDate(-20, 0, 0), HasOffset: t.Taken.HasOffset}
		}
	}
}

// renumber has the office number the points anew from some point on, by one or in
// reverse, after the crew has written the numbers down.
func (j *Job) renumber(*Plant) {
	from := j.rng.IntN(max(1, len(j.Points)/2))
	reverse := j.chance(0.4)
	for i := range j.links {
		k := j.shots[i].point
		if j.links[i] == "" || k < from {
			continue
		}
		if reverse {
			k = from + len(j.Points) - 1 - k
		} else {
			k = min(k+1, len(j.Points)-1)
		}
		j.links[i] = j.Points[k].ID
	}
}

// tower puts the place of a cell tower into some tags, with the error of one or
// none stated.
func (j *Job) tower(*Plant) {
	at := j.plane.wgs84(j.at(around(j.rng).times(between(j.rng, 500, 2500))))
	share := between(j.rng, 0.05, 0.3)
	coarse := math.Round(between(j.rng, 400, 2500))
	for i := range j.Photos {
		if j.chance(share) {
			j.retag(i, at)
			if j.Photos[i].Tag.HPositioningError != nil {
				j.Photos[i].Tag.HPositioningError = &coarse
			}
		}
	}
}
