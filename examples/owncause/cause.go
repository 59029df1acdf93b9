package main

import (
	"context"
	"fmt"
	"math"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
)

// antennaOffset is the cause antenna-offset: a handheld writes the position of an
// antenna beside it, on a pole, a vehicle or a boat, so that its tags are off by a
// lever arm that turns with the direction of the camera. No shift that is the same
// for all photos explains that.
type antennaOffset struct{}

// Name is how the cause is called in reports.
func (antennaOffset) Name() string { return "antenna-offset" }

// The least number of photos to fit on, and how long a lever arm can be in metres:
// the job's own knowledge.
const (
	leastPhotos = 8
	longestArm  = 12
)

// Propose fits the lever arm of each camera: forward and to the right of where the
// camera looks. What is left of a discrepancy, turned into the camera's frame, is the
// arm plus noise, so that its mean is the estimate by least squares.
func (antennaOffset) Propose(_ context.Context, e *cause.Evidence) ([]cause.Hypothesis, error) {
	geodesist, ok := e.Input.Proj.(grid.Geodesist)
	if !ok {
		return nil, nil // no true direction can be turned into a grid bearing
	}
	cameras := e.Cameras()
	var out []cause.Hypothesis
	for _, camera := range cameras {
		var arm match.Vector // E to the right, N forward
		var sigma float64
		looks := make(map[int]heading)
		for i := range e.Photos {
			p := &e.Photos[i]
			if p.Camera != camera || p.D == nil || p.Tag.Direction == nil || p.Tag.Direction.Magnetic {
				continue
			}
			look, err := lookingAlong(geodesist, *p.OnGrid, p.Tag)
			if err != nil {
				continue // a place that the projection can't hold
			}
			looks[i] = look
			rest := p.Expected()
			if rest == (match.Vector{}) {
				// The image states no distance: the point lies ahead by the standoff.
				rest = look.turn(match.Vector{N: -p.Standoff})
			}
			in := look.back(match.Vector{E: p.D.E - rest.E, N: p.D.N - rest.N})
			arm.E, arm.N, sigma = arm.E+in.E, arm.N+in.N, sigma+p.Sigma
		}
		n := float64(len(looks))
		if len(looks) < leastPhotos {
			continue
		}
		arm.E, arm.N, sigma = arm.E/n, arm.N/n, sigma/n
		if size := math.Hypot(arm.E, arm.N); size > longestArm || size < sigma/2 {
			continue
		}
		h := cause.Hypothesis{
			Scope: cause.ScopeAll, Coherent: true, MinPhotos: leastPhotos,
			// Two figures were fitted, out of a disc of that radius, for one of the cameras.
			Free: 2,
			Cost: math.Log(math.Pi*longestArm*longestArm/(sigma*sigma)) + math.Log(float64(len(cameras))),
		}
		for i, look := range looks {
			move := look.turn(arm)
			h.Changes = append(h.Changes, cause.Change{Photo: i, Move: &move})
		}
		h.Words = func(f *cause.Found, _ *cause.Evidence) (summary, remedy string) {
			se := sigma / math.Sqrt(math.Max(f.Weight.Independent, 1))
			f.Params = []cause.Param{
				{Name: "arm forward", Value: arm.N, Unit: "m", StdErr: &se},
				{Name: "arm right", Value: arm.E, Unit: "m", StdErr: &se},
			}
			return fmt.Sprintf("%s: the tags are those of an antenna %.1f m from the camera, %s and %s", f.Who(), math.Hypot(arm.E, arm.N),
					side(arm.N, "in front", "behind"), side(arm.E, "to the right", "to the left")),
				"enter the lever arm in the app of the handheld; the ties hold"
		}
		out = append(out, h)
	}
	return out, nil
}

func side(v float64, plus, minus string) string {
	if v < 0 {
		plus = minus
	}
	return fmt.Sprintf("%.1f m %s", math.Abs(v), plus)
}

// heading is a direction on the grid: its sine and cosine from grid north.
type heading struct{ sin, cos float64 }

// lookingAlong is where a camera looks, on the grid: the true direction less the
// convergence at its place.
func lookingAlong(g grid.Geodesist, at grid.EN, tag *geotag.Tag) (heading, error) {
	factors, err := g.Factors(at)
	if err != nil {
		return heading{}, err
	}
	sin, cos := math.Sincos((tag.Direction.Degrees - factors.Convergence) * math.Pi / 180)
	return heading{sin, cos}, nil
}

// turn brings a vector from the camera's frame (E to the right, N forward) onto the
// grid, and back does the reverse.
func (h heading) turn(v match.Vector) match.Vector {
	return match.Vector{E: v.E*h.cos + v.N*h.sin, N: -v.E*h.sin + v.N*h.cos}
}

func (h heading) back(v match.Vector) match.Vector {
	return match.Vector{E: v.E*h.cos - v.N*h.sin, N: v.E*h.sin + v.N*h.cos}
}
