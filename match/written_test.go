package match

import (
	"context"
	"math/rand/v2"
	"reflect"
	"testing"

	"example.com/phototie/geotag"
)

// Tags that were written from the points say nothing of how good tags are: the
// statistics of a set that is half corrected are those of the other half. Source:
// FGDC-STD-007.3-1998, 3.2.2: accuracy is told by an independent source.
func TestWrittenFromPoints(t *testing.T) {
	p := newPlane()
	points, links, photos := honest(p, 60, 1, rand.New(rand.NewPCG(14, 4)))
	opt := Options{Ties: TieOptions{Off: true}}
	check := func(photos []Photo) *Result {
		t.Helper()
		res, err := Check(context.Background(), p, points, links, seq(photos...), opt)
		if err != nil {
			t.Fatal(err)
		}
		return res
	}
	res := check(photos)
	if res.Written != 0 || res.Set.N != 60 {
		t.Fatalf("%d written, %d in the set", res.Written, res.Set.N)
	}
	corrections, err := Corrections(context.Background(), p, res, opt, Policy{Meaning: geotag.SubjectPosition, Only: Verdicts})
	if err != nil {
		t.Fatal(err)
	}
	rest := check(photos[30:])
	for i, c := range corrections[:30] {
		tag := *photos[i].Tag
		tag.Position = &geotag.Position{Lat: c.Edit.Lat, Lon: c.Edit.Lon, Step: 1e-9}
		tag.HPositioningError, tag.Direction, tag.SubjectDistance = &c.Edit.HPositioningError, nil, nil
		photos[i].Tag = &tag
	}
	half := check(photos)
	if half.Set.Over.N != 60 || half.Set.Over.Over != rest.Set.Over.Over {
		t.Errorf("the share over the budget is of all photos judged: %+v", half.Set.Over)
	}
	rest.Set.Over = half.Set.Over
	if half.Written != 30 || half.Counts[Within] < 30 || !reflect.DeepEqual(half.Set, rest.Set) {
		t.Errorf("%d written, %v\n%+v\nthe others alone\n%+v", half.Written, half.Counts, half.Set, rest.Set)
	}
	// A tally keeps it when it is stored and merged.
	tally, back := NewTally(half.Grid.Unit, Budget{}), new(Tally)
	for i := range half.Photos {
		if err := tally.Add(&half.Photos[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := back.UnmarshalJSON([]byte(asJSON(t, tally))); err != nil || back.Written() != 30 {
		t.Errorf("%d written, %v", back.Written(), err)
	}
}
