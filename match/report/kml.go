package report

import (
	"encoding/xml"
	"fmt"
	"html"
	"io"
	"strconv"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/internal/palette"
	"example.com/phototie/match/internal/words"
)

// KML writes a checked job as OGC KML 2.2 (OGC 07-147r2): a folder each of
// points, of tags and of the lines between them, with a style for each verdict.
// at has the WGS 84 positions, as match.Locate finds them; what has none is a
// placemark without a geometry. The figures are extended data, in the grid's unit
// as the document's description says; a placemark's description gives them in
// words, with names escaped for the HTML that viewers take it for. The name of a
// tag and of a line begins with the mark of its verdict, as in the record, since
// viewers have one icon for all and a printout has no colours; the name alone is
// the extended datum photo.
func KML(w io.Writer, dataset string, r *match.Result, at *match.Located) error {
	return writeKML(w, dataset, r, at, nil, "")
}

// writeKML writes the document. show gives the picture of a photo by its name, as
// HTML, and note is what the document's description says of them.
func writeKML(w io.Writer, dataset string, r *match.Result, at *match.Located, show func(photo string) string, note string) error {
	u := r.Grid.Unit
	if show == nil {
		show = func(string) string { return "" }
	}
	doc := kmlDoc{NS: "http://www.opengis.net/kml/2.2"}
	d := &doc.Document
	d.Name = words.Safe(dataset)
	d.Open = 1
	d.Description = html.EscapeString(fmt.Sprintf("Lengths are in %s (%s), on the grid %s %s.", words.UnitName(u), u.Symbol, words.Safe(r.Grid.Name), words.Safe(r.Grid.Code)) + note)
	d.Styles = []kmlStyle{{ID: "point", Icon: &kmlColour{"ff202020", "0.7"}}}
	for _, v := range match.Verdicts {
		l := palette.Of[v]
		colour := kmlOpaque(l.Fill)
		d.Styles = append(d.Styles, kmlStyle{ID: string(v), Icon: &kmlColour{colour, fixed(l.Scale, 1)}, Line: &kmlWidth{colour, 2 * l.Line}})
	}
	points := kmlFolder{Name: "points"}
	for i := range r.Points {
		p := &r.Points[i]
		m := kmlPlacemark{Name: words.Safe(p.ID), Style: "#point", Point: kmlPoint(at.Points[i])}
		m.data("point", p.ID)
		m.data("code", p.Code)
		m.data("description", p.Desc)
		m.data("e", fixed(p.E, 3))
		m.data("n", fixed(p.N, 3))
		if p.Height != nil {
			m.data("height_m", fixed(*p.Height, 3))
		}
		m.data("photos", strconv.Itoa(len(p.Photos)))
		m.Description = html.EscapeString(strings.TrimSpace(words.Safe(p.Code) + " " + words.Safe(p.Desc) + ", " + words.Plural(len(p.Photos), "photo")))
		for _, photo := range p.Photos {
			m.Description += show(photo)
		}
		points.Placemarks = append(points.Placemarks, m)
	}
	codes := r.CodesOf()
	tags := kmlFolder{Name: "tags"}
	for i := range r.Photos {
		m := kmlTag(r, &r.Photos[i], codes[r.Photos[i].Name])
		m.Point = kmlPoint(at.Tags[i])
		m.Description += show(r.Photos[i].Name)
		tags.Placemarks = append(tags.Placemarks, m)
	}
	lines := kmlFolder{Name: "vectors"}
	for _, v := range vectors(r) {
		from, to := at.From(v.photo, v.point), at.Tags[v.photo]
		if !from.Valid() || !to.Valid() {
			continue
		}
		m := kmlTag(r, &r.Photos[v.photo], codes[r.Photos[v.photo].Name])
		// KML has no rule for the antimeridian; viewers draw the short way round.
		m.Line = &kmlLine{1, kmlCoordinates(from) + " " + kmlCoordinates(to)}
		lines.Placemarks = append(lines.Placemarks, m)
	}
	d.Folders = []kmlFolder{points, tags, lines}

	return encodeXML(w, doc, " ")
}

// kmlColumns are the columns that a placemark of a photo has as extended data.
var kmlColumns = []string{"photo", "point", "verdict", "reason", "why", "distance", "d_e", "d_n", "bearing", "allowed", "findings"}

// kmlTag is the placemark of a photo without its geometry.
func kmlTag(r *match.Result, p *match.PhotoResult, codes []string) kmlPlacemark {
	u := r.Grid.Unit
	m := kmlPlacemark{Name: palette.Of[p.Verdict].Mark + " " + words.Safe(p.Name), Style: "#" + string(p.Verdict)}
	values := photoTexts(u, p, codes)
	for _, name := range kmlColumns {
		m.data(name, values[name])
	}
	text := string(p.Verdict)
	if p.Tie != nil {
		text += ", of " + words.Safe(p.Tie.Point)
	}
	if d := p.Discrepancy; d != nil {
		text += ", " + words.Distance(d.Distance, u)
		if d.Bearing.Defined() {
			text += " at " + d.Bearing.DMS(0)
		}
	}
	if a := p.Allowance; a != nil {
		text += "; " + words.Distance(a.Threshold/u.Metres, u) + " allowed"
	}
	if p.Why != "" {
		text += ": " + words.Safe(p.Why)
	}
	if len(codes) > 0 {
		text += "; findings: " + strings.Join(codes, ", ")
	}
	m.Description = html.EscapeString(text)
	return m
}

// kmlOpaque is a colour #rrggbb as KML has it: opacity, blue, green, red.
func kmlOpaque(hex string) string { return "ff" + hex[5:7] + hex[3:5] + hex[1:3] }

func kmlCoordinates(p grid.LatLon) string { return fixed(p.Lon, 9) + "," + fixed(p.Lat, 9) }

func kmlPoint(p grid.LatLon) *kmlAt {
	if !p.Valid() {
		return nil
	}
	return &kmlAt{kmlCoordinates(p)}
}

// data adds an extended datum, where it is not empty.
func (m *kmlPlacemark) data(name, value string) {
	if value != "" {
		m.Data = append(m.Data, kmlData{name, words.Safe(value)})
	}
}

// The elements stand in the order that the schema wants.
type (
	kmlDoc struct {
		XMLName  xml.Name `xml:"kml"`
		NS       string   `xml:"xmlns,attr"`
		Document struct {
			Name        string      `xml:"name"`
			Open        int         `xml:"open"`
			Description string      `xml:"description"`
			Styles      []kmlStyle  `xml:"Style"`
			Folders     []kmlFolder `xml:"Folder"`
		} `xml:"Document"`
	}
	kmlStyle struct {
		ID   string     `xml:"id,attr"`
		Icon *kmlColour `xml:"IconStyle"`
		Line *kmlWidth  `xml:"LineStyle"`
	}
	kmlColour struct {
		Colour string `xml:"color"`
		Scale  string `xml:"scale"`
	}
	kmlWidth struct {
		Colour string  `xml:"color"`
		Width  float64 `xml:"width"`
	}
	kmlFolder struct {
		Name       string         `xml:"name"`
		Placemarks []kmlPlacemark `xml:"Placemark"`
	}
	kmlPlacemark struct {
		Name        string    `xml:"name"`
		Description string    `xml:"description,omitempty"`
		Style       string    `xml:"styleUrl"`
		Data        []kmlData `xml:"ExtendedData>Data"`
		Point       *kmlAt    `xml:"Point"`
		Line        *kmlLine  `xml:"LineString"`
	}
	kmlData struct {
		Name  string `xml:"name,attr"`
		Value string `xml:"value"`
	}
	kmlAt struct {
		Coordinates string `xml:"coordinates"`
	}
	kmlLine struct {
		Tessellate  int    `xml:"tessellate"`
		Coordinates string `xml:"coordinates"`
	}
)
