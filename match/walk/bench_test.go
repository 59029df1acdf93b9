package walk

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/grid"
)

// bigJob is a walk to and fro over n points 10 m apart with one photo each, as
// one camera has it; one link in a hundred is wrong.
func bigJob(n int) ([]Photo, []Point) {
	rng := rand.New(rand.NewPCG(7, uint64(n)))
	cols := int(math.Ceil(math.Sqrt(float64(n))))
	start := time.Date(2025, 5, 20, 7, 0, 0, 0, time.UTC)
	points := make([]Point, n)
	photos := make([]Photo, n)
	tags := make([]grid.EN, n)
	links := make([]int, n)
	const sigma, step = 2.5, 80.0
	rho := math.Exp(-step / 150)
	var e, nn float64
	for i := range n {
		row, col := i/cols, i%cols
		if row%2 == 1 {
			col = cols - 1 - col
		}
		at := grid.EN{E: 600000 + 10*float64(col) + rng.Float64(), N: 700000 + 10*float64(row) + rng.Float64()}
		obs := start.Add(time.Duration(float64(i)*step) * time.Second)
		points[i] = Point{EN: at, Observed: obs}
		e = rho*e + sigma*math.Sqrt(1-rho*rho)*rng.NormFloat64()
		nn = rho*nn + sigma*math.Sqrt(1-rho*rho)*rng.NormFloat64()
		tags[i] = grid.EN{E: at.E + e, N: at.N + nn}
		links[i] = i
		if rng.IntN(100) == 0 {
			links[i] = max(0, i-1)
		}
		photos[i] = Photo{Time: obs.Add(time.Duration(20*rng.NormFloat64()) * time.Second), Zoned: true,
			Pos: &tags[i], Sigma: sigma, Standoff: 2, Listed: links[i : i+1 : i+1]}
	}
	return photos, points
}

// BenchmarkDecode ties 10^4 to 10^6 photos to as many points. exponent is the
// slope of the logarithm of the time over that of the number of photos from the
// size before; peak-MiB is the memory held at the end of a run, input included.
func BenchmarkDecode(b *testing.B) {
	var sizes, times []float64
	for _, n := range []int{1_000, 10_000, 100_000, 1_000_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			photos, points := bigJob(n)
			var peak uint64
			b.ReportAllocs()
			for b.Loop() {
				ties, err := Decode(context.Background(), photos, points, Params{})
				if err != nil {
					b.Fatal(err)
				}
				var ms runtime.MemStats
				runtime.ReadMemStats(&ms)
				peak = max(peak, ms.Sys)
				if len(ties.Photos) != n {
					b.Fatal("lost photos")
				}
			}
			per := float64(b.Elapsed().Nanoseconds()) / float64(b.N)
			b.ReportMetric(per/float64(n), "ns/photo")
			b.ReportMetric(float64(peak)/(1<<20), "peak-MiB")
			if n >= 10_000 {
				sizes, times = append(sizes, math.Log(float64(n))), append(times, math.Log(per))
				if k := len(sizes); k > 1 {
					b.ReportMetric(slope(sizes, times), "exponent")
				}
			}
		})
	}
}

// BenchmarkThousand ties 1,000 photos, beside reading as many: each is opened, its
// tag read and the file closed. of-reading is the one over the other.
func BenchmarkThousand(b *testing.B) {
	const n = 1000
	samples := geotagtest.All(b)
	dir := b.TempDir()
	files := make([]string, n)
	for i := range files {
		files[i] = filepath.Join(dir, fmt.Sprint(i))
		image := append(bytes.Clone(samples[i%len(samples)].Whole), make([]byte, 200<<10)...)
		if err := os.WriteFile(files[i], image, 0o600); err != nil {
			b.Fatal(err)
		}
	}
	var reading float64
	b.Run("read", func(b *testing.B) {
		for b.Loop() {
			for _, f := range files {
				in, err := os.Open(f)
				if err != nil {
					b.Fatal(err)
				}
				info, err := in.Stat()
				if err != nil {
					b.Fatal(err)
				}
				if _, err := geotag.Read(in, info.Size()); err != nil {
					b.Fatal(err)
				}
				in.Close()
			}
		}
		reading = float64(b.Elapsed().Nanoseconds()) / float64(b.N)
	})
	b.Run("tie", func(b *testing.B) {
		photos, points := bigJob(n)
		for b.Loop() {
			if _, err := Decode(context.Background(), photos, points, Params{}); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/reading, "of-reading")
	})
}

// slope is that of a least-squares line.
func slope(x, y []float64) float64 {
	var mx, my float64
	for i := range x {
		mx, my = mx+x[i]/float64(len(x)), my+y[i]/float64(len(x))
	}
	var sxy, sxx float64
	for i := range x {
		sxy += (x[i] - mx) * (y[i] - my)
		sxx += (x[i] - mx) * (x[i] - mx)
	}
	return sxy / sxx
}
