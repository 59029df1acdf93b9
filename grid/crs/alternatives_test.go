package crs

import (
	"context"
	"errors"
	"slices"
	"testing"

	"example.com/phototie/grid"
)

// What the EPSG registry has beside a grid (codes from the registry): the metres
// of a state plane in feet and the other foot, the zones beside, the same plane on
// other frames. A metre grid that has no twin in feet offers no foot.
func TestAlternatives(t *testing.T) {
	for _, tt := range []struct {
		code    string
		near    grid.LatLon
		want    []string // kind and code, or kind and unit
		not     []string
		noFeet  bool
		nothing bool
	}{
		// NAD83(2011) / North Carolina (ftUS): metres are 6542.
		{code: "EPSG:6543", near: grid.LatLon{Lat: 35.5, Lon: -80},
			want: []string{"unit EPSG:6542", "unit ft", "frame EPSG:2264"}, not: []string{"unit EPSG:6543"}},
		// NAD83 / Oregon North (ft): South is 2270; no US survey feet in the registry.
		{code: "EPSG:2269", near: grid.LatLon{Lat: 45.5, Lon: -122.6}, want: []string{"unit ftUS", "unit EPSG:32126", "zone EPSG:2270"}},
		{code: "EPSG:2157", near: grid.LatLon{Lat: 53.3, Lon: -6.3}, noFeet: true, nothing: true},
		{code: "EPSG:32629", near: grid.LatLon{Lat: 53.3, Lon: -6.3}, noFeet: true,
			want: []string{"zone EPSG:32630", "zone EPSG:32628", "frame EPSG:25829"}, not: []string{"zone EPSG:32631", "zone EPSG:32729", "frame EPSG:26929"}},
		{code: "EPSG:31467", near: grid.LatLon{Lat: 50, Lon: 9}, noFeet: true, want: []string{"zone EPSG:31466", "zone EPSG:31468"}},
		// JGD2011 / Japan Plane Rectangular CS IX: the same plane on JGD2000 is 2451.
		{code: "EPSG:6677", near: grid.LatLon{Lat: 35.7, Lon: 139.7}, noFeet: true, want: []string{"frame EPSG:2451", "zone EPSG:6676"}},
	} {
		c := open(t, tt.code)
		list, err := c.Alternatives(context.Background(), tt.near)
		if err != nil {
			t.Fatal(tt.code, err)
		}
		var got []string
		for _, a := range list {
			id := a.Definition
			if id == "" {
				id = a.Unit.Symbol
			}
			got = append(got, string(a.Kind)+" "+id)
			if a.Name == "" || a.Unit.Metres == 0 {
				t.Errorf("%s: %+v", tt.code, a)
			}
		}
		for _, w := range tt.want {
			if !slices.Contains(got, w) {
				t.Errorf("%s: %q lacks %q", tt.code, got, w)
			}
		}
		for _, w := range tt.not {
			if slices.Contains(got, w) {
				t.Errorf("%s: %q has %q", tt.code, got, w)
			}
		}
		if tt.nothing && len(got) != 0 {
			t.Errorf("%s: %q", tt.code, got)
		}
		units := grid.PlausibleUnits(c.Grid().Unit, list)
		if feet := slices.Contains(units, grid.Foot) || slices.Contains(units, grid.USSurveyFoot); feet == tt.noFeet {
			t.Errorf("%s: units %v", tt.code, units)
		}
		t.Log(tt.code, got)
	}
	if _, err := open(t, "EPSG:2157").Alternatives(context.Background(), grid.LatLon{Lat: 99}); !errors.Is(err, grid.ErrOutside) {
		t.Errorf("no place on earth: %v", err)
	}
}
