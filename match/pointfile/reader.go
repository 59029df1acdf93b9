package pointfile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.com/phototie/grid"
)

// Record is one point as its file has it.
type Record struct {
	ID string `json:"id"`
	// X and Y are the easting and northing in the file's unit, or the longitude
	// and latitude in degrees, as Header.Axes says; x is to the east whatever
	// order the file or its system has them in.
	X float64 `json:"x"`
	Y float64 `json:"y"`
	// Z is the height in Header.HeightUnit; nil where the file gives none.
	Z    *float64 `json:"z,omitempty"`
	Code string   `json:"code,omitempty"`
	Desc string   `json:"description,omitempty"`
	// Observed is the time of the observation; zero where it is not known.
	Observed time.Time `json:"observed,omitzero"`
	// Cov is the covariance of easting and northing in the order EE, EN, NN; nil
	// where the file gives none. It is in the square of Header.Unit, and in square
	// metres where X and Y are degrees.
	Cov *[3]float64 `json:"cov,omitempty"`
	// Photos are the names of photos that the file lists for the point.
	Photos []string `json:"photos,omitempty"`
	// Line is the line at which the point stands in the file; 0 in a GeoPackage.
	Line int `json:"line,omitempty"`
	// Column is the byte column at which the id of delimited text stands, counted
	// from 1; 0 in other formats.
	Column int `json:"column,omitempty"`
	// Where names the place for a message: "line 12", "feature 3",
	// "layer quay, fid 7".
	Where string `json:"where,omitempty"`
}

// Format is a format of points files.
type Format string

// The formats.
const (
	Delimited  Format = "delimited text"
	GeoJSON    Format = "GeoJSON"
	GeoJSONSeq Format = "GeoJSON text sequence"
	LandXML    Format = "LandXML"
	GPX        Format = "GPX"
	GeoPackage Format = "GeoPackage"
)

// Axes says what X and Y are.
type Axes string

const (
	// Unstated: X and Y are easting and northing, or longitude and latitude;
	// which of the two is a matter of the system that Header.CRS names.
	Unstated Axes = ""
	// Plane: X is the easting, Y the northing.
	Plane Axes = "plane"
	// Geographic: X is the longitude, Y the latitude, in degrees.
	Geographic Axes = "geographic"
)

// Column tells where a value of the records comes from.
type Column struct {
	// Name is one of the names that Headings gives, such as "easting".
	Name string `json:"name"`
	// From names the place: `column 2 "Easting"`, `property "pt"`.
	From string `json:"from"`
}

// Header is what a points file is, as far as it has been read.
type Header struct {
	File   string `json:"file"`
	Format Format `json:"format"`
	// CRS is the coordinate reference system: a code ("EPSG:2157", "OGC:CRS84") or
	// a WKT. Empty means that the format does not name one, and the points are on
	// the job's grid. A file that says that its system is unknown is refused.
	CRS  string `json:"crs,omitempty"`
	Axes Axes   `json:"axes,omitempty"`
	// Unit is the unit of X and Y where the file itself states it; nil means the
	// unit of the CRS.
	Unit *grid.Unit `json:"unit,omitempty"`
	// HeightUnit is the unit of Z where the format or the file states it.
	HeightUnit *grid.Unit `json:"height_unit,omitempty"`
	// EllipsoidalHeight says that the format defines Z as the height above the
	// ellipsoid of the CRS (RFC 7946 does). False means that nothing is said.
	EllipsoidalHeight bool `json:"ellipsoidal_height,omitempty"`
	// Layout is how delimited text is laid out; nil for other formats.
	Layout *Layout `json:"layout,omitempty"`
	// Layer is the layer read of a GeoPackage.
	Layer string `json:"layer,omitempty"`
	// Columns tells where each value comes from. For GeoJSON and GPX it is what
	// has been met so far.
	Columns []Column `json:"columns"`
	// Notes are what a user should know: what was assumed and what was passed
	// over. They grow while the records are read.
	Notes []string `json:"notes,omitempty"`
}

// String tells in a line how the file was understood, for a user to confirm.
func (h Header) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s", h.File, h.Format)
	if h.Layer != "" {
		fmt.Fprintf(&b, ", layer %q", h.Layer)
	}
	if l := h.Layout; l != nil {
		fmt.Fprintf(&b, ", %s", l)
	}
	switch {
	case h.CRS == "":
		b.WriteString(", on the job's grid")
	case strings.ContainsAny(h.CRS, "[("):
		name, _, _ := strings.Cut(h.CRS[strings.IndexAny(h.CRS, "[(")+1:], ",")
		fmt.Fprintf(&b, ", in %s", strings.Trim(name, `" `))
	default:
		fmt.Fprintf(&b, ", in %s", h.CRS)
	}
	if h.Unit != nil {
		fmt.Fprintf(&b, ", unit %s", h.Unit.Name)
	}
	sep := "; "
	for _, c := range h.Columns {
		fmt.Fprintf(&b, "%s%s from %s", sep, c.Name, c.From)
		sep = ", "
	}
	return b.String()
}

// Range is an interval that coordinates are expected in.
type Range struct{ Min, Max float64 }

func (r Range) known() bool             { return r.Max > r.Min }
func (r Range) contains(v float64) bool { return v >= r.Min && v <= r.Max }

// Options say what a file itself does not. The zero value is for a file that
// says it all. Messages call them what they are called in the table [points] of a
// dataset's phototie.toml: points.columns, points.time_zone for Location.
type Options struct {
	// CRS overrides what the file says of its system, or supplies it. A GPX file
	// is in WGS 84 whatever it is.
	CRS string
	// Fields gives the meaning of headings, properties or attributes of the
	// user's own: name in the file to a heading that is understood (Headings), or "-"
	// for one not to be read. A column that is named here is taken from there only.
	Fields map[string]string
	// Columns names the columns of delimited text in order, "-" for one to be
	// passed over.
	Columns []string
	// Separator stands between the columns of delimited text: "," ";" "\t" "|", or
	// " " for runs of blanks. Empty: it is worked out.
	Separator string
	// Decimal is the decimal sign of delimited text, "." or ",". Empty: it is
	// worked out.
	Decimal string
	// East and North are where eastings and northings are expected, in the file's
	// unit: the area of use of the grid, for instance. They tell the two apart in
	// delimited text that has no header.
	East, North Range
	// Layer is the layer of a GeoPackage to read. Empty: the only one of points.
	Layer string
	// DateOrder is the order of day and month in dates that are written in numbers and
	// don't begin with the year. Empty: it is worked out from all dates of the file, and
	// where they don't show it, that is a Problem.
	DateOrder DateOrder
	// Location is where times without an offset were taken. Nil: not known, and
	// such times are a Problem.
	Location *time.Location
}

// source is the reader of one format.
type source interface {
	// next returns the next record. io.EOF ends the file, a rowError concerns one
	// point only, any other error ends the reading.
	next() (Record, error)
	// explain makes a Problem of an error that next returned.
	explain(error) error
	io.Closer
}

// Reader reads the points of one file. It is not safe for concurrent use. The zero Reader
// is of no use: Open makes one.
type Reader struct {
	header Header
	notes  notes
	src    source
	err    error

	fsys      fs.FS
	opt       Options
	dates     map[byte]*dates // by the sign between numbers; nil until it is asked for
	tallies   bool            // reads for dates alone
	unordered []byte          // the signs of which it was told that there is no order

	decimal string         // the sign of the file's numbers
	loc     *time.Location // Options.Location
	fields  fieldMap
	seen    map[place]bool    // what is in header.Columns
	texts   map[string]string // codes and descriptions met
}

// place is where a value comes from, such as property "pt".
type place struct {
	c          column
	kind, name string
}

// Open opens the named file of fsys and reads as much of it as is needed to know
// what it is. It must be a regular file. The error is a *Problem where the file is
// at fault. The Reader must be closed.
func Open(fsys fs.FS, name string, opt Options) (*Reader, error) {
	if err := opt.check(); err != nil {
		return nil, err
	}
	fields, err := newFieldMap(opt.Fields)
	if err != nil {
		return nil, err
	}
	f, err := openFile(fsys, name)
	if err != nil {
		return nil, err
	}
	r := &Reader{fsys: fsys, opt: opt, header: Header{File: name}, decimal: ".", loc: opt.Location, fields: fields, seen: map[place]bool{}, texts: map[string]string{}}
	if err := r.open(fsys, newInput(f), opt); err != nil {
		if r.src == nil {
			f.Close()
			return nil, err
		}
		err = r.explain(err)
		r.src.Close()
		return nil, err
	}
	return r, nil
}

// explain has the source say what an error means to a user, if it does not say so
// itself.
func (r *Reader) explain(err error) error {
	if errors.Is(err, io.EOF) || errors.As(err, new(rowError)) || errors.As(err, new(*Problem)) {
		return err
	}
	return r.src.explain(err)
}

func (r *Reader) problem(line int, remedy, format string, args ...any) *Problem {
	return &Problem{File: r.header.File, Line: line, What: fmt.Sprintf(format, args...), Remedy: remedy}
}

func (o *Options) check() error {
	if o.Separator != "" && !strings.Contains(separators, o.Separator) || len(o.Separator) > 1 {
		return fmt.Errorf(`points.separator %q can't stand between columns; use one of "," ";" "\t" "|", or " " for runs of blanks`, o.Separator)
	}
	if o.Decimal != "" && o.Decimal != "." && o.Decimal != "," {
		return fmt.Errorf(`points.decimal %q is no decimal sign; use "." or ","`, o.Decimal)
	}
	if o.DateOrder != "" && o.DateOrder != DayMonth && o.DateOrder != MonthDay {
		return fmt.Errorf(`points.date_order %q is no order; use "day-month" or "month-day"`, o.DateOrder)
	}
	if o.Decimal == "," && o.Separator == "," {
		return errors.New(`the decimal sign is a comma, and so is the separator; set points.separator = ";", or as the file has it`)
	}
	return nil
}

// foreign are the starts of files that hold no points that can be read here.
var foreign = []struct{ start, what, remedy string }{
	{"PK\x03\x04", "this is a ZIP archive or a file made of one, such as a spreadsheet", "unpack it, or export the points as text"},
	{"\x00\x00\x27\x0A", "this is a shapefile", "convert it to GeoPackage or GeoJSON"},
}

// open tells the format and has its reader start.
func (r *Reader) open(fsys fs.FS, in *input, opt Options) error {
	head, err := in.Peek(4096)
	if err != nil && !errors.Is(err, io.EOF) && len(head) == 0 {
		return r.problem(0, "", "%v", err)
	}
	for _, f := range foreign {
		if bytes.HasPrefix(head, []byte(f.start)) {
			return r.problem(0, f.remedy, "%s", f.what)
		}
	}
	text := bytes.TrimLeft(bytes.TrimPrefix(head, []byte(bom)), " \t\r\n")
	switch {
	case len(text) == 0 && len(head) < 4096:
		return r.problem(0, "it needs at least one point", "the file is empty")
	case bytes.HasPrefix(head, []byte("SQLite format 3\x00")):
		return r.openGeoPackage(fsys, in, opt)
	case bytes.IndexByte(head, 0) >= 0:
		return r.problem(0, "give the points as delimited text, GeoJSON, LandXML, GPX or GeoPackage", "this is no text and no GeoPackage")
	case bytes.HasPrefix(text, []byte("<")) && in.wide:
		return r.problem(0, "save it as UTF-8", "the text is UTF-16")
	case bytes.HasPrefix(text, []byte("<")):
		return r.openXML(fsys, in, opt)
	case len(text) > 0 && bytes.IndexByte([]byte{'{', '[', recordSeparator}, text[0]) >= 0:
		return r.openGeoJSON(fsys, in, opt)
	}
	return r.openDelimited(in, opt)
}

// Header tells what the file is. Columns and Notes may grow while the records
// are read.
func (r *Reader) Header() Header {
	h := r.header
	h.Columns = slices.Clone(h.Columns)
	h.Notes = r.notes.list()
	return h
}

// Records yields the points one by one. A point that can't be used comes as a
// *Problem, or several in turn, with a Record that has only its place and, where
// it can be read, its id; the points after it follow. An error that the reading
// can't go on from is the last thing yielded. A second range goes on where the
// first one stopped. Whether ids are unique is for the caller to see to.
func (r *Reader) Records() iter.Seq2[Record, error] {
	return func(yield func(Record, error) bool) {
		for r.err == nil {
			rec, err := r.src.next()
			if err != nil {
				err = r.explain(err)
			}
			var row rowError
			switch {
			case err == nil:
				if !yield(rec, nil) {
					return
				}
			case errors.As(err, &row):
				for _, p := range row {
					if !yield(rec, p) {
						return
					}
				}
			default:
				r.err = err
				if !errors.Is(err, io.EOF) {
					yield(Record{}, err)
				}
			}
		}
	}
}

// Close gives the file back.
func (r *Reader) Close() error {
	if r.err == nil {
		r.err = fs.ErrClosed
	}
	return r.src.Close()
}

// setCRS settles the system: what the caller says, or else what the file says.
func (r *Reader) setCRS(file string, opt Options) {
	r.header.CRS = file
	if opt.CRS != "" {
		if file != "" && !strings.EqualFold(file, opt.CRS) {
			r.notes.plain("the file says that it is in %s; it is taken to be in %s, as the settings say", clip(file), clip(opt.CRS))
		}
		r.header.CRS = opt.CRS
	}
	r.header.Axes = axesOf(r.header.CRS)
}

// mostNames is how many names of columns or properties are kept: a file may call
// them something else in each point.
const mostNames = 10_000

// met notes once where a value comes from: of a kind of place and its name, which
// may be empty.
func (r *Reader) met(c column, kind, name string) {
	p := place{c, kind, name}
	if r.seen[p] || len(r.seen) >= mostNames {
		return
	}
	r.seen[p] = true
	if name != "" {
		kind += " " + strconv.Quote(name)
	}
	r.header.Columns = append(r.header.Columns, Column{Name: columnNames[c], From: kind})
}
