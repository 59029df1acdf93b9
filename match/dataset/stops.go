package dataset

import (
	"context"
	"fmt"
	"math"
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
		lines = append(lines, stopWords(s))
	}
	return strings.Join(lines, "\n")
}

func stopWords(s cause.Stop) string {
	far := fmt.Sprintf("%.1f m", math.Hypot(s.East, s.North))
	if math.Hypot(s.East, s.North) >= 10e3 {
		far = kilometres(math.Hypot(s.East, s.North))
	}
	var set []string
	for _, c := range s.Settings {
		set = append(set, c.Key+" = "+c.Value)
	}
	would := ""
	if len(set) > 0 {
		would = ": it would take " + strings.Join(set, ", ")
	}
	switch s.Kind {
	case cause.StopGrid:
		return fmt.Sprintf("the tags of %d photos lie %s from their points: grid.crs is probably wrong, or the points are of another job, or on a site system that [site] does not have%s", s.Photos, far, would)
	case cause.StopAlternative:
		return fmt.Sprintf("%s explains the job better than the settings do (%d photos, %s)%s", strings.ReplaceAll(s.Cause, "-", " "), s.Photos, far, would)
	}
	return fmt.Sprintf("the tags of %d photos lie together %.1f m east and %.1f m north of their points, and nothing known explains it: look for a datum, a base position or an offset", s.Photos, s.East, s.North)
}

// Stopped gives a *StopError where something forbids writing corrections or a
// delivery; see cause.Stop. It has none where no causes were to be looked for.
func (c *Checked) Stopped(ctx context.Context) error {
	ex, err := c.Explanation(ctx)
	if err != nil || ex == nil {
		return err
	}
	if stops := ex.Stops(); len(stops) > 0 {
		return &StopError{stops}
	}
	return nil
}
