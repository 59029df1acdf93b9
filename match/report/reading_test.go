package report

import (
	"bytes"
	"context"
	"strings"
	"testing"
	"testing/fstest"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
)

// reading reads points and fits a site system, one pair of which is 0.6 m out.
func reading(t *testing.T, settings, points string) dataset.SurveyRead {
	t.Helper()
	control := "id,site_e,site_n,base_e,base_n,sigma,site_h,base_h\n" +
		"C1,1000,0,690000.004,604000.003,0.01,1,58\nC2,0,0,690000.002,604999.994,0.01,2,59\nC3,0,500,690500.006,605000.004,0.01,3,60.01\n" +
		"C4,1000,500,690499.997,603999.996,0.01,4,61\nC5,500,250,690249.995,604500.602,0.01,5,62\n"
	d, err := dataset.OpenFS(fstest.MapFS{
		dataset.SettingsFile: {Data: []byte("[grid]\ncrs = \"TEST:1\"\n[points]\nfile = \"p.txt\"\n" + settings)},
		"p.txt":              {Data: []byte(points)}, "control.csv": {Data: []byte(control)}}, nil, func(string, grid.OpenOptions) (grid.Projection, error) { return plane{grid.Metre}, nil })
	if err != nil {
		t.Fatal(err)
	}
	_, _, r, err := d.Points(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestReadingFacts(t *testing.T) {
	const points = "Pt;Ost;northing;Foto\nA;690242,125;604876,5;1.jpg\n"
	for _, c := range []struct {
		name, settings string
		want           []string
		not            string
	}{
		{"points alone", "unit = \"ft\"\n[points.fields]\nOst = \"easting\"\nFoto = \"photos\"\n",
			[]string{"points p.txt: 1 point, separated by semicolons, decimal comma", "converted from the unit foot", `; id from column 1 "Pt", easting from column 2 "Ost", northing, photos from`, "the points list 1 photo"}, "site"},
		{"a fitted site system", "[points.fields]\nOst = \"easting\"\n[site]\ncontrol = \"control.csv\"\nfit_heights = \"constant\"\n",
			[]string{"site site system on ", "similarity site-to-base, scale 0.99999", "heights by a constant of -57.0", "control site system fitted from 5 pairs of control.csv, standard error of unit weight ",
				"the stated standard errors are too small, or a pair is bad", "m at C5", "control SUSPECT C5: it is out by ", "check its coordinates on both sides", "control site heights fitted from 5 pairs of control.csv, standard error of a coordinate 0.0"}, "TAKEN OUT"},
		{"a pair taken out", "[points.fields]\nOst = \"easting\"\n[site]\ncontrol = \"control.csv\"\nreject_outliers = true\n",
			[]string{"fitted from 4 pairs", "control C5 was TAKEN OUT of the fit: it is out by "}, "SUSPECT"},
		{"parameters", "[points.fields]\nOst = \"easting\"\n[site]\nname = \"s\"\naccuracy_m = 0.02\n[site.ground_scale]\norigin = { e = 690000.0, n = 604000.0 }\nsite_origin = { e = 690000.0, n = 604000.0 }\ncombined_factor = 0.9998\n[site.vertical]\noffset = 1.5\nslope_e = 0.000005\nslope_n = -0.00001\norigin = { e = 0.0, n = 0.0 }\n",
			[]string{"ground scale, combined factor 0.999800000 (-200.0 ppm)", "an inclined plane of +1.500 m, +5.0 ppm to the east and -10.0 ppm to the north", "good to 0.02 m"}, "control"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := reading(t, c.settings, points)
			var b strings.Builder
			for _, f := range SurveyFacts(r, grid.Metre) {
				if len(f.Name) > 9 {
					t.Errorf("the name %q is too long for its column", f.Name)
				}
				b.WriteString(f.Name + " " + f.Text + "\n")
			}
			for _, w := range c.want {
				if !strings.Contains(b.String(), w) {
					t.Errorf("the facts don't say %q:\n%s", w, &b)
				}
			}
			if strings.Contains(b.String(), c.not) {
				t.Errorf("the facts say %q:\n%s", c.not, &b)
			}
			// What was read stands in the JSON, as its schema has it.
			res := &match.Result{Grid: grid.Grid{Name: "g", Unit: grid.Metre}, Photos: []match.PhotoResult{}, Points: []match.PointResult{}, UnmatchedLinks: []match.UnmatchedLink{},
				Counts: map[match.Verdict]int{match.Within: 0, match.Over: 0, match.Gross: 0, match.Unjudged: 0}}
			doc := NewCheck("job", res, baseline.Outcome{})
			doc.Survey = &r
			var text bytes.Buffer
			if err := Document(&text, doc); err != nil {
				t.Fatal(err)
			}
			if err := validate(t, strict(t, "check-1.json"), text.Bytes()); err != nil {
				t.Error(err)
			}
		})
	}
}
