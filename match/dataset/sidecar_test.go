package dataset_test

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/ledger"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
)

// files are the files of a folder with their contents, but for the ledger.
func files(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	err := filepath.WalkDir(dir, func(name string, e os.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, name)
		if err != nil {
			return err
		}
		b, err := os.ReadFile(name)
		if rel != ledger.FileName {
			all[filepath.ToSlash(rel)] = string(b)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func same(t *testing.T, what string, got, want map[string]string, but ...string) {
	t.Helper()
	for name, text := range want {
		if now, ok := got[name]; !slices.Contains(but, name) && (!ok || now != text) {
			t.Errorf("%s: %s is there: %v, and is not what it was", what, name, ok)
		}
	}
	for name := range got {
		if _, ok := want[name]; !ok && !slices.Contains(but, name) {
			t.Errorf("%s: %s is new", what, name)
		}
	}
}

// rawJob is a job of raw photos: one whose own tag can be read (a JPEG by another
// name), one that can't be read and has a side-car with a receiver's position, one
// with the other kind of side-car and no position in it, one without anything, and
// a pair of raw photos with one name, beside a JPEG with it too.
func rawJob(t *testing.T) string {
	t.Helper()
	const unreadable = "FUJIFILMCCD-RAW 0201 and so on"
	p, err := geotag.NewSidecar(geotag.Edit{Lat: 52.1884, Lon: -6.6802, HPositioningError: 4, ProcessingMethod: "GPS"})
	if err != nil {
		t.Fatal(err)
	}
	received, err := p.ApplyBytes(nil)
	if err != nil {
		t.Fatal(err)
	}
	const described = `<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
 <rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="3"/>
</rdf:RDF></x:xmpmeta>`
	tagged := string(photo(t, "52.18829 -6.68003"))
	return lay(t, map[string]string{
		"phototie.toml": "[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n",
		"points.csv":    "id,easting,northing\nB01,690252.0,604876.0\n",
		"links.csv": "photo,point\nphotos/A.NEF,B01\nphotos/B.raf,B01\nphotos/C.nef,B01\nphotos/D.raf,B01\n" +
			"photos/E.nef,B01\nphotos/E.CR2,B01\nphotos/E.jpg,B01\nphotos/F.raf,B01\nphotos/G.CR3,B01\n",
		"photos/A.NEF": tagged,
		"photos/B.raf": unreadable, "photos/B.xmp": string(received),
		"photos/C.nef": tagged, "photos/C.nef.xmp": described,
		"photos/D.raf": "no raw file",
		"photos/F.raf": unreadable, "photos/G.CR3": "\x00\x00\x00\x18ftypcrx and so on",
		"photos/E.nef": tagged, "photos/E.CR2": tagged, "photos/E.jpg": "52.18829 -6.68003",
	})
}

// checkJob opens and checks a job.
func checkJob(t *testing.T, dir string) (*dataset.Dataset, *match.Result, func(opt dataset.CorrectOptions) map[string]dataset.Change) {
	t.Helper()
	d, err := job(t, dir)
	if err != nil {
		t.Fatal(err)
	}
	res, err := d.Check(context.Background(), dataset.CheckOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return d, res.Result, func(opt dataset.CorrectOptions) map[string]dataset.Change {
		t.Helper()
		opt.Policy.Only, opt.Policy.Contradicted, opt.Tool = match.Verdicts, true, "test"
		all := map[string]dataset.Change{}
		for c, err := range res.Correct(context.Background(), opt) {
			if err != nil {
				t.Fatal(err)
			}
			all[strings.TrimPrefix(c.Photo, "photos/")] = c
		}
		return all
	}
}

// The side-cars of raw photos are read, corrected, created, copied and restored,
// and the raw photos keep every byte.
func TestSidecars(t *testing.T) {
	dir := rawJob(t)
	before := files(t, dir)
	_, res, correct := checkJob(t, dir)
	tags := map[string]*match.PhotoResult{}
	for i := range res.Photos {
		tags[strings.TrimPrefix(res.Photos[i].Name, "photos/")] = &res.Photos[i]
	}
	if len(tags) != 9 {
		t.Fatalf("%d photos", len(tags))
	}
	if p := tags["B.raf"]; p.Tag == nil || p.Tag.Position == nil || p.Tag.Container != "raw" {
		t.Errorf("B.raf: %+v", p)
	}
	if p := tags["C.nef"]; p.Tag == nil || p.Tag.Position == nil || p.Tag.Container != "jpeg" {
		t.Errorf("C.nef: %+v", p)
	}
	for _, name := range []string{"F.raf", "G.CR3"} { // known for what they are, and not read
		if p := tags[name]; p.Tag == nil || p.Tag.Position != nil || p.Tag.Container != "raw" {
			t.Errorf("%s: %+v", name, p)
		}
	}
	if p := tags["D.raf"]; p.Tag != nil || !strings.Contains(p.Why, "side-car") {
		t.Errorf("D.raf: %+v", p)
	}

	// A dry run says which files they would be, and writes nothing.
	dry := correct(dataset.CorrectOptions{DryRun: true})
	same(t, "dry run", files(t, dir), before)
	sidecars := map[string]string{"A.NEF": "photos/A.xmp", "B.raf": "photos/B.xmp", "C.nef": "photos/C.nef.xmp", "E.nef": "photos/E.nef.xmp", "E.CR2": "photos/E.CR2.xmp",
		"F.raf": "photos/F.xmp", "G.CR3": "photos/G.xmp"}
	for name, file := range sidecars {
		if c := dry[name]; c.Outcome != dataset.Corrected || c.Sidecar != file {
			t.Errorf("%s: %+v", name, c)
		}
	}
	if c := dry["D.raf"]; c.Outcome != dataset.Left {
		t.Errorf("D.raf: %+v", c)
	}
	if c := dry["E.jpg"]; c.Outcome != dataset.Corrected || c.Sidecar != "" {
		t.Errorf("E.jpg: %+v", c)
	}

	// Into another folder: all is there, and the originals are untouched.
	into := filepath.Join(t.TempDir(), "copies")
	for range 2 {
		correct(dataset.CorrectOptions{Into: into})
	}
	same(t, "originals", files(t, dir), before)
	changed := []string{"photos/A.xmp", "photos/B.xmp", "photos/C.nef.xmp", "photos/E.nef.xmp", "photos/E.CR2.xmp", "photos/E.jpg", "photos/F.xmp", "photos/G.xmp"}
	copies := files(t, into)
	same(t, "copies", copies, before, changed...)
	if !strings.Contains(copies["photos/C.nef.xmp"], `xmp:Rating="3"`) || !strings.Contains(copies["photos/C.nef.xmp"], "GPSLatitude") {
		t.Error(copies["photos/C.nef.xmp"])
	}

	// The copies are judged by their side-cars, and have no conflict.
	_, again, recorrect := checkJob(t, into)
	for _, p := range again.Photos {
		if p.Tag == nil {
			continue
		}
		if p.Discrepancy == nil || p.Discrepancy.Distance > 0.001 {
			t.Errorf("%s: %+v", p.Name, p.Discrepancy)
		}
		for _, w := range p.Tag.Warnings {
			t.Errorf("%s: %v", p.Name, w)
		}
	}
	for name, c := range recorrect(dataset.CorrectOptions{InPlace: true}) {
		if c.Outcome != dataset.Unchanged && name != "D.raf" {
			t.Errorf("%s again: %+v", name, c)
		}
	}

	// In place, and back: by the photo's name for one, then all.
	correct(dataset.CorrectOptions{InPlace: true})
	same(t, "in place", files(t, dir), before, changed...)
	restore := func(names ...string) (removed int) {
		t.Helper()
		for o, err := range dataset.Restore(context.Background(), dir, "test", names, false) {
			if err != nil || o.Status != ledger.Restored && o.Status != ledger.Original {
				t.Errorf("%+v, %v", o, err)
			}
			if o.Removed {
				removed++
			}
		}
		return removed
	}
	if n := restore("photos/A.NEF"); n != 1 {
		t.Errorf("%d removed", n)
	}
	same(t, "A restored", files(t, dir), before, changed[1:]...)
	restore()
	same(t, "restored", files(t, dir), before)
}

// What can't be told apart is refused: two side-cars of a photo, and one of two.
func TestSidecarsRefused(t *testing.T) {
	dir := rawJob(t)
	original := files(t, dir)
	for _, file := range []string{"photos/B.raf.xmp", "photos/E.xmp"} {
		if err := os.WriteFile(filepath.Join(dir, filepath.FromSlash(file)), []byte(original["photos/B.xmp"]), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "photos", "A.xmp"), []byte("<?xpacket no end"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, res, correct := checkJob(t, dir)
	for _, p := range res.Photos {
		switch p.Name {
		case "photos/A.NEF":
			if p.Tag != nil || !strings.Contains(p.Why, "A.xmp") {
				t.Errorf("%+v", p)
			}
		case "photos/B.raf":
			if !slices.ContainsFunc(p.Tag.Warnings, func(w geotag.Warning) bool { return w.Code == geotag.WarnDuplicate }) {
				t.Errorf("%v", p.Tag.Warnings)
			}
		case "photos/E.nef":
			// The side-car is a receiver's, and the photo has another position.
			if !slices.ContainsFunc(p.Tag.Warnings, func(w geotag.Warning) bool { return w.Code == geotag.WarnConflict }) {
				t.Errorf("%v", p.Tag.Warnings)
			}
		}
	}
	changes := correct(dataset.CorrectOptions{InPlace: true})
	for _, name := range []string{"B.raf", "E.nef", "E.CR2"} {
		if c := changes[name]; c.Outcome != dataset.Refused || !strings.Contains(c.Why, ".xmp") {
			t.Errorf("%s: %+v", name, c)
		}
	}
}

// The camera's position stays in the photo, and its side-car gets the destination.
func TestSidecarDestination(t *testing.T) {
	dir := rawJob(t)
	_, _, correct := checkJob(t, dir)
	c := correct(dataset.CorrectOptions{InPlace: true, Policy: match.Policy{Meaning: geotag.CameraPosition}})["A.NEF"]
	if c.Outcome != dataset.Corrected {
		t.Fatalf("%+v", c)
	}
	_, res, _ := checkJob(t, dir)
	tag := res.Photos[0].Tag
	if tag.Position == nil || tag.Position.Source != geotag.SourceExif || tag.Destination == nil || tag.Destination.Position == nil || tag.Destination.Distance == nil {
		t.Errorf("%+v", tag)
	}
}

// jpegJob is a job of JPEGs with side-cars beside them: one that says what its photo
// says, one that contradicts it, one without a photo, and a file of another kind.
func jpegJob(t *testing.T) string {
	t.Helper()
	side := func(lat, lon float64) string {
		p, err := geotag.NewSidecar(geotag.Edit{Lat: lat, Lon: lon, HPositioningError: 3, ProcessingMethod: "GPS"})
		if err != nil {
			t.Fatal(err)
		}
		var b strings.Builder
		if err := p.Apply(&b, strings.NewReader("")); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	return lay(t, map[string]string{
		"phototie.toml": itm + "[points]\nfile = \"p.csv\"\n[links]\nfile = \"l.csv\"\n",
		"p.csv":         "id,e,n\nA,690242.043,604873.007\n",
		"l.csv":         "photo,point\na.jpg,A\nb.jpg,A\nc.jpg,A\n",
		"photos/a.jpg":  "52.188271 -6.680190", "photos/a.xmp": side(52.188271, -6.680190),
		"photos/b.jpg": "52.188272 -6.680190", "photos/b.jpg.xmp": side(52.189272, -6.680190),
		"photos/c.jpg": "52.188273 -6.680190", "photos/gone.xmp": side(52, -6), "photos/notes.txt": "notes",
	})
}

// Side-cars beside JPEGs go along with the copies, with all else that lies there;
// one that contradicts its photo is a finding, and is corrected with it where asked.
func TestSidecarsBesideJPEGs(t *testing.T) {
	dir := jpegJob(t)
	before := files(t, dir)
	d, res, correct := checkJob(t, dir)
	var told []string
	for _, f := range res.Findings() {
		if f.Code == match.FindingConflict {
			told = append(told, f.Photo+": "+f.Message)
		}
	}
	if len(told) != 1 || !strings.HasPrefix(told[0], "photos/b.jpg: side-car b.jpg.xmp contradicts it") {
		t.Errorf("findings of contradicting side-cars: %q", told)
	}
	rest, err := d.Rest(t.Context())
	if want := []string{"photos/gone.xmp", "photos/notes.txt"}; err != nil || !slices.Equal(rest, want) {
		t.Errorf("the rest is %q, %v; want %q", rest, err, want)
	}
	into := filepath.Join(t.TempDir(), "into")
	for name, c := range correct(dataset.CorrectOptions{Into: into}) {
		if c.Outcome != dataset.Corrected {
			t.Errorf("%s: %+v", name, c)
		}
	}
	photos := []string{"photos/a.jpg", "photos/b.jpg", "photos/c.jpg"}
	same(t, "copies", files(t, into), before, photos...)

	changes := correct(dataset.CorrectOptions{InPlace: true, Sidecars: true})
	if n := changes["b.jpg"].Notes; len(n) == 0 || !strings.Contains(strings.Join(n, "\n"), "b.jpg.xmp is corrected") {
		t.Errorf("notes of b.jpg: %q", n)
	}
	now := files(t, dir)
	for _, name := range append(photos, "photos/a.xmp", "photos/b.jpg.xmp") {
		if now[name] == before[name] {
			t.Errorf("%s is as it was", name)
		}
	}
	if changes["b.jpg"].After == "" || changes["c.jpg"].After == "" {
		t.Errorf("digests: %+v", changes)
	}
	same(t, "in place", now, before, append(photos, "photos/a.xmp", "photos/b.jpg.xmp")...)
	_, again, _ := checkJob(t, dir)
	for _, f := range again.Findings() {
		if f.Code == match.FindingConflict {
			t.Errorf("after correcting: %+v", f)
		}
	}
	// By its photo's name a side-car is taken back too.
	for o, err := range dataset.Restore(t.Context(), dir, "test", []string{"photos/b.jpg"}, false) {
		if err != nil || o.Status != ledger.Restored {
			t.Errorf("%+v, %v", o, err)
		}
	}
	same(t, "one taken back", files(t, dir), before, "photos/a.jpg", "photos/c.jpg", "photos/a.xmp")
	for o, err := range dataset.Restore(t.Context(), dir, "test", nil, false) {
		if err != nil {
			t.Errorf("%+v, %v", o, err)
		}
	}
	same(t, "all taken back", files(t, dir), before)
}

// A photo that is replaced, or written to, between judging and writing keeps its
// bytes, and is told as refused: in place, into another folder, in a dry run.
func TestReplacedPhotoIsLeft(t *testing.T) {
	for _, c := range []struct {
		name    string
		replace func(file, other string) error
	}{
		{"renamed over", func(file, other string) error { return os.Rename(other, file) }},
		{"written to", func(file, other string) error {
			b, err := os.ReadFile(other)
			if err != nil {
				return err
			}
			return os.WriteFile(file, b, 0o644)
		}},
		{"as old and as large", func(file, other string) error {
			info, err := os.Stat(file)
			if err != nil {
				return err
			}
			if err := os.Rename(other, file); err != nil {
				return err
			}
			return os.Chtimes(file, info.ModTime(), info.ModTime())
		}},
	} {
		for _, in := range []string{"place", "into", "dry run"} {
			dir := jpegJob(t)
			_, _, correct := checkJob(t, dir)
			file := filepath.Join(dir, "photos", "c.jpg")
			if err := c.replace(file, filepath.Join(dir, "photos", "a.jpg")); err != nil {
				t.Fatal(err)
			}
			now, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(dir, "photos", "a.jpg"), now, 0o644); err != nil {
				t.Fatal(err)
			}
			opt := dataset.CorrectOptions{InPlace: in == "place", DryRun: in == "dry run"}
			if in == "into" {
				opt.Into = filepath.Join(t.TempDir(), "into")
			}
			ch := correct(opt)["c.jpg"]
			if ch.Outcome != dataset.Refused || !strings.Contains(ch.Why, "judged") {
				t.Errorf("%s, %s: %+v", c.name, in, ch)
			}
			if left, err := os.ReadFile(file); err != nil || string(left) != string(now) {
				t.Errorf("%s, %s: the photo was changed (%v)", c.name, in, err)
			}
		}
	}
}
