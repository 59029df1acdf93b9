package cause_test

import (
	"context"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/sim"
)

// draw draws a set of a scenario. The plane knows the datums that were planted,
// by a name, beside others.
func draw(sc sim.Scenario, base sim.Config) (*sim.Set, []string, error) {
	cfg := sc.Config(base)
	plane := sim.DefaultPlane()
	if p, ok := cfg.Projection.(*sim.Plane); ok {
		plane = p
	}
	datums := []string{}
	for i, p := range cfg.Plants {
		if p.Kind != sim.TagDatum && p.Kind != sim.PointDatum {
			continue
		}
		name := fmt.Sprintf("LOCAL %d", i)
		plane = plane.WithDatum(name, p.Shift)
		datums = append(datums, name)
	}
	for i, s := range []match.Vector{{E: 87, N: -96}, {E: -120, N: 35}, {E: 1, N: -1}} {
		name := fmt.Sprintf("OTHER %d", i)
		plane = plane.WithDatum(name, s)
		datums = append(datums, name)
	}
	cfg.Projection = plane
	set, err := sim.New(cfg)
	return set, datums, err
}

func explain(ctx context.Context, set *sim.Set, datums []string) (*cause.Explanation, error) {
	res, err := set.Check(ctx)
	if err != nil {
		return nil, err
	}
	in := cause.Input{Proj: set.Projection, Result: res, Options: set.Options(), Datums: datums}
	if p, ok := set.Projection.(*sim.Plane); ok {
		in.Neighbours = []grid.Projection{p.Zone(-1), p.Zone(1)}
	}
	return cause.Explain(ctx, in)
}

// row is what came of the sets of one scenario.
type row struct {
	name               string
	sets, found, exact int
	named              map[string]int
	missed, excess     []uint64
}

// study runs scenarios over seeds.
func study(t testing.TB, base sim.Config, first uint64, sets int, scenarios []sim.Scenario) []row {
	t.Helper()
	rows := make([]row, len(scenarios))
	for i, sc := range scenarios {
		rows[i] = row{name: sc.Name, named: make(map[string]int)}
	}
	type job struct {
		scenario int
		seed     uint64
	}
	jobs := make(chan job)
	var wg sync.WaitGroup
	var mu sync.Mutex
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for j := range jobs {
				cfg := base
				cfg.Seed = j.seed
				sc := scenarios[j.scenario]
				set, datums, err := draw(sc, cfg)
				if err != nil {
					if len(sc.Kinds) > 1 {
						continue // the two have no room beside one another
					}
					t.Errorf("%s, seed %d: %v", sc.Name, j.seed, err)
					continue
				}
				x, err := explain(t.Context(), set, datums)
				if err != nil {
					t.Errorf("%s, seed %d: %v", sc.Name, j.seed, err)
					continue
				}
				mu.Lock()
				rows[j.scenario].add(sc, j.seed, x)
				mu.Unlock()
			}
		})
	}
	for i := range scenarios {
		for s := range sets {
			jobs <- job{i, first + uint64(s)}
		}
	}
	close(jobs)
	wg.Wait()
	return rows
}

func (r *row) add(sc sim.Scenario, seed uint64, x *cause.Explanation) {
	r.sets++
	var names []string
	for _, f := range x.Causes {
		if !slices.Contains(names, f.Name) {
			names = append(names, f.Name)
			r.named[f.Name]++
		}
	}
	found, excess := true, false
	for _, k := range sc.Kinds {
		found = found && slices.Contains(names, string(k))
	}
	for _, n := range names {
		excess = excess || !slices.Contains(sc.Kinds, sim.Kind(n))
	}
	if found {
		r.found++
	} else {
		r.missed = append(r.missed, seed)
	}
	if excess {
		r.excess = append(r.excess, seed)
	} else if found {
		r.exact++
	}
}

func (r row) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%-50s %4d sets, found %5.1f %%, exact %5.1f %%:", r.name, r.sets, 100*float64(r.found)/float64(r.sets), 100*float64(r.exact)/float64(r.sets))
	keys := make([]string, 0, len(r.named))
	for k := range r.named {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		fmt.Fprintf(&b, " %s %d", k, r.named[k])
	}
	cut := func(s []uint64) []uint64 { return s[:min(6, len(s))] }
	if len(r.missed) > 0 {
		fmt.Fprintf(&b, "; missed %v", cut(r.missed))
	}
	if len(r.excess) > 0 {
		fmt.Fprintf(&b, "; excess %v", cut(r.excess))
	}
	return b.String()
}

// TestTune prints what PHOTOTIE_STUDY asks for: scenarios with a semicolon between
// ("usual", "extents" and "pairs" stand for many), and after an @ the number of
// sets and the first seed.
func TestTune(t *testing.T) {
	spec := os.Getenv("PHOTOTIE_STUDY")
	if spec == "" {
		t.Skip("set PHOTOTIE_STUDY to see a study")
	}
	what, size, _ := strings.Cut(spec, "@")
	sets, first := 4, uint64(1000)
	if a, b, ok := strings.Cut(size, ","); size != "" {
		sets, _ = strconv.Atoi(a)
		if ok {
			first, _ = strconv.ParseUint(b, 10, 64)
		}
	}
	var list []sim.Scenario
	for _, name := range strings.Split(what, ";") {
		switch name {
		case "usual":
			list = append(list, sim.Scenarios()...)
		case "extents":
			list = append(list, sim.Scenarios(sim.Extents[1:]...)...)
		case "pairs":
			all := sim.Scenarios()
			for i, a := range all {
				for _, b := range all[i+1:] {
					list = append(list, a.And(b))
				}
			}
		default:
			s, err := sim.ParseScenario(name)
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, s)
		}
	}
	base := sim.Default()
	if v := os.Getenv("PHOTOTIE_STATED"); v != "" {
		base.Noise.Stated = sim.Stated(v)
	}
	all := true
	for _, r := range study(t, base, first, sets, list) {
		if os.Getenv("PHOTOTIE_BAD") == "" || r.exact < r.sets {
			t.Log(r)
		}
		all = all && r.found == r.sets
	}
	_ = all
}

// TestShow prints the explanation of one set: PHOTOTIE_SHOW=scenario@seed.
func TestShow(t *testing.T) {
	spec := os.Getenv("PHOTOTIE_SHOW")
	if spec == "" {
		t.Skip("set PHOTOTIE_SHOW to see an explanation")
	}
	what, s, _ := strings.Cut(spec, "@")
	sc, err := sim.ParseScenario(what)
	if err != nil {
		t.Fatal(err)
	}
	seed, _ := strconv.ParseUint(s, 10, 64)
	base := sim.Default()
	base.Seed = seed
	set, datums, err := draw(sc, base)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range set.Planted {
		cfg := set.Config.Plants
		t.Logf("planted %s in %d photos: %+v", p.Kind, len(p.Photos), cfg)
	}
	x, err := explain(t.Context(), set, datums)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("before %v after %v", x.Before, x.After)
	for _, f := range x.Causes {
		t.Logf("%s: %s. %s\n  %v %+v\n  %v -> %v\n %+v", f.Name, f.Summary, f.Remedy, f.Params, f.Weight, f.Before, f.After, f.Group)
	}
	t.Logf("unexplained: %v", x.Unexplained)
}
