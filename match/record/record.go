package record

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"regexp"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Input is what a record is made of. Only Result is needed.
type Input struct {
	// Title names the job; it heads every page.
	Title string
	// Result is the checked job.
	Result *match.Result
	// Block is the title block: client, surveyor and the like, in that order. Logo
	// stands beside the title; without JPEG there is none.
	Block []Fact
	Logo  Picture
	// Layout is how the photos are laid out; empty is LayoutSheets.
	Layout Layout
	// Facts are further facts about the job, which the annex lists: how the
	// points were read, for instance.
	Facts []Fact
	// Checks say who answers for what: decisions about photos, accepted findings.
	Checks []Check
	// Causes explain what is out. Nil says that nobody looked for any, which the
	// record then states; an empty list that none was found.
	Causes []Cause
	// Changes are the corrections that were written into the photos.
	Changes []Change
	// Thumbnail returns a small picture of a photo; nil leaves pictures out. It is
	// called from several goroutines at once, for each photo once. An error says
	// why there is no picture, and stands in its place; only the context's own
	// error ends the record. See Thumbnails.
	Thumbnail func(ctx context.Context, photo string) (Picture, error)
	// Geographic transforms a place on the grid to the latitude and longitude in the
	// grid's own frame, as grid.Geodesist does; nil leaves them out.
	Geographic func(at grid.EN) (grid.LatLon, error)
	// HeightUnit is the unit of the points' heights in their file; zero is the
	// grid's.
	HeightUnit grid.Unit
	// Date is printed as the record's date, in any words. Empty leaves it out, and
	// the same input then gives the same bytes on any day.
	Date string
	// Tool is the program and version that made the record, printed at its end.
	Tool string
	// PhotoLink returns the address of a photo relative to the record, and makes
	// its picture a link; nil makes none. An address with a scheme that can run
	// code is not used.
	PhotoLink func(photo string) string
	// PhotosPerPage is the number of photos after which WriteDir begins the next
	// page of sheets; 0 defaults to 250. A sheet is never divided.
	PhotosPerPage int
	// Progress is told how many of the photos are written; it may be nil.
	Progress func(done, total int)
}

// Layout is how photos are laid out on paper.
type Layout string

// The layouts.
const (
	// LayoutSheets has a sheet for each point, with all there is to say of its photos.
	LayoutSheets Layout = "sheets"
	// LayoutContact has twelve photos on a page, with point, verdict and distance.
	LayoutContact Layout = "contact"
)

// Check is something that somebody looked at and answers for.
type Check struct {
	// By is the name, When the day, What was decided or accepted, and Why; all but What
	// may be empty.
	By, When, What, Why string
}

// Fact is something to know about the job.
type Fact struct {
	// Name is a word or two, Text what there is to say.
	Name, Text string
}

// Cause is something that explains why photos are out.
type Cause struct {
	// Name identifies the kind of cause in a word or two.
	Name string
	// Summary says in one sentence what is wrong, Remedy what to do about it.
	Summary, Remedy string
	// Details are further facts, one each: a figure that was fitted, the verdicts
	// before and after.
	Details []string
	// Photos are the names of the photos concerned.
	Photos []string
}

// Change is a correction of one photo, as a ledger has it on record.
type Change struct {
	Photo string
	// Time is when it was written; zero where that is not known.
	Time time.Time
	// What says what was done, in a few words: "point's position written".
	What string
	// Was and Is are the positions before and after, in words; empty where the
	// photo had none or it is not known.
	Was, Is string
	// Before and After are the SHA-256 of the whole file, in hex.
	Before, After string
	// Left says why the photo is as it was taken; empty where it was corrected.
	Left string
	// restored says that the photo was taken back to earlier bytes.
	restored bool
	// Notes are what a reader should know besides.
	Notes []string
}

// Picture is a small picture of a photo, as it is to be seen.
type Picture struct {
	// JPEG is the picture, upright.
	JPEG []byte
	// Width and Height are its dimensions in pixels.
	Width, Height int
}

// perPage is PhotosPerPage where it is not set.
const perPage = 250

// untiedPerSheet is how many photos without a point share a sheet.
const untiedPerSheet = 24

var errNoResult = errors.New("record: there is no result to write")

// Write writes the record as one HTML file that needs nothing else: styles,
// script, drawings and pictures are in it. The same input gives the same bytes.
// The error is that of w, of the context, or says that Result is nil; what was
// written until then is no whole record.
func Write(ctx context.Context, w io.Writer, in Input) error {
	if in.Result == nil {
		return errNoResult
	}
	d := newDoc(&in)
	d.place(1 << 62)
	b := bufio.NewWriterSize(w, 1<<16)
	pics := newPictures(ctx, &in, d.order)
	defer pics.stop()
	if err := d.whole(b, pics); err != nil {
		return err
	}
	return b.Flush()
}

// IndexFile is the file of a record in a folder that is to be opened first.
const IndexFile = "index.html"

// pageFile names the file of a page of sheets, from 1.
func pageFile(n int) string { return fmt.Sprintf("sheets-%03d.html", n) }

var ownFile = regexp.MustCompile(`^(index|sheets-[0-9]{3,})\.html(\.part)?$`)

// ErrTaken: the folder holds files that are no record's.
var ErrTaken = errors.New("the folder holds other files, which a record must not be mixed with")

// WriteDir writes the record of a large job as a folder: IndexFile with the
// summary, the plan, the plots and the register of points, and pages of sheets
// with about PhotosPerPage photos each. Each file is whole in itself but for the
// links between them. The folder must be empty or hold an earlier record, whose
// files are replaced and, where they are no longer needed, removed; else the
// error wraps ErrTaken. Each file is written under another name first, and
// IndexFile last.
func WriteDir(ctx context.Context, root *os.Root, in Input) error {
	if in.Result == nil {
		return errNoResult
	}
	old, err := fs.ReadDir(root.FS(), ".")
	if err != nil {
		return err
	}
	for _, e := range old {
		if !ownFile.MatchString(e.Name()) || !e.Type().IsRegular() {
			return fmt.Errorf("%w: %s", ErrTaken, e.Name())
		}
	}
	d := newDoc(&in)
	n := in.PhotosPerPage
	if n <= 0 {
		n = perPage
	}
	d.split = true
	d.place(n)
	pics := newPictures(ctx, &in, d.order)
	defer pics.stop()
	kept := map[string]bool{IndexFile: true}
	for p := range d.pages {
		name := pageFile(p + 1)
		kept[name] = true
		if err := writeFile(root, name, func(w io.Writer) error { return d.sheetPage(w, p, pics) }); err != nil {
			return err
		}
	}
	if err := writeFile(root, IndexFile, d.index); err != nil {
		return err
	}
	for _, e := range old {
		if !kept[e.Name()] {
			if err := root.Remove(e.Name()); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
		}
	}
	return nil
}

// writeFile writes a file that is there as a whole or not at all.
func writeFile(root *os.Root, name string, write func(io.Writer) error) (err error) {
	part := name + ".part"
	f, err := root.Create(part)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, root.Remove(part))
		}
	}()
	b := bufio.NewWriterSize(f, 1<<16)
	if err := errors.Join(write(b), b.Flush(), f.Close()); err != nil {
		return fmt.Errorf("%s: %w", path.Base(name), err)
	}
	return root.Rename(part, name)
}
