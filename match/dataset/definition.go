package dataset

import (
	"fmt"
	"regexp"
	"strings"
)

// fileParameter finds what names a file in a definition: the parameters of PROJ
// strings, in a WKT's extension too, and the parameter files of WKT.
var fileParameter = regexp.MustCompile(`(?i)\b(nadgrids|geoidgrids|grids|xy_grids|z_grids|init|file|catalog|model|tinshift_file)\s*=\s*([^\s"]+)|\b(PARAMETERFILE|GEOIDMODEL)\s*[\[(]\s*"[^"]*"\s*,\s*"([^"]*)"`)

// resource is the name of a file among PROJ's own.
var resource = regexp.MustCompile(`^@?[A-Za-z0-9_][A-Za-z0-9_.\-]*$`)

// ownResources refuses a definition that comes with a dataset and names a file by a
// path or an address, or takes one in: whoever made the dataset must not choose what
// is opened on this machine, or fetched from another.
func ownResources(definition string) error {
	for _, m := range fileParameter.FindAllStringSubmatch(definition, -1) {
		parameter, value := m[1]+m[3], m[2]+m[4]
		if strings.EqualFold(parameter, "init") {
			return fmt.Errorf("the definition takes in the file %s (init=), which a dataset may not; name the system by its EPSG code", clip(value))
		}
		for _, name := range strings.Split(value, ",") {
			if name != "null" && name != "@null" && !resource.MatchString(name) {
				return fmt.Errorf("the definition names the file %s (%s); a dataset may only name files of PROJ's own folders, without a path", clip(name), parameter)
			}
		}
	}
	return nil
}

// checkDefinitions refuses definitions in the settings that name files elsewhere.
func (s *Settings) checkDefinitions(ps *problems) {
	check := func(key, definition string) {
		if err := ownResources(definition); err != nil {
			ps.add(0, 0, "", "%s: %v", key, err)
		}
	}
	check("grid.crs", s.Grid.CRS)
	check("points.crs", s.Points.CRS)
	check("frame.datum", s.Frame.Datum)
	check("heights.vertical_crs", s.Heights.VerticalCRS)
	check("heights.frame", s.Heights.Frame)
	check("heights.tag_sea_level", s.Heights.TagSeaLevel)
	for name, definition := range s.Frame.Datums {
		check("frame.datums."+bareKey(name), definition)
	}
}
