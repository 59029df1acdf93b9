package geotag

import (
	"encoding/binary"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"pgregory.net/rapid"

	"example.com/phototie/geotag/internal/ifd"
)

func near(a, b, tol float64) bool { return math.Abs(a-b) <= tol }

// The forms of a coordinate, Exif table 15: degrees, minutes and seconds, or
// degrees and decimal minutes, or (common practice, no source) decimal degrees.
// 52 50 34.0118 N 11 10 58.2836 E is 52.8427810556 11.1828565556 by arithmetic.
func TestPosition(t *testing.T) {
	dms := func(d, dd, m, md, s, sd uint32) []uint32 { return []uint32{d, dd, m, md, s, sd} }
	ok := dms(11, 1, 10, 1, 582836, 10000)
	for _, c := range []struct {
		name             string
		latRef, lonRef   string
		lat, lon         []uint32
		wantLat, wantLon float64
		step             float64
		warn             []string // with none the position must be there
		partial          bool     // there, in spite of the warnings
	}{
		{name: "seconds", latRef: "N", lat: dms(52, 1, 50, 1, 340118, 10000), lonRef: "E", lon: ok,
			wantLat: 52.842781055555556, wantLon: 11.182856555555556, step: 1e-4 / 3600},
		{name: "south and west", latRef: "S", lat: dms(52, 1, 50, 1, 340118, 10000), lonRef: "W", lon: ok,
			wantLat: -52.842781055555556, wantLon: -11.182856555555556, step: 1e-4 / 3600},
		{name: "decimal minutes", latRef: "N", lat: dms(52, 1, 3012, 100, 0, 1), lonRef: "E", lon: dms(11, 1, 1097, 100, 0, 1),
			wantLat: 52.502, wantLon: 11 + 10.97/60, step: 0.01 / 60},
		{name: "decimal degrees", latRef: "N", lat: dms(525, 10, 0, 1, 0, 1), lonRef: "E", lon: dms(111, 10, 0, 1, 0, 1),
			wantLat: 52.5, wantLon: 11.1, step: 0.1},
		{name: "whole degrees with a fine denominator", latRef: "N", lat: dms(52000000, 1000000, 0, 1, 0, 1), lonRef: "E", lon: dms(11500000, 1000000, 0, 1, 0, 1),
			wantLat: 52, wantLon: 11.5, step: 1e-6},
		{name: "coarser of the two steps", latRef: "N", lat: dms(52, 1, 50, 1, 34, 1), lonRef: "E", lon: ok,
			wantLat: 52.842777777777776, wantLon: 11.182856555555556, step: 1.0 / 3600},
		{name: "large denominators", latRef: "N", lat: dms(52, 1, 50, 1, 4000000000, 4000000000), lonRef: "E", lon: ok,
			wantLat: 52.833611111111111, wantLon: 11.182856555555556, step: 1e-4 / 3600},
		{name: "pole and antimeridian", latRef: "S", lat: dms(90, 1, 0, 1, 0, 1), lonRef: "W", lon: dms(180, 1, 0, 1, 0, 1),
			wantLat: -90, wantLon: -180, step: 1.0 / 3600},
		{name: "equator", latRef: "S", lat: dms(0, 1, 0, 1, 0, 1), lonRef: "E", lon: ok,
			wantLat: 0, wantLon: 11.182856555555556, step: 1.0 / 3600},
		{name: "two rationals", latRef: "N", lat: []uint32{52, 1, 3012, 100}, lonRef: "E", lon: ok,
			wantLat: 52.502, wantLon: 11.182856555555556, step: 0.01 / 60, warn: []string{"wrong-type GPSLatitude"}, partial: true},
		{name: "one rational", latRef: "N", lat: []uint32{52502, 1000}, lonRef: "E", lon: ok,
			wantLat: 52.502, wantLon: 11.182856555555556, step: 0.001, warn: []string{"wrong-type GPSLatitude"}, partial: true},

		{name: "0/0", latRef: "N", lat: dms(0, 0, 0, 0, 0, 0), lonRef: "E", lon: dms(0, 0, 0, 0, 0, 0),
			warn: []string{"zero-denominator GPSLatitude", "zero-denominator GPSLongitude"}},
		{name: "0/0 seconds", latRef: "N", lat: dms(52, 1, 50, 1, 0, 0), lonRef: "E", lon: ok, warn: []string{"zero-denominator GPSLatitude"}},
		{name: "n/0", latRef: "N", lat: dms(52, 1, 50, 0, 0, 1), lonRef: "E", lon: ok, warn: []string{"zero-denominator GPSLatitude"}},
		{name: "91 degrees", latRef: "N", lat: dms(91, 1, 0, 1, 0, 1), lonRef: "E", lon: ok, warn: []string{"out-of-range GPSLatitude"}},
		{name: "just beyond the pole", latRef: "N", lat: dms(90, 1, 0, 1, 1, 1000), lonRef: "E", lon: ok, warn: []string{"out-of-range GPSLatitude"}},
		{name: "181 degrees", latRef: "N", lat: ok, lonRef: "E", lon: dms(181, 1, 0, 1, 0, 1), warn: []string{"out-of-range GPSLongitude"}},
		{name: "minutes of 75", latRef: "N", lat: dms(52, 1, 75, 1, 0, 1), lonRef: "E", lon: ok, warn: []string{"out-of-range GPSLatitude"}},
		{name: "minutes of 60", latRef: "N", lat: dms(52, 1, 60, 1, 0, 1), lonRef: "E", lon: ok, warn: []string{"out-of-range GPSLatitude"}},
		{name: "seconds of 60", latRef: "N", lat: dms(52, 1, 0, 1, 6000, 100), lonRef: "E", lon: ok, warn: []string{"out-of-range GPSLatitude"}},
		{name: "two fractions", latRef: "N", lat: dms(525, 10, 30, 1, 0, 1), lonRef: "E", lon: ok, warn: []string{"ambiguous GPSLatitude"}},
		{name: "fraction of minutes, then seconds", latRef: "N", lat: dms(52, 1, 301, 10, 6, 1), lonRef: "E", lon: ok, warn: []string{"ambiguous GPSLatitude"}},
		{name: "empty reference", latRef: "", lat: ok, lonRef: "E", lon: ok, warn: []string{"missing-reference GPSLatitudeRef"}},
		{name: "bad reference", latRef: "E", lat: ok, lonRef: "N", lon: ok, warn: []string{"bad-reference GPSLatitudeRef", "bad-reference GPSLongitudeRef"}},
		{name: "sign as reference", latRef: "N", lat: ok, lonRef: "-", lon: ok, warn: []string{"bad-reference GPSLongitudeRef"}},
		{name: "null island", latRef: "N", lat: dms(0, 1, 0, 1, 0, 1), lonRef: "W", lon: dms(0, 1, 0, 100, 0, 1000), warn: []string{"null-island GPSLatitude"}},
		{name: "four rationals", latRef: "N", lat: []uint32{1, 1, 1, 1, 1, 1, 1, 1}, lonRef: "E", lon: ok, warn: []string{"wrong-type GPSLatitude"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, b := range []*testBlock{big(), little()} {
				tag := mustRead(t, b.position(c.latRef, c.lat, c.lonRef, c.lon).photo())
				wantCodes(t, tag, c.warn...)
				p := tag.Position
				if c.warn != nil && !c.partial {
					if p != nil {
						t.Fatalf("a position, %+v, of nonsense", *p)
					}
					continue
				}
				if p == nil {
					t.Fatal("no position")
				}
				if !near(p.Lat, c.wantLat, 1e-12) || !near(p.Lon, c.wantLon, 1e-12) || !near(p.Step, c.step, 1e-15) || p.Source != SourceExif {
					t.Errorf("%+v, want %v %v step %v", *p, c.wantLat, c.wantLon, c.step)
				}
				if math.Signbit(p.Lat) && p.Lat == 0 {
					t.Error("a negative zero")
				}
			}
		})
	}
}

// What position does with tags that are missing or of another type.
func TestPositionStructure(t *testing.T) {
	b := little()
	ok := b.rationals(52, 1, 50, 1, 34, 1)
	full := []field{
		{tag: 1, typ: ifd.ASCII, value: []byte("N\x00")}, {tag: 2, typ: ifd.Rational, value: ok},
		{tag: 3, typ: ifd.ASCII, value: []byte("E\x00")}, {tag: 4, typ: ifd.Rational, value: ok},
	}
	with := func(i int, f field) []field {
		g := slices.Clone(full)
		g[i] = f
		return g
	}
	for _, c := range []struct {
		name string
		gps  []field
		want []string
		has  bool
	}{
		{name: "sound", gps: full, has: true},
		{name: "only a version", gps: []field{{tag: 0, typ: ifd.Byte, value: []byte{2, 3, 0, 0}}}},
		{name: "no latitude", gps: full[2:], want: []string{"incomplete GPSLatitude"}},
		{name: "no longitude", gps: full[:2], want: []string{"incomplete GPSLongitude"}},
		{name: "no latitude reference", gps: full[1:], want: []string{"missing-reference GPSLatitudeRef"}},
		{name: "no longitude reference", gps: []field{full[0], full[1], full[3]}, want: []string{"missing-reference GPSLongitudeRef"}},
		{name: "text", gps: with(1, field{tag: 2, typ: ifd.ASCII, value: []byte("52,50,34\x00")}), want: []string{"wrong-type GPSLatitude"}},
		{name: "signed rationals", gps: with(1, field{tag: 2, typ: 10, value: ok}), want: []string{"wrong-type GPSLatitude"}},
		{name: "unknown type", gps: with(1, field{tag: 2, typ: 99, value: []byte{1, 2, 3, 4}, count: 3}), want: []string{"wrong-type GPSLatitude"}},
		{name: "count of 2^32-1", gps: with(1, field{tag: 2, typ: ifd.Rational, value: ok, count: math.MaxUint32}), want: []string{"corrupt GPSLatitude"}},
		{name: "reference of count 2^32-1", gps: with(2, field{tag: 3, typ: ifd.ASCII, value: []byte("E\x00"), count: math.MaxUint32}),
			want: []string{"corrupt GPSLongitudeRef", "missing-reference GPSLongitudeRef"}},
		{name: "reference as a number", gps: with(2, field{tag: 3, typ: ifd.Byte, value: []byte("E")}), want: []string{"wrong-type GPSLongitudeRef"}},
		{name: "twice", gps: append(slices.Clone(full), field{tag: 2, typ: ifd.Rational, value: b.rationals(1, 1, 1, 1, 1, 1)}),
			want: []string{"duplicate GPSLatitude"}, has: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := little()
			b.gp = c.gps
			tag := mustRead(t, b.photo())
			wantCodes(t, tag, c.want...)
			if (tag.Position != nil) != c.has {
				t.Errorf("position %v", tag.Position)
			}
			if c.has && !near(tag.Position.Lat, 52.842777777777776, 1e-12) {
				t.Errorf("latitude %v: not the first of the two", tag.Position.Lat)
			}
		})
	}
}

// Any position in the finest form comes back within half the denominator's
// step, and Step says so.
func TestPositionProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		den := rapid.SampledFrom([]uint32{1, 10, 100, 10000, 1000000}).Draw(t, "den")
		draw := func(name string, limit int) (float64, []uint32) {
			d := rapid.Uint32Range(0, uint32(limit-1)).Draw(t, name+" degrees")
			m := rapid.Uint32Range(0, 59).Draw(t, name+" minutes")
			s := rapid.Uint32Range(1, 60*den-1).Draw(t, name+" seconds")
			return float64(d) + float64(m)/60 + float64(s)/float64(den)/3600, []uint32{d, 1, m, 1, s, den}
		}
		lat, latDMS := draw("latitude", 90)
		lon, lonDMS := draw("longitude", 180)
		b := little()
		if rapid.Bool().Draw(t, "big-endian") {
			b = big()
		}
		ns, ew := rapid.SampledFrom([]string{"N", "S"}).Draw(t, "ns"), rapid.SampledFrom([]string{"E", "W"}).Draw(t, "ew")
		tag, err := ReadBytes(b.position(ns, latDMS, ew, lonDMS).photo())
		if err != nil {
			t.Fatal(err)
		}
		if ns == "S" {
			lat = -lat
		}
		if ew == "W" {
			lon = -lon
		}
		p := tag.Position
		if p == nil || !near(p.Lat, lat, 1e-12) || !near(p.Lon, lon, 1e-12) || !near(p.Step, 1/float64(den)/3600, 1e-15) {
			t.Fatalf("%+v, want %v %v", p, lat, lon)
		}
	})
}

// Exif 3.0 (CIPA DC-008-2023), GPSAltitudeRef, from memory.
func TestAltitude(t *testing.T) {
	for _, c := range []struct {
		name     string
		version  string
		ref      []byte
		num, den uint32
		want     *Altitude
		warn     []string
	}{
		{"above, Exif 2.3", "0230", []byte{0}, 1234, 10, &Altitude{123.4, AltitudeAmbiguous}, nil},
		{"below, Exif 2.3", "0230", []byte{1}, 1234, 10, &Altitude{-123.4, AltitudeAmbiguous}, nil},
		{"above, no version", "", []byte{0}, 1234, 10, &Altitude{123.4, AltitudeAmbiguous}, nil},
		{"above, Exif 3.0", "0300", []byte{0}, 1234, 10, &Altitude{123.4, AltitudeEllipsoidal}, nil},
		{"below, Exif 3.0", "0300", []byte{1}, 1234, 10, &Altitude{-123.4, AltitudeEllipsoidal}, nil},
		{"above the sea, Exif 3.0", "0300", []byte{2}, 1234, 10, &Altitude{123.4, AltitudeSeaLevel}, nil},
		{"below the sea, Exif 3.0", "0300", []byte{3}, 1234, 10, &Altitude{-123.4, AltitudeSeaLevel}, nil},
		{"no reference", "0230", nil, 1234, 10, &Altitude{123.4, AltitudeUnstated}, nil},
		{"zero below", "0230", []byte{1}, 0, 1, &Altitude{0, AltitudeAmbiguous}, nil},
		{"no such reference", "0300", []byte{4}, 1234, 10, nil, []string{"bad-reference GPSAltitudeRef"}},
		{"two references", "0300", []byte{0, 0}, 1234, 10, nil, []string{"wrong-type GPSAltitudeRef"}},
		{"0/0", "0230", []byte{0}, 0, 0, nil, []string{"zero-denominator GPSAltitude"}},
		{"beyond the air", "0230", []byte{0}, math.MaxUint32, 1, nil, []string{"out-of-range GPSAltitude"}},
		{"below all seas", "0230", []byte{1}, 12001, 1, nil, []string{"out-of-range GPSAltitude"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := big()
			if c.version != "" {
				b.exif = []field{{tag: 0x9000, typ: ifd.Undefined, value: []byte(c.version)}}
			}
			if c.ref != nil {
				b.gp = append(b.gp, field{tag: 5, typ: ifd.Byte, value: c.ref})
			}
			b.gp = append(b.gp, field{tag: 6, typ: ifd.Rational, value: b.rationals(c.num, c.den)})
			tag := mustRead(t, b.photo())
			wantCodes(t, tag, c.warn...)
			switch a := tag.Altitude; {
			case (a == nil) != (c.want == nil):
				t.Errorf("%v, want %v", a, c.want)
			case a != nil && (*a != *c.want || math.Signbit(a.Metres) && a.Metres == 0):
				t.Errorf("%v, want %v", *a, *c.want)
			}
		})
	}
}

// The other numbers of the GPS directory, and SubjectDistance.
func TestNumbers(t *testing.T) {
	text := func(tag uint16, s string) field {
		return field{tag: tag, typ: ifd.ASCII, value: append([]byte(s), 0)}
	}
	ratio := func(tag uint16, n, d uint32) field {
		return field{tag: tag, typ: ifd.Rational, value: little().rationals(n, d)}
	}
	num := func(v *float64) any {
		if v == nil {
			return nil
		}
		return math.Round(*v*1e9) / 1e9
	}
	dir := func(d *Direction) any {
		if d == nil {
			return nil
		}
		return *d
	}
	herr := func(t *Tag) any { return num(t.HPositioningError) }
	dop := func(t *Tag) any { return num(t.DOP) }
	speed := func(t *Tag) any { return num(t.Speed) }
	direction := func(t *Tag) any { return dir(t.Direction) }
	distance := func(t *Tag) any {
		if t.Destination == nil {
			return nil
		}
		return num(t.Destination.Distance)
	}
	bearing := func(t *Tag) any {
		if t.Destination == nil {
			return nil
		}
		return dir(t.Destination.Bearing)
	}
	mode := func(t *Tag) any { return t.MeasureMode }
	status := func(t *Tag) any { return t.Status }
	for _, c := range []struct {
		name string
		gps  []field
		get  func(*Tag) any
		want any
		warn []string
	}{
		{"error", []field{ratio(31, 475, 100)}, herr, 4.75, nil},
		{"error 0/0", []field{ratio(31, 0, 0)}, herr, nil, []string{"zero-denominator GPSHPositioningError"}},
		{"error 0", []field{ratio(31, 0, 1)}, herr, nil, []string{"out-of-range GPSHPositioningError"}},
		{"error larger than the Earth", []field{ratio(31, math.MaxUint32, 1)}, herr, nil, []string{"out-of-range GPSHPositioningError"}},
		{"error as text", []field{text(31, "4.75")}, herr, nil, []string{"wrong-type GPSHPositioningError"}},
		{"error twice over", []field{{tag: 31, typ: ifd.Rational, value: little().rationals(4, 1, 5, 1)}}, herr, nil, []string{"wrong-type GPSHPositioningError"}},
		{"dop", []field{ratio(11, 12, 10)}, dop, 1.2, nil},
		{"dop 0", []field{ratio(11, 0, 1)}, dop, nil, []string{"out-of-range GPSDOP"}},
		{"3D", []field{text(10, "3")}, mode, 3, nil},
		{"2D", []field{text(10, "2")}, mode, 2, nil},
		{"4D", []field{text(10, "4")}, mode, 0, []string{"out-of-range GPSMeasureMode"}},
		{"status", []field{text(9, "V")}, status, "V", nil},
		{"no such status", []field{text(9, "X")}, status, "", []string{"out-of-range GPSStatus"}},
		{"direction", []field{text(16, "T"), ratio(17, 18329, 175)}, direction, Direction{18329.0 / 175, false}, nil},
		{"magnetic", []field{text(16, "M"), ratio(17, 359, 1)}, direction, Direction{359, true}, nil},
		{"north as 360", []field{text(16, "M"), ratio(17, 360, 1)}, direction, Direction{0, true}, nil},
		{"beyond 360", []field{text(16, "T"), ratio(17, 3601, 10)}, direction, nil, []string{"out-of-range GPSImgDirection"}},
		{"direction without reference", []field{ratio(17, 90, 1)}, direction, nil, []string{"missing-reference GPSImgDirectionRef"}},
		{"direction with a bad reference", []field{text(16, "N"), ratio(17, 90, 1)}, direction, nil, []string{"bad-reference GPSImgDirectionRef"}},
		{"direction 0/0", []field{text(16, "T"), ratio(17, 0, 0)}, direction, nil, []string{"zero-denominator GPSImgDirection"}},
		{"kilometres", []field{text(25, "K"), ratio(26, 3, 2)}, distance, 1500.0, nil},
		{"miles", []field{text(25, "M"), ratio(26, 2, 1)}, distance, 3218.688, nil},
		{"nautical miles", []field{text(25, "N"), ratio(26, 2, 1)}, distance, 3704.0, nil},
		{"no unit", []field{ratio(26, 2, 1)}, distance, nil, []string{"missing-reference GPSDestDistanceRef"}},
		{"bearing", []field{text(23, "T"), ratio(24, 905, 10)}, bearing, Direction{90.5, false}, nil},
		{"knots", []field{text(12, "N"), ratio(13, 36, 1)}, speed, 18.52, nil},
		{"kilometres an hour", []field{text(12, "K"), ratio(13, 36, 1)}, speed, 10.0, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := little()
			b.gp = c.gps
			tag := mustRead(t, b.photo())
			wantCodes(t, tag, c.warn...)
			if got := c.get(tag); got != c.want {
				t.Errorf("%v, want %v", got, c.want)
			}
		})
	}
	for _, c := range []struct {
		n, d uint32
		want any
		warn []string
	}{
		{63, 100, 0.63, nil},
		{0, 0, nil, nil}, // unknown
		{0, 1, nil, nil}, // unknown
		{math.MaxUint32, 1, nil, nil},
		{5, 0, nil, []string{"zero-denominator SubjectDistance"}},
	} {
		b := little()
		b.exif = []field{ratio(0x9206, c.n, c.d)}
		tag := mustRead(t, b.photo())
		wantCodes(t, tag, c.warn...)
		if got := num(tag.SubjectDistance); got != c.want {
			t.Errorf("subject distance %d/%d: %v, want %v", c.n, c.d, got, c.want)
		}
	}
}

func TestDestination(t *testing.T) {
	b := big().position("N", []uint32{52, 1, 0, 1, 0, 1}, "E", []uint32{4, 1, 0, 1, 0, 1})
	b.gp = append(b.gp,
		field{tag: 19, typ: ifd.ASCII, value: []byte("S\x00")}, field{tag: 20, typ: ifd.Rational, value: b.rationals(1, 1, 30, 1, 0, 1)},
		field{tag: 21, typ: ifd.ASCII, value: []byte("W\x00")}, field{tag: 22, typ: ifd.Rational, value: b.rationals(2, 1, 15, 1, 0, 1)})
	tag := mustRead(t, b.photo())
	wantCodes(t, tag)
	if tag.Destination == nil || tag.Destination.Position == nil || *tag.Destination.Position != (Position{-1.5, -2.25, 1.0 / 3600, SourceExif}) {
		t.Errorf("%+v", tag.Destination)
	}
	if tag.Position == nil || tag.Position.Lat != 52 {
		t.Errorf("%+v", tag.Position)
	}
	// An incomplete one is named for what it is.
	b = big()
	b.gp = []field{{tag: 20, typ: ifd.Rational, value: b.rationals(1, 1, 30, 1, 0, 1)}}
	wantCodes(t, mustRead(t, b.photo()), "missing-reference GPSDestLatitudeRef", "incomplete GPSDestLongitude")
}

func TestGPSTime(t *testing.T) {
	utc := func(y, mo, d, h, mi, s, ns int) *time.Time {
		v := time.Date(y, time.Month(mo), d, h, mi, s, ns, time.UTC)
		return &v
	}
	for _, c := range []struct {
		name  string
		date  string
		stamp []uint32
		want  *time.Time
		warn  []string
	}{
		{"whole", "2024:06:13", []uint32{13, 1, 3, 1, 42, 1}, utc(2024, 6, 13, 13, 3, 42, 0), nil},
		{"fraction", "2024:06:13", []uint32{13, 1, 3, 1, 4279, 100}, utc(2024, 6, 13, 13, 3, 42, 790e6), nil},
		{"fraction that does not end", "2024:06:13", []uint32{0, 1, 0, 1, 1, 3}, utc(2024, 6, 13, 0, 0, 0, 333333333), nil},
		{"last moment of the day", "2024:12:31", []uint32{23, 1, 59, 1, 59999, 1000}, utc(2024, 12, 31, 23, 59, 59, 999e6), nil},
		{"leap second", "2016:12:31", []uint32{23, 1, 59, 1, 60, 1}, utc(2017, 1, 1, 0, 0, 0, 0), nil},
		{"hyphens", "2024-06-13", []uint32{13, 1, 3, 1, 42, 1}, utc(2024, 6, 13, 13, 3, 42, 0), nil},
		{"24 hours", "2024:06:13", []uint32{24, 1, 0, 1, 0, 1}, nil, []string{"out-of-range GPSTimeStamp"}},
		{"60 minutes", "2024:06:13", []uint32{12, 1, 60, 1, 0, 1}, nil, []string{"out-of-range GPSTimeStamp"}},
		{"60 seconds", "2024:06:13", []uint32{12, 1, 30, 1, 60, 1}, nil, []string{"out-of-range GPSTimeStamp"}},
		{"0/0", "2024:06:13", []uint32{0, 0, 0, 0, 0, 0}, nil, []string{"zero-denominator GPSTimeStamp"}},
		{"two fractions", "2024:06:13", []uint32{25, 2, 30, 1, 0, 1}, nil, []string{"ambiguous GPSTimeStamp"}},
		{"two numbers", "2024:06:13", []uint32{12, 1, 30, 1}, nil, []string{"wrong-type GPSTimeStamp"}},
		{"no date", "", []uint32{12, 1, 30, 1, 0, 1}, nil, []string{"incomplete GPSDateStamp"}},
		{"no time", "2024:06:13", nil, nil, []string{"incomplete GPSTimeStamp"}},
		{"31 April", "2024:04:31", []uint32{12, 1, 30, 1, 0, 1}, nil, []string{"out-of-range GPSDateStamp"}},
		{"29 February", "2024:02:29", []uint32{12, 1, 30, 1, 0, 1}, utc(2024, 2, 29, 12, 30, 0, 0), nil},
		{"29 February 2023", "2023:02:29", []uint32{12, 1, 30, 1, 0, 1}, nil, []string{"out-of-range GPSDateStamp"}},
		{"before GPS", "1970:01:01", []uint32{12, 1, 30, 1, 0, 1}, nil, []string{"out-of-range GPSDateStamp"}},
		{"blank date", "    :  :  ", []uint32{12, 1, 30, 1, 0, 1}, nil, []string{"incomplete GPSDateStamp"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := little()
			if c.stamp != nil {
				b.gp = append(b.gp, field{tag: 7, typ: ifd.Rational, value: b.rationals(c.stamp...)})
			}
			if c.date != "" {
				b.gp = append(b.gp, field{tag: 29, typ: ifd.ASCII, value: b.ascii(c.date)})
			}
			tag := mustRead(t, b.photo())
			wantCodes(t, tag, c.warn...)
			switch got := tag.GPSTime; {
			case (got == nil) != (c.want == nil):
				t.Errorf("%v, want %v", got, c.want)
			case got != nil && (!got.Equal(*c.want) || got.Location() != time.UTC):
				t.Errorf("%v, want %v", got, c.want)
			}
		})
	}
}

func TestTaken(t *testing.T) {
	for _, c := range []struct {
		name                                               string
		original, subSec, offsetOriginal, dateTime, offset string
		want                                               string // RFC 3339; "" for none
		hasOffset                                          bool
		warn                                               []string
	}{
		{name: "plain", original: "2024:06:13 14:03:42", want: "2024-06-13T14:03:42Z"},
		{name: "sub-seconds", original: "2024:06:13 14:03:42", subSec: "07", want: "2024-06-13T14:03:42.07Z"},
		{name: "padded sub-seconds", original: "2024:06:13 14:03:42", subSec: "5  ", want: "2024-06-13T14:03:42.5Z"},
		{name: "long sub-seconds", original: "2024:06:13 14:03:42", subSec: "123456789987", want: "2024-06-13T14:03:42.123456789Z"},
		{name: "offset", original: "2024:06:13 14:03:42", offsetOriginal: "+01:00", want: "2024-06-13T14:03:42+01:00", hasOffset: true},
		{name: "western offset", original: "2024:06:13 14:03:42", offsetOriginal: "-03:30", want: "2024-06-13T14:03:42-03:30", hasOffset: true},
		{name: "Z", original: "2024:06:13 14:03:42", offsetOriginal: "Z", want: "2024-06-13T14:03:42Z", hasOffset: true},
		{name: "blank offset", original: "2024:06:13 14:03:42", offsetOriginal: "   :  ", want: "2024-06-13T14:03:42Z"},
		{name: "offset of the same time", original: "2024:06:13 14:03:42", dateTime: "2024:06:13 14:03:42", offset: "+01:00", want: "2024-06-13T14:03:42+01:00", hasOffset: true},
		{name: "offset of another time", original: "2024:06:13 14:03:42", dateTime: "2024:07:01 09:00:00", offset: "+01:00", want: "2024-06-13T14:03:42Z"},
		{name: "own offset first", original: "2024:06:13 14:03:42", offsetOriginal: "+02:00", dateTime: "2024:06:13 14:03:42", offset: "+01:00", want: "2024-06-13T14:03:42+02:00", hasOffset: true},
		{name: "bad offset", original: "2024:06:13 14:03:42", offsetOriginal: "+25:00", want: "2024-06-13T14:03:42Z", warn: []string{"out-of-range OffsetTimeOriginal"}},
		{name: "hyphens", original: "2024-06-13 14:03:42", want: "2024-06-13T14:03:42Z"},
		{name: "unknown", original: "    :  :     :  :  "},
		{name: "empty", original: ""},
		{name: "zeros", original: "0000:00:00 00:00:00", warn: []string{"out-of-range DateTimeOriginal"}},
		{name: "25 hours", original: "2024:06:13 25:03:42", warn: []string{"out-of-range DateTimeOriginal"}},
		{name: "31 June", original: "2024:06:31 14:03:42", warn: []string{"out-of-range DateTimeOriginal"}},
		{name: "words", original: "yesterday", warn: []string{"out-of-range DateTimeOriginal"}},
		{name: "signs", original: "2024:+6:13 14:03:42", warn: []string{"out-of-range DateTimeOriginal"}},
		{name: "bad sub-seconds", original: "2024:06:13 14:03:42", subSec: "x", want: "2024-06-13T14:03:42Z", warn: []string{"out-of-range SubSecTimeOriginal"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := big()
			text := func(tag uint16, s string) field { return field{tag: tag, typ: ifd.ASCII, value: b.ascii(s)} }
			b.exif = []field{text(0x9003, c.original)}
			for tag, s := range map[uint16]string{0x9291: c.subSec, 0x9011: c.offsetOriginal, 0x9010: c.offset} {
				if s != "" {
					b.exif = append(b.exif, text(tag, s))
				}
			}
			if c.dateTime != "" {
				b.first = []field{text(0x0132, c.dateTime)}
			}
			tag := mustRead(t, b.photo())
			wantCodes(t, tag, c.warn...)
			if c.want == "" {
				if tag.Taken != nil {
					t.Errorf("%v of %q", tag.Taken, c.original)
				}
				return
			}
			if tag.Taken == nil {
				t.Fatal("no time")
			}
			if got := tag.Taken.Time.Format(time.RFC3339Nano); got != c.want || tag.Taken.HasOffset != c.hasOffset {
				t.Errorf("%s %v, want %s %v", got, tag.Taken.HasOffset, c.want, c.hasOffset)
			}
		})
	}
}

func utf16Bytes(order binary.AppendByteOrder, s string) []byte {
	var v []byte
	for _, u := range utf16.Encode([]rune(s)) {
		v = order.AppendUint16(v, u)
	}
	return v
}

// The character codes of UserComment and GPSProcessingMethod, Exif table 9, and
// what is met instead (common practice, no source).
func TestCodedTexts(t *testing.T) {
	ascii, unicode, jis, none := "ASCII\x00\x00\x00", "UNICODE\x00", "JIS\x00\x00\x00\x00\x00", "\x00\x00\x00\x00\x00\x00\x00\x00"
	be := func(s string) string { return string(utf16Bytes(binary.BigEndian, s)) }
	le := func(s string) string { return string(utf16Bytes(binary.LittleEndian, s)) }
	for _, c := range []struct {
		name  string
		typ   uint16
		value string // for a big-endian block
		want  string
		warn  string // code
	}{
		{"ascii", ifd.Undefined, ascii + "BM 04", "BM 04", ""},
		{"ascii padded", ifd.Undefined, ascii + "BM 04   \x00\x00", "BM 04", ""},
		{"ascii with UTF-8", ifd.Undefined, ascii + "Poller 7 – Süd", "Poller 7 – Süd", ""},
		{"ascii with Latin-1", ifd.Undefined, ascii + "S\xFCd", "S\uFFFDd", "charset"},
		{"unicode", ifd.Undefined, unicode + be("Poller 7 😀"), "Poller 7 😀", ""},
		{"unicode in the wrong order", ifd.Undefined, unicode + le("Poller 7"), "Poller 7", "charset"},
		{"unicode with a mark", ifd.Undefined, unicode + "\xFF\xFE" + le("Poller 7"), "Poller 7", ""},
		{"unicode that is Chinese", ifd.Undefined, unicode + be("測量點"), "測量點", ""},
		{"unicode of odd length", ifd.Undefined, unicode + be("BM") + "x", "BM", "charset"},
		{"unicode with half a pair", ifd.Undefined, unicode + be("BM") + "\xD8\x00", "BM\uFFFD", "charset"},
		{"JIS", ifd.Undefined, jis + "\x1b$B", "", "charset"},
		{"JIS, empty", ifd.Undefined, jis + "        ", "", ""},
		{"unstated text", ifd.Undefined, none + "BM 04\x00", "BM 04", ""},
		{"unstated bytes", ifd.Undefined, none + "\x01\xff\x00\x02", "", "charset"},
		{"blank", ifd.Undefined, strings.Repeat(" ", 40), "", ""},
		{"zeros", ifd.Undefined, strings.Repeat("\x00", 40), "", ""},
		{"empty ascii", ifd.Undefined, ascii + strings.Repeat("\x00", 8), "", ""},
		{"no code", ifd.Undefined, "BM 04 by the steps", "BM 04 by the steps", "charset"},
		{"no code, short", ifd.Undefined, "GPS\x00", "GPS", "charset"},
		{"rubbish", ifd.Undefined, "\xF0\xE1\x00\x10\xFFabcdef", "", "charset"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := big()
			b.exif = []field{{tag: 0x9286, typ: c.typ, value: []byte(c.value)}}
			b.gp = []field{{tag: 27, typ: c.typ, value: []byte(c.value)}}
			tag := mustRead(t, b.photo())
			if tag.Texts.UserComment != c.want || tag.ProcessingMethod != c.want {
				t.Errorf("%q and %q, want %q", tag.Texts.UserComment, tag.ProcessingMethod, c.want)
			}
			var want []string
			if c.warn != "" {
				want = []string{c.warn + " UserComment", c.warn + " GPSProcessingMethod"}
			}
			wantCodes(t, tag, want...)
		})
	}
	// The wrong type, with and without text behind the code.
	b := big()
	b.gp = []field{{tag: 27, typ: ifd.ASCII, value: []byte("ASCII\x00")}}
	tag := mustRead(t, b.photo())
	wantCodes(t, tag, "wrong-type GPSProcessingMethod")
	if tag.ProcessingMethod != "" {
		t.Errorf("%q", tag.ProcessingMethod)
	}
}

func TestTexts(t *testing.T) {
	b := big()
	text := func(tag uint16, typ uint16, s string) field { return field{tag: tag, typ: typ, value: b.ascii(s)} }
	xp := func(tag uint16, s string) field {
		return field{tag: tag, typ: ifd.Byte, value: append(utf16Bytes(binary.LittleEndian, s), 0, 0)}
	}
	b.first = []field{
		text(0x010E, ifd.ASCII, "PV-017 bollard  "),
		text(0x010F, ifd.ASCII, "Skerry Instruments"),
		text(0x0110, ifd.UTF8, "Päckli 3"),
		{tag: 0x0112, typ: ifd.Short, value: b.short(6)},
		xp(0x9C9B, "Poller Süd"), xp(0x9C9C, "see 018"),
		xp(0x9C9E, "PV-017; quay ;;PV-017"), xp(0x9C9F, "PV-018"),
	}
	b.exif = []field{
		text(0xA431, ifd.ASCII, "SK3-0042"),
		{tag: 0xA002, typ: ifd.Short, value: b.short(4000)}, {tag: 0xA003, typ: ifd.Long, value: []byte{0, 0, 0xB, 0xB8}},
	}
	b.gp = []field{text(18, ifd.ASCII, "WGS-84   ")}
	tag := mustRead(t, b.photo())
	wantCodes(t, tag)
	if tag.Make != "Skerry Instruments" || tag.Model != "Päckli 3" || tag.Orientation != 6 || tag.Serial != "SK3-0042" || tag.MapDatum != "WGS-84" {
		t.Errorf("%+v", tag)
	}
	if tag.Width != 48 || tag.Height != 32 {
		t.Errorf("%d x %d: the frame header comes before what Exif says", tag.Width, tag.Height)
	}
	var got []string
	for name, text := range tag.Texts.All() {
		got = append(got, name+"="+text)
	}
	if want := []string{"ImageDescription=PV-017 bollard", "XPTitle=Poller Süd", "XPSubject=PV-018", "XPComment=see 018", "Keywords=PV-017", "Keywords=quay"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	for range tag.Texts.All() {
		break // an iterator must bear that
	}
}

func TestOrientation(t *testing.T) {
	for v, want := range map[uint16]int{0: 0, 1: 1, 8: 8, 9: 0, 65535: 0} {
		b := little()
		b.first = []field{{tag: 0x0112, typ: ifd.Short, value: b.short(v)}}
		tag := mustRead(t, b.photo())
		if tag.Orientation != want || (len(tag.Warnings) == 0) != (want != 0) {
			t.Errorf("%d: %d %v", v, tag.Orientation, tag.Warnings)
		}
	}
}

// Directories that lead astray, each with a warning and the rest of the tag.
func TestDirectories(t *testing.T) {
	whole := func() (*testBlock, []byte) {
		b := little().position("N", []uint32{52, 1, 0, 1, 0, 1}, "E", []uint32{4, 1, 0, 1, 0, 1})
		b.first = []field{{tag: 0x010F, typ: ifd.ASCII, value: b.ascii("Skerry Instruments")}}
		b.exif = []field{{tag: 0xA431, typ: ifd.ASCII, value: b.ascii("SK3-0042")}}
		return b, b.bytes()
	}
	// The entries of the first directory: make, Exif, GPS, at 10, 22 and 34;
	// then its pointer to the next, at 46.
	const exifValue, gpsValue, next = 22 + 8, 34 + 8, 46
	le := binary.LittleEndian
	for _, c := range []struct {
		name   string
		damage func(b []byte) []byte
		warn   []string
		serial bool
		gps    bool
	}{
		{"sound", func(b []byte) []byte { return b }, nil, true, true},
		{"next is itself", func(b []byte) []byte { le.PutUint32(b[next:], 8); return b }, []string{"corrupt Exif"}, true, true},
		{"next is outside", func(b []byte) []byte { le.PutUint32(b[next:], 1<<31); return b }, []string{"corrupt Exif"}, true, true},
		{"Exif is the first", func(b []byte) []byte { le.PutUint32(b[exifValue:], 8); return b }, []string{"corrupt ExifTag"}, false, true},
		{"GPS is the first", func(b []byte) []byte { le.PutUint32(b[gpsValue:], 8); return b }, []string{"corrupt GPSTag"}, true, false},
		{"GPS is Exif", func(b []byte) []byte { copy(b[gpsValue:gpsValue+4], b[exifValue:]); return b }, []string{"corrupt GPSTag"}, true, false},
		{"GPS is outside", func(b []byte) []byte { le.PutUint32(b[gpsValue:], math.MaxUint32); return b }, []string{"corrupt GPSTag"}, true, false},
		{"Exif is outside", func(b []byte) []byte { le.PutUint32(b[exifValue:], uint32(len(b))); return b }, []string{"corrupt ExifTag"}, false, true},
		{"Exif pointer of another type", func(b []byte) []byte { b[22+2] = ifd.Rational; return b }, []string{"wrong-type ExifTag"}, false, true},
		{"first is outside", func(b []byte) []byte { le.PutUint32(b[4:], math.MaxUint32); return b }, []string{"corrupt Exif"}, false, false},
		{"first has 65535 entries", func(b []byte) []byte { le.PutUint16(b[8:], 65535); return b }, []string{"corrupt Exif"}, false, false},
		{"no byte order", func(b []byte) []byte { b[0] = 'X'; return b }, []string{"corrupt Exif"}, false, false},
		{"not 42", func(b []byte) []byte { b[2] = 43; return b }, []string{"corrupt Exif"}, false, false},
		{"three bytes", func(b []byte) []byte { return b[:3] }, []string{"corrupt Exif"}, false, false},
		{"empty", func(b []byte) []byte { return nil }, []string{"corrupt Exif"}, false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, block := whole()
			tag := mustRead(t, splice(c.damage(block)))
			wantCodes(t, tag, c.warn...)
			if (tag.Serial != "") != c.serial || (tag.Position != nil) != c.gps {
				t.Errorf("%+v", tag)
			}
			if tag.Width != 48 {
				t.Error("the image's size is gone with the metadata")
			}
		})
	}
}
