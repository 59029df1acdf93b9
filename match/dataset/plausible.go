package dataset

import (
	"context"
	"fmt"
	"math"
	"slices"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/pointfile"
)

// box is a box on a grid.
type box struct{ min, max grid.EN }

// ranges are its eastings and northings in a unit of which scale go into one of
// the grid's.
func (b box) ranges(scale float64) (east, north pointfile.Range) {
	return pointfile.Range{Min: b.min.E * scale, Max: b.max.E * scale}, pointfile.Range{Min: b.min.N * scale, Max: b.max.N * scale}
}

// around is the box around positions with a margin in the grid's unit.
func around(at []grid.EN, margin float64) box {
	b := box{min: grid.EN{E: math.Inf(1), N: math.Inf(1)}, max: grid.EN{E: math.Inf(-1), N: math.Inf(-1)}}
	for _, p := range at {
		b.min.E, b.min.N = min(b.min.E, p.E), min(b.min.N, p.N)
		b.max.E, b.max.N = max(b.max.E, p.E), max(b.max.N, p.N)
	}
	b.min.E, b.min.N = b.min.E-margin, b.min.N-margin
	b.max.E, b.max.N = b.max.E+margin, b.max.N+margin
	return b
}

// useBox is the box on the grid around its area of use; false where that is not
// known. It is for telling columns apart, so that metres don't count.
func useBox(ctx context.Context, proj grid.Projection) (box, bool) {
	bounded, ok := proj.(grid.Bounded)
	if !ok {
		return box{}, false
	}
	south, west, north, east, ok := bounded.AreaOfUse()
	if !ok {
		return box{}, false
	}
	if west > east {
		east += 360
	}
	const steps = 8
	var fixes []grid.Fix
	for i := range steps + 1 {
		for j := range steps + 1 {
			lon := west + (east-west)*float64(j)/steps
			if lon > 180 {
				lon -= 360
			}
			fixes = append(fixes, grid.Fix{LatLon: grid.LatLon{Lat: south + (north-south)*float64(i)/steps, Lon: lon}})
		}
	}
	at, err := placed(ctx, proj, fixes)
	if err != nil {
		return box{}, false
	}
	// A projection that can't hold its own area says nothing of use.
	if len(at) < len(fixes)/2 {
		return box{}, false
	}
	return around(at, 0), true
}

const (
	// sampleTags is how many photos are looked at to know where a job is.
	sampleTags = 200
	// nearTags is how far from the tags, in metres, points are still among them.
	nearTags = 2000
	// nearUse is how far outside the grid's area of use, in metres, a job may lie
	// and be none the worse: areas are boxes, and jobs cross borders.
	nearUse = 20000
)

// sample gives where the tags of some photos, spread evenly over the job, lie on
// the grid. Tags that say nothing of use are left out, and known photos are not read.
func (d *Dataset) sample(ctx context.Context, names []string, known map[string]match.Photo) ([]grid.EN, error) {
	opt := d.settings.options()
	var fixes []grid.Fix
	tags, err := d.someTags(ctx, names, known)
	if err != nil {
		return nil, err
	}
	for _, t := range tags {
		at := grid.LatLon{Lat: t.Position.Lat, Lon: t.Position.Lon}
		if at.Valid() && at != (grid.LatLon{}) {
			fixes = append(fixes, grid.Fix{LatLon: at, Frame: opt.Frame(t)})
		}
	}
	return placed(ctx, d.proj, fixes)
}

// someTags are the tags with a position of some photos, spread evenly over the job. Known
// photos are not read.
func (d *Dataset) someTags(ctx context.Context, names []string, known map[string]match.Photo) (tags []*geotag.Tag, err error) {
	for p, err := range d.photos(ctx, thin(names, sampleTags), readers(), d.Reader(ctx, CheckOptions{Pixels: PixelsNever, Photos: known})) {
		if err != nil {
			return nil, err
		}
		if p.Tag != nil && p.Tag.Position != nil {
			tags = append(tags, p.Tag)
		}
	}
	return tags, nil
}

// placed gives where fixes are on the grid, but for those that have no place there.
func placed(ctx context.Context, proj grid.Projection, fixes []grid.Fix) (at []grid.EN, err error) {
	if len(fixes) == 0 {
		return nil, nil
	}
	all, err := proj.ToGrid(ctx, fixes)
	for _, p := range all {
		if p.Err == nil && grid.Finite(p.E, p.N) {
			at = append(at, p.EN)
		}
	}
	return at, err
}

// cloud is where a set of positions lies: its median centre, and the distance
// from there that holds nine in ten.
type cloud struct {
	centre grid.EN
	spread float64
}

func cloudOf(at []grid.EN) cloud {
	e, n := make([]float64, len(at)), make([]float64, len(at))
	for i, p := range at {
		e[i], n[i] = p.E, p.N
	}
	slices.Sort(e)
	slices.Sort(n)
	c := cloud{centre: grid.EN{E: e[len(e)/2], N: n[len(n)/2]}}
	d := make([]float64, len(at))
	for i, p := range at {
		d[i] = math.Hypot(p.E-c.centre.E, p.N-c.centre.N)
	}
	slices.Sort(d)
	c.spread = d[len(d)*9/10]
	return c
}

// misreading is a way in which coordinates may have been taken wrongly.
type misreading struct {
	swap  bool
	scale float64 // from what was taken to what it should have been
	unit  grid.Unit
}

func (m misreading) apply(c cloud) cloud {
	if m.swap {
		c.centre.E, c.centre.N = c.centre.N, c.centre.E
	}
	c.centre.E, c.centre.N, c.spread = c.centre.E*m.scale, c.centre.N*m.scale, c.spread*m.scale
	return c
}

// plausible holds the points against the tags. Where they are far apart, but a
// usual mistake explains it, the mistake is the error: no photo could be judged
// on the points as they are. Where nothing does, the check goes on, since it may
// be the tags that are wrong. Without tags the grid's area of use has to serve.
func (d *Dataset) plausible(ctx context.Context, read *PointsRead, points []match.Point, names []string, known map[string]match.Photo) error {
	if read.Axes == pointfile.Geographic || len(read.Operations) > 0 || len(points) == 0 {
		return nil
	}
	tags, err := d.sample(ctx, names, known)
	if err != nil {
		return err
	}
	metres := d.proj.Grid().Unit.Metres
	at := make([]grid.EN, len(points))
	for i, p := range points {
		at[i] = p.EN
	}
	here := cloudOf(at)
	if len(tags) == 0 {
		return d.inUse(ctx, read, here)
	}
	there := cloudOf(tags)
	apart := func(c cloud) float64 { return math.Hypot(c.centre.E-there.centre.E, c.centre.N-there.centre.N) }
	room := func(c cloud) float64 { return c.spread + there.spread + nearTags/metres }
	was := apart(here)
	if was <= 3*room(here) {
		return nil
	}
	// The first that fits is the simplest; the two feet differ too little for the
	// tags to tell them apart.
	for _, m := range d.misreadings(read) {
		c := m.apply(here)
		if now := apart(c); now <= room(c) && now < was/10 {
			return d.mistaken(read, m, fmt.Sprintf("the points lie %s from the photos' tags", kilometres(was*metres)), "among them")
		}
	}
	read.notFound("the points lie %s from the photos' tags, and neither another unit nor swapped columns bring them together", kilometres(was*metres))
	return nil
}

// inUse holds the points against the area of use of the grid.
func (d *Dataset) inUse(ctx context.Context, read *PointsRead, here cloud) error {
	proj := d.proj
	use, ok := useBox(ctx, proj)
	if !ok {
		return nil
	}
	margin := nearUse / proj.Grid().Unit.Metres
	inside := func(c cloud, margin float64) bool {
		return c.centre.E >= use.min.E-margin && c.centre.E <= use.max.E+margin && c.centre.N >= use.min.N-margin && c.centre.N <= use.max.N+margin
	}
	if inside(here, margin) {
		return nil
	}
	// A box is a coarse measure, so only the simplest kind of mistake that fits at
	// all counts: a unit before swapped columns.
	for _, swap := range []bool{false, true} {
		for _, m := range d.misreadings(read) {
			if m.swap == swap && inside(m.apply(here), 0) {
				return d.mistaken(read, m, "the points lie outside the area of use of "+describe(proj.Grid()), "inside")
			}
		}
	}
	read.notFound("the points lie outside the area of use of the grid")
	return nil
}

// misreadings are the usual mistakes with coordinates, the simplest first.
func (d *Dataset) misreadings(read *PointsRead) []misreading {
	proj, taken := d.proj, d.taken(read)
	out := []misreading{{swap: true, scale: 1, unit: taken}}
	list := []grid.Unit{proj.Grid().Unit, grid.Metre, grid.USSurveyFoot, grid.Foot}
	for _, swap := range []bool{false, true} {
		for i, u := range list {
			if u.Metres != taken.Metres && !slices.Contains(list[:i], u) {
				out = append(out, misreading{swap: swap, scale: u.Metres / taken.Metres, unit: u})
			}
		}
	}
	return out
}

// taken is the unit that the points file was taken to be in.
func (d *Dataset) taken(read *PointsRead) grid.Unit {
	if read.From != nil {
		return *read.From
	}
	return d.proj.Grid().Unit
}

// mistaken words a mistake.
func (d *Dataset) mistaken(read *PointsRead, m misreading, what, where string) error {
	proj, taken := d.proj, d.taken(read)
	as, remedy := "", ""
	switch {
	case m.unit.Metres == taken.Metres:
		as = "with eastings and northings swapped"
	case m.swap:
		as = fmt.Sprintf("taken in the unit %s instead of %s, and with eastings and northings swapped,", m.unit.Name, taken.Name)
	default:
		as = fmt.Sprintf("taken in the unit %s instead of %s", m.unit.Name, taken.Name)
	}
	if m.unit.Metres != taken.Metres {
		switch {
		case m.unit.Metres == proj.Grid().Unit.Metres:
			remedy = "take points.unit out of " + SettingsFile
		case m.unit.Metres == grid.USSurveyFoot.Metres || m.unit.Metres == grid.Foot.Metres:
			remedy = fmt.Sprintf(`set points.unit = "ftUS" or "ft" in %s, whichever foot it is`, SettingsFile)
		default:
			remedy = fmt.Sprintf("set points.unit = %q in %s", m.unit.Symbol, SettingsFile)
		}
		remedy += ", or name the grid that the points are truly on in grid.crs"
	}
	if m.swap {
		if remedy != "" {
			remedy += "; and "
		}
		remedy += "mend the header of the points file, or name its columns in the right order in points.columns"
	}
	return &Problem{File: d.settings.Points.File, What: fmt.Sprintf("%s; %s they lie %s", what, as, where), Remedy: remedy}
}

// notFound notes that the points are not where the job is.
func (p *PointsRead) notFound(format string, args ...any) {
	p.far = fmt.Sprintf(format, args...)
	p.Notes = append(p.Notes, p.far)
}

func kilometres(m float64) string {
	switch {
	case m < 10e3:
		return fmt.Sprintf("%.1f km", m/1000)
	default:
		return fmt.Sprintf("%.0f km", m/1000)
	}
}
