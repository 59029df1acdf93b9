package words

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.com/phototie/grid"
)

// Count writes a whole number, in groups of three from five digits on, as SI asks
// (SI Brochure, 9th edition, 5.4.4).
func Count(n int) string {
	sign, s := "", strconv.Itoa(n)
	if n < 0 {
		sign, s = "-", s[1:]
	}
	if len(s) < 5 {
		return sign + s
	}
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return sign + s
}

// Plural writes a count of things: "1 photo", "2 photos". many is for a plural
// that is not made with an s.
func Plural(n int, one string, many ...string) string {
	switch {
	case n == 1:
	case len(many) > 0:
		one = many[0]
	default:
		one += "s"
	}
	return Count(n) + " " + one
}

// Pick is the word that goes with a number: "is" or "are".
func Pick(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// Length writes a length without its unit, with the digits that matter to a
// reader: hundredths below 10, tenths below 1000, else none.
func Length(v float64) string {
	switch a := math.Abs(v); {
	case a < 9.995:
		return strconv.FormatFloat(v, 'f', 2, 64)
	case a < 999.95:
		return strconv.FormatFloat(v, 'f', 1, 64)
	case a < 1e9:
		return Count(int(math.Round(v)))
	}
	return strconv.FormatFloat(v, 'g', 3, 64)
}

// Distance writes a length with its unit; metres from 10,000 on as kilometres.
func Distance(v float64, u grid.Unit) string {
	if u.Metres == 1 && math.Abs(v) >= 9999.5 {
		return Length(v/1000) + " km"
	}
	return Length(v) + " " + u.Symbol
}

// Metres writes a length in metres.
func Metres(v float64) string { return Distance(v, grid.Metre) }

// Range writes a range of lengths, as one length where both read the same.
func Range(lo, hi float64, u grid.Unit) string {
	a, b := Distance(lo, u), Distance(hi, u)
	unit := b[strings.LastIndexByte(b, ' '):]
	switch {
	case a == b:
		return a
	case !strings.HasSuffix(a, unit):
		return a + " to " + b
	}
	return strings.TrimSuffix(a, unit) + " to " + b
}

// Probability writes the probability of chance, with its bound where it is less
// than one in a million: "0.012", "2e-5", "< 1e-6".
func Probability(p float64) string {
	switch {
	case p >= 0.001:
		return strconv.FormatFloat(p, 'f', 3, 64)
	case p >= 1e-6:
		return strings.Replace(fmt.Sprintf("%.0e", p), "e-0", "e-", 1)
	}
	return "< 1e-6"
}

// P is the same as an equation: "p = 0.012", "p < 1e-6".
func P(p float64) string {
	if s := Probability(p); s[0] == '<' {
		return "p " + s
	} else {
		return "p = " + s
	}
}

// Percent writes a probability in per cent. None is ever called certain: near 0
// and 1 it is a bound.
func Percent(p float64) string {
	switch {
	case p < 0.001:
		return "< 0.1 %"
	case p > 0.999:
		return "> 99.9 %"
	case p < 0.1 || p > 0.9:
		return fmt.Sprintf("%.1f %%", 100*p)
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// span writes a length of time, without its sign: 40 s, 3 min 20 s, 2 h 5 min,
// 3 days.
func span(d time.Duration) string {
	s := int64(math.Round(d.Abs().Seconds()))
	switch {
	case s < 120:
		return fmt.Sprintf("%d s", s)
	case s < 3600:
		if s%60 == 0 {
			return fmt.Sprintf("%d min", s/60)
		}
		return fmt.Sprintf("%d min %d s", s/60, s%60)
	case s < 48*3600:
		if s%3600 < 30 || s%3600 >= 3570 {
			return fmt.Sprintf("%d h", (s+30)/3600)
		}
		return fmt.Sprintf("%d h %d min", (s+30)/3600, (s+30)%3600/60)
	}
	return fmt.Sprintf("%d days", (s+43200)/86400)
}

// Day writes a date of ISO 8601 as people do: "21 May 2025".
func Day(iso string) string {
	t, err := time.Parse(time.DateOnly, iso)
	if err != nil {
		return iso
	}
	return t.Format("2 January 2006")
}

// List joins names: "A, B and C"; where there are more than most, the first of
// them and how many more there are.
func List(names []string, most int) string {
	n := len(names)
	switch {
	case n > most:
		return strings.Join(names[:most-1], ", ") + " and " + Count(n-most+1) + " more"
	case n < 2:
		return strings.Join(names, "")
	}
	return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
}

// Some lists names with commas, the first three of more than four.
func Some(names []string) string {
	if len(names) > 4 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:3], ", "), len(names)-3)
	}
	return strings.Join(names, ", ")
}

// Counted is a text with how often it came.
type Counted struct {
	Text string
	N    int
}

// Commonest counts texts: the commonest first, those that are as common in the
// order in which they came.
func Commonest(texts []string) []Counted {
	var out []Counted
	at := map[string]int{}
	for _, t := range texts {
		k, ok := at[t]
		if !ok {
			k = len(out)
			at[t], out = k, append(out, Counted{Text: t})
		}
		out[k].N++
	}
	slices.SortStableFunc(out, func(a, b Counted) int { return cmp.Compare(b.N, a.N) })
	return out
}
