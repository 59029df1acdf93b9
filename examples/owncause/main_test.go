package main

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"iter"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/sim"
)

// seeds are those of the jobs to draw: a few, and twenty with PHOTOTIE_FULL set.
func seeds(from, to uint64) iter.Seq[uint64] {
	if os.Getenv("PHOTOTIE_FULL") != "" {
		to = from + 19
	}
	return func(yield func(uint64) bool) {
		for s := from; s <= to && yield(s); s++ {
		}
	}
}

// explained draws a job, changes it and explains it.
func explained(t *testing.T, seed uint64, change func(*sim.Config), blunder func(*sim.Set)) (*sim.Set, *cause.Explanation) {
	t.Helper()
	cfg := sim.Default()
	cfg.Seed, cfg.Cameras, cfg.Days, cfg.DirectionShare = seed, 2, 2, 1
	if change != nil {
		change(&cfg)
	}
	set, err := sim.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	if blunder != nil {
		blunder(set)
	}
	res, err := set.Check(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	why, err := cause.Explain(t.Context(), cause.Input{Proj: set.Projection, Options: set.Options(), Result: res, Datums: []string{}}, causes()...)
	if err != nil {
		t.Fatal(err)
	}
	return set, why
}

// A lever arm that was planted is found with its figures, for the photos of its
// camera and no others.
func TestAntennaIsFound(t *testing.T) {
	for seed := range seeds(1, 2) {
		set, why := explained(t, seed, nil, func(s *sim.Set) {
			if err := plant(t.Context(), s, 1, -6, 5); err != nil {
				t.Fatal(err)
			}
		})
		// How good the tags are is a result, and accuses no photo.
		accusing := slices.DeleteFunc(slices.Clone(why.Causes), func(f cause.Found) bool { return f.Name == "accuracy-understated" })
		if len(accusing) != 1 || why.Causes[0].Name != "antenna-offset" {
			t.Errorf("seed %d: %+v", seed, why.Causes)
			continue
		}
		f := why.Causes[0]
		for k, want := range []float64{-6, 5} {
			if p := f.Params[k]; math.Abs(p.Value-want) > 4**p.StdErr {
				t.Errorf("seed %d: %s is %.2f ± %.2f, planted %g", seed, p.Name, p.Value, *p.StdErr, want)
			}
		}
		n := 0
		for i := range set.Photos {
			if set.Truth[i].Camera == 1 {
				n++
			}
		}
		if len(f.Photos) != n || !strings.Contains(f.Summary, " behind and ") || f.After.Counts[match.Gross] != 0 {
			t.Errorf("seed %d: %d photos of %d; %s; %v", seed, len(f.Photos), n, f.Summary, f.After)
		}
	}
}

// Honest noise has no lever arm, with directions stated or without a distance beside
// them, and a shift that is the same for all photos is not one either.
func TestAntennaIsNotAccused(t *testing.T) {
	for seed := range seeds(21, 22) {
		for name, blunder := range map[string]func(*sim.Set){
			"honest": nil,
			"no distances": func(s *sim.Set) {
				for i := range s.Photos {
					tag := *s.Photos[i].Tag
					tag.SubjectDistance = nil
					s.Photos[i].Tag = &tag
				}
			},
		} {
			if _, why := explained(t, seed, nil, blunder); len(why.Causes) != 0 {
				t.Errorf("seed %d, %s: %+v", seed, name, why.Causes)
			}
		}
	}
	_, why := explained(t, 5, func(c *sim.Config) { c.Plants = []sim.Plant{{Kind: sim.CommonShift, Rate: 1}} }, nil)
	if len(why.Causes) == 0 || why.Causes[0].Name == "antenna-offset" {
		t.Errorf("a common shift: %+v", why.Causes)
	}
}

func TestHeading(t *testing.T) {
	// Looking east: the right is south, and ahead is east.
	h := heading{1, 0}
	if got := h.turn(match.Vector{E: 2, N: 3}); math.Hypot(got.E-3, got.N+2) > 1e-12 {
		t.Errorf("2 m to the right and 3 m ahead, looking east: %+v", got)
	}
	for deg := range 360 {
		s, c := math.Sincos(float64(deg) * math.Pi / 180)
		v := match.Vector{E: 1.5, N: -0.25}
		if got := (heading{s, c}).back((heading{s, c}).turn(v)); math.Hypot(got.E-v.E, got.N-v.N) > 1e-12 {
			t.Errorf("%d°: there and back is %+v", deg, got)
		}
	}
}

// The list has each point and each photo once, with the causes and what was found.
func TestDrawnJob(t *testing.T) {
	var b bytes.Buffer
	if err := run(t.Context(), nil, &b); err != nil {
		t.Fatal(err)
	}
	for pattern, want := range map[string]int{
		`(?m)^## B\d+`:                          80,
		`(?m)^- \[[ x]\] `:                      200,
		`(?m)^1\. \*\*antenna-offset\*\*: the `: 1,
		`(?m)^   - arm (forward|right) `:        2,
		`(?m)^- \[ \] .*\(antenna-offset\)$`:    len(regexp.MustCompile(`\(antenna-offset\)`).FindAll(b.Bytes(), -1)),
	} {
		if got := len(regexp.MustCompile(pattern).FindAll(b.Bytes(), -1)); got != want || want == 0 {
			t.Errorf("%s: %d, want %d", pattern, got, want)
		}
	}
}

// hostile is what Markdown and HTML would take for their own.
const hostile = "*a* [b](http://c) <script>alert(1)</script> `d` | e # f\n# g & \u202e www.h.org @i"

// unescaped finds a sign that means something in Markdown and is not escaped.
var unescaped = regexp.MustCompile("(^|[^\\\\])[*_`<>\\[\\]|#&@]")

func TestText(t *testing.T) {
	got := text(hostile)
	if at := unescaped.FindString(got); at != "" || strings.ContainsAny(got, "\n\u202e") {
		t.Errorf("%q is left in %q", at, got)
	}
	if got := text("QA-0001 (north), 12 %"); got != `QA-0001 \(north\), 12 %` {
		t.Errorf("%q", got)
	}
}

func TestFolder(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, data []byte) {
		name = filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var photo bytes.Buffer
	if err := jpeg.Encode(&photo, image.NewGray(image.Rect(0, 0, 8, 8)), nil); err != nil {
		t.Fatal(err)
	}
	tagged, _, err := geotag.Rewrite(photo.Bytes(), geotag.Edit{Lat: 52.188271, Lon: -6.680190, HPositioningError: 3})
	if err != nil {
		t.Fatal(err)
	}
	write("phototie.toml", []byte("[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n"))
	write("points.csv", []byte("id,easting,northing,code,description\nB-01,690242.043,604873.007,BOL,*cast* iron\nB-02,690262.120,604878.790,,\n"))
	write("links.csv", []byte("photo,point\nphotos/a.jpg,B-01\n"))
	write("photos/a.jpg", tagged)
	write("photos/b_[x].jpg", photo.Bytes())
	var b bytes.Buffer
	if err := run(t.Context(), []string{dir}, &b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"\n## B-01 BOL \\*cast\\* iron\n\nE 690242.043 N 604873.007 m\n\n- [x] a\\.jpg: within, ",
		"\n## B-02\n\nE 690262.120 N 604878.790 m\n\nNo photo.\n",
		"\n## Photos without a point\n\n- [ ] b\\_\\[x\\]\\.jpg: unjudged\n  - warning: ",
	} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in\n%s", want, b.String())
		}
	}
	for _, args := range [][]string{{"a", "b"}, {filepath.Join(dir, "nowhere")}} {
		if err := run(t.Context(), args, &b); err == nil {
			t.Errorf("%v: no error", args)
		}
	}
}

// flat can't tell where north is.
type flat struct{ grid.Projection }

func TestWithoutDirections(t *testing.T) {
	_, why := explained(t, 3, func(c *sim.Config) { c.DirectionShare = 0 }, nil)
	if len(why.Causes) != 0 {
		t.Errorf("no photo states a direction: %+v", why.Causes)
	}
	got, err := antennaOffset{}.Propose(t.Context(), &cause.Evidence{Input: &cause.Input{Proj: flat{}}})
	if err != nil || got != nil {
		t.Errorf("a projection without convergence: %v, %v", got, err)
	}
	if s := fmt.Sprint(antennaOffset{}.Name()); s != "antenna-offset" {
		t.Error(s)
	}
}
