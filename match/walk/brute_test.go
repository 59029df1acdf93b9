package walk

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"example.com/phototie/grid"
)

// brute decodes a chain by listing every assignment of states.
type brute struct {
	post [][]float64 // probability of each state of each photo
	free [][]float64 // the same with all links struck out
	ll   float64
}

// enumerate weighs all paths through the states of a chain one by one.
func enumerate(m *model, c *chain) brute {
	n := len(c.photos)
	slots := make([]slot, n)
	steps := make([]step, n)
	var w work
	if err := w.start(context.Background(), m, c); err != nil {
		panic(err)
	}
	for k := range c.photos {
		m.fill(&slots[k], c, k, w.candidates(k))
		if slots[k].last = None; k > 0 {
			slots[k].last = m.crew(&slots[k-1])
			m.prepareStep(&steps[k], &slots[k-1], &slots[k], &c.cam)
		}
	}
	out := brute{post: make([][]float64, n), free: make([][]float64, n)}
	for k := range n {
		out.post[k] = make([]float64, slots[k].n)
		out.free[k] = make([]float64, slots[k].n)
	}
	var total, totalFree float64
	path := make([]int, n)
	for {
		w, f := m.begin(&slots[0], path[0]), 0.0
		f = w * slots[0].named[path[0]]
		w *= m.shift[unlisted][slots[0].cls[path[0]]] * slots[0].worth[path[0]]
		for k := 1; k < n; k++ {
			p := m.pair(&steps[k], path[k-1], path[k])
			f *= p * slots[k].named[path[k]]
			w *= p * m.shift[slots[k-1].cls[path[k-1]]][slots[k].cls[path[k]]] * slots[k].worth[path[k]]
		}
		total, totalFree = total+w, totalFree+f
		for k, s := range path {
			out.post[k][s] += w
			out.free[k][s] += f
		}
		k := 0
		for ; k < n; k++ {
			if path[k]++; path[k] < slots[k].n {
				break
			}
			path[k] = 0
		}
		if k == n {
			break
		}
	}
	for k := range n {
		for s := range out.post[k] {
			out.post[k][s] /= total
			out.free[k][s] /= totalFree
		}
	}
	out.ll = math.Log(total)
	return out
}

// small draws a job small enough to enumerate, with something of everything.
func small(rng *rand.Rand) ([]Photo, []Point, Params) {
	p := DefaultParams()
	p.Fixed = true
	p.Candidates = 3
	p.FieldOrder = FieldOrder(rng.IntN(5))
	points := make([]Point, 1+rng.IntN(4))
	start := time.Date(2025, 5, 20, 7, 0, 0, 0, time.UTC)
	for i := range points {
		points[i].EN = grid.EN{E: 600000 + 12*float64(i) + 3*rng.Float64(), N: 700000 + 5*rng.Float64()}
		if rng.IntN(4) > 0 {
			points[i].Observed = start.Add(time.Duration(100*i+rng.IntN(30)) * time.Second)
		}
	}
	photos := make([]Photo, 1+rng.IntN(5))
	for i := range photos {
		q := &photos[i]
		at := rng.IntN(len(points))
		if rng.IntN(5) > 0 {
			q.Time, q.Zoned = start.Add(time.Duration(40*i+rng.IntN(30))*time.Second), true
		}
		if rng.IntN(5) > 0 {
			q.Pos = &grid.EN{E: points[at].E + 4*rng.NormFloat64(), N: points[at].N + 4*rng.NormFloat64()}
			if rng.IntN(8) == 0 {
				q.Pos.E += 1000 * rng.NormFloat64()
			}
			if i > 0 && rng.IntN(8) == 0 {
				q.Pos = photos[i-1].Pos
			}
		}
		q.Sigma, q.Standoff = 3*rng.Float64(), 2*float64(rng.IntN(2))
		for range rng.IntN(3) {
			if j := rng.IntN(len(points)); !slices.Contains(q.Listed, j) {
				q.Listed = append(q.Listed, j)
			}
		}
		if rng.IntN(3) == 0 {
			q.Named = []int{rng.IntN(len(points))}
		}
	}
	return photos, points, p
}

// TestDecodeIsEnumeration: the probabilities and the sum over all
// walks are those of weighing every walk by itself.
func TestDecodeIsEnumeration(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for trial := range 400 {
		photos, points, p := small(rng)
		ties, err := Decode(context.Background(), photos, points, p)
		if err != nil {
			t.Fatal(err)
		}
		// The model that Decode ends with.
		m := newModel(points, photos, p)
		chains := m.chains(photos)
		if err := m.learn(context.Background(), chains, make([]Tie, len(photos))); err != nil {
			t.Fatal(err)
		}
		c := &chains[0]
		// The sum over all walks is that before any state is barred for safety's sake.
		again := make([]Tie, len(photos))
		if _, err := m.run(context.Background(), c, again, nil); err != nil {
			t.Fatal(err)
		}
		ll := enumerate(m, c).ll
		if err := m.makeSafe(context.Background(), c, again); err != nil {
			t.Fatal(err)
		}
		b := enumerate(m, c)
		near := func(a, b float64) bool { return math.Abs(a-b) <= 1e-9 }
		if !near(ties.LogLikelihood, ll) {
			t.Fatalf("trial %d: log-likelihood %v, by enumeration %v", trial, ties.LogLikelihood, ll)
		}
		for k, i := range c.photos {
			tie := ties.Photos[i]
			cand := append([]int32{None}, c.work.candidates(k)...)
			state := func(pt int) int { return slices.Index(cand, int32(pt)) }
			best := slices.Max(b.post[k])
			if len(b.post[k]) == 1 {
				best *= m.rates.NoPoint // nothing says which points it may show
				b.post[k][0] = best
			}
			if !near(tie.Probability, best) || !near(b.post[k][state(tie.Point)], best) {
				t.Errorf("trial %d, photo %d: point %d with %v, by enumeration %v", trial, i, tie.Point, tie.Probability, b.post[k])
			}
			if tie.RunnerUpOK && !near(tie.RunnerUpProbability, b.post[k][state(tie.RunnerUp)]) {
				t.Errorf("trial %d, photo %d: runner-up %d with %v, by enumeration %v", trial, i, tie.RunnerUp, tie.RunnerUpProbability, b.post[k])
			}
			if tie.Listed != None {
				s := state(tie.Listed)
				if !near(tie.ListedProbability, b.post[k][s]) || !near(tie.Unlinked, b.free[k][s]) {
					t.Errorf("trial %d, photo %d: link %v and %v, by enumeration %v and %v", trial, i, tie.ListedProbability, tie.Unlinked, b.post[k][s], b.free[k][s])
				}
			}
			if tie.RunnerUpOK {
				e := tie.Evidence
				want := math.Log(b.post[k][state(tie.Point)]) - math.Log(b.post[k][state(e.Against)])
				if got := e.Position + e.Time + e.Listed + e.Named + e.Walk; math.Abs(got-want) > 1e-6 {
					t.Errorf("trial %d, photo %d: evidence %+v sums to %v, want %v", trial, i, e, got, want)
				}
			}
		}
	}
}

// TestShiftRowsSum: the classes after a class are a distribution, whatever the
// field order and the rates; so is that of the first.
func TestShiftRowsSum(t *testing.T) {
	for _, order := range []FieldOrder{OrderUnstated, PointThenPhoto, PhotoThenPoint, IDEntered, LinkedLater} {
		for _, rate := range []float64{1e-4, 0.01, 0.3} {
			p := DefaultParams()
			p.FieldOrder, p.LinkError, p.RunStart = order, rate, rate/2
			if err := p.Validate(); err != nil {
				t.Fatal(err)
			}
			m := newModel(nil, nil, p)
			for c, row := range m.shift {
				var sum float64
				for _, v := range row[:unlisted] {
					if v < 0 {
						t.Errorf("%v, rate %v: after class %d: %v", order, rate, c, row)
					}
					sum += v
				}
				if math.Abs(sum-1) > 1e-12 {
					t.Errorf("%v, rate %v: after class %d: %v sums to %v", order, rate, c, row, sum)
				}
			}
		}
	}
}

// TestDensities: the density of a tag about its point, by itself and after a tag
// before, integrates to one over the plane but for the wild share.
func TestDensities(t *testing.T) {
	points := []Point{{EN: grid.EN{E: 0, N: 0}}, {EN: grid.EN{E: 9, N: 4}}}
	start := time.Date(2025, 5, 20, 7, 0, 0, 0, time.UTC)
	for _, first := range []grid.EN{{E: 1, N: -2}, {E: 11, N: 3}, {E: 5000, N: 0}} {
		photos := []Photo{
			{Time: start, Pos: &first, Sigma: 2, Standoff: 2},
			{Time: start.Add(40 * time.Second), Sigma: 3, Standoff: 2},
		}
		m := newModel(points, photos, DefaultParams())
		var a, b slot
		var s step
		c := &chain{all: photos, photos: []int32{0, 1}, stale: make([]bool, 2), cam: camera{times: 1, wide: m.p.WideShare}}
		m.fill(&a, c, 0, []int32{0, 1})
		var alone, after float64
		const step, reach = 0.5, 150.0
		for e := -reach; e < reach; e += step {
			for n := -reach; n < reach; n += step {
				photos[1].Pos = &grid.EN{E: e, N: n}
				m.fill(&b, c, 1, []int32{0, 1})
				m.prepareStep(&s, &a, &b, &c.cam)
				alone += b.marg[1] * step * step
				b.pos = true
				with := m.pair(&s, 1, 1)
				b.pos = false
				after += with / m.pair(&s, 1, 1) * step * step
			}
		}
		// The wild share covers a circle of WildRadius evenly and beyond.
		p := m.p
		inside := 1 - p.WildShare + p.WildShare*4*reach*reach/(math.Pi*p.WildRadius*p.WildRadius)
		if math.Abs(alone-inside) > 1e-3 {
			t.Errorf("first tag at %v: the density of a tag sums to %v, want %v", first, alone, inside)
		}
		// After a wide error there may be another as large, with no wild share.
		if after < inside-1e-3 || after > 1+1e-3 {
			t.Errorf("first tag at %v: its density after another sums to %v, want %v to 1", first, after, inside)
		}
	}
	// In time.
	m := newModel(points, nil, DefaultParams())
	for _, order := range []FieldOrder{OrderUnstated, PointThenPhoto, PhotoThenPoint} {
		m.p.FieldOrder = order
		var sum float64
		for dt := -2000.0; dt < 2000; dt += 0.5 {
			sum += 0.5 * m.atTime(dt, 40)
		}
		if math.Abs(sum-1) > 1e-3 {
			t.Errorf("%q: the density of a time sums to %v", order, sum)
		}
	}
}

// TestIndexIsSearch: the index finds the nearest points that a plain search finds.
func TestIndexIsSearch(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for trial := range 200 {
		n := rng.IntN(300)
		points := make([]Point, n)
		size := math.Pow(10, 6*rng.Float64())
		for i := range points {
			points[i].EN = grid.EN{E: 5e5 + size*rng.Float64(), N: 6e6 + size*rng.Float64()*float64(rng.IntN(2))}
			if i > 0 && rng.IntN(10) == 0 {
				points[i] = points[i-1]
			}
		}
		if n > 10 && trial%3 == 0 {
			points[3].EN = grid.EN{E: 6e6, N: 5e5} // swapped
		}
		x := newIndex(points)
		for range 20 {
			at := grid.EN{E: 5e5 + size*(1.4*rng.Float64()-0.2), N: 6e6 + size*(1.4*rng.Float64()-0.2)}
			radius := size * math.Pow(10, -3*rng.Float64())
			k := 1 + rng.IntN(maxNearest)
			type hit struct {
				j  int32
				d2 float64
			}
			var want []hit
			for j, p := range points {
				de, dn := p.E-at.E, p.N-at.N
				if d2 := de*de + dn*dn; d2 <= radius*radius {
					want = append(want, hit{int32(j), d2})
				}
			}
			slices.SortStableFunc(want, func(a, b hit) int {
				switch {
				case a.d2 < b.d2:
					return -1
				case a.d2 > b.d2:
					return 1
				}
				return int(a.j - b.j)
			})
			got := make([]int32, k)
			found := x.nearest(at.E, at.N, radius, got)
			if found != min(k, len(want)) {
				t.Fatalf("trial %d: found %d of %d within %v", trial, found, min(k, len(want)), radius)
			}
			for i, j := range got[:found] {
				if j != want[i].j {
					t.Fatalf("trial %d: number %d is point %d, want %d", trial, i, j, want[i].j)
				}
			}
		}
		if n < 2 {
			continue
		}
		var gaps []float64
		for i, p := range points {
			best := math.Inf(1)
			for j, q := range points {
				if i != j {
					best = min(best, math.Hypot(p.E-q.E, p.N-q.N))
				}
			}
			gaps = append(gaps, best)
		}
		if want := slices.Sorted(slices.Values(gaps))[len(gaps)/2]; math.Abs(x.spacing-want) > 1e-9*max(1, want) {
			t.Fatalf("trial %d: spacing %v, want %v", trial, x.spacing, want)
		}
	}
}

func ExampleFieldOrder() {
	for _, p := range []FieldOrder{PointThenPhoto, IDEntered} {
		text, _ := p.MarshalText()
		fmt.Println(string(text))
	}
	// Output:
	// point-then-photo
	// id-entered
}

// A panic of one camera's walk is the caller's to recover from.
func TestEachOfPanics(t *testing.T) {
	defer func() {
		if p := recover(); p != "planted" {
			t.Errorf("recovered %v", p)
		}
	}()
	err := eachOf(3, func(i int) error {
		if i == 1 {
			panic("planted")
		}
		return nil
	})
	t.Errorf("it goes on, with %v", err)
}
