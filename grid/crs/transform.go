package crs

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/twpayne/go-proj/v11"

	"example.com/phototie/grid"
)

// The epochs that are believed: before, there was no GPS; far ahead, the clock
// of the handheld was wrong.
const (
	firstEpoch = 1980
	lastEpoch  = 2100
)

// credible reports whether an epoch is one to go by.
func credible(epoch float64) bool { return epoch >= firstEpoch && epoch < lastEpoch }

// task is one position on its way through a plan. It holds no pointer, so that the
// collector need not look at it.
type task struct {
	lat, lon float64 // where to choose the way by
	i        int32   // index in the chunk
	at       int32   // where to go on in the plan's order
	year     int16   // of the fix; 0 where it is not known
	phase    int8
	dated    bool
	second   bool // FromGrid has chosen a second time
}

func newTask(lat, lon, epoch float64) task {
	t := task{lat: lat, lon: lon, dated: credible(epoch)}
	if t.dated {
		t.year = int16(epoch)
	}
	return t
}

// batch holds the tasks that go through one way.
type batch struct {
	plan   *plan
	way    int
	tasks  []task
	coords []proj.Coord
}

// again is a task that is to be done another way.
type again struct {
	plan *plan
	task
}

// scratch is memory that a worker uses again from call to call: positions by the
// chunk, sorted by the way that they go.
type scratch struct {
	todo        []again
	list, spare []*batch
	last        *batch

	goal, aim, check []proj.Coord
	miss             []float64
}

// clear empties the batches.
func (s *scratch) clear() {
	s.spare = append(s.spare, s.list...)
	s.list, s.last = s.list[:0], nil
}

// to returns the batch for those that go a way, new or a spare one where there is
// none yet.
func (s *scratch) to(p *plan, way int) *batch {
	if s.last != nil && s.last.plan == p && s.last.way == way {
		return s.last
	}
	if i := slices.IndexFunc(s.list, func(b *batch) bool { return b.plan == p && b.way == way }); i >= 0 {
		s.last = s.list[i]
		return s.last
	}
	if n := len(s.spare); n > 0 {
		s.last, s.spare = s.spare[n-1], s.spare[:n-1]
	} else {
		s.last = &batch{tasks: make([]task, 0, chunk), coords: make([]proj.Coord, 0, chunk)}
	}
	*s.last = batch{p, way, s.last.tasks[:0], s.last.coords[:0]}
	s.list = append(s.list, s.last)
	return s.last
}

// room makes room for one more, which is to be filled in.
func (b *batch) room() (*task, *proj.Coord) {
	n := len(b.tasks)
	b.tasks, b.coords = b.tasks[:n+1], b.coords[:n+1] // they hold a chunk
	return &b.tasks[n], &b.coords[n]
}

// direction is one of the two directions, at work on a chunk of positions.
type direction interface {
	// start returns the datum of position i, and where to choose its way by.
	start(i int) (datum string, t task, err error)
	// coord is what goes into a way.
	coord(t *task, w *way) proj.Coord
	run(ctx context.Context, w *way, coords []proj.Coord) error
	// arrive takes the result of a way. It is false where the position is to be
	// done another way after all.
	arrive(t *task, x *proj.Coord, way int, d *describer) bool
	fail(i int32, err error)
	// lost is the error of a position that no way transforms.
	lost(i int32) error
}

// transform does one chunk of n positions. What PROJ can't transform one way is put to
// the next. plans are those of the datums seen so far.
func (c *CRS) transform(ctx context.Context, s *scratch, plans map[string]source, n int, job direction) error {
	s.clear()
	datum := ""
	var last source
	for i := range n {
		name, t, err := job.start(i)
		if err == nil {
			if last.plan == nil || name != datum {
				datum, last = name, c.source(plans, name)
			}
			err = last.err
		}
		if err != nil {
			job.fail(int32(i), err)
			continue
		}
		t.i = int32(i)
		s.choose(job, last.plan, t)
	}
	for len(s.list) > 0 {
		s.todo = s.todo[:0]
		for _, g := range s.list {
			w := &g.plan.ways[g.way]
			if err := job.run(ctx, w, g.coords); err != nil {
				if ctx.Err() != nil {
					return ctx.Err()
				}
				for _, t := range g.tasks { // the way can't be run at all
					s.todo = append(s.todo, again{g.plan, t})
				}
				continue
			}
			d := g.plan.describer(g.way)
			for k := range g.tasks {
				t, x := &g.tasks[k], &g.coords[k]
				if !finite(x[0], x[1]) || !job.arrive(t, x, g.way, d) {
					s.todo = append(s.todo, again{g.plan, *t})
				}
			}
		}
		s.clear()
		for _, t := range s.todo {
			s.choose(job, t.plan, t.task)
		}
	}
	return nil
}

// choose puts a task to the batch of its next way.
func (s *scratch) choose(job direction, p *plan, t task) {
	way, phase, at := 0, phaseInside, 1 // the best way: what next says for most
	if w := &p.ways[0]; t.at > 0 || w.ballpark || w.dated && !t.dated || !w.covers(t.lat, t.lon) {
		way, phase, at = p.next(t.lat, t.lon, t.dated, int(t.at))
	}
	if way < 0 {
		job.fail(t.i, job.lost(t.i))
		return
	}
	t.at, t.phase = int32(at), int8(phase)
	next, c := s.to(p, way).room()
	*next, *c = t, job.coord(&t, &p.ways[way])
}

// source is the plan of a datum.
type source struct {
	plan *plan
	err  error
}

// source looks a plan up, once per datum and call.
func (c *CRS) source(known map[string]source, datum string) source {
	found, ok := known[datum]
	if !ok {
		found.plan, found.err = c.plan(datum)
		if found.err == nil && found.plan.unknown {
			found.err = &grid.UnknownDatumError{Datum: datum}
		}
		known[datum] = found
	}
	return found
}

// ToGrid transforms fixes to the grid. For each one it chooses, among the
// operations that can be run, the one of the best stated accuracy whose area of
// use holds the fix, and goes on to the next where PROJ can't transform the fix
// with it (outside a grid file, mostly). Operations that depend on the epoch are
// used only where it is known, unless there is no other. The package comment
// says more.
//
// Many fixes are transformed by all processors at once. The operations in the
// result are shared between placements: don't change them. The error is that of
// ctx, or says why PROJ can't be used at all.
func (c *CRS) ToGrid(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	out := make([]grid.Placement, len(fixes))
	err := c.inChunks(len(fixes), func(w *worker, known map[string]source, lo, hi int) error {
		return c.transform(ctx, &w.scratch, known, hi-lo, &forwards{c, w, fixes[lo:hi], out[lo:hi]})
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// inChunks has chunks of n positions done by the workers.
func (c *CRS) inChunks(n int, f func(w *worker, known map[string]source, lo, hi int) error) error {
	return c.withWorkers(n, func(w *worker, lo, end int) error {
		known := make(map[string]source)
		for ; lo < end; lo += chunk {
			if err := f(w, known, lo, min(lo+chunk, end)); err != nil {
				return err
			}
		}
		return nil
	})
}

// forwards is a chunk of ToGrid.
type forwards struct {
	c     *CRS
	w     *worker
	fixes []grid.Fix
	out   []grid.Placement
}

func (j *forwards) start(i int) (string, task, error) {
	f := &j.fixes[i]
	return f.Datum, newTask(f.Lat, f.Lon, f.Epoch), valid(f)
}

// valid refuses a fix that is not on the earth.
func valid(f *grid.Fix) error {
	if f.Valid() {
		return nil
	}
	return fmt.Errorf("latitude %v, longitude %v is no position on the earth: %w", f.Lat, f.Lon, grid.ErrOutside)
}

func (j *forwards) coord(t *task, w *way) proj.Coord {
	f := &j.fixes[t.i]
	x, y := w.axes.from(f.Lat, f.Lon)
	return proj.Coord{x, y, height(f.Height), w.time(f.Epoch, t.dated)}
}

func (j *forwards) run(ctx context.Context, w *way, coords []proj.Coord) error {
	return j.w.transform(ctx, w.pipeline, proj.DirectionFwd, coords)
}

func (j *forwards) arrive(t *task, x *proj.Coord, _ int, d *describer) bool {
	o := &j.out[t.i]
	o.E, o.N = j.c.plane.split(x[0], x[1])
	o.Op = d.operation(t)
	return true
}

func (j *forwards) fail(i int32, err error) { j.out[i].Err = err }

func (j *forwards) lost(i int32) error {
	return fmt.Errorf("latitude %v, longitude %v can't be transformed to %s: %w", j.fixes[i].Lat, j.fixes[i].Lon, j.c.grid.Name, grid.ErrOutside)
}

// FromGrid transforms grid positions into the frames, at[i] into frames[i]. It
// takes the operation that ToGrid takes at the resulting position, and ToGrid
// leads back to within 0.1 mm from there. Longitudes are from Greenwich, heights
// are left unknown. The error is that of ctx, that of slices of different
// lengths, or says why PROJ can't be used at all.
func (c *CRS) FromGrid(ctx context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	if len(at) != len(frames) {
		return nil, fmt.Errorf("%d grid positions but %d frames; give one frame for each", len(at), len(frames))
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	out := make([]grid.FixPlacement, len(at))
	// The own frame is near enough to every other to choose the way by.
	own, err := c.fromPlane(ctx, at)
	if err != nil {
		return nil, err
	}
	err = c.inChunks(len(at), func(w *worker, known map[string]source, lo, hi int) error {
		return c.transform(ctx, &w.scratch, known, hi-lo, &backwards{c, w, at[lo:hi], own[lo:hi], frames[lo:hi], out[lo:hi]})
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// backwards is a chunk of FromGrid; own are the positions in the grid's own frame.
type backwards struct {
	c      *CRS
	w      *worker
	at     []grid.EN
	own    []grid.LatLon
	frames []grid.Frame
	out    []grid.FixPlacement
}

func (j *backwards) start(i int) (string, task, error) {
	p, f := j.own[i], j.frames[i]
	j.out[i].Frame = f
	if !finite(p.Lat, p.Lon) {
		return "", task{}, fmt.Errorf("position E %v N %v of %s has no latitude and longitude: %w", j.at[i].E, j.at[i].N, j.c.grid.Name, grid.ErrOutside)
	}
	return f.Datum, newTask(p.Lat, wrap(p.Lon+j.c.ownMeridian), f.Epoch), nil
}

func (j *backwards) coord(t *task, w *way) proj.Coord {
	x, y := j.c.plane.join(j.at[t.i].E, j.at[t.i].N)
	return proj.Coord{x, y, 0, w.time(j.frames[t.i].Epoch, t.dated)}
}

func (j *backwards) run(ctx context.Context, w *way, coords []proj.Coord) error {
	return j.w.invert(ctx, w.pipeline, coords, j.c.grid.Unit.Metres)
}

func (j *backwards) arrive(t *task, x *proj.Coord, way int, d *describer) bool {
	lat, lon := d.plan.ways[way].axes.to(x[0], x[1])
	// Close to the edge of an area the position itself may choose otherwise than
	// its neighbour in the own frame did.
	if i, phase, _ := d.plan.next(lat, lon, t.dated, 0); i == way {
		t.phase = int8(phase)
	} else if !t.second {
		t.lat, t.lon, t.at, t.second = lat, lon, 0, true
		return false
	}
	t.lat, t.lon = lat, lon
	o := &j.out[t.i]
	o.LatLon, o.Op = grid.LatLon{Lat: lat, Lon: lon}, d.operation(t)
	return true
}

func (j *backwards) fail(i int32, err error) { j.out[i].Err = err }

func (j *backwards) lost(i int32) error {
	return fmt.Errorf("position E %v N %v can't be transformed from %s into datum %q: %w", j.at[i].E, j.at[i].N, j.c.grid.Name, j.frames[i].Datum, grid.ErrOutside)
}

// time is the time coordinate that PROJ gets.
func (w *way) time(epoch float64, dated bool) float64 {
	switch {
	case dated:
		return epoch
	case w.dated:
		return w.epoch
	}
	return math.Inf(1) // PROJ's way to say that there is none
}

// height is the height coordinate that PROJ gets. Over the heights of land it
// moves a position by millimetres at most.
func height(h *float64) float64 {
	if h == nil || !finite(*h, 0) {
		return 0
	}
	return *h
}

// ToPlane runs the map projection alone: from the grid's own geodetic frame onto
// the grid, without any change of frame. Longitudes count from the frame's own
// prime meridian (Paris for EPSG:27572). A position that the projection can't
// hold comes out as NaN, and the error, which wraps [grid.ErrOutside], names the
// first one.
func (c *CRS) ToPlane(at []grid.LatLon) ([]grid.EN, error) {
	coords := make([]proj.Coord, len(at))
	for i, p := range at {
		x, y := math.NaN(), math.NaN()
		if p.Valid() {
			x, y = c.ownAxes.from(p.Lat, p.Lon)
		}
		coords[i] = proj.Coord{x, y, 0, math.Inf(1)}
	}
	if err := c.withWorker(func(w *worker) error {
		return w.transform(context.Background(), c.own, proj.DirectionFwd, coords)
	}); err != nil {
		return nil, fmt.Errorf("%s: %w", c.grid.Name, err)
	}
	out := make([]grid.EN, len(at))
	var first error
	for i := range coords {
		if !finite(coords[i][0], coords[i][1]) {
			out[i] = grid.EN{E: math.NaN(), N: math.NaN()}
			if first == nil {
				first = fmt.Errorf("position %d, latitude %v, longitude %v, on %s: %w", i, at[i].Lat, at[i].Lon, c.grid.Name, grid.ErrOutside)
			}
			continue
		}
		out[i].E, out[i].N = c.plane.split(coords[i][0], coords[i][1])
	}
	return out, first
}

// FromPlane is the inverse of [CRS.ToPlane]: from the grid into the grid's own
// geodetic frame. A position without one comes out as NaN, and the error, which
// wraps [grid.ErrOutside], names the first one.
func (c *CRS) FromPlane(at []grid.EN) ([]grid.LatLon, error) {
	out, err := c.fromPlane(context.Background(), at)
	if err != nil {
		return nil, err
	}
	for i, p := range out {
		if !finite(p.Lat, p.Lon) {
			return out, fmt.Errorf("position %d, E %v N %v, has no latitude and longitude on %s: %w", i, at[i].E, at[i].N, c.grid.Name, grid.ErrOutside)
		}
	}
	return out, nil
}

// fromPlane is FromPlane with NaN for positions outside.
func (c *CRS) fromPlane(ctx context.Context, at []grid.EN) ([]grid.LatLon, error) {
	coords := make([]proj.Coord, len(at))
	for i, p := range at {
		x, y := c.plane.join(p.E, p.N)
		coords[i] = proj.Coord{x, y, 0, math.Inf(1)}
	}
	if err := c.withWorkers(len(coords), func(w *worker, lo, hi int) error {
		return w.invert(ctx, c.own, coords[lo:hi], c.grid.Unit.Metres)
	}); err != nil {
		return nil, fmt.Errorf("%s: %w", c.grid.Name, err)
	}
	out := make([]grid.LatLon, len(at))
	for i := range coords {
		if !finite(coords[i][0], coords[i][1]) {
			out[i] = grid.LatLon{Lat: math.NaN(), Lon: math.NaN()}
			continue
		}
		out[i].Lat, out[i].Lon = c.ownAxes.to(coords[i][0], coords[i][1])
	}
	return out, nil
}
