package walk_test

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match/sim"
	"example.com/phototie/match/walk"
)

func TestErrors(t *testing.T) {
	good := []walk.Point{{}, {EN: grid.EN{E: 10}}}
	nan := math.NaN()
	params := func(change func(*walk.Params)) walk.Params {
		p := walk.DefaultParams()
		change(&p)
		return p
	}
	for _, c := range []struct {
		photos []walk.Photo
		points []walk.Point
		params walk.Params
		want   string
	}{
		{[]walk.Photo{{}}, []walk.Point{{EN: grid.EN{E: nan}}}, walk.Params{}, "point 0 has E NaN"},
		{[]walk.Photo{{Pos: &grid.EN{N: math.Inf(1)}}}, good, walk.Params{}, "photo 0 has its tag at E 0, N +Inf"},
		{[]walk.Photo{{}, {Sigma: -1}}, good, walk.Params{}, "photo 1 has the standard deviation -1"},
		{[]walk.Photo{{Standoff: nan}}, good, walk.Params{}, "the standoff NaN"},
		{[]walk.Photo{{Listed: []int{2}}}, good, walk.Params{}, "photo 0 names point 2 of 2"},
		{[]walk.Photo{{Named: []int{-1}}}, good, walk.Params{}, "photo 0 names point -1"},
		{nil, nil, params(func(p *walk.Params) { p.NoPoint = 0 }), "NoPoint is 0"},
		{nil, nil, params(func(p *walk.Params) { p.LinkError, p.Candidates = nan, 15 }), "LinkError is NaN: want a probability above 0 and below 0.5\nwalk: Candidates is 15: want 1 to 14"},
		{nil, nil, params(func(p *walk.Params) { p.FieldOrder = 7 }), "FieldOrder is 7"},
		{nil, nil, params(func(p *walk.Params) { p.Dwell = 0 }), "Dwell is 0s"},
		{nil, nil, params(func(p *walk.Params) { p.Certain = 1 }), "Certain is 1"},
		{nil, nil, params(func(p *walk.Params) { p.Slack = 0 }), "Slack is 0"},
	} {
		_, err := walk.Decode(context.Background(), c.photos, c.points, c.params)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v, want %q", err, c.want)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := walk.Decode(ctx, make([]walk.Photo, 3), good, walk.Params{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if err := walk.DefaultParams().Validate(); err != nil {
		t.Error(err)
	}
}

func TestFieldOrderText(t *testing.T) {
	for _, p := range []walk.FieldOrder{walk.OrderUnstated, walk.PointThenPhoto, walk.PhotoThenPoint, walk.IDEntered, walk.LinkedLater} {
		text, err := p.MarshalText()
		var q walk.FieldOrder
		if err != nil || q.UnmarshalText(text) != nil || q != p {
			t.Errorf("%v: %q, %v", p, text, q)
		}
	}
	if _, err := walk.FieldOrder(9).MarshalText(); err == nil {
		t.Error("field order 9 has a name")
	}
	var q walk.FieldOrder
	if err := q.UnmarshalText([]byte("last")); err == nil || !strings.Contains(err.Error(), `"last"`) {
		t.Errorf("%v", err)
	}
}

// TestDegenerate: jobs with next to nothing in them.
func TestDegenerate(t *testing.T) {
	at := &grid.EN{E: 1, N: 1}
	for name, c := range map[string]struct {
		photos []walk.Photo
		points []walk.Point
		check  func(walk.Tie) bool
	}{
		"nothing":         {nil, nil, nil},
		"no photos":       {nil, []walk.Point{{}}, nil},
		"no points":       {[]walk.Photo{{Pos: at}, {}}, nil, func(t walk.Tie) bool { return t.Point == walk.None && t.Probability == 1 && !t.RunnerUpOK }},
		"one point":       {[]walk.Photo{{Pos: at, Sigma: 3}}, []walk.Point{{}}, func(t walk.Tie) bool { return t.Point == 0 && t.Status == walk.Unlisted }},
		"nothing known":   {[]walk.Photo{{}}, []walk.Point{{}, {EN: grid.EN{E: 5}}}, func(t walk.Tie) bool { return t.Point == walk.None }},
		"link alone":      {[]walk.Photo{{Listed: []int{1}}}, []walk.Point{{}, {EN: grid.EN{E: 5}}, {EN: grid.EN{E: 10}}}, func(t walk.Tie) bool { return t.Point == 1 && t.Status == walk.Doubtful }},
		"points in one":   {[]walk.Photo{{Pos: at, Listed: []int{1}}}, make([]walk.Point, 40), func(t walk.Tie) bool { return t.Status == walk.Doubtful && t.Unlinked < 0.5 }},
		"two links":       {[]walk.Photo{{Pos: at, Sigma: 3, Listed: []int{0, 1}}}, []walk.Point{{}, {EN: grid.EN{E: 50}}}, func(t walk.Tie) bool { return t.Point == 0 && t.Listed == walk.None && t.Status == walk.Doubtful }},
		"far off":         {[]walk.Photo{{Pos: &grid.EN{E: 1e8, N: -1e8}, Listed: []int{1}}}, []walk.Point{{}, {EN: grid.EN{E: 5}}}, func(t walk.Tie) bool { return t.Point == 1 && t.Status == walk.Doubtful }},
		"the same moment": {[]walk.Photo{{Time: time.Unix(1e9, 0), Pos: at, Listed: []int{0}}, {Time: time.Unix(1e9, 0), Pos: at, Listed: []int{0}}}, []walk.Point{{Observed: time.Unix(1e9, 0)}, {EN: grid.EN{E: 30}, Observed: time.Unix(1e9, 0)}}, func(t walk.Tie) bool { return t.Point == 0 }},
		"centuries apart": {[]walk.Photo{{Time: time.Unix(-6e10, 0), Pos: at}, {Time: time.Unix(2e11, 0), Pos: at}}, []walk.Point{{Observed: time.Unix(1e9, 0)}, {EN: grid.EN{E: 30}}}, func(t walk.Tie) bool { return true }},
	} {
		ties, err := walk.Decode(context.Background(), c.photos, c.points, walk.Params{})
		if err != nil || len(ties.Photos) != len(c.photos) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, tie := range ties.Photos {
			if !c.check(tie) || !(tie.Probability > 0 && tie.Probability <= 1+1e-9) {
				t.Errorf("%s: %+v", name, tie)
			}
		}
	}
}

// TestOrderDoesNotMatter: photos that come in another order get the same ties.
func TestOrderDoesNotMatter(t *testing.T) {
	c := sim.Default()
	c.Seed = testSeeds + 70_000
	c.Cameras, c.Spacing = 2, 5
	c.Plants = []sim.Plant{{Kind: sim.LateRun}}
	_, photos, points := walkOf(t, c)
	want := decode(t, photos, points)
	perm := rand.New(rand.NewPCG(1, 1)).Perm(len(photos))
	mixed := make([]walk.Photo, len(photos))
	for i, k := range perm {
		mixed[k] = photos[i]
	}
	got := decode(t, mixed, points)
	for i, k := range perm {
		a, b := want.Photos[i], got.Photos[k]
		// Sums run in another order.
		if a.Point != b.Point || a.Status != b.Status || math.Abs(a.Probability-b.Probability) > 1e-9 {
			t.Errorf("photo %d: %+v, in another order %+v", i, a, b)
		}
	}
	again := decode(t, photos, points)
	if !reflect.DeepEqual(want, again) {
		t.Error("two runs differ")
	}
}

// TestNamesHelp: among points closer than the noise, without times and links, ids
// in half of the photos' names tell most of the others too; and names that are
// nonsense, as counters that happen to be ids, don't mislead.
func TestNamesHelp(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	c := sim.Default()
	c.Seed = testSeeds + 71_000
	c.Spacing = 4
	s, photos, points := walkOf(t, c)
	untimed(points)
	right := func(ties *walk.Ties) int {
		n := 0
		for i, tie := range ties.Photos {
			if tie.Point == s.Truth[i].Point {
				n++
			}
		}
		return n
	}
	linked := right(decode(t, photos, points))
	for i := range photos {
		photos[i].Named = []int{rng.IntN(len(points))}
	}
	if nonsense := right(decode(t, photos, points)); nonsense < linked-2 {
		t.Errorf("%d right with links, %d with names that are nonsense beside them", linked, nonsense)
	}
	for i := range photos {
		photos[i].Listed, photos[i].Named = nil, nil
	}
	bare := right(decode(t, photos, points))
	for i := range photos {
		if rng.IntN(2) == 0 {
			photos[i].Named = []int{s.Truth[i].Point}
		}
	}
	named := right(decode(t, photos, points))
	t.Logf("%d of %d right by tags, %d with names in half, %d by links", bare, len(photos), named, linked)
	if named < bare+10 || named < len(photos)*9/10 {
		t.Errorf("%d of %d right by tags, %d with names in half", bare, len(photos), named)
	}
}

// TestFieldOrder: whether the photo comes after or before its survey tells a slip to
// the point before from one to the point after.
func TestFieldOrder(t *testing.T) {
	// One photo halfway between two points, linked to the first: had it slipped to
	// the previous point it would show the second.
	points := []walk.Point{{}, {EN: grid.EN{E: 6}}, {EN: grid.EN{E: 12}}}
	var got []float64
	for _, order := range []walk.FieldOrder{walk.PhotoThenPoint, walk.OrderUnstated, walk.PointThenPhoto} {
		p := walk.DefaultParams()
		p.FieldOrder = order
		ties, err := walk.Decode(context.Background(), []walk.Photo{{Pos: &grid.EN{E: 4}, Sigma: 1, Listed: []int{0}}}, points, p)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, 1-ties.Photos[0].ListedProbability)
	}
	if !(got[0] < got[1] && got[1] < got[2]) {
		t.Errorf("probability that the link is wrong: %v with the photo before its point, not stated, after", got)
	}
}

// TestStale: a fix that froze says nothing after the first photo, so the links
// stay as they are.
func TestStale(t *testing.T) {
	c := sim.Default()
	c.Seed = testSeeds + 72_000
	c.Plants = []sim.Plant{{Kind: sim.FrozenFix, Run: 12}}
	s, photos, points := walkOf(t, c)
	ties := decode(t, photos, points)
	stale := 0
	for i, tie := range ties.Photos {
		if tie.Stale {
			stale++
		}
		if tie.Status == walk.Contradicted || tie.Point != s.Truth[i].Point {
			t.Errorf("photo %d: %+v", i, tie)
		}
	}
	if stale != 12 {
		t.Errorf("%d stale tags, want 12", stale)
	}
}

// TestGrossTagsAccuseNobody: blunders of the tags or the points as a whole are no
// evidence against links.
func TestGrossTagsAccuseNobody(t *testing.T) {
	if testing.Short() {
		t.Skip("it says nothing of goroutines, and runs in full without -short")
	}
	for k, kind := range []sim.Kind{
		sim.SwappedLatLon, sim.FlippedLatitude, sim.FlippedLongitude, sim.TagDatum, sim.CommonShift,
		sim.MinutesAsDecimals, sim.RoundedTags, sim.SwappedEN, sim.FeetForMetres, sim.NeighbouringZone, sim.PointDatum, sim.GroundAsGrid,
	} {
		for _, timed := range []bool{true, false} {
			c := sim.Default()
			c.Seed = uint64(testSeeds + 73_000 + k)
			c.Plants = []sim.Plant{{Kind: kind}}
			s, photos, points := walkOf(t, c)
			if !timed {
				untimed(points)
			}
			for i, p := range s.Photos {
				// As package match does for the step that a tag states.
				photos[i].Sigma = math.Hypot(photos[i].Sigma, p.Tag.Position.Step*111195/math.Sqrt(12))
			}
			bad := 0
			for _, tie := range decode(t, photos, points).Photos {
				if tie.Status == walk.Contradicted {
					bad++
				}
			}
			if bad > 0 {
				t.Errorf("%s, timed %v: %d links contradicted", kind, timed, bad)
			}
		}
	}
}

// TestRoute: the walk's order is that of the survey, unless crews that worked at the
// same time make it leap; then it is the list's.
func TestRoute(t *testing.T) {
	c := sim.Default()
	c.Seed = testSeeds + 74_000
	for _, crews := range []int{1, 2} {
		c.Cameras = crews
		s, photos, points := walkOf(t, c)
		if got := walk.Ordered(points); got != (crews == 1) {
			t.Errorf("%d crews: by the survey's order %v", crews, got)
		}
		if crews == 2 {
			continue
		}
		// A list in any order: what counts is the survey's.
		perm := rand.New(rand.NewPCG(3, 3)).Perm(len(points))
		shuffled := make([]walk.Point, len(points))
		for i, k := range perm {
			shuffled[k] = points[i]
		}
		for i := range photos {
			photos[i].Listed = nil
		}
		ties := decode(t, photos, shuffled)
		wrong := 0
		for i, tie := range ties.Photos {
			if tie.Point != perm[s.Truth[i].Point] {
				wrong++
			}
		}
		if !walk.Ordered(shuffled) || wrong > 4 {
			t.Errorf("a shuffled list: by the survey's order %v, %d wrong", walk.Ordered(shuffled), wrong)
		}
	}
}
