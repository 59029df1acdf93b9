package geotag

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"math"
	"testing"
	"testing/iotest"

	"example.com/phototie/geotag/geotagtest"
)

// FuzzPatch applies whatever patch comes, as a ledger may hold one, to whatever
// source. It is refused as not made for it, or it can be taken back, and is the
// same streamed, read through, and in memory.
func FuzzPatch(f *testing.F) {
	f.Add([]byte("abcdef"), []byte(`{"size_before":6,"splices":[{"off":1,"old":"YmM=","new":"WFla"},{"off":6,"old":"","new":"IQ=="}]}`))
	f.Add([]byte("abc"), []byte(`{"size_before":3,"splices":[{"off":0,"old":"YWJj","new":""}]}`))
	f.Add([]byte(""), []byte(`{"size_before":9223372036854775807,"splices":[{"off":9223372036854775807,"old":"","new":"IQ=="}]}`))
	f.Add([]byte("abc"), []byte(`{"size_before":3,"splices":[{"off":2,"old":"Yw==","new":""},{"off":1,"old":"Yg==","new":""}]}`))
	f.Add([]byte("abc"), []byte(`{"size_before":-1,"splices":null}`))
	f.Fuzz(func(t *testing.T, src, text []byte) {
		var p Patch
		if json.Unmarshal(text, &p) != nil {
			return
		}
		saved := bytes.Clone(src)
		out, err := p.ApplyBytes(src)
		var b bytes.Buffer
		streamed := p.Apply(&b, iotest.HalfReader(bytes.NewReader(src)))
		fits := p.Fits(bytes.NewReader(src), int64(len(src)))
		if !bytes.Equal(src, saved) {
			t.Fatal("the source was changed")
		}
		if (err == nil) != (streamed == nil) || (err == nil) != (fits == nil) {
			t.Fatalf("in memory %v, streamed %v, fits %v", err, streamed, fits)
		}
		// Whatever it was made for, reading through it must not panic.
		got := make([]byte, len(src)+256)
		n, rerr := p.Through(bytes.NewReader(src)).ReadAt(got, 0)
		if err != nil {
			return
		}
		if !bytes.Equal(out, b.Bytes()) || int64(len(out)) != p.SizeAfter() {
			t.Fatalf("in memory %q, streamed %q, %d bytes due", out, b.Bytes(), p.SizeAfter())
		}
		if len(out) < len(got) && (n != len(out) || !errors.Is(rerr, io.EOF)) || !bytes.Equal(got[:n], out[:n]) {
			t.Fatalf("read through %d bytes, %v: %q, want %q", n, rerr, got[:n], out)
		}
		for off := range min(len(out), 32) {
			var one [3]byte
			if n, _ := p.Through(bytes.NewReader(src)).ReadAt(one[:], int64(off)); !bytes.HasPrefix(out[off:], one[:n]) || n == 0 {
				t.Fatalf("read through at %d: %q of %q", off, one[:n], out)
			}
		}
		back, err := p.Reverse().ApplyBytes(out)
		if err != nil || !bytes.Equal(back, src) {
			t.Fatalf("taken back: %q, %v; want %q", back, err, src)
		}
	})
}

// FuzzEdit writes whatever edit is asked for, into a plain image and a new
// side-car. It is refused, or it reads back.
func FuzzEdit(f *testing.F) {
	f.Add(quay.Lat, quay.Lon, 0.02, "WGS-84", "SURVEY", "subject", 0.0, 0.0)
	f.Add(-90.0, 180.0, 1e-300, "", "\x00", "camera", 359.9999999, 1e300)
	f.Add(90.0, -180.0, 1e12, "日本", "\x1b[2J", "other", math.Inf(1), math.NaN())
	f.Add(1e-12, 59.99999999999, math.MaxFloat64, "a\nb", string(make([]byte, 70_000)), "subject", -1.0, -1.0)
	f.Fuzz(func(t *testing.T, lat, lon, accuracy float64, datum, method, meaning string, bearing, distance float64) {
		e := Edit{Lat: lat, Lon: lon, HPositioningError: accuracy, MapDatum: datum, ProcessingMethod: method, Bearing: &bearing, Distance: &distance}
		if e.Meaning.UnmarshalText([]byte(meaning)) != nil {
			e.Meaning = Meaning(len(meaning))
		}
		out, _, err := Rewrite(geotagtest.Plain(), e)
		side, serr := NewSidecar(e)
		if err != nil {
			if !errors.Is(err, ErrEdit) && !errors.Is(err, ErrNoRoom) {
				t.Fatalf("%v is no error of an edit", err)
			}
			return
		}
		read := func(img []byte) *Tag {
			tag, err := ReadBytes(img)
			if err != nil {
				t.Fatal(err)
			}
			believable(t, tag)
			return tag
		}
		near := func(what string, p *Position) {
			if p == nil || math.Abs(p.Lat-lat) > millimetre || math.Abs(p.Lon-lon) > millimetre {
				t.Fatalf("%s: at %+v, want %v, %v", what, p, lat, lon)
			}
		}
		tag := read(out)
		if e.Meaning == CameraPosition {
			near("destination", tag.Destination.Position)
			return
		}
		near("image", tag.Position)
		if serr != nil {
			t.Fatalf("an image takes it, and a side-car does not: %v", serr)
		}
		xmp, err := side.ApplyBytes(nil)
		if err != nil {
			t.Fatal(err)
		}
		near("side-car", read(xmp).Position)
	})
}
