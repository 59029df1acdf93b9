package match

import (
	"context"
	"math"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// The budget of a device is by its serial number before its model, what it leaves out is
// the job's, and an error whose confidence nobody states is read as the widest of what
// platforms document: a root mean square (an engineer of Apple, developer forum, thread
// 699996), so that 5 m are 5/sqrt(2) m per axis (closed form), and not 5/1.5152 for the
// 68th percentile (Android, Location.getAccuracy) or 5/2.4477 for 95 % (W3C Geolocation).
func TestDevices(t *testing.T) {
	opt := Options{Budget: DefaultBudget(), Devices: map[string]Device{
		"S1": {ErrorConfidence: 0.95, Handheld: 2}, "Acme M2": {ErrorConfidence: 0.5}, "M3": {UserRangeError: 9},
	}}
	for _, c := range []struct {
		tag  geotag.Tag
		want float64 // metres per axis
	}{
		{geotag.Tag{Serial: "S1", Make: "Acme", Model: "M2", HPositioningError: ptr(5.0)}, 5 / 2.4477},
		{geotag.Tag{Serial: "S1", Make: "Acme", Model: "M2"}, 2 / 1.1774},
		{geotag.Tag{Serial: "S2", Make: "Acme", Model: "M2", HPositioningError: ptr(5.0)}, 5 / 1.1774},
		{geotag.Tag{Make: "Acme", Model: "M3", DOP: ptr(1.0)}, 9 / math.Sqrt2},
		{geotag.Tag{Make: "Apple", Model: "M4", HPositioningError: ptr(5.0)}, 5 / math.Sqrt2},
		{geotag.Tag{Make: "Other", HPositioningError: ptr(5.0)}, 5 / math.Sqrt2},
	} {
		a, err := opt.BudgetFor(&c.tag).Allowance(&c.tag, Point{}, exactOp, AllowanceOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if got := a.Components[0].Sigma; rel(got, c.want) > 1e-4 {
			t.Errorf("%+v: %.4f m, want %.4f", c.tag, got, c.want)
		}
	}
	opt.Budget.ErrorConfidence = 0.95
	if b := opt.BudgetFor(&geotag.Tag{Make: "Apple"}); b.ErrorConfidence != 0.95 {
		t.Errorf("what the settings say of all is overruled: %v", b.ErrorConfidence)
	}
	opt.Devices["S1"] = Device{ErrorConfidence: 2}
	if err := opt.ValidateBudgets(); err == nil || !strings.Contains(err.Error(), `"S1"`) {
		t.Error(err)
	}
	for _, a := range DefaultBudget().Assumptions() {
		if a.Value <= 0 || a.Means == "" || a.Source == "" {
			t.Errorf("%+v", a)
		}
	}
}

// A tag that states corrections is in their frame: where nothing says which, that is a
// finding, and a warning where the tag states less than frames differ by. (Exif:
// GPSDifferential, GPSProcessingMethod; the words of methods are common practice. What
// phones call "network" is a position by cells.)
func TestDifferential(t *testing.T) {
	p := newPlane()
	at := grid.EN{E: 700000, N: 700000}
	off := p.inverse(grid.EN{E: at.E - 100, N: at.N}) // as in the frame SHIFTED
	for _, c := range []struct {
		name    string
		tag     geotag.Tag
		opt     Options
		found   Severity
		verdict Verdict
	}{
		{"stated", geotag.Tag{Differential: true}, Options{}, SeverityNote, Gross},
		{"stated, and fine", geotag.Tag{ProcessingMethod: "RTK-FIX", HPositioningError: ptr(0.5)}, Options{}, SeverityWarning, Gross},
		{"the settings say", geotag.Tag{Differential: true, MapDatum: "WGS-84"}, Options{Differential: "SHIFTED"}, "", Within},
		{"of the device", geotag.Tag{ProcessingMethod: "ntrip", Model: "R"}, Options{Devices: map[string]Device{"R": {Datum: "SHIFTED"}}}, "", Within},
		{"a device that does not say so", geotag.Tag{Model: "R"}, Options{Devices: map[string]Device{"R": {Datum: "SHIFTED"}}}, "", Within},
		{"another datum is stated", geotag.Tag{Differential: true, MapDatum: "SHIFTED"}, Options{Differential: "ROUGH"}, "", Within},
		{"by cells", geotag.Tag{ProcessingMethod: "network"}, Options{Differential: "SHIFTED"}, "", Gross},
		{"written by phototie", geotag.Tag{ProcessingMethod: "SURVEY; RTK", Model: "R"}, Options{Devices: map[string]Device{"R": {Datum: "SHIFTED"}}}, "", Gross},
	} {
		c.tag.Position = &geotag.Position{Lat: off.Lat, Lon: off.Lon}
		res, err := Check(context.Background(), p, []Point{{ID: "A", EN: at}}, []Link{{Photo: "a.jpg", Point: "A"}}, seq(Photo{Name: "a.jpg", Tag: &c.tag}), c.opt)
		if err != nil {
			t.Fatal(err)
		}
		found := Severity("")
		for _, f := range res.Findings() {
			if f.Code == FindingDifferential {
				found = f.Severity
			}
		}
		if found != c.found || res.Photos[0].Verdict != c.verdict {
			t.Errorf("%s: finding %q, want %q; %s, want %s", c.name, found, c.found, res.Photos[0].Verdict, c.verdict)
		}
	}
}
