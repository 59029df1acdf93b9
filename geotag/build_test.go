package geotag

import (
	"bytes"
	"encoding/binary"
	"slices"
	"testing"

	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/geotag/internal/ifd"
)

// field is one entry of a directory under test. Count 0 stands for what the
// value's length makes it.
type field struct {
	tag, typ uint16
	value    []byte
	count    uint32
}

// testBlock lays out a TIFF structure by TIFF 6.0 section 2, independently of
// the code under test. Entries keep the order given.
type testBlock struct {
	order           byteOrder
	first, exif, gp []field
}

type byteOrder interface {
	binary.ByteOrder
	binary.AppendByteOrder
}

func big() *testBlock    { return &testBlock{order: binary.BigEndian} }
func little() *testBlock { return &testBlock{order: binary.LittleEndian} }

func (b *testBlock) ascii(s string) []byte { return append([]byte(s), 0) }

func (b *testBlock) rationals(nd ...uint32) []byte {
	var v []byte
	for _, x := range nd {
		v = b.order.AppendUint32(v, x)
	}
	return v
}

func (b *testBlock) short(v uint16) []byte { return b.order.AppendUint16(nil, v) }

// position adds the four tags of a position in degrees, minutes and seconds as
// numerators and denominators.
func (b *testBlock) position(latRef string, lat []uint32, lonRef string, lon []uint32) *testBlock {
	b.gp = append(b.gp,
		field{tag: 1, typ: ifd.ASCII, value: b.ascii(latRef)}, field{tag: 2, typ: ifd.Rational, value: b.rationals(lat...)},
		field{tag: 3, typ: ifd.ASCII, value: b.ascii(lonRef)}, field{tag: 4, typ: ifd.Rational, value: b.rationals(lon...)})
	return b
}

// bytes lays the block out.
func (b *testBlock) bytes() []byte {
	first := slices.Clone(b.first)
	for _, p := range []struct {
		tag  uint16
		have []field
	}{{pointerExif, b.exif}, {pointerGPS, b.gp}} {
		if p.have != nil {
			first = append(first, field{tag: p.tag, typ: ifd.Long, value: make([]byte, 4)})
		}
	}
	out := []byte("MM\x00\x2A")
	if b.order == byteOrder(binary.LittleEndian) {
		out = []byte("II\x2A\x00")
	}
	out = b.order.AppendUint32(out, 8)
	at := map[uint16]int{}
	out = b.dir(out, first, at)
	for tag, fields := range map[uint16][]field{pointerExif: b.exif, pointerGPS: b.gp} {
		if fields != nil {
			b.order.PutUint32(out[at[tag]:], uint32(len(out)))
			out = b.dir(out, fields, map[uint16]int{})
		}
	}
	return out
}

// dir appends a directory and its values, and notes where in out the four bytes
// of each value or offset are.
func (b *testBlock) dir(out []byte, fields []field, at map[uint16]int) []byte {
	out = b.order.AppendUint16(out, uint16(len(fields)))
	values := len(out) + 12*len(fields) + 4
	var tail []byte
	for _, f := range fields {
		count := f.count
		if size := ifd.Size(f.typ); count == 0 && size != 0 {
			count = uint32(len(f.value) / size)
		}
		out = b.order.AppendUint16(out, f.tag)
		out = b.order.AppendUint16(out, f.typ)
		out = b.order.AppendUint32(out, count)
		at[f.tag] = len(out)
		if len(f.value) <= 4 {
			out = append(out, append(slices.Clone(f.value), 0, 0, 0, 0)[:4]...)
			continue
		}
		out = b.order.AppendUint32(out, uint32(values+len(tail)))
		tail = append(tail, f.value...)
		if len(tail)%2 != 0 {
			tail = append(tail, 0)
		}
	}
	out = append(out, 0, 0, 0, 0)
	return append(out, tail...)
}

// photo is the block in a whole JPEG.
func (b *testBlock) photo() []byte { return geotagtest.Splice(b.bytes()) }

// mustRead reads a photo that has to be readable.
func mustRead(t testing.TB, img []byte) *Tag {
	t.Helper()
	tag, err := Read(bytes.NewReader(img), int64(len(img)))
	if err != nil {
		t.Fatal(err)
	}
	return tag
}

// codes lists the warnings as "code field".
func codes(tag *Tag) []string {
	var s []string
	for _, w := range tag.Warnings {
		s = append(s, string(w.Code)+" "+w.Field)
	}
	return s
}

func wantCodes(t *testing.T, tag *Tag, want ...string) {
	t.Helper()
	if got := codes(tag); !slices.Equal(got, want) {
		t.Errorf("warnings %q, want %q (%v)", got, want, tag.Warnings)
	}
}

func splice(block []byte) []byte { return geotagtest.Splice(block) }
