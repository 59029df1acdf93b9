package match

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match/walk"
)

// Policy says which photos may be corrected, and how.
type Policy struct {
	// Only lists the verdicts whose photos are corrected. Empty means Within
	// alone: a discrepancy over budget may mean that the tie is wrong, and a
	// correction would write the wrong point's position into the photo. A photo that
	// somebody decided to show its point is corrected whatever its verdict.
	Only []Verdict
	// Contradicted permits photos whose link the rest of the evidence
	// contradicts, whatever their verdict.
	Contradicted bool
	// Meaning is what the new position is that of.
	Meaning geotag.Meaning
	// AllowSigned permits the change of images with a signed provenance manifest.
	AllowSigned bool
}

// DefaultOnly are the verdicts corrected where a Policy names none.
var DefaultOnly = []Verdict{Within}

// Correction is what is to become of one photo's tag: an edit, or the reason
// why there is none.
type Correction struct {
	Photo   string  `json:"photo"`
	Point   string  `json:"point,omitempty"`
	Verdict Verdict `json:"verdict"`
	// Edit is nil where the photo is left as it is; Why then says so in words.
	Edit *geotag.Edit `json:"edit,omitempty"`
	Why  string       `json:"why,omitempty"`
	// Operation transformed the point into the tag's frame.
	Operation *grid.Operation `json:"operation,omitempty"`
	// Delivered is the frame of the new position; nil for a destination.
	Delivered *Delivered `json:"delivered,omitempty"`
}

// readAs is the probability that GPSHPositioningError is written as the radius of, the
// reading that the phone platforms give it.
const readAs = 0.6827

// Corrections works out the new tag of every photo of a checked job; opt must be
// the options that it was checked with. There is one Correction a photo, in
// order. The surveyed position is transformed back by the operation that the tag was
// carried with, at the photo's epoch, so that checking a corrected photo finds
// no discrepancy beyond the rounding of its rationals.
//
// For geotag.SubjectPosition the new position is in the frame of Options.Delivered
// whatever datum the tag had, which its processing method says. Its error radius
// (68.27 %) comes of the point's own accuracy and that stated for the operation, and
// covers the point where the position is read in the grid's own frame, or at the
// photo's epoch, though it is not. For geotag.CameraPosition the destination is in
// the tag's own datum, since an image has one map datum for all its positions;
// the bearing and distance lead from the tag to the point.
func Corrections(ctx context.Context, proj grid.Projection, res *Result, opt Options, policy Policy) ([]Correction, error) {
	if opt.Budget == (Budget{}) {
		opt.Budget = DefaultBudget()
	}
	only := policy.Only
	if len(only) == 0 {
		only = DefaultOnly
	}
	unit := res.Grid.Unit
	points := make(map[string]*Point, len(res.Points))
	for i := range res.Points {
		points[res.Points[i].ID] = &res.Points[i].Point
	}
	out := make([]Correction, len(res.Photos))
	var at []grid.EN
	var frames, broadcast []grid.Frame
	var of []int
	var shown []*Point
	for i := range res.Photos {
		p := &res.Photos[i]
		c := &out[i]
		c.Photo, c.Verdict = p.Name, p.Verdict
		if p.Tie != nil {
			c.Point = p.Tie.Point
		}
		point := points[c.Point]
		if p.Tie != nil && point != nil {
			at := p.Tie.place(*point)
			point = &at
		}
		if p.Tag != nil && p.Tie != nil && point == nil {
			return nil, fmt.Errorf("photo %q is tied to point %q, which is not in the result", p.Name, c.Point)
		}
		if c.Why = policy.leaves(p, opt, only, unit); c.Why != "" {
			continue
		}
		f := opt.Frame(p.Tag)
		if policy.Meaning == geotag.SubjectPosition {
			photo := grid.Frame{Datum: broadcastDatum, Epoch: opt.photoFrame(p.Tag).Epoch}
			f, broadcast = opt.delivered(proj, photo), append(broadcast, photo)
		}
		at, frames, of, shown = append(at, point.EN), append(frames, f), append(of, i), append(shown, point)
	}
	placed, err := fromGrid(ctx, proj, at, frames)
	if err != nil {
		return nil, err
	}
	read := placed
	if policy.Meaning == geotag.SubjectPosition && opt.Delivered != (grid.Frame{}) {
		if read, err = fromGrid(ctx, proj, at, broadcast); err != nil {
			return nil, err
		}
	}
	for k, fp := range placed {
		c := &out[of[k]]
		if c.Why = c.edit(proj, &res.Photos[of[k]], shown[k], fp, read[k], opt, policy); c.Why != "" {
			c.Edit, c.Delivered = nil, nil
		}
	}
	return out, nil
}

// CorrectOne is Corrections for a photo and the point that CompareOne held it against.
func CorrectOne(ctx context.Context, proj grid.Projection, photo PhotoResult, point Point, opt Options, policy Policy) (Correction, error) {
	res := &Result{Photos: []PhotoResult{photo}, Points: []PointResult{{Point: point}}}
	out, err := Corrections(ctx, proj, res, opt, policy)
	if err != nil {
		return Correction{}, err
	}
	return out[0], nil
}

// leaves says why a photo is left as it is; empty where it is not.
func (policy Policy) leaves(p *PhotoResult, opt Options, only []Verdict, unit grid.Unit) string {
	decided := p.Decision.rules(RulingShows)
	switch {
	case p.Tag == nil:
		return "the photo can't be read: " + p.Why
	case p.Decision.rules(RulingAgain) || p.Decision.rules(RulingLeave):
		return p.Decision.String()
	case p.Tie == nil:
		return p.Why
	case p.Tie.unplaced():
		return "it shows " + p.Tie.In(unit) + ", which is no single position"
	case !decided && !slices.Contains(only, p.Verdict) && p.Why != "":
		return fmt.Sprintf("its verdict is %s: %s", p.Verdict, p.Why)
	case !decided && !slices.Contains(only, p.Verdict):
		return fmt.Sprintf("its verdict is %s", p.Verdict)
	case !decided && p.contradicted() && !policy.Contradicted:
		return fmt.Sprintf("its link to %s is contradicted by the rest of the evidence", p.Tie.Point)
	case policy.Meaning == geotag.CameraPosition && p.OnGrid == nil:
		return "the camera's position is not known, so none can be kept"
	case policy.Meaning == geotag.CameraPosition && p.Tag.MapDatum == "" && opt.Datum != "":
		return fmt.Sprintf("the photo states no map datum; read by itself its tag is WGS 84, so a destination in %s would mislead", opt.Datum)
	}
	return ""
}

// edit works out the new tag of a photo from where the projection has its point in
// the tag's frame. It returns why there is none.
func (c *Correction) edit(proj grid.Projection, p *PhotoResult, point *Point, at, broadcast grid.FixPlacement, opt Options, policy Policy) string {
	switch {
	case at.Err != nil:
		return "the point can't be transformed into the tag's frame: " + at.Err.Error()
	case at.Op != nil && at.Op.Ballpark && !opt.AllowBallpark:
		return "only a ballpark operation leads from the grid to the tag's frame; it may be out by hundreds of metres"
	}
	c.Operation = at.Op
	c.Edit = &geotag.Edit{Meaning: policy.Meaning, Lat: at.Lat, Lon: at.Lon, AllowSigned: policy.AllowSigned}
	if policy.Meaning == geotag.SubjectPosition {
		d := delivered(proj, point.EN, at, broadcast)
		off := 0.0
		if d.Misread != nil {
			off = d.Misread.Off
		}
		c.Delivered = &d
		c.Edit.MapDatum, c.Edit.ProcessingMethod = d.Datum, d.method()
		c.Edit.HPositioningError = positioningError(point, at.Op, opt, off, p.Tie.spread(opt.Budget, proj.Grid().Unit))
		return ""
	}
	c.Edit.MapDatum = p.Tag.MapDatum
	if err := towards(proj, *p.OnGrid, point.EN, c.Edit); err != nil {
		return "bearing and distance to the point: " + err.Error()
	}
	return ""
}

// fromGrid transforms positions on the grid into frames.
func fromGrid(ctx context.Context, proj grid.Projection, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	if len(at) == 0 {
		return nil, nil
	}
	placed, err := proj.FromGrid(ctx, at, frames)
	if err == nil && len(placed) != len(at) {
		err = fmt.Errorf("the projection returned %d positions for %d", len(placed), len(at))
	}
	if err != nil {
		return nil, fmt.Errorf("transforming positions from the grid: %w", err)
	}
	return placed, nil
}

// contradicted reports whether the evidence speaks against the photo's link.
func (p *PhotoResult) contradicted() bool {
	return p.Inference != nil && p.Inference.Link == walk.Contradicted
}

// positioningError is the 68.27 % radius of a surveyed position in metres: the
// point's root mean square deviation per axis together with the operation's, about
// where a reader may take it to be, that far off; offset is the deviation per axis of an
// offset from the point.
func positioningError(p *Point, op *grid.Operation, opt Options, off, offset float64) float64 {
	v := opt.Budget.PointSigma * opt.Budget.PointSigma
	if p.Cov != nil {
		v = (p.Cov[0] + p.Cov[2]) / 2
	}
	v += offset * offset
	if op != nil && op.Accuracy != nil {
		s := RadiusSigma(*op.Accuracy, opt.Budget.OperationConfidence)
		v += s * s
	}
	if op != nil && op.Ballpark {
		v += opt.BallparkSigma * opt.BallparkSigma
	}
	v += opt.Budget.FrameSigma * opt.Budget.FrameSigma
	// An image can't state an error of 0; a millimetre is the least that is claimed.
	return max(RiceQuantile(readAs, off, math.Sqrt(v)), 0.001)
}

// errNoGeodesist says why a projection can't give a direction from true north.
var errNoGeodesist = errors.New("the projection engine can't measure on the ellipsoid")

// towards sets bearing and distance from the camera to the point.
func towards(proj grid.Projection, camera, point grid.EN, e *geotag.Edit) error {
	g, ok := proj.(grid.Geodesist)
	if !ok {
		return errNoGeodesist
	}
	line, err := g.Geodesic(camera, point)
	if err != nil {
		return err
	}
	e.Bearing, e.Distance = &line.Azimuth, &line.Distance
	return nil
}
