package crs

import (
	"context"
	"fmt"
	"math"

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
	phase    int8
	dated    bool
	second   bool // FromGrid has chosen a second time
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
	todo  []again
	list  []*batch
	spare []*batch
	index map[batchKey]*batch
	last  *batch

	goal, aim, check []proj.Coord
	miss             []float64
}

type batchKey struct {
	plan *plan
	way  int
}

// clear empties the batches.
func (s *scratch) clear() {
	s.spare = append(s.spare, s.list...)
	s.list, s.last = s.list[:0], nil
	clear(s.index)
}

// to returns the batch for those that go a way.
func (s *scratch) to(p *plan, way int) *batch {
	if s.last == nil || s.last.plan != p || s.last.way != way {
		key := batchKey{p, way}
		s.last = s.index[key]
		if s.last == nil {
			s.last = s.batch(key)
		}
	}
	return s.last
}

// room makes room for one more, which is to be filled in.
func (b *batch) room() (*task, *proj.Coord) {
	n := len(b.tasks)
	b.tasks, b.coords = b.tasks[:n+1], b.coords[:n+1] // they hold a chunk
	return &b.tasks[n], &b.coords[n]
}

// put sends tasks back.
func (s *scratch) put(p *plan, tasks ...task) {
	for _, t := range tasks {
		s.todo = append(s.todo, again{p, t})
	}
}

// batch makes a batch, of a spare one where there is one.
func (s *scratch) batch(key batchKey) *batch {
	if s.index == nil {
		s.index = make(map[batchKey]*batch)
	}
	var b *batch
	if n := len(s.spare); n > 0 {
		b, s.spare = s.spare[n-1], s.spare[:n-1]
	} else {
		b = &batch{tasks: make([]task, 0, chunk), coords: make([]proj.Coord, 0, chunk)}
	}
	b.plan, b.way, b.tasks, b.coords = key.plan, key.way, b.tasks[:0], b.coords[:0]
	s.index[key] = b
	s.list = append(s.list, b)
	return b
}

// sources looks plans up, once per datum and call.
type sources struct {
	c     *CRS
	known map[string]source
	name  string
	last  source
}

type source struct {
	plan *plan
	err  error
}

func (s *sources) plan(datum string) (*plan, error) {
	if s.known == nil {
		s.known = make(map[string]source)
	} else if datum == s.name {
		return s.last.plan, s.last.err
	}
	found, ok := s.known[datum]
	if !ok {
		p, err := s.c.plan(datum)
		if err == nil && p.unknown {
			err = &grid.UnknownDatumError{Datum: datum}
		}
		found = source{p, err}
		s.known[datum] = found
	}
	s.name, s.last = datum, found
	return found.plan, found.err
}

// ToGrid carries fixes onto the grid. For each one it chooses, among the
// operations that can be run, the one of the best stated accuracy whose area of
// use holds the fix, and goes on to the next where PROJ can't carry the fix
// with it (outside a grid file, mostly). Operations that depend on the epoch are
// used only where it is known, unless there is no other. The package comment
// says more.
//
// Many fixes are carried by all processors at once. The operations in the result
// are shared between placements: don't change them. The error is that of ctx, or says why PROJ can't be used at all.
func (c *CRS) ToGrid(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	out := make([]grid.Placement, len(fixes))
	err := c.withWorkers(len(fixes), func(w *worker, lo, end int) error {
		j := forwards{c: c, w: w, sources: sources{c: c}}
		for ; lo < end; lo += chunk {
			hi := min(lo+chunk, end)
			if err := j.run(ctx, fixes[lo:hi], out[lo:hi]); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// forwards is a call of ToGrid at work.
type forwards struct {
	c       *CRS
	w       *worker
	sources sources
}

// run carries one chunk of fixes.
func (j *forwards) run(ctx context.Context, fixes []grid.Fix, out []grid.Placement) error {
	s := &j.w.scratch
	s.clear()
	var p *plan
	datum := ""
	for i := range fixes {
		f := &fixes[i]
		if !f.Valid() {
			out[i].Err = fmt.Errorf("latitude %v, longitude %v is no position on the earth: %w", f.Lat, f.Lon, grid.ErrOutside)
			continue
		}
		if p == nil || f.Datum != datum {
			var err error
			if p, err = j.sources.plan(f.Datum); err != nil {
				p, out[i].Err = nil, err
				continue
			}
			datum = f.Datum
		}
		j.choose(p, task{i: int32(i), lat: f.Lat, lon: f.Lon, dated: credible(f.Epoch)}, f, &out[i])
	}
	for len(s.list) > 0 {
		s.todo = s.todo[:0]
		for _, g := range s.list {
			if err := j.send(ctx, g, out); err != nil {
				return err
			}
		}
		s.clear()
		for _, t := range s.todo {
			j.choose(t.plan, t.task, &fixes[t.i], &out[t.i])
		}
	}
	return nil
}

// choose puts a task to the batch of its next way.
func (j *forwards) choose(p *plan, t task, f *grid.Fix, out *grid.Placement) {
	way, phase, at := 0, phaseInside, 1 // the best way: what next says for most
	if w := &p.ways[0]; t.at > 0 || w.ballpark || w.dated && !t.dated || !w.covers(t.lat, t.lon) {
		way, phase, at = p.next(t.lat, t.lon, t.dated, int(t.at))
	}
	if way < 0 {
		out.Err = fmt.Errorf("latitude %v, longitude %v can't be carried onto %s: %w", t.lat, t.lon, j.c.grid.Name, grid.ErrOutside)
		return
	}
	w := &p.ways[way]
	x, y := w.axes.from(f.Lat, f.Lon)
	next, c := j.w.scratch.to(p, way).room()
	// Field by field: to copy it whole would wait for the stores above.
	next.i, next.lat, next.lon, next.dated, next.at, next.phase = t.i, t.lat, t.lon, t.dated, int32(at), int8(phase)
	c[0], c[1], c[2], c[3] = x, y, height(f.Height), w.time(f.Epoch, t.dated)
}

// send runs a batch. What PROJ can't carry goes back to be done another way.
func (j *forwards) send(ctx context.Context, g *batch, out []grid.Placement) error {
	s := &j.w.scratch
	if err := j.w.transform(ctx, g.plan.ways[g.way].pipeline, proj.DirectionFwd, g.coords); err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		s.put(g.plan, g.tasks...) // the way can't be run at all
		return nil
	}
	d := g.plan.describer(g.way)
	for k := range g.tasks {
		t, x := &g.tasks[k], &g.coords[k]
		if !finite(x[0], x[1]) {
			s.put(g.plan, *t)
			continue
		}
		o := &out[t.i]
		o.EN, o.Op = j.c.plane.toEN(x[0], x[1]), d.operation(t)
	}
	return nil
}

// FromGrid carries grid positions into the frames, at[i] into frames[i]. It
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
	err = c.withWorkers(len(at), func(w *worker, lo, end int) error {
		j := backwards{c: c, w: w, sources: sources{c: c}}
		for ; lo < end; lo += chunk {
			hi := min(lo+chunk, end)
			if err := j.run(ctx, at[lo:hi], own[lo:hi], frames[lo:hi], out[lo:hi]); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// backwards is a call of FromGrid at work.
type backwards struct {
	c       *CRS
	w       *worker
	sources sources
}

// run carries one chunk of grid positions; own are the same positions in the
// grid's own frame.
func (j *backwards) run(ctx context.Context, at []grid.EN, own []grid.LatLon, frames []grid.Frame, out []grid.FixPlacement) error {
	s := &j.w.scratch
	s.clear()
	for i, p := range own {
		out[i].Frame = frames[i]
		if !finite(p.Lat, p.Lon) {
			out[i].Err = fmt.Errorf("position E %v N %v of %s has no latitude and longitude: %w", at[i].E, at[i].N, j.c.grid.Name, grid.ErrOutside)
			continue
		}
		plan, err := j.sources.plan(frames[i].Datum)
		if err != nil {
			out[i].Err = err
			continue
		}
		j.choose(plan, task{i: int32(i), lat: p.Lat, lon: wrap(p.Lon + j.c.ownMeridian), dated: credible(frames[i].Epoch)}, at, frames, out)
	}
	for len(s.list) > 0 {
		s.todo = s.todo[:0]
		for _, g := range s.list {
			if err := j.send(ctx, g, out); err != nil {
				return err
			}
		}
		s.clear()
		for _, t := range s.todo {
			j.choose(t.plan, t.task, at, frames, out)
		}
	}
	return nil
}

// choose puts a task to the batch of its next way.
func (j *backwards) choose(p *plan, t task, at []grid.EN, frames []grid.Frame, out []grid.FixPlacement) {
	way, phase, next := p.next(t.lat, t.lon, t.dated, int(t.at))
	if way < 0 {
		out[t.i].Err = fmt.Errorf("position E %v N %v can't be carried from %s into datum %q: %w", at[t.i].E, at[t.i].N, j.c.grid.Name, frames[t.i].Datum, grid.ErrOutside)
		return
	}
	t.phase, t.at = int8(phase), int32(next)
	x, y := j.c.plane.fromEN(at[t.i])
	task, c := j.w.scratch.to(p, way).room()
	*task = t
	c[0], c[1], c[2], c[3] = x, y, 0, p.ways[way].time(frames[t.i].Epoch, t.dated)
}

// send runs a batch backwards. What PROJ can't carry, or what belongs to
// another way, goes back to be done again.
func (j *backwards) send(ctx context.Context, g *batch, out []grid.FixPlacement) error {
	s := &j.w.scratch
	way := &g.plan.ways[g.way]
	if err := j.w.invert(ctx, way.pipeline, g.coords, j.c.grid.Unit.Metres); err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		s.put(g.plan, g.tasks...)
		return nil
	}
	describe := g.plan.describer(g.way)
	for k := range g.tasks {
		t, x := &g.tasks[k], &g.coords[k]
		if !finite(x[0], x[1]) {
			s.put(g.plan, *t)
			continue
		}
		lat, lon := way.axes.to(x[0], x[1])
		// Close to the edge of an area the position itself may choose otherwise
		// than its neighbour in the own frame did.
		if i, phase, _ := g.plan.next(lat, lon, t.dated, 0); i == g.way {
			t.phase = int8(phase)
		} else if !t.second {
			s.put(g.plan, task{i: t.i, lat: lat, lon: lon, dated: t.dated, second: true})
			continue
		}
		out[t.i].LatLon = grid.LatLon{Lat: lat, Lon: lon}
		out[t.i].Op = describe.look(int(t.phase), lat, lon, t.dated)
	}
	return nil
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
	if h == nil || math.IsNaN(*h) || math.IsInf(*h, 0) {
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
		out[i] = c.plane.toEN(coords[i][0], coords[i][1])
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

// fromPlane is FromPlane with NaN for positions that can't be carried.
func (c *CRS) fromPlane(ctx context.Context, at []grid.EN) ([]grid.LatLon, error) {
	coords := make([]proj.Coord, len(at))
	for i, p := range at {
		x, y := c.plane.fromEN(p)
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
