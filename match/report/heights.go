package report

import "example.com/phototie/match/internal/words"

// heights tells how the tags' altitudes compare with the points' heights, or
// why they don't.
func (t *text) heights() {
	s := t.r.HeightSummary()
	if s.Compared > 0 {
		m := t.u.Metres
		t.para(2, 4, "heights, tag minus point: %s compared, %s over, median %+.1f, from %+.1f to %+.1f %s", words.Count(s.Compared), words.Count(s.Over), s.Median/m, s.Min/m, s.Max/m, t.u.Symbol)
	} else if !t.opt.All {
		return
	}
	shown := t.few(len(s.NotCompared), 1)
	for _, r := range s.NotCompared[:shown] {
		t.para(2, 4, "heights not compared (%s): %s", words.Count(r.Photos), words.Safe(r.Why))
	}
	if more := len(s.NotCompared) - shown; more > 0 {
		t.line(2, "… and %s for other reasons", words.Plural(more, "kind"))
	}
}
