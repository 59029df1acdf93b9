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
	cmd := &cobra.Command{
		Use:   "demo [flags] DIR",
		Short: "Write an example job into a new folder",
		Long: `demo draws the photos of an invented survey and writes them with its points,
links and settings into the folder DIR, which must be new or empty. The job has
troubles planted in it; README.txt in the folder tells which, so read it after
you have looked for them yourself.

  port-velland   quay furniture, Irish Transverse Mercator, 60 points
  tallow-creek   footbridges, a state plane in US survey feet, small

The same seed gives the same bytes.`,
		Example: `  phototie demo job && phototie init --dry-run job && phototie check job`,
		Args:    argsExactly(1, "a folder to write to"),
	}
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
