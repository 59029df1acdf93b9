package sim

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Subject is what a blunder is in.
type Subject string

// The subjects.
const (
	InTags   Subject = "tags"
	InPoints Subject = "points"
	InLinks  Subject = "links"
)

// recipe is how a kind is planted.
type recipe struct {
	kind Kind
	in   Subject
	// uses are the fields of Plant that it has a use for, beyond Kind, Camera and
	// Day.
	uses string
	// rate, count and run are its default; none for all.
	rate       float64
	count, run int
	// held says that it needs a tag with a position, and that it can be planted
	// only where there is one.
	held bool
	// tags, points and links plant it. They get the shots, or points, chosen; links
	// returns the shots that it came to.
	tags   func(d *drawing, p Plant, shots []int) error
	points func(d *drawing, p Plant, points []int) error
	links  func(d *drawing, p Plant) ([]int, error)
}

const anyChoice = "Rate Count Run "

var recipes = []recipe{
	{kind: SwappedLatLon, in: InTags, uses: anyChoice, held: true, tags: each(func(t *geotag.Tag, _ Plant) {
		p := t.Position
		p.Lat, p.Lon = p.Lon, p.Lat
		if math.Abs(p.Lat) > 90 {
			lose(t, geotag.WarnOutOfRange, "GPSLatitude", fmt.Sprintf("%g degrees is beyond 90", math.Abs(p.Lat)))
		}
	})},
	{kind: FlippedLatitude, in: InTags, uses: anyChoice, held: true, tags: each(func(t *geotag.Tag, _ Plant) { t.Position.Lat = -t.Position.Lat })},
	{kind: FlippedLongitude, in: InTags, uses: anyChoice, held: true, tags: each(func(t *geotag.Tag, _ Plant) { t.Position.Lon = -t.Position.Lon })},
	{kind: DroppedLatitudeRef, in: InTags, uses: anyChoice, held: true, tags: each(func(t *geotag.Tag, _ Plant) {
		lose(t, geotag.WarnMissingRef, "GPSLatitudeRef", "there is no reference, so that the hemisphere is unknown")
	})},
	{kind: DroppedLongitudeRef, in: InTags, uses: anyChoice, held: true, tags: each(func(t *geotag.Tag, _ Plant) {
		lose(t, geotag.WarnMissingRef, "GPSLongitudeRef", "there is no reference, so that the hemisphere is unknown")
	})},
	{kind: TagDatum, in: InTags, uses: anyChoice + "Shift Datum", held: true, tags: tagDatum},
	{kind: CommonShift, in: InTags, uses: anyChoice + "Shift", held: true, tags: shiftTags(match.Vector{E: 16, N: -12})},
	{kind: MinutesAsDecimals, in: InTags, uses: anyChoice, held: true, tags: each(func(t *geotag.Tag, _ Plant) {
		read := func(v float64) float64 {
			deg, frac := math.Modf(v)
			return toStep(deg+frac*60/100, t.Position.Step)
		}
		t.Position.Lat, t.Position.Lon = read(t.Position.Lat), read(t.Position.Lon)
	})},
	{kind: DecimalsAsMinutes, in: InTags, uses: anyChoice, held: true, tags: each(decimalsAsMinutes)},
	{kind: RoundedTags, in: InTags, uses: anyChoice + "Step Hidden", held: true, tags: each(func(t *geotag.Tag, p Plant) {
		step := cmp.Or(p.Step, 0.001)
		t.Position.Lat, t.Position.Lon = toStep(t.Position.Lat, step), toStep(t.Position.Lon, step)
		if !p.Hidden {
			t.Position.Step = step
		}
	})},
	{kind: FrozenFix, in: InTags, uses: "Run", run: 8, held: true, tags: frozenFix},
	{kind: NullIsland, in: InTags, uses: anyChoice, rate: 0.05, held: true, tags: each(func(t *geotag.Tag, _ Plant) {
		lose(t, geotag.WarnNullIsland, "GPSLatitude", "latitude and longitude are exactly 0, which a receiver without a fix writes")
	})},
	{kind: ZeroRationals, in: InTags, uses: anyChoice, rate: 0.05, held: true, tags: each(func(t *geotag.Tag, _ Plant) {
		lose(t, geotag.WarnZeroDenominator, "GPSLatitude", "degrees are 0/0")
		lose(t, geotag.WarnZeroDenominator, "GPSLongitude", "degrees are 0/0")
	})},
	{kind: TrackOffset, in: InTags, uses: anyChoice + "Offset", held: true, tags: trackOffset},
	{kind: ClockOffset, in: InTags, uses: anyChoice + "Offset", tags: each(func(t *geotag.Tag, p Plant) {
		t.Taken.Time = t.Taken.Time.Add(p.offset(time.Hour))
	})},
	{kind: LeapSeconds, in: InTags, uses: anyChoice + "Offset", tags: func(d *drawing, p Plant, shots []int) error {
		if !d.cfg.GPSTime {
			return errors.New("the tags state no time of the fix (Config.GPSTime)")
		}
		return each(func(t *geotag.Tag, p Plant) {
			v := t.GPSTime.Add(p.offset(18 * time.Second))
			t.GPSTime = &v
		})(d, p, shots)
	}},
	{kind: HeightReference, in: InTags, uses: anyChoice + "Height", tags: func(d *drawing, p Plant, shots []int) error {
		if !d.cfg.Heights {
			return errors.New("the tags state no altitude (Config.Heights)")
		}
		return each(func(t *geotag.Tag, p Plant) {
			t.Altitude.Metres = math.Round(100*(t.Altitude.Metres+cmp.Or(p.Height, 57))) / 100
		})(d, p, shots)
	}},

	{kind: SwappedEN, in: InPoints, points: func(d *drawing, p Plant, points []int) error {
		return d.carryPoints(points, func(at grid.EN) grid.EN { return grid.EN{E: at.N, N: at.E} })
	}},
	{kind: WrongFeet, in: InPoints, uses: "Scale", points: scaled(grid.Foot.Metres/grid.USSurveyFoot.Metres, false)},
	{kind: FeetForMetres, in: InPoints, uses: "Scale", points: scaled(1/grid.Foot.Metres, false)},
	{kind: MetresForFeet, in: InPoints, uses: "Scale", points: scaled(grid.Foot.Metres, false)},
	{kind: NeighbouringZone, in: InPoints, uses: "Other", points: func(d *drawing, p Plant, points []int) error {
		other := p.Other
		if other == nil {
			own, ok := d.proj.(*Plane)
			if !ok {
				return errors.New("it needs Other, the grid of the neighbouring zone")
			}
			other = own.Zone(1)
		}
		return d.reproject(points, other)
	}},
	{kind: PointDatum, in: InPoints, uses: "Shift Other", points: func(d *drawing, p Plant, points []int) error {
		if p.Other != nil {
			return d.reproject(points, p.Other)
		}
		return d.carryPoints(points, p.shift(d, datumShift))
	}},
	{kind: GroundAsGrid, in: InPoints, uses: "Scale", points: scaled(1.0004, true)},

	{kind: LateRun, in: InLinks, uses: "Run Copied", run: 8, links: func(d *drawing, p Plant) ([]int, error) { return d.shiftRun(p, 1) }},
	{kind: EarlyRun, in: InLinks, uses: "Run Copied", run: 8, links: func(d *drawing, p Plant) ([]int, error) { return d.shiftRun(p, -1) }},
	{kind: SwappedTies, in: InLinks, uses: "Rate Count Copied", count: 1, links: (*drawing).swapTies},
	{kind: WrongTie, in: InLinks, uses: "Rate Count Copied", count: 1, links: (*drawing).wrongTie},
}

// datumShift is what classic datums are off by, in size: some 100 m.
var datumShift = match.Vector{E: -75, N: 60}

// Kinds lists the kinds of blunder: those in the tags, in the points and in the
// links.
func Kinds() []Kind {
	out := make([]Kind, len(recipes))
	for i, r := range recipes {
		out[i] = r.kind
	}
	return out
}

// In returns what a blunder of the kind is in; empty for an unknown kind.
func (k Kind) In() Subject {
	if r := k.recipe(); r != nil {
		return r.in
	}
	return ""
}

func (k Kind) recipe() *recipe {
	i := slices.IndexFunc(recipes, func(r recipe) bool { return r.kind == k })
	if i < 0 {
		return nil
	}
	return &recipes[i]
}

// check looks at the fields of a plant.
func (p Plant) check(r *recipe, c Config) error {
	uses := strings.Fields("Kind Camera Day " + r.uses)
	for name, v := range reflect.ValueOf(p).Fields() {
		if !v.IsZero() && !slices.Contains(uses, name.Name) {
			return fmt.Errorf("it has no use for %s; what it takes is %s", name.Name, strings.Join(uses, ", "))
		}
	}
	choices := 0
	for _, set := range []bool{p.Rate != 0, p.Count != 0, p.Run != 0} {
		if set {
			choices++
		}
	}
	switch {
	case choices > 1:
		return errors.New("only one of Rate, Count and Run may be given")
	case p.Camera > 0 && c.Together && r.in == InPoints:
		return errors.New("one crew carries all cameras, so Camera chooses no points")
	}
	const factor, length = "a finite figure, 0 or more", "a finite length"
	for _, r := range []rule{
		{"Rate", p.Rate, p.Rate >= 0 && p.Rate <= 1, "a share from 0 to 1"},
		{"Count", p.Count, p.Count >= 0, "0 or more"},
		{"Run", p.Run, p.Run >= 0, "0 or more"},
		{"Camera", p.Camera, p.Camera >= 0 && p.Camera <= c.Cameras, fmt.Sprintf("one of %d", c.Cameras)},
		{"Day", p.Day, p.Day >= 0 && p.Day <= c.Days, fmt.Sprintf("one of %d", c.Days)},
		{"Shift", p.Shift, grid.Finite(p.Shift.E, p.Shift.N), length},
		{"Height", p.Height, grid.Finite(p.Height), length},
		{"Scale", p.Scale, p.Scale >= 0 && grid.Finite(p.Scale), factor},
		{"Step", p.Step, p.Step >= 0 && grid.Finite(p.Step), factor},
	} {
		if !r.ok {
			return fmt.Errorf("its %s is %v: want %s", r.field, r.value, r.want)
		}
	}
	return nil
}

// plant plants one blunder.
func (d *drawing) plant(p Plant) error {
	r := p.Kind.recipe()
	if r == nil {
		return errors.New("there is no such kind of blunder")
	}
	if err := p.check(r, d.cfg); err != nil {
		return err
	}
	if !p.chooses() {
		p.Rate, p.Count, p.Run = r.rate, r.count, r.run
	}
	done := Planted{Kind: p.Kind}
	var err error
	switch r.in {
	case InTags:
		if done.Photos, err = d.choose(p, r); err == nil {
			err = r.tags(d, p, done.Photos)
		}
	case InPoints:
		if done.Points, done.Photos = d.pointsFor(p); len(done.Points) == 0 {
			return errors.New("there are no points there")
		}
		err = r.points(d, p, done.Points)
	case InLinks:
		done.Photos, err = r.links(d, p)
	}
	if err != nil {
		return err
	}
	for _, i := range done.Photos {
		s := &d.shots[i]
		s.planted = append(s.planted, p.Kind)
		s.chosen = s.chosen || p.chooses()
	}
	d.out = append(d.out, done)
	return nil
}

// chooses reports whether a plant concerns some photos only.
func (p Plant) chooses() bool { return p.Rate != 0 || p.Count != 0 || p.Run != 0 }

// pointsFor returns the points that a blunder concerns, and the shots linked to
// them.
func (d *drawing) pointsFor(p Plant) (points, shots []int) {
	moved := make([]bool, len(d.points))
	for i := range d.points {
		l := d.legs[d.legOf[i]]
		if (p.Day == 0 || l.day == p.Day-1) && (p.Camera == 0 || l.cameras[0] == p.Camera-1) {
			points = append(points, i)
			moved[i] = true
		}
	}
	for _, l := range d.legs {
		for _, i := range l.shots {
			if to := d.shots[i].linked; to >= 0 && moved[to] {
				shots = append(shots, i)
			}
		}
	}
	return points, shots
}

// walks returns the shots of each leg that a plant is restricted to and that are
// fit for it, in the order in which they were taken.
func (d *drawing) walks(p Plant, fit func(*shot) bool) [][]int {
	var out [][]int
	for _, l := range d.legs {
		if p.Day != 0 && l.day != p.Day-1 {
			continue
		}
		var seq []int
		for _, i := range l.shots {
			if s := &d.shots[i]; (p.Camera == 0 || s.camera == p.Camera-1) && fit(s) {
				seq = append(seq, i)
			}
		}
		if len(seq) > 0 {
			out = append(out, seq)
		}
	}
	return out
}

// pick draws n of the shots that nothing has chosen yet and returns them as
// they come.
func (d *drawing) pick(shots []int, n int) ([]int, error) {
	free := slices.DeleteFunc(slices.Clone(shots), func(i int) bool { return d.shots[i].chosen })
	if len(free) < n {
		return nil, fmt.Errorf("%d photos are wanted and %d are there", n, len(free))
	}
	d.plants.Shuffle(len(free), func(i, j int) { free[i], free[j] = free[j], free[i] })
	free = free[:n]
	slices.Sort(free)
	return free, nil
}

// number returns how many of n a plant's Rate or Count comes to.
func (p Plant) number(n int) int {
	if p.Count > 0 {
		return p.Count
	}
	return max(1, int(math.Round(p.Rate*float64(n))))
}

// choose chooses the photos for a blunder of the tags.
func (d *drawing) choose(p Plant, r *recipe) ([]int, error) {
	walks := d.walks(p, func(s *shot) bool { return !r.held || s.tag.Position != nil })
	all := slices.Concat(walks...)
	switch {
	case len(all) == 0:
		return nil, errors.New("there are no photos for it there")
	case p.Run > 0:
		return d.stretch(d.byCamera(walks), p.Run, func(seq []int, at int) bool {
			// A frozen fix needs one to have frozen.
			return r.kind != FrozenFix || at > 0 && !slices.Contains(d.shots[seq[at-1]].planted, FrozenFix)
		})
	case p.Rate > 0 || p.Count > 0:
		return d.pick(all, p.number(len(all)))
	}
	return all, nil
}

// byCamera splits walks by camera.
func (d *drawing) byCamera(walks [][]int) [][]int {
	var out [][]int
	for _, seq := range walks {
		of := make([][]int, d.cfg.Cameras)
		for _, i := range seq {
			of[d.shots[i].camera] = append(of[d.shots[i].camera], i)
		}
		out = append(out, of...)
	}
	return out
}

// stretch draws a run of n shots, one after another in one of the walks, that
// nothing has chosen yet and for which ok holds.
func (d *drawing) stretch(walks [][]int, n int, ok func(seq []int, at int) bool) ([]int, error) {
	var found [][]int
	for _, seq := range walks {
		free := 0
		for end := range seq {
			if d.shots[seq[end]].chosen {
				free = 0
				continue
			}
			free++
			if at := end - n + 1; free >= n && ok(seq, at) {
				found = append(found, seq[at:end+1])
			}
		}
	}
	if len(found) == 0 {
		return nil, fmt.Errorf("there is no run of %d photos for it on one day", n)
	}
	return slices.Clone(found[d.plants.IntN(len(found))]), nil
}

// each plants photo by photo.
func each(f func(*geotag.Tag, Plant)) func(*drawing, Plant, []int) error {
	return func(d *drawing, p Plant, shots []int) error {
		for _, i := range shots {
			f(d.shots[i].tag, p)
		}
		return nil
	}
}

// lose takes the position from a tag, as reading the image would.
func lose(t *geotag.Tag, code geotag.WarningCode, field, detail string) {
	t.Position = nil
	t.Warnings = append(t.Warnings, geotag.Warning{Code: code, Field: field, Detail: detail})
}

func decimalsAsMinutes(t *geotag.Tag, _ Plant) {
	pos := t.Position
	read := func(v float64, field string) float64 {
		deg, frac := math.Modf(v)
		minutes := frac * 100
		if math.Abs(minutes) >= 60 {
			lose(t, geotag.WarnOutOfRange, field, fmt.Sprintf("minutes are %.0f/10000, which is 60 or more", 10000*math.Abs(minutes)))
		}
		return toStep(deg+minutes/60, pos.Step)
	}
	pos.Lat, pos.Lon = read(pos.Lat, "GPSLatitude"), read(pos.Lon, "GPSLongitude")
}

func (p Plant) offset(otherwise time.Duration) time.Duration { return cmp.Or(p.Offset, otherwise) }

// shift returns how a plant moves a place on the grid.
func (p Plant) shift(d *drawing, otherwise match.Vector) func(grid.EN) grid.EN {
	v := cmp.Or(p.Shift, otherwise)
	return func(at grid.EN) grid.EN { return d.move(at, v.E, v.N) }
}

// carry moves the tags of shots on the grid and writes them in a datum, where
// empty in the one that they state.
func (d *drawing) carry(shots []int, datum string, move func(*shot, grid.EN) grid.EN) error {
	fixes := make([]grid.Fix, len(shots))
	frames := make([]grid.Frame, len(shots))
	for k, i := range shots {
		s := &d.shots[i]
		fixes[k] = s.fix(*s.tag.Position)
		frames[k] = grid.Frame{Datum: cmp.Or(datum, s.tag.MapDatum), Epoch: fixes[k].Epoch}
	}
	at, err := d.toGrid(d.proj, fixes)
	if err != nil {
		return err
	}
	for k, i := range shots {
		at[k] = move(&d.shots[i], at[k])
	}
	places, err := d.fromGrid(d.proj, at, frames)
	if err != nil {
		return err
	}
	for k, i := range shots {
		p := d.shots[i].tag.Position
		p.Lat, p.Lon = toStep(places[k].Lat, p.Step), toStep(places[k].Lon, p.Step)
	}
	return nil
}

// fix is a position in the frame that the shot's tag states.
func (s *shot) fix(at geotag.Position) grid.Fix {
	return grid.Fix{
		LatLon: grid.LatLon{Lat: at.Lat, Lon: at.Lon},
		Frame:  grid.Frame{Datum: s.tag.MapDatum, Epoch: grid.Epoch(s.taken)},
	}
}

// shiftTags shifts tags on the grid.
func shiftTags(otherwise match.Vector) func(*drawing, Plant, []int) error {
	return func(d *drawing, p Plant, shots []int) error {
		shift := p.shift(d, otherwise)
		return d.carry(shots, "", func(_ *shot, at grid.EN) grid.EN { return shift(at) })
	}
}

func tagDatum(d *drawing, p Plant, shots []int) error {
	switch {
	case p.Datum == "":
		return shiftTags(datumShift)(d, p, shots)
	case p.Shift != match.Vector{}:
		return errors.New("of Datum and Shift only one may be given")
	}
	return d.carry(shots, p.Datum, func(_ *shot, at grid.EN) grid.EN { return at })
}

func frozenFix(d *drawing, _ Plant, shots []int) error {
	leg := d.legs[d.shots[shots[0]].leg].shots
	before := slices.Index(leg, shots[0]) - 1
	for before >= 0 && (d.shots[leg[before]].camera != d.shots[shots[0]].camera || d.shots[leg[before]].tag.Position == nil) {
		before--
	}
	if before < 0 {
		return errors.New("the camera has no earlier fix")
	}
	fix := d.shots[leg[before]].tag
	for _, i := range shots {
		t := d.shots[i].tag
		pos := *fix.Position
		t.Position, t.Altitude, t.HPositioningError, t.GPSTime = &pos, clone(fix.Altitude), clone(fix.HPositioningError), clone(fix.GPSTime)
	}
	return nil
}

func clone[T any](p *T) *T {
	if p == nil {
		return nil
	}
	v := *p
	return &v
}

func trackOffset(d *drawing, p Plant, shots []int) error {
	off := p.offset(90 * time.Second)
	return d.carry(shots, "", func(s *shot, at grid.EN) grid.EN {
		was, is := d.legs[s.leg].where(s.taken), d.legs[s.leg].where(s.taken.Add(off))
		s.tag.Taken.Time = s.tag.Taken.Time.Add(off)
		if s.tag.GPSTime != nil {
			v := s.tag.GPSTime.Add(off)
			s.tag.GPSTime = &v
		}
		return grid.EN{E: at.E + is.E - was.E, N: at.N + is.N - was.N}
	})
}

// carryPoints moves points.
func (d *drawing) carryPoints(points []int, move func(grid.EN) grid.EN) error {
	for _, i := range points {
		p := &d.points[i]
		at := move(p.EN)
		if !grid.Finite(at.E, at.N) {
			return fmt.Errorf("point %s is moved to E %v N %v", p.ID, at.E, at.N)
		}
		p.E, p.N = toMM(at.E), toMM(at.N)
	}
	return nil
}

// scaled multiplies coordinates, or their distances from the first point.
func scaled(factor float64, first bool) func(*drawing, Plant, []int) error {
	return func(d *drawing, p Plant, points []int) error {
		f := cmp.Or(p.Scale, factor)
		var o grid.EN
		if first {
			o = d.points[points[0]].EN
		}
		return d.carryPoints(points, func(at grid.EN) grid.EN {
			return grid.EN{E: o.E + f*(at.E-o.E), N: o.N + f*(at.N-o.N)}
		})
	}
}

// reproject gives points the coordinates that another grid has for them.
func (d *drawing) reproject(points []int, other grid.Projection) error {
	at := make([]grid.EN, len(points))
	frames := make([]grid.Frame, len(points))
	fixes := make([]grid.Fix, len(points))
	for k, i := range points {
		at[k] = d.points[i].EN
		frames[k] = grid.Frame{Datum: d.cfg.Datum, Epoch: grid.Epoch(d.points[i].Observed)}
	}
	places, err := d.fromGrid(d.proj, at, frames)
	if err != nil {
		return err
	}
	for k := range places {
		fixes[k] = grid.Fix{LatLon: places[k], Frame: frames[k]}
	}
	placed, err := d.toGrid(other, fixes)
	if err != nil {
		return err
	}
	for k, i := range points {
		d.points[i].E, d.points[i].N = toMM(placed[k].E), toMM(placed[k].N)
	}
	return nil
}

// link links a shot to a point.
func (d *drawing) link(i, point int, copied bool) {
	s := &d.shots[i]
	s.linked = point
	if copied {
		s.id = d.points[point].ID
		if s.texted {
			s.tag.Texts.ImageDescription = s.id
		}
	}
}

// linked says that a shot has a link, and the right one.
func linked(s *shot) bool { return s.linked >= 0 && s.linked == s.point }

// shiftRun links a run of photos to the point so many further on.
func (d *drawing) shiftRun(p Plant, by int) ([]int, error) {
	walks := d.walks(p, linked)
	if len(walks) == 0 {
		return nil, errors.New("there are no links for it there")
	}
	run, err := d.stretch(walks, p.Run, func(seq []int, at int) bool {
		for _, i := range seq[at : at+p.Run] {
			s := &d.shots[i]
			if to := s.linked + by; to < d.legs[s.leg].first || to >= d.legs[s.leg].last {
				return false
			}
		}
		return true
	})
	if err != nil {
		return nil, err
	}
	for _, i := range run {
		d.link(i, d.shots[i].linked+by, p.Copied)
	}
	return run, nil
}

func (d *drawing) swapTies(p Plant) ([]int, error) {
	walks := d.walks(p, linked)
	var pairs [][2]int
	n := 0
	for _, seq := range walks {
		n += len(seq)
		for k := range len(seq) - 1 {
			a, b := &d.shots[seq[k]], &d.shots[seq[k+1]]
			if a.point != b.point && !a.chosen && !b.chosen {
				pairs = append(pairs, [2]int{seq[k], seq[k+1]})
			}
		}
	}
	want := p.number(n / 2)
	d.plants.Shuffle(len(pairs), func(i, j int) { pairs[i], pairs[j] = pairs[j], pairs[i] })
	var done []int
	for _, pair := range pairs {
		a, b := pair[0], pair[1]
		if len(done) == 2*want {
			break
		}
		if slices.Contains(done, a) || slices.Contains(done, b) {
			continue
		}
		pa, pb := d.shots[a].point, d.shots[b].point
		d.link(a, pb, p.Copied)
		d.link(b, pa, p.Copied)
		done = append(done, a, b)
	}
	if len(done) < 2*want {
		return nil, fmt.Errorf("%d pairs are wanted and %d are there", want, len(done)/2)
	}
	slices.Sort(done)
	return done, nil
}

func (d *drawing) wrongTie(p Plant) ([]int, error) {
	if len(d.points) < 2 {
		return nil, errors.New("there is no other point")
	}
	all := slices.Concat(d.walks(p, linked)...)
	shots, err := d.pick(all, p.number(len(all)))
	if err != nil {
		return nil, err
	}
	for _, i := range shots {
		to := d.plants.IntN(len(d.points) - 1)
		if to >= d.shots[i].point {
			to++
		}
		d.link(i, to, p.Copied)
	}
	return shots, nil
}

// moved works out by how much the blunders changed each discrepancy.
func (d *drawing) moved(s *Set) error {
	moved := make([]bool, len(d.points))
	for i := range d.points {
		moved[i] = d.points[i].EN != d.listed[i].EN
	}
	var of []int
	var fixes []grid.Fix
	for k := range s.Truth {
		t := &s.Truth[k]
		switch {
		case t.Linked < 0, len(t.Planted) == 0 && !moved[t.Linked]:
		case s.Photos[k].Tag.Position == nil:
			t.Moved = math.Inf(1)
		default:
			sh := shot{tag: s.Photos[k].Tag, taken: t.Taken}
			of = append(of, k)
			fixes = append(fixes, sh.fix(t.Clean), sh.fix(*sh.tag.Position))
		}
	}
	placed, err := d.proj.ToGrid(context.Background(), fixes)
	if err != nil {
		return fmt.Errorf("sim: transforming tags to the grid: %w", err)
	}
	if len(placed) != len(fixes) {
		return fmt.Errorf("sim: transforming tags to the grid: the projection returned %d positions for %d", len(placed), len(fixes))
	}
	for j, k := range of {
		t := &s.Truth[k]
		was, is := placed[2*j], placed[2*j+1]
		if was.Err != nil || is.Err != nil {
			t.Moved = math.Inf(1)
			continue
		}
		from, to := d.listed[t.Point], d.points[t.Linked]
		t.Moved = math.Hypot((is.E-to.E)-(was.E-from.E), (is.N-to.N)-(was.N-from.N)) * d.unit
	}
	return nil
}
