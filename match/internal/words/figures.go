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

// InPicture says what no correction reaches.
const InPicture = "A position that a camera printed into the picture itself stays as it was."

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

// Length writes a length without its unit, with the digits that a handheld is good
// for: tenths below 100, hundredths below 1, else none.
func Length(v float64) string {
	switch a := math.Abs(v); {
	case a < 0.995:
		return strconv.FormatFloat(v, 'f', 2, 64)
	case a < 99.95:
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

// InUnit writes a length in metres in the unit of a job, the zero unit standing for
// metres.
func InUnit(metres float64, u grid.Unit) string {
	if u.Metres == 0 {
		u = grid.Metre
	}
	return Distance(metres/u.Metres, u)
}

// UnitName is the name of a unit; of the two feet neither is called foot alone.
func UnitName(u grid.Unit) string {
	if u == grid.Foot {
		return "international foot"
	}
	return u.Name
}

// Grid is a grid with its code and unit.
func Grid(g grid.Grid) string {
	s := Safe(g.Name)
	if g.Code != "" {
		s += " (" + Safe(g.Code) + ")"
	}
	return s + ", " + UnitName(g.Unit)
}

// Stated writes a length that is stated in metres, by a standard for instance: in the
// unit of the job, with the metres in brackets where that is another.
func Stated(metres float64, u grid.Unit) string {
	m := Figure(metres) + " m"
	if u.Metres == 0 || u.Metres == 1 {
		return m
	}
	return fmt.Sprintf("%s %s (%s)", Figure(metres/u.Metres), u.Symbol, m)
}

// Figure writes an accuracy: two digits, and all of them from 100 on.
func Figure(v float64) string {
	if math.Abs(v) >= 100 {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	two, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 2, 64), 64)
	return strconv.FormatFloat(two, 'f', -1, 64)
}

// Accuracy says how good an operation is: what the registry states, or what the
// accuracies of a chain's steps come to.
func Accuracy(op *grid.Operation, u grid.Unit) string {
	switch {
	case op.Accuracy == nil:
		return "accuracy not stated"
	case strings.Contains(op.Name, " + "):
		return "combined accuracy " + Stated(*op.Accuracy, u)
	}
	return "stated accuracy " + Stated(*op.Accuracy, u)
}

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

// EastNorth writes the parts of a difference, east and north, with their signs.
func EastNorth(e, n float64, u grid.Unit) string {
	sign := func(v float64) string {
		if v < 0 {
			return Length(v)
		}
		return "+" + Length(v)
	}
	return "E " + sign(e) + ", N " + sign(n) + " " + u.Symbol
}

// Degrees writes a bearing in whole degrees.
func Degrees(v float64) string { return fmt.Sprintf("%.0f°", math.Mod(math.Round(v), 360)) }

// Chance writes how often noise alone does something: "1 in 20".
func Chance(p float64) string {
	switch {
	case p >= 0.95:
		return "most"
	case p >= 0.35:
		return fmt.Sprintf("%.0f in 10", 10*p)
	case p < 1e-6:
		return "no"
	}
	n := 1 / p
	if step := math.Pow10(int(math.Log10(n)) - 1); step > 1 {
		n = math.Round(n/step) * step
	}
	return "1 in " + Count(int(math.Round(n)))
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

// Clip cuts a text to n characters.
func Clip(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return s
}

// Wrap breaks a text into lines of at most width bytes, but for words that are longer.
func Wrap(s string, width int) (lines []string) {
	for _, w := range strings.Fields(s) {
		if n := len(lines) - 1; n >= 0 && len(lines[n])+1+len(w) <= width {
			lines[n] += " " + w
		} else {
			lines = append(lines, w)
		}
	}
	return lines
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
