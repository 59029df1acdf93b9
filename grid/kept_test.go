package grid_test

import (
	"errors"
	"sync"
	"testing"

	"example.com/phototie/grid"
)

// A system is opened once for the same options, also by many at a time, and again where
// that failed.
func TestKept(t *testing.T) {
	var mu sync.Mutex
	opened, fail := map[string]int{}, true
	open := grid.Kept(func(def string, opt grid.OpenOptions) (grid.Projection, error) {
		mu.Lock()
		defer mu.Unlock()
		opened[def]++
		if def == "bad" && fail {
			return nil, errors.New("not today")
		}
		return nil, nil
	})
	var wg sync.WaitGroup
	for range 50 {
		wg.Go(func() {
			for _, opt := range []grid.OpenOptions{{}, {Forbid: []string{"a", "b"}}, {Forbid: []string{"a b"}}, {Vertical: "EPSG:5731"}} {
				if _, err := open("good", opt); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	if opened["good"] != 4 {
		t.Errorf("opened %d times, want once for each of 4 options", opened["good"])
	}
	if _, err := open("bad", grid.OpenOptions{}); err == nil {
		t.Error("no error")
	}
	fail = false
	if _, err := open("bad", grid.OpenOptions{}); err != nil || opened["bad"] != 2 {
		t.Errorf("%v after %d times", err, opened["bad"])
	}
}
