package dataset

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Dataset is a job's folder, opened.
type Dataset struct {
	// Settings are what phototie.toml says, with defaults filled in.
	Settings Settings
	fsys     fs.FS
	root     *os.Root // nil for a dataset that is not a folder on disk
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

// Points reads the points file; positions are on a grid of the given unit.
// Each thing wrong with the file is a *Problem, all of them joined.
func (d *Dataset) Points(unit grid.Unit) ([]match.Point, error) {
	return readPoints(d.fsys, d.Settings.Points, unit)
}

// Links reads the links file; nil where the settings name none.
func (d *Dataset) Links() ([]match.Link, error) {
	return readLinks(d.fsys, d.Settings.Links)
}

// Progress is told how far a long work is: done of total. It may be nil.
type Progress func(done, total int)

// Check reads the whole dataset and checks it on the given projection, which
// must be the grid that the settings name.
func (d *Dataset) Check(ctx context.Context, proj grid.Projection, progress Progress) (*match.Result, error) {
	points, err := d.Points(proj.Grid().Unit)
	if err != nil {
		return nil, err
	}
	links, err := d.Links()
	if err != nil {
		return nil, err
	}
	names, err := d.PhotoNames(ctx)
	if err != nil {
		return nil, err
	}
	if len(names) == 0 {
		return nil, &Problem{File: d.Settings.Photos.Folder, What: "there are no photos in the photo folder", Remedy: "put them there, at any depth, or set photos.folder to where they are"}
	}
	return match.Check(ctx, proj, points, links, count(d.Photos(ctx, names), len(names), progress), d.Settings.Options())
}

// count passes a sequence on and tells how far it is.
func count(seq iter.Seq2[match.Photo, error], total int, progress Progress) iter.Seq2[match.Photo, error] {
	if progress == nil {
		return seq
	}
	return func(yield func(match.Photo, error) bool) {
		done := 0
		for p, err := range seq {
			done++
			progress(done, total)
			if !yield(p, err) {
				return
			}
		}
	}
}
