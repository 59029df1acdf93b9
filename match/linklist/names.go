package linklist

import (
	"path"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"example.com/phototie/geotag"
)

// fold makes texts comparable that differ in case and Unicode form only.
func fold(s string) string { return strings.ToLower(norm.NFC.String(strings.TrimSpace(s))) }

// plain is a heading's letters, and its digits but for those at the end: "Photo 2" is
// another column of photos.
func plain(s string) string {
	return strings.TrimRight(strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return r
		}
		return -1
	}, fold(s)), "0123456789")
}

func wordSet(s string) map[string]bool {
	out := map[string]bool{}
	for _, w := range strings.Fields(s) {
		out[w] = true
	}
	return out
}

// Headings of points and of photos, as survey lists use them (common practice, no
// source).
var (
	pointWords = wordSet("point points pointid pointno pointnumber pointname pt ptid ptno ptnum pts id p station stn sta target mark marker monument name no nr number feature asset punkt punktnr punto punt")
	photoWords = wordSet("photo photos photoname photofile image images imagename imagefile img file files filename picture pictures pic pics foto fotos attachment attachments")
)

// names knows the photos and the points, by the ways to write them.
type names struct {
	photos, points *phrases
	sawPhoto       bool
	sawPoint       bool
}

func newNames(opt Options) *names {
	n := &names{photos: &phrases{}, points: &phrases{}}
	for _, p := range opt.Photos {
		base := path.Base(p)
		stem := strings.TrimSuffix(base, path.Ext(base))
		for _, form := range []string{p, base, stem, strings.TrimSuffix(p, path.Ext(p))} {
			n.photos.add(form, p)
		}
	}
	for _, id := range opt.Points {
		n.points.add(id, id)
	}
	return n
}

func (n *names) hits() (photos, points int) {
	if n.sawPhoto {
		photos = 1
	}
	if n.sawPoint {
		points = 1
	}
	return photos, points
}

// phrases are texts to find: by their first word the lengths that there are, the
// longest first, and what each text means.
type phrases struct {
	lengths map[string][]int
	meaning map[string][]string
}

type phrase struct {
	text  string
	names []string // what it may mean
}

func (ps *phrases) add(text, name string) {
	text = fold(text)
	word := firstWord(text)
	if word == "" {
		return
	}
	if ps.lengths == nil {
		ps.lengths, ps.meaning = map[string][]int{}, map[string][]string{}
	}
	if !slices.Contains(ps.meaning[text], name) {
		ps.meaning[text] = append(ps.meaning[text], name)
	}
	if list := ps.lengths[word]; !slices.Contains(list, len(text)) {
		list = append(list, len(text))
		slices.SortFunc(list, func(a, b int) int { return b - a })
		ps.lengths[word] = list
	}
}

func isWord(r rune) bool {
	return unicode.IsLetter(r) || unicode.IsDigit(r) || unicode.IsMark(r) || r == '_'
}

// firstWord is the first run of letters, digits and low lines of a text that
// begins with one.
func firstWord(s string) string {
	for i, r := range s {
		if !isWord(r) {
			return s[:i]
		}
	}
	return s
}

// at finds the longest phrase that stands at the beginning of a text whose end is
// the end of a word.
func (ps *phrases) at(s string) (phrase, bool) {
	for _, n := range ps.lengths[firstWord(s)] {
		if n > len(s) {
			continue
		}
		if r, _ := utf8.DecodeRuneInString(s[n:]); n < len(s) && isWord(r) {
			continue
		}
		if names := ps.meaning[s[:n]]; names != nil {
			return phrase{s[:n], names}, true
		}
	}
	return phrase{}, false
}

// extensions are those of image files, whether phototie reads them or not.
var extensions = func() string {
	list := []string{"jpe", "nef", "cr2", "arw", "gif", "bmp"}
	for _, e := range geotag.Extensions() {
		list = append(list, regexp.QuoteMeta(strings.TrimPrefix(e, ".")))
	}
	return strings.Join(list, "|")
}()

var (
	imageEnding = regexp.MustCompile(`^(\.(?:` + extensions + `))(?:[^\pL\pN]|$)`)
	imageName   = regexp.MustCompile(`([\pL\pN_][\pL\pN_\-./]*\.(?:` + extensions + `))(?:[^\pL\pN]|$)`)
	// quantity are numbers that are no ids: dates, times, decimals, percentages.
	quantity = regexp.MustCompile(`^(?:\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}(?:[t ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?)?z?|\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?|\d+[.,]\d+)(?:[^\pL\pN]|$)`)
)

// found is what a text names: photos, points, and image files that are not among
// the photos.
type found struct {
	photos, points []mention
	strangers      []string
}

// find returns what a text names. What a name of a photo covers names no point. A
// number names a point only where the text is nothing else, begins with it, or
// introduces it.
func (n *names) find(text string) (f found) {
	s := strings.ReplaceAll(fold(text), `\`, "/")
	if p, ok := n.points.at(s); ok && p.text == s {
		n.sawPoint = true
		return found{points: []mention{{name: p.names[0], whole: true}}}
	}
	before := ""
	for i := 0; i < len(s); {
		if r, size := utf8.DecodeRuneInString(s[i:]); !isWord(r) {
			i += size
			continue
		}
		rest := s[i:]
		if p, end, ok := n.photo(rest); ok {
			if len(p.names) == 1 {
				n.sawPhoto = true
				f.photos = append(f.photos, mention{name: p.names[0], at: i, whole: end == len(rest) && i == 0})
			} else {
				f.strangers = append(f.strangers, rest[:end]+" (one of several)")
			}
			before, i = "", i+end
			continue
		}
		if m := quantity.FindString(rest); m != "" && i > 0 {
			i += len(m)
			continue
		}
		if m := imageName.FindStringSubmatch(rest); m != nil && strings.HasPrefix(rest, m[1]) {
			f.strangers = append(f.strangers, m[1])
			i += len(m[1])
			continue
		}
		if p, ok := n.points.at(rest); ok && (!number(p.text) || i == 0 || introduces(s[:i], before)) {
			n.sawPoint = true
			f.points = append(f.points, mention{name: p.names[0], at: i})
			i += len(p.text)
			continue
		}
		before = firstWord(rest)
		i += len(before) // a path goes folder by folder
	}
	return f
}

// photo finds the name of a photo at the beginning of a text, with the folders
// before it and the ending behind it, and where it ends.
func (n *names) photo(s string) (p phrase, end int, ok bool) {
	skip := 0
	if m := imageName.FindStringSubmatch(s); m != nil && strings.HasPrefix(s, m[1]) {
		skip = strings.LastIndexByte(m[1], '/') + 1
	}
	for _, from := range []int{0, skip} {
		if p, ok = n.photos.at(s[from:]); ok {
			end = from + len(p.text)
			if m := imageEnding.FindStringSubmatch(s[end:]); m != nil {
				end += len(m[1])
			}
			return p, end, true
		}
	}
	return p, 0, false
}

func number(s string) bool { return strings.Trim(s, "0123456789") == "" }

// introduces says whether what stands before a number makes it an id: "point 12",
// "#12", "-> 12", "a.jpg: 12".
func introduces(before, word string) bool {
	before = strings.TrimRight(before, " \t")
	if pointWords[word] && strings.HasSuffix(strings.TrimRight(before, ".:#"), word) {
		return true
	}
	r, _ := utf8.DecodeLastRuneInString(before)
	return strings.ContainsRune("#:=>→|;\t", r)
}

// pair says that of two texts one names a photo and the other a point: the key and
// the value in {"a.jpg": "K7"}.
func (n *names) pair(a, b string) bool {
	x, y := n.find(a), n.find(b)
	return len(x.photos) > 0 && len(y.points) > 0 || len(x.points) > 0 && len(y.photos) > 0
}
