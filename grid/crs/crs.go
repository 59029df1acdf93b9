package crs

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strings"
	"sync"

	"example.com/phototie/grid"
)

// CRS is a projected coordinate reference system, opened with [Open]. It is a
// [grid.Projection] and a [grid.Geodesist]. Its methods are safe for use by
// many goroutines.
type CRS struct {
	definition string
	options    grid.OpenOptions
	wkt        string
	grid       grid.Grid
	use        area
	used       bool

	plane planeAxes
	// own runs from the grid's own geographic frame to the grid.
	own         string
	ownAxes     geoAxes
	ownMeridian float64
	// ellipsoid is the PROJ definition that geodesics are measured on.
	ellipsoid string

	mu    sync.Mutex
	plans map[string]*plan // by normalised datum name

	heights heights
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
	// eastings and northings.
	ErrNotProjected = errors.New("not a projected coordinate reference system")
	// ErrAxes says that the axes are not an easting and a northing, whatever
	// their order and direction.
	ErrAxes = errors.New("axes are not an easting and a northing")
)

// DefinitionError is the error of [Open]. It wraps one of ErrEmpty,
// ErrUnknownCRS, ErrNotProjected and ErrAxes.
type DefinitionError struct {
	// Definition is the text that was to be opened.
	Definition string
	// Reason is the error that it wraps.
	Reason error
	// Message says what is wrong and what to do about it.
	Message string
}

func (e *DefinitionError) Error() string { return e.Message }

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
		return nil, err
	}
	return c, nil
}

var _ grid.Opener = OpenGrid

func openWith(definition string, opt grid.OpenOptions) (*CRS, error) {
	if err := validate(opt); err != nil {
		return nil, err
	}
	opt = clone(opt)
	r := openRegistry(opt.Folders...)
	defer r.close()
	c, err := r.open(definition, opt)
	if err != nil {
		return nil, err
	}
	if err := c.checkSelectors(); err != nil {
		return nil, err
	}
	return c, nil
}

// open opens a system without looking at its operations.
func (r *registry) open(definition string, opt grid.OpenOptions) (*CRS, error) {
	object, vertical, err := r.resolve(definition)
	if err != nil {
		return nil, err
	}
	defer object.free()
	defer vertical.free()
	projected := object
	if object.kind() == kindBound {
		projected = object.source()
		defer projected.free()
	}
	c, err := r.describe(definition, opt, object, projected)
	if err != nil {
		return nil, err
	}
	if opt.Vertical != "" {
		v, err := r.verticalNamed(opt.Vertical)
		if err != nil {
			return nil, err
		}
		defer v.free()
		c.heights.standard, c.heights.standardName = opt.Vertical, v.name()
	} else if vertical != nil {
		c.heights.standard, c.heights.standardName = vertical.wkt(), vertical.name()
	}
	return c, nil
}

var (
	codePattern = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_.-]*:[A-Za-z0-9_.+:-]+$`)
	urnPattern  = regexp.MustCompile(`^(?i)(urn:|https?://)`)
	wktPattern  = regexp.MustCompile(`^[A-Za-z_0-9]+\s*[\[(]`)
)

// resolve finds the object whose eastings and northings a definition means: a
// projected CRS, or a bound CRS around one. The second result is the vertical
// part of a compound one, or nil.
func (r *registry) resolve(definition string) (o, vertical *object, err error) {
	text := strings.TrimSpace(definition)
	short := abridged(text)
	fail := func(reason error, format string, args ...any) (*object, *object, error) {
		vertical.free()
		return nil, nil, &DefinitionError{Definition: definition, Reason: reason, Message: fmt.Sprintf(format, args...)}
	}
	switch {
	case text == "":
		return fail(ErrEmpty, "no coordinate reference system is named; give the projected system that the points are in, for instance EPSG:2157")
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
		return fail(reason, "%s %s; give the projected system that the points are in, for instance EPSG:2157", name, problem)
	}
	return o, vertical, nil
}

// unwrap looks for the projected CRS in a bound or a compound one, which it
// frees, and for the vertical one in the latter. Where there is none it says why.
func (o *object) unwrap() (projected, vertical *object, problem string, reason error) {
	for {
		k := o.kind()
		var inner *object
		switch k {
		case kindProjected:
			return o, vertical, "", nil
		case kindBound:
			if inner = o.source(); inner != nil && inner.kind() == kindProjected {
				inner.free()
				return o, vertical, "", nil
			}
		case kindCompound:
			inner = o.horizontal()
			if vertical == nil {
				vertical = o.vertical()
			}
		}
		o.free()
		if o = inner; o != nil {
			continue
		}
		if k == kindNone {
			return nil, vertical, "is not a coordinate reference system (perhaps a datum, an ellipsoid or an operation)", ErrUnknownCRS
		}
		return nil, vertical, notProjected[k], ErrNotProjected
	}
}

// notProjected says what the kinds are that have no eastings and northings.
var notProjected = map[kind]string{
	kindOther:       "is not a projected system of a kind that can be used",
	kindBound:       "is not projected",
	kindCompound:    "has no horizontal part",
	kindGeographic:  "is geographic (degrees)",
	kindGeocentric:  "is geocentric (X, Y, Z from the centre of the earth)",
	kindVertical:    "is vertical only (heights)",
	kindEngineering: "is a local engineering system with no tie to the earth",
	kindTemporal:    "is a time scale",
}

// read makes the object of a definition; where there is none it says why.
func (r *registry) read(text string) (o *object, problem string) {
	switch {
	case strings.Contains(text, "proj=pipeline"):
		return nil, ": a pipeline is an operation between two systems; give the projected system itself"
	case strings.Contains(text, "proj=") || strings.Contains(text, "init="):
		if o = r.create(text); o == nil || o.kind() == kindNone {
			o.free()
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
		problem = " is not a code that the installed registry (" + r.version() + ") knows; check the number"
	default:
		o = r.exactly(text)
		hint := "give an EPSG code such as EPSG:2157, WKT or a PROJ string"
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
	c := &CRS{definition: definition, options: opt, wkt: object.wkt(), plans: make(map[string]*plan)}
	name := projected.name()
	axes, err := projected.axes()
	if err != nil {
		return nil, &DefinitionError{Definition: definition, Reason: ErrAxes, Message: err.Error()}
	}
	var unit grid.Unit
	if c.plane, unit, err = readPlaneAxes(axes); err != nil {
		return nil, &DefinitionError{Definition: definition, Reason: ErrAxes, Message: fmt.Sprintf("%s: %v", name, err)}
	}
	ellipsoid, a, rf, err := projected.ellipsoid()
	if err != nil {
		return nil, &DefinitionError{Definition: definition, Reason: ErrNotProjected, Message: err.Error()}
	}
	base := projected.base()
	if base == nil {
		return nil, &DefinitionError{Definition: definition, Reason: ErrNotProjected, Message: name + " has no geographic system of its own"}
	}
	defer base.free()
	if c.ownAxes, err = readGeoAxes(base); err != nil {
		return nil, &DefinitionError{Definition: definition, Reason: ErrAxes, Message: err.Error()}
	}
	// The own frame counts from its own prime meridian.
	c.ownMeridian, c.ownAxes.meridian = c.ownAxes.meridian, 0
	for _, p := range r.paths(base, projected) {
		if p.runnable && !p.ballpark && p.pipeline != "" {
			c.own = p.pipeline
			break
		}
	}
	if c.own == "" {
		return nil, &DefinitionError{Definition: definition, Reason: ErrNotProjected, Message: fmt.Sprintf("%s: PROJ can't compute this map projection: %s is not in the installed version (%s); a later one may have it", name, projected.method(), r.version())}
	}
	c.use, c.used = projected.areaOfUse()
	c.grid = grid.Grid{
		Name: name, Code: projected.code(), Unit: unit, Frame: base.name(), FrameEpoch: frameEpochs[base.name()],
		Ellipsoid: grid.Ellipsoid{Name: ellipsoid, SemiMajor: a, InverseFlattening: rf},
	}
	c.ellipsoid = fmt.Sprintf("+proj=longlat +a=%.17g +rf=%.17g", a, rf)
	if rf == 0 {
		c.ellipsoid = fmt.Sprintf("+proj=longlat +R=%.17g", a)
	}
	if err := c.withWorker(func(w *worker) error {
		_, err := w.operation(c.own)
		return err
	}); err != nil {
		return nil, &DefinitionError{Definition: definition, Reason: ErrNotProjected, Message: fmt.Sprintf("%s: PROJ can't compute this map projection: %v", name, err)}
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

// planeAxes says which of the two axes of a projected CRS are E and N, and
// which way they count.
type planeAxes struct {
	e, n         int
	eSign, nSign float64
}

func (a *planeAxes) toEN(x, y float64) grid.EN {
	if a.e != 0 {
		x, y = y, x
	}
	return grid.EN{E: a.eSign*x + 0, N: a.nSign*y + 0} // + 0 turns minus zero
}

func (a planeAxes) fromEN(p grid.EN) (x, y float64) {
	var v [2]float64
	v[a.e], v[a.n] = a.eSign*p.E, a.nSign*p.N
	return v[0], v[1]
}

// readPlaneAxes finds easting and northing among the axes. Directions decide:
// an axis that counts west or south turns its sign. Polar systems point both
// axes north or both south along different meridians, so there the names have
// to tell them apart, and the signs stay.
func readPlaneAxes(axes []axis) (planeAxes, grid.Unit, error) {
	if len(axes) < 2 {
		return planeAxes{}, grid.Unit{}, fmt.Errorf("%d axes where an easting and a northing are needed", len(axes))
	}
	a := planeAxes{e: -1, n: -1, eSign: 1, nSign: 1}
	horizontal := axes[:2]
	d := horizontal[0].direction
	polar := d == horizontal[1].direction && (d == "north" || d == "south")
	for i, x := range horizontal {
		if !polar {
			a.point(i, x.direction)
		} else if named(x, "e", "easting", "x") {
			a.e = i
		} else if named(x, "n", "northing", "y") {
			a.n = i
		}
	}
	if a.e < 0 || a.n < 0 || a.e == a.n {
		return planeAxes{}, grid.Unit{}, fmt.Errorf("its axes (%s %s, %s %s) are not an easting and a northing",
			horizontal[0].name, horizontal[0].direction, horizontal[1].name, horizontal[1].direction)
	}
	if horizontal[0].factor != horizontal[1].factor || !(horizontal[0].factor > 0) {
		return planeAxes{}, grid.Unit{}, fmt.Errorf("its axes count in different units (%s and %s)", horizontal[0].unit, horizontal[1].unit)
	}
	return a, unitOf(horizontal[0]), nil
}

// point takes the i-th axis by its direction.
func (a *planeAxes) point(i int, direction string) {
	switch direction {
	case "east":
		a.e = i
	case "west":
		a.e, a.eSign = i, -1
	case "north":
		a.n = i
	case "south":
		a.n, a.nSign = i, -1
	}
}

// named reports whether an axis goes by one of the names, in its name or its
// abbreviation.
func named(x axis, names ...string) bool {
	name := strings.ToLower(strings.TrimSpace(x.name))
	abbr := strings.ToLower(x.abbreviation)
	for _, n := range names {
		if name == n || abbr == n || strings.HasPrefix(name, n+" ") {
			return true
		}
	}
	return false
}

// unitOf makes the unit of an axis. The named constants of package grid have
// more digits than the registry's text carries, so they win where they agree.
func unitOf(x axis) grid.Unit {
	for _, u := range []grid.Unit{grid.Metre, grid.Foot, grid.USSurveyFoot} {
		if math.Abs(x.factor/u.Metres-1) < 1e-12 {
			return u
		}
	}
	u := grid.Unit{Name: x.unit, Symbol: x.unit, Metres: x.factor}
	if u.Name == "" || u.Name == "unknown" {
		u.Name = fmt.Sprintf("unit of %.12g m", x.factor)
		u.Symbol = u.Name
	}
	if s, ok := map[string]string{"kilometre": "km", "centimetre": "cm", "millimetre": "mm", "link": "lk", "Clarke's foot": "ftCla", "Indian yard": "ydInd"}[u.Name]; ok {
		u.Symbol = s
	}
	return u
}

// geoAxes says how a geographic CRS wants its latitude and longitude.
type geoAxes struct {
	lat, lon         int
	latSign, lonSign float64
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
	g := geoAxes{lat: -1, lon: -1, latSign: 1, lonSign: 1, meridian: o.primeMeridian()}
	for i, x := range axes {
		switch x.direction {
		case "north":
			g.lat = i
		case "south":
			g.lat, g.latSign = i, -1
		case "east":
			g.lon = i
		case "west":
			g.lon, g.lonSign = i, -1
		}
	}
	if g.lat < 0 || g.lat > 1 || g.lon < 0 || g.lon > 1 || axes[0].factor != axes[1].factor {
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
	lat, lon = g.latSign*lat, g.lonSign*lon
	if g.degrees != 1 {
		lat, lon = lat/g.degrees, lon/g.degrees
	}
	if g.lat != 0 {
		lat, lon = lon, lat
	}
	return lat, lon
}

func (g geoAxes) to(x, y float64) (lat, lon float64) {
	v := [2]float64{x, y}
	lat, lon = g.latSign*v[g.lat]*g.degrees, g.lonSign*v[g.lon]*g.degrees
	return lat + 0, wrap(lon+g.meridian) + 0
}

// wrap brings a longitude into [-180, 180].
func wrap(lon float64) float64 {
	if lon >= -180 && lon <= 180 {
		return lon
	}
	return math.Remainder(lon, 360)
}
