package service_test

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match/service"
)

// A thousand jobs in one process, on two systems, several at a time, open each system once.
func TestThousandJobs(t *testing.T) {
	dir := t.TempDir()
	jobs := map[string]string{"EPSG:2157": "690242.043,604873.007", "EPSG:29902": "290312.199,104819.578"} // the same place
	photo := handheld(t)
	for code, at := range jobs {
		for name, text := range map[string]string{
			"phototie.toml": "[grid]\ncrs = \"" + code + "\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n[ties]\nweigh = false\n",
			"points.csv":    "id,easting,northing\nB01," + at + "\n",
			"links.csv":     "photo,point\n1.jpg,B01\n",
			"photos/1.jpg":  string(photo),
		} {
			name = filepath.Join(dir, code[5:], name)
			if err := errors.Join(os.MkdirAll(filepath.Dir(name), 0o755), os.WriteFile(name, []byte(text), 0o644)); err != nil {
				t.Fatal(err)
			}
		}
	}
	var mu sync.Mutex
	opened := map[string]int{}
	s := service.New(func(def string, opt grid.OpenOptions) (grid.Projection, error) {
		mu.Lock()
		opened[def]++
		mu.Unlock()
		return crs.OpenGrid(def, opt)
	}, service.Options{})
	const n = 1000
	var lines []string
	for range n / len(jobs) {
		for code := range jobs {
			lines = append(lines, fmt.Sprintf(`{"id":1,"do":"check","dataset":%q}`, filepath.ToSlash(filepath.Join(dir, code[5:]))))
		}
	}
	for _, r := range serve(t, s, lines...) {
		if r.Error != nil || len(r.Check) == 0 {
			t.Fatalf("%+v", r)
		}
	}
	if want := map[string]int{"EPSG:2157": 1, "EPSG:29902": 1}; !maps.Equal(opened, want) {
		t.Errorf("systems were opened %v times by %d jobs, want %v", opened, n, want)
	}
}
