package report

import (
	"encoding/xml"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/palette"
)

// styles writes the table layer_styles, in which desktop programs look for the
// styles of layers (common practice, no source), with Styled Layer Descriptors 1.0
// (OGC 02-070): a colour and a shape for each verdict, as in the record.
func (g *geoPackage) styles() error {
	const table = "layer_styles"
	if err := g.exec(`CREATE TABLE ` + table + ` (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT, f_table_schema TEXT, f_table_name TEXT, f_geometry_column TEXT, styleName TEXT, styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT, ui TEXT, update_time DATETIME)`); err != nil {
		return err
	}
	if err := g.exec(`INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) VALUES (?, 'attributes', ?, 'how the layers are drawn', ?)`, table, table, g.time); err != nil {
		return err
	}
	var tags, vectors []sldRule
	for _, v := range match.Verdicts {
		l := palette.Of[v]
		filter := &sldFilter{"verdict", string(v)}
		tags = append(tags, sldRule{Name: string(v), Filter: filter, Point: sldPoint(sldShapes[v], l.Fill, 10*l.Scale)})
		vectors = append(vectors, sldRule{Name: string(v), Filter: filter, Line: &sldStroke{[]sldParameter{{"stroke", l.Fill}, {"stroke-width", fixed(2*l.Line, 1)}}}})
	}
	for _, layer := range []struct {
		name  string
		rules []sldRule
	}{{"points", []sldRule{{Name: "surveyed point", Point: sldPoint("star", "#202020", 10)}}}, {"tags", tags}, {"vectors", vectors}} {
		var text strings.Builder
		if err := encodeXML(&text, sld{Version: "1.0.0", NS: "http://www.opengis.net/sld", OGC: "http://www.opengis.net/ogc", Layer: layer.name, Style: "verdicts", Rules: layer.rules}, " "); err != nil {
			return err
		}
		if err := g.exec(`INSERT INTO `+table+` VALUES (NULL, '', '', ?, 'geom', 'verdicts', NULL, ?, 1, ?, '', NULL, ?)`, layer.name, text.String(), layer.name+" by verdict", g.time); err != nil {
			return err
		}
	}
	return nil
}

// sldShapes are the marks of the verdicts by the names that SLD has for them.
var sldShapes = map[match.Verdict]string{match.Within: "circle", match.Over: "triangle", match.Gross: "square", match.Unjudged: "x"}

// The elements stand in the order that the schema wants.
type (
	sld struct {
		XMLName xml.Name  `xml:"StyledLayerDescriptor"`
		Version string    `xml:"version,attr"`
		NS      string    `xml:"xmlns,attr"`
		OGC     string    `xml:"xmlns:ogc,attr"`
		Layer   string    `xml:"NamedLayer>Name"`
		Style   string    `xml:"NamedLayer>UserStyle>Name"`
		Rules   []sldRule `xml:"NamedLayer>UserStyle>FeatureTypeStyle>Rule"`
	}
	sldRule struct {
		Name   string     `xml:"Name"`
		Filter *sldFilter `xml:"ogc:Filter>ogc:PropertyIsEqualTo"`
		Point  *sldMark   `xml:"PointSymbolizer>Graphic"`
		Line   *sldStroke `xml:"LineSymbolizer>Stroke"`
	}
	sldFilter struct {
		Property string `xml:"ogc:PropertyName"`
		Value    string `xml:"ogc:Literal"`
	}
	sldMark struct {
		Shape string         `xml:"Mark>WellKnownName"`
		Fill  []sldParameter `xml:"Mark>Fill>CssParameter"`
		Size  string         `xml:"Size"`
	}
	sldStroke struct {
		Parameters []sldParameter `xml:"CssParameter"`
	}
	sldParameter struct {
		Name  string `xml:"name,attr"`
		Value string `xml:",chardata"`
	}
)

func sldPoint(shape, fill string, size float64) *sldMark {
	return &sldMark{shape, []sldParameter{{"fill", fill}}, fixed(size, 1)}
}
