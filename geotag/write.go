package geotag

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
)

// Plan works out the smallest change of an image of size bytes that makes the
// edit, and changes nothing itself. The Patch is empty where the image already
// says what the edit asks for. All bytes outside the Patch's splices stay as
// they are. The error is ErrFormat, ErrTruncated, ErrCorrupt, ErrNoRoom,
// ErrSigned, ErrUnsafe, ErrRaw, ErrEdit or one of r, wrapped.
//
// In TIFF, DNG, HEIF and AVIF files all bytes also keep their place, and the
// result is longer by what is put at its end. The exception is a HEIF or AVIF file
// that has no Exif item: its meta box grows, and what follows moves.
func Plan(r io.ReaderAt, size int64, e Edit) (*Patch, error) {
	return plan(r, size, e.check, func(c *container, src *source) (*Patch, error) { return c.patch(src, e) })
}

// plan works out a change of an image, once it is known what the image is and that the
// change can be meant.
func plan(r io.ReaderAt, size int64, check func() error, change func(*container, *source) (*Patch, error)) (*Patch, error) {
	src := newSource(r, size)
	defer src.release()
	c, err := sniff(src)
	if err != nil {
		return nil, err
	}
	if err := check(); err != nil {
		return nil, err
	}
	p, err := change(c, src)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.name, err)
	}
	return p, nil
}

// Rewrite is Plan and Patch.Apply for an image in memory: it returns the image
// with the edit made, and the patch that made it. img is left alone; where
// there is nothing to change, the result is a copy of it. The errors are those
// of Plan.
func Rewrite(img []byte, e Edit) ([]byte, *Patch, error) {
	p, err := Plan(bytes.NewReader(img), int64(len(img)), e)
	if err != nil {
		return nil, nil, err
	}
	out, err := p.ApplyBytes(img)
	if err != nil {
		return nil, nil, err
	}
	return out, p, nil
}

// patch puts around the container's own plan what is the same for all: whether
// the image can take the edit, whether it is signed, and the proof that the
// result reads as it should.
func (c *container) patch(src *source, e Edit) (*Patch, error) {
	before, err := c.tag(src)
	if err != nil {
		return nil, err
	}
	if err := e.suits(before, c.bare); err != nil {
		return nil, err
	}
	p := &Patch{SizeBefore: src.size}
	plan := c.plan
	if plan == nil {
		plan = c.planParts
	}
	signed, err := plan(src, e, p)
	if err != nil {
		return nil, err
	}
	if signed {
		p.Notes = append(p.Notes, "the correction breaks the signature of the provenance manifest (C2PA)")
	}
	return p.settled(signed && !e.AllowSigned, func() error { return c.verify(src, before, e, p) })
}

// settled is a patch that has all its splices: an empty one, or one whose image may be
// changed, in order and proved.
func (p *Patch) settled(refused bool, prove func() error) (*Patch, error) {
	if p.Empty() {
		p.Notes = nil
		return p, nil
	}
	sortSplices(p)
	if refused {
		return nil, ErrSigned
	}
	if err := prove(); err != nil {
		return nil, err
	}
	return p, nil
}

// suits reports an error where the edit asks of an image with this tag what it
// can't hold. A bare packet may have a destination and no position: that of the
// camera may stand in the photo that the packet is of.
func (e Edit) suits(before *Tag, bare bool) error {
	if e.Meaning != CameraPosition {
		return nil
	}
	if !bare && (before.Position == nil || before.Position.Source != SourceExif) {
		return fmt.Errorf("%w: the image has no sound Exif position that could stay the camera's; use SubjectPosition", ErrEdit)
	}
	if !sameDatum(before.MapDatum, e.MapDatum) {
		return fmt.Errorf("%w: the destination is in datum %q, but the image's own is %q, and Exif has one for both", ErrEdit, e.datum(), cmp.Or(before.MapDatum, defaultDatum))
	}
	return nil
}

func sortSplices(p *Patch) {
	slices.SortStableFunc(p.Splices, func(a, b Splice) int { return cmp.Compare(a.Off, b.Off) })
}

// move appends splices that count from at to p.
func (p *Patch) move(splices []Splice, at int64) {
	for _, s := range splices {
		s.Off += at
		p.Splices = append(p.Splices, s)
	}
}

// JUMBF, ISO/IEC 19566-5, and the type of the superbox that holds a manifest
// store, C2PA technical specification section 11.1.4.
const manifestUUID = "c2pa\x00\x11\x00\x10\x80\x00\x00\xAA\x00\x38\x9B\x71"

// maxManifestHead is the longest start of a manifest store up to the end of its type:
// two boxes' headers and the type.
const maxManifestHead = 16 + 16 + 16

// isManifest reports whether JUMBF content starts a manifest store: a superbox
// whose first box, the description, has the manifest store's type.
func isManifest(jumbf []byte) bool {
	body, ok := box(jumbf, "jumb")
	if !ok {
		return false
	}
	desc, ok := box(body, "jumd")
	return ok && bytes.HasPrefix(desc, []byte(manifestUUID))
}

// box returns what follows the header of the box that b starts with, up to b's
// end at most, if it is of the type wanted.
func box(b []byte, want string) ([]byte, bool) {
	if len(b) < 8 || string(b[4:8]) != want {
		return nil, false
	}
	head := 8
	if binary.BigEndian.Uint32(b) == 1 { // a 64-bit length follows
		head = 16
	}
	if len(b) < head {
		return nil, false
	}
	return b[head:], true
}

// metresPerDegree is a bound from above for the length of a degree of latitude,
// or of longitude on the equator, on any ellipsoid in use.
const metresPerDegree = 111_700

// verify reads the image as the patch would make it and reports an error unless
// it says what the edit asks for, and all the rest that it said before. It
// guards against mistakes in this package: no image leads to it.
func (c *container) verify(src *source, before *Tag, e Edit, p *Patch) error {
	after, err := c.after(src, p)
	if err == nil {
		err = e.stated(after, before, c.bare)
	}
	if err != nil {
		return fmt.Errorf("the correction was worked out but does not read back, so it is not made: %w", err)
	}
	return nil
}

// after reads the image as the patch would make it.
func (c *container) after(src *source, p *Patch) (*Tag, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	result := newSource(p.Through(src), p.SizeAfter())
	defer result.release()
	return c.tag(result)
}

// stated reports an error unless after says what the edit asks for, and all the rest
// that before said.
func (e Edit) stated(after, before *Tag, bare bool) error {
	a, b := *after, *before
	a.Warnings, b.Warnings = nil, nil
	if e.Meaning == CameraPosition {
		if a.Destination == nil {
			return errors.New("there is no destination")
		}
		if err := e.near("destination", a.Destination.Position); err != nil {
			return err
		}
		a.Destination, b.Destination = nil, nil
	} else if err := e.subjectStated(&a, &b, bare); err != nil {
		return err
	}
	x, y := reflect.ValueOf(a), reflect.ValueOf(b)
	for i := range x.NumField() {
		if !reflect.DeepEqual(x.Field(i).Interface(), y.Field(i).Interface()) {
			return fmt.Errorf("%s changed", x.Type().Field(i).Name)
		}
	}
	return nil
}

// subjectStated is stated for SubjectPosition; it takes away from both what changes.
func (e Edit) subjectStated(a, b *Tag, bare bool) error {
	if err := e.near("position", a.Position); err != nil {
		return err
	}
	if !bare && a.Position.Source != SourceExif {
		return errors.New("the Exif position is not sound")
	}
	if a.XMPPosition != nil || b.XMPPosition != nil {
		if err := e.near("XMP position", a.XMPPosition); err != nil {
			return err
		}
	}
	// Only with a position does the reader take some fields from XMP too, where they
	// still are.
	fromXMP := bare || b.Position != nil && b.Position.Source == SourceXMP
	b.DOP, b.MeasureMode, b.Status = nil, 0, ""
	for _, t := range []*Tag{a, b} {
		t.Position, t.XMPPosition, t.HPositioningError, t.MapDatum, t.ProcessingMethod, t.Differential = nil, nil, nil, "", "", false
		if fromXMP {
			t.Altitude, t.Direction, t.GPSTime = nil, nil, nil
		}
	}
	return nil
}

// near reports an error where a position is not that of the edit, to a millimetre.
func (e Edit) near(what string, got *Position) error {
	const millimetre = 0.001
	if got == nil {
		return fmt.Errorf("there is no %s", what)
	}
	if d := max(math.Abs(got.Lat-e.Lat), math.Abs(got.Lon-e.Lon)) * metresPerDegree; !(d <= millimetre) {
		return fmt.Errorf("the %s is %v, %v where %v, %v is due", what, got.Lat, got.Lon, e.Lat, e.Lon)
	}
	return nil
}
