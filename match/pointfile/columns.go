package pointfile

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"example.com/phototie/grid"
)

// column is what a column, a property or an attribute means.
type column int

const (
	colID column = iota
	colEasting
	colNorthing
	colWesting
	colSouthing
	colLongitude
	colLatitude
	colHeight
	colCode
	colDesc
	colObserved
	colDate
	colSigma
	colSigmaE
	colSigmaN
	colCovEN
	colPhotos
	nColumns
)

var columnNames = [nColumns]string{
	"id", "easting", "northing", "westing", "southing", "longitude", "latitude", "height", "code", "description",
	"observed", "date", "sigma", "sigma_e", "sigma_n", "cov_en", "photos",
}

// skip is the name of a column that is not read.
const skip = "-"

// sayWhich is the remedy where a value comes from two places, one of them name.
func sayWhich(name string, c column) string {
	return fmt.Sprintf("say which one is meant, as in points.fields = { %q = %q }", name, columnNames[c])
}

// isPosition reports whether c is a coordinate in the plane or on the ellipsoid.
func isPosition(c column) bool { return c >= colEasting && c <= colLatitude }

// headings are the headings understood, as Key has them. x and y are left out on
// purpose: which of them is the easting differs from country to country.
var headings = map[string]column{
	"id": colID, "p": colID, "pt": colID, "point": colID, "pointid": colID, "name": colID, "number": colID, "no": colID,
	"e": colEasting, "east": colEasting, "easting": colEasting,
	"n": colNorthing, "north": colNorthing, "northing": colNorthing,
	"w": colWesting, "west": colWesting, "westing": colWesting,
	"south": colSouthing, "southing": colSouthing,
	"lon": colLongitude, "long": colLongitude, "longitude": colLongitude,
	"lat": colLatitude, "latitude": colLatitude,
	"h": colHeight, "z": colHeight, "height": colHeight, "elevation": colHeight, "elev": colHeight, "level": colHeight,
	"c": colCode, "code": colCode, "featurecode": colCode,
	"d": colDesc, "desc": colDesc, "description": colDesc, "note": colDesc, "notes": colDesc,
	"observed": colObserved, "time": colObserved, "datetime": colObserved, "timestamp": colObserved, "date": colDate,
	"sigma": colSigma, "s": colSigma,
	"sigmae": colSigmaE, "se": colSigmaE,
	"sigman": colSigmaN, "sn": colSigmaN,
	"coven":  colCovEN,
	"photos": colPhotos, "photo": colPhotos, "images": colPhotos, "image": colPhotos, "pictures": colPhotos, "picture": colPhotos,
}

// Headings returns the headings that are understood, as [Key] gives them, each
// with the name of the column that it means: for the header of delimited text, the
// properties of GeoJSON, the extensions of GPX and the attributes of GeoPackage.
func Headings() map[string]string {
	out := make(map[string]string, len(headings))
	for h, c := range headings {
		out[h] = columnNames[c]
	}
	return out
}

var keyReplacer = strings.NewReplacer(" ", "", "_", "", ".", "")

// Key normalises a heading: lower case, without blanks, underscores and dots.
func Key(heading string) string {
	return keyReplacer.Replace(strings.ToLower(strings.TrimSpace(heading)))
}

// fieldMap tells what the headings of one file mean.
type fieldMap struct {
	own   map[string]column // by exact name and by key; -1 to pass over
	taken [nColumns]bool    // columns that the user's own names claim
}

// newFieldMap checks the user's own names for columns.
func newFieldMap(fields map[string]string) (fieldMap, error) {
	m := fieldMap{own: map[string]column{}}
	for _, name := range slices.Sorted(maps.Keys(fields)) {
		to := fields[name]
		if to == skip {
			m.own[name], m.own[Key(name)] = -1, -1
			continue
		}
		c, ok := headings[Key(to)]
		if !ok {
			return m, fmt.Errorf("points.fields: %q can't mean %q; the columns there are: %s, or %q to pass it over", name, to, strings.Join(columnNames[:], ", "), skip)
		}
		if m.taken[c] {
			return m, fmt.Errorf("points.fields: more than one name means %s", columnNames[c])
		}
		m.taken[c] = true
		m.own[name], m.own[Key(name)] = c, c
	}
	return m, nil
}

// look tells what a heading means.
func (m *fieldMap) look(heading string) (column, bool) {
	key := Key(heading)
	for _, name := range [2]string{heading, key} {
		if c, ok := m.own[name]; ok {
			return c, c >= 0
		}
	}
	c, ok := headings[key]
	return c, ok && !m.taken[c]
}

// attribute tells what an attribute beside a geometry means, -1 for nothing: the
// position is the geometry's.
func (m *fieldMap) attribute(name string) column {
	c, ok := m.look(name)
	if !ok || isPosition(c) {
		return -1
	}
	return c
}

// errNumber says that a text is not a number.
var errNumber = errors.New("not a number")

// ParseNumber reads a decimal number as surveys write them: digits with an
// optional sign, fraction and exponent, no thousands separators, no infinities
// and no NaN. decimal is the decimal sign, "." or ","; empty means ".".
func ParseNumber(text, decimal string) (float64, error) {
	if decimal == "," {
		if strings.Contains(text, ".") {
			return 0, errNumber
		}
		text = strings.Replace(text, ",", ".", 1)
	}
	if strings.Trim(text, "0123456789+-.eE") != "" { // what only Go writes: 0x1p3, Inf
		return 0, errNumber
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, errNumber
	}
	return v, nil
}

// splitPhotos reads a field that lists the names of photos: a JSON array of
// texts, or names between semicolons or, where there is no semicolon, commas.
// Blanks around a name and empty names are dropped.
func splitPhotos(text string) ([]string, error) {
	text = strings.TrimSpace(text)
	var names []string
	if strings.HasPrefix(text, "[") && strings.HasSuffix(text, "]") {
		var list []*string
		if err := json.Unmarshal([]byte(text), &list); err == nil {
			for _, s := range list {
				if s != nil {
					names = append(names, *s)
				}
			}
			return tidy(names), nil
		}
		if strings.HasPrefix(text, `["`) || strings.HasPrefix(text, `[ "`) {
			return nil, errors.New("a list that is not a JSON array of names")
		}
	}
	sep := ","
	if strings.Contains(text, ";") {
		sep = ";"
	}
	return tidy(strings.Split(text, sep)), nil
}

// tidy trims names, and takes out empty ones.
func tidy(names []string) []string {
	for i := range names {
		names[i] = strings.TrimSpace(names[i])
	}
	return slices.DeleteFunc(names, func(n string) bool { return n == "" })
}

// cells are the texts of one point, by column.
type cells [nColumns]string

// row is one point being read.
type row struct {
	*Reader
	rec      Record
	item     string
	at       func(column) int // the byte column of a cell; may be nil
	problems rowError
}

func (r *row) add(c column, remedy, format string, args ...any) {
	p := &Problem{File: r.header.File, Line: r.rec.Line, Item: r.item, What: fmt.Sprintf(format, args...), Remedy: remedy}
	if r.at != nil && c >= 0 {
		p.Column = r.at(c)
	}
	r.problems = append(r.problems, p)
}

// num reads a number.
func (r *row) num(c column, text string) float64 {
	v, err := ParseNumber(text, r.decimal)
	if err != nil {
		remedy := "write digits with a decimal point, without thousands separators"
		switch {
		case text == "":
			remedy = "fill it in, or take the point out"
		case r.decimal == ",":
			remedy = `write digits with a decimal comma, as points.decimal = "," says`
		case r.header.Format == Delimited && strings.Contains(text, ","):
			remedy = `if that is a decimal comma, set points.decimal = ","`
		}
		r.add(c, remedy, "%s %q is not a number", columnNames[c], clip(text))
	}
	return v
}

// height reads a height; nil for an empty text.
func (r *row) height(text string) *float64 {
	if text = strings.TrimSpace(text); text == "" {
		return nil
	}
	h := r.num(colHeight, text)
	return &h
}

// text checks a text and trims it.
func (r *row) text(c column, s string) string {
	s = strings.TrimSpace(s)
	if !utf8.ValidString(s) || strings.ContainsRune(s, utf8.RuneError) {
		r.add(c, "save the file as UTF-8", "%s %q is not UTF-8 text", columnNames[c], clip(strings.ToValidUTF8(s, "\uFFFD")))
	}
	return s
}

// share returns a copy of a text, the same for points that have the same text.
func (r *Reader) share(s string) string {
	if s == "" {
		return ""
	}
	same, ok := r.texts[s]
	if !ok {
		same = strings.Clone(s)
		if len(r.texts) < mostNames && len(s) < 1<<10 {
			r.texts[same] = same
		}
	}
	return same
}

// fill takes everything but the position from the cells.
func (r *row) fill(v *cells) {
	r.rec.ID = r.text(colID, v[colID])
	if r.at != nil {
		r.rec.Column = r.at(colID)
	}
	if r.rec.ID == "" {
		r.add(colID, "give the point an id", "the point has no id")
	} else if strings.ContainsFunc(r.rec.ID, unicode.IsControl) {
		r.add(colID, "give the point an id on one line", "the id %q holds control characters", clip(r.rec.ID))
	}
	// A field is a part of its row's text: kept as it is, it would hold the row.
	r.rec.ID = strings.Clone(r.rec.ID)
	r.rec.Code = r.share(r.text(colCode, v[colCode]))
	r.rec.Desc = r.share(r.text(colDesc, v[colDesc]))
	if text := strings.TrimSpace(v[colDate] + " " + v[colObserved]); text != "" {
		r.observed(text)
	}
	r.covariance(v)
	if text := r.text(colPhotos, v[colPhotos]); text != "" {
		names, err := splitPhotos(text)
		if err != nil {
			r.add(colPhotos, `separate the names by ";", or write ["a.jpg", "b.jpg"]`, "photos %q can't be read: %v", clip(text), err)
		}
		r.rec.Photos = append(r.rec.Photos, names...)
	}
}

// covariance reads what a row says of the point's accuracy: sigma for both axes,
// or sigma_e and sigma_n with an optional cov_en.
func (r *row) covariance(v *cells) {
	for c := colSigma; c <= colCovEN; c++ {
		v[c] = strings.TrimSpace(v[c])
	}
	sigma := func(c column) float64 {
		s := r.num(c, v[c])
		if s < 0 {
			r.add(c, "a standard deviation is 0 or more", "%s is negative", columnNames[c])
		}
		return s
	}
	before := len(r.problems)
	var cov [3]float64
	switch {
	case v[colSigmaE] != "" || v[colSigmaN] != "":
		e, n := sigma(colSigmaE), sigma(colSigmaN)
		cov = [3]float64{e * e, 0, n * n}
		if v[colCovEN] != "" {
			cov[1] = r.num(colCovEN, v[colCovEN])
		}
	case v[colSigma] != "":
		s := sigma(colSigma)
		cov = [3]float64{s * s, 0, s * s}
	case v[colCovEN] != "":
		r.add(colCovEN, "give sigma_e and sigma_n too", "cov_en stands without sigma_e and sigma_n")
	default:
		return
	}
	if len(r.problems) > before {
		return
	}
	if !(cov[1]*cov[1] <= cov[0]*cov[2]*(1+1e-12)) {
		r.add(colCovEN, "|cov_en| can't exceed sigma_e x sigma_n", "the covariance is not one of real measurements")
		return
	}
	if math.IsInf(cov[0], 0) || math.IsInf(cov[2], 0) {
		r.add(colSigma, "give it in the unit of the coordinates", "the standard deviation is too large to be one")
		return
	}
	r.rec.Cov = &cov
}

// position sets the position and checks it.
func (r *row) position(x, y float64, z *float64) {
	r.rec.X, r.rec.Y, r.rec.Z = x, y, z
	if !grid.Finite(x, y) || z != nil && !grid.Finite(*z) {
		r.add(-1, "give real coordinates, or take the point out", "the coordinates are not finite numbers")
		return
	}
	onEarth := func(lat, lon float64) bool { return grid.LatLon{Lat: lat, Lon: lon}.Valid() }
	if r.header.Axes == Geographic && !onEarth(y, x) {
		remedy := "if these are not degrees, say which system they are in (points.crs)"
		if onEarth(x, y) {
			remedy = "longitude comes first and latitude second; swap the two"
		}
		r.add(-1, remedy, "longitude %v and latitude %v are no place on Earth", x, y)
	}
}

// done hands out the record, or what is wrong with it.
func (r *row) done() (Record, error) {
	if len(r.problems) > 0 {
		return Record{ID: r.rec.ID, Line: r.rec.Line, Column: r.rec.Column, Where: r.rec.Where}, r.problems
	}
	return r.rec, nil
}
