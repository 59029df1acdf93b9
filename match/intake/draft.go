package intake

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/pointfile"
	"example.com/phototie/match/problem"
)

// Draft is what a folder holds, and the settings that follow from it.
type Draft struct {
	Photos Photos `json:"photos"`
	Points Points `json:"points"`
	// Links is nil where no file says which photo shows which point.
	Links    *Links    `json:"links"`
	Grid     Grid      `json:"grid"`
	Settings []Setting `json:"settings"` // the lines of the settings file, in order
	Open     []string  `json:"open"`     // what is left to decide or to mend, in words
	Notes    []string  `json:"notes"`    // what else somebody should know
}

// Photos are the photos found.
type Photos struct {
	Folder string `json:"folder"` // holds them all
	Count  int    `json:"count"`
	Tagged int    `json:"tagged"` // how many have a position
}

// Points is the points file.
type Points struct {
	File  string           `json:"file"`
	Count int              `json:"count"`
	Read  pointfile.Header `json:"read"` // how it was understood
}

// Links is the list of which photo shows which point.
type Links struct {
	File          string       `json:"file"`
	Layout        string       `json:"layout"`         // how it was understood
	Links         []match.Link `json:"links"`          // what was taken
	Untied        []match.Link `json:"untied"`         // photos in it without a point
	UnknownPhotos []match.Link `json:"unknown_photos"` // names of image files that are not there
	UnknownPoints []match.Link `json:"unknown_points"` // what stands where others have their point

	others []string // lists that tie other photos
}

// Grid says which system the points are in.
type Grid struct {
	// Candidates are the systems that put the points among the tags, best first, 20
	// at most besides those that can't be told apart.
	Candidates []Candidate `json:"candidates"`
	Stated     string      `json:"stated,omitempty"` // what the points file itself names
	Why        string      `json:"why"`              // what was found, in words
}

// Candidate is a system with what the tags can't tell it from.
type Candidate struct {
	grid.RankedSystem
	Like []string `json:"like"`
}

// Setting is a line of the settings file.
type Setting struct {
	Key    string `json:"key"`   // with its table
	Value  string `json:"value"` // in TOML's notation
	Reason string `json:"reason"`
	// Choices are what is left to choose from; the value then is a mark that a check
	// refuses.
	Choices []string `json:"choices,omitempty"`
}

// Complete says that nothing is left to decide.
func (d *Draft) Complete() bool { return len(d.Open) == 0 }

// Text is the settings file.
func (d *Draft) Text() []byte {
	var b strings.Builder
	b.WriteString("# A draft by phototie init, from what is in the folder; change what you know better.\n")
	if !d.Complete() {
		b.WriteString("# Where a value begins with a question mark, put the right one in its place.\n")
	}
	table := ""
	for _, s := range d.Settings {
		at := strings.LastIndexByte(s.Key, '.')
		if t := s.Key[:at]; t != table {
			fmt.Fprintf(&b, "\n[%s]\n", t)
			table = t
		}
		for _, l := range words.Wrap(words.Safe(s.Reason), 86) {
			fmt.Fprintf(&b, "# %s\n", l)
		}
		fmt.Fprintf(&b, "%s = %s\n", s.Key[at+1:], s.Value)
	}
	return []byte(b.String())
}

func (d *Draft) set(key, value, reason string) {
	d.Settings = append(d.Settings, Setting{Key: key, Value: value, Reason: reason})
}

// choose leaves a setting to the user.
func (d *Draft) choose(key, reason string, choices ...string) {
	d.Settings = append(d.Settings, Setting{Key: key, Value: words.TOML(dataset.ToDecide + " " + strings.Join(choices, " | ")), Reason: reason, Choices: choices})
	d.Open = append(d.Open, key+": "+strings.Join(choices, ", or "))
}

func quoteAll(list []string) string {
	var out []string
	for _, s := range list {
		out = append(out, words.TOML(s))
	}
	return "[" + strings.Join(out, ", ") + "]"
}

// Search finds the systems that put points among positions; that of grid/crs does.
type Search func(context.Context, grid.Clues) ([]grid.RankedSystem, error)

// Read drafts the settings of the job in a folder. open opens the systems that it
// tries. The error is a *problem.Problem that says what is missing where there are no
// photos or no points.
func Read(ctx context.Context, d *dataset.Dataset, search Search, open grid.Opener, progress dataset.Progress) (*Draft, error) {
	r := &reader{d: d, search: search, open: open, draft: &Draft{Open: []string{}, Notes: []string{}}}
	if err := r.readPhotos(ctx, progress); err != nil {
		return nil, err
	}
	if err := r.list(ctx); err != nil {
		return nil, err
	}
	if err := r.readPoints(ctx); err != nil {
		return nil, err
	}
	if err := r.settle(ctx); err != nil {
		return nil, err
	}
	return r.draft, r.prove(ctx)
}

// reader is a folder being read.
type reader struct {
	d      *dataset.Dataset
	search Search
	open   grid.Opener
	draft  *Draft

	photos []string
	fixes  []grid.Fix
	tagged []string // the photos of fixes
	files  []string // that are no photos
	found  *pointset
	ranked []grid.RankedSystem
}

// readPhotos finds the photos. Pictures without a camera's data, such as a logo, don't
// count for the folder.
func (r *reader) readPhotos(ctx context.Context, progress dataset.Progress) error {
	names, err := r.d.PhotoNames(ctx)
	if err != nil {
		return err
	}
	var others []string
	for p, err := range r.d.Photos(ctx, names) {
		if err != nil {
			return err
		}
		if progress != nil {
			progress(len(r.photos)+len(others)+1, len(names))
		}
		f, ok := fixOf(p.Tag)
		if ok {
			r.fixes, r.tagged = append(r.fixes, f), append(r.tagged, p.Name)
		}
		if ok || p.Tag != nil && (p.Tag.Taken != nil || p.Tag.Make != "") || p.Err != nil {
			r.photos = append(r.photos, p.Name)
		} else {
			others = append(others, p.Name)
		}
	}
	if len(r.photos) == 0 {
		r.photos, others = others, nil
	}
	if len(r.photos) == 0 {
		return &problem.Problem{File: ".", What: "there are no photos below the folder", Remedy: "name the folder that has the photos, the points file and the list of links in it, at any depth"}
	}
	r.settleFolder(others)
	return nil
}

// settleFolder takes the smallest folder that holds all photos, and with it what else is
// an image there.
func (r *reader) settleFolder(others []string) {
	folder := path.Dir(r.photos[0])
	for _, p := range r.photos {
		for folder != "." && !strings.HasPrefix(p, folder+"/") {
			folder = path.Dir(folder)
		}
	}
	for _, p := range others {
		if folder == "." || strings.HasPrefix(p, folder+"/") {
			r.photos = append(r.photos, p)
		}
	}
	slices.Sort(r.photos)
	r.draft.Photos = Photos{Folder: folder, Count: len(r.photos), Tagged: len(r.fixes)}
}

// mostText is how large a points file or a list is that is looked at.
const mostText = 32 << 20

// list finds the other files.
func (r *reader) list(ctx context.Context) error {
	rest, err := r.d.Rest(ctx)
	if err != nil {
		return err
	}
	for _, name := range rest {
		info, err := fs.Stat(r.d.FS(), name)
		if err != nil || !info.Mode().IsRegular() || info.Size() == 0 {
			continue
		}
		if info.Size() > mostText {
			r.note("%s is larger than %d MiB and was not looked at", name, mostText>>20)
			continue
		}
		r.files = append(r.files, name)
	}
	return nil
}

func (r *reader) note(format string, args ...any) {
	if n := fmt.Sprintf(format, args...); !slices.Contains(r.draft.Notes, n) {
		r.draft.Notes = append(r.draft.Notes, n)
	}
}

// prove has the draft read as a check would, so that what a check would refuse is said
// now.
func (r *reader) prove(ctx context.Context) error {
	if !r.draft.Complete() {
		return nil
	}
	d, err := dataset.OpenFS(r.d.FS(), r.draft.Text(), r.open)
	if err == nil {
		_, err = d.Survey(ctx)
	}
	if errors.As(err, new(*problem.Problem)) {
		r.draft.Open, err = append(r.draft.Open, "a check still refuses: "+err.Error()), nil
	}
	return err
}
