package main

import (
	"path/filepath"

	"github.com/spf13/cobra"

	"example.com/phototie/match"
	"example.com/phototie/match/report"
)

func newFrames(e *env) *cobra.Command {
	var all bool
	cmd := command("frames", argsExactly(1, "the dataset's folder"))
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
