package delivery

import (
	"cmp"
	"fmt"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.com/phototie/match/suggest"
)

// DefaultTemplate names photos by their point, their number among its photos and
// the day: "B01_1_2025-05-20".
const DefaultTemplate = "{point}_{n}_{date}"

// UntiedFolder is the folder, below that of the photos, of those that are tied to
// no point. They keep the names that they came with, made safe.
const UntiedFolder = "untied"

// placeholders say what each placeholder is replaced by.
var placeholders = []struct{ name, means string }{
	{"point", "the point's id"},
	{"n", "the photo's number among those of its point, by the time it was taken; {nn} and {nnn} with zeros before it"},
	{"date", "the day it was taken, 2025-05-20, as its camera says"},
	{"time", "the time it was taken, 142530"},
	{"code", "the point's code"},
	{"camera", "the camera's serial number, else its make and model"},
	{"name", "the name that the photo came with"},
}

// Placeholders lists the placeholders of a template, each with what replaces it
// in words.
func Placeholders() [][2]string {
	out := make([][2]string, len(placeholders))
	for i, p := range placeholders {
		out[i] = [2]string{"{" + p.name + "}", p.means}
	}
	return out
}

// Template says how the photos of a delivery are named. A slash makes folders. It is safe
// for concurrent use. The zero Template is of no use: ParseTemplate makes one.
type Template struct {
	text string
	// parts are those of each element of the path: texts and placeholders.
	elements [][]part
}

// part is a text, or the name of a placeholder.
type part struct{ text, placeholder string }

// mostElements is how deep a template may go, and mostTemplate how many bytes it may
// have: names are shorter than that.
const (
	mostElements = 5
	mostTemplate = 1000
)

// ParseTemplate reads a template: text with {placeholders}, without the photo's
// extension, which is kept. It refuses what is no name on Windows, macOS and Linux
// alike, and what would name all photos the same.
func ParseTemplate(text string) (*Template, error) {
	bad := func(format string, args ...any) (*Template, error) {
		shown := text
		if len(shown) > 2*mostElement {
			shown = cut(shown, 2*mostElement) + "…"
		}
		return nil, fmt.Errorf("template %q: %s", shown, fmt.Sprintf(format, args...))
	}
	if len(text) > mostTemplate {
		return bad("it has %d bytes, more than %d", len(text), mostTemplate)
	}
	t := &Template{text: text}
	elements := strings.Split(text, "/")
	if len(elements) > mostElements {
		return bad("it has more than %d folders", mostElements-1)
	}
	for _, e := range elements {
		if strings.TrimSpace(e) == "" {
			return bad("a part of the path is empty")
		}
		var parts []part
		for rest := e; rest != ""; {
			at := strings.IndexAny(rest, "{}")
			if at < 0 {
				parts, rest = append(parts, part{text: rest}), ""
				continue
			}
			end := strings.IndexByte(rest, '}')
			if rest[at] == '}' || end < at || strings.IndexByte(rest[at+1:end], '{') >= 0 {
				return bad("a brace has no other; a placeholder is {point}, for instance")
			}
			if at > 0 {
				parts = append(parts, part{text: rest[:at]})
			}
			name := rest[at+1 : end]
			if !known(name) {
				return bad("there is no placeholder {%s}%s", name, suggest.Nearest("{"+name+"}", all()...))
			}
			parts, rest = append(parts, part{placeholder: name}), rest[end+1:]
		}
		for _, p := range parts {
			if p.text != safeRunes(p.text) {
				return bad("%q can't stand in a file's name on every system; leave out blanks, control characters and < > : \" \\ | ? *", p.text)
			}
		}
		if strings.HasPrefix(e, ".") {
			return bad("a name that begins with a dot is hidden, and would be passed over")
		}
		if strings.HasSuffix(e, ".") {
			return bad("a name can't end with a dot on every system")
		}
		t.elements = append(t.elements, parts)
	}
	if !slices.ContainsFunc(t.elements[len(t.elements)-1], func(p part) bool { return p.placeholder != "" }) {
		return bad("the last part has no placeholder, and would name all photos the same; there are %s", strings.Join(all(), " "))
	}
	return t, nil
}

// String is the template as it was written.
func (t *Template) String() string { return t.text }

// digits is how many digits {n}, {nn}, {nnn} have at least; 0 for another name.
func digits(name string) int {
	if name == "" || strings.Trim(name, "n") != "" || len(name) > 6 {
		return 0
	}
	return len(name)
}

func known(name string) bool {
	return digits(name) > 0 || slices.ContainsFunc(placeholders, func(p struct{ name, means string }) bool { return p.name == name })
}

// all lists the placeholders.
func all() []string {
	names := make([]string, len(placeholders))
	for i, p := range placeholders {
		names[i] = "{" + p.name + "}"
	}
	return names
}

// Named is what the name of a photo is made from.
type Named struct {
	// Path is the photo's path, which identifies it. Original is the name that it
	// came with; empty where that is Path. The extension is that of Path.
	Path, Original string
	// Point is the id of the point that it is tied to, and Code that point's code.
	Point, Code string
	// Tied is false for a photo without a point, whatever Point is.
	Tied bool
	// Taken is when it was taken, as its camera says; zero where that is not known.
	Taken time.Time
	// Camera names the camera; empty where that is not known.
	Camera string
}

func (p *Named) original() string { return cmp.Or(p.Original, p.Path) }

// Names gives each photo its path in a delivery, below the folder of the photos,
// by its present path. The names are safe on Windows, macOS and Linux and differ
// in more than case and extension, unless the photos' own names differ in the
// extension alone; a name that is taken gets "-2", "-3" and so on. Two points
// whose ids come out the same are told apart in {point} in the same way. The same
// photos get the same names, in whatever order they are given.
func (t *Template) Names(photos []Named) map[string]string {
	sorted := slices.Clone(photos)
	slices.SortFunc(sorted, func(a, b Named) int {
		return cmp.Or(strings.Compare(a.original(), b.original()), strings.Compare(a.Path, b.Path))
	})
	number := numbers(sorted)
	label := labels(sorted)
	taken := map[string]bool{}
	// Whose stem it is: side-car files go by that, and a raw photo and the JPEG
	// image that was taken with it may share one.
	owner := map[string]string{}
	folders := map[string]string{}
	// By the name without a number: the number to try next, and what a shot got.
	next, shared := map[string]int{}, map[[2]string]string{}
	out := make(map[string]string, len(sorted))
	for i := range sorted {
		p := &sorted[i]
		var elements []string
		if p.Tied {
			for _, parts := range t.elements {
				var b strings.Builder
				for _, x := range parts {
					b.WriteString(x.text)
					if x.placeholder != "" {
						b.WriteString(value(x.placeholder, p, number[i], label[p.Point]))
					}
				}
				elements = append(elements, safeElement(b.String()))
			}
			if len(elements) > 1 && foldKey(elements[0]) == UntiedFolder {
				elements[0] += "_" // a point or code of that name
			}
		} else {
			elements = []string{UntiedFolder, safeElement(stem(p.original()))}
		}
		dir := ""
		for _, e := range elements[:len(elements)-1] {
			dir = path.Join(dir, e)
			// One spelling a folder, so that it is one on every system.
			if first, ok := folders[foldKey(dir)]; ok {
				dir = first
			} else {
				folders[foldKey(dir)] = dir
			}
		}
		base, ext := elements[len(elements)-1], safeExt(p.Path)
		shot := strings.TrimSuffix(p.original(), path.Ext(p.original()))
		first := foldKey(path.Join(dir, base))
		free := func(at string) bool {
			who, owned := owner[foldKey(at)]
			return !taken[foldKey(at+ext)] && (!owned || who == shot)
		}
		at, known := shared[[2]string{first, shot}]
		if !known || !free(at) {
			// Those before are owned, and stay so.
			n := max(next[first], 1)
			for at = numbered(dir, base, n); !free(at); at = numbered(dir, base, n) {
				n++
			}
			next[first] = n
			shared[[2]string{first, shot}] = at
		}
		taken[foldKey(at+ext)], owner[foldKey(at)] = true, shot
		out[p.Path] = at + ext
	}
	return out
}

// numbered is the n-th name of those that would be called the same.
func numbered(dir, base string, n int) string {
	if n > 1 {
		base += "-" + strconv.Itoa(n)
	}
	return path.Join(dir, base)
}

// numbers counts the photos of each point by the time taken, those without one
// last, and then in their order.
func numbers(photos []Named) []int {
	of := map[string][]int{}
	for i := range photos {
		if photos[i].Tied {
			of[photos[i].Point] = append(of[photos[i].Point], i)
		}
	}
	out := make([]int, len(photos))
	for _, list := range of {
		slices.SortStableFunc(list, func(i, j int) int {
			a, b := photos[i].Taken, photos[j].Taken
			if a.IsZero() || b.IsZero() {
				return cmp.Compare(boolInt(a.IsZero()), boolInt(b.IsZero()))
			}
			return clock(a).Compare(clock(b))
		})
		for n, i := range list {
			out[i] = n + 1
		}
	}
	return out
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

// clock is a time as the camera's clock shows it, whatever the zone: photos of
// which only some state their zone keep the order of the clock.
func clock(t time.Time) time.Time {
	y, mo, d := t.Date()
	h, mi, s := t.Clock()
	return time.Date(y, mo, d, h, mi, s, t.Nanosecond(), time.UTC)
}

// labels gives each point with a photo a safe text of its own.
func labels(photos []Named) map[string]string {
	var ids []string
	for i := range photos {
		if photos[i].Tied {
			ids = append(ids, photos[i].Point)
		}
	}
	slices.Sort(ids)
	ids = slices.Compact(ids)
	out := make(map[string]string, len(ids))
	taken, next := map[string]bool{}, map[string]int{}
	// Ids that are safe as they are come first, and keep their spelling.
	for _, asIs := range []bool{true, false} {
		for _, id := range ids {
			safe := safeText(id)
			if (safe == id) != asIs {
				continue
			}
			name := safe
			n := max(next[foldKey(safe)], 2)
			for ; taken[foldKey(name)]; n++ {
				name = safe + "-" + strconv.Itoa(n)
			}
			next[foldKey(safe)] = n
			taken[foldKey(name)] = true
			out[id] = name
		}
	}
	return out
}

// value is what replaces a placeholder.
func value(name string, p *Named, n int, label string) string {
	switch name {
	case "point":
		return label
	case "date":
		if p.Taken.IsZero() {
			return "undated"
		}
		return p.Taken.Format(time.DateOnly)
	case "time":
		if p.Taken.IsZero() {
			return "untimed"
		}
		return p.Taken.Format("150405")
	case "code":
		if strings.TrimSpace(p.Code) == "" {
			return "uncoded"
		}
		return safeText(p.Code)
	case "camera":
		if strings.TrimSpace(p.Camera) == "" {
			return "unnamed"
		}
		return safeText(p.Camera)
	case "name":
		return safeText(stem(p.original()))
	}
	return fmt.Sprintf("%0*d", digits(name), n)
}

// stem is the last element of a path without its extension.
func stem(name string) string {
	base := path.Base(strings.ReplaceAll(name, `\`, "/"))
	return strings.TrimSuffix(base, path.Ext(base))
}
