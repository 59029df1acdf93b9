//go:build !wasm

package pointfile

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"time"

	"modernc.org/sqlite" // the driver "sqlite"
	"modernc.org/sqlite/vfs"
)

// geoPackage reads a layer of points of a GeoPackage.
type geoPackage struct {
	*Reader
	conn *sql.Conn
	q    *sql.Rows
	open []io.Closer // the file and what reads it
	// most is how many rows a query may give: the bytes of the file, as a row that
	// is in it takes more than one. Pages that lead to one another in circles give
	// more.
	most int64

	layer string
	srs   int32
	// fid and cols say what the columns of the query are.
	fid  bool
	cols []column
	// heightFromColumn says that the positions have none.
	heightFromColumn bool
	values, dest     []any
	n                int64
}

var errTooManyRows = errors.New("has more rows than the file has bytes")

// mostTime is how long one question about the schema may take.
var mostTime = time.Minute

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
	return openFile(o.fsys, o.name)
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
		return r.problem(0, "unpack it first", "a GeoPackage can't be read where files can only be read in order")
	}
	// A journal or a write-ahead log beside the file holds changes that are not in
	// it; reading without them would show old points, or broken ones.
	for _, suffix := range []string{"-wal", "-journal"} {
		info, err := fs.Stat(fsys, name+suffix)
		if err == nil && info.Size() > 0 {
			return r.problem(0, "close the program that has it open, or open and close it once there", "%s%s beside it holds changes that are not in the file yet", name, suffix)
		}
	}
	info, err := in.file.Stat()
	if err != nil {
		return r.problem(0, "", "%v", err)
	}
	g := &geoPackage{Reader: r, open: []io.Closer{in.file}, most: info.Size()}
	r.src = g
	vfsName, files, err := vfs.New(oneFile{fsys, name})
	if err != nil {
		return err
	}
	g.open = append(g.open, files)
	db, err := sql.Open("sqlite", "file:"+dbName+"?vfs="+vfsName+"&mode=ro&immutable=1&_query_only=1")
	if err != nil {
		return err
	}
	g.open = append(g.open, db)
	ctx, cancel := context.WithTimeout(context.Background(), mostTime)
	defer cancel()
	if err := g.connect(ctx, db); err != nil {
		return err
	}
	r.header.Format = GeoPackage
	l, err := g.choose(ctx, opt.Layer)
	if err != nil {
		return err
	}
	g.layer, g.srs = l.table, l.srs
	r.header.Layer = l.table
	if err := g.system(ctx, l, opt); err != nil {
		return err
	}
	return g.query(ctx, l, opt)
}

func (g *geoPackage) problem(remedy, format string, args ...any) error {
	return g.Reader.problem(0, remedy, format, args...)
}

// Numbers of SQLite's interface in C: SQLITE_LIMIT_LENGTH, SQLITE_LIMIT_LIKE_PATTERN_LENGTH
// and SQLITE_TOOBIG. Source: sqlite.org/c3ref/c_limit_attached.html and
// sqlite.org/rescode.html; they are promised not to change.
const (
	limitLength      = 0
	limitLikePattern = 8
	codeTooBig       = 18
)

// connect opens the database and sets what it may claim.
func (g *geoPackage) connect(ctx context.Context, db *sql.DB) (err error) {
	if g.conn, err = db.Conn(ctx); err != nil {
		return err
	}
	g.open = append(g.open, g.conn)
	for limit, most := range map[int]int{
		limitLength:      maxItem, // of a value, and of a row
		limitLikePattern: 1,       // nothing here asks for it, a schema might
	} {
		if _, err := sqlite.Limit(g.conn, limit, most); err != nil {
			return err
		}
	}
	// trusted_schema: the schema of a foreign file must not call functions with
	// side effects.
	//
	// Reading the schema is the first thing that can run without end. The driver
	// stops what a context ends only where it is not the first statement of a text.
	_, err = g.conn.ExecContext(ctx, `PRAGMA trusted_schema = 0; SELECT 1 FROM sqlite_schema LIMIT 1`)
	return err
}

// explain tells of an error of SQLite.
func (g *geoPackage) explain(err error) error {
	var se *sqlite.Error
	switch {
	case errors.Is(err, errTooManyRows):
		return g.problem("export the layer again", "a table of the GeoPackage %v: it leads round in circles", err)
	case errors.Is(err, context.DeadlineExceeded):
		return g.problem("export the layer again, alone", "the tables of the GeoPackage take more than %v to look through", mostTime)
	case errors.As(err, &se) && se.Code()&0xFF == codeTooBig:
		return g.problem("export the layer without it", "the GeoPackage can't be read: %v", errTooLarge)
	}
	return g.problem("copy or export the file again", "the GeoPackage can't be read: %v", err)
}

// attribute is a column of a table.
type attribute struct {
	name string
	key  bool
}

// stored gives the columns of a table whose rows are in the file. Those of a view
// or a virtual table are worked out when they are asked for, as are generated
// columns (which are not listed): what comes then has no bound, and needs not be
// what the file holds.
func (g *geoPackage) stored(ctx context.Context, table string, needs ...string) (list []attribute, err error) {
	var kind string
	err = g.conn.QueryRowContext(ctx, `SELECT type FROM pragma_table_list(?) WHERE schema = 'main'`, table).Scan(&kind)
	switch {
	case errors.Is(err, sql.ErrNoRows) && strings.HasPrefix(table, "gpkg_"):
		return nil, g.problem("give a GeoPackage", "this is an SQLite database, but not a GeoPackage: it has no table %s", table)
	case errors.Is(err, sql.ErrNoRows):
		return nil, g.problem("export the file again", "there is no table %q, though it is listed as a layer", clip(table))
	case err != nil:
		return nil, err
	case kind == "view":
		return nil, g.problem("export it as a table", "%q is a view, whose rows are worked out and not in the file", clip(table))
	case kind != "table":
		return nil, g.problem("export it as a table", "%q is a %s table, whose rows are worked out and not in the file", clip(table), kind)
	}
	err = g.each(ctx, func(c []sql.NullString) error {
		list = append(list, attribute{c[0].String, c[1].String == "1"})
		return nil
	}, `SELECT name, pk FROM pragma_table_info(?)`, table)
	if err != nil {
		return nil, err
	}
	for _, name := range needs {
		if !slices.ContainsFunc(list, func(a attribute) bool { return strings.EqualFold(a.name, name) }) {
			return nil, g.problem("export the file again", "the table %q has no column %q", clip(table), name)
		}
	}
	return list, nil
}

// each calls f for each row of a query whose rows take no more than maxItem
// together. The query must be a plain walk through a stored table: only then does
// each row come soon after the one before.
func (g *geoPackage) each(ctx context.Context, f func(cells []sql.NullString) error, query string, args ...any) error {
	rows, err := g.conn.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	names, err := rows.Columns()
	if err != nil {
		return err
	}
	cells, dest := make([]sql.NullString, len(names)), make([]any, len(names))
	for i := range cells {
		dest[i] = &cells[i]
	}
	size := 0
	for rows.Next() {
		if err := rows.Scan(dest...); err != nil {
			return err
		}
		for _, c := range cells {
			size += 16 + len(c.String)
		}
		if size > maxItem {
			return errTooLarge
		}
		if err := f(cells); err != nil {
			return err
		}
	}
	return rows.Err()
}

// layers lists the layers of features in the order of their names.
func (g *geoPackage) layers(ctx context.Context) ([]layer, error) {
	if _, err := g.stored(ctx, "gpkg_contents", "table_name", "data_type"); err != nil {
		return nil, err
	}
	if _, err := g.stored(ctx, "gpkg_geometry_columns", "table_name", "column_name", "geometry_type_name", "srs_id", "z"); err != nil {
		return nil, err
	}
	features := map[string]bool{}
	err := g.each(ctx, func(c []sql.NullString) error {
		if c[1].String == "features" {
			features[c[0].String] = true
		}
		return nil
	}, `SELECT table_name, data_type FROM gpkg_contents`)
	if err != nil {
		return nil, err
	}
	var all []layer
	err = g.each(ctx, func(c []sql.NullString) error {
		if !features[c[0].String] {
			return nil
		}
		srs, err := strconv.ParseInt(c[3].String, 10, 32)
		if err != nil {
			return fmt.Errorf("layer %q: srs_id %q is not a number of a system", clip(c[0].String), clip(c[3].String))
		}
		z, err := strconv.Atoi(c[4].String)
		if err != nil {
			return fmt.Errorf("layer %q: z %q is not 0, 1 or 2", clip(c[0].String), clip(c[4].String))
		}
		all = append(all, layer{table: c[0].String, column: c[1].String, kind: c[2].String, srs: int32(srs), z: z})
		return nil
	}, `SELECT table_name, column_name, geometry_type_name, srs_id, z FROM gpkg_geometry_columns`)
	slices.SortStableFunc(all, func(a, b layer) int { return strings.Compare(a.table, b.table) })
	return all, err
}

// choose finds the layer to read.
func (g *geoPackage) choose(ctx context.Context, want string) (layer, error) {
	all, err := g.layers(ctx)
	if err != nil {
		return layer{}, err
	}
	var points []layer
	for _, l := range all {
		switch strings.ToUpper(l.kind) {
		case "POINT", "MULTIPOINT", "GEOMETRY":
			points = append(points, l)
		}
	}
	list := func(ls []layer) string {
		return listAll(ls, ", ", func(l layer) string { return fmt.Sprintf("%q (%s)", clip(l.table), clip(strings.ToLower(l.kind))) })
	}
	if want != "" {
		points = slices.DeleteFunc(points, func(l layer) bool { return l.table != want })
	}
	switch {
	case len(points) == 1:
		return points[0], nil
	case want != "" && len(all) == 0:
		return layer{}, g.problem("export the points as a layer", "there is no layer %q, and no other one", want)
	case want != "":
		return layer{}, g.problem("name one of points", "there is no layer of points %q; the layers are %s", want, list(all))
	case len(points) > 1:
		return layer{}, g.problem(fmt.Sprintf("say which one to read, as in points.layer = %q", points[0].table), "there is more than one layer that can hold points: %s", list(points))
	case len(all) > 0:
		return layer{}, g.problem("export the points as a layer of points", "there is no layer of points; the layers are %s", list(all))
	}
	return layer{}, g.problem("export the points as a layer of points", "the GeoPackage has no layers of features")
}

// system is the layer's spatial reference system, by its code where it has one; empty
// where it is undefined.
func (l layer) system(organization string, code int64, wkt string) string {
	switch o := strings.ToUpper(strings.TrimSpace(organization)); {
	case l.srs == 0 || l.srs == -1: // by the standard, undefined
		return ""
	case slices.Contains([]string{"EPSG", "ESRI", "IGNF", "OGC"}, o) && code > 0:
		return o + ":" + strconv.FormatInt(code, 10)
	case strings.EqualFold(wkt, "undefined"):
		return ""
	}
	return wkt
}

// system looks up the spatial reference system of the layer.
func (g *geoPackage) system(ctx context.Context, l layer, opt Options) error {
	if _, err := g.stored(ctx, "gpkg_spatial_ref_sys", "srs_id", "organization", "organization_coordsys_id", "definition"); err != nil {
		return err
	}
	var org, definition sql.NullString
	var code sql.NullInt64
	err := g.conn.QueryRowContext(ctx, `SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys WHERE srs_id = ?`, l.srs).Scan(&org, &code, &definition)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	wkt := strings.TrimSpace(definition.String)
	crs := l.system(org.String, code.Int64, wkt)
	if crs == "" && opt.CRS == "" {
		return g.problem(`say which (points.crs = "EPSG:2157", for instance)`, "layer %q does not say which system its points are in (srs_id %d)", l.table, l.srs)
	}
	g.setCRS(crs, opt)
	if g.header.Axes == Unstated && opt.CRS == "" {
		g.header.Axes = axesOf(wkt)
	}
	return nil
}

// quote writes a name as an SQL identifier.
func quote(name string) string { return `"` + strings.ReplaceAll(name, `"`, `""`) + `"` }

// attributes lists what a layer stores beside the geometry.
func (g *geoPackage) attributes(ctx context.Context, l layer, opt Options) ([]attribute, error) {
	list, err := g.stored(ctx, l.table)
	if err != nil {
		return nil, err
	}
	for name := range opt.Fields {
		if !slices.ContainsFunc(list, func(a attribute) bool { return Key(a.name) == Key(name) }) {
			return nil, g.problem("name an attribute that is there", "points.fields: layer %q has no attribute %q", l.table, name)
		}
	}
	isGeometry := func(a attribute) bool { return strings.EqualFold(a.name, l.column) }
	if !slices.ContainsFunc(list, isGeometry) {
		return nil, g.problem("export the file again", "layer %q has no column %q, which should hold the geometry", l.table, l.column)
	}
	return slices.DeleteFunc(list, isGeometry), nil
}

// query works out what the attributes mean and starts the reading.
func (g *geoPackage) query(ctx context.Context, l layer, opt Options) error {
	list, err := g.attributes(ctx, l, opt)
	if err != nil {
		return err
	}
	from, err := g.sources(l, list)
	if err != nil {
		return err
	}
	sel := []string{quote(l.column)}
	if i := slices.IndexFunc(list, func(a attribute) bool { return a.key }); i >= 0 {
		g.fid = true
		sel = append(sel, quote(list[i].name))
	}
	g.heightFromColumn = l.z == 0
	for c := range nColumns {
		a := from[c]
		switch {
		case a == nil:
		case c == colHeight && !g.heightFromColumn:
			g.notes.plain("the height is taken from the position, not from the attribute %q", a.name)
		default:
			g.met(c, "attribute", a.name)
			// As text, since the driver would read a time without an offset as UTC.
			sel = append(sel, "CAST("+quote(a.name)+" AS TEXT)")
			g.cols = append(g.cols, c)
		}
	}
	if !g.heightFromColumn {
		g.met(colHeight, "the position", "")
	}
	g.q, err = g.conn.QueryContext(context.Background(), "SELECT "+strings.Join(sel, ", ")+" FROM "+quote(l.table))
	if err != nil {
		return err
	}
	g.open = append(g.open, g.q)
	g.values, g.dest = make([]any, len(sel)), make([]any, len(sel))
	for i := range g.values {
		g.dest[i] = &g.values[i]
	}
	return nil
}

// sources finds the attribute that each column comes from.
func (g *geoPackage) sources(l layer, list []attribute) (from [nColumns]*attribute, err error) {
	for i := range list {
		a := &list[i]
		c := g.fields.attribute(a.name)
		switch {
		case c < 0:
		// A primary key is the file's own number of the row; another column that can
		// be the id goes before it.
		case from[c] == nil || from[c].key:
			from[c] = a
		case !a.key:
			return from, g.problem(sayWhich(a.name, c), "layer %q: the attributes %q and %q both say %s", l.table, from[c].name, a.name, columnNames[c])
		}
	}
	if from[colID] == nil {
		return from, g.problem(`say which one it is, as in points.fields = { "PT_NO" = "id" }`, "layer %q has no attribute for the id of a point; the attributes are %s", l.table,
			listAll(list, " ", func(a attribute) string { return strconv.Quote(clip(a.name)) }))
	}
	return from, nil
}

func (g *geoPackage) next() (Record, error) {
	for g.q.Next() {
		if g.n++; g.n > g.most {
			return Record{}, errTooManyRows
		}
		if err := g.q.Scan(g.dest...); err != nil {
			return Record{}, err
		}
		item := fmt.Sprintf("layer %s, row %d", clip(g.layer), g.n)
		attrs := g.values[1:]
		if g.fid {
			item = fmt.Sprintf("layer %s, fid %v", clip(g.layer), attrs[0])
			attrs = attrs[1:]
		}
		r := row{Reader: g.Reader, item: item, rec: Record{Where: item}}
		if g.point(&r, attrs) {
			return r.done()
		}
	}
	if err := g.q.Err(); err != nil {
		return Record{}, err
	}
	return Record{}, io.EOF
}

// point reads a row of the query. use is false for what is not a point.
func (g *geoPackage) point(r *row, attrs []any) (use bool) {
	if g.values[0] == nil {
		r.add(-1, "give it a position, or take it out", "the point has no geometry")
		return true
	}
	blob, _ := g.values[0].([]byte)
	p, err := parseGeoPackagePoint(blob)
	switch {
	case errors.Is(err, errNotPoint):
		g.notes.at(r.item, "what is not a point is passed over")
		return false
	case err != nil:
		r.add(-1, "export the layer again, or take the point out", "%v", err)
		return true
	case p.srs != g.srs:
		r.add(-1, "export the layer again", "the geometry says srs_id %d where the layer says %d", p.srs, g.srs)
	}
	var v cells
	for i, c := range g.cols {
		switch t := attrs[i].(type) {
		case nil:
		case []byte:
			v[c] = string(bytes.TrimRight(t, "\x00"))
		default:
			v[c] = fmt.Sprint(t)
		}
	}
	var z *float64
	if g.heightFromColumn {
		z = r.height(v[colHeight])
	} else if p.hasZ {
		z = &p.z
	}
	r.position(p.x, p.y, z)
	r.fill(&v)
	return true
}

// Close closes what has been opened, the last first.
func (g *geoPackage) Close() error {
	var errs []error
	for _, c := range slices.Backward(g.open) {
		errs = append(errs, c.Close())
	}
	return errors.Join(errs...)
}
