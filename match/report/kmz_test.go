package report

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

// What finds no room is left out and counted, what can't be drawn is said, and what
// is stopped ends.
func TestKMZ(t *testing.T) {
	r := job(t, grid.Metre)
	at, n := located(t, r), len(r.Photos)
	for _, c := range []struct {
		name     string
		each     int
		fault    error
		pictures int
		says     string
	}{
		{"all", 100, nil, n, "&lt;img src="},
		{"room for one", mostPictures - 1, nil, 1, "photos have no picture here, which would make the file too large."},
		{"none can be drawn", 0, errors.New("<b>no & image"), 0, ": &amp;lt;b&amp;gt;no &amp;amp; image"},
	} {
		var b bytes.Buffer
		picture := make([]byte, c.each)
		if err := KMZ(t.Context(), &b, "job", r, at, func(context.Context, string) ([]byte, error) {
			return picture, c.fault
		}, nil); err != nil {
			t.Fatal(err)
		}
		z, err := zip.NewReader(bytes.NewReader(b.Bytes()), int64(b.Len()))
		if err != nil || len(z.File) != 1+c.pictures || z.File[0].Name != "doc.kml" {
			t.Fatalf("%s: %v, %v", c.name, z, err)
		}
		f, err := z.File[0].Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(f)
		if err != nil || !strings.Contains(string(text), c.says) {
			t.Errorf("%s: no %q in %s, %v", c.name, c.says, text, err)
		}
		output(t, "xmllint", "--noout", write(t, "doc.kml", text))
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if err := KMZ(ctx, io.Discard, "job", r, at, func(ctx context.Context, _ string) ([]byte, error) { return nil, ctx.Err() }, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped, it says %v", err)
	}
	if err := KMZ(t.Context(), &brokenWriter{}, "job", r, at, func(context.Context, string) ([]byte, error) { return nil, os.ErrNotExist }, nil); err == nil {
		t.Error("an error of writing is not told")
	}
}
