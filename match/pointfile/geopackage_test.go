package pointfile

import (
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
)

// gpb makes a GeoPackageBinary of a point. code is the geometry type.
func gpb(order binary.AppendByteOrder, srs int32, envelope int, code uint32, v ...float64) []byte {
	little := byte(0)
	if order == binary.AppendByteOrder(binary.LittleEndian) {
		little = 1
	}
	b := []byte{'G', 'P', 0, little | byte(envelope<<1)}
	b = order.AppendUint32(b, uint32(srs))
	for range []int{0, 4, 6, 6, 8}[envelope] {
		b = order.AppendUint64(b, math.Float64bits(-99))
	}
	b = append(b, little)
	b = order.AppendUint32(b, code)
	for _, f := range v {
		b = order.AppendUint64(b, math.Float64bits(f))
	}
	return b
}

func TestParseGeoPackagePoint(t *testing.T) {
	le, be := binary.AppendByteOrder(binary.LittleEndian), binary.AppendByteOrder(binary.BigEndian)
	for _, c := range []struct {
		name string
		b    []byte
		want binaryPoint
	}{
		// As GDAL 3.6 wrote them: a PointZ, and a Point.
		{"GDAL, Z", unhex(t, "475000016d08000001e90300006666666690cc254100000080f9082141d7a3703d0ad71040"), binaryPoint{2157, 714312.2, 558204.75, 4.21, true}},
		{"little-endian", gpb(le, 2157, 0, 1, 1, 2), binaryPoint{2157, 1, 2, 0, false}},
		{"big-endian", gpb(be, 2157, 0, 1, 1, 2), binaryPoint{2157, 1, 2, 0, false}},
		{"envelope XY", gpb(le, 4326, 1, 1, 1, 2), binaryPoint{4326, 1, 2, 0, false}},
		{"envelope XYZ", gpb(be, 4326, 2, 1001, 1, 2, 3), binaryPoint{4326, 1, 2, 3, true}},
		{"envelope XYM, M is no height", gpb(le, 4326, 3, 2001, 1, 2, 3), binaryPoint{4326, 1, 2, 0, false}},
		{"envelope XYZM", gpb(le, -1, 4, 3001, 1, 2, 3, 4), binaryPoint{-1, 1, 2, 3, true}},
		{"no height", gpb(le, 1, 0, 1001, 1, 2, math.NaN()), binaryPoint{1, 1, 2, 0, false}},
		{"one part", append(append(gpb(le, 1, 0, 4), 1, 0, 0, 0), gpb(be, 1, 0, 1, 1, 2)[8:]...), binaryPoint{1, 1, 2, 0, false}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := parseGeoPackagePoint(c.b)
			if err != nil || got != c.want {
				t.Errorf("%+v, %v; want %+v", got, err, c.want)
			}
			// Cut off anywhere, it is refused.
			for n := range c.b {
				if got, err := parseGeoPackagePoint(c.b[:n]); err == nil {
					t.Errorf("%d of %d bytes give %+v", n, len(c.b), got)
				}
			}
			if _, err := parseGeoPackagePoint(append(c.b[:len(c.b):len(c.b)], 0)); err == nil {
				t.Error("a byte too many is accepted")
			}
		})
	}
	ok := gpb(le, 1, 0, 1, 1, 2)
	with := func(i int, v byte) []byte { b := append([]byte(nil), ok...); b[i] = v; return b }
	for want, b := range map[string][]byte{
		"not a GeoPackageBinary":   with(0, 'X'),
		"version 2":                with(2, 1),
		"extended type":            with(3, 0x21),
		"envelope of the":          with(3, 0x0B),
		"geometry is empty":        with(3, 0x11),
		"byte order 2":             with(8, 2),
		"not a point":              gpb(le, 1, 0, 2, 1, 2),
		"geometry type 2147483649": gpb(le, 1, 0, 0x80000001, 1, 2, 3),
		"MultiPoint of 2":          append(gpb(le, 1, 0, 4), 2, 0, 0, 0),
		"empty":                    gpb(le, 1, 0, 1, math.NaN(), math.NaN()),
	} {
		if p, err := parseGeoPackagePoint(b); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q; got %+v, %v", want, p, err)
		}
	}
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

const itmWKT = `PROJCS["IRENET95 / Irish Transverse Mercator",GEOGCS["IRENET95"]]`

// gpkg makes a GeoPackage with the given statements after the tables that the
// standard asks for (OGC 12-128r19, annex C).
func gpkg(t testing.TB, statements ...string) []byte {
	t.Helper()
	name := filepath.Join(t.TempDir(), "x.gpkg")
	db, err := sql.Open("sqlite", name)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range append([]string{
		`PRAGMA application_id = 0x47504B47`,
		`CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL, organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT)`,
		`INSERT INTO gpkg_spatial_ref_sys VALUES ('undefined', -1, 'NONE', -1, 'undefined', ''), ('undefined', 0, 'NONE', 0, 'undefined', ''), ('ITM', 2157, 'EPSG', 2157, '` + itmWKT + `', ''), ('site', 90001, 'Port Velland', 1, 'ENGCRS["quay site"]', '')`,
		`CREATE TABLE gpkg_contents (table_name TEXT PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT, description TEXT, last_change DATETIME, min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER)`,
		`CREATE TABLE gpkg_geometry_columns (table_name TEXT, column_name TEXT, geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL)`,
	}, statements...) {
		if _, err := db.Exec(s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func layerOf(table, kind string, srs, z int, columns string) []string {
	return []string{
		`CREATE TABLE "` + table + `" (` + columns + `)`,
		`INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) VALUES ('` + table + `', 'features', '` + table + `', 2157)`,
		`INSERT INTO gpkg_geometry_columns VALUES ('` + table + `', 'geom', '` + kind + `', ` + strconv.Itoa(srs) + `, ` + strconv.Itoa(z) + `, 0)`,
	}
}

func blob(b []byte) string { return "X'" + hex.EncodeToString(b) + "'" }

// point12 is a point at 1, 2 in the system given.
func point12(srs int32) string { return blob(gpb(binary.LittleEndian, srs, 0, 1, 1, 2)) }

func readGPKG(b []byte, opt Options) ([]Record, []error, Header, error) {
	return readAll(fstest.MapFS{"points": {Data: b}}, "points", opt)
}

func TestGeoPackageRows(t *testing.T) {
	b := gpkg(t, append(layerOf("quay points", "POINT", 2157, 0, `id INTEGER PRIMARY KEY, geom POINT, name TEXT, "Elev." REAL, date DATE, photos TEXT, "say ""what""" TEXT, sigma DOUBLE`),
		`INSERT INTO "quay points" VALUES (7, `+point12(2157)+`, 'B-01', 4.25, '2026-06-03', '["a.jpg"]', 'x', 0.02)`,
		`INSERT INTO "quay points" VALUES (8, `+point12(2157)+`, NULL, NULL, NULL, NULL, NULL, NULL)`,
		`INSERT INTO "quay points" VALUES (9, NULL, 'B-03', NULL, NULL, NULL, NULL, NULL)`,
		`INSERT INTO "quay points" VALUES (10, `+point12(4326)+`, 'B-04', NULL, NULL, NULL, NULL, NULL)`,
		`INSERT INTO "quay points" VALUES (11, `+blob(gpb(binary.LittleEndian, 2157, 0, 2, 0))+`, 'B-05', NULL, NULL, NULL, NULL, NULL)`,
		`INSERT INTO "quay points" VALUES (12, `+point12(2157)+`, 'B-06', NULL, NULL, NULL, NULL, NULL)`,
	)...)
	recs, problems, h, err := readGPKG(b, Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := []Record{{ID: "B-01", X: 1, Y: 2, Z: ptr(4.25), Cov: &[3]float64{4e-4, 0, 4e-4}, Photos: []string{"a.jpg"}}, {ID: "B-06", X: 1, Y: 2}}
	if got := places(recs); !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	if recs[0].Where != "layer quay points, fid 7" {
		t.Errorf("where %q", recs[0].Where)
	}
	said := errors.Join(problems...).Error()
	for _, w := range []string{"points: layer quay points, fid 8: the point has no id", "fid 9: the point has no geometry", "fid 10: the geometry says srs_id 4326 where the layer says 2157"} {
		if !strings.Contains(said, w) {
			t.Errorf("%q is not in\n%s", w, said)
		}
	}
	if len(problems) != 3 || h.CRS != "EPSG:2157" || h.Axes != Plane || h.Layer != "quay points" {
		t.Errorf("%d problems, %+v", len(problems), h)
	}
	wantNote(t, h, "what is not a point is passed over (layer quay points, fid 11)")
	wantNote(t, h, "a date without a time of day")
	// The primary key, by the settings.
	recs, _, _, err = readGPKG(b, Options{Fields: map[string]string{"id": "id", "say \"what\"": "description"}})
	if err != nil || recs[0].ID != "7" || recs[0].Desc != "x" {
		t.Errorf("%+v %v", recs, err)
	}
}

func TestGeoPackageRefuses(t *testing.T) {
	points := func(name string, srs, z int, cols string) []string { return layerOf(name, "POINT", srs, z, cols) }
	const cols = "fid INTEGER PRIMARY KEY, geom BLOB, id TEXT"
	join := func(s ...[]string) (out []string) {
		for _, e := range s {
			out = append(out, e...)
		}
		return out
	}
	for _, c := range []struct {
		name string
		b    []byte
		opt  Options
		want string
	}{
		{"no layers", gpkg(t), Options{}, "no layers of features"},
		{"no points", gpkg(t, layerOf("kerb", "LINESTRING", 2157, 0, cols)...), Options{}, `no layer of points; the layers are "kerb" (linestring)`},
		{"two layers", gpkg(t, join(points("a", 2157, 0, cols), points("b", 2157, 0, cols))...), Options{}, `more than one layer that can hold points: "a" (point), "b" (point); say which one to read, as in points.layer = "a"`},
		{"no such layer", gpkg(t, points("a", 2157, 0, cols)...), Options{Layer: "b"}, `no layer of points "b"`},
		{"undefined system", gpkg(t, points("a", -1, 0, cols)...), Options{}, "does not say which system its points are in (srs_id -1)"},
		{"undefined degrees", gpkg(t, points("a", 0, 0, cols)...), Options{}, "does not say which system"},
		{"no id", gpkg(t, points("a", 2157, 0, "fid INTEGER PRIMARY KEY, geom BLOB, PUNKT TEXT")...), Options{}, `no attribute for the id of a point; the attributes are "fid" "PUNKT"; say which one it is`},
		{"two ids", gpkg(t, points("a", 2157, 0, cols+", name TEXT")...), Options{}, `the attributes "id" and "name" both say id`},
		{"no geometry column", gpkg(t, points("a", 2157, 0, "id TEXT")...), Options{}, `no column "geom"`},
		{"no attribute", gpkg(t, points("a", 2157, 0, cols)...), Options{Fields: map[string]string{"PT": "code"}}, `no attribute "PT"`},
		{"time of no zone", gpkg(t, append(points("a", 2157, 0, cols+", time DATETIME"), `INSERT INTO a VALUES (1, `+point12(2157)+`, 'A', '2026-06-03T09:15:00')`)...), Options{}, "does not say its offset"},
		{"not a geometry", gpkg(t, append(points("a", 2157, 0, cols), `INSERT INTO a VALUES (1, 'text', 'A')`)...), Options{}, "not a GeoPackageBinary"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, problems, _, err := readGPKG(c.b, c.opt)
			if err := errors.Join(append(problems, err)...); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q", err, c.want)
			}
		})
	}
	// A database that is no GeoPackage.
	name := filepath.Join(t.TempDir(), "x.db")
	db, _ := sql.Open("sqlite", name)
	if _, err := db.Exec("CREATE TABLE a (b)"); err != nil {
		t.Fatal(err)
	}
	db.Close()
	b, _ := os.ReadFile(name)
	if _, _, _, err := readGPKG(b, Options{}); err == nil || !strings.Contains(err.Error(), "but not a GeoPackage") {
		t.Errorf("%v", err)
	}
	// What is in a journal must not be missed.
	b = gpkg(t, points("a", 2157, 0, cols)...)
	for _, suffix := range []string{"-wal", "-journal"} {
		fsys := fstest.MapFS{"x.gpkg": {Data: b}, "x.gpkg" + suffix: {Data: []byte("changes")}}
		if _, err := Open(fsys, "x.gpkg", Options{}); err == nil || !strings.Contains(err.Error(), "x.gpkg"+suffix+" beside it holds changes") {
			t.Errorf("%v", err)
		}
	}
	// The system that the settings supply, and one defined by WKT.
	if _, _, h, err := readGPKG(gpkg(t, points("a", -1, 0, cols)...), Options{CRS: "EPSG:2157"}); err != nil || h.CRS != "EPSG:2157" {
		t.Errorf("%+v %v", h, err)
	}
	if _, _, h, err := readGPKG(gpkg(t, points("a", 90001, 0, cols)...), Options{}); err != nil || h.CRS != `ENGCRS["quay site"]` || h.Axes != Plane {
		t.Errorf("%+v %v", h, err)
	}
	// A name that means something in a URI.
	fsys := fstest.MapFS{"a?mode=rw#%41 'b'.gpkg": {Data: b}}
	r, err := Open(fsys, "a?mode=rw#%41 'b'.gpkg", Options{})
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
}

// Bytes overwritten and files cut off end in an error or in records, never in a
// panic.
func TestGeoPackageBroken(t *testing.T) {
	stmts := layerOf("a", "POINT", 2157, 0, "fid INTEGER PRIMARY KEY, geom BLOB, id TEXT")
	for range 200 {
		stmts = append(stmts, `INSERT INTO a (geom, id) VALUES (`+point12(2157)+`, hex(randomblob(8)))`)
	}
	b := gpkg(t, stmts...)
	whole, _, _, err := readGPKG(b, Options{})
	if err != nil || len(whole) != 200 {
		t.Fatalf("%d records, %v", len(whole), err)
	}
	bad := 0
	step := 97
	if testing.Short() || raceDetector {
		step = 997
	}
	for i := 16; i < len(b); i += step {
		c := append([]byte(nil), b...)
		for j := range min(16, len(c)-i) {
			c[i+j] ^= 0xA5
		}
		_, problems, _, err := readGPKG(c, Options{})
		if err != nil || len(problems) > 0 {
			bad++
		}
		readGPKG(b[:i], Options{})
	}
	if bad == 0 {
		t.Error("no damage was noticed")
	}
	for _, n := range []int{100, 1024, 4096, len(b) / 2, len(b) - 4096} {
		recs, problems, _, err := readGPKG(b[:n], Options{})
		if err == nil && len(problems) == 0 && len(recs) != 200 {
			t.Errorf("%d of %d bytes give %d records and no error", n, len(b), len(recs))
		}
	}
}

// query asks a database in memory, and gives the first column of the answer.
func query(t *testing.T, b []byte, text string) (out []string, err error) {
	t.Helper()
	name := filepath.Join(t.TempDir(), "q.gpkg")
	if err := os.WriteFile(name, b, 0o600); err != nil {
		return nil, err
	}
	db, err := sql.Open("sqlite", name)
	if err != nil {
		return nil, err
	}
	defer db.Close()
	rows, err := db.Query(text)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, rows.Err()
}
