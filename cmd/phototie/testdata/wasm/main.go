// Command wasm checks a job, corrects it in place or restores it, and prints what came
// of it as JSON: it is built for this system and for WebAssembly, and both must do the
// same. The grid is a plane that needs no PROJ.
//
//	wasm check|correct|restore DIR
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/sim"
)

func main() {
	if err := run(context.Background(), os.Args[1], os.Args[2]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	}
}

func run(ctx context.Context, action, dir string) error {
	out := json.NewEncoder(os.Stdout)
	if action == "restore" {
		for o, err := range dataset.Restore(ctx, dir, "test", nil, false) {
			if err := errors.Join(err, out.Encode(o)); err != nil {
				return err
			}
		}
		return nil
	}
	d, err := dataset.Open(ctx, dir, func(string, grid.OpenOptions) (grid.Projection, error) { return sim.DefaultPlane(), nil })
	if err != nil {
		return err
	}
	defer d.Close()
	job, err := d.Check(ctx, dataset.CheckOptions{Pixels: dataset.PixelsAlways})
	if err != nil {
		return err
	}
	if action == "check" {
		return errors.Join(out.Encode(job.Result), out.Encode(job.Findings()), out.Encode(job.Explanation))
	}
	for c, err := range job.Correct(ctx, dataset.CorrectOptions{
		InPlace: true, Override: true, Tool: "test", Clock: func() time.Time { return time.Time{} },
		Policy: match.Policy{Only: []match.Verdict{match.Within, match.Over, match.Gross}},
	}) {
		if err := errors.Join(err, out.Encode(c)); err != nil {
			return err
		}
	}
	return nil
}
