package geotag

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	exif "github.com/dsoprea/go-exif/v3"
	exifcommon "github.com/dsoprea/go-exif/v3/common"

	"example.com/phototie/geotag/geotagtest"
)

// BenchmarkRead reads the whole photos made of the samples, each padded to 3 MB
// as a photo would be; one operation is one photo. The floor opens a photo,
// reads 64 KiB and closes it; go-exif gets the block without searching for it.
func BenchmarkRead(b *testing.B) {
	dir := b.TempDir()
	var files []string
	var blocks [][]byte
	var images [][]byte
	for _, s := range geotagtest.All(b) {
		f := filepath.Join(dir, s.Name+".jpg")
		img := append(bytes.Clone(s.Whole), make([]byte, 3<<20)...)
		if err := os.WriteFile(f, img, 0o600); err != nil {
			b.Fatal(err)
		}
		files, blocks, images = append(files, f), append(blocks, s.Block), append(images, s.Whole)
	}
	file := func(b *testing.B, do func(f *os.File, c *counter, size int64)) {
		b.ReportAllocs()
		var c counter
		for i := 0; b.Loop(); i++ {
			f, err := os.Open(files[i%len(files)])
			if err != nil {
				b.Fatal(err)
			}
			info, err := f.Stat()
			if err != nil {
				b.Fatal(err)
			}
			c.r = f
			do(f, &c, info.Size())
			f.Close()
		}
		b.ReportMetric(float64(c.bytes)/float64(b.N), "read-B/op")
		b.ReportMetric(float64(c.calls)/float64(b.N), "reads/op")
	}
	b.Run("floor", func(b *testing.B) {
		buf := make([]byte, chunk)
		file(b, func(_ *os.File, c *counter, _ int64) {
			if _, err := c.ReadAt(buf, 0); err != nil {
				b.Fatal(err)
			}
		})
	})
	b.Run("file", func(b *testing.B) {
		file(b, func(_ *os.File, c *counter, size int64) {
			if _, err := Read(c, size); err != nil {
				b.Fatal(err)
			}
		})
	})
	b.Run("bytes", func(b *testing.B) {
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			if _, err := ReadBytes(images[i%len(images)]); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("go-exif", func(b *testing.B) {
		b.ReportAllocs()
		im, err := exifcommon.NewIfdMappingWithStandard()
		if err != nil {
			b.Fatal(err)
		}
		ti := exif.NewTagIndex()
		for i := 0; b.Loop(); i++ {
			exif.Collect(im, ti, blocks[i%len(blocks)]) // fails on some of them
		}
	})
}

// BenchmarkReadXMP is a packet with a position, padded as the standard asks.
func BenchmarkReadXMP(b *testing.B) {
	img := withXMP(geotagtest.Plain(), packet(description(xmpPlace+` exif:GPSAltitude="29/1"`, `<dc:subject><rdf:Bag><rdf:li>PV-017</rdf:li></rdf:Bag></dc:subject>`)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := ReadBytes(img); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkExifName is a name once the dictionary is there.
func BenchmarkExifName(b *testing.B) {
	for b.Loop() {
		exifName("Exif", 0x9286)
	}
}
