package pointfile

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"testing"
	"time"
)

// made is a file system of one file that is made while it is read.
type made struct {
	head, tail string
	item       func(b []byte, i int) []byte
	n          int
}

func (m made) Open(string) (fs.File, error) { return &madeFile{made: m, i: -1}, nil }

type madeFile struct {
	made
	i    int
	left []byte
	buf  []byte
}

func (f *madeFile) Read(p []byte) (int, error) {
	total := 0
	for total < len(p) {
		if len(f.left) == 0 {
			f.buf = f.buf[:0]
			switch {
			case f.i < 0:
				f.buf = append(f.buf, f.head...)
			case f.i < f.n:
				f.buf = f.item(f.buf, f.i)
			case f.i == f.n:
				f.buf = append(f.buf, f.tail...)
			default:
				if total > 0 {
					return total, nil
				}
				return 0, io.EOF
			}
			f.i++
			f.left = f.buf
		}
		n := copy(p[total:], f.left)
		f.left = f.left[n:]
		total += n
	}
	return total, nil
}

func (f *madeFile) Stat() (fs.FileInfo, error) { return nil, fs.ErrInvalid }
func (f *madeFile) Close() error               { return nil }

var streams = []struct {
	name string
	file made
	opt  Options
}{
	{"delimited", made{head: "id,northing,easting,height,code,description\n", item: func(b []byte, i int) []byte {
		return fmt.Appendf(b, "P%d,%d.25,%d.125,4.5,BOL,cast bollard\n", i, 500000+i%1000, 700000+i/1000)
	}}, Options{}},
	{"blanks", made{head: "id northing easting height description\n", item: func(b []byte, i int) []byte {
		return fmt.Appendf(b, "P%d  %d.25  %d.125  4.5  cast bollard\n", i, 500000+i%1000, 700000+i/1000)
	}}, Options{}},
	{"GeoJSON", made{head: `{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"EPSG:2157"}},"features":[`, tail: "]}", item: func(b []byte, i int) []byte {
		if i > 0 {
			b = append(b, ",\n"...)
		}
		return fmt.Appendf(b, `{"type":"Feature","properties":{"id":"P%d","code":"BOL"},"geometry":{"type":"Point","coordinates":[%d.125,%d.25,4.5]}}`, i, 700000+i/1000, 500000+i%1000)
	}}, Options{}},
	{"LandXML", made{head: `<LandXML version="1.2"><Units><Metric linearUnit="meter"/></Units><CoordinateSystem epsgCode="2157"/><CgPoints>`, tail: "</CgPoints></LandXML>", item: func(b []byte, i int) []byte {
		return fmt.Appendf(b, `<CgPoint name="P%d" code="BOL">%d.25 %d.125 4.5</CgPoint>`+"\n", i, 500000+i%1000, 700000+i/1000)
	}}, Options{}},
	{"GPX", made{head: `<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">`, tail: "</gpx>", item: func(b []byte, i int) []byte {
		return fmt.Appendf(b, `<wpt lat="51.%06d" lon="-6.%06d"><ele>4.5</ele><name>P%d</name></wpt>`+"\n", i%1000, i/1000, i)
	}}, Options{}},
}

func textOf(name string, n int) string {
	for _, s := range streams {
		if s.name == name {
			s.file.n = n
			f, _ := s.file.Open("")
			text, _ := io.ReadAll(f)
			return string(text)
		}
	}
	panic(name)
}

func geoJSONOf(n int) string { return textOf("GeoJSON", n) }
func landXMLOf(n int) string { return textOf("LandXML", n) }
func gpxOf(n int) string     { return textOf("GPX", n) }

// A million points take no more memory than a thousand: the heap is measured
// after a collection along the way. Without PHOTOTIE_FULL=1 it is fewer, but still
// more than maxItem bytes, so that a bound that is not moved along shows; memory that
// grows with the points would be over the room by far all the same.
func TestMillionPointsInBoundedMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("reads a million points of each format")
	}
	n := 200_000
	switch {
	case os.Getenv("PHOTOTIE_FULL") != "":
		n = 1_000_000
	case raceDetector:
		n = 50_000
	}
	for _, s := range streams {
		t.Run(s.name, func(t *testing.T) {
			s.file.n = n
			start := time.Now()
			r, err := Open(s.file, "points", s.opt)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			var m runtime.MemStats
			var early, most uint64
			got := 0
			for rec, err := range r.Records() {
				if err != nil {
					t.Fatal(err)
				}
				if want := got; rec.ID != fmt.Sprintf("P%d", want) {
					t.Fatalf("record %d is %q", got, rec.ID)
				}
				got++
				if got == 1000 || got%(n/5) == 0 {
					runtime.GC()
					runtime.ReadMemStats(&m)
					if got == 1000 {
						early = m.HeapAlloc
					}
					most = max(most, m.HeapAlloc)
				}
			}
			if got != n {
				t.Fatalf("%d records, want %d", got, n)
			}
			const room = 1 << 20
			if most > early+room {
				t.Errorf("the heap grew from %d to %d bytes", early, most)
			}
			t.Logf("%d points in %v; heap %d KiB after 1000 points, at most %d KiB", got, time.Since(start).Round(time.Millisecond), early>>10, most>>10)
		})
	}
}

// The floor of each format is the decoder that it stands on, whose results are
// thrown away.
var floors = map[string]func(r io.Reader) error{
	"delimited": func(r io.Reader) error {
		c := csv.NewReader(r)
		c.ReuseRecord = true
		return drain(func() error { _, err := c.Read(); return err })
	},
	"blanks": func(r io.Reader) error {
		s := bufio.NewScanner(r)
		for s.Scan() {
			bytes.Fields(s.Bytes())
		}
		return s.Err()
	},
	"GeoJSON": func(r io.Reader) error {
		d := json.NewDecoder(r)
		return drain(func() error { _, err := d.Token(); return err })
	},
	"LandXML": rawTokens,
	"GPX":     rawTokens,
}

func rawTokens(r io.Reader) error {
	d := xml.NewDecoder(r)
	return drain(func() error { _, err := d.RawToken(); return err })
}

func drain(next func() error) error {
	for {
		if err := next(); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
	}
}

func BenchmarkRead(b *testing.B) {
	const n = 10_000
	for _, s := range streams {
		s.file.n = n
		f, _ := s.file.Open("")
		text, _ := io.ReadAll(f)
		fsys := memory(string(text))
		run := func(name string, read func() error) {
			b.Run(name, func(b *testing.B) {
				b.SetBytes(int64(len(text)))
				b.ReportAllocs()
				for b.Loop() {
					if err := read(); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/point")
			})
		}
		run(s.name, func() error {
			r, err := Open(fsys, "points", s.opt)
			if err != nil {
				return err
			}
			for _, err := range r.Records() {
				if err != nil {
					return err
				}
			}
			return r.Close()
		})
		run(s.name+"/floor", func() error { return floors[s.name](bytes.NewReader(text)) })
	}
}
