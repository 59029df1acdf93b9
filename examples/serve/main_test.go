package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"log/slog"
	"math"
	"mime"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/httptest"
	"net/textproto"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rwcarlsen/goexif/exif"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/report"
)

// serve starts a service for a test and returns its address.
func serve(t *testing.T, proj projection, change func(*limits)) string {
	t.Helper()
	lim := defaultLimits()
	if change != nil {
		change(&lim)
	}
	log := slog.New(slog.NewTextHandler(t.Output(), nil))
	ts := httptest.NewUnstartedServer(nil)
	ts.Config = newServer(newService(proj, lim, log), lim, log)
	ts.Start()
	t.Cleanup(ts.Close)
	return ts.URL
}

func itm(t *testing.T) *crs.CRS {
	t.Helper()
	c, err := crs.Open("EPSG:2157")
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// plain is a photo without a tag.
func plain(t *testing.T) []byte {
	t.Helper()
	var b bytes.Buffer
	m := image.NewGray(image.Rect(0, 0, 64, 48))
	m.SetGray(3, 3, color.Gray{200})
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// tagged is a photo at a position.
func tagged(t *testing.T, lat, lon float64) []byte {
	t.Helper()
	out, _, err := geotag.Rewrite(plain(t), geotag.Edit{Lat: lat, Lon: lon, HPositioningError: 3, ProcessingMethod: "GPS"})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// upload is a form as a client sends it.
func upload(t *testing.T, name string, photo []byte, fields ...string) (body []byte, contentType string) {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for i := 0; i < len(fields); i += 2 {
		if err := w.WriteField(fields[i], fields[i+1]); err != nil {
			t.Fatal(err)
		}
	}
	if photo != nil {
		// Written as it is, as a hostile client would.
		p, err := w.CreatePart(textproto.MIMEHeader{"Content-Disposition": {`form-data; name="photo"; filename="` + name + `"`}})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := p.Write(photo); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes(), w.FormDataContentType()
}

// post sends a form and reads the answer.
func post(t *testing.T, url, name string, photo []byte, fields ...string) (*http.Response, []byte) {
	t.Helper()
	body, kind := upload(t, name, photo, fields...)
	resp, err := http.Post(url, kind, bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	return answer(t, resp)
}

func answer(t *testing.T, resp *http.Response) (*http.Response, []byte) {
	t.Helper()
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp, text
}

// wantProblem wants an answer to be problem details of a kind.
func wantProblem(t *testing.T, what string, resp *http.Response, text []byte, kind, says string) problem {
	t.Helper()
	var p problem
	if err := json.Unmarshal(text, &p); err != nil {
		t.Fatalf("%s: %d %s: %v", what, resp.StatusCode, text, err)
	}
	want := kinds[kind]
	if want.status == 0 {
		t.Fatalf("there is no kind %q", kind)
	}
	if resp.StatusCode != want.status || p.Status != want.status || p.Title != want.title || !strings.HasSuffix(p.Type, "/"+kind) ||
		resp.Header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("%s: %d %s %s, want %s (%d)", what, resp.StatusCode, resp.Header.Get("Content-Type"), text, kind, want.status)
	}
	if !strings.Contains(p.Detail, says) {
		t.Errorf("%s: detail %q, want %q", what, p.Detail, says)
	}
	return p
}

func compared(t *testing.T, resp *http.Response, text []byte) report.Compare {
	t.Helper()
	var doc report.Compare
	if err := json.Unmarshal(text, &doc); err != nil || resp.StatusCode != http.StatusOK || doc.Format != report.CompareFormat {
		t.Fatalf("%d %s: %v", resp.StatusCode, text, err)
	}
	return doc
}

// A photo as a camera wrote it goes there and back: the discrepancy is what was put
// there, the corrected photo has the surveyed position, to an independent reader too, and
// is otherwise the same photo.
func TestRoundTripOfARealPhoto(t *testing.T) {
	var photo geotagtest.Sample
	var tag *geotag.Tag
	for _, s := range geotagtest.Photos(t) {
		got, err := geotag.ReadBytes(s.Raw)
		_, whole := jpeg.Decode(bytes.NewReader(s.Raw))
		if err == nil && got.Position != nil && got.Make != "" && whole == nil && got.Container == "jpeg" && (got.MapDatum == "" || strings.HasPrefix(got.MapDatum, "WGS")) {
			photo, tag = s, got
			break
		}
	}
	if tag == nil {
		t.Fatal("none of the real photos has a tag")
	}
	// UTM, EPSG:32601 and up in the north, 32701 and up in the south.
	code := 32601 + int(math.Floor((tag.Position.Lon+180)/6))
	if tag.Position.Lat < 0 {
		code += 100
	}
	proj, err := crs.Open(fmt.Sprintf("EPSG:%d", code))
	if err != nil {
		t.Fatal(err)
	}
	placed, err := proj.ToGrid(t.Context(), []grid.Fix{{LatLon: grid.LatLon{Lat: tag.Position.Lat, Lon: tag.Position.Lon}, Frame: match.Options{}.Frame(tag)}})
	if err != nil || placed[0].Err != nil {
		t.Fatal(err, placed)
	}
	point := grid.EN{E: placed[0].E - 3, N: placed[0].N + 1}
	e, n := fmt.Sprintf("%.4f", point.E), fmt.Sprintf("%.4f", point.N)
	url := serve(t, proj, nil)

	resp, text := post(t, url+"/compare", photo.Name, photo.Raw, "e", e, "n", n, "sigma_m", "0.02")
	doc := compared(t, resp, text)
	d := doc.Photo.Discrepancy
	if d == nil || math.Abs(d.DE-3) > 1e-3 || math.Abs(d.DN+1) > 1e-3 || doc.Photo.Verdict != match.Within || doc.Grid.Code != fmt.Sprintf("EPSG:%d", code) {
		t.Fatalf("%s: %s", photo.Name, text)
	}

	resp, corrected := post(t, url+"/correct", photo.Name, photo.Raw, "e", e, "n", n)
	if resp.StatusCode != http.StatusOK || resp.Header.Get("Content-Type") != "image/jpeg" || resp.Header.Get("Phototie-Verdict") != "within" || resp.ContentLength != int64(len(corrected)) {
		t.Fatalf("%d %v: %.300s", resp.StatusCode, resp.Header, corrected)
	}
	back, _ := post(t, url+"/compare", photo.Name, corrected, "e", e, "n", n)
	if back.StatusCode != http.StatusOK {
		t.Fatal(back.Status)
	}
	_, text = post(t, url+"/compare", photo.Name, corrected, "e", e, "n", n)
	if d := compared(t, resp, text).Photo.Discrepancy; d == nil || d.Distance > 0.001 {
		t.Errorf("the corrected photo is %v from the point", d)
	}
	x, err := exif.Decode(bytes.NewReader(corrected))
	if err != nil {
		t.Fatal(err)
	}
	lat, lon, err := x.LatLong()
	was := tag.Position
	moved := math.Hypot((lat-was.Lat)*111195, (lon-was.Lon)*111195*math.Cos(lat*math.Pi/180))
	if err != nil || math.Abs(moved-math.Hypot(3, 1)) > 0.1 {
		t.Errorf("goexif reads %.8f %.8f, %.3f m from the old tag, want %.3f: %v", lat, lon, moved, math.Hypot(3, 1), err)
	}
	a, err1 := jpeg.Decode(bytes.NewReader(photo.Raw))
	b, err2 := jpeg.Decode(bytes.NewReader(corrected))
	if err := errors.Join(err1, err2); err != nil || !same(a, b) {
		t.Errorf("the picture has changed (%v)", err)
	}
}

func same(a, b image.Image) bool {
	if a.Bounds() != b.Bounds() {
		return false
	}
	for y := a.Bounds().Min.Y; y < a.Bounds().Max.Y; y++ {
		for x := a.Bounds().Min.X; x < a.Bounds().Max.X; x++ {
			if a.At(x, y) != b.At(x, y) {
				return false
			}
		}
	}
	return true
}

const (
	quayE, quayN = "690242.043", "604873.007"
	lat, lon     = 52.188271, -6.680190
)

func TestProblems(t *testing.T) {
	url := serve(t, itm(t), func(l *limits) { l.body = 200 << 10 })
	photo := tagged(t, lat, lon)
	long := strings.Repeat("9", mostText+1)
	for _, c := range []struct {
		name   string
		photo  []byte
		fields []string
		kind   string
		says   string
		field  string
	}{
		{"no photo", nil, []string{"e", quayE, "n", quayN}, "bad-field", "there is no photo", "photo"},
		{"no easting", photo, []string{"n", quayN}, "bad-field", "it has to be a number", "e"},
		{"no number", photo, []string{"e", quayE, "n", "604 873"}, "bad-field", "it has to be a number", "n"},
		{"NaN", photo, []string{"e", "NaN", "n", quayN}, "bad-field", "it has to be a number", "e"},
		{"infinite", photo, []string{"e", quayE, "n", "1e999"}, "bad-field", "it has to be a number", "n"},
		{"long", photo, []string{"e", long, "n", quayN}, "bad-field", "more than 256 bytes", "e"},
		{"negative sigma", photo, []string{"e", quayE, "n", quayN, "sigma_m", "-1"}, "bad-field", "0 or more", "sigma_m"},
		{"twice", photo, []string{"e", quayE, "n", quayN, "e", "1"}, "bad-field", "comes twice", "e"},
		{"unknown field", photo, []string{"e", quayE, "n", quayN, "z", "1"}, "bad-field", "no such field", "z"},
		{"verdict", photo, []string{"e", quayE, "n", quayN, "only", "all"}, "bad-field", "it takes verdicts", "only"},
		{"swapped", photo, []string{"e", "900000", "n", "500000"}, "outside-grid", "with e and n swapped it would be", ""},
		{"nowhere", photo, []string{"e", "1e12", "n", "-1e12"}, "outside-grid", "is not in", ""},
		{"degrees", photo, []string{"e", "-6.68", "n", "52.188"}, "outside-grid", "in the unit metre", ""},
		{"not an image", []byte("%PDF-1.7 this is none"), []string{"e", quayE, "n", quayN}, "not-an-image", "", "photo"},
		{"empty file", []byte{}, []string{"e", quayE, "n", quayN}, "not-an-image", "", "photo"},
		{"damaged", photo[:40], []string{"e", quayE, "n", quayN}, "damaged-image", "", "photo"},
		{"too large", make([]byte, 300<<10), []string{"e", quayE, "n", quayN}, "too-large", "the limit is 204800 bytes", ""},
		{"too many fields", photo, slices.Concat([]string{"e", quayE, "n", quayN}, manyFields()), "bad-form", "more than 16 fields", ""},
	} {
		for _, path := range []string{"/compare", "/correct"} {
			resp, text := post(t, url+path, "a.jpg", c.photo, c.fields...)
			if p := wantProblem(t, c.name, resp, text, c.kind, c.says); p.Field != c.field {
				t.Errorf("%s: field %q, want %q", c.name, p.Field, c.field)
			}
		}
	}
	get := func(method, path string, body io.Reader, kind string) (*http.Response, []byte) {
		req, err := http.NewRequestWithContext(t.Context(), method, url+path, body)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", kind)
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		return answer(t, resp)
	}
	resp, text := get("GET", "/compare", nil, "")
	wantProblem(t, "GET", resp, text, "wrong-method", "GET")
	if resp.Header.Get("Allow") != "POST" {
		t.Errorf("Allow: %q", resp.Header.Get("Allow"))
	}
	resp, text = get("GET", "/nowhere", nil, "")
	wantProblem(t, "another path", resp, text, "no-such-place", "POST /compare")
	resp, text = get("POST", "/compare", strings.NewReader("e=1"), "application/x-www-form-urlencoded")
	wantProblem(t, "another form", resp, text, "not-a-form", "")
	resp, text = get("POST", "/compare", strings.NewReader("--x\r\nnonsense"), "multipart/form-data; boundary=x")
	wantProblem(t, "a form that is cut off", resp, text, "bad-form", "")
	// Too large, and its length is not told beforehand.
	body, kind := upload(t, "a.jpg", make([]byte, 300<<10), "e", quayE, "n", quayN)
	resp, text = get("POST", "/compare", struct{ io.Reader }{bytes.NewReader(body)}, kind)
	wantProblem(t, "too large, without a length", resp, text, "too-large", "")
	if resp, text = get("GET", "/", nil, ""); resp.StatusCode != http.StatusOK || !bytes.Contains(text, []byte("EPSG:2157")) {
		t.Errorf("the page: %d %s", resp.StatusCode, text)
	}
}

func manyFields() []string {
	var out []string
	for i := range mostFields {
		out = append(out, fmt.Sprint("f", i), "1")
	}
	return out
}

// A photo that is out is not corrected unless the client says so, and then nothing is
// wrong with it.
func TestVerdictsAndCorrection(t *testing.T) {
	url := serve(t, itm(t), nil)
	far, bare := tagged(t, lat+0.01, lon), plain(t)
	for name, photo := range map[string][]byte{"gross": far, "unjudged": bare} {
		resp, text := post(t, url+"/compare", "a.jpg", photo, "e", quayE, "n", quayN)
		if doc := compared(t, resp, text); string(doc.Photo.Verdict) != name {
			t.Errorf("%s: %s", name, text)
		}
		resp, text = post(t, url+"/correct", "a.jpg", photo, "e", quayE, "n", quayN)
		p := wantProblem(t, name, resp, text, "not-corrected", "its verdict is "+name)
		if p.Photo == nil || string(p.Photo.Verdict) != name {
			t.Errorf("%s: the problem does not say what was found: %s", name, text)
		}
		resp, text = post(t, url+"/correct", "a.jpg", photo, "e", quayE, "n", quayN, "only", "within, "+name)
		tag, err := geotag.ReadBytes(text)
		if resp.StatusCode != http.StatusOK || err != nil || tag.Position == nil || resp.Header.Get("Phototie-Verdict") != name {
			t.Errorf("%s: %d %v %v", name, resp.StatusCode, resp.Header, err)
		}
	}
}

// The name of a file from outside is words and nothing else.
func TestHostileNames(t *testing.T) {
	url := serve(t, itm(t), nil)
	photo := tagged(t, lat, lon)
	for _, c := range []struct{ name, want string }{
		{`../../etc/passwd`, "passwd"},
		{`C:\\Users\\crew\\IMG 1.jpg`, "IMG_1.jpg"},
		{`x\"; filename=\"evil.exe`, "x___filename__evil.exe"},
		{"a\u202egpj.exe", "a_gpj.exe"},
		{"<script>alert(1)</script>", "script_"},
		{"写真 1.jpg", "写真_1.jpg"},
		{".htaccess", "htaccess"},
		{"..", "photo"},
		{"", "photo"},
		{"\xff\xfe.jpg", "_.jpg"},
		{strings.Repeat("n", 5000) + ".jpg", strings.Repeat("n", 76) + ".jpg"},
	} {
		resp, text := post(t, url+"/compare", c.name, photo, "e", quayE, "n", quayN)
		if c.name == "" && resp.StatusCode == http.StatusBadRequest {
			continue
		}
		if got := compared(t, resp, text).Photo.Name; got != c.want {
			t.Errorf("%q is called %q, want %q", c.name, got, c.want)
		}
		resp, text = post(t, url+"/correct", c.name, photo, "e", quayE, "n", quayN)
		how, params, err := mime.ParseMediaType(resp.Header.Get("Content-Disposition"))
		if resp.StatusCode != http.StatusOK || err != nil || how != "attachment" || params["filename"] != c.want {
			t.Errorf("%q: %d %v %q %v %.100s", c.name, resp.StatusCode, resp.Header, params, err, text)
		}
	}
	if got := label("a\r\nSet-Cookie: x"); strings.ContainsAny(got, "\r\n: ") {
		t.Errorf("label: %q", got)
	}
}

// A client that sends too slowly is told so when its time is up, and one that comes
// while all turns are taken is told to come again.
func TestSlowAndBusy(t *testing.T) {
	url := serve(t, itm(t), func(l *limits) { l.atOnce, l.wait, l.request = 1, 50*time.Millisecond, time.Second })
	body, kind := upload(t, "a.jpg", tagged(t, lat, lon), "e", quayE, "n", quayN)
	hold := make(chan struct{})
	done := make(chan struct{})
	go func() {
		defer close(done)
		// Over a bare connection, since http.Client waits for its own request's body.
		conn, err := net.Dial("tcp", strings.TrimPrefix(url, "http://"))
		if err != nil {
			t.Error(err)
			return
		}
		defer conn.Close()
		fmt.Fprintf(conn, "POST /compare HTTP/1.1\r\nHost: x\r\nContent-Type: %s\r\nContent-Length: %d\r\n\r\n%s", kind, len(body), body[:len(body)/2])
		close(hold)
		all, err := io.ReadAll(conn)
		if err != nil || !bytes.Contains(all, []byte("408 Request Timeout")) || !bytes.Contains(all, []byte("problem/too-slow")) {
			t.Errorf("a slow client: %v %s", err, all)
		}
	}()
	<-hold
	time.Sleep(100 * time.Millisecond) // until the service has begun to read
	resp, text := post(t, url+"/compare", "a.jpg", tagged(t, lat, lon), "e", quayE, "n", quayN)
	wantProblem(t, "busy", resp, text, "busy", "try again")
	if resp.Header.Get("Retry-After") != "1" {
		t.Errorf("Retry-After: %q", resp.Header.Get("Retry-After"))
	}
	<-done
	// Its turn is free again.
	resp, text = post(t, url+"/compare", "a.jpg", tagged(t, lat, lon), "e", quayE, "n", quayN)
	compared(t, resp, text)
}

// blocked is a projection that waits for its context.
type blocked struct {
	projection
	began chan struct{}
	once  *sync.Once
}

func (b blocked) ToGrid(ctx context.Context, _ []grid.Fix) ([]grid.Placement, error) {
	b.once.Do(func() { close(b.began) })
	<-ctx.Done()
	return nil, ctx.Err()
}

// Work that takes too long is ended, and so is that for a client that has left; both
// give their turn back. A fault of ours is not told to strangers.
func TestWorkIsEnded(t *testing.T) {
	b := blocked{itm(t), make(chan struct{}), new(sync.Once)}
	url := serve(t, b, func(l *limits) { l.atOnce, l.wait, l.request = 1, 10*time.Second, 300*time.Millisecond })
	resp, text := post(t, url+"/compare", "a.jpg", tagged(t, lat, lon), "e", quayE, "n", quayN)
	wantProblem(t, "long work", resp, text, "took-too-long", "300ms")

	b = blocked{itm(t), make(chan struct{}), new(sync.Once)}
	url = serve(t, b, func(l *limits) { l.atOnce, l.wait, l.request = 1, 10*time.Second, time.Hour })
	ctx, cancel := context.WithCancel(t.Context())
	body, kind := upload(t, "a.jpg", tagged(t, lat, lon), "e", quayE, "n", quayN)
	req, err := http.NewRequestWithContext(ctx, "POST", url+"/compare", bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", kind)
	go func() {
		<-b.began
		cancel()
	}()
	if resp, err := http.DefaultClient.Do(req); !errors.Is(err, context.Canceled) {
		t.Errorf("a client that leaves: %v %v", resp, err)
	}
	// The turn is free again: a request that needs no projection gets through.
	resp, text = post(t, url+"/compare", "a.jpg", plain(t), "e", quayE, "n", quayN)
	compared(t, resp, text)

	url = serve(t, broken{itm(t)}, nil)
	resp, text = post(t, url+"/compare", "a.jpg", tagged(t, lat, lon), "e", quayE, "n", quayN)
	wantProblem(t, "broken", resp, text, "something-broke", "put on record")
	if bytes.Contains(text, []byte("secret")) {
		t.Errorf("it tells too much: %s", text)
	}
}

type broken struct{ projection }

func (broken) ToGrid(context.Context, []grid.Fix) ([]grid.Placement, error) { panic("a secret") }

// run serves until it is told to stop, and says what is wrong with its flags.
func TestRun(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	r, w := io.Pipe()
	done := make(chan error, 1)
	go func() { done <- run(ctx, []string{"-addr", "127.0.0.1:0"}, w) }()
	line := make([]byte, 4096)
	n, err := r.Read(line)
	if err != nil {
		t.Fatal(err)
	}
	go io.Copy(io.Discard, r)
	_, at, ok := strings.Cut(string(line[:n]), "address=")
	if !ok {
		t.Fatalf("it does not say where it listens: %s", line[:n])
	}
	at, _, _ = strings.Cut(at, " ")
	resp, text := post(t, "http://"+at+"/compare", "a.jpg", tagged(t, lat, lon), "e", quayE, "n", quayN)
	compared(t, resp, text)
	cancel()
	if err := <-done; err != nil {
		t.Errorf("stopping: %v", err)
	}
	for _, args := range [][]string{{"-crs", "EPSG:4326"}, {"-at-once", "0"}, {"-colour"}, {"-addr", "nowhere:-1"}} {
		if err := run(t.Context(), args, io.Discard); err == nil {
			t.Errorf("%v: no error", args)
		}
	}
}
