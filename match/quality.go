package match

import (
	"fmt"
	"math"

	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
)

// Measure is a result of a test of positional accuracy, with what a report by ISO 19157
// or the ASPRS standards states of it.
type Measure struct {
	// Name and ID are the measure's, by the standard that ID names.
	Name string `json:"name"`
	ID   string `json:"id"`
	// Scope says of what it is the result.
	Scope string `json:"scope"`
	// Result is in Unit, "1" for a share; nil where there is none, and Why says why.
	Result *float64 `json:"result,omitempty"`
	Unit   string   `json:"unit"`
	Why    string   `json:"why,omitempty"`
	// Level is the conformance level, and Conforms whether it is met as far as the test
	// can tell; nil where the job sets none.
	Level    *float64 `json:"conformance_level,omitempty"`
	Conforms *bool    `json:"conforms,omitempty"`
	// CheckPoints is how many points were tested, and Independence how they are
	// independent of the tags.
	CheckPoints  int    `json:"check_points"`
	Independence string `json:"independence"`
}

// quality lists the measures of a set of photos, of which so many were written from
// their points, with the differences of heights in metres. Identifiers are those of
// ISO 19157:2013, annex D (from memory).
func quality(s *SetStats, written int, heights []float64, u grid.Unit) []Measure {
	if s == nil {
		return nil
	}
	c := s.CheckPoints
	apart := "points surveyed apart from the tags; photos of a point count by their mean, blunders included"
	if written > 0 {
		apart += fmt.Sprintf("; %s written from the points left out", words.Plural(written, "tag"))
	}
	scope := fmt.Sprintf("horizontal positions of the tags of %s at %s", words.Plural(s.N, "photo"), words.Plural(c.N, "point"))
	few := ""
	if c.Total == nil {
		few = fmt.Sprintf("%d check points or more are asked for", asprsMin)
	}
	out := []Measure{
		{Name: "root mean square error of planimetry", ID: "ISO 19157:2013, 47", Result: &c.RMSER},
		{Name: "circular error probable", ID: "ISO 19157:2013, 43", Result: c.CEP, Why: s.NSSDAWhy},
		{Name: "circular error at 95 % significance level", ID: "ISO 19157:2013, 45; FGDC-STD-007.3-1998", Result: s.NSSDA, Why: s.NSSDAWhy},
		{Name: "RMSE_H, the check survey's error included", ID: "ASPRS Positional Accuracy Standards, edition 2", Result: c.Total, Why: few},
	}
	for i := range out {
		m := &out[i]
		m.Scope, m.Unit, m.CheckPoints, m.Independence = scope, u.Symbol, c.N, apart
		if m.Result != nil {
			m.Why = ""
		}
	}
	share, level, conforms := s.Over.Share, s.Over.Expected, s.Over.Low <= s.Over.Expected
	out = append(out, Measure{Name: "rate of positional uncertainties above a given threshold", ID: "ISO 19157:2013, 31",
		Scope:  fmt.Sprintf("the tags of %s, against the budget of each", words.Plural(s.Over.N, "photo")),
		Result: &share, Unit: "1", Level: &level, Conforms: &conforms, CheckPoints: c.N,
		Independence: fmt.Sprintf("%s; level met where the interval of %s reaches it", apart, words.Plural(s.Over.Visits, "visit"))})
	if n := len(heights); n > 0 {
		var sum float64
		for _, d := range heights {
			sum += d * d
		}
		rms := math.Sqrt(sum/float64(n)) / u.Metres
		out = append(out, Measure{Name: "root mean square error", ID: "ISO 19157:2013, 39", Scope: fmt.Sprintf("altitudes of the tags of %s", words.Plural(n, "photo")),
			Result: &rms, Unit: u.Symbol, CheckPoints: c.N, Independence: "heights surveyed apart from the tags; every photo counts"})
	}
	return out
}
