package cause_test

import (
	"context"
	"os"
	"slices"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset/demo"
	"example.com/phototie/match/sim"
)

// full says that the long forms of tests are wanted.
func full() bool { return os.Getenv("PHOTOTIE_FULL") != "" }

// named gives the names of the causes found in one set.
func named(t *testing.T, sc sim.Scenario, seed uint64) []string {
	t.Helper()
	base := sim.Default()
	base.Seed = seed
	if !full() {
		base.Photos, base.Points = 150, 60
	}
	set, datums, err := draw(sc, base)
	if err != nil {
		t.Fatal(err)
	}
	x, err := explain(t.Context(), set, datums)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, f := range x.Causes {
		if f.Summary == "" || f.Remedy == "" || f.Weight.Score < 4 {
			t.Errorf("%s, seed %d: a cause without words or weight: %+v", sc.Name, seed, f)
		}
		names = append(names, f.Name)
	}
	return names
}

// inFull skips a test with -short: more jobs meet nothing new where goroutines do.
func inFull(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("runs without -short")
	}
}

// Every blunder is named in a job that has it and nothing else. One seed each, of jobs of
// 150 photos, keeps this quick; PHOTOTIE_FULL=1 takes those of the usual size, and
// examples/simulate draws the full table.
func TestEachBlunderIsNamed(t *testing.T) {
	inFull(t)
	for _, sc := range sim.Scenarios() {
		if len(sc.Kinds) == 0 {
			continue
		}
		names := named(t, sc, 940001)
		for _, k := range sc.Kinds {
			if !slices.ContainsFunc(names, func(n string) bool { return same(sc, k, n) }) {
				t.Errorf("%s: named were %v", sc.Name, names)
			}
		}
	}
}

// Honest jobs get no cause. A rate of 1 % would put one in 20 sets with
// probability 0.18 and three or more with under 0.001; with PHOTOTIE_FULL=1, five or more
// in 60 with under 0.001.
func TestHonestJobsGetNoCause(t *testing.T) {
	accused, most := 0, 2
	last := uint64(950020)
	if full() {
		most, last = 4, 950060
	}
	for seed := uint64(950001); seed <= last; seed++ {
		if names := named(t, sim.Scenario{Name: "nothing"}, seed); len(names) > 0 {
			accused++
			t.Logf("seed %d: %v", seed, names)
		}
	}
	if accused > most {
		t.Errorf("%d of %d honest jobs were given a cause", accused, last-950000)
	}
}

// The example job: exactly the three causes that were planted in tags and links,
// each with exactly the photos it was planted in, on the real grid.
func TestPortVelland(t *testing.T) {
	inFull(t)
	ctx := context.Background()
	itm, err := crs.Open("EPSG:2157")
	if err != nil {
		t.Fatal(err)
	}
	job, err := demo.PortVelland(ctx, itm, 1)
	if err != nil {
		t.Fatal(err)
	}
	// The points as they were surveyed stand in the job's own file; what the job
	// knows of its photos is enough to go without drawing them.
	res, opt := checked(t, itm, job)
	x, err := cause.Explain(ctx, cause.Input{Proj: itm, Options: opt, Result: res,
		Open: func(s string) (grid.Projection, error) { return crs.Open(s) }})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]string{}
	for _, p := range job.Planted {
		switch p.Kind {
		case demo.LateRun:
			want["late-run"] = p.Photos
		case demo.FrozenFix:
			want["frozen-fix"] = p.Photos
		case demo.FlippedLongitude:
			want["flipped-longitude"] = p.Photos
		}
	}
	for _, f := range x.Causes {
		planted, ok := want[f.Name]
		if !ok {
			t.Errorf("a cause that was not planted: %s", f.Summary)
			continue
		}
		a, b := slices.Sorted(slices.Values(f.Photos)), slices.Sorted(slices.Values(planted))
		if !slices.Equal(a, b) {
			t.Errorf("%s: photos %v, planted %v", f.Name, a, b)
		}
		delete(want, f.Name)
		if f.Name == "late-run" {
			if f.Fix == nil || len(f.Fix.Links) != len(planted) {
				t.Fatalf("no proposal for the links: %+v", f.Fix)
			}
			shows := map[string]string{}
			for _, p := range job.Photos {
				shows[p.Name] = p.Shows
			}
			for _, l := range f.Fix.Links {
				if l.Point != shows[l.Photo] {
					t.Errorf("proposed for %s: %s, it shows %s", l.Photo, l.Point, shows[l.Photo])
				}
			}
		}
	}
	for name := range want {
		t.Errorf("%s was planted and not found", name)
	}
}

// checked draws the photos' headers of a demo job and checks it.
func checked(t *testing.T, proj grid.Projection, job *demo.Job) (*match.Result, match.Options) {
	t.Helper()
	points, links := tables(t, job)
	var photos []match.Photo
	for i := range job.Photos {
		p := &job.Photos[i]
		tag, err := geotag.ReadBytes(p.Exif())
		photos = append(photos, match.Photo{Name: p.Name, Tag: tag, Err: err})
	}
	res, err := match.Check(t.Context(), proj, points, links, match.All(photos), match.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return res, match.Options{}
}

// shout is a cause of a caller's own: tags whose camera calls itself by a name.
type shout struct{ model string }

func (s shout) Name() string { return "wrong-camera" }

func (s shout) Propose(_ context.Context, e *cause.Evidence) ([]cause.Hypothesis, error) {
	return nil, nil
}

// A caller's cause is asked, and one that proposes nothing changes nothing.
func TestOwnCause(t *testing.T) {
	set, datums, err := draw(sim.Scenario{Name: "nothing"}, sim.Default())
	if err != nil {
		t.Fatal(err)
	}
	res, err := set.Check(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	x, err := cause.Explain(t.Context(), cause.Input{Proj: set.Projection, Result: res, Options: set.Options(), Datums: datums},
		append(cause.Default(), shout{"X"})...)
	if err != nil || len(x.Causes) != 0 {
		t.Errorf("%+v, %v", x, err)
	}
}
