package crs

import (
	"context"
	"fmt"
	"slices"

	"example.com/phototie/grid"
)

// Candidates lists the operations from a frame to the grid in the order that
// they are tried in: those that can be run, the best stated accuracy first; then
// those that lack a file; then those that the caller's own choice rules out. The
// positions are places on the grid, such as the points of a job. For each one the
// operation is chosen as FromGrid chooses it, so that Chosen counts what would be
// used; with the frame's epoch where it has one, and as for a photo without a
// date where it has none.
//
// A datum that no frame is known for is a [*grid.UnknownDatumError]. A choice
// that leaves no operation is no error here: the list shows why.
func (c *CRS) Candidates(ctx context.Context, at []grid.EN, frame grid.Frame) ([]grid.Candidate, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	p, useless := c.plan(frame.Datum)
	if p == nil {
		return nil, useless
	}
	if p.unknown {
		return nil, &grid.UnknownDatumError{Datum: frame.Datum}
	}
	own, err := c.fromPlane(ctx, at)
	if err != nil {
		return nil, err
	}
	var fixes []grid.FixPlacement
	if useless == nil {
		if fixes, err = c.FromGrid(ctx, at, slices.Repeat([]grid.Frame{frame}, len(at))); err != nil {
			return nil, err
		}
	}
	var places []place
	for i, o := range own {
		if !finite(o.Lat, o.Lon) {
			continue
		}
		to := place{lat: o.Lat, lon: wrap(o.Lon + c.ownMeridian)}
		if fixes != nil && fixes[i].Err == nil {
			to.chosen = fixes[i].Op.Definition
		}
		places = append(places, to)
	}
	return p.candidates(places, credible(frame.Epoch)), nil
}

// place is a position that candidates are counted for.
type place struct {
	lat, lon float64
	chosen   string // the pipeline
}

// count counts the places that w covers, and those that it is chosen for.
func (w *way) count(c *grid.Candidate, places []place) {
	for _, at := range places {
		if w.covers(at.lat, at.lon) {
			c.Covers++
		}
		if c.Usable && at.chosen == w.pipeline {
			c.Chosen++
		}
	}
}

// candidates writes a plan out.
func (p *plan) candidates(places []place, dated bool) []grid.Candidate {
	ways := slices.Concat(p.ways, p.missing, p.excluded)
	out := make([]grid.Candidate, len(ways))
	var best *way // the first that is chosen for a place
	for i := range ways {
		w, c := &ways[i], &out[i]
		*c = w.candidate()
		w.count(c, places)
		if c.Chosen > 0 && best == nil {
			best = w
		}
	}
	for i := range ways {
		w, c := &ways[i], &out[i]
		c.Preferable = best != nil && c.Covers > 0 && len(c.Missing) > 0 && !c.Excluded && w.better(best)
		c.Why = w.why(c, best, len(places), dated)
	}
	return out
}

// candidate describes a way without regard to any place.
func (w *way) candidate() grid.Candidate {
	c := grid.Candidate{
		Operation:     w.operation(),
		Codes:         w.codes(),
		TimeDependent: w.dated,
		Usable:        w.runnable && w.exclusion == "",
		Missing:       w.path.missing,
		Excluded:      w.exclusion != "",
	}
	c.Accuracy = w.stated()
	for _, a := range w.areas {
		c.Areas = append(c.Areas, grid.Area{Name: a.name, South: a.south, West: a.west, North: a.north, East: a.east})
	}
	switch {
	case w.ballpark:
		c.Notes = append(c.Notes, "ballpark: coordinates are copied from one frame to the other; the error may be hundreds of metres")
	case w.viaEnsemble:
		c.Notes = append(c.Notes, "takes the tag in WGS 84 without a realisation, which the registry holds good to 2 m")
	}
	return c
}

// why says why a candidate is used or passed over; best is what is used.
func (w *way) why(c *grid.Candidate, best *way, places int, dated bool) string {
	switch {
	case c.Excluded:
		return "ruled out: " + w.exclusion
	case !c.Usable && len(c.Missing) > 0:
		return w.whyMissing(c, best, places)
	case !c.Usable:
		return "PROJ can't run it"
	case c.Chosen > 0:
		return whyChosen(c, places, dated)
	case places == 0:
		return "no positions to choose for"
	case c.Ballpark:
		return "passed over: ballpark, used only where nothing else leads to the grid"
	case c.Covers == 0:
		return "passed over: the positions lie outside its area of use"
	case c.TimeDependent && !dated:
		return "passed over: it needs the date of the photo"
	case c.Accuracy == nil:
		return "passed over: it states no accuracy"
	case best == nil || w.better(best):
		return "passed over: PROJ can't transform the positions with it"
	case best.better(w):
		return "passed over: what is used states a better accuracy"
	}
	return "passed over: another of the same stated accuracy comes first"
}

func (w *way) whyMissing(c *grid.Candidate, best *way, places int) string {
	s := "can't be run: it needs " + lacking(c.Missing)
	switch {
	case places > 0 && c.Covers == 0:
		return s + "; the positions lie outside its area of use anyway"
	case best == nil:
		return s
	case c.Accuracy == nil:
		return s + "; it states no accuracy, so it would not be preferred to what is used"
	case w.better(best):
		return s + "; it would be better than what is used"
	}
	return s + "; it would not be better than what is used"
}

func whyChosen(c *grid.Candidate, places int, dated bool) string {
	s := "used: "
	switch {
	case c.Ballpark:
		s += "nothing else leads to the grid here"
	case c.Covers == 0:
		s += "outside its area of use, as nothing else leads to the grid here"
	case c.TimeDependent && !dated:
		s += "nothing leads to the grid without an epoch, so its reference epoch is assumed"
	case c.Accuracy == nil:
		s += "no other that can be used here states an accuracy either"
	default:
		s += "the best stated accuracy of those that can be used here"
	}
	if c.Chosen < places {
		s += fmt.Sprintf(" (%d of %d positions)", c.Chosen, places)
	}
	return s
}
