package cause_test

import (
	"fmt"
	"slices"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/sim"
)

// open opens a system of the EPSG registry.
func open(definition string) (grid.Projection, error) {
	p, err := crs.Open(definition)
	if err != nil {
		return nil, err
	}
	return p, nil
}

func must(t *testing.T, definition string) grid.Projection {
	t.Helper()
	p, err := open(definition)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// On systems of the registry, as PROJ carries them: what is planted is found by
// its name, with the zone or the datum.
func TestRegistry(t *testing.T) {
	inFull(t)
	for _, c := range []struct {
		name, crs string
		at        grid.EN
		plant     func(t *testing.T) sim.Plant
		cause     string
		// param is the text of a parameter, empty for none.
		param string
	}{
		{"points in ED50", "EPSG:25830", grid.EN{E: 440000, N: 4474000},
			func(t *testing.T) sim.Plant { return sim.Plant{Kind: sim.PointDatum, Other: must(t, "EPSG:23030")} }, "point-datum", "ED50"},
		{"points in the next zone", "EPSG:25830", grid.EN{E: 690000, N: 4474000},
			func(t *testing.T) sim.Plant {
				return sim.Plant{Kind: sim.NeighbouringZone, Other: must(t, "EPSG:25831")}
			}, "neighbouring-zone", "ETRS89 / UTM zone 31N (EPSG:25831)"},
		{"points in zone 60 for zone 1", "EPSG:32601", grid.EN{E: 210000, N: 6900000},
			func(t *testing.T) sim.Plant {
				return sim.Plant{Kind: sim.NeighbouringZone, Other: must(t, "EPSG:32660")}
			}, "neighbouring-zone", "WGS 84 / UTM zone 60N (EPSG:32660)"},
		{"tags in NAD27", "EPSG:26915", grid.EN{E: 480000, N: 4980000},
			func(t *testing.T) sim.Plant { return sim.Plant{Kind: sim.TagDatum, Datum: "NAD27"} }, "tag-datum", "NAD27"},
		{"tags in Tokyo", "EPSG:6677", grid.EN{E: -12000, N: -35000},
			func(t *testing.T) sim.Plant { return sim.Plant{Kind: sim.TagDatum, Datum: "TOKYO"} }, "tag-datum", "TOKYO"},
		{"tags in OSGB36", "EPSG:27700", grid.EN{E: 531000, N: 180000},
			func(t *testing.T) sim.Plant { return sim.Plant{Kind: sim.TagDatum, Datum: "OSGB36"} }, "tag-datum", "OSGB36"},
		{"easting and northing exchanged", "EPSG:2157", grid.EN{E: 690238, N: 604871},
			func(t *testing.T) sim.Plant { return sim.Plant{Kind: sim.SwappedEN} }, "swapped-en", ""},
		{"latitude and longitude exchanged", "EPSG:28355", grid.EN{E: 320000, N: 5812000},
			func(t *testing.T) sim.Plant { return sim.Plant{Kind: sim.SwappedLatLon} }, "swapped-lat-lon", ""},
		{"latitude north for south", "EPSG:28355", grid.EN{E: 320000, N: 5812000},
			func(t *testing.T) sim.Plant { return sim.Plant{Kind: sim.FlippedLatitude} }, "flipped-latitude", ""},
		{"feet for metres", "EPSG:2157", grid.EN{E: 690238, N: 604871},
			func(t *testing.T) sim.Plant { return sim.Plant{Kind: sim.FeetForMetres} }, "feet-for-metres", "foot"},
		{"metres for US survey feet", "EPSG:6543", grid.EN{E: 2100000, N: 740000},
			func(t *testing.T) sim.Plant {
				return sim.Plant{Kind: sim.MetresForFeet, Scale: 1200.0 / 3937}
			}, "metres-for-feet", "US survey foot"},
		// 4 ft in 2,000,000 are 1.2 m: no handheld can tell, and what is said is that it can't.
		{"feet of the wrong kind", "EPSG:6543", grid.EN{E: 2100000, N: 740000},
			func(t *testing.T) sim.Plant { return sim.Plant{Kind: sim.WrongFeet} }, "", ""},
		// A null shift for a real one: some 0.7 m here.
		{"the realisation left out", "EPSG:2157", grid.EN{E: 690238, N: 604871},
			func(t *testing.T) sim.Plant { return sim.Plant{Kind: sim.TagDatum, Datum: "EPSG:4258"} }, "", ""},
		{"nothing", "EPSG:2157", grid.EN{E: 690238, N: 604871}, nil, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			cfg := sim.Default()
			cfg.Seed, cfg.Photos, cfg.Points = 31, 90, 40
			cfg.Projection, cfg.At = must(t, c.crs), c.at
			if c.plant != nil {
				cfg.Plants = []sim.Plant{c.plant(t)}
			}
			set, err := sim.New(cfg)
			if err != nil {
				t.Fatal(err)
			}
			res, err := set.Check(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			in := cause.Input{Proj: set.Projection, Result: res, Options: set.Options(), Open: open}
			x, err := cause.Explain(t.Context(), in)
			if err != nil {
				t.Fatal(err)
			}
			if said := saysFoot(x); said != (c.name == "feet of the wrong kind") {
				t.Errorf("that the foot is not stated is said: %v", said)
			}
			if in.PointUnit = grid.USSurveyFoot; c.name == "feet of the wrong kind" {
				if x, err := cause.Explain(t.Context(), in); err != nil || saysFoot(x) {
					t.Errorf("the foot is stated: %v, %v", x.Findings(), err)
				}
			}
			var names []string
			for _, f := range x.Causes {
				names = append(names, f.Name)
				t.Logf("%s. %s.", f.Summary, f.Remedy)
			}
			want := []string{c.cause}
			if c.cause == "" {
				want = nil
			}
			if !slices.Equal(names, want) {
				t.Fatalf("found %q, want %q", names, want)
			}
			if c.param != "" && !slices.ContainsFunc(x.Causes[0].Params, func(p cause.Param) bool { return p.Text == c.param }) {
				t.Errorf("parameters %v, want %q among them", fmt.Sprint(x.Causes[0].Params), c.param)
			}
		})
	}
}

func saysFoot(x *cause.Explanation) bool {
	return slices.ContainsFunc(x.Findings(), func(f match.Finding) bool { return f.Code == match.FindingFootUnstated })
}

// Zones of the registry that lie beside one another are known by their names, and no
// others are.
func TestZones(t *testing.T) {
	for _, c := range []struct {
		code int
		want []int
	}{
		{32630, []int{32629, 32631}}, {32601, []int{32602, 32660}}, {32760, []int{32759, 32701}}, {25832, []int{25831, 25833}},
		{23031, []int{23030, 23032}}, {26917, []int{26916, 26918}}, {28355, []int{28354, 28356}}, {7855, []int{7854, 7856}},
		{31467, []int{31466, 31468}}, {28410, []int{28409, 28411}}, {31983, []int{31982, 31984}}, {6455, []int{6457}}, {6543, nil}, {2157, nil},
	} {
		own := must(t, fmt.Sprintf("EPSG:%d", c.code)).Grid()
		var got []int
		for _, d := range []int{-59, -4, -3, -2, -1, 1, 2, 3, 4, 59} {
			p, err := open(fmt.Sprintf("EPSG:%d", c.code+d))
			if err == nil && p.Grid().Unit == own.Unit && cause.Adjacent(own.Name, p.Grid().Name) {
				got = append(got, c.code+d)
			}
		}
		slices.Sort(got)
		slices.Sort(c.want)
		if !slices.Equal(got, c.want) {
			t.Errorf("%s (%d): %v, want %v", own.Name, c.code, got, c.want)
		}
	}
}
