package dataset

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/pictures"
	"example.com/phototie/match/pointfile"
	"example.com/phototie/match/suggest"
	"example.com/phototie/match/walk"
)

// SettingsFile is the name of the settings file at the top of a dataset.
const SettingsFile = "phototie.toml"

// options are those of the settings.
func (t TieSettings) options() match.TieOptions {
	opt := match.TieOptions{InferUntied: t.InferUntied, Threshold: t.Threshold, Off: !t.Weigh}
	if t.FieldOrder != walk.OrderUnstated {
		opt.Walk = walk.DefaultParams()
		opt.Walk.FieldOrder = t.FieldOrder
	}
	return opt
}

// check reports what contradicts itself.
func (t TieSettings) check(ps *problems) {
	if t.Threshold != 0 && !(t.Threshold > 0.5 && t.Threshold <= 1) {
		ps.add(0, 0, "give a probability above 0.5, for instance 0.95", "ties.threshold = %v makes no sense", t.Threshold)
	}
	if t.InferUntied && !t.Weigh {
		ps.add(0, 0, "take ties.weigh = false out", "ties.infer_untied asks for what ties.weigh = false leaves out")
	}
	if t.Threshold != 0 && !t.InferUntied {
		ps.add(0, 0, "set ties.infer_untied = true, or take the threshold out", "ties.threshold is of use only with ties.infer_untied")
	}
}

// reference is the height reference of the points. site says that their heights
// are those of a site system with a vertical part.
func (h HeightSettings) reference(compound, site bool) grid.HeightRef {
	ref := grid.HeightRef{VerticalCRS: h.VerticalCRS, Separation: h.Separation, SeparationAccuracy: h.SeparationAccuracy, Frame: h.Frame, Site: site}
	ref.Surface = surfaces[h.Points]
	if h.Points == "" && compound {
		ref.Surface = grid.HeightGeoid
	}
	return ref
}

// surfaces are the words for what heights count from.
var surfaces = map[string]grid.HeightSurface{"ellipsoid": grid.HeightEllipsoid, "geoid": grid.HeightGeoid}

// compound is a code with a vertical part: "EPSG:2157+5731".
var compound = regexp.MustCompile(`(?i)^epsg:[0-9]+\+(epsg:)?[0-9]+$`)

// options are what match.Check needs of the settings.
func (s Settings) options() match.Options {
	opt := match.Options{
		Budget:        match.Budget(s.Budget.BudgetSettings),
		Devices:       s.Budget.devices(),
		Differential:  s.Frame.Differential,
		Datum:         s.Frame.Datum,
		Datums:        s.Frame.Datums,
		Epoch:         s.Frame.Epoch,
		Delivered:     grid.Frame{Datum: s.Frame.Delivered, Epoch: s.Frame.DeliveredEpoch},
		Accuracy:      s.Accuracy,
		AllowBallpark: s.Frame.AllowBallpark,
		BallparkSigma: s.Frame.BallparkSigma,
		Ties:          s.Ties.options(),
		Heights: match.HeightOptions{
			Points:      s.Heights.reference(compound.MatchString(s.Grid.CRS), s.Site != nil && (s.Site.Vertical != nil || s.Site.FitHeights != "")),
			Tags:        surfaces[s.Heights.Tags],
			TagSeaLevel: s.Heights.TagSeaLevel,
			Tolerance:   s.Heights.Tolerance,
		},
	}
	if s.Requirements != nil {
		opt.Requirements = s.Requirements.requirements()
	}
	return opt
}

// example is the least that a settings file must say.
const example = `[grid]
crs = "EPSG:2157"        # the projected system that the points are in

[points]
file = "points.csv"

[links]
file = "links.csv"       # leave out where no list says which photo shows what

[photos]
folder = "photos"`

// readSettings reads and checks phototie.toml.
func readSettings(fsys fs.FS) (Settings, error) {
	var s Settings
	text, err := ReadFile(fsys, SettingsFile, maxSettings)
	if errors.Is(err, fs.ErrNotExist) {
		return s, &Problem{File: SettingsFile, What: "there is no such file in the dataset's folder",
			Remedy: "phototie init drafts one from what the folder holds, or write one that says at least:\n\n" + example + "\n"}
	}
	if p := (*Problem)(nil); errors.As(err, &p) {
		p.Remedy = settingsRemedy
		return s, p
	}
	if err != nil {
		return s, fmt.Errorf("%s: %w", SettingsFile, err)
	}
	return parseSettings(text)
}

// The bounds of the settings file, in bytes and lines; a job's has some dozens.
// The TOML decoder takes time by the product of the file's length and the number
// of keys it does not know.
const (
	maxSettings      = 64 << 10
	maxSettingsLines = 2000
)

const settingsRemedy = "keep to the keys of phototie help settings; lists of points and links go into files of their own"

// DefaultSettings are those of a phototie.toml that says nothing. To be of use they
// need at least Grid.CRS, Points.File and, where links are in a file, Links.File.
func DefaultSettings() Settings {
	return Settings{Photos: PhotoSettings{Folder: "photos"}, Budget: BudgetTable{BudgetSettings: BudgetSettings(match.DefaultBudget())}, Ties: TieSettings{Weigh: true}}
}

// parseSettings reads the text of a phototie.toml.
func parseSettings(text []byte) (Settings, error) {
	if n := bytes.Count(text, []byte("\n")); n > maxSettingsLines {
		return Settings{}, &Problem{File: SettingsFile, What: fmt.Sprintf("the file has %d lines, more than the %d that are read", n, maxSettingsLines), Remedy: settingsRemedy}
	}
	s := DefaultSettings()
	text = bytes.TrimPrefix(text, []byte(bom))
	if err := s.decode(text); err != nil {
		return s, err
	}
	if err := undecided(text); err != nil {
		return s, err
	}
	if s.Photos.Folder == "" {
		s.Photos.Folder = "photos"
	}
	ps := problems{file: SettingsFile}
	if strings.TrimSpace(s.Grid.CRS) == "" {
		ps.add(0, 0, `add [grid] with crs = "EPSG:…", the projected system that the points are in`, "it does not say which grid the points are in")
	}
	s.checkPaths(&ps)
	s.checkDefinitions(&ps)
	s.Points.check(&ps)
	s.Links.check(&ps)
	if s.Site != nil {
		s.Site.check(&ps)
	}
	s.Heights.check(&ps)
	s.Ties.check(&ps)
	s.Frame.check(&ps)
	s.Label.check(&ps)
	opt := s.options()
	if err := opt.ValidateBudgets(); err != nil {
		for _, e := range joined(err) {
			ps.add(0, 0, "", "[budget] %v", e)
		}
	}
	if s.Requirements != nil {
		checkRequirements(&ps, text, s.Requirements.requirements())
	}
	return s, ps.err()
}

// ToDecide begins the value of a setting that somebody has to decide, followed by the
// choices: crs = "? EPSG:2157 | EPSG:29903".
const ToDecide = "?"

// undecided reports the settings that are left to decide, with their choices.
func undecided(text []byte) error {
	if !bytes.Contains(text, []byte(ToDecide)) {
		return nil
	}
	var all map[string]any
	if err := toml.Unmarshal(text, &all); err != nil {
		return err
	}
	at := keyLines(text)
	ps := problems{file: SettingsFile}
	var look func(table map[string]any, path []string)
	look = func(table map[string]any, path []string) {
		for _, k := range slices.Sorted(maps.Keys(table)) {
			path := append(slices.Clone(path), k)
			switch v := table[k].(type) {
			case map[string]any:
				look(v, path)
			case string:
				if choices, ok := strings.CutPrefix(v, ToDecide); ok {
					ps.add(at[keyOf(path)], 0, "put the right one in its place; the comment above it says what speaks for which", "%s is still to be decided: %s", dotted(path), strings.ReplaceAll(strings.TrimSpace(choices), " | ", " or "))
				}
			}
		}
	}
	look(all, nil)
	return ps.err()
}

// decode takes the keys of a TOML text.
func (s *Settings) decode(text []byte) error {
	err := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields().Decode(s)
	var strict *toml.StrictMissingError
	var de *toml.DecodeError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &strict):
		ps := problems{file: SettingsFile}
		for _, e := range strict.Errors {
			line, col := e.Position()
			ps.add(line, col, "see phototie help settings", "unknown key %q%s", clip(strings.Join(e.Key(), ".")), nearestKey(e.Key()))
		}
		return ps.err()
	case errors.As(err, &de):
		return ofWrongType(de, text)
	}
	return fmt.Errorf("%s: %w", SettingsFile, err)
}

// kinds words what values are, by the end of the decoder's message.
var kinds = []struct{ of, kind, example string }{
	{"float64", "a number, without quotes and unit", "= 4.9"}, {"int", "a whole number, without quotes", "= 2"},
	{"bool", "true or false, without quotes", "= true"}, {"string", "a text in quotes", `= "text"`}, {"[]string", "a list of texts", `= ["one", "two"]`},
}

var (
	comment  = regexp.MustCompile(`\s+#[^"']*$`)
	decimal  = regexp.MustCompile(`^\s*([A-Za-z0-9_.-]+)\s*=\s*(-?\d+),(\d+)\s*$`)
	quantity = regexp.MustCompile(`=\s*["']\s*(-?\d+(?:\.\d+)?)`)
	ofType   = regexp.MustCompile(`of type \*?(\S+)$`)
	unquoted = regexp.MustCompile(`^\s*([A-Za-z0-9_.-]+)\s*=\s*([A-Za-z][^#"']*?)\s*$`)
)

// ofWrongType words an error of the decoder in the key's own words.
func ofWrongType(de *toml.DecodeError, text []byte) error {
	line, col := de.Position()
	p := &Problem{File: SettingsFile, Line: line, Column: col, What: strings.TrimPrefix(de.Error(), "toml: ")}
	lines := strings.Split(string(text), "\n")
	if line < 1 || line > len(lines) {
		return p
	}
	written := comment.ReplaceAllString(strings.TrimSpace(lines[line-1]), "")
	if m := decimal.FindStringSubmatch(written); m != nil {
		p.What, p.Remedy = fmt.Sprintf("%s has a decimal comma", clip(written)), fmt.Sprintf("write %s = %s.%s", clip(m[1]), m[2], m[3])
		return p
	}
	if m := unquoted.FindStringSubmatch(written); m != nil {
		p.What, p.Remedy = fmt.Sprintf("%s = %s stands without quotes", clip(m[1]), clip(m[2])), fmt.Sprintf("write %s = %q", clip(m[1]), clip(m[2]))
		return p
	}
	key := strings.Join(de.Key(), ".")
	m := ofType.FindStringSubmatch(p.What)
	if m == nil || key == "" {
		return p
	}
	for _, k := range kinds {
		if k.of == m[1] {
			p.What = fmt.Sprintf("%s is %s, and %s is not", clip(key), k.kind, clip(written))
			if q := quantity.FindStringSubmatch(written); q != nil && (k.of == "float64" || k.of == "int") {
				k.example = "= " + q[1]
			}
			p.Remedy = fmt.Sprintf("write it as %s %s", clip(de.Key()[len(de.Key())-1]), k.example)
		}
	}
	for _, s := range Reference {
		if s.Key == key {
			p.Remedy += ": " + s.Help
		}
	}
	return p
}

// checkPaths cleans the paths, and reports those that lead out of the folder.
func (s *Settings) checkPaths(ps *problems) {
	for _, f := range []struct {
		key  string
		path *string
	}{{"points.file", &s.Points.File}, {"links.file", &s.Links.File}, {"links.decisions", &s.Links.Decisions}, {"photos.folder", &s.Photos.Folder}, {"record.logo", &s.Record.Logo}, {"site.control", s.control()}} {
		if *f.path == "" {
			continue
		}
		clean := path.Clean(*f.path)
		if !fs.ValidPath(clean) || strings.ContainsAny(*f.path, "\\") {
			ps.add(0, 0, "give a path inside the folder, with forward slashes", "%s = %q leads out of the dataset's folder", f.key, *f.path)
			continue
		}
		*f.path = clean
	}
}

// checkSeparator reports what can't stand between columns.
func (ps *problems) checkSeparator(key, value string, blank bool) {
	if value != "" && !validSeparator(value) && !(blank && value == " ") {
		ps.add(0, 0, `use one of "," ";" "\t" "|"`, "%s = %q can't stand between columns", key, value)
	}
}

// checkEpoch reports what is no decimal year.
func (ps *problems) checkEpoch(key string, year float64) {
	if year != 0 && !(year > 1900 && year < 2200) {
		ps.add(0, 0, "give a decimal year such as 2026.5", "%s = %v is not a year", key, year)
	}
}

// check reports what can't be or contradicts itself.
func (s PointSettings) check(ps *problems) {
	if s.File == "" {
		ps.add(0, 0, `add [points] with file = "points.csv"`, "it does not name the points file")
	}
	ps.checkSeparator("points.separator", s.Separator, true)
	if d := s.Decimal; d != "" && d != "." && d != "," {
		ps.add(0, 0, `use "." or ","`, "points.decimal = %q is no decimal sign", d)
	}
	if s.Decimal == "," && s.Separator == "," {
		ps.add(0, 0, `set points.separator = ";" (or "\t"), as the file has it`, "points.decimal is a comma, and so is the separator")
	}
	for _, f := range []struct{ key, value string }{{"points.unit", s.Unit}, {"points.height_unit", s.HeightUnit}} {
		if _, ok := units[f.value]; !ok && f.value != "" {
			ps.add(0, 0, `use "m", "ft" or "ftUS"`, "%s = %q is not a unit known here", f.key, f.value)
		}
	}
	if o := pointfile.DateOrder(s.DateOrder); o != "" && o != pointfile.DayMonth && o != pointfile.MonthDay {
		ps.add(0, 0, `use "day-month" or "month-day"`, "points.date_order = %q is no order", s.DateOrder)
	}
	if _, err := location(s.TimeZone); err != nil {
		ps.add(0, 0, `name it as in "Europe/Dublin", or give the offset as in "+01:00"`, "points.time_zone = %q: %v", s.TimeZone, err)
	}
	ps.checkEpoch("points.epoch", s.Epoch)
}

// check reports what can't be or contradicts itself.
func (s LinkSettings) check(ps *problems) {
	ps.checkSeparator("links.separator", s.Separator, false)
	for heading, to := range s.Fields {
		if _, ok := linkColumns[pointfile.Key(to)]; !ok && to != "-" {
			ps.add(0, 0, `use "-" to pass the column over, or one of "`+strings.Join(linkNames, `", "`)+`"`, "links.fields: %q can't mean %q", heading, to)
		}
	}
	if len(s.Columns) > 0 && (len(s.Fields) > 0 || s.FillDown != nil) {
		ps.add(0, 0, "take links.columns out", "links.columns is for a table without headings, and links.fields and links.fill_down are for lists with them")
	}
	if s.Only && s.File == "" {
		ps.add(0, 0, `add file = "links.csv" to [links], or take only out`, "links.only says that the links file has all links, and there is none")
	}
}

// check reports what can't be or contradicts itself.
func (s FrameSettings) check(ps *problems) {
	if slices.ContainsFunc(s.Forbid, func(f string) bool { return strings.TrimSpace(f) == "" }) {
		ps.add(0, 0, "name operations by code or by a part of the name, as phototie frames lists them", "frame.forbid has an empty name")
	}
	ps.checkEpoch("frame.epoch", s.Epoch)
	ps.checkEpoch("frame.delivered_epoch", s.DeliveredEpoch)
	if !(s.BallparkSigma >= 0) {
		ps.add(0, 0, "give metres, 0 or more", "frame.ballpark_sigma_m = %v makes no sense", s.BallparkSigma)
	}
	if s.AllowBallpark && s.BallparkSigma == 0 {
		ps.add(0, 0, "set frame.ballpark_sigma_m to the metres per axis that the frames may differ by", "frame.allow_ballpark needs a figure for the uncertainty it brings")
	}
}

// nearestKey names the known key that is nearest to one that is not known, among
// those of its table; of the known tables where the table itself is not known.
func nearestKey(key []string) string {
	t := reflect.TypeFor[Settings]()
	for i, k := range key {
		for t.Kind() == reflect.Pointer {
			t = t.Elem()
		}
		if t.Kind() == reflect.Map { // k is the user's own word
			t = t.Elem()
			continue
		}
		if t.Kind() != reflect.Struct {
			return ""
		}
		var known []string
		var next reflect.Type
		for _, f := range reflect.VisibleFields(t) {
			name, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
			if name == "" || name == "-" {
				continue
			}
			known = append(known, strings.Join(append(slices.Clone(key[:i]), name), "."))
			if name == k {
				next = f.Type
			}
		}
		if next == nil {
			return suggest.Nearest(strings.Join(key[:i+1], "."), known...)
		}
		t = next
	}
	return ""
}

// checkRequirements reports what can't be required of photos, each with its line.
func checkRequirements(ps *problems, text []byte, req *pictures.Requirements) {
	err := req.Validate()
	if err == nil {
		return
	}
	at := keyLines(text)
	for _, err := range joined(err) {
		var e *pictures.RequirementError
		if !errors.As(err, &e) {
			ps.take(err)
			continue
		}
		table := []string{"photo_requirements"}
		switch {
		case e.Code != "" || e.Key == "":
			table = append(table, "codes", e.Code)
		case e.Key != "markup_suffixes":
			table = append(table, "default")
		}
		name := table
		if e.Key != "" {
			name = append(name, e.Key)
		}
		ps.add(at[keyOf(name)], 0, e.Remedy, "%s: %s", dotted(name), e.What)
	}
}

// keyOf is a key of several parts as keyLines has it.
func keyOf(parts []string) string { return strings.Join(parts, "\x00") }

// dotted writes a key as TOML does.
func dotted(parts []string) string {
	out := make([]string, len(parts))
	for i, p := range parts {
		out[i] = bareKey(p)
	}
	return strings.Join(out, ".")
}

// keyLines finds the line of each key and table of a TOML text, by keyOf. Keys of
// inline tables count, those in arrays don't. The text must be one that decodes.
func keyLines(text []byte) map[string]int {
	lines := map[string]int{}
	var p unstable.Parser
	p.Reset(text)
	parts := func(it unstable.Iterator, before []string) (out []string, line int) {
		out = slices.Clone(before)
		for it.Next() {
			k := it.Node()
			out = append(out, string(k.Data))
			line = p.Shape(k.Raw).Start.Line
			if _, ok := lines[keyOf(out)]; !ok {
				lines[keyOf(out)] = line
			}
		}
		return out, line
	}
	var pair func(n *unstable.Node, before []string)
	pair = func(n *unstable.Node, before []string) {
		name, _ := parts(n.Key(), before)
		if v := n.Value(); v.Kind == unstable.InlineTable {
			for it := v.Children(); it.Next(); {
				pair(it.Node(), name)
			}
		}
	}
	var table []string
	for p.NextExpression() {
		switch e := p.Expression(); e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table, _ = parts(e.Key(), nil)
		case unstable.KeyValue:
			pair(e, table)
		}
	}
	return lines
}

// control is where the path of the control file stands.
func (s *Settings) control() *string {
	if s.Site == nil {
		return new(string)
	}
	return &s.Site.Control
}

// check reports what contradicts itself.
func (h HeightSettings) check(ps *problems) {
	const remedy = `set heights.points to "ellipsoid" or "geoid"`
	for _, f := range []struct{ key, value string }{{"points", h.Points}, {"tags", h.Tags}} {
		if _, ok := surfaces[f.value]; !ok && f.value != "" {
			ps.add(0, 0, `use "ellipsoid" or "geoid"`, "heights.%s = %q is no surface known here", f.key, f.value)
			return
		}
	}
	if !(h.Tolerance >= 0 && h.Tolerance <= 1000) {
		ps.add(0, 0, "state metres from 0 to 1000", "heights.tolerance_m is %v", h.Tolerance)
	}
	ref := h.reference(false, false)
	if h.Points == "" && (h.VerticalCRS != "" || h.Separation != nil) {
		ps.add(0, 0, remedy, "[heights] says what the points' heights are tied by, but not what they count from")
		return
	}
	if err := ref.Validate(); err != nil {
		ps.add(0, 0, "", "[heights] %v", err)
	}
}

// joined takes apart what errors.Join put together.
func joined(err error) []error {
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		return j.Unwrap()
	}
	return []error{err}
}
