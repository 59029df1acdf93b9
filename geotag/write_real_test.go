package geotag

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	_ "image/jpeg"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	exif "github.com/dsoprea/go-exif/v3"
	exifcommon "github.com/dsoprea/go-exif/v3/common"

	"example.com/phototie/geotag/geotagtest"
)

// A place on the quay of the invented Port Velland, and one beside it.
var (
	quay  = Edit{Lat: 53.34171234567, Lon: -6.25039876543, HPositioningError: 0.014}
	quay2 = Edit{Lat: 53.34180000001, Lon: -6.25049999999, HPositioningError: 0.009, ProcessingMethod: "TOTAL STATION"}
)

// millimetre in degrees of latitude, rounded down.
const millimetre = 0.001 / 111_700

// wholes are the samples with an Exif block, each in a complete JPEG.
func wholes(tb testing.TB) []geotagtest.Sample {
	var all []geotagtest.Sample
	for _, s := range geotagtest.All(tb) {
		if s.Whole != nil {
			all = append(all, s)
		}
	}
	if len(all) < 57 {
		tb.Fatalf("%d Exif blocks, 57 are known", len(all))
	}
	return all
}

// The promise, on every real block: all bytes keep their place, every entry of
// every directory is the same at the same offset, the image decodes to the same
// pixels, and taking the change back gives the identical file.
func TestRewriteRealBlocks(t *testing.T) {
	makerNotes, thumbnails, written := 0, 0, 0
	for _, s := range wholes(t) {
		out, p, err := Rewrite(s.Whole, quay)
		if err != nil {
			t.Errorf("%s: refused: %v", s.Name, err)
			continue
		}
		written++
		for k := range inventory(t, s.Block) {
			switch k {
			case "Exif 927c 0":
				makerNotes++
			case "IFD1 thumbnail":
				thumbnails++
			}
		}
		for _, l := range blockLosses(t, s.Block, block(t, out), subjectTags) {
			t.Errorf("%s: %s", s.Name, l)
		}
		for _, l := range imageLosses(t, s.Whole, out) {
			t.Errorf("%s: %s", s.Name, l)
		}
		if lat, lon := position(t, block(t, out), 0x02); math.Abs(lat-quay.Lat) > millimetre || math.Abs(lon-quay.Lon) > millimetre {
			t.Errorf("%s: at %v, %v", s.Name, lat, lon)
		}
		if !bytes.Equal(unpatch(t, p, out), s.Whole) {
			t.Errorf("%s: the reverse patch does not give the old file", s.Name)
		}
		if a, b := pixels(t, s.Whole), pixels(t, out); !bytes.Equal(a, b) {
			t.Errorf("%s: the pixels differ", s.Name)
		}

		// The same again changes nothing.
		if _, again, err := Rewrite(out, quay); err != nil || !again.Empty() {
			t.Errorf("%s: the second run: %v, %v", s.Name, again, err)
		}
		// Another correction costs no more than its own longer text, however
		// often, and all that was there before the first is still there.
		size := len(out)
		for i, e := range []Edit{quay2, quay, quay2, quay} {
			if out, _, err = Rewrite(out, e); err != nil {
				t.Fatalf("%s: correction %d: %v", s.Name, i+2, err)
			}
			for _, l := range blockLosses(t, s.Block, block(t, out), subjectTags) {
				t.Errorf("%s: correction %d: %s", s.Name, i+2, l)
			}
		}
		if len(out) != size {
			t.Errorf("%s: repeated corrections made %d bytes of %d", s.Name, len(out), size)
		}
	}
	// DESIGN section 8 counted 37 maker's notes in 57 blocks.
	if makerNotes < 37 || thumbnails < 40 || written < 57 {
		t.Errorf("%d blocks written, with %d maker's notes and %d thumbnails", written, makerNotes, thumbnails)
	}
	t.Logf("%d blocks written, with %d maker's notes and %d thumbnails", written, makerNotes, thumbnails)
}

// The camera's own position stays, to the byte.
func TestRewriteRealCameraPosition(t *testing.T) {
	bearing, distance := 359.999999, 4.25
	e := Edit{Meaning: CameraPosition, Lat: 53.3417, Lon: -6.2504, Bearing: &bearing, Distance: &distance}
	written := 0
	for _, s := range wholes(t) {
		before, err := ReadBytes(s.Whole)
		if err != nil {
			t.Fatal(err)
		}
		out, p, err := Rewrite(s.Whole, e)
		if before.Position == nil {
			if !errors.Is(err, ErrEdit) {
				t.Errorf("%s has no position, yet: %v", s.Name, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", s.Name, err)
			continue
		}
		written++
		for _, l := range append(blockLosses(t, s.Block, block(t, out), cameraTags), imageLosses(t, s.Whole, out)...) {
			t.Errorf("%s: %s", s.Name, l)
		}
		after, err := ReadBytes(out)
		if err != nil {
			t.Fatal(err)
		}
		if *after.Position != *before.Position {
			t.Errorf("%s: the camera moved from %v to %v", s.Name, before.Position, after.Position)
		}
		d := after.Destination
		if d == nil || d.Position == nil || d.Bearing == nil || d.Distance == nil {
			t.Errorf("%s: destination %+v", s.Name, d)
			continue
		}
		if math.Abs(d.Position.Lat-e.Lat) > millimetre || math.Abs(d.Position.Lon-e.Lon) > millimetre {
			t.Errorf("%s: destination at %v", s.Name, d.Position)
		}
		// 359.999999 degrees rounds up to north.
		if d.Bearing.Degrees != 0 || d.Bearing.Magnetic || math.Abs(*d.Distance-distance) > 1e-9 {
			t.Errorf("%s: destination at %v, %v m", s.Name, d.Bearing, *d.Distance)
		}
		if !bytes.Equal(unpatch(t, p, out), s.Whole) {
			t.Errorf("%s: the reverse patch does not give the old file", s.Name)
		}
		if _, again, err := Rewrite(out, e); err != nil || !again.Empty() {
			t.Errorf("%s: the second run: %v, %v", s.Name, again, err)
		}
		// Without bearing and distance, those of the old destination go.
		bare := e
		bare.Bearing, bare.Distance = nil, nil
		if out, _, err = Rewrite(out, bare); err != nil {
			t.Fatal(err)
		}
		if after, err = ReadBytes(out); err != nil {
			t.Fatal(err)
		}
		if d := after.Destination; d == nil || d.Position == nil || d.Bearing != nil || d.Distance != nil {
			t.Errorf("%s: without bearing: %+v", s.Name, d)
		}
	}
	if written < 2 {
		t.Errorf("only %d samples have a position", written)
	}
}

// The checks above can fail: each damage is noticed.
func TestLossesAreNoticed(t *testing.T) {
	damaged := 0
	for _, s := range wholes(t) {
		out, _, err := Rewrite(s.Whole, quay)
		if err != nil {
			t.Fatal(err)
		}
		b := block(t, out)
		if losses := blockLosses(t, s.Block, b, subjectTags); len(losses) != 0 {
			t.Fatal(losses)
		}
		note, ok := inventory(t, s.Block)["Exif 927c 0"]
		if !ok || note.at == 0 {
			continue
		}
		damaged++
		var order binary.ByteOrder = binary.LittleEndian
		if b[0] == 'M' {
			order = binary.BigEndian
		}
		noticed := func(what string, bad []byte) {
			t.Helper()
			if len(blockLosses(t, s.Block, bad, subjectTags)) == 0 {
				t.Errorf("%s: not noticed: %s", s.Name, what)
			}
		}
		// The maker's note moved, its bytes the same: what rebuilding does.
		moved := append(bytes.Clone(b), note.value...)
		var tag, at [4]byte
		order.PutUint16(tag[:], 0x927C)
		order.PutUint32(at[:], note.at)
		entry := 0
		for !bytes.Equal(b[entry:entry+2], tag[:2]) || !bytes.Equal(b[entry+8:entry+12], at[:]) {
			entry++
		}
		order.PutUint32(moved[entry+8:], uint32(len(b)))
		noticed("a maker's note that moved", moved)
		flipped := bytes.Clone(b)
		flipped[note.at] ^= 1
		noticed("a bit of the maker's note", flipped)
		if thumb, ok := inventory(t, s.Block)["IFD1 thumbnail"]; ok {
			flipped := bytes.Clone(b)
			flipped[thumb.at+thumb.count-1] ^= 0x80
			noticed("a bit of the thumbnail", flipped)
		}
		pixel := bytes.Clone(out)
		pixel[len(pixel)-3] ^= 1
		if len(imageLosses(t, s.Whole, pixel)) == 0 {
			t.Errorf("%s: not noticed: a bit of the image data", s.Name)
		}
	}
	if damaged < 37 {
		t.Errorf("only %d maker's notes", damaged)
	}
	// A rebuild by a general library is caught too (DESIGN section 8).
	caught, rebuilt := 0, 0
	for _, s := range wholes(t) {
		b, err := rebuild(s.Block)
		if err != nil {
			continue
		}
		rebuilt++
		if len(blockLosses(t, s.Block, b, subjectTags)) != 0 {
			caught++
		}
	}
	if rebuilt == 0 || caught == 0 {
		t.Errorf("%d of %d rebuilt blocks noticed", caught, rebuilt)
	}
	t.Logf("go-exif's builder: %d of %d rebuilt blocks lose something", caught, rebuilt)
}

// rebuild decodes a block and encodes it anew with go-exif.
func rebuild(b []byte) (out []byte, err error) {
	defer func() { // its builder panics where it meets a tag it can't decode
		if r := recover(); r != nil {
			err = fmt.Errorf("panic: %v", r)
		}
	}()
	mapping, err := exifcommon.NewIfdMappingWithStandard()
	if err != nil {
		return nil, err
	}
	_, index, err := exif.Collect(mapping, exif.NewTagIndex(), b)
	if err != nil {
		return nil, err
	}
	return exif.NewIfdByteEncoder().EncodeToExif(exif.NewIfdBuilderFromExistingChain(index.RootIfd))
}

func unpatch(tb testing.TB, p *Patch, out []byte) []byte {
	tb.Helper()
	back, err := p.Reverse().ApplyBytes(out)
	if err != nil {
		tb.Fatal(err)
	}
	return back
}

func pixels(tb testing.TB, img []byte) []byte {
	tb.Helper()
	m, _, err := image.Decode(bytes.NewReader(img))
	if err != nil {
		tb.Fatal(err)
	}
	return m.(*image.YCbCr).Y
}

// writeAll writes each sample as it is and corrected, and returns the folder.
func writeAll(t *testing.T, all []geotagtest.Sample) string {
	dir := t.TempDir()
	for i, s := range all {
		out, _, err := Rewrite(s.Whole, quay)
		if err != nil {
			t.Fatalf("%s: %v", s.Name, err)
		}
		for name, b := range map[string][]byte{"old": s.Whole, "new": out} {
			if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%02d-%s.jpg", i, name)), b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	return dir
}

// exiv2, an independent reader, finds the position to the millimetre and every
// other tag as it was. Not compared: the GPS tags a correction writes or drops,
// and the pointer Exif.Image.GPSTag, whose value is an offset.
func TestExiv2ReadsRealBlocks(t *testing.T) {
	exiv2 := tool(t, "exiv2")
	all := wholes(t)
	dir := writeAll(t, all)
	may := map[string]bool{"Exif.Image.GPSTag": true}
	for _, tag := range subjectTags {
		may["Exif.GPSInfo."+gpsKey(tag)] = true
	}
	read := func(name string) map[string]string {
		cmd := exec.Command(exiv2, "-q", "-PExgkyv", filepath.Join(dir, name))
		out, _ := cmd.Output() // it also fails where it only warns
		keys := map[string]string{}
		for line := range strings.Lines(string(out)) {
			f := strings.Fields(line)
			if len(f) < 4 {
				continue
			}
			// Tag number, group, key, type and value. A key may stand twice.
			key := f[2]
			for keys[key] != "" {
				key += "+"
			}
			keys[key] = strings.Join(f, " ")
		}
		return keys
	}
	tags := 0
	for i, s := range all {
		old, now := read(fmt.Sprintf("%02d-old.jpg", i)), read(fmt.Sprintf("%02d-new.jpg", i))
		for k, v := range old {
			if !may[k] && now[k] != v {
				t.Errorf("%s: %s is %q, was %q", s.Name, k, now[k], v)
			}
			tags++
		}
		for k := range now {
			if _, ok := old[k]; !ok && !may[k] {
				t.Errorf("%s: %s is new", s.Name, k)
			}
		}
		for _, c := range []struct {
			key, ref string
			neg      string
			want     float64
		}{{"Latitude", "LatitudeRef", "S", quay.Lat}, {"Longitude", "LongitudeRef", "W", quay.Lon}} {
			f := strings.Fields(now["Exif.GPSInfo.GPS"+c.key])
			if len(f) != 7 {
				t.Errorf("%s: %s: %q", s.Name, c.key, f)
				continue
			}
			got := sexagesimal(t, f[4:])
			if strings.HasSuffix(now["Exif.GPSInfo.GPS"+c.ref], " "+c.neg) {
				got = -got
			}
			if math.Abs(got-c.want) > millimetre {
				t.Errorf("%s: %s is %v, not %v", s.Name, c.key, got, c.want)
			}
		}
	}
	if tags < 57*20 {
		t.Errorf("only %d tags were compared", tags)
	}
	t.Logf("%d tags compared", tags)
}

// libexif, another independent reader, the same; with the maker's notes it
// knows. ThumbnailSize is its word for the thumbnail's length.
func TestLibexifReadsRealBlocks(t *testing.T) {
	prog := tool(t, "exif")
	all := wholes(t)
	dir := writeAll(t, all)
	run := func(args ...string) string {
		// With --debug it goes on where a maker's note is not to its liking; tags
		// are the lines with a tab, and all else tells of offsets.
		args = append([]string{"--debug", "--machine-readable", "--no-fixup"}, args...)
		out, _ := exec.Command(prog, args...).Output() // it also fails where it only warns
		var tags strings.Builder
		for line := range strings.Lines(string(out)) {
			if strings.Contains(line, "\t") {
				tags.WriteString(line)
			}
		}
		return tags.String()
	}
	tags := 0
	for i, s := range all {
		old, now := filepath.Join(dir, fmt.Sprintf("%02d-old.jpg", i)), filepath.Join(dir, fmt.Sprintf("%02d-new.jpg", i))
		for _, args := range [][]string{
			{"--ifd=0"}, {"--ifd=1"}, {"--ifd=EXIF"}, {"--ifd=Interoperability"}, {"--show-mnote"},
		} {
			a, b := run(append(args, old)...), run(append(args, now)...)
			if a != b {
				t.Errorf("%s: exif %s:\n%s\nwas\n%s", s.Name, args[0], b, a)
			}
			tags += strings.Count(a, "\n")
		}
		gps := map[string]string{}
		for line := range strings.Lines(run("--ifd=GPS", now)) {
			k, v, _ := strings.Cut(strings.TrimSpace(line), "\t")
			gps[k] = v
		}
		if gps["North or South Latitude"] != "N" || gps["East or West Longitude"] != "W" {
			t.Errorf("%s: %v", s.Name, gps)
		}
		for k, want := range map[string]float64{"Latitude": quay.Lat, "Longitude": -quay.Lon} {
			f := strings.Split(gps[k], ",")
			if len(f) != 3 {
				t.Errorf("%s: %s: %q", s.Name, k, gps[k])
			} else if got := sexagesimal(t, f); math.Abs(got-want) > millimetre {
				t.Errorf("%s: %s is %v, not %v", s.Name, k, got, want)
			}
		}
	}
	if tags < 57*20 {
		t.Errorf("only %d tags were compared", tags)
	}
	t.Logf("%d tags compared", tags)
}

// sexagesimal reads degrees, minutes and seconds, each a decimal or a fraction.
func sexagesimal(tb testing.TB, f []string) float64 {
	tb.Helper()
	deg, unit := 0.0, 1.0
	for _, s := range f {
		n, d, frac := strings.Cut(strings.TrimSpace(s), "/")
		v, err := strconv.ParseFloat(n, 64)
		if err != nil {
			tb.Fatal(err)
		}
		if frac {
			den, err := strconv.ParseFloat(d, 64)
			if err != nil {
				tb.Fatal(err)
			}
			v /= den
		}
		deg += v / unit
		unit *= 60
	}
	return deg
}

// gpsKey is the standard's name of a GPS tag (Exif 2.32 table 15).
func gpsKey(tag uint16) string {
	return [...]string{
		"GPSVersionID", "GPSLatitudeRef", "GPSLatitude", "GPSLongitudeRef", "GPSLongitude",
		"GPSAltitudeRef", "GPSAltitude", "GPSTimeStamp", "GPSSatellites", "GPSStatus",
		"GPSMeasureMode", "GPSDOP", "GPSSpeedRef", "GPSSpeed", "GPSTrackRef", "GPSTrack",
		"GPSImgDirectionRef", "GPSImgDirection", "GPSMapDatum", "GPSDestLatitudeRef",
		"GPSDestLatitude", "GPSDestLongitudeRef", "GPSDestLongitude", "GPSDestBearingRef",
		"GPSDestBearing", "GPSDestDistanceRef", "GPSDestDistance", "GPSProcessingMethod",
		"GPSAreaInformation", "GPSDateStamp", "GPSDifferential", "GPSHPositioningError",
	}[tag]
}
