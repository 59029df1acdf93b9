package match

import (
	"fmt"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/walk"
)

// coarseShare is the share of the points' spacing that a tag may be off by and still
// tell one from the next.
const coarseShare = 0.5

// coarsest is the largest error that a tag may have to be judged, as a radius in
// metres at the budget's confidence; 0 for any.
func coarsest(b Budget, points []Point, unit grid.Unit) float64 {
	if b.Coarse == 0 {
		return 0
	}
	at := make([]grid.EN, len(points))
	for i, p := range points {
		at[i] = p.EN
	}
	return max(b.Coarse, coarseShare*walk.NewIndex(at).Spacing()*unit.Metres)
}

// coarse says why a tag is too coarse to judge; an empty reason where it is not.
func (c *checker) coarse(t *geotag.Tag) (Reason, string) {
	if c.coarsest == 0 {
		return "", ""
	}
	b := c.opt.BudgetFor(t)
	sigma := b.handheld(t, &Allowance{}).Sigma
	radius := sigma * rayleighFactor(b.Confidence)
	if radius <= c.coarsest {
		return "", ""
	}
	return ReasonCoarse, fmt.Sprintf("by what it states the tag may be %s off, and %s is the most that is judged (budget.coarse_m)",
		words.InUnit(radius, c.unit), words.InUnit(c.coarsest, c.unit))
}
