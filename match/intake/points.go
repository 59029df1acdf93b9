package intake

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/linklist"
	"example.com/phototie/match/pointfile"
	"example.com/phototie/match/problem"
)

// pointset is a points file read in one way.
type pointset struct {
	file   string
	opt    pointfile.Options
	header pointfile.Header
	// outline and pair say where the coordinates stand of a text whose header does not;
	// nil for other files.
	outline *pointfile.Outline
	pair    [2]int
	ids     []string
	at      [][2]float64
	photos  []match.Link
	faults  []error // of rows that can't be read
	zone    bool    // times need a zone
	order   bool    // dates need the order of day and month
	links   *Links
	ranked  []grid.RankedSystem
}

// mostFaults is how many rows of a points file are looked at that can't be read.
const mostFaults = 20

// readPoints finds the points file: that with the most points of those that lie among
// the tags in some system; of those where none does, that with the most points.
func (r *reader) readPoints(ctx context.Context) error {
	var sets []*pointset
	var why []error
	for _, f := range r.files {
		s, err := r.pointsOf(f)
		why = append(why, err)
		sets = append(sets, s...)
	}
	if len(sets) == 0 {
		p := &problem.Problem{File: ".", What: "no file below the folder can be read as points", Remedy: "add the surveyed points as delimited text, GeoJSON, LandXML, GPX or GeoPackage: an id and two coordinates for each"}
		for _, err := range why {
			if e := (*problem.Problem)(nil); errors.As(err, &e) && len(p.What) < 600 {
				p.What += fmt.Sprintf("; %s: %s", e.File, e.What)
			}
		}
		return p
	}
	slices.SortStableFunc(sets, func(a, b *pointset) int { return len(b.at) - len(a.at) })
	var placed []*pointset
	for _, s := range sets[:min(len(sets), mostReadings)] {
		s.links = r.linksOf(s)
		found, err := r.place(ctx, s)
		if err != nil {
			return err
		}
		if found || s.header.CRS != "" && r.found == nil {
			placed = append(placed, s)
		}
	}
	r.found = sets[0]
	if len(placed) > 0 {
		r.found = placed[0]
	}
	others := map[string]bool{}
	for _, s := range placed {
		if s.file != r.found.file && !slices.Equal(slices.Sorted(slices.Values(s.ids)), slices.Sorted(slices.Values(r.found.ids))) {
			others[s.file] = true
		}
	}
	r.ranked = r.found.ranked
	r.writePoints(slices.Sorted(maps.Keys(others)))
	return nil
}

// mostReadings is how many ways to read files as points are held against the tags.
const mostReadings = 6

// pointsOf reads a file as points, in each way that it allows.
func (r *reader) pointsOf(file string) ([]*pointset, error) {
	s := &pointset{file: file}
	err := s.read(r.d.FS())
	if err == nil && len(s.at) > len(s.faults) {
		if r.namesPhotos(s.ids) {
			return nil, nil // a list of photos with their positions
		}
		return []*pointset{s}, nil
	}
	o, oerr := pointfile.ReadOutline(r.d.FS(), file)
	if oerr != nil {
		return nil, errors.Join(err, oerr)
	}
	var out []*pointset
	for _, pair := range o.Pairs {
		s := &pointset{file: file, outline: o, pair: pair}
		if s.opt, oerr = o.Options(pair, "easting", "northing"); oerr != nil {
			continue
		}
		if oerr = s.read(r.d.FS()); oerr == nil && len(s.at) > len(s.faults) && !r.namesPhotos(s.ids) {
			out = append(out, s)
		}
	}
	return out, err
}

// namesPhotos says that ids are mostly names of photos.
func (r *reader) namesPhotos(ids []string) bool {
	var links []match.Link
	for _, id := range ids[:min(len(ids), 200)] {
		links = append(links, match.Link{Photo: id})
	}
	_, unmatched, err := match.SortLinks(r.photos, links)
	return err == nil && 2*len(unmatched) < len(links)
}

// read reads the file with the options that are set. Where its times don't say their
// offset, zone is set, and order where its dates don't show which number is the day.
func (s *pointset) read(fsys fs.FS) error {
	err := s.pass(fsys, s.opt)
	if len(s.faults) == 0 {
		return err
	}
	best := s
	for _, missing := range [][2]bool{{true, false}, {false, true}, {true, true}} {
		again := *s
		again.ids, again.at, again.photos, again.faults = nil, nil, nil, nil
		opt := s.opt
		if again.zone = missing[0]; again.zone {
			opt.Location = time.UTC
		}
		if again.order = missing[1]; again.order {
			opt.DateOrder = pointfile.DayMonth
		}
		if perr := again.pass(fsys, opt); perr == nil && len(again.faults) < len(best.faults) {
			best, err = &again, nil
		}
	}
	*s = *best
	return err
}

func (s *pointset) pass(fsys fs.FS, opt pointfile.Options) error {
	f, err := pointfile.Open(fsys, s.file, opt)
	if err != nil {
		return err
	}
	defer f.Close()
	for rec, err := range f.Records() {
		if err != nil {
			if s.faults = append(s.faults, err); len(s.faults) > mostFaults && len(s.at) == 0 {
				break
			}
			continue
		}
		s.ids, s.at = append(s.ids, rec.ID), append(s.at, [2]float64{rec.X, rec.Y})
		for _, p := range rec.Photos {
			s.photos = append(s.photos, match.Link{Photo: p, Point: rec.ID, Line: rec.Line})
		}
	}
	s.header = f.Header()
	if len(s.at) == 0 && len(s.faults) > 0 {
		return s.faults[0]
	}
	return nil
}

// linksOf finds the list of links to the points: the file that ties the most photos.
func (r *reader) linksOf(s *pointset) *Links {
	var best *Links
	var lists [][]match.Link
	var names []string
	for _, f := range r.files {
		text, err := fs.ReadFile(r.d.FS(), f)
		if err != nil || f == s.file && len(s.photos) > 0 {
			continue
		}
		list, err := linklist.Read(f, text, linklist.Options{Photos: r.photos, Points: s.ids})
		if err != nil {
			if p := (*problem.Problem)(nil); errors.As(err, &p) && p.Line > 0 {
				text, _, _ := strings.Cut(err.Error(), "\n")
				r.note("%s is no list of links as it stands: %s", f, text)
			}
			continue
		}
		lists = append(lists, list.Links)
		names = append(names, f)
		if best == nil || len(list.Links) > len(best.Links) {
			best = &Links{File: f, Layout: list.Layout, Links: list.Links, Untied: append([]match.Link{}, list.Untied...), UnknownPhotos: append([]match.Link{}, list.UnknownPhotos...), UnknownPoints: append([]match.Link{}, list.UnknownPoints...)}
		}
	}
	for i, list := range lists {
		if names[i] == best.File || len(list) == 0 {
			continue
		}
		r.note("%s and %s both have links", best.File, names[i])
		if best.lacks(list) {
			best.others = append(best.others, names[i])
		}
	}
	return best
}

// lacks says that another list ties photos that this one does not.
func (l *Links) lacks(other []match.Link) bool {
	has := map[string]bool{}
	for _, k := range l.Links {
		has[k.Photo] = true
	}
	return slices.ContainsFunc(other, func(k match.Link) bool { return !has[k.Photo] })
}

// clues are a set of points and the tags, with who belongs to whom as far as links say.
func (r *reader) clues(s *pointset) grid.Clues {
	c := grid.Clues{Coordinates: s.at, Fixes: r.fixes}
	links := s.photos
	if s.links != nil {
		links = append(slices.Clone(links), s.links.Links...)
	}
	of, _, err := match.SortLinks(r.tagged, links)
	if err != nil || len(links) == 0 {
		return c
	}
	index := map[string]int{}
	for i, id := range s.ids {
		index[id] = i
	}
	c.Pairs = slices.Repeat([]int{-1}, len(r.fixes))
	for i, ls := range of {
		if len(ls) != 1 {
			continue
		}
		if k, ok := index[ls[0].Point]; ok {
			c.Pairs[i] = k
		}
	}
	return c
}

// place looks for the systems that put a set of points among the tags.
func (r *reader) place(ctx context.Context, s *pointset) (found bool, err error) {
	if s.header.Axes == pointfile.Geographic || len(r.fixes) == 0 {
		return s.header.Axes == pointfile.Geographic, nil
	}
	s.ranked, err = r.search(ctx, r.clues(s))
	return len(s.ranked) > 0, err
}

// writePoints drafts the table [points], but for what the system decides.
func (r *reader) writePoints(others []string) {
	s, d := r.found, r.draft
	_, names := s.best()
	read := s.header
	read.Columns = slices.Clone(read.Columns)
	for i, c := range read.Columns {
		switch c.Name {
		case "easting", "westing":
			read.Columns[i].Name = names[0]
		case "northing", "southing":
			read.Columns[i].Name = names[1]
		}
	}
	d.Points = Points{File: s.file, Count: len(s.at), Read: read}
	d.Links = s.links
	for _, err := range s.faults[:min(len(s.faults), 3)] {
		d.Open = append(d.Open, "a row of the points file has to be mended: "+err.Error())
	}
	why := fmt.Sprintf("%d points: %s", len(s.at), read)
	if len(others) > 0 {
		d.choose("points.file", why+". Another file has other points that lie among the tags too", append([]string{s.file}, others...)...)
		return
	}
	d.set("points.file", words.TOML(s.file), why)
}
