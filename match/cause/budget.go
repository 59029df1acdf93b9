package cause

import (
	"context"
	"math"
	"strconv"

	"example.com/phototie/match"
	"example.com/phototie/match/noise"
)

// Errors that are larger than stated, and a standoff that is, change what is allowed
// and move no tag. What they are told from are the photos near their points, so that
// neither can hide a blunder.

const (
	// leastAccuracy and leastStandoff are what is worth a setting: a factor, whose 95 %
	// interval begins at leastSure, and metres beside what the settings have.
	leastAccuracy, leastSure, leastStandoff = 1.25, 1.1, 2
	// leastScaled is the least number of independent photos for either.
	leastScaled = 6
)

// residuals are what the tags of a camera are off by, less what their outing has in
// common where that is more than noise, and the photos. With core those are left out
// that are far beyond the middle of all, since a run of wrong links looks like noise
// that is slow. Of a Rayleigh distribution 99 % lie within 2.6 medians.
func (e *Evidence) residuals(camera string, core bool) (rest []noise.Residual, of []int) {
	for _, i := range e.walks.seq[camera] {
		p := &e.Photos[i]
		if p.D == nil || p.where != nil || p.blur != nil || p.repeats || p.noise.cov != nil {
			continue
		}
		// A tag that lies on its point was written from it, and is no receiver's.
		if math.Hypot(p.D.E, p.D.N) < p.noise.sigma/20 {
			continue
		}
		o := e.shared[p.outing]
		if !core && math.Hypot(o.E, o.N) < p.Threshold {
			o = match.Vector{}
		}
		r := noise.Residual{
			Time: math.NaN(), E: p.D.E - p.noise.expected.E - o.E, N: p.D.N - p.noise.expected.N - o.N,
			Sigma: p.noise.sigma, Standoff: p.noise.standoff,
		}
		if math.Hypot(r.E, r.N) > 4*p.Threshold {
			continue
		}
		if !p.Time.IsZero() {
			r.Time = p.Time.Sub(epoch).Seconds()
		}
		rest, of = append(rest, r), append(of, i)
	}
	if !core {
		return rest, of
	}
	far := make([]float64, len(rest))
	for k, r := range rest {
		far[k] = math.Hypot(r.E, r.N)
	}
	cut, n := 2.6*medianOf(far), 0
	for k, r := range rest {
		if far[k] <= cut {
			rest[n], of[n] = r, of[k]
			n++
		}
	}
	return rest[:n], of[:n]
}

// quiet says that most tags are so near their points that what parts them is noise.
func (e *Evidence) quiet() bool {
	near, n := 0, 0
	for i := range e.Photos {
		if p := &e.Photos[i]; p.D != nil {
			n++
			if p.beyond() < 3*p.Threshold {
				near++
			}
		}
	}
	return 4*near >= 3*n
}

// accuracyUnderstated: the errors of a camera's tags are larger than they state. How
// much larger is a figure of the noise model, with its interval.
func accuracyUnderstated(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	var out []Hypothesis
	if !e.quiet() {
		return nil, nil
	}
	for _, c := range e.walks.cameras {
		rest, of := e.residuals(c, false)
		if len(of) < leastScaled || e.rounds(c, e.Photos[of[0]].Sigma) {
			continue
		}
		m := e.noiseOf(rest)
		if m.Scale < leastAccuracy || m.Low < leastSure || m.Independent < leastScaled {
			continue
		}
		scale := math.Round(m.Scale*10) / 10
		h := shown(of)
		weight := math.Min(1, m.Independent/float64(len(of)))
		for k := range of {
			h.Changes[k].LogP = weight * (math.Log(ring(&rest[k], scale, rest[k].Standoff)) - math.Log(ring(&rest[k], 1, rest[k].Standoff)))
			h.Changes[k].Accuracy = scale
		}
		se := (m.High - m.Low) / (2 * 1.96)
		h.Free, h.MinPhotos = 1, leastScaled
		h.Params = []Param{
			{Name: "accuracy", Value: scale, StdErr: &se}, {Name: "accuracy low", Value: m.Low}, {Name: "accuracy high", Value: m.High},
			{Name: "independent photos", Value: math.Round(m.Independent)},
		}
		camera := plainCamera(e.Photos[of[0]].Tag)
		h.Fix = func(*Found, *Evidence) *Fix {
			return &Fix{Settings: []Setting{{"accuracy." + strconv.Quote(camera), strconv.FormatFloat(scale, 'f', 1, 64), "its tags are so many times worse than they state"}}}
		}
		out = append(out, h)
	}
	return out, nil
}

// logRings is the log-likelihood of residuals whose errors are k times what is stated;
// -Inf where it can't come to more than least, as even a photo in the best place for it
// has no more than peaks says.
func logRings(rest []noise.Residual, k float64, standoff func(r *noise.Residual) float64, peaks []float64, least float64) (sum float64) {
	product := 1.0 // of no more than floats have room for
	for x := range rest {
		if product *= ring(&rest[x], k, standoff(&rest[x])); x%16 == 15 {
			sum, product = sum+math.Log(product), 1
			if sum+peaks[x/16+1] < least {
				return math.Inf(-1)
			}
		}
	}
	return sum + math.Log(product)
}

// scales are those of the errors that a standoff is looked for with.
var scales = func() (out []float64) {
	for k := 0.4; k < 4; k *= 1.15 {
		out = append(out, k)
	}
	return out
}()

// peaks has for each scale, and each sixteenth residual, the most that those from there
// on can have of log-likelihood, and a little for rounding.
func peaks(rest []noise.Residual) [][]float64 {
	out := make([][]float64, len(scales))
	for i, k := range scales {
		out[i] = make([]float64, len(rest)/16+2)
		for b := len(rest) / 16; b >= 0; b-- {
			product := 1.0
			for x := 16 * b; x < min(16*b+16, len(rest)); x++ {
				product *= 0.98/(2*math.Pi*k*k*rest[x].Sigma*rest[x].Sigma) + strayRing
			}
			out[i][b] = out[i][b+1] + math.Log(product) + 1e-4
		}
	}
	return out
}

// bestScale is the greatest log-likelihood over the scale of the errors, where it is more
// than least.
func bestScale(rest []noise.Residual, standoff func(r *noise.Residual) float64, peaks [][]float64, least float64) (best, scale float64) {
	best = least
	for i, k := range scales {
		if sum := logRings(rest, k, standoff, peaks[i], best); sum > best {
			best, scale = sum, k
		}
	}
	return best, scale
}

// standoffUnderstated: the photos were taken from further off than the settings say.
// Distances about a ring tell it from errors that are larger than stated.
func standoffUnderstated(_ context.Context, e *Evidence) ([]Hypothesis, error) {
	var rest []noise.Residual
	var of []int
	n := 0.0
	for _, c := range e.walks.cameras {
		r, photos := e.residuals(c, false)
		if len(photos) == 0 || e.rounds(c, e.Photos[photos[0]].Sigma) {
			continue
		}
		rest, of = append(rest, r...), append(of, photos...)
		n += e.noiseOf(r).Independent
	}
	if n < leastScaled || !e.quiet() {
		return nil, nil
	}
	own := func(r *noise.Residual) float64 { return r.Standoff }
	most := peaks(rest)
	best, _ := bestScale(rest, own, most, math.Inf(-1))
	at, scale := 0.0, 1.0
	for s := 1.0; s <= 30; s++ {
		if v, k := bestScale(rest, func(*noise.Residual) float64 { return s }, most, best); v > best {
			best, at, scale = v, s, k
		}
	}
	set := e.Input.Result.Budget.Standoff
	if at < set+leastStandoff {
		return nil, nil
	}
	now := logRings(rest, 1, own, most[0], math.Inf(-1))
	h := shown(of)
	for k := range of {
		r := rest[k]
		h.Changes[k].LogP = math.Min(1, n/float64(len(of))) * (best - now) / float64(len(of))
		if scale < 1.2 {
			h.Changes[k].Standoff = at
		} else {
			h.Changes[k].Standoff = math.Max(at, r.Standoff)
		}
	}
	h.Free, h.MinPhotos = 2, leastScaled
	se := 1.5
	h.Params = []Param{{Name: "standoff", Value: at, Unit: "m", StdErr: &se}, {Name: "standoff set", Value: set, Unit: "m"}}
	h.Fix = func(*Found, *Evidence) *Fix {
		return &Fix{Settings: []Setting{{"budget.standoff_m", strconv.FormatFloat(at, 'f', 0, 64), "the photos were taken from about there"}}}
	}
	return []Hypothesis{h}, nil
}

// strayRing is the density per square metre of a residual that is no noise, a share of 0.02
// within 40 m.
const strayRing = 0.02 / (math.Pi * 40 * 40)

// ring is the density of a residual for errors that are scale times those stated and a
// standoff in any direction, with a share that is no noise.
func ring(r *noise.Residual, scale, standoff float64) float64 {
	s := r.Sigma * scale
	d, off := math.Hypot(r.E, r.N)/s, standoff/s
	return 0.98*expI0(-(d*d+off*off)/2, d*off)/(2*math.Pi*s*s) + strayRing
}
