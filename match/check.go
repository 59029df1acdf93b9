package match

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"strings"
	"sync"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match/noise"
)

// batch is how many positions go to the projection in one call, and how many
// photos a stream holds.
const batch = 4096

// Check ties, compares and judges a job. Photos are taken in the order in which
// the sequence yields them; an error of the sequence ends the check with it.
//
// A photo's tie is the point that the links list for it, and stays so whatever
// the evidence. Which point a photo shows by all that the job has to say is in
// its Inference, with whether the link is confirmed, doubtful or contradicted;
// Options.Ties may let photos without a link be tied by it. A link names the photo
// by its path inside the dataset; a path that only ends alike, or differs in
// case, is taken where a single photo fits, and the tie's evidence says so. Links
// that fit no photo or several become unmatched. A photo with links to different
// points is not judged. Options.Decisions overrule the links, for all that follows:
// what a photo was decided to show is listed for it in place of them.
//
// Tags are transformed to the grid in the frame that they state, at the epoch of
// GPSTime, else of the time taken (good to a day where it states no zone, and a
// frame moves a tenth of a millimetre in that), else Options.Epoch. A tag carried
// by a ballpark operation has a place on the grid but no discrepancy, unless
// Options.AllowBallpark.
//
// A photo is within where its discrepancy is no larger than its allowance, gross
// where it is larger and so far out that errors GrossScale times those that the
// camera states don't explain it either (the p-value, adjusted by Holm over all
// judged photos, is below Budget.GrossLevel), and else over. Where ties are weighed
// the job tells how good each camera's errors are; see package noise.
//
// Photos that were measured are held against Options.Requirements.
//
// Photos are placed while others are still being read, and judged by all processors,
// so that proj is called from several goroutines; where it panics, so does Check.
//
// Errors that end the check: those of the budget and the options, points without
// an id, with one that comes twice, or with coordinates or a covariance that
// can't be, photos without a name or with one that comes twice, and failures of
// the projection as a whole. Everything that concerns one photo only is in its
// PhotoResult.
func Check(ctx context.Context, proj grid.Projection, points []Point, links []Link, photos iter.Seq2[Photo, error], opt Options) (*Result, error) {
	c, err := newChecker(proj, points, opt)
	if err != nil {
		return nil, err
	}
	pl := c.placing(ctx)
	defer pl.end()
	for p, err := range photos {
		if err != nil {
			return nil, err
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		pl.add(p)
	}
	results, err := pl.results()
	if err != nil {
		return nil, err
	}
	paths := make([]string, len(results))
	for i := range results {
		paths[i] = results[i].Name
	}
	names, err := newPhotoNames(paths)
	if err != nil {
		return nil, err
	}
	t := sortLinks(names, links)
	decided := c.decide(results, names, &t)
	res, err := c.run(ctx, results, t)
	if err == nil {
		res.decided = decided
	}
	return res, err
}

// CompareOne compares and judges a single photo against a single point, which it
// is taken to show. It is Check with one of each, and a photo needs no name.
func CompareOne(ctx context.Context, proj grid.Projection, photo Photo, point Point, opt Options) (PhotoResult, error) {
	if point.ID == "" {
		return PhotoResult{}, errors.New("compare: the point has no id")
	}
	c, err := newChecker(proj, []Point{point}, opt)
	if err != nil {
		return PhotoResult{}, err
	}
	pl := c.placing(ctx)
	pl.add(photo)
	results, err := pl.results()
	if err != nil {
		return PhotoResult{}, err
	}
	res, err := c.run(ctx, results, ties{
		byPhoto:   [][]listed{{{link: Link{Photo: photo.Name, Point: point.ID}}}},
		ambiguous: make([]*Link, 1),
	})
	if err != nil {
		return PhotoResult{}, err
	}
	return res.Photos[0], nil
}

// checker holds what is the same for all photos of a job.
type checker struct {
	proj        grid.Projection
	unit        grid.Unit
	points      []Point
	pointByID   map[string]int
	pointFolded map[string][]string
	opt         Options
	index       func() *Index // of the points, made when it is first needed
	coarsest    float64       // see coarsest
}

func newChecker(proj grid.Projection, points []Point, opt Options) (*checker, error) {
	if proj == nil {
		return nil, errors.New("check: there is no projection")
	}
	if err := opt.settle(); err != nil {
		return nil, err
	}
	c := &checker{
		proj:        proj,
		unit:        proj.Grid().Unit,
		points:      points,
		pointByID:   make(map[string]int, len(points)),
		pointFolded: make(map[string][]string, len(points)),
		opt:         opt,
		index:       sync.OnceValue(func() *Index { return NewIndex(points) }),
		coarsest:    coarsest(opt.Budget, points, proj.Grid().Unit),
	}
	if !(c.unit.Metres > 0) || math.IsInf(c.unit.Metres, 0) {
		return nil, fmt.Errorf("check: the grid's unit %q has %v metres", c.unit.Name, c.unit.Metres)
	}
	for i, p := range points {
		if err := c.addPoint(i, p); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// settle puts defaults in the place of what is not set, and checks the rest.
func (o *Options) settle() error {
	if o.Budget == (Budget{}) {
		o.Budget = DefaultBudget()
	}
	if err := o.ValidateBudgets(); err != nil {
		return err
	}
	o.PointResolution = cmp.Or(o.PointResolution, 0.001)
	for camera, k := range o.Accuracy {
		if !(k >= 0.1 && k <= 100) {
			return fmt.Errorf("check: Accuracy of camera %q is %v: want a factor from 0.1 to 100", camera, k)
		}
	}
	switch {
	case o.AllowBallpark && !(o.BallparkSigma > 0 && o.BallparkSigma <= maxMetres):
		return fmt.Errorf("check: AllowBallpark needs BallparkSigma, the standard deviation per axis of such an operation in metres; it is %v", o.BallparkSigma)
	case !(o.PointResolution >= 0 && o.PointResolution <= maxMetres):
		return fmt.Errorf("check: PointResolution is %v: want metres, 0 or more", o.PointResolution)
	case !grid.Finite(o.Epoch):
		return fmt.Errorf("check: Epoch is %v: want a decimal year or 0", o.Epoch)
	}
	if o.Requirements != nil {
		if err := o.Requirements.Validate(); err != nil {
			return err
		}
	}
	return o.Ties.validate()
}

func (c *checker) addPoint(i int, p Point) error {
	at := ""
	if p.Line > 0 {
		at = fmt.Sprintf(" (line %d)", p.Line)
	}
	if p.ID == "" || strings.TrimSpace(p.ID) != p.ID {
		return fmt.Errorf("point %d%s has the id %q: want one that is not empty and has no spaces around it", i+1, at, p.ID)
	}
	if j, ok := c.pointByID[p.ID]; ok {
		first := ""
		if l := c.points[j].Line; l > 0 {
			first = fmt.Sprintf("; the first is on line %d", l)
		}
		return fmt.Errorf("point %q%s comes twice%s", p.ID, at, first)
	}
	if !grid.Finite(p.E, p.N) {
		return fmt.Errorf("point %q%s: E %v, N %v: coordinates have to be finite", p.ID, at, p.E, p.N)
	}
	if p.Height != nil && !grid.Finite(*p.Height) {
		return fmt.Errorf("point %q%s: height %v: it has to be finite", p.ID, at, *p.Height)
	}
	if p.Cov != nil {
		if err := checkCov(*p.Cov); err != nil {
			return fmt.Errorf("point %q%s: %w", p.ID, at, err)
		}
	}
	c.pointByID[p.ID] = i
	low := strings.ToLower(p.ID)
	c.pointFolded[low] = append(c.pointFolded[low], p.ID)
	return nil
}

// run does what comes after the placing.
func (c *checker) run(ctx context.Context, photos []PhotoResult, t ties) (*Result, error) {
	res := &Result{
		Grid:           c.proj.Grid(),
		Budget:         c.opt.Budget,
		Photos:         photos,
		Points:         c.bare(),
		UnmatchedLinks: t.unmatched,
		survey:         c.opt.Survey,
	}
	if err := c.compare(ctx, photos, t, func(photo, point int) {
		res.Points[point].Photos = append(res.Points[point].Photos, photos[photo].Name)
	}); err != nil {
		return nil, err
	}
	models, err := c.infer(ctx, res, t)
	if err != nil {
		return nil, err
	}
	if err := c.verdicts(res, models); err != nil {
		return nil, err
	}
	if c.opt.Requirements != nil {
		res.Requirements = c.opt.Requirements.Resolved()
		res.pictures = res.Requirements.Check(res)
	}
	return res, nil
}

// bare are the points without photos.
func (c *checker) bare() []PointResult {
	out := make([]PointResult, len(c.points))
	for i, p := range c.points {
		out[i] = PointResult{Point: p, Photos: []string{}}
	}
	return out
}

// compare ties placed photos by their links and holds them against their points,
// all that can be said of each for itself. tied is called for each tie, in the order
// of the photos.
func (c *checker) compare(ctx context.Context, photos []PhotoResult, t ties, tied func(photo, point int)) error {
	const untied = -1
	points := make([]int, len(photos))
	for i := range photos {
		r := &photos[i]
		tie, point, reason, why := t.tie(i, c.pointByID, c.pointFolded)
		r.Tie, points[i] = tie, untied
		if tie != nil {
			tied(i, point)
		}
		switch {
		case r.Reason != "" && tie == nil:
			r.Why += "; " + why
			r.TieReason = reason
		case r.Reason != "":
		case tie == nil:
			r.Reason, r.Why = reason, why
		default:
			points[i] = point
		}
	}
	err := share(ctx, len(photos), func(from, to int) error {
		for i := from; i < to; i++ {
			if points[i] == untied {
				continue
			}
			if err := c.judge(&photos[i], c.points[points[i]]); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.heights(ctx, photos)
}

// placing puts photos on the grid while others are still being read.
type placing struct {
	c     *checker
	work  sharing
	parts [][]PhotoResult // the last of them is being filled
	n     int
}

// placeSize is how many photos are transformed to the grid in one call.
const placeSize = 1024

func (c *checker) placing(ctx context.Context) *placing {
	return &placing{c: c, work: sharing{ctx: ctx}}
}

func (pl *placing) add(p Photo) {
	if pl.n%placeSize == 0 {
		pl.full()
		pl.parts = append(pl.parts, make([]PhotoResult, 0, placeSize))
	}
	part := &pl.parts[len(pl.parts)-1]
	*part = append(*part, PhotoResult{Photo: p})
	pl.n++
}

// full has the last part placed.
func (pl *placing) full() {
	if len(pl.parts) == 0 {
		return
	}
	part := pl.parts[len(pl.parts)-1]
	pl.work.do(func() error { return pl.c.place(pl.work.ctx, part) })
}

// results are all that were added, in order.
func (pl *placing) results() ([]PhotoResult, error) {
	pl.full()
	if err := pl.work.wait(); err != nil {
		return nil, err
	}
	if len(pl.parts) == 1 {
		return pl.parts[0], nil
	}
	all := make([]PhotoResult, 0, pl.n)
	for _, part := range pl.parts {
		all = append(all, part...)
	}
	return all, nil
}

// end waits for what is still at work where the results are not wanted.
func (pl *placing) end() { pl.work.all.Wait() }

// place transforms tags to the grid and looks for the nearest points. A photo whose
// tag has no place there gets the reason.
func (c *checker) place(ctx context.Context, results []PhotoResult) error {
	var fixes []grid.Fix
	var of []int // photo of each fix
	for i := range results {
		r := &results[i]
		if r.Reason, r.Why = tagFault(&r.Photo); r.Reason != "" {
			continue
		}
		fixes = append(fixes, c.fix(r.Tag))
		of = append(of, i)
	}
	if len(fixes) == 0 {
		return ctx.Err()
	}
	placed, err := c.proj.ToGrid(ctx, fixes)
	if err != nil {
		return fmt.Errorf("transforming tags to the grid: %w", err)
	}
	if len(placed) != len(fixes) {
		return fmt.Errorf("transforming tags to the grid: the projection returned %d positions for %d", len(placed), len(fixes))
	}
	for k, p := range placed {
		c.placed(&results[of[k]], p)
	}
	return c.nearest(ctx, results)
}

// fix is a tag's position with its frame.
func (c *checker) fix(t *geotag.Tag) grid.Fix {
	f := grid.Fix{LatLon: grid.LatLon{Lat: t.Position.Lat, Lon: t.Position.Lon}, Frame: c.opt.Frame(t)}
	if a := t.Altitude; a != nil && a.Ref == geotag.AltitudeEllipsoidal && grid.Finite(a.Metres) {
		f.Height = &a.Metres
	}
	return f
}

func (c *checker) placed(r *PhotoResult, p grid.Placement) {
	r.Operation = p.Op
	switch {
	case p.Err != nil:
		r.Reason, r.Why = ReasonNoFrame, p.Err.Error()
	case !grid.Finite(p.E, p.N):
		r.Reason, r.Why = ReasonNoFrame, "the projection gives no finite position for the tag"
	case p.Op != nil && p.Op.Ballpark && !c.opt.AllowBallpark:
		r.Reason = ReasonBallpark
		r.Why = fmt.Sprintf("only a ballpark operation leads from the tag's frame to the grid (%s); it may be out by hundreds of metres", p.Op.Name)
		fallthrough
	default:
		en := p.EN
		r.OnGrid = &en
	}
	if r.Reason == "" {
		r.Reason, r.Why = c.coarse(r.Tag)
	}
}

// noPosition says why a tag states no position.
func noPosition(warnings []geotag.Warning) (Reason, string) {
	var faults, corrupt []string
	for _, w := range warnings {
		switch {
		case concernsPosition(w):
			faults = append(faults, w.String())
		case w.Code == geotag.WarnCorrupt:
			corrupt = append(corrupt, w.String())
		}
	}
	switch {
	case len(faults) > 0:
		return ReasonBadTag, strings.Join(faults, "; ")
	case len(corrupt) > 0:
		return ReasonNoTag, "the image has no position that can be reached; " + strings.Join(corrupt, "; ")
	}
	return ReasonNoTag, "the image has no position"
}

// tagFault says why a photo has no position to work with.
func tagFault(p *Photo) (Reason, string) {
	switch {
	case p.Tag == nil && p.Err != nil:
		return ReasonUnreadable, p.Err.Error()
	case p.Tag == nil:
		return ReasonUnreadable, "the image was not read"
	case p.Tag.Position == nil:
		return noPosition(p.Tag.Warnings)
	}
	at := p.Tag.Position
	if !(grid.LatLon{Lat: at.Lat, Lon: at.Lon}).Valid() {
		return ReasonBadTag, fmt.Sprintf("latitude %v, longitude %v is no place on earth", at.Lat, at.Lon)
	}
	if at.Lat == 0 && at.Lon == 0 {
		return ReasonBadTag, "the position is exactly 0, 0: what a receiver without a fix writes"
	}
	return "", ""
}

// concernsPosition says that a warning tells why a tag has no position.
func concernsPosition(w geotag.Warning) bool {
	if w.Code == geotag.WarnNullIsland {
		return true
	}
	f := w.Field
	return strings.Contains(f, "GPSLatitude") || strings.Contains(f, "GPSLongitude") ||
		f == "GPSTag" // the pointer to the GPS directory
}

// nearest fills in the point nearest to each tag that is well placed.
func (c *checker) nearest(ctx context.Context, results []PhotoResult) error {
	if len(c.points) == 0 {
		return nil
	}
	var at []grid.EN
	var of []int
	for i := range results {
		if r := &results[i]; r.OnGrid != nil && r.Reason == "" {
			at = append(at, *r.OnGrid)
			of = append(of, i)
		}
	}
	if len(at) == 0 {
		return nil
	}
	near, err := c.index().Nearest(ctx, at)
	if err != nil {
		return err
	}
	for k, nb := range near {
		results[of[k]].Nearest = nb
	}
	return nil
}

// judge compares one placed and tied photo with its point. Its verdict has to
// wait for all p-values.
func (c *checker) judge(r *PhotoResult, p Point) error {
	c.aim(r, p)
	p = r.Tie.place(p)
	// The point's height serves for the ellipsoidal one in the height factor: a
	// geoid 100 m off the ellipsoid changes 10 m on the ground by 0.2 mm.
	co := grid.CompareOptions{Resolution: c.resolution(r.Tag), Height: p.Height}
	d, err := grid.Compare(c.proj, *r.OnGrid, p.EN, co)
	if err != nil {
		if d.Unit != c.unit {
			r.Reason, r.Why = ReasonNoFrame, err.Error()
			return nil
		}
		// The plane part holds; what is missing is only more about it.
		r.Notes = append(r.Notes, err.Error())
	}
	r.Discrepancy = &d
	a, err := c.allowance(r, p)
	if err != nil {
		return err
	}
	// Budgets are in true metres, which a grid's are not where its scale is far
	// from 1.
	dE, dN := d.DE*c.unit.Metres, d.DN*c.unit.Metres
	if d.True != nil {
		dE, dN = d.True.DE, d.True.DN
	}
	prob := a.Judge(dE, dN)
	r.Allowance = &a
	r.P = &prob
	r.GrossScale = UnlearntGrossScale
	return nil
}

// allowance is the budget for a photo that is on the grid. What keeps it from
// being worked out in full is noted.
func (c *checker) allowance(r *PhotoResult, p Point) (Allowance, error) {
	ao := AllowanceOptions{unit: c.unit, BallparkSigma: c.opt.BallparkSigma, Accuracy: c.opt.Accuracy[cameraOf(&r.Photo)]}
	if r.Tag.Direction != nil && r.Tag.SubjectDistance != nil {
		if g, ok := c.proj.(grid.Geodesist); ok {
			if f, err := g.Factors(*r.OnGrid); err != nil {
				r.Notes = append(r.Notes, fmt.Sprintf("meridian convergence at the tag: %v", err))
			} else {
				ao.Convergence = &f.Convergence
			}
		}
	}
	if r.Tie != nil && r.Tie.Aim != nil && r.Tie.Aim.Distance != nil {
		ao.away, ao.awaySigma = *r.Tie.Aim.Distance*c.unit.Metres, r.Tie.spread(c.opt.Budget, c.unit)
	}
	return c.opt.BudgetFor(r.Tag).Allowance(r.Tag, p, r.Operation, ao)
}

// resolution is the distance in grid units below which a discrepancy has no
// bearing: the coarser of the tag's step, taken along a meridian, and the
// points' resolution.
func (c *checker) resolution(t *geotag.Tag) float64 {
	m := c.opt.PointResolution
	if s := t.Position.Step * metresPerDegree; s > m && grid.Finite(s) {
		m = s
	}
	return m / c.unit.Metres
}

// verdicts gives every photo its verdict, and the set its statistics. models are those
// of the cameras' noise, as far as they were learnt.
func (c *checker) verdicts(res *Result, models map[string]*noise.Model) error {
	t := NewTally(c.unit, c.opt.Budget)
	over, heights := overTags{photos: len(res.Photos), opt: &c.opt}, heightSet{}
	for i := range res.Photos {
		if err := t.Add(&res.Photos[i]); err != nil {
			return err
		}
		over.add(i, &res.Photos[i])
		heights.add(&res.Photos[i])
	}
	res.ofSet = append(over.findings(models), heights.findings(c.unit)...)
	for i := range res.Photos {
		if err := t.Judge(&res.Photos[i]); err != nil {
			return err
		}
	}
	res.Counts = t.Counts()
	res.Set, res.SetWithoutGross = t.Sets()
	res.Written = t.Written()
	res.Quality = quality(res.Set, res.Written, heights.d, c.unit)
	return nil
}
