package match

import (
	"context"
	"math"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match/walk"
)

// corrections checks fullJob and works out its corrections, by photo.
func corrections(t *testing.T, opt Options, policy Policy) (*plane, map[string]Correction) {
	t.Helper()
	p, points, links, photos := fullJob()
	res, err := Check(context.Background(), geodesist{p}, points, links, seq(photos...), opt)
	if err != nil {
		t.Fatal(err)
	}
	list, err := Corrections(context.Background(), geodesist{p}, res, opt, policy)
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != len(photos) {
		t.Fatalf("%d corrections for %d photos", len(list), len(photos))
	}
	out := map[string]Correction{}
	for i, c := range list {
		if c.Photo != photos[i].Name {
			t.Errorf("correction %d is of %q, want %q", i, c.Photo, photos[i].Name)
		}
		if (c.Edit == nil) == (c.Why == "") {
			t.Errorf("%s: edit %v with the reason %q: want exactly one of the two", c.Photo, c.Edit, c.Why)
		}
		out[c.Photo] = c
	}
	return p, out
}

// By default nothing is written that a look at the photo might forbid.
func TestCorrectionsByDefault(t *testing.T) {
	p, got := corrections(t, Options{Ties: TieOptions{Off: true}}, Policy{})
	for name, c := range got {
		want := name == "p/within.jpg" || name == "p/shifted.jpg"
		if (c.Edit != nil) != want {
			t.Errorf("%s (%s): edit %v, reason %q", name, c.Verdict, c.Edit, c.Why)
		}
	}
	at := p.inverse(grid.EN{E: 700100, N: 700100})
	for _, name := range []string{"p/within.jpg", "p/shifted.jpg"} {
		e := got[name].Edit
		// Whatever datum the tag had, the point is written in WGS 84.
		if math.Abs(e.Lat-at.Lat) > 1e-12 || math.Abs(e.Lon-at.Lon) > 1e-12 || e.MapDatum != "WGS-84" || e.Meaning != geotag.SubjectPosition {
			t.Errorf("%s: %+v, want %v in WGS-84", name, e, at)
		}
		// 0.02 m per axis, and 0.5 m stated for the operation as a 68.27 % radius:
		// sqrt(0.02² + (0.5/1.51517)²) = 0.33060 m, times 1.51517 = 0.50092 m.
		if math.Abs(e.HPositioningError-0.50092) > 1e-4 {
			t.Errorf("%s: error radius %v m, want 0.50092 m", name, e.HPositioningError)
		}
	}
}

// With every verdict allowed, what is left has no surveyed position to be given.
func TestCorrectionsOfAllVerdicts(t *testing.T) {
	_, got := corrections(t, Options{Ties: TieOptions{Off: true}}, Policy{Only: Verdicts})
	for name, want := range map[string]string{
		"p/unreadable.jpg": "can't be read", "p/notag.jpg": "no link", "p/untied.jpg": "no link",
		"p/nopoint.jpg": `"B7"`, "p/many.jpg": "2 points",
		"p/over.jpg": "", "p/gross.jpg": "", "p/faulty.jpg": "", "p/pole.jpg": "", "p/null.jpg": "", "p/mars.jpg": "", "p/rough.jpg": "",
	} {
		if c := got[name]; (c.Edit != nil) != (want == "") || !strings.Contains(c.Why, want) {
			t.Errorf("%s: edit %v, reason %q, want %q", name, c.Edit, c.Why, want)
		}
	}
	// The point with a covariance: sqrt((0.0004+0.0009)/2 + (0.5/1.51517)²) m.
	if e := got["p/gross.jpg"].Edit; math.Abs(e.HPositioningError-1.51517*math.Sqrt(0.00065+0.5*0.5/(1.51517*1.51517))) > 1e-4 {
		t.Errorf("error radius %v m", e.HPositioningError)
	}
}

// The camera's own position is kept, and the point is stated in its datum.
func TestCorrectionsOfTheCamera(t *testing.T) {
	p, got := corrections(t, Options{Ties: TieOptions{Off: true}}, Policy{Only: Verdicts, Meaning: geotag.CameraPosition})
	e := got["p/within.jpg"].Edit
	if e == nil {
		t.Fatal(got["p/within.jpg"].Why)
	}
	// The tag is 2 m east and 1 m south of the point, so the point is to the
	// north-west: 360 - atan(2/1) = 296.565 degrees, sqrt(5) m.
	if math.Abs(*e.Bearing-296.565) > 1e-3 || math.Abs(*e.Distance-math.Sqrt(5)) > 1e-6 || e.HPositioningError != 0 {
		t.Errorf("bearing %v, distance %v, error %v", *e.Bearing, *e.Distance, e.HPositioningError)
	}
	shifted := got["p/shifted.jpg"].Edit
	want := p.inverse(grid.EN{E: 700000, N: 700100})
	if shifted.MapDatum != "SHIFTED" || math.Abs(shifted.Lat-want.Lat) > 1e-12 || math.Abs(shifted.Lon-want.Lon) > 1e-12 {
		t.Errorf("destination %+v, want %v in SHIFTED", shifted, want)
	}
	for name, why := range map[string]string{
		"p/null.jpg": "the camera's position is not known", "p/mars.jpg": "the camera's position is not known",
		"p/rough.jpg": "only a ballpark operation",
	} {
		if c := got[name]; c.Edit != nil || !strings.Contains(c.Why, why) {
			t.Errorf("%s: edit %v, reason %q, want %q", name, c.Edit, c.Why, why)
		}
	}
	_, got = corrections(t, Options{Datum: "SHIFTED", Ties: TieOptions{Off: true}}, Policy{Only: Verdicts, Meaning: geotag.CameraPosition})
	if c := got["p/within.jpg"]; c.Edit != nil || !strings.Contains(c.Why, "states no map datum") {
		t.Errorf("a photo without a datum in a job that takes SHIFTED: edit %v, reason %q", c.Edit, c.Why)
	}

	// Without a geodesist there is no true bearing, and none is guessed.
	q, points, links, photos := fullJob()
	res, err := Check(context.Background(), q, points, links, seq(photos...), Options{})
	if err != nil {
		t.Fatal(err)
	}
	list, err := Corrections(context.Background(), q, res, Options{}, Policy{Only: Verdicts, Meaning: geotag.CameraPosition})
	if err != nil || list[0].Edit != nil || !strings.Contains(list[0].Why, "can't measure on the ellipsoid") {
		t.Errorf("%+v, %v", list[0], err)
	}
}

// A link that the evidence contradicts is not written into a photo.
func TestCorrectionsOfContradictedLinks(t *testing.T) {
	p, points, links, photos := fullJob()
	res, err := Check(context.Background(), geodesist{p}, points, links, seq(photos...), Options{})
	if err != nil {
		t.Fatal(err)
	}
	res.Photos[0].Inference = &Inference{Link: walk.Contradicted}
	for _, allowed := range []bool{false, true} {
		list, err := Corrections(context.Background(), geodesist{p}, res, Options{}, Policy{Contradicted: allowed})
		if err != nil {
			t.Fatal(err)
		}
		if c := list[0]; (c.Edit != nil) != allowed || !allowed && !strings.Contains(c.Why, "contradicted") {
			t.Errorf("allowed=%v: edit %v, reason %q", allowed, c.Edit, c.Why)
		}
	}
}

// A corrected photo, checked again, has no discrepancy.
func TestCorrectedPhotoHasNoDiscrepancy(t *testing.T) {
	p, got := corrections(t, Options{}, Policy{})
	e := got["p/shifted.jpg"].Edit
	tag := &geotag.Tag{Container: "jpeg", MapDatum: e.MapDatum, HPositioningError: &e.HPositioningError,
		Position: &geotag.Position{Lat: e.Lat, Lon: e.Lon, Step: 1e-10}}
	r, err := CompareOne(context.Background(), geodesist{p}, Photo{Name: "x", Tag: tag}, Point{ID: "B1", EN: grid.EN{E: 700100, N: 700100}}, Options{})
	if err != nil || r.Verdict != Within || r.Discrepancy.Distance > 1e-6 || r.Discrepancy.Bearing.Defined() {
		t.Errorf("%+v, %v", r.Discrepancy, err)
	}
}

func TestCorrectionsFail(t *testing.T) {
	p, points, links, photos := fullJob()
	res, err := Check(context.Background(), p, points, links, seq(photos...), Options{})
	if err != nil {
		t.Fatal(err)
	}
	p.fail = context.DeadlineExceeded
	if _, err := Corrections(context.Background(), p, res, Options{}, Policy{}); err == nil || !strings.Contains(err.Error(), "transforming positions from the grid") {
		t.Errorf("a projection that fails: %v", err)
	}
	res.Photos[0].Tie.Point = "nowhere"
	if _, err := Corrections(context.Background(), p, res, Options{}, Policy{}); err == nil || !strings.Contains(err.Error(), `"nowhere"`) {
		t.Errorf("a tie to a point that the result lacks: %v", err)
	}
}
