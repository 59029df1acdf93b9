package pointfile

import (
	"bytes"
	"cmp"
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

// jsonText reads JSON text token by token, and knows its lines.
type jsonText struct {
	*Reader
	in  *input
	dec *json.Decoder
}

func (t *jsonText) line() int { return t.in.line(t.dec.InputOffset()) }

// token returns the next token. The text must not end here.
func (t *jsonText) token() (json.Token, error) {
	tok, err := t.dec.Token()
	if errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	return tok, err
}

// members calls f with each key of the object that has begun, up to its end or an
// error of f. It is for f to read the value.
func (t *jsonText) members(f func(key json.Token) error) error {
	for t.dec.More() {
		key, err := t.token()
		if err != nil {
			return err
		}
		if err := f(key); err != nil {
			return err
		}
	}
	_, err := t.token()
	return err
}

// skip reads one value and drops it, in bounded memory.
func (t *jsonText) skip() error {
	for depth := 0; ; {
		tok, err := t.token()
		if err != nil {
			return err
		}
		t.in.done()
		t.line()
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

// explain tells where the JSON text is broken.
func (t *jsonText) explain(err error) error {
	if errors.As(err, new(*Problem)) {
		return err
	}
	line := t.line()
	// What is wrong is in the value that follows.
	next := make([]byte, 256)
	n, _ := io.ReadFull(t.dec.Buffered(), next) // what is there will do
	blanks := n - len(bytes.TrimLeft(next[:n], " \t\r\n,"))
	line += bytes.Count(next[:blanks], []byte("\n"))
	var se *json.SyntaxError
	switch {
	case errors.As(err, &se):
		return t.problem(max(line, t.in.line(se.Offset)), "mend the JSON text, or export it again", "%s", strings.TrimPrefix(se.Error(), "json: "))
	case errors.Is(err, errTooLarge):
		return t.problem(line, "split it", "%v", err)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return t.problem(line, "the file is cut off: copy or export it again", "the JSON text ends too early")
	}
	return t.problem(line, "", "%v", err)
}

// jsonKind is what the top level of a file tells.
type jsonKind struct {
	collection, sequence bool
	crs                  string // the name in a crs member, or unknownCRS
}

// unknownCRS is the name in a crs member that is null or a link.
const unknownCRS = "\x00unknown"

var errSettled = errors.New("the kind is settled")

// kind reads the top level of a file.
func (t *jsonText) kind(fsys fs.FS) (k jsonKind, err error) {
	t.in.skipBOM()
	if b, _ := t.in.Peek(1); len(b) == 1 && b[0] == recordSeparator {
		return jsonKind{sequence: true}, nil
	}
	tok, err := t.token()
	if err != nil {
		return k, err
	}
	if tok != json.Delim('{') {
		return k, t.problem(1, "give a FeatureCollection of Points, or one Feature a line", "the JSON text does not start with an object")
	}
	typ := ""
	err = t.members(func(key json.Token) error { return t.topLevel(fsys, key, &k, &typ) })
	switch {
	case err == errSettled || err == nil && k.collection:
		return k, nil
	case err == nil && typ == "Feature":
		return jsonKind{sequence: true}, nil
	case err == nil:
		err = t.noFeatures(typ)
	}
	return k, err
}

// topLevel reads a member of the top level; errSettled says that no more are
// needed.
func (t *jsonText) topLevel(fsys fs.FS, key json.Token, k *jsonKind, typ *string) (err error) {
	switch key {
	case "geometry", "properties":
		if *typ != "FeatureCollection" {
			k.sequence = true
			return errSettled
		}
	case "features":
		k.collection = true
		if k.crs != "" {
			return errSettled
		}
		// A crs member may still follow; few files have one there.
		if there, err := contains(fsys, t.header.File, `"crs"`); err != nil || !there {
			return cmp.Or(err, errSettled)
		}
	case "crs":
		k.crs, err = t.crsMember()
		return err
	case "type":
		var v any
		err := t.dec.Decode(&v)
		*typ, _ = v.(string)
		return err
	}
	return t.skip()
}

// noFeatures tells of an object of a type that holds no features.
func (t *jsonText) noFeatures(typ string) error {
	switch typ {
	case "":
		return t.problem(1, "give a FeatureCollection of Points", "this is JSON, but not GeoJSON: it has no type")
	case "FeatureCollection":
		return t.problem(1, "give it one", "the FeatureCollection has no features member")
	}
	return t.problem(1, "give a FeatureCollection of Points, whose properties name them", "the GeoJSON is a bare %s, without an id", clip(typ))
}

// crsMember reads the crs member of the GeoJSON specification of 2008, section 3.
func (t *jsonText) crsMember() (string, error) {
	var text json.RawMessage
	if err := t.dec.Decode(&text); err != nil {
		return "", err
	}
	var c struct {
		Type       string `json:"type"`
		Properties struct {
			Name string `json:"name"`
		} `json:"properties"`
	}
	if err := json.Unmarshal(text, &c); err != nil || c.Type != "name" {
		return unknownCRS, nil
	}
	return cmp.Or(c.Properties.Name, unknownCRS), nil
}

// geoJSON reads the points of GeoJSON.
type geoJSON struct {
	*jsonText
	look map[string]column // properties met, no more than mostNames; -1 for those not read
	jsonKind
	inside bool // within the features of a collection
	n      int
	// heights says where heights come from, once a point with one has been met.
	heights heightSource
	// ahead is the record that Open has read.
	ahead func() (Record, error)
}

type heightSource int

const (
	heightUnknown heightSource = iota
	heightFromPosition
	heightFromProperty
)

func (r *Reader) openGeoJSON(fsys fs.FS, in *input, opt Options) error {
	in.skipBOM()
	g := &geoJSON{jsonText: &jsonText{r, in, json.NewDecoder(in)}, look: map[string]column{}}
	r.src = g
	r.header.Format = GeoJSON
	// A first pass looks at the top level only.
	f, err := openFile(fsys, r.header.File)
	if err != nil {
		return err
	}
	defer f.Close()
	head := newInput(f)
	first := &jsonText{r, head, json.NewDecoder(head)}
	if g.jsonKind, err = first.kind(fsys); err != nil {
		return first.explain(err)
	}
	if g.sequence {
		r.header.Format = GeoJSONSeq
		g.dec = json.NewDecoder(&unmark{in: in})
	}
	if err := g.system(opt); err != nil {
		return err
	}
	if g.collection {
		if err := g.enter(); err != nil {
			return err
		}
	}
	// The first point tells which properties there are, for the header.
	rec, err := g.next()
	if err != nil && !errors.Is(err, io.EOF) && !errors.As(err, new(rowError)) {
		return err
	}
	g.ahead = func() (Record, error) { return rec, err }
	return nil
}

// system settles the system, by RFC 7946, section 4, where the file names none.
func (g *geoJSON) system(opt Options) error {
	crs := crsName(g.crs)
	switch {
	case g.crs == unknownCRS && opt.CRS == "":
		return g.problem(0, `say which (points.crs = "EPSG:2157", for instance)`, "the file's crs member does not say which system the coordinates are in")
	case g.crs == "" && opt.CRS == "":
		crs = "OGC:CRS84"
		g.header.HeightUnit, g.header.EllipsoidalHeight = &grid.Metre, true
	case g.crs == unknownCRS:
		crs = ""
	}
	g.setCRS(crs, opt)
	return nil
}

// enter goes to the first feature of a collection.
func (g *geoJSON) enter() error {
	if _, err := g.token(); err != nil {
		return err
	}
	err := g.members(func(key json.Token) error {
		if key != "features" {
			return g.skip()
		}
		tok, err := g.token()
		switch {
		case err != nil:
			return err
		case tok != json.Delim('['):
			return g.problem(g.line(), "make it a list of features", "the features member is not a list")
		}
		g.inside = true
		return errSettled
	})
	switch {
	case err == errSettled:
		return nil
	case err == nil:
		return g.problem(1, "give it one", "the FeatureCollection has no features member")
	}
	return err
}

// leave reads the rest of a collection; io.EOF means that all is well.
func (g *geoJSON) leave() error {
	g.inside = false
	if _, err := g.token(); err != nil { // the end of features
		return err
	}
	err := g.members(func(key json.Token) error {
		switch key {
		case "features":
			return g.problem(g.line(), "put all features into one", "there is a second features member")
		case "crs":
			crs, err := g.crsMember()
			if err == nil && crs != g.crs {
				return g.problem(g.line(), "move the crs member before the features", "a crs member follows the features and does not agree with what was read before")
			}
			return err
		}
		return g.skip()
	})
	if err != nil {
		return err
	}
	tok, err := g.dec.Token()
	if err == nil {
		return g.problem(g.line(), "take it out", "there is more after the FeatureCollection: %v", tok)
	}
	return err
}

// read reads the next feature and the line that it starts at.
func (g *geoJSON) read() (f feature, line int, err error) {
	switch {
	case g.collection && !g.inside:
		return f, 0, io.EOF
	case !g.dec.More() && g.collection:
		return f, 0, g.leave()
	case !g.dec.More():
		if _, err = g.dec.Token(); err == nil {
			err = io.ErrUnexpectedEOF
		}
		return f, 0, err
	}
	g.n++
	var text json.RawMessage
	if err := g.dec.Decode(&text); err != nil {
		return f, 0, g.explain(err)
	}
	line = g.line() - bytes.Count(text, []byte("\n"))
	g.in.done()
	err = json.Unmarshal(text, &f)
	bad := func(remedy, format string, args ...any) error {
		p := g.problem(line, remedy, format, args...)
		p.Item = g.item()
		return rowError{p}
	}
	var te *json.UnmarshalTypeError
	switch {
	case errors.As(err, &te) && te.Field == "":
		err = bad("make it a Feature as RFC 7946 has it", "the feature is not an object")
	case errors.As(err, &te):
		err = bad("make it a Feature as RFC 7946 has it", "the feature's %s is a JSON %s", te.Field, te.Value)
	case err == nil && len(f.Properties) > mostNames:
		err = bad("export it with those of the point only", "the feature has %d properties", len(f.Properties))
	}
	return f, line, err
}

func (g *geoJSON) item() string { return "feature " + strconv.Itoa(g.n) }

// meaning tells what a property means, -1 for nothing.
func (g *geoJSON) meaning(name string) column {
	c, known := g.look[name]
	if known {
		return c
	}
	c = g.fields.attribute(name)
	if len(g.look) < mostNames {
		g.look[name] = c
		if c >= 0 && c != colHeight {
			g.met(c, "property", name)
		}
	}
	return c
}

func (g *geoJSON) next() (Record, error) {
	if ahead := g.ahead; ahead != nil {
		g.ahead = nil
		return ahead()
	}
	for {
		f, line, err := g.read()
		if err != nil {
			return Record{}, err
		}
		r := &row{Reader: g.Reader, item: g.item(), rec: Record{Line: line, Where: g.item()}}
		switch use, err := g.point(r, &f); {
		case err != nil:
			return Record{}, err
		case use:
			return r.done()
		}
	}
}

// point reads a feature. use is false for what is not a point.
func (g *geoJSON) point(r *row, f *feature) (use bool, err error) {
	v, err := g.cells(r, f)
	if err != nil {
		return false, err
	}
	coords, is := g.position(r, f)
	if !is {
		return len(r.problems) > 0, nil
	}
	if v[colID] == "" && !isNull(f.ID) {
		if text, err := propertyText(colID, f.ID); err == nil {
			v[colID] = text
			g.met(colID, "the id member of the feature", "")
		}
	}
	g.place(r, coords, v[colHeight])
	r.fill(&v)
	return true, nil
}

// cells reads the properties of a feature. Two that mean the same end the reading.
func (g *geoJSON) cells(r *row, f *feature) (v cells, err error) {
	var from [nColumns]string
	for _, name := range slices.Sorted(maps.Keys(f.Properties)) {
		value := f.Properties[name]
		c := g.meaning(name)
		if c < 0 || isNull(value) {
			continue
		}
		if from[c] != "" {
			return v, g.problem(r.rec.Line, sayWhich(name, c),
				"%s: the properties %q and %q both say %s", r.item, from[c], name, columnNames[c])
		}
		from[c] = name
		text, err := propertyText(c, value)
		if err != nil {
			r.add(-1, "make it a text or a number", "property %q %v", clip(name), err)
		}
		v[c] = strings.TrimSpace(text)
	}
	return v, nil
}

// position finds the coordinates of a feature. is is false, without a problem, for
// what is not a point.
func (g *geoJSON) position(r *row, f *feature) (coords json.RawMessage, is bool) {
	geo := f.Geometry
	switch {
	case f.Type != "Feature":
		r.add(-1, "make it a Feature as RFC 7946 has it", "its type is %q, not Feature", clip(f.Type))
	case geo == nil:
		r.add(-1, "give it a position, or take it out", "the feature has no geometry")
	case geo.Type != "Point" && geo.Type != "MultiPoint":
		r.problems = nil
		r.notes.at(r.rec.Where, "what is not a Point is passed over")
	case len(geo.Coordinates) > mostPosition:
		r.add(-1, "give each point its own feature", "its coordinates take %d bytes", len(geo.Coordinates))
	case geo.Type == "Point":
		return geo.Coordinates, true
	default:
		list := values(geo.Coordinates)
		if len(list) == 1 {
			return list[0], true
		}
		r.add(-1, "give each its own feature", "a MultiPoint of %d positions is not one point", len(list))
	}
	return nil, false
}

// values are the elements of an array; none of what is not one.
func values(array json.RawMessage) (list []json.RawMessage) {
	if err := json.Unmarshal(array, &list); err != nil {
		return nil
	}
	return list
}

// numbers reads those of a position.
func (r *row) numbers(list []json.RawMessage) (pos [3]float64, ok bool) {
	for i, c := range list {
		f, err := ParseNumber(string(c), ".")
		if err != nil {
			r.add(-1, "write digits with a decimal point", "the %s number of the position is not one", nth(i+1))
			return pos, false
		}
		pos[i] = f
	}
	return pos, true
}

// place sets the position. Heights come from the positions or from a property,
// whichever is met first: the two are not mixed.
func (g *geoJSON) place(r *row, coords json.RawMessage, height string) {
	list := values(coords)
	if len(list) < 2 {
		r.add(-1, "give it two numbers, or three with the height", "the Point has no position")
		return
	}
	if len(list) > 3 {
		r.notes.at(r.rec.Where, "numbers after the third of a position have no meaning in RFC 7946 and are passed over")
		list = list[:3]
	}
	pos, ok := r.numbers(list)
	if !ok {
		return
	}
	third := len(list) == 3
	switch {
	case g.heights != heightUnknown:
	case third:
		g.heights = heightFromPosition
		g.met(colHeight, "the third number of the position", "")
	case height != "":
		g.heights = heightFromProperty
		g.header.HeightUnit, g.header.EllipsoidalHeight = nil, false
		g.met(colHeight, "a property", "")
	}
	var z *float64
	switch g.heights {
	case heightFromPosition:
		note := "earlier features have their height in the position; that of the property is passed over"
		if third {
			z, note = &pos[2], "the height is taken from the position, not from the property"
		}
		if height != "" {
			r.notes.at(r.rec.Where, note)
		}
	case heightFromProperty:
		if third {
			r.notes.at(r.rec.Where, "earlier features have their height in a property; the third number of the position is passed over")
			break
		}
		z = r.height(height)
	}
	r.position(pos[0], pos[1], z)
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
