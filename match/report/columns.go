package report

import (
	"math"
	"strconv"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/pictures"
)

// photoColumns are the columns of a photo in the formats that are tables, with
// their types in a GeoPackage (empty for what its geometry says), and the decimals
// of figures that are numbers and of those that are texts.
var photoColumns = []struct {
	name, sql        string
	decimals, asText int
}{
	{"photo", "TEXT NOT NULL", 0, 0}, {"point", "TEXT", 0, 0}, {"verdict", "TEXT NOT NULL", 0, 0}, {"reason", "TEXT", 0, 0}, {"why", "TEXT", 0, 0}, {"unit", "TEXT", 0, 0},
	{"distance", "REAL", 4, 3}, {"bearing", "REAL", 4, 4}, {"d_e", "REAL", 4, 3}, {"d_n", "REAL", 4, 3}, {"allowed", "REAL", 4, 3},
	{"p", "REAL", exactly, exactly}, {"p_adjusted", "REAL", exactly, exactly}, {"tag_e", "", 4, 3}, {"tag_n", "", 4, 3}, {"tag_lat", "REAL", 9, 9}, {"tag_lon", "REAL", 9, 9},
	{"tag_datum", "TEXT", 0, 0}, {"nearest", "TEXT", 0, 0}, {"nearest_distance", "REAL", 4, 3}, {"link_line", "INTEGER", 0, 0}, {"findings", "TEXT", 0, 0},
	{"width_px", "INTEGER", 0, 0}, {"height_px", "INTEGER", 0, 0}, {"jpeg_quality", "INTEGER", 0, 0}, {"blur_px", "REAL", 2, 2}, {"clipped", "REAL", 4, 4},
	{"shows", "TEXT", 0, 0},
}

// exactly is for figures that are not rounded.
const exactly = -1

// values are texts (string), whole numbers (int) and figures (float64) by the names
// of columns. What there is not is left out: empty texts, counts of 0, and figures
// that are no numbers.
type values map[string]any

func (v values) text(name, s string) {
	if s != "" {
		v[name] = s
	}
}

func (v values) whole(name string, n int) {
	if n != 0 {
		v[name] = n
	}
}

func (v values) figure(name string, x float64) {
	if !math.IsNaN(x) && !math.IsInf(x, 0) {
		v[name] = x
	}
}

func (v values) optional(name string, x *float64) {
	if x != nil {
		v.figure(name, *x)
	}
}

// photoValues has what there is to say of a photo. Lengths are in the grid's unit u,
// which the column unit names, bearings and positions in degrees. findings are the
// codes of what was found. What was measured of the pixels comes last: the quality
// is there where the tables tell it, and clipped is the share, 0 to 1, that is plain
// black or white. shows says in words what a photo shows beside its point.
func photoValues(u grid.Unit, p *match.PhotoResult, codes []string) values {
	v := values{}
	v.text("photo", p.Name)
	v.text("verdict", string(p.Verdict))
	v.text("reason", string(p.Reason))
	v.text("why", p.Why)
	v.text("unit", u.Symbol)
	v.text("findings", strings.Join(codes, " "))
	if t := p.Tie; t != nil {
		v.text("point", t.Point)
		v.whole("link_line", t.Line)
		v.text("shows", t.In(u))
	}
	if d := p.Discrepancy; d != nil {
		v.figure("distance", d.Distance)
		v.figure("bearing", d.Bearing.Degrees()) // NaN where there is none
		v.figure("d_e", d.DE)
		v.figure("d_n", d.DN)
	}
	if a := p.Allowance; a != nil {
		v.figure("allowed", a.Threshold/u.Metres)
	}
	v.optional("p", p.P)
	v.optional("p_adjusted", p.PAdjusted)
	if at := p.OnGrid; at != nil {
		v.figure("tag_e", at.E)
		v.figure("tag_n", at.N)
	}
	if t := p.Tag; t != nil {
		v.text("tag_datum", t.MapDatum)
		if at := t.Position; at != nil {
			v.figure("tag_lat", at.Lat)
			v.figure("tag_lon", at.Lon)
		}
	}
	if n := p.Nearest; n != nil {
		v.text("nearest", n.Point)
		v.figure("nearest_distance", n.Distance)
	}
	v.measured(p)
	return v
}

// measured adds what was measured of a photo's pixels.
func (v values) measured(p *match.PhotoResult) {
	m := pictures.Of(&p.Photo)
	if m == nil {
		return
	}
	v.whole("width_px", m.Width)
	v.whole("height_px", m.Height)
	if m.Quality != nil && m.Quality.Exact() {
		v.whole("jpeg_quality", m.Quality.Low)
	}
	v.optional("blur_px", m.Blur)
	if e := m.Exposure; e != nil {
		v.figure("clipped", e.Black+e.White)
	}
}

// photoTexts are the same as texts.
func photoTexts(u grid.Unit, p *match.PhotoResult, codes []string) map[string]string {
	out := map[string]string{"original": p.Original}
	values := photoValues(u, p, codes)
	for _, c := range photoColumns {
		switch v := values[c.name].(type) {
		case string:
			out[c.name] = v
		case int:
			out[c.name] = strconv.Itoa(v)
		case float64:
			out[c.name] = strconv.FormatFloat(v, 'g', 6, 64)
			if c.asText != exactly {
				out[c.name] = fixed(v, c.asText)
			}
		}
	}
	return out
}

// rounded rounds a figure to the decimals of its column.
func rounded(v float64, decimals int) float64 {
	if decimals == exactly {
		return v
	}
	f := math.Pow10(decimals)
	return math.Round(v*f) / f
}

func fixed(v float64, decimals int) string { return strconv.FormatFloat(v, 'f', decimals, 64) }

// safeOrNil is a value for a database: texts made safe, as SQLite would end one at
// a zero byte.
func safeOrNil(v any) any {
	switch v := v.(type) {
	case string:
		return words.Safe(v)
	case int:
		return int64(v)
	}
	return v
}
