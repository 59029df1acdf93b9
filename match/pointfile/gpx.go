package pointfile

import (
	"encoding/xml"
	"net/url"
	"path"
	"strings"

	"example.com/phototie/grid"
)

// gpx reads the wpt elements of GPX.
type gpx struct {
	*xmlStream
	space string // the name space of the root
}

func (s *xmlStream) openGPX(root xml.StartElement, opt Options) {
	s.header.Format = GPX
	if v := attr(root, "version"); v != "1.1" {
		s.notes.plain("the file says version %q of GPX and is read by the rules of 1.1", clip(v))
	}
	s.setCRS("OGC:CRS84", opt) // "using WGS84 datum": schema of GPX 1.1, latitudeType
	s.header.Axes = Geographic
	s.header.HeightUnit = &grid.Metre
	s.src = &gpx{s, root.Name.Space}
	s.met(colLongitude, "attribute", "lon")
	s.met(colLatitude, "attribute", "lat")
}

func (g *gpx) next() (Record, error) {
	for {
		e, err := g.start()
		if err != nil {
			return Record{}, err
		}
		if e.Name.Space != g.space {
			continue
		}
		switch e.Name.Local {
		case "wpt":
			if g.parent() == "gpx" {
				return g.point(e)
			}
		case "rte", "trk":
			g.notes.at(onLine(g.line()), "routes and tracks are passed over; waypoints are the points")
		}
	}
}

// gpxElements are the parts of a waypoint that are read, by the schema of GPX 1.1
// (wptType), and which of two that mean the same is preferred.
var gpxElements = map[string]struct {
	c column
	preference
}{
	"name": {colID, first},
	"type": {colCode, first}, "sym": {colCode, second},
	"desc": {colDesc, first}, "cmt": {colDesc, second},
	"time": {colObserved, first},
	"ele":  {colHeight, first},
}

// preference orders the places of a waypoint that a value can come from.
type preference int

const (
	none preference = iota
	extension
	second
	first
)

// waypoint is what has been read of a point.
type waypoint struct {
	row
	values [nColumns]struct {
		preference
		from, text string
		again      string // another extension that gives the value
	}
	photos []string
	// Of the element being read:
	text       strings.Builder
	leaf       bool
	href, mime string // of a link
}

// offer gives a value, which is taken where nothing better has been met.
func (w *waypoint) offer(c column, p preference, from string) {
	text := strings.TrimSpace(w.text.String())
	switch v := &w.values[c]; {
	case text == "" || p < v.preference:
	case p == extension && v.preference == extension:
		v.again = from
	default:
		v.preference, v.from, v.text, v.again = p, from, text, ""
	}
}

// point reads a waypoint whose start has been read.
func (g *gpx) point(e xml.StartElement) (Record, error) {
	line := g.line()
	w := waypoint{row: row{Reader: g.Reader, rec: Record{Line: line, Where: onLine(line)}}}
	lat, lon := strings.TrimSpace(attr(e, "lat")), strings.TrimSpace(attr(e, "lon"))
	if err := g.elements(&w); err != nil {
		return Record{}, err
	}
	v, err := g.cells(&w)
	if err != nil {
		return Record{}, err
	}
	x, y, z := w.num(colLongitude, lon), w.num(colLatitude, lat), w.height(v[colHeight])
	if len(w.problems) == 0 {
		w.position(x, y, z)
	}
	w.fill(&v)
	if len(w.photos) > 0 {
		g.met(colPhotos, "element", "link")
		w.rec.Photos = append(w.photos, w.rec.Photos...)
	}
	return w.done()
}

// elements reads what is in a waypoint, to its end.
func (g *gpx) elements(w *waypoint) error {
	for within := len(g.open); ; {
		tok, err := g.xmlStream.next()
		if err != nil || len(g.open) < within {
			return err
		}
		switch t := tok.(type) {
		case xml.StartElement:
			w.text.Reset()
			w.leaf = true
			if t.Name.Local == "link" && len(g.open) == within+1 {
				w.href, w.mime = attr(t, "href"), ""
			}
		case xml.CharData:
			if w.text.Len()+len(t) > 1<<20 {
				return g.problem(w.rec.Line, "shorten it", "a text of the waypoint is longer than 1 MiB")
			}
			w.text.Write(t)
		case xml.EndElement:
			g.end(w, t.Name, g.open[within:])
			w.text.Reset()
			w.leaf = false
		}
	}
}

// cells are the values that were taken. Two extensions that mean the same end the
// reading.
func (g *gpx) cells(w *waypoint) (v cells, err error) {
	for c := range nColumns {
		got := w.values[c]
		v[c] = got.text
		switch {
		case got.again != "":
			return v, g.problem(w.rec.Line, sayWhich(got.again, c), "the extensions %q and %q both say %s", got.from, got.again, columnNames[c])
		case got.preference == extension:
			g.met(c, "extension", got.from)
		case got.preference != none:
			g.met(c, "element", got.from)
		}
	}
	return v, nil
}

// end takes what the end of an element completes. open are the elements of the
// waypoint that enclose it.
func (g *gpx) end(w *waypoint, name xml.Name, open []string) {
	if len(open) > 0 && open[0] == "extensions" {
		if c := g.fields.attribute(name.Local); w.leaf && c >= 0 && c != colHeight {
			w.offer(c, extension, name.Local)
		}
		return
	}
	if name.Space != g.space {
		return
	}
	switch known, ok := gpxElements[name.Local]; {
	case len(open) > 0:
		if len(open) == 1 && open[0] == "link" && name.Local == "type" {
			w.mime = strings.TrimSpace(w.text.String())
		}
	case ok:
		w.offer(known.c, known.preference, name.Local)
	case name.Local == "link":
		g.photo(w)
	case strings.HasSuffix(name.Local, "dop"): // hdop, vdop, pdop
		g.notes.at(w.rec.Where, "a dilution of precision is not an accuracy and is passed over")
	}
}

// photo takes a link for a photo where it leads to an image beside the file. A
// link is a URI reference (RFC 3986).
func (g *gpx) photo(w *waypoint) {
	href := strings.TrimSpace(w.href)
	u, err := url.Parse(href)
	if href == "" || err != nil {
		g.notes.at(w.rec.Where, "a link that is not a URI reference is passed over")
		return
	}
	image := strings.HasPrefix(strings.ToLower(w.mime), "image/")
	switch strings.ToLower(path.Ext(u.Path)) {
	case ".jpg", ".jpeg", ".tif", ".tiff", ".png", ".heic", ".heif", ".webp", ".dng":
		image = image || w.mime == ""
	}
	switch {
	case !image:
		g.notes.at(w.rec.Where, "a link that does not lead to an image is passed over")
	case u.Scheme != "" || u.Host != "":
		g.notes.at(w.rec.Where, "a link to an image elsewhere than beside the file is passed over")
	default:
		w.photos = append(w.photos, u.Path)
	}
}
