package crs

// #include <stdlib.h>
// #include <proj.h>
import "C"

import (
	"context"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unsafe"

	"example.com/phototie/grid"
)

// Alternatives lists the systems that coordinates may be meant in where they are
// not in this one, for a place in degrees (where the tags are): the same plane in
// another unit, the zones beside, the same plane on other frames. They are those
// of the EPSG registry that are in use there. Where the grid counts in feet, the
// other foot and the metre are always among them, with an empty Definition where
// the registry has no such system; where it does not, feet are only if the
// registry has the same plane in feet.
//
// Systems are told by their names, "frame / plane (unit)". A system without a
// name of that form has alternatives of unit alone.
func (c *CRS) Alternatives(ctx context.Context, near grid.LatLon) ([]grid.Alternative, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if !near.Valid() {
		return nil, fmt.Errorf("alternatives to %s near latitude %v, longitude %v: %w", c.grid.Name, near.Lat, near.Lon, grid.ErrOutside)
	}
	r := openRegistry(c.options.Folders...)
	defer r.close()
	own := nameParts(c.grid.Name)
	var out []grid.Alternative
	for _, x := range r.projected(c.search(near)) {
		kind, ok := own.differs(nameParts(x.name))
		if !ok || x.code == c.grid.Code {
			continue
		}
		if kind == grid.AlternativeZone { // which lies beside, not north or south of the place
			if near.Lat < x.area.south-far || near.Lat > x.area.north+far {
				continue
			}
		} else if !x.area.contains(near.Lat, near.Lon) {
			continue
		}
		if a := (grid.Alternative{Kind: kind, Definition: x.code, Name: x.name}); r.measure(&a) && (kind == grid.AlternativeUnit) == (a.Unit != c.grid.Unit) {
			out = append(out, a)
		}
	}
	return append(out, c.units(out)...), nil
}

// units are the units that a grid in feet may be taken in besides those listed.
func (c *CRS) units(listed []grid.Alternative) []grid.Alternative {
	if c.grid.Unit != grid.Foot && c.grid.Unit != grid.USSurveyFoot {
		return nil
	}
	known := grid.PlausibleUnits(c.grid.Unit, listed)
	var out []grid.Alternative
	for _, u := range []grid.Unit{grid.Foot, grid.USSurveyFoot, grid.Metre} {
		if !slices.Contains(known, u) {
			out = append(out, grid.Alternative{Kind: grid.AlternativeUnit, Name: c.grid.Name, Unit: u})
		}
	}
	return out
}

// beside is how far apart areas that adjoin may be, and far how far north or south
// of the place a zone beside may be in use, in degrees.
const beside, far = 0.1, 3

// search is the box that is looked in: the place, and the area of use with what
// lies beside it.
func (c *CRS) search(near grid.LatLon) bounds {
	b := bounds{near.Lon, near.Lat, near.Lon, near.Lat}
	if c.used {
		u := c.use.bounds
		if u.west > u.east { // across the 180th meridian
			u.west, u.east = -180, 180
		}
		b = bounds{min(b.west, u.west-beside), min(b.south, u.south), max(b.east, u.east+beside), max(b.north, u.north)}
	}
	return b
}

// listed is a projected system of the registry's list.
type listed struct {
	code, name string
	area       area
}

// projected lists EPSG's projected systems whose area of use meets a box.
func (r *registry) projected(in bounds) []listed {
	authority := C.CString("EPSG")
	defer C.free(unsafe.Pointer(authority))
	p := C.proj_get_crs_list_parameters_create()
	defer C.proj_get_crs_list_parameters_destroy(p)
	types := (*C.PJ_TYPE)(C.malloc(C.sizeof_PJ_TYPE)) // C may not point to Go's memory
	defer C.free(unsafe.Pointer(types))
	*types = C.PJ_TYPE_PROJECTED_CRS
	p.types, p.typesCount = types, 1
	p.bbox_valid, p.crs_area_of_use_contains_bbox = 1, 0
	p.west_lon_degree, p.south_lat_degree = C.double(in.west), C.double(in.south)
	p.east_lon_degree, p.north_lat_degree = C.double(in.east), C.double(in.north)
	var n C.int
	list := C.proj_get_crs_info_list_from_database(r.ctx, authority, p, &n)
	if list == nil {
		return nil
	}
	defer C.proj_crs_info_list_destroy(list)
	var out []listed
	for _, x := range unsafe.Slice(list, int(n)) {
		out = append(out, listed{
			code: C.GoString(x.auth_name) + ":" + C.GoString(x.code), name: C.GoString(x.name),
			area: area{bounds{float64(x.west_lon_degree), float64(x.south_lat_degree), float64(x.east_lon_degree), float64(x.north_lat_degree)}, C.GoString(x.area_name)},
		})
	}
	return out
}

// measure finds the unit and the frame of an alternative.
func (r *registry) measure(a *grid.Alternative) bool {
	o := r.create(a.Definition)
	if o == nil {
		return false
	}
	axes, err := o.axes()
	if err != nil {
		return false
	}
	if _, a.Unit, err = readPlaneAxes(axes); err != nil {
		return false
	}
	if base := o.base(); base != nil {
		a.Frame = base.name()
	}
	return true
}

// parts are those of a name such as "NAD83(2011) / California zone 3 (ftUS)".
type parts struct {
	frame, plane, unit string
	// family is the plane without what tells its zones apart.
	family string
}

var (
	unitSuffix = regexp.MustCompile(` \((?:ft|ftUS|m|metres|US feet|feet)\)$`)
	zoneWords  = regexp.MustCompile(`(?i)\b(?:CM )?\d+(?:\.\d+)?(?:st|nd|rd|th)?[NSEW]?\b|\b(?:north|south|east|west|central|northern|southern|eastern|western|[IVX]+)\b`)
)

func nameParts(name string) parts {
	frame, plane, ok := strings.Cut(name, " / ")
	if !ok {
		return parts{frame: name}
	}
	p := parts{frame: frame, unit: unitSuffix.FindString(plane)}
	p.plane = strings.TrimSuffix(plane, p.unit)
	p.family = strings.Join(strings.Fields(zoneWords.ReplaceAllString(p.plane, " ")), " ")
	return p
}

// differs says in what one thing another system is different, if it is one.
func (p parts) differs(o parts) (grid.AlternativeKind, bool) {
	switch {
	case p.plane == "" || o.plane == "":
	case p.plane == o.plane && p.frame == o.frame:
		return grid.AlternativeUnit, p.unit != o.unit
	case p.plane == o.plane:
		return grid.AlternativeFrame, p.unit == o.unit
	case p.frame == o.frame && p.family == o.family && p.family != "":
		return grid.AlternativeZone, p.unit == o.unit
	}
	return "", false
}

var _ grid.AlternativeLister = (*CRS)(nil)
