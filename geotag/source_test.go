package geotag

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"example.com/phototie/geotag/geotagtest"
)

// A file of the system, of which less is read at first, gives the tag that its bytes give,
// whole and cut off.
func TestReadFile(t *testing.T) {
	images := map[string][]byte{}
	for _, s := range geotagtest.All(t) {
		images[s.Name] = s.Whole
	}
	for _, s := range slices.Concat(geotagtest.Photos(t), geotagtest.Files(t, "png", "webp", "tif", "dng", "heic", "avif")) {
		images[s.Name] = s.Raw
	}
	name := filepath.Join(t.TempDir(), "image")
	for of, img := range images {
		for _, n := range []int{len(img), chunk + 100, chunk, chunk - 1, head + 1, head, head - 1, 100} {
			img := img[:min(n, len(img))]
			if err := os.WriteFile(name, img, 0o600); err != nil {
				t.Fatal(err)
			}
			f, err := os.Open(name)
			if err != nil {
				t.Fatal(err)
			}
			got, err1 := Read(f, int64(len(img)))
			f.Close()
			want, err2 := Read(bytes.NewReader(img), int64(len(img)))
			if !reflect.DeepEqual(got, want) || (err1 == nil) != (err2 == nil) || err1 != nil && err1.Error() != err2.Error() {
				t.Errorf("%s, %d bytes: %+v, %v, want %+v, %v", of, len(img), got, err1, want, err2)
			}
		}
	}
}
