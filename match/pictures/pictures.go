package pictures

import (
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
	"example.com/phototie/match/internal/words"
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

func (c *photoCheck) add(i int, code match.FindingCode, sev match.Severity, message, remedy string) {
	p := &c.res.Photos[i]
	f := match.Finding{Code: code, Severity: sev, Photo: p.Name, Message: message, Remedy: remedy}
	if p.Tie != nil {
		f.Point, f.Line = p.Tie.Point, p.Tie.Line
	}
	c.found.Photos[p.Name] = append(c.found.Photos[p.Name], f)
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
	of := ""
	if code != "" {
		of = " for code " + code
	}
	unfit := func(why string) {
		if c.unfit[i] == "" {
			c.unfit[i] = why
		}
	}
	switch {
	case m.Undecoded == "":
	case m.Unsupported:
		c.notMeasured(i, m.Undecoded)
	default:
		unfit("undecodable")
		c.add(i, match.FindingUndecodable, match.SeverityError, "its pixels can't be read: "+m.Undecoded, lookDamaged)
	}
	if long, short := max(m.Width, m.Height), min(m.Width, m.Height); long < rule.MinLongSide || short < rule.MinShortSide {
		unfit("too small")
		c.add(i, match.FindingTooSmall, match.SeverityWarning,
			fmt.Sprintf("it has %d x %d pixels; %d x %d are required%s", long, short, max(rule.MinLongSide, 0), max(rule.MinShortSide, 0), of),
			"get the original from the device, or take it again with the camera set to a larger image")
	}
	if least := rule.MinQuality; least > 0 {
		switch q := m.Quality; {
		case q == nil && !isJPEG(c.res.Photos[i].Tag):
			// It has none.
		case q == nil || q.Low < least && q.High >= least:
			c.unknown = append(c.unknown, c.res.Photos[i].Name)
		case q.High < least:
			c.add(i, match.FindingLowQuality, match.SeverityWarning, fmt.Sprintf("its JPEG quality is %v; %d is required%s", q, least, of),
				"get the original from the device: sending photos by messenger or mail often compresses them again")
		}
	}
	if m.Undecoded != "" {
		return
	}
	if rule.MaxBlur > 0 {
		const look = "look at it at full size; if nothing can be read, take it again"
		switch {
		case m.Blur == nil:
			unfit("without any edges")
			c.add(i, match.FindingBlurred, match.SeverityWarning, "it shows no edges at all: all of it is out of focus, or it shows nothing", look)
		case *m.Blur > rule.MaxBlur:
			unfit("blurred")
			c.add(i, match.FindingBlurred, match.SeverityWarning,
				fmt.Sprintf("it is blurred: edges are spread by %.1f of 512 pixels; %.1f are allowed%s", *m.Blur, rule.MaxBlur, of), look)
		}
	}
	if e := m.Exposure; e != nil && rule.MaxClipped > 0 && e.Black+e.White > rule.MaxClipped {
		c.add(i, match.FindingClipped, match.SeverityWarning,
			fmt.Sprintf("%.0f %% of it is plain black and %.0f %% plain white; %.0f %% are allowed together%s", 100*e.Black, 100*e.White, 100*rule.MaxClipped, of),
			"look whether the point can be made out; if not, take it again with the light behind you")
	}
	switch o := m.Orientation; o {
	case 3, 6, 8:
		turn := map[int]string{3: "by half a turn", 6: "a quarter turn clockwise", 8: "a quarter turn anticlockwise"}[o]
		c.add(i, match.FindingOrientation, match.SeverityNote, fmt.Sprintf("its pixels lie turned: it is upright %s, which orientation flag %d asks for", turn, o),
			"nothing, unless the client's programs pass over the flag; then let it be turned without loss")
	case 2, 4, 5, 7:
		c.add(i, match.FindingOrientation, match.SeverityWarning, fmt.Sprintf("orientation flag %d asks for it to be mirrored, which no camera that looks away from its user does", o),
			"look whether writing reads the right way round, and mend the flag if not")
	}
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
	c.add(i, match.FindingUndecodable, match.SeverityError, "its pixels can't be read: "+err.Error(), lookDamaged)
}

// notMeasured notes a photo that is of a kind that is not decoded here.
func (c *photoCheck) notMeasured(i int, why string) {
	if c.unmeasured == nil {
		c.why = why
	}
	c.unmeasured = append(c.unmeasured, c.res.Photos[i].Name)
}

// lookDamaged is the remedy for a photo whose pixels can't be read.
const lookDamaged = "open it in a viewer; if it is damaged, get it again from the device"

// root is the photo that stands for all that show a picture.
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

// tied words what two photos of one picture are tied to, where that is not the
// same point; else it is empty.
func (c *photoCheck) tied(i, j int) string {
	a, b := c.res.Photos[i].Tie, c.res.Photos[j].Tie
	if a == nil || b == nil || a.Point == b.Point {
		return ""
	}
	return fmt.Sprintf("; this one is tied to %s, the other to %s", a.Point, b.Point)
}

// identical finds files that are the same byte by byte. All but the first of them
// are told.
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
		c.copyOf[i] = c.res.Photos[j].Name
		apart := c.tied(i, j)
		remedy := "keep one of them"
		if apart != "" {
			remedy = "keep the tie that is right; if the photo shows both points, keep both"
		}
		c.add(i, match.FindingIdentical, match.SeverityWarning, "it is the same file as "+c.res.Photos[j].Name+", byte by byte"+apart, remedy)
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
	for i, m := range marked {
		if j := original[i]; m && j >= 0 {
			d := pixels.Difference{}
			if previews[i] != nil && previews[j] != nil {
				d = pixels.Compare(previews[i], previews[j])
			}
			pairs = append(pairs, pair{i, j, d})
			has[i] = true
		}
	}
	for p := range pixels.Alike(previews) {
		i, j := p.Second, p.First
		if p.Likeness == pixels.DrawnOn && p.Drawn == 1 {
			i, j = j, i
		}
		if marked[j] && !marked[i] {
			i, j = j, i // names are the better witness
		}
		switch {
		case marked[i] && marked[j]:
			c.join(i, j) // two copies of one original
		case has[i]:
			c.join(i, j) // told by its name
		default:
			pairs = append(pairs, pair{i, j, p.Difference})
		}
	}
	slices.SortStableFunc(pairs, func(a, b pair) int {
		if a.copied != b.copied {
			return a.copied - b.copied
		}
		return a.of - b.of
	})
	return pairs, has
}

// alike tells of copies and marked-up copies.
func (c *photoCheck) alike() {
	marked, original := c.byName()
	pairs, has := c.pairs(marked, original)
	for _, p := range pairs {
		other := c.res.Photos[p.of].Name
		apart := c.tied(p.copied, p.of)
		sev := match.SeverityNote
		if apart != "" {
			sev = match.SeverityWarning
		}
		if c.root(p.copied) == c.root(p.of) && c.copyOf[p.copied] != "" {
			continue // told already, by way of another copy
		}
		c.join(p.copied, p.of)
		c.copyOf[p.copied] = other
		named := marked[p.copied]
		switch {
		case named && has[p.copied] && (p.Likeness == pixels.Different || p.Likeness == ""):
			why := "; their pixels differ by more than drawing does, so look at them"
			if p.Likeness == "" {
				why = "; their pixels were not compared"
			} else {
				sev = match.SeverityWarning
			}
			c.add(p.copied, match.FindingMarkup, sev, "by its name it is a marked-up copy of "+other+why+apart, "deliver both, if it is")
		case named:
			c.add(p.copied, match.FindingMarkup, sev, fmt.Sprintf("it is a marked-up copy of %s by its name and its pixels, of which %.1f %% differ%s", other, 100*p.Share, apart), c.tieAs(p.copied, p.of))
		case p.Likeness == pixels.DrawnOn:
			c.add(p.copied, match.FindingMarkup, sev, fmt.Sprintf("it looks like a marked-up copy of %s: %.1f %% of it differ. Doubtful, as only the pixels say so%s", other, 100*p.Share, apart), c.tieAs(p.copied, p.of))
		case p.Likeness == pixels.Same:
			c.add(p.copied, match.FindingNearDuplicate, sev, "it shows the same picture as "+other+apart, "keep the larger one, or both if they are two photos")
		default:
			c.add(p.copied, match.FindingNearDuplicate, sev, fmt.Sprintf("it shows the same picture as %s, but %.1f %% of it differ%s", other, 100*p.Share, apart), "look at both; keep the one that is wanted")
		}
	}
	for i, m := range marked {
		if m && c.copyOf[i] == "" {
			c.add(i, match.FindingMarkupAlone, match.SeverityWarning, "its name is that of a marked-up copy, and no photo of the job is its original", "deliver the untouched original with it")
		}
	}
}

// tieAs is the remedy for a marked-up copy.
func (c *photoCheck) tieAs(i, of int) string {
	if a, b := c.res.Photos[i].Tie, c.res.Photos[of].Tie; a == nil && b != nil {
		return "tie it to " + b.Point + ", as its original is"
	} else if a != nil && b != nil && a.Point != b.Point {
		return "keep the tie that is right for both"
	}
	return "nothing: deliver both"
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
		why := map[string]int{}
		for _, name := range p.Photos {
			i := place[name]
			switch r := c.root(i); {
			case c.unfit[i] != "":
				why[c.unfit[i]]++
			case fit[r]:
				why["a copy of another"]++
			default:
				fit[r] = true
			}
		}
		if len(fit) >= need {
			continue
		}
		message := fmt.Sprintf("%d of %s", len(fit), words.Plural(need, "photo required", "photos required"))
		if p.Code != "" {
			message += " for code " + p.Code
		}
		var left []string
		for _, w := range slices.Sorted(maps.Keys(why)) {
			left = append(left, fmt.Sprintf("%d %s", why[w], w))
		}
		if left != nil {
			message += "; not counted: " + strings.Join(left, ", ")
		}
		c.found.Points[p.ID] = match.Finding{Code: match.FindingTooFew, Severity: match.SeverityError, Point: p.ID, Line: p.Line, Message: message,
			Remedy: "look among the untied and wrongly tied, or take more"}
	}
}

// whole finds what concerns the job as a whole.
func (c *photoCheck) whole() {
	if n := len(c.unmeasured); n > 0 {
		c.found.Job = append(c.found.Job, match.Finding{Code: match.FindingUnmeasured, Severity: match.SeverityNote,
			Message: fmt.Sprintf("the pixels of %s were not measured, as they are of a kind that is not decoded here (the first is %s: %s)", words.Plural(n, "photo"), c.unmeasured[0], c.why),
			Remedy:  "look by eye whether they are large and sharp enough"})
	}
	if n := len(c.unknown); n > 0 {
		c.found.Job = append(c.found.Job, match.Finding{Code: match.FindingQualityUnknown, Severity: match.SeverityNote,
			Message: fmt.Sprintf("the JPEG quality of %s can't be held against what is required: their quantisation tables are none of the standard ones (the first is %s)",
				words.Plural(n, "photo"), c.unknown[0]),
			Remedy: "look at one of them at full size"})
	}
	has := map[string]bool{}
	for _, p := range c.res.Points {
		has[fold(p.Code)] = true
	}
	for _, code := range slices.Sorted(maps.Keys(c.req.PerCode)) {
		if !has[fold(code)] {
			c.found.Job = append(c.found.Job, match.Finding{Code: match.FindingUnusedRule, Severity: match.SeverityNote,
				Message: fmt.Sprintf("there is a rule for photos of code %q, and no point has that code", code), Remedy: "mend the code, if it is misspelt"})
		}
	}
}
