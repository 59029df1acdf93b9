package sim_test

import (
	"context"
	"errors"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/sim"
)

// drawn returns the set of a config with plants, and the same set without.
func drawn(t *testing.T, cfg sim.Config, plants ...sim.Plant) (with, without *sim.Set) {
	t.Helper()
	cfg.Plants = nil
	without, err := sim.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	cfg.Plants = plants
	with, err = sim.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return with, without
}

// kinds are those planted in a set, in order.
func kinds(s *sim.Set) (out []sim.Kind) {
	for _, p := range s.Planted {
		out = append(out, p.Kind)
	}
	return slices.Compact(out)
}

// difference is tag minus tag on the plane, in metres.
func difference(a, b *geotag.Tag) (e, n float64) {
	p := sim.DefaultPlane()
	placed, _ := p.ToGrid(context.Background(), []grid.Fix{
		{LatLon: grid.LatLon{Lat: a.Position.Lat, Lon: a.Position.Lon}},
		{LatLon: grid.LatLon{Lat: b.Position.Lat, Lon: b.Position.Lon}},
	})
	return placed[0].E - placed[1].E, placed[0].N - placed[1].N
}

func near(a, b, tolerance float64) bool { return math.Abs(a-b) <= tolerance }

// Every kind does what it says, to what it says, and to nothing else.
func TestPlantTags(t *testing.T) {
	const mm = 0.005 // tags are written to 3 mm
	lost := func(code geotag.WarningCode, field string) func(*testing.T, *geotag.Tag, *geotag.Tag) {
		return func(t *testing.T, is, was *geotag.Tag) {
			if is.Position != nil || len(is.Warnings) == 0 || is.Warnings[0].Code != code || is.Warnings[0].Field != field {
				t.Errorf("position %v, warnings %v: want none, and %s of %s", is.Position, is.Warnings, code, field)
			}
		}
	}
	shifted := func(e, n float64) func(*testing.T, *geotag.Tag, *geotag.Tag) {
		return func(t *testing.T, is, was *geotag.Tag) {
			if de, dn := difference(is, was); !near(de, e, mm) || !near(dn, n, mm) {
				t.Errorf("moved by %.3f %.3f, want %.3f %.3f", de, dn, e, n)
			}
		}
	}
	position := func(f func(lat, lon float64) (float64, float64)) func(*testing.T, *geotag.Tag, *geotag.Tag) {
		return func(t *testing.T, is, was *geotag.Tag) {
			lat, lon := f(was.Position.Lat, was.Position.Lon)
			if !near(is.Position.Lat, lat, 1e-7) || !near(is.Position.Lon, lon, 1e-7) {
				t.Errorf("%v becomes %v, want %v %v", *was.Position, *is.Position, lat, lon)
			}
		}
	}
	for _, c := range []struct {
		plant sim.Plant
		n     int // photos; 0 for all of 200
		want  func(*testing.T, *geotag.Tag, *geotag.Tag)
	}{
		{sim.Plant{Kind: sim.SwappedLatLon}, 0, position(func(lat, lon float64) (float64, float64) { return lon, lat })},
		{sim.Plant{Kind: sim.FlippedLatitude}, 0, position(func(lat, lon float64) (float64, float64) { return -lat, lon })},
		{sim.Plant{Kind: sim.FlippedLongitude, Rate: 0.1}, 20, position(func(lat, lon float64) (float64, float64) { return lat, -lon })},
		{sim.Plant{Kind: sim.DroppedLatitudeRef, Count: 3}, 3, lost(geotag.WarnMissingRef, "GPSLatitudeRef")},
		{sim.Plant{Kind: sim.DroppedLongitudeRef, Run: 5}, 5, lost(geotag.WarnMissingRef, "GPSLongitudeRef")},
		{sim.Plant{Kind: sim.TagDatum}, 0, shifted(-75, 60)},
		{sim.Plant{Kind: sim.TagDatum, Shift: match.Vector{E: 0.7, N: -1}}, 0, shifted(0.7, -1)},
		{sim.Plant{Kind: sim.CommonShift}, 0, shifted(16, -12)},
		{sim.Plant{Kind: sim.MinutesAsDecimals}, 0, position(func(lat, lon float64) (float64, float64) {
			// 52 11.4 for 52.19, 6 19.2 for 6.32.
			return 52 + (lat-52)*0.6, -6 + (lon+6)*0.6
		})},
		{sim.Plant{Kind: sim.DecimalsAsMinutes}, 0, position(func(lat, lon float64) (float64, float64) {
			return 52 + (lat-52)/0.6, -6 + (lon+6)/0.6
		})},
		{sim.Plant{Kind: sim.RoundedTags}, 0, func(t *testing.T, is, was *geotag.Tag) {
			if is.Position.Step != 0.001 || !near(is.Position.Lat*1000, math.Round(was.Position.Lat*1000), 1e-9) {
				t.Errorf("%v becomes %v", *was.Position, *is.Position)
			}
		}},
		{sim.Plant{Kind: sim.RoundedTags, Step: 1. / 3600, Hidden: true}, 0, func(t *testing.T, is, was *geotag.Tag) {
			if is.Position.Step != was.Position.Step || !near(is.Position.Lon*3600, math.Round(was.Position.Lon*3600), 1e-9) {
				t.Errorf("%v becomes %v", *was.Position, *is.Position)
			}
		}},
		{sim.Plant{Kind: sim.NullIsland}, 10, lost(geotag.WarnNullIsland, "GPSLatitude")},
		{sim.Plant{Kind: sim.ZeroRationals}, 10, lost(geotag.WarnZeroDenominator, "GPSLatitude")},
		{sim.Plant{Kind: sim.ClockOffset, Offset: -time.Hour}, 0, func(t *testing.T, is, was *geotag.Tag) {
			if d := is.Taken.Time.Sub(was.Taken.Time); d != -time.Hour || *is.Position != *was.Position || !is.GPSTime.Equal(*was.GPSTime) {
				t.Errorf("the clock is off by %v, and %v becomes %v", d, *was.Position, *is.Position)
			}
		}},
		{sim.Plant{Kind: sim.LeapSeconds}, 0, func(t *testing.T, is, was *geotag.Tag) {
			if d := is.GPSTime.Sub(*was.GPSTime); d != 18*time.Second || *is.Position != *was.Position || is.Taken.Time != was.Taken.Time {
				t.Errorf("the time of the fix is off by %v, and %v becomes %v", d, *was.Position, *is.Position)
			}
		}},
		{sim.Plant{Kind: sim.HeightReference}, 0, func(t *testing.T, is, was *geotag.Tag) {
			if d := is.Altitude.Metres - was.Altitude.Metres; !near(d, 57, 1e-9) || is.Altitude.Ref != was.Altitude.Ref {
				t.Errorf("the altitude is off by %v", d)
			}
		}},
	} {
		t.Run(string(c.plant.Kind), func(t *testing.T) {
			cfg := sim.Default()
			cfg.Seed = 3
			with, without := drawn(t, cfg, c.plant)
			want := c.n
			if want == 0 {
				want = 200
			}
			done := with.Planted[0]
			if done.Kind != c.plant.Kind || len(done.Photos) != want || done.Points != nil {
				t.Fatalf("planted %s in %d photos and %d points, want %d photos", done.Kind, len(done.Photos), len(done.Points), want)
			}
			for i := range with.Photos {
				is, was := with.Photos[i].Tag, without.Photos[i].Tag
				if slices.Contains(done.Photos, i) {
					c.want(t, is, was)
					if !slices.Equal(with.Truth[i].Planted, []sim.Kind{c.plant.Kind}) {
						t.Errorf("photo %d: planted %v", i, with.Truth[i].Planted)
					}
				} else if !sameTag(is, was) || with.Truth[i].Planted != nil || with.Truth[i].Moved != 0 {
					t.Errorf("photo %d is not concerned, but was touched", i)
				}
			}
			samePoints(t, with.Points, without.Points)
			if !slices.Equal(with.Links, without.Links) {
				t.Error("the links differ")
			}
		})
	}
}

func sameTag(a, b *geotag.Tag) bool {
	return *a.Position == *b.Position && *a.Altitude == *b.Altitude && *a.HPositioningError == *b.HPositioningError &&
		*a.Taken == *b.Taken && *a.GPSTime == *b.GPSTime && a.Texts.ImageDescription == b.Texts.ImageDescription && len(a.Warnings) == len(b.Warnings)
}

func samePoints(t *testing.T, a, b []match.Point) {
	t.Helper()
	for i := range a {
		if a[i].ID != b[i].ID || a[i].EN != b[i].EN || *a[i].Height != *b[i].Height {
			t.Errorf("point %d: %v, not %v", i, a[i], b[i])
		}
	}
}

func TestFrozenFix(t *testing.T) {
	cfg := sim.Default()
	with, without := drawn(t, cfg, sim.Plant{Kind: sim.FrozenFix, Run: 9})
	run := with.Planted[0].Photos
	if len(run) != 9 {
		t.Fatalf("%d photos, want 9", len(run))
	}
	origin := with.Photos[run[0]-1].Tag // the photos come as they were taken
	for _, i := range run {
		is, was := with.Photos[i].Tag, without.Photos[i].Tag
		if *is.Position != *origin.Position || *is.Altitude != *origin.Altitude || *is.GPSTime != *origin.GPSTime {
			t.Errorf("photo %d has not the fix of the one before the run", i)
		}
		if *is.Taken != *was.Taken {
			t.Errorf("photo %d: the clock stands still too", i)
		}
	}
}

// A frozen fix is of one camera, also where the crew carries several.
func TestFrozenFixOfOneCamera(t *testing.T) {
	cfg := sim.Default()
	cfg.Cameras, cfg.Together = 3, true
	for seed := range uint64(5) {
		cfg.Seed = seed
		with, without := drawn(t, cfg, sim.Plant{Kind: sim.FrozenFix})
		run := with.Planted[0].Photos
		for k, i := range run {
			if with.Truth[i].Camera != with.Truth[run[0]].Camera || i != run[0]+k {
				t.Fatalf("seed %d: photo %d of the run is of camera %d, the first of %d", seed, k, with.Truth[i].Camera, with.Truth[run[0]].Camera)
			}
			if *with.Photos[i].Tag.Position != *without.Photos[run[0]-1].Tag.Position {
				t.Errorf("seed %d: photo %d has not the fix of the camera's photo before the run", seed, k)
			}
		}
	}
}

// Where the blunder makes a coordinate that can't be, the position is lost, as it
// is when such an image is read.
func TestPositionsThatCannotBe(t *testing.T) {
	for _, c := range []struct {
		origin grid.LatLon
		kind   sim.Kind
		want   string
	}{
		{grid.LatLon{Lat: -36.8, Lon: 174.75}, sim.SwappedLatLon, "out-of-range: GPSLatitude: 174.7"},
		{grid.LatLon{Lat: 52.75, Lon: -6.3}, sim.DecimalsAsMinutes, "out-of-range: GPSLatitude: minutes are 7"},
		{grid.LatLon{Lat: 52.1, Lon: -6.75}, sim.DecimalsAsMinutes, "out-of-range: GPSLongitude: minutes are 7"},
	} {
		cfg := sim.Default()
		cfg.Projection = newPlane(t, c.origin, grid.EN{E: 500000, N: 5000000}, grid.Metre)
		cfg.Plants = []sim.Plant{{Kind: c.kind}}
		set := newSet(t, cfg)
		for i, p := range set.Photos {
			if p.Tag.Position != nil || len(p.Tag.Warnings) != 1 || !strings.HasPrefix(p.Tag.Warnings[0].String(), c.want) || !math.IsInf(set.Truth[i].Moved, 1) {
				t.Fatalf("%s: position %v, warnings %v, moved %v", c.kind, p.Tag.Position, p.Tag.Warnings, set.Truth[i].Moved)
			}
		}
	}
}

// A tag from the crew's track is where the crew was later, but for the same noise.
func TestTrackOffset(t *testing.T) {
	cfg := sim.Default()
	cfg.Spacing = 50
	off := 30 * time.Second
	with, without := drawn(t, cfg, sim.Plant{Kind: sim.TrackOffset, Offset: off})
	moved, ahead := 0, 0
	for i, tr := range with.Truth {
		is, was := with.Photos[i].Tag, without.Photos[i].Tag
		if d := is.Taken.Time.Sub(was.Taken.Time); d != off {
			t.Fatalf("the clock is off by %v", d)
		}
		e, n := difference(is, was)
		d := math.Hypot(e, n)
		if d > cfg.Speed*off.Seconds()+0.01 {
			t.Errorf("photo %d: the crew moved %.2f m in %v", i, d, off)
		}
		if !near(d, tr.Moved, 0.01) {
			t.Errorf("photo %d: moved %.3f m, the truth says %.3f", i, d, tr.Moved)
		}
		if d > 1 {
			moved++
			next := min(tr.Point+1, len(with.Survey)-1)
			p, q := with.Survey[tr.Point], with.Survey[next]
			along, across := e*(q.E-p.E)+n*(q.N-p.N), e*(q.N-p.N)-n*(q.E-p.E)
			if along > 0 && math.Abs(across) < 0.005*along {
				ahead++
			}
		}
	}
	if moved < 40 || ahead != moved {
		t.Errorf("%d of 200 tags moved, %d of them towards the next point", moved, ahead)
	}
}

func TestPlantPoints(t *testing.T) {
	p := sim.DefaultPlane()
	for _, c := range []struct {
		plant sim.Plant
		want  func(first, at grid.EN) grid.EN
	}{
		{sim.Plant{Kind: sim.SwappedEN}, func(_, at grid.EN) grid.EN { return grid.EN{E: at.N, N: at.E} }},
		// 2 ppm: 11.56 m at a northing of 5,780,000 m.
		{sim.Plant{Kind: sim.WrongFeet}, func(_, at grid.EN) grid.EN { return grid.EN{E: at.E * 0.999998, N: at.N * 0.999998} }},
		{sim.Plant{Kind: sim.FeetForMetres}, func(_, at grid.EN) grid.EN { return grid.EN{E: at.E / 0.3048, N: at.N / 0.3048} }},
		{sim.Plant{Kind: sim.MetresForFeet}, func(_, at grid.EN) grid.EN { return grid.EN{E: at.E * 0.3048, N: at.N * 0.3048} }},
		{sim.Plant{Kind: sim.PointDatum}, func(_, at grid.EN) grid.EN { return grid.EN{E: at.E - 75, N: at.N + 60} }},
		{sim.Plant{Kind: sim.GroundAsGrid}, func(o, at grid.EN) grid.EN {
			return grid.EN{E: at.E + 0.0004*(at.E-o.E), N: at.N + 0.0004*(at.N-o.N)}
		}},
		{sim.Plant{Kind: sim.NeighbouringZone}, func(_, at grid.EN) grid.EN {
			ll, err := p.Geographic(at)
			if err != nil {
				t.Fatal(err)
			}
			ll.Lon -= 6 // its meridian is 6 degrees further east
			placed, _ := p.ToGrid(context.Background(), []grid.Fix{{LatLon: ll}})
			return placed[0].EN
		}},
	} {
		t.Run(string(c.plant.Kind), func(t *testing.T) {
			cfg := sim.Default()
			cfg.Days = 2
			for _, day := range []int{0, 2} {
				c.plant.Day = day
				with, without := drawn(t, cfg, c.plant)
				done := with.Planted[0]
				if n := 80 / max(day, 1); len(done.Points) != n {
					t.Fatalf("day %d: %d points, want %d", day, len(done.Points), n)
				}
				for i := range with.Points {
					want := without.Points[i].EN
					if slices.Contains(done.Points, i) {
						want = c.want(without.Points[done.Points[0]].EN, want)
					}
					if got := with.Points[i].EN; math.Hypot(got.E-want.E, got.N-want.N) > 0.01 {
						t.Errorf("day %d: point %d at %v becomes %v, want %v", day, i, without.Points[i].EN, got, want)
					}
				}
				for i := range with.Photos {
					if !sameTag(with.Photos[i].Tag, without.Photos[i].Tag) {
						t.Errorf("photo %d was touched", i)
					}
					p := with.Truth[i].Linked
					d := math.Hypot(with.Points[p].E-without.Points[p].E, with.Points[p].N-without.Points[p].N)
					if !near(d, with.Truth[i].Moved, 0.001) {
						t.Errorf("photo %d: its point moved by %.3f m, the truth says %.3f", i, d, with.Truth[i].Moved)
					}
				}
			}
		})
	}
}

func TestPlantLinks(t *testing.T) {
	cfg := sim.Default()
	cfg.TextShare, cfg.NameShare = 1, 1
	for _, c := range []struct {
		plant sim.Plant
		n     int
	}{
		{sim.Plant{Kind: sim.LateRun}, 8},
		{sim.Plant{Kind: sim.EarlyRun, Run: 12}, 12},
		{sim.Plant{Kind: sim.SwappedTies, Count: 3}, 6},
		{sim.Plant{Kind: sim.WrongTie, Rate: 0.05}, 10},
		{sim.Plant{Kind: sim.WrongTie, Copied: true}, 1},
	} {
		t.Run(string(c.plant.Kind), func(t *testing.T) {
			with, without := drawn(t, cfg, c.plant)
			done := with.Planted[0].Photos
			if len(done) != c.n {
				t.Fatalf("%d photos, want %d", len(done), c.n)
			}
			if c.plant.Kind.In() == sim.InLinks && strings.HasSuffix(string(c.plant.Kind), "-run") && done[c.n-1]-done[0] != c.n-1 {
				t.Errorf("photos %v do not follow one another", done)
			}
			samePoints(t, with.Points, without.Points)
			for i, tr := range with.Truth {
				concerned := slices.Contains(done, i)
				by := tr.Linked - tr.Point
				link := with.Links[i]
				if link.Photo != with.Photos[i].Name || link.Point != with.Points[tr.Linked].ID {
					t.Fatalf("link %v, the truth says %s", link, with.Points[tr.Linked].ID)
				}
				switch {
				case !concerned && by == 0, c.plant.Kind == sim.LateRun && by == 1, c.plant.Kind == sim.EarlyRun && by == -1,
					c.plant.Kind == sim.SwappedTies && by*by == 1, c.plant.Kind == sim.WrongTie && by != 0:
				default:
					t.Errorf("photo %d is linked %d points on", i, by)
				}
				id := with.Points[tr.Point].ID
				if c.plant.Copied {
					id = with.Points[tr.Linked].ID
				}
				if got := with.Photos[i].Tag.Texts.ImageDescription; got != id || !strings.HasSuffix(with.Photos[i].Name, "_"+id+".jpg") {
					t.Errorf("photo %d says %q and is %s, want %s", i, got, with.Photos[i].Name, id)
				}
				p, q := without.Points[tr.Point], without.Points[tr.Linked]
				if want := math.Hypot(p.E-q.E, p.N-q.N); !near(tr.Moved, want, 0.001) {
					t.Errorf("photo %d: linked %.3f m off, the truth says %.3f", i, want, tr.Moved)
				}
			}
			if c.plant.Kind == sim.SwappedTies {
				for k := 0; k < len(done); k += 2 {
					a, b := with.Truth[done[k]], with.Truth[done[k+1]]
					if a.Point != b.Linked || b.Point != a.Linked {
						t.Errorf("photos %d and %d have not each other's link", done[k], done[k+1])
					}
				}
			}
		})
	}
}

// Blunders that choose photos do not choose the same, and compose with those
// that concern all.
func TestPlantsTogether(t *testing.T) {
	cfg := sim.Default()
	with, _ := drawn(t, cfg,
		sim.Plant{Kind: sim.FlippedLongitude},
		sim.Plant{Kind: sim.FrozenFix, Run: 20},
		sim.Plant{Kind: sim.LateRun, Run: 20},
		sim.Plant{Kind: sim.WrongTie, Count: 5},
		sim.Plant{Kind: sim.NullIsland, Count: 20},
	)
	chosen := make(map[int]int)
	for _, p := range with.Planted[1:] {
		for _, i := range p.Photos {
			chosen[i]++
		}
	}
	if len(chosen) != 65 {
		t.Errorf("%d photos are chosen, want 65", len(chosen))
	}
	for i, tr := range with.Truth {
		if len(tr.Planted) != 1+chosen[i] {
			t.Errorf("photo %d: planted %v", i, tr.Planted)
		}
	}
	if got := kinds(with); !slices.Equal(got, []sim.Kind{sim.FlippedLongitude, sim.FrozenFix, sim.LateRun, sim.WrongTie, sim.NullIsland}) {
		t.Errorf("kinds %v", got)
	}
}

func TestPlantRestricted(t *testing.T) {
	cfg := sim.Default()
	cfg.Cameras, cfg.Days = 2, 2
	with, _ := drawn(t, cfg, sim.Plant{Kind: sim.FlippedLongitude, Camera: 2, Day: 1})
	n := 0
	for i, tr := range with.Truth {
		is := tr.Camera == 2 && tr.Day == 1
		if is {
			n++
		}
		if flipped := with.Photos[i].Tag.Position.Lon > 0; flipped != is {
			t.Errorf("photo %d of camera %d on day %d: longitude %v", i, tr.Camera, tr.Day, with.Photos[i].Tag.Position.Lon)
		}
	}
	if n < 30 || n > 70 {
		t.Errorf("%d photos of 200 are of camera 2 on day 1", n)
	}
}

// A datum that the projection knows.
func TestTagDatumByName(t *testing.T) {
	cfg := sim.Default()
	shift := match.Vector{E: 60, N: -220}
	plane := sim.DefaultPlane().WithDatum("OLD", shift)
	cfg.Projection = plane
	with, without := drawn(t, cfg, sim.Plant{Kind: sim.TagDatum, Datum: "OLD"})
	for i := range with.Photos {
		if e, n := difference(with.Photos[i].Tag, without.Photos[i].Tag); !near(e, shift.E, 0.005) || !near(n, shift.N, 0.005) {
			t.Fatalf("moved by %.3f %.3f, want %v", e, n, shift)
		}
		// Read in the datum that they are in, the tags are right again.
		with.Photos[i].Tag.MapDatum = "OLD"
	}
	res, err := with.Check(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if n := res.Counts[match.Within]; n < 170 {
		t.Errorf("%d of 200 are within: %v", n, res.Counts)
	}
}

func TestPlantErrors(t *testing.T) {
	for _, c := range []struct {
		name  string
		adapt func(*sim.Config)
		plant sim.Plant
		want  string
	}{
		{"unknown", nil, sim.Plant{Kind: "nonsense"}, "no such kind"},
		{"field without use", nil, sim.Plant{Kind: sim.FlippedLongitude, Step: 1}, "no use for Step"},
		{"field without use, none has", nil, sim.Plant{Kind: sim.SwappedEN, Rate: 0.5}, "no use for Rate"},
		{"two choices", nil, sim.Plant{Kind: sim.FlippedLongitude, Rate: 0.5, Run: 3}, "only one of"},
		{"rate", nil, sim.Plant{Kind: sim.FlippedLongitude, Rate: 1.5}, "Rate is 1.5"},
		{"no such camera", nil, sim.Plant{Kind: sim.FlippedLongitude, Camera: 2}, "Camera is 2: want one of 1"},
		{"no such day", nil, sim.Plant{Kind: sim.FlippedLongitude, Day: 2}, "Day is 2: want one of 1"},
		{"too long a run", nil, sim.Plant{Kind: sim.LateRun, Run: 201}, "no run of 201"},
		{"frozen from the start", nil, sim.Plant{Kind: sim.FrozenFix, Run: 200}, "no run of 200"},
		{"too many", nil, sim.Plant{Kind: sim.WrongTie, Count: 201}, "201 photos are wanted"},
		{"no links", func(c *sim.Config) { c.FieldOrder = sim.LinkedLater }, sim.Plant{Kind: sim.LateRun}, "no links"},
		{"no altitude", func(c *sim.Config) { c.Heights = false }, sim.Plant{Kind: sim.HeightReference}, "no altitude"},
		{"no time", func(c *sim.Config) { c.GPSTime = false }, sim.Plant{Kind: sim.LeapSeconds}, "no time"},
		{"datum", nil, sim.Plant{Kind: sim.TagDatum, Datum: "OLD"}, `"OLD"`},
		{"cameras together", func(c *sim.Config) { c.Cameras, c.Together = 2, true }, sim.Plant{Kind: sim.SwappedEN, Camera: 1}, "one crew"},
		{"not finite", nil, sim.Plant{Kind: sim.CommonShift, Shift: match.Vector{E: math.NaN()}}, "finite"},
		{"moved away", nil, sim.Plant{Kind: sim.WrongFeet, Scale: 1e305}, "moved to E +Inf"},
	} {
		cfg := sim.Default()
		if c.adapt != nil {
			c.adapt(&cfg)
		}
		cfg.Plants = []sim.Plant{c.plant}
		_, err := sim.New(cfg)
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "plant 1") {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
}

// Kinds follow each other, but for those that need a position that is lost, or
// a place on the grid that is left. By default every seventh pair is judged too, which
// reaches every kind in both places: PHOTOTIE_FULL=1 judges all.
func TestPlantPairs(t *testing.T) {
	for i, a := range sim.Kinds() {
		for k, b := range sim.Kinds() {
			cfg := sim.Default()
			cfg.Photos, cfg.Points = 30, 12
			cfg.Plants = []sim.Plant{{Kind: a}, {Kind: b}}
			set, err := sim.New(cfg)
			if err != nil {
				lost := (a == sim.DroppedLatitudeRef || a == sim.DroppedLongitudeRef) && strings.Contains(err.Error(), "no photos for it")
				left := a == sim.FeetForMetres && b == sim.NeighbouringZone && errors.Is(err, grid.ErrOutside)
				if !lost && !left {
					t.Errorf("%s, then %s: %v", a, b, err)
				}
				continue
			}
			if got := kinds(set); got[0] != a || got[len(got)-1] != b {
				t.Errorf("%s, then %s: planted %v", a, b, got)
			}
			if testing.Short() || (i+k)%7 != 0 && os.Getenv("PHOTOTIE_FULL") == "" {
				continue
			}
			if _, err := set.Check(context.Background()); err != nil {
				t.Errorf("%s, then %s: %v", a, b, err)
			}
		}
	}
}
