package match

import "slices"

// Fact is a figure or a name that a finding states: the distance of a tag from its
// point, the photo that it is a copy of.
type Fact struct {
	// Name says what it is: "distance", "nearest point". Several facts of one finding
	// may have the same.
	Name string `json:"name"`
	// Value is the figure; Text is given in its place where it is a name.
	Value float64 `json:"value,omitempty"`
	Text  string  `json:"text,omitempty"`
	// Unit is the symbol of the figure's unit: "m", "ft", "ftUS", "deg", "%", "px"; it
	// is empty for a number, a probability or a ratio.
	Unit string `json:"unit,omitempty"`
}

// Facts are the figures and names of one finding.
type Facts []Fact

// get is the first fact of a name; without one it is empty.
func (f Facts) get(name string) Fact {
	if i := slices.IndexFunc(f, func(x Fact) bool { return x.Name == name }); i >= 0 {
		return f[i]
	}
	return Fact{}
}

// Has reports whether there is a fact of that name.
func (f Facts) Has(name string) bool { return f.get(name).Name != "" }

// Value is the figure of the first fact of that name, 0 without one.
func (f Facts) Value(name string) float64 { return f.get(name).Value }

// Unit is the symbol of its unit; it may be empty.
func (f Facts) Unit(name string) string { return f.get(name).Unit }

// Text is the text of the first fact of that name, empty without one.
func (f Facts) Text(name string) string { return f.get(name).Text }

// Texts are the texts of all facts of that name, in order.
func (f Facts) Texts(name string) []string {
	var out []string
	for _, x := range f {
		if x.Name == name {
			out = append(out, x.Text)
		}
	}
	return out
}
