package dataset

import (
	"context"
	"errors"
	"fmt"
	"hash/maphash"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/pointfile"
)

// units are the units of length that settings name by their symbol.
var units = map[string]grid.Unit{"m": grid.Metre, "ft": grid.Foot, "ftUS": grid.USSurveyFoot}

// ownGrid as points.crs says that the points are on the job's grid, whatever
// their file says.
const ownGrid = "grid"

// What a points file may claim: each point takes some 1,100 bytes of a check, and
// the texts of all points together their own size.
var (
	mostPoints    = 2_000_000
	mostPointText = 512 << 20
)

// batch is how many points are transformed to the grid in one call.
const batch = 4096

// PointsRead tells how the points file was understood, for a user to confirm: a plain
// value, safe for concurrent use. The zero PointsRead is of no file.
type PointsRead struct {
	// Header is what the file is: its format, its layout, what stands where. Its
	// notes have what was found out while the points were put on the grid too.
	pointfile.Header
	// Count is the number of points.
	Count int `json:"count"`
	// From is the unit that eastings and northings were converted from; nil where
	// they are in the grid's own.
	From *grid.Unit `json:"converted_from,omitempty"`
	// HeightUnit is the unit of its heights; nil where that is the grid's.
	HeightUnit *grid.Unit `json:"height_unit,omitempty"`
	// Operations transformed the points of a file of longitudes and latitudes onto the
	// grid.
	Operations []*grid.Operation `json:"operations,omitempty"`
	// Links is the number of links that the points themselves list.
	Links int `json:"links,omitempty"`

	// far says that the points are not where the job is.
	far string
}

// pointsReader reads the points file of a dataset onto a grid.
type pointsReader struct {
	fsys fs.FS
	set  PointSettings
	proj grid.Projection
	// ballpark lets a ballpark operation transform geographic points.
	ballpark bool
	// same tells what a system that a file names is to the job's grid.
	same func(crs string, at grid.EN) (agreement, string)
	// east and north are where points are expected, in the file's unit.
	east, north pointfile.Range

	// opened says that the file's layout is known: what is wrong is in the points.
	opened bool

	// What the file settles.
	unit, height grid.Unit
	factor       float64 // grid units in one unit of the file
	geographic   bool
	datum        string

	ps      problems
	out     []match.Point
	links   []match.Link
	read    PointsRead
	notes   []string
	seen    map[string]place // by id
	text    int              // bytes of text in the points
	repeats repeats
	waiting []grid.Fix // geographic points not yet on the grid: the last of out
}

// options are what the settings say of the file.
func (s PointSettings) options() (pointfile.Options, error) {
	opt := pointfile.Options{CRS: s.CRS, Fields: s.Fields, Columns: s.Columns, Separator: s.Separator, Decimal: s.Decimal, Layer: s.Layer, DateOrder: pointfile.DateOrder(s.DateOrder)}
	if opt.CRS == ownGrid {
		opt.CRS = ""
	}
	var err error
	if opt.Location, err = location(s.TimeZone); err != nil {
		return opt, err
	}
	return opt, nil
}

// location reads a time zone: a name of the IANA database or an offset such as
// +01:00.
func location(zone string) (*time.Location, error) {
	if zone == "" {
		return nil, nil
	}
	if t, err := time.Parse("-07:00", zone); err == nil {
		_, offset := t.Zone()
		return time.FixedZone(zone, offset), nil
	}
	if zone == "Local" {
		return nil, errors.New("the time zone of this machine says nothing about the file")
	}
	return time.LoadLocation(zone)
}

// inSettings makes an error of options one of the settings file.
func inSettings(err error) error {
	var p *Problem
	if errors.As(err, &p) {
		return err
	}
	return &Problem{File: SettingsFile, What: "[points] " + err.Error()}
}

// run reads the whole file.
func (r *pointsReader) run(ctx context.Context) error {
	r.ps = problems{file: r.set.File}
	r.seen = map[string]place{}
	opt, err := r.set.options()
	if err != nil {
		return inSettings(err)
	}
	opt.East, opt.North = r.east, r.north
	f, err := pointfile.Open(r.fsys, r.set.File, opt)
	if err != nil {
		return inSettings(err)
	}
	defer f.Close()
	r.opened = true
	settled, last := false, pointfile.Record{}
	for rec, err := range f.Records() {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err != nil {
			// Several things may be wrong with one point; its id counts once.
			if rec.ID != "" && (rec.Line != last.Line || rec.Where != last.Where) {
				r.claim(rec, 0)
			}
			last = rec
			r.ps.take(err)
			continue
		}
		if !settled {
			settled = true
			if err := r.settle(f.Header(), rec); err != nil {
				return err
			}
		}
		r.add(rec)
		switch {
		case len(r.out) > mostPoints:
			return r.problem("split the job, or leave out the points that no photo can show", "there are more than %d points, and a check holds some 1,100 bytes for each", mostPoints)
		case r.text > mostPointText:
			return r.problem("leave out columns that are not needed", "the texts of %d points take more than %d MiB", len(r.out), mostPointText>>20)
		}
		if len(r.waiting) == batch {
			if err := r.carry(ctx); err != nil {
				return err
			}
		}
	}
	if err := r.carry(ctx); err != nil {
		return err
	}
	if err := r.ps.err(); err != nil {
		return err
	}
	if len(r.out) == 0 {
		return &Problem{File: r.set.File, What: "there are no points in it", Remedy: "add the surveyed points, one a row"}
	}
	r.read.Header = f.Header()
	r.read.Notes = append(r.read.Notes, append(r.notes, r.repeats.notes()...)...)
	r.read.Count, r.read.Links = len(r.out), len(r.links)
	return nil
}

func (r *pointsReader) problem(remedy, format string, args ...any) error {
	return &Problem{File: r.set.File, What: fmt.Sprintf(format, args...), Remedy: remedy}
}

func (r *pointsReader) note(format string, args ...any) {
	if n := fmt.Sprintf(format, args...); !slices.Contains(r.notes, n) {
		r.notes = append(r.notes, n)
	}
}

// settle works out, at the first point, which system and units the file is in,
// and refuses one that the settings don't allow for.
func (r *pointsReader) settle(h pointfile.Header, rec pointfile.Record) error {
	if err := r.settleSystem(h, grid.EN{E: rec.X, N: rec.Y}); err != nil {
		return err
	}
	own := r.proj.Grid().Unit
	r.unit, r.factor = own, 1
	if r.geographic {
		if r.set.Unit != "" {
			return r.problem("leave points.unit out", "the points are longitudes and latitudes in %s, and points.unit = %q is a unit of eastings and northings", h.CRS, r.set.Unit)
		}
		r.height = grid.Metre
	} else {
		switch u, said := units[r.set.Unit]; {
		case said:
			r.unit = u
			if h.Unit != nil && *h.Unit != u {
				r.note("the file says that it is in %s units; it is taken to be in %s, as points.unit says", h.Unit.Name, u.Name)
			}
		case h.Unit != nil:
			r.unit = *h.Unit
			if r.unit.Metres != own.Metres {
				return r.problem(fmt.Sprintf("set points.unit in %s to the unit that the points are truly in (%q as the file says) to have them converted, or name the grid that they are on in grid.crs", SettingsFile, r.unit.Symbol),
					"the file says that its coordinates are in %s units, and the grid %s is in %s units", r.unit.Name, r.proj.Grid().Name, own.Name)
			}
		}
		if r.unit.Metres != own.Metres {
			r.factor = r.unit.Metres / own.Metres
			u := r.unit
			r.read.From = &u
		}
		r.height = r.unit
	}
	if h.HeightUnit != nil {
		r.height = *h.HeightUnit
	}
	if u, said := units[r.set.HeightUnit]; said {
		if h.HeightUnit != nil && *h.HeightUnit != u {
			r.note("the file says that its heights are in %s units; they are taken to be in %s, as points.height_unit says", h.HeightUnit.Name, u.Name)
		}
		r.height = u
	}
	if own := r.proj.Grid().Unit; r.height.Metres != own.Metres {
		u := r.height
		r.read.HeightUnit = &u
	}
	return nil
}

// settleSystem works out whether the file is on the job's grid or in a
// geographic system. Anything else is an error: that points of one system were
// meant for another is not for a program to guess.
func (r *pointsReader) settleSystem(h pointfile.Header, at grid.EN) error {
	who := "the file says that its points are"
	remedy := fmt.Sprintf(`name that system in grid.crs, or set points.crs = %q in %s if the file is wrong and they are on the job's grid`, ownGrid, SettingsFile)
	if r.set.CRS != "" && r.set.CRS != ownGrid {
		who, remedy = "points.crs says that the points are", "make the two agree"
	}
	switch {
	case r.set.CRS == ownGrid && h.Axes == pointfile.Geographic:
		return r.problem("leave points.crs out", "the points are longitudes and latitudes, and points.crs = %q says that they are on the job's grid", ownGrid)
	case r.set.CRS == ownGrid:
		if h.CRS != "" {
			r.note("the file says that it is in %s; it is taken to be on the job's grid, as points.crs says", short(h.CRS))
		}
	case h.Axes == pointfile.Geographic:
		r.geographic, r.datum = true, datumOf(h.CRS)
	case h.CRS == "":
	default:
		name := r.proj.Grid().Name
		switch is, detail := r.same(h.CRS, at); is {
		case isGrid:
		case isBase:
			return r.problem(fmt.Sprintf(`take [site] out of %s if they are, or set points.crs = %q if they are in site coordinates all the same`, SettingsFile, ownGrid),
				"%s in %s, which is the base of the site system %s and not the site system itself", who, short(h.CRS), name)
		case isOther:
			return r.problem(remedy, "%s in %s%s, and the job's grid is %s", who, short(h.CRS), detail, describe(r.proj.Grid()))
		case isUnknown:
			if h.Axes == pointfile.Plane {
				return r.problem(remedy, "%s in %s, which can't be held against the job's grid %s%s", who, short(h.CRS), describe(r.proj.Grid()), detail)
			}
			// Not a plane system, so perhaps one of longitudes and latitudes: the
			// projection will say.
			r.geographic, r.datum = true, datumOf(h.CRS)
			if !(grid.LatLon{Lat: at.N, Lon: at.E}).Valid() {
				return r.problem(remedy, "%s in %s, which can't be held against the job's grid %s%s", who, short(h.CRS), describe(r.proj.Grid()), detail)
			}
		}
	}
	return nil
}

// place is where a point stands: a line, or the words of a format without lines.
type place struct {
	line  int
	where string
	sum   uint64 // of all that the record says; 0 for one that can't be read
}

// repeats counts rows that say exactly what an earlier one says.
type repeats struct {
	n              int
	first, earlier place
}

func (r *repeats) add(at, earlier place) {
	if r.n++; r.n == 1 {
		r.first, r.earlier = at, earlier
	}
}

func (r *repeats) notes() []string {
	switch r.n {
	case 0:
		return nil
	case 1:
		return []string{fmt.Sprintf("%s repeats %s exactly and is left out", r.first, r.earlier)}
	}
	return []string{fmt.Sprintf("%d rows repeat an earlier one exactly and are left out, the first of them %s, which repeats %s", r.n, r.first, r.earlier)}
}

var sumSeed = maphash.MakeSeed()

// sumOf is a digest of all that a record says.
func sumOf(rec pointfile.Record) uint64 {
	type said struct {
		x, y, z             float64
		height, cov         bool
		code, desc, photos  string
		observed            int64
		covEE, covEN, covNN float64
	}
	s := said{x: rec.X, y: rec.Y, code: rec.Code, desc: rec.Desc, photos: strings.Join(rec.Photos, "\x00"), observed: rec.Observed.UnixNano()}
	if rec.Z != nil {
		s.z, s.height = *rec.Z, true
	}
	if rec.Cov != nil {
		s.covEE, s.covEN, s.covNN, s.cov = rec.Cov[0], rec.Cov[1], rec.Cov[2], true
	}
	return max(maphash.Comparable(sumSeed, s), 1)
}

func (p place) String() string {
	if p.line > 0 {
		return "line " + strconv.Itoa(p.line)
	}
	return p.where
}

// claim takes the id of a record with a sum, and reports whether it is new.
func (r *pointsReader) claim(rec pointfile.Record, sum uint64) bool {
	at := place{line: rec.Line, sum: sum}
	if at.line == 0 {
		at.where = rec.Where
	}
	before, dup := r.seen[rec.ID]
	switch {
	case !dup:
		r.seen[rec.ID] = at
		return true
	case sum != 0 && sum == before.sum:
		r.repeats.add(at, before)
		return false
	}
	p := &Problem{File: r.set.File, Line: rec.Line, Column: rec.Column, What: fmt.Sprintf("point id %q stands already in %s", clip(rec.ID), before),
		Remedy: "give each point an id of its own, or take one of the two out"}
	if rec.Line == 0 {
		p.Item = rec.Where
	}
	r.ps.take(p)
	return false
}

// add takes one record.
func (r *pointsReader) add(rec pointfile.Record) {
	if !r.claim(rec, sumOf(rec)) {
		return
	}
	r.text += len(rec.ID) + len(rec.Code) + len(rec.Desc)
	p := match.Point{ID: rec.ID, Code: rec.Code, Desc: rec.Desc, Observed: rec.Observed, Line: rec.Line}
	if rec.Z != nil {
		h := *rec.Z * r.height.Metres
		p.Height = &h
	}
	if rec.Cov != nil {
		cov, m2 := *rec.Cov, 1.
		if !r.geographic {
			m2 = r.unit.Metres * r.unit.Metres
		}
		for i := range cov {
			cov[i] *= m2
		}
		p.Cov = &cov
	}
	for _, photo := range rec.Photos {
		r.links = append(r.links, match.Link{Photo: photo, Point: rec.ID})
		r.text += 64 + len(photo) // and the link itself
	}
	if r.geographic {
		at := grid.LatLon{Lat: rec.Y, Lon: rec.X}
		if !at.Valid() {
			r.ps.take(&Problem{File: r.set.File, Line: rec.Line, What: fmt.Sprintf("longitude %v and latitude %v are no place on Earth", rec.X, rec.Y), Remedy: "longitude comes first and latitude second"})
			return
		}
		epoch := r.set.Epoch
		if !rec.Observed.IsZero() {
			epoch = grid.Epoch(rec.Observed)
		}
		r.waiting = append(r.waiting, grid.Fix{LatLon: at, Height: p.Height, Frame: grid.Frame{Datum: r.datum, Epoch: epoch}})
	} else {
		p.E, p.N = rec.X*r.factor, rec.Y*r.factor
	}
	r.out = append(r.out, p)
}

// carry transforms waiting geographic points to the grid.
func (r *pointsReader) carry(ctx context.Context) error {
	if len(r.waiting) == 0 {
		return nil
	}
	placed, err := r.proj.ToGrid(ctx, r.waiting)
	if err != nil {
		return fmt.Errorf("%s: transforming points to the grid: %w", r.set.File, err)
	}
	if len(placed) != len(r.waiting) {
		return fmt.Errorf("%s: transforming points to the grid: the projection returned %d positions for %d", r.set.File, len(placed), len(r.waiting))
	}
	points := r.out[len(r.out)-len(r.waiting):]
	for i, pl := range placed {
		p := &points[i]
		fail := func(remedy, format string, args ...any) {
			r.ps.add(p.Line, 0, remedy, "point %q can't be transformed to the grid: %s", clip(p.ID), fmt.Sprintf(format, args...))
		}
		switch {
		case pl.Err != nil:
			fail("give the points on the job's grid, or name the system that they are in with points.crs", "%v", pl.Err)
		case pl.Op != nil && pl.Op.Ballpark && !r.ballpark:
			fail("give the points on the job's grid, or allow it with a figure (frame.allow_ballpark, frame.ballpark_sigma_m)", "only a ballpark operation leads there from %s, which may be hundreds of metres out", short(r.datum))
		default:
			p.EN = pl.EN
			if pl.Op != nil && !slices.Contains(r.read.Operations, pl.Op) {
				r.read.Operations = append(r.read.Operations, pl.Op)
			}
		}
	}
	r.waiting = r.waiting[:0]
	return nil
}
