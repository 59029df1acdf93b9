package match

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"example.com/phototie/grid"
)

// Tally is what the photos of a job, or of a part of one, say together: it has
// the verdicts that need all p-values, the counts, and the set statistics. Check
// uses one. Tallies of parts merge into that of the whole, so that parts can be
// compared apart, by several machines, and judged as one:
//
//  1. each part is compared with its points: by Check, with Options.Ties.Off,
//     or by CompareOne. The verdicts within and unjudged hold already; the others
//     wait, because Holm's adjustment counts the photos of the whole;
//  2. each part's photos are added to a Tally of its own, and the tallies are
//     merged, in any order and any grouping;
//  3. Judge gives each photo its verdict, and Counts and Sets sum up.
//
// What comes out is what Check gives for the whole, to the last bit: a Tally is a
// multiset, and figures are computed from it in an order of its own. (Machines of
// different architectures may round the robust centre, the ellipse and p-values
// differently in the last bits.)
//
// What does not merge are inferred ties and what is found out about cameras: which
// point a photo shows is told by the photos before and after, and needs all
// photos of a walk at once. Shard by job where ties are to be weighed, and merge
// the tallies of the jobs. The verdicts of a merged Tally are those of one
// family of photos, so that with many jobs in it a photo must be further out to be
// gross than in its job alone.
//
// A Tally grows with the photos, by some 130 bytes each: Holm's procedure needs all
// p-values, and the statistics which photos are of one point and one visit.
//
// The zero Tally is empty; it takes the settings of the first one that is merged
// into it. A Tally is not safe for concurrent use.
type Tally struct {
	s tallied
	// adjusted is parallel to Judged once that is in order; nil before.
	adjusted []float64
}

// tallied is a Tally as it is stored.
type tallied struct {
	In     grid.Unit `json:"unit"`
	Level  float64   `json:"confidence"`
	Gross  float64   `json:"gross_level"`
	Rest   int       `json:"unjudged"`
	Judged []judged  `json:"judged"`
}

// judged is one photo that has a p-value.
type judged struct {
	P      float64 `json:"p"`
	DE     float64 `json:"d_e"`
	DN     float64 `json:"d_n"`
	Within bool    `json:"within"`
	// Written says that the tag was written from its point.
	Written bool `json:"written,omitempty"`
	// Unplaced says that the photo shows no single place: see Tie.unplaced.
	Unplaced bool `json:"unplaced,omitempty"`
	// Point is what it is tied to, and E, N where that is. Camera and Time (seconds since
	// 1970 by its clock, 0 where there is none) say which photos were taken in one visit.
	Point  string  `json:"point,omitempty"`
	E      float64 `json:"point_e,omitempty"`
	N      float64 `json:"point_n,omitempty"`
	Camera string  `json:"camera,omitempty"`
	Time   float64 `json:"time,omitempty"`
	// Frame and Survey are standard deviations per axis in metres.
	Frame  float64 `json:"frame_sigma_m,omitempty"`
	Survey float64 `json:"survey_sigma_m,omitempty"`
}

func (a judged) compare(b judged) int {
	flags := func(j judged) int {
		n := 0
		if !j.Within {
			n++
		}
		if j.Written {
			n += 2
		}
		if j.Unplaced {
			n += 4
		}
		return n
	}
	return cmp.Or(cmp.Compare(a.P, b.P), cmp.Compare(a.DE, b.DE), cmp.Compare(a.DN, b.DN), cmp.Compare(flags(a), flags(b)),
		cmp.Compare(a.Point, b.Point), cmp.Compare(a.E, b.E), cmp.Compare(a.N, b.N), cmp.Compare(a.Camera, b.Camera),
		cmp.Compare(a.Time, b.Time), cmp.Compare(a.Frame, b.Frame), cmp.Compare(a.Survey, b.Survey))
}

// NewTally returns an empty Tally for photos judged by the budget b, the zero
// Budget standing for DefaultBudget, with discrepancies in unit.
func NewTally(unit grid.Unit, b Budget) *Tally {
	if b == (Budget{}) {
		b = DefaultBudget()
	}
	return &Tally{s: tallied{In: unit, Level: b.Confidence, Gross: b.GrossLevel}}
}

// Unit is that of the discrepancies. Tallies merge where it, Confidence and
// GrossLevel are the same.
func (t *Tally) Unit() grid.Unit { return t.s.In }

// Confidence is the budget's.
func (t *Tally) Confidence() float64 { return t.s.Level }

// GrossLevel is the budget's.
func (t *Tally) GrossLevel() float64 { return t.s.Gross }

// Len is the number of photos, those that are not judged among them.
func (t *Tally) Len() int { return t.s.Rest + len(t.s.Judged) }

// Add takes up a photo that was compared, or that there was nothing to compare
// of. The Verdict that it has is not looked at. The error tells of a discrepancy
// in another unit, or figures that can't be.
func (t *Tally) Add(r *PhotoResult) error {
	if r.P == nil || r.Discrepancy == nil || r.Allowance == nil {
		t.s.Rest++
		return nil
	}
	if r.Discrepancy.Unit != t.s.In {
		return fmt.Errorf("photo %q: its discrepancy is in %s, the others are in %s", r.Name, r.Discrepancy.Unit.Name, t.s.In.Name)
	}
	j := judged{P: r.grossP(t.s.In), DE: r.Discrepancy.DE, DN: r.Discrepancy.DN, Within: r.Allowance.Judged <= r.Allowance.Threshold, Written: r.written() && !r.Tie.unplaced(), Unplaced: r.Tie.unplaced(), Camera: cameraOf(&r.Photo)}
	if r.Tie != nil && r.OnGrid != nil {
		j.Point, j.E, j.N = r.Tie.Point, r.OnGrid.E-j.DE, r.OnGrid.N-j.DN
	}
	if r.Tag != nil {
		if at, _ := takenAt(r, false); !at.IsZero() {
			j.Time = float64(at.UnixMilli()) / 1000
		}
	}
	for _, c := range r.Allowance.Components {
		switch c.Name {
		case ComponentFrame:
			j.Frame = c.Sigma
		case componentSurvey:
			j.Survey = c.Sigma
		}
	}
	if err := j.check(); err != nil {
		return fmt.Errorf("photo %q: %w", r.Name, err)
	}
	t.s.Judged = append(t.s.Judged, j)
	t.adjusted = nil
	return nil
}

// writtenWithin is how close in metres a tag lies to the point that it was written
// from: a twentieth of a handheld's standard deviation, within which one in 800 of
// its own tags would lie.
const writtenWithin = 0.15

// written reports whether the tag was written from the point: it lies on it to its
// own step.
func (r *PhotoResult) written() bool {
	d := r.Discrepancy
	return !d.Bearing.Defined() && d.Distance*d.Unit.Metres < writtenWithin
}

// sample says that a discrepancy tells how good tags are.
func (a judged) sample() bool { return !a.Written && !a.Unplaced }

// grossP is the p-value that the verdict Gross goes by, before the adjustment: P,
// for a photo over its allowance that of the allowance widened by GrossScale.
func (r *PhotoResult) grossP(unit grid.Unit) float64 {
	if r.GrossScale <= 1 || r.Allowance.Judged <= r.Allowance.Threshold {
		return *r.P
	}
	a := r.Allowance.Widened(r.GrossScale)
	return max(*r.P, a.Judge(r.Discrepancy.DE*unit.Metres, r.Discrepancy.DN*unit.Metres))
}

func (a judged) check() error {
	switch {
	case !(a.P >= 0 && a.P <= 1):
		return fmt.Errorf("p is %v: want a probability", a.P)
	case !(a.Frame >= 0 && a.Survey >= 0) || !grid.Finite(a.Frame, a.Survey, a.E, a.N):
		return fmt.Errorf("point E %v N %v, frame_sigma_m %v, survey_sigma_m %v can't be", a.E, a.N, a.Frame, a.Survey)
	case !grid.Finite(a.DE, a.DN):
		return fmt.Errorf("discrepancy E %v N %v: %w", a.DE, a.DN, grid.ErrNotFinite)
	}
	return nil
}

// off is the discrepancy.
func (a judged) off() Vector { return Vector{E: a.DE, N: a.DN} }

// Merge takes up all photos of o, and leaves o as it is. It fails, and changes
// nothing, where the two differ in unit, confidence or level of gross verdicts.
func (t *Tally) Merge(o *Tally) error {
	switch {
	case o.s.Level == 0 && o.Len() == 0: // a zero Tally
		return nil
	case t.s.Level == 0 && t.Len() == 0:
		t.s.In, t.s.Level, t.s.Gross = o.s.In, o.s.Level, o.s.Gross
	case t.s.In != o.s.In:
		return fmt.Errorf("one tally is in %s, the other in %s: they can't be merged", t.s.In.Name, o.s.In.Name)
	case t.s.Level != o.s.Level || t.s.Gross != o.s.Gross:
		return fmt.Errorf("one tally was judged with the confidence %v and the gross level %v, the other with %v and %v: they can't be merged",
			t.s.Level, t.s.Gross, o.s.Level, o.s.Gross)
	}
	t.s.Rest += o.s.Rest
	t.s.Judged = append(t.s.Judged, o.s.Judged...)
	t.adjusted = nil
	return nil
}

// settle brings the photos in order and adjusts their p-values.
func (t *Tally) settle() {
	if t.adjusted != nil {
		return
	}
	slices.SortFunc(t.s.Judged, judged.compare)
	p := make([]float64, len(t.s.Judged))
	for i := range p {
		p[i] = t.s.Judged[i].P
	}
	t.adjusted = Holm(p)
}

// verdict is that of a photo that has a p-value.
func (t *Tally) verdict(within bool, adjusted float64) Verdict {
	switch {
	case within:
		return Within
	case adjusted < t.s.Gross:
		return Gross
	}
	return Over
}

// Judge gives a photo that was added, here or to a Tally merged into this one,
// its PAdjusted and its Verdict among all. The error tells of one that was not.
func (t *Tally) Judge(r *PhotoResult) error {
	if r.P == nil || r.Discrepancy == nil || r.Allowance == nil {
		r.Verdict = Unjudged
		return nil
	}
	t.settle()
	i, ok := slices.BinarySearchFunc(t.s.Judged, r.grossP(t.s.In), func(j judged, p float64) int { return cmp.Compare(j.P, p) })
	if !ok {
		return fmt.Errorf("photo %q was not added to the tally that is to judge it", r.Name)
	}
	// Equal p-values are adjusted alike.
	adj := t.adjusted[i]
	r.PAdjusted = &adj
	r.Verdict = t.verdict(r.Allowance.Judged <= r.Allowance.Threshold, adj)
	return nil
}

// Counts has the number of photos of each verdict; all four are present.
func (t *Tally) Counts() map[Verdict]int {
	t.settle()
	c := make(map[Verdict]int, len(Verdicts))
	for _, v := range Verdicts {
		c[v] = 0
	}
	c[Unjudged] = t.s.Rest
	for i, j := range t.s.Judged {
		c[t.verdict(j.Within, t.adjusted[i])]++
	}
	return c
}

// Written is how many photos have a tag that was written from their point, and say
// nothing of how good tags are.
func (t *Tally) Written() int {
	n := 0
	for _, j := range t.s.Judged {
		if j.Written {
			n++
		}
	}
	return n
}

// Sets returns the statistics of the judged photos, nil where there are none, and
// those without the gross ones, nil where there are none of them, or nothing else.
// Photos of stretches are in neither, nor are tags that were written from their points: what is compared has to
// be independent of what it is compared with (FGDC-STD-007.3-1998, 3.2.2). They
// count in the share over the budget, of which they are a part that was chosen.
func (t *Tally) Sets() (all, withoutGross *SetStats) {
	t.settle()
	var honest []judged
	for i, j := range t.s.Judged {
		if t.verdict(j.Within, t.adjusted[i]) != Gross {
			honest = append(honest, j)
		}
	}
	if all = t.set(t.s.Judged); all != nil {
		var points []judged
		for _, j := range t.s.Judged {
			if j.sample() {
				points = append(points, j)
			}
		}
		all.points(means(gather(points, byPoint, judged.samePoint)), math.Sqrt2*rootMeanSquare(points, func(j judged) float64 { return j.Survey })/t.s.In.Metres)
	}
	if all == nil || len(honest) == len(t.s.Judged) {
		return all, nil
	}
	if withoutGross = t.set(honest); withoutGross != nil {
		withoutGross.NSSDAWhy = "blunders are left out here, which it counts"
	}
	return all, withoutGross
}

// set is the statistics of photos but for those by points.
func (t *Tally) set(photos []judged) *SetStats {
	var d []Vector
	var compared []judged
	over := 0
	for _, j := range photos {
		if !j.Within {
			over++
		}
		if j.sample() {
			d, compared = append(d, j.off()), append(compared, j)
		}
	}
	s := newSet(t.s.In, d, t.s.Level)
	if s != nil {
		frame := rootMeanSquare(compared, func(j judged) float64 { return j.Frame })
		s.Shift, s.ShiftWhy = shiftTest(means(gather(compared, visited, sameVisit)), frame/t.s.In.Metres)
		s.Over = newOverShare(over, len(photos), len(gather(photos, visited, sameVisit)), 1-t.s.Level)
	}
	return s
}

// MarshalJSON writes the tally without loss. Equal tallies give equal bytes,
// whatever order they were gathered in.
func (t Tally) MarshalJSON() ([]byte, error) {
	t.settle()
	t.s.Judged = append([]judged{}, t.s.Judged...) // none is a list, too
	return json.Marshal(t.s)
}

// UnmarshalJSON reads what MarshalJSON writes. Figures that can't be are an error.
func (t *Tally) UnmarshalJSON(text []byte) error {
	var got tallied
	if err := json.Unmarshal(text, &got); err != nil {
		return fmt.Errorf("tally: %w", err)
	}
	zero := got.In == (grid.Unit{}) && got.Level == 0 && got.Gross == 0
	switch {
	case got.Rest < 0:
		return fmt.Errorf("tally: %d photos unjudged", got.Rest)
	case zero && got.Rest+len(got.Judged) > 0:
		return errors.New("tally: it has photos and no unit")
	case !zero && !(got.In.Metres > 0 && got.Level > 0 && got.Level < 1 && got.Gross > 0 && got.Gross < 1):
		return fmt.Errorf("tally: unit %v m, confidence %v, gross level %v can't be", got.In.Metres, got.Level, got.Gross)
	}
	for i, r := range got.Judged {
		if err := r.check(); err != nil {
			return fmt.Errorf("tally: photo %d: %w", i+1, err)
		}
	}
	*t = Tally{s: got}
	return nil
}
