package grid

import (
	"encoding/json"
	"errors"
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

func TestReverse(t *testing.T) {
	if got := NewBearing(200).Reverse().Degrees(); got != 20 {
		t.Errorf("the reverse of 200 is %v, want 20", got)
	}
	if (Bearing{}).Reverse().Defined() {
		t.Error("the reverse of an undefined bearing is defined")
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

func TestParseBearing(t *testing.T) {
	want := 305 + (17+21.18/60)/60
	for _, s := range []string{
		`305°17'21.18"`, "305 17 21.18", "305-17-21.18", "305d17m21.18s", "  305° 17′ 21.18″ ", "305°17’21.18”",
		"305°17'21.18''", "305°17'21.18", "305 ° 17 ' 21.18 \"", "305º17'21.18\"",
	} {
		b, err := ParseBearing(s)
		if err != nil || math.Abs(b.Degrees()-want) > 1e-12 {
			t.Errorf("ParseBearing(%q) = %v, %v; want %v", s, b.Degrees(), err, want)
		}
	}
	for s, want := range map[string]float64{
		"0": 0, "360": 0, "305.5": 305.5, "305.5°": 305.5, "10°30'": 10.5, "10 30.5": 10 + 30.5/60, `359°59'59.999999"`: 360 - 1e-6/3600,
	} {
		b, err := ParseBearing(s)
		if err != nil || math.Abs(b.Degrees()-want) > 1e-12 {
			t.Errorf("ParseBearing(%q) = %v, %v; want %v", s, b.Degrees(), err, want)
		}
	}
	for s, problem := range map[string]string{
		"": "no angle", "  ": "no angle", "north": "want digits", "-5": "want digits", "361": "over 360", "360°00'01\"": "over 360",
		"10 60 00": "below 60", "10 00 60": "below 60", "10.5 30": "decimals", "1 2 3 4": "follows", "1.2.3": "not a number",
		"10°-": "want digits", "5-": "nothing follows", ".": "not a number", "10'": "unexpected", "1e5": "unexpected", "NaN": "want digits",
		"10°30'20\"x": "follows", "\xff": "want digits", "10\xff": "unexpected",
	} {
		_, err := ParseBearing(s)
		var ae *AngleError
		if !errors.As(err, &ae) || ae.Text != s || !strings.Contains(ae.Problem, problem) {
			t.Errorf("ParseBearing(%q): error %v, want an *AngleError with %q", s, err, problem)
		}
	}
}

func TestParseQuadrant(t *testing.T) {
	for s, want := range map[string]float64{
		`N 54°42'38.82" W`: 360 - (54 + (42+38.82/60)/60),
		"n54-42-38.82w":    360 - (54 + (42+38.82/60)/60),
		"N 10 E":           10,
		"S 10 E":           170,
		"S 10 W":           190,
		"N 90 W":           270,
		"S 0 E":            180,
		"S10°30'S E":       -1, // an S that is no mark of seconds
		"S 1 2 3S E":       180 - (1 + (2+3/60.)/60),
	} {
		b, err := ParseQuadrant(s)
		if want < 0 {
			if err == nil {
				t.Errorf("ParseQuadrant(%q) = %v, want an error", s, b)
			}
			continue
		}
		if err != nil || math.Abs(b.Degrees()-want) > 1e-12 {
			t.Errorf("ParseQuadrant(%q) = %v, %v; want %v", s, b.Degrees(), err, want)
		}
	}
	for s, problem := range map[string]string{
		"": "want a quadrant", "N": "want a quadrant", "E 10 N": "starts with", "N 10 N": "ends with", "N 91 E": "over 90", "N  E": "no angle", "N 10 60 E": "below 60",
	} {
		_, err := ParseQuadrant(s)
		var ae *AngleError
		if !errors.As(err, &ae) || !strings.Contains(ae.Problem, problem) {
			t.Errorf("ParseQuadrant(%q): error %v, want %q", s, err, problem)
		}
	}
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
		for _, c := range []struct {
			text  string
			parse func(string) (Bearing, error)
		}{{b.DMS(dec), ParseBearing}, {b.Quadrant(dec), ParseQuadrant}} {
			got, err := c.parse(c.text)
			if err != nil {
				t.Fatalf("%v prints as %s, which does not read: %v", b.Degrees(), c.text, err)
			}
			if diff := math.Abs(math.Remainder(got.Degrees()-b.Degrees(), 360)); diff > half {
				t.Fatalf("%v prints as %s and reads as %v", b.Degrees(), c.text, got.Degrees())
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

func fuzzBearing(f *testing.F, parse func(string) (Bearing, error)) {
	for _, s := range []string{`305°17'21.18"`, `N 54°42'38.82" W`, "S10-20-30W", "305.289", "", "360", "0°0'60\"", "N 90 E", "''", "1''"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		b, err := parse(s)
		if err != nil {
			var ae *AngleError
			if !errors.As(err, &ae) || ae.Text != s || b.Defined() {
				t.Fatalf("%q: %v with error %#v", s, b, err)
			}
			return
		}
		if d := b.Degrees(); !(d >= 0 && d < 360) {
			t.Fatalf("%q reads as %v", s, d)
		}
		if again, err := ParseBearing(b.DMS(6)); err != nil || math.Abs(math.Remainder(again.Degrees()-b.Degrees(), 360)) > 1e-9 {
			t.Fatalf("%q reads as %v, which prints as %s and reads as %v, %v", s, b.Degrees(), b.DMS(6), again, err)
		}
	})
}

func FuzzParseBearing(f *testing.F)  { fuzzBearing(f, ParseBearing) }
func FuzzParseQuadrant(f *testing.F) { fuzzBearing(f, ParseQuadrant) }

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
