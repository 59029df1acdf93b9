package geotag

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"slices"
	"testing"
)

// This file holds the tests' own view of an image. It shares no code with the
// package, so that a mistake there can't hide itself here.

// part is a JPEG segment, or what lies between and after the segments.
type part struct {
	name    string // "E1 Exif", "rest"
	payload []byte
}

// parts cuts a JPEG at its markers; the last part is all from the start of scan
// (or the end of image) on.
func parts(tb testing.TB, img []byte) []part {
	tb.Helper()
	var all []part
	p := 2
	for p+4 <= len(img) && img[p] == 0xFF && img[p+1] != 0xDA && img[p+1] != 0xD9 {
		n := int(img[p+2])<<8 | int(img[p+3])
		if p+2+n > len(img) {
			tb.Fatalf("segment at %d reaches to %d of %d", p, p+2+n, len(img))
		}
		body := img[p+4 : p+2+n]
		name := fmt.Sprintf("%02X", img[p+1])
		for _, id := range []string{"Exif", "http://ns.adobe.com/xap/1.0/", "MPF"} {
			if bytes.HasPrefix(body, append([]byte(id), 0)) {
				name += " " + id
			}
		}
		all = append(all, part{name, body})
		p += 2 + n
	}
	return append(all, part{"rest", img[p:]})
}

// block returns the Exif block of an image, nil where there is none.
func block(tb testing.TB, img []byte) []byte {
	tb.Helper()
	for _, p := range parts(tb, img) {
		if p.name == "E1 Exif" {
			return p.payload[6:]
		}
	}
	return nil
}

// record is one entry of a directory.
type record struct {
	typ   uint16
	count uint32
	value string // as far as it lies in the block
	// at is the offset of a value that doesn't stand in the entry, else 0.
	at uint32
}

var widths = map[uint16]uint64{1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 129: 1}

// inventory lists all entries of a block's directories by "directory tag
// ordinal", and the thumbnail's bytes.
func inventory(tb testing.TB, b []byte) map[string]record {
	tb.Helper()
	var order binary.ByteOrder = binary.LittleEndian
	if b[0] == 'M' {
		order = binary.BigEndian
	}
	all := map[string]record{}
	var walk func(name string, off uint32)
	walk = func(name string, off uint32) {
		if off == 0 || uint64(off)+2 > uint64(len(b)) || len(all) > 10000 {
			return
		}
		n := int(order.Uint16(b[off:]))
		end := int(off) + 2 + 12*n
		if end > len(b) {
			return
		}
		seen := map[uint16]int{}
		var thumbAt, thumbLen uint32
		for i := range n {
			e := b[int(off)+2+12*i:]
			tag := order.Uint16(e)
			r := record{typ: order.Uint16(e[2:]), count: order.Uint32(e[4:]), value: string(e[8:12])}
			v := order.Uint32(e[8:])
			if size := widths[r.typ] * uint64(r.count); size > 4 {
				r.at = v
				r.value = string(b[min(uint64(v), uint64(len(b))):min(uint64(v)+size, uint64(len(b)))])
			}
			all[fmt.Sprintf("%s %04x %d", name, tag, seen[tag])] = r
			seen[tag]++
			switch tag {
			case 0x8769:
				walk("Exif", v)
			case 0x8825:
				walk("GPS", v)
			case 0xA005:
				walk("Interop", v)
			case 0x0201:
				thumbAt = v
			case 0x0202:
				thumbLen = v
			}
		}
		if thumbLen > 0 {
			all[name+" thumbnail"] = record{
				at: thumbAt, count: thumbLen,
				value: string(b[min(uint64(thumbAt), uint64(len(b))):min(uint64(thumbAt)+uint64(thumbLen), uint64(len(b)))]),
			}
		}
		if name[:3] == "IFD" && end+4 <= len(b) {
			walk(fmt.Sprintf("IFD%d", name[3]-'0'+1), order.Uint32(b[end:]))
		}
	}
	walk("IFD0", order.Uint32(b[4:]))
	return all
}

// Tags of the GPS directory that an edit may change.
var (
	subjectTags = []uint16{0x00, 0x01, 0x02, 0x03, 0x04, 0x08, 0x09, 0x0A, 0x0B, 0x12, 0x1B, 0x1E, 0x1F}
	cameraTags  = []uint16{0x13, 0x14, 0x15, 0x16, 0x17, 0x18, 0x19, 0x1A}
)

// blockLosses lists in what way an Exif block differs from the one it was made
// of other than it may: only the pointer to the GPS directory, the GPS tags
// listed, and bytes appended.
func blockLosses(tb testing.TB, before, after []byte, may []uint16) []string {
	tb.Helper()
	var out []string
	// Entry by entry.
	old, now := inventory(tb, before), inventory(tb, after)
	free := map[string]bool{"IFD0 8825 0": true}
	for _, t := range may {
		free[fmt.Sprintf("GPS %04x 0", t)] = true
	}
	for _, k := range slices.Sorted(maps.Keys(old)) {
		if free[k] {
			continue
		}
		if n, ok := now[k]; !ok {
			out = append(out, k+" is gone")
		} else if n != old[k] {
			out = append(out, fmt.Sprintf("%s differs: offset %d count %d, was offset %d count %d", k, n.at, n.count, old[k].at, old[k].count))
		}
	}
	for _, k := range slices.Sorted(maps.Keys(now)) {
		if _, ok := old[k]; !ok && !free[k] {
			out = append(out, k+" is new")
		}
	}
	// Byte by byte.
	if len(after) < len(before) {
		return append(out, "the block is shorter")
	}
	var changed []int
	for i := range before {
		if before[i] != after[i] {
			changed = append(changed, i)
		}
	}
	if len(changed) > 0 && changed[len(changed)-1]-changed[0] >= 4 {
		out = append(out, fmt.Sprintf("%d old bytes changed, from %d to %d: more than a pointer", len(changed), changed[0], changed[len(changed)-1]))
	}
	return out
}

// imageLosses lists in what way an image differs from the one it was made of
// other than in its Exif block and the parts named.
func imageLosses(tb testing.TB, before, after []byte, but ...string) []string {
	tb.Helper()
	but = append(but, "E1 Exif")
	strip := func(img []byte) []part {
		return slices.DeleteFunc(parts(tb, img), func(p part) bool { return slices.Contains(but, p.name) })
	}
	a, b := strip(before), strip(after)
	if len(a) != len(b) {
		return []string{fmt.Sprintf("%d parts, were %d", len(b), len(a))}
	}
	var out []string
	for i := range a {
		if a[i].name != b[i].name || !bytes.Equal(a[i].payload, b[i].payload) {
			out = append(out, fmt.Sprintf("part %d, %s, differs", i, a[i].name))
		}
	}
	return out
}

// position reads a position straight from an inventory: the GPS tags lat-1 to
// lat+2.
func position(tb testing.TB, b []byte, lat uint16) (float64, float64) {
	tb.Helper()
	var order binary.ByteOrder = binary.LittleEndian
	if b[0] == 'M' {
		order = binary.BigEndian
	}
	inv := inventory(tb, b)
	get := func(tag uint16, neg byte) float64 {
		r, ref := inv[fmt.Sprintf("GPS %04x 0", tag)], inv[fmt.Sprintf("GPS %04x 0", tag-1)]
		if len(r.value) != 24 || r.typ != 5 || ref.count != 2 {
			tb.Fatalf("tag %04x: %+v, %+v", tag, r, ref)
		}
		deg, unit := 0.0, 1.0
		for i := range 3 {
			n, d := order.Uint32([]byte(r.value)[8*i:]), order.Uint32([]byte(r.value)[8*i+4:])
			v := float64(n) / float64(d)
			if i > 0 && v >= 60 {
				tb.Fatalf("tag %04x: %v minutes or seconds", tag, v)
			}
			deg += v / unit
			unit *= 60
		}
		if ref.value[0] == neg {
			return -deg
		}
		return deg
	}
	return get(lat, 'S'), get(lat+2, 'W')
}

// tool finds a program, or skips the test, or fails it where tools are required.
func tool(tb testing.TB, name string) string {
	tb.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			tb.Fatal(err)
		}
		tb.Skip(err)
	}
	return path
}

// rec describes an entry for tiffBlock.
type rec struct {
	tag, typ uint16
	count    uint32
	value    []byte
	dir      []rec // a directory that the entry points to, instead of a value
}

func asciiRec(tag uint16, s string) rec {
	return rec{tag: tag, typ: 2, count: uint32(len(s) + 1), value: append([]byte(s), 0)}
}

func rationalRec(order binary.ByteOrder, tag uint16, v ...uint32) rec {
	b := make([]byte, 4*len(v))
	for i, x := range v {
		order.PutUint32(b[4*i:], x)
	}
	return rec{tag: tag, typ: 5, count: uint32(len(v) / 2), value: b}
}

// tiffBlock builds a block of a chain of directories: each with its values after
// it, then the directories it points to.
func tiffBlock(order binary.ByteOrder, chain ...[]rec) []byte {
	b := make([]byte, 8)
	copy(b, "II")
	if order == binary.ByteOrder(binary.BigEndian) {
		copy(b, "MM")
	}
	order.PutUint16(b[2:], 42)
	var put func(d []rec) (next int)
	put = func(d []rec) int {
		if len(b)%2 == 1 {
			b = append(b, 0)
		}
		at := len(b)
		b = append(b, make([]byte, 2+12*len(d)+4)...)
		order.PutUint16(b[at:], uint16(len(d)))
		for i, r := range d {
			e := at + 2 + 12*i
			order.PutUint16(b[e:], r.tag)
			order.PutUint16(b[e+2:], r.typ)
			order.PutUint32(b[e+4:], r.count)
			if len(r.value) <= 4 {
				copy(b[e+8:], r.value)
				continue
			}
			if len(b)%2 == 1 {
				b = append(b, 0)
			}
			order.PutUint32(b[e+8:], uint32(len(b)))
			b = append(b, r.value...)
		}
		for i, r := range d {
			if r.dir != nil {
				if len(b)%2 == 1 {
					b = append(b, 0)
				}
				order.PutUint32(b[at+2+12*i+8:], uint32(len(b)))
				put(r.dir)
			}
		}
		return at + 2 + 12*len(d)
	}
	next := 4
	for _, d := range chain {
		if len(b)%2 == 1 {
			b = append(b, 0)
		}
		order.PutUint32(b[next:], uint32(len(b)))
		next = put(d)
	}
	return b
}
