package match

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// HeightOptions say what heights count from. Heights of tags and points are
// compared only where both are known.
type HeightOptions struct {
	// Points is what the points' heights count from.
	Points grid.HeightRef
	// Tags is what altitudes count from that don't say so themselves, or that say
	// sea level by a standard older than Exif 3.0: the user's knowledge of the
	// handheld. HeightUnknown leaves them uncompared.
	Tags grid.HeightSurface
	// TagSeaLevel is the vertical system that tags mean by sea level, "EGM96" for
	// instance; empty means that it is not known.
	TagSeaLevel string
	// Tolerance is how far in metres the height of a tag may be off, at 95 %; 0
	// defaults to 15: the 13 m of the GPS Standard Positioning Service Performance
	// Standard, 5th edition (2020), and how high a camera is held (common practice).
	Tolerance float64
}

// defaultHeightTolerance is HeightOptions.Tolerance where that is 0, and fewestHeights
// is how many photos tell that heights are off as a whole.
const defaultHeightTolerance, fewestHeights = 15, 5

// HeightDiscrepancy is the altitude of a tag held against the height of the point
// that the photo is tied to.
type HeightDiscrepancy struct {
	// DH is tag minus point in metres, both heights taken to the ellipsoid of the
	// tag's frame; nil where they could not be compared, and Why says why.
	DH  *float64 `json:"d_h_m"`
	Why string   `json:"why,omitempty"`
	// Verdict is Within where DH is no more than Tolerance, else Over; empty where DH is
	// nil. Tolerance is HeightOptions.Tolerance in metres, with Accuracy in it.
	Verdict   Verdict `json:"verdict,omitempty"`
	Tolerance float64 `json:"tolerance_m,omitempty"`
	// Tag and Point are the two ellipsoidal heights in metres; nil where DH is.
	Tag   *float64 `json:"tag_m,omitempty"`
	Point *float64 `json:"point_m,omitempty"`
	// Accuracy is that of the steps that took them there, in metres; nil where one
	// states none.
	Accuracy *float64 `json:"accuracy_m"`
	// Steps name those steps, the tag's first.
	Steps []string `json:"steps,omitempty"`
	// Notes are what else there is to know.
	Notes []string `json:"notes,omitempty"`
}

// tagHeight is the height that a tag states, or why it is of no use.
func (o HeightOptions) tagHeight(a *geotag.Altitude) (grid.Height, error) {
	h := grid.Height{Metres: a.Metres}
	switch a.Ref {
	case geotag.AltitudeEllipsoidal:
		h.Ref.Surface = grid.HeightEllipsoid
	case geotag.AltitudeSeaLevel:
		h.Ref.Surface = grid.HeightGeoid
	default:
		h.Ref.Surface = o.Tags
	}
	switch {
	case h.Ref.Surface == grid.HeightUnknown && a.Ref == geotag.AltitudeAmbiguous:
		return h, errors.New("the tag's altitude says sea level by a standard older than Exif 3.0, under which many devices write ellipsoidal heights")
	case h.Ref.Surface == grid.HeightUnknown:
		return h, errors.New("the tag does not say what its altitude counts from")
	case h.Ref.Surface == grid.HeightGeoid && o.TagSeaLevel == "":
		return h, errors.New("the tag's altitude is above sea level, and which vertical system that means is not known")
	case h.Ref.Surface == grid.HeightGeoid:
		h.Ref.VerticalCRS = o.TagSeaLevel
	}
	return h, nil
}

// hasHeight reports whether a photo is tied and placed, and states an altitude.
func (r *PhotoResult) hasHeight() bool {
	return r.Tie != nil && r.Tie.Aim == nil && r.Tag != nil && r.Tag.Position != nil && (r.Reason == "" || r.Reason == ReasonBallpark) &&
		r.Tag.Altitude != nil && grid.Finite(r.Tag.Altitude.Metres)
}

// heights compares the altitudes of tags with the heights of the points that
// the photos are tied to.
func (c *checker) heights(ctx context.Context, results []PhotoResult) error {
	var pairs []grid.HeightPair
	var of []*HeightDiscrepancy
	for i := range results {
		r := &results[i]
		if !r.hasHeight() {
			continue
		}
		p := c.points[c.pointByID[r.Tie.Point]]
		if p.Height == nil {
			continue
		}
		r.Height = &HeightDiscrepancy{}
		tag, err := c.opt.Heights.tagHeight(r.Tag.Altitude)
		switch {
		case c.opt.Heights.Points.Surface == grid.HeightUnknown:
			r.Height.Why = "what the points' heights count from is not known"
		case err != nil:
			r.Height.Why = err.Error()
		default:
			pairs = append(pairs, grid.HeightPair{Fix: c.fix(r.Tag), Tag: tag, At: p.EN, Point: grid.Height{Metres: *p.Height, Ref: c.opt.Heights.Points}})
			of = append(of, r.Height)
		}
	}
	for part := range slices.Chunk(pairs, batch) {
		compared, err := grid.CompareHeights(ctx, c.proj, part)
		if errors.Is(err, grid.ErrNoHeights) {
			for _, h := range of {
				h.Why = err.Error()
			}
			return nil
		}
		if err != nil {
			return err
		}
		for k, d := range compared {
			of[k].fill(d, c.opt.Heights.Tolerance)
		}
		of = of[len(part):]
	}
	return nil
}

// fill takes a comparison over, and judges it.
func (h *HeightDiscrepancy) fill(d grid.HeightDiscrepancy, tolerance float64) {
	h.Notes = append(append(h.Notes, d.Tag.Notes...), d.Point.Notes...)
	if d.Err != nil {
		h.Why = d.Err.Error()
		return
	}
	h.DH, h.Tag, h.Point, h.Accuracy = &d.DH, &d.Tag.Metres, &d.Point.Metres, d.Accuracy
	h.Tolerance = cmp.Or(tolerance, defaultHeightTolerance)
	if h.Accuracy != nil {
		h.Tolerance = math.Hypot(h.Tolerance, *h.Accuracy)
	}
	h.Verdict = Within
	if math.Abs(d.DH) > h.Tolerance {
		h.Verdict = Over
	}
	for _, s := range d.Tag.Steps {
		h.Steps = append(h.Steps, "tag: "+s)
	}
	for _, s := range d.Point.Steps {
		h.Steps = append(h.Steps, "point: "+s)
	}
}

// heightSet gathers what the heights of a job have in common.
type heightSet struct{ d, tolerance []float64 }

func (s *heightSet) add(r *PhotoResult) {
	if h := r.Height; h != nil && h.DH != nil {
		s.d, s.tolerance = append(s.d, *h.DH), append(s.tolerance, h.Tolerance)
	}
}

// findings gives the finding where heights are off as a whole.
func (s *heightSet) findings(u grid.Unit) []Finding {
	n := len(s.d)
	if n < fewestHeights {
		return nil
	}
	m, tolerance := median(s.d), median(s.tolerance)
	if math.Abs(m) <= tolerance {
		return nil
	}
	return []Finding{NewFinding(FindingHeights, Fact{Name: "photos", Value: float64(n)},
		Fact{Name: "height", Value: m / u.Metres, Unit: u.Symbol}, Fact{Name: "tolerance", Value: tolerance / u.Metres, Unit: u.Symbol})}
}
