package geotag

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestPatchApply(t *testing.T) {
	src := []byte("0123456789")
	p := &Patch{SizeBefore: 10, Splices: []Splice{
		{Off: 0, New: []byte("<")},
		{Off: 2, Old: []byte("23"), New: []byte("two three")},
		{Off: 4, Old: []byte("4")},
		{Off: 5, New: []byte("|")},
		{Off: 10, New: []byte(">")},
	}}
	got, err := p.ApplyBytes(src)
	if err != nil || string(got) != "<01two three|56789>" {
		t.Errorf("%q, %v", got, err)
	}
	if p.SizeAfter() != int64(len(got)) {
		t.Errorf("size %d, %d foretold", len(got), p.SizeAfter())
	}
	// Where the bytes that stay go; those of a run that is replaced stay behind
	// with its start.
	for off, want := range []int64{1, 1, 1, 1, 8, 8, 8, 8, 8, 8, 9} {
		if n := p.shift(int64(off)); n != want {
			t.Errorf("byte %d moves by %d, want %d", off, n, want)
		}
	}
	back, err := p.Reverse().ApplyBytes(got)
	if err != nil || !bytes.Equal(back, src) {
		t.Errorf("back: %q, %v", back, err)
	}
	var none Patch
	if got, err := none.ApplyBytes(nil); err != nil || len(got) != 0 || !none.Empty() || p.Empty() {
		t.Errorf("the empty patch: %q, %v", got, err)
	}
}

func TestPatchMismatch(t *testing.T) {
	p := &Patch{SizeBefore: 10, Splices: []Splice{{Off: 2, Old: []byte("23"), New: []byte("x")}}}
	for _, src := range []string{"", "0", "012", "01234567", "0123456789a", "01x3456789"} {
		if out, err := p.ApplyBytes([]byte(src)); !errors.Is(err, ErrPatchMismatch) || out != nil {
			t.Errorf("ApplyBytes to %q: %q, %v", src, out, err)
		}
		if err := p.Apply(io.Discard, strings.NewReader(src)); !errors.Is(err, ErrPatchMismatch) {
			t.Errorf("Apply to %q: %v", src, err)
		}
	}
	broken := errors.New("broken pipe")
	if err := p.Apply(brokenPipe{broken}, strings.NewReader("0123456789")); !errors.Is(err, broken) {
		t.Errorf("a writer's error: %v", err)
	}
	if err := p.Apply(io.Discard, io.MultiReader(strings.NewReader("01"), brokenPipe{broken})); !errors.Is(err, broken) {
		t.Errorf("a reader's error: %v", err)
	}
}

type brokenPipe struct{ err error }

func (f brokenPipe) Write([]byte) (int, error) { return 0, f.err }
func (f brokenPipe) Read([]byte) (int, error)  { return 0, f.err }

// A patch read from a damaged record does no harm.
func TestPatchCheck(t *testing.T) {
	for _, p := range []Patch{
		{SizeBefore: 10, Splices: []Splice{{Off: -1}}},
		{SizeBefore: 10, Splices: []Splice{{Off: 11}}},
		{SizeBefore: 10, Splices: []Splice{{Off: 9, Old: []byte("ab")}}},
		{SizeBefore: 10, Splices: []Splice{{Off: 5, Old: []byte("ab")}, {Off: 6}}},
		{SizeBefore: 10, Splices: []Splice{{Off: 5}, {Off: 4}}},
		{SizeBefore: -1},
		{SizeBefore: 1 << 62},
		{SizeBefore: 10, Splices: []Splice{{Off: 1 << 62}}},
	} {
		if out, err := p.ApplyBytes([]byte("0123456789")); err == nil || out != nil {
			t.Errorf("%+v is applied: %q", p, out)
		}
	}
}

// randomPatch draws an image and a patch of it.
func randomPatch(t *rapid.T) ([]byte, *Patch) {
	src := rapid.SliceOfN(rapid.Byte(), 0, 200).Draw(t, "image")
	p := &Patch{SizeBefore: int64(len(src))}
	for at := 0; at <= len(src) && rapid.Bool().Draw(t, "more"); {
		off := rapid.IntRange(at, len(src)).Draw(t, "off")
		end := rapid.IntRange(off, min(len(src), off+20)).Draw(t, "end")
		p.Splices = append(p.Splices, Splice{
			Off: int64(off), Old: bytes.Clone(src[off:end]),
			New: rapid.SliceOfN(rapid.Byte(), 0, 20).Draw(t, "new"),
		})
		at = end
	}
	return src, p
}

func TestPatchRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		src, p := randomPatch(t)
		out, err := p.ApplyBytes(src)
		if err != nil {
			t.Fatal(err)
		}
		if int64(len(out)) != p.SizeAfter() {
			t.Fatalf("%d bytes, %d foretold", len(out), p.SizeAfter())
		}
		back, err := p.Reverse().ApplyBytes(out)
		if err != nil || !bytes.Equal(back, src) {
			t.Fatalf("back: %x, %v", back, err)
		}
		// Twice back is forth.
		again, err := p.Reverse().Reverse().ApplyBytes(src)
		if err != nil || !bytes.Equal(again, out) {
			t.Fatalf("forth again: %x, %v", again, err)
		}
		// Through JSON, as a record keeps it.
		b, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		var q Patch
		if err := json.Unmarshal(b, &q); err != nil {
			t.Fatal(err)
		}
		if got, err := q.ApplyBytes(src); err != nil || !bytes.Equal(got, out) {
			t.Fatalf("through JSON: %x, %v", got, err)
		}
		// The view that is read before the patch is made shows what is made.
		v := p.Through(bytes.NewReader(src))
		off := rapid.IntRange(0, len(out)+3).Draw(t, "at")
		w := make([]byte, rapid.IntRange(0, 250).Draw(t, "window"))
		n, err := v.ReadAt(w, int64(off))
		want := out[min(off, len(out)):min(off+len(w), len(out))]
		if !bytes.Equal(w[:n], want) || (err == io.EOF) != (n < len(w)) || err != nil && err != io.EOF {
			t.Fatalf("%x, %v at %d; want %x", w[:n], err, off, want)
		}
	})
}

// The JSON names are stable: ledgers keep them.
func TestPatchJSON(t *testing.T) {
	p := &Patch{SizeBefore: 3, Splices: []Splice{{Off: 1, Old: []byte{0xFF}, New: []byte{}}}, Notes: []string{"n"}}
	b, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"size_before":3,"splices":[{"off":1,"old":"/w==","new":""}],"notes":["n"]}`
	if string(b) != want {
		t.Errorf("%s, want %s", b, want)
	}
	var q Patch
	if err := json.Unmarshal(b, &q); err != nil || !reflect.DeepEqual(&q, p) {
		t.Errorf("%+v, %v", q, err)
	}
}

// What Through shows is what Apply writes, and Fits tells the source from others.
func TestThroughAndFits(t *testing.T) {
	src := []byte("the old tag of the image")
	p := &Patch{SizeBefore: int64(len(src)), Splices: []Splice{{Off: 4, Old: []byte("old"), New: []byte("surveyed")}, {Off: 24, New: []byte("!")}}}
	want, err := p.ApplyBytes(src)
	if err != nil {
		t.Fatal(err)
	}
	got := make([]byte, len(want))
	if n, err := p.Through(bytes.NewReader(src)).ReadAt(got, 0); n != len(want) || err != nil || !bytes.Equal(got, want) {
		t.Errorf("%d %v %q", n, err, got)
	}
	if err := p.Fits(bytes.NewReader(src), p.SizeBefore); err != nil {
		t.Error(err)
	}
	for _, other := range []string{"the new tag of the image", "the old tag of an image"} {
		if err := p.Fits(strings.NewReader(other), int64(len(other))); !errors.Is(err, ErrPatchMismatch) {
			t.Errorf("%q: %v", other, err)
		}
	}
}

// Two patches made one do what they do one after the other, and take it back.
func TestPatchThen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bytesOf := func(name string) []byte { return rapid.SliceOfN(rapid.Byte(), 0, 12).Draw(t, name) }
		change := func(src []byte) *Patch {
			p := &Patch{SizeBefore: int64(len(src)), Notes: []string{"n"}}
			for at := 0; at <= len(src); {
				at += rapid.IntRange(0, 6).Draw(t, "gap")
				if at > len(src) {
					break
				}
				end := min(len(src), at+rapid.IntRange(0, 4).Draw(t, "old"))
				p.Splices = append(p.Splices, Splice{Off: int64(at), Old: src[at:end], New: bytesOf("new")})
				at = end + 1
			}
			return p
		}
		src := rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "src")
		p := change(src)
		mid, err := p.ApplyBytes(src)
		if err != nil {
			t.Fatal(err)
		}
		q := change(mid)
		want, err := q.ApplyBytes(mid)
		if err != nil {
			t.Fatal(err)
		}
		both, err := p.Then(bytes.NewReader(src), q)
		if err != nil {
			t.Fatal(err)
		}
		got, err := both.ApplyBytes(src)
		if err != nil || !bytes.Equal(got, want) {
			t.Fatalf("%x, %v, want %x", got, err, want)
		}
		if back, err := both.Reverse().ApplyBytes(got); err != nil || !bytes.Equal(back, src) || len(both.Notes) != 2 {
			t.Fatalf("back: %x, %v", back, err)
		}
	})
}
