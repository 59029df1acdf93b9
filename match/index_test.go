package match

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"testing"

	"example.com/phototie/grid"
)

// scattered draws points of which some coincide and some lie on one line.
func scattered(p *plane, n int, src *rand.Rand) []Point {
	points := make([]Point, n)
	for i := range points {
		at := grid.EN{E: p.e0 + src.Float64()*3000, N: p.n0 + src.Float64()*3000}
		switch {
		case i%7 == 0:
			at.N = p.n0
		case i%11 == 0:
			at = points[i/2].EN
		}
		points[i] = Point{ID: fmt.Sprint(i), EN: at}
	}
	return points
}

// byHand measures to every point.
func byHand(points []Point, at grid.EN) Neighbour {
	best := Neighbour{Distance: math.Inf(1)}
	for _, p := range points {
		if d := math.Hypot(p.E-at.E, p.N-at.N); d < best.Distance {
			best = Neighbour{p.ID, d}
		}
	}
	return best
}

func TestNearest(t *testing.T) {
	p := newPlane()
	src := rand.New(rand.NewPCG(12, 1))
	for _, n := range []int{1, 2, 10, 31, 300, few - 1, few, 5000} {
		points := scattered(p, n, src)
		at := []grid.EN{{E: p.e0 + 2.9e6, N: p.n0}, {E: p.e0 - 9e6, N: p.n0}, points[0].EN, points[n-1].EN, {E: 1e300, N: -1e300}, {E: 1e11, N: 1}}
		// One far off the others, that is found all the same, and one too far off for
		// any grid; in the last round neither.
		loose := n != 5000
		if loose {
			points = append([]Point{{ID: "lost", EN: grid.EN{E: 1e11}}, {ID: "loose", EN: grid.EN{E: p.e0 + 3e6, N: p.n0}}}, points...)
		}
		x := NewIndex(points)
		for range 300 {
			at = append(at, grid.EN{E: p.e0 - 2000 + src.Float64()*7000, N: p.n0 - 2000 + src.Float64()*7000})
		}
		got, err := x.Nearest(context.Background(), at)
		if err != nil {
			t.Fatal(err)
		}
		for i := range at {
			if want := byHand(points, at[i]); got[i] == nil || *got[i] != want {
				t.Errorf("%d points, %v: %+v, want %+v", n, at[i], got[i], want)
			}
		}
		if loose && (got[0].Point != "loose" || got[5].Point != "lost") {
			t.Errorf("%d points: those far off are not found", n)
		}
	}
}

func TestIndexEdges(t *testing.T) {
	p := newPlane()
	ctx := context.Background()
	x := NewIndex(nil)
	if got, err := x.Nearest(ctx, []grid.EN{{E: 1, N: 1}}); err != nil || got[0] != nil {
		t.Errorf("no points: %v %v", got, err)
	}
	for _, n := range []int{50, few, few + 1} {
		t.Run(fmt.Sprint(n), func(t *testing.T) { testIndexEdges(t, p, n) })
	}
}

func testIndexEdges(t *testing.T, p *plane, n int) {
	ctx := t.Context()
	points := scattered(p, n, rand.New(rand.NewPCG(1, 2)))
	x := NewIndex(points)
	if got, err := x.Nearest(ctx, []grid.EN{{E: math.NaN(), N: 1}, {E: math.Inf(1), N: 0}}); err != nil || got[0] != nil || got[1] != nil {
		t.Errorf("positions that are not finite: %v %v", got, err)
	}
	cancelled, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := x.Nearest(cancelled, []grid.EN{{E: 1, N: 1}}); err == nil {
		t.Error("a cancelled context found something")
	}
	nowhere := make([]Point, n)
	for i := range nowhere {
		nowhere[i].EN.E = math.NaN()
	}
	if got, err := NewIndex(nowhere).Nearest(ctx, []grid.EN{{E: 1, N: 1}}); err != nil || got[0] != nil {
		t.Errorf("points that are nowhere: %v %v", got, err)
	}
	var wg sync.WaitGroup
	for g := range 8 {
		wg.Go(func() {
			src := rand.New(rand.NewPCG(uint64(g), 9))
			for range 50 {
				at := grid.EN{E: p.e0 + src.Float64()*3000, N: p.n0 + src.Float64()*3000}
				got, err := x.Nearest(ctx, []grid.EN{at})
				if err != nil || *got[0] != byHand(points, at) {
					t.Errorf("%v: %v %v", at, got, err)
				}
			}
		})
	}
	wg.Wait()
}

// BenchmarkNearest shows the cost of one search as points grow; scan is the
// search without an index, in the same run.
func BenchmarkNearest(b *testing.B) {
	p := newPlane()
	for _, n := range []int{100, 1000, 10_000, 100_000} {
		src := rand.New(rand.NewPCG(4, 4))
		points := scattered(p, n, src)
		x := NewIndex(points)
		at := make([]grid.EN, 1000)
		for i := range at {
			at[i] = grid.EN{E: p.e0 + src.Float64()*3000, N: p.n0 + src.Float64()*3000}
		}
		b.Run(fmt.Sprintf("index/points=%d", n), func(b *testing.B) {
			for i := 0; b.Loop(); i++ {
				if _, err := x.Nearest(context.Background(), at[i%1000:i%1000+1]); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(fmt.Sprintf("scan/points=%d", n), func(b *testing.B) {
			for i := 0; b.Loop(); i++ {
				byHand(points, at[i%1000])
			}
		})
	}
}
