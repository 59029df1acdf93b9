package match

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
)

// Budget says the sources of error between a tag and its point, component by component. It is
// a plain value: lengths are in metres, whatever the grid's unit, angles in
// degrees, confidences are probabilities between 0 and 1. A standard deviation
// is per axis (east and north alike).
//
// Check takes the zero Budget as DefaultBudget. To change a figure, start from
// DefaultBudget.
type Budget struct {
	// Confidence is the probability with which an honest photo lies within its
	// allowance.
	Confidence float64 `json:"confidence"`

	// Handheld is the horizontal error radius of the class of device, taken for
	// tags that state neither an error nor a usable dilution of precision.
	Handheld float64 `json:"handheld_m"`
	// HandheldConfidence is the probability that Handheld is the radius of.
	HandheldConfidence float64 `json:"handheld_confidence"`

	// ErrorConfidence is the probability that GPSHPositioningError is the radius
	// of. The Exif standard states none; see Assumptions.
	ErrorConfidence float64 `json:"error_confidence"`

	// UserRangeError is the standard deviation of one range measurement. Times
	// GPSDOP it gives the horizontal distance root mean square, and divided by
	// sqrt(2) the deviation per axis. 0 leaves GPSDOP unused.
	UserRangeError float64 `json:"user_range_error_m"`

	// PointSigma is the survey's standard deviation for points that bring no
	// covariance of their own.
	PointSigma float64 `json:"point_sigma_m"`

	// FrameSigma is a standard deviation for the frame on top of the accuracy
	// that the coordinate operation states: the fit of a site system, for instance.
	FrameSigma float64 `json:"frame_sigma_m"`
	// OperationConfidence is the probability that a coordinate operation's stated
	// accuracy is the radius of. The EPSG registry gives a figure in metres and
	// no confidence.
	OperationConfidence float64 `json:"operation_confidence"`

	// Motion is the standard deviation that comes from moving between the fix and
	// the shutter.
	Motion float64 `json:"motion_sigma_m"`

	// Standoff is the distance from which points are photographed, in a direction
	// that is not known.
	Standoff float64 `json:"standoff_m"`
	// MaxSubjectDistance is the largest SubjectDistance that is used in place of
	// Standoff: with a true image direction as the expectation, and without one in
	// any direction where it is more than Standoff. 0 never uses it.
	MaxSubjectDistance float64 `json:"max_subject_distance_m"`
	// DirectionSigma is the standard deviation of such a direction. Times the
	// distance it is counted in both axes, and so covers an error of the same
	// share in the distance.
	DirectionSigma float64 `json:"direction_sigma_deg"`

	// GrossLevel is the probability of calling any photo of a job gross where
	// there is nothing but noise.
	GrossLevel float64 `json:"gross_level"`

	// Coarse is how large the handheld's own error may be, as a radius at Confidence,
	// for a tag to be judged, or half the spacing of the points where that is more: a
	// tag that could be at several points says nothing of any. 0 judges all.
	Coarse float64 `json:"coarse_m"`
}

// DefaultBudget returns the budget for a phone or tablet with its own GNSS
// under open sky, and points surveyed to centimetres. Assumptions says where its
// figures are from, on the cautious side of what they leave open. Of the others,
// Confidence 0.95 is the level of FGDC-STD-007.3-1998; PointSigma 0.02 m (RTK or total
// station), MaxSubjectDistance 20 m and DirectionSigma 15 degrees are common practice
// without a source; GrossLevel 0.001 and Coarse 50 m are choices. FrameSigma and
// Motion are to be set where they are known.
func DefaultBudget() Budget {
	return Budget{
		Confidence:          0.95,
		Handheld:            4.9,
		HandheldConfidence:  0.5,
		ErrorConfidence:     0.6321, // 1 - 1/e
		UserRangeError:      5.9,
		PointSigma:          0.02,
		OperationConfidence: 0.6827,
		Standoff:            2,
		MaxSubjectDistance:  20,
		DirectionSigma:      15,
		GrossLevel:          0.001,
		Coarse:              50,
	}
}

// A BudgetError reports a figure of a Budget that can't be used. Find it by errors.As.
type BudgetError struct {
	// Field is the name of the figure as in JSON, "handheld_m" for instance.
	Field string
	// Value is what it was.
	Value float64

	want string // what it has to be
}

// Error names the figure, what it is and what it has to be.
func (e *BudgetError) Error() string {
	return fmt.Sprintf("budget: %s is %v: want %s", e.Field, e.Value, e.want)
}

// Bounds of what can be meant: no handheld knows its place to less than a
// millimetre, nothing on earth is further off than half its girth, and no
// survey's standard deviation is above a kilometre. They keep all sums finite.
const (
	minMetres = 0.001
	maxMetres = 2.1e7
	maxSurvey = 1000
)

// Validate returns an error for every figure that can't be used, joined; each is
// a *BudgetError. Handheld has to be positive, since without noise of the
// handheld nothing could be judged.
func (b Budget) Validate() error {
	const prob = "a probability between 0.01 and 0.999999999, for instance 0.95"
	const length = "a length in metres, 0 or more"
	var errs []error
	for _, f := range []struct {
		field          string
		v, least, most float64
		want           string
	}{
		{"confidence", b.Confidence, 0.01, 1 - 1e-9, prob},
		{"handheld_m", b.Handheld, minMetres, maxMetres, "a length in metres of 0.001 or more"},
		{"handheld_confidence", b.HandheldConfidence, 0.01, 1 - 1e-9, prob},
		{"error_confidence", b.ErrorConfidence, 0.01, 1 - 1e-9, prob},
		{"user_range_error_m", b.UserRangeError, 0, maxMetres, length},
		{"point_sigma_m", b.PointSigma, 0, maxSurvey, "a length in metres from 0 to 1000"},
		{"frame_sigma_m", b.FrameSigma, 0, maxMetres, length},
		{"operation_confidence", b.OperationConfidence, 0.01, 1 - 1e-9, prob},
		{"motion_sigma_m", b.Motion, 0, maxMetres, length},
		{"standoff_m", b.Standoff, 0, maxMetres, length},
		{"max_subject_distance_m", b.MaxSubjectDistance, 0, maxMetres, length},
		{"direction_sigma_deg", b.DirectionSigma, 0, 90, "an angle from 0 to 90 degrees"},
		{"coarse_m", b.Coarse, 0, maxMetres, length},
		{"gross_level", b.GrossLevel, math.SmallestNonzeroFloat64, math.Nextafter(1, 0), "a probability between 0 and 1, for instance 0.001"},
	} {
		if !(f.v >= f.least && f.v <= f.most) {
			errs = append(errs, &BudgetError{Field: f.field, Value: f.v, want: f.want})
		}
	}
	return errors.Join(errs...)
}

// RadiusSigma returns the standard deviation per axis of a circular normal error
// whose radius of probability p is given: radius / sqrt(-2 ln(1-p)), in the
// radius's unit. Source: the closed form behind circular-error tables.
func RadiusSigma(radius, p float64) float64 { return radius / rayleighFactor(p) }

// Vector is a difference of two plane positions, east and north.
type Vector struct {
	E float64 `json:"d_e"`
	N float64 `json:"d_n"`
}

// The names of the components of an allowance, in their order.
const (
	ComponentHandheld  = "handheld"
	componentSurvey    = "survey"
	ComponentFrame     = "frame"
	componentMotion    = "motion"
	componentStandoff  = "standoff"
	componentDirection = "direction"
	componentOffset    = "offset"
)

// Component is one part of an Allowance.
type Component struct {
	// Name is handheld, survey, frame, motion, standoff, direction or offset.
	Name string `json:"name"`
	// Stated is the figure in metres as the image, the settings or the registry
	// state it: a radius, a standard deviation or a distance, as Source tells.
	Stated float64 `json:"stated_m"`
	// Sigma is the standard deviation per axis in metres that it amounts to; 0
	// for a standoff, which is a distance and no spread.
	Sigma float64 `json:"sigma_m"`
	// Source says in words where the figure is from and how it was read.
	Source string `json:"source"`
}

// Allowance is the budget worked out for one photo and one point. Lengths are
// in metres. It is a plain value, safe for concurrent use; the zero Allowance allows
// nothing.
type Allowance struct {
	// Confidence is the probability that Threshold holds for.
	Confidence float64 `json:"confidence"`
	// Components are what it is made of, in the order handheld, survey, frame,
	// motion, standoff or direction, offset; those that are 0 are left out.
	Components []Component `json:"components"`
	// Sigma is the standard deviation per axis of all components together; where
	// the axes differ, the root mean square of the two.
	Sigma float64 `json:"sigma_m"`
	// Cov is the covariance of all components together in square metres, in the
	// order EE, EN, NN; nil where both axes have Sigma and do not correlate.
	Cov *[3]float64 `json:"cov_m2,omitempty"`
	// Standoff is the distance between camera and point where its direction is
	// not known, and how far from the point the photo shows something, likewise. Where
	// Expected is set, it is the latter alone.
	Standoff float64 `json:"standoff_m"`
	// Expected is the discrepancy to be expected, where the image says from where
	// it was taken; nil otherwise.
	Expected *Vector `json:"expected_m,omitempty"`
	// Judged is the distance in metres that was held against Threshold: the
	// length of the discrepancy or, with Expected, of its difference from that.
	// Check sets it, with Judge.
	Judged float64 `json:"judged_m"`
	// Threshold is the largest such distance that is within the budget. Where Cov
	// is set it holds in the direction of the discrepancy judged, and for an
	// allowance that has judged nothing yet in the direction where it is largest.
	Threshold float64 `json:"threshold_m"`
	// Notes say what the image states and why it was not used, or what the
	// budget does not cover.
	Notes []string `json:"notes,omitempty"`

	// limit keeps what Threshold was worked out from, the quantile for
	// Confidence: a distance, or with Cov a Mahalanobis distance. 0 where the
	// Allowance was not made by Budget.Allowance but read, for instance.
	limit float64
}

// AllowanceOptions are the circumstances of an allowance that neither the tag
// nor the point states.
type AllowanceOptions struct {
	// Convergence is the meridian convergence at the tag in degrees, as in
	// grid.Factors; nil where it is not known, and then directions are not used.
	Convergence *float64
	// BallparkSigma is the standard deviation per axis in metres taken for a
	// ballpark operation.
	BallparkSigma float64
	// Accuracy is by how many times the handheld's errors are larger than it states;
	// 0 defaults to 1. See Options.Accuracy.
	Accuracy float64
	// away is how far from the point, in metres, the photo shows something by its link, and
	// awaySigma the standard deviation per axis of where that is, 0 where its direction is
	// not known; both are 0 for the point itself. See Aim.
	away, awaySigma float64
	// unit is that of lengths in notes; metres where it is not set.
	unit grid.Unit
}

// Allowance works the budget out for one photo. The variance per axis is the sum
// of those of the handheld, the survey, the frame and motion; the handheld's is
// from GPSHPositioningError, else GPSDOP x user range error where that is more than the
// class of device, else from that class. The standoff makes the distance Rice distributed; where the image
// states a true direction and a subject distance, the expectation is shifted
// instead. tag and op may be nil: for want of them nothing is used that only
// they can tell, which the notes say.
//
// GPSDOP is the horizontal dilution only in a two-dimensional measurement. In a
// three-dimensional one it is the larger position dilution, and the allowance
// errs on the wide side.
//
// Errors are those of Validate, a covariance that is not one, and a ballpark
// operation without a BallparkSigma.
func (b Budget) Allowance(tag *geotag.Tag, point Point, op *grid.Operation, opt AllowanceOptions) (Allowance, error) {
	if err := b.Validate(); err != nil {
		return Allowance{}, err
	}
	a := Allowance{Confidence: b.Confidence}
	if tag == nil {
		tag = &geotag.Tag{}
	}
	handheld := b.handheld(tag, &a)
	if k := opt.Accuracy; k > 0 && k != 1 {
		handheld.Sigma *= k
		handheld.Source += fmt.Sprintf(", times %g for this camera by the settings", k)
	}
	a.add(handheld)
	cov, err := b.survey(point, &a)
	if err != nil {
		return Allowance{}, err
	}
	if err := b.frame(op, opt, &a); err != nil {
		return Allowance{}, err
	}
	a.add(Component{Name: componentMotion, Stated: b.Motion, Sigma: b.Motion,
		Source: "standard deviation per axis for motion, from the budget"})
	b.standoff(tag, opt, &a)
	offset := Component{Name: componentOffset, Stated: opt.away, Sigma: opt.awaySigma,
		Source: fmt.Sprintf("distance of what the photo shows from the point, by its link; its direction good to %s degrees", trimFloat(b.DirectionSigma, 1))}
	if opt.awaySigma == 0 {
		a.Standoff += opt.away
		offset.Source = "distance of what the photo shows from the point, in an unknown direction, by its link"
	}
	a.add(offset)

	a.sum(cov)
	a.coarseStep(tag, opt.unit)
	if a.Cov == nil {
		a.limit = RiceQuantile(a.Confidence, a.Standoff, a.Sigma)
		a.Threshold = a.limit
	} else {
		e := newEllipticNoise(*a.Cov, a.Standoff)
		a.limit = e.quantile(a.Confidence)
		a.Threshold = a.limit * e.major
	}
	return a, nil
}

// sum adds the components up, with the point's covariance in the place of the
// survey's where it has one.
func (a *Allowance) sum(cov *[3]float64) {
	var sum float64
	for _, c := range a.Components {
		if cov == nil || c.Name != componentSurvey {
			sum += c.Sigma * c.Sigma
		}
	}
	a.Sigma = math.Sqrt(sum)
	if cov == nil {
		return
	}
	total := [3]float64{cov[0] + sum, cov[1], cov[2] + sum}
	a.Sigma = math.Sqrt((total[0] + total[2]) / 2)
	if cov[0] != cov[2] || cov[1] != 0 {
		a.Cov = &total
	}
}

// coarseStep notes a tag that is written in steps that matter beside the errors.
func (a *Allowance) coarseStep(tag *geotag.Tag, u grid.Unit) {
	if at := tag.Position; at != nil && at.Step*metresPerDegree/math.Sqrt(12) > a.Sigma/3 {
		a.note("the tag is written in steps of %s, which the budget does not cover", words.InUnit(at.Step*metresPerDegree, u))
	}
}

// metresPerDegree is the length of a degree of latitude on the mean sphere.
const metresPerDegree = 6371008.8 * math.Pi / 180

func (a *Allowance) add(c Component) {
	if c.Stated > 0 || c.Sigma > 0 {
		a.Components = append(a.Components, c)
	}
}

func (a *Allowance) note(format string, args ...any) {
	a.Notes = append(a.Notes, fmt.Sprintf(format, args...))
}

// handheld chooses the source of the handheld's own noise.
func (b Budget) handheld(tag *geotag.Tag, a *Allowance) Component {
	if tag.Status == "V" {
		a.note(`GPSStatus says "V": the measurement was interrupted, the fix may be old`)
	}
	if v := tag.HPositioningError; v != nil {
		if *v >= minMetres && *v <= maxMetres {
			return Component{Name: ComponentHandheld, Stated: *v, Sigma: RadiusSigma(*v, b.ErrorConfidence),
				Source: fmt.Sprintf("GPSHPositioningError %s m taken as a %s radius", metres(*v), percent(b.ErrorConfidence))}
		}
		a.note("GPSHPositioningError is %v m, which can't be believed and is not used", *v)
	}
	class := Component{Name: ComponentHandheld, Stated: b.Handheld, Sigma: RadiusSigma(b.Handheld, b.HandheldConfidence),
		Source: fmt.Sprintf("device class %s m taken as a %s radius, from the budget", metres(b.Handheld), percent(b.HandheldConfidence))}
	if v := tag.DOP; v != nil && b.UserRangeError > 0 {
		drms := *v * b.UserRangeError
		switch {
		case !(drms >= minMetres && drms <= maxMetres):
			a.note("GPSDOP is %v, which can't be believed and is not used", *v)
		case drms/math.Sqrt2 < class.Sigma:
			// A dilution is no error: geometry makes no receiver better than its class.
			class.Source += fmt.Sprintf("; GPSDOP %s makes no less of it", metres(*v))
		default:
			return Component{Name: ComponentHandheld, Stated: drms, Sigma: drms / math.Sqrt2,
				Source: fmt.Sprintf("GPSDOP %s x user range error %s m, a distance root mean square", metres(*v), metres(b.UserRangeError))}
		}
	}
	return class
}

// survey adds the point's own error and returns its covariance, if it has one.
func (b Budget) survey(point Point, a *Allowance) (*[3]float64, error) {
	if point.Cov == nil {
		a.add(Component{Name: componentSurvey, Stated: b.PointSigma, Sigma: b.PointSigma,
			Source: "standard deviation per axis of the points, from the budget"})
		return nil, nil
	}
	c := *point.Cov
	if err := checkCov(c); err != nil {
		return nil, fmt.Errorf("point %q: %w", point.ID, err)
	}
	s := math.Sqrt((c[0] + c[2]) / 2)
	a.add(Component{Name: componentSurvey, Stated: s, Sigma: s,
		Source: fmt.Sprintf("covariance of point %q, root mean square of the axes", point.ID)})
	return &c, nil
}

func checkCov(c [3]float64) error {
	for _, v := range c {
		if !(math.Abs(v) <= maxSurvey*maxSurvey) {
			return fmt.Errorf("covariance %v: want square metres, no standard deviation above %d m", c, maxSurvey)
		}
	}
	// The slack is for covariances that were printed with few digits.
	if c[0] < 0 || c[2] < 0 || c[1]*c[1] > c[0]*c[2]*(1+1e-9) {
		return fmt.Errorf("covariance EE %v, EN %v, NN %v is not one: variances are 0 or more, and EN² is at most EE x NN", c[0], c[1], c[2])
	}
	return nil
}

func (b Budget) frame(op *grid.Operation, opt AllowanceOptions, a *Allowance) error {
	var parts []string
	var stated, sigma float64 // stated is a radius only where it stands alone
	switch {
	case op == nil:
		a.note("the operation to the grid is not known, nor is its accuracy")
	case op.Ballpark:
		if !(opt.BallparkSigma > 0 && opt.BallparkSigma <= maxMetres) {
			return fmt.Errorf("a ballpark operation can't be judged with BallparkSigma %v: want its standard deviation per axis in metres", opt.BallparkSigma)
		}
		stated, sigma = opt.BallparkSigma, opt.BallparkSigma
		parts = append(parts, fmt.Sprintf("ballpark operation %q taken as %s m per axis", op.Name, metres(opt.BallparkSigma)))
	case op.Accuracy == nil:
		a.note("no accuracy is on record for the operation %q; the budget counts none", op.Name)
	case !(*op.Accuracy >= 0 && *op.Accuracy <= maxMetres):
		a.note("the accuracy of the operation %q is given as %v m, which can't be used; the budget counts none", op.Name, *op.Accuracy)
	case *op.Accuracy > 0:
		stated, sigma = *op.Accuracy, RadiusSigma(*op.Accuracy, b.OperationConfidence)
		part := fmt.Sprintf("operation %q, %s m taken as a %s radius", op.Name, metres(*op.Accuracy), percent(b.OperationConfidence))
		if m := op.Motion; m != nil {
			part += fmt.Sprintf(", most of it up to %s m that the ground of %s has moved since %.1f", metres(m.Metres), m.Place, m.FrameEpoch)
		}
		parts = append(parts, part)
	}
	if b.FrameSigma > 0 {
		if sigma > 0 {
			stated = math.Hypot(sigma, b.FrameSigma)
		} else {
			stated = b.FrameSigma
		}
		sigma = math.Hypot(sigma, b.FrameSigma)
		parts = append(parts, fmt.Sprintf("standard deviation per axis of the frame %s m, from the budget", metres(b.FrameSigma)))
	}
	a.add(Component{Name: ComponentFrame, Stated: stated, Sigma: sigma, Source: strings.Join(parts, "; ")})
	return nil
}

// standoff shifts the expectation where the image tells from where it was taken.
// Else it allows for the budget's standoff in any direction, or for the subject
// distance where that is larger: it may be that of what the camera focused on.
func (b Budget) standoff(tag *geotag.Tag, opt AllowanceOptions, a *Allowance) {
	standoff := Component{Name: componentStandoff, Stated: b.Standoff,
		Source: "distance between camera and point in an unknown direction, from the budget"}
	if v, look := tag.SubjectDistance, tag.Direction; v != nil && b.MaxSubjectDistance > 0 {
		switch {
		case !(*v > 0) || math.IsInf(*v, 0):
			if look != nil {
				a.note("SubjectDistance is %v m, so the image direction is not used", *v)
			}
		case *v > b.MaxSubjectDistance:
			if look != nil {
				a.note("SubjectDistance is %s m, more than the %s m up to which it is used", metres(*v), metres(b.MaxSubjectDistance))
			}
		case look != nil && b.looking(look, *v, opt, a):
			return
		case *v > b.Standoff:
			standoff.Stated = *v
			standoff.Source = "distance between camera and point in an unknown direction, the image's SubjectDistance"
		}
	}
	a.Standoff = standoff.Stated
	a.add(standoff)
}

// looking sets the expectation from a direction and a distance; false where the
// direction can't be turned into a grid bearing.
func (b Budget) looking(look *geotag.Direction, distance float64, opt AllowanceOptions, a *Allowance) bool {
	deg := look.Degrees
	switch {
	case look.Magnetic:
		a.note("the image direction counts from magnetic north and the declination is not known, so it is not used")
		return false
	case !(deg >= 0 && deg <= 360):
		a.note("the image direction is %v degrees, which can't be believed and is not used", deg)
		return false
	case opt.Convergence == nil || !grid.Finite(*opt.Convergence):
		a.note("the projection does not tell the meridian convergence, so the image direction is not used")
		return false
	}
	// The camera looks along the grid bearing at the point, so the tag lies the
	// other way.
	sin, cos := math.Sincos((deg - *opt.Convergence) * math.Pi / 180)
	a.Expected = &Vector{E: -distance * sin, N: -distance * cos}
	a.add(Component{Name: componentDirection, Stated: distance, Sigma: distance * b.DirectionSigma * math.Pi / 180,
		Source: fmt.Sprintf("camera %s m from the point, looking along %s degrees from true north, good to %s degrees", metres(distance), trimFloat(deg, 1), trimFloat(b.DirectionSigma, 1))})
	return true
}

// Judge holds a discrepancy (tag minus point, in metres) against the allowance.
// It sets Judged and Threshold and returns the probability that honest noise
// gives a discrepancy at least as far out. With Cov "far out" is meant in the
// Mahalanobis distance: the ellipse of equal distance through the discrepancy
// is the one that counts, and Threshold is where the ellipse of the confidence
// cuts the direction of the discrepancy. Judged <= Threshold says that it is
// within.
//
// Without Standoff the squared Mahalanobis distance m² is chi-square with two
// degrees of freedom, p = exp(-m²/2). A Standoff r in the unknown direction u
// makes it non-central, with r² u'C⁻¹u for its parameter, and p is the mean of
// the non-central probabilities over all directions u, each as likely:
// p = mean of Q1(r sqrt(u'C⁻¹u), m). Where C = s² I this is Rice's Q1(r/s, d/s).
func (a *Allowance) Judge(dE, dN float64) (p float64) {
	if a.Expected != nil {
		dE -= a.Expected.E
		dN -= a.Expected.N
	}
	d := math.Hypot(dE, dN)
	a.Judged = d
	if a.Cov == nil {
		if a.limit == 0 {
			a.limit = RiceQuantile(a.Confidence, a.Standoff, a.Sigma)
		}
		a.Threshold = a.limit
		return RiceSurvival(d, a.Standoff, a.Sigma)
	}
	e := newEllipticNoise(*a.Cov, a.Standoff)
	if a.limit == 0 {
		a.limit = e.quantile(a.Confidence)
	}
	if d == 0 {
		a.Threshold = a.limit * e.major
		return 1
	}
	perMetre := e.mahalanobis(dE/d, dN/d)
	a.Threshold = a.limit / perMetre
	return e.survival(d * perMetre)
}

// UnlearntGrossScale is the GrossScale of a camera of which the job tells nothing.
// Receivers state errors that are too small by up to about two: of ten recorded
// series one receiver's stated 68 % radius was exceeded by two thirds of its fixes.
const UnlearntGrossScale = 2

// Widened is the allowance with k times the handheld's standard deviation, for
// asking how far out a discrepancy is where a receiver states too small an error.
// It has judged nothing.
func (a Allowance) Widened(k float64) Allowance {
	a.limit = 0
	a.Components = slices.Clone(a.Components)
	for i, c := range a.Components {
		if c.Name != ComponentHandheld {
			continue
		}
		more := (k*k - 1) * c.Sigma * c.Sigma
		a.Components[i].Stated, a.Components[i].Sigma = k*c.Stated, k*c.Sigma
		a.Sigma = math.Sqrt(a.Sigma*a.Sigma + more)
		if a.Cov != nil {
			a.Cov = &[3]float64{a.Cov[0] + more, a.Cov[1], a.Cov[2] + more}
		}
	}
	return a
}

// String gives the breakdown and the threshold, for instance
//
//	3.1 m handheld, 0.02 m survey, 2 m standoff -> 6.3 m at 95 %
func (a Allowance) String() string {
	return a.In(grid.Metre)
}

// In gives the same in another unit, with the metres in brackets where an image or the
// registry states metres.
func (a Allowance) In(u grid.Unit) string {
	parts := make([]string, len(a.Components))
	for i, c := range a.Components {
		length := metres(c.Stated/u.Metres) + " " + u.Symbol
		switch {
		case u.Metres != 1 && (c.Name == ComponentHandheld || c.Name == ComponentFrame):
			length += " (" + metres(c.Stated) + " m)"
		case c.Name == componentDirection:
			c.Name = "away in the known direction"
		}
		parts[i] = length + " " + c.Name
	}
	return fmt.Sprintf("%s -> %s at %s", strings.Join(parts, ", "), words.InUnit(a.Threshold, u), percent(a.Confidence))
}

// metres formats a length in words: a millimetre is enough, two decimals above
// 1 cm, one above 10 m.
func metres(v float64) string {
	switch {
	case v >= 10:
		return trimFloat(v, 1)
	case v >= 0.01:
		return trimFloat(v, 2)
	}
	return trimFloat(v, 4)
}

func trimFloat(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.ContainsRune(s, '.') {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// percent formats a probability: "95 %", "68.27 %".
func percent(p float64) string { return strconv.FormatFloat(p*100, 'g', 6, 64) + " %" }
