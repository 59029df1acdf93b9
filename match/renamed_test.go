package match

import (
	"slices"
	"testing"
)

// A name that was made from a link is no evidence for it: what names say counts
// by the name that the photo had before.
func TestRenamedPhotos(t *testing.T) {
	p := newPlane()
	points, links, photos := quay(p, 12, 0, true)
	links[8].Point = "B05"
	links[8].Photo, photos[8].Name = "photos/B05_1.jpg", "photos/B05_1.jpg"
	photos[8].Original = "day1/B04 north.jpg"
	got := check(t, p, points, links, photos, TieOptions{}).Photos[8].Inference.Evidence
	if !slices.Contains(got, "the file name names B04") || slices.Contains(got, "the file name names B05") {
		t.Errorf("evidence %q", got)
	}
	photos[8].Original = ""
	got = check(t, p, points, links, photos, TieOptions{}).Photos[8].Inference.Evidence
	if !slices.Contains(got, "the file name names B05") {
		t.Errorf("evidence without the original name: %q", got)
	}
}
