package match

import (
	"context"
	"math/rand/v2"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// benchJob is a job of n photos, three to a point, of one device without a
// covariance: what a crew brings in.
func benchJob(p *plane, n int) ([]Point, []Link, []Photo) {
	src := rand.New(rand.NewPCG(1, 1))
	points := scattered(p, (n+2)/3, src)
	links, photos := make([]Link, n), make([]Photo, n)
	for i := range n {
		at := points[i/3]
		tag := tagAt(p, at.EN, 3*src.NormFloat64(), 3*src.NormFloat64())
		tag.HPositioningError = ptr(2 + 5*src.Float64())
		photos[i] = Photo{Name: "photos/" + at.ID + string(rune('a'+i%3)) + ".jpg", Tag: tag}
		links[i] = Link{Photo: photos[i].Name, Point: at.ID}
	}
	return points, links, photos
}

// BenchmarkCheck checks 10,000 photos. floor is what no check can do without: the
// tags transformed to the grid in one call, and one subtraction each.
func BenchmarkCheck(b *testing.B) {
	const n = 10_000
	p := newPlane()
	points, links, photos := benchJob(p, n)
	b.Run("floor", func(b *testing.B) {
		fixes := make([]grid.Fix, n)
		for b.Loop() {
			for i, ph := range photos {
				fixes[i].LatLon = grid.LatLon{Lat: ph.Tag.Position.Lat, Lon: ph.Tag.Position.Lon}
			}
			placed, err := p.ToGrid(context.Background(), fixes)
			if err != nil {
				b.Fatal(err)
			}
			var sum float64
			for i := range placed {
				sum += placed[i].E - points[i/3].E
			}
			if sum == 0 {
				b.Fatal("no noise")
			}
		}
	})
	for name, proj := range map[string]grid.Projection{"plane": p, "ellipsoid": geodesist{p}} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				res, err := Check(context.Background(), proj, points, links, seq(photos...), Options{})
				if err != nil {
					b.Fatal(err)
				}
				if res.Counts[Unjudged] != 0 {
					b.Fatal(res.Counts)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/photo")
		})
	}
}

// BenchmarkAllowance works the budget out for one photo, for a point with and
// without a covariance of its own.
func BenchmarkAllowance(b *testing.B) {
	budget := DefaultBudget()
	tag := &geotag.Tag{HPositioningError: ptr(3.1)}
	for name, point := range map[string]Point{"circle": {ID: "1"}, "ellipse": {ID: "1", Cov: &[3]float64{0.0004, 0.0001, 0.0009}}} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				a, err := budget.Allowance(tag, point, exactOp, AllowanceOptions{})
				if err != nil {
					b.Fatal(err)
				}
				a.Judge(3, 4)
			}
		})
	}
}
