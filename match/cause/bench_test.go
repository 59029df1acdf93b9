package cause_test

import (
	"fmt"
	"math"
	"testing"

	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/sim"
)

// BenchmarkExplain looks for causes in jobs of 10^4 and 10^5 photos, honest ones and with
// three causes: a camera in another datum, a frozen fix and a late run. exponent is the
// slope of the logarithm of the time over that of the number of photos.
func BenchmarkExplain(b *testing.B) {
	for name, plants := range map[string][]sim.Plant{
		"honest": nil,
		"three": {
			{Kind: sim.TagDatum, Shift: match.Vector{E: -75, N: 60}, Camera: 1},
			{Kind: sim.FrozenFix, Camera: 2, Run: 40},
			{Kind: sim.LateRun, Camera: 3, Day: 1, Run: 60},
		},
	} {
		before := 0.0
		for _, n := range []int{10_000, 100_000} {
			b.Run(fmt.Sprintf("%s/%d", name, n), func(b *testing.B) {
				cfg := sim.Default()
				cfg.Photos, cfg.Points, cfg.Days, cfg.Cameras = n, n*2/5, max(1, n/1000), 3
				cfg.Plants = plants
				set, datums, err := draw(sim.Scenario{}, cfg)
				if err != nil {
					b.Fatal(err)
				}
				res, err := set.Check(b.Context())
				if err != nil {
					b.Fatal(err)
				}
				var x *cause.Explanation
				for b.Loop() {
					if x, err = explainChecked(b.Context(), set, res, datums); err != nil {
						b.Fatal(err)
					}
				}
				if len(x.Causes) != len(plants) {
					b.Fatalf("%d causes", len(x.Causes))
				}
				per := float64(b.Elapsed().Nanoseconds()) / float64(b.N)
				b.ReportMetric(per/float64(n), "ns/photo")
				if before > 0 {
					b.ReportMetric(math.Log10(per/before), "exponent")
				}
				before = per
			})
		}
	}
}
