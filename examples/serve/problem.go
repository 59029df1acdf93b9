package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"example.com/phototie/match"
)

// problem is an error as a client gets it: problem details, RFC 9457.
type problem struct {
	// Type identifies the kind of problem. It is a name (RFC 4151) and no address.
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	// Detail is about this request, for a person.
	Detail string `json:"detail,omitempty"`
	// Field is the form's field at fault.
	Field string `json:"field,omitempty"`
	// Photo is what was found out about the photo, where that is the reason.
	Photo *match.PhotoResult `json:"photo,omitempty"`
	// retry is after how many seconds to try again; 0 says nothing of it.
	retry int
}

// Error words the problem.
func (p *problem) Error() string { return p.Title + ": " + p.Detail }

// kinds are the problems that there are, by the end of their type.
var kinds = map[string]struct {
	status int
	title  string
}{
	"no-such-place":   {http.StatusNotFound, "There is nothing here"},
	"wrong-method":    {http.StatusMethodNotAllowed, "This takes a POST"},
	"not-a-form":      {http.StatusUnsupportedMediaType, "The request is no multipart form"},
	"bad-form":        {http.StatusBadRequest, "The form can't be read"},
	"bad-field":       {http.StatusBadRequest, "A field is missing or can't be understood"},
	"too-large":       {http.StatusRequestEntityTooLarge, "The upload is too large"},
	"too-slow":        {http.StatusRequestTimeout, "The upload took too long"},
	"not-an-image":    {http.StatusUnsupportedMediaType, "The photo is of no format that is known here"},
	"damaged-image":   {http.StatusUnprocessableEntity, "The photo is damaged"},
	"outside-grid":    {http.StatusUnprocessableEntity, "The position lies outside the grid's area of use"},
	"not-corrected":   {http.StatusUnprocessableEntity, "The photo was not corrected"},
	"busy":            {http.StatusServiceUnavailable, "Too many photos at once"},
	"took-too-long":   {http.StatusServiceUnavailable, "The work took too long"},
	"something-broke": {http.StatusInternalServerError, "Something went wrong here"},
}

// problemf makes a problem of a kind.
func problemf(kind, format string, args ...any) *problem {
	k := kinds[kind]
	return &problem{Type: "tag:phototie.example,2026:problem/" + kind, Title: k.title, Status: k.status, Detail: fmt.Sprintf(format, args...)}
}

// about names the field that a problem is about.
func (p *problem) about(field string) *problem {
	p.Field = field
	return p
}

// write sends the problem.
func (p *problem) write(w http.ResponseWriter) error {
	text, err := json.Marshal(p)
	if err != nil {
		return errors.Join(err, problemf("something-broke", "").write(w))
	}
	w.Header().Set("Content-Type", "application/problem+json")
	if p.retry > 0 {
		w.Header().Set("Retry-After", fmt.Sprint(p.retry))
	}
	w.WriteHeader(p.Status)
	_, err = w.Write(append(text, '\n'))
	return err
}
