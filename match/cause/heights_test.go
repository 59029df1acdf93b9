package cause_test

import (
	"context"
	"math"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/sim"
)

// lifted is a plane over which EGM96 lies 57 m above the ellipsoid, as over Ireland (NGA,
// from memory).
type lifted struct{ grid.Projection }

func (lifted) EllipsoidalHeights(_ context.Context, _ []grid.EN, heights []grid.Height, _ []grid.Frame) ([]grid.HeightPlacement, error) {
	out := make([]grid.HeightPlacement, len(heights))
	for i, h := range heights {
		out[i].Metres = h.Metres
		if h.Ref.Surface == grid.HeightGeoid {
			out[i].Metres += 57
		}
	}
	return out, nil
}

func (l lifted) FixHeights(ctx context.Context, _ []grid.Fix, heights []grid.Height) ([]grid.HeightPlacement, error) {
	return l.EllipsoidalHeights(ctx, nil, heights, nil)
}

// TestHeightReference: heights are compared on the ellipsoid by what the settings say, so
// that right settings leave no cause and wrong ones give one; the amount has an interval
// that covers what was planted, and EGM96 is named only where the constant is as large.
// The 57 m are NGA's EGM96 over Ireland (from memory), the rest closed form: h = H + N.
func TestHeightReference(t *testing.T) {
	inFull(t)
	ellipsoid, geoid := grid.HeightRef{Surface: grid.HeightEllipsoid}, grid.HeightRef{Surface: grid.HeightGeoid, VerticalCRS: "EGM96"}
	for _, c := range []struct {
		name   string
		up     float64 // added to the heights of the points
		points grid.HeightRef
		want   float64 // tag minus point; 0 for no cause
		say    string
	}{
		{"right settings", -57, geoid, 0, ""},
		{"ellipsoidal, said to be above the geoid", 0, geoid, -57, "much as EGM96 lies 57.0 m above the ellipsoid here: one of the two counts from another surface than [heights] says"},
		{"levelled, said to be ellipsoidal", -57, ellipsoid, 57, "much as EGM96"},
		{"nothing said", -57, grid.HeightRef{}, 57, "both as they are written, much as EGM96 lies 57.0 m above the ellipsoid here: one of the two counts from the geoid, the other from the ellipsoid"},
		{"another constant", -30, ellipsoid, 30, "look for a constant that was set wrong"},
	} {
		cfg := sim.Default()
		cfg.AltitudeRef, cfg.Seed = geotag.AltitudeEllipsoidal, 7
		set, err := sim.New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		for i := range set.Points {
			*set.Points[i].Height += c.up
		}
		opt := set.Options()
		opt.Heights.Points = c.points
		proj := lifted{set.Projection}
		res, err := match.Check(t.Context(), proj, set.Points, set.Links, match.All(set.Photos), opt)
		if err != nil {
			t.Fatal(err)
		}
		x, err := cause.Explain(t.Context(), cause.Input{Proj: proj, Options: opt, Result: res, Datums: []string{}})
		if err != nil {
			t.Fatal(err)
		}
		got := 0.0
		for _, f := range x.Causes {
			if f.Name != "height-reference" {
				continue
			}
			p := f.Params[0]
			got = p.Value
			// 1.5 m is how high the generator holds a camera.
			if p.StdErr == nil || math.Abs(got-c.want-1.5) > 3**p.StdErr || !strings.Contains(f.Summary, c.say) || !strings.Contains(f.Summary, "(95 %: ") ||
				strings.Contains(f.Summary, "EGM96") != strings.Contains(c.say, "EGM96") {
				t.Errorf("%s: %+v, %q", c.name, p, f.Summary)
			}
		}
		if (got != 0) != (c.want != 0) {
			t.Errorf("%s: the cause has %v, planted %v", c.name, got, c.want)
		}
	}
}
