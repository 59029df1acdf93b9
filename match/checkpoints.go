package match

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// CheckPoints is how well tags place points, by the points: what is tested are
// independent points, however many photos each has, and blunders count. Lengths are
// in the set's unit; a point's discrepancy is the mean of those of its photos.
type CheckPoints struct {
	// N is the number of points.
	N int `json:"n"`
	// RMSEE, RMSEN and RMSER are as in SetStats, of the points.
	RMSEE float64 `json:"rmse_e"`
	RMSEN float64 `json:"rmse_n"`
	RMSER float64 `json:"rmse_r"`
	// CEP is the circular error probable, the radius that holds 50 %, and R68 the
	// radius that holds 68.27 %: 1.1774 and 1.5152 times 0.5 (RMSEE + RMSEN), as the
	// NSSDA's 95 % is 2.4477 times that; nil where NSSDA has no formula. Source: the
	// closed form of circular-error tables.
	CEP *float64 `json:"cep,omitempty"`
	R68 *float64 `json:"r68,omitempty"`
	// DRMS2 is twice the distance root mean square, 2DRMS = 2 RMSER, which holds 95
	// to 98 % (common practice).
	DRMS2 float64 `json:"2drms"`
	// Survey is the check survey's own error, the root mean square of the radial
	// standard deviations that the points state.
	Survey float64 `json:"rmse_survey"`
	// Total is RMSER with the check survey's error in it, sqrt(RMSER² + Survey²); nil
	// below the 30 check points that are asked for. Source: ASPRS Positional Accuracy
	// Standards for Digital Geospatial Data, edition 2, 2023 (from memory).
	Total *float64 `json:"rmse_h,omitempty"`
}

// nssdaMin is the number of check points that FGDC-STD-007.3-1998 asks for, and
// asprsMin that of ASPRS edition 2.
const nssdaMin, asprsMin = 20, 30

// circular returns 0.5 (RMSE_E + RMSE_N), the standard deviation per axis that
// circular errors are worked out from, or why it can't stand for both:
// FGDC-STD-007.3-1998, appendix 3-A, has no formula where their ratio is below 0.6.
func circular(rmseE, rmseN float64) (float64, string) {
	lo, hi := min(rmseE, rmseN), max(rmseE, rmseN)
	if lo < 0.6*hi {
		return 0, fmt.Sprintf("RMSE_E:RMSE_N is %.2f, FGDC-STD-007.3-1998 needs 0.6", lo/hi)
	}
	return 0.5 * (rmseE + rmseN), ""
}

// points adds what the set says by its points, whose mean discrepancies d are.
func (s *SetStats) points(d []Vector, survey float64) {
	e, n := axes(d)
	c := &CheckPoints{N: len(d), RMSEE: e.rms(), RMSEN: n.rms(), Survey: survey}
	c.RMSER = math.Hypot(c.RMSEE, c.RMSEN)
	c.DRMS2 = 2 * c.RMSER
	s.CheckPoints = c
	sigma, why := circular(c.RMSEE, c.RMSEN)
	if why == "" {
		cep, r68 := sigma*rayleighFactor(0.5), sigma*rayleighFactor(0.6827)
		c.CEP, c.R68 = &cep, &r68
	}
	if c.N >= asprsMin {
		total := math.Hypot(c.RMSER, survey)
		c.Total = &total
	}
	switch {
	case c.N < nssdaMin:
		s.NSSDAWhy = fmt.Sprintf("FGDC-STD-007.3-1998 asks for %d check points or more", nssdaMin)
	case why != "":
		s.NSSDAWhy = why
	default:
		v := 2.4477 * sigma // with equal root mean squares 1.7308 RMSE_r, which is the same
		s.NSSDA = &v
	}
}

// visitSeconds is how long a visit lasts at most: errors of receivers are as good as
// independent after so long (those of real ones are slow over minutes).
const visitSeconds = 600

// visited gathers photos of one camera that were taken within ten minutes, and those
// of one point where there is no time.
func visited(a, b judged) int {
	return cmp.Or(cmp.Compare(a.Camera, b.Camera), cmp.Compare(a.Time, b.Time), cmp.Compare(a.Point, b.Point), a.compare(b))
}

func sameVisit(first, next judged) bool {
	if first.Time == 0 || next.Time == 0 {
		return first.Camera == next.Camera && next.Time == 0 && first.samePoint(next)
	}
	return first.Camera == next.Camera && next.Time-first.Time <= visitSeconds
}

// byPoint gathers photos of one point: points of several jobs may have the same name.
func byPoint(a, b judged) int {
	return cmp.Or(cmp.Compare(a.Point, b.Point), cmp.Compare(a.E, b.E), cmp.Compare(a.N, b.N), a.compare(b))
}

func (a judged) samePoint(b judged) bool {
	return a.Point == b.Point && math.Hypot(a.E-b.E, a.N-b.N) < 0.01
}

// gather brings photos in an order and parts them where one does not belong to the
// first of its group.
func gather(photos []judged, order func(a, b judged) int, same func(first, next judged) bool) [][]judged {
	photos = slices.Clone(photos)
	slices.SortFunc(photos, order)
	var out [][]judged
	for i, first := 1, 0; i <= len(photos); i++ {
		if i == len(photos) || !same(photos[first], photos[i]) {
			out, first = append(out, photos[first:i]), i
		}
	}
	return out
}

// means are the mean discrepancies of groups of photos.
func means(groups [][]judged) []Vector {
	out := make([]Vector, len(groups))
	for i, g := range groups {
		for _, j := range g {
			out[i].E += j.DE / float64(len(g))
			out[i].N += j.DN / float64(len(g))
		}
	}
	return out
}

// rootMeanSquare is that of a figure of photos.
func rootMeanSquare(photos []judged, of func(judged) float64) float64 {
	var sum float64
	for _, j := range photos {
		sum += of(j) * of(j)
	}
	return math.Sqrt(sum / float64(len(photos)))
}
