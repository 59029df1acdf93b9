package match

import (
	"context"
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// A job whose tags lie off by chance has no finding of the set, one of which most lie
// just over budget has one, and a stream says the same as Check.
func TestOverShare(t *testing.T) {
	if testing.Short() {
		t.Skip("it says nothing of goroutines, and runs in full without -short")
	}
	sound := func(i int) float64 {
		if i%20 == 0 {
			return 10
		}
		return float64(i%7 - 3)
	}
	wild := func(i int) float64 { return float64(1-i%2*2) * (11 + float64(i%3)) }
	for _, c := range []struct {
		name  string
		frame float64             // accuracy in metres, 0 for none stated
		off   func(i int) float64 // metres east
		want  []FindingCode       // but for those of single photos
		shift float64             // in the facts
	}{
		{"one in twenty over", 0.5, sound, nil, 0},
		{"most over, none of them gross", 0.5, wild, []FindingCode{FindingOverShare}, 0},
		// The same photos in a frame that may be off by metres: all are within, and the
		// job fails all the same.
		{"sound in a coarse frame", 10, sound, []FindingCode{FindingFrameCoarse}, 0},
		{"most over but for the frame", 10, wild, []FindingCode{FindingOverShare, FindingFrameCoarse}, 0},
		{"sound in a frame of unknown accuracy", 0, sound, []FindingCode{FindingFrameUnstated}, 0},
		// What the frame is off is common to all: it is no noise that photos have by
		// themselves, and shows as their shift.
		{"all off alike, within the frame", 10, func(i int) float64 { return 9 + sound(i) }, []FindingCode{FindingFrameCoarse}, 9},
	} {
		proj := newPlane()
		proj.accuracy = c.frame
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
			var got []FindingCode
			shift := 0.0
			for _, f := range r.Findings() {
				if f.Photo == "" && f.Point == "" {
					got = append(got, f.Code)
				}
				if s := f.Facts.Value("shift"); s > f.Facts.Value("shift known to") {
					shift = s
				}
			}
			if !slices.Equal(got, c.want) || math.Abs(shift-c.shift) > 1.5 {
				t.Errorf("%s, %s: %v, shift %v, counts %v", c.name, kind, got, shift, r.Counts)
			}
		}
	}
}

// Where errors are as stated and the frame is off by what is stated of it, once for all
// photos, no job has too many over budget. (0.001 is the level; 40 jobs.)
func TestFrameIsNoNoise(t *testing.T) {
	if testing.Short() {
		t.Skip("it says nothing of goroutines, and runs in full without -short")
	}
	proj := newPlane()
	proj.accuracy = 4.5
	rng := rand.New(rand.NewPCG(14, 2))
	for range 40 {
		points, links, photos := honest(proj, 40, 1, rng)
		s := RadiusSigma(proj.accuracy, 0.6827)
		e, n := s*rng.NormFloat64(), s*rng.NormFloat64()
		for i := range points {
			points[i].E, points[i].N = points[i].E+e, points[i].N+n
		}
		res, err := Check(context.Background(), proj, points, links, All(photos), Options{Ties: TieOptions{Off: true}})
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range res.Findings() {
			if f.Code == FindingOverShare {
				t.Errorf("frame off by %.1f, %.1f m: %s", e, n, f.Message)
			}
		}
	}
}
