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
)

// KML writes a checked job as OGC KML 2.2 (OGC 07-147r2): a folder each of
// points, of tags and of the lines between them, with a style for each verdict.
// at has the WGS 84 positions, as match.Locate finds them; what has none is a
// placemark without a geometry. The figures are extended data, in the grid's unit
// as the document's description says; a placemark's description gives them in
// words, with names escaped for the HTML that viewers take it for.
func KML(w io.Writer, dataset string, r *match.Result, at *match.Located) error {
	u := r.Grid.Unit
	doc := kmlDoc{NS: "http://www.opengis.net/kml/2.2"}
	d := &doc.Document
	d.Name = plain(dataset)
	d.Open = 1
	d.Description = html.EscapeString(fmt.Sprintf("Lengths are in %s (%s), on the grid %s %s.", u.Name, u.Symbol, plain(r.Grid.Name), plain(r.Grid.Code)))
	// Colours are alpha, blue, green, red.
	d.Styles = []kmlStyle{
		{ID: "point", Icon: &kmlColour{"ff202020", "0.7"}},
		{ID: string(match.Within), Icon: &kmlColour{"ff6b8e23", "0.8"}, Line: &kmlWidth{"ff6b8e23", 2}},
		{ID: string(match.Over), Icon: &kmlColour{"ff1e9be0", "0.9"}, Line: &kmlWidth{"ff1e9be0", 3}},
		{ID: string(match.Gross), Icon: &kmlColour{"ff3c2ac8", "1.1"}, Line: &kmlWidth{"ff3c2ac8", 4}},
		{ID: string(match.Unjudged), Icon: &kmlColour{"ff8c8c8c", "0.8"}},
	}
	points := kmlFolder{Name: "points"}
	for i := range r.Points {
		p := &r.Points[i]
		m := kmlPlacemark{Name: plain(p.ID), Style: "#point", Point: kmlPoint(at.Points[i])}
		m.data("point", p.ID)
		m.data("code", p.Code)
		m.data("description", p.Desc)
		m.data("e", fixed(p.E, 3))
		m.data("n", fixed(p.N, 3))
		if p.Height != nil {
			m.data("height_m", fixed(*p.Height, 3))
		}
		m.data("photos", strconv.Itoa(len(p.Photos)))
		m.Description = html.EscapeString(strings.TrimSpace(plain(p.Code) + " " + plain(p.Desc) + ", " + plural(len(p.Photos), "photo")))
		points.Placemarks = append(points.Placemarks, m)
	}
	codes := codesByPhoto(r)
	tags := kmlFolder{Name: "tags"}
	for i := range r.Photos {
		m := kmlTag(r, &r.Photos[i], codes[r.Photos[i].Name])
		m.Point = kmlPoint(at.Tags[i])
		tags.Placemarks = append(tags.Placemarks, m)
	}
	lines := kmlFolder{Name: "vectors"}
	for _, v := range vectors(r) {
		from, to := at.Points[v.point], at.Tags[v.photo]
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

// kmlTag is the placemark of a photo without its geometry.
func kmlTag(r *match.Result, p *match.PhotoResult, codes []string) kmlPlacemark {
	u := r.Grid.Unit
	m := kmlPlacemark{Name: plain(p.Name), Style: "#" + string(p.Verdict)}
	words := string(p.Verdict)
	m.data("photo", p.Name)
	if p.Tie != nil {
		m.data("point", p.Tie.Point)
		words += ", of " + plain(p.Tie.Point)
	}
	m.data("verdict", string(p.Verdict))
	m.data("reason", string(p.Reason))
	m.data("why", p.Why)
	if d := p.Discrepancy; d != nil {
		m.data("distance", fixed(d.Distance, 3))
		m.data("d_e", fixed(d.DE, 3))
		m.data("d_n", fixed(d.DN, 3))
		words += fmt.Sprintf(", %s %s", metres(d.Distance), u.Symbol)
		if d.Bearing.Defined() {
			m.data("bearing", fixed(d.Bearing.Degrees(), 4))
			words += " at " + d.Bearing.DMS(0)
		}
	}
	if a := p.Allowance; a != nil {
		m.data("allowed", fixed(a.Threshold/u.Metres, 3))
		words += fmt.Sprintf("; %s %s allowed", metres(a.Threshold/u.Metres), u.Symbol)
	}
	m.data("findings", strings.Join(codes, " "))
	if p.Why != "" {
		words += ": " + plain(p.Why)
	}
	if len(codes) > 0 {
		words += "; findings: " + strings.Join(codes, ", ")
	}
	m.Description = html.EscapeString(words)
	return m
}

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
		m.Data = append(m.Data, kmlData{name, plain(value)})
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
