package report

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"strconv"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// GeoJSONFormat is the name of the GeoJSON document among its foreign members.
const GeoJSONFormat = "phototie-geojson"

// GeoJSON writes a checked job as a FeatureCollection of RFC 7946: a Point for
// each surveyed point, a Point for each photo at its tag, and a LineString from
// point to tag for each discrepancy; the property kind (point, tag, vector) tells
// them apart. at has their WGS 84 positions, as match.Locate finds them. What has
// no position has a null geometry, so that every photo is accounted for. A line
// over the antimeridian is cut there into a MultiLineString, as section 3.1.9
// asks.
//
// Features come in the order of the result, positions with nine decimals (0.1
// mm). Lengths among the properties are in the grid's unit, which the foreign
// member grid of the collection states, but for those whose name ends in _m.
func GeoJSON(w io.Writer, dataset string, r *match.Result, at *match.Located) error {
	p := newPrinter(w)
	head, err := marshal(struct {
		Type    string    `json:"type"`
		Format  string    `json:"format"`
		Version int       `json:"version"`
		Dataset string    `json:"dataset"`
		Grid    grid.Grid `json:"grid"`
		Epoch   float64   `json:"epoch,omitempty"`
	}{"FeatureCollection", GeoJSONFormat, jsonVersion, dataset, r.Grid, at.Epoch})
	if err != nil {
		return err
	}
	codes := r.CodesOf()
	p.printf("%s,\"features\":[", head[:len(head)-1])
	sep := "\n"
	add := func(id string, geometry any, props any) error {
		text, err := marshal(struct {
			Type       string `json:"type"`
			ID         string `json:"id"`
			Geometry   any    `json:"geometry"`
			Properties any    `json:"properties"`
		}{"Feature", id, geometry, props})
		if err != nil {
			return err
		}
		p.printf("%s%s", sep, text)
		sep = ",\n"
		return p.err
	}
	for i := range r.Points {
		pt := &r.Points[i]
		if err := add("point:"+pt.ID, pointAt(at.Points[i]), pointProperties(pt)); err != nil {
			return err
		}
	}
	for i := range r.Photos {
		if err := add("tag:"+r.Photos[i].Name, pointAt(at.Tags[i]), tagProperties{"tag", r.Grid.Unit, &r.Photos[i], codes[r.Photos[i].Name]}); err != nil {
			return err
		}
	}
	for _, v := range vectors(r) {
		from, to := at.From(v.photo, v.point), at.Tags[v.photo]
		if err := add("vector:"+r.Photos[v.photo].Name, line(from, to), tagProperties{"vector", r.Grid.Unit, &r.Photos[v.photo], codes[r.Photos[v.photo].Name]}); err != nil {
			return err
		}
	}
	p.printf("\n]}\n")
	return p.err
}

// marshal is json.Marshal without HTML escapes.
func marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(jsonEscapes{&b})
	enc.SetEscapeHTML(false)
	err := enc.Encode(v)
	return bytes.TrimRight(b.Bytes(), "\n"), err
}

// vector is a discrepancy: the indices of its photo and its point.
type vector struct{ photo, point int }

// vectors lists the photos that have a discrepancy, each with its point.
func vectors(r *match.Result) []vector {
	byID := make(map[string]int, len(r.Points))
	for i := range r.Points {
		byID[r.Points[i].ID] = i
	}
	var out []vector
	for i := range r.Photos {
		p := &r.Photos[i]
		if p.Discrepancy == nil || p.Tie == nil || p.OnGrid == nil {
			continue
		}
		if k, ok := byID[p.Tie.Point]; ok {
			out = append(out, vector{i, k})
		}
	}
	return out
}

// geometry is a geometry object.
type geometry struct {
	Type        string `json:"type"`
	Coordinates any    `json:"coordinates"`
}

// degrees is an angle that is written with nine decimals at most.
type degrees float64

// MarshalJSON writes the angle without an exponent.
func (d degrees) MarshalJSON() ([]byte, error) {
	return strconv.AppendFloat(nil, math.Round(float64(d)*1e9)/1e9, 'f', -1, 64), nil
}

// position is longitude and latitude, in this order.
type position [2]degrees

func pointAt(p grid.LatLon) any {
	if !p.Valid() {
		return nil
	}
	return geometry{"Point", position{degrees(p.Lon), degrees(p.Lat)}}
}

// line is the line between two positions the short way round.
func line(from, to grid.LatLon) any {
	if !from.Valid() || !to.Valid() {
		return nil
	}
	parts := split(from, to)
	coordinates := make([][2]position, len(parts))
	for i, part := range parts {
		for k, p := range part {
			coordinates[i][k] = position{degrees(p.Lon), degrees(p.Lat)}
		}
	}
	if len(parts) == 1 {
		return geometry{"LineString", coordinates[0]}
	}
	return geometry{"MultiLineString", coordinates}
}

// split cuts the line between two positions where it crosses the antimeridian.
func split(from, to grid.LatLon) [][2]grid.LatLon {
	if math.Abs(to.Lon-from.Lon) <= 180 {
		return [][2]grid.LatLon{{from, to}}
	}
	edge := math.Copysign(180, from.Lon)
	// The end as the start counts longitudes, beyond the edge.
	end := to.Lon + 2*edge
	lat := from.Lat
	if end != from.Lon {
		lat += (to.Lat - from.Lat) * (edge - from.Lon) / (end - from.Lon)
	}
	return [][2]grid.LatLon{{from, {Lat: lat, Lon: edge}}, {{Lat: lat, Lon: -edge}, to}}
}

// pointProps are the properties of a surveyed point.
type pointProps struct {
	Kind   string   `json:"kind"`
	Point  string   `json:"point"`
	Code   string   `json:"code,omitempty"`
	Desc   string   `json:"description,omitempty"`
	E      float64  `json:"e"`
	N      float64  `json:"n"`
	Height *float64 `json:"height_m,omitempty"`
	Photos []string `json:"photos"`
	Line   int      `json:"line,omitempty"`
}

func pointProperties(p *match.PointResult) pointProps {
	return pointProps{"point", p.ID, p.Code, p.Desc, p.E, p.N, p.Height, p.Photos, p.Line}
}

// tagProperties are the properties of a photo, at its tag or on its vector. tag_lat
// and tag_lon are what the image says, in the datum that it states.
type tagProperties struct {
	kind  string
	unit  grid.Unit
	photo *match.PhotoResult
	codes []string
}

// MarshalJSON writes them in the order of photoColumns.
func (t tagProperties) MarshalJSON() ([]byte, error) {
	values := photoValues(t.unit, t.photo, t.codes)
	if len(t.codes) > 0 {
		values["findings"] = t.codes
	}
	out := []byte(`{"kind":"` + t.kind + `"`)
	for _, c := range photoColumns {
		v, ok := values[c.name]
		if !ok {
			continue
		}
		if x, ok := v.(float64); ok {
			v = rounded(x, c.decimals)
		}
		text, err := marshal(v)
		if err != nil {
			return nil, err
		}
		out = append(append(append(out, `,"`...), c.name+`":`...), text...)
	}
	return append(out, '}'), nil
}
