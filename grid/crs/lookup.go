package crs

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"example.com/phototie/grid"
)

// found is a system of the registry that goes by the words.
type found struct {
	grid.ListedSystem
	// inName is how many of the words asked for are in the name, and words how many
	// the plane's name has.
	inName, words int
	size          float64 // of the area
	age           frameAge
}

// Lookup finds the registry's projected systems by words: parts of names and of
// areas of use ("oregon north"), initials of a projection's name ("itm"), zones
// ("utm 29"), codes, units ("ft", "ftus", "m"). Every word has to be met. A place
// in degrees brings those in use there to the front; nil for none. The order is:
// in use at the place, most words in the name, fewest others in it, smallest area,
// newest frame, code.
func Lookup(ctx context.Context, words []string, near *grid.LatLon) ([]grid.ListedSystem, error) {
	r := openRegistry()
	defer r.close()
	rest, units := asked(words)
	return r.lookup(ctx, r.projected(bounds{-180, -90, 180, 90}), rest, units, near)
}

// asked parts what is asked for into words and units.
func asked(words []string) (rest []string, units []grid.Unit) {
	for _, w := range strings.Fields(strings.ToLower(strings.Join(words, " "))) {
		switch u, ok := unitWords[w]; {
		case ok:
			units = append(units, u...)
		case strings.HasPrefix(w, "epsg:"):
			rest = append(rest, w)
		default:
			rest = append(rest, wordsOf(w)...)
		}
	}
	return rest, units
}

func (r *registry) lookup(ctx context.Context, list []listed, rest []string, units []grid.Unit, near *grid.LatLon) ([]grid.ListedSystem, error) {
	var all []found
	for _, l := range list {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		inName, ok := l.met(rest)
		if !ok {
			continue
		}
		x := found{inName: inName, words: len(wordsOf(nameParts(l.name).plane)), age: r.frameAge(l.code), size: l.area.size(), ListedSystem: grid.ListedSystem{Definition: l.code, Name: l.name,
			Area: grid.Area{Name: l.area.name, South: l.area.south, West: l.area.west, North: l.area.north, East: l.area.east}}}
		a := grid.Alternative{Definition: l.code}
		if !r.measure(&a) || len(units) > 0 && !slices.Contains(units, a.Unit) {
			continue
		}
		x.Unit, x.Near = a.Unit, near != nil && l.area.contains(near.Lat, near.Lon)
		all = append(all, x)
	}
	slices.SortFunc(all, func(a, b found) int {
		return cmp.Or(truth(a.Near, b.Near), cmp.Compare(b.inName, a.inName), cmp.Compare(a.words, b.words), compareSize(a.size, b.size), a.age.compare(b.age), cmp.Compare(codeOf(a.Definition), codeOf(b.Definition)))
	})
	var out []grid.ListedSystem
	for _, x := range all {
		out = append(out, x.ListedSystem)
	}
	return out, nil
}

// meant suggests systems for a name that is none: those that have most of its words.
// It is empty where there are none.
func (r *registry) meant(text string) string {
	list := r.projected(bounds{-180, -90, 180, 90})
	all, units := asked([]string{text})
	var known []string
	for _, w := range all {
		if slices.ContainsFunc(list, func(l listed) bool { _, ok := l.met([]string{w}); return ok }) {
			known = append(known, w)
		}
	}
	if 2*len(known) <= len(all) || len(all) > mostListed {
		return ""
	}
	found, err := r.lookup(context.Background(), list, known, units, nil)
	if err != nil || len(found) == 0 {
		return ""
	}
	var out []string
	for _, l := range found[:min(3, len(found))] {
		out = append(out, fmt.Sprintf("%s (%s)", l.Definition, l.Name))
	}
	if len(known) == len(all) {
		known = strings.Fields(text)
	}
	return fmt.Sprintf("perhaps it is %s; phototie crs %s lists %d", strings.Join(out, " or "), strings.Join(known, " "), len(found))
}

// unitWords are words that ask for a unit.
var unitWords = func() map[string][]grid.Unit {
	out := map[string][]grid.Unit{}
	for words, units := range map[string][]grid.Unit{
		"ft foot feet":          {grid.Foot, grid.USSurveyFoot},
		"ftus usft survey":      {grid.USSurveyFoot},
		"ftint intft ift":       {grid.Foot},
		"m metre metres meters": {grid.Metre},
	} {
		for _, w := range strings.Fields(words) {
			out[w] = units
		}
	}
	return out
}()

// met says whether a system goes by all the words, and how many of them are in its
// name.
func (l listed) met(words []string) (inName int, ok bool) {
	name, area := wordsOf(l.name), wordsOf(l.area.name)
	for _, w := range words {
		switch {
		case w == strings.ToLower(l.code) || "epsg:"+w == strings.ToLower(l.code):
			inName += 2
		case slices.ContainsFunc(name, func(x string) bool { return meets(x, w) }) || initials(l.name, w):
			inName++
		case slices.ContainsFunc(area, func(x string) bool { return meets(x, w) }):
		default:
			return 0, false
		}
	}
	return inName, true
}

// wordsOf are the words of a text in small letters.
func wordsOf(s string) []string {
	return strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

// meets says whether a word of a name is what is asked for: its beginning, or, of a
// zone's number, the number with or without its letter.
func meets(word, asked string) bool {
	if unicode.IsDigit(rune(asked[0])) {
		return word == asked || len(word) == len(asked)+1 && strings.HasPrefix(word, asked) && strings.ContainsAny(word[len(asked):], "nsew")
	}
	return strings.HasPrefix(word, asked)
}

// initials says whether letters are the initials of words that follow each other in
// a name: "itm" of "Irish Transverse Mercator".
func initials(name, letters string) bool {
	if len(letters) < 2 {
		return false
	}
	var all strings.Builder
	for _, w := range wordsOf(name) {
		all.WriteByte(w[0])
	}
	return strings.Contains(all.String(), letters)
}
