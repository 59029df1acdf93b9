package match

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

// TestAims: a photo of an offset is held against, and corrected to, the place that the
// offset leads to; one of a stretch against its nearest place; a distance alone widens the
// budget, a bearing alone does nothing. The figures are plane geometry in closed form; the
// standard deviation of a bearing and a distance is the budget's 15 degrees times the length.
func TestAims(t *testing.T) {
	for _, unit := range []grid.Unit{grid.Metre, grid.USSurveyFoot} {
		p := newPlane()
		p.unit = unit
		u := unit.Metres
		points := []Point{
			{ID: "K7", EN: grid.EN{E: 700000 / u, N: 700000 / u}, Height: ptr(4.0)},
			{ID: "K8", EN: grid.EN{E: 700100 / u, N: 700000 / u}, Height: ptr(4.0)},
		}
		k7 := points[0].EN
		for _, c := range []struct {
			name         string
			aim          *Aim
			tagE, tagN   float64 // metres from K7
			wantE, wantN float64 // the discrepancy, in metres
			standoff     float64
			sigma        float64 // what the offset adds to the budget
			e, n         float64 // where it is corrected to, in metres from K7
			why          string  // or why it is not
		}{
			{name: "the point", tagE: 3, tagN: 4, wantE: 3, wantN: 4, standoff: 2},
			{name: "an offset by its parts", aim: &Aim{Offset: &Vector{E: 10 / u, N: -20 / u}}, tagE: 11, tagN: -20, wantE: 1, standoff: 2, e: 10, n: -20},
			{name: "by bearing and distance", aim: &Aim{Offset: &Vector{E: 12 / u}, Bearing: ptr(90.0), Distance: ptr(12 / u)},
				tagE: 11, tagN: 0, wantE: -1, standoff: 2, sigma: 12 * 15 * math.Pi / 180, e: 12},
			{name: "along a stretch", aim: &Aim{To: "K8"}, tagE: 50, tagN: 3, wantN: 3, standoff: 2, why: "the stretch from K7 to K8, which is no single position"},
			{name: "before a stretch", aim: &Aim{To: "K8"}, tagE: -4, tagN: 3, wantE: -4, wantN: 3, standoff: 2, why: "the stretch"},
			{name: "beyond a stretch", aim: &Aim{To: "K8"}, tagE: 103, tagN: -4, wantE: 3, wantN: -4, standoff: 2, why: "the stretch"},
			{name: "a distance alone", aim: &Aim{Distance: ptr(5 / u)}, tagE: 3, tagN: 4, wantE: 3, wantN: 4, standoff: 7, why: "in a direction that is not stated"},
			{name: "a bearing alone", aim: &Aim{Bearing: ptr(45.0)}, tagE: 3, tagN: 4, wantE: 3, wantN: 4, standoff: 2},
		} {
			t.Run(fmt.Sprint(c.name, " in ", unit.Symbol), func(t *testing.T) {
				opt := Options{}
				links := []Link{{Photo: "a", Point: "K7"}, {Photo: "a", Point: "K7", Aim: c.aim}}
				res, err := Check(context.Background(), geodesist{p}, points, links, seq(Photo{Name: "a", Tag: tagAt(p, k7, c.tagE, c.tagN)}), opt)
				if err != nil {
					t.Fatal(err)
				}
				r := &res.Photos[0]
				if r.Discrepancy == nil {
					t.Fatalf("%+v", r)
				}
				d, a := r.Discrepancy, r.Allowance
				if math.Abs(d.DE*u-c.wantE) > 1e-6 || math.Abs(d.DN*u-c.wantN) > 1e-6 || math.Abs(a.Standoff-c.standoff) > 1e-9 {
					t.Errorf("discrepancy %v %v m, standoff %v, want %+v", d.DE*u, d.DN*u, a.Standoff, c)
				}
				plain := RadiusSigma(4, 0.6321)
				if want := math.Sqrt(plain*plain + 0.02*0.02 + RadiusSigma(0.5, 0.6827)*RadiusSigma(0.5, 0.6827) + c.sigma*c.sigma); math.Abs(a.Sigma-want) > 1e-9 {
					t.Errorf("standard deviation %v, want %v", a.Sigma, want)
				}
				if sample := res.Set != nil; sample != (c.why == "") {
					t.Errorf("in the statistics: %v", sample)
				}
				list, err := Corrections(context.Background(), geodesist{p}, res, opt, Policy{})
				if err != nil {
					t.Fatal(err)
				}
				if got := list[0]; got.Edit == nil || c.why != "" {
					if c.why == "" || got.Edit != nil || !strings.Contains(got.Why, c.why) {
						t.Errorf("correction %+v, want %q", got, c.why)
					}
					return
				}
				e := list[0].Edit
				at := p.inverse(grid.EN{E: k7.E + c.e/u, N: k7.N + c.n/u})
				if math.Abs(e.Lat-at.Lat) > 1e-11 || math.Abs(e.Lon-at.Lon) > 1e-11 {
					t.Errorf("corrected to %v %v, want %v", e.Lat, e.Lon, at)
				}
				frame := RadiusSigma(0.5, 0.6827)
				if want := RadiusSigma(1, 0.6827); math.Abs(e.HPositioningError*want-math.Sqrt(0.02*0.02+frame*frame+c.sigma*c.sigma)) > 1e-6 {
					t.Errorf("stated error %v", e.HPositioningError)
				}
			})
		}
	}
}

// TestAimsThatContradict: a photo that is said to show several things, or a stretch to a
// point that was not surveyed, is not judged; a decision about its point keeps the aim.
func TestAimsThatContradict(t *testing.T) {
	p := newPlane()
	points := []Point{{ID: "K7", EN: grid.EN{E: 700000, N: 700000}}, {ID: "K8", EN: grid.EN{E: 700100, N: 700000}}}
	tag := tagAt(p, points[0].EN, 50, 1)
	check := func(opt Options, links ...Link) *PhotoResult {
		res, err := Check(context.Background(), p, points, links, seq(Photo{Name: "a", Tag: tag}), opt)
		if err != nil {
			t.Fatal(err)
		}
		return &res.Photos[0]
	}
	aim := func(a Aim) Link { return Link{Photo: "a", Point: "K7", Aim: &a} }
	if r := check(Options{}, aim(Aim{To: "K8"}), aim(Aim{Distance: ptr(3.0)})); r.Reason != ReasonManyPoints || !strings.Contains(r.Why, "different things") {
		t.Errorf("two aims: %s %s", r.Reason, r.Why)
	}
	if r := check(Options{}, aim(Aim{To: "K9"})); r.Reason != ReasonNoPoint || !strings.Contains(r.Why, `"K9"`) {
		t.Errorf("no such end: %s %s", r.Reason, r.Why)
	}
	links := []Link{aim(Aim{To: "K8"}), {Photo: "a", Point: "K8"}}
	r := check(Options{}, links...)
	res := &Result{Photos: []PhotoResult{*r}, Points: []PointResult{{Point: points[0]}, {Point: points[1]}}}
	rests, err := res.Basis([]int{0}, links)
	if err != nil {
		t.Fatal(err)
	}
	d := Decision{Photo: "a", Point: "K7", Ruling: RulingShows, Basis: rests[0], At: &points[0].EN}
	if r := check(Options{Decisions: []Decision{d}}, links...); r.Tie == nil || r.Tie.Point != "K7" || r.Tie.Aim == nil || r.Tie.Aim.To != "K8" || r.Verdict != Within {
		t.Errorf("decided: %+v %s", r.Tie, r.Why)
	}
}
