package field_test

import (
	"context"
	"fmt"

	"example.com/phototie/match/sim/field"
)

// A job with a late run.
func ExampleNew() {
	j := field.New(3, field.Config{Photos: 60, Layout: "line", Noise: "white", Blunders: []string{"late-run"}})
	res, err := j.Check(context.Background())
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, p := range j.Truth.Plants {
		fmt.Printf("%s of %d photos, of a job of %d\n", p.Blunder, len(p.Photos), len(res.Photos))
	}
	// Output: late-run of 19 photos, of a job of 58
}
