package match

import (
	"context"
	"fmt"
	"iter"
	"testing"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// A job whose tags lie off by chance has no finding of the set, one of which most lie
// just over budget has one, and a stream says the same as Check.
func TestOverShare(t *testing.T) {
	proj := newPlane()
	for _, c := range []struct {
		name string
		off  func(i int) float64 // metres east
		want bool
	}{
		{"one in twenty over", func(i int) float64 {
			if i%20 == 0 {
				return 10
			}
			return float64(i%7 - 3)
		}, false},
		{"most over, none of them gross", func(i int) float64 { return float64(1-i%2*2) * (11 + float64(i%3)) }, true},
	} {
		var points []Point
		var links []Link
		var photos []Photo
		for i := range 60 {
			id, name := fmt.Sprint("P", i), fmt.Sprintf("%03d.jpg", i)
			points = append(points, Point{ID: id, EN: grid.EN{E: proj.e0 + float64(i)*100, N: proj.n0}})
			links = append(links, Link{Photo: name, Point: id})
			ll := proj.inverse(grid.EN{E: points[i].E + c.off(i), N: points[i].N})
			photos = append(photos, Photo{Name: name, Tag: &geotag.Tag{Position: &geotag.Position{Lat: ll.Lat, Lon: ll.Lon}, Serial: "A",
				Taken: &geotag.Taken{Time: time.Date(2026, 5, 4, 8, 5*i, 0, 0, time.UTC)}}})
		}
		opt := Options{Ties: TieOptions{Off: true}}
		res, err := Check(context.Background(), proj, points, links, All(photos), opt)
		if err != nil {
			t.Fatal(err)
		}
		s, err := NewStream(context.Background(), proj, points, links, photos, func(p []Photo) iter.Seq2[Photo, error] { return All(p) }, opt)
		if err != nil {
			t.Fatal(err)
		}
		for kind, r := range map[string]*Result{"check": res, "stream": s.Result} {
			got := false
			for _, f := range r.Findings() {
				got = got || f.Code == FindingOverShare
			}
			if got != c.want {
				t.Errorf("%s, %s: %v, counts %v", c.name, kind, got, r.Counts)
			}
		}
	}
}
