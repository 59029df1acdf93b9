package pointfile

import (
	"encoding/json"
	"encoding/xml"
	"errors"
	"example.com/phototie/grid"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"
)

// anyInput checks what must hold whatever a file says: no panic, no endless
// reading, and records that keep their promises.
func anyInput(t *testing.T, text string, opt Options) {
	recs, problems, h, err := readAll(memory(text), "points", opt)
	if err != nil {
		var p *Problem
		if !errors.As(err, &p) {
			t.Fatalf("%v (%T) is not a Problem", err, err)
		}
	}
	for _, err := range problems {
		var p *Problem
		if !errors.As(err, &p) || p.File != "points" || p.What == "" {
			t.Fatalf("%v (%T) is not a Problem of the file", err, err)
		}
	}
	if len(recs) > len(text) {
		t.Fatalf("%d records from %d bytes", len(recs), len(text))
	}
	lines := strings.Count(text, "\n") + 1
	last := 0
	for _, r := range recs {
		if r.ID == "" || r.ID != strings.TrimSpace(r.ID) || !utf8.ValidString(r.ID) {
			t.Fatalf("id %q", r.ID)
		}
		if !grid.Finite(r.X, r.Y) || r.Z != nil && !grid.Finite(*r.Z) {
			t.Fatalf("%+v", r)
		}
		if h.Axes == Geographic && (math.Abs(r.X) > 180 || math.Abs(r.Y) > 90) {
			t.Fatalf("%+v is no place on Earth", r)
		}
		if c := r.Cov; c != nil && !(c[0] >= 0 && c[2] >= 0 && grid.Finite(c[0], c[1]) && grid.Finite(c[2])) {
			t.Fatalf("covariance %v", *c)
		}
		if r.Line < 1 || r.Line > lines || r.Line < last {
			t.Fatalf("line %d after %d of %d", r.Line, last, lines)
		}
		last = r.Line
	}
	_ = h.String()
}

func FuzzDelimited(f *testing.F) {
	f.Add(velland, false)
	f.Add("P;N;E\nA;1,5;2\n", false)
	f.Add("1 514312,2 5558204,75 \"x\"\"y\"\n2 514320,5 5558201,25 z\n", true)
	f.Add("id\te\tn\n\n\"A\"\t1\t2\n", true)
	f.Fuzz(func(t *testing.T, text string, area bool) {
		opt := Options{}
		if area {
			opt = utm
		}
		anyInput(t, text, opt)
		// What is sniffed, given as settings, is sniffed again.
		if l, err := sniffText(text, opt); err == nil {
			o := Options{Separator: l.Separator, Decimal: l.Decimal, Columns: l.Columns}
			if again, err := sniffText(text, o); err != nil || again.Header != l.Header {
				t.Fatalf("%+v given back: %+v, %v", l, again, err)
			}
		}
	})
}

func FuzzGeoJSON(f *testing.F) {
	f.Add(collection(`"crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::2157"}},`, pt(`{"id":"A","photos":["a"]}`, `[1,2,3]`)))
	f.Add(`{"features":[` + pt(`{"id":1,"z":"2"}`, `[1,2]`) + `],"crs":null,"type":"FeatureCollection"}`)
	f.Add("\x1e" + pt(`{"id":1}`, `[1,2]`) + "\n\x1e" + pt(`{"id":2}`, `[1,2]`))
	f.Add(`{"type":"Feature","id":3,"geometry":{"type":"MultiPoint","coordinates":[[1,2]]}}`)
	f.Fuzz(func(t *testing.T, text string) {
		anyInput(t, "{"+text, Options{})
		anyInput(t, text, Options{CRS: "EPSG:2157"})
	})
}

func FuzzLandXML(f *testing.F) {
	f.Add(landXMLSample)
	f.Add(`<LandXML><CgPoints><CgPoint name="A" pntRef="B"/></CgPoints><CoordinateSystem epsgCode="1"/></LandXML>`)
	f.Add("<?xml version='1.0' encoding='ISO-8859-1'?><LandXML/>")
	f.Fuzz(func(t *testing.T, text string) { anyInput(t, text, Options{}) })
}

func FuzzGPX(f *testing.F) {
	f.Add(gpxSample)
	f.Add(`<gpx version="1.0"><wpt lat="1" lon="2"><extensions><a><code>x</code></a></extensions></wpt></gpx>`)
	f.Fuzz(func(t *testing.T, text string) { anyInput(t, text, Options{}) })
}

func FuzzGeoPackagePoint(f *testing.F) {
	b := []byte("GP\x00\x01\x6d\x08\x00\x00\x01\xe9\x03\x00\x00fffff\x90\xcc%A\x00\x00\x00\x80\xf9\x08!A\xd7\xa3p=\x0a\xd7\x10@")
	f.Add(b)
	f.Add([]byte("GP\x00\x08"))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := parseGeoPackagePoint(b)
		if err == nil && math.IsNaN(p.x) && math.IsNaN(p.y) {
			t.Fatal("an empty point is accepted")
		}
	})
}

// A whole GeoPackage, as SQLite reads it: pages of 512 bytes, so that few bytes
// make many pages.
func FuzzGeoPackage(f *testing.F) {
	const cols = "fid INTEGER PRIMARY KEY, geom BLOB, id TEXT, code TEXT"
	small := `PRAGMA page_size = 512; VACUUM`
	f.Add(gpkg(f, append(layerOf("a", "POINT", 2157, 0, cols), `INSERT INTO a VALUES (1, `+point12(2157)+`, 'A', 'BOL')`, small)...))
	many := append(layerOf("a", "POINT", 2157, 1, cols), `WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x+1 FROM c WHERE x < 60) INSERT INTO a SELECT x, `+point12(2157)+`, 'P'||x, '' FROM c`, small)
	f.Add(gpkg(f, many...))
	defer func(was time.Duration) { mostTime = was }(mostTime)
	mostTime = 2 * time.Second
	f.Fuzz(func(t *testing.T, b []byte) {
		recs, problems, h, err := readGPKG(b, Options{CRS: "EPSG:2157"})
		for _, err := range append(problems, err) {
			var p *Problem
			if err != nil && (!errors.As(err, &p) || p.File != "points" || p.What == "") {
				t.Fatalf("%v (%T) is not a Problem of the file", err, err)
			}
		}
		if len(recs) > len(b) {
			t.Fatalf("%d records from %d bytes", len(recs), len(b))
		}
		for _, r := range recs {
			if r.ID == "" || !grid.Finite(r.X, r.Y) || r.Z != nil && !grid.Finite(*r.Z) || r.Where == "" {
				t.Fatalf("%+v", r)
			}
		}
		_ = h.String()
	})
}

// texts are what ids and descriptions may be made of.
var texts = rapid.StringOfN(rapid.RuneFrom([]rune(`abcXYZ019-_.Øß京"'&<>,;| `)), 1, 12, -1)

// What is written in a format comes back, to the last bit of each number.
func TestRoundTrip(t *testing.T) {
	coordinate := rapid.Float64Range(-5e6, 1e7)
	record := rapid.Custom(func(t *rapid.T) Record {
		r := Record{
			ID:   "P" + strings.TrimSpace(texts.Draw(t, "id")),
			Code: strings.TrimSpace(texts.Draw(t, "code")),
			Desc: strings.TrimSpace(texts.Draw(t, "desc")),
			X:    coordinate.Draw(t, "x"),
			Y:    coordinate.Draw(t, "y"),
		}
		if rapid.Bool().Draw(t, "3D") {
			r.Z = ptr(coordinate.Draw(t, "z"))
		}
		if rapid.Bool().Draw(t, "timed") {
			r.Observed = time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "s"), rapid.Int64Range(0, 999).Draw(t, "ms")*1e6).UTC()
		}
		return r
	})
	num := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	when := func(r Record) string {
		if r.Observed.IsZero() {
			return ""
		}
		return r.Observed.Format(time.RFC3339Nano)
	}
	height := func(r Record) string {
		if r.Z == nil {
			return ""
		}
		return num(*r.Z)
	}
	esc := func(s string) string {
		var b strings.Builder
		if err := xml.EscapeText(&b, []byte(s)); err != nil {
			panic(err)
		}
		return b.String()
	}
	js := func(v any) string {
		b, err := json.Marshal(v)
		if err != nil {
			panic(err)
		}
		return string(b)
	}
	writers := map[string]func(recs []Record) string{
		"delimited": func(recs []Record) string {
			var b strings.Builder
			b.WriteString("id|northing|easting|height|code|description|time\n")
			q := func(s string) string { return `"` + strings.ReplaceAll(s, `"`, `""`) + `"` }
			for _, r := range recs {
				fmt.Fprintf(&b, "%s|%s|%s|%s|%s|%s|%s\n", q(r.ID), num(r.Y), num(r.X), height(r), q(r.Code), q(r.Desc), when(r))
			}
			return b.String()
		},
		"GeoJSON": func(recs []Record) string {
			var f []string
			for _, r := range recs {
				c := "[" + num(r.X) + "," + num(r.Y) + "]"
				if r.Z != nil {
					c = "[" + num(r.X) + "," + num(r.Y) + "," + num(*r.Z) + "]"
				}
				f = append(f, pt(js(map[string]string{"id": r.ID, "code": r.Code, "desc": r.Desc, "time": when(r)}), c))
			}
			return collection(`"crs":{"type":"name","properties":{"name":"EPSG:2157"}},`, f...)
		},
		"LandXML": func(recs []Record) string {
			var b strings.Builder
			for _, r := range recs {
				fmt.Fprintf(&b, `<CgPoint name="%s" code="%s" desc="%s" timeStamp="%s">%s %s %s</CgPoint>`, esc(r.ID), esc(r.Code), esc(r.Desc), when(r), num(r.Y), num(r.X), height(r))
			}
			return landXMLText("", "", b.String())
		},
		"GPX": func(recs []Record) string {
			var b strings.Builder
			for _, r := range recs {
				fmt.Fprintf(&b, `<wpt lat="%s" lon="%s">`, num(r.Y), num(r.X))
				if r.Z != nil {
					fmt.Fprintf(&b, "<ele>%s</ele>", height(r))
				}
				fmt.Fprintf(&b, "<time>%s</time><name>%s</name><type>%s</type><desc>%s</desc></wpt>\n", when(r), esc(r.ID), esc(r.Code), esc(r.Desc))
			}
			return `<gpx version="1.1">` + b.String() + `</gpx>`
		},
	}
	for name, write := range writers {
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				recs := rapid.SliceOfN(record, 1, 5).Draw(t, "records")
				for i := range recs {
					if name == "GPX" {
						recs[i].X, recs[i].Y = recs[i].X/1e5, recs[i].Y/2e5
					}
				}
				text := write(recs)
				got, problems, _, err := readAll(memory(text), "points", Options{})
				if err != nil || len(problems) > 0 || len(got) != len(recs) {
					t.Fatalf("%d of %d records, %v %v\n%s", len(got), len(recs), problems, err, text)
				}
				for i, g := range got {
					w := recs[i]
					if g.ID != w.ID || g.Code != w.Code || g.Desc != w.Desc || g.X != w.X || g.Y != w.Y || (g.Z == nil) != (w.Z == nil) || g.Z != nil && *g.Z != *w.Z || !g.Observed.Equal(w.Observed) {
						t.Fatalf("got %+v, want %+v\n%s", g, w, text)
					}
				}
			})
		})
	}
}
