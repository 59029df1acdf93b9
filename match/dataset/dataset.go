package dataset

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"runtime"
	"slices"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Dataset is a job's folder, opened.
type Dataset struct {
	// Settings are what phototie.toml says, with defaults filled in.
	Settings Settings
	// Pixels says whether Check measures the pixels of photos.
	Pixels  PixelPolicy
	fsys    fs.FS
	root    *os.Root // nil for a dataset that is not a folder on disk
	open    Opener   // nil where Projection was not called
	reading Reading
	read    map[string]match.Photo
}

// PixelPolicy says whether the pixels of photos are measured. That takes many times
// as long as reading their metadata: each photo is read and decoded as a whole.
type PixelPolicy int

const (
	// PixelsAuto measures them where the settings require something of the photos.
	PixelsAuto PixelPolicy = iota
	// PixelsAlways measures them, and where the settings require nothing holds them
	// against match.DefaultRule.
	PixelsAlways
	// PixelsNever does not measure them. What the settings require is then held
	// against the number and the names of photos alone.
	PixelsNever
)

// Reading is how the survey's side of a dataset was understood, for a user to
// confirm.
type Reading struct {
	// Site tells of the site system; nil where the settings have none.
	Site *SiteRead `json:"site,omitempty"`
	// Points tells of the points file; nil until it has been read.
	Points *PointsRead `json:"points,omitempty"`
}

// The kinds of finding about the survey's side.
const (
	// FindingControl: a control pair that does not fit the site system.
	FindingControl match.FindingCode = "site-control-suspect"
	// FindingFar: points that lie far from the photos' tags, or outside the grid's
	// area of use.
	FindingFar match.FindingCode = "points-far"
)

// Findings lists what somebody should know about the survey's side.
func (r Reading) Findings() []match.Finding {
	var out []match.Finding
	if r.Site != nil {
		for _, f := range []*FitRead{r.Site.Plane, r.Site.Heights} {
			if f == nil {
				continue
			}
			for _, s := range f.Suspects[:min(1, len(f.Suspects))] {
				msg := fmt.Sprintf("control pair %s does not fit the others (test statistic %.1f)", s.ID, s.Statistic)
				if len(s.Rivals) > 0 {
					msg += "; as likely it is " + strings.Join(s.Rivals, ", ")
				}
				out = append(out, match.Finding{Code: FindingControl, Severity: match.SeverityWarning, Message: msg,
					Remedy: "check its coordinates on both sides"})
			}
		}
	}
	if r.Points != nil && r.Points.far != "" {
		out = append(out, match.Finding{Code: FindingFar, Severity: match.SeverityWarning, Message: r.Points.far,
			Remedy: "check the grid that the settings name, and the points file"})
	}
	return out
}

// Open opens the dataset in the folder dir and reads its settings. Nothing
// outside the folder is read, whatever paths and symbolic links say. The error
// is a *Problem, or several joined, where the settings are at fault.
func Open(dir string) (*Dataset, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	info, err := root.Stat(".")
	if err == nil && !info.IsDir() {
		err = fmt.Errorf("%s is not a folder", dir)
	}
	if err != nil {
		return nil, errors.Join(err, root.Close())
	}
	d, err := OpenFS(root.FS())
	if err != nil {
		return nil, errors.Join(err, root.Close())
	}
	d.root = root
	return d, nil
}

// OpenFS opens a dataset in any file system. Correct needs one opened by Open.
func OpenFS(fsys fs.FS) (*Dataset, error) {
	s, err := readSettings(fsys)
	if err != nil {
		return nil, err
	}
	return &Dataset{Settings: s, fsys: fsys}, nil
}

// Close gives the folder back.
func (d *Dataset) Close() error {
	if d.root == nil {
		return nil
	}
	return d.root.Close()
}

// FS is the dataset's folder as a file system.
func (d *Dataset) FS() fs.FS { return d.fsys }

// Files lists the files that make the dataset besides its photos: the settings
// and what they name, as paths inside the folder.
func (d *Dataset) Files() []string {
	files := []string{SettingsFile}
	for _, name := range []string{d.Settings.Points.File, d.Settings.Links.File, *d.Settings.control()} {
		if name != "" && !slices.Contains(files, name) {
			files = append(files, name)
		}
	}
	return files
}

// Reading tells how the survey's side has been understood so far: the site
// system after Projection, the points after Points or Check.
func (d *Dataset) Reading() Reading { return d.reading }

// Projection opens the grid that the points are on: the one that the settings
// name, and the site system on it where the settings have one, fitted to its
// control where that is what they ask for. The error is a *Problem where the
// settings, the control or the definition are at fault; one that open returns is
// passed on as it is.
func (d *Dataset) Projection(open Opener) (grid.Projection, error) {
	base, err := open(d.Settings.Grid.CRS)
	var p *Problem
	if errors.As(err, &p) {
		return nil, err
	}
	if err != nil {
		return nil, &Problem{File: SettingsFile, What: "grid.crs: " + err.Error()}
	}
	d.open = open
	if d.Settings.Site == nil {
		return base, nil
	}
	proj, read, err := d.Settings.Site.system(d.fsys, base)
	if err != nil {
		return nil, err
	}
	d.reading.Site = read
	return proj, nil
}

// Points reads the points file onto the grid of proj, and the links that the
// points themselves list. Each thing wrong with the file is a *Problem, all of
// them joined. A text without a header whose columns the grid's area of use
// can't tell apart is tried again with the photos' own tags, which lie closer to
// the points.
func (d *Dataset) Points(ctx context.Context, proj grid.Projection) ([]match.Point, []match.Link, error) {
	r, err := d.readPoints(ctx, proj)
	if err != nil {
		return nil, nil, err
	}
	d.reading.Points = &r.read
	return r.out, r.links, nil
}

// errNoSite is for callers that pass over what the settings say.
var errNoSite = errors.New("the settings put the points on a site system, and the projection is not one: open it with Dataset.Projection")

func (d *Dataset) readPoints(ctx context.Context, proj grid.Projection) (*pointsReader, error) {
	set := d.Settings.Points
	s := systems{grid: d.Settings.Grid.CRS, proj: proj, open: d.open}
	if b, ok := proj.(interface{ Base() grid.Projection }); ok {
		s.proj, s.site = b.Base(), true
	}
	if d.Settings.Site != nil && !s.site {
		return nil, errNoSite
	}
	fresh := func() *pointsReader {
		return &pointsReader{fsys: d.fsys, set: set, proj: proj, ballpark: d.Settings.Frame.AllowBallpark, same: s.same}
	}
	r := fresh()
	if len(set.Columns) > 0 {
		return r, r.run(ctx)
	}
	scale := 1.
	if u, ok := units[set.Unit]; ok {
		scale = proj.Grid().Unit.Metres / u.Metres
	}
	if box, ok := useBox(ctx, proj); ok {
		r.east, r.north = box.ranges(scale)
	}
	err := r.run(ctx)
	if err == nil || r.opened {
		return r, err
	}
	names, terr := d.PhotoNames(ctx)
	if terr != nil {
		return r, err
	}
	tags, terr := d.sample(ctx, proj, names)
	if terr != nil || len(tags) == 0 {
		return r, err
	}
	second := fresh()
	second.east, second.north = around(tags, nearTags/proj.Grid().Unit.Metres).ranges(scale)
	if second.run(ctx) == nil {
		second.read.Notes = append(second.read.Notes, "the columns were told apart by where the photos' tags are")
		return second, nil
	}
	return r, err
}

// Links reads the links file; nil where the settings name none.
func (d *Dataset) Links() ([]match.Link, error) {
	links, _, err := readLinks(d.fsys, d.Settings.Links)
	return links, err
}

// allLinks are the links of the links file and, unless the settings say that it
// has all there are, those that the points file lists, which Points returns.
// originals has the names that photos had before they were renamed, by the path
// that a row names.
func (d *Dataset) allLinks(listed []match.Link) (links []match.Link, originals map[string]string, err error) {
	links, originals, err = readLinks(d.fsys, d.Settings.Links)
	if err == nil && !d.Settings.Links.Only {
		links = merge(links, listed)
	}
	return links, originals, err
}

// Findings lists what somebody should know about a checked dataset: what the
// result has to say, then what there is about the survey's side.
func (d *Dataset) Findings(res *match.Result) []match.Finding {
	return append(res.Findings(), d.reading.Findings()...)
}

// Progress is told how far a long work is: done of total. It may be nil.
type Progress func(done, total int)

// Reuse has Check take photos that were read before, by their names in this
// dataset, in place of reading them: those of a dataset that holds the same photos
// under other names, checked with the same Pixels.
func (d *Dataset) Reuse(photos map[string]match.Photo) { d.read = photos }

// Check reads the whole dataset and checks it on the given projection, which
// must be the grid that the points are on: what Projection returns. Points that
// lie far from all tags but would lie among them in another unit, or with
// easting and northing swapped, are a *Problem that says so. The pixels of the
// photos are measured as Dataset.Pixels says, as many photos at a time as there are
// processors, unless they are very large.
func (d *Dataset) Check(ctx context.Context, proj grid.Projection, progress Progress) (*match.Result, error) {
	s, err := d.Survey(ctx, proj)
	if err != nil {
		return nil, err
	}
	names := make([]string, len(s.Photos))
	for i, p := range s.Photos {
		names[i] = p.Name
	}
	read, atOnce := d.ReadPhoto, readers()
	if d.MeasuresPixels() {
		read, atOnce = newMeasurer(ctx, d).photo, runtime.GOMAXPROCS(0)
	}
	photos := d.photos(ctx, names, atOnce, func(name string) match.Photo {
		if p, ok := d.read[name]; ok {
			p.Name = name
			return p
		}
		return read(name)
	})
	return match.Check(ctx, proj, s.Points, s.Links, count(photos, s.Photos, progress), d.Options())
}

// MeasuresPixels says whether Check measures the pixels of the photos, by Pixels and
// the settings.
func (d *Dataset) MeasuresPixels() bool {
	return d.Pixels == PixelsAlways || d.Pixels == PixelsAuto && d.Settings.Requirements != nil
}

// Survey is what a dataset's photos are checked against, and their names.
type Survey struct {
	Points []match.Point
	// Links are all links, those that the points themselves list among them.
	Links []match.Link
	// Photos have their Name and Original, in the order in which Check takes them.
	// They are not read: each still lacks what ReadPhoto has to say.
	Photos []match.Photo
}

// Survey reads what Check does, but for the photos, of which it opens 200 at most.
// It is for callers that read the photos in a way of their own, by several machines
// for instance: match.Check with all of this, the photos read, and Options, gives
// what Check does with PixelsNever. The errors are those of Check.
func (d *Dataset) Survey(ctx context.Context, proj grid.Projection) (*Survey, error) {
	points, listed, err := d.Points(ctx, proj)
	if err != nil {
		return nil, err
	}
	links, originals, err := d.allLinks(listed)
	if err != nil {
		return nil, err
	}
	names, err := d.PhotoNames(ctx)
	if err != nil {
		return nil, err
	}
	if len(originals) > 0 {
		// Renaming changes no order, so that the same photos give the same result.
		slices.SortStableFunc(names, func(a, b string) int {
			return strings.Compare(cmp.Or(originals[a], a), cmp.Or(originals[b], b))
		})
	}
	if len(names) == 0 {
		return nil, &Problem{File: d.Settings.Photos.Folder, What: "there are no photos in the photo folder", Remedy: "put them there, at any depth, or set photos.folder to where they are"}
	}
	if err := d.plausible(ctx, proj, points, names); err != nil {
		return nil, err
	}
	s := &Survey{Points: points, Links: links, Photos: make([]match.Photo, len(names))}
	for i, name := range names {
		s.Photos[i] = match.Photo{Name: name, Original: originals[name]}
	}
	return s, nil
}

// Options are those of the settings, with what the points file says of itself:
// call it after Survey or Points.
func (d *Dataset) Options() match.Options {
	opt := d.Settings.Options()
	if d.Pixels == PixelsAlways && opt.Requirements == nil {
		opt.Requirements = &match.Requirements{}
	}
	ref := &opt.Heights.Points
	if p := d.reading.Points; ref.Surface == grid.HeightUnknown && !ref.Site && p.EllipsoidalHeight {
		// The format itself defines its heights so.
		ref.Surface, ref.Frame = grid.HeightEllipsoid, datumOf(p.CRS)
	}
	return opt
}

// merge adds the links that points list to those of the links file.
func merge(links, listed []match.Link) []match.Link {
	type key struct{ photo, point string }
	seen := make(map[key]bool, len(links)+len(listed))
	for _, l := range links {
		seen[key{l.Photo, l.Point}] = true
	}
	for _, l := range listed {
		if k := (key{l.Photo, l.Point}); !seen[k] {
			seen[k] = true
			links = append(links, l)
		}
	}
	return links
}

// count passes a sequence of the given photos on with their original names, and
// tells how far it is.
func count(seq iter.Seq2[match.Photo, error], photos []match.Photo, progress Progress) iter.Seq2[match.Photo, error] {
	return func(yield func(match.Photo, error) bool) {
		done := 0
		for p, err := range seq {
			if err == nil {
				p.Original = photos[done].Original
			}
			done++
			if progress != nil {
				progress(done, len(photos))
			}
			if !yield(p, err) {
				return
			}
		}
	}
}

// Stream is Check for a job of any size: it holds no photos in memory, and reads
// each twice. It weighs no ties and measures no pixels. See match.Stream.
func (d *Dataset) Stream(ctx context.Context, proj grid.Projection, progress Progress) (*match.Stream, error) {
	s, err := d.Survey(ctx, proj)
	if err != nil {
		return nil, err
	}
	opt := d.Options()
	opt.Ties, opt.Requirements = match.TieOptions{Off: true}, nil
	done := 0
	read := func(part []match.Photo) iter.Seq2[match.Photo, error] {
		names := make([]string, len(part))
		for i, p := range part {
			names[i] = p.Name
		}
		return func(yield func(match.Photo, error) bool) {
			for p, err := range count(d.Photos(ctx, names), part, nil) {
				if done++; progress != nil {
					progress(done, 2*len(s.Photos))
				}
				if !yield(p, err) {
					return
				}
			}
		}
	}
	return match.NewStream(ctx, proj, s.Points, s.Links, s.Photos, read, opt)
}
