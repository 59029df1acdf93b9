package delivery_test

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/geotag/pixels"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/delivery"
	"example.com/phototie/match/report"
)

// job lays out a job of photos of two points and returns its folder. Photos whose
// name has "bare" in it have no tag.
func job(t *testing.T, links string, photos ...string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "job")
	put := func(name string, text []byte) {
		t.Helper()
		name = filepath.Join(dir, filepath.FromSlash(name))
		if err := errors.Join(os.MkdirAll(filepath.Dir(name), 0o755), os.WriteFile(name, text, 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	put("phototie.toml", []byte("[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"survey/quay.txt\"\n[links]\nfile = \"links.csv\"\n"))
	put("survey/quay.txt", []byte("id,easting,northing,code\nA,690242.043,604873.007,BOL\nB,690262.120,604878.790,BOL\n"))
	put("links.csv", []byte("photo,point\n"+links))
	for i, name := range photos {
		img := geotagtest.Plain()
		if !strings.Contains(name, "bare") {
			var err error
			img, _, err = geotag.Rewrite(img, geotag.Edit{Lat: 52.188271 + float64(i)*1e-6, Lon: -6.680190, HPositioningError: 3, ProcessingMethod: "GPS"})
			if err != nil {
				t.Fatal(err)
			}
		}
		put("photos/"+name, img)
	}
	return dir
}

// checked opens and checks a job.
func checked(t *testing.T, dir string) *dataset.Checked {
	t.Helper()
	d, err := dataset.Open(t.Context(), dir, crs.OpenGrid)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	job, err := d.Check(t.Context(), dataset.CheckOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return job
}

func options(into string) delivery.Options {
	return delivery.Options{Into: into, Title: "Quay", Program: "test", Version: "1"}
}

func TestPackLayout(t *testing.T) {
	dir := job(t, "1.jpg,A\n2.jpg,A\n3.jpg,A\nbare.jpg,B\n", "1.jpg", "2.jpg", "3.jpg", "bare.jpg")
	opt := options(filepath.Join(t.TempDir(), "out"))
	opt.MaxOnFile = 3
	var parts []string
	opt.Progress = func(what string) (dataset.Progress, func()) {
		last := 0
		parts = append(parts, what)
		return func(done, total int) {
			if last++; done != last || done > total {
				t.Errorf("%s: %d of %d after %d", what, done, total, last-1)
			}
		}, func() {}
	}
	doc, err := delivery.Pack(t.Context(), checked(t, dir), opt)
	if err != nil || !doc.Packed || doc.Count(dataset.Corrected) != 3 || doc.Count(dataset.Left) != 1 {
		t.Fatal(doc, err)
	}
	var names []string
	if err := fs.WalkDir(os.DirFS(opt.Into), ".", func(name string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			names = append(names, name)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	want := []string{"README.txt", "SHA256SUMS", "formats/photos.csv", "formats/photos.geojson", "formats/photos.gpkg", "formats/photos.json", "formats/photos.kml",
		"formats/photos.sarif", "formats/photos.xml", "links.csv", "pack.json", "photos/A_1_undated.jpg", "photos/A_2_undated.jpg", "photos/A_3_undated.jpg", "photos/B_1_undated.jpg",
		"phototie-ledger.jsonl", "phototie.toml", "points.txt", "record/index.html", "record/sheets-001.html"}
	if !slices.Equal(names, want) {
		t.Errorf("got %q, want %q", names, want)
	}
	page, err := os.ReadFile(filepath.Join(opt.Into, "record", "sheets-001.html"))
	if err != nil || strings.Contains(string(page), "./photos/") && !strings.Contains(string(page), "../photos/") {
		t.Errorf("photos are not linked from the record's folder: %v", err)
	}
	if !strings.Contains(string(page), "none; the photo is as it was: its verdict is unjudged") || !strings.Contains(string(page), "photos/bare.jpg") {
		t.Error("the record does not say why a photo is as it was, or what it was called")
	}
	text, err := os.ReadFile(filepath.Join(opt.Into, "pack.json"))
	var inside report.Pack
	if err := errors.Join(err, json.Unmarshal(text, &inside)); err != nil || !inside.Packed || inside.Into != "" || len(inside.Photos) != 4 || inside.Photos[3].Source != "photos/bare.jpg" {
		t.Errorf("%+v, %v", inside, err)
	}
	for _, want := range []string{"checking the delivery", "copying photos", "summing files"} {
		if !slices.Contains(parts, want) {
			t.Errorf("no progress of %s, only of %q", want, parts)
		}
	}
	if info, err := os.Stat(opt.Into); err != nil || info.Mode().Perm() != 0o755 {
		t.Errorf("the folder has mode %v: %v", info.Mode(), err)
	}
}

// A link that led nowhere in the job must not tie a photo by its new name.
func TestPackStrayLinks(t *testing.T) {
	dir := job(t, "1.jpg,A\nA_1_undated.jpg,B\n", "1.jpg", "2.jpg")
	opt := options(filepath.Join(t.TempDir(), "out"))
	_, err := delivery.Pack(t.Context(), checked(t, dir), opt)
	var problem *dataset.Problem
	if !errors.As(err, &problem) || !strings.Contains(err.Error(), "take links that lead to no photo out of the job") {
		t.Errorf("got %v", err)
	}
	left, err := os.ReadDir(filepath.Dir(opt.Into))
	if err != nil || len(left) > 0 {
		t.Errorf("it left %v, %v", left, err)
	}
}

// Findings are held against the level, and the job's own folder is left alone.
func TestPackGate(t *testing.T) {
	dir := job(t, "1.jpg,A\nbare.jpg,B\n", "1.jpg", "bare.jpg")
	opt := options(filepath.Join(t.TempDir(), "out"))
	opt.FailOn = match.SeverityWarning
	doc, err := delivery.Pack(t.Context(), checked(t, dir), opt)
	if err != nil || doc.Packed || len(doc.Standing) != 1 || doc.Standing[0].Photo != "photos/bare.jpg" {
		t.Fatalf("%+v, %v", doc, err)
	}
	if _, err := os.Lstat(opt.Into); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("something is there: %v", err)
	}
	opt.FailOn = match.SeverityError
	if doc, err = delivery.Pack(t.Context(), checked(t, dir), opt); err != nil || !doc.Packed || len(doc.Standing) != 0 {
		t.Fatalf("%+v, %v", doc, err)
	}
	// Twice the same place.
	var pe *fs.PathError
	if _, err := delivery.Pack(t.Context(), checked(t, dir), opt); !errors.As(err, &pe) {
		t.Errorf("a second delivery: %v", err)
	}
	opt.Into, opt.FailOn, opt.Override = filepath.Join(t.TempDir(), "out"), match.SeverityNote, true
	if doc, err = delivery.Pack(t.Context(), checked(t, dir), opt); err != nil || !doc.Packed || len(doc.Standing) != 1 || doc.Standing[0].Photo != "photos/B_1_undated.jpg" || len(doc.Delivery.Standing) != 1 {
		t.Fatalf("%+v, %v", doc, err)
	}
}

// What is required of the photos as pictures is required in the delivery too, and
// told by the new names. They are measured once for the job.
func TestPackRequirements(t *testing.T) {
	dir := job(t, "1.jpg,A\n2.jpg,B\n", "1.jpg", "2.jpg")
	settings, err := os.OpenFile(filepath.Join(dir, "phototie.toml"), os.O_APPEND|os.O_WRONLY, 0)
	if err == nil {
		_, err = settings.WriteString("[budget]\nerror_confidence = 0.6827\n[photo_requirements.codes.BOL]\nmin_photos = 2\n")
	}
	if err := errors.Join(err, settings.Close()); err != nil {
		t.Fatal(err)
	}
	opt := options(filepath.Join(t.TempDir(), "out"))
	opt.FailOn, opt.Override = match.SeverityWarning, true
	doc, err := delivery.Pack(t.Context(), checked(t, dir), opt)
	if err != nil || !doc.Packed {
		t.Fatal(doc, err)
	}
	codes := func(findings []match.Finding) (out []string) {
		for _, f := range findings {
			out = append(out, string(f.Code)+" "+f.Photo+f.Point)
		}
		slices.Sort(out)
		return out
	}
	standing := codes(doc.Standing)
	if len(standing) != len(checked(t, dir).Findings()) || !slices.Contains(standing, "photo-too-small photos/A_1_undated.jpgA") || !slices.Contains(standing, "point-too-few-photos A") {
		t.Errorf("of the job: %q", standing)
	}
	if got := codes(doc.Delivery.Standing); !slices.Equal(got, standing) {
		t.Errorf("of the delivery: %q, want %q", got, standing)
	}

	// The measures of the job's photos, with the digests of the delivery's, are what
	// anybody measures in the delivery.
	was, now := map[string]pixels.Measures{}, checked(t, opt.Into)
	for _, p := range checked(t, dir).Photos {
		was[p.Name] = *p.Pixels.(*pixels.Measures)
	}
	if doc.Count(dataset.Corrected) == 0 {
		t.Error("nothing is corrected")
	}
	for _, ph := range doc.Photos {
		i := slices.IndexFunc(now.Photos, func(p match.PhotoResult) bool { return p.Name == ph.Photo })
		want, got := was[ph.Source], *now.Photos[i].Pixels.(*pixels.Measures)
		if got.SHA256.String() != ph.After || (ph.Outcome == dataset.Corrected) == (got.SHA256 == want.SHA256) {
			t.Errorf("%+v has the digest %s", ph, got.SHA256)
		}
		if want.SHA256 = got.SHA256; !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %+v, want %+v", ph.Photo, got, want)
		}
	}
}

// A raw photo stays as it is and keeps its side-car, which has the position; one
// that is new is removed when the photos are taken back.
func TestPackSidecars(t *testing.T) {
	dir := job(t, "a.NEF,A\nb.nef,A\nb.jpg,A\n", "b.jpg")
	photos := filepath.Join(dir, "photos")
	side, err := geotag.NewSidecar(geotag.Edit{Lat: 52.188271, Lon: -6.680190, HPositioningError: 3, ProcessingMethod: "GPS"})
	if err != nil {
		t.Fatal(err)
	}
	var xmp strings.Builder
	if err := side.Apply(&xmp, strings.NewReader("")); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"a.NEF": "raw bytes", "a.xmp": xmp.String(), "b.nef": "other raw bytes", "b.nef.xmp": xmp.String()} {
		if err := os.WriteFile(filepath.Join(photos, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	opt := options(filepath.Join(t.TempDir(), "out"))
	doc, err := delivery.Pack(t.Context(), checked(t, dir), opt)
	if err != nil || !doc.Packed || doc.Count(dataset.Corrected) != 3 {
		t.Fatalf("%+v, %v", doc, err)
	}
	read := func(name string) string {
		t.Helper()
		text, err := os.ReadFile(filepath.Join(opt.Into, "photos", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	if read("A_1_undated.NEF") != "raw bytes" || read("A_3_undated.nef") != "other raw bytes" {
		t.Error("a raw photo was changed")
	}
	if read("A_1_undated.xmp") == xmp.String() || read("A_3_undated.nef.xmp") == xmp.String() {
		t.Error("a side-car was not corrected")
	}
	if doc.Photos[0].Sidecar != "photos/A_1_undated.xmp" || doc.Photos[2].Sidecar != "photos/A_3_undated.nef.xmp" || doc.Photos[1].Sidecar != "" {
		t.Errorf("%+v", doc.Photos)
	}
	if n := doc.Delivery.Counts[match.Within]; n != 3 {
		t.Errorf("the delivery has %d photos within budget, want 3", n)
	}
	for o, err := range dataset.Restore(t.Context(), opt.Into, "test", nil, false) {
		if err != nil || o.Status == "failed" {
			t.Errorf("%+v, %v", o, err)
		}
	}
	if read("A_1_undated.xmp") != xmp.String() || read("A_3_undated.nef.xmp") != xmp.String() {
		t.Error("a side-car was not taken back")
	}
}

// A photo that was replaced since the job was judged makes no delivery: all that is
// said of it would be of other bytes.
func TestPackReplacedPhoto(t *testing.T) {
	dir := job(t, "1.jpg,A\n2.jpg,B\nbare.jpg,A\n", "1.jpg", "2.jpg", "bare.jpg")
	for _, name := range []string{"2.jpg", "bare.jpg"} {
		c := checked(t, dir)
		file := filepath.Join(dir, "photos", name)
		was, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, append(slices.Clip(was), 0), 0o644); err != nil {
			t.Fatal(err)
		}
		opt := options(filepath.Join(t.TempDir(), "out"))
		_, err = delivery.Pack(t.Context(), c, opt)
		if !errors.Is(err, delivery.ErrNotCopied) || !errors.Is(err, dataset.ErrReplaced) || !strings.Contains(err.Error(), "photos/"+name) {
			t.Errorf("%s: %v", name, err)
		}
		if left, err := os.ReadDir(filepath.Dir(opt.Into)); err != nil || len(left) > 0 {
			t.Errorf("it left %v, %v", left, err)
		}
	}
}

// What a wide entry of the baseline accepts is accepted in the delivery too, where the
// photos have other names.
func TestPackWideAcceptance(t *testing.T) {
	dir := job(t, "1.jpg,A\n2.jpg,A\nbare.jpg,A\n", "1.jpg", "2.jpg", "bare.jpg")
	for most, want := range []bool{1: true, 2: true} {
		opt := options(filepath.Join(t.TempDir(), "out"))
		opt.Override, opt.FailOn = false, match.SeverityWarning
		opt.Today = baseline.Date{Year: 2026, Month: 6, Day: 1}
		entry := baseline.Entry{Code: match.FindingNoTag, Photo: "photos/b*", Reason: "under the deck", Max: most, Expires: baseline.Date{Year: 2027, Month: 1, Day: 1}}
		if most == 0 {
			entry.Photo = "photos/c*"
		}
		opt.Baseline = &baseline.Baseline{Entries: []baseline.Entry{entry,
			{Code: match.FindingPointWithoutPhoto, Point: "B", Reason: "under water", Expires: entry.Expires}}}
		doc, err := delivery.Pack(t.Context(), checked(t, dir), opt)
		if err != nil || doc.Packed != want {
			t.Errorf("most %d: packed %v, want %v: %v, %v", most, doc.Packed, want, err, doc.Delivery)
		}
	}
}

// Side-cars of JPEGs go along by the photos' new names; what belongs to no photo is
// told as left out.
func TestPackSidecarsOfJPEGs(t *testing.T) {
	dir := job(t, "1.jpg,A\n2.jpg,B\n", "1.jpg", "2.jpg")
	side, err := geotag.NewSidecar(geotag.Edit{Lat: 52.188271, Lon: -6.680190, HPositioningError: 3, ProcessingMethod: "GPS"})
	if err != nil {
		t.Fatal(err)
	}
	var xmp strings.Builder
	if err := side.Apply(&xmp, strings.NewReader("")); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"1.xmp", "2.jpg.xmp", "gone.xmp", "film.mov"} {
		if err := os.WriteFile(filepath.Join(dir, "photos", name), []byte(xmp.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	opt := options(filepath.Join(t.TempDir(), "out"))
	doc, err := delivery.Pack(t.Context(), checked(t, dir), opt)
	if err != nil || !doc.Packed {
		t.Fatal(doc, err)
	}
	if want := []string{"photos/film.mov", "photos/gone.xmp"}; !slices.Equal(doc.LeftOut, want) {
		t.Errorf("left out: %q, want %q", doc.LeftOut, want)
	}
	for _, name := range []string{"A_1_undated.xmp", "B_1_undated.jpg.xmp"} {
		if got, err := os.ReadFile(filepath.Join(opt.Into, "photos", name)); err != nil || string(got) != xmp.String() {
			t.Errorf("%s: %v", name, err)
		}
	}
}
