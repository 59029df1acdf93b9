package match

import (
	"context"
	"runtime"
	"sync"
)

// shareSize is how many photos one goroutine takes at a time: enough that handing
// them out costs nothing, few enough that all processors end together.
const shareSize = 256

// share has f go through n things, a run of them at a time and as many runs at
// once as there are processors. The error is that of the first run that has one,
// which does not depend on what was done when, or the context's.
func share(ctx context.Context, n int, f func(from, to int) error) error {
	s := sharing{ctx: ctx}
	for from := 0; from < n; from += shareSize {
		s.do(func() error { return f(from, min(from+shareSize, n)) })
	}
	return s.wait()
}

// sharing runs pieces of work on all processors. The zero value is not ready:
// it needs a context.
type sharing struct {
	ctx  context.Context
	busy chan struct{}
	all  sync.WaitGroup
	ends []*ending // of each piece, in the order in which they were given out
}

// ending is how a piece of work ended.
type ending struct {
	err      error
	panicked any
}

// do starts a piece of work, as soon as a processor is free for it.
func (s *sharing) do(f func() error) {
	end := new(ending)
	s.ends = append(s.ends, end)
	if end.err = s.ctx.Err(); end.err != nil {
		return
	}
	if s.busy == nil {
		s.busy = make(chan struct{}, runtime.GOMAXPROCS(0))
	}
	s.busy <- struct{}{}
	s.all.Go(func() {
		defer func() {
			end.panicked = recover()
			<-s.busy
		}()
		end.err = f()
	})
}

// wait waits until all is done, and gives the first error. Where a projection of the
// caller's panicked, wait panics with the same, so that it is the caller who can
// recover from it.
func (s *sharing) wait() error {
	s.all.Wait()
	for _, end := range s.ends {
		if end.panicked != nil {
			panic(end.panicked)
		}
		if end.err != nil {
			return end.err
		}
	}
	return nil
}
