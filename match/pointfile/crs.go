package pointfile

import "strings"

// crsName turns the name of a system into the form that projection engines
// take: "EPSG:2157" for "urn:ogc:def:crs:EPSG::2157" or
// "http://www.opengis.net/def/crs/EPSG/0/2157". Sources: OGC 09-048r5 (Name type
// specification for definitions), RFC 5165. What it does not know it leaves.
func crsName(name string) string {
	name = strings.TrimSpace(name)
	low := strings.ToLower(name)
	var parts []string
	switch {
	case strings.HasPrefix(low, "urn:ogc:def:crs:"):
		parts = strings.Split(name[len("urn:ogc:def:crs:"):], ":")
	case strings.HasPrefix(low, "urn:x-ogc:def:crs:"):
		parts = strings.Split(name[len("urn:x-ogc:def:crs:"):], ":")
	case strings.HasPrefix(low, "http://www.opengis.net/def/crs/"):
		parts = strings.Split(name[len("http://www.opengis.net/def/crs/"):], "/")
	case strings.HasPrefix(low, "https://www.opengis.net/def/crs/"):
		parts = strings.Split(name[len("https://www.opengis.net/def/crs/"):], "/")
	default:
		return name
	}
	// authority, version (which may be empty), code
	if len(parts) == 3 && parts[0] != "" && parts[2] != "" {
		return strings.ToUpper(parts[0]) + ":" + parts[2]
	}
	return name
}

// axesOf tells what the coordinates of a system are, where its name or its WKT
// (OGC 12-063r5, ISO 19162) says so by itself.
func axesOf(crs string) Axes {
	switch strings.ToUpper(crs) {
	case "OGC:CRS84", "OGC:CRS84H", "EPSG:4326", "EPSG:4979":
		return Geographic
	}
	up := strings.ToUpper(crs)
	for range 3 { // a compound or a bound system holds another
		i := strings.IndexAny(up, "[(")
		if i < 0 {
			return Unstated
		}
		switch strings.TrimSpace(up[:i]) {
		case "PROJCS", "PROJCRS", "PROJECTEDCRS", "DERIVEDPROJCRS", "LOCAL_CS", "ENGCRS", "ENGINEERINGCRS":
			return Plane
		case "GEOGCS", "GEOGCRS", "GEOGRAPHICCRS":
			return Geographic
		case "COMPD_CS", "COMPOUNDCRS", "BOUNDCRS", "SOURCECRS":
			next := -1
			for _, w := range []string{"PROJCS", "PROJCRS", "PROJECTEDCRS", "DERIVEDPROJCRS", "LOCAL_CS", "ENGCRS", "ENGINEERINGCRS", "GEOGCS", "GEOGCRS", "GEOGRAPHICCRS"} {
				for _, b := range []string{"[", "("} {
					if j := strings.Index(up[i:], w+b); j >= 0 && (next < 0 || j < next) {
						next = j
					}
				}
			}
			if next < 0 {
				return Unstated
			}
			up = up[i+next:]
		default:
			return Unstated
		}
	}
	return Unstated
}
