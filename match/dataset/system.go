package dataset

import (
	"fmt"
	"math"
	"regexp"
	"strings"

	"example.com/phototie/grid"
)

// agreement says what a system that a file names is to the job's grid.
type agreement int

const (
	isUnknown agreement = iota // it can't be told
	isGrid
	isBase  // the base of the job's site system
	isOther // a plane system that is another
)

// systems holds systems that files name against the job's grid.
type systems struct {
	grid string          // as the settings name it
	proj grid.Projection // the job's grid; of a site system its base
	site bool            // the job's own grid is a site system
	open func(definition string) (grid.Projection, error)
}

// same tells what a system named by a file is, and adds a detail for a message.
// at is a position in it.
func (s systems) same(crs string, at grid.EN) (agreement, string) {
	equal := isGrid
	if s.site {
		equal = isBase
	}
	own := s.proj.Grid()
	if strings.EqualFold(strings.TrimSpace(crs), strings.TrimSpace(s.grid)) {
		return equal, ""
	}
	code := codeOf(crs)
	if code != "" && own.Code != "" && strings.EqualFold(code, own.Code) {
		return equal, ""
	}
	other, err := s.open(crs)
	if err != nil {
		return isUnknown, fmt.Sprintf(" (%v)", err)
	}
	g := other.Grid()
	detail := ""
	if !strings.Contains(crs, g.Name) {
		detail = " (" + g.Name + ")"
	}
	switch {
	case g.Code != "" && own.Code != "":
		if g.Code == own.Code {
			return equal, ""
		}
		return isOther, detail
	case g.Frame != own.Frame || math.Abs(g.Unit.Metres-own.Unit.Metres) > 1e-12:
		return isOther, detail
	}
	a, ok1 := s.proj.(grid.Geodesist)
	b, ok2 := other.(grid.Geodesist)
	if !ok1 || !ok2 {
		return isUnknown, ""
	}
	// The same frame and the same unit; is it the same map projection?
	pa, err1 := a.Geographic(at)
	pb, err2 := b.Geographic(at)
	if err1 == nil && err2 == nil && math.Abs(pa.Lat-pb.Lat) < 1e-9 && math.Abs(pa.Lon-pb.Lon) < 1e-9 {
		return equal, ""
	}
	return isOther, detail
}

var (
	plainCode = regexp.MustCompile(`^[A-Za-z]+:[0-9A-Za-z]+$`)
	// wktCode is the identifier of the outermost object of a WKT, at its end.
	wktCode = regexp.MustCompile(`(?:ID|AUTHORITY)\s*[\[(]\s*"([A-Za-z]+)"\s*,\s*"?([0-9]+)"?\s*[\])]\s*[\])]\s*$`)
)

// codeOf is the authority's code of a system, "" where its text has none.
func codeOf(crs string) string {
	crs = strings.TrimSpace(crs)
	if plainCode.MatchString(crs) {
		return strings.ToUpper(crs)
	}
	if m := wktCode.FindStringSubmatch(crs); m != nil {
		return strings.ToUpper(m[1]) + ":" + m[2]
	}
	return ""
}

// datumOf names the frame of a geographic system in the way that a projection
// takes map datums.
func datumOf(crs string) string {
	code := codeOf(crs)
	switch code {
	case "OGC:CRS84", "OGC:CRS84H", "EPSG:4326", "EPSG:4979":
		return "WGS-84"
	case "":
		return nameOf(crs)
	}
	return code
}

// nameOf is the name in a WKT; another text it leaves.
func nameOf(crs string) string {
	if i := strings.IndexAny(crs, "[("); i >= 0 {
		name, _, _ := strings.Cut(crs[i+1:], ",")
		return strings.Trim(name, `" `)
	}
	return crs
}

// short names a system in a message.
func short(crs string) string {
	if name := nameOf(crs); name != crs {
		if code := codeOf(crs); code != "" {
			return code + " (" + clip(name) + ")"
		}
		return clip(name)
	}
	return clip(crs)
}

// describe names a grid in a message.
func describe(g grid.Grid) string {
	if g.Code == "" {
		return g.Name
	}
	return g.Code + " (" + g.Name + ")"
}
