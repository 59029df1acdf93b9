package crs

import (
	"cmp"
	"context"
	"math"
	"runtime"
	"slices"
	"strings"
	"sync"

	"github.com/twpayne/go-proj/v11"
)

// worker is a PROJ context with the operations that were made in it. A PROJ
// context serves one goroutine at a time, so a worker does too.
type worker struct {
	ctx     *proj.Context
	ops     map[string]*proj.PJ
	scratch scratch
}

// pool holds what nobody uses at the moment, by the folders that are searched before
// PROJ's own: nothing else is set in a PROJ context, so any CRS with the same folders may
// use any of them.
type pool[T any] struct {
	mu   sync.Mutex
	idle map[string][]T
}

// take returns the one given back last; false where there is none.
func (p *pool[T]) take(folders string) (x T, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := len(p.idle[folders])
	if n > 0 {
		x, p.idle[folders] = p.idle[folders][n-1], p.idle[folders][:n-1]
	}
	return x, n > 0
}

// give gives one back.
func (p *pool[T]) give(folders string, x T) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.idle == nil {
		p.idle = make(map[string][]T)
	}
	p.idle[folders] = append(p.idle[folders], x)
}

// workers are kept for good, as many as were ever at work at the same time: go-proj
// frees a context and the operations made in it when the collector finds them, in no
// particular order, and an operation must not outlive its context.
var workers pool[*worker]

// withWorker runs f with a worker of its own.
func (c *CRS) withWorker(f func(*worker) error) error {
	folders := strings.Join(c.options.Folders, "\x00")
	w, ok := workers.take(folders)
	if !ok {
		w = &worker{ctx: proj.NewContext(), ops: make(map[string]*proj.PJ)}
		if paths := searchPaths(c.options.Folders); len(paths) > 0 {
			w.ctx.SetSearchPaths(paths)
		}
	}
	defer workers.give(folders, w)
	return f(w)
}

// shareFrom is how many positions a worker must have to be worth waking up: to make
// its PROJ context costs about as much as to transform so many.
const shareFrom = 4 * chunk

// withWorkers has n positions done by as many workers as there are processors, each
// a run of them from lo to hi. The error is that of the first run that has one.
func (c *CRS) withWorkers(n int, f func(w *worker, lo, hi int) error) error {
	runs := max(1, min(runtime.GOMAXPROCS(0), n/shareFrom))
	errs := make([]error, runs)
	var all sync.WaitGroup
	for i := range runs {
		run := func() {
			errs[i] = c.withWorker(func(w *worker) error { return f(w, n*i/runs, n*(i+1)/runs) })
		}
		if i < runs-1 {
			all.Go(run)
		} else {
			run()
		}
	}
	all.Wait()
	return cmp.Or(errs...)
}

// maxOperations bounds what one worker keeps; a job uses a handful.
const maxOperations = 64

// operation returns the operation of a pipeline, made once per worker.
func (w *worker) operation(pipeline string) (*proj.PJ, error) {
	if op, ok := w.ops[pipeline]; ok {
		return op, nil
	}
	op, err := w.ctx.New(pipeline)
	if err != nil {
		return nil, err
	}
	if len(w.ops) >= maxOperations {
		clear(w.ops)
	}
	w.ops[pipeline] = op
	return op, nil
}

// chunk is how many positions PROJ gets in one array: enough to make the call
// cheap, few enough to notice a cancelled context and to stay in the processor's
// cache until the results are picked up.
const chunk = 1024

// transform runs coords through a pipeline in place. A position that PROJ can't
// transform comes out infinite.
func (w *worker) transform(ctx context.Context, pipeline string, direction proj.Direction, coords []proj.Coord) error {
	op, err := w.operation(pipeline)
	if err != nil {
		return err
	}
	for part := range slices.Chunk(coords, chunk) {
		if err := ctx.Err(); err != nil {
			return err
		}
		outside := func(c proj.Coord) bool { return !finite(c[0], c[1]) }
		if err := op.TransArray(direction, part); err != nil && !slices.ContainsFunc(part, outside) {
			return err
		}
	}
	return nil
}

// The inverse of an operation is taken as found when the operation leads back
// to within settled metres of where it started. A position that does not come
// to within astray metres is given up.
const (
	settled = 1e-6
	astray  = 5e-5
)

// invert runs grid coordinates backwards through a pipeline, in place. PROJ's
// own inverse is only the first guess: a shift between ellipsoids that keeps
// heights out of it is not undone to better than a millimetre or so, since the
// way back starts from another height. So the guess is sent forwards, and what
// is missing is added to the aim. unit is the grid's unit in metres. A position
// that has no inverse comes out infinite.
func (w *worker) invert(ctx context.Context, pipeline string, coords []proj.Coord, unit float64) error {
	for part := range slices.Chunk(coords, chunk) {
		if err := w.invertChunk(ctx, pipeline, part, unit); err != nil {
			return err
		}
	}
	return nil
}

func (w *worker) invertChunk(ctx context.Context, pipeline string, coords []proj.Coord, unit float64) error {
	const rounds = 10
	s := &w.scratch
	s.goal = append(s.goal[:0], coords...)
	s.aim = append(s.aim[:0], coords...)
	s.check = append(s.check[:0], coords...)
	s.miss = append(s.miss[:0], make([]float64, len(coords))...)
	goal, aim, check, miss := s.goal, s.aim, s.check, s.miss
	for round := range rounds {
		copy(coords, aim)
		if err := w.transform(ctx, pipeline, proj.DirectionInv, coords); err != nil {
			return err
		}
		for i := range coords {
			coords[i][2], coords[i][3] = goal[i][2], goal[i][3]
		}
		copy(check, coords)
		if err := w.transform(ctx, pipeline, proj.DirectionFwd, check); err != nil {
			return err
		}
		worst := 0.0
		for i := range check {
			dx, dy := goal[i][0]-check[i][0], goal[i][1]-check[i][1]
			miss[i] = math.Hypot(dx, dy) * unit
			if math.IsNaN(miss[i]) {
				miss[i] = math.Inf(1)
			}
			// What is infinite, or far out after the first guess, has no inverse.
			if miss[i] > settled && miss[i] < 1000 && round < rounds-1 {
				aim[i][0] += dx
				aim[i][1] += dy
				worst = max(worst, miss[i])
			}
		}
		if worst == 0 {
			break
		}
	}
	for i := range coords {
		if !(miss[i] < astray) {
			coords[i][0], coords[i][1] = math.Inf(1), math.Inf(1)
		}
	}
	return nil
}

// finite reports whether both are numbers: the difference of an infinity and
// itself is none.
func finite(x, y float64) bool { return x-x == 0 && y-y == 0 }
