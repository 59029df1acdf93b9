package noise

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

const (
	// mostDraws is how many times the errors of a camera are drawn anew, and
	// clearDraws after how many without a hit no more are needed. enoughHits ends it
	// too: with that many the probability is known well enough.
	mostDraws, clearDraws, enoughHits = 12000, 5000, 40
	// Of so many photos the count is drawn fewDraws times, and is near enough to normal.
	manyPhotos, fewDraws = 20000, 24
	// mostDrawn is the largest scale that is drawn. With the offset of the session errors
	// are twice as large as stated then, which is about the most that receivers are
	// seen to understate; what is further off is trouble of another kind.
	mostDrawn = 1.8
	// mostLow is the low end of a scale from which on it is not believed to be noise.
	mostLow = 2.2
	// together is the gap in seconds within which photos share how far the tails
	// throw them: they belong to one visit.
	together = 60
)

// Camera is what is known of the errors of a camera's tags, with the tags of its photos
// in order of time and how far off each may be, in metres.
type Camera struct {
	Model     *Model
	Residuals []Residual
	Limits    []float64
}

// Exceed is the probability that over or more tags are further off than their limits by
// the errors alone that the models have: white noise, slow errors that neighbouring
// photos share, the offset of each session and the standoff, at most twice as large as
// stated. A camera whose errors are larger than that for certain has no tag explained. It is
// found by drawing these anew, so that photos of one visit count for as
// little more than one as their errors correlate. E and N of the residuals do not
// matter. The same arguments give the same figure, to a third or so near 0.001. Of more
// than 20,000 photos the count is taken for normal, with the mean and the spread of 24
// draws (Student's t).
func Exceed(cameras []Camera, over int) float64 {
	if over <= 0 {
		return 1
	}
	rng := rand.New(rand.NewPCG(1, 2))
	var draws []draw
	photos := 0
	for _, c := range cameras {
		if c.Model.Low <= mostLow {
			draws = append(draws, draw{Camera: c, rng: rng})
			photos += len(c.Residuals)
		}
	}
	count := func() (n int) {
		for i := range draws {
			n += draws[i].over(draws[i].Model.pick(rng))
		}
		return n
	}
	if photos > manyPhotos {
		counts := make([]float64, fewDraws)
		for i := range counts {
			counts[i] = float64(count())
		}
		mean, sd := stat.MeanStdDev(counts, nil)
		sd = max(sd, math.Sqrt(mean)) * math.Sqrt(1+1.0/fewDraws)
		return distuv.StudentsT{Mu: mean, Sigma: max(sd, 1e-9), Nu: fewDraws - 1}.Survival(float64(over))
	}
	hits := 0
	for n := 1; n <= mostDraws; n++ {
		if count() >= over {
			hits++
		}
		if hits == enoughHits || hits == 0 && n == clearDraws {
			return float64(hits) / float64(n)
		}
	}
	return float64(hits) / mostDraws
}

// pick draws a cell by its weight.
func (m *Model) pick(rng *rand.Rand) *cell {
	x := rng.Float64()
	for i := range m.cells {
		if x -= m.cells[i].weight; x < 0 {
			return &m.cells[i]
		}
	}
	return &m.cells[len(m.cells)-1]
}

// draw draws the errors of a camera's photos.
type draw struct {
	Camera
	rng *rand.Rand
	f   filter
}

// normal draws a vector of unit variance per axis.
func (d *draw) normal() [2]float64 { return [2]float64{d.rng.NormFloat64(), d.rng.NormFloat64()} }

// over draws the errors of all photos and counts those longer than their limits.
func (d *draw) over(c *cell) int {
	at := *c
	at.scale = min(at.scale, mostDrawn)
	d.f.start(&at, d.Residuals)
	white := math.Sqrt(d.f.r0)
	count, wide := 0, 1.0
	var slow, offset, side [2]float64
	for i := range d.Residuals {
		r, phi := &d.Residuals[i], d.f.phis[i]
		if i == 0 || phi < 0 { // a session begins
			slow, offset = d.normal(), d.normal()
			sd := math.Sqrt(d.f.offsetVar)
			offset[0], offset[1] = sd*offset[0], sd*offset[1]
			sin, cos := math.Sincos(2 * math.Pi * d.rng.Float64())
			side = [2]float64{sin, cos}
		} else {
			q := math.Sqrt(1 - phi*phi)
			z := d.normal()
			slow[0], slow[1] = phi*slow[0]+q*z[0], phi*slow[1]+q*z[1]
		}
		if i == 0 || !(r.Time-d.Residuals[i-1].Time <= together) {
			wide = d.tail(at.tail)
		}
		z := d.normal()
		h, w := d.f.h0*r.Sigma*wide, white*r.Sigma*wide
		e := h*slow[0] + w*z[0] + offset[0] + r.Standoff*side[0]
		n := h*slow[1] + w*z[1] + offset[1] + r.Standoff*side[1]
		if math.Hypot(e, n) > d.Limits[i] {
			count++
		}
	}
	return count
}

// tail draws by how much a tag's error is larger than a normal one.
func (d *draw) tail(k int) float64 {
	t := tails[k]
	var chi float64
	for range int(t.nu) {
		z := d.rng.NormFloat64()
		chi += z * z
	}
	return math.Sqrt(t.shrink * t.nu / chi)
}
