package delivery_test

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"image/jpeg"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match/dataset/demo"
	"example.com/phototie/match/delivery"
)

// run runs a program that reads what was written.
func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	var faults bytes.Buffer
	cmd := exec.Command(name, args...)
	cmd.Stderr = &faults
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, &faults)
	}
	return string(out)
}

// The maps of a delivery of a site job, as GDAL reads them: the GeoPackage is on the
// base system with the coordinates of the site as columns and a style for each layer,
// and the KMZ has a picture for each photo. It takes seconds, since the photos of the
// job are drawn first.
func TestPackMaps(t *testing.T) {
	if testing.Short() {
		t.Skip("a job is drawn and packed")
	}
	base, err := crs.OpenGrid("EPSG:6543", grid.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	drawn, err := demo.TallowCreek(t.Context(), base, 1)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	if err := demo.Write(t.Context(), root, drawn, nil); err != nil {
		t.Fatal(err)
	}
	opt := options(filepath.Join(t.TempDir(), "out"))
	job := checked(t, dir)
	if opt.Gallery, err = delivery.NewGallery(t.Context(), job.Dataset(), delivery.DrawnPictures); err != nil {
		t.Fatal(err)
	}
	defer opt.Gallery.Close()
	if _, err := delivery.Pack(t.Context(), job, opt); err != nil {
		t.Fatal(err)
	}
	gpkg, kmz := filepath.Join(opt.Into, "formats", "photos.gpkg"), filepath.Join(opt.Into, "formats", "photos.kmz")

	// Ground coordinates times the combined factor about the project point: the
	// figures of the job's own settings, and the formula of NOAA Manual NOS NGS 5 (from
	// memory).
	layers := map[string]int{"points": 12, "tags": 30}
	for layer, n := range layers {
		rows, err := csv.NewReader(strings.NewReader(run(t, "ogr2ogr", "-f", "CSV", "/vsistdout/", gpkg, layer, "-lco", "GEOMETRY=AS_XY"))).ReadAll()
		if err != nil || len(rows) != n+1 {
			t.Fatalf("%s: %d rows, %v", layer, len(rows), err)
		}
		for _, row := range rows[1:] {
			at := map[string]float64{}
			for i, col := range rows[0] {
				at[col], _ = strconv.ParseFloat(row[i], 64)
			}
			e, n := 1012600+0.99979872*(at["site_e"]-12600), 702250+0.99979872*(at["site_n"]-2250)
			if at["site_e"] < 12000 || math.Hypot(at["X"]-e, at["Y"]-n) > 1e-3 {
				t.Errorf("%s: %q is at %.4f, %.4f; want %.4f, %.4f", layer, row, at["X"], at["Y"], e, n)
			}
		}
	}
	if out := run(t, "ogrinfo", "-so", gpkg, "points"); !strings.Contains(out, `ID["EPSG",6543]]`) {
		t.Errorf("the layer of points is on another system:\n%s", out)
	}
	styles := run(t, "ogrinfo", "-al", gpkg, "layer_styles")
	for _, want := range []string{"f_table_name (String) = points", "f_table_name (String) = tags", "f_table_name (String) = vectors", "<WellKnownName>triangle</WellKnownName>"} {
		if !strings.Contains(styles, want) {
			t.Errorf("no %s in the styles:\n%s", want, styles)
		}
	}

	if out := run(t, "ogrinfo", "-so", kmz, "tags"); !strings.Contains(out, "Feature Count: 30") {
		t.Errorf("the KMZ is read as\n%s", out)
	}
	z, err := zip.OpenReader(kmz)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	text := ""
	for i, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			if text = string(b); f.Name != "doc.kml" {
				t.Fatalf("the first file is %s", f.Name)
			}
			continue
		}
		m, err := jpeg.DecodeConfig(bytes.NewReader(b))
		if err != nil || m.Width != 320 || len(b) > 24<<10 {
			t.Errorf("%s: %d pixels wide, %d bytes, %v", f.Name, m.Width, len(b), err)
		}
		// Of its point and of its tag.
		if n := strings.Count(text, `src=&#34;`+f.Name+`&#34;`); n != 2 {
			t.Errorf("%s is linked %d times", f.Name, n)
		}
	}
	if len(z.File) != 31 {
		t.Errorf("%d files", len(z.File))
	}
	readme, err := os.ReadFile(filepath.Join(opt.Into, "README.txt"))
	if err != nil || !strings.Contains(string(readme), "formats/photos.kmz ") || !strings.Contains(string(readme), "site_e and site_n") {
		t.Errorf("%s %v", readme, err)
	}
}
