package geotag

import (
	"cmp"
	"errors"
	"fmt"
	"io"
)

// container is one image format. A further format is one more file with a value
// of this type, and that value's name in containers.
type container struct {
	// name is what Tag.Container and errors call the format, title what warnings do.
	name, title string
	// extensions are the file name extensions, in lower case with the dot.
	extensions []string
	// sniff recognises the format by the first bytes of an image (at least 32
	// where the image has as many).
	sniff func(head []byte) bool
	// find finds where a file has its metadata, and with whole all that has to be
	// known to write them. With an error that wraps ErrTruncated or ErrCorrupt it
	// still returns what it found before. It reads no more of src than the header,
	// unless metadata may follow that. A format that is not made of parts has read
	// and plan instead.
	find func(src *source, whole bool) (*layout, error)
	// read reads the tag; Container is name where it leaves that open.
	read func(src *source) (*Tag, error)
	// plan appends to p the splices that make the edit, in any order, and notes on
	// them; none where the image says already what the edit asks for. The edit is
	// known to be sound and to suit what read says of the image. Whether the image
	// may be changed if it is signed (carries a C2PA manifest store), and whether the
	// result reads back, is not its concern.
	plan func(src *source, e Edit, p *Patch) (signed bool, err error)
	// bare says that the format is a packet by itself: the position stands in XMP
	// and nowhere else.
	bare bool
}

// layout is where a file has its metadata.
type layout struct {
	// form is what Tag.Container is to be, where that is not the container's name.
	form          string
	width, height int // of the coded image; 0 where that is not known
	// exif and xmp are the Exif blocks and XMP packets; the first of each is read.
	// The last copies blocks are copies in text of what is elsewhere.
	exif, xmp []holder
	copies    int
	// signed: there is a C2PA manifest store. Known only of a whole file.
	signed bool
	// pixels: the file was followed up to image data, or as far as it has to be.
	pixels   bool
	warnings []Warning
	file     partFile
}

func (l *layout) warn(code WarningCode, field, format string, args ...any) {
	l.warnings = append(l.warnings, Warning{code, field, fmt.Sprintf(format, args...)})
}

// worthwhile reports whether there is something to be read in spite of an error.
func (l *layout) worthwhile(err error) bool {
	return l != nil && (l.exif != nil || l.xmp != nil || l.pixels) && (errors.Is(err, ErrTruncated) || errors.Is(err, ErrCorrupt))
}

// holder is a part of a file that holds an Exif block or an XMP packet.
type holder interface {
	// content returns them, good until the next window of src. The error wraps
	// errHolder where it is only about this part.
	content(src *source) ([]byte, error)
	// rewrite plans the change of them: edit makes splices of the content, of which
	// it may keep the memory.
	rewrite(src *source, p *Patch, edit func(content []byte) ([]Splice, error)) error
	// String says what and where it is.
	String() string
}

// partFile is a file that is made of parts.
type partFile interface {
	// insert plans a new Exif block.
	insert(block []byte, p *Patch) error
	// insertXMP plans a new XMP packet. A new Exif block that is planned already
	// stands before it.
	insertXMP(packet []byte, p *Patch) error
	// finish completes a plan by what the format has of lengths and places.
	finish(src *source, x xmpEdit, p *Patch) error
}

// What is wrong with a part of a file, and not with the file or the system.
var (
	errHolder = errors.New("it can't be used")
	// errEncoded comes with it where the part is encrypted or compressed.
	errEncoded = errors.New("which is not decoded")
	// errElsewhere comes with it where the bytes are not in this file.
	errElsewhere = errors.New("it is not in this file, or made of other items")
)

// ofImage makes an error of a holder one of the image, for writing.
func ofImage(err error) error {
	switch {
	case !errors.Is(err, errHolder):
		return err
	case errors.Is(err, errEncoded), errors.Is(err, errElsewhere):
		return fmt.Errorf("%w, so whether it states a position is not known: %w", ErrUnsafe, err)
	}
	return fmt.Errorf("%w: %w", ErrCorrupt, err)
}

// planParts is plan for a file made of parts: it makes the edit in every Exif block,
// which is one, or one and copies in text, or a new one; and in every XMP packet
// that states a position.
func (c *container) planParts(src *source, e Edit, p *Patch) (signed bool, err error) {
	l, err := c.find(src, true)
	if err != nil {
		return false, err
	}
	if own := l.exif[:len(l.exif)-l.copies]; len(own) > 1 {
		return false, fmt.Errorf("%w: there are two Exif blocks, in the %v and in the %v, and which of them a reader takes is not known", ErrUnsafe, own[0], own[1])
	}
	if len(l.xmp) > maxCarriers {
		return false, fmt.Errorf("%w: more than %d XMP packets", ErrUnsafe, maxCarriers)
	}
	written, err := l.planExif(src, e, p)
	if err != nil {
		return false, err
	}
	if written == nil {
		block, err := newExif(e)
		if err != nil {
			return false, err
		}
		if err := l.file.insert(block, p); err != nil {
			return false, err
		}
		written = &blockPlan{version: version23}
	}
	x := e.xmpFields(written.version, false)
	for _, h := range l.xmp {
		if err := h.rewrite(src, p, func(packet []byte) ([]Splice, error) {
			splices, notes, err := planXMP(packet, x)
			p.Notes = append(p.Notes, notes...)
			return splices, err
		}); err != nil {
			return false, ofImage(err)
		}
	}
	return l.signed, l.file.finish(src, x, p)
}

// planExif makes the edit in the Exif blocks, and returns the plan of the first; nil
// where none could be read.
func (l *layout) planExif(src *source, e Edit, p *Patch) (written *blockPlan, err error) {
	for i, h := range l.exif {
		var plan *blockPlan
		err := h.rewrite(src, p, func(block []byte) (_ []Splice, err error) {
			if plan, err = planBlock(block, e); err != nil {
				return nil, err
			}
			return plan.splices, nil
		})
		switch {
		case err == nil && written == nil:
			written = plan
		case i >= len(l.exif)-l.copies && errors.Is(err, errHolder):
			p.Notes = append(p.Notes, fmt.Sprintf("an Exif block kept as text can't be read and is left as it is: %v", err))
		case err != nil:
			return nil, ofImage(err)
		}
	}
	return written, nil
}

// tag reads the tag of a file.
func (c *container) tag(src *source) (*Tag, error) {
	if c.find == nil {
		return c.read(src)
	}
	l, err := c.find(src, false)
	if err != nil && !l.worthwhile(err) {
		return nil, err
	}
	t := &Tag{Container: l.form, Width: l.width, Height: l.height, Warnings: l.warnings}
	if err != nil {
		t.warn(WarnTruncated, c.title, "%v", err)
	}
	block, err := t.held("Exif", l.exif, src)
	if err != nil {
		return nil, err
	}
	var width, height int
	if block != nil {
		width, height = readExif(t, block)
	}
	if t.Width == 0 || t.Height == 0 {
		t.Width, t.Height = width, height
	}
	packet, err := t.held("XMP", l.xmp, src)
	if packet != nil {
		t.settle(readXMP(t, packet))
	}
	return t, err
}

// held returns what the first of holders holds, nil where that can't be read.
func (t *Tag) held(what string, holders []holder, src *source) ([]byte, error) {
	if len(holders) == 0 {
		return nil, nil
	}
	for _, h := range holders[1:] {
		t.warn(WarnDuplicate, what, "a second one in the %v; that in the %v is taken", h, holders[0])
	}
	b, err := holders[0].content(src)
	switch {
	case err == nil:
		return b, nil
	case !errors.Is(err, errHolder):
		return nil, err
	case errors.Is(err, errEncoded):
		t.warn(WarnCharset, what, "%v", err)
	case errors.Is(err, ErrTruncated):
		t.warn(WarnTruncated, what, "%v", err)
	default:
		t.warn(WarnCorrupt, what, "%v", err)
	}
	return nil, nil
}

// exif finds the Exif block that tag reads, a TIFF structure; nil where there is
// none. The slice is good until the next window of src.
func (c *container) exif(src *source) ([]byte, error) {
	l, err := c.find(src, false)
	if l == nil || len(l.exif) == 0 {
		return nil, err
	}
	b, err := l.exif[0].content(src)
	return b, ofImage(err)
}

// containers are the formats known, in the order they are tried.
var containers = []*container{&jpegContainer, &pngContainer, &webpContainer, &tiffContainer, &bmffContainer, &makerContainer, &sidecarContainer}

// Extensions returns the file name extensions, in lower case with the dot, of
// the image formats that Read and Plan know.
func Extensions() []string {
	var all []string
	for _, c := range containers {
		all = append(all, c.extensions...)
	}
	return all
}

// sniff finds the container of an image.
func sniff(src *source) (*container, error) {
	head, err := src.window(0, int(min(32, src.size)))
	if err != nil {
		return nil, err
	}
	for _, c := range containers {
		if c.sniff(head) {
			return c, nil
		}
	}
	if src.size == 0 {
		return nil, fmt.Errorf("%w: the file is empty", ErrFormat)
	}
	if what := otherFormat(head); what != "" {
		return nil, fmt.Errorf("%w: it is %s; save the photo in one of them, such as JPEG", ErrFormat, what)
	}
	return nil, fmt.Errorf("%w: it starts with % x", ErrFormat, head[:min(len(head), 8)])
}

// Read reads the tag of an image of size bytes. It reads the header only: one
// read of 64 KiB for nearly all photos; of an *os.File 8 KiB, and what more it takes where
// they do not hold it. What the header states but can't be
// believed is in the Tag's Warnings; the error is ErrFormat, ErrTruncated,
// ErrCorrupt or one of r, wrapped.
//
// A file that is cut off or damaged only after the metadata gives the Tag, with
// WarnTruncated: what it says is as good as it was.
func Read(r io.ReaderAt, size int64) (*Tag, error) {
	src := newSource(r, size)
	defer src.release()
	return read(src)
}

// ReadBytes is Read of an image in memory. The Tag shares no memory with img,
// of which the header is enough, though the Tag then has WarnTruncated.
func ReadBytes(img []byte) (*Tag, error) { return read(newBytesSource(img)) }

func read(src *source) (*Tag, error) {
	c, err := sniff(src)
	if err != nil {
		return nil, err
	}
	t, err := c.tag(src)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.name, err)
	}
	t.Container = cmp.Or(t.Container, c.name)
	return t, nil
}
