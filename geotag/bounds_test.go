package geotag

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"hash/crc32"
	"runtime"
	"strings"
	"testing"

	"example.com/phototie/geotag/geotagtest"
)

// What one photo may allocate in all, whatever it holds, as doc.go promises.
const (
	maxToRead = 64 << 20
	maxToPlan = 256 << 20
)

// allocated is what f allocates, in bytes.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// entry is a directory's entry, little-endian.
func entry(tag, typ uint16, count, value uint32) []byte {
	b := binary.LittleEndian.AppendUint16(nil, tag)
	b = binary.LittleEndian.AppendUint16(b, typ)
	b = binary.LittleEndian.AppendUint32(b, count)
	return binary.LittleEndian.AppendUint32(b, value)
}

// tiffOf is a TIFF block with one directory of n times the entries, which is
// followed by the directory at next.
func tiffOf(next uint32, n int, entries ...[]byte) []byte {
	b := []byte("II*\x00\x08\x00\x00\x00")
	b = binary.LittleEndian.AppendUint16(b, uint16(n*len(entries)))
	for range n {
		for _, e := range entries {
			b = append(b, e...)
		}
	}
	b = binary.LittleEndian.AppendUint32(b, next)
	return append(b, make([]byte, 64)...)
}

// TestMemoryIsBounded: images made to fill the memory or to go round in circles
// are read, and planned for, within a bound, or refused.
func TestMemoryIsBounded(t *testing.T) {
	gps := entry(0x8825, 4, 1, 8) // a GPS directory that is the first one again
	exifPtr := entry(0x8769, 4, 1, 8)
	xmp := func(inside string) []byte {
		return withXMP(geotagtest.Plain(), packet(description(xmpPlace, inside)))
	}
	segments := func(n int, payload []byte) []byte {
		img := []byte{0xFF, 0xD8}
		for range n {
			img = append(img, 0xFF, 0xE1, byte((len(payload)+2)>>8), byte(len(payload)+2))
			img = append(img, payload...)
		}
		return append(img, geotagtest.Plain()[2:]...)
	}
	png := func(chunks ...[]byte) []byte {
		img := []byte("\x89PNG\r\n\x1a\n")
		put := func(kind string, data []byte) {
			img = binary.BigEndian.AppendUint32(img, uint32(len(data)))
			at := len(img)
			img = append(append(img, kind...), data...)
			img = binary.BigEndian.AppendUint32(img, crc32.ChecksumIEEE(img[at:]))
		}
		put("IHDR", []byte{0, 0, 0, 1, 0, 0, 0, 1, 8, 0, 0, 0, 0})
		for _, c := range chunks {
			put("iTXt", c)
		}
		put("IDAT", []byte("\x78\x9c\x63\x60\x00\x00\x00\x02\x00\x01"))
		put("IEND", nil)
		return img
	}
	inflates := func(text string) []byte {
		var b bytes.Buffer
		b.WriteString("XML:com.adobe.xmp\x00\x01\x00\x00\x00")
		z := zlib.NewWriter(&b)
		for range 12 { // past what is inflated
			z.Write([]byte(text))
		}
		z.Close()
		return b.Bytes()
	}
	// A packet of 4 MiB at most, with what makes one work: a name that is looked for.
	inPNG := func(inside string) []byte {
		return png([]byte("XML:com.adobe.xmp\x00\x00\x00\x00\x00" + packet(description(xmpPlace, inside))))
	}
	many := func(s string, n int) string { return strings.Repeat(s, n-40) } // and what the packet has
	const cdata = "<![CDATA[ ]]>"                                           // not for the scanner
	for name, img := range map[string][]byte{
		"directory loop":         geotagtest.Splice(tiffOf(8, 1, gps, exifPtr)),
		"many pointers":          geotagtest.Splice(tiffOf(8, 2500, gps, exifPtr)),
		"giant counts":           geotagtest.Splice(tiffOf(0, 1, entry(0x8825, 4, 1<<32-1, 8), entry(0x0002, 5, 1<<32-1, 8), entry(0x010F, 2, 1<<32-1, 8))),
		"one run many times":     geotagtest.Splice(append(tiffOf(0, 2000, entry(0x010F, 2, 30000, 8)), make([]byte, 30000)...)),
		"deep XMP":               xmp(strings.Repeat("<a>", 8000) + strings.Repeat("</a>", 8000)),
		"many XMP elements":      xmp(strings.Repeat("<a/>", 14000)),
		"XMP entity":             xmp(`<!DOCTYPE a [<!ENTITY b "bbbbbbbb">]><a>&b;&b;</a>`),
		"many Exif segments":     segments(4000, append([]byte(exifSignature+"\x00"), tiffOf(8, 100, gps)...)),
		"many XMP segments":      segments(100, append([]byte(xmpSignature), packet(description(xmpPlace, strings.Repeat("<a/>", 8000)))...)),
		"many unknown segments":  segments(5000, make([]byte, 200)),
		"inflating text":         png(inflates(strings.Repeat(" ", 1<<20))),
		"inflating texts":        png(repeated(inflates(strings.Repeat("<a>", 1<<18)))...),
		"long PNG packet":        png([]byte("XML:com.adobe.xmp\x00\x00\x00\x00\x00" + strings.Repeat("<a/>", 4<<20))),
		"wide PNG packet":        png([]byte("XML:com.adobe.xmp\x00\x00\x00\x00\x00<a>" + strings.Repeat("<a/>", 1<<20-10) + "</a>")),
		"XMP attributes":         inPNG("<a" + many(` b=""`, xmpMaxMarkup) + "/>"),
		"XMP attributes, UTF-16": png(append([]byte("XML:com.adobe.xmp\x00\x00\x00\x00\x00"), utf16Bytes(binary.BigEndian, "\uFEFF"+packet(description(xmpPlace, "<a"+many(` b=""`, xmpMaxMarkup)+"/>")))...)),
		"XMP attributes of note": inPNG(cdata + `<rdf:Description` + many(` exif:GPSVersionID="1.0.0.0"`, xmpMaxMarkup) + "/>"),
		"XMP duplicates":         inPNG("</rdf:Description><rdf:Description xmlns:exif='" + nsExif + "'" + many(` exif:GPSLatitude=""`, xmpMaxMarkup) + ">"),
		"XMP properties":         inPNG(many("<exif:GPSDOP/>", xmpMaxMarkup)),
		"XMP elements":           inPNG(cdata + many("<a/>", xmpMaxMarkup)),
		"XMP keywords":           inPNG(cdata + "<dc:subject><rdf:Bag>" + many("<rdf:li/>", xmpMaxMarkup) + "</rdf:Bag></dc:subject>"),
		"XMP namespaces":         inPNG("<a" + many(` xmlns:b=""`, xmpMaxMarkup) + "/>"),
		"XMP attributes, more":   inPNG("<a" + strings.Repeat(` b=""`, 800_000) + "/>"),
		"XMP elements, more":     inPNG(strings.Repeat("<a/>", 1<<20-1000)),
		"XMP references":         inPNG(strings.Repeat("&amp;", 800_000)),
		"XMP comments":           inPNG(strings.Repeat("<!---->", 590_000)),
		"deep PNG packet":        png([]byte("XML:com.adobe.xmp\x00\x00\x00\x00\x00" + strings.Repeat("<a>", 1<<20))),
	} {
		t.Run(name, func(t *testing.T) {
			var tag *Tag
			var err, perr error
			read := allocated(func() { tag, err = ReadBytes(img) })
			plan := allocated(func() {
				_, perr = Plan(bytes.NewReader(img), int64(len(img)), Edit{Lat: 53, Lon: -6, HPositioningError: 0.02, ProcessingMethod: "SURVEY"})
			})
			t.Logf("%d bytes: %d KiB to read (%v, %v), %d KiB to plan (%v)", len(img), read>>10, tag != nil, err, plan>>10, perr)
			if read > maxToRead || plan > maxToPlan {
				t.Errorf("%d bytes of image take %d MiB to read and %d MiB to plan", len(img), read>>20, plan>>20)
			}
		})
	}
}

func repeated(b []byte) (all [][]byte) {
	for range 64 {
		all = append(all, b)
	}
	return all
}

// TestContainersAreBounded: the same for each container with the worst Exif blocks
// and packets in it, and for what the container itself can claim. Time goes by what
// is read: no part of a file is read more than a few times.
func TestContainersAreBounded(t *testing.T) {
	le := binary.LittleEndian
	packets := map[string][]byte{}
	const cdata = "<![CDATA[ ]]>"
	for name, inside := range map[string]string{
		"attributes": "<a" + strings.Repeat(` b=""`, xmpMaxMarkup-40) + "/>",
		"properties": strings.Repeat("<exif:GPSDOP/>", xmpMaxMarkup-40),
		"keywords":   cdata + "<dc:subject><rdf:Bag>" + strings.Repeat("<rdf:li/>", xmpMaxMarkup-40) + "</rdf:Bag></dc:subject>",
		"deep":       strings.Repeat("<a>", 1<<20),
		"text":       strings.Repeat("&amp;", 800_000),
	} {
		packets[name] = []byte(packet(description(xmpPlace, inside)))
	}
	gps, loop := entry(0x8825, 4, 1, 8), entry(0x8769, 4, 1, 8)
	blocks := map[string][]byte{
		"loop":         tiffOf(8, 1, gps, loop),
		"many entries": tiffOf(0, 4000, entry(0x010F, 2, 60000, 8), entry(0x0131, 2, 60000, 8)),
		"giant counts": tiffOf(0, 8, entry(0x8825, 4, 1<<32-1, 8), entry(0x010F, 2, 1<<32-1, 8), entry(0x9286, 7, 1<<32-1, 8)),
		"large":        append(tiffOf(0, 2000, entry(0x010F, 2, 60000, 8)), make([]byte, 15<<20)...),
	}
	images := map[string][]byte{
		"webp, empty chunks":       testWebP(bytes.Repeat(testRIFF("junk", nil), 300_000)),
		"webp, a length that lies": append(testWebP(), "EXIF\xff\xff\xff\x7f"...),
		"webp, Exif chunks":        testWebP(bytes.Repeat(testRIFF("EXIF", tiffOf(8, 100, gps)), 2000)),
		"tiff, pages":              testTIFF{order: le, pages: 5000}.bytes(),
		"boxes":                    append(bx("ftyp", []byte("heic\x00\x00\x00\x00mif1heic")), bytes.Repeat(bx("free"), 100_000)...),
		"side-car, names":          []byte(packet(description(xmpPlace, "<a"+strings.Repeat(` xmlns:b=""`, xmpMaxMarkup-40)+"/>"))),
		"side-car, too long":       bytes.Repeat([]byte("<x:xmpmeta>"), 1<<20),
		"side-car, entities":       []byte(`<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "` + strings.Repeat("b", 1000) + `"><!ENTITY c "` + strings.Repeat("&b;", 1000) + `">]><rdf:RDF>&c;</rdf:RDF>`),
	}
	picture := testItem{id: 1, kind: "hvc1", data: []byte("picture")}
	lossy := realWebP(t, "blue-purple-pink.lossy.webp")
	for name, p := range packets {
		images["webp, packet, "+name] = testWebP(testRIFF("VP8X", []byte{0x04, 0, 0, 0, 9, 0, 0, 9, 0, 0}), lossy, testRIFF("XMP ", p))
		images["tiff, packet, "+name] = testTIFF{order: le, extra: []rec{{tag: 0x02BC, typ: 1, count: uint32(len(p)), value: p}}}.bytes()
		images["boxes, packet, "+name] = testBMFF{off: 4, len: 4, items: []testItem{picture, {id: 3, kind: "mime", mime: "application/rdf+xml", data: p, of: 1}}}.bytes()
		images["side-car, "+name] = p
	}
	for name, b := range blocks {
		images["webp, block, "+name] = testWebP(testRIFF("VP8X", []byte{0x08, 0, 0, 0, 9, 0, 0, 9, 0, 0}), lossy, testRIFF("EXIF", b))
		images["png, block, "+name] = plainPNG(t, testChunk("eXIf", b), nil)
		images["tiff, "+name] = b
		images["boxes, block, "+name] = testBMFF{off: 4, len: 4, items: []testItem{picture, {id: 2, kind: "Exif", data: exifItem(b), of: 1}}}.bytes()
	}
	for name, img := range images {
		t.Run(name, func(t *testing.T) {
			var tag *Tag
			var err, perr error
			f := &counting{b: img, size: int64(len(img))}
			read := allocated(func() { tag, err = Read(f, f.size) })
			if f.reads > 2000+len(img)/1000 || f.bytes > 4*len(img)+1<<20 {
				t.Errorf("%d reads of %d bytes, of %d", f.reads, f.bytes, len(img))
			}
			plan := allocated(func() {
				_, perr = Plan(bytes.NewReader(img), int64(len(img)), Edit{Lat: 53, Lon: -6, HPositioningError: 0.02, ProcessingMethod: "SURVEY"})
			})
			t.Logf("%d bytes: %d KiB to read in %d reads (%v, %v), %d KiB to plan (%v)", len(img), read>>10, f.reads, tag != nil, err, plan>>10, perr)
			if n := allocated(func() { Thumbnail(f, f.size) }); n > maxToRead {
				t.Errorf("%d bytes of image take %d MiB to look for a thumbnail", len(img), n>>20)
			}
			if err != nil && !AboutImage(err) || perr != nil && !AboutImage(perr) {
				t.Errorf("%v, %v", err, perr)
			}
			if read > maxToRead || plan > maxToPlan {
				t.Errorf("%d bytes of image take %d MiB to read and %d MiB to plan", len(img), read>>20, plan>>20)
			}
		})
	}
}
