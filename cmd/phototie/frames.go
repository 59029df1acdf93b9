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
		g, budget := d.Projection().Grid(), match.Budget(d.Settings().Budget.BudgetSettings)
		return report.Print(e.stdout, report.Format(format.value), report.Frames{Dataset: filepath.Base(args[0]), Grid: g, Uses: uses, Assumptions: budget.Assumptions(),
			Title: args[0], Facts: report.SurveyFacts(reading, g.Unit), All: all})
	}
	return cmd
}
