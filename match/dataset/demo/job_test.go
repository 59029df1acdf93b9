package demo

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"io/fs"
	"math"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.com/phototie/grid"
	"github.com/pelletier/go-toml/v2"
)

func velland(t testing.TB, seed uint64) *Job {
	t.Helper()
	j, err := PortVelland(context.Background(), vellandPlane, seed)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func tallow(t testing.TB, seed uint64) *Job {
	t.Helper()
	j, err := TallowCreek(context.Background(), tallowPlane, seed)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// point is a line of points.csv.
type point struct {
	en       grid.EN
	code     string
	observed time.Time
}

func readPoints(t testing.TB, j *Job) (ids []string, byID map[string]point) {
	t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(j.Points)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	byID = make(map[string]point)
	for _, r := range rows[1:] {
		var p point
		var err [4]error
		p.en.E, err[0] = strconv.ParseFloat(r[1], 64)
		p.en.N, err[1] = strconv.ParseFloat(r[2], 64)
		_, err[2] = strconv.ParseFloat(r[3], 64)
		p.observed, err[3] = time.Parse(time.RFC3339, r[6])
		if err := errors.Join(err[:]...); err != nil {
			t.Fatal(err)
		}
		p.code = r[4]
		if _, twice := byID[r[0]]; twice {
			t.Errorf("point %s stands twice", r[0])
		}
		ids, byID[r[0]] = append(ids, r[0]), p
	}
	return ids, byID
}

// planted maps the name of each photo in a trouble to its kind.
func planted(t testing.TB, j *Job) map[string]Kind {
	t.Helper()
	m := make(map[string]Kind)
	for _, tr := range j.Planted {
		for _, n := range tr.Photos {
			if k, twice := m[n]; twice {
				t.Errorf("%s is in %s and in %s", n, k, tr.Kind)
			}
			m[n] = tr.Kind
		}
	}
	return m
}

func TestJobIsWhole(t *testing.T) {
	tests := []struct {
		name   string
		job    *Job
		photos int
		codes  map[string]int
		kinds  map[Kind]int
	}{
		{"Port Velland", velland(t, 1), 150, map[string]int{"BOL": 24, "FEN": 16, "LAD": 10, "DRN": 6, "BMK": 4},
			map[Kind]int{LateRun: 10, FrozenFix: 6, FlippedLongitude: 4, NoTag: 2, Undersized: 1, Blurred: 1}},
		{"Tallow Creek", tallow(t, 1), 30, map[string]int{"FBP": 12}, map[Kind]int{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			j := tt.job
			if j.Name != tt.name || len(j.Photos) != tt.photos {
				t.Errorf("%s with %d photos, want %s with %d", j.Name, len(j.Photos), tt.name, tt.photos)
			}
			ids, points := readPoints(t, j)
			codes := make(map[string]int)
			for _, p := range points {
				codes[p.code]++
			}
			if !mapsEqual(codes, tt.codes) {
				t.Errorf("codes %v, want %v", codes, tt.codes)
			}
			kinds := make(map[Kind]int)
			for _, k := range planted(t, j) {
				kinds[k]++
			}
			if !mapsEqual(kinds, tt.kinds) {
				t.Errorf("planted %v, want %v", kinds, tt.kinds)
			}

			links, err := csv.NewReader(bytes.NewReader(j.Links)).ReadAll()
			if err != nil {
				t.Fatal(err)
			}
			if len(links) != len(j.Photos)+1 {
				t.Fatalf("%d lines of links for %d photos", len(links), len(j.Photos))
			}
			bases := make(map[string]bool)
			per := make(map[string]int)
			for i, p := range j.Photos {
				if want := []string{p.Name, p.Linked}; !slices.Equal(links[i+1], want) {
					t.Errorf("link %v, want %v", links[i+1], want)
				}
				if !fs.ValidPath(p.Name) || !strings.HasPrefix(p.Name, "photos/") {
					t.Errorf("name %q is not a path in photos", p.Name)
				}
				if b := strings.ToLower(path.Base(p.Name)); bases[b] {
					t.Errorf("base name %s stands twice", b)
				} else {
					bases[b] = true
				}
				if i > 0 && !p.Taken.After(j.Photos[i-1].Taken) {
					t.Errorf("%s is not later than the photo before it", p.Name)
				}
				if !slices.Contains(ids, p.Shows) || !slices.Contains(ids, p.Linked) {
					t.Errorf("%s shows %s and is linked to %s, which are not both points", p.Name, p.Shows, p.Linked)
				}
				per[p.Shows]++
				if gap := p.Taken.Sub(points[p.Shows].observed); gap < -time.Minute || gap > 3*time.Minute {
					t.Errorf("%s was taken %v after its point was observed", p.Name, gap)
				}
			}
			before := 0
			for _, p := range j.Photos {
				if p.Taken.Before(points[p.Shows].observed) {
					before++
				}
			}
			if before == 0 || before > len(j.Photos)/3 {
				t.Errorf("%d of %d photos were taken before the observation", before, len(j.Photos))
			}
			for _, id := range ids {
				if per[id] < 2 || per[id] > 3 {
					t.Errorf("point %s has %d photos", id, per[id])
				}
			}
			var settings map[string]map[string]any
			if err := toml.Unmarshal(j.Settings, &settings); err != nil {
				t.Error(err)
			}
			if settings["points"]["file"] != pointsName || settings["links"]["file"] != linksName {
				t.Errorf("settings name the files %v and %v", settings["points"]["file"], settings["links"]["file"])
			}
			for _, tr := range j.Planted {
				for _, n := range tr.Photos {
					if !bytes.Contains(j.ReadMe, []byte(n)) {
						t.Errorf("the README does not tell of %s", n)
					}
				}
			}
			for i, line := range strings.Split(string(j.ReadMe), "\n") {
				if len(line) > 80 {
					t.Errorf("line %d of the README has %d bytes", i+1, len(line))
				}
			}
		})
	}
}

func mapsEqual[K comparable](a, b map[K]int) bool {
	if len(a) != len(b) {
		return false
	}
	for k, v := range a {
		if b[k] != v {
			return false
		}
	}
	return true
}

// TestTroublesShow looks at many seeds: what is planted must be there to see.
func TestTroublesShow(t *testing.T) {
	for seed := range uint64(40) {
		j := velland(t, seed)
		ids, points := readPoints(t, j)
		byName := make(map[string]Photo)
		for _, p := range j.Photos {
			byName[p.Name] = p
		}
		bad := planted(t, j)
		for _, p := range j.Photos {
			if k := bad[p.Name]; (p.Linked != p.Shows) != (k == LateRun) {
				t.Errorf("seed %d: %s shows %s, is linked to %s and is %q", seed, p.Name, p.Shows, p.Linked, k)
			}
			if k := bad[p.Name]; (p.Tag == nil) != (k == NoTag) {
				t.Errorf("seed %d: %s has tag %v and is %q", seed, p.Name, p.Tag, k)
			}
		}
		// beyond says that no honest noise puts the tag so far from a point.
		beyond := func(p Photo, id string) bool {
			return distance(t, vellandPlane, p, points[id].en) > 2.4477*p.HPositioningError/1.5152+2
		}
		for _, tr := range j.Planted {
			shown := 0
			stations := make(map[string]bool)
			for _, n := range tr.Photos {
				p := byName[n]
				stations[p.Shows] = true
				switch tr.Kind {
				case LateRun:
					if i := slices.Index(ids, p.Shows); ids[i+1] != p.Linked {
						t.Errorf("seed %d: %s shows %s and is linked to %s, not to the next, %s", seed, n, p.Shows, p.Linked, ids[i+1])
					}
					if p.meta.description != "" {
						t.Errorf("seed %d: %s names %q itself", seed, n, p.meta.description)
					}
				case FrozenFix:
					o := byName[tr.Origin]
					if *p.Tag != *o.Tag || p.Shows == o.Shows || *p.meta.gps.fix != *o.meta.gps.fix {
						t.Errorf("seed %d: %s has not the fix of %s", seed, n, tr.Origin)
					}
				case FlippedLongitude:
					if p.Tag.Lon < 6 {
						t.Errorf("seed %d: %s has longitude %v", seed, n, p.Tag.Lon)
					}
				}
				if p.Tag != nil && beyond(p, p.Linked) {
					shown++
				}
			}
			switch tr.Kind {
			case LateRun:
				if shown < 7 {
					t.Errorf("seed %d: only %d of %d of the late run are beyond budget", seed, shown, len(tr.Photos))
				}
			case FrozenFix:
				if shown < 5 || len(stations) < 3 {
					t.Errorf("seed %d: %d of %d stale tags at %d points are beyond budget", seed, shown, len(tr.Photos), len(stations))
				}
			case FlippedLongitude:
				if shown != len(tr.Photos) {
					t.Errorf("seed %d: %d of %d flipped tags are beyond budget", seed, shown, len(tr.Photos))
				}
			}
		}
	}
}

// distance is from a photo's tag to a place on the grid, in metres.
func distance(t testing.TB, proj tangent, p Photo, to grid.EN) float64 {
	t.Helper()
	at, err := proj.ToGrid(context.Background(), []grid.Fix{{LatLon: *p.Tag}})
	if err != nil {
		t.Fatal(err)
	}
	return math.Hypot(at[0].E-to.E, at[0].N-to.N) * proj.grid.Unit.Metres
}

// TestNoiseIsHonest checks the reported accuracy against the true error, over
// many seeds: GPSHPositioningError holds 68.27 % of the sound photos' errors, a
// radius of 2.4477/1.5152 of it 95 % (Rayleigh), and photos taken in a minute
// have like errors.
func TestNoiseIsHonest(t *testing.T) {
	var n, in68, in95, swollen float64
	var dot, sq float64
	for seed := range uint64(60) {
		for _, job := range []struct {
			j    *Job
			proj tangent
		}{{velland(t, seed), vellandPlane}, {tallow(t, seed), tallowSite}} {
			bad := planted(t, job.j)
			_, points := readPoints(t, job.j)
			var last struct {
				e, n   float64
				device string
				taken  time.Time
			}
			for _, p := range job.j.Photos {
				if bad[p.Name] != "" {
					if k := bad[p.Name]; k != Undersized && k != Blurred && k != LateRun {
						continue
					}
				}
				m := job.proj.grid.Unit.Metres
				if so := math.Hypot(p.Camera.E-points[p.Shows].en.E, p.Camera.N-points[p.Shows].en.N) * m; so < 1.5 || so > 2.5 {
					t.Errorf("seed %d: %s was taken %.2f m from its point", seed, p.Name, so)
				}
				if p.HPositioningError < 2.5 || p.HPositioningError > 6 {
					t.Errorf("seed %d: %s reports %v m", seed, p.Name, p.HPositioningError)
				}
				d := distance(t, job.proj, p, p.Camera) / p.HPositioningError
				n++
				if d <= 1 {
					in68++
				}
				if d <= 2.4477/1.5152 {
					in95++
				}
				if 1.1*d <= 1 {
					swollen++
				}
				at, err := job.proj.ToGrid(context.Background(), []grid.Fix{{LatLon: *p.Tag}})
				if err != nil {
					t.Fatal(err)
				}
				e, nn := (at[0].E-p.Camera.E)*m/p.HPositioningError, (at[0].N-p.Camera.N)*m/p.HPositioningError
				if last.device == p.meta.serial && p.Taken.Sub(last.taken) < time.Minute {
					dot += e*last.e + nn*last.n
					sq += (e*e + nn*nn + last.e*last.e + last.n*last.n) / 2
				}
				last.e, last.n, last.device, last.taken = e, nn, p.meta.serial, p.Taken
			}
		}
	}
	// Photos of one point have nearly one error, so some 4000 errors count.
	const tol68, tol95 = 0.025, 0.012
	if got := in68 / n; math.Abs(got-0.6827) > tol68 {
		t.Errorf("%.4f of the errors are within the reported accuracy, want 0.6827", got)
	}
	if got := in95 / n; math.Abs(got-0.95) > tol95 {
		t.Errorf("%.4f of the errors are within the 95 %% radius, want 0.95", got)
	}
	if got := swollen / n; math.Abs(got-0.6827) <= tol68 {
		t.Errorf("errors a tenth larger pass too (%.4f): this test could not fail", got)
	}
	if r := dot / sq; r < 0.7 || r > 0.98 {
		t.Errorf("errors of one minute correlate by %.3f", r)
	}
}

func TestPlanAgrees(t *testing.T) {
	// The tag's position, put on the grid, must be what the shot was given, and
	// the direction written must be that from the camera to the point, within
	// the compass error and the plate that the camera also takes in.
	for _, job := range []struct {
		j    *Job
		proj tangent
	}{{velland(t, 3), vellandPlane}, {tallow(t, 3), tallowSite}} {
		_, points := readPoints(t, job.j)
		for _, p := range job.j.Photos {
			if p.meta.gps == nil || p.meta.gps.fix == nil {
				continue
			}
			to := points[p.Shows].en
			want := math.Atan2(to.E-p.Camera.E, to.N-p.Camera.N)*180/math.Pi - job.proj.turn
			if off := math.Abs(math.Remainder(p.meta.gps.direction-want, 360)); off > 20 {
				t.Errorf("%s looks to %.1f, the point is to %.1f", p.Name, p.meta.gps.direction, want)
			}
		}
	}
}

func TestSameSeedSameBytes(t *testing.T) {
	for _, mk := range []func(testing.TB, uint64) *Job{velland, tallow} {
		a, b, other := mk(t, 7), mk(t, 7), mk(t, 8)
		for _, f := range []func(*Job) []byte{
			func(j *Job) []byte { return j.Settings }, func(j *Job) []byte { return j.Points },
			func(j *Job) []byte { return j.Links }, func(j *Job) []byte { return j.ReadMe },
		} {
			if !bytes.Equal(f(a), f(b)) {
				t.Errorf("%s: two texts of one seed differ", a.Name)
			}
		}
		if bytes.Equal(a.Points, other.Points) {
			t.Errorf("%s: two seeds have the same points", a.Name)
		}
		for _, i := range []int{0, len(a.Photos) / 2} {
			x, y := jpegOf(t, &a.Photos[i]), jpegOf(t, &b.Photos[i])
			if !bytes.Equal(x, y) {
				t.Errorf("%s differs between two runs of one seed", a.Photos[i].Name)
			}
			if i == 0 && bytes.Equal(x, jpegOf(t, &other.Photos[i])) {
				t.Errorf("%s is the same with another seed", a.Photos[i].Name)
			}
		}
	}
}

func jpegOf(t testing.TB, p *Photo) []byte {
	t.Helper()
	b, err := p.JPEG()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestWrite(t *testing.T) {
	j := tallow(t, 1)
	j.Photos = j.Photos[:4]
	dir := t.TempDir()
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	var steps []int
	err = Write(context.Background(), root, j, func(done, total int) {
		if total != len(j.Photos) {
			t.Errorf("progress of %d", total)
		}
		steps = append(steps, done)
	})
	if err != nil {
		t.Fatal(err)
	}
	if want := []int{1, 2, 3, 4}; !slices.Equal(steps, want) {
		t.Errorf("progress %v, want %v", steps, want)
	}
	var got []string
	err = fs.WalkDir(root.FS(), ".", func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			got = append(got, name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{settingsName, pointsName, linksName, readMeName}
	for _, p := range j.Photos {
		want = append(want, p.Name)
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("files %v, want %v", got, want)
	}
	b, err := root.ReadFile(j.Photos[2].Name)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(b, jpegOf(t, &j.Photos[2])) {
		t.Error("the photo on disk is not the one drawn")
	}

	// A second time there is something in the way.
	if err := Write(context.Background(), root, j, nil); !errors.Is(err, ErrNotEmpty) {
		t.Errorf("writing over a job gives %v", err)
	}
	if after, err := root.ReadFile(j.Photos[2].Name); err != nil || !bytes.Equal(after, b) {
		t.Errorf("the refused writing touched a photo (%v)", err)
	}
}

func TestWriteTakesAwayWhatItCouldNotFinish(t *testing.T) {
	left := func(t *testing.T, root *os.Root) {
		t.Helper()
		es, err := fs.ReadDir(root.FS(), ".")
		if err != nil {
			t.Fatal(err)
		}
		if len(es) > 0 {
			t.Errorf("%s was left", es[0].Name())
		}
	}
	open := func(t *testing.T) *os.Root {
		t.Helper()
		root, err := os.OpenRoot(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { root.Close() })
		return root
	}
	t.Run("cancelled", func(t *testing.T) {
		root := open(t)
		ctx, cancel := context.WithCancel(context.Background())
		err := Write(ctx, root, tallow(t, 1), func(done, total int) {
			if done == 2 {
				cancel()
			}
		})
		if !errors.Is(err, context.Canceled) {
			t.Errorf("error %v", err)
		}
		left(t, root)
	})
	t.Run("name leaves the folder", func(t *testing.T) {
		root := open(t)
		j := tallow(t, 1)
		j.Photos = j.Photos[:2]
		j.Photos[1].Name = "photos/../../out.jpg"
		if err := Write(context.Background(), root, j, nil); err == nil {
			t.Error("no error")
		}
		left(t, root)
	})
	t.Run("same name twice", func(t *testing.T) {
		root := open(t)
		j := tallow(t, 1)
		j.Photos = j.Photos[:2]
		j.Photos[1].Name = j.Photos[0].Name
		if err := Write(context.Background(), root, j, nil); !errors.Is(err, fs.ErrExist) {
			t.Errorf("error %v", err)
		}
		left(t, root)
	})
}

func TestProjectionRefused(t *testing.T) {
	ctx := context.Background()
	if _, err := PortVelland(ctx, tallowPlane, 1); !errors.Is(err, ErrGrid) {
		t.Errorf("the other grid gives %v", err)
	}
	feet := vellandPlane
	feet.grid.Unit = grid.Foot
	if _, err := PortVelland(ctx, feet, 1); !errors.Is(err, ErrGrid) {
		t.Errorf("the other unit gives %v", err)
	}
	if _, err := TallowCreek(ctx, vellandPlane, 1); !errors.Is(err, ErrGrid) {
		t.Errorf("the other grid gives %v", err)
	}
	fail := errors.New("engine stopped")
	for name, tt := range map[string]struct {
		spoil func([]grid.FixPlacement) ([]grid.FixPlacement, error)
		want  string
	}{
		"call":     {func([]grid.FixPlacement) ([]grid.FixPlacement, error) { return nil, fail }, "engine stopped"},
		"position": {func(f []grid.FixPlacement) ([]grid.FixPlacement, error) { f[5].Err = fail; return f, nil }, "engine stopped"},
		"short":    {func(f []grid.FixPlacement) ([]grid.FixPlacement, error) { return f[1:], nil }, "returned"},
		"nonsense": {func(f []grid.FixPlacement) ([]grid.FixPlacement, error) { f[9].Lat = math.NaN(); return f, nil }, "NaN"},
		"ballpark": {func(f []grid.FixPlacement) ([]grid.FixPlacement, error) {
			f[3].Op = &grid.Operation{Name: "copy", Ballpark: true}
			return f, nil
		}, "ballpark"},
	} {
		t.Run(name, func(t *testing.T) {
			j, err := PortVelland(ctx, broken{vellandPlane, tt.spoil}, 1)
			if j != nil || err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("job %v, error %v, want one with %q", j != nil, err, tt.want)
			}
		})
	}
	gone, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := PortVelland(gone, vellandPlane, 1); !errors.Is(err, context.Canceled) {
		t.Errorf("a cancelled context gives %v", err)
	}
}
