package cause

import (
	"cmp"
	"context"
	"math"
	"slices"
)

// leastStop is the evidence in nats that other feet, another zone or another datum
// has to have to be a reason not to write. It takes less than to be named: somebody
// only has to look.
const leastStop = 1.5

// significant is what a shift that nothing explains has to have: once in ten thousand jobs
// noise alone comes to that.
const significant = 9.2

// stops works out the reasons not to write.
func (s *search) stops(ctx context.Context, t trail, x *Explanation) ([]Stop, error) {
	var out []Stop
	n := 0
	for i := range t.start.Photos {
		if p := &t.start.Photos[i]; p.D != nil {
			n++
		}
	}
	for k := range x.Causes {
		f := &x.Causes[k]
		stop := Stop{unit: t.start.Input.Result.Grid.Unit, Cause: f.Name, Photos: len(f.Photos), East: params(f.Params).Value("shift east"), North: params(f.Params).Value("shift north"), Score: f.Weight.Score}
		switch {
		case f.Name == "wrong-grid":
			stop.Kind = StopGrid
		case f.Name == "common-shift" && 2*len(f.Photos) >= n:
			stop.Kind = StopShift
		case len(f.points) > 0 || f.Name == "tag-datum":
			stop.Kind = StopAlternative
			if f.Fix != nil {
				stop.Settings = f.Fix.Settings
			}
		default:
			continue
		}
		out = append(out, stop)
	}
	more, err := s.doubts(ctx, t)
	if err != nil {
		return nil, err
	}
	if len(out) == 0 {
		out = more
	}
	rank := []StopKind{StopGrid, StopAlternative, StopShift}
	slices.SortStableFunc(out, func(a, b Stop) int {
		return cmp.Or(cmp.Compare(slices.Index(rank, a.Kind), slices.Index(rank, b.Kind)), cmp.Compare(b.Score, a.Score))
	})
	return out, nil
}

// doubts are the stops for which no cause was accepted: tags far off, an alternative
// that is better than nothing, or a shift that is more than noise.
func (s *search) doubts(ctx context.Context, t trail) ([]Stop, error) {
	e := t.left
	at, ds := e.offsets(e.walks.all, false)
	if len(at) == 0 {
		return nil, nil
	}
	m, v := e.meanShift(e.walks.all)
	shift := Stop{unit: e.Input.Result.Grid.Unit, East: m.E, North: m.N, Photos: len(at)}
	far := 0
	for _, d := range ds {
		if math.Hypot(d.E, d.N) > leastGrid {
			far++
		}
	}
	if 5*far >= 4*len(at) {
		shift.Kind, shift.Photos = StopGrid, far
		return []Stop{shift}, nil
	}
	for k, c := range s.causes {
		better, err := s.alternatives(ctx, e, k)
		if err != nil {
			return nil, err
		}
		for _, whole := range better {
			sum := whole.alternative(e)
			if sum <= shift.Score {
				continue
			}
			shift.Kind, shift.Cause, shift.Score, shift.Settings = StopAlternative, c.Name(), sum, nil
			f := Found{photos: whole.photos, points: whole.points, hyp: whole.hyp}
			f.Group = e.describe(f.photos)
			if whole.hyp.Fix != nil {
				if fix := whole.hyp.Fix(&f, e); fix != nil {
					shift.Settings = fix.Settings
				}
			}
		}
	}
	if shift.Kind != "" {
		return []Stop{shift}, nil
	}
	// The probability of such a mean by noise alone is exp(-score).
	shift.Score = (m.E*m.E + m.N*m.N) / (2 * v)
	if shift.Score < significant || math.Hypot(m.E, m.N) < material/2*e.threshold() || len(at) < 4 {
		return nil, nil
	}
	shift.Kind = StopShift
	return []Stop{shift}, nil
}

// alternatives are the candidates of a cause that concern all they could, predict where
// tags lie, and are better than nothing by leastStop.
func (s *search) alternatives(ctx context.Context, e *Evidence, cause int) ([]*candidate, error) {
	if f, ok := e.looked[cause]; ok {
		return f.better, nil
	}
	hyps, err := s.hypotheses(ctx, e, cause)
	if err != nil {
		return nil, err
	}
	hyps = slices.DeleteFunc(hyps, func(h Hypothesis) bool { return !h.Predicts })
	f, err := s.weighed(ctx, e, cause, hyps, nil)
	return f.better, err
}

// alternative is the evidence in nats for a candidate that predicts where all it could
// concern lie; -Inf for another, and for none.
func (c *candidate) alternative(e *Evidence) float64 {
	if c == nil || !c.all || !c.hyp.Predicts {
		return math.Inf(-1)
	}
	sum, _ := e.temper(c.hyp, c.gains)
	return sum - (c.hyp.Cost - c.hyp.Caution)
}
