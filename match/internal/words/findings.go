package words

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"example.com/phototie/grid"
)

// Finding puts the facts of a finding into words: what was found, and what to do
// where that depends on the facts. The message of a kind without a sentence of its
// own is the fact "why"; an empty remedy leaves the usual one of the kind.
func Finding(code string, f Facts) (message, remedy string) {
	if message, remedy, ok := say(code, finding{f}); ok {
		return message, remedy
	}
	return f.Text("why"), ""
}

// Expired is added to the message of a finding that was accepted until a day that
// is past.
func Expired(day, reason string) string { return fmt.Sprintf("; accepted until %s (%s)", day, reason) }

// MoreThanAccepted is added to the message of a finding that is one of n, of which an
// entry accepts fewer.
func MoreThanAccepted(most, n int, reason string) string {
	return fmt.Sprintf("; one of %d, of which at most %d are accepted (%s)", n, most, reason)
}

// Facts are the figures and names that a sentence states, by what they are called.
type Facts interface {
	// Has reports whether there is a fact of that name.
	Has(name string) bool
	// Value is the figure of that name, and Unit the symbol of its unit.
	Value(name string) float64
	Unit(name string) string
	// Text is the first name or text called so, Texts are all of them.
	Text(name string) string
	Texts(name string) []string
}

// finding are the facts as the sentences write them, by their names.
type finding struct{ Facts }

// Length is a length with its unit, Size without its sign.
func (f finding) Length(name string) string {
	u := grid.Unit{Symbol: f.Unit(name)}
	if u.Symbol == grid.Metre.Symbol {
		u = grid.Metre
	}
	return Distance(f.Value(name), u)
}

func (f finding) Size(name string) string {
	return strings.TrimPrefix(Length(f.Value(name)), "-") + " " + f.Unit(name)
}

func (f finding) Whole(name string) string    { return strconv.Itoa(int(f.Value(name))) }
func (f finding) Count(name string) string    { return Count(int(f.Value(name))) }
func (f finding) Percent(name string) string  { return Percent(f.Value(name)) }
func (f finding) Chance(name string) string   { return Chance(f.Value(name)) }
func (f finding) Degrees(name string) string  { return Degrees(f.Value(name)) }
func (f finding) Join(name, by string) string { return strings.Join(f.Texts(name), by) }
func (f finding) Is(name, text string) bool   { return f.Text(name) == text }
func (f finding) Known(by string) bool        { return slices.Contains(f.Texts("known by"), by) }

// Plural is a number of things, in words that have its number.
func (f finding) Plural(name, one string, many ...string) string {
	return Plural(int(f.Value(name)), one, many...)
}

// Turn is how a photo lies by its orientation flag; empty where it is mirrored.
func (f finding) Turn() string {
	return map[int]string{3: "by half a turn", 6: "a quarter turn clockwise", 8: "a quarter turn anticlockwise"}[int(f.Value("orientation"))]
}

// TiedApart names the points of two photos of one picture where they are not the same.
func (f finding) TiedApart() string {
	a, b := f.Text("point"), f.Text("other point")
	if a == "" || b == "" || a == b {
		return ""
	}
	return fmt.Sprintf("; this one is tied to %s, the other to %s", a, b)
}

// Tallied counts words that repeat, in the order of the alphabet: "2 blurred".
func (f finding) Tallied(name string) string {
	counted := Commonest(f.Texts(name))
	slices.SortFunc(counted, func(a, b Counted) int { return cmp.Compare(a.Text, b.Text) })
	out := make([]string, len(counted))
	for i, c := range counted {
		out[i] = Count(c.N) + " " + c.Text
	}
	return strings.Join(out, ", ")
}
