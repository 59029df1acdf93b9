package field

import (
	"cmp"
	"math"
	"slices"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
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
	// Detectable says that Size is twice the median difference between tag and
	// point before, and 12 m too where not all photos are concerned; that five photos
	// are, where a blunder is one of runs, cameras or the whole job; or, of clocks,
	// that times can tell.
	Detectable bool `json:"detectable"`
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

func inFeet(p *plane) bool   { return p.unit != grid.Metre }
func inMetres(p *plane) bool { return p.unit == grid.Metre }

var blunders []blunder

func init() {
	moved := func(f func(j *Job, p *Plant, at grid.EN) grid.EN) func(*Job, *Plant) {
		return func(j *Job, p *Plant) {
			for i := range j.Points {
				j.Points[i].EN = f(j, p, j.Points[i].EN)
			}
		}
	}
	tagged := func(f func(t *geotag.Tag, p grid.LatLon) *grid.LatLon) func(*Job, *Plant) {
		return func(j *Job, p *Plant) {
			for _, i := range j.some() {
				t := j.Photos[i].Tag
				if t.Position == nil {
					continue
				}
				to := f(t, grid.LatLon{Lat: t.Position.Lat, Lon: t.Position.Lon})
				j.retag(i, to, t.Position.Step)
			}
		}
	}
	blunders = []blunder{
		{"late-run", []string{"late-run"}, nil, func(j *Job, p *Plant) { j.shiftRun(1) }},
		{"early-run", []string{"early-run"}, nil, func(j *Job, p *Plant) { j.shiftRun(-1) }},
		{"swapped-ties", []string{"swapped-ties"}, nil, (*Job).swapTies},
		{"wrong-tie", []string{"wrong-tie"}, nil, (*Job).wrongTie},
		{"frozen-fix", []string{"frozen-fix", "repeated-tag"}, nil, (*Job).freeze},
		{"copied-tags", []string{"repeated-tag", "copied-tag", "frozen-fix"}, nil, (*Job).copyTags},
		{"flipped-longitude", []string{"flipped-longitude"}, nil, tagged(func(_ *geotag.Tag, p grid.LatLon) *grid.LatLon { return &grid.LatLon{Lat: p.Lat, Lon: -p.Lon} })},
		{"flipped-latitude", []string{"flipped-latitude"}, nil, tagged(func(_ *geotag.Tag, p grid.LatLon) *grid.LatLon { return &grid.LatLon{Lat: -p.Lat, Lon: p.Lon} })},
		{"swapped-lat-lon", []string{"swapped-lat-lon"}, func(p *plane) bool { return math.Abs(p.lon0) < 80 }, tagged(func(_ *geotag.Tag, p grid.LatLon) *grid.LatLon {
			return &grid.LatLon{Lat: p.Lon, Lon: p.Lat}
		})},
		{"swapped-en", []string{"swapped-en"}, nil, moved(func(_ *Job, _ *Plant, at grid.EN) grid.EN { return grid.EN{E: at.N, N: at.E} })},
		{"wrong-feet", []string{"wrong-feet"}, inFeet, func(j *Job, p *Plant) { j.scalePoints(p, pick(j.rng, []float64{0.999998, 1 / 0.999998})) }},
		{"feet-for-metres", []string{"feet-for-metres"}, inMetres, func(j *Job, p *Plant) { j.scalePoints(p, pick(j.rng, []float64{1 / 0.3048, 3937.0 / 1200})) }},
		{"point-datum", []string{"point-datum"}, func(p *plane) bool { return p.oldDatum != "" }, (*Job).pointDatum},
		{"tag-datum", []string{"tag-datum"}, func(p *plane) bool { return p.oldDatum != "" }, func(j *Job, p *Plant) {
			to := datums[j.plane.oldDatum]
			for _, i := range j.some() {
				at := j.Photos[i].Tag.Position
				ll := datums["WGS84"].shift(grid.LatLon{Lat: at.Lat, Lon: at.Lon}, to)
				j.retag(i, &ll, at.Step)
			}
		}},
		{"common-shift", []string{"common-shift"}, nil, func(j *Job, p *Plant) {
			v := around(j.rng).times(decade(j.rng, 6, 80))
			u := j.plane.unit.Metres
			for i := range j.Points {
				j.Points[i].E += v.E / u
				j.Points[i].N += v.N / u
			}
			p.Amounts = map[string]float64{"shift east": -v.E, "shift north": -v.N}
		}},
		{"neighbouring-zone", []string{"neighbouring-zone"}, func(p *plane) bool { return len(p.zones) > 0 }, func(j *Job, p *Plant) {
			to := planes[pick(j.rng, j.plane.zones)]
			for i := range j.Points {
				ll, _ := j.plane.Geographic(j.Points[i].EN)
				j.Points[i].EN, _ = to.project(ll)
			}
		}},
		{"clock-offset", []string{"clock-offset"}, nil, (*Job).offClock},
		{"decimal-minutes", []string{"decimals-as-minutes", "minutes-as-decimals"}, nil, (*Job).minutes},
		{"rounded-tags", []string{"rounded-tags"}, nil, func(j *Job, p *Plant) { j.round(pick(j.rng, []float64{1.0 / 3600, 1.0 / 600, 5e-4, 1e-3})) }},
		{"ground-as-grid", []string{"ground-as-grid"}, nil, func(j *Job, p *Plant) {
			factor := 1 + pick(j.rng, []float64{-1, 1})*between(j.rng, 1e-4, 4e-4)
			o := grid.EN{}
			if j.chance(0.4) {
				o = j.at(around(j.rng).times(between(j.rng, 5e3, 4e4)))
			}
			for i := range j.Points {
				at := &j.Points[i]
				at.E, at.N = o.E+(at.E-o.E)*factor, o.N+(at.N-o.N)*factor
			}
			p.Amounts = map[string]float64{"factor": factor}
		}},
		{"renumbered-points", []string{"late-run", "early-run", "wrong-tie", "renumbered-points"}, nil, (*Job).renumber},
		{"neighbours-points", nil, nil, func(j *Job, p *Plant) {
			far := around(j.rng).times(between(j.rng, 200, 3000))
			turn := around(j.rng)
			for i := range j.Points {
				j.Points[i].EN = j.at(j.places[i].turned(turn.E, turn.N).plus(far).plus(normal(j.rng).times(3)))
			}
		}},
		{"tower-position", []string{"repeated-tag", "copied-tag", "frozen-fix"}, nil, (*Job).tower},
		{"home-position", []string{"repeated-tag", "copied-tag", "frozen-fix"}, nil, func(j *Job, p *Plant) {
			home := j.plane.wgs84(j.at(around(j.rng).times(between(j.rng, 4e3, 4e4))))
			for _, i := range j.run(0, 4, max(4, len(j.Photos)/3)) {
				j.retag(i, &home, j.Photos[i].Tag.Position.Step)
			}
		}},
		{"rolled-over-dates", []string{"clock-offset", "date-rollover", "rolled-over-dates"}, nil, func(j *Job, p *Plant) {
			c := j.cameras[pick(j.rng, j.shots).camera]
			for i := range j.Photos {
				if t := j.Photos[i].Tag; j.cameras[j.shots[i].camera] == c && t.GPSTime != nil {
					back := t.GPSTime.AddDate(0, 0, -7*1024)
					t.GPSTime = &back
				} else if j.cameras[j.shots[i].camera] == c {
					t.Taken = &geotag.Taken{Time: t.Taken.Time.AddDate(-20, 0, 0), HasOffset: t.Taken.HasOffset}
				}
			}
		}},
		{"privacy-rounding", []string{"rounded-tags"}, nil, func(j *Job, p *Plant) { j.round(pick(j.rng, []float64{1e-2, 1e-3})) }},
	}
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
	b := blunders[k]
	p := Plant{Blunder: name, Causes: b.causes}
	before, links, tags := j.differences(), slices.Clone(j.links), make([]geotag.Tag, len(j.Photos))
	points := slices.Clone(j.Points)
	for i := range tags {
		tags[i] = *j.Photos[i].Tag
	}
	b.do(j, &p)
	after := j.differences()
	for i := range points {
		p.PointsMoved = p.PointsMoved || points[i].EN != j.Points[i].EN
	}
	var sizes, usual []float64
	for i := range j.Photos {
		now := j.Photos[i].Tag
		altered := now.Position != tags[i].Position || now.Taken != tags[i].Taken || now.GPSTime != tags[i].GPSTime || j.links[i] != links[i]
		j.Truth.Photos[i].Altered = j.Truth.Photos[i].Altered || altered
		if before[i] != nil {
			usual = append(usual, math.Hypot(before[i].E, before[i].N))
		}
		if !altered && (!p.PointsMoved || j.links[i] == "") {
			continue
		}
		p.Photos = append(p.Photos, j.Photos[i].Name)
		switch {
		case after[i] == nil && now.Position == nil:
			sizes = append(sizes, 1e7)
		case before[i] != nil && after[i] != nil:
			sizes = append(sizes, before[i].to(*after[i]))
		}
	}
	if p.Size = median(sizes); !slices.Contains([]string{"clock-offset", "rolled-over-dates"}, name) {
		least := map[string]int{"wrong-tie": 1, "swapped-ties": 2}[name]
		p.Detectable = p.Size >= 2*median(usual) && (p.PointsMoved || p.Size >= 12) && len(p.Photos) >= cmp.Or(least, 5)
	}
	j.Truth.Plants = append(j.Truth.Plants, p)
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

// retag gives a photo another position; nil takes it away, as a reader does that
// finds it out of range.
func (j *Job) retag(i int, to *grid.LatLon, step float64) {
	t := *j.Photos[i].Tag
	if t.Position = nil; to != nil && to.Valid() {
		t.Position = position(*to, step)
	} else {
		field := "GPSLatitude"
		if to != nil && math.Abs(to.Lon) > 180 {
			field = "GPSLongitude"
		}
		t.Warnings = append(slices.Clone(t.Warnings), geotag.Warning{Code: geotag.WarnOutOfRange, Field: field, Detail: "out of range"})
	}
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

// scalePoints multiplies all coordinates, as units that are not those of the grid do.
func (j *Job) scalePoints(p *Plant, factor float64) {
	for i := range j.Points {
		j.Points[i].E *= factor
		j.Points[i].N *= factor
	}
	if math.Abs(factor-1) > 0.1 {
		p.Amounts = map[string]float64{"factor": 1 / factor}
	}
}

// pointDatum puts the points on an older datum: projected as if they were on the
// grid's own, or on the same plane of the older one.
func (j *Job) pointDatum(*Plant) {
	to := datums[j.plane.oldDatum]
	plane := j.plane
	if p := planes[j.plane.old]; p != nil && j.chance(0.5) {
		plane = p
	}
	for i := range j.Points {
		ll, _ := j.plane.Geographic(j.Points[i].EN)
		j.Points[i].EN, _ = plane.project(j.plane.datum.shift(ll, to))
	}
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
	past := math.Abs(math.Remainder(s, 900)) // what a zone can't explain
	surveyed := !j.Points[0].Observed.IsZero() && (j.Truth.Timing == "after" || j.Truth.Timing == "before")
	p.Amounts = map[string]float64{"offset": s}
	if !c.zoned {
		p.Modulo = 3600
	}
	p.Detectable = c.gps && (c.zoned || past > 60) || surveyed && math.Abs(s) > 660 && (c.zoned || past > 120)
}

// minutes writes decimals of a degree as minutes, or degrees and minutes as decimals.
func (j *Job) minutes(*Plant) {
	back := j.chance(0.5)
	split := func(x float64) float64 {
		d, f := math.Modf(x)
		if back {
			return d + f*0.6
		}
		if math.Abs(f) >= 0.6 {
			return math.NaN()
		}
		return d + f/0.6
	}
	for _, i := range j.some() {
		at := j.Photos[i].Tag.Position
		j.retag(i, &grid.LatLon{Lat: split(at.Lat), Lon: split(at.Lon)}, at.Step)
	}
}

// round rounds the positions of a camera's photos.
func (j *Job) round(step float64) {
	for _, i := range j.some() {
		at := j.Photos[i].Tag.Position
		j.retag(i, &grid.LatLon{Lat: math.Round(at.Lat/step) * step, Lon: math.Round(at.Lon/step) * step}, at.Step)
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
			j.retag(i, &at, j.Photos[i].Tag.Position.Step)
			if j.Photos[i].Tag.HPositioningError != nil {
				j.Photos[i].Tag.HPositioningError = &coarse
			}
		}
	}
}
