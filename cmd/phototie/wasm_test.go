package main

import (
	"bytes"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/geotag/ledger"
	"example.com/phototie/grid"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/sim"
)

// A job of real photos is checked, corrected in place and restored by one program in
// WebAssembly, under Node, and on this system: what is printed is the same to nine
// digits, as Go has some functions of its own for each processor, and the photos and the
// ledger to the last byte. Each takes the photos back that the other corrected.
func TestWebAssembly(t *testing.T) {
	if raceDetector {
		t.Skip("what is looked at is built without it")
	}
	if _, err := exec.LookPath("node"); err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	bin := t.TempDir()
	build := func(name string, env ...string) string {
		cmd := exec.Command("go", "build", "-o", filepath.Join(bin, name), "./testdata/wasm")
		cmd.Env = append(os.Environ(), env...)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		return filepath.Join(bin, name)
	}
	native := build("native")
	module := build("wasm", "GOOS=wasip1", "GOARCH=wasm", "CGO_ENABLED=0")
	// Each runs the program on a folder and gives what it printed.
	printed := func(cmd *exec.Cmd) (string, error) {
		var messages bytes.Buffer
		cmd.Stderr = &messages
		out, err := cmd.Output()
		if err != nil {
			err = fmt.Errorf("%w\n%s", err, &messages)
		}
		return string(out), err
	}
	here := func(action, dir string) (string, error) { return printed(exec.Command(native, action, dir)) }
	there := func(action, dir string) (string, error) {
		return printed(exec.Command("node", "--no-warnings", "--experimental-wasi-unstable-preview1", "testdata/wasm/wasi.mjs", module, action, dir))
	}
	must := func(out string, err error) string {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return out
	}

	job, n := realJob(t)
	if n < 10 {
		t.Fatalf("%d photos with a position", n)
	}
	taken := contents(t, job)
	a, b := filepath.Join(t.TempDir(), "a"), filepath.Join(t.TempDir(), "b")
	for _, dir := range []string{a, b} {
		if err := os.CopyFS(dir, os.DirFS(job)); err != nil {
			t.Fatal(err)
		}
	}
	for _, action := range []string{"check", "correct"} {
		if x, y := rounded(must(here(action, a))), rounded(must(there(action, b))); x != y || x == "" {
			t.Fatalf("%s prints here:\n%s\nand in WebAssembly:\n%s", action, x, y)
		}
	}
	corrected := contents(t, a)
	if !maps.Equal(contents(t, b), corrected) {
		t.Error("the photos corrected in WebAssembly, or their ledger, are not those corrected here")
	}
	changed := 0
	for name, was := range taken {
		if corrected[name] != was {
			changed++
		}
	}
	if changed != n || corrected[ledger.FileName] == "" {
		t.Fatalf("%d photos were changed, want %d", changed, n)
	}
	// Each takes back what the other wrote.
	must(here("restore", b))
	must(there("restore", a))
	for _, dir := range []string{a, b} {
		left := contents(t, dir)
		delete(left, ledger.FileName)
		if !maps.Equal(left, taken) {
			t.Errorf("%s is not restored as it was", filepath.Base(dir))
		}
	}
	// A folder that another run holds is left alone.
	if err := os.WriteFile(filepath.Join(b, ".phototie-ledger.lock"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := there("restore", b); err == nil || !strings.Contains(err.Error(), "in use by another run") {
		t.Errorf("with a lock file: %v", err)
	}
}

// rounded has the fractions in a text with nine digits.
func rounded(text string) string {
	return regexp.MustCompile(`-?\d+\.\d+(e-?\d+)?`).ReplaceAllStringFunc(text, func(s string) string {
		f, err := strconv.ParseFloat(s, 64)
		if err != nil {
			return s
		}
		return strconv.FormatFloat(f, 'g', 9, 64)
	})
}

// realJob writes a job of real photos of several formats, each on a point 3 m west and
// 4 m south of its tag, and tells how many have a position.
func realJob(t *testing.T) (dir string, placed int) {
	t.Helper()
	dir = t.TempDir()
	points, links := "id,e,n\n", "photo,point\n"
	plane := sim.DefaultPlane()
	for i, s := range append(geotagtest.Photos(t), geotagtest.Files(t, "png", "webp", "heic", "tif")...) {
		tag, err := geotag.ReadBytes(s.Raw)
		if err != nil || len(s.Raw) > 1<<20 || tag.Position == nil && i%20 > 0 {
			continue
		}
		name := filepath.Base(s.Name)
		if err := os.WriteFile(filepath.Join(dir, name), s.Raw, 0o644); err != nil {
			t.Fatal(err)
		}
		if tag.Position == nil {
			continue
		}
		at, err := plane.ToGrid(t.Context(), []grid.Fix{{LatLon: grid.LatLon{Lat: tag.Position.Lat, Lon: tag.Position.Lon}}})
		if err != nil || at[0].Err != nil {
			t.Fatal(err, at[0].Err)
		}
		points += fmt.Sprintf("P%02d,%.3f,%.3f\n", placed, at[0].EN.E-3, at[0].EN.N-4)
		links += fmt.Sprintf("%s,P%02d\n", name, placed)
		placed++
	}
	for name, text := range map[string]string{
		dataset.SettingsFile: "[grid]\ncrs = \"plane\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n[photos]\nfolder = \".\"\n",
		"points.csv":         points, "links.csv": links,
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir, placed
}
