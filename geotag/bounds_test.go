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
