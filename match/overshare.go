package match

import (
	"cmp"
	"math"
	"slices"
	"time"

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

// overTag is what FindingOverShare needs of a judged photo.
type overTag struct {
	noise.Residual
	limit  float64 // metres
	camera string
	over   bool
}

// overTags gathers them, of a sample of the photos where there are many.
type overTags struct {
	photos       int // of the job
	judged, over int // of them
	tags         []overTag
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
	t := overTag{limit: a.Threshold, camera: cameraOf(&r.Photo), over: a.Judged > a.Threshold}
	if o.judged++; t.over {
		o.over++
	}
	if !o.sampled(i) {
		return
	}
	t.E, t.N = d.DE*d.Unit.Metres, d.DN*d.Unit.Metres
	if d.True != nil {
		t.E, t.N = d.True.DE, d.True.DN
	}
	if x := a.Expected; x != nil {
		t.E, t.N = t.E-x.E, t.N-x.N
	}
	t.Sigma, t.Standoff, t.Time = a.Sigma, a.Standoff, math.NaN()
	if at, _ := takenAt(r, false); !at.IsZero() {
		t.Time = float64(at.UnixNano()) / float64(time.Second)
	}
	o.tags = append(o.tags, t)
}

// findings gives the finding where there are more photos over budget than noise explains.
// models has what was learnt of cameras already; expected is the share that lies over
// budget where errors are as stated.
func (o *overTags) findings(models map[string]*noise.Model, expected float64) []Finding {
	slices.SortStableFunc(o.tags, func(a, b overTag) int { return cmp.Or(cmp.Compare(a.camera, b.camera), cmp.Compare(a.Time, b.Time)) })
	var cameras []noise.Camera
	over := 0
	for i, t := range o.tags {
		if i == 0 || t.camera != o.tags[i-1].camera {
			cameras = append(cameras, noise.Camera{Model: models[t.camera]})
		}
		c := &cameras[len(cameras)-1]
		c.Residuals, c.Limits = append(c.Residuals, t.Residual), append(c.Limits, t.limit)
		if t.over {
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
	return []Finding{NewFinding(FindingOverShare,
		Fact{Name: "photos over budget", Value: float64(o.over)}, Fact{Name: "photos", Value: float64(o.judged)}, Fact{Name: "share expected", Value: expected})}
}
