package pixels

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"image/jpeg"
	"math/rand/v2"
	"testing"

	"example.com/phototie/geotag/geotagtest"
)

// BenchmarkMeasure has the floor beside it: image/jpeg and SHA-256 alone.
func BenchmarkMeasure(b *testing.B) {
	for _, s := range geotagtest.Photos(b) {
		if s.Name != "outofbounds-issue-34.jpg" && s.Name != "gps.jpg" {
			continue
		}
		cfg, err := jpeg.DecodeConfig(bytes.NewReader(s.Raw))
		if err != nil {
			b.Fatal(err)
		}
		name := fmt.Sprintf("%dx%d", cfg.Width, cfg.Height)
		b.Run("of="+name+"/measure", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				mustMeasure(b, s.Raw)
			}
		})
		b.Run("of="+name+"/decode", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := jpeg.Decode(bytes.NewReader(s.Raw)); err != nil {
					b.Fatal(err)
				}
				sha256.Sum256(s.Raw)
			}
		})
	}
}

// BenchmarkPairs has the search for close hashes, and trying all pairs beside it.
func BenchmarkPairs(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	hashes := make([]Hash, 64000)
	for i := range hashes {
		hashes[i] = Hash(rng.Uint64())
	}
	for _, n := range []int{2000, 8000, 32000, 64000} {
		b.Run(fmt.Sprintf("n=%d/tables", n), func(b *testing.B) {
			for b.Loop() {
				for range pairs(hashes[:n], alikeBits) {
				}
			}
		})
	}
	b.Run("n=8000/all", func(b *testing.B) {
		near := 0
		for b.Loop() {
			for i, h := range hashes[:8000] {
				for _, g := range hashes[:i] {
					if h.Distance(g) <= alikeBits {
						near++
					}
				}
			}
		}
	})
}

func BenchmarkCompare(b *testing.B) {
	p, q := previewOf(scene(640, 480)), previewOf(scene(320, 240))
	for b.Loop() {
		Compare(p, q)
	}
}
