package match_test

import (
	"fmt"
	"slices"
	"testing"

	"example.com/phototie/match"
)

// Each point and each photo of a job comes once, whatever it is tied to.
func TestByPoint(t *testing.T) {
	res := &match.Result{
		Points: []match.PointResult{{Point: match.Point{ID: "B"}}, {Point: match.Point{ID: "A"}}, {Point: match.Point{ID: "C"}}},
	}
	for i, point := range []string{"A", "B", "", "A", "gone"} {
		p := match.PhotoResult{Photo: match.Photo{Name: fmt.Sprint(i)}}
		if point != "" {
			p.Tie = &match.Tie{Point: point}
		}
		res.Photos = append(res.Photos, p)
	}
	list := func(most int) (out []string) {
		for point, photos := range res.ByPoint() {
			line := "none:"
			if point != nil {
				line = point.ID + ":"
			}
			for _, p := range photos {
				line += " " + p.Name
			}
			if out = append(out, line); len(out) == most {
				break
			}
		}
		return out
	}
	if got, want := list(99), []string{"B: 1", "A: 0 3", "C:", "none: 2 4"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if got := list(2); len(got) != 2 {
		t.Errorf("stopped: %q", got)
	}
	res.Photos = res.Photos[:2]
	if got, want := list(99), []string{"B: 1", "A: 0", "C:"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
