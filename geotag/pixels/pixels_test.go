package pixels

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"crypto/sha256"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
)

// measure is Measure of bytes.
func measure(img []byte, lim Limits) (*Measures, error) {
	return Measure(context.Background(), bytes.NewReader(img), int64(len(img)), lim, nil)
}

func mustMeasure(tb testing.TB, img []byte) *Measures {
	tb.Helper()
	m, err := measure(img, Limits{})
	if err != nil {
		tb.Fatal(err)
	}
	if m.Undecoded != "" {
		tb.Fatal(m.Undecoded)
	}
	return m
}

func encode(tb testing.TB, img image.Image, q int) []byte {
	tb.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: q}); err != nil {
		tb.Fatal(err)
	}
	return b.Bytes()
}

// tool finds an external program. Without it
// the test is skipped, or fails where PHOTOTIE_REQUIRE_TOOLS is set.
func tool(tb testing.TB, name string) string {
	tb.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			tb.Fatal(err)
		}
		tb.Skip(err)
	}
	return path
}

// graphics are the files of the test data that are drawings and no photos.
var graphics = []string{"IPTC-PhotometadataRef", "metadata_demo"}

// unsharp are photos of the test data that are out of focus to the eye.
var unsharp = []string{"simple.jpg"}

func isOneOf(name string, list []string) bool {
	return slices.ContainsFunc(list, func(s string) bool { return strings.HasPrefix(name, s) })
}

// photo is a real photo.
type photo struct {
	name  string
	raw   []byte
	y     picture     // brought down to blurSide
	small image.Image // brought down to 600 pixels
}

var shared struct {
	sync.Mutex
	photos []photo
}

// realPhotos are the photos of at least 340 pixels, each scene once. They are
// shared: leave them as they are.
func realPhotos(tb testing.TB) []photo {
	tb.Helper()
	shared.Lock()
	defer shared.Unlock()
	if shared.photos != nil {
		return shared.photos
	}
	seen := map[string]bool{"withIptcExifGps.jpg": true} // the same picture as withExifAndIptc.jpg
	var out []photo
	for _, s := range geotagtest.Photos(tb) {
		cfg, err := jpeg.DecodeConfig(bytes.NewReader(s.Raw))
		if err != nil || max(cfg.Width, cfg.Height) < 340 || seen[s.Name] || isOneOf(s.Name, graphics) {
			continue
		}
		seen[s.Name] = true
		img, err := jpeg.Decode(bytes.NewReader(s.Raw))
		if err != nil {
			tb.Fatalf("%s: %v", s.Name, err)
		}
		y, _, _ := components(img)
		w, h := fit(y.w, y.h, blurSide)
		p := photo{s.Name, s.Raw, y.resample(w, h), img}
		if n := max(y.w, y.h); n > 600 {
			p.small = resized(img, 600/float64(n))
		}
		out = append(out, p)
	}
	if len(out) < 15 {
		tb.Fatalf("%d photos", len(out))
	}
	shared.photos = out
	return out
}

func TestQualityOfEncoder(t *testing.T) {
	img := image.NewGray(image.Rect(0, 0, 8, 8))
	for q := 1; q <= 100; q++ {
		m := mustMeasure(t, encode(t, img, q))
		if m.Quality == nil || *m.Quality != (Quality{q, q}) {
			t.Errorf("image/jpeg at %d: %v", q, m.Quality)
		}
	}
}

// TestQualityOfLibjpeg holds the scale against the library that it comes from, by
// way of ImageMagick, whose own estimate is a second opinion on real photos:
// where we say that the table is a standard one, both have to agree.
func TestQualityOfLibjpeg(t *testing.T) {
	convert, identify := tool(t, "convert"), tool(t, "identify")
	dir := t.TempDir()
	for _, q := range []int{5, 30, 49, 50, 51, 75, 92, 98} {
		name := filepath.Join(dir, fmt.Sprint(q, ".jpg"))
		if out, err := exec.Command(convert, "-size", "64x48", "gradient:red-blue", "-quality", fmt.Sprint(q), name).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		raw, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if m := mustMeasure(t, raw); *m.Quality != (Quality{q, q}) {
			t.Errorf("libjpeg at %d: %v", q, m.Quality)
		}
	}
	exact, others := 0, 0
	for _, p := range realPhotos(t) {
		name := filepath.Join(dir, p.name)
		if err := os.WriteFile(name, p.raw, 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(identify, "-format", "%Q", name).Output()
		if err != nil {
			t.Fatal(err)
		}
		theirs, err := strconv.Atoi(string(out))
		if err != nil {
			t.Fatal(err)
		}
		_, hd, err := readCoding(t.Context(), bytes.NewReader(p.raw), int64(len(p.raw)))
		if err != nil {
			t.Fatal(err)
		}
		q := quality(&hd.Table)
		t.Logf("%-34s %-9v ImageMagick %d", p.name, q, theirs)
		if q.Exact() {
			exact++
			// It sums the tables of brightness and colour, which in one photo are of
			// different qualities.
			if want := map[string]int{"nikonMakernoteType2b.jpg": 75}[p.name]; q.Low != theirs && theirs != want {
				t.Errorf("%s: quality %v, ImageMagick says %d", p.name, q, theirs)
			}
		} else if others++; q.Low >= q.High {
			t.Errorf("%s: quality %v", p.name, q)
		}
	}
	if exact < 3 || others < 3 {
		t.Errorf("%d standard tables and %d others are too few to tell", exact, others)
	}
}

// The places of the scale must be told apart, and finer tables come later.
func TestStandardTables(t *testing.T) {
	for q := 2; q <= 100; q++ {
		differ := false
		for i := range 64 {
			if step(q, i) > step(q-1, i) {
				t.Fatalf("step %d grows from quality %d to %d", i, q-1, q)
			}
			differ = differ || step(q, i) != step(q-1, i)
		}
		if !differ {
			t.Errorf("qualities %d and %d have one table", q-1, q)
		}
	}
	// ITU-T T.81, figure 5: the order begins and ends like this.
	if got := fmt.Sprint(zigzag[:10], zigzag[62:]); got != "[0 1 8 16 9 2 3 10 17 24] [62 63]" {
		t.Error(got)
	}
}

func TestQualityBetween(t *testing.T) {
	table := func(f func(i int) int) *[64]uint16 {
		var out [64]uint16
		for i := range out {
			out[i] = uint16(f(i))
		}
		return &out
	}
	for _, c := range []struct {
		name string
		f    func(i int) int
		want Quality
	}{
		{"as 60, one step as 80", func(i int) int {
			if i == 40 {
				return step(80, i)
			}
			return step(60, i)
		}, Quality{60, 80}},
		{"all 1", func(int) int { return 1 }, Quality{100, 100}},
		{"coarser than any", func(int) int { return 300 }, Quality{0, 1}},
		{"flat", func(int) int { return 20 }, Quality{25, 92}},
	} {
		if got := quality(table(c.f)); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	if s := (Quality{60, 80}).String(); s != "60 to 80" {
		t.Error(s)
	}
}

func TestHeader(t *testing.T) {
	plain := geotagtest.Plain()
	sof := bytes.Index(plain, []byte{0xFF, 0xC0})
	dqt := bytes.Index(plain, []byte{0xFF, 0xDB})
	change := func(at int, with ...byte) []byte {
		out := bytes.Clone(plain)
		copy(out[at:], with)
		return out
	}
	for _, c := range []struct {
		name string
		img  []byte
		want error
	}{
		{"empty", nil, geotag.ErrFormat},
		{"no image", []byte("GIF89a and so on"), geotag.ErrFormat},
		{"only the start", plain[:2], geotag.ErrTruncated},
		{"inside a table", plain[:dqt+30], geotag.ErrTruncated},
		{"no frame", append(bytes.Clone(plain[:sof]), 0xFF, 0xDA, 0, 2), geotag.ErrCorrupt},
		{"no image", append(bytes.Clone(plain[:sof]), 0xFF, 0xD9), geotag.ErrCorrupt},
		{"two frames", append(bytes.Clone(plain[:sof+19]), plain[sof:]...), geotag.ErrCorrupt},
		{"a step of 0", change(dqt+10, 0), geotag.ErrCorrupt},
		{"table 9", change(dqt+4, 9), geotag.ErrCorrupt},
		{"precision 2", change(dqt+4, 0x20), geotag.ErrCorrupt},
		{"a segment of length 1", change(dqt+2, 0, 1), geotag.ErrCorrupt},
		{"no columns", change(sof+7, 0, 0), geotag.ErrCorrupt},
		{"no lines", change(sof+5, 0, 0), geotag.ErrCorrupt},
	} {
		m, err := measure(c.img, Limits{})
		if !errors.Is(err, c.want) || m != nil {
			t.Errorf("%s: %v, %v", c.name, m, err)
		}
	}
	// Segments are skipped whole, even one larger than the buffer, and what would
	// be a table in it does not count.
	noise := bytes.Repeat([]byte{0xFF, 0xDB, 0, 2, 0xFF, 0xD9}, 9000)
	if m := mustMeasure(t, geotagtest.Insert(plain, 0xEC, noise)); *m.Quality != (Quality{75, 75}) || m.Width != 48 || m.Height != 32 {
		t.Errorf("%+v", m)
	}
	// A table in 16 bits.
	wide := []byte{0x10}
	for i := range 64 {
		wide = append(wide, 0, byte(step(40, i)))
	}
	if m := mustMeasure(t, slices.Concat(plain[:sof], []byte{0xFF, 0xDB, 0, 131}, wide, plain[sof:])); *m.Quality != (Quality{40, 40}) {
		t.Errorf("%v", m.Quality)
	}
}

// TestUndecoded has images whose header is good and whose pixels can't be had.
func TestUndecoded(t *testing.T) {
	plain := geotagtest.Plain()
	sof := bytes.Index(plain, []byte{0xFF, 0xC0})
	huge := bytes.Clone(plain)
	copy(huge[sof+5:], []byte{0x27, 0x10, 0x27, 0x10}) // 10,000 x 10,000
	arithmetic := bytes.Clone(plain)
	arithmetic[sof+1] = 0xC9
	for _, c := range []struct {
		name string
		img  []byte
		lim  Limits
		want string
	}{
		{"cut off", plain[:len(plain)-30], Limits{}, "cut off"},
		{"more than its bytes can hold", huge, Limits{}, "too few"},
		{"more than the limit", plain, Limits{MaxPixels: 48*32 - 1}, "limit"},
		{"more than the default limit", func() []byte {
			b := bytes.Clone(huge)
			copy(b[sof+5:], []byte{0xFF, 0xFF, 0xFF, 0xFF})
			return append(b, make([]byte, 9<<20)...)
		}(), Limits{}, "limit"},
		{"arithmetic coding", arithmetic, Limits{}, "can't be decoded here"},
	} {
		m, err := measure(c.img, c.lim)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if !strings.Contains(m.Undecoded, c.want) || m.Width == 0 || m.Exposure != nil || m.Blur != nil || m.Hash != nil || m.Preview != nil {
			t.Errorf("%s: %+v", c.name, m)
		}
		if fault := c.want == "cut off" || c.want == "too few"; m.Unsupported == fault {
			t.Errorf("%s: unsupported %v", c.name, m.Unsupported)
		}
		if m.SHA256 != sha256.Sum256(c.img) {
			t.Errorf("%s: the digest is not the file's", c.name)
		}
	}
	if _, err := measure(plain, Limits{MaxPixels: 48 * 32}); err != nil {
		t.Error(err)
	}
}

// A small file that declares many pixels must not take the memory for them.
func TestBomb(t *testing.T) {
	plain := geotagtest.Plain()
	sof := bytes.Index(plain, []byte{0xFF, 0xC0})
	copy(plain[sof+5:], []byte{0x2E, 0xE0, 0x2E, 0xE0}) // 12,000 x 12,000
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	m, err := measure(plain, Limits{})
	runtime.ReadMemStats(&after)
	if n := after.TotalAlloc - before.TotalAlloc; n > 4<<20 || err != nil || m.Undecoded == "" {
		t.Errorf("%d bytes taken; %+v, %v", n, m, err)
	}
}

type faulty struct {
	io.ReaderAt
	from int64
	err  error
}

func (f faulty) ReadAt(b []byte, off int64) (int, error) {
	if off+int64(len(b)) > f.from {
		return 0, f.err
	}
	return f.ReaderAt.ReadAt(b, off)
}

func TestReaderAndContext(t *testing.T) {
	img := encode(t, scene(640, 480), 95)
	broken := errors.New("the card is gone")
	for _, from := range []int64{0, 300, 6000, int64(len(img)) - 1} {
		m, err := Measure(context.Background(), faulty{bytes.NewReader(img), from, broken}, int64(len(img)), Limits{}, nil)
		if !errors.Is(err, broken) || m != nil {
			t.Errorf("from %d: %v, %v", from, m, err)
		}
	}
	// Behind the image's end too, where no decoder reads.
	long := append(bytes.Clone(img), make([]byte, 100000)...)
	if _, err := Measure(context.Background(), faulty{bytes.NewReader(long), int64(len(img)) + 50000, broken}, int64(len(long)), Limits{}, nil); !errors.Is(err, broken) {
		t.Errorf("in the trailer: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if m, err := Measure(ctx, bytes.NewReader(img), int64(len(img)), Limits{}, nil); !errors.Is(err, context.Canceled) || m != nil {
		t.Errorf("%v, %v", m, err)
	}
	ctx, cancel = context.WithCancel(context.Background())
	defer cancel()
	later := cancelling{bytes.NewReader(img), cancel, 20000}
	if _, err := Measure(ctx, later, int64(len(img)), Limits{}, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled on the way: %v", err)
	}
}

// cancelling cancels when a place is read.
type cancelling struct {
	io.ReaderAt
	cancel context.CancelFunc
	at     int64
}

func (c cancelling) ReadAt(b []byte, off int64) (int, error) {
	if off >= c.at {
		c.cancel()
	}
	return c.ReaderAt.ReadAt(b, off)
}

func TestMeasuresJSON(t *testing.T) {
	m := mustMeasure(t, encode(t, scene(300, 200), 80))
	raw, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	var back Measures
	if err := json.Unmarshal(raw, &back); err != nil {
		t.Fatal(err)
	}
	again, err := json.Marshal(&back)
	if err != nil || !bytes.Equal(raw, again) || back.SHA256 != m.SHA256 || *back.Hash != *m.Hash {
		t.Errorf("%s\n%s\n%v", raw, again, err)
	}
	if strings.Contains(string(raw), "Preview") {
		t.Errorf("%s", raw)
	}
	for _, bad := range []string{`{"sha256":"12"}`, `{"hash":"12"}`, `{"hash":"123456789012345g"}`} {
		if json.Unmarshal([]byte(bad), &back) == nil {
			t.Errorf("%s is taken", bad)
		}
	}
}

// scene draws something with edges of many directions and colours.
func scene(w, h int) *image.RGBA {
	rng := rand.New(rand.NewPCG(7, 9))
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(m, m.Rect, image.NewUniform(color.RGBA{90, 120, 140, 255}), image.Point{}, draw.Src)
	for range 60 {
		c := color.RGBA{uint8(rng.IntN(256)), uint8(rng.IntN(256)), uint8(rng.IntN(256)), 255}
		x, y, r := rng.Float64(), rng.Float64(), 0.02+0.1*rng.Float64()
		for v := range h {
			for u := range w {
				if dx, dy := (float64(u)+0.5)/float64(w)-x, (float64(v)+0.5)/float64(h)-y; dx*dx+dy*dy < r*r && dx+dy < r/2 {
					m.SetRGBA(u, v, c)
				}
			}
		}
	}
	return m
}

// TestResample compares with sums over whole pixels, and holds the mean.
func TestResample(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 300 {
		w, h := 1+rng.IntN(40), 1+rng.IntN(40)
		p := plane{make([]uint8, h*(w+3)), w + 3, w, h}
		sum := 0.0
		for y := range h {
			for x := range w {
				v := uint8(rng.IntN(256))
				p.pix[y*p.stride+x] = v
				sum += float64(v)
			}
		}
		to := image.Pt(1+rng.IntN(50), 1+rng.IntN(50))
		got := p.resample(to.X, to.Y)
		mean := 0.0
		for _, v := range got.pix {
			mean += float64(v)
		}
		if a, b := sum/float64(w*h), mean/float64(to.X*to.Y); math.Abs(a-b) > 0.01 {
			t.Fatalf("%dx%d to %v: mean %v becomes %v", w, h, to, a, b)
		}
	}
	p := plane{[]uint8{0, 10, 20, 30, 40, 50}, 3, 3, 2}
	if got := p.resample(2, 1); math.Abs(float64(got.pix[0])-(0+5+30+20)/3.0) > 1e-4 || math.Abs(float64(got.pix[1])-(5+20+20+50)/3.0) > 1e-4 {
		t.Error(got)
	}
	if w, h := fit(4000, 3000, 512); w != 512 || h != 384 {
		t.Error(w, h)
	}
	if w, h := fit(9000, 1, 512); w != 512 || h != 1 {
		t.Error(w, h)
	}
}

// TestComponents decodes one picture in every way that image/jpeg has.
func TestComponents(t *testing.T) {
	src := scene(70, 50)
	want, _, _ := components(src)
	for _, r := range []image.YCbCrSubsampleRatio{image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420, image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio411, image.YCbCrSubsampleRatio410} {
		m := image.NewYCbCr(image.Rect(0, 0, 70, 50), r)
		for i := range m.Cb {
			m.Cb[i], m.Cr[i] = 100, 150
		}
		for y := range 50 {
			copy(m.Y[y*m.YStride:], want.pix[y*want.stride:y*want.stride+70])
		}
		p := previewOf(m)
		for i := range previewCells {
			if r, g, b := color.YCbCrToRGB(uint8(p.brightness(i)+0.5), 100, 150); max(absDiff(p[3*i], r), absDiff(p[3*i+1], g), absDiff(p[3*i+2], b)) > 12 && r < 255 && g < 255 && b > 0 {
				t.Fatalf("%v: cell %d is %v", r, i, p[3*i:3*i+3])
			}
		}
	}
	grey := image.NewGray(image.Rect(0, 0, 30, 30))
	for i := range grey.Pix {
		grey.Pix[i] = 77
	}
	if p := previewOf(grey); p[0] != 77 || p[1] != 77 || p[2] != 77 {
		t.Error(p[:3])
	}
	cmyk := image.NewCMYK(image.Rect(0, 0, 20, 20))
	for i := range cmyk.Pix {
		cmyk.Pix[i] = []uint8{0, 255, 255, 0}[i%4]
	}
	if p := previewOf(cmyk); p[0] < 250 || p[1] > 4 || p[2] > 4 {
		t.Error(p[:3])
	}
}

func absDiff(a, b uint8) uint8 { return max(a, b) - min(a, b) }

// TestOrientation compares with ImageMagick's upright image for every flag.
func TestOrientation(t *testing.T) {
	convert := tool(t, "convert")
	dir := t.TempDir()
	base := encode(t, scene(256, 256), 95)
	for o := 1; o <= 8; o++ {
		// A big-endian Exif block with nothing but the orientation.
		exif := append([]byte("Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01\x00"), byte(o), 0, 0, 0, 0, 0, 0)
		img := geotagtest.Insert(base, 0xE1, exif)
		in, out := filepath.Join(dir, "in.jpg"), filepath.Join(dir, "out.png")
		if err := os.WriteFile(in, img, 0o600); err != nil {
			t.Fatal(err)
		}
		if msg, err := exec.Command(convert, in, "-auto-orient", "-quality", "95", "jpg:"+out).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, msg)
		}
		raw, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		m, upright := mustMeasure(t, img), mustMeasure(t, raw)
		if m.Orientation != o {
			t.Errorf("orientation %d is read as %d", o, m.Orientation)
		}
		if d := Compare(m.Preview, upright.Preview); d.Likeness != Same {
			t.Errorf("orientation %d: %+v", o, d)
		}
		if d := m.Hash.Distance(*upright.Hash); d > 2 {
			t.Errorf("orientation %d: the hashes differ in %d bits", o, d)
		}
	}
}

func TestExposure(t *testing.T) {
	m := image.NewGray(image.Rect(0, 0, 100, 10))
	for i := range m.Pix {
		switch x := i % 100; {
		case x < 20:
			m.Pix[i] = 2
		case x < 50:
			m.Pix[i] = 255
		default:
			m.Pix[i] = 51
		}
	}
	y, _, _ := components(m)
	e := exposure(y)
	if math.Abs(e.Black-0.2) > 1e-9 || math.Abs(e.White-0.3) > 1e-9 || math.Abs(e.Mean-(0.2*2/255+0.3+0.5*0.2)) > 1e-9 {
		t.Errorf("%+v", e)
	}
}

// TestPackedPixels: the components of CMYK and RGBA images are those of the slow way,
// the colours as means of two by two pixels, and take half a byte a pixel beside the
// image. The CMYK file is the one of Go's own tests.
func TestPackedPixels(t *testing.T) {
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	images := map[string]image.Image{}
	for _, name := range []string{"video-001.cmyk.jpeg", "video-001.rgb.jpeg"} {
		f, err := os.Open(filepath.Join(strings.TrimSpace(string(root)), "src/image/testdata", name))
		if err != nil {
			t.Skip(err)
		}
		defer f.Close()
		if images[name], err = jpeg.Decode(f); err != nil {
			t.Fatal(err)
		}
	}
	odd := image.NewRGBA(image.Rect(0, 0, 7, 5))
	for i := range odd.Pix {
		odd.Pix[i] = uint8(i * 37)
	}
	images["odd"] = odd.SubImage(image.Rect(2, 1, 7, 4))
	for name, img := range images {
		b := img.Bounds()
		want := image.NewYCbCr(image.Rect(0, 0, b.Dx(), b.Dy()), image.YCbCrSubsampleRatio444)
		for v := range b.Dy() {
			for u := range b.Dx() {
				c := color.RGBAModel.Convert(img.At(b.Min.X+u, b.Min.Y+v)).(color.RGBA)
				i := v*want.YStride + u
				want.Y[i], want.Cb[i], want.Cr[i] = color.RGBToYCbCr(c.R, c.G, c.B)
			}
		}
		y, cb, cr := components(img)
		if y.w != b.Dx() || y.h != b.Dy() || cb.w != (y.w+1)/2 || cr.h != (y.h+1)/2 {
			t.Fatalf("%s: %d x %d, %d x %d", name, y.w, y.h, cb.w, cr.h)
		}
		for v := range y.h {
			for u := range y.w {
				if got := y.pix[v*y.stride+u]; absDiff(got, want.Y[v*want.YStride+u]) > 1 {
					t.Fatalf("%s: %d, %d is %d, want %d", name, u, v, got, want.Y[v*want.YStride+u])
				}
			}
		}
		for v := range cb.h {
			for u := range cb.w {
				sum, n := 0, 0
				for j := 2 * v; j < min(2*v+2, y.h); j++ {
					for i := 2 * u; i < min(2*u+2, y.w); i++ {
						sum, n = sum+int(want.Cb[j*want.CStride+i]), n+1
					}
				}
				if got := cb.pix[v*cb.stride+u]; absDiff(got, uint8((sum+n/2)/n)) > 1 {
					t.Fatalf("%s: blue at %d, %d is %d, want %d", name, u, v, got, (sum+n/2)/n)
				}
			}
		}
	}
	const w, h = 2000, 1500
	large := image.NewCMYK(image.Rect(0, 0, w, h))
	var was, is runtime.MemStats
	runtime.ReadMemStats(&was)
	components(large)
	runtime.ReadMemStats(&is)
	if n := float64(is.TotalAlloc-was.TotalAlloc) / (w * h); n > 0.6 {
		t.Errorf("%.2f bytes a pixel", n)
	}
}
