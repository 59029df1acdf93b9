package match

import (
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// A text is evidence of what a photo shows, but not in a photo that was corrected: a
// correction may have labelled it from the very link that the evidence is held against.
func TestLabelsAreNoEvidence(t *testing.T) {
	f := newIDFinder([]Point{{ID: "B01", EN: grid.EN{}}})
	for _, c := range []struct {
		name string
		tag  geotag.Tag
		want int
	}{
		{"as taken", geotag.Tag{}, 1},
		{"as taken, by a receiver", geotag.Tag{ProcessingMethod: "GPS"}, 1},
		{"corrected", geotag.Tag{ProcessingMethod: "SURVEY; WGS 84 (G2139), EPSG:9755; epoch 2025.4"}, 0},
		{"with the point as its destination", geotag.Tag{Destination: &geotag.Destination{}}, 0},
	} {
		c.tag.Texts.XMPTitle = "B01"
		if got := f.find(&Photo{Name: "photos/1.jpg", Tag: &c.tag}); len(got) != c.want {
			t.Errorf("%s: %v, want %d", c.name, got, c.want)
		}
	}
}
