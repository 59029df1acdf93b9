package geotag

import (
	"bytes"
	"cmp"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// Namespaces of an XMP packet.
const (
	nsRDF    = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
	nsExif   = "http://ns.adobe.com/exif/1.0/" // XMP specification part 2
	nsExifEX = "http://cipa.jp/exif/1.0/"      // CIPA DC-010
	nsTerms  = "http://purl.org/dc/terms/"
)

// provenance is where C2PA leaves the address of a manifest outside the image
// (C2PA technical specification, "Embedding a reference to an external
// manifest"; from memory). The name is Dublin Core's and has other uses.
var provenance = xml.Name{Space: nsTerms, Local: "provenance"}

// xmpEdit is what an Edit makes of the position properties of a packet.
type xmpEdit struct {
	// set gives the new values of properties that stand in the packet.
	set map[string]string
	// drop lists the properties to be removed.
	drop []string
	// whole lists the properties that have to be there where one of anchors is,
	// so that no half of a position stays.
	whole, anchors []string
	// insert says that whole has to be there in any case.
	insert bool
}

// xmpFields is gpsFields for XMP.
func (e Edit) xmpFields(version [4]byte) xmpEdit {
	lat, lon := xmpCoordinate(e.Lat, "NS"), xmpCoordinate(e.Lon, "EW")
	if e.Meaning == CameraPosition {
		x := xmpEdit{set: map[string]string{"GPSDestLatitude": lat, "GPSDestLongitude": lon}}
		x.whole = []string{"GPSDestLatitude", "GPSDestLongitude"}
		if e.Bearing != nil {
			num, den := bearingRational(*e.Bearing)
			x.set["GPSDestBearingRef"], x.set["GPSDestBearing"] = "T", fmt.Sprintf("%d/%d", num, den)
			x.whole = append(x.whole, "GPSDestBearingRef", "GPSDestBearing")
		} else {
			x.drop = append(x.drop, "GPSDestBearingRef", "GPSDestBearing")
		}
		if e.Distance != nil {
			num, den, _ := kilometresRational(*e.Distance)
			x.set["GPSDestDistanceRef"], x.set["GPSDestDistance"] = "K", fmt.Sprintf("%d/%d", num, den)
			x.whole = append(x.whole, "GPSDestDistanceRef", "GPSDestDistance")
		} else {
			x.drop = append(x.drop, "GPSDestDistanceRef", "GPSDestDistance")
		}
		x.anchors = x.whole
		return x
	}
	num, den, _ := metresRational(e.HPositioningError)
	x := xmpEdit{
		set: map[string]string{
			"GPSLatitude": lat, "GPSLongitude": lon,
			// Not in the specification, but written by some.
			"GPSLatitudeRef": lat[len(lat)-1:], "GPSLongitudeRef": lon[len(lon)-1:],
			"GPSMapDatum":          e.datum(),
			"GPSProcessingMethod":  e.method(),
			"GPSHPositioningError": fmt.Sprintf("%d/%d", num, den),
			"GPSVersionID":         fmt.Sprintf("%d.%d.%d.%d", version[0], version[1], version[2], version[3]),
		},
		drop:    []string{"GPSSatellites", "GPSStatus", "GPSMeasureMode", "GPSDOP", "GPSDifferential"},
		whole:   []string{"GPSLatitude", "GPSLongitude"},
		anchors: []string{"GPSLatitude", "GPSLongitude"},
	}
	if !sameDatum(e.datum(), defaultDatum) {
		x.whole = append(x.whole, "GPSMapDatum")
	}
	return x
}

// names reports whether any property that the edit changes is named in text.
func (x xmpEdit) names(text []byte) bool {
	for name := range x.set {
		if bytes.Contains(text, []byte(name)) {
			return true
		}
	}
	return slices.ContainsFunc(x.drop, func(name string) bool { return bytes.Contains(text, []byte(name)) })
}

// xmpProperty is one simple property of a packet's resource, and where it stands.
type xmpProperty struct {
	prefix, name string
	value        string
	attribute    bool
	// off to end is the whole of it: the attribute with the space before it, or
	// the element from its start tag to its end tag.
	off, end int
	// inner to innerEnd is the value as written. Of an empty element tag they
	// are both end.
	inner, innerEnd int
	// space is where the white space before an element begins.
	space int
	// simple is false where the value is not plain text.
	simple bool
}

// xmpScan is what a packet holds of concern to a correction.
type xmpScan struct {
	properties []xmpProperty // those whose names start with GPS
	// provenance: there is a dcterms:provenance, which names a record elsewhere.
	provenance bool
	// pad to padEnd is the white space before the closing xpacket instruction,
	// which is there to be used up; both are 0 where there is none.
	pad, padEnd int
	// described is where the first rdf:Description of the resource starts, -1
	// where there is none, indent the white space before it, and about its
	// rdf:about as written.
	described     int
	indent, about string
	// rdf to rdfEnd is the end tag of rdf:RDF, or an empty element tag; rdfName is
	// its name as written. They are 0 and empty where there is none.
	rdf, rdfEnd int
	rdfName     string
}

// scanXMP finds the GPS properties of a packet, as attributes or elements of an
// rdf:Description directly under rdf:RDF. Those deeper down tell of something
// else: an ingredient, a former version.
func scanXMP(packet []byte) (*xmpScan, error) {
	body := bytes.TrimRight(packet, "\x00")
	if len(body) > xmpMaxSize {
		return nil, fmt.Errorf("a packet of %d bytes; %d are read at most", len(body), xmpMaxSize)
	}
	if err := xmpBounded(body); err != nil {
		return nil, err
	}
	dec := xml.NewDecoder(bytes.NewReader(body))
	scan := xmpScan{described: -1}
	var path []xml.Name
	var open *xmpProperty // the property element that the decoder is in
	var spaceOff, spaceEnd int
	// described reports whether the decoder is directly in an rdf:Description of
	// the packet's resource.
	described := func() bool {
		n := len(path)
		return n >= 2 && path[n-1] == xml.Name{Space: nsRDF, Local: "Description"} &&
			path[n-2] == xml.Name{Space: nsRDF, Local: "RDF"}
	}
	for {
		off := int(dec.InputOffset())
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return &scan, nil
		}
		if err != nil {
			return nil, err
		}
		end := int(dec.InputOffset())
		if len(scan.properties) > xmpMaxAgain {
			return nil, fmt.Errorf("more than %d GPS properties", xmpMaxAgain)
		}
		switch t := tok.(type) {
		case xml.StartElement:
			if len(path) == xmpMaxDepth {
				return nil, fmt.Errorf("elements nested more than %d deep", xmpMaxDepth)
			}
			if open != nil {
				open.simple = false
			}
			if described() && gpsName(t.Name) {
				raw := body[off:end]
				prefix, _, _ := strings.Cut(tagName(raw), ":")
				open = &xmpProperty{
					prefix: prefix, name: t.Name.Local, simple: true,
					off: off, inner: end, space: off,
				}
				if spaceEnd == off {
					open.space = spaceOff
				}
				for _, a := range t.Attr {
					// rdf:resource, rdf:parseType and the like make it something
					// else than text.
					if a.Name.Space == nsRDF {
						open.simple = false
					}
				}
				path = append(path, t.Name)
				continue
			}
			scan.provenance = scan.provenance || described() && t.Name == provenance
			path = append(path, t.Name)
			if (t.Name == xml.Name{Space: nsRDF, Local: "RDF"}) && scan.rdfName == "" {
				scan.rdf, scan.rdfEnd, scan.rdfName = off, end, tagName(body[off:end])
			}
			if described() && scan.described < 0 {
				scan.described = off
				if spaceEnd == off {
					scan.indent = string(body[spaceOff:spaceEnd])
				}
			}
			if described() {
				spans, err := attributes(body[off:end])
				if err != nil || len(spans) != len(t.Attr) {
					return nil, fmt.Errorf("the attributes at byte %d can't be told apart: %w", off, err)
				}
				for i, a := range t.Attr {
					scan.provenance = scan.provenance || a.Name == provenance
					if (a.Name == xml.Name{Space: nsRDF, Local: "about"}) && scan.described == off {
						scan.about = string(body[off+spans[i].inner : off+spans[i].innerEnd])
					}
					if !gpsName(a.Name) {
						continue
					}
					s := spans[i]
					prefix, _, _ := strings.Cut(s.name, ":")
					scan.properties = append(scan.properties, xmpProperty{
						prefix: prefix, name: a.Name.Local, value: a.Value, attribute: true, simple: true,
						off: off + s.off, end: off + s.end, inner: off + s.inner, innerEnd: off + s.innerEnd,
					})
				}
			}
		case xml.EndElement:
			path = path[:len(path)-1]
			if (t.Name == xml.Name{Space: nsRDF, Local: "RDF"}) && off < end && scan.rdf < off && !slices.Contains(path, t.Name) {
				scan.rdf, scan.rdfEnd = off, end
			}
			if open != nil && described() {
				open.innerEnd, open.end = off, end
				scan.properties = append(scan.properties, *open)
				open = nil
			}
		case xml.CharData:
			if open != nil {
				open.value += string(t)
			}
			if len(bytes.TrimSpace(t)) == 0 {
				spaceOff, spaceEnd = off, end
			}
		case xml.ProcInst:
			if t.Target == "xpacket" && len(path) == 0 && bytes.Contains(t.Inst, []byte("end=")) && spaceEnd == off {
				scan.pad, scan.padEnd = spaceOff, spaceEnd
			}
		}
	}
}

func gpsName(n xml.Name) bool {
	return (n.Space == nsExif || n.Space == nsExifEX) && strings.HasPrefix(n.Local, "GPS")
}

const xmlSpace = " \t\r\n"

// tagName returns the name in a start tag, with its prefix.
func tagName(tag []byte) string {
	name := strings.TrimPrefix(string(tag), "<")
	if i := strings.IndexAny(name, xmlSpace+"/>"); i >= 0 {
		name = name[:i]
	}
	return name
}

// attribute is where an attribute stands in its start tag; see xmpProperty.
type attribute struct {
	name            string
	off, end        int
	inner, innerEnd int
}

// attributes finds the attributes of a start tag that an XML decoder has found
// well-formed.
func attributes(tag []byte) ([]attribute, error) {
	var all []attribute
	at := 1 + len(tagName(tag))
	skip := func() {
		for at < len(tag) && strings.IndexByte(xmlSpace, tag[at]) >= 0 {
			at++
		}
	}
	for {
		a := attribute{off: at}
		skip()
		if at >= len(tag) {
			return nil, errors.New("a start tag without an end")
		}
		if tag[at] == '/' || tag[at] == '>' {
			return all, nil
		}
		n := bytes.IndexAny(tag[at:], xmlSpace+"=")
		if n <= 0 {
			return nil, errors.New("an attribute without a value")
		}
		a.name = string(tag[at : at+n])
		at += n
		skip()
		if at >= len(tag) || tag[at] != '=' {
			return nil, errors.New("an attribute without a value")
		}
		at++
		skip()
		if at >= len(tag) || tag[at] != '"' && tag[at] != '\'' {
			return nil, errors.New("an attribute without quotes")
		}
		quote := tag[at]
		a.inner = at + 1
		n = bytes.IndexByte(tag[a.inner:], quote)
		if n < 0 {
			return nil, errors.New("an attribute without its closing quote")
		}
		a.innerEnd = a.inner + n
		at = a.innerEnd + 1
		a.end = at
		all = append(all, a)
	}
}

// planXMP works out the change of a packet, as splices relative to its start.
// Only the bytes of the values concerned change. The packet keeps its length
// where its padding allows.
func planXMP(packet []byte, x xmpEdit) (splices []Splice, notes []string, err error) {
	scan, err := scanXMP(packet)
	if err != nil {
		// Not XML, or not in UTF-8. Without a position there is no harm in it.
		plain := bytes.ReplaceAll(packet, []byte{0}, nil) // UTF-16 without its high bytes
		if x.names(packet) || x.names(plain) {
			return nil, nil, fmt.Errorf("%w: the XMP packet names a position, but can't be read: %v", ErrCorrupt, err)
		}
		return nil, []string{fmt.Sprintf("the XMP packet can't be read and is left as it is: %v", err)}, nil
	}
	if scan.provenance {
		notes = append(notes, "XMP names a provenance record (dcterms:provenance); if that is bound to the image's bytes, the correction breaks it")
	}
	replace := func(off, end int, text string) {
		if string(packet[off:end]) != text {
			splices = append(splices, Splice{Off: int64(off), Old: bytes.Clone(packet[off:end]), New: []byte(text)})
		}
	}
	var anchor *xmpProperty
	here := map[string]bool{}
	for i := range scan.properties {
		p := &scan.properties[i]
		value, set := x.set[p.name]
		drop := slices.Contains(x.drop, p.name)
		if !set && !drop {
			continue
		}
		if !p.simple {
			return nil, nil, fmt.Errorf("%w: the XMP property %s:%s is not plain text", ErrUnsafe, p.prefix, p.name)
		}
		switch {
		case drop && p.attribute:
			replace(p.off, p.end, "")
		case drop:
			replace(p.space, p.end, "")
		case strings.TrimSpace(p.value) == value:
		case p.innerEnd == p.end: // an empty element tag
			tag := strings.TrimRight(strings.TrimSuffix(string(packet[p.off:p.end]), "/>"), xmlSpace)
			replace(p.off, p.end, tag+">"+escape(value)+"</"+p.prefix+":"+p.name+">")
		default:
			replace(p.inner, p.innerEnd, escape(value))
		}
		if set {
			here[p.name] = true
			if anchor == nil && slices.Contains(x.anchors, p.name) {
				anchor = p
			}
		}
	}
	if anchor != nil {
		var add strings.Builder
		for _, name := range x.whole {
			switch {
			case here[name]:
			case anchor.attribute:
				fmt.Fprintf(&add, ` %s:%s="%s"`, anchor.prefix, name, escape(x.set[name]))
			default:
				fmt.Fprintf(&add, "%s<%s:%s>%s</%[2]s:%[3]s>", packet[anchor.space:anchor.off], anchor.prefix, name, escape(x.set[name]))
			}
		}
		replace(anchor.end, anchor.end, add.String())
	} else if x.insert {
		off, end, text, err := scan.insertion(packet, x, here)
		if err != nil {
			return nil, nil, err
		}
		replace(off, end, text)
	}
	if len(splices) == 0 {
		return nil, notes, nil
	}
	// What is inserted where something else is taken away comes first.
	slices.SortStableFunc(splices, func(a, b Splice) int {
		return cmp.Or(cmp.Compare(a.Off, b.Off), cmp.Compare(len(a.Old), len(b.Old)))
	})
	if s, ok := pad(packet, scan, growth(splices)); ok {
		splices = append(splices, s)
	}
	return splices, notes, nil
}

// insertion works out where a packet takes up properties that it has none of, and
// the text with those of whole that are not here: an rdf:Description of their
// own, of the same resource, before those that there are.
func (s *xmpScan) insertion(packet []byte, x xmpEdit, here map[string]bool) (off, end int, text string, err error) {
	if s.rdfName == "" {
		return 0, 0, "", fmt.Errorf("%w: the packet describes nothing: it has no rdf:RDF", ErrCorrupt)
	}
	var b strings.Builder
	// The prefix rdf is declared again, in case the packet has another.
	fmt.Fprintf(&b, `<rdf:Description xmlns:rdf="%s" rdf:about="%s" xmlns:exif="%s"`, nsRDF, s.about, nsExif)
	for _, name := range x.whole {
		if !here[name] {
			fmt.Fprintf(&b, ` exif:%s="%s"`, name, escape(x.set[name]))
		}
	}
	b.WriteString("/>")
	switch {
	case s.described >= 0:
		return s.described, s.described, b.String() + s.indent, nil
	case packet[s.rdf+1] == '/':
		return s.rdf, s.rdf, b.String(), nil
	}
	tag := string(packet[s.rdf:s.rdfEnd])
	return s.rdf, s.rdfEnd, strings.TrimRight(strings.TrimSuffix(tag, "/>"), xmlSpace) + ">" + b.String() + "</" + s.rdfName + ">", nil
}

// growth is by how much splices lengthen what they change.
func growth(splices []Splice) int {
	n := 0
	for _, s := range splices {
		n += len(s.New) - len(s.Old)
	}
	return n
}

// pad is the change of a packet's padding that makes up for n bytes more (or
// less) before it. The last byte of the padding, mostly a line's end, stays.
func pad(packet []byte, scan *xmpScan, n int) (Splice, bool) {
	end := scan.padEnd - 1
	if n == 0 || end < scan.pad || n > end-scan.pad {
		return Splice{}, false
	}
	if n < 0 {
		return Splice{Off: int64(end), New: bytes.Repeat([]byte{' '}, -n)}, true
	}
	return Splice{Off: int64(end - n), Old: bytes.Clone(packet[end-n : end])}, true
}

// escape writes printable ASCII as XML text that may also stand in quotes.
func escape(s string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;", "'", "&apos;").Replace(s)
}
