package dataset

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"path"
	"runtime"
	"slices"
	"strings"

	"example.com/phototie/geotag"
	"example.com/phototie/match"
)

// imageExtensions are the file name extensions, in lower case, of files that are
// taken for photos. Formats that geotag can't read yet are among them, so that
// such a photo is reported and not passed over in silence.
var imageExtensions = append(geotag.Extensions(),
	".tif", ".tiff", ".dng", ".heic", ".heif", ".avif", ".jxl", ".jp2",
	".cr2", ".cr3", ".nef", ".arw", ".orf", ".rw2", ".raf", ".pef", ".srw", ".gif", ".bmp")

// isPhoto reports whether a file of this name is taken for a photo.
func isPhoto(name string) bool {
	return slices.Contains(imageExtensions, strings.ToLower(path.Ext(name)))
}

// maxWhole is how much of a file is read into memory where its file system
// gives no random access.
const maxWhole = 1 << 30

// errFolderLink is the Err of a symbolic link to a folder among the photos.
var errFolderLink = errors.New("it is a symbolic link to a folder, which is not followed; put the folder itself there")

// PhotoNames lists the photos below the photo folder at any depth, by name in
// byte order. Files and folders whose name starts with a dot are passed over,
// as are files that have no image's extension.
func (d *Dataset) PhotoNames(ctx context.Context) ([]string, error) {
	var names []string
	folder := d.Settings.Photos.Folder
	err := fs.WalkDir(d.fsys, folder, func(name string, e fs.DirEntry, err error) error {
		if err != nil {
			if name == folder && errors.Is(err, fs.ErrNotExist) {
				return &Problem{File: SettingsFile, What: fmt.Sprintf("the photo folder %q is not there", folder), Remedy: "create it, or set photos.folder to where the photos are"}
			}
			return err
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		if name != folder && strings.HasPrefix(e.Name(), ".") {
			if e.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if e.IsDir() {
			return nil
		}
		if isPhoto(name) || e.Type()&fs.ModeSymlink != 0 && d.isFolder(name) {
			names = append(names, name)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	return names, nil
}

func (d *Dataset) isFolder(name string) bool {
	info, err := fs.Stat(d.fsys, name)
	return err == nil && info.IsDir()
}

// ReadPhoto reads one photo of the dataset. What is wrong with it is in Err.
func (d *Dataset) ReadPhoto(name string) match.Photo {
	tag, err := d.readTag(name)
	return match.Photo{Name: name, Tag: tag, Err: err}
}

func (d *Dataset) readTag(name string) (*geotag.Tag, error) {
	f, err := d.fsys.Open(name)
	if err != nil {
		return nil, bare(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, bare(err)
	}
	if info.IsDir() {
		return nil, errFolderLink
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("it is no ordinary file (%s)", info.Mode().Type())
	}
	if r, ok := f.(io.ReaderAt); ok {
		return geotag.Read(r, info.Size())
	}
	all, err := io.ReadAll(io.LimitReader(f, maxWhole))
	if err != nil {
		return nil, bare(err)
	}
	return geotag.Read(bytes.NewReader(all), int64(len(all)))
}

// bare drops the path from an error of the file system: the caller names it.
func bare(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// Photos reads the photos of the given names and yields them in that order. As
// many are read at a time as there are processors. It stops with the context's
// error when that is cancelled; a photo that can't be read is yielded with its
// Err, and is no reason to stop.
func (d *Dataset) Photos(ctx context.Context, names []string) iter.Seq2[match.Photo, error] {
	return func(yield func(match.Photo, error) bool) {
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		type job struct {
			name string
			out  chan match.Photo
		}
		workers := min(runtime.GOMAXPROCS(0), max(len(names), 1))
		todo := make(chan job)
		order := make(chan chan match.Photo, 4*workers)
		go func() {
			defer close(todo)
			defer close(order)
			for _, n := range names {
				j := job{n, make(chan match.Photo, 1)}
				select {
				case order <- j.out:
				case <-ctx.Done():
					return
				}
				select {
				case todo <- j:
				case <-ctx.Done():
					return
				}
			}
		}()
		for range workers {
			go func() {
				for j := range todo {
					j.out <- d.ReadPhoto(j.name)
				}
			}()
		}
		for out := range order {
			select {
			case p := <-out:
				if !yield(p, nil) {
					return
				}
			case <-ctx.Done():
				yield(match.Photo{}, ctx.Err())
				return
			}
		}
		if err := ctx.Err(); err != nil {
			yield(match.Photo{}, err)
		}
	}
}
