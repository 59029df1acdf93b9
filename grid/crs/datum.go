package crs

import (
	"strings"
	"unicode"
)

// broadcast is the normalised name of the frame that GNSS receivers report in.
const broadcast = "WGS84"

// datumCodes gives the geographic CRS for names of datums as cameras and
// handhelds write them into GPSMapDatum, normalised. Names that EPSG itself
// uses need no entry. Codes: EPSG geodetic registry.
var datumCodes = map[string]string{
	"WGS72": "EPSG:4322",
	"NAD27": "EPSG:4267", "NAD1927": "EPSG:4267", "NORTHAMERICAN1927": "EPSG:4267", "NORTHAMERICANDATUM1927": "EPSG:4267",
	"NAD83": "EPSG:4269", "NAD1983": "EPSG:4269", "NORTHAMERICAN1983": "EPSG:4269", "NORTHAMERICANDATUM1983": "EPSG:4269",
	"ED50": "EPSG:4230", "EUROPEAN1950": "EPSG:4230", "EUROPEANDATUM1950": "EPSG:4230",
	"ETRS89": "EPSG:4258", "ETRS1989": "EPSG:4258",
	"OSGB36": "EPSG:4277", "OSGB1936": "EPSG:4277", "ORDNANCESURVEY1936": "EPSG:4277",
	"GDA94": "EPSG:4283", "GDA1994": "EPSG:4283", "GDA2020": "EPSG:7844",
	"TOKYO": "EPSG:4301", "TOKYODATUM": "EPSG:4301", "JGD2000": "EPSG:4612", "JGD2011": "EPSG:6668",
	"PZ90": "EPSG:4740", "PZ90.02": "EPSG:9474", "PZ90.11": "EPSG:9475",
	"CGCS2000": "EPSG:4490", "CHINAGEODETICSYSTEM2000": "EPSG:4490",
	"PULKOVO1942": "EPSG:4284", "SK42": "EPSG:4284", "SIRGAS2000": "EPSG:4674", "NZGD2000": "EPSG:4167",
}

// broadcastNames are the normalised ways to write WGS 84 without a realisation.
var broadcastNames = map[string]bool{
	"": true, broadcast: true, "WGS1984": true, "DWGS1984": true, "GCSWGS1984": true,
	"WORLDGEODETICSYSTEM1984": true, "WORLDGEODETICSYSTEM84": true,
	"EPSG:4326": true, "EPSG:4979": true,
}

// normaliseDatum brings a datum name into the form that the tables use: capital
// letters and digits, with the signs that tell names apart: PZ-90.11, CH1903+,
// EPSG:4258. Everything else (spaces, hyphens, underscores,
// brackets, the zero bytes that pad Exif text) goes. The ways to write WGS 84
// all come out as "WGS84".
func normaliseDatum(name string) string {
	var b strings.Builder
	for _, r := range name {
		if r == '.' || r == ':' || r == '+' || unicode.IsLetter(r) || unicode.IsDigit(r) {
			b.WriteRune(unicode.ToUpper(r))
		}
	}
	key := b.String()
	if broadcastNames[key] {
		// Text of nothing but signs is not the same as no text.
		if text := unpadded(name); key == "" && text != "" {
			return strings.ToUpper(text)
		}
		return broadcast
	}
	return key
}

// unpadded is a datum name without the blanks and zero bytes that pad Exif text.
func unpadded(name string) string { return strings.Trim(name, " \t\r\n\x00") }

// maxDatumName is longer than any name in the registry.
const maxDatumName = 100

// datumCode finds the code of the geographic CRS of a datum name; empty where
// there is none, or more than one.
func (r *registry) datumCode(name string) string {
	key := normaliseDatum(name)
	if code, ok := datumCodes[key]; ok {
		return code
	}
	if number, ok := strings.CutPrefix(key, "EPSG:"); ok {
		if isNumber(number) && len(number) < 10 {
			return key
		}
		return ""
	}
	if len(key) < 3 || len(key) > maxDatumName {
		return ""
	}
	code := ""
	text := unpadded(name)
	if strings.ContainsRune(text, 0) {
		return ""
	}
	for _, o := range r.similar(text) {
		if c := o.code(); c != "" && normaliseDatum(o.name()) == key {
			if code != "" {
				return ""
			}
			code = c
		}
	}
	return code
}
