package geotag

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"example.com/phototie/geotag/geotagtest"
)

// realPackets are the XMP packets in the files of the modules' test data that hold
// them as they are, not compressed.
func realPackets(tb testing.TB) [][]byte {
	tb.Helper()
	files := slices.Concat(geotagtest.All(tb), geotagtest.Photos(tb),
		geotagtest.Files(tb, "png", "webp", "tif", "tiff", "dng", "nef", "cr2", "arw", "pef", "heic", "heif", "avif"))
	var all [][]byte
	for _, s := range files {
		for raw := s.Raw; ; {
			start := bytes.Index(raw, []byte("<?xpacket begin"))
			end := bytes.Index(raw, []byte("<?xpacket end"))
			if start < 0 || end < start {
				break
			}
			all = append(all, raw[start:end+len(`<?xpacket end="w"?>`)])
			raw = raw[end+1:]
		}
	}
	return all
}

// sameTokens fails the test where the scanner says of a packet what encoding/xml
// does not, and reports whether it took the whole of it.
func sameTokens(t *testing.T, p []byte) bool {
	t.Helper()
	s := newXMPScanner(p)
	judge := xmlTokens(p, false)
	for {
		var got, want xmpToken
		err := s.next(&got)
		if err == errXMPUnusual {
			return false
		}
		if jerr := judge(&want); err != jerr {
			t.Fatalf("%v where encoding/xml says %v", err, jerr)
		}
		if err != nil {
			return true
		}
		if g, w := spelled(got), spelled(want); g != w {
			t.Fatalf("%s\nwhere encoding/xml has\n%s", g, w)
		}
	}
}

// samePacket fails the test where a packet says something else, or at another
// place, than with encoding/xml alone.
func samePacket(t *testing.T, p []byte) {
	t.Helper()
	for _, scan := range []bool{false, true} {
		x, err := walkXMP(p, scan)
		y, yerr := xmpProperties(xmlTokens(p, scan), p, scan)
		if fmt.Sprint(err) != fmt.Sprint(yerr) || !reflect.DeepEqual(x, y) {
			t.Fatalf("%+v %v; encoding/xml: %+v %v", x, err, y, yerr)
		}
	}
}

// spelled is what of a token is made use of.
func spelled(t xmpToken) string {
	name := func(n qName) string { return fmt.Sprintf("%q:%q", knownSpace([]byte(n.space)), n.local) }
	s := fmt.Sprintf("%d %q", t.kind, t.text)
	if t.kind != xmpText {
		s += name(t.name)
	}
	for _, a := range t.attrs {
		if knownSpace([]byte(a.name.space)) != "" {
			s += fmt.Sprintf(" %s=%q", name(a.name), a.value)
		}
	}
	return s
}

// TestXMPScannerOnRealPackets: real packets, whole and cut off, give the same
// properties and errors as with encoding/xml alone, and none of the whole ones
// needs it.
func TestXMPScannerOnRealPackets(t *testing.T) {
	packets := realPackets(t)
	if len(packets) < 20 {
		t.Fatalf("%d packets only", len(packets))
	}
	for i, whole := range packets {
		if !sameTokens(t, whole) {
			t.Errorf("packet %d is left to encoding/xml: %.300s", i, whole)
		}
		for n := len(whole); n > 0; n -= 1 + len(whole)/25 {
			p := whole[:n]
			sameTokens(t, p)
			samePacket(t, p)
		}
	}
}

// oddPackets are XML that is hardly met with: taken says whether the scanner takes it.
var oddPackets = map[string]bool{
	"":                  true,
	"text":              true,
	"<a>":               false,
	"</a>":              false,
	"<a></b>":           false,
	"<p:a></q:a>":       false,
	"<a></a >":          true,
	"<a></ a>":          false,
	"<a/><b/>":          true,
	"< a/>":             false,
	"<a/ >":             false,
	"<:a/>":             false,
	"<a:/>":             false,
	"<a:b:c/>":          false,
	"<1/>":              false,
	"<a:1/>":            true,
	"<é/>":              false,
	"<aé/>":             false,
	"<a b='1'c=\"2\"/>": true,
	"<a b = '1\"' />":   true,
	"<a b='1' b='2'/>":  true,
	"<a b/>":            false,
	"<a b=1/>":          false,
	"<a b='<'/>":        false,
	"<a b='>'/>":        true,
	"<a b=']]>'/>":      true,
	"<a>]]></a>":        false,
	"<a>]]&gt;</a>":     true,
	"<a>]</a>>":         true,
	"<a>&amp;&lt;&gt;&quot;&apos;&#65;&#x42;&#xe9;</a>": true,
	"<a>&#13;&#10;\r\n\r\r\n&#9;</a>":                   true,
	"<a b='\r\n\t&#xD;'/>":                              true,
	"<a>&#0;</a>":                                       false,
	"<a>&#xD800;</a>":                                   false,
	"<a>&#xFFFE;</a>":                                   false,
	"<a>&#1114112;</a>":                                 false,
	"<a>&#;</a>":                                        false,
	"<a>&#x;</a>":                                       false,
	"<a>&#X41;</a>":                                     false,
	"<a>&#+65;</a>":                                     false,
	"<a>&#6_5;</a>":                                     false,
	"<a>&65;</a>":                                       false,
	"<a>&amp</a>":                                       false,
	"<a>&Amp;</a>":                                      false,
	"<a>&</a>":                                          false,
	"<a>&;</a>":                                         false,
	"<a>&e;</a>":                                        false,
	"<a>é\U0001F4CD\u0085\x7f</a>":                      true,
	"<a>\xff</a>":                                       false,
	"<a>\xed\xa0\x80</a>":                               false,
	"<a>\uFFFE</a>":                                     false,
	"<a>\uFFFF</a>":                                     false,
	"<a>\uFFFD</a>":                                     true,
	"<a>\x00</a>":                                       false,
	"<a>\x0b</a>":                                       false,
	"<!-- a - b --><a/>":                                true,
	"<!----><a/>":                                       true,
	"<!--><a/>":                                         false,
	"<!-- a -- b --><a/>":                               false,
	"<!-- a --->":                                       false,
	"<!-- \x00\xff --><a/>":                             true,
	"<![CDATA[a]]>":                                     false,
	"<!DOCTYPE a><a/>":                                  false,
	"<?a?><a/>":                                         true,
	"<?a ?b?><a/>":                                      true,
	"<?a:b c?><a/>":                                     true,
	"<?aé?><a/>":                                        false,
	"<?a\xff?><a/>":                                     false,
	"<? a?><a/>":                                        false,
	"<?a><a/>":                                          false,
	"<?xml version='1.0'?><a/>":                         false,
	xmlDeclaration + "<a/>":                             true,
	"<a>" + xmlDeclaration + "</a>":                     true,
	`<xml:a xml:lang="de"/>`:                            true,
	`<xmlns:a xmlns:xmlns="` + nsDC + `" xmlns:b="1"/>`:                                       true,
	`<d:a xmlns:d="` + nsDC + `"><d:b xmlns:d="u" d:c="1"><d:e/></d:b><d:b/></d:a>`:           true,
	`<a d:b="1" xmlns:d="u" xmlns:d="` + nsDC + `"><d:c/></a>`:                                true,
	`<a xmlns="` + nsDC + `" b="1"><c/><d xmlns=""><e/></d><f/></a>`:                          true,
	`<a xmlns:d="http://purl.org/dc/elements/1.1&#x2F;"><d:b d:c="2"/></a>`:                   true,
	`<a xmlns:d="` + nsDC + `" d:b="&lt;1" d:c="&gt;2"/>`:                                     true,
	`<a xmlns:b="` + nsXML + `" b:lang="de"/>`:                                                true,
	"<a" + strings.Repeat(` b=""`, maxXMPAttributes) + "/>":                                   true,
	"<a" + strings.Repeat(` b=""`, maxXMPAttributes+1) + "/>":                                 false,
	strings.Repeat(`<a xmlns:b="">`, maxXMPSpaces) + strings.Repeat("</a>", maxXMPSpaces):     true,
	strings.Repeat(`<a xmlns:b="">`, maxXMPSpaces+1) + strings.Repeat("</a>", maxXMPSpaces+1): false,
}

// TestXMPScannerOnOddPackets: what is not plain is left to encoding/xml.
func TestXMPScannerOnOddPackets(t *testing.T) {
	for p, taken := range oddPackets {
		t.Run(fmt.Sprintf("%.60q", p), func(t *testing.T) {
			if got := sameTokens(t, []byte(p)); got != taken {
				t.Errorf("taken: %v", got)
			}
		})
	}
}

// FuzzXMPScanner: the scanner never says of any bytes what encoding/xml does not.
func FuzzXMPScanner(f *testing.F) {
	for _, p := range realPackets(f) {
		if len(p) < 8000 { // small seeds are worked on faster
			f.Add(p)
		}
	}
	for p := range oddPackets {
		if len(p) < 2000 {
			f.Add([]byte(p))
		}
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		before := bytes.Clone(p)
		sameTokens(t, p)
		samePacket(t, p)
		if !bytes.Equal(p, before) {
			t.Fatal("reading changed the packet")
		}
	})
}
