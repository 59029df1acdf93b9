package dataset

import (
	"strings"
	"testing"
	"testing/fstest"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
)

// What a file names must be known for the job's grid however it is spelt, and
// nothing else be taken for it.
func TestSameSystem(t *testing.T) {
	open := func(definition string) (grid.Projection, error) { return crs.OpenGrid(definition, grid.OpenOptions{}) }
	itm, err := crs.Open("EPSG:2157")
	if err != nil {
		t.Fatal(err)
	}
	other, err := crs.Open("EPSG:29903")
	if err != nil {
		t.Fatal(err)
	}
	wkt := itm.WKT()
	bare := strings.Replace(wkt, `ID["EPSG",2157]`, `REMARK["x"]`, 1)
	if bare == wkt {
		t.Fatalf("the WKT has another form than this test thinks:\n%s", wkt)
	}
	at := grid.EN{E: 690242, N: 604876}
	s := systems{grid: "EPSG:2157", proj: itm, open: open}
	site := systems{grid: "EPSG:2157", proj: itm, open: open, site: true}
	for _, c := range []struct {
		name string
		s    systems
		crs  string
		want agreement
	}{
		{"code", s, "EPSG:2157", isGrid}, {"lower case", s, "epsg:2157", isGrid}, {"WKT", s, wkt, isGrid}, {"WKT without a code", s, bare, isGrid},
		{"its name", s, "IRENET95 / Irish Transverse Mercator", isGrid},
		{"another code", s, "EPSG:29903", isOther}, {"another WKT", s, other.WKT(), isOther},
		{"another map projection", s, strings.Replace(bare, "600000", "600001", 1), isOther},
		{"another unit", s, strings.ReplaceAll(bare, `LENGTHUNIT["metre",1]`, `LENGTHUNIT["foot",0.3048]`), isOther},
		{"geographic", s, "EPSG:4258", isUnknown}, {"nonsense", s, "MY GRID", isUnknown},
		{"site", site, "EPSG:2157", isBase}, {"site, another", site, "EPSG:29903", isOther}, {"site, WKT", site, bare, isBase},
	} {
		if got, _ := c.s.same(c.crs, at); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// FuzzSite reads settings and control that may be anything: a system that comes
// through must be a sound one, and nothing may panic.
func FuzzSite(f *testing.F) {
	f.Add("[site]\ncontrol = \"c.csv\"\n", "id,site_e,site_n,base_e,base_n,sigma\nA,0,0,1,2,0.1\nB,10,0,11,2,\nC,0,10,1,12,\n")
	f.Add("[site]\ncontrol = \"c.csv\"\nkind = \"affine\"\nreject_outliers = true\nfit_heights = \"plane\"\n", "id;site_e;site_n;base_e;base_n;site_h;base_h\nA;0;0;1;2;1;1\nB;10;0;11;2;1;1\nC;0;10;1;12;1;1\nD;1;1;2;3;4;1\n")
	f.Add("[site]\nunit = \"ft\"\ndirection = \"base-to-site\"\n[site.similarity]\ntarget_origin = { e = 1.0, n = 1e300 }\nscale = 3.28\nrotation_deg = 90\n", "")
	f.Add("[site]\n[site.ground_scale]\norigin = { e = 1.0, n = 1.0 }\nsite_origin = { e = 1.0, n = 1.0 }\ncombined_factor = 0.9999\n", "")
	f.Fuzz(func(t *testing.T, settings, control string) {
		d, err := OpenFS(fstest.MapFS{SettingsFile: {Data: []byte(minimal + settings)}, "c.csv": {Data: []byte(control)}}, nil, onPlane)
		if err != nil || d.Settings().Site == nil {
			return
		}
		if err := d.Site().Definition.Validate(); err != nil {
			t.Errorf("a system came through that is none: %v", err)
		}
		if u := d.Projection().Grid().Unit; !(u.Metres > 0) {
			t.Errorf("unit %+v", u)
		}
	})
}
