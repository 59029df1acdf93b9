package main

import (
	"errors"
	"math"

	"github.com/spf13/cobra"

	"example.com/phototie/geotag/ledger"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/report"
)

func newRestore(e *env) *cobra.Command {
	var dryRun bool
	cmd := command("restore", argsBetween(1, math.MaxInt, "the folder that was corrected"))
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "prove that it can be done, write nothing")
	format := addChoice(cmd, "format", "text", "how to print the result", "text", "json", "csv")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		doc := report.Restore{Dataset: args[0], DryRun: dryRun, Photos: []ledger.Outcome{}}
		var errs []error
		for o, err := range dataset.Restore(cmd.Context(), args[0], "phototie "+version(), args[1:], dryRun) {
			if err != nil {
				errs = append(errs, err)
			}
			if o.Photo != "" {
				doc.Photos = append(doc.Photos, o)
			}
		}
		if len(doc.Photos) > 0 {
			errs = append(errs, report.Print(e.stdout, report.Format(format.value), doc))
		}
		if err := errors.Join(errs...); err != nil {
			return err
		}
		if doc.Count(ledger.Restored)+doc.Count(ledger.Original) != len(doc.Photos) {
			return errFindings
		}
		return nil
	}
	return cmd
}
