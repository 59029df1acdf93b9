package field

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// The same seed gives the same job, another seed or blunder another one.
func TestSameSeedSameJob(t *testing.T) {
	for seed := range uint64(20) {
		for _, b := range []string{"", "late-run", "two"} {
			cfg := Config{}
			if b != "" {
				cfg.Blunders = []string{b}
			}
			x, y, z := New(seed, cfg), New(seed, cfg), New(seed+1, cfg)
			if !reflect.DeepEqual(x.Photos, y.Photos) || !reflect.DeepEqual(x.Points, y.Points) || !reflect.DeepEqual(x.Links, y.Links) || !reflect.DeepEqual(x.Truth, y.Truth) {
				t.Errorf("seed %d %q: two jobs differ", seed, b)
			}
			if reflect.DeepEqual(x.Points, z.Points) {
				t.Errorf("seeds %d and %d: the same points", seed, seed+1)
			}
		}
	}
}

// In honest jobs every link is the truth, every tag lies by its stated truth, and
// sizes are those asked for.
func TestHonestJobsAreTrue(t *testing.T) {
	small, large := 1<<30, 0
	for seed := range uint64(150) {
		j := New(seed, Config{})
		small, large = min(small, len(j.Photos)), max(large, len(j.Photos))
		if len(j.Truth.Photos) != len(j.Photos) || len(j.Truth.Plants) > 0 {
			t.Fatalf("seed %d: %d truths of %d photos, plants %v", seed, len(j.Truth.Photos), len(j.Photos), j.Truth.Plants)
		}
		truth := map[string]PhotoTruth{}
		for i, p := range j.Truth.Photos {
			truth[j.Photos[i].Name] = p
			if p.Altered || (p.Shows == "point") != (p.Point != "") {
				t.Errorf("seed %d: %+v", seed, p)
			}
			at, ok := j.plane.project(datums["WGS84"].shift(latLon(j.Photos[i].Tag.Position), j.plane.datum))
			d := math.Hypot(at.E-p.Camera.E, at.N-p.Camera.N) * j.plane.unit.Metres
			if !ok || math.Abs(d-p.Error) > 0.01+1.6*111320*j.Photos[i].Tag.Position.Step {
				t.Errorf("seed %d %s: tag %.2f m from the camera, the truth says %.2f", seed, j.Photos[i].Name, d, p.Error)
			}
		}
		if len(truth) != len(j.Photos) {
			t.Errorf("seed %d: names come twice", seed)
		}
		for _, l := range j.Links {
			if truth[l.Photo].Point != l.Point {
				t.Errorf("seed %d: %+v is no truth: %+v", seed, l, truth[l.Photo])
			}
		}
		if _, err := match.Check(t.Context(), j.Grid, j.Points, j.Links, match.All(j.Photos), match.Options{Ties: match.TieOptions{Off: true}}); err != nil {
			t.Errorf("seed %d: %v", seed, err)
		}
	}
	if small > 8 || large < 400 {
		t.Errorf("photos %d to %d", small, large)
	}
}

// Photos of a camera follow each other as people can walk.
func TestCrewsWalk(t *testing.T) {
	for seed := range uint64(100) {
		j := New(seed, Config{})
		for crew := range j.Truth.Crews {
			of := j.inTime(crew, -1)
			for k := 1; k < len(of); k++ {
				a, b := j.shots[of[k-1]], j.shots[of[k]]
				if d := a.stand.to(b.stand); a.point != b.point && d > 1.6*(b.t-a.t) {
					t.Errorf("seed %d: %.0f m in %.0f s", seed, d, b.t-a.t)
				}
			}
		}
	}
}

// Every blunder alters what its Plant says and nothing else.
func TestPlants(t *testing.T) {
	for _, name := range Blunders() {
		done := 0
		for seed := range uint64(12) {
			j := New(seed, Config{Photos: 40, Blunders: []string{name}})
			for _, p := range j.Truth.Plants {
				if len(p.Photos) > 0 {
					done++
				}
				if p.PointsMoved || name == "two" {
					continue
				}
				for i, x := range j.Truth.Photos {
					if x.Altered != slices.Contains(p.Photos, j.Photos[i].Name) {
						t.Errorf("%s, seed %d: %s altered %v", name, seed, j.Photos[i].Name, x.Altered)
					}
					wrong := j.links[i] != "" && j.links[i] != x.Point
					if wrong && !x.Altered {
						t.Errorf("%s, seed %d: %s has a wrong link and is not altered", name, seed, j.Photos[i].Name)
					}
				}
			}
		}
		if done < 6 {
			t.Errorf("%s was planted in %d of 12 jobs", name, done)
		}
	}
}

// Processes have the deviation that is asked of them, and forget as they should.
func TestProcesses(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		name string
		of   func() []vec
		lag  int
		want float64
	}{
		{"markov", func() []vec { return markov(rng, 400000, 2, 50) }, 50, math.Exp(-1)},
		{"smooth", func() []vec { return smooth(rng, 400000, 2, 30) }, 30, 2 * math.Exp(-1)}, // (1+t/tau) exp(-t/tau)
	} {
		e := c.of()
		var v, r float64
		for i := range len(e) - c.lag {
			v += e[i].E * e[i].E
			r += e[i].E * e[i+c.lag].E
		}
		if sd := math.Sqrt(v / float64(len(e)-c.lag)); math.Abs(sd-2) > 0.15 || math.Abs(r/v-c.want) > 0.05 {
			t.Errorf("%s: deviation %.2f, wanted 2; correlation %.3f, wanted %.3f", c.name, sd, r/v, c.want)
		}
	}
}

// The recorded series are what the table of their statistics says: 68 % radius and
// root mean square displacement after 10 s (30 s for the station), in metres.
func TestReplayedSeries(t *testing.T) {
	for name, want := range map[string][2]float64{"sirf2": {4.37, 1.54}, "ublox_f9p": {1.72, 0.67}, "telit_he910": {1.74, 0.38},
		"superstar2": {2.02, 2.36}, "ublox4": {0.93, 0.71}, "crescent": {0.99, 1.23}, "station0759": {0.48, 0.34}} {
		s := replayed[name]
		var radii []float64
		var sum, n float64
		lag := 10.0
		if name == "station0759" {
			lag, s = 30, s[:len(s)-1] // the last epoch is an outlier
		}
		for i, x := range s {
			radii = append(radii, math.Hypot(x.e.E, x.e.N))
			for _, y := range s[i:] {
				if math.Abs(y.t-x.t-lag) < 0.01 {
					sum += math.Pow(x.e.to(y.e), 2)
					n++
				}
			}
		}
		slices.Sort(radii)
		if r := radii[len(radii)*6827/10000]; math.Abs(r-want[0]) > 0.06 {
			t.Errorf("%s: radius %.3f, the table has %v", name, r, want[0])
		}
		if d := math.Sqrt(sum / n); math.Abs(d-want[1]) > 0.04 {
			t.Errorf("%s: displacement %.3f, the table has %v", name, d, want[1])
		}
		// Replayed for a day, it has the same spread.
		e := replay(rand.New(rand.NewPCG(3, 4)), 86400, name, 0)
		v := 0.0
		for _, x := range e {
			v += x.E*x.E + x.N*x.N
		}
		if got, is := math.Sqrt(v/float64(2*len(e))), spread(replayed[name]); name != "station0759" && math.Abs(got/is-1) > 0.1 {
			t.Errorf("%s: replayed spread %.2f, recorded %.2f", name, got, is)
		}
	}
}

func latLon(p *geotag.Position) grid.LatLon { return grid.LatLon{Lat: p.Lat, Lon: p.Lon} }
