package report

import (
	"strings"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/match/dataset"
)

// What would make a better operation usable is one command that a shell takes as it
// stands, with each file once, and none of an operation that would not be used.
func TestFramesInstall(t *testing.T) {
	file := func(name string) grid.MissingFile {
		return grid.MissingFile{Name: name, URL: "https://example.org/" + name, Install: "get it"}
	}
	use := dataset.FrameUse{Candidates: []grid.Candidate{
		{Usable: true, Chosen: 60, Covers: 60},
		{Missing: []grid.MissingFile{file("us_noaa_conus.tif")}, Covers: 60, Preferable: true},
		{Missing: []grid.MissingFile{file("us_noaa_conus.tif"), file("us_noaa_nchpgn.tif")}, Covers: 60, Preferable: true},
		{Missing: []grid.MissingFile{file("us_noaa_alaska.tif")}},
	}}
	var b strings.Builder
	if err := Print(&b, FormatText, Frames{Grid: grid.Grid{Name: "g"}, Uses: []dataset.FrameUse{use}}); err != nil {
		t.Fatal(err)
	}
	const want = "  better operations lack 2 files here; to install:\n    projsync --file us_noaa_conus.tif && \\\n    projsync --file us_noaa_nchpgn.tif\n"
	if !strings.Contains(b.String(), want) {
		t.Errorf("%s\nshould have\n%s", b.String(), want)
	}
}
