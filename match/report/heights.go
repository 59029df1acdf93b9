package report

import (
	"fmt"
	"slices"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
)

// heights tells how the tags' altitudes compare with the points' heights, or
// why they don't.
func (p *printer) heights(r *match.Result) {
	var dh []float64
	why := map[string]int{}
	var reasons []string
	for i := range r.Photos {
		switch h := r.Photos[i].Height; {
		case h == nil:
		case h.DH != nil:
			dh = append(dh, *h.DH)
		default:
			if why[h.Why]++; why[h.Why] == 1 {
				reasons = append(reasons, h.Why)
			}
		}
	}
	if len(dh) == 0 && len(reasons) == 0 {
		return
	}
	p.printf("\nHeights of the tags against those of the points\n")
	if len(dh) > 0 {
		slices.Sort(dh)
		p.printf("  compared  %s: median %+.1f m, from %+.1f to %+.1f m (tag minus point)\n", words.Count(len(dh)), median(dh), dh[0], dh[len(dh)-1])
	}
	slices.SortStableFunc(reasons, func(a, b string) int { return why[b] - why[a] })
	for _, w := range reasons[:min(len(reasons), alike)] {
		p.printf("  %s\n", wrap(fmt.Sprintf("not compared (%s): %s", words.Count(why[w]), words.Safe(w)), 2, "    "))
	}
	if more := len(reasons) - alike; more > 0 {
		p.printf("  … and %s more reasons\n", words.Count(more))
	}
}
