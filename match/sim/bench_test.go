package sim_test

import (
	"fmt"
	"testing"

	"example.com/phototie/match/sim"
)

// Drawing a set, by its size; ns/photo should not grow with it.
func BenchmarkNew(b *testing.B) {
	for _, n := range []int{200, 10_000, 200_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			cfg := sim.Default()
			cfg.Photos, cfg.Points, cfg.Days = n, n*2/5, max(1, n/1000)
			for b.Loop() {
				newSet(b, cfg)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*n), "ns/photo")
		})
	}
}
