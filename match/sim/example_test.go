package sim_test

import (
	"context"
	"fmt"
	"log"
	"os"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/sim"
)

// A job with a late run: what the check sees of it, and what is true.
func Example() {
	cfg := sim.Default()
	cfg.Seed = 7
	cfg.Spacing = 30
	cfg.Plants = []sim.Plant{{Kind: sim.LateRun, Run: 10}}
	set, err := sim.New(cfg)
	if err != nil {
		log.Fatal(err)
	}
	res, err := set.Check(context.Background())
	if err != nil {
		log.Fatal(err)
	}
	late := make(map[int]bool)
	for _, i := range set.Planted[0].Photos {
		late[i] = true
	}
	gross, rightly := 0, 0
	for i, p := range res.Photos {
		if p.Verdict == match.Gross {
			gross++
			if late[i] {
				rightly++
			}
		}
	}
	fmt.Printf("%d photos of %d points\n", len(set.Photos), len(set.Points))
	fmt.Printf("gross: %d, of which %d are in the late run\n", gross, rightly)
	first := set.Planted[0].Photos[0]
	fmt.Printf("%s shows %s and is linked to %s\n", set.Photos[first].Name,
		set.Points[set.Truth[first].Point].ID, set.Points[set.Truth[first].Linked].ID)
	// Output:
	// 200 photos of 80 points
	// gross: 10, of which 10 are in the late run
	// day1/a/A0186.jpg shows B075 and is linked to B076
}

// An explainer of one's own, put to the test. This one looks at the sign of the
// longitude and at nothing else.
func ExampleStudy() {
	west := func(_ context.Context, set *sim.Set) ([]string, error) {
		for _, p := range set.Photos {
			if p.Tag.Position != nil && p.Tag.Position.Lon > 0 {
				return []string{"flipped-longitude"}, nil
			}
		}
		return nil, nil
	}
	study := sim.Study{Base: sim.Default(), Sets: 20, Explain: west}
	var rows []sim.Scenario
	for _, name := range []string{"nothing", "flipped-longitude, one camera", "swapped-lat-lon", "late-run"} {
		s, err := sim.ParseScenario(name)
		if err != nil {
			log.Fatal(err)
		}
		rows = append(rows, s)
	}
	table, err := study.Run(context.Background(), rows...)
	if err != nil {
		log.Fatal(err)
	}
	if err := table.WriteText(os.Stdout); err != nil {
		log.Fatal(err)
	}
	// Output:
	// planted                       sets    found    exact   1
	// nothing                         20  100.0 %  100.0 %   .
	// flipped-longitude, one camera   20  100.0 %  100.0 %  20
	// swapped-lat-lon                 20    0.0 %    0.0 %  20
	// late-run                        20    0.0 %    0.0 %   .
	//
	// named:
	//   1  flipped-longitude
}

// A scenario plants its blunder with other figures for each seed.
func ExampleNewScenario() {
	s, err := sim.NewScenario(sim.FrozenFix, sim.Usual)
	if err != nil {
		log.Fatal(err)
	}
	base := sim.Default()
	for base.Seed = range 3 {
		fmt.Println(s, "of", s.Config(base).Plants[0].Run, "photos")
	}
	// Output:
	// frozen-fix of 15 photos
	// frozen-fix of 12 photos
	// frozen-fix of 12 photos
}

// A plane in feet, with a second datum whose positions, taken for WGS 84,
// come out 100 m too far east.
func ExamplePlane() {
	p, err := sim.NewPlane(grid.LatLon{Lat: 35.6, Lon: -82.3}, grid.EN{E: 1000000, N: 700000}, grid.USSurveyFoot)
	if err != nil {
		log.Fatal(err)
	}
	p = p.WithDatum("OLD", match.Vector{E: 100})
	at := grid.LatLon{Lat: 35.61, Lon: -82.31}
	placed, err := p.ToGrid(context.Background(), []grid.Fix{{LatLon: at}, {LatLon: at, Frame: grid.Frame{Datum: "OLD"}}})
	if err != nil {
		log.Fatal(err)
	}
	for _, q := range placed {
		fmt.Printf("E %.2f N %.2f %s\n", q.E, q.N, p.Grid().Unit.Symbol)
	}
	// Output:
	// E 997027.01 N 703640.14 ftUS
	// E 996698.93 N 703640.14 ftUS
}
