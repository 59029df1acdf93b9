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
	r     *Reader
	rows  *rowReader
	files *vfs.FS
	db    *sql.DB
	conn  *sql.Conn
	q     *sql.Rows
	file  fs.File
	// most is how many rows a query may give: the bytes of the file, as a row that
	// is in it takes more than one. Pages that lead to one another in circles give
	// more.
	most int64

	layer string
	srs   int32
	// fid, geom and cols say what the columns of the query are.
	fid   bool
	cols  []column
	names []string
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
	info, err := in.file.Stat()
	if err != nil {
		return &Problem{File: name, What: err.Error()}
	}
	g := &geoPackage{r: r, rows: r.rows(opt), file: in.file, most: info.Size()}
	defer func() {
		if err != nil {
			err = also(err, g.closeDB())
		}
	}()
	var vfsName string
	if vfsName, g.files, err = vfs.New(oneFile{fsys, name}); err != nil {
		return &Problem{File: name, What: err.Error()}
	}
	g.db, err = sql.Open("sqlite", "file:"+dbName+"?vfs="+vfsName+"&mode=ro&immutable=1&_query_only=1")
	if err != nil {
		return &Problem{File: name, What: err.Error()}
	}
	ctx, cancel := context.WithTimeout(context.Background(), mostTime)
	defer cancel()
	if err := g.connect(ctx); err != nil {
		return g.broken(err)
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
	if err := g.query(ctx, l, opt); err != nil {
		return err
	}
	r.src = g
	return nil
}

func (g *geoPackage) problem(remedy, format string, args ...any) error {
	return &Problem{File: g.rows.file, What: fmt.Sprintf(format, args...), Remedy: remedy}
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
func (g *geoPackage) connect(ctx context.Context) error {
	var err error
	if g.conn, err = g.db.Conn(ctx); err != nil {
		return err
	}
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

// broken tells of an error of SQLite.
func (g *geoPackage) broken(err error) error {
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
		return nil, g.broken(err)
	case kind == "view":
		return nil, g.problem("export it as a table", "%q is a view, whose rows are worked out and not in the file", clip(table))
	case kind != "table":
		return nil, g.problem("export it as a table", "%q is a %s table, whose rows are worked out and not in the file", clip(table), kind)
	}
	rows, err := g.conn.QueryContext(ctx, `SELECT name, pk FROM pragma_table_info(?)`, table)
	if err != nil {
		return nil, g.broken(err)
	}
	defer func() { err = also(err, rows.Close()) }()
	for rows.Next() {
		var a attribute
		var pk int
		if err := rows.Scan(&a.name, &pk); err != nil {
			return nil, g.broken(err)
		}
		a.key = pk == 1
		list = append(list, a)
	}
	if err := rows.Err(); err != nil {
		return nil, g.broken(err)
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
func (g *geoPackage) each(ctx context.Context, query string, f func(cells []sql.NullString) error) error {
	rows, err := g.conn.QueryContext(ctx, query)
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
	if err := g.each(ctx, `SELECT table_name, data_type FROM gpkg_contents`, func(c []sql.NullString) error {
		if c[1].String == "features" {
			features[c[0].String] = true
		}
		return nil
	}); err != nil {
		return nil, g.broken(err)
	}
	var all []layer
	if err := g.each(ctx, `SELECT table_name, column_name, geometry_type_name, srs_id, z FROM gpkg_geometry_columns`, func(c []sql.NullString) error {
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
	}); err != nil {
		return nil, g.broken(err)
	}
	slices.SortStableFunc(all, func(a, b layer) int { return strings.Compare(a.table, b.table) })
	return all, nil
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
		var b strings.Builder
		for i, l := range ls {
			if i == 12 {
				b.WriteString(" …")
				break
			}
			if i > 0 {
				b.WriteString(", ")
			}
			fmt.Fprintf(&b, "%q (%s)", clip(l.table), clip(strings.ToLower(l.kind)))
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
func (g *geoPackage) system(ctx context.Context, l layer, opt Options) error {
	if _, err := g.stored(ctx, "gpkg_spatial_ref_sys", "srs_id", "organization", "organization_coordsys_id", "definition"); err != nil {
		return err
	}
	var org, definition sql.NullString
	var code sql.NullInt64
	err := g.conn.QueryRowContext(ctx, `SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys WHERE srs_id = ?`, l.srs).Scan(&org, &code, &definition)
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
func (g *geoPackage) query(ctx context.Context, l layer, opt Options) error {
	fields, err := newFieldMap(opt.Fields)
	if err != nil {
		return err
	}
	list, err := g.stored(ctx, l.table)
	if err != nil {
		return err
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
	g.q, err = g.conn.QueryContext(context.Background(), "SELECT "+strings.Join(sel, ", ")+" FROM "+quote(l.table))
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
		if g.n++; g.n > g.most {
			return Record{}, g.broken(errTooManyRows)
		}
		if err := g.q.Scan(g.dest...); err != nil {
			return Record{}, g.broken(err)
		}
		item := fmt.Sprintf("layer %s, row %d", clip(g.layer), g.n)
		attrs := g.values[1:]
		if g.fid {
			item = fmt.Sprintf("layer %s, fid %v", clip(g.layer), attrs[0])
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
	if g.conn != nil {
		errs = append(errs, g.conn.Close())
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
