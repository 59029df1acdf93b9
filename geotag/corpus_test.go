package geotag

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"text/tabwriter"

	"golang.org/x/sync/errgroup"

	"example.com/phototie/geotag/internal/ifd"
)

// The corpus: the test data of general image and metadata libraries, as Debian source
// packages and as Go modules that the tests need anyway.
var (
	corpusPackages = []string{"exiv2", "pillow", "libexif", "libheif", "libavif", "tiff", "libwebp", "vips", "gdk-pixbuf"}
	corpusModules  = []string{"github.com/rwcarlsen/goexif", "github.com/bep/imagemeta", "github.com/dsoprea/go-exif/v3", "golang.org/x/image"}
)

// corpusLeast is how many files, no two the same, there are to be at least.
const corpusLeast = 1000

// debianSources fetches source packages with apt-get, whose own configuration stays as
// it is, and unpacks them. Where that is not possible the test is skipped, or fails
// where PHOTOTIE_REQUIRE_TOOLS is set.
func debianSources(t *testing.T, packages []string) string {
	t.Helper()
	apt, tar := tool(t, "apt-get"), tool(t, "tar")
	dir := t.TempDir()
	for _, d := range []string{"parts", "lists/partial", "cache/archives/partial", "files"} {
		if err := os.MkdirAll(filepath.Join(dir, filepath.FromSlash(d)), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	lists, _ := filepath.Glob("/etc/apt/sources.list.d/*") // the pattern is sound
	binary := regexp.MustCompile(`(?m)^(Types:\s*)?deb\b`)
	for _, list := range append(lists, "/etc/apt/sources.list") {
		if text, err := os.ReadFile(list); err == nil {
			text = binary.ReplaceAll(text, []byte("${1}deb-src"))
			if err := os.WriteFile(filepath.Join(dir, "parts", filepath.Base(list)), text, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	run := func(args ...string) error {
		args = append([]string{"-q", "-o", "Dir::Etc::sourcelist=/dev/null", "-o", "Dir::Etc::sourceparts=" + filepath.Join(dir, "parts"),
			"-o", "Dir::State::lists=" + filepath.Join(dir, "lists"), "-o", "Dir::Cache=" + filepath.Join(dir, "cache")}, args...)
		cmd := exec.CommandContext(t.Context(), apt, args...)
		cmd.Dir = filepath.Join(dir, "files")
		if out, err := cmd.CombinedOutput(); err != nil {
			return fmt.Errorf("%w: %s", err, out)
		}
		return nil
	}
	_ = run("update") // a list that has no sources fails; what matters is the next step
	got := 0
	for _, p := range packages {
		if err := run("source", "--download-only", p); err != nil {
			t.Logf("source package %s: %v", p, err)
			continue
		}
		got++
	}
	if got == 0 {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal("no source package can be had")
		}
		t.Skip("no source package can be had")
	}
	archives, _ := filepath.Glob(filepath.Join(dir, "files", "*.orig*.tar.*"))
	for _, a := range archives {
		if strings.HasSuffix(a, ".asc") {
			continue
		}
		if out, err := exec.CommandContext(t.Context(), tar, "xf", a, "-C", filepath.Join(dir, "files")).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	return filepath.Join(dir, "files")
}

// corpus lists the image files below folders, each content once, by path.
func corpus(t *testing.T, dirs []string) (all []string) {
	t.Helper()
	seen := map[[sha256.Size]byte]bool{}
	for _, dir := range dirs {
		err := filepath.WalkDir(dir, func(file string, d fs.DirEntry, err error) error {
			if err != nil || !d.Type().IsRegular() || !slices.Contains(Extensions(), strings.ToLower(filepath.Ext(file))) {
				return err
			}
			b, err := os.ReadFile(file)
			if sum := sha256.Sum256(b); err == nil && !seen[sum] {
				seen[sum] = true
				all = append(all, file)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return all
}

// makerNote is the maker's note of an image and its offset in the Exif block, or in the
// file where that is a TIFF structure; nil where there is none that can be found.
func makerNote(img []byte) (at int, note []byte) {
	block := img
	src := newBytesSource(img)
	if c, err := sniff(src); err != nil {
		return 0, nil
	} else if c.find != nil {
		if block, err = c.exif(src); err != nil || block == nil {
			return 0, nil
		}
	}
	b, err := ifd.Parse(block)
	if err != nil {
		return 0, nil
	}
	first, err := b.Dir(b.First)
	if err != nil {
		return 0, nil
	}
	p := first.Find(pointerExif)
	if p == nil {
		return 0, nil
	}
	off, _ := b.Uint(p, 0)
	d, err := b.Dir(off)
	if err != nil {
		return 0, nil
	}
	if e := d.Find(0x927C); e != nil && e.Sound && e.ValueLen > 4 {
		return e.ValuePos, bytes.Clone(b.Value(e))
	}
	return 0, nil
}

// judged are the tags that exiv2, or libexif's program, sees in a file, by their names.
// What a correction is to change is left out.
func judged(t *testing.T, exiv2, exif, file string) map[string]string {
	keys := map[string]string{}
	add := func(key, value string) {
		for keys[key] != "" {
			key += "+"
		}
		keys[key] = value
	}
	out, _ := exec.CommandContext(t.Context(), exiv2, "-q", "-PEIXxgkyv", file).Output() // it also fails where it only warns
	for line := range strings.Lines(string(out)) {
		f := strings.Fields(line)
		if len(f) < 4 || strings.HasPrefix(f[2], "Exif.GPSInfo.") || strings.HasPrefix(f[2], "Xmp.exif.GPS") || f[2] == "Exif.Image.GPSTag" || f[2] == "Exif.Image.XMLPacket" {
			continue
		}
		add(f[2], strings.Join(f, " "))
	}
	for _, args := range [][]string{{"--ifd=0"}, {"--ifd=1"}, {"--ifd=EXIF"}, {"--ifd=Interoperability"}, {"--show-mnote"}} {
		out, _ := exec.CommandContext(t.Context(), exif, append(args, "--debug", "--machine-readable", "--no-fixup", file)...).Output()
		for line := range strings.Lines(string(out)) {
			if name, value, ok := strings.Cut(line, "\t"); ok {
				add("libexif "+args[0]+" "+name, value)
			}
		}
	}
	return keys
}

// tally counts what became of the files of one format.
type tally struct {
	files, written   int
	refused          map[string]int
	tags             int // that other readers saw before and after
	notes, notesKept int
	exiv2Written     int
	exiv2Kept        int // of notes of the files that both wrote
	exiv2Notes       int
}

// TestCorpus corrects more than a thousand files that libraries test themselves with.
// Each is written or refused with one of the errors documented; what is written reads
// back, goes back to identical bytes, and has every other tag that exiv2 and libexif saw
// in it before; no maker's note moves. It prints, for each format, what was written,
// what was refused and why, and how many makers' notes are in their place with their
// bytes: ours, and those of exiv2 writing the same position.
//
// It fetches some 100 MB, and runs with PHOTOTIE_FULL=1 only; -v shows the table.
func TestCorpus(t *testing.T) {
	if os.Getenv("PHOTOTIE_FULL") == "" {
		t.Skip("set PHOTOTIE_FULL=1 for a thousand files of other libraries' test data")
	}
	exiv2, exif := tool(t, "exiv2"), tool(t, "exif")
	dirs := []string{debianSources(t, corpusPackages)}
	for _, m := range corpusModules {
		out, err := exec.CommandContext(t.Context(), "go", "list", "-m", "-f", "{{.Dir}}", m).Output()
		if err != nil || len(bytes.TrimSpace(out)) == 0 {
			t.Fatalf("module %s: %q, %v", m, out, err)
		}
		dirs = append(dirs, string(bytes.TrimSpace(out)))
	}
	all := corpus(t, dirs)
	if len(all) < corpusLeast {
		t.Errorf("%d files, at least %d are wanted", len(all), corpusLeast)
	}
	tallies := map[string]*tally{}
	for _, file := range all {
		format := strings.ToLower(filepath.Ext(file))
		format = cmp.Or(map[string]string{".jpeg": ".jpg", ".tif": ".tiff", ".apng": ".png", ".jpe": ".jpg"}[format], format)
		if tallies[format] == nil {
			tallies[format] = &tally{refused: map[string]int{}}
		}
		correctOfCorpus(t, exiv2, exif, file, tallies[format])
	}
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "format\tfiles\twritten\ttags seen again\tmakers' notes kept\texiv2 wrote\tnotes kept\trefused\n")
	for _, format := range slices.Sorted(maps.Keys(tallies)) {
		n := tallies[format]
		var why []string
		for _, reason := range slices.Sorted(maps.Keys(n.refused)) {
			why = append(why, fmt.Sprintf("%d %s", n.refused[reason], reason))
		}
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d of %d\t%d\t%d of %d\t%s\n", format, n.files, n.written, n.tags, n.notesKept, n.notes,
			n.exiv2Written, n.exiv2Kept, n.exiv2Notes, strings.Join(why, ", "))
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d files\n%s", len(all), b.String())
}

// correctOfCorpus corrects one file.
func correctOfCorpus(t *testing.T, exiv2, exif, file string, n *tally) {
	img, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	n.files++
	out, p, err := Rewrite(img, quay)
	checkRewrite(t, img, quay.Lat, quay.Lon, false)
	if err != nil {
		i := slices.IndexFunc(imageErrors, func(known error) bool { return errors.Is(err, known) })
		if i < 0 {
			t.Errorf("%s: %v", file, err)
			return
		}
		n.refused[[...]string{"no image", "cut off", "damaged", "no room", "unsafe", "signed", "raw", "edit"}[i]]++
		return
	}
	n.written++
	if back, err := p.Reverse().ApplyBytes(out); err != nil || !bytes.Equal(back, img) {
		t.Errorf("%s: the reverse patch does not give the old image: %v", file, err)
	}
	dir := t.TempDir()
	old, now, theirs := filepath.Join(dir, "old"+filepath.Ext(file)), filepath.Join(dir, "new"+filepath.Ext(file)), filepath.Join(dir, "exiv2"+filepath.Ext(file))
	for name, b := range map[string][]byte{old: img, now: out, theirs: img} {
		if err := os.WriteFile(name, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var before, after map[string]string
	var side errgroup.Group
	side.Go(func() error { before = judged(t, exiv2, exif, old); return nil })
	side.Go(func() error { after = judged(t, exiv2, exif, now); return nil })
	_ = side.Wait() // they give no error
	for key, value := range before {
		if after[key] != value {
			t.Errorf("%s: %s is %q, was %q", file, key, after[key], value)
		}
	}
	for key := range after {
		if _, ok := before[key]; !ok {
			t.Errorf("%s: %s is new: %q", file, key, after[key])
		}
	}
	n.tags += len(before)
	at, note := makerNote(img)
	if note != nil {
		n.notes++
		if a, b := makerNote(out); a == at && bytes.Equal(b, note) {
			n.notesKept++
		} else {
			t.Errorf("%s: the maker's note moved or changed", file)
		}
	}
	err = exec.CommandContext(t.Context(), exiv2, "-q", "-Mset Exif.GPSInfo.GPSLatitude 53/1 20/1 4512/100", "-Mset Exif.GPSInfo.GPSLatitudeRef N",
		"-Mset Exif.GPSInfo.GPSLongitude 6/1 15/1 1234/100", "-Mset Exif.GPSInfo.GPSLongitudeRef W", theirs).Run()
	if err != nil {
		return
	}
	n.exiv2Written++
	written, err := os.ReadFile(theirs)
	if err != nil {
		t.Fatal(err)
	}
	if note != nil {
		n.exiv2Notes++
		if a, b := makerNote(written); a == at && bytes.Equal(b, note) {
			n.exiv2Kept++
		}
	}
}
