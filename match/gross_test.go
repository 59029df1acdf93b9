package match

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// Widened is the allowance of a tag that states k times the error.
func TestWidened(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		stated := rapid.Float64Range(0.5, 30).Draw(t, "stated")
		k := rapid.Float64Range(1, 4).Draw(t, "k")
		p := Point{ID: "A"}
		if rapid.Bool().Draw(t, "ellipse") {
			p.Cov = &[3]float64{4, 1, 9}
		}
		times := func(f float64) Allowance {
			e := f * stated
			a, err := DefaultBudget().Allowance(&geotag.Tag{HPositioningError: &e}, p, nil, AllowanceOptions{})
			if err != nil {
				t.Fatal(err)
			}
			return a
		}
		narrow := times(1)
		got, want := narrow.Widened(k), times(k)
		if a, b := got.Judge(5, -7), want.Judge(5, -7); math.Abs(a-b) > 1e-9 || math.Abs(got.Threshold-want.Threshold) > 1e-9*want.Threshold {
			t.Errorf("p %v, threshold %v; of a tag that states it: %v, %v", a, got.Threshold, b, want.Threshold)
		}
		if again := times(1); narrow.Sigma != again.Sigma || narrow.Components[0] != again.Components[0] {
			t.Error("the allowance itself was changed")
		}
	})
}

// A tag off by up to four times the radius that it states is not gross, since
// receivers state too small errors (a recorded series of ten was beyond its stated
// radius in 66 % of fixes); one off by twenty times is.
func TestGrossIsCautious(t *testing.T) {
	for _, c := range []struct {
		off  float64
		want Verdict
	}{{5, Within}, {12 + 2, Over}, {60, Gross}} {
		stated := 3.0
		photo := Photo{Name: "a.jpg", Tag: &geotag.Tag{HPositioningError: &stated, Position: &geotag.Position{}}}
		r := PhotoResult{Photo: photo}
		a, err := DefaultBudget().Allowance(photo.Tag, Point{ID: "A"}, nil, AllowanceOptions{})
		if err != nil {
			t.Fatal(err)
		}
		p := a.Judge(c.off, 0)
		r.P, r.Allowance, r.GrossScale = &p, &a, UnlearntGrossScale
		r.Discrepancy = &grid.Discrepancy{DE: c.off, Unit: grid.Metre, Distance: c.off}
		tally := NewTally(grid.Metre, Budget{})
		if err := tally.Add(&r); err != nil {
			t.Fatal(err)
		}
		if err := tally.Judge(&r); err != nil {
			t.Fatal(err)
		}
		if r.Verdict != c.want || *r.PAdjusted < *r.P {
			t.Errorf("%v m off: %s, p %v, adjusted %v; want %s", c.off, r.Verdict, *r.P, *r.PAdjusted, c.want)
		}
	}
}
