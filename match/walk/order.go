package walk

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// route is the order in which points were walked.
type route struct {
	rank []int32 // of each point
	at   []int32 // point of each rank
	// byTime are the points that have a time, in order of it, and obs that time
	// in seconds since the epoch of the job; NaN where there is none.
	byTime  []int32
	obs     []float64
	ordered bool
}

// newRoute takes the points in the order in which they were surveyed, or in
// that of their list, whichever makes the shorter steps: where crews worked at
// the same time the order of the survey leaps from one to the other. With few
// times the list's order is taken.
func newRoute(points []Point, epoch time.Time) *route {
	n := len(points)
	r := &route{rank: make([]int32, n), at: make([]int32, n), obs: make([]float64, n)}
	for i, p := range points {
		r.at[i] = int32(i)
		r.obs[i] = math.NaN()
		if !p.Observed.IsZero() {
			r.obs[i] = p.Observed.Sub(epoch).Seconds()
			r.byTime = append(r.byTime, int32(i))
		}
	}
	slices.SortStableFunc(r.byTime, func(a, b int32) int { return cmp.Compare(r.obs[a], r.obs[b]) })
	if n > 0 && len(r.byTime) == n && medianStep(points, r.byTime) <= 1.1*medianStep(points, r.at) {
		copy(r.at, r.byTime)
		r.ordered = true
	}
	for k, i := range r.at {
		r.rank[i] = int32(k)
	}
	return r
}

// medianStep is the median distance from one point of an order to the next.
func medianStep(points []Point, order []int32) float64 {
	if len(order) < 2 {
		return 0
	}
	step := max(1, len(order)/5000)
	var d []float64
	for k := 1; k < len(order); k += step {
		a, b := points[order[k-1]], points[order[k]]
		d = append(d, math.Hypot(a.E-b.E, a.N-b.N))
	}
	slices.Sort(d)
	return d[len(d)/2]
}

// about yields the points surveyed just before and after a time, two of each.
func (r *route) about(t float64, yield func(int32)) {
	k, _ := slices.BinarySearchFunc(r.byTime, t, func(i int32, t float64) int { return cmp.Compare(r.obs[i], t) })
	for _, j := range [...]int{k - 1, k, k - 2, k + 1} {
		if j >= 0 && j < len(r.byTime) {
			yield(r.byTime[j])
		}
	}
}
