package geotag

import (
	"encoding/binary"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/geotag/internal/ifd"
)

// packet wraps the body of an rdf:RDF element as XMP specification part 1
// lays it out, with the padding of part 3.
func packet(body string) string {
	return "<?xpacket begin=\"\uFEFF\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n" +
		`<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="` + nsRDF + `">` + body + "</rdf:RDF></x:xmpmeta>" +
		strings.Repeat(" ", 2000) + `<?xpacket end="w"?>`
}

func description(attrs, body string) string {
	return `<rdf:Description rdf:about="" xmlns:exif="` + nsExif + `" xmlns:dc="` + nsDC + `" ` + attrs + `>` + body + `</rdf:Description>`
}

func withXMP(img []byte, p string) []byte {
	return geotagtest.Insert(img, markerAPP1, append([]byte(xmpSignature), p...))
}

// The forms of a coordinate: XMP specification part 2, GPSCoordinate; decimals
// are common practice, no source.
func TestXMPPosition(t *testing.T) {
	for _, c := range []struct {
		name             string
		lat, lon, more   string
		wantLat, wantLon float64
		step             float64
		warn             []string
		none             bool
	}{
		{name: "seconds", lat: "59,19,57N", lon: "18,3,54E", wantLat: 59 + 19/60. + 57/3600., wantLon: 18 + 3/60. + 54/3600., step: 1 / 3600.},
		{name: "decimal minutes", lat: "59,19.9528N", lon: "18,3.8965E", wantLat: 59 + 19.9528/60, wantLon: 18 + 3.8965/60, step: 1e-4 / 60},
		{name: "south and west", lat: "59,19.9528S", lon: "18,3.8965W", wantLat: -59 - 19.9528/60, wantLon: -18 - 3.8965/60, step: 1e-4 / 60},
		{name: "decimal seconds", lat: "59,19,57.17N", lon: "18,3,53.79E", wantLat: 59 + 19/60. + 57.17/3600, wantLon: 18 + 3/60. + 53.79/3600, step: 0.01 / 3600},
		{name: "coarser of two", lat: "59,19N", lon: "18,3.8965E", wantLat: 59 + 19/60., wantLon: 18 + 3.8965/60, step: 1 / 60.},
		{name: "decimal degrees with letters", lat: "59.5N", lon: "18.25 W", wantLat: 59.5, wantLon: -18.25, step: 0.1,
			warn: []string{"wrong-type exif:GPSLatitude", "wrong-type exif:GPSLongitude"}},
		{name: "signed decimals", lat: "59.55", lon: "-18.25", wantLat: 59.55, wantLon: -18.25, step: 0.01,
			warn: []string{"wrong-type exif:GPSLatitude", "wrong-type exif:GPSLongitude"}},
		{name: "decimals with references", lat: "59.55", lon: "18.25", more: ` exif:GPSLatitudeRef="S" exif:GPSLongitudeRef="W"`, wantLat: -59.55, wantLon: -18.25, step: 0.01,
			warn: []string{"wrong-type exif:GPSLatitude", "wrong-type exif:GPSLongitude"}},
		{name: "bare decimals", lat: "59.55", lon: "18.25", none: true,
			warn: []string{"wrong-type exif:GPSLatitude", "wrong-type exif:GPSLongitude", "missing-reference exif:GPSLatitude", "missing-reference exif:GPSLongitude"}},
		{name: "no letter", lat: "59,19.9528", lon: "18,3.8965E", none: true, warn: []string{"missing-reference exif:GPSLatitude"}},
		{name: "wrong letter", lat: "59,19.9528E", lon: "18,3.8965E", none: true, warn: []string{"bad-reference exif:GPSLatitude"}},
		{name: "91 degrees", lat: "91,0.0N", lon: "18,3.8965E", none: true, warn: []string{"out-of-range exif:GPSLatitude"}},
		{name: "just beyond", lat: "90,0.01N", lon: "18,3.8965E", none: true, warn: []string{"out-of-range exif:GPSLatitude"}},
		{name: "minutes of 75", lat: "59,75.0N", lon: "18,3.8965E", none: true, warn: []string{"out-of-range exif:GPSLatitude"}},
		{name: "two fractions", lat: "59.5,30.0N", lon: "18,3.8965E", none: true, warn: []string{"ambiguous exif:GPSLatitude"}},
		{name: "comma as decimal point", lat: "59,19,9528,1N", lon: "18,3.8965E", none: true, warn: []string{"wrong-type exif:GPSLatitude"}},
		{name: "null island", lat: "0,0.0N", lon: "0,0.0E", none: true, warn: []string{"null-island exif:GPSLatitude"}},
		{name: "words", lat: "northN", lon: "18,3.8965E", none: true, warn: []string{"wrong-type exif:GPSLatitude"}},
		{name: "exponent", lat: "5e1N", lon: "18,3.8965E", none: true, warn: []string{"wrong-type exif:GPSLatitude"}},
		{name: "hexadecimal", lat: "0x10N", lon: "18,3.8965E", none: true, warn: []string{"wrong-type exif:GPSLatitude"}},
		{name: "empty", lat: "", lon: "18,3.8965E", none: true, warn: []string{"incomplete exif:GPSLatitude"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			attributes := description(`exif:GPSLatitude="`+c.lat+`" exif:GPSLongitude="`+c.lon+`"`+c.more, "")
			elements := description(c.more, "<exif:GPSLatitude> "+c.lat+"\n</exif:GPSLatitude><exif:GPSLongitude>"+c.lon+"</exif:GPSLongitude>")
			for _, body := range []string{attributes, elements} {
				tag := mustRead(t, withXMP(geotagtest.Plain(), packet(body)))
				wantCodes(t, tag, c.warn...)
				if c.none {
					if tag.Position != nil || tag.XMPPosition != nil {
						t.Errorf("a position, %+v, of nonsense", tag.XMPPosition)
					}
					continue
				}
				p := tag.XMPPosition
				if p == nil || tag.Position == nil {
					t.Fatal("no position")
				}
				if !near(p.Lat, c.wantLat, 1e-12) || !near(p.Lon, c.wantLon, 1e-12) || !near(p.Step, c.step, 1e-15) {
					t.Errorf("%+v, want %v %v %v", *p, c.wantLat, c.wantLon, c.step)
				}
				if *tag.Position != *p || p.Source != SourceXMP {
					t.Errorf("%+v is not %+v", *tag.Position, *p)
				}
			}
		})
	}
}

// Where only one coordinate is there.
func TestXMPIncomplete(t *testing.T) {
	for attr, warn := range map[string]string{`exif:GPSLatitude="59,19N"`: "incomplete exif:GPSLongitude", `exif:GPSLongitude="18,3E"`: "incomplete exif:GPSLatitude"} {
		tag := mustRead(t, withXMP(geotagtest.Plain(), packet(description(attr, ""))))
		wantCodes(t, tag, warn)
	}
}

const xmpPlace = `exif:GPSLatitude="59,19.9528N" exif:GPSLongitude="18,3.8965E"`

// The Exif position comes first, and a contradiction is noticed as soon as it
// is larger than both steps together.
func TestConflict(t *testing.T) {
	for _, c := range []struct {
		name     string
		lat, lon []uint32
		conflict bool
	}{
		// 19' 57.168" is 19.9528'; XMP's step is 0.0001' = 0.006".
		{"the same", []uint32{59, 1, 19, 1, 57168, 1000}, []uint32{18, 1, 3, 1, 53790, 1000}, false},
		{"within the steps", []uint32{59, 1, 19, 1, 57174, 1000}, []uint32{18, 1, 3, 1, 53790, 1000}, false},
		{"beyond the steps", []uint32{59, 1, 19, 1, 57176, 1000}, []uint32{18, 1, 3, 1, 53790, 1000}, true},
		{"beyond, in longitude", []uint32{59, 1, 19, 1, 57168, 1000}, []uint32{18, 1, 3, 1, 53799, 1000}, true},
		{"coarse Exif", []uint32{59, 1, 19, 1, 57, 1}, []uint32{18, 1, 3, 1, 53, 1}, false},
		{"far away", []uint32{9, 1, 19, 1, 57, 1}, []uint32{18, 1, 3, 1, 53, 1}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			img := withXMP(little().position("N", c.lat, "E", c.lon).photo(), packet(description(xmpPlace, "")))
			tag := mustRead(t, img)
			if got := slices.Contains(codes(tag), "exif-xmp-conflict exif:GPSLatitude"); got != c.conflict || len(tag.Warnings) > 1 {
				t.Errorf("%v", tag.Warnings)
			}
			if tag.Position == nil || tag.Position.Source != SourceExif || tag.XMPPosition == nil || tag.XMPPosition.Source != SourceXMP {
				t.Errorf("%+v %+v", tag.Position, tag.XMPPosition)
			}
		})
	}
	// The antimeridian is no contradiction.
	img := withXMP(little().position("N", []uint32{10, 1, 0, 1, 0, 1}, "W", []uint32{180, 1, 0, 1, 0, 1}).photo(),
		packet(description(`exif:GPSLatitude="10,0.0N" exif:GPSLongitude="179,59.9999E"`, "")))
	wantCodes(t, mustRead(t, img))
}

// Where the Exif position is nonsense the XMP one stands in, with what goes
// with it; what Exif does state stays.
func TestXMPStandsIn(t *testing.T) {
	b := little().position("N", []uint32{0, 0, 0, 0, 0, 0}, "E", []uint32{0, 0, 0, 0, 0, 0})
	b.gp = append(b.gp, field{tag: 18, typ: ifd.ASCII, value: b.ascii("ETRS89")})
	img := withXMP(b.photo(), packet(description(xmpPlace+
		` exif:GPSAltitude="2915/100" exif:GPSAltitudeRef="1" exif:GPSTimeStamp="2024-06-13T14:03:42.5+01:00" exif:GPSMapDatum="WGS-84"`+
		` exif:GPSHPositioningError="475/100" exif:GPSDOP="12/10" exif:GPSProcessingMethod="GPS" exif:GPSImgDirection="905/10" exif:GPSImgDirectionRef="M"`, "")))
	tag := mustRead(t, img)
	wantCodes(t, tag, "zero-denominator GPSLatitude", "zero-denominator GPSLongitude")
	if tag.Position == nil || tag.Position.Source != SourceXMP {
		t.Fatalf("%+v", tag.Position)
	}
	if tag.MapDatum != "ETRS89" {
		t.Errorf("map datum %q", tag.MapDatum)
	}
	if tag.Altitude == nil || *tag.Altitude != (Altitude{-29.15, AltitudeAmbiguous}) {
		t.Errorf("%+v", tag.Altitude)
	}
	if tag.HPositioningError == nil || *tag.HPositioningError != 4.75 || tag.DOP == nil || *tag.DOP != 1.2 || tag.ProcessingMethod != "GPS" {
		t.Errorf("%+v", tag)
	}
	if tag.Direction == nil || *tag.Direction != (Direction{90.5, true}) {
		t.Errorf("%+v", tag.Direction)
	}
	if want := time.Date(2024, 6, 13, 13, 3, 42, 500e6, time.UTC); tag.GPSTime == nil || *tag.GPSTime != want {
		t.Errorf("%v", tag.GPSTime)
	}

	// Nonsense in what goes with it.
	img = withXMP(geotagtest.Plain(), packet(description(xmpPlace+
		` exif:GPSAltitude="29/0" exif:GPSAltitudeRef="0" exif:GPSTimeStamp="2024-06-13T14:03:42" exif:GPSHPositioningError="x" exif:GPSDOP="-1" exif:GPSImgDirection="90"`, "")))
	tag = mustRead(t, img)
	wantCodes(t, tag, "zero-denominator exif:GPSAltitude", "wrong-type exif:GPSHPositioningError", "wrong-type exif:GPSDOP",
		"missing-reference exif:GPSImgDirectionRef", "out-of-range exif:GPSTimeStamp")
	if tag.Altitude != nil || tag.HPositioningError != nil || tag.DOP != nil || tag.GPSTime != nil || tag.Direction != nil {
		t.Errorf("%+v", tag)
	}
	if tag.Position == nil {
		t.Error("the position itself is sound")
	}
}

func TestXMPTexts(t *testing.T) {
	body := description("", `
		<dc:subject><rdf:Bag><rdf:li>PV-017</rdf:li><rdf:li> quay </rdf:li><rdf:li>PV-017</rdf:li></rdf:Bag></dc:subject>
		<dc:title><rdf:Alt><rdf:li xml:lang="de">Poller</rdf:li><rdf:li xml:lang="x-default">Bollard &amp; ladder</rdf:li></rdf:Alt></dc:title>
		<dc:description><rdf:Alt><rdf:li>first</rdf:li><rdf:li xml:lang="en">second</rdf:li></rdf:Alt></dc:description>`)
	tag := mustRead(t, withXMP(geotagtest.Plain(), packet(body)))
	wantCodes(t, tag)
	if x := tag.Texts; !slices.Equal(x.Keywords, []string{"PV-017", "quay"}) || x.XMPTitle != "Bollard & ladder" || x.XMPDescription != "first" {
		t.Errorf("%+v", x)
	}
	// As attributes and plain elements, which is not how they should be.
	tag = mustRead(t, withXMP(geotagtest.Plain(), packet(description(`dc:title="PV-018"`, "<dc:subject>PV-019</dc:subject>"))))
	if x := tag.Texts; !slices.Equal(x.Keywords, []string{"PV-019"}) || x.XMPTitle != "PV-018" {
		t.Errorf("%+v", x)
	}
}

// What is no position of the photo, and what can't be read.
func TestXMPStructure(t *testing.T) {
	const place = `<exif:GPSLatitude>59,19.9528N</exif:GPSLatitude><exif:GPSLongitude>18,3.8965E</exif:GPSLongitude>`
	deep := strings.Repeat("<a>", 100) + strings.Repeat("</a>", 100)
	for _, c := range []struct {
		name   string
		packet string
		has    bool
		warn   []string
	}{
		{"no wrapper", `<rdf:RDF xmlns:rdf="` + nsRDF + `">` + description(xmpPlace, "") + `</rdf:RDF>`, true, nil},
		{"byte order mark", "\uFEFF" + packet(description(xmpPlace, "")), true, nil},
		{"padded with zeros", packet(description(xmpPlace, "")) + "\x00\x00", true, nil},
		{"other prefixes", packet(`<rdf:Description xmlns:q="` + nsExif + `" q:GPSLatitude="59,19.9528N" q:GPSLongitude="18,3.8965E"/>`), true, nil},
		{"default namespace", packet(`<Description xmlns="` + nsRDF + `"><GPSLatitude xmlns="` + nsExif + `">59,19.9528N</GPSLatitude><GPSLongitude xmlns="` + nsExif + `">18,3.8965E</GPSLongitude></Description>`), true, nil},
		{"spread over two descriptions", packet(description(`exif:GPSLatitude="59,19.9528N"`, "") + description(`exif:GPSLongitude="18,3.8965E"`, "")), true, nil},
		{"comment and CDATA", packet(description("", `<exif:GPSLatitude><!-- x -->59,<![CDATA[19.9528N]]></exif:GPSLatitude><exif:GPSLongitude>18,3.8965&#69;</exif:GPSLongitude>`)), true, nil},
		{"twice", packet(description(xmpPlace, "") + description(`exif:GPSLatitude="1,2.0N"`, "")), true, []string{"duplicate exif:GPSLatitude"}},
		{"declared UTF-8", `<?xml version="1.0" encoding="UTF-8"?>` + `<rdf:RDF xmlns:rdf="` + nsRDF + `">` + description(xmpPlace, "") + `</rdf:RDF>`, true, nil},

		{"a place the photo mentions", packet(description(`xmlns:i="http://iptc.org/std/Iptc4xmpExt/2008-02-29/"`,
			`<i:LocationShown><rdf:Bag><rdf:li><rdf:Description>`+place+`</rdf:Description></rdf:li></rdf:Bag></i:LocationShown>`)), false, nil},
		{"a structure", packet(description(`xmlns:i="x"`, `<i:s rdf:parseType="Resource">`+place+`</i:s>`)), false, nil},
		{"another namespace", packet(`<rdf:Description xmlns:exif="urn:x" ` + xmpPlace + `/>`), false, nil},
		{"outside RDF", `<x xmlns:exif="` + nsExif + `" ` + xmpPlace + `/>`, false, nil},

		{"Latin-1", `<?xml version="1.0" encoding="ISO-8859-1"?>` + packet(description(xmpPlace, ""))[len("<?xpacket begin=\"\uFEFF\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n"):], false, []string{"corrupt XMP"}},
		{"not closed", packet(description(xmpPlace, ""))[:330], false, []string{"corrupt XMP"}},
		{"no XML", "GPSLatitude, that is", false, nil},
		{"mismatched", packet("<rdf:Description " + xmpPlace + "></GPS>"), false, []string{"corrupt XMP"}},
		{"not UTF-8", packet(description(xmpPlace, "\xFF")), false, []string{"corrupt XMP"}},
		{"an entity of its own", `<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>` + packet(description(`dc:title="&e;"`, "")), false, []string{"corrupt XMP"}},
		{"a document type", `<!DOCTYPE x>` + packet(description(xmpPlace, "")), false, []string{"corrupt XMP"}},
		{"an unknown entity", packet(description(`dc:title="&e;"`, "")), false, []string{"corrupt XMP"}},
		{"too deep", packet(description(xmpPlace, deep)), false, []string{"corrupt XMP"}},
		{"nothing of interest, badly formed", packet("<rdf:Description></x>"), false, nil},
		{"empty", "", false, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			tag := mustRead(t, withXMP(geotagtest.Plain(), c.packet))
			wantCodes(t, tag, c.warn...)
			if (tag.XMPPosition != nil) != c.has {
				t.Errorf("position %+v", tag.XMPPosition)
			}
			if c.has && !near(tag.XMPPosition.Lat, 59.33254666666667, 1e-12) {
				t.Errorf("latitude %v", tag.XMPPosition.Lat)
			}
		})
	}
}

// UTF-16, which XMP specification part 3 forbids in a JPEG.
func TestXMPUTF16(t *testing.T) {
	for _, order := range []binary.AppendByteOrder{binary.BigEndian, binary.LittleEndian} {
		for _, mark := range []string{"", "\uFEFF"} {
			p := string(utf16Bytes(order, mark+`<?xml version="1.0" encoding="UTF-16"?><rdf:RDF xmlns:rdf="`+nsRDF+`">`+description(xmpPlace, "")+`</rdf:RDF>`))
			tag := mustRead(t, withXMP(geotagtest.Plain(), p))
			wantCodes(t, tag, "charset XMP")
			if tag.XMPPosition == nil {
				t.Errorf("%v %q: no position", order, mark)
			}
		}
	}
	tag := mustRead(t, withXMP(geotagtest.Plain(), "\xFF\xFE<\x00x"))
	wantCodes(t, tag, "charset XMP", "corrupt XMP")
}

// A rational as XMP writes it.
func TestParseXMPNumber(t *testing.T) {
	for s, want := range map[string]float64{"29/1": 29, "2915/100": 29.15, "29.15": 29.15, "0/1": 0, ".": math.NaN(), "": math.NaN(), "1/": math.NaN(),
		"/1": math.NaN(), "-1/2": math.NaN(), "1/2/3": math.NaN(), "1e9": math.NaN(), "NaN": math.NaN(), "Inf": math.NaN(), "5/0": math.Inf(1), "0/0": math.Inf(1)} {
		v, zero, ok := parseXMPNumber(s)
		switch {
		case math.IsNaN(want):
			if ok {
				t.Errorf("%q: %v", s, v)
			}
		case math.IsInf(want, 1):
			if !ok || !zero {
				t.Errorf("%q: %v %v", s, v, zero)
			}
		case !ok || zero || v != want:
			t.Errorf("%q: %v %v %v, want %v", s, v, zero, ok, want)
		}
	}
}
