package cause_test

import (
	"context"
	"fmt"
	"log"

	"example.com/phototie/match/cause"
	"example.com/phototie/match/sim"
)

// A job in which one day's photos state the wrong hemisphere, explained.
func ExampleExplain() {
	ctx := context.Background()
	cfg := sim.Default()
	cfg.Seed = 7
	cfg.Plants = []sim.Plant{{Kind: sim.FlippedLongitude, Rate: 1}}
	set, err := sim.New(cfg)
	if err != nil {
		log.Fatal(err)
	}
	res, err := set.Check(ctx)
	if err != nil {
		log.Fatal(err)
	}
	x, err := cause.Explain(ctx, cause.Input{Proj: set.Projection, Options: set.Options(), Result: res, Datums: []string{}})
	if err != nil {
		log.Fatal(err)
	}
	for _, f := range x.Causes {
		fmt.Printf("%s: %d of %d photos\n", f.Name, len(f.Photos), len(res.Photos))
		fmt.Println(f.Remedy)
	}
	// Output:
	// flipped-longitude: 200 of 200 photos
	// set the reference to W, or correct the photos
}
