package main

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
	"time"

	"github.com/twpayne/go-proj/v11"
	"golang.org/x/sync/errgroup"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match/dataset"
)

// BenchmarkRatio holds the program's speeds against what they are promised by.
// Each sub-benchmark runs the reference and ours in turns, so that what else the
// machine does hits both, and reports the time of each, their ratio and the goal
// for it, which the ratio is to stay below. make bench prints them as a table.
// Quote figures from a machine that does nothing else.
func BenchmarkRatio(b *testing.B) {
	b.Run("read-tags/floor-open-64KiB-close", ratioFloor)
	b.Run("read-tags/exiv2", ratioExiv2)
	for _, format := range []struct {
		name       string
		extensions []string
	}{
		{"PNG", []string{"png"}}, {"WebP", []string{"webp"}}, {"TIFF", []string{"tif", "tiff"}}, {"DNG", []string{"dng"}},
		{"HEIC", []string{"heic", "heif"}}, {"AVIF", []string{"avif"}},
	} {
		b.Run("read-tags/exiv2-"+format.name, func(b *testing.B) {
			var images [][]byte
			for _, s := range geotagtest.Files(b, format.extensions...) {
				if format.name == "DNG" { // without most of its pixels, which a position is not put beside
					s.Raw = append(s.Raw, make([]byte, 8<<20)...)
				}
				images = append(images, s.Raw)
			}
			ratioFormat(b, format.extensions[0], images)
		})
	}
	b.Run("read-tags/exiv2-XMP", func(b *testing.B) { ratioFormat(b, "xmp", packets(b)) })
	b.Run("read-tags/exiv2-PNG-of-1145-chunks", ratioChunks)
	for _, size := range []struct {
		name   string
		photos int
		bytes  func() []byte
	}{
		{"", 60, func() []byte { return slices.Concat(geotagtest.Plain(), make([]byte, 4<<20)) }},
		{"-12-megapixels", 24, photo12}, {"-50-megapixels", 6, photo50},
	} {
		b.Run("correct"+size.name+"/copy-and-fsync", func(b *testing.B) { ratioCorrect(b, 1.1, size.photos, size.bytes(), copyOneByOne) })
		b.Run("correct"+size.name+"/copy-fsync-and-digests", func(b *testing.B) { ratioCorrect(b, 1.02, size.photos, size.bytes(), copyAndDigest) })
	}
	b.Run("transform/proj-array", ratioTransform)
	b.Run("check/read-photos", ratioCheck)
	b.Run("check/read-from-disk", ratioCheckDisk)
	b.Run("measure/djpeg-quarter", func(b *testing.B) { ratioPixels(b, 1.5, true, false) })
	b.Run("draw/djpeg-quarter", func(b *testing.B) { ratioPixels(b, 2, false, true) })
	b.Run("measure-and-draw/djpeg-quarter", func(b *testing.B) { ratioPixels(b, 2, true, true) })
	report := []string{"report", "--pixels", "always", "--out", "TO", "DIR"}
	pack := []string{"pack", "--pixels", "always", "--fail-on", "never", "--into", "TO", "DIR"}
	b.Run("report/djpeg-quarter-on-all-cores", func(b *testing.B) { ratioProgram(b, 1.5, false, report...) })
	b.Run("pack/djpeg-quarter-and-copy", func(b *testing.B) { ratioProgram(b, 1.5, true, pack...) })
	b.Run("report-memory/fixed", func(b *testing.B) { ratioMemory(b, report...) })
	b.Run("pack-memory/fixed", func(b *testing.B) { ratioMemory(b, pack...) })
	b.Run("compare-cold/cs2cs", func(b *testing.B) { ratioCompare(b, searches) })
	b.Run("compare-cold-nothing-kept/cs2cs", func(b *testing.B) { ratioCompare(b, "") })
	b.Run("open-second-system/fixed", func(b *testing.B) { ratioSecond(b, b.TempDir()) })
	b.Run("open-second-system-nothing-kept/fixed", func(b *testing.B) { ratioSecond(b, "") })
	b.Run("causes-demo/fixed", ratioCauses)
	b.Run("causes-growth/n-log-n", ratioCausesGrowth)
}

// timing is how runs are timed, and which of their times counts.
type timing struct {
	clock func() time.Duration
	of    func([]time.Duration) time.Duration
}

var (
	// best takes the quickest run, for work that only the processor does: all that
	// disturbs it makes it slower.
	best = timing{wall, func(d []time.Duration) time.Duration { return slices.Min(d) }}
	// least is best by the time of the processors, the collector's too, for what is
	// promised per core. What else the machine does is not in it.
	least = timing{processorTime, best.of}
	// median is for what waits for a disk.
	median = timing{wall, func(d []time.Duration) time.Duration {
		slices.Sort(d)
		return d[len(d)/2]
	}}
)

var started = time.Now()

func wall() time.Duration { return time.Since(started) }

// ratio runs the reference and ours in turns.
func ratio(b *testing.B, goal float64, by timing, reference, ours func() error) {
	b.Helper()
	ratioAfter(b, goal, by, func() error { return nil }, reference, ours)
}

// ratioAfter runs them each after before, whose time does not count.
func ratioAfter(b *testing.B, goal float64, by timing, before, reference, ours func() error) {
	b.Helper()
	var refs, owns []time.Duration
	timed := func(f func() error) time.Duration {
		if err := before(); err != nil {
			b.Fatal(err)
		}
		start := by.clock()
		if err := f(); err != nil {
			b.Fatal(err)
		}
		return by.clock() - start
	}
	for b.Loop() {
		refs = append(refs, timed(reference))
		owns = append(owns, timed(ours))
	}
	reportRatio(b, "ms", goal, by.of(refs).Seconds()*1000, by.of(owns).Seconds()*1000)
}

func reportRatio(b *testing.B, unit string, goal, ref, own float64) {
	b.ReportMetric(0, "ns/op") // of both together: of no use
	b.ReportMetric(own, "ours-"+unit)
	b.ReportMetric(ref, "reference-"+unit)
	b.ReportMetric(own/ref, "ratio")
	b.ReportMetric(goal, "goal")
}

// cameraFiles makes n photos with the Exif blocks of real cameras and phones, some
// ninety different ones, and returns their paths.
func cameraFiles(tb testing.TB, dir string, n int) []string {
	tb.Helper()
	var images [][]byte
	for _, s := range geotagtest.All(tb) {
		if s.Whole != nil {
			// As long as a photo mostly is: what comes after is not to be read.
			images = append(images, append(bytes.Clone(s.Whole), make([]byte, 1<<20)...))
		}
	}
	for _, s := range geotagtest.Photos(tb) {
		images = append(images, s.Raw)
	}
	return files(tb, dir, "jpg", images, n)
}

// files writes n files, hard links of the images where the system has them, and
// returns their paths.
func files(tb testing.TB, dir, extension string, images [][]byte, n int) []string {
	tb.Helper()
	names := make([]string, n)
	for i := range names {
		names[i] = filepath.Join(dir, fmt.Sprintf("P%06d.%s", i, extension))
		if i >= len(images) && os.Link(names[i-len(images)], names[i]) == nil {
			continue
		}
		if err := os.WriteFile(names[i], images[i%len(images)], 0o644); err != nil {
			tb.Fatal(err)
		}
	}
	return names
}

// packets are the XMP packets of real photos, which their side-cars would hold.
func packets(tb testing.TB) [][]byte {
	tb.Helper()
	var all [][]byte
	for _, s := range geotagtest.Photos(tb) {
		_, packet, ok := bytes.Cut(s.Raw, []byte("http://ns.adobe.com/xap/1.0/\x00"))
		if end := bytes.Index(packet, []byte("<?xpacket end=")); ok && end > 0 {
			all = append(all, packet[:end+len(`<?xpacket end="w"?>`)])
		}
	}
	return all
}

// quick is a folder in memory where there is one.
func quick(b *testing.B) string {
	b.Helper()
	dir, err := os.MkdirTemp(memory(), "phototie-bench-")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// readTags reads the tags of files one after the other, on one processor.
func readTags(names []string) func() error {
	return func() error {
		for _, name := range names {
			f, err := os.Open(name)
			if err != nil {
				return err
			}
			info, err := f.Stat()
			if err == nil {
				_, err = geotag.Read(f, info.Size())
			}
			if err != nil && !geotag.AboutImage(err) {
				return err
			}
			f.Close()
		}
		return nil
	}
}

// readHeads is the least that a reader of tags has to do.
func readHeads(names []string) func() error {
	head := make([]byte, 64<<10)
	return func() error {
		for _, name := range names {
			f, err := os.Open(name)
			if err != nil {
				return err
			}
			if _, err := f.ReadAt(head, 0); err != nil && !errors.Is(err, io.EOF) {
				return err
			}
			f.Close()
		}
		return nil
	}
}

func ratioFloor(b *testing.B) {
	names := cameraFiles(b, quick(b), 2000)
	ratio(b, 1.5, least, readHeads(names), readTags(names))
}

func ratioExiv2(b *testing.B) {
	exiv2Ratio(b, 0.08, cameraFiles(b, quick(b), 2000))
}

// ratioFormat: 2,000 files of one format, which are the images as they are and with
// a position.
func ratioFormat(b *testing.B, extension string, images [][]byte) {
	for _, img := range slices.Clone(images) {
		if located, _, err := geotag.Rewrite(img, geotag.Edit{Lat: 52.188271, Lon: -6.680190, HPositioningError: 3, ProcessingMethod: "GPS"}); err == nil {
			images = append(images, located)
		}
	}
	exiv2Ratio(b, 0.08, files(b, quick(b), extension, images, 2000))
}

// exiv2Ratio: the files in one call of exiv2, so that it starts once only.
func exiv2Ratio(b *testing.B, goal float64, names []string) {
	exiv2 := tool(b, "exiv2")
	reference := func() error {
		cmd := exec.Command(exiv2, append([]string{"-q", "-g", "GPS"}, names...)...)
		var out bytes.Buffer
		cmd.Stdout = &out
		err := cmd.Run()
		// It exits with 1 where some file has none.
		if exit := (*exec.ExitError)(nil); errors.As(err, &exit) && exit.ExitCode() > 0 {
			err = nil
		}
		if err == nil && bytes.Count(out.Bytes(), []byte("GPSLatitude ")) < min(100, len(names)) {
			err = fmt.Errorf("exiv2 read hardly any tags: %.300s", out.Bytes())
		}
		return err
	}
	ratio(b, goal, least, reference, readTags(names))
}

// ratioCorrect: a job corrected into another folder, on the disk of the system's
// temporary folder, against its files copied there.
func ratioCorrect(b *testing.B, goal float64, photos int, photo []byte, copyAll func(from, to string, names []string) error) {
	dir := b.TempDir()
	job := syntheticJob(b, filepath.Join(dir, "job"), photos, false, photo)
	d, err := dataset.Open(b.Context(), job, crs.OpenGrid)
	if err != nil {
		b.Fatal(err)
	}
	defer d.Close()
	names, err := d.PhotoNames(b.Context())
	if err != nil || len(names) != photos {
		b.Fatal(len(names), err)
	}
	res, err := d.Check(b.Context(), dataset.CheckOptions{})
	if err != nil {
		b.Fatal(err)
	}
	// All that makes the job goes along, in both.
	files := append(d.Files(), names...)
	to := filepath.Join(dir, "to")
	ratioAfter(b, goal, median, func() error { return os.RemoveAll(to) }, func() error {
		return copyAll(job, to, files)
	}, func() error {
		n := 0
		for ch, err := range res.Correct(b.Context(), dataset.CorrectOptions{Into: to}) {
			if err != nil {
				return err
			}
			if ch.Outcome != dataset.Corrected {
				return fmt.Errorf("%s: %s %s", ch.Photo, ch.Outcome, ch.Why)
			}
			n++
		}
		if n != photos {
			return fmt.Errorf("%d corrected", n)
		}
		return nil
	})
}

// copyOneByOne is what cp and sync do: one processor, and no look at the bytes.
func copyOneByOne(from, to string, names []string) error {
	for _, name := range names {
		if err := copyAndSync(from, to, name, plainCopy); err != nil {
			return err
		}
	}
	return nil
}

// copyAndDigest is the least that a correction with a way back can do: all that is
// read and all that is written goes into a SHA-256 each. Several at a time, as in
// the ledger; on two processors the digests are most of it.
func copyAndDigest(from, to string, names []string) error {
	var g errgroup.Group
	g.SetLimit(4 * runtime.GOMAXPROCS(0))
	for _, name := range names {
		g.Go(func() error {
			return copyAndSync(from, to, name, func(w, r *os.File) error {
				_, err := io.CopyBuffer(struct{ io.Writer }{io.MultiWriter(w, sha256.New())}, struct{ io.Reader }{io.TeeReader(r, sha256.New())}, make([]byte, 256<<10))
				return err
			})
		})
	}
	return g.Wait()
}

// copyAndSync copies a file of one folder into another.
func copyAndSync(from, to, name string, copyTo func(w, r *os.File) error) error {
	out := filepath.Join(to, name)
	if err := os.MkdirAll(filepath.Dir(out), 0o755); err != nil {
		return err
	}
	r, err := os.Open(filepath.Join(from, name))
	if err != nil {
		return err
	}
	defer r.Close()
	w, err := os.Create(out)
	if err != nil {
		return err
	}
	if err := copyTo(w, r); err != nil {
		return errors.Join(err, w.Close())
	}
	return errors.Join(w.Sync(), w.Close())
}

// ratioTransform: transforming fixes to the grid, with the choice of an operation
// for each, against one array call of PROJ with the operation chosen already.
func ratioTransform(b *testing.B) {
	const n = 20000
	c, err := crs.Open("EPSG:2157")
	if err != nil {
		b.Fatal(err)
	}
	fixes := make([]grid.Fix, n)
	for i := range fixes {
		fixes[i] = grid.Fix{
			LatLon: grid.LatLon{Lat: 52 + 3*float64(i)/n, Lon: -9 + 3*float64(i%100)/100},
			Frame:  grid.Frame{Datum: "WGS-84", Epoch: 2024 + float64(i)/n},
		}
	}
	placed, err := c.ToGrid(b.Context(), fixes)
	if err != nil || placed[0].Err != nil {
		b.Fatal(err, placed[0].Err)
	}
	op, err := proj.NewContext().New(placed[0].Op.Definition)
	if err != nil {
		b.Fatal(err)
	}
	coords := make([]proj.Coord, n)
	ratio(b, 1/0.95, best, func() error {
		for i, f := range fixes {
			coords[i] = proj.Coord{f.Lat, f.Lon, 0, f.Epoch}
		}
		return op.TransArray(proj.DirectionFwd, coords)
	}, func() error {
		_, err := c.ToGrid(b.Context(), fixes)
		return err
	})
}

// checkPhotos is the number of photos of a job to be checked, n or with PHOTOTIE_FULL=1
// many.
func checkPhotos(n int) int {
	if os.Getenv("PHOTOTIE_FULL") != "" {
		return 100000
	}
	return n
}

// ratioCheck: a job of 100,000 photos (20,000 without PHOTOTIE_FULL=1) checked, looking
// for causes too, against the reading of its tags alone, all of it in memory, where what
// is not reading can't be hidden behind it. Learning a camera's errors takes as long for
// 600 photos as for any more. The goal is ours.
func ratioCheck(b *testing.B) {
	n := checkPhotos(20000)
	job := syntheticJob(b, filepath.Join(quick(b), "job"), n, true, slices.Concat(geotagtest.Plain(), make([]byte, 1<<20)))
	checkAgainstReading(b, job, n, 1.5, func() error { return nil })
}

// ratioCheckDisk: the same of photos that are on the disk only, none of them a link
// to another: what a check is bounded by. The goal is ours.
func ratioCheckDisk(b *testing.B) {
	n := checkPhotos(2000)
	job := syntheticJob(b, filepath.Join(b.TempDir(), "job"), n, false, slices.Concat(geotagtest.Plain(), make([]byte, 1<<17)))
	checkAgainstReading(b, job, n, 1.2, func() error {
		for i := range n {
			if err := forget(filepath.Join(job, "photos", photoName(i))); err != nil {
				return err
			}
		}
		return nil
	})
}

func checkAgainstReading(b *testing.B, job string, n int, goal float64, before func() error) {
	d, err := dataset.Open(b.Context(), job, crs.OpenGrid)
	if err != nil {
		b.Fatal(err)
	}
	defer d.Close()
	// Systems that are opened the first time have rows of their own.
	if _, err := d.Check(b.Context(), dataset.CheckOptions{}); err != nil {
		b.Fatal(err)
	}
	ratioAfter(b, goal, best, before, func() error {
		names, err := d.PhotoNames(b.Context())
		if err != nil {
			return err
		}
		for p, err := range d.Photos(b.Context(), names) {
			if err := errors.Join(err, p.Err); err != nil {
				return err
			}
		}
		return nil
	}, func() error {
		res, err := d.Check(b.Context(), dataset.CheckOptions{})
		if err == nil && len(res.Photos) != n {
			err = fmt.Errorf("%d photos", len(res.Photos))
		}
		return err
	})
	b.ReportMetric(float64(n), "photos")
}

func photoName(i int) string { return fmt.Sprintf("P%06d.jpg", i) }

// syntheticJob writes a job of n copies of a photo, each of which shows a point of
// its own, or one of 200 where they are linked: hard links of so many files. Points
// are 10 m apart, tags some metres from them, as far as they state.
func syntheticJob(tb testing.TB, dir string, n int, linked bool, image []byte) string {
	tb.Helper()
	if err := os.MkdirAll(filepath.Join(dir, "photos"), 0o755); err != nil {
		tb.Fatal(err)
	}
	var points, links bytes.Buffer
	points.WriteString("id,easting,northing\n")
	links.WriteString("photo,point\n")
	files := n
	if linked {
		files = min(n, 200)
	}
	c, err := crs.Open("EPSG:2157")
	if err != nil {
		tb.Fatal(err)
	}
	src := rand.New(rand.NewPCG(2157, uint64(n)))
	at, frames, stated := make([]grid.EN, files), make([]grid.Frame, files), make([]float64, files)
	for i := range files {
		at[i] = grid.EN{E: 680000 + 10*float64(i%200), N: 600000 + 10*float64(i/200)}
		frames[i] = grid.Frame{Datum: "WGS-84", Epoch: 2024}
		fmt.Fprintf(&points, "P%d,%.3f,%.3f\n", i, at[i].E, at[i].N)
		stated[i] = 2 + 4*src.Float64()
		sigma := stated[i] / 1.515 // of a 68.27 % radius
		at[i].E += sigma * src.NormFloat64()
		at[i].N += sigma * src.NormFloat64()
	}
	tags, err := c.FromGrid(tb.Context(), at, frames)
	if err != nil {
		tb.Fatal(err)
	}
	for i := range n {
		name := filepath.Join(dir, "photos", photoName(i))
		fmt.Fprintf(&links, "photos/%s,P%d\n", photoName(i), i%files)
		if i >= files {
			if err := os.Link(filepath.Join(dir, "photos", photoName(i-files)), name); err != nil {
				tb.Fatal(err)
			}
			continue
		}
		photo, _, err := geotag.Rewrite(image, geotag.Edit{Lat: tags[i].Lat, Lon: tags[i].Lon, HPositioningError: stated[i], ProcessingMethod: "GPS"})
		if err != nil {
			tb.Fatal(err)
		}
		if err := os.WriteFile(name, photo, 0o644); err != nil {
			tb.Fatal(err)
		}
	}
	for name, text := range map[string][]byte{
		"points.csv": points.Bytes(), "links.csv": links.Bytes(),
		"phototie.toml": []byte("[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n"),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o644); err != nil {
			tb.Fatal(err)
		}
	}
	return dir
}
