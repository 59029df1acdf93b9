package dataset

import (
	"strings"

	"example.com/phototie/match/cause"
)

// StopError says why nothing was written: the points may be wrong as a whole, and
// each corrected photo with them.
type StopError struct{ Stops []cause.Stop }

// Error words each reason in a line.
func (e *StopError) Error() string {
	lines := []string{"nothing was written: the points, the grid or the settings may be wrong as a whole"}
	for _, s := range e.Stops {
		lines = append(lines, s.String())
	}
	return strings.Join(lines, "\n")
}

// Stopped gives a *StopError where something forbids writing corrections or a
// delivery; see cause.Stop. It has none where no causes were looked for.
func (c *Checked) Stopped() error {
	if c.Explanation == nil {
		return nil
	}
	if stops := c.Explanation.Stops(); len(stops) > 0 {
		return &StopError{stops}
	}
	return nil
}
