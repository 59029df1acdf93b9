package dataset

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"io/fs"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"

	"example.com/phototie/match"
	"example.com/phototie/match/pictures"
)

// drawn is a picture with edges, another one for each n.
func drawn(tb testing.TB, n, w, h, quality int) []byte {
	tb.Helper()
	m := image.NewGray(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			cell := 64 * (x * 16 / w) / (n + 3)
			m.SetGray(x, y, color.Gray{Y: uint8(60 + 40*((cell+y*12/h*(n%5+1))%4))})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
		tb.Fatal(err)
	}
	return b.Bytes()
}

// quayFS is a dataset of two points with codes and four photos: one sound, one small,
// one cut off and one that says it is larger than anything.
func quayFS(tb testing.TB, settings string) fstest.MapFS {
	sound := drawn(tb, 1, 1200, 900, 85)
	huge := bytes.Clone(drawn(tb, 2, 64, 48, 85))
	frame := bytes.Index(huge, []byte{0xff, 0xc0, 0, 11, 8})
	if frame < 0 {
		tb.Fatal("the picture has no frame where it is looked for")
	}
	copy(huge[frame+5:], []byte{0xea, 0x60, 0xea, 0x60}) // 60000 x 60000
	return fstest.MapFS{
		"phototie.toml":   {Data: []byte(minimal + "[links]\nfile = \"links.csv\"\n" + settings)},
		"points.csv":      {Data: []byte("id,easting,northing,code\nA,690242,604873,BMK\nB,690262,604878,BOL\n")},
		"links.csv":       {Data: []byte("photo,point\nphotos/1.jpg,A\nphotos/2.jpg,A\nphotos/3.jpg,B\nphotos/4.jpg,B\n")},
		"photos/1.jpg":    {Data: sound},
		"photos/2.jpg":    {Data: drawn(tb, 3, 320, 240, 85)},
		"photos/3.jpg":    {Data: drawn(tb, 4, 1200, 900, 85)[:9000]},
		"photos/4.jpg":    {Data: huge},
		"photos/read.txt": {Data: []byte("not a photo")},
	}
}

// withoutReaderAt hides that files can be read anywhere.
type withoutReaderAt struct{ fs.FS }

func (f withoutReaderAt) Open(name string) (fs.File, error) {
	file, err := f.FS.Open(name)
	if err != nil {
		return nil, err
	}
	if dir, ok := file.(fs.ReadDirFile); ok {
		return dir, nil
	}
	return struct{ fs.File }{file}, nil
}

// pictureFindings are the findings about photos as pictures, in short.
func pictureFindings(res *match.Result) []string {
	var out []string
	for _, f := range res.Findings() {
		if f.Code.AboutPicture() {
			out = append(out, fmt.Sprintf("%s %s%s", f.Code, strings.TrimPrefix(f.Photo, "photos/"), map[bool]string{true: f.Point}[f.Photo == ""]))
		}
	}
	return out
}

func TestPixelPolicy(t *testing.T) {
	const rules = "[photo_requirements.codes.bmk]\nmin_photos = 2\n"
	pictures := []string{"photo-too-small 2.jpg", "photo-undecodable 3.jpg", "photo-undecodable 4.jpg"}
	for _, c := range []struct {
		name, settings string
		policy         PixelPolicy
		measured       bool
		want           []string
	}{
		{"nothing required", "", PixelsAuto, false, nil},
		{"nothing required, never", "", PixelsNever, false, nil},
		{"nothing required, always", "", PixelsAlways, true, pictures},
		{"required", rules, PixelsAuto, true, append(slices.Clone(pictures), "point-too-few-photos A")},
		{"required, always", rules, PixelsAlways, true, append(slices.Clone(pictures), "point-too-few-photos A")},
		{"required, never", rules, PixelsNever, false, nil},
		{"more required, never", strings.Replace(rules, "2", "3", 1), PixelsNever, false, []string{"point-too-few-photos A"}},
		{"an empty table", "[photo_requirements]\n", PixelsAuto, true, pictures},
	} {
		for _, fsys := range []fs.FS{quayFS(t, c.settings), withoutReaderAt{quayFS(t, c.settings)}} {
			d, err := OpenFS(fsys, nil, onPlane)
			if err != nil {
				t.Fatalf("%s: %v", c.name, err)
			}
			var told []int
			res, err := d.Check(t.Context(), CheckOptions{Pixels: c.policy, Progress: func(done, total int) { told = append(told, done, total) }})
			if err != nil {
				t.Fatalf("%s: %v", c.name, err)
			}
			if got := pictureFindings(res.Result); !slices.Equal(got, c.want) {
				t.Errorf("%s: %q, want %q", c.name, got, c.want)
			}
			for i := range res.Photos {
				if p := &res.Photos[i]; (p.Pixels != nil) != c.measured || p.Name != fmt.Sprintf("photos/%d.jpg", i+1) {
					t.Errorf("%s: %s: measured %v", c.name, p.Name, p.Pixels != nil)
				}
			}
			if !slices.Equal(told, []int{1, 4, 2, 4, 3, 4, 4, 4}) {
				t.Errorf("%s: progress %v", c.name, told)
			}
		}
	}
}

// What a Reader reads is what Check does: with it, no photo is opened.
func TestReader(t *testing.T) {
	files := quayFS(t, "[photo_requirements]\n")
	d, err := OpenFS(files, nil, onPlane)
	if err != nil {
		t.Fatal(err)
	}
	want, err := d.Check(t.Context(), CheckOptions{})
	if err != nil {
		t.Fatal(err)
	}
	read, opt := d.Reader(t.Context(), CheckOptions{}), CheckOptions{Photos: map[string]match.Photo{}}
	for i := range want.Photos {
		opt.Photos[want.Photos[i].Name] = read(want.Photos[i].Name)
		files[want.Photos[i].Name] = &fstest.MapFile{} // it would be unreadable
	}
	got, err := d.Check(t.Context(), opt)
	if err != nil || !reflect.DeepEqual(got.Photos, want.Photos) || !reflect.DeepEqual(got.Findings(), want.Findings()) {
		t.Errorf("%v\n%+v\n%+v", err, got, want)
	}
	if again, err := d.Check(t.Context(), CheckOptions{}); err != nil || reflect.DeepEqual(again.Findings(), want.Findings()) {
		t.Errorf("%v: nothing depends on the photos", err)
	}
}

// The order of photos is theirs, however long each takes, and a job is ended where it
// is.
func TestMeasuringManyAndEnding(t *testing.T) {
	files := quayFS(t, "[photo_requirements.default]\nmin_long_side_px = 16\nmin_short_side_px = 16\n")
	large, small := files["photos/1.jpg"].Data, drawn(t, 1, 64, 48, 85)
	for i := range 60 {
		data := small
		if i%7 == 0 {
			data = large
		}
		files[fmt.Sprintf("photos/many/%03d.jpg", i)] = &fstest.MapFile{Data: data}
	}
	d, err := OpenFS(files, nil, onPlane)
	if err != nil {
		t.Fatal(err)
	}
	res, err := d.Check(t.Context(), CheckOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range res.Photos[4:] {
		want := 64
		if i%7 == 0 {
			want = 1200
		}
		if p.Name != fmt.Sprintf("photos/many/%03d.jpg", i) || pictures.Of(&p.Photo).Width != want {
			t.Errorf("photo %d is %s, %d pixels wide", i, p.Name, pictures.Of(&p.Photo).Width)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	_, err = d.Check(ctx, CheckOptions{Progress: func(done, total int) {
		if done == 9 {
			cancel()
		}
	}})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("a job that was ended: %v", err)
	}
}

func TestRequirementProblems(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"quality", "[photo_requirements.default]\nmin_photos = 1\nmin_quality = 185\n", "phototie.toml:7: photo_requirements.default.min_quality: a JPEG quality of 185 is above 100; give 1 to 100"},
		{"a code's", "[photo_requirements.codes.\"B 1\"]\nmax_clipped = 1.5\n", `phototie.toml:6: photo_requirements.codes."B 1".max_clipped: a clipped share of 1.5`},
		{"dotted", "[photo_requirements]\ndefault.max_blur_px = nan\n", "phototie.toml:6: photo_requirements.default.max_blur_px: the blur is not a number"},
		{"inline", "[photo_requirements]\n\ncodes = { BMK = { min_long_side_px = 10, min_short_side_px = 20 } }\n", "phototie.toml:7: photo_requirements.codes.BMK.min_short_side_px: the shorter side of 20"},
		{"case", "[photo_requirements.codes.BMK]\nmin_photos = 1\n[photo_requirements.codes.bmk]\nmin_photos = 2\n", `phototie.toml:7: photo_requirements.codes.bmk: codes "BMK" and "bmk" differ in case only`},
		{"empty code", "[photo_requirements.codes.\"\"]\nmin_photos = 1\n", `phototie.toml:5: photo_requirements.codes."": a rule is for an empty code`},
		{"suffix", "[photo_requirements]\nmarkup_suffixes = [\"-x\", \"\"]\n", "phototie.toml:6: photo_requirements.markup_suffixes: an empty suffix"},
		{"unknown", "[photo_requirements.codes.BMK]\nmin_photo = 1\n", `phototie.toml:6:1: unknown key "photo_requirements.codes.BMK.min_photo"`},
		{"type", "[photo_requirements.codes.BMK]\nmin_photos = \"two\"\n", "phototie.toml:6:"},
		{"two at once", "[photo_requirements.default]\nmin_quality = 101\nmax_clipped = 2.0\n", "phototie.toml:7: photo_requirements.default.max_clipped"},
	} {
		_, err := parseSettings([]byte("\uFEFF" + minimal + c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one that says %q", c.name, err, c.want)
			continue
		}
		var p *Problem
		if !errors.As(err, &p) || p.Line == 0 || strings.Contains(c.want, "min_quality") && p.Remedy == "" {
			t.Errorf("%s: %#v", c.name, p)
		}
	}
	s, err := parseSettings([]byte(minimal + "[photo_requirements.codes.BMK]\nmin_photos = 2\n"))
	if err != nil || s.Requirements == nil || s.Requirements.PerCode["BMK"].MinPhotos != 2 || s.options().Requirements == nil {
		t.Errorf("requirements did not take: %+v, %v", s.Requirements, err)
	}
	if s, err := parseSettings([]byte(minimal)); err != nil || s.Requirements != nil {
		t.Errorf("requirements without a table: %+v, %v", s.Requirements, err)
	}
}

// A sound photo of another format is measured or told as not measured, never as
// damaged, and counts for its point either way.
func TestOtherFormats(t *testing.T) {
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 1200, 900))); err != nil {
		t.Fatal(err)
	}
	files := quayFS(t, "[photo_requirements.default]\nmin_photos = 3\nmax_blur_px = -1\nmax_clipped = -1\n")
	files["photos/5.png"] = &fstest.MapFile{Data: b.Bytes()}
	files["links.csv"].Data = append(files["links.csv"].Data, "photos/5.png,A\n"...)
	d, err := OpenFS(files, nil, onPlane)
	if err != nil {
		t.Fatal(err)
	}
	res, err := d.Check(t.Context(), CheckOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range res.Findings() {
		if f.Photo == "photos/5.png" && f.Code != match.FindingNoTag {
			t.Errorf("%+v", f)
		}
		if f.Code == match.FindingTooFew && f.Point == "A" && !strings.HasPrefix(f.Message, "2 of 3 ") {
			t.Errorf("the photo does not count: %s", f.Message)
		}
	}
	p := res.Photos[4]
	told := slices.ContainsFunc(res.Findings(), func(f match.Finding) bool { return f.Code == match.FindingUnmeasured })
	if p.Err != nil || (p.Pixels == nil) != told {
		t.Errorf("measured %v, told as not measured %v, %v", p.Pixels != nil, told, p.Err)
	}
}

// BenchmarkPixels checks a job of 24 photos of 1.1 million pixels by their tags alone
// and with their pixels, beside image/jpeg alone on as many goroutines.
func BenchmarkPixels(b *testing.B) {
	files := fstest.MapFS{
		"phototie.toml": {Data: []byte(minimal)},
		"points.csv":    {Data: []byte("id,easting,northing\nA,690242,604873\n")},
	}
	var photos [][]byte
	for i := range 24 {
		photos = append(photos, drawn(b, i, 1200, 900, 85))
		files[fmt.Sprintf("photos/%d.jpg", i)] = &fstest.MapFile{Data: photos[i]}
	}
	for _, c := range []struct {
		name   string
		policy PixelPolicy
	}{{"tags", PixelsNever}, {"pixels", PixelsAlways}} {
		b.Run(c.name, func(b *testing.B) {
			d, err := OpenFS(files, nil, onPlane)
			if err != nil {
				b.Fatal(err)
			}
			for b.Loop() {
				if _, err := d.Check(b.Context(), CheckOptions{Pixels: c.policy}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("image/jpeg", func(b *testing.B) {
		for b.Loop() {
			todo := make(chan []byte)
			var wg sync.WaitGroup
			for range runtime.GOMAXPROCS(0) {
				wg.Go(func() {
					for p := range todo {
						if _, err := jpeg.Decode(struct{ io.Reader }{bytes.NewReader(p)}); err != nil {
							b.Error(err)
						}
					}
				})
			}
			for _, p := range photos {
				todo <- p
			}
			close(todo)
			wg.Wait()
		}
	})
}
