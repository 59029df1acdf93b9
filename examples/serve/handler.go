package main

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"mime/multipart"
	"net/http"
	"os"
	"strconv"
	"time"

	"golang.org/x/sync/semaphore"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match/report"
	"example.com/phototie/match/service"
)

// limits bound what requests may cost: some times body for each of places in memory, and
// twice body for each of open on disk.
type limits struct {
	body   int64 // bytes of a request
	open   int64 // requests at a time, those that are still being sent included
	places int64 // requests that are in memory, and worked on
	work   time.Duration
	rate   int64         // bytes a second that a client sends and takes at least
	grace  time.Duration // what it may be late by
}

func defaultLimits() limits {
	return limits{body: 64 << 20, open: 256, places: 8, work: 30 * time.Second, rate: 8 << 10, grace: 10 * time.Second}
}

//go:embed openapi.json
var openAPI []byte

// handler answers requests. Nothing of one is kept for the next.
type handler struct {
	service *service.Service
	system  string // of requests that name none
	limits  limits
	open    *semaphore.Weighted
	places  *semaphore.Weighted
	log     *slog.Logger
}

// newHandler returns the handler for positions in the systems that open opens.
func newHandler(open grid.Opener, system string, lim limits, log *slog.Logger) http.Handler {
	h := &handler{
		service: service.New(open, service.Options{NoFiles: true, Fitting: crs.Fitting}), system: system,
		limits: lim, open: semaphore.NewWeighted(lim.open), places: semaphore.NewWeighted(lim.places), log: log,
	}
	mux := http.NewServeMux()
	mux.HandleFunc("POST /requests", h.requests)
	mux.HandleFunc("GET /openapi.json", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(openAPI))
	})
	mux.Handle("GET /schema/", http.StripPrefix("/schema", http.FileServerFS(report.Schemas())))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("X-Content-Type-Options", "nosniff")
		mux.ServeHTTP(w, r)
	})
}

// problem is why there is no answer, as problem details of RFC 9457. What is wrong with
// one request of several is in its response.
type problem struct {
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
}

func (p *problem) Error() string { return p.Detail }

func problemf(status int, format string, args ...any) *problem {
	return &problem{http.StatusText(status), status, fmt.Sprintf(format, args...)}
}

// requests answers a body of requests.
func (h *handler) requests(w http.ResponseWriter, r *http.Request) {
	text, size, kind, status := io.Reader(nil), int64(0), "application/json", http.StatusOK
	answer, err := h.answer(w, r)
	p := new(problem)
	switch told := errors.As(err, &p); {
	case err == nil:
		defer h.open.Release(1)
		defer answer.done()
		text, size = answer, answer.size
	case !told && r.Context().Err() != nil:
		return // nobody listens any more
	default:
		if !told {
			h.log.Error("request failed", "error", err)
			p = problemf(http.StatusInternalServerError, "it was put on record")
		}
		doc, err := json.Marshal(p)
		if err != nil {
			panic(err) // texts and a number
		}
		text, size, kind, status = bytes.NewReader(doc), int64(len(doc)), "application/problem+json", p.Status
		w.Header().Set("Connection", "close") // the rest of the body is not read
		if status == http.StatusServiceUnavailable {
			w.Header().Set("Retry-After", "5")
		}
	}
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Length", strconv.FormatInt(size, 10))
	err = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(h.limits.grace + h.limits.takes(size)))
	w.WriteHeader(status)
	if _, sent := io.Copy(w, text); errors.Join(err, sent) != nil {
		h.log.Info("answer not sent", "error", errors.Join(err, sent))
	}
}

// answer receives a body, waits for a place, and answers what is asked for in it. Without
// an error the caller releases one of open.
func (h *handler) answer(w http.ResponseWriter, r *http.Request) (_ *scratch, err error) {
	if r.ContentLength > h.limits.body {
		return nil, h.tooLarge()
	}
	if !h.open.TryAcquire(1) {
		return nil, problemf(http.StatusServiceUnavailable, "there are %d requests already; try again", h.limits.open)
	}
	body, out := new(scratch), new(scratch)
	defer func() {
		body.done()
		if err != nil {
			out.done()
			h.open.Release(1)
		}
	}()
	if err := errors.Join(body.open(), out.open()); err != nil {
		return nil, err
	}
	if err := h.receive(body, w, r); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(r.Context(), h.limits.work)
	defer cancel()
	if h.places.Acquire(ctx, 1) != nil {
		return nil, problemf(http.StatusServiceUnavailable, "no place was free within %v; try again", h.limits.work)
	}
	defer h.places.Release(1)
	asked, photos, err := read(r.Header.Get("Content-Type"), body)
	if err != nil {
		return nil, err
	}
	return out, errors.Join(h.each(ctx, out, asked, photos), out.rewind())
}

func (h *handler) tooLarge() *problem {
	return problemf(http.StatusRequestEntityTooLarge, "the limit is %d bytes; send fewer photos at a time", h.limits.body)
}

// receive puts a body into a file as it comes. At any time so much has to be there as the
// least rate brings from the beginning on, but for the grace.
func (h *handler) receive(body *scratch, w http.ResponseWriter, r *http.Request) error {
	control, from := http.NewResponseController(w), http.MaxBytesReader(w, r.Body, h.limits.body)
	due := time.Now().Add(h.limits.grace)
	for {
		if err := control.SetReadDeadline(due); err != nil {
			return err
		}
		n, err := io.CopyN(body, from, 32<<10)
		due = due.Add(h.limits.takes(n))
		switch {
		case err == io.EOF:
			return errors.Join(control.SetReadDeadline(time.Time{}), body.rewind())
		case errors.Is(err, os.ErrDeadlineExceeded):
			return problemf(http.StatusRequestTimeout, "it came at less than %d bytes a second", h.limits.rate)
		case errors.As(err, new(*http.MaxBytesError)):
			return h.tooLarge()
		case errors.As(err, new(*os.PathError)):
			return err // the file's
		case err != nil:
			return problemf(http.StatusBadRequest, "it can't be read to its end: %v", err)
		}
	}
}

// takes is how long so many bytes may take.
func (l limits) takes(n int64) time.Duration {
	return time.Duration(float64(n) / float64(l.rate) * float64(time.Second))
}

// read reads the requests of a body, and its photos by their file names if it is a form.
func read(contentType string, body io.Reader) (asked []json.RawMessage, photos map[string][]byte, err error) {
	kind, params, err := mime.ParseMediaType(contentType)
	switch {
	case err == nil && kind == "application/json":
		asked, err = array(body)
		return asked, nil, err
	case err != nil || kind != "multipart/form-data" || params["boundary"] == "":
		return nil, nil, problemf(http.StatusUnsupportedMediaType, "send application/json or multipart/form-data, not %q", contentType)
	}
	photos = map[string][]byte{}
	form := multipart.NewReader(body, params["boundary"])
	for {
		part, err := form.NextPart()
		switch {
		case err == io.EOF && asked == nil:
			return nil, nil, problemf(http.StatusBadRequest, "the form has no field requests")
		case err == io.EOF:
			return asked, photos, nil
		case err != nil:
			return nil, nil, problemf(http.StatusBadRequest, "the form can't be read: %v", err)
		}
		switch name := part.FileName(); {
		case part.FormName() == "requests" && asked == nil:
			if asked, err = array(part); err != nil {
				return nil, nil, err
			}
		case part.FormName() != "photos" || name == "" || photos[name] != nil:
			return nil, nil, problemf(http.StatusBadRequest, "the form has the field %q of the file name %q; it takes requests, once, and photos, each of another file name", part.FormName(), name)
		default:
			photo, err := io.ReadAll(part)
			if err != nil {
				return nil, nil, problemf(http.StatusBadRequest, "the form can't be read: %v", err)
			}
			photos[name] = photo
		}
	}
}

// array reads a JSON array.
func array(r io.Reader) ([]json.RawMessage, error) {
	text, err := io.ReadAll(r)
	var list []json.RawMessage
	if err == nil {
		err = json.Unmarshal(text, &list)
	}
	if err == nil && list == nil {
		err = errors.New("it is null")
	}
	if err != nil {
		return nil, problemf(http.StatusBadRequest, "the requests are no JSON array: %v", err)
	}
	return list, nil
}

// each writes the responses, an array in the order of what is asked.
func (h *handler) each(ctx context.Context, w io.Writer, asked []json.RawMessage, photos map[string][]byte) error {
	out := bufio.NewWriter(w) // it remembers what goes wrong
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	sep := ""
	_, _ = out.WriteString("[")
	for _, text := range asked {
		_, _ = out.WriteString(sep)
		sep = ","
		if err := enc.Encode(h.one(ctx, text, photos)); err != nil {
			return err
		}
	}
	_, _ = out.WriteString("]\n")
	return out.Flush()
}

// one answers a request. A fault of ours is not told to strangers.
func (h *handler) one(ctx context.Context, text []byte, photos map[string][]byte) service.Response {
	req, err := service.ParseRequest(text)
	if photo, ok := photos[req.Path]; ok {
		req.Path, req.Name, req.Photo = "", req.Path, photo
	} else if photos != nil && req.Path != "" && err == nil {
		err = &service.Error{Code: service.BadRequest, Message: fmt.Sprintf("the form has no photo of the file name %q", req.Path)}
	}
	req.CRS = cmp.Or(req.CRS, h.system)
	resp := service.Response{Version: service.Version, ID: req.ID}
	if !errors.As(err, &resp.Error) {
		resp = h.service.Answer(ctx, req)
	}
	if resp.Error != nil && resp.Error.Code == service.Broken {
		h.log.Error("request failed", "error", resp.Error)
		resp.Error = &service.Error{Code: service.Broken, Message: "something went wrong here; it was put on record"}
	}
	return resp
}

// scratch is a temporary file.
type scratch struct {
	*os.File
	size int64 // see rewind
}

func (s *scratch) open() (err error) {
	if s.File, err = os.CreateTemp("", "phototie-serve-*"); err == nil {
		_ = os.Remove(s.Name()) // nothing is left even of a crash, where the system allows that
	}
	return err
}

// rewind goes from writing to reading.
func (s *scratch) rewind() (err error) {
	if s.size, err = s.Seek(0, io.SeekCurrent); err == nil {
		_, err = s.Seek(0, io.SeekStart)
	}
	return err
}

func (s *scratch) done() {
	if s.File != nil {
		_ = s.Close() // nobody needs it any more
		_ = os.Remove(s.Name())
	}
}
