package dataset

import (
	"strings"

	"example.com/phototie/match/cause"
)

// StopError says why nothing was written: the points may be wrong as a whole, and
// each corrected photo with them. Find it by errors.As; it is safe for concurrent use,
// and the zero StopError has no reasons.
type StopError struct {
	Stops []cause.Stop
	// control says why the control of the site system is not to be relied upon; empty
	// where it is, or where there is none.
	control []string
}

// Error words each reason in a line.
func (e *StopError) Error() string {
	lines := []string{"nothing was written: the points, the grid or the settings may be wrong as a whole"}
	for _, s := range e.Stops {
		lines = append(lines, s.String())
	}
	lines = append(lines, e.control...)
	return strings.Join(lines, "\n")
}

// Stopped gives a *StopError where something forbids writing corrections or a
// delivery: see cause.Stop, of which there are none where no causes were looked for, and
// control of the site system that does not fit.
func (c *Checked) Stopped() error {
	e := &StopError{}
	if c.Explanation != nil {
		e.Stops = c.Explanation.Stops()
	}
	if s := c.SurveyRead.Site; s != nil && s.Plane != nil && s.Plane.Fails {
		for _, f := range s.Plane.findings() {
			e.control = append(e.control, f.Message)
		}
	}
	if len(e.Stops)+len(e.control) > 0 {
		return e
	}
	return nil
}
