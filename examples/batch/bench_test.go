package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/sim"
)

// benchJobs writes n jobs of 500 photos and 200 points, the photos of few bytes with the
// Exif block of the example job, its time and position changed.
func benchJobs(b *testing.B, top string, n int) {
	b.Helper()
	dir, err := made()
	if err != nil {
		b.Fatal(err)
	}
	from, err := os.ReadFile(filepath.Join(dir, "jobs/velland/photos/day1/quay/QA0001.jpg"))
	if err != nil {
		b.Fatal(err)
	}
	exif := bytes.Index(from, []byte("Exif\x00\x00"))
	base := geotagtest.Splice(from[exif+6 : exif-2+(int(from[exif-2])<<8|int(from[exif-1]))])
	old, err := geotag.ReadBytes(base)
	if err != nil || old.Taken == nil {
		b.Fatal(err, old)
	}
	const layout = "2006:01:02 15:04:05"
	itm, err := crs.Open("EPSG:2157")
	if err != nil {
		b.Fatal(err)
	}
	for k := range n {
		cfg := sim.Default()
		cfg.Seed, cfg.Photos, cfg.Points, cfg.Projection, cfg.At = uint64(1000+k), 500, 200, itm, grid.EN{E: 680000, N: 600000}
		cfg.Plants = []sim.Plant{{Kind: sim.LateRun, Run: 8}, {Kind: sim.FrozenFix, Run: 5}}
		set, err := sim.New(cfg)
		if err != nil {
			b.Fatal(err)
		}
		job := filepath.Join(top, fmt.Sprintf("job%03d", k))
		if err := os.MkdirAll(filepath.Join(job, "photos"), 0o755); err != nil {
			b.Fatal(err)
		}
		var points, links bytes.Buffer
		fmt.Fprintln(&points, "id,easting,northing,time")
		for _, p := range set.Points {
			fmt.Fprintf(&points, "%s,%.3f,%.3f,%s\n", p.ID, p.E, p.N, p.Observed.UTC().Format(time.RFC3339))
		}
		fmt.Fprintln(&links, "photo,point")
		name := func(p *match.Photo) string { return "photos/" + filepath.Base(p.Name) }
		for _, l := range set.Links {
			fmt.Fprintf(&links, "photos/%s,%s\n", filepath.Base(l.Photo), l.Point)
		}
		for i := range set.Photos {
			p := &set.Photos[i]
			edit := geotag.Edit{Lat: p.Tag.Position.Lat, Lon: p.Tag.Position.Lon, HPositioningError: *p.Tag.HPositioningError, ProcessingMethod: "GPS"}
			img, _, err := geotag.Rewrite(base, edit)
			if err != nil {
				b.Fatal(err)
			}
			img = bytes.ReplaceAll(img, []byte(old.Taken.Time.Format(layout)), []byte(p.Tag.Taken.Time.Format(layout)))
			if err := os.WriteFile(filepath.Join(job, name(p)), img, 0o644); err != nil {
				b.Fatal(err)
			}
		}
		for file, text := range map[string][]byte{"points.csv": points.Bytes(), "links.csv": links.Bytes(),
			"phototie.toml": []byte("[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n")} {
			if err := os.WriteFile(filepath.Join(job, file), text, 0o644); err != nil {
				b.Fatal(err)
			}
		}
	}
}

// BenchmarkJobs checks 200 jobs of 500 photos (10 without PHOTOTIE_FULL=1) by one worker
// and by two, a processor each, and by the command in a loop, which has all processors.
// The time of the processors, of all processes, is beside that of the clock.
func BenchmarkJobs(b *testing.B) {
	n := 10
	if os.Getenv("PHOTOTIE_FULL") != "" {
		n = 200
	}
	top := b.TempDir()
	benchJobs(b, top, n)
	phototie := filepath.Join(bench.dir, "phototie")
	report := func(b *testing.B, do func(busy *time.Duration)) {
		var busy time.Duration
		for b.Loop() {
			do(&busy)
		}
		b.ReportMetric(float64(500*n*b.N)/b.Elapsed().Seconds(), "photos/s")
		b.ReportMetric(busy.Seconds()/float64(b.N), "processor-s")
	}
	call := func(b *testing.B, busy *time.Duration, name string, env []string, args ...string) {
		c := exec.Command(name, args...)
		c.Env = append(os.Environ(), env...)
		if out, err := c.CombinedOutput(); err != nil {
			b.Fatalf("%v: %s", err, out)
		}
		*busy += c.ProcessState.UserTime() + c.ProcessState.SystemTime()
	}
	b.Run("command", func(b *testing.B) {
		report(b, func(busy *time.Duration) {
			out := b.TempDir()
			for k := range n {
				job := fmt.Sprintf("job%03d", k)
				call(b, busy, phototie, nil, "check", "--fail-on", "never", "--out", filepath.Join(out, job+".json"), filepath.Join(top, job))
			}
		})
	})
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprintf("workers=%d", workers), func(b *testing.B) {
			report(b, func(busy *time.Duration) {
				call(b, busy, os.Args[0], []string{asProgram + "=1", fmt.Sprintf("GOMAXPROCS=%d", workers)},
					"-from", "file://"+top+"?metadata=skip&no_tmp_dir=true", "-into", "file://"+b.TempDir()+"?metadata=skip&no_tmp_dir=true", "-write", "check.json", "-fail-on", "never")
			})
		})
	}
}
