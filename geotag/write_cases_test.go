package geotag

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"example.com/phototie/geotag/geotagtest"
)

var orders = map[string]binary.ByteOrder{"II": binary.LittleEndian, "MM": binary.BigEndian}

// handheldGPS is the GPS directory of an invented handheld: an old fix with all
// that describes it, and tags that a correction keeps.
func handheldGPS(order binary.ByteOrder) []rec {
	return []rec{
		{tag: 0x00, typ: 1, count: 4, value: []byte{2, 2, 0, 0}},
		asciiRec(0x01, "N"), rationalRec(order, 0x02, 53, 1, 20, 1, 3010, 100),
		asciiRec(0x03, "W"), rationalRec(order, 0x04, 6, 1, 15, 1, 150, 100),
		{tag: 0x05, typ: 1, count: 1, value: []byte{0}}, rationalRec(order, 0x06, 571, 10),
		rationalRec(order, 0x07, 10, 1, 31, 1, 599, 10),
		asciiRec(0x08, "04,07,09,16"), asciiRec(0x09, "A"), asciiRec(0x0A, "3"), rationalRec(order, 0x0B, 14, 10),
		asciiRec(0x0C, "K"), rationalRec(order, 0x0D, 3, 10), asciiRec(0x0E, "T"), rationalRec(order, 0x0F, 2710, 10),
		asciiRec(0x10, "T"), rationalRec(order, 0x11, 2725, 10),
		asciiRec(0x12, "WGS-84"),
		{tag: 0x1B, typ: 7, count: 11, value: []byte("ASCII\x00\x00\x00GPS")},
		{tag: 0x1C, typ: 7, count: 12, value: []byte("ASCII\x00\x00\x00quay")},
		asciiRec(0x1D, "2026:03:17"),
		{tag: 0x1E, typ: 3, count: 1, value: order.(interface {
			AppendUint16([]byte, uint16) []byte
		}).AppendUint16(nil, 1)},
		rationalRec(order, 0x1F, 48, 10),
	}
}

// handheld is a block of that handheld: maker's note, interoperability and
// thumbnail and all. gps nil leaves out the GPS directory.
func handheld(order binary.ByteOrder, gps []rec) []byte {
	thumb := geotagtest.Plain()
	first := []rec{
		asciiRec(0x010F, "Velland Instruments"), asciiRec(0x0110, "QH-3"),
		{tag: 0x8769, typ: 4, count: 1, dir: []rec{
			{tag: 0x9000, typ: 7, count: 4, value: []byte("0232")},
			asciiRec(0x9003, "2026:03:17 10:32:00"),
			{tag: 0x927C, typ: 7, count: 21, value: []byte("QH\x00private offsets...\x00")},
			{tag: 0xA005, typ: 4, count: 1, dir: []rec{asciiRec(0x0001, "R98")}},
		}},
	}
	if gps != nil {
		first = append(first, rec{tag: 0x8825, typ: 4, count: 1, dir: gps})
	}
	b := tiffBlock(order, first, []rec{
		{tag: 0x0103, typ: 3, count: 1, value: []byte{6, 0}},
		{tag: 0x0201, typ: 4, count: 1, value: make([]byte, 4)},
		{tag: 0x0202, typ: 4, count: 1, value: make([]byte, 4)},
	})
	// The thumbnail at the end, and its place.
	at := uint32(len(b))
	order.PutUint32(b[bytes.Index(b, longEntryHead(order, 0x0201))+8:], at)
	order.PutUint32(b[bytes.Index(b, longEntryHead(order, 0x0202))+8:], uint32(len(thumb)))
	return append(b, thumb...)
}

// mustRewrite corrects an image and checks what holds for all of them.
func mustRewrite(tb testing.TB, img []byte, e Edit) ([]byte, *Patch) {
	tb.Helper()
	saved := bytes.Clone(img)
	out, p, err := Rewrite(img, e)
	if err != nil {
		tb.Fatal(err)
	}
	if !bytes.Equal(img, saved) {
		tb.Fatal("the image handed in was changed")
	}
	if !bytes.Equal(unpatch(tb, p, out), img) {
		tb.Fatal("the reverse patch does not give the old image")
	}
	if _, again, err := Rewrite(out, e); err != nil || !again.Empty() {
		tb.Fatalf("the second run: %+v, %v", again, err)
	}
	return out, p
}

// Which GPS tags are there afterwards, and which are the very same.
func TestRewriteGPSDirectory(t *testing.T) {
	for name, order := range orders {
		t.Run(name, func(t *testing.T) {
			b := handheld(order, handheldGPS(order))
			out, _ := mustRewrite(t, geotagtest.Splice(b), quay)
			for _, l := range blockLosses(t, b, block(t, out), subjectTags) {
				t.Error(l)
			}
			tag, err := ReadBytes(out)
			if err != nil {
				t.Fatal(err)
			}
			if tag.DOP != nil || tag.Status != "" || tag.MeasureMode != 0 {
				t.Errorf("the old fix is still described: %+v", tag)
			}
			if tag.MapDatum != "WGS-84" || tag.ProcessingMethod != "SURVEY" || tag.HPositioningError == nil || *tag.HPositioningError != 0.014 {
				t.Errorf("the new one is not: %+v", tag)
			}
			if tag.GPSTime == nil || tag.Direction == nil || tag.Altitude == nil || tag.Altitude.Metres != 57.1 {
				t.Errorf("what is to stay is gone: %+v", tag)
			}
			// The whole directory: ascending, each tag once.
			inv := inventory(t, block(t, out))
			got := slices.Sorted(func(yield func(string) bool) {
				for k := range inv {
					if strings.HasPrefix(k, "GPS ") && !yield(k[4:8]) {
						return
					}
				}
			})
			want := "0000 0001 0002 0003 0004 0005 0006 0007 000c 000d 000e 000f 0010 0011 0012 001b 001c 001d 001f"
			if s := strings.Join(got, " "); s != want {
				t.Errorf("GPS tags %s, want %s", s, want)
			}
			if v := inv["GPS 0000 0"].value; v != "\x02\x03\x00\x00" {
				t.Errorf("version % x", v)
			}
			// TIFF 6.0 section 2: ascending entries, values at even offsets.
			bb := block(t, out)
			for k, r := range inv {
				if strings.HasPrefix(k, "GPS ") && r.at >= uint32(len(b)) && r.at%2 != 0 {
					t.Errorf("%s at odd offset %d", k, r.at)
				}
			}
			gps := order.Uint32(bb[bytes.Index(bb, longEntryHead(order, 0x8825))+8:])
			last := -1
			for i := range int(order.Uint16(bb[gps:])) {
				tag := int(order.Uint16(bb[int(gps)+2+12*i:]))
				if tag <= last {
					t.Errorf("tag %04x after %04x", tag, last)
				}
				last = tag
			}
		})
	}
}

// longEntryHead is how an entry of one Long starts.
func longEntryHead(order binary.ByteOrder, tag uint16) []byte {
	b := make([]byte, 8)
	order.PutUint16(b, tag)
	order.PutUint16(b[2:], 4)
	order.PutUint32(b[4:], 1)
	return b
}

// A later version of the directory is not lowered: from Exif 3.0 on the altitude
// references mean something else (from memory).
func TestRewriteKeepsLaterVersion(t *testing.T) {
	gps := handheldGPS(binary.BigEndian)
	gps[0].value = []byte{2, 4, 0, 0}
	out, _ := mustRewrite(t, geotagtest.Splice(handheld(binary.BigEndian, gps)), quay)
	if v := inventory(t, block(t, out))["GPS 0000 0"].value; v != "\x02\x04\x00\x00" {
		t.Errorf("version % x", v)
	}
}

// Blocks of all shapes.
func TestRewriteBlocks(t *testing.T) {
	for name, order := range orders {
		full := handheld(order, handheldGPS(order))
		gpsEntry := func(b []byte) int { return bytes.Index(b, longEntryHead(order, 0x8825)) }
		cases := map[string][]byte{
			"with a GPS directory":  full,
			"without one":           handheld(order, nil),
			"with an empty one":     handheld(order, []rec{}),
			"with an odd length":    append(bytes.Clone(full), 7),
			"first directory only":  tiffBlock(order, []rec{asciiRec(0x010F, "Velland Instruments")}),
			"empty first directory": tiffBlock(order, []rec{}),
			"first directory at its end": func() []byte { // no pointer to a next one
				b := tiffBlock(order, []rec{{tag: 0x0112, typ: 3, count: 1, value: []byte{1, 1}}})
				return b[:len(b)-4]
			}(),
			"GPS directory last": tiffBlock(order, []rec{{tag: 0x8825, typ: 4, count: 1, dir: handheldGPS(order)}}),
			"GPS pointer to nothing": func() []byte {
				b := bytes.Clone(full)
				order.PutUint32(b[gpsEntry(b)+8:], 0)
				return b
			}(),
			"GPS tags out of order": func() []byte {
				g := handheldGPS(order)
				slices.Reverse(g)
				return handheld(order, g)
			}(),
			"GPS tag twice":             handheld(order, append(handheldGPS(order), asciiRec(0x01, "S"), asciiRec(0x1D, "2026:03:18"))),
			"GPS tag of a type unknown": handheld(order, append(handheldGPS(order), rec{tag: 0x40, typ: 99, count: 3, value: []byte{1, 2, 3, 4}})),
			"GPS value far outside":     handheld(order, append(handheldGPS(order), rec{tag: 0x40, typ: 2, count: 1 << 31, value: []byte{0x7F, 0xFF, 0xFF, 0x7F}})),
		}
		for what, b := range cases {
			t.Run(name+" "+what, func(t *testing.T) {
				img := geotagtest.Splice(b)
				out, p := mustRewrite(t, img, quay)
				now := block(t, out)
				if lat, lon := position(t, now, 0x02); math.Abs(lat-quay.Lat) > millimetre || math.Abs(lon-quay.Lon) > millimetre {
					t.Errorf("at %v, %v", lat, lon)
				}
				if what == "with an empty one" || what == "GPS pointer to nothing" {
					// Nothing more to ask than the byte-by-byte part.
				} else if what != "GPS directory last" {
					for _, l := range blockLosses(t, b, now, subjectTags) {
						// The second of two references goes with the first.
						if l != "GPS 0001 1 is gone" {
							t.Error(l)
						}
					}
				}
				for _, l := range imageLosses(t, img, out) {
					t.Error(l)
				}
				size := len(out)
				for range 3 {
					for _, e := range []Edit{quay2, quay} {
						out, _ = mustRewrite(t, out, e)
					}
				}
				if len(out) != size {
					t.Errorf("repeated corrections made %d bytes of %d", len(out), size)
				}
				if len(p.Notes) != 0 {
					t.Errorf("notes: %q", p.Notes)
				}
			})
		}
	}
}

// A directory at the end of the block that this package laid out is used again,
// and what a handheld had put into it moves along.
func TestRewriteTailKeepsTags(t *testing.T) {
	order := binary.LittleEndian
	b := tiffBlock(order, []rec{{tag: 0x8825, typ: 4, count: 1, dir: handheldGPS(order)}})
	out, _ := mustRewrite(t, geotagtest.Splice(b), quay)
	now := block(t, out)
	old, inv := inventory(t, b), inventory(t, now)
	for _, tag := range []uint16{0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x1C, 0x1D} {
		k := fmt.Sprintf("GPS %04x 0", tag)
		if inv[k].value != old[k].value || inv[k].typ != old[k].typ || inv[k].count != old[k].count {
			t.Errorf("%s is %+v, was %+v", k, inv[k], old[k])
		}
	}
	if len(now) >= len(b)+100 {
		t.Errorf("%d bytes of %d: not used again", len(now), len(b))
	}
	// Not where something else claims a byte of it.
	shared := tiffBlock(order, []rec{
		{tag: 0x010E, typ: 2, count: 5, value: []byte("quay\x00")},
		{tag: 0x8825, typ: 4, count: 1, dir: handheldGPS(order)},
	})
	order.PutUint32(shared[bytes.Index(shared, []byte{0x0E, 0x01, 2, 0})+8:], uint32(len(shared)-8))
	out, _ = mustRewrite(t, geotagtest.Splice(shared), quay)
	for _, l := range blockLosses(t, shared, block(t, out), subjectTags) {
		t.Error(l)
	}
}

// A GPS directory at the end of the block is replaced only where every byte from
// it to the end is its own: else all of them stay.
func TestRewriteTailNotOwned(t *testing.T) {
	order := binary.BigEndian
	tail := tiffBlock(order, []rec{{tag: 0x8825, typ: 4, count: 1, dir: handheldGPS(order)}})
	gps := int(order.Uint32(tail[bytes.Index(tail, longEntryHead(order, 0x8825))+8:]))
	entry := func(b []byte, tag uint16) []byte {
		for i := gps + 2; ; i += 12 {
			if order.Uint16(b[i:]) == tag {
				return b[i : i+12]
			}
		}
	}
	for name, b := range map[string][]byte{
		"a pad byte that holds something": func() []byte {
			b := bytes.Clone(tail)
			b[order.Uint32(entry(b, 0x12)[8:])+7] = 0xA5 // after "WGS-84\x00"
			return b
		}(),
		"a hole as long as a value that stands twice": func() []byte {
			b := bytes.Clone(tail)
			copy(entry(b, 0x04)[8:], entry(b, 0x02)[8:])
			return b
		}(),
		"an odd offset": func() []byte {
			b := append(bytes.Clone(tail[:gps]), 0)
			order.PutUint32(b[bytes.Index(b, longEntryHead(order, 0x8825))+8:], uint32(gps+1))
			return append(b, tiffBlock(order, []rec{asciiRec(0x01, "N")})[8:]...)
		}(),
		"a byte more at the end":         append(bytes.Clone(tail), 0),
		"no pointer to a next directory": tail[:gps+2+12*3],
	} {
		t.Run(name, func(t *testing.T) {
			if name == "no pointer to a next directory" {
				order.PutUint16(b[gps:], 3)
			}
			out, _ := mustRewrite(t, geotagtest.Splice(b), quay)
			now := block(t, out)
			if !bytes.Equal(now[gps:len(b)], b[gps:]) {
				t.Error("bytes at the old block's end changed")
			}
			if at := order.Uint32(now[bytes.Index(now, longEntryHead(order, 0x8825))+8:]); at < uint32(len(b)) || at%2 != 0 {
				t.Errorf("the directory is at offset %d of a block that had %d bytes", at, len(b))
			}
		})
	}
}

// The order of entries and the pointers to next directories.
func TestRewritePointers(t *testing.T) {
	order := binary.LittleEndian
	xp := rec{tag: 0x9C9B, typ: 1, count: 6, value: []byte("B\x00-\x00\x00\x00")}
	b := tiffBlock(order, []rec{asciiRec(0x010F, "Velland Instruments"), xp}, []rec{{tag: 0x0103, typ: 3, count: 1, value: []byte{6, 0}}})
	out, _ := mustRewrite(t, geotagtest.Splice(b), quay)
	now := block(t, out)
	at := int(order.Uint32(now[4:]))
	var tags []uint16
	for i := range int(order.Uint16(now[at:])) {
		tags = append(tags, order.Uint16(now[at+2+12*i:]))
	}
	if !slices.Equal(tags, []uint16{0x010F, 0x8825, 0x9C9B}) {
		t.Errorf("the first directory has %04x", tags)
	}
	// What the GPS directory points to next is no business of a correction.
	b = handheld(order, handheldGPS(order))
	gps := int(order.Uint32(b[bytes.Index(b, longEntryHead(order, 0x8825))+8:]))
	order.PutUint32(b[gps+2+12*len(handheldGPS(order)):], 0x1234)
	out, _ = mustRewrite(t, geotagtest.Splice(b), quay)
	now = block(t, out)
	gps = int(order.Uint32(now[bytes.Index(now, longEntryHead(order, 0x8825))+8:]))
	if next := order.Uint32(now[gps+2+12*int(order.Uint16(now[gps:])):]); next != 0x1234 {
		t.Errorf("the GPS directory points to %#x next", next)
	}
}

// No Exif at all: a new segment, first or right after JFIF, and the rest the same.
func TestRewriteWithoutExif(t *testing.T) {
	plain := geotagtest.Plain()
	jfif := geotagtest.Insert(plain, 0xE0, []byte("JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00"))
	for name, img := range map[string][]byte{"bare": plain, "JFIF": jfif} {
		t.Run(name, func(t *testing.T) {
			out, p := mustRewrite(t, img, quay)
			for _, l := range imageLosses(t, img, out) {
				t.Error(l)
			}
			ps := parts(t, out)
			if i := slices.IndexFunc(ps, func(p part) bool { return p.name == "E1 Exif" }); i != map[string]int{"bare": 0, "JFIF": 1}[name] {
				t.Errorf("the Exif segment is number %d", i)
			}
			if len(p.Splices) != 1 || len(p.Splices[0].Old) != 0 {
				t.Errorf("%d splices", len(p.Splices))
			}
			if lat, lon := position(t, block(t, out), 0x02); math.Abs(lat-quay.Lat) > millimetre || math.Abs(lon-quay.Lon) > millimetre {
				t.Errorf("at %v, %v", lat, lon)
			}
			pixels(t, out)
		})
	}
	_, _, err := Rewrite(plain, Edit{Meaning: CameraPosition, Lat: 53, Lon: -6})
	if !errors.Is(err, ErrEdit) {
		t.Errorf("a destination without a position: %v", err)
	}
}

// An APP1 segment holds 65,533 bytes at most (its length field counts itself,
// ITU-T T.81 B.1.1.4). To the byte: what fits is written, and what doesn't is
// refused with the sizes.
func TestRewriteNoRoom(t *testing.T) {
	base := handheld(binary.BigEndian, handheldGPS(binary.BigEndian))
	_, p := mustRewrite(t, geotagtest.Splice(base), quay)
	grown := int(p.SizeAfter() - p.SizeBefore)
	if len(base)%2 == 1 {
		grown-- // the pad byte of an odd block
	}
	const signature = 6
	even := 65533 - signature - grown
	even -= even % 2
	for _, c := range []struct {
		n  int
		ok bool
	}{{even - 2, true}, {even, true}, {even + 1, false}, {even + 2, false}, {65533 - signature, false}} {
		b := append(bytes.Clone(base), make([]byte, c.n-len(base))...)
		img := geotagtest.Splice(b)
		if c.ok {
			out, _ := mustRewrite(t, img, quay)
			for _, l := range append(blockLosses(t, b, block(t, out), subjectTags), imageLosses(t, img, out)...) {
				t.Error(l)
			}
			continue
		}
		out, p, err := Rewrite(img, quay)
		if !errors.Is(err, ErrNoRoom) || out != nil || p != nil {
			t.Errorf("a block of %d bytes: %v", c.n, err)
			continue
		}
		if s := err.Error(); !strings.Contains(s, fmt.Sprint(c.n+signature)) || !strings.Contains(s, "65533") {
			t.Errorf("the refusal does not name the sizes: %v", err)
		}
	}
}

// Damage is refused, with a reason that can be looked up in the file.
func TestRewriteRefuses(t *testing.T) {
	order := binary.BigEndian
	full := handheld(order, handheldGPS(order))
	edit := func(f func(b []byte)) []byte {
		b := bytes.Clone(full)
		f(b)
		return geotagtest.Splice(b)
	}
	entry := func(b []byte) int { return bytes.Index(b, longEntryHead(order, 0x8825)) }
	firstEnd := 8 + 2 + 4*12 // where the pointer to the second directory is
	whole := geotagtest.Splice(full)
	for _, c := range []struct {
		name   string
		img    []byte
		want   error
		reason string
	}{
		{"no block in the segment", geotagtest.Splice(nil), ErrCorrupt, "0 bytes are too few"},
		{"no byte order", edit(func(b []byte) { b[0] = 'X' }), ErrCorrupt, "neither II nor MM"},
		{"first directory outside", edit(func(b []byte) { order.PutUint32(b[4:], 1<<20) }), ErrCorrupt, "offset 1048576"},
		{"first directory too long", edit(func(b []byte) { order.PutUint16(b[8:], 0xFFFF) }), ErrCorrupt, "65535 entries"},
		{"loop to the first directory", edit(func(b []byte) { order.PutUint32(b[firstEnd:], 8) }), ErrCorrupt, "loop"},
		{"GPS directory is the first", edit(func(b []byte) { order.PutUint32(b[entry(b)+8:], 8) }), ErrCorrupt, "loop"},
		{"GPS directory outside", edit(func(b []byte) { order.PutUint32(b[entry(b)+8:], 1<<24) }), ErrCorrupt, "GPS directory"},
		{"GPS pointer of another type", edit(func(b []byte) { order.PutUint16(b[entry(b)+2:], 3) }), ErrCorrupt, "type SHORT and count 1"},
		{"GPS pointer of another count", edit(func(b []byte) { order.PutUint32(b[entry(b)+4:], 2) }), ErrCorrupt, "type LONG and count 2"},
		{"two GPS pointers", edit(func(b []byte) { copy(b[entry(b)-12:], b[entry(b):entry(b)+12]) }), ErrCorrupt, "two GPS directories"},
		{"value that would take in the new directory", edit(func(b []byte) {
			i := bytes.Index(b, []byte{0x92, 0x7C, 0, 7})
			order.PutUint32(b[i+8:], uint32(len(b)-4))
		}), ErrCorrupt, "tag 0x927c"},
		{"thumbnail that is cut off", edit(func(b []byte) {
			i := bytes.Index(b, []byte{0x02, 0x02, 0, 4})
			order.PutUint32(b[i+8:], order.Uint32(b[i+8:])+1)
		}), ErrCorrupt, "thumbnail"},
		{"second directory just outside", edit(func(b []byte) { order.PutUint32(b[firstEnd:], uint32(len(b)+2)) }), ErrCorrupt, "directory 2"},
		{"two Exif blocks", geotagtest.Insert(whole, 0xE1, append([]byte("Exif\x00\x00"), full...)), ErrUnsafe, "two Exif blocks"},
		{"cut off in a segment", whole[:200], ErrTruncated, ""},
		{"cut off before the image data", whole[:len(full)+12], ErrTruncated, ""},
		{"empty", nil, ErrFormat, "empty"},
		{"text", []byte("not a photo\n"), ErrFormat, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			out, p, err := Rewrite(c.img, quay)
			if !errors.Is(err, c.want) || !strings.Contains(fmt.Sprint(err), c.reason) {
				t.Errorf("%v; want %v with %q", err, c.want, c.reason)
			}
			if out != nil || p != nil {
				t.Error("a refusal came with a result")
			}
		})
	}
	// Files that are damaged on purpose: written soundly, or refused.
	for _, s := range geotagtest.Corrupt(t) {
		img := s.Whole
		if img == nil {
			img = s.Raw
		}
		out, p, err := Rewrite(img, quay)
		if err == nil {
			if !bytes.Equal(unpatch(t, p, out), img) {
				t.Errorf("%s: the reverse patch does not give the old file", s.Name)
			}
			if s.Block != nil {
				for _, l := range blockLosses(t, s.Block, block(t, out), subjectTags) {
					t.Errorf("%s: %s", s.Name, l)
				}
			}
		}
		t.Logf("%s: %v", s.Name, err)
	}
}

// manifest is the start of a C2PA manifest store in a JUMBF segment (ISO/IEC
// 19566-5; C2PA technical specification section 11.1.4; both from memory).
func manifest(uuid, label string) []byte {
	desc := append([]byte(uuid), append([]byte{3}, append([]byte(label), 0)...)...)
	box := func(name string, body []byte) []byte {
		b := binary.BigEndian.AppendUint32(nil, uint32(8+len(body)))
		return append(append(b, name...), body...)
	}
	return append([]byte("JP\x00\x01\x00\x00\x00\x01"), box("jumb", box("jumd", desc))...)
}

func TestRewriteSigned(t *testing.T) {
	img := geotagtest.Splice(handheld(binary.LittleEndian, nil))
	uuid := "\x63\x32\x70\x61\x00\x11\x00\x10\x80\x00\x00\xAA\x00\x38\x9B\x71"
	signed := geotagtest.Insert(img, 0xEB, manifest(uuid, "c2pa"))
	if _, _, err := Rewrite(signed, quay); !errors.Is(err, ErrSigned) {
		t.Errorf("without consent: %v", err)
	}
	e := quay
	e.AllowSigned = true
	out, p := mustRewrite(t, signed, e)
	if len(p.Notes) != 1 || !strings.Contains(p.Notes[0], "C2PA") {
		t.Errorf("notes %q", p.Notes)
	}
	// The image already says it: nothing is broken, so nobody need consent.
	if _, p, err := Rewrite(out, quay); err != nil || !p.Empty() {
		t.Errorf("again: %v, %v", p, err)
	}
	// Other JUMBF boxes, a 360-degree image for instance, are no signature.
	mustRewrite(t, geotagtest.Insert(img, 0xEB, manifest("\x78\x6D\x6C\x20\x00\x11\x00\x10\x80\x00\x00\xAA\x00\x38\x9B\x71", "other")), quay)
	mustRewrite(t, geotagtest.Insert(img, 0xEB, []byte("JP\x00\x01")), quay)
}

// A multi-picture file (CIPA DC-007): the index and the second image, resolved
// before and after.
func TestRewriteMultiPicture(t *testing.T) {
	second := geotagtest.Insert(geotagtest.Plain(), 0xFE, []byte("the second image"))
	third := geotagtest.Insert(geotagtest.Plain(), 0xFE, []byte("and a third one"))
	for name, order := range orders {
		for _, place := range []string{"after Exif", "before Exif", "no Exif"} {
			t.Run(name+" "+place, func(t *testing.T) {
				// The index with room for three images.
				entries := make([]byte, 3*16)
				index := append([]byte("MPF\x00"), tiffBlock(order, []rec{
					{tag: 0xB000, typ: 7, count: 4, value: []byte("0100")},
					{tag: 0xB001, typ: 4, count: 1, value: make([]byte, 4)},
					{tag: 0xB002, typ: 7, count: 48, value: entries},
				})...)
				exif := append([]byte("Exif\x00\x00"), handheld(order, nil)...)
				first := geotagtest.Plain()
				switch place {
				case "after Exif":
					first = geotagtest.Insert(geotagtest.Insert(first, 0xE2, index), 0xE1, exif)
				case "before Exif":
					first = geotagtest.Insert(geotagtest.Insert(first, 0xE1, exif), 0xE2, index)
				case "no Exif":
					first = geotagtest.Insert(first, 0xE2, index)
				}
				base := bytes.Index(first, []byte("MPF\x00")) + 4
				list := bytes.LastIndex(first[:base+len(index)-4], entries)
				for i, im := range [][]byte{first, second, third} {
					e := first[list+16*i:]
					order.PutUint32(e[4:], uint32(len(im)))
					switch i {
					case 1:
						order.PutUint32(e[8:], uint32(len(first)-base))
					case 2:
						order.PutUint32(e[8:], uint32(len(first)+len(second)-base))
					}
				}
				img := slices.Concat(first, second, third)
				// resolve follows the index, with none of the package's code.
				resolve := func(img []byte) [][]byte {
					base := bytes.Index(img, []byte("MPF\x00")) + 4
					var all [][]byte
					at := base + int(order.Uint32(img[base+8+2+2*12+8:]))
					for i := range 3 {
						e := img[at+16*i:]
						start := 0
						if off := int(order.Uint32(e[8:])); off != 0 {
							start = base + off
						}
						all = append(all, img[start:start+int(order.Uint32(e[4:]))])
					}
					return all
				}
				if old := resolve(img); !bytes.Equal(old[0], first) || !bytes.Equal(old[1], second) || !bytes.Equal(old[2], third) {
					t.Fatal("the test's own index is wrong")
				}
				out, p := mustRewrite(t, img, quay)
				now := resolve(out)
				if !bytes.Equal(now[1], second) || !bytes.Equal(now[2], third) {
					t.Error("the index no longer leads to the other images")
				}
				if !bytes.HasSuffix(now[0], []byte{0xFF, 0xD9}) || len(now[0]) != len(out)-len(second)-len(third) {
					t.Error("the first image is cut wrongly")
				}
				if _, _, err := image.Decode(bytes.NewReader(now[0])); err != nil {
					t.Error(err)
				}
				if len(p.Notes) != 1 || !strings.Contains(p.Notes[0], "multi-picture index is kept right") {
					t.Errorf("notes %q", p.Notes)
				}
				for _, l := range imageLosses(t, img, out, "E2 MPF") {
					t.Error(l)
				}
				// An index that can't be read is not guessed at.
				bad := bytes.Clone(img)
				bad[base] = 'X'
				if _, _, err := Rewrite(bad, quay); !errors.Is(err, ErrCorrupt) {
					t.Errorf("a damaged index: %v", err)
				}
			})
		}
	}
}

// What follows the image moves as a whole, and the patch says so.
func TestRewriteTrailer(t *testing.T) {
	img := geotagtest.Splice(handheld(binary.LittleEndian, nil))
	trailer := []byte("\xFF\xD8 a private preview \xFF\xD9 and more")
	out, p := mustRewrite(t, append(bytes.Clone(img), trailer...), quay)
	if !bytes.HasSuffix(out, trailer) {
		t.Error("the trailer changed")
	}
	moves := p.SizeAfter() - p.SizeBefore
	if len(p.Notes) != 1 || !strings.Contains(p.Notes[0], fmt.Sprintf("%d bytes follow the image and move by %d", len(trailer), moves)) {
		t.Errorf("notes %q", p.Notes)
	}
	// A correction of the same length moves nothing, so there is nothing to say.
	same := quay
	same.Lat += 1e-5
	if _, p = mustRewrite(t, out, same); p.SizeAfter() != p.SizeBefore || len(p.Notes) != 0 {
		t.Errorf("from %d to %d bytes, notes %q", p.SizeBefore, p.SizeAfter(), p.Notes)
	}
	// No end marker.
	_, p = mustRewrite(t, img[:len(img)-2], quay)
	if len(p.Notes) != 1 || !strings.Contains(p.Notes[0], "no end marker") {
		t.Errorf("notes %q", p.Notes)
	}
}

// imageEnd over the marker code of ITU-T T.81 B.1: stuffed bytes, restarts, fill
// bytes, further scans.
func TestImageEnd(t *testing.T) {
	head := "\xFF\xD8\xFF\xDA\x00\x04\x01\x01"
	for _, c := range []struct {
		data string
		want int64 // from the start of data; -1 for none
	}{
		{"\x01\x02\xFF\xD9", 4},
		{"\xFF\xD9", 2},
		{"\x01\xFF\x00\xFF\xD9\x05", 5},
		{"\xFF\x00\xFF\xD0\x01\xFF\xD7\xFF\xD9trailer", 9},
		{"\x01\xFF\xFF\xFF\xD9\x07", 5},
		{"\x01\xFF\xC4\x00\x04\xFF\xD9\x01\xFF\xDA\x00\x02\x09\xFF\xD9", 15},
		{"\x01\x02\xFF", -1},
		{"\x01\x02", -1},
		{"", -1},
		{"\xFF\xC4\x00", -1},
		{"\xFF\xC4\x00\x40\x00", -1},
		{strings.Repeat("\x01", 3*chunk) + "\xFF\xD9x", 3*chunk + 2},
		{strings.Repeat("\xFF\x00", 2*chunk) + "\xFF\xD9x", 4*chunk + 2},
		{strings.Repeat("\xFF", 2*chunk) + "\xD9x", 2*chunk + 1},
	} {
		img := []byte(head + c.data)
		src := newSource(bytes.NewReader(img), int64(len(img)))
		segs, err := scanJPEG(src)
		if err != nil {
			t.Fatal(err)
		}
		want := c.want
		if want >= 0 {
			want += int64(len(head))
		}
		if got, err := imageEnd(src, &segs[len(segs)-1]); err != nil || got != want {
			t.Errorf("%.40q: %d, %v; want %d", c.data, got, err, want)
		}
	}
}

func TestEditCheck(t *testing.T) {
	f := func(v float64) *float64 { return &v }
	ok := Edit{Lat: 53, Lon: -6, HPositioningError: 0.02}
	for _, e := range []Edit{
		ok,
		{Lat: 90, Lon: 180, HPositioningError: 1e-9},
		{Lat: -90, Lon: -180, HPositioningError: 4e9},
		{Lat: 0, Lon: 1e-9, HPositioningError: 1}, // 0.1 mm from 0, 0
		{Meaning: CameraPosition, Lat: 1, Lon: 1, Bearing: f(0), Distance: f(0)},
	} {
		if err := e.check(); err != nil {
			t.Errorf("%+v: %v", e, err)
		}
	}
	with := func(f func(*Edit)) Edit { e := ok; f(&e); return e }
	camera := func(f func(*Edit)) Edit {
		e := Edit{Meaning: CameraPosition, Lat: 1, Lon: 1}
		f(&e)
		return e
	}
	for _, e := range []Edit{
		{}, // 0, 0
		with(func(e *Edit) { e.Lat = 90.0000001 }),
		with(func(e *Edit) { e.Lat = math.NaN() }),
		with(func(e *Edit) { e.Lon = -180.1 }),
		with(func(e *Edit) { e.Lon = math.Inf(1) }),
		with(func(e *Edit) { e.Lat, e.Lon = 1e-11, -1e-11 }), // rounds to 0, 0
		with(func(e *Edit) { e.HPositioningError = 0 }),
		with(func(e *Edit) { e.HPositioningError = -1 }),
		with(func(e *Edit) { e.HPositioningError = math.NaN() }),
		with(func(e *Edit) { e.HPositioningError = math.Inf(1) }),
		with(func(e *Edit) { e.HPositioningError = 5e9 }),
		with(func(e *Edit) { e.Meaning = 2 }),
		with(func(e *Edit) { e.MapDatum = "Ellipsoïde" }),
		with(func(e *Edit) { e.MapDatum = " WGS-84" }),
		with(func(e *Edit) { e.MapDatum = "a\x00b" }),
		with(func(e *Edit) { e.ProcessingMethod = strings.Repeat("x", 300) }),
		with(func(e *Edit) { e.ProcessingMethod = "a\nb" }),
		camera(func(e *Edit) { e.Bearing = f(360) }),
		camera(func(e *Edit) { e.Bearing = f(-1) }),
		camera(func(e *Edit) { e.Bearing = f(math.NaN()) }),
		camera(func(e *Edit) { e.Distance = f(-1) }),
		camera(func(e *Edit) { e.Distance = f(math.NaN()) }),
		camera(func(e *Edit) { e.Distance = f(1e14) }),
	} {
		if err := e.check(); !errors.Is(err, ErrEdit) {
			t.Errorf("%+v: %v", e, err)
		}
		if _, _, err := Rewrite(geotagtest.Plain(), e); !errors.Is(err, ErrEdit) {
			t.Errorf("Rewrite with %+v: %v", e, err)
		}
	}
}

// In CameraPosition the datum is the image's.
func TestRewriteDestinationDatum(t *testing.T) {
	img := geotagtest.Splice(handheld(binary.BigEndian, handheldGPS(binary.BigEndian)))
	for datum, ok := range map[string]bool{"": true, "WGS-84": true, "WGS84": true, "wgs 84": true, "TOKYO": false, "IRENET95": false} {
		_, _, err := Rewrite(img, Edit{Meaning: CameraPosition, Lat: 53, Lon: -6, MapDatum: datum})
		if ok && err != nil || !ok && !errors.Is(err, ErrEdit) {
			t.Errorf("datum %q: %v", datum, err)
		}
	}
}

// Rounding carries: no coordinate has 60 seconds or minutes.
func TestCoordinate(t *testing.T) {
	for _, c := range []struct {
		deg  float64
		want [6]uint32
		ref  byte
		xmp  string
	}{
		{0, [6]uint32{0, 1, 0, 1, 0, 1e6}, 'N', "0,00.000000000N"},
		{-1e-12, [6]uint32{0, 1, 0, 1, 0, 1e6}, 'N', "0,00.000000000N"},
		{89.99999999999, [6]uint32{90, 1, 0, 1, 0, 1e6}, 'N', "90,00.000000000N"},
		{40 + 59.0/60 + 59.9999999/3600, [6]uint32{41, 1, 0, 1, 0, 1e6}, 'N', "41,00.000000000N"},
		{40 + 59.0/60 + 59.999999/3600, [6]uint32{40, 1, 59, 1, 59999999, 1e6}, 'N', "40,59.999999983N"},
		{40 + 58.0/60 + 59.9999999/3600, [6]uint32{40, 1, 59, 1, 0, 1e6}, 'N', "40,59.000000000N"},
		{-37.951033416666, [6]uint32{37, 1, 57, 1, 3720300, 1e6}, 'S', "37,57.062005000S"}, // Flinders Peak, DESIGN section 12
	} {
		dms, ref := coordinate(c.deg, "NS")
		if dms != c.want || ref != c.ref {
			t.Errorf("%v: %v %c, want %v %c", c.deg, dms, ref, c.want, c.ref)
		}
		if x := xmpCoordinate(c.deg, "NS"); x != c.xmp {
			t.Errorf("%v: XMP %s, want %s", c.deg, x, c.xmp)
		}
	}
}

// Any position comes back to 0.1 mm, from Exif and from XMP, and coming back it
// is written as the same bytes.
func TestPositionRoundTrip(t *testing.T) {
	packet := xmpPacket(`<rdf:Description rdf:about="" xmlns:exif="http://ns.adobe.com/exif/1.0/" exif:GPSLatitude="1,2.3N" exif:GPSLongitude="4,5.6E"/>`, 200)
	img := geotagtest.Insert(geotagtest.Splice(handheld(binary.LittleEndian, handheldGPS(binary.LittleEndian))), 0xE1, append([]byte("http://ns.adobe.com/xap/1.0/\x00"), packet...))
	rapid.Check(t, func(t *rapid.T) {
		e := Edit{
			Lat:               rapid.Float64Range(-90, 90).Draw(t, "lat"),
			Lon:               rapid.Float64Range(-180, 180).Draw(t, "lon"),
			HPositioningError: rapid.Float64Range(1e-4, 1e4).Draw(t, "error"),
		}
		if e.check() != nil {
			return // 0, 0
		}
		out, p, err := Rewrite(img, e)
		if err != nil {
			t.Fatal(err)
		}
		tag, err := ReadBytes(out)
		if err != nil {
			t.Fatal(err)
		}
		const tenth = millimetre / 10
		for _, got := range []*Position{tag.Position, tag.XMPPosition} {
			if got == nil || math.Abs(got.Lat-e.Lat) > tenth || math.Abs(got.Lon-e.Lon) > tenth {
				t.Fatalf("%v, want %v, %v", got, e.Lat, e.Lon)
			}
		}
		if math.Abs(*tag.HPositioningError-e.HPositioningError) > 0.00005000001 {
			t.Fatalf("error %v, want %v", *tag.HPositioningError, e.HPositioningError)
		}
		for _, w := range tag.Warnings {
			if w.Code == WarnConflict {
				t.Fatal(w)
			}
		}
		if back, err := p.Reverse().ApplyBytes(out); err != nil || !bytes.Equal(back, img) {
			t.Fatal("the reverse patch does not give the old file")
		}
		read := e
		read.Lat, read.Lon, read.HPositioningError = tag.Position.Lat, tag.Position.Lon, *tag.HPositioningError
		if read.check() != nil {
			return
		}
		if _, p, err := Rewrite(out, read); err != nil || !p.Empty() {
			t.Fatalf("what was read is written in another way: %+v, %v", p, err)
		}
	})
}

// The writer's check of its own work can fail: it notices a patch that puts the
// position elsewhere, or changes something else.
func TestVerifyNotices(t *testing.T) {
	order := binary.BigEndian
	img := geotagtest.Splice(handheld(order, handheldGPS(order)))
	before, err := jpegContainer.tag(newBytesSource(img))
	if err != nil {
		t.Fatal(err)
	}
	_, good := mustRewrite(t, img, quay)
	source := func() *source { return newSource(bytes.NewReader(img), int64(len(img))) }
	if err := jpegContainer.verify(source(), before, quay, good); err != nil {
		t.Fatal(err)
	}
	elsewhere := quay
	elsewhere.Lat += 2 * millimetre
	if err := jpegContainer.verify(source(), before, elsewhere, good); err == nil {
		t.Error("not noticed: a position 2 mm off")
	}
	camera := Edit{Meaning: CameraPosition, Lat: quay.Lat, Lon: quay.Lon}
	if err := jpegContainer.verify(source(), before, camera, good); err == nil {
		t.Error("not noticed: no destination")
	}
	with := func(off int, old, text string) *Patch {
		p := &Patch{SizeBefore: good.SizeBefore, Splices: append(slices.Clone(good.Splices), Splice{Off: int64(off), Old: []byte(old), New: []byte(text)})}
		sortSplices(p)
		return p
	}
	at := func(s string) int { return bytes.Index(img, []byte(s)) }
	for what, p := range map[string]*Patch{
		"nothing written":   {SizeBefore: good.SizeBefore},
		"another model":     with(at("QH-3"), "QH-3", "QH-4"),
		"another time":      with(at("10:32:00"), "10:32", "10:33"),
		"another altitude":  with(at("\x00\x00\x02\x3B\x00\x00\x00\x0A"), "\x00\x00\x02\x3B", "\x00\x00\x02\x3C"),
		"no longer a JPEG":  with(0, "\xFF\xD8", "\xFF\xD9"),
		"a splice past end": with(len(img), "x", ""),
	} {
		if err := jpegContainer.verify(source(), before, quay, p); err == nil {
			t.Errorf("not noticed: %s", what)
		}
	}
}

// Subdirectories of the first directory, as raw converters have them, are
// surveyed too: none of them may come to lie in the new bytes.
func TestRewriteSubdirectories(t *testing.T) {
	for name, order := range orders {
		sub := []rec{asciiRec(0x010E, "an inner image")}
		for _, typ := range []uint16{4, 13} {
			b := tiffBlock(order, []rec{{tag: 0x014A, typ: typ, count: 1, dir: sub}, asciiRec(0x9999, "after it")})
			out, _ := mustRewrite(t, geotagtest.Splice(b), quay)
			for _, l := range blockLosses(t, b, block(t, out), subjectTags) {
				t.Errorf("%s, type %d: %s", name, typ, l)
			}
			order.PutUint32(b[10+8:], uint32(len(b)+4)) // the entry's offset
			if _, _, err := Rewrite(geotagtest.Splice(b), quay); !errors.Is(err, ErrCorrupt) || !strings.Contains(err.Error(), "subdirectory") {
				t.Errorf("%s, type %d, just outside: %v", name, typ, err)
			}
			order.PutUint32(b[10+8:], 8)
			if _, _, err := Rewrite(geotagtest.Splice(b), quay); !errors.Is(err, ErrCorrupt) || !strings.Contains(err.Error(), "loop") {
				t.Errorf("%s, type %d, a loop: %v", name, typ, err)
			}
		}
	}
}

// TestPointerTypes: a pointer to the GPS directory of type IFD (13), as libtiff
// writes it, or SLONG (9) leaves no doubt where that is. It is followed with a
// warning, and corrected; every other byte stays.
func TestPointerTypes(t *testing.T) {
	for name, order := range orders {
		for _, typ := range []uint16{9, 13} {
			block := handheld(order, handheldGPS(order))
			want := mustRead(t, splice(block))
			at := bytes.Index(block, longEntryHead(order, pointerGPS))
			order.PutUint16(block[at+2:], typ)
			img := splice(block)
			tag := mustRead(t, img)
			if tag.Position == nil || *tag.Position != *want.Position || !hasCode(tag, WarnWrongType) {
				t.Errorf("%s, type %d: %+v %v", name, typ, tag.Position, tag.Warnings)
			}
			out, _ := mustRewrite(t, img, quay)
			if got := mustRead(t, out).Position; got == nil || math.Abs(got.Lat-quay.Lat) > 1e-9 {
				t.Errorf("%s, type %d: corrected to %+v", name, typ, got)
			}
		}
	}
}
