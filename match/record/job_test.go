package record_test

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/pixels"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	required "example.com/phototie/match/pictures"
	"example.com/phototie/match/record"
)

// quay is a projection good enough for one quay: a tangent plane.
type quay struct{ unit grid.Unit }

const (
	lat0, lon0 = 52.1883, -6.6802
	earth      = 6371008.8
)

func (q quay) Grid() grid.Grid {
	return grid.Grid{Name: "Port Velland quay", Unit: q.unit, Frame: "Velland 24"}
}

func (q quay) ToGrid(_ context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	op := &grid.Operation{Name: "tangent plane", Source: "WGS 84", Accuracy: new(float64)}
	out := make([]grid.Placement, len(fixes))
	for i, f := range fixes {
		out[i].Op = op
		out[i].E = (f.Lon - lon0) * math.Pi / 180 * earth * math.Cos(lat0*math.Pi/180) / q.unit.Metres
		out[i].N = (f.Lat - lat0) * math.Pi / 180 * earth / q.unit.Metres
	}
	return out, nil
}

func (q quay) latLon(p grid.EN) (grid.LatLon, error) {
	return grid.LatLon{
		Lat: lat0 + p.N*q.unit.Metres/earth*180/math.Pi,
		Lon: lon0 + p.E*q.unit.Metres/earth/math.Cos(lat0*math.Pi/180)*180/math.Pi,
	}, nil
}

func (q quay) FromGrid(_ context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	out := make([]grid.FixPlacement, len(at))
	for i, p := range at {
		out[i].Frame = frames[i]
		out[i].LatLon, _ = q.latLon(p)
	}
	return out, nil
}

// job is a checked job of about n photos, two or three a point, with honest noise
// and some of every trouble. The names can be made hostile.
func job(tb testing.TB, n int, unit grid.Unit, name func(string) string) *match.Result {
	tb.Helper()
	if name == nil {
		name = func(s string) string { return s }
	}
	rng := rand.New(rand.NewPCG(7, uint64(n)))
	q := quay{unit}
	codes := []string{"BOL", "FEN", "LAD", "DRN"}
	var points []match.Point
	var links []match.Link
	var photos []match.Photo
	start := time.Date(2025, 5, 20, 9, 0, 0, 0, time.FixedZone("", 3600))
	for k := 0; len(photos) < n; k++ {
		h := 3 + rng.Float64()
		pt := match.Point{ID: name(fmt.Sprintf("P%04d", k+1)), Code: name(codes[k%len(codes)]), Desc: name("Bollard, cast iron"), Height: &h, Line: k + 2,
			EN:       grid.EN{E: (float64(k%100)*9 + rng.Float64()) / unit.Metres, N: (float64(k/100)*40 + 15*math.Sin(float64(k)/12)) / unit.Metres},
			Observed: start.Add(time.Duration(k) * 3 * time.Minute)}
		points = append(points, pt)
		if k%19 == 18 {
			continue // a point without a photo
		}
		for range 2 + k%2 {
			i := len(photos)
			herr := 3 + 2*rng.Float64()
			s := herr / 1.515
			a := 2 * math.Pi * rng.Float64()
			at, _ := q.latLon(grid.EN{E: pt.E + (2*math.Sin(a)+s*rng.NormFloat64())/unit.Metres, N: pt.N + (2*math.Cos(a)+s*rng.NormFloat64())/unit.Metres})
			tag := &geotag.Tag{Position: &geotag.Position{Lat: at.Lat, Lon: at.Lon, Step: 1e-7, Source: "exif"}, HPositioningError: &herr, MapDatum: "WGS-84",
				Taken: &geotag.Taken{Time: pt.Observed.Add(time.Duration(i%3) * 20 * time.Second), HasOffset: true}, Direction: &geotag.Direction{Degrees: 360 * rng.Float64()},
				Width: 1280, Height: 960}
			ph := match.Photo{Name: name(fmt.Sprintf("photos/day%d/Q%05d.jpg", 1+i/5000, i+1)), Tag: tag, Pixels: pictured(i)}
			if i%101 == 3 {
				ph.Pixels, ph.PixelsErr = nil, fmt.Errorf("%s: %w", name("no header"), geotag.ErrTruncated)
			}
			switch {
			case i%37 == 5:
				tag.Position.Lon = -tag.Position.Lon
			case i%41 == 7:
				tag.Position.Lat += 40.0 / earth * 180 / math.Pi
			case i%67 == 11:
				tag.Position = nil
			case i%97 == 13:
				ph.Tag, ph.Err = nil, fmt.Errorf("it starts with %s", name("00 00"))
			}
			photos = append(photos, ph)
			if i%53 != 17 { // some have no link
				links = append(links, match.Link{Photo: ph.Name, Point: pt.ID, Line: i + 2})
			}
		}
	}
	links = append(links, match.Link{Photo: name("photos/gone.jpg"), Point: points[0].ID, Line: 999})
	res, err := match.Check(tb.Context(), q, points, links, match.All(photos), match.Options{
		Requirements: &required.Requirements{Default: required.CodeRule{MinPhotos: 1}, PerCode: map[string]required.CodeRule{name("LAD"): {MinPhotos: 3}}}})
	if err != nil {
		tb.Fatal(err)
	}
	return res
}

// pictured is what was measured of the i-th photo.
func pictured(i int) *pixels.Measures {
	blur := 1 + float64(i%5)/10
	m := &pixels.Measures{Width: 1280, Height: 960, SHA256: pixels.Sum{byte(i), byte(i >> 8), byte(i >> 16), 1}, Quality: &pixels.Quality{Low: 85, High: 85},
		Exposure: &pixels.Exposure{Black: 0.01, White: 0.02, Mean: 0.5}, Blur: &blur}
	switch {
	case i%43 == 9:
		blur = 3.5
	case i%59 == 2:
		m.Width, m.Height = 320, 240
	case i%71 == 20:
		*m = pixels.Measures{Width: 1280, Height: 960, SHA256: m.SHA256, Undecoded: "the image is cut off"}
	case i%31 == 1:
		m.Orientation = 6
	}
	return m
}

// picture is a small JPEG.
func picture(w, h int, seed uint64) record.Picture {
	rng := rand.New(rand.NewPCG(seed, 1))
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			v := uint8(128 + 60*math.Sin(float64(x)/9)*math.Cos(float64(y)/7) + 12*rng.Float64())
			m.SetRGBA(x, y, color.RGBA{v, v / 2, 255 - v, 255})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 75}); err != nil {
		panic(err)
	}
	return record.Picture{JPEG: b.Bytes(), Width: w, Height: h}
}

// input is a record with everything in it.
func input(tb testing.TB, n int, name func(string) string) record.Input {
	if name == nil {
		name = func(s string) string { return s }
	}
	res := job(tb, n, grid.Metre, name)
	pic := picture(64, 48, 1)
	return record.Input{
		Title: name("Port Velland"), Result: res, Tool: name("phototie test"), Date: name("2 June 2025"),
		Geographic: quay{grid.Metre}.latLon,
		Causes: []record.Cause{{Name: name("flipped longitude"), Summary: name("The sign is wrong."), Remedy: name("Set it right."), Details: []string{name("3 photos")},
			Photos: []string{res.Photos[0].Name, res.Photos[5].Name, name("photos/not-there.jpg")}}},
		Changes: []record.Change{{Photo: res.Photos[0].Name, Time: time.Date(2025, 6, 1, 8, 0, 0, 0, time.UTC), What: name("written"), Was: name("52 N"), Is: name("53 N"),
			Before: name("aa"), After: name("bb"), Notes: []string{name("a note")}}},
		Thumbnail: func(_ context.Context, photo string) (record.Picture, error) {
			if photo == res.Photos[3].Name {
				return record.Picture{}, fmt.Errorf("it is %s", name("broken"))
			}
			return pic, nil
		},
	}
}
