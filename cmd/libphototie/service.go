package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"runtime/cgo"
	"sync"
	"time"

	"example.com/phototie/grid/crs"
	"example.com/phototie/match/service"
)

// Limits of a request and its photo together, in bytes.
const (
	usualBytes = 64 << 20
	mostBytes  = 2047 << 20
)

// opened is an open service. Its handle is one of runtime/cgo, which gives no number
// twice.
type opened struct {
	*service.Service
	most int

	mu     sync.Mutex
	ctx    context.Context // of the calls that are under way
	stop   context.CancelFunc
	closed bool
	calls  sync.WaitGroup
}

// open opens a service whose requests are no longer than most, and gives its handle: 0
// where most can't be.
func open(most uint64) uint64 {
	if most > mostBytes {
		return 0
	}
	if most == 0 {
		most = usualBytes
	}
	o := &opened{Service: service.New(crs.OpenGrid, service.Options{Fitting: crs.Fitting}), most: int(most)}
	o.ctx, o.stop = context.WithCancel(context.Background())
	return uint64(cgo.NewHandle(o))
}

// find gives the service of a handle, nil if there is none.
func find(handle uint64) (o *opened) {
	defer func() { _ = recover() }() // Value panics where a handle is not valid
	o, _ = cgo.Handle(handle).Value().(*opened)
	return o
}

// begin takes up a call, which ends with calls.Done; it reports whether the service is open.
func (o *opened) begin() (context.Context, bool) {
	if o == nil {
		return nil, false
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if !o.closed {
		o.calls.Add(1)
	}
	return o.ctx, !o.closed
}

// cancel cancels the calls that are under way, and takes up no more if that is the
// last; it reports whether the service was open.
func cancel(handle uint64, last bool) bool {
	o := find(handle)
	if o == nil {
		return false
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.closed {
		return false
	}
	o.stop()
	o.ctx, o.stop = context.WithCancel(context.Background())
	o.closed = last
	return true
}

// shut cancels, waits for what is under way and closes; it reports whether the service
// was open.
func shut(handle uint64) bool {
	o := find(handle)
	if !cancel(handle, true) {
		return false
	}
	o.calls.Wait()
	o.stop()
	cgo.Handle(handle).Delete()
	return true
}

// reply is what a call hands back: the code of the error, if there is one, the response
// in JSON, and the corrected photo if it is to be apart from that.
type reply struct {
	code      service.Code
	doc       []byte
	corrected []byte
}

// refuse is a reply that is an error.
func refuse(id json.RawMessage, code service.Code, format string, args ...any) reply {
	return encode(service.Response{Version: service.Version, ID: id, Error: &service.Error{Code: code, Message: fmt.Sprintf(format, args...)}})
}

// encode makes the reply of a response.
func encode(resp service.Response) (r reply) {
	var doc bytes.Buffer
	enc := json.NewEncoder(&doc)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(resp); err != nil {
		return refuse(nil, service.Broken, "the answer can't be written: %v", err)
	}
	if resp.Error != nil {
		r.code = resp.Error.Code
	}
	r.doc = bytes.TrimSuffix(doc.Bytes(), []byte("\n"))
	return r
}

// answer answers a request, whose photo comes with it unless it is nil; apart is whether
// a corrected photo is to stay out of the response. Whatever happens is in the reply.
func answer(handle uint64, request, photo []byte, limit time.Duration, apart bool) (r reply) {
	var req service.Request
	defer func() {
		if broken := recover(); broken != nil {
			r = refuse(req.ID, service.Broken, "internal error: %v", broken)
		}
	}()
	o := find(handle)
	ctx, ok := o.begin()
	if !ok {
		return refuse(nil, service.BadRequest, "the service is not open")
	}
	defer o.calls.Done()
	if limit > 0 {
		var done context.CancelFunc
		ctx, done = context.WithTimeout(ctx, limit)
		defer done()
	}
	if len(request)+len(photo) > o.most {
		return refuse(nil, service.TooLarge, "request and photo are longer than %d bytes", o.most)
	}
	req, err := service.ParseRequest(request)
	switch {
	case err != nil:
		return refuse(req.ID, service.BadRequest, "%v", err)
	case req.Do == "cancel":
		return refuse(req.ID, service.BadRequest, `do is "cancel"; the function phototie_cancel cancels`)
	case photo != nil && req.Photo != nil:
		return refuse(req.ID, service.BadRequest, "the photo is there twice: beside the request, and in it")
	case photo != nil && req.Do == "check":
		return refuse(req.ID, service.BadRequest, "a photo is for compare and correct")
	case photo != nil:
		req.Photo = photo
	}
	resp := o.Answer(ctx, req)
	var corrected []byte
	if resp.Correct != nil && apart {
		corrected, resp.Correct.Photo = resp.Correct.Photo, nil
	}
	r = encode(resp)
	r.corrected = corrected
	return r
}
