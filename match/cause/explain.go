package cause

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Input is a checked job and what is needed to look for causes.
type Input struct {
	// Proj, Options and Result are what the job was checked on and with, and what
	// came out.
	Proj    grid.Projection
	Options match.Options
	Result  *match.Result
	// Open opens another grid by its definition, to see whether the points are in
	// a neighbouring zone (by the codes that zones have); nil looks at Neighbours
	// alone. An error says that there is no such grid.
	Open func(definition string) (grid.Projection, error)
	// Neighbours are further grids that the points could be in.
	Neighbours []grid.Projection
	// PointUnit is the unit that the settings state for the coordinates of the
	// points; the zero Unit where they state none.
	PointUnit grid.Unit
	// Datums are the datums that tags and points are tried in; nil defaults to
	// defaultDatums at the middle of the points. Those that the projection does not
	// know are passed over.
	Datums []string
}

// defaultDatums returns the datums that cameras and surveys are mixed up with most
// at a place in degrees; the grid's own frame and WGS 84 are always tried.
// Elsewhere they would only be in the way. The bounds are those that the EPSG
// registry states as areas of use, rounded outwards (from memory).
func defaultDatums(at grid.LatLon) []string {
	var out []string
	for _, d := range datumAreas {
		if at.Lat >= d.south && at.Lat <= d.north && at.Lon >= d.west && at.Lon <= d.east {
			out = append(out, d.name)
		}
	}
	return out
}

var datumAreas = []struct {
	name                     string
	south, west, north, east float64
}{
	{"NAD27", 7, -180, 84, -47},
	{"NAD83", 14, -180, 87, -47},
	{"ED50", 25, -17, 85, 49},
	{"ETRS89", 32, -17, 85, 41},
	{"OSGB36", 49, -9, 62, 3},
	{"PULKOVO 1942", 35, 19, 82, 180},
	{"TOKYO", 20, 122, 46, 155},
	{"JGD2011", 17, 122, 47, 158},
	{"AGD66", -48, 109, -1, 164},
	{"GDA94", -61, 93, -8, 174},
	{"GDA2020", -61, 93, -8, 174},
	{"NZGD49", -48, 165, -34, 180},
	{"SAD69", -56, -92, 13, -25},
}

// correlation is how the noise of a handheld correlates along time: White is the
// share of the variance that is new in each photo, DayShare the one that the photos
// of a day have in common, and the rest correlates by exp(-t/Time).
type correlation struct {
	White    float64
	Time     time.Duration
	DayShare float64
}

// defaultCorrelation is taken for cameras with too few photos to learn theirs.
// Common practice, no source; it errs on the side of fewer independent photos.
var defaultCorrelation = correlation{White: 0.2, Time: 180 * time.Second, DayShare: 0.2}

// MinScore is the score that a cause needs, in nats.
const MinScore = 5

// Explain looks for the causes of what is out in a checked job; without causes
// it takes those of Default. Nothing is changed.
//
// It looks for the set of causes with the greatest score: the gain in likelihood
// of all tags, under the noise of the budget, minus what each cause costs. That is
// (k/2) ln n for k figures fitted on n independent photos (the Bayesian
// information criterion: G. Schwarz, Estimating the dimension of a model, 1978,
// from memory), the logarithms of the number of alternatives tried and of the
// sets of photos that it could have concerned, and the logarithm of the number of
// causes. Of the causes in the end each needs a score above MinScore beside
// all others, has to bring three quarters of the photos that it concerns within
// budget, and to make more of them better than worse.
//
// Errors are those of the input, of a Cause and of the projection as a whole.
func Explain(ctx context.Context, in Input, causes ...Cause) (*Explanation, error) {
	if len(causes) == 0 {
		causes = Default()
	}
	seen := make(map[string]bool)
	for _, c := range causes {
		if c == nil || c.Name() == "" {
			return nil, errors.New("explain: a cause has no name")
		}
		if seen[c.Name()] {
			return nil, fmt.Errorf("explain: the cause %s is there twice", c.Name())
		}
		seen[c.Name()] = true
	}
	e, err := newEvidence(&in)
	if err != nil {
		return nil, err
	}
	s := &search{causes: causes, prior: math.Log(float64(len(causes))), min: MinScore}
	s.few, s.single = e.tooFew()
	t, err := s.run(ctx, e)
	if err != nil {
		return nil, err
	}
	x, err := s.report(e, t)
	if err != nil {
		return nil, err
	}
	if x.stops, err = s.stops(ctx, t, x); err != nil {
		return nil, err
	}
	x.foot = t.left.footUnstated()
	return x, nil
}

// judged is the verdict of one photo.
type judged struct {
	verdict  match.Verdict
	distance float64 // NaN for none
}

// report makes a trail into what was found.
func (s *search) report(e *Evidence, t trail) (*Explanation, error) {
	before := make([]judged, len(e.Photos))
	for i := range e.Input.Result.Photos {
		r := &e.Input.Result.Photos[i]
		before[i] = judged{r.Verdict, math.NaN()}
		if r.Discrepancy != nil {
			before[i].distance = r.Discrepancy.Distance * e.unit
		}
	}
	after, expected, err := t.judge()
	if err != nil {
		return nil, err
	}
	x := &Explanation{
		Causes: []Found{}, Unexplained: []Unexplained{}, Expected: expected,
		Before: tally(before, nil), After: tally(after, nil),
	}
	for k := range t.steps {
		c := &t.steps[k]
		f := Found{
			Name: s.causes[c.cause].Name(), Params: slices.Clone(c.hyp.Params), Weight: c.weight, Rivals: c.rivals,
			photos: c.photos, points: c.points, hyp: c.hyp,
		}
		if m := merge(x.Causes, &f); m == nil {
			x.Causes = append(x.Causes, f)
		}
	}
	for k := range x.Causes {
		f := &x.Causes[k]
		f.fill(e)
		f.Before, f.After = tally(before, f.photos), tally(after, f.photos)
	}
	slices.SortStableFunc(x.Causes, func(a, b Found) int {
		if a.Moves != b.Moves {
			if a.Moves {
				return -1
			}
			return 1
		}
		return cmp.Compare(len(b.photos), len(a.photos))
	})
	for i := range after {
		if v := after[i].verdict; v == match.Over || v == match.Gross {
			p := &t.left.Photos[i]
			u := Unexplained{Photo: p.Name, Point: e.Points[p.Point].ID, Verdict: v, Distance: after[i].distance}
			if j, _ := t.left.NearestPoint(*p.OnGrid, p.Threshold); j >= 0 && j != p.Point {
				u.Nearest = e.Points[j].ID
			}
			x.Unexplained = append(x.Unexplained, u)
		}
	}
	x.TooFew = s.few && 2*len(x.Unexplained) > len(e.Photos)
	return x, nil
}

// fill sets what follows from the photos, the points and the hypothesis.
func (f *Found) fill(e *Evidence) {
	for _, i := range f.photos {
		f.Photos = append(f.Photos, e.Photos[i].Name)
	}
	for _, j := range f.points {
		f.Points = append(f.Points, e.Points[j].ID)
	}
	f.AllPoints = len(f.points) > 0 && len(f.points) == len(e.Points)
	f.Moves = slices.ContainsFunc(f.photos, (&candidate{hyp: f.hyp}).moves)
	f.Group = e.describe(f.photos)
	for k := range f.Params {
		if p := &f.Params[k]; p.sigma > 0 {
			se := math.Hypot(p.sigma/math.Sqrt(math.Max(1, f.Weight.Independent)), sessionOffset/math.Sqrt(e.outings(f.photos)))
			p.StdErr = &se
		}
	}
	if f.hyp.Fix != nil {
		f.Fix = f.hyp.Fix(f, e)
	}
	f.wording(e)
}

// sessionOffset is the standard deviation in metres of what the tags of an outing have in
// common at least, which is in no interval that is told from those tags: the prior of
// package match/noise.
const sessionOffset = 1

// outings is how many outings photos are of, at least one.
func (e *Evidence) outings(photos []int) float64 {
	return math.Max(1, float64(len(parted(photos, e.outing))))
}

// merge joins what was found in two steps of the same cause with the same figures
// into one, and returns it.
func merge(found []Found, f *Found) *Found {
	for k := range found {
		g := &found[k]
		if g.Name != f.Name || g.hyp.Order != nil || f.hyp.Order != nil || !slices.EqualFunc(g.Params, f.Params, func(a, b Param) bool {
			return a.Name == b.Name && a.Value == b.Value && a.Text == b.Text && a.sigma == 0 && b.sigma == 0 && a.StdErr == nil && b.StdErr == nil
		}) {
			continue
		}
		// The merged hypothesis keeps each photo's own change.
		h := *g.hyp
		h.Changes = slices.Clone(h.Changes)
		for _, i := range f.photos {
			ch := *f.hyp.change(i)
			ch.Photo = i
			h.Changes = append(h.Changes, ch)
		}
		h.arrange()
		g.hyp = &h
		g.photos = append(slices.Clone(g.photos), f.photos...)
		slices.Sort(g.photos)
		g.photos = slices.Compact(g.photos)
		g.points = append(slices.Clone(g.points), f.points...)
		slices.Sort(g.points)
		g.points = slices.Compact(g.points)
		g.Weight.Gain += f.Weight.Gain
		g.Weight.Independent += f.Weight.Independent
		g.Weight.Penalty += f.Weight.Penalty
		g.Weight.Score += f.Weight.Score
		return g
	}
	return nil
}

// judge gives each photo its verdict with the causes accounted for, and the
// number of photos that noise puts over budget.
func (t *trail) judge() ([]judged, float64, error) {
	e := t.left
	level := e.budget().GrossLevel
	out := make([]judged, len(e.Photos))
	var ps []float64
	var of []int
	for i := range e.Photos {
		p := &e.Photos[i]
		out[i] = judged{match.Unjudged, math.NaN()}
		if p.D == nil {
			continue
		}
		b, err := t.allowance(i)
		if err != nil {
			return nil, 0, err
		}
		v := *p.D
		if p.blur != nil {
			v = shrink(v, b.Expected, *p.blur)
		}
		pv := b.Judge(v.E, v.N)
		if k := e.Input.Result.Photos[i].GrossScale; k > 1 && b.Judged > b.Threshold {
			w := b.Widened(k)
			pv = w.Judge(v.E, v.N)
		}
		out[i] = judged{match.Within, math.Hypot(p.D.E, p.D.N)}
		if b.Judged > b.Threshold {
			out[i].verdict = match.Over
		}
		ps = append(ps, pv)
		of = append(of, i)
	}
	for k, adj := range match.Holm(ps) {
		if i := of[k]; out[i].verdict == match.Over && adj < level {
			out[i].verdict = match.Gross
		}
	}
	return out, (1 - e.budget().Confidence) * float64(len(ps)), nil
}

// budget is what the job was judged by.
func (e *Evidence) budget() match.Budget {
	if b := e.Input.Options.Budget; b != (match.Budget{}) {
		return b
	}
	return match.DefaultBudget()
}

// convergence is that of the meridians; nil where it is not known, without which a
// direction is not used, as in Check.
func (e *Evidence) convergence(at grid.EN) *float64 {
	if g, ok := e.Input.Proj.(grid.Geodesist); ok {
		if f, err := g.Factors(at); err == nil {
			return &f.Convergence
		}
	}
	return nil
}

// allowance is what a photo is allowed with the causes accounted for.
func (t *trail) allowance(i int) (match.Allowance, error) {
	e, p := t.left, &t.left.Photos[i]
	b, scale := e.Input.Options.BudgetFor(p.Tag), e.Input.Options.Accuracy[plainCamera(p.Tag)]
	changed := p.replaced
	for k := range t.steps {
		if c := &t.steps[k]; has(c.photos, i) {
			ch := c.hyp.change(i)
			if ch.Accuracy > 0 {
				scale, changed = ch.Accuracy, true
			}
			if ch.Standoff > 0 {
				b.Standoff, changed = ch.Standoff, true
			}
		}
	}
	if a := e.Input.Result.Photos[i].Allowance; a != nil && !changed {
		return *a, nil
	}
	ao := match.AllowanceOptions{BallparkSigma: e.Input.Options.BallparkSigma, Accuracy: scale}
	if p.Tag.Direction != nil && p.Tag.SubjectDistance != nil {
		ao.Convergence = e.convergence(*p.OnGrid)
	}
	a, err := b.Allowance(p.Tag, e.Points[p.Point], p.op, ao)
	if err != nil {
		return a, fmt.Errorf("explain: photo %q: %w", p.Name, err)
	}
	return a, nil
}

// shrink takes from a difference what a blur may have put there.
func shrink(v match.Vector, expected *match.Vector, half match.Vector) match.Vector {
	var x match.Vector
	if expected != nil {
		x = *expected
	}
	axis := func(d, h float64) float64 { return math.Copysign(math.Max(math.Abs(d)-h, 0), d) }
	return match.Vector{E: axis(v.E-x.E, half.E) + x.E, N: axis(v.N-x.N, half.N) + x.N}
}

// tally counts photos; nil counts all.
func tally(js []judged, photos []int) Tally {
	t := Tally{Counts: make(map[match.Verdict]int, len(match.Verdicts))}
	for _, v := range match.Verdicts {
		t.Counts[v] = 0
	}
	var ds []float64
	add := func(j judged) {
		t.Counts[j.verdict]++
		if !math.IsNaN(j.distance) {
			ds = append(ds, j.distance)
		}
	}
	if photos == nil {
		for _, j := range js {
			add(j)
		}
	} else {
		for _, i := range photos {
			add(js[i])
		}
	}
	if len(ds) > 0 {
		m := medianOf(ds)
		t.Median = &m
	}
	return t
}
