package crs

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/twpayne/go-proj/v11"

	"example.com/phototie/grid"
)

// Codes of WGS 84 with ellipsoidal heights. Source: EPSG geodetic registry.
const (
	codeEnsemble3D  = "EPSG:4979" // WGS 84, the ensemble
	codeBroadcast3D = "EPSG:9754" // WGS 84 (G2139)
)

// heights is what a CRS knows about heights.
type heights struct {
	// standard is the vertical system of geoid heights that name none: a code, a
	// name or WKT.
	standard  string
	verticals memo[string, *vertical]
	frames    memo[string, solidFrame]
	shifts    memo[[2]string, *plan]
}

// vertical is a vertical system. The ways of its plan are the geoid models that
// lead from it to ellipsoids.
type vertical struct {
	*plan
	name string
	// factor is metres in its unit, negative where it counts downwards.
	factor float64
}

// solidFrame is a frame with ellipsoidal heights.
type solidFrame struct{ code, name string }

// verticalNamed opens the vertical system of a code, a name or WKT.
func (r *registry) verticalNamed(text string) (*object, error) {
	text = strings.TrimSpace(text)
	var o *object
	switch {
	case text == "" || len(text) > maxDefinition || strings.ContainsRune(text, 0):
	case codePattern.MatchString(text) || urnPattern.MatchString(text) || wktPattern.MatchString(text):
		o = r.create(text)
	default:
		if o = r.named(text, verticalCRS...); o == nil {
			o = r.named(text+" height", verticalCRS...)
		}
	}
	if o == nil {
		return nil, fmt.Errorf("vertical system %s is not one that the installed registry (%s) knows; give a code such as EPSG:5731, or a name such as \"Malin Head height\"", abridged(text), r.version())
	}
	if o.kind() != kindVertical {
		return nil, fmt.Errorf("%s (%s) is no vertical system; give one such as EPSG:5731", abridged(text), o.name())
	}
	return o, nil
}

// vertical returns the vertical system of a name.
func (c *CRS) vertical(name string) (*vertical, error) {
	return c.heights.verticals.get(name, func() (*vertical, error) {
		r := openRegistry(c.options.Folders...)
		defer r.close()
		o, err := r.verticalNamed(name)
		if err != nil {
			return nil, err
		}
		v := &vertical{plan: newPlan(), name: o.name()}
		if v.factor, err = o.upwards(); err != nil {
			return nil, err
		}
		// A model leads to the frame that it was made for, which the registry does not
		// tell. It may be the grid's own. Any way to WGS 84 names the others: the
		// registry calls a model "ETRS89 to Malin Head height (2)".
		seen := make(map[string]bool)
		r.addModels(v, o, c.ownBase(r), seen, true)
		ensemble := r.create(codeEnsemble)
		if ensemble == nil {
			return nil, errors.New("the installed registry lacks WGS 84")
		}
		for _, name := range r.addModels(v, o, ensemble, seen, true) {
			for part := range strings.SplitSeq(name, " + ") {
				hub, rest, ok := strings.Cut(strings.ReplaceAll(part, "Inverse of ", ""), " to ")
				if ok && (strings.Contains(rest, "height") || strings.Contains(rest, "depth")) {
					r.addModels(v, o, r.create(r.datumCode(hub)), seen, true)
				}
			}
		}
		if len(v.ways)+len(v.missing) == 0 {
			r.addModels(v, o, ensemble, make(map[string]bool), false)
		}
		v.sort()
		return v, nil
	})
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
		for part := range strings.SplitSeq(s.name, " + ") {
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
func (r *registry) addModels(v *vertical, o, to *object, seen map[string]bool, direct bool) (names []string) {
	if to.kind() != kindGeographic {
		return nil
	}
	solid, flat := to.solid(), to.flat()
	if solid == nil || flat == nil || solid.code() == "" || seen[solid.code()] {
		return nil
	}
	seen[solid.code()] = true
	axes, err := readGeoAxes(flat)
	from := flat.with(o)
	if err != nil || from == nil {
		return nil
	}
	for _, p := range r.paths(from, solid) {
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
		v.take(newWay(way{path: p, source: v.name, axes: axes, hub: solid.code(), hubName: solid.name()}))
	}
	return names
}

// ownBase opens the geographic system of the grid; nil where the registry has
// none.
func (c *CRS) ownBase(r *registry) *object {
	object, _, err := r.resolve(c.definition)
	if err != nil {
		return nil
	}
	base := object.base()
	if base != nil && base.code() == "" { // a definition written out: go by the name
		base = r.create(r.datumCode(c.grid.Frame))
	}
	return base
}

// ownFrame is the key of the grid's own frame.
const ownFrame = "\x00own"

// solidFrame finds the frame with heights of a datum name or a code; for ownFrame
// that of the grid.
func (c *CRS) solidFrame(name string) (solidFrame, error) {
	if name != ownFrame && normaliseDatum(name) == broadcast {
		return solidFrame{code: codeBroadcast3D, name: "WGS 84"}, nil
	}
	return c.heights.frames.get(name, func() (solidFrame, error) {
		r := openRegistry(c.options.Folders...)
		defer r.close()
		var o *object
		if name == ownFrame {
			name = c.grid.Frame
			o = c.ownBase(r)
		} else if code := r.datumCode(name); code != "" {
			o = r.create(code)
		}
		if o.kind() != kindGeographic {
			return solidFrame{}, fmt.Errorf("frame %s is not one that the installed registry knows", abridged(name))
		}
		solid := o.solid()
		if solid == nil || solid.code() == "" {
			return solidFrame{}, fmt.Errorf("%s has no ellipsoidal heights", o.name())
		}
		return solidFrame{code: solid.code(), name: o.name()}, nil
	})
}

// shift returns the plan from the datum of a tag to a frame with heights.
func (c *CRS) shift(datum, hub string) (*plan, error) {
	return c.heights.shifts.get([2]string{normaliseDatum(datum), hub}, func() (*plan, error) {
		r := openRegistry(c.options.Folders...)
		defer r.close()
		to := r.create(hub)
		if to == nil {
			return nil, fmt.Errorf("the installed registry lacks %s", hub)
		}
		pl := &planner{r: r, grid: to, plan: newPlan(), solid: true}
		pl.collect(datum)
		if pl.plan.unknown {
			return nil, &grid.UnknownDatumError{Datum: datum}
		}
		return pl.plan, nil
	})
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
	return c.lift(ctx, heights, ownFrame, func(i int) (grid.Fix, error) {
		if err := places[i].Err; err != nil {
			return grid.Fix{}, fmt.Errorf("position of the height: %w", err)
		}
		return places[i].Fix, nil
	})
}

// FixHeights brings heights at fixes to the ellipsoids of the fixes' own frames;
// see [CRS.EllipsoidalHeights].
func (c *CRS) FixHeights(ctx context.Context, fixes []grid.Fix, heights []grid.Height) ([]grid.HeightPlacement, error) {
	if len(fixes) != len(heights) {
		return nil, fmt.Errorf("%d fixes, %d heights; give one height for each fix", len(fixes), len(heights))
	}
	return c.lift(ctx, heights, "", func(i int) (grid.Fix, error) { return fixes[i], valid(&fixes[i]) })
}

// lift brings heights at fixes to the ellipsoid. own is the frame of ellipsoidal
// heights that name none: ownFrame for points, and empty, the frame of the fix,
// for tags.
func (c *CRS) lift(ctx context.Context, heights []grid.Height, own string, at func(i int) (grid.Fix, error)) ([]grid.HeightPlacement, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	out := make([]grid.HeightPlacement, len(heights))
	err := c.withWorker(func(w *worker) error {
		j := lift{c: c, w: w, ctx: ctx, own: own}
		for i, h := range heights {
			if i%chunk == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
			fix, err := at(i)
			if err == nil {
				out[i], err = j.do(fix, h)
			}
			if err != nil {
				out[i] = grid.HeightPlacement{Err: err}
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// lift is that work, with a worker.
type lift struct {
	c   *CRS
	w   *worker
	ctx context.Context
	own string
}

func heightError(ref grid.HeightRef, reason error, files []grid.MissingFile, format string, args ...any) error {
	return &grid.HeightError{Ref: ref, Reason: reason, Missing: files, Message: fmt.Sprintf(format, args...)}
}

// do brings one height to the ellipsoid of the frame of a fix.
func (j *lift) do(f grid.Fix, h grid.Height) (out grid.HeightPlacement, err error) {
	if err := h.Ref.Validate(); err != nil {
		return out, err
	}
	switch {
	case !finite(h.Metres, 0):
		return out, fmt.Errorf("height %v: %w", h.Metres, grid.ErrNotFinite)
	case h.Ref.Site:
		return out, heightError(h.Ref, grid.ErrNoHeights, nil, "the height is a site system's own, but the grid is %s itself", j.c.grid.Name)
	case h.Ref.Surface == grid.HeightUnknown:
		return out, heightError(h.Ref, grid.ErrHeightUnknown, nil, "what the height counts from is not stated; say whether it is ellipsoidal or above a geoid, and which")
	case h.Ref.Surface == grid.HeightGeoid && h.Ref.Separation == nil:
		return j.geoid(f, h)
	case strings.ContainsRune(h.Ref.Frame, 0):
		return out, heightError(h.Ref, grid.ErrNoHeightFrame, nil, "the frame %q holds a zero byte", h.Ref.Frame)
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
	from, err := j.c.solidFrame(cmp.Or(h.Ref.Frame, j.own, f.Datum))
	if err != nil {
		return out, heightError(h.Ref, grid.ErrNoHeightFrame, nil, "%v; name the frame that the ellipsoidal height is in, for instance ETRS89 or NAD83(2011)", err)
	}
	return j.transfer(f, h.Ref, from, out)
}

// through sends a height at a fix through a way; the result is NaN where that
// doesn't go, outside its files for instance.
func (j *lift) through(w *way, f grid.Fix, h, time float64) (float64, error) {
	x, y := w.axes.from(f.Lat, f.Lon)
	p := [1]proj.Coord{{x, y, h, time}}
	if err := j.w.transform(j.ctx, w.pipeline, proj.DirectionFwd, p[:]); err != nil || !finite(p[0][2], 0) {
		return math.NaN(), j.ctx.Err()
	}
	return p[0][2], nil
}

// transfer brings an ellipsoidal height from a frame to that of the fix.
func (j *lift) transfer(f grid.Fix, ref grid.HeightRef, from solidFrame, out grid.HeightPlacement) (grid.HeightPlacement, error) {
	to, err := j.c.solidFrame(f.Datum)
	if err != nil {
		return out, heightError(ref, grid.ErrNoHeightFrame, nil, "the map datum of the tag: %v, so heights can't be compared in it", err)
	}
	if to.code == from.code {
		return out, nil
	}
	p, err := j.c.shift(f.Datum, from.code)
	if err != nil {
		return out, err
	}
	t := newTask(f.Lat, f.Lon, f.Epoch)
	for at := 0; ; {
		i, phase, next := p.next(f.Lat, f.Lon, t.dated, at)
		if i < 0 || p.ways[i].ballpark {
			text := fmt.Sprintf("no operation transforms an ellipsoidal height from %s to %s here", from.name, to.name)
			var files []grid.MissingFile
			if len(p.missing) > 0 {
				files = p.missing[0].path.missing
				text += "; one would need " + lacking(files)
			}
			return out, heightError(ref, grid.ErrNoHeightOperation, files, "%s", text)
		}
		at = next
		w := &p.ways[i]
		// The way leads from the tag's frame. What is wanted is the height there
		// that comes out as the given one; it is the same but for a metre or
		// some fifty, so the second guess is exact.
		h := out.Metres
		for range 3 {
			got, err := j.through(w, f, h, w.time(f.Epoch, t.dated))
			if err != nil {
				return out, err
			}
			h += out.Metres - got
		}
		if math.IsNaN(h) {
			continue
		}
		t.phase = int8(phase)
		op := p.describer(i).operation(&t)
		out.Metres = h
		out.Steps = append(out.Steps, fmt.Sprintf("from %s to %s against %s", from.name, to.name, op.Name))
		out.Notes = append(out.Notes, op.Notes...)
		out.Accuracy = both(out.Accuracy, op.Accuracy)
		return out, nil
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
func (j *lift) geoid(f grid.Fix, h grid.Height) (out grid.HeightPlacement, err error) {
	name := h.Ref.VerticalCRS
	if name == "" && j.own == ownFrame {
		name = j.c.heights.standard
	}
	if name == "" {
		return out, heightError(h.Ref, grid.ErrGeoidUnknown, nil, "the height counts from a geoid, or from mean sea level, but which one is not stated; name the vertical system (EPSG:5773 is EGM96) or give a constant separation")
	}
	v, err := j.c.vertical(name)
	if err != nil {
		return out, heightError(h.Ref, grid.ErrGeoidUnknown, nil, "%v", err)
	}
	for i := range v.ways {
		m := &v.ways[i]
		if !m.covers(f.Lat, f.Lon) {
			continue
		}
		up, err := j.through(m, f, h.Metres/v.factor, math.Inf(1))
		if err != nil {
			return out, err
		}
		if math.IsNaN(up) {
			continue
		}
		out = grid.HeightPlacement{Metres: up, Accuracy: m.stated(), Steps: []string{m.title()}}
		if out.Accuracy == nil {
			out.Notes = append(out.Notes, "the registry states no accuracy for "+m.title())
		}
		if k := slices.IndexFunc(v.missing, func(b way) bool { return b.better(m) && b.covers(f.Lat, f.Lon) }); k >= 0 {
			out.Notes = append(out.Notes, v.missing[k].wouldBeUsed())
		}
		if m.hub == codeEnsemble3D && normaliseDatum(f.Datum) == broadcast {
			// A world model is made for WGS 84 and ITRF alike.
			return out, nil
		}
		return j.transfer(f, h.Ref, solidFrame{m.hub, m.hubName}, out)
	}
	if k := slices.IndexFunc(v.missing, func(m way) bool { return m.covers(f.Lat, f.Lon) }); k >= 0 {
		m := &v.missing[k]
		return out, heightError(h.Ref, grid.ErrGeoidMissing, m.path.missing, "%s needs the geoid model %s, or give a constant separation", v.name, lacking(m.path.missing))
	}
	return out, heightError(h.Ref, grid.ErrNoGeoid, nil, "no geoid model in the registry leads from %s to the ellipsoid at latitude %.4f, longitude %.4f; is it the vertical system of this place?", v.name, f.Lat, f.Lon)
}
