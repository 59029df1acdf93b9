package grid

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"
)

func TestHeightRef(t *testing.T) {
	n, tooFar, nan := -32.5, 900.0, math.NaN()
	for _, tt := range []struct {
		ref  HeightRef
		text string // of String
		bad  string // of the error
	}{
		{HeightRef{}, "height above an unknown surface", ""},
		{HeightRef{Surface: HeightEllipsoid}, "ellipsoidal height", ""},
		{HeightRef{Surface: HeightEllipsoid, Frame: "ETRS89"}, "ellipsoidal height in ETRS89", ""},
		{HeightRef{Surface: HeightGeoid}, "height above a geoid", ""},
		{HeightRef{Surface: HeightGeoid, VerticalCRS: "EGM96"}, "height above EGM96", ""},
		{HeightRef{Surface: HeightGeoid, Separation: &n, Frame: "NAD83(2011)"}, "height above a geoid -32.500 m from the ellipsoid of NAD83(2011)", ""},
		{HeightRef{Surface: HeightGeoid, VerticalCRS: "EPSG:5703", Site: true}, "site height tied to height above EPSG:5703", ""},
		{HeightRef{Surface: 7}, "", "no surface 7"},
		{HeightRef{Surface: -1}, "", "no surface -1"},
		{HeightRef{VerticalCRS: "EGM96"}, "", "belongs to a height above a geoid"},
		{HeightRef{Surface: HeightEllipsoid, Separation: &n}, "", "belongs to a height above a geoid"},
		{HeightRef{Surface: HeightGeoid, Separation: &n, VerticalCRS: "EGM96"}, "", "not both"},
		{HeightRef{Surface: HeightGeoid, Separation: &tooFar}, "", "separation of 900"},
		{HeightRef{Surface: HeightGeoid, Separation: &nan}, "", "separation of NaN"},
		{HeightRef{Surface: HeightGeoid, Separation: &n, SeparationAccuracy: -1}, "", "good to -1 m"},
		{HeightRef{Surface: HeightGeoid, Separation: &n, SeparationAccuracy: nan}, "", "good to NaN m"},
	} {
		err := tt.ref.Validate()
		if (err == nil) != (tt.bad == "") || err != nil && !strings.Contains(err.Error(), tt.bad) {
			t.Errorf("%+v: %v, want %q", tt.ref, err, tt.bad)
		}
		if tt.bad != "" {
			continue
		}
		if got := tt.ref.String(); got != tt.text {
			t.Errorf("%+v: %q, want %q", tt.ref, got, tt.text)
		}
		b, err := json.Marshal(tt.ref)
		if err != nil {
			t.Fatal(err)
		}
		var again HeightRef
		if err := json.Unmarshal(b, &again); err != nil || again.String() != tt.text {
			t.Errorf("%s comes back as %+v, %v", b, again, err)
		}
	}
	if _, err := HeightSurface(9).MarshalText(); err == nil {
		t.Error("surface 9 is written")
	}
	var s HeightSurface
	if err := s.UnmarshalText([]byte("sea")); err == nil {
		t.Error("surface sea is read")
	}
	if got := HeightSurface(9).String(); got != "HeightSurface(9)" {
		t.Error(got)
	}
}

// level does heights as they are, or fails.
type level struct {
	Projection
	short bool
	err   error
}

func (l level) FixHeights(_ context.Context, _ []Fix, heights []Height) ([]HeightPlacement, error) {
	return l.do(heights)
}

func (l level) EllipsoidalHeights(_ context.Context, _ []EN, heights []Height, _ []Frame) ([]HeightPlacement, error) {
	return l.do(heights)
}

func (l level) do(heights []Height) ([]HeightPlacement, error) {
	if l.err != nil {
		return nil, l.err
	}
	out := make([]HeightPlacement, len(heights))
	for i, h := range heights {
		a := 3.0
		out[i] = HeightPlacement{Metres: h.Metres, Accuracy: &a}
		switch h.Ref.Surface {
		case HeightUnknown:
			out[i].Err = &HeightError{Ref: h.Ref, Reason: ErrHeightUnknown, Message: "of what?"}
		case HeightGeoid:
			out[i].Accuracy = nil
		}
	}
	if l.short {
		return out[1:], nil
	}
	return out, nil
}

func TestCompareHeightsErrors(t *testing.T) {
	h := func(m float64, s HeightSurface) Height { return Height{Metres: m, Ref: HeightRef{Surface: s}} }
	d, err := CompareHeights(t.Context(), level{}, []HeightPair{
		{Tag: h(7, HeightEllipsoid), Point: h(5, HeightEllipsoid)},
		{Tag: h(7, HeightEllipsoid), Point: h(9, HeightGeoid)},
		{Tag: h(7, HeightUnknown), Point: h(5, HeightEllipsoid)},
		{Tag: h(7, HeightEllipsoid), Point: h(5, HeightUnknown)},
	})
	if err != nil || len(d) != 4 {
		t.Fatal(d, err)
	}
	if d[0].Err != nil || d[0].DH != 2 || math.Abs(*d[0].Accuracy-3*math.Sqrt2) > 1e-12 {
		t.Errorf("%+v", d[0])
	}
	if d[1].Err != nil || d[1].DH != -2 || d[1].Accuracy != nil {
		t.Errorf("%+v", d[1])
	}
	var e *HeightError
	if !errors.Is(d[2].Err, ErrHeightUnknown) || !errors.As(d[2].Err, &e) || d[2].Err.Error() != "height of the tag: of what?" {
		t.Errorf("%+v", d[2])
	}
	if !errors.Is(d[3].Err, ErrHeightUnknown) || !strings.HasPrefix(d[3].Err.Error(), "height of the point: ") {
		t.Errorf("%+v", d[3])
	}
	if d, err := CompareHeights(t.Context(), level{}, nil); err != nil || len(d) != 0 {
		t.Errorf("nothing: %v, %v", d, err)
	}
	if _, err := CompareHeights(t.Context(), level{short: true}, make([]HeightPair, 2)); err == nil {
		t.Error("a height got lost without an error")
	}
	broken := errors.New("broken")
	if _, err := CompareHeights(t.Context(), level{err: broken}, make([]HeightPair, 2)); !errors.Is(err, broken) {
		t.Errorf("%v", err)
	}
	if _, err := CompareHeights(t.Context(), nil, nil); !errors.Is(err, ErrNoHeights) {
		t.Errorf("%v", err)
	}
}
