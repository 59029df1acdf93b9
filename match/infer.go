package match

import (
	"fmt"

	"example.com/phototie/match/walk"
)

// TieOptions say how ties are weighed.
type TieOptions struct {
	// Walk are the priors of the model; the zero Params defaults to
	// walk.DefaultParams. Set Walk.FieldOrder where whether photos come before
	// or after their points is known.
	Walk walk.Params
	// InferUntied ties photos that no link names to the point found, where it is
	// Threshold probable or more. Their Tie has EvidenceInferred.
	InferUntied bool
	// Threshold is the least probability of such a tie; 0 defaults to 0.95.
	Threshold float64
	// Off leaves ties as the links have them, unweighed: there are no Inferences
	// and no Cameras.
	Off bool
}

// threshold is the least probability of an inferred tie.
func (o TieOptions) threshold() float64 {
	if o.Threshold == 0 {
		return 0.95
	}
	return o.Threshold
}

func (o TieOptions) validate() error {
	if t := o.threshold(); !(t > 0.5 && t <= 1) {
		return fmt.Errorf("check: Ties.Threshold is %v: want a probability above 0.5, for instance 0.95", o.Threshold)
	}
	if o.Walk != (walk.Params{}) {
		return o.Walk.Validate()
	}
	return nil
}

// Inference is which point a photo shows by all that the job has to say: its
// tag, its time, ids in its name and metadata, its link, and the photos before
// and after. It changes no link. Package walk has the model.
type Inference struct {
	// Point is the point found; empty where the photo most probably shows none.
	Point string `json:"point,omitempty"`
	// Probability is how probable that is.
	Probability float64 `json:"probability"`
	// RunnerUp is the next most probable point, with its probability; empty for
	// none.
	RunnerUp            string  `json:"runner_up,omitempty"`
	RunnerUpProbability float64 `json:"runner_up_probability"`
	// Link says whether the link is confirmed, doubtful or contradicted, or that
	// there is none.
	Link walk.Status `json:"link"`
	// LinkProbability is the probability that the link is right, and Unlinked how
	// probable its point is by tags, times and names alone, without any links;
	// nil where there is no link.
	LinkProbability *float64 `json:"link_probability,omitempty"`
	Unlinked        *float64 `json:"probability_without_links,omitempty"`
	// Shift says how the link stands to Point: right, late (it lists a point
	// further along the walk), early or other.
	Shift walk.Shift `json:"shift,omitempty"`
	// Site is the part of the probability of no point that falls to a picture of the
	// site as a whole.
	Site float64 `json:"site_probability,omitempty"`
	// Repeats is the first photo whose tag has the very digits of this one's, where
	// chance can't have made them alike; empty else. The first of them repeats itself.
	// Such tags are evidence for nothing.
	Repeats string `json:"repeats,omitempty"`
	// Evidence is what speaks for Point and against it, in words.
	Evidence []string `json:"evidence"`
	// Weights are the same in figures.
	Weights *EvidenceWeights `json:"weights,omitempty"`
}

// EvidenceWeights is how much each kind of evidence speaks for one point against
// another: natural logarithms of likelihood ratios. They sum to the logarithm
// of the ratio of the two probabilities.
type EvidenceWeights struct {
	// Against is the point held against Inference.Point: the one listed where that
	// is another, else the runner-up; empty for no point.
	Against string `json:"against,omitempty"`
	// Position is by the tag, Time by the time, Listed by the link itself, Named by
	// ids in name and metadata, Walk by the photos before and after.
	Position float64 `json:"position"`
	Time     float64 `json:"time"`
	Listed   float64 `json:"listed"`
	Named    float64 `json:"named"`
	Walk     float64 `json:"walk"`
}

// Camera is what the photos of one camera have in common.
type Camera struct {
	// Camera is its serial number, else its make and model; empty where images
	// state neither.
	Camera string `json:"camera"`
	// Clock is what became of the comparison of its clock with the times of the
	// survey; nil where there are no such times.
	Clock *CameraClock `json:"clock,omitempty"`
	// Shift is what all its tags are off by, tag minus point; nil where too few
	// photos have a link to tell.
	Shift *CameraShift `json:"shift,omitempty"`
	// Noise is what the errors of its tags are like, learnt from its photos with a link;
	// nil where there are none.
	Noise *CameraNoise `json:"noise,omitempty"`
	// Summary says it in words.
	Summary []string `json:"summary"`
}

// CameraClock is how a camera's clock stands to the survey's. Figures are in
// seconds.
type CameraClock struct {
	// Photos is the number of photos that it was found from.
	Photos int `json:"photos"`
	// Used says that times were of use to tell ties. Else only Photos and GPS hold.
	Used bool `json:"used"`
	// Offset is camera minus survey, with what the crew's habit of taking photos
	// after the survey of a point or before adds; StdErr is its standard error, and
	// Spread the mean absolute difference of single photos from it.
	Offset float64 `json:"offset_s"`
	StdErr float64 `json:"std_err_s"`
	Spread float64 `json:"spread_s"`
	// Zone is the part of it that a time zone explains, for images that state
	// none, in whole quarter hours, and Residual the rest.
	Zone     float64 `json:"zone_s"`
	Residual float64 `json:"residual_s"`
	// GPS is camera minus time of the fix; nil where images have no such time.
	GPS *float64 `json:"gps_s,omitempty"`
}

// CameraNoise is what the errors of a camera's tags are like. Package noise has the
// model.
type CameraNoise struct {
	// Photos is how many it was learnt from, and Independent how many independent ones
	// they tell as much as.
	Photos      int     `json:"photos"`
	Independent float64 `json:"independent"`
	// Scale is how many times as large as stated errors are; Low and High are the ends
	// of its 95 % interval.
	Scale float64 `json:"scale"`
	Low   float64 `json:"scale_low"`
	High  float64 `json:"scale_high"`
	// White is the share of the variance that is new in each photo, and Time how many
	// seconds the rest lasts.
	White float64 `json:"white"`
	Time  float64 `json:"correlation_s"`
}

// CameraShift is what the tags of a camera are off by as a whole, in metres.
type CameraShift struct {
	Photos int     `json:"photos"`
	E      float64 `json:"e_m"`
	N      float64 `json:"n_m"`
	StdErr float64 `json:"std_err_m"`
}

// tieFacts is what the evidence says about a photo's link: the kind of finding,
// empty for none, and its facts.
func (p *PhotoResult) tieFacts() (FindingCode, Facts) {
	f := p.Inference
	if f == nil || p.Tie == nil {
		return "", nil
	}
	facts := Facts{{Name: "linked point", Text: p.Tie.Point}}
	if f.LinkProbability != nil {
		facts = append(facts, Fact{Name: "probability correct", Value: *f.LinkProbability})
	}
	if f.Point != "" {
		facts = append(facts, Fact{Name: "point shown", Text: f.Point})
	}
	facts = append(facts, Fact{Name: "probability", Value: f.Probability})
	for _, e := range f.Evidence {
		facts = append(facts, Fact{Name: "evidence", Text: e})
	}
	switch {
	case len(p.Tie.Evidence) > 0 && p.Tie.Evidence[0] == EvidenceInferred:
		return FindingInferred, facts
	case f.LinkProbability == nil:
	case f.Link == walk.Contradicted:
		return FindingContradicted, facts
	case f.Link == walk.Doubtful && *f.LinkProbability < 0.5:
		return FindingDoubted, facts
	}
	return "", nil
}
