package match

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// seq yields photos without an error.
func seq(photos ...Photo) iter.Seq2[Photo, error] {
	return func(yield func(Photo, error) bool) {
		for _, p := range photos {
			if !yield(p, nil) {
				return
			}
		}
	}
}

// tagAt is a tag dE, dN metres off a point, on an unturned plane.
func tagAt(p *plane, at grid.EN, dE, dN float64) *geotag.Tag {
	ll := p.inverse(grid.EN{E: at.E + dE/p.unit.Metres, N: at.N + dN/p.unit.Metres})
	return &geotag.Tag{Container: "jpeg", Position: &geotag.Position{Lat: ll.Lat, Lon: ll.Lon, Step: 1e-9}, HPositioningError: ptr(4.0)}
}

// fullJob has a photo for every verdict and every reason.
func fullJob() (*plane, []Point, []Link, []Photo) {
	p := newPlane()
	points := []Point{
		{ID: "B1", EN: grid.EN{E: 700100, N: 700100}, Height: ptr(3.2), Line: 1},
		{ID: "B2", EN: grid.EN{E: 700120, N: 700100}, Cov: &[3]float64{0.0004, 0.0001, 0.0009}, Line: 2},
		{ID: "B3", EN: grid.EN{E: 700140, N: 700105}, Line: 3},
	}
	b1, b2 := points[0].EN, points[1].EN
	shifted, rough, unknown, bad := tagAt(p, b1, -100, 0), tagAt(p, b1, 1, 1), tagAt(p, b1, 1, 1), tagAt(p, b1, 0, 0)
	shifted.MapDatum, rough.MapDatum, unknown.MapDatum = "SHIFTED", "ROUGH", "MARS"
	bad.Position.Lat = 91
	far := tagAt(p, b1, 0, 0)
	far.Position.Lon = 120
	photos := []Photo{
		{Name: "p/within.jpg", Tag: tagAt(p, b1, 2, -1)},
		{Name: "p/over.jpg", Tag: tagAt(p, b1, 0, 8.5)},
		{Name: "p/gross.jpg", Tag: tagAt(p, b2, 300, 0)},
		{Name: "p/unreadable.jpg", Err: errors.New("it is a text file")},
		{Name: "p/notag.jpg", Tag: &geotag.Tag{}},
		{Name: "p/faulty.jpg", Tag: &geotag.Tag{Warnings: []geotag.Warning{{Code: geotag.WarnZeroDenominator, Field: "GPSLatitude", Detail: "degrees are 0/0"}}}},
		{Name: "p/corrupt.jpg", Tag: &geotag.Tag{Warnings: []geotag.Warning{{Code: geotag.WarnCorrupt, Field: "Exif", Detail: "it ends"}}}},
		{Name: "p/pole.jpg", Tag: bad},
		{Name: "p/null.jpg", Tag: &geotag.Tag{Position: &geotag.Position{}}},
		{Name: "p/untied.jpg", Tag: tagAt(p, points[2].EN, 1, 0)},
		{Name: "p/nopoint.jpg", Tag: tagAt(p, b1, 1, 0)},
		{Name: "p/many.jpg", Tag: tagAt(p, b1, 1, 0)},
		{Name: "p/shifted.jpg", Tag: shifted},
		{Name: "p/mars.jpg", Tag: unknown},
		{Name: "p/far.jpg", Tag: far},
		{Name: "p/rough.jpg", Tag: rough},
	}
	var links []Link
	for i, p := range photos {
		point := "B1"
		switch p.Name {
		case "p/untied.jpg", "p/notag.jpg":
			continue
		case "p/gross.jpg":
			point = "B2"
		case "p/nopoint.jpg":
			point = "B7"
		}
		links = append(links, Link{Photo: p.Name, Point: point, Line: i + 1})
	}
	links = append(links, Link{Photo: "p/many.jpg", Point: "B3", Line: 90}, Link{Photo: "p/lost.jpg", Point: "B3", Line: 91})
	return p, points, links, photos
}

func TestCheckAccountsForAll(t *testing.T) {
	p, points, links, photos := fullJob()
	res, err := Check(context.Background(), geodesist{p}, points, links, seq(photos...), Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]struct {
		v       Verdict
		r       Reason
		why     string
		tied    bool
		onGrid  bool
		nearest string
	}{
		"p/within.jpg":     {Within, "", "", true, true, "B1"},
		"p/over.jpg":       {Over, "", "", true, true, "B1"},
		"p/gross.jpg":      {Gross, "", "", true, true, "B3"},
		"p/unreadable.jpg": {Unjudged, ReasonUnreadable, "it is a text file", true, false, ""},
		"p/notag.jpg":      {Unjudged, ReasonNoTag, "no position; no link", false, false, ""},
		"p/faulty.jpg":     {Unjudged, ReasonBadTag, "zero-denominator: GPSLatitude: degrees are 0/0", true, false, ""},
		"p/corrupt.jpg":    {Unjudged, ReasonNoTag, "can be reached; corrupt: Exif", true, false, ""},
		"p/pole.jpg":       {Unjudged, ReasonBadTag, "no place on earth", true, false, ""},
		"p/null.jpg":       {Unjudged, ReasonBadTag, "exactly 0, 0", true, false, ""},
		"p/untied.jpg":     {Unjudged, ReasonNoTie, "no link", false, true, "B3"},
		"p/nopoint.jpg":    {Unjudged, ReasonNoPoint, `"B7"`, false, true, "B1"},
		"p/many.jpg":       {Unjudged, ReasonManyPoints, `"B1", "B3" (lines 12, 90)`, false, true, "B1"},
		"p/shifted.jpg":    {Within, "", "", true, true, "B1"},
		"p/mars.jpg":       {Unjudged, ReasonNoFrame, `"MARS"`, true, false, ""},
		"p/far.jpg":        {Unjudged, ReasonNoFrame, "outside", true, false, ""},
		"p/rough.jpg":      {Unjudged, ReasonBallpark, "hundreds of metres", true, true, ""},
	}
	counts := map[Verdict]int{}
	for i, r := range res.Photos {
		if r.Name != photos[i].Name {
			t.Fatalf("photo %d is %s, was given as %s", i, r.Name, photos[i].Name)
		}
		w, ok := want[r.Name]
		if !ok {
			t.Fatalf("%s is not expected", r.Name)
		}
		counts[r.Verdict]++
		if r.Verdict != w.v || r.Reason != w.r || !strings.Contains(r.Why, w.why) || (r.Why == "") != (w.why == "") {
			t.Errorf("%s: %s %s %q, want %s %s %q", r.Name, r.Verdict, r.Reason, r.Why, w.v, w.r, w.why)
		}
		if (r.Tie != nil) != w.tied || (r.OnGrid != nil) != w.onGrid {
			t.Errorf("%s: tie %v, on grid %v; want %v, %v", r.Name, r.Tie, r.OnGrid, w.tied, w.onGrid)
		}
		if judged := r.Verdict != Unjudged; (r.Discrepancy != nil) != judged || (r.Allowance != nil) != judged || (r.P != nil) != judged || (r.PAdjusted != nil) != judged {
			t.Errorf("%s: discrepancy %v, allowance %v, p %v %v", r.Name, r.Discrepancy, r.Allowance, r.P, r.PAdjusted)
		}
		if w.nearest == "" != (r.Nearest == nil) || r.Nearest != nil && r.Nearest.Point != w.nearest {
			t.Errorf("%s: nearest %+v, want %s", r.Name, r.Nearest, w.nearest)
		}
	}
	if len(res.Photos) != len(photos) || !reflect.DeepEqual(res.Counts, counts) || len(res.Counts) != 4 {
		t.Errorf("%d photos, counts %v", len(res.Photos), res.Counts)
	}
	if len(res.Points) != 3 || !slices.Equal(res.Points[1].Photos, []string{"p/gross.jpg"}) || res.Points[2].Photos == nil {
		t.Errorf("points %+v", res.Points)
	}
	if len(res.UnmatchedLinks) != 1 || res.UnmatchedLinks[0].Line != 91 {
		t.Errorf("strays %+v", res.UnmatchedLinks)
	}
	// Every link is in a tie, in a reason or among the strays.
	for _, l := range links {
		found := slices.ContainsFunc(res.UnmatchedLinks, func(s UnmatchedLink) bool { return s.Link == l })
		for _, r := range res.Photos {
			found = found || r.Name == l.Photo && (r.Tie != nil && r.Tie.Line == l.Line || strings.Contains(r.Why, `"`+l.Point+`"`))
		}
		if !found {
			t.Errorf("link %+v is lost", l)
		}
	}
	if res.Set == nil || res.Written != 1 || res.Set.N != 3 || res.Set.Over.Over != 2 || res.Set.Over.N != 4 || res.SetWithoutGross == nil || res.SetWithoutGross.N != 2 || res.SetWithoutGross.Over.Over != 1 {
		t.Errorf("set %+v, without gross %+v", res.Set, res.SetWithoutGross)
	}
	over := res.Photos[1]
	if d := over.Discrepancy; math.Abs(d.DE) > 1e-6 || math.Abs(d.DN-8.5) > 1e-6 || math.Abs(d.Bearing.Degrees()) > 1e-3 && math.Abs(d.Bearing.Degrees()-360) > 1e-3 || d.Ground == nil {
		t.Errorf("discrepancy %+v, want 8.5 m due north", d)
	}
	if over.Allowance.Judged != over.Discrepancy.Distance {
		t.Errorf("judged %v, distance %v", over.Allowance.Judged, over.Discrepancy.Distance)
	}

	// As JSON it has no NaN or infinity, and a second check says the same.
	first, err := json.Marshal(res)
	if err != nil {
		t.Fatal(err)
	}
	again, err := Check(context.Background(), geodesist{p}, points, links, seq(photos...), Options{})
	if err != nil {
		t.Fatal(err)
	}
	second, err := json.Marshal(again)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(first, second) {
		t.Error("two checks of the same job differ")
	}
	for _, word := range []string{`"verdict":"gross"`, `"reason":"several-points"`, `"threshold_m"`, `"p_adjusted"`, `"bearing_deg"`} {
		if !strings.Contains(string(first), word) {
			t.Errorf("the JSON lacks %s", word)
		}
	}
}

// TestCheckUnits: a job in feet judges as the same job in metres does.
func TestCheckUnits(t *testing.T) {
	verdicts := map[string][]float64{}
	for _, unit := range []grid.Unit{grid.Metre, grid.USSurveyFoot} {
		p := newPlane()
		p.unit = unit
		point := Point{ID: "1", EN: grid.EN{E: p.e0 / unit.Metres, N: p.n0 / unit.Metres}, Cov: &[3]float64{1, 0, 4}}
		for _, d := range []float64{1, 6, 9, 30} {
			r, err := CompareOne(context.Background(), p, Photo{Tag: tagAt(p, point.EN, d, d/3)}, point, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if rel(r.Discrepancy.DE*unit.Metres, d) > 1e-6 {
				t.Errorf("%s: dE %v for %v m", unit.Symbol, r.Discrepancy.DE, d)
			}
			verdicts[unit.Symbol] = append(verdicts[unit.Symbol], r.Allowance.Judged, r.Allowance.Threshold, *r.P)
		}
	}
	for i, m := range verdicts["m"] {
		if ft := verdicts["ftUS"][i]; rel(ft, m) > 1e-5 {
			t.Errorf("figure %d: %v in feet, %v in metres", i, ft, m)
		}
	}
}

func TestCompareOneIsCheck(t *testing.T) {
	p, points, links, photos := fullJob()
	opt := Options{AllowBallpark: true, BallparkSigma: 50}
	for _, ph := range photos {
		if ph.Name == "p/untied.jpg" || ph.Name == "p/notag.jpg" || ph.Name == "p/many.jpg" || ph.Name == "p/nopoint.jpg" {
			continue
		}
		i := slices.IndexFunc(links, func(l Link) bool { return l.Photo == ph.Name })
		point := points[slices.IndexFunc(points, func(q Point) bool { return q.ID == links[i].Point })]
		links[i].Line = 0
		whole, err := Check(context.Background(), p, []Point{point}, links[i:i+1], seq(ph), opt)
		if err != nil {
			t.Fatal(err)
		}
		one, err := CompareOne(context.Background(), p, ph, point, opt)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(one, whole.Photos[0]) {
			t.Errorf("%s: %+v, Check has %+v", ph.Name, one, whole.Photos[0])
		}
	}
	if _, err := CompareOne(context.Background(), p, photos[0], Point{}, opt); err == nil {
		t.Error("a point without an id")
	}
	// Without a file name there is nothing to refuse.
	r, err := CompareOne(context.Background(), p, Photo{Tag: photos[0].Tag}, points[0], opt)
	if err != nil || r.Verdict != Within {
		t.Errorf("%v %v", r.Verdict, err)
	}
}

// TestBallparkAllowed: with a figure for it a ballpark operation is judged.
func TestBallparkAllowed(t *testing.T) {
	p, points, links, photos := fullJob()
	res, err := Check(context.Background(), p, points, links, seq(photos...), Options{AllowBallpark: true, BallparkSigma: 100})
	if err != nil {
		t.Fatal(err)
	}
	r := res.Photos[slices.IndexFunc(photos, func(q Photo) bool { return q.Name == "p/rough.jpg" })]
	if r.Verdict != Within || r.Allowance.Sigma < 100 || r.Nearest == nil {
		t.Errorf("%s %s, allowance %v", r.Verdict, r.Why, r.Allowance)
	}
}

// recorder keeps the fixes that it was given.
type recorder struct {
	*plane
	fixes []grid.Fix
}

func (r *recorder) ToGrid(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	r.fixes = append(r.fixes, slices.Clone(fixes)...)
	return r.plane.ToGrid(ctx, fixes)
}

func TestFrameOfFixes(t *testing.T) {
	p := &recorder{plane: newPlane()}
	at := grid.EN{E: 700000, N: 700000}
	gps, taken := time.Date(2023, 7, 2, 12, 0, 0, 0, time.UTC), time.Date(2020, 7, 2, 0, 0, 0, 0, time.FixedZone("", 3600))
	a, b, c, d := tagAt(p.plane, at, 0, 0), tagAt(p.plane, at, 0, 0), tagAt(p.plane, at, 0, 0), tagAt(p.plane, at, 0, 0)
	a.GPSTime, a.Taken, a.MapDatum = &gps, &geotag.Taken{Time: taken, HasOffset: true}, "WGS-84"
	a.Altitude = &geotag.Altitude{Metres: 61, Ref: geotag.AltitudeEllipsoidal}
	b.Taken = &geotag.Taken{Time: taken, HasOffset: true}
	b.Altitude = &geotag.Altitude{Metres: 61, Ref: geotag.AltitudeAmbiguous}
	c.Taken = &geotag.Taken{Time: taken.Add(time.Hour)}
	photos := seq(Photo{Name: "a", Tag: a}, Photo{Name: "b", Tag: b}, Photo{Name: "c", Tag: c}, Photo{Name: "d", Tag: d})
	if _, err := Check(context.Background(), p, nil, nil, photos, Options{Datum: "SHIFTED", Epoch: 2011.5}); err != nil {
		t.Fatal(err)
	}
	for i, want := range []struct {
		datum  string
		epoch  float64
		height bool
	}{{"WGS-84", 2023.5, true}, {"SHIFTED", 2020.5, false}, {"SHIFTED", 2020.5, false}, {"SHIFTED", 2011.5, false}} {
		f := p.fixes[i]
		if f.Datum != want.datum || math.Abs(f.Epoch-want.epoch) > 0.004 || (f.Height != nil) != want.height {
			t.Errorf("photo %d: %+v, want %+v", i, f, want)
		}
	}
	p.fixes = nil
	if _, err := Check(context.Background(), p, nil, nil, seq(Photo{Name: "d", Tag: d}), Options{}); err != nil {
		t.Fatal(err)
	}
	if p.fixes[0].Frame != (grid.Frame{}) {
		t.Errorf("nothing stated, but the frame is %+v", p.fixes[0].Frame)
	}
}

// TestDirectionInCheck: the same photo with and without a Geodesist to tell the
// convergence, on a grid turned by 3 degrees.
func TestDirectionInCheck(t *testing.T) {
	p := newPlane()
	p.rot = 3
	point := Point{ID: "1", EN: grid.EN{E: 700010, N: 700010}}
	// Taken from 15 m due true south, looking due north.
	e, n := p.turn(0, -15, p.rot)
	tag := tagAt(p, point.EN, e, n)
	tag.Direction, tag.SubjectDistance, tag.HPositioningError = &geotag.Direction{Degrees: 0}, ptr(15.0), ptr(1.0)
	r, err := CompareOne(context.Background(), geodesist{p}, Photo{Tag: tag}, point, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r.Verdict != Within || r.Allowance.Judged > 1e-4 || r.Allowance.Expected == nil {
		t.Errorf("with the direction: %s, %s, judged %v", r.Verdict, r.Allowance, r.Allowance.Judged)
	}
	if math.Abs(r.Discrepancy.Geodesic.Azimuth.Degrees()-180) > 1e-3 {
		t.Errorf("the tag lies at azimuth %v, not due south", r.Discrepancy.Geodesic.Azimuth)
	}
	r, err = CompareOne(context.Background(), p, Photo{Tag: tag}, point, Options{})
	if err != nil {
		t.Fatal(err)
	}
	// Without the direction the distance alone keeps an honest photo from being gross.
	if r.Verdict != Within || r.Allowance.Standoff != 15 || len(r.Allowance.Notes) == 0 {
		t.Errorf("without a Geodesist: %s, notes %q", r.Verdict, r.Allowance.Notes)
	}
}

// TestBearingResolution: a discrepancy below the step of the tag, or below the
// resolution of the points, has no bearing.
func TestBearingResolution(t *testing.T) {
	p := newPlane()
	point := Point{ID: "1", EN: grid.EN{E: 700010, N: 700010}}
	for _, c := range []struct {
		d, step, res float64
		defined      bool
	}{
		{0.0005, 1e-9, 0, false}, {0.002, 1e-9, 0, true}, {0.002, 1e-9, 0.01, false},
		{20, 1.0 / 3600, 0, false}, {40, 1.0 / 3600, 0, true}, {20, math.NaN(), 0, true},
	} {
		tag := tagAt(p, point.EN, c.d, 0)
		tag.Position.Step = c.step
		r, err := CompareOne(context.Background(), p, Photo{Tag: tag}, point, Options{PointResolution: c.res})
		if err != nil {
			t.Fatal(err)
		}
		if r.Discrepancy.Bearing.Defined() != c.defined {
			t.Errorf("%v m at step %v, resolution %v: bearing %v", c.d, c.step, c.res, r.Discrepancy.Bearing)
		}
	}
}

// lame measures on the grid, but fails on the ellipsoid.
type lame struct{ geodesist }

func (lame) Geodesic(a, b grid.EN) (grid.Geodesic, error) {
	return grid.Geodesic{}, errors.New("no geodesic here")
}

func (lame) Factors(grid.EN) (grid.Factors, error) {
	return grid.Factors{}, errors.New("no factors here")
}

// TestEllipsoidFails: what fails on the ellipsoid is noted, and the plane part
// judged all the same.
func TestEllipsoidFails(t *testing.T) {
	p := newPlane()
	point := Point{ID: "1", EN: grid.EN{E: 700010, N: 700010}}
	tag := tagAt(p, point.EN, 1, 1)
	tag.Direction, tag.SubjectDistance = &geotag.Direction{}, ptr(3.0)
	r, err := CompareOne(context.Background(), lame{geodesist{p}}, Photo{Tag: tag}, point, Options{})
	if err != nil {
		t.Fatal(err)
	}
	notes := strings.Join(r.Notes, "\n")
	if r.Verdict != Within || !strings.Contains(notes, "no geodesic here") || !strings.Contains(notes, "no factors here") {
		t.Errorf("%s, notes %q", r.Verdict, notes)
	}
}

// stretched is a plane on which eastings are 1.66 and northings 1.5 times as long
// as the ground.
type stretched struct{ geodesist }

func (stretched) Factors(grid.EN) (grid.Factors, error) {
	return grid.Factors{PointScale: math.Sqrt(1.66 * 1.5), MaxScale: 1.66, MinScale: 1.5, MaxBearing: 90}, nil
}

// TestTrueMetres: a budget is in true metres. A tag 8.5 m off on a grid that shows
// 5.1 m so is within, in either direction by that direction's scale, as it is on a
// true grid at 5.1 m; at 8.5 m there it is over.
func TestTrueMetres(t *testing.T) {
	p := newPlane()
	point := Point{ID: "1", EN: grid.EN{E: 700010, N: 700010}}
	p95 := func(proj grid.Projection, dE, dN float64) (Verdict, float64) {
		r, err := CompareOne(context.Background(), proj, Photo{Tag: tagAt(p, point.EN, dE, dN)}, point, Options{})
		if err != nil {
			t.Fatal(err)
		}
		return r.Verdict, *r.P
	}
	if v, _ := p95(geodesist{p}, 8.5, 0); v != Over {
		t.Fatalf("8.5 m on a true grid: %s", v)
	}
	for _, tt := range []struct{ dE, dN, trueE, trueN float64 }{{8.5, 0, 8.5 / 1.66, 0}, {0, 8.5, 0, 8.5 / 1.5}, {6, -6, 6 / 1.66, -6 / 1.5}} {
		v, got := p95(stretched{geodesist{p}}, tt.dE, tt.dN)
		_, want := p95(geodesist{p}, tt.trueE, tt.trueN)
		if v != Within || math.Abs(got-want) > 1e-6 {
			t.Errorf("%v, %v: %s with p = %v, want %v", tt.dE, tt.dN, v, got, want)
		}
	}
}

// odd returns a projection result that can't be.
type odd struct {
	*plane
	short, nan bool
}

func (o odd) ToGrid(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	out, err := o.plane.ToGrid(ctx, fixes)
	if err == nil && o.short {
		return out[1:], nil
	}
	if err == nil && o.nan {
		out[0].E = math.NaN()
	}
	return out, err
}

func TestCheckErrors(t *testing.T) {
	p, points, links, photos := fullJob()
	ctx := context.Background()
	cancelled, cancel := context.WithCancel(ctx)
	cancel()
	boom := errors.New("boom")
	failing := newPlane()
	failing.fail = boom
	badUnit := newPlane()
	badUnit.unit = grid.Unit{Name: "cubit"}
	with := func(extra Point) []Point { return append(slices.Clone(points), extra) }
	opt := Options{}
	budget := DefaultBudget()
	budget.Standoff = -1
	for _, c := range []struct {
		name   string
		ctx    context.Context
		proj   grid.Projection
		points []Point
		photos iter.Seq2[Photo, error]
		opt    Options
		want   string
	}{
		{"no projection", ctx, nil, points, seq(photos...), opt, "no projection"},
		{"unit", ctx, badUnit, points, seq(photos...), opt, `"cubit"`},
		{"cancelled", cancelled, p, points, seq(photos...), opt, "canceled"},
		{"sequence", ctx, p, points, func(yield func(Photo, error) bool) { yield(Photo{}, boom) }, opt, "boom"},
		{"projection", ctx, failing, points, seq(photos...), opt, "boom"},
		{"short", ctx, odd{p, true, false}, points, seq(photos...), opt, "positions for"},
		{"twice", ctx, p, with(Point{ID: "B1", Line: 9}), seq(photos...), opt, `"B1" (line 9) comes twice; the first is on line 1`},
		{"no id", ctx, p, with(Point{Line: 9}), seq(photos...), opt, "point 4 (line 9)"},
		{"spaces", ctx, p, with(Point{ID: " B4"}), seq(photos...), opt, "spaces"},
		{"NaN", ctx, p, with(Point{ID: "B4", EN: grid.EN{E: math.NaN()}}), seq(photos...), opt, "finite"},
		{"height", ctx, p, with(Point{ID: "B4", Height: ptr(math.Inf(1))}), seq(photos...), opt, "height"},
		{"covariance", ctx, p, with(Point{ID: "B4", Cov: &[3]float64{-1, 0, 0}}), seq(photos...), opt, "variances"},
		{"photo twice", ctx, p, points, seq(photos[0], photos[0]), opt, "comes twice"},
		{"budget", ctx, p, points, seq(photos...), Options{Budget: budget}, "standoff_m is -1"},
		{"ballpark", ctx, p, points, seq(photos...), Options{AllowBallpark: true}, "BallparkSigma"},
		{"resolution", ctx, p, points, seq(photos...), Options{PointResolution: -1}, "PointResolution"},
		{"epoch", ctx, p, points, seq(photos...), Options{Epoch: math.NaN()}, "Epoch"},
	} {
		res, err := Check(c.ctx, c.proj, c.points, links, c.photos, c.opt)
		if err == nil || !strings.Contains(err.Error(), c.want) || res != nil {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
	res, err := Check(ctx, odd{p, false, true}, points, links, seq(photos...), opt)
	if err != nil {
		t.Fatal(err)
	}
	if r := res.Photos[0]; r.Reason != ReasonNoFrame {
		t.Errorf("a position that is not finite: %s %s", r.Reason, r.Why)
	}
	// A job of nothing is a job.
	res, err = Check(ctx, p, nil, nil, seq(), opt)
	if err != nil || len(res.Photos) != 0 || res.Set != nil || len(res.Counts) != 4 {
		t.Errorf("an empty job: %+v, %v", res, err)
	}
	raw, err := json.Marshal(res)
	if err != nil || !strings.Contains(string(raw), `"photos":[],"points":[],"strays":[]`) {
		t.Errorf("an empty job as JSON: %s, %v", raw, err)
	}
}

// TestGrossNeedsOver: a confidence so high that the threshold lies beyond the
// gross level does not make a photo gross that is within.
func TestGrossNeedsOver(t *testing.T) {
	p := newPlane()
	point := Point{ID: "1", EN: grid.EN{E: 700010, N: 700010}}
	opt := Options{Budget: DefaultBudget()}
	opt.Budget.Confidence, opt.Budget.GrossLevel = 0.99999, 0.01
	r, err := CompareOne(context.Background(), p, Photo{Tag: tagAt(p, point.EN, 12, 0)}, point, opt)
	if err != nil {
		t.Fatal(err)
	}
	if *r.PAdjusted >= 0.01 || r.Verdict != Within {
		t.Errorf("p %v: %s", *r.PAdjusted, r.Verdict)
	}
}

// TestTooCoarse: a tag that may be anywhere among the points is not judged and says
// nothing about its tie; where points are far apart a larger error still tells them.
func TestTooCoarse(t *testing.T) {
	p := newPlane()
	for _, c := range []struct {
		stated, spacing, coarse float64
		want                    Reason
	}{
		{20, 30, 50, ""},
		{40, 30, 50, ReasonCoarse}, // 1.615 times that at 95 %
		{1400, 30, 50, ReasonCoarse},
		{1400, 30, 0, ""},
		{100, 500, 50, ""}, // half of 500 m is more than 162 m
	} {
		var points []Point
		var links []Link
		var photos []Photo
		for i := range 6 {
			points = append(points, Point{ID: fmt.Sprintf("C%d", i), EN: grid.EN{E: 600000 + c.spacing*float64(i), N: 700000}})
			photos = append(photos, Photo{Name: fmt.Sprintf("p/%d.jpg", i), Tag: tagAt(p, points[i].EN, 3, 0)})
			links = append(links, Link{Photo: photos[i].Name, Point: points[i].ID})
		}
		photos[3].Tag.HPositioningError = &c.stated
		b := DefaultBudget()
		b.Coarse = c.coarse
		res, err := Check(context.Background(), p, points, links, All(photos), Options{Budget: b})
		if err != nil {
			t.Fatal(err)
		}
		r := res.Photos[3]
		if r.Reason != c.want || (r.Verdict == Unjudged) != (c.want != "") {
			t.Errorf("%+v: %s, %q: %s", c, r.Verdict, r.Reason, r.Why)
		}
		if f := r.Inference; c.want == ReasonCoarse && (f.Weights.Position != 0 || r.Tie == nil) {
			t.Errorf("%+v: %+v, weights %+v", c, f, f.Weights)
		}
	}
}
