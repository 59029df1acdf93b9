package single

import (
	"context"
	"errors"
	"fmt"
	"io"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Options say how a photo is judged and what may be written. The zero value judges by
// the default budget and corrects a photo within it.
type Options struct {
	match.Options
	// Policy says which verdicts are corrected, and how.
	Policy match.Policy
}

// Photo is a photo against its position. It is safe for concurrent use if the reader that
// Check was given is. The zero Photo is of no use: Check makes one.
type Photo struct {
	// PhotoResult has the tag, the discrepancy (tag minus point, in the grid's unit)
	// and the verdict.
	match.PhotoResult
	// Grid is what the discrepancy is on.
	Grid grid.Grid
	// Correction has the new tag, or in words why there is none.
	Correction match.Correction
	// Patch makes the corrected bytes of the photo's, and its Reverse takes them back;
	// nil where there is no correction.
	Patch *geotag.Patch

	r    io.ReaderAt
	size int64
}

// ErrLeft: the photo is left as it is, for the reason that the error gives.
var ErrLeft = errors.New("the photo is not corrected")

// Check reads the image of size bytes in r, which it is taken to show point, and
// compares, judges and plans the correction. The point is on the grid of proj, in its
// unit, easting first. Name is what results call the photo; it may be empty.
//
// An image that can't be read is an error of package geotag (geotag.AboutImage). One
// that can't be corrected is none: Correction.Why says why.
func Check(ctx context.Context, proj grid.Projection, name string, r io.ReaderAt, size int64, point match.Point, opt Options) (*Photo, error) {
	tag, err := geotag.Read(r, size)
	if err != nil {
		return nil, err
	}
	if point.ID == "" {
		point.ID = "position"
	}
	one, err := match.CompareOne(ctx, proj, match.Photo{Name: name, Tag: tag}, point, opt.Options)
	if err != nil {
		return nil, err
	}
	p := &Photo{PhotoResult: one, Grid: proj.Grid(), r: r, size: size}
	if p.Correction, err = match.CorrectOne(ctx, proj, one, point, opt.Options, opt.Policy); err != nil || p.Correction.Edit == nil {
		return p, err
	}
	if p.Patch, err = geotag.Plan(r, size, *p.Correction.Edit); err != nil {
		p.Patch = nil
		if !geotag.AboutImage(err) {
			return nil, err
		}
		p.Correction.Edit, p.Correction.Why = nil, err.Error()
	}
	return p, nil
}

// Write writes the corrected photo. Where it is left, the error is ErrLeft, wrapped, and
// nothing is written.
func (p *Photo) Write(w io.Writer) error {
	if p.Patch == nil {
		return fmt.Errorf("%w: %s", ErrLeft, p.Correction.Why)
	}
	return p.Patch.Apply(w, io.NewSectionReader(p.r, 0, p.size))
}
