package main

import (
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"example.com/phototie/grid/crs"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/dataset/demo"
)

func newDemo(e *env) *cobra.Command {
	var seed uint64
	cmd := command("demo", argsExactly(1, "a folder to write to"))
	cmd.Flags().Uint64Var(&seed, "seed", 1, "the seed of the random numbers")
	job := addChoice(cmd, "job", "port-velland", "which example", "port-velland", "tallow-creek")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		code, build := "EPSG:2157", demo.PortVelland
		if job.value == "tallow-creek" {
			code, build = "EPSG:6543", demo.TallowCreek
		}
		proj, err := crs.Open(code)
		if err != nil {
			return err
		}
		j, err := build(cmd.Context(), proj, seed)
		if err != nil {
			return err
		}
		if err := dataset.Vacant(args[0]); err != nil {
			return err
		}
		if err := os.MkdirAll(args[0], 0o755); err != nil {
			return err
		}
		root, err := os.OpenRoot(args[0])
		if err != nil {
			return err
		}
		defer root.Close()
		tell, done := progress(e.stderr, "drawing photos")
		err = demo.Write(cmd.Context(), root, j, tell)
		done()
		if err != nil {
			return usagef("%s: %w", args[0], err)
		}
		fmt.Fprintf(e.stdout, "%s: %s, %d photos\n", args[0], j.Name, len(j.Photos))
		fmt.Fprintf(e.stdout, "\nNext\n  phototie init --dry-run %[1]s   (what it finds in such a folder)\n  phototie check %[1]s\n", args[0])
		return nil
	}
	return cmd
}
