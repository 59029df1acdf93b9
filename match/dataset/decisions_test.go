package dataset

import (
	"bytes"
	"context"
	"strings"
	"testing"
	"testing/fstest"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

const decisionHead = "photo,decision,point,by,when,why,covers,sha256,basis,e,n,probability,runner_up,runner_up_probability\n"

func readDecisions(text string) ([]match.Decision, error) {
	d := Dataset{fsys: fstest.MapFS{"d.csv": {Data: []byte(text)}, "a.jpg": {Data: []byte("a")}}}
	d.settings.Links.Decisions = "d.csv"
	return d.decisions(context.Background())
}

func TestDecisionsRefused(t *testing.T) {
	const sum = "ca978112ca1bbdcafac231b39a23dc4da786eff8147c4e72b9807785afee48bb" // of "a", FIPS 180-4
	good := "a.jpg,shows,K7,M. Doyle,2026-11-30,seen,tag-gross," + sum + ",x-y-z,1,2,,,\n"
	got, err := readDecisions(decisionHead + good)
	if err != nil || len(got) != 1 || got[0].Stale != "" || *got[0].At != (grid.EN{E: 1, N: 2}) || got[0].Covers[0] != "tag-gross" {
		t.Fatalf("%+v, %v", got, err)
	}
	if got, err = readDecisions(decisionHead + strings.Replace(good, sum, sum[1:]+"0", 1)); err != nil || got[0].Stale == "" {
		t.Errorf("other bytes: %+v, %v", got, err)
	}
	for row, want := range map[string]string{
		strings.Replace(good, "shows", "show", 1):        `"show" is no decision; did you mean "shows"?`,
		strings.Replace(good, "M. Doyle", "", 1):         "nobody has made this decision yet",
		strings.Replace(good, "2026-11-30", "Monday", 1): `"Monday" is no day`,
		strings.Replace(good, "K7", "", 1):               "does not say which point",
		strings.Replace(good, sum, "", 1):                "does not say what it rests on",
		strings.Replace(good, "a.jpg", "", 1):            "names no photo",
		strings.Replace(good, ",1,2,", ",one,2,", 1):     `e "one" is no number`,
		good + good: `a decision about "a.jpg" stands already in line 2`,
	} {
		if _, err := readDecisions(decisionHead + row); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", row, err, want)
		}
	}
}

// What is written is read back, whatever a name has in it.
func FuzzDecisions(f *testing.F) {
	f.Add(" a,\"b\".jpg\n", "K 7", "=1+1", "why; \u202e")
	f.Fuzz(func(t *testing.T, photo, point, by, why string) {
		if strings.ContainsAny(photo+point+by+why, "\r") || strings.TrimSpace(by) != by || by == "" || strings.TrimSpace(point) != point || point == "" || photo == "" {
			t.Skip()
		}
		in := []match.Decision{{Photo: photo, Ruling: match.RulingShows, Point: point, By: by, When: "2026-11-30", Why: strings.TrimSpace(why), SHA256: "0", Basis: "a-b-c"}}
		var b bytes.Buffer
		if err := WriteDecisions(&b, in); err != nil {
			t.Fatal(err)
		}
		got, err := readDecisions(b.String())
		if err != nil || len(got) != 1 || got[0].Photo != photo || got[0].Point != point || got[0].By != by || got[0].Why != in[0].Why {
			t.Fatalf("%q: %+v, %v", b.String(), got, err)
		}
	})
}
