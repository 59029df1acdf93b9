package pointfile

import (
	"encoding/xml"
	"fmt"
	"net/url"
	"path"
	"strings"

	"example.com/phototie/grid"
)

// gpx reads the wpt elements of GPX.
type gpx struct {
	r      *Reader
	s      *xmlStream
	rows   *rowReader
	fields fieldMap
	space  string // the name space of the root
	seen   map[string]bool
}

func (r *Reader) openGPX(s *xmlStream, root xml.StartElement, opt Options) error {
	fields, err := newFieldMap(opt.Fields)
	if err != nil {
		return err
	}
	r.header.Format = GPX
	if v := attr(root, "version"); v != "1.1" {
		r.notes.plain("the file says version %q of GPX and is read by the rules of 1.1", clip(v))
	}
	r.setCRS("OGC:CRS84", opt) // "using WGS84 datum": schema of GPX 1.1, latitudeType
	r.header.Axes = Geographic
	r.header.HeightUnit = &grid.Metre
	r.src = &gpx{r: r, s: s, rows: r.rows(opt), fields: fields, space: root.Name.Space, seen: map[string]bool{}}
	r.met(colLongitude, `attribute "lon"`)
	r.met(colLatitude, `attribute "lat"`)
	return nil
}

func (g *gpx) Close() error { return g.s.in.file.Close() }

func (g *gpx) next() (Record, error) {
	for {
		tok, err := g.s.next()
		if err != nil {
			return Record{}, g.s.syntax(err)
		}
		e, ok := tok.(xml.StartElement)
		if !ok || e.Name.Space != g.space {
			continue
		}
		switch e.Name.Local {
		case "wpt":
			if g.s.parent() == "gpx" {
				return g.point(e)
			}
		case "rte", "trk":
			g.rows.notes.at(onLine(g.s.line()), "routes and tracks are passed over; waypoints are the points")
		}
	}
}

// met notes once where a value comes from.
func (g *gpx) met(c column, from string) {
	if key := columnNames[c] + " " + from; !g.seen[key] && len(g.seen) < mostNames {
		g.seen[key] = true
		g.r.met(c, "%s", from)
	}
}

// gpxElements are the parts of a waypoint that are read, by the schema of GPX 1.1
// (wptType). The first of two that mean the same is preferred.
var gpxElements = map[string]struct {
	c     column
	first bool
}{
	"name": {colID, true},
	"type": {colCode, true}, "sym": {colCode, false},
	"desc": {colDesc, true}, "cmt": {colDesc, false},
	"time": {colObserved, true},
	"ele":  {colHeight, true},
}

// point reads a waypoint whose start has been read.
func (g *gpx) point(e xml.StartElement) (Record, error) {
	line := g.s.line()
	r := row{rowReader: g.rows, rec: Record{Line: line, Where: onLine(line)}}
	var v, second, own cells
	var from, secondFrom, ownFrom, again [nColumns]string
	lat, lon := attr(e, "lat"), attr(e, "lon")
	var photos []string
	depth := len(g.s.open)
	var text strings.Builder
	var href, mime string // of the link being read
	extension := 0        // depth of extensions, 0 outside
	leaf := false
	for len(g.s.open) >= depth {
		tok, err := g.s.next()
		if err != nil {
			return Record{}, g.s.syntax(err)
		}
		switch t := tok.(type) {
		case xml.StartElement:
			text.Reset()
			leaf = true
			at := len(g.s.open)
			switch {
			case at == depth+1 && t.Name.Space == g.space && t.Name.Local == "link":
				href, mime = attr(t, "href"), ""
			case at == depth+1 && t.Name.Space == g.space && t.Name.Local == "extensions":
				extension = at
			}
		case xml.CharData:
			if text.Len()+len(t) > 1<<20 {
				return Record{}, g.s.problem(line, "shorten it", "a text of the waypoint is longer than 1 MiB")
			}
			text.Write(t)
		case xml.EndElement:
			at := len(g.s.open) + 1 // depth of the element that ends
			name, value := t.Name.Local, text.String()
			text.Reset()
			known, isKnown := gpxElements[name]
			switch {
			case extension > 0 && at > extension:
				if c, ok := g.fields.look(name); ok && leaf && strings.TrimSpace(value) != "" {
					switch c {
					case colEasting, colNorthing, colLongitude, colLatitude, colHeight:
					default:
						if own[c] != "" {
							again[c] = name
							break
						}
						own[c], ownFrom[c] = value, name
					}
				}
			case at == depth+2 && t.Name.Space == g.space && name == "type" && g.s.open[len(g.s.open)-1] == "link":
				mime = strings.TrimSpace(value)
			case at != depth+1 || t.Name.Space != g.space:
			case name == "extensions":
				extension = 0
			case name == "link":
				if p, ok := g.photo(r.rec.Where, href, mime); ok {
					photos = append(photos, p)
				}
			case name == "hdop" || name == "pdop" || name == "vdop":
				g.rows.notes.at(r.rec.Where, "a dilution of precision is not an accuracy and is passed over")
			case known.first:
				v[known.c], from[known.c] = value, name
			case isKnown:
				second[known.c], secondFrom[known.c] = value, name
			}
			leaf = false
		}
	}
	for c := range nColumns {
		if strings.TrimSpace(v[c]) == "" {
			v[c], from[c] = second[c], secondFrom[c]
		}
		if strings.TrimSpace(v[c]) != "" {
			g.met(c, fmt.Sprintf("element %q", from[c]))
		} else if again[c] != "" {
			return Record{}, g.s.problem(line, fmt.Sprintf("say which one is meant, as in points.fields = { %q = %q }", again[c], columnNames[c]), "the extensions %q and %q both say %s", ownFrom[c], again[c], columnNames[c])
		} else if own[c] != "" {
			v[c] = own[c]
			g.met(c, fmt.Sprintf("extension %q", ownFrom[c]))
		}
	}
	x, y := r.num(colLongitude, strings.TrimSpace(lon)), r.num(colLatitude, strings.TrimSpace(lat))
	var z *float64
	if t := strings.TrimSpace(v[colHeight]); t != "" {
		h := r.num(colHeight, t)
		z = &h
	}
	if len(r.problems) == 0 {
		r.position(x, y, z, Geographic)
	}
	r.fill(&v)
	if len(photos) > 0 {
		g.met(colPhotos, `element "link"`)
		r.rec.Photos = append(photos, r.rec.Photos...)
	}
	return r.done()
}

// photo takes a link for a photo where it leads to an image beside the file. A
// link is a URI reference (RFC 3986).
func (g *gpx) photo(where, href, mime string) (string, bool) {
	href = strings.TrimSpace(href)
	u, err := url.Parse(href)
	if href == "" || err != nil {
		g.rows.notes.at(where, "a link that is not a URI reference is passed over")
		return "", false
	}
	image := strings.HasPrefix(strings.ToLower(mime), "image/")
	switch strings.ToLower(path.Ext(u.Path)) {
	case ".jpg", ".jpeg", ".tif", ".tiff", ".png", ".heic", ".heif", ".webp", ".dng":
		image = image || mime == ""
	}
	if !image {
		g.rows.notes.at(where, "a link that does not lead to an image is passed over")
		return "", false
	}
	if u.Scheme != "" || u.Host != "" {
		g.rows.notes.at(where, "a link to an image elsewhere than beside the file is passed over")
		return "", false
	}
	return u.Path, true
}
