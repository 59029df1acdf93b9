package match

import (
	"context"
	"fmt"
	"math"
	"path"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/noise"
	"example.com/phototie/match/walk"
)

// TieOptions say how ties are weighed.
type TieOptions struct {
	// Walk are the priors of the model; the zero Params stands for
	// walk.DefaultParams. Set Walk.FieldOrder where whether photos come before
	// or after their points is known.
	Walk walk.Params
	// InferUntied ties photos that no link names to the point found, where it is
	// Threshold probable or more. Their Tie has EvidenceInferred.
	InferUntied bool
	// Threshold is the least probability of such a tie; 0 stands for 0.95.
	Threshold float64
	// Off leaves ties as the links have them, unweighed: there are no Inferences
	// and no Cameras.
	Off bool
}

// threshold is the least probability of an inferred tie.
func (o TieOptions) threshold() float64 {
	if o.Threshold == 0 {
		return 0.95
	}
	return o.Threshold
}

func (o TieOptions) validate() error {
	if t := o.threshold(); !(t > 0.5 && t <= 1) {
		return fmt.Errorf("check: Ties.Threshold is %v: want a probability above 0.5, for instance 0.95", o.Threshold)
	}
	if o.Walk != (walk.Params{}) {
		return o.Walk.Validate()
	}
	return nil
}

// Inference is which point a photo shows by all that the job has to say: its
// tag, its time, ids in its name and metadata, its link, and the photos before
// and after. It changes no link. Package walk has the model.
type Inference struct {
	// Point is the point found; empty where the photo most probably shows none.
	Point string `json:"point,omitempty"`
	// Probability is how probable that is.
	Probability float64 `json:"probability"`
	// RunnerUp is the next most probable point, with its probability; empty for
	// none.
	RunnerUp            string  `json:"runner_up,omitempty"`
	RunnerUpProbability float64 `json:"runner_up_probability"`
	// Link says whether the link is confirmed, doubtful or contradicted, or that
	// there is none.
	Link walk.Status `json:"link"`
	// LinkProbability is the probability that the link is right, and Unlinked how
	// probable its point is by tags, times and names alone, without any links;
	// nil where there is no link.
	LinkProbability *float64 `json:"link_probability,omitempty"`
	Unlinked        *float64 `json:"probability_without_links,omitempty"`
	// Shift says how the link stands to Point: right, late (it lists a point
	// further along the walk), early or other.
	Shift walk.Shift `json:"shift,omitempty"`
	// Evidence is what speaks for Point and against it, in words.
	Evidence []string `json:"evidence"`
	// Weights are the same in figures.
	Weights *EvidenceWeights `json:"weights,omitempty"`
}

// EvidenceWeights is how much each kind of evidence speaks for one point against
// another: natural logarithms of likelihood ratios. They sum to the logarithm
// of the ratio of the two probabilities.
type EvidenceWeights struct {
	// Against is the point held against Inference.Point: the one listed where that
	// is another, else the runner-up; empty for no point.
	Against string `json:"against,omitempty"`
	// Position is by the tag, Time by the time, Listed by the link itself, Named by
	// ids in name and metadata, Walk by the photos before and after.
	Position float64 `json:"position"`
	Time     float64 `json:"time"`
	Listed   float64 `json:"listed"`
	Named    float64 `json:"named"`
	Walk     float64 `json:"walk"`
}

// Camera is what the photos of one camera have in common.
type Camera struct {
	// Camera is its serial number, else its make and model; empty where images
	// state neither.
	Camera string `json:"camera"`
	// Clock is what became of the comparison of its clock with the times of the
	// survey; nil where there are no such times.
	Clock *CameraClock `json:"clock,omitempty"`
	// Shift is what all its tags are off by, tag minus point; nil where too few
	// photos have a link to tell.
	Shift *CameraShift `json:"shift,omitempty"`
	// Summary says it in words.
	Summary []string `json:"summary"`
}

// CameraClock is how a camera's clock stands to the survey's. Figures are in
// seconds.
type CameraClock struct {
	// Photos is the number of photos that it was found from.
	Photos int `json:"photos"`
	// Used says that times were of use to tell ties. Else only Photos and GPS hold.
	Used bool `json:"used"`
	// Offset is camera minus survey, with what the crew's habit of taking photos
	// after the survey of a point or before adds; StdErr is its standard error, and
	// Spread the mean absolute difference of single photos from it.
	Offset float64 `json:"offset_s"`
	StdErr float64 `json:"std_err_s"`
	Spread float64 `json:"spread_s"`
	// Zone is the part of it that a time zone explains, for images that state
	// none, in whole quarter hours, and Residual the rest.
	Zone     float64 `json:"zone_s"`
	Residual float64 `json:"residual_s"`
	// GPS is camera minus time of the fix; nil where images have no such time.
	GPS *float64 `json:"gps_s,omitempty"`
}

// CameraShift is what the tags of a camera are off by as a whole, in metres.
type CameraShift struct {
	Photos int     `json:"photos"`
	E      float64 `json:"e_m"`
	N      float64 `json:"n_m"`
	StdErr float64 `json:"std_err_m"`
}

// The kinds of finding that come of weighing ties.
const (
	// FindingContradicted: the evidence is against a link, as good as certainly.
	FindingContradicted FindingCode = "link-contradicted"
	// FindingDoubted: a link is more likely wrong than right, and can't be told.
	FindingDoubted FindingCode = "link-doubtful"
	// FindingInferred: a photo without a link was tied by the evidence.
	FindingInferred FindingCode = "photo-tie-inferred"
)

// tieFindings adds what the evidence says about a photo's link.
func (p *PhotoResult) tieFindings(add func(code FindingCode, message, remedy string)) {
	f := p.Inference
	if f == nil {
		return
	}
	l := words.Link{Shows: f.Point, Probability: f.Probability, Evidence: f.Evidence}
	if p.Tie != nil {
		l.Point = p.Tie.Point
	}
	if f.LinkProbability != nil {
		l.Correct = *f.LinkProbability
	}
	switch {
	case p.Tie != nil && len(p.Tie.Evidence) > 0 && p.Tie.Evidence[0] == EvidenceInferred:
		add(FindingInferred, l.Inferred(), "")
	case p.Tie == nil || f.LinkProbability == nil:
	case f.Link == walk.Contradicted:
		add(FindingContradicted, l.Contradicted(), l.Remedy())
	case f.Link == walk.Doubtful && *f.LinkProbability < 0.5:
		add(FindingDoubted, l.Doubtful(), l.Remedy())
	}
}

// cameraOf names the camera of a photo.
func cameraOf(p *Photo) string {
	if p.Tag == nil {
		return ""
	}
	if p.Tag.Serial != "" {
		return p.Tag.Serial
	}
	return strings.TrimSpace(p.Tag.Make + " " + p.Tag.Model)
}

// infer weighs the ties of all photos. Where Ties.InferUntied is set it ties
// those without a link and judges them.
func (c *checker) infer(ctx context.Context, res *Result, t ties) error {
	// With one point there is nothing to mix it up with.
	if c.opt.Ties.Off || len(c.points) < 2 || len(res.Photos) == 0 {
		return nil
	}
	in, err := c.walkInput(ctx, res.Photos, t)
	if err != nil {
		return err
	}
	found, err := walk.Decode(ctx, in.photos, in.points, c.opt.Ties.Walk)
	if err != nil {
		return err
	}
	clocks := make(map[string]*walk.Clock, len(found.Clocks))
	for i := range found.Clocks {
		clocks[found.Clocks[i].Camera] = &found.Clocks[i]
	}
	c.cameras(res, found)
	err = share(ctx, len(res.Photos), func(from, to int) error {
		for i := from; i < to; i++ {
			res.Photos[i].Inference = c.inference(&res.Photos[i], &found.Photos[i], &in, i, clocks[in.photos[i].Camera])
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i := range res.Photos {
		r := &res.Photos[i]
		tie := &found.Photos[i]
		if !c.opt.Ties.InferUntied || r.Tie != nil || len(t.byPhoto[i]) > 0 || t.ambiguous[i] != nil {
			continue
		}
		if tie.Point == walk.None || tie.Probability < c.opt.Ties.threshold() {
			continue
		}
		p := c.points[tie.Point]
		r.Tie = &Tie{Point: p.ID, Evidence: []string{EvidenceInferred}}
		res.Points[tie.Point].Photos = append(res.Points[tie.Point].Photos, r.Name)
		if r.TieReason != "" {
			// It has nothing to judge all the same.
			r.TieReason = ""
			r.Why = in.why[i]
			continue
		}
		r.Reason, r.Why = "", ""
		if err := c.judge(r, p); err != nil {
			return err
		}
	}
	return nil
}

// walkInput is a job as package walk takes it.
type walkInput struct {
	photos []walk.Photo
	points []walk.Point
	// found has the ids found in each photo's name and metadata.
	found [][]namedID
	// why is what was said about a photo without a tag before its tie was
	// looked for.
	why []string
}

func (c *checker) walkInput(ctx context.Context, photos []PhotoResult, t ties) (walkInput, error) {
	in := walkInput{
		photos: make([]walk.Photo, len(photos)),
		points: make([]walk.Point, len(c.points)),
		found:  make([][]namedID, len(photos)),
		why:    make([]string, len(photos)),
	}
	m := c.unit.Metres
	for i, p := range c.points {
		in.points[i] = walk.Point{EN: grid.EN{E: p.E * m, N: p.N * m}, Observed: p.Observed}
	}
	// Where some images of a camera state no zone, its clock is read as it stands.
	zoned := make(map[string]bool)
	for i := range photos {
		p := &photos[i].Photo
		if p.Tag != nil && p.Tag.Taken != nil {
			cam := cameraOf(p)
			was, seen := zoned[cam]
			zoned[cam] = p.Tag.Taken.HasOffset && (was || !seen)
		}
	}
	ids := newIDFinder(c.points)
	err := share(ctx, len(photos), func(from, to int) error {
		for i := from; i < to; i++ {
			r := &photos[i]
			in.found[i] = ids.find(&r.Photo)
			if r.TieReason != "" {
				in.why[i], _, _ = cutLast(r.Why, "; ")
			}
			if err := c.walkPhoto(r, t.byPhoto[i], in.found[i], zoned, &in.photos[i]); err != nil {
				return err
			}
		}
		return nil
	})
	return in, err
}

// walkPhoto is a photo as package walk takes it. zoned says of which cameras the
// clock's zone is known.
func (c *checker) walkPhoto(r *PhotoResult, links []listed, named []namedID, zoned map[string]bool, w *walk.Photo) error {
	w.Camera = cameraOf(&r.Photo)
	for _, l := range links {
		if j, ok := c.pointByID[strings.TrimSpace(l.link.Point)]; ok && !contains(w.Listed, j) {
			w.Listed = append(w.Listed, j)
		}
	}
	for _, n := range named {
		w.Named = append(w.Named, n.point)
	}
	if r.Tag == nil {
		return nil
	}
	w.Time, w.Zoned = takenAt(r, zoned[w.Camera])
	if r.Tag.GPSTime != nil {
		w.GPS = *r.Tag.GPSTime
	}
	return c.walkPosition(r, w)
}

// takenAt is a photo's time; by the reading of the clock as if it were UTC unless
// all images of the camera state their zone.
func takenAt(r *PhotoResult, zoned bool) (time.Time, bool) {
	switch t := r.Tag.Taken; {
	case t != nil && !t.Time.IsZero():
		if zoned {
			return t.Time, true
		}
		y, mo, d := t.Time.Date()
		h, mi, s := t.Time.Clock()
		return time.Date(y, mo, d, h, mi, s, t.Time.Nanosecond(), time.UTC), false
	case r.Tag.GPSTime != nil && !r.Tag.GPSTime.IsZero():
		return *r.Tag.GPSTime, true
	}
	return time.Time{}, false
}

// walkPosition gives a photo its place in metres and the noise that the budget
// has for it.
func (c *checker) walkPosition(r *PhotoResult, w *walk.Photo) error {
	if r.OnGrid == nil || r.Reason == ReasonBallpark || r.Reason == ReasonCoarse {
		return nil
	}
	a := r.Allowance
	if a == nil {
		got, err := c.allowance(r, Point{})
		if err != nil {
			return err
		}
		a = &got
	}
	m := c.unit.Metres
	at := grid.EN{E: r.OnGrid.E * m, N: r.OnGrid.N * m}
	if x := a.Expected; x != nil {
		at.E, at.N = at.E-x.E, at.N-x.N
	}
	// The budget leaves the tag's own step out.
	step := r.Tag.Position.Step * metresPerDegree / math.Sqrt(12)
	if !finite(step) || step > maxMetres {
		step = 0
	}
	w.Pos, w.Sigma, w.Standoff = &at, math.Hypot(a.Sigma, step), a.Standoff
	w.Step, w.Written = step*math.Sqrt(12), [2]float64{r.Tag.Position.Lat, r.Tag.Position.Lon}
	w.Within = a.Threshold
	return nil
}

func contains(s []int, v int) bool {
	for _, x := range s {
		if x == v {
			return true
		}
	}
	return false
}

// cutLast cuts a text at the last occurrence of sep.
func cutLast(s, sep string) (before, after string, found bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return s, "", false
}

// id is a point's id; empty for none.
func (c *checker) id(j int) string {
	if j == walk.None {
		return ""
	}
	return c.points[j].ID
}

// inference words a tie.
func (c *checker) inference(r *PhotoResult, t *walk.Tie, in *walkInput, i int, clk *walk.Clock) *Inference {
	out := &Inference{
		Point: c.id(t.Point), Probability: t.Probability,
		RunnerUp: c.id(t.RunnerUp), RunnerUpProbability: t.RunnerUpProbability,
		Link: t.Status, Shift: t.Shift,
	}
	p := &in.photos[i]
	if len(p.Listed) > 0 {
		lp, ul := t.ListedProbability, t.Unlinked
		out.LinkProbability, out.Unlinked = &lp, &ul
	}
	rival := walk.None
	if t.RunnerUpOK {
		e := t.Evidence
		rival = e.Against
		out.Weights = &EvidenceWeights{Against: c.id(e.Against), Position: e.Position, Time: e.Time, Listed: e.Listed, Named: e.Named, Walk: e.Walk}
	}
	out.Evidence = c.evidence(t, in, i, rival, clk)
	return out
}

// evidence says in words what a tie rests on.
func (c *checker) evidence(t *walk.Tie, in *walkInput, i, rival int, clk *walk.Clock) []string {
	p := &in.photos[i]
	e := words.Evidence{Repeats: t.Stale, NoPosition: p.Pos == nil, Unit: c.unit}
	for _, j := range p.Listed {
		e.Listed = append(e.Listed, c.points[j].ID)
	}
	for _, f := range in.found[i] {
		e.Named = append(e.Named, words.Named{Where: f.where, Point: c.points[f.point].ID})
	}
	timed := clk != nil && clk.Used && !p.Time.IsZero()
	if timed {
		e.Clock = clk.Zone
		if clk.Residual.Abs() > habit {
			e.Clock = clk.Offset
		}
	}
	// The point found, and the one held against it.
	for _, j := range [...]int{t.Point, rival} {
		if j == walk.None {
			continue
		}
		q := &in.points[j]
		r := words.Rival{Point: c.points[j].ID}
		if p.Pos != nil {
			d := math.Hypot(p.Pos.E-q.E, p.Pos.N-q.N) / c.unit.Metres
			r.Distance = &d
		}
		if timed && !q.Observed.IsZero() {
			after := p.Time.Add(-e.Clock).Sub(q.Observed)
			r.Taken = &after
		}
		e.Rivals = append(e.Rivals, r)
	}
	if t.Shift == walk.ShiftLate || t.Shift == walk.ShiftEarly {
		e.Before, e.After, e.Early = t.Before, t.After, t.Shift == walk.ShiftEarly
	}
	if t.RunnerUpOK {
		e.Walk = t.Evidence.Walk
	}
	return e.Sentences()
}

// habit is how much of a clock's offset is left to the crew's habit of taking
// photos before or after the survey.
const habit = 90 * time.Second

// cameras reports what was found out about the cameras.
func (c *checker) cameras(res *Result, found *walk.Ties) {
	at := make(map[string]int)
	get := func(name string) *Camera {
		k, ok := at[name]
		if !ok {
			k = len(res.Cameras)
			at[name] = k
			res.Cameras = append(res.Cameras, Camera{Camera: name, Summary: []string{}})
		}
		return &res.Cameras[k]
	}
	for _, k := range found.Clocks {
		if k.Photos == 0 && !k.GPSOK {
			continue
		}
		cam := get(k.Camera)
		cam.Clock = &CameraClock{
			Photos: k.Photos, Used: k.Used, Offset: k.Offset.Seconds(), StdErr: k.StdErr.Seconds(), Spread: k.Scale.Seconds(),
			Zone: k.Zone.Seconds(), Residual: k.Residual.Seconds(),
		}
		var fixes *time.Duration
		if k.GPSOK {
			v := k.GPS.Seconds()
			cam.Clock.GPS, fixes = &v, &k.GPS
		}
		cam.Summary = append(cam.Summary, words.Clock{Photos: k.Photos, Used: k.Used, Zone: k.Zone, Rest: k.Residual, Ahead: k.Residual.Abs() > habit,
			StdErr: k.StdErr, Spread: k.Scale, Fixes: fixes}.Sentences()...)
	}
	scales := make(map[string]float64, len(found.Shifts))
	for _, s := range found.Shifts {
		if s.Noise != nil {
			scales[s.Camera] = grossScale(s.Noise)
		}
	}
	for i := range res.Photos {
		if k, ok := scales[cameraOf(&res.Photos[i].Photo)]; ok && res.Photos[i].P != nil {
			res.Photos[i].GrossScale = k
		}
	}
	for _, s := range found.Shifts {
		if s.Photos < 20 {
			continue
		}
		cam := get(s.Camera)
		cam.Shift = &CameraShift{Photos: s.Photos, E: s.E, N: s.N, StdErr: s.StdErr}
		if d := math.Hypot(s.E, s.N); d > 4*s.StdErr {
			cam.Summary = append(cam.Summary, words.Shift(s.E, s.N, s.StdErr, s.Photos))
		}
	}
}

// grossScale is how many times the errors of a camera may exceed what it states: the
// upper end of what the job tells, more where large errors are frequent, at most
// mostGrossScale, so that no noise hides a blunder.
func grossScale(m *noise.Model) float64 {
	return min(max(1, m.High)*(1+m.HeavyTails/2), mostGrossScale)
}

const mostGrossScale = 3

// idFinder finds the ids of points in texts.
type idFinder struct {
	byID map[string]int // in lower case; -1 where two points differ in case only
	// words is the most words that an id is made of.
	words int
}

// namedID is a point whose id stands in a photo's name or metadata.
type namedID struct {
	point int
	where string
}

func newIDFinder(points []Point) *idFinder {
	f := &idFinder{byID: make(map[string]int, len(points))}
	for i, p := range points {
		low := strings.ToLower(p.ID)
		if _, ok := f.byID[low]; ok {
			f.byID[low] = -1
			continue
		}
		f.byID[low] = i
		f.words = max(f.words, len(wordsOf(low)))
	}
	f.words = min(f.words, 6)
	return f
}

// find returns the points whose ids stand in the photo's path or texts, each
// once with the first place where it stands.
func (f *idFinder) find(p *Photo) []namedID {
	var out []namedID
	add := func(j int, where string) {
		for _, n := range out {
			if n.point == j {
				return
			}
		}
		out = append(out, namedID{j, where})
	}
	name := strings.ReplaceAll(p.NameAsTaken(), `\`, "/")
	name = strings.TrimSuffix(name, path.Ext(name))
	dir, base := path.Split(name)
	f.in(base, false, func(j int) { add(j, "the file name") })
	for _, d := range strings.Split(dir, "/") {
		f.in(d, false, func(j int) { add(j, "the folder's name") })
	}
	if p.Tag != nil {
		for field, text := range p.Tag.Texts.All() {
			f.in(text, true, func(j int) { add(j, field) })
		}
	}
	return out
}

// in yields the points whose ids stand in a text, as whole words. The longest
// id counts where several begin at one word. An id without a letter is too
// easily a counter, a date or a figure: it counts only where it is the whole
// text, which must not be a name, or where a word for a point stands before it.
// An id of one letter counts only where it is the whole text.
func (f *idFinder) in(text string, whole bool, yield func(int)) {
	low := strings.ToLower(strings.TrimSpace(text))
	if low == "" {
		return
	}
	if j, ok := f.byID[low]; ok && (whole || hasLetter(low)) {
		if j >= 0 {
			yield(j)
		}
		return
	}
	words := wordsOf(low)
	for a := 0; a < len(words); a++ {
		for n := min(f.words, len(words)-a); n > 0; n-- {
			id := low[words[a].lo:words[a+n-1].hi]
			j, ok := f.byID[id]
			if !ok {
				continue
			}
			plain := utf8.RuneCountInString(id) == 1 || !hasLetter(id)
			if plain && (a == 0 || !pointWords[low[words[a-1].lo:words[a-1].hi]]) {
				continue
			}
			if j >= 0 {
				yield(j)
			}
			a += n - 1
			break
		}
	}
}

// pointWords are words that a bare number is a point's after.
var pointWords = map[string]bool{"point": true, "pt": true, "pnt": true, "station": true, "stn": true, "peg": true, "mark": true}

type word struct{ lo, hi int }

// wordsOf splits a text into runs of letters and digits.
func wordsOf(s string) []word {
	var out []word
	lo := -1
	for i, r := range s {
		in := unicode.IsLetter(r) || unicode.IsDigit(r)
		if in && lo < 0 {
			lo = i
		}
		if !in && lo >= 0 {
			out = append(out, word{lo, i})
			lo = -1
		}
	}
	if lo >= 0 {
		out = append(out, word{lo, len(s)})
	}
	return out
}

func hasLetter(s string) bool { return strings.IndexFunc(s, unicode.IsLetter) >= 0 }
