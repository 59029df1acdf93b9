package crs_test

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	proj "github.com/twpayne/go-proj/v11"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
	_ "modernc.org/sqlite"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
)

// The study draws its jobs without knowledge of how Search works, and carries
// positions by PROJ itself. lookSeeds were looked at while Search and this file
// were written, and are what a short run and PHOTOTIE_STUDY=N (N jobs) draw.
// finalSeeds are for PHOTOTIE_FULL=1 alone (about ten minutes of CPU, so with
// -timeout 90m): nothing may be tuned on them.
//
// Of 500 final jobs 318 had the right system first and 422 that or one less than
// 0.5 m off (80.9 to 87.5 %, with 95 % confidence); all 500 had it first or among
// those alike (99.3 to 100 %). The 78 misses are all of the latter: realisations
// of one datum, or feet of two kinds, some metres apart, which tags with an offset
// in common of metres can't decide. The likeliest system would have done in 409.
// 200 of 200 jobs in local coordinates, and of points elsewhere, gave nothing.
const (
	lookSeeds  = 1_000
	finalSeeds = 7_000_000
)

// axis is one of the two axes of a system, in the registry's order. On polar
// systems, whose axes both point north or south, east is the one called easting.
type axis struct{ east, reversed bool }

// registered is a projected system as PROJ's database has it.
type registered struct {
	code, name, method string
	unit               grid.Unit
	axes               [2]axis
	polar              bool
	area               grid.Area
}

// kind is what the strata of the draw are made of.
func (r *registered) kind() string {
	return fmt.Sprint(r.method, r.unit.Name, r.axes, r.polar)
}

// own turns the numbers of a job into the system's own coordinates: its order,
// signs and unit.
func (r *registered) own(n [2]float64, unit grid.Unit, northFirst, westSouth bool) proj.Coord {
	if r.axes[0].east == northFirst {
		n[0], n[1] = n[1], n[0]
	}
	for k := range n {
		n[k] *= unit.Metres / r.unit.Metres
		if r.axes[k].reversed && !westSouth {
			n[k] = -n[k]
		}
	}
	return proj.NewCoord(n[0], n[1], 0, 0)
}

// numbers is the reverse, by the system's own signs, to a thousandth of the unit.
func (r *registered) numbers(c proj.Coord, unit grid.Unit, northFirst bool) [2]float64 {
	n := [2]float64{c.X(), c.Y()}
	if r.axes[0].east == northFirst {
		n[0], n[1] = n[1], n[0]
	}
	for k := range n {
		n[k] = math.Round(n[k]*r.unit.Metres/unit.Metres*1000) / 1000
	}
	return n
}

// loadRegistry reads the projected systems of the EPSG registry that are not
// deprecated from PROJ's database.
var loadRegistry = sync.OnceValues(func() (map[string]*registered, error) {
	paths, err := exec.Command("projinfo", "--searchpaths").Output()
	if err != nil {
		return nil, err
	}
	var file string
	for p := range strings.Lines(string(paths)) {
		p = filepath.Join(strings.TrimSpace(p), "proj.db")
		if _, err := os.Stat(p); err == nil {
			file = p
			break
		}
	}
	if file == "" {
		return nil, fmt.Errorf("no proj.db in %q", paths)
	}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: file, RawQuery: "mode=ro&immutable=1"}).String())
	if err != nil {
		return nil, err
	}
	defer db.Close()
	rows, err := db.Query(`
		SELECT p.code, p.name, c.method_name, m.name, m.conv_factor, a.coordinate_system_order, a.name, a.orientation,
			e.name, e.south_lat, e.west_lon, e.north_lat, e.east_lon
		FROM projected_crs p
		JOIN conversion c ON c.auth_name = p.conversion_auth_name AND c.code = p.conversion_code
		JOIN axis a ON a.coordinate_system_auth_name = p.coordinate_system_auth_name
			AND a.coordinate_system_code = p.coordinate_system_code AND a.coordinate_system_order <= 2
		JOIN unit_of_measure m ON m.auth_name = a.uom_auth_name AND m.code = a.uom_code
		JOIN usage u ON u.object_table_name = 'projected_crs'
			AND u.object_auth_name = p.auth_name AND u.object_code = p.code
		JOIN extent e ON e.auth_name = u.extent_auth_name AND e.code = u.extent_code
		WHERE p.auth_name = 'EPSG' AND p.deprecated = 0
		ORDER BY p.code, a.coordinate_system_order`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	all := make(map[string]*registered)
	for rows.Next() {
		var code, axisName, orientation string
		var k int
		var r registered
		if err := rows.Scan(&code, &r.name, &r.method, &r.unit.Name, &r.unit.Metres, &k, &axisName, &orientation,
			&r.area.Name, &r.area.South, &r.area.West, &r.area.North, &r.area.East); err != nil {
			return nil, err
		}
		r.code = "EPSG:" + code
		if all[r.code] == nil { // a second area of use comes in rows of its own
			all[r.code] = &r
		}
		all[r.code].axes[k-1] = axis{
			east:     axisName == "Easting" || axisName == "Westing",
			reversed: orientation == "west" || orientation == "south",
		}
		all[r.code].polar = strings.Contains(orientation, " along ")
	}
	for code, r := range all {
		if r.axes[0].east == r.axes[1].east {
			return nil, fmt.Errorf("the axes of %s are %v", code, r.axes)
		}
	}
	return all, rows.Err()
})

// world draws places and systems. It belongs to one goroutine.
type world struct {
	pj      *proj.Context
	systems map[string]*registered
	codes   []string
	strata  [][]string
}

func newWorld(t *testing.T) *world {
	t.Helper()
	if _, err := exec.LookPath("projinfo"); err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatalf("projinfo is not installed (Debian: proj-bin): %v", err)
		}
		t.Skip("projinfo is not installed")
	}
	systems, err := loadRegistry()
	if err != nil {
		t.Fatal(err)
	}
	if len(systems) < 4000 {
		t.Fatalf("only %d projected systems", len(systems))
	}
	w := &world{pj: proj.NewContext(), systems: systems}
	w.pj.SetLogLevel(proj.LogLevelNone)
	strata := make(map[string][]string)
	for code := range systems {
		w.codes = append(w.codes, code)
	}
	slices.Sort(w.codes)
	for _, code := range w.codes {
		k := systems[code].kind()
		strata[k] = append(strata[k], code)
	}
	for _, code := range w.codes {
		if s := strata[systems[code].kind()]; s[0] == code {
			w.strata = append(w.strata, s)
		}
	}
	return w
}

// way is PROJ's own choice of the operation between two systems for a place.
func (w *world) way(from, to string, at grid.LatLon) (*proj.PJ, error) {
	const d = 0.2
	return w.pj.NewCRSToCRS(from, to, proj.NewArea(wrapped(at.Lon-d), max(at.Lat-d, -90), wrapped(at.Lon+d), min(at.Lat+d, 90)))
}

// ballpark tells whether the operation that was last used is one.
func ballpark(p *proj.PJ) bool {
	used, err := p.GetLastUsedOperation()
	if err != nil {
		used = p
	}
	return used.HasBallparkTransformation() || strings.Contains(strings.ToLower(used.Info().Description), "ballpark")
}

func wrapped(lon float64) float64 { return math.Remainder(lon, 360) }

// moved is the position some metres east and north of p, on a sphere: where
// exactly doesn't matter, as the grid gets it from the result.
func moved(p grid.LatLon, east, north float64) grid.LatLon {
	const degree = 6371000 * math.Pi / 180
	lat := p.Lat + north/degree
	return grid.LatLon{Lat: lat, Lon: wrapped(p.Lon + east/degree/math.Cos(lat*math.Pi/180))}
}

// placed are positions by metres east and north of a place.
func placed(at grid.LatLon, plane [][2]float64) []grid.LatLon {
	out := make([]grid.LatLon, len(plane))
	for i, p := range plane {
		out[i] = moved(at, p[0], p[1])
	}
	return out
}

// toOwn carries positions to a system; ok is false where PROJ can't, or where the
// way back leads elsewhere.
func toOwn(p *proj.PJ, at []grid.LatLon) (own []proj.Coord, ok bool) {
	for _, a := range at {
		c, err := p.Forward(proj.NewCoord(a.Lat, a.Lon, 0, 0))
		if err != nil || math.IsInf(c.X(), 0) || math.IsNaN(c.X()+c.Y()) {
			return nil, false
		}
		back, err := p.Inverse(c)
		if err != nil || !(math.Abs(back.X()-a.Lat) < 1e-6) || !(math.Abs(wrapped(back.Y()-a.Lon)) < 1e-6/math.Cos(a.Lat*math.Pi/180)) {
			return nil, false
		}
		own = append(own, c)
	}
	return own, true
}

// job is what Search is given, with the truth.
type job struct {
	seed       uint64
	system     *registered
	unit       grid.Unit
	northFirst bool
	at         grid.LatLon
	layout     string
	links      bool
	byKind     bool
	ballpark   bool
	shift      float64
	clues      grid.Clues
}

func (j *job) String() string {
	order := "E first"
	if j.northFirst {
		order = "N first"
	}
	links := "no links"
	if j.links {
		links = "links"
	}
	return fmt.Sprintf("seed %d: %s %s (%s), numbers in %s, %s, at %.3f %.3f, %d points (%s), %d photos, %s",
		j.seed, j.system.code, j.system.name, j.system.method, j.unit.Name, order, j.at.Lat, j.at.Lon,
		len(j.clues.Coordinates), j.layout, len(j.clues.Fixes), links)
}

// between is a whole number, even in its logarithm.
func between(rng *rand.Rand, lo, hi float64) int {
	return int(math.Round(lo * math.Pow(hi/lo, rng.Float64())))
}

// lay draws n points of a survey, metres east and north, in walking order.
func lay(rng *rand.Rand, n int) (kind string, at [][2]float64) {
	spacing := 5 * math.Pow(12, rng.Float64())
	along := rng.Float64() * 2 * math.Pi
	jitter := func() float64 { return rng.NormFloat64() * spacing * 0.1 }
	put := func(a, b float64) {
		s, c := math.Sincos(along)
		a, b = a+jitter(), b+jitter()
		at = append(at, [2]float64{a*s + b*c, a*c - b*s})
	}
	switch kind = []string{"line", "serpentine", "clusters", "road"}[rng.IntN(4)]; kind {
	case "line":
		for k := range n {
			put(float64(k)*spacing, 0)
		}
	case "serpentine":
		row := 3 + rng.IntN(int(math.Sqrt(float64(n)))+1)
		for k := range n {
			i := k % row
			if k/row%2 == 1 {
				i = row - 1 - i
			}
			put(float64(i)*spacing, float64(k/row)*spacing)
		}
	case "clusters":
		var a, b float64
		for k := range n {
			if k%8 == 0 {
				a, b = rng.NormFloat64()*10*spacing, rng.NormFloat64()*10*spacing
			}
			put(a+rng.NormFloat64()*spacing, b+rng.NormFloat64()*spacing)
		}
	case "road":
		var a, b, turn, dir float64
		for k := range n {
			turn = 0.8*turn + rng.NormFloat64()*0.05
			dir += turn
			a, b = a+spacing*math.Cos(dir), b+spacing*math.Sin(dir)
			side := 4 * float64(k%2*2-1)
			put(a-side*math.Sin(dir), b+side*math.Cos(dir))
		}
	}
	return kind, at
}

// photograph draws the photos of points: their tags, and the links if j has any.
func (j *job) photograph(rng *rand.Rand, points []grid.LatLon) {
	n := between(rng, 20, 200)
	first, step := 0.0, float64(len(points))/float64(n)
	if n < len(points) && rng.IntN(2) == 0 {
		first, step = float64(rng.IntN(len(points)-n)), 1
	}
	frame := grid.Frame{}
	if rng.IntN(2) == 0 {
		frame = grid.Frame{Datum: "WGS-84", Epoch: 2018 + 8*rng.Float64()}
	}
	stale, unlinked := 0.10, 0.0
	if j.links {
		stale = 0.05
		if rng.IntN(2) == 0 {
			unlinked = 0.2
		}
	}
	grain := []float64{1e-7, 0.01 / 3600}[rng.IntN(2)]
	session := [2]float64{rng.NormFloat64() * 2, rng.NormFloat64() * 2}
	slow := [2]float64{rng.NormFloat64() * 1.5, rng.NormFloat64() * 1.5}
	office := moved(points[0], rng.NormFloat64()*10000, rng.NormFloat64()*10000)
	for k := range n {
		i := min(int(first+float64(k)*step), len(points)-1)
		away, dir := 2+3*rng.Float64(), rng.Float64()*2*math.Pi
		e := [2]float64{session[0] + away*math.Cos(dir), session[1] + away*math.Sin(dir)}
		reach := 0.0
		if rng.Float64() < 0.04 {
			reach = 8 + rng.ExpFloat64()*15
		}
		dir = rng.Float64() * 2 * math.Pi
		e[0] += reach * math.Cos(dir)
		e[1] += reach * math.Sin(dir)
		for a := range e {
			slow[a] = 0.9*slow[a] + math.Sqrt(1-0.81)*1.5*rng.NormFloat64()
			e[a] += slow[a] + rng.NormFloat64()
		}
		tag := moved(points[i], e[0], e[1])
		tag.Lat = math.Round(tag.Lat/grain) * grain
		tag.Lon = math.Round(tag.Lon/grain) * grain
		if rng.Float64() < stale {
			tag = office
			if back := 1 + rng.IntN(20); rng.IntN(10) < 7 && back <= k {
				tag = j.clues.Fixes[k-back].LatLon
			}
		}
		j.clues.Fixes = append(j.clues.Fixes, grid.Fix{LatLon: tag, Frame: frame})
		if !j.links {
			continue
		}
		if rng.Float64() < 0.1 {
			if rng.IntN(2) == 0 {
				i = (i + 1 + rng.IntN(3)) % len(points)
			} else {
				i = rng.IntN(len(points))
			}
		}
		if rng.Float64() < unlinked {
			i = -1
		}
		j.clues.Pairs = append(j.clues.Pairs, i)
	}
}

// draw makes the job of a seed: on a system drawn from all of them, or one time
// in three from a stratum drawn from all. Elsewhere takes the photos 50 to 500 km
// from the points. It is not ok where PROJ can't go to the system at any of some
// places.
func (w *world) draw(seed uint64, elsewhere bool) (j *job, ok bool) {
	rng := rand.New(rand.NewPCG(seed, 15))
	j = &job{seed: seed, byKind: rng.IntN(3) == 0, links: rng.IntN(2) == 0, northFirst: rng.IntN(2) == 0}
	from := w.codes
	if j.byKind {
		from = w.strata[rng.IntN(len(w.strata))]
	}
	j.system = w.systems[from[rng.IntN(len(from))]]
	j.unit = j.system.unit
	if rng.IntN(6) == 0 {
		j.unit = []grid.Unit{grid.Metre, grid.Foot, grid.USSurveyFoot}[rng.IntN(3)]
	}
	var plane [][2]float64
	j.layout, plane = lay(rng, between(rng, 15, 200))
	for range 8 {
		j.at = w.place(rng, j.system.area)
		op, err := w.way("EPSG:4326", j.system.code, j.at)
		if err != nil {
			continue
		}
		points := placed(j.at, plane)
		own, ok := toOwn(op, points)
		if !ok {
			continue
		}
		j.ballpark = ballpark(op)
		for _, c := range own {
			j.clues.Coordinates = append(j.clues.Coordinates, j.system.numbers(c, j.unit, j.northFirst))
		}
		switch {
		case elsewhere:
			_, plane = lay(rng, between(rng, 15, 200))
			far, dir := 50000*math.Pow(10, rng.Float64()), rng.Float64()*2*math.Pi
			north := max(min(far*math.Sin(dir), (88-j.at.Lat)*111000), (-88-j.at.Lat)*111000)
			points = placed(moved(j.at, far*math.Cos(dir), north), plane)
		case j.ballpark && rng.IntN(2) == 0:
			// What lies between the frames nobody has told PROJ.
			dir := rng.Float64() * 2 * math.Pi
			j.shift = 100 + 200*rng.Float64()
			points = placed(moved(j.at, j.shift*math.Cos(dir), j.shift*math.Sin(dir)), plane)
		}
		j.photograph(rng, points)
		for i, p := range j.clues.Pairs {
			j.clues.Pairs[i] = min(p, len(own)-1)
		}
		return j, true
	}
	return j, false
}

// place draws a place in an area, four degrees and more from the poles.
func (w *world) place(rng *rand.Rand, a grid.Area) grid.LatLon {
	width := a.East - a.West
	if width <= 0 {
		width += 360
	}
	south, north := max(a.South, -86), min(a.North, 86)
	if south > north {
		south, north = a.South, a.North
	}
	return grid.LatLon{Lat: south + (north-south)*rng.Float64(), Lon: wrapped(a.West + width*rng.Float64())}
}

// drawLocal makes a job in coordinates that somebody chose for a site.
func (w *world) drawLocal(seed uint64) (*job, bool) {
	rng := rand.New(rand.NewPCG(seed, 16))
	j := &job{seed: seed, links: rng.IntN(2) == 0, northFirst: rng.IntN(2) == 0,
		unit: []grid.Unit{grid.Metre, grid.Foot, grid.USSurveyFoot}[rng.IntN(3)]}
	j.at = w.place(rng, w.systems[w.codes[rng.IntN(len(w.codes))]].area)
	var plane [][2]float64
	j.layout, plane = lay(rng, between(rng, 15, 200))
	turn := []float64{0, rng.NormFloat64() * 0.05, rng.Float64() * 2 * math.Pi}[rng.IntN(3)]
	scale := (1 + []float64{0, 1e-4, 1e-3}[rng.IntN(3)]*rng.NormFloat64()) / j.unit.Metres
	origins := [][2]float64{{0, 0}, {1000, 1000}, {1000, 2000}, {5000, 5000}, {5000, 10000}, {10000, 50000}, {100000, 100000}, {200000, 500000},
		{1e4 * rng.Float64(), 1e4 * rng.Float64()}, {1e5 * rng.Float64(), 1e5 * rng.Float64()},
		{1e6 * rng.Float64(), 1e6 * rng.Float64()}, {1e6 * rng.Float64(), 6e6 * rng.Float64()}}
	origin := origins[rng.IntN(len(origins))]
	j.system = &registered{code: "local", name: fmt.Sprintf("from %.0f %.0f, turned %.4f, scale %.6f", origin[0], origin[1], turn, scale*j.unit.Metres)}
	s, c := math.Sincos(turn)
	for _, p := range plane {
		n := [2]float64{origin[0] + scale*(c*p[0]-s*p[1]), origin[1] + scale*(s*p[0]+c*p[1])}
		if j.northFirst {
			n[0], n[1] = n[1], n[0]
		}
		for a := range n {
			n[a] = math.Round(n[a]*1000) / 1000
		}
		j.clues.Coordinates = append(j.clues.Coordinates, n)
	}
	j.photograph(rng, placed(j.at, plane))
	return j, true
}

// apart is how far a found system puts the points of the job from where they are
// by the job's own, in metres on its plane: PROJ takes the coordinates from one
// system straight to the other.
func (w *world) apart(j *job, r grid.RankedSystem) (median float64, rough bool) {
	b := w.systems[r.Definition]
	if b == nil {
		return math.NaN(), false
	}
	var d []float64
	op, err := w.way(j.system.code, b.code, j.at)
	if err != nil {
		return math.NaN(), false
	}
	for _, n := range j.clues.Coordinates {
		want := j.system.own(n, j.unit, j.northFirst, true)
		if b != j.system {
			if want, err = op.Forward(want); err != nil {
				return math.NaN(), false
			}
			rough = rough || ballpark(op)
		}
		got := b.own(n, r.Unit, r.NorthFirst, r.WestSouth)
		d = append(d, math.Hypot(got.X()-want.X(), got.Y()-want.Y())*b.unit.Metres)
	}
	slices.Sort(d)
	return stat.Quantile(0.5, stat.Empirical, d, nil), rough
}

// isRight tells whether a found system is the job's own, read as it was written.
func (w *world) isRight(j *job, r grid.RankedSystem) bool {
	if r.Definition != j.system.code || math.Abs(r.Unit.Metres/j.unit.Metres-1) > 1e-9 {
		return false
	}
	d, _ := w.apart(j, r)
	return d < 1e-3
}

// outcome is what Search makes of a job: the right system first, or one that
// differs by less than 0.5 m; the right one among those alike; the likeliest of
// all, whatever the rule among those alike says, less than 0.5 m off. at is the
// place of the right one, or -1.
type outcome struct {
	right, same, alike, likeliest bool
	at                            int
}

func (w *world) judge(j *job, found []grid.RankedSystem) outcome {
	o := outcome{at: slices.IndexFunc(found, func(r grid.RankedSystem) bool { return w.isRight(j, r) })}
	if len(found) == 0 {
		return o
	}
	close := func(r grid.RankedSystem) bool {
		d, _ := w.apart(j, r)
		return d < 0.5
	}
	o.right = o.at == 0
	o.same = o.right || close(found[0])
	o.alike = o.same || o.at > 0 && found[o.at].Alike
	o.likeliest = close(slices.MaxFunc(found, func(a, b grid.RankedSystem) int { return cmp.Compare(a.Score, b.Score) }))
	return o
}

// tally counts the jobs of a kind.
type tally struct{ n, right, same, alike, likeliest int }

func (c *tally) add(o outcome) {
	c.n++
	for into, is := range map[*int]bool{&c.right: o.right, &c.same: o.same, &c.alike: o.alike, &c.likeliest: o.likeliest} {
		if is {
			*into++
		}
	}
}

// printed is the table of the study.
func printed(table map[string]*tally) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%-30s %4s %6s %7s %15s %7s %9s\n", "jobs", "n", "right", "<0.5 m", "95 % of that", "alike", "likeliest")
	for _, row := range slices.Sorted(maps.Keys(table)) {
		c := table[row]
		lo, hi := interval(c.same, c.n)
		p := func(k int) float64 { return 100 * float64(k) / float64(c.n) }
		fmt.Fprintf(&b, "%-30s %4d %5.1f%% %6.1f%% %6.1f to %5.1f%% %6.1f%% %8.1f%%\n",
			row[2:], c.n, p(c.right), p(c.same), 100*lo, 100*hi, p(c.alike), p(c.likeliest))
	}
	return b.String()
}

// miss tells of a job whose first system is another.
func (w *world) miss(j *job, found []grid.RankedSystem, at int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "miss (%s), %v", j.rows()[0][2:], j)
	if j.shift > 0 {
		fmt.Fprintf(&b, ", shifted %.0f m", j.shift)
	}
	if len(found) == 0 {
		return b.String() + "\n  nothing found"
	}
	fmt.Fprintf(&b, "\n  first %s", w.describe(j, found[0]))
	if at < 0 {
		fmt.Fprintf(&b, "\n  right is not among the %d", len(found))
	} else {
		fmt.Fprintf(&b, "\n  right is number %d of %d: %s", at+1, len(found), w.describe(j, found[at]))
	}
	return b.String()
}

// interval is the exact (Clopper-Pearson) 95 % interval of a share, by the
// quantiles of the beta distribution (NIST/SEMATECH e-Handbook, 7.2.4.1).
func interval(k, n int) (lo, hi float64) {
	hi = 1
	if k > 0 {
		lo = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(0.025)
	}
	if k < n {
		hi = distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(0.975)
	}
	return lo, hi
}

// sizes are how many jobs of each sort are drawn, and from which seed on.
func sizes(t *testing.T) (known, local, elsewhere int, seed uint64) {
	t.Helper()
	if os.Getenv("PHOTOTIE_FULL") != "" {
		return 500, 200, 200, finalSeeds
	}
	if s := os.Getenv("PHOTOTIE_STUDY"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 {
			t.Fatalf("PHOTOTIE_STUDY=%q: a number of jobs is wanted", s)
		}
		return n, n, n, lookSeeds
	}
	return 6, 3, 3, lookSeeds
}

// notBelow fails the test where the interval of a share lies below a goal.
func notBelow(t *testing.T, what string, k, n int, goal float64) {
	t.Helper()
	lo, hi := interval(k, n)
	t.Logf("%s: %d of %d, %.1f %% (%.1f to %.1f)", what, k, n, 100*float64(k)/float64(n), 100*lo, 100*hi)
	if hi < goal {
		t.Errorf("%s: %d of %d, want %g %%", what, k, n, 100*goal)
	}
}

// rows are the lines of the table that a job counts in; letters set their order.
func (j *job) rows() []string {
	s := j.system
	switch {
	case j.shift > 0:
		return []string{"z ballpark, 100-300 m off"}
	case j.ballpark:
		return []string{"z ballpark, as it is"}
	}
	unit := s.unit.Name
	if !slices.Contains([]string{"metre", "foot", "US survey foot"}, unit) {
		unit = "another unit"
	}
	axes := "north, east"
	switch {
	case s.polar:
		axes = "polar"
	case s.axes[0].reversed || s.axes[1].reversed:
		axes = "west or south"
	case s.axes[0].east:
		axes = "east, north"
	}
	method := "other"
	for _, m := range []string{"Transverse Mercator", "Lambert Conic Conformal"} {
		if strings.HasPrefix(s.method, m) {
			method = m
		}
	}
	either := func(is bool, yes, no string) string {
		if is {
			return yes
		}
		return no
	}
	return []string{
		"a all",
		either(j.links, "b links", "b no links"),
		either(j.byKind, "c drawn by stratum", "c drawn by system"),
		either(len(j.clues.Fixes) < 60, "d 20-59 photos", "d 60-200 photos"),
		either(len(j.clues.Coordinates) < 50, "e 15-49 points", "e 50-200 points"),
		"f layout " + j.layout,
		"g system in " + unit,
		either(j.unit == s.unit, "h numbers in its unit", "h numbers in another unit"),
		"i axes " + axes,
		either(s.axes[0].east == !j.northFirst, "j in the axes' order", "j the other way round"),
		"k method " + method,
	}
}

// describe is a found system in a line.
func (w *world) describe(j *job, r grid.RankedSystem) string {
	d, rough := w.apart(j, r)
	by := ""
	if rough {
		by = " by a ballpark"
	}
	return fmt.Sprintf("%s %s in %s, N first %v, WS %v, near %.2f, %.1f m, score %.1f, alike %v, rough %v: %.3f m apart%s (own figure %.3f)",
		r.Definition, r.Name, r.Unit.Name, r.NorthFirst, r.WestSouth, r.Near, r.Distance, r.Score, r.Alike, r.Rough, d, by, r.Apart)
}

// Jobs on random systems of the registry: the system comes first, or one that
// puts the points less than 0.5 m from there, or it is marked as one that the
// fixes can't tell from the first. Systems that PROJ reaches from WGS 84 by a
// ballpark operation alone are counted apart, some of them: where they are nobody
// can know.
func TestSearchFindsSystems(t *testing.T) {
	w := newWorld(t)
	known, _, _, seed := sizes(t)
	table := make(map[string]*tally)
	apart := 0
	var unusable []string
	for counted := 0; counted < known; seed++ {
		j, ok := w.draw(seed, false)
		if !ok {
			unusable = append(unusable, j.system.code+" "+j.system.name)
			continue
		}
		if !j.ballpark {
			counted++
		} else if apart++; apart > max(known/8, 1) {
			continue
		}
		found, err := crs.Search(context.Background(), j.clues)
		if err != nil {
			t.Errorf("%v: %v", j, err)
			continue
		}
		o := w.judge(j, found)
		for _, row := range j.rows() {
			if table[row] == nil {
				table[row] = new(tally)
			}
			table[row].add(o)
		}
		if !o.same {
			t.Log(w.miss(j, found, o.at))
		}
	}
	t.Logf("\n%s", printed(table))
	t.Logf("only a ballpark operation leads to the systems of %d jobs that were drawn beside these", apart)
	if len(unusable) > 0 {
		t.Logf("PROJ has no way to %d systems that were drawn: %s", len(unusable), strings.Join(unusable, "; "))
	}
	all := table["a all"]
	notBelow(t, "right, or less than 0.5 m from it, or right among those alike", all.alike, all.n, 0.99)
	notBelow(t, "right, or less than 0.5 m from it", all.same, all.n, 0.8)
}

// Coordinates of site systems are in no system of the registry.
func TestSearchLeavesLocalCoordinates(t *testing.T) {
	w := newWorld(t)
	_, n, _, seed := sizes(t)
	w.findsNothing(t, "local coordinates", n, seed, w.drawLocal)
}

// Points that are not where the photos are lead to nothing.
func TestSearchLeavesOtherPlaces(t *testing.T) {
	w := newWorld(t)
	_, _, n, seed := sizes(t)
	w.findsNothing(t, "another place", n, seed, func(seed uint64) (*job, bool) { return w.draw(seed, true) })
}

func (w *world) findsNothing(t *testing.T, what string, n int, seed uint64, draw func(uint64) (*job, bool)) {
	t.Helper()
	nothing := 0
	for done := 0; done < n; seed++ {
		j, ok := draw(seed)
		if !ok {
			continue
		}
		done++
		found, err := crs.Search(context.Background(), j.clues)
		if err != nil {
			t.Errorf("%v: %v", j, err)
			continue
		}
		if len(found) == 0 {
			nothing++
			continue
		}
		t.Logf("claimed, %v\n  first of %d: %s", j, len(found), w.describe(j, found[0]))
	}
	notBelow(t, what+" gives nothing", nothing, n, 0.99)
}
