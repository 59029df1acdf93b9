package site

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

// tall is a base that does heights, lists operations and knows its area: its
// geoid lies 50 m above the ellipsoid.
type tall struct {
	*gauss
	accuracy *float64
}

func (b tall) op() *grid.Operation {
	return &grid.Operation{Name: "base operation", Source: "sphere", Accuracy: b.accuracy, Notes: []string{"a note of the base"}}
}

func (b tall) ToGrid(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	out, err := b.gauss.ToGrid(ctx, fixes)
	op := b.op()
	for i := range out {
		out[i].Op = op
	}
	return out, err
}

func (b tall) AreaOfUse() (south, west, north, east float64, ok bool) { return 51, -11, 56, -5, true }

func (b tall) Candidates(ctx context.Context, at []grid.EN, frame grid.Frame) ([]grid.Candidate, error) {
	return []grid.Candidate{{Operation: *b.op(), Chosen: len(at), Why: fmt.Sprint(at)}}, nil
}

func (b tall) EllipsoidalHeights(_ context.Context, at []grid.EN, heights []grid.Height, frames []grid.Frame) ([]grid.HeightPlacement, error) {
	out := make([]grid.HeightPlacement, len(at))
	for i, h := range heights {
		out[i] = b.lift(h)
		if at[i].E > 1e6 {
			out[i] = grid.HeightPlacement{Err: grid.ErrOutside}
		}
	}
	return out, nil
}

func (b tall) FixHeights(_ context.Context, fixes []grid.Fix, heights []grid.Height) ([]grid.HeightPlacement, error) {
	out := make([]grid.HeightPlacement, len(fixes))
	for i, h := range heights {
		out[i] = b.lift(h)
	}
	return out, nil
}

func (b tall) lift(h grid.Height) grid.HeightPlacement {
	if h.Ref.Site {
		return grid.HeightPlacement{Err: grid.ErrNoHeights}
	}
	p := grid.HeightPlacement{Metres: h.Metres, Accuracy: b.accuracy}
	if h.Ref.Surface == grid.HeightGeoid {
		p.Metres += 50
		p.Steps = []string{"geoid"}
	}
	return p
}

// A site in feet whose heights lie 100 ft above the base's at the origin and rise
// against them by 1 in 1000 to the east. By hand, at 1000 ft east: the base is
// 101 ft lower. A site height of 30.48 m is 100 ft, so the base's is -1 ft or
// -0.3048 m, and 49.6952 m above the ellipsoid.
func TestSiteHeights(t *testing.T) {
	base := tall{&gauss{}, ptr(0.03)}
	def := Definition{Name: "mixed", Unit: grid.Foot, Direction: SiteToBase,
		Similarity: &Similarity{Origin: grid.EN{E: 700000, N: 700000}, Scale: 0.3048, Rotation: 20},
		Vertical:   &Vertical{Offset: 100, SlopeE: 0.001}, HeightAccuracy: ptr(0.04)}
	p := mustNew(t, base, def)
	s := p.(grid.Heighter)
	geoid := grid.HeightRef{Surface: grid.HeightGeoid, VerticalCRS: "any"}
	own := geoid
	own.Site = true
	at := grid.EN{E: 1000, N: 77}
	far := grid.EN{E: 3e6, N: 0}
	got, err := s.EllipsoidalHeights(t.Context(), []grid.EN{at, at, far}, []grid.Height{{Metres: 30.48, Ref: own}, {Metres: 30.48, Ref: geoid}, {Metres: 1, Ref: own}}, make([]grid.Frame, 3))
	if err != nil {
		t.Fatal(err)
	}
	if h := got[0]; h.Err != nil || math.Abs(h.Metres-49.6952) > 1e-9 || math.Abs(*h.Accuracy-0.05) > 1e-12 || len(h.Steps) != 2 || !strings.Contains(h.Steps[0], "mixed") {
		t.Errorf("site height: %+v", h)
	}
	if h := got[1]; h.Err != nil || math.Abs(h.Metres-80.48) > 1e-9 || *h.Accuracy != 0.03 {
		t.Errorf("base height: %+v", h)
	}
	if !errors.Is(got[2].Err, grid.ErrOutside) {
		t.Errorf("outside: %+v", got[2])
	}
	tag, err := s.FixHeights(t.Context(), make([]grid.Fix, 1), []grid.Height{{Metres: 7, Ref: geoid}})
	if err != nil || tag[0].Metres != 57 {
		t.Errorf("tag: %v, %v", tag, err)
	}
	// Through the comparison, tag minus point.
	d, err := grid.CompareHeights(t.Context(), p, []grid.HeightPair{{Tag: grid.Height{Metres: 1.6952, Ref: geoid}, At: at, Point: grid.Height{Metres: 30.48, Ref: own}}})
	if err != nil || d[0].Err != nil || math.Abs(d[0].DH-2) > 1e-9 || math.Abs(*d[0].Accuracy-math.Hypot(0.03, 0.05)) > 1e-12 {
		t.Errorf("%+v, %v", d, err)
	}

	// Without an accuracy for the vertical part there is none for the height.
	def.HeightAccuracy = nil
	got, err = mustNew(t, base, def).(grid.Heighter).EllipsoidalHeights(t.Context(), []grid.EN{at}, []grid.Height{{Metres: 30.48, Ref: own}}, make([]grid.Frame, 1))
	if err != nil || got[0].Accuracy != nil || len(got[0].Notes) != 1 {
		t.Errorf("%+v, %v", got, err)
	}
	// Without a vertical part a height of the site's own is tied to nothing.
	def.Vertical = nil
	got, err = mustNew(t, base, def).(grid.Heighter).EllipsoidalHeights(t.Context(), []grid.EN{at, at}, []grid.Height{{Metres: 30.48, Ref: own}, {Metres: 30.48, Ref: geoid}}, make([]grid.Frame, 2))
	var e *grid.HeightError
	if err != nil || !errors.As(got[0].Err, &e) || !errors.Is(got[0].Err, ErrNoHeights) || got[1].Err != nil {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := s.EllipsoidalHeights(t.Context(), make([]grid.EN, 2), make([]grid.Height, 1), make([]grid.Frame, 2)); err == nil {
		t.Error("two places and one height: no error")
	}
}

// A base that can't do a thing makes a site system that says so.
func TestPlainBaseRefuses(t *testing.T) {
	s := mustNew(t, &gauss{}, quay(SiteToBase)).(*GeodesicSystem)
	if _, err := s.EllipsoidalHeights(t.Context(), nil, nil, nil); !errors.Is(err, grid.ErrNoHeights) {
		t.Errorf("heights: %v", err)
	}
	if _, err := s.FixHeights(t.Context(), nil, nil); !errors.Is(err, grid.ErrNoHeights) {
		t.Errorf("heights of fixes: %v", err)
	}
	if _, err := s.Candidates(t.Context(), nil, grid.Frame{}); !errors.Is(err, errors.ErrUnsupported) {
		t.Errorf("candidates: %v", err)
	}
	if _, _, _, _, ok := s.AreaOfUse(); ok {
		t.Error("an area of use from nowhere")
	}
	if _, err := grid.CompareHeights(t.Context(), s, nil); !errors.Is(err, grid.ErrNoHeights) {
		t.Errorf("comparison: %v", err)
	}
}

// A stated accuracy joins the base's: 3 and 4 cm make 5. It is said in words,
// and the base's operation stays as it was.
func TestSiteAccuracy(t *testing.T) {
	fixes := []grid.Fix{{LatLon: grid.LatLon{Lat: 53.3, Lon: -6.2}}, {LatLon: grid.LatLon{Lat: 53.4, Lon: -6.2}}}
	for _, tt := range []struct {
		base, site, want *float64
		note             string
	}{
		{ptr(0.03), ptr(0.04), ptr(0.05), "the accuracy includes 0.04 m for the site system"},
		{ptr(0.03), nil, ptr(0.03), ""},
		{nil, ptr(0.04), nil, "no accuracy is stated for the operation under it"},
		{nil, nil, nil, ""},
		{ptr(0.03), ptr(0.0), ptr(0.03), "includes 0 m"},
	} {
		def := quay(SiteToBase)
		def.Accuracy = tt.site
		base := tall{&gauss{}, tt.base}
		s := mustNew(t, base, def)
		out, err := s.ToGrid(t.Context(), fixes)
		if err != nil || out[0].Err != nil {
			t.Fatal(err, out[0].Err)
		}
		ops := []*grid.Operation{out[0].Op}
		list, err := s.(grid.CandidateLister).Candidates(t.Context(), []grid.EN{{E: 1, N: 2}}, grid.Frame{})
		if err != nil || len(list) != 1 || list[0].Chosen != 1 || list[0].Why != fmt.Sprint([]grid.EN{s.(*GeodesicSystem).ToBase(grid.EN{E: 1, N: 2})}) {
			t.Fatalf("%+v, %v", list, err)
		}
		ops = append(ops, &list[0].Operation)
		for _, op := range ops {
			if (op.Accuracy == nil) != (tt.want == nil) || tt.want != nil && math.Abs(*op.Accuracy-*tt.want) > 1e-12 {
				t.Errorf("%+v: accuracy %v", tt, op.Accuracy)
			}
			if notes := strings.Join(op.Notes, "\n"); !strings.Contains(notes, tt.note) || !strings.Contains(notes, "a note of the base") || tt.note == "" && len(op.Notes) != 1 {
				t.Errorf("%+v: notes %q", tt, op.Notes)
			}
			if !strings.HasSuffix(op.Name, "+ site system "+def.Name) {
				t.Errorf("name %q", op.Name)
			}
		}
		if out[0].Op != out[1].Op {
			t.Error("the operation is not shared")
		}
		if tt.base != nil && *tt.base != 0.03 {
			t.Error("the base's accuracy was changed")
		}
	}
	south, west, north, east, ok := mustNew(t, tall{&gauss{}, nil}, quay(SiteToBase)).(grid.Bounded).AreaOfUse()
	if south != 51 || west != -11 || north != 56 || east != -5 || !ok {
		t.Errorf("area of use %v %v %v %v %v", south, west, north, east, ok)
	}
}

func TestAccuracyIsRead(t *testing.T) {
	with := func(text string) string { return strings.Replace(quayJSON, `"remarks"`, text+`, "remarks"`, 1) }
	d, err := ParseDefinition([]byte(with(`"accuracy_m": 0.015, "height_accuracy_m": 0.02`)))
	if err != nil || *d.Accuracy != 0.015 || *d.HeightAccuracy != 0.02 {
		t.Errorf("%+v, %v", d, err)
	}
	c := d.clone()
	*d.Accuracy, *d.HeightAccuracy = 1, 1
	if *c.Accuracy != 0.015 || *c.HeightAccuracy != 0.02 {
		t.Error("the copy changed")
	}
	for text, want := range map[string]string{
		`"accuracy_m": -1`: "accuracy_m is -1", `"accuracy_m": null`: "null", `"accuracy_m": "1"`: "accuracy_m", `"accuracy_m": 1e9`: "want metres",
		`"height_accuracy_m": -0.1`: "height_accuracy_m is -0.1", `"accuracy": 1`: "not known",
	} {
		if _, err := ParseDefinition([]byte(with(text))); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", text, err)
		}
	}
	flat := quay(SiteToBase)
	flat.Vertical, flat.HeightAccuracy = nil, ptr(0.1)
	if err := flat.Validate(); err == nil || !strings.Contains(err.Error(), "vertical part") {
		t.Errorf("an accuracy of nothing: %v", err)
	}
	bad := quay(SiteToBase)
	bad.Accuracy = ptr(math.NaN())
	if err := bad.Validate(); err == nil {
		t.Error("an accuracy of NaN")
	}
}
