package dataset_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset"
)

// A corrected tag says in which realisation and at which epoch it is, and its error
// covers how else it is read. Whatever frame the settings ask for, it is within when it
// is judged again, a second run changes nothing, and the original comes back. References:
// cs2cs for the grid's own frame, which is NAD83(2011); the 1.2 m between it and WGS 84 as
// broadcast (NGS: the two differ by one to two metres in the contiguous states), and
// 14 mm a year for what eastern North America moves in the ITRF (Altamimi et al. 2017,
// ITRF2014 plate motion model: +init=ITRF2014:NOAM of PROJ gives 14.3 mm at this place).
func TestDeliveredFrames(t *testing.T) {
	const foot = 1200. / 3937
	proj, err := crs.Open("EPSG:6543")
	if err != nil {
		t.Fatal(err)
	}
	tag := grid.LatLon{Lat: 35.6, Lon: -82.3}
	placed, err := proj.ToGrid(context.Background(), []grid.Fix{{LatLon: tag, Frame: grid.Frame{Epoch: 2026.4}}})
	if err != nil || placed[0].Err != nil {
		t.Fatal(err, placed[0].Err)
	}
	e, n := placed[0].E, placed[0].N+2/foot
	cs2cs := exec.Command("cs2cs", "-f", "%.10f", "EPSG:6543", "EPSG:6318")
	cs2cs.Stdin = strings.NewReader(fmt.Sprintf("%.4f %.4f\n", e, n))
	var own grid.LatLon
	if out, err := cs2cs.Output(); err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	} else if _, err := fmt.Sscan(string(out), &own.Lat, &own.Lon); err != nil {
		t.Fatal(err)
	}
	apart := func(p *geotag.Position, q grid.LatLon) float64 {
		const m = 111_195
		return m * math.Hypot(p.Lat-q.Lat, (p.Lon-q.Lon)*math.Cos(q.Lat*math.Pi/180))
	}
	var broadcast grid.LatLon
	for _, c := range []struct {
		settings, datum, method string
		own, off                float64 // metres from the own frame; and what the error covers
	}{
		{"", "WGS-84", "SURVEY; WGS 84 (G2139), EPSG:9755; epoch 2026.4", 1.16, 1.16},
		{"delivered_epoch = 2010.0\n", "WGS-84", "SURVEY; WGS 84 (G2139), EPSG:9755; epoch 2010", 0.97, 0.97},
		{"delivered = \"grid\"\n", "NAD83(2011)", "SURVEY; NAD83(2011), EPSG:6318; epoch 2010", 0, 1.16},
	} {
		dir := lay(t, map[string]string{
			"phototie.toml": "[grid]\ncrs = \"EPSG:6543\"\n[points]\nfile = \"p.csv\"\n[links]\nfile = \"l.csv\"\n[frame]\nepoch = 2026.4\n" + c.settings,
			"p.csv":         fmt.Sprintf("id,easting,northing\nP,%.4f,%.4f\n", e, n), "l.csv": "photo,point\n1.jpg,P\n",
			"photos/1.jpg": fmt.Sprintf("%.9f %.9f", tag.Lat, tag.Lon)})
		path := filepath.Join(dir, "photos", "1.jpg")
		before, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		run := func(want dataset.ChangeOutcome) (*dataset.Checked, dataset.Change) {
			t.Helper()
			d, err := job(t, dir)
			if err != nil {
				t.Fatal(err)
			}
			res, err := d.Check(context.Background(), dataset.CheckOptions{Causes: []cause.Cause{}})
			if err != nil {
				t.Fatal(err)
			}
			var last dataset.Change
			for ch, err := range res.Correct(context.Background(), dataset.CorrectOptions{InPlace: true, Policy: match.Policy{}, Tool: "test"}) {
				if last = ch; err != nil || ch.Outcome != want {
					t.Fatalf("%q: %+v, %v", c.settings, ch, err)
				}
			}
			return res, last
		}
		_, ch := run(dataset.Corrected)
		img, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		got, err := geotag.ReadBytes(img)
		if err != nil {
			t.Fatal(err)
		}
		if c.settings == "" {
			broadcast = grid.LatLon{Lat: got.Position.Lat, Lon: got.Position.Lon}
		}
		t.Logf("%q: %.3f m from the own frame, %.3f m from WGS 84 today, error %.3f m, %+v", c.settings, apart(got.Position, own), apart(got.Position, broadcast), *got.HPositioningError, ch.Delivered.Misread)
		if got.MapDatum != c.datum || got.ProcessingMethod != c.method {
			t.Errorf("%q: %q, %q", c.settings, got.MapDatum, got.ProcessingMethod)
		}
		if d := apart(got.Position, own); math.Abs(d-c.own) > 0.05 {
			t.Errorf("%q: %.3f m from the own frame", c.settings, d)
		}
		if v := *got.HPositioningError; v < c.off-0.05 || v > c.off+0.1 || v < apart(got.Position, own) || v < apart(got.Position, broadcast) {
			t.Errorf("%q: states %.3f m", c.settings, v)
		}
		if strings.Contains(c.settings, "epoch") {
			if d := apart(got.Position, broadcast); math.Abs(d-0.0143*16.4) > 0.03 {
				t.Errorf("%.3f m between 2010.0 and 2026.4", d)
			}
		}
		res, _ := run(dataset.Unchanged)
		if p := res.Photos[0]; p.Verdict != match.Within || p.Discrepancy.True.Distance > 0.001 || res.Written != 1 {
			t.Errorf("%q: judged again %s, %+v", c.settings, p.Verdict, p.Discrepancy)
		}
		for _, err := range dataset.Restore(context.Background(), dir, "test", nil, false) {
			if err != nil {
				t.Fatal(err)
			}
		}
		if after, err := os.ReadFile(path); err != nil || string(after) != string(before) {
			t.Errorf("%q: not restored, %v", c.settings, err)
		}
	}
}
