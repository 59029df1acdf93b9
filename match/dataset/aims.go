package dataset

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// mostOffset is how large an offset in a links file may be, in the grid's unit: what is
// more than this is the coordinate of a place.
const mostOffset = 1000

// aim is what a row of the links file says beyond its point; nil where that is nothing.
func (t *table) aim() *match.Aim {
	const units = "lengths are in the grid's unit, bearings in degrees on the grid"
	a := match.Aim{To: t.get("to_point")}
	e, n := t.figure("offset_e", -mostOffset, mostOffset, units), t.figure("offset_n", -mostOffset, mostOffset, units)
	a.Bearing, a.Distance = t.figure("offset_bearing", -360, 360, units), t.figure("offset_distance", 0, mostOffset, units)
	if (e == nil) != (n == nil) {
		t.ps.add(t.line, 0, "give both, 0 for none", "an offset has a part to the east or to the north alone")
	}
	if b, d := a.Bearing, a.Distance; b != nil && d != nil {
		sin, cos := math.Sincos(*b * math.Pi / 180)
		if e != nil {
			t.ps.add(t.line, 0, "leave one of the two out", "an offset is given by its parts and by a bearing and a distance")
		}
		polar := grid.EN{E: *d * sin, N: *d * cos}
		e, n = &polar.E, &polar.N
	}
	if e != nil && n != nil && (*e != 0 || *n != 0) {
		a.Offset = &match.Vector{E: *e, N: *n}
	}
	if a.To != "" && (a.Offset != nil || a.Bearing != nil || a.Distance != nil) {
		t.ps.add(t.line, t.column("to_point"), "leave one of the two out", "a row has an offset and the other end of a stretch")
	}
	if a == (match.Aim{}) || a.To == t.get("point") && a.To != "" {
		return nil
	}
	return &a
}

// figure is the number of a column in the present row; nil where it is empty. A comma is a
// decimal one.
func (t *table) figure(col string, least, most float64, remedy string) *float64 {
	s := t.get(col)
	if s == "" {
		return nil
	}
	v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	if err != nil || !(v >= least && v <= most) {
		within := ""
		if most < math.MaxFloat64 {
			within = fmt.Sprintf(" from %g to %g", least, most)
		}
		t.ps.add(t.line, t.column(col), remedy, "%s %q is no number%s", col, clip(s), within)
		return nil
	}
	return &v
}

// LinkRow is a row of a links file: a link, and the name that its photo came with.
type LinkRow struct {
	match.Link
	Original string
}

// WriteLinks writes a links file: photo, point and original, and what photos show beside
// their points where a link says so. Errors are those of w.
func WriteLinks(w io.Writer, rows []LinkRow) error {
	columns := 3
	if slices.ContainsFunc(rows, func(r LinkRow) bool { return r.Aim != nil }) {
		columns = len(linkNames)
	}
	out := csv.NewWriter(w)
	if err := out.Write(linkNames[:columns]); err != nil {
		return err
	}
	for _, r := range rows {
		row := []string{r.Photo, r.Point, r.Original, "", "", "", "", ""}
		if a := r.Aim; a != nil {
			row[3] = a.To
			var e, n *float64
			if a.Offset != nil && a.Bearing == nil {
				e, n = &a.Offset.E, &a.Offset.N
			}
			for i, v := range []*float64{e, n, a.Bearing, a.Distance} {
				if v != nil {
					row[4+i] = strconv.FormatFloat(*v, 'f', -1, 64)
				}
			}
		}
		if err := out.Write(row[:columns]); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}
