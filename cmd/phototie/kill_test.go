package main

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"example.com/phototie/geotag"
)

const killPhotos = 300

// killed runs the program and kills it a while after the ledger has begun to
// grow; with a negative while it lets it be. It reports whether the kill came
// before the program was done, and how long it went on after the ledger grew.
func killed(t *testing.T, bin, ledger string, after time.Duration, args ...string) (early bool, went time.Duration) {
	t.Helper()
	cmd := exec.Command(bin, args...)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	size := func() int64 {
		info, err := os.Stat(ledger)
		if err != nil {
			return 0
		}
		return info.Size()
	}
	before := size()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	var grown time.Time
	var err error
	for waiting := true; waiting; {
		select {
		case err = <-ended:
			waiting = false
		case <-time.After(500 * time.Microsecond):
			switch {
			case grown.IsZero() && size() != before:
				grown = time.Now()
			case after >= 0 && !grown.IsZero() && time.Since(grown) >= after:
				_ = cmd.Process.Kill()
			}
		}
	}
	if !grown.IsZero() {
		went = time.Since(grown)
	}
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.ExitCode() == -1 {
		return true, went
	}
	// A kill may cut the ledger's last line; the next run completes the job, says so
	// and exits with 1.
	mended := exit != nil && exit.ExitCode() == 1 && bytes.Contains(out.Bytes(), []byte("last line was cut off"))
	if err != nil && !mended {
		t.Fatalf("%s %v: %v\n%s", filepath.Base(bin), args, err, out.Bytes())
	}
	return false, went
}

// The real program, killed at 12 random moments (1,000 with PHOTOTIE_FULL=1) while
// it corrects 300 photos in place: each photo is wholly old or wholly new after every kill, the next run
// goes on where the killed one stopped, and restore gives back the first bytes.
func TestKilledWhileCorrecting(t *testing.T) {
	if testing.Short() {
		t.Skip("so many processes take a while")
	}
	kills := 12
	if os.Getenv("PHOTOTIE_FULL") != "" {
		kills = 1000
	}
	bin := program
	dir, err := os.MkdirTemp(memory(), "phototie-kill-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	names := killJob(t, dir)

	sums := func() []string {
		t.Helper()
		out := make([]string, len(names))
		for i, n := range names {
			text, err := os.ReadFile(n)
			if err != nil {
				t.Fatal(err)
			}
			out[i] = fmt.Sprintf("%x", sha256.Sum256(text))
		}
		return out
	}
	ledger := filepath.Join(dir, "phototie-ledger.jsonl")
	undisturbed := func(command string, args ...string) time.Duration {
		t.Helper()
		early, went := killed(t, bin, ledger, -1, append([]string{command}, args...)...)
		if early {
			t.Fatalf("%s was killed by something else", command)
		}
		return went
	}
	restored := func(when string, first []string) {
		t.Helper()
		undisturbed("restore", dir)
		if !slices.Equal(sums(), first) {
			t.Fatalf("%s: restore did not give back the first bytes", when)
		}
	}
	first := sums()
	whole := undisturbed("correct", "--in-place", dir)
	corrected := sums()
	for i := range first {
		if first[i] == corrected[i] {
			t.Fatalf("%s was not corrected", names[i])
		}
	}
	restored("an undisturbed run", first)

	const seed = 20261125
	rng := rand.New(rand.NewPCG(seed, 1))
	midway, quicker, fresh := 0, 0, true
	for n := 0; n < kills; {
		early, went := killed(t, bin, ledger, time.Duration(rng.Int64N(int64(whole)+1)), "correct", "--in-place", dir)
		if early {
			n++
		} else {
			quicker++
			if fresh { // it did the whole job
				whole = (whole + went) / 2
			}
		}
		fresh = false
		old, new := 0, 0
		for i, s := range sums() {
			switch s {
			case first[i]:
				old++
			case corrected[i]:
				new++
			default:
				t.Fatalf("kill %d (seed %d): %s is neither old nor new", n, seed, names[i])
			}
		}
		if old > 0 && new > 0 {
			midway++
		}
		if old == 0 {
			restored(fmt.Sprintf("kill %d (seed %d)", n, seed), first)
			fresh = true
			// A long ledger takes long to read, and all is as it was at first.
			if info, err := os.Stat(ledger); err == nil && info.Size() > 2<<20 {
				if err := os.Remove(ledger); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	if midway < kills/4 {
		t.Errorf("only %d of %d kills left the job half done; the moments are not spread over the work", midway, kills)
	}
	undisturbed("correct", "--in-place", dir)
	if !slices.Equal(sums(), corrected) {
		t.Error("the run after the last kill did not complete the job")
	}
	restored("after the last kill", first)
	left, err := filepath.Glob(filepath.Join(dir, "photos", ".*"))
	if err != nil || len(left) > 0 {
		t.Errorf("temporary files are left: %v, %v", left, err)
	}
	t.Logf("%d kills, %d of them left the job half done, %d runs were quicker; correcting all takes %v", kills, midway, quicker, whole)
}

// memory is a file system in memory where there is one, so that many runs with
// a sync for each photo end in good time; "" means the usual place.
func memory() string {
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() {
		return "/dev/shm"
	}
	return ""
}

// killJob writes a job of killPhotos photos and returns the photos' paths.
func killJob(t *testing.T, dir string) []string {
	t.Helper()
	put := func(name string, data []byte) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "photos"), 0o755); err != nil {
		t.Fatal(err)
	}
	var plain bytes.Buffer
	if err := jpeg.Encode(&plain, image.NewGray(image.Rect(0, 0, 64, 48)), nil); err != nil {
		t.Fatal(err)
	}
	links := "photo,point\n"
	var names []string
	for i := range killPhotos {
		photo, _, err := geotag.Rewrite(plain.Bytes(), geotag.Edit{Lat: 52.188271, Lon: -6.680190 + float64(i)*1e-8, HPositioningError: 3, ProcessingMethod: "GPS"})
		if err != nil {
			t.Fatal(err)
		}
		name := fmt.Sprintf("photos/%03d.jpg", i)
		put(name, photo)
		links += name + ",A\n"
		names = append(names, filepath.Join(dir, name))
	}
	put("links.csv", []byte(links))
	put("points.csv", []byte("id,easting,northing\nA,690242.043,604873.007\n"))
	put("phototie.toml", []byte("[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n"))
	return names
}
