package main

import (
	"bytes"
	"errors"
	"image"
	"image/jpeg"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/phototie/geotag"
)

// job lays out a dataset of one photo that is linked to a point, with more settings.
func job(t *testing.T, point, settings string) string {
	t.Helper()
	var photo bytes.Buffer
	if err := jpeg.Encode(&photo, image.NewGray(image.Rect(0, 0, 8, 8)), nil); err != nil {
		t.Fatal(err)
	}
	tagged, _, err := geotag.Rewrite(photo.Bytes(), geotag.Edit{Lat: 52.188271, Lon: -6.680190, HPositioningError: 3})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for name, data := range map[string]string{
		"phototie.toml": "[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n" + settings,
		"points.csv":    "id,easting,northing\nB01,690242.043,604873.007\nB02,690262.120,604878.790\n",
		"links.csv":     "photo,point\nphotos/a.jpg," + point + "\n",
		"photos/a.jpg":  string(tagged),
	} {
		name = filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(data), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestRun(t *testing.T) {
	for _, c := range []struct {
		name, dir string
		failed    bool
		want      string
	}{
		{"sound", job(t, "B01", ""), false, "note point-without-photo  B02: "},
		{"another point", job(t, "B02", ""), true, "error tag-gross photos/a.jpg B02: "},
		{"no such point", job(t, "B09", ""), true, "error link-point-unknown photos/a.jpg "},
		{"photos required", job(t, "B01", "[photo_requirements.default]\nmin_photos = 1\n"), true, "error point-too-few-photos  B02: 0 of 1 photo required"},
	} {
		var b bytes.Buffer
		if err := run(t.Context(), []string{c.dir}, &b); errors.Is(err, errGate) != c.failed || err != nil && !c.failed {
			t.Errorf("%s: %v", c.name, err)
		}
		if !strings.Contains(b.String(), c.want) {
			t.Errorf("%s: no %q in\n%s", c.name, c.want, b.String())
		}
	}
	for _, args := range [][]string{{}, {"a", "b"}, {filepath.Join(t.TempDir(), "nowhere")}} {
		if err := run(t.Context(), args, &bytes.Buffer{}); err == nil || errors.Is(err, errGate) {
			t.Errorf("%v: %v", args, err)
		}
	}
}
