package geotag

import (
	"bytes"
	"io"
	"testing"
)

// BenchmarkPlan works out the correction of the real blocks, one after the
// other, in photos of 4 MB. Beside it, in the same run: only reading the tag,
// planning what is already there, carrying the plan out, and two floors: the
// copying of the image, which Apply can't do without, and the search of the image
// data for 0xFF, which is how the image's end is found; and what a general Exif
// library takes to decode and rebuild the block.
func BenchmarkPlan(b *testing.B) {
	var olds, news, blocks [][]byte
	var patches []*Patch
	for _, s := range wholes(b) {
		img := photoSized(s.Whole, 4<<20)
		out, p, err := Rewrite(img, quay)
		if err != nil {
			b.Fatal(err)
		}
		olds, news, patches, blocks = append(olds, img), append(news, out), append(patches, p), append(blocks, s.Block)
	}
	run := func(name string, f func(i int) error) {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for n := 0; b.Loop(); n++ {
				if err := f(n % len(olds)); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	plan := func(imgs [][]byte) func(i int) error {
		return func(i int) error {
			_, err := Plan(bytes.NewReader(imgs[i]), int64(len(imgs[i])), quay)
			return err
		}
	}
	run("plan", plan(olds))
	run("plan-again", plan(news))
	run("read", func(i int) error {
		_, err := Read(bytes.NewReader(olds[i]), int64(len(olds[i])))
		return err
	})
	run("apply", func(i int) error { return patches[i].Apply(discard{}, struct{ io.Reader }{bytes.NewReader(olds[i])}) })
	buf := make([]byte, chunk)
	run("floor-copy", func(i int) error {
		_, err := io.CopyBuffer(struct{ io.Writer }{discard{}}, struct{ io.Reader }{bytes.NewReader(olds[i])}, buf)
		return err
	})
	run("floor-search", func(i int) error {
		for rest := olds[i]; len(rest) > 0; {
			n := bytes.IndexByte(rest, 0xFF)
			if n < 0 {
				break
			}
			rest = rest[n+1:]
		}
		return nil
	})
	run("go-exif-rebuild", func(i int) error {
		rebuild(blocks[i]) // it fails on some
		return nil
	})
}

// discard is io.Discard without its ReadFrom, so that bytes are moved.
type discard struct{}

func (discard) Write(b []byte) (int, error) { return len(b), nil }

// photoSized blows an image's data up to n bytes, with a stuffed byte in 256 as
// in real data.
func photoSized(img []byte, n int) []byte {
	sos := bytes.LastIndex(img, []byte{0xFF, 0xDA})
	head := sos + 2 + int(img[sos+2])<<8 + int(img[sos+3])
	out := bytes.Clone(img[:head])
	for len(out) < n {
		for i := range 254 {
			out = append(out, byte(i))
		}
		out = append(out, 0xFF, 0)
	}
	return append(out, 0xFF, 0xD9)
}
