package match

import (
	"fmt"
	"math"
	"reflect"

	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
)

// Aim says what a photo of a point shows where that is not the point itself: a place at
// an offset from it, or a stretch of a line, a pipe for instance, between it and another
// point. Lengths are in the grid's unit, bearings are grid bearings from the point.
type Aim struct {
	// To is the point at the other end of a stretch; empty for none.
	To string `json:"to,omitempty"`
	// Offset leads from the point to the place that the tag is held against: the one that
	// the link states, for a stretch in a Tie its place nearest to the tag.
	Offset *Vector `json:"offset,omitempty"`
	// Bearing, in degrees, and Distance are what the link states: both with the Offset that
	// they come to. A bearing without a distance moves nothing; a distance without a
	// direction adds to the standoff.
	Bearing  *float64 `json:"bearing,omitempty"`
	Distance *float64 `json:"distance,omitempty"`
}

// In says in words what is shown, in a unit; it is empty for the point itself.
func (t *Tie) In(u grid.Unit) string {
	switch a := t.Aim; {
	case a == nil:
	case a.To != "":
		return fmt.Sprintf("the stretch from %s to %s", t.Point, a.To)
	case a.Offset != nil:
		return fmt.Sprintf("the place %s from %s on grid bearing %s", words.Distance(math.Hypot(a.Offset.E, a.Offset.N), u), t.Point,
			words.Degrees(grid.BearingOf(a.Offset.E, a.Offset.N).Degrees()))
	case a.Distance != nil:
		return fmt.Sprintf("a place %s from %s in a direction that is not stated", words.Distance(*a.Distance, u), t.Point)
	case a.Bearing != nil:
		return fmt.Sprintf("%s, with grid bearing %s and no distance, which moves nothing", t.Point, words.Degrees(*a.Bearing))
	}
	return ""
}

// unplaced reports whether a photo shows a stretch, or something at a distance in an
// unknown direction: it has no one position to be corrected to, and its discrepancy is
// no sample of the errors of tags.
func (t *Tie) unplaced() bool {
	return t != nil && t.Aim != nil && (t.Aim.To != "" || t.Aim.Offset == nil && t.Aim.Distance != nil)
}

// offset leads from the point to the place that the tag is held against.
func (t *Tie) offset() Vector {
	if t == nil || t.Aim == nil || t.Aim.Offset == nil {
		return Vector{}
	}
	return *t.Aim.Offset
}

// place is the point moved to the place that a photo shows.
func (t *Tie) place(p Point) Point {
	o := t.offset()
	p.E, p.N = p.E+o.E, p.N+o.N
	return p
}

// spread is the standard deviation per axis, in metres, of an offset by a bearing and a
// distance: as good as the budget says of a direction, times its length. One that is given
// by its parts is taken to be surveyed as its point is.
func (t *Tie) spread(b Budget, u grid.Unit) float64 {
	if t == nil || t.Aim == nil || t.Aim.Offset == nil || t.Aim.Bearing == nil {
		return 0
	}
	return math.Hypot(t.Aim.Offset.E, t.Aim.Offset.N) * u.Metres * b.DirectionSigma * math.Pi / 180
}

// aim gives the tie of a photo that is on the grid the place of its stretch that is
// nearest to the tag.
func (c *checker) aim(r *PhotoResult, p Point) {
	if r.Tie.Aim == nil || r.Tie.Aim.To == "" {
		return
	}
	to := c.points[c.pointByID[r.Tie.Aim.To]]
	line, tag := Vector{E: to.E - p.E, N: to.N - p.N}, Vector{E: r.OnGrid.E - p.E, N: r.OnGrid.N - p.N}
	along := 0.0
	if l2 := line.E*line.E + line.N*line.N; l2 > 0 {
		along = max(0, min(1, (tag.E*line.E+tag.N*line.N)/l2))
	}
	// The link's own stays as it is: other photos have it too.
	r.Tie.Aim = &Aim{To: to.ID, Offset: &Vector{E: along * line.E, N: along * line.N}}
}

// aimOf is what the links of a photo to a point say of it, or why that can't be; a link
// that says nothing contradicts none.
func aimOf(links []listed, point string, pointByID map[string]int) (aim *Aim, reason Reason, why string) {
	for _, l := range links {
		a := l.link.Aim
		switch {
		case a == nil:
		case aim != nil && !reflect.DeepEqual(aim, a):
			return nil, ReasonManyPoints, fmt.Sprintf("the links say different things of what it shows of %s%s", point, onLines(links))
		default:
			aim = a
		}
	}
	if aim == nil || aim.To == "" {
		return aim, "", ""
	}
	if _, ok := pointByID[aim.To]; !ok {
		return nil, ReasonNoPoint, fmt.Sprintf("it is linked to the stretch from %s to %q, which the survey does not have", point, aim.To)
	}
	return aim, "", ""
}
