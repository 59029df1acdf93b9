package pointfile

import (
	"reflect"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

func collection(members string, features ...string) string {
	return `{"type":"FeatureCollection",` + members + "\"features\":[\n" + strings.Join(features, ",\n") + "\n]}"
}

func pt(props, coords string) string {
	return `{"type":"Feature","properties":` + props + `,"geometry":{"type":"Point","coordinates":` + coords + `}}`
}

// The example of RFC 7946, section 1.5, with a line and an area beside the point.
func TestGeoJSONStandardExample(t *testing.T) {
	const text = `{
       "type": "FeatureCollection",
       "features": [{
           "type": "Feature",
           "geometry": {
               "type": "Point",
               "coordinates": [102.0, 0.5]
           },
           "properties": {
               "prop0": "value0"
           }
       }, {
           "type": "Feature",
           "geometry": {
               "type": "LineString",
               "coordinates": [
                   [102.0, 0.0],
                   [103.0, 1.0],
                   [104.0, 0.0],
                   [105.0, 1.0]
               ]
           },
           "properties": {
               "prop0": "value0",
               "prop1": 0.0
           }
       }, {
           "type": "Feature",
           "geometry": {
               "type": "Polygon",
               "coordinates": [
                   [
                       [100.0, 0.0],
                       [101.0, 0.0],
                       [101.0, 1.0],
                       [100.0, 1.0],
                       [100.0, 0.0]
                   ]
               ]
           },
           "properties": {
               "prop0": "value0",
               "prop1": {
                   "this": "that"
               }
           }
       }]
   }`
	wantError(t, text, Options{}, "points:3: feature 1: the point has no id")
	recs, h := good(t, text, Options{Fields: map[string]string{"prop0": "id"}})
	if len(recs) != 1 || recs[0].ID != "value0" || recs[0].X != 102 || recs[0].Y != 0.5 || recs[0].Line != 3 {
		t.Errorf("%+v", recs)
	}
	if h.CRS != "OGC:CRS84" || h.Axes != Geographic || h.HeightUnit != &grid.Metre || !h.EllipsoidalHeight {
		t.Errorf("%+v", h)
	}
	wantNote(t, h, "what is not a Point is passed over (2 times, first at feature 2)")
}

func TestGeoJSONValues(t *testing.T) {
	f := []string{
		pt(`{"Point ID":17,"Code":true,"note":"x","sigma_e":0.02,"sigma_n":"0.03","cov_en":0.0001,"photos":["a.jpg","b, c.jpg"],"colour":{"r":1}}`, `[1,2,3]`),
		`{"type":"Feature","id":"A 2","properties":null,"geometry":{"type":"MultiPoint","coordinates":[[3,4]]}}`,
		`{"type":"Feature","id":3,"properties":{"photo":"[\"d.jpg\"]","code":null},"geometry":{"type":"Point","coordinates":[-5,-6,7,8]}}`,
	}
	want := []Record{
		{ID: "17", Code: "true", Desc: "x", X: 1, Y: 2, Z: ptr(3), Cov: &[3]float64{4e-4, 1e-4, 9e-4}, Photos: []string{"a.jpg", "b, c.jpg"}},
		{ID: "A 2", X: 3, Y: 4},
		{ID: "3", X: -5, Y: -6, Z: ptr(7), Photos: []string{"d.jpg"}},
	}
	for name, text := range map[string]string{
		"collection": collection("", f...),
		"lines":      strings.Join(f, "\n"),
		"sequence":   "\x1e" + strings.Join(f, "\n\x1e") + "\n",
		"BOM":        "\uFEFF" + collection(`"name":"x","bbox":[1,2,[3,{}]],`, f...) + "\n",
	} {
		t.Run(name, func(t *testing.T) {
			recs, h := good(t, text, Options{})
			if got := places(recs); !reflect.DeepEqual(got, want) {
				t.Errorf("got  %+v\nwant %+v", got, want)
			}
			first := 1
			if name == "collection" || name == "BOM" {
				first = 2
			}
			for i, r := range recs {
				if r.Line != first+i {
					t.Errorf("%s is at line %d, want %d", r.Where, r.Line, first+i)
				}
			}
			wantNote(t, h, "numbers after the third of a position have no meaning")
		})
	}
}

// The crs member of the GeoJSON specification of 2008, section 3.
func TestGeoJSONCRS(t *testing.T) {
	f := pt(`{"id":"A"}`, `[714312.2,558204.75]`)
	crs := func(name string) string { return `"crs":{"type":"name","properties":{"name":"` + name + `"}}` }
	itm := crs("urn:ogc:def:crs:EPSG::2157")
	for name, text := range map[string]string{
		"before":                       collection(itm+",", f),
		"after":                        `{"features":[` + f + `],` + itm + `,"type":"FeatureCollection"}`,
		"beside properties of its own": `{"type":"FeatureCollection","properties":{"a":[1,{}]},` + collection(itm+",", f)[len(`{"type":"FeatureCollection",`):],
		"with a property crs":          collection(itm+",", pt(`{"id":"A","crs":"x"}`, `[714312.2,558204.75]`)),
		"after, property crs":          `{"features":[` + pt(`{"id":"A","crs":"x"}`, `[714312.2,558204.75]`) + `],` + itm + `}`,
	} {
		recs, h := good(t, text, Options{})
		if h.CRS != "EPSG:2157" || h.Axes != Unstated || h.HeightUnit != nil || h.EllipsoidalHeight || recs[0].X != 714312.2 {
			t.Errorf("%s: %+v %+v", name, h, recs)
		}
	}
	// Degrees are degrees: metres in a file that names no system are refused.
	wantError(t, collection("", f), Options{}, "longitude 714312.2 and latitude 558204.75 are no place on Earth; if these are not degrees, say which system they are in (points.crs)")
	wantError(t, collection("", pt(`{"id":"A"}`, `[51,-96]`)), Options{}, "longitude comes first")
	if _, h := good(t, collection("", f), Options{CRS: "EPSG:2157"}); h.CRS != "EPSG:2157" || h.EllipsoidalHeight {
		t.Errorf("%+v", h)
	}
	for _, c := range []string{`"crs":null,`, `"crs":{"type":"link","properties":{"href":"x"}},`, `"crs":7,`, `"crs":{"type":"name"},`} {
		wantError(t, collection(c, f), Options{}, "does not say which system")
		if _, h := good(t, collection(c, f), Options{CRS: "EPSG:2157"}); h.CRS != "EPSG:2157" {
			t.Errorf("%s: %q", c, h.CRS)
		}
	}
	_, h := good(t, collection(itm+",", f), Options{CRS: "EPSG:29903"})
	wantNote(t, h, "the settings say")
	// A key written with an escape can't slip by.
	wantError(t, `{"features":[`+pt(`{"id":"A"}`, `[1,2]`)+`],"\u0063rs":{"type":"name","properties":{"name":"EPSG:2157"}}}`, Options{}, "does not agree")
}

func TestGeoJSONHeights(t *testing.T) {
	// From a property, where positions have none.
	recs, h := good(t, collection("", pt(`{"id":"A","elevation":4.5}`, `[1,2]`), pt(`{"id":"B"}`, `[1,2,9]`), pt(`{"id":"C","elevation":"5"}`, `[1,2]`)), Options{})
	if *recs[0].Z != 4.5 || recs[1].Z != nil || *recs[2].Z != 5 || h.EllipsoidalHeight || h.HeightUnit != nil {
		t.Errorf("%+v %+v", recs, h)
	}
	wantNote(t, h, "earlier features have their height in a property")
	// From the position, which is never mixed with a property.
	recs, h = good(t, collection("", pt(`{"id":"A","elevation":4.5}`, `[1,2,9]`), pt(`{"id":"B","elevation":4.5}`, `[1,2]`)), Options{})
	if *recs[0].Z != 9 || recs[1].Z != nil || !h.EllipsoidalHeight {
		t.Errorf("%+v %+v", recs, h)
	}
	wantNote(t, h, "the height is taken from the position")
	wantNote(t, h, "that of the property is passed over")
}

func TestGeoJSONProblems(t *testing.T) {
	ok := pt(`{"id":"A"}`, `[1,2]`)
	for _, c := range []struct{ text, want string }{
		{collection("", `{"type":"Feature","properties":{"id":"A"},"geometry":null}`), "feature 1: the feature has no geometry"},
		{collection("", `{"type":"Feature","properties":{"id":"A"}}`), "no geometry"},
		{collection("", ok, pt(`{"id":"B"}`, `[]`)), "points:3: feature 2: the Point has no position"},
		{collection("", pt(`{"id":"A"}`, `[1,null]`)), "the 2nd number of the position is not one"},
		{collection("", pt(`{"id":"A"}`, `[1,"2"]`)), "the 2nd number of the position is not one"},
		{collection("", pt(`{"id":"A"}`, `[1e999,2]`)), "the 1st number of the position is not one"},
		{collection("", pt(`{"id":"A"}`, `7`)), "no position"},
		{collection("", pt(`{}`, `[1,2]`)), "the point has no id"},
		{collection("", pt(`{"id":["A"]}`, `[1,2]`)), `property "id" is a list`},
		{collection("", pt(`{"id":{"A":1}}`, `[1,2]`)), `property "id" is an object`},
		{collection("", pt(`{"id":"A","photos":[1]}`, `[1,2]`)), "something other than names"},
		{collection("", pt(`{"id":"A","name":"B"}`, `[1,2]`)), `feature 1: the properties "id" and "name" both say id; say which one is meant, as in points.fields = { "name" = "id" }`},
		{collection("", "7", ok), "feature 1: the feature is not an object"},
		{collection("", `{"type":"Feature","properties":[],"geometry":null}`), "properties is a JSON array"},
		{collection("", `{"type":"Point"}`), `its type is "Point"`},
		{collection("", `{"type":"Feature","properties":{"id":"A"},"geometry":7}`), "geometry is a JSON number"},
		{collection("", `{"type":"Feature","properties":{"id":"A"},"geometry":{"type":"MultiPoint","coordinates":[[1,2],[3,4]]}}`), "a MultiPoint of 2 positions"},
		{collection("", ok) + "{}", "more after the FeatureCollection"},
		{collection("", ok)[:100], "cut off"},
		{`{"type":"FeatureCollection","features":{}}`, "not a list"},
		{collection("", ok, "{]"), "points:3"},
		{ok + "\n" + ok + "\nx", "points:3"},
		{collection("", pt(`{"id":"A\ufffd"}`, `[1,2]`)), "not UTF-8"},
		{collection("", pt(`{"id":"A\u0007"}`, `[1,2]`)), "control characters"},
		{collection("", `{"a":"`+strings.Repeat("x", maxItem+1<<20)+`"}`), "one item takes more than"},
	} {
		t.Run(c.want, func(t *testing.T) { wantError(t, c.text, Options{}, c.want) })
	}
	// A bad feature does not hide the good ones.
	recs, problems, _, err := readAll(memory(collection("", "7", ok, pt(`{}`, `[1]`), pt(`{"id":"B"}`, `[3,4]`))), "points", Options{})
	if err != nil || len(recs) != 2 || len(problems) != 3 {
		t.Errorf("%+v %v %v", recs, problems, err)
	}
	// One of two names for the id.
	recs, _ = good(t, collection("", pt(`{"id":1,"name":"B-01"}`, `[1,2]`)), Options{Fields: map[string]string{"name": "id"}})
	if recs[0].ID != "B-01" {
		t.Errorf("%+v", recs)
	}
	// No features, no points: for the caller to say.
	if recs, _ := good(t, collection(""), Options{}); len(recs) != 0 {
		t.Errorf("%+v", recs)
	}
}

// The line of a feature holds wherever the decoder's buffer ends.
func TestGeoJSONLines(t *testing.T) {
	var f []string
	for range 4000 {
		f = append(f, strings.Repeat(" ", len(f)%97)+pt(`{"id":"A"}`, `[1,2]`)+strings.Repeat(" ", len(f)%13))
	}
	recs, _ := good(t, collection("", f...), Options{})
	for i, r := range recs {
		if r.Line != i+2 {
			t.Fatalf("%s is at line %d, want %d", r.Where, r.Line, i+2)
		}
	}
}
