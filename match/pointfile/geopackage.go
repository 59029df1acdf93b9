package pointfile

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strconv"
	"strings"

	_ "modernc.org/sqlite" // the driver "sqlite"
	"modernc.org/sqlite/vfs"
)

// geoPackage reads a layer of points of a GeoPackage.
type geoPackage struct {
	r     *Reader
	rows  *rowReader
	files *vfs.FS
	db    *sql.DB
	q     *sql.Rows
	file  fs.File

	layer string
	srs   int32
	// fid, geom and cols say what the columns of the query are.
	fid   bool
	cols  []column
	names []string
	// heightFromColumn says that the positions have none.
	heightFromColumn bool
	values, dest     []any
	n                int
}

// oneFile is a file system that has one file only, so that a name needs no
// quoting on its way through a URI and nothing else can be reached.
type oneFile struct {
	fsys fs.FS
	name string
}

const dbName = "points.gpkg"

func (o oneFile) Open(name string) (fs.File, error) {
	if name != dbName {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return o.fsys.Open(o.name)
}

// layer is a row of gpkg_geometry_columns.
type layer struct {
	table, column, kind string
	srs                 int32
	z                   int
}

func (r *Reader) openGeoPackage(fsys fs.FS, in *input, opt Options) (err error) {
	name := r.header.File
	if _, ok := in.file.(io.Seeker); !ok {
		return &Problem{File: name, What: "a GeoPackage can't be read where files can only be read in order", Remedy: "unpack it first"}
	}
	// A journal or a write-ahead log beside the file holds changes that are not in
	// it; reading without them would show old points, or broken ones.
	for _, suffix := range []string{"-wal", "-journal"} {
		info, err := fs.Stat(fsys, name+suffix)
		if err == nil && info.Size() > 0 {
			return &Problem{File: name, What: fmt.Sprintf("%s%s beside it holds changes that are not in the file yet", name, suffix), Remedy: "close the program that has it open, or open and close it once there"}
		}
	}
	g := &geoPackage{r: r, rows: r.rows(opt), file: in.file}
	defer func() {
		if err != nil {
			err = also(err, g.closeDB())
		}
	}()
	var vfsName string
	if vfsName, g.files, err = vfs.New(oneFile{fsys, name}); err != nil {
		return &Problem{File: name, What: err.Error()}
	}
	// trusted_schema: the schema of a foreign file must not call functions with
	// side effects.
	g.db, err = sql.Open("sqlite", "file:"+dbName+"?vfs="+vfsName+"&mode=ro&immutable=1&_query_only=1&_pragma=trusted_schema(0)")
	if err != nil {
		return &Problem{File: name, What: err.Error()}
	}
	g.db.SetMaxOpenConns(1)
	r.header.Format = GeoPackage
	l, err := g.choose(opt.Layer)
	if err != nil {
		return err
	}
	g.layer, g.srs = l.table, l.srs
	r.header.Layer = l.table
	if err := g.system(l, opt); err != nil {
		return err
	}
	if err := g.query(l, opt); err != nil {
		return err
	}
	r.src = g
	return nil
}

func (g *geoPackage) problem(remedy, format string, args ...any) error {
	return &Problem{File: g.rows.file, What: fmt.Sprintf(format, args...), Remedy: remedy}
}

// broken tells of an error of SQLite.
func (g *geoPackage) broken(err error) error {
	return g.problem("copy or export the file again", "the GeoPackage can't be read: %v", err)
}

// choose finds the layer to read.
func (g *geoPackage) choose(want string) (layer, error) {
	rows, err := g.db.Query(`SELECT c.table_name, g.column_name, g.geometry_type_name, g.srs_id, g.z
		FROM gpkg_contents c JOIN gpkg_geometry_columns g ON g.table_name = c.table_name
		WHERE c.data_type = 'features' ORDER BY c.table_name`)
	if err != nil {
		if strings.Contains(err.Error(), "no such table") {
			return layer{}, g.problem("give a GeoPackage", "this is an SQLite database, but not a GeoPackage: %v", err)
		}
		return layer{}, g.broken(err)
	}
	defer rows.Close()
	var points, all []layer
	for rows.Next() {
		var l layer
		if err := rows.Scan(&l.table, &l.column, &l.kind, &l.srs, &l.z); err != nil {
			return l, g.broken(err)
		}
		all = append(all, l)
		switch strings.ToUpper(l.kind) {
		case "POINT", "MULTIPOINT", "GEOMETRY":
			points = append(points, l)
		}
	}
	if err := rows.Err(); err != nil {
		return layer{}, g.broken(err)
	}
	list := func(ls []layer) string {
		var b strings.Builder
		for i, l := range ls {
			if i > 0 {
				b.WriteString(", ")
			}
			fmt.Fprintf(&b, "%q (%s)", l.table, strings.ToLower(l.kind))
		}
		return b.String()
	}
	if want != "" {
		for _, l := range points {
			if l.table == want {
				return l, nil
			}
		}
		if len(all) == 0 {
			return layer{}, g.problem("export the points as a layer", "there is no layer %q, and no other one", want)
		}
		return layer{}, g.problem("name one of points", "there is no layer of points %q; the layers are %s", want, list(all))
	}
	switch {
	case len(points) == 1:
		return points[0], nil
	case len(points) > 1:
		return layer{}, g.problem(fmt.Sprintf("say which one to read, as in points.layer = %q", points[0].table), "there is more than one layer that can hold points: %s", list(points))
	case len(all) > 0:
		return layer{}, g.problem("export the points as a layer of points", "there is no layer of points; the layers are %s", list(all))
	}
	return layer{}, g.problem("export the points as a layer of points", "the GeoPackage has no layers of features")
}

// system looks up the spatial reference system of the layer.
func (g *geoPackage) system(l layer, opt Options) error {
	var org, definition sql.NullString
	var code sql.NullInt64
	err := g.db.QueryRow(`SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys WHERE srs_id = ?`, l.srs).Scan(&org, &code, &definition)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	if err != nil {
		return g.broken(err)
	}
	o := strings.ToUpper(strings.TrimSpace(org.String))
	wkt := strings.TrimSpace(definition.String)
	crs := ""
	switch {
	case l.srs == 0 || l.srs == -1: // by the standard, undefined
	case (o == "EPSG" || o == "ESRI" || o == "IGNF" || o == "OGC") && code.Int64 > 0:
		crs = o + ":" + strconv.FormatInt(code.Int64, 10)
	case wkt != "" && !strings.EqualFold(wkt, "undefined"):
		crs = wkt
	}
	if crs == "" && opt.CRS == "" {
		return g.problem(`say which (points.crs = "EPSG:2157", for instance)`, "layer %q does not say which system its points are in (srs_id %d)", l.table, l.srs)
	}
	g.r.setCRS(crs, opt)
	if g.r.header.Axes == Unstated && opt.CRS == "" {
		g.r.header.Axes = axesOf(wkt)
	}
	return nil
}

// quote writes a name as an SQL identifier.
func quote(name string) string { return `"` + strings.ReplaceAll(name, `"`, `""`) + `"` }

// query works out what the attributes mean and starts the reading.
func (g *geoPackage) query(l layer, opt Options) error {
	fields, err := newFieldMap(opt.Fields)
	if err != nil {
		return err
	}
	type attribute struct {
		name, kind string
		key        bool
	}
	var list []attribute
	info, err := g.db.Query(`SELECT name, type, pk FROM pragma_table_info(?)`, l.table)
	if err != nil {
		return g.broken(err)
	}
	defer info.Close()
	for info.Next() {
		var a attribute
		var pk int
		if err := info.Scan(&a.name, &a.kind, &pk); err != nil {
			return g.broken(err)
		}
		a.key = pk == 1
		list = append(list, a)
	}
	if err := errors.Join(info.Err(), info.Close()); err != nil {
		return g.broken(err)
	}
	var sel []string
	var has [nColumns]int // index+1 in list
	geom, fid := false, ""
	for i, a := range list {
		if strings.EqualFold(a.name, l.column) {
			geom = true
			continue
		}
		if a.key && fid == "" {
			fid = a.name
		}
		c, ok := fields.look(a.name)
		if !ok {
			continue
		}
		switch c {
		case colEasting, colNorthing, colLongitude, colLatitude:
			continue // the geometry has the position
		}
		if j := has[c]; j > 0 {
			// A primary key is the file's own number of the row; another column that
			// can be the id goes before it.
			switch {
			case list[j-1].key:
			case a.key:
				continue
			default:
				return g.problem(fmt.Sprintf("say which one is meant, as in points.fields = { %q = %q }", a.name, columnNames[c]), "layer %q: the attributes %q and %q both say %s", l.table, list[j-1].name, a.name, columnNames[c])
			}
		}
		has[c] = i + 1
	}
	if !geom {
		return g.problem("export the file again", "layer %q has no column %q, which should hold the geometry", l.table, l.column)
	}
	for name := range opt.Fields {
		found := false
		for _, a := range list {
			found = found || Key(a.name) == Key(name)
		}
		if !found {
			return g.problem("name an attribute that is there", "points.fields: layer %q has no attribute %q", l.table, name)
		}
	}
	if has[colID] == 0 {
		names := make([]string, 0, len(list))
		for _, a := range list {
			names = append(names, a.name)
		}
		return g.problem(`say which one it is, as in points.fields = { "PT_NO" = "id" }`, "layer %q has no attribute for the id of a point; the attributes are %s", l.table, quoteAll(names))
	}
	sel = append(sel, quote(l.column))
	if fid != "" {
		g.fid = true
		sel = append(sel, quote(fid))
	}
	g.heightFromColumn = l.z == 0
	for c := range nColumns {
		i := has[c]
		if i == 0 {
			continue
		}
		a := list[i-1]
		if c == colHeight && !g.heightFromColumn {
			g.rows.notes.plain("the height is taken from the position, not from the attribute %q", a.name)
			continue
		}
		g.r.met(c, "attribute %q", a.name)
		// As text, since the driver would read a time without an offset as UTC.
		sel = append(sel, "CAST("+quote(a.name)+" AS TEXT)")
		g.cols, g.names = append(g.cols, c), append(g.names, a.name)
	}
	if !g.heightFromColumn {
		g.r.met(colHeight, "the position")
	}
	g.q, err = g.db.QueryContext(context.Background(), "SELECT "+strings.Join(sel, ", ")+" FROM "+quote(l.table))
	if err != nil {
		return g.broken(err)
	}
	g.values, g.dest = make([]any, len(sel)), make([]any, len(sel))
	for i := range g.values {
		g.dest[i] = &g.values[i]
	}
	return nil
}

func (g *geoPackage) next() (Record, error) {
	for {
		if !g.q.Next() {
			if err := g.q.Err(); err != nil {
				return Record{}, g.broken(err)
			}
			return Record{}, io.EOF
		}
		g.n++
		if err := g.q.Scan(g.dest...); err != nil {
			return Record{}, g.broken(err)
		}
		item := fmt.Sprintf("layer %s, row %d", g.layer, g.n)
		attrs := g.values[1:]
		if g.fid {
			item = fmt.Sprintf("layer %s, fid %v", g.layer, attrs[0])
			attrs = attrs[1:]
		}
		r := row{rowReader: g.rows, item: item, rec: Record{Where: item}}
		if g.values[0] == nil {
			r.add(-1, "give it a position, or take it out", "the point has no geometry")
			return r.done()
		}
		blob, _ := g.values[0].([]byte)
		p, err := parseGeoPackagePoint(blob)
		switch {
		case errors.Is(err, errNotPoint):
			g.rows.notes.at(item, "what is not a point is passed over")
			continue
		case err != nil:
			r.add(-1, "export the layer again, or take the point out", "%v", err)
			return r.done()
		case p.srs != g.srs:
			r.add(-1, "export the layer again", "the geometry says srs_id %d where the layer says %d", p.srs, g.srs)
		}
		var v cells
		for i, c := range g.cols {
			switch t := attrs[i].(type) {
			case nil:
			case string:
				v[c] = t
			case []byte:
				v[c] = string(bytes.TrimRight(t, "\x00"))
			default:
				v[c] = fmt.Sprint(t)
			}
		}
		var z *float64
		if g.heightFromColumn {
			if t := strings.TrimSpace(v[colHeight]); t != "" {
				h := r.num(colHeight, t)
				z = &h
			}
		} else if p.hasZ {
			z = &p.z
		}
		r.position(p.x, p.y, z, g.r.header.Axes)
		r.fill(&v)
		return r.done()
	}
}

func (g *geoPackage) closeDB() error {
	var errs []error
	if g.q != nil {
		errs = append(errs, g.q.Close())
	}
	if g.db != nil {
		errs = append(errs, g.db.Close())
	}
	if g.files != nil {
		errs = append(errs, g.files.Close())
	}
	return errors.Join(errs...)
}

func (g *geoPackage) Close() error { return errors.Join(g.closeDB(), g.file.Close()) }
