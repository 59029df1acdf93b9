package report

import (
	"cmp"
	"context"
	"database/sql"
	_ "embed"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
)

// GeoPackageOptions are what a GeoPackage says that a Result does not know.
type GeoPackageOptions struct {
	// WKT is the grid as well-known text 2 (ISO 19162), of a site system its base;
	// empty where there is none. A Projection of package grid/crs has it.
	WKT string
	// Site is the system of a job whose points are in site coordinates; nil where
	// they are on a projected grid.
	Site Based
	// Time is the time of the last change that is stated for the layers. A fixed
	// one makes the file reproducible to the byte.
	Time time.Time
}

// Based is a site system on the grid of its base, as package grid/site makes it.
type Based interface {
	Base() grid.Projection
	// ToBase transforms a position of the site to the base.
	ToBase(at grid.EN) grid.EN
}

// GeoPackage writes a checked job as a GeoPackage 1.3 (OGC 12-128r17) on the
// job's own grid, so that distances measured in it are those of the report: a
// layer of points, one of tags (photos that have no place on the grid have no
// geometry), and one of vectors, the lines from point to tag. Columns are those of
// CSV, as text, numbers and NULL. The layer of points can be read as the points of
// a job. Each layer has its style, for programs that look for one in the file.
//
// Maps know no site system: with opt.Site the layers are on its base, with the
// coordinates of the site beside them in the columns site_e and site_n (of a tag, in
// the layers of photos). Lengths stay those of the report, in the site system.
//
// The system is named by its authority code, with its text by the extension for
// well-known text 2. A grid with a text and no code gets a number of its own; one
// without a text and a code of EPSG is the standard's undefined Cartesian system.
//
// In WebAssembly there is no database engine, and the error is errors.ErrUnsupported.
func GeoPackage(ctx context.Context, w io.Writer, r *match.Result, opt GeoPackageOptions) (err error) {
	if !slices.Contains(sql.Drivers(), driver) {
		return fmt.Errorf("geopackage: %w in WebAssembly: write another format", errors.ErrUnsupported)
	}
	// Made in memory, so that what is written is whole or not there.
	db, err := sql.Open(driver, ":memory:")
	if err != nil {
		return fmt.Errorf("geopackage: %w", err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	conn, err := db.Conn(ctx)
	if err != nil {
		return fmt.Errorf("geopackage: %w", err)
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	g := &geoPackage{ctx: ctx, conn: conn, r: r, site: opt.Site, codes: r.CodesOf(), time: opt.Time.UTC().Format("2006-01-02T15:04:05.000Z")}
	for _, part := range []func() error{
		func() error { return g.system(opt.WKT) }, g.points, g.tags, g.vectors, g.styles,
	} {
		if err := part(); err != nil {
			return fmt.Errorf("geopackage: %w", err)
		}
	}
	var file []byte
	if err := conn.Raw(func(c any) (err error) {
		s, ok := c.(interface{ Serialize() ([]byte, error) })
		if !ok {
			return errors.New("the database engine can't hand its bytes over")
		}
		file, err = s.Serialize()
		return err
	}); err != nil {
		return fmt.Errorf("geopackage: %w", err)
	}
	_, err = w.Write(file)
	return err
}

// driver is the database engine's name.
const driver = "sqlite"

// geoPackage writes the tables.
type geoPackage struct {
	ctx  context.Context
	conn *sql.Conn
	r    *match.Result
	site Based // nil for none
	// codes are those of the findings about each photo.
	codes map[string][]string
	time  string
	srs   int64
}

func (g *geoPackage) exec(statement string, args ...any) error {
	_, err := g.conn.ExecContext(g.ctx, statement, args...)
	return err
}

const (
	undefined = "undefined"
	// ownSRS is the id of a system that has no authority's number.
	ownSRS = 100000
	// cartesianSRS is the standard's undefined Cartesian system.
	cartesianSRS = -1
)

//go:embed geopackage.sql
var geoPackageTables string

// system writes the tables that every GeoPackage has, and the grid's system.
func (g *geoPackage) system(wkt string) error {
	if err := g.exec(geoPackageTables); err != nil {
		return err
	}
	on, what := g.r.Grid, "the grid of the points"
	if g.site != nil {
		on, what = g.site.Base().Grid(), "the grid that the site system of the points is on"
	}
	org, number, ok := authority(on.Code)
	// Readers know the numbers of EPSG; those of others say nothing without a text. 4326
	// is in each file.
	if !ok || number == 4326 || wkt == "" && org != "EPSG" {
		org, number = "NONE", ownSRS
		if wkt == "" {
			g.srs = cartesianSRS
			return nil
		}
	}
	g.srs = number
	return g.exec(`INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?, ?, NULL)`, cmp.Or(on.Name, "grid of the points"), g.srs, org, g.srs, undefined,
		fmt.Sprintf("%s, in %s", what, words.UnitName(on.Unit)), cmp.Or(wkt, undefined))
}

// authority splits a code such as EPSG:2157.
func authority(code string) (org string, number int64, ok bool) {
	org, n, ok := strings.Cut(code, ":")
	if !ok || org == "" {
		return "", 0, false
	}
	number, err := strconv.ParseInt(n, 10, 32)
	return org, number, err == nil && number > 0
}

// layer is a table of features. Its first column is fid, its second geom.
type layer struct {
	name, geometry, description string
	// columns are name and type of the rest.
	columns [][2]string
	rows    [][]any
	// shapes has a geometry a row in the job's grid, nil for none.
	shapes [][]grid.EN
}

// write writes a layer and its entries in the tables of contents.
func (g *geoPackage) write(l layer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "CREATE TABLE %s (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom %s", l.name, l.geometry)
	for _, c := range l.columns {
		fmt.Fprintf(&b, ", %s %s", c[0], c[1])
	}
	if err := g.exec(b.String() + ")"); err != nil {
		return err
	}
	if g.site != nil {
		l.description += "; site_e, site_n and lengths are in " + words.Safe(g.r.Grid.Name) + ", " + words.UnitName(g.r.Grid.Unit)
		for i, shape := range l.shapes {
			l.shapes[i] = nil
			for _, at := range shape {
				l.shapes[i] = append(l.shapes[i], g.site.ToBase(at))
			}
		}
	}
	box := [4]any{} // min x, min y, max x, max y; NULL for a layer without geometry
	var lo, hi grid.EN
	for _, shape := range l.shapes {
		for _, at := range shape {
			if box[0] == nil {
				lo, hi = at, at
			}
			lo.E, lo.N, hi.E, hi.N = min(lo.E, at.E), min(lo.N, at.N), max(hi.E, at.E), max(hi.N, at.N)
			box = [4]any{lo.E, lo.N, hi.E, hi.N}
		}
	}
	if err := g.exec(`INSERT INTO gpkg_contents VALUES (?, 'features', ?, ?, ?, ?, ?, ?, ?, ?)`,
		l.name, l.name, l.description, g.time, box[0], box[1], box[2], box[3], g.srs); err != nil {
		return err
	}
	if err := g.exec(`INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 0, 0)`, l.name, l.geometry, g.srs); err != nil {
		return err
	}
	tx, err := g.conn.BeginTx(g.ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // does nothing after a commit
	insert, err := tx.PrepareContext(g.ctx, fmt.Sprintf("INSERT INTO %s VALUES (?, ?%s)", l.name, strings.Repeat(", ?", len(l.columns))))
	if err != nil {
		return err
	}
	defer insert.Close()
	for i, row := range l.rows {
		var shape any
		if l.shapes[i] != nil {
			shape = g.shape(l.shapes[i])
		}
		if _, err := insert.ExecContext(g.ctx, append([]any{int64(i + 1), shape}, row...)...); err != nil {
			return fmt.Errorf("layer %s, row %d: %w", l.name, i+1, err)
		}
	}
	return tx.Commit()
}

// shape is a GeoPackageBinary without an envelope: of a point, or of the line
// between several. Sources: OGC 12-128r17, 2.1.3; OGC 06-103r4, section 8.
func (g *geoPackage) shape(at []grid.EN) []byte {
	b := []byte{'G', 'P', 0, 1} // version 1, little-endian, no envelope
	b = binary.LittleEndian.AppendUint32(b, uint32(int32(g.srs)))
	b = append(b, 1)
	if len(at) == 1 {
		b = binary.LittleEndian.AppendUint32(b, 1)
	} else {
		b = binary.LittleEndian.AppendUint32(b, 2)
		b = binary.LittleEndian.AppendUint32(b, uint32(len(at)))
	}
	for _, p := range at {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(p.E))
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(p.N))
	}
	return b
}

func (g *geoPackage) points() error {
	l := layer{name: "points", geometry: "POINT", description: "surveyed points",
		columns: [][2]string{{"id", "TEXT NOT NULL"}, {"code", "TEXT"}, {"description", "TEXT"}, {"height_m", "REAL"}, {"photo_count", "INTEGER"}, {"points_line", "INTEGER"}}}
	l.columns = append(l.columns, g.siteColumns()...)
	for i := range g.r.Points {
		p := &g.r.Points[i]
		row := []any{words.Safe(p.ID), nil, nil, nil, int64(len(p.Photos)), nil} // NULL where there is nothing
		if p.Code != "" {
			row[1] = words.Safe(p.Code)
		}
		if p.Desc != "" {
			row[2] = words.Safe(p.Desc)
		}
		if p.Height != nil {
			row[3] = *p.Height
		}
		if p.Line != 0 {
			row[5] = int64(p.Line)
		}
		if g.site != nil {
			row = append(row, rounded(p.E, siteDecimals), rounded(p.N, siteDecimals))
		}
		l.rows = append(l.rows, row)
		l.shapes = append(l.shapes, []grid.EN{p.EN})
	}
	return g.write(l)
}

// siteDecimals are those of site coordinates.
const siteDecimals = 4

// siteColumns are the last columns of a layer of a site job.
func (g *geoPackage) siteColumns() [][2]string {
	if g.site == nil {
		return nil
	}
	return [][2]string{{"site_e", "REAL"}, {"site_n", "REAL"}}
}

// photoLayer is a layer of photos, without any.
func (g *geoPackage) photoLayer(name, geometry, description string) layer {
	l := layer{name: name, geometry: geometry, description: description}
	for _, c := range photoColumns {
		if c.sql != "" {
			l.columns = append(l.columns, [2]string{c.name, c.sql})
		}
	}
	l.columns = append(l.columns, g.siteColumns()...)
	return l
}

// add adds a photo with its shape; nil for none.
func (l *layer) add(g *geoPackage, p *match.PhotoResult, shape []grid.EN) {
	values := photoValues(g.r.Grid.Unit, p, g.codes[p.Name])
	row := make([]any, 0, len(l.columns))
	for _, c := range photoColumns {
		if x, ok := values[c.name].(float64); ok {
			values[c.name] = rounded(x, c.decimals)
		}
		if c.sql != "" {
			row = append(row, safeOrNil(values[c.name])) // NULL where there is nothing
		}
	}
	if g.site != nil {
		row = append(row, values["tag_e"], values["tag_n"]) // rounded above
	}
	l.rows, l.shapes = append(l.rows, row), append(l.shapes, shape)
}

func (g *geoPackage) tags() error {
	l := g.photoLayer("tags", "POINT", "photos at their tags")
	for i := range g.r.Photos {
		p := &g.r.Photos[i]
		var shape []grid.EN
		// Where a ballpark operation put a tag may be hundreds of metres out; it is
		// not drawn unless it was allowed.
		if p.OnGrid != nil && p.Reason != match.ReasonBallpark {
			shape = []grid.EN{*p.OnGrid}
		}
		l.add(g, p, shape)
	}
	return g.write(l)
}

func (g *geoPackage) vectors() error {
	l := g.photoLayer("vectors", "LINESTRING", "from point to tag")
	for _, v := range vectors(g.r) {
		p := &g.r.Photos[v.photo]
		l.add(g, p, []grid.EN{{E: p.OnGrid.E - p.Discrepancy.DE, N: p.OnGrid.N - p.Discrepancy.DN}, *p.OnGrid})
	}
	return g.write(l)
}
