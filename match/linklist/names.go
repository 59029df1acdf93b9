package linklist

import (
	"maps"
	"path"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"example.com/phototie/geotag"
)

// fold makes texts comparable that differ in case and Unicode form only. It keeps
// the length of what norm.NFC returns, so that offsets are the same.
func fold(s string) string { return lower(composed(s)) }

func composed(s string) string { return norm.NFC.String(strings.TrimSpace(s)) }

func lower(s string) string {
	return strings.Map(func(r rune) rune {
		if l := unicode.ToLower(r); utf8.RuneLen(l) == utf8.RuneLen(r) {
			return l
		}
		return r
	}, s)
}

// letters are those of a text.
func letters(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) {
			return r
		}
		return -1
	}, s)
}

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
// source). Those of pointWords that number rows as often as points do not decide
// between two columns of ids.
var (
	strongPointWords = wordSet("point points pointid pointno pointnumber pointname pointnr pt pts ptid ptno ptnr ptnum station stn target marker monument punkt punkte punktnr punktnummer punto puntos punt ponto bod точка")
	pointWords       = wordSet("id p no nr number name mark feature asset sta")
	photoWords       = wordSet("photo photos photoname photofile photoid image images imagename imagefile img file files filename picture pictures pic pics foto fotos bild bilder attachment attachments фото")
)

func init() { maps.Copy(pointWords, strongPointWords) }

// names knows the photos and the points, by the ways to write them.
type names struct {
	photos, points phrases
	place          map[string]int // photos in the order of their names
}

func newNames(opt Options) *names {
	n := &names{photos: newPhrases(), points: newPhrases(), place: map[string]int{}}
	for i, p := range slices.Sorted(slices.Values(opt.Photos)) {
		n.place[p] = i
		for form := p; ; {
			n.photos.add(form, p)
			n.photos.add(strings.TrimSuffix(form, path.Ext(form)), p)
			_, after, more := strings.Cut(form, "/")
			if !more {
				break
			}
			form = after
		}
	}
	for _, id := range opt.Points {
		n.points.add(id, id)
	}
	return n
}

// phrases are texts to find: by their first word the lengths that there are, the
// longest first, and what each text means.
type phrases struct {
	lengths map[string][]int
	meaning map[string][]meaning
}

// meaning is a way to write a name.
type meaning struct{ form, name string }

func newPhrases() phrases {
	return phrases{map[string][]int{}, map[string][]meaning{}}
}

func (ps *phrases) add(form, name string) {
	form = composed(form)
	text := lower(form)
	word := firstWord(text)
	if word == "" || slices.Contains(ps.meaning[text], meaning{form, name}) {
		return
	}
	ps.meaning[text] = append(ps.meaning[text], meaning{form, name})
	if list := ps.lengths[word]; !slices.Contains(list, len(text)) {
		list = append(list, len(text))
		slices.SortFunc(list, func(a, b int) int { return b - a })
		ps.lengths[word] = list
	}
}

// of returns what a text may mean: one name if it is written in that way only.
func (ps *phrases) of(text string) []string {
	var all, same []string
	for _, m := range ps.meaning[lower(text)] {
		if !slices.Contains(all, m.name) {
			all = append(all, m.name)
		}
		if m.form == text && !slices.Contains(same, m.name) {
			same = append(same, m.name)
		}
	}
	if len(same) > 0 {
		return same
	}
	return all
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

// at returns the length of the longest phrase that stands at the beginning of a text
// and ends as a word does; 0 if there is none.
func (ps *phrases) at(s string) int {
	for _, n := range ps.lengths[firstWord(s)] {
		if n > len(s) || ps.meaning[s[:n]] == nil {
			continue
		}
		if r, _ := utf8.DecodeRuneInString(s[n:]); n == len(s) || !isWord(r) {
			return n
		}
	}
	return 0
}

// imageExtensions are those of image files, whether phototie reads them or not.
var imageExtensions = func() map[string]bool {
	out := wordSet("jpe nef cr2 arw gif bmp")
	for _, e := range geotag.Extensions() {
		out[strings.TrimPrefix(e, ".")] = true
	}
	return out
}()

var (
	otherEnding = regexp.MustCompile(`^\.[\pL\pN]`)
	// quantity are numbers that are no ids: dates, times, decimals.
	quantity = regexp.MustCompile(`^(?:\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}(?:[t ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?)?z?|\d{1,2}(?:st|nd|rd|th|\.)?[- ]?(?:jan|feb|mar|apr|may|jun|jul|aug|sept?|oct|nov|dec)[a-z]{0,6}[-., ]{1,2}\d{2,4}|\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?|\d+[.,]\d+)(?:[^\pL\pN]|$)`)
	// list parts names that belong together, run the first of several from the last;
	// tail is the end of a name whose beginning stands before ("IMG_0011-14").
	list = regexp.MustCompile(`^(?:[\s,;&+/"']|\b(?:and|und|et|y|e|og|och|en|i)\b)*$`)
	run  = regexp.MustCompile(`^\s*(?:[-–—]|\.\.+|…|\b(?:to|bis|till?|until|thru|through|à|a|hasta|até|tot|do)\b)\s*$`)
	tail = regexp.MustCompile(`^\s*(?:[-–—/,&+]|\.\.+|…|to|bis)\s*(\d+)(?:[^\pL\pN]|$)`)
	// alone is what stands after a number that begins a text and is an id.
	alone = regexp.MustCompile(`^\s*(?:$|[:=>→|,;(#]|[-–—]+>?\s*[^-–—\d\s])`)
	ends  = regexp.MustCompile(`^\s*(?:$|[,;:)(\-–—])`)
)

// mention is a photo or a point that a leaf names.
type mention struct {
	text    string
	names   []string // what it may be; none for an image file that is not there
	at, end int      // where in the leaf
}

// found is what a text names.
type found struct {
	photos, points []mention
	// listed says that several points stand in a list; run is a text that may stand
	// for more names than it has.
	listed bool
	run    string
}

// whole counts the names in a text that is nothing but photos or points.
func (f *found) whole(text string) int {
	s, end := fold(text), 0
	all := f.photos
	if len(all) == 0 {
		all = f.points
	} else if len(f.points) > 0 {
		return 0
	}
	for _, m := range all {
		if m.at < end || !list.MatchString(s[end:m.at]) {
			return 0
		}
		end = m.end
	}
	if !list.MatchString(s[end:]) {
		return 0
	}
	return len(all)
}

// search is a text that is being searched for names.
type search struct {
	known   *names
	text, s string // as it is, and folded
	before  string // the word before; none after a name
	last    mention
	// token is the end of the text without spaces around what was read last, and image
	// the end of the last name of an image file in it; 0 if there is none.
	token, image int
	found
}

// imageName is the longest name of an image file, with folders but without spaces,
// at i; "" if there is none.
func (f *search) imageName(i int) string {
	if i >= f.token {
		rest := f.s[i:]
		end := strings.IndexFunc(rest, func(r rune) bool { return !isWord(r) && !strings.ContainsRune("-./", r) })
		if end < 0 {
			end = len(rest)
		}
		f.token, f.image = i+end, 0
		for dot := strings.LastIndexByte(rest[:end], '.'); dot >= 0 && f.image == 0; dot = strings.LastIndexByte(rest[:dot], '.') {
			if ext := firstWord(rest[dot+1 : end]); imageExtensions[ext] {
				f.image = i + dot + 1 + len(ext)
			}
		}
	}
	return f.s[i:max(i, f.image)]
}

// find returns what a text names. What a name of a photo covers names no point.
func (n *names) find(text string) found {
	f := &search{known: n, text: strings.ReplaceAll(composed(text), `\`, "/")}
	f.s = lower(f.text)
	if k := n.points.at(f.s); k > 0 && k == len(f.s) {
		return found{points: []mention{{text: f.text, names: n.points.of(f.text), end: k}}}
	}
	for i := 0; i < len(f.s); {
		if r, size := utf8.DecodeRuneInString(f.s[i:]); !isWord(r) {
			i += size
		} else {
			i = f.step(i)
		}
	}
	f.between(n)
	return f.found
}

// between looks at what stands between names.
func (f *search) between(n *names) {
	f.listed = true
	for i := 1; i < len(f.points); i++ {
		f.listed = f.listed && list.MatchString(f.s[f.points[i-1].end:f.points[i].at])
	}
	for i := 1; i < len(f.photos); i++ {
		a, b := f.photos[i-1], f.photos[i]
		if len(a.names) == 1 && len(b.names) == 1 && b.at > a.end && run.MatchString(f.s[a.end:b.at]) && n.place[b.names[0]]-n.place[a.names[0]] > 1 {
			f.run = f.text[a.at:b.end]
		}
	}
}

// step reads the name or word at i and returns where it ends.
func (f *search) step(i int) int {
	rest := f.s[i:]
	if m, ok := f.photo(i); ok {
		f.photos = append(f.photos, m)
		f.goOn(m, &f.known.photos)
		return m.end
	}
	k := f.known.points.at(rest)
	m := mention{at: i, end: i + k}
	if k > 0 && (number(rest[:k]) || i > 0) && quantity.MatchString(rest) || k > 0 && number(rest[:k]) && !f.isID(m) {
		k = 0
	}
	if k > 0 {
		m.text, m.names = f.text[i:m.end], f.known.points.of(f.text[i:m.end])
		f.points = append(f.points, m)
		f.goOn(m, &f.known.points)
		return m.end
	}
	if q := quantity.FindString(rest); q != "" {
		return i + len(q)
	}
	f.before = firstWord(rest)
	return i + len(f.before)
}

// goOn notes a name, and whether what follows may be the tail of more of them.
func (f *search) goOn(m mention, of *phrases) {
	f.last, f.before = m, ""
	stem := lower(strings.TrimSuffix(m.text, path.Ext(m.text)))
	if t := tail.FindStringSubmatch(f.s[m.end:]); t != nil && !number(stem) && len(t[1]) < len(stem) && of.meaning[stem[:len(stem)-len(t[1])]+t[1]] != nil {
		f.run = strings.TrimSpace(f.text[m.at : m.end+len(t[0])])
	}
}

// photo finds the name of a photo at i, with the folders before it and the ending
// behind it, or the name of an image file that is not there.
func (f *search) photo(i int) (m mention, ok bool) {
	rest := f.s[i:]
	name := f.imageName(i)
	for from := 0; ; {
		if k := f.known.photos.at(rest[from:]); k > 0 {
			end := i + from + k
			if after, ok := strings.CutPrefix(f.s[end:], "."); ok && imageExtensions[firstWord(after)] {
				return f.mention(i, end, end+1+len(firstWord(after)), from), true
			}
			if end >= i+len(name) && f.stands(i+from, end) {
				return f.mention(i, end, end, from), true
			}
		}
		next := strings.IndexByte(name[min(from, len(name)):], '/')
		if next < 0 {
			break
		}
		from += next + 1
	}
	return mention{text: f.text[i : i+len(name)], at: i, end: i + len(name)}, name != ""
}

// mention makes one of a photo's name from start+from to end, which a folder stands
// before; stop is where its ending ends.
func (f *search) mention(start, end, stop, from int) mention {
	m := mention{text: f.text[start+from : stop], names: f.known.photos.of(f.text[start+from : end]), at: start, end: stop}
	if start > 0 && f.s[start-1] == '/' { // folders with spaces
		m.at = max(0, start-300)
		m.at += strings.LastIndexAny(f.s[m.at:start], ",;|\n\t\"(") + 1
	}
	return m
}

// stands says whether a photo's name is meant where its ending is not written: not
// by another file's name, nor by the id of a point, nor by a mere number in a text.
func (f *search) stands(at, end int) bool {
	text := f.s[at:end]
	if isImage(text) {
		return true
	}
	return !otherEnding.MatchString(f.s[end:]) && f.known.points.meaning[text] == nil && (!number(text) || at == 0 && end == len(f.s))
}

// isImage says whether a folded name is that of an image file.
func isImage(name string) bool { return imageExtensions[strings.TrimPrefix(path.Ext(name), ".")] }

func number(s string) bool { return strings.Trim(s, "0123456789") == "" }

// afterPoint says whether what was found last is a point.
func (f *search) afterPoint() bool {
	return f.last.end > 0 && len(f.points) > 0 && f.points[len(f.points)-1].end == f.last.end
}

// isID says whether a number is the id of a point: "point 12", "#12", "-> 12",
// "a.jpg: 12", "12: a.jpg"; and not "2 people".
func (f *search) isID(m mention) bool {
	after := f.s[m.end:]
	if m.at == 0 {
		return alone.MatchString(after) || f.beforePhoto(m.end)
	}
	between := strings.TrimRight(f.s[f.last.end:m.at], " \t")
	switch {
	case strings.HasSuffix(between, "#"), strings.HasSuffix(between, ">"), strings.HasSuffix(between, "→"):
		return true
	case f.before != "":
		return pointWords[f.before] && strings.HasSuffix(strings.TrimRight(between, ".:#="), f.before)
	case f.afterPoint():
		return list.MatchString(between) && between != "" && (ends.MatchString(after) || f.beforePhoto(m.end))
	}
	return f.last.end > 0 && ends.MatchString(after)
}

// beforePhoto says whether a photo's name follows.
func (f *search) beforePhoto(i int) bool {
	for i < len(f.s) && (f.s[i] == ' ' || f.s[i] == '\t') {
		i++
	}
	_, ok := f.photo(i)
	return ok
}

// pair says that of two texts one names a photo and the other a point: the key and
// the value in {"a.jpg": "K7"}.
func (n *names) pair(a, b string) bool {
	x, y := n.find(a), n.find(b)
	return len(x.photos) > 0 && len(y.points) > 0 || len(x.points) > 0 && len(y.photos) > 0
}
