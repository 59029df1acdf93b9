package sim

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Extent is how much of a job a blunder concerns.
type Extent string

// The extents.
const (
	// Usual is the kind's default: all of the job for most, a few photos for
	// those that come singly or in runs.
	Usual Extent = "usual"
	// OneCamera is all photos of one camera of two, or the points of its crew.
	OneCamera Extent = "one camera"
	// OneDay is all photos, or points, of one day of two.
	OneDay Extent = "one day"
	// OneFifth is a fifth of the photos, at random.
	OneFifth Extent = "one fifth"
)

// Extents lists the extents.
var Extents = []Extent{Usual, OneCamera, OneDay, OneFifth}

// errExtent is returned for a kind that can't have an extent.
var errExtent = errors.New("sim: a blunder of the kind can't have the extent")

// Scenario is a way to plant blunders that differs from seed to seed: in
// direction, size, length and place, but each time so that it moves the tags, or
// the points, by more than twice the budget, where it moves any at all.
type Scenario struct {
	// Name is the kinds, and the extent where it is not Usual.
	Name string
	// Kinds are what is planted; none for an honest job.
	Kinds []Kind

	prepare []func(*Config, *rand.Rand)
}

// Honest is the scenario of a job without a blunder.
func Honest() Scenario { return Scenario{Name: "nothing"} }

// NewScenario returns the scenario of one kind. The error says that it can't have the extent, or is that
// there is no such kind or extent.
func NewScenario(kind Kind, extent Extent) (Scenario, error) {
	r := kind.recipe()
	if r == nil {
		return Scenario{}, fmt.Errorf("sim: there is no kind of blunder %q", kind)
	}
	s := Scenario{Name: string(kind), Kinds: []Kind{kind}}
	if !slices.Contains(Extents, extent) {
		return Scenario{}, fmt.Errorf("sim: there is no extent %q", extent)
	}
	if extent != Usual {
		whole := r.rate == 0 && r.count == 0 && r.run == 0
		if !whole || extent == OneFifth && r.in != InTags {
			return Scenario{}, fmt.Errorf("%w: %s, %s", errExtent, kind, extent)
		}
		s.Name += ", " + string(extent)
	}
	s.prepare = append(s.prepare, func(c *Config, rng *rand.Rand) {
		p := Plant{Kind: kind}
		vary(c, &p, rng)
		switch extent {
		case OneCamera:
			c.Cameras = max(c.Cameras, 2)
			p.Camera = 1 + rng.IntN(c.Cameras)
		case OneDay:
			c.Days = max(c.Days, 2)
			p.Day = 1 + rng.IntN(c.Days)
		case OneFifth:
			p.Rate = 0.2
		}
		c.Plants = append(c.Plants, p)
	})
	return s, nil
}

// And returns the scenario that plants both, s first.
func (s Scenario) And(t Scenario) Scenario {
	switch {
	case len(s.Kinds) == 0:
		return t
	case len(t.Kinds) == 0:
		return s
	}
	return Scenario{
		Name:    s.Name + " + " + t.Name,
		Kinds:   slices.Concat(s.Kinds, t.Kinds),
		prepare: slices.Concat(s.prepare, t.prepare),
	}
}

// Config returns base with the blunders of the scenario in its Plants, and
// changed where they need it: points further apart, two cameras. A *Plane learns
// a datum that is planted under the name "LOCAL" and a number. What is drawn
// depends on the seed of base only.
func (s Scenario) Config(base Config) Config {
	base.Plants = slices.Clone(base.Plants)
	rng := base.stream(streamScenario)
	for _, f := range s.prepare {
		f(&base, rng)
	}
	return base
}

func (s Scenario) String() string { return s.Name }

// vary draws the figures of a plant, and adapts the job to it.
func vary(c *Config, p *Plant, rng *rand.Rand) {
	sign := func() float64 { return float64(2*rng.IntN(2) - 1) }
	toAnySide := func(lo, hi float64) match.Vector {
		e, n := polar(uniform(rng, lo, hi), uniform(rng, 0, 360))
		return match.Vector{E: e, N: n}
	}
	// Six radii: neighbours that can be told apart by a single photo.
	wide := 6 * c.Noise.Radius95
	switch p.Kind {
	case TagDatum, PointDatum:
		// As much as classic datums are off by.
		p.Shift = toAnySide(80, 250)
		// A real datum is one that projections know, among others.
		if own, ok := c.plane(); ok {
			c.Projection = own.WithDatum(fmt.Sprintf("LOCAL %d", len(own.datums)+1), p.Shift)
		}
	case CommonShift:
		p.Shift = toAnySide(5*c.Noise.Radius95, 8*c.Noise.Radius95)
	case RoundedTags:
		p.Hidden = rng.IntN(2) == 0
	case FrozenFix, LateRun, EarlyRun:
		c.Spacing = max(c.Spacing, wide)
		p.Run = 8 + rng.IntN(9)
	case SwappedTies, WrongTie:
		c.Spacing = max(c.Spacing, wide)
	case TrackOffset:
		c.Spacing = max(c.Spacing, wide)
		p.Offset = time.Duration(sign()) * []time.Duration{2 * time.Minute, 5 * time.Minute, time.Hour}[rng.IntN(3)]
	case ClockOffset:
		p.Offset = time.Duration(sign()) * []time.Duration{10 * time.Minute, time.Hour, 2 * time.Hour}[rng.IntN(3)]
	case LeapSeconds:
		// The clock of one camera may be slow by as much.
		c.Cameras = max(c.Cameras, 2)
	case HeightReference:
		p.Height = sign() * uniform(rng, 30, 60)
	case WrongFeet:
		// 2 ppm of 5,780 km are 11.6 m: twice the budget of a good handheld only.
		c.Noise.Radius95 = min(c.Noise.Radius95, 4)
		// The grid is in one of the feet, and the points in the other.
		p.Scale = grid.Foot.Metres / grid.USSurveyFoot.Metres
		unit := grid.Foot
		if rng.IntN(2) == 0 {
			p.Scale, unit = 1/p.Scale, grid.USSurveyFoot
		}
		if own, ok := c.plane(); ok {
			c.Projection = own.in(unit)
		}
	case NeighbouringZone:
		if own, ok := c.plane(); ok {
			p.Other = own.Zone(int(sign()))
		}
	case GroundAsGrid:
		// Up to 1 m in a kilometre, as at a height of 3 km in the middle of a zone of
		// 6 degrees, on a long road, driven.
		c.Layout, c.Spacing, c.Speed = Road, max(c.Spacing, 1500), max(c.Speed, 15)
		p.Scale = 1 + sign()*uniform(rng, 0.0006, 0.001)
	}
}

// plane returns the plane that a set of c is on.
func (c Config) plane() (*Plane, bool) {
	if c.Projection == nil {
		return DefaultPlane(), true
	}
	p, ok := c.Projection.(*Plane)
	return p, ok
}

// Scenarios returns the scenarios of all kinds in the extents, without those that
// a kind can't have. With no extents it is Usual.
func Scenarios(extents ...Extent) []Scenario {
	if len(extents) == 0 {
		extents = []Extent{Usual}
	}
	var out []Scenario
	for _, k := range Kinds() {
		for _, e := range extents {
			if s, err := NewScenario(k, e); err == nil {
				out = append(out, s)
			}
		}
	}
	return out
}

// ParseScenario reads the name of a scenario: "nothing", a kind, a kind and an
// extent with a comma between, or several with a plus sign between.
func ParseScenario(name string) (Scenario, error) {
	out := Honest()
	for part := range strings.SplitSeq(name, "+") {
		kind, extent, ok := strings.Cut(strings.TrimSpace(part), ",")
		if kind == Honest().Name && !ok {
			continue
		}
		if !ok {
			extent = string(Usual)
		}
		s, err := NewScenario(Kind(strings.TrimSpace(kind)), Extent(strings.TrimSpace(extent)))
		if err != nil {
			return Scenario{}, err
		}
		out = out.And(s)
	}
	return out, nil
}
