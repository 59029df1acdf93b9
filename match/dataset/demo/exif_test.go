package demo

import (
	"bytes"
	"encoding/binary"
	"image/jpeg"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rwcarlsen/goexif/exif"
)

// blockOf is the Exif block of a photo with a stand-in for the thumbnail, so
// that nothing need be drawn.
func blockOf(t testing.TB, p *Photo) []byte {
	t.Helper()
	return exifBlock(p.meta, fullWidth, fullHeight, []byte("\xff\xd8 not a picture \xff\xd9"))
}

// TestExifReadByAnother reads each block with a reader that is not the builder's:
// rwcarlsen/goexif.
func TestExifReadByAnother(t *testing.T) {
	for _, j := range []*Job{velland(t, 1), tallow(t, 1)} {
		for i := range j.Photos {
			p := &j.Photos[i]
			x, err := exif.Decode(bytes.NewReader(blockOf(t, p)))
			if err != nil {
				t.Fatalf("%s: %v", p.Name, err)
			}
			text := func(name exif.FieldName) string {
				tag, err := x.Get(name)
				if err != nil {
					return ""
				}
				s, err := tag.StringVal()
				if err != nil {
					t.Errorf("%s: %s: %v", p.Name, name, err)
				}
				return strings.TrimRight(s, "\x00")
			}
			for name, want := range map[exif.FieldName]string{
				exif.Make: "Quillfen Instruments", exif.Model: "Quillfen Marker 7", exif.Software: "Quillfen field 4.2.0",
				exif.DateTimeOriginal: p.Taken.Format("2006:01:02 15:04:05"),
				exif.ImageDescription: p.meta.description,
			} {
				if got := text(name); got != want {
					t.Errorf("%s: %s is %q, want %q", p.Name, name, got, want)
				}
			}
			for name, want := range map[exif.FieldName]int{exif.PixelXDimension: fullWidth, exif.PixelYDimension: fullHeight, exif.Orientation: 1} {
				tag, err := x.Get(name)
				if err != nil {
					t.Errorf("%s: %s: %v", p.Name, name, err)
					continue
				}
				if got, err := tag.Int(0); got != want || err != nil {
					t.Errorf("%s: %s is %d (%v), want %d", p.Name, name, got, err, want)
				}
			}
			if thumb, err := x.JpegThumbnail(); err != nil || !bytes.Contains(thumb, []byte("not a picture")) {
				t.Errorf("%s: thumbnail %q (%v)", p.Name, thumb, err)
			}
			lat, lon, err := x.LatLong()
			if p.Tag == nil {
				if err == nil {
					t.Errorf("%s has no tag and yet reads as %v, %v", p.Name, lat, lon)
				}
				continue
			}
			const half = 0.5 / 3600 / secondsScale * 1.0001
			if err != nil || math.Abs(lat-p.Tag.Lat) > half || math.Abs(lon-p.Tag.Lon) > half {
				t.Errorf("%s reads as %.9f, %.9f (%v), want %.9f, %.9f", p.Name, lat, lon, err, p.Tag.Lat, p.Tag.Lon)
			}
			if got := text(exif.GPSMapDatum); got != "WGS-84" {
				t.Errorf("%s: map datum %q", p.Name, got)
			}
		}
	}
}

// stored is one directory entry, read here by hand.
type stored struct {
	tag, typ uint16
	count    uint32
	at       int // of the value
	size     int
}

func entries(t testing.TB, b []byte, off int) (es []stored, next int) {
	t.Helper()
	n := int(binary.LittleEndian.Uint16(b[off:]))
	for i := range n {
		r := b[off+2+12*i:]
		e := stored{binary.LittleEndian.Uint16(r), binary.LittleEndian.Uint16(r[2:]), binary.LittleEndian.Uint32(r[4:]), off + 2 + 12*i + 8, 0}
		e.size = int(e.count) * map[uint16]int{1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8}[e.typ]
		if e.size > 4 {
			e.at = int(binary.LittleEndian.Uint32(r[8:]))
		}
		if e.at+e.size > len(b) {
			t.Fatalf("tag %#x at %d with %d bytes is outside the block of %d", e.tag, e.at, e.size, len(b))
		}
		es = append(es, e)
	}
	return es, int(binary.LittleEndian.Uint32(b[off+2+12*n:]))
}

// TestBlockLayout checks what the TIFF format (revision 6.0, section 2) and Exif
// (CIPA DC-008) ask of a block: ascending tags, values on word boundaries, one
// offset to the thumbnail; and that the offsets inside the maker's note lead to
// its own values.
func TestBlockLayout(t *testing.T) {
	for _, p := range velland(t, 2).Photos {
		b := blockOf(t, &p)
		if string(b[:4]) != "II*\x00" {
			t.Fatalf("header % x", b[:8])
		}
		var gps bool
		var note, thumb stored
		var walk func(off int) int
		walk = func(off int) int {
			if off%2 != 0 {
				t.Errorf("%s: directory at odd offset %d", p.Name, off)
			}
			es, next := entries(t, b, off)
			for i, e := range es {
				if i > 0 && es[i-1].tag >= e.tag {
					t.Errorf("%s: tag %#x follows %#x", p.Name, e.tag, es[i-1].tag)
				}
				if e.size > 4 && e.at%2 != 0 {
					t.Errorf("%s: value of tag %#x at odd offset %d", p.Name, e.tag, e.at)
				}
				switch e.tag {
				case 0x8769, 0x8825:
					gps = gps || e.tag == 0x8825
					if n := walk(int(binary.LittleEndian.Uint32(b[e.at:]))); n != 0 {
						t.Errorf("%s: a sub-directory is followed by one at %d", p.Name, n)
					}
				case tagMakerNote:
					note = e
				case tagThumbnailOffset:
					thumb = e
				}
			}
			return next
		}
		first := int(binary.LittleEndian.Uint32(b[4:]))
		if next := walk(first); next == 0 || walk(next) != 0 {
			t.Errorf("%s: the directories are not two in a chain", p.Name)
		}
		if gps != (p.meta.gps != nil) {
			t.Errorf("%s: GPS directory %v", p.Name, gps)
		}
		if thumb.count != 1 || !bytes.HasPrefix(b[binary.LittleEndian.Uint32(b[thumb.at:]):], []byte("\xff\xd8 not")) {
			t.Errorf("%s: the thumbnail is not where the block says", p.Name)
		}
		if !bytes.HasPrefix(b[note.at:], []byte(makerNoteMagic)) {
			t.Fatalf("%s: the maker's note is % x", p.Name, b[note.at:note.at+12])
		}
		es, _ := entries(t, b, note.at+len(makerNoteMagic))
		for _, e := range es {
			if e.size > 4 && (e.at < note.at || e.at+e.size > note.at+note.size) {
				t.Errorf("%s: entry %d of the maker's note leads out of it", p.Name, e.tag)
			}
		}
		if got := string(b[es[2].at : es[2].at+es[2].size]); got != "receiver QR-9 fw 2.11.7\x00" {
			t.Errorf("%s: the maker's note has %q", p.Name, got)
		}
	}
}

func TestSexagesimal(t *testing.T) {
	for _, tt := range []struct {
		deg  float64
		want [6]uint32
	}{
		{0, [6]uint32{0, 1, 0, 1, 0, 1000}},
		{-6.5, [6]uint32{6, 1, 30, 1, 0, 1000}},
		{59.999999999, [6]uint32{60, 1, 0, 1, 0, 1000}},
		{52.188326, [6]uint32{52, 1, 11, 1, 17974, 1000}}, // 0.188326 x 3600 = 677.9736 s = 11' 17.9736"
		{179.9999999, [6]uint32{180, 1, 0, 1, 0, 1000}},
	} {
		if got := [6]uint32(sexagesimal(tt.deg)); got != tt.want {
			t.Errorf("%v is %v, want %v", tt.deg, got, tt.want)
		}
	}
}

func TestWithExifRefuses(t *testing.T) {
	if _, err := withExif([]byte{0xff, 0xd8, 0xff, 0xd9}, make([]byte, 1<<16)); err == nil {
		t.Error("a block of 64 KiB was taken")
	}
	if _, err := withExif([]byte("GIF89a"), nil); err == nil {
		t.Error("a GIF was taken")
	}
}

// tool finds an external program, or skips the test where it may.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	return path
}

// TestReferenceReaders has exiv2 and libexif's exif read whole photos: one that
// is sound, one without a GPS directory, one with a void one.
func TestReferenceReaders(t *testing.T) {
	j := velland(t, 1)
	var pick []*Photo
	for i := range j.Photos {
		p := &j.Photos[i]
		if i == 0 || p.Tag == nil {
			pick = append(pick, p)
		}
	}
	dir := t.TempDir()
	var files []string
	for _, p := range pick {
		name := filepath.Join(dir, filepath.Base(p.Name))
		b := jpegOf(t, p)
		if _, err := jpeg.Decode(bytes.NewReader(b)); err != nil {
			t.Error(err)
		}
		if err := os.WriteFile(name, b, 0o666); err != nil {
			t.Fatal(err)
		}
		files = append(files, name)
	}
	t.Run("exiv2", func(t *testing.T) {
		bin := tool(t, "exiv2")
		for i, f := range files {
			var out, stderr bytes.Buffer
			cmd := exec.Command(bin, "-Pkv", f)
			cmd.Stdout, cmd.Stderr = &out, &stderr
			if err := cmd.Run(); err != nil || stderr.Len() > 0 {
				t.Errorf("%s: %v: %s", f, err, &stderr)
			}
			got := make(map[string]string)
			for line := range strings.Lines(out.String()) {
				if k, v, ok := strings.Cut(strings.TrimSpace(line), " "); ok {
					got[k] = strings.TrimSpace(v)
				}
			}
			want := map[string]string{
				"Exif.Image.Make":                 "Quillfen Instruments",
				"Exif.Photo.OffsetTimeOriginal":   "+01:00",
				"Exif.Thumbnail.Compression":      "6",
				"Exif.Photo.SubSecTimeOriginal":   pick[i].Taken.Format(".00")[1:],
				"Exif.Photo.BodySerialNumber":     pick[i].meta.serial,
				"Exif.GPSInfo.GPSLongitudeRef":    "",
				"Exif.GPSInfo.GPSMapDatum":        "",
				"Exif.GPSInfo.GPSDateStamp":       "",
				"Exif.GPSInfo.GPSImgDirectionRef": "",
			}
			if pick[i].Tag != nil {
				want["Exif.GPSInfo.GPSLongitudeRef"] = "W"
				want["Exif.GPSInfo.GPSMapDatum"] = "WGS-84"
				want["Exif.GPSInfo.GPSDateStamp"] = pick[i].Taken.UTC().Format("2006:01:02")
				want["Exif.GPSInfo.GPSImgDirectionRef"] = "T"
			}
			for k, v := range want {
				if got[k] != v {
					t.Errorf("%s: %s is %q, want %q", f, k, got[k], v)
				}
			}
		}
	})
	t.Run("libexif", func(t *testing.T) {
		bin := tool(t, "exif")
		for i, f := range files {
			out, err := exec.Command(bin, "-m", "--ifd=EXIF", "--tag=DateTimeOriginal", f).CombinedOutput()
			if got, want := strings.TrimSpace(string(out)), pick[i].Taken.Format("2006:01:02 15:04:05"); err != nil || got != want {
				t.Errorf("%s: %q (%v), want %q", f, got, err, want)
			}
			thumb := filepath.Join(dir, "thumb.jpg")
			if out, err := exec.Command(bin, "-e", "-o", thumb, f).CombinedOutput(); err != nil {
				t.Errorf("%s: %v: %s", f, err, out)
			}
			b, err := os.ReadFile(thumb)
			if err != nil {
				t.Fatal(err)
			}
			if c, err := jpeg.DecodeConfig(bytes.NewReader(b)); err != nil || c.Width != 160 || c.Height != 120 {
				t.Errorf("%s: thumbnail of %d x %d (%v)", f, c.Width, c.Height, err)
			}
		}
	})
}

func TestTimesInTheTag(t *testing.T) {
	for _, p := range velland(t, 1).Photos {
		if p.meta.gps == nil || p.meta.gps.fix == nil {
			continue
		}
		if late := p.Taken.Sub(p.meta.gps.fix.time); late < 0 || late >= time.Second {
			if late < time.Minute { // a frozen fix is minutes old
				t.Errorf("%s: fix %v before the photo", p.Name, late)
			}
		}
	}
}
