package sim_test

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/sim"
)

func newSet(t testing.TB, cfg sim.Config) *sim.Set {
	t.Helper()
	set, err := sim.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return set
}

// The same Config gives the same Set, another seed another.
func TestDeterminism(t *testing.T) {
	for _, layout := range []sim.Layout{sim.Line, sim.Plots, sim.Road} {
		cfg := sim.Default()
		cfg.Layout, cfg.Cameras, cfg.Days, cfg.Shuffle, cfg.NoPointShare, cfg.NameShare = layout, 3, 2, true, 0.1, 0.5
		cfg.Plants = []sim.Plant{{Kind: sim.LateRun}, {Kind: sim.WrongTie, Count: 4}, {Kind: sim.NullIsland}}
		a, b := newSet(t, cfg), newSet(t, cfg)
		if !reflect.DeepEqual(a, b) {
			t.Errorf("%s: two draws differ", layout)
		}
		cfg.Seed++
		if c := newSet(t, cfg); reflect.DeepEqual(a.Points, c.Points) || reflect.DeepEqual(a.Truth, c.Truth) {
			t.Errorf("%s: another seed draws the same", layout)
		}
	}
}

// The draw of a seed stays what it is, so that figures quoted by seed can be
// drawn again. If this fails and the change is meant, such figures are void.
func TestDrawIsStable(t *testing.T) {
	cfg := sim.Default()
	cfg.Seed = 1
	cfg.Plants = []sim.Plant{{Kind: sim.LateRun}}
	set := newSet(t, cfg)
	h := fnv.New64a()
	for i, p := range set.Photos {
		// Metres and seconds: the last bits may differ between machines.
		at := p.Tag.Position
		fmt.Fprintf(h, "%s %.5f %.5f %s %d\n", p.Name, at.Lat, at.Lon, p.Tag.Taken.Time.Format(time.RFC3339), set.Truth[i].Linked)
	}
	if got, want := fmt.Sprintf("%x", h.Sum64()), "3fd47be0dab75efd"; got != want {
		t.Errorf("the draw of seed 1 has the sum %s, it was %s", got, want)
	}
}

// The truth agrees with what is given, in all layouts and field orders.
func TestTruth(t *testing.T) {
	configs := map[string]func(*sim.Config){
		"default":          func(*sim.Config) {},
		"plots":            func(c *sim.Config) { c.Layout, c.Cameras, c.Days = sim.Plots, 2, 3 },
		"road":             func(c *sim.Config) { c.Layout, c.Spacing, c.Speed = sim.Road, 400, 10 },
		"together":         func(c *sim.Config) { c.Cameras, c.Together = 3, true },
		"point-then-photo": func(c *sim.Config) { c.FieldOrder = sim.PointThenPhoto },
		"photo-then-point": func(c *sim.Config) { c.FieldOrder = sim.PhotoThenPoint },
		"linked-later":     func(c *sim.Config) { c.FieldOrder = sim.LinkedLater },
		"wild":             func(c *sim.Config) { c.NoPointShare = 0.2 },
		"forgotten":        func(c *sim.Config) { c.NoLinkShare = 0.3 },
		"few":              func(c *sim.Config) { c.Photos = 30 },
		"one":              func(c *sim.Config) { c.Photos, c.Points = 1, 1 },
		"feet": func(c *sim.Config) {
			c.Projection = newPlane(t, grid.LatLon{Lat: 40.7, Lon: -74}, grid.EN{E: 2e6, N: 7e5}, grid.USSurveyFoot)
		},
		"shuffled": func(c *sim.Config) { c.Shuffle, c.Cameras = true, 2 },
	}
	for name, adapt := range configs {
		t.Run(name, func(t *testing.T) {
			cfg := sim.Default()
			adapt(&cfg)
			set := newSet(t, cfg)
			if len(set.Photos) != cfg.Photos || len(set.Points) != cfg.Points || len(set.Truth) != cfg.Photos || len(set.Survey) != cfg.Points {
				t.Fatalf("%d photos with %d truths of %d points and %d in the survey", len(set.Photos), len(set.Truth), len(set.Points), len(set.Survey))
			}
			unit := set.Projection.Grid().Unit.Metres
			links := make(map[string]string)
			for _, l := range set.Links {
				if links[l.Photo] != "" {
					t.Errorf("%s has two links", l.Photo)
				}
				links[l.Photo] = l.Point
			}
			fixes := make([]grid.Fix, len(set.Photos))
			names := make(map[string]bool)
			none, unlinked := 0, 0
			for i, p := range set.Photos {
				tr := set.Truth[i]
				names[p.Name] = true
				if *p.Tag.Position != tr.Clean || tr.Moved != 0 || tr.Planted != nil {
					t.Errorf("%s was touched", p.Name)
				}
				fixes[i] = grid.Fix{LatLon: grid.LatLon{Lat: tr.Clean.Lat, Lon: tr.Clean.Lon}}
				if tr.Linked != tr.Point {
					unlinked++
				}
				want := ""
				if tr.Linked >= 0 {
					want = set.Points[tr.Linked].ID
				}
				if links[p.Name] != want {
					t.Errorf("%s is linked to %q, the truth says %q", p.Name, links[p.Name], want)
				}
				if tr.Point < 0 {
					none++
					continue
				}
				pt := set.Survey[tr.Point]
				if d := math.Hypot(tr.Stood.E-pt.E, tr.Stood.N-pt.N) * unit; d < cfg.Standoff*5/6-1e-6 || d > cfg.Standoff*7/6+1e-6 {
					t.Errorf("%s was taken from %.3f m", p.Name, d)
				}
				after := tr.Taken.Sub(pt.Observed)
				if cfg.FieldOrder == sim.PointThenPhoto && after < 0 || cfg.FieldOrder == sim.PhotoThenPoint && after > 0 || after.Abs() > time.Hour {
					t.Errorf("%s was taken %v after its point", p.Name, after)
				}
				if at := p.Tag.Taken.Time; !at.Equal(tr.Taken) {
					t.Errorf("%s was taken %v, and says %v", p.Name, tr.Taken, at)
				}
				if tr.Camera < 1 || tr.Camera > cfg.Cameras || tr.Day < 1 || tr.Day > cfg.Days || p.Tag.Serial != fmt.Sprintf("SIM-%04d", tr.Camera) {
					t.Errorf("%s is of camera %d, day %d: %s", p.Name, tr.Camera, tr.Day, p.Tag.Serial)
				}
			}
			if len(names) != cfg.Photos {
				t.Errorf("%d names for %d photos", len(names), cfg.Photos)
			}
			if want := int(math.Round(cfg.NoPointShare * float64(cfg.Photos))); none != want {
				t.Errorf("%d photos show no point, want %d", none, want)
			}
			switch {
			case cfg.FieldOrder == sim.LinkedLater && len(set.Links) != 0, cfg.NoLinkShare == 0 && cfg.FieldOrder != sim.LinkedLater && unlinked != 0,
				cfg.NoLinkShare > 0 && math.Abs(float64(unlinked)/float64(cfg.Photos)-cfg.NoLinkShare) > 0.12:
				t.Errorf("%d photos have no link", unlinked)
			}
			placed, err := set.Projection.ToGrid(context.Background(), fixes)
			if err != nil {
				t.Fatal(err)
			}
			for i, p := range placed {
				tr := set.Truth[i]
				e, n := (p.E-tr.Stood.E)*unit, (p.N-tr.Stood.N)*unit
				if p.Err != nil || math.Hypot(e-tr.Noise.E, n-tr.Noise.N) > 0.005 {
					t.Errorf("photo %d: the tag is %.3f %.3f off, the truth says %v", i, e, n, tr.Noise)
				}
			}
			for i, p := range set.Points {
				s := set.Survey[i]
				if p.ID != s.ID || p.Observed != s.Observed || p.Observed.IsZero() || math.Hypot(p.E-s.E, p.N-s.N)*unit > 6*cfg.PointSigma {
					t.Errorf("point %v of the survey is %v", p, s)
				}
			}
			res, err := set.Check(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			if len(res.UnmatchedLinks) != 0 || res.Counts[match.Unjudged] != cfg.Photos-len(set.Links) {
				t.Errorf("%d strays, %v", len(res.UnmatchedLinks), res.Counts)
			}
		})
	}
}

// Shuffled photos are the same photos, in another order, with their truth.
func TestShuffle(t *testing.T) {
	cfg := sim.Default()
	cfg.Cameras, cfg.Days = 2, 2
	sorted := newSet(t, cfg)
	cfg.Shuffle = true
	shuffled := newSet(t, cfg)
	at := make(map[string]int)
	for i, p := range sorted.Photos {
		at[p.Name] = i
		if i > 0 && p.Name <= sorted.Photos[i-1].Name {
			t.Errorf("%s comes after %s", p.Name, sorted.Photos[i-1].Name)
		}
	}
	same := 0
	for i, p := range shuffled.Photos {
		j := at[p.Name]
		if i == j {
			same++
		}
		if !reflect.DeepEqual(p, sorted.Photos[j]) || !reflect.DeepEqual(shuffled.Truth[i], sorted.Truth[j]) {
			t.Errorf("%s is not the same", p.Name)
		}
	}
	if same > 20 {
		t.Errorf("%d of 200 photos keep their place", same)
	}
}

// Points are as far apart as Spacing says.
func TestSpacing(t *testing.T) {
	for _, c := range []struct {
		layout      sim.Layout
		least, most float64 // of all steps, in spacings
		mean        float64
	}{
		{sim.Line, 0.9, 1.1, 1},
		{sim.Plots, 0.9, 1.1, 1},
		{sim.Road, 0.2, 12, 1},
	} {
		var sum float64
		var n int
		for seed := range uint64(10) {
			cfg := sim.Default()
			cfg.Seed, cfg.Layout, cfg.Spacing, cfg.Points = seed, c.layout, 50, 100
			set := newSet(t, cfg)
			for i, p := range set.Survey[1:] {
				q := set.Survey[i]
				d := math.Hypot(p.E-q.E, p.N-q.N) / 50
				if d < c.least-1e-9 || d > c.most {
					t.Errorf("%s: step %d is %.3f spacings", c.layout, i, d)
				}
				sum += d
				n++
			}
		}
		if mean := sum / float64(n); math.Abs(mean-c.mean) > 0.07 {
			t.Errorf("%s: the steps are %.3f spacings on average, want %v", c.layout, mean, c.mean)
		}
	}
}

// Images that state the direction are judged by it, and honestly.
func TestDirections(t *testing.T) {
	if testing.Short() {
		t.Skip("statistics take a while")
	}
	within, judged := 0, 0
	for seed := range uint64(40) {
		cfg := sim.Default()
		cfg.Seed, cfg.DirectionShare, cfg.Standoff = seed, 1, 6
		res, err := newSet(t, cfg).Check(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range res.Photos {
			if p.Allowance.Expected == nil {
				t.Fatalf("%s is judged without its direction", p.Name)
			}
		}
		within += res.Counts[match.Within]
		judged += len(res.Photos)
	}
	if share := float64(within) / float64(judged); share < 0.94 || share > 0.96 {
		t.Errorf("%.2f %% of %d honest photos are within, want 95 %%", 100*share, judged)
	}
}

// What the cameras' clocks and the images say of time.
func TestClocks(t *testing.T) {
	cfg := sim.Default()
	cfg.Cameras = 2
	cfg.Zone = time.Hour
	cfg.ClockOffsets = []time.Duration{0, 90 * time.Second}
	set := newSet(t, cfg)
	cfg.OffsetStated, cfg.GPSTime = false, false
	bare := newSet(t, cfg)
	for i, tr := range set.Truth {
		ahead := cfg.ClockOffsets[tr.Camera-1]
		taken := set.Photos[i].Tag.Taken
		if _, zone := taken.Time.Zone(); !taken.HasOffset || zone != 3600 || !taken.Time.Equal(tr.Taken.Add(ahead)) {
			t.Fatalf("camera %d says %v at %v", tr.Camera, taken, tr.Taken)
		}
		if got := set.Photos[i].Tag.GPSTime; !got.Equal(tr.Taken.Truncate(time.Second)) {
			t.Fatalf("the fix is of %v at %v", got, tr.Taken)
		}
		taken = bare.Photos[i].Tag.Taken
		if want := tr.Taken.Add(ahead + time.Hour); taken.HasOffset || !taken.Time.Equal(want) || taken.Time.Location() != time.UTC || bare.Photos[i].Tag.GPSTime != nil {
			t.Fatalf("without a zone camera %d says %v, want %v", tr.Camera, taken.Time, want)
		}
	}
}

func TestConfigErrors(t *testing.T) {
	for field, adapt := range map[string]func(*sim.Config){
		"Photos":              func(c *sim.Config) { c.Photos = 0 },
		"Points":              func(c *sim.Config) { c.Points = -1 },
		"Layout":              func(c *sim.Config) { c.Layout = "circle" },
		"FieldOrder":          func(c *sim.Config) { c.FieldOrder = "" },
		"Spacing":             func(c *sim.Config) { c.Spacing = math.NaN() },
		"Speed":               func(c *sim.Config) { c.Speed = 0 },
		"Standoff":            func(c *sim.Config) { c.Standoff = -1 },
		"NoPointShare":        func(c *sim.Config) { c.NoPointShare = 1.1 },
		"Start":               func(c *sim.Config) { c.Start = time.Time{} },
		"ClockOffsets":        func(c *sim.Config) { c.ClockOffsets = make([]time.Duration, 2) },
		"Noise.Radius95":      func(c *sim.Config) { c.Noise.Radius95 = 0 },
		"Noise.Time":          func(c *sim.Config) { c.Noise.Time = 0 },
		"Noise.Stated":        func(c *sim.Config) { c.Noise.Stated = "maybe" },
		"Noise.MultipathTime": func(c *sim.Config) { c.Noise.MultipathTime = -1 },
		"At":                  func(c *sim.Config) { c.Projection = foreign{sim.DefaultPlane()} },
		"DirectionShare": func(c *sim.Config) {
			c.Projection, c.At, c.DirectionShare = foreign{sim.DefaultPlane()}, grid.EN{E: 1, N: 1}, 0.5
		},
		"Days": func(c *sim.Config) { c.Photos = 20000 },
	} {
		cfg := sim.Default()
		adapt(&cfg)
		_, err := sim.New(cfg)
		var ce *sim.ConfigError
		if !errors.As(err, &ce) || ce.Field != field {
			t.Errorf("%s: error %v", field, err)
		}
	}
	// All that is wrong is said at once.
	err := sim.Config{}.Validate()
	for _, field := range []string{"Photos", "Points", "Spacing", "Noise.Radius95"} {
		if err == nil || !strings.Contains(err.Error(), field+" is") {
			t.Errorf("the zero Config: no word of %s in %v", field, err)
		}
	}
}

// foreign is a projection that is no Geodesist, of a type unknown to sim.
type foreign struct{ grid.Projection }

// A projection that fails is an error and no set.
func TestProjectionErrors(t *testing.T) {
	for name, p := range map[string]grid.Projection{
		"fails":    failing{Projection: sim.DefaultPlane(), err: errors.New("the engine stalled")},
		"outside":  failing{Projection: sim.DefaultPlane(), each: grid.ErrOutside},
		"ballpark": failing{Projection: sim.DefaultPlane(), ballpark: true},
	} {
		cfg := sim.Default()
		cfg.Projection, cfg.At = p, grid.EN{E: 500000, N: 5780000}
		want := map[string]string{"fails": "the engine stalled", "outside": "outside", "ballpark": "ballpark"}[name]
		if _, err := sim.New(cfg); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}

type failing struct {
	grid.Projection
	err, each error
	ballpark  bool
}

func (f failing) FromGrid(ctx context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	out, err := f.Projection.FromGrid(ctx, at, frames)
	for i := range out {
		out[i].Err = f.each
		out[i].Op = &grid.Operation{Name: "ballpark", Ballpark: f.ballpark}
	}
	return out, errors.Join(err, f.err)
}

// Altitudes are the point's height, the camera's above it, and noise.
func TestHeights(t *testing.T) {
	cfg := sim.Default()
	cfg.AltitudeRef = geotag.AltitudeEllipsoidal
	var sum float64
	n := 0
	for seed := range uint64(20) {
		cfg.Seed = seed
		set := newSet(t, cfg)
		for i, tr := range set.Truth {
			a := set.Photos[i].Tag.Altitude
			if a.Ref != geotag.AltitudeEllipsoidal {
				t.Fatalf("reference %v", a.Ref)
			}
			sum += a.Metres - *set.Points[tr.Point].Height
			n++
		}
	}
	if mean := sum / float64(n); math.Abs(mean-1.5) > 0.3 {
		t.Errorf("the camera is %.2f m above the points, want 1.5", mean)
	}
	cfg.Heights = false
	set := newSet(t, cfg)
	if set.Points[0].Height != nil || set.Photos[0].Tag.Altitude != nil {
		t.Error("heights that nobody asked for")
	}
}

// Two days start at the same time of day, and cameras work at the same time.
func TestDays(t *testing.T) {
	cfg := sim.Default()
	cfg.Cameras, cfg.Days = 2, 2
	set := newSet(t, cfg)
	span := make(map[[2]int][]time.Time)
	for _, tr := range set.Truth {
		k := [2]int{tr.Day, tr.Camera}
		span[k] = append(span[k], tr.Taken)
	}
	if len(span) != 4 {
		t.Fatalf("%d walks, want 4", len(span))
	}
	for k, times := range span {
		if !slices.IsSortedFunc(times, time.Time.Compare) {
			t.Errorf("walk %v: the photos are not in order", k)
		}
		start := cfg.Start.AddDate(0, 0, k[0]-1)
		if first := times[0].Sub(start); first < 0 || first > 15*time.Minute {
			t.Errorf("walk %v begins %v after the start", k, first)
		}
	}
}
