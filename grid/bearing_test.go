package grid

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestBearingText(t *testing.T) {
	tests := []struct {
		deg      float64
		decimals int
		dms      string
		quadrant string
	}{
		// Plane bearing of Flinders Peak to Buninyong, ICSM, GDA94 Technical
		// Manual, worked example (from memory).
		{305 + 17/60. + 21.18/3600, 2, `305°17'21.18"`, `N 54°42'38.82" W`},
		{0, 0, `0°00'00"`, `N 0°00'00" E`},
		{90, 1, `90°00'00.0"`, `N 90°00'00.0" E`},
		{135, 0, `135°00'00"`, `S 45°00'00" E`},
		{180, 0, `180°00'00"`, `S 0°00'00" E`},
		{225, 0, `225°00'00"`, `S 45°00'00" W`},
		{270, 0, `270°00'00"`, `N 90°00'00" W`},
		{1 + 2/60. + 3/3600., 0, `1°02'03"`, `N 1°02'03" E`},
		// Carries: 59.9999" never prints as 60.
		{10 + 29/60. + 59.9999/3600, 2, `10°30'00.00"`, `N 10°30'00.00" E`},
		{10 + 59/60. + 59.9999/3600, 3, `11°00'00.000"`, `N 11°00'00.000" E`},
		{359 + 59/60. + 59.9999/3600, 2, `0°00'00.00"`, `N 0°00'00.00" E`},
		{89 + 59/60. + 59.9999/3600, 2, `90°00'00.00"`, `N 90°00'00.00" E`},
		{90 + 0.0001/3600, 2, `90°00'00.00"`, `N 90°00'00.00" E`},
		{179 + 59/60. + 59.9999/3600, 2, `180°00'00.00"`, `S 0°00'00.00" E`},
		{-90, 0, `270°00'00"`, `N 90°00'00" W`},
		{-1e-20, 9, `0°00'00.000000000"`, `N 0°00'00.000000000" E`},
		{math.Copysign(0, -1), -3, `0°00'00"`, `N 0°00'00" E`},
		{math.NaN(), 2, "undefined", "undefined"},
		{math.Inf(1), 2, "undefined", "undefined"},
	}
	for _, tt := range tests {
		b := NewBearing(tt.deg)
		if got := b.DMS(tt.decimals); got != tt.dms {
			t.Errorf("NewBearing(%v).DMS(%d) = %s, want %s", tt.deg, tt.decimals, got, tt.dms)
		}
		if got := b.Quadrant(tt.decimals); got != tt.quadrant {
			t.Errorf("NewBearing(%v).Quadrant(%d) = %s, want %s", tt.deg, tt.decimals, got, tt.quadrant)
		}
	}
}

func TestBearingOf(t *testing.T) {
	tests := []struct{ dE, dN, want float64 }{
		{0, 1, 0}, {1, 1, 45}, {1, 0, 90}, {1, -1, 135}, {0, -1, 180}, {-1, -1, 225}, {-1, 0, 270}, {-1, 1, 315},
		{-1e-300, 1, 0},
	}
	for _, tt := range tests {
		b := BearingOf(tt.dE, tt.dN)
		if !b.Defined() || math.Abs(b.Degrees()-tt.want) > 1e-12 {
			t.Errorf("BearingOf(%v, %v) = %v, want %v", tt.dE, tt.dN, b.Degrees(), tt.want)
		}
	}
	nan, inf := math.NaN(), math.Inf(1)
	for _, v := range [][2]float64{{0, 0}, {nan, 1}, {1, nan}, {inf, 1}, {1, -inf}} {
		if b := BearingOf(v[0], v[1]); b.Defined() || !math.IsNaN(b.Degrees()) || b != (Bearing{}) {
			t.Errorf("BearingOf(%v, %v) = %v, want undefined", v[0], v[1], b)
		}
	}
}

func TestBearingJSON(t *testing.T) {
	for _, tt := range []struct {
		b    Bearing
		want string
	}{{Bearing{}, "null"}, {NewBearing(0), "0"}, {NewBearing(305.5), "305.5"}} {
		got, err := json.Marshal(tt.b)
		if err != nil || string(got) != tt.want {
			t.Errorf("Marshal(%v) = %s, %v; want %s", tt.b, got, err, tt.want)
		}
		back := NewBearing(1)
		if err := json.Unmarshal(got, &back); err != nil || back != tt.b {
			t.Errorf("Unmarshal(%s) = %v, %v; want %v", got, back, err, tt.b)
		}
	}
	for _, bad := range []string{`-1`, `361`, `"12"`, `{}`} {
		b := NewBearing(1)
		if err := json.Unmarshal([]byte(bad), &b); err == nil {
			t.Errorf("Unmarshal(%s) = %v, want an error", bad, b)
		}
	}
}

func TestFormatAngle(t *testing.T) {
	for _, tt := range []struct {
		deg      float64
		decimals int
		want     string
	}{
		{1 + 35/60. + 3.65/3600, 2, `1°35'03.65"`},
		{-(1 + 35/60. + 3.65/3600), 2, `-1°35'03.65"`},
		{-0.4 / 3600, 0, `0°00'00"`},
		{-59.9999 / 3600, 2, `-0°01'00.00"`},
		{math.NaN(), 2, "undefined"},
		{1e300, 2, "undefined"},
	} {
		if got := FormatAngle(tt.deg, tt.decimals); got != tt.want {
			t.Errorf("FormatAngle(%v, %d) = %s, want %s", tt.deg, tt.decimals, got, tt.want)
		}
	}
}

// read reads what DMS and Quadrant print, and fails where a part is 60 or more.
func read(t *rapid.T, text string) float64 {
	var deg, minutes int
	var seconds float64
	bare := strings.Trim(text, "NSEW ")
	if _, err := fmt.Sscanf(bare, "%d°%d'%f\"", &deg, &minutes, &seconds); err != nil || minutes > 59 || seconds >= 60 {
		t.Fatalf("%s does not read: %v", text, err)
	}
	angle := float64(deg) + (float64(minutes)+seconds/60)/60
	switch text[:1] + text[len(text)-1:] {
	case "SE":
		return 180 - angle
	case "SW":
		return 180 + angle
	case "NW":
		return 360 - angle
	}
	return angle
}

// What is printed reads back to within half of its last digit, in both
// notations, and is never printed with 60 seconds or minutes.
func TestBearingRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := NewBearing(rapid.Float64Range(-720, 720).Draw(t, "deg"))
		if rapid.Bool().Draw(t, "whole minutes") {
			b = NewBearing(math.Round(b.Degrees()*60)/60 - rapid.Float64Range(0, 1e-8).Draw(t, "less"))
		}
		dec := rapid.IntRange(0, 9).Draw(t, "decimals")
		half := 0.5/3600/math.Pow10(dec) + 1e-12
		for _, text := range []string{b.DMS(dec), b.Quadrant(dec)} {
			got := read(t, text)
			if diff := math.Abs(math.Remainder(got-b.Degrees(), 360)); diff > half {
				t.Fatalf("%v prints as %s and reads as %v", b.Degrees(), text, got)
			}
		}
		data, err := json.Marshal(b)
		if err != nil {
			t.Fatal(err)
		}
		var back Bearing
		if err := json.Unmarshal(data, &back); err != nil || back != b {
			t.Fatalf("JSON %s reads as %v, %v", data, back, err)
		}
	})
}

// Whatever JSON text is a bearing is written as the same one again.
func FuzzBearingJSON(f *testing.F) {
	for _, s := range []string{"null", "0", "360", "359.99999999999", "-0", "1e-320", `"1"`, "[]"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var b, again Bearing
		if b.UnmarshalJSON(text) != nil {
			return
		}
		out, err := b.MarshalJSON()
		if err != nil {
			t.Fatal(err)
		}
		if err := again.UnmarshalJSON(out); err != nil || again != b {
			t.Fatalf("%s is %v, written %s, which is %v, %v", text, b, out, again, err)
		}
		if b.Defined() && !(b.Degrees() >= 0 && b.Degrees() < 360) {
			t.Fatalf("%s is %v", text, b.Degrees())
		}
	})
}
