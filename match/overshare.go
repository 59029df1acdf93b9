package match

import (
	"cmp"
	"math"
	"slices"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match/noise"
)

const (
	// overShareLevel is the probability of FindingOverShare where there is nothing
	// but noise.
	overShareLevel = 0.001
	// overSample is the most photos that it is worked out from, in stretches of
	// overStretch that follow one another.
	overSample, overStretch = 1200, 150
)

// overTag is what FindingOverShare needs of a judged photo. Its Sigma leaves out what
// the frame may be off, which is no noise, since all photos have it in common.
type overTag struct {
	noise.Residual
	limit, frame float64 // metres: what is allowed but for the frame, and the frame's deviation
	camera       string
	written      bool
}

// overTags gathers them, of a sample of the photos where there are many.
type overTags struct {
	photos       int // of the job
	opt          *Options
	judged, over int // of them
	tags         []overTag
	confidence   float64 // of the budget
	frames       usedFrames
}

// sampled says whether a photo, by its index, is in the sample.
func (o *overTags) sampled(i int) bool {
	if o.photos <= overSample {
		return true
	}
	const n = overSample / overStretch
	for b := range n {
		if from := b * (o.photos - overStretch) / (n - 1); i >= from && i < from+overStretch {
			return true
		}
	}
	return false
}

// add takes up the photo of an index, if it was judged.
func (o *overTags) add(i int, r *PhotoResult) {
	a, d := r.Allowance, r.Discrepancy
	if d == nil || a == nil {
		return
	}
	o.frames.add(r, o.opt)
	o.judged++
	if a.Judged > a.Threshold {
		o.over++
	}
	if !o.sampled(i) {
		return
	}
	t := overTag{camera: cameraOf(&r.Photo), written: r.written()}
	t.E, t.N = d.DE*d.Unit.Metres, d.DN*d.Unit.Metres
	if d.True != nil {
		t.E, t.N = d.True.DE, d.True.DN
	}
	if x := a.Expected; x != nil {
		t.E, t.N = t.E-x.E, t.N-x.N
	}
	t.frame, t.Standoff, t.Time = a.frameSigma(), a.Standoff, math.NaN()
	t.Sigma = math.Sqrt(max(a.Sigma*a.Sigma-t.frame*t.frame, 0))
	o.confidence = a.Confidence
	t.limit = a.Threshold * RiceQuantile(a.Confidence, t.Standoff, t.Sigma) / RiceQuantile(a.Confidence, t.Standoff, a.Sigma)
	if at, _ := takenAt(r, false); !at.IsZero() {
		t.Time = float64(at.UnixNano()) / float64(time.Second)
	}
	o.tags = append(o.tags, t)
}

// findings gives the finding where there are more photos over budget than noise explains,
// and those about frames. models has what was learnt of cameras already.
func (o *overTags) findings(models map[string]*noise.Model) []Finding {
	b := o.opt.Budget
	slices.SortStableFunc(o.tags, func(a, b overTag) int { return cmp.Or(cmp.Compare(a.camera, b.camera), cmp.Compare(a.Time, b.Time)) })
	return slices.Concat(o.share(models, 1-b.Confidence), o.frames.findings(b, o.shift))
}

// share gives the finding of too many photos over budget. They are counted without
// the frame's part of the budget, about the shift that the frame may have left: a
// frame that is off hides no photos that differ by more than noise.
func (o *overTags) share(models map[string]*noise.Model, expected float64) []Finding {
	centre := o.centre()
	var cameras []noise.Camera
	over, framed := 0, false
	for i, t := range o.tags {
		if i == 0 || t.camera != o.tags[i-1].camera {
			cameras = append(cameras, noise.Camera{Model: models[t.camera]})
		}
		c := &cameras[len(cameras)-1]
		shift := centre.upTo(t.frame * rayleighFactor(o.confidence))
		t.E, t.N = t.E-shift.E, t.N-shift.N
		if t.frame > minorFrame*t.Sigma {
			c.Model, framed = nil, true // it was learnt with the frame as noise
		}
		c.Residuals, c.Limits = append(c.Residuals, t.Residual), append(c.Limits, t.limit)
		if math.Hypot(t.E, t.N) > t.limit {
			over++
		}
	}
	if float64(over) <= expected*float64(len(o.tags)) {
		return nil
	}
	for i := range cameras {
		if c := &cameras[i]; c.Model == nil {
			c.Model = noise.Learn(c.Residuals)
		}
	}
	if noise.Exceed(cameras, over) >= overShareLevel {
		return nil
	}
	facts := Facts{{Name: "photos over budget", Value: float64(o.over)}, {Name: "photos", Value: float64(o.judged)}, {Name: "share expected", Value: expected}}
	if framed {
		facts = append(facts, Fact{Name: "photos over without the frame", Value: float64(over)}, Fact{Name: "photos looked at", Value: float64(len(o.tags))})
	}
	return []Finding{NewFinding(FindingOverShare, facts...)}
}

// upTo is v, or as much of it as has that length.
func (v Vector) upTo(length float64) Vector {
	if d := math.Hypot(v.E, v.N); d > length {
		return Vector{E: v.E * length / d, N: v.N * length / d}
	}
	return v
}

// centre is what the tags are off by as a whole in metres: their geometric median.
func (o *overTags) centre() Vector {
	var d []Vector
	for _, t := range o.tags {
		if !t.written {
			d = append(d, Vector{E: t.E, N: t.N})
		}
	}
	if len(d) == 0 {
		return Vector{}
	}
	return geometricMedian(d)
}

// shift has the facts about what all tags have in common, as a frame that is off would
// leave it, with what it may be off at the budget's confidence. Cameras count by what
// they tell; each has an offset of its own.
func (o *overTags) shift() Facts {
	var e, n, weight float64
	for from := 0; from < len(o.tags); {
		to := from
		var r []noise.Residual
		for to < len(o.tags) && o.tags[to].camera == o.tags[from].camera {
			if t := o.tags[to]; !t.written {
				r = append(r, t.Residual)
			}
			to++
		}
		if me, mn, se, _ := noise.Learn(r).Mean(r); se > 0 {
			w := 1 / (se * se)
			e, n, weight = e+w*me, n+w*mn, weight+w
		}
		from = to
	}
	if weight == 0 {
		return nil
	}
	e, n = e/weight, n/weight
	return Facts{{Name: "shift", Value: math.Hypot(e, n), Unit: "m"}, {Name: "shift bearing", Value: grid.BearingOf(e, n).Degrees(), Unit: "deg"},
		{Name: "shift known to", Value: rayleighFactor(o.confidence) / math.Sqrt(weight), Unit: "m"}, {Name: "confidence", Value: o.confidence * 100, Unit: "%"}}
}
