package crs

import (
	"errors"
	"strings"
	"testing"
)

// TestDefinitionIsBounded: definitions that nest, repeat themselves or are too long
// are refused, with an error that does not repeat them, and do not exhaust PROJ's
// parsers, which call themselves.
func TestDefinitionIsBounded(t *testing.T) {
	for name, text := range map[string]string{
		"nested WKT":      strings.Repeat(`PROJCS["x",`, maxDefinition),
		"nested nodes":    strings.Repeat(`GEOGCS[`, maxDefinition),
		"wide WKT":        `PROJCS["x"` + strings.Repeat(`,PARAMETER["a",1]`, maxDefinition) + "]",
		"long name":       `PROJCS["` + strings.Repeat(`a`, maxDefinition) + `"]`,
		"parameters":      "+proj=nosuch " + strings.Repeat("+a=1 ", maxDefinition),
		"pipeline":        "+proj=pipeline " + strings.Repeat("+step +proj=tmerc ", maxDefinition),
		"nested JSON":     strings.Repeat(`{"a":`, maxDefinition),
		"nested arrays":   `{"type":"ProjectedCRS","a":` + strings.Repeat(`[`, maxDefinition),
		"bound to bound":  strings.Repeat(`{"type":"BoundCRS","source_crs":`, maxDefinition),
		"name":            strings.Repeat("a", maxDefinition+1),
		"code":            "EPSG:" + strings.Repeat("1", maxDefinition),
		"compound":        "EPSG:2157" + strings.Repeat("+EPSG:5731", maxDefinition),
		"URN of many":     "urn:ogc:def:crs" + strings.Repeat(",crs:EPSG::2157", maxDefinition),
		"vertical of URN": "urn:ogc:def:crs,crs:EPSG::2157" + strings.Repeat(",crs:EPSG::5731", maxDefinition),
	} {
		for _, d := range []string{text, text[:min(len(text), maxDefinition)]} {
			c, err := Open(d)
			var de *DefinitionError
			if err == nil || c != nil || !errors.As(err, &de) || len(err.Error()) > 2000 {
				t.Errorf("%s of %d bytes: %.200v (%T)", name, len(d), err, err)
			}
			if long := len(d) > maxDefinition; long && (err == nil || !strings.Contains(err.Error(), "more than 65536 are not read")) {
				t.Errorf("%s of %d bytes: %.200v", name, len(d), err)
			}
		}
	}
}
