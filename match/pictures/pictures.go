package pictures

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"path"
	"regexp"
	"slices"
	"strings"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/pixels"
	"example.com/phototie/match"
)

// CodeRule is what the photos of points of one code must be. A field of 0 leaves
// the matter to the more general rule, and one below 0 requires nothing.
type CodeRule struct {
	// MinPhotos is how many photos a point must have. Copies of one picture count
	// once, and what can't be decoded, is too small or is blurred does not count.
	MinPhotos int `json:"min_photos,omitempty"`
	// MinLongSide and MinShortSide are the pixels of the longer and the shorter
	// side of a photo at least.
	MinLongSide  int `json:"min_long_side_px,omitempty"`
	MinShortSide int `json:"min_short_side_px,omitempty"`
	// MinQuality is the least JPEG quality, 1 to 100; see pixels.Quality.
	MinQuality int `json:"min_quality,omitempty"`
	// MaxBlur is the largest spread of edges in pixels of the photo brought down
	// to a longer side of 512; see package pixels.
	MaxBlur float64 `json:"max_blur_px,omitempty"`
	// MaxClipped is the largest share of pixels, 0 to 1, that are black or white.
	MaxClipped float64 `json:"max_clipped,omitempty"`
}

// DefaultRule returns the rule that holds where no other does. Where the figures are from:
//
//   - MinPhotos none: how many are wanted is for the client to say.
//   - MinLongSide 1024, MinShortSide 768: common practice, no source. Handhelds
//     come with their cameras set to small images (common practice, no source).
//   - MinQuality 50: the example table of ITU-T T.81 as it stands.
//   - MaxBlur: pixels.SharpBlur, which was set from real photos.
//   - MaxClipped 0.4: no source. The real photos of the tests have 0.15 at most;
//     the rest is for white skies and for dark around a flash.
func DefaultRule() CodeRule {
	return CodeRule{MinPhotos: -1, MinLongSide: 1024, MinShortSide: 768, MinQuality: 50, MaxBlur: pixels.SharpBlur, MaxClipped: 0.4}
}

// or returns the rule with what it leaves open taken from another.
func (r CodeRule) or(d CodeRule) CodeRule {
	return CodeRule{
		MinPhotos:    either(r.MinPhotos, d.MinPhotos),
		MinLongSide:  either(r.MinLongSide, d.MinLongSide),
		MinShortSide: either(r.MinShortSide, d.MinShortSide),
		MinQuality:   either(r.MinQuality, d.MinQuality),
		MaxBlur:      either(r.MaxBlur, d.MaxBlur),
		MaxClipped:   either(r.MaxClipped, d.MaxClipped),
	}
}

func either[T int | float64](v, or T) T {
	if v == 0 {
		return or
	}
	return v
}

// Requirements are what the photos of a job must be. The zero Requirements are
// DefaultRule for all codes.
type Requirements struct {
	// Default is the rule for codes that have none of their own, for points
	// without a code and for photos that are tied to no point. What it leaves open
	// is as in DefaultRule.
	Default CodeRule `json:"default"`
	// PerCode has the rules of point codes, in upper or lower case. What they
	// leave open is as in Default.
	PerCode map[string]CodeRule `json:"codes,omitempty"`
	// MarkupSuffixes are the words at the end of a file's name, before its
	// extension, by which marked-up copies are known: "IMG_0012-marked.jpg". Nil
	// defaults to DefaultMarkupSuffixes.
	MarkupSuffixes []string `json:"markup_suffixes,omitempty"`
}

// DefaultMarkupSuffixes are the endings by which marked-up copies are known:
// common practice, no source.
var DefaultMarkupSuffixes = []string{"marked", "marked-up", "markup", "mark-up", "annotated", "annotation", "annot", "redline", "redlined"}

// RequirementError is a figure or a word of Requirements that can't be.
type RequirementError struct {
	// Code is the code whose rule it stands in; empty for the default rule and for
	// what stands in neither.
	Code string
	// Key is the key at fault, as the settings have it: min_quality for instance.
	// It is empty where the fault lies in the code itself.
	Key string
	// What says what is wrong, Remedy what to do about it.
	What, Remedy string
}

// Error words the fault without its remedy.
func (e *RequirementError) Error() string { return "photo requirements: " + e.What }

// Validate returns a *RequirementError for every figure that can't be, joined.
func (q *Requirements) Validate() error {
	var errs []error
	add := func(code, key, remedy, format string, args ...any) {
		errs = append(errs, &RequirementError{Code: code, Key: key, What: fmt.Sprintf(format, args...), Remedy: remedy})
	}
	rule := func(code string, r CodeRule) {
		if r.MinQuality > 100 {
			add(code, "min_quality", "give 1 to 100, or -1 to require none", "a JPEG quality of %d is above 100", r.MinQuality)
		}
		if !(r.MaxClipped <= 1) {
			add(code, "max_clipped", "give a share such as 0.4, or -1 to allow any", "a clipped share of %g is not between 0 and 1", r.MaxClipped)
		}
		if r.MaxBlur != r.MaxBlur {
			add(code, "max_blur_px", "give pixels such as 1.7, or -1 to allow any", "the blur is not a number")
		}
		if r.MinLongSide > 0 && r.MinShortSide > r.MinLongSide {
			add(code, "min_short_side_px", "swap the two", "the shorter side of %d pixels is longer than the longer one of %d", r.MinShortSide, r.MinLongSide)
		}
	}
	rule("", q.Default)
	seen := map[string]string{}
	for _, code := range slices.Sorted(maps.Keys(q.PerCode)) {
		if fold(code) == "" {
			add(code, "", "put what is required of points without a code into the default rule", "a rule is for an empty code")
			continue
		}
		rule(code, q.PerCode[code])
		if other, ok := seen[fold(code)]; ok {
			add(code, "", "keep one of them", "codes %q and %q differ in case only", other, code)
		}
		seen[fold(code)] = code
	}
	for _, s := range q.MarkupSuffixes {
		if strings.TrimSpace(s) == "" {
			add("", "markup_suffixes", "take it out", "an empty suffix of marked-up copies would fit all photos")
		}
	}
	return errors.Join(errs...)
}

// fold is a code as it is compared.
func fold(code string) string { return strings.ToLower(strings.TrimSpace(code)) }

// Rule returns the rule for a code, with nothing left open: in it, 0 and below
// require nothing.
func (q *Requirements) Rule(code string) CodeRule {
	rule := q.Default.or(DefaultRule())
	for c, r := range q.PerCode {
		if fold(c) == fold(code) && fold(code) != "" {
			rule = r.or(rule)
		}
	}
	return rule
}

// Resolved returns the requirements with nothing left open, a *Requirements: the
// default rule, the rule of each code as Rule returns it, and the suffixes.
func (q *Requirements) Resolved() match.Requirements {
	out := &Requirements{Default: q.Default.or(DefaultRule()), MarkupSuffixes: q.MarkupSuffixes}
	if out.MarkupSuffixes == nil {
		out.MarkupSuffixes = DefaultMarkupSuffixes
	}
	for code := range q.PerCode {
		if out.PerCode == nil {
			out.PerCode = make(map[string]CodeRule, len(q.PerCode))
		}
		out.PerCode[code] = q.Rule(code)
	}
	return out
}

// Of is what was measured of a photo; nil where nothing was.
func Of(p *match.Photo) *pixels.Measures {
	m, _ := p.Pixels.(*pixels.Measures)
	return m
}

// Check holds the photos of a checked job against the requirements, which must be
// valid. It looks at their Pixels; of a photo without, its name and its number for
// its point are looked at, unless it could not be read. match.Check calls it where
// its options have the requirements, and Result.Findings then has what it finds.
//
// Copies are found by their bytes, by their previews (pixels.Alike) and, marked-up
// ones, by their names. A pair that only its pixels tell of is doubtful, and
// its message says so: something new in one of two pictures looks like a drawing on it.
// A marked-up copy whose original is not there can only be told by its name. Time and
// memory grow with the number of photos, as long as few of them are alike.
func (q *Requirements) Check(res *match.Result) match.PictureFindings {
	req := *q
	c := &photoCheck{res: res, req: req, group: make([]int, len(res.Photos)), copyOf: make([]string, len(res.Photos)), unfit: make([]string, len(res.Photos)),
		found: match.PictureFindings{Photos: map[string][]match.Finding{}, Points: map[string]match.Finding{}}}
	codes := map[string]string{}
	for i := range res.Points {
		codes[res.Points[i].ID] = res.Points[i].Code
	}
	for i := range res.Photos {
		p := &res.Photos[i]
		c.group[i] = i
		c.measures = append(c.measures, Of(&p.Photo))
		code := ""
		if p.Tie != nil {
			code = codes[p.Tie.Point]
		}
		c.one(i, code)
	}
	c.identical()
	c.alike()
	c.counts()
	c.whole()
	return c.found
}

// photoCheck is the state of Check. Its lists are in the order of the photos.
type photoCheck struct {
	res      *match.Result
	req      Requirements
	measures []*pixels.Measures
	found    match.PictureFindings
	// unfit says why a photo does not count; empty where it does.
	unfit []string
	// group leads to another photo that shows the same picture, or to itself.
	group []int
	// copyOf names the photo that a photo was reported as a copy of.
	copyOf []string
	// unknown has the photos whose quality can't be told.
	unknown []string
	// unmeasured has the photos whose pixels are not decoded here, and why that is
	// so of the first.
	unmeasured []string
	why        string
}

// finding is a finding about photo i.
func (c *photoCheck) finding(i int, code match.FindingCode, facts ...match.Fact) match.Finding {
	p := &c.res.Photos[i]
	f := match.NewFinding(code, facts...)
	f.Photo = p.Name
	if p.Tie != nil {
		f.Point, f.Line = p.Tie.Point, p.Tie.Line
	}
	return f
}

func (c *photoCheck) add(f match.Finding) {
	c.found.Photos[f.Photo] = append(c.found.Photos[f.Photo], f)
}

// one checks a photo by itself.
func (c *photoCheck) one(i int, code string) {
	m, rule := c.measures[i], c.req.Rule(code)
	if c.res.Photos[i].Err != nil {
		c.unfit[i] = "unreadable"
	}
	if err := c.res.Photos[i].PixelsErr; err != nil && m == nil && c.unfit[i] == "" {
		c.unmeasurable(i, err)
	}
	if m == nil {
		return
	}
	add := func(kind match.FindingCode, facts ...match.Fact) {
		if code != "" {
			facts = append(facts, match.Fact{Name: "code", Text: code})
		}
		c.add(c.finding(i, kind, facts...))
	}
	switch {
	case m.Undecoded == "":
	case m.Unsupported:
		c.notMeasured(i, m.Undecoded)
	default:
		c.leaveOut(i, "undecodable")
		add(match.FindingUndecodable, match.Fact{Name: "why", Text: m.Undecoded})
	}
	c.coded(i, m, rule, add)
	if m.Undecoded == "" {
		c.seen(i, m, rule, add)
	}
}

// leaveOut says why a photo does not count, unless that is known already.
func (c *photoCheck) leaveOut(i int, why string) {
	if c.unfit[i] == "" {
		c.unfit[i] = why
	}
}

// coded checks what the file says of a photo: its size and its quality.
func (c *photoCheck) coded(i int, m *pixels.Measures, rule CodeRule, add func(match.FindingCode, ...match.Fact)) {
	if long, short := max(m.Width, m.Height), min(m.Width, m.Height); long < rule.MinLongSide || short < rule.MinShortSide {
		c.leaveOut(i, "too small")
		add(match.FindingTooSmall, number("long side", long, "px"), number("short side", short, "px"),
			number("long side required", max(rule.MinLongSide, 0), "px"), number("short side required", max(rule.MinShortSide, 0), "px"))
	}
	switch q, least := m.Quality, rule.MinQuality; {
	case least <= 0:
	case q == nil && !isJPEG(c.res.Photos[i].Tag):
		// It has none.
	case q == nil || q.Low < least && q.High >= least:
		c.unknown = append(c.unknown, c.res.Photos[i].Name)
	case q.High < least:
		add(match.FindingLowQuality, match.Fact{Name: "quality", Text: q.String()}, number("quality required", least, ""))
	}
}

// seen checks what the pixels of a photo show.
func (c *photoCheck) seen(i int, m *pixels.Measures, rule CodeRule, add func(match.FindingCode, ...match.Fact)) {
	switch {
	case rule.MaxBlur <= 0:
	case m.Blur == nil:
		c.leaveOut(i, "without any edges")
		add(match.FindingBlurred)
	case *m.Blur > rule.MaxBlur:
		c.leaveOut(i, "blurred")
		add(match.FindingBlurred, match.Fact{Name: "blur", Value: *m.Blur, Unit: "px"}, match.Fact{Name: "blur allowed", Value: rule.MaxBlur, Unit: "px"})
	}
	if e := m.Exposure; e != nil && rule.MaxClipped > 0 && e.Black+e.White > rule.MaxClipped {
		add(match.FindingClipped, percent("black", e.Black), percent("white", e.White), percent("clipped allowed", rule.MaxClipped))
	}
	switch flag := m.Orientation; flag {
	case 3, 6, 8: // turned
		c.add(c.finding(i, match.FindingOrientation, number("orientation", flag, "")))
	case 2, 4, 5, 7: // mirrored
		f := c.finding(i, match.FindingOrientation, number("orientation", flag, ""))
		f.Severity = match.SeverityWarning
		c.add(f)
	}
}

// number and percent are facts: a whole number, and a share in per cent.
func number(name string, v int, unit string) match.Fact {
	return match.Fact{Name: name, Value: float64(v), Unit: unit}
}

func percent(name string, share float64) match.Fact {
	return match.Fact{Name: name, Value: 100 * share, Unit: "%"}
}

// isJPEG says whether a photo is a JPEG, or may be one.
func isJPEG(t *geotag.Tag) bool { return t == nil || t.Container == "" || t.Container == "jpeg" }

// unmeasurable tells of a photo whose pixels were to be measured and could not be.
// A format that is not decoded here is nothing that is wrong with the photo.
func (c *photoCheck) unmeasurable(i int, err error) {
	if errors.Is(err, geotag.ErrFormat) {
		c.notMeasured(i, err.Error())
		return
	}
	c.unfit[i] = "undecodable"
	c.add(c.finding(i, match.FindingUndecodable, match.Fact{Name: "why", Text: err.Error()}))
}

// notMeasured notes a photo that is of a kind that is not decoded here.
func (c *photoCheck) notMeasured(i int, why string) {
	if c.unmeasured == nil {
		c.why = why
	}
	c.unmeasured = append(c.unmeasured, c.res.Photos[i].Name)
}

// root is the first of the photos that show one picture.
func (c *photoCheck) root(i int) int {
	for c.group[i] != i {
		c.group[i] = c.group[c.group[i]]
		i = c.group[i]
	}
	return i
}

// join says that two photos show the same picture.
func (c *photoCheck) join(i, j int) {
	i, j = c.root(i), c.root(j)
	c.group[max(i, j)] = min(i, j)
}

// copied is a finding about photo i, a copy of photo of. Copies that are tied to two
// points are a warning.
func (c *photoCheck) copied(i, of int, code match.FindingCode, facts ...match.Fact) match.Finding {
	c.copyOf[i] = c.res.Photos[of].Name
	facts = append([]match.Fact{{Name: "other photo", Text: c.copyOf[i]}}, facts...)
	a, b := c.res.Photos[i].Tie, c.res.Photos[of].Tie
	if a != nil {
		facts = append(facts, match.Fact{Name: "point", Text: a.Point})
	}
	if b != nil {
		facts = append(facts, match.Fact{Name: "other point", Text: b.Point})
	}
	f := c.finding(i, code, facts...)
	if a != nil && b != nil && a.Point != b.Point {
		f.Severity = match.SeverityWarning
	}
	return f
}

// identical finds files that are the same byte by byte. All but the first of them
// are reported.
func (c *photoCheck) identical() {
	first := map[pixels.Sum]int{}
	for i, m := range c.measures {
		if m == nil {
			continue
		}
		j, ok := first[m.SHA256]
		if !ok {
			first[m.SHA256] = i
			continue
		}
		c.join(i, j)
		c.add(c.copied(i, j, match.FindingIdentical))
	}
}

// pair is a photo that is a copy of another.
type pair struct {
	copied, of int
	pixels.Difference
}

// pairs finds copies and marked-up copies by previews and names, in order. has says
// of which photos the original is known by their names.
func (c *photoCheck) pairs(marked []bool, original []int) (pairs []pair, has []bool) {
	previews := make([]*pixels.Preview, len(c.measures))
	for i, m := range c.measures {
		if m != nil && c.copyOf[i] == "" {
			previews[i] = m.Preview
		}
	}
	has = make([]bool, len(c.measures))
	for i, j := range original {
		if j < 0 {
			continue
		}
		d := pixels.Difference{}
		if previews[i] != nil && previews[j] != nil {
			d = pixels.Compare(previews[i], previews[j])
		}
		pairs, has[i] = append(pairs, pair{i, j, d}), true
	}
	for p := range pixels.Alike(previews) {
		i, j := p.Second, p.First
		if p.Likeness == pixels.DrawnOn && p.Drawn == 1 {
			i, j = j, i
		}
		if marked[j] && !marked[i] {
			i, j = j, i // names are the better witness
		}
		if marked[j] || has[i] {
			c.join(i, j) // two copies of one original, or reported by its name
		} else {
			pairs = append(pairs, pair{i, j, p.Difference})
		}
	}
	slices.SortStableFunc(pairs, func(a, b pair) int { return cmp.Or(a.copied-b.copied, a.of-b.of) })
	return pairs, has
}

// alike reports copies and marked-up copies.
func (c *photoCheck) alike() {
	marked, original := c.byName()
	pairs, has := c.pairs(marked, original)
	for _, p := range pairs {
		if c.root(p.copied) == c.root(p.of) && c.copyOf[p.copied] != "" {
			continue // reported already, by way of another copy
		}
		c.join(p.copied, p.of)
		c.add(c.pair(p, marked[p.copied], has[p.copied]))
	}
	for i, m := range marked {
		if m && c.copyOf[i] == "" {
			c.add(c.finding(i, match.FindingMarkupAlone))
		}
	}
}

// pair is the finding about a photo and its copy, which may be marked up by its
// name; has says that its name leads to the original.
func (c *photoCheck) pair(p pair, marked, has bool) match.Finding {
	differ := percent("pixels that differ", p.Share)
	by := func(what string) match.Fact { return match.Fact{Name: "known by", Text: what} }
	switch {
	case marked && has && p.Likeness == "": // not compared
		return c.copied(p.copied, p.of, match.FindingMarkup, by("name"))
	case marked && has && p.Likeness == pixels.Different:
		f := c.copied(p.copied, p.of, match.FindingMarkup, by("name"), differ)
		f.Severity = match.SeverityWarning
		return f
	case marked:
		return c.copied(p.copied, p.of, match.FindingMarkup, by("name"), by("pixels"), differ)
	case p.Likeness == pixels.DrawnOn:
		return c.copied(p.copied, p.of, match.FindingMarkup, by("pixels"), differ)
	case p.Likeness == pixels.Same:
		return c.copied(p.copied, p.of, match.FindingNearDuplicate)
	}
	return c.copied(p.copied, p.of, match.FindingNearDuplicate, differ)
}

// byName tells which photos have the name of a marked-up copy, and which photo
// has the name of the original: -1 where none has, or several have.
func (c *photoCheck) byName() (marked []bool, original []int) {
	suffixes := c.req.MarkupSuffixes
	if suffixes == nil {
		suffixes = DefaultMarkupSuffixes
	}
	var words []string
	for _, s := range suffixes {
		words = append(words, regexp.QuoteMeta(strings.ToLower(strings.TrimSpace(s))))
	}
	// A separator, the word, and perhaps a number: "-marked", " (markup) 2".
	pattern := regexp.MustCompile(`^(.+?)[-_ .+(\[]+(?:` + strings.Join(words, "|") + `)[)\]]?(?:[-_ ]?\(?\d{1,2}\)?)?$`)
	type key struct{ folder, stem string }
	here, anywhere := map[key][]int{}, map[string][]int{}
	stems := make([]string, len(c.res.Photos))
	marked, original = make([]bool, len(stems)), make([]int, len(stems))
	for i := range stems {
		name := c.res.Photos[i].NameAsTaken()
		base := path.Base(name)
		stems[i] = strings.ToLower(strings.TrimSuffix(base, path.Ext(base)))
		if len(words) > 0 {
			if m := pattern.FindStringSubmatch(stems[i]); m != nil {
				marked[i], stems[i] = true, m[1]
				continue
			}
		}
		k := key{path.Dir(name), stems[i]}
		here[k], anywhere[stems[i]] = append(here[k], i), append(anywhere[stems[i]], i)
	}
	for i, s := range stems {
		original[i] = -1
		if !marked[i] {
			continue
		}
		if at := here[key{path.Dir(c.res.Photos[i].NameAsTaken()), s}]; len(at) == 1 {
			original[i] = at[0]
		} else if at := anywhere[s]; len(at) == 1 {
			original[i] = at[0]
		}
	}
	return marked, original
}

// counts holds the number of photos of each point against what is required.
func (c *photoCheck) counts() {
	place := make(map[string]int, len(c.res.Photos))
	for i := range c.res.Photos {
		place[c.res.Photos[i].Name] = i
	}
	for _, p := range c.res.Points {
		need := c.req.Rule(p.Code).MinPhotos
		if need <= 0 {
			continue
		}
		fit := map[int]bool{} // pictures that count
		facts := []match.Fact{{Name: "photos"}, number("photos required", need, "")}
		for _, name := range p.Photos {
			i := place[name]
			switch r := c.root(i); {
			case c.unfit[i] != "":
				facts = append(facts, match.Fact{Name: "not counted", Text: c.unfit[i]})
			case fit[r]:
				facts = append(facts, match.Fact{Name: "not counted", Text: "a copy of another"})
			default:
				fit[r] = true
			}
		}
		if len(fit) >= need {
			continue
		}
		facts[0].Value = float64(len(fit))
		if p.Code != "" {
			facts = append(facts, match.Fact{Name: "code", Text: p.Code})
		}
		f := match.NewFinding(match.FindingTooFew, facts...)
		f.Point, f.Line = p.ID, p.Line
		c.found.Points[p.ID] = f
	}
}

// whole finds what concerns the job as a whole.
func (c *photoCheck) whole() {
	job := func(code match.FindingCode, facts ...match.Fact) {
		c.found.Job = append(c.found.Job, match.NewFinding(code, facts...))
	}
	if n := len(c.unmeasured); n > 0 {
		job(match.FindingUnmeasured, number("photos", n, ""), match.Fact{Name: "first photo", Text: c.unmeasured[0]}, match.Fact{Name: "why", Text: c.why})
	}
	if n := len(c.unknown); n > 0 {
		job(match.FindingQualityUnknown, number("photos", n, ""), match.Fact{Name: "first photo", Text: c.unknown[0]})
	}
	has := map[string]bool{}
	for _, p := range c.res.Points {
		has[fold(p.Code)] = true
	}
	for _, code := range slices.Sorted(maps.Keys(c.req.PerCode)) {
		if !has[fold(code)] {
			job(match.FindingUnusedRule, match.Fact{Name: "code", Text: code})
		}
	}
}
