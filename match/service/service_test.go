package service_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match/report"
	"example.com/phototie/match/service"
)

const at = `"crs":"EPSG:2157","e":690242.043,"n":604873.007`

// handheld is a photo 1.3 m off the position.
func handheld(t testing.TB) []byte {
	img, _, err := geotag.Rewrite(geotagtest.Plain(), geotag.Edit{Lat: 52.188271, Lon: -6.680190, HPositioningError: 3, ProcessingMethod: "GPS"})
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// serve answers lines, holds each response against the schema, and gives them.
func serve(t testing.TB, s *service.Service, lines ...string) []service.Response {
	t.Helper()
	var out bytes.Buffer
	if err := s.Serve(t.Context(), strings.NewReader(strings.Join(lines, "\n")), &out); err != nil {
		t.Fatal(err)
	}
	schema := compiled(t)
	var all []service.Response
	for line := range bytes.Lines(out.Bytes()) {
		var r service.Response
		if err := json.Unmarshal(line, &r); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(line))
		if err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(doc); err != nil {
			t.Errorf("%s: %v", line, err)
		}
		all = append(all, r)
	}
	return all
}

// compiled is the schema, closed to what it does not describe at its own level.
func compiled(t testing.TB) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	err := fs.WalkDir(report.Schemas(), ".", func(p string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		text, err := fs.ReadFile(report.Schemas(), p)
		if err != nil {
			return err
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		if err != nil {
			return err
		}
		if p == "serve-1.json" {
			for _, def := range doc.(map[string]any)["$defs"].(map[string]any) {
				def.(map[string]any)["additionalProperties"] = false
			}
		}
		return c.AddResource("mem:///"+p, doc)
	})
	if err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("mem:///serve-1.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestServe(t *testing.T) {
	dir := t.TempDir()
	put := func(name string, text []byte) string {
		name = filepath.Join(dir, filepath.FromSlash(name))
		if err := errors.Join(os.MkdirAll(filepath.Dir(name), 0o755), os.WriteFile(name, text, 0o644)); err != nil {
			t.Fatal(err)
		}
		return filepath.ToSlash(name)
	}
	photo := handheld(t)
	file := put("job/photos/1.jpg", photo)
	put("job/phototie.toml", []byte("[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n"))
	put("job/points.csv", []byte("id,easting,northing\nB01,690242.043,604873.007\nB02,690262.120,604878.790\n"))
	put("job/links.csv", []byte("photo,point\n1.jpg,B01\n"))
	into := filepath.ToSlash(filepath.Join(dir, "new.jpg"))
	b64 := base64.StdEncoding.EncodeToString(photo)
	var opened atomic.Int32
	s := service.New(func(def string, opt grid.OpenOptions) (grid.Projection, error) {
		opened.Add(1)
		return crs.OpenGrid(def, opt)
	}, service.Options{AtOnce: 2, MaxRequest: 1 << 20, Fitting: crs.Fitting})
	lines := []struct {
		line string
		code service.Code // none: it is answered
	}{
		{`{"id":1,"do":"compare",` + at + `,"path":"` + file + `"}`, ""},
		{`{"id":"two","do":"correct",` + at + `,"photo":"` + b64 + `"}`, ""},
		{`{"id":[3],"do":"correct",` + at + `,"path":"` + file + `","into":"` + into + `"}`, ""},
		{`{"id":4,"do":"check","dataset":"` + filepath.ToSlash(filepath.Join(dir, "job")) + `"}`, ""},
		{`{"id":5,"do":"correct","crs":"EPSG:2157","e":690342,"n":604873,"photo":"` + b64 + `"}`, ""}, // 100 m off: left
		{`{"id":6,"do":"correct","crs":"EPSG:2157","e":690342,"n":604873,"photo":"` + b64 + `","only":["gross"]}`, ""},
		{`{"id":7,"do":"fly"}`, service.BadRequest},
		{`{"id":8,"do":"compare","crs":"EPSG:1","e":1,"n":2,"path":"` + file + `"}`, service.BadSystem},
		{`{"id":9,"do":"compare",` + at + `,"path":"` + file + `x"}`, service.BadInput},
		{`{"id":10,"do":"compare",` + at + `,"photo":"` + base64.StdEncoding.EncodeToString([]byte("no image")) + `"}`, service.BadImage},
		{`{"id":11,"do":"compare",` + at + `}`, service.BadRequest},
		{`{"id":12,"do":"compare",` + at + `,"path":"a","colour":"red"}`, service.BadRequest},
		{`{"id":13,"do":"check","dataset":"` + filepath.ToSlash(dir) + `"}`, service.BadInput},
		{`not JSON`, service.BadRequest},
		{`{"id":15,"do":"compare",` + at + `,"photo":"` + strings.Repeat("A", 2<<20) + `"}`, service.TooLarge},
		{`{"id":16,"do":"compare",` + at + `,"confidence":2,"path":"` + file + `"}`, service.BadRequest},
		{`{"id":17,"do":"cancel","of":1}`, ""},
		{`{"id":18,"do":"compare","crs":"EPSG:2157","e":604873.007,"n":690242.043,"name":"swapped","photo":"` + b64 + `"}`, ""},
	}
	var in []string
	for _, l := range lines {
		in = append(in, l.line)
	}
	got := serve(t, s, in...)
	if len(got) != len(lines) {
		t.Fatalf("%d responses for %d requests", len(got), len(lines))
	}
	for i, r := range got {
		var asked struct{ ID json.RawMessage }
		_ = json.Unmarshal([]byte(lines[i].line), &asked)
		if asked.ID == nil || lines[i].code == service.TooLarge {
			asked.ID = json.RawMessage("null")
		}
		if string(r.ID) != string(asked.ID) {
			t.Errorf("response %d has the id %s", i, r.ID)
		}
		switch {
		case (r.Error == nil) != (lines[i].code == ""):
			t.Errorf("%.60s: %+v", lines[i].line, r.Error)
		case r.Error != nil && r.Error.Code != lines[i].code:
			t.Errorf("%.60s: %+v, want %s", lines[i].line, r.Error, lines[i].code)
		}
	}
	if t.Failed() {
		return
	}
	var compare report.Compare
	if err := json.Unmarshal(got[0].Compare, &compare); err != nil || compare.Photo.Verdict != "within" {
		t.Errorf("%v: %s", err, got[0].Compare)
	}
	var swapped report.Compare
	if err := json.Unmarshal(got[17].Compare, &swapped); err != nil || swapped.Photo.Name != "swapped" || len(swapped.Fits) == 0 || !swapped.Fits[0].NorthFirst {
		t.Errorf("%v: %s", err, got[17].Compare)
	}
	two, three := got[1].Correct, got[2].Correct
	if two.Outcome != "corrected" || two.Before != three.Before || two.After != three.After {
		t.Errorf("by bytes %+v, by path %+v", two, three)
	}
	if written, err := os.ReadFile(into); err != nil || !bytes.Equal(written, two.Photo) || three.Path != into {
		t.Errorf("%v: the file is not what came by bytes", err)
	}
	var back bytes.Buffer
	if err := two.Reverse.Apply(&back, bytes.NewReader(two.Photo)); err != nil || !bytes.Equal(back.Bytes(), photo) {
		t.Errorf("it can't be taken back: %v", err)
	}
	if five, six := got[4].Correct, got[5].Correct; five.Outcome != "left" || five.Why == "" || five.Photo != nil || six.Outcome != "corrected" {
		t.Errorf("far off: %+v, asked for: %+v", five, six)
	}
	if !bytes.Contains(got[3].Check, []byte(`"format":"phototie-check"`)) {
		t.Errorf("check: %.200s", got[3].Check)
	}
	// EPSG:2157 for photos, and with the job's own options, and EPSG:1, which is none.
	if n := opened.Load(); n > 3 {
		t.Errorf("%d times a system was opened", n)
	}
	// What is there is not written over, and nothing is left beside it.
	again := serve(t, s, in[2])
	if again[0].Error == nil || again[0].Error.Code != service.BadInput {
		t.Errorf("written over: %+v", again[0])
	}
	if left, err := filepath.Glob(filepath.Join(dir, ".phototie-*")); err != nil || left != nil {
		t.Errorf("%q is left", left)
	}
}

// A service without files takes none, whatever asks for one; it may be asked by many at
// once.
func TestNoFiles(t *testing.T) {
	s := service.New(crs.OpenGrid, service.Options{NoFiles: true})
	e, n := 690242.043, 604873.007
	for _, r := range []service.Request{
		{Do: "compare", Path: "a.jpg"}, {Do: "correct", Photo: handheld(t), Into: "a.jpg"}, {Do: "check", Dataset: "."},
	} {
		r.CRS, r.E, r.N = "EPSG:2157", &e, &n
		if got := s.Answer(t.Context(), r); got.Error == nil || got.Error.Code != service.BadRequest || !strings.Contains(got.Error.Message, "by its bytes") {
			t.Errorf("%s: %+v", r.Do, got.Error)
		}
	}
	var all sync.WaitGroup
	photo := handheld(t)
	for range 8 {
		all.Go(func() {
			if got := s.Answer(t.Context(), service.Request{Do: "correct", CRS: "EPSG:2157", E: &e, N: &n, Photo: photo}); got.Error != nil || got.Correct.Photo == nil {
				t.Errorf("%+v", got.Error)
			}
		})
	}
	all.Wait()
}

// A request that is under way, or waits for its turn, can be cancelled; the order of the
// responses is that of the requests.
func TestCancel(t *testing.T) {
	begun, end := make(chan struct{}), make(chan struct{})
	s := service.New(func(def string, opt grid.OpenOptions) (grid.Projection, error) {
		close(begun)
		<-end
		return crs.OpenGrid(def, opt)
	}, service.Options{AtOnce: 1})
	r, w := io.Pipe()
	out, results := io.Pipe()
	go func() { results.CloseWithError(s.Serve(t.Context(), r, results)) }()
	photo := base64.StdEncoding.EncodeToString(handheld(t))
	for i := range 2 {
		fmt.Fprintf(w, `{"id":%d,"do":"compare",%s,"photo":"%s"}`+"\n", i, at, photo)
	}
	<-begun
	fmt.Fprintln(w, `{"id":2,"do":"cancel","of":1}`)
	fmt.Fprintln(w, `{"id":3,"do":"cancel","of":77}`)
	close(end)
	dec := json.NewDecoder(out)
	for i, want := range []func(r service.Response) bool{
		func(r service.Response) bool { return r.Compare != nil },
		func(r service.Response) bool { return r.Error != nil && r.Error.Code == service.Cancelled },
		func(r service.Response) bool { return r.Cancel != nil && *r.Cancel },
		func(r service.Response) bool { return r.Cancel != nil && !*r.Cancel },
	} {
		var r service.Response
		if err := dec.Decode(&r); err != nil || string(r.ID) != fmt.Sprint(i) || !want(r) {
			t.Errorf("response %d: %+v %v, %v", i, r, r.Error, err)
		}
	}
	w.Close()
	if err := dec.Decode(new(service.Response)); err != io.EOF {
		t.Error(err)
	}
}

// Nobody listens any more, or the context ends: Serve does too.
func TestServeEnds(t *testing.T) {
	s := service.New(crs.OpenGrid, service.Options{})
	r, w := io.Pipe()
	go fmt.Fprintln(w, `{"id":1,"do":"x"}`)
	failing, gone := io.Pipe()
	failing.Close()
	go func() {
		for {
			if _, err := fmt.Fprintln(w, `{"id":1,"do":"x"}`); err != nil {
				return
			}
		}
	}()
	if err := s.Serve(t.Context(), r, gone); !errors.Is(err, io.ErrClosedPipe) {
		t.Errorf("nobody listens: %v", err)
	}
	r.Close()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.Serve(ctx, strings.NewReader(strings.Repeat(`{"do":"x"}`+"\n", 1000)), io.Discard); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// Each line that is not blank has one response, whatever it says.
func FuzzServe(f *testing.F) {
	f.Add([]byte(`{"id":1,"do":"compare","crs":"x","e":1,"n":2,"photo":"AAAA"}` + "\n\n" + `{"do":"cancel","of":1}`))
	f.Add([]byte("{}\nnull\n[1]\n\"a\"\n{\"id\":{\"a\":1}}\n\x00\xff"))
	s := service.New(func(string, grid.OpenOptions) (grid.Projection, error) { return nil, errors.New("none") }, service.Options{MaxRequest: 200})
	f.Fuzz(func(t *testing.T, in []byte) {
		if bytes.Contains(in, []byte("dataset")) || bytes.Contains(in, []byte("path")) {
			return // nothing on disk
		}
		var out bytes.Buffer
		if err := s.Serve(t.Context(), bytes.NewReader(in), &out); err != nil {
			t.Fatal(err)
		}
		want := 0
		for line := range bytes.SplitSeq(in, []byte("\n")) {
			if len(bytes.TrimSpace(line)) > 0 || len(line) >= 200 {
				want++
			}
		}
		got := 0
		for line := range bytes.Lines(out.Bytes()) {
			var r service.Response
			if err := json.Unmarshal(line, &r); err != nil || r.Version != service.Version {
				t.Errorf("%v: %q", err, line)
			}
			got++
		}
		if got != want {
			t.Errorf("%d responses for %d lines", got, want)
		}
	})
}
