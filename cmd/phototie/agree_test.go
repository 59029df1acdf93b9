package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"

	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
)

// changed has another value than the small example job's for every key of the settings.
// Some of them can't be, alone or together, which the two have to say alike.
var changed = map[string]string{
	"grid.crs":                              `"EPSG:2264"`,
	"site.name":                             `"bridge"`,
	"site.unit":                             `"m"`,
	"site.remarks":                          `"drawn"`,
	"site.kind":                             `"similarity"`,
	"site.direction":                        `"site-to-base"`,
	"[site.similarity]":                     `{target_origin = {e = 10.0, n = 20.0}, scale = 1.0, rotation_deg = 0.5}`,
	"[site.affine]":                         `{a0 = 1.0, a1 = 1.0, a2 = 0.0, b0 = 1.0, b1 = 0.0, b2 = 1.0}`,
	"[site.ground_scale]":                   `{origin = {e = 0.0, n = 0.0}, site_origin = {e = 0.0, n = 0.0}, combined_factor = 1.0001, unit_ratio = 1.0}`,
	"[site.vertical]":                       `{offset = 1.5}`,
	"site.accuracy_m":                       `0.05`,
	"site.height_accuracy_m":                `0.1`,
	"site.control":                          `"points.csv"`,
	"site.columns":                          `["id", "site_n", "site_e", "base_e", "base_n"]`,
	"site.separator":                        `";"`,
	"site.decimal":                          `","`,
	"site.sigma":                            `0.02`,
	"site.fit_heights":                      `"constant"`,
	"site.scale":                            `1.0`,
	"site.tolerance_m":                      `0.1`,
	"site.reject_outliers":                  `true`,
	"points.file":                           `"moved.csv"`,
	"points.columns":                        `["id", "easting", "northing", "-", "-"]`,
	"[points.fields]":                       `{id = "id"}`,
	"points.separator":                      `";"`,
	"points.decimal":                        `","`,
	"points.layer":                          `"other"`,
	"points.crs":                            `"EPSG:2264"`,
	"points.unit":                           `"m"`,
	"points.height_unit":                    `"m"`,
	"points.time_zone":                      `"America/New_York"`,
	"points.date_order":                     `"day-month"`,
	"points.epoch":                          `2010.0`,
	"links.file":                            `"points.csv"`,
	"links.columns":                         `["point", "photo"]`,
	"links.separator":                       `";"`,
	"links.only":                            `true`,
	"links.fill_down":                       `true`,
	"[links.fields]":                        `{photo = "photo", point = "point"}`,
	"links.decisions":                       `"points.csv"`,
	"photos.folder":                         `"."`,
	"frame.datum":                           `"NAD-83"`,
	"[frame.datums]":                        `{"WGS-84" = "EPSG:4269"}`,
	"frame.epoch":                           `2001.5`,
	"frame.allow_ballpark":                  `true`,
	"frame.ballpark_sigma_m":                `3.0`,
	"frame.operation":                       `"EPSG:9774"`,
	"frame.delivered":                       `"grid"`,
	"frame.delivered_epoch":                 `2010.0`,
	"frame.differential":                    `"NAD83(2011)"`,
	"[budget.devices]":                      `{"QC" = {handheld_m = 3.0, datum = "NAD83(2011)"}}`,
	"frame.forbid":                          `["EPSG:9755"]`,
	"heights.points":                        `"geoid"`,
	"heights.vertical_crs":                  `"EPSG:6360"`,
	"heights.tolerance_m":                   `1.0`,
	"heights.separation_m":                  `-32.0`,
	"heights.separation_accuracy_m":         `0.1`,
	"heights.frame":                         `"EPSG:6318"`,
	"heights.tags":                          `"ellipsoid"`,
	"heights.tag_sea_level":                 `"EGM96"`,
	"ties.field_order":                      `"linked-later"`,
	"ties.weigh":                            `false`,
	"ties.infer_untied":                     `true`,
	"ties.threshold":                        `0.8`,
	"budget.confidence":                     `0.68`,
	"budget.handheld_m":                     `2.0`,
	"budget.handheld_confidence":            `0.95`,
	"budget.error_confidence":               `0.95`,
	"budget.user_range_error_m":             `0.0`,
	"budget.point_sigma_m":                  `1.0`,
	"budget.frame_sigma_m":                  `1.0`,
	"budget.operation_confidence":           `0.95`,
	"budget.motion_sigma_m":                 `1.0`,
	"budget.standoff_m":                     `9.0`,
	"budget.max_subject_distance_m":         `0.0`,
	"budget.direction_sigma_deg":            `5.0`,
	"budget.gross_level":                    `0.2`,
	"budget.coarse_m":                       `3.0`,
	"[accuracy]":                            `{"QM7-004417" = 3.0}`,
	"[photo_requirements]":                  `{markup_suffixes = ["x"]}`,
	"photo_requirements.default.min_photos": `3`,
	"photo_requirements.default.min_long_side_px":  `4000`,
	"photo_requirements.default.min_short_side_px": `3000`,
	"photo_requirements.default.min_quality":       `99`,
	"photo_requirements.default.max_blur_px":       `0.5`,
	"photo_requirements.default.max_clipped":       `0.01`,
	"photo_requirements.markup_suffixes":           `["y"]`,
	"label.title":                                  `"{code}"`,
	"label.description":                            `"{description}"`,
	"label.keywords":                               `["quay"]`,
	"record.title":                                 `"A"`,
	"record.client":                                `"B"`,
	"record.surveyor":                              `"C"`,
	"record.reference":                             `"D"`,
	"record.dates":                                 `"E"`,
	"record.equipment":                             `"F"`,
	"record.vertical_reference":                    `"G"`,
	"record.logo":                                  `"logo.png"`,
}

// hides are the keys that are drawn apart from the others.
var hides = regexp.MustCompile(`site|file|folder|layer|columns|separator|decimal|fields|points\.crs|links\.decisions|heights\.(frame|vertical|tag_|separation)|allow_ballpark|grid\.crs`)

// TestGateAgrees: examples/gate, which a stranger follows, finds what phototie check
// finds, finding by finding, on both example jobs and with every setting changed.
func TestGateAgrees(t *testing.T) {
	dir := t.TempDir()
	gate := filepath.Join(dir, "gate")
	if out, err := exec.Command("go", "build", "-o", gate, "../../examples/gate").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"demo", "--job", "tallow-creek", filepath.Join(dir, "tallow-creek")}, &out, &errs); code != exitOK {
		t.Fatal(errs.String())
	}
	if err := copyExample(filepath.Join(dir, "port-velland")); err != nil {
		t.Fatal(err)
	}
	agree := func(t *testing.T, job string) string {
		t.Helper()
		var out, errs bytes.Buffer
		code := run(t.Context(), []string{"check", "--format", "json", job}, &out, &errs)
		said, err := exec.Command(gate, job).CombinedOutput()
		if code > exitFindings {
			if err == nil || !strings.Contains(string(said), strings.TrimSpace(strings.ReplaceAll("\n"+errs.String(), "\nphototie: ", "\n"))) {
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
	set := func(t *testing.T, keys []string) {
		doc := map[string]any{}
		if err := toml.Unmarshal(was, &doc); err != nil {
			t.Fatal(err)
		}
		for _, key := range keys {
			change(t, doc, key)
		}
		text, err := toml.Marshal(doc)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, text, 0o644); err != nil {
			t.Fatal(err)
		}
		told[agree(t, job)] = true
	}
	// Keys that mostly can't be without others hide what the rest change, and are drawn
	// apart from them.
	var keys, hard []string
	for _, s := range dataset.Reference {
		if _, ok := changed[s.Key]; !ok {
			t.Errorf("the test has no other value for %s", s.Key)
			continue
		}
		if hides.MatchString(s.Key) {
			hard = append(hard, s.Key)
		} else {
			keys = append(keys, s.Key)
		}
	}
	if len(changed) != len(dataset.Reference) {
		t.Errorf("%d keys are changed, %d are in the reference", len(changed), len(dataset.Reference))
	}
	// Some keys at a time, each key once: by default eight, with PHOTOTIE_FULL=1 each by
	// itself, and then ten times four that are drawn anew.
	rng := rand.New(rand.NewPCG(1, 2))
	size, rounds := 8, 1
	if os.Getenv("PHOTOTIE_FULL") != "" {
		size, rounds = 1, 11
	} else if testing.Short() {
		size = 20
	}
	for range rounds {
		for _, list := range [][]string{keys, hard} {
			rng.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
			for group := range slices.Chunk(list, size) {
				t.Run(strings.Join(group, ","), func(t *testing.T) { set(t, group) })
			}
		}
		size = 4
	}
	if len(told) < 8 {
		t.Errorf("the settings change nothing: %d results differ", len(told))
	}
}

// change sets a key of the settings to its changed value, in its tables.
func change(t *testing.T, doc map[string]any, key string) {
	t.Helper()
	var value struct{ V any }
	if err := toml.Unmarshal([]byte("v = "+changed[key]), &value); err != nil {
		t.Fatalf("%s = %s: %v", key, changed[key], err)
	}
	path := strings.Split(strings.Trim(key, "[]"), ".")
	for _, k := range path[:len(path)-1] {
		next, ok := doc[k].(map[string]any)
		if !ok {
			next = map[string]any{}
			doc[k] = next
		}
		doc = next
	}
	doc[path[len(path)-1]] = value.V
}
