package ifd

import (
	"encoding/binary"
	"errors"
	"math"
	"slices"
	"testing"
)

// block is a directory by hand, after TIFF 6.0 section 2: one SHORT, one ASCII
// of 6 bytes out of line, one RATIONAL out of line, one LONG.
func block(order binary.AppendByteOrder, head string) []byte {
	b := order.AppendUint32([]byte(head), 8)
	b = order.AppendUint16(b, 4)
	entry := func(tag, typ uint16, count uint32) {
		b = order.AppendUint16(b, tag)
		b = order.AppendUint16(b, typ)
		b = order.AppendUint32(b, count)
	}
	entry(0x0112, Short, 1)
	b = order.AppendUint16(b, 6)
	b = append(b, 0, 0)
	entry(0x0110, ASCII, 6)
	b = order.AppendUint32(b, 62)
	entry(0x011A, Rational, 1)
	b = order.AppendUint32(b, 68)
	entry(0x8769, Long, 1)
	b = order.AppendUint32(b, 0xDEADBEEF)
	b = order.AppendUint32(b, 0) // no next directory
	b = append(b, "SK 3.\x00"...)
	b = order.AppendUint32(b, 300)
	return order.AppendUint32(b, 7)
}

func TestDir(t *testing.T) {
	for head, order := range map[string]binary.AppendByteOrder{"II\x2A\x00": binary.LittleEndian, "MM\x00\x2A": binary.BigEndian} {
		data := block(order, head)
		b, err := Parse(data)
		if err != nil {
			t.Fatal(err)
		}
		d, err := b.Dir(b.First)
		if err != nil {
			t.Fatal(err)
		}
		if len(d.Entries) != 4 || d.Pos != 8 || d.NextPos != 58 || d.Next != 0 {
			t.Fatalf("%+v", d)
		}
		for i, e := range d.Entries {
			if !e.Sound || e.Pos != 10+12*i {
				t.Errorf("%+v", e)
			}
		}
		if v, ok := b.Uint(d.Find(0x0112), 0); !ok || v != 6 {
			t.Errorf("SHORT %d %v", v, ok)
		}
		if e := d.Find(0x0110); string(b.Value(e)) != "SK 3.\x00" || e.ValuePos != 62 || e.ValueLen != 6 {
			t.Errorf("ASCII %q %+v", b.Value(e), e)
		}
		if n, den, ok := b.Rational(d.Find(0x011A), 0); !ok || n != 300 || den != 7 {
			t.Errorf("RATIONAL %d/%d %v", n, den, ok)
		}
		if v, ok := b.Uint(d.Find(0x8769), 0); !ok || v != 0xDEADBEEF {
			t.Errorf("LONG %x %v", v, ok)
		}
		if d.Find(0x9999) != nil {
			t.Error("a tag that isn't there was found")
		}
		binary.ByteOrder(b.Order).PutUint16(data[10+36+2:], IFD) // the same, as a pointer
		if d, err := b.Dir(b.First); err != nil {
			t.Error(err)
		} else if v, ok := b.Uint(d.Find(0x8769), 0); !ok || v != 0xDEADBEEF {
			t.Errorf("IFD %x %v", v, ok)
		}
		// Values of the wrong type, and beyond the last.
		if _, ok := b.Uint(d.Find(0x0110), 0); ok {
			t.Error("ASCII as a number")
		}
		if _, _, ok := b.Rational(d.Find(0x0112), 0); ok {
			t.Error("SHORT as a rational")
		}
		for _, i := range []int{-1, 1, math.MaxInt32} {
			if _, ok := b.Uint(d.Find(0x0112), i); ok {
				t.Errorf("SHORT number %d", i)
			}
			if _, _, ok := b.Rational(d.Find(0x011A), i); ok {
				t.Errorf("RATIONAL number %d", i)
			}
		}
	}
}

// A value must not be able to grow into what follows it.
func TestValueCapacity(t *testing.T) {
	data := block(binary.LittleEndian, "II\x2A\x00")
	before := slices.Clone(data)
	b, _ := Parse(data)
	d, err := b.Dir(8)
	if err != nil {
		t.Fatal(err)
	}
	_ = append(b.Value(d.Find(0x0110)), "overflow"...)
	if !slices.Equal(data, before) {
		t.Error("appending to a value changed the block")
	}
}

func TestUnsound(t *testing.T) {
	for _, c := range []struct {
		name string
		typ  uint16
		n    uint32
		at   uint32
	}{
		{"count of 2^32-1", 12, math.MaxUint32, 8},
		{"offset of 2^32-1", ASCII, 5, math.MaxUint32},
		{"one byte too long", ASCII, 15, 62}, // 76 bytes in all
		{"unknown type", 14, 1, 0},
		{"type 0", 0, 1, 0},
	} {
		data := block(binary.LittleEndian, "II\x2A\x00")
		binary.LittleEndian.PutUint16(data[10+2:], c.typ)
		binary.LittleEndian.PutUint32(data[10+4:], c.n)
		binary.LittleEndian.PutUint32(data[10+8:], c.at)
		b, err := Parse(data)
		if err != nil {
			t.Fatal(err)
		}
		d, err := b.Dir(8)
		if err != nil {
			t.Fatal(err)
		}
		e := &d.Entries[0]
		if e.Sound || b.Value(e) != nil {
			t.Errorf("%s: %+v", c.name, e)
		}
		if _, ok := b.Uint(e, 0); ok {
			t.Errorf("%s: it has a number", c.name)
		}
		if !d.Entries[1].Sound {
			t.Errorf("%s: the next entry suffers", c.name)
		}
	}
	// The last byte may be used.
	data := block(binary.LittleEndian, "II\x2A\x00")
	binary.LittleEndian.PutUint16(data[10+2:], ASCII)
	binary.LittleEndian.PutUint32(data[10+4:], 14)
	binary.LittleEndian.PutUint32(data[10+8:], 62)
	b, _ := Parse(data)
	if d, err := b.Dir(8); err != nil || !d.Entries[0].Sound {
		t.Errorf("%+v %v", d, err)
	}
}

func TestParseErrors(t *testing.T) {
	for _, s := range []string{"", "II", "II\x2A\x00\x08\x00\x00", "IM\x2A\x00\x08\x00\x00\x00", "MM\x2A\x00\x08\x00\x00\x00"} {
		if _, err := Parse([]byte(s)); !errors.Is(err, ErrCorrupt) {
			t.Errorf("%q: %v", s, err)
		}
	}
	b, err := Parse(block(binary.LittleEndian, "II\x2A\x00"))
	if err != nil {
		t.Fatal(err)
	}
	for _, off := range []uint32{0, 7, uint32(len(b.Data)) - 1, uint32(len(b.Data)), math.MaxUint32, 62} {
		if _, err := b.Dir(off); !errors.Is(err, ErrCorrupt) {
			t.Errorf("directory at %d: %v", off, err)
		}
	}
}

// ReadDir into memory used before gives what Dir gives.
func TestReadDirReuse(t *testing.T) {
	b, err := Parse(block(binary.BigEndian, "MM\x00\x2A"))
	if err != nil {
		t.Fatal(err)
	}
	want, err := b.Dir(8)
	if err != nil {
		t.Fatal(err)
	}
	d := Dir{Entries: make([]Entry, 30), NextPos: 9, Next: 9}
	for i := range d.Entries {
		d.Entries[i] = Entry{Tag: 7, ValuePos: 7, ValueLen: 7, Sound: true}
	}
	if err := b.ReadDir(&d, 8); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(d.Entries, want.Entries) || d.Pos != want.Pos || d.NextPos != want.NextPos || d.Next != want.Next {
		t.Errorf("%+v, want %+v", d, want)
	}
}

func TestChain(t *testing.T) {
	// Three empty directories at 8, 14 and 20.
	at := func(next ...uint32) []byte {
		b := []byte("II\x2A\x00\x08\x00\x00\x00")
		for _, n := range next {
			b = binary.LittleEndian.AppendUint32(append(b, 0, 0), n)
		}
		return b
	}
	for _, c := range []struct {
		name string
		data []byte
		want []uint32
		bad  bool
	}{
		{"three", at(14, 20, 0), []uint32{8, 14, 20}, false},
		{"loop of one", at(8), []uint32{8}, true},
		{"loop of three", at(14, 20, 8), []uint32{8, 14, 20}, true},
		{"loop behind", at(14, 20, 14), []uint32{8, 14, 20}, true},
		{"outside", at(14, 1<<31, 0), []uint32{8, 14}, true},
		{"in the header", at(4), []uint32{8}, true},
		{"no pointer", at(0)[:10], []uint32{8}, false},
		{"none", []byte("II\x2A\x00\x00\x00\x00\x00"), nil, false},
		{"first outside", []byte("II\x2A\x00\x08\x00\x00\x00"), nil, true},
	} {
		b, err := Parse(c.data)
		if err != nil {
			t.Fatal(err)
		}
		got, err := b.Chain()
		if !slices.Equal(got, c.want) || errors.Is(err, ErrCorrupt) != c.bad || (err != nil) != c.bad {
			t.Errorf("%s: %v %v, want %v", c.name, got, err, c.want)
		}
	}
	// A chain without end.
	long := []byte("II\x2A\x00\x08\x00\x00\x00")
	for i := range uint32(200) {
		long = binary.LittleEndian.AppendUint32(append(long, 0, 0), 8+6*(i+1))
	}
	b, _ := Parse(long)
	if got, err := b.Chain(); !errors.Is(err, ErrCorrupt) || len(got) != maxChain {
		t.Errorf("%d directories, %v", len(got), err)
	}
}

// No bytes make the walk leave the block, and what it says is sound.
func FuzzIFD(f *testing.F) {
	f.Add(block(binary.LittleEndian, "II\x2A\x00"))
	f.Add(block(binary.BigEndian, "MM\x00\x2A"))
	f.Add([]byte("II\x2A\x00\x08\x00\x00\x00\x00\x00\x08\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := Parse(data)
		if err != nil {
			if !errors.Is(err, ErrCorrupt) {
				t.Fatal(err)
			}
			return
		}
		at, err := b.Chain()
		if err != nil && !errors.Is(err, ErrCorrupt) || len(at) > maxChain {
			t.Fatal(at, err)
		}
		for _, off := range at {
			d, err := b.Dir(off)
			if err != nil {
				continue // an entry count that doesn't fit
			}
			for i := range d.Entries {
				e := &d.Entries[i]
				v := b.Value(e)
				if e.Sound && uint64(len(v)) != uint64(e.Count)*uint64(Size(e.Type)) || !e.Sound && v != nil {
					t.Fatalf("%+v has %d bytes", e, len(v))
				}
				b.Uint(e, 0)
				b.Rational(e, int(e.Count)-1)
			}
		}
	})
}
