package geotag_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"log"
	"time"

	"example.com/phototie/geotag"
)

// header returns the header of a photo whose only metadata is an XMP packet.
func header(packet string) []byte {
	payload := "http://ns.adobe.com/xap/1.0/\x00" + packet
	img := []byte{0xFF, 0xD8, 0xFF, 0xE1}
	img = binary.BigEndian.AppendUint16(img, uint16(len(payload)+2))
	return append(append(img, payload...), 0xFF, 0xD9)
}

// What a photo says, and what it says that can't be believed.
func ExampleRead() {
	img := header(`<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
		<rdf:Description xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:dc="http://purl.org/dc/elements/1.1/"
			exif:GPSLatitude="53,20.5027N" exif:GPSLongitude="6,15.0239W"
			exif:GPSTimeStamp="2024-06-13T13:03:42Z" exif:GPSImgDirection="118/1">
			<dc:subject><rdf:Bag><rdf:li>B-07</rdf:li></rdf:Bag></dc:subject>
		</rdf:Description></rdf:RDF>`)
	tag, err := geotag.Read(bytes.NewReader(img), int64(len(img)))
	if err != nil {
		log.Fatal(err)
	}
	p := tag.Position
	fmt.Printf("%.6f %.6f from %s, in steps of %.0e degrees\n", p.Lat, p.Lon, p.Source, p.Step)
	fmt.Println(tag.GPSTime.Format(time.RFC3339))
	for field, text := range tag.Texts.All() {
		fmt.Println(field, text)
	}
	for _, w := range tag.Warnings {
		fmt.Println(w)
	}
	// Output:
	// 53.341712 -6.250398 from xmp, in steps of 2e-06 degrees
	// 2024-06-13T13:03:42Z
	// Keywords B-07
	// missing-reference: exif:GPSImgDirectionRef: there is no reference, so that whether true or magnetic north is meant is unknown
}

// A position that no receiver can have computed is no position.
func ExampleReadBytes() {
	for _, place := range []string{
		`exif:GPSLatitude="53,75.1N" exif:GPSLongitude="6,15.0W"`,
		`exif:GPSLatitude="0,0.0N" exif:GPSLongitude="0,0.0E"`,
	} {
		tag, err := geotag.ReadBytes(header(`<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
			<rdf:Description xmlns:exif="http://ns.adobe.com/exif/1.0/" ` + place + `/></rdf:RDF>`))
		if err != nil {
			log.Fatal(err)
		}
		fmt.Println(tag.Position == nil, tag.Warnings[0].Code)
	}
	// Output:
	// true out-of-range
	// true null-island
}
