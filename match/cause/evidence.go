package cause

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"iter"
	"maps"
	"math"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/noise"
)

// Photo is one photo as the causes accepted so far leave it. Lengths are in
// metres on the grid. It is safe for concurrent use; the zero Photo has neither tag nor
// point.
type Photo struct {
	// Index is the photo's index in the result and in Evidence.Photos.
	Index int
	Name  string
	// Tag is what the image says; nil where it could not be read.
	Tag *geotag.Tag
	// Camera and Day are the groups it belongs to. Day is the date that the
	// camera's clock shows, empty without one.
	Camera, Day string
	// Clock is what the camera's clock shows, zero where the image has no time.
	Clock time.Time
	// Time is the instant, zero where it is not known: the clock's reading brought
	// to UTC by the zone stated or by the time of the camera's fixes.
	Time time.Time
	// At and Frame are the tag in degrees and in what frame it is read; At is nil
	// where it has no position.
	At    *grid.LatLon
	Frame grid.Frame
	// OnGrid is its place on the grid, in the grid's unit; nil without one.
	OnGrid *grid.EN
	// Point is the index of the tied point, -1 for none.
	Point int
	// D is the tag minus the tied point as the accepted causes have both, or the
	// place that a cause expects it at; nil unless both are known.
	D *match.Vector
	// Sigma is the standard deviation per axis by the budget, Threshold what the
	// budget allows, and Standoff the distance from the point.
	Sigma, Threshold, Standoff float64
	// Out says that D is beyond Threshold, or that a tag which is tied has no
	// place on the grid.
	Out bool
	// Void says that an accepted cause makes the tag no fix of this photo.
	Void bool

	// coarse is the place of a tag that is too coarse to judge; nil for others.
	coarse *grid.EN
	move   match.Vector
	where  []match.Vector
	blur   *match.Vector
	height float64 // to be subtracted from the altitude
	// compared says that its altitude and the height of its point are known on the
	// ellipsoid.
	compared bool
	noise    law
	logp     float64
	op       *grid.Operation
	// replaced says that the tag was carried anew or tied anew, so that its
	// allowance has to be worked out again.
	replaced bool
	// retied says that an accepted cause tied it to another point.
	retied bool
	// repeats says that the tag repeats another photo's, and so tells of no tie.
	repeats bool
	hint    hint
	outing  outing
	// wall is the reading of the clock as the walk's inference takes it.
	wall time.Time
}

// Evidence is what is known of a job, with the causes accepted so far accounted
// for. It is not to be changed by a Cause.
// The search asks one cause after another: an Evidence is not safe for concurrent use. The
// zero Evidence is of no use.
type Evidence struct {
	Photos []Photo
	// Points are the points where the accepted causes put them.
	Points []match.Point
	// Input is what Explain was given.
	Input *Input

	unit    float64 // metres in a grid unit
	walks   *walks
	points  map[string]int
	centre  grid.EN
	nearest *cells // filled when asked for
	memory  *memory
	tied    [][]int // the photos that are tied to each point, in the order of index
	// told are the photos that a cause of a family was accepted for; nil for none.
	told map[string][]bool
	// same are the photos that repeat another's tag.
	same   []sameTag
	clocks map[string]clock // of cameras
	// shared is what outings have in common, as learned last.
	shared []match.Vector
	models map[string]correlation
	// written is the step in degrees that a camera writes its positions in.
	written map[string]float64
	// surfaces says that heights are compared where they are known on the ellipsoid.
	surfaces bool
	// looked has what causes come to on this evidence, with any figures.
	looked map[int]found
}

// found is what search.look returns, and what search.alternatives does.
type found struct {
	top, all *candidate
	better   []*candidate
}

// clock is how a camera's clock stands to the survey's by the walk's inference, in
// seconds, with the crew's habit of taking photos before or after.
type clock struct{ offset, dev float64 }

// outing is a camera on a day: its index in walks.outings.
type outing int

// Expected is where the tag is expected from the tied point: where the image says
// that the camera stood, by its direction and its subject distance. It is the zero
// Vector where it says nothing of that; the camera then stood Standoff away in an
// unknown direction. D less Expected is what is to be explained.
func (p *Photo) Expected() match.Vector { return p.noise.expected }

// walks are the orders that don't change as causes are accepted.
type walks struct {
	cameras []string
	days    []string
	// seq has the photos of each camera in the order of time, all the same
	// of all cameras.
	seq map[string][]int
	all []int
	// rank is the place of each photo in the walk of its camera.
	rank []int
	// outings has the photos of each camera and day, in the order of index, camera and day
	// a number for either, and tied how many of them are tied.
	outings           [][]int
	camera, day, tied []int
	// groups are all photos, and those of each camera, day and camera's day.
	groups []group
}

// group is a set of photos, in the order of index, of so many of its kind.
type group struct {
	photos []int
	of     int
}

// Unit returns the number of metres in one unit of the grid.
func (e *Evidence) Unit() float64 { return e.unit }

// spot is a fix as a key.
type spot struct {
	at     grid.LatLon
	frame  grid.Frame
	height float64
	known  bool // that there is a height
}

// memory keeps what the search asks for again and again.
type memory struct {
	mu     sync.Mutex // guards placed
	placed map[spot]grid.Placement
	// points has hypotheses about points, by grid or datum and the points as they
	// were.
	points map[string]*Hypothesis
	grids  map[string][]grid.Projection
	// learnt has what noise was learnt from residuals.
	learnt map[string]*noise.Model
}

// mostPlaced is how many placements are remembered.
const mostPlaced = 1 << 20

// Place transforms fixes to the grid by the job's projection, or from memory.
func (e *Evidence) Place(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	out := make([]grid.Placement, len(fixes))
	var ask []grid.Fix
	var of []int
	key := func(f grid.Fix) spot {
		k := spot{at: f.LatLon, frame: f.Frame}
		if f.Height != nil {
			k.height, k.known = *f.Height, true
		}
		return k
	}
	e.memory.mu.Lock()
	for k, f := range fixes {
		if p, ok := e.memory.placed[key(f)]; ok {
			out[k] = p
		} else {
			ask = append(ask, f)
			of = append(of, k)
		}
	}
	e.memory.mu.Unlock()
	if len(ask) == 0 {
		return out, nil
	}
	placed, err := e.Input.Proj.ToGrid(ctx, ask)
	if err != nil {
		return nil, fmt.Errorf("explain: transforming tags to the grid: %w", err)
	}
	if len(placed) != len(ask) {
		return nil, fmt.Errorf("explain: the projection returned %d positions for %d", len(placed), len(ask))
	}
	e.memory.mu.Lock()
	defer e.memory.mu.Unlock()
	if len(e.memory.placed)+len(ask) > mostPlaced {
		clear(e.memory.placed)
	}
	for k, p := range placed {
		out[of[k]] = p
		if len(ask) <= mostPlaced {
			e.memory.placed[key(ask[k])] = p
		}
	}
	return out, nil
}

// keyOf is a key for n lists of numbers.
func keyOf(n int, of func(i int) []float64) string {
	h := fnv.New128a()
	var b [8]byte
	for i := range n {
		for _, v := range of(i) {
			binary.LittleEndian.PutUint64(b[:], math.Float64bits(v))
			h.Write(b[:])
		}
	}
	return string(h.Sum(nil))
}

// noiseOf learns the noise of residuals, or has it from memory.
func (e *Evidence) noiseOf(rest []noise.Residual) *noise.Model {
	key := keyOf(len(rest), func(i int) []float64 {
		r := &rest[i]
		return []float64{r.Time, r.E, r.N, r.Sigma, r.Standoff}
	})
	m, ok := e.memory.learnt[key]
	if !ok {
		m = noise.Learn(rest)
		e.memory.learnt[key] = m
	}
	return m
}

// Cameras and Days return the names of the groups, in order.
func (e *Evidence) Cameras() []string { return e.walks.cameras }

// Days returns the days on which photos were taken, in order.
func (e *Evidence) Days() []string { return e.walks.days }

// Walk returns the indexes of a camera's photos in the order of time; with an
// empty name those of all cameras.
func (e *Evidence) Walk(camera string) []int {
	if camera == "" {
		return e.walks.all
	}
	return e.walks.seq[camera]
}

// Fix returns the photo's tag with its frame; At must not be nil.
func (p *Photo) Fix() grid.Fix {
	f := grid.Fix{LatLon: *p.At, Frame: p.Frame}
	if a := p.Tag.Altitude; a != nil && a.Ref == geotag.AltitudeEllipsoidal && grid.Finite(a.Metres) {
		h := a.Metres
		f.Height = &h
	}
	return f
}

// newEvidence gathers what a checked job says.
func newEvidence(in *Input) (*Evidence, error) {
	switch {
	case in.Proj == nil:
		return nil, errors.New("explain: there is no projection")
	case in.Result == nil:
		return nil, errors.New("explain: there is no result to explain")
	case !(in.Result.Grid.Unit.Metres > 0):
		return nil, fmt.Errorf("explain: the grid's unit %q has %v metres", in.Result.Grid.Unit.Name, in.Result.Grid.Unit.Metres)
	}
	res := in.Result
	e := &Evidence{
		Input: in, nearest: new(cells), looked: make(map[int]found), unit: res.Grid.Unit.Metres, clocks: make(map[string]clock), models: make(map[string]correlation), written: make(map[string]float64),
		Photos: make([]Photo, len(res.Photos)),
		Points: make([]match.Point, len(res.Points)),
		points: make(map[string]int, len(res.Points)),
		memory: &memory{placed: make(map[spot]grid.Placement), points: make(map[string]*Hypothesis), grids: make(map[string][]grid.Projection), learnt: make(map[string]*noise.Model)},
	}
	for i, p := range res.Points {
		e.Points[i] = p.Point
		e.points[p.ID] = i
		e.centre.E += p.E / float64(len(res.Points))
		e.centre.N += p.N / float64(len(res.Points))
	}
	for i := range res.Photos {
		r := &res.Photos[i]
		p := &e.Photos[i]
		p.Index, p.Name, p.Tag, p.Point = i, r.Name, r.Tag, -1
		p.Camera = cameraOf(r)
		if r.Tie != nil {
			j, ok := e.points[r.Tie.Point]
			if !ok {
				return nil, fmt.Errorf("explain: photo %q is tied to point %q, which is not in the result", r.Name, r.Tie.Point)
			}
			p.Point = j
			if a := r.Tie.Aim; a != nil && a.Offset != nil {
				p.move = match.Vector{E: a.Offset.E * e.unit, N: a.Offset.N * e.unit}
			}
		}
		p.hint = e.hintOf(r, p.Point)
		if r.Tag == nil {
			continue
		}
		e.read(p, r)
		e.compare(p, r)
		if err := e.allow(p, r.Allowance); err != nil {
			return nil, err
		}
	}
	for _, c := range res.Cameras {
		if k := c.Clock; k != nil && k.Used {
			e.clocks[c.Camera] = clock{k.Offset, math.Max(40, k.Spread)}
		}
	}
	e.setTimes()
	e.relink()
	e.walks = e.order()
	all := slices.Sorted(slices.Values(e.walks.all))
	e.walks.groups = []group{{all, 1}}
	e.groups(all, func(in []int, of int) { e.walks.groups = append(e.walks.groups, group{in, of}) })
	e.learnSteps()
	first := mix(swellPrior).shares()
	for i := range e.Photos {
		p := &e.Photos[i]
		if p.Point >= 0 && p.OnGrid != nil {
			e.walks.tied[p.outing]++
		}
		p.noise.mix = first
		e.hold(p, nil)
	}
	e.learn()
	e.same = e.repeated()
	e.gather()
	e.learnTimes()
	return e, nil
}

// read takes from a photo's tag what causes look at.
func (e *Evidence) read(p *Photo, r *match.PhotoResult) {
	if t := r.Tag.Taken; t != nil && !t.Time.IsZero() {
		p.Clock = t.Time
		p.Day = t.Time.Format(time.DateOnly)
		p.wall = wallOf(t.Time)
	} else if t := r.Tag.GPSTime; t != nil {
		p.Day = t.UTC().Format(time.DateOnly)
	}
	p.Frame = e.Input.Options.Frame(r.Tag)
	// A tag too coarse to judge is evidence for nothing, and not lost either.
	if at := r.Tag.Position; at != nil && r.Reason != match.ReasonCoarse {
		ll := grid.LatLon{Lat: at.Lat, Lon: at.Lon}
		if ll.Valid() && ll != (grid.LatLon{}) {
			p.At = &ll
		}
	}
	if r.OnGrid == nil || r.Reason == match.ReasonBallpark {
		return
	}
	if en := *r.OnGrid; r.Reason == match.ReasonCoarse {
		p.coarse = &en
	} else {
		p.OnGrid, p.op = &en, r.Operation
	}
}

// wallOf is the reading of a clock as if it were UTC.
func wallOf(t time.Time) time.Time {
	y, mo, d := t.Date()
	h, mi, s := t.Clock()
	return time.Date(y, mo, d, h, mi, s, t.Nanosecond(), time.UTC)
}

// cameraOf names the camera: by its serial number, else by make and model and
// the folder, since a crew may carry two alike.
func cameraOf(r *match.PhotoResult) string {
	t := r.Tag
	if t == nil {
		return path.Dir(r.NameAsTaken())
	}
	if t.Serial != "" {
		return t.Serial
	}
	name := plainCamera(t)
	if dir := path.Dir(r.NameAsTaken()); dir != "." {
		if name == "" {
			return dir
		}
		return name + " in " + dir
	}
	return name
}

// plainCamera is the camera by its serial number, else by make and model, as the
// walk's inference and the settings call it.
func plainCamera(t *geotag.Tag) string {
	if t.Serial != "" {
		return t.Serial
	}
	return strings.TrimSpace(t.Make + " " + t.Model)
}

// allow sets what the budget says of a photo.
func (e *Evidence) allow(p *Photo, a *match.Allowance) error {
	if a == nil {
		var pt match.Point
		if p.Point >= 0 {
			pt = e.Points[p.Point]
		}
		fresh, err := e.Input.Options.BudgetFor(p.Tag).Allowance(p.Tag, pt, nil, match.AllowanceOptions{Accuracy: e.Input.Options.Accuracy[plainCamera(p.Tag)]})
		if err != nil {
			return fmt.Errorf("explain: photo %q: %w", p.Name, err)
		}
		a = &fresh
	}
	p.Sigma, p.Threshold, p.Standoff = a.Sigma, a.Threshold, a.Standoff
	p.noise = law{sigma: a.Sigma, standoff: a.Standoff, cov: a.Cov}
	if a.Expected != nil {
		p.noise.expected = *a.Expected
	}
	return nil
}

// setTimes works out the instants of photos.
func (e *Evidence) setTimes() {
	late := make(map[string][]float64) // fix minus clock, seconds
	zoned := make(map[string]bool)
	for i := range e.Photos {
		p := &e.Photos[i]
		if !p.Clock.IsZero() {
			was, seen := zoned[p.Camera]
			zoned[p.Camera] = p.Tag.Taken.HasOffset && (was || !seen)
		}
		if !p.Clock.IsZero() && p.Tag.GPSTime != nil {
			late[p.Camera] = append(late[p.Camera], p.Tag.GPSTime.Sub(p.Clock).Seconds())
		}
	}
	// Fixes may be frozen, so the camera's median and not the photo's own. A fix is some
	// seconds old as a rule, which does not move the clock.
	shift := make(map[string]time.Duration)
	for camera, v := range late {
		if m := medianOf(v); math.Abs(m) >= 30 {
			shift[camera] = time.Duration(m * float64(time.Second))
		}
	}
	for i := range e.Photos {
		p := &e.Photos[i]
		if zoned[p.Camera] && !p.Clock.IsZero() {
			p.wall = p.Clock
		}
		switch {
		case !p.Clock.IsZero():
			p.Time = p.Clock.Add(shift[p.Camera]).UTC()
		case p.Tag != nil && p.Tag.GPSTime != nil:
			p.Time = p.Tag.GPSTime.UTC()
		}
	}
}

// order sorts photos into walks.
func (e *Evidence) order() *walks {
	w := &walks{seq: make(map[string][]int), rank: make([]int, len(e.Photos))}
	type cameraDay struct{ camera, day string }
	of, cameras, days := make(map[cameraDay]outing), make(map[string]int), make(map[string]int)
	id := func(of map[string]int, name string) int {
		if _, ok := of[name]; !ok {
			of[name] = len(of)
		}
		return of[name]
	}
	for i := range e.Photos {
		p := &e.Photos[i]
		w.seq[p.Camera] = append(w.seq[p.Camera], i)
		w.all = append(w.all, i)
		o, ok := of[cameraDay{p.Camera, p.Day}]
		if !ok {
			o = outing(len(of))
			of[cameraDay{p.Camera, p.Day}], w.outings = o, append(w.outings, nil)
			w.camera, w.day = append(w.camera, id(cameras, p.Camera)), append(w.day, id(days, p.Day))
		}
		p.outing, w.outings[o] = o, append(w.outings[o], i)
	}
	byTime := func(i, j int) int {
		a, b := &e.Photos[i], &e.Photos[j]
		if a.Time.IsZero() || b.Time.IsZero() {
			// Without times the order of the result, which is that of names.
			return cmp.Compare(a.Day, b.Day)
		}
		return a.Time.Compare(b.Time)
	}
	for c, s := range w.seq {
		slices.SortStableFunc(s, byTime)
		for k, i := range s {
			w.rank[i] = k
		}
		w.cameras = append(w.cameras, c)
	}
	slices.SortStableFunc(w.all, byTime)
	slices.Sort(w.cameras)
	w.days = slices.DeleteFunc(slices.Sorted(maps.Keys(days)), func(d string) bool { return d == "" })
	w.tied = make([]int, len(w.outings))
	return w
}

// relink takes up ties that have changed.
func (e *Evidence) relink() {
	e.tied = make([][]int, len(e.Points))
	for i := range e.Photos {
		if j := e.Photos[i].Point; j >= 0 {
			e.tied[j] = append(e.tied[j], i)
		}
	}
}

// offset returns the tag's place minus that of the tied point, with what has
// been subtracted; false where there is none. Points that moved are where that says.
func (e *Evidence) offset(p *Photo, moved map[int]grid.EN) (match.Vector, bool) {
	if p.OnGrid == nil || p.Point < 0 {
		return match.Vector{}, false
	}
	at, ok := moved[p.Point]
	if !ok {
		at = e.Points[p.Point].EN
	}
	return match.Vector{
		E: (p.OnGrid.E-at.E)*e.unit - p.move.E,
		N: (p.OnGrid.N-at.N)*e.unit - p.move.N,
	}, true
}

// hold holds a photo against its point: it sets D and Out.
func (e *Evidence) hold(p *Photo, moved map[int]grid.EN) {
	p.D, p.Out = nil, false
	if p.Void {
		return
	}
	v, ok := e.offset(p, moved)
	if !ok {
		p.Out = p.At != nil && p.Point >= 0
		return
	}
	d, best := v, math.Inf(1)
	for _, w := range p.where {
		u := match.Vector{E: v.E - w.E, N: v.N - w.N}
		if h := math.Hypot(u.E-p.noise.expected.E, u.N-p.noise.expected.N); h < best {
			best, d = h, u
		}
	}
	p.D = &d
	p.Out = p.beyond() > p.Threshold
}

// weigh sets logp of a photo that was held against its point.
func (e *Evidence) weigh(p *Photo, moved map[int]grid.EN) {
	switch {
	case p.Void:
	case p.D == nil && p.Out:
		p.logp = p.noise.lost(halfTurn / 2)
	case p.D == nil:
		p.logp = 0
	case p.where == nil:
		p.logp = p.noise.logP(*p.D, p.blur)
	default:
		v, _ := e.offset(p, moved)
		sum := math.Inf(-1)
		for _, w := range p.where {
			sum = logAdd(sum, p.noise.logP(match.Vector{E: v.E - w.E, N: v.N - w.N}, p.blur))
		}
		p.logp = sum - math.Log(float64(len(p.where)))
	}
}

// beyond is the distance that the threshold holds for.
func (p *Photo) beyond() float64 {
	v := match.Vector{E: p.D.E - p.noise.expected.E, N: p.D.N - p.noise.expected.N}
	if b := p.blur; b != nil {
		v.E = math.Max(math.Abs(v.E)-b.E, 0)
		v.N = math.Max(math.Abs(v.N)-b.N, 0)
	}
	return math.Hypot(v.E, v.N)
}

// refresh weighs all photos anew.
func (e *Evidence) refresh() {
	for i := range e.Photos {
		e.weigh(&e.Photos[i], nil)
	}
}

// near says that a photo is so near its point, or what its outing has in common
// from that, that noise alone is a fair guess.
func (p *Photo) near(scale float64) bool {
	return p.D != nil && p.where == nil && p.beyond() < 1.5*scale*p.Threshold
}

// stance is where the crew stood on an outing as a rule: the mean of the discrepancies of
// the photos that are near their points, no longer than the standoff; nil without any.
// Some photos, in the order of index, are taken as they are tried.
func (e *Evidence) stance(o outing, tried []Photo) *match.Vector {
	var v match.Vector
	var sum, r float64
	for _, i := range e.walks.outings[o] {
		p := &e.Photos[i]
		if len(tried) > 0 && tried[0].Index == i {
			p, tried = &tried[0], tried[1:]
		}
		if p.noise.standoff == 0 || p.noise.cov != nil || p.blur != nil || !p.near(1) {
			continue
		}
		w := 1 / (p.noise.sigma * p.noise.sigma)
		v.E, v.N, sum, r = v.E+w*p.D.E, v.N+w*p.D.N, sum+w, r+w*p.noise.standoff
	}
	if sum == 0 {
		return nil
	}
	v, r = match.Vector{E: v.E / sum, N: v.N / sum}, r/sum
	if d := math.Hypot(v.E, v.N); d > r {
		v = match.Vector{E: v.E * r / d, N: v.N * r / d}
	}
	return &v
}

// stand takes over where the crew stood, where that is another place than before.
func (p *Photo) stand(v *match.Vector) {
	was := p.noise.stance
	if p.noise.standoff == 0 || p.noise.cov != nil || v != nil && was != nil && math.Hypot(v.E-was.E, v.N-was.N) < 0.01 {
		return
	}
	p.noise.stance = v
}

// learn fits the shares of the swells, camera by camera, to the photos that are near
// their points, by expectation and maximisation, and weighs all photos anew. What an
// outing has in common is no noise of single photos and taken out first.
func (e *Evidence) learn() {
	for o, photos := range e.walks.outings {
		v := e.stance(outing(o), nil)
		for _, i := range photos {
			e.Photos[i].stand(v)
		}
	}
	e.shared = e.common()
	of := make(map[string][]int)
	for i := range e.Photos {
		if p := &e.Photos[i]; p.D != nil && p.where == nil {
			of[p.Camera] = append(of[p.Camera], i)
		}
	}
	rest := func(p *Photo) match.Vector {
		c := e.shared[p.outing]
		return match.Vector{E: p.D.E - c.E, N: p.D.N - c.N}
	}
	mixes := make(map[string]*mix, len(of))
	for camera, photos := range of {
		var near []chances
		for _, i := range photos {
			p := &e.Photos[i]
			if v := rest(p); math.Hypot(v.E-p.noise.expected.E, v.N-p.noise.expected.N) < 4*p.Threshold {
				near = append(near, p.noise.chances(v, p.blur))
			}
		}
		m := mix(swellPrior).shares()
		for range 8 {
			sum := mix(swellPrior)
			for x := range near {
				_, share := near[x].mixed(m)
				for k, w := range share {
					sum[k] += w
				}
			}
			m = sum.shares()
		}
		mixes[camera] = m
	}
	for i := range e.Photos {
		p := &e.Photos[i]
		if m := mixes[p.Camera]; m != nil {
			p.noise.mix = m
		}
	}
	e.refresh()
}

// learnTimes learns how the errors of each camera correlate along time, from the
// photos that are near their points but for what their outing has in common.
func (e *Evidence) learnTimes() {
	for _, c := range e.walks.cameras {
		if rest, _ := e.residuals(c, true); len(rest) >= leastLearnt {
			m := e.noiseOf(rest)
			day := defaultCorrelation.DayShare
			e.models[c] = correlation{White: m.White * (1 - day), Time: time.Duration(m.Time * float64(time.Second)), DayShare: day}
		}
	}
}

// epoch is what times of residuals count from.
var epoch = time.Unix(0, 0)

// leastLearnt is the least number of photos that a camera's noise is learnt from.
const leastLearnt = 8

// common is what the tags of each outing are off by in common, by the medians.
func (e *Evidence) common() []match.Vector {
	out := make([]match.Vector, len(e.walks.outings))
	var east, north []float64
	for o, photos := range e.walks.outings {
		east, north = east[:0], north[:0]
		for _, i := range photos {
			if p := &e.Photos[i]; p.D != nil && p.where == nil {
				east, north = append(east, p.D.E-p.noise.expected.E), append(north, p.D.N-p.noise.expected.N)
			}
		}
		if len(east) >= 5 {
			out[o] = match.Vector{E: medianOf(east), N: medianOf(north)}
		}
	}
	return out
}

// cells finds points by place.
type cells struct {
	size float64
	at   map[[2]int64][]int
}

// NearestPoint returns the index of the point nearest to a place on the grid and
// the distance in metres; -1 where there is none within the limit in metres.
func (e *Evidence) NearestPoint(at grid.EN, limit float64) (int, float64) {
	best, dist := -1, math.Inf(1)
	for j := range e.near(at, limit) {
		if d := math.Hypot(e.Points[j].E-at.E, e.Points[j].N-at.N) * e.unit; d < dist && d <= limit {
			best, dist = j, d
		}
	}
	return best, dist
}

// near yields points within a limit in metres, and others.
func (e *Evidence) near(at grid.EN, limit float64) iter.Seq[int] {
	if e.nearest.size*e.unit < limit {
		c := &cells{size: limit / e.unit, at: make(map[[2]int64][]int, len(e.Points))}
		for j := range e.Points {
			k := c.key(e.Points[j].EN)
			c.at[k] = append(c.at[k], j)
		}
		e.nearest = c
	}
	k := e.nearest.key(at)
	return func(yield func(int) bool) {
		for c := range int64(9) {
			for _, j := range e.nearest.at[[2]int64{k[0] + c/3 - 1, k[1] + c%3 - 1}] {
				if !yield(j) {
					return
				}
			}
		}
	}
}

func (c *cells) key(at grid.EN) [2]int64 {
	cell := func(v float64) int64 { return int64(math.Max(-1e15, math.Min(1e15, math.Floor(v/c.size)))) }
	return [2]int64{cell(at.E), cell(at.N)}
}
