package grid

import "time"

// Epoch returns t as a decimal year in UTC: the year plus the elapsed part of
// it, so that the middle of 2023 is 2023.5. The length of the year counts the
// leap day but no leap seconds, which are far below what frames need (plates
// move some 2 nm in a second). A zero t gives 0, which a Frame reads as "not
// known".
func Epoch(t time.Time) float64 {
	if t.IsZero() {
		return 0
	}
	t = t.UTC()
	start := time.Date(t.Year(), 1, 1, 0, 0, 0, 0, time.UTC)
	end := time.Date(t.Year()+1, 1, 1, 0, 0, 0, 0, time.UTC)
	return float64(t.Year()) + float64(t.Sub(start))/float64(end.Sub(start))
}
