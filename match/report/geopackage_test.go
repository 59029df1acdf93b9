package report

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/pointfile"
)

// itm is EPSG:2157 as PROJ 9.1 writes it, shortened by its usage.
const itm = `PROJCRS["IRENET95 / Irish Transverse Mercator",BASEGEOGCRS["IRENET95",DATUM["IRENET95",ELLIPSOID["GRS 1980",6378137,298.257222101,LENGTHUNIT["metre",1]]],PRIMEM["Greenwich",0,ANGLEUNIT["degree",0.0174532925199433]]],CONVERSION["Irish Transverse Mercator",METHOD["Transverse Mercator",ID["EPSG",9807]],PARAMETER["Latitude of natural origin",53.5,ANGLEUNIT["degree",0.0174532925199433],ID["EPSG",8801]],PARAMETER["Longitude of natural origin",-8,ANGLEUNIT["degree",0.0174532925199433],ID["EPSG",8802]],PARAMETER["Scale factor at natural origin",0.99982,SCALEUNIT["unity",1],ID["EPSG",8805]],PARAMETER["False easting",600000,LENGTHUNIT["metre",1],ID["EPSG",8806]],PARAMETER["False northing",750000,LENGTHUNIT["metre",1],ID["EPSG",8807]]],CS[Cartesian,2],AXIS["(E)",east,ORDER[1],LENGTHUNIT["metre",1]],AXIS["(N)",north,ORDER[2],LENGTHUNIT["metre",1]]`

func geoPackageOf(t *testing.T, r *match.Result, wkt string) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := GeoPackage(context.Background(), &b, r, GeoPackageOptions{WKT: wkt, Time: time.Date(2026, 6, 3, 9, 0, 0, 0, time.UTC)}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// printed is what GDAL's WKT of 15 digits may be off by.
const printed = 1e-8

// GDAL finds every point, photo and vector where it is on the grid.
func TestGeoPackageReadByGDAL(t *testing.T) {
	for kind, r := range results(t) {
		file := write(t, "x.gpkg", geoPackageOf(t, r, ""))
		points := features(t, file, "points")
		tags := features(t, file, "tags")
		lines := features(t, file, "vectors")
		vs := vectors(r)
		if len(points) != len(r.Points) || len(tags) != len(r.Photos) || len(lines) != len(vs) {
			t.Fatalf("%s: %d points, %d photos, %d vectors; want %d, %d, %d", kind, len(points), len(tags), len(lines), len(r.Points), len(r.Photos), len(vs))
		}
		for i, p := range r.Points {
			near(t, p.ID, points[i]["WKT"], "POINT", printed, p.E, p.N)
			if points[i]["id"] != p.ID || points[i]["description"] != p.Desc || points[i]["photo_count"] != strconv.Itoa(len(p.Photos)) {
				t.Errorf("%s: point %q comes back as %v", kind, p.ID, points[i])
			}
		}
		for i := range r.Photos {
			p, f := &r.Photos[i], tags[i]
			if f["photo"] != words.Safe(p.Name) || f["verdict"] != string(p.Verdict) || f["reason"] != string(p.Reason) || f["why"] != words.Safe(p.Why) {
				t.Errorf("%s: photo %q comes back as %v", kind, p.Name, f)
			}
			if p.OnGrid == nil || p.Reason == match.ReasonBallpark {
				if f["WKT"] != "" {
					t.Errorf("%s: photo %q has no place, and is at %s", kind, p.Name, f["WKT"])
				}
				continue
			}
			near(t, p.Name, f["WKT"], "POINT", printed, p.OnGrid.E, p.OnGrid.N)
		}
		for i, v := range vs {
			p, f := &r.Photos[v.photo], lines[i]
			near(t, p.Name, f["WKT"], "LINESTRING", printed, r.Points[v.point].E, r.Points[v.point].N, p.OnGrid.E, p.OnGrid.N)
			if d, err := strconv.ParseFloat(f["distance"], 64); err != nil || math.Abs(d-p.Discrepancy.Distance) > 1e-4 {
				t.Errorf("distance %q, want %v", f["distance"], p.Discrepancy.Distance)
			}
		}
	}
}

// The system of the layers, as GDAL understands it.
func TestGeoPackageSystem(t *testing.T) {
	r := job(t, grid.Metre)
	for _, c := range []struct {
		name, grid, code, wkt string
		want, not             string
	}{
		{"code and text", "IRENET95 / Irish Transverse Mercator", "EPSG:2157", itm + `,ID["EPSG",2157]]`, `ID["EPSG",2157]`, ""},
		{"code alone", "IRENET95 / Irish Transverse Mercator", "EPSG:2157", "", `PROJCRS["IRENET95 / Irish Transverse Mercator"`, ""},
		{"text alone", "harbour grid", "", strings.Replace(itm, "IRENET95 / Irish Transverse Mercator", "harbour grid", 1) + "]", `PROJCRS["harbour grid"`, "EPSG\",2157"},
		{"neither", "site", "", "", `Undefined Cartesian SRS`, "PROJCRS"},
		{"a code of somebody's own", "site", "HARBOUR:7", "", `Undefined Cartesian SRS`, "PROJCRS"},
		{"a code that is none", "site", "HARBOUR", "", `Undefined Cartesian SRS`, "PROJCRS"},
		{"geographic code of a grid", "site", "EPSG:4326", "", `Undefined Cartesian SRS`, "WGS 84"},
	} {
		g := *r
		g.Grid.Name, g.Grid.Code = c.grid, c.code
		file := write(t, "x.gpkg", geoPackageOf(t, &g, c.wkt))
		out := output(t, "ogrinfo", "-so", file, "tags")
		if !strings.Contains(out, c.want) || c.not != "" && strings.Contains(out, c.not) {
			t.Errorf("%s: want %q and not %q in\n%s", c.name, c.want, c.not, out)
		}
	}
}

// What the standard asks of the file (OGC 12-128r17, requirements in brackets).
func TestGeoPackageKeepsToTheStandard(t *testing.T) {
	for kind, r := range results(t) {
		b := geoPackageOf(t, r, itm+"]")
		if !bytes.HasPrefix(b, []byte("SQLite format 3\x00")) || string(b[68:72]) != "GPKG" || b[63] != 10300%256 || b[62] != 10300/256 { // [1, 2]
			t.Errorf("%s: header % x", kind, b[:100])
		}
		db, err := sql.Open("sqlite", write(t, "x.gpkg", b))
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		ask := func(query string) string {
			var s sql.NullString
			if err := db.QueryRow(query).Scan(&s); err != nil && err != sql.ErrNoRows {
				t.Errorf("%s: %v", query, err)
			}
			return s.String
		}
		for query, want := range map[string]string{
			`PRAGMA integrity_check`:   "ok", // [6]
			`PRAGMA foreign_key_check`: "",   // [7]
			`SELECT group_concat(srs_id) FROM (SELECT srs_id FROM gpkg_spatial_ref_sys WHERE srs_id IN (-1, 0, 4326) ORDER BY 1)`:                                              "-1,0,4326", // [11]
			`SELECT count(*) FROM gpkg_contents c JOIN sqlite_master m ON m.name = c.table_name WHERE data_type = 'features'`:                                                  "3",         // [14, 18]
			`SELECT count(*) FROM gpkg_geometry_columns g JOIN gpkg_contents c USING (table_name, srs_id)`:                                                                     "3",         // [22, 146]
			`SELECT group_concat(last_change) FROM (SELECT DISTINCT last_change FROM gpkg_contents)`:                                                                           "2026-06-03T09:00:00.000Z",
			`SELECT count(*) FROM gpkg_extensions WHERE extension_name = 'gpkg_crs_wkt_1_1'`:                                                                                   "2", // [F.10]
			`SELECT count(*) FROM points WHERE typeof(id) <> 'text' OR typeof(height_m) NOT IN ('real', 'null') OR typeof(photo_count) <> 'integer'`:                           "0", // [5]
			`SELECT count(*) FROM tags WHERE typeof(geom) NOT IN ('blob', 'null') OR typeof(distance) NOT IN ('real', 'null') OR typeof(link_line) NOT IN ('integer', 'null')`: "0",
			`SELECT count(*) FROM tags WHERE instr(photo, char(0)) OR instr(photo, char(10))`:                                                                                  "0",
		} {
			if got := ask(query); got != want {
				t.Errorf("%s: %s gives %q, want %q", kind, query, got, want)
			}
		}
		if kind == "empty" {
			continue
		}
		var lo, hi float64
		if err := db.QueryRow(`SELECT min_x, max_y FROM gpkg_contents WHERE table_name = 'vectors'`).Scan(&lo, &hi); err != nil || lo > 0 || hi < 3 {
			t.Errorf("%s: extent %v %v %v", kind, lo, hi, err)
		}
	}
}

// The layer of points can be read as the points of a job.
func TestGeoPackageReadAsPoints(t *testing.T) {
	r := job(t, grid.Metre)
	g := *r
	g.Grid.Code = "EPSG:2157"
	reader, err := pointfile.Open(fstest.MapFS{"x.gpkg": {Data: geoPackageOf(t, &g, "")}}, "x.gpkg", pointfile.Options{Layer: "points"})
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	i := 0
	for rec, err := range reader.Records() {
		if err != nil {
			t.Fatal(err)
		}
		if p := r.Points[i]; rec.ID != p.ID || rec.X != p.E || rec.Y != p.N || rec.Code != p.Code {
			t.Errorf("%+v, want %+v", rec, p)
		}
		i++
	}
	if i != len(r.Points) || reader.Header().CRS != "EPSG:2157" {
		t.Errorf("%d points in %s", i, reader.Header().CRS)
	}
}

// BenchmarkFormats writes a job of 10,000 photos in each format; copy writes the
// bytes of the GeoPackage to a file, which is the floor.
func BenchmarkFormats(b *testing.B) {
	var points []match.Point
	var photos []match.Photo
	var links []match.Link
	for i := range 10000 {
		name := fmt.Sprintf("photos/IMG_%05d.jpg", i)
		if i%2 == 0 {
			points = append(points, match.Point{ID: fmt.Sprintf("P%d", i), EN: grid.EN{E: float64(i % 100 * 20), N: float64(i / 100 * 20)}})
		}
		p := points[len(points)-1]
		photos = append(photos, match.Photo{Name: name, Tag: tagAt(p.E+2, p.N-1)})
		links = append(links, match.Link{Photo: name, Point: p.ID, Line: i + 2})
	}
	ctx := context.Background()
	opt := match.Options{}
	opt.Ties.Off = true
	r, err := match.Check(ctx, plane{grid.Metre}, points, links, match.All(photos), opt)
	if err != nil {
		b.Fatal(err)
	}
	at, err := match.Locate(ctx, plane{grid.Metre}, r, opt)
	if err != nil {
		b.Fatal(err)
	}
	var file []byte
	for _, f := range []struct {
		name  string
		write func(w *bytes.Buffer) error
	}{
		{"geojson", func(w *bytes.Buffer) error { return GeoJSON(w, "job", r, at) }},
		{"kml", func(w *bytes.Buffer) error { return KML(w, "job", r, at) }},
		{"sarif", func(w *bytes.Buffer) error { return SARIF(w, "job", "", r, outcome(r), Files{}) }},
		{"junit", func(w *bytes.Buffer) error { return JUnit(w, "job", r, outcome(r), match.SeverityNote) }},
		{"gpkg", func(w *bytes.Buffer) error { return GeoPackage(ctx, w, r, GeoPackageOptions{}) }},
		{"csv", func(w *bytes.Buffer) error { return CSV(w, r) }},
		{"json", func(w *bytes.Buffer) error { return Document(w, NewCheck("job", r, outcome(r))) }},
	} {
		b.Run(f.name, func(b *testing.B) {
			var out bytes.Buffer
			for b.Loop() {
				out.Reset()
				if err := f.write(&out); err != nil {
					b.Fatal(err)
				}
			}
			b.SetBytes(int64(out.Len()))
			if f.name == "gpkg" {
				file = out.Bytes()
			}
		})
	}
	b.Run("copy", func(b *testing.B) {
		name := filepath.Join(b.TempDir(), "x")
		for b.Loop() {
			if err := os.WriteFile(name, file, 0o600); err != nil {
				b.Fatal(err)
			}
		}
		b.SetBytes(int64(len(file)))
	})
}
