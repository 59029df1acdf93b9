package dataset

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"

	"example.com/phototie/match"
	"example.com/phototie/match/linklist"
	"example.com/phototie/match/pointfile"
)

// linkColumns are the headings understood in a links file.
var linkColumns = map[string]string{
	"photo": "photo", "image": "photo", "file": "photo", "filename": "photo", "picture": "photo",
	"point": "point", "pointid": "point", "id": "point", "p": "point", "pt": "point",
	"original": "original", "originalname": "original", "originalphoto": "original",
	"topoint": "to_point", "offsete": "offset_e", "offseteast": "offset_e", "offsetn": "offset_n", "offsetnorth": "offset_n",
	"offsetbearing": "offset_bearing", "offsetdistance": "offset_distance",
}

// linkNames are those columns; of the last four an offset has the first two or the others.
var linkNames = []string{"photo", "point", "original", "to_point", "offset_e", "offset_n", "offset_bearing", "offset_distance"}

// headings are linkColumns with the user's own. A column that is named there is taken from
// there only.
func (s LinkSettings) headings() map[string]string {
	if len(s.Fields) == 0 {
		return linkColumns
	}
	own := map[string]string{}
	for heading, to := range s.Fields {
		own[pointfile.Key(heading)] = linkColumns[pointfile.Key(to)] // "" for "-"
	}
	claimed := slices.Collect(maps.Values(own))
	out := maps.Clone(linkColumns)
	maps.DeleteFunc(out, func(_, to string) bool { return slices.Contains(claimed, to) })
	maps.Copy(out, own)
	maps.DeleteFunc(out, func(_, to string) bool { return to == "" })
	return out
}

// mostLinks is how many links a job has at most, which take a check some 400 bytes
// each, and mostLinkText how many bytes their names may have together.
var (
	mostLinks    = 3_000_000
	mostLinkText = 512 << 20
)

// LinksRead tells how a list of links was understood that is no table of a photo and a
// point a row, for a user to confirm.
type LinksRead struct {
	File   string `json:"file"`
	Layout string `json:"layout"` // in words where photos and points stand
	Links  int    `json:"links"`  // how many were taken
	Untied int    `json:"untied"` // how many photos in it have no point
}

// mostList is how long a list is that is read in any layout, in bytes.
const mostList = 32 << 20

// readList reads the links file in any layout: photos and points are found in it by
// their names. What names a photo or a point that is not known stays a link.
func readList(fsys fs.FS, s LinkSettings, photos []string, points []match.Point) ([]match.Link, *LinksRead, error) {
	text, err := ReadFile(fsys, s.File, mostList)
	if p := (*Problem)(nil); err != nil && !errors.As(err, &p) {
		err = &Problem{File: s.File, What: bare(err).Error()}
	}
	if err != nil {
		return nil, nil, err
	}
	opt := linklist.Options{Photos: photos, FillDown: s.FillDown}
	for _, p := range points {
		opt.Points = append(opt.Points, p.ID)
	}
	for heading, to := range s.Fields {
		switch linkColumns[pointfile.Key(to)] {
		case "photo":
			opt.PhotoFields = append(opt.PhotoFields, heading)
		case "point":
			opt.PointFields = append(opt.PointFields, heading)
		default:
			opt.Skip = append(opt.Skip, heading)
		}
	}
	list, err := linklist.Read(s.File, text, opt)
	if err != nil {
		return nil, nil, err
	}
	links := slices.Concat(list.Links, list.UnknownPoints)
	for _, l := range list.UnknownPhotos {
		if l.Point != "" { // else it is a picture of the page
			links = append(links, l)
		}
	}
	return links, &LinksRead{File: s.File, Layout: list.Layout, Links: len(list.Links), Untied: len(list.Untied)}, nil
}

const splitJob = "split the job"

// outOfBounds says that a file is not there or too large, in whatever layout.
func outOfBounds(err error) bool {
	var p *Problem
	return errors.As(err, &p) && (p.Remedy == splitJob || p.What == errLongRow.Error() || p.What == noSuchFile)
}

// lost counts the links that lead from no photo, or to no point.
func lost(links []match.Link, photos []string, points []match.Point) int {
	known := make(map[string]bool, len(points))
	for _, p := range points {
		known[p.ID] = true
	}
	_, unmatched, err := match.SortLinks(photos, links)
	if err != nil {
		return 0
	}
	n := len(unmatched)
	for _, l := range links {
		if !known[l.Point] {
			n++
		}
	}
	return n
}

// links are the links of the links file and, unless the settings say that it has
// all there are, those that the points file lists. originals has the names that
// photos had before they were renamed, by the path that a row names.
//
// A table of a photo and a point a row is read as one. Where it has no such columns, or
// rows that lead nowhere, the file is read in any layout, and that counts if it leads
// from more photos to points.
func (d *Dataset) links(listed []match.Link, photos []string, points []match.Point) (links []match.Link, originals map[string]string, read *LinksRead, err error) {
	s := d.settings.Links
	links, originals, err = readLinks(d.fsys, s)
	missed := 0
	aimed := slices.ContainsFunc(links, func(l match.Link) bool { return l.Aim != nil })
	if err == nil && s.File != "" {
		missed = lost(links, photos, points)
	}
	if s.File != "" && len(s.Columns) == 0 && !aimed && (missed > 0 || s.FillDown != nil || err != nil && !outOfBounds(err)) {
		more, how, lerr := readList(d.fsys, s, photos, points)
		var at *Problem
		switch {
		case lerr == nil && (err != nil || s.FillDown != nil || how.Links > len(links)-missed):
			links, read, err = more, how, nil
		case s.FillDown != nil, err != nil && errors.As(lerr, &at) && at.Line > 0:
			err = lerr
		}
	}
	if err == nil && !s.Only {
		links = merge(links, listed)
	}
	return links, originals, read, err
}

// readLinks reads the links file as a table: which photo shows which point, as the crew or
// the office has it. A photo may have no row, or a row with an empty point.
// originals has the names that photos had before they were renamed, by the path
// that the row names.
func readLinks(fsys fs.FS, s LinkSettings) (links []match.Link, originals map[string]string, err error) {
	if s.File == "" {
		return nil, nil, nil
	}
	t, err := openTable(fsys, s.File, s.Separator, s.Columns, s.headings(), linkNames, []string{"photo", "point"})
	if err != nil {
		return nil, nil, err
	}
	defer t.closer.Close()
	originals = map[string]string{}
	text := 0
	for t.next() {
		l := match.Link{Photo: t.get("photo"), Point: t.get("point"), Line: t.line, Aim: t.aim()}
		if l.Photo == "" {
			t.ps.add(t.line, t.column("photo"), "name the photo, or take the row out", "the row names no photo")
			continue
		}
		if name := t.get("original"); name != "" {
			if before, ok := originals[l.Photo]; ok && before != name {
				t.ps.add(t.line, t.column("original"), "keep the one that is right", "photo %q has two original names, %q and %q", clip(l.Photo), clip(before), clip(name))
				continue
			}
			originals[l.Photo] = name
		}
		if l.Point == "" && l.Aim != nil {
			t.ps.add(t.line, t.column("point"), "name the point", "the row says what the photo shows beside a point, and names no point")
		}
		if l.Point == "" {
			continue // says that the photo has no point, which is what no row says
		}
		links = append(links, l)
		text += len(l.Photo) + len(l.Point)
		if len(links) > mostLinks || text > mostLinkText {
			return nil, nil, &Problem{File: s.File, Line: t.line, Remedy: splitJob,
				What: fmt.Sprintf("there are more than %d links, or their names take more than %d MiB; a check holds some 400 bytes for each link", mostLinks, mostLinkText>>20)}
		}
	}
	return links, originals, t.ps.err()
}
