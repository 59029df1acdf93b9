package crs

// This file is all of PROJ that go-proj has no binding for: what a coordinate
// reference system is made of, and which operations lead from one to another.
// Objects belong to the registry that made them and go when it is closed, at the
// end of a description; none is kept longer.

// #cgo pkg-config: proj
// #include <stdlib.h>
// #include <proj.h>
// #include <proj_experimental.h>
import "C"

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"unsafe"

	"example.com/phototie/grid"
)

// registry is a PROJ context with its database, and the objects made in it. It
// serves one goroutine at a time.
type registry struct {
	ctx     *C.PJ_CONTEXT
	objects []*C.PJ
	folders string
	// surroundings are what the results of searches depend on besides the systems.
	surroundings string
	// lacking is set when a grid file was found missing, which PROJ would go on to say
	// when it has been installed.
	lacking bool
}

// registries are those that were closed, with the database open and its queries
// prepared, which takes PROJ some 20 ms.
var registries pool[*registry]

// openRegistry opens a registry that looks for files in the folders, and then
// where PROJ looks.
func openRegistry(folders ...string) *registry {
	key := strings.Join(folders, "\x00")
	if r, ok := registries.take(key); ok {
		return r
	}
	r := &registry{ctx: C.proj_context_create(), folders: key}
	C.proj_log_level(r.ctx, C.PJ_LOG_NONE)
	if paths := searchPaths(folders); len(paths) > 0 {
		list := make([]*C.char, len(paths))
		for i, p := range paths {
			list[i] = C.CString(p)
			defer C.free(unsafe.Pointer(list[i]))
		}
		C.proj_context_set_search_paths(r.ctx, C.int(len(list)), &list[0])
	}
	return r
}

// searchPaths are the folders followed by those that PROJ searches by itself,
// since PROJ takes a list that it is given for the whole. Without folders there
// is no list.
func searchPaths(folders []string) []string {
	if len(folders) == 0 {
		return nil
	}
	own := strings.Split(C.GoString(C.proj_info().searchpath), string(os.PathListSeparator))
	return append(append([]string(nil), folders...), own...)
}

func (r *registry) close() {
	for _, p := range r.objects {
		C.proj_destroy(p)
	}
	if r.objects = r.objects[:0]; r.lacking {
		C.proj_context_destroy(r.ctx)
	} else {
		registries.give(r.folders, r)
	}
}

// version names PROJ and its EPSG data set, for messages.
func (r *registry) version() string {
	s := "PROJ " + C.GoString(C.proj_info().version)
	key := C.CString("EPSG.VERSION")
	defer C.free(unsafe.Pointer(key))
	if v := C.proj_context_get_database_metadata(r.ctx, key); v != nil {
		s += ", EPSG " + C.GoString(v)
	}
	return s
}

// object is a PROJ object: a CRS, a datum, an operation.
type object struct {
	r *registry
	p *C.PJ
}

// object takes over an object of PROJ; nil for none.
func (r *registry) object(p *C.PJ) *object {
	if p == nil {
		return nil
	}
	r.objects = append(r.objects, p)
	return &object{r: r, p: p}
}

// create makes the object of a definition, nil where PROJ knows none.
func (r *registry) create(definition string) *object {
	c := C.CString(definition)
	defer C.free(unsafe.Pointer(c))
	return r.object(C.proj_create(r.ctx, c))
}

// wktProblems returns what PROJ's parser has against a WKT text.
func (r *registry) wktProblems(wkt string) string {
	c := C.CString(wkt)
	defer C.free(unsafe.Pointer(c))
	var warnings, problems C.PROJ_STRING_LIST
	r.object(C.proj_create_from_wkt(r.ctx, c, nil, &warnings, &problems))
	text := strings.Join(append(goStrings(problems), goStrings(warnings)...), "; ")
	C.proj_string_list_destroy(warnings)
	C.proj_string_list_destroy(problems)
	return strings.Join(strings.Fields(text), " ")
}

func goStrings(list C.PROJ_STRING_LIST) []string {
	var out []string
	for p := list; p != nil && *p != nil; p = (C.PROJ_STRING_LIST)(unsafe.Add(unsafe.Pointer(p), unsafe.Sizeof(*p))) {
		out = append(out, C.GoString(*p))
	}
	return out
}

// kind is the type of an object as far as this package tells types apart.
type kind int

const (
	kindOther kind = iota
	kindNone       // not a coordinate reference system at all
	kindGeographic
	kindGeocentric
	kindVertical
	kindProjected
	kindCompound
	kindBound
	kindEngineering
	kindTemporal
)

var kinds = map[C.PJ_TYPE]kind{
	C.PJ_TYPE_GEOGRAPHIC_2D_CRS: kindGeographic, C.PJ_TYPE_GEOGRAPHIC_3D_CRS: kindGeographic,
	C.PJ_TYPE_GEOCENTRIC_CRS: kindGeocentric, C.PJ_TYPE_GEODETIC_CRS: kindGeocentric,
	C.PJ_TYPE_VERTICAL_CRS: kindVertical, C.PJ_TYPE_PROJECTED_CRS: kindProjected,
	C.PJ_TYPE_COMPOUND_CRS: kindCompound, C.PJ_TYPE_BOUND_CRS: kindBound,
	C.PJ_TYPE_ENGINEERING_CRS: kindEngineering, C.PJ_TYPE_TEMPORAL_CRS: kindTemporal,
}

// kind is kindNone for no object at all, too.
func (o *object) kind() kind {
	if o == nil || C.proj_is_crs(o.p) == 0 {
		return kindNone
	}
	return kinds[C.proj_get_type(o.p)]
}

func (o *object) name() string { return C.GoString(C.proj_get_name(o.p)) }

// code is the authority code, "EPSG:2157", or empty.
func (o *object) code() string {
	auth, code := C.proj_get_id_auth_name(o.p, 0), C.proj_get_id_code(o.p, 0)
	if auth == nil || code == nil {
		return ""
	}
	return C.GoString(auth) + ":" + C.GoString(code)
}

func (o *object) wkt() string {
	return C.GoString(C.proj_as_wkt(o.r.ctx, o.p, C.PJ_WKT2_2019, nil))
}

// horizontal is the first component of a compound CRS.
func (o *object) horizontal() *object {
	return o.r.object(C.proj_crs_get_sub_crs(o.r.ctx, o.p, 0))
}

// vertical is the vertical component of a compound CRS, nil where it has none.
func (o *object) vertical() *object {
	if v := o.r.object(C.proj_crs_get_sub_crs(o.r.ctx, o.p, 1)); v.kind() == kindVertical {
		return v
	}
	return nil
}

// solid is a geographic CRS with an ellipsoidal height as its third axis: the
// registry's own where it has one, and then it has a code.
func (o *object) solid() *object { return o.r.object(C.proj_crs_promote_to_3D(o.r.ctx, nil, o.p)) }

// flat is a CRS without its height.
func (o *object) flat() *object { return o.r.object(C.proj_crs_demote_to_2D(o.r.ctx, nil, o.p)) }

// with is the compound of a CRS and a vertical one.
func (o *object) with(vertical *object) *object {
	name := C.CString(o.name() + " + " + vertical.name())
	defer C.free(unsafe.Pointer(name))
	return o.r.object(C.proj_create_compound_crs(o.r.ctx, name, o.p, vertical.p))
}

// source is the source CRS of an operation, or the CRS that a bound one wraps.
func (o *object) source() *object { return o.r.object(C.proj_get_source_crs(o.r.ctx, o.p)) }

// target is the target CRS of an operation.
func (o *object) target() *object { return o.r.object(C.proj_get_target_crs(o.r.ctx, o.p)) }

// base is the geodetic CRS that a CRS is built on.
func (o *object) base() *object { return o.r.object(C.proj_crs_get_geodetic_crs(o.r.ctx, o.p)) }

// methodSince is the version of PROJ from which on it has a method of map
// projection that came after 9.1, by the method's EPSG code. Those of the registry
// that are not in it, and that PROJ 9.1 lacks, are in no version up to newestPROJ.
// Source: PROJ's release notes and its table of methods.
var methodSince = map[string]string{"1026": "9.3.0", "1119": "9.3.0", "1042": "9.4.0", "1043": "9.4.0", "1130": "9.5.0"}

const newestPROJ = "9.5.1"

// unsupported names the method of a projected CRS that PROJ can't compute, and says
// which version can.
func (o *object) unsupported() string {
	method, since := "its method", "a later one may have it"
	if op := o.r.object(C.proj_crs_get_coordoperation(o.r.ctx, o.p)); op != nil {
		var name, authority, code *C.char
		C.proj_coordoperation_get_method_info(o.r.ctx, op.p, &name, &authority, &code)
		if method = C.GoString(name); C.GoString(authority) == "EPSG" {
			method += " (EPSG:" + C.GoString(code) + ")"
			since = "no version up to " + newestPROJ + " has it, so transform the points to another projected system of the place, such as a UTM zone"
			if v := methodSince[C.GoString(code)]; v != "" {
				since = "PROJ " + v + " and later have it"
			}
		}
	}
	return fmt.Sprintf("%s is not in the installed version (%s); %s", method, o.r.version(), since)
}

// ensembleAccuracy is the accuracy in metres that the registry states for the
// datum ensemble of a CRS; the second result is false where its datum is none.
func (o *object) ensembleAccuracy() (float64, bool) {
	e := o.r.object(C.proj_crs_get_datum_ensemble(o.r.ctx, o.p))
	if e == nil {
		return 0, false
	}
	a := float64(C.proj_datum_ensemble_get_accuracy(o.r.ctx, e.p))
	return a, a >= 0
}

// ellipsoid is the ellipsoid of a CRS.
func (o *object) ellipsoid() (grid.Ellipsoid, error) {
	e := o.r.object(C.proj_get_ellipsoid(o.r.ctx, o.p))
	var a, rf C.double
	if e == nil || C.proj_ellipsoid_get_parameters(o.r.ctx, e.p, &a, nil, nil, &rf) == 0 {
		return grid.Ellipsoid{}, fmt.Errorf("%s has no ellipsoid", o.name())
	}
	return grid.Ellipsoid{Name: e.name(), SemiMajor: float64(a), InverseFlattening: float64(rf)}, nil
}

// primeMeridian is the longitude of the prime meridian of a CRS from Greenwich
// in degrees.
func (o *object) primeMeridian() float64 {
	var lon, factor C.double
	if m := o.r.object(C.proj_get_prime_meridian(o.r.ctx, o.p)); m != nil {
		C.proj_prime_meridian_get_parameters(o.r.ctx, m.p, &lon, &factor, nil)
	}
	return float64(lon) * float64(factor) * 180 / math.Pi
}

// axis is one axis of a coordinate system.
type axis struct {
	name, abbreviation, direction string
	// factor is metres or radians in a unit.
	factor float64
	unit   string
}

func (o *object) axes() ([]axis, error) {
	cs := o.r.object(C.proj_crs_get_coordinate_system(o.r.ctx, o.p))
	if cs == nil {
		return nil, fmt.Errorf("%s has no coordinate system", o.name())
	}
	var out []axis
	for i := range int(C.proj_cs_get_axis_count(o.r.ctx, cs.p)) {
		var name, abbr, dir, unit *C.char
		var factor C.double
		if C.proj_cs_get_axis_info(o.r.ctx, cs.p, C.int(i), &name, &abbr, &dir, &factor, &unit, nil, nil) == 0 {
			return nil, fmt.Errorf("axis %d of %s can't be read", i+1, o.name())
		}
		out = append(out, axis{C.GoString(name), C.GoString(abbr), strings.ToLower(C.GoString(dir)), float64(factor), C.GoString(unit)})
	}
	return out, nil
}

// area is a named box.
type area struct {
	bounds
	name string
}

// bounds is a box of longitudes and latitudes in degrees. Where west is greater
// than east it crosses the 180th meridian.
type bounds struct{ west, south, east, north float64 }

func (b *bounds) contains(lat, lon float64) bool {
	if lat < b.south || lat > b.north {
		return false
	}
	if b.west <= b.east {
		return lon >= b.west && lon <= b.east
	}
	return lon >= b.west || lon <= b.east
}

// surrounds reports whether each position in o is in b too. Of boxes that cross
// the 180th meridian it says no.
func (b bounds) surrounds(o bounds) bool {
	return b.west <= o.west && o.west <= o.east && o.east <= b.east && b.south <= o.south && o.north <= b.north
}

// areaOfUse returns the area of use; the second result is false where none is
// stated.
func (o *object) areaOfUse() (area, bool) {
	var w, s, e, n C.double
	var name *C.char
	if C.proj_get_area_of_use(o.r.ctx, o.p, &w, &s, &e, &n, &name) == 0 || w == -1000 {
		return area{}, false
	}
	return area{bounds{float64(w), float64(s), float64(e), float64(n)}, C.GoString(name)}, true
}

// step is one step of an operation.
type step struct {
	name string
	// code is the registry code, "EPSG:8970", the same in both directions; empty
	// where there is none.
	code string
	// accuracy in metres; negative where none is stated. Conversions are exact.
	accuracy float64
	// from and to are the names of the systems on either side.
	from, to string
	// conversion is true for a step that changes no frame.
	conversion bool
	// ensemble is true for one that takes WGS 84 without a realisation.
	ensemble bool
}

// path is an operation between two CRSs, ready to be run.
type path struct {
	steps    []step
	pipeline string // in the axis order and units of the two CRSs
	ballpark bool
	areas    []area
	// missing are the grid files that it needs and that are not installed.
	missing []grid.MissingFile
	// runnable is false where PROJ can't run it, for want of a grid file mostly.
	runnable bool
	// grids are the grid files that it reads.
	grids []gridFile
}

// usable reports whether PROJ can run a path.
func (p path) usable() bool { return p.runnable && p.pipeline != "" }

// paths returns the operations from one CRS to another that the registry knows,
// in PROJ's order.
func (r *registry) paths(from, to *object) []path {
	f := C.proj_create_operation_factory_context(r.ctx, nil)
	if f == nil {
		return nil
	}
	defer C.proj_operation_factory_context_destroy(f)
	C.proj_operation_factory_context_set_spatial_criterion(r.ctx, f, C.PROJ_SPATIAL_CRITERION_PARTIAL_INTERSECTION)
	C.proj_operation_factory_context_set_grid_availability_use(r.ctx, f, C.PROJ_GRID_AVAILABILITY_USED_FOR_SORTING)
	C.proj_operation_factory_context_set_allow_ballpark_transformations(r.ctx, f, 1)
	list := C.proj_create_operations(r.ctx, from.p, to.p, f)
	if list == nil {
		return nil
	}
	defer C.proj_list_destroy(list)
	var out []path
	for i := range int(C.proj_list_get_count(list)) {
		if op := r.object(C.proj_list_get(r.ctx, list, C.int(i))); op != nil {
			if p, ok := op.path(); ok {
				out = append(out, p)
			}
		}
	}
	return out
}

// path describes one operation. The second result is false where PROJ has no
// way to write it down as a pipeline.
func (o *object) path() (path, bool) {
	ctx := o.r.ctx
	var p path
	p.ballpark = C.proj_coordoperation_has_ballpark_transformation(ctx, o.p) != 0
	p.runnable = C.proj_coordoperation_is_instantiable(ctx, o.p) != 0
	for i := range int(C.proj_coordoperation_get_grid_used_count(ctx, o.p)) {
		var short, full, pack, url *C.char
		var available C.int
		if C.proj_coordoperation_get_grid_used(ctx, o.p, C.int(i), &short, &full, &pack, &url, nil, nil, &available) == 0 {
			continue
		}
		p.grids = append(p.grids, gridFile{C.GoString(short), C.GoString(full), available != 0})
		if found := C.GoString(full); available == 0 || ownFolder(found) {
			p.missing = append(p.missing, missingFile(C.GoString(short), C.GoString(pack), C.GoString(url)))
			p.runnable, o.r.lacking = false, true
		}
	}
	if a, ok := o.areaOfUse(); ok {
		p.areas = []area{a}
	}
	if C.proj_get_type(o.p) == C.PJ_TYPE_CONCATENATED_OPERATION {
		for i := range int(C.proj_concatoperation_get_step_count(ctx, o.p)) {
			s := o.r.object(C.proj_concatoperation_get_step(ctx, o.p, C.int(i)))
			if s == nil {
				return p, false
			}
			p.steps = append(p.steps, s.step())
		}
	} else {
		p.steps = []step{o.step()}
	}
	p.ballpark = p.ballpark || slices.ContainsFunc(p.steps, step.ballpark)
	text := C.proj_as_proj_string(ctx, o.p, C.PJ_PROJ_5, nil)
	if text == nil {
		// An operation that lacks a grid file is still worth naming.
		return p, !p.runnable && len(p.missing) > 0
	}
	p.pipeline = C.GoString(text)
	return p, true
}

func (o *object) step() step {
	s := step{name: o.name(), code: o.code(), accuracy: float64(C.proj_coordoperation_get_accuracy(o.r.ctx, o.p))}
	// A step taken backwards, or with another file, goes by "INVERSE(EPSG):8970"
	// or "DERIVED_FROM(EPSG):7709".
	s.code = strings.ReplaceAll(s.code[strings.LastIndexByte(s.code, '(')+1:], ")", "")
	if from := o.source(); from != nil {
		s.from = from.name()
	}
	if to := o.target(); to != nil {
		s.to = to.name()
	}
	if C.proj_get_type(o.p) == C.PJ_TYPE_CONVERSION {
		s.conversion, s.accuracy = true, 0
	}
	return s
}

// named returns the CRS of a name, in any case, among those of some types; nil
// where there is none, or more than one. EPSG's own come first.
func (r *registry) named(name string, types ...C.PJ_TYPE) *object {
	for _, authority := range []string{"EPSG", ""} {
		matches := slices.DeleteFunc(r.byName(authority, name, false, types...), func(o *object) bool { return !strings.EqualFold(o.name(), name) })
		if len(matches) == 1 {
			return matches[0]
		}
		if len(matches) > 1 {
			return nil
		}
	}
	return nil
}

// The types of CRS that a definition and that a vertical system may name.
var (
	anyCRS      = []C.PJ_TYPE{C.PJ_TYPE_PROJECTED_CRS, C.PJ_TYPE_COMPOUND_CRS, C.PJ_TYPE_GEOGRAPHIC_2D_CRS, C.PJ_TYPE_VERTICAL_CRS}
	verticalCRS = []C.PJ_TYPE{C.PJ_TYPE_VERTICAL_CRS}
)

// ballpark reports whether a step is none that the registry knows, but PROJ's
// way to go on all the same.
func (s step) ballpark() bool {
	return strings.Contains(strings.ToLower(s.name), "ballpark")
}

// ownFolder says that PROJ found a file where the program was started, the last place
// that it looks in. That may be the folder of a job, and whoever made the job is not
// to choose what positions are shifted by.
func ownFolder(found string) bool {
	return found != "" && !filepath.IsAbs(found) && !strings.Contains(found, "://")
}

// missingFile describes a file that is not installed.
func missingFile(name, pack, url string) grid.MissingFile {
	m := grid.MissingFile{Name: name, Package: pack, URL: url}
	if url == "" && !storePattern.MatchString(name) {
		m.Install = "get it from the agency that publishes it, and put it into a folder that PROJ_DATA names"
	} else {
		m.Install = "get it with \"projsync --file " + name + "\" or set PROJ_NETWORK=ON"
	}
	return m
}

// storePattern is how the files in PROJ's own store are named: country, agency,
// and what they hold.
var storePattern = regexp.MustCompile(`^(?:[a-z]{2}|eur)_[A-Za-z0-9]+_.+\.(?:tif|json)$`)

// similar returns EPSG's geographic CRSs whose name is near to name.
func (r *registry) similar(name string) []*object {
	return r.byName("EPSG", name, true, C.PJ_TYPE_GEOGRAPHIC_2D_CRS)
}

// byName looks objects up by name. Deprecated ones are left out.
func (r *registry) byName(authority, name string, approximate bool, types ...C.PJ_TYPE) []*object {
	cname := C.CString(name)
	defer C.free(unsafe.Pointer(cname))
	var auth *C.char
	if authority != "" {
		auth = C.CString(authority)
		defer C.free(unsafe.Pointer(auth))
	}
	var loose C.int
	if approximate {
		loose = 1
	}
	const most = 50
	list := C.proj_create_from_name(r.ctx, auth, cname, &types[0], C.size_t(len(types)), loose, most, nil)
	if list == nil {
		return nil
	}
	defer C.proj_list_destroy(list)
	var out []*object
	for i := range int(C.proj_list_get_count(list)) {
		o := r.object(C.proj_list_get(r.ctx, list, C.int(i)))
		if o != nil && C.proj_is_deprecated(o.p) == 0 {
			out = append(out, o)
		}
	}
	return out
}
