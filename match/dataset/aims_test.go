package dataset

import (
	"math"
	"strings"
	"testing"
	"testing/fstest"

	"example.com/phototie/match"
)

// TestLinksToPlaces: what a row says beside its point, in the grid's unit; a bearing and a
// distance give an offset by the sine and the cosine.
func TestLinksToPlaces(t *testing.T) {
	read := func(row string) ([]match.Link, error) {
		text := "photo;point;To point;offset_e;offset_n;offset bearing;offset distance\n" + row + "\n"
		links, _, err := readLinks(fstest.MapFS{"l": {Data: []byte(text)}}, LinkSettings{File: "l"})
		return links, err
	}
	for row, want := range map[string]match.Aim{
		"a;K7;K8;;;;":       {To: "K8"},
		"a;K7;;1,25;-2.5;;": {Offset: &match.Vector{E: 1.25, N: -2.5}},
		"a;K7;;0;3;;":       {Offset: &match.Vector{N: 3}},
		"a;K7;;;;30;10":     {Offset: &match.Vector{E: 5, N: 5 * math.Sqrt(3)}},
		"a;K7;;;;30;":       {},
		"a;K7;;;;;10":       {},
	} {
		links, err := read(row)
		if err != nil || len(links) != 1 || links[0].Aim == nil {
			t.Errorf("%s: %+v, %v", row, links, err)
			continue
		}
		a := links[0].Aim
		o, w := a.Offset, want.Offset
		if a.To != want.To || (o == nil) != (w == nil) || o != nil && math.Hypot(o.E-w.E, o.N-w.N) > 1e-12 ||
			(a.Bearing != nil) != strings.Contains(row, ";30;") || (a.Distance != nil) != strings.HasSuffix(row, ";10") {
			t.Errorf("%s: %+v", row, a)
		}
	}
	for row, want := range map[string]string{
		"a;K7;;1;;;":        "to the east or to the north alone",
		"a;K7;;1;2;30;10":   "by its parts and by a bearing and a distance",
		"a;K7;K8;1;2;;":     "an offset and the other end of a stretch",
		"a;K7;;5000;0;;":    `l:2:7: offset_e "5000" is no number from -1000 to 1000`,
		"a;K7;;;;north;1":   `offset_bearing "north" is no number`,
		"a;K7;;;;;-1":       `offset_distance "-1" is no number from 0 to 1000`,
		"a;;K8;;;;":         "says what the photo shows beside a point, and names no point",
		"a;K7;;1e400;NaN;;": "is no number",
	} {
		if _, err := read(row); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", row, err, want)
		}
	}
	if links, err := read("a;K7;;;;;"); err != nil || links[0].Aim != nil {
		t.Errorf("nothing said: %+v, %v", links, err)
	}
}
