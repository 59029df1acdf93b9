package intake

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/grid/site"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/pointfile"
)

const (
	// mostCandidates is how many systems are listed besides those that can't be told
	// apart, mostNamed how many of them a comment names.
	mostCandidates, mostNamed = 20, 5
	// alikeWithin is how far apart, in metres, systems may put the points for the rule of
	// the search to choose between them; more is left to the user.
	alikeWithin = 3.0
	// commonShift is what all tags of a day may be off together, in metres.
	commonShift = 15.0
	// nearby is how far from the tags a system may put the points to be named where
	// none puts them among the tags, in metres.
	nearby = 50_000.0
)

// another stands for what nothing in the folder names.
const another = "the system of the points, such as EPSG:2157; phototie crs WORDS --near . finds one"

// settle drafts what the system decides, and the rest of the settings.
func (r *reader) settle(ctx context.Context) error {
	points := r.draft.Settings
	r.draft.Settings = nil
	r.candidates()
	var site []Setting
	switch s := r.found; {
	case s.header.Axes == pointfile.Geographic:
		r.zoned(s)
	case len(r.ranked) > 0:
		r.chosen(s)
	default:
		var err error
		if site, err = r.local(ctx, s); err != nil {
			return err
		}
	}
	r.draft.Settings = append(append(r.draft.Settings, site...), points...)
	r.columns()
	if r.found.order {
		r.draft.choose("points.date_order", "The dates of the points don't show whether the day or the month comes first.", string(pointfile.DayMonth), string(pointfile.MonthDay))
	}
	if r.found.zone {
		r.draft.choose("points.time_zone", "The times of the points don't say their offset from UTC.", "an IANA name such as Europe/Dublin", "an offset such as +01:00")
	}
	if l := r.draft.Links; l != nil {
		why := fmt.Sprintf("%d photos tied: %s.", len(l.Links), l.Layout)
		for _, x := range []struct {
			n    int
			what string
		}{{len(l.Untied), "photos in it without a point"}, {len(l.UnknownPhotos), "names of photos that are not there"}, {len(l.UnknownPoints), "photos with a point that is not known"}} {
			if x.n > 0 {
				why += fmt.Sprintf(" %d %s.", x.n, x.what)
			}
		}
		if len(l.others) > 0 {
			r.draft.choose("links.file", why+" Other lists tie other photos, and a job has one: put their rows into one file.", append([]string{l.File}, l.others...)...)
		} else {
			r.draft.set("links.file", words.TOML(l.File), why)
		}
	} else if len(r.found.photos) == 0 {
		r.note("no file says which photo shows which point; a check proposes ties by the tags, and you accept them")
	}
	p := r.draft.Photos
	r.draft.set("photos.folder", words.TOML(p.Folder), fmt.Sprintf("It holds all %d photos, %d of them with a position.", p.Count, p.Tagged))
	return nil
}

// candidates lists the systems found, with what they can't be told from.
func (r *reader) candidates() {
	r.draft.Grid.Candidates = []Candidate{}
	var alike []string
	for _, c := range r.ranked {
		if c.Alike && !slices.Contains(alike, c.Definition) {
			alike = append(alike, c.Definition)
		}
	}
	for _, c := range r.ranked {
		if len(r.draft.Grid.Candidates) >= mostCandidates && !c.Alike {
			break
		}
		like := []string{}
		if c.Alike {
			like = slices.DeleteFunc(slices.Clone(alike), func(d string) bool { return d == c.Definition })
		}
		r.draft.Grid.Candidates = append(r.draft.Grid.Candidates, Candidate{c, like})
	}
}

// chosen drafts the system that the search puts first, or leaves it to the user where
// another is as likely and puts the points somewhere else.
func (r *reader) chosen(s *pointset) {
	best := r.ranked[0]
	why := fmt.Sprintf("%s: %.0f %% of %d tags are at a point, %.1f m from it in the middle.", describe(best), 100*best.Near, len(r.fixes), best.Distance)
	near, far := r.alike()
	if len(near) > 0 {
		why += fmt.Sprintf(" The tags can't tell it from %s.", some(near))
		why += " Of these it comes first by rule: its own unit, then the smaller area, then the newer frame."
	}
	asked := len(r.draft.Open)
	r.draft.Grid.Why = why
	switch stated := s.header.CRS; {
	case stated != "":
		r.draft.Grid.Stated = stated
		if i := slices.IndexFunc(r.ranked, func(c grid.RankedSystem) bool { return strings.EqualFold(c.Definition, stated) }); i >= 0 && r.ranked[i].Alike && r.ranked[i].Apart <= alikeWithin {
			r.draft.set("grid.crs", words.TOML(stated), fmt.Sprintf("The points file says so, and %.0f %% of %d tags are at a point in it.", 100*r.ranked[i].Near, len(r.fixes)))
			return
		}
		r.draft.choose("grid.crs", why+" But the points file says "+stated+".", best.Definition, stated)
	case len(far) > 0:
		r.draft.choose("grid.crs", why+" As likely, but the points would lie somewhere else: "+some(far)+".", r.choices(best, far)...)
	case best.Rough:
		rivals := r.rivals()
		if len(rivals) > 0 {
			why += " In others they are at the tags too: " + some(rivals) + "."
		}
		r.draft.choose("grid.crs", why+" No operation from the tags' frame to the first is installed, so that only its shape was compared.", append(r.choices(best, rivals), another)...)
	case s.outline == nil && (best.NorthFirst || best.WestSouth):
		r.draft.choose("grid.crs", why+" The headings of the points file say otherwise: they name the two coordinates, or the way in which they count, wrongly.", best.Definition, another)
	}
	if len(r.draft.Open) == asked {
		r.draft.set("grid.crs", words.TOML(best.Definition), why)
	}
}

// alike are the systems that the tags can't tell from the best, near it and far from it.
func (r *reader) alike() (near, far []grid.RankedSystem) {
	for _, c := range r.ranked[1:] {
		switch {
		case !c.Alike, r.ranked[0].OwnUnit && !c.OwnUnit && c.Apart > alikeWithin:
			// Nobody keeps points in a unit that is not the system's where its own fits.
		case c.Apart <= alikeWithin:
			near = append(near, c)
		default:
			far = append(far, c)
		}
	}
	return near, far
}

// rivals are systems that the tags speak against, but of which as many are at a point.
func (r *reader) rivals() (out []grid.RankedSystem) {
	best := r.ranked[0]
	for _, c := range r.ranked[1:] {
		if !c.Alike && c.Near >= best.Near-0.1 && c.Apart > alikeWithin {
			out = append(out, c)
		}
	}
	return out
}

// otherFoot says that the points are among the tags too in the foot that is the system's
// own, where the best reading is in the other foot: the two part by 2 millionths of the
// coordinates, some metres, which the tags of a day may be off together.
func (r *reader) otherFoot() bool {
	best := r.ranked[0]
	feet := []grid.Unit{grid.Foot, grid.USSurveyFoot}
	return slices.Contains(feet, best.Unit) && slices.ContainsFunc(r.rivals(), func(c grid.RankedSystem) bool {
		return slices.Contains(feet, c.Unit) && c.Unit != best.Unit && c.OwnUnit && c.Apart < commonShift
	})
}

func (r *reader) choices(best grid.RankedSystem, far []grid.RankedSystem) []string {
	out := []string{best.Definition}
	for _, c := range far {
		if !slices.Contains(out, c.Definition) && len(out) < mostNamed {
			out = append(out, c.Definition)
		}
	}
	return out
}

func describe(c grid.RankedSystem) string {
	s := c.Definition + " (" + c.Name + ")"
	if !c.OwnUnit {
		s += " in " + c.Unit.Name
	}
	return s
}

// some names systems with how far apart they put the points.
func some(list []grid.RankedSystem) string {
	var out []string
	for _, c := range list[:min(len(list), mostNamed)] {
		out = append(out, fmt.Sprintf("%s, %.2g m apart", describe(c), c.Apart))
	}
	if more := len(list) - len(out); more > 0 {
		out = append(out, fmt.Sprintf("%d more", more))
	}
	return strings.Join(out, "; ")
}

// best is how the likeliest system reads the points, and what the two coordinates are in
// it, in the order of the columns.
func (s *pointset) best() (grid.RankedSystem, [2]string) {
	best, names := grid.RankedSystem{OwnUnit: true}, [2]string{"easting", "northing"}
	if len(s.ranked) > 0 {
		best = s.ranked[0]
	}
	if best.WestSouth {
		names = [2]string{"westing", "southing"}
	}
	if best.NorthFirst {
		names[0], names[1] = names[1], names[0]
	}
	return best, names
}

// columns drafts how the points file is read, as the system has it.
func (r *reader) columns() {
	s, opt := r.found, r.found.opt
	best, names := s.best()
	if s.outline != nil {
		var err error
		if opt, err = s.outline.Options(s.pair, names[0], names[1]); err != nil {
			r.draft.Open = append(r.draft.Open, fmt.Sprintf("name the columns of %s in a header: %v", s.file, err))
		}
	} else if best.NorthFirst || best.WestSouth {
		opt.Fields = s.renamed(names)
	}
	if len(opt.Columns) > 0 {
		r.draft.set("points.columns", quoteAll(opt.Columns), "The text has no header: columns by what is in them, easting and northing by where the tags are.")
	}
	if opt.Separator != "" && opt.Separator != "," {
		r.draft.set("points.separator", words.TOML(opt.Separator), "What stands between the columns.")
	}
	if opt.Decimal != "" {
		r.draft.set("points.decimal", words.TOML(opt.Decimal), "The decimal sign.")
	}
	if !best.OwnUnit && r.otherFoot() {
		r.draft.choose("points.unit", "The points are among the tags in both feet, which part them by a few metres here. This one is nearer; the other is the usual one of systems there. A control point, or the sheet of the survey, tells.", best.Unit.Symbol, map[string]string{"ft": "ftUS", "ftUS": "ft"}[best.Unit.Symbol])
	} else if !best.OwnUnit {
		r.draft.set("points.unit", words.TOML(best.Unit.Symbol), "The points are among the tags in this unit, and not in the system's own.")
	}
	why := "What the headings mean; easting and northing by where the tags are."
	for _, h := range slices.Sorted(maps.Keys(opt.Fields)) {
		r.draft.set("points.fields."+words.TOML(h), words.TOML(opt.Fields[h]), why)
		why = ""
	}
}

// renamed gives the headings of the two coordinates other meanings.
func (s *pointset) renamed(names [2]string) map[string]string {
	out := map[string]string{}
	for _, c := range s.header.Columns {
		i := slices.Index([]string{"easting", "northing", "westing", "southing"}, c.Name)
		if j := strings.Index(c.From, `"`); i >= 0 && j >= 0 {
			out[strings.Trim(c.From[j:], `"`)] = names[i%2]
		}
	}
	return out
}

// zoned drafts a grid for longitudes and latitudes: nothing says which the survey has.
func (r *reader) zoned(s *pointset) {
	r.draft.Grid.Stated = s.header.CRS
	r.draft.Grid.Why = "The points are longitudes and latitudes, and nothing says on which grid the survey works; this is the UTM zone there."
	r.draft.choose("grid.crs", r.draft.Grid.Why, utm(grid.LatLon{Lat: s.at[0][1], Lon: s.at[0][0]}))
}

// utm is the zone of WGS 84 at a place.
func utm(at grid.LatLon) string {
	zone := min(int((at.Lon+180)/6)+1, 60)
	if at.Lat < 0 {
		return fmt.Sprintf("EPSG:%d", 32700+zone)
	}
	return fmt.Sprintf("EPSG:%d", 32600+zone)
}

// local says that no system was found, and proposes a site system where links allow a
// fit.
func (r *reader) local(ctx context.Context, s *pointset) ([]Setting, error) {
	g := &r.draft.Grid
	switch {
	case s.header.CRS != "" && len(r.fixes) == 0:
		g.Stated, g.Why = s.header.CRS, "The points file says so; no photo has a position to hold it against."
		r.draft.set("grid.crs", words.TOML(s.header.CRS), g.Why)
		return nil, nil
	case len(r.fixes) == 0:
		g.Why = "No photo has a position, so that nothing says in which system the points are."
		r.draft.choose("grid.crs", g.Why, another)
		return nil, nil
	}
	base := utm(r.fixes[0].LatLon)
	fit, ok, err := r.fit(ctx, s, base)
	if err != nil {
		return nil, err
	}
	if ok && s.small() {
		g.Why = fmt.Sprintf("No projected system of the registry puts the points among the tags, but their shape is that of the tags (%d linked photos, %.1f m): they are in a site system. What it needs: control points known in both systems, in a file that site.control names. Proposed below is a fit to the tags alone, on the UTM zone there as its base, which is no better than the tags.", fit.pairs, fit.rms)
		r.draft.choose("grid.crs", g.Why, base)
		return fit.settings(), nil
	}
	g.Why = "No projected system of the registry puts the points among the tags."
	switch {
	case s.small():
		g.Why += " The numbers are small, as those of a site system are. It needs control points known in both systems (site.control), or links, by which a fit to the tags can be proposed."
	case ok:
		g.Why += fmt.Sprintf(" Their shape is that of the tags, though (%d linked photos, %.1f m): they are shifted as a whole, by another datum perhaps, or in a system that the registry lacks. It needs that system, or control points known in both (site.control).", fit.pairs, fit.rms)
	default:
		g.Why += " Either the points are not where the photos were taken, or they are in a site system; nothing here tells which."
	}
	hints, err := r.hints(ctx, s)
	if err != nil {
		return nil, err
	}
	if s.header.CRS != "" {
		g.Stated = s.header.CRS
		g.Why += " The points file says " + s.header.CRS + "."
		r.draft.choose("grid.crs", g.Why, s.header.CRS)
		return nil, nil
	}
	r.draft.choose("grid.crs", g.Why, append(hints, another)...)
	return nil, nil
}

// hints names systems that put the points somewhere near the tags, the first in the
// reason too.
func (r *reader) hints(ctx context.Context, s *pointset) ([]string, error) {
	clues := r.clues(s)
	if clues.Within = nearby; s.small() {
		return nil, nil
	}
	list, err := r.search(ctx, clues)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	r.draft.Grid.Why += fmt.Sprintf(" The nearest is %s, which puts them %s from the tags in the middle.", describe(list[0]), words.Distance(list[0].Distance, grid.Metre))
	return r.choices(list[0], list[1:]), nil
}

// small says that coordinates are as small as those of site systems, whose origins are
// round numbers of up to 100,000 (common practice, no source).
func (s *pointset) small() bool {
	for _, x := range s.at {
		if math.Abs(x[0]) > 110_000 || math.Abs(x[1]) > 110_000 {
			return false
		}
	}
	return true
}

// siteFit is a site system fitted to tags.
type siteFit struct {
	site.Similarity
	pairs int
	rms   float64
	unit  grid.Unit
}

func (f siteFit) settings() []Setting {
	return []Setting{
		{Key: "site.kind", Value: `"similarity"`, Reason: fmt.Sprintf("A shift and a rotation, fitted to %d tags of linked photos: a proposal, to be replaced by a fit to control.", f.pairs)},
		{Key: "site.direction", Value: `"site-to-base"`},
		{Key: "site.unit", Value: words.TOML(f.unit.Symbol)},
		{Key: "site.accuracy_m", Value: fmt.Sprintf("%.1f", max(0.5, f.rms/math.Sqrt(float64(f.pairs)))), Reason: "The spread of the tags, by the root of their number."},
		{Key: "site.similarity.target_origin", Value: fmt.Sprintf("{ e = %.2f, n = %.2f }", f.Origin.E, f.Origin.N)},
		{Key: "site.similarity.scale", Value: fmt.Sprintf("%.9g", f.Scale)},
		{Key: "site.similarity.rotation_deg", Value: fmt.Sprintf("%.4f", f.Rotation)},
	}
}

// Limits of a fit to tags: the pairs that it takes, how large the deviations may be, in
// metres, and how many times as large the job has to be.
const (
	leastPairs, fitWithin, fitSize = 6, 12, 4
)

// fit fits a site system in metres or feet to the tags of linked photos. ok says that it
// explains them.
func (r *reader) fit(ctx context.Context, s *pointset, base string) (best siteFit, ok bool, err error) {
	c := r.clues(s)
	if c.Pairs == nil {
		return best, false, nil
	}
	proj, err := r.open(base, grid.OpenOptions{})
	if err != nil {
		return best, false, err
	}
	placed, err := proj.ToGrid(ctx, r.fixes)
	if err != nil {
		return best, false, err
	}
	var pairs []site.ControlPair
	for i, k := range c.Pairs {
		if k >= 0 && placed[i].Err == nil {
			pairs = append(pairs, site.ControlPair{ID: r.tagged[i], Site: grid.EN{E: s.at[k][0], N: s.at[k][1]}, Base: placed[i].EN})
		}
	}
	if best.rms = math.Inf(1); len(pairs) < leastPairs {
		return best, false, nil
	}
	for _, u := range []grid.Unit{grid.Metre, grid.Foot} {
		f, err := site.FitRigid(pairs, u.Metres, site.FitOptions{Unit: u, Tolerance: 30, RejectOutliers: true})
		if err != nil || f.S0 == nil {
			continue
		}
		if rms := *f.S0 * math.Sqrt2; rms < best.rms {
			best = siteFit{f.Params, len(pairs) - len(f.Removed), rms, u}
		}
	}
	return best, best.rms <= fitWithin && extent(placed) >= fitSize*best.rms, nil
}

// extent is how far four fifths of the tags reach along the longer side.
func extent(placed []grid.Placement) float64 {
	var e, n []float64
	for _, p := range placed {
		if p.Err == nil {
			e, n = append(e, p.E), append(n, p.N)
		}
	}
	slices.Sort(e)
	slices.Sort(n)
	return max(e[len(e)*9/10]-e[len(e)/10], n[len(n)*9/10]-n[len(n)/10]) / 2
}
