package pictures

import (
	"slices"
	"testing"

	"example.com/phototie/match"
)

// A marked-up copy is known by the name that it had.
func TestRenamedMarkup(t *testing.T) {
	c := photoCheck{res: &match.Result{Photos: []match.PhotoResult{
		{Photo: match.Photo{Name: "B1_1.jpg", Original: "day1/a.jpg"}},
		{Photo: match.Photo{Name: "B1_2.jpg", Original: "day1/a-marked.jpg"}},
	}}}
	marked, original := c.byName()
	if !slices.Equal(marked, []bool{false, true}) || original[1] != 0 {
		t.Errorf("marked %v, originals %v", marked, original)
	}
}
