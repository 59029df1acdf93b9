package site

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"example.com/phototie/grid"
)

// System is a site system on a projected base grid. It is a grid.Projection:
// fixes go to the base grid by the base's own projection and from there to the
// site, and back. It is safe for concurrent use if its base is. The zero System is of no
// use: New makes one.
type System struct {
	base   grid.Projection
	def    Definition
	toBase Affine
	grid   grid.Grid
}

// GeodesicSystem is a System whose base can measure on the ellipsoid, so it is a
// grid.Geodesist too and grid.Compare gives the whole discrepancy. For concurrent use and
// the zero value the same holds as for System.
type GeodesicSystem struct {
	*System
	geodesist grid.Geodesist
}

// ErrNoHeights is returned for a height where the site system ties none.
var ErrNoHeights = errors.New("the site system has no vertical part")

// New returns the site system that def describes on the grid of base: a
// *GeodesicSystem where base is a grid.Geodesist, and a *System otherwise, so
// that grid.Compare is not promised what the base can't do.
//
// It refuses a definition that is not valid, one that mirrors the plane (E and
// N swapped on one side: bearings would run backwards), and one whose scale is
// more than three times off what the two units ask for (feet taken for metres).
func New(base grid.Projection, def Definition) (grid.Projection, error) {
	if base == nil {
		return nil, fmt.Errorf("site system %q: there is no base projection", def.Name)
	}
	def = def.clone()
	bg := base.Grid()
	if !(bg.Unit.Metres > 0) {
		return nil, fmt.Errorf("site system %q: the base grid %q states no unit", def.Name, bg.Name)
	}
	units := def.Unit.Metres / bg.Unit.Metres
	if def.GroundScale != nil && def.GroundScale.UnitRatio == 0 {
		def.GroundScale.UnitRatio = units
	}
	if err := def.Validate(); err != nil {
		return nil, err
	}
	a := def.siteToBase()
	if a.mirrors() {
		return nil, fmt.Errorf("site system %q: the transform mirrors the plane: are eastings and northings swapped on one side?", def.Name)
	}
	scale := a.MeanScale() / units
	if !(scale > 1./3 && scale < 3) {
		return nil, fmt.Errorf("site system %q: its scale makes one %s of the site %.6g %s of the base, where the units alone make it %.6g: one of the units or the direction is wrong",
			def.Name, def.Unit.Symbol, a.MeanScale(), bg.Unit.Symbol, units)
	}
	s := &System{base: base, def: def, toBase: a, grid: grid.Grid{Name: def.Name, Unit: def.Unit, Ellipsoid: bg.Ellipsoid, Frame: bg.Frame, FrameEpoch: bg.FrameEpoch}}
	if geo, ok := base.(grid.Geodesist); ok {
		return &GeodesicSystem{System: s, geodesist: geo}, nil
	}
	return s, nil
}

// fail names the system in an error.
func (s *System) fail(err error) error { return fmt.Errorf("site system %q: %w", s.def.Name, err) }

// copied is what the base returned for n positions, to be changed.
func copied[T any](s *System, out []T, n int, err error) ([]T, error) {
	switch {
	case err != nil:
		return nil, s.fail(err)
	case len(out) != n:
		return nil, s.fail(fmt.Errorf("the base projection returned %d results for %d positions", len(out), n))
	}
	return slices.Clone(out), nil
}

// clone copies what def points to, so that a System can't be changed from
// outside.
func (d Definition) clone() Definition {
	d.Similarity = clonePtr(d.Similarity)
	d.Affine = clonePtr(d.Affine)
	d.GroundScale = clonePtr(d.GroundScale)
	d.Vertical = clonePtr(d.Vertical)
	d.Accuracy = clonePtr(d.Accuracy)
	d.HeightAccuracy = clonePtr(d.HeightAccuracy)
	d.Precision = clonePtr(d.Precision)
	d.HeightPrecision = clonePtr(d.HeightPrecision)
	return d
}

func clonePtr[T any](p *T) *T {
	if p == nil {
		return nil
	}
	v := *p
	return &v
}

// Definition returns the definition the system was made from; a unit ratio that
// was left open is filled in.
func (s *System) Definition() Definition { return s.def.clone() }

// Base returns the projection that the system stands on.
func (s *System) Base() grid.Projection { return s.base }

// ToBase transforms a site position to the base grid, in base units.
func (s *System) ToBase(site grid.EN) grid.EN { return s.toBase.Forward(site) }

// FromBase transforms a position on the base grid to the site, in site units.
func (s *System) FromBase(base grid.EN) grid.EN { return s.toBase.Inverse(base) }

func (s *System) allToBase(at []grid.EN) []grid.EN {
	out := make([]grid.EN, len(at))
	for i, p := range at {
		out[i] = s.ToBase(p)
	}
	return out
}

// Grid describes the site system. Ellipsoid and frame are those of the base; it
// has no authority code.
func (s *System) Grid() grid.Grid { return s.grid }

// ToGrid transforms fixes to the site grid. The operations are the base's, with
// the site system named. Their accuracy is the root of the sum of the squares of
// the base operation's and the definition's at the place, where that has one, and
// a note says so; it stays unknown where the base's operation states none.
func (s *System) ToGrid(ctx context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	out, err := s.base.ToGrid(ctx, fixes)
	if out, err = copied(s, out, len(fixes), err); err != nil {
		return nil, err
	}
	ops := operations{}
	for i := range out {
		p := &out[i]
		if p.Err == nil {
			if p.EN = s.FromBase(p.EN); !grid.Finite(p.E, p.N) {
				p.Err = s.fail(grid.ErrOutside)
			}
		}
		p.Op = ops.named(&s.def, p.Op, p.EN)
	}
	return out, nil
}

// FromGrid transforms site positions into geographic frames: at[i] into frames[i].
// It is the inverse of ToGrid as far as the base's FromGrid is; the site's own
// part loses some 1e-9 m.
func (s *System) FromGrid(ctx context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	out, err := s.base.FromGrid(ctx, s.allToBase(at), frames)
	if out, err = copied(s, out, len(at), err); err != nil {
		return nil, err
	}
	ops := operations{}
	for i := range out {
		out[i].Op = ops.named(&s.def, out[i].Op, at[i])
		if out[i].Err == nil && !grid.Finite(at[i].E, at[i].N) {
			out[i].Err = s.fail(fmt.Errorf("position E %v N %v: %w", at[i].E, at[i].N, grid.ErrNotFinite))
		}
	}
	return out, nil
}

// operations are copies of the base's, one for each and each accuracy, with the
// site system added.
type operations map[placed]*grid.Operation

type placed struct {
	op       *grid.Operation
	accuracy float64
}

func (o operations) named(d *Definition, op *grid.Operation, at grid.EN) *grid.Operation {
	if op == nil {
		return nil
	}
	key := placed{op, accuracyAt(d.Accuracy, d.Precision, at)}
	if o[key] == nil {
		c := *op
		d.amend(&c, key.accuracy)
		o[key] = &c
	}
	return o[key]
}

// accuracyAt is the accuracy of a definition at a place in metres, negative where
// it has none. A precision is rounded up to one of a few steps, so that a job has
// a handful of operations.
func accuracyAt(stated *float64, p *Precision, at grid.EN) float64 {
	switch {
	case stated != nil:
		return *stated
	case p == nil || !grid.Finite(at.E, at.N):
		return -1
	}
	s := min(max(p.At(at), 1e-4), maxAccuracy)
	decade := math.Pow(10, math.Floor(math.Log10(s)))
	for _, step := range []float64{1, 1.5, 2, 3, 5, 7} {
		if s <= step*decade {
			return step * decade
		}
	}
	return 10 * decade
}

// amend adds the site system to a copy of an operation of the base.
func (d *Definition) amend(op *grid.Operation, accuracy float64) {
	op.Name += " + site system " + d.Name
	if accuracy < 0 {
		return
	}
	text := fmt.Sprintf("the accuracy includes %s for the site system", stated(accuracy, d.Unit))
	if op.Accuracy == nil {
		text = fmt.Sprintf("the site system is good to %s, but no accuracy is stated for the operation under it", stated(accuracy, d.Unit))
	} else {
		a := math.Hypot(*op.Accuracy, accuracy)
		op.Accuracy = &a
	}
	op.Notes = append(slices.Clone(op.Notes), text)
}

// stated is a length in a unit, with the metres that were stated in brackets.
func stated(metres float64, u grid.Unit) string {
	if u.Metres == 1 {
		return fmt.Sprintf("%.3g m", metres)
	}
	return fmt.Sprintf("%.3g %s (%.3g m)", metres/u.Metres, u.Symbol, metres)
}

// AreaOfUse returns the area of use of the base grid in degrees; ok is false
// where the base knows none.
func (s *System) AreaOfUse() (south, west, north, east float64, ok bool) {
	if b, has := s.base.(grid.Bounded); has {
		return b.AreaOfUse()
	}
	return 0, 0, 0, 0, false
}

// Candidates lists the operations that the base chooses from, for places in site
// coordinates, with the site system added as ToGrid adds it. The error wraps
// [errors.ErrUnsupported] where the base can't list any.
func (s *System) Candidates(ctx context.Context, at []grid.EN, frame grid.Frame) ([]grid.Candidate, error) {
	lister, ok := s.base.(grid.CandidateLister)
	if !ok {
		return nil, s.fail(fmt.Errorf("the projection under it lists no operations: %w", errors.ErrUnsupported))
	}
	worst := accuracyAt(s.def.Accuracy, nil, grid.EN{})
	for _, p := range at {
		worst = max(worst, accuracyAt(s.def.Accuracy, s.def.Precision, p))
	}
	out, err := lister.Candidates(ctx, s.allToBase(at), frame)
	if out, err = copied(s, out, len(out), err); err != nil {
		return nil, err
	}
	for i := range out {
		s.def.amend(&out[i].Operation, worst)
	}
	return out, nil
}

// EllipsoidalHeights brings heights at places in site coordinates to the
// ellipsoids of the frames. Heights are in metres, whatever the site's unit. One
// whose reference says Site goes through the vertical part to the base, and on
// from there as the rest of its reference says; without a vertical part its error
// wraps ErrNoHeights. Any other is taken to be a base height. The error of the
// call wraps [grid.ErrNoHeights] where the base can't do heights.
func (s *System) EllipsoidalHeights(ctx context.Context, at []grid.EN, heights []grid.Height, frames []grid.Frame) ([]grid.HeightPlacement, error) {
	base, ok := s.base.(grid.Heighter)
	if !ok {
		return nil, s.fail(grid.ErrNoHeights)
	}
	if len(at) != len(heights) || len(at) != len(frames) {
		return nil, s.fail(fmt.Errorf("%d positions, %d heights, %d frames; give one of each", len(at), len(heights), len(frames)))
	}
	lowered := slices.Clone(heights)
	for i, p := range at {
		if h := &lowered[i]; h.Ref.Site && s.def.Vertical != nil {
			h.Metres -= s.def.Vertical.Difference(p) * s.def.Unit.Metres
			h.Ref.Site = false
		}
	}
	out, err := base.EllipsoidalHeights(ctx, s.allToBase(at), lowered, frames)
	if out, err = copied(s, out, len(at), err); err != nil {
		return nil, err
	}
	for i := range out {
		p := &out[i]
		switch {
		case !heights[i].Ref.Site:
		case s.def.Vertical == nil:
			*p = grid.HeightPlacement{Err: &grid.HeightError{Ref: heights[i].Ref, Reason: ErrNoHeights,
				Message: fmt.Sprintf("site system %q: the height is stated as the site's own, but the system has no vertical part that ties it", s.def.Name)}}
		case p.Err == nil:
			s.throughVertical(p, at[i])
		}
	}
	return out, nil
}

// throughVertical states that a height came through the vertical part, and what that
// does to its accuracy.
func (s *System) throughVertical(p *grid.HeightPlacement, at grid.EN) {
	p.Steps = append([]string{fmt.Sprintf("vertical part of site system %s", s.def.Name)}, p.Steps...)
	if a := accuracyAt(s.def.HeightAccuracy, s.def.HeightPrecision, at); a < 0 {
		p.Accuracy = nil
		p.Notes = append(slices.Clone(p.Notes), "no accuracy is stated for the vertical part of the site system")
	} else if p.Accuracy != nil {
		sum := math.Hypot(a, *p.Accuracy)
		p.Accuracy = &sum
	}
}

// FixHeights brings heights at fixes to the ellipsoids of the fixes' own frames,
// as the base does it. The height of a tag is never a site's own.
func (s *System) FixHeights(ctx context.Context, fixes []grid.Fix, heights []grid.Height) ([]grid.HeightPlacement, error) {
	base, ok := s.base.(grid.Heighter)
	if !ok {
		return nil, s.fail(grid.ErrNoHeights)
	}
	out, err := base.FixHeights(ctx, fixes, heights)
	return copied(s, out, len(fixes), err)
}

// Geodesic returns the geodesic between two site positions, in metres on the
// ellipsoid and azimuths from true north.
func (s *GeodesicSystem) Geodesic(a, b grid.EN) (grid.Geodesic, error) {
	return s.geodesist.Geodesic(s.ToBase(a), s.ToBase(b))
}

// Geographic returns the position of a site position in the base grid's own
// geodetic frame.
func (s *GeodesicSystem) Geographic(at grid.EN) (grid.LatLon, error) {
	return s.geodesist.Geographic(s.ToBase(at))
}

// Factors returns convergence and point scale of the site grid at a place on it:
//
//	convergence = convergence of the base + bearing of site north on the base grid
//	point scale = point scale of the base / base metres per site metre
//
// so that site bearing = geodetic azimuth - convergence, and site distance =
// ellipsoidal distance x point scale. For a similarity the bearing of site north
// is the rotation of the parameters that lead from the site to the base (EPSG
// sign). The convergence is in (-180, 180].
//
// The point scale of a ground system is near 1 + h/R, with h the height of the
// ground: a value far from 1 shows a wrong unit or a combined factor that was
// turned over. For an affine transform that is no similarity, the convergence
// holds along site north and the point scale is the square root of the scale of
// areas; MaxScale and MinScale have the affinity in them.
func (s *GeodesicSystem) Factors(at grid.EN) (grid.Factors, error) {
	f, err := s.geodesist.Factors(s.ToBase(at))
	if err != nil {
		return grid.Factors{}, err
	}
	units := s.def.Unit.Metres / s.base.Grid().Unit.Metres
	out := grid.Factors{Convergence: signedDegrees(f.Convergence + s.toBase.NorthBearing()), PointScale: f.PointScale / s.toBase.MeanScale() * units}
	if f.MaxScale == 0 { // a conformal base
		f.MaxScale, f.MinScale = f.PointScale, f.PointScale
	}
	// The indicatrix of the base, M M', becomes A M M' A'.
	sin, cos := math.Sincos(f.MaxBearing * math.Pi / 180)
	max2, min2 := f.MaxScale*f.MaxScale, f.MinScale*f.MinScale
	ee, en, nn := max2*sin*sin+min2*cos*cos, (max2-min2)*sin*cos, max2*cos*cos+min2*sin*sin
	a := s.toBase.Inverted()
	large, small, bearing := grid.Indicatrix(
		a.A1*a.A1*ee+2*a.A1*a.A2*en+a.A2*a.A2*nn,
		a.A1*a.B1*ee+(a.A1*a.B2+a.A2*a.B1)*en+a.A2*a.B2*nn,
		a.B1*a.B1*ee+2*a.B1*a.B2*en+a.B2*a.B2*nn)
	out.MaxScale, out.MinScale, out.MaxBearing = large*units, small*units, bearing
	return out, nil
}

// signedDegrees brings an angle into (-180, 180].
func signedDegrees(a float64) float64 {
	a = math.Remainder(a, 360)
	if a == -180 {
		return 180
	}
	return a + 0 // no minus zero
}

var (
	_ grid.Projection      = (*System)(nil)
	_ grid.Heighter        = (*System)(nil)
	_ grid.CandidateLister = (*System)(nil)
	_ grid.Bounded         = (*System)(nil)
	_ grid.Geodesist       = (*GeodesicSystem)(nil)
)
