package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"mime"
	"mime/multipart"
	"net/http"
	"os"
	"path"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"golang.org/x/sync/semaphore"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/report"
	"example.com/phototie/match/single"
)

// limits bound what requests may cost. The memory taken is about body times atOnce.
type limits struct {
	body    int64         // bytes of a request
	atOnce  int           // requests that hold a photo
	wait    time.Duration // how long a request waits for its turn
	request time.Duration // how long it may take after that
}

func defaultLimits() limits {
	return limits{body: 32 << 20, atOnce: 8, wait: 2 * time.Second, request: 30 * time.Second}
}

// mostFields and mostText bound the form beside its photo.
const (
	mostFields = 16
	mostText   = 256
)

// projection is what the service needs of its grid. A *crs.CRS has it.
type projection interface {
	grid.Projection
	grid.Geodesist
	grid.Bounded
}

// service answers requests. Nothing of one request is kept for the next.
type service struct {
	proj   projection
	limits limits
	turns  *semaphore.Weighted
	log    *slog.Logger
}

// newService returns the handler for photos whose points are on the grid of proj.
func newService(proj projection, lim limits, log *slog.Logger) http.Handler {
	s := &service{proj: proj, limits: lim, turns: semaphore.NewWeighted(int64(lim.atOnce)), log: log}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.page)
	mux.HandleFunc("/compare", s.photo(s.compare))
	mux.HandleFunc("/correct", s.photo(s.correct))
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, problemf("no-such-place", "there are POST /compare and POST /correct"))
	})
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("X-Content-Type-Options", "nosniff")
		w.Header().Set("Cache-Control", "no-store")
		mux.ServeHTTP(w, r)
	})
}

// form is a request, read.
type form struct {
	photo []byte
	name  string // of the photo, made harmless
	at    grid.EN
	sigma float64 // metres per axis; 0 leaves it to the budget
	only  []match.Verdict
}

// photo wraps the work on an uploaded photo: its limits, its reading and its errors.
func (s *service) photo(work func(ctx context.Context, w http.ResponseWriter, f *form) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			if broken := recover(); broken == http.ErrAbortHandler {
				panic(broken) // see gone
			} else if broken != nil {
				s.log.Error("panic", "path", r.URL.Path, "what", broken, "stack", string(debug.Stack()))
				s.fail(w, r, problemf("something-broke", "it was put on record"))
			}
		}()
		if r.Method != http.MethodPost {
			w.Header().Set("Allow", http.MethodPost)
			s.fail(w, r, problemf("wrong-method", "%s is not understood", r.Method))
			return
		}
		if r.ContentLength > s.limits.body {
			w.Header().Set("Connection", "close")
			s.fail(w, r, s.tooLarge())
			return
		}
		// The turn comes first, so that no more than so many photos are in memory.
		turn, stop := context.WithTimeout(r.Context(), s.limits.wait)
		err := s.turns.Acquire(turn, 1)
		stop()
		if err != nil {
			w.Header().Set("Connection", "close")
			p := problemf("busy", "%d photos are being worked on; try again", s.limits.atOnce)
			p.retry = 1 + int(s.limits.wait/time.Second)
			s.fail(w, r, p)
			return
		}
		defer s.turns.Release(1)
		ctx, cancel := context.WithTimeout(r.Context(), s.limits.request)
		defer cancel()
		// A deadline also ends reads from a client that sends too slowly, and writes
		// to one that takes too slowly; a context does not.
		until, _ := ctx.Deadline()
		control := http.NewResponseController(w)
		if err := errors.Join(control.SetReadDeadline(until), control.SetWriteDeadline(until.Add(time.Second))); err != nil {
			s.fail(w, r, err)
			return
		}
		f, err := s.read(w, r)
		if err == nil {
			err = work(ctx, w, f)
		}
		if err != nil {
			s.fail(w, r, err)
		}
	}
}

// fail answers with a problem. What is nobody's business but ours goes to the log.
func (s *service) fail(w http.ResponseWriter, r *http.Request, err error) {
	var p *problem
	switch {
	case errors.As(err, &p):
	case r.Context().Err() != nil:
		return // nobody listens any more
	case errors.Is(err, context.DeadlineExceeded):
		p = problemf("took-too-long", "more than %v", s.limits.request)
	default:
		s.log.Error("request failed", "path", r.URL.Path, "error", err)
		p = problemf("something-broke", "it was put on record")
	}
	if err := p.write(w); err != nil {
		s.log.Warn("answer not sent", "path", r.URL.Path, "error", err)
	}
}

func (s *service) tooLarge() *problem {
	return problemf("too-large", "the limit is %d bytes for the whole form", s.limits.body)
}

// read reads the form into memory. The photo's bytes are held once.
func (s *service) read(w http.ResponseWriter, r *http.Request) (*form, error) {
	r.Body = http.MaxBytesReader(w, r.Body, s.limits.body)
	// Not ParseMultipartForm, which puts what is large into files.
	parts, err := r.MultipartReader()
	if err != nil {
		return nil, problemf("not-a-form", "%v", err)
	}
	f := &form{}
	fields := map[string]string{}
	for n := 0; ; n++ {
		part, err := parts.NextPart()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, s.unread(err)
		}
		if n == mostFields {
			return nil, problemf("bad-form", "it has more than %d fields", mostFields)
		}
		name := part.FormName()
		if _, twice := fields[name]; twice {
			return nil, problemf("bad-field", "the field comes twice").about(label(name))
		}
		text, err := s.field(part, f)
		if err != nil {
			return nil, err
		}
		fields[name] = text
	}
	if f.photo == nil {
		return nil, problemf("bad-field", "there is no photo: send a file in this field").about("photo")
	}
	return f, s.fill(f, fields)
}

// field reads one part of the form: the photo, or a text.
func (s *service) field(part *multipart.Part, f *form) (string, error) {
	if part.FormName() == "photo" {
		photo, err := io.ReadAll(part)
		if err != nil {
			return "", s.unread(err)
		}
		f.photo, f.name = photo, label(part.FileName())
		if f.photo == nil {
			f.photo = []byte{}
		}
		return "", nil
	}
	text, err := io.ReadAll(io.LimitReader(part, mostText+1))
	if err != nil {
		return "", s.unread(err)
	}
	if len(text) > mostText {
		return "", problemf("bad-field", "it has more than %d bytes", mostText).about(label(part.FormName()))
	}
	return strings.TrimSpace(string(text)), nil
}

// unread says why a form could not be read.
func (s *service) unread(err error) error {
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		return s.tooLarge()
	case errors.Is(err, os.ErrDeadlineExceeded):
		return problemf("too-slow", "the whole form has to be here within %v", s.limits.request)
	}
	return problemf("bad-form", "%v", err)
}

// fill takes the values of a form's fields.
func (s *service) fill(f *form, fields map[string]string) error {
	for _, v := range []struct {
		name string
		into *float64
		need bool
	}{{"e", &f.at.E, true}, {"n", &f.at.N, true}, {"sigma_m", &f.sigma, false}} {
		text := fields[v.name]
		if text == "" && !v.need {
			continue
		}
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			return problemf("bad-field", "it has to be a number such as 690242.043").about(v.name)
		}
		*v.into = x
	}
	if f.sigma < 0 {
		return problemf("bad-field", "it has to be metres, 0 or more").about("sigma_m")
	}
	for word := range strings.SplitSeq(fields["only"], ",") {
		if word = strings.TrimSpace(word); word == "" {
			continue
		}
		if !slices.Contains(match.Verdicts, match.Verdict(word)) {
			return problemf("bad-field", "it takes verdicts with commas between them: within, over, gross, unjudged").about("only")
		}
		f.only = append(f.only, match.Verdict(word))
	}
	for name := range fields {
		if !slices.Contains([]string{"photo", "e", "n", "sigma_m", "only"}, name) {
			return problemf("bad-field", "there is no such field; there are photo, e, n, sigma_m and only").about(label(name))
		}
	}
	return s.inside(f.at)
}

// inside says whether a position can be one on the grid. Swapped coordinates are the
// usual reason why not.
func (s *service) inside(at grid.EN) error {
	holds := func(at grid.EN) bool {
		south, west, north, east, ok := s.proj.AreaOfUse()
		if !ok {
			return true
		}
		p, err := s.proj.Geographic(at)
		if err != nil {
			return false
		}
		if west > east {
			return p.Lat >= south && p.Lat <= north && (p.Lon >= west || p.Lon <= east)
		}
		return p.Lat >= south && p.Lat <= north && p.Lon >= west && p.Lon <= east
	}
	if holds(at) {
		return nil
	}
	g := s.proj.Grid()
	p := problemf("outside-grid", "E %.3f N %.3f is not in %s (%s), in the unit %s", at.E, at.N, g.Name, g.Code, g.Unit.Name)
	if holds(grid.EN{E: at.N, N: at.E}) {
		p.Detail += "; with e and n swapped it would be"
	}
	return p
}

// check judges a photo against its position.
func (s *service) check(ctx context.Context, f *form) (*single.Photo, error) {
	point := match.Point{EN: f.at}
	if f.sigma > 0 {
		point.Cov = &[3]float64{f.sigma * f.sigma, 0, f.sigma * f.sigma}
	}
	p, err := single.Check(ctx, s.proj, f.name, bytes.NewReader(f.photo), int64(len(f.photo)), point, single.Options{Policy: match.Policy{Only: f.only}})
	return p, aboutPhoto(err)
}

// aboutPhoto makes a problem of an error about an image.
func aboutPhoto(err error) error {
	switch {
	case errors.Is(err, geotag.ErrFormat):
		return problemf("not-an-image", "%v", err).about("photo")
	case geotag.AboutImage(err):
		return problemf("damaged-image", "%v", err).about("photo")
	}
	return err
}

// compare answers with the discrepancy.
func (s *service) compare(ctx context.Context, w http.ResponseWriter, f *form) error {
	res, err := s.check(ctx, f)
	if err != nil {
		return err
	}
	var doc bytes.Buffer
	if err := report.CompareJSON(&doc, res.Grid, res.PhotoResult); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	_, err = doc.WriteTo(w)
	return gone(err)
}

// correct answers with the corrected photo, which is put together as it is sent.
func (s *service) correct(ctx context.Context, w http.ResponseWriter, f *form) error {
	res, err := s.check(ctx, f)
	if err != nil {
		return err
	}
	if res.Patch == nil {
		p := problemf("not-corrected", "%s; the field only names verdicts whose photos are corrected all the same", res.Correction.Why)
		p.Photo = &res.PhotoResult
		return p
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "image/"+res.Tag.Container)
	h.Set("Content-Length", strconv.FormatInt(res.Patch.SizeAfter(), 10))
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": f.name}))
	h.Set("Phototie-Verdict", string(res.Verdict))
	if res.Discrepancy != nil {
		h.Set("Phototie-Distance", fmt.Sprintf("%.3f %s", res.Discrepancy.Distance, res.Grid.Unit.Symbol))
	}
	return gone(res.Write(w))
}

// gone is for errors of sending: the answer has begun, so that another one can't.
func gone(err error) error {
	if err == nil {
		return nil
	}
	panic(http.ErrAbortHandler)
}

// label makes a name from outside harmless: its last part, in letters, digits and
// a few signs, and no longer than it needs to be.
func label(name string) string {
	name = path.Base(strings.ReplaceAll(name, `\`, "/"))
	clean := strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("-_.()", r) {
			return r
		}
		return '_'
	}, strings.ToValidUTF8(name, "_"))
	if n := []rune(clean); len(n) > 80 {
		clean = string(n[len(n)-80:])
	}
	if clean = strings.TrimLeft(clean, "."); clean == "" {
		return "photo"
	}
	return clean
}

// page is a form for trying it in a browser.
func (s *service) page(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'")
	g := s.proj.Grid()
	if err := pageTemplate.Execute(w, map[string]any{"Grid": g.Name, "Code": g.Code, "Unit": g.Unit.Name, "Most": s.limits.body >> 20}); err != nil {
		s.log.Warn("page not sent", "error", err)
	}
}
