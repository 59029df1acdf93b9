package demo

import (
	"bytes"
	"context"
	"image/jpeg"
	"testing"
)

// BenchmarkJPEG draws photos of both jobs. The floor is the JPEG coding alone,
// by the standard library, of one such picture that is drawn already.
func BenchmarkJPEG(b *testing.B) {
	pv, err := PortVelland(context.Background(), vellandPlane, 1)
	if err != nil {
		b.Fatal(err)
	}
	tc, err := TallowCreek(context.Background(), tallowPlane, 1)
	if err != nil {
		b.Fatal(err)
	}
	for _, job := range []*Job{pv, tc} {
		b.Run(job.Name, func(b *testing.B) {
			for i := 0; b.Loop(); i++ {
				if _, err := job.Photos[i%len(job.Photos)].JPEG(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("floor", func(b *testing.B) {
		file, err := pv.Photos[0].JPEG()
		if err != nil {
			b.Fatal(err)
		}
		img, err := jpeg.Decode(bytes.NewReader(file))
		if err != nil {
			b.Fatal(err)
		}
		for b.Loop() {
			if err := jpeg.Encode(new(bytes.Buffer), img, &jpeg.Options{Quality: 85}); err != nil {
				b.Fatal(err)
			}
		}
	})
}
