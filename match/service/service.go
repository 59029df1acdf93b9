package service

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/intake"
	"example.com/phototie/match/report"
	"example.com/phototie/match/single"
)

// Version is that of the protocol.
const Version = 1

// Request is what is asked for; see the package comment. Fields that a kind of request
// has no use for are left out.
type Request struct {
	ID json.RawMessage `json:"id,omitempty"`
	// Do is compare, correct, check or cancel.
	Do string `json:"do"`
	// CRS is the projected system of the position: EPSG code, WKT or PROJ string.
	CRS string `json:"crs,omitempty"`
	// E and N are the position on the grid, in its unit; Height is the point's in metres.
	E      *float64 `json:"e,omitempty"`
	N      *float64 `json:"n,omitempty"`
	Height *float64 `json:"height_m,omitempty"`
	// Sigma is the position's standard deviation per axis in metres.
	Sigma float64 `json:"sigma_m,omitempty"`
	// Handheld, Standoff and Confidence change the budget.
	Handheld   float64 `json:"handheld_m,omitempty"`
	Standoff   float64 `json:"standoff_m,omitempty"`
	Confidence float64 `json:"confidence,omitempty"`
	// Datum and Epoch are of a tag that states none.
	Datum string  `json:"datum,omitempty"`
	Epoch float64 `json:"epoch,omitempty"`
	// Path or Photo is the photo: a file, or its bytes, which results call Name.
	Path  string `json:"path,omitempty"`
	Photo []byte `json:"photo,omitempty"`
	Name  string `json:"name,omitempty"`
	// Into is where correct writes a new file; its folder must be there, it must not.
	Into string `json:"into,omitempty"`
	// Only are the verdicts that correct writes; within, if there are none.
	Only []match.Verdict `json:"only,omitempty"`
	// Dataset is the folder, or ZIP, that check opens.
	Dataset string `json:"dataset,omitempty"`
	// Of is the id of the request to cancel.
	Of json.RawMessage `json:"of,omitempty"`
}

// Response answers a request. It has one of Compare, Correct, Check, Cancel and Error,
// and Correct has the comparison with it.
type Response struct {
	Version int             `json:"version"`
	ID      json.RawMessage `json:"id"`
	Compare json.RawMessage `json:"compare,omitempty"`
	Correct *Corrected      `json:"correct,omitempty"`
	Check   json.RawMessage `json:"check,omitempty"`
	Cancel  *bool           `json:"cancel,omitempty"`
	Error   *Error          `json:"error,omitempty"`
}

// Corrected says what became of a photo.
type Corrected struct {
	Outcome dataset.ChangeOutcome `json:"outcome"`
	// Why says why it is left; empty where it is corrected.
	Why string `json:"why,omitempty"`
	// Photo has the corrected bytes, or Path the file that they are in.
	Photo []byte `json:"photo,omitempty"`
	Path  string `json:"path,omitempty"`
	// Before and After are SHA-256 digests, and Reverse leads from the second to the
	// first.
	Before  string        `json:"sha256_before,omitempty"`
	After   string        `json:"sha256_after,omitempty"`
	Reverse *geotag.Patch `json:"reverse,omitempty"`
}

// Code tells errors apart.
type Code string

// The codes.
const (
	// BadRequest: the request can't be read, or lacks something, or has what can't be.
	BadRequest Code = "bad-request"
	// TooLarge: the request is longer than the limit.
	TooLarge Code = "too-large"
	// BadSystem: the system is not known, or can't be opened.
	BadSystem Code = "bad-system"
	// BadImage: the photo is no image that is read here, or damaged.
	BadImage Code = "bad-image"
	// BadInput: a file or a dataset is missing, or something in it is wrong.
	BadInput Code = "bad-input"
	// Cancelled: the request was cancelled, or the service ends.
	Cancelled Code = "cancelled"
	// Broken: a fault of phototie or of the machine.
	Broken Code = "broken"
)

// Error is why a request has no answer.
type Error struct {
	Code    Code   `json:"code"`
	Message string `json:"message"`
}

// Error gives the message.
func (e *Error) Error() string { return e.Message }

func refusef(code Code, format string, args ...any) error {
	return &Error{code, fmt.Sprintf(format, args...)}
}

// Options bound a service. The zero value is ready to use.
type Options struct {
	// MaxRequest is how long a request of Serve may be, in bytes; 0 is 64 MiB.
	MaxRequest int
	// AtOnce is how many requests a call of Serve works on at a time; 0 is one a
	// processor.
	AtOnce int
	// NoFiles refuses requests that name a file or a folder, for clients who are
	// strangers to this machine.
	NoFiles bool
	// Fitting finds the systems in which a position far from the tag would be at it, for
	// the member would_fit of compare: that of grid/crs, for instance. Nil finds none.
	Fitting intake.Fitting
}

// Service answers requests. It is safe for concurrent use. The zero Service is of no use:
// New makes one.
type Service struct {
	open grid.Opener
	opt  Options
}

// New returns a service whose systems open opens, each once.
func New(open grid.Opener, opt Options) *Service {
	if opt.MaxRequest <= 0 {
		opt.MaxRequest = 64 << 20
	}
	if opt.AtOnce <= 0 {
		opt.AtOnce = runtime.GOMAXPROCS(0)
	}
	return &Service{grid.Kept(open), opt}
}

// Answer answers one request; cancel is for Serve alone. It never fails: what goes wrong
// is in the response.
func (s *Service) Answer(ctx context.Context, req Request) (resp Response) {
	resp = Response{Version: Version, ID: req.ID}
	defer func() {
		if r := recover(); r != nil {
			resp = Response{Version: Version, ID: req.ID, Error: &Error{Broken, fmt.Sprintf("internal error: %v", r)}}
		}
	}()
	var err error
	switch {
	case s.opt.NoFiles && (req.Path != "" || req.Into != "" || req.Dataset != ""):
		err = refusef(BadRequest, "path, into and dataset are not for this service: it takes a photo by its bytes")
	case req.Do == "compare", req.Do == "correct":
		err = s.photo(ctx, &req, &resp)
	case req.Do == "check":
		resp.Check, err = s.check(ctx, req.Dataset)
	default:
		err = refusef(BadRequest, `do is %q; it takes "compare", "correct", "check" and "cancel"`, req.Do)
	}
	if err != nil {
		resp = Response{Version: Version, ID: req.ID, Error: told(err)}
	}
	return resp
}

// told is an error as a client gets it.
func told(err error) *Error {
	var own *Error
	var problem *dataset.Problem
	var file *fs.PathError
	var link *os.LinkError
	switch {
	case errors.As(err, &own):
		return own
	case errors.Is(err, context.Canceled):
		return &Error{Cancelled, "the request was cancelled"}
	case errors.Is(err, context.DeadlineExceeded):
		return &Error{Cancelled, "the time for the request was up"}
	case geotag.AboutImage(err):
		return &Error{BadImage, err.Error()}
	case errors.As(err, &problem), errors.As(err, &file), errors.As(err, &link):
		return &Error{BadInput, err.Error()}
	}
	return &Error{Broken, err.Error()}
}

// photo compares, and corrects if that is asked for.
func (s *Service) photo(ctx context.Context, req *Request, resp *Response) error {
	point, opt, err := req.position()
	if err != nil {
		return err
	}
	proj, err := s.open(req.CRS, grid.OpenOptions{})
	if err != nil {
		return refusef(BadSystem, "crs: %v", err)
	}
	r, size, done, err := req.image()
	if err != nil {
		return err
	}
	defer done()
	p, err := single.Check(ctx, proj, cmp.Or(req.Name, filepath.ToSlash(req.Path)), r, size, point, opt)
	if err != nil {
		return err
	}
	var fits []grid.RankedSystem
	if s.opt.Fitting != nil {
		if fits, err = intake.Fits(ctx, s.opt.Fitting, p.Grid.Code, point.EN, p.PhotoResult); err != nil {
			return err
		}
	}
	var doc bytes.Buffer
	if err := report.Print(&doc, report.FormatJSON, report.Compare{Grid: p.Grid, Photo: p.PhotoResult, Fits: fits}); err != nil {
		return err
	}
	if resp.Compare, err = compact(doc.Bytes()); err == nil && req.Do == "correct" {
		resp.Correct, err = correct(p, io.NewSectionReader(r, 0, size), req.Into)
	}
	return err
}

// position is where the photo's point is, and what it is judged by.
func (req *Request) position() (point match.Point, opt single.Options, err error) {
	opt.Budget, opt.Datum, opt.Epoch, opt.Policy.Only = match.DefaultBudget(), req.Datum, req.Epoch, req.Only
	for _, v := range []struct{ from, into *float64 }{{&req.Handheld, &opt.Budget.Handheld}, {&req.Standoff, &opt.Budget.Standoff}, {&req.Confidence, &opt.Budget.Confidence}} {
		if *v.from != 0 {
			*v.into = *v.from
		}
	}
	switch {
	case req.CRS == "":
		err = refusef(BadRequest, `crs is missing: the projected system of e and n, such as "EPSG:2157"`)
	case req.E == nil || req.N == nil:
		err = refusef(BadRequest, "e and n are missing: the position in the unit of crs, easting first")
	case req.Sigma < 0:
		err = refusef(BadRequest, "sigma_m is %v; it is 0 or more", req.Sigma)
	case (req.Path == "") == (req.Photo == nil):
		err = refusef(BadRequest, "give the photo either by path or by its bytes in photo, base64")
	case req.Do == "compare" && (req.Into != "" || req.Only != nil):
		err = refusef(BadRequest, "into and only are for correct")
	default:
		if bad := opt.Budget.Validate(); bad != nil {
			err = refusef(BadRequest, "%v", bad)
		}
	}
	if err != nil {
		return point, opt, err
	}
	point = match.Point{ID: "position", EN: grid.EN{E: *req.E, N: *req.N}, Height: req.Height}
	if v := req.Sigma * req.Sigma; v > 0 {
		point.Cov = &[3]float64{v, 0, v}
	}
	return point, opt, nil
}

// image is the photo of a request, until done is called.
func (req *Request) image() (r io.ReaderAt, size int64, done func(), err error) {
	if req.Photo != nil {
		return bytes.NewReader(req.Photo), int64(len(req.Photo)), func() {}, nil
	}
	f, err := dataset.OpenFile(req.Path)
	if err != nil {
		return nil, 0, nil, err
	}
	info, err := f.Stat()
	if err != nil {
		return nil, 0, nil, errors.Join(err, f.Close())
	}
	return f, info.Size(), func() { _ = f.Close() }, nil // read only: nothing to lose
}

// correct makes the corrected photo, in memory or as a new file.
func correct(p *single.Photo, was *io.SectionReader, into string) (*Corrected, error) {
	switch {
	case p.Patch == nil:
		return &Corrected{Outcome: dataset.Left, Why: p.Correction.Why}, nil
	case p.Patch.Empty():
		return &Corrected{Outcome: dataset.Unchanged}, nil
	}
	before, after := sha256.New(), sha256.New()
	if _, err := io.Copy(before, was); err != nil {
		return nil, err
	}
	out := &Corrected{Outcome: dataset.Corrected, Path: into, Before: hex.EncodeToString(before.Sum(nil)), Reverse: p.Patch.Reverse()}
	var photo bytes.Buffer
	var err error
	if into == "" {
		photo.Grow(int(was.Size()) + 4<<10) // of which it takes some, if any
		err = p.Write(io.MultiWriter(&photo, after))
		out.Photo = photo.Bytes()
	} else {
		err = newFile(into, func(w io.Writer) error { return p.Write(io.MultiWriter(w, after)) })
	}
	out.After = hex.EncodeToString(after.Sum(nil))
	return out, err
}

// newFile writes a file that is not there yet: it appears whole, and synced.
func newFile(name string, write func(io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(name), ".phototie-*.tmp")
	if err != nil {
		return err
	}
	err = errors.Join(write(f), f.Chmod(0o644), f.Sync(), f.Close())
	if err == nil {
		err = os.Link(f.Name(), name) // which replaces nothing
	}
	if err != nil && !errors.Is(err, fs.ErrExist) && errors.As(err, new(*os.LinkError)) {
		// A file system without links.
		if _, there := os.Lstat(name); errors.Is(there, fs.ErrNotExist) {
			return os.Rename(f.Name(), name)
		}
	}
	return errors.Join(err, os.Remove(f.Name()))
}

// check checks a dataset.
func (s *Service) check(ctx context.Context, name string) (_ json.RawMessage, err error) {
	if name == "" {
		return nil, refusef(BadRequest, "dataset is missing: the folder of a job")
	}
	d, err := dataset.OpenFolder(ctx, name, nil)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	if err := d.Settle(s.open); err != nil {
		return nil, err
	}
	checked, err := d.Check(ctx, dataset.CheckOptions{})
	if err != nil {
		return nil, err
	}
	job := report.Job{Checked: checked, Name: filepath.ToSlash(name)}
	job.Outcome.Kept = checked.Findings()
	var doc bytes.Buffer
	if err := job.Write(ctx, &doc, report.FormatJSON); err != nil {
		return nil, err
	}
	return compact(doc.Bytes())
}

// compact puts a document on one line.
func compact(doc []byte) (json.RawMessage, error) {
	var b bytes.Buffer
	err := json.Compact(&b, doc)
	return b.Bytes(), err
}

// ParseRequest reads a request, a JSON object with no other fields than those of
// Request. The error is an *Error for a response to the request's id, as far as that
// could be read.
func ParseRequest(text []byte) (Request, error) {
	var req Request
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.DisallowUnknownFields()
	err := dec.Decode(&req)
	if err == nil && dec.More() {
		err = errors.New("there is more than one value")
	}
	if err != nil {
		var id struct{ ID json.RawMessage }
		_ = json.Unmarshal(text, &id) // as far as it can be read
		return Request{ID: id.ID}, refusef(BadRequest, "the request can't be read: %s", strings.TrimPrefix(err.Error(), "json: "))
	}
	return req, nil
}
