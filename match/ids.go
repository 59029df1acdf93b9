package match

import (
	"example.com/phototie/geotag"
	"path"
	"strings"
	"unicode"
	"unicode/utf8"
)

// idFinder finds the ids of points in texts.
type idFinder struct {
	byID map[string]int // in lower case; -1 where two points differ in case only
	// words is the most words that an id is made of.
	words int
}

// namedID is a point whose id stands in a photo's name or metadata.
type namedID struct {
	point int
	where string
}

func newIDFinder(points []Point) *idFinder {
	f := &idFinder{byID: make(map[string]int, len(points))}
	for i, p := range points {
		low := strings.ToLower(p.ID)
		if _, ok := f.byID[low]; ok {
			f.byID[low] = -1
			continue
		}
		f.byID[low] = i
		f.words = max(f.words, len(wordsOf(low)))
	}
	f.words = min(f.words, 6)
	return f
}

// find returns the points whose ids stand in the photo's path or texts, each
// once with the first place where it stands.
func (f *idFinder) find(p *Photo) []namedID {
	var out []namedID
	add := func(j int, where string) {
		for _, n := range out {
			if n.point == j {
				return
			}
		}
		out = append(out, namedID{j, where})
	}
	name := strings.ReplaceAll(p.NameAsTaken(), `\`, "/")
	name = strings.TrimSuffix(name, path.Ext(name))
	dir, base := path.Split(name)
	f.in(base, false, func(j int) { add(j, "the file name") })
	for _, d := range strings.Split(dir, "/") {
		f.in(d, false, func(j int) { add(j, "the folder's name") })
	}
	if p.Tag != nil && !corrected(p.Tag) {
		for field, text := range p.Tag.Texts.All() {
			f.in(text, true, func(j int) { add(j, field) })
		}
	}
	return out
}

// corrected reports whether a correction wrote a position into a photo. It may have
// labelled the photo with the point, too, and what was made from a link says nothing
// for it.
func corrected(t *geotag.Tag) bool {
	return strings.HasPrefix(t.ProcessingMethod, surveyed) || t.Destination != nil
}

// in yields the points whose ids stand in a text, as whole words. The longest
// id counts where several begin at one word. An id without a letter is too
// easily a counter, a date or a figure: it counts only where it is the whole
// text, which must not be a name, or where a word for a point stands before it.
// An id of one letter counts only where it is the whole text.
func (f *idFinder) in(text string, whole bool, yield func(int)) {
	low := strings.ToLower(strings.TrimSpace(text))
	if low == "" {
		return
	}
	if j, ok := f.byID[low]; ok && (whole || hasLetter(low)) {
		if j >= 0 {
			yield(j)
		}
		return
	}
	words := wordsOf(low)
	for a := 0; a < len(words); a++ {
		for n := min(f.words, len(words)-a); n > 0; n-- {
			id := low[words[a].lo:words[a+n-1].hi]
			j, ok := f.byID[id]
			if !ok {
				continue
			}
			plain := utf8.RuneCountInString(id) == 1 || !hasLetter(id)
			if plain && (a == 0 || !pointWords[low[words[a-1].lo:words[a-1].hi]]) {
				continue
			}
			if j >= 0 {
				yield(j)
			}
			a += n - 1
			break
		}
	}
}

// pointWords are words that a bare number is a point's after.
var pointWords = map[string]bool{"point": true, "pt": true, "pnt": true, "station": true, "stn": true, "peg": true, "mark": true}

type word struct{ lo, hi int }

// wordsOf splits a text into runs of letters and digits.
func wordsOf(s string) []word {
	var out []word
	lo := -1
	for i, r := range s {
		in := unicode.IsLetter(r) || unicode.IsDigit(r)
		if in && lo < 0 {
			lo = i
		}
		if !in && lo >= 0 {
			out = append(out, word{lo, i})
			lo = -1
		}
	}
	if lo >= 0 {
		out = append(out, word{lo, len(s)})
	}
	return out
}

func hasLetter(s string) bool { return strings.IndexFunc(s, unicode.IsLetter) >= 0 }

// overview says that a photo's name or texts call it a picture of the site.
func overview(p *Photo) bool {
	if callsOverview(path.Base(strings.ReplaceAll(p.NameAsTaken(), `\`, "/"))) {
		return true
	}
	if p.Tag != nil {
		for _, text := range p.Tag.Texts.All() {
			if callsOverview(text) {
				return true
			}
		}
	}
	return false
}

// callsOverview looks for "overview", "panorama", "general view" and "site view".
func callsOverview(text string) bool {
	low := strings.ToLower(text)
	before := ""
	for _, w := range wordsOf(low) {
		switch word := low[w.lo:w.hi]; word {
		case "overview", "panorama":
			return true
		case "view":
			if before == "site" || before == "general" {
				return true
			}
			before = word
		default:
			before = word
		}
	}
	return false
}
