package geotag

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"example.com/phototie/geotag/internal/ifd"
)

// Tags of TIFF 6.0, section 8, and of its relations.
const (
	tagNewSubfileType = 0x00FE
	tagImageWidth     = 0x0100
	tagImageLength    = 0x0101
	tagPhotometric    = 0x0106
	tagXMP            = 0x02BC // XMP specification part 3
	tagDNGVersion     = 0xC612 // DNG specification
	tagManifest       = 0xCD41 // C2PA technical specification, embedding into TIFF (from memory)
)

// Values of PhotometricInterpretation that mean raw sensor data, and not
// for a picture: TIFF/EP (ISO 12234-2) and DNG specification.
const (
	photometricCFA       = 32803
	photometricLinearRaw = 34892
)

// Numbers that replace TIFF's 42 in the headers of files that are TIFF in all
// else: common practice of two makers, no source.
const (
	magicBig = 43     // BigTIFF
	magicRW2 = 0x0055 // "IIU\0"
	magicRO  = 0x4F52 // "IIRO", "MMOR"
	magicRS  = 0x5352 // "IIRS"
)

// The forms of a TIFF file, as Tag.Container names them.
const (
	nameTIFF = "tiff"
	nameDNG  = "dng"
	nameRaw  = "raw"
)

// maxSubdirs is how many subdirectories are looked at for what the file is.
const maxSubdirs = 16

var tiffContainer = container{
	name: nameTIFF,
	// Of the raw formats those that are read here; see ErrRaw for writing.
	extensions: []string{".tif", ".tiff", ".dng", ".nef", ".cr2", ".arw", ".pef", ".srw", ".orf", ".rw2"},
	sniff: func(head []byte) bool {
		order := tiffOrder(head)
		if order == nil || len(head) < 4 {
			return false
		}
		switch order.Uint16(head[2:]) {
		case ifd.Magic, magicBig, magicRW2, magicRO, magicRS:
			return true
		}
		return false
	},
	read: readTIFF,
	plan: planTIFF,
}

// tiffOrder is the byte order that a TIFF header states; nil where it is none.
func tiffOrder(head []byte) binary.ByteOrder {
	switch {
	case bytes.HasPrefix(head, []byte("II")):
		return binary.LittleEndian
	case bytes.HasPrefix(head, []byte("MM")):
		return binary.BigEndian
	}
	return nil
}

// tiffFile is a TIFF file of which the first directory is read.
type tiffFile struct {
	b     *ifd.Block
	first ifd.Dir
	// form is one of the names above.
	form string
	// width and height are those of the largest picture that the first directory
	// or one directly below it describes as no reduced one.
	width, height int
}

// openTIFF reads the header, the first directory and, as far as it takes to tell
// what the file is, the directories below it. Each is read where it is, with some
// KiB around it: what lies between is not read, however long the file.
func openTIFF(src *source) (*tiffFile, error) {
	head, err := src.window(0, int(min(16, src.size)))
	if err != nil {
		return nil, err
	}
	if len(head) < 8 {
		return nil, fmt.Errorf("%w: it ends inside its header", ErrTruncated)
	}
	magic := tiffOrder(head).Uint16(head[2:])
	if magic == magicBig {
		return nil, fmt.Errorf("%w: it is a BigTIFF, whose offsets have 64 bits; save it as TIFF", ErrFormat)
	}
	f := &tiffFile{form: nameTIFF}
	f.b, err = ifd.Open(src.size, src.first, src.around, ifd.Magic, magicRW2, magicRO, magicRS)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrCorrupt, err)
	}
	if err := f.readFirst(); err != nil {
		return nil, err
	}
	sensor := f.look(&f.first, true)
	if e := f.first.Find(pointerSubIFDs); e != nil {
		for _, off := range subdirs(f.b, e, maxSubdirs) {
			var d ifd.Dir
			if off != f.b.First && f.b.ReadDir(&d, off) == nil { // the survey before a change names what is wrong with it
				sensor = f.look(&d, false) || sensor
			}
		}
	}
	if f.first.Find(tagDNGVersion) != nil {
		f.form = nameDNG
	} else if sensor || magic != ifd.Magic || rawMark(head[8:]) {
		f.form = nameRaw
	}
	return f, f.b.Err()
}

// readFirst reads the first directory.
func (f *tiffFile) readFirst() error {
	err := f.b.ReadDir(&f.first, f.b.First)
	if err == nil || f.b.Err() != nil {
		return f.b.Err()
	}
	kind := ErrTruncated
	if n := f.b.Bytes(int(f.b.First), 2); f.b.First < 8 || n != nil && f.b.Order.Uint16(n) > ifd.MaxEntries {
		kind = ErrCorrupt
	}
	return fmt.Errorf("%w: first directory: %w", kind, err)
}

// rawMark reports whether makers' marks of raw files follow a TIFF header: common
// practice, no source.
func rawMark(b []byte) bool {
	return bytes.HasPrefix(b, []byte("CR")) || bytes.HasPrefix(b, []byte("IIII")) || bytes.HasPrefix(b, []byte("MMMM"))
}

// look takes the size of the picture that a directory describes, if it is larger
// and no reduced copy of another; any is better than none. It reports whether the
// picture is what a sensor saw.
func (f *tiffFile) look(d *ifd.Dir, first bool) (sensor bool) {
	get := func(tag uint16) int {
		if e := d.Find(tag); e != nil {
			v, _ := f.b.Uint(e, 0)
			return int(min(v, math.MaxInt32))
		}
		return 0
	}
	w, h := get(tagImageWidth), get(tagImageLength)
	if (first || get(tagNewSubfileType)&1 == 0) && int64(w)*int64(h) > int64(f.width)*int64(f.height) {
		f.width, f.height = w, h
	}
	v := get(tagPhotometric)
	return v == photometricCFA || v == photometricLinearRaw
}

// xmp is the entry of the XMP packet, nil where there is none.
func (f *tiffFile) xmp() *ifd.Entry { return f.first.Find(tagXMP) }

// readTIFF reads the first directory, the Exif and the GPS directory it points
// to, and its XMP packet: a read of 64 KiB, and one of some KiB for each of them
// that lies beyond. It takes no memory for more than ifd.MaxEntries entries of
// ifd.MaxValue bytes.
func readTIFF(src *source) (*Tag, error) {
	f, err := openTIFF(src)
	if err != nil {
		return nil, err
	}
	t := &Tag{Container: f.form}
	var x *xmpResource
	if e := f.xmp(); e != nil {
		switch {
		case e.Type != ifd.Byte && e.Type != ifd.Undefined:
			t.warn(WarnWrongType, "XMP", "%d of type %s where bytes are due", e.Count, ifd.TypeName(e.Type))
		case !e.Sound:
			t.warn(WarnCorrupt, "XMP", "its %d bytes lie outside the file", e.Count)
		case e.ValueLen > xmpMaxSize:
			t.warn(WarnCorrupt, "XMP", "a packet of %d bytes; %d are read at most", e.ValueLen, xmpMaxSize)
		default:
			x = readXMP(t, f.b.Value(e))
		}
	}
	f.cut(t)
	r := exifReader{t: t, b: f.b, whole: true}
	r.directories(&f.first) // and no more of first after it
	if err := f.b.Err(); err != nil {
		return nil, err
	}
	t.Width, t.Height = f.width, f.height
	if t.Width == 0 || t.Height == 0 {
		t.Width, t.Height = r.width, r.height
	}
	t.settle(x)
	return t, nil
}

// cut warns where the image data of the first directory reach beyond the file's
// end: the last of its strips or tiles, which in most files is the last thing of
// all.
func (f *tiffFile) cut(t *Tag) {
	for _, pair := range imageData {
		o, l := f.first.Find(pair.offsets), f.first.Find(pair.lengths)
		if o == nil || l == nil || min(o.Count, l.Count) == 0 {
			continue
		}
		last := int(min(o.Count, l.Count, math.MaxInt32)) - 1
		off, ok1 := f.b.Uint(o, last)
		n, ok2 := f.b.Uint(l, last)
		if end := uint64(off) + uint64(n); ok1 && ok2 && end > uint64(f.b.Len()) {
			t.warn(WarnTruncated, "TIFF", "%sthe first directory should end at byte %d, but the file does at %d", pair.what, end, f.b.Len())
			return
		}
	}
}

// around is window for structures that may refer to what lies shortly before
// them: what it reads starts before off.
func (s *source) around(off int64, n int) ([]byte, error) {
	if off >= s.off && off+int64(n) <= s.off+int64(len(s.buf)) {
		return s.buf[off-s.off:][:n:n], nil
	}
	start := max(0, off-hop)
	b, err := s.window(start, int(min(off-start+int64(max(n, hop)), s.size-start)))
	if err != nil {
		return nil, err
	}
	return b[off-start:][:n:n], nil
}

// ErrRaw: a raw file of a camera maker's own format. It is read, and never
// written to.
var ErrRaw = errors.New("raw files are read, but not written to, because only their makers know all that depends on where bytes are; keep the new position in an XMP side-car file beside the photo")
