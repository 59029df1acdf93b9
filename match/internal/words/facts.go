package words

import (
	"strconv"

	"example.com/phototie/grid"
)

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

// length writes a fact that is a length, with its unit.
func length(f Facts, name string) string {
	u := grid.Unit{Symbol: f.Unit(name)}
	if u.Symbol == grid.Metre.Symbol {
		u = grid.Metre
	}
	return Distance(f.Value(name), u)
}

// whole writes a fact that is a whole number.
func whole(f Facts, name string) string { return strconv.Itoa(int(f.Value(name))) }
