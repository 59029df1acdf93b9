package dataset

import (
	"errors"
	"io/fs"
	"strings"
	"syscall"
	"testing"
	"testing/fstest"

	"example.com/phototie/grid"
)

// A definition that comes with a dataset names nothing outside PROJ's own folders,
// wherever it stands, and the engine never gets to see one that does.
func TestDefinitionsNameNoFiles(t *testing.T) {
	bad := []string{
		"+proj=utm +zone=29 +nadgrids=/etc/passwd +type=crs", "+proj=utm +zone=29 +nadgrids=us_noaa_conus.tif,../x.gsb +type=crs",
		"+proj=utm +zone=29 +geoidgrids=@https://example.org/x.tif +type=crs", "+init=epsg:2157", "+init=/tmp/x:1", "proj=utm grids=~/x.tif",
		`PROJCRS["x",BASEGEOGCRS["y"],EXTENSION["PROJ4","+proj=utm +zone=29 +nadgrids=C:\x.gsb"]]`,
		`BOUNDCRS[SOURCECRS[x],ABRIDGEDTRANSFORMATION["t",METHOD["NTv2"],PARAMETERFILE["Latitude and longitude difference file","/etc/passwd"]]]`,
	}
	fine := []string{"EPSG:2157", "EPSG:2157+5731", "+proj=utm +zone=29 +ellps=GRS80 +type=crs", "+proj=utm +zone=10 +nadgrids=us_noaa_conus.tif,@null +type=crs",
		`BOUNDCRS[SOURCECRS[x],ABRIDGEDTRANSFORMATION["t",METHOD["NTv2"],PARAMETERFILE["Latitude and longitude difference file","BETA2007.gsb"]]]`}
	quoted := func(s string) string { return "'''" + s + "'''" }
	settings := func(definition string) []string {
		head := "[points]\nfile = \"points.csv\"\n"
		return []string{
			"[grid]\ncrs = " + quoted(definition) + "\n" + head,
			"[grid]\ncrs = \"EPSG:2157\"\n" + head + "crs = " + quoted(definition) + "\n",
			"[grid]\ncrs = \"EPSG:2157\"\n" + head + "[frame.datums]\nx = " + quoted(definition) + "\n",
		}
	}
	open := func(text string) (opened bool, err error) {
		_, err = OpenFS(fstest.MapFS{SettingsFile: {Data: []byte(text)}}, nil, func(string, grid.OpenOptions) (grid.Projection, error) {
			opened = true
			return plane{grid.Metre}, nil
		})
		return opened, err
	}
	for _, definition := range bad {
		for _, text := range settings(definition) {
			if opened, err := open(text); err == nil || opened || !strings.Contains(err.Error(), SettingsFile) {
				t.Errorf("%s: opened %v, %v", text, opened, err)
			}
		}
		d := &Dataset{open: onPlane}
		if _, err := d.openOther(definition); err == nil {
			t.Errorf("a file of points may name %s", definition)
		}
	}
	for _, definition := range fine {
		for _, text := range settings(definition) {
			if opened, err := open(text); err != nil || !opened {
				t.Errorf("%s: opened %v, %v", text, opened, err)
			}
		}
	}
}

// What the machine refuses is no finding about photos.
func TestMachineRefuses(t *testing.T) {
	d, err := OpenFS(exhausted{fstest.MapFS{
		SettingsFile: {Data: []byte(minimal)}, "points.csv": {Data: []byte("id,e,n\nA,1,2\n")}, "photos/1.jpg": {Data: []byte("x")},
	}}, nil, onPlane)
	if err != nil {
		t.Fatal(err)
	}
	res, err := d.Check(t.Context(), CheckOptions{})
	if !errors.Is(err, syscall.EMFILE) {
		t.Errorf("got %v, %v", res, err)
	}
}

// exhausted has no descriptor left for a photo.
type exhausted struct{ fs.FS }

func (f exhausted) Open(name string) (fs.File, error) {
	if strings.HasSuffix(name, ".jpg") {
		return nil, &fs.PathError{Op: "open", Path: name, Err: syscall.EMFILE}
	}
	return f.FS.Open(name)
}
