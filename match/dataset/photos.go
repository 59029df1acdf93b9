package dataset

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"io/fs"
	"iter"
	"path"
	"runtime"
	"slices"
	"strings"
	"syscall"

	"golang.org/x/sync/errgroup"
	"golang.org/x/sync/semaphore"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/pixels"
	"example.com/phototie/match"
)

// imageExtensions are the file name extensions, in lower case, of files that are
// taken for photos. Formats that geotag can't read yet are among them, so that
// such a photo is reported and not passed over in silence.
var imageExtensions = slices.Concat(geotag.Extensions(), rawExtensions,
	[]string{".tif", ".tiff", ".dng", ".heic", ".heif", ".avif", ".jxl", ".jp2", ".gif", ".bmp"})

// isPhoto reports whether a file of this name is taken for a photo.
func isPhoto(name string) bool {
	return slices.Contains(imageExtensions, strings.ToLower(path.Ext(name)))
}

// maxWhole is how much of a file is read into memory where its file system
// gives no random access.
const maxWhole = 1 << 30

// What symbolic links among the photos are.
var (
	errFolderLink = errors.New("it is a symbolic link to a folder, which is not followed; put the folder itself there")
	errLeadsOut   = errors.New("it is a symbolic link that leads out of the dataset's folder, which is not followed; put what it leads to there")
	errNowhere    = errors.New("it is a symbolic link that leads nowhere (no such file)")
)

// linked says what a link is that can't be opened; another error it leaves.
func (d *Dataset) linked(name string, err error) error {
	info, lerr := fs.Lstat(d.fsys, name)
	switch {
	case lerr != nil || info.Mode()&fs.ModeSymlink == 0:
		return bare(err)
	case errors.Is(err, fs.ErrNotExist):
		return errNowhere
	case strings.Contains(err.Error(), "escapes"): // os has no name for it
		return fmt.Errorf("%w: %w", errLeadsOut, bare(err))
	}
	return bare(err)
}

// PhotoNames lists the photos below the photo folder at any depth, by name in
// byte order. Files and folders whose name starts with a dot are passed over,
// as are files that have no image's extension. A symbolic link that leads to a
// folder, or out of the dataset, is among them: ReadPhoto says what it is.
func (d *Dataset) PhotoNames(ctx context.Context) ([]string, error) {
	l, err := d.list(ctx)
	return l.photos, err
}

// listing is what lies below the photo folder, each list by name in byte order.
type listing struct {
	photos []string
	// sidecars are files that may be side-cars, and others all the rest.
	sidecars, others []string
}

func (d *Dataset) list(ctx context.Context) (l listing, err error) {
	folder := d.settings.Photos.Folder
	err = fs.WalkDir(d.fsys, folder, func(name string, e fs.DirEntry, err error) error {
		if err != nil {
			if name == folder && errors.Is(err, fs.ErrNotExist) {
				return &Problem{File: SettingsFile, What: fmt.Sprintf("the photo folder %q is not there", folder), Remedy: "create it, or set photos.folder to where the photos are"}
			}
			return err
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		switch {
		case name != folder && strings.HasPrefix(e.Name(), ".") && e.IsDir():
			return fs.SkipDir
		case name != folder && strings.HasPrefix(e.Name(), "."), e.IsDir():
		case isPhoto(name), e.Type()&fs.ModeSymlink != 0 && !d.isFile(name):
			l.photos = append(l.photos, name)
		case isSidecar(name):
			l.sidecars = append(l.sidecars, name)
		case !slices.Contains(d.Files(), name):
			l.others = append(l.others, name)
		}
		return nil
	})
	if err != nil {
		return listing{}, err
	}
	for _, names := range [][]string{l.photos, l.sidecars, l.others} {
		slices.Sort(names)
	}
	return l, nil
}

// Rest lists what lies among the photos and belongs to none of them: side-cars of
// photos that are not there, and files of other kinds. What is hidden is left out.
func (d *Dataset) Rest(ctx context.Context) ([]string, error) {
	l, err := d.list(ctx)
	if err != nil {
		return nil, err
	}
	owned := map[string]bool{}
	for _, photo := range l.photos {
		found, err := d.sidecarsOf(photo)
		if err != nil {
			return nil, err
		}
		for _, s := range found {
			owned[s] = true
		}
	}
	out := slices.DeleteFunc(l.sidecars, func(name string) bool { return owned[name] })
	out = append(out, l.others...)
	slices.Sort(out)
	return out, nil
}

// isFile reports whether a link leads to a file.
func (d *Dataset) isFile(name string) bool {
	info, err := fs.Stat(d.fsys, name)
	return err == nil && !info.IsDir()
}

// ReadPhoto reads the tag of one photo of the dataset, and of the side-car file
// of a raw one: IMG.xmp or IMG.NEF.xmp beside IMG.NEF. What is wrong with it is
// in Err.
func (d *Dataset) ReadPhoto(name string) match.Photo {
	p, _ := d.readPhoto(name)
	return p
}

// readPhoto is ReadPhoto with what the file was when it was read; nil where it
// could not be opened.
func (d *Dataset) readPhoto(name string) (match.Photo, fs.FileInfo) {
	tag, info, err := d.readTag(name)
	return match.Photo{Name: name, Tag: tag, Err: err}, info
}

func (d *Dataset) readTag(name string) (*geotag.Tag, fs.FileInfo, error) {
	img, err := d.openImage(name)
	if err != nil {
		return nil, nil, err
	}
	defer img.close()
	tag, err := d.tagOf(name, img)
	return tag, img.info, err
}

// tagOf reads the tag of an open photo, with what its side-car says: of a raw one
// that stands for the photo, of others it must not contradict it.
func (d *Dataset) tagOf(name string, img *imageFile) (*geotag.Tag, error) {
	tag, err := geotag.Read(img.r, img.size)
	switch {
	case isRaw(name):
		return d.withSidecar(name, tag, err)
	case err != nil || isSidecar(name):
		return tag, err
	}
	return d.heldAgainstSidecars(name, tag)
}

// imageFile is an image file that is open.
type imageFile struct {
	r    io.ReaderAt
	size int64
	file fs.File
	info fs.FileInfo // when it was opened
}

// close gives the file back. It was only read, so that nothing can be lost.
func (i *imageFile) close() { _ = i.file.Close() }

// openImage opens a photo of the dataset for reading.
func (d *Dataset) openImage(name string) (_ *imageFile, err error) {
	f, err := d.fsys.Open(name)
	if err != nil {
		return nil, d.linked(name, err)
	}
	img := &imageFile{file: f}
	defer func() {
		if err != nil {
			img.close()
		}
	}()
	info, err := f.Stat()
	if err != nil {
		return nil, bare(err)
	}
	if info.IsDir() {
		return nil, errFolderLink
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("it is no ordinary file (%s)", kindOf(info.Mode()))
	}
	img.info = info
	if r, ok := f.(io.ReaderAt); ok {
		img.r, img.size = r, info.Size()
		return img, nil
	}
	all, err := io.ReadAll(io.LimitReader(f, maxWhole))
	if err != nil {
		return nil, bare(err)
	}
	img.r, img.size = bytes.NewReader(all), int64(len(all))
	return img, nil
}

// maxPixels is how many pixels are decoded at a time, all photos together, which
// bounds the memory: pixels.DefaultMaxPixels, the largest photo, goes into it twice.
// The memory that a pixel takes is in the documentation of package pixels.
const maxPixels = 2 * pixels.DefaultMaxPixels

// measurer reads photos and measures their pixels.
type measurer struct {
	ctx   context.Context
	d     *Dataset
	opt   CheckOptions
	taken *semaphore.Weighted // pixels that are being decoded
}

func newMeasurer(ctx context.Context, d *Dataset, opt CheckOptions) *measurer {
	return &measurer{ctx: ctx, d: d, opt: opt, taken: semaphore.NewWeighted(maxPixels)}
}

// photo reads one photo as readPhoto does, and measures its pixels.
func (m *measurer) photo(name string) (p match.Photo, info fs.FileInfo) {
	p.Name = name
	img, err := m.d.openImage(name)
	if err != nil {
		p.Err = err
		return p, nil
	}
	defer img.close()
	if p.Tag, p.Err = m.d.tagOf(name, img); p.Err != nil {
		return p, img.info
	}
	if known := m.opt.Measured[name]; known != nil {
		p.Pixels = known
		return p, img.info
	}
	// An image that does not say how large it is may have as many as are decoded.
	weight := int64(p.Tag.Width) * int64(p.Tag.Height)
	if weight <= 0 || weight > pixels.DefaultMaxPixels {
		weight = pixels.DefaultMaxPixels
	}
	if p.PixelsErr = m.taken.Acquire(m.ctx, weight); p.PixelsErr != nil {
		return p, img.info
	}
	defer m.taken.Release(weight)
	var see func(image.Image, int)
	if m.opt.See != nil {
		see = func(img image.Image, orientation int) { m.opt.See(name, img, orientation) }
	}
	measures, err := pixels.Measure(m.ctx, img.r, img.size, pixels.Limits{}, see)
	if p.PixelsErr = err; measures != nil {
		p.Pixels = measures
	}
	return p, img.info
}

// refusedByMachine reports whether an error says nothing about a photo: there are
// too many open files, or there is no memory.
func refusedByMachine(err error) bool {
	return errors.Is(err, syscall.EMFILE) || errors.Is(err, syscall.ENFILE) || errors.Is(err, syscall.ENOMEM)
}

// bare drops the path from an error of the file system: the caller names it.
func bare(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// readers is how many tags are read at a time: several for each processor, since
// most of the time goes by waiting for a disk or a server, and a tag takes little
// memory.
func readers() int { return max(8, 4*runtime.GOMAXPROCS(0)) }

// Photos reads the tags of the photos of the given names and yields them in that order.
// Some are read ahead, four for each processor and eight at least. It stops with the context's
// error when that is cancelled, and where the machine refuses to open files; a photo that can't be read is yielded with its
// Err, and is no reason to stop.
func (d *Dataset) Photos(ctx context.Context, names []string) iter.Seq2[match.Photo, error] {
	return d.photos(ctx, names, readers(), d.ReadPhoto)
}

// Reader gives the function that Check with the same options reads a photo by: where the
// pixels are measured, with these. It is safe for concurrent use. Several machines may
// read the photos of a job so, and one check them by CheckOptions.Photos.
func (d *Dataset) Reader(ctx context.Context, opt CheckOptions) func(photo string) match.Photo {
	return d.reader(ctx, opt, func(string, fs.FileInfo) {})
}

// reader is Reader that tells what each file was that it read.
func (d *Dataset) reader(ctx context.Context, opt CheckOptions, took func(string, fs.FileInfo)) func(string) match.Photo {
	read := d.readPhoto
	if d.MeasuresPixels(opt.Pixels) {
		read = newMeasurer(ctx, d, opt).photo
	}
	return func(name string) match.Photo {
		if p, ok := opt.Photos[name]; ok {
			p.Name = name
			return p
		}
		p, info := read(name)
		if info != nil {
			took(name, info)
		}
		return p
	}
}

// taken is a photo that was read, or what that panicked with.
type taken struct {
	match.Photo
	panicked any
}

// photos is Photos with the function that reads one. Where that panics, so does the
// caller's goroutine, who can recover from it.
func (d *Dataset) photos(ctx context.Context, names []string, atOnce int, read func(string) match.Photo) iter.Seq2[match.Photo, error] {
	return func(yield func(match.Photo, error) bool) {
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		order := make(chan chan taken, 4*atOnce)
		go func() {
			defer close(order)
			var reading errgroup.Group
			reading.SetLimit(atOnce)
			for _, name := range names {
				out := make(chan taken, 1)
				select {
				case order <- out:
				case <-ctx.Done():
					return
				}
				reading.Go(func() error {
					var p taken
					defer func() {
						p.panicked = recover()
						out <- p
					}()
					p.Photo = read(name)
					return nil
				})
			}
		}()
		for out := range order {
			select {
			case p := <-out:
				if p.panicked != nil {
					panic(p.panicked)
				}
				if refusedByMachine(p.Err) {
					yield(match.Photo{}, fmt.Errorf("%s: %w", p.Name, p.Err))
					return
				}
				if !yield(p.Photo, nil) {
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
