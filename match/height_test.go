package match

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// heightPlane is a plane whose geographic heights are those of its grid.
type heightPlane struct{ grid.Projection }

func (heightPlane) EllipsoidalHeights(ctx context.Context, at []grid.EN, heights []grid.Height, frames []grid.Frame) ([]grid.HeightPlacement, error) {
	return toEllipsoid(heights), nil
}

func (heightPlane) FixHeights(ctx context.Context, fixes []grid.Fix, heights []grid.Height) ([]grid.HeightPlacement, error) {
	return toEllipsoid(heights), nil
}

// toEllipsoid knows one vertical system, EGM96, 57 m above the ellipsoid.
func toEllipsoid(heights []grid.Height) []grid.HeightPlacement {
	out := make([]grid.HeightPlacement, len(heights))
	for i, h := range heights {
		switch {
		case h.Ref.Surface == grid.HeightEllipsoid:
			out[i].Metres = h.Metres
		case h.Ref.VerticalCRS == "EGM96":
			out[i] = grid.HeightPlacement{Metres: h.Metres + 57, Steps: []string{"EGM96"}}
		case h.Ref.Separation != nil:
			out[i] = grid.HeightPlacement{Metres: h.Metres + *h.Ref.Separation, Steps: []string{"a constant"}}
		default:
			out[i].Err = errors.New("no geoid of that name")
		}
	}
	return out
}

// Heights are compared only where both references are known; the reason is told
// where they are not.
func TestHeights(t *testing.T) {
	sep := 55.5
	ellipsoid := grid.HeightRef{Surface: grid.HeightEllipsoid}
	for _, c := range []struct {
		name  string
		tag   geotag.AltitudeRef
		opt   HeightOptions
		plain bool // a projection that knows no heights
		dh    float64
		why   string
	}{
		{name: "both ellipsoidal", tag: geotag.AltitudeEllipsoidal, opt: HeightOptions{Points: ellipsoid}, dh: 62 - 4},
		{name: "both above one geoid", tag: geotag.AltitudeSeaLevel, opt: HeightOptions{Points: grid.HeightRef{Surface: grid.HeightGeoid, VerticalCRS: "EGM96"}, TagSeaLevel: "EGM96"}, dh: 62 - 4},
		{name: "a constant on one side", tag: geotag.AltitudeEllipsoidal, opt: HeightOptions{Points: grid.HeightRef{Surface: grid.HeightGeoid, Separation: &sep}}, dh: 62 - 4 - 55.5},
		{name: "told of the handheld", tag: geotag.AltitudeAmbiguous, opt: HeightOptions{Points: ellipsoid, Tags: grid.HeightEllipsoid}, dh: 62 - 4},
		{name: "told of the handheld's sea level", tag: geotag.AltitudeUnstated, opt: HeightOptions{Points: ellipsoid, Tags: grid.HeightGeoid, TagSeaLevel: "EGM96"}, dh: 62 + 57 - 4},
		{name: "what the image says outweighs that", tag: geotag.AltitudeEllipsoidal, opt: HeightOptions{Points: ellipsoid, Tags: grid.HeightGeoid, TagSeaLevel: "EGM96"}, dh: 62 - 4},
		{name: "points unknown", tag: geotag.AltitudeEllipsoidal, why: "what the points' heights count from is not known"},
		{name: "tag unstated", tag: geotag.AltitudeUnstated, opt: HeightOptions{Points: ellipsoid}, why: "does not say what its altitude counts from"},
		{name: "tag ambiguous", tag: geotag.AltitudeAmbiguous, opt: HeightOptions{Points: ellipsoid}, why: "a standard older than Exif 3.0"},
		{name: "which sea level", tag: geotag.AltitudeSeaLevel, opt: HeightOptions{Points: ellipsoid}, why: "which vertical system that means is not known"},
		{name: "no such geoid", tag: geotag.AltitudeSeaLevel, opt: HeightOptions{Points: ellipsoid, TagSeaLevel: "X"}, why: "height of the tag: no geoid of that name"},
		{name: "no heights at all", tag: geotag.AltitudeEllipsoidal, opt: HeightOptions{Points: ellipsoid}, plain: true, why: "can't bring heights to the ellipsoid"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var proj grid.Projection = newPlane()
			if !c.plain {
				proj = heightPlane{proj}
			}
			four := 4.0
			tag := &geotag.Tag{Position: &geotag.Position{Lat: 53.3, Lon: -6.2}, Altitude: &geotag.Altitude{Metres: 62, Ref: c.tag}}
			r, err := CompareOne(context.Background(), proj, Photo{Name: "p", Tag: tag}, Point{ID: "A", EN: grid.EN{E: 700000, N: 700000}, Height: &four}, Options{Heights: c.opt})
			if err != nil {
				t.Fatal(err)
			}
			switch h := r.Height; {
			case h == nil:
				t.Error("nothing is said of the height")
			case c.why != "":
				if h.DH != nil || !strings.Contains(h.Why, c.why) {
					t.Errorf("got %+v, want no comparison because %s", h, c.why)
				}
			case h.DH == nil || math.Abs(*h.DH-c.dh) > 1e-9 || h.Why != "":
				t.Errorf("got %+v, want %v", h, c.dh)
			}
			tag.Altitude = nil
			r, err = CompareOne(context.Background(), proj, Photo{Name: "p", Tag: tag}, Point{ID: "A", EN: grid.EN{E: 700000, N: 700000}, Height: &four}, Options{Heights: c.opt})
			if err != nil || r.Height != nil {
				t.Errorf("a tag without an altitude gives %+v, %v", r.Height, err)
			}
		})
	}
}

// TestHeightsOff: heights of points that count from EGM96 and are read as ellipsoidal,
// 57 m too low, are a finding in the unit of the job, and each photo is over; heights
// within the tolerance are none. That geoid and ellipsoid differ by so much: EGM96 over
// Ireland (NGA, from memory).
func TestHeightsOff(t *testing.T) {
	for _, c := range []struct {
		height, tolerance float64
		unit              grid.Unit
		want              string
		verdict           Verdict
	}{
		{4, 0, grid.Metre, "the altitudes of 8 photos lie 58.0 m above the heights of their points (median); 15.0 m tolerated", Over},
		{4, 0, grid.Foot, "the altitudes of 8 photos lie 190 ft above the heights of their points (median); 49.2 ft tolerated", Over},
		{4, 60, grid.Metre, "", Within},
		{60, 0, grid.Metre, "", Within},
	} {
		p := newPlane()
		p.unit = c.unit
		opt := Options{Heights: HeightOptions{Points: grid.HeightRef{Surface: grid.HeightEllipsoid}, Tolerance: c.tolerance}, Ties: TieOptions{Off: true}}
		points := []Point{{ID: "A", EN: grid.EN{E: p.e0, N: p.n0}, Height: &c.height}}
		var links []Link
		var photos []Photo
		for i := range 8 {
			tag := tagAt(p, points[0].EN, float64(i), 1)
			tag.Altitude = &geotag.Altitude{Metres: 62, Ref: geotag.AltitudeEllipsoidal}
			photos = append(photos, Photo{Name: string(rune('a' + i)), Tag: tag})
			links = append(links, Link{Photo: photos[i].Name, Point: "A"})
		}
		res, err := Check(context.Background(), heightPlane{p}, points, links, seq(photos...), opt)
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		for _, f := range res.Findings() {
			if f.Code == FindingHeights {
				got = f.Message
			}
		}
		if got != c.want || res.Photos[0].Height.Verdict != c.verdict {
			t.Errorf("%+v: %q, %+v", c, got, res.Photos[0].Height)
		}
	}
}
