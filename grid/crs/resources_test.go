package crs

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"example.com/phototie/grid"
)

// A grid file that lies where the program was started is not used: a job could bring
// it along. The same file in a folder that PROJ searches is. (PROJ looks into the
// current folder last, as the calls of its cs2cs show.)
func TestNoGridFromTheCurrentFolder(t *testing.T) {
	var sample []byte
	r := openRegistry()
	paths := searchPaths([]string{t.TempDir()})
	r.close()
	for _, dir := range paths {
		if data, err := os.ReadFile(filepath.Join(dir, "BETA2007.gsb")); err == nil {
			sample = data
		}
	}
	if sample == nil {
		t.Skip("BETA2007.gsb is not installed")
	}
	dir := t.TempDir()
	const file = "x_of_the_job.gsb"
	if err := os.WriteFile(filepath.Join(dir, file), sample, 0o644); err != nil {
		t.Fatal(err)
	}
	const definition = "+proj=tmerc +lon_0=9 +x_0=3500000 +ellps=bessel +nadgrids=" + file + " +units=m +type=crs"
	shifted := func(opt grid.OpenOptions) bool {
		c, err := openWith(definition, opt)
		if err != nil {
			return false
		}
		placed, err := c.ToGrid(context.Background(), []grid.Fix{{LatLon: grid.LatLon{Lat: 52.5, Lon: 9.5}}})
		return err == nil && placed[0].Err == nil && !placed[0].Op.Ballpark
	}
	if !shifted(grid.OpenOptions{Folders: []string{dir}}) {
		t.Error("a file in a folder that is searched is not used")
	}
	t.Chdir(dir)
	if shifted(grid.OpenOptions{}) {
		t.Error("a file in the current folder is used")
	}
}
