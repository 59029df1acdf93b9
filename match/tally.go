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
	unit       grid.Unit
	confidence float64
	grossLevel float64

	unjudged int
	judged   []judged
	// adjusted is parallel to judged once that is in order; nil before.
	adjusted []float64
}

// judged is one photo that has a p-value.
type judged struct {
	p      float64
	v      Vector
	within bool
	// written says that the tag was written from its point.
	written bool
	// unplaced says that it shows a stretch, or something in an unknown direction: see
	// Tie.unplaced.
	unplaced bool
	// point is what it is tied to, and at where that is; camera and time (seconds, NaN
	// where there is none) say which photos were taken in one visit.
	point, camera string
	at            grid.EN
	time          float64
	// frame and survey are standard deviations per axis in metres.
	frame, survey float64
}

func (a judged) compare(b judged) int {
	flags := func(j judged) int {
		n := 0
		if !j.within {
			n++
		}
		if j.written {
			n += 2
		}
		if j.unplaced {
			n += 4
		}
		return n
	}
	return cmp.Or(cmp.Compare(a.p, b.p), cmp.Compare(a.v.E, b.v.E), cmp.Compare(a.v.N, b.v.N), cmp.Compare(flags(a), flags(b)),
		cmp.Compare(a.point, b.point), cmp.Compare(a.at.E, b.at.E), cmp.Compare(a.at.N, b.at.N), cmp.Compare(a.camera, b.camera),
		cmp.Compare(a.time, b.time), cmp.Compare(a.frame, b.frame), cmp.Compare(a.survey, b.survey))
}

// NewTally returns an empty Tally for photos judged by the budget b, the zero
// Budget standing for DefaultBudget, with discrepancies in unit.
func NewTally(unit grid.Unit, b Budget) *Tally {
	if b == (Budget{}) {
		b = DefaultBudget()
	}
	return &Tally{unit: unit, confidence: b.Confidence, grossLevel: b.GrossLevel}
}

// Unit is that of the discrepancies. Tallies merge where it, Confidence and
// GrossLevel are the same.
func (t *Tally) Unit() grid.Unit { return t.unit }

// Confidence is the budget's.
func (t *Tally) Confidence() float64 { return t.confidence }

// GrossLevel is the budget's.
func (t *Tally) GrossLevel() float64 { return t.grossLevel }

// Len is the number of photos, those that are not judged among them.
func (t *Tally) Len() int { return t.unjudged + len(t.judged) }

// Add takes up a photo that was compared, or that there was nothing to compare
// of. The Verdict that it has is not looked at. The error tells of a discrepancy
// in another unit, or figures that can't be.
func (t *Tally) Add(r *PhotoResult) error {
	if r.P == nil || r.Discrepancy == nil || r.Allowance == nil {
		t.unjudged++
		return nil
	}
	if r.Discrepancy.Unit != t.unit {
		return fmt.Errorf("photo %q: its discrepancy is in %s, the others are in %s", r.Name, r.Discrepancy.Unit.Name, t.unit.Name)
	}
	j := judged{p: r.grossP(t.unit), v: Vector{E: r.Discrepancy.DE, N: r.Discrepancy.DN}, within: r.Allowance.Judged <= r.Allowance.Threshold, written: r.written() && !r.Tie.unplaced(), unplaced: r.Tie.unplaced(), camera: cameraOf(&r.Photo), time: math.NaN()}
	if r.Tie != nil && r.OnGrid != nil {
		j.point, j.at = r.Tie.Point, grid.EN{E: r.OnGrid.E - j.v.E, N: r.OnGrid.N - j.v.N}
	}
	if r.Tag != nil {
		if at, _ := takenAt(r, false); !at.IsZero() {
			j.time = float64(at.UnixMilli()) / 1000
		}
	}
	for _, c := range r.Allowance.Components {
		switch c.Name {
		case ComponentFrame:
			j.frame = c.Sigma
		case componentSurvey:
			j.survey = c.Sigma
		}
	}
	if err := j.check(); err != nil {
		return fmt.Errorf("photo %q: %w", r.Name, err)
	}
	t.judged = append(t.judged, j)
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
func (a judged) sample() bool { return !a.written && !a.unplaced }

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
	if !(a.p >= 0 && a.p <= 1) {
		return fmt.Errorf("p is %v: want a probability", a.p)
	}
	if !(a.frame >= 0 && a.survey >= 0) || !finite(a.frame) || !finite(a.survey) || !finite(a.at.E) || !finite(a.at.N) {
		return fmt.Errorf("point E %v N %v, frame_sigma_m %v, survey_sigma_m %v can't be", a.at.E, a.at.N, a.frame, a.survey)
	}
	if !finite(a.v.E) || !finite(a.v.N) {
		return fmt.Errorf("discrepancy E %v N %v: %w", a.v.E, a.v.N, grid.ErrNotFinite)
	}
	return nil
}

// Merge takes up all photos of o, and leaves o as it is. It fails, and changes
// nothing, where the two differ in unit, confidence or level of gross verdicts.
func (t *Tally) Merge(o *Tally) error {
	switch {
	case o.confidence == 0 && o.Len() == 0: // a zero Tally
		return nil
	case t.confidence == 0 && t.Len() == 0:
		t.unit, t.confidence, t.grossLevel = o.unit, o.confidence, o.grossLevel
	case t.unit != o.unit:
		return fmt.Errorf("one tally is in %s, the other in %s: they can't be merged", t.unit.Name, o.unit.Name)
	case t.confidence != o.confidence || t.grossLevel != o.grossLevel:
		return fmt.Errorf("one tally was judged with the confidence %v and the gross level %v, the other with %v and %v: they can't be merged",
			t.confidence, t.grossLevel, o.confidence, o.grossLevel)
	}
	t.unjudged += o.unjudged
	t.judged = append(t.judged, o.judged...)
	t.adjusted = nil
	return nil
}

// settle brings the photos in order and adjusts their p-values.
func (t *Tally) settle() {
	if t.adjusted != nil {
		return
	}
	slices.SortFunc(t.judged, judged.compare)
	p := make([]float64, len(t.judged))
	for i := range p {
		p[i] = t.judged[i].p
	}
	t.adjusted = Holm(p)
}

// verdict is that of a photo that has a p-value.
func (t *Tally) verdict(within bool, adjusted float64) Verdict {
	switch {
	case within:
		return Within
	case adjusted < t.grossLevel:
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
	i, ok := slices.BinarySearchFunc(t.judged, r.grossP(t.unit), func(j judged, p float64) int { return cmp.Compare(j.p, p) })
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
	c[Unjudged] = t.unjudged
	for i, j := range t.judged {
		c[t.verdict(j.within, t.adjusted[i])]++
	}
	return c
}

// Written is how many photos have a tag that was written from their point, and say
// nothing of how good tags are.
func (t *Tally) Written() int {
	n := 0
	for _, j := range t.judged {
		if j.written {
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
	for i, j := range t.judged {
		if t.verdict(j.within, t.adjusted[i]) != Gross {
			honest = append(honest, j)
		}
	}
	if all = t.set(t.judged); all != nil {
		var points []judged
		for _, j := range t.judged {
			if j.sample() {
				points = append(points, j)
			}
		}
		all.points(means(gather(points, byPoint, judged.samePoint)), math.Sqrt2*rootMeanSquare(points, func(j judged) float64 { return j.survey })/t.unit.Metres)
	}
	if all == nil || len(honest) == len(t.judged) {
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
		if !j.within {
			over++
		}
		if j.sample() {
			d, compared = append(d, j.v), append(compared, j)
		}
	}
	s := newSet(t.unit, d, t.confidence)
	if s != nil {
		frame := rootMeanSquare(compared, func(j judged) float64 { return j.frame })
		s.Shift, s.ShiftWhy = shiftTest(means(gather(compared, visited, sameVisit)), frame/t.unit.Metres)
		s.Over = newOverShare(over, len(photos), len(gather(photos, visited, sameVisit)), 1-t.confidence)
	}
	return s
}

// tallyJSON is a Tally as it is stored.
type tallyJSON struct {
	Unit       grid.Unit    `json:"unit"`
	Confidence float64      `json:"confidence"`
	GrossLevel float64      `json:"gross_level"`
	Unjudged   int          `json:"unjudged"`
	Judged     []judgedJSON `json:"judged"`
}

type judgedJSON struct {
	P      float64 `json:"p"`
	E      float64 `json:"d_e"`
	N      float64 `json:"d_n"`
	Within bool    `json:"within"`
	// Written says that the tag was written from its point.
	Written bool `json:"written,omitempty"`
	// Unplaced says that the photo shows no single place.
	Unplaced bool `json:"unplaced,omitempty"`
	// Time is in seconds since 1970, by the camera's clock.
	Point  string   `json:"point,omitempty"`
	PointE float64  `json:"point_e,omitempty"`
	PointN float64  `json:"point_n,omitempty"`
	Camera string   `json:"camera,omitempty"`
	Time   *float64 `json:"time,omitempty"`
	Frame  float64  `json:"frame_sigma_m,omitempty"`
	Survey float64  `json:"survey_sigma_m,omitempty"`
}

// MarshalJSON writes the tally without loss. Equal tallies give equal bytes,
// whatever order they were gathered in.
func (t Tally) MarshalJSON() ([]byte, error) {
	t.settle()
	j := tallyJSON{Unit: t.unit, Confidence: t.confidence, GrossLevel: t.grossLevel, Unjudged: t.unjudged, Judged: make([]judgedJSON, len(t.judged))}
	for i, r := range t.judged {
		j.Judged[i] = judgedJSON{P: r.p, E: r.v.E, N: r.v.N, Within: r.within, Written: r.written, Unplaced: r.unplaced,
			Point: r.point, PointE: r.at.E, PointN: r.at.N, Camera: r.camera, Frame: r.frame, Survey: r.survey}
		if !math.IsNaN(r.time) {
			j.Judged[i].Time = &r.time
		}
	}
	return json.Marshal(j)
}

// UnmarshalJSON reads what MarshalJSON writes. Figures that can't be are an error.
func (t *Tally) UnmarshalJSON(text []byte) error {
	var j tallyJSON
	if err := json.Unmarshal(text, &j); err != nil {
		return fmt.Errorf("tally: %w", err)
	}
	got := Tally{unit: j.Unit, confidence: j.Confidence, grossLevel: j.GrossLevel, unjudged: j.Unjudged, judged: make([]judged, len(j.Judged))}
	if j.Unjudged < 0 {
		return fmt.Errorf("tally: %d photos unjudged", j.Unjudged)
	}
	zero := got.unit == (grid.Unit{}) && got.confidence == 0 && got.grossLevel == 0
	switch {
	case zero && got.Len() > 0:
		return errors.New("tally: it has photos and no unit")
	case !zero && !(got.unit.Metres > 0 && got.confidence > 0 && got.confidence < 1 && got.grossLevel > 0 && got.grossLevel < 1):
		return fmt.Errorf("tally: unit %v m, confidence %v, gross level %v can't be", got.unit.Metres, got.confidence, got.grossLevel)
	}
	for i, r := range j.Judged {
		got.judged[i] = judged{p: r.P, v: Vector{E: r.E, N: r.N}, within: r.Within, written: r.Written, unplaced: r.Unplaced,
			point: r.Point, at: grid.EN{E: r.PointE, N: r.PointN}, camera: r.Camera, time: math.NaN(), frame: r.Frame, survey: r.Survey}
		if r.Time != nil {
			got.judged[i].time = *r.Time
		}
		if err := got.judged[i].check(); err != nil {
			return fmt.Errorf("tally: photo %d: %w", i+1, err)
		}
	}
	*t = got
	return nil
}
