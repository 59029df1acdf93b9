package pictures_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"path"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/pixels"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset/demo"
	"example.com/phototie/match/pictures"
)

// picture draws something that differs from seed to seed.
func picture(seed uint64, w, h int) *image.RGBA {
	rng := rand.New(rand.NewPCG(seed, 1))
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	type spot struct {
		x, y, r float64
		c       color.RGBA
	}
	var spots []spot
	for range 25 {
		spots = append(spots, spot{rng.Float64(), rng.Float64(), 0.05 + 0.15*rng.Float64(), color.RGBA{uint8(rng.IntN(256)), uint8(rng.IntN(256)), uint8(rng.IntN(256)), 255}})
	}
	for y := range h {
		for x := range w {
			c := color.RGBA{110, 130, 140, 255}
			for _, s := range spots {
				if dx, dy := float64(x)/float64(w)-s.x, float64(y)/float64(h)-s.y; dx*dx+dy*dy < s.r*s.r {
					c = s.c
				}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

// strike draws a red bar across a picture.
func strike(m *image.RGBA) *image.RGBA {
	w, h := m.Rect.Dx(), m.Rect.Dy()
	for y := h / 2; y < h/2+h/40; y++ {
		for x := w / 4; x < 3*w/4; x++ {
			m.SetRGBA(x, y, color.RGBA{250, 10, 10, 255})
		}
	}
	return m
}

// measured measures a picture as a JPEG.
func measured(tb testing.TB, m image.Image, quality int) *pixels.Measures {
	tb.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
		tb.Fatal(err)
	}
	return measuredFile(tb, b.Bytes())
}

func measuredFile(tb testing.TB, img []byte) *pixels.Measures {
	tb.Helper()
	got, err := pixels.Measure(context.Background(), bytes.NewReader(img), int64(len(img)), pixels.Limits{}, nil)
	if err != nil {
		tb.Fatal(err)
	}
	return got
}

// shot is a photo of a job made for a test.
type shot struct {
	name, point string
	m           *pixels.Measures
	err         error
}

// job makes a checked job of photos and of points with their codes.
func job(shots []shot, codes map[string]string) *match.Result {
	res := &match.Result{}
	tied := map[string][]string{}
	for i, s := range shots {
		p := match.PhotoResult{Photo: match.Photo{Name: s.name, Err: s.err, Pixels: s.m}}
		if s.point != "" {
			p.Tie = &match.Tie{Point: s.point, Line: i + 1}
			tied[s.point] = append(tied[s.point], s.name)
		}
		res.Photos = append(res.Photos, p)
	}
	var ids []string
	for id := range codes {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	for i, id := range ids {
		res.Points = append(res.Points, match.PointResult{Point: match.Point{ID: id, Code: codes[id], Line: i + 2}, Photos: tied[id]})
	}
	return res
}

func requireFindings(t *testing.T, what string, got []match.Finding, want ...string) {
	t.Helper()
	var lines []string
	for _, f := range got {
		lines = append(lines, fmt.Sprintf("%s %s %s%s %d: %s", f.Severity, f.Code, f.Photo, f.Point, f.Line, f.Message))
		if f.Remedy == "" || f.Message == "" {
			t.Errorf("%s: %+v has no message or no remedy", what, f)
		}
	}
	ok := len(lines) == len(want)
	for i := 0; ok && i < len(want); i++ {
		ok = strings.Contains(lines[i], want[i])
	}
	if !ok {
		t.Errorf("%s:\n  %s\nwant\n  %s", what, strings.Join(lines, "\n  "), strings.Join(want, "\n  "))
	}
}

// checkPhotos lists what is found, in the order of Result.Findings.
func checkPhotos(res *match.Result, req pictures.Requirements) ([]match.Finding, error) {
	if err := req.Validate(); err != nil {
		return nil, err
	}
	all := req.Check(res)
	var out []match.Finding
	for i := range res.Photos {
		out = append(out, all.Photos[res.Photos[i].Name]...)
	}
	for i := range res.Points {
		if f, ok := all.Points[res.Points[i].ID]; ok {
			out = append(out, f)
		}
	}
	return append(out, all.Job...), nil
}

func ptrTo[T any](v T) *T { return &v }

// sound is what a good photo measures.
func sound(n byte) *pixels.Measures {
	return &pixels.Measures{Width: 1600, Height: 1200, SHA256: pixels.Sum{n}, Quality: &pixels.Quality{Low: 85, High: 85},
		Exposure: &pixels.Exposure{Mean: 0.4}, Blur: ptrTo(1.0)}
}

func TestCheckPhotosOne(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*pixels.Measures)
		rule   pictures.CodeRule
		want   []string
	}{
		{"sound", func(*pixels.Measures) {}, pictures.CodeRule{}, nil},
		{"small", func(m *pixels.Measures) { m.Width, m.Height = 320, 240 }, pictures.CodeRule{}, []string{"warning photo-too-small 1.jpgB1 1: it has 320 x 240 pixels; 1024 x 768 are required for code BOL"}},
		{"just large enough, upright", func(m *pixels.Measures) { m.Width, m.Height = 768, 1024 }, pictures.CodeRule{}, nil},
		{"too narrow", func(m *pixels.Measures) { m.Height = 700 }, pictures.CodeRule{}, []string{"photo-too-small"}},
		{"small allowed", func(m *pixels.Measures) { m.Width, m.Height = 320, 240 }, pictures.CodeRule{MinLongSide: -1, MinShortSide: -1}, nil},
		{"larger required", func(*pixels.Measures) {}, pictures.CodeRule{MinLongSide: 4000}, []string{"4000 x 768 are required"}},
		{"quality 30", func(m *pixels.Measures) { m.Quality = &pixels.Quality{Low: 30, High: 30} }, pictures.CodeRule{}, []string{"photo-low-quality 1.jpgB1 1: its JPEG quality is 30; 50 is"}},
		{"quality at most 40", func(m *pixels.Measures) { m.Quality = &pixels.Quality{Low: 10, High: 40} }, pictures.CodeRule{}, []string{"is 10 to 40"}},
		{"quality at least 50", func(m *pixels.Measures) { m.Quality = &pixels.Quality{Low: 50, High: 90} }, pictures.CodeRule{}, nil},
		{"quality open", func(m *pixels.Measures) { m.Quality = &pixels.Quality{Low: 40, High: 90} }, pictures.CodeRule{}, []string{"note photo-quality-unknown  0: the JPEG quality of 1 photo can't"}},
		{"no table", func(m *pixels.Measures) { m.Quality = nil }, pictures.CodeRule{}, []string{"photo-quality-unknown"}},
		{"no table and none asked for", func(m *pixels.Measures) { m.Quality = nil }, pictures.CodeRule{MinQuality: -1}, nil},
		{"blurred", func(m *pixels.Measures) { m.Blur = ptrTo(3.21) }, pictures.CodeRule{}, []string{"warning photo-blurred 1.jpgB1 1: it is blurred: edges are spread by 3.2 of 512 pixels; 1.7 are allowed for code BOL"}},
		{"no edges", func(m *pixels.Measures) { m.Blur = nil }, pictures.CodeRule{}, []string{"photo-blurred 1.jpgB1 1: it shows no edges"}},
		{"blur allowed", func(m *pixels.Measures) { m.Blur = nil }, pictures.CodeRule{MaxBlur: -1}, nil},
		{"clipped", func(m *pixels.Measures) { m.Exposure = &pixels.Exposure{Black: 0.25, White: 0.3} }, pictures.CodeRule{}, []string{"25 % of it is plain black and 30 % plain white; 40 % are allowed together"}},
		{"clipped allowed", func(m *pixels.Measures) { m.Exposure = &pixels.Exposure{Black: 0.25, White: 0.3} }, pictures.CodeRule{MaxClipped: 0.6}, nil},
		{"turned", func(m *pixels.Measures) { m.Orientation = 6 }, pictures.CodeRule{}, []string{"note photo-orientation 1.jpgB1 1: its pixels lie turned: it is upright a quarter turn clockwise"}},
		{"mirrored", func(m *pixels.Measures) { m.Orientation = 2 }, pictures.CodeRule{}, []string{"warning photo-orientation"}},
		{"upright", func(m *pixels.Measures) { m.Orientation = 1 }, pictures.CodeRule{}, nil},
		{"cut off", func(m *pixels.Measures) {
			*m = pixels.Measures{Width: 1600, Height: 1200, Undecoded: "the image is cut off"}
		}, pictures.CodeRule{MinQuality: -1}, []string{"error photo-undecodable 1.jpgB1 1: its pixels can't be read: the image is cut off"}},
		{"of another kind", func(m *pixels.Measures) {
			*m = pixels.Measures{Width: 1600, Height: 200, Undecoded: "a kind of JPEG", Unsupported: true}
		}, pictures.CodeRule{MinQuality: -1}, []string{"photo-too-small 1.jpg", "note photo-unmeasured  0: the pixels of 1 photo were not measured, as they are of a kind that is not decoded here (the first is 1.jpg: a kind of JPEG)"}},
	} {
		m := sound(1)
		c.change(m)
		res := job([]shot{{"1.jpg", "B1", m, nil}}, map[string]string{"B1": "BOL"})
		got, err := checkPhotos(res, pictures.Requirements{PerCode: map[string]pictures.CodeRule{"bol": c.rule}})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		requireFindings(t, c.name, got, c.want...)
		// The rule of another code must not matter, and that it is unused is said.
		got, err = checkPhotos(res, pictures.Requirements{Default: c.rule, PerCode: map[string]pictures.CodeRule{"LAD": {MinLongSide: 9999, MinQuality: 100}}})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		requireFindings(t, c.name+" by default", got, append(slices.Clone(c.want), `note requirement-unused  0: there is a rule for photos of code "LAD"`)...)
	}
}

func TestRule(t *testing.T) {
	req := pictures.Requirements{Default: pictures.CodeRule{MinPhotos: 1, MinQuality: -1}, PerCode: map[string]pictures.CodeRule{"BMK": {MinPhotos: 3, MinLongSide: 2000}, "FEN": {MinPhotos: -1}}}
	for code, want := range map[string]pictures.CodeRule{
		"":      {MinPhotos: 1, MinLongSide: 1024, MinShortSide: 768, MinQuality: -1, MaxBlur: pixels.SharpBlur, MaxClipped: 0.4},
		"BOL":   {MinPhotos: 1, MinLongSide: 1024, MinShortSide: 768, MinQuality: -1, MaxBlur: pixels.SharpBlur, MaxClipped: 0.4},
		" bmk ": {MinPhotos: 3, MinLongSide: 2000, MinShortSide: 768, MinQuality: -1, MaxBlur: pixels.SharpBlur, MaxClipped: 0.4},
		"FEN":   {MinPhotos: -1, MinLongSide: 1024, MinShortSide: 768, MinQuality: -1, MaxBlur: pixels.SharpBlur, MaxClipped: 0.4},
	} {
		if got := req.Rule(code); got != want {
			t.Errorf("%q: %+v, want %+v", code, got, want)
		}
	}
	for _, bad := range []pictures.Requirements{
		{Default: pictures.CodeRule{MinQuality: 101}},
		{Default: pictures.CodeRule{MaxClipped: 1.5}},
		{Default: pictures.CodeRule{MaxClipped: math.NaN()}},
		{Default: pictures.CodeRule{MaxBlur: math.NaN()}},
		{PerCode: map[string]pictures.CodeRule{"A": {MinLongSide: 100, MinShortSide: 200}}},
		{PerCode: map[string]pictures.CodeRule{"A": {}, "a": {}}},
		{PerCode: map[string]pictures.CodeRule{" ": {}}},
		{MarkupSuffixes: []string{" "}},
	} {
		f, err := checkPhotos(&match.Result{}, bad)
		var fault *pictures.RequirementError
		if !errors.As(err, &fault) || f != nil {
			t.Errorf("%+v: %v, %v", bad, f, err)
		} else if fault.What == "" || fault.Remedy == "" {
			t.Errorf("%+v: %+v does not say what is wrong and what to do", bad, fault)
		}
		if _, err := match.Check(t.Context(), flat{}, nil, nil, match.All(nil), match.Options{Requirements: &bad}); err == nil {
			t.Errorf("%+v: Check took it", bad)
		}
	}
	// Resolved requirements ask for the same, and say so.
	filled := req.Resolved().(*pictures.Requirements)
	if again := filled.Resolved(); !reflect.DeepEqual(again, filled) {
		t.Errorf("filled twice: %+v, was %+v", again, filled)
	}
	for _, code := range []string{"", "BOL", "BMK", "FEN"} {
		if got, want := filled.Rule(code), req.Rule(code); got != want {
			t.Errorf("filled, %q: %+v, want %+v", code, got, want)
		}
	}
	if got := filled.PerCode["BMK"]; got != req.Rule("BMK") || len(filled.MarkupSuffixes) == 0 {
		t.Errorf("filled: %+v", filled)
	}
}

// Check holds photos against what is required, and its findings are among all others:
// those of a photo behind its own, and each point's once.
func TestCheckWithRequirements(t *testing.T) {
	blurred := sound(2)
	blurred.Blur = ptrTo(4.0)
	untagged := &geotag.Tag{Width: 1600, Height: 1200}
	photos := []match.Photo{
		{Name: "1.jpg", Tag: untagged, Pixels: sound(1)},
		{Name: "2.jpg", Tag: untagged, Pixels: blurred},
		{Name: "3.png", Tag: untagged, PixelsErr: fmt.Errorf("a picture of another kind: %w", geotag.ErrFormat)},
		{Name: "4.jpg", Tag: untagged, PixelsErr: fmt.Errorf("no header: %w", geotag.ErrTruncated)},
		{Name: "5.jpg", Err: errors.New("gone")},
	}
	points := []match.Point{{ID: "A", Code: "BOL"}, {ID: "B", Code: "BOL"}, {ID: "C", Code: "FEN"}, {ID: "D", EN: grid.EN{E: 5}}}
	links := []match.Link{{Photo: "1.jpg", Point: "A"}, {Photo: "2.jpg", Point: "A"}, {Photo: "3.png", Point: "A"}, {Photo: "4.jpg", Point: "D"}, {Photo: "5.jpg", Point: "D"}, {Photo: "gone.jpg", Point: "A"}}
	opt := match.Options{Requirements: &pictures.Requirements{PerCode: map[string]pictures.CodeRule{"BOL": {MinPhotos: 3}, "XYZ": {}}}, Ties: match.TieOptions{Off: true}}
	res, err := match.Check(t.Context(), flat{}, points, links, match.All(photos), opt)
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"warning tag-missing 1.jpg", "warning tag-missing 2.jpg", "warning photo-blurred 2.jpg", "warning tag-missing 3.png",
		"warning tag-missing 4.jpg", "error photo-undecodable 4.jpgD 0: its pixels can't be read: no header: ", "error photo-unreadable 5.jpg",
		"link-photo-unknown gone.jpg",
		"error point-too-few-photos A 0: 2 of 3 photos required for code BOL; not counted: 1 blurred",
		"error point-too-few-photos B 0: 0 of 3 photos required for code BOL",
		"note point-without-photo C",
		"note photo-unmeasured  0: the pixels of 1 photo were not measured, as they are of a kind that is not decoded here (the first is 3.png: ",
		`note requirement-unused  0: there is a rule for photos of code "XYZ"`,
	}
	requireFindings(t, "with requirements", res.Findings(), want...)
	if r, ok := res.Requirements.(*pictures.Requirements); !ok || r.PerCode["BOL"].MinLongSide != 1024 {
		t.Errorf("the result has the requirements %+v", r)
	}
	if res.Photos[0].Pixels == nil || res.Photos[2].PixelsErr == nil {
		t.Error("the result has lost what was measured")
	}
	opt.Requirements = nil
	if res, err = match.Check(t.Context(), flat{}, points, links, match.All(photos), opt); err != nil {
		t.Fatal(err)
	}
	if res.Requirements != nil {
		t.Error("nothing was required, and the result says that something was")
	}
	for _, f := range res.Findings() {
		if f.Code.AboutPicture() {
			t.Errorf("nothing was required: %+v", f)
		}
	}
}

func TestCheckPhotosCopies(t *testing.T) {
	codes := map[string]string{"B1": "", "B2": ""}
	a, b := measured(t, picture(1, 560, 400), 85), measured(t, picture(2, 560, 400), 85)
	again := measured(t, picture(1, 560, 400), 60)
	marked := measured(t, strike(picture(1, 560, 400)), 85)
	anySize := pictures.CodeRule{MinLongSide: -1, MinShortSide: -1}
	for _, c := range []struct {
		name  string
		shots []shot
		want  []string
	}{
		{"two photos", []shot{{"a.jpg", "B1", a, nil}, {"b.jpg", "B1", b, nil}}, nil},
		{"the same file", []shot{{"a.jpg", "B1", a, nil}, {"b.jpg", "B1", b, nil}, {"c.jpg", "B1", a, nil}},
			[]string{"warning photo-identical c.jpgB1 3: it is the same file as a.jpg, byte by byte"}},
		{"the same file at another point", []shot{{"a.jpg", "B1", a, nil}, {"c.jpg", "B2", a, nil}}, []string{"byte by byte; this one is tied to B2, the other to B1"}},
		{"saved again", []shot{{"a.jpg", "B1", a, nil}, {"b.jpg", "B1", b, nil}, {"c.jpg", "B1", again, nil}},
			[]string{"note photo-near-duplicate c.jpgB1 3: it shows the same picture as a.jpg"}},
		{"saved again, at another point", []shot{{"a.jpg", "B1", a, nil}, {"c.jpg", "B2", again, nil}}, []string{"warning photo-near-duplicate c.jpgB2 2: it shows the same picture as a.jpg; this one is tied to B2"}},
		{"three", []shot{{"a.jpg", "B1", a, nil}, {"c.jpg", "B1", again, nil}, {"d.jpg", "B1", again, nil}},
			[]string{"photo-near-duplicate c.jpg", "photo-identical d.jpgB1 3: it is the same file as c.jpg"}},
		{"marked, by pixels", []shot{{"m.jpg", "B1", marked, nil}, {"o.jpg", "B1", a, nil}}, []string{"note photo-markup-pair m.jpgB1 1: it looks like a marked-up copy of o.jpg"}},
		{"marked, by name and pixels", []shot{{"p/a.jpg", "B1", a, nil}, {"p/A-Marked.JPG", "", marked, nil}}, []string{"note photo-markup-pair p/A-Marked.JPG 0: it is a marked-up copy of p/a.jpg by its name and its pixels"}},
		{"marked, in another folder", []shot{{"p/a.jpg", "B1", a, nil}, {"q/a (markup) 2.jpg", "B1", marked, nil}}, []string{"photo-markup-pair q/a (markup) 2.jpgB1 2: it is a marked-up copy of p/a.jpg"}},
		{"marked, at another point", []shot{{"a.jpg", "B1", a, nil}, {"a_annot.jpg", "B2", marked, nil}}, []string{"warning photo-markup-pair a_annot.jpgB2"}},
		{"marked, not measured", []shot{{"a.jpg", "B1", nil, nil}, {"a_annot.jpg", "B1", marked, nil}}, []string{"note photo-markup-pair a_annot.jpgB1 2: by its name it is a marked-up copy of a.jpg; their pixels were not compared"}},
		{"another picture than its name says", []shot{{"b.jpg", "B1", b, nil}, {"b_annot.jpg", "B1", marked, nil}}, []string{"warning photo-markup-pair b_annot.jpgB1 2: by its name it is a marked-up copy of b.jpg; their pixels differ by more"}},
		{"the original under another name", []shot{{"x.jpg", "B1", a, nil}, {"y-redline.jpg", "B1", marked, nil}}, []string{"photo-markup-pair y-redline.jpgB1 2: it is a marked-up copy of x.jpg"}},
		{"names are the better witness", []shot{{"y-marked.jpg", "B1", again, nil}, {"x.jpg", "B1", a, nil}}, []string{"photo-markup-pair y-marked.jpgB1 1: it is a marked-up copy of x.jpg by its name"}},
		{"and not the pixels of another copy", []shot{{"x.jpg", "B1", again, nil}, {"a.jpg", "B1", a, nil}, {"a-marked.jpg", "B1", marked, nil}},
			[]string{"photo-near-duplicate a.jpg", "photo-markup-pair a-marked.jpgB1 3: it is a marked-up copy of a.jpg"}},
		{"two marked before the original", []shot{{"a-marked.jpg", "B1", marked, nil}, {"a-marked2.jpg", "B1", measured(t, strike(picture(1, 560, 400)), 70), nil}, {"a.jpg", "B1", a, nil}},
			[]string{"a-marked.jpgB1 1: it is a marked-up copy of a.jpg", "a-marked2.jpgB1 2: it is a marked-up copy of a.jpg"}},
		{"no original", []shot{{"b.jpg", "B1", b, nil}, {"a-marked-up.jpg", "B1", marked, nil}}, []string{"warning photo-markup-without-original a-marked-up.jpgB1 2"}},
		{"two marked and no original", []shot{{"a-marked.jpg", "B1", marked, nil}, {"a-marked2.jpg", "B1", measured(t, strike(picture(1, 560, 400)), 70), nil}},
			[]string{"photo-markup-without-original a-marked.jpg", "photo-markup-without-original a-marked2.jpg"}},
		{"two originals of the name elsewhere", []shot{{"p/b.jpg", "B1", b, nil}, {"q/b.jpg", "B1", sound(9), nil}, {"r/b-marked.jpg", "B1", marked, nil}}, []string{"photo-markup-without-original r/b-marked.jpg"}},
		{"only like it", []shot{{"landmarked.jpg", "B1", a, nil}, {"-marked.jpg", "B1", b, nil}}, nil},
		{"two marked", []shot{{"a.jpg", "B1", a, nil}, {"a-marked.jpg", "B1", marked, nil}, {"a-marked2.jpg", "B1", measured(t, strike(picture(1, 560, 400)), 70), nil}},
			[]string{"photo-markup-pair a-marked.jpg", "photo-markup-pair a-marked2.jpg"}},
	} {
		res := job(c.shots, codes)
		got, err := checkPhotos(res, pictures.Requirements{Default: anySize})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		requireFindings(t, c.name, got, c.want...)
	}
	res := job([]shot{{"a.jpg", "B1", a, nil}, {"a.X.jpg", "B1", marked, nil}, {"b-marked.jpg", "B1", b, nil}}, codes)
	got, err := checkPhotos(res, pictures.Requirements{Default: anySize, MarkupSuffixes: []string{"x"}})
	if err != nil {
		t.Error(err)
	}
	requireFindings(t, "own suffixes", got, "photo-markup-pair a.X.jpg")
}

func TestCheckPhotosCounts(t *testing.T) {
	codes := map[string]string{"BM1": "BMK", "B1": "BOL", "B2": "BOL"}
	req := pictures.Requirements{Default: pictures.CodeRule{MinLongSide: 400, MinShortSide: 300}, PerCode: map[string]pictures.CodeRule{"BMK": {MinPhotos: 3}, "BOL": {MinPhotos: 1}}}
	a := measured(t, picture(1, 560, 400), 85)
	again, marked := measured(t, picture(1, 560, 400), 60), measured(t, strike(picture(1, 560, 400)), 85)
	small, blurred, dark := sound(3), sound(4), sound(5)
	small.Width, small.Height = 320, 200
	blurred.Blur = ptrTo(5.0)
	dark.Exposure = &pixels.Exposure{Black: 0.9}
	for _, c := range []struct {
		name  string
		shots []shot
		want  string // of BM1; empty where it has enough
	}{
		{"enough", []shot{{"1.jpg", "BM1", sound(1), nil}, {"2.jpg", "BM1", sound(2), nil}, {"3.jpg", "BM1", nil, nil}}, ""},
		{"too dark counts, as it may show enough", []shot{{"1.jpg", "BM1", sound(1), nil}, {"2.jpg", "BM1", sound(2), nil}, {"3.jpg", "BM1", dark, nil}}, ""},
		{"none", nil, "0 of 3 photos required for code BMK"},
		{"one", []shot{{"1.jpg", "BM1", sound(1), nil}}, "1 of 3 photos required for code BMK"},
		{"copies count once", []shot{{"a.jpg", "BM1", a, nil}, {"b.jpg", "BM1", again, nil}, {"a-marked.jpg", "BM1", marked, nil}, {"1.jpg", "BM1", sound(1), nil}}, "2 of 3 photos required for code BMK; not counted: 2 a copy of another"},
		{"a copy", []shot{{"a.jpg", "BM1", a, nil}, {"b.jpg", "BM1", again, nil}, {"1.jpg", "BM1", sound(1), nil}}, "2 of 3 photos required for code BMK; not counted: 1 a copy of another"},
		{"no use", []shot{{"1.jpg", "BM1", small, nil}, {"2.jpg", "BM1", blurred, nil}, {"3.jpg", "BM1", nil, errors.New("gone")}}, "0 of 3 photos required for code BMK; not counted: 1 blurred, 1 too small, 1 unreadable"},
		{"a small copy does not spoil the large one", []shot{{"a.jpg", "BM1", a, nil}, {"b.jpg", "BM1", measured(t, picture(1, 280, 200), 85), nil}, {"1.jpg", "BM1", sound(1), nil}, {"2.jpg", "BM1", sound(2), nil}}, ""},
	} {
		shots := append(slices.Clone(c.shots), shot{"z1.jpg", "B1", sound(20), nil}, shot{"z2.jpg", "B2", sound(21), nil})
		res := job(shots, codes)
		got, err := checkPhotos(res, req)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		got = slices.DeleteFunc(got, func(f match.Finding) bool { return f.Code != match.FindingTooFew })
		if c.want == "" {
			requireFindings(t, c.name, got)
			continue
		}
		requireFindings(t, c.name, got, "error point-too-few-photos BM1 4: "+c.want)
		if !strings.HasSuffix(got[0].Message, c.want) {
			t.Errorf("%s: %s", c.name, got[0].Message)
		}
	}
}

// flat stands in for a projection at Port Velland.
type flat struct{}

func (flat) Grid() grid.Grid { return grid.Grid{Code: "EPSG:2157", Unit: grid.Metre} }

func (flat) FromGrid(_ context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	out := make([]grid.FixPlacement, len(at))
	for i, p := range at {
		out[i].LatLon = grid.LatLon{Lat: 52.188 + (p.N-604844)/111270, Lon: -6.680 + (p.E-690256)/68200}
		out[i].Frame = frames[i]
	}
	return out, nil
}

func (flat) ToGrid(context.Context, []grid.Fix) ([]grid.Placement, error) {
	return nil, errors.New("not wanted here")
}

// TestDemoPhotos looks at the drawn photos of the example job: the small one and the
// blurred one must be found, and nothing else. It takes a part of them;
// PHOTOTIE_ALL_PHOTOS takes all.
func TestDemoPhotos(t *testing.T) {
	made, err := demo.PortVelland(t.Context(), flat{}, 1)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{}
	for _, p := range made.Planted {
		switch p.Kind {
		case demo.Undersized:
			want[p.Photos[0]] = string(match.FindingTooSmall)
		case demo.Blurred:
			want[p.Photos[0]] = string(match.FindingBlurred)
		}
	}
	var photos []*demo.Photo
	for i := range made.Photos {
		p := &made.Photos[i]
		// Of the pairs of sound photos, that of QA0049 and QA0050 is the most alike.
		close := path.Base(p.Name) == "QA0049.jpg" || path.Base(p.Name) == "QA0050.jpg"
		if want[p.Name] != "" || close || i%15 == 0 || os.Getenv("PHOTOTIE_ALL_PHOTOS") != "" {
			photos = append(photos, p)
		}
	}
	shots := make([]shot, len(photos))
	var wg sync.WaitGroup
	limit := make(chan struct{}, 2)
	for i, p := range photos {
		wg.Go(func() {
			limit <- struct{}{}
			defer func() { <-limit }()
			img, err := p.JPEG()
			if err != nil {
				t.Error(err)
				return
			}
			m, err := pixels.Measure(context.Background(), bytes.NewReader(img), int64(len(img)), pixels.Limits{}, nil)
			if err != nil {
				t.Error(err)
			}
			shots[i] = shot{p.Name, p.Shows, m, nil}
		})
	}
	wg.Wait()
	if t.Failed() {
		return
	}
	codes, blur := map[string]string{}, []float64{}
	for _, s := range shots {
		codes[s.point] = "X"
		if s.m.Blur != nil && want[s.name] == "" {
			blur = append(blur, *s.m.Blur)
		}
	}
	t.Logf("%d photos, blur of the sound ones %.2f to %.2f", len(shots), slices.Min(blur), slices.Max(blur))
	res := job(shots, codes)
	got, err := checkPhotos(res, pictures.Requirements{})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range got {
		if want[f.Photo] != string(f.Code) {
			t.Errorf("%+v", f)
		}
		delete(want, f.Photo)
	}
	if len(want) > 0 || len(got) != 2 {
		t.Errorf("%d findings, not found: %v", len(got), want)
	}
}

// A photo of a bench mark is held against what is required of bench marks.
func ExampleRequirements_Check() {
	var file bytes.Buffer
	if err := jpeg.Encode(&file, picture(3, 640, 480), &jpeg.Options{Quality: 40}); err != nil {
		fmt.Println(err)
		return
	}
	m, err := pixels.Measure(context.Background(), bytes.NewReader(file.Bytes()), int64(file.Len()), pixels.Limits{}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	// A checked job, as match.Check returns it.
	res := &match.Result{
		Photos: []match.PhotoResult{{Photo: match.Photo{Name: "QA0001.jpg", Pixels: m}, Tie: &match.Tie{Point: "BM1"}}},
		Points: []match.PointResult{{Point: match.Point{ID: "BM1", Code: "BMK"}, Photos: []string{"QA0001.jpg"}}},
	}
	findings, err := checkPhotos(res, pictures.Requirements{
		Default: pictures.CodeRule{MinLongSide: 640, MinShortSide: 480},
		PerCode: map[string]pictures.CodeRule{"BMK": {MinPhotos: 2, MinQuality: 70}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, f := range findings {
		fmt.Println(f.Code, f.Message)
	}
	// Output:
	// photo-low-quality its JPEG quality is 40; 70 is required for code BMK
	// point-too-few-photos 1 of 2 photos required for code BMK
}

// BenchmarkCheckPhotos has jobs of pictures of noise, a tenth of which are copies.
func BenchmarkCheckPhotos(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	var shots []shot
	for i := range 8000 {
		m := sound(0)
		m.SHA256 = pixels.Sum{byte(i), byte(i >> 8)}
		m.Preview = new(pixels.Preview)
		for j := range m.Preview {
			m.Preview[j] = byte(rng.IntN(256))
		}
		if i%10 == 9 {
			*m.Preview = *shots[i-1].m.Preview
			m.Preview[0] ^= 1
		}
		shots = append(shots, shot{fmt.Sprintf("%05d.jpg", i), "B1", m, nil})
	}
	for _, n := range []int{1000, 2000, 4000, 8000} {
		b.Run(fmt.Sprintf("photos=%d", n), func(b *testing.B) {
			res := job(shots[:n], map[string]string{"B1": ""})
			for b.Loop() {
				got, err := checkPhotos(res, pictures.Requirements{})
				if err != nil || len(got) != n/10 {
					b.Fatal(len(got), err)
				}
			}
		})
	}
}
