package single_test

import (
	"bytes"
	"errors"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/single"
)

// One call gives what the three of match and geotag give, and the corrected photo is at
// its point.
func TestCheck(t *testing.T) {
	itm, err := crs.Open("EPSG:2157")
	if err != nil {
		t.Fatal(err)
	}
	photo := handheld()
	at := func(e float64) match.Point { return match.Point{EN: grid.EN{E: 690242.043 + e, N: 604873.007}} }
	check := func(b []byte, point match.Point, opt single.Options) *single.Photo {
		t.Helper()
		res, err := single.Check(t.Context(), itm, "1.jpg", bytes.NewReader(b), int64(len(b)), point, opt)
		if err != nil {
			t.Fatal(err)
		}
		return res
	}
	res := check(photo, at(0), single.Options{})
	var corrected bytes.Buffer
	if err := res.Write(&corrected); err != nil || res.Verdict != match.Within {
		t.Fatal(res.Verdict, err)
	}
	again := check(corrected.Bytes(), at(0), single.Options{})
	if again.Verdict != match.Within || again.Discrepancy.Distance > 0.005 || again.Patch != nil && !again.Patch.Empty() {
		t.Errorf("corrected: %s, %v m", again.Verdict, again.Discrepancy.Distance)
	}
	var back bytes.Buffer
	if err := res.Patch.Reverse().Apply(&back, bytes.NewReader(corrected.Bytes())); err != nil || !bytes.Equal(back.Bytes(), photo) {
		t.Errorf("it can't be taken back: %v", err)
	}

	// 40 m off is no photo to be corrected, unless the policy has it so.
	far := check(photo, at(40), single.Options{})
	if err := far.Write(&corrected); !errors.Is(err, single.ErrLeft) || far.Verdict != match.Gross || far.Correction.Why == "" {
		t.Errorf("far: %s, %v", far.Verdict, err)
	}
	if far = check(photo, at(40), single.Options{Policy: match.Policy{Only: []match.Verdict{match.Gross}}}); far.Patch == nil {
		t.Errorf("far, asked for: %q", far.Correction.Why)
	}
	_, err = single.Check(t.Context(), itm, "1.jpg", bytes.NewReader(photo[2:]), int64(len(photo)-2), at(0), single.Options{})
	if !geotag.AboutImage(err) {
		t.Errorf("no image: %v", err)
	}
}
