package pixels

import (
	"bytes"
	"context"
	"image/jpeg"
	"strings"
	"testing"

	"example.com/phototie/geotag/geotagtest"
)

// FuzzHeader reads headers and quantisation tables. Where image/jpeg reads the
// header too, the sizes must agree.
func FuzzHeader(f *testing.F) {
	f.Add(geotagtest.Plain())
	f.Add(geotagtest.Plain()[:200])
	f.Add(geotagtest.Insert(geotagtest.Plain(), 0xDB, append([]byte{0x11}, bytes.Repeat([]byte{0, 9}, 64)...)))
	f.Fuzz(func(t *testing.T, img []byte) {
		form, hd, err := readCoding(context.Background(), bytes.NewReader(img), int64(len(img)))
		if err != nil || form != formatJPEG {
			return
		}
		if hd.Width < 1 || hd.Height < 1 || hd.Width > 65535 || hd.Height > 65535 {
			t.Fatalf("%d x %d", hd.Width, hd.Height)
		}
		if hd.Table != [64]uint16{} {
			q := quality(&hd.Table)
			if q.Low < 0 || q.High > 100 || q.High < 1 || q.Low > q.High {
				t.Fatalf("quality %v", q)
			}
			for i, v := range hd.Table {
				if q.Low > 0 && step(q.Low, i) < int(v) || q.High < 100 && step(q.High, i) > int(v) {
					t.Fatalf("step %d is %d, quality %v", i, v, q)
				}
			}
		}
		if cfg, err := jpeg.DecodeConfig(bytes.NewReader(img)); err == nil && (cfg.Width != hd.Width || cfg.Height != hd.Height) {
			t.Fatalf("%d x %d, image/jpeg says %d x %d", hd.Width, hd.Height, cfg.Width, cfg.Height)
		}
	})
}

// FuzzMeasure measures whatever comes, within small limits.
func FuzzMeasure(f *testing.F) {
	f.Add(geotagtest.Plain())
	f.Add(lossless(f, scene(20, 15))["tiff"])
	f.Add(lossless(f, scene(20, 15))["deflated tiff"])
	for _, s := range geotagtest.Files(f, "png", "webp") {
		if len(s.Raw) < 5000 {
			f.Add(s.Raw)
		}
	}
	f.Fuzz(func(t *testing.T, img []byte) {
		m, err := measure(img, Limits{MaxPixels: 1 << 14})
		if err != nil {
			if m != nil {
				t.Fatal("measures with an error")
			}
			return
		}
		if (m.Undecoded == "") != (m.Exposure != nil && m.Preview != nil) {
			t.Fatalf("%+v", m)
		}
		if e := m.Exposure; e != nil && !(e.Black >= 0 && e.White >= 0 && e.Black+e.White < 1.0001 && e.Mean >= 0 && e.Mean <= 1) {
			t.Fatalf("%+v", e)
		}
		if b := m.Blur; b != nil && !(*b > 0 && *b < 1e4) {
			t.Fatalf("blur %v", *b)
		}
	})
}

// FuzzDigests reads whatever texts as digests: they are refused, or written again
// as they came but for case.
func FuzzDigests(f *testing.F) {
	f.Add("0123456789abcdef", strings.Repeat("Ab", 32))
	f.Add("+123456789abcdef", strings.Repeat("a", 65))
	f.Add("0x23_56789abcdef", "")
	f.Fuzz(func(t *testing.T, hash, sum string) {
		var h Hash
		if h.UnmarshalText([]byte(hash)) == nil && h.String() != strings.ToLower(hash) {
			t.Fatalf("%q is read as %s", hash, h)
		}
		var s Sum
		if s.UnmarshalText([]byte(sum)) == nil && s.String() != strings.ToLower(sum) {
			t.Fatalf("%q is read as %s", sum, s)
		}
	})
}
