package crs

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"sync"

	"example.com/phototie/grid"
)

// CRS is a projected coordinate reference system, opened with [Open]. It is a
// [grid.Projection] and a [grid.Geodesist]. Its methods are safe for concurrent use.
// The zero CRS is of no use.
type CRS struct {
	definition string
	options    grid.OpenOptions
	wkt        string
	grid       grid.Grid
	use        area
	used       bool

	plane horizontal
	// own runs from the grid's own geographic frame to the grid.
	own         string
	ownAxes     geoAxes
	ownMeridian float64
	// ellipsoid is the PROJ definition that geodesics are measured on.
	ellipsoid string

	plans   memo[string, *plan] // by normalised datum name
	heights heights
}

// memo keeps what was made for a key, at first use.
type memo[K comparable, V any] struct {
	mu   sync.Mutex
	made map[K]result[V]
}

type result[V any] struct {
	value V
	err   error
}

// most bounds a memo. A job has one or two names of datums; more are such that
// nobody knows, in all likelihood, and it begins anew.
const most = 256

func (m *memo[K, V]) get(key K, create func() (V, error)) (V, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	r, ok := m.made[key]
	if !ok {
		r.value, r.err = create()
		if m.made == nil || len(m.made) >= most {
			m.made = make(map[K]result[V])
		}
		m.made[key] = r
	}
	return r.value, r.err
}

var (
	_ grid.Projection      = (*CRS)(nil)
	_ grid.Geodesist       = (*CRS)(nil)
	_ grid.Heighter        = (*CRS)(nil)
	_ grid.CandidateLister = (*CRS)(nil)
	_ grid.Bounded         = (*CRS)(nil)
)

// What can be wrong with a definition. The errors of [Open] wrap one of these.
var (
	// ErrEmpty says that no definition was given.
	ErrEmpty = errors.New("no coordinate reference system is named")
	// ErrUnknownCRS says that the definition names or describes nothing that the
	// installed registry knows.
	ErrUnknownCRS = errors.New("unknown coordinate reference system")
	// ErrNotProjected says that the definition is understood but has no plane
	// eastings and northings that can be computed here.
	ErrNotProjected = errors.New("not a projected coordinate reference system")
)

// DefinitionError is the error of [Open], for errors.As; errors.Is finds its Reason, one
// of [ErrEmpty], [ErrUnknownCRS] and [ErrNotProjected], or what PROJ said.
type DefinitionError struct {
	// Definition is the text that was to be opened.
	Definition string
	// Reason is the error that it wraps: ErrEmpty, ErrUnknownCRS or ErrNotProjected.
	Reason  error
	message string
}

// Error says what is wrong and what to do about it.
func (e *DefinitionError) Error() string { return e.message }

// Unwrap returns Reason.
func (e *DefinitionError) Unwrap() error { return e.Reason }

// maxDefinition is more than any real definition needs.
const maxDefinition = 64 << 10

// Open opens the projected coordinate reference system that a definition names:
//
//   - an authority code, "EPSG:2157", also as a URN; of a compound code such as
//     "EPSG:2157+5731" the horizontal part is the grid, and the vertical part is
//     the default of heights above a geoid;
//   - WKT of any dialect that PROJ reads, or PROJJSON;
//   - a PROJ string, "+proj=tmerc +lat_0=53.5 ...", where +type=crs may be left
//     out. A string that gives an ellipsoid but no datum has no tie to any
//     frame: fixes then reach it by a ballpark operation, reported as such;
//   - the exact name of a system in the registry, in any case:
//     "IRENET95 / Irish Transverse Mercator".
//
// Names that only resemble a definition are refused instead of guessed at. The
// error is a [*DefinitionError], or one that says why PROJ's database can't be
// used.
func Open(definition string) (*CRS, error) { return openWith(definition, grid.OpenOptions{}) }

// OpenGrid opens a system as Open does, with the caller's own choices: it is a
// [grid.Opener], and the projection is a *CRS. The error may also be a
// [*grid.OperationError] or an error about the vertical system.
func OpenGrid(definition string, opt grid.OpenOptions) (grid.Projection, error) {
	c, err := openWith(definition, opt)
	if err != nil {
		return nil, err // and no projection that holds nil
	}
	return c, nil
}

func openWith(definition string, opt grid.OpenOptions) (*CRS, error) {
	if err := validate(opt); err != nil {
		return nil, err
	}
	opt = clone(opt)
	r := openRegistry(opt.Folders...)
	defer r.close()
	object, vertical, err := r.resolve(definition)
	if err != nil {
		return nil, err
	}
	projected := object
	if object.kind() == kindBound {
		projected = object.source()
	}
	c, err := r.describe(definition, opt, object, projected)
	if err != nil {
		return nil, err
	}
	if opt.Vertical != "" {
		if _, err := r.verticalNamed(opt.Vertical); err != nil {
			return nil, err
		}
		c.heights.standard = opt.Vertical
	} else if vertical != nil {
		c.heights.standard = vertical.wkt()
	}
	if err := c.checkSelectors(); err != nil {
		return nil, err
	}
	return c, nil
}

var (
	codePattern = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_.-]*:[A-Za-z0-9_.+:-]+$`)
	urnPattern  = regexp.MustCompile(`^(?i)(urn:|https?://)`)
	projPattern = regexp.MustCompile(`(proj|init)=`)
	wktPattern  = regexp.MustCompile(`^[A-Za-z_0-9]+\s*[\[(]`)
)

// resolve finds the object whose eastings and northings a definition means: a
// projected CRS, or a bound CRS around one. The second result is the vertical
// part of a compound one, or nil.
func (r *registry) resolve(definition string) (o, vertical *object, err error) {
	text := strings.TrimSpace(definition)
	short := abridged(text)
	fail := func(reason error, format string, args ...any) (*object, *object, error) {
		return nil, nil, &DefinitionError{Definition: definition, Reason: reason, message: fmt.Sprintf(format, args...)}
	}
	switch {
	case text == "":
		return fail(ErrEmpty, "no coordinate reference system is named; give the projected system that the points are in, for instance EPSG:2157; "+byWords)
	case len(text) > maxDefinition:
		return fail(ErrUnknownCRS, "the definition of the coordinate reference system is %d bytes long; more than %d are not read", len(text), maxDefinition)
	case strings.ContainsRune(text, 0):
		return fail(ErrUnknownCRS, "%s: the definition holds a zero byte", short)
	}
	if version := r.version(); !strings.Contains(version, "EPSG") {
		return nil, nil, fmt.Errorf("PROJ's database proj.db can't be read (%s): install the proj-data package, or set PROJ_DATA to the folder that holds it", version)
	}
	o, problem := r.read(text)
	if o == nil {
		return fail(ErrUnknownCRS, "%s%s", short, problem)
	}
	name := short
	if n := o.name(); n != "" && !strings.EqualFold(n, text) {
		name = fmt.Sprintf("%s (%s)", short, n)
	}
	o, vertical, problem, reason := o.unwrap()
	if o == nil {
		return fail(reason, "%s %s; give the projected system that the points are in, for instance EPSG:2157; "+byWords, name, problem)
	}
	return o, vertical, nil
}

// unwrap looks for the projected CRS in a bound or a compound one, and for the
// vertical one in the latter. Where there is none it says why.
func (o *object) unwrap() (projected, vertical *object, problem string, reason error) {
	for {
		k := o.kind()
		var inner *object
		switch k {
		case kindProjected:
			return o, vertical, "", nil
		case kindBound:
			if inner = o.source(); inner.kind() == kindProjected {
				return o, vertical, "", nil
			}
		case kindCompound:
			inner = o.horizontal()
			if vertical == nil {
				vertical = o.vertical()
			}
		case kindNone:
			return nil, nil, notProjected[k], ErrUnknownCRS
		}
		if inner == nil {
			return nil, nil, notProjected[k], ErrNotProjected
		}
		o = inner
	}
}

// notProjected says what the kinds are that have no eastings and northings.
var notProjected = map[kind]string{
	kindNone:        "is not a coordinate reference system (perhaps a datum, an ellipsoid or an operation)",
	kindOther:       "is not a projected system of a kind that can be used",
	kindBound:       "is not projected",
	kindCompound:    "has no horizontal part",
	kindGeographic:  "is geographic (degrees)",
	kindGeocentric:  "is geocentric (X, Y, Z from the centre of the earth)",
	kindVertical:    "is vertical only (heights)",
	kindEngineering: "is a local engineering system with no tie to the earth",
	kindTemporal:    "is a time scale",
}

// byWords is what finds a system.
const byWords = "phototie crs WORDS lists systems"

// read makes the object of a definition; where there is none it says why.
func (r *registry) read(text string) (o *object, problem string) {
	switch {
	case strings.Contains(text, "proj=pipeline"):
		return nil, ": a pipeline is an operation between two systems; give the projected system itself"
	case projPattern.MatchString(text):
		if o = r.create(text); o.kind() == kindNone {
			o = r.create(text + " +type=crs")
		}
		problem = ": PROJ can't read this string as a coordinate reference system; check its parameters"
	case text[0] == '{' || wktPattern.MatchString(text):
		if o = r.create(text); o == nil {
			if text[0] != '{' {
				problem = r.wktProblems(text)
			}
			problem = ": this text is no valid coordinate reference system: " + cmp.Or(problem, "PROJ can't read it")
		}
	case codePattern.MatchString(text) || urnPattern.MatchString(text):
		o = r.create(text)
		problem = " is not a code that the installed registry (" + r.version() + ") knows; check the number, or find it by name or place: " + byWords
	default:
		if o = r.named(text, anyCRS...); o != nil {
			return o, ""
		}
		hint := cmp.Or(r.meant(text), "give an EPSG code such as EPSG:2157, WKT or a PROJ string, or find it by name or place: "+byWords)
		if isNumber(text) {
			hint = "if it is an EPSG code, write EPSG:" + text
		}
		problem = " is not a coordinate reference system that the installed registry (" + r.version() + ") knows; " + hint
	}
	return o, problem
}

// isNumber reports whether s is nothing but ASCII digits.
func isNumber(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

// abridged shortens a definition for messages and keeps it on one line.
func abridged(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	const most = 80
	if runes := []rune(s); len(runes) > most {
		s = string(runes[:most]) + "..."
	}
	for _, r := range s {
		if r < ' ' || r == 0x7f || r == '\uFFFD' {
			return fmt.Sprintf("%q", s)
		}
	}
	return s
}

// describe reads everything but the operations.
func (r *registry) describe(definition string, opt grid.OpenOptions, object, projected *object) (*CRS, error) {
	c := &CRS{definition: definition, options: opt, wkt: object.wkt()}
	name := projected.name()
	fail := func(format string, args ...any) (*CRS, error) {
		return nil, &DefinitionError{Definition: definition, Reason: ErrNotProjected, message: fmt.Sprintf(format, args...)}
	}
	axes, err := projected.axes()
	if err != nil {
		return fail("%v", err)
	}
	var unit grid.Unit
	if c.plane, unit, err = readPlaneAxes(axes); err != nil {
		return fail("%s: %v", name, err)
	}
	ellipsoid, err := projected.ellipsoid()
	if err != nil {
		return fail("%v", err)
	}
	base := projected.base()
	if base == nil {
		return fail("%s has no geographic system of its own", name)
	}
	if c.ownAxes, err = readGeoAxes(base); err != nil {
		return fail("%v", err)
	}
	// The own frame counts from its own prime meridian.
	c.ownMeridian, c.ownAxes.meridian = c.ownAxes.meridian, 0
	paths := r.paths(base, projected)
	i := slices.IndexFunc(paths, func(p path) bool { return p.usable() && !p.ballpark })
	if i < 0 {
		return fail("%s: PROJ can't compute this map projection: %s", name, projected.unsupported())
	}
	c.own = paths[i].pipeline
	c.use, c.used = projected.areaOfUse()
	c.grid = grid.Grid{
		Name: name, Code: projected.code(), Unit: unit, Frame: base.name(), FrameEpoch: frameEpochs[base.name()], Ellipsoid: ellipsoid,
	}
	c.ellipsoid = fmt.Sprintf("+proj=longlat +a=%.17g +rf=%.17g", ellipsoid.SemiMajor, ellipsoid.InverseFlattening)
	if ellipsoid.InverseFlattening == 0 {
		c.ellipsoid = fmt.Sprintf("+proj=longlat +R=%.17g", ellipsoid.SemiMajor)
	}
	if err := c.withWorker(func(w *worker) error {
		_, err := w.operation(c.own)
		return err
	}); err != nil {
		return fail("%s: PROJ can't compute this map projection: %v", name, err)
	}
	return c, nil
}

// Grid describes the plane system.
func (c *CRS) Grid() grid.Grid { return c.grid }

// WKT returns the definition of the system as WKT 2 (ISO 19162:2019), the form
// to store beside the points.
func (c *CRS) WKT() string { return c.wkt }

// AreaOfUse returns the box that the registry states as the area of use of the
// system, in degrees; west is greater than east where the box crosses the 180th
// meridian. The last result is false where no area is stated.
func (c *CRS) AreaOfUse() (south, west, north, east float64, ok bool) {
	return c.use.south, c.use.west, c.use.north, c.use.east, c.used
}

// horizontal says which of two axes counts east and which north, and their signs:
// -1 for one that counts west or south.
type horizontal struct {
	east, north         int
	eastSign, northSign float64
}

// split takes coordinates in the order of the axes apart, join puts them together.
func (h *horizontal) split(x, y float64) (east, north float64) {
	if h.east != 0 {
		x, y = y, x
	}
	return h.eastSign*x + 0, h.northSign*y + 0 // + 0 turns minus zero
}

func (h *horizontal) join(east, north float64) (x, y float64) {
	x, y = h.eastSign*east, h.northSign*north
	if h.east != 0 {
		return y, x
	}
	return x, y
}

// byDirection finds the axes by their directions; the index is -1 where there is
// none.
func byDirection(axes []axis) horizontal {
	find := func(plus, minus string) (int, float64) {
		i := slices.IndexFunc(axes, func(x axis) bool { return x.direction == plus || x.direction == minus })
		if i >= 0 && axes[i].direction == minus {
			return i, -1
		}
		return i, 1
	}
	var h horizontal
	h.east, h.eastSign = find("east", "west")
	h.north, h.northSign = find("north", "south")
	return h
}

// readPlaneAxes finds easting and northing among the axes, by their directions.
// Polar systems point both axes north or both south along different meridians, so
// there the names have to tell them apart, and the signs stay.
func readPlaneAxes(axes []axis) (horizontal, grid.Unit, error) {
	if len(axes) < 2 {
		return horizontal{}, grid.Unit{}, fmt.Errorf("%d axes where an easting and a northing are needed", len(axes))
	}
	axes = axes[:2]
	h := byDirection(axes)
	if d := axes[0].direction; d == axes[1].direction && (d == "north" || d == "south") {
		h = horizontal{slices.IndexFunc(axes, named("e", "easting", "x")), slices.IndexFunc(axes, named("n", "northing", "y")), 1, 1}
	}
	if h.east < 0 || h.north < 0 || h.east == h.north {
		return horizontal{}, grid.Unit{}, fmt.Errorf("its axes (%s %s, %s %s) are not an easting and a northing",
			axes[0].name, axes[0].direction, axes[1].name, axes[1].direction)
	}
	if axes[0].factor != axes[1].factor || !(axes[0].factor > 0) {
		return horizontal{}, grid.Unit{}, fmt.Errorf("its axes count in different units (%s and %s)", axes[0].unit, axes[1].unit)
	}
	return h, unitOf(axes[0]), nil
}

// named tells of an axis whether it goes by one of some names, in its name or its
// abbreviation.
func named(names ...string) func(axis) bool {
	return func(x axis) bool {
		name, abbr := strings.ToLower(strings.TrimSpace(x.name)), strings.ToLower(x.abbreviation)
		return slices.ContainsFunc(names, func(n string) bool { return name == n || abbr == n || strings.HasPrefix(name, n+" ") })
	}
}

// symbols are those of units besides the named ones of package grid.
var symbols = map[string]string{"kilometre": "km", "centimetre": "cm", "millimetre": "mm", "link": "lk", "Clarke's foot": "ftCla", "Indian yard": "ydInd"}

// unitOf makes the unit of an axis. The named constants of package grid have
// more digits than the registry's text carries, so they win where they agree.
func unitOf(x axis) grid.Unit {
	for _, u := range []grid.Unit{grid.Metre, grid.Foot, grid.USSurveyFoot} {
		if math.Abs(x.factor/u.Metres-1) < 1e-12 {
			return u
		}
	}
	name := x.unit
	if name == "" || name == "unknown" {
		name = fmt.Sprintf("unit of %.12g m", x.factor)
	}
	return grid.Unit{Name: name, Symbol: cmp.Or(symbols[name], name), Metres: x.factor}
}

// geoAxes says how a geographic CRS wants its latitude and longitude.
type geoAxes struct {
	horizontal
	// degrees is the size of its angular unit in degrees.
	degrees float64
	// meridian is the longitude of its prime meridian from Greenwich.
	meridian float64
}

func readGeoAxes(o *object) (geoAxes, error) {
	axes, err := o.axes()
	if err != nil {
		return geoAxes{}, err
	}
	g := geoAxes{horizontal: byDirection(axes), meridian: o.primeMeridian()}
	if g.east+g.north != 1 || axes[0].factor != axes[1].factor {
		return geoAxes{}, fmt.Errorf("the axes of %s are not latitude and longitude", o.name())
	}
	// The registry states radians with 15 digits; the degree itself is exact.
	g.degrees = axes[0].factor * 180 / math.Pi
	if near := math.Round(g.degrees*1e9) / 1e9; math.Abs(near-g.degrees) < 1e-12 {
		g.degrees = near
	}
	return g, nil
}

func (g *geoAxes) from(lat, lon float64) (x, y float64) {
	if g.meridian != 0 {
		lon = wrap(lon - g.meridian)
	}
	if g.degrees != 1 {
		lat, lon = lat/g.degrees, lon/g.degrees
	}
	return g.join(lon, lat)
}

func (g *geoAxes) to(x, y float64) (lat, lon float64) {
	lon, lat = g.split(x, y)
	return lat * g.degrees, wrap(lon*g.degrees+g.meridian) + 0
}

// wrap brings a longitude into [-180, 180].
func wrap(lon float64) float64 {
	if lon >= -180 && lon <= 180 {
		return lon
	}
	return math.Remainder(lon, 360)
}
