package match

import (
	"math"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// Frame is the frame that a tag is taken to be in: that of its corrections by Devices or
// Differential, else the datum that it states by way of Datums, else Options.Datum, at the epoch that a correction put it at,
// else of its GPSTime, else of the time taken, else Options.Epoch.
func (o Options) Frame(t *geotag.Tag) grid.Frame {
	f := o.photoFrame(t)
	// The digits of the epoch that was written may be fewer than the photo's.
	if year, ok := writtenEpoch(t); ok && math.Abs(year-f.Epoch) > 1e-3 {
		f.Epoch = year
	}
	return f
}

// photoFrame is that of a tag at the time of its photo.
func (o Options) photoFrame(t *geotag.Tag) grid.Frame {
	f := grid.Frame{Datum: t.MapDatum, Epoch: o.Epoch}
	if known, ok := o.Datums[f.Datum]; ok {
		f.Datum = known
	}
	if d := o.correctedFrame(t); d != "" {
		f.Datum = d
	} else if f.Datum == "" {
		f.Datum = o.Datum
	}
	switch {
	case t.GPSTime != nil && !t.GPSTime.IsZero():
		f.Epoch = grid.Epoch(*t.GPSTime)
	case t.Taken != nil && !t.Taken.Time.IsZero():
		f.Epoch = grid.Epoch(t.Taken.Time)
	}
	return f
}

const (
	// coarseFrame is the share of a budget that a frame takes up at most to be told
	// apart from the handheld, and minorFrame the share up to which it matters to no
	// verdict.
	coarseFrame, minorFrame = 0.5, 0.1
	// scaleError is by how much the scale of a grid may differ from 1.
	scaleError = 0.01
)

// usedFrame is an operation that transformed tags to the grid.
type usedFrame struct {
	*grid.Operation
	photos, coarse int
	share          float64 // the largest of a budget
}

// usedFrames are those of a job's judged photos, and the scale of its grid that is
// furthest from 1; 0 for none.
type usedFrames struct {
	frames []usedFrame
	scale  float64
	// differential counts photos that state corrections of a frame that nothing says,
	// fine those that state less than fineError, and first is the first.
	differential, fine int
	first              string
}

// fineError is an error in metres below which the metre or two between a frame of
// corrections and WGS 84 matters.
const fineError = 1

// frameSigma is the frame's part of the allowance, per axis in metres.
func (a *Allowance) frameSigma() float64 {
	for _, c := range a.Components {
		if c.Name == ComponentFrame {
			return c.Sigma
		}
	}
	return 0
}

// add takes up a judged photo. What was written from its point came by the same
// frame, and says nothing of it.
func (u *usedFrames) add(r *PhotoResult, opt *Options) {
	if why := differential(r.Tag); why != "" && opt.correctedFrame(r.Tag) == "" {
		if u.differential++; u.first == "" {
			u.first = r.Name + ": " + why
		}
		if v := r.Tag.HPositioningError; v != nil && *v < fineError {
			u.fine++
		}
	}
	d, op := r.Discrepancy, r.Operation
	if d.PointScale != nil {
		u.stretch(*d.PointScale)
		if length := d.Distance * d.Unit.Metres; d.True != nil && length > 0.1 {
			u.stretch(length / d.True.Distance)
		}
	}
	if op == nil || op.Ballpark || r.written() {
		return
	}
	i := 0
	for i < len(u.frames) && u.frames[i].Name != op.Name {
		i++
	}
	if i == len(u.frames) {
		u.frames = append(u.frames, usedFrame{Operation: op})
	}
	f := &u.frames[i]
	f.photos++
	if f.Better == nil && op.Better != nil {
		f.Operation = op
	}
	share := r.Allowance.frameSigma() * rayleighFactor(r.Allowance.Confidence) / r.Allowance.Threshold
	if share > coarseFrame {
		f.coarse++
	}
	f.share = max(f.share, share)
}

// stretch takes up a scale.
func (u *usedFrames) stretch(k float64) {
	if math.Abs(math.Log(k)) > math.Abs(math.Log(max(u.scale, 1e-9))) || u.scale == 0 {
		u.scale = k
	}
}

// findings are those about the frames and the grid. shift has the facts about what
// the tags have in common.
func (u *usedFrames) findings(b Budget, shift func() Facts) []Finding {
	var out []Finding
	for _, f := range u.frames {
		facts := Facts{{Name: "operation", Text: f.Name}, {Name: "photos", Value: float64(f.photos)}}
		if f.Accuracy == nil && b.FrameSigma == 0 {
			out = append(out, NewFinding(FindingFrameUnstated, facts...))
		}
		if f.coarse == 0 && f.Better == nil {
			continue
		}
		if f.Accuracy != nil {
			facts = append(facts, Fact{Name: "accuracy", Value: *f.Accuracy, Unit: "m"})
		}
		if m := f.Motion; m != nil {
			facts = append(facts, Fact{Name: "motion", Value: m.Metres, Unit: "m"}, Fact{Name: "frame epoch", Value: m.FrameEpoch})
		}
		if f.coarse > 0 {
			facts = append(facts, Fact{Name: "photos coarse", Value: float64(f.coarse)})
		}
		if better := f.Better; better != nil {
			facts = append(facts, Fact{Name: "better operation", Text: better.Name})
			if better.Accuracy != nil {
				facts = append(facts, Fact{Name: "better accuracy", Value: *better.Accuracy, Unit: "m"})
			}
			for _, m := range better.Missing {
				facts = append(facts, Fact{Name: "missing file", Text: m.Name}, Fact{Name: "install", Text: m.Install})
			}
		}
		minor := f.Accuracy != nil && f.share <= minorFrame
		if !minor {
			facts = append(facts, shift()...)
		}
		finding := NewFinding(FindingFrameCoarse, facts...)
		if minor {
			finding.Severity = SeverityNote
		}
		out = append(out, finding)
	}
	if u.differential > 0 {
		f := NewFinding(FindingDifferential, Fact{Name: "photos", Value: float64(u.differential)}, Fact{Name: "first photo", Text: u.first}, Fact{Name: "photos below a metre", Value: float64(u.fine)})
		if u.fine > 0 {
			f.Severity = SeverityWarning
		}
		out = append(out, f)
	}
	if u.scale > 0 && math.Abs(u.scale-1) > scaleError {
		out = append(out, NewFinding(FindingScale, Fact{Name: "scale", Value: u.scale}))
	}
	return out
}
