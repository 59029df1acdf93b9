package sim

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Layout is how the points of a job lie.
type Layout string

// The layouts.
const (
	// Line is a gently bending line, like the furniture of a quay. Neighbours are
	// Spacing apart, to a tenth.
	Line Layout = "line"
	// Plots is a square raster walked to and fro, like the pegs of plots.
	Plots Layout = "plots"
	// Road is scattered along a road and to both sides of it: 0.4 Spacing from
	// one point to the next and, exponentially distributed, 0.6 Spacing more.
	Road Layout = "road"
)

// FieldOrder is whether photos are taken before or after their points are surveyed,
// and so how links come about. The words are those of walk.FieldOrder.
type FieldOrder string

// The field orders.
const (
	// PointThenPhoto: photos follow the observation and are linked to the point
	// observed last.
	PointThenPhoto FieldOrder = "point-then-photo"
	// PhotoThenPoint: photos precede the observation and are linked to the point
	// observed next.
	PhotoThenPoint FieldOrder = "photo-then-point"
	// IDEntered: photos are taken before and after; the crew enters the point's id.
	IDEntered FieldOrder = "id-entered"
	// LinkedLater: there are no links yet.
	LinkedLater FieldOrder = "linked-later"
)

// Stated is what the tags say of their own error.
type Stated string

// What tags say.
const (
	// StatedTrue: GPSHPositioningError is the true 68.27 % radius, bursts and all.
	StatedTrue Stated = "true"
	// StatedFlat: GPSHPositioningError is always that of quiet times.
	StatedFlat Stated = "flat"
	// StatedNone: there is none.
	StatedNone Stated = "none"
)

// Noise is the error of a handheld's position. Each axis is Gaussian with a
// standard deviation that varies, and correlates along time. Lengths are in
// metres.
//
// With StatedTrue, or with Swing and MultipathShare 0, the noise is as the budget
// takes it to be: a share of Confidence lies within the allowance. It still
// correlates, so that the share in one set scatters more than a binomial.
type Noise struct {
	// Radius95 is the 95 % radius in quiet times.
	Radius95 float64
	// Swing is the standard deviation of the logarithm of that radius, which
	// varies over SwingTime.
	Swing     float64
	SwingTime time.Duration
	// Time is the correlation time of the error: it correlates by exp(-t/Time).
	Time time.Duration
	// DriftShare is the share of the variance that correlates over DriftTime
	// instead.
	DriftShare float64
	DriftTime  time.Duration
	// MultipathShare is the share of time spent in bursts of multipath, in which
	// the radius is MultipathFactor times as large. MultipathTime is how long a
	// burst lasts on average.
	MultipathShare  float64
	MultipathFactor float64
	MultipathTime   time.Duration
	// Stated is what tags say of their own error.
	Stated Stated
}

// Config is what a set is drawn from. Start from Default. Lengths are in metres
// whatever the grid's unit.
type Config struct {
	// Seed decides all that is drawn. The same Config gives the same Set.
	Seed uint64

	// Projection is the grid; nil is DefaultPlane.
	Projection grid.Projection
	// At is where the walk starts, in the grid's unit. The zero EN is the
	// origin of a *Plane; with another projection it has to be given.
	At grid.EN
	// Datum is the map datum that the tags state.
	Datum string

	Photos, Points int
	Layout         Layout
	// Spacing is the distance between neighbouring points.
	Spacing float64
	// PointSigma is the survey's standard deviation per axis.
	PointSigma float64
	// Standoff is the distance from which points are photographed, give or take
	// a sixth.
	Standoff float64
	// DirectionShare is the share of photos that state GPSImgDirection and
	// SubjectDistance, as wrong as match.DefaultBudget has them. It needs a
	// projection that is a grid.Geodesist.
	DirectionShare float64

	// Cameras is the number of cameras. Each day's points are shared out among
	// them in stretches, which are walked at the same time; with Together one
	// crew carries all cameras and takes any of them for a photo.
	Cameras  int
	Together bool
	// Days is the number of days, Start the time of the first one's beginning.
	Days  int
	Start time.Time
	// Speed is how fast a crew moves between points, in metres per second.
	Speed float64
	// NoPointShare is the share of photos that show no point and are taken on the
	// way from one to the next.
	NoPointShare float64
	// FieldOrder is how links come about, and NoLinkShare the share of photos whose
	// link was forgotten.
	FieldOrder  FieldOrder
	NoLinkShare float64
	// NameShare is the share of photos whose file name has the point's id, and
	// TextShare that of photos with the id in the image description.
	NameShare, TextShare float64

	// Zone is what the cameras' clocks are set to, as the offset from UTC, and
	// OffsetStated whether images state it.
	Zone         time.Duration
	OffsetStated bool
	// ClockOffsets is how far each camera's clock is ahead, camera by camera.
	ClockOffsets []time.Duration
	// GPSTime says that images state the time of the fix.
	GPSTime bool
	// Heights says that points have a height and tags an altitude, which
	// AltitudeRef says the reference of.
	Heights     bool
	AltitudeRef geotag.AltitudeRef

	// Noise is the handhelds'.
	Noise Noise
	// Shuffle puts the photos into a random order; else they come in the order
	// of their names: by day, by camera, and as taken.
	Shuffle bool

	// Plants are the blunders to plant, in this order.
	Plants []Plant
}

// Default returns a Config for 200 photos of 80 points along a line, 15 m apart,
// by one crew in one day with one handheld of 5 m at 95 %. Its figures are
// plausible and no more: correlation over minutes, a fifth of the variance
// drifting over half an hour, a tenth of the time in multipath of twice the
// error. Common practice, no source.
func Default() Config {
	return Config{
		Photos: 200, Points: 80, Layout: Line, Spacing: 15,
		Datum: "WGS-84", PointSigma: 0.02, Standoff: 2,
		Cameras: 1, Days: 1, Speed: 1.2,
		Start:      time.Date(2025, 5, 20, 7, 30, 0, 0, time.UTC),
		FieldOrder: IDEntered, TextShare: 0,
		OffsetStated: true, GPSTime: true,
		Heights: true, AltitudeRef: geotag.AltitudeSeaLevel,
		Noise: Noise{
			Radius95: 5, Swing: 0.15, SwingTime: 10 * time.Minute,
			Time:       150 * time.Second,
			DriftShare: 0.2, DriftTime: 30 * time.Minute,
			MultipathShare: 0.1, MultipathFactor: 2, MultipathTime: 3 * time.Minute,
			Stated: StatedTrue,
		},
	}
}

// Budget returns the budget that fits the noise: DefaultBudget with the
// handheld's 95 % radius, the survey's deviation and the standoff of c.
func (c Config) Budget() match.Budget {
	b := match.DefaultBudget()
	b.Handheld, b.HandheldConfidence = c.Noise.Radius95, 0.95
	b.ErrorConfidence = 0.6827 // what the tags drawn state
	b.PointSigma = c.PointSigma
	b.Standoff = c.Standoff
	return b
}

// A ConfigError reports a figure of a Config that nothing can be drawn from.
type ConfigError struct {
	// Field is its name, "Noise.Time" for instance.
	Field string
	Value any
	// Want says what it has to be.
	Want string
}

func (e *ConfigError) Error() string {
	return fmt.Sprintf("sim: %s is %v: want %s", e.Field, e.Value, e.Want)
}

// Validate returns an error for every figure that can't be used, joined; each is
// a *ConfigError. Plants are looked at by New, which knows the photos.
func (c Config) Validate() error {
	const count, share, positive, length, duration = "1 or more", "a share from 0 to 1", "more than 0", "a length in metres, 0 or more", "a time above 0"
	isShare := func(v float64) bool { return v >= 0 && v <= 1 }
	isLength := func(v float64) bool { return v >= 0 && grid.Finite(v) }
	isPositive := func(v float64) bool { return v > 0 && grid.Finite(v) }
	n := c.Noise
	var errs []error
	for _, r := range append([]rule{
		{"Photos", c.Photos, c.Photos >= 1, count},
		{"Points", c.Points, c.Points >= 1, count},
		{"Cameras", c.Cameras, c.Cameras >= 1, count},
		{"Days", c.Days, c.Days >= 1, count},
		{"Layout", c.Layout, slices.Contains([]Layout{Line, Plots, Road}, c.Layout), "line, plots or road"},
		{"FieldOrder", c.FieldOrder, slices.Contains([]FieldOrder{PointThenPhoto, PhotoThenPoint, IDEntered, LinkedLater}, c.FieldOrder),
			"point-then-photo, photo-then-point, id-entered or linked-later"},
		{"Spacing", c.Spacing, isPositive(c.Spacing), positive},
		{"Speed", c.Speed, isPositive(c.Speed), positive},
		{"PointSigma", c.PointSigma, isLength(c.PointSigma), length},
		{"Standoff", c.Standoff, isLength(c.Standoff), length},
		{"DirectionShare", c.DirectionShare, isShare(c.DirectionShare), share},
		{"NoPointShare", c.NoPointShare, isShare(c.NoPointShare), share},
		{"NoLinkShare", c.NoLinkShare, isShare(c.NoLinkShare), share},
		{"NameShare", c.NameShare, isShare(c.NameShare), share},
		{"TextShare", c.TextShare, isShare(c.TextShare), share},
		{"Start", c.Start, !c.Start.IsZero(), "a time"},
		{"Zone", c.Zone, c.Zone.Abs() < 24*time.Hour, "less than a day"},
		{"ClockOffsets", c.ClockOffsets, len(c.ClockOffsets) <= c.Cameras, "no more than one for each camera"},
		{"Noise.Radius95", n.Radius95, isPositive(n.Radius95), positive},
		{"Noise.Swing", n.Swing, isShare(n.Swing), "0 to 1"},
		{"Noise.SwingTime", n.SwingTime, n.SwingTime > 0, duration},
		{"Noise.Time", n.Time, n.Time > 0, duration},
		{"Noise.DriftShare", n.DriftShare, isShare(n.DriftShare), share},
		{"Noise.DriftTime", n.DriftTime, n.DriftTime > 0, duration},
		{"Noise.MultipathShare", n.MultipathShare, isShare(n.MultipathShare) && n.MultipathShare < 1, "a share from 0 to less than 1"},
		{"Noise.MultipathFactor", n.MultipathFactor, n.MultipathFactor >= 1 && grid.Finite(n.MultipathFactor), "1 or more"},
		{"Noise.MultipathTime", n.MultipathTime, n.MultipathTime > 0, duration},
		{"Noise.Stated", n.Stated, slices.Contains([]Stated{StatedTrue, StatedFlat, StatedNone}, n.Stated), "true, flat or none"},
		{"At", c.At, math.Abs(c.At.E) < 1e12 && math.Abs(c.At.N) < 1e12, "coordinates"},
	}, c.projectionRules()...) {
		if !r.ok {
			errs = append(errs, &ConfigError{r.field, r.value, r.want})
		}
	}
	return errors.Join(errs...)
}

// rule says what a figure has to be, and whether it is.
type rule struct {
	field string
	value any
	ok    bool
	want  string
}

// projectionRules are for a projection that is not a *Plane.
func (c Config) projectionRules() []rule {
	if _, ok := c.plane(); ok {
		return nil
	}
	unit := c.Projection.Grid().Unit
	_, geodesist := c.Projection.(grid.Geodesist)
	return []rule{
		{"At", c.At, c.At != grid.EN{}, "the place on the grid where the walk starts"},
		{"Projection", unit.Name, unit.Metres > 0, "a grid with a unit"},
		{"DirectionShare", c.DirectionShare, geodesist || c.DirectionShare == 0, "0, since the projection is no grid.Geodesist"},
	}
}
