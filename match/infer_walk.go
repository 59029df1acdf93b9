package match

import (
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/noise"
	"example.com/phototie/match/walk"
)

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
// those without a link and judges them. It returns what was learnt of the cameras' noise.
func (c *checker) infer(ctx context.Context, res *Result, t ties) (map[string]*noise.Model, error) {
	// With one point there is nothing to mix it up with.
	if c.opt.Ties.Off || len(c.points) < 2 || len(res.Photos) == 0 {
		return nil, nil
	}
	in, err := c.walkInput(ctx, res.Photos, t)
	if err != nil {
		return nil, err
	}
	found, err := walk.Decode(ctx, in.photos, in.points, c.opt.Ties.Walk)
	if err != nil {
		return nil, err
	}
	clocks := make(map[string]*walk.Clock, len(found.Clocks))
	for i := range found.Clocks {
		clocks[found.Clocks[i].Camera] = &found.Clocks[i]
	}
	c.cameras(res, found)
	models := make(map[string]*noise.Model, len(found.Shifts))
	for _, s := range found.Shifts {
		models[s.Camera] = s.Noise
	}
	err = share(ctx, len(res.Photos), func(from, to int) error {
		for i := from; i < to; i++ {
			res.Photos[i].Inference = c.inference(&res.Photos[i], &found.Photos[i], &in, i, clocks[in.photos[i].Camera])
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if c.opt.Ties.InferUntied {
		if err := c.tieInferred(res, t, found, &in); err != nil {
			return nil, err
		}
	}
	return models, nil
}

// tieInferred ties photos that no link names to the points found, and judges them.
func (c *checker) tieInferred(res *Result, t ties, found *walk.Ties, in *walkInput) error {
	for i := range res.Photos {
		r, tie := &res.Photos[i], &found.Photos[i]
		linked := r.Tie != nil || r.Decision.rules(RulingNoPoint) || len(t.byPhoto[i]) > 0 || t.ambiguous[i] != nil
		if linked || tie.Point == walk.None || tie.Probability < c.opt.Ties.threshold() {
			continue
		}
		p := c.points[tie.Point]
		r.Tie = &Tie{Point: p.ID, Evidence: []string{EvidenceInferred}}
		res.Points[tie.Point].Photos = append(res.Points[tie.Point].Photos, r.Name)
		if r.TieReason != "" {
			// It has nothing to judge all the same.
			r.TieReason, r.Why = "", in.why[i]
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
	// names are the photos'.
	names []string
}

func (c *checker) walkInput(ctx context.Context, photos []PhotoResult, t ties) (walkInput, error) {
	in := walkInput{
		photos: make([]walk.Photo, len(photos)),
		points: make([]walk.Point, len(c.points)),
		found:  make([][]namedID, len(photos)),
		why:    make([]string, len(photos)),
		names:  make([]string, len(photos)),
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
			in.found[i], in.names[i] = ids.find(&r.Photo), r.Name
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
	w.Camera, w.Overview = cameraOf(&r.Photo), overview(&r.Photo)
	for _, l := range links {
		if j, ok := c.pointByID[strings.TrimSpace(l.link.Point)]; ok && !slices.Contains(w.Listed, j) {
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
	o := r.Tie.offset()
	at := grid.EN{E: (r.OnGrid.E - o.E) * m, N: (r.OnGrid.N - o.N) * m}
	if x := a.Expected; x != nil {
		at.E, at.N = at.E-x.E, at.N-x.N
	}
	// The budget leaves out the step that the tag is written in.
	step := r.Tag.Position.Coarseness() * metresPerDegree / math.Sqrt(12)
	if !grid.Finite(step) || step > maxMetres {
		step = 0
	}
	w.Pos, w.Sigma, w.Standoff = &at, math.Hypot(a.Sigma, step), a.Standoff
	w.Step, w.Written = step*math.Sqrt(12), [2]float64{r.Tag.Position.Lat, r.Tag.Position.Lon}
	w.Within = a.Threshold
	return nil
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
		Link: t.Status, Shift: t.Shift, Site: t.Site,
	}
	if t.Repeats != walk.None {
		out.Repeats = in.names[t.Repeats]
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
		if j != walk.None {
			e.Rivals = append(e.Rivals, c.rival(p, &in.points[j], c.points[j].ID, timed, e.Clock))
		}
	}
	if t.Shift == walk.ShiftLate || t.Shift == walk.ShiftEarly {
		e.Before, e.After, e.Early = t.Before, t.After, t.Shift == walk.ShiftEarly
	}
	if t.RunnerUpOK {
		e.Walk = t.Evidence.Walk
	}
	return e.Sentences()
}

// rival is a point that a photo may show; timed says that the camera's clock, ahead
// by the duration given, is of use.
func (c *checker) rival(p *walk.Photo, q *walk.Point, id string, timed bool, ahead time.Duration) words.Rival {
	r := words.Rival{Point: id}
	if p.Pos != nil {
		d := math.Hypot(p.Pos.E-q.E, p.Pos.N-q.N) / c.unit.Metres
		r.Distance = &d
	}
	if timed && !q.Observed.IsZero() {
		after := p.Time.Add(-ahead).Sub(q.Observed)
		r.Taken = &after
	}
	return r
}

// habit is how much of a clock's offset is left to the crew's habit of taking
// photos before or after the survey.
const habit = 90 * time.Second

// fewShifts is the least number of photos to report a common shift from.
const fewShifts = 20

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
		cam := get(s.Camera)
		if n := s.Noise; n != nil {
			cam.Noise = &CameraNoise{Photos: n.Photos, Independent: n.Independent, Scale: n.Scale, Low: n.Low, High: n.High, White: n.White, Time: n.Time}
		}
		if s.Photos < fewShifts {
			continue
		}
		cam.Shift = &CameraShift{Photos: s.Photos, E: s.E, N: s.N, StdErr: s.StdErr}
		if d := math.Hypot(s.E, s.N); d > 4*s.StdErr {
			cam.Summary = append(cam.Summary, words.Shift(s.E, s.N, s.StdErr, s.Photos, res.Grid.Unit))
		}
	}
}

// grossScale is how many times the errors of a camera may exceed what it states: the
// upper end of what the job tells, more where large errors are frequent, at most
// mostGrossScale, so that no noise hides a blunder. Fewer than fewestLearnt photos
// tell nothing.
func grossScale(m *noise.Model) float64 {
	if m.Photos < fewestLearnt {
		return UnlearntGrossScale
	}
	return min(max(leastGrossScale, m.High)*(1+m.HeavyTails/2), mostGrossScale)
}

const (
	fewestLearnt = 8
	// leastGrossScale leaves room for a scale that was learnt too small: photos that are
	// all taken from one side look less scattered than the standoff has them.
	leastGrossScale = 1.4
	mostGrossScale  = 3
)
