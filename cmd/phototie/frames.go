package main

import (
	"path/filepath"

	"github.com/spf13/cobra"

	"example.com/phototie/match"
	"example.com/phototie/match/report"
)

func newFrames(e *env) *cobra.Command {
	var all bool
	cmd := &cobra.Command{
		Use:   "frames [flags] DIR",
		Short: "List the operations that can carry a dataset's tags onto its grid",
		Long: `frames lists, for the area of the dataset's points, the coordinate operations that
lead from the frames that its tags are in to its grid: the accuracy that the
registry states for each, whether it depends on the epoch, which one is used
(marked *) and why, and which files a better one needs, with how to install them;
in which frame corrections are written, and how far off they are where they are
read in another; and what the budget takes for want of better figures, with its
sources.

To force an operation, or to rule some out, name them in phototie.toml by their
code or a part of their name:

  [frame]
  operation = "EPSG:9774"
  forbid = ["ballpark", "null geographic offset"]`,
		Example: `  phototie frames job
  phototie frames --all job              list every operation there is
  phototie frames --format json job`,
		Args: argsExactly(1, "the dataset's folder"),
	}
	format := addChoice(cmd, "format", "text", "how to print the result", "text", "json")
	cmd.Flags().BoolVar(&all, "all", false, "list every operation in the text")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		d, err := e.open(cmd.Context(), args[0])
		if err != nil {
			return err
		}
		defer d.Close()
		uses, reading, err := d.Frames(cmd.Context())
		if err != nil {
			return err
		}
		proj, budget := d.Projection(), match.Budget(d.Settings().Budget.BudgetSettings)
		if format.value == "json" {
			return report.FramesJSON(e.stdout, filepath.Base(args[0]), proj.Grid(), uses, budget)
		}
		return report.FramesText(e.stdout, args[0], proj.Grid(), uses, budget, report.SurveyFacts(reading, proj.Grid().Unit), all)
	}
	return cmd
}
