package cause

import (
	"cmp"
	"context"
	"slices"
	"sort"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// A Cause is one thing that can put tags out, or tie photos to wrong points. It
// knows the signature that this leaves and proposes hypotheses that show it; the
// search weighs them, its own and those of all other causes, by the same rule.
type Cause interface {
	// Name identifies the cause: lower-case words with hyphens. It is stable.
	Name() string
	// Propose returns what the cause could be in this job, as far as the causes
	// accepted so far leave anything to explain; none where it has nothing to
	// say. It is called again after each cause that is accepted and must not
	// change the evidence.
	Propose(ctx context.Context, e *Evidence) ([]Hypothesis, error)
}

// Scope says which sets of the photos that a hypothesis has a Change for may be
// concerned by it together. Each kind of set is paid for by what it takes to
// describe one.
type Scope uint8

// The kinds of set.
const (
	// ScopeAll: all of them.
	ScopeAll Scope = 1 << iota
	// ScopeGroups: those of a camera, a day, or a camera on a day.
	ScopeGroups
	// ScopeRuns: those of a run, one after another in time.
	ScopeRuns
	// ScopeSome: any of them, each chosen for itself.
	ScopeSome
)

// ScopeAny allows every kind of set.
const ScopeAny = ScopeAll | ScopeGroups | ScopeRuns | ScopeSome

// Change is what becomes of one photo where a hypothesis holds for it. Lengths
// are in metres on the grid. One that says nothing but the photo does not concern it.
type Change struct {
	// Photo is the photo's index in Evidence.Photos.
	Photo int
	// At is what the tag should read, in degrees; nil leaves it.
	At *grid.LatLon
	// Datum is the datum that the tag should state; nil leaves it.
	Datum *string
	// Move is subtracted from the tag's place on the grid.
	Move *match.Vector
	// Tie is the index in Evidence.Points of the point that the photo should be
	// tied to; nil leaves it.
	Tie *int
	// Where are places, relative to the tied point, of which one is where the tag
	// should be, each as likely; none leaves it at the point.
	Where []match.Vector
	// Blur is by how much the tag's place may be off on top of the noise, each
	// value as likely: half widths east and north.
	Blur *match.Vector
	// Height is subtracted from the tag's altitude.
	Height float64
	// Accuracy is by how many times the tag's error is larger than it states, and
	// Standoff from how far the point was photographed, in metres; 0 leaves either.
	Accuracy, Standoff float64
	// Void says that the tag is no fix of this photo at all. LogP then is the
	// logarithm of the probability density of the tag, per square metre.
	Void bool
	// LogP is the logarithm of a likelihood ratio for the hypothesis from other
	// evidence than the tag's place, with Void the whole of it.
	LogP float64
	// Shows says that LogP is evidence from what the image states, which needs no
	// place, tie or discrepancy to count.
	Shows bool
}

func (c *Change) concerns() bool {
	return c.At != nil || c.Datum != nil || c.Move != nil || c.Tie != nil || c.Where != nil ||
		c.Blur != nil || c.Height != 0 || c.Void || c.LogP != 0
}

// change is what becomes of a photo, not to be written to; unchanged where it is not
// concerned.
func (h *Hypothesis) change(photo int) *Change {
	k := photo // where all are concerned
	if k >= len(h.Changes) || h.Changes[k].Photo != photo {
		k = sort.Search(len(h.Changes), func(k int) bool { return h.Changes[k].Photo >= photo })
	}
	if k < len(h.Changes) && h.Changes[k].Photo == photo {
		return &h.Changes[k]
	}
	return &unchanged
}

var unchanged Change

// arrange brings the changes in the order of photos, one of each: the last.
func (h *Hypothesis) arrange() {
	if slices.IsSortedFunc(h.Changes, func(a, b Change) int { return cmp.Compare(a.Photo, b.Photo+1) }) {
		return
	}
	slices.Reverse(h.Changes)
	slices.SortStableFunc(h.Changes, func(a, b Change) int { return cmp.Compare(a.Photo, b.Photo) })
	h.Changes = slices.CompactFunc(h.Changes, func(a, b Change) bool { return a.Photo == b.Photo })
}

// Hypothesis is one way in which a cause could be at work in a job.
type Hypothesis struct {
	// Changes has what becomes of each photo that is concerned, in any order; of two for
	// one photo the later holds.
	Changes []Change
	// Points has where points belong, by their index in Evidence.Points, for a
	// cause in the point list; nil otherwise. A photo tied to such a point is
	// concerned with it and needs no Change.
	Points map[int]grid.EN
	// Items are sets of photos that are concerned together or not at all, the
	// pair of a swapped tie for instance. Nil takes each photo for itself, and
	// with Points all photos of a point together.
	Items [][]int
	// Scope are the kinds of set allowed; 0 defaults to ScopeAny.
	Scope Scope
	// Order is the order in which the photos follow one another for ScopeRuns,
	// several where there are several walks; nil defaults to each camera's photos in the order of
	// time.
	Order [][]int
	// Rate is how often, as a share of photos, the cause is expected where photos
	// are concerned each for itself; 0 counts the sets there are instead.
	Rate float64
	// Params are the figures fitted or chosen.
	Params []Param
	// Free is the number of figures that were fitted to the discrepancies, Cost
	// what choosing took beyond that in nats: the logarithm of the number of
	// alternatives tried, or of the range of a figure over its standard error.
	Free int
	Cost float64
	// Caution is the part of Cost that keeps the cause from being named without good
	// evidence, and that a reason not to write does not pay; see Stop.
	Caution float64
	// Coherent says that the hypothesis explains what photos have in common, such
	// as a shift. Noise has that too, since it correlates along time, and the
	// gain is counted by the number of independent photos.
	Coherent bool
	// Predicts says that the hypothesis has all tags, or all points, move by much
	// the same with no figure fitted: by the shift between two datums, for instance.
	// Accuracy is the standard deviation per axis of that, in metres. Such a
	// hypothesis is held against a shift that is fitted freely: what it leaves has
	// to be zero within its standard error.
	Predicts bool
	Accuracy float64
	// MinPhotos is the least number of photos concerned; 0 defaults to 1.
	MinPhotos int
	// Words puts what a cause from outside this package has found into words; nil
	// leaves a plain summary.
	Words func(f *Found, e *Evidence) (summary, remedy string)
	// Fix proposes what to apply; nil proposes nothing.
	Fix func(f *Found, e *Evidence) *Fix

	alike float64 // what aligned returns, where it is known; else 0
}

// Param is a figure that was fitted or chosen.
type Param struct {
	// Name says what it is: "shift east", "factor", "datum".
	Name string `json:"name"`
	// Value is the figure; Text is given in its place where it is a name.
	Value float64 `json:"value,omitempty"`
	Text  string  `json:"text,omitempty"`
	// Unit is the figure's unit; empty for a ratio.
	Unit string `json:"unit,omitempty"`
	// StdErr is the standard error of a fitted figure, by the number of
	// independent photos; nil for a chosen one.
	StdErr *float64 `json:"std_err,omitempty"`

	sigma float64 // what StdErr is for one photo; 0 for a chosen figure
}

// GroupKind says what photos have in common.
type GroupKind string

// The kinds of group.
const (
	GroupAll       GroupKind = "all"
	GroupCamera    GroupKind = "camera"
	GroupDay       GroupKind = "day"
	GroupCameraDay GroupKind = "camera-day"
	GroupRun       GroupKind = "run"
	GroupSome      GroupKind = "some"
)

// Group is the simplest description of the photos concerned.
type Group struct {
	Kind GroupKind `json:"kind"`
	// Camera and Day are what the photos have in common; empty where nothing.
	Camera string `json:"camera,omitempty"`
	Day    string `json:"day,omitempty"`
	// From and To are the clock times of the first and the last photo, as the
	// images state them, without a zone; empty where they state none.
	From string `json:"from,omitempty"`
	To   string `json:"to,omitempty"`
}

// Tally counts the photos concerned by verdict.
type Tally struct {
	// Counts has all four verdicts.
	Counts map[match.Verdict]int `json:"counts"`
	// Median is the median distance in metres between the tag and where it is
	// expected, over those that have one; nil where none has.
	Median *float64 `json:"median_distance_m,omitempty"`
}

// Weight is the evidence for a cause, in nats (natural logarithms of
// likelihoods).
type Weight struct {
	// Gain is the logarithm of the likelihood with the cause over that without,
	// as if photos were independent.
	Gain float64 `json:"gain"`
	// Independent is the number of photos that count, given that noise correlates
	// along time, of Photos that gain.
	Independent float64 `json:"independent"`
	// Penalty is what the cause costs: for the figures fitted, the alternatives
	// tried, the set of photos chosen, and the number of causes tried.
	Penalty float64 `json:"penalty"`
	// Score is by how much the explanation as a whole is better with the cause than
	// the best one that the other causes make without it, after penalties. It is
	// above MinScore for every cause reported.
	Score float64 `json:"score"`
}

// Found is a cause that was accepted, a plain value, safe for concurrent use while nobody
// writes to it; the zero Found names none.
type Found struct {
	// Name is the cause's.
	Name string `json:"name"`
	// Summary says in one line what is wrong, and Remedy what to do.
	Summary string `json:"summary"`
	Remedy  string `json:"remedy"`
	// Photos are the names of the photos concerned, in the order of the result.
	Photos []string `json:"photos"`
	// Points are the ids of the points concerned, for a cause in the point list, and
	// AllPoints says that these are all there are.
	Points    []string `json:"points,omitempty"`
	AllPoints bool     `json:"all_points,omitempty"`
	Group     Group    `json:"group"`
	Params    []Param  `json:"params,omitempty"`
	// Moves says that the cause moves tags, points or ties. Where it is false
	// (clocks, heights) the verdicts stay as they are.
	Moves bool `json:"moves"`
	// Before is how the photos concerned were judged, After how they would be
	// with all causes accounted for. Nothing has been changed.
	Before Tally  `json:"before"`
	After  Tally  `json:"after"`
	Weight Weight `json:"weight"`
	// Rivals are the names of causes that explain these photos nearly as well, so
	// that the job can't tell which it is.
	Rivals []string `json:"rivals,omitempty"`
	// Fix is what can be applied; nil where only words help.
	Fix *Fix `json:"fix,omitempty"`

	photos []int // by index in Evidence.Photos
	points []int
	hyp    *Hypothesis
}

// Fix is a proposal. Nothing in it has been applied.
type Fix struct {
	// Links are rows for the links file, each to replace the row of its Line.
	Links []match.Link `json:"links,omitempty"`
	// Points are corrected rows for the points file, each to replace the row of
	// its Line.
	Points []match.Point `json:"points,omitempty"`
	// Settings are changes of the settings.
	Settings []Setting `json:"settings,omitempty"`
}

// Setting is one change of the settings.
type Setting struct {
	// Key is the key with its table, as TOML has it: `grid.crs`.
	Key string `json:"key"`
	// Value is the new value in TOML's notation.
	Value string `json:"value"`
	// Why says why.
	Why string `json:"why"`
}

// TOML returns the change as a line of TOML.
func (s Setting) TOML() string { return s.Key + " = " + s.Value + "  # " + s.Why }

// Unexplained is a photo that is out and stays so.
type Unexplained struct {
	Photo   string        `json:"photo"`
	Point   string        `json:"point"`
	Verdict match.Verdict `json:"verdict"`
	// Distance is that between the tag and where it is expected, in metres, with
	// the causes accounted for.
	Distance float64 `json:"distance_m"`
	// Nearest is the point nearest to the tag, where it is another one and within budget.
	Nearest string `json:"nearest,omitempty"`
}

// Explanation is what explains a checked job. Nothing changes it once it is made, and its
// methods are safe for concurrent use. The zero Explanation has no causes.
type Explanation struct {
	// Causes are those accepted, the one that concerns most photos first.
	Causes []Found `json:"causes"`
	// Unexplained are the photos that are over budget, with the causes accounted
	// for. Noise alone puts about Expected photos there; none of it is gross.
	Unexplained []Unexplained `json:"unexplained"`
	Expected    float64       `json:"expected_over"`
	// TooFew says that photos are out and the job has too few to tell why: only
	// causes that a single photo shows were looked for.
	TooFew bool `json:"too_few_photos,omitempty"`
	// Before and After count all photos.
	Before Tally `json:"before"`
	After  Tally `json:"after"`

	stops []Stop
	// foot has the facts where nothing says which foot the points are in; else nil.
	foot match.Facts
}

// StopKind is a kind of Stop. The strings are stable.
type StopKind string

// The kinds of stop.
const (
	// StopShift: the tags lie off their points by a common shift that is no noise
	// and that no known cause explains.
	StopShift StopKind = "shift-unexplained"
	// StopGrid: the tags lie so far from their points that the grid, or the list of
	// points, must be another one.
	StopGrid StopKind = "grid-implausible"
	// StopAlternative: other feet, another zone or another datum explains the job
	// better than what the settings say.
	StopAlternative StopKind = "alternative-better"
)

// Stop is a reason not to write: points may be wrong as a whole, and each
// corrected photo with them. It is a plain value, safe for concurrent use; the zero Stop
// is of no kind.
type Stop struct {
	Kind StopKind `json:"kind"`
	// East and North are what the tags lie off their points by, in metres, and
	// Photos how many do.
	East   float64 `json:"shift_east_m"`
	North  float64 `json:"shift_north_m"`
	Photos int     `json:"photos"`
	// Cause is the name of the cause that explains it, or may; empty where none
	// does. Settings are the changes of the settings that would follow from it.
	Cause    string    `json:"cause,omitempty"`
	Settings []Setting `json:"settings,omitempty"`
	// Score is the evidence in nats: that of Cause, or against mere noise.
	Score float64 `json:"score"`
	// unit is the grid's.
	unit grid.Unit
}

// Stops returns the reasons not to write corrections or a delivery, the gravest
// first; none where points, tags and settings agree.
func (x *Explanation) Stops() []Stop { return slices.Clone(x.stops) }
