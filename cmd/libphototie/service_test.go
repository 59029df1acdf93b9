package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime/cgo"
	"strings"
	"sync"
	"testing"
	"time"

	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/service"
)

type seed struct {
	request string
	photo   []byte
}

// seeds are requests and photos as they should be and as they should not.
func seeds(t testing.TB) []seed {
	was, _ := photo(t)
	at := fmt.Sprintf(`"crs":"EPSG:2157","e":%v,"n":%v`, b01.E, b01.N)
	all := []seed{
		{`{"id":1,"do":"compare",` + at + `}`, was},
		{`{"id":{"a":[null]},"do":"correct",` + at + `,"only":["within","gross"],"sigma_m":0.01,"height_m":3,"epoch":2024.5,"datum":"WGS-84"}`, was},
		{`{"do":"correct","crs":"EPSG:2157","e":1e308,"n":-1e308}`, was},
		{`{"do":"correct",` + at + `,"photo":"/9j/"}`, nil},
		{`{"do":"correct",` + at + `}`, geotagtest.Plain()},
		{`{"do":"compare","crs":"+proj=utm +zone=29","e":690242,"n":604873}`, was},
		{`{"do":"compare","crs":"PROJCS[\"","e":1,"n":2}`, was},
		{strings.Repeat("[", 20000), was},
		{`{"id":` + strings.Repeat("[", 9000) + strings.Repeat("]", 9000) + `,"do":"fly"}`, nil},
		{`{"do":"cancel"}`, nil},
		{"\xff\xfe{\"do\":\"\x01\"}", []byte{0xff}},
		{"", nil},
	}
	for cut := 0; cut < len(was); cut += 1 + len(was)/20 {
		all = append(all, seed{all[1].request, was[:cut]})
	}
	return all
}

// broken adds to seeds the same with bytes changed, most near the photo's start, where
// what is read of it is; many with PHOTOTIE_FULL set.
func broken(seeds []seed) []seed {
	n := 60
	if os.Getenv("PHOTOTIE_FULL") != "" {
		n = 2000
	}
	rng := rand.New(rand.NewPCG(17, 3))
	for i := range n {
		s := seeds[i%2]
		request, photo := []byte(s.request), bytes.Clone(s.photo[:min(len(s.photo), 20000)])
		for range 1 + rng.IntN(8) {
			photo[rng.IntN(min(len(photo), 1+int(20*math.Exp(6*rng.Float64()))))] = byte(rng.Uint32())
		}
		if i%4 == 0 { // in a number, a word or the structure
			request[rng.IntN(len(request))] = "0123456789eE+-.,:\"{}[]x"[rng.IntN(23)]
		}
		seeds = append(seeds, seed{string(request), photo})
	}
	return seeds
}

// Services are opened, asked, cancelled and closed by many at once; who is closed out is
// told so, and a close waits for what is under way. (For the race detector.)
func TestAtOnce(t *testing.T) {
	was, _ := photo(t)
	request := fmt.Appendf(nil, `{"do":"correct","crs":"EPSG:2157","e":%v,"n":%v}`, b01.E, b01.N)
	handle := open(0)
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			own := open(0)
			for range 5 {
				for _, h := range []uint64{handle, own} {
					switch r := answer(h, request, was, time.Minute, true); r.code {
					case "", service.Cancelled:
					case service.BadRequest: // the one that all have is closed
						if h == own {
							t.Errorf("%s", r.doc)
						}
					default:
						t.Errorf("%s", r.doc)
					}
				}
				cancel(handle, false)
			}
			for range 200 { // what takes no time meets more often
				answer(handle, []byte("{}"), nil, 0, true)
				cancel(handle, false)
			}
			if i == 5 && !shut(handle) || !shut(own) || shut(own) {
				t.Error("it was not open, or it still is")
			}
		})
	}
	all.Wait()
	if r := answer(handle, request, was, 0, true); r.code != service.BadRequest {
		t.Errorf("it is closed: %s", r.doc)
	}
}

// Whatever comes as a request and a photo, the reply is one JSON object with the code
// that goes with it; a corrected photo is there where the answer says so, and leads
// back to the photo.
func FuzzAnswer(f *testing.F) {
	for _, s := range seeds(f) {
		f.Add([]byte(s.request), s.photo)
	}
	handle := open(1 << 20)
	f.Fuzz(func(t *testing.T, request, photo []byte) {
		if lower := bytes.ToLower(request); bytes.Contains(lower, []byte("path")) || bytes.Contains(lower, []byte("dataset")) || bytes.Contains(lower, []byte(`\u`)) {
			return // nothing on disk
		}
		r := answer(handle, request, photo, time.Minute, true)
		var resp service.Response
		if err := json.Unmarshal(r.doc, &resp); err != nil || resp.Version != service.Version || bytes.ContainsAny(r.doc, "\n\x00") {
			t.Fatalf("%v: %q", err, r.doc)
		}
		if (resp.Error == nil) != (r.code == "") || resp.Error != nil && resp.Error.Code != r.code {
			t.Errorf("the code %q with %s", r.code, r.doc)
		}
		if r.code == service.Broken {
			t.Errorf("%s", r.doc)
		}
		corrected := resp.Correct != nil && resp.Correct.Outcome == dataset.Corrected
		if corrected != (r.corrected != nil) || resp.Correct != nil && resp.Correct.Photo != nil {
			t.Fatalf("%d corrected bytes with %.200s", len(r.corrected), r.doc)
		}
		if corrected {
			var back bytes.Buffer
			if err := resp.Correct.Reverse.Apply(&back, bytes.NewReader(r.corrected)); err != nil || photo != nil && !bytes.Equal(back.Bytes(), photo) {
				t.Errorf("it can't be taken back: %v", err)
			}
		}
	})
}

// Closing waits for what is under way, which is cancelled.
func TestCloseWaits(t *testing.T) {
	begun, end := make(chan struct{}), make(chan struct{})
	o := &opened{most: usualBytes, Service: service.New(func(def string, opt grid.OpenOptions) (grid.Projection, error) {
		close(begun)
		<-end
		return crs.OpenGrid(def, opt)
	}, service.Options{})}
	o.ctx, o.stop = context.WithCancel(t.Context())
	handle := uint64(cgo.NewHandle(o))
	was, _ := photo(t)
	codes, closed := make(chan service.Code, 1), make(chan bool, 1)
	go func() {
		codes <- answer(handle, []byte(`{"do":"compare","crs":"EPSG:2157","e":1,"n":2}`), was, 0, true).code
	}()
	<-begun
	release := sync.OnceFunc(func() { close(end) })
	defer release()
	go func() { closed <- shut(handle) }()
	select {
	case <-closed:
		t.Fatal("it did not wait")
	case <-time.After(50 * time.Millisecond):
	}
	release()
	if code, ok := <-codes, <-closed; code != service.Cancelled || !ok {
		t.Errorf("%q, %v", code, ok)
	}
}

// A panic anywhere below is an error of the code broken, and the service goes on.
func TestPanic(t *testing.T) {
	o := &opened{Service: service.New(func(string, grid.OpenOptions) (grid.Projection, error) { panic("planted") }, service.Options{}), most: usualBytes}
	handle := uint64(cgo.NewHandle(o))
	for _, limit := range []time.Duration{0, time.Minute} { // the context is nil, which WithTimeout does not take
		r := answer(handle, []byte(`{"id":7,"do":"compare","crs":"x","e":1,"n":2}`), []byte("x"), limit, true)
		var resp service.Response
		if err := json.Unmarshal(r.doc, &resp); err != nil || r.code != service.Broken || !strings.Contains(resp.Error.Message, "internal error: ") {
			t.Errorf("%v: %q %s", err, r.code, r.doc)
		}
	}
}

// A handle of something else, and none, are no service.
func TestHandles(t *testing.T) {
	other := cgo.NewHandle("of something else")
	defer other.Delete()
	for _, h := range []uint64{0, uint64(other), math.MaxUint64} {
		if r := answer(h, []byte("{}"), nil, 0, false); r.code != service.BadRequest || cancel(h, false) || shut(h) {
			t.Errorf("%d: %s", h, r.doc)
		}
	}
}
