package ledger

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"path"
	"runtime"
	"sync"
	"time"
)

// ErrSkipped: a Task with Follows was left undone, since the one before it gave an
// error.
var ErrSkipped = errors.New("left undone, as what it follows failed")

// Bulk does many tasks, each as Do does it, and gives one pair for each, in their order. It is faster than one call after the
// other, since photos are copied side by side and share syncs: the records of a
// group of photos get one, and so does each of their folders. A pair is given when
// its photo is on disk for good.
//
// What holds for one call holds for each change, and besides: records are written
// in the order of the tasks, whatever is ready first. After an error nothing is
// put on record or changed until the loop over the pairs goes on, but for photos
// before whose own pairs are still to come. Where the loop ends early, what is
// prepared is thrown away, while photos of the last group may be changed, and on
// record, whose pairs were not taken. When the context is done, the first change
// that is not has its error, in the last pair.
//
// Bulk ranges over tasks in another goroutine, ahead of the pairs, so that what a
// caller works out there runs alongside. It never runs ahead by more than 8 photos
// for each processor, which is the number of temporary files and of claimed photos
// at most; two such loops, or the body of one, must not wait for each other's
// photos. When the loop over the pairs has ended, so has the one over the tasks. The
// body may not close the ledger.
func (l *Ledger) Bulk(ctx context.Context, tasks iter.Seq[Task]) iter.Seq2[Result, error] {
	return func(yield func(Result, error) bool) {
		b := l.start(ctx, tasks)
		defer b.stop()
		failed := false
		for b.wait() {
			first := b.turn[0]
			if failed && first.Follows && first.err == nil {
				first.err = ErrSkipped
			}
			n := 1
			if first.err == nil {
				n = l.commit(ctx, b.ready())
			}
			group := b.turn[:n]
			b.turn = b.turn[n:]
			for _, p := range group {
				p.release()
			}
			for _, p := range group {
				res, err := p.result()
				failed = err != nil
				if !yield(res, err) || failed && ctx.Err() != nil {
					return
				}
			}
		}
	}
}

// Of a Bulk, for each processor: steps that are prepared at a time, most of which
// wait for the disk, and steps that are prepared or waiting for their turn.
const (
	bulkWorkers = 4
	bulkAhead   = 8
)

// bulk is a Bulk that is running.
type bulk struct {
	cancel  context.CancelFunc
	pulled  chan *pending // in the order of the steps
	turn    []*pending    // taken from pulled, not yet done
	running sync.WaitGroup
	crash   any // what the tasks panicked with
}

// start has the tasks prepared.
func (l *Ledger) start(ctx context.Context, tasks iter.Seq[Task]) *bulk {
	procs := runtime.GOMAXPROCS(0)
	ctx, cancel := context.WithCancel(ctx)
	ahead := bulkAhead * procs
	b := &bulk{cancel: cancel, pulled: make(chan *pending, ahead+1)}
	places := make(chan struct{}, ahead)
	todo := make(chan *pending, ahead)
	b.running.Go(func() {
		defer close(b.pulled)
		defer close(todo)
		defer func() { b.crash = recover() }()
		for t := range tasks {
			p := &pending{Task: t, done: make(chan struct{})}
			select {
			case places <- struct{}{}:
				p.free = func() { <-places }
				p.claim(ctx, l)
			case <-ctx.Done():
				p.err = context.Cause(ctx)
			}
			if p.err == nil {
				todo <- p
			} else {
				close(p.done)
			}
			b.pulled <- p
			if ctx.Err() != nil {
				return
			}
		}
	})
	for range bulkWorkers * procs {
		b.running.Go(func() {
			for p := range todo {
				l.prepare(ctx, p)
				close(p.done)
			}
		})
	}
	return b
}

// wait waits until the step whose turn it is has been prepared, and gives false
// where there is none any more.
func (b *bulk) wait() bool {
	if len(b.turn) == 0 {
		p, ok := <-b.pulled
		if !ok {
			return false
		}
		b.turn = append(b.turn, p)
	}
	<-b.turn[0].done
	return true
}

// ready gives the steps whose turn it is that are prepared, up to an error.
func (b *bulk) ready() []*pending {
	n := 1
	for {
		if n == len(b.turn) {
			select {
			case p, ok := <-b.pulled:
				if !ok {
					return b.turn
				}
				b.turn = append(b.turn, p)
			default:
				return b.turn
			}
		}
		select {
		case <-b.turn[n].done:
			if b.turn[n].err != nil {
				return b.turn[:n]
			}
			n++
		default:
			return b.turn[:n]
		}
	}
}

// stop ends what is running and throws away what is prepared.
func (b *bulk) stop() {
	b.cancel()
	for b.wait() {
		b.turn[0].release()
		b.turn = b.turn[1:]
	}
	b.running.Wait()
	if b.crash != nil {
		panic(b.crash)
	}
}

// commit puts the records of steps on disk, with one sync, and their temporary
// files in the photos' places, in their order, with one sync for each folder. It
// gives the number of steps, from the first one, that it is through with: all up
// to an error, which is then that of the last one or, where others are done before
// it, waits for its turn. Steps after it may have their records on disk already.
func (l *Ledger) commit(ctx context.Context, group []*pending) int {
	look := func(p *pending) error { return l.look(ctx, p) }
	for _, part := range []func([]*pending) int{
		func(g []*pending) int { return each(g, look) }, l.enter, func(g []*pending) int { return each(g, l.place) },
	} {
		n := part(group)
		if n == 0 {
			return 1
		}
		group = group[:n]
	}
	synced := map[string]error{}
	for _, p := range group {
		if p.staged == nil {
			continue
		}
		dir := path.Dir(p.Photo)
		err, ok := synced[dir]
		if !ok {
			err = syncDir(l.root, dir)
			synced[dir] = err
		}
		if err != nil {
			p.err = fmt.Errorf("the photo has its new bytes, but its folder could not be synced, so that a power cut may still undo it: %w", err)
			continue
		}
		l.mark("done", p.Photo)
	}
	return len(group)
}

// each does something with each step that is prepared, and gives the number up to the
// first error.
func each(group []*pending, do func(*pending) error) int {
	for i, p := range group {
		if p.staged == nil {
			continue
		}
		if p.err = do(p); p.err != nil {
			return i
		}
	}
	return len(group)
}

// look has a last look at a photo before it goes on record.
func (l *Ledger) look(ctx context.Context, p *pending) (err error) {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if err := p.unchanged(); err != nil || p.text != nil {
		return err
	}
	p.record.Time = l.now().UTC().Truncate(time.Millisecond)
	p.text, err = p.record.encode()
	return err
}

// enter puts the records into the ledger that are not yet there, and gives the
// number of steps up to the first error.
func (l *Ledger) enter(group []*pending) int {
	var enter []*pending
	first := 0
	for i, p := range group {
		if p.staged != nil && !p.recorded {
			if enter == nil {
				first = i
			}
			enter = append(enter, p)
		}
	}
	if enter == nil {
		return len(group)
	}
	err := l.append(enter...)
	if err != nil && len(enter) > 1 && !errors.Is(err, ErrBroken) {
		// There may be room for some: one at a time, then.
		enter, group = enter[:1], group[:first+1]
		err = l.append(enter...)
	}
	if err != nil {
		enter[0].err = err
		return first
	}
	for _, p := range enter {
		p.recorded = true
		l.mark("recorded", p.Photo)
	}
	return len(group)
}

// place puts a temporary file into its photo's place.
func (l *Ledger) place(p *pending) error {
	if err := p.unchanged(); err != nil {
		return err
	}
	err := l.root.move(p.staged.path, p.Photo, p.there != nil)
	switch {
	case err == nil && p.there != nil:
		err = l.replaced(p)
	case errors.Is(err, errors.ErrUnsupported):
		// What is put there at this very moment is replaced.
		if err = l.root.Rename(p.staged.path, p.Photo); err == nil {
			p.staged.path = ""
		}
	case err == nil:
		p.staged.path = ""
	case errors.Is(err, fs.ErrExist):
		err = fmt.Errorf("%w: it appeared just now", ErrExists)
	}
	if err == nil {
		l.mark("renamed", p.Photo)
	}
	return err
}

// replaced looks at what was swapped for the temporary file, and removes it if it is
// what was to be replaced. Else it is put back: it came at the last moment.
func (l *Ledger) replaced(p *pending) error {
	was, err := l.root.Lstat(p.staged.path)
	if err == nil && sameState(p.there, was) {
		if l.root.Remove(p.staged.path) == nil {
			p.staged.path = "" // else the release tries again, and then the next Open
		}
		return nil
	}
	if err == nil {
		err = errChangedMeanwhile
	}
	if back := l.root.move(p.staged.path, p.Photo, true); back != nil {
		err = fmt.Errorf("%w: the photo has its new bytes, and what was there just before could not be put back from %s: %w", err, p.staged.path, back)
		p.staged.path = ""
	}
	return err
}
