package record

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

const (
	minus = "\u2212"
	thin  = "\u202f" // narrow no-break space
	nbsp  = "\u00a0"
)

// signs puts the minus sign where fmt writes a hyphen.
func signs(s string) string { return strings.ReplaceAll(s, "-", minus) }

// count writes a whole number in groups of three from five digits on.
func count(n int) string {
	s := fmt.Sprint(n)
	if len(s) < 5 {
		return s
	}
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + thin + s[i:]
	}
	return s
}

// plural writes a count of things.
func plural(n int, thing string) string {
	if n != 1 {
		thing += "s"
	}
	return count(n) + " " + thing
}

// are is the verb for n things.
func are(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// have is "has" or "have" for n things.
func have(n int) string {
	if n == 1 {
		return "has"
	}
	return "have"
}

// length writes a length with the digits that matter to a reader.
func length(v float64) string {
	switch a := math.Abs(v); {
	case a < 9.995:
		return signs(fmt.Sprintf("%.2f", v))
	case a < 999.95:
		return signs(fmt.Sprintf("%.1f", v))
	case a < 1e9:
		if v < 0 {
			return minus + count(int(math.Round(a)))
		}
		return count(int(math.Round(a)))
	}
	return signs(fmt.Sprintf("%.3g", v))
}

// withUnit writes a length with its unit.
func withUnit(v float64, u grid.Unit) string { return length(v) + nbsp + u.Symbol }

// offset writes a signed length.
func offset(v float64, u grid.Unit) string {
	if v >= 0 {
		return "+" + length(v) + nbsp + u.Symbol
	}
	return length(v) + nbsp + u.Symbol
}

// percent writes a share.
func percent(share float64) string {
	p := 100 * share
	if p > 0 && p < 0.95 || p > 99.05 && p < 100 {
		return fmt.Sprintf("%.1f", p) + nbsp + "%"
	}
	return fmt.Sprintf("%.0f", p) + nbsp + "%"
}

// probability writes a p-value.
func probability(p float64) string {
	switch {
	case p >= 0.001:
		return fmt.Sprintf("%.3f", p)
	case p >= 1e-6:
		e := int(math.Floor(math.Log10(p)))
		return fmt.Sprintf("%.0f\u00d710%s", p/math.Pow(10, float64(e)), superscript(e))
	}
	return "below 10" + superscript(-6)
}

// superscript writes a small negative or positive exponent.
func superscript(n int) string {
	digits := []rune("⁰¹²³⁴⁵⁶⁷⁸⁹")
	var b strings.Builder
	for _, r := range fmt.Sprint(n) {
		if r == '-' {
			b.WriteRune('⁻')
		} else {
			b.WriteRune(digits[r-'0'])
		}
	}
	return b.String()
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

// plain makes hostile text fit to be read: controls, marks that turn the
// direction of writing, and bytes that are not UTF-8 are shown as what they are.
func plain(s string) string {
	if strings.IndexFunc(s, odd) < 0 {
		return s
	}
	var b strings.Builder
	for i, r := range s {
		switch {
		case r == unicode.ReplacementChar && !strings.HasPrefix(s[i:], string(unicode.ReplacementChar)):
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case odd(r) && r != unicode.ReplacementChar:
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

func odd(r rune) bool {
	return unicode.IsControl(r) || unicode.Is(unicode.Cf, r) && r != '\u200d' && r != '\u200c' || r == unicode.ReplacementChar ||
		r == '\u2028' || r == '\u2029'
}

// reasonWords says why a photo is unjudged, in a few words.
var reasonWords = map[match.Reason]string{
	match.ReasonUnreadable: "the image can\u2019t be read",
	match.ReasonNoTag:      "no position in the image",
	match.ReasonBadTag:     "the position is unsound",
	match.ReasonNoTie:      "not in the links",
	match.ReasonNoPoint:    "the point was not surveyed",
	match.ReasonManyPoints: "linked to several points",
	match.ReasonNoFrame:    "the datum can\u2019t be used",
	match.ReasonBallpark:   "only a ballpark operation",
}

// evidenceWords says what a tie rests on.
var evidenceWords = map[string]string{
	match.EvidenceListed:       "listed in the links",
	match.EvidenceFileName:     "by the end of its path",
	match.EvidenceIgnoringCase: "ignoring upper and lower case",
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
