package walk_test

import (
	"context"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/sim"
	"example.com/phototie/match/walk"
)

// The figures of Params were chosen by looking at walks with the seeds 1000 to
// 1099, 10000 to 13999 and 77000 to 77009. The tests take seeds from here on.
const testSeeds = 900_000

// sets is how many walks a test draws: few, a third of that where tests are to be
// short, or with PHOTOTIE_FULL=1 as many as its claim needs to be read off.
func sets(few, full int) int {
	switch {
	case os.Getenv("PHOTOTIE_FULL") != "":
		return full
	case testing.Short():
		return few / 3
	}
	return few
}

// atLeast fails the test if fewer of n succeeded than a true share of want would
// have by chance once in a thousand times.
func atLeast(t *testing.T, what string, got, n int, want float64) {
	t.Helper()
	t.Logf("%s: %d of %d, %.1f %%", what, got, n, 100*float64(got)/float64(n))
	b := distuv.Binomial{N: float64(n), P: want}
	if b.CDF(float64(got)) < 0.001 {
		t.Errorf("%s: %d of %d, want %g %%", what, got, n, 100*want)
	}
}

// walkOf draws a set and gives it as this package takes it.
func walkOf(t testing.TB, c sim.Config) (*sim.Set, []walk.Photo, []walk.Point) {
	t.Helper()
	s, err := sim.New(c)
	if err != nil {
		t.Fatal(err)
	}
	points := make([]walk.Point, len(s.Points))
	for i, p := range s.Points {
		points[i] = walk.Point{EN: p.EN, Observed: p.Observed}
	}
	fixes := make([]grid.Fix, len(s.Photos))
	for i, p := range s.Photos {
		fixes[i].LatLon = grid.LatLon{Lat: p.Tag.Position.Lat, Lon: p.Tag.Position.Lon}
		fixes[i].Datum = p.Tag.MapDatum
	}
	placed, err := s.Projection.ToGrid(context.Background(), fixes)
	if err != nil {
		t.Fatal(err)
	}
	photos := make([]walk.Photo, len(s.Photos))
	for i, p := range s.Photos {
		if placed[i].Err != nil {
			t.Fatal(placed[i].Err)
		}
		photos[i] = walk.Photo{
			Time: p.Tag.Taken.Time, Zoned: p.Tag.Taken.HasOffset, Camera: p.Tag.Serial,
			Pos: &placed[i].EN, Sigma: match.RadiusSigma(*p.Tag.HPositioningError, 0.6827), Standoff: c.Standoff,
		}
		if p.Tag.GPSTime != nil {
			photos[i].GPS = *p.Tag.GPSTime
		}
		if l := s.Truth[i].Linked; l >= 0 {
			photos[i].Listed = []int{l}
		}
	}
	return s, photos, points
}

func untimed(points []walk.Point) {
	for i := range points {
		points[i].Observed = time.Time{}
	}
}

func decode(t testing.TB, photos []walk.Photo, points []walk.Point) *walk.Ties {
	t.Helper()
	ties, err := walk.Decode(context.Background(), photos, points, walk.Params{})
	if err != nil {
		t.Fatal(err)
	}
	return ties
}

// found says that at least three quarters of the wrong links are contradicted,
// with the right point in their place.
func found(s *sim.Set, ties *walk.Ties) bool {
	wrong, hit := 0, 0
	for i, tr := range s.Truth {
		if tr.Linked == tr.Point {
			continue
		}
		wrong++
		if t := ties.Photos[i]; t.Status == walk.Contradicted && t.Point == tr.Point {
			hit++
		}
	}
	return wrong > 0 && 4*hit >= 3*wrong
}

// TestFindsLateRuns: a late run of 8 or more among points 10 m apart, with a
// handheld of 5 m at 95 %, is found in 90 % of sets or more where the points have
// times. Without times most of the rest may as well be a receiver that jumped, which
// accuses nobody: 60 %.
func TestFindsLateRuns(t *testing.T) {
	if testing.Short() {
		t.Skip("it says nothing of goroutines, and runs in full without -short")
	}
	n := sets(60, 1000)
	var timed, bare int
	for k := range n {
		c := sim.Default()
		c.Seed = uint64(testSeeds + k)
		c.Spacing = 10
		c.Points = []int{80, 200}[k%2]
		c.Plants = []sim.Plant{{Kind: sim.LateRun, Run: 8 + k%5}}
		s, photos, points := walkOf(t, c)
		if found(s, decode(t, photos, points)) {
			timed++
		}
		untimed(points)
		if found(s, decode(t, photos, points)) {
			bare++
		}
	}
	atLeast(t, "late runs found", timed, n, 0.90)
	atLeast(t, "late runs found without times", bare, n, 0.60)
}

// TestFindsSwappedTies: two swapped links at 30 m are found in 95 % of sets.
func TestFindsSwappedTies(t *testing.T) {
	if testing.Short() {
		t.Skip("it says nothing of goroutines, and runs in full without -short")
	}
	n := sets(60, 1000)
	var timed, bare int
	for k := range n {
		c := sim.Default()
		c.Seed = uint64(testSeeds + 10_000 + k)
		c.Spacing = 30
		c.Points = []int{80, 200}[k%2]
		c.Plants = []sim.Plant{{Kind: sim.SwappedTies, Count: 1}}
		s, photos, points := walkOf(t, c)
		if found(s, decode(t, photos, points)) {
			timed++
		}
		untimed(points)
		if found(s, decode(t, photos, points)) {
			bare++
		}
	}
	atLeast(t, "swapped ties found", timed, n, 0.95)
	atLeast(t, "swapped ties found without times", bare, n, 0.95)
}

// TestAccusesNoRightLinks: among clean walks, of points 3 to 30 m apart, fewer than
// one right link in a thousand is contradicted.
func TestAccusesNoRightLinks(t *testing.T) {
	n := sets(60, 2000)
	links, accused, sets := 0, 0, 0
	for k := range n {
		c := sim.Default()
		c.Seed = uint64(testSeeds + 20_000 + k)
		c.Spacing = []float64{3, 5, 10, 15, 30}[k%5]
		c.Layout = []sim.Layout{sim.Line, sim.Plots, sim.Road}[k%3]
		_, photos, points := walkOf(t, c)
		if k%2 == 1 {
			untimed(points)
		}
		bad := 0
		for _, tie := range decode(t, photos, points).Photos {
			links++
			if tie.Status == walk.Contradicted {
				bad++
			}
		}
		accused += bad
		if bad > 0 {
			sets++
		}
	}
	t.Logf("%d of %d right links contradicted, in %d of %d sets", accused, links, sets, n)
	if accused*1000 > links {
		t.Errorf("%d of %d right links contradicted", accused, links)
	}
}

// TestDoubtful: where points are 2 m apart, nobody can tell a late run from
// a right one by a handheld of 5 m, and it must not be claimed. Of the wrong links
// few are confirmed, and of the right ones hardly any is contradicted.
func TestDoubtful(t *testing.T) {
	n := sets(20, 300)
	status := make(map[bool]map[walk.Status]int)
	status[true], status[false] = make(map[walk.Status]int), make(map[walk.Status]int)
	for k := range n {
		c := sim.Default()
		c.Seed = uint64(testSeeds + 30_000 + k)
		c.Spacing = 2
		c.Points = 200
		c.Plants = []sim.Plant{{Kind: sim.LateRun, Run: 8}}
		s, photos, points := walkOf(t, c)
		untimed(points)
		for i, tie := range decode(t, photos, points).Photos {
			status[s.Truth[i].Linked == s.Truth[i].Point][tie.Status]++
		}
	}
	right, wrong := status[true], status[false]
	t.Logf("right links %v, wrong links %v", right, wrong)
	if total := right[walk.Confirmed] + right[walk.Doubtful] + right[walk.Contradicted]; right[walk.Doubtful]*10 < total*8 || right[walk.Contradicted]*1000 > total {
		t.Errorf("right links among points closer than the noise: %v", right)
	}
	if total := wrong[walk.Confirmed] + wrong[walk.Doubtful] + wrong[walk.Contradicted]; total != 8*n || wrong[walk.Confirmed]*10 > total {
		t.Errorf("wrong links among points closer than the noise: %v", wrong)
	}
}

// bin is a bin of a reliability curve.
type bin struct {
	n, p, hit float64
	// The ties of one walk hang together: it is walks that are counted for the
	// standard error. off is what one walk adds to p - hit, off2 the sum of its
	// squares over walks.
	off, off2 float64
}

func (b *bin) put(p float64, hit bool) {
	b.n++
	b.p += p
	b.off += p
	if hit {
		b.hit++
		b.off--
	}
}

// next ends a walk.
func (b *bin) next() {
	b.off2 += b.off * b.off
	b.off = 0
}

// stdErr is the standard error of the difference of the two shares.
func (b *bin) stdErr() float64 { return math.Sqrt(b.off2) / b.n }

// mixture draws walks of all kinds: close points and far ones, in lines, rasters
// and along roads, timed or not, with all links or some or none, with photos of
// nothing, with blunders in half of them, and with handhelds that tell their
// error and such that don't tell their bursts.
func mixture(k int) (c sim.Config, timed bool) {
	rng := rand.New(rand.NewPCG(uint64(k), 99))
	c = sim.Default()
	c.Seed = uint64(k)
	c.Spacing = []float64{3, 5, 10, 15, 30}[rng.IntN(5)]
	c.Layout = []sim.Layout{sim.Line, sim.Plots, sim.Road}[rng.IntN(3)]
	c.Points = []int{60, 80, 120, 200}[rng.IntN(4)]
	c.NoPointShare = []float64{0, 0, 0.03}[rng.IntN(3)]
	c.NoLinkShare = []float64{0, 0.1, 0.5}[rng.IntN(3)]
	c.Noise.Stated = []sim.Stated{sim.StatedTrue, sim.StatedTrue, sim.StatedFlat}[rng.IntN(3)]
	timed = rng.IntN(2) == 0
	switch rng.IntN(8) {
	case 0:
		c.Plants = []sim.Plant{{Kind: sim.LateRun, Run: 4 + rng.IntN(12)}}
	case 1:
		c.Plants = []sim.Plant{{Kind: sim.EarlyRun, Run: 4 + rng.IntN(12)}}
	case 2:
		c.Plants = []sim.Plant{{Kind: sim.SwappedTies, Count: 1 + rng.IntN(3)}}
	case 3:
		c.Plants = []sim.Plant{{Kind: sim.WrongTie, Count: 1 + rng.IntN(5)}}
	case 4:
		c.FieldOrder = sim.LinkedLater
	}
	return c, timed
}

// TestReliability: probabilities are honest. Over a mixture of walks, of all
// points that were given a probability in a decile (the one found and the
// runner-up), the share that is right is the mean probability within 3 %.
func TestReliability(t *testing.T) {
	if testing.Short() {
		t.Skip("it says nothing of goroutines, and runs in full without -short")
	}
	n := sets(250, 12_000)
	var ties, links [10]bin
	decile := func(p float64) int { return min(9, int(10*p)) }
	drawn := 0
	for k := range n {
		c, timed := mixture(testSeeds + 40_000 + k)
		if _, err := sim.New(c); err != nil {
			// A run that is longer than the linked photos of the crew allow.
			continue
		}
		drawn++
		s, photos, points := walkOf(t, c)
		if !timed {
			untimed(points)
		}
		for i, tie := range decode(t, photos, points).Photos {
			tr := s.Truth[i]
			ties[decile(tie.Probability)].put(tie.Probability, tie.Point == tr.Point)
			if tie.RunnerUpOK {
				ties[decile(tie.RunnerUpProbability)].put(tie.RunnerUpProbability, tie.RunnerUp == tr.Point)
			}
			if tie.Listed != walk.None {
				links[decile(tie.ListedProbability)].put(tie.ListedProbability, tie.Listed == tr.Point)
			}
		}
		for d := range ties {
			ties[d].next()
			links[d].next()
		}
	}
	if drawn < n*9/10 {
		t.Fatalf("only %d of %d walks could be drawn", drawn, n)
	}
	for d := range ties {
		b := ties[d]
		if b.n < 100 && testing.Short() {
			continue
		}
		if b.n < 100 {
			t.Errorf("decile %d has %v ties", d, b.n)
			continue
		}
		mean, share, se := b.p/b.n, b.hit/b.n, b.stdErr()
		slack := 0.0
		if os.Getenv("PHOTOTIE_FULL") == "" {
			slack = 3 * se
		}
		t.Logf("ties %.1f to %.1f: said %.3f, was %.3f (standard error %.3f), of %.0f", float64(d)/10, float64(d+1)/10, mean, share, se, b.n)
		if math.Abs(mean-share) > 0.03+slack {
			t.Errorf("ties of probability %.3f are right in %.3f of %.0f", mean, share, b.n)
		}
	}
	for d, b := range links {
		if b.n > 0 {
			t.Logf("links %.1f to %.1f: said %.3f, was %.3f (standard error %.3f), of %.0f", float64(d)/10, float64(d+1)/10, b.p/b.n, b.hit/b.n, b.stdErr(), b.n)
		}
	}
}

// TestReliabilityCanFail: the curve notices tags that are half as good as they
// say.
func TestReliabilityCanFail(t *testing.T) {
	var b bin
	for k := range 30 {
		c := sim.Default()
		c.Seed = uint64(testSeeds + 50_000 + k)
		c.Spacing, c.FieldOrder = 5, sim.LinkedLater
		s, photos, points := walkOf(t, c)
		untimed(points)
		for i := range photos {
			photos[i].Sigma /= 2
		}
		for i, tie := range decode(t, photos, points).Photos {
			if tie.Probability >= 0.8 && tie.Probability < 0.9 {
				b.put(tie.Probability, tie.Point == s.Truth[i].Point)
			}
		}
	}
	if b.n < 100 || b.p/b.n-b.hit/b.n < 0.06 {
		t.Errorf("of %.0f ties said %.3f, was %.3f: that passes for honest", b.n, b.p/b.n, b.hit/b.n)
	}
}

// TestClocks: a camera's offset and zone are found, whether images state a zone
// or not.
func TestClocks(t *testing.T) {
	for k, c := range []struct {
		zone, ahead time.Duration
		stated      bool
	}{
		{0, 0, true},
		{2 * time.Hour, 0, true},
		{2 * time.Hour, 0, false},
		{-9*time.Hour - 30*time.Minute, -47 * time.Second, false},
		{5*time.Hour + 45*time.Minute, 3 * time.Minute, false},
		{time.Hour, 26*time.Hour + 11*time.Minute, true},
	} {
		cfg := sim.Default()
		cfg.Seed = uint64(testSeeds + 60_000 + k)
		cfg.Cameras = 2
		cfg.Zone, cfg.OffsetStated, cfg.ClockOffsets = c.zone, c.stated, []time.Duration{c.ahead, 0}
		s, photos, points := walkOf(t, cfg)
		ties := decode(t, photos, points)
		if len(ties.Clocks) != 2 {
			t.Fatalf("%+v", ties.Clocks)
		}
		// What the crew's habit makes of it.
		var habit []float64
		for i, tr := range s.Truth {
			if tr.Camera == 1 && tr.Point >= 0 {
				habit = append(habit, tr.Taken.Sub(s.Points[tr.Point].Observed).Seconds())
			}
			if tie := ties.Photos[i]; tie.Point != tr.Point {
				t.Errorf("case %d: photo %d is tied to %d, shows %d", k, i, tie.Point, tr.Point)
			}
		}
		clk := ties.Clocks[0]
		wantZone := c.zone
		if c.stated {
			wantZone = 0
		}
		want := wantZone + c.ahead
		if !clk.Used || clk.Zone != wantZone || (clk.Residual-c.ahead).Abs() > 40*time.Second ||
			math.Abs((clk.Offset-want).Seconds()-mean(habit)) > 15 || clk.StdErr <= 0 || clk.StdErr > 5*time.Second || clk.Photos < 20 {
			t.Errorf("case %d: %+v, want zone %v and %v; habit %.0f s", k, clk, wantZone, c.ahead, mean(habit))
		}
		wantGPS := c.ahead
		if !c.stated {
			wantGPS += c.zone
		}
		if !clk.GPSOK || (clk.GPS-wantGPS).Abs() > 2*time.Second {
			t.Errorf("case %d: against the fixes %v, want %v", k, clk.GPS, wantGPS)
		}
	}
}

func mean(v []float64) float64 {
	var sum float64
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// TestClockUnrelated: photos that were taken at times of their own, days later and
// in another order, are not tied by time.
func TestClockUnrelated(t *testing.T) {
	c := sim.Default()
	c.Seed = testSeeds + 61_000
	s, photos, points := walkOf(t, c)
	rng := rand.New(rand.NewPCG(5, 5))
	for i, k := range rng.Perm(len(points)) {
		points[k].Observed = c.Start.AddDate(0, 0, -9).Add(time.Duration(i) * 5 * time.Minute)
	}
	ties := decode(t, photos, points)
	if ties.Clocks[0].Used {
		t.Errorf("%+v", ties.Clocks[0])
	}
	for i, tie := range ties.Photos {
		if tie.Status == walk.Contradicted {
			t.Errorf("photo %d, linked to %d and showing %d: %+v", i, s.Truth[i].Linked, s.Truth[i].Point, tie)
		}
	}
	// Of a few photos two in five always come as long after their points, within minutes.
	for round := range 20 {
		for i := range points {
			points[i].Observed = c.Start.Add(time.Duration(rng.IntN(900)) * time.Second)
		}
		if ties := decode(t, photos[:16], points); ties.Clocks[0].Used {
			t.Errorf("round %d: %+v", round, ties.Clocks[0])
		}
	}
}
