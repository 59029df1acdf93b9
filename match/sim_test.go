package match

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// honest draws a job of n photos whose noise is exactly what the default budget
// says, component by component, times stretch. Three kinds of photo alternate:
// with an error of the handheld's own in the image, with none, and with a known
// direction; every tenth point has a covariance.
func honest(p *plane, n int, stretch float64, src *rand.Rand) ([]Point, []Link, []Photo) {
	b := DefaultBudget()
	points := make([]Point, n)
	links := make([]Link, n)
	photos := make([]Photo, n)
	normal := func(s float64) Vector { return Vector{E: s * src.NormFloat64(), N: s * src.NormFloat64()} }
	for i := range n {
		id := fmt.Sprintf("%d", i)
		at := grid.EN{E: p.e0 + src.Float64()*1000, N: p.n0 + src.Float64()*1000}
		points[i] = Point{ID: id, EN: at}
		tag := &geotag.Tag{}
		var parts []Vector
		radius, conf := b.Handheld, b.HandheldConfidence
		if i%3 != 1 {
			radius, conf = 2+6*src.Float64(), b.ErrorConfidence
			tag.HPositioningError = &radius
		}
		parts = append(parts, normal(stretch*RadiusSigma(radius, conf)))
		parts = append(parts, normal(RadiusSigma(p.accuracy, b.OperationConfidence)))
		if i%10 == 0 {
			// Cov = A A' with A = (1.5 0; 0.6 0.4).
			points[i].Cov = &[3]float64{2.25, 0.9, 0.52}
			x, y := src.NormFloat64(), src.NormFloat64()
			parts = append(parts, Vector{E: 1.5 * x, N: 0.6*x + 0.4*y})
		} else {
			parts = append(parts, normal(b.PointSigma))
		}
		dir := src.Float64() * 2 * math.Pi
		sin, cos := math.Sincos(dir)
		if i%3 == 2 {
			dist := 1 + 10*src.Float64()
			tag.SubjectDistance = &dist
			tag.Direction = &geotag.Direction{Degrees: math.Mod(dir*180/math.Pi+p.rot+360, 360)}
			parts = append(parts, Vector{E: -dist * sin, N: -dist * cos}, normal(dist*b.DirectionSigma*math.Pi/180))
		} else {
			parts = append(parts, Vector{E: b.Standoff * sin, N: b.Standoff * cos})
		}
		for _, v := range parts {
			at.E += v.E
			at.N += v.N
		}
		ll := p.inverse(at)
		tag.Position = &geotag.Position{Lat: ll.Lat, Lon: ll.Lon, Step: 1e-9}
		photos[i] = Photo{Name: id + ".jpg", Tag: tag}
		links[i] = Link{Photo: photos[i].Name, Point: id}
	}
	return points, links, photos
}

func judgeHonest(t *testing.T, n int, stretch float64, seed uint64) *Result {
	t.Helper()
	p := newPlane()
	p.rot = 1.7
	points, links, photos := honest(p, n, stretch, rand.New(rand.NewPCG(seed, 17)))
	// The links are right; it is the judgement that is looked at.
	res, err := Check(context.Background(), geodesist{p}, points, links, seq(photos...), Options{Ties: TieOptions{Off: true}})
	if err != nil {
		t.Fatal(err)
	}
	if res.Counts[Unjudged] != 0 {
		t.Fatalf("counts %v", res.Counts)
	}
	return res
}

// TestHonestNoise: of 100,000 photos with no more and no less noise than the
// budget says, 95 % are within, as far as a binomial can tell, and none is gross.
// (Holm's procedure leaves a chance of 0.001 for any gross one; the seed is
// fixed.) The p-values are uniform.
func TestHonestNoise(t *testing.T) {
	n := 100_000
	if testing.Short() {
		n = 10_000
	}
	res := judgeHonest(t, n, 1, 1)
	within := res.Counts[Within]
	lo, hi := BinomialInterval(within, n, 0.99)
	t.Logf("%d of %d within, 99 %% interval %.5f to %.5f", within, n, lo, hi)
	if lo > 0.95 || hi < 0.95 {
		t.Errorf("%d of %d are within: interval %.5f to %.5f lacks 0.95", within, n, lo, hi)
	}
	if res.Counts[Gross] != 0 || res.SetWithoutGross != nil {
		t.Errorf("%d are gross", res.Counts[Gross])
	}
	if o := res.Set.Over; o.Over != n-within || o.P < 0.005 || o.P > 0.995 {
		t.Errorf("over %+v", o)
	}
	// The Kolmogorov-Smirnov distance of the p-values from uniform, whose 99.9 %
	// point is 1.95 / sqrt(n) (common tables, from memory).
	p := make([]float64, n)
	for i, r := range res.Photos {
		p[i] = *r.P
	}
	median(p) // sorts
	var ks float64
	for i, v := range p {
		ks = max(ks, math.Abs(v-float64(i)/float64(n)), math.Abs(v-float64(i+1)/float64(n)))
	}
	if ks > 1.95/math.Sqrt(float64(n)) {
		t.Errorf("the p-values are not uniform: distance %.5f", ks)
	}
}

// TestHonestNoiseCanFail: the check above notices a handheld that is 5 % noisier
// than it says, and one that is 5 % better.
func TestHonestNoiseCanFail(t *testing.T) {
	inFull(t)
	for _, stretch := range []float64{1.05, 0.95} {
		const n = 10_000
		within := judgeHonest(t, n, stretch, 2).Counts[Within]
		if lo, hi := BinomialInterval(within, n, 0.99); lo <= 0.95 && hi >= 0.95 {
			t.Errorf("noise times %v: %d of %d within, which passes for honest", stretch, within, n)
		}
	}
}

// TestGrossAmongMany: five photos of 10,000 at the wrong end of the quay are
// found, and nobody else is accused.
func TestGrossAmongMany(t *testing.T) {
	inFull(t)
	p := newPlane()
	points, links, photos := honest(p, 10_000, 1, rand.New(rand.NewPCG(3, 17)))
	for i := 0; i < 10_000; i += 2000 {
		photos[i].Tag.Position.Lat += 60 / metresPerDegree
	}
	res, err := Check(context.Background(), geodesist{p}, points, links, seq(photos...), Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range res.Photos {
		if (r.Verdict == Gross) != (i%2000 == 0) {
			t.Errorf("photo %d: %s, p %v, adjusted %v, %s", i, r.Verdict, *r.P, *r.PAdjusted, r.Allowance)
		}
	}
	if res.SetWithoutGross.N != 9995 {
		t.Errorf("%d left without the gross", res.SetWithoutGross.N)
	}
}

// inFull skips a test of one goroutine where the race detector looks for where they meet.
func inFull(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("slow, and on one goroutine")
	}
}
