package record

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
)

const (
	minus = "\u2212"
	nbsp  = "\u00a0"
)

// signs puts the minus sign where fmt writes a hyphen.
func signs(s string) string { return strings.ReplaceAll(s, "-", minus) }

// withUnit writes a length with its unit, offset one with its sign.
func withUnit(v float64, u grid.Unit) string { return together(words.Distance(v, u)) }

func offset(v float64, u grid.Unit) string {
	if v >= 0 {
		return "+" + withUnit(v, u)
	}
	return withUnit(v, u)
}

// stated writes a length that is stated in metres.
func stated(m float64, u grid.Unit) string { return together(words.Stated(m, u)) }

// length writes a length without its unit.
func length(v float64) string { return signs(words.Length(v)) }

// together keeps what is written of a figure on one line.
func together(s string) string { return strings.ReplaceAll(signs(s), " ", nbsp) }

// percent writes a share.
func percent(share float64) string {
	p := 100 * share
	if p > 0 && p < 0.95 || p > 99.05 && p < 100 {
		return fmt.Sprintf("%.1f", p) + nbsp + "%"
	}
	return fmt.Sprintf("%.0f", p) + nbsp + "%"
}

// winds are the eight points of the compass.
var winds = [8]string{"N", "NE", "E", "SE", "S", "SW", "W", "NW"}

// wind names the nearest of the eight points of the compass.
func wind(deg float64) string {
	return winds[int(math.Floor(math.Mod(deg, 360)/45+0.5))%8]
}

// bearing writes a bearing to the degree with the point of the compass.
func bearing(b grid.Bearing) string {
	if !b.Defined() {
		return "no bearing"
	}
	return fmt.Sprintf("%.0f° (%s)", math.Mod(math.Round(b.Degrees()), 360), wind(b.Degrees()))
}

// direction writes where a camera looked.
func direction(d *geotag.Direction) string {
	north := "true"
	if d.Magnetic {
		north = "magnetic"
	}
	return fmt.Sprintf("%.0f° %s (%s)", math.Mod(math.Round(d.Degrees), 360), north, wind(d.Degrees))
}

// latLon writes a position in degrees, minutes and seconds.
func latLon(lat, lon float64, decimals int) string {
	part := func(v float64, pos, neg string) string {
		h := pos
		if v < 0 {
			h = neg
		}
		return grid.FormatAngle(math.Abs(v), decimals) + nbsp + h
	}
	return part(lat, "N", "S") + " " + part(lon, "E", "W")
}

// clock writes a camera's time; the offset stands there only where the image
// states it.
func clock(t *geotag.Taken) string {
	if t.HasOffset {
		return t.Time.Format("2006-01-02 15:04:05 -07:00")
	}
	return t.Time.Format("2006-01-02 15:04:05")
}

// stamp writes a time that is known as an instant.
func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05 MST") }

// evidenceWords says what a tie rests on.
var evidenceWords = map[string]string{
	match.EvidenceListed:       "listed in the links",
	match.EvidenceFileName:     "by the end of its path",
	match.EvidenceIgnoringCase: "ignoring upper and lower case",
	match.EvidenceDecided:      "decided by eye",
	match.EvidenceInferred:     "inferred, no link names it",
}

// quantile gives the p-quantile of values, which it sorts.
func quantile(v []float64, p float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	at := p * float64(len(v)-1)
	lo := int(math.Floor(at))
	if lo+1 >= len(v) {
		return v[len(v)-1]
	}
	return v[lo] + (at-float64(lo))*(v[lo+1]-v[lo])
}
