package crs

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"sync"

	"example.com/phototie/grid"
)

// Codes of the frames that a plan is made of. Source: EPSG geodetic registry.
const (
	codeEnsemble  = "EPSG:4326" // WGS 84, the ensemble of all realisations
	codeBroadcast = "EPSG:9755" // WGS 84 (G2139), the realisation of 2021
	codeITRF      = "EPSG:9000" // ITRF2014, which it is aligned with to 1 cm
	codeETRF      = "EPSG:9067" // ETRF2000, the realisation of ETRS89 that EUREF recommends
	codeETRS      = "EPSG:4258" // ETRS89, the ensemble of all ETRFs
)

// ensembleName is the name of the WGS 84 ensemble among the steps of a path.
const ensembleName = "WGS 84"

// plan holds the ways from one datum to the grid, the best first.
type plan struct {
	ways []way
	// missing are the ways that lack a grid file, the best first.
	missing []way
	// excluded are the ways that the caller's choice rules out, whether they can
	// be run or not.
	excluded []way
	// unknown is set, and the rest empty, where no frame is known for the datum.
	unknown bool
	// gridEnsemble says that the grid's own frame is WGS 84 without a
	// realisation.
	gridEnsemble bool
	// frame is the name of the grid's frame, frameEpoch the epoch that
	// its coordinates are kept at (0 for unknown), and zones are the places where
	// the ground moves in it.
	frame      string
	frameEpoch float64
	zones      []deforming
	aligned    bool // the frame is one of alignedFrames
	unit       grid.Unit

	mu  sync.Mutex
	ops map[remark]*grid.Operation
}

// way is one path with all that is needed to choose and run it.
type way struct {
	path
	bounds   []bounds // of path.areas: what covers needs
	source   string
	axes     geoAxes
	accuracy float64 // metres, NaN where a step states none
	// dated says that the result depends on the epoch; epoch is the reference
	// epoch, 0 where there is none.
	dated bool
	epoch float64
	// viaEnsemble says that a WGS 84 tag was taken without its realisation.
	viaEnsemble bool
	// taken says that the tag was taken to be in the grid's frame, which is the
	// ITRF at an epoch; deforms, that a deformation model is in the path.
	taken, deforms bool
	// exclusion says why the caller's choice rules the way out; empty where it
	// does not.
	exclusion string
	// hub is the code of the frame that a geoid model leads to, hubName its name.
	hub, hubName string
}

// remark is what may have to be said about the use of a way for one fix.
type remark struct {
	way     int16
	missing int16 // index of a better way for want of a grid file, or -1
	skipped int16 // index of a better way for want of an epoch, or -1
	silent  int16 // index of a real way that states no accuracy, or -1
	year    int16 // of the fix, 0 where it is not known or does not matter
	zone    int8  // index among the plan's zones, or -1
	outside bool
	undated bool // it needs an epoch and there is none
}

// same reports whether two ways take the same steps.
func (w way) same(o way) bool {
	return w.runnable == o.runnable && w.source == o.source && w.hub == o.hub && w.title() == o.title() && slices.Equal(w.codes(), o.codes())
}

// covers reports whether a position is inside all areas of use of a way.
func (w *way) covers(lat, lon float64) bool {
	for i := range w.bounds {
		if !w.bounds[i].contains(lat, lon) {
			return false
		}
	}
	return true
}

// obtainable reports whether the files that a way lacks can be had from PROJ's
// own store.
func (w *way) obtainable() bool {
	return !slices.ContainsFunc(w.path.missing, func(f grid.MissingFile) bool { return f.URL == "" && !storePattern.MatchString(f.Name) })
}

// rank orders ways by their stated accuracy; those without one come after, and
// ballpark ones last.
func (w *way) rank() float64 {
	switch {
	case w.ballpark:
		return math.Inf(1)
	case math.IsNaN(w.accuracy):
		return math.MaxFloat64
	}
	return w.accuracy
}

// better reports whether w has the better stated accuracy.
func (w *way) better(than *way) bool { return w.rank() < than.rank() }

// sort brings the best ways to the front; of those that lack files, the ones whose
// files can be had come first.
func (p *plan) sort() {
	slices.SortStableFunc(p.ways, func(a, b way) int { return cmp.Compare(a.rank(), b.rank()) })
	obtainable := func(w way) int {
		if w.obtainable() {
			return 0
		}
		return 1
	}
	slices.SortStableFunc(p.missing, func(a, b way) int {
		return cmp.Or(cmp.Compare(obtainable(a), obtainable(b)), cmp.Compare(a.rank(), b.rank()))
	})
}

// The order in which ways are tried for a fix.
const (
	phaseInside  = iota // inside the area of use
	phaseUndated        // inside, but an epoch is needed and not known
	phaseOutside        // outside the area of use, where that is possible at all
	phaseBallpark
	phases
)

// phase is the one in which a way serves a position; phases for never.
func (w *way) phase(lat, lon float64, dated bool) int {
	needsEpoch := w.dated && !dated
	switch {
	case w.ballpark:
		return phaseBallpark
	case needsEpoch && w.epoch == 0:
		return phases
	case !w.covers(lat, lon):
		if len(w.grids) > 0 {
			return phases
		}
		return phaseOutside
	case needsEpoch:
		return phaseUndated
	}
	return phaseInside
}

// next returns the way to try at a position of the order or after it, and the
// position that follows. The way is -1 when there are no more.
func (p *plan) next(lat, lon float64, dated bool, at int) (index, phase, following int) {
	for n := len(p.ways); at < phases*n; at++ {
		if i, phase := at%n, at/n; p.ways[i].phase(lat, lon, dated) == phase {
			return i, phase, at + 1
		}
	}
	return -1, 0, at
}

// describer describes the use of one way for many fixes. It keeps the last
// description, since neighbours mostly share it.
type describer struct {
	plan  *plan
	index int
	// missing and others are the indexes of the ways that there may be something
	// to say about, whatever the fix.
	missing, others []int
	last            remark
	op              *grid.Operation
	// plain is the description for a dated fix inside, where it is the same for
	// all of them.
	plain *grid.Operation
}

// describer starts to describe a way.
func (p *plan) describer(index int) *describer {
	d := &describer{plan: p, index: index}
	w := &p.ways[index]
	for i := range p.missing {
		// A way that keeps to realisations is worth a word even where it states no
		// accuracy, as the deformation model of New Zealand does.
		if m := &p.missing[i]; m.better(w) || m.real() && !w.real() {
			d.missing = append(d.missing, i)
		}
	}
	for i := range p.ways {
		o := &p.ways[i]
		if i != index && !o.ballpark && (o.dated && o.better(w) || o.silent(w)) {
			d.others = append(d.others, i)
		}
	}
	return d
}

// operation describes the use of the way for a task.
func (d *describer) operation(t *task) *grid.Operation {
	if t.phase == phaseInside && t.dated && d.plain != nil {
		return d.plain
	}
	p, w := d.plan, &d.plan.ways[d.index]
	key := d.remark(t)
	if d.op != nil && d.last == key {
		return d.op
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	op, ok := p.ops[key]
	if !ok {
		op = p.describe(key, p.moving(w, key))
		p.ops[key] = op
	}
	d.last, d.op = key, op
	if t.phase == phaseInside && t.dated && len(d.missing)+len(d.others)+len(p.zones) == 0 && !p.drifts(w) {
		d.plain = op
	}
	return op
}

// silent reports whether w passes through an ensemble that o, of no stated accuracy,
// does without.
func (w *way) silent(than *way) bool {
	return math.IsNaN(w.accuracy) && than.viaEnsemble && !w.viaEnsemble
}

// remark is what there is to say about the use of the way for a task.
func (d *describer) remark(t *task) remark {
	p, w := d.plan, &d.plan.ways[d.index]
	key := remark{way: int16(d.index), outside: t.phase == phaseOutside, undated: w.dated && !t.dated, skipped: -1, silent: -1}
	among := func(ways []way, list []int, wanted func(o *way) bool) int16 {
		for _, i := range list {
			if o := &ways[i]; wanted(o) && o.covers(t.lat, t.lon) {
				return int16(i)
			}
		}
		return -1
	}
	key.missing = among(p.missing, d.missing, func(o *way) bool { return t.dated || !o.dated })
	if !key.undated {
		key.skipped = among(p.ways, d.others, func(o *way) bool { return o.dated && !t.dated && o.better(w) })
		key.silent = among(p.ways, d.others, func(o *way) bool { return o.silent(w) })
	}
	key.zone = int8(slices.IndexFunc(p.zones, func(z deforming) bool { return z.contains(t.lat, t.lon) }))
	if key.zone >= 0 || p.drifts(w) {
		key.year = t.year
	}
	return key
}

// describe writes an operation out, with what a user should know about it.
func (p *plan) describe(key remark, motion *grid.Motion) *grid.Operation {
	w := &p.ways[key.way]
	op := w.operation()
	note := func(format string, args ...any) { op.Notes = append(op.Notes, fmt.Sprintf(format, args...)) }
	if !key.undated {
		op.Accuracy = w.stated()
	}
	if op.Motion = motion; motion != nil {
		note("the grid's frame is kept at %.1f, and the ground of %s moves by up to %.3g %s a year in it: up to %.1f %s since then, which no operation takes into account", motion.FrameEpoch, motion.Place,
			motion.Rate/p.unit.Metres, p.unit.Symbol, motion.Metres/p.unit.Metres, p.unit.Symbol)
		if op.Accuracy != nil {
			op.Accuracy = both(op.Accuracy, &motion.Metres)
		}
	}
	switch {
	case w.ballpark:
		note("ballpark: no operation between these frames is known, or none is installed, so coordinates were copied from one to the other; the error may be hundreds of metres")
	case math.IsNaN(w.accuracy):
		note("the registry states no accuracy for this operation")
	}
	if key.outside {
		var names []string
		for _, a := range w.areas {
			names = append(names, abridged(a.name))
		}
		note("the position lies outside the operation's area of use (%s), where the stated accuracy does not hold", strings.Join(names, "; "))
	}
	if key.undated {
		note("the date of the photo is not known and no operation does without it; the epoch %.1f was assumed", w.epoch)
	}
	if key.skipped >= 0 {
		note("the date of the photo is not known, so %s, which needs it, was not used", p.ways[key.skipped].named())
	}
	if w.viaEnsemble && !w.ballpark {
		op.Notes = append(op.Notes, p.ensembleNote(key))
	}
	if key.missing >= 0 {
		if m := &p.missing[key.missing]; m.better(w) {
			op.Better = &grid.BetterOperation{Name: m.title(), Accuracy: m.stated(), Missing: m.path.missing}
			note("%s", m.wouldBeUsed())
		} else {
			note("%s keeps to the realisation, but needs %s, and force it to have it used", m.named(), lacking(m.path.missing))
		}
	}
	return &op
}

// operation describes a way without regard to any fix.
func (w *way) operation() grid.Operation {
	return grid.Operation{Name: w.title(), Definition: w.pipeline, Source: w.source, Ballpark: w.ballpark}
}

// ensembleNote says why a tag was taken in WGS 84 without its realisation.
func (p *plan) ensembleNote(key remark) string {
	const taken = "the tag was taken in WGS 84 without a realisation, which the registry holds good to 2 m"
	switch {
	case p.gridEnsemble:
		return "the grid's frame is WGS 84 without a realisation, as the tag's is; the registry holds that good to 2 m only"
	case key.skipped >= 0:
		return taken
	case key.silent >= 0:
		return taken + "; " + p.ways[key.silent].title() + " starts from the realisation but no accuracy is stated for it, so it must be forced to be used"
	}
	return "no operation from the realisation of WGS 84 that is broadcast is known and installed here, so " + taken
}

// stated is the stated accuracy of a way, nil where there is none.
func (w *way) stated() *float64 {
	if math.IsNaN(w.accuracy) || w.ballpark {
		return nil
	}
	a := w.accuracy
	return &a
}

// lacking lists files that are missing, says how and what to do, for a message.
func lacking(files []grid.MissingFile) string {
	var names []string
	how := "which is not installed"
	for _, f := range files {
		if !slices.Contains(names, f.Name) {
			names = append(names, f.Name)
		}
		if f.Unreadable {
			how = "which PROJ can't open: it is not installed, or damaged"
		}
	}
	return strings.Join(names, ", ") + ", " + how + "; " + files[0].Install
}

// wouldBeUsed tells of a better way that lacks files.
func (w *way) wouldBeUsed() string {
	return fmt.Sprintf("%s would be used here, but needs %s", w.named(), lacking(w.path.missing))
}

// named is the title of a way with its accuracy.
func (w *way) named() string {
	if math.IsNaN(w.accuracy) {
		return w.title() + " (accuracy not stated)"
	}
	return fmt.Sprintf("%s (%.2g m)", w.title(), w.accuracy)
}

// title joins the names of the steps. Steps that only change between degrees
// and geocentric coordinates, or swap axes, are left out.
func (w *way) title() string {
	var names []string
	for _, s := range w.steps {
		if s.conversion && len(w.steps) > 1 {
			bare := strings.TrimPrefix(s.name, "Inverse of ")
			if strings.HasPrefix(bare, "Conversion from ") || strings.HasPrefix(bare, "axis order change") {
				continue
			}
		}
		if len(names) > 0 && s.from == s.to && strings.HasPrefix(s.name, "Null geographic offset") {
			continue
		}
		names = append(names, strings.ReplaceAll(s.name, "Inverse of Inverse of ", ""))
	}
	return strings.Join(names, " + ")
}

// unstated is the accuracy in metres from which on the registry means that none
// is known: it has 998 and 999.
const unstated = 998

// accuracy is the root of the sum of the squares of the steps' accuracies, NaN
// where one states none. What a step next to the WGS 84 ensemble states includes
// the ensemble's own 2 m, as the registry's remarks say of its null
// transformations, so of the two the larger counts.
func accuracy(steps []step) float64 {
	sum, ensemble := 0.0, 0.0
	for _, s := range steps {
		a := s.accuracy
		switch {
		case a < 0 || a >= unstated:
			return math.NaN()
		case s.ensemble:
			ensemble = max(ensemble, a)
			continue
		case ensemble > 0 && !s.conversion:
			a, ensemble = max(a, ensemble), 0
		}
		sum += a * a
	}
	return math.Sqrt(sum + ensemble*ensemble)
}

// newWay works out what follows from the path of a way.
func newWay(w way) way {
	w.accuracy = accuracy(w.steps)
	for _, a := range w.areas {
		// The world, mostly, needs no look beside a country.
		if slices.ContainsFunc(w.bounds, a.surrounds) {
			continue
		}
		w.bounds = append(slices.DeleteFunc(w.bounds, func(b bounds) bool { return b.surrounds(a.bounds) }), a.bounds)
	}
	w.deforms = strings.Contains(w.pipeline, "+proj=deformation") || strings.Contains(w.pipeline, "+proj=defmodel")
	w.dated = w.deforms || strings.Contains(w.pipeline, "+t_epoch=")
	if _, rest, ok := strings.Cut(w.pipeline, "+t_epoch="); ok {
		value, _, _ := strings.Cut(rest, " ")
		if _, err := fmt.Sscanf(value, "%g", &w.epoch); err != nil {
			w.epoch = 0
		}
	}
	return w
}

// join puts two paths one behind the other.
func join(a, b path) path {
	j := path{
		steps:    slices.Concat(a.steps, b.steps),
		pipeline: "+proj=pipeline " + stepsOf(a.pipeline) + " " + stepsOf(b.pipeline),
		ballpark: a.ballpark || b.ballpark,
		areas:    slices.Concat(a.areas, b.areas),
		missing:  slices.Concat(a.missing, b.missing),
		runnable: a.runnable && b.runnable,
		grids:    slices.Concat(a.grids, b.grids),
	}
	if a.pipeline == "" || b.pipeline == "" {
		j.pipeline = ""
	}
	return j
}

// stepsOf returns the steps of a pipeline; a single operation is one step.
func stepsOf(pipeline string) string {
	if rest, ok := strings.CutPrefix(pipeline, "+proj=pipeline "); ok {
		return rest
	}
	return "+step " + pipeline
}

// real reports whether a path keeps to realisations: it is no ballpark, and
// does not pass through the WGS 84 ensemble, where the realisation is lost.
func (p path) real() bool {
	return !p.ballpark && !slices.ContainsFunc(p.steps, func(s step) bool { return s.from == ensembleName || s.to == ensembleName })
}

// planner collects the ways of one plan.
type planner struct {
	r *registry
	// grid is what the ways lead to: the grid, or a frame with heights.
	grid *object
	plan *plan
	// solid is set where heights are transformed too: every frame on the way has
	// three axes then.
	solid bool
}

// frame is a geographic CRS that a way starts from.
type frame struct {
	*object
	axes geoAxes
	text string
	// ensemble is the accuracy stated for it as a datum ensemble, 0 otherwise.
	ensemble float64
}

// frame opens a geographic CRS by its code; nil where the registry lacks it.
func (r *registry) frame(code string) *frame {
	o := r.create(code)
	if o.kind() != kindGeographic {
		return nil
	}
	axes, err := readGeoAxes(o)
	if err != nil {
		return nil
	}
	f := &frame{object: o, axes: axes, text: o.name() + ", " + code}
	if a, ok := o.ensembleAccuracy(); ok {
		f.ensemble = a
		f.text += fmt.Sprintf(" (datum ensemble, %.2g m)", a)
	}
	return f
}

// open opens a geographic CRS by its code; nil where the registry lacks it, or
// lacks the heights that are asked for.
func (pl *planner) open(code string) *frame {
	f := pl.r.frame(code)
	if f != nil && pl.solid {
		if f.object = f.solid(); f.object == nil || f.code() == "" {
			return nil
		}
	}
	return f
}

// widen adds the accuracy of a source that is a datum ensemble to a path.
func (f *frame) widen(p path) path {
	if f.ensemble > 0 && !p.ballpark {
		p.steps = slices.Insert(p.steps, 0, step{name: f.name() + " as a datum ensemble", accuracy: f.ensemble, from: f.name(), to: f.name(), ensemble: f.name() == ensembleName})
	}
	return p
}

// plan returns the plan for a datum name. With an error it may be there all the
// same, with what is missing or ruled out.
func (c *CRS) plan(datum string) (*plan, error) {
	key := normaliseDatum(datum)
	return c.plans.get(key, func() (*plan, error) {
		r := openRegistry(c.options.Folders...)
		defer r.close()
		object, _, err := r.resolve(c.definition)
		if err != nil {
			return nil, err
		}
		pl := &planner{r: r, grid: object, plan: newPlan()}
		pl.plan.unit = c.grid.Unit
		if key == broadcast {
			pl.plan.settle(c.grid.Frame)
		}
		pl.collect(datum)
		pl.plan.choose(c.options)
		return pl.plan, c.useless(datum, pl.plan)
	})
}

func newPlan() *plan { return &plan{ops: make(map[remark]*grid.Operation), unit: grid.Metre} }

// collect collects the ways from a datum, in order.
func (pl *planner) collect(datum string) {
	if normaliseDatum(datum) == broadcast {
		pl.broadcast()
	} else if code := pl.r.datumCode(datum); code == "" || !pl.stated(code) {
		pl.plan.unknown = true
	}
	pl.plan.sort()
}

// useless says why a plan leads nowhere; nil where it leads somewhere, or where
// its datum is unknown, which is for others to report.
func (c *CRS) useless(datum string, p *plan) error {
	switch {
	case p.unknown || len(p.ways) > 0:
		return nil
	case len(p.excluded)+len(p.missing) == 0:
		return fmt.Errorf("PROJ has no operation from %s to %s", datumText(datum), c.grid.Name)
	case len(p.missing) == 0:
		return c.operationError(datum, selectors(c.options), grid.ErrAllExcluded, p)
	case len(p.excluded) == 0:
		return c.operationError(datum, nil, grid.ErrNotRunnable, p)
	}
	return c.operationError(datum, selectors(c.options), grid.ErrNotRunnable, p)
}

// add takes a path into the plan, and reports whether it can be run.
func (pl *planner) add(p path, from *frame, viaEnsemble bool) bool {
	pl.r.try(&p)
	taken := pl.plan.takeAligned(&p, from.text)
	pl.plan.take(newWay(way{path: p, source: from.text, axes: from.axes, viaEnsemble: viaEnsemble && !taken, taken: taken}))
	return p.runnable
}

// take takes a way in, unless it is there: one that PROJ finds by itself may be
// put together from its parts as well.
func (p *plan) take(w way) {
	if slices.ContainsFunc(p.ways, w.same) || slices.ContainsFunc(p.missing, w.same) {
		return
	}
	switch {
	case w.runnable:
		p.ways = append(p.ways, w)
	case len(w.path.missing) > 0:
		p.missing = append(p.missing, w)
	}
}

// filePattern finds the files that a pipeline reads.
var filePattern = regexp.MustCompile(`\+(?:model|grids|xy_grids|z_grids|file)=(\S+)`)

// try finds out whether PROJ can really run a path. It knows its grid files, but
// takes a deformation model to be there always.
func (r *registry) try(p *path) {
	if p.runnable = p.usable(); !p.runnable || r.create(p.pipeline) != nil {
		return
	}
	p.runnable = false
	for _, m := range filePattern.FindAllStringSubmatch(p.pipeline, -1) {
		f := missingFile(m[1], "", "")
		f.Unreadable = true
		p.missing = append(p.missing, f)
	}
}

// broadcast collects the ways for a tag in WGS 84 as it is broadcast:
//
//   - from the realisation, by what PROJ finds, or over the ITRF that it is
//     aligned with;
//   - over the ETRF to ETRS89, as a member of its datum ensemble, and on from
//     there: PROJ does not cross from a member to the ensemble by itself;
//   - from the WGS 84 ensemble, by null transformations mostly.
func (pl *planner) broadcast() {
	ensemble := pl.open(codeEnsemble)
	if ensemble == nil {
		return
	}
	if from := pl.open(codeBroadcast); from != nil {
		for _, p := range pl.r.search(from.object, pl.grid) {
			if p.real() {
				pl.add(p, from, false)
			}
		}
		pl.over(from, codeITRF, codeITRF)
		pl.over(from, codeETRF, codeETRS)
	}
	for _, p := range pl.r.search(ensemble.object, pl.grid) {
		pl.add(ensemble.widen(p), ensemble, true)
	}
	if base := pl.grid.base(); base != nil {
		pl.plan.gridEnsemble = base.name() == ensembleName
	}
}

// link is the first path between two frames that can be run and keeps to
// realisations; where the second counts as another one to go on from, with a step
// that says so.
func (pl *planner) link(from, to, as *frame) (path, bool) {
	for _, p := range pl.r.search(from.object, to.object) {
		if !p.real() || !p.usable() {
			continue
		}
		if as != to {
			p.steps = append(p.steps, step{name: to.name() + " as " + as.name(), accuracy: as.ensemble, from: to.name(), to: as.name(), ensemble: as.name() == ensembleName})
		}
		return p, true
	}
	return path{}, false
}

// over adds the ways that lead from a frame to another one (arrive), which then
// counts as a third (leave) to go on from: the same, or the ensemble that it is
// a member of.
func (pl *planner) over(from *frame, arrive, leave string) {
	to := pl.open(arrive)
	as := to
	if leave != arrive {
		as = pl.open(leave)
	}
	if to == nil || as == nil {
		return
	}
	first, ok := pl.link(from, to, as)
	if !ok {
		return
	}
	for _, p := range pl.r.search(as.object, pl.grid) {
		if p.real() {
			pl.add(join(first, p), from, false)
		}
	}
}

// stated collects the ways for a tag that states its datum. It is false where
// the code is not a geographic CRS.
func (pl *planner) stated(code string) bool {
	from := pl.open(code)
	if from == nil {
		return false
	}
	found := false
	for _, p := range pl.r.search(from.object, pl.grid) {
		ok := pl.add(from.widen(p), from, false)
		found = found || ok && !p.ballpark
	}
	if from.ensemble == 0 {
		before := len(pl.plan.ways)
		pl.over(from, codeETRF, codeETRS)
		// A datum that is no realisation of anything gets to the ETRF by a
		// detour, and must not look better for it.
		dated := slices.DeleteFunc(pl.plan.ways[before:], func(w way) bool { return !w.dated })
		pl.plan.ways = pl.plan.ways[:before+len(dated)]
		found = found || len(dated) > 0
	}
	if !found {
		// PROJ goes no way whose areas do not meet. A camera set to a datum of
		// another continent is such a case: go over WGS 84 all the same.
		pl.overEnsemble(from)
	}
	return true
}

// overEnsemble adds the ways over the WGS 84 ensemble.
func (pl *planner) overEnsemble(from *frame) {
	ensemble := pl.open(codeEnsemble)
	if ensemble == nil {
		return
	}
	first := pl.r.search(from.object, ensemble.object)
	if b := pl.open(codeBroadcast); b != nil {
		if p, ok := pl.link(from, b, ensemble); ok {
			first = append(first, p)
		}
	}
	second := pl.r.search(ensemble.object, pl.grid)
	for _, a := range first {
		for _, b := range second {
			if !a.ballpark && a.usable() && !b.ballpark && b.usable() {
				pl.add(from.widen(join(a, b)), from, false)
			}
		}
	}
}
