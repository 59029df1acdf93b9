package pointfile

import (
	"regexp"
	"strings"
)

// crsURI are the forms of a name of OGC 09-048r5 (Name type specification for
// definitions) and RFC 5165: authority, version, which may be empty, and code.
var crsURI = regexp.MustCompile(`(?i)^(?:urn:(?:x-)?ogc:def:crs:([^:]+):[^:]*:([^:]+)|https?://www\.opengis\.net/def/crs/([^/]+)/[^/]*/([^/]+))$`)

// crsName turns the name of a system into the form that projection engines
// take: "EPSG:2157" for "urn:ogc:def:crs:EPSG::2157" or
// "http://www.opengis.net/def/crs/EPSG/0/2157". It leaves what it does not know.
func crsName(name string) string {
	name = strings.TrimSpace(name)
	if m := crsURI.FindStringSubmatch(name); m != nil {
		return strings.ToUpper(m[1]+m[3]) + ":" + m[2] + m[4]
	}
	return name
}

// wktKind finds the keyword of a projected, engineering or geographic system in
// its WKT (OGC 12-063r5, ISO 19162), or of the first one in a compound or a bound
// system.
var wktKind = regexp.MustCompile(`(?is)^(?:(?:COMPD_CS|COMPOUNDCRS|BOUNDCRS|SOURCECRS)\s*[\[(].*?\b)?(PROJCS|PROJCRS|PROJECTEDCRS|DERIVEDPROJCRS|LOCAL_CS|ENGCRS|ENGINEERINGCRS|GEOGCS|GEOGCRS|GEOGRAPHICCRS)\s*[\[(]`)

// axesOf tells what the coordinates of a system are, where its name or its WKT
// says so by itself.
func axesOf(crs string) Axes {
	switch strings.ToUpper(crs) {
	case "OGC:CRS84", "OGC:CRS84H", "EPSG:4326", "EPSG:4979":
		return Geographic
	}
	m := wktKind.FindStringSubmatch(crs)
	switch {
	case m == nil:
		return Unstated
	case strings.HasPrefix(strings.ToUpper(m[1]), "GEOG"):
		return Geographic
	}
	return Plane
}
