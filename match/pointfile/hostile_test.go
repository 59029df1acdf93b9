package pointfile

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"regexp"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
	"time"
)

// resident is the most memory that f has the process take beyond what it has
// before, in bytes, and 0 where the system does not tell: SQLite's own memory is
// none of Go's heap.
func resident(t *testing.T, f func()) int64 {
	t.Helper()
	line := regexp.MustCompile(`VmHWM:\s+(\d+) kB`)
	peak := func() int64 {
		text, err := os.ReadFile("/proc/self/status")
		m := line.FindSubmatch(text)
		if err != nil || m == nil {
			return 0
		}
		kb, err := strconv.ParseInt(string(m[1]), 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		return kb << 10
	}
	debug.FreeOSMemory()
	if os.WriteFile("/proc/self/clear_refs", []byte("5"), 0) != nil {
		f()
		return 0
	}
	before := peak()
	f()
	return peak() - before
}

// What a points file may claim, whatever it says, as doc.go promises, and the time
// that a test of it may take, which is far more than it needs.
const (
	mostMemory  = 384 << 20
	mostWaiting = time.Minute
)

// hostileFile reads a file that means harm: it ends within bounds, and in an error
// of the file that says what is wanted, where anything is.
func hostileFile(t *testing.T, b []byte, want string) {
	t.Helper()
	if raceDetector && len(b) > 1<<20 {
		t.Skip("the race detector takes memory and time of its own")
	}
	fsys := fstest.MapFS{"points": {Data: b}}
	var problems []error
	var err error
	start := time.Now()
	took := resident(t, func() {
		_, problems, _, err = readAll(fsys, "points", Options{})
	})
	if took > mostMemory || time.Since(start) > mostWaiting {
		t.Errorf("%d MiB and %v for a file of %d KiB", took>>20, time.Since(start), len(b)>>10)
	}
	if len(problems) > 1000 {
		t.Errorf("%d problems", len(problems))
	}
	all := errors.Join(append(problems, err)...)
	if all == nil {
		if want != "" {
			t.Errorf("no error, want %q", want)
		}
		return
	}
	var p *Problem
	if !errors.As(all, &p) || p.File != "points" || p.Remedy == "" {
		t.Errorf("%v (%T) names no file or no remedy", all, all)
	}
	said := all.Error()
	if !strings.Contains(said, want) {
		t.Errorf("%.400q does not say %q", said, want)
	}
	if len(said) > 4000 {
		t.Errorf("the error has %d bytes: %.200q", len(said), said)
	}
	t.Logf("%d KiB took %d KiB and %v: %.160q", len(b)>>10, took>>10, time.Since(start).Round(time.Millisecond), said)
}

// loop makes pages of a table lead to one another so that a walk through it does
// not end: levels of pages, each of which has the next for all its children, and a
// leaf with rows at the bottom. Source of the layout: SQLite, Database File
// Format, section 1.6.
func loop(t *testing.T, b []byte, root, levels int) []byte {
	t.Helper()
	b = bytes.Clone(b)
	size := int(binary.BigEndian.Uint16(b[16:]))
	page := func(n int) []byte { return b[(n-1)*size : n*size] }
	at := 0
	if root == 1 {
		at = 100 // after the file's header
	}
	if page(root)[at] != 0x05 {
		t.Fatalf("page %d is of kind %#x, not within a table", root, page(root)[at])
	}
	// The leaves below the root, all but the last of which are turned into pages
	// within.
	var leaves []int
	cells := int(binary.BigEndian.Uint16(page(root)[at+3:]))
	for i := range cells {
		cell := int(binary.BigEndian.Uint16(page(root)[at+12+2*i:]))
		leaves = append(leaves, int(binary.BigEndian.Uint32(page(root)[cell:])))
	}
	if len(leaves) < levels+1 {
		t.Fatalf("the table has %d pages", len(leaves))
	}
	chain := append(leaves[1:levels+1], leaves[len(leaves)-1])
	for i, n := range chain[:levels] {
		p := page(n)
		clear(p)
		p[0] = 0x05
		fan := (size - 12) / 8
		binary.BigEndian.PutUint16(p[3:], uint16(fan))
		binary.BigEndian.PutUint16(p[5:], uint16(size-5*fan))
		binary.BigEndian.PutUint32(p[8:], uint32(chain[i+1]))
		for c := range fan {
			cell := size - 5*(c+1)
			binary.BigEndian.PutUint16(p[12+2*c:], uint16(cell))
			binary.BigEndian.PutUint32(p[cell:], uint32(chain[i+1]))
			p[cell+4] = byte(c)
		}
	}
	for i := range cells { // after the first leaf, nothing but the chain
		if i > 0 {
			cell := int(binary.BigEndian.Uint16(page(root)[at+12+2*i:]))
			binary.BigEndian.PutUint32(page(root)[cell:], uint32(chain[0]))
		}
	}
	return b
}

// rootOf finds the first page of a table in the file.
func rootOf(t *testing.T, b []byte, table string) int {
	t.Helper()
	rows, err := query(t, b, `SELECT rootpage FROM sqlite_schema WHERE name = '`+table+`'`)
	if err != nil || len(rows) != 1 {
		t.Fatal(rows, err)
	}
	n, err := strconv.Atoi(rows[0])
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// TestHostileSchema: a GeoPackage whose schema lies, or runs without end.
func TestHostileSchema(t *testing.T) {
	const cols = "fid INTEGER PRIMARY KEY, geom BLOB, id TEXT"
	listed := layerOf("a", "POINT", 2157, 0, cols)[1:]
	with := func(first ...string) []string { return append(first, listed...) }
	endless := `WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x+1 FROM c) `
	for name, c := range map[string]struct {
		statements []string
		want       string
	}{
		"endless view":         {with(`CREATE VIEW a AS ` + endless + `SELECT x AS fid, ` + point12(2157) + ` AS geom, 'P'||x AS id FROM c`), `"a" is a view`},
		"view without a row":   {with(`CREATE VIEW a AS ` + endless + `SELECT x AS fid, x AS geom, x AS id FROM c WHERE x < 0`), `"a" is a view`},
		"giant view":           {with(`CREATE VIEW a AS SELECT 1 AS fid, zeroblob(900000000) AS geom, 'A' AS id`), `"a" is a view`},
		"view of layers":       {append(listed, `DROP TABLE gpkg_contents`, `CREATE VIEW gpkg_contents AS `+endless+`SELECT 'a'||x AS table_name, 'features' AS data_type FROM c`), `"gpkg_contents" is a view`},
		"virtual table":        {with(`CREATE VIRTUAL TABLE a USING fts5(fid, geom, id)`), `"a" is a virtual table`},
		"generated column":     {with(`CREATE TABLE a (fid INTEGER PRIMARY KEY, geom BLOB AS (zeroblob(900000000)), id TEXT)`, `INSERT INTO a (id) VALUES ('A')`), `no column "geom"`},
		"generated id":         {with(`CREATE TABLE a (fid INTEGER PRIMARY KEY, geom BLOB, id TEXT AS (hex(zeroblob(400000000))))`), `no attribute for the id`},
		"giant geometry":       {with(`CREATE TABLE a (`+cols+`)`, `INSERT INTO a VALUES (1, zeroblob(17000000), 'A')`), "takes more than 16 MiB"},
		"giant id":             {with(`CREATE TABLE a (`+cols+`)`, `INSERT INTO a VALUES (1, `+point12(2157)+`, hex(zeroblob(8500000)))`), "takes more than 16 MiB"},
		"no such table":        {listed, `no table "a"`},
		"the schema as layer":  {[]string{`INSERT INTO gpkg_contents (table_name, data_type) VALUES ('sqlite_schema', 'features')`, `INSERT INTO gpkg_geometry_columns VALUES ('sqlite_schema', 'sql', 'POINT', 2157, 0, 0)`}, "no table"},
		"a function as layer":  {[]string{`INSERT INTO gpkg_contents (table_name, data_type) VALUES ('pragma_function_list', 'features')`, `INSERT INTO gpkg_geometry_columns VALUES ('pragma_function_list', 'name', 'POINT', 2157, 0, 0)`}, ""},
		"srs is a text":        {append(with(`CREATE TABLE a (`+cols+`)`), `UPDATE gpkg_geometry_columns SET srs_id = 'x'`), "srs_id"},
		"srs is too large":     {append(with(`CREATE TABLE a (`+cols+`)`), `UPDATE gpkg_geometry_columns SET srs_id = 4294969453`), "srs_id"},
		"a giant list":         {with(`CREATE TABLE a (`+cols+`)`, `INSERT INTO gpkg_contents (table_name, data_type) VALUES (hex(zeroblob(4200000)), 'features'), (hex(zeroblob(4200001)), 'features')`), "takes more than 16 MiB"},
		"a giant layer":        {[]string{`INSERT INTO gpkg_contents (table_name, data_type) VALUES (hex(zeroblob(600000)), 'features')`, `INSERT INTO gpkg_geometry_columns VALUES (hex(zeroblob(600000)), 'sql', 'POINT', 2157, 0, 0)`}, "there is no table"},
		"a giant definition":   {with(`CREATE TABLE a (`+cols+`)`, `UPDATE gpkg_spatial_ref_sys SET organization = '', definition = hex(zeroblob(9000000))`), "takes more than 16 MiB"},
		"terminal sequences":   {[]string{`CREATE TABLE "` + "\x1b]0;x\x07" + `" (geom)`, `INSERT INTO gpkg_contents (table_name, data_type) VALUES (` + "'\x1b]0;x\x07'" + `, 'features')`, `INSERT INTO gpkg_geometry_columns VALUES (` + "'\x1b]0;x\x07'" + `, 'geom', 'POINT', 2157, 0, 0)`}, `layer "\x1b]0;x\a"`},
		"no spatial reference": {with(`CREATE TABLE a (`+cols+`)`, `DROP TABLE gpkg_spatial_ref_sys`), "has no table gpkg_spatial_ref_sys"},
	} {
		t.Run(name, func(t *testing.T) { hostileFile(t, gpkg(t, c.statements...), c.want) })
	}
	// A table that has quotes for a name, and triggers, is read like any other.
	b := gpkg(t, `CREATE TABLE "a""b'); DROP TABLE x; --" (fid INTEGER PRIMARY KEY, geom BLOB, id TEXT, "co""de" TEXT)`,
		`INSERT INTO "a""b'); DROP TABLE x; --" VALUES (1, `+point12(2157)+`, 'A', 'x')`,
		`CREATE TABLE log (t)`, `CREATE TRIGGER steal AFTER UPDATE ON "a""b'); DROP TABLE x; --" BEGIN INSERT INTO log VALUES (1); END`,
		`INSERT INTO gpkg_contents (table_name, data_type) SELECT name, 'features' FROM sqlite_schema WHERE name LIKE 'a"%'`,
		`INSERT INTO gpkg_geometry_columns SELECT table_name, 'geom', 'POINT', 2157, 0, 0 FROM gpkg_contents`)
	recs, problems, _, err := readGPKG(b, Options{Fields: map[string]string{`co"de`: "code"}})
	if err != nil || len(problems) > 0 || len(recs) != 1 || recs[0].ID != "A" || recs[0].Code != "x" {
		t.Errorf("%+v %v %v", recs, problems, err)
	}
}

// TestHostilePages: pages of a GeoPackage that lead round in circles, and headers
// that lie.
func TestHostilePages(t *testing.T) {
	defer func(was time.Duration) { mostTime = was }(mostTime)
	mostTime = 3 * time.Second
	many := func(n int, s string) string {
		return fmt.Sprintf(`WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x+1 FROM c WHERE x < %d) `, n) + s
	}
	const cols = "fid INTEGER PRIMARY KEY, geom BLOB, id TEXT"
	statements := layerOf("a", "POINT", 2157, 0, cols)
	statements = append(statements,
		many(300, `INSERT INTO a SELECT x, `+point12(2157)+`, 'P'||x FROM c`),
		`CREATE TABLE contents2 AS SELECT * FROM gpkg_contents`,
		many(300, `INSERT INTO contents2 SELECT 'none'||x, 'attributes', '', '', '', 0, 0, 0, 0, 0 FROM c`),
		many(300, `INSERT INTO gpkg_geometry_columns SELECT 'none'||x, 'geom', 'POINT', 0, 0, 0 FROM c`),
		many(300, `INSERT INTO gpkg_spatial_ref_sys SELECT x, x+100000, '', 0, '', '' FROM c`),
		`ALTER TABLE gpkg_contents RENAME TO contents1`, `ALTER TABLE contents2 RENAME TO gpkg_contents`,
	)
	for i := range 60 {
		statements = append(statements, fmt.Sprintf(`CREATE TABLE x%d (a, b, c UNIQUE)`, i))
	}
	b := gpkg(t, append(statements, `PRAGMA page_size = 512; VACUUM`)...)
	if recs, problems, _, err := readGPKG(b, Options{}); err != nil || len(problems) > 0 || len(recs) != 300 {
		t.Fatalf("%d records %v %v", len(recs), problems, err)
	}
	for table, want := range map[string]string{
		"a": "more rows than the file has bytes", "gpkg_contents": "takes more than 16 MiB", "gpkg_geometry_columns": "takes more than 16 MiB",
		"the schema": "take more than 3s to look through",
	} {
		if raceDetector && table != "the schema" {
			want = "" // it is slow enough for the time to run out first
		}
		root := 1
		if table != "the schema" {
			root = rootOf(t, b, table)
		}
		t.Run(table, func(t *testing.T) {
			if table != "the schema" && !raceDetector { // however busy the machine is, the size stops it
				defer func(was time.Duration) { mostTime = was }(mostTime)
				mostTime = time.Minute
			}
			hostileFile(t, loop(t, b, root, 12), want)
		})
	}
	// Headers that lie of the page's size, the number of pages, the space reserved
	// at the end of each, the encoding, the version.
	for at, values := range map[int][]string{
		16: {"\x00\x00", "\x00\x01", "\x80\x00", "\xff\xff", "\x04\x00"},
		18: {"\x00\x00", "\x09\x09"},
		20: {"\xff", "\x00\xff"},
		28: {"\xff\xff\xff\xff", "\x00\x00\x00\x01"},
		44: {"\xff\xff\xff\xff"}, 56: {"\x00\x00\x00\x03", "\xff\xff\xff\xff"},
	} {
		for _, v := range values {
			c := bytes.Clone(b)
			copy(c[at:], v)
			start := time.Now()
			took := resident(t, func() {
				recs, problems, _, err := readGPKG(c, Options{})
				if err == nil && len(problems) == 0 && len(recs) != 300 {
					t.Errorf("%q at %d: %d records and no error", v, at, len(recs))
				}
			})
			if took > mostMemory || time.Since(start) > mostWaiting {
				t.Errorf("%q at %d: %d MiB, %v", v, at, took>>20, time.Since(start))
			}
		}
	}
}

// TestHostileGeometry: geometries whose counts, envelopes and numbers lie.
func TestHostileGeometry(t *testing.T) {
	le := binary.AppendByteOrder(binary.LittleEndian)
	multi := func(n uint32, rest ...byte) []byte {
		return append(binary.LittleEndian.AppendUint32(gpb(le, 2157, 0, 4), n), rest...)
	}
	nested := gpb(le, 2157, 0, 7)
	for range 100_000 { // a collection in a collection in a collection
		nested = append(nested, 1, 0, 0, 0, 1, 7, 0, 0, 0)
	}
	var within []byte
	for range 1000 { // the same of MultiPoints, which are read
		within = append(within, 1, 4, 0, 0, 0, 1, 0, 0, 0)
	}
	for name, c := range map[string]struct {
		geometry []byte
		want     string
	}{
		"giant count":        {multi(math.MaxUint32), "MultiPoint of 4294967295"},
		"giant polygon":      {binary.LittleEndian.AppendUint32(gpb(le, 2157, 0, 3), math.MaxUint32), ""},
		"nested collections": {nested, ""},
		"nested MultiPoints": {multi(1, within...), ""},
		"NaN":                {gpb(le, 2157, 0, 1, math.NaN(), math.NaN()), "empty"},
		"half NaN":           {gpb(le, 2157, 0, 1, math.NaN(), 2), "not finite"},
		"infinite":           {gpb(le, 2157, 0, 1, math.Inf(1), 2), "not finite"},
		"infinite height":    {gpb(le, 2157, 0, 1001, 1, 2, math.Inf(-1)), ""},
		"envelope past it":   {gpb(le, 2157, 0, 1, 1, 2)[:12], "cut off"},
		"no bytes":           {[]byte{}, "not a GeoPackageBinary"},
		"endless type":       {gpb(le, 2157, 0, math.MaxUint32, 1, 2), "geometry type 4294967295"},
	} {
		t.Run(name, func(t *testing.T) {
			b := gpkg(t, append(layerOf("a", "GEOMETRY", 2157, 1, "fid INTEGER PRIMARY KEY, geom BLOB, id TEXT"),
				`INSERT INTO a VALUES (1, `+blob(c.geometry)+`, 'A')`, `INSERT INTO a VALUES (2, `+point12(2157)+`, 'B')`)...)
			recs, problems, h, err := readGPKG(b, Options{})
			if err != nil || len(recs) != 1 || recs[0].ID != "B" {
				t.Fatalf("%+v %v %v", recs, problems, err)
			}
			said := strings.Join(h.Notes, "\n")
			for _, p := range problems {
				said += p.Error()
			}
			if said == "" || !strings.Contains(said, c.want) || !strings.Contains(said, "fid 1") {
				t.Errorf("%q, want %q", said, c.want)
			}
			t.Log(said)
		})
	}
}

// manyProperties fills most of an item with properties of names of their own.
func manyProperties() string {
	var b strings.Builder
	for i := 0; b.Len() < maxItem-1<<10; i++ {
		fmt.Fprintf(&b, `,"%x":1`, i)
	}
	return b.String()
}

// TestHostileText: texts that nest, repeat themselves or never end, in each format
// that is text.
func TestHostileText(t *testing.T) {
	land := func(points string) string { return landXMLText("", "", points) }
	gpx := func(points string) string { return `<gpx version="1.1">` + points + `</gpx>` }
	bombs := `<!DOCTYPE a [<!ENTITY a "aaaaaaaaaa">`
	for i := range 20 {
		bombs += fmt.Sprintf(`<!ENTITY %c "%s">`, 'b'+i, strings.Repeat(fmt.Sprintf("&%c;", 'a'+i), 10))
	}
	bombs += `]>`
	outside := `<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]>`
	const most = maxItem + 1<<16
	for name, c := range map[string]struct {
		text func() string
		want string
	}{
		"GPX, entities":          {func() string { return bombs + gpx(`<wpt lat="1" lon="2"><name>&u;</name></wpt>`) }, "invalid character entity &u;"},
		"LandXML, entities":      {func() string { return bombs + land(`<CgPoint name="&u;">1 2</CgPoint>`) }, "invalid character entity &u;"},
		"GPX, an entity outside": {func() string { return outside + gpx(`<wpt lat="1" lon="2"><name>&x;</name></wpt>`) }, "invalid character entity &x;"},
		"GPX, deep":              {func() string { return gpx(`<wpt lat="1" lon="2"><extensions>` + strings.Repeat("<a>", 1_000_000)) }, "nested more than 256 deep"},
		"LandXML, deep":          {func() string { return land(strings.Repeat("<CgPoints>", 1_000_000)) }, "nested more than 256 deep"},
		"GPX, attributes":        {func() string { return gpx(`<wpt ` + strings.Repeat(`a=">" `, most/6)) }, "one tag takes more than 1 MiB"},
		"GPX, one attribute":     {func() string { return gpx(`<wpt lat="` + strings.Repeat(`1`, most)) }, "one tag takes more than 1 MiB"},
		"GPX, a name":            {func() string { return gpx(`<` + strings.Repeat(`a`, most)) }, "one tag takes more than 1 MiB"},
		"GPX, a text":            {func() string { return gpx(`<wpt lat="1" lon="2"><name>` + strings.Repeat(`a`, most)) }, "longer than 1 MiB"},
		"GPX, a text in parts":   {func() string { return gpx(`<wpt lat="1" lon="2"><name>` + strings.Repeat(`aaaaaaa<!---->`, most/14)) }, "longer than 1 MiB"},
		"GPX, links": {func() string {
			return gpx(`<wpt lat="1" lon="2"><name>A</name>` + strings.Repeat(`<link href="a.jpg"/>`, 400_000) + `</wpt>`)
		}, ""},
		"GPX, elements in a point": {func() string {
			return gpx(`<wpt lat="1" lon="2"><name>A</name>` + strings.Repeat(`<a/>`, 3_000_000) + `</wpt><wpt/>`)
		}, "is not a number"},
		"GPX, NaN":         {func() string { return gpx(`<wpt lat="NaN" lon="Inf"><name>A</name></wpt>`) }, `latitude "NaN" is not a number`},
		"GPX, 1e999":       {func() string { return gpx(`<wpt lat="1e999" lon="0x1p9"><name>A</name></wpt>`) }, `latitude "1e999"`},
		"GPX, cut off":     {func() string { return gpxSample[:len(gpxSample)/2] }, "ends too early"},
		"LandXML, cut off": {func() string { return landXMLSample[:len(landXMLSample)/2] }, "ends too early"},
		"LandXML, a WKT": {func() string {
			return landXMLText("", `<CoordinateSystem ogcWktCode="`+strings.Repeat("(", most)+`"/>`, "")
		}, "one tag takes more than 1 MiB"},
		"LandXML, an encoding": {func() string {
			return `<?xml version="1.0" encoding="` + strings.Repeat("x", 100_000) + `"?><LandXML/>`
		}, "is not known"},
		"GeoJSON, deep": {func() string { return `{"type":"Feature","properties":` + strings.Repeat(`{"a":`, 1_000_000) }, "points"},
		"GeoJSON, deep arrays": {func() string {
			return `{"type":"Feature","geometry":{"type":"Point","coordinates":` + strings.Repeat(`[`, 1_000_000)
		}, "points"},
		"GeoJSON, deep and before": {func() string { return strings.Repeat(`{"a":`, 1_000_000) }, "points"},
		"GeoJSON, many coordinates": {func() string {
			return collection("", `{"type":"Feature","properties":{"id":"A"},"geometry":{"type":"Point","coordinates":[`+strings.Repeat("1,", maxItem/2-1000)+`1]}}`)
		}, "its coordinates take"},
		"GeoJSON, many arrays": {func() string {
			return collection("", `{"type":"Feature","properties":{"id":"A","photos":[`+strings.Repeat("[],", maxItem/3-1000)+`[]]},"geometry":{"type":"Point","coordinates":[1,2]}}`)
		}, "takes more than 1024 KiB"},
		"GeoJSON, many properties": {func() string {
			return collection("", `{"type":"Feature","properties":{"id":"A"`+manyProperties()+`},"geometry":{"type":"Point","coordinates":[1,2]}}`)
		}, "properties"},
		"GeoJSON, a long id": {func() string {
			return collection("", `{"type":"Feature","id":"`+strings.Repeat("A", maxRow)+`","properties":{"id":"A"},"geometry":{"type":"Point","coordinates":[1,2]}}`)
		}, ""},
		"GeoJSON, a giant feature": {func() string {
			return collection("", `{"type":"Feature","properties":{"id":"`+strings.Repeat("A", most)+`"},"geometry":{"type":"Point","coordinates":[1,2]}}`)
		}, "16 MiB"},
		"GeoJSON, NaN":           {func() string { return collection("", pt(`{"id":"A"}`, `[NaN,2]`)) }, "points:2"},
		"GeoJSON, 1e999":         {func() string { return collection("", pt(`{"id":"A"}`, `[1e999,2]`)) }, "1st number"},
		"GeoJSON, a long number": {func() string { return collection("", pt(`{"id":"A"}`, `[`+strings.Repeat("9", 1_000_000)+`,2]`)) }, "points"},
		"GeoJSON, cut off":       {func() string { return collection("", pt(`{"id":"A"}`, `[1,2]`))[:60] }, "points"},
		"GeoJSON, an array":      {func() string { return strings.Repeat("[", 1_000_000) }, "points"},
		"a sequence of marks":    {func() string { return strings.Repeat("\x1e", 1_000_000) }, ""},
	} {
		t.Run(name, func(t *testing.T) { hostileFile(t, []byte(c.text()), c.want) })
	}
}

// TestHostileNames: properties that are called something else in each feature are
// not all kept.
func TestHostileNames(t *testing.T) {
	for _, name := range []string{"other", "id", "c o d e"} {
		var b strings.Builder
		for i := range mostNames + 1000 {
			fmt.Fprintf(&b, `{"type":"Feature","properties":{"id":"P%d","%s%s":1},"geometry":{"type":"Point","coordinates":[1,2]}}`+"\n", i, name, strings.Repeat("_", i%1000)+fmt.Sprint(i))
		}
		r, err := Open(memory(b.String()), "points", Options{})
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for rec, err := range r.Records() {
			if err != nil || rec.ID != fmt.Sprintf("P%d", n) {
				t.Fatal(rec, err)
			}
			n++
		}
		if kept := len(r.src.(*geoJSON).look); n != mostNames+1000 || kept > mostNames+1 || len(r.Header().Columns) > mostNames {
			t.Errorf("%d points, %d names and %d columns kept", n, kept, len(r.Header().Columns))
		}
		r.Close()
	}
}
