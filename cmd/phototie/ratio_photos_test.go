package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/geotag/pixels"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/record"
	"example.com/phototie/match/sim"
)

// jobPhotos is how many photos of 12 megapixels the pictures of a job are timed on.
const jobPhotos = 12

// photo12 are the bytes of one, the same in all runs.
var photo12 = sync.OnceValue(func() []byte { return cameraPhoto(4000, 3000) })

// photo50 are those of one of 50 megapixels.
var photo50 = sync.OnceValue(func() []byte { return cameraPhoto(8160, 6120) })

// cameraPhoto makes a photo with what takes a decoder its time: edges, slopes, and the
// grain of a sensor, at 2.3 bits a pixel, as telephones write them.
func cameraPhoto(w, h int) []byte {
	rng := rand.New(rand.NewPCG(12, uint64(w)))
	m := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
	grain := make([]float64, 1<<16)
	for i := range grain {
		grain[i] = 5 * rng.NormFloat64()
	}
	for y := range h {
		offset := rng.IntN(len(grain))
		for x := range w {
			v := 110 + 50*math.Sin(float64(x)/173)*math.Cos(float64(y)/211) + grain[(x+offset)%len(grain)]
			if (x/97+y/131)%3 == 0 {
				v += 55
			}
			m.Y[y*m.YStride+x] = uint8(min(max(v, 0), 255))
		}
	}
	for i := range m.Cb {
		x, y := i%m.CStride, i/m.CStride
		m.Cb[i], m.Cr[i] = uint8(120+x*16/w), uint8(130-y*20/h)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 92}); err != nil {
		panic(err)
	}
	return b.Bytes()
}

// tool is a program to measure against.
func tool(b *testing.B, name string) string {
	b.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			b.Fatal(err)
		}
		b.Skip(err)
	}
	return path
}

// djpeg decodes photos at a quarter of their size, a process each, on several
// processors.
func djpeg(b *testing.B, names []string, processors int) func() error {
	path := tool(b, "djpeg")
	return func() error {
		var g errgroup.Group
		g.SetLimit(processors)
		for _, name := range names {
			g.Go(func() error { return exec.Command(path, "-scale", "1/4", "-outfile", os.DevNull, name).Run() })
		}
		return g.Wait()
	}
}

// ratioPixels: measuring and drawing photos of 12 megapixels, in processor time, and both
// together as report does.
func ratioPixels(b *testing.B, goal float64, measure, draw bool) {
	dir := quick(b)
	names := files(b, dir, "jpg", [][]byte{photo12()}, jobPhotos)
	ratio(b, goal, least, djpeg(b, names, 1), func() error {
		gallery, err := record.NewGallery(os.DirFS(dir), record.ThumbnailOptions{})
		if err != nil {
			return err
		}
		defer gallery.Close()
		for _, name := range names {
			photo := filepath.Base(name)
			see := func(img image.Image, orientation int) { gallery.See(photo, img, orientation) }
			if !draw {
				see = nil
			}
			if measure {
				if err := measureFile(b.Context(), name, see); err != nil {
					return err
				}
			}
			if draw {
				if _, err := gallery.Picture(b.Context(), photo); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

func measureFile(ctx context.Context, name string, see func(image.Image, int)) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	m, err := pixels.Measure(ctx, f, info.Size(), pixels.Limits{}, see)
	if err == nil && m.Undecoded != "" {
		err = fmt.Errorf("%s: %s", name, m.Undecoded)
	}
	return err
}

// photoJob is a job of photos of 12 megapixels, none a link to another, on the disk of
// the system's temporary folder.
func photoJob(b *testing.B, n int) (dir string, names []string) {
	dir = syntheticJob(b, filepath.Join(b.TempDir(), "job"), n, false, photo12())
	for i := range n {
		names = append(names, filepath.Join(dir, "photos", photoName(i)))
	}
	return dir, names
}

// ratioProgram: a command on a job of large photos by the clock, as a user waits for
// it, against the photos decoded by djpeg on all processors, and copied where the
// command does. There are forty of them, as opening the system and starting have rows of
// their own.
func ratioProgram(b *testing.B, goal float64, copied bool, command ...string) {
	dir, names := photoJob(b, 40)
	decode, to := djpeg(b, names, runtime.GOMAXPROCS(0)), filepath.Join(filepath.Dir(dir), "to")
	args := commandLine(command, dir, to)
	ratioAfter(b, goal, best, func() error { return os.RemoveAll(to) }, func() error {
		if err := decode(); err != nil || !copied {
			return err
		}
		for _, name := range names {
			if err := copyAndSync(filepath.Dir(name), to, filepath.Base(name), plainCopy); err != nil {
				return err
			}
		}
		return nil
	}, func() error {
		cmd := exec.Command(program, args...)
		out, err := cmd.CombinedOutput()
		if err != nil {
			return fmt.Errorf("%w: %s", err, out)
		}
		return nil
	})
}

// commandLine puts folders into a command: the job's for DIR, the output's for TO.
func commandLine(command []string, dir, to string) []string {
	out := slices.Clone(command)
	for i, word := range out {
		out[i] = strings.NewReplacer("DIR", dir, "TO", to).Replace(word)
	}
	return out
}

func plainCopy(w, r *os.File) error {
	_, err := io.Copy(w, r)
	return err
}

// ratioMemory: what a command takes of memory at most on a job of large photos,
// against 200 MB.
func ratioMemory(b *testing.B, command ...string) {
	dir, _ := photoJob(b, 2*jobPhotos)
	to := filepath.Join(filepath.Dir(dir), "to")
	args := commandLine(command, dir, to)
	within(b, "MB", 200, func() (float64, error) {
		if err := os.RemoveAll(to); err != nil {
			return 0, err
		}
		most, err := runPeak(exec.Command(program, args...))
		return most / 1e6, err
	})
}

// within holds a figure of ours against a fixed one: the least of the runs.
func within(b *testing.B, unit string, most float64, measure func() (float64, error)) {
	b.Helper()
	own := math.Inf(1)
	for b.Loop() {
		v, err := measure()
		if err != nil {
			b.Fatal(err)
		}
		own = min(own, v)
	}
	reportRatio(b, unit, 1, most, own)
}

// ratioChunks: reading the tags of PNG images of 37 MB, whose position stands after
// 1,145 chunks.
func ratioChunks(b *testing.B) {
	var img bytes.Buffer
	if err := png.Encode(&img, image.NewGray(image.Rect(0, 0, 640, 480))); err != nil {
		b.Fatal(err)
	}
	photo, _, err := geotag.Rewrite(img.Bytes(), geotag.Edit{Lat: 52.188271, Lon: -6.680190, HPositioningError: 3, ProcessingMethod: "GPS"})
	if err != nil {
		b.Fatal(err)
	}
	// The first chunk ends after the signature's 8 bytes, and 25 of its own. Private
	// chunks of 32 KiB stand before what follows.
	data := make([]byte, 32<<10)
	chunk := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	chunk = append(append(chunk, "prVt"...), data...)
	chunk = binary.BigEndian.AppendUint32(chunk, crc32.ChecksumIEEE(chunk[4:]))
	photo = slices.Concat(photo[:33], bytes.Repeat(chunk, 1145), photo[33:])
	exiv2Ratio(b, 0.2, files(b, quick(b), "png", [][]byte{photo}, 20))
}

// ratioCompare: one photo compared, in a process that starts for it, against cs2cs with
// one point, by the clock. The searches of the processes before are kept in a folder, or
// nowhere.
func ratioCompare(b *testing.B, keeps string) {
	cs2cs, at := tool(b, "cs2cs"), geotag.Edit{Lat: 52.188271, Lon: -6.680190, HPositioningError: 3, ProcessingMethod: "GPS"}
	photo, _, err := geotag.Rewrite(geotagtest.Plain(), at)
	if err != nil {
		b.Fatal(err)
	}
	name := files(b, quick(b), "jpg", [][]byte{photo}, 1)[0]
	compare := func() error {
		cmd := exec.Command(program, "compare", "--crs", "EPSG:2157", "--at", "690242.043,604873.007", name)
		cmd.Env = append(os.Environ(), "HOME=", "XDG_CACHE_HOME="+keeps)
		return cmd.Run()
	}
	if err := compare(); err != nil {
		b.Fatal(err)
	}
	ratio(b, 1.5, median, func() error {
		cmd := exec.Command(cs2cs, "EPSG:4326", "EPSG:2157")
		cmd.Stdin = strings.NewReader(fmt.Sprintln(at.Lat, at.Lon))
		return cmd.Run()
	}, compare)
}

// secondSystem asks this program to open two systems, in place of its tests.
const secondSystem = "PHOTOTIE_TEST_SECOND_SYSTEM"

// openSecond opens a system and uses it, and then another one, which takes so many
// milliseconds. Searches are kept in a folder, or nowhere.
func openSecond(keeps string) float64 {
	crs.KeepSearches(keeps)
	var start time.Duration
	for i, code := range []string{"EPSG:2157", "EPSG:27700"} {
		start = wall()
		c, err := crs.Open(code)
		if err != nil {
			panic(err)
		}
		at := grid.LatLon{Lat: 52, Lon: float64(6*i - 7)}
		placed, err := c.ToGrid(context.Background(), []grid.Fix{{LatLon: at, Frame: grid.Frame{Datum: "WGS-84", Epoch: 2024}}})
		if err := errors.Join(err, placed[0].Err); err != nil {
			panic(err)
		}
	}
	return (wall() - start).Seconds() * 1000
}

// ratioSecond: a second system opened in a process and used, against 30 ms. Each
// process does it once; the one before kept its searches in a folder, or nowhere.
func ratioSecond(b *testing.B, keeps string) {
	second := func() (ms float64, err error) {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), secondSystem+"="+keeps)
		out, err := cmd.Output()
		if err == nil {
			_, err = fmt.Sscan(string(out), &ms)
		}
		return ms, err
	}
	if _, err := second(); err != nil {
		b.Fatal(err)
	}
	within(b, "ms", 30, second)
}

// ratioCauses: looking for the causes of the example job, in processor time, against
// 200 ms: a check with it less one without.
func ratioCauses(b *testing.B) {
	dir, err := example()
	if err != nil {
		b.Fatal(err)
	}
	d, err := dataset.Open(b.Context(), dir, crs.OpenGrid)
	if err != nil {
		b.Fatal(err)
	}
	defer d.Close()
	check := func(causes []cause.Cause) (float64, error) {
		start := processorTime()
		_, err := d.Check(b.Context(), dataset.CheckOptions{Causes: causes, Pixels: dataset.PixelsNever})
		return (processorTime() - start).Seconds() * 1000, err
	}
	without := math.Inf(1)
	within(b, "ms", 200, func() (float64, error) {
		w, err := check([]cause.Cause{})
		if err != nil {
			return 0, err
		}
		without = min(without, w)
		with, err := check(nil)
		return with - without, err
	})
}

// ratioCausesGrowth: looking for causes in a job with three blunders planted, of four
// times as many photos, against what n log n makes of the smaller one; with
// PHOTOTIE_FULL=1 the larger has 100,000 photos.
func ratioCausesGrowth(b *testing.B) {
	large := 4000
	if os.Getenv("PHOTOTIE_FULL") != "" {
		large = 100000
	}
	small := large / 4
	search := func(n int) func() (float64, error) {
		cfg := sim.Default()
		cfg.Photos, cfg.Points, cfg.Days = n, n*2/5, max(1, n/1000)
		cfg.Plants = []sim.Plant{{Kind: sim.LateRun, Run: 10}, {Kind: sim.FrozenFix, Run: 20}, {Kind: sim.FlippedLongitude, Day: 1}}
		set, err := sim.New(cfg)
		if err != nil {
			b.Fatal(err)
		}
		res, err := set.Check(b.Context())
		if err != nil {
			b.Fatal(err)
		}
		return func() (float64, error) {
			start := processorTime()
			_, err := cause.Explain(b.Context(), cause.Input{Proj: set.Projection, Options: set.Options(), Result: res, Datums: []string{}})
			return (processorTime() - start).Seconds() * 1000, err
		}
	}
	few, many := search(small), search(large)
	ref, own := math.Inf(1), math.Inf(1)
	for b.Loop() {
		f, err := few()
		if err != nil {
			b.Fatal(err)
		}
		m, err := many()
		if err != nil {
			b.Fatal(err)
		}
		ref, own = min(ref, f), min(own, m)
	}
	growth := 4 * math.Log(float64(large)) / math.Log(float64(small))
	reportRatio(b, "ms", 1, growth*ref, own)
}
