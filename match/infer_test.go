package match

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match/walk"
)

func TestIDFinder(t *testing.T) {
	points := []Point{{ID: "B03"}, {ID: "B04"}, {ID: "BM 1"}, {ID: "D-07"}, {ID: "1045"}, {ID: "12"}, {ID: "A"}, {ID: "Quay"}, {ID: "Quay North"}, {ID: "x1"}, {ID: "X1"}, {ID: "Ä9"}}
	f := newIDFinder(points)
	for _, c := range []struct {
		name string
		text string // ImageDescription
		want string
	}{
		{"photos/IMG_0012.jpg", "", ""},
		{"photos/B03.jpg", "", "B03 in the file name"},
		{"photos/qa0001_b03.JPG", "", "B03 in the file name"},
		{`photos\B03\1.jpg`, "", "B03 in the folder's name"},
		{"photos/B03/B04.jpg", "", "B04 in the file name, B03 in the folder's name"},
		{"photos/B03/B03-2.jpg", "", "B03 in the file name"},
		{"photos/B034.jpg", "", ""},
		{"photos/1045.jpg", "", ""},
		{"photos/pt 1045.jpg", "", "1045 in the file name"},
		{"1.jpg", "1045", "1045 in ImageDescription"},
		{"1.jpg", " bm 1 ", "BM 1 in ImageDescription"},
		{"1.jpg", "bench mark BM 1, brass bolt", "BM 1 in ImageDescription"},
		{"1.jpg", "at station 12 of 1045", "12 in ImageDescription"},
		{"1.jpg", "12 bollards", ""},
		{"1.jpg", "a photo of d-07", "D-07 in ImageDescription"},
		{"1.jpg", "A", "A in ImageDescription"},
		{"1.jpg", "point a", "A in ImageDescription"},
		{"1.jpg", "the Quay North of B04", "Quay North in ImageDescription, B04 in ImageDescription"},
		{"1.jpg", "the quay, north", "Quay in ImageDescription"},
		{"1.jpg", "x1", ""}, // two points differ in case only
		{"1.jpg", "ä9!", "Ä9 in ImageDescription"},
		{"", "", ""},
	} {
		var got []string
		for _, n := range f.find(&Photo{Name: c.name, Tag: &geotag.Tag{Texts: geotag.Texts{ImageDescription: c.text}}}) {
			got = append(got, points[n.point].ID+" in "+n.where)
		}
		if s := strings.Join(got, ", "); s != c.want {
			t.Errorf("%q, %q: %q, want %q", c.name, c.text, s, c.want)
		}
	}
	if got := f.find(&Photo{Name: "B03.jpg"}); len(got) != 1 {
		t.Errorf("an image that was not read: %v", got)
	}
}

func FuzzIDFinder(f *testing.F) {
	for _, s := range []string{"B03", "pt 12, the B03", "é\xff_", "BM 1 BM 1"} {
		f.Add("B03", "BM 1", s)
	}
	f.Fuzz(func(t *testing.T, a, b, text string) {
		points := []Point{{ID: a}, {ID: b}}
		for _, n := range newIDFinder(points).find(&Photo{Name: text, Tag: &geotag.Tag{Texts: geotag.Texts{Comment: text}}}) {
			if n.point < 0 || n.point > 1 || n.where == "" {
				t.Fatalf("%+v", n)
			}
		}
	})
}

// quay is a row of bollards 15 m apart, each surveyed 100 s after the one before,
// and two photos of each, 20 s and 40 s after its survey by a clock that is ahead
// by clock. In an unturned plane and the plane's unit.
func quay(p *plane, n int, clock time.Duration, stated bool) ([]Point, []Link, []Photo) {
	start := time.Date(2025, 5, 20, 8, 0, 0, 0, time.UTC)
	var points []Point
	var links []Link
	var photos []Photo
	for i := range n {
		at := grid.EN{E: (700000 + 15*float64(i)) / p.unit.Metres, N: 700000 / p.unit.Metres}
		obs := start.Add(time.Duration(i) * 100 * time.Second)
		points = append(points, Point{ID: fmt.Sprintf("B%02d", i), EN: at, Observed: obs})
		for k := range 2 {
			tag := tagAt(p, at, 1.5*math.Sin(float64(7*i+k)), 1.5*math.Cos(float64(5*i+k)))
			tag.Serial = "S1"
			gps := obs.Add(time.Duration(20+20*k) * time.Second)
			tag.GPSTime = &gps
			tag.Taken = &geotag.Taken{Time: gps.Add(clock), HasOffset: stated}
			name := fmt.Sprintf("p/%02d%d.jpg", i, k)
			photos = append(photos, Photo{Name: name, Tag: tag})
			links = append(links, Link{Photo: name, Point: points[i].ID, Line: len(links) + 2})
		}
	}
	return points, links, photos
}

func check(t *testing.T, p grid.Projection, points []Point, links []Link, photos []Photo, o TieOptions) *Result {
	t.Helper()
	res, err := Check(context.Background(), p, points, links, seq(photos...), Options{Ties: o})
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// TestContradiction: a link that is wrong stays the tie, is contradicted with its
// evidence in words, and comes out as a finding.
func TestContradiction(t *testing.T) {
	p := newPlane()
	points, links, photos := quay(p, 12, 0, true)
	links[8].Point, links[9].Point = "B05", "B05" // they show B04
	photos[8].Tag.Texts.ImageDescription = "bollard B04"
	res := check(t, p, points, links, photos, TieOptions{})
	for i, r := range res.Photos {
		f := r.Inference
		want := walk.Confirmed
		if i == 8 || i == 9 {
			want = walk.Contradicted
		}
		if f == nil || f.Link != want || f.Point != points[i/2].ID || f.Probability < 0.95 || r.Tie.Point != links[i].Point {
			t.Errorf("%s: tie %+v, inference %+v", r.Name, r.Tie, f)
		}
	}
	f := res.Photos[8].Inference
	want := []string{
		"listed for B05", "ImageDescription names B04", "tag 0.73 m from B04 and 14.6 m from B05",
		"taken 20 s after B04 was surveyed and 80 s before B05 was surveyed",
		"this and the next photo are linked one point late",
	}
	if !slices.Equal(f.Evidence, want) {
		t.Errorf("evidence %q, want %q", f.Evidence, want)
	}
	w := f.Weights
	if f.Shift != walk.ShiftLate || *f.LinkProbability > 0.05 || w.Against != "B05" || w.Position <= 0 || w.Time <= 0 || w.Named <= 0 || w.Listed >= 0 {
		t.Errorf("%+v, weights %+v", f, w)
	}
	if sum := w.Position + w.Time + w.Named + w.Listed + w.Walk; math.Abs(sum-math.Log(f.Probability / *f.LinkProbability)) > 1e-6 {
		t.Errorf("weights sum to %v, the probabilities say %v", sum, math.Log(f.Probability / *f.LinkProbability))
	}
	var found []Finding
	for _, x := range res.Findings() {
		if x.Code == FindingContradicted {
			found = append(found, x)
		}
	}
	if len(found) != 2 || found[0].Severity != SeverityError || found[0].Point != "B05" || found[0].Line != 10 ||
		!strings.Contains(found[0].Message, "shows B04") || !strings.Contains(found[0].Remedy, "B04") {
		t.Errorf("findings %+v", found)
	}
	if _, err := json.Marshal(res); err != nil {
		t.Error(err)
	}
}

// TestInferUntied: photos without a link are tied where the evidence is good enough
// and the options ask for it, and then judged like any other.
func TestInferUntied(t *testing.T) {
	p := newPlane()
	points, links, photos := quay(p, 12, 0, true)
	links = slices.DeleteFunc(links, func(l Link) bool {
		return slices.Contains([]string{"p/040.jpg", "p/051.jpg", "p/060.jpg"}, l.Photo)
	})
	// p/051: its text and the time tell.
	photos[11].Tag.Position, photos[11].Tag.Texts.ImageDescription = nil, "bollard B05"
	// p/060 has a link that may mean another photo as well.
	photos = append(photos, Photo{Name: "q/060.jpg", Tag: &geotag.Tag{Serial: "S2"}})
	links = append(links, Link{Photo: "060.jpg", Point: "B06"})

	off := check(t, p, points, links, photos, TieOptions{})
	on := check(t, p, points, links, photos, TieOptions{InferUntied: true, Threshold: 0.8})
	for i, r := range off.Photos {
		if i == 8 || i == 11 || i == 12 || i == 24 {
			if r.Tie != nil {
				t.Errorf("%s was tied unasked: %+v", r.Name, r.Tie)
			}
		}
	}
	r := on.Photos[8]
	if r.Tie == nil || r.Tie.Point != "B04" || !slices.Equal(r.Tie.Evidence, []string{EvidenceInferred}) || r.Verdict != Within || r.Reason != "" || r.Why != "" || r.P == nil {
		t.Errorf("%+v", r)
	}
	if r.Inference.Link != walk.Unlisted || r.Inference.LinkProbability != nil || r.Inference.Evidence[0] != "no link" {
		t.Errorf("%+v", r.Inference)
	}
	if got := on.Points[4].Photos; !slices.Contains(got, "p/040.jpg") {
		t.Errorf("B04 has %v", got)
	}
	r = on.Photos[11]
	if r.Tie == nil || r.Tie.Point != "B05" || r.Verdict != Unjudged || r.Reason != ReasonNoTag || r.TieReason != "" || r.Why != "the image has no position" {
		t.Errorf("%+v, %+v", r, r.Inference)
	}
	if on.Photos[12].Tie != nil || on.Photos[24].Tie != nil {
		t.Errorf("photos that a link may mean were tied: %+v, %+v", on.Photos[12].Tie, on.Photos[24].Tie)
	}
	if off.Set.N+1 != on.Set.N {
		t.Errorf("%d judged, with inferred ties %d", off.Set.N, on.Set.N)
	}
	inferred := 0
	for _, f := range on.Findings() {
		if f.Code == FindingInferred {
			inferred++
		}
		if f.Code == FindingNoTie && (f.Photo == "p/040.jpg" || f.Photo == "p/051.jpg") {
			t.Errorf("%+v", f)
		}
	}
	if inferred != 2 {
		t.Errorf("%d findings of inferred ties", inferred)
	}
	// A threshold that nothing reaches.
	for _, r := range check(t, p, points, links, photos, TieOptions{InferUntied: true, Threshold: 1}).Photos {
		if r.Tie != nil && r.Tie.Evidence[0] == EvidenceInferred {
			t.Errorf("%s was tied with %v", r.Name, r.Inference.Probability)
		}
	}
}

func TestTieOptions(t *testing.T) {
	p := newPlane()
	points, links, photos := quay(p, 4, 0, true)
	res := check(t, p, points, links, photos, TieOptions{Off: true})
	for _, r := range res.Photos {
		if r.Inference != nil {
			t.Errorf("%s: %+v", r.Name, r.Inference)
		}
	}
	if res.Cameras != nil {
		t.Errorf("%+v", res.Cameras)
	}
	bad := walk.DefaultParams()
	bad.NoPoint = 2
	for _, o := range []TieOptions{{Threshold: 0.4}, {Threshold: math.NaN()}, {Threshold: 1.5}, {Walk: bad}} {
		if _, err := Check(context.Background(), p, points, links, seq(photos...), Options{Ties: o}); err == nil {
			t.Errorf("%+v went through", o)
		}
	}
}

// TestInferenceUnits: a job in feet is tied as the same job in metres is.
func TestInferenceUnits(t *testing.T) {
	var all [][]float64
	for _, unit := range []grid.Unit{grid.Metre, grid.USSurveyFoot} {
		p := newPlane()
		p.unit = unit
		points, links, photos := quay(p, 10, 0, true)
		links[5].Point = "B03"
		var got []float64
		for _, r := range check(t, p, points, links, photos, TieOptions{}).Photos {
			got = append(got, r.Inference.Probability, *r.Inference.LinkProbability, r.Inference.Weights.Position)
		}
		all = append(all, got)
	}
	for i := range all[0] {
		if math.Abs(all[0][i]-all[1][i]) > 1e-5 {
			t.Errorf("figure %d: %v in metres, %v in feet", i, all[0][i], all[1][i])
		}
	}
}

// TestCameras: what is said of clocks and tags.
func TestCameras(t *testing.T) {
	p := newPlane()
	for _, c := range []struct {
		clock  time.Duration
		stated bool
		move   float64
		want   []string
	}{
		{0, true, 0, []string{"its photos are taken 20 s after the point was surveyed by its clock (standard error 2 s, 12 photos, single ones 8 s off on average)"}},
		{2 * time.Hour, false, 0, []string{
			"its clock reads 2 h ahead of the survey's by a time zone; with that taken off, its photos are taken 20 s after the point was surveyed by its clock (standard error 2 s, 12 photos, single ones 8 s off on average)"}},
		{-30 * time.Minute, true, 0, []string{
			"its clock is 29 min 40 s behind the survey's (standard error 2 s, 12 photos, single ones 8 s off on average)"}},
		{-18 * time.Second, true, 0, []string{
			"its photos are taken 2 s after the point was surveyed by its clock (standard error 2 s, 12 photos, single ones 8 s off on average)",
			"the times of its fixes are 18 s ahead of its clock, as they are where GPS time is written for UTC"}},
		{0, true, 40, []string{
			"its photos are taken 20 s after the point was surveyed by its clock (standard error 2 s, 12 photos, single ones 8 s off on average)",
			"its tags are 40.4 m off as a whole"}},
	} {
		points, links, photos := quay(p, 12, c.clock, c.stated)
		for i := range photos {
			photos[i].Tag.Position.Lat += c.move / metresPerDegree
		}
		res := check(t, p, points, links, photos, TieOptions{})
		if len(res.Cameras) != 1 || res.Cameras[0].Camera != "S1" || res.Cameras[0].Clock == nil || res.Cameras[0].Shift == nil {
			t.Fatalf("%+v", res.Cameras)
		}
		got := res.Cameras[0].Summary
		if len(got) != len(c.want) {
			t.Errorf("clock %v: %q, want %q", c.clock, got, c.want)
			continue
		}
		for i := range got {
			if !strings.HasPrefix(got[i], c.want[i]) {
				t.Errorf("clock %v: %q, want %q", c.clock, got[i], c.want[i])
			}
		}
		for _, r := range res.Photos {
			if r.Inference.Link != walk.Confirmed {
				t.Errorf("clock %v: %s: %+v", c.clock, r.Name, r.Inference)
			}
		}
	}
}

// TestInferenceOfOddPhotos: every photo of the job that has all verdicts and
// reasons has an Inference; a job of one point has none.
func TestInferenceOfOddPhotos(t *testing.T) {
	p, points, links, photos := fullJob()
	res := check(t, p, points, links, photos, TieOptions{})
	for _, r := range res.Photos {
		f := r.Inference
		if f == nil || f.Probability <= 0 || f.Probability > 1+1e-9 || len(f.Evidence) == 0 {
			t.Errorf("%s: %+v", r.Name, f)
			continue
		}
		switch r.Name {
		case "p/many.jpg":
			if f.Point != "B1" || f.Link != walk.Doubtful || f.Evidence[0] != "listed for B1 and B3" {
				t.Errorf("%s: %+v", r.Name, f)
			}
		case "p/nopoint.jpg":
			if f.Point != "B1" || f.Link != walk.Unlisted {
				t.Errorf("%s: %+v", r.Name, f)
			}
		case "p/unreadable.jpg", "p/rough.jpg":
			if !slices.Contains(f.Evidence, "no position to go by") {
				t.Errorf("%s: %q", r.Name, f.Evidence)
			}
		}
	}
	again := check(t, p, points, links, photos, TieOptions{})
	if !reflect.DeepEqual(res.Photos[0].Inference, again.Photos[0].Inference) {
		t.Error("two checks differ")
	}
	for _, r := range check(t, p, points[:1], links, photos, TieOptions{}).Photos {
		if r.Inference != nil {
			t.Errorf("one point: %s: %+v", r.Name, r.Inference)
		}
	}
}

// TestEarlyRun: links that are a point early are told as late ones are.
func TestEarlyRun(t *testing.T) {
	p := newPlane()
	points, links, photos := quay(p, 12, 0, true)
	for i := 8; i < 14; i++ {
		links[i].Point = points[i/2-1].ID
	}
	res := check(t, p, points, links, photos, TieOptions{})
	for i := 8; i < 14; i++ {
		f := res.Photos[i].Inference
		if f.Shift != walk.ShiftEarly || f.Link != walk.Contradicted || f.Point != points[i/2].ID {
			t.Errorf("%s: %+v", res.Photos[i].Name, f)
		}
	}
	if got := res.Photos[10].Inference.Evidence; !slices.Contains(got, "this, the previous 2 photos and the next 3 photos are linked one point early") {
		t.Errorf("%q", got)
	}
}

// TestInferenceLooksWhereTheCameraDoes: a photo taken from one bollard towards the
// next shows the next, where the image says so. Where it says only that the point is
// as far away as the next one, no point is named.
func TestInferenceLooksWhereTheCameraDoes(t *testing.T) {
	p := newPlane()
	points, links, photos := quay(p, 12, 0, true)
	for i := range points {
		points[i].Observed = time.Time{}
	}
	links = slices.DeleteFunc(links, func(l Link) bool { return l.Photo == "p/040.jpg" })
	photos[8].Tag = tagAt(p, points[3].EN, 0, 0)
	for _, c := range []struct {
		dir  *geotag.Direction
		want string
	}{{nil, ""}, {&geotag.Direction{Degrees: 90}, "B04"}, {&geotag.Direction{Degrees: 90, Magnetic: true}, ""}} {
		photos[8].Tag.Direction, photos[8].Tag.SubjectDistance = c.dir, ptr(15.0)
		res := check(t, geodesist{p}, points, links, photos, TieOptions{})
		if f := res.Photos[8].Inference; f.Point != c.want {
			t.Errorf("direction %+v: %+v", c.dir, f)
		}
	}
}

// TestInferenceAllowsForTheStep: a tag that is written in steps of 55 m is no
// evidence between points 15 m apart.
func TestInferenceAllowsForTheStep(t *testing.T) {
	p := newPlane()
	points, links, photos := quay(p, 12, 0, true)
	for i := range points {
		points[i].Observed = time.Time{}
	}
	photos[8].Tag = tagAt(p, points[6].EN, 0, 0) // it shows B04, as linked
	for step, want := range map[float64]string{1e-9: "B06", 0.0005: "B04"} {
		photos[8].Tag.Position.Step = step
		if f := check(t, p, points, links, photos, TieOptions{}).Photos[8].Inference; f.Point != want {
			t.Errorf("step %v: %+v, want %s", step, f, want)
		}
	}
}

// TestRepeatedTags: scattered photos with one tag are named by the first of them, and
// their links stay as they are.
func TestRepeatedTags(t *testing.T) {
	p := newPlane()
	points, links, photos := quay(p, 12, 0, true)
	for _, i := range []int{2, 9, 15, 20} {
		pos := *photos[2].Tag.Position
		photos[i].Tag.Position = &pos
	}
	res := check(t, p, points, links, photos, TieOptions{})
	for i, r := range res.Photos {
		want := ""
		if i == 2 || i == 9 || i == 15 || i == 20 {
			want = photos[2].Name
		}
		if f := r.Inference; f.Repeats != want || f.Link == walk.Contradicted || f.Point != r.Tie.Point {
			t.Errorf("%s: %+v", r.Name, f)
		}
	}
	n := res.Cameras[0].Noise
	if n == nil || n.Photos != 20 || !(n.Low < n.Scale && n.Scale < n.High) || n.Independent < 1 || n.White < 0 || n.Time <= 0 {
		t.Errorf("%+v", n)
	}
}

func TestCallsOverview(t *testing.T) {
	for text, want := range map[string]bool{
		"Overview_01": true, "panorama of the quay": true, "general view.jpg": true, "site view": true,
		"site/photo_01": false, "IMG_0001": false, "viewpoint": false, "overviewed": false,
	} {
		if got := callsOverview(text); got != want {
			t.Errorf("%q: %v", text, got)
		}
	}
}
