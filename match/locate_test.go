package match

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// Every point, and every tag that is on the grid, comes back from it: within
// 0.1 mm of where the image says, whatever datum it says it in.
func TestLocate(t *testing.T) {
	p, points, links, photos := fullJob()
	taken := func(y int) *geotag.Taken { return &geotag.Taken{Time: time.Date(y, 1, 1, 0, 0, 0, 0, time.UTC)} }
	photos[0].Tag.Taken, photos[1].Tag.Taken, photos[2].Tag.Taken = taken(1970), taken(2024), taken(2024)
	res, err := Check(context.Background(), p, points, links, seq(photos...), Options{})
	if err != nil {
		t.Fatal(err)
	}
	l, err := Locate(context.Background(), p, res, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if l.Epoch != 2024 || l.Operation == nil {
		t.Errorf("epoch %v, operation %v", l.Epoch, l.Operation)
	}
	const eps = 1e-4 / 111e3
	near := func(a, b grid.LatLon) bool { return math.Abs(a.Lat-b.Lat) < eps && math.Abs(a.Lon-b.Lon) < eps }
	for i, pt := range points {
		if !near(l.Points[i], p.inverse(pt.EN)) {
			t.Errorf("point %s at %v", pt.ID, l.Points[i])
		}
	}
	for i, ph := range res.Photos {
		got := l.Tags[i]
		switch {
		case ph.Name == "p/rough.jpg" || ph.OnGrid == nil:
			if got.Valid() {
				t.Errorf("%s has a position: %v", ph.Name, got)
			}
		case ph.Name == "p/shifted.jpg":
			if !near(got, p.inverse(points[0].EN)) {
				t.Errorf("a tag in another datum: %v", got)
			}
		case ph.Name == "p/far.jpg": // on the grid, and out of what FromGrid does
		case !near(got, grid.LatLon{Lat: ph.Tag.Position.Lat, Lon: ph.Tag.Position.Lon}):
			t.Errorf("%s: %v, want %+v", ph.Name, got, *ph.Tag.Position)
		}
	}
	if !slices.ContainsFunc(l.Faults, func(s string) bool { return strings.Contains(s, "p/rough.jpg: only a ballpark") }) {
		t.Errorf("the ballpark tag is not among the faults: %q", l.Faults)
	}
	l, err = Locate(context.Background(), p, res, Options{AllowBallpark: true, BallparkSigma: 100})
	if i := slices.IndexFunc(photos, func(q Photo) bool { return q.Name == "p/rough.jpg" }); err != nil || !l.Tags[i].Valid() {
		t.Errorf("ballpark allowed: %v %v", l, err)
	}
}

// back returns what FromGrid can't mean.
type back struct {
	*plane
	short, nan, ballpark bool
}

func (b back) FromGrid(ctx context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	out, err := b.plane.FromGrid(ctx, at, frames)
	if err != nil {
		return nil, err
	}
	if b.short {
		out = out[1:]
	}
	for i := range out {
		if b.nan {
			out[i].Lat = math.NaN()
		}
		if b.ballpark {
			out[i].Op = &grid.Operation{Ballpark: true}
		}
	}
	return out, nil
}

func TestLocateFaults(t *testing.T) {
	p := newPlane()
	points := []Point{{ID: "A", EN: grid.EN{E: 700000, N: 700000}}, {ID: "B", EN: grid.EN{E: 9e6, N: 700000}}}
	res, err := Check(context.Background(), p, points, nil, seq(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		proj   grid.Projection
		faults int
		first  string
	}{
		{p, 1, "point B: too far"},
		{back{plane: p, nan: true}, 2, "point A: the projection gives latitude NaN"},
		{back{plane: p, ballpark: true}, 2, "point A: only a ballpark operation leads from the grid to WGS 84"},
	} {
		l, err := Locate(context.Background(), c.proj, res, Options{})
		if err != nil || len(l.Faults) != c.faults || !strings.HasPrefix(l.Faults[0], c.first) || l.Points[1].Valid() {
			t.Errorf("%+v, %v; want %d faults, first %q", l, err, c.faults, c.first)
		}
	}
	if _, err := Locate(context.Background(), back{plane: p, short: true}, res, Options{}); err == nil {
		t.Error("a position too few went unnoticed")
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Locate(ctx, p, res, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	p.fail = errors.New("no engine")
	if _, err := Locate(context.Background(), p, res, Options{}); !errors.Is(err, p.fail) {
		t.Errorf("failed: %v", err)
	}
}
