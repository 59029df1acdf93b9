package main

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"io/fs"
	"log/slog"
	"math"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/rwcarlsen/goexif/exif"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/report"
	"example.com/phototie/match/service"
)

// server is a service that runs for a test, and what it was seen to answer.
type server struct {
	t      *testing.T
	url    string
	system string
	seen   map[string]bool // method, path and status, as the description has them
}

// serve starts a service; wrap, which may be nil, is around its handler.
func serve(t *testing.T, open grid.Opener, system string, change func(*limits), wrap func(http.Handler) http.Handler) *server {
	t.Helper()
	lim := defaultLimits()
	if change != nil {
		change(&lim)
	}
	log := slog.New(slog.NewTextHandler(t.Output(), nil))
	h := newHandler(open, system, lim, log)
	if wrap != nil {
		h = wrap(h)
	}
	ts := httptest.NewUnstartedServer(nil)
	ts.Config = newServer(h, log)
	ts.Start()
	t.Cleanup(ts.Close)
	return &server{t, ts.URL, system, map[string]bool{}}
}

const (
	quay     = `"e":690242.043,"n":604873.007`
	lat, lon = 52.188271, -6.680190
)

// tagged is a photo at a position.
func tagged(t *testing.T, lat, lon float64) []byte {
	t.Helper()
	out, _, err := geotag.Rewrite(geotagtest.Plain(), geotag.Edit{Lat: lat, Lon: lon, HPositioningError: 3, ProcessingMethod: "GPS"})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// form is a body as curl sends it: requests, and photos by their names.
func form(t *testing.T, requests string, photos ...any) (body []byte, kind string) {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	err := w.WriteField("requests", requests)
	for i := 0; i < len(photos) && err == nil; i += 2 {
		var p io.Writer
		if p, err = w.CreateFormFile("photos", photos[i].(string)); err == nil {
			_, err = p.Write(photos[i+1].([]byte))
		}
	}
	if err := errors.Join(err, w.Close()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes(), w.FormDataContentType()
}

// send sends a request and holds the answer against the description.
func (s *server) send(method, path string, body io.Reader, kind string) (*http.Response, []byte) {
	s.t.Helper()
	req, err := http.NewRequestWithContext(s.t.Context(), method, s.url+path, body)
	if err != nil {
		s.t.Fatal(err)
	}
	req.Header.Set("Content-Type", kind)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		s.t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	s.described(method, path, resp, text)
	return resp, text
}

// described holds an answer against the description, and puts it down as seen.
func (s *server) described(method, path string, resp *http.Response, text []byte) {
	s.t.Helper()
	at := path
	if strings.HasPrefix(path, "/schema/") {
		at = "/schema/{name}"
	}
	where := []string{"paths", at, strings.ToLower(method), "responses", fmt.Sprint(resp.StatusCode)}
	d := document(s.t)
	node, where := d.find(where)
	if node == nil {
		s.t.Fatalf("%s %s answers %d, which is not described: %s", method, path, resp.StatusCode, text)
	}
	s.seen[fmt.Sprint(method, " ", at, " ", resp.StatusCode)] = true
	for name := range object(node["headers"]) {
		if resp.Header.Get(name) == "" {
			s.t.Errorf("%s %s %d has no header %s", method, path, resp.StatusCode, name)
		}
	}
	if node["content"] == nil {
		return
	}
	kind, _, _ := strings.Cut(resp.Header.Get("Content-Type"), ";")
	if err := d.validate(s.t, append(where, "content", kind, "schema"), text); err != nil {
		s.t.Errorf("%s %s %d %s: %v\n%.500s", method, path, resp.StatusCode, kind, err, text)
	}
}

// post sends requests as a form; each is a JSON object.
func (s *server) post(requests []string, photos ...any) []service.Response {
	s.t.Helper()
	body, kind := form(s.t, "["+strings.Join(requests, ",")+"]", photos...)
	resp, text := s.send("POST", "/requests", bytes.NewReader(body), kind)
	var all []service.Response
	if err := json.Unmarshal(text, &all); err != nil || resp.StatusCode != http.StatusOK || len(all) != len(requests) {
		s.t.Fatalf("%d %v: %.500s", resp.StatusCode, err, text)
	}
	return all
}

// compared is the document of a comparison.
func compared(t *testing.T, r service.Response) report.Compare {
	t.Helper()
	var doc report.Compare
	if err := json.Unmarshal(r.Compare, &doc); err != nil || r.Error != nil {
		t.Fatalf("%v, %v: %s", r.Error, err, r.Compare)
	}
	return doc
}

// description is openapi.json with the schemas that it refers to.
type description struct {
	doc      map[string]any
	compiler *jsonschema.Compiler
}

var document = func() func(t testing.TB) *description {
	load := sync.OnceValues(func() (*description, error) { return load(openAPI) })
	return func(t testing.TB) *description {
		d, err := load()
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
}()

func load(text []byte) (*description, error) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		return nil, err
	}
	d := &description{object(doc), jsonschema.NewCompiler()}
	d.compiler.DefaultDraft(jsonschema.Draft2020)
	err = d.compiler.AddResource("mem:///openapi.json", doc)
	files := report.Schemas()
	return d, errors.Join(err, fs.WalkDir(files, ".", func(p string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		text, err := fs.ReadFile(files, p)
		if err != nil {
			return err
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		return errors.Join(err, d.compiler.AddResource("mem:///schema/"+p, doc))
	}))
}

func object(v any) map[string]any { m, _ := v.(map[string]any); return m }

// find follows a path through the document, and a reference at its end.
func (d *description) find(where []string) (map[string]any, []string) {
	node := d.doc
	for _, key := range where {
		node = object(node[key])
	}
	if ref, ok := node["$ref"].(string); ok {
		return d.find(strings.Split(strings.TrimPrefix(ref, "#/"), "/"))
	}
	return node, where
}

// validate holds a JSON text against a schema in the document.
func (d *description) validate(t testing.TB, where []string, text []byte) error {
	t.Helper()
	for i := range where {
		where[i] = strings.NewReplacer("~", "~0", "/", "~1", "{", "%7B", "}", "%7D").Replace(where[i])
	}
	schema, err := d.compiler.Compile("mem:///openapi.json#/" + strings.Join(where, "/"))
	if err != nil {
		return err
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		return err
	}
	return schema.Validate(doc)
}

// The description is one by the rules of OpenAPI 3.1: testdata has the schema that the
// OpenAPI Initiative publishes at https://spec.openapis.org/oas/3.1/schema/2022-10-07
// (Apache-2.0).
func TestDescriptionIsOpenAPI(t *testing.T) {
	text, err := os.ReadFile("testdata/openapi-3.1-schema.json")
	if err != nil {
		t.Fatal(err)
	}
	meta, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if _, err := c.Compile("https://spec.openapis.org/oas/3.1/schema/2022-10-07"); err == nil {
		t.Fatal("the schema came from elsewhere")
	}
	if err := c.AddResource("https://spec.openapis.org/oas/3.1/schema/2022-10-07", meta); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("https://spec.openapis.org/oas/3.1/schema/2022-10-07")
	if err != nil {
		t.Fatal(err)
	}
	if err := schema.Validate(document(t).doc); err != nil {
		t.Error(err)
	}
	for _, bad := range []string{`"responses": {`, `"version": "1",`} {
		broken, err := jsonschema.UnmarshalJSON(strings.NewReader(strings.Replace(string(openAPI), bad, strings.ToUpper(bad), 1)))
		if err != nil {
			t.Fatal(err)
		}
		if schema.Validate(broken) == nil {
			t.Errorf("a description without %s passes", bad)
		}
	}
}

// Every answer that the description has is given, and no other; what it shows as a
// request is one.
func TestDescriptionIsTrue(t *testing.T) {
	d := document(t)
	s := serve(t, crs.OpenGrid, "EPSG:2157", func(l *limits) { l.body, l.rate, l.grace = 200<<10, 1<<30, time.Second }, nil)
	body, kind := form(t, `[]`)
	post := func(want int, body io.Reader, kind string) []byte {
		t.Helper()
		resp, text := s.send("POST", "/requests", body, kind)
		if resp.StatusCode != want {
			t.Errorf("%d %s, want %d", resp.StatusCode, text, want)
		}
		return text
	}
	if text := post(200, bytes.NewReader(body), kind); string(text) != "[]\n" {
		t.Errorf("nothing asked: %s", text)
	}
	media, where := d.find([]string{"paths", "/requests", "post", "requestBody", "content", "application/json"})
	example, err := json.Marshal(media["example"])
	if err != nil {
		t.Fatal(err)
	}
	post(200, bytes.NewReader(example), "application/json; charset=utf-8")
	// Each of these is refused by the description and by the service, and the first is not.
	for i, r := range []string{
		`{"do":"compare",` + quay + `,"photo":"AAAA"}`, `{"do":"compare",` + quay + `,"path":"/etc/passwd"}`,
		`{"do":"correct",` + quay + `,"photo":"AAAA","into":"x"}`, `{"do":"check","dataset":"/"}`, `{"do":"cancel","of":1}`,
		`{"do":"compare","photo":"AAAA"}`, `{"do":"compare",` + quay + `,"photo":"AAAA","only":["all"]}`,
		`{"do":"compare",` + quay + `,"photo":"AAAA","sigma_m":-1}`, `{"do":"compare","e":"1","n":2,"photo":"AAAA"}`, `[]`, `null`,
	} {
		err := d.validate(t, append(append([]string{}, where...), "schema"), []byte("["+r+"]"))
		var got []service.Response
		if err := json.Unmarshal(post(200, strings.NewReader("["+r+"]"), "application/json"), &got); err != nil {
			t.Fatal(err)
		}
		if told := got[0].Error; (err == nil) != (i == 0) || told == nil || (told.Code == service.BadImage) != (i == 0) {
			t.Errorf("%s: the description says %v, the service %+v", r, err, told)
		}
	}
	for _, c := range []struct {
		status     int
		body, kind string
	}{
		{415, "e=1", "application/x-www-form-urlencoded"},
		{415, "[]", ""},
		{415, "--x--", "multipart/form-data"},
		{400, "{}", "application/json"},
		{400, "null", "application/json"},
		{400, "[] []", "application/json"},
		{400, "--x\r\nnonsense", "multipart/form-data; boundary=x"},
		{400, "--x--", "multipart/form-data; boundary=x"},
		{400, "--x\r\nContent-Disposition: form-data; name=\"z\"\r\n\r\n1\r\n--x--", "multipart/form-data; boundary=x"},
		{400, strings.Repeat("--x\r\nContent-Disposition: form-data; name=\"requests\"\r\n\r\n[]\r\n", 2) + "--x--", "multipart/form-data; boundary=x"},
		{400, strings.Repeat("--x\r\nContent-Disposition: form-data; name=\"photos\"; filename=a\r\n\r\n1\r\n", 2) + "--x--", "multipart/form-data; boundary=x"},
		{413, strings.Repeat(" ", 300<<10), "application/json"},
	} {
		post(c.status, strings.NewReader(c.body), c.kind)
		post(c.status, struct{ io.Reader }{strings.NewReader(c.body)}, c.kind) // of no length that is told
	}
	r, w := io.Pipe()
	post(408, r, "application/json") // from a client who sends nothing
	w.Close()
	t.Setenv("TMPDIR", filepath.Join(t.TempDir(), "none"))
	if text := post(500, strings.NewReader("[]"), "application/json"); bytes.Contains(text, []byte("none")) {
		t.Errorf("it tells too much: %s", text)
	}
	_, text := s.send("GET", "/openapi.json", nil, "")
	if !bytes.Equal(text, openAPI) {
		t.Error("another description is served")
	}
	s.send("GET", "/schema/serve-1.json", nil, "")
	s.send("GET", "/schema/none.json", nil, "")
	busy := serve(t, crs.OpenGrid, "EPSG:2157", func(l *limits) { l.open = 0 }, nil)
	busy.send("POST", "/requests", strings.NewReader("[]"), "application/json")

	for path, item := range object(d.doc["paths"]) {
		for method, op := range object(item) {
			for status := range object(object(op)["responses"]) {
				if what := strings.ToUpper(method) + " " + path + " " + status; !s.seen[what] && !busy.seen[what] {
					t.Errorf("%s is described, and never seen", what)
				}
			}
		}
	}
	for _, c := range []struct {
		method, path string
		status       int
	}{{"GET", "/requests", 405}, {"POST", "/openapi.json", 405}, {"GET", "/", 404}, {"GET", "/schema/../openapi.json", 200}} {
		req, _ := http.NewRequestWithContext(t.Context(), c.method, s.url+c.path, nil)
		resp, err := http.DefaultClient.Do(req)
		if err != nil || resp.StatusCode != c.status || resp.Header.Get("X-Content-Type-Options") != "nosniff" {
			t.Fatalf("%s %s: %v %v, want %d", c.method, c.path, resp, err, c.status)
		}
		resp.Body.Close()
	}
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
	system := fmt.Sprintf("EPSG:%d", code)
	proj, err := crs.Open(system)
	if err != nil {
		t.Fatal(err)
	}
	placed, err := proj.ToGrid(t.Context(), []grid.Fix{{LatLon: grid.LatLon{Lat: tag.Position.Lat, Lon: tag.Position.Lon}, Frame: match.Options{}.Frame(tag)}})
	if err != nil || placed[0].Err != nil {
		t.Fatal(err, placed)
	}
	at := fmt.Sprintf(`"e":%.4f,"n":%.4f,"path":%q`, placed[0].E-3, placed[0].N+1, photo.Name)
	s := serve(t, crs.OpenGrid, system, nil, nil)
	got := s.post([]string{`{"do":"compare","sigma_m":0.02,` + at + `}`, `{"id":2,"do":"correct",` + at + `}`}, photo.Name, photo.Raw)
	doc := compared(t, got[0])
	d := doc.Photo.Discrepancy
	if d == nil || math.Abs(d.DE-3) > 1e-3 || math.Abs(d.DN+1) > 1e-3 || doc.Photo.Verdict != match.Within || doc.Grid.Code != system || doc.Photo.Name != photo.Name {
		t.Fatalf("%s: %s", photo.Name, got[0].Compare)
	}
	corrected := got[1].Correct.Photo
	got = s.post([]string{`{"do":"compare",` + at + `}`}, photo.Name, corrected)
	if d := compared(t, got[0]).Photo.Discrepancy; d == nil || d.Distance > 0.001 {
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

// Several photos of one request have their responses in order, whatever becomes of each:
// one that is out is not corrected unless the client says so, and a position that is
// swapped is seen.
func TestSeveralPhotos(t *testing.T) {
	s := serve(t, crs.OpenGrid, "EPSG:2157", nil, nil)
	near, far := tagged(t, lat, lon), tagged(t, lat+0.01, lon)
	ask := func(do, path, more string) string {
		return `{"id":"` + path + `","do":"` + do + `",` + quay + `,"path":"` + path + `"` + more + `}`
	}
	hostile := "../<b>\u202egpj.写"
	got := s.post([]string{
		ask("compare", "near", ""), ask("correct", "far", ""), ask("correct", "far", `,"only":["gross"]`), ask("correct", "plain", `,"only":["unjudged"]`),
		ask("compare", "text", ""), ask("compare", "none", ""), ask("compare", "near", `,"crs":"EPSG:1"`), ask("compare", "near", `,"colour":"red"`),
		`{"do":"compare","e":604873.007,"n":690242.043,"path":"near"}`, `{"do":"compare",` + quay + `,"path":` + quoted(t, hostile) + `}`,
		`{"do":"compare",` + quay + `,"name":"by bytes","photo":"` + base64.StdEncoding.EncodeToString(near) + `"}`,
	}, "near", near, "far", far, "plain", geotagtest.Plain(), "text", []byte("%PDF-1.7"), "b>\u202egpj.写", near)
	if doc := compared(t, got[0]); doc.Photo.Verdict != match.Within || doc.Photo.Name != "near" || string(got[0].ID) != `"near"` {
		t.Errorf("%s", got[0].Compare)
	}
	if c := got[1].Correct; c.Outcome != "left" || !strings.Contains(c.Why, "gross") || c.Photo != nil {
		t.Errorf("%+v", c)
	}
	for _, i := range []int{2, 3} {
		tag, err := geotag.ReadBytes(got[i].Correct.Photo)
		if err != nil || math.Abs(tag.Position.Lat-lat) > 1e-4 {
			t.Errorf("%d: %v %v", i, tag, err)
		}
	}
	for i, code := range map[int]service.Code{4: service.BadImage, 5: service.BadRequest, 6: service.BadSystem, 7: service.BadRequest, 9: service.BadRequest} {
		if got[i].Error == nil || got[i].Error.Code != code {
			t.Errorf("%d: %+v, want %s", i, got[i].Error, code)
		}
	}
	if !bytes.Contains(got[8].Compare, []byte(`"north_first":true`)) {
		t.Errorf("swapped: %.300s", got[8].Compare)
	}
	if doc := compared(t, got[10]); doc.Photo.Name != "by bytes" {
		t.Errorf("%s", got[10].Compare)
	}
}

func quoted(t *testing.T, s string) string {
	text, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// watched counts the requests that a handler has under way, and tells when one has been
// read up to some of its bytes.
type watched struct {
	over atomic.Int32
	read chan struct{} // of requests with the header Slow
}

func (c *watched) wrap(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if upTo := 0; r.Header.Get("Slow") != "" {
			fmt.Sscan(r.Header.Get("Slow"), &upTo)
			r.Body = &counted{r.Body, upTo, c.read}
			defer c.over.Add(1)
		}
		h.ServeHTTP(w, r)
	})
}

type counted struct {
	io.ReadCloser
	left int
	read chan struct{}
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.ReadCloser.Read(p)
	if was := c.left; was > 0 {
		if c.left -= n; c.left <= 0 {
			c.read <- struct{}{}
		}
	}
	return n, err
}

// slow begins a request over a connection of its own, and sends only the first bytes.
func (s *server) slow(body []byte, kind string, first int) net.Conn {
	s.t.Helper()
	conn, err := net.Dial("tcp", strings.TrimPrefix(s.url, "http://"))
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { conn.Close() })
	fmt.Fprintf(conn, "POST /requests HTTP/1.1\r\nHost: x\r\nConnection: close\r\nSlow: %d\r\nContent-Type: %s\r\nContent-Length: %d\r\n\r\n%s", first, kind, len(body), body[:first])
	return conn
}

// Sixty clients who have sent half of their photos, and one who does not read its answer,
// take no place from another, who is answered before any of them is, though there is one
// place alone. Then they are answered too.
func TestSlowClientsTakeNoPlace(t *testing.T) {
	const clients = 60
	c := &watched{read: make(chan struct{}, clients+1)}
	s := serve(t, crs.OpenGrid, "EPSG:2157", func(l *limits) { l.places, l.grace = 1, time.Minute }, c.wrap)
	body, kind := form(t, `[{"do":"compare",`+quay+`,"path":"a"}]`, "a", tagged(t, lat, lon))
	var conns []net.Conn
	for range clients {
		conns = append(conns, s.slow(body, kind, len(body)/2))
	}
	// The answer of 24 photos of 1 MiB is more than connections hold.
	many, manyKind := form(t, `[`+strings.TrimSuffix(strings.Repeat(`{"do":"correct",`+quay+`,"path":"a"},`, 24), ",")+`]`, "a", append(tagged(t, lat, lon), make([]byte, 1<<20)...))
	reader := s.slow(many, manyKind, len(many))
	if _, err := io.ReadFull(reader, make([]byte, 12)); err != nil {
		t.Fatal(err)
	}
	for range clients + 1 {
		<-c.read
	}
	for range 3 {
		if doc := compared(t, s.post([]string{`{"do":"compare",` + quay + `,"path":"a"}`}, "a", tagged(t, lat, lon))[0]); doc.Photo.Verdict != match.Within {
			t.Error(doc.Photo.Verdict)
		}
	}
	if n := c.over.Load(); n != 0 {
		t.Errorf("%d of the slow clients were done with before", n)
	}
	reader.Close()
	for i, conn := range conns {
		if _, err := conn.Write(body[len(body)/2:]); err != nil {
			t.Fatal(err)
		}
		all, err := io.ReadAll(conn)
		if err != nil || !bytes.HasPrefix(all, []byte("HTTP/1.1 200")) || !bytes.Contains(all, []byte(`"verdict":"within"`)) {
			t.Fatalf("slow client %d: %v %.300s", i, err, all)
		}
	}
}

// What is not here in full is bounded too: who comes while there are as many requests as
// may be is told to come again, and who sends at less than the least rate is cut off,
// which makes room.
func TestTooManyAndTooSlow(t *testing.T) {
	c := &watched{read: make(chan struct{}, 1)}
	s := serve(t, crs.OpenGrid, "EPSG:2157", func(l *limits) { l.open, l.rate, l.grace = 1, 1<<20, 2*time.Second }, c.wrap)
	body, kind := form(t, `[{"do":"compare",`+quay+`,"path":"a"}]`, "a", tagged(t, lat, lon))
	conn := s.slow(body, kind, len(body)/2)
	<-c.read
	if resp, text := s.send("POST", "/requests", bytes.NewReader(body), kind); resp.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
	if all, err := io.ReadAll(conn); err != nil || !bytes.HasPrefix(all, []byte("HTTP/1.1 408")) {
		t.Errorf("a slow client: %v %s", err, all)
	}
	if resp, text := s.send("POST", "/requests", bytes.NewReader(body), kind); resp.StatusCode != http.StatusOK {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
}

// blocked is a projection that waits for its context.
type blocked struct {
	grid.Projection
	began chan struct{}
}

func (b blocked) ToGrid(ctx context.Context, _ []grid.Fix) ([]grid.Placement, error) {
	b.began <- struct{}{}
	<-ctx.Done()
	return nil, ctx.Err()
}

type broken struct{ grid.Projection }

func (broken) ToGrid(context.Context, []grid.Fix) ([]grid.Placement, error) { panic("a secret") }

// Work that takes too long is ended, and so is that for a client that has left; both give
// their place back. A fault of ours is not told to strangers.
func TestWorkIsEnded(t *testing.T) {
	began := make(chan struct{}, 9)
	opened := func(def string, opt grid.OpenOptions) (grid.Projection, error) {
		proj, err := crs.OpenGrid("EPSG:2157", opt)
		switch def {
		case "blocked":
			proj = blocked{proj, began}
		case "broken":
			proj = broken{proj}
		}
		return proj, err
	}
	in := func(system string) string { return `{"do":"compare",` + quay + `,"path":"a","crs":"` + system + `"}` }
	s := serve(t, opened, "EPSG:2157", func(l *limits) { l.places, l.work = 1, 300*time.Millisecond }, nil)
	got := s.post([]string{in("blocked"), in("EPSG:2157"), in("broken")}, "a", tagged(t, lat, lon))
	for i := range got[:2] {
		if e := got[i].Error; e == nil || e.Code != service.Cancelled || !strings.Contains(e.Message, "time") {
			t.Errorf("work that takes long: %+v", e)
		}
	}
	if got = s.post([]string{in("broken")}, "a", tagged(t, lat, lon)); got[0].Error == nil || got[0].Error.Code != service.Broken || strings.Contains(got[0].Error.Message, "secret") {
		t.Errorf("a fault: %+v", got[0].Error)
	}

	s = serve(t, opened, "EPSG:2157", func(l *limits) { l.places, l.work = 1, time.Hour }, nil)
	<-began
	ctx, cancel := context.WithCancel(t.Context())
	body, kind := form(t, "["+in("blocked")+"]", "a", tagged(t, lat, lon))
	req, err := http.NewRequestWithContext(ctx, "POST", s.url+"/requests", bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", kind)
	go func() {
		<-began
		cancel()
	}()
	if resp, err := http.DefaultClient.Do(req); !errors.Is(err, context.Canceled) {
		t.Errorf("a client that leaves: %v %v", resp, err)
	}
	compared(t, s.post([]string{in("EPSG:2157")}, "a", tagged(t, lat, lon))[0])
}

// run serves until it is told to stop, and says what is wrong with its flags.
func TestRun(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	r, w := io.Pipe()
	done := make(chan error, 1)
	go func() {
		done <- run(ctx, []string{"-addr", "127.0.0.1:0", "-crs", "EPSG:2157", "-crs", "EPSG:32629"}, w)
	}()
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
	s := &server{t, "http://" + at, "EPSG:2157", map[string]bool{}}
	in := func(system string) string { return `{"do":"compare",` + quay + `,"path":"a","crs":"` + system + `"}` }
	got := s.post([]string{in(""), in("EPSG:32629"), in("EPSG:25829")}, "a", tagged(t, lat, lon))
	if doc := compared(t, got[0]); doc.Grid.Code != "EPSG:2157" {
		t.Errorf("the first system: %s", got[0].Compare)
	}
	compared(t, got[1])
	if got[2].Error == nil || got[2].Error.Code != service.BadSystem {
		t.Errorf("a system that is not served: %+v", got[2].Error)
	}
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

// Whatever is sent is read, or refused with a problem that the client is told.
func FuzzForm(f *testing.F) {
	const kind = "multipart/form-data; boundary=x"
	part := func(disposition, text string) string {
		return "--x\r\nContent-Disposition: form-data; " + disposition + "\r\n\r\n" + text + "\r\n"
	}
	whole := part(`name="requests"`, `[{"do":"compare","e":1,"n":2,"path":"a.jpg"}]`) + part(`name="photos"; filename="a.jpg"`, "bytes") + "--x--\r\n"
	f.Add(kind, whole)
	f.Add(kind, part(`name="photos"; filename*=UTF-8''%1b%5b2J%0d%0a`, "")+"--x--")
	f.Add("multipart/form-data", whole)
	f.Add("multipart/mixed; boundary="+fmt.Sprint(1e300), whole)
	f.Add("application/json", `[{}, null, 1]`)
	f.Fuzz(func(t *testing.T, kind, body string) {
		asked, photos, err := read(kind, strings.NewReader(body))
		if err != nil && !errors.As(err, new(*problem)) {
			t.Fatalf("%v (%T) is no problem that a client is told", err, err)
		}
		h := &handler{service: service.New(func(string, grid.OpenOptions) (grid.Projection, error) { return nil, errors.New("none") }, service.Options{NoFiles: true}), system: "x"}
		var out bytes.Buffer
		var all []service.Response
		if err := h.each(t.Context(), &out, asked, photos); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(out.Bytes(), &all); err != nil || len(all) != len(asked) {
			t.Fatalf("%v: %d responses to %d requests: %s", err, len(all), len(asked), out.Bytes())
		}
	})
}
