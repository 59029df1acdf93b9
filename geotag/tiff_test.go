package geotag

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"golang.org/x/image/tiff"
	"pgregory.net/rapid"

	"example.com/phototie/geotag/geotagtest"
)

// testTIFF is a TIFF file under construction for the tests, laid out without
// any code of the package: pages of 4 by 3 grey pixels in two strips.
type testTIFF struct {
	order binary.ByteOrder
	pages int
	extra []rec // of the first page
}

// bytes lays the file out, with the package's own tiffBlock for the directories.
func (f testTIFF) bytes() []byte {
	chain := make([][]rec, max(1, f.pages))
	long := func(v ...uint32) []byte {
		b := make([]byte, 4*len(v))
		for i, x := range v {
			f.order.PutUint32(b[4*i:], x)
		}
		return b
	}
	short := func(v uint16) []byte {
		b := make([]byte, 2)
		f.order.PutUint16(b, v)
		return b
	}
	for i := range chain {
		chain[i] = []rec{
			{tag: 0x0100, typ: 3, count: 1, value: short(4)},
			{tag: 0x0101, typ: 3, count: 1, value: short(3)},
			{tag: 0x0102, typ: 3, count: 1, value: short(8)},
			{tag: 0x0103, typ: 3, count: 1, value: short(1)},
			{tag: 0x0106, typ: 3, count: 1, value: short(1)},
			{tag: 0x0111, typ: 4, count: 2, value: long(0, 0)},
			{tag: 0x0116, typ: 3, count: 1, value: short(2)},
			{tag: 0x0117, typ: 4, count: 2, value: long(8, 4)},
		}
		if i == 0 {
			chain[i] = append(chain[i], f.extra...)
			slices.SortStableFunc(chain[i], func(a, b rec) int { return int(a.tag) - int(b.tag) })
		}
	}
	b := tiffBlock(f.order, chain...)
	// The strips: 12 pixels for each page, told apart by their page.
	at := uint32(len(b))
	off := f.order.Uint32(b[4:])
	for i := range chain {
		n := int(f.order.Uint16(b[off:]))
		for j := range n {
			e := b[int(off)+2+12*j:]
			if f.order.Uint16(e) == 0x0111 {
				v := f.order.Uint32(e[8:])
				f.order.PutUint32(b[v:], at)
				f.order.PutUint32(b[v+4:], at+8)
			}
		}
		for j := range 12 {
			b = append(b, byte(17*i+20*j))
		}
		at += 12
		off = f.order.Uint32(b[int(off)+2+12*n:])
	}
	return b
}

func xmpRec(packet string) rec {
	return rec{tag: 0x02BC, typ: 1, count: uint32(len(packet)), value: []byte(packet)}
}

func gpsRec(order binary.ByteOrder) rec {
	return rec{tag: 0x8825, typ: 4, count: 1, dir: handheldGPS(order)}
}

const xmpHere = descriptionStart + `exif:GPSLatitude="52,50.5N" exif:GPSLongitude="4,30.25E"/>`

// tiffVariants are small files that differ in all that the writer looks at.
func tiffVariants() map[string][]byte {
	all := map[string][]byte{}
	for name, order := range map[string]binary.ByteOrder{"II": binary.LittleEndian, "MM": binary.BigEndian} {
		exif := rec{tag: 0x8769, typ: 4, count: 1, dir: []rec{{tag: 0x927C, typ: 7, count: 9, value: []byte("MAKER NOTE"[:9])}}}
		for _, v := range []struct {
			name  string
			pages int
			extra []rec
		}{
			{"bare", 1, nil},
			{"three pages", 3, nil},
			{"gps", 1, []rec{gpsRec(order), exif}},
			{"gps and pages", 2, []rec{gpsRec(order)}},
			{"no gps behind the pointer", 1, []rec{{tag: 0x8825, typ: 4, count: 1, value: make([]byte, 4)}}},
			{"pointer of type IFD", 1, []rec{{tag: 0x8825, typ: 13, count: 1, dir: handheldGPS(order)}}},
			{"xmp with room", 1, []rec{gpsRec(order), xmpRec(xmpPacket(xmpHere, 300))}},
			{"xmp without room", 1, []rec{gpsRec(order), xmpRec(xmpPacket(xmpHere, 0))}},
			{"xmp without end", 2, []rec{xmpRec(xmpPacket(xmpHere, -1))}},
			{"xmp and zeros", 1, []rec{xmpRec(xmpPacket(xmpHere, -1) + "\x00\x00\x00")}},
			{"xmp elsewhere", 1, []rec{xmpRec(xmpPacket(descriptionStart+"/>", 0))}},
			{"subdirectories", 1, []rec{exif, {tag: 0x014A, typ: 4, count: 1, dir: []rec{{tag: 0x00FE, typ: 4, count: 1, value: make([]byte, 4)}}}}},
			{"dng", 1, []rec{{tag: 0xC612, typ: 1, count: 4, value: []byte{1, 4, 0, 0}}}},
		} {
			all[name+" "+v.name] = testTIFF{order: order, pages: v.pages, extra: v.extra}.bytes()
		}
	}
	return all
}

// tiffFiles are the real TIFF files, and a real DNG made as long as it says it is.
func tiffFiles(tb testing.TB) map[string][]byte {
	tb.Helper()
	all := map[string][]byte{}
	for _, s := range geotagtest.Files(tb, "tif", "tiff", "dng") {
		switch s.Name {
		case "invalid-palette-ref.tiff": // cut off, see TestTIFFRefuses
			continue
		case "sample.dng": // the first 50 KB of one of 6.6 MB
			s.Raw = append(s.Raw, bytes.Repeat([]byte("raw image data "), (6611520-len(s.Raw))/15+1)...)
		}
		all[s.Name] = s.Raw
	}
	if len(all) < 15 {
		tb.Fatalf("only %d TIFF files", len(all))
	}
	return all
}

// tiffLosses lists in what way a TIFF file differs from the one it was made of
// other than it may: the old bytes are all in their place but for a pointer, and,
// if xmp, for the packet or its entry; the directories say what they said.
func tiffLosses(tb testing.TB, before, after []byte, xmp bool) []string {
	tb.Helper()
	var out []string
	old, now := inventory(tb, before), inventory(tb, after)
	for k, v := range old {
		free := k == "IFD0 8825 0" || xmp && k == "IFD0 02bc 0"
		for _, t := range subjectTags {
			free = free || k == fmt.Sprintf("GPS %04x 0", t)
		}
		if !free && now[k] != v {
			out = append(out, fmt.Sprintf("%s: %+v, was %+v", k, now[k], v))
		}
	}
	var changed int
	in := func(i int) bool { // in the packet
		x := old["IFD0 02bc 0"]
		return xmp && i >= int(x.at) && i < int(x.at)+int(x.count)
	}
	for i := range before {
		if i < len(after) && before[i] != after[i] && !in(i) {
			changed++
		}
	}
	if most := 4; changed > most && !xmp || changed > most+8 {
		out = append(out, fmt.Sprintf("%d old bytes changed", changed))
	}
	return out
}

func decodeTIFF(tb testing.TB, img []byte) image.Image {
	tb.Helper()
	m, err := tiff.Decode(bytes.NewReader(img))
	if err != nil {
		tb.Fatal(err)
	}
	return m
}

// Every real file keeps its bytes, its directories and its pixels, says the new
// position, comes back to the identical bytes, and doesn't grow with repeated
// corrections.
func TestTIFFReal(t *testing.T) {
	for name, img := range tiffFiles(t) {
		t.Run(name, func(t *testing.T) {
			out := correctTwice(t, img)
			for _, l := range tiffLosses(t, img, out, false) {
				t.Error(l)
			}
			if name == "sample.dng" {
				return // of noise
			}
			if !reflect.DeepEqual(decodeTIFF(t, img), decodeTIFF(t, out)) {
				t.Error("the pixels differ")
			}
		})
	}
}

// correctTwice corrects an image and checks what holds for all: it reads back, the
// way back gives the identical bytes, a second run changes nothing, and more
// corrections don't add up. It returns the image of the first.
func correctTwice(t testing.TB, img []byte) []byte {
	t.Helper()
	p, err := Plan(bytes.NewReader(img), int64(len(img)), quay)
	if err != nil {
		t.Fatal(err)
	}
	reuseChunks()
	out, err := p.ApplyBytes(img)
	if err != nil {
		t.Fatal(err)
	}
	tag := mustRead(t, out)
	if d := math.Hypot(tag.Position.Lat-quay.Lat, tag.Position.Lon-quay.Lon); d > millimetre || tag.Position.Source != SourceExif {
		t.Errorf("at %+v", tag.Position)
	}
	if slices.ContainsFunc(tag.Warnings, func(w Warning) bool { return w.Code == WarnConflict }) {
		t.Errorf("%v", tag.Warnings)
	}
	if !bytes.Equal(unpatch(t, p, out), img) {
		t.Error("the reverse patch does not give the old file")
	}
	if _, again, err := Rewrite(out, quay); err != nil || !again.Empty() {
		t.Errorf("the second run: %+v, %v", again, err)
	}
	size, next := len(out), out
	for i, e := range []Edit{quay2, quay, quay2, quay} {
		if next, _, err = Rewrite(next, e); err != nil {
			t.Fatalf("correction %d: %v", i+2, err)
		}
	}
	if len(next) > size+16 && !bytes.Contains(img, []byte("moov")) { // the longer processing method
		t.Errorf("repeated corrections made %d bytes of %d", len(next), size)
	}
	return out
}

// reuseChunks fills the memory that images are read into with something else, as
// reading the next image does.
func reuseChunks() {
	var used []*[chunk]byte
	for range 8 {
		b := chunks.Get().(*[chunk]byte)
		copy(b[:], bytes.Repeat([]byte("another image"), chunk/13+1))
		used = append(used, b)
	}
	for _, b := range used {
		chunks.Put(b)
	}
}

// A patch and a tag hold none of the memory that the image was read into, of
// whatever format it is.
func TestPlanKeepsNoMemory(t *testing.T) {
	var all [][]byte
	for _, s := range wholes(t) {
		all = append(all, s.Whole)
	}
	for _, img := range rasterVariants(t) {
		all = append(all, img)
	}
	for _, v := range []map[string][]byte{tiffVariants(), bmffVariants(t)} {
		for _, img := range v {
			all = append(all, img)
		}
	}
	planned := 0
	for _, img := range all {
		before, err := Read(bytes.NewReader(img), int64(len(img)))
		if err != nil {
			continue
		}
		p, err := Plan(bytes.NewReader(img), int64(len(img)), quay)
		reuseChunks()
		if again, err := ReadBytes(img); err != nil || !reflect.DeepEqual(before, again) {
			t.Errorf("the tag changed: %+v", before)
		}
		if err != nil {
			continue
		}
		planned++
		out, err := p.ApplyBytes(img)
		if err != nil {
			t.Error(err)
			continue
		}
		if tag := mustRead(t, out); math.Abs(tag.Position.Lat-quay.Lat) > millimetre || !bytes.Equal(unpatch(t, p, out), img) {
			t.Error("the patch changed")
		}
	}
	if planned < 120 {
		t.Errorf("only %d images", planned)
	}
}

func TestTIFFVariants(t *testing.T) {
	for name, img := range tiffVariants() {
		t.Run(name, func(t *testing.T) {
			before := mustRead(t, img)
			if before.Width != 4 || before.Height != 3 || (before.Container == "dng") != strings.HasSuffix(name, "dng") {
				t.Errorf("%+v", before)
			}
			out := correctTwice(t, img)
			for _, l := range tiffLosses(t, img, out, strings.Contains(name, "xmp")) {
				t.Error(l)
			}
			if (before.XMPPosition == nil) != (mustRead(t, out).XMPPosition == nil) {
				t.Error("the XMP position came or went")
			}
			if !reflect.DeepEqual(decodeTIFF(t, img), decodeTIFF(t, out)) {
				t.Error("the pixels differ")
			}
		})
	}
}

// The checks above can fail.
func TestTIFFLossesAreNoticed(t *testing.T) {
	img := tiffVariants()["II gps"]
	out, _, err := Rewrite(img, quay)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 6 {
		out[len(img)-1-i] ^= 1 // the last strip
	}
	if len(tiffLosses(t, img, out, false)) == 0 {
		t.Error("a changed strip is not noticed")
	}
	out, _, _ = Rewrite(img, quay)
	i := bytes.Index(out, []byte("MAKER NOT"))
	out[i] ^= 1
	if len(tiffLosses(t, img, out, false)) == 0 {
		t.Error("a changed maker's note is not noticed")
	}
}

// counting counts reads and their bytes, and what is beyond its bytes is zero.
type counting struct {
	b            []byte // at offset at
	at, size     int64
	reads, bytes int
}

func (c *counting) ReadAt(p []byte, off int64) (int, error) {
	c.reads++
	n := int(max(0, min(int64(len(p)), c.size-off)))
	clear(p[:n])
	if c.at > 0 && off < 8 {
		copy(p[:n], c.b[off:8])
	}
	if from := off - c.at; from >= 0 && from < int64(len(c.b)) {
		copy(p[:n], c.b[from:])
	} else if from < 0 && -from < int64(n) {
		copy(p[-from:n], c.b)
	}
	c.bytes += n
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// The directory of a file of 3 GB stands at its end. Reading and planning read
// some KiB.
func TestTIFFFarDirectory(t *testing.T) {
	order := binary.LittleEndian
	block := tiffBlock(order, []rec{asciiRec(0x010E, "BM 4, seen from the quay"), gpsRec(order)})
	at := int64(3 << 30)
	b := bytes.Clone(block)
	// All offsets are further by where the block is.
	shift := func(pos int) { order.PutUint32(b[pos:], order.Uint32(b[pos:])+uint32(at)) }
	shift(4)
	var fix func(off int)
	fix = func(off int) {
		for i := range int(order.Uint16(b[off:])) {
			e := off + 2 + 12*i
			if tag := order.Uint16(b[e:]); tag == 0x8825 {
				fix(int(order.Uint32(b[e+8:])))
				shift(e + 8)
			} else if widths[order.Uint16(b[e+2:])]*uint64(order.Uint32(b[e+4:])) > 4 {
				shift(e + 8)
			}
		}
	}
	fix(8)
	f := &counting{b: b, at: at, size: at + int64(len(b))}
	tag, err := Read(f, f.size)
	if err != nil || tag.Texts.ImageDescription != "BM 4, seen from the quay" || tag.Position == nil || len(tag.Warnings) != 0 {
		t.Fatalf("%+v %v", tag, err)
	}
	if f.reads > 4 || f.bytes > 100<<10 {
		t.Errorf("%d reads of %d bytes", f.reads, f.bytes)
	}
	f.reads, f.bytes = 0, 0
	p, err := Plan(f, f.size, quay)
	if err != nil || p.Splices[len(p.Splices)-1].Off < at {
		t.Fatalf("%+v %v", p, err)
	}
	if f.reads > 20 || f.bytes > 400<<10 {
		t.Errorf("planning: %d reads of %d bytes", f.reads, f.bytes)
	}
	// Offsets have 32 bits.
	if _, err = Plan(&counting{b: block, size: math.MaxUint32 - 100}, math.MaxUint32-100, quay); !errors.Is(err, ErrNoRoom) {
		t.Error(err)
	}
}

// Raw files of makers' own formats are read, by real files of four makers, and not
// written to; BigTIFF is refused.
func TestTIFFRaw(t *testing.T) {
	for _, s := range geotagtest.Files(t, "nef", "cr2", "arw", "pef") {
		tag := mustRead(t, s.Raw)
		if tag.Container != "raw" || tag.Make == "" || tag.Model == "" || tag.Taken == nil || tag.Width < 1000 {
			t.Errorf("%s: %+v", s.Name, tag)
		}
		if strings.HasSuffix(s.Name, ".pef") { // its GPS unit's, as exiv2 prints them
			if p := tag.Position; p == nil || math.Abs(p.Lat-61.5554583) > 1e-6 || math.Abs(p.Lon-6.4698967) > 1e-6 || math.Abs(tag.Direction.Degrees-22.62) > 1e-9 {
				t.Errorf("%s: %+v", s.Name, tag)
			}
		}
		if _, _, err := Rewrite(s.Raw, quay); !errors.Is(err, ErrRaw) || !strings.Contains(err.Error(), "side-car") || !AboutImage(err) {
			t.Errorf("%s: %v", s.Name, err)
		}
	}
	order := binary.LittleEndian
	block := tiffBlock(order, []rec{asciiRec(0x0110, "FIELD 2"), gpsRec(order)})
	for _, magic := range []string{"IIU\x00", "IIRO", "IIRS"} { // two makers' own numbers
		copy(block, magic)
		if tag := mustRead(t, block); tag.Container != "raw" || tag.Model != "FIELD 2" || tag.Position == nil {
			t.Errorf("%q: %+v", magic, tag)
		}
		if _, _, err := Rewrite(block, quay); !errors.Is(err, ErrRaw) {
			t.Errorf("%q: %v", magic, err)
		}
	}
	for _, big := range []string{"II+\x00\x08\x00\x00\x00\x10\x00\x00\x00\x00\x00\x00\x00", "MM\x00+\x00\x08\x00\x00\x00\x00\x00\x00\x00\x00\x00\x10"} {
		if _, err := ReadBytes([]byte(big)); !errors.Is(err, ErrFormat) || !strings.Contains(err.Error(), "BigTIFF") {
			t.Error(err)
		}
	}
}

func TestTIFFRefuses(t *testing.T) {
	le := binary.LittleEndian
	whole := testTIFF{order: le, extra: []rec{gpsRec(le)}}.bytes()
	loop := testTIFF{order: le, pages: 2}.bytes()
	second := le.Uint32(loop[8+2+12*8:])
	le.PutUint32(loop[second+2+12*8:], 8)
	pages := testTIFF{order: le, pages: maxPages + 1}.bytes()
	for _, c := range []struct {
		name string
		img  []byte
		want error
		text string
	}{
		{"cut off in the last strip", whole[:len(whole)-1], ErrTruncated, "a strip of the image"},
		{"cut off in the directory", whole[:40], ErrTruncated, "first directory"},
		{"loop", loop, ErrCorrupt, "loop"},
		{"too many pages", pages, ErrCorrupt, "4096"},
		{"value in the header", testTIFF{order: le, extra: []rec{{tag: 0x8298, typ: 2, count: 6, value: []byte{3, 0, 0, 0}}}}.bytes(), ErrCorrupt, "a pointer that has to change"},
		{"signed", testTIFF{order: le, extra: []rec{{tag: 0xCD41, typ: 7, count: 6, value: []byte("jumbf.")}}}.bytes(), ErrSigned, ""},
		{"two packets", testTIFF{order: le, extra: []rec{xmpRec(xmpPacket(xmpHere, 0)), xmpRec(xmpPacket(xmpHere, 0))}}.bytes(), ErrUnsafe, "two XMP packets"},
		{"packet of another type", testTIFF{order: le, extra: []rec{{tag: 0x02BC, typ: 4, count: 2, value: make([]byte, 8)}}}.bytes(), ErrUnsafe, "LONG"},
		{"packet that isn't XML", testTIFF{order: le, extra: []rec{xmpRec("<a exif:GPSLatitude=>")}}.bytes(), ErrCorrupt, "XMP"},
		{"directory of 65535 entries", append([]byte("II*\x00\x08\x00\x00\x00\xff\xff"), make([]byte, 12*65535+4)...), ErrCorrupt, "65535 entries"},
	} {
		_, _, err := Rewrite(c.img, quay)
		if !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	e := quay
	e.AllowSigned = true
	if _, p, err := Rewrite(testTIFF{order: le, extra: []rec{{tag: 0xCD41, typ: 7, count: 6, value: []byte("jumbf.")}}}.bytes(), e); err != nil || len(p.Notes) == 0 {
		t.Error(p, err)
	}
}

// What lies outside a file, or is too much, is no number in the tag, costs no
// memory to speak of, and few reads.
func TestTIFFBombs(t *testing.T) {
	le := binary.LittleEndian
	subs := make([]byte, 4*60000) // directories, all the first one
	for i := range 60000 {
		le.PutUint32(subs[4*i:], 8)
	}
	for name, extra := range map[string][]rec{
		"count of 2^32-1":         {{tag: 0x010F, typ: 2, count: math.MaxUint32, value: []byte{8, 0, 0, 0}}},
		"text of a megabyte":      {{tag: 0x010E, typ: 2, count: 1 << 20, value: make([]byte, 1<<20)}},
		"packet of 5 MB":          {{tag: 0x02BC, typ: 1, count: 5 << 20, value: make([]byte, 5<<20)}},
		"60000 subdirectories":    {{tag: 0x014A, typ: 4, count: 60000, value: subs}},
		"Exif directory is first": {{tag: 0x8769, typ: 4, count: 1, value: []byte{8, 0, 0, 0}}},
	} {
		img := testTIFF{order: le, extra: extra}.bytes()
		f := &counting{b: img, size: int64(len(img))}
		tag, err := Read(f, f.size)
		if err != nil || len(tag.Warnings) == 0 && !strings.Contains(name, "sub") {
			t.Errorf("%s: %+v %v", name, tag, err)
		}
		if f.reads > 40 {
			t.Errorf("%s: %d reads", name, f.reads)
		}
		if _, _, err := Rewrite(img, quay); err == nil && strings.Contains(name, "direct") {
			t.Errorf("%s: written", name)
		}
	}
}

// Of a file cut anywhere, the tag comes with a warning or not at all, and nothing
// is written.
func TestTIFFCut(t *testing.T) {
	for _, s := range geotagtest.Files(t, "tif", "dng", "nef", "cr2", "arw", "pef") {
		whole, _ := ReadBytes(s.Raw)
		for n := 0; n < len(s.Raw); n += 97 + len(s.Raw)/200 {
			tag, err := ReadBytes(s.Raw[:n])
			switch {
			case err != nil && !AboutImage(err):
				t.Fatalf("%s at %d: %v", s.Name, n, err)
			case err == nil && len(tag.Warnings) == 0 && strings.HasSuffix(s.Name, ".tif"):
				t.Errorf("%s at %d: no warning", s.Name, n)
			case err == nil && tag.Position != nil && *tag.Position != *whole.Position:
				t.Errorf("%s at %d: %+v", s.Name, n, tag.Position)
			}
			if _, _, err := Rewrite(s.Raw[:n], quay); err == nil || !AboutImage(err) {
				t.Errorf("%s at %d: written, %v", s.Name, n, err)
			}
		}
	}
}

// An error of the disk is one of the disk's, not of the image.
func TestBoxesReadError(t *testing.T) {
	met := false
	for _, s := range geotagtest.Files(t, "tif", "heic", "heif") {
		if len(s.Raw) < 2*chunk {
			continue
		}
		r := failing{bytes.NewReader(s.Raw), chunk}
		if _, err := Read(r, int64(len(s.Raw))); err != nil && (!errors.Is(err, errDisk) || AboutImage(err)) {
			t.Errorf("%s: %v", s.Name, err)
		}
		_, err := Plan(r, int64(len(s.Raw)), quay)
		if err != nil && (!errors.Is(err, errDisk) || AboutImage(err)) {
			t.Errorf("%s: %v", s.Name, err)
		}
		met = met || err != nil
	}
	if !met {
		t.Error("no file is read beyond its start")
	}
}

// Random positions into random variants: all the promises hold.
func TestBoxesProperty(t *testing.T) {
	var all [][]byte
	for _, v := range []map[string][]byte{tiffVariants(), bmffVariants(t)} {
		for _, img := range v {
			all = append(all, img)
		}
	}
	slices.SortFunc(all, bytes.Compare)
	rapid.Check(t, func(r *rapid.T) {
		img := rapid.SampledFrom(all).Draw(r, "image")
		for range rapid.IntRange(1, 4).Draw(r, "corrections") {
			e := Edit{
				Lat: rapid.Float64Range(-90, 90).Draw(r, "lat"), Lon: rapid.Float64Range(-180, 180).Draw(r, "lon"),
				HPositioningError: rapid.Float64Range(0.001, 100).Draw(r, "error"),
				ProcessingMethod:  rapid.StringMatching(`[A-Z]{0,40}`).Draw(r, "method"),
			}
			if e.check() != nil {
				r.Skip("0, 0")
			}
			out, p, err := Rewrite(img, e)
			if err != nil {
				r.Fatal(err)
			}
			back, err := p.Reverse().ApplyBytes(out)
			if err != nil || !bytes.Equal(back, img) {
				r.Fatal("no way back", err)
			}
			tag, err := ReadBytes(out)
			if err != nil || math.Abs(tag.Position.Lat-e.Lat) > millimetre || math.Abs(tag.Position.Lon-e.Lon) > millimetre {
				r.Fatal(tag, err)
			}
			if x := tag.XMPPosition; x != nil && math.Abs(x.Lat-e.Lat) > millimetre {
				r.Fatal(x)
			}
			img = out
		}
	})
}

// exiv2 finds the new position and every other tag as it was, and ImageMagick the
// same pixels in the same pages.
func TestTIFFOracles(t *testing.T) {
	exiv2, identify := tool(t, "exiv2"), tool(t, "identify")
	dir := t.TempDir()
	files := tiffFiles(t)
	delete(files, "sample.dng") // of noise
	for _, name := range []string{"II bare", "MM three pages", "II gps and pages", "MM xmp without room", "II xmp with room"} {
		files[name+".tif"] = tiffVariants()[name]
	}
	compared := 0
	for name, img := range files {
		out, _, err := Rewrite(img, quay)
		if err != nil {
			t.Fatal(err)
		}
		old, now := filepath.Join(dir, "old-"+name), filepath.Join(dir, "new-"+name)
		for path, b := range map[string][]byte{old: img, now: out} {
			if err := os.WriteFile(path, b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		a, b := exiv2Tags(exiv2, old), exiv2Tags(exiv2, now)
		for k, v := range a {
			if !strings.Contains(k, "GPS") && k != "Exif.Image.XMLPacket" && b[k] != v {
				t.Errorf("%s: %s is %q, was %q", name, k, b[k], v)
			}
			compared++
		}
		for k := range b {
			if _, ok := a[k]; !ok && !strings.Contains(k, "GPS") {
				t.Errorf("%s: %s is new", name, k)
			}
		}
		checkExiv2Position(t, name, b)
		if x, y := signature(identify, old), signature(identify, now); x != y || x == "" {
			t.Errorf("%s: identify says %q, said %q", name, y, x)
		}
	}
	if compared < 300 {
		t.Errorf("only %d tags were compared", compared)
	}
}

// exiv2Tags lists what exiv2 finds by its keys.
func exiv2Tags(exiv2, path string) map[string]string {
	out, _ := exec.Command(exiv2, "-q", "-PExkyv", path).Output() // it also fails where it only warns
	keys := map[string]string{}
	for line := range strings.Lines(string(out)) {
		if f := strings.Fields(line); len(f) >= 3 {
			key := f[1]
			if strings.HasPrefix(f[0], "Exif.") || strings.HasPrefix(f[0], "Xmp.") {
				key = f[0]
			}
			for keys[key] != "" {
				key += "+"
			}
			keys[key] = strings.Join(f, " ")
		}
	}
	return keys
}

// checkExiv2Position checks the position that exiv2 finds to be that of quay.
func checkExiv2Position(t *testing.T, name string, tags map[string]string) {
	t.Helper()
	for key, want := range map[string]float64{"Latitude": quay.Lat, "Longitude": -quay.Lon} {
		f := strings.Fields(tags["Exif.GPSInfo.GPS"+key])
		if len(f) < 3 {
			t.Errorf("%s: %s: %q", name, key, f)
		} else if got := sexagesimal(t, f[len(f)-3:]); math.Abs(got-want) > millimetre {
			t.Errorf("%s: %s is %v, not %v", name, key, got, want)
		}
	}
}

// signature is ImageMagick's digest of an image's pixels, page by page.
func signature(identify, path string) string {
	out, _ := exec.Command(identify, "-quiet", "-format", "%wx%h %#\n", path).Output()
	return string(out)
}
