package main

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
)

// FuzzForm reads whatever is sent as a form: what is wrong with it is a problem that
// the client is told, and a name is one that does nothing in a header.
func FuzzForm(f *testing.F) {
	const kind = "multipart/form-data; boundary=x"
	part := func(disposition, text string) string {
		return "--x\r\nContent-Disposition: form-data; " + disposition + "\r\n\r\n" + text + "\r\n"
	}
	whole := part(`name="photo"; filename="a.jpg"`, "bytes") + part(`name="e"`, "690242.043") + part(`name="n"`, "604873.007") + part(`name="sigma"`, "0.02") + "--x--\r\n"
	f.Add(kind, whole)
	f.Add(kind, part(`name="photo"; filename*=UTF-8''%1b%5b2J%0d%0a`, "")+"--x--")
	f.Add("multipart/form-data", whole)
	f.Add("multipart/mixed; boundary="+fmt.Sprint(1e300), whole)
	f.Fuzz(func(t *testing.T, kind, body string) {
		r := httptest.NewRequest(http.MethodPost, "/compare", bytes.NewReader([]byte(body)))
		r.Header.Set("Content-Type", kind)
		s := &service{limits: defaultLimits()}
		form, err := s.read(httptest.NewRecorder(), r)
		if err != nil {
			var p *problem
			if !errors.As(err, &p) {
				t.Fatalf("%v (%T) is no problem that a client is told", err, err)
			}
			return
		}
		for _, r := range form.name {
			if r < 0x20 || r == 0x7F || r == '/' || r == '"' {
				t.Fatalf("the name %q", form.name)
			}
		}
	})
}
