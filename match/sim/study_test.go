package sim_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/sim"
)

// still are the kinds that move neither tag nor point nor tie.
var still = []sim.Kind{sim.ClockOffset, sim.LeapSeconds, sim.HeightReference}

// Every scenario is planted as its name says, and moves the discrepancies of the
// photos concerned by more than twice the budget, most of them anyway.
func TestScenarios(t *testing.T) {
	all := sim.Scenarios(sim.Extents...)
	if len(all) < 60 {
		t.Fatalf("%d scenarios", len(all))
	}
	for _, s := range all {
		var concerned, beyond, lost int
		for seed := range uint64(3) {
			cfg := sim.Default()
			cfg.Seed = 100 + seed
			set := newSet(t, s.Config(cfg))
			if got := kinds(set); !slices.Equal(got, s.Kinds) {
				t.Fatalf("%s: planted %v", s, got)
			}
			p := set.Config.Plants[0]
			if strings.HasSuffix(s.Name, "one camera") != (p.Camera > 0) || strings.HasSuffix(s.Name, "one day") != (p.Day > 0) || strings.HasSuffix(s.Name, "one fifth") != (p.Rate == 0.2) {
				t.Errorf("%s: camera %d, day %d, rate %v", s, p.Camera, p.Day, p.Rate)
			}
			budget := set.Config.Budget()
			for _, i := range set.Planted[0].Photos {
				concerned++
				a, err := budget.Allowance(set.Photos[i].Tag, set.Points[set.Truth[i].Linked], nil, match.AllowanceOptions{})
				if err != nil {
					t.Fatal(err)
				}
				switch m := set.Truth[i].Moved; {
				case math.IsInf(m, 1):
					lost++
				case m > 2*a.Threshold:
					beyond++
				}
			}
		}
		switch {
		case slices.Contains(still, s.Kinds[0]):
			if beyond+lost > 0 {
				t.Errorf("%s: %d of %d photos moved", s, beyond+lost, concerned)
			}
		case float64(beyond+lost) < 0.6*float64(concerned):
			t.Errorf("%s: %d of %d photos moved by more than twice the budget, %d lost", s, beyond, concerned, lost)
		}
	}
}

// Scenarios are deterministic, and differ from seed to seed.
func TestScenarioSeeds(t *testing.T) {
	s, err := sim.NewScenario(sim.TagDatum, sim.OneCamera)
	if err != nil {
		t.Fatal(err)
	}
	cfg := sim.Default()
	a, b := s.Config(cfg), s.Config(cfg)
	if !reflect.DeepEqual(a, b) || cfg.Plants != nil {
		t.Errorf("%v, then %v", a.Plants, b.Plants)
	}
	cfg.Seed = 5
	if c := s.Config(cfg); reflect.DeepEqual(a.Plants, c.Plants) {
		t.Errorf("another seed plants the same: %v", c.Plants)
	}
	// The datum planted is one that the plane knows, beside others.
	plane := a.Projection.(*sim.Plane)
	if got := plane.Datums(); !slices.Equal(got, []string{"LOCAL 4", "LOCAL A", "LOCAL B", "LOCAL C"}) {
		t.Errorf("datums %v", got)
	}
	set := newSet(t, a)
	for _, i := range set.Planted[0].Photos {
		fix := grid.Fix{LatLon: grid.LatLon{Lat: set.Photos[i].Tag.Position.Lat, Lon: set.Photos[i].Tag.Position.Lon}, Frame: grid.Frame{Datum: "LOCAL 4"}}
		placed, err := plane.ToGrid(context.Background(), []grid.Fix{fix})
		tr := set.Truth[i]
		if err != nil || math.Hypot(placed[0].E-tr.Stood.E-tr.Noise.E, placed[0].N-tr.Stood.N-tr.Noise.N) > 0.01 {
			t.Fatalf("photo %d: in the datum planted it is at %v (%v), and was taken at %v", i, placed[0].EN, err, tr.Stood)
		}
	}
	late, err := sim.NewScenario(sim.LateRun, sim.Usual)
	if err != nil {
		t.Fatal(err)
	}
	runs := make(map[int]bool)
	for cfg.Seed = range 200 {
		runs[late.Config(cfg).Plants[0].Run] = true
	}
	for n := 8; n <= 16; n++ {
		if !runs[n] || len(runs) != 9 {
			t.Errorf("late runs of %v photos, want 8 to 16", runs)
			break
		}
	}
}

func TestParseScenario(t *testing.T) {
	for name, kinds := range map[string][]sim.Kind{
		"nothing":                       nil,
		"late-run":                      {sim.LateRun},
		" flipped-longitude , one day ": {sim.FlippedLongitude},
		"rounded-tags + wrong-tie":      {sim.RoundedTags, sim.WrongTie},
	} {
		s, err := sim.ParseScenario(name)
		if err != nil || !slices.Equal(s.Kinds, kinds) {
			t.Errorf("%q: %v, %v", name, s.Kinds, err)
		}
	}
	for _, s := range append(sim.Scenarios(sim.Extents...), sim.Honest()) {
		if got, err := sim.ParseScenario(s.Name); err != nil || got.Name != s.Name {
			t.Errorf("%q is read as %q, %v", s.Name, got.Name, err)
		}
	}
	for name, want := range map[string]string{
		"nonsense":                    `no kind of blunder "nonsense"`,
		"late-run, one camera":        "can't have the extent",
		"flipped-longitude, one week": `no extent "one week"`,
		"swapped-en, one fifth":       "can't have the extent",
		"":                            `no kind of blunder ""`,
	} {
		if _, err := sim.ParseScenario(name); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v, want %q", name, err, want)
		}
	}
}

// An explainer that knows the truth is right, and each way of being wrong counts
// as what it is.
func TestStudy(t *testing.T) {
	rows := []sim.Scenario{sim.Honest()}
	for _, name := range []string{"late-run", "flipped-longitude", "flipped-longitude + wrong-tie"} {
		s, err := sim.ParseScenario(name)
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, s)
	}
	base := sim.Default()
	base.Photos, base.Points, base.Seed = 40, 20, 50
	explain := func(_ context.Context, set *sim.Set) ([]string, error) {
		var names []string
		for _, k := range kinds(set) {
			names = append(names, string(k), string(k)) // twice is once
		}
		switch set.Config.Seed {
		case 53:
			names = append(names, "ghost")
		case 54:
			names = nil
		case 55:
			names = []string{"ghost"}
		}
		return names, nil
	}
	var calls atomic.Int32
	study := sim.Study{Base: base, Sets: 10, Explain: explain, Progress: func(done, all int) {
		if n := int(calls.Add(1)); n != done || all != 40 {
			t.Errorf("progress %d of %d at call %d", done, all, n)
		}
	}}
	got, err := study.Run(context.Background(), rows...)
	if err != nil {
		t.Fatal(err)
	}
	want := []sim.ConfusionRow{
		{Scenario: "nothing", Sets: 10, Found: 8, Exact: 8, Named: map[string]int{"ghost": 2}, Excess: []uint64{53, 55}},
		{Scenario: "late-run", Planted: []sim.Kind{sim.LateRun}, Sets: 10, Found: 8, Exact: 7,
			Named: map[string]int{"late-run": 8, "ghost": 2}, Missed: []uint64{54, 55}, Excess: []uint64{53, 55}},
		{Scenario: "flipped-longitude", Planted: []sim.Kind{sim.FlippedLongitude}, Sets: 10, Found: 8, Exact: 7,
			Named: map[string]int{"flipped-longitude": 8, "ghost": 2}, Missed: []uint64{54, 55}, Excess: []uint64{53, 55}},
		{Scenario: "flipped-longitude + wrong-tie", Planted: []sim.Kind{sim.FlippedLongitude, sim.WrongTie}, Sets: 10, Found: 8, Exact: 7,
			Named: map[string]int{"flipped-longitude": 8, "wrong-tie": 8, "ghost": 2}, Missed: []uint64{54, 55}, Excess: []uint64{53, 55}},
	}
	if !reflect.DeepEqual(got.Rows, want) {
		t.Errorf("rows\n%v, want\n%v", got.Rows, want)
	}
	if calls.Load() != 40 {
		t.Errorf("%d calls of Progress", calls.Load())
	}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	study.Progress = nil
	if one, err := study.Run(context.Background(), rows...); err != nil || !reflect.DeepEqual(one, got) {
		t.Errorf("one worker: %v, %v", one, err)
	}

	var text, js bytes.Buffer
	if err := got.WriteText(&text); err != nil {
		t.Fatal(err)
	}
	if want := `planted                       sets    found    exact   1  2  3  4
nothing                         10   80.0 %   80.0 %   .  .  .  2
late-run                        10   80.0 %   70.0 %   .  8  .  2
flipped-longitude               10   80.0 %   70.0 %   8  .  .  2
flipped-longitude + wrong-tie   10   80.0 %   70.0 %   8  .  8  2

named:
  1  flipped-longitude
  2  late-run
  3  wrong-tie
  4  ghost
`; text.String() != want {
		t.Errorf("text\n%s, want\n%s", text.String(), want)
	}
	if err := got.WriteJSON(&js); err != nil {
		t.Fatal(err)
	}
	var back sim.Confusion
	if err := json.Unmarshal(js.Bytes(), &back); err != nil || len(back.Rows) != 4 || back.Rows[3].Named["wrong-tie"] != 8 {
		t.Errorf("json %v: %s", err, js.String())
	}
}

func TestStudyErrors(t *testing.T) {
	ctx := context.Background()
	base := sim.Default()
	base.Photos, base.Points = 10, 5
	nothing := func(context.Context, *sim.Set) ([]string, error) { return nil, nil }
	if _, err := (sim.Study{Base: base, Explain: nothing}).Run(ctx); err == nil {
		t.Error("a study of no sets")
	}
	if _, err := (sim.Study{Base: base, Sets: 1}).Run(ctx); err == nil {
		t.Error("a study without an explainer")
	}
	stall := errors.New("stalled")
	_, err := sim.Study{Base: base, Sets: 50, Explain: func(_ context.Context, s *sim.Set) ([]string, error) {
		if s.Config.Seed == 7 {
			return nil, stall
		}
		return nil, nil
	}}.Run(ctx, sim.Honest())
	if !errors.Is(err, stall) || !strings.Contains(err.Error(), "nothing, seed 7") {
		t.Errorf("error %v", err)
	}
	done, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := (sim.Study{Base: base, Sets: 50, Explain: nothing}).Run(done, sim.Honest()); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	base.Photos = 0
	var ce *sim.ConfigError
	if _, err := (sim.Study{Base: base, Sets: 1, Explain: nothing}).Run(ctx, sim.Honest()); !errors.As(err, &ce) {
		t.Errorf("a config that can't be: %v", err)
	}
}
