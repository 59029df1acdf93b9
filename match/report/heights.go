package report

import (
	"slices"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
)

// heights tells how the tags' altitudes compare with the points' heights, or
// why they don't.
func (t *text) heights(r *match.Result) {
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
	if len(dh) > 0 {
		slices.Sort(dh)
		t.para(2, 4, "heights, tag minus point: %s compared, median %+.1f m, from %+.1f to %+.1f m", words.Count(len(dh)), median(dh), dh[0], dh[len(dh)-1])
	}
	slices.SortStableFunc(reasons, func(a, b string) int { return why[b] - why[a] })
	shown := t.few(len(reasons), 1)
	if !t.opt.All && len(dh) == 0 {
		return
	}
	for _, w := range reasons[:shown] {
		t.para(2, 4, "heights not compared (%s): %s", words.Count(why[w]), words.Safe(w))
	}
	if more := len(reasons) - shown; more > 0 {
		t.line(2, "… and %s for other reasons", words.Plural(more, "kind"))
	}
}
