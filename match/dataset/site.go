package dataset

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/grid/site"
	"example.com/phototie/match/pointfile"
)

// The kinds of site system.
const (
	kindSimilarity  = "similarity"
	kindAffine      = "affine"
	kindGroundScale = "ground-scale"
)

// SiteRead tells how the points' site system came about.
type SiteRead struct {
	// Definition is the system, in the way of its parameters or as fitted.
	Definition site.Definition `json:"definition"`
	// Base is the grid that it stands on.
	Base grid.Grid `json:"base"`
	// Control is the file that it was fitted to, empty where parameters were given.
	Control string `json:"control,omitempty"`
	// Kind is what was fitted.
	Kind string `json:"kind,omitempty"`
	// Plane and Heights tell of the fits; nil where there was none.
	Plane   *FitRead `json:"plane,omitempty"`
	Heights *FitRead `json:"heights,omitempty"`
}

// FitRead tells how well control pairs fit a site system. See site.Fit for what
// the numbers mean.
type FitRead struct {
	// Pairs is the number of pairs used.
	Pairs int `json:"pairs"`
	// S0 is the standard error of unit weight; nil without redundancy.
	S0 *float64 `json:"s0"`
	// SigmaKnown says that S0 should be near 1; otherwise it is a length in Unit.
	SigmaKnown       bool `json:"sigma_known"`
	DegreesOfFreedom int  `json:"degrees_of_freedom"`
	// Unit is the unit of the residuals.
	Unit       grid.Unit           `json:"unit"`
	Residuals  []site.PairResidual `json:"residuals"`
	Parameters []site.Parameter    `json:"parameters"`
	Suspects   []site.Suspect      `json:"suspects,omitempty"`
	Removed    []site.Removal      `json:"removed,omitempty"`
	// Facts are what else there is to know; Notes say the same in words.
	Facts []site.Fact `json:"facts,omitempty"`
	Notes []string    `json:"notes,omitempty"`
	// Fails says that the control does not fit.
	Fails bool `json:"fails,omitempty"`
	// P is the probability of residuals as large, where standard errors are
	// known.
	P *float64 `json:"p,omitempty"`
}

// Worst is the largest residual.
func (f FitRead) Worst() site.PairResidual {
	var worst site.PairResidual
	for _, r := range f.Residuals {
		if worst.ID == "" || r.Length > worst.Length {
			worst = r
		}
	}
	return worst
}

func fitRead[T any](f site.Fit[T], unit grid.Unit) *FitRead {
	r := &FitRead{S0: f.S0, SigmaKnown: f.SigmaKnown, DegreesOfFreedom: f.DegreesOfFreedom, Unit: unit, Residuals: f.Residuals(),
		Parameters: f.Parameters, Suspects: f.Suspects, Removed: f.Removed, Facts: f.Facts, Fails: f.Fails()}
	for _, x := range f.Facts {
		r.Notes = append(r.Notes, x.In(unit))
	}
	r.Pairs = len(r.Residuals)
	if f.Global != nil {
		r.P = &f.Global.P
	}
	return r
}

// check reports what is wrong with the settings of a site system as far as it
// shows without the grid.
func (s *SiteSettings) check(ps *problems) {
	bad := func(remedy, format string, args ...any) { ps.add(0, 0, remedy, "[site] "+format, args...) }
	if _, ok := units[s.Unit]; !ok && s.Unit != "" {
		bad(`use "m", "ft" or "ftUS"`, "unit = %q is not a unit known here", s.Unit)
		return
	}
	switch s.Kind {
	case "", kindSimilarity, kindAffine, kindGroundScale:
	default:
		bad(`use "similarity", "affine" or "ground-scale"`, "kind = %q is not known here", s.Kind)
		return
	}
	if s.Control != "" {
		s.checkFit(bad)
		return
	}
	for _, f := range []struct {
		key string
		set bool
	}{{"fit_heights", s.FitHeights != ""}, {"sigma", s.Sigma != 0}, {"scale", s.Scale != 0}, {"tolerance_m", s.Tolerance != 0}, {"reject_outliers", s.RejectOutliers}, {"columns", len(s.Columns) > 0}, {"separator", s.Separator != ""}, {"decimal", s.Decimal != ""}} {
		if f.set {
			bad("name the file of control pairs with control, or leave it out", "%s is for a fit, and there is no control to fit to", f.key)
		}
	}
	given := map[string]map[string]any{kindSimilarity: s.Similarity, kindAffine: s.Affine, kindGroundScale: s.GroundScale}
	var kinds []string
	for _, k := range []string{kindSimilarity, kindAffine, kindGroundScale} {
		if given[k] != nil {
			kinds = append(kinds, k)
		}
	}
	const remedy = `give the parameters in one of [site.similarity], [site.affine] and [site.ground_scale], or name a file of control pairs: control = "control.csv"`
	switch {
	case len(kinds) == 0:
		bad(remedy, "says neither the parameters of the site system nor the control to fit them to")
		return
	case len(kinds) > 1:
		bad(remedy, "has the parameters of more than one transform: %s", strings.Join(kinds, ", "))
		return
	case s.Kind != "" && s.Kind != kinds[0]:
		bad("make the two agree, or leave kind out", "kind is %q, and the parameters are those of a transform of kind %q", s.Kind, kinds[0])
		return
	}
	if _, err := s.definition(grid.Metre); err != nil {
		bad("see phototie help settings", "%v", err)
	}
}

// checkFit tells what can't be of settings that have the parameters fitted.
func (s *SiteSettings) checkFit(bad func(remedy, format string, args ...any)) {
	for _, c := range []struct {
		wrong        bool
		remedy, what string
		args         []any
	}{
		{s.Similarity != nil || s.Affine != nil, "keep one of the two", "gives parameters and the control to fit them to as well", nil},
		{s.Direction != "", "leave it out", "direction is for parameters that are given; a fit finds those from the site to the base", nil},
		{s.Vertical != nil && s.FitHeights != "", "keep one of the two", "gives [site.vertical] and has it fitted too", nil},
		{!slices.Contains([]string{"", "constant", "plane"}, s.FitHeights), `use "constant" or "plane"`, "fit_heights = %q is not known here", []any{s.FitHeights}},
		{!(s.Tolerance >= 0 && s.Tolerance <= 1000), "give metres, for instance 0.05", "tolerance_m = %v makes no sense", []any{s.Tolerance}},
		{s.Scale != 0 && s.Kind != "" && s.Kind != kindSimilarity, "leave it out, or fit a similarity", "scale is held in the fit of a similarity, not of kind %q", []any{s.Kind}},
		{!(s.Sigma >= 0), "give it in the grid's unit, or leave it out where it is not known", "sigma = %v is no standard error", []any{s.Sigma}},
		{s.Separator != "" && !validSeparator(s.Separator), `use one of "," ";" "\t" "|"`, "separator = %q can't stand between columns", []any{s.Separator}},
		{!slices.Contains([]string{"", ".", ","}, s.Decimal), `use "." or ","`, "decimal = %q is no decimal sign", []any{s.Decimal}},
		{s.Kind != kindGroundScale && s.GroundScale != nil, `set kind = "ground-scale" to fit that, or take [site.ground_scale] out`, "has [site.ground_scale], and what is to be fitted is another kind", nil},
	} {
		if c.wrong {
			bad(c.remedy, c.what, c.args...)
		}
	}
	if s.Kind != kindGroundScale {
		return
	}
	if _, _, err := s.scaleOrigins(); err != nil {
		bad("give origin = { e = …, n = … }, the project point on the base grid, and site_origin where it is held", "[site.ground_scale] for a fit: %v", err)
	}
}

// definition makes the definition of the parameters that are given.
func (s *SiteSettings) definition(base grid.Unit) (site.Definition, error) {
	d := site.Definition{Name: s.name(), Unit: s.unit(base), Direction: site.Direction(s.Direction), Accuracy: s.Accuracy, HeightAccuracy: s.HeightAccuracy, Remarks: s.Remarks}
	for _, part := range []struct {
		key  string
		from map[string]any
		make func(map[string]any) error
	}{
		{"similarity", s.Similarity, func(m map[string]any) error { return strictly(m, &d.Similarity) }},
		{"affine", s.Affine, func(m map[string]any) error { return strictly(m, &d.Affine) }},
		{"ground_scale", s.GroundScale, func(m map[string]any) error { return strictly(m, &d.GroundScale) }},
		{"vertical", s.Vertical, func(m map[string]any) error { return strictly(m, &d.Vertical) }},
	} {
		if part.from == nil {
			continue
		}
		if err := part.make(part.from); err != nil {
			return d, fmt.Errorf("%s: %w", part.key, err)
		}
	}
	return d, d.Validate()
}

// strictly fills in a value by its own JSON decoder, which misses no key that
// is left out and passes over none that is not known.
func strictly(m map[string]any, v any) error {
	text, err := json.Marshal(m)
	if err != nil {
		return err
	}
	return json.Unmarshal(text, v)
}

func (s *SiteSettings) name() string {
	if s.Name == "" {
		return "site system"
	}
	return s.Name
}

func (s *SiteSettings) unit(base grid.Unit) grid.Unit {
	if u, ok := units[s.Unit]; ok {
		return u
	}
	return base
}

// scaleOrigins are the project point of a ground scale that is to be fitted, and
// its site coordinates where they are held.
func (s *SiteSettings) scaleOrigins() (origin grid.EN, siteOrigin *grid.EN, err error) {
	var got struct {
		Origin     *point `json:"origin"`
		SiteOrigin *point `json:"site_origin"`
	}
	for k := range s.GroundScale {
		if k != "origin" && k != "site_origin" {
			return origin, nil, fmt.Errorf("key %q is not one of origin and site_origin", k)
		}
	}
	if err := strictly(s.GroundScale, &got); err != nil {
		return origin, nil, err
	}
	if got.Origin == nil {
		return origin, nil, errors.New(`"origin" is missing`)
	}
	for _, p := range []*point{got.Origin, got.SiteOrigin} {
		if p != nil && (p.E == nil || p.N == nil) {
			return origin, nil, errors.New("an origin needs e and n")
		}
	}
	if p := got.SiteOrigin; p != nil {
		siteOrigin = &grid.EN{E: *p.E, N: *p.N}
	}
	return grid.EN{E: *got.Origin.E, N: *got.Origin.N}, siteOrigin, nil
}

type point struct{ E, N *float64 }

// controlColumns are the columns of a control file, in the order in which they
// are best listed.
var controlColumns = []string{"id", "site_e", "site_n", "base_e", "base_n", "sigma", "site_sigma", "base_sigma", "site_h", "base_h"}

// controlHeadings are the headings understood in a control file.
var controlHeadings = func() map[string]string {
	h := map[string]string{"p": "id", "pt": "id", "point": "id", "pointid": "id", "name": "id", "number": "id", "no": "id",
		"siteeasting": "site_e", "sitenorthing": "site_n", "siteheight": "site_h",
		"baseeasting": "base_e", "basenorthing": "base_n", "baseheight": "base_h",
		"gride": "base_e", "gridn": "base_n", "gridh": "base_h", "grideasting": "base_e", "gridnorthing": "base_n", "gridheight": "base_h"}
	for _, c := range controlColumns {
		h[pointfile.Key(c)] = c
	}
	return h
}()

// control is what a control file holds.
type control struct {
	pairs   []site.ControlPair
	heights []site.HeightPair
	notes   []string
}

// readControl reads the control file. Coordinates of each side are in the side's
// own unit, heights in the site's unit.
func (s *SiteSettings) readControl(fsys fs.FS) (control, error) {
	var c control
	t, err := openTable(fsys, s.Control, s.Separator, s.Columns, controlHeadings, controlColumns, []string{"id", "site_e", "site_n", "base_e", "base_n"})
	if err != nil {
		return c, err
	}
	defer t.closer.Close()
	c.notes = t.notes
	type row struct {
		line int
		text string
	}
	seen := map[string]row{}
	var again repeats
	for t.next() {
		id, text := t.get("id"), strings.Join(t.row, "\x00")
		before, dup := seen[id]
		switch {
		case id == "":
			t.ps.add(t.line, t.column("id"), "give the pair an id", "the control pair has no id")
		case dup && before.text == text:
			again.add(place{line: t.line}, place{line: before.line})
		case dup:
			t.ps.add(t.line, t.column("id"), "give each pair an id of its own, or take one of the two out", "control pair %q stands already in line %d", clip(id), before.line)
		default:
			seen[id] = row{t.line, text}
			r := controlRow{t: t, decimal: s.Decimal, ok: true}
			pair, height := r.read()
			if !r.ok {
				continue
			}
			c.pairs = append(c.pairs, pair)
			if height != nil {
				c.heights = append(c.heights, *height)
			}
		}
	}
	c.notes = append(c.notes, again.notes()...)
	if err := t.ps.err(); err != nil {
		return c, err
	}
	if len(c.pairs) == 0 {
		return c, &Problem{File: s.Control, What: "there are no control pairs in it", Remedy: "add them, one a row"}
	}
	return c, nil
}

// controlRow is a row of a control file that is being read. Whatever is wrong with it
// is added to the problems of the table.
type controlRow struct {
	t       *table
	decimal string
	ok      bool // nothing is wrong so far
}

func (r *controlRow) bad(col, remedy, format string, args ...any) {
	r.ok = false
	r.t.ps.add(r.t.line, r.t.column(col), remedy, format, args...)
}

// number is that of a column.
func (r *controlRow) number(col string) float64 {
	text := r.t.get(col)
	v, err := pointfile.ParseNumber(text, r.decimal)
	if err != nil {
		remedy := "write digits with a decimal point, without thousands separators"
		if r.decimal == "," {
			remedy = `write digits with a decimal comma, as site.decimal = "," says`
		} else if strings.Contains(text, ",") {
			remedy = `if that is a decimal comma, set site.decimal = "," in ` + SettingsFile
		}
		r.bad(col, remedy, "%s %q is not a number", col, clip(text))
	}
	return v
}

// sigma is the standard error of a column; 0 where it is empty.
func (r *controlRow) sigma(col string) float64 {
	if r.t.get(col) == "" {
		return 0
	}
	v := r.number(col)
	if v < 0 {
		r.bad(col, "a standard error is 0 or more", "%s is negative", col)
	}
	return v
}

// read gives the pair, and its heights where it has some.
func (r *controlRow) read() (site.ControlPair, *site.HeightPair) {
	p := site.ControlPair{ID: r.t.get("id"),
		Site: grid.EN{E: r.number("site_e"), N: r.number("site_n")}, Base: grid.EN{E: r.number("base_e"), N: r.number("base_n")},
		SiteSigma: r.sigma("site_sigma"), BaseSigma: r.sigma("base_sigma")}
	if p.SiteSigma == 0 && p.BaseSigma == 0 {
		p.BaseSigma = r.sigma("sigma")
	} else if r.t.get("sigma") != "" {
		r.bad("sigma", "sigma is for both sides together; keep it or the other two", "sigma stands beside site_sigma and base_sigma")
	}
	if r.t.get("site_h") == "" && r.t.get("base_h") == "" {
		return p, nil
	}
	return p, &site.HeightPair{ID: p.ID, At: p.Site, Site: r.number("site_h"), Base: r.number("base_h")}
}

// system puts the site system on its base.
func (s *SiteSettings) system(fsys fs.FS, base grid.Projection) (grid.Projection, *SiteRead, error) {
	read := &SiteRead{Base: base.Grid()}
	bu := base.Grid().Unit
	var err error
	if s.Control == "" {
		read.Definition, err = s.definition(bu)
	} else {
		read.Control = s.Control
		err = s.fit(fsys, base, read)
	}
	var proj grid.Projection
	if err == nil {
		proj, err = site.New(base, read.Definition)
	}
	var p *Problem
	switch {
	case err == nil || errors.As(err, &p):
		return proj, read, err
	case s.Control != "":
		return nil, nil, &Problem{File: s.Control, What: err.Error()}
	}
	return nil, nil, &Problem{File: SettingsFile, What: "[site] " + err.Error()}
}

// fit finds the parameters.
func (s *SiteSettings) fit(fsys fs.FS, on grid.Projection, read *SiteRead) error {
	c, err := s.readControl(fsys)
	if err != nil {
		return err
	}
	base := on.Grid().Unit
	unit := s.unit(base)
	d := site.Definition{Name: s.name(), Unit: unit, Direction: site.SiteToBase, Accuracy: s.Accuracy, HeightAccuracy: s.HeightAccuracy}
	opt := site.FitOptions{Base: on, Unit: unit, Tolerance: s.Tolerance, Sigma: s.Sigma, RejectOutliers: s.RejectOutliers}
	switch read.Kind = s.Kind; s.Kind {
	case "", kindSimilarity:
		read.Kind = kindSimilarity
		f, err := site.FitSimilarity(c.pairs, opt)
		if s.Scale != 0 {
			f, err = site.FitRigid(c.pairs, s.Scale, opt)
		}
		if err != nil {
			return err
		}
		d.Similarity, d.Precision, read.Plane = &f.Params, f.Precision, fitRead(f, base)
	case kindAffine:
		f, err := site.FitAffine(c.pairs, opt)
		if err != nil {
			return err
		}
		d.Affine, d.Precision, read.Plane = &f.Params, f.Precision, fitRead(f, base)
	case kindGroundScale:
		origin, siteOrigin, err := s.scaleOrigins()
		if err != nil {
			return err
		}
		f, err := site.FitGroundScale(c.pairs, origin, siteOrigin, opt)
		if err != nil {
			return err
		}
		d.Direction = ""
		d.GroundScale, d.Precision, read.Plane = &f.Params, f.Precision, fitRead(f, base)
	}
	read.Plane.Notes = append(c.notes, read.Plane.Notes...)
	if err := s.fitHeights(&c, opt, &d, read); err != nil {
		return err
	}
	d.Remarks = fmt.Sprintf("fitted to %d control pairs of %s", len(c.pairs), s.Control)
	if s.Remarks != "" {
		d.Remarks = s.Remarks + "; " + d.Remarks
	}
	read.Definition = d
	return nil
}

// fitHeights finds the vertical part, or takes the one given.
func (s *SiteSettings) fitHeights(c *control, opt site.FitOptions, d *site.Definition, read *SiteRead) error {
	if s.FitHeights == "" {
		if s.Vertical == nil {
			return nil
		}
		if err := strictly(s.Vertical, &d.Vertical); err != nil {
			return &Problem{File: SettingsFile, What: "[site.vertical] " + err.Error()}
		}
		return nil
	}
	if len(c.heights) == 0 {
		return &Problem{File: s.Control, Line: 1, What: "there are no heights to fit", Remedy: "add the columns site_h and base_h, or leave fit_heights out"}
	}
	fit := site.FitVerticalConstant
	if s.FitHeights == "plane" {
		fit = site.FitVerticalPlane
	}
	opt.Sigma = 0 // it is of positions
	f, err := fit(c.heights, opt)
	if err != nil {
		return err
	}
	d.Vertical, d.HeightPrecision, read.Heights = &f.Params, f.Precision, fitRead(f, opt.Unit)
	return nil
}
