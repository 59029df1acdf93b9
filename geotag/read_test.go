package geotag

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	exif "github.com/dsoprea/go-exif/v3"
	exifcommon "github.com/dsoprea/go-exif/v3/common"
	goexif "github.com/rwcarlsen/goexif/exif"

	"example.com/phototie/geotag/geotagtest"
)

// counter counts what is read.
type counter struct {
	r     io.ReaderAt
	calls int
	bytes int64
}

func (c *counter) ReadAt(b []byte, off int64) (int, error) {
	n, err := c.r.ReadAt(b, off)
	c.calls++
	c.bytes += int64(n)
	return n, err
}

// withoutSize is a Tag without what a bare block can't say.
func withoutSize(t *Tag) Tag {
	c := *t
	c.Width, c.Height = 0, 0
	c.Warnings = slices.DeleteFunc(slices.Clone(c.Warnings), func(w Warning) bool { return w.Code == WarnTruncated })
	if len(c.Warnings) == 0 {
		c.Warnings = nil
	}
	return c
}

// The block in a whole JPEG says what the file it comes from says, from a file
// as from memory; and a whole photo costs one read.
func TestSamplesWhole(t *testing.T) {
	for _, s := range geotagtest.All(t) {
		c := &counter{r: bytes.NewReader(s.Whole)}
		whole, err := Read(c, int64(len(s.Whole)))
		if err != nil {
			t.Errorf("%s: %v", s.Name, err)
			continue
		}
		if c.calls != 1 || c.bytes > chunk {
			t.Errorf("%s: %d reads of %d bytes", s.Name, c.calls, c.bytes)
		}
		memory, err := ReadBytes(s.Whole)
		if err != nil || !reflect.DeepEqual(memory, whole) {
			t.Errorf("%s: from memory %+v, %v", s.Name, memory, err)
		}
		if whole.Width != 48 || whole.Height != 32 {
			t.Errorf("%s: %d x %d", s.Name, whole.Width, whole.Height)
		}
		if !bytes.HasPrefix(s.Raw, []byte{0xFF, 0xD8}) {
			continue
		}
		raw := mustRead(t, s.Raw)
		if a, b := withoutSize(raw), withoutSize(whole); !reflect.DeepEqual(a, b) {
			t.Errorf("%s: raw\n%+v\nwhole\n%+v", s.Name, a, b)
		}
	}
}

// What three of the photos say, by hand from the listing of exiv2 0.27.
func TestSamplesByHand(t *testing.T) {
	byName := map[string]*Tag{}
	for _, s := range geotagtest.All(t) {
		byName[s.Name] = mustRead(t, s.Whole)
	}
	tag := byName["has-lens-info.jpg"]
	// 59 19 57.17 N 18 03 53.79 E, 29 m, 18329/175 true.
	if p := tag.Position; p == nil || !near(p.Lat, 59.332547222, 1e-9) || !near(p.Lon, 18.064941667, 1e-9) || !near(p.Step, 0.01/3600, 1e-15) {
		t.Errorf("%+v", p)
	}
	if d := tag.Direction; d == nil || !near(d.Degrees, 104.737142857, 1e-9) || d.Magnetic {
		t.Errorf("%+v", d)
	}
	if a := tag.Altitude; a == nil || a.Metres != 29 || a.Ref != AltitudeAmbiguous {
		t.Errorf("%+v", a)
	}
	if tag.Model != "iPhone 4S" || tag.Orientation != 6 || tag.Taken == nil || tag.Taken.Time.Nanosecond() != 880e6 {
		t.Errorf("%+v", tag)
	}
	wantCodes(t, tag, "incomplete GPSDateStamp") // the tag is younger than the phone

	// Degrees as text, "52,00000,50,00000,34,01180".
	tag = byName["geodegrees_as_string.jpg"]
	if tag.Position != nil {
		t.Errorf("a position, %+v, of text", tag.Position)
	}
	wantCodes(t, tag, "wrong-type GPSLatitude", "wrong-type GPSLongitude", "wrong-type GPSProcessingMethod", "wrong-type GPSTimeStamp", "incomplete GPSDateStamp")

	// A phone without a fix: 0 0 0, 0 0 0.
	tag = byName["2011-05-07-13-02-49-sep-2011-05-07-13-02-49a.jpg"]
	if tag.Position != nil {
		t.Errorf("a position, %+v, of zeros", tag.Position)
	}
	wantCodes(t, tag, "null-island GPSLatitude")
	if tag.ProcessingMethod != "HYBRID-FIX" || tag.MapDatum != "WGS-84" {
		t.Errorf("%+v", tag)
	}
}

// Every file cut off at every hundredth byte gives what the whole file gives,
// with a warning, or an error; never something else.
func TestTruncated(t *testing.T) {
	for _, s := range geotagtest.All(t) {
		for _, img := range [][]byte{s.Raw, s.Whole} {
			full, fullErr := ReadBytes(img)
			read := 0
			for n := 0; n < len(img); n += 100 {
				for _, tag := range []struct {
					t   *Tag
					err error
				}{first(ReadBytes(img[:n])), first(Read(bytes.NewReader(img[:n]), int64(n))),
					// a file that has shrunk since it was listed
					first(Read(bytes.NewReader(img[:n]), int64(len(img))))} {
					if tag.err != nil {
						if !errors.Is(tag.err, ErrTruncated) && !(errors.Is(tag.err, ErrFormat) && (n < 3 || fullErr != nil)) {
							t.Fatalf("%s at %d: %v", s.Name, n, tag.err)
						}
						continue
					}
					read++
					if !hasCode(tag.t, WarnTruncated) && n < headerEnd(img) {
						t.Fatalf("%s at %d: no warning", s.Name, n)
					}
					if a, b := withoutSize(tag.t), withoutSize(full); !reflect.DeepEqual(a, b) && tag.t.XMPPosition == nil && full.XMPPosition == nil {
						t.Fatalf("%s at %d:\n%+v\n%+v", s.Name, n, a, b)
					}
				}
			}
			if &img[0] == &s.Whole[0] && read == 0 {
				t.Errorf("%s: nothing was read of any part, so nothing was tested", s.Name)
			}
		}
	}
}

func first(t *Tag, err error) struct {
	t   *Tag
	err error
} {
	return struct {
		t   *Tag
		err error
	}{t, err}
}

func hasCode(t *Tag, code WarningCode) bool {
	return slices.ContainsFunc(t.Warnings, func(w Warning) bool { return w.Code == code })
}

// headerEnd is where the image data of a sample begin.
func headerEnd(img []byte) int {
	segs, err := scanJPEG(newBytesSource(img))
	if err != nil {
		return len(img)
	}
	return int(segs[len(segs)-1].end())
}

func TestNotAnImage(t *testing.T) {
	for name, content := range map[string]string{
		"empty":        "",
		"text":         "photo,point\nIMG_0001.jpg,PV-017\n",
		"one byte":     "\xFF",
		"GIF":          "GIF89a\x01\x00\x01\x00",
		"not a marker": "\xFF\xD8hello",
		"bare Exif":    "Exif\x00\x00II*\x00\x08\x00\x00\x00",
	} {
		for _, f := range []func() (*Tag, error){
			func() (*Tag, error) { return ReadBytes([]byte(content)) },
			func() (*Tag, error) { return Read(strings.NewReader(content), int64(len(content))) },
		} {
			tag, err := f()
			if !errors.Is(err, ErrFormat) || tag != nil {
				t.Errorf("%s: %v, %v", name, tag, err)
			}
			if name == "empty" && (err == nil || !strings.Contains(err.Error(), "empty")) {
				t.Errorf("%v doesn't say that the file is empty", err)
			}
		}
	}
	if _, err := Read(strings.NewReader("x"), -1); !errors.Is(err, ErrTruncated) {
		t.Errorf("negative size: %v", err)
	}
}

var errDisk = errors.New("the disk says no")

type failing struct {
	r  io.ReaderAt
	at int64
}

func (f failing) ReadAt(b []byte, off int64) (int, error) {
	if off+int64(len(b)) > f.at {
		return 0, errDisk
	}
	return f.r.ReadAt(b, off)
}

// An error of the reader comes through, wherever it happens.
func TestReadError(t *testing.T) {
	img := geotagtest.Splice(big().bytes())
	for range 3 {
		img = geotagtest.Insert(img, markerAPP2, make([]byte, 60000))
	}
	for _, at := range []int64{0, chunk, chunk + hop, 130_000} {
		if tag, err := Read(failing{bytes.NewReader(img), at}, int64(len(img))); !errors.Is(err, errDisk) || tag != nil {
			t.Errorf("at %d: %v, %v", at, tag, err)
		}
	}
	if _, err := Read(failing{bytes.NewReader(img), math.MaxInt64}, int64(len(img))); err != nil {
		t.Error(err)
	}
}

// A header much longer than the first read: only what is needed is read of it.
func TestLongHeader(t *testing.T) {
	img := withXMP(little().position("N", []uint32{52, 1, 0, 1, 0, 1}, "E", []uint32{4, 1, 0, 1, 0, 1}).photo(), packet(description(`exif:GPSLatitude="52,0.0N" exif:GPSLongitude="4,0.0E"`, "")))
	for range 20 {
		img = geotagtest.Insert(img, markerAPP2, append([]byte("ICC_PROFILE\x00"), make([]byte, 65000)...))
	}
	img = append(img, make([]byte, 5_000_000)...) // a trailer
	c := &counter{r: bytes.NewReader(img)}
	tag, err := Read(c, int64(len(img)))
	if err != nil {
		t.Fatal(err)
	}
	if tag.Position == nil || tag.XMPPosition == nil || tag.Width != 48 {
		t.Errorf("%+v", tag)
	}
	wantCodes(t, tag)
	// The first chunk, a hop for each further segment, and the Exif and the XMP
	// segment once more where the hop before doesn't hold them.
	if limit := int64(chunk + 24*hop); c.bytes > limit {
		t.Errorf("%d bytes in %d reads, more than %d", c.bytes, c.calls, limit)
	}
}

// The files that the samples' module keeps as damaged: a loop of directories,
// counts of 2^32-1 and a value far larger than the file.
func TestCorrupt(t *testing.T) {
	for _, s := range geotagtest.Corrupt(t) {
		tag := mustRead(t, s.Raw)
		if !hasCode(tag, WarnCorrupt) {
			t.Errorf("%s: %v", s.Name, tag.Warnings)
		}
		if tag.Position != nil && (!near(tag.Position.Lat, 38.88326388888889, 1e-12) || !near(tag.Position.Lon, -104.87143333333333, 1e-12)) {
			t.Errorf("%s: %+v", s.Name, tag.Position)
		}
	}
}

// Segments in other places and numbers than usual.
func TestSegments(t *testing.T) {
	here := func(deg uint32) []byte {
		return append([]byte(exifSignature+"\x00"), little().position("N", []uint32{deg, 1, 0, 1, 0, 1}, "E", []uint32{4, 1, 0, 1, 0, 1}).bytes()...)
	}
	plain := geotagtest.Plain()
	insert := geotagtest.Insert
	for _, c := range []struct {
		name string
		img  []byte
		want float64 // latitude, 0 for none
		warn []string
		err  error
	}{
		{name: "no metadata", img: plain},
		{name: "Exif first", img: insert(plain, markerAPP1, here(52)), want: 52},
		{name: "Exif after JFIF", img: insert(insert(plain, markerAPP1, here(52)), markerAPP0, []byte("JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00")), want: 52},
		{name: "another APP1 first", img: insert(insert(plain, markerAPP1, here(52)), markerAPP1, []byte("whatever")), want: 52},
		{name: "empty segment first", img: insert(insert(plain, markerAPP1, here(52)), markerAPP1, nil), want: 52},
		{name: "pad byte not zero", img: insert(plain, markerAPP1, append([]byte("Exif\x00\xFF"), here(52)[6:]...)), want: 52},
		{name: "two", img: insert(insert(plain, markerAPP1, here(53)), markerAPP1, here(52)), want: 52, warn: []string{"duplicate Exif"}},
		{name: "two packets", img: withXMP(withXMP(plain, packet(description(`exif:GPSLatitude="1,2.0N" exif:GPSLongitude="3,4.0E"`, ""))), packet(description(`exif:GPSLatitude="52,0.0N" exif:GPSLongitude="4,0.0E"`, ""))),
			want: 52, warn: []string{"duplicate XMP"}},
		{name: "fill bytes", img: slices.Concat(plain[:2], []byte{0xFF, 0xFF, 0xFF}, insert(plain, markerAPP1, here(52))[2:]), want: 52},
		{name: "stray bytes", img: slices.Concat(plain[:2], []byte("\xFF\x00abc"), insert(plain, markerAPP1, here(52))[2:]), want: 52, warn: []string{"corrupt JPEG"}},
		{name: "standalone marker", img: slices.Concat(plain[:2], []byte{0xFF, markerTEM}, insert(plain, markerAPP1, here(52))[2:]), want: 52},
		{name: "no more than a start", img: plain[:2], err: ErrTruncated},
		{name: "start and end", img: []byte{0xFF, markerSOI, 0xFF, markerEOI}},
		{name: "a length of 1", img: []byte{0xFF, markerSOI, 0xFF, markerAPP1, 0, 1, 0, 0}, err: ErrCorrupt},
		{name: "a length of 1 after Exif", img: slices.Concat(insert(plain, markerAPP1, here(52))[:6+len(here(52))], []byte{0xFF, markerAPP2, 0, 1, 0, 0}), want: 52, warn: []string{"truncated JPEG"}},
		{name: "a cut off packet after Exif", img: slices.Concat(insert(plain, markerAPP1, here(52))[:6+len(here(52))], []byte{0xFF, markerAPP1, 0x10, 0x00}, []byte(xmpSignature+"<x:xmpmeta and no more")), want: 52, warn: []string{"truncated JPEG"}},
		{name: "nothing but fill bytes", img: append([]byte{0xFF, markerSOI}, bytes.Repeat([]byte{0xFF}, 3*maxStray)...), err: ErrCorrupt},
		{name: "rubbish", img: append([]byte{0xFF, markerSOI, 0xFF}, make([]byte, 3*maxStray)...), err: ErrCorrupt},
		{name: "a thousand segments", img: slices.Concat(plain[:2], bytes.Repeat([]byte{0xFF, markerAPP2, 0, 2}, 1000), insert(plain, markerAPP1, here(52))[2:]), want: 52},
		{name: "too many segments", img: append([]byte{0xFF, markerSOI}, bytes.Repeat([]byte{0xFF, markerAPP2, 0, 2}, 10000)...), err: ErrCorrupt},
	} {
		t.Run(c.name, func(t *testing.T) {
			tag, err := Read(bytes.NewReader(c.img), int64(len(c.img)))
			if c.err != nil {
				if !errors.Is(err, c.err) || tag != nil {
					t.Errorf("%v, %v; want %v", tag, err, c.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			wantCodes(t, tag, c.warn...)
			if (tag.Position != nil) != (c.want != 0) || c.want != 0 && tag.Position.Lat != c.want {
				t.Errorf("%+v, want %v", tag.Position, c.want)
			}
		})
	}
}

// Where the frame header isn't reached, or states no lines, what Exif says of
// the size stands in.
func TestPixelSize(t *testing.T) {
	b := little()
	b.exif = []field{{tag: 0xA002, typ: 3, value: b.short(4000)}, {tag: 0xA003, typ: 3, value: b.short(3000)}}
	img := b.photo()
	cut := img[:2+4+6+len(b.bytes())]
	if tag := mustRead(t, cut); tag.Width != 4000 || tag.Height != 3000 {
		t.Errorf("%d x %d", tag.Width, tag.Height)
	}
	if tag := mustRead(t, img); tag.Width != 48 || tag.Height != 32 {
		t.Errorf("%d x %d", tag.Width, tag.Height)
	}
	segs, err := scanJPEG(newBytesSource(img))
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(segs, func(s segment) bool { return s.isSOF() })
	img[segs[i].data+1], img[segs[i].data+2] = 0, 0 // lines, stated later
	if tag := mustRead(t, img); tag.Width != 4000 || tag.Height != 3000 {
		t.Errorf("%d x %d", tag.Width, tag.Height)
	}
}

// The Tag as JSON, and back.
func TestTagJSON(t *testing.T) {
	for _, s := range geotagtest.All(t) {
		tag := mustRead(t, s.Whole)
		b, err := json.Marshal(tag)
		if err != nil {
			t.Fatal(err)
		}
		var back Tag
		if err := json.Unmarshal(b, &back); err != nil {
			t.Fatal(err)
		}
		c, err := json.Marshal(&back)
		if err != nil || !bytes.Equal(b, c) {
			t.Errorf("%s:\n%s\n%s %v", s.Name, b, c, err)
		}
	}
	for r := AltitudeUnstated; r <= AltitudeSeaLevel; r++ {
		b, err := r.MarshalText()
		var back AltitudeRef
		if err != nil || back.UnmarshalText(b) != nil || back != r || r.String() != string(b) {
			t.Errorf("%d: %s %v %v", int(r), b, back, err)
		}
	}
	if _, err := AltitudeRef(9).MarshalText(); err == nil {
		t.Error("an unknown reference was written")
	}
	if err := new(AltitudeRef).UnmarshalText([]byte("roof")); err == nil {
		t.Error("an unknown reference was read")
	}
}

// go-exif, a full reader by others, must agree on all samples that it can read.
func TestAgainstGoExif(t *testing.T) {
	im, err := exifcommon.NewIfdMappingWithStandard()
	if err != nil {
		t.Fatal(err)
	}
	compared, positions := 0, 0
	for _, s := range geotagtest.All(t) {
		_, index, err := exif.Collect(im, exif.NewTagIndex(), s.Block)
		if err != nil {
			continue
		}
		compared++
		tag := mustRead(t, s.Whole)
		text := func(dir *exif.Ifd, name string) string {
			if dir == nil {
				return ""
			}
			r, err := dir.FindTagWithName(name)
			if err != nil || len(r) == 0 {
				return ""
			}
			v, err := r[0].Value()
			if err != nil {
				return ""
			}
			switch v := v.(type) {
			case string:
				v, _, _ = strings.Cut(v, "\x00")
				return strings.TrimRight(v, " ")
			case []uint16:
				return fmt.Sprint(v[0])
			}
			t.Fatalf("%s: %s is a %T", s.Name, name, v)
			return ""
		}
		root := index.RootIfd
		sub, _ := root.ChildWithIfdPath(exifcommon.IfdExifStandardIfdIdentity)
		taken := ""
		if tag.Taken != nil {
			taken = tag.Taken.Time.Format("2006:01:02 15:04:05")
		}
		orientation := ""
		if tag.Orientation != 0 {
			orientation = fmt.Sprint(tag.Orientation)
		}
		for _, c := range []struct{ name, got, want string }{
			{"Make", tag.Make, text(root, "Make")},
			{"Model", tag.Model, text(root, "Model")},
			{"Software", tag.Software, text(root, "Software")},
			{"Orientation", orientation, text(root, "Orientation")},
			{"ImageDescription", tag.Texts.ImageDescription, text(root, "ImageDescription")},
			{"DateTimeOriginal", taken, text(sub, "DateTimeOriginal")},
			{"BodySerialNumber", tag.Serial, text(sub, "BodySerialNumber")},
		} {
			if c.got != c.want {
				t.Errorf("%s: %s %q, go-exif %q", s.Name, c.name, c.got, c.want)
			}
		}
		dir, err := root.ChildWithIfdPath(exifcommon.IfdGpsInfoStandardIfdIdentity)
		if err != nil {
			if tag.Position != nil {
				t.Errorf("%s: a position, go-exif knows no GPS directory", s.Name)
			}
			continue
		}
		lat, okLat := degrees(dir, "GPSLatitude")
		lon, okLon := degrees(dir, "GPSLongitude")
		switch {
		case !okLat || !okLon:
			if tag.Position != nil {
				t.Errorf("%s: %+v, go-exif none", s.Name, tag.Position)
			}
		case lat == 0 && lon == 0:
			if tag.Position != nil || !hasCode(tag, WarnNullIsland) {
				t.Errorf("%s: %v", s.Name, tag.Position)
			}
		case tag.Position == nil || !near(tag.Position.Lat, lat, 1e-9) || !near(tag.Position.Lon, lon, 1e-9):
			t.Errorf("%s: %+v, go-exif %v %v", s.Name, tag.Position, lat, lon)
		default:
			positions++
		}
		// Its own interpretation wants more of the directory than a position.
		if info, err := dir.GpsInfo(); err == nil && tag.GPSTime != nil && !info.Timestamp.IsZero() && !tag.GPSTime.Equal(info.Timestamp) {
			t.Errorf("%s: GPS time %v, go-exif %v", s.Name, tag.GPSTime, info.Timestamp)
		}
	}
	// go-exif 3.0.1 fails on 2 of the 58, and 2 have a position.
	if compared < 56 || positions < 2 {
		t.Errorf("%d blocks and %d positions compared", compared, positions)
	}
}

// degrees is a coordinate as go-exif decodes its rationals and its reference.
func degrees(dir *exif.Ifd, name string) (float64, bool) {
	value := func(name string) any {
		r, err := dir.FindTagWithName(name)
		if err != nil {
			return nil
		}
		v, err := r[0].Value()
		if err != nil {
			return nil
		}
		return v
	}
	v, _ := value(name).([]exifcommon.Rational)
	ref, _ := value(name + "Ref").(string)
	if len(v) != 3 || ref == "" {
		return 0, false
	}
	d := float64(v[0].Numerator)/float64(v[0].Denominator) + float64(v[1].Numerator)/float64(v[1].Denominator)/60 +
		float64(v[2].Numerator)/float64(v[2].Denominator)/3600
	if ref[0] == 'S' || ref[0] == 'W' {
		d = -d
	}
	return d, true
}

// The samples' own module, a third reader.
func TestAgainstGoexif(t *testing.T) {
	positions, times := 0, 0
	for _, s := range geotagtest.All(t) {
		x, err := goexif.Decode(bytes.NewReader(s.Whole))
		if err != nil {
			continue
		}
		tag := mustRead(t, s.Whole)
		if lat, lon, err := x.LatLong(); err == nil && tag.Position != nil {
			positions++
			if !near(tag.Position.Lat, lat, 1e-9) || !near(tag.Position.Lon, lon, 1e-9) {
				t.Errorf("%s: %+v, goexif %v %v", s.Name, tag.Position, lat, lon)
			}
		}
		if when, err := x.Get(goexif.DateTimeOriginal); err == nil && tag.Taken != nil {
			times++
			if v, _ := when.StringVal(); v != tag.Taken.Time.Format("2006:01:02 15:04:05") {
				t.Errorf("%s: %v, goexif %s", s.Name, tag.Taken.Time, v)
			}
		}
	}
	if positions != 2 || times < 40 {
		t.Errorf("%d positions and %d times compared", positions, times)
	}
}

// exiv2, a C++ reader, on the whole photos.
func TestAgainstExiv2(t *testing.T) {
	bin := tool(t, "exiv2")
	dir := t.TempDir()
	args := []string{"-q", "-PEkv"}
	all := geotagtest.All(t)
	for _, s := range all {
		f := filepath.Join(dir, s.Name)
		if err := os.WriteFile(f, s.Whole, 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, f)
	}
	// It exits with an error where one of the files has none of what is asked
	// for; what it printed counts.
	out, _ := exec.Command(bin, args...).Output()
	said := map[string]map[string]string{}
	for line := range strings.Lines(string(out)) {
		file, rest, ok := strings.Cut(strings.TrimRight(line, "\n"), " ")
		if !ok || !strings.HasPrefix(file, dir) {
			continue // a value with a line break in it
		}
		key, value, _ := strings.Cut(strings.TrimLeft(rest, " "), " ")
		name := filepath.Base(file)
		if said[name] == nil {
			said[name] = map[string]string{}
		}
		if _, twice := said[name][key]; !twice {
			said[name][key] = strings.TrimRight(strings.TrimLeft(value, " "), " \x00")
		}
	}
	if len(said) < 55 {
		t.Fatalf("exiv2 listed %d of %d photos", len(said), len(all))
	}
	checked := map[string]int{}
	for _, s := range all {
		x := said[s.Name]
		if x == nil {
			continue
		}
		tag := mustRead(t, s.Whole)
		taken, orientation := "", ""
		if tag.Taken != nil {
			taken = tag.Taken.Time.Format("2006:01:02 15:04:05")
		}
		if tag.Orientation != 0 {
			orientation = fmt.Sprint(tag.Orientation)
		}
		for key, got := range map[string]string{
			"Exif.Image.Make": tag.Make, "Exif.Image.Model": tag.Model, "Exif.Image.Software": tag.Software,
			"Exif.Image.Orientation": orientation, "Exif.Image.ImageDescription": tag.Texts.ImageDescription,
			"Exif.Photo.DateTimeOriginal": taken, "Exif.Photo.BodySerialNumber": tag.Serial,
			"Exif.GPSInfo.GPSMapDatum": tag.MapDatum,
		} {
			if want := x[key]; strings.TrimSpace(got) != strings.TrimSpace(want) {
				t.Errorf("%s: %s %q, exiv2 %q", s.Name, key, got, want)
			} else if want != "" {
				checked[key]++
			}
		}
		if tag.Position == nil {
			continue
		}
		for key, got := range map[string]float64{"GPSLatitude": tag.Position.Lat, "GPSLongitude": tag.Position.Lon} {
			var n [6]float64
			if _, err := fmt.Sscanf(x["Exif.GPSInfo."+key], "%g/%g %g/%g %g/%g", &n[0], &n[1], &n[2], &n[3], &n[4], &n[5]); err != nil {
				t.Errorf("%s: exiv2 says %q: %v", s.Name, x["Exif.GPSInfo."+key], err)
				continue
			}
			want := n[0]/n[1] + n[2]/n[3]/60 + n[4]/n[5]/3600
			if r := x["Exif.GPSInfo."+key+"Ref"]; r == "S" || r == "W" {
				want = -want
			}
			if !near(got, want, 1e-9) {
				t.Errorf("%s: %s %v, exiv2 %v", s.Name, key, got, want)
			}
			checked[key]++
		}
	}
	for key, least := range map[string]int{"Exif.Image.Make": 45, "Exif.Photo.DateTimeOriginal": 45, "GPSLatitude": 2, "GPSLongitude": 2, "Exif.Photo.BodySerialNumber": 1} {
		if checked[key] < least {
			t.Errorf("%s: compared %d times, want %d at least", key, checked[key], least)
		}
	}
}

// The names are the standard's (CIPA DC-008, from memory).
func TestExifName(t *testing.T) {
	for _, c := range []struct {
		dir  string
		id   uint16
		want string
	}{
		{"IFD0", 0x010F, "Make"}, {"IFD1", 0x0201, "JPEGInterchangeFormat"}, {"Exif", 0x9003, "DateTimeOriginal"}, {"Exif", 0x927C, "MakerNote"},
		{"GPS", 2, "GPSLatitude"}, {"GPS", 31, "GPSHPositioningError"}, {"Interop", 1, "InteroperabilityIndex"},
		{"GPS", 32, "0x0020"}, {"Exif", 0xFFFF, "0xFFFF"}, {"nowhere", 1, "0x0001"},
	} {
		if got := exifName(c.dir, c.id); got != c.want {
			t.Errorf("%s %d: %q, want %q", c.dir, c.id, got, c.want)
		}
	}
	// Our own table of the GPS directory against the dictionary's.
	ti, err := dictionary()
	if err != nil {
		t.Fatal(err)
	}
	for id, name := range gpsNames {
		if it, err := ti.Get(exifcommon.IfdGpsInfoStandardIfdIdentity, uint16(id)); err == nil && it.Name != name {
			t.Errorf("%d: %q, dictionary %q", id, name, it.Name)
		}
	}
}

// TestOtherFormats: a file in a format that is not read is called by its name, and
// what is none at all by its first bytes.
func TestOtherFormats(t *testing.T) {
	for start, want := range map[string]string{
		"GIF89a\x01\x00\x01\x00":                   "a GIF image",
		"\x00\x00\x00\x20ftypisom\x00\x00\x02\x00": "a film",
		"\x00\x00\x00\x0CjP  \r\n\x87\n":           "a JPEG 2000 image",
		"\xFF\x0A\xFA\x7F":                         "a JPEG XL image",
		"%PDF-1.7":                                 "a PDF document",
		"\n<!DOCTYPE html><html>":                  "a web page",
		"PK\x03\x04":                               "a ZIP archive",
		strings.Repeat("\x00", 40):                 "nothing but zeros",
		"Dear diary":                               "44 65 61 72",
	} {
		_, err := ReadBytes([]byte(start))
		if !errors.Is(err, ErrFormat) || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", start, err)
		}
		if _, _, err := Rewrite([]byte(start), quay); !errors.Is(err, ErrFormat) || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", start, err)
		}
	}
}

// TestMakerFormats: of a CR3 or RAF file it is known what it is and no more, so that
// its side-car can be created.
func TestMakerFormats(t *testing.T) {
	for _, head := range []string{"\x00\x00\x00\x18ftypcrx \x00\x00\x00\x01", "FUJIFILMCCD-RAW 0201FF389501"} {
		tag, err := ReadBytes([]byte(head))
		if err != nil || tag.Container != "raw" || tag.Position != nil || len(tag.Warnings) != 1 || tag.Warnings[0].Code != WarnUnread {
			t.Errorf("%q: %+v, %v", head, tag, err)
			continue
		}
		if _, _, err := Rewrite([]byte(head), quay); !errors.Is(err, ErrRaw) {
			t.Errorf("%q: %v", head, err)
		}
		side := &Tag{Container: "xmp", Position: &Position{Lat: 52, Lon: -6}}
		if both := tag.WithSidecar(side); both.Container != "raw" || *both.Position != *side.Position || len(both.Warnings) != 0 {
			t.Errorf("%q with a side-car: %+v", head, both)
		}
	}
}
