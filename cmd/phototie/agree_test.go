package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/phototie/match"
)

// changed are changes of the settings of the small example job, at least one for
// each table: the text that takes the place of another, or is added.
var changed = []struct{ name, old, new string }{
	{"frame.forbid", "", "[frame]\nforbid = [\"EPSG:9755\"]\n"},
	{"frame.operation", "", "[frame]\noperation = \"EPSG:9774\"\n"},
	{"frame.datum", "", "[frame]\ndatum = \"NAD-83\"\n"},
	{"frame.datums", "", "[frame.datums]\n\"WGS-84\" = \"EPSG:4269\"\n"},
	{"frame.epoch", "", "[frame]\nepoch = 2001.5\n"},
	{"frame.allow_ballpark", "", "[frame]\nallow_ballpark = true\nballpark_sigma_m = 3.0\ndatum = \"NAD27\"\n"},
	{"grid.crs", "EPSG:6543", "EPSG:2264"},
	{"ties.weigh", "", "[ties]\nweigh = false\n"},
	{"ties.infer_untied", "", "[ties]\ninfer_untied = true\nthreshold = 0.8\n"},
	{"ties.field_order", "", "[ties]\nfield_order = \"linked-later\"\n"},
	{"budget", "[budget]", "[budget]\ngross_level = 0.2\nerror_confidence = 0.95\nmotion_sigma_m = 0.1 #"},
	{"heights", "", "[heights]\npoints = \"geoid\"\nseparation_m = -32.0\ntags = \"ellipsoid\"\n"},
	{"photo_requirements", "", "[photo_requirements.default]\nmin_photos = 3\nmin_long_side_px = 4000\n"},
	{"links.only", "[links]\n", "[links]\nonly = true\n"},
	{"points.height_unit", "[points]\n", "[points]\nheight_unit = \"m\"\n"},
	{"points moved", "points.csv", "moved.csv"},
}

// TestGateAgrees: examples/gate, which a stranger follows, finds what phototie check
// finds, finding by finding, on both example jobs and under changed settings.
func TestGateAgrees(t *testing.T) {
	dir := t.TempDir()
	gate := filepath.Join(dir, "gate")
	if out, err := exec.Command("go", "build", "-o", gate, "../../examples/gate").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for _, name := range []string{"port-velland", "tallow-creek"} {
		var out, errs bytes.Buffer
		if code := run(t.Context(), []string{"demo", "--job", name, filepath.Join(dir, name)}, &out, &errs); code != exitOK {
			t.Fatal(errs.String())
		}
	}
	agree := func(t *testing.T, job string) string {
		t.Helper()
		var out, errs bytes.Buffer
		code := run(t.Context(), []string{"check", "--format", "json", "--explain=false", job}, &out, &errs)
		said, err := exec.Command(gate, job).CombinedOutput()
		if code > exitFindings {
			if err == nil || !strings.Contains(string(said), strings.TrimSpace(strings.TrimPrefix(errs.String(), "phototie:"))) {
				t.Errorf("the command says %s, the gate %s", errs.String(), said)
			}
			return errs.String()
		}
		var doc struct{ Findings []match.Finding }
		if err := json.Unmarshal(out.Bytes(), &doc); err != nil {
			t.Fatal(err)
		}
		var want strings.Builder
		for _, f := range doc.Findings {
			fmt.Fprintf(&want, "%s %s %s %s: %s\n", f.Severity, f.Code, f.Photo, f.Point, f.Message)
		}
		if want.String() != string(said) {
			t.Errorf("the command finds\n%s\nthe gate\n%s", want.String(), said)
		}
		return want.String()
	}
	if !testing.Short() {
		agree(t, filepath.Join(dir, "port-velland"))
	}
	job := filepath.Join(dir, "tallow-creek")
	before := agree(t, job)
	file := filepath.Join(job, "phototie.toml")
	was, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	points, err := os.ReadFile(filepath.Join(job, "points.csv"))
	if err != nil {
		t.Fatal(err)
	}
	// A digit before each easting puts the points where no tag is.
	moved := bytes.ReplaceAll(points, []byte(",12"), []byte(",9912"))
	if err := os.WriteFile(filepath.Join(job, "moved.csv"), moved, 0o644); err != nil {
		t.Fatal(err)
	}
	told := map[string]bool{before: true}
	for i, c := range changed {
		if testing.Short() && i%5 != 0 {
			continue
		}
		t.Run(c.name, func(t *testing.T) {
			text := string(was) + "\n" + c.new
			if c.old != "" {
				if text = strings.Replace(string(was), c.old, c.new, 1); text == string(was) {
					t.Fatalf("the settings have no %q:\n%s", c.old, was)
				}
			}
			if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
			told[agree(t, job)] = true
		})
	}
	if len(told) < 3 {
		t.Errorf("the settings change nothing: %q", slices.Collect(func(yield func(string) bool) {
			for k := range told {
				if !yield(k) {
					return
				}
			}
		}))
	}
}
