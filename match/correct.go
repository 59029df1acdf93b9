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
	// correction would write the wrong point's position into the photo.
	Only []Verdict
	// Contradicted permits photos whose link the rest of the evidence
	// contradicts, whatever their verdict.
	Contradicted bool
	// Meaning is what the new position stands for.
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
	// Operation carried the point into the tag's frame.
	Operation *grid.Operation `json:"operation,omitempty"`
}

// radius68 is the radius of a circular normal error at 68.27 % over its standard
// deviation per axis, sqrt(-2 ln(1-p)): the reading that the phone platforms
// give GPSHPositioningError.
var radius68 = math.Sqrt(-2 * math.Log(1-0.6827))

// Corrections works out the new tag of every photo of a checked job; opt must be
// the options that it was checked with. There is one Correction a photo, in
// order. The surveyed position is carried back by the operation that the tag was
// carried with, at the photo's epoch, so that checking a corrected photo finds
// no discrepancy beyond the rounding of its rationals.
//
// For geotag.SubjectPosition the new position is in WGS 84 whatever datum the
// tag had, and its error radius (68.27 %) comes of the point's own accuracy and
// that stated for the operation. For geotag.CameraPosition the destination is in
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
	points := make(map[string]*Point, len(res.Points))
	for i := range res.Points {
		points[res.Points[i].ID] = &res.Points[i].Point
	}
	out := make([]Correction, len(res.Photos))
	var at []grid.EN
	var frames []grid.Frame
	var of []int
	for i := range res.Photos {
		p := &res.Photos[i]
		c := &out[i]
		c.Photo, c.Verdict = p.Name, p.Verdict
		if p.Tie != nil {
			c.Point = p.Tie.Point
		}
		switch point := points[c.Point]; {
		case p.Tag == nil:
			c.Why = "the photo can't be read: " + p.Why
		case p.Tie == nil:
			c.Why = p.Why
		case point == nil:
			return nil, fmt.Errorf("photo %q is tied to point %q, which is not in the result", p.Name, c.Point)
		case !slices.Contains(only, p.Verdict):
			c.Why = fmt.Sprintf("its verdict is %s", p.Verdict)
			if p.Why != "" {
				c.Why += ": " + p.Why
			}
		case p.contradicted() && !policy.Contradicted:
			c.Why = fmt.Sprintf("its link to %s is contradicted by the rest of the evidence", c.Point)
		case policy.Meaning == geotag.CameraPosition && p.OnGrid == nil:
			c.Why = "the camera's position is not known, so none can be kept"
		case policy.Meaning == geotag.CameraPosition && p.Tag.MapDatum == "" && opt.Datum != "":
			c.Why = fmt.Sprintf("the photo states no map datum; read by itself its tag is WGS 84, so a destination in %s would mislead", opt.Datum)
		default:
			f := opt.Frame(p.Tag)
			if policy.Meaning == geotag.SubjectPosition {
				f.Datum = "WGS-84"
			}
			at, frames, of = append(at, point.EN), append(frames, f), append(of, i)
		}
	}
	if len(at) == 0 {
		return out, nil
	}
	placed, err := proj.FromGrid(ctx, at, frames)
	if err != nil {
		return nil, fmt.Errorf("carrying points off the grid: %w", err)
	}
	if len(placed) != len(at) {
		return nil, fmt.Errorf("carrying points off the grid: the projection returned %d positions for %d", len(placed), len(at))
	}
	for k, fp := range placed {
		c := &out[of[k]]
		p := &res.Photos[of[k]]
		switch {
		case fp.Err != nil:
			c.Why = "the point can't be carried into the tag's frame: " + fp.Err.Error()
			continue
		case fp.Op != nil && fp.Op.Ballpark && !opt.AllowBallpark:
			c.Why = "only a ballpark operation leads from the grid to the tag's frame; it may be out by hundreds of metres"
			continue
		}
		c.Operation = fp.Op
		e := geotag.Edit{Meaning: policy.Meaning, Lat: fp.Lat, Lon: fp.Lon, AllowSigned: policy.AllowSigned}
		switch {
		case policy.Meaning == geotag.SubjectPosition:
			e.MapDatum = "WGS-84"
			e.HPositioningError = positioningError(points[c.Point], fp.Op, opt)
		default:
			e.MapDatum = p.Tag.MapDatum
			if err := towards(proj, *p.OnGrid, at[k], &e); err != nil {
				c.Why = "bearing and distance to the point: " + err.Error()
				continue
			}
		}
		c.Edit = &e
	}
	return out, nil
}

// contradicted reports whether the evidence speaks against the photo's link.
func (p *PhotoResult) contradicted() bool {
	return p.Inference != nil && p.Inference.Link == walk.Contradicted
}

// positioningError is the 68.27 % radius of a surveyed position in metres: the
// point's root mean square deviation per axis together with the operation's.
func positioningError(p *Point, op *grid.Operation, opt Options) float64 {
	v := opt.Budget.PointSigma * opt.Budget.PointSigma
	if p.Cov != nil {
		v = (p.Cov[0] + p.Cov[2]) / 2
	}
	if op != nil && op.Accuracy != nil {
		s := RadiusSigma(*op.Accuracy, opt.Budget.OperationConfidence)
		v += s * s
	}
	if op != nil && op.Ballpark {
		v += opt.BallparkSigma * opt.BallparkSigma
	}
	v += opt.Budget.FrameSigma * opt.Budget.FrameSigma
	// An image can't state an error of 0; a millimetre is the least that is claimed.
	return max(math.Sqrt(v)*radius68, 0.001)
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
