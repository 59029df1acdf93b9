package dataset

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"maps"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"example.com/phototie/grid"
	"example.com/phototie/grid/site"
	"example.com/phototie/match"
)

// Dataset is a job's folder, opened, with the grid that its points are on. It
// does not change once it is opened (and settled, if Settle is called), and its methods
// may be called in any order and are safe for concurrent use. The zero Dataset is of no
// use: Open and its kin make one.
type Dataset struct {
	settings Settings
	fsys     fs.FS
	root     *os.Root // nil for a dataset that is not a folder on disk
	archive  *archive // nil for a dataset that is no ZIP
	open     grid.Opener
	proj     grid.Projection
	site     *SiteRead
	folders  sync.Map // what beside has found, by folder
}

// SurveyRead is how the survey's side of a dataset was understood, for a user to
// confirm.
type SurveyRead struct {
	// Site tells of the site system; nil where the settings have none.
	Site *SiteRead `json:"site,omitempty"`
	// Points tells of the points file.
	Points *PointsRead `json:"points,omitempty"`
	// Links tells of a list of links that is no table of a photo and a point a row.
	Links *LinksRead `json:"links,omitempty"`
}

// findings lists what somebody should know about the survey's side.
func (r SurveyRead) findings() []match.Finding {
	var out []match.Finding
	if r.Site != nil {
		for _, f := range []*FitRead{r.Site.Plane, r.Site.Heights} {
			if f != nil {
				out = append(out, f.findings()...)
			}
		}
	}
	if r.Points != nil && r.Points.far != "" {
		out = append(out, match.NewFinding(match.FindingFar, match.Fact{Name: "why", Text: r.Points.far}))
	}
	return out
}

// findings lists the control pair that fits worst, and why the control as a whole
// is not to be relied upon.
func (f *FitRead) findings() []match.Finding {
	var out []match.Finding
	for _, s := range f.Suspects[:min(1, len(f.Suspects))] {
		facts := []match.Fact{{Name: "pair", Text: s.ID}, {Name: "test statistic", Value: s.Statistic}}
		for _, id := range s.Rivals {
			facts = append(facts, match.Fact{Name: "as likely", Text: id})
		}
		out = append(out, match.NewFinding(match.FindingControl, facts...))
	}
	for _, x := range f.Facts {
		if x.Fails() && (x.Kind != site.FactOverErrors || len(f.Suspects) == 0) {
			finding := match.NewFinding(match.FindingControl, match.Fact{Name: "why", Text: x.In(f.Unit)})
			finding.Severity = match.SeverityError
			out = append(out, finding)
		}
	}
	return out
}

// OpenFolder opens a folder, or a ZIP of one, without settings, whatever lies in it: its
// photos, anywhere in it, and files can be listed and read, and nothing is on a grid.
// Nothing outside the folder is read, whatever paths and symbolic links say. A ZIP is
// unpacked, of which progress is told, into a temporary folder that Close removes; where
// all of it lies in one folder, that is what is opened. One that is hostile, damaged or
// too large (300,000 members, 64 GiB, and 50 times the ZIP once that is more than
// 64 MiB) is a *Problem that names the member.
func OpenFolder(ctx context.Context, dir string, progress Progress) (*Dataset, error) {
	if info, err := os.Stat(dir); err == nil && info.Mode().IsRegular() {
		return unpack(ctx, dir, progress)
	}
	return openFolder(dir)
}

func openFolder(dir string) (*Dataset, error) {
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
	return &Dataset{settings: Settings{Photos: PhotoSettings{Folder: "."}}, fsys: folderFS{root}, root: root}, nil
}

// Open opens the dataset in the folder, or the ZIP of one, as OpenFolder and then Settle
// do, with their errors.
func Open(ctx context.Context, dir string, open grid.Opener) (*Dataset, error) {
	d, err := OpenFolder(ctx, dir, nil)
	if err != nil {
		return nil, err
	}
	if err := d.Settle(open); err != nil {
		return nil, errors.Join(err, d.Close())
	}
	return d, nil
}

// OpenFS opens a dataset in any file system, as Open does, by the text of a phototie.toml
// that need not be there ([WriteSettings] writes one), or by the one that is there where
// settings is nil. Correcting needs a dataset opened by Open.
func OpenFS(fsys fs.FS, settings []byte, open grid.Opener) (*Dataset, error) {
	d := &Dataset{fsys: fsys}
	var err error
	if settings == nil {
		d.settings, err = readSettings(fsys)
	} else {
		d.settings, err = parseSettings(settings)
	}
	if err == nil {
		err = d.openSystems(open)
	}
	if err != nil {
		return nil, err
	}
	return d, nil
}

// Settle reads the settings of a dataset that OpenFolder opened, and has open, that of
// package grid/crs for instance, open the grid that they name with the operations that
// they force or forbid, and fits the site system where they have one. The settings of a
// ZIP may lie beside it, as JOB.toml for JOB.zip; what they name is then looked for in
// the ZIP and beside it. The error is a *Problem, or several joined, where the settings,
// the control or the definition are at fault.
func (d *Dataset) Settle(open grid.Opener) error {
	err := d.bringSettings()
	if err == nil {
		d.settings, err = readSettings(d.fsys)
	}
	if err == nil {
		err = d.bringFiles()
	}
	if err == nil {
		err = d.openSystems(open)
	}
	return d.aboutSettings(err)
}

// openSystems opens the grid of the settings, and the site system where there is one.
func (d *Dataset) openSystems(open grid.Opener) (err error) {
	d.open = open
	if d.proj, err = d.openGrid(); err == nil && d.settings.Site != nil {
		d.proj, d.site, err = d.settings.Site.system(d.fsys, d.proj)
	}
	return err
}

// openGrid opens the grid of the settings with the choice of operations that they
// make.
func (d *Dataset) openGrid() (grid.Projection, error) {
	f := d.settings.Frame
	opt := grid.OpenOptions{Forbid: f.Forbid}
	if f.Operation != "" {
		opt.Only = []string{f.Operation}
	}
	if f.Datum != "" || len(f.Datums) > 0 {
		opt.Datums = append(slices.Sorted(maps.Values(f.Datums)), f.Datum, "WGS-84")
	}
	proj, err := d.open(d.settings.Grid.CRS, opt)
	var choice *grid.OperationError
	switch {
	case errors.As(err, &choice):
		return nil, &Problem{File: SettingsFile, What: "frame.operation and frame.forbid: " + err.Error(),
			Remedy: "phototie frames lists the operations once the two are out of the way"}
	case err != nil:
		return nil, &Problem{File: SettingsFile, What: "grid.crs: " + err.Error()}
	}
	return proj, nil
}

// openOther opens a system that is not the job's grid.
func (d *Dataset) openOther(definition string) (grid.Projection, error) {
	if err := ownResources(definition); err != nil {
		return nil, err
	}
	return d.open(definition, grid.OpenOptions{})
}

// Close gives the folder back, and removes what a ZIP was unpacked to.
func (d *Dataset) Close() error {
	if d.root == nil {
		return nil
	}
	err := d.root.Close()
	if d.archive != nil {
		err = errors.Join(err, os.RemoveAll(d.archive.temp))
	}
	return err
}

// FS is the dataset's folder as a file system.
func (d *Dataset) FS() fs.FS { return d.fsys }

// Settings are what phototie.toml says, with defaults filled in. What they point
// to is not to be changed.
func (d *Dataset) Settings() Settings { return d.settings }

// Site tells how the points' site system came about; nil where there is none.
func (d *Dataset) Site() *SiteRead { return d.site }

// Opener is what the dataset was opened with.
func (d *Dataset) Opener() grid.Opener { return d.open }

// Projection is the grid that the points are on: the one that the settings name,
// or the site system on it.
func (d *Dataset) Projection() grid.Projection { return d.proj }

// Files lists the files that make the dataset besides its photos: the settings
// and what they name, as paths inside the folder.
func (d *Dataset) Files() []string {
	files := []string{SettingsFile}
	for _, name := range []string{d.settings.Points.File, d.settings.Links.File, d.settings.Links.Decisions, *d.settings.control(), d.settings.Record.Logo} {
		if name != "" && !slices.Contains(files, name) {
			files = append(files, name)
		}
	}
	return files
}

// Points reads the points file, transformed to the grid, the links that the points
// themselves list, and how they were understood. Each thing wrong with the file is
// a *Problem, all of them joined. A text without a header whose columns the
// grid's area of use can't tell apart is tried again with the photos' own tags,
// which lie closer to the points. A row that repeats an earlier one exactly is left
// out with a note. A job has 2,000,000 points at most, which take a check some
// 1,100 bytes each.
func (d *Dataset) Points(ctx context.Context) ([]match.Point, []match.Link, SurveyRead, error) {
	return d.points(ctx, nil)
}

func (d *Dataset) points(ctx context.Context, known map[string]match.Photo) ([]match.Point, []match.Link, SurveyRead, error) {
	r, err := d.readPoints(ctx, known)
	if err != nil {
		return nil, nil, SurveyRead{}, err
	}
	return r.out, r.links, SurveyRead{Site: d.site, Points: &r.read}, nil
}

func (d *Dataset) readPoints(ctx context.Context, known map[string]match.Photo) (*pointsReader, error) {
	set, proj := d.settings.Points, d.proj
	s := systems{grid: d.settings.Grid.CRS, proj: proj, open: d.openOther}
	if b, ok := proj.(interface{ Base() grid.Projection }); ok {
		s.proj, s.site = b.Base(), true
	}
	fresh := func() *pointsReader {
		return &pointsReader{fsys: d.fsys, set: set, proj: proj, ballpark: d.settings.Frame.AllowBallpark, same: s.same}
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
	tags, terr := d.sample(ctx, names, known)
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

// Progress is told how far a long work is: done of total. It may be nil.
type Progress func(done, total int)

// Survey is what a dataset's photos are checked against, and their names.
type Survey struct {
	Points []match.Point
	// Links are all links, those that the points themselves list among them.
	Links []match.Link
	// Photos have their Name and Original, in the order in which Check takes them.
	// They are not read: each still lacks what ReadPhoto has to say.
	Photos []match.Photo
	// SurveyRead is how the points were understood.
	SurveyRead SurveyRead
	// Options are those of the settings, with what the points file says of itself
	// and what was found about it.
	Options match.Options
}

// Survey reads what Check does, but for the photos, of which it opens 200 at most.
// match.Check with all of this and the photos read gives what Check does with
// PixelsNever. The errors are those of Check.
func (d *Dataset) Survey(ctx context.Context) (*Survey, error) { return d.survey(ctx, nil) }

// survey is Survey where some photos are known, and not read again.
func (d *Dataset) survey(ctx context.Context, known map[string]match.Photo) (*Survey, error) {
	points, listed, reading, err := d.points(ctx, known)
	if err != nil {
		return nil, err
	}
	names, err := d.PhotoNames(ctx)
	if err != nil {
		return nil, err
	}
	links, originals, how, err := d.links(listed, names, points)
	if err != nil {
		return nil, err
	}
	reading.Links = how
	if len(originals) > 0 {
		// Renaming changes no order, so that the same photos give the same result.
		slices.SortStableFunc(names, func(a, b string) int {
			return strings.Compare(cmp.Or(originals[a], a), cmp.Or(originals[b], b))
		})
	}
	if len(names) == 0 {
		return nil, &Problem{File: d.settings.Photos.Folder, What: "there are no photos in the photo folder", Remedy: "put them there, at any depth, or set photos.folder to where they are"}
	}
	if err := d.plausible(ctx, reading.Points, points, names, known); err != nil {
		return nil, err
	}
	s := &Survey{Points: points, Links: links, Photos: make([]match.Photo, len(names)), SurveyRead: reading, Options: d.settings.options()}
	for i, name := range names {
		s.Photos[i] = match.Photo{Name: name, Original: originals[name]}
	}
	s.Options.Survey = reading.findings()
	if s.Options.Decisions, err = d.decisions(ctx); err != nil {
		return nil, err
	}
	ref := &s.Options.Heights.Points
	if p := reading.Points; ref.Surface == grid.HeightUnknown && !ref.Site && p.EllipsoidalHeight {
		// The format itself defines its heights so.
		ref.Surface, ref.Frame = grid.HeightEllipsoid, datumOf(p.CRS)
	}
	return s, nil
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
// each twice. It weighs no ties, looks for no causes and measures no pixels. See
// match.Stream; progress, which may be nil, is called by whoever reads its photos for the
// first time.
func (d *Dataset) Stream(ctx context.Context, progress Progress) (*match.Stream, SurveyRead, error) {
	s, err := d.Survey(ctx)
	if err != nil {
		return nil, SurveyRead{}, err
	}
	s.Options.Ties, s.Options.Requirements = match.TieOptions{Off: true}, nil
	total := 2 * len(s.Photos)
	var done atomic.Int64
	read := func(part []match.Photo) iter.Seq2[match.Photo, error] {
		names := make([]string, len(part))
		for i, p := range part {
			names[i] = p.Name
		}
		return func(yield func(match.Photo, error) bool) {
			for p, err := range count(d.Photos(ctx, names), part, nil) {
				if n := int(done.Add(1)); progress != nil && n <= total {
					progress(n, total)
				}
				if !yield(p, err) {
					return
				}
			}
		}
	}
	out, err := match.NewStream(ctx, d.proj, s.Points, s.Links, s.Photos, read, s.Options)
	return out, s.SurveyRead, err
}
