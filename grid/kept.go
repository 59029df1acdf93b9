package grid

import (
	"fmt"
	"sync"
)

// mostKept is how many systems Kept holds.
const mostKept = 256

// Kept returns an opener that opens each system once, with the same options, and gives
// it again: what it gives is shared, so the projections of open must be safe for use by
// several goroutines. It holds 256 systems; with more it begins anew. Errors are not
// held.
func Kept(open Opener) Opener {
	type opened struct {
		once sync.Once
		proj Projection
		err  error
	}
	var mu sync.Mutex
	systems := map[string]*opened{}
	return func(definition string, opt OpenOptions) (Projection, error) {
		key := fmt.Sprintf("%q %q %q %q %q %q", definition, opt.Only, opt.Forbid, opt.Datums, opt.Folders, opt.Vertical)
		mu.Lock()
		o := systems[key]
		if o == nil {
			if len(systems) == mostKept {
				clear(systems)
			}
			o = new(opened)
			systems[key] = o
		}
		mu.Unlock()
		o.once.Do(func() { o.proj, o.err = open(definition, opt) })
		if o.err != nil {
			mu.Lock()
			if systems[key] == o {
				delete(systems, key)
			}
			mu.Unlock()
		}
		return o.proj, o.err
	}
}
