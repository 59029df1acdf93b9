package decide

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"example.com/phototie/grid"
)

// The walk is as short as any of seven stops from the first, or nearly: all orders are
// tried. It keeps every stop.
func TestWalk(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	for range 50 {
		at := make([]grid.EN, 7)
		list := make([]*stop, len(at))
		for i := range at {
			at[i], list[i] = grid.EN{E: rng.Float64() * 100, N: rng.Float64() * 100}, &stop{point: i}
		}
		place := func(s *stop) grid.EN { return at[s.point] }
		length := func(order []int) (sum float64) {
			for k := 1; k < len(order); k++ {
				sum += math.Hypot(at[order[k]].E-at[order[k-1]].E, at[order[k]].N-at[order[k-1]].N)
			}
			return sum
		}
		best := math.Inf(1)
		var all func(order, left []int)
		all = func(order, left []int) {
			if len(left) == 0 {
				best = min(best, length(order))
			}
			for k := range left {
				all(append(slices.Clone(order), left[k]), slices.Delete(slices.Clone(left), k, k+1))
			}
		}
		all([]int{0}, []int{1, 2, 3, 4, 5, 6})
		walk(list, place)
		var got []int
		for _, s := range list {
			got = append(got, s.point)
		}
		if sorted := slices.Sorted(slices.Values(got)); !slices.Equal(sorted, []int{0, 1, 2, 3, 4, 5, 6}) || got[0] != 0 {
			t.Fatalf("order %v", got)
		}
		if l := length(got); l > 1.2*best {
			t.Errorf("%v is %.1f long, %.1f is possible", got, l, best)
		}
	}
}
