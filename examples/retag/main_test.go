package main

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
)

// A photo as a camera wrote it gets the position, and the way back is there.
func TestRun(t *testing.T) {
	for _, s := range geotagtest.Photos(t)[:4] {
		name := filepath.Join(t.TempDir(), "photo.jpg")
		if err := os.WriteFile(name, s.Raw, 0o644); err != nil {
			t.Fatal(err)
		}
		var img, messages bytes.Buffer
		if err := run([]string{name, "52.188289", "-6.680035"}, &img, &messages); err != nil {
			t.Errorf("%s: %v", s.Name, err)
			continue
		}
		tag, err := geotag.ReadBytes(img.Bytes())
		if err != nil || tag.Position == nil || math.Abs(tag.Position.Lat-52.188289) > 1e-9 || math.Abs(tag.Position.Lon+6.680035) > 1e-9 {
			t.Errorf("%s: %+v, %v", s.Name, tag, err)
		}
		if !strings.Contains(messages.String(), "places changed") {
			t.Errorf("%s: messages %q", s.Name, messages.String())
		}
		if after, err := os.ReadFile(name); err != nil || !bytes.Equal(after, s.Raw) {
			t.Errorf("%s: the photo itself was changed (%v)", s.Name, err)
		}
	}
}

func TestRunErrors(t *testing.T) {
	name := filepath.Join(t.TempDir(), "text.jpg")
	if err := os.WriteFile(name, []byte("no photo"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{}, {name, "52"}, {name + "x", "52", "-6"}, {name, "north", "-6"}, {name, "52", "west"}, {name, "52", "-6"}, {name, "91", "-6"}} {
		var img, messages bytes.Buffer
		if err := run(args, &img, &messages); err == nil || img.Len() > 0 {
			t.Errorf("%v: error %v and %d bytes", args, err, img.Len())
		}
	}
}
