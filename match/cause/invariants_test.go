package cause_test

import (
	"slices"
	"testing"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/sim"
	"example.com/phototie/match/sim/field"
)

// fieldJob explains a job of the second generator.
func fieldJob(t *testing.T, seed uint64, cfg field.Config) (*field.Job, *match.Result, *cause.Explanation) {
	t.Helper()
	j := field.New(seed, cfg)
	res, err := j.Check(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	x, err := cause.Explain(t.Context(), cause.Input{Proj: j.Grid, Options: j.Options, Result: res, Open: j.Open})
	if err != nil {
		t.Fatal(err)
	}
	return j, res, x
}

// What holds of every explanation, whatever is wrong with the job. Jobs are those of
// the second generator, with each of its blunders and with none: one each, and with
// PHOTOTIE_FULL=1 three.
func TestInvariants(t *testing.T) {
	inFull(t)
	inFeet := []string{"wrong-feet", "metres-for-feet"}
	for _, blunder := range append(field.Blunders(), "") {
		last := uint64(9001)
		if full() {
			last = 9003
		}
		for seed := uint64(9001); seed <= last; seed++ {
			cfg := field.Config{Photos: 60}
			if blunder != "" {
				cfg.Blunders = []string{blunder}
			}
			j, res, x := fieldJob(t, seed, cfg)
			tag := make(map[grid.LatLon]map[string]bool) // the points that a tag was written for
			at := make(map[string]*match.PhotoResult)
			for i := range res.Photos {
				p := &res.Photos[i]
				at[p.Name] = p
				if p.Tag != nil && p.Tag.Position != nil && p.Tie != nil {
					k := grid.LatLon{Lat: p.Tag.Position.Lat, Lon: p.Tag.Position.Lon}
					if tag[k] == nil {
						tag[k] = make(map[string]bool)
					}
					tag[k][p.Tie.Point] = true
				}
			}
			for _, f := range x.Causes {
				if !(f.Weight.Score > 5) {
					t.Errorf("%s, seed %d: %s has a score of %.1f", blunder, seed, f.Name, f.Weight.Score)
				}
				if f.Summary == "" || f.Remedy == "" || len(f.Photos) == 0 {
					t.Errorf("%s, seed %d: %s without words or photos", blunder, seed, f.Name)
				}
				if f.Before.Counts[match.Within] > f.After.Counts[match.Within]+f.After.Counts[match.Unjudged] {
					t.Errorf("%s, seed %d: %s makes more photos worse: %v, then %v", blunder, seed, f.Name, f.Before.Counts, f.After.Counts)
				}
				if slices.Contains(inFeet, f.Name) && j.Grid.Grid().Unit == grid.Metre {
					t.Errorf("%s, seed %d: %s on a grid in metres", blunder, seed, f.Name)
				}
				if f.Fix == nil {
					continue
				}
				for _, l := range f.Fix.Links {
					p := at[l.Photo].Tag.Position
					if n := len(tag[grid.LatLon{Lat: p.Lat, Lon: p.Lon}]); n > 3 {
						t.Errorf("%s, seed %d: %s proposes a link for %s, whose tag stands for %d points", blunder, seed, f.Name, l.Photo, n)
					}
				}
			}
			if len(x.Stops()) == 0 && slices.ContainsFunc(x.Causes, func(f cause.Found) bool { return f.AllPoints || f.Name == "wrong-grid" }) {
				t.Errorf("%s, seed %d: all points are wrong and nothing stops writing", blunder, seed)
			}
		}
	}
}

// Jobs of five photos, all points shifted alike, get no name.
func TestTooFewPhotos(t *testing.T) {
	few := 0
	for seed := uint64(9101); seed <= 9110; seed++ {
		_, res, x := fieldJob(t, seed, field.Config{Photos: 5, Blunders: []string{"common-shift"}})
		for _, f := range x.Causes {
			if f.Moves && len(res.Photos) < 8 {
				t.Errorf("seed %d: %s of %d photos", seed, f.Summary, len(res.Photos))
			}
		}
		if x.TooFew {
			few++
		}
	}
	if few == 0 {
		t.Error("no job says that it has too few photos")
	}
}

// simulated explains a set of package sim after a change.
func simulated(t *testing.T, change func(*sim.Config), edit func(*sim.Set)) *cause.Explanation {
	t.Helper()
	cfg := sim.Default()
	cfg.Seed = 9201
	change(&cfg)
	set, err := sim.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	if edit != nil {
		edit(set)
	}
	x, err := explain(t.Context(), set, []string{})
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// One photo's tag copied onto scattered others votes for no link: it is named, and
// the links stand.
func TestCopiedTagsVoteForNothing(t *testing.T) {
	x := simulated(t, func(*sim.Config) {}, func(s *sim.Set) {
		for i := 3; i < len(s.Photos); i += 9 {
			tag := *s.Photos[i].Tag
			p := *s.Photos[100].Tag.Position
			tag.Position = &p
			s.Photos[i].Tag = &tag
		}
	})
	if len(x.Causes) != 1 || x.Causes[0].Name != "repeated-tag" || x.Causes[0].Fix != nil || len(x.Causes[0].Photos) < 15 {
		t.Errorf("%+v", x.Causes)
	}
}

// A clock's error is told from the times of fixes to the second, whatever it is modulo
// a quarter of an hour. An ordinary clock that is slow by about the leap seconds gets
// no name.
func TestClocks(t *testing.T) {
	inFull(t)
	for _, c := range []struct {
		off    time.Duration
		stated bool
		want   float64 // 0 for none
	}{
		{-917 * time.Second, false, -917}, {-941 * time.Second, false, -941}, {-941 * time.Second, true, -941},
		{-2717 * time.Second, true, -2717}, {-17 * time.Second, false, 0}, {-18 * time.Second, true, 0},
		{300 * time.Second, false, 300}, {40 * time.Second, true, 0}, {26 * time.Hour, true, 93600},
	} {
		x := simulated(t, func(cfg *sim.Config) {
			cfg.ClockOffsets, cfg.OffsetStated, cfg.GPSTime, cfg.Zone = []time.Duration{c.off}, c.stated, true, time.Hour
		}, nil)
		switch {
		case c.want == 0:
			if len(x.Causes) != 0 {
				t.Errorf("off by %v: %s", c.off, x.Causes[0].Summary)
			}
		case len(x.Causes) != 1 || x.Causes[0].Name != "clock-offset":
			t.Errorf("off by %v: %+v", c.off, x.Causes)
		default:
			if v := x.Causes[0].Params[0].Value; v < c.want-2 || v > c.want+2 {
				t.Errorf("off by %v, stated %v: found %v s", c.off, c.stated, v)
			}
		}
	}
}

// Points of another projection, hundreds of kilometres off, are no common shift.
func TestWrongGrid(t *testing.T) {
	inFull(t)
	x := simulated(t, func(*sim.Config) {}, func(s *sim.Set) {
		for i := range s.Points {
			p := &s.Points[i]
			e, n := p.E-500000, p.N-5780000
			p.E, p.N = 600000+0.9996*e-0.03*n, 250000+0.9996*n+0.03*e
		}
	})
	if len(x.Causes) != 1 || x.Causes[0].Name != "wrong-grid" {
		t.Fatalf("%+v", x.Causes)
	}
	if s := x.Stops(); len(s) != 1 || s[0].Kind != cause.StopGrid {
		t.Errorf("stops %+v", s)
	}
}

// Errors larger than stated are named with their factor and its interval, and verdicts
// follow; honest ones are not, and a blunder among them is not hidden.
func TestAccuracyUnderstated(t *testing.T) {
	inFull(t)
	larger := func(by float64) func(*sim.Config) {
		return func(cfg *sim.Config) { cfg.Noise.Radius95 *= by }
	}
	state := func(s *sim.Set) {
		for i := range s.Photos {
			tag := *s.Photos[i].Tag
			r := 3.1 // a 68 % radius, for 5 m at 95 %
			tag.HPositioningError = &r
			s.Photos[i].Tag = &tag
		}
	}
	if x := simulated(t, larger(1), state); len(x.Causes) != 0 {
		t.Errorf("honest: %+v", x.Causes)
	}
	x := simulated(t, larger(2.5), state)
	k := slices.IndexFunc(x.Causes, func(f cause.Found) bool { return f.Name == "accuracy-understated" })
	if k < 0 {
		t.Fatalf("%+v", x.Causes)
	}
	f := x.Causes[k]
	if low, high := f.Params[1].Value, f.Params[2].Value; low > 2.9 || high < 2.2 {
		t.Errorf("factor %+v", f.Params)
	}
	if f.After.Counts[match.Within] <= f.Before.Counts[match.Within] || len(f.Fix.Settings) != 1 {
		t.Errorf("%v, then %v; %+v", f.Before.Counts, f.After.Counts, f.Fix)
	}
	x = simulated(t, func(cfg *sim.Config) {
		larger(2.5)(cfg)
		cfg.Plants = []sim.Plant{{Kind: sim.FlippedLongitude, Rate: 0.1}}
	}, state)
	if !slices.ContainsFunc(x.Causes, func(f cause.Found) bool { return f.Name == "flipped-longitude" }) {
		t.Errorf("the flip is hidden: %+v", x.Causes)
	}
}

// Tags too coarse to judge, as those of a cell tower with an error of a kilometre, are
// evidence for nothing: no datum is read out of them.
func TestCoarseTagsAreNoEvidence(t *testing.T) {
	for _, seed := range []uint64{2, 5} {
		_, res, x := fieldJob(t, seed, field.Config{Blunders: []string{"tower-position"}})
		coarse := map[string]bool{}
		for i := range res.Photos {
			if res.Photos[i].Reason == match.ReasonCoarse {
				coarse[res.Photos[i].Name] = true
			}
		}
		if len(coarse) == 0 {
			t.Fatalf("seed %d: no tag is too coarse", seed)
		}
		for _, f := range x.Causes {
			if f.Name == "tag-datum" {
				t.Errorf("seed %d: %s: %s", seed, f.Name, f.Summary)
			}
		}
	}
}
