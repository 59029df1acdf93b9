package crs

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sort"
	"strings"
	"sync"

	"github.com/twpayne/go-proj/v11"

	"example.com/phototie/grid"
)

// Codes of the frames with ellipsoidal heights that stand for WGS 84. Source:
// EPSG geodetic registry.
const (
	codeEnsemble3D  = "EPSG:4979" // WGS 84, the ensemble
	codeBroadcast3D = "EPSG:9754" // WGS 84 (G2139)
)

// heights is what a CRS knows about heights; all of it is worked out at first
// use.
type heights struct {
	// standard is the vertical system of geoid heights that name none, as a code,
	// a name or WKT; standardName is its name.
	standard, standardName string

	mu        sync.Mutex
	verticals map[string]vertical
	frames    map[string]solidFrame
	shifts    map[[2]string]shift
}

// vertical is a vertical system, with the geoid models that lead from it to
// ellipsoids, the best first.
type vertical struct {
	name string
	// factor is metres in its unit, negative where it counts downwards.
	factor  float64
	models  []model
	missing []model
	err     error
}

// model is one way from a vertical system to the ellipsoid of a frame.
type model struct {
	way
	// hub is the code of the frame, which has heights, and hubName its name.
	hub, hubName string
}

// solidFrame is a frame with ellipsoidal heights.
type solidFrame struct {
	code, name string
	err        error
}

// shift is the plan from the datum of a tag to a frame with heights.
type shift struct {
	plan *plan
	err  error
}

// verticalNamed opens the vertical system of a code, a name or WKT.
func (r *registry) verticalNamed(text string) (*object, error) {
	text = strings.TrimSpace(text)
	var o *object
	switch {
	case text == "" || len(text) > maxDefinition || strings.ContainsRune(text, 0):
	case codePattern.MatchString(text) || urnPattern.MatchString(text) || wktPattern.MatchString(text):
		o = r.create(text)
	default:
		for _, name := range []string{text, text + " height"} {
			if o = r.exactlyVertical(name); o != nil {
				break
			}
		}
	}
	if o == nil {
		return nil, fmt.Errorf("vertical system %s is not one that the installed registry (%s) knows; give a code such as EPSG:5731, or a name such as \"Malin Head height\"", abridged(text), r.version())
	}
	if o.kind() != kindVertical {
		name := o.name()
		o.free()
		return nil, fmt.Errorf("%s (%s) is no vertical system; give one such as EPSG:5731", abridged(text), name)
	}
	return o, nil
}

// vertical returns the vertical system of a name, made at first use.
func (c *CRS) vertical(name string) vertical {
	c.heights.mu.Lock()
	defer c.heights.mu.Unlock()
	return remember(&c.heights.verticals, name, func() vertical { return c.makeVertical(name) })
}

// remember returns what a map has for a key, made at first use. A map that has
// grown to maxPlans is begun anew: names that nobody knows, in all likelihood.
func remember[K comparable, V any](m *map[K]V, key K, create func() V) V {
	if v, ok := (*m)[key]; ok {
		return v
	}
	v := create()
	if *m == nil || len(*m) >= maxPlans {
		*m = make(map[K]V)
	}
	(*m)[key] = v
	return v
}

func (c *CRS) makeVertical(name string) vertical {
	r := openRegistry(c.options.Folders...)
	defer r.close()
	o, err := r.verticalNamed(name)
	if err != nil {
		return vertical{err: err}
	}
	defer o.free()
	v := vertical{name: o.name()}
	if v.factor, v.err = o.upwards(); v.err != nil {
		return v
	}
	// A model leads to the frame that it was made for, which the registry does not
	// tell. It may be the grid's own. Any way to WGS 84 names the others: the
	// registry calls a model "ETRS89 to Malin Head height (2)".
	seen := make(map[string]bool)
	if own := c.ownBase(r); own != nil {
		r.addModels(&v, o, own, seen, true)
		own.free()
	}
	ensemble := r.create(codeEnsemble)
	if ensemble == nil {
		v.err = errors.New("the installed registry lacks WGS 84")
		return v
	}
	defer ensemble.free()
	for _, name := range r.addModels(&v, o, ensemble, seen, true) {
		for _, part := range strings.Split(name, " + ") {
			hub, rest, ok := strings.Cut(strings.ReplaceAll(part, "Inverse of ", ""), " to ")
			if !ok || !strings.Contains(rest, "height") && !strings.Contains(rest, "depth") {
				continue
			}
			if f := r.create(r.datumCode(hub)); f != nil {
				r.addModels(&v, o, f, seen, true)
				f.free()
			}
		}
	}
	if len(v.models)+len(v.missing) == 0 {
		r.addModels(&v, o, ensemble, make(map[string]bool), false)
	}
	better := func(m []model) func(i, j int) bool {
		return func(i, j int) bool { return m[i].better(&m[j].way) }
	}
	sort.SliceStable(v.models, better(v.models))
	sort.SliceStable(v.missing, better(v.missing))
	sort.SliceStable(v.missing, func(i, j int) bool { return v.missing[i].obtainable() && !v.missing[j].obtainable() })
	return v
}

// upwards is metres in the unit of a vertical system, negative where it counts
// downwards.
func (o *object) upwards() (float64, error) {
	axes, err := o.axes()
	if err != nil || len(axes) != 1 || !(axes[0].factor > 0) {
		return 0, fmt.Errorf("the axis of %s can't be read", o.name())
	}
	switch axes[0].direction {
	case "up":
		return axes[0].factor, nil
	case "down":
		return -axes[0].factor, nil
	}
	return 0, fmt.Errorf("the axis of %s counts neither upwards nor downwards", o.name())
}

// changes counts the steps of a path that change the surface or the frame.
func (p path) changes() (n int) {
	for _, s := range p.steps {
		for _, part := range strings.Split(s.name, " + ") {
			if !strings.HasPrefix(part, "Conversion from ") && !s.conversion {
				n++
			}
		}
	}
	return n
}

// addModels collects the ways from a vertical system to one frame, where it has
// heights and has not been seen, and returns the names of all ways that there
// are. With direct set it leaves out those that pass through another frame.
func (r *registry) addModels(v *vertical, o, frame *object, seen map[string]bool, direct bool) (names []string) {
	if frame.kind() != kindGeographic {
		return nil
	}
	to, flat := frame.solid(), frame.flat()
	defer to.free()
	defer flat.free()
	if to == nil || flat == nil || to.code() == "" || seen[to.code()] {
		return nil
	}
	seen[to.code()] = true
	axes, err := readGeoAxes(flat)
	if err != nil {
		return nil
	}
	from := flat.with(o)
	if from == nil {
		return nil
	}
	defer from.free()
	for _, p := range r.paths(from, to) {
		if p.ballpark {
			continue
		}
		for _, s := range p.steps {
			names = append(names, s.name)
		}
		if direct && p.changes() > 1 {
			continue
		}
		r.try(&p)
		m := model{way: way{path: p, source: v.name, axes: axes}, hub: to.code(), hubName: to.name()}
		m.complete()
		switch {
		case p.runnable:
			v.models = append(v.models, m)
		case len(p.missing) > 0:
			v.missing = append(v.missing, m)
		}
	}
	return names
}

// ownBase opens the geographic system of the grid; nil where the registry has
// none.
func (c *CRS) ownBase(r *registry) *object {
	object, vertical, err := r.resolve(c.definition)
	if err != nil {
		return nil
	}
	defer object.free()
	defer vertical.free()
	base := object.base()
	if base != nil && base.code() == "" { // a definition written out: go by the name
		base.free()
		base = r.create(r.datumCode(c.grid.Frame))
	}
	return base
}

// ownFrame is the key of the grid's own frame.
const ownFrame = "\x00own"

// solidFrame finds the frame with heights that a datum name or a code means; for
// ownFrame that of the grid.
func (c *CRS) solidFrame(name string) solidFrame {
	if name != ownFrame && normaliseDatum(name) == broadcast {
		return solidFrame{code: codeBroadcast3D, name: "WGS 84"}
	}
	c.heights.mu.Lock()
	defer c.heights.mu.Unlock()
	return remember(&c.heights.frames, name, func() solidFrame { return c.makeSolidFrame(name) })
}

func (c *CRS) makeSolidFrame(name string) solidFrame {
	r := openRegistry(c.options.Folders...)
	defer r.close()
	var o *object
	if name == ownFrame {
		name = c.grid.Frame
		o = c.ownBase(r)
	} else if code := r.datumCode(name); code != "" {
		o = r.create(code)
	}
	if o == nil || o.kind() != kindGeographic {
		o.free()
		return solidFrame{name: name, err: fmt.Errorf("frame %s is not one that the installed registry knows", abridged(name))}
	}
	defer o.free()
	solid := o.solid()
	if solid == nil || solid.code() == "" {
		solid.free()
		return solidFrame{name: o.name(), err: fmt.Errorf("%s has no ellipsoidal heights", o.name())}
	}
	defer solid.free()
	return solidFrame{code: solid.code(), name: o.name()}
}

// shift returns the plan from the datum of a tag to a frame with heights.
func (c *CRS) shift(datum, hub string) shift {
	key := [2]string{normaliseDatum(datum), hub}
	c.heights.mu.Lock()
	defer c.heights.mu.Unlock()
	return remember(&c.heights.shifts, key, func() shift { return c.makeShift(datum, hub) })
}

func (c *CRS) makeShift(datum, hub string) shift {
	r := openRegistry(c.options.Folders...)
	defer r.close()
	to := r.create(hub)
	if to == nil {
		return shift{err: fmt.Errorf("the installed registry lacks %s", hub)}
	}
	defer to.free()
	pl := &planner{r: r, grid: to, plan: &plan{ops: make(map[remark]*grid.Operation)}, solid: true}
	pl.collect(datum)
	if pl.plan.unknown {
		return shift{err: &grid.UnknownDatumError{Datum: datum}}
	}
	return shift{plan: pl.plan}
}

// EllipsoidalHeights brings heights of places on the grid to the ellipsoids of
// the frames, by the registry's geoid models and operations: from the geoid to
// the frame that its model was made for, and from there, at the epoch of the
// frame, to the frame asked for. Of the models that are installed it takes the
// one with the best stated accuracy whose area of use holds the place.
//
// The reason of a [*grid.HeightError] tells what is missing. A ballpark operation
// is never used.
func (c *CRS) EllipsoidalHeights(ctx context.Context, at []grid.EN, heights []grid.Height, frames []grid.Frame) ([]grid.HeightPlacement, error) {
	if len(at) != len(heights) || len(at) != len(frames) {
		return nil, fmt.Errorf("%d grid positions, %d heights, %d frames; give one of each", len(at), len(heights), len(frames))
	}
	places, err := c.FromGrid(ctx, at, frames)
	if err != nil {
		return nil, err
	}
	out := make([]grid.HeightPlacement, len(at))
	err = c.withWorker(func(w *worker) error {
		j := lift{c: c, w: w, ctx: ctx, own: ownFrame}
		for i := range out {
			if i%chunk == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
			if places[i].Err != nil {
				out[i].Err = fmt.Errorf("position of the height: %w", places[i].Err)
				continue
			}
			out[i] = j.do(places[i].Fix, heights[i])
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// FixHeights brings heights at fixes to the ellipsoids of the fixes' own frames;
// see [CRS.EllipsoidalHeights].
func (c *CRS) FixHeights(ctx context.Context, fixes []grid.Fix, heights []grid.Height) ([]grid.HeightPlacement, error) {
	if len(fixes) != len(heights) {
		return nil, fmt.Errorf("%d fixes, %d heights; give one height for each fix", len(fixes), len(heights))
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	out := make([]grid.HeightPlacement, len(fixes))
	err := c.withWorker(func(w *worker) error {
		j := lift{c: c, w: w, ctx: ctx}
		for i, f := range fixes {
			if i%chunk == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
			if !f.Valid() {
				out[i].Err = fmt.Errorf("latitude %v, longitude %v is no position on the earth: %w", f.Lat, f.Lon, grid.ErrOutside)
				continue
			}
			out[i] = j.do(f, heights[i])
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// lift brings heights to the ellipsoid.
type lift struct {
	c   *CRS
	w   *worker
	ctx context.Context
	// own is the frame of ellipsoidal heights that name none: ownFrame for
	// points, and empty, the frame of the fix, for tags.
	own string
}

// do brings one height to the ellipsoid of the frame of a fix.
func (j *lift) do(f grid.Fix, h grid.Height) (out grid.HeightPlacement) {
	fail := func(reason error, files []grid.MissingFile, format string, args ...any) grid.HeightPlacement {
		return grid.HeightPlacement{Err: &grid.HeightError{Ref: h.Ref, Reason: reason, Missing: files, Message: fmt.Sprintf(format, args...)}}
	}
	if err := h.Ref.Validate(); err != nil {
		return grid.HeightPlacement{Err: err}
	}
	if math.IsNaN(h.Metres) || math.IsInf(h.Metres, 0) {
		return grid.HeightPlacement{Err: fmt.Errorf("height %v: %w", h.Metres, grid.ErrNotFinite)}
	}
	if h.Ref.Site {
		return fail(grid.ErrNoHeights, nil, "the height is a site system's own, but the grid is %s itself", j.c.grid.Name)
	}
	switch {
	case h.Ref.Surface == grid.HeightUnknown:
		return fail(grid.ErrHeightUnknown, nil, "what the height counts from is not stated; say whether it is ellipsoidal or above a geoid, and which")
	case h.Ref.Surface == grid.HeightGeoid && h.Ref.Separation == nil:
		return j.geoid(f, h)
	}
	exact := 0.0
	out = grid.HeightPlacement{Metres: h.Metres, Accuracy: &exact}
	if s := h.Ref.Separation; s != nil {
		out.Metres += *s
		out.Steps = append(out.Steps, fmt.Sprintf("constant separation of %.3f m", *s))
		out.Accuracy = nil
		if a := h.Ref.SeparationAccuracy; a > 0 {
			out.Accuracy = &a
		} else {
			out.Notes = append(out.Notes, "no accuracy is stated for the constant separation")
		}
	}
	name := h.Ref.Frame
	if strings.ContainsRune(name, 0) {
		return fail(grid.ErrNoHeightFrame, nil, "the frame %q holds a zero byte", name)
	}
	if name == "" {
		if j.own == "" {
			name = f.Datum
		} else {
			name = j.own
		}
	}
	from := j.c.solidFrame(name)
	if from.err != nil {
		return fail(grid.ErrNoHeightFrame, nil, "%v; name the frame that the ellipsoidal height is in, for instance ETRS89 or NAD83(2011)", from.err)
	}
	return j.carry(f, h.Ref, from.code, from.name, out)
}

// carry brings an ellipsoidal height from a frame to that of the fix.
func (j *lift) carry(f grid.Fix, ref grid.HeightRef, hub, name string, out grid.HeightPlacement) grid.HeightPlacement {
	fail := func(reason error, format string, args ...any) grid.HeightPlacement {
		return grid.HeightPlacement{Err: &grid.HeightError{Ref: ref, Reason: reason, Message: fmt.Sprintf(format, args...)}}
	}
	to := j.c.solidFrame(f.Datum)
	if to.err != nil {
		return fail(grid.ErrNoHeightFrame, "the map datum of the tag: %v, so heights can't be compared in it", to.err)
	}
	if to.code == hub {
		return out
	}
	s := j.c.shift(f.Datum, hub)
	if s.err != nil {
		return grid.HeightPlacement{Err: s.err}
	}
	dated := credible(f.Epoch)
	for at := 0; ; {
		i, phase, next := s.plan.next(f.Lat, f.Lon, dated, at)
		if i < 0 || s.plan.ways[i].ballpark {
			text := fmt.Sprintf("no operation carries an ellipsoidal height from %s to %s here", name, to.name)
			if len(s.plan.missing) > 0 {
				m := s.plan.missing[0].path.missing
				text += fmt.Sprintf("; one would need %s; %s", lacking(m), m[0].Install)
				return grid.HeightPlacement{Err: &grid.HeightError{Ref: ref, Reason: grid.ErrNoHeightOperation, Missing: m, Message: text}}
			}
			return fail(grid.ErrNoHeightOperation, "%s", text)
		}
		at = next
		w := &s.plan.ways[i]
		// The way leads from the tag's frame. What is wanted is the height there
		// that comes out as the given one; it is the same but for a metre or
		// some fifty, so the second guess is exact.
		h := out.Metres
		for range 3 {
			x, y := w.axes.from(f.Lat, f.Lon)
			p := [1]proj.Coord{{x, y, h, w.time(f.Epoch, dated)}}
			if err := j.w.transform(j.ctx, w.pipeline, proj.DirectionFwd, p[:]); err != nil || !finite(p[0][2], 0) {
				h = math.NaN()
				break
			}
			h += out.Metres - p[0][2]
		}
		if math.IsNaN(h) {
			if err := j.ctx.Err(); err != nil {
				return grid.HeightPlacement{Err: err}
			}
			continue
		}
		t := newTask(f.Lat, f.Lon, f.Epoch)
		t.phase = int8(phase)
		op := s.plan.describer(i).operation(&t)
		out.Metres = h
		out.Steps = append(out.Steps, fmt.Sprintf("from %s to %s against %s", name, to.name, op.Name))
		out.Notes = append(out.Notes, op.Notes...)
		out.Accuracy = both(out.Accuracy, op.Accuracy)
		return out
	}
}

// both is the root of the sum of the squares; nil where one is not stated.
func both(a, b *float64) *float64 {
	if a == nil || b == nil {
		return nil
	}
	c := math.Hypot(*a, *b)
	return &c
}

// geoid brings a height above a geoid to the ellipsoid by a model.
func (j *lift) geoid(f grid.Fix, h grid.Height) grid.HeightPlacement {
	fail := func(reason error, files []grid.MissingFile, format string, args ...any) grid.HeightPlacement {
		return grid.HeightPlacement{Err: &grid.HeightError{Ref: h.Ref, Reason: reason, Missing: files, Message: fmt.Sprintf(format, args...)}}
	}
	name := h.Ref.VerticalCRS
	if name == "" && j.own == ownFrame {
		name = j.c.heights.standard
	}
	if name == "" {
		return fail(grid.ErrGeoidUnknown, nil, "the height counts from a geoid, or from mean sea level, but which one is not stated; name the vertical system (EPSG:5773 is EGM96) or give a constant separation")
	}
	v := j.c.vertical(name)
	if v.err != nil {
		return fail(grid.ErrGeoidUnknown, nil, "%v", v.err)
	}
	for i := range v.models {
		m := &v.models[i]
		if !m.covers(f.Lat, f.Lon) {
			continue
		}
		x, y := m.axes.from(f.Lat, f.Lon)
		p := [1]proj.Coord{{x, y, h.Metres / v.factor, math.Inf(1)}}
		if err := j.w.transform(j.ctx, m.pipeline, proj.DirectionFwd, p[:]); err != nil || !finite(p[0][2], 0) {
			if err := j.ctx.Err(); err != nil {
				return grid.HeightPlacement{Err: err}
			}
			continue // outside the model's file
		}
		out := grid.HeightPlacement{Metres: p[0][2], Accuracy: m.stated(), Steps: []string{m.title()}}
		if out.Accuracy == nil {
			out.Notes = append(out.Notes, "the registry states no accuracy for "+m.title())
		}
		if b := v.betterMissing(m, f); b != nil {
			out.Notes = append(out.Notes, fmt.Sprintf("%s (%s) would be used here, but needs %s; %s",
				b.title(), b.accuracyText(), lacking(b.path.missing), b.path.missing[0].Install))
		}
		hub := m.hub
		if hub == codeEnsemble3D && normaliseDatum(f.Datum) == broadcast {
			// A world model is made for WGS 84 and ITRF alike.
			return out
		}
		return j.carry(f, h.Ref, hub, m.hubName, out)
	}
	for i := range v.missing {
		if m := &v.missing[i]; m.covers(f.Lat, f.Lon) {
			return fail(grid.ErrGeoidMissing, m.path.missing, "%s needs the geoid model %s; %s, or give a constant separation", v.name, lacking(m.path.missing), m.path.missing[0].Install)
		}
	}
	return fail(grid.ErrNoGeoid, nil, "no geoid model in the registry leads from %s to the ellipsoid at latitude %.4f, longitude %.4f; is it the vertical system of this place?", v.name, f.Lat, f.Lon)
}

// betterMissing is the best model at a place that is better than m and is not
// installed.
func (v *vertical) betterMissing(m *model, f grid.Fix) *model {
	for i := range v.missing {
		if b := &v.missing[i]; b.better(&m.way) && b.covers(f.Lat, f.Lon) {
			return b
		}
	}
	return nil
}
