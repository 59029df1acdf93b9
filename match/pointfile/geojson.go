package pointfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"slices"
	"strconv"
	"strings"

	"example.com/phototie/grid"
)

// recordSeparator stands before each text of a sequence (RFC 8142, RFC 7464).
const recordSeparator = 0x1E

// feature is a Feature object of RFC 7946, section 3.2. What may hold many values
// is kept as text until it is wanted: values take many times the memory.
type feature struct {
	Type     string          `json:"type"`
	ID       json.RawMessage `json:"id"`
	Geometry *geometry       `json:"geometry"`
	// Properties is an object or null.
	Properties map[string]json.RawMessage `json:"properties"`
}

// geometry is a Geometry object of RFC 7946, section 3.1.
type geometry struct {
	Type        string          `json:"type"`
	Coordinates json.RawMessage `json:"coordinates"`
}

// mostPosition is how many bytes the coordinates of a point may take, and the
// properties that are wanted each maxRow.
const mostPosition = 64 << 10

// isNull reports whether a value is missing or null.
func isNull(value json.RawMessage) bool { return len(value) == 0 || string(value) == "null" }

// geoJSON reads the points of GeoJSON.
type geoJSON struct {
	r          *Reader
	in         *input
	dec        *json.Decoder
	rows       *rowReader
	fields     fieldMap
	look       map[string]column // properties met, no more than mostNames; -1 for those passed over
	collection bool
	inside     bool // within the features of a collection
	crs        string
	n          int
	// heights says where heights come from, once a point with one has been met.
	heights heightSource
	// ahead is what Open has read already.
	ahead *readAhead
}

type readAhead struct {
	f    *feature
	line int
	err  error
}

type heightSource int

const (
	heightUnknown heightSource = iota
	heightFromPosition
	heightFromProperty
)

func (r *Reader) openGeoJSON(fsys fs.FS, in *input, opt Options) error {
	in.skipBOM()
	g := &geoJSON{r: r, in: in, rows: r.rows(opt), look: map[string]column{}}
	var err error
	if g.fields, err = newFieldMap(opt.Fields); err != nil {
		return err
	}
	r.src = g
	kind, err := g.classify(fsys)
	if err != nil {
		return err
	}
	r.header.Format = GeoJSON
	g.collection = kind.collection
	if kind.sequence {
		r.header.Format = GeoJSONSeq
		g.dec = json.NewDecoder(&unmark{in: in})
	} else {
		g.dec = json.NewDecoder(in)
	}
	g.dec.UseNumber()
	g.crs = kind.crs
	if kind.crs != "" && kind.crs != unknownCRS {
		r.setCRS(crsName(kind.crs), opt)
	} else if kind.crs == unknownCRS {
		if opt.CRS == "" {
			return &Problem{File: r.header.File, What: "the file's crs member does not say which system the coordinates are in", Remedy: `say which (points.crs = "EPSG:2157", for instance)`}
		}
		r.setCRS("", opt)
	} else if opt.CRS != "" {
		// RFC 7946, section 4, has WGS 84 where nothing is said; the settings say.
		r.setCRS("", opt)
	} else {
		r.setCRS("OGC:CRS84", opt)
		r.header.HeightUnit, r.header.EllipsoidalHeight = &grid.Metre, true
	}
	if g.collection {
		if err := g.enter(); err != nil {
			return err
		}
	}
	// The first feature tells which properties there are, for the header.
	f, line, err := g.read()
	var bad rowError
	if err != nil && !errors.Is(err, io.EOF) && !errors.As(err, &bad) {
		return err
	}
	if err == nil {
		if err := g.columns(f); err != nil {
			return err
		}
	}
	g.ahead = &readAhead{f, line, err}
	return nil
}

// unknownCRS stands for a crs member that is null or a link.
const unknownCRS = "\x00unknown"

// kind is what a walk over the top level of a file tells.
type jsonKind struct {
	collection, sequence bool
	crs                  string
}

// classify opens the file once more and looks at its top level.
func (g *geoJSON) classify(fsys fs.FS) (k jsonKind, err error) {
	name := g.rows.file
	f, err := fsys.Open(name)
	if err != nil {
		return k, &Problem{File: name, What: err.Error()}
	}
	defer f.Close()
	in := newInput(f)
	in.skipBOM()
	if b, _ := in.Peek(1); len(b) == 1 && b[0] == recordSeparator {
		return jsonKind{sequence: true}, nil
	}
	dec := json.NewDecoder(in)
	dec.UseNumber()
	tok, err := dec.Token()
	if err != nil {
		return k, g.syntax(in, dec, err)
	}
	if tok != json.Delim('{') {
		return k, g.problem(1, "give a FeatureCollection of Points, or one Feature a line", "the JSON text does not start with an object")
	}
	typ := ""
	for dec.More() {
		key, err := dec.Token()
		if err != nil {
			return k, g.syntax(in, dec, err)
		}
		switch key {
		case "geometry", "properties":
			if typ != "FeatureCollection" {
				return jsonKind{sequence: true}, nil
			}
			if err := skipValue(dec, in); err != nil {
				return k, g.syntax(in, dec, err)
			}
		case "features":
			k.collection = true
			if k.crs != "" {
				return k, nil
			}
			// A crs member may still follow; few files have one there.
			if there, err := contains(fsys, name, `"crs"`); err != nil || !there {
				return k, err
			}
			if err := skipValue(dec, in); err != nil {
				return k, g.syntax(in, dec, err)
			}
		case "crs":
			var v json.RawMessage
			if err := dec.Decode(&v); err != nil {
				return k, g.syntax(in, dec, err)
			}
			k.crs = crsMember(v)
		case "type":
			var v any
			if err := dec.Decode(&v); err != nil {
				return k, g.syntax(in, dec, err)
			}
			typ, _ = v.(string)
		default:
			if err := skipValue(dec, in); err != nil {
				return k, g.syntax(in, dec, err)
			}
		}
	}
	if k.collection {
		return k, nil
	}
	if _, err := dec.Token(); err != nil {
		return k, g.syntax(in, dec, err)
	}
	switch typ {
	case "Feature":
		return jsonKind{sequence: true}, nil
	case "":
		return k, g.problem(1, "give a FeatureCollection of Points", "this is JSON, but not GeoJSON: it has no type")
	case "FeatureCollection":
		return k, g.problem(1, "give it one", "the FeatureCollection has no features member")
	}
	return k, g.problem(1, "give a FeatureCollection of Points, whose properties name them", "the GeoJSON is a bare %s, without an id", clip(typ))
}

// skipValue passes over one value in bounded memory.
func skipValue(dec *json.Decoder, in *input) error {
	depth := 0
	for {
		tok, err := dec.Token()
		if err != nil {
			return err
		}
		in.done()
		in.line(dec.InputOffset())
		switch tok {
		case json.Delim('{'), json.Delim('['):
			depth++
		case json.Delim('}'), json.Delim(']'):
			depth--
		}
		if depth == 0 {
			return nil
		}
	}
}

// crsMember reads the crs member of the GeoJSON specification of 2008, section 3.
func crsMember(text json.RawMessage) string {
	var c *struct {
		Type       string `json:"type"`
		Properties struct {
			Name string `json:"name"`
		} `json:"properties"`
	}
	if err := json.Unmarshal(text, &c); err != nil || c == nil || c.Type != "name" || c.Properties.Name == "" {
		return unknownCRS
	}
	return c.Properties.Name
}

func (g *geoJSON) problem(line int, remedy, format string, args ...any) error {
	return &Problem{File: g.rows.file, Line: line, What: fmt.Sprintf(format, args...), Remedy: remedy}
}

// syntax tells where the JSON text is broken.
func (g *geoJSON) syntax(in *input, dec *json.Decoder, err error) error {
	var se *json.SyntaxError
	line := in.line(dec.InputOffset())
	switch {
	case errors.As(err, &se):
		return g.problem(max(line, in.line(se.Offset)), "mend the JSON text, or export it again", "%s", strings.TrimPrefix(se.Error(), "json: "))
	case errors.Is(err, errTooLarge):
		return g.problem(line, "split it", "%v", err)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return g.problem(line, "the file is cut off: copy or export it again", "the JSON text ends too early")
	}
	return g.problem(line, "", "%v", err)
}

// enter goes to the first feature of a collection.
func (g *geoJSON) enter() error {
	if _, err := g.dec.Token(); err != nil {
		return g.syntax(g.in, g.dec, err)
	}
	for g.dec.More() {
		key, err := g.dec.Token()
		if err != nil {
			return g.syntax(g.in, g.dec, err)
		}
		if key != "features" {
			if err := skipValue(g.dec, g.in); err != nil {
				return g.syntax(g.in, g.dec, err)
			}
			continue
		}
		tok, err := g.dec.Token()
		if err != nil {
			return g.syntax(g.in, g.dec, err)
		}
		if tok != json.Delim('[') {
			return g.problem(g.in.line(g.dec.InputOffset()), "make it a list of features", "the features member is not a list")
		}
		g.inside = true
		return nil
	}
	return g.problem(1, "give it one", "the FeatureCollection has no features member")
}

// leave reads the rest of a collection.
func (g *geoJSON) leave() error {
	g.inside = false
	if _, err := g.dec.Token(); err != nil { // the end of features
		return g.syntax(g.in, g.dec, err)
	}
	for g.dec.More() {
		key, err := g.dec.Token()
		if err != nil {
			return g.syntax(g.in, g.dec, err)
		}
		switch key {
		case "features":
			return g.problem(g.in.line(g.dec.InputOffset()), "put all features into one", "there is a second features member")
		case "crs":
			var v json.RawMessage
			if err := g.dec.Decode(&v); err != nil {
				return g.syntax(g.in, g.dec, err)
			}
			if crsMember(v) != g.crs {
				return g.problem(g.in.line(g.dec.InputOffset()), "move the crs member before the features", "a crs member follows the features and does not agree with what was read before")
			}
		default:
			if err := skipValue(g.dec, g.in); err != nil {
				return g.syntax(g.in, g.dec, err)
			}
		}
	}
	if _, err := g.dec.Token(); err != nil {
		return g.syntax(g.in, g.dec, err)
	}
	if tok, err := g.dec.Token(); err == nil {
		return g.problem(g.in.line(g.dec.InputOffset()), "take it out", "there is more after the FeatureCollection: %v", tok)
	} else if !errors.Is(err, io.EOF) {
		return g.syntax(g.in, g.dec, err)
	}
	return io.EOF
}

// read reads the next feature and the line that it starts at.
func (g *geoJSON) read() (*feature, int, error) {
	if g.collection {
		if !g.inside {
			return nil, 0, io.EOF
		}
		if !g.dec.More() {
			return nil, 0, g.leave()
		}
	} else if !g.dec.More() {
		if _, err := g.dec.Token(); !errors.Is(err, io.EOF) {
			return nil, 0, g.syntax(g.in, g.dec, err)
		}
		return nil, 0, io.EOF
	}
	// More has read up to the feature or the comma before it.
	line := g.in.line(g.dec.InputOffset())
	ends, found := lineEndsBefore(g.dec.Buffered())
	line += ends
	g.n++
	f := &feature{}
	var err error
	if found {
		err = g.dec.Decode(f)
	} else { // at the end of the decoder's buffer: count back from the end
		var text json.RawMessage
		if err = g.dec.Decode(&text); err == nil {
			line = g.in.line(g.dec.InputOffset()) - bytes.Count(text, []byte("\n"))
			dec := json.NewDecoder(bytes.NewReader(text))
			dec.UseNumber()
			err = dec.Decode(f)
		}
	}
	g.in.done()
	g.in.line(g.dec.InputOffset())
	var te *json.UnmarshalTypeError
	if errors.As(err, &te) {
		what := "the feature is not an object"
		if te.Field != "" {
			what = fmt.Sprintf("the feature's %s is a JSON %s", te.Field, te.Value)
		}
		return nil, line, rowError{{File: g.rows.file, Line: line, Item: g.item(), What: what, Remedy: "make it a Feature as RFC 7946 has it"}}
	}
	if err != nil {
		err := g.syntax(g.in, g.dec, err)
		var p *Problem
		if errors.As(err, &p) {
			p.Line = max(p.Line, line)
		}
		return nil, line, err
	}
	if n := len(f.Properties); n > mostNames {
		return nil, line, rowError{{File: g.rows.file, Line: line, Item: g.item(), What: fmt.Sprintf("the feature has %d properties", n), Remedy: "export it with those of the point only"}}
	}
	return f, line, nil
}

func (g *geoJSON) item() string { return "feature " + strconv.Itoa(g.n) }

// lineEndsBefore counts the line ends before the first byte of the next value;
// found is false where r ends before it.
func lineEndsBefore(r io.Reader) (lines int, found bool) {
	var buf [64]byte
	for {
		n, err := r.Read(buf[:])
		for _, c := range buf[:n] {
			switch c {
			case '\n':
				lines++
			case ' ', '\t', '\r', ',':
			default:
				return lines, true
			}
		}
		if err != nil {
			return lines, false
		}
	}
}

// same reports whether a feature has only properties met before, no two of which
// mean the same.
func (g *geoJSON) same(f *feature) bool {
	var seen [nColumns]bool
	for name, v := range f.Properties {
		c, known := g.meaning(name)
		if !known {
			return false
		}
		if c >= 0 && !isNull(v) {
			if seen[c] {
				return false
			}
			seen[c] = true
		}
	}
	return true
}

// meaning gives what a property means, -1 for nothing. known is false where it is
// to be noted first.
func (g *geoJSON) meaning(name string) (c column, known bool) {
	c, known = g.look[name]
	if known || len(g.look) < mostNames {
		return c, known
	}
	c, ok := g.fields.look(name)
	if !ok {
		return -1, true
	}
	switch c {
	case colEasting, colNorthing, colLongitude, colLatitude:
		return -1, true // the geometry has the position
	}
	return c, true
}

// columns notes what the properties of a feature mean, and refuses two that mean
// the same.
func (g *geoJSON) columns(f *feature) error {
	if g.same(f) {
		return nil
	}
	var by [nColumns]string
	for _, name := range slices.Sorted(maps.Keys(f.Properties)) {
		c, known := g.meaning(name)
		if !known {
			var ok bool
			if c, ok = g.fields.look(name); !ok {
				c = -1
			}
			switch c {
			case colEasting, colNorthing, colLongitude, colLatitude:
				c = -1 // the geometry has the position
			case -1, colHeight:
			default:
				g.r.met(c, "property %q", name)
			}
			g.look[name] = c
		}
		if c < 0 || isNull(f.Properties[name]) {
			continue
		}
		if by[c] != "" {
			return g.problem(g.in.line(g.dec.InputOffset()), fmt.Sprintf(`say which one is meant, as in points.fields = { %q = %q }`, name, columnNames[c]),
				"%s: the properties %q and %q both say %s", g.item(), by[c], name, columnNames[c])
		}
		by[c] = name
	}
	return nil
}

func (g *geoJSON) next() (Record, error) {
	for {
		f, line, err := g.take()
		if err != nil {
			return Record{}, err
		}
		if rec, use, err := g.record(f, line); use || err != nil {
			return rec, err
		}
	}
}

// take returns the next feature, which Open may have read already.
func (g *geoJSON) take() (*feature, int, error) {
	if a := g.ahead; a != nil {
		g.ahead = nil
		return a.f, a.line, a.err
	}
	f, line, err := g.read()
	if err == nil {
		err = g.columns(f)
	}
	return f, line, err
}

// record makes a record of a feature. use is false for what is not a point.
func (g *geoJSON) record(f *feature, line int) (rec Record, use bool, err error) {
	r, use := g.fill(f, line)
	if !use {
		return Record{}, false, nil
	}
	rec, err = r.done()
	return rec, true, err
}

func (g *geoJSON) fill(f *feature, line int) (r *row, use bool) {
	item := g.item()
	r = &row{rowReader: g.rows, item: item, rec: Record{Line: line, Where: item}}
	if f.Type != "Feature" {
		r.add(-1, "make it a Feature as RFC 7946 has it", "its type is %q, not Feature", clip(f.Type))
		return r, true
	}
	geo := f.Geometry
	if geo == nil {
		r.add(-1, "give it a position, or take it out", "the feature has no geometry")
		return r, true
	}
	coords := geo.Coordinates
	switch geo.Type {
	case "Point", "MultiPoint":
		if len(coords) > mostPosition {
			r.add(-1, "give each point its own feature", "its coordinates take %d bytes", len(coords))
			return r, true
		}
	}
	switch geo.Type {
	case "Point":
	case "MultiPoint":
		list := values(coords)
		if len(list) != 1 {
			r.add(-1, "give each its own feature", "a MultiPoint of %d positions is not one point", len(list))
			return r, true
		}
		coords = list[0]
	default:
		g.rows.notes.at(r.rec.Where, "what is not a Point is passed over")
		return nil, false
	}
	var v cells
	for name, value := range f.Properties {
		c, ok := g.meaning(name)
		if !ok || c < 0 || isNull(value) {
			continue
		}
		text, err := propertyText(c, value)
		if err != nil {
			r.add(-1, "make it a text or a number", "property %q %v", clip(name), err)
		}
		v[c] = text
	}
	if strings.TrimSpace(v[colID]) == "" && !isNull(f.ID) {
		if text, err := propertyText(colID, f.ID); err == nil {
			v[colID] = text
			if _, ok := g.look["\x00id"]; !ok {
				g.look["\x00id"] = -1
				g.r.met(colID, "the id member of the feature")
			}
		}
	}
	g.place(r, coords, &v)
	r.fill(&v)
	return r, true
}

// values are the elements of an array; none of what is not one.
func values(array json.RawMessage) (list []json.RawMessage) {
	if err := json.Unmarshal(array, &list); err != nil {
		return nil
	}
	return list
}

// place sets the position.
func (g *geoJSON) place(r *row, coords json.RawMessage, v *cells) {
	list := values(coords)
	if len(list) < 2 {
		r.add(-1, "give it two numbers, or three with the height", "the Point has no position")
		return
	}
	if len(list) > 3 {
		g.rows.notes.at(r.rec.Where, "numbers after the third of a position have no meaning in RFC 7946 and are passed over")
		list = list[:3]
	}
	var pos [3]float64
	for i, c := range list {
		f, err := ParseNumber(string(c), ".")
		if err != nil {
			r.add(-1, "write digits with a decimal point", "the %s number of the position is not one", nth(i+1))
			return
		}
		pos[i] = f
	}
	var z *float64
	switch {
	case len(list) == 3:
		switch g.heights {
		case heightUnknown:
			g.heights = heightFromPosition
			g.r.met(colHeight, "the third number of the position")
			fallthrough
		case heightFromPosition:
			z = &pos[2]
			if strings.TrimSpace(v[colHeight]) != "" {
				g.rows.notes.at(r.rec.Where, "the height is taken from the position, not from the property")
			}
		case heightFromProperty:
			g.rows.notes.at(r.rec.Where, "earlier features have their height in a property; the third number of the position is passed over")
		}
	case strings.TrimSpace(v[colHeight]) != "" && g.heights == heightFromPosition:
		g.rows.notes.at(r.rec.Where, "earlier features have their height in the position; that of the property is passed over")
	}
	if text := strings.TrimSpace(v[colHeight]); text != "" && z == nil && len(list) == 2 && g.heights != heightFromPosition {
		if g.heights == heightUnknown {
			g.heights = heightFromProperty
			g.r.header.HeightUnit, g.r.header.EllipsoidalHeight = nil, false
			g.r.met(colHeight, "a property")
		}
		h := r.num(colHeight, text)
		z = &h
	}
	r.position(pos[0], pos[1], z, g.r.header.Axes)
}

// propertyText gives the text of a property. A list is for photos only.
func propertyText(c column, value json.RawMessage) (string, error) {
	if len(value) > maxRow {
		return "", fmt.Errorf("takes more than %d KiB", maxRow>>10)
	}
	switch value[0] {
	case '"':
		var s string
		err := json.Unmarshal(value, &s)
		return s, err
	case '[':
		if c != colPhotos {
			return "", errors.New("is a list")
		}
		for _, e := range values(value) {
			if e[0] != '"' {
				return "", errors.New("is a list of something other than names")
			}
		}
		return string(value), nil
	case '{':
		return "", errors.New("is an object")
	}
	return string(value), nil // a number, true or false
}

func (g *geoJSON) Close() error { return g.in.file.Close() }

// unmark turns the record separators of a text sequence into blanks. JSON texts
// hold that byte only as an escape.
type unmark struct{ in *input }

func (u *unmark) Read(p []byte) (int, error) {
	n, err := u.in.Read(p)
	for i, c := range p[:n] {
		if c == recordSeparator {
			p[i] = ' '
		}
	}
	return n, err
}
