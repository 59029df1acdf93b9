package match

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync/atomic"
	"testing"
)

// TestShare: each thing is done once, and the error is that of the first run in
// order, whichever came first in time.
func TestShare(t *testing.T) {
	for _, n := range []int{0, 1, shareSize - 1, shareSize, shareSize + 1, 10*shareSize + 7} {
		done := make([]int32, n)
		err := share(t.Context(), n, func(from, to int) error {
			for i := from; i < to; i++ {
				atomic.AddInt32(&done[i], 1)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		for i, d := range done {
			if d != 1 {
				t.Fatalf("%d of %d was done %d times", i, n, d)
			}
		}
	}
	late := make(chan struct{})
	err := share(t.Context(), 4*shareSize, func(from, to int) error {
		switch {
		case from == 0 && runtime.GOMAXPROCS(0) > 1:
			<-late // until the second has failed
		case from == shareSize && runtime.GOMAXPROCS(0) > 1:
			defer close(late)
		}
		return fmt.Errorf("run from %d", from)
	})
	if err == nil || err.Error() != "run from 0" {
		t.Errorf("got %v, want the error of the first run", err)
	}
	func() {
		defer func() {
			if got := recover(); got != "from 256" {
				t.Errorf("recovered %v, want what the second run panicked with", got)
			}
		}()
		_ = share(t.Context(), 4*shareSize, func(from, to int) error {
			if from > 0 {
				panic(fmt.Sprint("from ", from))
			}
			return nil
		})
	}()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := share(ctx, 1, func(int, int) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// TestCheckOnOneProcessor: what a check says does not depend on how many
// processors share it.
func TestCheckOnOneProcessor(t *testing.T) {
	p := newPlane()
	points, links, photos := benchJob(p, 2*placeSize+300)
	for i := range photos { // the walks of three cameras go on at the same time
		photos[i].Tag.Serial = fmt.Sprint(i % 3)
	}
	photos[700].Tag = nil
	photos[1800].Tag.Position = nil
	check := func() string {
		res, err := Check(t.Context(), geodesist{p}, points, links, seq(photos...), Options{})
		if err != nil {
			t.Fatal(err)
		}
		return asJSON(t, res)
	}
	many := check()
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	if one := check(); one != many {
		t.Error("on one processor the check says something else than on all")
	}
}
