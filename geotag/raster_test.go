package geotag

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/image/webp"
	"pgregory.net/rapid"

	"example.com/phototie/geotag/geotagtest"
)

// The tests' own view of PNG and WebP, which shares no code with the package.

// pngParts cuts a PNG at its chunks, whose checksums it proves; what follows the
// end is the last part.
func pngParts(tb testing.TB, img []byte) []part {
	tb.Helper()
	if !bytes.HasPrefix(img, []byte("\x89PNG\r\n\x1a\n")) {
		tb.Fatalf("no PNG: % x", img[:min(8, len(img))])
	}
	var all []part
	for p := 8; ; {
		n := int(binary.BigEndian.Uint32(img[p:]))
		body := img[p+4 : p+8+n]
		if crc32.ChecksumIEEE(body) != binary.BigEndian.Uint32(img[p+8+n:]) {
			tb.Errorf("the checksum of %s at %d is wrong", body[:4], p)
		}
		name := string(body[:4])
		for _, id := range []string{"XML:com.adobe.xmp", "Raw profile type exif"} {
			if bytes.HasPrefix(body[4:], []byte(id+"\x00")) {
				name = id
			}
		}
		all = append(all, part{name, body[4:]})
		p += 12 + n
		if name == "IEND" {
			return append(all, part{"rest", img[p:]})
		}
	}
}

// webpParts cuts a WebP file at its chunks, and proves the lengths and paddings.
func webpParts(tb testing.TB, img []byte) []part {
	tb.Helper()
	if string(img[:4]) != "RIFF" || string(img[8:12]) != "WEBP" {
		tb.Fatalf("no WebP: % x", img[:12])
	}
	end := 8 + int(binary.LittleEndian.Uint32(img[4:]))
	var all []part
	p := 12
	for p < end {
		n := int(binary.LittleEndian.Uint32(img[p+4:]))
		all = append(all, part{string(img[p : p+4]), img[p+8 : p+8+n]})
		p += 8 + n
		if n%2 == 1 && p < end {
			if img[p] != 0 {
				tb.Errorf("a padding of %d at %d", img[p], p)
			}
			p++
		}
	}
	if p != end || end > len(img) {
		tb.Errorf("the chunks end at %d, the header says %d of %d", p, end, len(img))
	}
	return append(all, part{"rest", img[end:]})
}

func rasterParts(tb testing.TB, img []byte) []part {
	tb.Helper()
	if img[0] == 'R' {
		return webpParts(tb, img)
	}
	return pngParts(tb, img)
}

// rasterBlock returns the Exif block that a raster image keeps as it is.
func rasterBlock(tb testing.TB, img []byte) []byte {
	tb.Helper()
	for _, p := range rasterParts(tb, img) {
		if p.name == "eXIf" || p.name == "EXIF" {
			return bytes.TrimPrefix(p.payload, []byte("Exif\x00\x00"))
		}
	}
	return nil
}

// decodePixels decodes a raster image with a decoder that knows nothing of its tags.
func decodePixels(tb testing.TB, img []byte) []byte {
	tb.Helper()
	decode := png.Decode
	if img[0] == 'R' {
		decode = webp.Decode
	}
	m, err := decode(bytes.NewReader(img))
	if err != nil {
		tb.Fatal(err)
	}
	var b bytes.Buffer
	fmt.Fprint(&b, m.Bounds())
	switch m := m.(type) {
	case *image.YCbCr:
		b.Write(m.Y)
		b.Write(m.Cb)
		b.Write(m.Cr)
	case *image.NYCbCrA:
		b.Write(m.Y)
		b.Write(m.Cb)
		b.Write(m.Cr)
		b.Write(m.A)
	case *image.NRGBA:
		b.Write(m.Pix)
	case *image.RGBA:
		b.Write(m.Pix)
	default:
		for y := m.Bounds().Min.Y; y < m.Bounds().Max.Y; y++ {
			for x := m.Bounds().Min.X; x < m.Bounds().Max.X; x++ {
				r, g, bl, a := m.At(x, y).RGBA()
				b.Write([]byte{byte(r >> 8), byte(r), byte(g >> 8), byte(g), byte(bl >> 8), byte(bl), byte(a >> 8), byte(a)})
			}
		}
	}
	return b.Bytes()
}

// What the variants are built of.

func testChunk(typ string, data []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(append(b, typ...), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

// plainPNG is a small image with the chunks put before its image data, and after.
func plainPNG(tb testing.TB, before, after []byte) []byte {
	tb.Helper()
	m, _, err := image.Decode(bytes.NewReader(geotagtest.Plain()))
	if err != nil {
		tb.Fatal(err)
	}
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		tb.Fatal(err)
	}
	i, e := bytes.Index(b.Bytes(), []byte("IDAT"))-4, b.Len()-12
	return slices.Concat(b.Bytes()[:i], before, b.Bytes()[i:e], after, b.Bytes()[e:])
}

func testRIFF(typ string, data []byte) []byte {
	b := binary.LittleEndian.AppendUint32([]byte(typ), uint32(len(data)))
	b = append(b, data...)
	return append(b, make([]byte, len(data)%2)...)
}

func testWebP(chunks ...[]byte) []byte {
	body := slices.Concat(chunks...)
	return slices.Concat([]byte("RIFF"), binary.LittleEndian.AppendUint32(nil, uint32(4+len(body))), []byte("WEBP"), body)
}

// realWebP is a small lossy or lossless image of a module, as its one chunk.
func realWebP(tb testing.TB, name string) []byte {
	tb.Helper()
	for _, s := range geotagtest.Files(tb, "webp") {
		if s.Name == name {
			return s.Raw[12:]
		}
	}
	tb.Fatalf("no %s", name)
	return nil
}

func deflated(b []byte) []byte {
	var z bytes.Buffer
	w := zlib.NewWriter(&z)
	w.Write(b)
	w.Close()
	return z.Bytes()
}

func hexProfile(block []byte) string {
	digits := hex.EncodeToString(append([]byte("Exif\x00\x00"), block...))
	s := fmt.Sprintf("\nexif\n%8d\n", len(digits)/2)
	for len(digits) > 72 {
		s, digits = s+digits[:72]+"\n", digits[72:]
	}
	return s + digits + "\n"
}

const oldXMP = descriptionStart + `exif:GPSLatitude="1,2N" exif:GPSLongitude="4,5.6E" exif:GPSDOP="14/10" dc:format="image"/>`

// rasterVariants are images in each of the forms that metadata take in them.
func rasterVariants(tb testing.TB) map[string][]byte {
	tb.Helper()
	le := orders["II"]
	old := handheld(le, handheldGPS(le))
	odd := append(slices.Clone(handheld(le, handheldGPS(le))), 1) // an odd length
	xmp := xmpPacket(oldXMP, 300)
	tight := xmpPacket(oldXMP, -1)
	itxt := func(compressed byte, s string) []byte {
		b := []byte(s)
		if compressed == 1 {
			b = deflated(b)
		}
		return testChunk("iTXt", append([]byte("XML:com.adobe.xmp\x00"+string(compressed)+"\x00\x00\x00"), b...))
	}
	lossy, lossless := realWebP(tb, "blue-purple-pink.lossy.webp"), realWebP(tb, "gopher-doc.8bpp.lossless.webp")
	vp8x := func(flags byte, w, h int) []byte {
		return testRIFF("VP8X", []byte{flags, 0, 0, 0, byte(w - 1), byte((w - 1) >> 8), 0, byte(h - 1), byte((h - 1) >> 8), 0})
	}
	return map[string][]byte{
		"png none":               plainPNG(tb, nil, nil),
		"png exif":               plainPNG(tb, testChunk("eXIf", old), nil),
		"png exif odd":           plainPNG(tb, slices.Concat(testChunk("eXIf", odd), testChunk("tEXt", []byte("Title\x00Quay"))), nil),
		"png exif signature":     plainPNG(tb, testChunk("eXIf", append([]byte("Exif\x00\x00"), old...)), nil),
		"png exif behind":        plainPNG(tb, nil, testChunk("eXIf", old)),
		"png xmp":                plainPNG(tb, itxt(0, xmp), nil),
		"png exif xmp":           plainPNG(tb, slices.Concat(testChunk("eXIf", old), itxt(0, xmp)), nil),
		"png exif xmp tight":     plainPNG(tb, slices.Concat(testChunk("eXIf", old), itxt(0, tight)), nil),
		"png exif xmp deflated":  plainPNG(tb, slices.Concat(testChunk("eXIf", old), itxt(1, xmp)), nil),
		"png xmp behind":         plainPNG(tb, testChunk("eXIf", old), itxt(0, xmp)),
		"png xmp zTXt":           plainPNG(tb, testChunk("zTXt", append([]byte("XML:com.adobe.xmp\x00\x00"), deflated([]byte(xmp))...)), nil),
		"png raw":                plainPNG(tb, testChunk("tEXt", []byte("Raw profile type exif\x00"+hexProfile(old))), nil),
		"png raw deflated":       plainPNG(tb, testChunk("zTXt", append([]byte("Raw profile type exif\x00\x00"), deflated([]byte(hexProfile(old)))...)), nil),
		"png exif raw":           plainPNG(tb, slices.Concat(testChunk("zTXt", append([]byte("Raw profile type exif\x00\x00"), deflated([]byte(hexProfile(odd)))...)), testChunk("eXIf", old)), nil),
		"png animated":           plainPNG(tb, slices.Concat(testChunk("acTL", []byte{0, 0, 0, 1, 0, 0, 0, 0}), testChunk("fcTL", []byte{0, 0, 0, 0, 0, 0, 0, 48, 0, 0, 0, 32, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 1, 0, 0})), nil),
		"png trailer":            append(plainPNG(tb, testChunk("eXIf", old), nil), "more"...),
		"webp lossy":             testWebP(lossy),
		"webp lossless":          testWebP(lossless),
		"webp exif":              testWebP(vp8x(0x08, 150, 100), lossy, testRIFF("EXIF", old)),
		"webp exif odd":          testWebP(vp8x(0x08, 150, 100), lossy, testRIFF("EXIF", odd)),
		"webp exif odd xmp":      testWebP(vp8x(0x0C, 150, 100), lossy, testRIFF("EXIF", odd), testRIFF("XMP ", []byte(xmp))),
		"webp exif signature":    testWebP(vp8x(0x08, 150, 100), lossy, testRIFF("EXIF", append([]byte("Exif\x00\x00"), old...))),
		"webp exif first":        testWebP(vp8x(0x08, 150, 100), testRIFF("EXIF", old), lossy),
		"webp exif no flag":      testWebP(vp8x(0, 150, 100), lossy, testRIFF("EXIF", old)),
		"webp exif not extended": testWebP(lossy, testRIFF("EXIF", old)),
		"webp xmp":               testWebP(vp8x(0x04, 150, 100), lossy, testRIFF("XMP ", []byte(xmp+"\n"))),
		"webp exif xmp tight":    testWebP(vp8x(0x0C, 150, 100), lossy, testRIFF("EXIF", old), testRIFF("XMP ", []byte(tight)), testRIFF("more", []byte("odd"))),
		"webp trailer":           append(testWebP(lossless), "more"...),
	}
}

// realRasters are the PNG and WebP files of modules that the tests have.
func realRasters(tb testing.TB) map[string][]byte {
	tb.Helper()
	all := map[string][]byte{}
	for _, s := range geotagtest.Files(tb, "png", "webp") {
		if strings.HasPrefix(string(s.Raw), "\x89PNG") || strings.HasPrefix(string(s.Raw), "RIFF") {
			all[s.Name] = s.Raw
		}
	}
	if len(all) < 20 {
		tb.Fatalf("only %d files", len(all))
	}
	return all
}

// mayChange are the parts that a correction may change; VP8X may change in its
// flags.
var mayChange = []string{"eXIf", "EXIF", "XMP ", "XML:com.adobe.xmp", "Raw profile type exif", "VP8X"}

// checkRaster corrects an image, which first is or was made into by corrections,
// and checks the promise: all other chunks of first and its Exif block stay, the
// position is there, and the way back gives the identical bytes.
func checkRaster(tb testing.TB, first, img []byte, e Edit) []byte {
	tb.Helper()
	out, p := mustRewrite(tb, img, e)
	was, is := rasterParts(tb, first), rasterParts(tb, out)
	strip := func(parts []part) []part {
		return slices.DeleteFunc(slices.Clone(parts), func(p part) bool { return slices.Contains(mayChange, p.name) })
	}
	a, b := strip(was), strip(is)
	if len(a) != len(b) {
		tb.Fatalf("%d parts, were %d", len(b), len(a))
	}
	for i := range a {
		if a[i].name != b[i].name || !bytes.Equal(a[i].payload, b[i].payload) {
			tb.Errorf("part %d, %s, differs", i, a[i].name)
		}
	}
	old, now := rasterBlock(tb, first), rasterBlock(tb, out)
	if old != nil {
		for _, l := range blockLosses(tb, old, now, subjectTags) {
			tb.Error(l)
		}
	}
	if now != nil {
		if lat, lon := position(tb, now, 0x02); math.Abs(lat-e.Lat) > millimetre || math.Abs(lon-e.Lon) > millimetre {
			tb.Errorf("at %v, %v", lat, lon)
		}
	}
	tag, err := ReadBytes(out)
	if err != nil {
		tb.Fatal(err)
	}
	if tag.Position == nil || tag.Position.Source != SourceExif || math.Abs(tag.Position.Lat-e.Lat) > millimetre {
		tb.Errorf("read back: %v", tag.Position)
	}
	if slices.ContainsFunc(tag.Warnings, func(w Warning) bool { return w.Code == WarnConflict }) {
		tb.Error(tag.Warnings)
	}
	if !bytes.Equal(unpatch(tb, p, out), img) {
		tb.Error("the reverse patch does not give the old file")
	}
	return out
}

func TestRasterRewrite(t *testing.T) {
	for _, images := range []map[string][]byte{rasterVariants(t), realRasters(t)} {
		for name, img := range images {
			t.Run(name, func(t *testing.T) {
				out := checkRaster(t, img, img, quay)
				if !bytes.Equal(decodePixels(t, img), decodePixels(t, out)) {
					t.Error("the pixels differ")
				}
				// Again and again, without growing. What is compressed anew has a
				// length of its own the first time.
				next := checkRaster(t, img, out, quay2)
				out = checkRaster(t, img, next, quay)
				next = checkRaster(t, img, out, quay2)
				if size := len(checkRaster(t, img, next, quay)); size != len(out) {
					t.Errorf("repeated corrections made %d bytes of %d", size, len(out))
				}
			})
		}
	}
}

// The variants read as what they were built to say, and the signs of what is not
// as it should be are told.
func TestRasterRead(t *testing.T) {
	want := map[string][]string{
		"png exif raw": {"duplicate Exif"},
		"png xmp zTXt": {"wrong-type XMP"},
	}
	for name, img := range rasterVariants(t) {
		tag := mustRead(t, img)
		dims := "48x32"
		if strings.HasPrefix(name, "webp") {
			dims = "150x100"
		}
		if strings.HasPrefix(name, "webp lossless") || name == "webp trailer" {
			dims = "75x100"
		}
		if got := fmt.Sprintf("%dx%d", tag.Width, tag.Height); got != dims {
			t.Errorf("%s: %s, want %s", name, got, dims)
		}
		container, _, _ := strings.Cut(name, " ")
		if tag.Container != container {
			t.Errorf("%s: container %q", name, tag.Container)
		}
		exif := strings.Contains(name, "exif") || strings.Contains(name, "raw") || name == "png trailer" || name == "png xmp behind"
		xmp := strings.Contains(name, "xmp")
		if (tag.Model == "QH-3") != exif {
			t.Errorf("%s: model %q", name, tag.Model)
		}
		if (tag.XMPPosition != nil) != xmp || (tag.Position != nil) != (exif || xmp) {
			t.Errorf("%s: %v, %v", name, tag.Position, tag.XMPPosition)
		}
		got := slices.DeleteFunc(codes(tag), func(s string) bool { return strings.HasPrefix(s, string(WarnConflict)) })
		if !slices.Equal(got, want[name]) {
			t.Errorf("%s: %q", name, tag.Warnings)
		}
		thumb, err := Thumbnail(bytes.NewReader(img), int64(len(img)))
		if exif != (err == nil && bytes.Equal(thumb, geotagtest.Plain())) {
			t.Errorf("%s: thumbnail of %d bytes, %v", name, len(thumb), err)
		}
	}
}

// What independent readers make of a corrected file.
func TestRasterJudges(t *testing.T) {
	exiv2, identify := tool(t, "exiv2"), tool(t, "identify")
	dir := t.TempDir()
	judged := 0
	few := []string{"sunrise.png", "issue-590.png", "utf8-in-ztxt.png", "sunrise.webp", "yellow_rose.lossy-with-alpha.webp", "gopher-doc.with-alpha.lossless.webp", "tux.lossless.webp"}
	for _, images := range []map[string][]byte{rasterVariants(t), realRasters(t)} {
		for name, img := range images {
			if !strings.Contains(name, " ") && !slices.Contains(few, name) && os.Getenv("PHOTOTIE_FULL") == "" {
				continue
			}
			out, _, err := Rewrite(img, quay)
			if err != nil {
				t.Fatal(name, err)
			}
			judged++
			ext := ".png"
			if img[0] == 'R' {
				ext = ".webp"
			}
			was, is := filepath.Join(dir, "was"+ext), filepath.Join(dir, "is"+ext)
			if err := errors.Join(os.WriteFile(was, img, 0o600), os.WriteFile(is, out, 0o600)); err != nil {
				t.Fatal(err)
			}
			// Format, size and the digest of the pixels.
			s, err := exec.Command(identify, "-format", "%m %w %h %#\n", was, is).Output()
			if lines := strings.Split(string(s), "\n"); err != nil || len(lines) != 3 || lines[0] != lines[1] {
				t.Errorf("%s: identify: %v: %q", name, err, lines)
			}
			if name == "png exif signature" {
				continue // exiv2 reads no such block, before or after
			}
			s, err = exec.Command(exiv2, "-q", "-Pkv", "-K", "Exif.GPSInfo.GPSLatitude", "-K", "Exif.GPSInfo.GPSMapDatum", "-K", "Exif.Image.Model", is).Output()
			if err != nil {
				t.Errorf("%s: exiv2: %v", name, err)
			}
			if !strings.Contains(string(s), " 53/1 20/1 30164444/") || !strings.Contains(string(s), "WGS-84") {
				t.Errorf("%s: exiv2 says %q", name, s)
			}
			if strings.Contains(name, "exif") && !strings.Contains(string(s), "QH-3") {
				t.Errorf("%s: exiv2 finds no model: %q", name, s)
			}
		}
	}
	if judged < 30 {
		t.Errorf("only %d files", judged)
	}
}

// Cut off anywhere, an image gives an error or a warning, or had all its
// metadata; and no correction is made.
func TestRasterCut(t *testing.T) {
	images := rasterVariants(t)
	for _, name := range []string{"sunrise.png", "sunrise.webp", "issue-590.png"} {
		images[name] = realRasters(t)[name]
	}
	for name, img := range images {
		step := 97
		if len(img) > 50_000 {
			step = 4111 // 100th bytes are in all parts of the small ones
		}
		end := len(img)
		if strings.HasSuffix(name, "trailer") {
			end -= len("more")
		}
		for n := 0; n < end; n += step {
			tag, err := ReadBytes(img[:n])
			if err == nil && !slices.ContainsFunc(tag.Warnings, func(w Warning) bool { return w.Code == WarnTruncated }) {
				t.Errorf("%s cut at %d of %d: no warning", name, n, len(img))
			}
			if err != nil && !AboutImage(err) {
				t.Errorf("%s cut at %d: %v", name, n, err)
			}
			if _, _, err := Rewrite(img[:n], quay); !AboutImage(err) {
				t.Errorf("%s cut at %d: corrected: %v", name, n, err)
			}
		}
	}
}

// A damaged chunk is not used, and an image that has one is not corrected.
func TestRasterDamage(t *testing.T) {
	images := rasterVariants(t)
	flip := func(name, at string, off int) []byte {
		img := slices.Clone(images[name])
		i := bytes.Index(img, []byte(at))
		img[i+off] ^= 0x10
		return img
	}
	old := handheld(orders["II"], nil)
	bomb := deflated(bytes.Repeat([]byte{' '}, maxInflated+1))
	many := bytes.Repeat(testChunk("tEXt", []byte("XML:com.adobe.xmp\x00")), maxCarriers+1)
	lossy := realWebP(t, "blue-purple-pink.lossy.webp")
	for _, c := range []struct {
		what  string
		img   []byte
		warns string // of reading; empty where that is an error
		err   error  // of correcting
	}{
		{"exif checksum", flip("png exif", "Velland", 0), "corrupt Exif", ErrCorrupt},
		{"xmp checksum", flip("png xmp", "GPSLat", 0), "corrupt XMP", ErrCorrupt},
		{"xmp stream", plainPNG(t, testChunk("iTXt", []byte("XML:com.adobe.xmp\x00\x01\x00\x00\x00not deflated")), nil), "corrupt XMP", ErrCorrupt},
		{"xmp bomb", plainPNG(t, testChunk("zTXt", append([]byte("XML:com.adobe.xmp\x00\x00"), bomb...)), nil), "corrupt XMP", ErrCorrupt},
		{"raw bomb", plainPNG(t, testChunk("zTXt", append([]byte("Raw profile type exif\x00\x00"), bomb...)), nil), "corrupt Exif", nil},
		{"raw nonsense", plainPNG(t, testChunk("tEXt", []byte("Raw profile type exif\x00\nexif\n 5\nxyz")), nil), "corrupt Exif", nil},
		{"two exif", plainPNG(t, slices.Concat(testChunk("eXIf", old), testChunk("eXIf", old)), nil), "duplicate Exif", ErrUnsafe},
		{"many", plainPNG(t, many, nil), "duplicate XMP", ErrCorrupt},
		{"no header", slices.Concat([]byte(pngSignature), testChunk("IDAT", nil), testChunk("IEND", nil)), "", ErrCorrupt},
		{"length", slices.Concat([]byte(pngSignature), []byte("\xff\xff\xff\xffIHDR")), "", ErrCorrupt},
		{"type", slices.Concat(images["png none"][:33], []byte("\x00\x00\x00\x00ab1d")), "", ErrCorrupt},
		{"webp two exif", testWebP(lossy, testRIFF("EXIF", old), testRIFF("EXIF", old)), "duplicate Exif", ErrUnsafe},
		{"webp many", testWebP(append([][]byte{lossy}, slices.Repeat([][]byte{testRIFF("XMP ", nil)}, 65)...)...), "truncated WebP", ErrCorrupt},
		{"webp late VP8X", testWebP(lossy, testRIFF("VP8X", make([]byte, 10))), "truncated WebP", ErrCorrupt},
		{"webp no image", testWebP(testRIFF("VP8X", make([]byte, 10))), "", ErrCorrupt},
		{"webp bad frame", testWebP(testRIFF("VP8 ", make([]byte, 12))), "", ErrCorrupt},
		{"webp bad lossless", testWebP(testRIFF("VP8L", make([]byte, 12))), "", ErrCorrupt},
		{"webp chunk too long", testWebP(lossy, []byte("XMP \xff\xff\xff\x7f")), "truncated WebP", ErrCorrupt},
		{"webp half chunk", testWebP(lossy, []byte("XMP")), "truncated WebP", ErrCorrupt},
		{"webp exif nonsense", testWebP(lossy, testRIFF("EXIF", []byte("nonsense"))), "corrupt Exif", ErrCorrupt},
	} {
		tag, err := ReadBytes(c.img)
		switch {
		case c.warns == "":
			if !errors.Is(err, ErrCorrupt) {
				t.Errorf("%s: %v", c.what, err)
			}
		case err != nil:
			t.Errorf("%s: %v", c.what, err)
		case !slices.Contains(codes(tag), c.warns):
			t.Errorf("%s: %q", c.what, tag.Warnings)
		}
		if _, _, err := Rewrite(c.img, quay); !errors.Is(err, c.err) {
			t.Errorf("%s: correcting: %v", c.what, err)
		}
	}
}

// A signed manifest is noticed, and broken only with consent.
func TestRasterSigned(t *testing.T) {
	jumbf := []byte("\x00\x00\x00\x26jumb\x00\x00\x00\x1ejumdc2pa\x00\x11\x00\x10\x80\x00\x00\xaa\x00\x38\x9b\x71\x03c2pa\x00")
	for name, img := range map[string][]byte{
		"png":  plainPNG(t, testChunk("caBX", jumbf), nil),
		"webp": testWebP(realWebP(t, "blue-purple-pink.lossy.webp"), testRIFF("C2PA", jumbf)),
	} {
		if _, _, err := Rewrite(img, quay); !errors.Is(err, ErrSigned) {
			t.Errorf("%s: %v", name, err)
		}
		e := quay
		e.AllowSigned = true
		_, p, err := Rewrite(img, e)
		if err != nil || len(p.Notes) != 1 || !strings.Contains(p.Notes[0], "C2PA") {
			t.Errorf("%s: %v, %q", name, err, p.Notes)
		}
	}
}

// The camera's position stays and the point becomes the destination.
func TestRasterCamera(t *testing.T) {
	e := Edit{Meaning: CameraPosition, Lat: quay.Lat, Lon: quay.Lon}
	for name, img := range rasterVariants(t) {
		if !strings.Contains(name, "exif") {
			continue
		}
		out, _ := mustRewrite(t, img, e)
		before, after := mustRead(t, img), mustRead(t, out)
		if *before.Position != *after.Position || after.Destination == nil || math.Abs(after.Destination.Position.Lat-e.Lat) > millimetre {
			t.Errorf("%s: %v, %+v", name, after.Position, after.Destination)
		}
	}
}

// Any chain of corrections of any variant can be taken back step by step.
func TestRasterChains(t *testing.T) {
	images := rasterVariants(t)
	names := slices.Sorted(func(yield func(string) bool) {
		for name := range images {
			if !yield(name) {
				return
			}
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		img := images[rapid.SampledFrom(names).Draw(t, "image")]
		states := [][]byte{img}
		var patches []*Patch
		for range rapid.IntRange(1, 4).Draw(t, "corrections") {
			e := Edit{
				Lat: rapid.Float64Range(-90, 90).Draw(t, "lat"), Lon: rapid.Float64Range(-180, 180).Draw(t, "lon"),
				HPositioningError: rapid.Float64Range(0.001, 100).Draw(t, "error"),
				ProcessingMethod:  rapid.StringMatching(`[A-Z]{0,12}`).Draw(t, "method"),
			}
			out, p, err := Rewrite(states[len(states)-1], e)
			if err != nil {
				if errors.Is(err, ErrEdit) {
					return
				}
				t.Fatal(err)
			}
			states, patches = append(states, out), append(patches, p)
		}
		for i := len(patches) - 1; i >= 0; i-- {
			back, err := patches[i].Reverse().ApplyBytes(states[i+1])
			if err != nil || !bytes.Equal(back, states[i]) {
				t.Fatalf("step %d: %v", i, err)
			}
		}
	})
}

// Reading touches no image data: of a PNG of many chunks only their headers are
// read, and no more calls are made than one a chunk.
func TestRasterReadsLittle(t *testing.T) {
	const chunks, size = 400, 64 << 10
	img := slices.Clone(plainPNG(t, testChunk("eXIf", handheld(orders["II"], handheldGPS(orders["II"]))), bytes.Repeat(testChunk("IDAT", make([]byte, size)), chunks)))
	c := &counter{r: bytes.NewReader(img)}
	tag, err := Read(c, int64(len(img)))
	if err != nil || tag.Position == nil || len(tag.Warnings) > 0 {
		t.Fatal(tag, err)
	}
	if c.calls > chunks+2 || c.bytes > int64(len(img))/10 {
		t.Errorf("%d reads of %d bytes in all, of %d", c.calls, c.bytes, len(img))
	}
	// Nor does a bomb of empty chunks cost a read each.
	img = plainPNG(t, bytes.Repeat(testChunk("zzZz", nil), 100_000), nil)
	c = &counter{r: bytes.NewReader(img)}
	if _, err := Read(c, int64(len(img))); err != nil {
		t.Fatal(err)
	}
	if c.calls > len(img)/hop+2 {
		t.Errorf("%d reads for %d bytes", c.calls, len(img))
	}
}

var _ io.ReaderAt = (*counter)(nil)
