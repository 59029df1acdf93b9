package suggest_test

import (
	"fmt"
	"testing"

	"example.com/phototie/match/suggest"
)

func TestNearest(t *testing.T) {
	orders := []string{"point-then-photo", "photo-then-point", "id-entered"}
	for _, c := range []struct {
		word  string
		known []string
		want  string
	}{
		{"point-than-photo", orders, `; did you mean "point-then-photo"?`},
		{"POINT_THEN_PHOTO", orders, `; did you mean "point-then-photo"?`},
		{"identered", orders, `; did you mean "id-entered"?`},
		{"previous", orders, "; known are point-then-photo, photo-then-point, id-entered"},
		{"{pt}", []string{"{n}", "{nn}"}, "; known are {n}, {nn}"},
		{"x", []string{"y"}, `; did you mean "y"?`},
		{"crs", nil, ""},
	} {
		if got := suggest.Nearest(c.word, c.known...); got != c.want {
			t.Errorf("%q: %q, want %q", c.word, got, c.want)
		}
	}
}

func ExampleNearest() {
	fmt.Println(`unknown key "handheld"` + suggest.Nearest("handheld", "handheld_m", "standoff_m"))
	// Output: unknown key "handheld"; did you mean "handheld_m"?
}
